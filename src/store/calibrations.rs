//! Calibrations in the database: the loads of known masses, and drifts of the zero.

use super::rows::{Fate, fate};
use super::text::{self, DRIFT_COLUMNS, LOAD_COLUMNS};
use super::{Clash, StoreError, rules};
use crate::calibration::{Load, ZeroDrift};
use crate::units::Time;
use rusqlite::{Connection, OptionalExtension, Row, params};

const LOAD: &str = "SELECT source, valid_from, time, mass_g, limit_g, raw, samples, spread, celsius
    FROM load";

fn load_of(row: &Row) -> rusqlite::Result<Load> {
    Ok(Load {
        source: row.get(0)?,
        from: Time(row.get(1)?),
        at: Time(row.get(2)?),
        mass_g: row.get(3)?,
        limit_g: row.get(4)?,
        raw: row.get(5)?,
        samples: row.get(6)?,
        spread: row.get(7)?,
        celsius: row.get(8)?,
    })
}

/// All loads, in order of source, calibration and time.
pub(super) fn loads(db: &Connection) -> rusqlite::Result<Vec<Load>> {
    let mut found = db.prepare_cached(&format!("{LOAD} ORDER BY source, valid_from, time"))?;
    found.query_map([], load_of)?.collect()
}

/// Writes one load. Errors: [`StoreError::Unfit`] for a row that breaks the rules.
pub(super) fn put_load(db: &Connection, l: &Load, clash: Clash) -> Result<Fate, StoreError> {
    rules::load(l)?;
    let stored = db
        .prepare_cached(&format!("{LOAD} WHERE source = ?1 AND valid_from = ?2 AND time = ?3"))?
        .query_row(params![l.source, l.from.0, l.at.0], load_of)
        .optional()?;
    let differs =
        |old| text::difference(&LOAD_COLUMNS, text::load_fields(&old), text::load_fields(l));
    let fate = fate(stored.map(differs), clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT OR REPLACE INTO load
             (source, valid_from, time, mass_g, limit_g, raw, samples, spread, celsius)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        )?
        .execute(params![
            l.source, l.from.0, l.at.0, l.mass_g, l.limit_g, l.raw, l.samples, l.spread, l.celsius
        ])?;
    }
    Ok(fate)
}

/// Forgets the calibration of a source that counts from that time; says how many loads it had.
pub(super) fn forget_loads(db: &Connection, source: &str, from: Time) -> rusqlite::Result<usize> {
    db.prepare_cached("DELETE FROM load WHERE source = ?1 AND valid_from = ?2")?
        .execute(params![source, from.0])
}

const DRIFT: &str =
    "SELECT source, valid_from, per_degree, per_degree_u, thermometer FROM zero_drift";

fn drift_of(row: &Row) -> rusqlite::Result<ZeroDrift> {
    Ok(ZeroDrift {
        source: row.get(0)?,
        from: Time(row.get(1)?),
        per_degree: row.get(2)?,
        per_degree_u: row.get(3)?,
        thermometer: row.get(4)?,
    })
}

/// All zero drifts, in order of source and time.
pub(super) fn drifts(db: &Connection) -> rusqlite::Result<Vec<ZeroDrift>> {
    let mut found = db.prepare_cached(&format!("{DRIFT} ORDER BY source, valid_from"))?;
    found.query_map([], drift_of)?.collect()
}

/// Writes one zero drift. Errors: [`StoreError::Unfit`] for a row that breaks the rules.
pub(super) fn put_drift(db: &Connection, d: &ZeroDrift, clash: Clash) -> Result<Fate, StoreError> {
    rules::drift(d)?;
    let stored = db
        .prepare_cached(&format!("{DRIFT} WHERE source = ?1 AND valid_from = ?2"))?
        .query_row(params![d.source, d.from.0], drift_of)
        .optional()?;
    let differs =
        |old| text::difference(&DRIFT_COLUMNS, text::drift_fields(&old), text::drift_fields(d));
    let fate = fate(stored.map(differs), clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT OR REPLACE INTO zero_drift
             (source, valid_from, per_degree, per_degree_u, thermometer)
             VALUES (?1, ?2, ?3, ?4, ?5)",
        )?
        .execute(params![
            d.source,
            d.from.0,
            d.per_degree,
            d.per_degree_u,
            d.thermometer
        ])?;
    }
    Ok(fate)
}

/// Forgets the zero drift of a source that counts from that time; says how many there were.
pub(super) fn forget_drift(db: &Connection, source: &str, from: Time) -> rusqlite::Result<usize> {
    db.prepare_cached("DELETE FROM zero_drift WHERE source = ?1 AND valid_from = ?2")?
        .execute(params![source, from.0])
}
