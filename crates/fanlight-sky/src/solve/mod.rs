//! The WCS of a frame from two lists: the stars found in it, and a catalogue of where it should have pointed.
//!
//! [`solve`] needs no WCS: a pointing and a pixel scale, both roughly, are enough; any turn and mirror images are tried.
//! [`refine`] ties a WCS that is nearly right to the catalogue. Both fit all stars that the lists share, with a
//! distortion (SIP) where the residuals ask for one, and both refuse a match that chance could have made.
//!
//! Proper motions are the caller's: catalogue places are those of the frame's date.

use crate::{PixelXy, SkyError, SkyPosition, Wcs, WcsValue};

mod distortion;
mod finish;
mod fit;
mod grid;
mod lists;
mod nearby;
mod odds;
mod search;
mod triangles;

use distortion::Hidden;
use finish::{Start, finish};
use fit::{Pair, Polynomials};
use lists::{Found, Listed, Plane};

/// What is known of the frame and its catalogue.
#[derive(Debug, Clone, PartialEq)]
pub struct SolveConfig {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Where the middle of the frame should be: the comet's ephemeris.
    pub pointing: SkyPosition,
    /// How far from there it may be, degrees. [`refine`] does not use it.
    pub pointing_error_deg: f64,
    /// Arcseconds per pixel.
    pub pixel_scale_arcsec: f64,
    /// Share by which that may be wrong, 0 to 0.5.
    pub scale_error: f64,
    /// Error per axis of the place of a catalogue star that states none, with that of its proper motion, arcsec.
    pub catalogue_sigma_arcsec: f64,
    /// Highest order of a distortion, 2 to 4; under 2: none is fitted.
    pub max_sip_order: u8,
    /// log10 of the odds against chance under which a match is refused.
    pub min_log10_odds: f64,
    /// How far a WCS may be off for [`refine`], px.
    pub search_px: f64,
}

impl SolveConfig {
    /// The usual: pointing within 2°, scale within 20 %, catalogue places within 0.1″, distortion up to order 4, odds of
    /// a thousand, and a WCS to be refined within 30 px.
    pub fn new(width: usize, height: usize, pointing: SkyPosition, pixel_scale_arcsec: f64) -> Self {
        Self {
            width,
            height,
            pointing,
            pointing_error_deg: 2.0,
            pixel_scale_arcsec,
            scale_error: 0.2,
            catalogue_sigma_arcsec: 0.1,
            max_sip_order: 4,
            min_log10_odds: 3.0,
            search_px: 30.0,
        }
    }

    /// Radius about the pointing that a catalogue for [`solve`] must cover, degrees.
    pub fn catalogue_radius_deg(&self) -> f64 {
        search::patch_radius_px(self) * self.pixel_scale_arcsec / 3600.0
    }

    fn middle(&self) -> PixelXy {
        PixelXy { x_px: (self.width as f64 - 1.0) / 2.0, y_px: (self.height as f64 - 1.0) / 2.0 }
    }

    fn validate(&self) -> Result<(), SkyError> {
        let within = |name: &'static str, value: f64, low: f64, high: f64, range: &'static str| {
            // not a number is outside too
            if value >= low && value <= high { Ok(()) } else { Err(SkyError::BadElement { name, value, range }) }
        };
        within("width", self.width as f64, 2.0, 1e6, "2 to 1000000 px")?;
        within("height", self.height as f64, 2.0, 1e6, "2 to 1000000 px")?;
        within("pointing RA", self.pointing.ra_deg, -360.0, 720.0, "0 to 360°")?;
        within("pointing Dec", self.pointing.dec_deg, -90.0, 90.0, "-90 to 90°")?;
        within("pointing_error_deg", self.pointing_error_deg, 1e-6, 20.0, "0 to 20°")?;
        within("pixel_scale_arcsec", self.pixel_scale_arcsec, 1e-3, 1e3, "0.001 to 1000 arcsec per px")?;
        within("scale_error", self.scale_error, 0.0, 0.5, "0 to 0.5")?;
        within("catalogue_sigma_arcsec", self.catalogue_sigma_arcsec, 0.0, 60.0, "0 to 60 arcsec")?;
        within("max_sip_order", f64::from(self.max_sip_order), 0.0, 4.0, "0 to 4")?;
        within("min_log10_odds", self.min_log10_odds, 0.0, 1e6, "0 and more")?;
        within("search_px", self.search_px, 0.5, 1000.0, "0.5 to 1000 px")?;
        let diagonal_deg = (self.width as f64).hypot(self.height as f64) * self.pixel_scale_arcsec / 3600.0;
        within("the frame's diagonal", diagonal_deg, 0.0, 40.0, "0 to 40°")
    }
}

