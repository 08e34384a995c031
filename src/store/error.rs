//! What goes wrong with a studio on disk, in words for people: what, where, and what to do.

use super::{DATABASE, files, rules, settings};
use crate::disk;
use rusqlite::{ErrorCode, ffi};
use std::path::PathBuf;

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
    #[error("{path}: {}", disk::trouble(.error))]
    Folder {
        /// Which.
        path: PathBuf,
        /// Why.
        error: std::io::Error,
    },
    /// A folder without any of the studio files.
    #[error(
        "{0} holds none of {files}: name the folder that they are in",
        files = files::FILES.join(", ")
    )]
    NothingToImport(PathBuf),
    /// A file that would have been overwritten.
    #[error("{0} is there already: take another name, or replace it with --force")]
    FileThere(PathBuf),
    /// A file that is none of ours, given to be brought back.
    #[error(
        "{0} is not a studio's database, and nothing was changed: `restore` takes a file that \
         `backup` wrote"
    )]
    NotABackup(PathBuf),
    /// A file to be brought back is damaged.
    #[error("{0} is damaged, and nothing was changed: bring back an older backup ({1})")]
    DamagedBackup(PathBuf, String),
    /// The studio's database is damaged.
    #[error(
        "{0} is damaged, and no backup was made of it: bring back an older one with `restore`, \
         or import an export into a new studio ({1})"
    )]
    Damaged(PathBuf, String),
    /// Another program has the studio open.
    #[error("{0} is in use by another program: wait until that has ended, and try again")]
    InUse(PathBuf),
    /// The database is not the one any more that was opened.
    #[error(
        "{0} was moved, removed or replaced while it was open, and nothing was written: try again"
    )]
    Replaced(PathBuf),
    /// On a disk of another computer.
    #[error(
        "{path} is on a network share ({kind}), where a database that several programs use cannot \
         be kept safe: keep the studio on a disk of this computer, and backups on the share"
    )]
    Share {
        /// The studio's folder.
        path: PathBuf,
        /// The file system.
        kind: String,
    },
    /// A row breaks the rules of the studio files.
    #[error(transparent)]
    Unfit(#[from] rules::Unfit),
    /// The database failed.
    #[error("{DATABASE}: {}", database_trouble(.0))]
    Database(rusqlite::Error),
}

impl StoreError {
    /// A new file did not get its name.
    pub(super) fn of_new_file(path: PathBuf, error: std::io::Error) -> StoreError {
        match error.kind() {
            std::io::ErrorKind::AlreadyExists => StoreError::FileThere(path),
            _ => StoreError::Folder { path, error },
        }
    }
}

impl From<rusqlite::Error> for StoreError {
    fn from(error: rusqlite::Error) -> StoreError {
        StoreError::Database(error)
    }
}

/// What a failure of the database means for people, and what to do.
fn database_trouble(error: &rusqlite::Error) -> String {
    let advice = match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "another program has been writing to this studio for a long time; try again"
        }
        _ if finds_no_room(error) => "the disk is full; make room and try again",
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
            "the file or its folder cannot be written; check its permissions"
        }
        Some(ErrorCode::SystemIoFailure) => {
            "the disk does not take or give what it should; make a backup elsewhere and check it"
        }
        _ if is_damage(error) => {
            "the file is damaged; bring back a backup with `restore`, or import an export into a \
             new studio"
        }
        _ => return error.to_string(),
    };
    format!("{advice} ({error})")
}

/// Whether a file of the database cannot grow, that of its shared memory included: without that
/// nothing can even be read.
fn finds_no_room(error: &rusqlite::Error) -> bool {
    error.sqlite_error().is_some_and(|e| {
        let of_memory = [ffi::SQLITE_IOERR_SHMOPEN, ffi::SQLITE_IOERR_SHMSIZE];
        e.code == ErrorCode::DiskFull || of_memory.contains(&e.extended_code)
    })
}

/// Whether the database says that its file is damaged: not whole, or with values that no row of
/// ours can hold.
pub(super) fn is_damage(error: &rusqlite::Error) -> bool {
    use rusqlite::Error::{FromSqlConversionFailure, IntegralValueOutOfRange, InvalidColumnType};
    match error.sqlite_error_code() {
        Some(code) => matches!(code, ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase),
        None => matches!(
            error,
            InvalidColumnType(..) | FromSqlConversionFailure(..) | IntegralValueOutOfRange(..)
        ),
    }
}
