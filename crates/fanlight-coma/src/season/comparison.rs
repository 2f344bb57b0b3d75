//! This comet beside others: how many times as active at the same distance, and what makes the comparison unfair.

use super::power_law::PowerLaw;
use super::reference_comets::{PublishedBand, PublishedPoint, PublishedSide, PublishedSlope, ReferenceComet};
use super::{SeasonError, Side};
use crate::season::error::check_positive;
use fanlight_image::Measured;
use std::f64::consts::LN_10;

/// What stands between two comets' values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Caveat {
    /// Apertures differ by more than a tenth.
    OtherAperture,
    /// The reference's aperture is not stated.
    ApertureNotStated,
    /// Filters differ: other gas, other colour of the dust.
    OtherFilterOrGas,
    /// One is corrected for phase, the other is not.
    PhaseNotCorrected,
    /// No distance at which both were measured: there is no ratio.
    NoOverlap,
    /// The reference was in outburst.
    Outburst,
    /// The reference is from the other side of perihelion, or its side is not stated.
    SideDiffers,
    /// The reference is one value, at one distance.
    SinglePoint,
    /// The reference is its authors' extrapolation.
    Extrapolated,
    /// The reference has no published error: the ratio's error holds this comet's only.
    NoPublishedError,
}

impl Caveat {
    /// Whether it makes the ratio something other than one of activities. A single point and a missing error only
    /// make it less certain.
    pub fn is_unfair(self) -> bool {
        !matches!(self, Self::SinglePoint | Self::NoPublishedError)
    }

    /// In words.
    pub fn text(self) -> &'static str {
        match self {
            Self::OtherAperture => "other aperture",
            Self::ApertureNotStated => "aperture not stated",
            Self::OtherFilterOrGas => "other filter or gas",
            Self::PhaseNotCorrected => "phase not corrected in both",
            Self::NoOverlap => "no distance in common",
            Self::Outburst => "reference in outburst",
            Self::SideDiffers => "other side of perihelion",
            Self::SinglePoint => "a single reference value",
            Self::Extrapolated => "reference extrapolated",
            Self::NoPublishedError => "reference without an error",
        }
    }
}

/// This comet's side: its law with what it was made from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OwnActivity<'a> {
    /// Side of perihelion.
    pub side: Side,
    /// The law of that side, without outbursts.
    pub law: &'a PowerLaw,
    /// Radius of the aperture, km, > 0.
    pub aperture_km: f64,
    /// Band.
    pub band: PublishedBand<'a>,
    /// Whether it is A(0°)fρ.
    pub is_phase_corrected: bool,
}

/// One reference comet beside this one.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison<'a> {
    /// The reference.
    pub comet: &'a str,
    /// Where the values used are published, each once.
    pub sources: Vec<&'a str>,
    /// Distances at which both were measured, smallest first; one twice where the reference has one.
    pub r_range_au: Option<(f64, f64)>,
    /// The distance of the ratio: the middle of that range in log r, or what was asked for.
    pub at_r_au: Option<f64>,
    /// This comet's law over the reference's values, interpolated in log–log, at that distance. The error holds that of the law
    /// and what is published of the reference's, not how the reference scattered from night to night.
    pub ratio: Option<Measured>,
    /// This comet's slope.
    pub slope: Measured,
    /// The reference's published slopes.
    pub reference_slopes: &'a [PublishedSlope<'a>],
    /// What to know, each once, in the order of the enum.
    pub caveats: Vec<Caveat>,
}

impl Comparison<'_> {
    /// Whether nothing but the tolerated makes it unfair.
    pub fn is_fair(&self, tolerated: &[Caveat]) -> bool {
        self.caveats.iter().all(|c| !c.is_unfair() || tolerated.contains(c))
    }
}

