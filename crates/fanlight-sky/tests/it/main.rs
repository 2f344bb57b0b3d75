//! Integration tests of `fanlight-sky`.
