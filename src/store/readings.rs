//! Readings in the database: append-only, one series per source, quantity and pot named.

use super::rows::{self, Fate};
use super::text::{self, COUNT_COLUMNS, READING_COLUMNS};
use super::{Clash, StoreError, rules, thinned};
use crate::records::{Name, Point, Quantity, Reading};
use crate::units::Time;
use rusqlite::{CachedStatement, Connection, OptionalExtension, params};
use std::collections::{HashMap, VecDeque};

/// What one source says of one quantity, for one pot where it is named.
#[derive(Clone, Debug)]
pub(super) struct Series {
    pub id: i64,
    pub source: Name,
    pub quantity: Quantity,
    pub pot: Option<Name>,
}

/// All series, in order of source, quantity and pot.
pub(super) fn all_series(db: &Connection) -> rusqlite::Result<Vec<Series>> {
    let mut statement = db.prepare_cached(
        "SELECT id, source, quantity, pot FROM series ORDER BY source, quantity, pot",
    )?;
    let found = statement.query_map([], |row| {
        let (quantity, pot): (String, String) = (row.get(2)?, row.get(3)?);
        let quantity = Quantity::parse(&quantity).ok_or(rusqlite::Error::InvalidQuery)?;
        let pot = (!pot.is_empty()).then_some(pot);
        Ok(Series { id: row.get(0)?, source: row.get(1)?, quantity, pot })
    })?;
    found.collect()
}

/// Adds to `points` those of a series from `from` to before `to`, in order of time.
pub(super) fn read_points(
    db: &Connection,
    series: i64,
    (from, to): (Time, Time),
    points: &mut Vec<Point>,
) -> rusqlite::Result<()> {
    let mut statement = db.prepare_cached(
        "SELECT time, value FROM reading
         WHERE series = ?1 AND time >= ?2 AND time < ?3 ORDER BY time",
    )?;
    let mut rows = statement.query(params![series, from.0, to.0])?;
    while let Some(row) = rows.next()? {
        points.push(Point { time: Time(row.get(0)?), value: row.get(1)? });
    }
    Ok(())
}

/// Adds to `points` some of a series from `from` to before `to`, in order of time: the next one
/// after so many seconds, again and again.
pub(super) fn read_some(
    db: &Connection,
    series: i64,
    (from, to): (Time, Time),
    apart: f64,
    points: &mut Vec<Point>,
) -> rusqlite::Result<()> {
    let mut statement = db.prepare_cached(
        "SELECT time, value FROM reading
         WHERE series = ?1 AND time >= ?2 AND time < ?3 ORDER BY time LIMIT 1",
    )?;
    let mut next = from;
    while next < to {
        let found = statement.query_row([series, next.0, to.0], |row| {
            Ok(Point { time: Time(row.get(0)?), value: row.get(1)? })
        });
        let Some(point) = found.optional()? else { return Ok(()) };
        points.push(point);
        next = point.time.plus(apart);
    }
    Ok(())
}

/// What a source said of a quantity for no pot by name, from one time to before another, in order
/// of time.
pub(super) fn of_source(
    db: &Connection,
    source: &str,
    quantity: Quantity,
    (from, to): (Time, Time),
) -> rusqlite::Result<Vec<Reading>> {
    let mut found = db.prepare_cached(
        "SELECT time, value, count, spread FROM reading JOIN series ON series = id
         WHERE source = ?1 AND quantity = ?2 AND pot = '' AND time >= ?3 AND time < ?4
         ORDER BY time",
    )?;
    let rows = found.query_map(params![source, quantity.word(), from.0, to.0], |row| {
        Ok(Reading {
            time: Time(row.get(0)?),
            source: source.into(),
            quantity,
            value: row.get(1)?,
            pot: None,
            count: row.get(2)?,
            spread: row.get(3)?,
        })
    })?;
    rows.collect()
}

/// Removes a reading that names a pot and still has this value; whether there was one.
pub(super) fn remove(db: &Connection, r: &Reading) -> rusqlite::Result<bool> {
    let Some(pot) = &r.pot else { return Ok(false) };
    let removed = db
        .prepare_cached(
            "DELETE FROM reading WHERE time = ?1 AND value = ?2 AND series IN
             (SELECT id FROM series WHERE source = ?3 AND quantity = ?4 AND pot = ?5)",
        )?
        .execute(params![r.time.0, r.value, r.source, r.quantity.word(), pot])?;
    Ok(removed > 0)
}

/// The last point of a series.
pub(super) fn last_point(db: &Connection, series: i64) -> rusqlite::Result<Option<Point>> {
    last_before(db, series, Time(i64::MAX))
}

/// How many points of a series are no earlier than a time.
pub(super) fn count_since(db: &Connection, series: i64, time: Time) -> rusqlite::Result<u64> {
    let count: i64 = db
        .prepare_cached("SELECT count(*) FROM reading WHERE series = ?1 AND time >= ?2")?
        .query_row([series, time.0], |row| row.get(0))?;
    Ok(count.unsigned_abs())
}

/// The last point of a series that is not later than `end`.
pub(super) fn last_before(
    db: &Connection,
    series: i64,
    end: Time,
) -> rusqlite::Result<Option<Point>> {
    db.prepare_cached(
        "SELECT time, value FROM reading WHERE series = ?1 AND time <= ?2
         ORDER BY time DESC LIMIT 1",
    )?
    .query_row([series, end.0], |row| Ok(Point { time: Time(row.get(0)?), value: row.get(1)? }))
    .optional()
}

/// The numbers of a reading: everything but its key.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Numbers {
    pub value: f64,
    pub count: Option<u32>,
    pub spread: Option<f64>,
}

