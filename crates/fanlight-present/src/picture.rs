//! The four pictures of the sky: one layout, one scale, orientation at the rim.
//!
//! The picture is a square with a rim around it. Everything that tells direction stands in the rim, everything that
//! tells scale in the strip below, so that nothing covers the coma.

use crate::colour::{self, ColourMap};
use crate::contour_lines::{self, Isophote};
use crate::sky::{SkyPicture, north_up};
use crate::stretch::{Plate, Stretch, strip};
use crate::svg::{Anchor, BOLD, Canvas, Stroke, TextStyle, WIDTH, data_uri, text_width, wrap};
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
/// Distance of the rim's letters from the square.
const RIM: f64 = 26.0;
/// Least distance between letters along the rim.
const RIM_SPACING: f64 = 34.0;
/// Lines over a raster: not theme colours, since the raster is the same in both themes.
const OVER_PALE: &str = "#ffe9b8";
const OVER_DARK: &str = "#10141a";

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
                "{} Stretch: linear and symmetric, ±{}{THIN_SPACE}e/s per pixel (99{THIN_SPACE}% of the pixels inside); colour map: {}.",
                sentence(&pictures.gradient_description),
                format_value(limit, 2),
                diverging.name
            ),
            warning: Some(
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
            let g = &night.geometry;
            let directions = Directions {
                sunward_pa_deg: Some(g.sunward_pa_deg),
                antisolar_pa_deg: Some(g.antisolar_pa_deg),
                negative_velocity_pa_deg: Some(g.negative_velocity_pa_deg),
            };
            draw_rim(&mut canvas, Square { left: LEFT, top: TOP, side: SIDE }, &directions);
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
        let lengths = Lengths { unit: "″", km_per_unit: Some(night.geometry.km_per_arcsec) };
        draw_lengths(canvas, (LEFT, top), SIDE, self.half_width_arcsec, &lengths);
        let ticks = |width| bar_ticks(&self.stretch, self.bar_scale, width);
        draw_colour_bar(canvas, (LEFT + 300.0, top), SIDE - 300.0, &self.stretch, ticks, self.bar_unit, bar);
    }
}

/// Where a picture stands on the sheet.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Square {
    pub left: f64,
    pub top: f64,
    pub side: f64,
}

/// What the bars measure.
pub(crate) struct Lengths {
    /// Unit of the picture's coordinates, as it follows a number.
    pub unit: &'static str,
    /// km at the comet per unit, where known.
    pub km_per_unit: Option<f64>,
}

/// A bar of round length, and one for km where they are known, for a square of `side` that shows `half_width` to each side.
pub(crate) fn draw_lengths(canvas: &mut Canvas, at: (f64, f64), side: f64, half_width: f64, lengths: &Lengths) {
    let theme = canvas.theme;
    let per_unit = side / (2.0 * half_width);
    let longest = 0.24 * 2.0 * half_width;
    let length = round_below(longest);
    let mut bars = vec![(length * per_unit, format!("{}{}", format_round(length, 3), lengths.unit))];
    if let Some(km_per_unit) = lengths.km_per_unit.filter(|k| k.is_finite() && *k > 0.0) {
        let km = round_below(longest * km_per_unit);
        bars.push((km / km_per_unit * per_unit, format!("{}{THIN_SPACE}km", fixed(km, 0))));
    }
    for (i, (length, label)) in bars.iter().enumerate() {
        let y = at.1 + 6.0 + 26.0 * i as f64;
        let ink = Stroke::new(theme.ink, 2.0);
        canvas.line((at.0, y), (at.0 + length, y), ink);
        for x in [at.0, at.0 + length] {
            canvas.line((x, y - 5.0), (x, y + 5.0), ink);
        }
        canvas.text((at.0 + length + 10.0, y + 4.5), TextStyle::new(13.5, theme.ink), label);
    }
}

