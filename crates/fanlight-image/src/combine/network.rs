//! A sorting network run on many pixels side by side.

use super::LANES;

/// The comparisons of Batcher's odd-even merge sort for `n` rows, in order.
///
/// # Source
/// Batcher 1968, AFIPS Spring Joint Computer Conference 32, 307; iterative form of Knuth, The Art of Computer
/// Programming 3, 5.2.2, algorithm M. For `n` that is not a power of two the comparisons with rows beyond the last
/// are left out: such rows would hold +∞ and never move.
pub(super) fn odd_even_merge_sort(n: usize) -> Vec<(u16, u16)> {
    let mut pairs = Vec::new();
    let full = n.next_power_of_two();
    let mut p = full / 2;
    while p > 0 {
        let (mut q, mut r, mut d) = (full / 2, 0, p);
        loop {
            let compared = (0..n.saturating_sub(d)).filter(|i| i & p == r);
            pairs.extend(compared.map(|i| (i as u16, (i + d) as u16)));
            if q == p {
                break;
            }
            (d, q, r) = (q - p, q / 2, p);
        }
        p /= 2;
    }
    pairs
}

/// Sorts each lane of `rows` ascending. The two rows of a comparison are copied to locals: through two mutable
/// references the compiler does not vectorise, and the time is ten times as long.
#[inline(always)]
pub(super) fn sort_lanes(rows: &mut [[f32; LANES]], pairs: &[(u16, u16)]) {
    for &(low, high) in pairs {
        let (a, b) = (rows[low as usize], rows[high as usize]);
        let (mut least, mut most) = ([0.0; LANES], [0.0; LANES]);
        for i in 0..LANES {
            least[i] = if a[i] < b[i] { a[i] } else { b[i] };
            most[i] = if a[i] < b[i] { b[i] } else { a[i] };
        }
        rows[low as usize] = least;
        rows[high as usize] = most;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sorts_every_pattern_of_zeros_and_ones() {
        // A network that sorts all 0-1 sequences sorts everything (Knuth 5.3.4, theorem Z).
        for n in 0..=14usize {
            let pairs = odd_even_merge_sort(n);
            for pattern in 0u32..1 << n {
                let mut v: Vec<u32> = (0..n).map(|i| pattern >> i & 1).collect();
                for &(i, j) in &pairs {
                    if v[i as usize] > v[j as usize] {
                        v.swap(i as usize, j as usize);
                    }
                }
                assert!(v.is_sorted(), "n {n} pattern {pattern:b}");
            }
        }
    }

    #[test]
    fn number_of_comparisons_is_batchers() {
        // Knuth 5.3.4, table 1 and the exact count for powers of two: (p² − p + 4)·2^(p−2) − 1.
        for (n, expected) in [(2, 1), (4, 5), (8, 19), (16, 63), (32, 191), (64, 543)] {
            assert_eq!(odd_even_merge_sort(n).len(), expected);
        }
    }

    #[test]
    fn lanes_are_sorted_apart() {
        for n in [1usize, 2, 3, 7, 60, 100] {
            let value = |k: usize, i: usize| ((k * 7919 + i * 104_729) % 1009) as f32;
            let mut rows: Vec<[f32; LANES]> = (0..n).map(|k| std::array::from_fn(|i| value(k, i))).collect();
            sort_lanes(&mut rows, &odd_even_merge_sort(n));
            for i in 0..LANES {
                let mut expected: Vec<f32> = (0..n).map(|k| value(k, i)).collect();
                expected.sort_by(f32::total_cmp);
                assert!(rows.iter().map(|r| r[i]).eq(expected));
            }
        }
    }
}
