//! FITS, catalogues, campaign files and products written whole.
