//! Nights that begin otherwise: the comet is not where its orbit says, the clock is wrong, or there is one ready-made stack.

use crate::raw_fits::RawFits;
use crate::support::{Broken, N_LIGHTS, Run, happy, record_in, run_in};
use fanlight_record::NightRecord;
use fanlight_sky::{SkyPosition, UtcInstant};

/// The small night with an orbit whose perihelion is so many days later.
fn with_later_perihelion(days: f64) -> Broken {
    let night = Broken::new();
    night.edit("campaign.toml", |text| {
        let line = text.lines().find(|l| l.starts_with("perihelion_jd_tdb")).expect("perihelion").to_owned();
        let jd: f64 = line.rsplit(' ').next().expect("a value").parse().expect("a number");
        text.replace(&line, &format!("perihelion_jd_tdb = {}", jd + days))
    });
    night
}

fn measure_at(night: &Broken, at: &str) -> Run {
    run_in(night.folder(), &["night", "frames", "--campaign", "campaign.toml", "--out", "out", "--at", at])
}

fn place_of(record: &NightRecord) -> SkyPosition {
    let found = record.astrometry.as_ref().expect("the comet was found");
    SkyPosition::new(found.ra_deg, found.dec_deg)
}

/// The place of the happy night as a person would type it, to a tenth of a minute of time and to a second of arc.
fn typed_place() -> String {
    let place = place_of(&happy().record());
    format!("{:.3},{:+.3}", place.ra_deg, place.dec_deg)
}

#[track_caller]
fn expect_magnitudes(found: &NightRecord, expected: &NightRecord, share: f64) {
    assert_eq!(found.photometry.len(), expected.photometry.len());
    for (f, e) in found.photometry.iter().zip(&expected.photometry) {
        let off = f.mag.expect("mag") - e.mag.expect("mag");
        assert!(off.abs() < 1.0857 * share, "{} km: {off:+.4} mag", f.aperture_km);
    }
}

/// The perihelion is 0.044 days late: the comet stands three minutes of arc from its orbit, whose place is on no frame.
#[test]
fn a_comet_off_its_orbit_is_measured_where_the_user_says() {
    let night = with_later_perihelion(0.044);
    night.night().expect_status(1).expect_stderr(&["outside the 192 x 192 px frame", "--at RA,DEC"]);
    let run = measure_at(&night, &typed_place()).expect_status(0);
    let (found, expected) = (night.record(), happy().record());
    // the same pixels; the other orbit's distance moves the apertures by a hundredth of a per cent
    expect_magnitudes(&found, &expected, 0.005);
    let away = place_of(&found).separation_arcsec(&place_of(&expected));
    assert!(away < 0.05, "the same place within its error, not {away}″ off");
    let [east, north] = found.astrometry.as_ref().expect("found").o_minus_c_arcsec;
    let off = east.hypot(north);
    assert!((170.0..190.0).contains(&off), "O − C is against the orbit: {off}″");
    run.expect_stderr(&["from the place that the orbit gives", &format!("stood {off:.1}″")]);
    assert!(found.notes.iter().any(|n| n.contains("--at puts it")), "{:?}", found.notes);
    assert!(found.provenance.command.contains("--at \""), "{}", found.provenance.command);
}

#[test]
fn a_place_that_is_none_is_refused_with_an_example() {
    for at in ["101.95", "101.95,xyz", "06:61:00 +34:19:59", "400,10"] {
        measure_at(&Broken::new(), at).expect_status(2).expect_stderr(&["--at", at, "06:47:48.9 +34:19:59"]);
    }
}

#[test]
fn a_place_outside_the_frames_is_an_error() {
    let night = Broken::new();
    measure_at(&night, "101.95,35.5").expect_status(1).expect_stderr(&[
        "--at is on none of the frames",
        "light-00",
        "1.1",
    ]);
    measure_at(&night, "201.95,-35.5")
        .expect_status(1)
        .expect_stderr(&["--at is", "from the place that the orbit gives"]);
    night.expect_nothing_written();
}

/// The comet is 90″ from its prediction, too far to be taken for it: the run says where it is, and that place measures it.
#[test]
fn a_comet_that_is_elsewhere_is_pointed_to() {
    let night = with_later_perihelion(0.022);
    let run = night.night().expect_status(0);
    assert!(night.record().astrometry.is_none(), "no star was taken for the comet");
    let run = run.expect_stderr(&["not found within 30″", "moves as the comet", "no clock explains it", "90″ away"]);
    let at = run.stderr.split("--at ").nth(1).and_then(|t| t.split(' ').next()).expect("a place").to_owned();
    measure_at(&night, &at).expect_status(0);
    expect_magnitudes(&night.record(), &happy().record(), 0.005);
}

fn shift_clock(night: &Broken, seconds: f64) {
    night.each("light-", |f| {
        let written = f.value("DATE-OBS").expect("DATE-OBS").trim_matches('\'').trim().to_owned();
        let shifted = UtcInstant::parse(&written).expect("instant").plus_seconds(seconds).to_iso();
        f.set("DATE-OBS", &format!("'{}'", shifted.trim_end_matches('Z')));
    });
}

