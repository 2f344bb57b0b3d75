//! Figures of an invented night, of an empty one and of broken images.

use crate::night;
use fanlight_image::{Image, Mask};
use fanlight_present::{Figure, NightPictures, PresentError, SkyPicture, night_figures, svg_to_png};
use resvg::usvg::roxmltree::Document;
use std::sync::OnceLock;

/// The figures of the invented night, drawn once.
pub fn all() -> &'static [Figure] {
    static FIGURES: OnceLock<Vec<Figure>> = OnceLock::new();
    FIGURES.get_or_init(drawn)
}

fn drawn() -> Vec<Figure> {
    night_figures(&night::record(), &night::Images::new().pictures()).expect("figures")
}

/// Whether a number that is none was written; the letters may stand inside a raster's base64, which has no such signs
/// before them.
pub fn holds_nan(text: &str) -> bool {
    ["\"NaN", " NaN", ">NaN", "\"inf", " inf "].iter().any(|n| text.contains(n))
}

/// A picture of one constant value with the comet in its middle.
fn plain<'a>(image: &'a Image, mask: &'a Mask) -> NightPictures<'a> {
    NightPictures {
        light: SkyPicture {
            image,
            mask,
            centre_x_px: image.width as f64 / 2.0,
            centre_y_px: image.height as f64 / 2.0,
            arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]],
            zero_point_mag: None,
        },
        rotational_gradient: image,
        gradient_description: String::new(),
        structure: None,
        orbit_plan: None,
    }
}

pub fn texts(svg: &str) -> String {
    let document = Document::parse(svg).expect("well-formed");
    document.descendants().filter(|n| n.is_text()).filter_map(|n| n.text()).collect::<Vec<_>>().join("|")
}

#[test]
fn every_figure_is_well_formed_named_and_described() {
    let figures = all();
    let names: Vec<&str> = figures.iter().map(|f| f.name.as_str()).collect();
    assert_eq!(
        names,
        ["light", "isophotes", "inverted", "gradient", "profile", "growth", "zero-point", "frames", "orbit-plan"]
    );
    for figure in figures {
        for svg in [&figure.svg_light, &figure.svg_dark] {
            let document = Document::parse(svg).expect("well-formed");
            let root = document.root_element();
            assert_eq!(root.attribute("aria-label"), Some(figure.alt.as_str()));
            assert_eq!(root.attribute("width"), Some("170mm"));
            assert!(!holds_nan(svg), "{}", figure.name);
        }
        assert!(figure.alt.len() > 40 && figure.caption.ends_with('.'), "{}: {}", figure.name, figure.caption);
    }
}

#[test]
fn sky_pictures_carry_orientation_scale_and_how_they_were_drawn() {
    for figure in all().iter().take(4) {
        let text = texts(&figure.svg_light);
        for wanted in [
            "N",
            "E",
            "−v",
            "toward the Sun",
            "km",
            "50″",
            "2031-03-04 21:10 UTC",
            "Sloan r",
            "0.4 m reflector",
            "56 frames",
        ] {
            assert!(text.contains(wanted), "{}: no {wanted}", figure.name);
        }
        for wanted in ["Stretch: ", "colour map: "] {
            assert!(figure.caption.contains(wanted), "{}: no {wanted}", figure.name);
        }
    }
}

#[test]
fn marks_at_the_rim_stand_where_the_geometry_record_says() {
    let figure = &all()[0];
    let document = Document::parse(&figure.svg_light).expect("well-formed");
    let picture = document.descendants().find(|n| n.has_tag_name("image")).expect("a raster");
    let number = |name: &str| picture.attribute(name).and_then(|v| v.parse::<f64>().ok()).expect("a number");
    let middle = (number("x") + number("width") / 2.0, number("y") + number("height") / 2.0);
    // the three arrows are the only filled triangles; each tip is its first point
    let mut angles: Vec<f64> = document
        .descendants()
        .filter(|n| n.has_tag_name("path") && n.attribute("fill") != Some("none"))
        .map(|n| {
            let d = n.attribute("d").expect("path data").trim_start_matches('M');
            let (tip, _) = d.split_once('L').expect("a polygon");
            let (x, y) = tip.split_once(' ').expect("two numbers");
            let (dx, dy) = (x.parse::<f64>().expect("x") - middle.0, y.parse::<f64>().expect("y") - middle.1);
            // on the sheet, north is up and east is left
            (-dx).atan2(-dy).to_degrees().rem_euclid(360.0)
        })
        .collect();
    angles.sort_by(f64::total_cmp);
    // 0.05°: coordinates are written to a hundredth of a unit at 300 units from the middle
    for (angle, expected) in angles.iter().zip([82.4, 96.0, 262.4]) {
        assert!((angle - expected).abs() < 0.05, "{angles:?}");
    }
    assert_eq!(angles.len(), 3);
}

