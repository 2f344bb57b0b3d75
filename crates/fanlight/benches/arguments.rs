//! What a bench was called with: `--name value` and `--name`.

/// The value behind a name.
pub fn text(name: &str) -> Option<String> {
    std::env::args().skip_while(|a| a != name).nth(1)
}

/// The number behind a name; `otherwise` where there is none.
pub fn number(name: &str, otherwise: u64) -> u64 {
    text(name).and_then(|v| v.parse().ok()).unwrap_or(otherwise)
}

/// Whether a name was given.
pub fn has(name: &str) -> bool {
    std::env::args().any(|a| a == name)
}
