//! A studio whose pots are asked one after another, each with its own weighings in memory and of
//! others' no more than tells whether it changed cells with them ([`crate::core::exchanged`]): so
//! that what `watch` takes does not go with the number of pots that have been.

use crate::core::inference::lessons::Lessons;
use crate::core::{exchanged, lesson, taught_by};
use crate::records::{Name, Studio};
use crate::store::{Store, StoreError};
use std::slice;

/// Turns a studio of this store to a pot: what is told of it then is what is told where the
/// weighings of all pots are known.
pub fn turn_to(store: &Store, studio: &mut Studio, pot: &Name) -> Result<(), StoreError> {
    let mut there = studio.whole(slice::from_ref(pot));
    store.turn_to_parts(studio, &there)?;
    // Of whom it changed cells with is asked in turn where he went later.
    loop {
        let wanted = exchanged::looked_at(studio, pot);
        if wanted == there {
            return Ok(());
        }
        store.turn_to_parts(studio, &wanted)?;
        there = wanted;
    }
}

/// What comes of each pot of the studio, in order of name; then the studio holds no weighings.
pub fn each<T>(
    store: &Store,
    studio: &mut Studio,
    mut ask: impl FnMut(&Studio, &Name) -> Option<T>,
) -> Result<Vec<T>, StoreError> {
    let mut all = Vec::new();
    for pot in studio.pots.keys().cloned().collect::<Vec<_>>() {
        turn_to(store, studio, &pot)?;
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
    use crate::core::by_hand::{shelf, studio_of_dried};
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

    /// The same by turns; never does the studio hold all weighings of others that are not asked
    /// about, but for those on whose cells a pot was put down.
    fn by_turns(store: &Store, at: Time) -> Vec<PotAnswer> {
        let mut studio = store.studio_unweighed(at).unwrap();
        let lessons = learn(store, &mut studio).unwrap();
        assert!(studio.weighings.is_empty());
        let whole = store.studio(at).unwrap().weighings;
        let ask = |studio: &Studio, pot: &Name| {
            let answer = assess_taught(studio, &lessons, pot);
            let its = studio.pots[pot].like.as_ref().unwrap_or(pot);
            let moved = |name: &Name| {
                let found = answer.iter().flat_map(|answer| &answer.found);
                let mut cells = found.filter_map(|found| found.cell.as_ref());
                let rows = studio.handling.get(name).into_iter().flatten();
                let on: Vec<_> = rows.map(|row| &row.action).collect();
                cells.any(|cell| on.contains(&&Action::On(cell.clone())))
            };
            for (name, part) in studio.weighings.iter().filter(|(name, _)| *name != its) {
                assert!(moved(name) || part.0.len() < whole[name].0.len(), "{pot}: {name}");
            }
            answer
        };
        each(store, &mut studio, ask).unwrap()
    }

    /// Three pots on cells; at 9 hours two of them changed places, and nobody wrote it down. Of the
    /// third is told what would be told without the others.
    #[test]
    fn by_turns_pots_that_changed_cells_are_followed_as_at_once() {
        let studio = shelf(3, &[(9.1, &[1, 0, 2])], 0.3);
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(folder.path()).unwrap();
        let bodies: Vec<_> = studio.bodies.values().cloned().collect();
        store.put_bodies(&bodies, Clash::Refuse).unwrap();
        let pots: Vec<Pot> = studio.pots.values().cloned().collect();
        store.put_pots(&pots, Clash::Refuse).unwrap();
        for rows in studio.handling.values() {
            store.put_handling(rows, Clash::Refuse).unwrap();
        }
        for (pot, weighings) in &studio.weighings {
            let Action::On(cell) = &studio.handling[pot][0].action else { panic!("{pot}") };
            let said = |p: &Point| Reading {
                time: p.time,
                source: cell.clone(),
                quantity: Quantity::Mass,
                value: p.value,
                pot: None,
                count: None,
                spread: None,
            };
            let said: Vec<_> = weighings.0.iter().map(said).collect();
            store.append(&said, Clash::Refuse).unwrap();
        }
        let told = by_turns(&store, studio.at);
        assert_eq!(told, at_once(&store, studio.at));
        let on = |of: &PotAnswer| of.found.iter().any(|found| found.action == "on");
        assert_eq!(told.iter().map(on).collect::<Vec<_>>(), [false, true, true]);
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
