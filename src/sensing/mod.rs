//! Bytes to readings.
//!
//! ```text
//! port ─ bytes ─► formats (framing inside) ─ samples ─► session ─ reduce ─► readings
//! ```
//!
//! | module | what |
//! | --- | --- |
//! | [`framing`] | where a line ends, whatever came before it |
//! | [`formats`] | what the bytes mean: SenML, or any scale that prints text |
//! | [`ask`] | when to ask a scale that prints only on request |
//! | [`session`] | one port over its life: rules for names, times and ranges; returns actions |
//! | [`reduce`] | a fast source becomes one robust reading per 10 s of its own time |
//! | [`settle`] | the next weight at which a bench scale comes to rest |
//! | [`pan`] | what happens on a scale: put down, lifted, touched, swapped |
//! | [`plateau`] | known masses on a cell that is not calibrated yet: when it stood still |
//! | [`recording`] | what came down a port, written so that it can be played again |
//! | [`health`] | what could not be used, counted by reason |
//! | [`access`] | who may open a device, and what to do where that is not you |
//! | [`plugged`] | serial devices that are plugged in, by the names that stay |
//! | [`port`] | the only file descriptor |
//! | [`listen`] | a port listened to for a while, by a command that waits |
//!
//! Everything but [`port`], [`listen`] and the looks at devices in [`access`] and [`plugged`] is a
//! pure function of bytes and time, so that every fault can be played in a test. A format knows
//! nothing of ports: one that polls (Modbus RTU) will be one more implementation of
//! [`formats::Format`].

pub mod access;
pub mod ask;
pub mod formats;
pub mod framing;
pub mod health;
pub mod listen;
pub mod pan;
pub mod plateau;
pub mod plugged;
pub mod port;
pub mod recording;
pub mod reduce;
pub mod session;
pub mod settle;
