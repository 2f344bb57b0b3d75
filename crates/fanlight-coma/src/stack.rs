//! Placing frames on the stack's grid and combining them.

use fanlight_image::resample::{CoordinateGrid, Mapping};
use fanlight_sky::{SkyError, SkyPosition, Wcs};

/// Where a frame is sampled for each pixel of the stack.
#[derive(Debug, Clone)]
pub struct Placement {
    /// The sampling.
    pub mapping: Mapping,
    /// Area of a stack pixel in the frame's pixels: what the sampled brightness is multiplied by to keep flux.
    pub area_ratio: f64,
}

/// A frame's local geometry about a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Local {
    /// Column of the point.
    pub x_px: f64,
    /// Row of the point.
    pub y_px: f64,
    /// `[[∂east/∂x, ∂east/∂y], [∂north/∂x, ∂north/∂y]]`, arcsec per pixel.
    pub arcsec_per_px: [[f64; 2]; 2],
}

/// A frame may be moved as a whole, without turning, scaling or straightening it, when that misplaces no pixel of the stack
/// by more. Well under the tenth of a pixel asked of registration; a mapping that is no shift costs three times the work.
const SHIFT_TOLERANCE_PX: f64 = 0.02;
/// Distance between the points at which a mapping that is no shift is worked out.
const GRID_STEP_PX: usize = 32;

/// Places a frame so that the comet in it falls on the stack's point. The stack's pixels are even steps on the tangent plane
/// about the comet; the frame's coordinates say where each of them is in the frame, distortion included.
///
/// # Errors
/// When the comet is not on the frame's side of the sky.
pub fn place_about(
    frame: &Wcs,
    comet: SkyPosition,
    stack: &Local,
    width: usize,
    height: usize,
) -> Result<Placement, SkyError> {
    let matrix = product(inverse(frame.arcsec_per_px(frame.pixel_from_sky(comet)?)), stack.arcsec_per_px);
    let area_ratio = (matrix[0][0] * matrix[1][1] - matrix[0][1] * matrix[1][0]).abs();
    let at = |x: f64, y: f64| {
        let (east, north) = apply(stack.arcsec_per_px, (x - stack.x_px, y - stack.y_px));
        pixel_or_nowhere(frame, comet.offset_by_arcsec(east, north))
    };
    Ok(place(at, area_ratio, width, height))
}

/// The pixel of a place; one outside any image where the plane or the distortion has none.
pub fn pixel_or_nowhere(frame: &Wcs, place: SkyPosition) -> (f64, f64) {
    const NOWHERE_PX: f64 = -1e6;
    frame.pixel_from_sky(place).map_or((NOWHERE_PX, NOWHERE_PX), |p| (p.x_px, p.y_px))
}

/// Places a frame by any smooth mapping from stack pixel to frame pixel.
pub fn place(at: impl Fn(f64, f64) -> (f64, f64), area_ratio: f64, width: usize, height: usize) -> Placement {
    let (right, top) = (width as f64 - 1.0, height as f64 - 1.0);
    let (xm, ym) = (0.5 * right, 0.5 * top);
    let (x, y) = at(xm, ym);
    let (dx_px, dy_px) = (x - xm, y - ym);
    let points = [(0.0, 0.0), (right, 0.0), (0.0, top), (right, top), (xm, 0.0), (xm, top), (0.0, ym), (right, ym)];
    let is_shift = points.iter().all(|(px, py)| {
        let (x, y) = at(*px, *py);
        (x - px - dx_px).hypot(y - py - dy_px) <= SHIFT_TOLERANCE_PX
    });
    let mapping = if is_shift {
        Mapping::Shift { dx_px, dy_px }
    } else {
        Mapping::Grid(CoordinateGrid::from_fn(width, height, GRID_STEP_PX, at))
    };
    Placement { mapping, area_ratio }
}

/// Inverse of a 2 × 2 matrix; the caller's matrices come from a WCS and are not singular.
pub fn inverse(m: [[f64; 2]; 2]) -> [[f64; 2]; 2] {
    let d = m[0][0] * m[1][1] - m[0][1] * m[1][0];
    [[m[1][1] / d, -m[0][1] / d], [-m[1][0] / d, m[0][0] / d]]
}

