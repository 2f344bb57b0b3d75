//! What the evidence says about structure in the coma, in words.

use super::numbers::{THIN_SPACE, fixed, format_magnitude, places_for_error, superscript};
use crate::{CondensationRecord, DetectionLimit, FeatureRecord, GeometryRecord, NightRecord, SearchRecord, TwinRecord};

/// Smaller false-alarm probabilities are not told apart in print.
const LEAST_CHANCE: f64 = 1e-6;
/// One digit of a probability from here on is 1.
const ROUNDS_TO_ONE: f64 = 0.95;
/// A feature so near a direction is said to lie toward it; three times its error where that is more.
const NEAR_DEG: f64 = 15.0;
/// The Sun's side, either way.
const SUNWARD_SIDE_DEG: f64 = 45.0;
/// With the observer so near the orbit plane, dust in it is seen edge on.
const EDGE_ON_DEG: f64 = 10.0;
/// The width of the wedge whose limit a summary quotes, as near as there is one.
const QUOTED_WIDTH_DEG: f64 = 20.0;
/// From this scatter over the noise on the twin is said to leave something unexplained.
const SCATTER_TOLD: f64 = 1.2;

/// A false-alarm probability as `2 × 10⁻⁵`; from a hundredth on as a decimal, under a millionth as a bound, never 0, and 1 only if it is.
pub fn format_chance(probability: f64) -> String {
    if !probability.is_finite() {
        return "not measured".to_string();
    }
    if probability < LEAST_CHANCE * (1.0 - 1e-9) {
        return format!("under 10{}", superscript(-6));
    }
    if (ROUNDS_TO_ONE..1.0).contains(&probability) {
        // two digits; what would be 1 by them is a bound
        return if probability < 0.995 { fixed(probability, 2) } else { "over 0.99".to_string() };
    }
    let power = probability.log10().floor() as i32;
    let digit = (probability / 10f64.powi(power)).round();
    let (digit, power) = if digit >= 10.0 { (1.0, power + 1) } else { (digit, power) };
    if power >= -2 {
        return fixed(digit * 10f64.powi(power), -power);
    }
    format!("{} × 10{}", fixed(digit, 0), superscript(power))
}

/// A position angle with its error, `271.3° ± 1.2°`, in `[0, 360)` after rounding.
pub fn format_pa(pa_deg: f64, err_deg: f64) -> String {
    if !pa_deg.is_finite() {
        return "not measured".to_string();
    }
    let known = err_deg.is_finite() && err_deg > 0.0;
    // more than hundredths of a degree are of no use on the sky
    let places = if known { places_for_error(err_deg).clamp(0, 2) } else { 0 };
    let unit = 10f64.powi(places);
    let rounded = ((pa_deg * unit).round() / unit).rem_euclid(360.0);
    if known {
        format!("{}° ± {}°", fixed(rounded, places), fixed(err_deg.max(0.01), places))
    } else {
        format!("{}°", fixed(rounded, places))
    }
}

/// A share as per cent: two digits, one from 10 % on.
pub fn format_percent(share: f64) -> String {
    let percent = 100.0 * share;
    let places = if percent.abs() >= 10.0 { 0 } else { 1 };
    format!("{}{THIN_SPACE}%", fixed(percent, places))
}

/// `jet at PA 271.3° ± 1.2°`.
pub fn feature_name(feature: &FeatureRecord) -> String {
    format!("{} at PA {}", feature.kind, format_pa(feature.pa_deg, feature.pa_err_deg))
}

/// The summary's sentences on structure.
pub(super) fn structure_words(night: &NightRecord) -> String {
    let morphology = &night.morphology;
    if !morphology.analysed {
        let because = morphology.not_analysed_because.as_ref().map(|b| format!(" {b}")).unwrap_or_default();
        return format!("The structure of the coma was not analysed.{because}");
    }
    let of = |verdict: &str| -> Vec<&FeatureRecord> {
        morphology.features.iter().filter(|f| f.verdict == verdict).collect()
    };
    let with_chance = |f: &&FeatureRecord| {
        format!(
            "{} {} (false-alarm probability {})",
            article(&f.kind),
            feature_name(f),
            format_chance(f.false_alarm_probability)
        )
    };
    let (supported, provisional, artefacts) = (of("supported"), of("provisional"), of("artefact"));
    let list = |features: &[&FeatureRecord]| features.iter().map(with_chance).collect::<Vec<_>>().join("; ");
    let mut sentences: Vec<String> = morphology.condensations.iter().map(condensation_words).collect();
    if supported.is_empty() {
        sentences.push("No structure in the coma was supported.".to_string());
    } else {
        sentences.push(format!("Supported: {}.", list(&supported)));
    }
    if !provisional.is_empty() {
        sentences.push(format!("Provisional: {}.", list(&provisional)));
    }
    if supported.is_empty() && provisional.is_empty() {
        sentences.extend(quoted_limit(&morphology.detection_limit).map(|l| limit_sentence(l, "A")));
    }
    if !artefacts.is_empty() {
        let names: Vec<String> =
            artefacts.iter().map(|f| format!("{} {}", article(&f.kind), feature_name(f))).collect();
        let what = if names.len() == 1 { "Artefact" } else { "Artefacts" };
        sentences.push(format!("{what}, not structure of the comet: {}.", names.join("; ")));
    }
    sentences.join(" ")
}

