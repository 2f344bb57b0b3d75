//! `fanlight enhance`: on a night's own stack, on plain images, beside a twin, and what it refuses.

use crate::support::{Run, happy, python, run_in};
use fanlight_image::Image;
use fanlight_io::{Card, HduData, HduOut, read_header, read_image, write_fits};
use std::path::Path;
use tempfile::TempDir;

const METHODS: [&str; 11] = [
    "rotational-gradient",
    "azimuthal-division",
    "azimuthal-subtraction",
    "ring-stretch",
    "ring-standardisation",
    "inverse-radius",
    "power-law-division",
    "variable-high-pass",
    "laplacian",
    "unsharp-ratio",
    "multi-scale",
];
const NO_TWIN: &str = "no twin: this picture alone does not show that a structure is real";
/// The comet of the images made here, the first pixel being 0.
const COMET: (f64, f64) = (50.0, 44.0);
const WIDTH: usize = 101;
const HEIGHT: usize = 91;

/// A coma 1/ρ about a place, a ray of 40 % toward +x where it is asked for, and rough like noise.
fn coma(about: (f64, f64), ray: f64) -> Image {
    let pixel = |i: usize| {
        let (dx, dy) = ((i % WIDTH) as f64 - about.0, (i / WIDTH) as f64 - about.1);
        let bright = 1.0 + ray * (-(dy.atan2(dx) / 0.25).powi(2)).exp();
        (20_000.0 / dx.hypot(dy).max(1.0) * bright + ((37 * i) % 64) as f64 * 0.3 - 9.5) as f32
    };
    Image { width: WIDTH, height: HEIGHT, data: (0..WIDTH * HEIGHT).map(pixel).collect() }
}

fn comet_cards(about: (f64, f64)) -> Vec<Card> {
    vec![Card::new("COMETX", about.0 + 1.0, ""), Card::new("COMETY", about.1 + 1.0, "")]
}

/// North up, east left, 1.5″ per pixel.
fn wcs_cards(arcsec_per_px: f64) -> Vec<Card> {
    let text = |key: &str, value: &str| Card::new(key, value, "");
    let number = |key: &str, value: f64| Card::new(key, value, "");
    vec![
        text("CTYPE1", "RA---TAN"),
        text("CTYPE2", "DEC--TAN"),
        number("CRVAL1", 40.0),
        number("CRVAL2", 20.0),
        number("CRPIX1", COMET.0 + 1.0),
        number("CRPIX2", COMET.1 + 1.0),
        number("CD1_1", -arcsec_per_px / 3600.0),
        number("CD1_2", 0.0),
        number("CD2_1", 0.0),
        number("CD2_2", arcsec_per_px / 3600.0),
    ]
}

fn write(folder: &Path, name: &str, image: &Image, cards: Vec<Card>) {
    let mut hdu = HduOut::new("", HduData::F32(image));
    hdu.cards = cards;
    write_fits(&folder.join(name), &[hdu]).expect("written");
}

/// A folder with `coma.fits`: comet cards, and a WCS.
fn with_coma() -> TempDir {
    let folder = tempfile::tempdir().expect("temporary folder");
    write(folder.path(), "coma.fits", &coma(COMET, 0.4), [comet_cards(COMET), wcs_cards(1.5)].concat());
    folder
}

fn enhance(folder: &Path, words: &str) -> Run {
    let arguments: Vec<&str> = std::iter::once("enhance").chain(words.split_whitespace()).collect();
    run_in(folder, &arguments)
}

fn pixels(path: &Path) -> Image {
    read_image(path).expect("an image").image
}

fn history(path: &Path) -> String {
    let header = read_header(path).expect("a header");
    let lines = header.cards().iter().filter(|c| c.key == "HISTORY");
    lines.map(|c| c.comment.trim()).collect::<Vec<_>>().join(" ")
}

fn picture_text(path: &Path) -> String {
    std::fs::read_to_string(path).expect("a picture").replace('\n', " ")
}

