//! The figure `twin`: the night above, its featureless twin below, four renderings of each.

use super::marks::{Legend, Mark, Verdict, marks, marks_in_words, style_words};
use super::{StructurePictures, area_arcsec, kernel_fwhm_arcsec};
use crate::apart::part;
use crate::colour::{self, ColourMap};
use crate::contour_lines::{self, Isophote};
use crate::picture::{OVER_DARK, OVER_PALE, exposure_words, half_width_arcsec, lower_first, sentence, subtitle};
use crate::rim::{Directions, Rim, draw_legend};
use crate::scale_bars::{ColourBar, LengthBars};
use crate::sky::{SkyPicture, north_up};
use crate::stretch::{Plate, Stretch, strip};
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, WIDTH, data_uri, wrap};
use crate::theme::in_both;
use crate::{Figure, NightPictures, PresentError};
use fanlight_image::{Image, smooth};
use fanlight_record::NightRecord;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_percent, format_utc, format_value};
use rayon::prelude::*;

/// Pixels along a side: 250 per inch over the 37 mm of a picture; smoothed pictures need no more.
const RASTER_PX: usize = 360;
const SIDE: f64 = 147.0;
const LEFT: f64 = 34.0;
const TOP: f64 = 92.0;
/// Between columns, between rows, and from the first row's top to the colour bars.
const GAP: f64 = 14.0;
const ROW_GAP: f64 = 20.0;
const BARS_BELOW: f64 = SIDE + ROW_GAP + SIDE + 18.0;
const KEY_TOP: f64 = TOP + BARS_BELOW + 62.0;
/// Width of the four columns, and height of the two rows with their colour bars.
pub(crate) const GRID: (f64, f64) = (4.0 * SIDE + 3.0 * GAP, BARS_BELOW + 50.0);
/// Distance of a feature's number from its outer end, and the least and greatest from the middle of the picture, as
/// shares of half its side: numbers cover neither the bright coma nor the rim.
const NUMBERS_BEYOND: f64 = 0.13;
const NUMBERS_WITHIN: (f64, f64) = (0.5, 0.87);
/// Least angle between two numbers.
const NUMBERS_APART_DEG: f64 = 20.0;
const TITLES: [&str; 4] = ["The light", "With isophotes", "Rotational gradient", "Divided by the twin"];

/// One column: its two pictures, night and twin, under one stretch.
struct Column {
    pictures: [String; 2],
    bar: String,
    stretch: Stretch,
    bar_scale: f64,
    unit: &'static str,
}

/// The four renderings of night and twin, and what is to be said of them.
pub(crate) struct Renderings<'a> {
    columns: [Column; 4],
    /// Isophotes of the night and of the twin.
    isophotes: Vec<Vec<Isophote>>,
    half_arcsec: f64,
    pub(crate) marks: Vec<Mark<'a>>,
    directions: Directions,
    /// Stretches, colour maps, smoothing.
    pub(crate) how: String,
}

