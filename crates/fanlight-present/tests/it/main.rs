//! Integration tests of `fanlight-present`.
