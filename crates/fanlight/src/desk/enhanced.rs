//! An enhancement of the part of a night that is looked at, on the level that the screen shows.
//!
//! A level's pixels are means of 2ᵏ × 2ᵏ full-size ones, and all lengths go down with them, so that what is computed is what the screen
//! can show. Only as much of the image is taken as what is looked at depends on.

use super::answer::Refusal;
use super::layers::Pyramid;
use super::methods::Sent;
use super::{methods, state::DeskNight};
use crate::Failure;
use crate::enhance::length::PixelScale;
use crate::enhance::method::{Grid, Method, Settings};
use crate::enhance::products::how;
use fanlight_coma::enhance::{self, BandConfig, Enhancement, GradientConfig, RingConfig, ScaleLaw, StretchConfig};
use fanlight_image::{Image, Mask, PixelBox};
use fanlight_present::Values;
use fanlight_sky::PixelXy;

/// More work than this is not done while a slider moves: a coarser level stands in. In pixels of a simple enhancement, night and
/// twin together: some 50 ms of two cores of 2.8 GHz.
const MOST_WORK_PX: f64 = 4.8e6;
/// More pixels than this are not enhanced at once, however patient the one who asks: the desk stays within 600 MiB.
const MOST_PX: usize = 8_400_000;
/// With more pixels than this the twin waits for the night, for the same reason.
const MOST_BESIDE_PX: usize = 4_200_000;
/// Narrower than this a ring or a Gaussian is not: half a pixel of the level.
const LEAST_PX: f64 = 0.5;
/// A Gaussian ends here, with the way down to a thinned image and up again; its second derivative too.
const REACH_SIGMA: f64 = 6.0;
/// Wide Gaussians go over a thinned image: what is taken begins at a whole number of its steps, as the image does.
const THINNED_PX: usize = 32;

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
        let work_px = n_px as f64 * if wish.twin.is_some() { 2.0 } else { 1.0 };
        let is_much = work_px * wish.method.map_or(0.0, work) > MOST_WORK_PX;
        let is_too_much = n_px > MOST_PX || is_much && !wish.patient;
        if is_too_much && wish.image.level(level + 1).is_some() {
            level += 1;
            continue;
        }
        return compute(wish, level, cut, taken);
    }
}

/// How much longer an enhancement takes per pixel than a simple one (benches/records/desk.md).
fn work(method: Method) -> f64 {
    match method {
        Method::RingStretch | Method::VariableHighPass => 2.2,
        Method::AzimuthalDivision | Method::AzimuthalSubtraction | Method::RingStandardisation | Method::Laplacian => {
            1.3
        }
        Method::RotationalGradient | Method::PowerLawDivision | Method::UnsharpRatio | Method::MultiScale => 1.0,
        Method::InverseRadius | Method::TemporalRatio => 0.4,
    }
}

/// The pixels of a level that cover a window of full-size ones.
fn at_level(window: PixelBox, level: usize, image: &Image) -> PixelBox {
    let up = |v: usize, most: usize| v.div_ceil(1 << level).min(most);
    PixelBox {
        x0: window.x0 >> level,
        y0: window.y0 >> level,
        x1: up(window.x1, image.width),
        y1: up(window.y1, image.height),
    }
}

/// A full-size place on a level.
fn on_level(place: PixelXy, level: usize) -> PixelXy {
    let factor = 0.5_f64.powi(level as i32);
    PixelXy { x_px: (place.x_px + 0.5) * factor - 0.5, y_px: (place.y_px + 0.5) * factor - 0.5 }
}

