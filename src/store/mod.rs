//! The studio on disk: `studio.toml` (settings) and `studio.db` (SQLite, WAL).
//!
//! Readings and handling rows are append-only facts. Anything derived from them is made again.

pub mod files;
pub mod settings;

use crate::records::{Body, HandlingRow, Name, Pot, Reading, Studio};
use crate::units::Time;
use std::path::{Path, PathBuf};

/// An open studio.
pub struct Store {
    dir: PathBuf,
}

/// What became of rows that were offered.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Stored {
    /// New rows.
    pub added: usize,
    /// Rows that were there already, the same.
    pub known: usize,
    /// Rows whose key was there with another value, and were replaced (only if asked).
    pub replaced: usize,
    /// Indices (into the offered slice) of rows refused since they contradict a stored one.
    pub refused: Vec0,
}

/// Placeholder until the store exists.
pub type Vec0 = usize;

/// Why the studio could not be opened, read or written: names the file and what to do.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Nothing there.
    #[error("there is no studio in {0}: make one with `warecast body add` or `warecast import`")]
    Missing(PathBuf),
}

impl Store {
    /// Opens a studio that is there.
    pub fn open(dir: &Path) -> Result<Store, StoreError> {
        Err(StoreError::Missing(dir.into()))
    }

    /// Opens a studio, and makes it when it is not there.
    pub fn open_or_create(dir: &Path) -> Result<Store, StoreError> {
        Ok(Store { dir: dir.into() })
    }

    /// The studio's folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// The studio as it was known at `at`, with its plans.
    pub fn studio(&self, at: Time) -> Result<Studio, StoreError> {
        Ok(Studio { at, ..Studio::default() })
    }

    /// Appends readings in one transaction.
    pub fn append(&mut self, _readings: &[Reading]) -> Result<(), StoreError> {
        Ok(())
    }

    /// Adds bodies, pots and handling rows.
    pub fn note(&mut self, _b: &[Body], _p: &[Pot], _h: &[HandlingRow]) -> Result<(), StoreError> {
        Ok(())
    }

    /// Names of all pots.
    pub fn pot_names(&self) -> Result<Vec<Name>, StoreError> {
        Ok(vec![])
    }
}
