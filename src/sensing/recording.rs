//! What came down a port, written so that it can be played again: a text file with the port's
//! settings, each chunk of bytes with its time, and what is expected of it all.
//!
//! ```text
//! # What it is, in words.
//! == port
//! started = "2031-03-01T09:00:00Z"
//! format = "text"                      (and the other settings of a [[port]], without its path)
//! == came
//! 0 ! opened
//! 1.204 > ST,  812.4 g\r\n             (> came, < was sent, ! happened: opened, lost)
//! == expected
//! …
//! ```
//!
//! Bytes that do not print, and the backslash, are written `\xHH`, or `\n`, `\r`, `\t`, `\\`.

use crate::units::{Time, TimeError};
use std::fmt::Write;

/// What happened to a port.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Event {
    /// It was opened.
    Opened,
    /// Bytes came.
    Came(Vec<u8>),
    /// Bytes were sent.
    Sent(Vec<u8>),
    /// It was lost.
    Lost,
}

/// A recording.
#[derive(Clone, PartialEq, Debug)]
pub struct Recording {
    /// When it began.
    pub started: Time,
    /// Settings of the port, as in a `[[port]]` of `studio.toml`, without `path`.
    pub settings: String,
    /// Seconds since it began, and what happened.
    pub events: Vec<(f64, Event)>,
    /// What must come of it; empty where nobody has said it.
    pub expected: String,
}

/// Why a text is no recording: the line, from 1, and what is wrong.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("line {0}: {1}")]
pub struct RecordingError(pub usize, pub String);

/// The section that a line stands in.
#[derive(Clone, Copy, PartialEq)]
enum Section {
    Head,
    Port,
    Came,
    Expected,
}

impl Recording {
    /// Reads a recording.
    pub fn parse(text: &str) -> Result<Recording, RecordingError> {
        let mut section = Section::Head;
        let mut started = None;
        let (mut settings, mut expected, mut events) = (String::new(), String::new(), Vec::new());
        for (at, line) in text.lines().enumerate() {
            let line = line.trim_end_matches('\r'); // the last line may end in nothing else
            let wrong = |why: &str| RecordingError(at + 1, why.into());
            if let Some(name) = line.strip_prefix("== ") {
                section = match (section, name) {
                    (Section::Head, "port") => Section::Port,
                    (Section::Port, "came") => Section::Came,
                    (Section::Came, "expected") => Section::Expected,
                    _ => {
                        return Err(wrong("expected == port, == came, == expected, in this order"));
                    }
                };
                continue;
            }
            match section {
                Section::Head if line.is_empty() || line.starts_with('#') => {}
                Section::Head => return Err(wrong("expected # and what this is, or == port")),
                Section::Port => match line.strip_prefix("started = ") {
                    Some(time) => {
                        let time = Time::parse_rfc3339(time.trim_matches('"'));
                        started = Some(time.map_err(|e: TimeError| wrong(&e.to_string()))?);
                    }
                    None => settings += &format!("{line}\n"),
                },
                Section::Came if line.is_empty() || line.starts_with('#') => {}
                Section::Came => events.push(event(line).map_err(|why| wrong(&why))?),
                Section::Expected if line.starts_with('#') => {}
                Section::Expected => expected += &format!("{line}\n"),
            }
        }
        let lines = text.lines().count();
        let started = started.ok_or(RecordingError(lines, "it does not say when it began".into()));
        Ok(Recording { started: started?, settings, events, expected })
    }
}

/// The head of a recording that is being made, up to its first event.
pub fn head(started: Time, settings: &str) -> String {
    format!(
        "# Recorded by `warecast watch --record`. What was wrong, in words:\n#\n== port\n\
         started = \"{started}\"\n{settings}== came\n"
    )
}

/// One event as a line.
pub fn line(seconds: f64, event: &Event) -> String {
    match event {
        Event::Opened => format!("{seconds:.3} ! opened\n"),
        Event::Lost => format!("{seconds:.3} ! lost\n"),
        Event::Came(bytes) => format!("{seconds:.3} > {}\n", escape(bytes)),
        Event::Sent(bytes) => format!("{seconds:.3} < {}\n", escape(bytes)),
    }
}

fn event(line: &str) -> Result<(f64, Event), String> {
    let expected = "expected seconds, then > and bytes, < and bytes, ! opened or ! lost";
    let (seconds, rest) = line.split_once(' ').ok_or(expected)?;
    let seconds = seconds.parse::<f64>().ok().filter(|s| (0.0..1e9).contains(s)).ok_or(expected)?;
    let event = match rest {
        "! opened" => Event::Opened,
        "! lost" => Event::Lost,
        _ => match rest.split_at_checked(2) {
            Some(("> ", bytes)) => Event::Came(unescape(bytes)?),
            Some(("< ", bytes)) => Event::Sent(unescape(bytes)?),
            _ => return Err(expected.into()),
        },
    };
    Ok((seconds, event))
}

fn escape(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len());
    for byte in bytes {
        match byte {
            b'\\' => text.push_str("\\\\"),
            b'\n' => text.push_str("\\n"),
            b'\r' => text.push_str("\\r"),
            b'\t' => text.push_str("\\t"),
            b' '..=b'~' => text.push(char::from(*byte)),
            // Writing to a text never fails.
            other => drop(write!(text, "\\x{other:02x}")),
        }
    }
    text
}

fn unescape(text: &str) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        let plain = match byte {
            b'\\' => match rest.next() {
                Some(b'\\') => b'\\',
                Some(b'n') => b'\n',
                Some(b'r') => b'\r',
                Some(b't') => b'\t',
                Some(b'x') => {
                    let digits = [rest.next(), rest.next()].map(|d| d.unwrap_or(b'?'));
                    std::str::from_utf8(&digits)
                        .ok()
                        .and_then(|digits| u8::from_str_radix(digits, 16).ok())
                        .ok_or("expected two hex digits after \\x")?
                }
                _ => return Err("expected n, r, t, \\ or x after a backslash".into()),
            },
            b' '..=b'~' => byte,
            _ => return Err("a byte that does not print must be written \\xHH".into()),
        };
        bytes.push(plain);
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn wrong_lines_are_named() {
        let good = "# a\n== port\nstarted = \"2031-03-01T09:00:00Z\"\nbaud = 9600\n== came\n\
                    0 ! opened\n1.5 > a\\r\\n\n== expected\n# why\nnothing\n";
        let read = Recording::parse(good).unwrap();
        assert_eq!(
            (read.settings.as_str(), read.expected.as_str()),
            ("baud = 9600\n", "nothing\n")
        );
        assert_eq!(read.events, [(0.0, Event::Opened), (1.5, Event::Came(b"a\r\n".to_vec()))]);
        for (from, to, line) in [
            ("# a", "a", 1),
            ("== came", "== went", 5),
            ("started = \"2031", "started = \"31", 3),
            ("0 ! opened", "0 ! closed", 6),
            ("1.5 >", "-1.5 >", 7),
            ("\\r\\n", "\\q", 7),
            ("\\r\\n", "\\x4", 7),
            ("\\r\\n", "é", 7),
        ] {
            let error = Recording::parse(&good.replacen(from, to, 1)).unwrap_err();
            assert_eq!(error.0, line, "{from} → {to}: {error}");
        }
    }

    proptest! {
        #[test]
        fn bytes_come_back(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            for event in [Event::Came(bytes.clone()), Event::Sent(bytes.clone()), Event::Lost] {
                let text = head(Time(0), "") + &line(12.345, &event);
                prop_assert_eq!(Recording::parse(&text).unwrap().events, [(12.345, event)]);
            }
        }
    }
}
