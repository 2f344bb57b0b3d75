//! The main job on a night whose truth is known.

use crate::support::{Broken, N_LIGHTS, command_in, copy_folder, files_under, happy, record_in, template};
use fanlight_record::NightRecord;
use std::collections::BTreeSet;

/// Errors are 1σ; six checks of a night at 4σ fail by chance once in thousands of seeds, and the seed is fixed.
const SIGMAS: f64 = 4.0;

/// Which run the products are of: it holds times of change, which differ from run to run.
const MEMORY: &str = ".last-run.json";

#[test]
fn every_product_is_there_and_nothing_else() {
    let files = files_under(&happy().folder.join("out"));
    for product in ["night.json", "report.html", "comet.fits", "stars.fits", "substacks.fits"] {
        assert!(files.iter().any(|f| f == product), "no {product} in {files:?}");
    }
    for figure in ["light", "isophotes", "inverted", "gradient"] {
        for ending in ["svg", "png"] {
            let name = format!("figures/{figure}.{ending}");
            assert!(files.contains(&name), "no {name} in {files:?}");
            let bytes = std::fs::read(happy().folder.join("out").join(&name)).expect("figure");
            let begins: &[u8] = if ending == "png" { b"\x89PNG\r\n\x1a\n" } else { b"<svg" };
            assert!(bytes.starts_with(begins), "{name} begins with {:?}", &bytes[..8]);
        }
    }
    let is_hidden = |f: &&String| *f != MEMORY && f.split('/').any(|part| part.starts_with('.'));
    let hidden: Vec<&String> = files.iter().filter(is_hidden).collect();
    assert!(hidden.is_empty(), "scratch files left: {hidden:?}");
    let folders = ["", "figures"];
    for file in &files {
        let folder = file.rsplit_once('/').map_or("", |(folder, _)| folder);
        assert!(folders.contains(&folder), "{file} in an unknown folder");
    }
}

/// The share of light that blurring takes out of an aperture, against the simulator's own blurring of its own coma.
#[test]
fn light_lost_to_seeing_is_that_of_the_truth() {
    let (record, truth) = (happy().record(), happy().truth());
    for (p, t) in record.photometry.iter().zip(truth["photometry"].as_array().expect("photometry")) {
        let mag = |key: &str| t[key].as_f64().expect("a magnitude");
        let expected = 1.0 - 10f64.powf(-0.4 * (mag("mag_seen") - mag("mag")));
        let found = p.seeing_loss.expect("the profile shows the coma");
        // the profile's errors; 15 % of it is far under the magnitude's error in any aperture
        assert!((found / expected - 1.0).abs() < 0.15, "{} km: {found}, {expected}", p.aperture_km);
    }
}

#[test]
fn the_record_keeps_the_contract() {
    let record = happy().record();
    assert_eq!(record.schema, "fanlight/night/1");
    assert_eq!(record.object, "C/2031 Z2");
    assert_eq!(record.mid_utc, record.geometry.utc, "the geometry is at mid_utc");
    let morphology = &record.morphology;
    assert!(morphology.analysed && morphology.not_analysed_because.is_none());
    assert!(morphology.features.iter().all(|f| f.verdict != "supported"), "{:#?}", morphology.features);
    assert!(!morphology.detection_limit.is_empty() && morphology.twin.is_some() && morphology.search.is_some());
    let files: Vec<String> = record.frames.iter().map(|f| f.file.clone()).collect();
    let expected: Vec<String> = (1..=N_LIGHTS).map(|i| format!("light-{i:03}.fits")).collect();
    assert_eq!(files, expected);
    assert!(record.frames.iter().all(|f| f.used && f.rejected_because.is_none()));
    assert_eq!(record.stack.n_frames, N_LIGHTS);
    let apertures: Vec<f64> = record.photometry.iter().map(|p| p.aperture_km).collect();
    assert_eq!(apertures, [5000.0, 10000.0, 20000.0]);
    for p in &record.photometry {
        assert_eq!(p.band, "r");
        let radius = p.aperture_arcsec * record.geometry.km_per_arcsec;
        assert!((radius / p.aperture_km - 1.0).abs() < 1e-9, "{radius} km");
    }
    let text = std::fs::read_to_string(happy().folder.join("out/night.json")).expect("night.json");
    assert!(!text.contains("NaN") && !text.contains("inf"), "a value that is no number");
    for key in ["rejected_because", "zero_point_mag", "comet_ra_deg", "a0frho_cm", "optocentre_err_arcsec"] {
        assert!(text.contains(&format!("\"{key}\":")), "{key} is a key of the contract, written even where null");
    }
}

