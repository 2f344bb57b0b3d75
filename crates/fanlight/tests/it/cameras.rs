//! Frames as cameras and capture programs really write them, through the whole command.

use crate::raw_fits::RawFits;
use crate::support::{Broken, N_LIGHTS, Run, files_under, happy, run_in};
use fanlight_record::NightRecord;

fn night_with(night: &Broken, more: &[&str]) -> Run {
    let mut arguments = vec!["night", "frames", "--campaign", "campaign.toml", "--out", "out"];
    arguments.extend(more);
    run_in(night.folder(), &arguments)
}

/// The light in every aperture is that of the night as simulated, within a tolerance.
#[track_caller]
fn expect_light_of(good: &NightRecord, found: &NightRecord, tolerance_mag: f64) {
    assert_eq!(found.photometry.len(), good.photometry.len());
    for (f, g) in found.photometry.iter().zip(&good.photometry) {
        let (f_mag, g_mag) = (f.mag.expect("measured"), g.mag.expect("measured"));
        assert!((f_mag - g_mag).abs() <= tolerance_mag, "{} km: {f_mag}, expected {g_mag}", f.aperture_km);
    }
}

fn used(record: &NightRecord) -> Vec<&str> {
    record.frames.iter().filter(|f| f.used).map(|f| f.file.as_str()).collect()
}

#[track_caller]
fn expect_note(record: &NightRecord, parts: &[&str]) {
    let says = |note: &String| parts.iter().all(|p| note.contains(p));
    assert!(record.notes.iter().any(says), "no note with {parts:?}: {:#?}", record.notes);
}

#[track_caller]
fn reason<'a>(record: &'a NightRecord, file: &str) -> &'a str {
    let frame = record.frames.iter().find(|f| f.file == file).unwrap_or_else(|| panic!("{file} is not in the record"));
    frame.rejected_because.as_deref().unwrap_or_else(|| panic!("{file} was used"))
}

fn add_days(fits: &mut RawFits, days: u32) {
    let date = fits.value("DATE-OBS").expect("DATE-OBS").trim_matches('\'').trim().to_owned();
    let (day, time) = date.split_once('T').expect("date and time");
    let (month, day) = day.rsplit_once('-').expect("day");
    let day: u32 = day.parse().expect("day");
    fits.set("DATE-OBS", &format!("'{month}-{:02}T{time}'", day + days));
}

/// The same instants, exposures, kinds and filters, each written in another way: to the last bit the same night.
#[test]
fn headers_written_in_many_ways_say_the_same() {
    let night = Broken::new();
    night.each("light", |f| {
        f.remove("IMAGETYP");
        let seconds = f.number("EXPTIME");
        f.remove("EXPTIME");
        f.set("EXPOSURE", &format!("{} / [ms] shutter", (seconds * 1000.0).round()));
        let filter = f.value("FILTER").expect("FILTER").trim_matches('\'').trim().to_uppercase().replace(' ', "_");
        f.set("FILTER", &format!("'{filter}'"));
        let date = f.value("DATE-OBS").expect("DATE-OBS").trim_matches('\'').trim_end_matches('Z').to_owned();
        let (day, time) = date.split_once('T').expect("date and time");
        f.set("DATE-OBS", &format!("'{day}'"));
        f.set("TIME-OBS", &format!("'{time}'"));
    });
    night.each("bias", |f| f.set("IMAGETYP", "'zero'"));
    night.each("flat", |f| f.set("IMAGETYP", "'SKYFLAT'"));
    night_with(&night, &[]).expect_status(0);
    let (record, good) = (night.record(), happy().record());
    assert_eq!(record.photometry, good.photometry);
    let instants = |r: &NightRecord| r.frames.iter().map(|f| f.mid_utc.clone()).collect::<Vec<_>>();
    assert_eq!(instants(&record), instants(&good));
    expect_note(&record, &["light-001.fits and 5 more", "its file name does"]);
}

