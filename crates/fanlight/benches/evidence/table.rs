//! The tables, in Markdown.

use super::common_practice;
use super::measure::{Found, Night};
use super::score::{self, Matched, binomial_range, is_supported, wilson};
use super::truth::{TrueFeature, is_narrow};
use fanlight_record::FeatureRecord;

/// Probabilities at which the false-alarm probability is checked.
const CHECKED: [f64; 6] = [0.5, 0.2, 0.1, 0.05, 0.01, 0.001];
/// Bounds of the ideal's signal over noise.
const BINS: [f64; 8] = [0.0, 3.0, 5.0, 7.0, 10.0, 15.0, 30.0, f64::INFINITY];
/// Signal over noise of the ideal from which jets are to be found and measured well.
const WELL_SEEN: f64 = 10.0;

/// A measured night with its features matched.
struct Scored<'a> {
    night: &'a Night,
    found: &'a Found,
    matched: Matched,
}

impl Scored<'_> {
    fn features(&self) -> &[FeatureRecord] {
        &self.found.morphology.features
    }

    fn is_featureless(&self) -> bool {
        !self.night.truths.iter().any(TrueFeature::is_narrow)
    }

    fn analysed(&self) -> bool {
        self.found.morphology.analysed
    }

    fn narrow_of(&self, verdict: &str) -> usize {
        self.features().iter().filter(|f| is_narrow(&f.kind) && f.verdict == verdict).count()
    }

    /// Smallest false-alarm probability of anything narrow found, where the record tells.
    fn smallest_fap(&self) -> Option<f64> {
        let stated = self.found.morphology.search.as_ref().and_then(|s| s.smallest_false_alarm_probability);
        let listed = self.features().iter().filter(|f| is_narrow(&f.kind)).map(|f| f.false_alarm_probability);
        stated.into_iter().chain(listed).min_by(f64::total_cmp)
    }

    fn judged_calls(&self) -> Option<(Vec<bool>, Vec<bool>)> {
        Some(common_practice::judged(self.found.calls.as_ref()?, &self.night.truths))
    }
}

/// Smallest false-alarm probability of each analysed featureless night, 1 where none is told; without artefacts, and all.
pub fn smallest_faps(nights: &[Night]) -> [Vec<f64>; 2] {
    let scored = scored(nights);
    let of = |all: bool| {
        let nights = scored.iter().filter(|s| s.analysed() && s.is_featureless() && (all || !s.night.has_artefact));
        nights.map(|s| s.smallest_fap().unwrap_or(1.0)).collect()
    };
    [of(false), of(true)]
}

fn scored(nights: &[Night]) -> Vec<Scored<'_>> {
    let measured = nights.iter().filter_map(|night| Some((night, night.found.as_ref().ok()?)));
    measured
        .map(|(night, found)| {
            let matched = score::matched(&found.morphology.features, &night.truths);
            Scored { night, found, matched }
        })
        .collect()
}

/// Prints everything.
pub fn print(nights: &[Night], verbose: bool) {
    for night in nights {
        if let Err(reason) = &night.found {
            println!("{} could not be measured: {reason}\n", night.name);
        }
    }
    let scored = scored(nights);
    if verbose {
        scored.iter().for_each(print_night);
        println!();
    }
    let n_analysed = scored.iter().filter(|s| s.analysed()).count();
    println!("{} nights measured, structure analysed in {n_analysed}.\n", scored.len());
    print_false(&scored);
    if n_analysed > 0 {
        print_calibration(&scored);
    }
    print_completeness(&scored);
    if n_analysed > 0 {
        print_errors(&scored);
    }
    print_time(&scored);
}

