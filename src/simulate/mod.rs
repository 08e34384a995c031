//! A made-up shelf: clay drying by diffusion in a room with days and nights, seen through scales
//! and a serial line with their faults, all of it from one seed.
//!
//! It is an independent source of truth: nothing of the estimator is in it. Wall and base are
//! slabs with a diffusivity that depends on their water ([`slab`], [`clay`]); their faces lose
//! vapour to still air by a heat balance ([`surface`]); a [`pot`] is two such slabs under a
//! cover; a [`room`] and [`scale`]s with faults stand round it; a [`shelf`] moves a [`scenario`]
//! on from moment to moment, and [`play`] sends it down a pseudo-terminal ([`pty`]) as lines
//! ([`mod@line`]). Names, people and figures of the scenarios are invented.

pub mod clay;
pub mod line;
pub mod play;
pub mod pot;
pub mod pty;
pub mod room;
mod root;
pub mod scale;
pub mod scenario;
pub mod shelf;
pub mod slab;
pub mod surface;
