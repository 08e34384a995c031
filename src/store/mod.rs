//! The studio on disk: `studio.toml` (settings) and `studio.db` (SQLite, WAL).
//!
//! Readings and handling rows are append-only facts; only what a person noted can be replaced or
//! taken back. Anything derived from them is made again.
//! The daemon, the command line and an import may have the same studio open at once; each write
//! waits its turn.

mod allotments;
pub mod backup;
mod calibrations;
mod clay;
mod error;
pub mod files;
mod identity;
mod kiln;
mod planned;
mod readings;
mod rows;
pub mod rules;
mod schema;
pub mod settings;
mod share;
mod snapshot;
mod sources;
mod taking_back;
pub mod text;
mod thinned;
pub mod week;

use crate::calibration::history::{Cells, History};
use crate::calibration::{Load, ZeroDrift};
use crate::records::{
    Blend, Body, HandlingRow, Name, Parts, Pot, Quantity, Reading, Sample, Studio,
};
use crate::units::Time;
pub use error::StoreError;
use files::{AIR_FORECAST, AirForecast};
use rows::Fate;
use rusqlite::{Connection, Transaction, TransactionBehavior};
pub use settings::{Format, PortSettings, Settings, Units};
use std::collections::{BTreeMap, VecDeque};
use std::path::{Path, PathBuf};
use std::time::Duration;
pub use thinned::{Instead, Looked, Thinning};

/// The database's file name in the studio's folder.
pub const DATABASE: &str = "studio.db";
/// The settings' file name in the studio's folder.
pub const SETTINGS: &str = "studio.toml";

