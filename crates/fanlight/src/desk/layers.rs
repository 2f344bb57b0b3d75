//! Images of nights and what is made of them, kept up to a number of bytes.

use super::answer::Refusal;
use super::pyramid::Pyramid;
use super::state::{Desk, DeskNight};
use crate::Failure;
use crate::night::finished;
use crate::night::products::{COMET, NOISY_TWIN, TWIN};
use fanlight_coma::stack;
use fanlight_image::resample::{self, CoordinateGrid, Frame, Mapping};
use fanlight_image::{Image, Mask};
use std::fmt;
use std::path::Path;
use std::str::FromStr;
use std::sync::{Arc, Condvar, Mutex};

/// An image of a night's grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layer {
    /// The stack.
    Night,
    /// The featureless twin with noise like the night's.
    Twin,
    /// The featureless twin.
    SmoothTwin,
    /// Error of every pixel of the stack.
    Sigma,
    /// Every second sub-stack: 1 or 2.
    Half(u8),
    /// Another night's stack, laid on this grid: comet on comet, as many km, north on north.
    OtherNight(i64),
    /// Another night's featureless twin, laid likewise.
    OtherTwin(i64),
}

impl FromStr for Layer {
    type Err = Refusal;

    fn from_str(name: &str) -> Result<Self, Refusal> {
        let of = |prefix: &str| name.strip_prefix(prefix).and_then(|id| id.parse().ok());
        match (name, of("night-").map(Self::OtherNight).or(of("twin-of-").map(Self::OtherTwin))) {
            ("night", _) => Ok(Self::Night),
            ("twin", _) => Ok(Self::Twin),
            ("twin-smooth", _) => Ok(Self::SmoothTwin),
            ("sigma", _) => Ok(Self::Sigma),
            ("half-1", _) => Ok(Self::Half(1)),
            ("half-2", _) => Ok(Self::Half(2)),
            (_, Some(other)) => Ok(other),
            _ => Err(Refusal::missing(format!("there is no layer \"{}\"", name.escape_default()))
                .hint("the night's view lists them")),
        }
    }
}

impl fmt::Display for Layer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Night => f.write_str("night"),
            Self::Twin => f.write_str("twin"),
            Self::SmoothTwin => f.write_str("twin-smooth"),
            Self::Sigma => f.write_str("sigma"),
            Self::Half(n) => write!(f, "half-{n}"),
            Self::OtherNight(id) => write!(f, "night-{id}"),
            Self::OtherTwin(id) => write!(f, "twin-of-{id}"),
        }
    }
}

/// What is kept of all nights: three images of 4096 × 4096 pixels with their levels.
const MOST_BYTES: usize = 300 << 20;

/// Images that have been read, the one used last in front.
#[derive(Default)]
pub struct Layers {
    kept: Mutex<Vec<Kept>>,
    /// What is being read: whoever else wants it waits instead of reading it too.
    reading: Mutex<Vec<(i64, Layer)>>,
    read: Condvar,
}

/// The turn to read an image; over when dropped.
struct Turn<'a> {
    layers: &'a Layers,
    what: (i64, Layer),
}

impl Drop for Turn<'_> {
    fn drop(&mut self) {
        if let Ok(mut reading) = self.layers.reading.lock() {
            reading.retain(|r| *r != self.what);
        }
        self.layers.read.notify_all();
    }
}

struct Kept {
    night: i64,
    layer: Layer,
    stamp: String,
    pyramid: Arc<Pyramid>,
}

impl Layers {
    /// Drops a night's images, also where they lie on another's grid.
    pub fn forget(&self, night: i64) {
        if let Ok(mut kept) = self.kept.lock() {
            kept.retain(|k| {
                k.night != night && !matches!(k.layer, Layer::OtherNight(id) | Layer::OtherTwin(id) if id == night)
            });
        }
    }

    /// Waits until nobody else reads this image.
    fn turn(&self, night: i64, layer: Layer) -> Turn<'_> {
        let what = (night, layer);
        if let Ok(reading) = self.reading.lock()
            && let Ok(mut free) = self.read.wait_while(reading, |reading| reading.contains(&what))
        {
            free.push(what);
        }
        Turn { layers: self, what }
    }

    fn find(&self, night: &DeskNight, layer: Layer, stamp: &str) -> Option<Arc<Pyramid>> {
        let mut kept = self.kept.lock().ok()?;
        let place = kept.iter().position(|k| k.night == night.id && k.layer == layer && k.stamp == stamp)?;
        let used = kept.remove(place);
        let pyramid = Arc::clone(&used.pyramid);
        kept.insert(0, used);
        Some(pyramid)
    }

    fn keep(&self, night: &DeskNight, layer: Layer, stamp: String, pyramid: &Arc<Pyramid>) {
        let Ok(mut kept) = self.kept.lock() else { return };
        kept.retain(|k| k.night != night.id || k.layer != layer);
        kept.insert(0, Kept { night: night.id, layer, stamp, pyramid: Arc::clone(pyramid) });
        let mut bytes = 0;
        let fits = kept.iter().take_while(|k| {
            bytes += k.pyramid.bytes();
            bytes <= MOST_BYTES
        });
        let n = fits.count().max(1);
        kept.truncate(n);
    }
}

