//! Few readings in the place of many, of long ago; and where that was done, so that files which
//! still hold the many add none of them again.

use super::{Durability, Store, StoreError, snapshot};
use crate::records::{Name, Point, Studio};
use crate::units::{HOUR, Time};
use rusqlite::{Connection, params};
use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, HashMap};
use std::ops::Range;

/// Stretches further apart than this, s, are two: what comes from in between was never there.
const GAP: f64 = HOUR;

/// Readings that come in the place of others: which of the points, and what comes for them.
pub type Instead = Vec<(Range<usize>, Vec<Point>)>;

/// What is looked at, and remembered as such.
#[derive(Clone, Copy)]
pub enum Looked<'a> {
    /// What a pot weighed.
    Pot(&'a str),
    /// What was said of no pot in a window of time: by its number, with a mark of all that is
    /// looked at.
    Window(i64, i64),
}

/// Which readings are to be thinned, and how a series of them is.
pub struct Thinning<'a> {
    /// Those that tell what a pot weighs, or of no pot.
    pub of: Looked<'a>,
    /// From one time to before another.
    pub span: (Time, Time),
    /// What comes in the place of points of one series, in order of time.
    pub how: &'a dyn Fn(&[Point]) -> Instead,
}

impl Thinning<'_> {
    pub(super) fn run(&self, tx: &Connection) -> Result<usize, StoreError> {
        let series = match self.of {
            Looked::Pot(pot) => snapshot::of_pot(tx, pot, self.span)?,
            Looked::Window(..) => snapshot::of_no_pot(tx, self.span)?,
        };
        let mut fewer = 0;
        for (series, points) in series {
            fewer += put_instead(tx, series, &points, &(self.how)(&points))?;
        }
        remember(tx, self.of)?;
        Ok(fewer)
    }
}

impl Store {
    /// Pots whose readings were thinned as far as their answers allow.
    pub fn thinned(&self) -> Result<Vec<Name>, StoreError> {
        Ok(done(&self.db)?)
    }

    /// Windows of which readings of no pot were looked at, each with its mark.
    pub fn windows(&self) -> Result<BTreeMap<i64, i64>, StoreError> {
        Ok(marks(&self.db)?)
    }

    /// Remembers that a pot or a window was looked at, and its readings are to stay as they are.
    pub fn leave(&mut self, looked: Looked) -> Result<(), StoreError> {
        self.write(Durability::Power, |tx| Ok(remember(tx, looked)?))
    }

    /// Puts few readings in the place of many, for good, and remembers where: rows of files that
    /// still hold the many count as known. Says how many fewer there are.
    pub fn thin(&mut self, thinning: &Thinning) -> Result<usize, StoreError> {
        self.write(Durability::Power, |tx| thinning.run(tx))
    }

    /// A studio of this store as it would be after [`Store::thin`]: with the weighings of the pot
    /// in the place of all others, or with the air; and how many fewer readings there would be.
    pub fn if_thinned(
        &mut self,
        thinning: &Thinning,
        studio: &Studio,
    ) -> Result<(usize, Studio), StoreError> {
        let mut after = studio.clone();
        self.write_if(Durability::Process, |tx| {
            let fewer = thinning.run(tx)?;
            match thinning.of {
                Looked::Pot(pot) => {
                    let whole = after.whole(&[pot.into()]);
                    snapshot::turn_inside(tx, &mut after, &whole)?;
                }
                Looked::Window(..) => snapshot::air_inside(tx, &mut after)?,
            }
            Ok(((fewer, after), false))
        })
    }
}

/// Puts readings in the place of others: `instead` says which of the series' points, and what comes
/// for them. Says how many fewer there are. The counts of those that come add up to those of the
/// others.
pub(super) fn put_instead(
    db: &Connection,
    series: i64,
    points: &[Point],
    instead: &[(Range<usize>, Vec<Point>)],
) -> Result<usize, StoreError> {
    let mut take = db.prepare_cached(
        "DELETE FROM reading WHERE series = ? AND time = ? RETURNING coalesce(count, 1)",
    )?;
    let mut insert = db.prepare_cached(
        "INSERT INTO reading (series, time, value, count, spread) VALUES (?, ?, ?, ?, NULL)",
    )?;
    let mut fewer = 0;
    let mut stretches: Vec<(Time, Time)> = Vec::new();
    for (of, come) in instead {
        let gone = &points[of.clone()];
        let mut samples: i64 = 0;
        for point in gone {
            samples += take.query_row(params![series, point.time.0], |row| row.get::<_, i64>(0))?;
        }
        for (at, point) in come.iter().enumerate() {
            // What is left over goes to the first ones.
            let (all, at) = (come.len() as i64, at as i64);
            let count = (samples + all - 1 - at) / all;
            insert.execute(params![series, point.time.0, point.value, count])?;
        }
        fewer += gone.len() - come.len();
        let (first, last) = (gone[0].time, gone[gone.len() - 1].time);
        match stretches.last_mut().filter(|stretch| first.since(stretch.1) <= GAP) {
            Some(stretch) => stretch.1 = last,
            None => stretches.push((first, last)),
        }
    }
    let mut remember = db.prepare_cached(
        "INSERT INTO thinned (series, first, last) VALUES (?1, ?2, ?3)
         ON CONFLICT DO UPDATE SET last = max(last, ?3)",
    )?;
    for (first, last) in stretches {
        remember.execute(params![series, first.0, last.0])?;
    }
    Ok(fewer)
}

/// Where readings were thinned, by series; read when a series is first asked about.
#[derive(Default)]
pub(super) struct Spans(HashMap<i64, Vec<(i64, i64)>>);

impl Spans {
    /// Whether a reading of this time has been thinned with the others.
    pub fn hold(&mut self, db: &Connection, series: i64, time: Time) -> rusqlite::Result<bool> {
        let spans = match self.0.entry(series) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(new) => new.insert(read(db, series)?),
        };
        Ok(spans.iter().any(|(first, last)| (*first..=*last).contains(&time.0)))
    }
}

fn read(db: &Connection, series: i64) -> rusqlite::Result<Vec<(i64, i64)>> {
    let mut found = db.prepare_cached("SELECT first, last FROM thinned WHERE series = ?")?;
    let spans = found.query_map([series], |row| Ok((row.get(0)?, row.get(1)?)))?;
    spans.collect()
}

/// Pots that were looked at, and thinned as far as their answers allow.
pub(super) fn done(db: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut found = db.prepare_cached("SELECT pot FROM thinned_pot ORDER BY pot")?;
    let names = found.query_map([], |row| row.get(0))?;
    names.collect()
}

/// Windows that were looked at, each with its mark.
fn marks(db: &Connection) -> rusqlite::Result<BTreeMap<i64, i64>> {
    let mut found = db.prepare_cached("SELECT number, mark FROM thinned_window")?;
    let marks = found.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    marks.collect()
}

/// Remembers what was looked at.
fn remember(db: &Connection, looked: Looked) -> rusqlite::Result<()> {
    match looked {
        Looked::Pot(pot) => db
            .prepare_cached("INSERT INTO thinned_pot (pot) VALUES (?) ON CONFLICT DO NOTHING")?
            .execute([pot])?,
        Looked::Window(number, mark) => db
            .prepare_cached("INSERT OR REPLACE INTO thinned_window (number, mark) VALUES (?, ?)")?
            .execute([number, mark])?,
    };
    Ok(())
}
