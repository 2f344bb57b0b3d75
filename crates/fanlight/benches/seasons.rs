//! Whole seasons from raw frames, held against what was put in: `cargo bench -p fanlight --bench seasons -- --seasons 8 --nights 14`.
//!
//! Each is an invented comet over so many nights (3 to 60) of two sites, its frames simulated and measured by `fanlight night` into one
//! ledger, put together by `fanlight season`. `--first N` starts at another seed, `--verbose` prints every season; with
//! `--folder DIR` the seasons stay there, and what is there is not made again; with `--changes` nights are only compared, anew, and no season
//! is put together. Prints tables in Markdown; the record is `benches/records/season.md`.

#[allow(dead_code, reason = "other benches ask for more")]
mod arguments;
#[path = "../tests/it/draws.rs"]
#[allow(dead_code, reason = "other benches and the tests draw more")]
mod draws;
#[path = "../tests/it/known_change.rs"]
mod known_change;
#[path = "../tests/it/season_truth.rs"]
#[allow(missing_docs, reason = "a module of the tests: no page documents it")]
mod season_truth;
#[path = "../tests/it/seasons.rs"]
#[allow(missing_docs, reason = "a module of the tests: no page documents it")]
mod seasons;

use arguments::{has, number, text};
use fanlight_coma::change::{CLAIMED_TO, KnownChange};
use fanlight_record::{OutburstRecord, PeriodRecord, SeasonRecord, TrackRecord};
use fanlight_sky::PositionAngle;
use rayon::prelude::*;
use season_truth::Knowing;
use seasons::{Kind, Measured, Plan, Structure};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

/// A claim this near to where something changed is of it.
const AT_PLACE_DEG: f64 = 20.0;
/// A change that not even a filter that knows it sees: nothing changed.
const NOTHING: f64 = 1.0;
/// Tracks farther than this from every structure in the mean are of none.
const OWN_TRACK_DEG: f64 = 25.0;
/// The aperture that light is compared in, the second of the scenarios.
const APERTURE_KM: f64 = 10_000.0;
const APERTURE: usize = 1;

/// A pair of nights.
struct Pair {
    known: KnownChange,
    is_compared: bool,
    smallest: Option<f64>,
    claims: usize,
    at_place: usize,
    limit: Option<f64>,
}

/// Measured minus true, and the stated error.
struct Off {
    off: f64,
    sigma: f64,
}

/// A track and the structure that it is of.
struct Followed {
    is_jet: Option<bool>,
    track: TrackRecord,
}

/// A season held against its truth.
struct Score {
    plan: Plan,
    lost: Vec<(usize, String)>,
    pairs: Vec<Pair>,
    slopes: Vec<Off>,
    afrho: Vec<Off>,
    outbursts: Vec<OutburstRecord>,
    tracks: Vec<Followed>,
    light_period: Option<PeriodRecord>,
    seconds: f64,
}

fn main() {
    let (first, seasons, nights) = (number("--first", 1), number("--seasons", 6), number("--nights", 14).clamp(3, 60));
    let (verbose, only_changes) = (has("--verbose"), has("--changes"));
    let kept = text("--folder").map(PathBuf::from);
    let start = Instant::now();
    let scores: Vec<(u64, Result<Score, String>)> = (first..first + seasons)
        .collect::<Vec<u64>>()
        .into_par_iter()
        .with_max_len(1)
        .map(|seed| {
            let score = match &kept {
                Some(kept) => season(seed, nights as usize, &kept.join(format!("season-{seed}")), only_changes),
                None => {
                    let folder = tempfile::tempdir().expect("a temporary folder");
                    season(seed, nights as usize, folder.path(), only_changes)
                }
            };
            match &score {
                Ok(score) if verbose => tell(seed, score),
                Err(reason) => println!("season {seed}: {reason}\n"),
                _ => (),
            }
            (seed, score)
        })
        .collect();
    let scores: Vec<Score> = scores.into_iter().filter_map(|(_, s)| s.ok()).collect();
    changes(&scores);
    if !only_changes {
        rest(&scores);
    }
    println!(
        "\n{seasons} seasons of {nights} nights from seed {first} in {:.0} s, {:.0} s each",
        start.elapsed().as_secs_f64(),
        scores.iter().map(|s| s.seconds).sum::<f64>() / scores.len() as f64
    );
}

