//! The studio on disk: `studio.toml` (settings) and `studio.db` (SQLite, WAL).
//!
//! Readings and handling rows are append-only facts. Anything derived from them is made again.
//! The daemon, the command line and an import may have the same studio open at once; each write
//! waits its turn.

pub mod files;
mod readings;
mod rows;
pub mod rules;
mod schema;
pub mod settings;
mod snapshot;
pub mod text;

use crate::records::{Body, HandlingRow, Name, Point, Pot, Quantity, Reading, Studio};
use crate::units::Time;
use rows::Fate;
use rusqlite::{Connection, ErrorCode, Transaction, TransactionBehavior};
pub use settings::{Format, PortSettings, Settings, Units};
use std::path::{Path, PathBuf};

/// The database's file name in the studio's folder.
pub const DATABASE: &str = "studio.db";
/// The settings' file name in the studio's folder.
pub const SETTINGS: &str = "studio.toml";

/// An open studio.
pub struct Store {
    dir: PathBuf,
    settings: Settings,
    db: Connection,
}

/// What to do with a row whose key is stored with another value.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Clash {
    /// The stored row stays; the offered one is refused.
    Refuse,
    /// The offered row takes its place.
    Replace,
}

/// What became of rows that were offered.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Stored {
    /// New rows.
    pub added: usize,
    /// Rows that were there already, the same.
    pub known: usize,
    /// Rows whose key was there with another value, and were replaced (only if asked).
    pub replaced: usize,
    /// Indices (into the offered slice) of rows refused since they contradict a stored one; of
    /// readings also those that break the rules of the studio files or name an unknown pot.
    pub refused: Vec<usize>,
}

impl Stored {
    fn count(&mut self, index: usize, fate: &Fate) {
        match fate {
            Fate::Added => self.added += 1,
            Fate::Known => self.known += 1,
            Fate::Replaced => self.replaced += 1,
            Fate::Contradicts(..) => self.refused.push(index),
        }
    }
}

/// Why the studio could not be opened, read or written: names the file and what to do.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Nothing there.
    #[error(
        "there is no studio in {0}: make one with `warecast body add` or `warecast import`, \
         or name another folder with --studio"
    )]
    Missing(PathBuf),
    /// A file of that name that this program did not make.
    #[error(
        "{0} is not a studio's database; it was left as it is. Name another folder with --studio"
    )]
    NotOurs(PathBuf),
    /// Made by a later version of the program.
    #[error(
        "{path} was written by a later version of this program (its layout is number {found}, \
         this program knows up to {known}); it was left as it is. Install the later version"
    )]
    Newer {
        /// The database.
        path: PathBuf,
        /// Its schema version.
        found: i32,
        /// The latest that this program knows.
        known: i32,
    },
    /// The settings cannot be read or are wrong.
    #[error(transparent)]
    Settings(#[from] settings::SettingsError),
    /// A folder or file cannot be read or written.
    #[error("{path}: {source}")]
    Folder {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A row breaks the rules of the studio files.
    #[error(transparent)]
    Unfit(#[from] rules::Unfit),
    /// The database failed.
    #[error("{DATABASE}: {}", database_trouble(.0))]
    Database(#[from] rusqlite::Error),
}

/// What a failure of the database means for people, and what to do.
fn database_trouble(error: &rusqlite::Error) -> String {
    let advice = match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "another program has been writing to this studio for a long time; try again"
        }
        Some(ErrorCode::DiskFull) => "the disk is full; make room and try again",
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
            "the file or its folder cannot be written; check its permissions"
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            "the file is damaged; bring back a copy, or import an export into a new studio"
        }
        _ => return error.to_string(),
    };
    format!("{advice} ({error})")
}

/// Text of unknown origin, fit to be shown: escaped, and cut to 40 characters.
pub(crate) fn shown(text: &str) -> String {
    let mut chars = text.chars();
    let mut shown: String = chars.by_ref().take(40).flat_map(char::escape_debug).collect();
    if chars.next().is_some() {
        shown.push('…');
    }
    shown
}

/// How surely a commit must have reached the disk when it returns.
#[derive(Clone, Copy)]
enum Durability {
    /// Survives the end of the program, not always a loss of power.
    Process,
    /// Survives a loss of power.
    Power,
}

impl Store {
    /// Opens a studio that is there.
    pub fn open(dir: &Path) -> Result<Store, StoreError> {
        if !dir.join(DATABASE).exists() {
            return Err(StoreError::Missing(dir.into()));
        }
        let settings = Settings::read(dir)?;
        let db = schema::open(dir)?;
        Ok(Store { dir: dir.into(), settings, db })
    }

    /// Opens a studio, and makes it when it is not there.
    pub fn open_or_create(dir: &Path) -> Result<Store, StoreError> {
        let io = |source| StoreError::Folder { path: dir.into(), source };
        if !dir.join(DATABASE).exists() {
            std::fs::create_dir_all(dir).map_err(io)?;
            settings::write_default(dir).map_err(io)?;
            schema::create(dir)?;
        }
        Store::open(dir)
    }

