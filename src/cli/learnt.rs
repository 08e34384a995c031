//! What a body's finished pots have taught, for `body show`: a table, and a picture of it.

use super::words::{Words, printable, shell_word};
use super::{plot, screen};
use crate::core::help::{self, Means};
use crate::core::learnt::{self, Learnt};
use crate::plot as pictures;
use crate::records::Studio;
use crate::{answers, core::inference::lessons::Lessons};
use std::fmt::Write as _;
use std::path::Path;
use std::process::ExitCode;

/// What is known of a body, and what taught it.
pub struct Taught {
    /// What all finished pots of the studio teach.
    pub lessons: Lessons,
    /// Of this body.
    pub learnt: Learnt,
}

/// Asks the finished pots.
pub fn of_body(studio: &Studio, body: &str) -> Taught {
    let lessons = answers::lessons(studio);
    let learnt = learnt::of_body(studio, &lessons, body);
    Taught { lessons, learnt }
}

/// All of it, before and now, under a line that says what it comes from.
pub fn table(learnt: &Learnt) -> String {
    let mut page = source(learnt) + "\n";
    if learnt.is_anything() {
        page += &screen::columns(&["", "BEFORE", "NOW"], rows(learnt).map(Vec::from).collect());
        remarks(learnt).iter().for_each(|remark| page += &format!("{remark}\n"));
    }
    page
}

/// What it comes from.
pub fn source(learnt: &Learnt) -> String {
    if !learnt.is_anything() {
        return "Nothing learnt of it yet: each pot that is weighed until it is bone-dry teaches."
            .into();
    }
    let pots = match learnt.pots {
        0 if !learnt.is_taught() => None,
        0 => Some("no finished pot of it yet, but those of other bodies".into()),
        1 => Some("1 finished pot".into()),
        n => Some(format!("{n} finished pots")),
    };
    let verdicts = match learnt.verdicts {
        0 => None,
        1 => Some("1 verdict of the hand".into()),
        n => Some(format!("{n} verdicts of the hand")),
    };
    let from: Vec<String> = pots.into_iter().chain(verdicts).collect();
    format!("Learnt from {}; in 8 of 10 cases it lies in brackets:", from.join(" and "))
}

/// What each thing was before any pot of this studio taught, and is now.
pub fn rows(learnt: &Learnt) -> impl Iterator<Item = [String; 3]> {
    learnt.rows().into_iter().map(|row| {
        let about = format!("{}, {}", row.what, row.of);
        [about, row.say(&row.before), row.say(&row.now)]
    })
}

/// What else is to be known of it.
pub fn remarks(learnt: &Learnt) -> Vec<String> {
    let mut remarks = Vec::new();
    if !learnt.band_given {
        remarks.push(
            "Nobody gave a trimming band: what stands under BEFORE is what bodies are like.".into(),
        );
    }
    let (usual, now) = learnt.astray;
    if now > WIDER * usual {
        let [usual, now] = [usual, now].map(|share| 100.0 * share);
        remarks.push(format!(
            "Its pots go their own ways: for hours they dry {now:.0} % faster or slower than the \
             rest of their weights says (pots on the whole {usual:.0} %), so their ranges are wider."
        ));
    }
    remarks
}

/// From so many times the usual on it is said that a body's pots go their own ways.
const WIDER: f64 = 1.3;

/// What would make the next forecasts surer, and by how much; empty where nothing does.
pub fn helps(studio: &Studio, taught: &Taught, body: &str, command: &str) -> String {
    let mut page = String::new();
    for help in help::most(studio, &taught.lessons, body) {
        let (whose, deed) = match (&help.pot, help.means) {
            (None, Means::Sample) => ("the next pot", "a dried sample of its clay"),
            (None, Means::OffTheWheel) => ("the next pot", "its weight straight off the wheel"),
            (Some(pot), Means::Sample) => (pot.as_str(), "a dried sample of its lot"),
            (Some(pot), Means::OffTheWheel) => (pot.as_str(), "its weight now, off the wheel,"),
        };
        let lot = help.lot.as_ref().map(|lot| format!(" --lot {}", shell_word(lot)));
        let how = match (help.means, &help.pot) {
            (Means::Sample, _) => {
                format!("body sample {} WEIGHT{}", shell_word(body), lot.unwrap_or_default())
            }
            (_, Some(pot)) => format!("weigh {} WEIGHT", shell_word(pot)),
            (_, None) => "weigh POT WEIGHT".into(),
        };
        // What is left is what was, less the gain: told so that anybody can count.
        let (gain, now) = (told(help.gain), told(help.width));
        let [gain, now, then] = [gain, now, now - gain].map(hours);
        let whose = printable(whose);
        let _ = writeln!(
            page,
            "Of {whose} {deed} would tell {gain} closer when its window opens (to within {then}, \
             not {now}): {command} {how}",
        );
    }
    page
}

/// A length of time to the minute, however long: `40 min`, `9 h 25 min`.
fn hours(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round();
    match ((minutes / 60.0).floor(), minutes % 60.0) {
        (0.0, min) => format!("{min} min"),
        (h, 0.0) => format!("{h} h"),
        (h, min) => format!("{h} h {min} min"),
    }
}

/// No finer than a forecast of it deserves, s.
pub fn told(seconds: f64) -> f64 {
    (seconds / 300.0).round() * 300.0
}

/// Draws it into a file.
pub fn draw(
    body: &str,
    learnt: &Learnt,
    path: &Path,
    force: bool,
    words: &Words,
) -> anyhow::Result<ExitCode> {
    pictures::write_learnt(body, learnt, path, &plot::look(words, force))?;
    screen::say(&format!("wrote {}", printable(&path.display().to_string())))
}
