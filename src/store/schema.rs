//! The database file: how it is known as ours, how it is made, and how an older one is brought
//! up to date.
//!
//! The file carries SQLite's `application_id` and `user_version`. A file without our
//! `application_id` is never opened by the database library, so it stays as it is, byte for byte.

use super::{DATABASE, StoreError, identity};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};
use rustix::fs::Access;
use std::collections::BTreeMap;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::time::Duration;

/// How long to wait while another program writes to the studio.
pub(super) const PATIENCE: Duration = Duration::from_secs(30);

/// How long the log beside the database may be, bytes: SQLite folds it back at some 4.1 MB (1000
/// pages), and would leave it as long as it ever was (an import, say).
pub(super) const LOG: u64 = 4 << 20;

/// How many compiled statements are kept: more than the store has.
const STATEMENTS: usize = 64;

/// SQL that brings a database of version *n* (index) to version *n* + 1.
///
/// Never edit an entry that was released: add one.
const MIGRATIONS: [&str; 8] = [
    r"
CREATE TABLE body (
    name TEXT PRIMARY KEY NOT NULL,
    bag_water_wet REAL, trim_from_dry REAL, trim_to_dry REAL
) STRICT, WITHOUT ROWID;

CREATE TABLE pot (
    name TEXT PRIMARY KEY NOT NULL,
    body TEXT NOT NULL REFERENCES body (name),
    made_at INTEGER NOT NULL,
    ball_g REAL, tare_g REAL, wall_mm REAL, base_mm REAL,
    lot TEXT, board TEXT, sibling TEXT, place TEXT
) STRICT, WITHOUT ROWID;

CREATE TABLE handling (
    time INTEGER NOT NULL,
    pot TEXT NOT NULL REFERENCES pot (name),
    action TEXT NOT NULL,
    detail TEXT NOT NULL,
    PRIMARY KEY (pot, time, action)
) STRICT, WITHOUT ROWID;

-- What one source says of one quantity, for one pot where it is named (else the empty text).
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    source TEXT NOT NULL, quantity TEXT NOT NULL, pot TEXT NOT NULL,
    UNIQUE (source, quantity, pot)
) STRICT;

-- Times are microseconds since 1970-01-01T00:00:00Z; values are in the program's units.
CREATE TABLE reading (
    series INTEGER NOT NULL,
    time INTEGER NOT NULL,
    value REAL NOT NULL,
    count INTEGER,
    spread REAL,
    PRIMARY KEY (series, time)
) STRICT, WITHOUT ROWID;
",
    r"
CREATE TABLE sample (
    name TEXT PRIMARY KEY NOT NULL,
    body TEXT NOT NULL REFERENCES body (name),
    lot TEXT
) STRICT, WITHOUT ROWID;

CREATE TABLE sample_weighing (
    sample TEXT NOT NULL REFERENCES sample (name),
    time INTEGER NOT NULL,
    drying TEXT NOT NULL,
    mass_g REAL NOT NULL,
    tare_g REAL, humidity REAL, step_g REAL,
    PRIMARY KEY (sample, time)
) STRICT, WITHOUT ROWID;

-- A part is a body; what an addition is called refers to nothing.
CREATE TABLE blend (
    body TEXT NOT NULL REFERENCES body (name),
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    mass_g REAL NOT NULL,
    PRIMARY KEY (body, kind, name)
) STRICT, WITHOUT ROWID;
",
    r"
-- Known masses on a cell that sends raw counts; those of one source and valid_from are one
-- calibration, which counts from then on.
CREATE TABLE load (
    source TEXT NOT NULL,
    valid_from INTEGER NOT NULL,
    time INTEGER NOT NULL,
    mass_g REAL NOT NULL,
    limit_g REAL,
    raw REAL NOT NULL,
    samples INTEGER,
    spread REAL, celsius REAL,
    PRIMARY KEY (source, valid_from, time)
) STRICT, WITHOUT ROWID;

-- How a cell's counts follow the temperature.
CREATE TABLE zero_drift (
    source TEXT NOT NULL,
    valid_from INTEGER NOT NULL,
    per_degree REAL NOT NULL,
    per_degree_u REAL,
    thermometer TEXT NOT NULL,
    PRIMARY KEY (source, valid_from)
) STRICT, WITHOUT ROWID;
",
    r"
-- From first to last few readings of the series stand for the many that came.
CREATE TABLE thinned (
    series INTEGER NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    PRIMARY KEY (series, first)
) STRICT, WITHOUT ROWID;

-- Pots that were looked at, and thinned as far as their answers allow.
CREATE TABLE thinned_pot (pot TEXT PRIMARY KEY NOT NULL) STRICT, WITHOUT ROWID;
",
    r"