/// `A second condensation, of magnitude 13.50 ± 0.11, stands 5.0″ from the centre at PA 70°.`, and whether it is the comet's.
pub fn condensation_words(c: &CondensationRecord) -> String {
    let bright = c.mag.map(|mag| format!(", of magnitude {},", format_magnitude(mag, c.mag_err.unwrap_or(f64::NAN))));
    let whose = if c.moves_with_comet {
        ", and goes with the comet"
    } else {
        "; the comet moved too little to tell it from a star"
    };
    format!(
        "A second condensation{} stands {}″ from the centre at PA {}{whose}.",
        bright.unwrap_or_default(),
        fixed(c.distance_arcsec, 1),
        format_pa(c.pa_deg, (c.err_arcsec / c.distance_arcsec.max(1e-3)).to_degrees())
    )
}

/// The limit that a summary quotes: found nine times of ten or more, as near to 20° wide as there is one, over the
/// widest range of radii.
pub fn quoted_limit(limits: &[DetectionLimit]) -> Option<&DetectionLimit> {
    let reach = |l: &DetectionLimit| (l.outer_arcsec / l.inner_arcsec.max(f64::MIN_POSITIVE)).ln();
    let off = |l: &DetectionLimit| (l.width_deg - QUOTED_WIDTH_DEG).abs();
    let usable = limits.iter().filter(|l| l.recovered_fraction >= 0.9 - 1e-9 && l.contrast.is_finite());
    usable.min_by(|a, b| {
        off(a)
            .total_cmp(&off(b))
            .then(reach(b).total_cmp(&reach(a)))
            .then(a.recovered_fraction.total_cmp(&b.recovered_fraction))
    })
}

/// `A jet 20° wide and brighter than 3.0 % of the coma between 8″ and 30″ would have been found 9 times of 10.`
pub fn limit_sentence(limit: &DetectionLimit, article: &str) -> String {
    format!(
        "{article} jet {}° wide and brighter than {} of the coma between {}″ and {}″ would have been found {}.",
        fixed(limit.width_deg, 0),
        format_percent(limit.contrast),
        fixed(limit.inner_arcsec, 0),
        fixed(limit.outer_arcsec, 0),
        how_often(limit.recovered_fraction)
    )
}

fn how_often(share: f64) -> String {
    let tenths = 10.0 * share;
    if (tenths - tenths.round()).abs() < 1e-6 {
        format!("{} times of 10", fixed(tenths, 0))
    } else {
        format!("{} times of 100", fixed(100.0 * share, 0))
    }
}

/// What an analysis of structure leaves open, one sentence each.
pub(super) fn cannot_say_of_structure(night: &NightRecord) -> Vec<String> {
    let mut out = Vec::new();
    let morphology = &night.morphology;
    if !morphology.analysed {
        return out;
    }
    let stands = |f: &&FeatureRecord| f.verdict == "supported" || f.verdict == "provisional";
    if morphology.features.iter().any(|f| stands(&f)) {
        out.push(
            "What the features are: a supported feature is a direction in the light. One band tells neither dust from gas \
             nor a jet from a tail seen foreshortened."
                .to_string(),
        );
    }
    if morphology.features.iter().any(|f| f.verdict == "provisional") {
        out.push(
            "Whether the provisional features are real: the features section says what each of them lacks.".to_string(),
        );
    }
    if let Some(search) = &morphology.search {
        out.push(format!(
            "Whether there is structure within {}″ of the centre or beyond {}″: it was not searched for there.",
            fixed(search.inner_arcsec, 1),
            fixed(search.outer_arcsec, 0)
        ));
    }
    out
}

