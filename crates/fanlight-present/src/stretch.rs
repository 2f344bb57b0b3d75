//! From brightness to colours: stretches that never fail, and the raster as an indexed PNG.

use crate::PresentError;
use crate::colour::ColourMap;
use fanlight_image::Image;
use rayon::prelude::*;

/// Colours of the map that a raster uses; the two left of the 256 draw the hatching of missing pixels.
const LEVELS: usize = 254;
/// Dark and light bands of the hatching.
pub(crate) const HATCH: [[u8; 3]; 2] = [[92, 92, 92], [150, 150, 150]];

/// A monotonic rule from a value to a place on a colour map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Stretch {
    /// asinh((v − low) / soft), scaled to reach 1 at `high`: linear near `low`, logarithmic far above.
    Asinh { low: f64, high: f64, soft: f64 },
    /// Linear from `low` to `high`.
    Linear { low: f64, high: f64 },
}

impl Stretch {
    /// An asinh stretch that shows the sky's noise and does not burn out the centre: from 2.5 σ under the sky (or the
    /// darkest half per cent, where all is brighter) to the brightest of 20 000 pixels, softened at 4 σ.
    pub fn neutral(image: &Image, sky_noise: f64) -> Self {
        let mut values = finite(image);
        let mut quantile = |share| quantile(&mut values, share);
        let (Some(darkest), Some(middle), Some(high)) = (quantile(0.005), quantile(0.5), quantile(0.999_95)) else {
            return Self::Asinh { low: 0.0, high: 1.0, soft: 1.0 };
        };
        let noise = if sky_noise.is_finite() && sky_noise > 0.0 { sky_noise } else { (middle - darkest) / 2.5 };
        let mut low = if darkest > -2.5 * noise { darkest } else { -2.5 * noise };
        if high <= low {
            low = darkest;
        }
        if high > low {
            let soft = if noise > 0.0 { 4.0 * noise } else { (high - low) / 10.0 };
            Self::Asinh { low, high, soft }
        } else {
            // one constant value: shown in the middle of the map
            let room = if low == 0.0 { 1.0 } else { low.abs() };
            Self::Asinh { low: low - room, high: low + room, soft: 1e3 * room }
        }
    }

    /// A symmetric stretch that holds 99 % of the pixels.
    pub fn symmetric(image: &Image) -> Self {
        let mut sizes = finite(image);
        sizes.iter_mut().for_each(|v| *v = v.abs());
        let mut positive = |share| quantile(&mut sizes, share).filter(|l| *l > 0.0);
        let limit = positive(0.99).or_else(|| positive(1.0));
        let limit = limit.unwrap_or(1.0);
        Self::Linear { low: -limit, high: limit }
    }

    /// From one share of the pixels to another, linear: 0.01 and 0.99 leave out the faintest and the brightest hundredth.
    pub fn between(image: &Image, low_share: f64, high_share: f64) -> Self {
        let mut values = finite(image);
        let (low, high) = (quantile(&mut values, low_share), quantile(&mut values, high_share));
        match (low, high) {
            (Some(low), Some(high)) if low < high => Self::Linear { low, high },
            // one constant value, or none
            (Some(low), _) => Self::Linear { low: low - low.abs().max(1.0), high: low + low.abs().max(1.0) },
            _ => Self::Linear { low: 0.0, high: 1.0 },
        }
    }

    /// As [`Self::symmetric`], about another middle.
    pub fn symmetric_about(image: &Image, middle: f32) -> Self {
        let off = Image { data: image.data.iter().map(|v| v - middle).collect(), ..*image };
        let (_, limit) = Self::symmetric(&off).range();
        Self::Linear { low: f64::from(middle) - limit, high: f64::from(middle) + limit }
    }

    /// Place on the map, 0 to 1; `None` for what is not finite.
    pub fn place(&self, value: f64) -> Option<f64> {
        self.placer()(value)
    }

    /// [`Self::place`] for many values.
    fn placer(&self) -> impl Fn(f64) -> Option<f64> + Sync + use<> {
        let stretch = *self;
        let whole = match stretch {
            Self::Asinh { low, high, soft } => ((high - low) / soft).asinh(),
            Self::Linear { low, high } => high - low,
        };
        move |value| {
            let part = match stretch {
                Self::Asinh { low, soft, .. } => ((value - low) / soft).asinh(),
                Self::Linear { low, .. } => value - low,
            };
            value.is_finite().then(|| (part / whole).clamp(0.0, 1.0))
        }
    }