#[test]
fn every_input_is_named_with_its_checksum() {
    let record = happy().record();
    let frames = files_under(&template().join("frames"));
    let inputs = &record.provenance.inputs;
    for name in frames.iter().map(String::as_str).chain(["campaign.toml", "field.csv"]) {
        let input = inputs.iter().find(|i| i.file == name).unwrap_or_else(|| panic!("{name} is not among the inputs"));
        assert_eq!(input.sha256.len(), 64, "{name}");
    }
    let sums: BTreeSet<&String> = inputs.iter().map(|i| &i.sha256).collect();
    assert_eq!(sums.len(), inputs.len(), "different files, different sums");
    assert_eq!(inputs.len(), frames.len() + 2);
}

#[test]
fn the_page_stands_alone_and_says_what_was_not_done() {
    let record = happy().record();
    let page = std::fs::read_to_string(happy().folder.join("out/report.html")).expect("page");
    assert!(page.trim_start().to_lowercase().starts_with("<!doctype html>") && page.trim_end().ends_with("</html>"));
    for words in ["No structure", "twin", "C/2031 Z2", "Larkhill Ridge", "A. Observer", "light-001.fits"] {
        assert!(page.contains(words), "the page does not say {words}");
    }
    for from_elsewhere in ["src=\"http", "href=\"http://fonts", "<script src", "@import", "url(http"] {
        assert!(!page.contains(from_elsewhere), "the page loads {from_elsewhere}");
    }
    assert!(record.summary.contains("No structure in the coma was supported"), "{}", record.summary);
}

#[test]
fn magnitudes_and_afrho_agree_with_the_truth() {
    let (record, truth) = (happy().record(), happy().truth());
    let pairs = record.photometry.iter().zip(truth["photometry"].as_array().expect("photometry"));
    for (found, truth) in pairs {
        let (mag, err) = (found.mag.expect("mag"), found.mag_err.expect("mag_err"));
        let off = mag - truth["mag_seen"].as_f64().expect("mag_seen");
        // 3 % in light
        assert!(off.abs() < (3.0 * err).max(0.032), "{} km: {off:+.4} mag, error {err:.4}", found.aperture_km);
        assert!((0.001..0.1).contains(&err), "an error of {err} mag");
        let afrho = found.afrho_cm.expect("afrho") / truth["afrho_seen_cm"].as_f64().expect("afrho");
        assert!((afrho - 1.0).abs() < (3.0 * err).max(0.03), "{} km: Afρ {afrho:.4} of the truth", found.aperture_km);
    }
}

#[test]
fn the_place_agrees_with_the_truth() {
    let (record, truth) = (happy().record(), happy().truth());
    let astrometry = record.astrometry.as_ref().expect("the comet was found");
    assert_eq!(truth["mid_utc"], record.mid_utc);
    assert!((0.005..0.3).contains(&astrometry.err_arcsec), "an error of {}", astrometry.err_arcsec);
    for (axis, found) in astrometry.o_minus_c_arcsec.iter().enumerate() {
        let true_offset = truth["ephemeris_offset_arcsec"][axis].as_f64().expect("offset");
        let off = found - true_offset;
        assert!(off.abs() < (SIGMAS * astrometry.err_arcsec).max(0.2), "axis {axis}: {found}, not {true_offset}");
    }
    for (key, found) in [("r_au", record.geometry.r_au), ("delta_au", record.geometry.delta_au)] {
        let same = truth["geometry"][key].as_f64().expect("number");
        assert!((found - same).abs() < 1e-9, "{key}: {found}, not {same}");
    }
}