/// Product of two 2 × 2 matrices.
pub fn product(a: [[f64; 2]; 2], b: [[f64; 2]; 2]) -> [[f64; 2]; 2] {
    let cell = |i: usize, j: usize| a[i][0] * b[0][j] + a[i][1] * b[1][j];
    [[cell(0, 0), cell(0, 1)], [cell(1, 0), cell(1, 1)]]
}

/// A 2 × 2 matrix on a vector.
pub fn apply(m: [[f64; 2]; 2], v: (f64, f64)) -> (f64, f64) {
    (m[0][0] * v.0 + m[0][1] * v.1, m[1][0] * v.0 + m[1][1] * v.1)
}

/// Sub-stacks that a number of frames is dealt into: six, or as many as there are frames.
pub fn n_substacks(n_frames: usize) -> usize {
    n_frames.min(6)
}

/// What sub-stacks are balanced in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Balanced {
    /// Weight in the stack, above 0.
    pub weight: f64,
    /// Middle of the exposure, from any instant.
    pub mid_s: f64,
    /// Airmass of the comet.
    pub airmass: f64,
}

/// Rounds of exchanges at most; three to five are used.
const EXCHANGE_ROUNDS: usize = 20;
/// Frames over which exchanges are tried: nearby ones in time suffice, and the cost stays linear in the frames.
const EXCHANGE_REACH: usize = 24;

/// Sub-stack of each frame, the frames in order of time.
///
/// Of every few frames that follow each other, one for each sub-stack, the heaviest goes to the lightest sub-stack and so on
/// (with equal weights: in turn). Then frames are moved and exchanged between sub-stacks, always in the same order, as long as that makes the
/// sub-stacks' total weights, mean times and mean airmasses (by weight) more alike. Every sub-stack keeps a frame.
pub fn balanced_substacks(frames: &[Balanced], n_substacks: usize) -> Vec<usize> {
    let n = n_substacks.max(1);
    let mut group = dealt(frames, n);
    if n < 2 || frames.len() <= n {
        return group;
    }
    let total: f64 = frames.iter().map(|f| f.weight).sum();
    let mean = |of: fn(&Balanced) -> f64| frames.iter().map(|f| f.weight * of(f)).sum::<f64>() / total;
    let (mid, airmass) = (mean(|f| f.mid_s), mean(|f| f.airmass));
    let spread = |of: fn(&Balanced) -> f64, about: f64| {
        (frames.iter().map(|f| f.weight * (of(f) - about).powi(2)).sum::<f64>() / total).sqrt().max(1e-9)
    };
    let (mid_spread, airmass_spread) = (spread(|f| f.mid_s, mid), spread(|f| f.airmass, airmass).max(1e-3));
    // in shares of a sub-stack's fair weight, and in spreads of the night
    let of_frame = |f: &Balanced| {
        let w = f.weight * n as f64 / total;
        [w, w * (f.mid_s - mid) / mid_spread, w * (f.airmass - airmass) / airmass_spread]
    };
    let parts: Vec<[f64; 3]> = frames.iter().map(of_frame).collect();
    let mut sums = vec![[0.0; 3]; n];
    let mut counts = vec![0usize; n];
    for (p, g) in parts.iter().zip(&group) {
        sums[*g] = plus(sums[*g], *p, 1.0);
        counts[*g] += 1;
    }
    for _ in 0..EXCHANGE_ROUNDS {
        let mut changed = false;
        for i in 0..frames.len() {
            for other in 0..n {
                let own = group[i];
                if other == own || counts[own] < 2 {
                    continue;
                }
                let after = [plus(sums[own], parts[i], -1.0), plus(sums[other], parts[i], 1.0)];
                if is_better(after, [sums[own], sums[other]]) {
                    [sums[own], sums[other]] = after;
                    (counts[own], counts[other], group[i]) = (counts[own] - 1, counts[other] + 1, other);
                    changed = true;
                }
            }
            for j in i + 1..frames.len().min(i + EXCHANGE_REACH) {
                let (own, other) = (group[i], group[j]);
                let step = plus(parts[j], parts[i], -1.0);
                let after = [plus(sums[own], step, 1.0), plus(sums[other], step, -1.0)];
                if own != other && is_better(after, [sums[own], sums[other]]) {
                    [sums[own], sums[other]] = after;
                    group.swap(i, j);
                    changed = true;
                }
            }
        }
        if !changed {
            break;
        }
    }
    group
}

