//! The campaign file: what the user knows of comet, site, camera and catalogue, in TOML.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use fanlight_record::ades::{CATALOGUES, known_bands};
use fanlight_sky::{OrbitElements, Site};
use serde::Deserialize;

use crate::campaign_keys::KeyPlaces;
use crate::error::nearest_name;
use crate::frames::same_filter;

/// A campaign file that is wrong, or lacks what a command needs.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct CampaignError {
    /// File, line, dotted key, and what is wrong with it.
    pub message: String,
    /// What to do.
    pub hint: Option<String>,
}

/// A checked campaign file. A section that is absent is `None` or has nothing set.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Campaign {
    /// The campaign's ledger, made absolute or relative to the working folder; [`Campaign::ledger_path`] says where it is without
    /// this key.
    pub ledger: Option<PathBuf>,
    /// `[object]`: the comet.
    pub object: Option<ObjectSection>,
    /// `[site]`: the place of observation.
    pub site: Option<SiteSection>,
    /// `[camera]`: what overrides the frames' headers.
    #[serde(default)]
    pub camera: CameraSection,
    /// `[photometry]`: catalogue and apertures.
    #[serde(default)]
    pub photometry: PhotometrySection,
    /// `[telescope]`: for figures and reports.
    #[serde(default)]
    pub telescope: TelescopeSection,
    /// `[observer]`: for figures and reports.
    #[serde(default)]
    pub observer: ObserverSection,
    #[serde(skip)]
    path: PathBuf,
}

/// `[object]`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ObjectSection {
    /// The comet's designation, free text.
    pub designation: String,
    /// Its identification in ADES, where the designation does not give it.
    pub ades_id: Option<String>,
    /// `[object.orbit]`.
    pub orbit: Option<OrbitSection>,
}

/// `[object.orbit]`: osculating elements, heliocentric, ecliptic and equinox J2000.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OrbitSection {
    /// Epoch of osculation, Julian date in TDB.
    pub epoch_jd_tdb: f64,
    /// Time of perihelion, Julian date in TDB.
    pub perihelion_jd_tdb: f64,
    /// Perihelion distance, positive.
    pub q_au: f64,
    /// Eccentricity, 0 or more.
    pub e: f64,
    /// Inclination, 0 to 180.
    pub inclination_deg: f64,
    /// Longitude of the ascending node.
    pub node_deg: f64,
    /// Argument of perihelion.
    pub argument_of_perihelion_deg: f64,
    /// Radial non-gravitational parameter A1.
    #[serde(default)]
    pub a1_au_d2: f64,
    /// Transverse non-gravitational parameter A2.
    #[serde(default)]
    pub a2_au_d2: f64,
    /// Normal non-gravitational parameter A3.
    #[serde(default)]
    pub a3_au_d2: f64,
}

/// `[site]`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SiteSection {
    /// Its name, for figures.
    pub name: Option<String>,
    /// Geodetic longitude, WGS 84, east positive.
    pub longitude_deg: f64,
    /// Geodetic latitude, WGS 84.
    pub latitude_deg: f64,
    /// Height above the ellipsoid.
    pub height_m: f64,
}

/// `[camera]`. What is set here wins over a frame's header.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CameraSection {
    /// Electrons per ADU, positive.
    pub gain_e_per_adu: Option<f64>,
    /// Read noise, not negative.
    pub read_noise_e: Option<f64>,
    /// Level at which a pixel counts as saturated, positive.
    pub saturation_adu: Option<f64>,
    /// Pixel scale, positive; used only where a frame has no WCS.
    pub pixel_scale_arcsec: Option<f64>,
    /// Error of the frames' mid-times, 1σ, positive; for reports.
    pub clock_err_s: Option<f64>,
    /// The colour of a colour camera that is measured; green where neither this nor the filters say it.
    pub channel: Option<ColourChannel>,
    /// The colours of a colour camera's pixels from the file's first on, where no `BAYERPAT` says them or it is wrong.
    pub colour_pattern: Option<String>,
}

/// A colour of a colour camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum ColourChannel {
    /// Red.
    R,
    /// Green.
    G,
    /// Blue.
    B,
}