impl<'a> Renderings<'a> {
    /// Draws the rasters.
    pub(crate) fn new(
        night: &'a NightRecord,
        pictures: &NightPictures,
        structure: &StructurePictures,
    ) -> Result<Self, PresentError> {
        let light = &pictures.light;
        let half = half_width(night, light);
        let up = |image: &Image| north_up(&light.with_image(image, light.mask), half, RASTER_PX);
        let images = [
            light.image,
            structure.twin_realisation,
            structure.twin,
            pictures.rotational_gradient,
            structure.twin_gradient,
        ];
        let realisation = light.with_image(structure.twin_realisation, light.mask);
        let (resampled, (isophotes, isophote_words)) = rayon::join(
            || images.par_iter().map(|i| up(i)).collect::<Vec<Image>>(),
            || contour_lines::shared(night, &[*light, realisation], half),
        );
        let [night_up, realisation_up, twin_up, gradient_up, twin_gradient_up] = &resampled[..] else {
            return Err(PresentError::NoPixels);
        };
        let fwhm_arcsec = kernel_fwhm_arcsec(night, light);
        let sigma_px = fwhm_arcsec / 2.354_82 * RASTER_PX as f64 / (2.0 * half);
        let ratios: Vec<Image> = ratios([night_up, realisation_up], twin_up, sigma_px);
        let gradients: Vec<Image> =
            [gradient_up, twin_gradient_up].par_iter().map(|i| known(i, smooth::gaussian(i, sigma_px))).collect();

        let neutral = Stretch::neutral(night_up, night.stack.sky_noise_e_per_s_px);
        let symmetric = searched_stretch(&gradients[0], night, half);
        let of_ratio = searched_stretch(&ratios[0], night, half);
        let per_px = light.pixel_area_arcsec2();
        let plates: Vec<Plate> = [
            (night_up, neutral),
            (realisation_up, neutral),
            (&gradients[0], symmetric),
            (&gradients[1], symmetric),
            (&ratios[0], of_ratio),
            (&ratios[1], of_ratio),
        ]
        .par_iter()
        .map(|(image, stretch)| Plate::new(image, stretch))
        .collect::<Result<_, _>>()?;
        let column = |first: usize, map: &ColourMap, stretch, bar_scale, unit| -> Result<Column, PresentError> {
            let picture = |i: usize| data_uri("image/png", &plates[i].coloured(map));
            let bar = data_uri("image/png", &strip(map)?);
            Ok(Column { pictures: [picture(first), picture(first + 1)], bar, stretch, bar_scale, unit })
        };
        let (dusk, grey, diverging) = (colour::dusk(), colour::grey(), colour::blue_amber());
        let columns = [
            column(0, &dusk, neutral, per_px, "e/s/arcsec²")?,
            column(0, &grey, neutral, per_px, "e/s/arcsec²")?,
            column(2, &diverging, symmetric, 1.0, "e/s per pixel")?,
            column(4, &diverging, of_ratio, 0.01, "over the twin, %")?,
        ];
        let marks = marks(night);
        let missing = night_up.data.iter().any(|v| !v.is_finite());
        let (low, high) = neutral.range();
        let how = format!(
            "Above the night, below its featureless twin with noise like the night's; each column has one stretch. The light \
             and isophotes: asinh from {} to {}{THIN_SPACE}e/s/arcsec²; colour maps: {}, and grey. {isophote_words} Rotational \
             gradient, smoothed to {}″, linear, ±{}{THIN_SPACE}e/s per pixel: {} Divided by the twin: smoothed likewise, over the twin \
             without noise, linear, ±{} about equality. Colour map of both: {}.{}{}",
            format_value(low / per_px, 2),
            format_value(high / per_px, 2),
            dusk.name,
            fixed(fwhm_arcsec, 1),
            format_value(symmetric.range().1, 2),
            lower_first(&sentence(&pictures.gradient_description)),
            format_percent(of_ratio.range().1),
            diverging.name,
            style_words(&marks),
            if missing { " Hatched grey: no good data." } else { "" },
        );
        let directions = Directions::of(&night.geometry);
        Ok(Self { columns, isophotes, half_arcsec: half, marks, directions, how })
    }

    /// Two rows of four pictures with their colour bars, names and marks; the first picture's left edge and top at `corner`.
    pub(crate) fn draw(&self, canvas: &mut Canvas, (first_left, first_top): (f64, f64)) {
        let theme = canvas.theme;
        let tops = [first_top, first_top + SIDE + ROW_GAP];
        for (row, name) in ["the night", "its twin"].into_iter().enumerate() {
            let at = (first_left - 14.0, tops[row] + SIDE / 2.0);
            canvas.text(at, TextStyle::new(13.5, theme.ink).bold().anchor(Anchor::Middle).upward(), name);
        }
        for (i, column) in self.columns.iter().enumerate() {
            let left = first_left + i as f64 * (SIDE + GAP);
            let title = TextStyle::new(13.0, theme.ink).bold().anchor(Anchor::Middle);
            canvas.text((left + SIDE / 2.0, first_top - 15.0), title, TITLES[i]);
            for (row, top) in tops.into_iter().enumerate() {
                canvas.png((left, top), (SIDE, SIDE), &column.pictures[row]);
                if i == 1 {
                    draw_isophotes(canvas, (left, top), &self.isophotes[row]);
                }
                canvas.frame((left, top), (SIDE, SIDE), Stroke::new(theme.rule, 1.0));
                let rim =
                    Rim { corner: (left, top), side: SIDE, room: 0.0, spacing: 0.0, arrows: 0.6, turned_deg: 0.0 };
                rim.draw_arrows(canvas, &self.directions);
            }
            // features where they are looked for; what the twin shows as well, in its row too
            for (row, top) in tops.into_iter().enumerate().filter(|_| i >= 2) {
                let shown: Vec<&Mark> =
                    self.marks.iter().filter(|m| row == 0 || (i == 2 && m.verdict == Verdict::Artefact)).collect();
                draw_marks(canvas, (left, top), self.half_arcsec, &shown);
            }
            let bar =
                ColourBar { strip: &column.bar, stretch: column.stretch, scale: column.bar_scale, unit: column.unit };
            bar.draw(canvas, (left, first_top + BARS_BELOW), SIDE);
        }
    }

