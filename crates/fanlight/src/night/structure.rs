//! The coma's structure: the stack handed to the search, and what it found in the record's terms.

use super::Night;
use super::measure_stack::{PAGE_GRADIENT, page_gradient};
use crate::Failure;
use fanlight_coma::enhance::{self, BandConfig, RingConfig, Statistic};
use fanlight_coma::evidence::artefacts::GradientPeak;
use fanlight_coma::evidence::azimuthal_profile::Rings;
use fanlight_coma::evidence::challenge::{Challenge, Challenged, Instrument, Outcome, Pictures};
use fanlight_coma::evidence::condensations::{self, Condensation, Without};
use fanlight_coma::evidence::feature_fit::{Fitted, Shape};
use fanlight_coma::evidence::limits::Limit;
use fanlight_coma::evidence::mode_space::SkyFrame;
use fanlight_coma::evidence::night_model::{NightModel, NoEvidence, StackForEvidence};
use fanlight_coma::evidence::search::Findings;
use fanlight_coma::evidence::twin_image;
use fanlight_coma::evidence::verdict::Verdict;
use fanlight_image::moffat::unlike_error;
use fanlight_image::{Image, PixelBox, robust};
use fanlight_record::{
    AzimuthalProfile, ChallengeRecord, CondensationRecord, DetectionLimit, FeatureRecord, GeometryRecord,
    MorphologyRecord, RidgePoint, SearchRecord, TwinRecord,
};
use fanlight_sky::{PixelXy, PositionAngle};

/// Seed of the twins: the same night gives the same numbers.
pub const SEED: u64 = 0x0FA9_11E7;
/// Relative error of the kernel's elongation from star images, where stars are many.
const ELONGATION_SIGMA: f64 = 0.015;
/// Wedges narrower than this are jets.
const JET_TO_DEG: f64 = 60.0;
/// A broad wedge within this of the anti-solar direction, or of the negative velocity, is a tail, else a fan.
const TAIL_WITHIN_DEG: f64 = 45.0;
/// Points of a ridge line.
const RIDGE_POINTS: usize = 24;
/// Features with a larger false-alarm probability are not spoken of.
const LISTED_TO: f64 = 1e-2;

/// What the search found in a night, judged.
pub struct Structure {
    /// The model.
    pub model: NightModel,
    /// What was found.
    pub findings: Findings,
    /// Per finding its challenges.
    pub challenges: Vec<Vec<Challenge>>,
    /// Peaks of the plain rotational gradient that the twin explains.
    pub peaks: Vec<GradientPeak>,
    /// Contrasts that would have been found.
    pub limits: Vec<Limit>,
    /// The featureless twin on the stack's grid.
    pub twin: Image,
    /// The same with one draw of the night's noise.
    pub twin_realisation: Image,
    /// Condensations beside the centre.
    pub condensations: Vec<CondensationRecord>,
    /// Whether the stack shows the centre, and with it an unresolved nucleus.
    pub shows_centre: bool,
    /// Brightness by direction, ring by ring.
    azimuthal_profiles: Vec<AzimuthalProfile>,
}