-- Which pot gets which treatment of a comparison; a pot may have to be made yet.
CREATE TABLE allotment (
    comparison TEXT NOT NULL,
    pot TEXT NOT NULL,
    treatment TEXT NOT NULL,
    rank INTEGER NOT NULL,
    pair INTEGER,
    seed INTEGER NOT NULL,
    drawn_at INTEGER NOT NULL,
    PRIMARY KEY (comparison, pot)
) STRICT, WITHOUT ROWID;
",
    r"
CREATE TABLE kiln_load (name TEXT PRIMARY KEY NOT NULL, packed_at INTEGER NOT NULL)
STRICT, WITHOUT ROWID;

CREATE TABLE kiln_pot (
    load TEXT NOT NULL REFERENCES kiln_load (name),
    pot TEXT NOT NULL REFERENCES pot (name),
    PRIMARY KEY (load, pot)
) STRICT, WITHOUT ROWID;
",
    r"
-- Rows of the log that were written down before their time and that nobody confirmed yet.
CREATE TABLE planned (
    pot TEXT NOT NULL,
    time INTEGER NOT NULL,
    action TEXT NOT NULL,
    PRIMARY KEY (pot, time, action),
    FOREIGN KEY (pot, time, action) REFERENCES handling (pot, time, action) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;
",
    r"
-- Windows of time whose readings of no pot were looked at, and thinned if their answers allow; and
-- a mark of all that was looked at: with another one a window is looked at again.
CREATE TABLE thinned_window (number INTEGER PRIMARY KEY NOT NULL, mark INTEGER NOT NULL) STRICT;
",
];

/// Version of the schema that this program writes.
pub(super) const VERSION: i32 = MIGRATIONS.len() as i32;

/// Makes a new, empty database in `dir`. One that somebody else made meanwhile is left alone.
pub(super) fn create(dir: &Path) -> Result<(), StoreError> {
    let io = |error| StoreError::Folder { path: dir.into(), error };
    // Made complete under another name first: whoever looks sees no database, or a whole one.
    let file = crate::disk::fresh(dir).map_err(io)?;
    let mut db = Connection::open(file.path())?;
    db.pragma_update(None, "application_id", identity::APPLICATION_ID)?;
    migrate(&mut db)?;
    db.pragma_update(None, "journal_mode", "WAL")?;
    db.close().map_err(|(_, e)| e)?;
    file.as_file().sync_all().map_err(io)?;
    match file.persist_noclobber(dir.join(DATABASE)) {
        Ok(_) => crate::disk::sync(dir).map_err(io),
        Err(e) if e.error.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        Err(e) => Err(io(e.error)),
    }
}

/// Opens a database if it is ours and not of a later program.
pub(super) fn open(path: &Path) -> Result<Connection, StoreError> {
    let io = |error| StoreError::Folder { path: path.into(), error };
    let newer = |found| StoreError::Newer { path: path.into(), found, known: VERSION };
    if !identity::is_ours(path).map_err(io)? {
        return Err(StoreError::NotOurs(path.into()));
    }
    if let Some(found) = identity::layout(path).map_err(io)?.filter(|found| *found > VERSION) {
        return Err(newer(found)); // the database library has not touched it
    }
    if let Some(address) = unchanging(path) {
        return open_unchanging(&address);
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(path, flags)?;
    // A file that somebody else made runs nothing of its own here.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    db.busy_timeout(PATIENCE)?;
    db.set_prepared_statement_cache_capacity(STATEMENTS);
    let found = version(&db)?;
    if found > VERSION {
        // Only its log says so; that stays where it is.
        db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
        return Err(newer(found));
    }
    if found < VERSION {
        migrate(&mut db)?;
    }
    db.pragma_update(None, "journal_mode", "WAL")?;
    db.pragma_update(None, "journal_size_limit", LOG as i64)?;
    db.pragma_update(None, "foreign_keys", true)?;
    Ok(db)
}

/// The address under which a database can be looked at that cannot be written here, if it is one:
/// its folder or disk can only be read, and nobody's log lies beside it.
fn unchanging(path: &Path) -> Option<String> {
    let can_write = |path: &Path| rustix::fs::access(path, Access::WRITE_OK).is_ok();
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    if can_write(path) && can_write(path.parent()?) || Path::new(&log).exists() {
        return None;
    }
    let absolute = path.canonicalize().ok()?;
    // What means something in an address is written by its number (RFC 3986, 2.1).
    let plain = |c: u8| c.is_ascii_alphanumeric() || b"/-._~".contains(&c);
    let letter = |c: &u8| match plain(*c) {
        true => char::from(*c).to_string(),
        false => format!("%{c:02X}"),
    };
    let letters: String = absolute.as_os_str().as_bytes().iter().map(letter).collect();
    Some(format!("file:{letters}?immutable=1"))
}

/// Opens such a database for looking at it; whoever tries to write is told that he cannot.
fn open_unchanging(address: &str) -> Result<Connection, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_URI;
    let db = Connection::open_with_flags(address, flags)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    db.set_prepared_statement_cache_capacity(STATEMENTS);
    if version(&db)? < VERSION {
        touch(&db)?; // says that it cannot be brought up to date
    }
    Ok(db)
}

