//! An animation as bytes: GIF, APNG, or one PNG a frame. Frames are drawn a few at a time and forgotten.

use super::animation::Animation;
use crate::PresentError;
use crate::picture::{OVER_DARK, OVER_PALE};
use crate::png_out::Rgb;
use crate::stretch::HATCH;
use crate::theme::DARK;
use rayon::prelude::*;
use std::collections::HashMap;

/// Frames drawn at a time.
const AT_A_TIME: usize = 4;
/// Colours of the palette that the map gets; the others are for letters and lines.
const OF_THE_MAP: usize = 160;

/// Name of a frame of a sequence by its place from 0: `frame-0001.png` and so on.
pub fn sequence_name(frame: usize) -> String {
    format!("frame-{:04}.png", frame + 1)
}

impl Animation<'_, '_> {
    /// As a GIF that repeats, with a palette of the map's and the letters' colours.
    ///
    /// # Errors
    /// When a frame cannot be drawn or written.
    pub fn gif(&self) -> Result<Vec<u8>, PresentError> {
        let failed = |e: gif::EncodingError| PresentError::Gif { reason: e.to_string() };
        let (width, height) = self.pixels();
        let (width, height) = (width as u16, height as u16);
        let mut palette = Palette::of(self);
        // hundredths of a second, never shorter than asked
        let delay = (100.0 / self.frames_per_second - 1e-9).ceil() as u16;
        let mut out = Vec::new();
        let flat: Vec<u8> = palette.colours.iter().flatten().copied().collect();
        let mut encoder = gif::Encoder::new(&mut out, width, height, &flat).map_err(failed)?;
        encoder.set_repeat(gif::Repeat::Infinite).map_err(failed)?;
        self.each(|_, frame| {
            let indices = palette.indices(&frame);
            let frame = gif::Frame { delay, width, height, buffer: indices.into(), ..gif::Frame::default() };
            encoder.write_frame(&frame).map_err(failed)
        })?;
        drop(encoder);
        Ok(out)
    }

    /// As an animated PNG that repeats, in the same colours; programs that know only PNG show its first frame.
    ///
    /// # Errors
    /// When a frame cannot be drawn or written.
    pub fn apng(&self) -> Result<Vec<u8>, PresentError> {
        let failed = |e: png::EncodingError| PresentError::Png { reason: e.to_string() };
        let (width, height) = self.pixels();
        let mut palette = Palette::of(self);
        let delay_ms = (1000.0 / self.frames_per_second - 1e-9).ceil() as u16;
        let mut out = Vec::new();
        let mut encoder = png::Encoder::new(&mut out, width, height);
        encoder.set_color(png::ColorType::Indexed);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_palette(palette.colours.iter().flatten().copied().collect::<Vec<u8>>());
        encoder.set_filter(png::Filter::NoFilter);
        encoder.set_compression(png::Compression::Balanced);
        encoder.set_animated(self.n_frames() as u32, 0).map_err(failed)?;
        encoder.set_frame_delay(delay_ms, 1000).map_err(failed)?;
        let mut writer = encoder.write_header().map_err(failed)?;
        self.each(|_, frame| writer.write_image_data(&palette.indices(&frame)).map_err(failed))?;
        writer.finish().map_err(failed)?;
        Ok(out)
    }

    /// Every frame as a PNG in full colour, one at a time, with its name.
    pub fn png_sequence(&self) -> impl Iterator<Item = Result<(String, Vec<u8>), PresentError>> + '_ {
        (0..self.n_frames()).map(|i| Ok((sequence_name(i), self.frame(i)?.png()?)))
    }

    /// Hands over every frame in order; a few are drawn at once.
    fn each(&self, mut take: impl FnMut(usize, Rgb) -> Result<(), PresentError>) -> Result<(), PresentError> {
        let all: Vec<usize> = (0..self.n_frames()).collect();
        for some in all.chunks(AT_A_TIME) {
            let drawn: Vec<Result<Rgb, PresentError>> = some.par_iter().map(|i| self.frame(*i)).collect();
            for (i, frame) in some.iter().zip(drawn) {
                take(*i, frame?)?;
            }
        }
        Ok(())
    }
}

/// The colours of all frames, and where each colour that was met went.
struct Palette {
    colours: Vec<[u8; 3]>,
    /// Looked up, never gone through, so its order does not matter.
    known: HashMap<[u8; 3], u8>,
}

impl Palette {
    fn of(animation: &Animation) -> Self {
        let table = &animation.map().table;
        let mut colours: Vec<[u8; 3]> = (0..OF_THE_MAP).map(|k| table[k * 255 / (OF_THE_MAP - 1)]).collect();
        colours.extend(HATCH);
        let paper = hex(DARK.paper);
        // edges of letters lie between ink and what is under it
        for (ink, steps) in
            [(DARK.ink, 20), (DARK.muted, 14), (DARK.sun, 14), (DARK.first, 12), (DARK.warn, 10), (DARK.rule, 6)]
        {
            let ink = hex(ink);
            colours.extend((1..=steps).map(|k| between(paper, ink, f64::from(k) / f64::from(steps))));
        }
        colours.extend([paper, hex(OVER_PALE), hex(OVER_DARK)]);
        colours.dedup();
        colours.truncate(256);
        Self { colours, known: HashMap::new() }
    }

    /// The nearest colour's index for every pixel.
    fn indices(&mut self, frame: &Rgb) -> Vec<u8> {
        let nearest = |colours: &[[u8; 3]], rgb: [u8; 3]| {
            let far = |c: &[u8; 3]| (0..3).map(|k| (i32::from(c[k]) - i32::from(rgb[k])).pow(2)).sum::<i32>();
            let best = colours.iter().enumerate().min_by_key(|(_, c)| far(c));
            best.map_or(0, |(i, _)| i as u8)
        };
        let (colours, known) = (&self.colours, &mut self.known);
        let pixels = frame.bytes.as_chunks::<3>().0;
        pixels.iter().map(|rgb| *known.entry(*rgb).or_insert_with(|| nearest(colours, *rgb))).collect()
    }
}

fn hex(colour: &str) -> [u8; 3] {
    [1, 3, 5].map(|i| colour.get(i..i + 2).and_then(|c| u8::from_str_radix(c, 16).ok()).unwrap_or(0))
}

fn between(a: [u8; 3], b: [u8; 3], share: f64) -> [u8; 3] {
    [0, 1, 2].map(|k| (f64::from(a[k]) + share * (f64::from(b[k]) - f64::from(a[k]))).round() as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_are_read_and_mixed() {
        assert_eq!(hex("#14181d"), [20, 24, 29]);
        assert_eq!(between([0, 10, 255], [100, 10, 0], 0.5), [50, 10, 128]);
    }
}
