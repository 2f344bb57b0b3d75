//! From raw counts to electrons: masters applied, every pixel with its variance and its flags.

use crate::ComaError;
use fanlight_image::{Image, Mask, PixelBox, flag, robust, wide};
use rayon::prelude::*;

/// What turns counts into electrons.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detector {
    /// Electrons per count.
    pub gain_e_per_adu: f64,
    /// Read noise.
    pub read_noise_e: f64,
    /// Raw counts at and above which a pixel is saturated.
    pub saturation_adu: f64,
}

impl Detector {
    /// Checks that every number can be what it claims to be.
    ///
    /// # Errors
    /// Names the number that is not positive (a read noise of 0 is accepted).
    pub fn validate(&self) -> Result<(), ComaError> {
        for (name, value, minimum) in [
            ("gain_e_per_adu", self.gain_e_per_adu, f64::MIN_POSITIVE),
            ("read_noise_e", self.read_noise_e, 0.0),
            ("saturation_adu", self.saturation_adu, f64::MIN_POSITIVE),
        ] {
            if !(value.is_finite() && value >= minimum) {
                return Err(ComaError::BadDetector { name, value });
            }
        }
        Ok(())
    }
}

/// Master frames, all of one size. What is absent is not applied.
#[derive(Debug, Clone, Default)]
pub struct Masters {
    /// Column and row of the detector where the masters begin; (0, 0) for masters of the whole detector.
    pub corner_px: (usize, usize),
    /// Raw counts that every exposure starts from: the bias, or without one a dark of the lights' exposure.
    pub offset: Option<Image>,
    /// Dark counts per second over the offset.
    pub dark_adu_per_s: Option<Image>,
    /// Relative response, median 1.
    pub flat: Option<Image>,
    /// Pixels that the darks or the flat show to be defective.
    pub defects: Option<Mask>,
}

/// A raw exposure, or the part of one that is wanted.
#[derive(Debug, Clone, Copy)]
pub struct Raw<'a> {
    /// Counts.
    pub image: &'a Image,
    /// Column and row of the detector where the image begins.
    pub corner_px: (usize, usize),
    /// Exposure time.
    pub exposure_s: f64,
}

/// A frame in electrons.
#[derive(Debug, Clone)]
pub struct Calibrated {
    /// Electrons per pixel for the whole exposure, flat-fielded; `NaN` where the raw pixel was not a number.
    pub image_e: Image,
    /// Variance of each pixel, e².
    pub variance_e2: Image,
    /// Flags.
    pub mask: Mask,
}

/// How many robust sigmas above its neighbours in rate a dark pixel counts as hot. Chosen so that a Gaussian dark
/// flags under one pixel in 10⁹ and real warm pixels, which follow a long tail, are caught; lower values cost good
/// pixels, higher ones leave warm pixels to the dark subtraction, whose noise they carry.
const HOT_SIGMA: f64 = 7.0;

/// A flat response outside this range marks a defective pixel.
const FLAT_RANGE: std::ops::RangeInclusive<f32> = 0.2..=5.0;

