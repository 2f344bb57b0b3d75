//! An enhancement of the part of a night that is looked at, on the level that the screen shows.
//!
//! A level's pixels are means of 2ᵏ × 2ᵏ full-size ones, and all lengths go down with them, so that what is computed is what the screen
//! can show. Only as much of the image is taken as what is looked at depends on.

use super::answer::Refusal;
use super::methods::Sent;
use super::pace::Pace;
use super::pyramid::Pyramid;
use super::reach::{at_level, needed, on_level, scale_of};
use super::{methods, state::DeskNight};
use crate::Failure;
use crate::enhance::method::{Grid, Method, Settings};
use crate::enhance::products::how;
use fanlight_coma::enhance::{self, BandConfig, Enhancement, GradientConfig, RingConfig, ScaleLaw, StretchConfig};
use fanlight_image::{Image, Mask, PixelBox};
use fanlight_present::Values;
use fanlight_sky::PixelXy;
use std::time::Instant;

/// More pixels than this are not enhanced at once, however patient the one who asks: the desk stays within 600 MiB.
const MOST_PX: usize = 8_400_000;
/// With more pixels than this the twin waits for the night, for the same reason.
const MOST_BESIDE_PX: usize = 4_200_000;
/// Narrower than this a ring or a Gaussian is not: half a pixel of the level.
pub const LEAST_PX: f64 = 0.5;

/// What is to be shown.
pub struct Wish<'a> {
    /// The night.
    pub night: &'a DeskNight,
    /// Its image.
    pub image: &'a Pyramid,
    /// Its twin, where that is to be shown beside it.
    pub twin: Option<&'a Pyramid>,
    /// Another night's image on this grid, for a ratio.
    pub other: Option<&'a Pyramid>,
    /// That night's twin: a coma with nothing in it gives a ratio with nothing in it only against another such.
    pub other_twin: Option<&'a Pyramid>,
    /// The enhancement; none shows brightness as it is.
    pub method: Option<Method>,
    /// Its settings.
    pub settings: Settings,
    /// The centre that is taken, full-size pixels.
    pub centre: PixelXy,
    /// The level wished for.
    pub level: usize,
    /// Whether it is worth waiting for that level, where memory allows it.
    pub patient: bool,
    /// How long enhancements take here.
    pub pace: &'a Pace,
}

/// What is shown: images of one size, and how they were made.
pub struct Shown {
    /// The night, through the enhancement.
    pub image: Image,
    /// Its twin, through the same.
    pub twin: Option<Image>,
    /// The level that was computed.
    pub level: usize,
    /// First pixel of the level.
    pub first: (usize, usize),
    /// Settings in words.
    pub words: String,
    /// What was done, what it draws that is not there, and its source.
    pub how: String,
    /// What the values mean.
    pub values: Values,
    /// Their unit.
    pub unit: String,
}

/// The enhancement on a window of full-size pixels.
///
/// # Errors
/// A window outside the image, a method without the other night that it needs, a setting that the data do not allow.
pub fn in_window(wish: &Wish, window: PixelBox) -> Result<Shown, Refusal> {
    let whole = wish.image.level(0).ok_or_else(|| Refusal::impossible("the night has no pixels"))?;
    if window.x0 >= window.x1 || window.y0 >= window.y1 || window.x1 > whole.width || window.y1 > whole.height {
        return Err(Refusal::call(format!(
            "the window is empty or outside the image of {} × {} pixels",
            whole.width, whole.height
        )));
    }
    let mut level = wish.level;
    loop {
        let image = wish.image.level(level).ok_or_else(|| Refusal::call("the night has no such level"))?;
        let cut = at_level(window, level, image);
        let taken = match wish.method {
            Some(method) => needed(wish, method, cut, level, image),
            None => cut,
        };
        let n_px = taken.width() * taken.height();
        let is_slow = || wish.method.is_some_and(|method| !wish.pace.keeps_up(method, n_px));
        let is_too_much = n_px > MOST_PX || !wish.patient && is_slow();
        if is_too_much && wish.image.level(level + 1).is_some() {
            level += 1;
            continue;
        }
        let start = Instant::now();
        let shown = compute(wish, level, cut, taken)?;
        if let Some(method) = wish.method {
            wish.pace.took(method, n_px, start.elapsed());
        }
        return Ok(shown);
    }
}

