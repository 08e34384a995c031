//! What is wrong, in plain words, and what to do: facts in, findings out.
//!
//! ```text
//! look, hear ─ facts ─► studio, computer, port, line, shelf ─ findings ─► cli::checkup
//! ```
//!
//! | module | what |
//! | --- | --- |
//! | [`look`] | looks at the world: folders, disk, clock, devices, processes, the store |
//! | [`hear`] | listens to ports, and tries other baud rates where only noise comes |
//! | [`studio`] | settings, store, `watch` |
//! | [`computer`] | disk and clock |
//! | [`port`] | the device of a port: there, allowed, free |
//! | [`mod@line`] | what came down a port: silence, noise, lines that are not understood |
//! | [`shelf`] | cells and room sensors, by what they said last |
//!
//! Only [`look`] and [`hear`] touch anything; all judgement is a pure function of the facts that
//! they bring. Nothing is changed: a port that another program has is left alone.

pub mod computer;
pub mod hear;
pub mod line;
pub mod look;
pub mod port;
pub mod shelf;
pub mod studio;

use crate::records::printable;
use serde::Serialize;

/// What a finding is about, in the order in which one hangs on the other.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum What {
    /// `studio.toml`.
    Settings,
    /// The database.
    Store,
    /// The disk that it lies on.
    Disk,
    /// The computer's clock.
    Clock,
    /// A serial port.
    Port,
    /// The daemon.
    Watch,
    /// A scale or load cell.
    Cell,
    /// A sensor of the room's air.
    Room,
}

impl What {
    fn word(self) -> &'static str {
        match self {
            What::Settings => "settings",
            What::Store => "store",
            What::Disk => "disk",
            What::Clock => "clock",
            What::Watch => "watch",
            What::Port => "port",
            What::Cell => "cell",
            What::Room => "room sensor",
        }
    }
}

/// One thing to do.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Step {
    /// In words.
    Say(String),
    /// A command to copy.
    Run(String),
    /// Lines for `studio.toml`.
    Write(String),
}

/// What was found about one thing, or about several that have the same trouble.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Finding {
    /// Whether something is wrong.
    pub wrong: bool,
    /// What it is about.
    pub what: What,
    /// Which of them, where there are several.
    pub names: Vec<String>,
    /// Stable word for programs, for instance `no-permission`.
    pub code: &'static str,
    /// In plain words.
    pub text: String,
    /// What to do, in order.
    pub to_do: Vec<Step>,
}

impl Finding {
    fn new(wrong: bool, what: What, code: &'static str, text: impl Into<String>) -> Finding {
        let text = printable(&text.into()).into_owned();
        Finding { wrong, what, names: Vec::new(), code, text, to_do: Vec::new() }
    }

    /// Nothing is wrong with it.
    pub fn fine(what: What, text: impl Into<String>) -> Finding {
        Finding::new(false, what, "fine", text)
    }

    /// Something is wrong with it.
    pub fn wrong(what: What, code: &'static str, text: impl Into<String>) -> Finding {
        Finding::new(true, what, code, text)
    }

    /// About those of that name.
    pub fn of(mut self, names: impl IntoIterator<Item = impl AsRef<str>>) -> Finding {
        self.names = names.into_iter().map(|n| printable(n.as_ref()).into_owned()).collect();
        self
    }

    /// With something to do, in words.
    pub fn say(mut self, text: impl Into<String>) -> Finding {
        self.to_do.push(Step::Say(printable(&text.into()).into_owned()));
        self
    }

    /// With a command to copy.
    pub fn run(mut self, command: impl Into<String>) -> Finding {
        self.to_do.push(Step::Run(printable(&command.into()).into_owned()));
        self
    }

    /// With lines for `studio.toml`.
    pub fn write(mut self, lines: &str) -> Finding {
        let lines: Vec<_> = lines.lines().map(printable).collect();
        self.to_do.push(Step::Write(lines.join("\n")));
        self
    }

    /// What it is about, in words: `disk`, `cells a, b and 3 more`.
    pub fn about(&self) -> String {
        /// So many names are told.
        const TOLD: usize = 6;
        let word = self.what.word();
        let told = self.names[..self.names.len().min(TOLD)].join(", ");
        match self.names.len() {
            0 => word.into(),
            1 => format!("{word} {told}"),
            n @ 2..=TOLD => {
                format!("{word}s {}", told.replacen(", ", if n == 2 { " and " } else { ", " }, 1))
            }
            n => format!("{word}s {told} and {} more", n - TOLD),
        }
    }
}

/// A text as `studio.toml` takes it.
fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// Everything that was looked at.
pub struct Facts {
    /// Settings, store and daemon.
    pub studio: studio::Studio,
    /// The disk, where it could be asked.
    pub disk: Option<computer::Disk>,
    /// The clock.
    pub clock: computer::Clock,
    /// Ports, in their order.
    pub ports: Vec<port::Port>,
    /// Serial devices that are plugged in, by the name that stays the same where they have one.
    pub plugged: Vec<String>,
    /// Cells and sensors; `None` where the store could not be read and no port was heard.
    pub shelf: Option<shelf::Shelf>,
}

/// What follows from the facts: what is wrong first, causes before what hangs on them.
/// `program`: how this program is called on this studio, for commands to copy.
pub fn judge(facts: &Facts, program: &str) -> Vec<Finding> {
    let mut findings = studio::judge(&facts.studio, &facts.plugged, program);
    findings.extend(facts.disk.as_ref().map(computer::judge_disk));
    findings.push(computer::judge_clock(&facts.clock));
    let watched = facts.studio.watch.is_some();
    findings.extend(facts.ports.iter().map(|one| port::judge(one, watched, program)));
    if let Some(shelf) = &facts.shelf {
        findings.extend(shelf::judge(shelf, program));
    }
    findings.sort_by_key(|finding| (!finding.wrong, finding.what));
    findings
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_names_are_told_short_and_none_raw() {
        let of = |n: usize| {
            let names = (1..=n).map(|i| format!("c-{i}"));
            Finding::fine(What::Cell, "well").of(names).about()
        };
        assert_eq!(of(0), "cell");
        assert_eq!(of(1), "cell c-1");
        assert_eq!(of(2), "cells c-1 and c-2");
        assert_eq!(of(3), "cells c-1, c-2, c-3");
        assert_eq!(of(8), "cells c-1, c-2, c-3, c-4, c-5, c-6 and 2 more");
        let bad = Finding::wrong(What::Port, "x", "a\u{1b}[2Jb")
            .of(["\u{202e}p"])
            .say("\u{7}")
            .run("\u{9b}")
            .write("a\u{1b}\nb");
        let all = format!("{} {:?} {}", bad.text, bad.to_do, bad.about());
        assert!(!all.contains(crate::records::is_hidden), "{all}");
        assert_eq!(bad.to_do[2], Step::Write("a\\u{1b}\nb".into()));
    }
}