fn season(seed: u64, nights: usize, folder: &Path, only_changes: bool) -> Result<Score, String> {
    let start = Instant::now();
    let plan = seasons::plan(seed, nights);
    std::fs::create_dir_all(folder).map_err(|e| e.to_string())?;
    // a season a core
    let one_core = |command: &mut Command| {
        command.env("RAYON_NUM_THREADS", "1");
    };
    let Measured { truths, lost } = seasons::measure(&plan, folder, &one_core)?;
    let pairs = compared(&plan, folder, &truths)?;
    let mut score = Score {
        pairs,
        slopes: Vec::new(),
        afrho: Vec::new(),
        outbursts: Vec::new(),
        tracks: Vec::new(),
        light_period: None,
        lost,
        plan,
        seconds: 0.0,
    };
    if !only_changes {
        score.take(seasons::put_together(folder, &one_core)?, &truths);
    }
    score.seconds = start.elapsed().as_secs_f64();
    Ok(score)
}

/// Each night against the one before it.
fn compared(plan: &Plan, folder: &Path, truths: &[Value]) -> Result<Vec<Pair>, String> {
    let nights = season_truth::measured(folder, plan)?;
    let pairs = nights.windows(2).filter_map(|pair| {
        let Knowing { change, known, places_deg } = plan.compare(&pair[0], &pair[1], truths)?;
        let near = |pa: f64| places_deg.iter().any(|p| apart_deg(*p, pa) < AT_PLACE_DEG);
        Some(Pair {
            known,
            is_compared: change.not_compared_because.is_none(),
            smallest: change.smallest_probability,
            claims: change.features.len(),
            at_place: change.features.iter().filter(|f| near(f.pa_deg)).count(),
            limit: change.limit_contrast,
        })
    });
    Ok(pairs.collect())
}

impl Score {
    /// What the season's record says of the rest.
    fn take(&mut self, record: SeasonRecord, truths: &[Value]) {
        let plan = &self.plan;
        let slopes = record.activity.fits.iter().map(|f| {
            let truth = plan.slopes[usize::from(f.side == "post")];
            Off { off: f.slope - truth, sigma: f.slope_err }
        });
        self.slopes = slopes.collect();
        let points = record.activity.points.iter().filter(|p| p.aperture_km == APERTURE_KM);
        let afrho = points.filter_map(|p| {
            let night = plan.night_at(&p.utc)?;
            let seen = truths[night]["photometry"][APERTURE]["afrho_seen_cm"].as_f64()?;
            let scale = plan.nights[night].phase_value / seen;
            Some(Off { off: p.a0frho_cm? * scale - 1.0, sigma: p.a0frho_err_cm? * scale })
        });
        self.afrho = afrho.collect();
        let tracks = record.tracks.into_iter().map(|track| Followed { is_jet: is_jet(plan, &track), track });
        self.tracks = tracks.collect();
        self.light_period = record.period_searches.into_iter().find_map(|s| s.period);
        self.outbursts = record.activity.outbursts;
    }
}

fn apart_deg(a: f64, b: f64) -> f64 {
    PositionAngle::from_deg(a).minus(PositionAngle::from_deg(b)).abs()
}

/// Whether a track is of the jet, or of the tail; `None` of neither.
fn is_jet(plan: &Plan, track: &TrackRecord) -> Option<bool> {
    let mean_off = |of_jet: bool| {
        let offs: Vec<f64> = track
            .points
            .iter()
            .filter_map(|p| {
                let night = &plan.nights[plan.night_at(&p.utc)?];
                let own = night.structures.iter().find(|s| Structure::is_jet(s) == of_jet)?;
                Some(apart_deg(own.pa_deg, p.pa_deg))
            })
            .collect();
        (2 * offs.len() > track.points.len()).then(|| offs.iter().sum::<f64>() / offs.len() as f64)
    };
    let both = [true, false].into_iter().filter_map(|of_jet| Some((of_jet, mean_off(of_jet)?)));
    both.filter(|b| b.1 < OWN_TRACK_DEG).min_by(|a, b| a.1.total_cmp(&b.1)).map(|b| b.0)
}

fn tell(seed: u64, s: &Score) {
    let sites = [0, 1].map(|site| s.plan.nights.iter().filter(|n| n.site == site).count());
    println!(
        "season {seed}: {:?}, nights {sites:?}, days {:.0}, slopes {:.2?}, scatter {:.3}, {:.0} s",
        s.plan.kind,
        s.plan.nights.last().map_or(0.0, |n| n.days),
        s.plan.slopes,
        s.plan.scatter_dex,
        s.seconds
    );
    for (i, n) in s.plan.nights.iter().enumerate() {
        let pull = s.afrho.get(i).map_or(f64::NAN, |o| o.off / o.sigma);
        let structures: String = n.structures.iter().map(|x| format!(" {x}")).collect();
        println!("  night {i:>2} site {} day {:>6.2} pull {pull:+.1}{structures}", n.site, n.days);
    }
    for (i, p) in s.pairs.iter().enumerate() {
        println!(
            "  pair {i:>2} ideal {:>6.1} projected {:>6.1} seen {:>6.1} compared {} claims {} at place {} p {:.0e} limit {:?}",
            p.known.ideal,
            p.known.projected,
            p.known.seen,
            p.is_compared,
            p.claims,
            p.at_place,
            p.smallest.unwrap_or(1.0),
            p.limit
        );
    }
    s.slopes.iter().for_each(|o| println!("  slope {:+.2} of error {:.2}", o.off, o.sigma));
    for o in &s.outbursts {
        println!("  outburst {} {:+.2} ± {:.2} p {:.0e}", o.utc, o.step_mag, o.step_err_mag, o.false_alarm_probability);
    }
    for t in &s.tracks {
        let period = t.track.period.as_ref().map(|p| (p.period_h, p.err_h, p.false_alarm_probability));
        println!(
            "  track of jet {:?}: {} points, {:?}, {:?}, period {period:?}",
            t.is_jet,
            t.track.points.len(),
            t.track.preferred,
            t.track.log_likelihood
        );
    }
    if let Some(p) = &s.light_period {
        println!("  period of the light {:.1} h p {:.0e}", p.period_h, p.false_alarm_probability);
    }
    s.lost.iter().for_each(|(i, reason)| println!("  night {i} lost: {}", reason.trim()));
    println!();
}