/// The colour bar with its ticks (value in the picture's unit, label) and unit.
pub(crate) fn draw_colour_bar(
    canvas: &mut Canvas,
    (x, top): (f64, f64),
    width: f64,
    stretch: &Stretch,
    ticks: impl Fn(f64) -> Vec<(f64, String)>,
    unit: &str,
    bar: &str,
) {
    let theme = canvas.theme;
    canvas.png((x, top), (width, 12.0), bar);
    canvas.frame((x, top), (width, 12.0), Stroke::new(theme.rule, 1.0));
    for (value, label) in ticks(width) {
        let at = x + width * stretch.place(value).unwrap_or(0.0);
        canvas.line((at, top + 12.0), (at, top + 17.0), Stroke::new(theme.ink, 1.0));
        canvas.text((at, top + 30.0), TextStyle::new(12.0, theme.ink).anchor(Anchor::Middle), &label);
    }
    let style = TextStyle::new(12.0, theme.muted).anchor(Anchor::Middle);
    canvas.text((x + width / 2.0, top + 46.0), style, unit);
}

/// Half the side of the pictures: four times the largest aperture (with none, out to the last ring of the profile),
/// no further than the data reach, but never under one and a half apertures or 8 pixels.
fn half_width_arcsec(night: &NightRecord, picture: &SkyPicture) -> f64 {
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
fn exposure_words(night: &NightRecord) -> String {
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

/// A letter of the rim: where its arrow stands and where the letter went to make room.
struct RimMark {
    pa_deg: f64,
    sign: Sign,
    /// Place of the letter along the rim, from the top left corner clockwise, in units.
    along: f64,
    fixed: bool,
}

#[derive(Clone, Copy, PartialEq)]
enum Sign {
    North,
    East,
    Sun,
    AntiSun,
    AntiVelocity,
}

/// Directions at the comet beside north and east, position angles in degrees; absent where not known.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Directions {
    /// Toward the Sun.
    pub sunward_pa_deg: Option<f64>,
    /// Away from the Sun.
    pub antisolar_pa_deg: Option<f64>,
    /// Against the orbital motion.
    pub negative_velocity_pa_deg: Option<f64>,
}

/// North, east and these directions around a north-up picture.
pub(crate) fn draw_rim(canvas: &mut Canvas, square: Square, directions: &Directions) {
    let theme = canvas.theme;
    let half = square.side / 2.0;
    let middle = (square.left + half, square.top + half);
    for mark in rim_marks(half, directions) {
        let colour = match mark.sign {
            Sign::North | Sign::East => theme.ink,
            Sign::Sun | Sign::AntiSun => theme.sun,
            Sign::AntiVelocity => theme.first,
        };
        // screen direction of a position angle: north up, east left
        let (sin, cos) = mark.pa_deg.to_radians().sin_cos();
        let (dx, dy) = (-sin, -cos);
        let exit = half / dx.abs().max(dy.abs());
        let foot = (middle.0 + dx * exit, middle.1 + dy * exit);
        let at = |along: f64, across: f64| (foot.0 + dx * along - dy * across, foot.1 + dy * along + dx * across);
        if mark.fixed {
            canvas.line(at(2.0, 0.0), at(10.0, 0.0), Stroke::new(colour, 1.6));
        } else {
            canvas.polygon(&[at(13.0, 0.0), at(3.0, 4.5), at(3.0, -4.5)], colour);
        }
        let letter = rim_point(mark.along, half + RIM);
        let letter = (middle.0 + letter.0, middle.1 + letter.1);
        let style = TextStyle::new(14.0, colour).bold().anchor(Anchor::Middle);
        let below = (letter.0, letter.1 + 5.0);
        match mark.sign {
            Sign::North => canvas.text(below, style, "N"),
            Sign::East => canvas.text(below, style, "E"),
            Sign::Sun => canvas.sun(letter, 7.0),
            Sign::AntiSun => draw_anti_sun(canvas, letter, 7.0),
            Sign::AntiVelocity => canvas.text(below, style, "−v"),
        }
    }
}

fn draw_anti_sun(canvas: &mut Canvas, at: (f64, f64), radius: f64) {
    let stroke = Stroke::new(canvas.theme.sun, 1.7);
    canvas.line((at.0 - 13.0, at.1), (at.0 - 6.5, at.1), stroke);
    canvas.sun((at.0 + 4.5, at.1), radius);
}

/// What the rim's signs mean, in one line.
pub(crate) fn draw_legend(canvas: &mut Canvas, left: f64, y: f64, directions: &Directions) {
    let theme = canvas.theme;
    let style = TextStyle::new(12.0, theme.ink);
    let mut x = left;
    let mut word = |canvas: &mut Canvas, room: f64, text: &str| {
        let at = x + room;
        canvas.text((at, y + 4.5), style, text);
        x = at + text_width(text, 12.0) + 20.0;
        x
    };
    let mut next = left;
    if directions.sunward_pa_deg.is_some() {
        canvas.sun((next + 7.0, y), 6.0);
        next = word(canvas, 20.0, "toward the Sun");
    }
    if directions.antisolar_pa_deg.is_some() {
        draw_anti_sun(canvas, (next + 13.0, y), 6.0);
        next = word(canvas, 30.0, "away from the Sun");
    }
    if directions.negative_velocity_pa_deg.is_some() {
        canvas.text((next, y + 4.5), TextStyle::new(12.5, theme.first).bold(), "−v");
        word(canvas, 22.0, "against the orbital motion");
    }
    word(canvas, 0.0, "N north, E east");
}

/// The rim's signs with letters at least [`RIM_SPACING`] apart; directions that are not finite are left out.
fn rim_marks(half: f64, directions: &Directions) -> Vec<RimMark> {
    let all = [
        (Some(0.0), Sign::North),
        (Some(90.0), Sign::East),
        (directions.sunward_pa_deg, Sign::Sun),
        (directions.antisolar_pa_deg, Sign::AntiSun),
        (directions.negative_velocity_pa_deg, Sign::AntiVelocity),
    ];
    let mut marks: Vec<RimMark> = all
        .into_iter()
        .filter_map(|(pa, sign)| pa.filter(|pa| pa.is_finite()).map(|pa| (pa, sign)))
        .map(|(pa_deg, sign)| RimMark {
            pa_deg,
            sign,
            along: along_rim(pa_deg, half + RIM),
            fixed: matches!(sign, Sign::North | Sign::East),
        })
        .collect();
    let around = 8.0 * (half + RIM);
    // letters of one direction part evenly; five marks settle within a few dozen rounds
    for _ in 0..200 {
        marks.sort_by(|a, b| a.along.total_cmp(&b.along));
        let n = marks.len();
        for i in 0..n {
            let j = (i + 1) % n;
            let gap = (marks[j].along - marks[i].along).rem_euclid(around);
            let lacking = RIM_SPACING - gap;
            if n > 1 && lacking > 1e-9 {
                let (first, second) = match (marks[i].fixed, marks[j].fixed) {
                    (true, _) => (0.0, lacking),
                    (_, true) => (lacking, 0.0),
                    _ => (lacking / 2.0, lacking / 2.0),
                };
                marks[i].along = (marks[i].along - first).rem_euclid(around);
                marks[j].along = (marks[j].along + second).rem_euclid(around);
            }
        }
    }
    marks
}

/// Where the ray at a position angle leaves a square of half-side `half`, along its rim from the top left clockwise.
fn along_rim(pa_deg: f64, half: f64) -> f64 {
    let (sin, cos) = pa_deg.to_radians().sin_cos();
    let (dx, dy) = (-sin, -cos);
    let scale = half / dx.abs().max(dy.abs());
    let (x, y) = (dx * scale, dy * scale);
    if dy < 0.0 && dy.abs() >= dx.abs() {
        x + half
    } else if dx > 0.0 && dx.abs() >= dy.abs() {
        2.0 * half + y + half
    } else if dy > 0.0 && dy.abs() >= dx.abs() {
        4.0 * half + half - x
    } else {
        6.0 * half + half - y
    }
}

/// The inverse of [`along_rim`]: offset from the middle.
fn rim_point(along: f64, half: f64) -> (f64, f64) {
    let side = 2.0 * half;
    let rest = along.rem_euclid(side) - half;
    match (along / side) as usize % 4 {
        0 => (rest, -half),
        1 => (half, rest),
        2 => (-rest, half),
        _ => (-half, -rest),
    }
}

/// The largest of 1, 2, 5 × 10ⁿ that is not above a value.
pub(crate) fn round_below(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let decade = 10f64.powf(value.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|m| m * decade).find(|v| *v <= value * (1.0 + 1e-9)).unwrap_or(decade)
}

/// Round values along a colour bar with room for their labels: value in the picture's unit, label in the bar's.
pub(crate) fn bar_ticks(stretch: &Stretch, scale: f64, width: f64) -> Vec<(f64, String)> {
    let (low, high) = stretch.range();
    let (low, high) = (low / scale, high / scale);
    let top = low.abs().max(high.abs());
    let mut candidates = vec![0.0];
    if matches!(stretch, Stretch::Linear { .. }) {
        let step = round_below(top / 2.0);
        candidates.extend([-2.0 * step, -step, step, 2.0 * step]);
    } else {
        let decade = top.log10().floor() as i32;
        // brightest first: near zero an asinh scale has no room for small decades
        for power in (decade - 8..=decade).rev() {
            for m in [5.0, 2.0, 1.0] {
                candidates.extend([m * 10f64.powi(power), -m * 10f64.powi(power)]);
            }
        }
    }
    let mut placed: Vec<(f64, f64, f64)> = Vec::new();
    let mut out = Vec::new();
    for value in candidates.into_iter().filter(|v| *v >= low && *v <= high) {
        let label = format_value(value, 1);
        let (Some(at), half) = (stretch.place(value * scale).map(|p| p * width), text_width(&label, 12.0) / 2.0 + 7.0)
        else {
            continue;
        };
        if placed.iter().all(|(other, room, _)| (at - other).abs() >= half + room) {
            placed.push((at, half, value));
            out.push((value * scale, label));
        }
    }
    out
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rim_places_and_their_inverse_agree() {
        for pa in 0..360 {
            let along = along_rim(f64::from(pa), 100.0);
            let (x, y) = rim_point(along, 100.0);
            let back = (-x).atan2(-y).to_degrees().rem_euclid(360.0);
            let difference = (back - f64::from(pa) + 180.0).rem_euclid(360.0) - 180.0;
            assert!(difference.abs() < 1e-9, "{pa} {along} {back}");
        }
        assert_eq!(rim_point(along_rim(0.0, 100.0), 100.0), (0.0, -100.0));
        let (x, y) = rim_point(along_rim(90.0, 100.0), 100.0);
        assert!(x == -100.0 && y.abs() < 1e-9, "east is left");
    }

    fn directions(sun: f64, anti: f64, velocity: f64) -> Directions {
        Directions { sunward_pa_deg: Some(sun), antisolar_pa_deg: Some(anti), negative_velocity_pa_deg: Some(velocity) }
    }

    #[test]
    fn letters_keep_apart_whatever_the_directions() {
        let around = 8.0 * (SIDE / 2.0 + RIM);
        for (sun, anti, velocity) in
            [(0.0, 180.0, 0.0), (1.0, 181.0, 359.0), (90.0, 270.0, 90.5), (45.0, 225.0, 45.0), (10.0, 12.0, 2.0)]
        {
            let marks = rim_marks(SIDE / 2.0, &directions(sun, anti, velocity));
            assert_eq!(marks.len(), 5);
            for a in 0..5 {
                for b in 0..a {
                    let gap = (marks[a].along - marks[b].along).rem_euclid(around);
                    assert!(gap.min(around - gap) >= RIM_SPACING - 0.1, "{sun} {velocity}: {gap}");
                }
            }
        }
        assert_eq!(rim_marks(100.0, &directions(f64::NAN, f64::INFINITY, 3.0)).len(), 3);
    }

    #[test]
    fn scale_bars_are_round() {
        for (value, expected) in [(24.0, 20.0), (0.7, 0.5), (1.0, 1.0), (19_999.0, 10_000.0), (0.0, 1.0)] {
            assert_eq!(round_below(value), expected);
        }
    }

    #[test]
    fn colour_bar_labels_have_room_and_stay_in_range() {
        let stretch = Stretch::Asinh { low: -0.02, high: 300.0, soft: 0.03 };
        let ticks = bar_ticks(&stretch, 2.0, 300.0);
        assert!(ticks.len() >= 4, "{ticks:?}");
        let mut at: Vec<f64> = ticks.iter().filter_map(|(v, _)| stretch.place(*v)).map(|p| p * 300.0).collect();
        at.sort_by(f64::total_cmp);
        assert!(at.windows(2).all(|w| w[1] - w[0] > 15.0), "{at:?}");
        let linear = bar_ticks(&Stretch::Linear { low: -0.3, high: 0.3 }, 1.0, 300.0);
        assert_eq!(linear.iter().map(|(_, l)| l.as_str()).collect::<Vec<_>>(), ["0", "−0.2", "−0.1", "0.1", "0.2"]);
    }
}