/// Every method on a night's own stack and its twin: files that astropy takes, with WCS, history and a picture.
#[test]
fn a_nights_stack_goes_through_every_method() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let stack = happy().folder.join("out/comet.fits");
    let line = format!("{} --all --out all --width 100000km", stack.display());
    let run = enhance(folder.path(), &line).expect_status(0);
    assert!(!run.stderr.contains(NO_TWIN), "{}", run.stderr);
    let source = read_header(&stack).expect("header");
    for method in METHODS {
        let file = folder.path().join(format!("all/{method}.fits"));
        let hdus = python("check_fits.py", &[file.as_os_str()]);
        let hdu = &hdus[0];
        assert_eq!((hdus.as_array().map(Vec::len), hdu["name"].as_str()), (Some(1), Some("ENHANCED")), "{method}");
        for key in ["CRVAL1", "CRPIX2", "CD1_2", "COMETX", "KMARCSEC", "SUNPA"] {
            let (found, expected) = (hdu["cards"][key].as_f64(), source.number(key));
            let same = found.zip(expected).is_some_and(|(a, b)| (a - b).abs() <= 1e-12 * b.abs());
            assert!(same, "{method} {key}: {found:?} for {expected:?}");
        }
        assert!(hdu["n_not_finite"].as_u64().expect("count") < 192 * 192 / 2, "{method}");
        let history = history(&file);
        for part in [
            "known artefacts:",
            "brightness:",
            "method:",
            "settings:",
            "comet.fits (SHA-256",
            &format!("{method}-twin.fits"),
        ] {
            assert!(history.contains(part), "{method}: {part} is not in {history}");
        }
        // the stack's own history goes on
        assert!(history.contains("light-001.fits") && history.contains(&format!("--method {method}")), "{method}");
        let picture = picture_text(&folder.path().join(format!("all/{method}.svg")));
        for part in [">N<", ">E<", " km<", "″<", "its featureless twin", "toward the Sun", "Stretch:"] {
            assert!(picture.replace('\u{202f}', " ").contains(part), "{method}: {part} is not drawn");
        }
        for raster in [format!("all/{method}.png"), format!("all/{method}-dark.png")] {
            let bytes = std::fs::read(folder.path().join(&raster)).expect("picture");
            assert!(bytes.starts_with(b"\x89PNG") && bytes.len() > 20_000, "{raster}");
        }
    }
    // the twin that is drawn has noise like the night's
    let noisy = fanlight_io::read_named_image(&stack.with_file_name("twin.fits"), &["REALISATION"], (192, 192));
    let noisy = noisy.expect("twin.fits").expect("a twin with noise").image;
    let (drawn, at) = (pixels(&folder.path().join("all/inverse-radius-twin.fits")), 150 * 192 + 40);
    let rho_px = (40.0 - source.number("COMETX").expect("card") + 1.0)
        .hypot(150.0 - source.number("COMETY").expect("card") + 1.0);
    let ratio = f64::from(drawn.data[at]) / (f64::from(noisy.data[at]) * rho_px);
    assert!((ratio - 1.0).abs() < 1e-3, "{ratio}");
    // differences have the stack's unit, ratios have none
    let unit = |m: &str| read_header(&folder.path().join(format!("all/{m}.fits"))).expect("header").text("BUNIT");
    assert_eq!(unit("laplacian").as_deref(), Some("electron/s"));
    assert_eq!((unit("unsharp-ratio"), unit("ring-stretch"), unit("inverse-radius")), (None, None, None));
    let temporal = folder.path().join("all/temporal-ratio.fits");
    assert!(!temporal.exists(), "there is no other night");
}

/// The numbers are the library's own: what the file holds is what the enhancement gives for the settings asked.
#[test]
fn settings_reach_the_enhancement_in_any_unit() {
    use fanlight_coma::enhance::{Enhancement, GradientConfig, apply};
    let folder = with_coma();
    let (image, at) = (coma(COMET, 0.4), fanlight_sky::PixelXy { x_px: COMET.0, y_px: COMET.1 });
    let clear = fanlight_image::Mask::clear(WIDTH, HEIGHT);
    let check = |words: &str, enhancement: Enhancement| {
        enhance(folder.path(), &format!("coma.fits {words} --out got.fits")).expect_status(0);
        let (got, expected) =
            (pixels(&folder.path().join("got.fits")), apply(&enhancement, &image, &clear, at).expect("possible"));
        let worst = got.data.iter().zip(&expected.data).filter(|(a, b)| a.is_finite() || b.is_finite());
        let worst = worst.map(|(a, b)| (a - b).abs() / b.abs().max(1.0)).fold(0.0, f32::max);
        assert!(worst < 1e-4, "{words}: {worst}");
    };
    // 6″ are 4 px, and so are 4800 km
    for scale in ["4px", "6arcsec", "4800km --km-per-arcsec 800"] {
        check(&format!("--method unsharp-ratio --scale {scale}"), Enhancement::UnsharpRatio { sigma_px: 4.0 });
    }
    let turned = Enhancement::RotationalGradient(GradientConfig { rotation_deg: 40.0, radial_shift_px: -2.0 });
    check("--method rotational-gradient --rotation-deg 40 --shift -2px", turned);
    let known = history(&folder.path().join("got.fits"));
    assert!(known.contains("40") && known.contains("-2 px") || known.contains("- 2 px"), "{known}");
}