/// How well the twin stands for the night, in sentences.
pub fn twin_words(twin: &TwinRecord) -> String {
    let nucleus = match twin.nucleus_share {
        Some(share) if share < 0.0005 => String::new(),
        Some(share) => format!(
            ", with an unresolved nucleus that holds {} of the light within {}″",
            format_percent(share),
            fixed(twin.inner_arcsec, 1)
        ),
        None => "; what an unresolved nucleus adds does not show, for want of pixels at the centre".to_string(),
    };
    let left = if twin.scatter_over_noise > SCATTER_TOLD {
        ": there is something in the night that neither the twin nor the features explain"
    } else {
        ""
    };
    format!(
        "The twin is a coma without narrow structure, imaged as this night was, and held against the night between {}″ and \
         {}″. Before blurring it falls with distance as a power of {}{nucleus}. Its azimuthal mean differs from the night's by {} of the coma at \
         most. With all features in it, the night scatters about it by {} times the noise that the search counts with{left}.",
        fixed(twin.inner_arcsec, 1),
        fixed(twin.outer_arcsec, 0),
        fixed(-twin.slope, 2),
        format_percent(twin.profile_misfit),
        fixed(twin.scatter_over_noise, 2)
    )
}

/// What was searched, and how high chance reaches, in sentences.
pub fn search_words(search: &SearchRecord) -> String {
    let floor = if search.counted_to > 0.0 {
        format!(" False-alarm probabilities under {} are extrapolated from them.", format_chance(search.counted_to))
    } else {
        String::new()
    };
    let strongest = search
        .smallest_false_alarm_probability
        .map(|p| {
            format!(
                " The strongest signal of this night, fans and tails apart, has the false-alarm probability {}.",
                format_chance(p)
            )
        })
        .unwrap_or_default();
    format!(
        "{} shapes (jets, fans and arcs of every direction, several widths and lengths) between {}″ and {}″ were compared \
         with the night and, in the same way, with {} featureless twins with noise and errors of their own. By chance one twin in a \
         hundred shows a signal over {} times its error somewhere, one in a thousand over {} times.{floor}{strongest}",
        fixed(search.n_templates as f64, 0),
        fixed(search.inner_arcsec, 1),
        fixed(search.outer_arcsec, 0),
        fixed(search.n_twins as f64, 0),
        fixed(search.level_1_percent, 1),
        fixed(search.level_0_1_percent, 1)
    )
}

/// What a supported or provisional feature may be, by geometry alone; `None` for other verdicts and for arcs, whose
/// position angle is no direction of flow.
pub fn what_it_may_be(feature: &FeatureRecord, geometry: &GeometryRecord) -> Option<String> {
    let stands = feature.verdict == "supported" || feature.verdict == "provisional";
    if !stands || feature.kind == "arc" || !feature.pa_deg.is_finite() {
        return None;
    }
    let off = |direction_deg: f64| ((feature.pa_deg - direction_deg + 180.0).rem_euclid(360.0) - 180.0).abs();
    let near = |direction_deg: f64| off(direction_deg) <= NEAR_DEG.max(3.0 * feature.pa_err_deg.min(10.0));
    let within = |direction_deg: f64| fixed(off(direction_deg).ceil().max(1.0), 0);
    let (anti, trail, sun) = (geometry.antisolar_pa_deg, geometry.negative_velocity_pa_deg, geometry.sunward_pa_deg);
    Some(if near(anti) {
        let also = if near(trail) {
            "; so does the direction against the orbital motion, where a trail of large grains lies"
        } else {
            ""
        };
        format!(
            "By geometry alone: it lies within {}° of the direction away from the Sun, so it may be a tail seen foreshortened{also}.",
            within(anti)
        )
    } else if near(trail) {
        format!(
            "By geometry alone: it lies within {}° of the direction against the orbital motion, so it may be dust shed long ago \
             along the orbit.",
            within(trail)
        )
    } else if near(sun) && geometry.orbit_plane_angle_deg.abs() < EDGE_ON_DEG {
        format!(
            "By geometry alone: it lies within {}° of the sunward direction, with the observer {}° from the orbit plane: it may \
             be dust leaving the lit side, or an antitail seen edge on.",
            within(sun),
            fixed(geometry.orbit_plane_angle_deg.abs(), 0)
        )
    } else if off(sun) <= SUNWARD_SIDE_DEG {
        "By geometry alone: it points to the Sun's side, so it may be dust leaving the lit side of the nucleus."
            .to_string()
    } else {
        "By geometry alone: it follows neither the Sun's direction nor the orbit's, which leaves open what it is."
            .to_string()
    })
}

