//! Keys of the comet's orbit, the site, the sky and the stars.

use fanlight_sky::{OrbitElements, Site};
use serde::{Deserialize, Serialize};

/// `[object]`: the comet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ObjectKeys {
    /// Designation, free text.
    pub designation: String,
    /// Osculating elements, as in a campaign file.
    pub orbit: OrbitKeys,
}

impl Default for ObjectKeys {
    fn default() -> Self {
        Self { designation: "C/2031 Z2".into(), orbit: OrbitKeys::default() }
    }
}

/// `[object.orbit]`: osculating heliocentric elements, ecliptic and equinox J2000.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OrbitKeys {
    /// Epoch of osculation, Julian date TDB.
    pub epoch_jd_tdb: f64,
    /// Time of perihelion, Julian date TDB.
    pub perihelion_jd_tdb: f64,
    /// Perihelion distance in au, above 0.
    pub q_au: f64,
    /// Eccentricity, 0 or more.
    pub e: f64,
    /// Inclination, 0 to 180.
    pub inclination_deg: f64,
    /// Longitude of the ascending node.
    pub node_deg: f64,
    /// Argument of perihelion.
    pub argument_of_perihelion_deg: f64,
    /// Radial non-gravitational term, au/d².
    #[serde(default)]
    pub a1_au_d2: f64,
    /// Transverse non-gravitational term, au/d².
    #[serde(default)]
    pub a2_au_d2: f64,
    /// Normal non-gravitational term, au/d².
    #[serde(default)]
    pub a3_au_d2: f64,
}

impl Default for OrbitKeys {
    fn default() -> Self {
        crate::demo::invented_orbit()
    }
}

impl OrbitKeys {
    /// The elements as the geometry code takes them.
    pub fn elements(&self) -> OrbitElements {
        OrbitElements {
            epoch_jd_tdb: self.epoch_jd_tdb,
            perihelion_jd_tdb: self.perihelion_jd_tdb,
            q_au: self.q_au,
            e: self.e,
            inclination_deg: self.inclination_deg,
            node_deg: self.node_deg,
            argument_of_perihelion_deg: self.argument_of_perihelion_deg,
            a1_au_d2: self.a1_au_d2,
            a2_au_d2: self.a2_au_d2,
            a3_au_d2: self.a3_au_d2,
        }
    }
}

/// `[site]`: where the telescope stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SiteKeys {
    /// Name of the observatory.
    pub name: String,
    /// East longitude, WGS 84, −180 to 360.
    pub longitude_deg: f64,
    /// Geodetic latitude, −90 to 90.
    pub latitude_deg: f64,
    /// Height above the ellipsoid in metres, −500 to 9000.
    pub height_m: f64,
}

impl Default for SiteKeys {
    fn default() -> Self {
        Self { name: "Larkhill Ridge".into(), longitude_deg: -3.25, latitude_deg: 51.2, height_m: 310.0 }
    }
}

impl SiteKeys {
    /// The site as the geometry code takes it.
    pub fn site(&self) -> Site {
        Site { longitude_deg: self.longitude_deg, latitude_deg: self.latitude_deg, height_m: self.height_m }
    }
}

/// `[transmission]`: how light becomes electrons.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TransmissionKeys {
    /// Magnitude of 1 e⁻/s above the atmosphere, for an object with g − r = 0; 10 to 32. 21.9 suits a 0.4 m telescope.
    pub zero_point_mag: f64,
    /// Extinction per unit of airmass, 0 to 2.
    pub extinction_mag: f64,
    /// Magnitudes added to the instrumental magnitude per magnitude of g − r, −0.5 to 0.5.
    pub colour_term: f64,
    /// Frame-to-frame scatter of the transparency (1σ), 0 to 1 mag.
    pub scatter_mag: f64,
    /// Frames (counted from 1) under cloud.
    pub cloud_frames: Vec<usize>,
    /// Light lost in those frames, 0 to 8 mag.
    pub cloud_mag: f64,
}

impl Default for TransmissionKeys {
    fn default() -> Self {
        Self {
            zero_point_mag: 21.9,
            extinction_mag: 0.12,
            colour_term: 0.015,
            scatter_mag: 0.01,
            cloud_frames: Vec::new(),
            cloud_mag: 1.5,
        }
    }
}

/// `[sky]`: the brightness of the sky.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SkyKeys {
    /// Surface brightness at mid-night as the instrument sees it, 10 to 30 mag per square arcsecond.
    pub brightness_mag_arcsec2: f64,
    /// Change over the night, −3 to 3 mag per hour (positive: it darkens).
    pub change_mag_per_hour: f64,
    /// Frame-to-frame scatter (1σ), 0 to 1 as a fraction of the sky.
    pub scatter_fraction: f64,
    /// Relative rise from one side of the frame to the other, 0 to 1.5 (moonlight, a town).
    pub gradient_fraction: f64,
    /// Position angle toward which the sky brightens.
    pub gradient_pa_deg: f64,
    /// Relative second-order term at the frame's corner along the gradient, −0.5 to 0.5.
    pub bowl_fraction: f64,
}

impl Default for SkyKeys {
    fn default() -> Self {
        Self {
            brightness_mag_arcsec2: 20.7,
            change_mag_per_hour: 0.05,
            scatter_fraction: 0.004,
            gradient_fraction: 0.04,
            gradient_pa_deg: 120.0,
            bowl_fraction: 0.0,
        }
    }
}

