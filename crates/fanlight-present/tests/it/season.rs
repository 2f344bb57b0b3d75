//! Figures and page of an invented season, of an empty one, and of broken images.

use crate::figures::{holds_nan, texts};
use crate::invented_season::{Images, record};
use crate::page::check_nesting;
use fanlight_image::Image;
use fanlight_present::season::{
    Montage, MontageNight, SeasonPictures, Shows, SkyOrientation, change, montage, season_figures,
};
use fanlight_present::{Figure, PresentError, Values, season_page, svg_to_png};
use fanlight_record::sentences::{THIN_SPACE, format_measured};
use fanlight_record::{SeasonRecord, TrackPoint, TrackRecord};
use resvg::usvg::roxmltree::Document;
use std::sync::OnceLock;

/// Record, images and figures of a season of 14 nights, made once.
fn rich() -> &'static (SeasonRecord, Images, Vec<Figure>) {
    static SEASON: OnceLock<(SeasonRecord, Images, Vec<Figure>)> = OnceLock::new();
    SEASON.get_or_init(|| {
        let (record, images) = (record(14), Images::new(14));
        let figures = season_figures(&record, &images.pictures(&record)).expect("figures");
        (record, images, figures)
    })
}

fn named<'a>(figures: &'a [Figure], name: &str) -> &'a Figure {
    figures.iter().find(|f| f.name == name).unwrap_or_else(|| panic!("no figure {name}"))
}

/// Attributes of every element of a kind, as numbers.
fn numbers(svg: &str, tag: &str, names: [&str; 4]) -> Vec<[f64; 4]> {
    let document = Document::parse(svg).expect("well-formed");
    let of = |n: resvg::usvg::roxmltree::Node, name: &str| {
        n.attribute(name).and_then(|v| v.parse().ok()).unwrap_or(f64::NAN)
    };
    document.descendants().filter(|n| n.has_tag_name(tag)).map(|n| names.map(|name| of(n, name))).collect()
}

/// Pictures of the nights; colour bars are wider than high.
fn squares(svg: &str) -> Vec<[f64; 4]> {
    numbers(svg, "image", ["x", "y", "width", "height"]).into_iter().filter(|i| i[2] == i[3]).collect()
}

fn divided<'a>(record: &'a SeasonRecord, images: &'a Images) -> Montage<'a> {
    Montage {
        name: "montage-divided",
        object: &record.object,
        nights: images.enhanced(record),
        shows: Shows::Enhanced {
            method: "divided by the mean profile",
            values: Values::AboutOne,
            unit: "ratio",
            how: "Divided by the azimuthal mean about the optocentre",
        },
        orientation: SkyOrientation::SunRight,
        half_width_km: None,
    }
}

#[test]
fn every_figure_is_well_formed_named_and_readable_for_one_to_sixty_nights() {
    for n in [1, 2, 5, 60] {
        let (record, images) = (record(n), Images::new(n));
        let figures = season_figures(&record, &images.pictures(&record)).expect("figures");
        let names: Vec<&str> = figures.iter().map(|f| f.name.as_str()).collect();
        let expected: &[&str] = if n == 1 {
            &["montage", "activity", "light-curve"]
        } else {
            &["montage", "change", "tracks", "activity", "light-curve"]
        };
        assert_eq!(names, expected, "{n} nights");
        for figure in &figures {
            for svg in [&figure.svg_light, &figure.svg_dark] {
                let document = Document::parse(svg).expect("well-formed");
                assert_eq!(document.root_element().attribute("width"), Some("170mm"));
                assert_eq!(document.root_element().attribute("aria-label"), Some(figure.alt.as_str()));
                assert!(!holds_nan(svg), "{}", figure.name);
                // 8 pt are 11.3 units; raised exponents are smaller, and inside a text
                let letters = numbers(svg, "text", ["font-size", "x", "y", "x"]);
                assert!(letters.iter().all(|l| l[0] >= 11.3 && l[0] <= 17.0), "{}", figure.name);
                assert!(letters.iter().all(|l| (0.0..=680.0).contains(&l[1])), "{}", figure.name);
            }
            assert!(figure.alt.len() > 40 && figure.caption.ends_with('.'), "{}: {}", figure.name, figure.caption);
        }
        assert_eq!(squares(&named(&figures, "montage").svg_light).len(), n);
    }
}

