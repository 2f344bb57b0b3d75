//! What can be wrong with a scenario.

use thiserror::Error;

/// Why a night could not be simulated.
#[derive(Debug, Error)]
pub enum SimError {
    /// The text is not TOML, or holds a key that is not known or not of the right type.
    #[error("the scenario cannot be read: {message}")]
    Unreadable {
        /// The parser's words, with line and key.
        message: String,
    },
    /// A number outside what can be simulated.
    #[error("scenario key `{key}` is {value}; it must be {limit}")]
    OutOfRange {
        /// Full name of the key, such as `camera.width_px`.
        key: String,
        /// The value given.
        value: String,
        /// What is allowed.
        limit: String,
    },
    /// Two keys that contradict each other, or one that needs another.
    #[error("scenario key `{key}`: {problem}")]
    Inconsistent {
        /// Full name of the key.
        key: String,
        /// What is wrong and what to do.
        problem: String,
    },
    /// The comet's place could not be computed.
    #[error("the comet's place cannot be computed: {source}")]
    Sky {
        /// What the geometry code says.
        #[from]
        source: fanlight_sky::SkyError,
    },
}
