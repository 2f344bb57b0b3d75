//! `fanlight init`: a campaign file from frame headers and a one-line orbit.

use crate::night::checks::SITE_KEYS;
use crate::night::frame_pixels::pattern_name;
use crate::{Failure, messages};
use fanlight_io::FrameFile;
use fanlight_record::reporting::PLACEHOLDER_NAMES;
use fanlight_sky::OneLineOrbit;
use std::collections::BTreeSet;
use std::fmt::Write;
use std::path::Path;

/// Runs the command.
///
/// # Errors
/// When the orbit is not in the file, no frame is found, or the campaign file exists already.
pub fn command(frames_dir: &Path, orbits: &Path, object: &str, out: &Path) -> Result<(), Failure> {
    if out.exists() {
        return Err(Failure::call(format!("{} exists already", out.display())).hint("choose another --out"));
    }
    let text = std::fs::read(orbits).map_err(|e| Failure::call(format!("{}: {e}", orbits.display())))?;
    let orbit = find_orbit(&String::from_utf8_lossy(&text), orbits, object)?;
    let found = fanlight_io::find_frames(frames_dir).map_err(Failure::data)?;
    let light = found.lights.first().ok_or_else(|| {
        Failure::data(format!("{}: no light frame found", frames_dir.display()))
            .hint("light frames are FITS files with IMAGETYP 'Light Frame'")
    })?;
    let file = campaign_text(&orbit, light, &found.lights);
    let name = out.file_name().map_or_else(|| "campaign.toml".into(), |n| n.to_string_lossy().into_owned());
    let parent = out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let folder = fanlight_io::OutputFolder::create_or_open(parent).map_err(Failure::data)?;
    folder.write(&name, file.as_bytes()).map_err(Failure::data)?;
    let open = file.lines().filter(|l| l.contains(FILL_IN)).count();
    messages::tell(&format!(
        "{}: {} for you to fill in",
        out.display(),
        if open == 1 { "1 line".into() } else { format!("{open} lines") }
    ))
}

/// What marks a line that the user must complete.
pub const FILL_IN: &str = "FILL IN";

fn find_orbit(text: &str, path: &Path, object: &str) -> Result<OneLineOrbit, Failure> {
    let wanted = object.trim().to_lowercase();
    let mut matches = Vec::new();
    let mut names = Vec::new();
    let mut unread = Vec::new();
    for (i, line) in text.lines().enumerate().filter(|(_, l)| !l.trim().is_empty()) {
        let is_wanted = line.to_lowercase().contains(&wanted);
        match fanlight_sky::parse_one_line_orbit(line) {
            Ok(orbit) if is_wanted => matches.push(orbit),
            Ok(orbit) => names.push(orbit.name.trim().to_string()),
            Err(e) => {
                let message = format!("{}, line {}, is not in the one-line orbit format: {e}", path.display(), i + 1);
                if is_wanted {
                    return Err(Failure::call(message).hint(ONE_LINE_HINT));
                }
                unread.push(message);
            }
        }
    }
    if let Some(exact) = matches.iter().find(|o| o.name.trim().to_lowercase() == wanted) {
        return Ok(exact.clone());
    }
    match matches.as_slice() {
        [one] => Ok(one.clone()),
        [] => Err(no_orbit(path, object, &names, &unread)),
        many => {
            let names: Vec<&str> = many.iter().map(|o| o.name.trim()).collect();
            Err(Failure::call(format!("{}: \"{object}\" fits {} orbits", path.display(), many.len()))
                .hint(format!("give one of these in full: {}", names.join("; "))))
        }
    }
}

const ONE_LINE_HINT: &str = "--orbit takes a file in the one-line format in which the Minor Planet Center exports comet \
    orbits, columns exactly as exported";

/// Why there is no orbit: the lines that could not be read where none could, else the names that the file holds.
fn no_orbit(path: &Path, object: &str, names: &[String], unread: &[String]) -> Failure {
    const NAMED: usize = 10;
    let message = format!("{}: no orbit of \"{object}\"", path.display());
    match (names, unread) {
        ([], []) => Failure::call(format!("{message}; the file is empty")).hint(ONE_LINE_HINT),
        ([], [first, rest @ ..]) => {
            let more = if rest.is_empty() { String::new() } else { format!(" (and {} more lines)", rest.len()) };
            Failure::call(format!("{message}\n  {first}{more}")).hint(ONE_LINE_HINT)
        }
        (names, unread) => {
            let bad: String = unread.iter().take(3).map(|u| format!("\n  {u}")).collect();
            let more = if names.len() > NAMED { format!(" and {} more", names.len() - NAMED) } else { String::new() };
            let shown = &names[..names.len().min(NAMED)];
            Failure::call(format!("{message}{bad}")).hint(format!(
                "--object takes the comet's designation as the file spells it; it holds {}{more}",
                shown.join("; ")
            ))
        }
    }
}

