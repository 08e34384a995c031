//! A studio whose pots are asked one after another, each with its own weighings in memory and
//! nobody else's: so that what `watch` takes does not go with the number of pots that have been.
//!
//! So nothing is known here of pots that changed cells unnoted ([`crate::core::exchanged`]): that
//! takes the weighings of all.

use crate::core::inference::lessons::Lessons;
use crate::core::{lesson, taught_by};
use crate::records::{Name, Studio};
use crate::store::{Store, StoreError};
use std::slice;

/// What comes of each pot of the studio, in order of name; then the studio holds no weighings.
pub fn each<T>(
    store: &Store,
    studio: &mut Studio,
    mut ask: impl FnMut(&Studio, &Name) -> Option<T>,
) -> Result<Vec<T>, StoreError> {
    let mut all = Vec::new();
    for pot in studio.pots.keys().cloned().collect::<Vec<_>>() {
        store.turn_to(studio, slice::from_ref(&pot))?;
        all.extend(ask(studio, &pot));
    }
    store.turn_to(studio, &[])?;
    Ok(all)
}

/// What the studio's finished pots teach: the same as [`crate::core::learn`] of the whole studio.
pub fn learn(store: &Store, studio: &mut Studio) -> Result<Lessons, StoreError> {
    let told = each(store, studio, |studio, pot| lesson(studio, pot))?;
    Ok(taught_by(studio, told))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::studio_of_dried;
    use crate::core::report::PotAnswer;
    use crate::core::{assess_taught, learn as learn_of_whole};
    use crate::records::{Action, HandlingRow, Point, Pot, Quantity, Reading};
    use crate::store::Clash;
    use crate::units::{HOUR, Time};

    /// Three dried pots, the first on a cell of its own, and one that is like it and is not
    /// weighed; a cell that has stood empty since. All of it is invented.
    fn stored() -> (tempfile::TempDir, Store, Time) {
        let studio = studio_of_dried(3);
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(folder.path()).unwrap();
        let bodies: Vec<_> = studio.bodies.values().cloned().collect();
        store.put_bodies(&bodies, Clash::Refuse).unwrap();
        let mut pots: Vec<Pot> = studio.pots.values().cloned().collect();
        let first = pots[0].clone();
        let twin = Pot { name: "twin".into(), like: Some(first.name.clone()), ..first.clone() };
        pots.push(twin);
        store.put_pots(&pots, Clash::Refuse).unwrap();
        let row = |time, action| HandlingRow { time, pot: first.name.clone(), action };
        let log = [
            row(first.made_at, Action::On("cell".into())),
            row(studio.at.plus(-HOUR), Action::Off),
        ];
        store.put_handling(&log, Clash::Refuse).unwrap();
        let said = |source: &str, quantity, pot: Option<&Name>| {
            let (source, pot) = (source.to_owned(), pot.cloned());
            move |p: &Point| Reading {
                time: p.time,
                source: source.clone(),
                quantity,
                value: p.value,
                pot: pot.clone(),
                count: None,
                spread: None,
            }
        };
        let mut readings = Vec::new();
        for (pot, weighings) in &studio.weighings {
            let on_cell = *pot == first.name;
            let source = if on_cell { "cell" } else { "bench" };
            let named = (!on_cell).then_some(pot);
            readings.extend(weighings.0.iter().map(said(source, Quantity::Mass, named)));
        }
        let air = &studio.air[""];
        readings.extend(air.temperature.iter().map(said("room", Quantity::Temperature, None)));
        readings.extend(air.humidity.iter().map(said("room", Quantity::Humidity, None)));
        store.append(&readings, Clash::Refuse).unwrap();
        (folder, store, studio.at)
    }

    /// What is told of all pots, the studio read at once.
    fn at_once(store: &Store, at: Time) -> Vec<PotAnswer> {
        let studio = store.studio(at).unwrap();
        let lessons = learn_of_whole(&studio);
        studio.pots.keys().filter_map(|pot| assess_taught(&studio, &lessons, pot)).collect()
    }

    /// The same by turns; never does the studio hold weighings of others.
    fn by_turns(store: &Store, at: Time) -> Vec<PotAnswer> {
        let mut studio = store.studio_unweighed(at).unwrap();
        let lessons = learn(store, &mut studio).unwrap();
        assert!(studio.weighings.is_empty());
        let ask = |studio: &Studio, pot: &Name| {
            let its = studio.pots[pot].like.as_ref().unwrap_or(pot);
            assert!(studio.weighings.keys().eq([its]), "{pot}: {:?}", studio.weighings.keys());
            assess_taught(studio, &lessons, pot)
        };
        each(store, &mut studio, ask).unwrap()
    }

    #[test]
    fn by_turns_the_same_is_told_as_at_once_also_after_an_old_pot_was_corrected() {
        let (_folder, mut store, at) = stored();
        let before = at_once(&store, at);
        assert_eq!(before.len(), 4);
        assert_eq!(by_turns(&store, at), before);
        // A slip of 25 g in all weights of a pot that has long finished, put right.
        let studio = store.studio(at).unwrap();
        let right = |p: &Point| Reading {
            time: p.time,
            source: "bench".into(),
            quantity: Quantity::Mass,
            value: p.value - 25.0,
            pot: Some("planter 2".into()),
            count: None,
            spread: None,
        };
        let readings: Vec<_> = studio.weighings["planter 2"].0.iter().map(right).collect();
        store.append(&readings, Clash::Replace).unwrap();
        let after = at_once(&store, at);
        let moved = |pot: &str| {
            let of = |all: &[PotAnswer]| all.iter().find(|a| a.pot == pot).unwrap().dry_mass_g;
            (of(&before).p50 - of(&after).p50).abs()
        };
        assert!(moved("planter 2") > 10.0, "{}", moved("planter 2"));
        assert!(moved("twin") > 0.0, "what it teaches has changed");
        assert_eq!(by_turns(&store, at), after);
    }
}
