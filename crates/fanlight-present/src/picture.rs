//! The four pictures of the sky: one layout, one scale, orientation at the rim.
//!
//! The picture is a square with a rim around it. Everything that tells direction stands in the rim, everything that
//! tells scale in the strip below, so that nothing covers the coma.

use crate::colour::{self, ColourMap};
use crate::contour_lines::{self, Isophote};
use crate::rim::{Directions, Rim, draw_legend};
use crate::scale_bars::{ColourBar, LengthBars};
use crate::sky::{SkyPicture, north_up};
use crate::stretch::{Plate, Stretch, strip};
use crate::svg::{Anchor, BOLD, Canvas, Stroke, TextStyle, WIDTH, data_uri, wrap};
use crate::theme::in_both;
use crate::{Figure, NightPictures, PresentError};
use fanlight_record::NightRecord;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_round, format_utc, format_value};
use rayon::prelude::*;

/// Pixels along a side of the embedded raster: 300 per inch over the 150 mm square would be 1770, but the stack seldom
/// holds a third of that; the renderer's smooth scaling does the rest.
const RASTER_PX: usize = 960;
/// Side of the square, in units.
const SIDE: f64 = 584.0;
const LEFT: f64 = (WIDTH - SIDE) / 2.0;
const TOP: f64 = 102.0;
const RIM: Rim = Rim { corner: (LEFT, TOP), side: SIDE, room: 26.0, spacing: 34.0, arrows: 1.0, turned_deg: 0.0 };
/// Lines over a raster: not theme colours, since the raster is the same in both themes.
pub(crate) const OVER_PALE: &str = "#ffe9b8";
pub(crate) const OVER_DARK: &str = "#10141a";

/// The pictures `light`, `isophotes`, `inverted` and `gradient`.
pub(crate) fn sky_figures(night: &NightRecord, pictures: &NightPictures) -> Result<Vec<Figure>, PresentError> {
    let light = &pictures.light;
    light.check()?;
    let gradient = pictures.rotational_gradient;
    if (gradient.width, gradient.height) != (light.image.width, light.image.height) {
        return Err(PresentError::GridMismatch {
            what: "the rotational gradient",
            width: gradient.width,
            height: gradient.height,
            expected_width: light.image.width,
            expected_height: light.image.height,
        });
    }
    let half = half_width_arcsec(night, light);
    let of_light = || {
        let field = north_up(light, half, RASTER_PX);
        let neutral = Stretch::neutral(&field, night.stack.sky_noise_e_per_s_px);
        let missing = field.data.iter().any(|v| !v.is_finite());
        Plate::new(&field, &neutral).map(|plate| (plate, neutral, missing))
    };
    let of_gradient = || {
        let filtered = north_up(&light.with_image(gradient, light.mask), half, RASTER_PX);
        let symmetric = Stretch::symmetric(&filtered);
        Plate::new(&filtered, &symmetric).map(|plate| (plate, symmetric))
    };
    let isophotes = || contour_lines::isophotes(night, light, half);
    let ((of_light, of_gradient), isophotes) = rayon::join(|| rayon::join(of_light, of_gradient), isophotes);
    let ((field, neutral, missing), (filtered, symmetric)) = (of_light?, of_gradient?);
    let has_twin = pictures.structure.is_some();
    let unit = "brightness, e/s/arcsec²";
    let per_px = light.pixel_area_arcsec2();
    let view = |name: &'static str, title: &'static str, plate, stretch, map, bar_unit, bar_scale| View {
        name,
        title,
        plate,
        stretch,
        map,
        bar_unit,
        bar_scale,
        half_width_arcsec: half,
        has_twin,
        isophotes: &[],
        how: String::new(),
        warning: None,
    };
    let stretched = |map: &ColourMap| {
        let (low, high) = neutral.range();
        format!(
            "Stretch: asinh from {} to {}{THIN_SPACE}e/s/arcsec²; colour map: {}.",
            format_value(low / per_px, 2),
            format_value(high / per_px, 2),
            map.name
        )
    };
    let (dusk, grey, inverted, diverging) =
        (colour::dusk(), colour::grey(), colour::inverted_grey(), colour::blue_amber());
    let (_, limit) = symmetric.range();
    let views = [
        View { how: stretched(&dusk), ..view("light", "The light", &field, neutral, dusk.clone(), unit, per_px) },
        View {
            how: format!("{} {}", isophotes.description, stretched(&grey)),
            isophotes: &isophotes.lines,
            ..view("isophotes", "Brightness with isophotes", &field, neutral, grey.clone(), unit, per_px)
        },
        View {
            how: stretched(&inverted),
            ..view("inverted", "The light, inverted for print", &field, neutral, inverted.clone(), unit, per_px)
        },
        View {
            how: format!(
                "{}{} Stretch: linear and symmetric, ±{}{THIN_SPACE}e/s per pixel (99{THIN_SPACE}% of the pixels inside); colour map: {}.",
                sentence(&pictures.gradient_description),
                if has_twin {
                    " Rays that the featureless twin shows as well, in the figure of both, are the instrument's."
                } else {
                    ""
                },
                format_value(limit, 2),
                diverging.name
            ),
            warning: (!has_twin).then_some(
                "No featureless twin stands beside this picture: without one, rays in it are no evidence of structure.",
            ),
            ..view(
                "gradient",
                "Rotational gradient",
                &filtered,
                symmetric,
                diverging.clone(),
                "brighter (+) or fainter (−), e/s per pixel",
                1.0,
            )
        },
    ];
    views.par_iter().map(|v| v.figure(night, missing)).collect()
}