    /// Values at the ends of the map.
    pub fn range(&self) -> (f64, f64) {
        match *self {
            Self::Asinh { low, high, .. } | Self::Linear { low, high } => (low, high),
        }
    }
}

/// An image under a stretch as a PNG of indexed colours, whose colours are still to be chosen: drawing and packing the
/// indices is the work, and several maps share it.
pub(crate) struct Plate {
    png: Vec<u8>,
    /// First byte of the palette's colours.
    palette: usize,
}

impl Plate {
    /// Draws an image; missing pixels are hatched in grey.
    ///
    /// # Errors
    /// When the image has no pixels.
    pub fn new(image: &Image, stretch: &Stretch) -> Result<Self, PresentError> {
        let place = stretch.placer();
        let indices: Vec<u8> = (image.data.par_iter().enumerate())
            .map(|(i, v)| match place(f64::from(*v)) {
                Some(place) => (place * (LEVELS - 1) as f64).round() as u8,
                None => LEVELS as u8 + u8::from((i % image.width + i / image.width) % 12 < 4),
            })
            .collect();
        let mut out = Vec::new();
        let failed = |e: png::EncodingError| PresentError::Png { reason: e.to_string() };
        let mut encoder = png::Encoder::new(&mut out, image.width as u32, image.height as u32);
        encoder.set_color(png::ColorType::Indexed);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_palette(vec![0; PALETTE_BYTES]);
        encoder.set_filter(png::Filter::NoFilter);
        encoder.set_compression(png::Compression::Balanced);
        let mut writer = encoder.write_header().map_err(failed)?;
        writer.write_image_data(&indices).map_err(failed)?;
        writer.finish().map_err(failed)?;
        let palette = palette_of(&out).ok_or(PresentError::Png { reason: "it has no palette".into() })?;
        Ok(Self { png: out, palette })
    }

    /// The PNG in the colours of a map.
    pub fn coloured(&self, map: &ColourMap) -> Vec<u8> {
        let mut png = self.png.clone();
        let colours = (0..LEVELS).map(|level| map.table[(level * 255 + (LEVELS - 1) / 2) / (LEVELS - 1)]).chain(HATCH);
        let end = self.palette + PALETTE_BYTES;
        for (place, colour) in png[self.palette..end].as_chunks_mut::<3>().0.iter_mut().zip(colours) {
            *place = colour;
        }
        // a chunk's check sum is that of its type and its data
        let sum = crc32fast::hash(&png[self.palette - 4..end]);
        png[end..end + 4].copy_from_slice(&sum.to_be_bytes());
        png
    }
}

/// Bytes of a palette that has every index.
const PALETTE_BYTES: usize = 768;

/// Where the data of a PNG's palette begin: after the signature, chunk by chunk of length, type, data and check sum.
fn palette_of(png: &[u8]) -> Option<usize> {
    let mut at = 8;
    loop {
        let (length, kind) = (png.get(at..at + 4)?, png.get(at + 4..at + 8)?);
        if kind == b"PLTE" {
            return (length == (PALETTE_BYTES as u32).to_be_bytes()).then_some(at + 8);
        }
        at += 12 + u32::from_be_bytes(length.try_into().ok()?) as usize;
    }
}

/// The map as a strip of one row, for colour bars.
pub(crate) fn strip(map: &ColourMap) -> Result<Vec<u8>, PresentError> {
    let ramp = (0..256).map(|i| i as f32 / 255.0).collect();
    let image = Image::from_pixels(256, 1, ramp).unwrap_or_default();
    Ok(Plate::new(&image, &Stretch::Linear { low: 0.0, high: 1.0 })?.coloured(map))
}

/// Finite values.
fn finite(image: &Image) -> Vec<f32> {
    image.data.iter().copied().filter(|v| v.is_finite()).collect()
}

