//! Magnitudes and Afρ in the campaign's apertures, with their errors term by term.

use super::colour::{self, OwnBand};
use super::dust::DustScale;
use super::notes::Notes;
use super::record::{signed, stack_zero_point};
use super::{Missing, Night};
use fanlight_coma::bands;
use fanlight_coma::passing::StarsLeft;
use fanlight_coma::photometry::{self, ApertureLight, Brightness};
use fanlight_coma::seeing_loss::SeeingLoss;
use fanlight_image::{Measured, robust};
use fanlight_record::{ColourRecord, ErrorTerm, GeometryRecord, PhotometryRecord, sentences};

/// Error of the colour assumed for the comet: dusty comae are redder than the Sun by 0 to 0.3 mag in g − r.
const COLOUR_SIGMA_MAG: f64 = 0.15;
/// Error of a magnitude whose colour term is not known, for a comet of nearly solar colour.
const NO_COLOUR_TERM_MAG: f64 = 0.01;

/// Error of a magnitude without flat frames: the stars all over the frame and the comet in its middle meet different
/// vignetting. 0.05 to 0.12 mag on simulated nights that lose 12 to 30 % of the light in the corners.
const UNEVEN_RESPONSE_MAG: f64 = 0.1;
/// Share of the background by which vignetting that no flat took off bends the sky under the coma, where a bend and a
/// coma look alike. Measured as 0.3 to 0.55 on simulated nights.
const UNFLATTENED_BEND: f64 = 0.4;
/// The same for the camera's offset where it was divided by the flat with the sky: 0.06 to 0.22 on simulated nights.
const OFFSET_BEND: f64 = 0.15;

/// What missing calibration frames may cost.
struct Uncalibrated {
    missing: Missing,
    /// Sky with whatever offset is left in it, e⁻/s per square arcsecond.
    background: f64,
}

impl Uncalibrated {
    fn of(night: &Night) -> Self {
        let used = night.looks.iter().zip(&night.rejected).filter(|(_, r)| r.is_none());
        let mut skies: Vec<f64> = used.map(|(l, _)| l.sky_e / l.light.exposure_s / l.scale_arcsec.powi(2)).collect();
        Self { missing: night.missing, background: robust::median_f64(&mut skies).unwrap_or(0.0).abs() }
    }

    /// Errors of the light in an aperture, e⁻/s, for want of bias and dark frames and for want of flats.
    fn flux_errors(&self, aperture_arcsec: f64) -> [f64; 2] {
        let background = self.background * std::f64::consts::PI * aperture_arcsec.powi(2);
        // an offset that is still in the background is not vignetted: without flats it is not bent, and the share of the
        // background that is sky is the smaller
        let unflattened = if self.missing.offset { OFFSET_BEND } else { UNFLATTENED_BEND };
        [(self.missing.offset, OFFSET_BEND), (self.missing.flat, unflattened)]
            .map(|(is_missing, share)| if is_missing { share * background } else { 0.0 })
    }
}

/// What stars leave in an aperture.
struct StarsInAperture<'a> {
    aperture_km: f64,
    left: &'a StarsLeft,
    mag: f64,
}

/// Error of a magnitude by stars from which on it is told, where no other error is larger.
const STARS_TOLD_MAG: f64 = 0.03;

impl StarsInAperture<'_> {
    /// That stars make most of a magnitude's error, and which one.
    fn warning(&self, night: &Night, terms: &[ErrorTerm]) -> Option<String> {
        let largest = terms.iter().all(|t| t.mag <= self.mag);
        if self.mag < STARS_TOLD_MAG || !largest {
            return None;
        }
        let stack = &night.stack;
        let worst = self.left.worst.filter(|(_, error)| error * error > 0.5 * self.left.sigma().powi(2));
        let star = worst.and_then(|(i, _)| stack.passing.stars.get(i)).filter(|s| s.flux > 0.0);
        let by = match star.zip(night.stack_zero_point_mag) {
            Some((star, zero_point_mag)) => {
                let away = stack.passing.nearest_px(star, stack.centre_px) * stack.scale_arcsec();
                let source = if star.by_catalogue { "by its catalogue magnitude" } else { "by its own image" };
                format!(
                    "most of it by a star of magnitude {:.1} that passes {away:.1}″ from the nucleus and was taken out {source}",
                    zero_point_mag - 2.5 * star.flux.log10()
                )
            }
            None => "by the errors of many that were taken out, and by those that nobody can see under the coma".into(),
        };
        Some(format!(
            "Stars in the aperture of {} km make an error of {:.2} mag, more than anything else, {by}.",
            self.aperture_km, self.mag
        ))
    }
}

