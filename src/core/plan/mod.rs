//! Which covers, and when, so that pots can be trimmed while somebody is there: from knowing to
//! deciding.
//!
//! [`Prospect`] says what comes of a pot's draws under other covers; here is chosen between them.
//! The least that is enough is done: nothing, one change, two (`sequences`). Pots under one sheet
//! of plastic share their covers. There is one wheel: whoever closes first is trimmed first
//! (`queue`, the order of earliest due date: Jackson 1955), and what cannot wait is covered.
//!
//! No pot comes out worse under a plan than if nothing were done, save that what is surer than was
//! wanted may be as sure as that ([`Draft`]), and none dries faster than its body stands where
//! that can be helped (`gently`). Two pots that must stay equally damp are one piece
//! of work (`pairs`); where the studio has only so many sheets of plastic, no more are laid
//! (`sheets`). Whether an earlier plan was kept to is asked of the weights ([`done`]).

mod afterwards;
pub mod backwards;
mod corrected;
pub mod done;
mod draft;
mod gently;
pub mod hours;
mod pairs;
mod queue;
mod sequences;
mod sheets;
pub mod work;

use super::assessment::Assessment;
use super::correction::Corrections;
use super::forecast::Band;
use super::kiln::says_unweighed;
use super::on_its_rim;
use super::prospect::{Change, Course, Doing, Prospect};
use super::report::{PotAnswer, TimeQuantiles, Warning};
use crate::records::{Cover, Name, Pot, Studio, Wary};
use crate::units::{DAY, Time};
use corrected::corrected;
pub use draft::{Draft, Way};
use hours::Hours;
pub use pairs::Pair;
pub use sequences::{Group, groups};
use work::{Within, Work};

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
    /// What one more change has to gain where it is not enough, in chance of one pot.
    pub worth: f64,
    /// So much may be missing where something was planned already.
    pub leave: f64,
    /// Covers that the studio has, beside none.
    pub covers: Vec<Cover>,
    /// Sheets of plastic that there are for these pots; `None`: as many as are wanted.
    pub sheets: Option<usize>,
    /// When the kiln is packed.
    pub kiln: Option<f64>,
    /// Up to when is looked.
    pub until: f64,
    /// What the pots are to be ready for.
    pub work: Work,
    /// Its band, within the body's trimming band.
    pub within: Within,
    /// Pots that must stay equally damp.
    pub pairs: Vec<Pair>,
    /// How far apart two of a pair may be, as a part of the band.
    pub alike: f64,
    /// How likely a pot may crack or warp.
    pub wary: Wary,
}

impl Question {
    /// Trimming in these hours, a quarter of an hour a pot, covers changed at their ends.
    pub fn trimming(at: Time, hours: Hours) -> Question {
        let ends = hours.spans().iter().flat_map(|(from, to)| [*from, *to]);
        Question {
            at,
            moments: ends.filter(|t| *t > 0.0).collect(),
            hours,
            trim_s: 900.0,
            wanted: 0.80,
            worth: 0.20,
            leave: 0.05,
            covers: vec![Cover::Draped, Cover::Wrapped],
            sheets: None,
            kiln: None,
            until: 10.0 * DAY,
            work: Work::Trim,
            within: Within { from: 0.0, to: 1.0 },
            pairs: Vec::new(),
            alike: 1.0 / 3.0,
            wary: Wary::default(),
        }
    }
}

/// A pot to be planned for.
pub struct Subject {
    /// Its name.
    pub pot: Name,
    /// The board it stands on.
    pub board: Option<Name>,
    /// Whether the work lies ahead of it.
    pub trims: bool,
    /// Whether it can be turned over to dry: firm, done with trimming, and on its foot.
    pub turns: bool,
    /// What may be done, and what comes of it.
    pub prospect: Prospect,
    /// What comes of it when nothing is done that is not planned yet.
    pub nothing: Vec<Course>,
    /// Something is planned for it already.
    pub planned: bool,
    /// It was never weighed, nor is it like one that was.
    unweighed: bool,
    /// What speaks against the log that all this rests on: it was not uncovered, or turned over.
    pub departs: Vec<Warning>,
    /// Water at which it can be worked on, dry basis.
    pub band: Band,
    /// What the studio's own record says of forecasts.
    corrections: Corrections,
}

