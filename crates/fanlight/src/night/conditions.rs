//! The night in numbers: cloud, twilight and Moon, focus, wind.

use fanlight_coma::weight;
use fanlight_record::sentences::utc_days;
use fanlight_record::{ConditionsRecord, FrameRecord, TrendRecord};

/// Seeing grows with airmass to this power (Fried 1966, J. Opt. Soc. Am. 56, 1372, for Kolmogorov turbulence).
const SEEING_POWER: f64 = 0.6;

/// Fills in what the frames say of each other (how much less transparent than the best, how heavy), and sums the night up;
/// `None` where no frame with a time was used.
pub fn sum_up(frames: &mut [FrameRecord], weights: &[(String, f64)]) -> Option<ConditionsRecord> {
    let best = frames.iter().filter_map(|f| f.zero_point_mag).reduce(f64::max);
    let of_frame = |f: &FrameRecord| weights.iter().find(|(file, w)| *file == f.file && *w > 0.0).map(|(_, w)| *w);
    let in_stack: Vec<f64> = frames.iter().filter(|f| f.substack.is_some()).filter_map(of_frame).collect();
    let total: f64 = in_stack.iter().sum();
    for f in frames.iter_mut() {
        f.transparency_loss_mag = best.zip(f.zero_point_mag).map(|(b, z)| b - z);
        f.sky_mag_arcsec2 = f
            .zero_point_mag
            .zip(f.sky_e_per_s_arcsec2)
            .filter(|(_, sky)| *sky > 0.0)
            .map(|(z, sky)| z - 2.5 * sky.log10());
        if total > 0.0 {
            f.relative_weight = of_frame(f).map(|w| w * in_stack.len() as f64 / total);
            f.stack_share = f.substack.and(of_frame(f)).map(|w| w / total);
        }
    }
    let used: Vec<&FrameRecord> = frames.iter().filter(|f| f.used).collect();
    let days = |f: &FrameRecord| f.mid_utc.as_deref().and_then(utc_days);
    let first = used.iter().filter_map(|f| days(f)).reduce(f64::min)?;
    let hours = |f: &FrameRecord| days(f).map(|d| (d - first) * 24.0);
    let over_time = |value: &dyn Fn(&FrameRecord) -> Option<f64>| {
        trend(used.iter().filter_map(|f| Some((hours(f)?, value(f)?))).collect())
    };
    let zenith_width = |f: &FrameRecord| Some(f.fwhm_arcsec? / f.airmass?.powf(SEEING_POWER));
    let elongated: Vec<(f64, f64)> = used.iter().filter_map(|f| Some((f.elongation?, f.elongation_pa_deg?))).collect();
    let (elongation_pa_deg, elongation_alignment) = direction(&elongated).unzip();
    let range = |value: &dyn Fn(&FrameRecord) -> Option<f64>| -> Option<[f64; 2]> {
        let values: Vec<f64> = used.iter().filter_map(|f| value(f)).collect();
        Some([values.iter().copied().reduce(f64::min)?, values.iter().copied().reduce(f64::max)?])
    };
    Some(ConditionsRecord {
        best_zero_point_mag: best,
        transparency_loss_mag: range(&|f| f.transparency_loss_mag),
        sky_mag_arcsec2: range(&|f| f.sky_mag_arcsec2),
        sky_trend_mag_per_hour: over_time(&|f| f.sky_mag_arcsec2),
        sun_altitude_deg: range(&|f| f.sun_altitude_deg),
        moon_altitude_deg: range(&|f| f.moon_altitude_deg),
        zenith_fwhm_trend_arcsec_per_hour: over_time(&zenith_width),
        elongation_pa_deg,
        elongation_alignment,
        effective_frames: (!in_stack.is_empty()).then(|| weight::effective_number(&in_stack)),
    })
}