fn print_night(s: &Scored) {
    let fap = s.smallest_fap().map_or("none".into(), |p| format!("{p:.2e}"));
    let calls = s.found.calls.as_ref().map_or(0, Vec::len);
    println!("{}: smallest FAP {fap}; common practice calls {calls}", s.night.name);
    for (i, t) in s.night.truths.iter().enumerate() {
        let ideal = t.ideal.map_or_else(
            || format!("ideal S/N {:.1}", t.stated_sn.unwrap_or(f64::NAN)),
            |i| {
                format!(
                    "ideal S/N {:.1} → {:.1}, PA ±{:.2}° at {:.1}″",
                    i.sn, i.sn_projected, i.pa_sigma_deg, i.pivot_arcsec
                )
            },
        );
        let found = match s.matched.of_truth[i] {
            Some(k) => format!("#{k} ({})", s.features()[k].verdict),
            None => "not found".into(),
        };
        println!(
            "    true {} {:.1}° wide {:.0}° {:+.2}°/″ {:.1}–{:.1}″ contrast {:.4}; {ideal}: {found}",
            t.kind,
            t.pa_inner_deg.rem_euclid(360.0),
            t.width_deg,
            t.curvature_deg_per_arcsec,
            t.inner_arcsec,
            t.outer_arcsec,
            t.contrast_own_seen,
        );
    }
    for (i, f) in s.features().iter().enumerate() {
        let wrong = if s.matched.false_claims.contains(&i) { " FALSE" } else { "" };
        let twice = if s.matched.claimed_twice.contains(&i) { " twice" } else { "" };
        let failed: String =
            f.challenges.iter().filter(|c| c.outcome == "failed").map(|c| format!(" {}", c.name)).collect();
        let failed = if failed.is_empty() { failed } else { format!("; failed:{failed}") };
        let is_it = |t: &usize| s.matched.of_truth[*t] == Some(i);
        let truth = (0..s.night.truths.len()).find(is_it).and_then(|t| errors_of(&s.night.truths[t], f).contrast);
        let truth = truth.map_or_else(String::new, |(_, c, _)| format!("; its true contrast there {c:.4}"));
        println!(
            "    #{i} {} {:.1} ± {:.1}° wide {:.0}° {:+.2}°/″ {:.1}–{:.1}″ contrast {:.4} ± {:.4} z {:.1} FAP {:.1e} {}{wrong}{twice}{failed}{truth}",
            f.kind,
            f.pa_deg,
            f.pa_err_deg,
            f.width_deg,
            f.curvature_deg_per_arcsec.unwrap_or(0.0),
            f.inner_arcsec,
            f.outer_arcsec,
            f.contrast,
            f.contrast_err,
            f.significance.unwrap_or(f64::NAN),
            f.false_alarm_probability,
            f.verdict,
        );
    }
}

fn print_false(scored: &[Scored]) {
    println!("### False jets and arcs\n");
    println!(
        "| nights | n | false supported | nights with one | 95 % | claimed twice | provisional | artefact | tails and fans supported, of | common practice: false a night | nights with one |"
    );
    println!("|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|");
    let mut kinds: Vec<&str> = Vec::new();
    for s in scored {
        if !kinds.contains(&s.night.kind.as_str()) {
            kinds.push(&s.night.kind);
        }
    }
    type Chosen<'a> = Box<dyn Fn(&&Scored) -> bool + 'a>;
    let mut rows: Vec<(String, Chosen)> = vec![
        ("all featureless".into(), Box::new(|s| s.is_featureless())),
        ("featureless, no artefact".into(), Box::new(|s| s.is_featureless() && !s.night.has_artefact)),
        ("featureless, artefact".into(), Box::new(|s| s.is_featureless() && s.night.has_artefact)),
        ("with jets or arcs".into(), Box::new(|s| !s.is_featureless())),
    ];
    rows.extend(kinds.into_iter().map(|kind| {
        let chosen: Chosen = Box::new(move |s| s.night.kind == kind);
        (kind.to_string(), chosen)
    }));
    for (name, chosen) in rows {
        let of: Vec<&Scored> = scored.iter().filter(|s| chosen(s)).collect();
        if !of.is_empty() {
            print_false_row(&name, &of);
        }
    }
    println!();
}

fn print_false_row(name: &str, of: &[&Scored]) {
    let analysed: Vec<&&Scored> = of.iter().filter(|s| s.analysed()).collect();
    let n = analysed.len();
    let sum = |f: &dyn Fn(&Scored) -> usize| analysed.iter().map(|s| f(s)).sum::<usize>();
    let with_one = sum(&|s| usize::from(!s.matched.false_claims.is_empty()));
    let (low, high) = wilson(with_one, n);
    let broad = |s: &Scored| s.night.truths.iter().filter(|t| !t.is_narrow()).count();
    let broad_found = |s: &Scored| {
        let own = s.night.truths.iter().zip(&s.matched.of_truth).filter(|(t, _)| !t.is_narrow());
        own.filter(|(_, k)| k.is_some_and(|k| is_supported(&s.features()[k]))).count()
    };
    let own = if n == 0 {
        " | | | | | | ".to_string()
    } else {
        format!(
            "{} | {with_one} | {:.1}–{:.1} % | {} | {} | {} | {}, {}",
            sum(&|s| s.matched.false_claims.len()),
            100.0 * low,
            100.0 * high,
            sum(&|s| s.matched.claimed_twice.len()),
            sum(&|s| s.narrow_of("provisional")),
            sum(&|s| s.narrow_of("artefact")),
            sum(&broad_found),
            sum(&broad),
        )
    };
    let false_calls: Vec<usize> = of
        .iter()
        .filter_map(|s| s.judged_calls())
        .map(|(calls, _)| calls.iter().filter(|real| !**real).count())
        .collect();
    let common = match false_calls.len() {
        0 => " | ".to_string(),
        n => format!(
            "{:.2} | {:.0} %",
            false_calls.iter().sum::<usize>() as f64 / n as f64,
            100.0 * false_calls.iter().filter(|k| **k > 0).count() as f64 / n as f64
        ),
    };
    println!("| {name} | {} | {own} | {common} |", of.len());
}

