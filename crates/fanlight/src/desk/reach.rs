//! What of an image an enhancement must see so that a window of it comes out as if it had seen all.

use super::enhanced::{LEAST_PX, Wish};
use super::state::DeskNight;
use crate::enhance::length::{Length, PixelScale};
use crate::enhance::method::Method;
use fanlight_coma::enhance::ScaleLaw;
use fanlight_image::{Image, PixelBox};
use fanlight_sky::PixelXy;

/// A Gaussian ends here, with the way down to a thinned image and up again; its second derivative too.
const REACH_SIGMA: f64 = 6.0;
/// Wide Gaussians go over a thinned image: what is taken begins at a whole number of its steps, as the image does.
const THINNED_PX: usize = 32;

/// The pixels of a level that cover a window of full-size ones.
pub fn at_level(window: PixelBox, level: usize, image: &Image) -> PixelBox {
    let up = |v: usize, most: usize| v.div_ceil(1 << level).min(most);
    PixelBox {
        x0: window.x0 >> level,
        y0: window.y0 >> level,
        x1: up(window.x1, image.width),
        y1: up(window.y1, image.height),
    }
}

/// A full-size place on a level.
pub fn on_level(place: PixelXy, level: usize) -> PixelXy {
    let factor = 0.5_f64.powi(level as i32);
    PixelXy { x_px: (place.x_px + 0.5) * factor - 0.5, y_px: (place.y_px + 0.5) * factor - 0.5 }
}

/// What of a level the enhancement must see so that the window is as if it saw all.
pub fn needed(wish: &Wish, method: Method, cut: PixelBox, level: usize, image: &Image) -> PixelBox {
    let factor = 0.5_f64.powi(level as i32);
    let centre = on_level(wish.centre, level);
    let corner = |x: usize, y: usize| (x as f64 - centre.x_px).hypot(y as f64 - centre.y_px);
    let last = (cut.x1 - 1, cut.y1 - 1);
    let farthest = [(cut.x0, cut.y0), (last.0, cut.y0), (cut.x0, last.1), last]
        .into_iter()
        .map(|(x, y)| corner(x, y))
        .fold(0.0_f64, f64::max);
    let px = |lengths: &[Length]| {
        let scale = scale_of(wish.night, 0);
        lengths.iter().filter_map(|l| scale.px(*l, "").ok()).fold(0.0_f64, f64::max) * factor
    };
    let one = |length: Option<Length>| px(length.as_slice());
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
        Method::RotationalGradient => disc(farthest + one(wish.settings.shift)),
        Method::AzimuthalDivision
        | Method::AzimuthalSubtraction
        | Method::RingStretch
        | Method::RingStandardisation => {
            // smooth from ring to ring
            disc(farthest + 4.0 * one(wish.settings.ring).max(LEAST_PX))
        }
        Method::PowerLawDivision | Method::TemporalRatio => disc(farthest.max(px(&wish.settings.annulus))),
        Method::InverseRadius => with_nucleus(cut),
        // it is put together from Gaussians that depend on how far it has to reach: exactly the command's only of the whole
        Method::VariableHighPass if wish.patient => whole,
        Method::VariableHighPass => {
            let law = ScaleLaw {
                base_px: one(wish.settings.base),
                growth: wish.settings.growth.unwrap_or(0.0) * factor.powf(1.0 - wish.settings.exponent.unwrap_or(1.0)),
                exponent: wish.settings.exponent.unwrap_or(1.0),
            };
            with_nucleus(margin((REACH_SIGMA * law.at(farthest)).min(image.width.max(image.height) as f64)))
        }
        Method::Laplacian => margin(REACH_SIGMA * one(wish.settings.scale)),
        Method::UnsharpRatio => margin(REACH_SIGMA * one(wish.settings.scale)),
        Method::MultiScale => margin(REACH_SIGMA * px(&wish.settings.scales)),
    }
}

/// Lengths on a level of a night.
pub fn scale_of(night: &DeskNight, level: usize) -> PixelScale {
    let arcsec = night.scale_arcsec() * 2_f64.powi(level as i32);
    PixelScale { arcsec_per_px: Some(arcsec), km_per_arcsec: Some(night.record.geometry.km_per_arcsec) }
}
