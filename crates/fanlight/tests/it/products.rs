//! Products opened and measured by programs that are not ours: astropy and photutils, through scripts in `reference/`.

use crate::support::{happy, python};
use fanlight_io::{FitsImage, read_image};
use fanlight_sky::{PixelXy, SkyPosition, Wcs};

/// Flux of an aperture against photutils on the same pixels. Required is 0.3 %; both sum the exact overlap in double
/// precision, so that what is left is rounding.
const PHOTUTILS_TOLERANCE: f64 = 1e-6;
/// A stack's WCS read by astropy and by us: both are exact, a TAN projection in double precision.
const SAME_PLACE_ARCSEC: f64 = 1e-6;

fn product(name: &str) -> std::path::PathBuf {
    happy().folder.join("out").join(name)
}

#[test]
fn stacks_open_in_astropy_and_pass_its_verification() {
    let record = happy().record();
    let substacks: Vec<String> = (1..=record.stack.n_substacks).map(|i| format!("SUBSTACK{i}")).collect();
    assert!(record.stack.n_substacks >= 2, "{}", record.stack.n_substacks);
    let expected: [(&str, Vec<&str>); 4] = [
        ("comet.fits", vec!["COMET", "VARIANCE", "MASK", "STARSLEFT", "STARMASK"]),
        ("twin.fits", vec!["TWIN", "RESIDUAL", "REALISATION"]),
        ("stars.fits", vec!["STARS", "VARIANCE", "MASK"]),
        ("substacks.fits", substacks.iter().map(String::as_str).collect()),
    ];
    for (file, names) in expected {
        let hdus = python("check_fits.py", &[product(file).as_os_str()]);
        let hdus = hdus.as_array().expect("a list of HDUs");
        let found: Vec<&str> = hdus.iter().map(|h| h["name"].as_str().expect("name")).collect();
        assert_eq!(found, names, "{file}");
        for hdu in hdus {
            assert_eq!(hdu["shape"], serde_json::json!([192, 192]), "{file}");
            assert_eq!(hdu["cards"]["CTYPE1"], "RA---TAN", "{file} {}", hdu["name"]);
            if file != "stars.fits"
                && !["VARIANCE", "MASK", "STARSLEFT", "STARMASK"].contains(&hdu["name"].as_str().expect("name"))
            {
                let g = &record.geometry;
                for (key, expected) in [
                    ("KMARCSEC", g.km_per_arcsec),
                    ("SUNPA", g.sunward_pa_deg),
                    ("NEGVELPA", g.negative_velocity_pa_deg),
                ] {
                    assert_eq!(hdu["cards"][key].as_f64(), Some(expected), "{file} {} {key}", hdu["name"]);
                }
            }
            // what cannot be measured is in the mask; a few corner pixels of the shifted frames
            let empty = hdu["n_not_finite"].as_u64().expect("count");
            assert!(empty < 192 * 192 / 4, "{file} {}: {empty} pixels are not finite", hdu["name"]);
        }
        if file == "comet.fits" {
            assert!((hdus[0]["cards"]["NCOMBINE"].as_u64()) == Some(record.stack.n_frames as u64));
            let history = hdus[0]["history"].to_string();
            assert!(history.contains("light-001.fits") && history.contains("fanlight night"), "{history}");
        }
    }
}

/// The mask says the same as the image: a pixel is finite where it is good, and its variance is positive.
#[test]
fn mask_and_variance_fit_the_image() {
    let bytes = std::fs::read(product("comet.fits")).expect("comet.fits");
    assert_eq!(bytes.len() % 2880, 0, "FITS comes in blocks");
    let hdus = python("check_fits.py", &[product("comet.fits").as_os_str()]);
    let of = |i: usize, key: &str| hdus[i][key].as_f64().expect("number");
    // 8 is the one flag of a stack
    let masked = of(2, "sum") / 8.0;
    assert_eq!(of(0, "n_not_finite"), masked, "pixels without a value and masked pixels");
    assert!(of(1, "sum") > 0.0);
    assert_eq!(of(1, "n_not_finite"), masked);
}

