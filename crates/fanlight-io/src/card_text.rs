//! Header cards as text: what FITS can hold of a key, a value and a comment.
//!
//! # Source
//! FITS standard 4.0, section 4.2 (fixed and free format) and 4.2.1.2 (CONTINUE).

use crate::header::{Card, CardValue};

/// Bytes of a card.
pub(crate) const CARD: usize = 80;

/// Most characters of one string between its quotes.
const LONGEST_STRING: usize = 68;

/// The cards of one keyword: one, or several where a string must be continued; a comment that does not fit follows
/// whole in a COMMENT card.
///
/// # Errors
/// Says what FITS cannot hold: the keyword, or a number that is not finite.
pub(crate) fn value_cards(card: &Card) -> Result<Vec<String>, String> {
    check_key(&card.key)?;
    let value = match &card.value {
        CardValue::Text(text) => return Ok(string_cards(&card.key, &ascii(text), &ascii(&card.comment))),
        CardValue::Logical(value) => if *value { "T" } else { "F" }.to_owned(),
        CardValue::Integer(value) => value.to_string(),
        CardValue::Number(value) if value.is_finite() => number(*value),
        CardValue::Number(value) => return Err(format!("{value} is not a finite number, and FITS has no other")),
    };
    let mut cards = vec![format!("{:<8}= {value:>20}", card.key)];
    add_comment(&card.key, &ascii(&card.comment), &mut cards);
    Ok(cards.into_iter().map(padded).collect())
}

/// A structural card in the standard's fixed format, whose value the program makes itself.
pub(crate) fn fixed_card(key: &str, value: &str, comment: &str) -> String {
    padded(format!("{key:<8}= {value:>20} / {comment}"))
}

/// COMMENT or HISTORY cards of a text, wrapped at words; each line of the text begins a new card.
pub(crate) fn commentary_cards(key: &str, text: &str) -> Vec<String> {
    let mut cards = Vec::new();
    for line in text.lines() {
        for piece in wrapped(&ascii(line), CARD - 8) {
            cards.push(padded(format!("{key:<8}{piece}")));
        }
    }
    cards
}

/// A text in printable ASCII, the only characters of FITS: Greek letters by name, accents dropped, signs by their
/// usual stand-ins, anything else as `?`.
pub(crate) fn ascii(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            ' '..='~' => out.push(c),
            c if c.is_whitespace() || c.is_control() => out.push(' '),
            c => out.push_str(stand_in(c)),
        }
    }
    out
}

fn check_key(key: &str) -> Result<(), String> {
    let valid = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-' || b == b'_';
    if key.is_empty() || key.len() > 8 || !key.bytes().all(valid) {
        return Err("a keyword is 1 to 8 characters of A-Z, 0-9, - and _".to_owned());
    }
    let numbered = key.strip_prefix("NAXIS").is_some_and(|n| n.bytes().all(|b| b.is_ascii_digit()));
    let structural = ["SIMPLE", "XTENSION", "BITPIX", "PCOUNT", "GCOUNT", "EXTEND", "EXTNAME", "BSCALE", "BZERO"];
    if numbered || structural.contains(&key) || matches!(key, "BLANK" | "END" | "COMMENT" | "HISTORY" | "CONTINUE") {
        return Err("this keyword is written by the program itself".to_owned());
    }
    Ok(())
}

/// The shortest decimal that reads back as the same number, with a point so that it is no integer.
fn number(value: f64) -> String {
    let size = value.abs();
    if size == 0.0 || (1e-4..1e15).contains(&size) {
        return format!("{value:?}");
    }
    let text = format!("{value:E}");
    match text.split_once('E') {
        Some((mantissa, exponent)) if !mantissa.contains('.') => format!("{mantissa}.0E{exponent}"),
        _ => text,
    }
}

fn string_cards(key: &str, text: &str, comment: &str) -> Vec<String> {
    let mut pieces: Vec<String> = vec![String::new()];
    let mut last_len = 0;
    let doubled: Vec<&str> =
        text.chars().map(|c| if c == '\'' { "''" } else { &ASCII[c as usize..=c as usize] }).collect();
    let total: usize = doubled.iter().map(|s| s.len()).sum();
    for unit in doubled {
        // One place is kept for the `&` of a string that continues.
        let room = if total <= LONGEST_STRING { LONGEST_STRING } else { LONGEST_STRING - 1 };
        if last_len + unit.len() > room {
            pieces.push(String::new());
            last_len = 0;
        }
        if let Some(piece) = pieces.last_mut() {
            piece.push_str(unit);
        }
        last_len += unit.len();
    }
    let last = pieces.len() - 1;
    let mut cards: Vec<String> = Vec::new();
    for (i, piece) in pieces.iter().enumerate() {
        let start = if i == 0 { format!("{key:<8}= ") } else { "CONTINUE  ".to_owned() };
        let more = if i < last { "&" } else { "" };
        cards.push(format!("{start}'{:<8}'", format!("{piece}{more}")));
    }
    add_comment(key, comment, &mut cards);
    cards.into_iter().map(padded).collect()
}