/// `[stars]`: the field and the catalogue made of it.
///
/// The number of stars brighter than m follows d log₁₀N/dm = `slope` − `flattening` · (m − 16), never under 0.05.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StarKeys {
    /// Stars brighter than magnitude 16 per square degree, 0 to 100 000. 1000 at high galactic latitude.
    pub per_square_degree: f64,
    /// d log₁₀N/dm at magnitude 16, 0.05 to 0.6.
    pub slope: f64,
    /// Loss of slope per magnitude, 0 to 0.1.
    pub flattening: f64,
    /// Brightest star, −1 to 25 mag.
    pub bright_mag: f64,
    /// Faintest star that is drawn, brighter than 27 mag.
    pub faint_mag: f64,
    /// Mean colour g − r, −0.5 to 2.
    pub colour_mean_mag: f64,
    /// Scatter of the colour (1σ), 0 to 1.
    pub colour_sigma_mag: f64,
    /// Scatter of the proper motion per axis (1σ), 0 to 1000 mas per year.
    pub proper_motion_mas_yr: f64,
    /// Where the catalogue ends, mag.
    pub catalogue_limit_mag: f64,
    /// Share of the stars brighter than the limit that the catalogue holds, 0 to 1.
    pub catalogue_completeness: f64,
    /// Error of a bright catalogue magnitude (1σ), 0 to 1; it grows toward the limit.
    pub catalogue_error_mag: f64,
    /// Error of a catalogue position per axis (1σ), 0 to 10 arcsec.
    pub catalogue_error_arcsec: f64,
    /// Spikes round bright stars; none when left out.
    pub spikes: Option<SpikeKeys>,
    /// Halo round every star; none when left out.
    pub halo: Option<HaloKeys>,
    /// A star placed close to the nucleus; none when left out.
    pub star_near_nucleus: Option<NearStarKeys>,
    /// A galaxy, which the catalogue does not hold; none when left out.
    pub galaxy: Option<GalaxyKeys>,
}

impl Default for StarKeys {
    fn default() -> Self {
        Self {
            per_square_degree: 1200.0,
            slope: 0.30,
            flattening: 0.025,
            bright_mag: 9.0,
            faint_mag: 21.5,
            colour_mean_mag: 0.65,
            colour_sigma_mag: 0.25,
            proper_motion_mas_yr: 6.0,
            catalogue_limit_mag: 19.0,
            catalogue_completeness: 0.97,
            catalogue_error_mag: 0.012,
            catalogue_error_arcsec: 0.02,
            spikes: None,
            halo: None,
            star_near_nucleus: None,
            galaxy: None,
        }
    }
}

/// `[stars.spikes]`: diffraction by the vanes that hold a secondary mirror.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SpikeKeys {
    /// Rays, 1 to 16; four for a spider of four vanes.
    pub count: usize,
    /// Angle of the first ray from +x toward +y of the detector.
    pub angle_deg: f64,
    /// Share of the star's light in all rays, 0 to 0.3.
    pub fraction: f64,
    /// Length over which a ray falls to 1/e, 1 to 600 arcsec.
    pub length_arcsec: f64,
    /// Stars brighter than this have rays.
    pub brighter_than_mag: f64,
}

impl Default for SpikeKeys {
    fn default() -> Self {
        Self { count: 4, angle_deg: 45.0, fraction: 0.02, length_arcsec: 25.0, brighter_than_mag: 13.0 }
    }
}

/// `[stars.halo]`: the aureole that dust, scratches and the air give every star, brightness ∝ 1/(r² + inner²) out to its
/// end. Like the spikes it is drawn round stars alone.
///
/// # Source
/// King (1971, PASP 83, 199): an aureole of r⁻² beyond the seeing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HaloKeys {
    /// Share of the star's light in the halo, 0 to 0.3.
    pub fraction: f64,
    /// Radius inside which it is level, 1 to 60 arcsec.
    pub inner_arcsec: f64,
    /// Radius where it ends, 10 to 600 arcsec.
    pub outer_arcsec: f64,
}

impl Default for HaloKeys {
    fn default() -> Self {
        Self { fraction: 0.06, inner_arcsec: 8.0, outer_arcsec: 90.0 }
    }
}

impl HaloKeys {
    /// Light per square pixel at a distance, for a star of unit light.
    pub fn density(&self, distance_px: f64, scale_arcsec: f64) -> f64 {
        let (inner, outer) = (self.inner_arcsec / scale_arcsec, self.outer_arcsec / scale_arcsec);
        if distance_px > outer {
            return 0.0;
        }
        let norm = std::f64::consts::PI * (1.0 + (outer / inner).powi(2)).ln();
        self.fraction / norm / (distance_px * distance_px + inner * inner)
    }
}

/// `[stars.star_near_nucleus]`: a star beside the nucleus at mid-night.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NearStarKeys {
    /// Its magnitude, −1 to 25.
    pub mag: f64,
    /// Distance from the comet at mid-night, 0 to 600 arcsec.
    pub distance_arcsec: f64,
    /// Position angle from the comet.
    pub pa_deg: f64,
}

/// `[stars.galaxy]`: an inclined exponential disc that stands still among the stars.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GalaxyKeys {
    /// Magnitude of all its light, −1 to 25.
    pub mag: f64,
    /// Half of the light lies within an ellipse of this half major axis, 1 to 600 arcsec.
    pub half_light_arcsec: f64,
    /// Minor over major axis, 0.05 to 1.
    pub axis_ratio: f64,
    /// Position angle of the major axis.
    pub axis_pa_deg: f64,
    /// Distance of its centre from the comet at mid-night, 0 to 600 arcsec.
    pub distance_arcsec: f64,
    /// Position angle of its centre from the comet.
    pub pa_deg: f64,
}
