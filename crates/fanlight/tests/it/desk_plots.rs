//! Plots of a night that the desk has drawn, and the numbers beside them.

use crate::desk::{desk, night_id};
use crate::support::{happy, record_in};
use serde_json::Value;

#[test]
fn a_plot_is_the_reports_or_has_the_width_of_a_place() {
    let desk = &desk();
    let base = format!("api/nights/{}/plots", night_id(desk));
    let text = |path: &str| String::from_utf8(desk.get(path).expect(200).body).expect("text");
    for name in ["profile", "profile-dark", "growth", "frames-dark"] {
        let kept = std::fs::read_to_string(happy().folder.join(format!("out/figures/{name}.svg"))).expect("a figure");
        assert_eq!(text(&format!("{base}/{name}.svg")), kept, "{name}");
        let placed = text(&format!("{base}/{name}.svg?width_px=360"));
        assert!(placed.contains(r#"viewBox="0 0 360 "#) && placed.contains(r#"<g data-panel=""#), "{name}");
    }
    let png = desk.get(&format!("{base}/fwhm-arcsec-dark.png")).expect(200);
    assert_eq!(png.header("content-type"), Some("image/png"));
    assert_eq!(png.body[16..20], 2008_u32.to_be_bytes());
    for missing in ["nought.svg", "profile", "profile.gif", "profile-dark-dark.svg", "..%2Fnight.json"] {
        desk.get(&format!("{base}/{missing}")).expect(404);
    }
    for wrong in ["279", "1601", "-1", "wide"] {
        desk.get(&format!("{base}/profile.svg?width_px={wrong}")).expect(400);
    }
}

#[test]
fn the_numbers_are_the_records_with_those_of_the_twin() {
    let desk = &desk();
    let answer = desk.get(&format!("api/nights/{}/radial", night_id(desk))).expect(200).json();
    let out = happy().folder.join("out");
    let record = record_in(&out);
    let number = |row: &Value, name: &str| row[name].as_f64().unwrap_or_else(|| panic!("{name} in {row}"));
    let twin = out.join("twin.fits");
    let size = (record.stack.width_px, record.stack.height_px);
    let image = fanlight_io::read_named_image(&twin, &["REALISATION"], size).expect("twin.fits").expect("noise").image;
    let [[a, b], [c, d]] = record.stack.arcsec_per_px;
    let scale = (a * d - b * c).abs().sqrt();
    let centre = (record.stack.centre_x_px, record.stack.centre_y_px);
    let radius = |i: usize| ((i % size.0) as f64 - centre.0).hypot((i / size.0) as f64 - centre.1) * scale;
    let within = |inner: f64, outer: f64| -> Vec<f64> {
        let inside = image.data.iter().enumerate().filter(|(i, _)| (inner..outer).contains(&radius(*i)));
        inside.map(|(_, v)| f64::from(*v)).collect()
    };
    let rings = answer["profile"].as_array().expect("rings");
    assert_eq!(rings.len(), record.profile.len());
    for (row, ring) in rings.iter().zip(&record.profile) {
        assert_eq!(number(row, "mean_e_per_s_arcsec2"), ring.mean_e_per_s_arcsec2);
        let values = within(ring.inner_arcsec, ring.outer_arcsec);
        let mean = values.iter().sum::<f64>() / values.len() as f64 / (scale * scale);
        let found = number(row, "twin_mean_e_per_s_arcsec2");
        // masked pixels of the stack are not in the desk's mean
        assert!(
            (found - mean).abs() < 3.0 * ring.err_e_per_s_arcsec2 + 0.01 * mean.abs(),
            "{found} and {mean} in {row}"
        );
    }
    let curve: Vec<&Value> =
        answer["growth"].as_array().expect("rows").iter().filter(|row| row["what"] == "curve").collect();
    assert_eq!(curve.len(), record.curve_of_growth.len());
    for (row, step) in curve.into_iter().zip(&record.curve_of_growth) {
        assert_eq!(number(row, "light_e_per_s"), step.light_e_per_s);
        let (found, sum) = (number(row, "twin_light_e_per_s"), within(0.0, step.radius_arcsec).iter().sum::<f64>());
        // whole pixels instead of their parts: an edge of some pixels
        assert!((found / sum - 1.0).abs() < 0.8 * scale / step.radius_arcsec + 0.01, "{found} and {sum} in {row}");
        if let Some(mag) = step.mag {
            let expected = mag - 2.5 * (found / step.light_e_per_s).log10();
            assert!((number(row, "twin_mag") - expected).abs() < 1e-9);
        }
    }
    assert!(answer["profile_caption"].as_str().is_some_and(|c| c.contains("logarithmic")));
}