/// Writes readings inside a transaction.
pub(super) struct Writer<'db> {
    db: &'db Connection,
    insert: CachedStatement<'db>,
    series: HashMap<(Name, Quantity, Option<Name>), i64>,
    thinned: thinned::Spans,
}

impl<'db> Writer<'db> {
    pub fn new(db: &'db Connection) -> rusqlite::Result<Writer<'db>> {
        let insert = db.prepare_cached(
            "INSERT INTO reading (series, time, value, count, spread)
             VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT DO NOTHING",
        )?;
        Ok(Writer { db, insert, series: HashMap::new(), thinned: Default::default() })
    }

    /// Writes one reading. Errors: [`StoreError::Unfit`] for one that breaks the rules, or whose
    /// pot is not there.
    pub fn put(&mut self, r: &Reading, clash: Clash) -> Result<Fate, StoreError> {
        rules::reading(r)?;
        let series = self.series_of(&r.source, r.quantity, r.pot.as_deref())?;
        let numbers = Numbers { value: r.value, count: r.count, spread: r.spread };
        self.put_numbers(series, r.time, numbers, clash)
    }

    /// The series of that key, made where it is not there yet. The names must fit the rules.
    /// Errors: [`StoreError::Unfit`] if the pot is not there.
    pub fn series_of(
        &mut self,
        source: &str,
        quantity: Quantity,
        pot: Option<&str>,
    ) -> Result<i64, StoreError> {
        let key = (source.to_owned(), quantity, pot.map(str::to_owned));
        if let Some(id) = self.series.get(&key) {
            return Ok(*id);
        }
        if let Some(pot) = pot
            && rows::pot(self.db, pot)?.is_none()
        {
            return Err(rules::missing("pot", "pot", pot).into());
        }
        let names = params![source, quantity.word(), pot.unwrap_or_default()];
        let find = "SELECT id FROM series WHERE source = ?1 AND quantity = ?2 AND pot = ?3";
        let found = self.db.prepare_cached(find)?.query_row(names, |row| row.get(0)).optional()?;
        let id = match found {
            Some(id) => id,
            None => self
                .db
                .prepare_cached("INSERT INTO series (source, quantity, pot) VALUES (?1, ?2, ?3)")?
                .insert(names)?,
        };
        self.series.insert(key, id);
        Ok(id)
    }

    /// Writes one reading of a series. The numbers must fit the rules.
    pub fn put_numbers(
        &mut self,
        series: i64,
        time: Time,
        new: Numbers,
        clash: Clash,
    ) -> Result<Fate, StoreError> {
        let row = params![series, time.0, new.value, new.count, new.spread];
        if self.thinned.hold(self.db, series, time)? {
            return Ok(Fate::Known);
        }
        if self.insert.execute(row)? == 1 {
            return Ok(Fate::Added);
        }
        let old = self
            .db
            .prepare_cached(
                "SELECT value, count, spread FROM reading WHERE series = ? AND time = ?",
            )?
            .query_row(params![series, time.0], |row| {
                Ok(Numbers { value: row.get(0)?, count: row.get(1)?, spread: row.get(2)? })
            })?;
        if old == new {
            return Ok(Fate::Known);
        }
        if clash == Clash::Refuse {
            return self.contradiction(series, old, new);
        }
        self.db
            .prepare_cached(
                "UPDATE reading SET value = ?3, count = ?4, spread = ?5
                 WHERE series = ?1 AND time = ?2",
            )?
            .execute(row)?;
        Ok(Fate::Replaced)
    }

    /// Moves the points of a series that have these times; gives their times then.
    pub fn move_points(
        &mut self,
        series: i64,
        times: &VecDeque<Time>,
        by_us: i64,
    ) -> Result<VecDeque<Time>, StoreError> {
        let mut taken = Vec::with_capacity(times.len());
        {
            let mut take = self.db.prepare_cached(
                "DELETE FROM reading WHERE series = ? AND time = ? RETURNING value, count, spread",
            )?;
            for time in times {
                let numbers = take.query_row(params![series, time.0], |row| {
                    Ok(Numbers { value: row.get(0)?, count: row.get(1)?, spread: row.get(2)? })
                });
                // Somebody else may have replaced it by now.
                taken.extend(numbers.optional()?.map(|numbers| (time.moved(by_us), numbers)));
            }
        }
        let mut moved = VecDeque::with_capacity(taken.len());
        for (mut time, Numbers { value, count, spread }) in taken {
            // A stranger of the same microsecond stays; so does the order of these.
            while self.insert.execute(params![series, time.0, value, count, spread])? == 0 {
                time = Time(time.0 + 1);
            }
            moved.push_back(time);
        }
        Ok(moved)
    }

    fn contradiction(&self, series: i64, old: Numbers, new: Numbers) -> Result<Fate, StoreError> {
        let quantity = self
            .db
            .prepare_cached("SELECT quantity FROM series WHERE id = ?")?
            .query_row([series], |row| row.get::<_, String>(0))?;
        let quantity = Quantity::parse(&quantity).ok_or(rusqlite::Error::InvalidQuery)?;
        let [old, new] = [old, new].map(|Numbers { value, count, spread }| {
            let (time, source, pot) = (Time::MIN, Name::new(), None);
            Reading { time, source, quantity, value, pot, count, spread }
        });
        let differs = match quantity {
            Quantity::Count => {
                let fields = text::count_fields;
                text::difference(&COUNT_COLUMNS, fields(&old), fields(&new))
            }
            _ => {
                let fields = text::reading_fields;
                text::difference(&READING_COLUMNS, fields(&old), fields(&new))
            }
        };
        Ok(differs.map_or(Fate::Known, |(column, stored)| Fate::Contradicts(column, stored)))
    }
}