/// Calibrates one raw frame, or a part of one.
///
/// The variance is (electrons collected, sky and dark included + read noise²) / flat²; negative counts count as none.
///
/// # Errors
/// When a master does not cover the frame, a detector number is impossible, or the frame is blank (all pixels equal, or
/// under half of them finite).
pub fn calibrate(raw: &Raw, masters: &Masters, detector: &Detector) -> Result<Calibrated, ComaError> {
    detector.validate()?;
    let Raw { image: raw, corner_px, exposure_s } = *raw;
    // where the frame begins in the masters
    let inside = |a: usize, b: usize| a.checked_sub(b);
    let begins = inside(corner_px.0, masters.corner_px.0).zip(inside(corner_px.1, masters.corner_px.1));
    let covers = |what, width: usize, height: usize| match begins {
        Some((x0, y0)) if x0 + raw.width <= width && y0 + raw.height <= height => Ok(()),
        _ => {
            let (found_width, found_height) = (width, height);
            Err(ComaError::SizeMismatch { what, found_width, found_height, width: raw.width, height: raw.height })
        }
    };
    for (what, image) in [
        ("the master bias", &masters.offset),
        ("the master dark", &masters.dark_adu_per_s),
        ("the master flat", &masters.flat),
    ] {
        if let Some(image) = image {
            covers(what, image.width, image.height)?;
        }
    }
    if let Some(mask) = &masters.defects {
        covers("the defect mask", mask.width, mask.height)?;
    }
    refuse_blank(raw)?;

    let (width, height) = (raw.width, raw.height);
    let mut image_e = Image::filled(width, height, 0.0);
    let mut variance_e2 = Image::filled(width, height, 0.0);
    let (x0, y0) = begins.unwrap_or((0, 0));
    let area = PixelBox { x0, y0, x1: x0 + width, y1: y0 + height };
    let mut mask = masters.defects.as_ref().map_or_else(|| Mask::clear(width, height), |m| m.crop(area));
    let gain = detector.gain_e_per_adu as f32;
    let read_variance = (detector.read_noise_e * detector.read_noise_e) as f32;
    let saturation = detector.saturation_adu as f32;
    let dark_e = exposure_s as f32 * gain;
    let (nothing, even) = (vec![0.0; width], vec![1.0; width]);
    fn row_of(image: &Option<Image>, y: usize, area: PixelBox) -> Option<&[f32]> {
        image.as_ref().map(|i| &i.row(area.y0 + y)[area.x0..area.x1])
    }

    image_e
        .data
        .par_chunks_mut(width)
        .zip(variance_e2.data.par_chunks_mut(width))
        .zip(mask.bits.par_chunks_mut(width))
        .enumerate()
        .for_each(|(y, ((out, variance), bits))| {
            let dark = row_of(&masters.dark_adu_per_s, y, area);
            let rows = raw.row(y).iter().zip(row_of(&masters.offset, y, area).unwrap_or(&nothing));
            let rows = rows.zip(dark.unwrap_or(&nothing)).zip(row_of(&masters.flat, y, area).unwrap_or(&even));
            let out = out.iter_mut().zip(variance).zip(bits);
            // selected, not branched: the loop then works on several pixels at once
            wide(
                #[inline(always)]
                || {
                    for (((out, variance), bits), (((counts, offset), dark), response)) in out.zip(rows) {
                        let collected_e = (counts - offset) * gain;
                        let value = (collected_e - dark * dark_e) / response;
                        let in_range = (*response >= *FLAT_RANGE.start()) & (*response <= *FLAT_RANGE.end());
                        let is_known = in_range & (value.abs() < f32::INFINITY);
                        let positive_e = if collected_e > 0.0 { collected_e } else { 0.0 };
                        let square = response * response;
                        *out = if is_known { value } else { f32::NAN };
                        *variance = if is_known { (positive_e + read_variance) / square } else { f32::NAN };
                        let missing = if counts.abs() < f32::INFINITY { flag::DETECTOR } else { flag::NO_DATA };
                        let full = if *counts >= saturation { flag::SATURATED } else { 0 };
                        *bits |= if is_known { full } else { missing };
                    }
                },
            );
        });
    Ok(Calibrated { image_e, variance_e2, mask })
}

fn refuse_blank(raw: &Image) -> Result<(), ComaError> {
    let finite = raw.data.iter().filter(|v| v.is_finite()).count();
    if finite * 2 < raw.data.len().max(1) {
        let reason = format!("{} of {} pixels are not numbers", raw.data.len() - finite, raw.data.len());
        return Err(ComaError::BlankFrame { reason });
    }
    let first = raw.data.iter().copied().find(|v| v.is_finite());
    if raw.data.iter().all(|v| !v.is_finite() || Some(*v) == first) {
        return Err(ComaError::BlankFrame { reason: format!("every pixel is {}", first.unwrap_or(0.0)) });
    }
    Ok(())
}

