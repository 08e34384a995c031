//! What reading lines costs: checksummed SenML lines from bytes to readings, against a loop that
//! only lets `serde_json` read the same lines into records.
//!
//! Ours: the end of the line, its checksum, the pack, rules for names, units, times and ranges,
//! and the reduction to one reading per 10 s. Theirs: the line without its checksum into a `Vec` of
//! records, or into a `serde_json::Value`; nothing is checked or kept.

mod shelf;

use serde::Deserialize;
use shelf::{say, say_ratio, time};
use std::fmt::Write as _;
use std::hint::black_box;
use std::time::Instant;
use warecast::sensing::formats::senml::{Senml, checksum};
use warecast::sensing::session::{Action, Arrival, Session};
use warecast::units::Time;

/// Lines of the file; each with 16 cells and the room.
const LINES: usize = 50_000;
const CELLS: usize = 16;
const REPEATS: usize = 15;
/// A read of a port hands on so many bytes at most.
const CHUNK: usize = 4096;

/// A record as the rival reads it.
#[derive(Deserialize)]
#[allow(dead_code, reason = "it is read, and that is all")]
struct Record<'a> {
    bn: Option<&'a str>,
    bt: Option<f64>,
    n: Option<&'a str>,
    u: Option<&'a str>,
    t: Option<f64>,
    v: Option<f64>,
}

fn main() {
    let file = lines();
    println!(
        "parse: {LINES} lines of {} measurements, {:.1} MB",
        CELLS + 2,
        file.len() as f64 / 1e6
    );
    let mut stored = 0;
    let ours = say("warecast: bytes to readings", &time(REPEATS, || stored = readings(&file)));
    let records =
        say("serde_json: a Vec of records", &time(REPEATS, || loop_over::<Vec<Record>>(&file)));
    let values =
        say("serde_json: a Value", &time(REPEATS, || loop_over::<serde_json::Value>(&file)));
    println!("  {stored} readings");
    for (what, seconds) in [("warecast", ours), ("Vec of records", records), ("Value", values)] {
        println!("  {what}: {:.0} lines a second", LINES as f64 / seconds);
    }
    say_ratio("ratio to the Vec of records", records, ours);
    say_ratio("ratio to the Value", values, ours);
}

/// A shelf that sends ten lines a second.
fn lines() -> Vec<u8> {
    let mut file = Vec::new();
    for line in 0..LINES {
        let mut body = format!(
            "[{{\"bn\":\"shelf-a:\",\"bt\":{:.1},\"n\":\"room\",\"u\":\"Cel\",\"v\":19.8}},\
             {{\"n\":\"room\",\"u\":\"%RH\",\"v\":54.0}}",
            1.9e9 + line as f64 / 10.0
        );
        for cell in 0..CELLS {
            let grams = 700.0 + 60.0 * cell as f64 - (line % 977) as f64 / 100.0;
            let _ = write!(body, ",{{\"n\":\"cell-{cell}\",\"u\":\"g\",\"v\":{grams:.2}}}");
        }
        body.push(']');
        let sum = checksum(body.as_bytes());
        file.extend_from_slice(format!("{body} {sum:08x}\r\n").as_bytes());
    }
    file
}

/// Readings that come of the file, in the pieces in which a port hands it on.
fn readings(file: &[u8]) -> usize {
    let mut session = Session::new(Box::new(Senml::new()));
    let (mut actions, mut stored) = (Vec::new(), 0);
    let (start, wall) = (Instant::now(), Time::from_seconds(1.9e9));
    for piece in file.chunks(CHUNK) {
        session.received(piece, Arrival { wall, steady: start }, &mut actions);
        stored += actions.drain(..).filter(|a| matches!(a, Action::Store(..))).count();
    }
    let health = session.health();
    assert_eq!((health.lines, health.faults.total()), (LINES as u64, 0));
    assert_eq!(health.samples, (LINES * (CELLS + 2)) as u64);
    stored
}

/// Each line without its checksum, read into something that is dropped.
fn loop_over<'a, T: Deserialize<'a>>(file: &'a [u8]) {
    let mut read = 0;
    for line in file.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
        let body = &line[..line.len() - " 00000000\r".len()];
        black_box(serde_json::from_slice::<T>(body).expect("our own line"));
        read += 1;
    }
    assert_eq!(read, LINES);
}