/// How the night's light becomes magnitudes and dust.
pub struct Calibration<'a> {
    night: &'a Night,
    geometry: &'a GeometryRecord,
    /// The catalogue's band.
    pub band: &'a str,
    /// Magnitude of 1 e⁻/s in the stack, at the comet's colour.
    pub zero_point: Measured,
    /// What the comet's colour may change magnitudes by.
    colour_sigma: f64,
    /// The comet's colour, where another band tells it.
    pub colour: Option<ColourRecord>,
    /// Magnitudes to Afρ.
    pub dust: DustScale,
    uncalibrated: Uncalibrated,
    shows_centre: bool,
    losses: Option<SeeingLoss>,
}

impl<'a> Calibration<'a> {
    /// The night's calibration; `None` where nothing ties it to a catalogue.
    pub fn of(night: &'a Night, geometry: &'a GeometryRecord, notes: &mut Notes) -> Option<Self> {
        let band = night.campaign.photometry.band.as_deref()?;
        let zero_point = stack_zero_point(night)?;
        let shows_centre = night.stack.shows_centre();
        if !shows_centre {
            notes.warn(
                "No pixel shows the comet's centre: it is saturated or masked in most frames. There are no magnitudes and no Afρ, \
                 only what the comet is brighter than.",
            );
        }
        let losses = night
            .stack
            .kernel
            .filter(|_| shows_centre)
            .and_then(|k| SeeingLoss::new(&night.stack.rings, &night.stack.comet.kernel, k.fwhm_px()));
        let dust = DustScale::of(&night.campaign.photometry, band, geometry, notes);
        let uncalibrated = Uncalibrated::of(night);
        let term = night.solution.as_ref().and_then(|s| s.colour_term);
        let colour_sigma = term.map_or(NO_COLOUR_TERM_MAG, |t| t.value.abs().max(t.sigma) * COLOUR_SIGMA_MAG);
        let colour = None;
        let mut calibration =
            Self { night, geometry, band, zero_point, colour_sigma, colour, dust, uncalibrated, shows_centre, losses };
        calibration.take_colour(term, notes);
        Some(calibration)
    }

    /// Brings the zero point to the comet's measured colour, where another band tells it.
    fn take_colour(&mut self, term: Option<Measured>, notes: &mut Notes) {
        let night = self.night;
        if let (Some(other), Some(band)) = (&night.other_band, bands::canonical(self.band)) {
            let colour_term = night.colour.as_ref().map(|c| c.name.as_str()).zip(term.map(|t| t.value));
            let own = OwnBand { band, colour_term, mid: night.mid };
            match other.colour(&own, |km| self.aperture(km).and_then(|(p, _)| Some(Measured::new(p.mag?, p.mag_err?))))
            {
                Ok((found, step)) => {
                    self.zero_point.value += step.value;
                    self.colour_sigma = step.sigma;
                    notes.push(format!(
                        "Magnitudes are at the comet's measured colour, {} − {} = {:.3} ± {:.3}, which makes them {} mag different from those \
                         at the Sun's.",
                        found.blue,
                        found.red,
                        found.colour_mag,
                        found.colour_err_mag,
                        signed(step.value, 3)
                    ));
                    if let Some(warning) = colour::told_apart(&found) {
                        notes.warn(warning);
                    }
                    self.colour = Some(found);
                    return;
                }
                Err(reason) => notes.warn(reason),
            }
        }
        match (&night.colour, term) {
            (Some(c), Some(t)) => notes.push(format!(
                "Magnitudes are for a comet of the Sun's colour, {} = {:.2}; the colour term is {} ± {:.3}.",
                c.name.replace('-', " − "),
                c.solar_mag,
                signed(t.value, 3),
                t.sigma
            )),
            _ => notes.push(
                "No colour term could be fitted; magnitudes are for a source of the comparison stars' mean colour."
                    .into(),
            ),
        }
    }

