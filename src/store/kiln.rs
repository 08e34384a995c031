//! Kiln loads in the database: a load is its pots and one time at which they are packed.

use super::rows::{self, Fate, fate_of_shared};
use super::text::{self, KILN_COLUMNS};
use super::{Clash, Durability, Store, StoreError, Stored, rules};
use crate::records::{KilnPot, Name};
use crate::units::Time;
use rusqlite::{Connection, OptionalExtension, Row, params};

impl Store {
    /// All pots of all kiln loads, in order of load, then pot.
    pub fn kiln_pots(&self) -> Result<Vec<KilnPot>, StoreError> {
        Ok(pots(&self.db)?)
    }

    /// Adds pots to kiln loads; with [`Clash::Replace`] another time holds for the whole load. On
    /// disk for good when it returns.
    ///
    /// Errors: [`StoreError::Unfit`] for a row that breaks the rules; then nothing is kept.
    pub fn put_kiln_pots(&mut self, pots: &[KilnPot], clash: Clash) -> Result<Stored, StoreError> {
        self.put_all(pots, clash, put_pot)
    }

    /// Takes pots out of a kiln load; says which were in it. A load without a pot is none. On disk
    /// for good when it returns.
    pub fn forget_kiln_pots(&mut self, load: &str, pots: &[Name]) -> Result<Vec<bool>, StoreError> {
        self.write(Durability::Power, |tx| {
            let mut forget =
                tx.prepare_cached("DELETE FROM kiln_pot WHERE load = ? AND pot = ?")?;
            let were = pots.iter().map(|pot| forget.execute([load, pot]).map(|rows| rows > 0));
            let were = were.collect::<rusqlite::Result<_>>()?;
            tx.execute(
                "DELETE FROM kiln_load WHERE name = ?1
                 AND NOT EXISTS (SELECT 1 FROM kiln_pot WHERE load = ?1)",
                [load],
            )?;
            Ok(were)
        })
    }
}

const POT: &str =
    "SELECT kiln_load.name, packed_at, pot FROM kiln_pot JOIN kiln_load ON kiln_load.name = load";

fn pot_of(row: &Row) -> rusqlite::Result<KilnPot> {
    Ok(KilnPot { load: row.get(0)?, at: Time(row.get(1)?), pot: row.get(2)? })
}

/// All pots of all loads, in order of load, then pot.
pub(super) fn pots(db: &Connection) -> rusqlite::Result<Vec<KilnPot>> {
    let mut found = db.prepare_cached(&format!("{POT} ORDER BY kiln_load.name, pot"))?;
    found.query_map([], pot_of)?.collect()
}

/// Writes one pot of a load. Errors: [`StoreError::Unfit`] for a row that breaks the rules, or
/// whose pot is not there.
pub(super) fn put_pot(db: &Connection, k: &KilnPot, clash: Clash) -> Result<Fate, StoreError> {
    rules::kiln_pot(k)?;
    if rows::pot(db, &k.pot)?.is_none() {
        return Err(rules::missing("pot", "pot", &k.pot).into());
    }
    let at: Option<i64> = db
        .prepare_cached("SELECT packed_at FROM kiln_load WHERE name = ?")?
        .query_row([&k.load], |row| row.get(0))
        .optional()?;
    let is_in: bool = db
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM kiln_pot WHERE load = ?1 AND pot = ?2)")?
        .query_row([&k.load, &k.pot], |row| row.get(0))?;
    // A new pot of a known load contradicts it where it names another time.
    let differs = at.and_then(|at| {
        let old = KilnPot { at: Time(at), ..k.clone() };
        text::difference(&KILN_COLUMNS, text::kiln_fields(&old), text::kiln_fields(k))
    });
    let fate = fate_of_shared(is_in, differs, clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT INTO kiln_load (name, packed_at) VALUES (?1, ?2)
             ON CONFLICT (name) DO UPDATE SET packed_at = ?2",
        )?
        .execute(params![k.load, k.at.0])?;
        db.prepare_cached(
            "INSERT INTO kiln_pot (load, pot) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
        )?
        .execute([&k.load, &k.pot])?;
    }
    Ok(fate)
}