#[test]
fn the_night_of_most_frames_is_measured_and_another_can_be_chosen() {
    let night = Broken::new();
    for i in 1..=2 {
        night.frame(&format!("light-{i:03}.fits"), &format!("later-{i}.fits"), |f| add_days(f, 1));
    }
    night_with(&night, &[]).expect_status(0);
    let (record, good) = (night.record(), happy().record());
    assert_eq!(used(&record).len(), N_LIGHTS);
    expect_light_of(&good, &record, 1e-9);
    let date = &good.frames[0].mid_utc.as_ref().expect("time")[..10];
    let (month, day) = date.rsplit_once('-').expect("day");
    let next = format!("{month}-{:02}", day.parse::<u32>().expect("day") + 1);
    assert!(
        reason(&record, "later-1.fits").contains(&format!("--night {next}")),
        "{}",
        reason(&record, "later-1.fits")
    );
    expect_note(&record, &["holds 2 nights", date, &next]);
    // more frames of the later night: the earlier is measured when asked for
    for i in 1..=6 {
        night.frame(&format!("light-{i:03}.fits"), &format!("more-{i}.fits"), |f| add_days(f, 1));
    }
    night_with(&night, &["--night", date]).expect_status(0);
    let record = night.record();
    assert_eq!(used(&record).len(), N_LIGHTS);
    expect_light_of(&good, &record, 1e-9);
    assert!(record.provenance.command.contains(&format!("--night {date}")), "{}", record.provenance.command);
    night_with(&night, &["--night", "2031-01-01"]).expect_status(2).expect_stderr(&[
        "2031-01-01",
        date,
        &next,
        "8 frames",
    ]);
}

#[test]
fn frames_are_left_out_by_name() {
    let night = Broken::new();
    night_with(&night, &["--leave-out", "light-003.fits", "--leave-out", "*-00[0-9]"])
        .expect_status(2)
        .expect_stderr(&["--leave-out *-00[0-9]", "no file"]);
    night.expect_nothing_written();
    night_with(&night, &["--leave-out", "light-003.fits", "--leave-out", "flat-*1.fits"]).expect_status(0);
    let record = night.record();
    assert_eq!(used(&record).len(), N_LIGHTS - 1);
    assert_eq!(reason(&record, "light-003.fits"), "left out by the user");
    expect_note(&record, &["flat-001.fits was left out by the user"]);
    assert!(record.provenance.command.contains("--leave-out \"light-003.fits\""), "{}", record.provenance.command);
}

#[test]
fn of_two_objects_the_campaigns_is_measured() {
    let night = Broken::new();
    for name in files_under(&night.path("frames")).iter().filter(|n| n.starts_with("light")) {
        night.frame(name, &format!("other-{name}"), |f| f.set("OBJECT", "'Alpha Cyg'"));
    }
    night.frame("light-001.fits", "light-007.fits", |f| f.set("OBJECT", "'Alpha Cyg'"));
    night_with(&night, &[]).expect_status(0);
    let record = night.record();
    assert_eq!(used(&record).len(), N_LIGHTS);
    expect_light_of(&happy().record(), &record, 1e-9);
    assert!(reason(&record, "light-007.fits").contains("\"Alpha Cyg\""));
    // no frame names the campaign's object: that of most frames
    let night = Broken::new();
    night.each("light", |f| f.set("OBJECT", "'the comet'"));
    night.frame("light-002.fits", "light-002.fits", |f| f.set("OBJECT", "'focus star'"));
    night_with(&night, &[]).expect_status(0);
    let record = night.record();
    assert!(reason(&record, "light-002.fits").contains("\"focus star\""));
    expect_note(&record, &["No frame's OBJECT", "the comet"]);
}

