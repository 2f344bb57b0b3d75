//! The figure `azimuthal`: brightness along rings over the twin's azimuthal mean, with its error, and the twin's.

use super::marks::{Legend, Mark, marks, marks_in_words, style_words};
use super::{StructurePictures, TwinMean, area_arcsec, kernel_fwhm_arcsec};
use crate::Figure;
use crate::picture::subtitle;
use crate::plot::{Axis, Panel, Scale, Sides};
use crate::sky::SkyPicture;
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, wrap};
use crate::theme::in_both;
use fanlight_image::PixelBox;
use fanlight_record::NightRecord;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_utc, format_value};

/// Most rings.
const RINGS: usize = 5;
/// Width of a ring far out, as a share of its radius: one kernel would be thin there.
const WIDTH_SHARE: f64 = 0.2;
/// Sectors of a ring: as many as half kernels go round, within these.
const SECTORS: (usize, usize) = (12, 60);
const LEFT: f64 = 76.0;
const PANEL_WIDTH: f64 = 490.0;
const TOP: f64 = 88.0;
const HEIGHT: f64 = 104.0;
const GAP: f64 = 16.0;

/// A ring cut into sectors.
struct RingProfile {
    inner_arcsec: f64,
    outer_arcsec: f64,
    sectors: Vec<Sector>,
}

/// Night and twin over the twin's azimuthal mean, less 1, in one sector; `None` where it holds no good pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Sector {
    pa_deg: f64,
    contrast: f64,
    error: f64,
    twin: f64,
}

/// Profiles along rings; `None` where the searched area is not known or holds no good pixel.
pub(super) fn azimuthal(night: &NightRecord, light: &SkyPicture, structure: &StructurePictures) -> Option<Figure> {
    let (inner, outer) = area_arcsec(night)?;
    let kernel = kernel_fwhm_arcsec(night, light);
    let mean = TwinMean::new(light, structure.twin, (inner, outer));
    let rings: Vec<RingProfile> = ring_edges(inner, outer, kernel)
        .into_iter()
        .map(|edges| ring(light, structure, &mean, edges, kernel))
        .filter(|r| r.sectors.len() > 2)
        .collect();
    if rings.is_empty() {
        return None;
    }
    let marks = marks(night);
    let what = format!(
        "Brightness along {} over the azimuthal mean of the twin; a ring is a star image ({}″) or a fifth of its radius wide. \
         Band: 1σ of the noise, the correlation of neighbouring pixels included; dashed: the twin, which shows what centre, \
         star images and sky make of a coma without structure. Sectors are about half a star image long, so neighbours are \
         not independent.{}",
        if rings.len() == 1 { "one ring".to_string() } else { format!("{} rings", rings.len()) },
        fixed(kernel, 1),
        style_words(&marks)
    );
    let alt = format!(
        "Plots of the brightness around the centre of {} at {} against position angle, in {} from {}″ to {}″, with error \
         bands and the featureless twin's line. {}",
        night.object,
        format_utc(&night.mid_utc),
        if rings.len() == 1 { "one ring".to_string() } else { format!("{} rings", rings.len()) },
        fixed(rings[0].inner_arcsec, 1),
        fixed(rings[rings.len() - 1].outer_arcsec, 0),
        marks_in_words(&marks)
    );
    let km = night.geometry.km_per_arcsec;
    let (svg_light, svg_dark) = in_both(|theme| {
        let legend = Legend::new(&marks, PANEL_WIDTH);
        let bottom = TOP + rings.len() as f64 * (HEIGHT + GAP) - GAP;
        let notes = wrap(&what, 12.0, PANEL_WIDTH + 80.0);
        let legend_top = bottom + 74.0;
        let notes_top = legend_top + legend.height() + 22.0;
        let mut canvas = Canvas::new(theme, notes_top + 16.0 * notes.len() as f64 + 4.0);
        canvas.heading(&night.object, "around the centre", &subtitle(night));
        // outermost on top, as in the unrolled coma
        for (i, ring) in rings.iter().rev().enumerate() {
            let top = TOP + i as f64 * (HEIGHT + GAP);
            let last = i + 1 == rings.len();
            draw_ring(&mut canvas, ring, top, last, &marks, km);
        }
        let middle = (LEFT - 56.0, (TOP + bottom) / 2.0);
        let title = TextStyle::new(13.0, theme.muted).anchor(Anchor::Middle);
        canvas.text(middle, title.upward(), "over the twin's azimuthal mean, %");
        draw_key(&mut canvas, bottom + 58.0);
        legend.draw(&mut canvas, (LEFT, legend_top), theme.second);
        for (i, line) in notes.iter().enumerate() {
            canvas.text((LEFT, notes_top + 16.0 * i as f64), TextStyle::new(12.0, theme.muted), line);
        }
        canvas.finish(&alt)
    });
    let (name, title) = ("azimuthal".into(), "Around the centre".into());
    Some(Figure { name, title, caption: what, alt, svg_light, svg_dark })
}