#[test]
fn the_wcs_of_the_stacks_is_the_same_to_astropy_and_puts_the_comet_where_the_record_says() {
    let record = happy().record();
    let astrometry = record.astrometry.as_ref().expect("found");
    for file in ["comet.fits", "stars.fits"] {
        let path = product(file);
        let FitsImage { header, .. } = read_image(&path).expect(file);
        let (wcs, warnings) = Wcs::from_header(&header).expect("a WCS").expect("a WCS");
        assert!(warnings.is_empty(), "{warnings:?}");
        let theirs = python("check_wcs.py", &[path.as_os_str()]);
        let points = theirs.as_array().expect("points");
        assert!(points.len() >= 5);
        for p in points {
            let of = |key: &str| p[key].as_f64().expect("number");
            let ours = wcs.sky_from_pixel(PixelXy { x_px: of("x_px"), y_px: of("y_px") });
            let apart = ours.separation_arcsec(&SkyPosition::new(of("ra_deg"), of("dec_deg")));
            assert!(apart < SAME_PLACE_ARCSEC, "{file} at {p}: {apart} arcsec apart");
        }
        if file == "comet.fits" {
            let centre = PixelXy { x_px: record.stack.centre_x_px, y_px: record.stack.centre_y_px };
            let apart =
                wcs.sky_from_pixel(centre).separation_arcsec(&SkyPosition::new(astrometry.ra_deg, astrometry.dec_deg));
            assert!(apart < SAME_PLACE_ARCSEC, "the optocentre is {apart} arcsec from the recorded place");
        }
    }
}

#[test]
fn aperture_sums_agree_with_photutils() {
    let sums = python("check_photometry.py", &[happy().folder.join("out").as_os_str()]);
    let of = |what: &str| sums[what].as_array().expect("a list").clone();
    assert_eq!(of("apertures").len(), 3, "three apertures measured");
    assert!(of("growth").len() > 10, "{sums}");
    for s in of("apertures").iter().chain(&of("growth")) {
        let number = |key: &str| s[key].as_f64().expect("number");
        if number("masked_fraction") < 1e-9 {
            let off = number("flux") / number("photutils_flux") - 1.0;
            assert!(off.abs() < PHOTUTILS_TOLERANCE, "{} arcsec: {off:+.2e} of the flux", number("outer_arcsec"));
        }
    }
    let unmasked = of("apertures").iter().all(|s| s["masked_fraction"].as_f64() < Some(1e-9));
    assert!(unmasked, "nothing is masked in the apertures of this night: {sums}");
}

/// The catalogue stars in the star-registered stack against the published zero point: light is kept through
/// calibration, resampling and combination.
#[test]
fn catalogue_stars_in_the_stack_have_their_catalogue_magnitudes() {
    let (stack, catalogue) = (product("stars.fits"), happy().folder.join("field.csv"));
    let stars = python("check_star_magnitudes.py", &[stack.as_os_str(), catalogue.as_os_str()]);
    let residuals: Vec<f64> =
        stars["residual_mag"].as_array().expect("list").iter().map(|v| v.as_f64().expect("number")).collect();
    assert!(residuals.len() >= 4, "{} lone bright stars", residuals.len());
    let median = stars["median_mag"].as_f64().expect("number");
    // 9 arcsec leave out 0.7 % of a Moffat star of 3 arcsec and β = 3.2; faint neighbours and colours add the scatter
    assert!(median.abs() < 0.03, "lone stars are {median:+.4} mag off their catalogue magnitudes");
}

/// A figure is the picture that its SVG draws: same shape, no image from elsewhere.
#[test]
fn figures_are_whole_and_self_contained() {
    let folder = product("figures");
    let mut seen = 0;
    for entry in std::fs::read_dir(&folder).expect("figures") {
        let path = entry.expect("entry").path();
        let bytes = std::fs::read(&path).expect("figure");
        if path.extension().is_some_and(|e| e == "svg") {
            let text = String::from_utf8(bytes).expect("SVG is text");
            assert!(text.trim_end().ends_with("</svg>"), "{}", path.display());
            assert!(!text.contains("href=\"http") && !text.contains("href=\"file"), "{}", path.display());
            assert!(path.with_extension("png").exists(), "{} has no PNG", path.display());
            seen += 1;
        } else {
            // the last chunk of a PNG
            assert!(bytes.windows(4).rev().take(16).any(|w| w == b"IEND"), "{}", path.display());
        }
    }
    assert!(seen >= 8, "{seen} figures");
}
