//! An enhanced picture, beside its twin where there is one: the same filter, the same stretch, equal weight.

use crate::colour::{self, ColourMap};
use crate::picture::sentence;
use crate::rim::{Directions, Rim, draw_legend};
use crate::scale_bars::{ColourBar, LengthBars};
use crate::sky::{SkyPicture, north_up};
use crate::stretch::{Plate, Stretch, strip};
use crate::svg::{Anchor, BOLD, Canvas, Stroke, TextStyle, WIDTH, data_uri, wrap};
use crate::theme::in_both;
use crate::{Figure, PresentError};
use fanlight_image::Image;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_value};

/// Pixels along a side of each embedded raster.
const RASTER_PX: usize = 960;
/// A picture on its own, and each of two: left edges, top and side, in units; between two stand the letters of both rims.
const ALONE: (&[f64], f64, f64) = (&[48.0], 102.0, 584.0);
const PAIR: (&[f64], f64, f64) = (&[40.0, 378.0], 126.0, 262.0);
/// Half the side of the smallest picture, in pixels of the image.
const LEAST_HALF_WIDTH_PX: f64 = 4.0;

/// What the values of an enhanced picture mean, which decides stretch and colour map.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Values {
    /// Differences: 0 is neutral.
    AboutZero,
    /// Ratios: 1 is neutral.
    AboutOne,
    /// From 0 to 1.
    Share,
    /// Brightness times something: no value is neutral.
    Level,
}

/// How the picture lies on the sky.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Orientation {
    /// Its WCS is known: it is turned north up.
    NorthUp,
    /// It is not: drawn as it lies, first row at the bottom, `arcsec_per_px` of the picture with columns toward the west.
    AsStored,
}

/// An enhanced picture to draw.
#[derive(Debug, Clone)]
pub struct EnhancedPicture<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// What is shown: the comet, or the file.
    pub object: &'a str,
    /// The enhancement.
    pub method: &'a str,
    /// Date, filter, telescope: what is known.
    pub subtitle: &'a str,
    /// The enhanced image and its grid. With no scale known, one pixel stands for one arcsec.
    pub night: SkyPicture<'a>,
    /// The featureless twin through the same filter, on the same grid.
    pub twin: Option<&'a Image>,
    /// What the values mean.
    pub values: Values,
    /// Unit of the values, as the colour bar says it.
    pub unit: &'a str,
    /// How it lies.
    pub orientation: Orientation,
    /// Unit of lengths: `″`, or ` px` where no scale is known.
    pub length_unit: &'static str,
    /// km at the comet per such unit.
    pub km_per_unit: Option<f64>,
    /// Half the side of the picture, in that unit; otherwise all that lies inside the image.
    pub half_width: Option<f64>,
    /// Directions at the comet; drawn where north is known.
    pub directions: Directions,
    /// How it was made: settings, centre, whether brightness is kept, known artefacts.
    pub how: &'a str,
    /// What must not be concluded.
    pub warning: Option<&'a str>,
}

