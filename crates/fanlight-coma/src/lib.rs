//! From calibrated frames to the comet-registered stack, profile, photometry and Afρ.
