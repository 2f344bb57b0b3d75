//! A small writer of SVG: lines, shapes, text and embedded rasters, numbers to a hundredth of a unit.
//!
//! A figure is 680 units wide and 170 mm on paper: 4 units to the millimetre, so text of size 13 prints at 9 pt.

use crate::theme::Theme;
use std::fmt::Write;

/// Width of every figure in user units.
pub(crate) const WIDTH: f64 = 680.0;
/// Width of every figure on paper.
const WIDTH_MM: f64 = 170.0;
/// The bold face is wider than the regular one by up to this factor over a line of text.
pub(crate) const BOLD: f64 = 1.08;

/// Where a text hangs on its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a text looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TextStyle {
    pub size: f64,
    pub colour: &'static str,
    pub anchor: Anchor,
    pub bold: bool,
    /// Turned a quarter to the left, reading upward.
    pub upward: bool,
    /// A halo of this colour under the letters.
    pub halo: Option<&'static str>,
}

impl TextStyle {
    /// Plain text that starts at its point.
    pub fn new(size: f64, colour: &'static str) -> Self {
        Self { size, colour, anchor: Anchor::Start, bold: false, upward: false, halo: None }
    }

    pub fn anchor(self, anchor: Anchor) -> Self {
        Self { anchor, ..self }
    }

    pub fn bold(self) -> Self {
        Self { bold: true, ..self }
    }

    pub fn upward(self) -> Self {
        Self { upward: true, ..self }
    }

    pub fn halo(self, colour: &'static str) -> Self {
        Self { halo: Some(colour), ..self }
    }
}

/// How a line looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stroke {
    pub colour: &'static str,
    pub width: f64,
    pub dash: Option<&'static str>,
}

impl Stroke {
    /// A solid line.
    pub fn new(colour: &'static str, width: f64) -> Self {
        Self { colour, width, dash: None }
    }

    pub fn dashed(self, dash: &'static str) -> Self {
        Self { dash: Some(dash), ..self }
    }

