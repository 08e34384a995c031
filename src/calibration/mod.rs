//! Calibration of cells that send raw counts: dated facts, and the grams that follow from them.
//!
//! Facts are the *loads* of a calibration (a known mass, and what the converter said) and the
//! *zero drifts* (how the empty cell's counts follow the temperature). A calibration counts from
//! its time on until the next one of its source, whenever it was written down, so old readings
//! keep the calibration of their time. Curves and grams are derived, and made again from the facts
//! each time they are needed: a wrong calibration that is replaced leaves nothing behind.
//!
//! | module | what |
//! | --- | --- |
//! | [`curve`] | line or quadratic through known masses, with uncertainty (JCGM 100) |
//! | [`history`] | all calibrations of one source: raw counts of any time to grams |
//! | [`worth`] | what a calibration is worth on a pot: grams, water, minutes |
//! | [`warmth`] | how a cell's zero follows the temperature, from a night untouched |

pub mod curve;
pub mod history;
pub mod warmth;
pub mod worth;

use crate::records::Name;
use crate::units::Time;

/// A known mass on a cell, and what the converter said. Key: source, from, at.
#[derive(Clone, PartialEq, Debug)]
pub struct Load {
    /// The cell.
    pub source: Name,
    /// The calibration that it belongs to, by the time from which that one counts.
    pub from: Time,
    /// When it stood there.
    pub at: Time,
    /// The mass, beside what always stands there, g.
    pub mass_g: f64,
    /// The mass is known to within plus and minus this, g; `None`: taken as exact.
    pub limit_g: Option<f64>,
    /// What the converter said: the median.
    pub raw: f64,
    /// Robust spread (scaled MAD) of single samples, raw counts.
    pub spread: Option<f64>,
    /// How many samples it stands for.
    pub samples: Option<u32>,
    /// Temperature beside the cell at that time, °C.
    pub celsius: Option<f64>,
}

/// How the counts of a cell with a steady load follow the temperature. Key: source, from.
#[derive(Clone, PartialEq, Debug)]
pub struct ZeroDrift {
    /// The cell.
    pub source: Name,
    /// From when on it counts.
    pub from: Time,
    /// Raw counts per °C.
    pub per_degree: f64,
    /// Its standard uncertainty, raw counts per °C.
    pub per_degree_u: Option<f64>,
    /// The source whose temperature it goes by.
    pub thermometer: Name,
}
