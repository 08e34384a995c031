//! The log on standard error, for what happens while a command runs.

use crate::records::is_hidden;
use std::fmt;
use std::io::{self, Write};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::time::FormatTime;

/// Starts it. `WARECAST_LOG` says how much is told (`warn`, `debug`, `warecast::sensing=trace` …).
pub fn start() {
    let filter = EnvFilter::try_from_env("WARECAST_LOG")
        .unwrap_or_else(|_| EnvFilter::new("warn,warecast=info"));
    let colour = anstream::AutoStream::choice(&std::io::stderr());
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(|| Plain)
        .with_ansi(colour != anstream::ColorChoice::Never)
        .with_target(false)
        .with_timer(LocalTime)
        // It would complain on a standard error that nobody reads any more, and panic.
        .log_internal_errors(false)
        .init();
}

/// Standard error, with what does not print spelled out. The log's library spells out commands to
/// a terminal in what is said, and sends its own colours; what reorders text it lets through.
struct Plain;

impl Write for Plain {
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(line);
        let mut out = String::with_capacity(text.len());
        for c in text.chars() {
            match c {
                '\n' | '\u{1b}' => out.push(c),
                c if is_hidden(c) => out.extend(c.escape_default()),
                c => out.push(c),
            }
        }
        io::stderr().write_all(out.as_bytes())?;
        Ok(line.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        io::stderr().flush()
    }
}

/// Hours, minutes and seconds of the local time zone.
struct LocalTime;

impl FormatTime for LocalTime {
    fn format_time(&self, w: &mut Writer<'_>) -> fmt::Result {
        let now = crate::clock::now().timestamp().to_zoned_datetime(jiff::tz::TimeZone::system());
        write!(w, "{}", now.strftime("%Y-%m-%d %H:%M:%S"))
    }
}