/// `[photometry]`.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotometrySection {
    /// The star catalogue, made absolute or relative to the working folder.
    pub catalogue: Option<PathBuf>,
    /// The catalogue's band to calibrate to.
    pub band: Option<String>,
    /// Apparent magnitude of the Sun at 1 au in that band.
    pub solar_magnitude: Option<f64>,
    /// Aperture radii at the comet, each positive; at least one where the key is given.
    #[serde(default)]
    pub apertures_km: Vec<f64>,
    /// Aperture radii on the sky, each positive, beside those in kilometres.
    #[serde(default)]
    pub apertures_arcsec: Vec<f64>,
    /// Rings and sectors whose light is measured.
    #[serde(default)]
    pub sectors: Vec<SectorSection>,
    /// The dust's phase function, by its name; otherwise the one that holds at the night's phase angle.
    pub phase_function: Option<String>,
    /// Of the phase function `linear`: its coefficient.
    pub phase_coefficient_mag_per_deg: Option<f64>,
    /// FILTER value of the frames to band.
    #[serde(default)]
    pub filters: BTreeMap<String, String>,
    /// ADES code of the catalogue.
    pub catalogue_code: Option<String>,
    /// ADES code of the filter itself, whatever band the catalogue has.
    pub filter_code: Option<String>,
}

/// `[[photometry.sectors]]`: a ring about the centre, or a sector of one.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SectorSection {
    /// What the record calls it.
    pub name: Option<String>,
    /// Position angle of its middle; a ring where neither this nor `direction` is given.
    pub pa_deg: Option<f64>,
    /// Its middle by a direction that changes from night to night.
    pub direction: Option<SectorDirection>,
    /// Full width in position angle, above 0 and at most 360.
    pub width_deg: Option<f64>,
    /// Inner radius at the comet, 0 or more.
    pub inner_km: f64,
    /// Outer radius at the comet, more than the inner one.
    pub outer_km: f64,
}

/// A direction that the orbit gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SectorDirection {
    /// Toward the Sun.
    Sunward,
    /// Away from the Sun.
    Antisolar,
    /// Against the comet's motion about the Sun.
    NegativeVelocity,
}

/// `[telescope]`.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TelescopeSection {
    /// Its name.
    pub name: Option<String>,
    /// Clear aperture, positive.
    pub aperture_m: Option<f64>,
    /// Focal length over aperture, positive.
    pub f_ratio: Option<f64>,
    /// Optical design, such as `reflector`.
    pub design: Option<String>,
    /// Detector code, such as `CMO`.
    pub detector: Option<String>,
    /// What was tracked; measured from the frames where it is not given.
    pub tracking: Option<Tracking>,
}

/// What the mount followed during an exposure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Tracking {
    /// The stars.
    Stars,
    /// The comet's motion.
    Comet,
}

/// `[observer]`.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ObserverSection {
    /// Who observed.
    #[serde(default)]
    pub names: Vec<String>,
    /// Observatory code of the Minor Planet Center.
    pub mpc_code: Option<String>,
    /// Who submits measurements.
    pub submitter: Option<String>,
    /// Who measured, where it was not the observers.
    #[serde(default)]
    pub measurers: Vec<String>,
}

/// Reads and checks a campaign file.
///
/// # Errors
/// The file cannot be read or is not TOML; a key is unknown, missing in its section, of the wrong type, or has a
/// value that cannot be. The message names file, line and dotted key.
pub fn load_campaign(path: &Path) -> Result<Campaign, CampaignError> {
    let bytes = std::fs::read(path).map_err(|e| CampaignError {
        message: format!("cannot read campaign file {}: {e}", path.display()),
        hint: Some("`fanlight init` writes one to start from".to_owned()),
    })?;
    let text = String::from_utf8(bytes).map_err(|e| {
        let line = 1 + e.as_bytes()[..e.utf8_error().valid_up_to()].iter().filter(|b| **b == b'\n').count();
        CampaignError {
            message: format!("{}:{line}: not UTF-8 text", path.display()),
            hint: Some("save the file as UTF-8".to_owned()),
        }
    })?;
    Campaign::from_toml(&text, path)
}

