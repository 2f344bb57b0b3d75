//! The second look: every kept frame again, its stars taken out, laid on the comet and combined.

use super::combine::{self, Layers, Share, Stacked};
use super::first_pass::{self, Context, FirstLook};
use crate::{Failure, messages};
use fanlight_coma::kernel::KernelPart;
use fanlight_coma::register::Vote;
use fanlight_coma::stack::{self, Balanced, Local};
use fanlight_coma::stars::{self, FieldStar};
use fanlight_coma::wings::Wings;
use fanlight_image::combine::CombineConfig;
use fanlight_image::moffat::FieldShape;
use fanlight_image::resample::Mapping;
use fanlight_image::{Image, flag};
use fanlight_sky::SkyPosition;
use rayon::prelude::*;
use std::path::Path;

/// A frame that goes into the stack.
pub struct Kept<'a> {
    /// What the first look found.
    pub look: &'a FirstLook,
    /// The comet's place by ephemeris and the night's offset.
    pub comet: SkyPosition,
    /// Factor that brings its electrons per second to the stack's zero point.
    pub scale: f64,
    /// Weight in the stack.
    pub weight: f64,
    /// Airmass of the comet.
    pub airmass: Option<f64>,
    /// Star images over the frame's window, the night's typical one where the frame has none.
    pub shape: FieldShape,
    /// How a point at the comet is imaged, in the frame's pixels.
    pub kernel: KernelPart,
}

/// A star of the field on the sky, its flux in electrons per second at the stack's zero point.
#[derive(Debug, Clone, Copy)]
pub struct SkyStar {
    /// Its place.
    pub place: SkyPosition,
    /// Its light.
    pub flux_e_per_s: f64,
}

/// What the field's stars put on every frame.
pub struct FieldLight {
    /// The stars.
    pub stars: Vec<SkyStar>,
    /// Their wings, in pixels of which the matrix brings steps to arcsec on the sky.
    pub wings: Option<(Wings, [[f64; 2]; 2])>,
}

