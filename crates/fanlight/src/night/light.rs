//! How the coma's light grows with radius, what rings and sectors of it hold, how it falls outward, and how much there is of it.

use super::Night;
use super::measure_stack::MeasuredStack;
use super::photometry::Calibration;
use fanlight_coma::photometry::{ApertureLight, Brightness};
use fanlight_coma::profile_shape::{self, RadialPoint, SlopeFit};
use fanlight_coma::total_light::{self, OuterComa, TotalLight};
use fanlight_image::Measured;
use fanlight_io::{SectorDirection, SectorSection};
use fanlight_record::*;

/// What the record says of the coma's light.
pub struct Records {
    /// The curve of growth.
    pub growth: Vec<GrowthRecord>,
    /// The campaign's rings and sectors.
    pub sectors: Vec<SectorRecord>,
    /// Slopes.
    pub shape: Option<ProfileShapeRecord>,
    /// The light inside an isophote.
    pub total: Option<TotalMagnitudeRecord>,
}

/// Steps of the curve of growth per factor of ten in radius.
const STEPS_PER_DECADE: f64 = 12.0;
/// Its first radius in star widths.
const FIRST_RADIUS_FWHM: f64 = 0.5;
/// Slopes are those of the coma from so many star widths on, where blurring no longer makes them.
const SLOPES_FROM_FWHM: f64 = 2.0;
/// The profile beyond the last ring goes on with the slope from this share of its radius on.
const OUTER_SHARE: f64 = 0.4;
/// A total whose error is more than this share of it is a guess.
const MOST_GUESSED: f64 = 0.3;
/// How far from 1 the slope of a coma in free outflow may be for its own structure. A judgement.
const OWN_SHAPE: f64 = 0.02;

impl Records {
    /// Measures them all; magnitudes are absent without a calibration.
    pub fn of(night: &Night, geometry: &GeometryRecord, calibration: Option<&Calibration>) -> Self {
        let coma = Coma { stack: &night.stack, geometry, calibration };
        let sections = night.campaign.photometry.sectors.iter();
        Self {
            growth: coma.growth(),
            sectors: sections.filter_map(|s| coma.section(s)).collect(),
            shape: coma.shape(),
            total: coma.total(),
        }
    }
}

/// Sectors along the features that are not artefacts, for the record; arcs lie across and are left out.
pub fn feature_sectors(night: &Night, record: &NightRecord, calibration: Option<&Calibration>) -> Vec<SectorRecord> {
    let coma = Coma { stack: &night.stack, geometry: &record.geometry, calibration };
    let features = record.morphology.features.iter();
    features
        .filter(|f| matches!(f.verdict.as_str(), "supported" | "provisional") && f.kind != "arc")
        .filter_map(|f| {
            let name = format!("{} at PA {:.0}°", f.kind, f.pa_deg);
            let along = Along {
                pa_deg: f.pa_deg,
                curvature_deg_per_arcsec: f.curvature_deg_per_arcsec.unwrap_or(0.0),
                width_deg: f.width_deg.min(360.0),
                inner_arcsec: f.inner_arcsec,
                outer_arcsec: f.outer_arcsec,
            };
            coma.sector(&name, &along)
        })
        .collect()
}

/// A sector whose middle may turn with the distance, as a curved jet does; all round with a width of 360.
struct Along {
    /// Position angle of the middle at the inner edge.
    pa_deg: f64,
    curvature_deg_per_arcsec: f64,
    width_deg: f64,
    inner_arcsec: f64,
    outer_arcsec: f64,
}

impl Along {
    /// Pieces that follow it within a quarter of its width.
    fn pieces(&self) -> impl Iterator<Item = Along> {
        let turn = (self.curvature_deg_per_arcsec * (self.outer_arcsec - self.inner_arcsec)).abs();
        let n = (4.0 * turn / self.width_deg).ceil().clamp(1.0, 64.0);
        let step = (self.outer_arcsec - self.inner_arcsec) / n;
        (0..n as usize).map(move |i| {
            let inner_arcsec = self.inner_arcsec + i as f64 * step;
            let middle = inner_arcsec + 0.5 * step - self.inner_arcsec;
            let pa_deg = self.pa_deg + self.curvature_deg_per_arcsec * middle;
            Along { pa_deg, curvature_deg_per_arcsec: 0.0, inner_arcsec, outer_arcsec: inner_arcsec + step, ..*self }
        })
    }

