//! Rows of the handling log that were written down before their time and that nobody confirmed yet.
//!
//! They count like all others; this is how it is known which of them nobody has seen done. A row
//! that leaves the log is no longer planned either.

use super::rows::{Fate, handling_of, put_handling, rank, remove_handling};
use super::text::{self, HANDLING_COLUMNS};
use super::{Clash, Durability, Store, StoreError, Stored, rules};
use crate::records::HandlingRow;
use rusqlite::{Connection, OptionalExtension, params};

impl Store {
    /// Rows that nobody confirmed yet, in order of time, then pot, then action.
    pub fn planned(&self) -> Result<Vec<HandlingRow>, StoreError> {
        Ok(planned(&self.db)?)
    }

    /// Writes rows of the handling log that are planned. On disk for good when it returns.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn plan_handling(
        &mut self,
        rows: &[HandlingRow],
        clash: Clash,
    ) -> Result<Stored, StoreError> {
        self.put_all(rows, clash, plan)
    }

    /// Takes back rows of the handling log, and writes planned ones over what is left. All of it is
    /// on disk for good when it returns, or on an error nothing.
    pub fn plan_instead(
        &mut self,
        gone: &[HandlingRow],
        rows: &[HandlingRow],
    ) -> Result<(), StoreError> {
        self.write(Durability::Power, |tx| {
            for row in gone {
                remove_handling(tx, row)?;
            }
            rows.iter().try_for_each(|row| plan(tx, row, Clash::Replace).map(drop))
        })
    }

    /// Confirms planned rows, which are then as good as noted; says which were planned. On disk for
    /// good when it returns.
    pub fn confirm(&mut self, rows: &[HandlingRow]) -> Result<Vec<bool>, StoreError> {
        self.write(Durability::Power, |tx| rows.iter().map(|row| Ok(forget(tx, row)?)).collect())
    }
}

fn plan(db: &Connection, row: &HandlingRow, clash: Clash) -> Result<Fate, StoreError> {
    let fate = put_handling(db, row, clash)?;
    if matches!(fate, Fate::Added | Fate::Replaced) {
        put_planned(db, row, clash)?;
    }
    Ok(fate)
}

/// Rows that nobody confirmed yet, in order of time, then pot, then action.
pub(super) fn planned(db: &Connection) -> rusqlite::Result<Vec<HandlingRow>> {
    let mut statement = db.prepare_cached(
        "SELECT time, pot, action, detail FROM planned JOIN handling USING (pot, time, action)",
    )?;
    let mut rows: Vec<HandlingRow> =
        statement.query_map([], handling_of)?.collect::<Result<_, _>>()?;
    rows.sort_by(|a, b| (a.time, &a.pot, rank(&a.action)).cmp(&(b.time, &b.pot, rank(&b.action))));
    Ok(rows)
}

/// Says of a row of the handling log that it is planned. Errors: [`StoreError::Unfit`] for a row
/// that breaks the rules, or is not in the log as it stands.
pub(super) fn put_planned(
    db: &Connection,
    row: &HandlingRow,
    _: Clash,
) -> Result<Fate, StoreError> {
    rules::planned(row)?;
    let key = params![row.pot, row.time.0, row.action.word()];
    let logged = db
        .prepare_cached(
            "SELECT time, pot, action, detail FROM handling
             WHERE pot = ?1 AND time = ?2 AND action = ?3",
        )?
        .query_row(key, handling_of)
        .optional()?;
    let Some(logged) = logged else { return Err(rules::not_in_the_log(None).into()) };
    let differs = text::difference(
        &HANDLING_COLUMNS,
        text::handling_fields(&logged),
        text::handling_fields(row),
    );
    if differs.is_some() {
        return Err(rules::not_in_the_log(Some(&logged.action.detail())).into());
    }
    let added = db
        .prepare_cached(
            "INSERT INTO planned (pot, time, action) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
        )?
        .execute(key)?;
    Ok(if added > 0 { Fate::Added } else { Fate::Known })
}

/// A row is no longer planned; whether it was.
fn forget(db: &Connection, row: &HandlingRow) -> rusqlite::Result<bool> {
    let key = params![row.pot, row.time.0, row.action.word()];
    let mut forget =
        db.prepare_cached("DELETE FROM planned WHERE pot = ?1 AND time = ?2 AND action = ?3")?;
    Ok(forget.execute(key)? > 0)
}
