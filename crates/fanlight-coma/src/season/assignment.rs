//! The cheapest pairing of two sets.

/// Pairs rows with columns so that the sum of costs is least; a pair that costs infinity is never made, and a row without a
/// pair costs `unpaired`. Returns each row's column.
///
/// # Source
/// Kuhn 1955, Nav. Res. Log. Quart. 2, 83, with potentials and shortest augmenting paths (Jonker & Volgenant 1987, Computing
/// 38, 325; both from memory).
pub(crate) fn cheapest_pairs(costs: &[Vec<f64>], unpaired: f64) -> (Vec<Option<usize>>, f64) {
    let rows = costs.len();
    let columns = costs.first().map_or(0, Vec::len);
    // each row has a column of its own that stands for no pair; what must not be is far dearer than all of those
    let never = 1e3 * (1.0 + unpaired.abs()) * (1 + rows) as f64;
    let cost = |row: usize, column: usize| match column.checked_sub(columns) {
        None if costs[row][column].is_finite() => costs[row][column],
        Some(own) if own == row => unpaired,
        _ => never,
    };
    let width = columns + rows;
    // row of each column; the entry past the end holds the row that is being placed
    let mut row_of: Vec<Option<usize>> = vec![None; width + 1];
    let (mut row_potential, mut column_potential) = (vec![0.0; rows], vec![0.0; width + 1]);
    for row in 0..rows {
        row_of[width] = Some(row);
        let mut nearest = vec![f64::INFINITY; width];
        let mut came_from = vec![width; width];
        let mut done = vec![false; width + 1];
        let mut column = width;
        while let Some(current) = row_of[column] {
            done[column] = true;
            let (mut step, mut next) = (f64::INFINITY, width);
            for j in (0..width).filter(|j| !done[*j]) {
                let reduced = cost(current, j) - row_potential[current] - column_potential[j];
                if reduced < nearest[j] {
                    (nearest[j], came_from[j]) = (reduced, column);
                }
                if nearest[j] < step {
                    (step, next) = (nearest[j], j);
                }
            }
            for j in 0..=width {
                if done[j] {
                    if let Some(r) = row_of[j] {
                        row_potential[r] += step;
                    }
                    column_potential[j] -= step;
                } else {
                    nearest[j] -= step;
                }
            }
            column = next;
        }
        while column != width {
            let before = came_from[column];
            row_of[column] = row_of[before];
            column = before;
        }
        row_of[width] = None;
    }
    let mut pairs = vec![None; rows];
    let mut total = 0.0;
    for (column, row) in row_of.iter().enumerate().take(width) {
        if let Some(row) = *row {
            total += cost(row, column);
            pairs[row] = (column < columns).then_some(column);
        }
    }
    (pairs, total)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every pairing there is.
    fn by_trying(costs: &[Vec<f64>], unpaired: f64, row: usize, used: &mut Vec<usize>) -> f64 {
        if row == costs.len() {
            return 0.0;
        }
        let mut best = unpaired + by_trying(costs, unpaired, row + 1, used);
        for (column, cost) in costs[row].iter().enumerate() {
            if cost.is_finite() && !used.contains(&column) {
                used.push(column);
                best = best.min(cost + by_trying(costs, unpaired, row + 1, used));
                used.pop();
            }
        }
        best
    }

    proptest! {
        #[test]
        fn is_as_cheap_as_the_best_of_all(
            rows in 0usize..6,
            columns in 1usize..6,
            numbers in proptest::collection::vec(0.0f64..12.0, 36),
        ) {
            let cost = |v: f64| if v > 9.0 { f64::INFINITY } else { v };
            let costs: Vec<Vec<f64>> = (0..rows).map(|i| (0..columns).map(|j| cost(numbers[6 * i + j])).collect()).collect();
            let (pairs, total) = cheapest_pairs(&costs, 9.0);
            prop_assert!((total - by_trying(&costs, 9.0, 0, &mut Vec::new())).abs() < 1e-9);
            let taken: Vec<usize> = pairs.iter().flatten().copied().collect();
            prop_assert_eq!(taken.len(), taken.iter().collect::<std::collections::BTreeSet<_>>().len());
            let sum: f64 = pairs.iter().enumerate().map(|(i, c)| c.map_or(9.0, |c| costs[i][c])).sum();
            prop_assert!((sum - total).abs() < 1e-9);
        }
    }
}
