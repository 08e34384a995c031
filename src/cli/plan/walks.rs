//! What is done on one walk: steps at the same time as one line, pots at the wheel as one session.

use super::action;
use super::timetable::Timetable;
use crate::cli::names::list;
use crate::cli::words::printable;
use crate::core::plan::{Planned, Step};
use crate::core::prospect::Doing;
use crate::records::{Action, Cover, HandlingRow, Name};
use crate::units::Time;
use std::collections::BTreeMap;

/// Something on one walk.
pub(super) struct Walk {
    pub at: Time,
    pub to: Time,
    pub text: String,
}

/// Slots this close are one session, s.
const SAME: f64 = 1.0;

impl Timetable<'_> {
    /// What is done at the same time, as one line.
    pub(super) fn walks(&self) -> Vec<Walk> {
        let same =
            |a: &Step, b: &Step| (a.at, a.doing, a.once_trimmed) == (b.at, b.doing, b.once_trimmed);
        let mut steps: Vec<&Step> = self.plan.steps.iter().collect();
        steps.sort_by_key(|step| (step.at, action(step.doing).detail(), step.once_trimmed));
        let line = |steps: &[&Step]| {
            let what = list(steps.iter().map(|step| label(step)));
            let once = match steps[0].once_trimmed {
                true => format!(", once {}", self.said().done),
                false => String::new(),
            };
            let text = done_to(steps[0].doing, &what) + &once;
            Walk { at: steps[0].at, to: steps[0].at, text }
        };
        let mut walks: Vec<Walk> = steps.chunk_by(|a, b| same(a, b)).map(line).collect();
        walks.extend(self.sessions().into_iter().map(|(at, to, pots)| Walk {
            at,
            to,
            text: format!("{} {}", self.said().to_do, list(&pots)),
        }));
        walks
    }

    /// Trimming without a pause: from, to, and the pots in their order.
    fn sessions(&self) -> Vec<(Time, Time, Vec<Name>)> {
        let slot = |pot: &Planned| pot.slot.map(|(from, to, _)| (from, to, pot.pot.clone()));
        let mut slots: Vec<_> = self.plan.pots.iter().filter_map(slot).collect();
        slots.sort();
        let mut sessions: Vec<(Time, Time, Vec<Name>)> = Vec::new();
        for (from, to, pot) in slots {
            match sessions.last_mut() {
                Some(last) if from.since(last.1) < SAME => {
                    last.1 = to;
                    last.2.push(pot);
                }
                _ => sessions.push((from, to, vec![pot])),
            }
        }
        sessions
    }

    /// Pots by name, those of a board of which all are meant as that board.
    fn by_boards(&self, pots: &[&Name]) -> String {
        let meant = |pot: &Planned| pots.contains(&&pot.pot);
        let what = |pot: &Planned| match &pot.board {
            Some(board) if self.plan.pots.iter().all(|p| p.board != pot.board || meant(p)) => {
                named(board)
            }
            _ => pot.pot.clone(),
        };
        let mut whats = Vec::new();
        for what in self.plan.pots.iter().filter(|pot| meant(pot)).map(what) {
            if !whats.contains(&what) {
                whats.push(what);
            }
        }
        list(&whats)
    }

    /// Rows that were planned before and stay so.
    pub(super) fn kept_rows(&self) -> impl Iterator<Item = &HandlingRow> {
        self.ahead.iter().filter(|row| !self.replaced.contains(row))
    }

    /// The same as walks.
    pub(super) fn kept(&self) -> Vec<Walk> {
        let mut walks = self.together(self.kept_rows());
        walks.iter_mut().for_each(|walk| walk.text += " (planned already)");
        walks
    }

    /// Walks that were planned and are no longer to be done.
    pub(super) fn taken_back(&self) -> Vec<Walk> {
        self.together(self.replaced.iter())
    }

    /// Rows of the same time and deed as one walk.
    fn together<'r>(&self, all: impl Iterator<Item = &'r HandlingRow>) -> Vec<Walk> {
        let mut walks: BTreeMap<(Time, &str, String), Vec<&HandlingRow>> = BTreeMap::new();
        for row in all {
            let key = (row.time, row.action.word(), row.action.detail());
            walks.entry(key).or_default().push(row);
        }
        let walk = |((at, ..), rows): ((Time, _, _), Vec<&HandlingRow>)| {
            let pots: Vec<&Name> = rows.iter().map(|row| &row.pot).collect();
            Walk { at, to: at, text: planned_for(&rows[0].action, &self.by_boards(&pots)) }
        };
        walks.into_iter().map(walk).collect()
    }
}

/// `board north`, and `board-2` as it is.
pub(super) fn named(board: &str) -> String {
    match board.to_lowercase().starts_with("board") {
        true => board.into(),
        false => format!("board {board}"),
    }
}

/// What a step is done to.
fn label(step: &Step) -> String {
    match &step.board {
        Some(board) => named(board),
        None => list(&step.pots),
    }
}

/// What was planned, for what.
pub(super) fn planned_for(action: &Action, what: &str) -> String {
    match action {
        Action::Cover(cover) => done_to(Doing::Cover(*cover), what),
        Action::Flip => done_to(Doing::Flip, what),
        other => format!("{} {what} to {}", other.word(), printable(&other.detail())),
    }
}

/// What is done, to what.
fn done_to(doing: Doing, what: &str) -> String {
    match doing {
        Doing::Cover(Cover::Open) => format!("uncover {what}"),
        Doing::Cover(Cover::Draped) => format!("drape {what}"),
        Doing::Cover(Cover::Wrapped) => format!("wrap {what}"),
        Doing::Cover(Cover::Cupboard) => format!("put {what} into the damp cupboard"),
        Doing::Flip => format!("turn {what} over"),
    }
}
