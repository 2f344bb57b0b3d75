//! Figures and pages: records and images in, bytes out.
