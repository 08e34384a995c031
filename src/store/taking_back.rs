//! Weights that name a pot, and what people noted and take back: it was never true, and nothing may
//! follow from it any more.
//!
//! Readings of sensors are not taken back; what a person typed is, row by row, and only as long as
//! the row still says what was shown to him.

use super::rows;
use super::{Durability, Store, StoreError, readings};
use crate::records::{HandlingRow, Quantity, Reading};
use crate::units::Time;

impl Store {
    /// Weights that name a pot, whoever told them, from one time to before another, in order of
    /// time.
    pub fn weights_of(&self, pot: &str, span: (Time, Time)) -> Result<Vec<Reading>, StoreError> {
        let mut weights = Vec::new();
        let all = readings::all_series(&self.db)?.into_iter();
        for one in all.filter(|s| s.quantity == Quantity::Mass && s.pot.as_deref() == Some(pot)) {
            let mut points = Vec::new();
            readings::read_points(&self.db, one.id, span, &mut points)?;
            weights.extend(points.into_iter().map(|point| Reading {
                time: point.time,
                source: one.source.clone(),
                quantity: Quantity::Mass,
                value: point.value,
                pot: one.pot.clone(),
                count: None,
                spread: None,
            }));
        }
        weights.sort_by_key(|weight| weight.time);
        Ok(weights)
    }

    /// Takes one reading back that names a pot, as long as it still says the same; whether it was
    /// there. On disk for good when it returns.
    pub fn take_back(&mut self, reading: &Reading) -> Result<bool, StoreError> {
        self.write(Durability::Power, |tx| Ok(readings::remove(tx, reading)?))
    }

    /// Takes handling rows back that are there as they are given; says which were. On disk for good
    /// when it returns.
    pub fn take_back_notes(&mut self, notes: &[HandlingRow]) -> Result<Vec<bool>, StoreError> {
        self.write(Durability::Power, |tx| {
            notes.iter().map(|row| Ok(rows::remove_handling(tx, row)?)).collect()
        })
    }
}