/// Warnings that say that a pot is not kept as the log has it.
const DEPARTS: [&str; 2] = ["keeps-its-weight", "flip-not-noted"];

impl Subject {
    /// From an assessment that holds a prospect, made for the band of a work; `None` where it holds
    /// none.
    pub fn new(
        (studio, corrections): (&Studio, &Corrections),
        pot: &Pot,
        assessment: Assessment,
        work: Work,
    ) -> Option<Subject> {
        let answer: PotAnswer = assessment.answer(studio, corrections)?;
        let (band, on_rim) = (assessment.band(), on_its_rim(studio, &pot.name)?);
        let unweighed = answer.warnings.iter().any(|warning| says_unweighed(warning, &assessment));
        let prospect = assessment.prospect?;
        let ahead = work.lies_ahead(studio, &pot.name, &answer, band);
        let firm = work == Work::Trim && !ahead && answer.water.now.p90 < band.from;
        let planned = studio.handling.get(&pot.name).and_then(|rows| rows.last());
        let departs = answer.warnings.into_iter().filter(|w| DEPARTS.contains(&w.code));
        let mut subject = Subject {
            pot: pot.name.clone(),
            board: pot.board.clone(),
            trims: ahead,
            turns: firm && !on_rim,
            planned: planned.is_some_and(|row| row.time > studio.at),
            nothing: Vec::new(),
            unweighed,
            prospect,
            departs: departs.collect(),
            band,
            corrections: *corrections,
        };
        subject.nothing = subject.under(&[Vec::new()]).pop()?;
        Some(subject)
    }

    /// What comes of it in each of some ways ([`Prospect::under`]), as the record corrects it.
    pub fn under(&self, ways: &[Vec<Change>]) -> Vec<Vec<Course>> {
        let told = self.prospect.under(ways).into_iter();
        told.map(|courses| corrected(courses, &self.corrections)).collect()
    }

    /// The same roughly ([`Prospect::search`]).
    pub fn search(&self, ways: &[Vec<Change>]) -> Vec<Vec<Course>> {
        let told = self.prospect.search(ways).into_iter();
        told.map(|courses| corrected(courses, &self.corrections)).collect()
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
    /// That it cracks or warps on the worst day of its way, drying unevenly; `None` where that is
    /// not in question.
    pub cracks: Option<f64>,
}

/// What a plan says of a pot.
#[derive(Clone, PartialEq, Debug)]
pub struct Planned {
    /// The pot.
    pub pot: Name,
    /// The board it stands on.
    pub board: Option<Name>,
    /// The pot that must stay as damp as it: its chances are those of both together.
    pub pair: Option<Name>,
    /// Water at which it can be worked on, dry basis.
    pub band: Band,
    /// There would be a better way with more sheets of plastic.
    pub wants_sheets: bool,
    /// From which chance on nothing more is done about it.
    pub enough: f64,
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
    /// It was never weighed, nor is it like one that was: its chances rest on what is usual.
    pub unweighed: bool,
    /// The covers: from when, which; the first is now's.
    pub covers: Vec<(Time, Cover)>,
    /// Pots of its body whose outcome is known, and those of them that cracked or warped.
    pub stood: Option<(usize, usize)>,
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
    /// The board, where all its pots are meant.
    pub board: Option<Name>,
    /// The pots.
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
    /// Pairs that cannot be kept equally damp, and how likely they could be at best: each of their
    /// pots is planned by itself.
    pub apart: Vec<(Pair, f64)>,
}

/// Two pots that are less likely worked on together than this are no pair (common practice, no
/// source: rather than not).
const A_PAIR: f64 = 0.5;

impl Plan {
    /// Pairs that are worked on together less likely than not, and how likely.
    pub fn hopeless_pairs(&self) -> Vec<(Pair, f64)> {
        let pair = |pot: &Planned| {
            let other = pot.pair.clone().filter(|other| pot.pot < *other)?;
            let chance = pot.after.trim.filter(|chance| *chance < A_PAIR)?;
            Some(([pot.pot.clone(), other], chance))
        };
        self.pots.iter().filter_map(pair).collect()
    }
}
