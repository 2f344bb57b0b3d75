//! Do unlike methods agree on it? Its position angle in three families of enhancement, each with its own bias.

use super::{Challenge, Challenged};
use crate::evidence::feature_fit::Shape;
use fanlight_image::Image;
use fanlight_image::polar::sample_bilinear;

/// The night enhanced in three unlike ways, with the column and row of the optocentre.
pub struct Pictures {
    /// Name, and picture in which a feature is bright.
    pub enhanced: Vec<(&'static str, Image)>,
    /// The optocentre on them.
    pub centre_px: (f64, f64),
}

/// Position angles may differ by this many combined errors, or by half the feature's width.
const LARGEST_SIGMAS: f64 = 3.0;
/// Step and reach of the profile across the ridge.
const STEP_DEG: f64 = 1.0;
const REACH_DEG: f64 = 90.0;

pub(super) fn challenge(c: &Challenged, pictures: &Pictures) -> Challenge {
    let Shape::Wedge(wedge) = &c.fitted().shape else {
        return Challenge::not_tested("method", "The position angle of an arc is not compared between methods.");
    };
    let width_deg = wedge.width_rad.to_degrees().max(10.0);
    let found: Vec<(&str, Option<(f64, f64)>)> = pictures
        .enhanced
        .iter()
        .map(|(name, image)| (*name, peak(&across(c, image, pictures.centre_px), width_deg)))
        .collect();
    let seen: Vec<(&str, f64, f64)> =
        found.iter().filter_map(|(n, p)| p.map(|(off, sigma)| (*n, off, sigma))).collect();
    if seen.len() < 2 {
        return Challenge::not_tested("method", "Fewer than two of the three methods show a peak near it.");
    }
    let (mut largest, mut disagree) = (0.0f64, false);
    for (i, a) in seen.iter().enumerate() {
        for b in &seen[i + 1..] {
            let apart = (a.1 - b.1).abs();
            largest = largest.max(apart);
            disagree |= apart > LARGEST_SIGMAS * a.2.hypot(b.2) && apart > 0.5 * width_deg;
        }
    }
    let each: Vec<String> = seen.iter().map(|(n, off, s)| format!("{n} {}° ± {s:.1}°", signed(*off))).collect();
    let missing = found.len() - seen.len();
    let also = if missing > 0 { format!(" ({missing} of the methods shows no peak there)") } else { String::new() };
    let explanation = format!("Off the fitted ridge: {}{also}.", each.join(", "));
    Challenge::judged("method", !disagree, (largest, 0.5 * width_deg), explanation)
}

/// With its sign, a true minus, and no minus before a zero.
fn signed(deg: f64) -> String {
    let tenths = (10.0 * deg).round() / 10.0;
    format!("{:+.1}", tenths + 0.0).replace('-', "−")
}

/// Mean along the ridge, relative to the mean coma, at steps across it.
fn across(c: &Challenged, image: &Image, centre_px: (f64, f64)) -> Vec<f64> {
    let (from, to) = c.extent_px();
    let n = 24;
    let steps = (REACH_DEG / STEP_DEG) as i32;
    (-steps..=steps)
        .map(|k| {
            let mut sum = 0.0;
            let mut count = 0;
            for i in 0..n {
                let rho = from + (to - from) * (f64::from(i) + 0.5) / f64::from(n);
                let pa = c.fitted().pa_at(rho).0 + (f64::from(k) * STEP_DEG).to_radians();
                let (dx, dy) = c.model.frame.step_px(rho, pa);
                if let Some(v) = sample_bilinear(image, centre_px.0 + dx, centre_px.1 + dy) {
                    sum += f64::from(v);
                    count += 1;
                }
            }
            if count > 0 { sum / f64::from(count) } else { 0.0 }
        })
        .collect()
}

/// Where a profile correlates best with a ridge of a width, within that width of its middle, and the error by what the
/// profile does elsewhere.
fn peak(profile: &[f64], width_deg: f64) -> Option<(f64, f64)> {
    let middle = (profile.len() / 2) as i32;
    let sigma = width_deg / 2.355 / STEP_DEG;
    let reach = (1.5 * width_deg / STEP_DEG) as i32;
    let matched: Vec<f64> = (0..profile.len() as i32)
        .map(|i| {
            let (mut sum, mut weights) = (0.0, 0.0);
            for k in -reach..=reach {
                let Some(v) = usize::try_from(i + k).ok().and_then(|j| profile.get(j)) else { continue };
                let w = (-0.5 * (f64::from(k) / sigma).powi(2)).exp();
                (sum, weights) = (sum + w * v, weights + w);
            }
            sum / weights
        })
        .collect();
    let within = ((width_deg / STEP_DEG) as i32).clamp(8, middle - 1);
    let at =
        (middle - within..=middle + within).max_by(|a, b| matched[*a as usize].total_cmp(&matched[*b as usize]))?;
    if (at - middle).abs() == within {
        return None;
    }
    let (l, m, r) = (matched[at as usize - 1], matched[at as usize], matched[at as usize + 1]);
    let bend = l - 2.0 * m + r;
    let off = if bend < 0.0 { 0.5 * (l - r) / bend } else { 0.0 };
    let far: Vec<f64> = (0..matched.len() as i32)
        .filter(|i| (i - at).abs() > 2 * within.max(10))
        .map(|i| matched[i as usize])
        .collect();
    let base = far.iter().sum::<f64>() / far.len().max(1) as f64;
    let scatter = (far.iter().map(|v| (v - base).powi(2)).sum::<f64>() / far.len().max(1) as f64).sqrt();
    let height = m - base;
    (height > 0.0 && height > scatter).then(|| {
        let error = (width_deg * scatter / height).clamp(0.3, width_deg);
        ((f64::from(at - middle) - off) * STEP_DEG, error)
    })
}

#[cfg(test)]
mod tests {
    use super::{peak, signed};

    #[test]
    fn signs_are_true_ones() {
        assert_eq!([-0.04, 0.04, -1.26].map(signed), ["+0.0", "+0.0", "−1.3"]);
    }

    #[test]
    fn the_peak_of_a_ridge_is_found() {
        let profile: Vec<f64> = (-90..=90)
            .map(|k| (-0.5 * ((f64::from(k) - 4.3) / 8.0).powi(2)).exp() + 0.02 * (f64::from(k) * 0.7).sin())
            .collect();
        let (off, sigma) = peak(&profile, 19.0).unwrap();
        assert!((off - 4.3).abs() < 0.6 && sigma < 2.0, "{off} {sigma}");
        assert!(peak(&vec![1.0; 181], 19.0).is_none());
    }
}