/// Ten minutes: 23″, still found; half an hour: 68″, pointed to. The mean motion is 2.28″ per minute.
#[test]
fn a_wrong_clock_is_named() {
    for (seconds, words) in
        [(-600.0, "clock were 10 min slow"), (600.0, "clock were 10 min fast"), (-1800.0, "clock were 30 min slow")]
    {
        let night = Broken::new();
        shift_clock(&night, seconds);
        night.night().expect_status(0).expect_stderr(&["along the motion", words]);
    }
}

fn measure_stack(folder: &std::path::Path, stack: &std::path::Path) -> Run {
    let stack = stack.to_str().expect("a path in UTF-8");
    run_in(folder, &["night", stack, "--campaign", "campaign.toml", "--out", "from-stack"])
}

/// The stack of the happy night, its stars taken out, as another program's: pixels about the comet give what the frames gave.
#[test]
fn a_stack_on_the_comet_gives_what_its_frames_gave() {
    let night = Broken::new();
    let run = measure_stack(night.folder(), &happy().folder.join("out/comet.fits")).expect_status(0);
    run.expect_stderr(&["ready-made stack", "MAGZERO"]);
    let (found, expected) = (record_in(&night.path("from-stack")), happy().record());
    expect_magnitudes(&found, &expected, 0.03);
    let away_px = (found.stack.centre_x_px - expected.stack.centre_x_px)
        .hypot(found.stack.centre_y_px - expected.stack.centre_y_px);
    assert!(away_px < 0.5, "the centre is {away_px} px off");
    let away = place_of(&found).separation_arcsec(&place_of(&expected));
    assert!(away < 0.5 * 1.5, "half a pixel is 0.75″, the place is {away}″ off");
    assert_eq!((found.frames.len(), found.stack.n_frames, expected.stack.n_frames), (1, 1, N_LIGHTS));
    assert_eq!(found.frames[0].file, "comet.fits");
    for (f, e) in found.photometry.iter().zip(&expected.photometry) {
        let (f, e) = (f.mag_err.expect("error"), e.mag_err.expect("error"));
        assert!((0.5..4.0).contains(&(f / e)), "an error of {f} mag, the frames' is {e}");
    }
}

/// The stack on the stars, its header without zero point, unit, exposure and WCS: solved, calibrated by its stars.
#[test]
fn a_stack_that_says_nothing_of_itself_is_solved_and_calibrated() {
    let night = Broken::new();
    let mut stack = RawFits::read(&happy().folder.join("out/stars.fits"));
    stack.remove_wcs();
    ["MAGZERO", "MAGZERR", "MAGBAND", "BUNIT", "XPOSURE"].into_iter().for_each(|k| stack.remove(k));
    // values from 0 to 1, as stacking programs write them
    let pixels: Vec<f32> = stack.pixels().iter().map(|v| 0.1 + v / 20_000.0).collect();
    stack.set_float_pixels(&pixels, stack.width());
    stack.write(&night.path("stack.fit"));
    let run = measure_stack(night.folder(), &night.path("stack.fit")).expect_status(0);
    run.expect_stderr(&["no exposure time", "gain is not known", "round"]);
    let (found, expected) = (record_in(&night.path("from-stack")), happy().record());
    // the comet moves 11″ while the stack's stars stand: only the widest aperture, of 31″, holds all of it
    let mag = |r: &NightRecord| r.photometry.last().and_then(|p| p.mag).expect("mag");
    let off = mag(&found) - mag(&expected);
    assert!(off.abs() < 0.03, "{off:+.4} mag");
    assert!(found.notes.iter().any(|n| n.contains("1 of 1 frames without a WCS were solved")), "{:?}", found.notes);
}

#[test]
fn a_stack_that_cannot_be_placed_is_refused_until_the_user_places_it() {
    let night = Broken::new();
    let mut stack = RawFits::read(&happy().folder.join("out/comet.fits"));
    stack.remove_wcs();
    stack.write(&night.path("stack.fits"));
    measure_stack(night.folder(), &night.path("stack.fits")).expect_status(1).expect_stderr(&[
        "stack.fits",
        "where north is",
        "copy the WCS cards",
    ]);
    // north up to 3°, east left: 1.498″ a pixel as the campaign says to a per cent
    let arguments = ["night", "stack.fits", "--campaign", "campaign.toml", "--out", "from-stack", "--north-pa", "3.0"];
    run_in(night.folder(), &arguments).expect_status(0).expect_stderr(&["could not be solved", "was not measured"]);
    let (found, expected) = (record_in(&night.path("from-stack")), happy().record());
    assert!(found.astrometry.is_none() && found.frames[0].comet_ra_deg.is_none());
    assert!(!found.summary.contains("not found"), "{}", found.summary);
    expect_magnitudes(&found, &expected, 0.03);
    let of_frames = ["night", "frames", "--campaign", "campaign.toml", "--out", "out", "--north-pa", "3.0"];
    run_in(night.folder(), &of_frames).expect_status(2).expect_stderr(&["--north-pa", "stack"]);
    std::fs::write(night.path("text.fits"), "no image").expect("written");
    measure_stack(night.folder(), &night.path("text.fits")).expect_status(2).expect_stderr(&["text.fits"]);
    std::fs::write(night.path("empty.fits"), "").expect("written");
    measure_stack(night.folder(), &night.path("empty.fits")).expect_status(1).expect_stderr(&["empty.fits", "empty"]);
}