/// Of every `n` frames that follow each other, the heaviest to the lightest sub-stack and so on.
fn dealt(frames: &[Balanced], n: usize) -> Vec<usize> {
    let mut group = vec![0; frames.len()];
    let mut totals = vec![0.0f64; n];
    for (block, some) in frames.chunks(n).enumerate() {
        let mut heaviest: Vec<usize> = (0..some.len()).collect();
        heaviest.sort_by(|a, b| some[*b].weight.total_cmp(&some[*a].weight));
        let mut lightest: Vec<usize> = (0..n).collect();
        lightest.sort_by(|a, b| totals[*a].total_cmp(&totals[*b]));
        for (i, g) in heaviest.into_iter().zip(lightest) {
            group[block * n + i] = g;
            totals[g] += some[i].weight;
        }
    }
    group
}

/// `a` + `sign` · `b`.
fn plus(a: [f64; 3], b: [f64; 3], sign: f64) -> [f64; 3] {
    [a[0] + sign * b[0], a[1] + sign * b[1], a[2] + sign * b[2]]
}

/// Whether two sub-stacks are clearly more like all of them together: nearer to a weight of 1 and to moments of nothing.
fn is_better(after: [[f64; 3]; 2], before: [[f64; 3]; 2]) -> bool {
    let cost = |pair: [[f64; 3]; 2]| -> f64 {
        pair.iter().map(|s| (s[0] - 1.0).powi(2) + s[1] * s[1] + s[2] * s[2]).sum::<f64>()
    };
    cost(after) < cost(before) - 1e-9
}

#[cfg(test)]
mod tests {
    use super::*;

    use fanlight_sky::PixelXy;

    const COMET: SkyPosition = SkyPosition { ra_deg: 140.0, dec_deg: 30.0 };
    const STACK: Local = Local { x_px: 256.0, y_px: 256.0, arcsec_per_px: [[-1.5, 0.0], [0.0, 1.5]] };

    /// A frame with the comet at a pixel.
    fn frame(x_px: f64, y_px: f64, arcsec_per_px: [[f64; 2]; 2]) -> Wcs {
        Wcs::tangent(COMET, PixelXy { x_px, y_px }, arcsec_per_px.map(|r| r.map(|v| v / 3600.0))).unwrap()
    }

    fn placed(frame: &Wcs) -> Placement {
        place_about(frame, COMET, &STACK, 513, 513).unwrap()
    }

    #[test]
    fn frames_of_one_orientation_are_only_shifted() {
        let got = placed(&frame(310.25, 290.5, STACK.arcsec_per_px));
        let Mapping::Shift { dx_px, dy_px } = got.mapping else { panic!("not a shift") };
        assert!((dx_px - 54.25).abs() < 1e-6 && (dy_px - 34.5).abs() < 1e-6);
        assert!((got.area_ratio - 1.0).abs() < 1e-6);
    }

    #[test]
    fn a_flipped_frame_is_turned() {
        assert!(matches!(placed(&frame(300.0, 200.0, [[1.5, 0.0], [0.0, -1.5]])).mapping, Mapping::Grid(_)));
    }

    #[test]
    fn a_frame_of_half_the_scale_gives_each_stack_pixel_four_of_its_own() {
        let got = placed(&frame(300.0, 200.0, [[-0.75, 0.0], [0.0, 0.75]]));
        assert!((got.area_ratio - 4.0).abs() < 1e-6);
    }