/// Draws it.
///
/// # Errors
/// When the images do not share a grid, or centre or scale cannot be used.
pub fn enhanced_figure(picture: &EnhancedPicture) -> Result<Figure, PresentError> {
    let night = &picture.night;
    night.check()?;
    if let Some(twin) = picture.twin.filter(|t| (t.width, t.height) != (night.image.width, night.image.height)) {
        return Err(PresentError::GridMismatch {
            what: "the twin",
            width: twin.width,
            height: twin.height,
            expected_width: night.image.width,
            expected_height: night.image.height,
        });
    }
    let least = LEAST_HALF_WIDTH_PX * night.pixel_area_arcsec2().sqrt();
    let half = picture.half_width.unwrap_or_else(|| night.inscribed_half_width_arcsec()).max(least);
    let turned = |image| north_up(&night.with_image(image, night.mask), half, RASTER_PX);
    let (field, twin) = rayon::join(|| turned(night.image), || picture.twin.map(turned));
    let (stretch, map) = stretch_of(&field, picture.values);
    let plate = |image: &Image| Ok(data_uri("image/png", &Plate::new(image, &stretch)?.coloured(&map)));
    let missing = field.data.iter().chain(twin.iter().flat_map(|t| &t.data)).any(|v| !v.is_finite());
    let mut panels = vec![("this image", plate(&field)?)];
    if let Some(twin) = &twin {
        panels.push(("its featureless twin", plate(twin)?));
    }
    let bar = data_uri("image/png", &strip(&map)?);
    let caption = caption(picture, &stretch, &map, missing);
    let alt = alt(picture, half);
    let draw = |theme| {
        let (lefts, top, side) = if twin.is_some() { PAIR } else { ALONE };
        let room = WIDTH - 2.0 * lefts[0];
        let warnings = picture.warning.map(|w| wrap(w, 13.5 * BOLD, room)).unwrap_or_default();
        let notes = wrap(&caption, 12.0, room);
        let strip_top = top + side + 46.0;
        let warnings_top = strip_top + if picture.orientation == Orientation::NorthUp { 98.0 } else { 72.0 };
        let notes_top = warnings_top + if warnings.is_empty() { 0.0 } else { 6.0 + 18.0 * warnings.len() as f64 };
        let mut canvas = Canvas::new(theme, notes_top + 16.0 * notes.len() as f64 + 8.0);
        canvas.heading(picture.object, picture.method, picture.subtitle);
        for (left, (label, raster)) in lefts.iter().zip(&panels) {
            let corner = (*left, top);
            canvas.png(corner, (side, side), raster);
            canvas.frame(corner, (side, side), Stroke::new(theme.rule, 1.0));
            if panels.len() > 1 {
                let style = TextStyle::new(13.5, theme.ink).bold().anchor(Anchor::Middle);
                canvas.text((left + side / 2.0, top - 44.0), style, label);
            }
            if picture.orientation == Orientation::NorthUp {
                Rim { corner, side, room: 26.0, spacing: 34.0, arrows: 1.0, turned_deg: 0.0 }
                    .draw(&mut canvas, &picture.directions);
            }
        }
        let lengths = LengthBars {
            unit: picture.length_unit,
            km_per_unit: picture.km_per_unit,
            drawn_per_unit: side / (2.0 * half),
            longest: 0.24 * 2.0 * half,
        };
        lengths.draw(&mut canvas, (lefts[0], strip_top + 6.0));
        let bar = ColourBar { strip: &bar, stretch, scale: 1.0, unit: picture.unit };
        bar.draw(&mut canvas, (lefts[0] + room / 2.0, strip_top), room / 2.0);
        if picture.orientation == Orientation::NorthUp {
            draw_legend(&mut canvas, lefts[0], strip_top + 66.0, &picture.directions);
        }
        for (i, line) in warnings.iter().enumerate() {
            let at = (lefts[0], warnings_top + 18.0 * i as f64);
            canvas.text(at, TextStyle::new(13.5, theme.warn).bold(), line);
        }
        for (i, line) in notes.iter().enumerate() {
            canvas.text((lefts[0], notes_top + 16.0 * i as f64), TextStyle::new(12.0, theme.muted), line);
        }
        canvas.finish(&alt)
    };
    let (svg_light, svg_dark) = in_both(draw);
    let (name, title) = (picture.name.to_string(), picture.method.to_string());
    Ok(Figure { name, title, caption, alt, svg_light, svg_dark })
}

/// One stretch for night and twin, from the night's pixels.
pub(crate) fn stretch_of(field: &Image, values: Values) -> (Stretch, ColourMap) {
    match values {
        Values::AboutZero => (Stretch::symmetric(field), colour::blue_amber()),
        Values::AboutOne => (Stretch::symmetric_about(field, 1.0), colour::blue_amber()),
        Values::Share => (Stretch::Linear { low: 0.0, high: 1.0 }, colour::dusk()),
        Values::Level => (Stretch::between(field, 0.01, 0.99), colour::dusk()),
    }
}

fn caption(picture: &EnhancedPicture, stretch: &Stretch, map: &ColourMap, missing: bool) -> String {
    let (low, high) = stretch.range();
    let value = |v: f64| format_value(v, if picture.values == Values::AboutOne { 4 } else { 3 });
    let inside = match picture.values {
        Values::AboutZero | Values::AboutOne => format!(" (99{THIN_SPACE}% of the pixels inside)"),
        Values::Level => format!(" (98{THIN_SPACE}% of the pixels inside)"),
        Values::Share => String::new(),
    };
    let equal = if picture.twin.is_some() { ", the same for both" } else { "" };
    let hatched = if missing { " Hatched grey: no answer." } else { "" };
    let lies = match picture.orientation {
        Orientation::NorthUp => "North up, east left, the comet in the middle.",
        Orientation::AsStored => {
            "As the image lies, first row at the bottom, the comet in the middle; the direction of north is not known."
        }
    };
    format!(
        "{} Stretch: linear from {} to {}{inside}{equal}; colour map: {}.{hatched} {lies}",
        sentence(picture.how),
        value(low),
        value(high),
        map.name
    )
}

