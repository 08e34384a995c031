//! iCalendar (RFC 5545): events as bytes that calendars read.
//!
//! Only what a plan needs: one `VCALENDAR` of `VEVENT`s with UTC times. Text is escaped (section
//! 3.3.11), lines end in CRLF and are folded at 75 octets between characters (section 3.1).

use crate::core::seed;
use crate::disk;
use crate::units::Time;
use std::io::{ErrorKind, Write};
use std::path::Path;

/// Longest line, in octets, without its end.
const LINE: usize = 75;

/// Something in a calendar.
#[derive(Clone, PartialEq, Debug)]
pub struct Event {
    /// What it is known by: the same event of a later plan has the same.
    pub key: String,
    /// When it begins.
    pub from: Time,
    /// When it ends; at its beginning, it is a moment.
    pub to: Time,
    /// In a few words.
    pub summary: String,
    /// In a sentence or two.
    pub description: String,
    /// Whether it takes the potter's time.
    pub busy: bool,
}

/// A calendar of events, as of a time.
pub fn calendar(events: &[Event], at: Time) -> String {
    let mut out = String::new();
    let mut line = |text: &str| fold(text, &mut out);
    line("BEGIN:VCALENDAR");
    line("VERSION:2.0");
    line("PRODID:-//warecast//plan//EN");
    line("CALSCALE:GREGORIAN");
    for event in events {
        line("BEGIN:VEVENT");
        line(&format!("UID:{:016x}@warecast.invalid", seed(&event.key)));
        line(&format!("DTSTAMP:{}", stamp(at)));
        line(&format!("DTSTART:{}", stamp(event.from)));
        if event.to > event.from {
            line(&format!("DTEND:{}", stamp(event.to)));
        }
        line(&format!("SUMMARY:{}", escaped(&event.summary)));
        line(&format!("DESCRIPTION:{}", escaped(&event.description)));
        line(if event.busy { "TRANSP:OPAQUE" } else { "TRANSP:TRANSPARENT" });
        line("END:VEVENT");
    }
    line("END:VCALENDAR");
    out
}

/// Writes a calendar to a file, whole or not at all.
pub fn write(events: &[Event], at: Time, path: &Path, force: bool) -> anyhow::Result<()> {
    let (shown, dir) = (path.display(), disk::folder_of(path));
    let written =
        disk::is_free(path, force).and_then(|()| disk::fresh(dir)).and_then(|mut part| {
            part.write_all(calendar(events, at).as_bytes())?;
            disk::give_name(part, path, force)
        });
    written.map_err(|error| match error.kind() {
        ErrorKind::AlreadyExists => {
            anyhow::anyhow!("{shown} exists: take another name, or overwrite it with --force")
        }
        ErrorKind::NotFound => anyhow::anyhow!("{shown}: there is no folder {}", dir.display()),
        _ => anyhow::anyhow!("{shown}: {}", disk::trouble(&error)),
    })
}

/// `20310403T174500Z`
fn stamp(time: Time) -> String {
    time.timestamp().strftime("%Y%m%dT%H%M%SZ").to_string()
}

/// Text as a value: backslash, semicolon, comma and line ends escaped; what a line may not hold is
/// left out.
fn escaped(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '\\' | ';' | ',' => out.extend(['\\', c]),
            '\n' => out += "\\n",
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

/// One content line, folded.
fn fold(line: &str, out: &mut String) {
    let mut length = 0;
    for c in line.chars() {
        if length + c.len_utf8() > LINE {
            *out += "\r\n ";
            length = 1;
        }
        out.push(c);
        length += c.len_utf8();
    }
    *out += "\r\n";
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 5545, 3.3.11: the example "Project XYZ Final Review\nConference Room - 3B\nCome
    /// Prepared.", and "escaped" characters.
    #[test]
    fn text_is_escaped() {
        assert_eq!(
            escaped("Project XYZ Final Review\nConference Room - 3B\nCome Prepared."),
            "Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared."
        );
        assert_eq!(escaped("a;b,c\\d:e\"\r\u{7}"), "a\\;b\\,c\\\\d:e\"");
    }

    /// RFC 5545, 3.1: no line is longer than 75 octets, the folded ones begin with a blank, and no
    /// character is torn.
    #[test]
    fn lines_are_folded_between_characters() {
        let long = format!("SUMMARY:{}", "ä☃x".repeat(60));
        let mut out = String::new();
        fold(&long, &mut out);
        let lines: Vec<&str> = out.strip_suffix("\r\n").unwrap().split("\r\n").collect();
        assert!(lines.len() > 4 && lines.iter().all(|line| line.len() <= LINE), "{lines:?}");
        assert!(lines[1..].iter().all(|line| line.starts_with(' ')));
        assert_eq!(out.replace("\r\n ", ""), long + "\r\n");
        let mut exact = String::new();
        fold(&"x".repeat(LINE), &mut exact);
        assert_eq!(exact.matches("\r\n").count(), 1);
    }
}