#[test]
fn the_raster_has_at_least_900_pixels_and_the_same_bytes_in_both_themes() {
    for figure in all().iter().take(4) {
        let raster = |svg: &str| {
            let document = Document::parse(svg).expect("well-formed");
            document.descendants().find(|n| n.has_tag_name("image")).and_then(|n| n.attribute("href").map(String::from))
        };
        let light = raster(&figure.svg_light).expect("a raster");
        assert_eq!(Some(&light), raster(&figure.svg_dark).as_ref());
        // bytes 15 to 20 of a PNG are letters 20 to 27 of its base64; bytes 16 to 19 are the width (PNG, section 11.2.2)
        let letters = light.trim_start_matches("data:image/png;base64,")[20..28].chars();
        let order = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
        let bits = letters.fold(0u64, |bits, c| bits << 6 | order.find(c).expect("a letter of base64") as u64);
        let width = (bits >> 8) as u32;
        assert!((900..4000).contains(&width), "{}: {width}", figure.name);
    }
    let png = svg_to_png(&all()[0].svg_light, 300.0).expect("png");
    let width = u32::from_be_bytes(png[16..20].try_into().expect("four bytes"));
    assert_eq!(width, 2008, "170 mm at 300 per inch");
}

#[test]
fn the_dark_version_is_the_light_one_in_other_ink() {
    for figure in all() {
        let mut light_colours: Vec<&str> = Vec::new();
        let mut dark_colours: Vec<&str> = Vec::new();
        let colours =
            |svg: &'static str| svg.match_indices("=\"#").map(|(i, _)| &svg[i + 2..i + 9]).collect::<Vec<_>>();
        let (light, dark): (&'static str, &'static str) = (&figure.svg_light, &figure.svg_dark);
        for (l, d) in colours(light).into_iter().zip(colours(dark)) {
            match light_colours.iter().position(|c| *c == l) {
                Some(i) => assert_eq!(dark_colours[i], d, "{}: one role, one colour", figure.name),
                None => {
                    light_colours.push(l);
                    dark_colours.push(d);
                }
            }
        }
        let blank = |svg: &str, colours: &[&str]| colours.iter().fold(svg.to_string(), |s, c| s.replace(c, "#"));
        assert_eq!(blank(light, &light_colours), blank(dark, &dark_colours));
    }
}

#[test]
fn the_same_night_gives_the_same_bytes() {
    assert_eq!(all(), drawn());
}

#[test]
fn a_raster_survives_the_way_to_png() {
    // the middle of the light is the brightest place of the map: warm white, not paper and not missing
    let png = svg_to_png(&all()[0].svg_dark, 96.0).expect("png");
    let mut reader = png::Decoder::new(std::io::Cursor::new(&png[..])).read_info().expect("header");
    let mut pixels = vec![0; reader.output_buffer_size().expect("size")];
    let info = reader.next_frame(&mut pixels).expect("pixels");
    // the square's middle in units of the sheet, and 642.5 pixels to 680 units
    let at = |x: f64, y: f64| {
        let scale = f64::from(info.width) / 680.0;
        let i = 3 * ((y * scale) as usize * info.width as usize + (x * scale) as usize);
        [pixels[i], pixels[i + 1], pixels[i + 2]]
    };
    let (middle, corner) = (at(340.0, 394.0), at(620.0, 110.0));
    assert!(middle[0] > 220 && middle[1] > 200, "{middle:?}");
    assert!(corner[0] < 60 && corner[2] > corner[0], "a dark blue sky: {corner:?}");
}