/// Hands a night's stack to `sought` as evidence is sought in it, without the condensations beside the centre that come with it.
///
/// # Errors
/// When no structure can be looked for.
pub fn with_stack<T>(
    night: &Night,
    sought: impl FnOnce(&StackForEvidence, &[Condensation]) -> Result<T, NoEvidence>,
) -> Result<T, NoEvidence> {
    let stack = &night.stack;
    let optocentre = stack.optocentre.ok_or(NoEvidence::Impossible("no condensation tells where the nucleus is"))?;
    let kernel = stack.kernel.ok_or(NoEvidence::Impossible(
        "no star image could be measured: how a point is imaged is not known, and so nothing can be told from what it makes of a \
         round coma",
    ))?;
    let stacked = &stack.comet.stacked;
    let substacks: Vec<(&Image, f64)> =
        stacked.substacks.iter().zip(stack.comet.substack_shares.iter().copied()).collect();
    let halves: Vec<(&Image, f64)> = stack.comet.halves.iter().flatten().map(|(i, s)| (i, *s)).collect();
    let star_variance = stack.star_variance();
    let star_track: Vec<(f64, f64, f64)> = stack.passing.steps.iter().map(|s| (s.dx_px, s.dy_px, s.share)).collect();
    let input = StackForEvidence {
        image: &stacked.image,
        variance: &stacked.variance,
        mask: &stacked.mask,
        correlation: stack.comet.correlation,
        frame: SkyFrame { centre_px: stack.centre_px, arcsec_per_px: stack.grid.local.arcsec_per_px },
        centre_sigma_px: optocentre.sigma_px(),
        kernel: &stack.comet.kernel,
        fwhm_px: kernel.fwhm_px(),
        elongation_sigma: elongation_sigma(night),
        substacks: &substacks,
        halves: &halves,
        sky_sigma: stack.sky.map_or(0.05 * stack.sky_noise, |s| s.level.sigma),
        star_variance: star_variance.as_ref(),
        unseen_stars: stack.unseen_stars().unwrap_or_default(),
        star_leftovers: &night.star_leftovers,
        star_track: &star_track,
        sky_per_px: stack.sky_per_px,
        difference: None,
    };
    // beside a centre that no pixel shows nothing has a place
    let beside = if stack.shows_centre() { condensations::find(&input, &stack.fill) } else { Vec::new() };
    without_condensations(&input, &beside, |input| sought(input, &beside))
}

/// Hands a stack to `sought` without the condensations beside its centre.
///
/// # Errors
/// Those of `sought`.
pub fn without_condensations<T>(
    input: &StackForEvidence,
    beside: &[Condensation],
    sought: impl FnOnce(&StackForEvidence) -> Result<T, NoEvidence>,
) -> Result<T, NoEvidence> {
    let without = (!beside.is_empty()).then(|| Without::of(input, beside));
    let [fewer_substacks, fewer_halves]: [Vec<(&Image, f64)>; 2] = match &without {
        Some(w) => [&w.substacks, &w.halves].map(|parts| parts.iter().map(|(i, s)| (i, *s)).collect()),
        None => [Vec::new(), Vec::new()],
    };
    let input = without.as_ref().map_or(*input, |w| StackForEvidence {
        image: &w.image,
        mask: &w.mask,
        substacks: &fewer_substacks,
        halves: &fewer_halves,
        ..*input
    });
    sought(&input)
}

/// Looks for structure in a night's stack.
///
/// # Errors
/// When none can be looked for.
pub fn look(night: &Night, geometry: &GeometryRecord) -> Result<Structure, NoEvidence> {
    with_stack(night, |input, beside| look_in(input, beside, night, geometry))
}

fn look_in(
    input: &StackForEvidence,
    beside: &[Condensation],
    night: &Night,
    geometry: &GeometryRecord,
) -> Result<Structure, NoEvidence> {
    let stacked = &night.stack.comet.stacked;
    let model = NightModel::settled(input)?;
    tracing::info!("coma modelled");
    let findings = model.find(SEED);
    tracing::info!("coma searched: {} features", findings.features.len());
    let pictures = pictures(input.image, &model);
    let instrument = instrument(night);
    let challenges = (0..findings.features.len())
        .map(|i| Challenged::new(&model, &findings, i).all(&instrument, &pictures))
        .collect();
    let peaks = model.explained_peaks(&findings);
    tracing::info!("features challenged");
    let limits = model.limits(&findings, SEED);
    tracing::info!("limits found");
    let is_broad = |i: usize| !matches!(kind(&findings.features[i].fitted, &model, geometry), "jet" | "arc");
    let twin = model.twin(&findings, (stacked.image.width, stacked.image.height), is_broad);
    let twin_realisation = twin_image::with_noise(&twin, &stacked.variance, SEED);
    let shows_centre = night.stack.shows_centre();
    let condensations = beside.iter().map(|c| condensation(c, &model, night)).collect();
    let azimuthal_profiles = azimuthal_profiles(input, &model, geometry.km_per_arcsec);
    Ok(Structure {
        model,
        findings,
        challenges,
        peaks,
        limits,
        twin,
        twin_realisation,
        condensations,
        shows_centre,
        azimuthal_profiles,
    })
}

