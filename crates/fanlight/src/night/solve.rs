//! Frames without a usable WCS: solved against the catalogue about the comet's ephemeris place.

use super::expected::Expected;
use super::first_pass::{self, FieldEntry, frames_at_once};
use super::frame_pixels::FramePixels;
use super::inputs::{self, Inputs, LeftOut, Light, Unsolved};
use super::notes::Notes;
use super::{tie, window};
use crate::messages;
use fanlight_image::background::{self, MeshConfig};
use fanlight_image::detect::{self, DetectConfig};
use fanlight_image::{Mask, PixelBox, flag, robust};
use fanlight_io::FrameFile;
use fanlight_sky::{ImageStar, PixelXy, SkyStar, Solution, SolveConfig, Wcs};
use rayon::prelude::*;

/// Gives every light a WCS that fits the catalogue, where one can be found: those whose header has none are solved, and all
/// are where the headers' do not fit. What cannot be solved joins the frames left out.
pub fn complete(inputs: &mut Inputs, solver: &Solver, notes: &mut Notes) {
    if !inputs.unsolved.is_empty() {
        let unsolved = std::mem::take(&mut inputs.unsolved);
        let results = solver.solve_all(&unsolved);
        let solved = results.iter().filter(|r| r.is_ok()).count();
        if let Some(example) = results.iter().find_map(|r| r.as_ref().ok()) {
            notes.push(format!(
                "{solved} of {} frames without a WCS were solved against the catalogue about the ephemeris place; the first: {}.",
                unsolved.len(),
                example.said
            ));
        }
        for (frame, result) in unsolved.into_iter().zip(results) {
            match result {
                Ok(Solved { wcs, said, .. }) => {
                    tracing::debug!("{}: {said}", frame.file.name);
                    inputs.lights.push(Light { file: frame.file, mid: frame.mid, exposure_s: frame.exposure_s, wcs });
                }
                Err(reason) => inputs.left_out.push(LeftOut { file: frame.file, mid: Some(frame.mid), reason }),
            }
        }
        inputs.sort_lights();
    }
    if inputs.lights.is_empty() || solver.field.is_empty() || !solver.headers_are_wrong(&inputs.lights) {
        return;
    }
    let again: Vec<Unsolved> =
        inputs.lights.iter().map(|l| Unsolved { file: l.file.clone(), mid: l.mid, exposure_s: l.exposure_s }).collect();
    let results = solver.solve_all(&again);
    let solved = results.iter().filter(|r| r.is_ok()).count();
    let example = results.iter().find_map(|r| r.as_ref().ok()).map(|s| s.said.clone());
    notes.warn(match example {
        None if inputs.is_stack => "The stack's stars do not fit the catalogue: they were taken out or are trailed, or its WCS, \
             the catalogue or the orbit are not of this field. The header's WCS was used as it is, and nothing checks the places \
             that rest on it."
            .into(),
        Some(said) => format!(
            "The WCS in the headers do not fit the catalogue: {solved} of {} frames were solved anew; the first: {said}.",
            again.len()
        ),
        None => "The WCS in the headers do not fit the catalogue, and no frame could be solved anew: is the catalogue of this \
                 field, and the orbit of this comet?"
            .into(),
    });
    for (light, result) in inputs.lights.iter_mut().zip(results) {
        if let Ok(solved) = result {
            light.wcs = solved.wcs;
        }
    }
}

/// Lights whose header's WCS is compared with the catalogue, and the side of the part that is.
const CHECKED: usize = 3;
/// See [`CHECKED`].
const CHECKED_SIDE_PX: usize = 768;
/// Stars in both lists from which on they should show that they belong together.
const ENOUGH_STARS: usize = 10;

/// What solving needs to know beside the frame.
pub struct Solver<'a> {
    /// How the frames are read.
    pub pixels: &'a FramePixels,
    /// Where the comet is expected, and the telescope was pointed.
    pub expected: Expected<'a>,
    /// Catalogue stars at the night's epoch.
    pub field: &'a [FieldEntry],
    /// Pixel scales that the images may have by the campaign file or the header, the likeliest first.
    pub stated_scales_arcsec: Vec<f64>,
}

