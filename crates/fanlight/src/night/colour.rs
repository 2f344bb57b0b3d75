//! The comet's colour from this night and another band's: magnitudes at that colour, and the reddening of the dust.

use crate::Failure;
use fanlight_coma::bands;
use fanlight_coma::colour::{AtSolarColour, band_slope, comet_colour};
use fanlight_coma::solar;
use fanlight_image::Measured;
use fanlight_io::Campaign;
use fanlight_record::{ApertureColourRecord, ColourRecord, NightRecord};
use fanlight_sky::UtcInstant;
use std::path::{Path, PathBuf};

/// The record in another night's folder.
pub fn record_in(folder: &Path) -> PathBuf {
    folder.join(super::products::RECORD)
}

/// Two bands more than this apart in time show the comet's own changes as colour, too.
const TOLD_HOURS: f64 = 3.0;

/// Another band's night as read.
pub struct OtherBand {
    band: &'static str,
    record: NightRecord,
    sha256: String,
}

impl OtherBand {
    /// Reads another night's record and checks that it is of the campaign's comet in another band.
    ///
    /// # Errors
    /// When it is missing, broken, of another schema, comet or of the same band, or a band's solar magnitude is not known.
    pub fn open(folder: &Path, campaign: &Campaign) -> Result<Self, Failure> {
        let path = record_in(folder);
        let hint = "give the folder that `fanlight night` wrote for the same comet in the other band";
        let record: NightRecord = fanlight_io::read_json(&path).map_err(|e| Failure::call(e).hint(hint))?;
        let wrong = |what: String| Err(Failure::call(format!("--other-band {}: {what}", path.display())).hint(hint));
        if record.schema != fanlight_record::NIGHT_SCHEMA {
            return wrong(format!("schema \"{}\", not \"{}\"", record.schema, fanlight_record::NIGHT_SCHEMA));
        }
        let comet = campaign.designation().map_err(crate::geometry::campaign_failure)?;
        if record.object != comet {
            return wrong(format!("a night of {}, not of {comet}", record.object));
        }
        let Some(measured) = record.photometry.iter().find(|p| p.mag.is_some()) else {
            return wrong("has no magnitude, so there is no colour".into());
        };
        let band = campaign.photometry.band.as_deref().unwrap_or_default();
        match (bands::canonical(&measured.band), bands::canonical(band)) {
            (Some(theirs), Some(own)) if theirs == own => wrong(format!("a night in {band}, as these frames are")),
            (Some(theirs), Some(own)) if solar::solar_colour(theirs, own).is_some() => {
                let sha256 = fanlight_io::sha256_file(&path).map_err(Failure::data)?;
                Ok(Self { band: theirs, record, sha256 })
            }
            _ => wrong(format!("the Sun's colour between bands {} and {band} is not known", measured.band)),
        }
    }

    /// The comet's colour in every aperture of both by this night's magnitudes, which `at` gives for an aperture at the Sun's colour; the night's is that
    /// of the least error.
    ///
    /// # Errors
    /// A sentence for the record when the nights share no measured aperture.
    pub fn colour(
        &self,
        own: &OwnBand,
        at: impl Fn(f64) -> Option<Measured>,
    ) -> Result<(ColourRecord, Measured), String> {
        let pairs: Vec<Pair> = self
            .record
            .photometry
            .iter()
            .filter_map(|p| {
                let theirs = Measured::new(p.mag?, p.mag_err?);
                Some(Pair { aperture_km: p.aperture_km, mine: at(p.aperture_km)?, theirs })
            })
            .collect();
        let Some(best) = pairs.iter().min_by(|a, b| a.sigma().total_cmp(&b.sigma())) else {
            return Err(
                "There is no colour: none of the other band's apertures could be measured on these frames.".into()
            );
        };
        let pivot = |band: &str| bands::wavelength(band).map_or(0.0, |w| w.pivot_nm);
        let own_is_blue = pivot(own.band) < pivot(self.band);
        let (blue, red) = if own_is_blue { (own.band, self.band) } else { (self.band, own.band) };
        let unknown = || format!("There is no colour: the Sun's between {blue} and {red} is not known.");
        let solar_colour = solar::solar_colour(blue, red).ok_or_else(unknown)?.value;
        let name = format!("{blue}-{red}");
        // a colour term by another colour says nothing of this one
        let own_term = own.colour_term.filter(|(colour, _)| *colour == name).map_or(0.0, |(_, term)| term);
        let zero_point = self.record.zero_point.as_ref().filter(|z| z.colour.as_ref() == Some(&name));
        let their_term = zero_point.and_then(|z| z.colour_term).unwrap_or(0.0);
        let assumed = zero_point.and_then(|z| z.comet_colour_mag).unwrap_or(solar_colour);
        let in_aperture = |pair: &Pair| -> Result<ApertureColourRecord, String> {
            let mine = AtSolarColour { mag: pair.mine, colour_term: own_term };
            let at_solar = pair.theirs.value - their_term * (assumed - solar_colour);
            let theirs = AtSolarColour { mag: Measured::new(at_solar, pair.theirs.sigma), colour_term: their_term };
            let (of_blue, of_red) = if own_is_blue { (mine, theirs) } else { (theirs, mine) };
            let colour = comet_colour(of_blue, of_red, solar_colour);
            let gradient = band_slope(blue, red, colour).ok_or_else(unknown)?.gradient_percent_per_100nm;
            Ok(ApertureColourRecord {
                aperture_km: pair.aperture_km,
                colour_mag: colour.value,
                colour_err_mag: colour.sigma,
                slope_percent_per_1000a: gradient.value,
                slope_err_percent_per_1000a: gradient.sigma,
            })
        };
        let found = in_aperture(best)?;
        let step = Measured::new(own_term * (found.colour_mag - solar_colour), (own_term * found.colour_err_mag).abs());
        let record = ColourRecord {
            blue: blue.to_string(),
            red: red.to_string(),
            aperture_km: found.aperture_km,
            colour_mag: found.colour_mag,
            colour_err_mag: found.colour_err_mag,
            solar_colour_mag: solar_colour,
            slope_percent_per_1000a: found.slope_percent_per_1000a,
            slope_err_percent_per_1000a: found.slope_err_percent_per_1000a,
            apertures: pairs.iter().map(in_aperture).collect::<Result<_, _>>()?,
            hours_apart: UtcInstant::parse(&self.record.mid_utc)
                .map(|utc| utc.seconds_since(&own.mid) / 3600.0)
                .map_err(|e| e.to_string())?,
            other_sha256: self.sha256.clone(),
        };
        Ok((record, step))
    }
}

/// Light in one aperture, of this night and of the other.
struct Pair {
    aperture_km: f64,
    mine: Measured,
    theirs: Measured,
}

impl Pair {
    /// Error of the difference.
    fn sigma(&self) -> f64 {
        self.mine.sigma.hypot(self.theirs.sigma)
    }
}

/// What colours need of this night.
pub struct OwnBand<'a> {
    /// Its band.
    pub band: &'static str,
    /// The colour that its zero point's colour term is by, and the term.
    pub colour_term: Option<(&'a str, f64)>,
    /// Its middle.
    pub mid: UtcInstant,
}

/// What a reader must know of two bands that were not taken together.
pub fn told_apart(colour: &ColourRecord) -> Option<String> {
    (colour.hours_apart.abs() > TOLD_HOURS).then(|| {
        format!(
            "The other band was taken {:.1} hours {}: what the comet changed in between is in its colour.",
            colour.hours_apart.abs(),
            if colour.hours_apart > 0.0 { "later" } else { "earlier" }
        )
    })
}
