//! The `fanlight` command.
fn main() {}