fn add_comment(key: &str, comment: &str, cards: &mut Vec<String>) {
    let comment = comment.trim();
    let Some(last) = cards.last_mut().filter(|_| !comment.is_empty()) else { return };
    let with_comment = format!("{last:<30} / {comment}");
    if with_comment.len() <= CARD {
        *last = with_comment;
    } else {
        cards.extend(commentary_cards("COMMENT", &format!("{key}: {comment}")));
    }
}

fn padded(card: String) -> String {
    debug_assert!(card.len() <= CARD && card.is_ascii(), "{card}");
    format!("{card:<80}")
}

fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ') {
        let mut word = word;
        let gap = usize::from(!line.is_empty());
        if line.len() + gap + word.len() > width && !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        while word.len() > width {
            lines.push(word[..width].to_owned());
            word = &word[width..];
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
}

/// The ASCII characters, so that one of them can be borrowed as a string.
const ASCII: &str = "\0\u{1}\u{2}\u{3}\u{4}\u{5}\u{6}\u{7}\u{8}\t\n\u{b}\u{c}\r\u{e}\u{f}\u{10}\u{11}\u{12}\u{13}\u{14}\u{15}\u{16}\u{17}\u{18}\u{19}\u{1a}\u{1b}\u{1c}\u{1d}\u{1e}\u{1f} !\"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\]^_`abcdefghijklmnopqrstuvwxyz{|}~";