fn print_calibration(scored: &[Scored]) {
    println!("### Calibration of the false-alarm probability\n");
    println!(
        "Featureless nights whose smallest false-alarm probability is at most p; in brackets what chance allows 95 times in 100.\n"
    );
    println!("| p | no artefact | artefact | all |");
    println!("|---:|---:|---:|---:|");
    let featureless = || scored.iter().filter(|s| s.analysed() && s.is_featureless());
    let groups: [Vec<&Scored>; 3] = [
        featureless().filter(|s| !s.night.has_artefact).collect(),
        featureless().filter(|s| s.night.has_artefact).collect(),
        featureless().collect(),
    ];
    for p in CHECKED {
        let cells = groups.each_ref().map(|of| {
            let k = of.iter().filter(|s| s.smallest_fap().is_some_and(|f| f <= p)).count();
            let (low, high) = binomial_range(of.len(), p);
            format!("{k} of {} ({low}–{high})", of.len())
        });
        println!("| {p} | {} |", cells.join(" | "));
    }
    let untold = featureless().filter(|s| s.smallest_fap().is_none()).count();
    println!(
        "\nOf {untold} of these nights the record tells no false-alarm probability; they count as above every p.\n"
    );
}

fn print_completeness(scored: &[Scored]) {
    println!("### Jets and arcs found, by the ideal's signal over noise after projection\n");
    println!(
        "| ideal S/N | jets and arcs | supported | 95 % | provisional | called an artefact | not significant or not listed | common practice |"
    );
    println!("|---|---:|---:|---:|---:|---:|---:|---:|");
    for bin in BINS.windows(2) {
        let inside = |t: &TrueFeature| t.ideal_sn().is_some_and(|sn| (bin[0]..bin[1]).contains(&sn));
        let name = if bin[1].is_finite() { format!("{}–{}", bin[0], bin[1]) } else { format!("over {}", bin[0]) };
        print_completeness_row(&name, scored, &inside);
    }
    print_completeness_row(&format!("all from {WELL_SEEN}"), scored, &|t| {
        t.ideal_sn().is_some_and(|sn| sn >= WELL_SEEN)
    });
    for kind in ["jet", "arc"] {
        let inside = |t: &TrueFeature| t.kind == kind && t.ideal_sn().is_some_and(|sn| sn >= WELL_SEEN);
        print_completeness_row(&format!("{kind}s from {WELL_SEEN}"), scored, &inside);
    }
    println!();
}

fn print_completeness_row(name: &str, scored: &[Scored], inside: &dyn Fn(&TrueFeature) -> bool) {
    let mut verdicts: Vec<Option<&str>> = Vec::new();
    let (mut called, mut n_called) = (0, 0);
    for s in scored {
        let calls = s.judged_calls();
        for (i, _) in s.night.truths.iter().enumerate().filter(|(_, t)| t.is_narrow() && inside(t)) {
            verdicts.push(s.matched.of_truth[i].map(|k| s.features()[k].verdict.as_str()));
            if let Some((_, found)) = &calls {
                n_called += 1;
                called += usize::from(found[i]);
            }
        }
    }
    let n = verdicts.len();
    if n == 0 {
        return;
    }
    let common = if n_called > 0 { format!("{:.0} %", 100.0 * called as f64 / n_called as f64) } else { String::new() };
    let of = |verdict: &str| verdicts.iter().filter(|v| **v == Some(verdict)).count();
    let [supported, provisional, artefact] = ["supported", "provisional", "artefact"].map(of);
    let own = if scored.iter().any(Scored::analysed) {
        let (low, high) = wilson(supported, n);
        let rest = n - supported - provisional - artefact;
        format!("{supported} | {:.0}–{:.0} % | {provisional} | {artefact} | {rest}", 100.0 * low, 100.0 * high)
    } else {
        " | | | | ".into()
    };
    println!("| {name} | {n} | {own} | {common} |");
}