/// Place among the comets that may fairly be compared at one distance.
#[derive(Debug, Clone, PartialEq)]
pub struct Rank<'a> {
    /// The distance.
    pub r_au: f64,
    /// 1 for the most active.
    pub place: usize,
    /// Best and worst place within one error of each ratio.
    pub places: (usize, usize),
    /// The comets, without this one.
    pub among: Vec<&'a str>,
    /// Comets with a value at that distance that were left out as unfair, with the reasons.
    pub left_out: Vec<(&'a str, Vec<Caveat>)>,
}

/// Apertures alike within this factor.
const SAME_APERTURE: f64 = 1.1;
/// Distances alike within this, dex (2.3 %): a slope of −4 makes 9 % of it.
const SAME_LOG_R: f64 = 0.01;

/// Compares with one reference at the middle of the distances in common, in log r.
///
/// Reference values of the same side are taken (those around perihelion or of both sides count for either), without outbursts
/// and extrapolations; only where these have no distance in common, in this order: outbursts, the other side, extrapolations.
///
/// # Errors
/// An aperture that is not positive; a reference distance or value that is not positive.
///
/// # Source
/// Own rule.
pub fn compare<'a>(own: &OwnActivity, reference: &ReferenceComet<'a>) -> Result<Comparison<'a>, SeasonError> {
    compare_at(own, reference, None)
}

/// The same at one distance; no ratio where it is not among the distances in common, within 2 %.
///
/// # Errors
/// As [`compare`], and a distance that is not positive.
pub fn compare_at<'a>(
    own: &OwnActivity,
    reference: &ReferenceComet<'a>,
    r_au: Option<f64>,
) -> Result<Comparison<'a>, SeasonError> {
    check_positive("aperture_km", 0, own.aperture_km)?;
    if let Some(r_au) = r_au {
        check_positive("r_au", 0, r_au)?;
    }
    for (row, p) in reference.points.iter().enumerate() {
        check_positive("afrho_cm", row, p.afrho_cm)?;
        p.r_au.map_or(Ok(()), |r| check_positive("r_au", row, r))?;
    }
    let groups = groups(own.side, reference.points);
    let in_common = |group: &Vec<&PublishedPoint<'a>>| overlap(own, group, r_au);
    let chosen = groups.iter().find(|g| in_common(g).is_some()).or(groups.first());
    let used: &[&PublishedPoint<'a>] = chosen.map_or(&[], Vec::as_slice);
    let mut caveats: Vec<Caveat> = used.iter().flat_map(|p| caveats_of(own, p)).collect();
    let range = chosen.and_then(in_common);
    let (mut at_r_au, mut ratio) = (None, None);
    if let Some((low, high)) = range {
        let at = r_au.map_or((low * high).sqrt(), |r| r.clamp(low, high));
        let curve = curve(used);
        let (log_reference, error) = interpolated(&curve, at.log10());
        let law = own.law.log_afrho_at(at);
        let value = 10f64.powf(law.value - log_reference);
        ratio = Some(Measured::new(value, value * LN_10 * law.sigma.hypot(error.unwrap_or(0.0))));
        at_r_au = Some(at);
        if error.is_none() {
            caveats.push(Caveat::NoPublishedError);
        }
        if curve.len() == 1 {
            caveats.push(Caveat::SinglePoint);
        }
    } else {
        caveats.push(Caveat::NoOverlap);
    }
    caveats.sort_unstable();
    caveats.dedup();
    let mut sources: Vec<&str> = Vec::new();
    for p in used {
        if !sources.contains(&p.source) {
            sources.push(p.source);
        }
    }
    Ok(Comparison {
        comet: reference.comet,
        sources,
        r_range_au: range,
        at_r_au,
        ratio,
        slope: own.law.slope,
        reference_slopes: reference.slopes,
        caveats,
    })
}