/// The stack has the pixels of one of its frames: its optocentre is where the nucleus was in that frame. Frames differ
/// by 1.7 px and more, so only one can fit.
#[test]
fn the_centre_of_the_stack_is_within_a_tenth_of_a_pixel_of_the_truth() {
    let (record, truth) = (happy().record(), happy().truth());
    assert_eq!((record.stack.width_px, record.stack.height_px), (192, 192));
    let misses: Vec<f64> = truth["frames"]
        .as_array()
        .expect("frames")
        .iter()
        .map(|f| {
            let at = |key: &str| f[key].as_f64().expect("place");
            (record.stack.centre_x_px - at("x_px")).hypot(record.stack.centre_y_px - at("y_px"))
        })
        .collect();
    let nearest = misses.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(nearest < 0.1, "{misses:.3?} px from the nucleus of each frame");
}

#[test]
fn frames_agree_with_the_truth() {
    let (record, truth) = (happy().record(), happy().truth());
    for (found, truth) in record.frames.iter().zip(truth["frames"].as_array().expect("frames")) {
        let of = |key: &str| truth[key].as_f64().expect("number");
        let file = &found.file;
        assert_eq!(truth["file"], *file);
        assert_eq!(truth["mid_utc"].as_str(), found.mid_utc.as_deref());
        let fwhm = found.fwhm_arcsec.expect("fwhm") / of("fwhm_arcsec");
        assert!((fwhm - 1.0).abs() < 0.03, "{file}: FWHM {fwhm:.3} of the truth");
        let elongation = found.elongation.expect("elongation") / of("elongation");
        assert!((elongation - 1.0).abs() < 0.03, "{file}: elongation {elongation:.3} of the truth");
        let zero_point = found.zero_point_mag.expect("zero point") - of("zero_point_mag");
        assert!(zero_point.abs() < 0.03, "{file}: zero point {zero_point:+.3} mag off");
        let sky = found.sky_e_per_s_arcsec2.expect("sky") / of("sky_e_per_s_arcsec2");
        assert!((sky - 1.0).abs() < 0.05, "{file}: sky {sky:.3} of the truth");
        let east = (found.comet_ra_deg.expect("ra") - of("ra_deg")) * of("dec_deg").to_radians().cos() * 3600.0;
        let north = (found.comet_dec_deg.expect("dec") - of("dec_deg")) * 3600.0;
        let limit = (SIGMAS * found.comet_err_arcsec.expect("error")).max(0.2);
        assert!(east.abs() < limit && north.abs() < limit, "{file}: comet off by {east:+.2}, {north:+.2} arcsec");
    }
}

/// Same inputs and the same call: the same bytes, on one thread or two, and over an earlier run's products. What is in
/// the folder and not a product stays.
#[test]
fn a_second_run_on_one_thread_gives_the_same_bytes_and_touches_nothing_else() {
    let night = Broken::new();
    copy_folder(&happy().folder.join("out"), &night.path("out"));
    let foreign = [("notes.txt", "mine"), ("figures/mine.png", "also mine"), ("season.json", "{}")];
    for (name, text) in foreign {
        std::fs::write(night.path("out").join(name), text).expect(name);
    }
    // shows that the products are made anew and not left as they were
    std::fs::write(night.path("out/night.json"), "old").expect("old record");
    std::fs::write(night.path("out/comet.fits"), "old").expect("old stack");
    let arguments = ["night", "frames", "--campaign", "campaign.toml", "--out", "out"];
    let output = command_in(night.folder()).args(arguments).env("RAYON_NUM_THREADS", "1").output().expect("runs");
    crate::support::Run::from(output).expect_status(0);
    for (name, text) in foreign {
        assert_eq!(std::fs::read_to_string(night.path("out").join(name)).expect(name), text);
    }
    let first = happy().folder.join("out");
    let expected = files_under(&first);
    let found = files_under(&night.path("out"));
    let products: Vec<&String> = found.iter().filter(|f| foreign.iter().all(|(name, _)| f != name)).collect();
    assert_eq!(products, expected.iter().collect::<Vec<_>>());
    for name in expected.into_iter().filter(|name| name != MEMORY) {
        let same = std::fs::read(first.join(&name)).expect("first")
            == std::fs::read(night.path("out").join(&name)).expect("second");
        assert!(same, "{name} differs between two threads and one");
    }
}

