//! Integration tests of `fanlight-io`.
