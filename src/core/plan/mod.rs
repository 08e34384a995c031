//! Which covers, and when, so that pots can be trimmed while somebody is there: from knowing to
//! deciding.
//!
//! [`Prospect`] says what comes of a pot's draws under other covers; here is chosen between them.
//! The least that is enough is done: nothing, one change, two (`sequences`). Pots under one sheet
//! of plastic share their covers. There is one wheel: whoever closes first is trimmed first
//! (`queue`, the order of earliest due date: Jackson 1955), and what cannot wait is covered.
//!
//! No pot comes out worse under a plan than if nothing were done, save that what is surer than was
//! wanted may be as sure as that ([`Draft`]).

pub mod backwards;
mod draft;
pub mod hours;
mod queue;
mod sequences;

use super::assessment::Assessment;
use super::prospect::{Course, Doing, Prospect};
use super::report::{PotAnswer, TimeQuantiles, TrimCall, Warning};
use crate::records::{Cover, Name, Pot};
use crate::units::Time;
pub use draft::{Draft, Way};
use hours::Hours;
pub use sequences::{Group, groups};

/// What a plan is to be made for. Times are seconds from now.
#[derive(Clone, Debug)]
pub struct Question {
    /// Now.
    pub at: Time,
    /// Hours at the wheel.
    pub hours: Hours,
    /// Moments at which covers can be changed, in order.
    pub moments: Vec<f64>,
    /// How long one pot takes to trim, s.
    pub trim_s: f64,
    /// How likely a pot is to be trimmable in those hours.
    pub wanted: f64,
    /// Covers that the studio has, beside none.
    pub covers: Vec<Cover>,
    /// When the kiln is packed.
    pub kiln: Option<f64>,
    /// Up to when is looked.
    pub until: f64,
}

/// A pot to be planned for.
pub struct Subject {
    /// Its name.
    pub pot: Name,
    /// The board it stands on.
    pub board: Option<Name>,
    /// Whether trimming lies ahead of it.
    pub trims: bool,
    /// Whether it can be turned over to dry: firm, done with trimming, and on its foot.
    pub turns: bool,
    /// What may be done, and what comes of it.
    pub prospect: Prospect,
    /// What comes of it when nothing is done that is not planned yet.
    pub nothing: Vec<Course>,
    /// What speaks against the log that all this rests on: it was not uncovered, or turned over.
    pub departs: Vec<Warning>,
}

/// Warnings that say that a pot is not kept as the log has it.
const DEPARTS: [&str; 2] = ["keeps-its-weight", "flip-not-noted"];

impl Subject {
    /// From an assessment that holds a prospect; `None` where it holds none.
    pub fn new(
        pot: &Pot,
        assessment: Assessment,
        answer: &PotAnswer,
        on_rim: bool,
    ) -> Option<Subject> {
        let (band, call) = (assessment.band(), answer.trim.call);
        let prospect = assessment.prospect?;
        let trims = matches!(call, TrimCall::Wait | TrimCall::Soon | TrimCall::Now);
        Some(Subject {
            pot: pot.name.clone(),
            board: pot.board.clone(),
            trims,
            turns: !trims && !on_rim && answer.water.now.p90 < band.from,
            nothing: prospect.under(&[]),
            prospect,
            departs: answer
                .warnings
                .iter()
                .filter(|w| DEPARTS.contains(&w.code))
                .cloned()
                .collect(),
        })
    }
}

/// How likely something comes out as it is wanted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Chances {
    /// That it can be trimmed while somebody is there and has the wheel free; `None` where that is
    /// not in question.
    pub trim: Option<f64>,
    /// That it is dry when the kiln is packed, where one is; of a pot that is still to be trimmed:
    /// trimmed and dry.
    pub kiln: Option<f64>,
}

/// What a plan says of a pot.
#[derive(Clone, PartialEq, Debug)]
pub struct Planned {
    /// The pot.
    pub pot: Name,
    /// The board it stands on.
    pub board: Option<Name>,
    /// If nothing is done.
    pub before: Chances,
    /// Under the plan.
    pub after: Chances,
    /// When it opens under the plan.
    pub opens: TimeQuantiles,
    /// When it closes.
    pub closes: TimeQuantiles,
    /// When it is dry, where there is a kiln.
    pub bone_dry: Option<TimeQuantiles>,
    /// When to trim it, and how likely it is trimmable all along then.
    pub slot: Option<(Time, Time, f64)>,
    /// When it is likeliest to be trimmable, at whatever hour, and how likely; only of a pot of
    /// which the plan is not sure enough.
    pub instead: Option<(Time, Time, f64)>,
    /// The covers: from when, which; the first is now's.
    pub covers: Vec<(Time, Cover)>,
    /// What speaks against the log that all this rests on.
    pub departs: Vec<Warning>,
}

/// Something to be done, to all pots of a board or to one.
#[derive(Clone, PartialEq, Debug)]
pub struct Step {
    /// When.
    pub at: Time,
    /// What.
    pub doing: Doing,
    /// The board, where there is one.
    pub board: Option<Name>,
    /// Its pots.
    pub pots: Vec<Name>,
    /// Only once they are trimmed; if they are not yet, later.
    pub once_trimmed: bool,
}

/// What to do and what comes of it.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Plan {
    /// In order of time.
    pub steps: Vec<Step>,
    /// In the order of the subjects.
    pub pots: Vec<Planned>,
}