#[test]
fn the_same_season_gives_the_same_bytes() {
    let (record, images, figures) = rich();
    assert_eq!(figures, &season_figures(record, &images.pictures(record)).expect("figures"));
    let page = season_page(record, figures, None);
    assert_eq!(page, season_page(record, figures, None));
}

#[test]
fn the_montage_shows_every_night_at_one_size_with_its_date_and_says_how() {
    let (record, _, figures) = rich();
    let figure = named(figures, "montage");
    let pictures = squares(&figure.svg_light);
    assert_eq!(pictures.len(), 14);
    assert!(pictures.iter().all(|p| p[2] == pictures[0][2]));
    // in order of time: to the right, then down
    assert!(pictures.windows(2).all(|w| w[1][1] > w[0][1] || (w[1][1] == w[0][1] && w[1][0] > w[0][0])));
    let text = texts(&figure.svg_light);
    // nights 4, 9 and 14 have no zero point
    assert_eq!(text.matches("|not calibrated|").count(), 3, "{text}");
    for wanted in ["1 Mar", "10 Mar", "11 Apr", "days|", "km|", "toward the Sun", "north up, east left", "1.606"] {
        assert!(text.contains(wanted), "no {wanted}: {text}");
    }
    for wanted in [
        "A·f = 4π r² S/F",
        "asinh from",
        "colour map: dusk",
        "phase angle is not corrected",
        "km across",
        "Taken in: band r, 0.4 m reflector, 52 to 60 frames, 52 to 60\u{202f}min a night.",
    ] {
        assert!(figure.caption.to_lowercase().contains(&wanted.to_lowercase()), "no {wanted}: {}", figure.caption);
    }
    assert!(record.nights.iter().all(|n| text.contains(&format!("{:.3}", n.r_au)) || text.contains("not calibrated")));
}

#[test]
fn a_night_without_a_picture_keeps_its_place() {
    let (record, images, _) = rich();
    let mut pictures = images.pictures(record);
    pictures.nights[3].picture = None;
    let figures = season_figures(record, &pictures).expect("figures");
    let figure = named(&figures, "montage");
    assert_eq!(squares(&figure.svg_light).len(), 13);
    assert!(texts(&figure.svg_light).contains("no picture") && figure.caption.contains("was not at hand"));
    for night in &mut pictures.nights {
        night.picture = None;
    }
    let figures = season_figures(record, &pictures).expect("figures");
    assert!(squares(&named(&figures, "montage").svg_light).is_empty());
}

#[test]
fn an_enhancement_stands_over_its_twin_with_one_stretch() {
    let (record, images, _) = rich();
    let figure = montage(&divided(record, images)).expect("figure").expect("nights");
    let pictures = squares(&figure.svg_light);
    assert_eq!(pictures.len(), 28);
    for pair in pictures.chunks(2) {
        assert!(pair[0][0] == pair[1][0] && pair[1][1] > pair[0][1] + pair[0][3] - 0.01, "{pair:?}");
    }
    let text = texts(&figure.svg_light);
    assert!(
        text.contains("|night|")
            && text.contains("|twin|")
            && figure.caption.contains("One stretch for all nights and twins")
    );
    assert!(figure.caption.contains("turned until the Sun is to the right") && text.contains("tick: north"));
    let mut lacking = divided(record, images);
    lacking.nights[0].twin = None;
    let figure = montage(&lacking).expect("figure").expect("nights");
    assert!(texts(&figure.svg_light).contains("no twin"));
}

