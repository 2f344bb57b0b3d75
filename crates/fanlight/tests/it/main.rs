//! Integration tests of `fanlight`.
