//! Parse, run one command, exit status.

fn main() {}