#[test]
fn pictures_that_do_not_fit_are_refused_and_odd_ones_are_drawn() {
    let (record, images, _) = rich();
    let mut broken = divided(record, images);
    let small = Image::filled(3, 3, 1.0);
    broken.nights[2].twin = Some(&small);
    assert!(matches!(montage(&broken), Err(PresentError::GridMismatch { what: "the twin", .. })));
    let mut pictures = images.pictures(record);
    if let Some(picture) = &mut pictures.nights[0].picture {
        picture.centre_x_px = f64::NAN;
    }
    assert!(matches!(season_figures(record, &pictures), Err(PresentError::BadCentre { .. })));
    // a record whose geometry was lost
    let mut odd = record.clone();
    for night in &mut odd.nights {
        (night.km_per_arcsec, night.sunward_pa_deg, night.r_au) = (f64::NAN, f64::NAN, f64::NAN);
        night.mid_utc = "?".into();
    }
    for track in odd.tracks.iter_mut().flat_map(|t| &mut t.points) {
        track.pa_err_deg = f64::NAN;
    }
    for figure in season_figures(&odd, &images.pictures(&odd)).expect("figures") {
        assert!(Document::parse(&figure.svg_light).is_ok() && !holds_nan(&figure.svg_light), "{}", figure.name);
    }
}

/// Centres of the data's discs: radius 4 and filled.
fn discs(svg: &str) -> Vec<(f64, f64)> {
    let all = numbers(svg, "circle", ["cx", "cy", "r", "r"]);
    let document = Document::parse(svg).expect("well-formed");
    let filled: Vec<bool> = document
        .descendants()
        .filter(|n| n.has_tag_name("circle"))
        .map(|n| n.attribute("fill").is_some_and(|f| f != "none"))
        .collect();
    all.iter().zip(filled).filter(|(c, filled)| c[2] == 4.0 && *filled).map(|(c, _)| (c[0], c[1])).collect()
}

fn track(points: &[(&str, f64)]) -> TrackRecord {
    TrackRecord {
        kind: Some("jet".into()),
        points: points
            .iter()
            .map(|(utc, pa_deg)| TrackPoint { utc: (*utc).into(), pa_deg: *pa_deg, pa_err_deg: 2.0, contrast: 0.1 })
            .collect(),
        drift_deg_per_day: None,
        drift_err_deg_per_day: None,
        log_likelihood: None,
        preferred: None,
        period: None,
        no_period_because: None,
    }
}

#[test]
fn a_feature_that_passes_north_does_not_jump() {
    let (mut record, images) = (record(5), Images::new(5));
    let utc: Vec<String> = record.nights.iter().map(|n| n.mid_utc.clone()).collect();
    record.tracks = vec![track(&[(&utc[0], 352.0), (&utc[1], 359.0), (&utc[2], 6.0)])];
    let figures = season_figures(&record, &images.pictures(&record)).expect("figures");
    let figure = named(&figures, "tracks");
    let mut points = discs(&figure.svg_light);
    // the last one is the legend's
    points.truncate(3);
    assert_eq!(points.len(), 3);
    let (first, second) = (points[0].1 - points[1].1, points[1].1 - points[2].1);
    assert!(first > 0.0 && (first - second).abs() < 0.05, "equal steps of 7° upward: {points:?}");
    assert!(texts(&figure.svg_light).contains("|1: jet, 3 nights"));
}

#[test]
fn tracks_give_the_records_drifts_and_every_night() {
    let (record, _, figures) = rich();
    let figure = named(figures, "tracks");
    let text = texts(&figure.svg_light);
    for t in &record.tracks {
        let drift = format_measured(t.drift_deg_per_day.expect("a drift"), t.drift_err_deg_per_day.expect("an error"));
        assert!(text.contains(&drift.replace(" ± ", "° ± ")), "{drift}: {text}");
    }
    // the first track's nights as discs, with one more in the legend
    assert_eq!(discs(&figure.svg_light).len(), record.tracks[0].points.len() + 1);
    assert!(text.contains("away from the Sun") && text.contains("−v"));
}

