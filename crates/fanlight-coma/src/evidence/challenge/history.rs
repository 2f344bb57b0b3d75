//! Was it there before? It never counts against a new feature.

use super::Challenge;

pub(super) fn challenge() -> Challenge {
    Challenge::not_tested("history", "No earlier night is at hand: the feature is new to this record.")
}