    /// The studio's folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// The settings as they were when the studio was opened.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The studio as it was known at `at`, with its planned cover, flip and move rows.
    pub fn studio(&self, at: Time) -> Result<Studio, StoreError> {
        snapshot::studio(&self.db, at, None)
    }

    /// The same, with weighings only of these pots and of pots they are `like`.
    pub fn studio_of(&self, at: Time, pots: &[Name]) -> Result<Studio, StoreError> {
        snapshot::studio(&self.db, at, Some(pots))
    }

    /// All bodies, in order of name.
    pub fn bodies(&self) -> Result<Vec<Body>, StoreError> {
        Ok(rows::bodies(&self.db)?)
    }

    /// All pots, in order of name.
    pub fn pots(&self) -> Result<Vec<Pot>, StoreError> {
        Ok(rows::pots(&self.db)?)
    }

    /// The whole handling log with its plans, in order of time, then pot, then action.
    pub fn handling(&self) -> Result<Vec<HandlingRow>, StoreError> {
        Ok(rows::handling(&self.db)?)
    }

    /// Names of the pots on a ware board, in order of name.
    pub fn pots_on_board(&self, board: &str) -> Result<Vec<Name>, StoreError> {
        let on_board = |pot: &Pot| pot.board.as_deref() == Some(board);
        Ok(self.pots()?.into_iter().filter(on_board).map(|pot| pot.name).collect())
    }

    /// A number that changes when another program has written to the studio.
    pub fn data_version(&self) -> Result<i64, StoreError> {
        Ok(self.db.pragma_query_value(None, "data_version", |row| row.get(0))?)
    }

    /// The last that a source said of a quantity, whichever pot stood on it.
    pub fn last_reading(&self, source: &str, q: Quantity) -> Result<Option<Point>, StoreError> {
        let mut last: Option<Point> = None;
        for one in readings::all_series(&self.db)? {
            if one.source == source
                && one.quantity == q
                && let Some(point) = readings::last_point(&self.db, one.id)?
                && last.is_none_or(|other| other.time < point.time)
            {
                last = Some(point);
            }
        }
        Ok(last)
    }

    /// Adds or changes bodies; on disk for good when it returns.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_bodies(&mut self, bodies: &[Body], clash: Clash) -> Result<Stored, StoreError> {
        self.put_all(bodies, clash, rows::put_body)
    }

    /// Adds or changes pots; on disk for good when it returns. Their bodies must be there.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_pots(&mut self, pots: &[Pot], clash: Clash) -> Result<Stored, StoreError> {
        self.put_all(pots, clash, rows::put_pot)
    }

    /// Adds handling rows; on disk for good when it returns. Their pots must be there.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_handling(
        &mut self,
        rows: &[HandlingRow],
        clash: Clash,
    ) -> Result<Stored, StoreError> {
        self.put_all(rows, clash, rows::put_handling)
    }

    /// Appends readings in one transaction; safe from the end of the program when it returns.
    ///
    /// Readings that break the rules of the studio files, or that name a pot which is not there,
    /// are among [`Stored::refused`]; the others are kept.
    pub fn append(&mut self, readings: &[Reading], clash: Clash) -> Result<Stored, StoreError> {
        self.write(Durability::Process, |tx| {
            let mut writer = readings::Writer::new(tx)?;
            let mut stored = Stored::default();
            for (index, reading) in readings.iter().enumerate() {
                match writer.put(reading, clash) {
                    Ok(fate) => stored.count(index, &fate),
                    Err(StoreError::Unfit(_)) => stored.refused.push(index),
                    Err(e) => return Err(e),
                }
            }
            Ok(stored)
        })
    }

    fn put_all<T>(
        &mut self,
        rows: &[T],
        clash: Clash,
        put: impl Fn(&Connection, &T, Clash) -> Result<Fate, StoreError>,
    ) -> Result<Stored, StoreError> {
        self.write(Durability::Power, |tx| {
            let mut stored = Stored::default();
            for (index, row) in rows.iter().enumerate() {
                stored.count(index, &put(tx, row, clash)?);
            }
            Ok(stored)
        })
    }

    /// Runs `work` in one transaction: all of it is kept, or on an error nothing.
    fn write<T>(
        &mut self,
        durability: Durability,
        work: impl FnOnce(&Transaction) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let synchronous = match durability {
            Durability::Process => "NORMAL",
            Durability::Power => "FULL",
        };
        self.db.pragma_update(None, "synchronous", synchronous)?;
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let done = work(&tx)?;
        tx.commit()?;
        Ok(done)
    }
}

/// A new file in `dir` under a name of its own, with the usual permissions, gone if dropped.
fn fresh_file(dir: &Path) -> std::io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".warecast-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666)); // less the umask
    }
    builder.tempfile_in(dir)
}

/// Makes sure that the names of new files in `dir` are on disk.
fn sync_folder(dir: &Path) -> std::io::Result<()> {
    std::fs::File::open(dir)?.sync_all()
}

#[cfg(test)]
mod tests;
