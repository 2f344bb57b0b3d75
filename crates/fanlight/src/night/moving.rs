//! What moves as the comet does: sources that keep their distance from the ephemeris place while the stars do not, and what
//! such a distance says of the camera's clock.

use super::expected::Expected;
use super::first_pass::{self, FirstLook};
use fanlight_sky::{SkyPosition, UtcInstant};

/// A source that moves as the comet should.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moving {
    /// Its offset from the ephemeris place, (east, north).
    pub offset_arcsec: (f64, f64),
    /// In how many frames it was seen.
    pub seen: usize,
    /// Of how many.
    pub frames: usize,
}

/// Frames that are compared: the brightest sources of more would cost time and show no more.
const COMPARED: usize = 9;
/// A source is seen in this share of the frames at least.
const SEEN_SHARE: f64 = 0.6;
/// Frames that show a motion.
const MIN_FRAMES: usize = 3;
/// The motion that tells a comet from a star, in tolerances.
const MIN_MOTION: f64 = 2.0;

/// Looks spread over the night.
fn compared<'a>(looks: &[&'a FirstLook]) -> Vec<&'a FirstLook> {
    let step = looks.len().div_ceil(COMPARED).max(1);
    looks.iter().skip(looks.len().saturating_sub(1) % step / 2).step_by(step).copied().collect()
}

/// How far apart two places of one source may be, and whether the comet moves far enough to be told from a star by it.
fn tolerance_arcsec(looks: &[&FirstLook]) -> Option<f64> {
    let tolerance = first_pass::shared_tolerance_arcsec(looks.iter().map(|l| l.scale_arcsec).fold(0.0, f64::max));
    let (first, last) = (looks.first()?, looks.last()?);
    let enough =
        looks.len() >= MIN_FRAMES && first.predicted.separation_arcsec(&last.predicted) > MIN_MOTION * tolerance;
    enough.then_some(tolerance)
}

/// In how many frames something is where a place is that moves with the comet, and where one is that stands still.
fn support(looks: &[&FirstLook], from: &FirstLook, place: &SkyPosition, tolerance_arcsec: f64) -> (usize, usize) {
    let (east, north) = from.predicted.tangent_offset_arcsec(place);
    let has = |look: &FirstLook, at: &SkyPosition| {
        // a pole's distance in declination costs less than a separation
        let reach_deg = tolerance_arcsec / 3600.0;
        look.sources
            .iter()
            .any(|s| (s.dec_deg - at.dec_deg).abs() <= reach_deg && s.separation_arcsec(at) <= tolerance_arcsec)
    };
    let moves = looks.iter().filter(|l| has(l, &l.predicted.offset_by_arcsec(east, north))).count();
    let stands = looks.iter().filter(|l| has(l, place)).count();
    (moves, stands)
}

/// The brightest source that moves as the comet should; `None` where there is none, or too little motion to tell.
pub fn find(looks: &[&FirstLook]) -> Option<Moving> {
    let looks = compared(looks);
    let tolerance = tolerance_arcsec(&looks)?;
    let least = ((SEEN_SHARE * looks.len() as f64).ceil() as usize).max(MIN_FRAMES);
    // sources stand in the order of their brightness: the first rank that shows one is the brightest's
    let ranks = looks.iter().map(|l| l.sources.len()).max()?;
    for rank in 0..ranks {
        for look in &looks {
            let Some(place) = look.sources.get(rank) else { continue };
            let (moves, stands) = support(&looks, look, place, tolerance);
            if moves >= least && moves > stands {
                let offset_arcsec = mean_offset(&looks, look, place, tolerance);
                return Some(Moving { offset_arcsec, seen: moves, frames: looks.len() });
            }
        }
    }
    None
}

