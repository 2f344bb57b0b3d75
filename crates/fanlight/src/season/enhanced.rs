//! All nights through one enhancement, each with its featureless twin.

use super::inputs::NightIn;
use super::stacks::Stacks;
use crate::enhance::length::PixelScale;
use crate::enhance::method::{Grid, Method, Settings};
use crate::enhance::products::how;
use crate::{Failure, messages};
use fanlight_coma::enhance::apply;
use fanlight_image::{Image, Mask};
use fanlight_present::Values;
use fanlight_present::season::{Montage, MontageNight, Shows, SkyOrientation, af_per_e_per_s_arcsec2};
use fanlight_record::NightRecord;
use fanlight_sky::PixelXy;
use rayon::prelude::*;

/// What the names of such montages begin with.
const PREFIX: &str = "montage-";

/// The names of all montages that may be made.
pub fn figure_names() -> impl Iterator<Item = String> {
    Method::all().map(|method| format!("{PREFIX}{}", method.name()))
}

/// The nights of a season through one enhancement.
pub struct EnhancedNights {
    name: String,
    method: String,
    values: Values,
    unit: String,
    how: String,
    /// One for each night of the montage; absent where the night has no stack or the enhancement cannot be made of it.
    images: Vec<Option<Pair>>,
}

/// A night and its twin through one enhancement.
struct Pair {
    night: Image,
    mask: Mask,
    twin: Option<Image>,
}

/// Of what the methods that keep a unit are made: nights of several cameras and distances from the Sun in one.
const UNIT: &str = "A·f, millionths";
const UNITS_PER_AF: f64 = 1e6;

/// Refuses what cannot be made of a season.
///
/// # Errors
/// A ratio of two nights, settings that no method takes or that come without a method, methods named twice.
pub fn check(methods: &[Method], settings: &Settings) -> Result<(), Failure> {
    if methods.contains(&Method::TemporalRatio) {
        return Err(Failure::call("--enhance temporal-ratio: takes two nights, not each of them")
            .hint("what changed from night to night is on the page without it; or use fanlight enhance"));
    }
    if let Some(twice) = methods.iter().enumerate().find(|(i, m)| methods[..*i].contains(m)).map(|(_, m)| m) {
        return Err(Failure::call(format!("--enhance {}: is given twice", twice.name())));
    }
    if methods.is_empty() && *settings != Settings::default() {
        return Err(Failure::call(format!(
            "{}: without --enhance there is nothing to set",
            settings.as_typed().trim()
        )));
    }
    if methods.is_empty() { Ok(()) } else { Method::check_settings(methods, settings) }
}

impl EnhancedNights {
    /// Enhances every night and its twin, all lengths alike in km at the comet: those not given in km are as long as on the latest night's
    /// grid. `None` where no night allows it.
    ///
    /// # Errors
    /// A setting that is wrong for every night.
    pub fn new(
        method: Method,
        settings: &Settings,
        nights: &[NightIn],
        stacks: &[Option<Stacks>],
        montage: &[MontageNight],
    ) -> Result<Option<Self>, Failure> {
        let latest = nights.iter().zip(stacks).rev().find_map(|(n, s)| Some((n, s.as_ref()?)));
        let Some((last, last_stacks)) = latest else { return Ok(None) };
        let alike = settings.in_km(method, &grid(last, last_stacks, last_stacks.image()))?;
        let (values, unit) = method.values(UNIT);
        let made: Vec<Option<(Pair, String)>> = nights
            .par_iter()
            .zip(stacks)
            .zip(montage)
            .map(|((night, stacks), drawn)| {
                let stacks = stacks.as_ref()?;
                let factor = match method.keeps_unit() {
                    true => UNITS_PER_AF * af_per_e_per_s_arcsec2(drawn)? / stacks.arcsec_per_px().powi(2),
                    false => 1.0,
                };
                pair(method, &alike, (night, stacks), factor)
                    .map_err(|e| messages::warn(&format!("{} of {}: {e}", method.name(), night.record.mid_utc)))
                    .ok()
            })
            .collect();
        let Some(how) = made.iter().rev().flatten().map(|(_, how)| how.clone()).next() else { return Ok(None) };
        Ok(Some(Self {
            name: format!("{PREFIX}{}", method.name()),
            method: method.name().replace('-', " "),
            values,
            unit,
            how: format!(
                "{how} The settings are those of the latest night in the montage; on every other the lengths are as many km."
            ),
            images: made.into_iter().map(|m| m.map(|(pair, _)| pair)).collect(),
        }))
    }

    /// As it is drawn.
    pub fn montage<'a>(
        &'a self,
        object: &'a str,
        nights: &[MontageNight<'a>],
        orientation: SkyOrientation,
        half_width_km: Option<f64>,
    ) -> Montage<'a> {
        let nights = nights.iter().zip(&self.images).map(|(night, pair)| MontageNight {
            picture: pair.as_ref().and_then(|p| {
                let mut picture = night.picture?;
                (picture.image, picture.mask) = (&p.night, &p.mask);
                Some(picture)
            }),
            twin: pair.as_ref().and_then(|p| p.twin.as_ref()),
            ..*night
        });
        Montage {
            name: &self.name,
            object,
            nights: nights.collect(),
            shows: Shows::Enhanced { method: &self.method, values: self.values, unit: &self.unit, how: &self.how },
            orientation,
            half_width_km,
        }
    }
}

/// An image on a night's grid.
fn grid<'a>(night: &NightIn, stacks: &Stacks, image: &'a Image) -> Grid<'a> {
    let NightRecord { stack, geometry, .. } = &night.record;
    Grid {
        image,
        centre: PixelXy { x_px: stack.centre_x_px, y_px: stack.centre_y_px },
        scale: PixelScale { arcsec_per_px: Some(stacks.arcsec_per_px()), km_per_arcsec: Some(geometry.km_per_arcsec) },
    }
}

/// A night and its twin through one filter, both in units of `factor`, and how that was done.
fn pair(
    method: Method,
    settings: &Settings,
    (night, stacks): (&NightIn, &Stacks),
    factor: f64,
) -> Result<(Pair, String), Failure> {
    let in_unit = |image: &Image| {
        let values = image.data.iter().zip(&stacks.mask().bits);
        let data = values.map(|(v, bits)| if *bits == 0 && v.is_finite() { v * factor as f32 } else { f32::NAN });
        Image { width: image.width, height: image.height, data: data.collect() }
    };
    let image = in_unit(stacks.image());
    let clear = Mask::clear(image.width, image.height);
    let grid = grid(night, stacks, &image);
    let through = |image: &Image| {
        let (enhancement, words) = method.with_settings(settings, &grid, image, None)?;
        let out = apply(&enhancement, image, &clear, grid.centre).map_err(Failure::data)?;
        Ok::<_, Failure>((out, how(&enhancement, &words)))
    };
    let (night, how) = through(&image)?;
    let twin = stacks.twin.as_ref().map(|twin| through(&in_unit(twin))).transpose()?;
    Ok((Pair { mask: Mask::of_missing(&night), twin: twin.map(|(image, _)| image), night }, how))
}
