//! The panel `tonight`: one picture for the screen, with the night's four renderings above their twins and the verdicts beside.

use super::marks::{Mark, Verdict, marks_in_words};
use super::twin_figure::{GRID, Renderings};
use crate::picture::{exposure_words, subtitle};
use crate::rim::draw_legend_column;
use crate::svg::{Canvas, Stroke, TextStyle, wrap};
use crate::theme::in_both;
use crate::{Figure, NightPictures, PresentError};
use fanlight_record::NightRecord;
use fanlight_record::sentences::{feature_name, limit_sentence, quoted_limit};

/// Columns of the panel, its least rows, and pixels to a unit: the smallest letters, of 12 units, are 18 pixels high.
const WIDTH_PX: u32 = 1280;
const LEAST_HEIGHT_PX: u32 = 720;
const PX_PER_UNIT: f64 = 1.5;
/// The first picture's corner; left edge and width of the column beside the pictures.
const PICTURES: (f64, f64) = (34.0, 88.0);
const COLUMN: f64 = PICTURES.0 + GRID.0 + 18.0;
const COLUMN_WIDTH: f64 = WIDTH_PX as f64 / PX_PER_UNIT - COLUMN - 12.0;
const VERDICTS_TOP: f64 = PICTURES.1 + 262.0;
const LINE: f64 = 16.0;

/// One picture of the night for a broadcast, 1280 pixels wide and at least 720 high: the light, brightness with isophotes,
/// rotational gradient, and night divided by twin, above those of the featureless twin, with each feature's verdict. Drawn
/// from the record and the pictures that [`crate::night_figures`] takes; at 96 pixels per inch [`crate::svg_to_png`] gives its
/// own size. `None` where structure was not analysed: a picture without its twin is no evidence.
///
/// # Errors
/// When the images do not share a grid, or centre or scale cannot be used.
pub fn tonight_panel(night: &NightRecord, pictures: &NightPictures) -> Result<Option<Figure>, PresentError> {
    let Some(structure) = &pictures.structure else { return Ok(None) };
    pictures.light.check()?;
    structure.check(&pictures.light)?;
    let renderings = Renderings::new(night, pictures, structure)?;
    let verdicts = verdicts(night, &renderings.marks);
    let n_lines: usize = verdicts.iter().map(|v| v.lines.len()).sum();
    let bottom = VERDICTS_TOP + LINE * n_lines as f64 + 5.0 * verdicts.len() as f64 + 8.0;
    let height_px = ((bottom * PX_PER_UNIT).ceil() as u32).max(LEAST_HEIGHT_PX);
    let caption = format!("{} {}", exposure_words(night), renderings.how);
    let alt = format!("{} {}", renderings.alt(night), marks_in_words(&renderings.marks));
    let (svg_light, svg_dark) = in_both(|theme| {
        let mut canvas = Canvas::screen(theme, (WIDTH_PX, height_px), PX_PER_UNIT);
        canvas.heading(&night.object, "the night above, its featureless twin below", &subtitle(night));
        renderings.draw(&mut canvas, PICTURES);
        renderings.draw_key(&mut canvas, (COLUMN, PICTURES.1 - 20.0));
        renderings.draw_lengths(&mut canvas, (COLUMN, PICTURES.1 + 98.0), night.geometry.km_per_arcsec);
        draw_legend_column(&mut canvas, (COLUMN, PICTURES.1 + 156.0), COLUMN_WIDTH);
        let mut y = VERDICTS_TOP;
        for verdict in &verdicts {
            for (i, line) in verdict.lines.iter().enumerate() {
                let style = TextStyle::new(12.0, theme.ink);
                canvas.text((COLUMN, y + 4.5), if i < verdict.n_bold { style.bold() } else { style }, line);
                y += LINE;
            }
            if let Some(mark) = verdict.mark {
                let from = COLUMN + COLUMN_WIDTH - 32.0;
                mark.draw(&mut canvas, &[(from, y - LINE), (from + 32.0, y - LINE)], theme.ink, 1.8);
            }
            y += 5.0;
        }
        let line = VERDICTS_TOP - 14.0;
        canvas.line((COLUMN, line), (COLUMN + COLUMN_WIDTH, line), Stroke::new(theme.rule, 1.0));
        canvas.finish(&alt)
    });
    Ok(Some(Figure { name: "tonight".into(), title: "Tonight".into(), caption, alt, svg_light, svg_dark }))
}

/// Words on one feature, and how it is drawn.
struct Entry<'a> {
    lines: Vec<String>,
    /// How many lines, from the first on, are its heading.
    n_bold: usize,
    mark: Option<&'a Mark<'a>>,
}

/// Number, place and verdict of every mark; without a supported one, what would have been seen.
fn verdicts<'a>(night: &NightRecord, marks: &'a [Mark<'a>]) -> Vec<Entry<'a>> {
    let of = |mark: &'a Mark<'a>| {
        let verdict = match mark.verdict {
            Verdict::Supported => "supported",
            Verdict::Provisional => "provisional",
            Verdict::Artefact => "artefact",
        };
        // the bold face is wider; the sample stands beside the last line
        let mut lines = wrap(&format!("{} {}", mark.number, feature_name(mark.feature)), 13.0, COLUMN_WIDTH);
        let n_bold = lines.len();
        lines.push(verdict.to_string());
        Entry { lines, n_bold, mark: Some(mark) }
    };
    let mut out: Vec<Entry> = marks.iter().map(of).collect();
    if !marks.iter().any(|m| m.verdict == Verdict::Supported) {
        let mut lines = wrap("No structure is supported.", 13.0, COLUMN_WIDTH);
        let n_bold = lines.len();
        if let Some(limit) = quoted_limit(&night.morphology.detection_limit) {
            lines.extend(wrap(&limit_sentence(limit, "A"), 12.0, COLUMN_WIDTH));
        }
        out.push(Entry { lines, n_bold, mark: None });
    }
    out
}