/// One square to draw.
struct View<'a> {
    name: &'static str,
    title: &'static str,
    plate: &'a Plate,
    stretch: Stretch,
    map: ColourMap,
    bar_unit: &'static str,
    /// What a value is divided by for the colour bar.
    bar_scale: f64,
    half_width_arcsec: f64,
    /// Whether the night's featureless twin is shown in a figure of its own.
    has_twin: bool,
    isophotes: &'a [Isophote],
    how: String,
    warning: Option<&'static str>,
}

impl View<'_> {
    fn figure(&self, night: &NightRecord, missing: bool) -> Result<Figure, PresentError> {
        let picture = data_uri("image/png", &self.plate.coloured(&self.map));
        let bar = data_uri("image/png", &strip(&self.map)?);
        let hatched = if missing { " Hatched grey: no good data." } else { "" };
        let what = format!("{} {}{hatched}", exposure_words(night), self.how);
        let caption = format!("{what} North up, east left, the comet in the middle.");
        let alt = self.alt(night);
        let (svg_light, svg_dark) = in_both(|theme| {
            let notes = wrap(&what, 12.0, SIDE);
            let warnings = self.warning.map(|w| wrap(w, 13.5 * BOLD, SIDE)).unwrap_or_default();
            let strip_top = TOP + SIDE + 46.0;
            let notes_top =
                strip_top + 98.0 + if warnings.is_empty() { 0.0 } else { 6.0 + 18.0 * warnings.len() as f64 };
            let mut canvas = Canvas::new(theme, notes_top + 16.0 * notes.len() as f64 + 8.0);
            canvas.heading(&night.object, &lower_first(self.title), &subtitle(night));
            canvas.png((LEFT, TOP), (SIDE, SIDE), &picture);
            self.draw_isophotes(&mut canvas);
            canvas.frame((LEFT, TOP), (SIDE, SIDE), Stroke::new(theme.rule, 1.0));
            let directions = Directions::of(&night.geometry);
            RIM.draw(&mut canvas, &directions);
            self.draw_scales(&mut canvas, night, strip_top, &bar);
            draw_legend(&mut canvas, LEFT, strip_top + 66.0, &directions);
            for (i, line) in warnings.iter().enumerate() {
                let at = (LEFT, strip_top + 98.0 + 18.0 * i as f64);
                canvas.text(at, TextStyle::new(13.5, theme.warn).bold(), line);
            }
            for (i, line) in notes.iter().enumerate() {
                canvas.text((LEFT, notes_top + 16.0 * i as f64), TextStyle::new(12.0, theme.muted), line);
            }
            canvas.finish(&alt)
        });
        Ok(Figure { name: self.name.into(), title: self.title.into(), caption, alt, svg_light, svg_dark })
    }

    fn alt(&self, night: &NightRecord) -> String {
        let g = &night.geometry;
        let width = fixed(2.0 * self.half_width_arcsec, 0);
        let direction = format!(
            "The Sun lies toward position angle {}°, the tail direction away from the Sun is {}°.",
            fixed(g.sunward_pa_deg, 0),
            fixed(g.antisolar_pa_deg, 0)
        );
        let what = match self.name {
            "gradient" if self.has_twin => {
                "what differs from a rotated copy of itself, in blue where fainter and amber where brighter; rays that its \
                 featureless twin shows as well, in the figure of both, are the instrument's"
            }
            "gradient" => {
                "what differs from a rotated copy of itself, in blue where fainter and amber where brighter; with no \
                 featureless twin to compare, its rays are no evidence"
            }
            "isophotes" => "brightness in grey with lines of equal brightness around it",
            "inverted" => "the light as dark on white",
            _ => "the light of the coma, brightest in the middle and fading outward",
        };
        format!(
            "Square picture of {} at {}, {width} arcseconds wide, north up and east left, the comet in the middle: {what}. {direction}",
            night.object,
            format_utc(&night.mid_utc)
        )
    }

    fn draw_isophotes(&self, canvas: &mut Canvas) {
        let place = |(u, v): (f64, f64)| (LEFT + u * SIDE, TOP + v * SIDE);
        for isophote in self.isophotes {
            for line in &isophote.lines {
                let points: Vec<_> = line.iter().map(|p| place(*p)).collect();
                canvas.polyline(&points, Stroke::new(OVER_DARK, 2.6));
                canvas.polyline(&points, Stroke::new(OVER_PALE, 1.2));
            }
        }
        for isophote in self.isophotes {
            if let Some(at) = isophote.label_at {
                let (x, y) = place(at);
                let style = TextStyle::new(12.5, OVER_PALE).anchor(Anchor::Middle).halo(OVER_DARK);
                canvas.text((x, y + 4.5), style, &isophote.label);
            }
        }
    }

    /// Bars for arcsec and km on the left, the colour bar on the right.
    fn draw_scales(&self, canvas: &mut Canvas, night: &NightRecord, top: f64, bar: &str) {
        let lengths = LengthBars {
            unit: "″",
            km_per_unit: Some(night.geometry.km_per_arcsec),
            drawn_per_unit: SIDE / (2.0 * self.half_width_arcsec),
            longest: 0.24 * 2.0 * self.half_width_arcsec,
        };
        lengths.draw(canvas, (LEFT, top + 6.0));
        let bar = ColourBar { strip: bar, stretch: self.stretch, scale: self.bar_scale, unit: self.bar_unit };
        bar.draw(canvas, (LEFT + 300.0, top), SIDE - 300.0);
    }
}

