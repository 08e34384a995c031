//! sensing.

pub mod calibration;
