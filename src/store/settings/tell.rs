//! Settings of who is told what changes.

use super::{Complaint, Week, number, week};
use serde::Deserialize;
use std::ops::RangeInclusive;
use std::time::Duration;
use toml::Spanned;

/// How often may be told, min, and how often is where nothing is set.
const EVERY_MINUTES: RangeInclusive<f64> = 1.0..=1440.0;
const OTHERWISE_MINUTES: f64 = 10.0;

/// A program that is told what changes.
#[derive(Clone, PartialEq, Debug)]
pub struct TellSettings {
    /// Itself, and its arguments.
    pub program: Vec<String>,
    /// Hours in which somebody wants to hear of it; `None`: all.
    pub hours: Option<Week>,
    /// It is run no more often than this.
    pub every: Duration,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawTell {
    program: Spanned<Vec<String>>,
    hours: Option<Spanned<String>>,
    every_minutes: Option<Spanned<f64>>,
}

impl RawTell {
    pub(super) fn check(self) -> Result<TellSettings, Complaint> {
        let (at, program) = (self.program.span(), self.program.into_inner());
        let fits = |word: &String| !word.contains('\0');
        if program.first().is_none_or(String::is_empty) || !program.iter().all(fits) {
            let text = "expected a program and what it is given, [\"/usr/local/bin/ring\"]";
            return Err((at, text.into()));
        }
        let minutes = number(self.every_minutes, EVERY_MINUTES, OTHERWISE_MINUTES)?;
        let every = Duration::from_secs_f64(60.0 * minutes);
        Ok(TellSettings { program, hours: week(self.hours)?, every })
    }
}

#[cfg(test)]
mod tests {
    use super::super::Settings;
    use std::path::Path;
    use std::time::Duration;

    #[test]
    fn a_program_to_be_told_is_one() {
        let told = |rest: &str| {
            let text = format!("[tell]\n{rest}");
            let settings = Settings::parse(text.as_bytes(), Path::new("studio.toml"));
            settings.map(|s| s.tell.unwrap()).map_err(|e| e.to_string())
        };
        assert_eq!(told("program = [\"ring\"]").unwrap().every, Duration::from_secs(600));
        for (rest, wrong) in [
            ("", "program"),
            ("program = \"ring --loud\"", "2:11"),
            ("program = []", "2:11: expected a program"),
            ("program = [\"\"]", "2:11: expected a program"),
            ("program = [\"a\", \"\\u0000\"]", "2:11: expected a program"),
            ("program = [\"a\"]\nevery_minutes = 0", "3:17: expected 1 to 1440"),
            ("program = [\"a\"]\nevery_minutes = nan", "3:17: expected 1 to 1440"),
            ("program = [\"a\"]\nhours = \"8-25\"", "3:9: hours, "),
            ("program = [\"a\"]\nshell = true", "3:1"),
        ] {
            let error = told(rest).unwrap_err();
            assert!(error.contains(wrong), "{rest}: {error}");
        }
    }
}
