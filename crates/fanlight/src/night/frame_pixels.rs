//! Reading a part of a frame as the night's camera stores it: overscan, trimming and colours are dealt with here, so that
//! everything after sees plain images of one size.

use fanlight_coma::calibrate::Detector;
use fanlight_coma::readout::{self, Channel, Pattern, Readout};
use fanlight_image::{Image, PixelBox};
use fanlight_io::{Campaign, ColourChannel, FrameFile, Header};
use fanlight_sky::{PixelXy, Wcs};

/// How the frames of the night are read.
#[derive(Debug, Clone)]
pub struct FramePixels {
    /// How they are stored.
    pub readout: Readout,
    /// Stored counts at and above which a light's pixel is saturated.
    pub saturation_adu: f64,
}

impl FramePixels {
    /// A part of a light.
    ///
    /// # Errors
    /// Why the file cannot be read.
    pub fn light(&self, file: &FrameFile, area: PixelBox) -> Result<Image, String> {
        self.read(file, area, self.saturation_adu)
    }

    /// A part of a calibration frame.
    ///
    /// # Errors
    /// Why the file cannot be read.
    pub fn calibration(&self, file: &FrameFile, area: PixelBox) -> Result<Image, String> {
        self.read(file, area, f64::INFINITY)
    }

    /// The camera as the images show it: where a pixel is the mean of several, the electrons of all of them are counted.
    pub fn detector_of_images(&self, camera: Detector) -> Detector {
        let n = self.readout.pixels_averaged() as f64;
        Detector {
            gain_e_per_adu: camera.gain_e_per_adu * n,
            read_noise_e: camera.read_noise_e * n.sqrt(),
            saturation_adu: camera.saturation_adu,
        }
    }

    fn read(&self, file: &FrameFile, area: PixelBox, saturation_adu: f64) -> Result<Image, String> {
        let part = |area| fanlight_io::read_image_part(&file.path, area).map_err(|e| e.to_string());
        if self.readout.is_plain() {
            return part(area);
        }
        // frames that another program trimmed lie beside frames as the camera stored them
        let trimmed;
        let readout = match stored_size(&file.header) == Some(self.readout.stored_px()) {
            true => &self.readout,
            false => {
                trimmed = self.readout.without_overscan();
                &trimmed
            }
        };
        let stored_area = readout.stored_area(area);
        let level = match readout.overscan() {
            Some(overscan) => Some(readout.overscan_level(&part(overscan)?, stored_area)),
            None => None,
        };
        Ok(readout.image(part(stored_area)?, level.as_deref(), saturation_adu))
    }
}

/// Size of the image in the file.
pub fn stored_size(header: &Header) -> Option<(usize, usize)> {
    let size = |key| header.integer(key).and_then(|n| usize::try_from(n).ok());
    size("NAXIS1").zip(size("NAXIS2"))
}

/// Whether a frame is a colour camera's mosaic.
pub fn is_colour(header: &Header, campaign: &Campaign) -> bool {
    campaign.camera.colour_pattern.is_some() || pattern_name(header).is_some()
}

/// The name of a colour camera's pattern; `None` of a grey one.
pub fn pattern_name(header: &Header) -> Option<String> {
    ["BAYERPAT", "COLORTYP"].iter().find_map(|k| header.text(k)).filter(|name| {
        // a grey camera's frames say so in the same place
        !matches!(name.to_uppercase().as_str(), "NONE" | "MONO" | "GRAY" | "GREY" | "N/A")
    })
}

/// How a frame is stored, by its header and the campaign.
///
/// # Errors
/// When a keyword cannot be right.
pub fn readout_of(header: &Header, campaign: &Campaign, size: (usize, usize)) -> Result<Readout, String> {
    let plain = Readout::plain(size.0, size.1);
    let section = |keys: &[&'static str]| match keys.iter().find_map(|k| Some((*k, header.text(k)?))) {
        Some((key, text)) => readout::section(key, &text, size).map_err(|e| e.to_string()),
        None => Ok(None),
    };
    let trimmed = section(&["TRIMSEC", "DATASEC"]).and_then(|trim| Ok((trim, section(&["BIASSEC"])?)));
    let mut readout = match trimmed {
        Ok((Some(trim), overscan)) => plain.trimmed(trim, overscan).map_err(|e| e.to_string())?,
        Ok((None, Some(_))) => {
            return Err("BIASSEC says where the overscan is, but no TRIMSEC or DATASEC where the picture is".to_owned());
        }
        Ok((None, None)) => plain,
        Err(_) if is_trimmed_already(header, size) => plain,
        Err(problem) => return Err(problem),
    };
    if let Some(pattern) = pattern_of(header, campaign, size.1)? {
        readout = readout.of_channel(&pattern, channel(campaign));
    }
    Ok(readout)
}

/// The colours of a frame's first pixels; `None` of a grey camera.
///
/// # Errors
/// When the header's pattern is none.
pub fn pattern_of(header: &Header, campaign: &Campaign, height: usize) -> Result<Option<Pattern>, String> {
    let whole = |key: &str| header.integer(key).unwrap_or(0);
    let bottom_up = header.text("ROWORDER").is_some_and(|o| o.to_uppercase().replace(['_', ' '], "-") == "BOTTOM-UP");
    let pattern = match &campaign.camera.colour_pattern {
        Some(name) => Some(readout::pattern(name, (0, 0), None)),
        None => pattern_name(header)
            .map(|name| readout::pattern(&name, (whole("XBAYROFF"), whole("YBAYROFF")), bottom_up.then_some(height))),
    };
    pattern.transpose().map_err(|e| e.to_string())
}

/// Whether the frame has the size that its TRIMSEC leaves: another program trimmed it and left the keywords.
fn is_trimmed_already(header: &Header, size: (usize, usize)) -> bool {
    // any image is large enough to read the section itself
    let section = header.text("TRIMSEC").and_then(|t| readout::section("TRIMSEC", &t, (usize::MAX, usize::MAX)).ok());
    section.flatten().is_some_and(|s| (s.width(), s.height()) == size)
}

/// The colour that is measured: the campaign's, else the one that its filters give the night's band, else green.
pub fn channel(campaign: &Campaign) -> Channel {
    let of = |c: ColourChannel| match c {
        ColourChannel::R => Channel::Red,
        ColourChannel::G => Channel::Green,
        ColourChannel::B => Channel::Blue,
    };
    let photometry = &campaign.photometry;
    let by_band = || {
        let named = [("G", ColourChannel::G), ("R", ColourChannel::R), ("B", ColourChannel::B)];
        let is_bands = |key: &str| photometry.band.is_some() && photometry.filters.get(key) == photometry.band.as_ref();
        named.into_iter().find(|(key, _)| is_bands(key)).map(|(_, c)| c)
    };
    campaign.camera.channel.or_else(by_band).map_or(Channel::Green, of)
}

/// The WCS of the images that come out, from that of the frame as it is stored.
pub fn wcs_of(stored: &Wcs, readout: &Readout) -> Wcs {
    let (x_px, y_px) = readout.origin_px();
    stored.of_every(readout.step() as f64, PixelXy { x_px, y_px })
}