fn stand_in(c: char) -> &'static str {
    match c {
        'α' => "alpha",
        'β' => "beta",
        'γ' => "gamma",
        'δ' => "delta",
        'ε' => "epsilon",
        'ζ' => "zeta",
        'η' => "eta",
        'θ' => "theta",
        'κ' => "kappa",
        'λ' => "lambda",
        'μ' | 'µ' => "u",
        'ν' => "nu",
        'ξ' => "xi",
        'π' => "pi",
        'ρ' => "rho",
        'σ' | 'ς' => "sigma",
        'τ' => "tau",
        'φ' | 'ϕ' => "phi",
        'χ' => "chi",
        'ψ' => "psi",
        'ω' => "omega",
        'Δ' => "Delta",
        'Σ' => "Sigma",
        'Ω' => "Omega",
        'á' | 'à' | 'â' | 'ã' | 'å' | 'ā' | 'ă' | 'ą' => "a",
        'Á' | 'À' | 'Â' | 'Ã' | 'Å' | 'Ā' | 'Ă' | 'Ą' => "A",
        'ä' | 'æ' => "ae",
        'Ä' | 'Æ' => "Ae",
        'ç' | 'ć' | 'č' => "c",
        'Ç' | 'Ć' | 'Č' => "C",
        'ď' | 'đ' | 'ð' => "d",
        'é' | 'è' | 'ê' | 'ë' | 'ē' | 'ę' | 'ě' => "e",
        'É' | 'È' | 'Ê' | 'Ë' | 'Ē' | 'Ę' | 'Ě' => "E",
        'ğ' => "g",
        'í' | 'ì' | 'î' | 'ï' | 'ī' | 'ı' => "i",
        'Í' | 'Ì' | 'Î' | 'Ï' | 'İ' => "I",
        'ł' => "l",
        'Ł' => "L",
        'ñ' | 'ń' | 'ň' => "n",
        'Ñ' => "N",
        'ó' | 'ò' | 'ô' | 'õ' | 'ø' | 'ō' | 'ő' => "o",
        'Ó' | 'Ò' | 'Ô' | 'Õ' | 'Ø' | 'Ō' | 'Ő' => "O",
        'ö' | 'œ' => "oe",
        'Ö' | 'Œ' => "Oe",
        'ř' => "r",
        'Ř' => "R",
        'ś' | 'š' | 'ş' | 'ș' => "s",
        'Ś' | 'Š' | 'Ş' | 'Ș' => "S",
        'ß' => "ss",
        'ť' | 'ţ' | 'ț' => "t",
        'ú' | 'ù' | 'û' | 'ū' | 'ů' | 'ű' => "u",
        'Ú' | 'Ù' | 'Û' | 'Ū' | 'Ů' | 'Ű' => "U",
        'ü' => "ue",
        'Ü' => "Ue",
        'ý' | 'ÿ' => "y",
        'Ý' => "Y",
        'ź' | 'ż' | 'ž' => "z",
        'Ź' | 'Ż' | 'Ž' => "Z",
        '°' | 'º' => "deg",
        '′' => "arcmin",
        '″' => "arcsec",
        '☉' | '⊙' => "Sun",
        '±' => "+/-",
        '×' => "x",
        '·' => "*",
        '–' | '—' | '−' | '‐' | '‑' => "-",
        // a superscript minus begins an exponent: 10⁻⁶
        '⁻' => "^-",
        '‘' | '’' => "'",
        '“' | '”' => "\"",
        '…' => "...",
        '≤' => "<=",
        '≥' => ">=",
        '→' => "->",
        '⁰' => "0",
        '¹' => "1",
        '²' => "2",
        '³' => "3",
        '⁴' => "4",
        '⁵' => "5",
        '⁶' => "6",
        '⁷' => "7",
        '⁸' => "8",
        '⁹' => "9",
        _ => "?",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::header::Header;

    fn cards(key: &str, value: impl Into<CardValue>, comment: &str) -> Vec<String> {
        value_cards(&Card::new(key, value, comment)).unwrap()
    }

    /// What is written must be read back the same.
    fn check_round_trip(value: impl Into<CardValue>) {
        let value = value.into();
        let cards = cards("KEY", value.clone(), "what it is");
        assert!(cards.iter().all(|c| c.len() == CARD && c.is_ascii()), "{cards:?}");
        let header = Header::parse(cards.concat().as_bytes());
        assert_eq!(header.get("KEY"), Some(&value), "{cards:?}");
    }

    #[test]
    fn exponents_stay_exponents() {
        assert_eq!(ascii("10⁻⁶ arcsec²"), "10^-6 arcsec2");
    }

    #[test]
    fn values_come_back_as_written() {
        for number in [0.0, 1.0, -0.1, 1.2e-200, -1.2345678901234567e-200, 1e15, 1e300, 2463000.5, f64::MIN_POSITIVE] {
            check_round_trip(number);
        }
        for whole in [0, -1, i64::MAX, i64::MIN] {
            check_round_trip(whole);
        }
        check_round_trip(true);
        for text in ["", "r", "O'Hara", "''", "a/b / c", "ends with &"] {
            check_round_trip(text);
        }
        for n in [66, 67, 68, 69, 134, 135, 260] {
            check_round_trip("x".repeat(n));
            check_round_trip("'".repeat(n));
            check_round_trip(format!("{}{}", "word ".repeat(n / 5), "end"));
        }
    }

    #[test]
    fn numbers_that_are_not_finite_are_refused() {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert!(value_cards(&Card::new("KEY", value, "")).unwrap_err().contains("finite"));
        }
    }

    #[test]
    fn keywords_are_checked() {
        for key in ["", "toolong99", "lower", "A B", "NAXIS1", "END", "BZERO", "ρ"] {
            assert!(value_cards(&Card::new(key, 1.0, "")).is_err(), "{key}");
        }
    }

    #[test]
    fn a_comment_that_does_not_fit_is_kept_whole() {
        let comment = "a comment that is longer than the thirty-odd characters that are left beside a number";
        let cards = cards("KEY", 1.0, comment);
        let text: String = cards[1..].iter().map(|c| c[8..].trim_end().to_owned() + " ").collect();
        assert_eq!(text.trim(), format!("KEY: {comment}"));
    }

    #[test]
    fn history_is_wrapped_at_words() {
        let cards = commentary_cards("HISTORY", &"several words ".repeat(20));
        assert!(cards.len() > 3 && cards.iter().all(|c| c.len() == CARD && c.starts_with("HISTORY several")));
        let long = commentary_cards("COMMENT", &"x".repeat(200));
        assert_eq!(long.iter().map(|c| c[8..].trim_end().len()).collect::<Vec<_>>(), [72, 72, 56]);
        assert_eq!(commentary_cards("HISTORY", "one\ntwo").len(), 2);
    }

    #[test]
    fn transliteration() {
        assert_eq!(ascii("Jürgen at ρ = 3″ ± 0.1\té"), "Juergen at rho = 3arcsec +/- 0.1 e");
        assert_eq!(ascii("彗"), "?");
    }
}