/// An open studio.
pub struct Store {
    dir: PathBuf,
    settings: Settings,
    db: Connection,
    /// Device and number of the file that was opened.
    file: (u64, u64),
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
        if !is_there(dir)? {
            return Err(StoreError::Missing(dir.into()));
        }
        share::refuse(dir)?;
        let settings = Settings::read(dir)?;
        let path = dir.join(DATABASE);
        let db = schema::open(&path)?;
        let file = file_number(&path).map_err(|error| StoreError::Folder { path, error })?;
        Ok(Store { dir: dir.into(), settings, db, file })
    }

    /// Opens a studio, and makes it when it is not there.
    pub fn open_or_create(dir: &Path) -> Result<Store, StoreError> {
        let io = |error| StoreError::Folder { path: dir.into(), error };
        if !is_there(dir)? {
            share::refuse(dir)?;
            std::fs::create_dir_all(dir).map_err(io)?;
            settings::write_default(dir).map_err(io)?;
            Settings::read(dir)?; // somebody's own may have been there before
            schema::create(dir)?;
        }
        Store::open(dir)
    }

    /// The studio's folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Whether a folder is the studio's own, by whatever name.
    fn is_own_folder(&self, folder: &Path) -> std::io::Result<bool> {
        Ok(folder.canonicalize()? == self.dir.canonicalize()?)
    }

    /// The settings as they were when the studio was opened.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The studio as it was known at `at`, with its planned cover, flip and move rows, and with the
    /// air forecast.
    pub fn studio(&self, at: Time) -> Result<Studio, StoreError> {
        self.snapshot(at, None, true)
    }

    /// The same, with weighings only of these pots and of pots they are `like`.
    pub fn studio_of(&self, at: Time, pots: &[Name]) -> Result<Studio, StoreError> {
        self.snapshot(at, Some(pots), false)
    }

    /// The same with the weighings of no pot, for whom [`Store::turn_to`] brings those of one after
    /// another: all of them at once may be many.
    pub fn studio_unweighed(&self, at: Time) -> Result<Studio, StoreError> {
        self.snapshot(at, Some(&[]), true)
    }

    /// Turns a studio of this store to some of its pots: their weighings, and those of pots they
    /// are `like`, come in the place of all others.
    pub fn turn_to(&self, studio: &mut Studio, pots: &[Name]) -> Result<(), StoreError> {
        let whole = studio.whole(pots);
        snapshot::turn_to(&self.db, studio, &whole)
    }

    /// The same, to parts of their weighings.
    pub fn turn_to_parts(&self, studio: &mut Studio, parts: &Parts) -> Result<(), StoreError> {
        snapshot::turn_to(&self.db, studio, parts)
    }

    fn snapshot(&self, at: Time, only: Option<&[Name]>, idle: bool) -> Result<Studio, StoreError> {
        let mut studio = snapshot::studio(&self.db, at, only, idle)?;
        studio.air_to_come = self.air_forecast().map(|f| f.as_of(at)).unwrap_or_default();
        studio.wary = self.settings.wary;
        Ok(studio)
    }

    /// The air forecast as it lies there now; `None` where there is none.
    pub fn air_forecast(&self) -> Option<AirForecast> {
        let named = self.settings.air_forecast.as_deref();
        let path = self.dir.join(named.unwrap_or(AIR_FORECAST.as_ref()));
        (named.is_some() || path.exists()).then(|| AirForecast::read(&path))
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

    /// All weighings of samples, in order of sample, then time.
    pub fn samples(&self) -> Result<Vec<Sample>, StoreError> {
        Ok(clay::samples(&self.db)?)
    }

    /// What each blended body is made of, in order of body; parts first, then in order of name.
    pub fn blends(&self) -> Result<Vec<Blend>, StoreError> {
        Ok(clay::blends(&self.db)?)
    }

    /// Calibrations and zero drifts of a source.
    pub fn calibrations(&self, source: &str) -> Result<History, StoreError> {
        let (loads, drifts) = (self.loads()?, self.zero_drifts()?);
        Ok(History::new(source, &loads, &drifts))
    }

    /// All calibrated cells as they stand at a moment.
    pub fn cells(&self, at: Time) -> Result<Cells, StoreError> {
        let (loads, drifts) = (self.loads()?, self.zero_drifts()?);
        let mut cells = Cells { at, ..Cells::default() };
        for load in &loads {
            let history = || History::new(&load.source, &loads, &drifts);
            cells.histories.entry(load.source.clone()).or_insert_with(history);
        }
        for drift in &drifts {
            let said = self.last_reading_by(&drift.thermometer, Quantity::Temperature, at)?;
            cells.temperatures.extend(said.map(|point| (drift.thermometer.clone(), point)));
        }
        Ok(cells)
    }

    /// All loads of all calibrations, in order of source, calibration and time.
    pub fn loads(&self) -> Result<Vec<Load>, StoreError> {
        Ok(calibrations::loads(&self.db)?)
    }

    /// All zero drifts, in order of source and time.
    pub fn zero_drifts(&self) -> Result<Vec<ZeroDrift>, StoreError> {
        Ok(calibrations::drifts(&self.db)?)
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

    /// What a source said of a quantity for no pot by name, from one time to before another, in
    /// order of time.
    pub fn readings_of(
        &self,
        source: &str,
        quantity: Quantity,
        span: (Time, Time),
    ) -> Result<Vec<Reading>, StoreError> {
        Ok(readings::of_source(&self.db, source, quantity, span)?)
    }

    /// How many readings are stored of times from this one on.
    pub fn readings_since(&self, time: Time) -> Result<u64, StoreError> {
        let mut readings = 0;
        for one in readings::all_series(&self.db)? {
            readings += readings::count_since(&self.db, one.id, time)?;
        }
        Ok(readings)
    }

    /// Pots that stand on a source at a time, each with that.
    pub fn standing(&self, at: Time) -> Result<Vec<(Name, Name)>, StoreError> {
        Ok(snapshot::standing(&self.handling()?, at))
    }

    /// Whether the database is whole and can be written; it is left as it is.
    ///
    /// Errors: [`StoreError::Damaged`] with what the database says, or why it cannot be written.
    pub fn check(&mut self) -> Result<(), StoreError> {
        backup::check(&self.db).map_err(|why| StoreError::Damaged(self.dir.join(DATABASE), why))?;
        self.write_if(Durability::Process, |tx| Ok((schema::touch(tx)?, false)))
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

    /// Adds weighings of samples; on disk for good when it returns. Their bodies must be there.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_samples(&mut self, samples: &[Sample], clash: Clash) -> Result<Stored, StoreError> {
        self.put_all(samples, clash, clay::put_sample)
    }

    /// Adds ingredients of bodies that are there; on disk for good when it returns.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_blends(&mut self, blends: &[Blend], clash: Clash) -> Result<Stored, StoreError> {
        self.put_all(blends, clash, clay::put_blend)
    }

    /// Adds a body with all that it is made of, or with [`Clash::Replace`] puts both in the place
    /// of what was there; on disk for good when it returns.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_blended(
        &mut self,
        body: &Body,
        ingredients: &[Blend],
        clash: Clash,
    ) -> Result<(), StoreError> {
        self.write(Durability::Power, |tx| {
            if clash == Clash::Replace {
                clay::forget_blend(tx, &body.name)?;
            }
            rows::put_body(tx, body, clash)?;
            for ingredient in ingredients {
                clay::put_blend(tx, ingredient, clash)?;
            }
            Ok(())
        })
    }

    /// Adds the loads of one calibration (all of one source and `from`); with [`Clash::Replace`]
    /// they take the place of all that it had. On disk for good when it returns.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_calibration(&mut self, loads: &[Load], clash: Clash) -> Result<Stored, StoreError> {
        self.write(Durability::Power, |tx| {
            if clash == Clash::Replace
                && let Some(one) = loads.first()
            {
                calibrations::forget_loads(tx, &one.source, one.from)?;
            }
            let mut stored = Stored::default();
            for (index, load) in loads.iter().enumerate() {
                stored.count(index, &calibrations::put_load(tx, load, clash)?);
            }
            Ok(stored)
        })
    }

    /// Adds drifts of zeros; on disk for good when it returns.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_zero_drifts(
        &mut self,
        drifts: &[ZeroDrift],
        clash: Clash,
    ) -> Result<Stored, StoreError> {
        self.put_all(drifts, clash, calibrations::put_drift)
    }

    /// Forgets the calibration and the zero drift of a source that count from exactly that time;
    /// says how many rows there were. On disk for good when it returns.
    pub fn forget_calibration(&mut self, source: &str, from: Time) -> Result<usize, StoreError> {
        self.write(Durability::Power, |tx| {
            let loads = calibrations::forget_loads(tx, source, from)?;
            Ok(loads + calibrations::forget_drift(tx, source, from)?)
        })
    }

    /// Appends readings in one transaction; on disk for good when it returns.
    ///
    /// Readings that break the rules of the studio files, or that name a pot which is not there,
    /// are among [`Stored::refused`]; the others are kept.
    pub fn append(&mut self, readings: &[Reading], clash: Clash) -> Result<Stored, StoreError> {
        self.append_all(Durability::Power, readings, clash)
    }

    /// The same, quicker: safe from the end of the program when it returns, and from a loss of
    /// power once [`Store::sync`] or any other writing method has returned.
    pub fn append_soon(
        &mut self,
        readings: &[Reading],
        clash: Clash,
    ) -> Result<Stored, StoreError> {
        self.append_all(Durability::Process, readings, clash)
    }

    fn append_all(
        &mut self,
        durability: Durability,
        readings: &[Reading],
        clash: Clash,
    ) -> Result<Stored, StoreError> {
        self.write(durability, |tx| {
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

    /// Moves readings that name no pot to other times, all or none: of each series those at the
    /// given times, by so many microseconds. The times become what they are then; one that would
    /// leave 1970–2200 stays. On disk for good when it returns.
    pub fn move_readings(
        &mut self,
        of: &mut BTreeMap<(Name, Quantity), VecDeque<Time>>,
        by_us: i64,
    ) -> Result<(), StoreError> {
        let moved = self.write(Durability::Power, |tx| {
            let mut writer = readings::Writer::new(tx)?;
            let mut moved = Vec::with_capacity(of.len());
            for ((source, quantity), times) in &*of {
                let series = writer.series_of(source, *quantity, None)?;
                moved.push(writer.move_points(series, times, by_us)?);
            }
            Ok(moved)
        })?;
        of.values_mut().zip(moved).for_each(|(times, moved)| *times = moved);
        Ok(())
    }

    /// Takes all that was written before it to the disk, for good.
    pub fn sync(&mut self) -> Result<(), StoreError> {
        // Only a transaction that writes syncs, and with it all before it.
        self.write(Durability::Power, |tx| Ok(schema::touch(tx)?))
    }

    /// Folds a log that has grown long back into the database. That happens by itself in a moment
    /// in which nobody reads; where one reads after the other there is none. So nobody begins to
    /// read from the log any more until those who do are done, for so long at most; false: somebody
    /// still reads.
    pub fn fold_log(&mut self, patience: Duration) -> Result<bool, StoreError> {
        let log = self.dir.join(format!("{DATABASE}-wal"));
        if log.metadata().map_or(0, |log| log.len()) <= schema::LOG {
            return Ok(true);
        }
        self.db.busy_timeout(patience)?;
        let fold = "PRAGMA wal_checkpoint(TRUNCATE)";
        let held: rusqlite::Result<bool> = self.db.query_row(fold, [], |row| row.get(0));
        self.db.busy_timeout(schema::PATIENCE)?;
        Ok(!held?)
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
        self.write_if(durability, |tx| Ok((work(tx)?, true)))
    }

    /// The same; `work` also says whether to keep what it wrote.
    fn write_if<T>(
        &mut self,
        durability: Durability,
        work: impl FnOnce(&Transaction) -> Result<(T, bool), StoreError>,
    ) -> Result<T, StoreError> {
        let synchronous = match durability {
            Durability::Process => "NORMAL",
            Durability::Power => "FULL",
        };
        self.db.pragma_update(None, "synchronous", synchronous)?;
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        // What is written into a file that nobody will open again would be lost.
        let path = self.dir.join(DATABASE);
        if !file_number(&path).is_ok_and(|number| number == self.file) {
            return Err(StoreError::Replaced(path));
        }
        let (done, keep) = work(&tx)?;
        if keep {
            tx.commit()?;
        } else {
            tx.rollback()?;
        }
        Ok(done)
    }
}

/// Device and number of a file, which stay when its name goes to another.
fn file_number(path: &Path) -> std::io::Result<(u64, u64)> {
    use std::os::unix::fs::MetadataExt;
    path.metadata().map(|file| (file.dev(), file.ino()))
}

/// Whether there is a database in `dir`.
fn is_there(dir: &Path) -> Result<bool, StoreError> {
    let path = dir.join(DATABASE);
    path.try_exists().map_err(|error| match error.kind() {
        std::io::ErrorKind::NotADirectory => StoreError::Folder { path: dir.into(), error },
        _ => StoreError::Folder { path, error },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::{Action, Cover, Point};
    use std::collections::BTreeSet;

    fn fresh() -> (tempfile::TempDir, Store) {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open_or_create(&dir.path().join("studio")).unwrap();
        (dir, store)
    }

    fn body(name: &str) -> Body {
        Body {
            name: name.into(),
            bag_water_wet: Some(0.22),
            trim_from_dry: None,
            trim_to_dry: None,
        }
    }

    fn pot(name: &str, made_at: i64) -> Pot {
        Pot { ball_g: Some(600.0), ..Pot::bare(name, "stoneware", Time(made_at)) }
    }

    fn did(time: i64, pot: &str, action: Action) -> HandlingRow {
        HandlingRow { time: Time(time), pot: pot.into(), action }
    }

    fn said(time: i64, source: &str, quantity: Quantity, value: f64, pot: Option<&str>) -> Reading {
        let pot = pot.map(Name::from);
        let source = source.into();
        Reading { time: Time(time), source, quantity, value, pot, count: None, spread: None }
    }

    fn mass(time: i64, source: &str, pot: Option<&str>) -> Reading {
        said(time, source, Quantity::Mass, time as f64, pot)
    }

    fn on(time: i64, pot: &str, source: &str) -> HandlingRow {
        did(time, pot, Action::On(source.into()))
    }

    fn times(studio: &Studio, pot: &str) -> Vec<i64> {
        studio.weighings.get(pot).map_or(vec![], |w| w.0.iter().map(|p| p.time.0).collect())
    }

    fn with_pots(pots: &[Pot]) -> (tempfile::TempDir, Store) {
        let (dir, mut store) = fresh();
        store.put_bodies(&[body("stoneware")], Clash::Refuse).unwrap();
        store.put_pots(pots, Clash::Refuse).unwrap();
        (dir, store)
    }

    #[test]
    fn rows_are_added_known_refused_or_replaced() {
        let (_dir, mut store) = fresh();
        let counts = |s: &Stored| (s.added, s.known, s.replaced, s.refused.clone());
        let put = |store: &mut Store, b: &Body, clash| {
            counts(&store.put_bodies(std::slice::from_ref(b), clash).unwrap())
        };
        let (one, other) = (body("stoneware"), Body { bag_water_wet: None, ..body("stoneware") });
        assert_eq!(put(&mut store, &one, Clash::Refuse), (1, 0, 0, vec![]));
        assert_eq!(put(&mut store, &one, Clash::Refuse), (0, 1, 0, vec![]));
        assert_eq!(put(&mut store, &other, Clash::Refuse), (0, 0, 0, vec![0]));
        assert_eq!(store.bodies().unwrap(), [one]);
        assert_eq!(put(&mut store, &other, Clash::Replace), (0, 0, 1, vec![]));
        assert_eq!(store.bodies().unwrap(), [other]);

        let (a, b) = (mass(5, "cell", None), mass(6, "cell", None));
        let not_finite = Reading { value: f64::NAN, ..mass(7, "cell", None) };
        let offered =
            [a.clone(), not_finite, b, mass(8, "cell", Some("nobody")), mass(9, "=1", None)];
        let stored = store.append(&offered, Clash::Refuse).unwrap();
        assert_eq!(counts(&stored), (2, 0, 0, vec![1, 3, 4]));
        let changed = Reading { value: 1.0, count: Some(3), spread: Some(0.5), ..a.clone() };
        let refused = store.append(&[a, changed.clone()], Clash::Refuse).unwrap();
        assert_eq!(counts(&refused), (0, 1, 0, vec![1]));
        let replaced = store.append(&[changed], Clash::Replace).unwrap();
        assert_eq!(counts(&replaced), (0, 0, 1, vec![]));
        let last = store.last_reading("cell", Quantity::Mass).unwrap();
        assert_eq!(last, Some(Point { time: Time(6), value: 6.0 }));
    }

    #[test]
    fn the_log_becomes_short_again_whoever_reads() {
        let (_dir, mut store) = fresh();
        let dir = store.dir().to_owned();
        let log = || dir.join(format!("{DATABASE}-wal")).metadata().unwrap().len();
        let mut time = 0;
        let mut more = |count| {
            let begins = time;
            time += count;
            (begins..time).map(|t| mass(t * 977, "cell", None)).collect::<Vec<_>>()
        };
        // A long transaction makes it long; the next one finds it folded back, and cuts it off.
        store.append(&more(300_000), Clash::Refuse).unwrap();
        assert!(log() > schema::LOG);
        store.append(&more(1), Clash::Refuse).unwrap();
        assert!(log() <= schema::LOG, "{}", log());
        // One who reads all the while keeps it from that.
        let reader = Store::open(&dir).unwrap();
        let look = reader.db.unchecked_transaction().unwrap();
        assert_eq!(rows::bodies(&look).unwrap(), []);
        while log() <= 2 * schema::LOG {
            store.append_soon(&more(20_000), Clash::Refuse).unwrap();
        }
        assert!(!store.fold_log(Duration::from_millis(10)).unwrap());
        assert!(log() > 2 * schema::LOG);
        // He comes to an end while he is waited for, and the next one has begun by then.
        let next = Store::open(&dir).unwrap();
        std::thread::scope(|threads| {
            let folding = threads.spawn(|| store.fold_log(Duration::from_secs(30)).unwrap());
            std::thread::sleep(Duration::from_millis(200));
            let next_look = next.db.unchecked_transaction().unwrap();
            assert_eq!(rows::bodies(&next_look).unwrap(), []);
            drop(look);
            std::thread::sleep(Duration::from_millis(200));
            drop(next_look);
            assert!(folding.join().unwrap());
        });
        assert_eq!(log(), 0);
        assert_eq!(
            reader.readings_of("cell", Quantity::Mass, (Time::MIN, Time::MAX)).unwrap().len(),
            time as usize
        );
    }

    #[test]
    fn a_row_that_breaks_the_rules_keeps_the_whole_offer_out() {
        let (_dir, mut store) = with_pots(&[]);
        let no_body = Pot { body: "raku".into(), ..pot("jar", 0) };
        let error = store.put_pots(&[pot("bowl", 0), no_body], Clash::Refuse).unwrap_err();
        let expected = "body: no body named \"raku\" in this studio; add the body first";
        assert_eq!(error.to_string(), expected);
        assert_eq!(store.pots().unwrap(), []);
        let error = store.put_handling(&[did(1, "jar", Action::Trim)], Clash::Refuse).unwrap_err();
        let expected = "pot: no pot named \"jar\" in this studio; add the pot first";
        assert_eq!(error.to_string(), expected);
    }

    #[test]
    fn weighings_follow_the_log_and_the_names() {
        let (_dir, mut store) = with_pots(&[pot("a", 0), pot("b", 0)]);
        let log = [
            on(10, "a", "cell"),
            did(20, "a", Action::Off),
            on(20, "b", "cell"),
            on(30, "a", "cell"), // takes the cell from b
            did(40, "a", Action::Off),
            on(40, "a", "other"), // moved over
            on(50, "b", "bench"),
            did(50, "b", Action::Off), // down and up at once
        ];
        store.put_handling(&log, Clash::Refuse).unwrap();
        let mut readings: Vec<Reading> =
            (0..60).step_by(5).map(|t| mass(t, "cell", None)).collect();
        readings.extend([
            mass(39, "other", None),
            mass(40, "other", None),
            mass(45, "other", None),
        ]);
        readings.extend([mass(50, "bench", None), mass(12, "bench", Some("b"))]);
        readings.push(said(41, "other", Quantity::Temperature, 20.0, None));
        store.append(&readings, Clash::Refuse).unwrap();
        let studio = store.studio(Time(100)).unwrap();
        assert_eq!(times(&studio, "a"), [10, 15, 30, 35, 40, 45]);
        assert_eq!(times(&studio, "b"), [12, 20, 25]);
        let early = store.studio(Time(30)).unwrap();
        assert_eq!(times(&early, "a"), [10, 15, 30]);
        let only_b = store.studio_of(Time(100), &["b".into()]).unwrap();
        assert_eq!(only_b.weighings.keys().collect::<Vec<_>>(), ["b"]);
        let (weighings, cells) = (studio.weighings.clone(), studio.cells.clone());
        assert_eq!(Studio { weighings, cells, ..only_b }, studio);
        // Turned to one pot after another, it is the same studio.
        let mut turned = store.studio_unweighed(Time(100)).unwrap();
        assert_eq!(turned, Studio { weighings: BTreeMap::new(), ..studio.clone() });
        for pot in ["b", "a", "b"].map(Name::from) {
            store.turn_to(&mut turned, std::slice::from_ref(&pot)).unwrap();
            let its = BTreeMap::from([(pot.clone(), studio.weighings[&pot].clone())]);
            assert_eq!(turned, Studio { weighings: its, ..studio.clone() });
        }
        store.turn_to(&mut turned, &["a".into(), "b".into()]).unwrap();
        assert_eq!(turned, studio);
        // What a source said while nobody stood on it, before its pot or after.
        let idle = |cell: &str| -> Vec<i64> {
            studio.cells[cell].idle.iter().map(|point| point.time.0).collect()
        };
        assert_eq!([idle("bench"), idle("cell"), idle("other")], [[50], [40], [39]]);
    }

    #[test]
    fn a_sibling_brings_the_weighings_of_the_pot_it_is_like() {
        let twin = Pot { like: Some("a".into()), ..pot("twin", 0) };
        let (_dir, mut store) = with_pots(&[pot("a", 0), pot("other", 0), twin]);
        let named = [mass(1, "bench", Some("a")), mass(1, "bench", Some("other"))];
        store.append(&named, Clash::Refuse).unwrap();
        let studio = store.studio_of(Time(9), &["twin".into()]).unwrap();
        assert_eq!(studio.weighings.keys().collect::<Vec<_>>(), ["a"]);
        let mut turned = store.studio_unweighed(Time(9)).unwrap();
        store.turn_to(&mut turned, &["twin".into()]).unwrap();
        assert_eq!(turned.weighings, studio.weighings);
    }

    #[test]
    fn a_snapshot_never_looks_ahead_save_at_plans() {
        let (_dir, mut store) = with_pots(&[pot("old", 10), pot("new", 50)]);
        let log = [
            did(20, "old", Action::Cover(Cover::Draped)),
            did(20, "old", Action::On("cell".into())),
            did(60, "old", Action::Trim),
            did(60, "old", Action::Cover(Cover::Open)),
            did(61, "old", Action::Flip),
            did(62, "old", Action::Move("loft".into())),
            did(63, "old", Action::Off),
            did(64, "new", Action::Flip),
        ];
        store.put_handling(&log, Clash::Refuse).unwrap();
        store
            .append(
                &[
                    mass(30, "cell", None),
                    mass(31, "cell", None),
                    said(31, "room", Quantity::Humidity, 0.5, None),
                    said(30, "attic", Quantity::Humidity, 0.6, None),
                ],
                Clash::Refuse,
            )
            .unwrap();
        let studio = store.studio(Time(30)).unwrap();
        let words: Vec<&str> = studio.handling["old"].iter().map(|r| r.action.word()).collect();
        assert_eq!(words, ["on", "cover", "cover", "flip", "move"]);
        assert_eq!(studio.pots.keys().collect::<Vec<_>>(), ["old"]);
        assert_eq!(studio.handling.len(), 1);
        assert_eq!(times(&studio, "old"), [30]);
        // The sensor `room` has not spoken yet: the other one still counts as the studio's air.
        assert_eq!(studio.air[""].humidity, [Point { time: Time(30), value: 0.6 }]);
        let later = store.studio(Time(31)).unwrap();
        assert_eq!(later.air[""].humidity, [Point { time: Time(31), value: 0.5 }]);
    }

    #[test]
    fn air_is_told_apart_by_place() {
        let (_dir, mut store) = fresh();
        let air = |source: &str, value| said(1, source, Quantity::Temperature, value, None);
        let loft = air("room:loft", 10.0);
        store
            .append(&[loft, air("shelf-a:room", 20.0), air("cell-1", 30.0)], Clash::Refuse)
            .unwrap();
        let first = |store: &Store, place: &str| {
            store.studio(Time(9)).unwrap().air[place].temperature.iter().map(|p| p.value).collect()
        };
        let (own, of_loft): (Vec<f64>, Vec<f64>) = (first(&store, ""), first(&store, "loft"));
        assert_eq!((own, of_loft), (vec![20.0], vec![10.0]));
        store.append(&[air("room", 21.0)], Clash::Refuse).unwrap();
        let own: Vec<f64> = first(&store, "");
        assert_eq!(own, [21.0]);
    }

    #[test]
    fn two_programs_share_a_studio() {
        let (_dir, mut store) = fresh();
        let mut other = Store::open(store.dir()).unwrap();
        let before = store.data_version().unwrap();
        other.put_bodies(&[body("stoneware")], Clash::Refuse).unwrap();
        assert_ne!(store.data_version().unwrap(), before);
        assert_eq!(store.bodies().unwrap().len(), 1);
        let threads: Vec<_> = (0..4)
            .map(|i| {
                let dir = store.dir().to_owned();
                std::thread::spawn(move || {
                    let mut store = Store::open_or_create(&dir).unwrap();
                    for t in 0..25 {
                        let reading = mass(t, &format!("cell-{i}"), None);
                        store.append(&[reading], Clash::Refuse).unwrap();
                    }
                })
            })
            .collect();
        store.put_pots(&[pot("bowl", 0)], Clash::Refuse).unwrap();
        threads.into_iter().for_each(|t| t.join().unwrap());
        for i in 0..4 {
            let last = store.last_reading(&format!("cell-{i}"), Quantity::Mass).unwrap();
            assert_eq!(last.map(|p| p.time), Some(Time(24)));
        }
    }

    #[test]
    fn a_studio_is_made_once_even_by_many_at_once() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("studio");
        let threads: Vec<_> = (0..8)
            .map(|i| {
                let path = path.clone();
                std::thread::spawn(move || {
                    let mut store = Store::open_or_create(&path).unwrap();
                    store.put_bodies(&[body(&format!("clay-{i}"))], Clash::Refuse).unwrap();
                })
            })
            .collect();
        threads.into_iter().for_each(|t| t.join().unwrap());
        assert_eq!(Store::open(&path).unwrap().bodies().unwrap().len(), 8);
        let left: BTreeSet<String> = std::fs::read_dir(&path)
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .filter(|name| !name.ends_with("-wal") && !name.ends_with("-shm"))
            .collect();
        assert_eq!(left, BTreeSet::from([DATABASE.into(), SETTINGS.into()]));
    }

    #[test]
    fn a_file_that_is_not_ours_stays_as_it_is() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(DATABASE);
        let foreign = dir.path().join("foreign.db");
        let db = Connection::open(&foreign).unwrap();
        db.execute_batch("PRAGMA journal_mode = WAL; CREATE TABLE t (a)").unwrap();
        db.close().unwrap();
        for content in [b"".to_vec(), b"pots and pans".to_vec(), std::fs::read(foreign).unwrap()] {
            std::fs::write(&path, &content).unwrap();
            for open in [Store::open, Store::open_or_create] {
                let error = open(dir.path()).err().expect("refused");
                assert!(matches!(error, StoreError::NotOurs(_)), "{error}");
            }
            assert_eq!(std::fs::read(&path).unwrap(), content);
            assert!(!dir.path().join("studio.db-wal").exists());
        }
    }

    #[test]
    fn a_later_layout_is_refused() {
        let (_dir, store) = fresh();
        let dir = store.dir().to_owned();
        store.db.pragma_update(None, "user_version", schema::VERSION + 1).unwrap();
        drop(store);
        let error = Store::open(&dir).err().expect("refused").to_string();
        assert!(error.contains("was written by a later version of this program"), "{error}");
    }

    #[test]
    fn no_studio_is_a_plain_answer() {
        let dir = tempfile::tempdir().unwrap();
        let error = Store::open(dir.path()).err().expect("refused").to_string();
        assert!(error.starts_with("there is no studio in "), "{error}");
    }
}