impl Desk {
    /// Reads the latest night's stack and twin.
    pub fn read_latest(&self) {
        let latest = self.nights().into_iter().rev().find(|n| n.folder.is_some());
        for layer in [Layer::Night, Layer::Twin] {
            // what cannot be read is said when it is asked for
            latest.as_ref().map(|night| self.layer(night, layer));
        }
    }

    /// An image of a night; read where it has not been.
    ///
    /// # Errors
    /// When the night has no such image.
    pub fn layer(&self, night: &DeskNight, layer: Layer) -> Result<Arc<Pyramid>, Refusal> {
        let (layer, stamp) = self.stamped(night, layer)?;
        if let Some(found) = self.layers.find(night, layer, &stamp) {
            return Ok(found);
        }
        let _turn = self.layers.turn(night.id, layer);
        if let Some(found) = self.layers.find(night, layer, &stamp) {
            return Ok(found);
        }
        let image = match layer {
            Layer::OtherNight(id) | Layer::OtherTwin(id) => {
                // its own stack first: a grid is as large as an image that is there
                self.layer(night, Layer::Night)?;
                let other = self.night(id)?;
                let own = if matches!(layer, Layer::OtherTwin(_)) { Layer::Twin } else { Layer::Night };
                laid_on(night, &other, &*self.layer(&other, own)?)?
            }
            _ => read(night, layer)?,
        };
        let pyramid = Arc::new(Pyramid::new(image));
        self.layers.keep(night, layer, stamp, &pyramid);
        Ok(pyramid)
    }

    /// The layer by the numbers that its nights have now, and what changes when one of them is measured again.
    ///
    /// # Errors
    /// When there is no such night.
    pub fn stamped(&self, night: &DeskNight, layer: Layer) -> Result<(Layer, String), Refusal> {
        let (other, is_twin) = match layer {
            Layer::OtherNight(id) => (self.night(id)?, false),
            Layer::OtherTwin(id) => (self.night(id)?, true),
            _ => return Ok((layer, night.stamp().to_owned())),
        };
        let both = format!("{}-{}", night.stamp(), other.stamp());
        Ok(match (other.id == night.id, is_twin) {
            (true, false) => (Layer::Night, night.stamp().to_owned()),
            (true, true) => (Layer::Twin, night.stamp().to_owned()),
            (false, false) => (Layer::OtherNight(other.id), both),
            (false, true) => (Layer::OtherTwin(other.id), both),
        })
    }
}

fn read(night: &DeskNight, layer: Layer) -> Result<Image, Refusal> {
    let folder = night.folder()?;
    let stack = &night.record.stack;
    let size = (stack.width_px, stack.height_px);
    let missing = |what: &str| {
        Refusal::missing(format!("the night of {} has no {what}", night.record.mid_utc))
            .hint("measure the night again with fanlight night")
    };
    let named = |file: &str, name: &str| -> Result<Option<Image>, Refusal> {
        let path = folder.join(file);
        if !path.is_file() {
            return Ok(None);
        }
        let read = fanlight_io::read_named_image(&path, &[name], size).map_err(Failure::data)?;
        Ok(read.map(|r| r.image))
    };
    let first = |file: &str| -> Result<Image, Refusal> {
        let path = folder.join(file);
        if !path.is_file() {
            return Err(missing(file));
        }
        let image = fanlight_io::read_image(&path).map_err(Failure::data)?.image;
        match (image.width, image.height) == size && !image.data.is_empty() {
            true => Ok(image),
            false => Err(Refusal::impossible(format!(
                "{file} has {} × {} pixels, the record says {} × {}",
                image.width, image.height, size.0, size.1
            ))),
        }
    };
    let mut image = match layer {
        Layer::Night | Layer::OtherNight(_) | Layer::OtherTwin(_) => first(COMET)?,
        Layer::SmoothTwin => first(TWIN)?,
        Layer::Twin => named(TWIN, NOISY_TWIN)?.ok_or_else(|| missing("featureless twin"))?,
        Layer::Sigma => {
            let mut variance = named(COMET, "VARIANCE")?.ok_or_else(|| missing("variance"))?;
            variance.data.iter_mut().for_each(|v| *v = v.sqrt());
            variance
        }
        Layer::Half(half) => half_of(night, folder, half)?.ok_or_else(|| missing("sub-stacks"))?,
    };
    if let Some(mask) = named(COMET, "MASK")? {
        let flagged = image.data.iter_mut().zip(&mask.data).filter(|(_, m)| **m != 0.0);
        flagged.for_each(|(v, _)| *v = f32::NAN);
    }
    Ok(image)
}

