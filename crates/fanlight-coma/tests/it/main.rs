//! Integration tests of `fanlight-coma`.
