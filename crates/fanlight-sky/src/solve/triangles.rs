//! Triangles of stars, known by their shape whatever their place, turn, size and handedness.
//!
//! The longest side A→B is laid on 0→1 of the complex plane, A being the end nearer to the third corner C; C then stands
//! at z = (C − A)/(B − A), with its imaginary part made positive. An error of a star's place moves z by about that error
//! over the longest side, the same in every direction and for every shape, so that one tolerance serves.

use nalgebra::Complex;

/// A triangle's shape, and the corners in the order that gave it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Triangle {
    /// Where C stands.
    pub shape: Complex<f64>,
    /// Length of A→B.
    pub longest: f64,
    /// A, B, C by their index.
    pub corners: [u32; 3],
    /// Whether C had to be reflected.
    pub reflected: bool,
}

/// A shape nearer to a line, or with a corner nearer to another one, than this says little.
const FLATTEST: f64 = 0.03;
const SHORTEST_SIDE: f64 = 0.1;

/// Lays a triangle down with the corners in this order.
fn laid(points: &[[f64; 2]], corners: [u32; 3]) -> Triangle {
    let at = |i: u32| Complex::new(points[i as usize][0], points[i as usize][1]);
    let [a, b, c] = corners.map(at);
    let base = b - a;
    let z = (c - a) / base;
    Triangle { shape: Complex::new(z.re, z.im.abs()), longest: base.norm_sqr().sqrt(), corners, reflected: z.im < 0.0 }
}

fn useful(t: &Triangle) -> bool {
    t.shape.im >= FLATTEST && t.shape.norm_sqr() >= SHORTEST_SIDE * SHORTEST_SIDE
}

/// A triangle with its corners in the one order that the rule gives; `None` where its shape says little.
pub(super) fn canonical(points: &[[f64; 2]], corners: [u32; 3]) -> Option<Triangle> {
    let [i, j, k] = corners;
    let side2 = |p: u32, q: u32| {
        let (p, q) = (points[p as usize], points[q as usize]);
        (p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2)
    };
    let (ij, jk, ki) = (side2(i, j), side2(j, k), side2(k, i));
    let ordered = if ij >= jk && ij >= ki {
        if ki <= jk { [i, j, k] } else { [j, i, k] }
    } else if jk >= ki {
        if ij <= ki { [j, k, i] } else { [k, j, i] }
    } else if jk <= ij {
        [k, i, j]
    } else {
        [i, k, j]
    };
    Some(laid(points, ordered)).filter(useful)
}

/// The frame's triangles, to be found by shape.
pub(super) struct ShapeTable {
    triangles: Vec<(Triangle, f64)>,
    cell: f64,
    size: [usize; 2],
    start: Vec<u32>,
    items: Vec<u32>,
}

/// Sides of the frame's triangles, and how well places are known.
#[derive(Clone, Copy, Debug)]
pub(super) struct TableConfig {
    /// Shortest allowed longest side.
    pub shortest: f64,
    /// Longest allowed side.
    pub longest: f64,
    /// Error of a place within the plane.
    pub place_error: f64,
    /// Change of shape by the optics, as a share.
    pub bend: f64,
}

