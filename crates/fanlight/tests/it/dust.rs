//! Dust that can stand beside other nights: growth, sectors, slopes, phase functions, other bands, and what a wrong setting hears.

use crate::support::{Broken, happy, python};
use fanlight_record::{NightRecord, PhotometryRecord};

fn near(a: f64, b: f64, share: f64) -> bool {
    (a / b - 1.0).abs() < share
}

fn at(record: &NightRecord, km: f64) -> &PhotometryRecord {
    record.photometry.iter().find(|p| (p.aperture_km - km).abs() < 1.0).expect("aperture")
}

#[test]
fn the_night_has_growth_slopes_and_dust_that_agree_with_its_apertures() {
    let record = happy().record();
    let growth = &record.curve_of_growth;
    assert!(growth.windows(2).all(|w| w[1].radius_km > w[0].radius_km), "{growth:?}");
    for p in &record.photometry {
        // between the two steps about the aperture the magnitude lies between theirs
        let above = growth.iter().find(|g| g.radius_km >= p.aperture_km).expect("a larger circle");
        let below = growth.iter().rev().find(|g| g.radius_km <= p.aperture_km).expect("a smaller circle");
        let mag = p.mag.expect("mag");
        assert!(below.mag.expect("mag") >= mag - 1e-9 && above.mag.expect("mag") <= mag + 1e-9, "{p:?}");
    }
    let dust = record.dust.as_ref().expect("dust");
    let reference = at(&record, 10_000.0);
    assert_eq!((dust.afrho_cm, dust.a0frho_cm), (reference.afrho_cm, reference.a0frho_cm));
    let phase = record.phase_function.as_ref().expect("phase function");
    assert!(near(
        dust.a0frho_choice_err_cm.expect("choice"),
        dust.a0frho_cm.expect("A0") * phase.choice_err.expect("share"),
        1e-12
    ));
    let [first, last] = phase.range_deg.expect("range");
    assert!((first..=last).contains(&record.geometry.phase_deg));
    let production = dust.production.as_ref().expect("production");
    assert!(production.range_kg_per_s[0] < production.kg_per_s && production.kg_per_s < production.range_kg_per_s[1]);
}

/// The simulator's coma: brightness ρ^−γ with γ from 1 (inside) to its outer slope, known to the truth file.
#[test]
fn the_slope_is_the_simulated_one() {
    let record = happy().record();
    let coma = &happy().truth()["coma"];
    let shape = record.profile_shape.as_ref().expect("shape");
    let slopes: Vec<f64> = coma["gammas"].as_array().expect("gammas").iter().filter_map(|v| v.as_f64()).collect();
    let (least, greatest) = slopes.iter().fold((f64::INFINITY, 0f64), |(l, g), s| (l.min(*s), g.max(*s)));
    let slack = 3.0 * shape.whole.slope_err + 0.05;
    assert!((least - slack..=greatest + slack).contains(&shape.whole.slope), "{:?} against {slopes:?}", shape.whole);
}

const SECTORS: &str = "
[[photometry.sectors]]
name = \"sunward half\"
direction = \"sunward\"
width_deg = 180
inner_km = 4000
outer_km = 12000
[[photometry.sectors]]
name = \"the other half\"
direction = \"antisolar\"
width_deg = 180
inner_km = 4000
outer_km = 12000
[[photometry.sectors]]
inner_km = 4000
outer_km = 12000
";

#[test]
fn halves_of_a_ring_sum_to_it_and_settings_are_followed() {
    let night = Broken::new();
    night.edit("campaign.toml", |text| {
        let text = text.replacen(
            "[photometry]",
            "[photometry]\napertures_arcsec = [6.5]\nphase_function = \"compound-henyey-greenstein\"",
            1,
        );
        text + SECTORS
    });
    night.night().expect_status(0);
    let record = night.record();
    let [sunward, other, ring] = &record.sectors[..3] else { panic!("{:?}", record.sectors) };
    assert!(near(sunward.light_e_per_s + other.light_e_per_s, ring.light_e_per_s, 1e-9), "{:?}", record.sectors);
    assert!((sunward.excess.expect("excess") + other.excess.expect("excess")).abs() < 1e-9);
    assert!((sunward.pa_deg.expect("PA") - record.geometry.sunward_pa_deg).abs() < 1e-9 && ring.pa_deg.is_none());
    let sums = python("check_photometry.py", &[night.path("out").as_os_str()]);
    let rings = sums["rings"].as_array().expect("rings");
    let of = |key: &str| rings[0][key].as_f64().expect("number");
    assert!(rings.len() == 1 && near(of("flux"), of("photutils_flux"), 1e-6), "{rings:?}");
    assert!(record.photometry.iter().any(|p| near(p.aperture_arcsec, 6.5, 1e-12)));
    let phase = record.phase_function.expect("phase function");
    // Marcus 2007 with its standard parameters, dust alone
    let dust = |phase_deg: f64| {
        let lobe = |g: f64| ((1.0 + g * g) / (1.0 + g * g + 2.0 * g * phase_deg.to_radians().cos())).powf(1.5);
        0.95 * lobe(0.9) + 0.05 * lobe(-0.6)
    };
    assert!(near(phase.value, dust(record.geometry.phase_deg) / dust(0.0), 1e-9), "{phase:?}");
}