/// Products of an earlier run that this run does not make would contradict its record.
#[test]
fn a_run_without_a_catalogue_leaves_no_figure_of_the_run_that_had_one() {
    let night = Broken::new();
    copy_folder(&happy().folder.join("out"), &night.path("out"));
    night.campaign("catalogue = \"field.csv\"\n", "");
    night.night().expect_status(0);
    let record = night.record();
    assert!(record.photometry.is_empty() && record.zero_point.is_none());
    assert!(record.notes.iter().any(|n| n.contains("catalogue") && n.contains("magnitudes")), "{:?}", record.notes);
    let stale: Vec<String> = files_under(&night.path("out")).into_iter().filter(|f| f.contains("zero-point")).collect();
    assert!(stale.is_empty(), "left of the earlier run, which had a catalogue: {stale:?}");
    assert!(record.astrometry.is_some(), "the place needs no catalogue");
}

/// The record is the same as where the frames lie in sub-folders, compressed or not by name.
#[test]
fn frames_are_found_in_sub_folders_by_their_headers_alone() {
    let night = Broken::new();
    let frames = night.path("frames");
    for (i, name) in files_under(&frames).into_iter().enumerate() {
        let folder = frames.join(["a", "b/c"][i % 2]);
        std::fs::create_dir_all(&folder).expect("sub-folder");
        std::fs::rename(frames.join(&name), folder.join(format!("image{i:03}.fit"))).expect("moved");
    }
    std::fs::write(frames.join("observing log.txt"), "clear").expect("a file that is no frame");
    night.night().expect_status(0);
    let moved = night.record();
    assert!(moved.frames.iter().all(|f| f.used && f.file.contains("/image")), "{:?}", moved.frames);
    let as_it_was = happy().record();
    assert_eq!(numbers(&moved), numbers(&as_it_was), "names changed, numbers did not");
}

fn numbers(record: &NightRecord) -> Vec<(Option<f64>, Option<f64>)> {
    record.photometry.iter().map(|p| (p.mag, p.mag_err)).collect()
}

/// A kill in the middle of writing: every file is whole, old or new; and a record, if there is one, belongs to the
/// stack beside it.
#[cfg(unix)]
#[test]
fn a_killed_run_leaves_whole_files_and_no_record_of_other_products() {
    use std::os::unix::fs::MetadataExt;
    use std::time::{Duration, Instant};
    let night = Broken::new().without("light-006");
    let out = night.path("out");
    copy_folder(&happy().folder.join("out"), &out);
    let before = happy().folder.join("out");
    let inode = |name: &str| std::fs::metadata(out.join(name)).map(|m| m.ino()).ok();
    let old_stack = inode("comet.fits");
    let arguments = ["--quiet", "night", "frames", "--campaign", "campaign.toml", "--out", "out"];
    let mut child = command_in(night.folder())
        .args(arguments)
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("runs");
    // the moment that the new stack stands: figures, page and record come later
    let start = Instant::now();
    while inode("comet.fits") == old_stack && start.elapsed() < Duration::from_secs(30) {
        std::thread::sleep(Duration::from_millis(1));
    }
    child.kill().expect("killed");
    child.wait().expect("gone");
    assert_ne!(inode("comet.fits"), old_stack, "killed too early for this test");

    let finished = Broken::new().without("light-006");
    finished.night().expect_status(0);
    let after = finished.path("out");
    for name in files_under(&out).into_iter().filter(|f| !f.rsplit('/').next().is_some_and(|n| n.starts_with('.'))) {
        let now = std::fs::read(out.join(&name)).expect("file");
        let old = std::fs::read(before.join(&name)).ok();
        let new = std::fs::read(after.join(&name)).ok();
        assert!(Some(&now) == old.as_ref() || Some(&now) == new.as_ref(), "{name} is neither the old nor the new one");
    }
    if out.join("night.json").exists() {
        let says = record_in(&out).stack.n_frames;
        let stack = crate::raw_fits::RawFits::read(&out.join("comet.fits"));
        assert_eq!(says as f64, stack.number("NCOMBINE"), "night.json is of another run than comet.fits beside it");
    }
    // and the next run cleans up
    night.night().expect_status(0);
    let hidden: Vec<String> =
        files_under(&out).into_iter().filter(|f| f != MEMORY && (f.contains("/.") || f.starts_with('.'))).collect();
    assert!(hidden.is_empty(), "left of the killed run after the next one: {hidden:?}");
    assert_eq!(night.record().stack.n_frames, N_LIGHTS - 1);
}
