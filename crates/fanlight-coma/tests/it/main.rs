//! Integration tests of `fanlight-coma`.

mod enhance;
