//! Whether what was planned was done: a plan that nobody confirmed, held against the weights.
//!
//! The pot is fitted twice, by its log as it stands and by the same log without the step; how
//! likely its weights are under either (Laplace's approximation, as `inference::valleys`) tells one
//! from the other (Bayes factor: Kass & Raftery, J. Am. Stat. Assoc. 90 (1995) 773). Pots of one
//! board are under one sheet: what their weights say is added up.

use crate::core::handling::History;
use crate::core::hindsight::ended;
use crate::core::inference::lessons::Lessons;
use crate::core::inference::posterior::Posterior;
use crate::core::inference::valleys::LEAST_SHARE;
use crate::core::{surroundings_by, taught_model, within_reason};
use crate::records::{Action, Cover, HandlingRow, Name, Pot, Studio, Weighings};
use crate::units::{HOUR, Time};
use std::collections::BTreeMap;

/// How likely a planned step was done before any weight speaks (common practice, no source: most
/// of what is planned is done, and not all of it is written down).
const DONE: f64 = 0.8;
/// A weight speaks of a step so long after it, s; of a flip, which changes little at first.
const SPEAKS: f64 = HOUR;
const SPEAKS_OF_FLIP: f64 = 24.0 * HOUR;

/// A planned step whose time has come and that nobody confirmed, of all pots of a board or of one.
#[derive(Clone, PartialEq, Debug)]
pub struct Unconfirmed {
    /// The rows of the log, one a pot.
    pub rows: Vec<HandlingRow>,
    /// The board, where all that dries on one is meant.
    pub board: Option<Name>,
    /// How likely it was done, by the weights; `None` where none speaks.
    pub done: Option<f64>,
    /// From which chance on the weights are believed.
    pub sure: f64,
}

impl Unconfirmed {
    /// Whether the weights say that it was not done.
    pub fn is_refuted(&self) -> bool {
        self.done.is_some_and(|done| done < 1.0 - self.sure)
    }

    /// Whether the weights say that it was.
    pub fn is_borne_out(&self) -> bool {
        self.done.is_some_and(|done| done > self.sure)
    }
}

/// Rows of which the weights say that they were not done.
pub fn refuted(steps: &[Unconfirmed]) -> impl Iterator<Item = &HandlingRow> {
    steps.iter().filter(|step| step.is_refuted()).flat_map(|step| &step.rows)
}