fn version(db: &Connection) -> rusqlite::Result<i32> {
    db.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// What the database holds by its schema that this program never made, if anything: a trigger, say,
/// in a file that somebody made to look like ours.
pub(super) fn stranger(db: &Connection) -> rusqlite::Result<Option<String>> {
    let all = |db: &Connection| -> rusqlite::Result<BTreeMap<String, Option<String>>> {
        let mut found = db.prepare("SELECT name, sql FROM sqlite_schema")?;
        found.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
    };
    let fresh = Connection::open_in_memory()?;
    MIGRATIONS.iter().try_for_each(|step| fresh.execute_batch(step))?;
    let (ours, theirs) = (all(&fresh)?, all(db)?);
    let strange = |(name, sql): &(String, Option<String>)| ours.get(name) != Some(sql);
    Ok(theirs.into_iter().find(strange).map(|(name, _)| name))
}

/// Writes something and changes nothing.
pub(super) fn touch(db: &Connection) -> rusqlite::Result<()> {
    db.pragma_update(None, "user_version", VERSION)
}

/// Takes the database to [`VERSION`], all steps or none.
fn migrate(db: &mut Connection) -> Result<(), StoreError> {
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Asked again inside the transaction: another program may have done it meanwhile.
    let from = usize::try_from(version(&tx)?).unwrap_or(0);
    for step in MIGRATIONS.iter().skip(from) {
        tx.execute_batch(step)?;
    }
    if from < MIGRATIONS.len() {
        tx.pragma_update(None, "user_version", VERSION)?;
    }
    tx.commit()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A studio of the first layout, made by the SQL that the first version ran.
    #[test]
    fn a_studio_of_an_older_layout_is_brought_up_to_date_and_keeps_what_it_holds() {
        let dir = tempfile::tempdir().unwrap();
        let db = Connection::open(dir.path().join(DATABASE)).unwrap();
        db.pragma_update(None, "application_id", identity::APPLICATION_ID).unwrap();
        db.execute_batch(MIGRATIONS[0]).unwrap();
        db.pragma_update(None, "user_version", 1).unwrap();
        db.execute_batch("INSERT INTO body VALUES ('tide', 0.225, NULL, 0.16)").unwrap();
        db.close().unwrap();
        for _ in 0..2 {
            let db = open(&dir.path().join(DATABASE)).unwrap();
            assert_eq!(version(&db).unwrap(), VERSION);
            let sql = "SELECT bag_water_wet FROM body WHERE name = 'tide'";
            assert_eq!(db.query_row(sql, [], |row| row.get(0)), Ok(0.225));
            let weighings = "SELECT count(*) FROM sample_weighing";
            assert_eq!(db.query_row(weighings, [], |row| row.get(0)), Ok(0));
            let windows = "SELECT count(*) FROM thinned_window";
            assert_eq!(db.query_row(windows, [], |row| row.get(0)), Ok(0));
        }
    }

    #[test]
    fn a_studio_that_can_only_be_read_is_read_and_not_written() {
        let dir = tempfile::tempdir().unwrap();
        let odd = dir.path().join("50 % off?#1");
        std::fs::create_dir(&odd).unwrap();
        create(&odd).unwrap();
        let path = odd.join(DATABASE);
        let db = open(&path).unwrap();
        db.execute_batch("INSERT INTO body VALUES ('tide', 0.225, NULL, 0.16)").unwrap();
        db.close().unwrap();
        assert_eq!(unchanging(&path), None);
        // Whoever may do anything may write into any folder: nobody else is asked there.
        let mode = |bits| {
            use std::os::unix::fs::PermissionsExt;
            std::fs::set_permissions(&odd, std::fs::Permissions::from_mode(bits)).unwrap();
        };
        mode(0o500);
        let address = unchanging(&path);
        mode(0o700);
        assert_eq!(address.is_none(), rustix::process::geteuid().is_root());
        let whole = path.canonicalize().unwrap().display().to_string();
        let whole = whole.replace("50 % off?#1", "50%20%25%20off%3F%231");
        let address = address.unwrap_or_else(|| format!("file:{whole}?immutable=1"));
        assert_eq!(address, format!("file:{whole}?immutable=1"));
        let db = open_unchanging(&address).unwrap();
        let sql = "SELECT bag_water_wet FROM body WHERE name = 'tide'";
        assert_eq!(db.query_row(sql, [], |row| row.get(0)), Ok(0.225));
        let error = StoreError::from(touch(&db).unwrap_err()).to_string();
        assert!(error.contains("cannot be written; check its permissions"), "{error}");
    }
}