/// The master dark's counts per second over the offset.
///
/// # Errors
/// When the sizes differ or the exposure is not positive.
pub fn dark_rate(dark: &Image, offset: &Image, exposure_s: f64) -> Result<Image, ComaError> {
    if (dark.width, dark.height) != (offset.width, offset.height) {
        return Err(ComaError::SizeMismatch {
            what: "the master dark",
            found_width: dark.width,
            found_height: dark.height,
            width: offset.width,
            height: offset.height,
        });
    }
    if !(exposure_s.is_finite() && exposure_s > 0.0) {
        return Err(ComaError::OutOfRange {
            name: "dark exposure_s",
            value: exposure_s,
            range: "the positive numbers",
        });
    }
    let scale = 1.0 / exposure_s as f32;
    let data = dark.data.iter().zip(&offset.data).map(|(d, o)| (d - o) * scale).collect();
    Ok(Image { width: dark.width, height: dark.height, data })
}

/// The master dark of one exposure time.
#[derive(Debug, Clone)]
pub struct DarkLevel {
    /// Its exposure.
    pub exposure_s: f64,
    /// Frames in it, its weight.
    pub n_frames: usize,
    /// Counts.
    pub image: Image,
}

/// Offset in counts and dark counts per second of every pixel, from darks of several exposures: the straight line through
/// them by weighted least squares. `None` of fewer than two different exposures.
///
/// # Errors
/// When the sizes differ.
pub fn offset_and_rate(levels: &[DarkLevel]) -> Result<Option<(Image, Image)>, ComaError> {
    let Some(first) = levels.first() else { return Ok(None) };
    let (width, height) = (first.image.width, first.image.height);
    if let Some(l) = levels.iter().find(|l| (l.image.width, l.image.height) != (width, height)) {
        let (found_width, found_height) = (l.image.width, l.image.height);
        return Err(ComaError::SizeMismatch { what: "the master dark", found_width, found_height, width, height });
    }
    let weight: f64 = levels.iter().map(|l| l.n_frames as f64).sum();
    let mean_s = levels.iter().map(|l| l.n_frames as f64 * l.exposure_s).sum::<f64>() / weight;
    let spread: f64 = levels.iter().map(|l| l.n_frames as f64 * (l.exposure_s - mean_s).powi(2)).sum();
    if spread.is_nan() || spread <= 0.0 {
        return Ok(None);
    }
    // both are sums of the levels with fixed factors
    let factors: Vec<(f64, f64)> = levels
        .iter()
        .map(|l| {
            let rate = l.n_frames as f64 * (l.exposure_s - mean_s) / spread;
            (l.n_frames as f64 / weight - rate * mean_s, rate)
        })
        .collect();
    let (mut offset, mut rate) = (Image::filled(width, height, 0.0), Image::filled(width, height, 0.0));
    for i in 0..width * height {
        let (mut o, mut r) = (0.0, 0.0);
        for (level, (of_offset, of_rate)) in levels.iter().zip(&factors) {
            let counts = f64::from(level.image.data[i]);
            o += of_offset * counts;
            r += of_rate * counts;
        }
        offset.data[i] = o as f32;
        rate.data[i] = r as f32;
    }
    Ok(Some((offset, rate)))
}

/// Pixels that a flat's median is taken of: right to a hundredth of what single pixels scatter by.
const FLAT_SAMPLE: usize = 20_000;

/// Divides one flat exposure, its offset removed, by its own median.
///
/// # Errors
/// When the flat holds no light: its median is not positive.
pub fn normalise_flat(mut flat: Image) -> Result<Image, ComaError> {
    let step = (flat.data.len() / FLAT_SAMPLE).max(1) | 1;
    let mut values: Vec<f32> = flat.data.iter().step_by(step).copied().filter(|v| v.is_finite()).collect();
    match robust::median(&mut values) {
        Some(median) if median > 0.0 => {
            flat.data.iter_mut().for_each(|v| *v /= median);
            Ok(flat)
        }
        _ => Err(ComaError::BlankFrame { reason: "the flat holds no light over its bias".into() }),
    }
}

