//! Who speaks: what each source said last, and which of them the studio knows.

use super::{Store, StoreError, readings};
use crate::records::{Action, Name, Point, Quantity};
use crate::units::{DAY, Time};
use std::collections::{BTreeMap, BTreeSet};

impl Store {
    /// The last that a source said of a quantity, whichever pot stood on it.
    pub fn last_reading(&self, source: &str, q: Quantity) -> Result<Option<Point>, StoreError> {
        self.last_reading_by(source, q, Time(i64::MAX))
    }

    /// The same, of times that are not later than `by`.
    pub(super) fn last_reading_by(
        &self,
        source: &str,
        q: Quantity,
        by: Time,
    ) -> Result<Option<Point>, StoreError> {
        let mut last: Option<Point> = None;
        for one in readings::all_series(&self.db)? {
            if one.source == source
                && one.quantity == q
                && let Some(point) = readings::last_before(&self.db, one.id, by)?
                && last.is_none_or(|other| other.time < point.time)
            {
                last = Some(point);
            }
        }
        Ok(last)
    }

    /// Sources that said anything of a quantity, in order of name.
    pub fn sources_of(&self, quantity: Quantity) -> Result<Vec<Name>, StoreError> {
        let all = readings::all_series(&self.db)?.into_iter();
        let mut names: Vec<Name> =
            all.filter(|one| one.quantity == quantity).map(|one| one.source).collect();
        names.dedup();
        Ok(names)
    }

    /// Sources that sent times later than this one, each with the latest, in order of name.
    pub fn ahead_of(&self, time: Time) -> Result<Vec<(Name, Time)>, StoreError> {
        let mut ahead: BTreeMap<Name, Time> = BTreeMap::new();
        for one in readings::all_series(&self.db)? {
            let last = readings::last_point(&self.db, one.id)?.map(|point| point.time);
            if let Some(last) = last.filter(|last| *last > time) {
                let latest = ahead.entry(one.source).or_insert(last);
                *latest = last.max(*latest);
            }
        }
        Ok(ahead.into_iter().collect())
    }

    /// The last that each source said of each quantity for no pot by name, not later than `by`;
    /// where all of it lies later, the last of all. In order of source.
    pub fn last_words(&self, by: Time) -> Result<Vec<(Name, Quantity, Point)>, StoreError> {
        let mut words = Vec::new();
        for one in readings::all_series(&self.db)?.into_iter().filter(|one| one.pot.is_none()) {
            let last = match readings::last_before(&self.db, one.id, by)? {
                None => readings::last_point(&self.db, one.id)?,
                last => last,
            };
            words.extend(last.map(|point| (one.source, one.quantity, point)));
        }
        Ok(words)
    }

    /// Sources that a pot was ever put on, that are calibrated, or that have spoken for longer than
    /// a day: not names that were garbled once. In order of name.
    pub fn known_sources(&self) -> Result<BTreeSet<Name>, StoreError> {
        let put_on = self.handling()?.into_iter().filter_map(|row| match row.action {
            Action::On(source) => Some(source),
            _ => None,
        });
        let calibrated = self.loads()?.into_iter().map(|load| load.source);
        let mut known: BTreeSet<Name> = put_on.chain(calibrated).collect();
        for one in readings::all_series(&self.db)? {
            let last = readings::last_point(&self.db, one.id)?;
            let day = |last: Point| last.time.plus(-DAY);
            if let Some(before) = last.map(day)
                && readings::last_before(&self.db, one.id, before)?.is_some()
            {
                known.insert(one.source);
            }
        }
        Ok(known)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::{Body, HandlingRow, Pot, Reading};
    use crate::store::Clash;

    const NOW: Time = Time(1_900_000_000_000_000);

    fn reading(source: &str, quantity: Quantity, hours_ago: f64, value: f64) -> Reading {
        let (time, source) = (NOW.plus(-3600.0 * hours_ago), source.into());
        Reading { time, source, quantity, value, pot: None, count: None, spread: None }
    }

    #[test]
    fn what_lies_in_the_future_is_a_last_word_only_where_nothing_else_was_said() {
        use Quantity::{Humidity, Temperature};
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(dir.path()).unwrap();
        let all = [
            reading("kiln room", Temperature, -5.0, 30.0),
            reading("room", Humidity, 9.0, 0.5),
            reading("room", Humidity, -9.0, 0.91),
        ];
        store.append(&all, Clash::Refuse).unwrap();
        let words = store.last_words(NOW).unwrap();
        let values: Vec<_> = words.iter().map(|w| (w.0.as_str(), w.2.value)).collect();
        assert_eq!(values, [("kiln room", 30.0), ("room", 0.5)]);
        assert_eq!(store.last_reading("room", Humidity).unwrap().unwrap().value, 0.91);
        let then = store.last_reading_by("room", Humidity, NOW).unwrap().unwrap();
        assert_eq!(then.value, 0.5);
    }

    #[test]
    fn known_is_what_the_log_has_or_what_has_spoken_for_long() {
        use Quantity::Mass;
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(dir.path()).unwrap();
        let all = [
            reading("garbled", Mass, 2.0, 5.0),
            reading("garbled", Mass, 1.0, 5.0),
            reading("steady", Mass, 30.0, 5.0),
            reading("steady", Mass, 1.0, 5.0),
        ];
        store.append(&all, Clash::Refuse).unwrap();
        let (bag_water_wet, trim_from_dry, trim_to_dry) = (Some(0.22), None, None);
        let body = Body { name: "dune".into(), bag_water_wet, trim_from_dry, trim_to_dry };
        store.put_bodies(&[body], Clash::Refuse).unwrap();
        store.put_pots(&[Pot::bare("jar", "dune", Time(0))], Clash::Refuse).unwrap();
        let action = Action::On("new".into());
        let row = HandlingRow { time: NOW, pot: "jar".into(), action };
        store.put_handling(&[row], Clash::Refuse).unwrap();
        assert_eq!(store.known_sources().unwrap(), ["new", "steady"].map(Name::from).into());
    }
}
