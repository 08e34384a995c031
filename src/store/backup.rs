//! Backups: the whole studio as one file, made while others write, and brought back.
//!
//! A backup is a studio's database like any other, closed and complete in one file, with the text
//! of the settings and of the air forecast in a table of its own. It is read with SQLite's online
//! backup interface from one state of the database, and checked before it gets its name. Bringing
//! it back checks a copy first; what was there before is kept under another name.

use super::{
    AIR_FORECAST, DATABASE, SETTINGS, Store, StoreError, error, identity, readings, schema, share,
    snapshot,
};
use crate::clock;
use crate::disk;
use crate::units::Time;
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags, OptionalExtension, ffi};
use std::fs;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use tempfile::{NamedTempFile, TempDir};

/// What a backup holds.
#[derive(Clone, PartialEq, Debug)]
pub struct Held {
    /// Pots.
    pub pots: usize,
    /// Readings, reduced ones counted once.
    pub readings: u64,
    /// The latest time of a reading that is not later than now.
    pub last_reading: Option<Time>,
}

/// What bringing a backup back did.
#[derive(Clone, PartialEq, Debug)]
pub struct Restored {
    /// What the studio holds now.
    pub held: Held,
    /// Where the database that was there before is now.
    pub before: Option<PathBuf>,
    /// Files of the backup where others are in use, and the names they were written under.
    pub beside: Vec<(&'static str, PathBuf)>,
}

/// Files that belong to a studio besides its database.
const TEXTS: [&str; 2] = [SETTINGS, AIR_FORECAST];

/// Writes the whole studio into one file, as it is at one moment, while others may write to it.
///
/// Errors: [`StoreError::FileThere`] if the file is there, unless `force`;
/// [`StoreError::Damaged`] if the studio's database is not whole, then nothing is written.
pub fn backup(store: &Store, file: &Path, force: bool) -> Result<Held, StoreError> {
    let folder = disk::folder_of(file);
    let io = |error| StoreError::Folder { path: folder.into(), error };
    refuse_own_files(store, folder, file).map_err(io)?;
    let of_file = |error| StoreError::of_new_file(file.into(), error);
    disk::is_free(file, force).map_err(of_file)?;
    let part = disk::fresh(folder).map_err(io)?;
    let held = fill(store, &part)?;
    part.as_file().sync_all().map_err(io)?;
    disk::give_name(part, file, force).map_err(of_file)?;
    disk::sync(folder).map_err(io)?;
    Ok(held)
}

/// A backup must not take the place of what it is made of.
fn refuse_own_files(store: &Store, folder: &Path, file: &Path) -> io::Result<()> {
    let is_ours = |name: &str| name.starts_with(DATABASE) || TEXTS.contains(&name);
    let name = file.file_name().and_then(|name| name.to_str());
    if store.is_own_folder(folder)? && name.is_some_and(is_ours) {
        return Err(io::Error::other("the studio's own files: give the backup another name"));
    }
    Ok(())
}

/// Copies the database and the settings into an empty file, and checks what it wrote.
fn fill(store: &Store, part: &NamedTempFile) -> Result<Held, StoreError> {
    // Nobody else knows this file: it needs no locks, which a network share may not have.
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut copy = Connection::open_with_flags_and_vfs(part.path(), flags, c"unix-none")?;
    copy.pragma_update(None, "locking_mode", "EXCLUSIVE")?; // a log without shared memory
    let step = Backup::new(&store.db, &mut copy)?.step(-1)?;
    if step != StepResult::Done {
        let busy = ffi::Error::new(ffi::SQLITE_BUSY);
        return Err(rusqlite::Error::SqliteFailure(busy, None).into());
    }
    copy.pragma_update(None, "journal_mode", "DELETE")?; // complete in one file
    check(&copy).map_err(|why| StoreError::Damaged(store.dir.join(DATABASE), why))?;
    copy.execute_batch("CREATE TABLE kept_file (name TEXT NOT NULL, text TEXT NOT NULL) STRICT")?;
    for name in TEXTS {
        if let Some(text) = read_text(&store.dir, name)? {
            copy.execute("INSERT INTO kept_file VALUES (?, ?)", [name, &text])?;
        }
    }
    let held = held(&copy)?;
    copy.close().map_err(|(_, e)| e)?;
    Ok(held)
}

/// What a file of the studio says, where it is there.
fn read_text(dir: &Path, name: &str) -> Result<Option<String>, StoreError> {
    let path = dir.join(name);
    match fs::read_to_string(&path) {
        Ok(text) => Ok(Some(text)),
        Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => Err(StoreError::Folder { path, error }),
    }
}

/// Whether the database is whole; else what is wrong, as SQLite says it.
pub(super) fn check(db: &Connection) -> Result<(), String> {
    let verdict: rusqlite::Result<String> =
        db.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0));
    match verdict {
        Ok(ok) if ok == "ok" => {}
        Ok(wrong) => return Err(super::shown(&wrong)),
        Err(e) => return Err(e.to_string()),
    }
    match schema::stranger(db) {
        Ok(None) => {}
        Ok(Some(name)) => return Err(format!("\"{}\" does not belong in it", super::shown(&name))),
        Err(e) => return Err(e.to_string()),
    }
    let astray = db.prepare("PRAGMA foreign_key_check").and_then(|mut check| check.exists([]));
    if astray.map_err(|e| e.to_string())? {
        return Err("a row names a body or pot that is not there".into());
    }
    // Every row can be read as what it is.
    snapshot::studio(db, Time::MAX, None, true).map(drop).map_err(|e| e.to_string())
}

