//! What may be done: pots that share a sheet of plastic, and the simplest sequences of covers.

use super::queue::closing;
use super::{Question, Subject};
use crate::core::prospect::{Change, Doing};
use crate::records::{Cover, Name};
use crate::units::{DAY, HOUR};
use std::collections::BTreeMap;

/// Moments at which a first change is thought of, and how many later ones a second is, at most:
/// two days of coming, noon and going, and the same again. What is further off is planned when it
/// comes near.
const FIRST: usize = 8;
const SECOND: usize = 10;
/// A second change comes within this of the first, s, or at the next moment there is.
const BETWEEN: f64 = 4.0 * DAY;
/// Moments that lie closer together make no difference to a pot, s.
const APART: f64 = 2.5 * HOUR;

/// Pots that are covered together: those of a board, or one that stands on none, or two of a pair
/// that stand on none.
#[derive(Clone, PartialEq, Debug)]
pub struct Group {
    /// The board.
    pub board: Option<Name>,
    /// Its pots: their places among the subjects.
    pub members: Vec<usize>,
    /// What may be done, nothing first; empty where nothing is to be worked on.
    pub ways: Vec<Vec<Change>>,
}

/// The pots as they are covered together, with what may be done to them; `partners`: by subject,
/// the other of its pair.
pub fn groups(subjects: &[Subject], question: &Question, partners: &[Option<usize>]) -> Vec<Group> {
    let mut boards: BTreeMap<&Name, Vec<usize>> = BTreeMap::new();
    let mut alone = Vec::new();
    for (index, subject) in subjects.iter().enumerate() {
        let other = partners[index].filter(|other| subjects[*other].board.is_none());
        match (&subject.board, other) {
            (Some(board), _) => boards.entry(board).or_default().push(index),
            (None, Some(other)) if other < index => {}
            (None, Some(other)) => alone.push(vec![index, other]),
            (None, None) => alone.push(vec![index]),
        }
    }
    let boards = boards
        .into_iter()
        .map(|(board, members)| Group::of(members, Some(board.clone()), subjects, question));
    let alone = alone.into_iter().map(|members| Group::of(members, None, subjects, question));
    boards.chain(alone).collect()
}

impl Group {
    /// Pots with what may be done to them together.
    pub fn of(
        members: Vec<usize>,
        board: Option<Name>,
        subjects: &[Subject],
        question: &Question,
    ) -> Group {
        let its: Vec<&Subject> = members.iter().map(|index| &subjects[*index]).collect();
        Group { ways: ways(&its, question), members, board }
    }
}

/// Moments that are told apart.
fn moments(question: &Question) -> Vec<f64> {
    let mut kept: Vec<f64> = Vec::new();
    for moment in question.moments.iter().filter(|m| **m < question.until) {
        if kept.last().is_none_or(|last| moment - last >= APART) {
            kept.push(*moment);
        }
    }
    kept
}

fn ways(subjects: &[&Subject], question: &Question) -> Vec<Vec<Change>> {
    let moments = moments(question);
    let trims = || subjects.iter().filter(|subject| subject.trims);
    if trims().next().is_none() {
        return Vec::new();
    }
    // What is done once all have closed is done too late.
    let last = trims().map(|s| closing(&s.nothing)).fold(f64::NEG_INFINITY, f64::max);
    let covers = || std::iter::once(Cover::Open).chain(question.covers.iter().copied());
    let change = |at: f64, cover| Change { at, doing: Doing::Cover(cover) };
    let mut ways = vec![Vec::new()];
    for (index, first) in moments.iter().enumerate().take(FIRST).filter(|(_, at)| **at < last) {
        for cover in covers() {
            let at = |t: f64| subjects.iter().map(move |subject| subject.prospect.cover_at(t));
            if at(*first).all(|now| now == cover) {
                continue;
            }
            let later = moments[index + 1..].iter().enumerate().take(SECOND);
            let later = later.filter(|(k, at)| *k == 0 || **at - first <= BETWEEN);
            let one = change(*first, cover);
            ways.push(vec![one]);
            for (_, second) in later {
                let others = covers().filter(|other| *other != cover);
                // Back into the open, or into what it was under.
                let others = others.filter(|other| {
                    cover == Cover::Open || *other == Cover::Open || at(*first).any(|c| c == *other)
                });
                ways.extend(others.map(|other| vec![one, change(*second, other)]));
            }
        }
    }
    ways
}