/// Half the side of the pictures: four times the largest aperture (with none, out to the last ring of the profile),
/// no further than the data reach, but never under one and a half apertures or 8 pixels.
pub(crate) fn half_width_arcsec(night: &NightRecord, picture: &SkyPicture) -> f64 {
    let widest = |values: &mut dyn Iterator<Item = f64>| {
        values.filter(|v| v.is_finite() && *v > 0.0).fold(None, |m: Option<f64>, v| Some(m.map_or(v, |m| m.max(v))))
    };
    let pixel = picture.pixel_area_arcsec2().sqrt();
    let reach = picture.inscribed_half_width_arcsec();
    let aperture = widest(&mut night.photometry.iter().map(|p| p.aperture_arcsec));
    let ring = widest(&mut night.profile.iter().map(|p| p.outer_arcsec));
    let wanted = aperture.map(|a| 4.0 * a).or(ring).unwrap_or(reach);
    let diagonal = (picture.image.width + picture.image.height) as f64 * pixel;
    let least = aperture.map_or(0.0, |a| 1.5 * a).min(diagonal).max(8.0 * pixel);
    wanted.min(reach).max(least)
}

/// Date and place under the title.
pub(crate) fn subtitle(night: &NightRecord) -> String {
    let mut parts = vec![format_utc(&night.mid_utc)];
    parts.extend(night.setup.filter.as_ref().map(|f| format!("filter {f}")));
    parts.extend(night.setup.telescope.clone());
    parts.extend(night.setup.site.clone());
    if night.setup.simulated {
        parts.push("simulated frames".to_string());
    }
    parts.join(" · ")
}

/// Frames, exposure, filter, telescope: the caption strip.
pub(crate) fn exposure_words(night: &NightRecord) -> String {
    let stack = &night.stack;
    let mut lengths: Vec<f64> = night.frames.iter().filter(|f| f.used).filter_map(|f| f.exposure_s).collect();
    lengths.dedup();
    let n = stack.n_frames;
    let frames = match lengths.as_slice() {
        [one] => format!("{n} × {}{THIN_SPACE}s", format_round(*one, 4)),
        _ if n == 1 => "1 frame".to_string(),
        _ => format!("{n} frames"),
    };
    let total = if stack.exposure_s >= 120.0 {
        format!("{}{THIN_SPACE}min", format_round(stack.exposure_s / 60.0, 3))
    } else {
        format!("{}{THIN_SPACE}s", format_round(stack.exposure_s, 3))
    };
    let filter = night.setup.filter.as_ref().map(|f| format!(", filter {f}")).unwrap_or_default();
    let telescope = night.setup.telescope.as_ref().map(|t| format!(", {t}")).unwrap_or_default();
    format!(
        "{}: {n} {} combined on the comet's motion ({frames}, {total} in all){filter}{telescope}.",
        format_utc(&night.mid_utc),
        if n == 1 { "frame" } else { "frames" }
    )
}

pub(crate) fn lower_first(title: &str) -> String {
    let mut letters = title.chars();
    letters.next().map(|first| first.to_lowercase().chain(letters).collect()).unwrap_or_default()
}

/// Words as a sentence with its full stop.
pub(crate) fn sentence(words: &str) -> String {
    let words = words.trim();
    if words.is_empty() || words.ends_with('.') { words.to_string() } else { format!("{words}.") }
}
