//! Frames whose header has no WCS, or a wrong one, are solved; what cannot be is left out and says what to supply.

use crate::raw_fits::RawFits;
use crate::support::{Broken, N_LIGHTS, happy};
use fanlight_record::NightRecord;

fn change_lights(night: &Broken, change: impl Fn(&mut RawFits)) {
    for i in 1..=N_LIGHTS {
        let name = format!("light-{i:03}.fits");
        night.frame(&name, &name, &change);
    }
}

/// The numbers are those of the night whose headers were right.
#[track_caller]
fn expect_the_same_night(found: &NightRecord) {
    let expected = happy().record();
    assert_eq!(found.frames.iter().filter(|f| f.used).count(), N_LIGHTS);
    for (f, e) in found.photometry.iter().zip(&expected.photometry) {
        let (f_mag, e_mag) = (f.mag.expect("mag"), e.mag.expect("mag"));
        // the same pixels about places that differ by thousandths of a pixel
        assert!((f_mag - e_mag).abs() < 0.005, "{} km: {f_mag}, with the right headers {e_mag}", f.aperture_km);
    }
    let place = |r: &NightRecord| r.astrometry.as_ref().expect("found").o_minus_c_arcsec;
    let (f, e) = (place(found), place(&expected));
    let error = expected.astrometry.as_ref().expect("found").err_arcsec;
    for axis in 0..2 {
        assert!((f[axis] - e[axis]).abs() < error, "axis {axis}: {f:?}, with the right headers {e:?} ± {error}");
    }
}

#[test]
fn frames_without_a_wcs_are_solved() {
    let night = Broken::new();
    change_lights(&night, RawFits::remove_wcs);
    night.night().expect_status(0);
    let record = night.record();
    expect_the_same_night(&record);
    let said = record.notes.iter().find(|n| n.contains("were solved")).expect("a note");
    assert!(
        said.contains("6 of 6 frames without a WCS") && said.contains("per pixel") && said.contains("odds"),
        "{said}"
    );
}

#[test]
fn one_frame_without_a_wcs_is_solved_beside_the_others() {
    let night = Broken::new();
    night.frame("light-003.fits", "light-003.fits", RawFits::remove_wcs);
    night.night().expect_status(0);
    expect_the_same_night(&night.record());
}

/// A WCS a quarter of a degree off, and one that has the sky turned and mirrored.
#[test]
fn a_wcs_that_does_not_fit_is_replaced() {
    let changes: [fn(&mut RawFits); 2] = [
        |f| {
            let dec = f.number("CRVAL2") + 0.25;
            f.set("CRVAL2", &format!("{dec:.9}"));
        },
        |f| {
            let cd = ["CD1_1", "CD1_2", "CD2_1", "CD2_2"].map(|k| f.number(k));
            for (key, value) in ["CD1_1", "CD1_2", "CD2_1", "CD2_2"].into_iter().zip([cd[2], cd[3], cd[0], cd[1]]) {
                f.set(key, &format!("{value:.12E}"));
            }
        },
    ];
    for change in changes {
        let night = Broken::new();
        change_lights(&night, change);
        night.night().expect_status(0);
        let record = night.record();
        expect_the_same_night(&record);
        assert!(record.notes.iter().any(|n| n.contains("do not fit the catalogue: 6 of 6")), "{:?}", record.notes);
    }
}

/// A scale 15 % off is stated; the frames say the right one.
#[test]
fn a_scale_that_is_roughly_right_is_enough() {
    let night = Broken::new();
    change_lights(&night, RawFits::remove_wcs);
    night.edit("campaign.toml", |text| {
        let line = text.lines().find(|l| l.starts_with("pixel_scale_arcsec")).expect("scale").to_owned();
        text.replace(&line, "pixel_scale_arcsec = 1.73")
    });
    night.night().expect_status(0);
    expect_the_same_night(&night.record());
}

/// What is done to a night.
type Change = fn(&Broken);

#[test]
fn what_cannot_be_solved_says_what_to_supply() {
    let without_scale: Change = |n| {
        n.edit("campaign.toml", |text| {
            text.lines().filter(|l| !l.starts_with("pixel_scale")).map(|l| format!("{l}\n")).collect()
        });
        change_lights(n, |f| {
            ["FOCALLEN", "XPIXSZ", "PIXSCALE", "SECPIX"]
                .iter()
                .filter(|k| f.value(k).is_some())
                .collect::<Vec<_>>()
                .into_iter()
                .for_each(|k| f.remove(k))
        });
    };
    let without_catalogue: Change = |n| n.campaign("catalogue = \"field.csv\"\n", "");
    let wrong_scale: Change = |n| {
        n.edit("campaign.toml", |text| {
            let line = text.lines().find(|l| l.starts_with("pixel_scale_arcsec")).expect("scale").to_owned();
            text.replace(&line, "pixel_scale_arcsec = 3.3")
        });
    };
    let another_field: Change = |n| {
        n.edit("field.csv", |text| {
            let mut lines = text.lines();
            let header = lines.next().expect("header").to_owned();
            let column = header.split(',').position(|c| c.trim() == "dec_deg").expect("dec_deg");
            let rows: Vec<Vec<String>> = lines.map(|l| l.split(',').map(str::to_owned).collect()).collect();
            // every star with the declination of another: as many stars of the same brightness at wrong places
            let moved = (0..rows.len()).map(|i| {
                let mut cells = rows[i].clone();
                cells[column].clone_from(&rows[(i + 7) % rows.len()][column]);
                cells.join(",")
            });
            std::iter::once(header).chain(moved).map(|l| l + "\n").collect()
        });
    };
    let cases: [(Change, &[&str]); 4] = [
        (without_scale, &["light-001.fits", "no WCS", "camera.pixel_scale_arcsec"]),
        (without_catalogue, &["light-001.fits", "no WCS", "photometry.catalogue"]),
        (wrong_scale, &["light-001.fits", "no sure match", "odds", "pixel scale"]),
        (another_field, &["light-001.fits", "match", "catalogue"]),
    ];
    for (make, words) in cases {
        let night = Broken::new();
        change_lights(&night, RawFits::remove_wcs);
        make(&night);
        night.night().expect_status(1).expect_stderr(words);
        night.expect_nothing_written();
    }
}
