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

/// Sub-stacks that a number of frames is dealt into, one frame each in turn: six, or as many as there are frames.
pub fn n_substacks(n_frames: usize) -> usize {
    n_frames.min(6)
}

/// Sub-stack of the `i`-th used frame in order of time.
pub fn substack_of(i: usize, n_substacks: usize) -> usize {
    i % n_substacks.max(1)
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
}