/// Rings whose brightness by direction is recorded begin and end at 1250 km times powers of two on every night, so that they are the same of
/// all nights: as many as lie between a few kernel widths and the outer end of the search.
fn azimuthal_profiles(input: &StackForEvidence, model: &NightModel, km_per_arcsec: f64) -> Vec<AzimuthalProfile> {
    let km_per_px = model.frame.scale_arcsec() * km_per_arcsec;
    let rings = Rings {
        image: input.image,
        variance: input.variance,
        // with what the search left out for stars
        mask: &model.mask,
        correlation: input.correlation,
        frame: model.frame,
    };
    (0..40)
        .map(|octave| FIRST_RING_KM * f64::from(octave).exp2())
        .filter(|inner_km| inner_km / km_per_px >= RESOLVED_RING_FWHM * model.fwhm_px)
        .take_while(|inner_km| 2.0 * inner_km / km_per_px <= model.reach_px.1)
        .map(|inner_km| {
            let px = (inner_km / km_per_px, 2.0 * inner_km / km_per_px);
            let sectors = rings.profile(px, N_SECTORS, |rho_px| model.coma.blurred(rho_px));
            AzimuthalProfile {
                inner_km,
                outer_km: 2.0 * inner_km,
                contrast: sectors.iter().map(|s| s.map(|s| s.value)).collect(),
                contrast_err: sectors.iter().map(|s| s.map(|s| s.sigma)).collect(),
            }
        })
        .collect()
}

const FIRST_RING_KM: f64 = 1250.0;
/// Sectors of a ring: finer than any feature that is looked for is wide, but few enough to keep.
const N_SECTORS: usize = 24;
/// Nearer than this, in kernel widths, a ring shows the star image as much as the coma.
const RESOLVED_RING_FWHM: f64 = 2.0;

fn condensation(c: &Condensation, model: &NightModel, night: &Night) -> CondensationRecord {
    let (cx, cy) = model.frame.centre_px;
    let (rho_px, pa_rad) = model.frame.polar(c.x_px - cx, c.y_px - cy);
    let scale = model.frame.scale_arcsec();
    let zero_point = super::record::stack_zero_point(night);
    CondensationRecord {
        distance_arcsec: rho_px * scale,
        pa_deg: degrees(pa_rad),
        err_arcsec: c.sigma_px.hypot(model.centre_sigma_px) * scale,
        mag: zero_point.map(|z| z.value - 2.5 * c.light.log10()),
        mag_err: zero_point.map(|z| z.sigma.hypot(1.0857 * c.light_sigma / c.light)),
        moves_with_comet: c.no_star,
    }
}

/// Relative error of the kernel's elongation: few stars do not show what they differ by over the field.
pub fn elongation_sigma(night: &Night) -> f64 {
    let used = night.looks.iter().zip(&night.rejected).filter(|(_, r)| r.is_none());
    let mut counts: Vec<f64> = used.filter_map(|(l, _)| Some(l.shape.as_ref()?.n_stars as f64)).collect();
    let typical = robust::median_f64(&mut counts).unwrap_or(1.0).max(1.0);
    ELONGATION_SIGMA.hypot(unlike_error(typical))
}

/// The night about the comet in three unlike enhancements.
fn pictures(image: &Image, model: &NightModel) -> Pictures {
    let (cx, cy) = model.frame.centre_px;
    let reach = model.reach_px.1 + 20.0;
    let none = Pictures { enhanced: Vec::new(), centre_px: (0.0, 0.0) };
    let Some(area) = PixelBox::around(cx, cy, reach, image.width, image.height) else { return none };
    let part = image.crop(area);
    let centre = PixelXy { x_px: cx - area.x0 as f64, y_px: cy - area.y0 as f64 };
    let mask = fanlight_image::Mask::clear(part.width, part.height);
    let rings = RingConfig { statistic: Statistic::Median, ring_width_px: 1.0 };
    let band = BandConfig { scales_px: vec![0.5 * model.fwhm_px, 3.0 * model.fwhm_px], gains: vec![1.0] };
    let unlike = [
        ("rotational gradient", enhance::Enhancement::RotationalGradient(PAGE_GRADIENT)),
        ("division by the azimuthal median", enhance::Enhancement::DivideByAverage(rings)),
        ("multi-scale residual", enhance::Enhancement::MultiScaleResidual(band)),
    ];
    let enhanced = unlike
        .into_iter()
        .filter_map(|(name, e)| {
            enhance::apply(&e, &part, &mask, centre).ok().map(|image| (name, relative(name, image, model, centre)))
        })
        .collect();
    Pictures { enhanced, centre_px: (centre.x_px, centre.y_px) }
}