/// The grid of the comet-registered stack.
#[derive(Debug, Clone, Copy)]
pub struct CometGrid {
    /// The comet's place and the pixels' orientation about it.
    pub local: Local,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl CometGrid {
    /// The grid in the pixels of one frame's window, cut to `side_px` about the comet where that is larger.
    pub fn about(reference: &Kept, side_px: usize) -> Result<Self, Failure> {
        let wcs = reference.look.window_wcs();
        let at = wcs.pixel_from_sky(reference.comet).map_err(Failure::data)?;
        let cut = |centre: f64, n: usize| -> (f64, usize) {
            let first = (centre - 0.5 * side_px as f64).floor().clamp(0.0, (n.saturating_sub(side_px)) as f64);
            (centre - first, n.min(side_px))
        };
        let window = reference.look.window;
        let ((x_px, width), (y_px, height)) = (cut(at.x_px, window.width()), cut(at.y_px, window.height()));
        let local = Local { x_px, y_px, arcsec_per_px: wcs.arcsec_per_px(at) };
        Ok(Self { local, width, height })
    }
}

/// The comet-registered stack with what it is made of.
pub struct CometStack {
    /// The combined stack.
    pub stacked: Stacked,
    /// One part of the kernel per frame.
    pub kernel: Vec<KernelPart>,
    /// How much more variance a sum over many pixels has than the sum of the pixels' variances.
    pub correlation: f64,
    /// Per frame, where the comet was measured after the stars were taken out.
    pub places: Vec<(usize, Option<(SkyPosition, Vote)>)>,
    /// Per frame its sub-stack.
    pub groups: Vec<(usize, usize)>,
    /// Each sub-stack's share of the weight.
    pub substack_shares: Vec<f64>,
    /// First and second half of the night by weight, with their shares of it; absent where either would have no frame.
    pub halves: Option<[(Image, f64); 2]>,
    /// Frames crossed by satellites or aeroplanes, with the number of tracks.
    pub crossed: Vec<(usize, usize)>,
    /// Frames that could not be read a second time, with the reason.
    pub lost: Vec<(usize, String)>,
}

/// Takes the stars out of every kept frame, lays it on the comet and combines.
///
/// # Errors
/// When the scratch file fails or no frame is left.
pub fn stack_on_comet(
    kept: &[Kept],
    field: &FieldLight,
    grid: &CometGrid,
    context: &Context,
    scratch: &Path,
) -> Result<CometStack, Failure> {
    let spool =
        fanlight_io::Spool::new(scratch, kept.len(), grid.width, grid.height).map_err(combine::scratch_failure)?;
    let bar = messages::bar(kept.len(), "placing on the comet");
    let mut lost = Vec::new();
    let mut placed: Vec<(usize, Laid)> = Vec::new();
    let at_once = first_pass::frames_at_once((grid.width, grid.height));
    let indexed: Vec<(usize, &Kept)> = kept.iter().enumerate().collect();
    for several in indexed.chunks(at_once) {
        let lay_and_spool = |(index, kept): &(usize, &Kept)| {
            let laid = match lay_one(kept, field, grid, context) {
                Ok((layers, laid)) => {
                    spool.append_frame(*index, layers.values, &layers.variances).map_err(combine::scratch_failure)?;
                    Ok(laid)
                }
                Err(reason) => Err(reason),
            };
            bar.inc(1);
            Ok((*index, laid))
        };
        for (index, laid) in several.par_iter().map(lay_and_spool).collect::<Result<Vec<_>, Failure>>()? {
            match laid {
                Ok(laid) => placed.push((index, laid)),
                Err(reason) => lost.push((index, reason)),
            }
        }
    }
    bar.finish_and_clear();
    if placed.is_empty() {
        return Err(Failure::data("no frame was left to combine"));
    }
    let n_groups = stack::n_substacks(placed.len());
    let first_mid = kept[placed[0].0].look.light.mid;
    let balanced: Vec<Balanced> = placed
        .iter()
        .map(|(index, laid)| Balanced {
            weight: laid.weight,
            mid_s: kept[*index].look.light.mid.seconds_since(&first_mid),
            airmass: kept[*index].airmass.unwrap_or(1.0),
        })
        .collect();
    let groups = stack::balanced_substacks(&balanced, n_groups);
    let parts = NightParts::new(&placed, &groups, n_groups);
    let shares: Vec<Share> = placed
        .iter()
        .zip(&groups)
        .map(|((index, laid), group)| Share {
            index: *index,
            scale: kept[*index].scale as f32,
            weight: laid.weight as f32,
            group: parts.part(*group, *index),
        })
        .collect();
    let config = CombineConfig { relative_tolerance: SEEING_TOLERANCE, ..CombineConfig::default() };
    let size = (grid.width, grid.height);
    let job = combine::Job { spool: &spool, shares: &shares, size, n_groups: 2 * n_groups, config };
    // rows of what long trails of stars leave would be taken for satellites: there clipping alone leaves those out
    let (mut stacked, tracks) = match first_pass::looks_of(kept[kept.len() / 2].shape.typical()).are_trails() {
        true => (job.run()?, vec![Vec::new(); shares.len()]),
        false => job.run_without_tracks((grid.local.x_px, grid.local.y_px))?,
    };
    let crossed = placed.iter().map(|(i, _)| *i).zip(tracks.iter().map(Vec::len)).filter(|(_, n)| *n > 0).collect();
    let total: f64 = placed.iter().map(|(_, l)| l.weight).sum();
    let of_pixels = context.stack.map_or(1.0, |noise| noise.correlation);
    let correlation = of_pixels * placed.iter().map(|(_, l)| l.weight * l.correlation).sum::<f64>() / total;
    let halves = parts.fold(&mut stacked.substacks);
    let substack_shares = parts.shares();
    let kernel = placed.iter().map(|(_, l)| l.kernel).collect();
    let places = placed.iter().map(|(i, l)| (*i, l.place)).collect();
    let groups = placed.iter().map(|(i, _)| *i).zip(groups).collect();
    Ok(CometStack { stacked, kernel, correlation, places, groups, substack_shares, halves, crossed, lost })
}

/// The night in parts: every sub-stack's frames of the first and of the second half of the night are combined apart, and
/// put together afterwards both ways.
struct NightParts {
    n_substacks: usize,
    /// Index of the first frame of the second half.
    second_from: usize,
    /// Weight of each part: sub-stack by sub-stack, first half and second.
    weights: Vec<f64>,
}

impl NightParts {
    /// `placed` in order of time, with the sub-stack of each.
    fn new(placed: &[(usize, Laid)], groups: &[usize], n_substacks: usize) -> Self {
        let total: f64 = placed.iter().map(|(_, l)| l.weight).sum();
        let mut before = 0.0;
        let second = placed.iter().find(|(_, l)| {
            before += l.weight;
            before > 0.5 * total
        });
        // with few frames the one in the middle is the second half's
        let second_from = second.map_or(0, |(index, _)| *index);
        let mut parts = Self { n_substacks, second_from, weights: vec![0.0; 2 * n_substacks] };
        for ((index, laid), group) in placed.iter().zip(groups) {
            let part = parts.part(*group, *index);
            parts.weights[part] += laid.weight;
        }
        parts
    }