    fn ring(&self) -> Along {
        Along { width_deg: 360.0, curvature_deg_per_arcsec: 0.0, ..*self }
    }

    fn area_arcsec2(&self) -> f64 {
        self.width_deg.to_radians() * 0.5 * (self.outer_arcsec.powi(2) - self.inner_arcsec.powi(2))
    }
}

struct Coma<'a> {
    stack: &'a MeasuredStack,
    geometry: &'a GeometryRecord,
    calibration: Option<&'a Calibration<'a>>,
}

impl Coma<'_> {
    fn fwhm_px(&self) -> f64 {
        self.stack.kernel.map_or(3.0, |k| k.fwhm_px())
    }

    fn growth(&self) -> Vec<GrowthRecord> {
        let scale = self.stack.scale_arcsec();
        let (first, last) = ((FIRST_RADIUS_FWHM * self.fwhm_px()).max(1.0), self.stack.largest_circle_px());
        if !(last > first) {
            return Vec::new();
        }
        let steps = (STEPS_PER_DECADE * (last / first).log10()).ceil();
        (0..=steps as i32)
            .filter_map(|i| {
                let radius_px = first * (last / first).powf(f64::from(i) / steps);
                let (light, _) = self.stack.aperture(radius_px)?;
                let (radius_arcsec, radius_km) = (radius_px * scale, radius_px * scale * self.geometry.km_per_arcsec);
                let light = self.with_missing(light, std::f64::consts::PI * radius_arcsec.powi(2));
                let mag = self.own_magnitude(&light);
                let afrho = mag.and_then(|m| self.calibration?.dust.afrho(m, radius_km));
                Some(GrowthRecord {
                    radius_km,
                    radius_arcsec,
                    light_e_per_s: light.flux,
                    light_err_e_per_s: light.sigma(),
                    mag: mag.map(|m| m.value),
                    mag_err: mag.map(|m| m.sigma),
                    afrho_cm: afrho.map(|a| a.value),
                    afrho_err_cm: afrho.map(|a| a.sigma),
                })
            })
            .collect()
    }

    /// A magnitude with the light's own error, without the zero point's.
    fn own_magnitude(&self, light: &ApertureLight) -> Option<Measured> {
        let zero_point = Measured::new(self.calibration?.zero_point.value, 0.0);
        match fanlight_coma::photometry::brightness(light, zero_point, 0.0) {
            Brightness::Magnitude(m) if self.stack.shows_centre() => Some(m),
            _ => None,
        }
    }

    fn with_missing(&self, light: ApertureLight, area_arcsec2: f64) -> ApertureLight {
        self.calibration.map_or(light, |c| c.with_missing(light, area_arcsec2))
    }

    /// A sector of the campaign file; `None` where it is not wholly on the stack.
    fn section(&self, section: &SectorSection) -> Option<SectorRecord> {
        let pa_deg = match section.direction {
            Some(SectorDirection::Sunward) => Some(self.geometry.sunward_pa_deg),
            Some(SectorDirection::Antisolar) => Some(self.geometry.antisolar_pa_deg),
            Some(SectorDirection::NegativeVelocity) => Some(self.geometry.negative_velocity_pa_deg),
            None => section.pa_deg,
        };
        let along = Along {
            pa_deg: pa_deg.unwrap_or(0.0),
            curvature_deg_per_arcsec: 0.0,
            width_deg: if pa_deg.is_some() { section.width_deg.unwrap_or(360.0) } else { 360.0 },
            inner_arcsec: section.inner_km / self.geometry.km_per_arcsec,
            outer_arcsec: section.outer_km / self.geometry.km_per_arcsec,
        };
        self.sector(section.name.as_deref().unwrap_or("ring"), &along)
    }

    fn sector(&self, name: &str, along: &Along) -> Option<SectorRecord> {
        let light = self.light(along)?;
        let km = self.geometry.km_per_arcsec;
        let all_round = along.width_deg >= 360.0;
        let share = along.width_deg / 360.0;
        let excess = match all_round {
            true => None,
            false => {
                let ring = self.light(&along.ring())?;
                let mean = ring.flux * share;
                let noise = light.noise.hypot(ring.noise * share) / mean;
                (mean > 0.0).then(|| Measured::new(light.flux / mean - 1.0, noise))
            }
        };
        let seen = self.calibration.map(|c| c.brightness(&light));
        let (mag, limit_3sigma_mag) = match seen {
            Some(Brightness::Magnitude(m)) => (Some(m), None),
            Some(Brightness::FainterThan(limit)) => (None, Some(limit)),
            None => (None, None),
        };
        Some(SectorRecord {
            name: name.to_string(),
            pa_deg: (!all_round).then(|| along.pa_deg.rem_euclid(360.0)),
            width_deg: along.width_deg,
            inner_km: along.inner_arcsec * km,
            outer_km: along.outer_arcsec * km,
            inner_arcsec: along.inner_arcsec,
            outer_arcsec: along.outer_arcsec,
            light_e_per_s: light.flux,
            light_err_e_per_s: light.sigma(),
            mag: mag.map(|m| m.value),
            mag_err: mag.map(|m| m.sigma),
            limit_3sigma_mag,
            mag_per_arcsec2: mag.map(|m| m.value + 2.5 * along.area_arcsec2().log10()),
            excess: excess.map(|e| e.value),
            excess_err: excess.map(|e| e.sigma),
            filled_fraction: light.filled_fraction,
        })
    }

    /// Light along a sector; noise of its pieces adds in squares, everything else is common to them.
    fn light(&self, along: &Along) -> Option<ApertureLight> {
        let pieces: Vec<(ApertureLight, f64)> =
            along.pieces().map(|p| Some((self.piece(&p)?, p.area_arcsec2()))).collect::<Option<_>>()?;
        let sum = |of: fn(&ApertureLight) -> f64| pieces.iter().map(|(l, _)| of(l)).sum::<f64>();
        let area = along.area_arcsec2();
        let light = ApertureLight {
            flux: sum(|l| l.flux),
            noise: sum(|l| l.noise * l.noise).sqrt(),
            sky: sum(|l| l.sky),
            centring: sum(|l| l.centring),
            filled: sum(|l| l.filled),
            sampling: sum(|l| l.sampling),
            stars: self.stack.stars_left_along(along.inner_arcsec, along.outer_arcsec, along.width_deg),
            filled_fraction: pieces.iter().map(|(l, a)| l.filled_fraction * a).sum::<f64>() / area,
        };
        Some(self.with_missing(light, area))
    }

    fn piece(&self, piece: &Along) -> Option<ApertureLight> {
        self.stack.sector(piece.pa_deg, piece.width_deg, (piece.inner_arcsec, piece.outer_arcsec))
    }

    /// The rings that tell how the coma falls outward, in arcsec and per square pixel.
    fn telling_rings(&self) -> Vec<RadialPoint> {
        let from_px = SLOPES_FROM_FWHM * self.fwhm_px();
        let scale = self.stack.scale_arcsec();
        let correlated = self.stack.comet.correlation.sqrt();
        let points: Vec<RadialPoint> = self
            .stack
            .rings
            .iter()
            .filter(|r| r.inner_px >= from_px && 2 * r.n_good >= r.n_total)
            .filter_map(|r| {
                let sigma = r.sigma_of_mean? * correlated;
                let sky_sigma = self.stack.sky.map_or(0.0, |s| s.mean_sigma_at(r.mean_radius_px));
                Some(RadialPoint { rho: r.mean_radius_px * scale, brightness: r.mean, sigma, sky_sigma })
            })
            .collect();
        profile_shape::telling(&points)
    }

    fn shape(&self) -> Option<ProfileShapeRecord> {
        let points = self.telling_rings();
        let km = self.geometry.km_per_arcsec;
        let record = |s: &SlopeFit| SlopeRecord {
            inner_arcsec: s.inner,
            outer_arcsec: s.outer,
            inner_km: s.inner * km,
            outer_km: s.outer * km,
            slope: s.slope.value,
            slope_err: s.slope.sigma,
        };
        let value = |m: Measured| ValueRecord { value: m.value, err: m.sigma };
        let whole = profile_shape::slope(&points)?;
        Some(ProfileShapeRecord {
            whole: record(&whole),
            ranges: profile_shape::slopes_by_range(&points).iter().map(record).collect(),
            sigmas_from_one: (whole.slope.value - 1.0) / whole.slope.sigma.hypot(OWN_SHAPE),
            steepening: profile_shape::steepening(&points).map(|s| SteepeningRecord {
                radius_arcsec: s.rho,
                radius_km: s.rho * km,
                range_km: [s.rho_range.0 * km, s.rho_range.1 * km],
                inner_slope: value(s.inner_slope),
                outer_slope: value(s.outer_slope),
            }),
        })
    }

    /// The light inside the isophote, measured where that is on the stack, extrapolated where it is not and that is no guess.
    fn total(&self) -> Option<TotalMagnitudeRecord> {
        let calibration = self.calibration.filter(|_| self.stack.shows_centre())?;
        let points = self.telling_rings();
        let scale = self.stack.scale_arcsec();
        let area = scale * scale;
        let mag_arcsec2 = |brightness: f64| calibration.zero_point.value - 2.5 * (brightness / area).log10();
        let isophote = 10f64.powf(0.4 * (calibration.zero_point.value - total_light::ISOPHOTE_MAG_ARCSEC2));
        let crossed = points.windows(2).find_map(|p| {
            let (a, b) = (p[0].brightness / area, p[1].brightness / area);
            let share = (a / isophote).ln() / (a / b).ln();
            (a >= isophote && b < isophote).then(|| p[0].rho * (p[1].rho / p[0].rho).powf(share))
        });
        let last = points.last()?;
        let measured_arcsec = crossed.unwrap_or(last.rho).min(self.stack.largest_circle_px() * scale);
        let (light, _) = self.stack.aperture(measured_arcsec / scale)?;
        let light = self.with_missing(light, std::f64::consts::PI * measured_arcsec.powi(2));
        let Brightness::Magnitude(measured) = calibration.brightness(&light) else { return None };
        let whole = match crossed {
            Some(radius) => {
                Ok(TotalLight { light: Measured::new(light.flux, light.sigma()), radius, extrapolated: 0.0 })
            }
            None if last.brightness < area * isophote => {
                Err("the coma is lost in the noise before it has fallen to the isophote".to_string())
            }
            None => {
                let outer: Vec<RadialPoint> =
                    points.iter().filter(|p| p.rho > OUTER_SHARE * last.rho).copied().collect();
                let slope = profile_shape::slope(&outer)?.slope;
                let brightness = Measured::new(last.brightness / area, last.sigma.hypot(last.sky_sigma) / area);
                let inside = Measured::new(light.flux, light.sigma());
                let coma = OuterComa { radius: measured_arcsec, light: inside, brightness, slope };
                total_light::extrapolate(&coma, isophote).filter(|t| t.light.sigma < MOST_GUESSED * t.light.value).ok_or_else(
                    || {
                        format!(
                            "at {} km the coma is still {:.1} mag/arcsec², {:.1} mag brighter than the isophote: how it goes on \
                             is not known",
                            sentences::fixed(measured_arcsec * self.geometry.km_per_arcsec, -2),
                            mag_arcsec2(last.brightness),
                            total_light::ISOPHOTE_MAG_ARCSEC2 - mag_arcsec2(last.brightness)
                        )
                    },
                )
            }
        };
        let found = whole.as_ref().ok();
        let seen = found.map(|t| {
            calibration.brightness(&ApertureLight {
                flux: t.light.value,
                noise: t.light.sigma,
                ..ApertureLight::default()
            })
        });
        let mag = match seen {
            Some(Brightness::Magnitude(m)) => Some(m),
            _ => None,
        };
        Some(TotalMagnitudeRecord {
            isophote_mag_arcsec2: total_light::ISOPHOTE_MAG_ARCSEC2,
            mag: mag.map(|m| m.value),
            mag_err: mag.map(|m| m.sigma),
            radius_arcsec: found.map(|t| t.radius),
            radius_km: found.map(|t| t.radius * self.geometry.km_per_arcsec),
            extrapolated: found.map(|t| t.extrapolated),
            measured_mag: measured.value,
            measured_mag_err: measured.sigma,
            measured_radius_km: measured_arcsec * self.geometry.km_per_arcsec,
            not_given_because: whole.err(),
        })
    }
}
