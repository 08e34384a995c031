//! A made-up shelf: clay drying by diffusion in a room with days and nights, seen through scales
//! and a serial line with their faults, all of it from one seed.

pub mod clay;
pub mod line;
pub mod pot;
pub mod pty;
pub mod room;
mod root;
pub mod scale;
pub mod scenario;
pub mod shelf;
pub mod slab;
pub mod surface;