fn changes(scores: &[Score]) {
    let compared = || scores.iter().flat_map(|s| &s.pairs).filter(|p| p.is_compared);
    let still: Vec<&Pair> = compared().filter(|p| p.known.ideal < NOTHING).collect();
    let all = scores.iter().map(|s| s.pairs.len()).sum::<usize>();
    println!("| pairs of nights | n |\n|---|---:|");
    println!("| all; compared | {all}; {} |", compared().count());
    println!("| nothing changed (under {NOTHING}σ for a filter that knows it) | {} |", still.len());
    println!("| … and a change was claimed | {} |", still.iter().filter(|p| p.claims > 0).count());
    for p in [CLAIMED_TO, 0.01, 0.1, 0.3] {
        let n = still.iter().filter(|s| s.smallest.is_some_and(|s| s <= p)).count();
        println!("| … and the smallest probability is ≤ {p} | {n} (expected ≤ {:.1}) |", p * still.len() as f64);
    }
    for is_projected in [false, true] {
        let significance = |k: &KnownChange| if is_projected { k.projected } else { k.ideal };
        let filter = if is_projected { ", nuisances projected out" } else { "" };
        println!(
            "\n| what changed, for a filter that knows it{filter} | pairs | found at its place | claimed elsewhere |\n|---|---:|---:|---:|"
        );
        for (from, to) in
            [(0.0, 1.0), (1.0, 3.0), (3.0, 5.0), (5.0, 8.0), (8.0, 12.0), (12.0, 20.0), (20.0, f64::INFINITY)]
        {
            let is_here = |p: &&Pair| p.known.ideal >= NOTHING && (from..to).contains(&significance(&p.known));
            let own: Vec<&Pair> = compared().filter(is_here).collect();
            let found = own.iter().filter(|p| p.at_place > 0).count();
            let elsewhere = own.iter().filter(|p| p.claims > p.at_place).count();
            if !own.is_empty() {
                println!("| {from} to {to} σ | {} | {found} | {elsewhere} |", own.len());
            }
        }
    }
    let offs: Vec<Off> = compared()
        .filter(|p| p.known.ideal >= NOTHING)
        .map(|p| Off { off: p.known.seen - p.known.projected, sigma: 1.0 })
        .collect();
    println!(
        "\n| what such a filter finds − what it should | n | within the error | pull: mean | pull: rms |\n|---|---:|---:|---:|---:|"
    );
    println!("| of changes | {} |", pulls(&offs.iter().collect::<Vec<_>>()));
}

/// Number, share within one error, mean and root mean square of off / error.
fn pulls(offs: &[&Off]) -> String {
    let n = offs.len() as f64;
    let pull = || offs.iter().map(|o| o.off / o.sigma);
    format!(
        "{} | {:.0} % | {:+.2} | {:.2}",
        offs.len(),
        100.0 * pull().filter(|p| p.abs() <= 1.0).count() as f64 / n,
        pull().sum::<f64>() / n,
        (pull().map(|p| p * p).sum::<f64>() / n).sqrt()
    )
}

