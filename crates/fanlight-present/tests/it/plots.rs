//! Single plots for places of a page, and what they say of their axes.

use crate::figures::{holds_nan, texts};
use crate::night;
use fanlight_present::{Room, frame_plot_names, night_figures, night_plot};
use resvg::usvg::roxmltree::{Document, Node};

fn numbers(text: &str) -> Vec<f64> {
    text.split(' ').filter_map(|v| v.parse().ok()).collect()
}

/// Where a value stands between the ends that an axis tells.
fn share(told: &str, value: f64) -> f64 {
    let ends = numbers(told);
    match told.split(' ').next() {
        Some("log") => (value / ends[0]).ln() / (ends[1] / ends[0]).ln(),
        _ => (value - ends[0]) / (ends[1] - ends[0]),
    }
}

fn attribute(node: Node, name: &str) -> f64 {
    node.attribute(name).and_then(|v| v.parse().ok()).expect("a number")
}

#[test]
fn axes_stand_where_their_groups_say() {
    let record = night::record();
    for room in [Room::REPORT, Room::place(320), Room::place(900)] {
        for name in ["profile", "growth", "frames"] {
            let figure = night_plot(&record, name, room).expect(name);
            let document = Document::parse(&figure.svg_light).expect("well-formed");
            let panels: Vec<Node> = document.descendants().filter(|n| n.has_attribute("data-panel")).collect();
            let mut ticks = 0;
            for panel in &panels {
                let place = numbers(panel.attribute("data-panel").expect("a place"));
                let [left, top, width, height] = place[..] else { panic!("{place:?}") };
                for text in panel.children().filter(|n| n.has_tag_name("text") && n.attribute("transform").is_none()) {
                    let words = text.text().unwrap_or_default().replace('−', "-").replace('\u{202f}', "");
                    let Some(value) = words.parse::<f64>().ok().filter(|_| text.children().count() == 1) else {
                        continue;
                    };
                    let (x, y) = (attribute(text, "x"), attribute(text, "y"));
                    // numbers stand 19 below the axis, or 4.5 below the middle of their tick
                    if (y - (top + height + 19.0)).abs() < 0.02 {
                        let expected = left + width * share(panel.attribute("data-x").expect("x"), value);
                        assert!((x - expected).abs() < 0.02, "{name}: {words} at {x}, not {expected}");
                        ticks += 1;
                    } else if text.attribute("text-anchor") == Some("end") {
                        let expected = top + height * (1.0 - share(panel.attribute("data-y").expect("y"), value));
                        // labels are rounded: those of round values are exact
                        assert!((y - 4.5 - expected).abs() < 0.02, "{name}: {words} at {y}, not {expected}");
                        ticks += 1;
                    }
                }
            }
            assert!(ticks >= 2 * panels.len(), "{name}: {ticks} ticks in {} panels", panels.len());
        }
    }
}

#[test]
fn a_plot_for_a_place_is_the_reports_without_its_heading() {
    let record = night::record();
    let figures = night_figures(&record, &night::Images::new().pictures()).expect("figures");
    for name in ["profile", "growth", "frames"] {
        let in_report = figures.iter().find(|f| f.name == name).expect(name);
        assert_eq!(night_plot(&record, name, Room::REPORT).as_ref(), Some(in_report));
        let placed = night_plot(&record, name, Room::place(400)).expect(name);
        assert_eq!((&placed.alt, &placed.caption), (&in_report.alt, &in_report.caption));
        let marks = |svg: &str| svg.matches("<circle").count();
        assert_eq!(marks(&placed.svg_light), marks(&in_report.svg_light), "{name}");
        assert!(placed.svg_light.contains(r#"viewBox="0 0 400 "#));
        let object = format!("{}: ", record.object);
        assert!(texts(&in_report.svg_dark).contains(&object) && !texts(&placed.svg_dark).contains(&object));
    }
}

#[test]
fn every_quantity_of_the_frames_has_a_plot_of_its_own() {
    let mut record = night::record();
    for (i, frame) in record.frames.iter_mut().enumerate() {
        let step = 0.01 * i as f64;
        (frame.airmass, frame.transparency_loss_mag, frame.sky_mag_arcsec2) =
            (Some(1.1 + step), Some(step), Some(20.5));
        (frame.relative_weight, frame.comet_o_minus_c_arcsec) = (Some(1.0), Some([step, -step]));
    }
    record.frames[3].used = false;
    record.frames[3].rejected_because = Some("left out by the user".into());
    for name in frame_plot_names() {
        let figure = night_plot(&record, name, Room::place(360)).expect(name);
        assert!(!holds_nan(&figure.svg_light), "{name}");
        let document = Document::parse(&figure.svg_dark).expect("well-formed");
        assert_eq!(document.descendants().filter(|n| n.has_attribute("data-panel")).count(), 1);
        let outlines = document.descendants().filter(|n| n.has_tag_name("rect") && n.attribute("fill") == Some("none"));
        assert_eq!(outlines.count(), 1, "{name}: one frame left out by hand");
        assert!(figure.caption.contains("Squares: 1 left out by hand"), "{}", figure.caption);
    }
    assert_eq!(night_plot(&record, "nought", Room::REPORT), None);
    assert_eq!(night_plot(&night::empty_record(), "profile", Room::REPORT), None);
    record.frames.iter_mut().for_each(|f| f.airmass = None);
    assert_eq!(night_plot(&record, "airmass", Room::REPORT), None);
}