/// Differences as shares of the mean coma, so that a mean along a ridge weighs all distances alike.
fn relative(name: &str, mut image: Image, model: &NightModel, centre: PixelXy) -> Image {
    if name.starts_with("division") {
        return image;
    }
    let width = image.width;
    for (i, v) in image.data.iter_mut().enumerate() {
        let rho = model.frame.rho_px((i % width) as f64 - centre.x_px, (i / width) as f64 - centre.y_px);
        *v /= model.coma.blurred(rho.max(0.5)) as f32;
    }
    image
}

/// Directions of rows, columns and rays on the sky, and how the comet moved against the chip.
fn instrument(night: &Night) -> Instrument {
    let used: Vec<&super::first_pass::FirstLook> =
        night.looks.iter().zip(&night.rejected).filter(|(_, r)| r.is_none()).map(|(l, _)| l).collect();
    let at = |l: &super::first_pass::FirstLook| {
        let p = l.wcs.pixel_from_sky(l.place.map_or(l.expected, |(place, _)| place)).ok()?;
        let [[a, _], [c, _]] = l.wcs.arcsec_per_px(p);
        Some((p, a.atan2(c).to_degrees()))
    };
    let places: Vec<(PixelXy, f64)> = used.iter().filter_map(|l| at(l)).collect();
    let Some((_, first)) = places.first() else { return Instrument::default() };
    let [[a, b], [c, d]] = night.stack.grid.local.arcsec_per_px;
    let rows = a.atan2(c).to_degrees().rem_euclid(180.0);
    let columns = b.atan2(d).to_degrees().rem_euclid(180.0);
    // modulo 90°: a chip turned by a quarter has its rows where its columns were
    let turned = |pa: &f64| (pa - first + 45.0).rem_euclid(90.0) - 45.0;
    let range = |values: Vec<f64>| {
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low
    };
    let moved_px =
        range(places.iter().map(|p| p.0.x_px).collect()).hypot(range(places.iter().map(|p| p.0.y_px).collect()));
    Instrument {
        axes_deg: vec![rows, columns],
        rays_deg: night.rays_pa_deg.clone(),
        rotation_deg: range(places.iter().map(|p| turned(&p.1)).collect()),
        moved_px,
    }
}

/// What a feature is called.
fn kind(fitted: &Fitted, model: &NightModel, geometry: &GeometryRecord) -> &'static str {
    let Shape::Wedge(wedge) = &fitted.shape else { return "arc" };
    let (from, to) = model.extent_px(fitted);
    let pa_deg = fitted.pa_at((from * to).sqrt()).0.to_degrees();
    let pa = PositionAngle::from_deg(pa_deg);
    let near = |direction: f64| pa.minus(PositionAngle::from_deg(direction)).abs() < TAIL_WITHIN_DEG;
    let in_tail = near(geometry.antisolar_pa_deg) || near(geometry.negative_velocity_pa_deg);
    // a width that may as well be a fan's is one
    let width_rad = wedge.width_rad + fitted.width_sigma_rad().unwrap_or(0.0);
    match width_rad.to_degrees() {
        w if w <= JET_TO_DEG => "jet",
        _ if in_tail => "tail",
        _ => "fan",
    }
}

fn from_sunward_deg(pa_deg: f64, geometry: &GeometryRecord) -> f64 {
    PositionAngle::from_deg(pa_deg).minus(PositionAngle::from_deg(geometry.sunward_pa_deg))
}