/// The twin beside the image is taken unasked, and goes through the same.
#[test]
fn a_twin_beside_the_image_stands_beside_the_picture() {
    let folder = with_coma();
    write(folder.path(), "twin.fits", &coma(COMET, 0.0), Vec::new());
    for (method, of_ray) in [("rotational-gradient", 200.0), ("azimuthal-division", 0.2)] {
        let run = enhance(folder.path(), &format!("coma.fits --method {method} --out e.fits")).expect_status(0);
        assert!(!run.stderr.contains("no twin"), "{}", run.stderr);
        let (night, twin) = (pixels(&folder.path().join("e.fits")), pixels(&folder.path().join("e-twin.fits")));
        // the ray is the night's alone
        let ray = night.at(70, 44) - twin.at(70, 44);
        assert!(ray > of_ray, "{method}: {ray}");
        assert!((night.at(30, 44) - twin.at(30, 44)).abs() < of_ray / 4.0, "{method}");
        let picture = picture_text(&folder.path().join("e.svg"));
        assert!(picture.contains("its featureless twin") && !picture.contains("No twin"), "{method}");
        assert_eq!(picture.matches("width=\"262\" height=\"262\"").count(), 4, "two pictures of one size, each framed");
        assert!(history(&folder.path().join("e.fits")).contains("e-twin.fits"));
        assert!(history(&folder.path().join("e-twin.fits")).contains("the featureless twin"));
    }
    // without it the next run says so, and leaves no twin of the run before
    std::fs::remove_file(folder.path().join("twin.fits")).expect("removed");
    enhance(folder.path(), "coma.fits --method laplacian --out e.fits").expect_status(0).expect_stderr(&[NO_TWIN]);
    assert!(!folder.path().join("e-twin.fits").exists());
    assert!(picture_text(&folder.path().join("e.svg")).contains("No twin: this picture alone"));
}

#[test]
fn a_twin_of_another_size_is_refused_or_said() {
    let folder = with_coma();
    write(folder.path(), "twin.fits", &Image::filled(20, 20, 1.0), Vec::new());
    let beside = enhance(folder.path(), "coma.fits --method laplacian --out e.fits").expect_status(0);
    beside.expect_stderr(&["twin.fits", "20 × 20", "101 × 91", NO_TWIN]);
    let asked = enhance(folder.path(), "coma.fits --method laplacian --twin twin.fits --out f.fits").expect_status(1);
    asked.expect_stderr(&["twin.fits", "20 × 20", "101 × 91"]);
    assert!(!folder.path().join("f.fits").exists());
    enhance(folder.path(), "coma.fits --method laplacian --twin none.fits --out f.fits")
        .expect_status(2)
        .expect_stderr(&["none.fits"]);
}