#[test]
fn calibration_of_another_binning_is_refused() {
    let night = Broken::new();
    let bin_2 = |f: &mut RawFits| ["XBINNING", "YBINNING"].iter().for_each(|k| f.set(k, "2"));
    night.each("", |f| f.set("XBINNING", "1"));
    night.frame("dark-001.fits", "dark-001.fits", bin_2);
    night.frame("light-004.fits", "light-004.fits", bin_2);
    night_with(&night, &[]).expect_status(0);
    let record = night.record();
    expect_note(&record, &["dark-001.fits was not used as a dark", "binned 2 x 2", "XBINNING"]);
    assert!(reason(&record, "light-004.fits").contains("binned 2 x 2"));
}

/// Every frame with 8 columns before the picture and 24 after it that saw no light, and a level that differs from frame to
/// frame and grows along the rows: what the overscan is for.
#[test]
fn overscan_takes_the_drift_of_the_level_away() {
    let night = Broken::new();
    for (i, name) in files_under(&night.path("frames")).iter().enumerate() {
        night.frame(name, name, |f| {
            let (width, pixels) = (f.width(), f.pixels());
            // twice the electrons of the read noise at one count per electron, so that the level has noise of its own
            let noise = |x: usize, y: usize| ((x * 7919 + y * 104_729 + i * 31) % 13) as f32 - 6.0;
            let mut wide = Vec::new();
            for (y, row) in pixels.chunks(width).enumerate() {
                let drift = 40.0 * i as f32 + 0.2 * y as f32;
                wide.extend((0..8).map(|x| 800.0 + drift + noise(x, y)));
                wide.extend(row.iter().map(|v| v + drift));
                wide.extend((8..32).map(|x| 800.0 + drift + noise(x, y)));
            }
            f.set_float_pixels(&wide, width + 32);
            f.set("TRIMSEC", &format!("'[9:{},1:{}]'", width + 8, f.height()));
            f.set("BIASSEC", &format!("'[{}:{},1:{}]'", width + 9, width + 32, f.height()));
            let crpix = f.value("CRPIX1").map(|v| v.parse::<f64>().expect("CRPIX1"));
            if let Some(crpix) = crpix {
                f.set("CRPIX1", &format!("{:?}", crpix + 8.0));
            }
        });
    }
    night_with(&night, &[]).expect_status(0);
    let (record, good) = (night.record(), happy().record());
    assert_eq!(used(&record).len(), N_LIGHTS);
    expect_note(&record, &["overscan", "BIASSEC"]);
    // the level is known to a tenth of a count and divides out of the flats' level to as little
    expect_light_of(&good, &record, 0.003);
    expect_same_place(&good, &record, 0.01);
    // a section that cannot be
    night.each("light", |f| f.set("BIASSEC", "'[200:999,1:192]'"));
    night_with(&night, &[]).expect_status(1).expect_stderr(&["BIASSEC", "[200:999,1:192]", "beyond the 224 x 192 px"]);
}

#[track_caller]
fn expect_same_place(good: &NightRecord, found: &NightRecord, tolerance_arcsec: f64) {
    let place = |r: &NightRecord| r.astrometry.as_ref().map(|a| a.o_minus_c_arcsec).expect("comet found");
    let (f, g) = (place(found), place(good));
    let off = (f[0] - g[0]).hypot(f[1] - g[1]);
    assert!(off <= tolerance_arcsec, "{f:?}, expected {g:?}");
}

/// A night as dense as the small one but of twice the pixels, for cells of 2 × 2 of them.
fn fine_night() -> &'static std::path::Path {
    static NIGHT: std::sync::OnceLock<tempfile::TempDir> = std::sync::OnceLock::new();
    NIGHT
        .get_or_init(|| {
            let folder = tempfile::tempdir().expect("temporary folder");
            let scenario = "
                seed = 20310322
                n_frames = 6
                [camera]
                width_px = 384
                height_px = 384
                scale_arcsec = 0.75
                [calibration]
                n_bias = 2
                n_dark = 2
                n_flat = 2
                [stars]
                per_square_degree = 9000.0
                [comet]
                ephemeris_offset_arcsec = [0.8, -0.5]
            ";
            std::fs::write(folder.path().join("scenario.toml"), scenario).expect("scenario");
            run_in(folder.path(), &["simulate", "scenario.toml", "--out", "."]).expect_status(0);
            run_in(folder.path(), &["night", "frames", "--campaign", "campaign.toml", "--out", "out"]).expect_status(0);
            folder
        })
        .path()
}

