//! A FITS header: cards in order, looked up by keyword, as tolerant as capture programs require.
//!
//! # Source
//! FITS standard 4.0, sections 4.1 (cards), 4.2 (values), 4.2.1.2 (CONTINUE), and the HIERARCH convention.

/// A value in a header card.
#[derive(Debug, Clone, PartialEq)]
pub enum CardValue {
    /// A real number.
    Number(f64),
    /// A whole number.
    Integer(i64),
    /// A character string, without its quotes and trailing blanks.
    Text(String),
    /// `T` or `F`.
    Logical(bool),
}

impl From<f64> for CardValue {
    fn from(value: f64) -> Self {
        Self::Number(value)
    }
}

impl From<i64> for CardValue {
    fn from(value: i64) -> Self {
        Self::Integer(value)
    }
}

impl From<bool> for CardValue {
    fn from(value: bool) -> Self {
        Self::Logical(value)
    }
}

impl From<&str> for CardValue {
    fn from(value: &str) -> Self {
        Self::Text(value.to_owned())
    }
}

impl From<String> for CardValue {
    fn from(value: String) -> Self {
        Self::Text(value)
    }
}

/// A card to write: keyword, value, comment.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    /// Keyword of at most eight characters: capital letters, digits, `-` and `_`.
    pub key: String,
    /// Its value.
    pub value: CardValue,
    /// What it means, unit first in square brackets where it has one; may be empty.
    pub comment: String,
}

impl Card {
    /// A card of these parts.
    pub fn new(key: &str, value: impl Into<CardValue>, comment: &str) -> Self {
        Self { key: key.to_owned(), value: value.into(), comment: comment.to_owned() }
    }
}

/// A card as read. `COMMENT`, `HISTORY` and blank cards have no value and carry their text as comment.
#[derive(Debug, Clone, PartialEq)]
pub struct HeaderCard {
    /// Keyword in capitals, without `HIERARCH`.
    pub key: String,
    /// Value; `None` where the card has none or it cannot be understood.
    pub value: Option<CardValue>,
    /// Comment after the slash, or the text of a commentary card.
    pub comment: String,
}

/// The cards of one image in the order of the file. Keywords are looked up in any case; the first card of a keyword
/// counts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Header {
    cards: Vec<HeaderCard>,
}

impl Header {
    /// A header of these cards.
    pub fn from_cards(cards: Vec<HeaderCard>) -> Self {
        Self { cards }
    }

    /// Parses whole 80-byte cards up to the END card or the end of the bytes. Never fails: what cannot be understood
    /// becomes a card without a value. Bytes that are neither ASCII nor UTF-8 are read as Latin-1.
    pub fn parse(bytes: &[u8]) -> Self {
        let mut cards: Vec<HeaderCard> = Vec::new();
        let mut continued = false;
        for raw in bytes.chunks_exact(80) {
            if raw.starts_with(b"END") && raw[3..].iter().all(|b| *b == b' ' || *b == 0) {
                break;
            }
            let parsed = parse_card(raw);
            if continued
                && parsed.card.key == "CONTINUE"
                && let Some(HeaderCard { value: Some(CardValue::Text(text)), comment, .. }) = cards.last_mut()
            {
                text.pop();
                if let Some(CardValue::Text(more)) = parsed.card.value {
                    text.push_str(&more);
                }
                comment.push_str(&parsed.card.comment);
                continued = parsed.may_continue;
                continue;
            }
            continued = parsed.may_continue;
            cards.push(parsed.card);
        }
        Self { cards }
    }

    /// All cards in order.
    pub fn cards(&self) -> &[HeaderCard] {
        &self.cards
    }

    /// The first card of a keyword.
    pub fn card(&self, key: &str) -> Option<&HeaderCard> {
        self.cards.iter().find(|c| c.key.eq_ignore_ascii_case(key))
    }

    /// The value of a keyword.
    pub fn get(&self, key: &str) -> Option<&CardValue> {
        self.card(key)?.value.as_ref()
    }

    /// The comment of a keyword, if it has one.
    pub fn comment(&self, key: &str) -> Option<&str> {
        self.card(key).map(|c| c.comment.as_str()).filter(|c| !c.is_empty())
    }

