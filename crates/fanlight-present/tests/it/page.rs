//! The night's page.

use crate::{figures, night};
use fanlight_present::night_page;
use fanlight_record::{NightRecord, sentences};
use std::collections::BTreeSet;

fn page(record: &NightRecord) -> String {
    night_page(record, figures::all())
}

/// Every `<tag …>` has its end, in order; attributes may hold no bare `<`.
pub fn check_nesting(html: &str) {
    const VOID: [&str; 6] = ["meta", "!DOCTYPE", "br", "hr", "img", "link"];
    let mut open: Vec<&str> = Vec::new();
    let mut rest = html;
    while let Some(start) = rest.find('<') {
        let end = start + rest[start..].find('>').expect("a tag ends");
        let tag = &rest[start + 1..end];
        let name = tag.trim_start_matches('/').split([' ', '\n', '/']).next().unwrap_or_default();
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "near {}", &rest[start.saturating_sub(80)..end]);
        } else if !tag.ends_with('/') && !VOID.contains(&name) {
            open.push(name);
        }
        rest = &rest[end + 1..];
        if name == "style" && !tag.starts_with('/') {
            rest = &rest[rest.find("</style>").expect("the style ends")..];
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn the_page_is_whole_self_contained_and_small() {
    let html = page(&night::record());
    check_nesting(&html);
    assert!(html.len() < 6_000_000, "{} bytes", html.len());
    assert!(!html.contains("<script") && !html.contains("<link") && !html.contains("@import"));
    // nothing is fetched: every address is inside the page or in the file itself
    for (i, _) in html.match_indices("href=\"").chain(html.match_indices("src=\"")) {
        let address = &html[i..].split('"').nth(1).expect("quoted")[..1];
        assert!(address == "#" || address == "d", "{}", &html[i..i + 60]);
    }
    assert_eq!(html.matches("url(").count(), html.matches("url(data:").count());
    let addresses = html.matches("http://").count() + html.matches("https://").count();
    assert_eq!(addresses, html.matches("xmlns=\"http://www.w3.org/2000/svg\"").count());
}

#[test]
fn sections_stand_in_order_and_each_is_reached_from_the_top() {
    let html = page(&night::record());
    let mut last = 0;
    for id in ["summary", "pictures", "features", "profile", "dust", "frames", "geometry", "made"] {
        let at = html.find(&format!("<section id=\"{id}\"")).expect(id);
        assert!(at > last, "{id} is out of order");
        assert!(html.contains(&format!("href=\"#{id}\"")));
        last = at;
    }
    for landmark in ["<header", "<nav", "<main", "<footer", "lang=\"en\""] {
        assert_eq!(html.matches(landmark).count(), 1, "{landmark}");
    }
    assert_eq!(html.matches("<table").count(), html.matches("<caption").count());
    assert!(html.matches("scope=\"col\"").count() > 30 && html.matches("scope=\"row\"").count() > 80);
}

#[test]
fn structure_that_was_not_analysed_is_said_plainly_and_beside_the_gradient() {
    let record = night::record();
    let html = page(&record);
    assert!(html.contains("Structure was not analysed. "));
    let gradient = html.find("id=\"figure-gradient\"").expect("the gradient");
    let features = html.find("<section id=\"features\"").expect("features");
    assert!(html[gradient..features].contains("rays in it are no evidence of structure"));
    for sentence in sentences::cannot_say(&record) {
        assert!(html.contains(&sentence), "{sentence}");
    }
    let mut analysed = record;
    analysed.morphology.analysed = true;
    assert!(page(&analysed).contains("no feature was found"));
}

#[test]
fn every_frame_left_out_stands_with_its_reason_and_every_input_with_its_checksum() {
    let record = night::record();
    let html = page(&record);
    for frame in record.frames.iter().filter(|f| !f.used) {
        let reason = frame.rejected_because.as_deref().expect("a reason");
        assert!(html.contains(&frame.file) && html.contains(reason), "{reason}");
    }
    assert!(record.provenance.inputs.iter().all(|i| html.contains(&i.sha256)));
    assert!(html.contains(&record.provenance.command));
}

#[test]
fn a_comet_near_the_sun_opens_the_page_with_a_caution() {
    let mut record = night::record();
    let caution = "role=\"note\"><p><strong>The comet stands 21° from the Sun";
    assert!(!page(&record).contains(caution));
    record.geometry.elongation_deg = 21.3;
    let html = page(&record);
    let at = html.find(caution).expect("the caution");
    assert!(at < html.find("<nav").expect("the sections"), "before everything else");
    assert!(html[at..at + 300].contains("Never point unfiltered optics near the Sun"));
}

#[test]
fn simulated_frames_are_said_before_everything_else_and_on_every_picture() {
    let mut record = night::record();
    let banner = "These frames are simulated. ";
    assert!(!page(&record).contains(banner));
    record.setup.simulated = true;
    let html = page(&record);
    assert!(html.find(banner).expect("the banner") < html.find("<nav").expect("the sections"));
}

#[test]
fn warnings_stand_apart_from_notes_and_times_of_places_have_tenths_of_seconds() {
    let mut record = night::record();
    (record.notes, record.n_warnings) = (vec!["A grave thing.".into(), "A method.".into()], 1);
    record.geometry.utc = "2031-03-04T21:10:29.951Z".into();
    let html = page(&record);
    let at = |text: &str| html.find(text).unwrap_or_else(|| panic!("{text}"));
    assert!(at("<h3>Warnings</h3>") < at("A grave thing."));
    assert!(at("A grave thing.") < at("Notes on methods and assumptions (1)"));
    assert!(at("Notes on methods and assumptions (1)") < at("A method."));
    assert!(html.contains("2031-03-04 21:10:30.0 UTC"));
}

#[test]
fn apertures_hardly_wider_than_the_star_image_are_marked_and_losses_to_seeing_given() {
    let mut record = night::record();
    let mark = "* The radius is under twice the width of a star image";
    let html = page(&record);
    assert!(html.contains("Lost to seeing") && html.contains("1.2\u{202f}%"));
    // a term of its own beside the reported error, and the two together
    let first = &record.photometry[0];
    assert!((first.seeing_mag().expect("a loss") - 0.01344).abs() < 1e-5);
    let with_seeing = first.mag_err_with_seeing().expect("an error");
    assert!((with_seeing - first.mag_err.expect("an error").hypot(0.01344)).abs() < 1e-5);
    assert!(
        html.contains("<td class=\"n\">0.0134</td>")
            && html.contains(&format!("<td class=\"n\">{with_seeing:.4}</td>"))
    );
    let mut without = record.clone();
    without.photometry.iter_mut().for_each(|p| p.seeing_loss = None);
    assert!(!page(&without).contains("Error with seeing"));
    let radius = record.photometry[0].aperture_arcsec;
    record.morphology.psf.as_mut().expect("a kernel").fwhm_arcsec = 0.4 * radius;
    assert!(!page(&record).contains(mark));
    record.morphology.psf.as_mut().expect("a kernel").fwhm_arcsec = 0.6 * radius;
    assert!(page(&record).contains(mark));
}

#[test]
fn an_empty_night_has_a_page_that_says_what_is_missing() {
    let record = night::empty_record();
    let html = night_page(&record, &[]);
    check_nesting(&html);
    for wanted in [
        "Nothing was calibrated",
        "No ring of the profile shows light",
        "No input was recorded",
        "place was not measured",
    ] {
        assert!(html.contains(wanted), "{wanted}");
    }
    assert!(!figures::holds_nan(&html));
}

#[test]
fn words_from_files_are_escaped() {
    let mut record = night::record();
    record.object = "<script>alert(1)</script>".into();
    record.notes.push("a < b & c".into());
    record.provenance.command = "fanlight night 'a\"b' --out <x>".into();
    let html = page(&record);
    check_nesting(&html);
    assert!(!html.contains("<script") && html.contains("a &lt; b &amp; c"));
}

#[test]
fn a_limit_is_shown_as_one() {
    let mut record = night::record();
    for p in &mut record.photometry {
        (p.mag, p.mag_err, p.limit_3sigma_mag, p.afrho_cm, p.a0frho_cm) = (None, None, Some(19.4), None, None);
    }
    assert!(page(&record).contains("fainter than 19.40\u{202f}mag (3σ)"));
    record.photometry.iter_mut().for_each(|p| (p.limit_3sigma_mag, p.brighter_than_mag) = (None, Some(9.4)));
    assert!(page(&record).contains("brighter than 9.40\u{202f}mag"));
}

#[test]
fn the_dark_ink_of_every_colour_of_the_figures_is_in_the_style() {
    let record = night::record();
    let html = page(&record);
    let mut rules = BTreeSet::new();
    for figure in figures::all() {
        for property in ["fill", "stroke"] {
            let pattern = format!(" {property}=\"#");
            let light = figure.svg_light.match_indices(&pattern);
            let dark = figure.svg_dark.match_indices(&pattern);
            for ((l, _), (d, _)) in light.zip(dark) {
                let colour = |svg: &str, at: usize| svg[at + pattern.len() - 1..][..7].to_string();
                rules.insert((property, colour(&figure.svg_light, l), colour(&figure.svg_dark, d)));
            }
        }
    }
    assert!(rules.len() > 8, "{rules:?}");
    for (property, light, dark) in rules {
        let rule = format!(".drawing svg [{property}=\"{light}\"] {{ {property}: {dark}; }}");
        assert!(light == dark || html.contains(&rule), "{rule}");
    }
}

/// Cloud, twilight, focus, wind, weights and a star at the nucleus stand on the page in numbers; a coma that fills the frame is
/// told where it does, and only there.
#[test]
fn the_night_stands_in_numbers_and_a_filled_frame_is_told() {
    let mut record = night::record();
    let page = fanlight_present::night_page(&record, &[]);
    for part in [
        "Transparency: 0.00 to 0.12",
        "changing by 0.045 ± 0.004",
        "the Sun at −31.0 to −19.2°",
        "changing by −0.110 ± 0.030",
        "the frames agreeing by 0.97",
        "worth 55.1 frames of equal weight",
        "the coma's light within 15.3″",
        "each holds 16.0 to 17.0",
        "17.3, 1.4″",
        "subtracted as a plane",
    ] {
        assert!(page.contains(part), "the page does not say {part}");
    }
    assert!(!page.contains("The coma reaches the edge"));
    record.photometry.iter_mut().for_each(|p| p.edge_sky_loss = Some(0.001));
    assert!(!fanlight_present::night_page(&record, &[]).contains("The coma reaches the edge"));
    record.photometry.iter_mut().zip([0.01, 0.023, 0.051]).for_each(|(p, loss)| p.edge_sky_loss = Some(loss));
    record.stack.sky_order = Some(2);
    let page = fanlight_present::night_page(&record, &[]);
    assert!(page.contains("The coma reaches the edge") && page.contains("1.0, 2.3, 5.1"), "no losses");
    assert!(page.contains("subtracted as a bent surface"));
}

/// Dust at 10 000 km, the whole coma, its slopes and sectors, sky and colour stand on the page with their errors.
#[test]
fn what_stands_beside_other_nights_is_on_the_page() {
    let page = night_page(&night::record(), &[]);
    for words in [
        "194.6 ± 3.1",
        "390 ± 6",
        "more for the choice of the phase function",
        "anything from",
        "14.31 ± 0.09",
        "follows from the slope of the outer coma",
        "It steepens at about",
        "1.44 ± 0.05",
        "sunward &lt;quarter&gt;",
        "fainter than 18.20",
        "0.121 ± 0.008",
        "a clear night",
        "redder than sunlight",
        "5.7 ± 1.3",
        "Error with seeing",
    ] {
        assert!(page.contains(words), "the page lacks {words:?}");
    }
}