/// Inner and outer edges of up to [`RINGS`] rings, their middles at equal steps of ln ρ.
fn ring_edges(inner: f64, outer: f64, kernel: f64) -> Vec<(f64, f64)> {
    let half = |rho: f64| (0.5 * kernel).max(0.5 * WIDTH_SHARE * rho);
    let first = inner + half(inner);
    let last = outer / (1.0 + 0.5 * WIDTH_SHARE);
    let last = if outer - last < half(last) { outer - half(last) } else { last };
    if last <= first {
        return vec![(inner, outer)];
    }
    let n = (((last - first) / kernel) as usize + 1).min(RINGS);
    let middle = |k: usize| {
        if n == 1 { (first * last).sqrt() } else { first * (last / first).powf(k as f64 / (n - 1) as f64) }
    };
    (0..n).map(middle).map(|rho| (rho - half(rho), rho + half(rho))).collect()
}

/// The sums of one ring's pixels, sector by sector.
fn ring(
    light: &SkyPicture,
    structure: &StructurePictures,
    mean: &TwinMean,
    (inner, outer): (f64, f64),
    kernel: f64,
) -> RingProfile {
    let around = std::f64::consts::TAU * (inner + outer) / 2.0;
    let n = ((around / (0.5 * kernel)) as usize).clamp(SECTORS.0, SECTORS.1);
    let mut sums = vec![Sums::default(); n];
    let image = light.image;
    let m = light.arcsec_per_px;
    // the longest way in pixels that the ring reaches along either axis
    let reach_px = [(outer, 0.0), (0.0, outer)].iter().fold(0.0f64, |reach, (e, n)| {
        let (x, y) = light.pixel_at(*e, *n);
        reach.max((x - light.centre_x_px).hypot(y - light.centre_y_px))
    });
    let area = PixelBox::around(light.centre_x_px, light.centre_y_px, 1.5 * reach_px, image.width, image.height);
    if let Some(area) = area {
        for y in area.y0..area.y1 {
            for x in area.x0..area.x1 {
                let (dx, dy) = (x as f64 - light.centre_x_px, y as f64 - light.centre_y_px);
                let (east, north) = (m[0][0] * dx + m[0][1] * dy, m[1][0] * dx + m[1][1] * dy);
                let rho = east.hypot(north);
                if !(inner..outer).contains(&rho) {
                    continue;
                }
                let i = y * image.width + x;
                let pixel = [image.data[i], structure.twin.data[i], structure.variance.data[i]].map(f64::from);
                let (true, Some(under)) =
                    (light.mask.bits[i] == 0 && pixel.iter().all(|v| v.is_finite()), mean.at(rho))
                else {
                    continue;
                };
                let turn = east.atan2(north).rem_euclid(std::f64::consts::TAU) / std::f64::consts::TAU;
                sums[((turn * n as f64) as usize).min(n - 1)].add(pixel, under);
            }
        }
    }
    let area_px = structure.independent_area_px;
    let area_px = if area_px.is_finite() { area_px.max(1.0) } else { 1.0 };
    let sectors = sums.iter().enumerate().filter_map(|(k, s)| s.sector((k as f64 + 0.5) * 360.0 / n as f64, area_px));
    RingProfile { inner_arcsec: inner, outer_arcsec: outer, sectors: sectors.collect() }
}

