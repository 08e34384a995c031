//! Comparisons in the database: which pot gets which treatment.

use super::rows::{Fate, fate};
use super::text::{self, ALLOTMENT_COLUMNS};
use super::{Clash, Durability, Store, StoreError, rules};
use crate::records::Allotment;
use crate::units::Time;
use rusqlite::{Connection, OptionalExtension, Row, params};

impl Store {
    /// Which pots get which treatments of all comparisons, in order of comparison, then pot.
    pub fn allotments(&self) -> Result<Vec<Allotment>, StoreError> {
        Ok(allotments(&self.db)?)
    }

    /// Adds the pots of a comparison, or with [`Clash::Replace`] puts them in the place of all that
    /// it had; on disk for good when it returns.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_comparison(&mut self, pots: &[Allotment], clash: Clash) -> Result<(), StoreError> {
        self.write(Durability::Power, |tx| {
            if clash == Clash::Replace
                && let Some(one) = pots.first()
            {
                forget(tx, &one.comparison)?;
            }
            for pot in pots {
                put_allotment(tx, pot, clash)?;
            }
            Ok(())
        })
    }

    /// Forgets a comparison; says how many pots it had. On disk for good when it returns.
    pub fn forget_comparison(&mut self, comparison: &str) -> Result<usize, StoreError> {
        self.write(Durability::Power, |tx| Ok(forget(tx, comparison)?))
    }
}

const ALLOTMENT: &str =
    "SELECT comparison, pot, treatment, rank, pair, seed, drawn_at FROM allotment";

fn allotment_of(row: &Row) -> rusqlite::Result<Allotment> {
    Ok(Allotment {
        comparison: row.get(0)?,
        pot: row.get(1)?,
        treatment: row.get(2)?,
        rank: row.get(3)?,
        pair: row.get(4)?,
        seed: row.get(5)?,
        drawn_at: Time(row.get(6)?),
    })
}

/// All of them, in order of comparison, then pot.
pub(super) fn allotments(db: &Connection) -> rusqlite::Result<Vec<Allotment>> {
    let mut found = db.prepare_cached(&format!("{ALLOTMENT} ORDER BY comparison, pot"))?;
    found.query_map([], allotment_of)?.collect()
}

/// Writes one. Errors: [`StoreError::Unfit`] for a row that breaks the rules.
pub(super) fn put_allotment(
    db: &Connection,
    a: &Allotment,
    clash: Clash,
) -> Result<Fate, StoreError> {
    rules::allotment(a)?;
    let stored = db
        .prepare_cached(&format!("{ALLOTMENT} WHERE comparison = ?1 AND pot = ?2"))?
        .query_row(params![a.comparison, a.pot], allotment_of)
        .optional()?;
    let differs = |old| {
        text::difference(
            &ALLOTMENT_COLUMNS,
            text::allotment_fields(&old),
            text::allotment_fields(a),
        )
    };
    let fate = fate(stored.map(differs), clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT INTO allotment (comparison, pot, treatment, rank, pair, seed, drawn_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
             ON CONFLICT (comparison, pot) DO UPDATE
             SET treatment = ?3, rank = ?4, pair = ?5, seed = ?6, drawn_at = ?7",
        )?
        .execute(params![
            a.comparison,
            a.pot,
            a.treatment,
            a.rank,
            a.pair,
            a.seed,
            a.drawn_at.0
        ])?;
    }
    Ok(fate)
}

/// Forgets a comparison; how many pots it had.
pub(super) fn forget(db: &Connection, comparison: &str) -> rusqlite::Result<usize> {
    db.prepare_cached("DELETE FROM allotment WHERE comparison = ?")?.execute([comparison])
}