#[test]
fn activity_gives_the_records_slopes_apart_and_marks_outbursts() {
    let (record, images) = (record(60), Images::new(60));
    let figures = season_figures(&record, &images.pictures(&record)).expect("figures");
    let figure = named(&figures, "activity");
    let text = texts(&figure.svg_light);
    assert!(text.contains("before perihelion") && text.contains("after perihelion"));
    for f in &record.activity.fits {
        let words = format!("slope {}, {} nights", format_measured(f.slope, f.slope_err), f.n_nights);
        assert!(text.contains(&words), "{words}: {text}");
    }
    assert!(text.contains("(77P/Made-Up)") && text.contains("|C/1987 Q1 (Invented)|"));
    assert!(figure.caption.contains("A. Author 2001") && figure.caption.contains("not fair"));
    let in_r = record.activity.points.iter().filter(|p| p.aperture_km == 10_000.0 && p.band == "r" && p.in_fit).count();
    // filled discs of 4 units: those in the fits, one of the legend
    let paper = "#fefdfb";
    let document = Document::parse(&figure.svg_light).expect("well-formed");
    let filled = document.descendants().filter(|n| {
        n.has_tag_name("circle")
            && n.attribute("r") == Some("4")
            && n.attribute("fill").is_some_and(|f| f != "none" && f != paper)
    });
    assert_eq!(filled.count(), in_r + 1);
    let (_, _, rich) = rich();
    let outburst = texts(&named(rich, "activity").svg_light);
    assert!(outburst.contains("|outburst|"), "{outburst}");
    let curve = texts(&named(rich, "light-curve").svg_light);
    assert!(curve.contains(&format!("outburst −0.69 ± 0.06{THIN_SPACE}mag")), "{curve}");
    assert!(curve.contains("band r") && curve.contains("band g"));
}

#[test]
fn a_change_is_drawn_with_both_nights_and_not_where_nothing_was_compared() {
    let (record, images, figures) = rich();
    let figure = named(figures, "change");
    let pictures = squares(&figure.svg_light);
    assert_eq!(pictures.len(), 3);
    assert!(pictures[1][2] == pictures[2][2] && pictures[0][2] > 2.0 * pictures[1][2]);
    let last = record.changes.last().expect("a change");
    let text = texts(&figure.svg_light);
    assert!(text.contains("1: new jet at PA 62.0° ± 2.1°, contrast +8.3 ± 1.2") && text.contains("2: jet gone"));
    assert!(text.replace('|', " ").contains("A jet at PA 62° is new") && figure.alt.contains(&last.statement));
    let mut pictures = images.pictures(record).change.expect("pictures");
    let mut not_compared = last.clone();
    not_compared.not_compared_because = Some("other bands".into());
    pictures.change = &not_compared;
    assert_eq!(change(&record.object, &pictures).expect("no error"), None);
}

#[test]
fn the_dark_version_is_the_light_one_in_other_ink_and_png_works() {
    let (_, _, figures) = rich();
    for figure in figures {
        let colours = |svg: &str| -> Vec<String> {
            svg.match_indices("=\"#").map(|(i, _)| svg[i + 2..i + 9].to_string()).collect()
        };
        let (light, dark) = (colours(&figure.svg_light), colours(&figure.svg_dark));
        assert_eq!(light.len(), dark.len(), "{}", figure.name);
        let mut pairs: Vec<(&String, &String)> = light.iter().zip(&dark).collect();
        pairs.sort();
        pairs.dedup();
        assert!(pairs.windows(2).all(|w| w[0].0 != w[1].0), "{}: one role, one colour", figure.name);
        let png = svg_to_png(&figure.svg_light, 72.0).expect("png");
        assert_eq!(u32::from_be_bytes(png[16..20].try_into().expect("four bytes")), 482);
    }
}

/// A season without anything.
fn empty() -> SeasonRecord {
    let mut record = record(1);
    (record.nights, record.activity, record.period_searches) = (Vec::new(), Default::default(), Vec::new());
    record.provenance.inputs.clear();
    record.summary = "No night could be used.".into();
    record
}

