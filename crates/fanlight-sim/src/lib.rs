//! Simulated frames of a comet with known truth.
