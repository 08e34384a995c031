//! The only place that asks what time it is.

use crate::units::Time;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// The wall clock now. A clock before 1970 (a board that lost its battery) reads as 1970.
pub fn now() -> Time {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or(Duration::ZERO);
    Time(i64::try_from(since.as_micros()).unwrap_or(i64::MAX)).clamp(Time::MIN, Time::MAX)
}

/// A steady clock for waiting and back-off; it never steps.
pub fn steady() -> std::time::Instant {
    std::time::Instant::now()
}
