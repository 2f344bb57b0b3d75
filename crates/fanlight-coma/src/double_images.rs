//! Frames in which every star stands twice: the mount jumped during the exposure.

use fanlight_image::robust;

/// How a frame's stars repeat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoubleImages {
    /// Distance of the second images from the first.
    pub separation_px: f64,
    /// Share of the brightest stars that have a second image there, 0 to 1.
    pub share: f64,
}

/// Brightest stars that are asked for a second image.
const BRIGHTEST: usize = 40;
/// Fewest stars of which a share means something.
const FEWEST: usize = 8;
/// Sources among which second images are sought: those of the brightest stars are among them, were they ten times fainter.
const SOURCES: usize = 400;
/// How far off a second image may be from where the others have it, per axis.
const TOLERANCE_PX: f64 = 1.5;
/// Stars whose places across the displacement scatter by less stand in a row.
const IN_A_ROW_PX: f64 = 8.0;
/// A second image has at least this share of the first's light; a fainter one is not told from field stars.
const LEAST_LIGHT: f64 = 0.08;

/// The displacement at which most of a frame's brightest stars have a companion that is fainter in the same proportion,
/// within a factor of 1.6, and no further off than `reach_px`; places and fluxes with the brightest first. `None` with
/// fewer than eight stars or where no two agree.
///
/// Pairs of field stars have all displacements and proportions: with n sources a pixel one and the same falls to a share of
/// about 5 n of the stars by chance.
pub fn double_images(sources: &[(f64, f64, f64)], reach_px: f64) -> Option<DoubleImages> {
    let sources = &sources[..sources.len().min(SOURCES)];
    let brightest = &sources[..sources.len().min(BRIGHTEST)];
    if brightest.len() < FEWEST {
        return None;
    }
    struct Pair {
        star: usize,
        companion: usize,
        dx: f64,
        dy: f64,
        ln_ratio: f64,
    }
    let mut pairs = Vec::new();
    for (star, first) in brightest.iter().enumerate() {
        for (companion, second) in sources.iter().enumerate() {
            let (dx, dy, ratio) = (second.0 - first.0, second.1 - first.1, second.2 / first.2);
            if companion != star && dx.hypot(dy) <= reach_px && (LEAST_LIGHT..=1.3).contains(&ratio) {
                pairs.push(Pair { star, companion, dx, dy, ln_ratio: ratio.ln() });
            }
        }
    }
    let like = |a: &Pair, b: &Pair| {
        (a.dx - b.dx).abs() <= TOLERANCE_PX
            && (a.dy - b.dy).abs() <= TOLERANCE_PX
            && (a.ln_ratio - b.ln_ratio).abs() <= 1.6f64.ln()
    };
    // a second image is no star of its own: it is not asked for one
    let counted = |of: &Pair| {
        let mut stars: Vec<usize> = Vec::new();
        let mut seconds: Vec<usize> = Vec::new();
        for p in pairs.iter().filter(|p| like(of, p)) {
            stars.push(p.star);
            seconds.push(p.companion);
        }
        stars.sort_unstable();
        stars.dedup();
        let asked = (0..brightest.len()).filter(|i| !seconds.contains(i)).count();
        // along the track of a satellite sources stand in a row, stars do not
        let length = of.dx.hypot(of.dy).max(1e-9);
        let mut across: Vec<f64> =
            stars.iter().map(|i| (brightest[*i].0 * of.dy - brightest[*i].1 * of.dx) / length).collect();
        if robust::mad_sigma_f64(&mut across).is_none_or(|spread| spread < IN_A_ROW_PX) {
            return (0.0, 1.0);
        }
        (stars.len() as f64, asked.max(1) as f64)
    };
    let share = |(found, asked): (f64, f64)| (found / asked).min(1.0);
    let best = pairs.iter().map(|p| (share(counted(p)), p)).reduce(|a, b| if b.0 > a.0 { b } else { a })?;
    let (share, pair) = best;
    let members: Vec<&Pair> = pairs.iter().filter(|p| like(pair, p)).collect();
    let mean = |of: fn(&Pair) -> f64| members.iter().map(|p| of(p)).sum::<f64>() / members.len() as f64;
    Some(DoubleImages { separation_px: mean(|p| p.dx).hypot(mean(|p| p.dy)), share })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Places of a linear congruential generator over a square, and fluxes that fall as the number of stars rises.
    fn field(n: usize, side_px: f64, mut state: u64) -> Vec<(f64, f64, f64)> {
        let mut unit = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / (1u64 << 31) as f64
        };
        let mut stars: Vec<(f64, f64, f64)> =
            (0..n).map(|_| (side_px * unit(), side_px * unit(), (1e-3 + unit()).powf(-1.5))).collect();
        stars.sort_by(|a, b| b.2.total_cmp(&a.2));
        stars
    }

    fn doubled(stars: &[(f64, f64, f64)], share: f64) -> Vec<(f64, f64, f64)> {
        let mut all: Vec<(f64, f64, f64)> =
            stars.iter().flat_map(|s| [(s.0, s.1, s.2 * (1.0 - share)), (s.0 + 7.0, s.1 - 4.0, s.2 * share)]).collect();
        all.sort_by(|a, b| b.2.total_cmp(&a.2));
        all
    }

    #[test]
    fn stars_that_stand_twice_are_recognised() {
        for share in [0.5, 0.3, 0.12] {
            let got = double_images(&doubled(&field(60, 600.0, 11), share), 40.0).unwrap();
            assert!(got.share > 0.8, "{share}: {got:?}");
            assert!((got.separation_px - 65f64.sqrt()).abs() < 0.5, "{share}: {got:?}");
        }
    }

    /// The track of a satellite, found as a row of sources brighter than most stars, is no second image.
    #[test]
    fn a_track_is_no_jump() {
        for spacing in [5.0, 7.3] {
            let mut all = field(40, 600.0, 5);
            all.extend(
                (0..70).map(|i| (20.0 + spacing * f64::from(i), 60.0 + 4.0 * f64::from(i), 300.0 + f64::from(i % 7))),
            );
            all.sort_by(|a, b| b.2.total_cmp(&a.2));
            let got = double_images(&all, 40.0).map_or(0.0, |d| d.share);
            assert!(got < 0.4, "{spacing}: {got}");
        }
    }

    /// A frame of 1360 px with 400 sources, and one four times as dense.
    #[test]
    fn field_stars_do_not_pair_alike() {
        for (seed, side) in (1..40).zip([1360.0, 680.0].into_iter().cycle()) {
            if let Some(got) = double_images(&field(400, side, seed), 40.0) {
                assert!(got.share < 0.25, "{seed} {side}: {got:?}");
            }
        }
        assert_eq!(double_images(&field(7, 600.0, 1), 40.0), None);
        assert_eq!(double_images(&[], 40.0), None);
    }
}