#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    night: f64,
    twin: f64,
    under: f64,
    variance: f64,
    n: usize,
}

impl Sums {
    fn add(&mut self, [night, twin, variance]: [f64; 3], under: f64) {
        self.night += night;
        self.twin += twin;
        self.under += under;
        self.variance += variance;
        self.n += 1;
    }

    /// Sums rather than means of ratios: every pixel counts by the light that it should have. Fewer pixels than share one
    /// independent value are as uncertain as a single one.
    fn sector(&self, pa_deg: f64, independent_area_px: f64) -> Option<Sector> {
        let shared = independent_area_px.min(self.n as f64);
        (self.n > 0 && self.under > 0.0).then(|| Sector {
            pa_deg,
            contrast: self.night / self.under - 1.0,
            error: (self.variance * shared).sqrt() / self.under,
            twin: self.twin / self.under - 1.0,
        })
    }
}

fn draw_ring(canvas: &mut Canvas, ring: &RingProfile, top: f64, last: bool, marks: &[Mark], km_per_arcsec: f64) {
    let theme = canvas.theme;
    let percent = |share: f64| 100.0 * share;
    let ends = ring
        .sectors
        .iter()
        .flat_map(|s| [percent(s.contrast - s.error), percent(s.contrast + s.error), percent(s.twin)]);
    let Some(y) = Axis::around(ends, 1.0) else { return };
    let x = Axis { low: 0.0, high: 360.0, scale: Scale::Degrees };
    let panel = Panel { left: LEFT, top, width: PANEL_WIDTH, height: HEIGHT, x, y };
    let below = if last { "position angle, ° (0 north, 90 east, 180 south, 270 west)" } else { "" };
    panel.draw(canvas, Sides { below, ..Sides::default() });
    // a gap of more than one sector and a half is a gap in the data
    let sectors = ring.sectors.len().max(1);
    let step = 1.5 * 360.0 / (sectors.max(SECTORS.0) as f64);
    for run in ring.sectors.chunk_by(|a, b| b.pa_deg - a.pa_deg <= step) {
        let line = |value: &dyn Fn(&Sector) -> f64| -> Vec<(f64, f64)> {
            run.iter().map(|s| panel.at(s.pa_deg, percent(value(s)))).collect()
        };
        let mut band = line(&|s| s.contrast - s.error);
        band.extend(line(&|s| s.contrast + s.error).into_iter().rev());
        canvas.polygon(&band, theme.band);
        canvas.polyline(&line(&|s| s.contrast), Stroke::new(theme.first, 1.5));
        canvas.polyline(&line(&|s| s.twin), Stroke::new(theme.muted, 1.4).dashed("6 3"));
    }
    let rho = (ring.inner_arcsec + ring.outer_arcsec) / 2.0;
    let mut numbers: Vec<f64> = Vec::new();
    for mark in marks {
        let Some(pa) = mark.pa_at(rho) else { continue };
        let at = panel.at(pa, y.low).0;
        mark.draw(canvas, &[(at, panel.bottom()), (at, panel.top)], theme.second, 1.3);
        // numbers above the panel, apart from each other
        let crowded = numbers.iter().any(|n| (n - at).abs() < 12.0);
        let beside = if crowded { 12.0 } else { 0.0 };
        numbers.push(at + beside);
        let style = TextStyle::new(12.0, theme.second).bold().anchor(Anchor::Middle);
        canvas.text((at + beside, panel.top - 3.0), style, &mark.number.to_string());
    }
    let text = TextStyle::new(12.0, theme.ink);
    let decimals = i32::from(ring.outer_arcsec < 20.0);
    let arcsec = format!("{}–{}″", fixed(ring.inner_arcsec, decimals), fixed(ring.outer_arcsec, decimals));
    canvas.text((panel.right() + 12.0, panel.top + HEIGHT / 2.0), text.bold(), &arcsec);
    if km_per_arcsec.is_finite() && km_per_arcsec > 0.0 {
        let km = format!("{}{THIN_SPACE}km", format_value(rho * km_per_arcsec, 2));
        let style = TextStyle::new(12.0, theme.muted);
        canvas.text((panel.right() + 12.0, panel.top + HEIGHT / 2.0 + 17.0), style, &km);
    }
}