/// 16-bit counts and compressed tiles, with no WCS and no comet in the header.
#[test]
fn plain_images_need_a_centre_and_have_no_compass() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let counts: Vec<u16> = coma(COMET, 0.4).data.iter().map(|v| (v + 800.0) as u16).collect();
    let data = HduData::U16 { width: WIDTH, height: HEIGHT, pixels: &counts };
    write_fits(&folder.path().join("counts.fits"), &[HduOut::new("", data)]).expect("written");
    enhance(folder.path(), "counts.fits --method azimuthal-division --out e.fits")
        .expect_status(2)
        .expect_stderr(&["COMETX", "hint:", "--centre"]);
    enhance(folder.path(), "counts.fits --method azimuthal-division --sky 800 --centre 51,45 --out e.fits")
        .expect_status(0);
    let divided = pixels(&folder.path().join("e.fits"));
    assert!(
        (divided.at(70, 44) - 1.4).abs() < 0.03 && (divided.at(30, 44) - 1.0).abs() < 0.03,
        "{}",
        divided.at(70, 44)
    );
    let picture = picture_text(&folder.path().join("e.svg"));
    assert!(!picture.contains(">N<") && picture.contains(" px<") && picture.contains("not known"));
    assert!(history(&folder.path().join("e.fits")).contains("800 taken off"));

    let packed = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fanlight-io/tests/data/u16_rice.fits.fz");
    let plain = packed.with_file_name("u16.fits");
    for (name, file) in [("packed", &packed), ("plain", &plain)] {
        let line = format!("{} --method laplacian --scale 1px --centre 4,4 --out {name}.fits", file.display());
        enhance(folder.path(), &line).expect_status(0);
    }
    let [packed, plain] = ["packed.fits", "plain.fits"].map(|n| pixels(&folder.path().join(n)));
    assert_eq!((packed.width, packed.height), (plain.width, plain.height));
    let alike = packed.data.iter().zip(&plain.data).all(|(a, b)| a.to_bits() == b.to_bits());
    assert!(alike && plain.data.iter().any(|v| v.is_finite()));
}

/// The place by the WCS is the place by the pixel.
#[test]
fn a_place_on_the_sky_is_a_place_in_the_image() {
    let folder = with_coma();
    for centre in ["--centre 51,45", "--at 40.0,+20.0", "--at 02:40:00,+20:00:00"] {
        enhance(folder.path(), &format!("coma.fits --method inverse-radius {centre} --out e.fits")).expect_status(0);
        let header = read_header(&folder.path().join("e.fits")).expect("header");
        let at = [header.number("COMETX"), header.number("COMETY")].map(|v| v.expect("a card"));
        assert!((at[0] - 51.0).abs() < 1e-6 && (at[1] - 45.0).abs() < 1e-6, "{centre}: {at:?}");
    }
    // 40.5 degrees are far beyond the rim
    enhance(folder.path(), "coma.fits --method laplacian --at 40.5,20 --out x.fits")
        .expect_status(2)
        .expect_stderr(&["outside"]);
    write(folder.path(), "blind.fits", &coma(COMET, 0.4), Vec::new());
    enhance(folder.path(), "blind.fits --method laplacian --at 40,20 --out x.fits")
        .expect_status(2)
        .expect_stderr(&["--at", "WCS", "--centre"]);
}

/// Another night whose comet stands elsewhere is laid on this one's: what did not change is 1.
#[test]
fn a_ratio_of_two_nights_shows_what_is_new() {
    let folder = with_coma();
    let there = (COMET.0 + 3.0, COMET.1 - 2.0);
    let other = coma(there, 0.0);
    let other = Image { data: other.data.iter().map(|v| 0.5 * v).collect(), ..other };
    write(folder.path(), "other.fits", &other, [comet_cards(there), wcs_cards(1.5)].concat());
    let line = "coma.fits --method temporal-ratio --against other.fits --least 100 --annulus 3px,20px --out e.fits";
    enhance(folder.path(), line).expect_status(0);
    let ratio = pixels(&folder.path().join("e.fits"));
    let (ray, rest) = (ratio.at(70, 44), ratio.at(35, 44));
    assert!((ray / rest - 1.4).abs() < 0.04, "{ray} {rest}");
    let refused = |cards: Vec<Card>, image: &Image, parts: &[&str]| {
        write(folder.path(), "other.fits", image, cards);
        enhance(folder.path(), line).expect_status(1).expect_stderr(parts);
    };
    refused(comet_cards(COMET), &Image::filled(60, 60, 1.0), &["other.fits", "60 × 60", "101 × 91"]);
    refused([comet_cards(there), wcs_cards(1.6)].concat(), &other, &["scale or orientation differs", "6.7 %"]);
    let without = enhance(folder.path(), "coma.fits --method temporal-ratio --out e.fits").expect_status(2);
    without.expect_stderr(&["another night", "--against"]);
}

