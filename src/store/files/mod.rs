//! Studio files: the studio as CSV files in a folder (RFC 4180, UTF-8), in and out.
//!
//! `bodies.csv`, `pots.csv`, `handling.csv`, `readings.csv`, and for what these cannot hold
//! `samples.csv`, `blends.csv`, `counts.csv`, `calibrations.csv`, `zero_drifts.csv`,
//! `comparisons.csv`, `air_forecast.csv`, `kiln_loads.csv` and `planned.csv`; any of them may be
//! missing. Columns are found by name.
//! What is exported and imported into an empty studio is the same studio.

mod csv;
mod export;
mod forecast;
mod import;
mod series;
mod sheet;

pub use export::{Exported, export};
pub use forecast::{AIR_FORECAST, AirForecast, Standing};
pub use import::{Counts, Imported, Options, import};

use super::StoreError;
use std::path::Path;

/// File names, in the order in which they are read and written.
pub const FILES: [&str; 13] = [
    "bodies.csv",
    "pots.csv",
    "handling.csv",
    "readings.csv",
    "samples.csv",
    "blends.csv",
    "counts.csv",
    "calibrations.csv",
    "zero_drifts.csv",
    "comparisons.csv",
    "air_forecast.csv",
    "kiln_loads.csv",
    "planned.csv",
];

/// A row that was refused, and why.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Defect {
    /// The file's name.
    pub file: String,
    /// The line at which the row begins, from 1.
    pub line: u64,
    /// The column's name.
    pub column: String,
    /// What is wrong and what was expected.
    pub text: String,
}

/// `handling.csv:7: detail: tare wants grams`
impl std::fmt::Display for Defect {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}: {}: {}", self.file, self.line, self.column, self.text)
    }
}

/// Something to tell while files are read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Note {
    /// A row was refused.
    Defect(Defect),
    /// Something was left out on purpose.
    Warning(String),
}

/// That a folder holds at least one of the studio files.
///
/// Errors: [`StoreError::Folder`] if it cannot be read, [`StoreError::NothingToImport`].
pub fn check_folder(folder: &Path) -> Result<(), StoreError> {
    std::fs::read_dir(folder).map_err(|error| StoreError::Folder { path: folder.into(), error })?;
    if FILES.iter().any(|file| folder.join(file).exists()) {
        return Ok(());
    }
    Err(StoreError::NothingToImport(folder.into()))
}
