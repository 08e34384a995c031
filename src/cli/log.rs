//! The log on standard error, for what happens while a command runs.

use std::fmt;
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
        .with_writer(std::io::stderr)
        .with_ansi(colour != anstream::ColorChoice::Never)
        .with_target(false)
        .with_timer(LocalTime)
        // It would complain on a standard error that nobody reads any more, and panic.
        .log_internal_errors(false)
        .init();
}

/// Hours, minutes and seconds of the local time zone.
struct LocalTime;

impl FormatTime for LocalTime {
    fn format_time(&self, w: &mut Writer<'_>) -> fmt::Result {
        let now = crate::clock::now().timestamp().to_zoned_datetime(jiff::tz::TimeZone::system());
        write!(w, "{}", now.strftime("%Y-%m-%d %H:%M:%S"))
    }
}