#[test]
fn an_empty_season_has_a_page_that_says_what_is_missing() {
    let record = empty();
    let pictures = SeasonPictures {
        nights: Vec::<MontageNight>::new(),
        enhanced: Vec::new(),
        change: None,
        orientation: SkyOrientation::NorthUp,
        half_width_km: None,
    };
    let figures = season_figures(&record, &pictures).expect("figures");
    assert!(figures.is_empty());
    let page = season_page(&record, &figures, None);
    check_nesting(&page);
    for wanted in [
        "There is no night to show.",
        "there is nothing to compare",
        "No feature was supported on any night",
        "No night has a value of A(0°)fρ",
        "No night has a magnitude",
        "No power law was fitted",
        "No step against the trend",
        "No input was recorded",
        "Anything: there is no night.",
    ] {
        assert!(page.contains(wanted), "{wanted}");
    }
    assert!(!holds_nan(&page));
}

#[test]
fn the_page_is_whole_self_contained_and_in_order() {
    let (record, _, figures) = rich();
    let html = season_page(record, figures, Some(b"\x89PNG"));
    check_nesting(&html);
    assert!(!html.contains("<script") && !html.contains("<link") && !html.contains("@import"));
    for (i, _) in html.match_indices("href=\"").chain(html.match_indices("src=\"")) {
        let address = &html[i..].split('"').nth(1).expect("quoted")[..1];
        assert!(address == "#" || address == "d", "{}", &html[i..i + 60]);
    }
    assert_eq!(html.matches("url(").count(), html.matches("url(data:").count());
    let mut last = 0;
    for id in ["summary", "montage", "changes", "tracks", "activity", "nights", "made"] {
        let at = html.find(&format!("<section id=\"{id}\"")).expect(id);
        assert!(at > last && html.contains(&format!("href=\"#{id}\"")), "{id}");
        last = at;
    }
    assert_eq!(html.matches("<table").count(), html.matches("<caption").count());
    assert!(html.contains("data:image/apng;base64,iVBORw=="));
    assert!(!season_page(record, figures, None).contains("image/apng"));
    for figure in figures {
        assert!(html.contains(&format!("id=\"figure-{}\"", figure.name)), "{}", figure.name);
    }
}

#[test]
fn numbers_on_the_page_are_the_records_with_their_errors() {
    let (record, _, figures) = rich();
    let html = season_page(record, figures, None);
    for night in &record.nights {
        assert!(html.contains(&format!("{:.4}", night.r_au)) && html.contains(&night.site), "{}", night.mid_utc);
    }
    for p in &record.activity.points {
        let value = format_measured(p.a0frho_cm.expect("a value"), p.a0frho_err_cm.expect("an error"));
        assert!(html.contains(&value), "{value}");
    }
    for wanted in [
        "−2.60 ± 0.08",
        "(900 ± 31)",
        "another aperture: 5 000 km; phase angles differ by 30°",
        "A. Author 2001, J. Comets 3, 45",
        "3 × 10⁻⁶",
        "+8.3 ± 1.2",
        "keeps its angle from the sunward direction",
        "1 : 49",
        "0.081 ± 0.006",
        "What cannot be said",
        "fanlight season --campaign",
        "2.1\u{202f}%",
    ] {
        assert!(html.contains(wanted), "{wanted}");
    }
    assert!(record.provenance.inputs.iter().all(|i| html.contains(&i.sha256)));
}

#[test]
fn simulated_nights_are_told_and_words_from_files_are_escaped() {
    let (record, images, figures) = rich();
    let mut odd = record.clone();
    odd.nights[0].simulated = true;
    odd.object = "<script>alert(1)</script>".into();
    odd.nights[1].site = "a < b & c".into();
    odd.activity.comparison[0].comet = "</svg><b>".into();
    let html = season_page(&odd, figures, None);
    check_nesting(&html);
    assert!(html.contains("Some of these frames are simulated.") && !html.contains("<script"));
    assert!(html.contains("a &lt; b &amp; c"));
    for figure in season_figures(&odd, &images.pictures(&odd)).expect("figures") {
        let document = Document::parse(&figure.svg_light).expect("well-formed");
        assert!(document.descendants().all(|n| !n.has_tag_name("script")), "{}", figure.name);
    }
}
