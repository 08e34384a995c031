//! Notes of planned steps whose time passed long ago, through the real binary. The pot is invented.

#[path = "daemon/bench.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod bench;

use bench::{Studio, output};
use warecast::clock;
use warecast::records::{Action, Body, Cover, HandlingRow, Pot};
use warecast::store::Clash;
use warecast::units::{HOUR, Time};

/// A jar of yesterday that was wrapped, and was to be uncovered three hours ago: planned, not
/// noted.
fn overdue(now: Time) -> Studio {
    let studio = Studio::new();
    let (bag_water_wet, trim_from_dry, trim_to_dry) = (Some(0.22), None, None);
    let body = Body { name: "tide".into(), bag_water_wet, trim_from_dry, trim_to_dry };
    let row = |hours: f64, cover| HandlingRow {
        time: now.plus(HOUR * hours),
        pot: "jar-1".into(),
        action: Action::Cover(cover),
    };
    let mut store = studio.store();
    store.put_bodies(&[body], Clash::Refuse).unwrap();
    let pot = Pot::bare("jar-1", "tide", now.plus(-24.0 * HOUR));
    store.put_pots(&[pot], Clash::Refuse).unwrap();
    store.put_handling(&[row(-22.0, Cover::Wrapped)], Clash::Refuse).unwrap();
    store.plan_handling(&[row(-3.0, Cover::Open)], Clash::Refuse).unwrap();
    drop(store);
    studio
}

/// What the log of `overdue` says after a note, each row as hours ago, action and detail; and what
/// was said to it.
fn noted_late(planned: &[(f64, Action)], note: &[&str]) -> (Vec<(i64, String)>, usize, String) {
    let now = clock::now();
    let studio = overdue(now);
    let mut store = studio.store();
    for (hours, action) in planned {
        let time = now.plus(3600.0 * hours);
        let row = HandlingRow { time, pot: "jar-1".into(), action: action.clone() };
        store.plan_handling(&[row], Clash::Refuse).unwrap();
    }
    drop(store);
    let (status, said, errors) = output(&studio, note);
    assert_eq!(status, Some(0), "{said}{errors}");
    let store = studio.store();
    let row = |row: &HandlingRow| {
        let hours = (now.since(row.time) / 3600.0).round() as i64;
        (hours, format!("{} {}", row.action.word(), row.action.detail()).trim_end().to_string())
    };
    let ours = |row: &&HandlingRow| !matches!(row.action, Action::Cover(Cover::Open));
    let log = store.handling().unwrap();
    (log.iter().filter(ours).map(row).collect(), store.planned().unwrap().len(), said)
}

#[test]
fn a_step_that_was_planned_long_ago_is_the_one_that_is_noted_now() {
    let at = |hours: i64, what: &str| (hours, what.to_string());
    let wrapped = at(22, "cover wrapped");
    let loft = || Action::Move("loft".into());
    // It was planned for the evening before and done in the afternoon: it counts once.
    for (planned, note) in [(Action::Flip, "flip"), (loft(), "move loft")] {
        let words: Vec<&str> = ["note", "jar-1"].into_iter().chain(note.split(' ')).collect();
        let (log, open, said) = noted_late(&[(-18.0, planned.clone())], &words);
        // What stays open is the cover of `overdue`.
        assert_eq!((log, open), (vec![wrapped.clone(), at(0, note)], 1), "{said}");
        let undo = "If it was done then, too: ";
        assert!(said.contains(undo) && said.contains(&format!("note jar-1 {note} --at")), "{said}");
        assert_eq!(said.contains("jar-1 stands on its rim now."), note == "flip", "{said}");
        // The next day one is planned, and done at its time: nothing is asked.
        let (_, _, said) = noted_late(&[(-2.0, planned.clone())], &words);
        assert!(said.contains("It was planned for") && !said.contains("done then, too"), "{said}");
        // What is planned for days to come stays planned.
        let (log, open, _) = noted_late(&[(48.0, planned)], &words);
        assert_eq!((log.len(), open), (3, 2));
    }
}

#[test]
fn a_step_with_another_of_its_kind_after_it_is_not_the_one_that_is_noted_now() {
    let wrapped = Action::Cover(Cover::Wrapped);
    let note = ["note", "jar-1", "cover", "wrapped"];
    // It was uncovered since then, by the plan of `overdue`.
    let (log, open, said) = noted_late(&[(-20.0, wrapped.clone())], &note);
    assert_eq!((log.len(), open), (3, 2), "{said}");
    let (log, open, said) = noted_late(&[(-3.5, wrapped)], &note);
    assert_eq!((log.len(), open), (2, 1), "{said}");
    // Two turns were planned: the later one is meant, and the other is still asked about.
    let flips = [(-23.0, Action::Flip), (-16.0, Action::Flip)];
    let (log, open, said) = noted_late(&flips, &["note", "jar-1", "flip"]);
    assert_eq!((log.len(), open), (3, 2), "{said}");
    assert_eq!(log[0], (23, "flip".to_string()), "{log:?}");
}
