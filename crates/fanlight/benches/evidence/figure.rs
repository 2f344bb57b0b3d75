//! Calibration of the false-alarm probability as a figure.

use super::score::binomial_range;
use std::fmt::Write;

/// Smallest probability drawn.
const SMALLEST: f64 = 1e-4;
const SIDE: f64 = 360.0;
const LEFT: f64 = 70.0;
const TOP: f64 = 20.0;

/// Share of nights whose smallest false-alarm probability is at most p, against p, both logarithmic; the diagonal is what an
/// honest probability gives, the band what chance allows it 95 times in 100 for the number of nights in the first curve.
/// `curves` are name, colour, one probability per night.
pub fn calibration(curves: &[(&str, &str, Vec<f64>)]) -> String {
    let at = |p: f64| ((p.max(SMALLEST) / SMALLEST).ln() / (1.0 / SMALLEST).ln()).clamp(0.0, 1.0);
    let (x, y) = (|p: f64| LEFT + SIDE * at(p), |p: f64| TOP + SIDE * (1.0 - at(p)));
    let mut svg = String::new();
    let mut put = |text: String| svg.push_str(&text);
    put(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {0} {1}\" font-family=\"Noto Sans, sans-serif\" font-size=\"12\">\n\
         <title>Share of nights without a feature against the false-alarm probability stated</title>\n\
         <rect width=\"{0}\" height=\"{1}\" fill=\"#ffffff\"/>\n",
        LEFT + SIDE + 20.0,
        TOP + SIDE + 50.0
    ));
    if let Some((_, _, first)) = curves.first().filter(|c| !c.2.is_empty()) {
        let n = first.len();
        let steps: Vec<f64> = (0..=80).map(|i| SMALLEST.powf(1.0 - f64::from(i) / 80.0)).collect();
        let share = |p: f64, upper: bool| {
            let (low, high) = binomial_range(n, p);
            (if upper { high } else { low }) as f64 / n as f64
        };
        let upper = steps.iter().map(|p| (x(*p), y(share(*p, true))));
        let lower = steps.iter().rev().map(|p| (x(*p), y(share(*p, false))));
        put(format!("<polygon fill=\"#e4e7ec\" points=\"{}\"/>\n", points(upper.chain(lower))));
    }
    let mut p = SMALLEST;
    while p < 1.5 {
        let label = if p < 0.05 {
            format!("10<tspan dy=\"-5\" font-size=\"9\">{}</tspan>", p.log10().round())
        } else {
            format!("{}", (p * 10.0).round() / 10.0)
        };
        put(format!(
            "<path stroke=\"#c8ccd4\" stroke-width=\"0.7\" d=\"M{0:.1} {TOP}v{SIDE}M{LEFT} {1:.1}h{SIDE}\"/>\n\
             <text x=\"{0:.1}\" y=\"{2:.1}\" text-anchor=\"middle\">{label}</text>\n\
             <text x=\"{3:.1}\" y=\"{4:.1}\" text-anchor=\"end\">{label}</text>\n",
            x(p),
            y(p),
            TOP + SIDE + 18.0,
            LEFT - 8.0,
            y(p) + 4.0
        ));
        p *= 10.0;
    }
    put(format!(
        "<path stroke=\"#70757f\" stroke-dasharray=\"5 4\" d=\"M{LEFT} {}L{} {TOP}\"/>\n",
        TOP + SIDE,
        LEFT + SIDE
    ));
    for (k, (name, colour, values)) in curves.iter().enumerate() {
        let mut sorted = values.clone();
        sorted.sort_by(f64::total_cmp);
        let n = sorted.len() as f64;
        let stairs =
            sorted.iter().enumerate().flat_map(|(i, p)| [(x(*p), y(i as f64 / n)), (x(*p), y((i + 1) as f64 / n))]);
        put(format!(
            "<polyline fill=\"none\" stroke=\"{colour}\" stroke-width=\"1.8\" points=\"{}\"/>\n",
            points(stairs)
        ));
        put(format!(
            "<text x=\"{}\" y=\"{}\" fill=\"{colour}\">{name}, {} nights</text>\n",
            LEFT + 12.0,
            TOP + 20.0 + 16.0 * k as f64,
            values.len()
        ));
    }
    put(format!(
        "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">false-alarm probability p</text>\n\
         <text transform=\"translate(18 {}) rotate(-90)\" text-anchor=\"middle\">share of nights at p or below</text>\n</svg>\n",
        LEFT + 0.5 * SIDE,
        TOP + SIDE + 40.0,
        TOP + 0.5 * SIDE
    ));
    svg
}

fn points(of: impl Iterator<Item = (f64, f64)>) -> String {
    let mut text = String::new();
    for (x, y) in of {
        let _ = write!(text, "{x:.1},{y:.1} ");
    }
    text.trim_end().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn honest_probabilities_run_along_the_diagonal_and_can_be_drawn() {
        let even: Vec<f64> = (0..400).map(|i| (f64::from(i) + 0.5) / 400.0).collect();
        let few = even.iter().step_by(4).map(|p| p * p).collect();
        let svg =
            calibration(&[("all featureless nights", "#1f5fa8", even), ("those without artefacts", "#b4531a", few)]);
        fanlight_present::svg_to_png(&svg, 96.0).expect("a drawing");
        // half of the nights at or below one half: the curve's corner lies on the diagonal there
        let at = LEFT + SIDE * ((0.4987_f64 / SMALLEST).ln() / (1.0 / SMALLEST).ln());
        let curve = svg.lines().find(|l| l.contains("#1f5fa8") && l.contains("polyline")).expect("a curve");
        let corner = curve.split([' ', '"']).filter_map(|p| p.split_once(',')).find_map(|(x, y)| {
            let (x, y): (f64, f64) = (x.parse().ok()?, y.parse().ok()?);
            (x - at).abs().lt(&0.06).then_some(y)
        });
        let diagonal = TOP + SIDE - (at - LEFT);
        assert!(corner.is_some_and(|y| (y - diagonal).abs() < 0.5), "{corner:?} {diagonal}");
    }

    #[test]
    fn no_night_is_no_curve() {
        assert!(!calibration(&[("none", "#000000", Vec::new())]).contains("NaN"));
    }
}
