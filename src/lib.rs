//! Warecast: weighs drying pots and says when each can be trimmed and when it is bone-dry.
//!
//! # The way of a reading
//!
//! ```text
//! bytes on a port ─ sensing::formats ─► records::Reading ─ sensing::reduce ─► store ─┐
//! bench scale, CSV ─ cli, store::files ────────────────────────────────────► store ─┤
//!                                                                                   ▼
//!            cli, plot ◄─ core::report::Report ◄─ core::assess ◄─ records::Studio (as of a time)
//! ```
//!
//! # Where things are
//!
//! | module | what | may use |
//! | --- | --- | --- |
//! | [`units`] | grams, degrees, pascals, water on dry or wet basis, time; the only conversions | nothing |
//! | [`records`] | what a studio holds: bodies, pots, handling rows, readings | units |
//! | [`calibration`] | raw counts of a cell to grams, with uncertainty; dated facts | units, records |
//! | [`clock`] | the only place that asks what time it is | units |
//! | [`disk`] | files that get their name once they are complete; their troubles in words | nothing |
//! | [`core`] | numbers in, numbers out: air, clay, drying, fit, forecast, calls | units, records |
//! | [`sensing`] | bytes to readings: formats, line session, reduction, ports | units, records, clock, calibration |
//! | [`store`] | the embedded database, settings, import and export | units, records, clock, disk, calibration |
//! | [`watch`] | the daemon: ports to store, refit, what was last called | all of the above |
//! | [`checkup`] | what is wrong with ports, cells, sensors, disk and clock, and what to do | units, records, clock, calibration, sensing, store, watch, core |
//! | [`simulate`] | a made-up shelf behind a pseudo-terminal | units, records, clock |
//! | [`plot`] | pictures of report values and of scorecards | units, records, disk, core |
//! | [`answers`] | answers for all pots, on all cores, corrected by their record | units, records, core |
//! | [`scorecard`] | past forecasts made again and scored | units, records, core, answers, store |
//! | [`cli`] | one file per command, no arithmetic | everything |
//!
//! # Units
//!
//! Inside the program: grams, degrees Celsius, pascals, relative humidity as a fraction, water as
//! kg per kg *dry* clay, time in microseconds since the Unix epoch. Percent, wet basis, ounces and
//! degrees Fahrenheit exist at the edges only and pass through [`units`].

#![forbid(unsafe_code)]

pub mod answers;
pub mod calibration;
pub mod checkup;
pub mod cli;
pub mod clock;
pub mod core;
pub mod disk;
pub mod plot;
pub mod records;
pub mod scorecard;
pub mod sensing;
pub mod simulate;
pub mod store;
pub mod units;
pub mod watch;