pub(super) fn article(kind: &str) -> &'static str {
    if kind.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" }
}

#[cfg(test)]
mod tests {
    use super::super::tests::night;
    use super::*;

    fn feature(kind: &str, pa_deg: f64, verdict: &str) -> FeatureRecord {
        FeatureRecord {
            kind: kind.into(),
            pa_deg,
            pa_err_deg: 1.2,
            width_deg: 22.0,
            curvature_deg_per_arcsec: Some(0.0),
            inner_arcsec: 4.0,
            outer_arcsec: 35.0,
            inner_km: 0.0,
            outer_km: 0.0,
            contrast: 0.083,
            contrast_err: 0.006,
            false_alarm_probability: 2e-5,
            verdict: verdict.into(),
            offset_from_sunward_deg: 12.0,
            challenges: Vec::new(),
            significance: None,
            width_err_deg: None,
            contrast_intrinsic: None,
            because: None,
            ridge: Vec::new(),
        }
    }

    fn analysed(features: Vec<FeatureRecord>) -> NightRecord {
        let mut night = night();
        night.morphology.analysed = true;
        night.morphology.features = features;
        let limit = |width_deg: f64, inner_arcsec: f64, recovered_fraction: f64, contrast: f64| DetectionLimit {
            width_deg,
            inner_arcsec,
            outer_arcsec: 30.0,
            recovered_fraction,
            contrast,
        };
        night.morphology.detection_limit = vec![
            limit(40.0, 8.0, 0.9, 0.02),
            limit(20.0, 15.0, 0.9, 0.05),
            limit(20.0, 8.0, 0.5, 0.018),
            limit(20.0, 8.0, 0.9, 0.031),
            limit(20.0, 8.0, 0.99, 0.044),
        ];
        night
    }

    #[test]
    fn probabilities_have_one_digit_and_are_never_0() {
        for (probability, expected) in [
            (2e-5, "2 × 10⁻⁵"),
            (9.6e-5, "1 × 10⁻⁴"),
            (4.2e-3, "4 × 10⁻³"),
            (0.0096, "0.01"),
            (0.31, "0.3"),
            (0.94, "0.9"),
            (0.951, "0.95"),
            (0.99, "0.99"),
            (0.996, "over 0.99"),
            (1.0 - 1e-12, "over 0.99"),
            (1.0, "1"),
            (1e-6, "1 × 10⁻⁶"),
            (9.9e-7, "under 10⁻⁶"),
            (0.0, "under 10⁻⁶"),
            (f64::NAN, "not measured"),
        ] {
            assert_eq!(format_chance(probability), expected, "{probability}");
        }
    }

    #[test]
    fn position_angles_stay_under_360() {
        for (pa, err, expected) in [
            (271.34, 1.2, "271.3° ± 1.2°"),
            (271.3, 4.0, "271° ± 4°"),
            (359.97, 0.6, "0.0° ± 0.6°"),
            (359.6, 4.0, "0° ± 4°"),
            (-1.0, 12.0, "359° ± 12°"),
            (12.345, 0.001, "12.35° ± 0.01°"),
            (12.345, f64::NAN, "12°"),
            (f64::NAN, 1.0, "not measured"),
        ] {
            assert_eq!(format_pa(pa, err), expected);
        }
    }

    #[test]
    fn the_summary_lists_what_is_supported_provisional_and_an_artefact() {
        let all = analysed(vec![
            feature("jet", 271.3, "supported"),
            feature("arc", 10.0, "provisional"),
            feature("jet", 84.0, "artefact"),
            feature("fan", 100.0, "artefact"),
            feature("jet", 200.0, "not_significant"),
        ]);
        assert_eq!(
            structure_words(&all),
            "Supported: a jet at PA 271.3° ± 1.2° (false-alarm probability 2 × 10⁻⁵). Provisional: an arc at PA 10.0° ± 1.2° \
             (false-alarm probability 2 × 10⁻⁵). Artefacts, not structure of the comet: a jet at PA 84.0° ± 1.2°; a fan at PA \
             100.0° ± 1.2°."
        );
        let not = cannot_say_of_structure(&all).join(" ");
        assert!(not.contains("What the features are") && not.contains("provisional features are real"), "{not}");
    }