    /// Records of the campaign's apertures; one that is not wholly on the stack is left out with a warning.
    pub fn records(&self, notes: &mut Notes) -> Vec<PhotometryRecord> {
        let radii = self.radii_km();
        if radii.is_empty() {
            notes.warn("No apertures are set: give photometry.apertures_km to measure magnitudes and Afρ.");
        }
        let records: Vec<PhotometryRecord> = radii.iter().filter_map(|km| self.told(*km, notes)).collect();
        notes.extend(filled_frame(&records));
        records
    }

    /// The campaign's apertures.
    pub fn radii_km(&self) -> Vec<f64> {
        let section = &self.night.campaign.photometry;
        let by_angle = section.apertures_arcsec.iter().map(|arcsec| arcsec * self.geometry.km_per_arcsec);
        section.apertures_km.iter().copied().chain(by_angle).collect()
    }

    /// One aperture, with what a reader must be told of it.
    fn told(&self, aperture_km: f64, notes: &mut Notes) -> Option<PhotometryRecord> {
        let aperture_arcsec = aperture_km / self.geometry.km_per_arcsec;
        let Some((record, left)) = self.aperture(aperture_km) else {
            notes.warn(format!(
                "The aperture of {aperture_km:.0} km ({aperture_arcsec:.1}″) is not wholly on the stack and was left out."
            ));
            return None;
        };
        let fwhm_arcsec = self.night.stack.kernel.map(|k| k.fwhm_px() * self.night.stack.scale_arcsec());
        if let Some(width) = fwhm_arcsec.filter(|f| aperture_arcsec < sentences::RESOLVED_FWHM * f) {
            notes.warn(format!(
                "The aperture of {aperture_km:.0} km ({aperture_arcsec:.1}″) is smaller than twice the star image's width \
                 ({width:.1}″): seeing scatters light out of it, and its magnitude is too faint and its Afρ too low."
            ));
        }
        let by_stars = record.error_terms_mag.iter().find(|t| t.name == sentences::STARS_TERM).map_or(0.0, |t| t.mag);
        let of_stars = StarsInAperture { aperture_km, left: &left, mag: by_stars };
        if let Some(warning) = of_stars.warning(self.night, &record.error_terms_mag) {
            notes.warn(warning);
        }
        Some(record)
    }

