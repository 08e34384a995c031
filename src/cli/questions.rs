//! What was found in the weights though nobody noted it: questions that one command answers.

use super::names::list;
use super::screen::{Look, heading, paragraph};
use super::words::{self, Words, printable};
use crate::core::report::{Found, PotAnswer, Report};
use crate::units::Time;
use anstyle::AnsiColor;
use std::fmt::Write as _;

/// Steps found in the trace: questions that one command answers.
pub fn found(page: &mut String, report: &Report, words: &Words, look: &Look) {
    let asked = |pot: &PotAnswer| pot.found.iter().any(is_question);
    if !report.pots.iter().any(asked) {
        return;
    }
    heading(page, "NOT IN THE LOG", "found in the weights", AnsiColor::Yellow);
    for pot in &report.pots {
        let alone = |step: &&Found| is_question(step) && step.action != "on";
        for step in pot.found.iter().filter(alone) {
            let name = printable(&pot.pot);
            let when = words.time(step.time);
            let grams = step.grams.unwrap_or(0.0);
            let question = match step.action {
                "trim" => format!("Was {name} trimmed {when}"),
                "attach" => format!("Was {name} given {} more clay {when}", words.mass(grams)),
                "wet" => format!("Was {name} wetted {when}"),
                "sponge" => format!("Was {name} sponged out {when}"),
                "off" => format!("Is {name} off its scale since {when}"),
                "flip" => format!("Was {name} turned over"),
                _ if grams < 0.0 => format!(
                    "Does the scale show {} too little of {name} since {when}",
                    words.weighed(-grams)
                ),
                _ => format!(
                    "Does something else stand on the scale with {name} since {when}: {}",
                    words.weighed(grams)
                ),
            };
            let sure = words::chance(step.probability);
            let hardly = match step.action {
                "flip" => format!(" The weights hardly tell when, perhaps {when}."),
                _ => String::new(),
            };
            let question = format!("{question} ({sure} sure)?{hardly} If so:");
            *page += &paragraph(&question, 2, look.width);
            let detail = match step.action {
                // No scale bears less than nothing.
                "attach" | "tare" => format!(" {:.1}g", grams.max(0.0)),
                _ => String::new(),
            };
            let _ = writeln!(
                page,
                "    {} note {} {}{detail} --at \"{}\"",
                look.command,
                words::shell_word(&pot.pot),
                step.action,
                words.typed_time(step.time),
            );
        }
    }
    exchanged(page, report, words, look);
    let otherwise = "If it was something else, note that in its place. If nothing was done, note \
                     the tare as it was before (tare WEIGHT --at the same time): then the step \
                     counts as the scale's own, and is not asked about again.";
    let has_step = |found: &Found| is_question(found) && !["flip", "on"].contains(&found.action);
    if report.pots.iter().any(|pot| pot.found.iter().any(has_step)) {
        *page += &paragraph(otherwise, 2, look.width);
    }
}

/// Pots that changed places among each other: one question, which wants an answer for each.
fn exchanged(page: &mut String, report: &Report, words: &Words, look: &Look) {
    let of = |pot: &'_ PotAnswer| pot.found.iter().find(|step| step.action == "on").cloned();
    let moved: Vec<(&str, Found)> =
        report.pots.iter().filter_map(|pot| Some((pot.pot.as_str(), of(pot)?))).collect();
    let mut times: Vec<Time> = moved.iter().map(|(_, step)| step.time).collect();
    times.sort_unstable();
    times.dedup();
    for time in times {
        let these: Vec<_> = moved.iter().filter(|(_, step)| step.time == time).collect();
        let question = format!(
            "Did {} change places {} ({} sure)? If so, for each of them:",
            list(these.iter().map(|(pot, _)| *pot)),
            words.time(time),
            words::chance(these.iter().map(|(_, step)| step.probability).fold(1.0, f64::min)),
        );
        *page += &paragraph(&question, 2, look.width);
        for (pot, step) in these {
            let _ = writeln!(
                page,
                "    {} note {} on {} --at \"{}\"",
                look.command,
                words::shell_word(pot),
                words::shell_word(step.cell.as_deref().unwrap_or_default()),
                words.typed_time(time),
            );
        }
    }
}

/// Whether an answer would change anything: a pot that was off its scale and came back is known
/// to have been.
pub fn is_question(step: &Found) -> bool {
    step.until.is_none()
}