    fn attributes(&self) -> String {
        let dash = self.dash.map(|d| format!(r#" stroke-dasharray="{d}""#)).unwrap_or_default();
        format!(r#"stroke="{}" stroke-width="{}"{dash}"#, self.colour, num(self.width))
    }
}

/// A drawing in progress.
pub(crate) struct Canvas {
    pub theme: &'static Theme,
    width: f64,
    height: f64,
    /// Width and height as the file says them, with their unit.
    size: (String, String),
    body: String,
}

impl Canvas {
    /// An empty sheet of paper, `WIDTH` units wide.
    pub fn new(theme: &'static Theme, height: f64) -> Self {
        Self::wide(theme, WIDTH, height)
    }

    /// An empty sheet of another width.
    pub fn wide(theme: &'static Theme, width: f64, height: f64) -> Self {
        let mm = |units: f64| format!("{}mm", num(units * WIDTH_MM / WIDTH));
        Self::empty(theme, (width, height), (mm(width), mm(height)))
    }

    /// An empty screen of so many pixels, each unit of the drawing so many of them.
    pub fn screen(theme: &'static Theme, (width_px, height_px): (u32, u32), px_per_unit: f64) -> Self {
        let units = (f64::from(width_px) / px_per_unit, f64::from(height_px) / px_per_unit);
        Self::empty(theme, units, (width_px.to_string(), height_px.to_string()))
    }

    fn empty(theme: &'static Theme, (width, height): (f64, f64), size: (String, String)) -> Self {
        let mut canvas = Self { theme, width, height, size, body: String::new() };
        canvas.rect((0.0, 0.0), (width, height), theme.paper);
        canvas
    }

    /// Object and kind of figure in the first line, what and when in the second; a long name is shortened, the kind not.
    pub fn heading(&mut self, object: &str, kind: &str, subtitle: &str) {
        let room = self.width - 40.0;
        let kind = format!(": {kind}");
        let object = fit(object, 17.0 * BOLD, room - text_width(&kind, 17.0 * BOLD));
        self.text((20.0, 26.0), TextStyle::new(17.0, self.theme.ink).bold(), &format!("{object}{kind}"));
        self.text((20.0, 45.0), TextStyle::new(13.0, self.theme.muted), &fit(subtitle, 13.0, room));
    }

    /// What is drawn until [`Self::end`] belongs together; attributes as the file has them.
    pub fn begin(&mut self, attributes: &str) {
        let _ = writeln!(self.body, "<g {attributes}>");
    }

    pub fn end(&mut self) {
        self.body.push_str("</g>\n");
    }

    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), stroke: Stroke) {
        let _ = writeln!(
            self.body,
            r#"<line x1="{}" y1="{}" x2="{}" y2="{}" {}/>"#,
            num(from.0),
            num(from.1),
            num(to.0),
            num(to.1),
            stroke.attributes()
        );
    }

    /// A line through points; fewer than two draw nothing.
    pub fn polyline(&mut self, points: &[(f64, f64)], stroke: Stroke) {
        if points.len() > 1 {
            let closed = points.len() > 2 && points[0] == points[points.len() - 1];
            let _ = writeln!(
                self.body,
                r#"<path d="{}" fill="none" stroke-linejoin="round" {}/>"#,
                path_data(points, closed),
                stroke.attributes()
            );
        }
    }

    /// A filled polygon.
    pub fn polygon(&mut self, points: &[(f64, f64)], fill: &str) {
        let _ = writeln!(self.body, r#"<path d="{}" fill="{fill}"/>"#, path_data(points, true));
    }

    pub fn rect(&mut self, at: (f64, f64), size: (f64, f64), fill: &str) {
        let _ = writeln!(
            self.body,
            r#"<rect x="{}" y="{}" width="{}" height="{}" fill="{fill}"/>"#,
            num(at.0),
            num(at.1),
            num(size.0),
            num(size.1)
        );
    }

    pub fn frame(&mut self, at: (f64, f64), size: (f64, f64), stroke: Stroke) {
        let _ = writeln!(
            self.body,
            r#"<rect x="{}" y="{}" width="{}" height="{}" fill="none" {}/>"#,
            num(at.0),
            num(at.1),
            num(size.0),
            num(size.1),
            stroke.attributes()
        );
    }

    pub fn dot(&mut self, at: (f64, f64), radius: f64, fill: &str) {
        let _ =
            writeln!(self.body, r#"<circle cx="{}" cy="{}" r="{}" fill="{fill}"/>"#, num(at.0), num(at.1), num(radius));
    }

    pub fn ring(&mut self, at: (f64, f64), radius: f64, stroke: Stroke) {
        let _ = writeln!(
            self.body,
            r#"<circle cx="{}" cy="{}" r="{}" fill="none" {}/>"#,
            num(at.0),
            num(at.1),
            num(radius),
            stroke.attributes()
        );
    }

    /// The Sun's symbol, a ring with a dot, which the font lacks.
    pub fn sun(&mut self, at: (f64, f64), radius: f64) {
        self.ring(at, radius, Stroke::new(self.theme.sun, radius * 0.24));
        self.dot(at, radius * 0.27, self.theme.sun);
    }

    /// A diagonal cross.
    pub fn cross(&mut self, at: (f64, f64), half: f64, stroke: Stroke) {
        self.line((at.0 - half, at.1 - half), (at.0 + half, at.1 + half), stroke);
        self.line((at.0 - half, at.1 + half), (at.0 + half, at.1 - half), stroke);
    }

    pub fn text(&mut self, at: (f64, f64), style: TextStyle, text: &str) {
        let content = raised(&escape(text), style.size);
        self.raw_text(at, style, &content);
    }

    /// `10` with a raised exponent.
    pub fn power_of_ten(&mut self, at: (f64, f64), style: TextStyle, exponent: i32) {
        let exponent = fanlight_record::sentences::fixed(f64::from(exponent), 0);
        let content = format!(
            r#"10<tspan dy="{}" font-size="{}">{exponent}</tspan>"#,
            num(-0.38 * style.size),
            num(0.72 * style.size)
        );
        self.raw_text(at, style, &content);
    }

    fn raw_text(&mut self, at: (f64, f64), style: TextStyle, content: &str) {
        let (x, y) = (num(at.0), num(at.1));
        let anchor = match style.anchor {
            Anchor::Start => "",
            Anchor::Middle => r#" text-anchor="middle""#,
            Anchor::End => r#" text-anchor="end""#,
        };
        let weight = if style.bold { r#" font-weight="700""# } else { "" };
        let turn = if style.upward { format!(r#" transform="rotate(-90 {x} {y})""#) } else { String::new() };
        let halo = match style.halo {
            Some(colour) => {
                format!(r#" stroke="{colour}" stroke-width="3" stroke-linejoin="round" paint-order="stroke""#)
            }
            None => String::new(),
        };
        let _ = writeln!(
            self.body,
            r#"<text x="{x}" y="{y}" font-size="{}" fill="{}"{anchor}{weight}{turn}{halo}>{content}</text>"#,
            num(style.size),
            style.colour
        );
    }

    /// A PNG stretched over a rectangle.
    pub fn png(&mut self, at: (f64, f64), size: (f64, f64), data_uri: &str) {
        let _ = writeln!(
            self.body,
            r#"<image x="{}" y="{}" width="{}" height="{}" preserveAspectRatio="none" href="{data_uri}"/>"#,
            num(at.0),
            num(at.1),
            num(size.0),
            num(size.1)
        );
    }

    /// Another figure within this one, stretched from its own size.
    pub fn figure(&mut self, at: (f64, f64), size: (f64, f64), own: (f64, f64), attributes: &str, body: &str) {
        let _ = writeln!(
            self.body,
            r#"<svg x="{}" y="{}" width="{}" height="{}" viewBox="0 0 {} {}" {attributes}>{body}</svg>"#,
            num(at.0),
            num(at.1),
            num(size.0),
            num(size.1),
            num(own.0),
            num(own.1)
        );
    }

    /// The whole SVG; `alt` is what a reader who cannot see it is told.
    pub fn finish(self, alt: &str) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {} {}\" \
             font-family=\"'Noto Sans', sans-serif\" role=\"img\" aria-label=\"{}\">\n{}</svg>\n",
            self.size.0,
            self.size.1,
            num(self.width),
            num(self.height),
            escape(alt),
            self.body
        )
    }
}

/// Text made safe inside elements and attributes; control characters, which XML forbids, become spaces.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\u{fffe}' | '\u{ffff}' => out.push(' '),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// Escaped text with exponents as raised small figures: the bundled face lacks the letters for most of them.
fn raised(escaped: &str, size: f64) -> String {
    const SIGNS: &str = "⁰¹²³⁴⁵⁶⁷⁸⁹⁻";
    let plain = |c: char| SIGNS.chars().position(|s| s == c).and_then(|i| "0123456789−".chars().nth(i));
    if !escaped.contains(|c: char| plain(c).is_some() && !"¹²³".contains(c)) {
        return escaped.to_string();
    }
    let mut out = String::new();
    let mut inside = false;
    for c in escaped.chars() {
        match (plain(c), inside) {
            (Some(_), false) => {
                let _ = write!(out, r#"<tspan dy="{}" font-size="{}">"#, num(-0.38 * size), num(0.72 * size));
            }
            (None, true) => {
                let _ = write!(out, r#"</tspan><tspan dy="{}">"#, num(0.38 * size));
            }
            _ => {}
        }
        if inside && plain(c).is_none() {
            // the rest of the line hangs on the lowered span
            inside = false;
            out.push(c);
            out.push_str("</tspan>");
            continue;
        }
        inside = plain(c).is_some();
        out.push(plain(c).unwrap_or(c));
    }
    if inside {
        out.push_str("</tspan>");
    }
    out
}

/// Width of a text in the bundled regular face, units at the given size. Letters outside the table count as wide
/// ones, so that the estimate errs towards more room.
pub(crate) fn text_width(text: &str, size: f64) -> f64 {
    text.chars().map(advance).sum::<f64>() * size / 1000.0
}

/// Lines no wider than `room`, broken at ordinary spaces; a word too long for a line is shortened.
pub(crate) fn wrap(text: &str, size: f64, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let joined = lines.last().map(|line| format!("{line} {word}"));
        match joined {
            Some(line) if text_width(&line, size) <= room => *lines.last_mut().expect("there is one") = line,
            _ => lines.push(fit(word, size, room)),
        }
    }
    lines
}

/// The text, cut with an ellipsis where it is wider than `room`.
pub(crate) fn fit(text: &str, size: f64, room: f64) -> String {
    if text_width(text, size) <= room {
        return text.to_string();
    }
    let mut out = String::new();
    let mut used = text_width("…", size);
    for c in text.chars() {
        used += advance(c) * size / 1000.0;
        if used > room {
            break;
        }
        out.push(c);
    }
    out.push('…');
    out
}

/// A number to a hundredth, without trailing zeros and without `-0`. Not finite: 0, so that the drawing stays valid.
pub(crate) fn num(value: f64) -> String {
    let hundredths = if value.is_finite() { (value * 100.0).round() } else { 0.0 };
    let text = format!("{:.2}", hundredths / 100.0 + 0.0);
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// A `data:` address of PNG bytes.
pub(crate) fn data_uri(mime: &str, bytes: &[u8]) -> String {
    format!("data:{mime};base64,{}", base64(bytes))
}

fn path_data(points: &[(f64, f64)], closed: bool) -> String {
    let mut d = String::new();
    for (i, (x, y)) in points.iter().enumerate() {
        let _ = write!(d, "{}{} {}", if i == 0 { "M" } else { "L" }, num(*x), num(*y));
    }
    if closed {
        d.push('Z');
    }
    d
}

/// RFC 4648 section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let word = chunk.iter().fold(0u32, |w, b| w << 8 | u32::from(*b)) << (8 * (3 - chunk.len()));
        for i in 0..4 {
            let letter = LETTERS[(word >> (18 - 6 * i) & 63) as usize];
            out.push(if i <= chunk.len() { letter as char } else { '=' });
        }
    }
    out
}

/// Advance width of a letter in thousandths of the size, from the bundled Noto Sans Regular.
fn advance(c: char) -> f64 {
    const ASCII: [u16; 95] = [
        260, 269, 408, 646, 572, 831, 732, 225, 300, 300, 551, 572, 268, 322, 268, 372, 572, 572, 572, 572, 572, 572,
        572, 572, 572, 572, 268, 268, 572, 572, 572, 434, 899, 639, 650, 632, 730, 556, 519, 728, 741, 339, 273, 619,
        524, 907, 760, 781, 605, 781, 622, 549, 556, 731, 600, 930, 586, 566, 572, 329, 372, 329, 572, 444, 572, 561,
        615, 480, 615, 564, 344, 615, 618, 258, 258, 534, 258, 935, 618, 605, 615, 615, 413, 479, 361, 618, 508, 786,
        529, 510, 470, 380, 551, 380, 572,
    ];
    match c {
        ' '..='~' => f64::from(ASCII[c as usize - 32]),
        '\u{202f}' | '\u{2009}' => 200.0,
        '′' => 225.0,
        '″' => 408.0,
        '°' => 428.0,
        '·' => 268.0,
        '²' => 350.0,
        '–' => 500.0,
        '±' | '×' | '−' | '≤' | '≥' => 572.0,
        '…' => 791.0,
        _ => 640.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_never_minus_zero_or_nan() {
        let check = |value, expected: &str| assert_eq!(num(value), expected);
        check(1.0, "1");
        check(1.256, "1.26");
        check(-0.001, "0");
        check(100.0, "100");
        check(f64::NAN, "0");
        check(f64::INFINITY, "0");
    }

    #[test]
    fn base64_gives_the_test_vectors_of_rfc_4648() {
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn text_is_escaped() {
        assert_eq!(escape("a<b> & \"c\"\u{0}\n'"), "a&lt;b&gt; &amp; &quot;c&quot;  &#39;");
    }

    #[test]
    fn exponents_that_the_face_lacks_are_raised_and_what_follows_is_not() {
        assert_eq!(raised("5 arcsec²", 10.0), "5 arcsec²");
        let expected = r#"2 × 10<tspan dy="-3.8" font-size="7.2">−5</tspan><tspan dy="3.8">.</tspan> Then"#;
        assert_eq!(raised("2 × 10⁻⁵. Then", 10.0), expected);
        assert_eq!(raised("10⁻³", 10.0), r#"10<tspan dy="-3.8" font-size="7.2">−3</tspan>"#);
    }

    #[test]
    fn lines_keep_inside_their_room_and_lose_no_word() {
        let text = "exposure-weighted mean of 58 frames in the filter of the night at a site";
        let lines = wrap(text, 13.0, 120.0);
        assert!(lines.iter().all(|l| text_width(l, 13.0) <= 120.0));
        assert_eq!(lines.join(" "), text);
        assert!(fit(&"W".repeat(400), 13.0, 100.0).ends_with('…'));
        assert!(text_width(&fit(&"W".repeat(400), 13.0, 100.0), 13.0) <= 100.0);
        assert!(wrap("", 13.0, 120.0).is_empty());
    }
}
