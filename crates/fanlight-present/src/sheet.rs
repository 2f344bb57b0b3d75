//! Several figures on one sheet, with a heading and words; and what can be read off a figure again.

use crate::PresentError;
use crate::png_out::{drawn_tree, parse};
use crate::svg::{BOLD, Canvas, TextStyle, WIDTH, wrap};
use crate::theme::{DARK, LIGHT};

/// What goes on a sheet.
#[derive(Debug, Clone, Copy)]
pub struct Sheet<'a> {
    /// Figures as this crate draws them, in the order that they are read in.
    pub panels: &'a [String],
    /// The heading.
    pub title: &'a str,
    /// Words below the figures; paragraphs end with a line break.
    pub words: Option<&'a str>,
    /// Where it comes from, in small letters.
    pub origin: &'a str,
    /// Figures side by side.
    pub columns: usize,
    /// Whether it is light on dark, as its figures are.
    pub is_dark: bool,
}

/// Between figures, and to the edge.
const GAP: f64 = 24.0;
/// Pixels that a picture of a sheet may have: a wall of screens, and no more memory than a night takes.
const MOST_PX: f64 = 40e6;

/// Lays figures in rows, each row as high as its highest. Letters of heading and words grow with the columns, so that they are read
/// from as far as the figures.
///
/// # Errors
/// When there is no figure, or one is no figure of ours.
pub fn sheet(sheet: &Sheet) -> Result<String, PresentError> {
    let columns = sheet.columns.clamp(1, sheet.panels.len().max(1));
    let bad = |reason: &str| PresentError::BadSvg { reason: reason.into() };
    let parts = sheet.panels.iter().map(|svg| Part::of(svg).ok_or_else(|| bad("a figure is not one of ours")));
    let parts = parts.collect::<Result<Vec<_>, _>>()?;
    if parts.is_empty() {
        return Err(bad("there is no figure on the sheet"));
    }
    let theme = if sheet.is_dark { &DARK } else { &LIGHT };
    let larger = (columns as f64).sqrt();
    let width = columns as f64 * (WIDTH + GAP) + GAP;
    let room = width - 2.0 * GAP;
    let (heading, text, small) = (22.0 * larger, 15.0 * larger, 11.0 * larger);
    let titles = wrap(sheet.title, heading * BOLD, room);
    let paragraphs = sheet.words.unwrap_or("").lines().map(|line| wrap(line, text, room));
    let words: Vec<Vec<String>> = paragraphs.collect();
    let origin = wrap(sheet.origin, small, room);
    let mut y = GAP + 1.3 * heading * titles.len() as f64;
    let mut places = Vec::new();
    for row in parts.chunks(columns) {
        y += 0.5 * GAP;
        places.extend((0..row.len()).map(|i| (GAP + i as f64 * (WIDTH + GAP), y)));
        y += row.iter().map(|p| p.height * WIDTH / p.width).fold(0.0, |a: f64, b| if b > a { b } else { a });
    }
    let words_top = y + GAP;
    let n_lines: usize = words.iter().map(|p| p.len().max(1)).sum();
    let origin_top = words_top + 1.35 * text * n_lines as f64 + if n_lines > 0 { 0.5 * GAP } else { 0.0 };
    let height = origin_top + 1.35 * small * origin.len() as f64 + GAP;
    let mut canvas = Canvas::screen(theme, (width.round() as u32, height.round() as u32), 1.0);
    for (i, line) in titles.iter().enumerate() {
        canvas.text((GAP, GAP + heading * (0.8 + 1.3 * i as f64)), TextStyle::new(heading, theme.ink).bold(), line);
    }
    for (part, at) in parts.iter().zip(&places) {
        canvas.figure(
            *at,
            (WIDTH, part.height * WIDTH / part.width),
            (part.width, part.height),
            part.attributes,
            part.body,
        );
    }
    let mut line_top = words_top;
    for paragraph in &words {
        for line in paragraph {
            canvas.text((GAP, line_top + text), TextStyle::new(text, theme.ink), line);
            line_top += 1.35 * text;
        }
        if paragraph.is_empty() {
            line_top += 1.35 * text;
        }
    }
    for (i, line) in origin.iter().enumerate() {
        let at = (GAP, origin_top + small * (1.0 + 1.35 * i as f64));
        canvas.text(at, TextStyle::new(small, theme.muted), line);
    }
    let alts: Vec<String> = sheet.panels.iter().filter_map(|svg| svg_alt(svg)).collect();
    Ok(canvas.finish(&format!("{} {}", sheet.title, alts.join(" "))))
}

/// A sheet so many pixels wide.
///
/// # Errors
/// When it is no SVG, or would have too many pixels.
pub fn sheet_to_png(svg: &str, width_px: u32) -> Result<Vec<u8>, PresentError> {
    let tree = parse(svg)?;
    let size = tree.size();
    let scale = f64::from(width_px) / f64::from(size.width());
    let pixels = f64::from(width_px) * f64::from(size.height()) * scale;
    if pixels > MOST_PX {
        let reason = format!(
            "it would have {:.0} million pixels, more than {:.0}: choose fewer figures or a smaller width",
            pixels / 1e6,
            MOST_PX / 1e6
        );
        return Err(PresentError::Png { reason });
    }
    drawn_tree(&tree, scale)?.png()
}

/// A figure taken apart.
struct Part<'a> {
    width: f64,
    height: f64,
    /// Of its outermost element, but for place and size.
    attributes: &'a str,
    body: &'a str,
}