/// Pixels that the detector's dark rate and its scatter are taken of.
const DARK_SAMPLE: usize = 200_000;

/// Pixels whose dark rate stands out from the detector's by over seven robust sigmas, or whose flat response is
/// outside 0.2 to 5.
pub fn defects(dark_adu_per_s: Option<&Image>, flat: Option<&Image>) -> Option<Mask> {
    let size = dark_adu_per_s.or(flat).map(|i| (i.width, i.height))?;
    let mut mask = Mask::clear(size.0, size.1);
    if let Some(dark) = dark_adu_per_s {
        let step = (dark.data.len() / DARK_SAMPLE).max(1) | 1;
        let mut values: Vec<f32> = dark.data.iter().step_by(step).copied().filter(|v| v.is_finite()).collect();
        let median = robust::median(&mut values)?;
        let sigma = robust::mad_sigma(&mut values)?;
        let limit = f64::from(sigma) * HOT_SIGMA;
        for (bit, value) in mask.bits.iter_mut().zip(&dark.data) {
            if !value.is_finite() || (sigma > 0.0 && f64::from((value - median).abs()) > limit) {
                *bit |= flag::DETECTOR;
            }
        }
    }
    if let Some(flat) = flat {
        for (bit, value) in mask.bits.iter_mut().zip(&flat.data) {
            if !FLAT_RANGE.contains(value) {
                *bit |= flag::DETECTOR;
            }
        }
    }
    Some(mask)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DETECTOR: Detector = Detector { gain_e_per_adu: 2.0, read_noise_e: 3.0, saturation_adu: 1000.0 };

    fn frame(values: &[f32]) -> Image {
        Image::from_pixels(values.len(), 1, values.to_vec()).unwrap()
    }

    fn calibrated(
        raw: &Image,
        exposure_s: f64,
        masters: &Masters,
        detector: &Detector,
    ) -> Result<Calibrated, ComaError> {
        calibrate(&Raw { image: raw, corner_px: (0, 0), exposure_s }, masters, detector)
    }

    #[test]
    fn a_part_of_a_frame_takes_its_part_of_the_masters() {
        let ramp = |n: usize| Image::from_pixels(n, n, (0..n * n).map(|i| i as f32).collect()).unwrap();
        let masters = Masters { corner_px: (2, 1), offset: Some(ramp(4)), ..Masters::default() };
        let raw = frame(&[100.0, 101.0]);
        let got = calibrate(&Raw { image: &raw, corner_px: (3, 3), exposure_s: 1.0 }, &masters, &DETECTOR).unwrap();
        // detector pixel (3, 3) is column 1, row 2 of the masters: the ninth of their pixels
        assert_eq!(got.image_e.data, vec![2.0 * (100.0 - 9.0), 2.0 * (101.0 - 10.0)]);
        for corner_px in [(1, 3), (5, 3), (3, 5)] {
            let outside = calibrate(&Raw { image: &raw, corner_px, exposure_s: 1.0 }, &masters, &DETECTOR);
            assert!(matches!(outside, Err(ComaError::SizeMismatch { what: "the master bias", .. })), "{corner_px:?}");
        }
    }

    #[test]
    fn applies_offset_dark_flat_and_gain() {
        let masters = Masters {
            offset: Some(frame(&[100.0; 4])),
            dark_adu_per_s: Some(frame(&[0.5; 4])),
            flat: Some(frame(&[1.0, 2.0, 1.0, 0.01])),
            ..Masters::default()
        };
        let got = calibrated(&frame(&[150.0, 150.0, 1200.0, 150.0]), 20.0, &masters, &DETECTOR).unwrap();
        assert_eq!(&got.image_e.data[..3], &[80.0, 40.0, 2180.0]);
        assert_eq!(&got.variance_e2.data[..2], &[109.0, 109.0 / 4.0]);
        assert_eq!(got.mask.bits, vec![0, 0, flag::SATURATED, flag::DETECTOR]);
    }

    #[test]
    fn darks_of_several_exposures_give_offset_and_rate() {
        let level = |exposure_s: f64, n_frames, image: Image| DarkLevel { exposure_s, n_frames, image };
        // pixels of offset 100, 101, 102 and rate 0, 0.5, 1; one of the three exposures lies off the line by 6 counts
        let counts =
            |t: f64, extra: f64| frame(&[0, 1, 2].map(|i| (100.0 + f64::from(i) * (1.0 + 0.5 * t) + extra) as f32));
        let exact = [level(10.0, 4, counts(10.0, 0.0)), level(60.0, 9, counts(60.0, 0.0))];
        let (offset, rate) = offset_and_rate(&exact).unwrap().unwrap();
        for i in 0..3 {
            assert!((f64::from(offset.data[i]) - 100.0 - i as f64).abs() < 1e-4);
            assert!((f64::from(rate.data[i]) - 0.5 * i as f64).abs() < 1e-6);
        }
        // least squares by hand: at 0, 30, 60 s with weights 1, 1, 1 and 6 counts more at 30 s, the rate stays and the
        // offset grows by 2
        let bent =
            [level(0.0, 1, counts(0.0, 0.0)), level(30.0, 1, counts(30.0, 6.0)), level(60.0, 1, counts(60.0, 0.0))];
        let (offset, rate) = offset_and_rate(&bent).unwrap().unwrap();
        assert!((offset.data[2] - 104.0).abs() < 1e-4 && (rate.data[2] - 1.0).abs() < 1e-6);
        assert!(offset_and_rate(&exact[..1]).unwrap().is_none());
        assert!(offset_and_rate(&[]).unwrap().is_none());
        let other = [level(1.0, 1, frame(&[1.0])), level(2.0, 1, frame(&[1.0, 2.0]))];
        assert!(matches!(offset_and_rate(&other), Err(ComaError::SizeMismatch { .. })));
    }

    #[test]
    fn keeps_a_pixel_that_is_not_a_number_apart() {
        let got = calibrated(&frame(&[f32::NAN, 1.0, 2.0]), 1.0, &Masters::default(), &DETECTOR).unwrap();
        assert!(got.image_e.data[0].is_nan());
        assert_eq!(got.mask.bits, vec![flag::NO_DATA, 0, 0]);
    }

    #[test]
    fn refuses_a_blank_frame_and_a_wrong_master() {
        let blank = calibrated(&frame(&[7.0; 5]), 1.0, &Masters::default(), &DETECTOR);
        assert!(matches!(blank, Err(ComaError::BlankFrame { .. })));
        let masters = Masters { offset: Some(frame(&[1.0])), ..Masters::default() };
        let wrong = calibrated(&frame(&[1.0, 2.0]), 1.0, &masters, &DETECTOR);
        assert!(matches!(wrong, Err(ComaError::SizeMismatch { what: "the master bias", .. })));
        let detector = Detector { gain_e_per_adu: 0.0, ..DETECTOR };
        let bad = calibrated(&frame(&[1.0, 2.0]), 1.0, &Masters::default(), &detector);
        assert!(matches!(bad, Err(ComaError::BadDetector { name: "gain_e_per_adu", .. })));
    }

    #[test]
    fn finds_the_hot_pixel_and_the_dead_one() {
        let mut dark: Vec<f32> = (0..100).map(|i| 0.1 + 0.001 * (i % 7) as f32).collect();
        dark[13] = 5.0;
        let mut flat = vec![1.0; 100];
        flat[40] = 0.0;
        let mask = defects(Some(&frame(&dark)), Some(&frame(&flat))).unwrap();
        let flagged: Vec<usize> = (0..100).filter(|i| mask.bits[*i] != 0).collect();
        assert_eq!(flagged, vec![13, 40]);
    }

    #[test]
    fn a_flat_without_light_is_refused() {
        assert!(normalise_flat(frame(&[0.0, 0.0, 0.0])).is_err());
        assert_eq!(normalise_flat(frame(&[2.0, 4.0, 6.0])).unwrap().data, vec![0.5, 1.0, 1.5]);
    }
}
