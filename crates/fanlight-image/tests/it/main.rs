//! Integration tests of `fanlight-image`.