fn rest(scores: &[Score]) {
    let nights: usize = scores.iter().map(|s| s.plan.nights.len()).sum();
    let lost: usize = scores.iter().map(|s| s.lost.len()).sum();
    println!("\n| measured − true | n | within the error | pull: mean | pull: rms |\n|---|---:|---:|---:|---:|");
    println!(
        "| A(0°)fρ in {APERTURE_KM} km, a night | {} |",
        pulls(&scores.iter().flat_map(|s| &s.afrho).collect::<Vec<_>>())
    );
    println!(
        "| slope, one side of perihelion | {} |",
        pulls(&scores.iter().flat_map(|s| &s.slopes).collect::<Vec<_>>())
    );

    println!("\n| seasons | n |\n|---|---:|");
    println!("| seasons; nights; nights that could not be measured | {}; {nights}; {lost} |", scores.len());
    let burst = |s: &Score| match s.plan.kind {
        Kind::Outburst(k) => Some(k),
        _ => None,
    };
    let at = |s: &Score, o: &OutburstRecord| burst(s).is_some() && s.plan.night_at(&o.utc) == burst(s);
    let with_burst: Vec<&Score> = scores.iter().filter(|s| burst(s).is_some()).collect();
    let found = with_burst.iter().filter(|s| s.outbursts.iter().any(|o| at(s, o))).count();
    println!("| outbursts; found on their night | {}; {found} |", with_burst.len());
    let false_ones: usize = scores.iter().map(|s| s.outbursts.iter().filter(|o| !at(s, o)).count()).sum();
    println!("| outbursts claimed where there was none | {false_ones} |");

    let followed = |of_jet: Option<bool>| {
        scores.iter().flat_map(move |s| s.tracks.iter().filter(move |t| t.is_jet == of_jet).map(move |t| (s, t)))
    };
    let turns = |s: &Score| matches!(s.plan.kind, Kind::Rotating { .. });
    let judged = |t: &&Followed| t.track.log_likelihood.is_some();
    let prefers = |t: &Followed, model: &str| t.track.preferred.as_deref() == Some(model);
    let fixed: Vec<&Followed> = followed(Some(true)).filter(|(s, _)| !turns(s)).map(|(_, t)| t).collect();
    println!("| tracks of a fixed jet; judged | {}; {} |", fixed.len(), fixed.iter().copied().filter(judged).count());
    println!(
        "| … rotation preferred; a period claimed | {}; {} |",
        fixed.iter().filter(|t| prefers(t, "rotating")).count(),
        fixed.iter().filter(|t| t.track.period.is_some()).count()
    );
    let fixed_kinds = |in_space: bool, model: &str| {
        followed(Some(true))
            .filter(|(s, t)| !turns(s) && (s.plan.kind == Kind::FixedInSpace) == in_space && prefers(t, model))
            .count()
    };
    println!(
        "| … fixed to the Sun: preferred; fixed in space preferred | {}; {} |",
        fixed_kinds(false, "fixed_to_sun"),
        fixed_kinds(false, "fixed_in_space")
    );
    println!(
        "| … fixed in space: preferred; fixed to the Sun preferred | {}; {} |",
        fixed_kinds(true, "fixed_in_space"),
        fixed_kinds(true, "fixed_to_sun")
    );
    let turning: Vec<(&Score, &Followed)> = followed(Some(true)).filter(|(s, _)| turns(s)).collect();
    println!(
        "| tracks of a swinging jet; judged; rotation preferred; another preferred | {}; {}; {}; {} |",
        turning.len(),
        turning.iter().filter(|(_, t)| judged(t)).count(),
        turning.iter().filter(|(_, t)| prefers(t, "rotating")).count(),
        turning.iter().filter(|(_, t)| t.track.preferred.is_some() && !prefers(t, "rotating")).count()
    );
    let periods: Vec<(f64, &PeriodRecord)> = turning
        .iter()
        .filter_map(|(s, t)| match s.plan.kind {
            Kind::Rotating { period_h, .. } => Some((period_h, t.track.period.as_ref()?)),
            _ => None,
        })
        .collect();
    let right = |p: &&(f64, &PeriodRecord)| (p.1.period_h / p.0 - 1.0).abs() < 0.05;
    let alias = |p: &&(f64, &PeriodRecord)| p.1.aliases_h.iter().any(|a| (a / p.0 - 1.0).abs() < 0.05);
    println!(
        "| … periods; right to 5 %; not, but the true one among the aliases | {}; {}; {} |",
        periods.len(),
        periods.iter().filter(right).count(),
        periods.iter().filter(|p| !right(p) && alias(p)).count()
    );
    let right: Vec<Off> =
        periods.iter().filter(right).map(|p| Off { off: p.1.period_h - p.0, sigma: p.1.err_h }).collect();
    if !right.is_empty() {
        println!(
            "| … their pulls: n, within the error, mean, rms | {} |",
            pulls(&right.iter().collect::<Vec<_>>()).replace(" | ", "; ")
        );
    }
    println!(
        "| tracks of a tail; rotation preferred or a period claimed | {}; {} |",
        followed(Some(false)).count(),
        followed(Some(false)).filter(|(_, t)| prefers(t, "rotating") || t.track.period.is_some()).count()
    );
    println!("| tracks of nothing | {} |", followed(None).count());
    let light = scores.iter().filter(|s| s.light_period.is_some()).count();
    println!("| periods claimed of light that has none | {light} |");
}
