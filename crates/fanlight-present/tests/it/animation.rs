//! The season as GIF, APNG and numbered PNGs, read back with other decoders, and tonight's panel.

use crate::invented_season::{Images, record};
use crate::structure;
use fanlight_present::season::{Animation, FrameSize, Montage, Shows, SkyOrientation};
use fanlight_present::{NightPictures, PresentError, Values, night_figures, svg_to_png, tonight_panel};
use fanlight_record::SeasonRecord;
use resvg::usvg::roxmltree::Document;
use std::io::Cursor;

const NIGHTS: usize = 4;

/// All words of a drawing, with single spaces.
fn words(svg: &str) -> String {
    let text = crate::figures::texts(svg).replace(['|', '\n'], " ");
    text.split(' ').filter(|w| !w.is_empty()).collect::<Vec<_>>().join(" ")
}

fn light<'a>(record: &'a SeasonRecord, images: &'a Images) -> Montage<'a> {
    images.pictures(record).montage(record)
}

#[test]
fn the_gif_has_a_frame_a_night_none_shorter_than_a_third_of_a_second() {
    let (record, images) = (record(NIGHTS), Images::new(NIGHTS));
    let montage = light(&record, &images);
    for (rate, hundredths) in [(3.0, 34), (0.4, 250)] {
        let animation = Animation::new(&montage, FrameSize::Square, rate).expect("animation");
        let bytes = animation.gif().expect("gif");
        let mut options = gif::DecodeOptions::new();
        options.set_color_output(gif::ColorOutput::RGBA);
        let mut decoder = options.read_info(Cursor::new(&bytes)).expect("header");
        assert_eq!((decoder.width(), decoder.height()), (1080, 1080));
        let mut frames: Vec<Vec<u8>> = Vec::new();
        while let Some(frame) = decoder.read_next_frame().expect("frame") {
            assert_eq!(frame.delay, hundredths, "{rate}");
            frames.push(frame.buffer.to_vec());
        }
        assert_eq!(frames.len(), NIGHTS);
        assert!(frames.windows(2).all(|w| w[0] != w[1]), "every night is another picture");
        assert!(frames.iter().all(|f| f.len() == 4 * 1080 * 1080));
    }
}

#[test]
fn the_apng_has_a_frame_a_night_and_the_colours_of_the_png_within_a_few_levels() {
    let (record, images) = (record(NIGHTS), Images::new(NIGHTS));
    let montage = light(&record, &images);
    let animation = Animation::new(&montage, FrameSize::Wide, 3.0).expect("animation");
    let bytes = animation.apng().expect("apng");
    assert_eq!(bytes, animation.apng().expect("apng"), "the same bytes twice");
    let mut decoder = png::Decoder::new(Cursor::new(&bytes[..]));
    decoder.set_transformations(png::Transformations::EXPAND);
    let mut reader = decoder.read_info().expect("header");
    assert_eq!(reader.info().animation_control().expect("animated").num_frames as usize, NIGHTS);
    let mut pixels = vec![0; reader.output_buffer_size().expect("size")];
    let mut sequence = animation.png_sequence();
    for i in 0..NIGHTS {
        let info = reader.next_frame(&mut pixels).expect("frame");
        assert_eq!((info.width, info.height), (1920, 1080));
        let control = reader.info().frame_control().expect("a frame");
        assert!(f64::from(control.delay_num) / f64::from(control.delay_den) >= 1.0 / 3.0);
        let (name, full) = sequence.next().expect("one a night").expect("png");
        assert_eq!(name, format!("frame-{:04}.png", i + 1));
        let mut full = png::Decoder::new(Cursor::new(&full[..])).read_info().expect("header");
        let mut colours = vec![0; full.output_buffer_size().expect("size")];
        let info = full.next_frame(&mut colours).expect("pixels");
        assert_eq!((info.width, info.height), (1920, 1080));
        let off = pixels.iter().zip(&colours).map(|(a, b)| u64::from(a.abs_diff(*b))).sum::<u64>();
        // measured: 0.35 levels; a palette that misses the map is off by tens
        let mean = off as f64 / colours.len() as f64;
        assert!(mean < 1.0, "frame {i}: off by {mean} levels");
    }
    assert!(sequence.next().is_none());
}