#[test]
fn wrong_calls_are_status_2_and_say_what_to_do() {
    let folder = with_coma();
    let refused = |words: &str, parts: &[&str]| {
        let before = crate::support::files_under(folder.path());
        enhance(folder.path(), words).expect_status(2).expect_stderr(parts);
        assert_eq!(crate::support::files_under(folder.path()), before, "{words} wrote something");
    };
    refused("coma.fits --method rotational-gradeint --out e.fits", &["rotational-gradient", "similar"]);
    refused("coma.fits --out e.fits", &["--method"]);
    refused("coma.fits --method laplacian --all --out e.fits", &["--all"]);
    refused("none.fits --method laplacian --out e.fits", &["none.fits"]);
    refused("coma.fits --method laplacian --out e.png", &["--out e.png", ".fits"]);
    refused("coma.fits --method laplacian --out coma.fits", &["replace an input"]);
    refused("coma.fits --method laplacian --scale 5 --out e.fits", &["5px", "arcsec"]);
    refused("coma.fits --method laplacian --scale 5000km --out e.fits", &["KMARCSEC", "--km-per-arcsec"]);
    refused("coma.fits --method laplacian --scale 0px --out e.fits", &["laplacian", "sigma_px"]);
    refused("coma.fits --method laplacian --ring 2px --out e.fits", &["--ring", "laplacian", "it takes --scale"]);
    refused("coma.fits --method inverse-radius --ring 2px --out e.fits", &["it has no settings"]);
    refused("coma.fits --method multi-scale --scales 2px --out e.fits", &["scales", "--gains"]);
    refused("coma.fits --method laplacian --centre 400,20 --out e.fits", &["400.00", "outside", "101 × 91"]);
    refused("coma.fits --method laplacian --centre 40 --out e.fits", &["--centre 40", "hint:"]);
    refused("coma.fits --method laplacian --at 400,95 --out e.fits", &["--at"]);
    refused("coma.fits --method laplacian --km-per-arcsec -3 --out e.fits", &["--km-per-arcsec"]);
    write(folder.path(), "blind.fits", &coma(COMET, 0.4), comet_cards(COMET));
    refused("blind.fits --method laplacian --scale 5arcsec --out e.fits", &["WCS", "--arcsec-per-px"]);
}

#[test]
fn images_that_do_not_allow_it_are_status_1_and_gaps_stay_gaps() {
    let folder = with_coma();
    let missing = Image::filled(WIDTH, HEIGHT, f32::NAN);
    write(folder.path(), "missing.fits", &missing, comet_cards(COMET));
    enhance(folder.path(), "missing.fits --method laplacian --out e.fits")
        .expect_status(1)
        .expect_stderr(&["no pixel"]);
    write(folder.path(), "off.fits", &coma(COMET, 0.0), comet_cards((500.0, 20.0)));
    enhance(folder.path(), "off.fits --method laplacian --out e.fits")
        .expect_status(1)
        .expect_stderr(&["501.00", "outside"]);
    std::fs::write(folder.path().join("text.fits"), "no image").expect("written");
    enhance(folder.path(), "text.fits --method laplacian --out e.fits").expect_status(1).expect_stderr(&["text.fits"]);
    // of --all what the image allows is written: a negative coma has no power law
    let negative = Image { data: coma(COMET, 0.4).data.iter().map(|v| -v).collect(), width: WIDTH, height: HEIGHT };
    write(folder.path(), "negative.fits", &negative, comet_cards(COMET));
    let run = enhance(folder.path(), "negative.fits --all --out all").expect_status(0);
    run.expect_stderr(&["power-law-division was left out", "median above 0"]);
    assert!(
        folder.path().join("all/laplacian.fits").exists()
            && !folder.path().join("all/power-law-division.fits").exists()
    );

    let mut holed = coma(COMET, 0.4);
    for i in [3000, 3001, 4494] {
        holed.data[i] = f32::NAN;
    }
    let mut mask = fanlight_image::Mask::clear(WIDTH, HEIGHT);
    mask.bits[5000] = 8;
    let mut image = HduOut::new("COMET", HduData::F32(&holed));
    image.cards = comet_cards(COMET);
    let hdus = [image, HduOut::new("MASK", HduData::U8(&mask))];
    write_fits(&folder.path().join("holed.fits"), &hdus).expect("written");
    for method in METHODS {
        enhance(folder.path(), &format!("holed.fits --method {method} --out e.fits")).expect_status(0);
        let got = pixels(&folder.path().join("e.fits"));
        assert!([3000, 3001, 4494, 5000].iter().all(|i| got.data[*i].is_nan()), "{method}");
        assert!(got.data.iter().filter(|v| v.is_finite()).count() > WIDTH * HEIGHT / 3, "{method}");
    }
}
