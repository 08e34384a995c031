//! Export: the whole studio as files, from one state of the database.
//!
//! Rows stand in an order that depends on what is stored alone, so the same studio gives the same
//! bytes. Each file appears under its name only when it is complete.

use super::{FILES, forecast};
use crate::disk;
use crate::records::{Quantity, Reading};
use crate::store::readings::{self, Numbers, Series};
use crate::store::rules::{self, Unfit};
use crate::store::text::{
    self, ALLOTMENT_COLUMNS, BLEND_COLUMNS, BODY_COLUMNS, COUNT_COLUMNS, DRIFT_COLUMNS,
    HANDLING_COLUMNS, KILN_COLUMNS, LOAD_COLUMNS, POT_COLUMNS, READING_COLUMNS, SAMPLE_COLUMNS,
};
use crate::store::{Store, StoreError, allotments, calibrations, clay, kiln, planned, rows};
use crate::units::Time;
use rusqlite::{Connection, Rows};
use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::io::{self, BufWriter};
use std::path::Path;
use tempfile::NamedTempFile;

/// How many rows each file got, in the order of [`FILES`].
pub type Exported = [(&'static str, usize); FILES.len()];

/// Writes the rows of a file, and says how many.
type Write<'a> = &'a dyn Fn(&Connection, &mut Csv) -> Result<usize, Trouble>;

type Csv<'a> = csv::Writer<BufWriter<&'a mut NamedTempFile>>;

/// Writes the studio into the folder, which is made where it is not there.
///
/// Errors: [`StoreError::FileThere`] if one of the files is there, unless `force`; nothing is
/// written then, nor into the studio's own folder, where its air forecast lies. Folder, file or
/// database troubles.
pub fn export(store: &Store, folder: &Path, force: bool) -> Result<Exported, StoreError> {
    let io = |error| StoreError::Folder { path: folder.into(), error };
    std::fs::create_dir_all(folder).map_err(io)?;
    if store.is_own_folder(folder).map_err(io)? {
        return Err(io(io::Error::other("the studio's own folder: name another")));
    }
    for path in FILES.map(|file| folder.join(file)) {
        disk::is_free(&path, force).map_err(|error| StoreError::of_new_file(path, error))?;
    }
    let db = store.db.unchecked_transaction()?; // one state of the database for all files
    let mut exported = FILES.map(|file| (file, 0));
    let mut parts = Vec::new();
    let forecast = store.air_forecast().map(|forecast| forecast.rows().clone()).unwrap_or_default();
    let air = |_: &Connection, csv: &mut Csv| Ok(forecast::write(&forecast, csv)?);
    let writers: [Write; FILES.len()] = [
        &bodies,
        &pots,
        &handling,
        &readings,
        &samples,
        &blends,
        &counts,
        &calibrations,
        &zero_drifts,
        &comparisons,
        &air,
        &kiln_loads,
        &planned_rows,
    ];
    for ((file, count), write) in exported.iter_mut().zip(writers) {
        let path = folder.join(*file);
        let mut part = disk::fresh(folder).map_err(io)?;
        let mut csv = csv::Writer::from_writer(BufWriter::new(&mut part));
        *count = write(&db, &mut csv).map_err(|e| e.of(&path))?;
        csv.flush().map_err(io)?;
        drop(csv);
        part.as_file().sync_all().map_err(io)?;
        parts.push((part, path));
    }
    for (part, path) in parts {
        disk::give_name(part, &path, force).map_err(|e| StoreError::of_new_file(path, e))?;
    }
    disk::sync(folder).map_err(io)?;
    Ok(exported)
}

/// What can go wrong while a file is written.
enum Trouble {
    Database(rusqlite::Error),
    File(io::Error),
}

impl From<rusqlite::Error> for Trouble {
    fn from(e: rusqlite::Error) -> Trouble {
        Trouble::Database(e)
    }
}

impl From<Unfit> for Trouble {
    fn from(e: Unfit) -> Trouble {
        Trouble::File(io::Error::other(format!("a stored row breaks the rules: {e}")))
    }
}

impl From<csv::Error> for Trouble {
    fn from(e: csv::Error) -> Trouble {
        let text = e.to_string();
        match e.into_kind() {
            csv::ErrorKind::Io(e) => Trouble::File(e),
            _ => Trouble::File(io::Error::other(text)),
        }
    }
}

impl Trouble {
    fn of(self, path: &Path) -> StoreError {
        match self {
            Trouble::Database(e) => e.into(),
            Trouble::File(error) => StoreError::Folder { path: path.into(), error },
        }
    }
}

fn bodies(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    table(csv, BODY_COLUMNS, &rows::bodies(db)?, text::body_fields, rules::body)
}

fn pots(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    table(csv, POT_COLUMNS, &rows::pots(db)?, text::pot_fields, rules::pot)
}

fn handling(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    let rows = rows::handling(db)?;
    table(csv, HANDLING_COLUMNS, &rows, text::handling_fields, rules::handling)
}

fn samples(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    table(csv, SAMPLE_COLUMNS, &clay::samples(db)?, text::sample_fields, rules::sample)
}

fn blends(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    table(csv, BLEND_COLUMNS, &clay::blends(db)?, text::blend_fields, rules::blend)
}

fn calibrations(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    table(csv, LOAD_COLUMNS, &calibrations::loads(db)?, text::load_fields, rules::load)
}

fn zero_drifts(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    let rows = calibrations::drifts(db)?;
    table(csv, DRIFT_COLUMNS, &rows, text::drift_fields, rules::drift)
}

fn comparisons(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    let rows = allotments::allotments(db)?;
    table(csv, ALLOTMENT_COLUMNS, &rows, text::allotment_fields, rules::allotment)
}

fn kiln_loads(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    table(csv, KILN_COLUMNS, &kiln::pots(db)?, text::kiln_fields, rules::kiln_pot)
}

fn planned_rows(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    let rows = planned::planned(db)?;
    table(csv, HANDLING_COLUMNS, &rows, text::handling_fields, rules::planned)
}

/// Writes rows under their columns. A row that breaks the rules, as one that somebody else put
/// into the database, is not written: it could not be read back, and might be a formula.
fn table<T, const N: usize>(
    csv: &mut Csv,
    columns: [&str; N],
    rows: &[T],
    fields: fn(&T) -> [String; N],
    rule: fn(&T) -> Result<(), Unfit>,
) -> Result<usize, Trouble> {
    csv.write_record(columns)?;
    for row in rows {
        rule(row)?;
        csv.write_record(fields(row))?;
    }
    Ok(rows.len())
}

fn readings(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    csv.write_record(READING_COLUMNS)?;
    merged(db, csv, |quantity| quantity != Quantity::Count, text::reading_fields)
}

fn counts(db: &Connection, csv: &mut Csv) -> Result<usize, Trouble> {
    csv.write_record(COUNT_COLUMNS)?;
    merged(db, csv, |quantity| quantity == Quantity::Count, text::count_fields)
}

/// Readings in order of time, then source, quantity and pot: the series, each in order of time,
/// are merged, so that no more than a row of each is held.
fn merged<const N: usize>(
    db: &Connection,
    csv: &mut Csv,
    wanted: fn(Quantity) -> bool,
    fields: fn(&Reading) -> [String; N],
) -> Result<usize, Trouble> {
    let mut series = readings::all_series(db)?;
    series.retain(|one| wanted(one.quantity));
    for one in &series {
        rules::name("source", &one.source)?;
        one.pot.as_ref().map_or(Ok(()), |pot| rules::name("pot", pot))?;
    }
    let mut statements = Vec::with_capacity(series.len());
    for _ in &series {
        statements.push(db.prepare(
            "SELECT time, value, count, spread FROM reading WHERE series = ? ORDER BY time",
        )?);
    }
    let mut rows: Vec<Rows> = Vec::with_capacity(series.len());
    let mut heads: BinaryHeap<Reverse<(Time, usize)>> = BinaryHeap::new();
    let mut numbers = vec![Numbers { value: 0.0, count: None, spread: None }; series.len()];
    for (index, (statement, one)) in statements.iter_mut().zip(&series).enumerate() {
        let mut found = statement.query([one.id])?;
        if let Some(time) = advance(&mut found, &mut numbers[index])? {
            heads.push(Reverse((time, index)));
        }
        rows.push(found);
    }
    let mut written = 0;
    while let Some(Reverse((time, index))) = heads.pop() {
        csv.write_record(fields(&reading(&series[index], time, numbers[index])))?;
        written += 1;
        if let Some(time) = advance(&mut rows[index], &mut numbers[index])? {
            heads.push(Reverse((time, index)));
        }
    }
    Ok(written)
}

/// Goes to the next row of a series: its time, and its numbers.
fn advance(rows: &mut Rows, numbers: &mut Numbers) -> rusqlite::Result<Option<Time>> {
    let Some(row) = rows.next()? else { return Ok(None) };
    *numbers = Numbers { value: row.get(1)?, count: row.get(2)?, spread: row.get(3)? };
    Ok(Some(Time(row.get(0)?)))
}

fn reading(series: &Series, time: Time, numbers: Numbers) -> Reading {
    let Series { source, quantity, pot, .. } = series.clone();
    let Numbers { value, count, spread } = numbers;
    Reading { time, source, quantity, value, pot, count, spread }
}
