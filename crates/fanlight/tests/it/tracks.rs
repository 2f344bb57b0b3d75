//! Satellites cross frames: the stack and its numbers must be those of the night without them.

use crate::support::{record_in, run_in};
use fanlight_image::Image;
use fanlight_image::robust::mad_sigma;
use fanlight_io::read_image;
use fanlight_record::NightRecord;
use std::path::Path;

/// Two satellites, of 40 and of 4 times the sky's noise per pixel (about 50 e⁻) on their middle lines, past the nucleus at
/// 12″ and 30″: one in each of two frames of ten.
const TRACKS: &str = "
[[artefacts.satellite]]
frame = 4
pa_deg = 63.0
miss_arcsec = 12.0
peak_e = 2000.0
width_arcsec = 4.0
[[artefacts.satellite]]
frame = 7
pa_deg = 140.0
miss_arcsec = -30.0
peak_e = 200.0
width_arcsec = 4.0
";

const NIGHT: &str = "
seed = 20310405
n_frames = 10
[camera]
width_px = 224
height_px = 224
scale_arcsec = 1.5
[calibration]
n_bias = 2
n_dark = 2
n_flat = 2
[stars]
per_square_degree = 9000.0
";

/// A pixel that lost one sample of ten differs by about a third of its sigma; where two tracks cross, where one crosses
/// a star or stays under the clipping limit, by more.
const MOST_SIGMAS: f64 = 6.0;
/// What the tracks leave on average where samples changed, and where a few faint stars were found in one night and not in the other.
const MEAN_SIGMAS: f64 = 0.13;

fn measured(folder: &Path, scenario: &str) -> (NightRecord, Image, Image) {
    std::fs::create_dir_all(folder).expect("folder");
    std::fs::write(folder.join("scenario.toml"), scenario).expect("scenario");
    run_in(folder, &["simulate", "scenario.toml", "--out", "."]).expect_status(0);
    run_in(folder, &["night", "frames", "--campaign", "campaign.toml", "--out", "out"]).expect_status(0);
    let stack = read_image(&folder.join("out/comet.fits")).expect("comet.fits").image;
    (record_in(&folder.join("out")), stack, read_image(&folder.join("frames/light-004.fits")).expect("frame").image)
}

/// Median difference of two images in the blocks of 56 × 56 px that hold each pixel.
fn smooth_difference(a: &Image, b: &Image) -> Vec<f64> {
    const BLOCK: usize = 56;
    let block_of = |i: usize| (i % a.width / BLOCK, i / a.width / BLOCK);
    let mut of_block: std::collections::BTreeMap<(usize, usize), Vec<f64>> = std::collections::BTreeMap::new();
    for (i, (x, y)) in a.data.iter().zip(&b.data).enumerate().filter(|(_, (x, y))| (*x - *y).is_finite()) {
        of_block.entry(block_of(i)).or_default().push(f64::from(x - y));
    }
    of_block.values_mut().for_each(|v| v.sort_by(f64::total_cmp));
    (0..a.data.len()).map(|i| of_block.get(&block_of(i)).map_or(0.0, |v| v[v.len() / 2])).collect()
}

#[test]
fn satellites_leave_no_track_in_the_stack() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let (clean, clean_stack, clean_frame) = measured(&folder.path().join("clean"), NIGHT);
    let (crossed, stack, frame) = measured(&folder.path().join("crossed"), &format!("{NIGHT}{TRACKS}"));

    // the frame does hold the brighter track, hundreds of pixels of it
    let differs = frame.data.iter().zip(&clean_frame.data).filter(|(a, b)| *a - *b > 500.0).count();
    assert!(differs > 300, "only {differs} pixels of the frame hold a track");

    assert_eq!((stack.width, stack.height), (clean_stack.width, clean_stack.height));
    // the stack's noise, from neighbours; near the nucleus, where the coma's own light adds to it, nothing is judged
    let pairs = clean_stack.data.windows(2).map(|p| p[0] - p[1]).filter(|d| d.is_finite());
    let noise = f64::from(mad_sigma(&mut pairs.collect::<Vec<f32>>()).expect("noise")) / 2f64.sqrt();
    let (x0, y0) = (crossed.stack.centre_x_px, crossed.stack.centre_y_px);
    // the sky is fitted again, and may be a little otherwise all over the stack
    let sky = smooth_difference(&stack, &clean_stack);
    let sigmas: Vec<f64> = (0..stack.data.len())
        .filter(|i| ((i % stack.width) as f64 - x0).hypot((i / stack.width) as f64 - y0) > 15.0)
        .map(|i| (f64::from(stack.data[i] - clean_stack.data[i]) - sky[i]) / noise)
        .filter(|d| d.is_finite())
        .collect();
    let mut changed: Vec<f64> = sigmas.into_iter().filter(|d| d.abs() > 0.2).collect();
    assert!(changed.len() > 1000, "only {} pixels of the stack saw a track", changed.len());
    let mean = changed.iter().sum::<f64>() / changed.len() as f64;
    changed.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
    let almost_all = changed[changed.len() * 99 / 100].abs();
    assert!(mean.abs() < MEAN_SIGMAS, "{mean:+.3} sigmas over {} pixels", changed.len());
    assert!(almost_all < MOST_SIGMAS, "1 % of {} pixels are over {almost_all:.2} sigmas", changed.len());
    let crossings = |record: &NightRecord| -> Vec<String> {
        record.notes.iter().filter(|n| n.contains("crossed")).cloned().collect()
    };
    let said = crossings(&crossed);
    assert_eq!(said.len(), 2, "{said:?}");
    assert!(said[0].contains("light-004.fits") && said[1].contains("light-007.fits"), "{said:?}");
    assert_eq!(crossings(&clean), Vec::<String>::new());
    for (a, b) in crossed.photometry.iter().zip(&clean.photometry) {
        let (a, b, err) = (a.mag.expect("mag"), b.mag.expect("mag"), b.mag_err.expect("mag_err"));
        assert!((a - b).abs() < 0.3 * err, "{a:.4} mag with satellites, {b:.4} without, error {err:.4}");
    }
}