/// Place at one distance among the references that are fair there but for tolerated caveats; `None` where there is none, or
/// where this comet's law does not cover the distance.
///
/// # Errors
/// As [`compare_at`].
pub fn rank_at<'a>(
    own: &OwnActivity,
    references: &[ReferenceComet<'a>],
    r_au: f64,
    tolerated: &[Caveat],
) -> Result<Option<Rank<'a>>, SeasonError> {
    let mut rank = Rank { r_au, place: 1, places: (1, 1), among: Vec::new(), left_out: Vec::new() };
    for reference in references {
        let comparison = compare_at(own, reference, Some(r_au))?;
        let Some(ratio) = comparison.ratio else { continue };
        if !comparison.is_fair(tolerated) {
            let reasons = comparison.caveats.into_iter().filter(|c| c.is_unfair() && !tolerated.contains(c)).collect();
            rank.left_out.push((reference.comet, reasons));
            continue;
        }
        rank.among.push(reference.comet);
        rank.place += usize::from(ratio.value < 1.0);
        rank.places.0 += usize::from(ratio.value + ratio.sigma < 1.0);
        rank.places.1 += usize::from(ratio.value - ratio.sigma < 1.0);
    }
    Ok((!rank.among.is_empty()).then_some(rank))
}

/// Reference values with a distance, in groups of decreasing fairness.
fn groups<'a, 'b>(side: Side, points: &'b [PublishedPoint<'a>]) -> Vec<Vec<&'b PublishedPoint<'a>>> {
    let mut groups: Vec<Vec<&PublishedPoint>> = vec![Vec::new(); 8];
    for p in points.iter().filter(|p| p.r_au.is_some()) {
        let index =
            4 * usize::from(p.is_extrapolated) + 2 * usize::from(differs(side, p.side)) + usize::from(p.is_outburst);
        groups[index].push(p);
    }
    groups.retain(|g| !g.is_empty());
    groups
}

fn differs(own: Side, of: PublishedSide) -> bool {
    match of {
        PublishedSide::On(side) => side != own,
        PublishedSide::Perihelion | PublishedSide::Both => false,
        PublishedSide::NotStated => true,
    }
}

fn caveats_of(own: &OwnActivity, p: &PublishedPoint) -> Vec<Caveat> {
    let other_aperture = |km: f64| (km / own.aperture_km).max(own.aperture_km / km) > SAME_APERTURE;
    let is_same_band = match (own.band, p.band) {
        (PublishedBand::NotStated | PublishedBand::BroadUnnamed, _) => false,
        (own, of) => own == of,
    };
    [
        (p.aperture_km.is_some_and(other_aperture), Caveat::OtherAperture),
        (p.aperture_km.is_none(), Caveat::ApertureNotStated),
        (!is_same_band, Caveat::OtherFilterOrGas),
        (p.is_phase_corrected != own.is_phase_corrected, Caveat::PhaseNotCorrected),
        (p.is_outburst, Caveat::Outburst),
        (differs(own.side, p.side), Caveat::SideDiffers),
        (p.is_extrapolated, Caveat::Extrapolated),
    ]
    .into_iter()
    .filter_map(|(holds, caveat)| holds.then_some(caveat))
    .collect()
}

/// Distances in common, and with the asked one among them.
fn overlap(own: &OwnActivity, group: &[&PublishedPoint], r_au: Option<f64>) -> Option<(f64, f64)> {
    let distances = || group.iter().filter_map(|p| p.r_au);
    let (own_low, own_high) = own.law.r_range_au;
    let low = distances().fold(f64::INFINITY, f64::min).max(own_low);
    let high = distances().fold(0.0, f64::max).min(own_high);
    let near = 10f64.powf(SAME_LOG_R);
    let holds = |r: f64| (low / near..=high * near).contains(&r) && own.law.covers(r);
    (low <= high && r_au.is_none_or(holds)).then_some((low, high))
}

