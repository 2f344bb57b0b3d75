//! Points of a plane sorted into square cells, to find those near a place.

/// Points in cells, in the order in which they were given within a cell.
pub(super) struct Grid {
    points: Vec<[f64; 2]>,
    origin: [f64; 2],
    per_cell: f64,
    size: [usize; 2],
    start: Vec<u32>,
    items: Vec<u32>,
}

impl Grid {
    /// Sorts points into cells of about `cell`, wider where there would be many more cells than points.
    pub fn new(points: Vec<[f64; 2]>, cell: f64) -> Self {
        let mut low = [f64::INFINITY; 2];
        let mut high = [f64::NEG_INFINITY; 2];
        for p in &points {
            for axis in 0..2 {
                low[axis] = low[axis].min(p[axis]);
                high[axis] = high[axis].max(p[axis]);
            }
        }
        if points.is_empty() {
            (low, high) = ([0.0; 2], [0.0; 2]);
        }
        let area = (high[0] - low[0]).max(cell) * (high[1] - low[1]).max(cell);
        let side = cell.max((area / (4.0 * points.len() as f64 + 16.0)).sqrt());
        let size = [0, 1].map(|axis| ((high[axis] - low[axis]) / side) as usize + 1);
        let mut grid = Self {
            points,
            origin: low,
            per_cell: 1.0 / side,
            size,
            start: vec![0; size[0] * size[1] + 1],
            items: vec![],
        };
        let cells: Vec<usize> = grid.points.iter().map(|p| grid.cell_of(*p)).collect();
        for cell in &cells {
            grid.start[cell + 1] += 1;
        }
        for i in 1..grid.start.len() {
            grid.start[i] += grid.start[i - 1];
        }
        let mut next = grid.start.clone();
        grid.items = vec![0; cells.len()];
        for (i, cell) in cells.iter().enumerate() {
            grid.items[next[*cell] as usize] = i as u32;
            next[*cell] += 1;
        }
        grid
    }

    /// The points.
    pub fn points(&self) -> &[[f64; 2]] {
        &self.points
    }

    fn column(&self, value: f64, axis: usize) -> usize {
        // a negative number becomes 0
        (((value - self.origin[axis]) * self.per_cell) as usize).min(self.size[axis] - 1)
    }

    fn cell_of(&self, p: [f64; 2]) -> usize {
        self.column(p[1], 1) * self.size[0] + self.column(p[0], 0)
    }

    /// Calls `f(index, squared distance)` for every point within a radius.
    pub fn within(&self, at: [f64; 2], radius: f64, mut f: impl FnMut(usize, f64)) {
        let (x0, x1) = (self.column(at[0] - radius, 0), self.column(at[0] + radius, 0));
        for row in self.column(at[1] - radius, 1)..=self.column(at[1] + radius, 1) {
            let from = self.start[row * self.size[0] + x0] as usize;
            let to = self.start[row * self.size[0] + x1 + 1] as usize;
            for i in &self.items[from..to] {
                let p = self.points[*i as usize];
                let (dx, dy) = (p[0] - at[0], p[1] - at[1]);
                let d2 = dx * dx + dy * dy;
                if d2 <= radius * radius {
                    f(*i as usize, d2);
                }
            }
        }
    }

    /// The nearest point within a radius, with its squared distance.
    pub fn nearest(&self, at: [f64; 2], radius: f64) -> Option<(usize, f64)> {
        let mut best: Option<(usize, f64)> = None;
        self.within(at, radius, |i, d2| {
            if best.is_none_or(|(_, b)| d2 < b) {
                best = Some((i, d2));
            }
        });
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_what_a_full_search_finds() {
        let mut state = 7_u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / f64::from(1_u32 << 31) * 100.0 - 50.0
        };
        let points: Vec<[f64; 2]> = (0..300).map(|_| [next(), next()]).collect();
        let grid = Grid::new(points.clone(), 3.0);
        for _ in 0..200 {
            let (at, radius) = ([next() * 1.3, next() * 1.3], next().abs() * 0.3);
            let mut got = Vec::new();
            grid.within(at, radius, |i, _| got.push(i));
            got.sort_unstable();
            let distance = |p: &[f64; 2]| (p[0] - at[0]).hypot(p[1] - at[1]);
            let expected: Vec<usize> = (0..300).filter(|i| distance(&points[*i]) <= radius).collect();
            assert_eq!(got, expected);
            let nearest = grid.nearest(at, radius).map(|(i, _)| i);
            let best = expected.iter().copied().min_by(|a, b| distance(&points[*a]).total_cmp(&distance(&points[*b])));
            assert_eq!(nearest, best);
        }
    }

    #[test]
    fn no_points_and_one_point() {
        assert_eq!(Grid::new(vec![], 1.0).nearest([0.0, 0.0], 10.0), None);
        assert_eq!(Grid::new(vec![[5.0, 5.0]], 1.0).nearest([4.0, 5.0], 2.0), Some((0, 1.0)));
    }
}