    /// The key to the rim's signs, from its top left corner on: 110 units high.
    pub(crate) fn draw_key(&self, canvas: &mut Canvas, (left, top): (f64, f64)) {
        let theme = canvas.theme;
        let key = Rim {
            corner: (left + 24.0, top + 26.0),
            side: 50.0,
            room: 20.0,
            spacing: 27.0,
            arrows: 0.7,
            turned_deg: 0.0,
        };
        canvas.frame(key.corner, (key.side, key.side), Stroke::new(theme.rule, 1.0));
        canvas.dot((key.corner.0 + key.side / 2.0, key.corner.1 + key.side / 2.0), 2.5, theme.ink);
        key.draw(canvas, &self.directions);
    }

    /// Bars of length.
    pub(crate) fn draw_lengths(&self, canvas: &mut Canvas, corner: (f64, f64), km_per_arcsec: f64) {
        let lengths = LengthBars {
            unit: "″",
            km_per_unit: Some(km_per_arcsec),
            drawn_per_unit: SIDE / (2.0 * self.half_arcsec),
            longest: 0.4 * 2.0 * self.half_arcsec,
        };
        lengths.draw(canvas, corner);
    }

    /// What the rim's signs mean, in one line.
    pub(crate) fn draw_signs(&self, canvas: &mut Canvas, left: f64, y: f64) {
        draw_legend(canvas, left, y, &self.directions);
    }

    /// The same for readers who cannot see it.
    pub(crate) fn alt(&self, night: &NightRecord) -> String {
        alt(night, self.half_arcsec, &self.marks)
    }
}

/// Night and twin, four pictures each.
pub(super) fn twin(
    night: &NightRecord,
    pictures: &NightPictures,
    structure: &StructurePictures,
) -> Result<Figure, PresentError> {
    let renderings = Renderings::new(night, pictures, structure)?;
    let marks = &renderings.marks;
    let what = format!("{} {}", exposure_words(night), renderings.how);
    let caption = format!(
        "{what} What both rows show is the instrument. North up, east left, the comet in the middle of every picture."
    );
    let alt = renderings.alt(night);
    let (svg_light, svg_dark) = in_both(|theme| {
        let notes = wrap(&what, 12.0, WIDTH - LEFT - 16.0);
        let legend = Legend::new(marks, WIDTH - 330.0 - 16.0);
        let legend_top = KEY_TOP + if legend.height() < 84.0 { 4.0 } else { 0.0 };
        let signs_top = KEY_TOP + legend.height().max(100.0) + 14.0;
        let notes_top = signs_top + 32.0;
        let mut canvas = Canvas::new(theme, notes_top + 16.0 * notes.len() as f64 + 4.0);
        canvas.heading(&night.object, "the night and its twin", &subtitle(night));
        renderings.draw(&mut canvas, (LEFT, TOP));
        renderings.draw_key(&mut canvas, (LEFT, KEY_TOP));
        renderings.draw_lengths(&mut canvas, (160.0, KEY_TOP + 36.0), night.geometry.km_per_arcsec);
        if marks.is_empty() {
            canvas.text((330.0, KEY_TOP + 40.0), TextStyle::new(12.0, theme.ink), "No feature is marked.");
        }
        legend.draw(&mut canvas, (330.0, legend_top), theme.ink);
        renderings.draw_signs(&mut canvas, LEFT, signs_top);
        for (i, line) in notes.iter().enumerate() {
            canvas.text((LEFT, notes_top + 16.0 * i as f64), TextStyle::new(12.0, theme.muted), line);
        }
        canvas.finish(&alt)
    });
    Ok(Figure { name: "twin".into(), title: "The night and its twin".into(), caption, alt, svg_light, svg_dark })
}

/// Half the side of the pictures: a little more than the searched area, no further than the data reach.
fn half_width(night: &NightRecord, light: &SkyPicture) -> f64 {
    let usual = half_width_arcsec(night, light);
    let reach = light.inscribed_half_width_arcsec();
    let pixel = light.pixel_area_arcsec2().sqrt();
    area_arcsec(night).map_or(usual, |(_, outer)| (1.12 * outer).min(reach).max(8.0 * pixel))
}