fn campaign_text(orbit: &OneLineOrbit, light: &FrameFile, lights: &[FrameFile]) -> String {
    let mut t = String::new();
    let header = &light.header;
    let e = &orbit.elements;
    let first = |keys: &[&str]| keys.iter().find_map(|k| header.number(k));
    let quoted = |s: &str| format!("\"{}\"", s.replace('\\', "\\\\").replace('"', "\\\""));
    // writing to a string cannot fail
    let mut line = |s: String| {
        let _ = writeln!(t, "{s}");
    };
    line("[object]".into());
    line(format!("designation = {}", quoted(orbit.name.trim())));
    line(String::new());
    let epoch = if orbit.epoch_is_perihelion {
        "  # the orbit line names no epoch: the time of perihelion stands for it"
    } else {
        ""
    };
    line(format!(
        "[object.orbit]  # {}",
        orbit.reference.as_deref().unwrap_or("no reference on the orbit line").trim()
    ));
    line(format!("epoch_jd_tdb = {:?}{epoch}", e.epoch_jd_tdb));
    line(format!("perihelion_jd_tdb = {:?}", e.perihelion_jd_tdb));
    for (key, value) in [
        ("q_au", e.q_au),
        ("e", e.e),
        ("inclination_deg", e.inclination_deg),
        ("node_deg", e.node_deg),
        ("argument_of_perihelion_deg", e.argument_of_perihelion_deg),
    ] {
        line(format!("{key} = {value:?}"));
    }
    line(String::new());
    line("[site]".into());
    line(match header.text("OBSERVAT") {
        Some(name) => format!("name = {}", quoted(&name)),
        None => format!("name = {}  # {FILL_IN}: name of the site, for figures", quoted(PLACEHOLDER_NAMES[0])),
    });
    let angle = |keys: &[&str]| keys.iter().find_map(|k| header.angle_deg(k));
    let longitude = angle(&SITE_KEYS.map(|keys| keys.0));
    let latitude = angle(&SITE_KEYS.map(|keys| keys.1));
    let height = first(&["SITEELEV", "ALT-OBS", "OBSGEO-H"]);
    line(value_or_ask(
        "longitude_deg",
        longitude,
        "east positive, degrees",
        "from the header; check that east is positive",
    ));
    line(value_or_ask("latitude_deg", latitude, "degrees", "from the header"));
    line(value_or_ask("height_m", height, "metres", "from the header"));
    line(String::new());
    line("[camera]".into());
    line(value_or_ask("gain_e_per_adu", header.egain_e_per_adu(), "electrons per count", "from EGAIN"));
    line(value_or_ask("read_noise_e", header.read_noise_e(), "electrons", "from the header"));
    line(value_or_ask(
        "saturation_adu",
        header.saturation_adu(),
        "counts at which a pixel is no longer linear",
        "from SATURATE",
    ));
    if let Some(scale) = header.pixel_scales_arcsec().first() {
        line(format!("pixel_scale_arcsec = {scale:.4}  # from the header"));
    }
    let pattern = pattern_name(header);
    if let Some(pattern) = &pattern {
        line(format!(
            "channel = \"G\"  # a colour camera ({}): what is measured, R, G or B; band and catalogue below go with it",
            pattern.trim()
        ));
    }
    line(String::new());
    let names: BTreeSet<&str> = lights.iter().filter_map(|f| f.filter.as_deref()).collect();
    line("[photometry]".into());
    line(format!(
        "# {FILL_IN}: catalogue of the field (columns ra_deg, dec_deg, the band, its _err; other bands for colours)"
    ));
    line("# catalogue = \"field.csv\"".into());
    // the green of colour cameras lies between g and V
    let band = if pattern.is_some() { "g" } else { "r" };
    line(format!("band = \"{band}\"  # {FILL_IN}: the catalogue's column to calibrate to"));
    line("apertures_km = [5000, 10000, 20000]  # radius at the comet".into());
    line("[photometry.filters]".into());
    if names.is_empty() {
        line("# the frames name no filter".into());
    }
    for name in names {
        line(format!("{} = \"{band}\"  # {FILL_IN}: the catalogue band that this filter is nearest to", quoted(name)));
    }
    line(String::new());
    line("[telescope]".into());
    line(match header.text("TELESCOP") {
        Some(name) => format!("name = {}", quoted(&name)),
        None => format!("name = {}  # {FILL_IN}: the telescope, for figures", quoted(PLACEHOLDER_NAMES[1])),
    });
    if let Some(mm) = first(&["APTDIA"]) {
        line(format!("aperture_m = {:?}", mm / 1000.0));
    }
    line(String::new());
    line("[observer]".into());
    line(match header.text("OBSERVER") {
        Some(observer) => format!("names = [{}]", quoted(observer.trim())),
        None => format!("# {FILL_IN}: names = [\"…\"]  (who observed, for figures)"),
    });
    t
}

fn value_or_ask(key: &str, value: Option<f64>, ask: &str, source: &str) -> String {
    match value {
        Some(v) => format!("{key} = {v:?}  # {source}"),
        None => format!("# {FILL_IN}: {key} = …  ({ask})"),
    }
}