    /// The light in a circle and what stars leave in it; `None` where the circle is not wholly on the stack.
    pub fn aperture(&self, aperture_km: f64) -> Option<(PhotometryRecord, StarsLeft)> {
        let stack = &self.night.stack;
        let scale_arcsec = stack.scale_arcsec();
        let aperture_arcsec = aperture_km / self.geometry.km_per_arcsec;
        let radius_px = aperture_arcsec / scale_arcsec;
        let (light, left) = stack.aperture(radius_px)?;
        let as_mag = |flux_error: f64| 1.0857 * flux_error / light.flux.abs().max(1e-30);
        let [offset, flat] = self.uncalibrated.flux_errors(aperture_arcsec);
        let mut error_terms_mag = [
            (sentences::NOISE_TERM, as_mag(light.noise)),
            ("sky", as_mag(light.sky)),
            ("zero point", self.zero_point.sigma),
            ("colour", self.colour_sigma),
            ("centring", as_mag(light.centring)),
            ("pixel sampling", as_mag(light.sampling)),
            ("filled pixels", as_mag(light.filled)),
            (sentences::STARS_TERM, as_mag(light.stars)),
        ]
        .map(|(name, mag)| ErrorTerm { name: name.to_string(), mag })
        .to_vec();
        let missing = self.night.missing;
        let response = self.response_sigma();
        for (is_missing, name, mag) in [
            (missing.offset, sentences::NO_OFFSET_TERM, as_mag(offset)),
            (missing.flat, sentences::NO_FLAT_TERM, as_mag(flat).hypot(response)),
        ] {
            if is_missing {
                error_terms_mag.push(ErrorTerm { name: name.to_string(), mag });
            }
        }
        let with_missing = self.with_missing(light, std::f64::consts::PI * aperture_arcsec.powi(2));
        let (mag, limit_3sigma_mag, brighter_than_mag) = match self.brightness(&with_missing) {
            Brightness::Magnitude(m) if self.shows_centre => (Some(m), None, None),
            Brightness::Magnitude(m) => (None, None, Some(m.value + 3.0 * m.sigma)),
            Brightness::FainterThan(limit) => (None, Some(limit).filter(|_| self.shows_centre), None),
        };
        let afrho = mag.and_then(|m| self.dust.afrho(m, aperture_km));
        let a0frho = afrho.and_then(|a| self.dust.at_zero_phase(a));
        let limit = limit_3sigma_mag.and_then(|m| self.dust.afrho_limit_cm(m, aperture_km));
        let at_edge = stack.coma_at_edge();
        let record = PhotometryRecord {
            aperture_km,
            aperture_arcsec,
            band: self.band.to_string(),
            mag: mag.map(|m| m.value),
            mag_err: mag.map(|m| m.sigma),
            limit_3sigma_mag,
            brighter_than_mag,
            afrho_cm: afrho.map(|a| a.value),
            afrho_err_cm: afrho.map(|a| a.sigma),
            afrho_limit_3sigma_cm: limit,
            a0frho_cm: a0frho.map(|a| a.value),
            a0frho_err_cm: a0frho.map(|a| a.sigma),
            error_terms_mag,
            edge_sky_loss: at_edge.map(|edge| {
                let loss = edge * std::f64::consts::PI * radius_px.powi(2) / light.flux;
                if light.flux > 0.0 { loss.min(1.0) } else { 1.0 }
            }),
            seeing_loss: self.losses.as_ref().map(|l| l.in_aperture(radius_px)),
            filled_fraction: light.filled_fraction,
        };
        Some((record, left))
    }

    /// A light as a magnitude or a limit, with the errors that all light of the night shares.
    pub fn brightness(&self, light: &ApertureLight) -> Brightness {
        photometry::brightness(light, self.zero_point, self.colour_sigma.hypot(self.response_sigma()))
    }

    fn response_sigma(&self) -> f64 {
        if self.night.missing.flat { UNEVEN_RESPONSE_MAG } else { 0.0 }
    }

    /// A light with what missing calibration frames may do to it over an area.
    pub fn with_missing(&self, light: ApertureLight, area_arcsec2: f64) -> ApertureLight {
        let [offset, flat] = self.uncalibrated.flux_errors((area_arcsec2 / std::f64::consts::PI).sqrt());
        ApertureLight { sky: light.sky.hypot(offset).hypot(flat), ..light }
    }
}

/// What a coma that fills the stack does to the light in each aperture.
fn filled_frame(photometry: &[PhotometryRecord]) -> Option<String> {
    let worst = photometry.iter().filter_map(|p| p.edge_sky_loss).reduce(f64::max)?;
    if worst < sentences::EDGE_LOSS_TOLD {
        return None;
    }
    let each: Vec<String> = photometry
        .iter()
        .filter_map(|p| {
            let sky = p.error_terms_mag.iter().find(|t| t.name == "sky")?.mag;
            Some(format!("{:.1} % within {} km (error {:.1} %)", 100.0 * p.edge_sky_loss?, p.aperture_km, 92.1 * sky))
        })
        .collect();
    Some(format!(
        "The coma fills the part of the frames that was used: it is still over the sky at the edge. A sky read there would \
         lower the light and Afρ by {}. The sky was fitted together with the coma's fall-off instead; what that may get wrong \
         is the error in brackets, and is in the error of each magnitude as its sky term.",
        each.join(", ")
    ))
}