/// Each image over the twin, less 1, both smoothed alike; NaN where the image is not known or the twin not bright.
fn ratios(images: [&Image; 2], twin: &Image, sigma_px: f64) -> Vec<Image> {
    let [a, b] = images;
    let smoothed: Vec<Image> = [a, b, twin].par_iter().map(|i| smooth::gaussian(i, sigma_px)).collect();
    let under = &smoothed[2];
    let over = [a, b].into_iter().zip(&smoothed);
    over.map(|(raw, smooth)| {
        let value = |i: usize| {
            let ratio = smooth.data[i] / under.data[i] - 1.0;
            if raw.data[i].is_finite() && under.data[i] > 0.0 { ratio } else { f32::NAN }
        };
        Image { data: (0..raw.data.len()).map(value).collect(), ..*smooth }
    })
    .collect()
}

/// The image where the raw one is known; smoothing fills gaps, and what stands there would be a guess.
fn known(raw: &Image, mut image: Image) -> Image {
    image.data.iter_mut().zip(&raw.data).filter(|(_, r)| !r.is_finite()).for_each(|(v, _)| *v = f32::NAN);
    image
}

/// Symmetric about 0, holding 99 % of the searched area.
fn searched_stretch(image: &Image, night: &NightRecord, half: f64) -> Stretch {
    let (inner, outer) = area_arcsec(night).unwrap_or((0.0, half));
    let arcsec_per_px = 2.0 * half / image.width as f64;
    let middle = (image.width as f64 - 1.0) / 2.0;
    let inside = |i: &usize| {
        let (x, y) = ((i % image.width) as f64 - middle, (i / image.width) as f64 - middle);
        (inner..=outer).contains(&(x.hypot(y) * arcsec_per_px))
    };
    let data: Vec<f32> = (0..image.data.len()).filter(inside).map(|i| image.data[i]).collect();
    Stretch::symmetric(&Image { width: data.len(), height: 1, data })
}

fn draw_isophotes(canvas: &mut Canvas, corner: (f64, f64), isophotes: &[Isophote]) {
    for line in isophotes.iter().flat_map(|i| &i.lines) {
        let points: Vec<_> = line.iter().map(|(u, v)| (corner.0 + u * SIDE, corner.1 + v * SIDE)).collect();
        canvas.polyline(&points, Stroke::new(OVER_DARK, 1.8));
        canvas.polyline(&points, Stroke::new(OVER_PALE, 0.9));
    }
}

/// Ridge lines with their numbers near the rim, where they cover no coma.
fn draw_marks(canvas: &mut Canvas, corner: (f64, f64), half: f64, marks: &[&Mark]) {
    let middle = (corner.0 + SIDE / 2.0, corner.1 + SIDE / 2.0);
    let place = |rho_arcsec: f64, pa_deg: f64| {
        let (sin, cos) = pa_deg.to_radians().sin_cos();
        let scale = SIDE / (2.0 * half);
        (middle.0 - rho_arcsec * scale * sin, middle.1 - rho_arcsec * scale * cos)
    };
    for mark in marks {
        let inside = mark.ridge.iter().filter(|p| p.rho_arcsec <= half);
        let points: Vec<_> = inside.map(|p| place(p.rho_arcsec, p.pa_deg)).collect();
        mark.draw_over(canvas, &points);
    }
    let mut ends: Vec<f64> = marks.iter().map(|m| m.label_pa_deg()).collect();
    part(&mut ends, &[], NUMBERS_APART_DEG, 360.0);
    for (mark, pa) in marks.iter().zip(ends) {
        let end = mark.ridge.iter().fold(0.0f64, |end, p| end.max(p.rho_arcsec)) / half + NUMBERS_BEYOND;
        let (x, y) = place(half * end.clamp(NUMBERS_WITHIN.0, NUMBERS_WITHIN.1), pa);
        let style = TextStyle::new(12.5, OVER_PALE).bold().anchor(Anchor::Middle).halo(OVER_DARK);
        canvas.text((x, y + 4.5), style, &mark.number.to_string());
    }
}

fn alt(night: &NightRecord, half: f64, marks: &[Mark]) -> String {
    let g = &night.geometry;
    format!(
        "Two rows of four square pictures of {} at {}, each {} arcseconds wide, north up and east left: above the night, below \
         its featureless twin, a smooth coma imaged as the night was. From left to right: the light, the light with lines of \
         equal brightness, what differs from a rotated copy of itself, and what is brighter (amber) or fainter (blue) than \
         the twin. {} The Sun lies toward position angle {}°, the tail direction away from the Sun is {}°.",
        night.object,
        format_utc(&night.mid_utc),
        fixed(2.0 * half, 0),
        marks_in_words(marks),
        fixed(g.sunward_pa_deg, 0),
        fixed(g.antisolar_pa_deg, 0)
    )
}
