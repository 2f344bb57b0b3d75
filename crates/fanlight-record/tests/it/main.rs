//! Integration tests of `fanlight-record`.