/// Degrees in [0, 360).
fn degrees(rad: f64) -> f64 {
    PositionAngle::from_deg(rad.to_degrees()).deg()
}

impl Structure {
    /// Fills the record's part on structure; optocentre and kernel stay as they are.
    pub fn fill(&self, record: &mut MorphologyRecord, geometry: &GeometryRecord) {
        let Self { model, findings, .. } = self;
        let scale = model.frame.scale_arcsec();
        let (inner, outer) = model.reach_px;
        let middle = (inner * outer).sqrt();
        record.analysed = true;
        record.condensations = self.condensations.clone();
        record.azimuthal_profiles = self.azimuthal_profiles.clone();
        record.twin = Some(TwinRecord {
            inner_arcsec: inner * scale,
            outer_arcsec: outer * scale,
            slope: model.coma.slope(middle),
            nucleus_share: Some(model.coma.nucleus_share(inner)).filter(|_| self.shows_centre),
            scatter_over_noise: model.scatter_over_noise(findings),
            profile_misfit: model.profile_misfit,
        });
        let narrow = findings
            .features
            .iter()
            .filter(|f| f.fitted.stands_alone() && matches!(kind(&f.fitted, model, geometry), "jet" | "arc"))
            .map(|f| f.probability);
        let smallest = narrow.chain(findings.rest).min_by(f64::total_cmp);
        record.search = Some(SearchRecord {
            inner_arcsec: inner * scale,
            outer_arcsec: outer * scale,
            n_templates: findings.n_templates,
            n_twins: findings.chance.n_twins(),
            level_1_percent: findings.chance.level(0.01),
            level_0_1_percent: findings.chance.level(0.001),
            counted_to: findings.chance.counted_to(),
            smallest_false_alarm_probability: smallest,
        });
        record.detection_limit = self
            .limits
            .iter()
            .map(|l| DetectionLimit {
                width_deg: l.width_rad.to_degrees(),
                inner_arcsec: l.inner_px * scale,
                outer_arcsec: l.outer_px * scale,
                recovered_fraction: l.recovered_fraction,
                contrast: l.contrast,
            })
            .collect();
        let mut features: Vec<FeatureRecord> = (0..findings.features.len())
            .filter(|i| findings.features[*i].probability <= LISTED_TO)
            .filter(|i| findings.features[*i].fitted.stands_alone())
            .map(|i| self.feature(i, geometry))
            .collect();
        let projected = model.projected_at(findings, &self.peaks);
        features.extend(self.peaks.iter().zip(projected).map(|(p, chance)| self.peak(p, chance, geometry)));
        record.features = features;
    }

    fn feature(&self, index: usize, geometry: &GeometryRecord) -> FeatureRecord {
        let Self { model, findings, .. } = self;
        let finding = &findings.features[index];
        let fitted = &finding.fitted;
        let scale = model.frame.scale_arcsec();
        let (from, to) = model.extent_px(fitted);
        let (pa_rad, pa_sigma) = fitted.pa_at(from);
        let (verdict, because) = Verdict::of(finding.probability, &self.challenges[index]);
        let (contrast, contrast_err) = model.contrast(fitted);
        let pa_deg = degrees(pa_rad);
        let curvature = match &fitted.shape {
            Shape::Wedge(w) => Some(w.curvature_rad_per_px.to_degrees() / scale),
            Shape::Arc(_) => None,
        };
        FeatureRecord {
            kind: kind(fitted, model, geometry).to_string(),
            pa_deg,
            pa_err_deg: pa_sigma.to_degrees(),
            width_deg: model.width_seen_rad(fitted).to_degrees(),
            curvature_deg_per_arcsec: curvature,
            inner_arcsec: from * scale,
            outer_arcsec: to * scale,
            inner_km: from * scale * geometry.km_per_arcsec,
            outer_km: to * scale * geometry.km_per_arcsec,
            contrast,
            contrast_err,
            false_alarm_probability: finding.probability,
            verdict: verdict.name().to_string(),
            offset_from_sunward_deg: from_sunward_deg(pa_deg, geometry),
            challenges: self.challenges[index].iter().map(challenge_record).collect(),
            significance: Some(finding.significance),
            width_err_deg: fitted.width_sigma_rad().map(f64::to_degrees),
            contrast_intrinsic: model.contrast_intrinsic(fitted),
            because,
            ridge: ridge(fitted, (from, to), scale),
        }
    }

