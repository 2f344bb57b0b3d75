//! Where the pictures of a montage stand: in rows, in order of time, with room where nights are missing.

use crate::svg::WIDTH;

/// From the sheet's edge to the first picture, and between pictures.
const MARGIN: f64 = 20.0;
const GAP: f64 = 16.0;
/// Between pictures with a long time between them: room for a mark and a word.
const LONG_GAP: f64 = 40.0;
/// A time between two nights is long from so many times the median on, and from so many days on.
const LONG: (f64, f64) = (3.0, 3.0);
/// Sides of the largest and of the smallest picture.
const SIDES: (f64, f64) = (206.0, 54.0);
/// Most columns.
const MOST_COLUMNS: usize = 10;

/// A picture's place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Slot {
    /// The night's index.
    pub night: usize,
    pub left: f64,
    /// Days since the night before, where they are many.
    pub long_gap_days: Option<f64>,
}

/// All rows.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rows {
    pub side: f64,
    /// Left edge of the first picture of each row.
    pub left: f64,
    pub rows: Vec<Vec<Slot>>,
}

/// Rows for nights at these days, in as few columns as keep the height under `most_height`, where a row is `row_extra` higher
/// than `pictures_high` times a picture's side; `label_room` at the left.
pub(super) fn rows(
    days: &[Option<f64>],
    pictures_high: f64,
    row_extra: f64,
    label_room: f64,
    most_height: f64,
) -> Rows {
    let gaps = long_gaps(days);
    let left = MARGIN + label_room;
    let room = WIDTH - left - MARGIN;
    let least = days.len().clamp(1, 3);
    let mut last = None;
    for columns in least..=MOST_COLUMNS.max(least) {
        let side = ((room - GAP * (columns - 1) as f64) / columns as f64).min(SIDES.0);
        if side < SIDES.1 {
            break;
        }
        let rows = packed(&gaps, side, left, room);
        let height = rows.len() as f64 * (pictures_high * side + row_extra);
        let fits = height <= most_height;
        last = Some(Rows { side, left, rows });
        if fits {
            break;
        }
    }
    last.unwrap_or(Rows { side: SIDES.1, left, rows: Vec::new() })
}

fn packed(gaps: &[Option<f64>], side: f64, left: f64, room: f64) -> Vec<Vec<Slot>> {
    let mut rows: Vec<Vec<Slot>> = Vec::new();
    let mut at = f64::INFINITY;
    for (night, gap) in gaps.iter().enumerate() {
        let between = if gap.is_some() { LONG_GAP } else { GAP };
        // a hundredth of a unit for rounding
        if at + between + side > left + room + 0.01 {
            rows.push(Vec::new());
            at = left + if gap.is_some() { LONG_GAP - GAP } else { 0.0 };
        } else {
            at += between;
        }
        rows.last_mut().expect("there is one").push(Slot { night, left: at, long_gap_days: *gap });
        at += side;
    }
    rows
}

/// Days since the night before, where they are far more than between most nights.
fn long_gaps(days: &[Option<f64>]) -> Vec<Option<f64>> {
    let since = |i: usize| Some(days.get(i).copied().flatten()? - days.get(i.checked_sub(1)?).copied().flatten()?);
    let mut all: Vec<f64> = (0..days.len()).filter_map(since).collect();
    all.sort_by(f64::total_cmp);
    let median = all.get(all.len().saturating_sub(1) / 2).copied().unwrap_or(f64::INFINITY);
    (0..days.len()).map(|i| since(i).filter(|d| all.len() > 1 && *d > LONG.0 * median && *d > LONG.1)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn nightly(n: usize) -> Vec<Option<f64>> {
        (0..n).map(|i| Some(i as f64)).collect()
    }

    #[test]
    fn few_nights_are_large_and_many_stay_on_a_sheet() {
        for (n, columns, least_side) in [(1, 1, 200.0), (3, 3, 200.0), (5, 3, 200.0), (14, 5, 110.0), (60, 9, 54.0)] {
            let r = rows(&nightly(n), 1.0, 84.0, 0.0, 790.0);
            assert_eq!(r.rows.iter().map(Vec::len).sum::<usize>(), n);
            assert_eq!(r.rows[0].len(), columns, "{n}: {}", r.side);
            assert!(r.side >= least_side, "{n}: {}", r.side);
        }
        assert!(rows(&[], 1.0, 84.0, 0.0, 790.0).rows.is_empty());
    }

    #[test]
    fn pictures_never_overlap_nor_leave_the_sheet_and_stand_in_order() {
        let mut days = nightly(23);
        days.iter_mut().skip(9).for_each(|d| *d = d.map(|d| d + 25.0));
        days[4] = None;
        let r = rows(&days, 2.0, 90.0, 14.0, 700.0);
        let order: Vec<usize> = r.rows.iter().flatten().map(|s| s.night).collect();
        assert_eq!(order, (0..23).collect::<Vec<_>>());
        for row in &r.rows {
            assert!(row.windows(2).all(|w| w[1].left >= w[0].left + r.side + GAP - 0.01));
            assert!(row.iter().all(|s| s.left >= MARGIN && s.left + r.side <= WIDTH - MARGIN + 0.02), "{row:?}");
        }
        let long: Vec<&Slot> = r.rows.iter().flatten().filter(|s| s.long_gap_days.is_some()).collect();
        assert_eq!(long.len(), 1);
        assert_eq!((long[0].night, long[0].long_gap_days), (9, Some(26.0)));
    }
}