fn held(db: &Connection) -> Result<Held, StoreError> {
    let number = |sql: &str| db.query_row(sql, [], |row| row.get::<_, i64>(0));
    let (now, mut last_reading) = (clock::now(), None);
    for one in readings::all_series(db)? {
        let last = readings::last_before(db, one.id, now)?;
        last_reading = last_reading.max(last.map(|point| point.time));
    }
    Ok(Held {
        pots: number("SELECT count(*) FROM pot")?.unsigned_abs() as usize,
        readings: number("SELECT count(*) FROM reading")?.unsigned_abs(),
        last_reading,
    })
}

/// Makes the studio in `dir` what the backup holds. What was there is kept beside it. Nobody may
/// be watching the studio meanwhile; other programs that have it open are waited for.
///
/// Errors: the file is none of ours ([`StoreError::NotABackup`]), of a later version, or damaged;
/// then nothing has changed.
pub fn restore(dir: &Path, file: &Path) -> Result<Restored, StoreError> {
    let io = |error| StoreError::Folder { path: dir.into(), error };
    let at_file = |error| StoreError::Folder { path: file.into(), error };
    disk::open(file).map_err(at_file)?;
    if !identity::is_ours(file).map_err(at_file)? {
        return Err(StoreError::NotABackup(file.into()));
    }
    share::refuse(dir)?;
    fs::create_dir_all(dir).map_err(io)?;
    let prepared = prepare(dir, file)?;
    let database = dir.join(DATABASE);
    let before = match database.symlink_metadata() {
        Ok(_) => Some(set_apart(dir, &database)?),
        Err(e) if e.kind() == ErrorKind::NotFound => None,
        Err(error) => return Err(StoreError::Folder { path: database, error }),
    };
    fs::rename(prepared.folder.path().join(DATABASE), &database).map_err(io)?;
    disk::sync(dir).map_err(io)?;
    let mut beside = Vec::new();
    for (name, text) in &prepared.texts {
        beside.extend(put_text(dir, name, text)?.map(|path| (*name, path)));
    }
    Ok(Restored { held: prepared.held, before, beside })
}