impl Campaign {
    /// Checks the text of a campaign file; `path` is used in messages and for the catalogue's place.
    ///
    /// # Errors
    /// As [`load_campaign`].
    pub fn from_toml(text: &str, path: &Path) -> Result<Self, CampaignError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let places = KeyPlaces::of(text);
        let mut campaign: Self = toml::from_str(text).map_err(|e| parse_error(&e, &places, path))?;
        campaign.path = path.to_owned();
        Checks { places: &places, path }.all(&campaign)?;
        for file in [&mut campaign.photometry.catalogue, &mut campaign.ledger].into_iter().flatten() {
            *file = path.parent().unwrap_or(Path::new("")).join(&*file);
        }
        Ok(campaign)
    }

    /// The file this came from.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where the campaign's ledger is: as the file says, or beside it and named after it, `campaign.ledger.sqlite` of
    /// `campaign.toml`.
    pub fn ledger_path(&self) -> PathBuf {
        self.ledger.clone().unwrap_or_else(|| self.path.with_extension("ledger.sqlite"))
    }

    /// The comet's designation.
    ///
    /// # Errors
    /// There is no `[object]` section.
    pub fn designation(&self) -> Result<&str, CampaignError> {
        Ok(&self.needed(self.object.as_ref(), "[object]", "designation and [object.orbit]")?.designation)
    }

    /// The comet's orbit.
    ///
    /// # Errors
    /// There is no `[object.orbit]` section, or its elements contradict each other.
    pub fn orbit(&self) -> Result<OrbitElements, CampaignError> {
        let orbit = self.object.as_ref().and_then(|o| o.orbit.as_ref());
        let o = self.needed(orbit, "[object.orbit]", "the comet's osculating elements")?;
        let elements = OrbitElements {
            epoch_jd_tdb: o.epoch_jd_tdb,
            perihelion_jd_tdb: o.perihelion_jd_tdb,
            q_au: o.q_au,
            e: o.e,
            inclination_deg: o.inclination_deg,
            node_deg: o.node_deg,
            argument_of_perihelion_deg: o.argument_of_perihelion_deg,
            a1_au_d2: o.a1_au_d2,
            a2_au_d2: o.a2_au_d2,
            a3_au_d2: o.a3_au_d2,
        };
        elements.validate().map_err(|e| CampaignError {
            message: format!("{}: object.orbit: {e}", self.path.display()),
            hint: None,
        })?;
        Ok(elements)
    }

    /// The place of observation.
    ///
    /// # Errors
    /// There is no `[site]` section.
    pub fn site(&self) -> Result<Site, CampaignError> {
        let s =
            self.needed(self.site.as_ref(), "[site]", "longitude_deg (east positive), latitude_deg and height_m")?;
        Ok(Site { longitude_deg: s.longitude_deg, latitude_deg: s.latitude_deg, height_m: s.height_m })
    }

    /// The band that a frame's FILTER stands for: the one that `[photometry.filters]` gives (spelt the same
    /// but for case, blanks, hyphens and underscores), else the filter's own name.
    pub fn band_of_filter<'a>(&'a self, filter: &'a str) -> &'a str {
        let map = &self.photometry.filters;
        let alike = || map.iter().find(|(name, _)| same_filter(name, filter)).map(|(_, band)| band);
        map.get(filter).or_else(alike).map_or(filter, String::as_str)
    }

    fn needed<'a, T>(&self, section: Option<&'a T>, name: &str, holds: &str) -> Result<&'a T, CampaignError> {
        section.ok_or_else(|| CampaignError {
            message: format!("{}: section {name} is missing", self.path.display()),
            hint: Some(format!("add {name} with {holds}")),
        })
    }
}

fn parse_error(error: &toml::de::Error, places: &KeyPlaces, path: &Path) -> CampaignError {
    let span = error.span().unwrap_or(0..0);
    let line = places.line_at(span.start);
    let key = places.key_at(&span).unwrap_or_default();
    let what = error.message().trim();
    let quoted: Vec<&str> = what.split('`').skip(1).step_by(2).collect();
    let at = format!("{}:{line}", path.display());
    if what.starts_with("unknown field")
        && let [wrong, known @ ..] = &quoted[..]
    {
        let hint = match nearest_name(wrong, known.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("the keys there are: {}", known.join(", ")),
        };
        let key = if key.is_empty() { wrong } else { key };
        return CampaignError { message: format!("{at}: unknown key {key}"), hint: Some(hint) };
    }
    if let Some(missing) = quoted.first().filter(|_| what.starts_with("missing field")) {
        let dotted = if key.is_empty() { (*missing).to_owned() } else { format!("{key}.{missing}") };
        return CampaignError {
            message: format!("{at}: {dotted} is missing"),
            hint: Some(format!("add {missing} = ...")),
        };
    }
    let what = what.lines().collect::<Vec<_>>().join(", ");
    let message = if key.is_empty() { format!("{at}: {what}") } else { format!("{at}: {key}: {what}") };
    CampaignError { message, hint: None }
}

