//! Tables of the coma: light in apertures, profile, features and what would have been found.

use super::{Column, Table, count, fill, integer, number, text};
use crate::{DetectionLimit, ErrorTerm, FeatureRecord, NightRecord, PhotometryRecord, ProfileRecord};

/// Where the comet was, for tables that are plotted against it.
fn circumstances<T>() -> [Column<T>; 3] {
    [
        number(("r_au", "AU", "pos.distance;pos.heliocentric", "Distance from the Sun"), |n, _| Some(n.geometry.r_au)),
        number(("delta_au", "AU", "pos.distance", "Distance from the observer"), |n, _| Some(n.geometry.delta_au)),
        number(("phase_deg", "deg", "pos.phaseAng", "Angle Sun, comet, observer"), |n, _| Some(n.geometry.phase_deg)),
    ]
}

/// `photometry`: magnitudes and dust in apertures.
pub(super) fn photometry(nights: &[NightRecord]) -> Table {
    let own: Vec<Column<&PhotometryRecord>> = vec![
        number(("aperture_km", "km", "phys.size.radius", "Radius of the aperture at the comet"), |_, p| {
            Some(p.aperture_km)
        }),
        number(("aperture_arcsec", "arcsec", "phys.angSize", "Radius of the aperture on the sky"), |_, p| {
            Some(p.aperture_arcsec)
        }),
        text(("band", "", "instr.bandpass", "Catalogue band of the magnitude"), |_, p| Some(p.band.clone())),
        number(("mag", "mag", "phot.mag;em.opt", "Magnitude of the light in the aperture as seen"), |_, p| p.mag),
        number(("mag_err", "mag", "stat.error;phot.mag", "Error of the magnitude"), |_, p| p.mag_err),
        number(("limit_3sigma_mag", "mag", "phot.mag;stat.min", "Fainter than this, at 3 sigma"), |_, p| {
            p.limit_3sigma_mag
        }),
        number(("brighter_than_mag", "mag", "phot.mag;stat.max", "Brighter than this"), |_, p| p.brighter_than_mag),
        number(("afrho_cm", "cm", "phys.size", "A(theta)frho"), |_, p| p.afrho_cm),
        number(("afrho_err_cm", "cm", "stat.error;phys.size", "Error of A(theta)frho"), |_, p| p.afrho_err_cm),
        number(
            ("afrho_limit_3sigma_cm", "cm", "phys.size;stat.max", "A(theta)frho is less than this, at 3 sigma"),
            |_, p| p.afrho_limit_3sigma_cm,
        ),
        number(("a0frho_cm", "cm", "phys.size", "A(0)frho"), |_, p| p.a0frho_cm),
        number(("a0frho_err_cm", "cm", "stat.error;phys.size", "Error of A(0)frho"), |_, p| p.a0frho_err_cm),
        number(
            ("seeing_loss", "", "phot.flux;arith.ratio", "Share of the light that seeing takes out, 0 to 1"),
            |_, p| p.seeing_loss,
        ),
        number(
            ("edge_sky_loss", "", "phot.flux;arith.ratio", "Share that a sky read at the edge would take away"),
            |_, p| p.edge_sky_loss,
        ),
        number(("filled_fraction", "", "stat.filling", "Share of the pixels that were masked and filled"), |_, p| {
            Some(p.filled_fraction)
        }),
    ];
    let columns = circumstances().into_iter().chain(own).collect();
    let rows = nights.iter().flat_map(|n| n.photometry.iter().map(move |p| (n, p)));
    fill("photometry", "One row for each night and aperture.", columns, rows)
}

/// `photometry_errors`: the errors of the magnitudes, term by term.
pub(super) fn photometry_errors(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<(&PhotometryRecord, &ErrorTerm)>> = vec![
        number(("aperture_km", "km", "phys.size.radius", "Radius of the aperture at the comet"), |_, (p, _)| {
            Some(p.aperture_km)
        }),
        text(("band", "", "instr.bandpass", "Catalogue band of the magnitude"), |_, (p, _)| Some(p.band.clone())),
        text(("term", "", "meta.id", "What the error comes from"), |_, (_, term)| Some(term.name.clone())),
        number(("term_mag", "mag", "stat.error;phot.mag", "Its size"), |_, (_, term)| Some(term.mag)),
    ];
    let rows = nights
        .iter()
        .flat_map(|n| n.photometry.iter().map(move |p| (n, p)))
        .flat_map(|(n, p)| p.error_terms_mag.iter().map(move |term| (n, (p, term))));
    fill("photometry_errors", "One row for each night, aperture and source of error.", columns, rows)
}

/// `profile`: rings about the optocentre.
pub(super) fn profile(nights: &[NightRecord]) -> Table {
    const UNIT: &str = "electron.s**-1.arcsec**-2";
    let columns: Vec<Column<&ProfileRecord>> = vec![
        number(("rho_arcsec", "arcsec", "pos.angDistance", "Mean radius of the ring"), |_, r| Some(r.rho_arcsec)),
        number(("inner_arcsec", "arcsec", "pos.angDistance;stat.min", "Inner edge of the ring"), |_, r| {
            Some(r.inner_arcsec)
        }),
        number(("outer_arcsec", "arcsec", "pos.angDistance;stat.max", "Outer edge of the ring"), |_, r| {
            Some(r.outer_arcsec)
        }),
        number(("mean_e_per_s_arcsec2", UNIT, "phot.count", "Sky-subtracted azimuthal mean"), |_, r| {
            Some(r.mean_e_per_s_arcsec2)
        }),
        number(("err_e_per_s_arcsec2", UNIT, "stat.error;phot.count", "Its error"), |_, r| Some(r.err_e_per_s_arcsec2)),
        number(("mag_per_arcsec2", "mag.arcsec**-2", "phot.mag.sb", "The same as surface brightness"), |_, r| {
            r.mag_per_arcsec2
        }),
        number(
            ("enclosed_e_per_s", "electron.s**-1", "phot.count", "Light inside the ring's outer edge, as seen"),
            |_, r| Some(r.enclosed_e_per_s),
        ),
    ];
    let rows = nights.iter().flat_map(|n| n.profile.iter().map(move |r| (n, r)));
    fill("profile", "One row for each night and ring about the optocentre of the stack.", columns, rows)
}