/// A copy of a backup, checked and of the present layout, in a folder of its own.
struct Prepared {
    folder: TempDir,
    texts: Vec<(&'static str, String)>,
    held: Held,
}

fn prepare(dir: &Path, file: &Path) -> Result<Prepared, StoreError> {
    let io = |error| StoreError::Folder { path: dir.into(), error };
    let mut builder = tempfile::Builder::new();
    let folder = builder.prefix(".warecast-").suffix(".part").tempdir_in(dir).map_err(io)?;
    let copy = folder.path().join(DATABASE);
    // Of a studio that was not closed, as after a loss of power, the log belongs to it.
    for suffix in ["", "-wal", "-journal"] {
        let from = identity::beside(file, suffix);
        match fs::copy(&from, identity::beside(&copy, suffix)) {
            Err(e) if e.kind() == ErrorKind::NotFound && !suffix.is_empty() => {}
            Err(error) => return Err(StoreError::Folder { path: from, error }),
            Ok(_) => {}
        }
    }
    writable(&copy).map_err(io)?;
    let of_file = |e| match e {
        StoreError::Newer { found, known, .. } => {
            StoreError::Newer { path: file.into(), found, known }
        }
        StoreError::Database(e) if error::is_damage(&e) => {
            StoreError::DamagedBackup(file.into(), e.to_string())
        }
        other => other,
    };
    let db = schema::open(&copy).map_err(of_file)?;
    let texts = take_texts(&db).map_err(|e| of_file(e.into()))?;
    check(&db).map_err(|why| StoreError::DamagedBackup(file.into(), why))?;
    let held = held(&db).map_err(of_file)?;
    db.close().map_err(|(_, e)| e)?;
    fs::File::open(&copy).and_then(|file| file.sync_all()).map_err(io)?;
    Ok(Prepared { folder, texts, held })
}

/// A copy of a file that may only be read is written to all the same.
fn writable(copy: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    let mut permissions = copy.metadata()?.permissions();
    permissions.set_mode(permissions.mode() | 0o600);
    fs::set_permissions(copy, permissions)
}

/// The files that the backup holds, which are taken out of the database.
fn take_texts(db: &Connection) -> rusqlite::Result<Vec<(&'static str, String)>> {
    let mut texts = Vec::new();
    if db.table_exists(None, "kept_file")? {
        let mut kept = db.prepare("SELECT text FROM kept_file WHERE name = ?")?;
        for name in TEXTS {
            let text = kept.query_row([name], |row| row.get(0)).optional()?;
            texts.extend(text.map(|text| (name, text)));
        }
        drop(kept);
        db.execute_batch("DROP TABLE kept_file")?;
    }
    Ok(texts)
}

/// Gives the database that is there a name of its own, complete in one file where it is sound;
/// else with its log as it lies there.
fn set_apart(dir: &Path, database: &Path) -> Result<PathBuf, StoreError> {
    let io = |error| StoreError::Folder { path: dir.into(), error };
    match schema::open(database) {
        Ok(db) => {
            // Waits until no other program has it open, and folds its log back into it.
            let mode: String =
                db.pragma_update_and_check(None, "journal_mode", "DELETE", |row| row.get(0))?;
            if mode != "delete" {
                return Err(StoreError::InUse(database.into()));
            }
        }
        Err(StoreError::Database(e)) if !error::is_damage(&e) => return Err(e.into()),
        Err(_) => {} // damaged, or not ours: kept as it is
    }
    // It keeps its name beside the new one until the backup takes that, in one step.
    let before = free_name(dir, "before-restore.db");
    for suffix in ["-wal", "-journal", ""] {
        let (from, to) = (identity::beside(database, suffix), identity::beside(&before, suffix));
        match also_known_as(&from, &to) {
            Err(e) if e.kind() == ErrorKind::NotFound && !suffix.is_empty() => {}
            other => other.map_err(io)?,
        }
    }
    disk::sync(dir).map_err(io)?;
    for suffix in ["-wal", "-journal", "-shm"] {
        match fs::remove_file(identity::beside(database, suffix)) {
            Err(e) if e.kind() != ErrorKind::NotFound => return Err(io(e)),
            _ => {}
        }
    }
    Ok(before)
}

/// Gives a file a second name; where the disk knows no such thing, a copy.
fn also_known_as(from: &Path, to: &Path) -> io::Result<()> {
    match fs::hard_link(from, to) {
        Err(e) if e.kind() != ErrorKind::NotFound => {
            fs::copy(from, to)?;
            fs::File::open(to)?.sync_all()
        }
        other => other,
    }
}

/// Puts a file in where there is none, or only the settings that every studio begins with; else
/// beside the one in use, and says where.
fn put_text(dir: &Path, name: &str, text: &str) -> Result<Option<PathBuf>, StoreError> {
    let (path, said) = match read_text(dir, name)? {
        Some(there) if there == text => return Ok(None),
        Some(there) if there != super::settings::DEFAULT => {
            let path = free_name(dir, &format!("of-backup-{name}"));
            (path.clone(), Some(path))
        }
        _ => (dir.join(name), None),
    };
    let put = || {
        let mut part = disk::fresh(dir)?;
        io::Write::write_all(&mut part, text.as_bytes())?;
        part.as_file().sync_all()?;
        disk::give_name(part, &path, true)?;
        disk::sync(dir)
    };
    put().map_err(|error| StoreError::Folder { path: path.clone(), error })?;
    Ok(said)
}

/// A name that no file has: with today's date, and a number where that is taken.
fn free_name(dir: &Path, name: &str) -> PathBuf {
    let now = clock::now().timestamp().strftime("%Y%m%d-%H%M%S").to_string();
    let mut name_and_date = format!("{now}-{name}");
    let mut n = 1;
    while dir.join(&name_and_date).symlink_metadata().is_ok() {
        n += 1;
        name_and_date = format!("{now}-{n}-{name}");
    }
    dir.join(name_and_date)
}
