//! Numbers in, numbers out: no files, ports, threads, clocks or logs.
//!
//! [`assess`] is the whole of it: a studio as of a time in, a [`report::Report`] out; the same
//! code answers "now" and replays history.

pub mod air;
pub mod clay;
pub mod inference;
pub mod report;

use crate::records::Studio;
use report::{PotAnswer, Report};

/// What is known about every pot of the studio as of `studio.at`, in order of name.
pub fn assess(studio: &Studio) -> Report {
    let pots = studio.pots.keys().filter_map(|name| assess_pot(studio, name)).collect();
    Report { at: studio.at, pots }
}

/// What is known about one pot; `None` if the studio does not know it (yet).
///
/// A pure function of its input: pots can be assessed in any order and on any thread.
pub fn assess_pot(_studio: &Studio, _pot: &str) -> Option<PotAnswer> {
    None
}