fn compute(wish: &Wish, level: usize, cut: PixelBox, taken: PixelBox) -> Result<Shown, Refusal> {
    let part = |pyramid: &Pyramid, area: PixelBox| {
        pyramid.level(level).map(|image| image.crop(area)).ok_or_else(|| Refusal::call("the night has no such level"))
    };
    let Some(method) = wish.method else {
        return Ok(Shown {
            image: part(wish.image, cut)?,
            twin: wish.twin.map(|t| part(t, cut)).transpose()?,
            level,
            first: (cut.x0, cut.y0),
            words: String::new(),
            how: "Brightness as it was measured, the sky taken off.".into(),
            values: Values::Level,
            unit: "e⁻/s per pixel".into(),
        });
    };
    let image = part(wish.image, taken)?;
    let mut twin = wish.twin.map(|t| part(t, taken)).transpose()?;
    if let Some(twin) = &mut twin {
        // where the night has nothing the twin has nothing to be compared with
        twin.data.iter_mut().zip(&image.data).filter(|(_, i)| i.is_nan()).for_each(|(t, _)| *t = f32::NAN);
    }
    let other = match (method, wish.other) {
        (Method::TemporalRatio, None) => {
            return Err(Refusal::call("a ratio needs another night").hint("send its number as \"against\""));
        }
        (Method::TemporalRatio, Some(other)) => Some(part(other, taken)?),
        _ => None,
    };
    let other_twin = match (method, wish.other_twin) {
        (Method::TemporalRatio, Some(twin)) => Some(part(twin, taken)?),
        // without the other night's twin the twin of the ratio is not to be had
        (Method::TemporalRatio, None) => {
            twin = None;
            None
        }
        _ => None,
    };
    let middle = on_level(wish.centre, level);
    let centre = PixelXy { x_px: middle.x_px - taken.x0 as f64, y_px: middle.y_px - taken.y0 as f64 };
    let clear = Mask::clear(image.width, image.height);
    let of = |image: &Image, other: Option<&Image>| -> Result<(Image, String, String), Refusal> {
        let (enhancement, words) = enhancement_of(wish, method, level, (image, centre), other)?;
        let mut out = enhance::apply(&enhancement, image, &clear, centre).map_err(Failure::data)?;
        if method == Method::InverseRadius {
            // times full-size pixels on every level
            out.data.iter_mut().for_each(|v| *v *= 2_f32.powi(level as i32));
        }
        let inner =
            PixelBox { x0: cut.x0 - taken.x0, y0: cut.y0 - taken.y0, x1: cut.x1 - taken.x0, y1: cut.y1 - taken.y0 };
        let how = how(&enhancement, &words);
        Ok((if inner.width() == out.width && inner.height() == out.height { out } else { out.crop(inner) }, words, how))
    };
    let (night, twin) = match image.data.len() > MOST_BESIDE_PX {
        true => (of(&image, other.as_ref()), twin.as_ref().map(|t| of(t, other_twin.as_ref()))),
        false => rayon::join(|| of(&image, other.as_ref()), || twin.as_ref().map(|t| of(t, other_twin.as_ref()))),
    };
    let (image, words, how) = night?;
    // one whose own pixels do not allow it stands empty; the night is shown all the same
    let twin = twin.and_then(Result::ok).map(|(image, ..)| image);
    let (values, unit) = method.values("e⁻/s per pixel");
    Ok(Shown { image, twin, level, first: (cut.x0, cut.y0), words, how, values, unit })
}

/// The enhancement with its settings on a level; words tell the full-size settings.
fn enhancement_of(
    wish: &Wish,
    method: Method,
    level: usize,
    (image, centre): (&Image, PixelXy),
    other: Option<&Image>,
) -> Result<(Enhancement, String), Refusal> {
    let full = Grid { image, centre, scale: scale_of(wish.night, 0) };
    if matches!(method, Method::PowerLawDivision | Method::TemporalRatio) {
        let mut in_km = wish.settings.in_km(method, &full)?;
        let grid = Grid { image, centre, scale: scale_of(wish.night, level) };
        in_km.annulus = methods::shown_on(&in_km.annulus, &grid.scale)?;
        return Ok(method.with_settings(&in_km, &grid, image, other)?);
    }
    let (enhancement, words) = method.with_settings(&wish.settings, &full, image, other)?;
    let factor = 0.5_f64.powi(level as i32);
    let shorter = |px: f64| (px * factor).max(LEAST_PX);
    let rings = |c: RingConfig| RingConfig { ring_width_px: shorter(c.ring_width_px), ..c };
    let at_this_level = match enhancement {
        _ if level == 0 => return Ok((enhancement, words)),
        Enhancement::RotationalGradient(c) => {
            Enhancement::RotationalGradient(GradientConfig { radial_shift_px: c.radial_shift_px * factor, ..c })
        }
        Enhancement::DivideByAverage(c) => Enhancement::DivideByAverage(rings(c)),
        Enhancement::SubtractAverage(c) => Enhancement::SubtractAverage(rings(c)),
        Enhancement::StretchRings(c) => {
            Enhancement::StretchRings(StretchConfig { ring_width_px: shorter(c.ring_width_px), ..c })
        }
        Enhancement::StandardiseRings { ring_width_px } => {
            Enhancement::StandardiseRings { ring_width_px: shorter(ring_width_px) }
        }
        // σ' = 2⁻ᵏ σ, with ρ = 2ᵏ ρ'
        Enhancement::VariableHighPass(law) => Enhancement::VariableHighPass(ScaleLaw {
            base_px: law.base_px * factor,
            growth: law.growth * factor.powf(1.0 - law.exponent),
            exponent: law.exponent,
        }),
        Enhancement::Laplacian { sigma_px } => Enhancement::Laplacian { sigma_px: shorter(sigma_px) },
        Enhancement::UnsharpRatio { sigma_px } => Enhancement::UnsharpRatio { sigma_px: shorter(sigma_px) },
        Enhancement::MultiScaleResidual(c) => Enhancement::MultiScaleResidual(BandConfig {
            scales_px: c.scales_px.iter().map(|s| s * factor).collect(),
            ..c
        }),
        Enhancement::DivideByInverseRadius | Enhancement::DivideByProfile(_) | Enhancement::TemporalRatio { .. } => {
            enhancement
        }
    };
    Ok((at_this_level, words))
}

/// Which enhancement with which settings a request asks for.
///
/// # Errors
/// A name or a setting that is none.
pub fn asked(method: Option<&str>, sent: &Sent) -> Result<(Option<Method>, Settings), Refusal> {
    match method {
        None if sent.is_empty() => Ok((None, Settings::default())),
        None => Err(Refusal::call("settings without a method")),
        Some(name) => {
            let method = methods::method(name)?;
            Ok((Some(method), methods::settings(method, sent)?))
        }
    }
}
