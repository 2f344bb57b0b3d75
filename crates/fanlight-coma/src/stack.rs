//! Placing frames on the stack's grid and combining them.

use fanlight_image::resample::{CoordinateGrid, Mapping};

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

/// A frame may be moved as a whole, without turning or scaling it, when that misplaces no pixel of the stack by more.
/// Well under the tenth of a pixel asked of registration; turning costs three times the work.
const SHIFT_TOLERANCE_PX: f64 = 0.03;
/// Distance between the points at which a mapping that is no shift is worked out.
const GRID_STEP_PX: usize = 32;

/// Places a frame so that its point falls on the stack's point, in the stack's orientation and scale.
pub fn place_about(frame: &Local, stack: &Local, width: usize, height: usize) -> Placement {
    let matrix = product(inverse(frame.arcsec_per_px), stack.arcsec_per_px);
    let area_ratio = (matrix[0][0] * matrix[1][1] - matrix[0][1] * matrix[1][0]).abs();
    let at = |x: f64, y: f64| {
        let (u, v) = (x - stack.x_px, y - stack.y_px);
        (frame.x_px + matrix[0][0] * u + matrix[0][1] * v, frame.y_px + matrix[1][0] * u + matrix[1][1] * v)
    };
    place(at, area_ratio, width, height)
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

    const NORTH_UP: [[f64; 2]; 2] = [[-1.5, 0.0], [0.0, 1.5]];

    #[test]
    fn frames_of_one_orientation_are_only_shifted() {
        let frame = Local { x_px: 310.25, y_px: 290.5, arcsec_per_px: NORTH_UP };
        let stack = Local { x_px: 256.0, y_px: 256.0, arcsec_per_px: NORTH_UP };
        let got = place_about(&frame, &stack, 513, 513);
        let Mapping::Shift { dx_px, dy_px } = got.mapping else { panic!("not a shift") };
        assert!((dx_px - 54.25).abs() < 1e-9 && (dy_px - 34.5).abs() < 1e-9);
        assert!((got.area_ratio - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_flipped_frame_is_turned() {
        let flipped = [[1.5, 0.0], [0.0, -1.5]];
        let frame = Local { x_px: 300.0, y_px: 200.0, arcsec_per_px: flipped };
        let stack = Local { x_px: 256.0, y_px: 256.0, arcsec_per_px: NORTH_UP };
        assert!(matches!(place_about(&frame, &stack, 513, 513).mapping, Mapping::Grid(_)));
    }

    #[test]
    fn a_frame_of_half_the_scale_gives_each_stack_pixel_four_of_its_own() {
        let fine = [[-0.75, 0.0], [0.0, 0.75]];
        let frame = Local { x_px: 300.0, y_px: 200.0, arcsec_per_px: fine };
        let stack = Local { x_px: 256.0, y_px: 256.0, arcsec_per_px: NORTH_UP };
        assert!((place_about(&frame, &stack, 513, 513).area_ratio - 4.0).abs() < 1e-12);
    }
}