    /// The finite number of a keyword; a number in quotes counts too, since some capture programs write them so.
    pub fn number(&self, key: &str) -> Option<f64> {
        match self.get(key)? {
            CardValue::Number(value) => Some(*value),
            CardValue::Integer(value) => Some(*value as f64),
            CardValue::Text(text) => parse_number(text),
            CardValue::Logical(_) => None,
        }
    }

    /// The whole number of a keyword.
    pub fn integer(&self, key: &str) -> Option<i64> {
        match self.get(key)? {
            CardValue::Integer(value) => Some(*value),
            CardValue::Number(value) if value.fract() == 0.0 && value.abs() < 9e15 => Some(*value as i64),
            CardValue::Text(text) => text.trim().parse().ok(),
            _ => None,
        }
    }

    /// The text of a keyword, trimmed; numbers and logicals as written by us. `None` for an empty string.
    pub fn text(&self, key: &str) -> Option<String> {
        let text = match self.get(key)? {
            CardValue::Text(text) => text.trim().to_owned(),
            CardValue::Integer(value) => value.to_string(),
            CardValue::Number(value) => value.to_string(),
            CardValue::Logical(value) => if *value { "T" } else { "F" }.to_owned(),
        };
        (!text.is_empty()).then_some(text)
    }

    /// The logical value of a keyword.
    pub fn logical(&self, key: &str) -> Option<bool> {
        match self.get(key)? {
            CardValue::Logical(value) => Some(*value),
            _ => None,
        }
    }

    /// Whether the keyword is there at all.
    pub fn contains(&self, key: &str) -> bool {
        self.card(key).is_some()
    }

    /// The first of several keywords that holds a finite number: the keyword and the number.
    pub fn first_number<'a>(&self, keys: &[&'a str]) -> Option<(&'a str, f64)> {
        keys.iter().find_map(|key| Some((*key, self.number(key)?)))
    }

    /// An angle in degrees, written as a number or in sexagesimal (`+51 12 00.0`, `51:12:00`, `51d12m00s`).
    pub fn angle_deg(&self, key: &str) -> Option<f64> {
        match self.get(key)? {
            CardValue::Text(text) => parse_number(text).or_else(|| fanlight_sky::parse_sexagesimal(text)),
            _ => self.number(key),
        }
    }

    /// Electrons per ADU as `EGAIN` states it. `GAIN` is not read here: in many files it is a camera setting.
    pub fn egain_e_per_adu(&self) -> Option<f64> {
        self.number("EGAIN").filter(|g| *g > 0.0)
    }

    /// The `GAIN` keyword, whatever it means in this file: electrons per ADU or a camera setting.
    pub fn gain_as_written(&self) -> Option<f64> {
        self.number("GAIN")
    }

    /// Arcsec per pixel as the header may mean it, the likeliest first: `PIXSCALE` or `SECPIX`, else from `FOCALLEN` (mm) and
    /// `XPIXSZ` (µm), which some programs write for the binned pixel and some for the bare one.
    pub fn pixel_scales_arcsec(&self) -> Vec<f64> {
        let positive = |key: &str| self.number(key).filter(|v| *v > 0.0);
        if let Some(scale) = positive("PIXSCALE").or_else(|| positive("SECPIX")) {
            return vec![scale];
        }
        let Some((focal_mm, pixel_um)) = positive("FOCALLEN").zip(positive("XPIXSZ")) else { return Vec::new() };
        // 1 rad is 206 265″; µm over mm is a thousandth
        let scale = pixel_um / focal_mm * 206.264_806;
        match positive("XBINNING") {
            Some(binning) if binning > 1.0 => vec![scale, scale * binning],
            _ => vec![scale],
        }
    }

    /// Read noise in electrons: `RDNOISE`, `READNOIS`, `RON` or `ENOISE`.
    pub fn read_noise_e(&self) -> Option<f64> {
        self.first_number(&["RDNOISE", "READNOIS", "RON", "ENOISE"]).map(|(_, v)| v).filter(|v| *v >= 0.0)
    }

    /// Saturation level in ADU: `SATURATE`, `SATLEVEL` or `DATAMAX`.
    pub fn saturation_adu(&self) -> Option<f64> {
        self.first_number(&["SATURATE", "SATLEVEL", "DATAMAX"]).map(|(_, v)| v).filter(|v| *v > 0.0)
    }

    /// Adds the cards of another header whose keywords this one lacks and `keep` accepts.
    pub(crate) fn inherit(&mut self, other: &Header, keep: impl Fn(&HeaderCard) -> bool) {
        let missing: Vec<HeaderCard> =
            other.cards.iter().filter(|c| c.value.is_some() && keep(c) && !self.contains(&c.key)).cloned().collect();
        self.cards.extend(missing);
    }
}