impl<'a> Part<'a> {
    fn of(svg: &'a str) -> Option<Self> {
        // no attribute of ours holds a bare '>'
        let (head, rest) = svg.strip_prefix("<svg ")?.split_once('>')?;
        let body = rest.trim_end().strip_suffix("</svg>")?;
        let mut numbers = attribute(head, "viewBox")?.split(' ').map(str::parse::<f64>);
        let (0.0, 0.0, width, height) =
            (numbers.next()?.ok()?, numbers.next()?.ok()?, numbers.next()?.ok()?, numbers.next()?.ok()?)
        else {
            return None;
        };
        let attributes = &head[head.find("role=")?..];
        if !is_plain(head) || !is_plain(body) {
            return None;
        }
        (width > 0.0 && height > 0.0).then_some(Self { width, height, attributes, body })
    }
}

/// Whether a figure only draws: it runs nothing, and what it shows lies in it. Quotation marks in its text are escaped, so one after a sign of
/// equality is an attribute's.
fn is_plain(svg: &str) -> bool {
    let runs = ["<script", "<foreignObject", "<iframe", "<a ", "javascript:"].iter().any(|tag| svg.contains(tag));
    let hears = svg.match_indices("=\"").any(|(at, _)| {
        let name = svg[..at].rsplit(|c: char| c.is_whitespace()).next().unwrap_or("");
        name.len() > 2 && name[..2].eq_ignore_ascii_case("on") && name.bytes().all(|b| b.is_ascii_alphabetic())
    });
    let fetches = svg.match_indices("href=\"").any(|(at, found)| {
        let target = &svg[at + found.len()..];
        !(target.starts_with("data:image/png;") || target.starts_with('#'))
    });
    !(runs || hears || fetches)
}

fn attribute<'a>(head: &'a str, name: &str) -> Option<&'a str> {
    let start = head.find(&format!("{name}=\""))? + name.len() + 2;
    head[start..].split('"').next()
}

/// Width and height of a figure in its own units; `None` of what is no figure of ours.
pub fn svg_size(svg: &str) -> Option<(f64, f64)> {
    Part::of(svg).map(|p| (p.width, p.height))
}

/// What a reader who cannot see a figure is told.
pub fn svg_alt(svg: &str) -> Option<String> {
    attribute(Part::of(svg)?.attributes, "aria-label").map(unescaped)
}

/// The kind of a figure, as its heading says it behind the object's name.
pub fn svg_heading(svg: &str) -> Option<String> {
    let (_, rest) = Part::of(svg)?.body.split_once("font-weight=\"700\"")?;
    let text = rest.split_once('>')?.1.split('<').next()?;
    let kind = text.split_once(": ").map_or(text, |(_, kind)| kind);
    Some(unescaped(kind)).filter(|k| !k.is_empty())
}

fn unescaped(text: &str) -> String {
    text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&#39;", "'").replace("&amp;", "&")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::svg::num;

    fn figure(height: f64, alt: &str) -> String {
        let mut canvas = Canvas::new(&LIGHT, height);
        canvas.heading("C/2031 Z2", "light & shade", "24 March");
        canvas.finish(alt)
    }

    #[test]
    fn what_was_written_is_read_off_again() {
        let svg = figure(400.0, "Bright > dark, \"so\"");
        assert_eq!(svg_size(&svg), Some((WIDTH, 400.0)));
        assert_eq!(svg_alt(&svg).as_deref(), Some("Bright > dark, \"so\""));
        assert_eq!(svg_heading(&svg).as_deref(), Some("light & shade"));
        assert_eq!(svg_size("<p>no</p>"), None);
    }

    #[test]
    fn rows_are_as_high_as_their_highest_figure() {
        let panels = [figure(400.0, "a"), figure(600.0, "b"), figure(200.0, "c")];
        let of = |columns| {
            let made = sheet(&Sheet {
                panels: &panels,
                title: "Title",
                words: Some("One.\n\nTwo."),
                origin: "origin",
                columns,
                is_dark: false,
            });
            made.unwrap()
        };
        let two = of(2);
        assert_eq!(two.matches("<svg ").count(), 4);
        assert!(two.contains(&format!(r#"<svg x="{}" y="#, num(GAP))));
        let height = |svg: &str| svg_size(svg).unwrap().1;
        // one under another: 600 + 200 in rows of two, 1200 in one column
        assert!((height(&of(1)) - height(&two) - 400.0).abs() < 60.0, "{} {}", height(&of(1)), height(&two));
        let png = sheet_to_png(&two, 900).unwrap();
        assert_eq!(&png[16..20], &900_u32.to_be_bytes());
        assert!(matches!(sheet_to_png(&two, 100_000), Err(PresentError::Png { .. })));
    }

    #[test]
    fn a_sheet_without_figures_is_refused() {
        let none: [String; 0] = [];
        let empty = Sheet { panels: &none, title: "", words: None, origin: "", columns: 1, is_dark: true };
        assert!(sheet(&empty).is_err());
        for foreign in [
            "<svg></svg>".to_string(),
            figure(100.0, "a").replace("</svg>", "<script>x()</script></svg>"),
            figure(100.0, "a").replace("<rect ", "<rect onclick=\"x()\" "),
            figure(100.0, "a").replace("</svg>", "<image href=\"/etc/passwd\"/></svg>"),
            figure(100.0, "a").replace("</svg>", "<image xlink:href=\"http://desk.example/\"/></svg>"),
        ] {
            let panels = [foreign];
            assert!(sheet(&Sheet { panels: &panels, ..empty }).is_err(), "{}", panels[0]);
        }
    }
}