/// Planned rows whose time has come and that are the last word on how their pots are kept, by
/// step, but for covers that lay there already; nothing is known of them yet. The weights are to be
/// believed where they are surer than `sure` that one was not done, or that it was.
pub fn open_steps(studio: &Studio, planned: &[HandlingRow], sure: f64) -> Vec<Unconfirmed> {
    type Step = (Time, &'static str, String, Option<Name>, Option<Name>);
    let mut steps: BTreeMap<Step, Vec<HandlingRow>> = BTreeMap::new();
    for row in planned.iter().filter(|row| row.time <= studio.at) {
        let Some(pot) = studio.pots.get(&row.pot) else { continue };
        let log = studio.handling.get(&row.pot).map_or(&[][..], Vec::as_slice);
        let over = |other: &HandlingRow| {
            let same = other.action.word() == row.action.word();
            other.time > row.time && other.time <= studio.at && (same || other.action.ends())
        };
        let before = log
            .iter()
            .rfind(|other| other.time < row.time && matches!(other.action, Action::Cover(_)));
        let before = before.map_or(Action::Cover(Cover::Open), |other| other.action.clone());
        if !log.contains(row) || log.iter().any(over) || row.action == before {
            continue;
        }
        let alone = pot.board.is_none().then(|| row.pot.clone());
        let key = (row.time, row.action.word(), row.action.detail(), pot.board.clone(), alone);
        steps.entry(key).or_default().push(row.clone());
    }
    let dries = |pot: &Pot, at: Time| {
        pot.made_at <= at && ended(studio, &pot.name).is_none_or(|end| end > at)
    };
    let step = |((time, .., board, _), rows): (Step, Vec<HandlingRow>)| {
        let meant = |pot: &Name| rows.iter().any(|row| row.pot == *pot);
        let on_it = studio.pots.values().filter(|pot| pot.board == board);
        let whole = on_it.filter(|pot| dries(pot, time)).all(|pot| meant(&pot.name));
        Unconfirmed { board: board.filter(|_| whole), rows, done: None, sure }
    };
    steps.into_iter().map(step).collect()
}

/// By how much likelier a pot's weights are if a step of its log was not done: ln of the ratio.
/// `None` where they do not speak of it, or the step changes nothing.
pub fn against(studio: &Studio, lessons: &Lessons, row: &HandlingRow) -> Option<f64> {
    let pot = &within_reason(studio.pots.get(&row.pot)?);
    let log = studio.handling.get(&row.pot)?;
    let others: Vec<HandlingRow> = log.iter().filter(|other| *other != row).cloned().collect();
    let none = Weighings::default();
    let weighings = studio.weighings.get(&row.pot).unwrap_or(&none);
    let logs = [log, &others];
    let [done, not] = logs.map(|rows| History::new(pot, rows, weighings, studio.at));
    let [here, there] = logs.map(|rows| surroundings_by(rows, studio, pot, done.now));
    let since = row.time.since(done.start);
    let changes = match row.action {
        Action::Cover(cover) => not.keeping_at(since).cover != cover,
        Action::Flip => not.keeping_at(since).flipped != done.keeping_at(since).flipped,
        Action::Move(_) => true,
        _ => false,
    };
    let used = |history: &History| -> Vec<f64> {
        history.weights.iter().filter(|w| w.used).map(|w| w.t).collect()
    };
    let soon = if row.action == Action::Flip { SPEAKS_OF_FLIP } else { SPEAKS };
    let speaks = used(&done).last().is_some_and(|t| *t >= since + soon);
    // Weights that are set aside in one telling alone make the two no equals.
    if !speaks || !changes || used(&done) != used(&not) {
        return None;
    }
    let [done, not] = [(&done, &here), (&not, &there)].map(|(history, room)| {
        unlikely(&Posterior::new(taught_model(studio, lessons, pot, history, room)))
    });
    // In the same air all is as likely as before.
    Some(0.5 * (done? - not?)).filter(|ratio| ratio.is_finite() && *ratio != 0.0)
}

/// −2 ln of how likely the weights are, over all valleys that keep to the log; `None` where they
/// could not be fitted.
fn unlikely(posterior: &Posterior) -> Option<f64> {
    posterior.fit.as_ref()?;
    let all = std::iter::once(posterior).chain(&posterior.beside);
    let as_noted = all.filter(|valley| valley.model.turned_since.is_none());
    let shares: f64 = as_noted.map(|valley| valley.share).sum();
    // The likeliest has its share of all; those with less than the least were left out.
    Some(posterior.unlikely() + 2.0 * (posterior.share / shares.max(LEAST_SHARE)).ln())
}

/// How likely a step was done, by what the weights of its pots say against it; `None` where none
/// speaks.
pub fn likely(against: &[Option<f64>]) -> Option<f64> {
    let said: Vec<f64> = against.iter().copied().flatten().collect();
    let odds = (1.0 - DONE) / DONE * said.iter().sum::<f64>().exp();
    (!said.is_empty()).then(|| 1.0 / (1.0 + odds))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 0.8 to 0.2, turned over by a ratio of 4 against it; two pots of a board multiply.
    #[test]
    fn what_the_weights_say_is_added_up() {
        assert_eq!(likely(&[None, None]), None);
        let close = |got: Option<f64>, want: f64| assert!((got.unwrap() - want).abs() < 1e-12);
        close(likely(&[Some(0.0), None]), 0.8);
        close(likely(&[Some(4f64.ln())]), 0.5);
        close(likely(&[Some(4f64.ln()), Some(9f64.ln())]), 0.1);
        assert_eq!(likely(&[Some(2000.0)]), Some(0.0));
        assert_eq!(likely(&[Some(-2000.0)]), Some(1.0));
    }
}