/// The fine night as a colour camera took it: of the pixels only those of one colour hold the scene, the others noise that
/// would spoil everything.
fn colour_night(pattern: &str, keep: char) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("temporary folder");
    crate::support::copy_folder(fine_night(), folder.path());
    let letters: Vec<char> = pattern.chars().collect();
    for name in files_under(&folder.path().join("frames")) {
        let path = folder.path().join("frames").join(&name);
        let mut fits = RawFits::read(&path);
        let (width, mut pixels) = (fits.width(), fits.pixels());
        for (i, v) in pixels.iter_mut().enumerate() {
            let (x, y) = (i % width, i / width);
            if letters[2 * (y % 2) + x % 2] != keep {
                let level = if letters[2 * (y % 2) + x % 2] == 'B' { 30_000.0 } else { 20_000.0 };
                *v = level + ((x * 7919 + y * 104_729) % 9001) as f32;
            }
        }
        fits.set_float_pixels(&pixels, width);
        fits.set("BAYERPAT", &format!("'{pattern}'"));
        fits.write(&path);
    }
    folder
}

#[test]
fn the_green_of_a_colour_camera_gives_the_same_magnitudes() {
    let folder = colour_night("GRBG", 'G');
    run_in(folder.path(), &["night", "frames", "--campaign", "campaign.toml", "--out", "out"]).expect_status(0);
    let record = crate::support::record_in(&folder.path().join("out"));
    let good = crate::support::record_in(&fine_night().join("out"));
    assert_eq!(used(&record).len(), N_LIGHTS);
    expect_note(&record, &["colour camera", "mean of the two green"]);
    for (f, g) in record.photometry.iter().zip(&good.photometry) {
        let (found, expected) = (f.mag.expect("measured"), g.mag.expect("measured"));
        let sigma = f.mag_err.expect("sigma").hypot(g.mag_err.expect("sigma"));
        // half the light of the same scene: apart by their noise and no more
        assert!((found - expected).abs() < (3.0 * sigma).min(0.06), "{} km: {found} {expected} {sigma}", f.aperture_km);
    }
    expect_same_place(&good, &record, 0.15);
}

/// The same frames with the rows of the pattern told the wrong way round.
#[test]
fn a_pattern_that_the_flats_contradict_is_refused() {
    let folder = colour_night("GRBG", 'G');
    for name in files_under(&folder.path().join("frames")) {
        let path = folder.path().join("frames").join(&name);
        let mut fits = RawFits::read(&path);
        fits.set("ROWORDER", "'BOTTOM-UP'");
        fits.write(&path);
    }
    let arguments = ["night", "frames", "--campaign", "campaign.toml", "--out", "out"];
    run_in(folder.path(), &arguments).expect_status(1).expect_stderr(&["BAYERPAT", "green differ", "colour_pattern"]);
    let path = folder.path().join("campaign.toml");
    let text = std::fs::read_to_string(&path).expect("campaign");
    std::fs::write(&path, text.replace("[camera]", "[camera]\ncolour_pattern = \"GRBG\"")).expect("campaign");
    run_in(folder.path(), &arguments).expect_status(0);
}