fn alt(picture: &EnhancedPicture, half: f64) -> String {
    let what = match picture.values {
        Values::AboutZero | Values::AboutOne => "blue where fainter and amber where brighter",
        Values::Share | Values::Level => "dark where faint and pale where bright",
    };
    let lies = match picture.orientation {
        Orientation::NorthUp => "north up and east left",
        Orientation::AsStored => "as the image lies",
    };
    let width = fixed(2.0 * half, 0);
    let unit = if picture.length_unit == "″" { "arcseconds" } else { "pixels" };
    let beside = match picture.twin {
        Some(_) => "On the right the featureless twin through the same filter: what both show is the instrument.",
        None => "No featureless twin stands beside it.",
    };
    format!(
        "Square picture of {}, {}, {width} {unit} wide, {lies}, the comet in the middle: {what}. {beside}",
        picture.object, picture.method
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::Mask;

    fn picture<'a>(image: &'a Image, mask: &'a Mask, twin: Option<&'a Image>) -> EnhancedPicture<'a> {
        EnhancedPicture {
            name: "x",
            object: "C/2031 Z2",
            method: "unsharp ratio",
            subtitle: "2031-03-04",
            night: SkyPicture {
                image,
                mask,
                centre_x_px: 20.0,
                centre_y_px: 20.0,
                arcsec_per_px: [[-1.5, 0.0], [0.0, 1.5]],
                zero_point_mag: None,
            },
            twin,
            values: Values::AboutOne,
            unit: "ratio",
            orientation: Orientation::NorthUp,
            length_unit: "″",
            km_per_unit: Some(1000.0),
            half_width: None,
            directions: Directions { sunward_pa_deg: Some(90.0), ..Directions::default() },
            how: "Gaussian of 5 px",
            warning: None,
        }
    }

    #[test]
    fn night_and_twin_have_one_stretch_and_equal_panels() {
        let pixel = |i: usize| 1.0 + 0.1 * ((i % 41) as f32 / 41.0 - 0.5);
        let image = Image { width: 41, height: 41, data: (0..41 * 41).map(pixel).collect() };
        let (twin, mask) = (Image::filled(41, 41, 3.0), Mask::clear(41, 41));
        let pair = enhanced_figure(&picture(&image, &mask, Some(&twin))).expect("figure");
        assert_eq!(pair.svg_light.matches("width=\"262\"").count(), pair.svg_dark.matches("width=\"262\"").count());
        // two rasters, each with its frame
        assert_eq!(pair.svg_light.matches("width=\"262\"").count(), 4, "{}", &pair.svg_light[..600]);
        assert!(pair.svg_light.contains("featureless twin") && pair.caption.contains("the same for both"));
        // the stretch is the night's: the twin's 3 does not widen it
        assert!(pair.caption.contains("from 0.95"), "{}", pair.caption);
        let alone = enhanced_figure(&picture(&image, &mask, None)).expect("figure");
        assert!(!alone.caption.contains("for both") && alone.alt.contains("No featureless twin"));
        assert_eq!(alone.svg_light.matches("width=\"584\"").count(), 2);
        assert!(alone.svg_light.contains(">N<") && alone.svg_light.contains("km<"));
        // of the directions only the Sun's is known
        assert!(alone.svg_light.contains("toward the Sun") && !alone.svg_light.contains("against the orbital motion"));
        let other = Image::filled(40, 41, 1.0);
        let refused = enhanced_figure(&picture(&image, &mask, Some(&other)));
        assert!(matches!(refused, Err(PresentError::GridMismatch { what: "the twin", .. })));
    }

    #[test]
    fn without_a_wcs_there_is_no_compass() {
        let (image, mask) = (Image::filled(41, 41, 1.0), Mask::clear(41, 41));
        let known = picture(&image, &mask, None);
        let blind = EnhancedPicture {
            orientation: Orientation::AsStored,
            length_unit: " px",
            km_per_unit: None,
            ..known.clone()
        };
        let (known, blind) = (enhanced_figure(&known).expect("figure"), enhanced_figure(&blind).expect("figure"));
        assert!(known.svg_light.contains("N north, E east") && !blind.svg_light.contains("N north, E east"));
        assert!(
            blind.svg_light.contains(" px<") && blind.caption.contains("not known") && !blind.svg_light.contains("km<")
        );
    }
}