/// The value below which a share of the values lies; reorders them.
fn quantile(values: &mut [f32], share: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let (_, value, _) = values.select_nth_unstable_by((share * last as f64).round() as usize, f32::total_cmp);
    Some(f64::from(*value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour;

    fn image(data: Vec<f32>) -> Image {
        Image::from_pixels(data.len(), 1, data).expect("size")
    }

    fn decode(png: &[u8]) -> (u32, u32, Vec<u8>) {
        let mut decoder = png::Decoder::new(std::io::Cursor::new(png));
        decoder.set_transformations(png::Transformations::EXPAND);
        let mut reader = decoder.read_info().expect("header");
        let mut pixels = vec![0; reader.output_buffer_size().expect("size")];
        let info = reader.next_frame(&mut pixels).expect("pixels");
        (info.width, info.height, pixels)
    }

    #[test]
    fn odd_images_give_a_rule_and_a_raster() {
        for data in [
            vec![f32::NAN; 9],
            vec![0.0; 9],
            vec![5.0; 9],
            vec![-5.0; 9],
            vec![-3.0, -2.0, -1.0],
            vec![f32::INFINITY, 1.0, f32::NEG_INFINITY],
            vec![1e-30, 2e-30, 1e30],
        ] {
            let image = image(data);
            for noise in [0.0, 0.1, f64::NAN, 1e9] {
                for stretch in [Stretch::neutral(&image, noise), Stretch::symmetric(&image)] {
                    let (low, high) = stretch.range();
                    assert!(low < high, "{stretch:?} {:?}", image.data);
                    let places: Vec<_> = image.data.iter().map(|v| stretch.place(f64::from(*v))).collect();
                    for (value, place) in image.data.iter().zip(&places) {
                        assert_eq!(place.is_some(), value.is_finite());
                        assert!(place.is_none_or(|p| (0.0..=1.0).contains(&p)), "{place:?}");
                    }
                    let png = Plate::new(&image, &stretch).expect("png").coloured(&colour::grey());
                    assert_eq!(decode(&png).0 as usize, image.width);
                }
            }
        }
    }

    #[test]
    fn the_stretch_is_monotonic_and_spans_the_map() {
        let image = image((0..2000).map(|i| -0.2 + (i as f32 / 100.0).powi(3)).collect());
        let stretch = Stretch::neutral(&image, 0.1);
        let places: Vec<f64> = image.data.iter().filter_map(|v| stretch.place(f64::from(*v))).collect();
        assert!(places.windows(2).all(|w| w[1] >= w[0]));
        assert!(places[0] < 0.01 && places[1999] > 0.99);
    }

    #[test]
    fn linear_stretches_span_what_they_say() {
        let ramp = image((0..=1000).map(|i| i as f32 / 100.0).collect());
        assert_eq!(Stretch::between(&ramp, 0.01, 0.99).range(), (f64::from(0.1f32), f64::from(9.9f32)));
        let (low, high) = Stretch::symmetric_about(&ramp, 5.0).range();
        assert!((low - 0.05).abs() < 0.011 && (high - 9.95).abs() < 0.011, "{low} {high}");
        for odd in [vec![], vec![f32::NAN; 3], vec![7.0; 3], vec![0.0; 3]] {
            for stretch in
                [Stretch::between(&image(odd.clone()), 0.01, 0.99), Stretch::symmetric_about(&image(odd), 1.0)]
            {
                assert!(stretch.range().0 < stretch.range().1, "{stretch:?}");
            }
        }
    }

    #[test]
    fn missing_pixels_are_grey_bands_whatever_the_map() {
        let all_missing = Image::filled(24, 24, f32::NAN);
        let plate = Plate::new(&all_missing, &Stretch::neutral(&all_missing, 0.1)).expect("png");
        let png = plate.coloured(&colour::dusk());
        let (_, _, pixels) = decode(&png);
        let colours: std::collections::BTreeSet<&[u8]> = pixels.chunks(3).collect();
        assert_eq!(colours.into_iter().collect::<Vec<_>>(), [&HATCH[0][..], &HATCH[1][..]]);
    }

    #[test]
    fn the_colour_bar_runs_through_the_whole_map() {
        let (width, height, pixels) = decode(&strip(&colour::dusk()).expect("png"));
        assert_eq!((width, height), (256, 1));
        assert_eq!(pixels[..3], colour::dusk().table[0]);
        assert_eq!(pixels[765..], colour::dusk().table[255]);
    }
}