impl ShapeTable {
    /// All triangles of these points whose sides fit.
    pub fn new(points: &[[f64; 2]], config: &TableConfig) -> Self {
        let n = points.len() as u32;
        let mut triangles = Vec::new();
        let tolerance = |longest: f64| config.place_error / longest + config.bend;
        for i in 0..n {
            for j in i + 1..n {
                let d = [0, 1].map(|axis| points[i as usize][axis] - points[j as usize][axis]);
                if d[0].hypot(d[1]) > config.longest {
                    continue;
                }
                for k in j + 1..n {
                    // near equal sides two orders are possible on the other list: both go in
                    for corners in [[i, j, k], [j, i, k], [j, k, i], [k, j, i], [k, i, j], [i, k, j]] {
                        let t = laid(points, corners);
                        let allowed = tolerance(t.longest);
                        let canonical = t.shape.re <= 0.5 + allowed && (t.shape - 1.0).norm() <= 1.0 + allowed;
                        let fits = t.longest >= config.shortest && t.longest <= config.longest;
                        if canonical
                            && fits
                            && t.shape.im >= FLATTEST - allowed
                            && t.shape.norm() > SHORTEST_SIDE - allowed
                        {
                            triangles.push((t, allowed));
                        }
                    }
                }
            }
        }
        let cell = tolerance(config.shortest).clamp(0.002, 0.05);
        let size = [(0.6 / cell) as usize + 2, (1.1 / cell) as usize + 2];
        let mut table = Self { triangles, cell, size, start: vec![0; size[0] * size[1] + 1], items: vec![] };
        let mut placed: Vec<(u32, u32)> = Vec::with_capacity(4 * table.triangles.len());
        for (index, (t, allowed)) in table.triangles.iter().enumerate() {
            let (x0, x1) = (table.column(t.shape.re - allowed, 0), table.column(t.shape.re + allowed, 0));
            for y in table.column(t.shape.im - allowed, 1)..=table.column(t.shape.im + allowed, 1) {
                placed.extend((x0..=x1).map(|x| ((y * size[0] + x) as u32, index as u32)));
            }
        }
        for (cell, _) in &placed {
            table.start[*cell as usize + 1] += 1;
        }
        for i in 1..table.start.len() {
            table.start[i] += table.start[i - 1];
        }
        let mut next = table.start.clone();
        table.items = vec![0; placed.len()];
        for (cell, index) in &placed {
            table.items[next[*cell as usize] as usize] = *index;
            next[*cell as usize] += 1;
        }
        table
    }

    fn column(&self, value: f64, axis: usize) -> usize {
        // the plane begins at −0.02 of the real axis and at 0 of the imaginary one; a negative number becomes 0
        let from = if axis == 0 { value + 0.02 } else { value };
        ((from / self.cell) as usize).min(self.size[axis] - 1)
    }

    /// The frame's triangles of this shape.
    pub fn alike(&self, shape: Complex<f64>) -> impl Iterator<Item = &Triangle> {
        let cell = self.column(shape.im, 1) * self.size[0] + self.column(shape.re, 0);
        let range = self.start[cell] as usize..self.start[cell + 1] as usize;
        self.items[range]
            .iter()
            .map(|i| &self.triangles[*i as usize])
            .filter_map(move |(t, allowed)| ((t.shape - shape).norm_sqr() <= allowed * allowed).then_some(t))
    }

    /// Triangles in the table.
    pub fn len(&self) -> usize {
        self.triangles.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Turned, mirrored, stretched and moved, a triangle keeps its shape and its corners' order, and is found by it.
    #[test]
    fn a_shape_survives_what_a_camera_does() {
        let points = [[0.0, 0.0], [100.0, 10.0], [30.0, 60.0], [-40.0, 35.0], [15.0, -70.0]];
        let (s, c) = 0.7_f64.sin_cos();
        let seen = points.map(|[x, y]| [1.15 * (c * x + s * y) + 500.0, 1.15 * (s * x - c * y) - 80.0]);
        let config = TableConfig { shortest: 20.0, longest: 400.0, place_error: 0.01, bend: 1e-4 };
        let table = ShapeTable::new(&points, &config);
        let mut found = 0;
        for corners in [[0, 1, 2], [2, 1, 0], [1, 3, 4], [4, 0, 3], [2, 3, 4]] {
            let (here, there) = (canonical(&points, corners), canonical(&seen, corners));
            let (Some(here), Some(there)) = (here, there) else { continue };
            assert!((here.shape - there.shape).norm() < 1e-12 && here.corners == there.corners);
            assert!(here.reflected != there.reflected, "the other list is a mirror image");
            assert!((there.longest / here.longest - 1.15).abs() < 1e-12);
            assert!(table.alike(there.shape).any(|t| t.corners == here.corners));
            found += 1;
        }
        assert!(found >= 4, "{found}");
        let flat = [[0.0, 0.0], [100.0, 0.0], [50.0, 1.0]];
        assert!(canonical(&flat, [0, 1, 2]).is_none(), "nearly a line");
    }
}