/// The red pixels lie a quarter of the new pixel off the cells' middles, 0.53″ here by both axes; without a catalogue the
/// place rests on the header's WCS alone.
#[test]
fn the_red_of_a_colour_camera_lies_where_its_pixels_do() {
    let place_of = |folder: &std::path::Path, channel: &str| {
        let path = folder.join("campaign.toml");
        let text = std::fs::read_to_string(&path).expect("campaign");
        let text: Vec<&str> = text.lines().filter(|l| !l.starts_with("catalogue")).collect();
        std::fs::write(&path, text.join("\n").replace("[camera]", &format!("[camera]\n{channel}"))).expect("campaign");
        run_in(folder, &["night", "frames", "--campaign", "campaign.toml", "--out", "out"]).expect_status(0);
        crate::support::record_in(&folder.join("out"))
    };
    let plain = tempfile::tempdir().expect("temporary folder");
    crate::support::copy_folder(fine_night(), plain.path());
    let (red, all) = (place_of(colour_night("RGGB", 'R').path(), "channel = \"R\""), place_of(plain.path(), ""));
    expect_note(&red, &["the red pixel"]);
    expect_same_place(&all, &red, 0.2);
}

/// The night without any word on gain or read noise.
fn silent_night() -> Broken {
    let night = Broken::new();
    for line in ["gain_e_per_adu = 1.2\n", "read_noise_e = 3.5\n"] {
        night.campaign(line, "");
    }
    night.each("", |f| {
        f.remove("EGAIN");
        f.remove("RDNOISE");
    });
    night
}

/// The number before a unit in a note: "... 1.203 ± 0.008 electrons ..." gives 1.203 and 0.008.
#[track_caller]
fn measured_in(record: &NightRecord, part: &str) -> (f64, f64) {
    let note =
        record.notes.iter().find(|n| n.contains(part)).unwrap_or_else(|| panic!("no {part}: {:#?}", record.notes));
    let (before, after) = note.split_once(" ± ").expect("a value with its error");
    let number = |text: &str| text.parse::<f64>().expect("number");
    (number(before.rsplit(' ').next().expect("value")), number(after.split(' ').next().expect("error")))
}

#[test]
fn gain_and_read_noise_are_measured_where_nothing_says_them() {
    let night = silent_night();
    night.each("light", |f| f.set("GAIN", "120"));
    night_with(&night, &[]).expect_status(0);
    let record = night.record();
    let (gain, sigma) = measured_in(&record, "gain was measured");
    // the simulated camera's; one pair of 192 px
    assert!((gain - 1.2).abs() < 3.0 * sigma && sigma < 0.02, "{gain} {sigma}");
    let (noise, sigma) = measured_in(&record, "read noise was measured");
    // 3.5 e of the pixels, 0.3 e of the rows, a twelfth of a count squared
    assert!((noise - 3.53).abs() < 3.0 * sigma && sigma < 0.1, "{noise} {sigma}");
    expect_note(&record, &["GAIN, 120, is a setting of the camera"]);
    expect_light_of(&happy().record(), &record, 0.005);
    // electrons per count when the noise agrees
    night.each("light", |f| f.set("GAIN", "1.25"));
    night_with(&night, &[]).expect_status(0);
    expect_note(&night.record(), &["GAIN, 1.25, was taken for electrons per count"]);
}

#[test]
fn a_stated_gain_that_the_noise_contradicts_is_doubted() {
    let night = silent_night();
    night.each("light", |f| f.set("EGAIN", "2.4"));
    night_with(&night, &[]).expect_status(0);
    expect_note(&night.record(), &["EGAIN gives 2.4", "may be wrong"]);
    assert!(!happy().record().notes.iter().any(|n| n.contains("may be wrong")), "{:?}", happy().record().notes);
}

/// A camera that takes no biases: darks of two exposures, the shorter made of the biases.
#[test]
fn darks_of_two_exposures_stand_in_for_biases() {
    let night = Broken::new();
    for i in 1..=2 {
        night.frame(&format!("bias-00{i}.fits"), &format!("short-{i}.fits"), |f| {
            f.set("IMAGETYP", "'DARK'");
            f.set("EXPTIME", "0.01");
        });
    }
    let night = night.without("bias");
    night_with(&night, &[]).expect_status(0);
    expect_note(&night.record(), &["no bias frames", "found from darks of 0.01,"]);
    expect_light_of(&happy().record(), &night.record(), 0.003);
}