#[test]
fn text_from_headers_cannot_break_a_figure() {
    let mut record = night::record();
    record.object = "C/<b>&\"Z'\u{1}\u{ffff}".into();
    record.setup.telescope = Some("</svg><script>alert(1)</script>".into());
    for figure in night_figures(&record, &night::Images::new().pictures()).expect("figures") {
        let document = Document::parse(&figure.svg_light).expect("well-formed");
        assert!(document.descendants().all(|n| !n.has_tag_name("script")));
        assert!(texts(&figure.svg_light).contains("C/<b>&\"Z'"));
    }
}

#[test]
fn an_empty_night_still_has_its_four_pictures() {
    let record = night::empty_record();
    for value in [f32::NAN, 0.0, -3.0, 5.0, f32::INFINITY] {
        let image = Image::filled(40, 30, value);
        let mask = Mask::clear(40, 30);
        let figures = night_figures(&record, &plain(&image, &mask)).expect("figures");
        assert_eq!(
            figures.iter().map(|f| f.name.as_str()).collect::<Vec<_>>(),
            ["light", "isophotes", "inverted", "gradient"]
        );
        for figure in &figures {
            assert!(Document::parse(&figure.svg_light).is_ok() && !holds_nan(&figure.svg_light));
        }
        let hatched = figures[0].caption.contains("Hatched grey");
        assert_eq!(hatched, !value.is_finite(), "{}", figures[0].caption);
    }
}

#[test]
fn one_pixel_and_all_masked_are_drawn() {
    let image = Image::filled(1, 1, 2.0);
    let mut mask = Mask::clear(1, 1);
    assert!(night_figures(&night::empty_record(), &plain(&image, &mask)).is_ok());
    mask.bits[0] = 1;
    let figures = night_figures(&night::empty_record(), &plain(&image, &mask)).expect("figures");
    assert!(figures[0].caption.contains("Hatched grey"));
    assert!(figures[1].caption.contains("No isophote"));
}

#[test]
fn images_that_do_not_fit_are_refused() {
    let (image, mask) = (Image::filled(8, 6, 1.0), Mask::clear(8, 6));
    let good = plain(&image, &mask);
    let other = Image::filled(8, 7, 1.0);
    let other_mask = Mask::clear(7, 6);
    let none = (Image::default(), Mask::default());
    let with = |light: SkyPicture, gradient: &Image| {
        let pictures = NightPictures {
            light,
            rotational_gradient: gradient,
            gradient_description: String::new(),
            structure: None,
            orbit_plan: None,
        };
        night_figures(&night::empty_record(), &pictures).expect_err("refused")
    };
    assert!(matches!(with(good.light, &other), PresentError::GridMismatch { what: "the rotational gradient", .. }));
    assert!(matches!(
        with(SkyPicture { mask: &other_mask, ..good.light }, &image),
        PresentError::GridMismatch { what: "the mask", .. }
    ));
    assert!(matches!(with(SkyPicture { image: &none.0, mask: &none.1, ..good.light }, &image), PresentError::NoPixels));
    assert!(matches!(with(SkyPicture { centre_x_px: f64::NAN, ..good.light }, &image), PresentError::BadCentre { .. }));
    assert!(matches!(
        with(SkyPicture { arcsec_per_px: [[1.0, 2.0], [2.0, 4.0]], ..good.light }, &image),
        PresentError::BadScale { .. }
    ));
}

#[test]
fn isophotes_are_labelled_in_magnitudes_only_where_calibrated() {
    let images = night::Images::new();
    let mut pictures = images.pictures();
    let calibrated = &night_figures(&night::record(), &pictures).expect("figures")[1];
    assert!(calibrated.caption.contains("mag/arcsec²") && texts(&calibrated.svg_light).contains("|25.0|"));
    pictures.light.zero_point_mag = None;
    let bare = &night_figures(&night::record(), &pictures).expect("figures")[1];
    assert!(!bare.caption.contains("mag/arcsec²") && bare.caption.contains("Isophotes in e/s/arcsec²"));
}
