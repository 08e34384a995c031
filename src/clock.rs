//! The only place that asks what time it is.

use crate::units::Time;
use rustix::time::{ClockId, clock_gettime};
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// By how much tests have set the wall clock of this program, µs.
static SET_BY: AtomicI64 = AtomicI64::new(0);

/// The wall clock now. A clock before 1970 (a board that lost its battery) reads as 1970.
pub fn now() -> Time {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or(Duration::ZERO);
    let since = i64::try_from(since.as_micros()).unwrap_or(i64::MAX);
    let since = since.saturating_add(SET_BY.load(Ordering::Relaxed));
    Time(since).clamp(Time::MIN, Time::MAX)
}

/// Sets the wall clock of this program, for tests: a step as if somebody had set the computer's.
#[doc(hidden)]
pub fn set_by(seconds: f64) {
    SET_BY.fetch_add((seconds * 1e6).round() as i64, Ordering::Relaxed);
}

/// How long the computer has been running, its sleep included: never steps, and goes on where
/// [`steady`] may stand still. The wall clock's steps are told by it.
pub fn running() -> Duration {
    #[cfg(target_os = "linux")]
    let clock = ClockId::Boottime;
    #[cfg(not(target_os = "linux"))]
    let clock = ClockId::Monotonic;
    let time = clock_gettime(clock);
    Duration::new(time.tv_sec.unsigned_abs(), time.tv_nsec.unsigned_abs() as u32)
}

/// A steady clock for waiting and back-off; it never steps.
pub fn steady() -> std::time::Instant {
    std::time::Instant::now()
}
