//! Labels round a circle or a rim, moved apart until each has room.

/// Places along a way that closes after `around`, moved as little as needs be until neighbours are at least `least`
/// apart; those `held` stay where they are. With no room for all they are spread evenly, but for one per cent.
pub(crate) fn part(places: &mut [f64], held: &[bool], least: f64, around: f64) {
    let n = places.len();
    let least = least.min(0.99 * around / n.max(1) as f64);
    let is_held = |i: usize| held.get(i).copied().unwrap_or(false);
    let mut order: Vec<usize> = (0..n).collect();
    // places of one direction part evenly; a handful settles within a few dozen rounds
    for _ in 0..200 {
        order.sort_by(|a, b| places[*a].total_cmp(&places[*b]));
        for k in 0..n {
            let (i, j) = (order[k], order[(k + 1) % n]);
            let lacking = least - (places[j] - places[i]).rem_euclid(around);
            if i != j && lacking > 1e-9 {
                let (first, second) = match (is_held(i), is_held(j)) {
                    (true, _) => (0.0, lacking),
                    (_, true) => (lacking, 0.0),
                    _ => (lacking / 2.0, lacking / 2.0),
                };
                places[i] = (places[i] - first).rem_euclid(around);
                places[j] = (places[j] + second).rem_euclid(around);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_part_across_the_join_and_held_ones_stay() {
        for places in [vec![359.0, 1.0, 2.0], vec![10.0, 10.0], vec![5.0], vec![], vec![100.0; 6]] {
            let mut moved = places.clone();
            part(&mut moved, &[], 13.0, 360.0);
            for i in 0..moved.len() {
                for j in 0..i {
                    let gap = (moved[i] - moved[j]).rem_euclid(360.0);
                    assert!(gap.min(360.0 - gap) >= 12.9, "{places:?}: {moved:?}");
                }
            }
        }
        let mut moved = [10.0, 12.0, 200.0];
        part(&mut moved, &[true, false, false], 13.0, 360.0);
        assert_eq!(moved, [10.0, 23.0, 200.0]);
    }
}