/// Distances ascending, each once, with log₁₀ Afρ and its error, dex: of several values at one distance the mean, with half their
/// spread as error where that is larger.
fn curve(points: &[&PublishedPoint]) -> Vec<(f64, f64, Option<f64>)> {
    let mut rows: Vec<(f64, f64, Option<f64>)> = points
        .iter()
        .filter_map(|p| {
            let half_range = p.afrho_range_cm.map(|(low, high)| 0.5 * (high - low));
            let error = p.afrho_err_cm.or(half_range).map(|e| e / p.afrho_cm / LN_10);
            p.r_au.map(|r| (r.log10(), p.afrho_cm.log10(), error))
        })
        .collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    rows.chunk_by(|a, b| b.0 - a.0 < 1e-9)
        .map(|same| {
            if let [only] = same {
                return *only;
            }
            let n = same.len() as f64;
            let (low, high) = same.iter().fold((f64::MAX, f64::MIN), |(l, h), s| (l.min(s.1), h.max(s.1)));
            let known = same.iter().filter_map(|s| s.2).fold(0.5 * (high - low), f64::max);
            (same[0].0, same.iter().map(|s| s.1).sum::<f64>() / n, Some(known))
        })
        .collect()
}

/// A curve at a place within it.
fn interpolated(curve: &[(f64, f64, Option<f64>)], log_r: f64) -> (f64, Option<f64>) {
    let after = curve.partition_point(|c| c.0 < log_r).min(curve.len() - 1);
    let (a, b) = (curve[after.saturating_sub(1)], curve[after]);
    let share = if b.0 > a.0 { ((log_r - a.0) / (b.0 - a.0)).clamp(0.0, 1.0) } else { 1.0 };
    let error = match (a.2, b.2) {
        (_, Some(eb)) if share == 1.0 => Some(eb),
        (Some(ea), Some(eb)) => Some(f64::hypot((1.0 - share) * ea, share * eb)),
        _ => None,
    };
    ((1.0 - share) * a.1 + share * b.1, error)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::power_law::{ActivityPoint, Scatter, fit_power_law};
    use crate::season::reference_comets::REFERENCE_COMETS;

    const POINT: PublishedPoint<'static> = PublishedPoint {
        epoch: None,
        r_au: Some(1.5),
        is_r_computed: false,
        side: PublishedSide::On(Side::Pre),
        afrho_cm: 100.0,
        afrho_err_cm: Some(10.0),
        afrho_range_cm: None,
        is_phase_corrected: true,
        band: PublishedBand::Broad("r"),
        aperture_km: Some(10_000.0),
        is_outburst: false,
        is_extrapolated: false,
        source: "an invented table",
    };

    /// 1000 cm r^−2 from 1.2 to 2 au.
    fn law() -> PowerLaw {
        let points: Vec<_> = [1.2, 1.4, 1.6, 1.8, 2.0]
            .iter()
            .map(|r: &f64| ActivityPoint { r_au: *r, afrho_cm: Measured::new(1000.0 / r / r, 20.0 / r / r) })
            .collect();
        fit_power_law(&points, Scatter::KnownDex(0.0)).unwrap()
    }

    fn own(law: &PowerLaw) -> OwnActivity<'_> {
        OwnActivity {
            side: Side::Pre,
            law,
            aperture_km: 10_000.0,
            band: PublishedBand::Broad("r"),
            is_phase_corrected: true,
        }
    }

    fn reference<'a>(comet: &'a str, points: &'a [PublishedPoint<'a>]) -> ReferenceComet<'a> {
        ReferenceComet { comet, points, slopes: &[] }
    }

    #[test]
    fn the_ratio_is_that_of_the_curves_where_they_overlap() {
        let law = law();
        // 200 cm r^−3 at two places; between them a power law is a straight line
        let at = |r: f64| PublishedPoint {
            r_au: Some(r),
            afrho_cm: 200.0 / r.powi(3),
            afrho_err_cm: Some(20.0 / r.powi(3)),
            ..POINT
        };
        let points = [at(3.0), at(1.5)];
        let found = compare(&own(&law), &reference("A", &points)).unwrap();
        let (low, high) = found.r_range_au.unwrap();
        assert!((low - 1.5).abs() < 1e-12 && (high - 2.0).abs() < 1e-12);
        let r = found.at_r_au.unwrap();
        assert!((r - 3f64.sqrt()).abs() < 1e-12);
        let ratio = found.ratio.unwrap();
        assert!((ratio.value / (5.0 * r) - 1.0).abs() < 1e-6, "{ratio:?}");
        // 0.0434 dex at either end, less between them, and the law's own
        let share = (r / 1.5).log10() / 2f64.log10();
        let expected = LN_10 * f64::hypot(f64::hypot(1.0 - share, share) * 0.1 / LN_10, law.log_afrho_at(r).sigma);
        assert!((ratio.sigma / ratio.value - expected).abs() < 1e-9, "{ratio:?}");
        assert!(found.caveats.is_empty() && found.is_fair(&[]));
        // beyond the overlap there is none
        assert_eq!(compare_at(&own(&law), &reference("A", &points), Some(2.5)).unwrap().ratio, None);
        assert_eq!(compare_at(&own(&law), &reference("A", &points), Some(1.3)).unwrap().ratio, None);
    }

    #[test]
    fn every_caveat_is_found() {
        let law = law();
        let caveats = |point: PublishedPoint| compare(&own(&law), &reference("A", &[point])).unwrap().caveats;
        let single = Caveat::SinglePoint;
        assert_eq!(caveats(POINT), [single]);
        for (point, caveat) in [
            (PublishedPoint { aperture_km: Some(20_000.0), ..POINT }, Caveat::OtherAperture),
            (PublishedPoint { aperture_km: None, ..POINT }, Caveat::ApertureNotStated),
            (PublishedPoint { band: PublishedBand::NarrowContinuum, ..POINT }, Caveat::OtherFilterOrGas),
            (PublishedPoint { is_phase_corrected: false, ..POINT }, Caveat::PhaseNotCorrected),
            (PublishedPoint { is_outburst: true, ..POINT }, Caveat::Outburst),
            (PublishedPoint { side: PublishedSide::On(Side::Post), ..POINT }, Caveat::SideDiffers),
            (PublishedPoint { side: PublishedSide::NotStated, ..POINT }, Caveat::SideDiffers),
            (PublishedPoint { is_extrapolated: true, ..POINT }, Caveat::Extrapolated),
            (PublishedPoint { afrho_err_cm: None, ..POINT }, Caveat::NoPublishedError),
        ] {
            let found = caveats(point);
            assert!(found.contains(&caveat) && found.contains(&single) && found.len() == 2, "{caveat:?}: {found:?}");
            assert_eq!(caveat.is_unfair(), caveat != Caveat::NoPublishedError);
            assert!(!caveat.text().is_empty());
        }
        assert_eq!(caveats(PublishedPoint { r_au: Some(3.0), ..POINT }), [Caveat::NoOverlap]);
        assert_eq!(caveats(PublishedPoint { r_au: None, ..POINT }), [Caveat::NoOverlap]);
        assert!(caveats(PublishedPoint { side: PublishedSide::Perihelion, ..POINT }) == [single]);
    }

    #[test]
    fn the_fairest_values_are_taken() {
        let law = law();
        let points = [
            PublishedPoint { is_outburst: true, afrho_cm: 900.0, ..POINT },
            PublishedPoint { side: PublishedSide::On(Side::Post), afrho_cm: 500.0, ..POINT },
            POINT,
            PublishedPoint { is_extrapolated: true, afrho_cm: 5000.0, ..POINT },
        ];
        let found = compare(&own(&law), &reference("A", &points)).unwrap();
        assert!((found.ratio.unwrap().value - 1000.0 / 2.25 / 100.0).abs() < 1e-6);
        // the quiet value far away: the outburst is better than nothing, and is marked
        let far = [PublishedPoint { r_au: Some(5.0), ..POINT }, points[0], points[1]];
        let found = compare(&own(&law), &reference("A", &far)).unwrap();
        assert!((found.ratio.unwrap().value - 1000.0 / 2.25 / 900.0).abs() < 1e-6);
        assert!(found.caveats.contains(&Caveat::Outburst) && !found.is_fair(&[Caveat::SideDiffers]));
        // several values of one distance: their mean, and at least half their spread
        let same = [PublishedPoint { afrho_cm: 50.0, ..POINT }, PublishedPoint { afrho_cm: 200.0, ..POINT }];
        let found = compare(&own(&law), &reference("A", &same)).unwrap();
        let ratio = found.ratio.unwrap();
        assert!((ratio.value - 1000.0 / 2.25 / 100.0).abs() < 1e-6 && ratio.sigma / ratio.value > LN_10 * 0.301);
    }

    #[test]
    fn unfair_ones_are_left_out_of_the_rank() {
        let law = law();
        let points: Vec<[PublishedPoint; 1]> = [
            PublishedPoint { afrho_cm: 3000.0, ..POINT },
            PublishedPoint { afrho_cm: 450.0, afrho_err_cm: Some(50.0), ..POINT },
            PublishedPoint { afrho_cm: 20.0, ..POINT },
            PublishedPoint { afrho_cm: 9000.0, is_phase_corrected: false, ..POINT },
            PublishedPoint { afrho_cm: 9000.0, r_au: Some(1.9), ..POINT },
        ]
        .map(|p| [p])
        .to_vec();
        let names = ["bright", "alike", "faint", "uncorrected", "elsewhere"];
        let references: Vec<_> = names.iter().zip(&points).map(|(n, p)| reference(n, p)).collect();
        let rank = rank_at(&own(&law), &references, 1.5, &[]).unwrap().unwrap();
        assert_eq!(rank.among, ["bright", "alike", "faint"]);
        assert_eq!((rank.place, rank.places), (3, (2, 3)));
        assert_eq!(rank.left_out, [("uncorrected", vec![Caveat::PhaseNotCorrected])]);
        let tolerant = rank_at(&own(&law), &references, 1.5, &[Caveat::PhaseNotCorrected]).unwrap().unwrap();
        assert_eq!((tolerant.place, tolerant.left_out.len()), (4, 0));
        assert_eq!(rank_at(&own(&law), &references, 1.7, &[]), Ok(None));
        assert_eq!(rank_at(&own(&law), &references, 5.0, &[]), Ok(None));
    }

    /// Nothing in the built-in set is corrected for phase: beside A(0°)fρ all of it is marked.
    #[test]
    fn the_built_in_set_is_compared_with_its_caveats() {
        let law = law();
        for comet in REFERENCE_COMETS {
            let found = compare(&own(&law), comet).unwrap();
            assert!(!found.is_fair(&[]), "{found:?}");
            assert_eq!(found.ratio.is_none(), found.caveats.contains(&Caveat::NoOverlap), "{found:?}");
        }
        let hyakutake = compare(&own(&law), &REFERENCE_COMETS[0]).unwrap();
        assert_eq!(hyakutake.r_range_au, Some((1.2, 1.9)));
        // 1000 cm r^−2 beside 7650 cm r^−2.47 at the middle, 1.51 au
        let r = hyakutake.at_r_au.unwrap();
        let expected = 1000.0 * r.powi(-2) / (7650.0 * r.powf(-2.47));
        assert!((hyakutake.ratio.unwrap().value / expected - 1.0).abs() < 0.03, "{hyakutake:?}");
        assert_eq!(hyakutake.reference_slopes.len(), 1);
    }

    #[test]
    fn refuses_bad_values() {
        let law = law();
        let bad = [PublishedPoint { afrho_cm: -1.0, ..POINT }];
        assert!(matches!(compare(&own(&law), &reference("A", &bad)), Err(SeasonError::OutOfRange { row: 0, .. })));
        let no_aperture = OwnActivity { aperture_km: 0.0, ..own(&law) };
        assert!(compare(&no_aperture, &reference("A", &[POINT])).is_err());
        assert!(compare_at(&own(&law), &reference("A", &[POINT]), Some(f64::NAN)).is_err());
        assert!(compare(&own(&law), &reference("A", &[])).unwrap().ratio.is_none());
    }
}