    /// A distortion of half a pixel at the stack's corner is followed to a hundredth; one of a hundredth is not.
    #[test]
    fn a_distorted_frame_is_straightened() {
        let bent = |corner_px: f64| {
            let k = corner_px * 1.5 / 3600.0 / (2f64.sqrt() * 256.0).powi(3);
            let terms = [((3, 0), [-k, 0.0]), ((1, 2), [-k, 0.0]), ((2, 1), [0.0, k]), ((0, 3), [0.0, k])];
            let plain = frame(310.25, 290.5, STACK.arcsec_per_px);
            plain.bent(PixelXy { x_px: 310.25, y_px: 290.5 }, &terms).unwrap()
        };
        assert!(matches!(placed(&bent(0.01)).mapping, Mapping::Shift { .. }));
        let Mapping::Grid(grid) = placed(&bent(0.5)).mapping else { panic!("a shift") };
        let (x, y) = grid.at(512, 512);
        // pixels of the corner see sky half a pixel further out, so that the sky of the corner is that much further in
        let share = 1.0 - 0.5 / (2f64.sqrt() * 256.0);
        let expected = (310.25 + 256.0 * share, 290.5 + 256.0 * share);
        assert!((x - expected.0).hypot(y - expected.1) < 0.01, "{x} {y}, expected {expected:?}");
    }

    /// Weight shares, mean times and mean airmasses of sub-stacks.
    fn sums(frames: &[Balanced], group: &[usize], n: usize) -> Vec<(f64, f64, f64)> {
        let total: f64 = frames.iter().map(|f| f.weight).sum();
        (0..n)
            .map(|g| {
                let own: Vec<&Balanced> = frames.iter().zip(group).filter(|(_, o)| **o == g).map(|(f, _)| f).collect();
                let w: f64 = own.iter().map(|f| f.weight).sum();
                let mean = |of: fn(&Balanced) -> f64| own.iter().map(|f| f.weight * of(f)).sum::<f64>() / w;
                (w / total, mean(|f| f.mid_s), mean(|f| f.airmass))
            })
            .collect()
    }

    /// A night of 60 frames that sinks from airmass 1.2 to 2.2, with cloud that takes every sixth frame (all in one
    /// sub-stack where frames are dealt in turn) and twilight at its end.
    #[test]
    fn substacks_are_balanced_in_weight_time_and_airmass() {
        let frames: Vec<Balanced> = (0..60)
            .map(|i| {
                let cloud = if i % 6 == 2 { 0.3 } else { 1.0 };
                let twilight = if i > 48 { 0.9f64.powi(i - 48) } else { 1.0 };
                let airmass = 1.2 + (f64::from(i) / 60.0).powi(2);
                Balanced { weight: 40.0 * cloud * twilight, mid_s: 70.0 * f64::from(i), airmass }
            })
            .collect();
        let in_turn: Vec<usize> = (0..60).map(|i| i % 6).collect();
        let shares = |group: &[usize]| -> Vec<f64> { sums(&frames, group, 6).iter().map(|s| s.0).collect() };
        let spread = |v: &[f64]| v.iter().fold(0f64, |a, s| a.max((s - 1.0 / 6.0).abs()));
        assert!(spread(&shares(&in_turn)) > 0.08);
        let group = balanced_substacks(&frames, 6);
        // a few per cent of a sub-stack: frames come whole
        assert!(spread(&shares(&group)) < 0.04 / 6.0, "{:?}", shares(&group));
        let all = sums(&frames, &[0; 60], 1)[0];
        for (_, mid_s, airmass) in sums(&frames, &group, 6) {
            assert!((mid_s - all.1).abs() < 70.0, "{mid_s} against {}", all.1);
            assert!((airmass - all.2).abs() < 0.02, "{airmass} against {}", all.2);
        }
        assert_eq!(group, balanced_substacks(&frames, 6), "the same every time");
    }

    /// Few frames, one that outweighs the rest: each sub-stack has a frame, and the heavy one stands alone.
    #[test]
    fn few_and_unequal_frames_are_dealt_as_evenly_as_they_can() {
        let frame = |weight, i: i32| Balanced { weight, mid_s: 60.0 * f64::from(i), airmass: 1.5 };
        let mut frames: Vec<Balanced> = (0..9).map(|i| frame(1.0, i)).collect();
        frames[4].weight = 9.0;
        let group = balanced_substacks(&frames, 6);
        let mut members = [0; 6];
        group.iter().for_each(|g| members[*g] += 1);
        assert!(members.iter().all(|n| *n > 0), "{group:?}");
        assert_eq!(members[group[4]], 1, "{group:?}");
        assert_eq!(balanced_substacks(&frames[..3], n_substacks(3)), [0, 1, 2]);
        assert!(balanced_substacks(&[], 0).is_empty());
    }
}
