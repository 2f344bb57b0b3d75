//! The image that is enhanced: its pixels, its comet and its scale, from any FITS file.

use super::Options;
use super::length::PixelScale;
use super::method::Grid;
use crate::Failure;
use crate::night::expected::parse_place;
use crate::night::products::NOISY_TWIN;
use fanlight_image::resample::{self, Frame, Mapping};
use fanlight_image::{Image, Mask};
use fanlight_io::Header;
use fanlight_present::Directions;
use fanlight_sky::{PixelXy, Wcs};
use std::path::{Path, PathBuf};

/// An image with what is known of it.
#[derive(Debug)]
pub struct Subject {
    /// Its file.
    pub path: PathBuf,
    /// Its header.
    pub header: Header,
    /// Its pixels; NaN where its mask flags one, and where it has no value.
    pub image: Image,
    /// The comet.
    pub centre: PixelXy,
    /// Its WCS, if it has one that can be used.
    pub wcs: Option<Wcs>,
    /// What a pixel is worth.
    pub scale: PixelScale,
    /// Directions at the comet, where the header states them.
    pub directions: Directions,
}

/// Pixels and header of a file, before anything is known of its comet.
struct Opened {
    header: Header,
    image: Image,
    wcs: Option<Wcs>,
    wcs_problem: Option<String>,
}

fn open(path: &Path) -> Result<Opened, Failure> {
    if !path.is_file() {
        return Err(Failure::call(format!("{}: there is no such file", path.display())));
    }
    let read = fanlight_io::read_image(path).map_err(Failure::data)?;
    let (header, mut image) = (read.header, read.image);
    // An extension named MASK, as comet.fits has it: what is not 0 is bad.
    let mask = fanlight_io::read_named_image(path, &["MASK"], (image.width, image.height)).map_err(Failure::data)?;
    if let Some(mask) = mask {
        image.data.iter_mut().zip(&mask.image.data).filter(|(_, m)| **m != 0.0).for_each(|(v, _)| *v = f32::NAN);
    }
    image.data.iter_mut().filter(|v| !v.is_finite()).for_each(|v| *v = f32::NAN);
    if image.data.iter().all(|v| v.is_nan()) {
        return Err(Failure::data(format!("{}: no pixel of the image has a value", path.display())));
    }
    let (wcs, wcs_problem) = match Wcs::from_header(&header) {
        Ok(found) => (found.map(|(wcs, _)| wcs), None),
        Err(e) => (None, Some(e.to_string())),
    };
    Ok(Opened { header, image, wcs, wcs_problem })
}

impl Subject {
    /// Reads the image that the options name. What could not be used of it is said in `notes`.
    ///
    /// # Errors
    /// When the file holds no image, no pixel has a value, or the comet's place is not given, not on the image, or needs a
    /// WCS that is not there.
    pub fn read(options: &Options, notes: &mut Vec<String>) -> Result<Self, Failure> {
        let path = options.image.clone();
        let Opened { header, mut image, wcs, wcs_problem } = open(&path)?;
        if let Some(problem) = &wcs_problem {
            notes.push(format!("the WCS of {} cannot be used: {problem}", path.display()));
        }
        if let Some(sky) = options.sky {
            image.data.iter_mut().for_each(|v| *v -= sky as f32);
        }
        let centre = centre(options, &header, wcs.as_ref())?;
        let on = |c: f64, n: usize| c >= -0.5 && c <= n as f64 - 0.5;
        if !(on(centre.x_px, image.width) && on(centre.y_px, image.height)) {
            let message = format!(
                "{}: the comet's place, column {:.2}, row {:.2} (the first pixel is 1), is outside the image of {} × {} pixels",
                path.display(),
                centre.x_px + 1.0,
                centre.y_px + 1.0,
                image.width,
                image.height
            );
            return Err(match (&options.centre, &options.at) {
                (None, None) => Failure::data(message),
                _ => Failure::call(message),
            });
        }
        let of_wcs = wcs.as_ref().map(|w| w.pixel_scale_arcsec(centre));
        let arcsec_per_px = options.arcsec_per_px.or(of_wcs);
        let km_per_arcsec = options.km_per_arcsec.or(header.number("KMARCSEC").filter(|k| *k > 0.0));
        let sunward_pa_deg = header.number("SUNPA");
        let directions = Directions {
            sunward_pa_deg,
            antisolar_pa_deg: sunward_pa_deg.map(|pa| (pa + 180.0).rem_euclid(360.0)),
            negative_velocity_pa_deg: header.number("NEGVELPA"),
        };
        let scale = PixelScale { arcsec_per_px, km_per_arcsec };
        Ok(Self { path, header, image, centre, wcs, scale, directions })
    }