/// A star found in the frame. One whose numbers are not finite, or whose flux or error is not positive, is left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImageStar {
    /// Column of its centre.
    pub x_px: f64,
    /// Row of its centre.
    pub y_px: f64,
    /// Flux, any unit.
    pub flux: f64,
    /// Error of the centre per axis.
    pub sigma_px: f64,
}

/// A star of the catalogue. One without a finite place and magnitude is left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyStar {
    /// Place at the frame's date.
    pub place: SkyPosition,
    /// Magnitude in the band nearest to the frame's; the two may differ by half a magnitude from star to star.
    pub magnitude: f64,
    /// Error of the place per axis at the frame's date, where the catalogue states one.
    pub sigma_arcsec: Option<f64>,
}

/// The linear part of a solution at one point of the frame.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFit {
    /// The point: the frame's middle.
    pub at: PixelXy,
    /// Degrees (east, north on the tangent plane) per pixel there.
    pub cd_deg_per_px: [[f64; 2]; 2],
    /// Covariance of (offset, slope with x, slope with y), the same for east and for north, which are independent:
    /// arcsec², arcsec² per px, arcsec² per px². Zero for slopes that were taken over and not fitted.
    pub covariance: [[f64; 3]; 3],
}

/// A WCS tied to a catalogue.
#[derive(Debug, Clone)]
pub struct Solution {
    /// TAN, or TAN-SIP. [`refine`] keeps the CRVAL that it was given; that of [`solve`] is near the frame's middle.
    pub wcs: Wcs,
    /// Stars that the fit kept.
    pub n_matched: usize,
    /// Usable stars of the frame.
    pub n_stars: usize,
    /// Root mean square of the residuals per axis, arcsec.
    pub rms_arcsec: f64,
    /// The same in px.
    pub rms_px: f64,
    /// log10 of the odds of the match against chance.
    pub log10_odds: f64,
    /// Order of the distortion, where one was asked for or was there before.
    pub sip_order: Option<u8>,
    /// Whether the frame is a mirror image of the sky (seen with y up, east is to the right when north is up).
    pub mirrored: bool,
    /// Position angle of the frame's y axis at its middle, degrees.
    pub rotation_deg: f64,
    /// Arcseconds per pixel in the frame's middle.
    pub scale_arcsec: f64,
    /// The linear part and its errors.
    pub linear: LinearFit,
    /// The pairs kept: index in the list of the frame's stars, index in the catalogue.
    pub matches: Vec<(usize, usize)>,
    size_px: [usize; 2],
    plane_scale_arcsec: f64,
    hidden: Hidden,
    fit: Polynomials,
}

impl Solution {
    /// Error per axis, east and north alike, of the place that the WCS gives a pixel, arcsec: that of the fit alone.
    ///
    /// What a distortion too weak to be fitted may hide goes in undivided: it moves whole regions alike. With fewer stars
    /// than an order 3 needs (30), that is all the scatter beyond the stars' errors. Where only an offset was fitted, the
    /// turn that the WCS may have is in it, growing with the distance from the stars' mean place.
    ///
    /// # Accuracy
    /// Over 1000 simulated frames the true miss was 1.03 times this in the mean of squares.
    pub fn sigma_at(&self, at: PixelXy) -> f64 {
        let from_middle = [at.x_px - self.linear.at.x_px, at.y_px - self.linear.at.y_px];
        (self.fit.variance_at(from_middle).max(0.0) + self.hidden.variance_at(from_middle)).sqrt()
            * self.plane_scale_arcsec
    }

    /// The header cards: those of the WCS, and with a distortion its inverse (AP, BP) too.
    pub fn cards(&self) -> Vec<(String, WcsValue)> {
        let mut cards = self.wcs.cards();
        cards.extend(self.wcs.inverse_distortion_cards(self.size_px[0], self.size_px[1]));
        cards
    }
}

/// Fewest stars in the frame, and in the catalogue's patch, for a search.
pub const MIN_STARS: usize = 5;
/// Fewest stars that a solution joins.
pub const MIN_MATCHED: usize = 5;

