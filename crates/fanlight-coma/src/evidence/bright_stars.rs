//! What bright stars leave in a stack: light of their cores and wings that was taken out wrongly, and where there is too much of it.

use super::leftovers::Leftovers;
use fanlight_image::{Image, Mask, PixelBox, flag};
use nalgebra::{Matrix4, Vector4};
use rayon::prelude::*;

/// What a bright star may leave in a stack, as images of it.
#[derive(Debug, Clone)]
pub struct StarLeftover {
    /// One error of the light of its core.
    pub core: Image,
    /// One error of the light of its wings; of wings that nothing tells of, all that they may be.
    pub wings: Image,
    /// Brightest that rays could be anywhere, where nothing tells of them.
    pub rays: Option<Image>,
}

/// Wings that nothing tells of are there where the residual shows such a share of what they may be, at this significance: the coma's
/// own structure looks like faint stars' impossible wings, or like bright stars' faint ones.
const WINGS_SEEN_SHARES: std::ops::Range<f64> = 0.25..2.5;
const WINGS_SEEN_SIGMA: f64 = 15.0;
/// They are looked for further from the nucleus than this.
const WINGS_BEYOND_FWHM: f64 = 3.0;
/// What a bright star may leave is masked where it is over this many times a pixel's noise, and this share of the coma.
const STAR_OVER_NOISE: f64 = 1.0;
const STAR_OVER_COMA: f64 = 0.015;

/// Flags what bright stars leave too brightly for a search: the surroundings of cores, wings as far as they are badly known or seen. The
/// residual and its mask are the part of the stars' images that begins at `corner`.
pub fn mask(
    mask: &mut Mask,
    about: &Leftovers,
    stars: &[StarLeftover],
    corner: (usize, usize),
    coma: impl Fn(f64) -> f64 + Sync,
) {
    let (residual, frame) = (about.residual, &about.frame);
    let area = PixelBox { x0: corner.0, y0: corner.1, x1: corner.0 + residual.width, y1: corner.1 + residual.height };
    for left in stars {
        let (core, wings) = (left.core.crop(area), left.wings.crop(area));
        let rays = left.rays.as_ref().map(|r| r.crop(area));
        let seen = match &rays {
            None => 1.0,
            Some(_) => wings_seen(&wings, about, mask, &coma),
        };
        mask.bits.par_iter_mut().enumerate().for_each(|(i, bits)| {
            let rays = rays.as_ref().map_or(0.0, |r| r.data[i]);
            let light = f64::from(core.data[i]) + seen * f64::from(wings.data[i] + rays);
            let noise = f64::from(about.variance.data[i]).sqrt();
            let rho = || frame.rho_of_pixel((i % residual.width, i / residual.width));
            if light > STAR_OVER_NOISE * noise && light > STAR_OVER_COMA * coma(rho().max(1.0)) {
                *bits |= flag::STAR;
            }
        });
    }
}

/// Share of a star's assumed wings that the residual shows beside a share of the coma that changes evenly over them, as a tail's does;
/// 0 where it does not show them.
fn wings_seen(wings: &Image, about: &Leftovers, mask: &Mask, coma: impl Fn(f64) -> f64) -> f64 {
    let (frame, width) = (&about.frame, about.residual.width);
    let mut normal = Matrix4::<f64>::zeros();
    let mut right = Vector4::<f64>::zeros();
    for (i, wing) in wings.data.iter().enumerate().filter(|(_, wing)| **wing > 0.0) {
        let (value, variance) = (f64::from(about.residual.data[i]), f64::from(about.variance.data[i]));
        let (x, y) = ((i % width) as f64 - frame.centre_px.0, (i / width) as f64 - frame.centre_px.1);
        let rho = frame.rho_px(x, y);
        if mask.bits[i] == 0 && value.is_finite() && variance > 0.0 && rho > WINGS_BEYOND_FWHM * about.fwhm_px {
            let light = coma(rho);
            let row = Vector4::new(f64::from(*wing), light, light * x, light * y);
            normal += row * row.transpose() / variance;
            right += row * value / variance;
        }
    }
    let Some(inverse) = normal.try_inverse() else { return 0.0 };
    let share = (inverse * right)[0];
    let sigma = (about.correlation * inverse[(0, 0)]).sqrt();
    let is_wing = WINGS_SEEN_SHARES.contains(&share) && share > WINGS_SEEN_SIGMA * sigma;
    if is_wing { share } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::mode_space::SkyFrame;

    const SIDE: usize = 161;
    const STAR: (f64, f64) = (115.0, 60.0);

    fn image(light: impl Fn(f64, f64) -> f64) -> Image {
        let data = (0..SIDE * SIDE).map(|i| light((i % SIDE) as f64, (i / SIDE) as f64) as f32).collect();
        Image { width: SIDE, height: SIDE, data }
    }

    fn coma(rho: f64) -> f64 {
        300.0 / rho.max(1.0)
    }

    /// Halo of a star of unit share.
    fn halo(x: f64, y: f64) -> f64 {
        let away = (x - STAR.0).hypot(y - STAR.1);
        if away > 8.0 { 900.0 / (away * away) } else { 0.0 }
    }

    /// Pixels masked where the residual is `light`.
    fn masked(light: impl Fn(f64, f64) -> f64) -> usize {
        let (residual, variance) = (image(light), image(|_, _| 1.0));
        let clear = Mask::clear(SIDE, SIDE);
        let about = Leftovers {
            residual: &residual,
            variance: &variance,
            mask: &clear,
            correlation: 1.0,
            frame: SkyFrame { centre_px: (80.0, 80.0), arcsec_per_px: [[-1.5, 0.0], [0.0, 1.5]] },
            fwhm_px: 3.0,
            reach_px: 75.0,
            track: &[],
        };
        let star = StarLeftover { core: image(|_, _| 0.0), wings: image(halo), rays: Some(image(|_, _| 0.0)) };
        let mut out = clear.clone();
        mask(&mut out, &about, &[star], (0, 0), coma);
        out.bits.iter().filter(|b| **b != 0).count()
    }

    /// Wings that may be there are masked where the residual shows them, and not for a tail that lies over the star.
    #[test]
    fn only_wings_that_show_are_masked() {
        assert!(masked(|x, y| 0.6 * halo(x, y)) > 500);
        let away = |x: f64, y: f64| (x - 80.0).hypot(y - 80.0);
        let tail = |x: f64, y: f64| (0.2 + 0.001 * (x - 80.0)) * coma(away(x, y));
        assert_eq!(masked(tail), 0);
        assert!(masked(|x, y| tail(x, y) + 0.6 * halo(x, y)) > 500);
        assert_eq!(masked(|_, _| 0.0), 0);
    }
}