#[test]
fn faster_than_three_a_second_is_refused_and_so_is_nothing() {
    let (record, images) = (record(NIGHTS), Images::new(NIGHTS));
    let mut montage = light(&record, &images);
    for rate in [3.01, 25.0, 0.0, -1.0, f64::NAN, f64::INFINITY] {
        let refused = Animation::new(&montage, FrameSize::Square, rate).map(|a| a.n_frames());
        assert!(matches!(refused, Err(PresentError::BadRate { most: 3.0, .. })), "{rate}");
    }
    montage.nights[1].picture = None;
    assert_eq!(Animation::new(&montage, FrameSize::Square, 1.0).expect("animation").n_frames(), NIGHTS - 1);
    montage.nights.clear();
    let refused = Animation::new(&montage, FrameSize::Square, 1.0).map(|a| a.n_frames());
    assert!(matches!(refused, Err(PresentError::NothingToAnimate)));
}

#[test]
fn an_enhancement_is_animated_beside_its_twin_in_both_sizes() {
    let (record, images) = (record(NIGHTS), Images::new(NIGHTS));
    let montage = Montage {
        nights: images.enhanced(&record),
        shows: Shows::Enhanced { method: "divided", values: Values::AboutOne, unit: "ratio", how: "" },
        orientation: SkyOrientation::SunRight,
        ..light(&record, &images)
    };
    for (size, expected) in [(FrameSize::Wide, (1920, 1080)), (FrameSize::Square, (1080, 1080))] {
        let animation = Animation::new(&montage, size, 1.0).expect("animation");
        assert_eq!(animation.pixels(), expected);
        let (_, bytes) = animation.png_sequence().next().expect("a frame").expect("png");
        let info = png::Decoder::new(Cursor::new(&bytes[..])).read_info().expect("header");
        assert_eq!((info.info().width, info.info().height), expected);
    }
}

#[test]
fn the_panel_holds_four_renderings_over_their_twins_with_verdicts_in_letters_of_18_pixels() {
    let record = structure::record();
    let pictures = structure::scene(true).pictures();
    let panel = tonight_panel(&record, &pictures).expect("panel").expect("a twin");
    let document = Document::parse(&panel.svg_light).expect("well-formed");
    let root = document.root_element();
    assert_eq!(root.attribute("width"), Some("1280"));
    assert!(root.attribute("height").and_then(|h| h.parse::<u32>().ok()).expect("a height") >= 720);
    let per_unit =
        1280.0 / root.attribute("viewBox").and_then(|v| v.split(' ').nth(2)?.parse::<f64>().ok()).expect("width");
    let size = |n: resvg::usvg::roxmltree::Node| n.attribute("font-size").and_then(|s| s.parse::<f64>().ok());
    let sizes: Vec<f64> = document.descendants().filter(|n| n.has_tag_name("text")).filter_map(size).collect();
    assert!(sizes.len() > 30 && sizes.iter().all(|s| s * per_unit >= 17.99), "{sizes:?}");
    let rasters = |svg: &str| -> Vec<String> {
        let document = Document::parse(svg).expect("well-formed");
        let images = document.descendants().filter(|n| n.has_tag_name("image"));
        images.filter_map(|n| n.attribute("href").map(String::from)).collect()
    };
    // the very pictures of the night's figure
    let figures = night_figures(&record, &pictures).expect("figures");
    let twin = figures.iter().find(|f| f.name == "twin").expect("the twin");
    assert_eq!(rasters(&panel.svg_light), rasters(&twin.svg_light));
    let text = words(&panel.svg_light);
    for wanted in
        ["1 jet at PA 271.3° ± 1.2° supported", "2 fan at PA 80° ± 4° provisional", "artefact", "its twin", "km"]
    {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    let png = svg_to_png(&panel.svg_dark, 96.0).expect("png");
    assert_eq!(u32::from_be_bytes(png[16..20].try_into().expect("four bytes")), 1280);
}

#[test]
fn a_quiet_night_says_what_would_have_been_seen_and_without_a_twin_there_is_no_panel() {
    let record = structure::quiet_record();
    let pictures = structure::scene(false).pictures();
    let panel = tonight_panel(&record, &pictures).expect("panel").expect("a twin");
    let text = words(&panel.svg_light);
    assert!(text.contains("No structure is supported.") && text.contains("would have been found"), "{text}");
    let none = tonight_panel(&record, &NightPictures { structure: None, ..pictures });
    assert_eq!(none.expect("no error"), None);
}