/// `features`: structure in the coma, whatever the verdict.
pub(super) fn features(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<&FeatureRecord>> = vec![
        text(("kind", "", "meta.code.class", "jet, fan, tail or arc"), |_, f| Some(f.kind.clone())),
        text(("verdict", "", "meta.code.qual", "supported, provisional, artefact or not_significant"), |_, f| {
            Some(f.verdict.clone())
        }),
        number(
            ("false_alarm_probability", "", "stat.falsePositive", "Chance that a coma without it shows as much"),
            |_, f| Some(f.false_alarm_probability),
        ),
        number(("significance", "", "stat.snr", "Amplitude over its error"), |_, f| f.significance),
        number(("pa_deg", "deg", "pos.posAng", "Position angle at the inner edge; of an arc its middle"), |_, f| {
            Some(f.pa_deg)
        }),
        number(("pa_err_deg", "deg", "stat.error;pos.posAng", "Its error"), |_, f| Some(f.pa_err_deg)),
        number(("width_deg", "deg", "phys.angSize", "Full width at half maximum in position angle"), |_, f| {
            Some(f.width_deg)
        }),
        number(("width_err_deg", "deg", "stat.error;phys.angSize", "Its error"), |_, f| f.width_err_deg),
        number(
            (
                "curvature_deg_per_arcsec",
                "deg.arcsec**-1",
                "arith.grad;pos.posAng",
                "Change of position angle with radius",
            ),
            |_, f| f.curvature_deg_per_arcsec,
        ),
        number(("inner_arcsec", "arcsec", "pos.angDistance;stat.min", "Inner radius"), |_, f| Some(f.inner_arcsec)),
        number(("outer_arcsec", "arcsec", "pos.angDistance;stat.max", "Outer radius"), |_, f| Some(f.outer_arcsec)),
        number(("inner_km", "km", "pos.distance;stat.min", "Inner radius at the comet"), |_, f| Some(f.inner_km)),
        number(("outer_km", "km", "pos.distance;stat.max", "Outer radius at the comet"), |_, f| Some(f.outer_km)),
        number(("contrast", "", "phot.flux;arith.ratio", "Own light over the azimuthal mean of the coma"), |_, f| {
            Some(f.contrast)
        }),
        number(("contrast_err", "", "stat.error;phot.flux;arith.ratio", "Its error"), |_, f| Some(f.contrast_err)),
        number(
            ("contrast_intrinsic", "", "phot.flux;arith.ratio;meta.modelled", "The contrast before seeing and motion"),
            |_, f| f.contrast_intrinsic,
        ),
        number(
            ("offset_from_sunward_deg", "deg", "pos.posAng;arith.diff", "Position angle minus that toward the Sun"),
            |_, f| Some(f.offset_from_sunward_deg),
        ),
        integer(("challenges_passed", "", "meta.number", "Challenges that it passed"), |_, f| outcomes(f, "passed")),
        integer(("challenges_failed", "", "meta.number", "Challenges that it failed"), |_, f| outcomes(f, "failed")),
        integer(("challenges_not_tested", "", "meta.number", "Challenges that could not be tested"), |_, f| {
            outcomes(f, "not_tested")
        }),
        text(("because", "", "meta.note", "What explains an artefact or a provisional feature lacks"), |_, f| {
            f.because.clone()
        }),
    ];
    let rows = nights.iter().flat_map(|n| n.morphology.features.iter().map(move |f| (n, f)));
    fill("features", "One row for each feature in a coma; believe what its verdict allows.", columns, rows)
}

fn outcomes(feature: &&FeatureRecord, outcome: &str) -> Option<i64> {
    count(feature.challenges.iter().filter(|c| c.outcome == outcome).count())
}

/// `detection_limits`: what would have been found.
pub(super) fn detection_limits(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<&DetectionLimit>> = vec![
        number(("width_deg", "deg", "phys.angSize", "Full width at half maximum in position angle"), |_, d| {
            Some(d.width_deg)
        }),
        number(("inner_arcsec", "arcsec", "pos.angDistance;stat.min", "Inner radius"), |_, d| Some(d.inner_arcsec)),
        number(("outer_arcsec", "arcsec", "pos.angDistance;stat.max", "Outer radius"), |_, d| Some(d.outer_arcsec)),
        number(("recovered_fraction", "", "stat.probability", "Share of injections found and supported"), |_, d| {
            Some(d.recovered_fraction)
        }),
        number(("contrast", "", "phot.flux;arith.ratio", "Contrast as seen"), |_, d| Some(d.contrast)),
    ];
    let rows = nights.iter().flat_map(|n| n.morphology.detection_limit.iter().map(move |d| (n, d)));
    fill(
        "detection_limits",
        "One row for each night and width: the contrast that would have been found.",
        columns,
        rows,
    )
}
