//! Integration tests of `fanlight-sim`.