/// The WCS of a frame of which only the pointing and the scale are known, both roughly.
///
/// The catalogue must cover [`SolveConfig::catalogue_radius_deg`] about the pointing; deeper or shallower than the frame
/// by two magnitudes is fine.
///
/// # Errors
/// [`SkyError::BadElement`] for a number of the configuration out of range, [`SkyError::TooFewStars`], and
/// [`SkyError::DoubtfulMatch`] with the odds of the best match and what to supply.
///
/// # Accuracy
/// See `docs/methods/solving.md` for the shares of simulated frames solved, by width and number of stars.
///
/// # Source
/// Triangles by shape: the principle of Groth 1986, AJ 91, 1244 and Valdes et al. 1995, PASP 107, 1119. Odds: Lang et al.
/// 2010, AJ 139, 1782, section 2.4.
pub fn solve(stars: &[ImageStar], catalogue: &[SkyStar], config: &SolveConfig) -> Result<Solution, SkyError> {
    config.validate()?;
    let radius_rad = config.catalogue_radius_deg().to_radians();
    let (found, listed) = lists(stars, catalogue, config, config.pointing, radius_rad)?;
    let best = search::search(&found, &listed, config);
    let n_judges = found.at.len().min(search::JUDGES);
    let Some(best) = best.filter(|b| b.matched.log10_odds.is_finite()) else {
        return Err(doubtful(f64::NEG_INFINITY, 0, n_judges, config));
    };
    if !(best.matched.log10_odds >= config.min_log10_odds) || best.matched.pairs.len() < MIN_MATCHED {
        return Err(doubtful(best.matched.log10_odds, best.matched.pairs.len(), n_judges, config));
    }
    let map = &best.matched.map;
    let as_degrees = |v: f64| v * config.pixel_scale_arcsec / 3600.0;
    let middle = config.middle();
    let plane = Wcs::tangent(best.centre, middle, map.matrix.map(|row| row.map(as_degrees)));
    let wcs = plane.and_then(|wcs| wcs.bent(middle, &[((0, 0), map.offset.map(as_degrees))]));
    let half_diagonal = (config.width as f64).hypot(config.height as f64) / 2.0;
    let (Ok(wcs), Some(map)) = (wcs, through(config, 0, half_diagonal, |_| [0.0; 2])) else {
        return Err(doubtful(best.matched.log10_odds, best.matched.pairs.len(), n_judges, config));
    };
    let (log10_odds, radius_px) = (best.matched.log10_odds, radius_about(best.matched.scatter_px));
    finish(Start { wcs, map, radius_px, log10_odds, least_order: 1 }, &found, &listed, config)
}

/// A WCS that is right within [`SolveConfig::search_px`], 0.2° of turn and 0.3 % of scale, tied to the catalogue.
///
/// Fitted is what the stars ask for beyond the given WCS, whose distortion stays in it: an offset with fewer than 15 pairs,
/// a linear map with more, and a distortion of order 2 to 4 where cross-validation wants one.
///
/// # Errors
/// As [`solve`].
pub fn refine(
    wcs: &Wcs,
    stars: &[ImageStar],
    catalogue: &[SkyStar],
    config: &SolveConfig,
) -> Result<Solution, SkyError> {
    config.validate()?;
    let centre = wcs.sky_from_pixel(config.middle());
    // the frame's size by the WCS itself; the configured scale only sets the units
    let scale = wcs.pixel_scale_arcsec(config.middle());
    let config = SolveConfig { pixel_scale_arcsec: scale, scale_error: 0.02, ..config.clone() };
    config.validate()?;
    let half_diagonal = (config.width as f64).hypot(config.height as f64) / 2.0;
    let radius_rad = (half_diagonal * 1.1 + config.search_px) * scale / crate::ARCSEC_PER_RAD;
    let (found, listed) = lists(stars, catalogue, &config, centre, radius_rad)?;
    let n_judges = found.at.len().min(search::JUDGES);
    let Some(matched) = nearby::nearby(wcs, &found, &listed, &config) else {
        return Err(doubtful(f64::NEG_INFINITY, 0, n_judges, &config));
    };
    if !(matched.log10_odds >= config.min_log10_odds) || matched.pairs.len() < MIN_MATCHED {
        return Err(doubtful(matched.log10_odds, matched.pairs.len(), n_judges, &config));
    }
    let middle = config.middle();
    let plane = Plane::new(wcs.reference(), scale);
    let moved = |at: [f64; 2]| {
        let to = matched.map.of(at);
        let place = wcs.sky_from_pixel(PixelXy { x_px: to[0] + middle.x_px, y_px: to[1] + middle.y_px });
        let own = wcs.plane_deg(PixelXy { x_px: at[0] + middle.x_px, y_px: at[1] + middle.y_px });
        let to = plane.gnomonic(place.unit_vector());
        [to[0] - own[0] * 3600.0 / scale, to[1] - own[1] * 3600.0 / scale]
    };
    let Some(map) = through(&config, 1, half_diagonal, moved) else {
        return Err(doubtful(matched.log10_odds, matched.pairs.len(), n_judges, &config));
    };
    let (log10_odds, radius_px) = (matched.log10_odds, radius_about(matched.scatter_px));
    finish(Start { wcs: wcs.clone(), map, radius_px, log10_odds, least_order: 0 }, &found, &listed, &config)
}