impl fanlight_sky::HeaderCards for Header {
    fn number(&self, key: &str) -> Option<f64> {
        Header::number(self, key)
    }

    fn text(&self, key: &str) -> Option<String> {
        Header::text(self, key)
    }

    fn contains(&self, key: &str) -> bool {
        Header::contains(self, key)
    }
}

struct ParsedCard {
    card: HeaderCard,
    /// Whether its string ends in `&`, so that a CONTINUE card may follow.
    may_continue: bool,
}

fn parse_card(raw: &[u8]) -> ParsedCard {
    let keyword = decode(&raw[..8]).trim().to_uppercase();
    let commentary = |key: String, text: &[u8]| ParsedCard {
        card: HeaderCard { key, value: None, comment: decode(text).trim_end().to_owned() },
        may_continue: false,
    };
    if keyword == "CONTINUE" {
        return with_value(keyword, &decode(&raw[8..]));
    }
    if keyword == "HIERARCH" {
        let text = decode(&raw[8..]);
        return match text.split_once('=') {
            Some((key, field)) if !key.contains('\'') => with_value(key.trim().to_uppercase(), field),
            _ => commentary(keyword, &raw[8..]),
        };
    }
    if raw[8] != b'=' || matches!(keyword.as_str(), "COMMENT" | "HISTORY" | "") {
        return commentary(keyword, &raw[8..]);
    }
    with_value(keyword, &decode(&raw[9..]))
}

fn with_value(key: String, field: &str) -> ParsedCard {
    let field = field.trim_start();
    let Some(quoted) = field.strip_prefix('\'') else {
        let (value, comment) = field.split_once('/').unwrap_or((field, ""));
        let value = plain_value(value.trim());
        return ParsedCard { card: HeaderCard { key, value, comment: comment.trim().to_owned() }, may_continue: false };
    };
    // A doubled quote is a quote; a string that is never closed takes the rest of the card.
    let mut text = String::new();
    let mut chars = quoted.chars().peekable();
    while let Some(c) = chars.next() {
        if c != '\'' {
            text.push(c);
        } else if chars.peek() == Some(&'\'') {
            chars.next();
            text.push('\'');
        } else {
            break;
        }
    }
    let rest: String = chars.collect();
    let comment = rest.split_once('/').map_or("", |(_, comment)| comment).trim().to_owned();
    let text = text.trim_end_matches([' ', '\0']).to_owned();
    let may_continue = text.ends_with('&');
    ParsedCard { card: HeaderCard { key, value: Some(CardValue::Text(text)), comment }, may_continue }
}

fn plain_value(text: &str) -> Option<CardValue> {
    match text {
        "" => None,
        "T" => Some(CardValue::Logical(true)),
        "F" => Some(CardValue::Logical(false)),
        _ => match text.parse::<i64>() {
            Ok(whole) => Some(CardValue::Integer(whole)),
            Err(_) => match parse_number(text) {
                Some(number) => Some(CardValue::Number(number)),
                // Words without quotes are not FITS but are written; `NaN` and `inf` stay without a value.
                None if text.starts_with(|c: char| c.is_ascii_alphabetic()) && !is_non_finite(text) => {
                    Some(CardValue::Text(text.to_owned()))
                }
                None => None,
            },
        },
    }
}

fn is_non_finite(text: &str) -> bool {
    text.parse::<f64>().is_ok_and(|v| !v.is_finite())
}

/// A finite decimal number with an optional `E` or `D` exponent; nothing else (no `nan`, no `inf`).
pub(crate) fn parse_number(text: &str) -> Option<f64> {
    let text = text.trim();
    if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit() || b"+-.eEdD".contains(&b)) {
        return None;
    }
    text.replace(['d', 'D'], "E").parse().ok().filter(|v: &f64| v.is_finite())
}