struct Checks<'a> {
    places: &'a KeyPlaces,
    path: &'a Path,
}

impl Checks<'_> {
    fn all(&self, campaign: &Campaign) -> Result<(), CampaignError> {
        if campaign.ledger.as_ref().is_some_and(|path| path.as_os_str().is_empty()) {
            return self.bad("ledger", "is empty".to_owned());
        }
        if let Some(object) = &campaign.object {
            self.text("object.designation", Some(&object.designation))?;
            self.text("object.ades_id", object.ades_id.as_ref())?;
            if let Some(orbit) = &object.orbit {
                self.orbit(orbit)?;
            }
        }
        if let Some(site) = &campaign.site {
            self.range("site.longitude_deg", site.longitude_deg, -180.0, 360.0)?;
            self.range("site.latitude_deg", site.latitude_deg, -90.0, 90.0)?;
            // From below the Dead Sea's shore to above any mountain.
            self.range("site.height_m", site.height_m, -500.0, 9000.0)?;
        }
        let camera = &campaign.camera;
        self.positive("camera.gain_e_per_adu", camera.gain_e_per_adu)?;
        if let Some(noise) = camera.read_noise_e {
            self.range("camera.read_noise_e", noise, 0.0, 1e4)?;
        }
        self.positive("camera.saturation_adu", camera.saturation_adu)?;
        self.positive("camera.pixel_scale_arcsec", camera.pixel_scale_arcsec)?;
        self.positive("camera.clock_err_s", camera.clock_err_s)?;
        if let Some(pattern) = &camera.colour_pattern
            && !["RGGB", "BGGR", "GRBG", "GBRG"].contains(&pattern.as_str())
        {
            return self.bad("camera.colour_pattern", format!("is \"{pattern}\"; it must be RGGB, BGGR, GRBG or GBRG"));
        }
        self.photometry(&campaign.photometry)?;
        self.positive("telescope.aperture_m", campaign.telescope.aperture_m)?;
        self.positive("telescope.f_ratio", campaign.telescope.f_ratio)?;
        self.text("observer.submitter", campaign.observer.submitter.as_ref())?;
        if let Some(code) = &campaign.observer.mpc_code
            && !(matches!(code.len(), 3 | 4) && code.bytes().all(|b| b.is_ascii_alphanumeric()))
        {
            return self.bad("observer.mpc_code", format!("is \"{code}\"; a code has three or four letters or digits"));
        }
        Ok(())
    }

    fn orbit(&self, orbit: &OrbitSection) -> Result<(), CampaignError> {
        // The years 763 to 3501; a modified Julian date falls far below.
        for (key, jd) in [("epoch_jd_tdb", orbit.epoch_jd_tdb), ("perihelion_jd_tdb", orbit.perihelion_jd_tdb)] {
            self.range(&format!("object.orbit.{key}"), jd, 2e6, 3e6)?;
        }
        self.positive("object.orbit.q_au", Some(orbit.q_au))?;
        self.range("object.orbit.e", orbit.e, 0.0, 1e3)?;
        self.range("object.orbit.inclination_deg", orbit.inclination_deg, 0.0, 180.0)?;
        self.range("object.orbit.node_deg", orbit.node_deg, -360.0, 360.0)?;
        self.range("object.orbit.argument_of_perihelion_deg", orbit.argument_of_perihelion_deg, -360.0, 360.0)?;
        for (key, a) in [("a1_au_d2", orbit.a1_au_d2), ("a2_au_d2", orbit.a2_au_d2), ("a3_au_d2", orbit.a3_au_d2)] {
            // The largest published values are some 1e-5; the usual table prints them times 1e8.
            self.range(&format!("object.orbit.{key}"), a, -1e-3, 1e-3)?;
        }
        Ok(())
    }

    fn photometry(&self, photometry: &PhotometrySection) -> Result<(), CampaignError> {
        self.text("photometry.band", photometry.band.as_ref())?;
        if let Some(magnitude) = photometry.solar_magnitude {
            self.range("photometry.solar_magnitude", magnitude, -30.0, -20.0)?;
        }
        let key = "photometry.apertures_km";
        for radius in &photometry.apertures_km {
            self.positive(key, Some(*radius))?;
        }
        if photometry.apertures_km.is_empty() && self.places.line_of(key).is_some() {
            return self.bad(key, "is empty; give at least one radius".to_owned());
        }
        for radius in &photometry.apertures_arcsec {
            self.positive("photometry.apertures_arcsec", Some(*radius))?;
        }
        for (i, sector) in photometry.sectors.iter().enumerate() {
            self.sector(&format!("photometry.sectors[{i}]"), sector)?;
        }
        self.text("photometry.phase_function", photometry.phase_function.as_ref())?;
        if let Some(coefficient) = photometry.phase_coefficient_mag_per_deg {
            self.range("photometry.phase_coefficient_mag_per_deg", coefficient, 0.0, 0.1)?;
        }
        if let Some(code) = &photometry.catalogue_code
            && !CATALOGUES.contains(&code.as_str())
        {
            let known = CATALOGUES.join(", ");
            return self.bad("photometry.catalogue_code", format!("is \"{code}\"; the codes are {known}"));
        }
        if let Some(code) = &photometry.filter_code
            && !known_bands().any(|known| known == code)
        {
            let known = known_bands().collect::<Vec<_>>().join(", ");
            return self.bad("photometry.filter_code", format!("is \"{code}\"; the codes are {known}"));
        }
        for (filter, band) in &photometry.filters {
            self.text(&format!("photometry.filters.{filter}"), Some(band))?;
        }
        Ok(())
    }

    fn sector(&self, key: &str, sector: &SectorSection) -> Result<(), CampaignError> {
        let own = |name: &str| format!("{key}.{name}");
        self.range(&own("inner_km"), sector.inner_km, 0.0, f64::MAX)?;
        self.range(&own("outer_km"), sector.outer_km, 0.0, f64::MAX)?;
        if sector.outer_km <= sector.inner_km {
            return self.bad(&own("outer_km"), format!("is {}; it must be more than inner_km", sector.outer_km));
        }
        if let Some(pa) = sector.pa_deg {
            self.range(&own("pa_deg"), pa, -360.0, 360.0)?;
        }
        if sector.pa_deg.is_some() && sector.direction.is_some() {
            return self
                .bad(&own("direction"), "is given beside pa_deg; one of them says where the middle is".to_owned());
        }
        let is_ring = sector.pa_deg.is_none() && sector.direction.is_none();
        match sector.width_deg {
            Some(width) if !(width > 0.0 && width <= 360.0) => {
                self.bad(&own("width_deg"), format!("is {width}; it must be above 0 and at most 360"))
            }
            Some(_) if is_ring => self.bad(
                &own("width_deg"),
                "is given without pa_deg or direction: nobody knows where its middle is".to_owned(),
            ),
            None if !is_ring => self.bad(&own("pa_deg"), "needs width_deg beside it".to_owned()),
            _ => Ok(()),
        }
    }

    fn range(&self, key: &str, value: f64, low: f64, high: f64) -> Result<(), CampaignError> {
        if (low..=high).contains(&value) {
            return Ok(());
        }
        self.bad(key, format!("is {value}; it must be between {low} and {high}"))
    }

    fn positive(&self, key: &str, value: Option<f64>) -> Result<(), CampaignError> {
        match value {
            Some(v) if !v.is_finite() || v <= 0.0 => self.bad(key, format!("is {v}; it must be a positive number")),
            _ => Ok(()),
        }
    }

    fn text(&self, key: &str, value: Option<&String>) -> Result<(), CampaignError> {
        match value {
            Some(text) if text.trim().is_empty() => self.bad(key, "is empty".to_owned()),
            _ => Ok(()),
        }
    }

    fn bad(&self, key: &str, problem: String) -> Result<(), CampaignError> {
        let line = self.places.line_of(key).map(|l| format!(":{l}")).unwrap_or_default();
        Err(CampaignError { message: format!("{}{line}: {key} {problem}", self.path.display()), hint: None })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every key of the format.
    const WHOLE: &str = include_str!("../tests/data/campaign.toml");

    fn parse(text: &str) -> Result<Campaign, CampaignError> {
        Campaign::from_toml(text, Path::new("comets/c.toml"))
    }

    #[test]
    fn every_key_is_read() {
        let campaign = parse(WHOLE).unwrap();
        assert_eq!(campaign.designation().unwrap(), "C/2031 Z2");
        let orbit = campaign.object.as_ref().unwrap().orbit.unwrap();
        assert_eq!((orbit.q_au, orbit.e, orbit.a2_au_d2), (1.2345, 1.0002, -2e-9));
        assert_eq!(campaign.orbit().unwrap().node_deg, 120.2);
        assert_eq!(campaign.site().unwrap().longitude_deg, -3.25);
        assert_eq!(campaign.camera.saturation_adu, Some(60000.0), "an integer is a number too");
        assert_eq!(campaign.photometry.catalogue, Some(PathBuf::from("comets/field.csv")));
        assert_eq!(campaign.photometry.apertures_km, [5000.0, 10000.0, 20000.0]);
        assert_eq!((campaign.band_of_filter("Sloan r"), campaign.band_of_filter("g")), ("r", "g"));
        assert_eq!(campaign.telescope.tracking, Some(Tracking::Stars));
        assert_eq!(campaign.observer.names, ["A. Observer"]);
        assert_eq!(campaign.object.as_ref().and_then(|o| o.ades_id.as_deref()), Some("C/2031 Z2"));
        assert_eq!(campaign.photometry.catalogue_code.as_deref(), Some("Gaia3E"));
        assert_eq!((campaign.photometry.filter_code.as_deref(), campaign.camera.clock_err_s), (Some("Sr"), Some(0.2)));
        assert_eq!(campaign.telescope.f_ratio, Some(4.5));
        assert_eq!(campaign.observer.submitter.as_deref(), Some("S. Submitter"));
        assert_eq!(campaign.observer.measurers, ["M. Measurer"]);
    }

    #[test]
    fn sections_may_be_absent_until_they_are_needed() {
        let campaign = parse("").unwrap();
        let error = campaign.site().unwrap_err();
        assert_eq!(error.message, "comets/c.toml: section [site] is missing");
        assert!(error.hint.unwrap().contains("latitude_deg"));
        assert!(campaign.orbit().unwrap_err().message.contains("[object.orbit]"));
        assert!(campaign.designation().is_err());
        assert!(parse("[object]\ndesignation = \"x\"").unwrap().orbit().is_err());
    }

    fn check(from: &str, to: &str, message: &str, hint: Option<&str>) {
        assert!(WHOLE.contains(from), "{from}");
        let error = parse(&WHOLE.replacen(from, to, 1)).unwrap_err();
        assert_eq!(error.message, format!("comets/c.toml:{message}"));
        assert_eq!(error.hint.as_deref(), hint);
    }

    #[test]
    fn unknown_keys_name_their_neighbour() {
        check("a1_au_d2", "a1_au_d", "13: unknown key object.orbit.a1_au_d", Some("did you mean `a1_au_d2`?"));
        check("designation", "desigantion", "2: unknown key object.desigantion", Some("did you mean `designation`?"));
        check("[camera]", "[kamera]", "23: unknown key kamera", Some("did you mean `camera`?"));
        check(
            "read_noise_e",
            "weight",
            "25: unknown key camera.weight",
            Some(
                "the keys there are: gain_e_per_adu, read_noise_e, saturation_adu, pixel_scale_arcsec, clock_err_s, channel, colour_pattern",
            ),
        );
    }

    #[test]
    fn impossible_values_name_their_key() {
        const CODES: &str = "35: photometry.catalogue_code is \"Gaia\"; the codes are Gaia3E, Gaia3, Gaia2, Gaia1, PS1_DR1, \
            PS1_DR2, UCAC5, UCAC4, URAT1, 2MASS, Tyc2, PPMXL, UNK";
        check("q_au = 1.2345", "q_au = -1", "8: object.orbit.q_au is -1; it must be a positive number", None);
        check("q_au = 1.2345", "q_au = nan", "8: object.orbit.q_au is NaN; it must be a positive number", None);
        check("q_au = 1.2345", "q_au = inf", "8: object.orbit.q_au is inf; it must be a positive number", None);
        check("e = 1.0002", "e = -0.1", "9: object.orbit.e is -0.1; it must be between 0 and 1000", None);
        check("45.1", "181.0", "10: object.orbit.inclination_deg is 181; it must be between 0 and 180", None);
        check(
            "2463000.5",
            "63000.5",
            "6: object.orbit.epoch_jd_tdb is 63000.5; it must be between 2000000 and 3000000",
            None,
        );
        check("51.2", "91.0", "20: site.latitude_deg is 91; it must be between -90 and 90", None);
        check("1.2 ", "0 ", "24: camera.gain_e_per_adu is 0; it must be a positive number", None);
        check("[5000,", "[-5,", "34: photometry.apertures_km is -5; it must be a positive number", None);
        check("[5000, 10000, 20000]", "[]", "34: photometry.apertures_km is empty; give at least one radius", None);
        check("\"XXX\"", "\"X\"", "51: observer.mpc_code is \"X\"; a code has three or four letters or digits", None);
        check("\"Gaia3E\"", "\"Gaia\"", CODES, None);
        check(
            "\"Sr\"",
            "\"r\"",
            "36: photometry.filter_code is \"r\"; the codes are Uj, Bj, Vj, Rc, Ic, Sg, VR, G, Gb, Gr, w, Su, Sr, Si, \
             Sz, Pg, Pr, Pi, Pz, Py, Pw",
            None,
        );
        check("_s = 0.2", "_s = 0", "28: camera.clock_err_s is 0; it must be a positive number", None);
        check("= 4.5", "= -4.5", "46: telescope.f_ratio is -4.5; it must be a positive number", None);
        check("\"S. Submitter\"", "\"\"", "52: observer.submitter is empty", None);
        check("\"C/2031 Z2\"", "\" \"", "2: object.designation is empty", None);
    }

    #[test]
    fn the_ledger_lies_beside_the_campaign_or_where_it_says() {
        let at = |text: &str| parse(text).unwrap().ledger_path();
        assert_eq!(at(""), Path::new("comets/c.ledger.sqlite"));
        assert_eq!(at("ledger = \"../all.sqlite\""), Path::new("comets/../all.sqlite"));
        assert_eq!(at("ledger = \"/data/all.sqlite\""), Path::new("/data/all.sqlite"));
        let dotted = Campaign::from_toml("", Path::new("r.2031.toml")).unwrap();
        assert_eq!(dotted.ledger_path(), Path::new("r.2031.ledger.sqlite"));
        assert_eq!(parse("ledger = \"\"").unwrap_err().message, "comets/c.toml:1: ledger is empty");
    }

    #[test]
    fn a_colour_cameras_keys_are_checked() {
        let with = |line: &str| parse(&WHOLE.replacen("[camera]", &format!("[camera]\n{line}"), 1));
        let camera = with("channel = \"R\"\ncolour_pattern = \"GBRG\"").unwrap().camera;
        assert_eq!((camera.channel, camera.colour_pattern.as_deref()), (Some(ColourChannel::R), Some("GBRG")));
        let error = with("channel = \"L\"").unwrap_err();
        assert!(error.message.contains("camera.channel") && error.message.contains("`G`"), "{error}");
        let error = with("colour_pattern = \"RGB\"").unwrap_err();
        assert!(error.message.contains("camera.colour_pattern is \"RGB\"; it must be RGGB"), "{error}");
    }

    #[test]
    fn missing_and_mistyped_keys_are_named() {
        let error = parse(&WHOLE.replacen("q_au = 1.2345", "", 1)).unwrap_err();
        assert!(error.message.contains("object.orbit.q_au is missing"), "{error}");
        let error = parse(&WHOLE.replacen("q_au = 1.2345", "q_au = \"near\"", 1)).unwrap_err();
        assert!(error.message.starts_with("comets/c.toml:8: object.orbit.q_au: invalid type"), "{error}");
        let error = parse(&WHOLE.replacen("\"stars\"", "\"moon\"", 1)).unwrap_err();
        assert!(error.message.contains("telescope.tracking"), "{error}");
        let error = parse("[object\n").unwrap_err();
        assert!(error.message.starts_with("comets/c.toml:1: "), "{error}");
    }

    #[test]
    fn files_that_cannot_be_read_are_named() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("c.toml");
        assert!(load_campaign(&path).unwrap_err().message.contains("c.toml"));
        std::fs::write(&path, b"[object]\ndesignation = \"\xff\"").unwrap();
        assert!(load_campaign(&path).unwrap_err().message.ends_with("c.toml:2: not UTF-8 text"));
    }
}
