//! Where the comet was in every frame, and how the frames' coordinates were tied to the catalogue.

use fanlight_image::robust;
use fanlight_record::sentences::{fixed, format_utc_exact};
use fanlight_record::{FrameRecord, NightRecord, SolutionRecord};
use maud::{Markup, html};

/// The table of places, with what is to be said of the frames' coordinates; nothing where no frame has either.
pub(crate) fn places(night: &NightRecord) -> Markup {
    let placed: Vec<&FrameRecord> =
        night.frames.iter().filter(|f| f.comet_ra_deg.is_some() || f.solution.is_some()).collect();
    html! {
        @if let Some(sentence) = coordinates(&night.frames) { p.measure { (sentence) } }
        @if !placed.is_empty() {
            details {
                summary { "The comet's place in every frame (" (placed.len()) ")" }
                div.scroll.wide tabindex="0" role="region" aria-label="Table of places" {
                    table {
                        caption {
                            "ICRS, at the middle of each exposure; O−C: observed minus computed place, in right ascension times cos δ; errors \
                             and residuals per axis"
                        }
                        thead { tr {
                            th scope="col" { "Frame" } th scope="col" { "Middle, UTC" }
                            th.n scope="col" { "Right ascension, °" } th.n scope="col" { "Declination, °" } th.n scope="col" { "Error, ″" }
                            th.n scope="col" { "O−C RA, ″" } th.n scope="col" { "O−C Dec, ″" }
                            th.n scope="col" { "Coordinates’ error there, ″" } th.n scope="col" { "Stars" }
                            th.n scope="col" { "Residuals, ″" } th.n scope="col" { "Distortion" }
                        } }
                        tbody { @for f in placed { (row(f)) } }
                    }
                }
            }
        }
    }
}

fn row(f: &FrameRecord) -> Markup {
    let number = |value: Option<f64>, places| value.map_or_else(|| "–".to_string(), |v| fixed(v, places));
    let off = |axis: usize| number(f.comet_o_minus_c_arcsec.map(|o| o[axis]), 2);
    let solution = f.solution.as_ref();
    html! {
        tr class=[(!f.used).then_some("out")] {
            th scope="row" { (f.file) }
            td { (f.mid_utc.as_deref().map_or_else(|| "–".to_string(), |t| format_utc_exact(t).replace(" UTC", ""))) }
            td.n { (number(f.comet_ra_deg, 6)) }
            td.n { (number(f.comet_dec_deg, 6)) }
            td.n { (number(f.comet_err_arcsec, 3)) }
            td.n { (off(0)) }
            td.n { (off(1)) }
            td.n { (number(solution.map(|s| s.comet_err_arcsec), 3)) }
            td.n { (solution.map_or_else(|| "–".to_string(), |s| s.stars.to_string())) }
            td.n { (number(solution.map(|s| s.rms_arcsec), 3)) }
            td.n { @match solution { None => "–", Some(s) => (s.distortion_order.map_or_else(|| "none".to_string(), |o| format!("order {o}"))) } }
        }
    }
}

/// How many frames were tied to the catalogue and how well; `None` where none was.
fn coordinates(frames: &[FrameRecord]) -> Option<String> {
    let tied: Vec<&SolutionRecord> = frames.iter().filter_map(|f| f.solution.as_ref()).collect();
    let n_measured = frames.iter().filter(|f| f.fwhm_arcsec.is_some() || f.solution.is_some()).count();
    let rms_arcsec = middle(tied.iter().map(|s| s.rms_arcsec))?;
    let (stars, odds) = (middle(tied.iter().map(|s| s.stars as f64))?, tied.iter().map(|s| s.log10_odds));
    let bent = tied.iter().filter(|s| s.distortion_order.is_some()).count();
    let distortion = match bent {
        0 => "No frame asks for a distortion.".to_string(),
        n => format!("In {n} of them the coordinates hold a distortion."),
    };
    Some(format!(
        "The coordinates of {} of {n_measured} measured frames were fitted to the catalogue: {} stars a frame, residuals {}″ \
         rms per axis (medians). {distortion} A match with the catalogue at odds under a thousand to one against chance is \
         refused; the least sure of these stands at 10{}.",
        tied.len(),
        fixed(stars, 0),
        fixed(rms_arcsec, 3),
        superscript(&fixed(odds.fold(f64::INFINITY, f64::min), 0)),
    ))
}

/// A whole number as an exponent.
fn superscript(number: &str) -> String {
    let raised = |c: char| c.to_digit(10).and_then(|d| "⁰¹²³⁴⁵⁶⁷⁸⁹".chars().nth(d as usize));
    number.chars().map(|c| raised(c).unwrap_or('⁻')).collect()
}

fn middle(values: impl Iterator<Item = f64>) -> Option<f64> {
    robust::median_f64(&mut values.collect::<Vec<f64>>())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(distortion_order: Option<u8>, log10_odds: f64) -> FrameRecord {
        let solution =
            SolutionRecord { stars: 40, rms_arcsec: 0.1234, log10_odds, comet_err_arcsec: 0.02, distortion_order };
        FrameRecord {
            rejected_because: None,
            comet_o_minus_c_arcsec: Some([-0.456, 1.0]),
            solution: Some(solution),
            ..FrameRecord::left_out("a.fits", "")
        }
    }

    #[test]
    fn says_how_well_the_frames_are_tied() {
        let lost = FrameRecord { fwhm_arcsec: Some(2.0), ..FrameRecord::left_out("b.fits", "few stars") };
        assert_eq!(coordinates(std::slice::from_ref(&lost)), None);
        let said = coordinates(&[frame(None, 80.0), frame(Some(3), 61.6), lost]).unwrap();
        for part in ["2 of 3 measured", "40 stars", "0.123″ rms", "In 1 of them", "10⁶²"] {
            assert!(said.contains(part), "{said}");
        }
        assert!(coordinates(&[frame(None, 80.0)]).unwrap().contains("No frame asks for a distortion"));
    }

    #[test]
    fn a_row_holds_the_place_and_its_solution() {
        let row = row(&frame(Some(4), 90.0)).into_string();
        for part in ["−0.46", "1.00", "0.020", ">40<", "0.123", "order 4"] {
            assert!(row.contains(part), "{part}: {row}");
        }
    }
}