    /// A peak of the rotational gradient that the twin explains, as an artefact.
    fn peak(
        &self,
        peak: &GradientPeak,
        (probability, significance): (f64, f64),
        geometry: &GeometryRecord,
    ) -> FeatureRecord {
        let scale = self.model.frame.scale_arcsec();
        let (from, to) = peak.zone_px;
        let pa_deg = degrees(peak.pa_rad);
        let what = if peak.by_elongation {
            "the elongation of star images"
        } else {
            "a misplaced centre or skewed star images"
        };
        let explanation = format!(
            "The plain rotational gradient shows it at {:.0} times its noise; the featureless twin explains {:.0} % of that, by {what}.",
            peak.height / peak.sigma,
            100.0 * peak.twin_share.min(1.0)
        );
        let name = if peak.by_elongation { "elongation" } else { "centre" };
        let (rising, relative) = (2.0 * peak.height, peak.sigma / peak.height);
        // a lone ray of height h makes a gradient of 2 h
        let contrast = rising / 4.0;
        FeatureRecord {
            kind: "jet".into(),
            pa_deg,
            pa_err_deg: 0.4 * peak.width_rad.to_degrees() * relative + 1.5,
            width_deg: peak.width_rad.to_degrees(),
            curvature_deg_per_arcsec: Some(0.0),
            inner_arcsec: from * scale,
            outer_arcsec: to * scale,
            inner_km: from * scale * geometry.km_per_arcsec,
            outer_km: to * scale * geometry.km_per_arcsec,
            contrast,
            contrast_err: contrast * relative,
            false_alarm_probability: probability,
            verdict: Verdict::Artefact.name().into(),
            offset_from_sunward_deg: from_sunward_deg(pa_deg, geometry),
            challenges: vec![ChallengeRecord {
                name: name.into(),
                outcome: "failed".into(),
                statistic: Some(peak.twin_share),
                threshold: Some(0.5),
                explanation: explanation.clone(),
            }],
            significance: Some(significance),
            width_err_deg: None,
            contrast_intrinsic: None,
            because: Some(explanation),
            ridge: [from, to].iter().map(|r| RidgePoint { rho_arcsec: r * scale, pa_deg }).collect(),
        }
    }

    /// The rotational gradient of the twin's realisation, as the night's is made.
    ///
    /// # Errors
    /// None that the measured centre can cause.
    pub fn twin_gradient(&self, centre_px: (f64, f64)) -> Result<Image, Failure> {
        page_gradient(&self.twin_realisation, centre_px)
    }
}

/// A challenge in the record's terms.
pub fn challenge_record(c: &Challenge) -> ChallengeRecord {
    let outcome = match c.outcome {
        Outcome::Passed => "passed",
        Outcome::Failed => "failed",
        Outcome::NotTested => "not_tested",
    };
    let finite = |v: Option<f64>| v.filter(|v| v.is_finite());
    ChallengeRecord {
        name: c.name.into(),
        outcome: outcome.into(),
        statistic: finite(c.statistic),
        threshold: finite(c.threshold),
        explanation: c.explanation.clone(),
    }
}

/// Points along a wedge's ridge outward, or along an arc's crest.
fn ridge(fitted: &Fitted, (from, to): (f64, f64), scale: f64) -> Vec<RidgePoint> {
    let share = |i: usize| i as f64 / (RIDGE_POINTS - 1) as f64;
    (0..RIDGE_POINTS)
        .map(|i| match &fitted.shape {
            Shape::Wedge(_) => {
                let rho = from + (to - from) * share(i);
                RidgePoint { rho_arcsec: rho * scale, pa_deg: degrees(fitted.pa_at(rho).0) }
            }
            Shape::Arc(a) => RidgePoint {
                rho_arcsec: a.radius_px * scale,
                pa_deg: degrees(a.pa_rad + (share(i) - 0.5) * a.length_rad),
            },
        })
        .collect()
}