/// Frames through r measured as V from the catalogue's g and r: the comet has the Sun's colour, so that magnitudes differ as the
/// Sun's do, −26.76 in V and −26.93 in r (Willmer 2018), and Afρ is the same.
#[test]
fn a_band_that_the_catalogue_lacks_is_transformed() {
    let night = Broken::new();
    night.edit("campaign.toml", |text| {
        let text = text.lines().filter(|l| !l.starts_with("solar_magnitude")).collect::<Vec<_>>().join("\n");
        text.replace("band = \"r\"", "band = \"V\"")
            .replace("\"Sloan r\" = \"r\"", "\"Sloan r\" = \"V\"")
            .replace("r = \"r\"", "r = \"V\"")
    });
    night.edit("campaign.toml", |text| {
        if text.contains("photometry.filters") { text } else { text + "\n[photometry.filters]\nr = \"V\"\n" }
    });
    night.night().expect_status(0).expect_stderr(&["no band V", "transformed from"]);
    let (as_v, as_r) = (night.record(), happy().record());
    for km in [10_000.0, 20_000.0] {
        let (v, r) = (at(&as_v, km), at(&as_r, km));
        let step = v.mag.expect("mag") - r.mag.expect("mag");
        assert!((step - 0.17).abs() < 0.05, "V − r = {step}");
        assert!(near(v.afrho_cm.expect("Afρ"), r.afrho_cm.expect("Afρ"), 0.05));
        assert!(v.mag_err > r.mag_err);
    }
}

#[test]
fn another_band_gives_the_colour_and_magnitudes_at_it() {
    let night = Broken::new();
    // the same night as if seen through g, 0.6 mag fainter: redder than the Sun by 0.14
    let mut other = happy().record();
    for p in &mut other.photometry {
        p.band = "g".into();
        p.mag = p.mag.map(|m| m + 0.60);
    }
    other.zero_point = None;
    std::fs::create_dir(night.path("g")).expect("folder");
    std::fs::write(night.path("g/night.json"), serde_json::to_string(&other).expect("JSON")).expect("night.json");
    let arguments = ["night", "frames", "--campaign", "campaign.toml", "--out", "out", "--other-band", "g"];
    crate::support::run_in(night.folder(), &arguments).expect_status(0);
    let (record, plain) = (night.record(), happy().record());
    let colour = record.colour.as_ref().expect("colour");
    let term = record.zero_point.as_ref().and_then(|z| z.colour_term).expect("colour term");
    // g carries no colour term here: excess (1 + t) = 0.14
    let excess = 0.14 / (1.0 + term);
    assert!((colour.colour_mag - 0.46 - excess).abs() < 1e-6, "{colour:?}");
    assert!(colour.slope_percent_per_1000a > 5.0 && (colour.blue.as_str(), colour.red.as_str()) == ("g", "r"));
    // the same in every aperture of both, S′ with it; the night's is one of them
    assert_eq!(colour.apertures.len(), plain.photometry.len());
    for a in &colour.apertures {
        assert!((a.colour_mag - colour.colour_mag).abs() < 1e-6 && a.colour_err_mag >= colour.colour_err_mag, "{a:?}");
        assert!((a.slope_percent_per_1000a - colour.slope_percent_per_1000a).abs() < 1e-4, "{a:?}");
    }
    assert!(colour.apertures.iter().any(|a| a.aperture_km == colour.aperture_km));
    let step = at(&record, 10_000.0).mag.expect("mag") - at(&plain, 10_000.0).mag.expect("mag");
    assert!((step - term * excess).abs() < 1e-6, "{step}");
    // again, of the wrong band and of nothing
    other.photometry.iter_mut().for_each(|p| p.band = "r".into());
    std::fs::write(night.path("g/night.json"), serde_json::to_string(&other).expect("JSON")).expect("night.json");
    crate::support::run_in(night.folder(), &arguments)
        .expect_status(2)
        .expect_stderr(&["a night in r, as these frames are"]);
    std::fs::remove_file(night.path("g/night.json")).expect("removed");
    crate::support::run_in(night.folder(), &arguments).expect_status(2).expect_stderr(&["night.json", "other band"]);
}

#[test]
fn wrong_settings_are_refused_with_what_is_right() {
    let check = |added: &str, expected: &[&str]| {
        let night = Broken::new();
        night.campaign("[photometry]", &format!("[photometry]\n{added}"));
        night.night().expect_status(2).expect_stderr(expected);
    };
    check("phase_function = \"lambert\"", &["phase_function", "lambert", "halley-quadratic", "composite"]);
    check("phase_coefficient_mag_per_deg = 0.03", &["phase_coefficient_mag_per_deg", "linear"]);
    check("apertures_arcsec = [0]", &["apertures_arcsec is 0", "positive"]);
    let sector = |keys: &str| format!("sectors = [{{ inner_km = 100, outer_km = 900, {keys} }}]");
    check(&sector("width_deg = 20"), &["sectors[0].width_deg", "pa_deg or direction"]);
    check(&sector("pa_deg = 20"), &["sectors[0].pa_deg", "width_deg"]);
    check(&sector("pa_deg = 20, width_deg = 400"), &["width_deg is 400"]);
    check(&sector("direction = \"upward\", width_deg = 40"), &["upward", "sunward"]);
    check("sectors = [{ inner_km = 900, outer_km = 100 }]", &["outer_km is 100", "inner_km"]);
}