    #[test]
    fn a_night_without_features_gives_the_limit_nearest_to_20_degrees_over_the_widest_range() {
        let limit = "A jet 20° wide and brighter than 3.1\u{202f}% of the coma between 8″ and 30″ would have been found 9 times of 10.";
        let none = structure_words(&analysed(Vec::new()));
        assert_eq!(none, format!("No structure in the coma was supported. {limit}"));
        let artefact = structure_words(&analysed(vec![feature("jet", 84.0, "artefact")]));
        assert!(
            artefact.contains(limit) && artefact.contains("Artefact, not structure of the comet: a jet at PA 84.0°")
        );
        let provisional = structure_words(&analysed(vec![feature("jet", 84.0, "provisional")]));
        assert!(
            provisional.starts_with("No structure in the coma was supported. Provisional:")
                && !provisional.contains(limit)
        );
        let odd =
            DetectionLimit { recovered_fraction: 0.95, ..analysed(Vec::new()).morphology.detection_limit[0].clone() };
        assert!(limit_sentence(&odd, "Another").ends_with("would have been found 95 times of 100."));
        assert_eq!(quoted_limit(&[]), None);
    }

    /// The Sun at 260°, the tail direction 80°, against the motion 120°.
    #[test]
    fn what_a_feature_may_be_follows_the_geometry_and_only_for_what_stands() {
        let mut geometry = night().geometry;
        geometry.orbit_plane_angle_deg = 25.0;
        let may_be = |f: &FeatureRecord, g: &GeometryRecord| what_it_may_be(f, g).unwrap_or_default();
        for (pa, part) in [
            (83.2, "within 4° of the direction away from the Sun"),
            (114.0, "within 6° of the direction against the orbital motion"),
            (262.0, "points to the Sun's side"),
            (300.0, "points to the Sun's side"),
            (10.0, "leaves open what it is"),
        ] {
            let text = may_be(&feature("jet", pa, "supported"), &geometry);
            assert!(text.starts_with("By geometry alone:") && text.contains(part), "{pa}: {text}");
        }
        geometry.orbit_plane_angle_deg = -4.0;
        assert!(may_be(&feature("jet", 262.0, "provisional"), &geometry).contains("antitail"));
        geometry.negative_velocity_pa_deg = 85.0;
        assert!(may_be(&feature("tail", 81.0, "supported"), &geometry).contains("so does the direction against"));
        for (kind, verdict) in [("jet", "artefact"), ("jet", "not_significant"), ("arc", "supported")] {
            assert_eq!(what_it_may_be(&feature(kind, 262.0, verdict), &geometry), None);
        }
    }

    #[test]
    fn a_second_condensation_is_told_first() {
        let mut night = analysed(Vec::new());
        let mut one = CondensationRecord {
            distance_arcsec: 5.02,
            pa_deg: 70.2,
            err_arcsec: 0.15,
            mag: Some(13.5),
            mag_err: Some(0.11),
            moves_with_comet: true,
        };
        night.morphology.condensations = vec![one.clone()];
        let text = structure_words(&night);
        let start = "A second condensation, of magnitude 13.50 ± 0.11, stands 5.0″ from the centre at PA 70.2° ± 1.7°, and goes with \
                     the comet. No structure";
        assert!(text.starts_with(start), "{text}");
        (one.mag, one.moves_with_comet) = (None, false);
        let text = condensation_words(&one);
        assert!(text.starts_with("A second condensation stands 5.0″") && text.ends_with("from a star."), "{text}");
    }

    #[test]
    fn the_twin_is_told_with_its_faults() {
        let mut twin = TwinRecord {
            inner_arcsec: 3.0,
            outer_arcsec: 48.0,
            slope: 1.03,
            nucleus_share: Some(0.0),
            scatter_over_noise: 1.04,
            profile_misfit: 0.006,
        };
        let good = twin_words(&twin);
        assert!(
            good.contains("a power of −1.03") && good.contains("0.6\u{202f}%") && !good.contains("nucleus"),
            "{good}"
        );
        assert!(!good.contains("neither the twin"));
        (twin.scatter_over_noise, twin.nucleus_share) = (1.6, Some(0.12));
        let bad = twin_words(&twin);
        assert!(
            bad.contains("neither the twin nor the features") && bad.contains("nucleus that holds 12\u{202f}%"),
            "{bad}"
        );
        twin.nucleus_share = None;
        assert!(twin_words(&twin).contains("does not show"), "{}", twin_words(&twin));
    }
}