/// A found structure's errors.
struct Errors {
    pa_over_ideal: Option<f64>,
    pa_pull: f64,
    contrast: Option<(f64, f64, f64)>,
}

fn errors_of(t: &TrueFeature, f: &FeatureRecord) -> Errors {
    let off = |rho: f64| score::turned_deg(t.pa_at_deg(rho), score::pa_at_deg(f, rho));
    // of an arc the direction is its middle's, at any radius
    let inner = if t.kind == "arc" { t.inner_arcsec } else { f.inner_arcsec };
    Errors {
        pa_over_ideal: t.ideal.map(|i| off(i.pivot_arcsec) / i.pa_sigma_deg),
        pa_pull: off(inner) / f.pa_err_deg,
        contrast: t.contrast_over(f.inner_arcsec, f.outer_arcsec).map(|c| (f.contrast, c, f.contrast_err)),
    }
}

fn print_errors(scored: &[Scored]) {
    println!("### Errors of supported jets and arcs\n");
    println!(
        "| | n | PA error over the ideal's: rms | by the median | PA pull: mean | rms | contrast: bias | contrast pull: mean | rms |"
    );
    println!("|---|---:|---:|---:|---:|---:|---:|---:|---:|");
    for (name, kind, from) in [
        ("jets", "jet", 0.0),
        ("jets, ideal S/N from 10", "jet", WELL_SEEN),
        ("arcs", "arc", 0.0),
        ("arcs, ideal S/N from 10", "arc", WELL_SEEN),
    ] {
        let mut all: Vec<Errors> = Vec::new();
        for s in scored {
            for (t, k) in s.night.truths.iter().zip(&s.matched.of_truth) {
                let found = k.map(|k| &s.features()[k]).filter(|f| is_supported(f));
                if let (true, Some(f)) = (t.kind == kind && t.ideal_sn().is_some_and(|sn| sn >= from), found) {
                    all.push(errors_of(t, f));
                }
            }
        }
        if !all.is_empty() {
            print_errors_row(name, &all);
        }
    }
    println!();
}

fn print_errors_row(name: &str, all: &[Errors]) {
    let over: Vec<f64> = all.iter().filter_map(|e| e.pa_over_ideal).collect();
    let pulls: Vec<f64> = all.iter().map(|e| e.pa_pull).collect();
    let contrasts: Vec<(f64, f64, f64)> = all.iter().filter_map(|e| e.contrast).collect();
    let contrast_pulls: Vec<f64> = contrasts.iter().map(|(c, t, e)| (c - t) / e).collect();
    // amplitude of the measured contrasts in units of the true ones, weighted by the stated errors
    let (mut up, mut down) = (0.0, 0.0);
    for (c, t, e) in &contrasts {
        up += c * t / (e * e);
        down += t * t / (e * e);
    }
    let typical = {
        let mut sizes: Vec<f64> = over.iter().map(|v| v.abs() / 0.674_490).collect();
        fanlight_image::robust::median_f64(&mut sizes)
    };
    let or_blank = |v: Option<f64>| v.filter(|v| v.is_finite()).map_or(String::new(), |v| format!("{v:.2}"));
    let bias = if down > 0.0 { format!("{:+.1} %", 100.0 * (up / down - 1.0)) } else { String::new() };
    println!(
        "| {name} | {} | {} | {} | {} | {} | {bias} | {} | {} |",
        all.len(),
        or_blank(rms(&over)),
        or_blank(typical),
        or_blank(mean(&pulls)),
        or_blank(rms(&pulls)),
        or_blank(mean(&contrast_pulls)),
        or_blank(rms(&contrast_pulls)),
    );
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

fn rms(values: &[f64]) -> Option<f64> {
    mean(&values.iter().map(|v| v * v).collect::<Vec<_>>()).map(f64::sqrt)
}

fn print_time(scored: &[Scored]) {
    let mut seconds: Vec<f64> = scored.iter().filter_map(|s| s.found.seconds).collect();
    seconds.sort_by(f64::total_cmp);
    if let (Some(most), Some(typical)) = (seconds.last(), seconds.get(seconds.len() / 2)) {
        println!("Reduction of a night on one core: median {typical:.1} s, longest {most:.1} s.");
    }
}