/// What of a level the enhancement must see so that the window is as if it saw all.
fn needed(wish: &Wish, method: Method, cut: PixelBox, level: usize, image: &Image) -> PixelBox {
    let factor = 0.5_f64.powi(level as i32);
    let centre = on_level(wish.centre, level);
    let corner = |x: usize, y: usize| (x as f64 - centre.x_px).hypot(y as f64 - centre.y_px);
    let last = (cut.x1 - 1, cut.y1 - 1);
    let farthest = [(cut.x0, cut.y0), (last.0, cut.y0), (cut.x0, last.1), last]
        .into_iter()
        .map(|(x, y)| corner(x, y))
        .fold(0.0_f64, f64::max);
    let px = |lengths: &[crate::enhance::length::Length]| {
        let scale = scale_of(wish.night, 0);
        lengths.iter().filter_map(|l| scale.px(*l, "").ok()).fold(0.0_f64, f64::max) * factor
    };
    let one = |length: Option<crate::enhance::length::Length>, usual: f64| length.map_or(usual * factor, |l| px(&[l]));
    let whole = PixelBox { x0: 0, y0: 0, x1: image.width, y1: image.height };
    let disc = |radius: f64| {
        let round = PixelBox::around(centre.x_px, centre.y_px, radius.ceil() + 2.0, image.width, image.height);
        round.map_or(whole, |r| PixelBox {
            x0: r.x0.min(cut.x0),
            y0: r.y0.min(cut.y0),
            x1: r.x1.max(cut.x1),
            y1: r.y1.max(cut.y1),
        })
    };
    // the nucleus must lie on what is taken
    let with_nucleus = |part: PixelBox| {
        let nucleus = |c: f64, n: usize| (c.round().max(0.0) as usize).min(n - 1);
        let (x, y) = (nucleus(centre.x_px, image.width), nucleus(centre.y_px, image.height));
        PixelBox { x0: part.x0.min(x), y0: part.y0.min(y), x1: part.x1.max(x + 1), y1: part.y1.max(y + 1) }
    };
    let margin = |margin: f64| {
        let by = margin.ceil() as usize + 2;
        PixelBox {
            x0: cut.x0.saturating_sub(by) / THINNED_PX * THINNED_PX,
            y0: cut.y0.saturating_sub(by) / THINNED_PX * THINNED_PX,
            x1: (cut.x1 + by).min(image.width),
            y1: (cut.y1 + by).min(image.height),
        }
    };
    match method {
        Method::RotationalGradient => disc(farthest + one(wish.settings.shift, 0.0)),
        Method::AzimuthalDivision
        | Method::AzimuthalSubtraction
        | Method::RingStretch
        | Method::RingStandardisation => {
            // smooth from ring to ring
            disc(farthest + 4.0 * one(wish.settings.ring, 1.0).max(LEAST_PX))
        }
        Method::PowerLawDivision | Method::TemporalRatio => disc(farthest.max(px(&wish.settings.annulus))),
        Method::InverseRadius => with_nucleus(cut),
        // it is put together from Gaussians that depend on how far it has to reach: exactly the command's only of the whole
        Method::VariableHighPass if wish.patient => whole,
        Method::VariableHighPass => {
            let law = ScaleLaw {
                base_px: one(wish.settings.base, 1.0),
                growth: wish.settings.growth.unwrap_or(0.0) * factor.powf(1.0 - wish.settings.exponent.unwrap_or(1.0)),
                exponent: wish.settings.exponent.unwrap_or(1.0),
            };
            with_nucleus(margin((REACH_SIGMA * law.at(farthest)).min(image.width.max(image.height) as f64)))
        }
        Method::Laplacian => margin(REACH_SIGMA * one(wish.settings.scale, 3.0)),
        Method::UnsharpRatio => margin(REACH_SIGMA * one(wish.settings.scale, 5.0)),
        Method::MultiScale => margin(REACH_SIGMA * px(&wish.settings.scales)),
    }
}

fn scale_of(night: &DeskNight, level: usize) -> PixelScale {
    let arcsec = night.scale_arcsec() * 2_f64.powi(level as i32);
    PixelScale { arcsec_per_px: Some(arcsec), km_per_arcsec: Some(night.record.geometry.km_per_arcsec) }
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
    let at_level = match enhancement {
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
    Ok((at_level, words))
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