/// What the lines are.
fn draw_key(canvas: &mut Canvas, y: f64) {
    let theme = canvas.theme;
    let word = TextStyle::new(12.0, theme.ink);
    canvas.rect((LEFT, y - 6.0), (36.0, 12.0), theme.band);
    canvas.line((LEFT, y), (LEFT + 36.0, y), Stroke::new(theme.first, 1.5));
    canvas.text((LEFT + 46.0, y + 4.5), word, "the night, 1σ");
    canvas.line((LEFT + 180.0, y), (LEFT + 216.0, y), Stroke::new(theme.muted, 1.4).dashed("6 3"));
    canvas.text((LEFT + 226.0, y + 4.5), word, "its twin");
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::{Image, Mask};

    #[test]
    fn rings_lie_inside_the_area_and_grow_outward() {
        for (inner, outer, kernel) in [(3.0, 60.0, 3.0), (4.0, 12.0, 3.0), (4.0, 5.0, 3.0), (2.0, 300.0, 2.0)] {
            let rings = ring_edges(inner, outer, kernel);
            assert!(!rings.is_empty() && rings.len() <= RINGS);
            assert!(rings.iter().all(|(a, b)| *a >= inner - 1e-9 && *b <= outer + 1e-9 && a < b), "{rings:?}");
            assert!(rings.windows(2).all(|w| w[0].0 < w[1].0));
        }
        assert_eq!(ring_edges(3.0, 60.0, 3.0).len(), 5);
        assert_eq!(ring_edges(4.0, 5.0, 3.0), [(4.0, 5.0)]);
    }

    /// A night 1.2 times its twin to the east of the centre and equal to it elsewhere, on a mirrored grid.
    #[test]
    fn sectors_hold_the_excess_where_it_is_and_errors_grow_with_correlation() {
        let twin = Image::filled(101, 101, 10.0);
        let data = (0..101 * 101).map(|i| if i % 101 > 50 { 12.0 } else { 10.0 }).collect();
        let night = Image::from_pixels(101, 101, data).expect("size");
        let (variance, mask) = (Image::filled(101, 101, 4.0), Mask::clear(101, 101));
        let light = SkyPicture {
            image: &night,
            mask: &mask,
            centre_x_px: 50.0,
            centre_y_px: 50.0,
            arcsec_per_px: [[1.0, 0.0], [0.0, 1.0]],
            zero_point_mag: None,
        };
        let of = |independent_area_px: f64| {
            let structure = StructurePictures {
                twin: &twin,
                twin_realisation: &twin,
                twin_gradient: &twin,
                variance: &variance,
                independent_area_px,
            };
            let mean = TwinMean::new(&light, &twin, (5.0, 40.0));
            ring(&light, &structure, &mean, (20.0, 24.0), 4.0)
        };
        let (plain, shared) = (of(1.0), of(4.0));
        assert_eq!(plain.sectors.len(), 60);
        for (s, t) in plain.sectors.iter().zip(&shared.sectors) {
            let expected = if (10.0..170.0).contains(&s.pa_deg) {
                0.2
            } else if (190.0..350.0).contains(&s.pa_deg) {
                0.0
            } else {
                s.contrast
            };
            assert!((s.contrast - expected).abs() < 1e-6 && s.twin.abs() < 1e-6, "{s:?}");
            assert!((t.error / s.error - 2.0).abs() < 1e-9);
            // some 9 pixels a sector: σ = 2 / (10 √9)
            assert!((0.04..0.12).contains(&s.error), "{s:?}");
        }
    }

    #[test]
    fn fewer_pixels_than_share_a_value_are_as_uncertain_as_one() {
        let mut sums = Sums::default();
        sums.add([11.0, 10.0, 4.0], 10.0);
        sums.add([11.0, 10.0, 4.0], 10.0);
        let sector = sums.sector(0.0, 30.0).expect("pixels");
        assert!((sector.error - 0.2).abs() < 1e-12 && (sector.contrast - 0.1).abs() < 1e-12);
        assert_eq!(Sums::default().sector(0.0, 1.0), None);
    }
}
