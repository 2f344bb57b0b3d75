//! From a night of raw comet frames to a measured, publishable page.
