//! `--undo` of `note` and `weigh`: takes back what was noted and never was true.

use super::names::{Roll, list};
use super::note::{self, Noted};
use super::words::{Words, printable, shell_word};
use super::{Context, pot, screen, weigh};
use crate::records::{Action, HandlingRow, Name, Reading};
use crate::store::Store;
use crate::units::Time;
use anyhow::{anyhow, bail};
use std::process::ExitCode;

/// What is to be taken back: the last, or that of a minute.
fn span(at: Option<Time>) -> (Time, Time) {
    at.map_or((Time::MIN, Time(i64::MAX)), weigh::minute_of)
}

/// Takes back a note of pots and boards: of all rows that are meant, those of the latest time.
pub fn note(
    noted: &Noted,
    at: Option<Time>,
    (roll, store): (&Roll, &mut Store),
    words: &Words,
) -> anyhow::Result<ExitCode> {
    let pots = all_pots(noted, roll, at.unwrap_or(words.now))?;
    let action = match noted.detail.is_empty() {
        true => None,
        false => Some(note::action(noted, words.units)?),
    };
    let (from, to) = span(at);
    let is_meant = |row: &&HandlingRow| {
        let same = action.as_ref().is_none_or(|action| *action == row.action);
        row.action.word() == noted.word && same && (from..to).contains(&row.time)
    };
    let meant: Vec<&HandlingRow> =
        pots.iter().flat_map(|pot| roll.log(pot)).filter(is_meant).collect();
    let Some(last) = meant.iter().map(|row| row.time).max() else {
        let then = at.map(|at| format!(" at {}", words.time(at))).unwrap_or_default();
        bail!(
            "no {} of {} is noted{then}: see what is with `warecast pot show {}`",
            printable(noted.word),
            list(&pots),
            pots.first().map_or("POT".into(), |pot| shell_word(pot))
        );
    };
    let rows: Vec<HandlingRow> =
        meant.into_iter().filter(|row| row.time == last).cloned().collect();
    let done = store.take_back_notes(&rows)?;
    let done = rows.iter().zip(done).filter(|(_, done)| *done).map(|(row, _)| row);
    for same in done.collect::<Vec<_>>().chunk_by(|a, b| a.action == b.action) {
        screen::say(&format!(
            "Taken back: {}, {} ({}), for {}.",
            pot::action(&same[0].action, words),
            words.time(last),
            words.distance(last),
            list(same.iter().map(|row| &row.pot))
        ))?;
    }
    let others = pots.iter().filter(|pot| rows.iter().all(|row| row.pot != ***pot));
    let others = list(others.filter(|pot| noted.targets.contains(*pot)));
    if !others.is_empty() {
        screen::say(&format!("Nothing of the kind is noted then for {others}."))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// When the last note of that action was made that is to be replaced.
pub fn last(noted: &Noted, roll: &Roll, words: &Words) -> anyhow::Result<Time> {
    let pots = all_pots(noted, roll, words.now)?;
    let rows = pots.iter().flat_map(|pot| roll.log(pot));
    let times = rows.filter(|row| row.action.word() == noted.word && row.time <= words.now);
    times.map(|row| row.time).max().ok_or_else(|| {
        anyhow!(
            "no {} of {} is noted that could be replaced: leave --replace out",
            printable(noted.word),
            list(&pots)
        )
    })
}

/// All pots that are meant, each once.
fn all_pots<'a>(noted: &Noted, roll: &'a Roll, at: Time) -> anyhow::Result<Vec<&'a Name>> {
    let mut pots: Vec<&Name> = Vec::new();
    for word in noted.targets {
        pots.extend(pots_of(word, roll, at)?);
    }
    pots.sort();
    pots.dedup();
    Ok(pots)
}

/// A pot by its name, or all that were ever put on a board: those in the kiln too.
fn pots_of<'a>(word: &str, roll: &'a Roll, at: Time) -> anyhow::Result<Vec<&'a Name>> {
    let on_board = roll.on_board(word).map(|pot| &pot.name);
    let found: Vec<&Name> = match roll.pot(word) {
        Some(pot) => vec![&pot.name],
        None => on_board.collect(),
    };
    if found.is_empty() {
        roll.target(word, at, true)?; // says what was wrong with it
    }
    Ok(found)
}

/// Takes back the last weight that was noted for a pot, or that of a minute; where `grams` are
/// given, the last of so many.
pub fn weight(
    name: &str,
    grams: Option<f64>,
    at: Option<Time>,
    store: &mut Store,
    words: &Words,
) -> anyhow::Result<ExitCode> {
    const SAME_G: f64 = 0.005;
    let weights = store.weights_of(name, span(at))?;
    let meant = |weight: &&Reading| grams.is_none_or(|g| (weight.value - g).abs() < SAME_G);
    let Some(last) = weights.iter().rfind(meant) else {
        let of = grams.map(|g| format!(" of {}", words.weighed(g))).unwrap_or_default();
        let then = at.map(|at| format!(" at {}", words.time(at))).unwrap_or_default();
        bail!(
            "no weight{of} is noted for {}{then}; what a cell sent by itself stays",
            printable(name)
        );
    };
    let (weighed, then) = (words.weighed(last.value), words.time(last.time));
    if !store.take_back(last)? {
        bail!("somebody else changed the weight of {} meanwhile: try again", printable(name));
    }
    screen::say(&format!(
        "Taken back: {} weighs {weighed}, {then} ({}).",
        printable(name),
        words.distance(last.time)
    ))
}

/// How to take back that a pot is past it, for a pot that is on the shelf all the same.
pub fn ending(pot: &str, roll: &Roll, now: Time, context: &Context) -> Option<String> {
    let end = |a: &Action| matches!(a, Action::Kiln | Action::Lost(_) | Action::Outcome(_));
    let row = roll.last(pot, now, end)?;
    Some(format!(
        "If that is wrong: {} note {} {} --undo",
        context.command(),
        shell_word(pot),
        row.action.word()
    ))
}