/// The weighted mean of every second sub-stack.
fn half_of(night: &DeskNight, folder: &Path, half: u8) -> Result<Option<Image>, Refusal> {
    let stack = &night.record.stack;
    let size = (stack.width_px, stack.height_px);
    let mut sum: Option<(Image, f64)> = None;
    for (i, part) in stack.substacks.iter().enumerate().filter(|(i, _)| i % 2 + 1 == usize::from(half)) {
        let image = finished::substack(folder, i, size)?;
        let Some(image) = image else { return Ok(None) };
        let share = part.share;
        match &mut sum {
            None => {
                let data = image.data.iter().map(|v| v * share as f32).collect();
                sum = Some((Image { data, ..image }, share));
            }
            Some((sum, whole)) => {
                sum.data.iter_mut().zip(&image.data).for_each(|(s, v)| *s += v * share as f32);
                *whole += share;
            }
        }
    }
    Ok(sum.map(|(mut image, whole)| {
        image.data.iter_mut().for_each(|v| *v /= whole as f32);
        image
    }))
}

/// Another night's stack on this night's grid: a pixel shows what lies as many km north and east of the nucleus there. Its surface
/// brightness stays what it was; where both nights are calibrated in one band it is in this night's e⁻/s.
fn laid_on(night: &DeskNight, other: &DeskNight, theirs_read: &Pyramid) -> Result<Image, Refusal> {
    let (ours, theirs) = (&night.record, &other.record);
    let arcsec_of_theirs = ours.geometry.km_per_arcsec / theirs.geometry.km_per_arcsec;
    let m = stack::product(px_per_arcsec(theirs.stack.arcsec_per_px)?, ours.stack.arcsec_per_px);
    let (cx, cy) = (ours.stack.centre_x_px, ours.stack.centre_y_px);
    let (ox, oy) = (theirs.stack.centre_x_px, theirs.stack.centre_y_px);
    let place = |x: f64, y: f64| {
        let (dx, dy) = stack::apply(m, (arcsec_of_theirs * (x - cx), arcsec_of_theirs * (y - cy)));
        (ox + dx, oy + dy)
    };
    let image = theirs_read.level(0).ok_or_else(|| Refusal::impossible("the other night has no stack"))?;
    let (mask, variance) = (Mask::of_missing(image), Image::filled(image.width, image.height, 0.0));
    let frame = Frame { image, variance: &variance, mask: &mask };
    let (width, height) = (ours.stack.width_px, ours.stack.height_px);
    // affine, so exact whatever lies between the nodes
    let mapping = Mapping::Grid(CoordinateGrid::from_fn(width, height, 64, place));
    let mut laid = resample::lanczos3(&frame, &mapping, width, height).image;
    let area = |m: [[f64; 2]; 2]| (m[0][0] * m[1][1] - m[0][1] * m[1][0]).abs();
    let per_px = area(ours.stack.arcsec_per_px) / area(theirs.stack.arcsec_per_px);
    let calibrated = ours.zero_point.as_ref().zip(theirs.zero_point.as_ref()).filter(|(o, t)| o.band == t.band);
    let per_electron =
        calibrated.map_or(1.0, |(o, t)| 10_f64.powf(0.4 * (o.stack_zero_point_mag - t.stack_zero_point_mag)));
    let factor = (per_px * per_electron) as f32;
    laid.data.iter_mut().for_each(|v| *v *= factor);
    Ok(laid)
}

/// From arcseconds east and north to pixels along a row and a column.
///
/// # Errors
/// When the scale is none.
pub fn px_per_arcsec(arcsec_per_px: [[f64; 2]; 2]) -> Result<[[f64; 2]; 2], Refusal> {
    let inverse = stack::inverse(arcsec_per_px);
    match inverse.iter().flatten().all(|v| v.is_finite()) {
        true => Ok(inverse),
        false => Err(Refusal::impossible("the scale in the night's record cannot be used")),
    }
}