    fn part(&self, substack: usize, frame: usize) -> usize {
        2 * substack + usize::from(frame >= self.second_from)
    }

    /// Each sub-stack's share of the weight.
    fn shares(&self) -> Vec<f64> {
        let total: f64 = self.weights.iter().sum();
        self.weights.chunks(2).map(|w| w.iter().sum::<f64>() / total).collect()
    }

    /// Makes the parts the sub-stacks, and gives the halves.
    fn fold(&self, parts: &mut Vec<Image>) -> Option<[(Image, f64); 2]> {
        let total: f64 = self.weights.iter().sum();
        let half = |which: usize| {
            let of = |i: usize| (&parts[2 * i + which], self.weights[2 * i + which]);
            let own: Vec<(&Image, f64)> = (0..self.n_substacks).map(of).filter(|(_, w)| *w > 0.0).collect();
            let share = own.iter().map(|(_, w)| w).sum::<f64>() / total;
            (share > 0.0).then(|| (weighted_mean(&own), share))
        };
        let halves = half(0).zip(half(1)).map(|(a, b)| [a, b]);
        let substack = |i: usize| {
            let own: Vec<(&Image, f64)> =
                (2 * i..2 * i + 2).map(|k| (&parts[k], self.weights[k])).filter(|(_, w)| *w > 0.0).collect();
            weighted_mean(&own)
        };
        *parts = (0..self.n_substacks).map(substack).collect();
        halves
    }
}

/// Mean of images by weight; of those that have a value where some have none.
fn weighted_mean(images: &[(&Image, f64)]) -> Image {
    let Some((first, _)) = images.first() else { return Image::default() };
    let data = (0..first.data.len()).into_par_iter().with_min_len(4096).map(|i| {
        let (mut sum, mut weight) = (0f32, 0f32);
        for (image, w) in images {
            let v = image.data[i];
            if v.is_finite() {
                sum += *w as f32 * v;
                weight += *w as f32;
            }
        }
        if weight > 0.0 { sum / weight } else { f32::NAN }
    });
    Image { width: first.width, height: first.height, data: data.collect() }
}

/// Frames of one night differ in seeing, and with it in the height of the condensation, by tens of per cent: near the
/// nucleus only what is beyond that is an outlier.
const SEEING_TOLERANCE: f32 = 0.15;

struct Laid {
    weight: f64,
    correlation: f64,
    kernel: KernelPart,
    place: Option<(SkyPosition, Vote)>,
}

fn lay_one(kept: &Kept, field: &FieldLight, grid: &CometGrid, context: &Context) -> Result<(Layers, Laid), String> {
    let look = kept.look;
    let wcs = look.window_wcs();
    let at = wcs.pixel_from_sky(kept.comet).map_err(|e| e.to_string())?;
    let fwhm_px = first_pass::comet_width_px(&kept.shape.at(at.x_px, at.y_px));
    let mut frame = first_pass::read_calibrated(&look.light, look.window, context)?;
    look.cosmic_rays.iter().for_each(|i| frame.mask.bits[*i as usize] |= flag::COSMIC_RAY);
    let exposure_s = look.light.exposure_s;
    let local = Local { x_px: at.x_px, y_px: at.y_px, arcsec_per_px: wcs.arcsec_per_px(at) };
    let placement =
        stack::place_about(&wcs, kept.comet, &grid.local, grid.width, grid.height).map_err(|e| e.to_string())?;
    let reach_px = reach_of(grid, &placement);
    let stars: Vec<FieldStar> = field
        .stars
        .iter()
        .filter_map(|s| {
            let p = wcs.pixel_from_sky(s.place).ok()?;
            let near = (p.x_px - at.x_px).abs() < reach_px && (p.y_px - at.y_px).abs() < reach_px;
            near.then_some(FieldStar { x_px: p.x_px, y_px: p.y_px, flux: s.flux_e_per_s * exposure_s / kept.scale })
        })
        .collect();
    let wings = field.wings.as_ref().map(|(wings, arcsec_per_px)| {
        wings.turned(stack::product(stack::inverse(local.arcsec_per_px), *arcsec_per_px))
    });
    stars::remove_stars(&mut frame.image_e, &frame.variance_e2, &mut frame.mask, (&kept.shape, wings.as_ref()), &stars);

    let layers = first_pass::lay(&frame, look.sky_e, exposure_s, &placement, grid.width, grid.height);

    let variance_in = fanlight_coma::measure::typical_variance(&frame.variance_e2) / exposure_s.powi(2);
    let laid_image = Image { width: grid.width, height: grid.height, data: layers.variances };
    let variance_out = fanlight_coma::measure::typical_variance(&laid_image);
    let layers = Layers { values: layers.values, variances: laid_image.data };
    if !(variance_in > 0.0 && variance_out > 0.0) {
        return Err("no good pixel of it falls on the stack".into());
    }
    let weight = kept.weight;
    // a sum over many pixels has the variance of the pixels before resampling
    let correlation = (variance_in * placement.area_ratio.powi(2) / variance_out).max(1.0);

    let stack_from_sky = stack::inverse(grid.local.arcsec_per_px);
    let to_stack = stack::product(stack_from_sky, local.arcsec_per_px);
    let kernel = kept.kernel.turned(to_stack, weight);
    let place = first_pass::place_of_comet(&frame, look, (at.x_px, at.y_px), fwhm_px);
    Ok((layers, Laid { weight, correlation, kernel, place }))
}

/// How far from the comet, along either axis, stars are taken out of a frame: what falls on the stack, and a
/// wing's width more.
fn reach_of(grid: &CometGrid, placement: &stack::Placement) -> f64 {
    const WING_PX: f64 = 40.0;
    let l = &grid.local;
    let sides = [l.x_px, l.y_px, grid.width as f64 - l.x_px, grid.height as f64 - l.y_px];
    let longest = sides.into_iter().fold(0.0, f64::max);
    // a frame that is turned or scaled reaches further: by √2 at 45°, and by its scale
    let further =
        if matches!(placement.mapping, Mapping::Shift { .. }) { 1.0 } else { 1.5 * placement.area_ratio.sqrt() };
    further * longest + WING_PX
}