    /// Its pixels with what the methods need to know of them.
    pub fn grid(&self) -> Grid<'_> {
        Grid { image: &self.image, centre: self.centre, scale: self.scale }
    }

    /// Pixels without a value.
    pub fn mask(&self) -> Mask {
        Mask::of_missing(&self.image)
    }

    /// The pixels of the featureless twin in another file, missing where this image's are. With noise where the file has
    /// that too: filters that fill a ring's range would show rounding errors of a twin without.
    ///
    /// # Errors
    /// When the file cannot be read or has another size.
    pub fn twin(&self, path: &Path) -> Result<Image, Failure> {
        let mut twin = open(path)?.image;
        self.check_size(&twin, path, "the twin")?;
        let noisy = fanlight_io::read_named_image(path, &[NOISY_TWIN], (twin.width, twin.height));
        if let Some(noisy) = noisy.map_err(Failure::data)? {
            twin = noisy.image;
        }
        twin.data.iter_mut().zip(&self.image.data).filter(|(_, i)| i.is_nan()).for_each(|(t, _)| *t = f32::NAN);
        Ok(twin)
    }

    /// Another night's pixels, its comet laid on this one's.
    ///
    /// # Errors
    /// When the file cannot be read, or differs in size, scale or orientation.
    pub fn other_night(&self, path: &Path) -> Result<Image, Failure> {
        let Opened { header, image, wcs, .. } = open(path)?;
        self.check_size(&image, path, "the other night")?;
        let own_place = comet_cards(&header).unwrap_or(self.centre);
        if let (Some(ours), Some(theirs)) = (&self.wcs, &wcs) {
            let (ours, theirs) = (ours.arcsec_per_px(self.centre), theirs.arcsec_per_px(own_place));
            let size = (0..4).map(|i| ours[i / 2][i % 2].powi(2)).sum::<f64>().sqrt();
            let apart = (0..4).map(|i| (ours[i / 2][i % 2] - theirs[i / 2][i % 2]).powi(2)).sum::<f64>().sqrt();
            if apart > MOST_APART * size {
                let message = format!(
                    "{}: its scale or orientation differs from that of {} by {:.1} %",
                    path.display(),
                    self.path.display(),
                    100.0 * apart / size
                );
                let hint =
                    "a ratio needs both on one grid: lay one on the other's with a program that resamples by WCS";
                return Err(Failure::data(message).hint(hint));
            }
        }
        let (dx_px, dy_px) = (own_place.x_px - self.centre.x_px, own_place.y_px - self.centre.y_px);
        if dx_px.abs() < SAME_PLACE_PX && dy_px.abs() < SAME_PLACE_PX {
            return Ok(image);
        }
        let (width, height) = (image.width, image.height);
        let (mask, variance) = (Mask::clear(width, height), Image::filled(width, height, 0.0));
        let frame = Frame { image: &image, variance: &variance, mask: &mask };
        Ok(resample::lanczos3(&frame, &Mapping::Shift { dx_px, dy_px }, width, height).image)
    }

    fn check_size(&self, image: &Image, path: &Path, what: &str) -> Result<(), Failure> {
        let (width, height) = (self.image.width, self.image.height);
        if (image.width, image.height) == (width, height) {
            return Ok(());
        }
        Err(Failure::data(format!(
            "{}: {what} has {} × {} pixels, the image {width} × {height}",
            path.display(),
            image.width,
            image.height
        )))
    }
}

/// Two grids differ when their scale matrices do by more than this share: over 500 px that is 2.5 px.
const MOST_APART: f64 = 0.005;
/// Comets this near each other need no shift: a hundredth of what a centre is known to.
const SAME_PLACE_PX: f64 = 1e-3;

/// `COMETX` and `COMETY`, in which the first pixel is 1.
fn comet_cards(header: &Header) -> Option<PixelXy> {
    Some(PixelXy { x_px: header.number("COMETX")? - 1.0, y_px: header.number("COMETY")? - 1.0 })
}

fn centre(options: &Options, header: &Header, wcs: Option<&Wcs>) -> Result<PixelXy, Failure> {
    if let Some(text) = &options.centre {
        let numbers: Vec<f64> =
            text.split(',').filter_map(|p| p.trim().parse().ok()).filter(|v: &f64| v.is_finite()).collect();
        return match numbers[..] {
            [x, y] if text.split(',').count() == 2 => Ok(PixelXy { x_px: x - 1.0, y_px: y - 1.0 }),
            _ => Err(Failure::call(format!("--centre {text}: not a column and a row"))
                .hint("write --centre 512.3,498.7; the first pixel is 1")),
        };
    }
    if let Some(text) = &options.at {
        let place = parse_place(text)?;
        let Some(wcs) = wcs else {
            return Err(Failure::call(format!("--at {text}: {} has no celestial WCS", options.image.display()))
                .hint("give the comet's place in pixels: --centre X,Y"));
        };
        return wcs.pixel_from_sky(place).map_err(|e| Failure::call(format!("--at {text}: {e}")));
    }
    comet_cards(header).ok_or_else(|| {
        Failure::call(format!(
            "{}: its header does not say where the comet is (COMETX, COMETY)",
            options.image.display()
        ))
        .hint("give its place: --centre X,Y in pixels, the first being 1, or --at RA,DEC where the image has a WCS")
    })
}