/// Straight line over time; `None` with fewer than three points or no spread in time.
fn trend(points: Vec<(f64, f64)>) -> Option<TrendRecord> {
    let n = points.len() as f64;
    if points.len() < 3 {
        return None;
    }
    let (x, y) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0 / n, y + p.1 / n));
    let xx: f64 = points.iter().map(|p| (p.0 - x).powi(2)).sum();
    if xx <= 0.0 {
        return None;
    }
    let slope = points.iter().map(|p| (p.0 - x) * (p.1 - y)).sum::<f64>() / xx;
    let left: f64 = points.iter().map(|p| (p.1 - y - slope * (p.0 - x)).powi(2)).sum();
    Some(TrendRecord { per_hour: slope, err_per_hour: (left / (n - 2.0) / xx).sqrt() })
}

/// Mean direction of axes weighed by how elongated they are, in `[0, 180)`, and how well they agree: 1 where all have one
/// direction, about 0 where they have none (Mardia & Jupp 2000, Directional Statistics, doubled angles).
fn direction(elongated: &[(f64, f64)]) -> Option<(f64, f64)> {
    let (mut sin, mut cos, mut sum) = (0.0, 0.0, 0.0);
    for (elongation, pa_deg) in elongated {
        let (s, c) = (2.0 * pa_deg).to_radians().sin_cos();
        let weight = elongation - 1.0;
        (sin, cos, sum) = (sin + weight * s, cos + weight * c, sum + weight);
    }
    (sum > 0.0).then(|| ((0.5 * f64::atan2(sin, cos).to_degrees()).rem_euclid(180.0), sin.hypot(cos) / sum))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(i: usize) -> FrameRecord {
        let h = i as f64 / 10.0;
        let airmass = 1.2 + 0.3 * h;
        FrameRecord {
            file: format!("light-{i:03}.fits"),
            mid_utc: Some(format!("2031-03-04T2{}:{:02}:00.000Z", i / 10, 6 * (i % 10))),
            used: true,
            substack: Some(1 + i % 2),
            fwhm_arcsec: Some((2.5 + 0.3 * h) * airmass.powf(0.6)),
            elongation: Some(1.2),
            elongation_pa_deg: Some(if i.is_multiple_of(2) { 178.0 } else { 2.0 }),
            airmass: Some(airmass),
            // the sky brightens by 0.5 mag an hour, and the zero point falls by 0.1
            zero_point_mag: Some(22.0 - 0.1 * h),
            sky_e_per_s_arcsec2: Some(10f64.powf(0.4 * (22.0 - 0.1 * h - (20.0 - 0.5 * h)))),
            ..FrameRecord::default()
        }
    }

    #[test]
    fn trends_shares_and_directions_are_those_put_in() {
        let mut frames: Vec<FrameRecord> = (0..20).map(frame).collect();
        let weights: Vec<(String, f64)> =
            frames.iter().enumerate().map(|(i, f)| (f.file.clone(), if i < 10 { 3.0 } else { 1.0 })).collect();
        let night = sum_up(&mut frames, &weights).unwrap();
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-3, "{a} {b}");
        near(night.sky_trend_mag_per_hour.unwrap().per_hour, -0.5);
        near(night.zenith_fwhm_trend_arcsec_per_hour.unwrap().per_hour, 0.3);
        assert!(night.zenith_fwhm_trend_arcsec_per_hour.unwrap().err_per_hour < 1e-6);
        near(night.elongation_alignment.unwrap(), 4f64.to_radians().cos());
        assert!(night.elongation_pa_deg.is_some_and(|pa| !(0.01..=179.99).contains(&pa)));
        near(night.effective_frames.unwrap(), 1600.0 / 100.0);
        near(frames[19].transparency_loss_mag.unwrap(), 0.19);
        near(frames[19].sky_mag_arcsec2.unwrap(), 19.05);
        near(frames.iter().filter_map(|f| f.stack_share).sum(), 1.0);
        near(frames[0].relative_weight.unwrap(), 1.5);
    }

    #[test]
    fn directions_that_differ_do_not_agree_and_nothing_gives_nothing() {
        let wind: Vec<(f64, f64)> = (0..18).map(|i| (1.2, 10.0 * f64::from(i))).collect();
        assert!(direction(&wind).unwrap().1 < 1e-9);
        assert_eq!(direction(&[]), None);
        assert_eq!(sum_up(&mut [], &[]), None);
        assert_eq!(trend(vec![(0.0, 1.0), (0.0, 2.0), (0.0, 3.0)]), None);
    }
}
