//! What was found in the weights though nobody noted it: questions that one command answers.

use super::names::list;
use super::screen::{Look, heading, paragraph};
use super::words::{self, Words, printable};
use crate::core::report::{Found, PotAnswer, Report};
use crate::units::Time;
use anstyle::AnsiColor;

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
            // No scale bears less than nothing.
            let detail = match step.action {
                "attach" | "tare" => format!(" {:.1}g", grams.max(0.0)),
                _ => String::new(),
            };
            *page += &command(&pot.pot, step, &detail, words, look);
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
    let on = |pot: &'_ PotAnswer| pot.found.iter().position(|step| step.action == "on");
    let moved = report.pots.iter().filter_map(|pot| Some((pot.pot.as_str(), &pot.found[on(pot)?])));
    let moved: Vec<(&str, &Found)> = moved.collect();
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
            let cell = words::shell_word(step.cell.as_deref().unwrap_or_default());
            *page += &command(pot, step, &format!(" {cell}"), words, look);
        }
    }
}

/// The command that says yes, on a line of its own.
fn command(pot: &str, step: &Found, detail: &str, words: &Words, look: &Look) -> String {
    format!(
        "    {} note {} {}{detail} --at \"{}\"\n",
        look.command,
        words::shell_word(pot),
        step.action,
        words.typed_time(step.time),
    )
}

/// Whether an answer would change anything: a pot that was off its scale and came back is known
/// to have been.
pub fn is_question(step: &Found) -> bool {
    step.until.is_none()
}