/// Flats on a glow of 400 counts that their own darks show and the biases do not.
#[test]
fn flats_have_their_own_darks() {
    let night = Broken::new();
    night.each("flat", |f| f.map_counts(|v| v.saturating_add(4000)));
    for i in 1..=2 {
        night.frame(&format!("bias-00{i}.fits"), &format!("fd-{i}.fits"), |f| {
            f.set("IMAGETYP", "'flat dark'");
            f.map_counts(|v| v + 4000);
        });
    }
    night_with(&night, &[]).expect_status(0);
    let record = night.record();
    expect_light_of(&happy().record(), &record, 0.003);
    assert_eq!(record.provenance.inputs.iter().filter(|i| i.role == "flat dark").count(), 2);
}

#[test]
fn lights_that_were_calibrated_before_are_not_calibrated_again() {
    // the camera's offset of 500 counts is off the lights, and CALSTAT says so; the flats are raw
    let night = Broken::new();
    night.each("light", |f| {
        let (width, pixels) = (f.width(), f.pixels());
        f.set_float_pixels(&pixels.iter().map(|v| v - 500.0).collect::<Vec<_>>(), width);
        f.set("CALSTAT", "'BD'");
    });
    night_with(&night, &[]).expect_status(0);
    expect_note(&night.record(), &["another program has calibrated", "bias, dark"]);
    // the rows' fixed pattern of one count stays in the lights
    expect_light_of(&happy().record(), &night.record(), 0.01);
    // sky and offset taken off by somebody who did not say it
    let night = Broken::new().without("bias").without("dark").without("flat");
    night.each("light", |f| {
        let (width, pixels) = (f.width(), f.pixels());
        let mut sorted = pixels.clone();
        sorted.sort_by(f32::total_cmp);
        let sky = sorted[sorted.len() / 2];
        f.set_float_pixels(&pixels.iter().map(|v| v - sky).collect::<Vec<_>>(), width);
    });
    night_with(&night, &[]).expect_status(0);
    let record = night.record();
    expect_note(&record, &["many are negative", "no offset was taken off"]);
    expect_note(&record, &["noisier than their counts tell"]);
    assert!(!record.notes.iter().any(|n| n.contains("offset stays in the sky level")), "{:?}", record.notes);
}

#[test]
fn a_converter_of_14_bits_that_fills_the_upper_ones_is_noted() {
    let night = Broken::new();
    night.each("", |f| f.map_counts(|v| v & !3));
    night_with(&night, &[]).expect_status(0);
    expect_note(&night.record(), &["multiples of 4", "14 bits"]);
    expect_light_of(&happy().record(), &night.record(), 0.003);
}

/// Every row of every light on a level of its own, 12 counts rms, new in every frame.
#[test]
fn rows_on_levels_of_their_own_are_levelled() {
    let night = Broken::new();
    for (i, name) in files_under(&night.path("frames")).iter().filter(|n| n.starts_with("light")).enumerate() {
        night.frame(name, name, |f| {
            let (width, mut pixels) = (f.width(), f.pixels());
            for (y, row) in pixels.chunks_mut(width).enumerate() {
                // a hash of frame and row, even between -20 and 20
                let hash = ((i * 192 + y) as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
                let level = hash as f32 / (1u64 << 24) as f32 * 40.0 - 20.0;
                row.iter_mut().for_each(|v| *v += level);
            }
            f.set_float_pixels(&pixels, width);
        });
    }
    night_with(&night, &[]).expect_status(0);
    let record = night.record();
    expect_note(&record, &["Whole rows", "level of their neighbours"]);
    expect_light_of(&happy().record(), &record, 0.01);
    assert!(!happy().record().notes.iter().any(|n| n.contains("Whole rows")), "{:?}", happy().record().notes);
}
