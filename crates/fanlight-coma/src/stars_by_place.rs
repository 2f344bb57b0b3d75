//! Stars looked up by their place: a field has thousands, and each light found in it asks for those near it.

use crate::stars::FieldStar;
use std::collections::HashMap;

/// Stars in square cells as wide as the distance that is looked up at most.
pub(crate) struct StarsByPlace<'a> {
    stars: &'a [FieldStar],
    /// By index.
    cells: HashMap<(i64, i64), Vec<usize>>,
    reach_px: f64,
}

/// A star near a place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Near<'a> {
    /// Its index.
    pub index: usize,
    pub star: &'a FieldStar,
    pub away_px: f64,
}

impl<'a> StarsByPlace<'a> {
    pub(crate) fn new(stars: &'a [FieldStar], reach_px: f64) -> Self {
        let mut cells: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
        for (i, star) in stars.iter().enumerate() {
            cells.entry(cell(star, reach_px)).or_default().push(i);
        }
        Self { stars, cells, reach_px }
    }

    /// Those nearer to another than the reach.
    pub(crate) fn near(&self, to: &FieldStar) -> impl Iterator<Item = Near<'a>> {
        let (x, y) = cell(to, self.reach_px);
        let cells = (-1..=1).flat_map(move |j| (-1..=1).map(move |i| (x + i, y + j)));
        let near = |index: usize| Near { index, star: &self.stars[index], away_px: self.stars[index].away_px(to) };
        let indices = cells.filter_map(|cell| self.cells.get(&cell)).flatten().copied();
        indices.map(near).filter(|n| n.away_px < self.reach_px)
    }

    /// The nearest one within a distance, which is no more than the reach.
    pub(crate) fn nearest(&self, to: &FieldStar, within_px: f64) -> Option<Near<'a>> {
        let near = self.near(to).filter(|n| n.away_px < within_px);
        near.min_by(|a, b| a.away_px.total_cmp(&b.away_px))
    }
}

fn cell(star: &FieldStar, reach_px: f64) -> (i64, i64) {
    ((star.x_px / reach_px).floor() as i64, (star.y_px / reach_px).floor() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stars_near_a_place_are_those_of_a_search_through_all() {
        // a sequence that fills a field evenly (Roberts 2018), some of it at negative places
        let place = |i: i32, step: f64| (f64::from(i) * step).fract() * 60.0 - 20.0;
        let stars: Vec<FieldStar> = (1..400)
            .map(|i| FieldStar { x_px: place(i, 0.754_877_67), y_px: place(i, 0.569_840_29), flux: f64::from(i) })
            .collect();
        let by_place = StarsByPlace::new(&stars, 5.0);
        for of in stars.iter().step_by(7) {
            let to = FieldStar { x_px: of.x_px + 0.7, ..*of };
            let mut got: Vec<usize> = by_place.near(&to).map(|n| n.index).collect();
            got.sort_unstable();
            let all: Vec<usize> = (0..stars.len()).filter(|i| stars[*i].away_px(&to) < 5.0).collect();
            assert_eq!(got, all);
            let nearest = by_place.nearest(&to, 2.0).expect("it is 0.7 px away at most");
            assert!(all.iter().all(|i| stars[*i].away_px(&to) >= nearest.away_px));
            assert_eq!(nearest.star, &stars[nearest.index]);
        }
        assert!(by_place.nearest(&FieldStar { x_px: 500.0, y_px: 0.0, flux: 1.0 }, 5.0).is_none());
    }
}