/// Mean offset of the sources nearest a place that moves with the comet.
fn mean_offset(looks: &[&FirstLook], from: &FirstLook, place: &SkyPosition, tolerance_arcsec: f64) -> (f64, f64) {
    let (east, north) = from.predicted.tangent_offset_arcsec(place);
    let offsets: Vec<(f64, f64)> = looks
        .iter()
        .filter_map(|l| {
            let at = l.predicted.offset_by_arcsec(east, north);
            let nearest = l.sources.iter().map(|s| (s.separation_arcsec(&at), s)).min_by(|a, b| a.0.total_cmp(&b.0))?;
            (nearest.0 <= tolerance_arcsec).then(|| l.predicted.tangent_offset_arcsec(nearest.1))
        })
        .collect();
    let n = offsets.len().max(1) as f64;
    (offsets.iter().map(|o| o.0).sum::<f64>() / n, offsets.iter().map(|o| o.1).sum::<f64>() / n)
}

/// Whether what was found at an offset from the ephemeris stands still on the sky: a star near the path, not the comet.
pub fn is_a_star(looks: &[&FirstLook], offset_arcsec: (f64, f64)) -> bool {
    let looks = compared(looks);
    let Some(tolerance) = tolerance_arcsec(&looks) else { return false };
    let (east, north) = offset_arcsec;
    looks.iter().any(|look| {
        let place = look.predicted.offset_by_arcsec(east, north);
        let (moves, stands) = support(&looks, look, &place, tolerance);
        stands > moves + 1
    })
}

/// By how many seconds the camera's clock would have to be behind for the comet to be at an offset from its ephemeris place;
/// `None` where the offset does not lie along the motion within `across_arcsec`.
pub fn clock_behind_s(
    expected: &Expected,
    mid: UtcInstant,
    offset_arcsec: (f64, f64),
    across_arcsec: f64,
) -> Option<f64> {
    const LONGEST_S: f64 = 86_400.0;
    let computed = expected.orbit_place(mid).ok()?;
    let found = computed.offset_by_arcsec(offset_arcsec.0, offset_arcsec.1);
    let mut behind_s = 0.0;
    // the motion changes with time: three steps settle it
    for _ in 0..3 {
        let at = |seconds: f64| expected.orbit_place(mid.plus_seconds(seconds)).ok();
        let here = at(behind_s)?;
        let step = here.tangent_offset_arcsec(&at(behind_s + 60.0)?);
        let left = here.tangent_offset_arcsec(&found);
        let speed_squared = step.0 * step.0 + step.1 * step.1;
        if !(speed_squared > 0.0) {
            return None;
        }
        behind_s += 60.0 * (left.0 * step.0 + left.1 * step.1) / speed_squared;
        if behind_s.abs() > LONGEST_S {
            return None;
        }
    }
    let then = expected.orbit_place(mid.plus_seconds(behind_s)).ok()?;
    (then.separation_arcsec(&found) <= across_arcsec).then_some(behind_s)
}

/// A clock's error in words, such as "62 min slow".
pub fn clock_in_words(behind_s: f64) -> String {
    let which = if behind_s > 0.0 { "slow" } else { "fast" };
    match behind_s.abs() {
        s if s < 300.0 => format!("{s:.0} s {which}"),
        s => format!("{:.0} min {which}", s / 60.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::expected;

    #[test]
    fn a_place_that_the_comet_reaches_later_is_a_slow_clock() {
        let (orbit, site) = expected::an_orbit_and_a_site();
        let expected = Expected::by_orbit(&orbit, &site);
        let mid = UtcInstant::from_jd(2_463_000.4);
        let now = expected.orbit_place(mid).unwrap();
        for behind_s in [-3600.0, 45.0, 3600.0] {
            let later = expected.orbit_place(mid.plus_seconds(behind_s)).unwrap();
            let (east, north) = now.tangent_offset_arcsec(&later);
            let got = clock_behind_s(&expected, mid, (east, north), 0.1).unwrap();
            assert!((got - behind_s).abs() < 0.5, "{got}, not {behind_s}");
            // a quarter turn from the motion
            assert_eq!(clock_behind_s(&expected, mid, (-north, east), 0.3), None);
        }
        assert_eq!(clock_in_words(3600.0), "60 min slow");
        assert_eq!(clock_in_words(-45.2), "45 s fast");
    }
}
