//! What the store owes to whoever was told that something is stored: it is still there after the
//! program was killed at any moment, and a damaged file is told in plain words.
//!
//! The program that is killed is this test itself, started again with [`STUDIO`] set. SIGKILL
//! stands in for every sudden end of the program; a loss of power is not tried here.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;
use warecast::records::{Action, Body, HandlingRow, Pot, Quantity, Reading};
use warecast::store::{Clash, Store};
use warecast::units::Time;

/// The studio that the program under the knife writes to.
const STUDIO: &str = "WARECAST_TEST_STUDIO";
const ROUNDS: u64 = 20;

fn reading(n: i64) -> Reading {
    Reading {
        time: Time(n),
        source: "cell".into(),
        quantity: Quantity::Mass,
        value: n as f64,
        pot: None,
        count: None,
        spread: None,
    }
}

fn note(n: i64) -> HandlingRow {
    HandlingRow { time: Time(n), pot: "bowl".into(), action: Action::Flip }
}

/// Writes without end: reading n, then note n, and says `n` once both are stored.
#[test]
fn the_program_under_the_knife() {
    let Some(dir) = std::env::var_os(STUDIO) else { return };
    let mut store = Store::open(Path::new(&dir)).unwrap();
    let from = store.last_reading("cell", Quantity::Mass).unwrap().map_or(0, |p| p.time.0 + 1);
    for n in from.. {
        store.append(&[reading(n)], Clash::Refuse).unwrap();
        store.put_handling(&[note(n)], Clash::Refuse).unwrap();
        let mut out = std::io::stdout().lock();
        writeln!(out, "stored {n}").unwrap();
        out.flush().unwrap();
    }
}

fn a_studio_with_a_bowl(dir: &Path) {
    let mut store = Store::open_or_create(dir).unwrap();
    let (name, body) = ("bowl".to_owned(), "clay".to_owned());
    let clay =
        Body { name: body.clone(), bag_water_wet: None, trim_from_dry: None, trim_to_dry: None };
    store.put_bodies(&[clay], Clash::Refuse).unwrap();
    let (ball_g, tare_g, wall_mm, base_mm) = (None, None, None, None);
    let (lot, board, like, place, made_at) = (None, None, None, None, Time(0));
    let bowl =
        Pot { name, body, made_at, ball_g, tare_g, wall_mm, base_mm, lot, board, like, place };
    store.put_pots(&[bowl], Clash::Refuse).unwrap();
}

#[test]
fn what_was_said_to_be_stored_survives_being_killed() {
    let dir = tempfile::tempdir().unwrap();
    a_studio_with_a_bowl(dir.path());
    let mut said = Vec::new();
    for round in 0..ROUNDS {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "the_program_under_the_knife", "--nocapture"])
            .env(STUDIO, dir.path())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap);
        let mut numbers = lines.filter_map(|line| line.strip_prefix("stored ")?.parse().ok());
        said.push(numbers.next().expect("it stores something before it is killed"));
        // Moments spread over a few stores, other ones in each round.
        std::thread::sleep(Duration::from_micros(7_919 * round % 23_000));
        child.kill().unwrap();
        child.wait().unwrap();
        said.extend(numbers);
        let store = Store::open(dir.path()).unwrap();
        let last = store.last_reading("cell", Quantity::Mass).unwrap().map(|p| p.time.0);
        assert!(last >= said.last().copied(), "round {round}: {last:?} of {said:?}");
        let notes: BTreeSet<i64> = store.handling().unwrap().iter().map(|r| r.time.0).collect();
        let lost: Vec<&i64> = said.iter().filter(|n| !notes.contains(n)).collect();
        assert!(lost.is_empty(), "round {round}: notes {lost:?} are lost");
    }
    assert!(said.len() > ROUNDS as usize, "some stored more than one");
}

#[test]
fn a_damaged_database_is_told_in_plain_words() {
    let dir = tempfile::tempdir().unwrap();
    a_studio_with_a_bowl(dir.path());
    let path = dir.path().join("studio.db");
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[100..].fill(0xA5);
    std::fs::write(&path, bytes).unwrap();
    let error = Store::open(dir.path()).and_then(|store| store.pots()).unwrap_err().to_string();
    assert!(error.starts_with("studio.db: the file is damaged; bring back a backup"), "{error}");
}

#[test]
fn rows_that_cannot_be_ours_are_damage_too() {
    let dir = tempfile::tempdir().unwrap();
    a_studio_with_a_bowl(dir.path());
    // Damage that leaves the pages whole and a value of another kind in them: a table read by
    // another's layout gives the same.
    let db = rusqlite::Connection::open(dir.path().join("studio.db")).unwrap();
    db.execute_batch(
        "PRAGMA writable_schema = ON;
         UPDATE sqlite_schema SET sql = replace(sql, 'STRICT, ', '') WHERE name = 'pot';",
    )
    .unwrap();
    drop(db);
    let db = rusqlite::Connection::open(dir.path().join("studio.db")).unwrap();
    db.execute_batch("PRAGMA ignore_check_constraints = ON; UPDATE pot SET made_at = 'noon';")
        .unwrap();
    let error = Store::open(dir.path()).and_then(|store| store.pots()).unwrap_err().to_string();
    assert!(error.contains("Invalid column type"), "{error}");
    assert!(error.starts_with("studio.db: the file is damaged; bring back a backup"), "{error}");
}