/// The polynomial of an order through a function over the frame.
fn through(config: &SolveConfig, order: u8, unit_px: f64, of: impl Fn([f64; 2]) -> [f64; 2]) -> Option<Polynomials> {
    const STEPS: usize = 10;
    let along = |i: usize, side: usize| (i as f64 / STEPS as f64 - 0.5) * side as f64;
    let pairs: Vec<Pair> = (0..=STEPS)
        .flat_map(|j| (0..=STEPS).map(move |i| [along(i, config.width), along(j, config.height)]))
        .map(|at| Pair { at, to: of(at), weight: 1.0 })
        .collect();
    Polynomials::fit(&pairs, order, unit_px)
}

/// Coefficients of both axes by the powers `(p, q)`.
pub(crate) type Terms = Vec<((i32, i32), [f64; 2])>;

/// Coefficients of `u^p v^q` by `(p, q)` of the polynomials of an order nearest to pairs of points.
pub(crate) fn polynomial_through(pairs: &[([f64; 2], [f64; 2])], order: u8) -> Option<Terms> {
    let unit = pairs.iter().map(|(at, _)| at[0].hypot(at[1])).fold(1.0, f64::max);
    let pairs: Vec<Pair> = pairs.iter().map(|(at, to)| Pair { at: *at, to: *to, weight: 1.0 }).collect();
    let fit = Polynomials::fit(&pairs, order, unit)?;
    let powers = fit::powers(order).into_iter();
    Some(powers.zip(&fit.terms).map(|((p, q), c)| ((p, q), c.map(|v| v / unit.powi(p + q)))).collect())
}

/// Radius in which pairs are first looked for after a match with this scatter: wide enough for the corners, where a
/// distortion is largest.
fn radius_about(scatter_px: f64) -> f64 {
    (6.0 * scatter_px).max(3.0)
}

fn lists(
    stars: &[ImageStar],
    catalogue: &[SkyStar],
    config: &SolveConfig,
    about: SkyPosition,
    radius_rad: f64,
) -> Result<(Found, Listed), SkyError> {
    let found = Found::new(stars, config);
    let needed = MIN_STARS;
    if found.at.len() < needed {
        let supply = "supply longer or stacked exposures, or a frame with a WCS".to_string();
        return Err(SkyError::TooFewStars { which: "were found in the frame", n: found.at.len(), needed, supply });
    }
    let listed = Listed::new(catalogue, about, radius_rad, config.catalogue_sigma_arcsec);
    if listed.direction.len() < needed {
        let supply = format!(
            "supply a catalogue that covers {:.2}° about RA {:.4}°, Dec {:.4}°, or check that place",
            radius_rad.to_degrees(),
            about.ra_deg,
            about.dec_deg
        );
        let n = listed.direction.len();
        return Err(SkyError::TooFewStars { which: "of the catalogue lie about the frame", n, needed, supply });
    }
    Ok((found, listed))
}

fn doubtful(log10_odds: f64, n_matched: usize, n_stars: usize, config: &SolveConfig) -> SkyError {
    let supply = format!(
        "supply the pixel scale (now {:.3}″ within {:.0} %), the pointing (now RA {:.4}°, Dec {:.4}° within {:.2}°) and a \
         catalogue that covers {:.2}° about it as deep as the frame, or a frame with a WCS",
        config.pixel_scale_arcsec,
        100.0 * config.scale_error,
        config.pointing.ra_deg,
        config.pointing.dec_deg,
        config.pointing_error_deg,
        config.catalogue_radius_deg()
    );
    SkyError::DoubtfulMatch { log10_odds, limit: config.min_log10_odds, n_matched, n_stars, supply }
}
