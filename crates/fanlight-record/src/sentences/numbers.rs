//! Numbers as people read them: as many digits as the error allows.

/// The space between a number and its unit: thin, and never broken at the end of a line.
pub const THIN_SPACE: char = '\u{202f}';

/// A value and its 1σ error as `12.34 ± 0.05`, both to the same place: two digits of the error when they are 10 to
/// 35, else one. Errors below 10⁻⁶ are written with a power of ten. An error that is not a positive number is left
/// out and the value given to four digits.
///
/// # Source
/// The rounding is that of the Particle Data Group's reviews (introduction, section 5.3).
pub fn format_measured(value: f64, sigma: f64) -> String {
    if !value.is_finite() {
        return "not measured".to_string();
    }
    if !(sigma.is_finite() && sigma > 0.0) {
        return format_value(value, 4);
    }
    let places = places_for_error(sigma);
    if places > 7 {
        let power = value.abs().max(sigma).log10().floor();
        let scale = 10f64.powf(power);
        return format!("({}) × 10{}", format_measured(value / scale, sigma / scale), superscript(power as i32));
    }
    format!("{} ± {}", fixed(value, places), fixed(sigma, places))
}

/// A magnitude and its error, as [`format_measured`] but never finer than a thousandth: no one's magnitudes are, and numbers
/// of one table then end alike.
pub fn format_magnitude(mag: f64, sigma: f64) -> String {
    let known = sigma.is_finite() && sigma > 0.0;
    if !known || !mag.is_finite() || places_for_error(sigma) <= 3 {
        return format_measured(mag, sigma);
    }
    format!("{} ± {}", fixed(mag, 3), fixed(sigma.max(0.001), 3))
}

/// A value to so many significant digits, with a true minus sign and thin spaces between thousands from 10 000 on.
pub fn format_value(value: f64, digits: i32) -> String {
    if !value.is_finite() {
        return "not measured".to_string();
    }
    if value == 0.0 {
        return "0".to_string();
    }
    let power = value.abs().log10().floor() as i32;
    if power < -5 {
        let text = fixed(value / 10f64.powi(power), digits - 1);
        return format!("{text} × 10{}", superscript(power));
    }
    fixed(value, digits - 1 - power)
}

/// Like [`format_value`], without zeros at the end of a fraction: for chosen numbers such as exposures and ticks.
pub fn format_round(value: f64, digits: i32) -> String {
    let text = format_value(value, digits);
    if text.contains('.') && !text.contains('×') {
        text.trim_end_matches('0').trim_end_matches('.').to_string()
    } else {
        text
    }
}

/// A value to so many decimal places (negative: tens, hundreds …), with a true minus sign, never `−0`, and thin
/// spaces between thousands from 10 000 on.
pub fn fixed(value: f64, places: i32) -> String {
    let coarse = 10f64.powi((-places).max(0));
    // the formatter rounds decimal places exactly, but halves of whole numbers to even
    let rounded = if places <= 0 { (value.abs() / coarse).round() * coarse } else { value.abs() };
    let plain = format!("{rounded:.*}", places.max(0) as usize);
    let (whole, fraction) = plain.split_once('.').map_or((plain.as_str(), None), |(w, f)| (w, Some(f)));
    let mut out = String::new();
    if value < 0.0 && plain.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        out.push('−');
    }
    for (i, digit) in whole.chars().enumerate() {
        if i > 0 && whole.len() > 4 && (whole.len() - i).is_multiple_of(3) {
            out.push(THIN_SPACE);
        }
        out.push(digit);
    }
    if let Some(fraction) = fraction {
        out.push('.');
        out.push_str(fraction);
    }
    out
}

/// Decimal places at which an error is written.
pub(super) fn places_for_error(sigma: f64) -> i32 {
    let power = sigma.log10().floor() as i32;
    let lead = sigma / 10f64.powi(power);
    if lead < 3.55 { 1 - power } else { -power }
}

pub(super) fn superscript(power: i32) -> String {
    power
        .to_string()
        .chars()
        .map(|c| match c {
            '-' => '⁻',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            digit => char::from_u32('⁰' as u32 + digit as u32 - '0' as u32).unwrap_or(digit),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn measured_values_are_rounded_to_their_error() {
        let check = |value, sigma, expected: &str| assert_eq!(format_measured(value, sigma), expected);
        check(12.3412, 0.0512, "12.34 ± 0.05");
        check(12.3412, 0.0212, "12.341 ± 0.021");
        check(812.44, 24.3, "812 ± 24");
        check(812.44, 3.54, "812.4 ± 3.5");
        check(812.44, 3.56, "812 ± 4");
        check(812.44, 0.96, "812.4 ± 1.0");
        check(1612.0, 45.0, "1610 ± 50");
        check(-0.004, 0.2, "0.00 ± 0.20");
        check(-1.26, 0.4, "−1.3 ± 0.4");
        check(123_456.0, 12.0, "123\u{202f}456 ± 12");
        check(1.234e-9, 5e-11, "(1.23 ± 0.05) × 10⁻⁹");
        check(271.3, f64::NAN, "271.3");
        check(271.3, 0.0, "271.3");
        check(f64::NAN, 0.1, "not measured");
        let check = |mag, sigma, expected: &str| assert_eq!(format_magnitude(mag, sigma), expected);
        check(11.41393, 0.0034, "11.414 ± 0.003");
        check(11.41393, 0.0040, "11.414 ± 0.004");
        check(11.41393, 0.0002, "11.414 ± 0.001");
        check(11.41393, 0.021, "11.414 ± 0.021");
        check(11.41393, 0.3, "11.41 ± 0.30");
        check(f64::NAN, 0.001, "not measured");
    }

    #[test]
    fn values_have_true_minus_signs_and_grouped_thousands() {
        assert_eq!(fixed(-1234.5, 1), "−1234.5");
        assert_eq!(fixed(1_234_567.0, 0), "1\u{202f}234\u{202f}567");
        assert_eq!(fixed(-0.001, 2), "0.00");
        assert_eq!(fixed(1650.0, -2), "1700");
        assert_eq!(format_value(2.0e-5, 1), "0.00002");
        assert_eq!(format_value(2.34e-7, 1), "2 × 10⁻⁷");
        assert_eq!(format_value(0.0, 3), "0");
        assert_eq!(format_round(60.0, 3), "60");
        assert_eq!(format_round(0.5, 3), "0.5");
        assert_eq!(format_round(200.0, 1), "200");
    }
}