fn decode(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(_) => bytes.iter().map(|b| char::from(*b)).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(lines: &[&[u8]]) -> Header {
        let mut bytes = Vec::new();
        for line in lines {
            let mut card = line.to_vec();
            card.resize(80, b' ');
            bytes.extend(card);
        }
        Header::parse(&bytes)
    }

    fn check(line: &[u8], value: Option<CardValue>, comment: &str) {
        let header = header(&[line]);
        let card = &header.cards()[0];
        assert_eq!((&card.value, card.comment.as_str()), (&value, comment), "{}", String::from_utf8_lossy(line));
    }

    #[test]
    fn values_of_every_kind() {
        check(b"EXPTIME =                 60.0 / [s] exposure", Some(CardValue::Number(60.0)), "[s] exposure");
        check(b"BZERO   = 3.2768D4", Some(CardValue::Number(32768.0)), "");
        check(b"NAXIS   =2/axes", Some(CardValue::Integer(2)), "axes");
        check(b"SIMPLE  =                    T", Some(CardValue::Logical(true)), "");
        check(b"OBSERVER= 'O''Hara '           / who", Some(CardValue::Text("O'Hara".into())), "who");
        check(b"FILTER  = 'Sloan r", Some(CardValue::Text("Sloan r".into())), "");
        check(b"OBSERVER= 'J\xfcrgen'", Some(CardValue::Text("Jürgen".into())), "");
        check("OBSERVER= 'Jürgen'".as_bytes(), Some(CardValue::Text("Jürgen".into())), "");
        check(b"BZERO   = 9223372036854775808", Some(CardValue::Number(9223372036854775808.0)), "");
        check(b"EMPTY   =                      / nothing", None, "nothing");
        check(b"GAIN    = NaN", None, "");
        check(b"GAIN    = inf", None, "");
        check(b"TELESCOP= Newton", Some(CardValue::Text("Newton".into())), "");
        check(b"DATE-OBS= '2031-03-04T21:10:00' / UTC / start", Some("2031-03-04T21:10:00".into()), "UTC / start");
        check(b"HISTORY  dark subtracted = yes", None, " dark subtracted = yes");
    }

    #[test]
    fn keywords_in_any_case_and_hierarch() {
        let header = header(&[b"exptime =                 30.0", b"HIERARCH ESO DET GAIN = 1.5 / e-/ADU"]);
        assert_eq!(header.number("EXPTIME"), Some(30.0));
        assert_eq!(header.number("eso det gain"), Some(1.5));
        assert_eq!(header.comment("ESO DET GAIN"), Some("e-/ADU"));
    }

    #[test]
    fn continued_strings_join() {
        let header =
            header(&[b"LONG    = 'one &'", b"CONTINUE  'two &'", b"CONTINUE  'three' / end", b"GAIN    = 1.0"]);
        assert_eq!(header.text("LONG").as_deref(), Some("one two three"));
        assert_eq!(header.comment("LONG"), Some("end"));
        assert_eq!(header.number("GAIN"), Some(1.0));
    }

    #[test]
    fn an_ampersand_without_continuation_stays() {
        let header = header(&[b"OBJECT  = 'this &'", b"GAIN    = 1.0", b"CONTINUE  'lost'"]);
        assert_eq!(header.text("OBJECT").as_deref(), Some("this &"));
    }

    #[test]
    fn numbers_in_quotes_and_sexagesimal() {
        let header =
            header(&[b"EXPTIME = '60.0'", b"SITELAT = '-51 12 36'", b"SITELONG= '3:15:00'", b"BAD     = '5 70'"]);
        assert_eq!(header.number("EXPTIME"), Some(60.0));
        assert_eq!(header.angle_deg("SITELAT"), Some(-51.21));
        assert_eq!(header.angle_deg("SITELONG"), Some(3.25));
        assert_eq!(header.angle_deg("BAD"), None);
    }

    #[test]
    fn gain_is_not_taken_for_electrons() {
        let header = header(&[b"GAIN    = 120", b"RON     = 3.5"]);
        assert_eq!((header.egain_e_per_adu(), header.gain_as_written()), (None, Some(120.0)));
        assert_eq!(header.read_noise_e(), Some(3.5));
    }
}