/// A solved frame.
pub struct Solved {
    /// Its WCS.
    pub wcs: Wcs,
    /// What to say of it.
    pub said: String,
    /// Scale found.
    pub scale_arcsec: f64,
}

/// Share by which a stated pixel scale may be wrong.
const STATED_SCALE_ERROR: f64 = 0.2;
/// Share by which a scale found in another frame of the night may be wrong.
const FOUND_SCALE_ERROR: f64 = 0.01;
/// Stars are sought above this many sigmas of the noise.
const DETECTION_SIGMA: f64 = 6.0;
/// Most stars of a frame that take part.
const MAX_STARS: usize = 2000;

impl Solver<'_> {
    /// Solves frames, in order: the first that can be says how large a pixel is to the others.
    pub fn solve_all(&self, frames: &[Unsolved]) -> Vec<Result<Solved, String>> {
        if self.stated_scales_arcsec.is_empty() {
            return frames.iter().map(|_| Err(NO_SCALE.to_string())).collect();
        }
        if self.field.is_empty() {
            return frames.iter().map(|_| Err(NO_CATALOGUE.to_string())).collect();
        }
        let stars = tie::catalogue(self.field);
        let bar = messages::bar(frames.len(), "solving frames");
        let mut found_scale = None;
        let mut results = Vec::with_capacity(frames.len());
        let mut rest = frames;
        while let Some(first) = rest.first() {
            // one alone until one is solved, then as many as there is room for
            let n = if found_scale.is_some() { frames_at_once((first.file.width, first.file.height)) } else { 1 };
            let (now, later) = rest.split_at(n.min(rest.len()));
            let one = |frame: &Unsolved| {
                let solved = match found_scale {
                    Some(scale) => self.solve(frame, &stars, scale, FOUND_SCALE_ERROR),
                    None => self.solve_by_any_scale(frame, &stars),
                };
                bar.inc(1);
                solved
            };
            results.par_extend(now.par_iter().map(one));
            found_scale = found_scale.or_else(|| results.iter().find_map(|r| r.as_ref().ok().map(|s| s.scale_arcsec)));
            rest = later;
        }
        bar.finish_and_clear();
        results
    }

    /// Whether the headers' WCS do not fit the catalogue: in most of a few frames no place within the tie's reach does.
    fn headers_are_wrong(&self, lights: &[Light]) -> bool {
        let stars = tie::catalogue(self.field);
        let chosen = inputs::spread(lights, CHECKED);
        let verdict = |light: &&Light| -> Option<bool> {
            let place = self.expected.place(light.mid).ok()?;
            let area = window::of(light, place, CHECKED_SIDE_PX)?;
            let wcs = light.wcs.shifted(-(area.x0 as f64), -(area.y0 as f64));
            let middle = PixelXy { x_px: 0.5 * area.width() as f64, y_px: 0.5 * area.height() as f64 };
            let scale_arcsec = wcs.pixel_scale_arcsec(middle);
            let found = self.stars_in(&light.file, area, scale_arcsec).ok()?;
            let usual = SolveConfig::new(area.width(), area.height(), place, scale_arcsec);
            let reach_arcsec = 0.5 * scale_arcsec * (area.width() as f64).hypot(area.height() as f64);
            let listed = stars.iter().filter(|s| s.place.separation_arcsec(&place) < reach_arcsec).count();
            // too few stars say nothing
            if found.len() < ENOUGH_STARS || listed < ENOUGH_STARS {
                return None;
            }
            let search_px = tie::SEARCH_ARCSEC / scale_arcsec;
            let config = SolveConfig { search_px, max_sip_order: 0, ..usual };
            Some(fanlight_sky::refine(&wcs, &found, &stars, &config).is_err())
        };
        let verdicts: Vec<bool> = chosen.par_iter().filter_map(verdict).collect();
        verdicts.iter().filter(|wrong| **wrong).count() * 2 > verdicts.len()
    }

    fn solve_by_any_scale(&self, frame: &Unsolved, catalogue: &[SkyStar]) -> Result<Solved, String> {
        let mut reason = NO_SCALE.to_string();
        for scale_arcsec in &self.stated_scales_arcsec {
            match self.solve(frame, catalogue, *scale_arcsec, STATED_SCALE_ERROR) {
                Ok(solved) => return Ok(solved),
                Err(e) => reason = e,
            }
        }
        Err(reason)
    }

    fn solve(
        &self,
        frame: &Unsolved,
        catalogue: &[SkyStar],
        scale_arcsec: f64,
        scale_error: f64,
    ) -> Result<Solved, String> {
        let (width, height) = (frame.file.width, frame.file.height);
        let pointing = self.expected.place(frame.mid).map_err(|e| e.to_string())?;
        let stars = self.stars_in(&frame.file, PixelBox { x0: 0, y0: 0, x1: width, y1: height }, scale_arcsec)?;
        let config = SolveConfig { scale_error, ..SolveConfig::new(width, height, pointing, scale_arcsec) };
        let solution = fanlight_sky::solve(&stars, catalogue, &config).map_err(|e| e.to_string())?;
        Ok(Solved { said: describe(&solution), scale_arcsec: solution.scale_arcsec, wcs: solution.wcs })
    }

    /// The stars in a part of a raw frame, with the errors of their places.
    fn stars_in(&self, file: &FrameFile, area: PixelBox, scale_arcsec: f64) -> Result<Vec<ImageStar>, String> {
        let (width, height) = (area.width(), area.height());
        let mut image = self.pixels.light(file, area)?;
        let mut mask = Mask::clear(width, height);
        let saturation = self.pixels.saturation_adu as f32;
        for (bits, value) in mask.bits.iter_mut().zip(&image.data) {
            if !value.is_finite() {
                *bits = flag::NO_DATA;
            } else if *value >= saturation {
                *bits = flag::SATURATED;
            }
        }
        let cell_px = (width.min(height) / 16).clamp(24, 64);
        let mesh = MeshConfig { cell_px, kappa: 3.0, rounds: 5, filter_cells: 3, sample_step: 2 };
        background::take_off_level(&mut image, &mask, &mesh).map_err(|e| e.to_string())?;
        let mut sample: Vec<f32> = image.data.iter().step_by(17).copied().filter(|v| v.is_finite()).collect();
        let noise = robust::mad_sigma(&mut sample).filter(|n| *n > 0.0).ok_or("its pixels show no noise")?;
        let fwhm_px = first_pass::first_fwhm_px(scale_arcsec);
        let config = DetectConfig { noise, fwhm_px, threshold_sigma: DETECTION_SIGMA, max_sources: MAX_STARS };
        let found = detect::sources(&image, &mask, &config);
        Ok(found
            .iter()
            .map(|d| ImageStar {
                x_px: d.x_px,
                y_px: d.y_px,
                flux: d.flux,
                sigma_px: tie::centroid_sigma_px(fwhm_px, d.significance),
            })
            .collect())
    }
}

const NO_SCALE: &str = "no WCS in the header, and no pixel scale to solve it with: set camera.pixel_scale_arcsec in the \
    campaign file, or solve the frame first";
const NO_CATALOGUE: &str = "no WCS in the header, and no catalogue to solve it with: set photometry.catalogue in the \
    campaign file, or solve the frame first";

fn describe(s: &Solution) -> String {
    let mirror = if s.mirrored { ", a mirror image" } else { "" };
    let distortion = s.sip_order.map_or_else(String::new, |order| format!(", distortion of order {order}"));
    format!(
        "{} stars within {:.2}″ rms, {:.4}″ per pixel, y axis at PA {:.1}°{mirror}{distortion}, odds 10^{:.0} against chance",
        s.n_matched, s.rms_arcsec, s.scale_arcsec, s.rotation_deg, s.log10_odds
    )
}
