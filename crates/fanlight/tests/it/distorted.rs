//! Frames whose optics distort more than their headers say.

use crate::support::{python, record_in, run_in};
use crate::truth::{Sample, distorted, measure, summary};
use fanlight_io::read_header;
use fanlight_sky::UtcInstant;
use rayon::prelude::*;
use std::path::Path;

/// 640 px whose corners are off by 4 px, and a header that is moved, turned and stretched besides.
const SCENARIO: &str = "
seed = 20310405
n_frames = 4
[camera]
width_px = 640
height_px = 640
scale_arcsec = 1.4
[calibration]
n_bias = 2
n_dark = 2
n_flat = 2
[stars]
per_square_degree = 4000.0
[wcs]
offset_arcsec = 3.0
rotation_deg = 0.03
scale_fraction = 3e-4
distortion_corner_px = DISTORTION
";

fn night_in(folder: &Path, distortion_px: f64) {
    let scenario = SCENARIO.replace("DISTORTION", &format!("{distortion_px:.1}"));
    std::fs::write(folder.join("scenario.toml"), scenario).expect("scenario");
    run_in(folder, &["simulate", "scenario.toml", "--out", "."]).expect_status(0);
    run_in(folder, &["night", "frames", "--campaign", "campaign.toml", "--out", "out"]).expect_status(0);
}

/// The stars of the star-registered stack are where its WCS has the catalogue's, read and measured by astropy and sep: in
/// each of nine parts of the frame within 0.05 px in the median. The distortion is in every frame's record, and the comet's
/// stack is straight.
#[test]
fn a_distortion_that_no_header_tells_is_in_the_stacks_coordinates() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    night_in(folder.path(), 4.0);
    let out = folder.path().join("out");
    let record = record_in(&out);
    for f in &record.frames {
        let solution = f.solution.as_ref().unwrap_or_else(|| panic!("{} is not tied", f.file));
        assert!(solution.distortion_order.is_some_and(|o| o >= 3), "{}: {solution:?}", f.file);
        assert!(solution.rms_arcsec < 0.15 && solution.stars > 100, "{}: {solution:?}", f.file);
        assert!(f.comet_o_minus_c_arcsec.is_some(), "{}", f.file);
    }
    let ctype = |name: &str| read_header(&out.join(name)).expect(name).text("CTYPE1").expect("CTYPE1");
    assert_eq!((ctype("stars.fits").as_str(), ctype("comet.fits").as_str()), ("RA---TAN-SIP", "RA---TAN"));

    let year = UtcInstant::parse(&record.mid_utc).expect("mid_utc").julian_year().to_string();
    let (stack, catalogue) = (out.join("stars.fits"), folder.path().join("field.csv"));
    let stars = python("check_star_places.py", &[stack.as_os_str(), catalogue.as_os_str(), year.as_ref()]);
    let mut parts: Vec<[Vec<f64>; 2]> = vec![Default::default(); 9];
    for star in stars.as_array().expect("a list") {
        let of = |key: &str| star[key].as_f64().expect("number");
        let third = |key: &str| ((of(key) / 640.0 * 3.0) as usize).min(2);
        let part = &mut parts[3 * third("y_px") + third("x_px")];
        part[0].push(of("dx_px"));
        part[1].push(of("dy_px"));
    }
    for (i, part) in parts.iter_mut().enumerate() {
        for off in part {
            off.sort_by(f64::total_cmp);
            assert!(off.len() >= 5, "part {i}: {} lone bright stars", off.len());
            let median = off[off.len() / 2];
            assert!(median.abs() < 0.05, "part {i}: {median:+.3} px of {} stars", off.len());
        }
    }
}

/// Where the residuals ask for no distortion, none is fitted.
#[test]
fn straight_frames_stay_straight() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    night_in(folder.path(), 0.0);
    let record = record_in(&folder.path().join("out"));
    let solved: Vec<_> = record.frames.iter().filter_map(|f| f.solution.as_ref()).collect();
    assert_eq!(solved.len(), 4);
    assert!(solved.iter().all(|s| s.distortion_order.is_none()), "{solved:?}");
}

/// The comet's place in the frames of distorted nights is off by what its error says. Errors that all frames of a night
/// share make the eight frames of a night about one sample per axis.
#[test]
fn places_in_distorted_frames_are_within_their_errors() {
    let samples: Vec<Sample> = (1..=6_u64)
        .into_par_iter()
        .flat_map_iter(|seed| {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let outcome = measure(&distorted(seed), folder.path());
            outcome.samples.unwrap_or_else(|e| panic!("seed {seed}: {e}"))
        })
        .collect();
    let of = |quantity: &str| summary(samples.iter().filter(|s| s.quantity == quantity)).expect("a sample");
    for (quantity, worst_rms_px) in [("frame place, px", 0.3), ("O−C, px", 0.1)] {
        let found = of(quantity);
        let pull = found.pull_rms.expect("errors");
        // 0.1 % and 99.9 % of χ² with 12 degrees of freedom, about pulls of 0.8 and 1.2
        assert!((0.8 * 0.43..1.2 * 1.66).contains(&pull), "{quantity}: {found:?}");
        assert!(found.rms < worst_rms_px, "{quantity}: {found:?}");
    }
}
