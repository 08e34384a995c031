//! `calibrate` through the real binary: from stored counts, following the daemon's readings, and on
//! a real pseudo-terminal; what it changes for a pot, and that a wrong one leaves nothing behind.
//!
//! The cell is made up: 400 counts per gram, 8000 with nothing on it. What must come out follows
//! from that.

#[path = "daemon/bench.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod bench;

use bench::{Device, Studio, command};
use std::io::{BufRead, BufReader, Write};
use std::process::{Output, Stdio};
use std::time::Duration;
use warecast::records::{Point, Quantity, Reading};
use warecast::store::Clash;
use warecast::units::{HOUR, Time};
use warecast::watch::lock::Lock;

const CELL: &str = "shelf-a:cell-1";

fn at(text: &str) -> Time {
    Time::parse_rfc3339(&format!("2026-03-02T{text}Z")).unwrap()
}

fn raw(grams: f64) -> f64 {
    8000.0 + 400.0 * grams
}

fn reading(time: Time, source: &str, quantity: Quantity, value: f64) -> Reading {
    let reduced = quantity == Quantity::Count;
    Reading {
        time,
        source: source.into(),
        quantity,
        value,
        pot: None,
        count: reduced.then_some(100),
        spread: reduced.then_some(20.0),
    }
}

/// Each load for 70 s, as medians of 10 s, from a time on.
fn loads(from: Time, masses: &[f64]) -> Vec<Reading> {
    let each =
        masses.iter().enumerate().flat_map(|(i, mass)| (0..7).map(move |k| (7 * i + k, *mass)));
    each.map(|(i, mass)| {
        let value = raw(mass) + if i % 2 == 0 { 3.0 } else { -3.0 };
        reading(from.plus(10.0 * i as f64), CELL, Quantity::Count, value)
    })
    .collect()
}

fn run(studio: &Studio, args: &[&str]) -> Output {
    command(studio, args).env("TZ", "UTC").output().unwrap()
}

#[track_caller]
fn says(output: &Output, status: i32, words: &[&str]) {
    let text = [&output.stdout[..], &output.stderr].concat();
    let text = String::from_utf8_lossy(&text);
    assert_eq!(output.status.code(), Some(status), "{text}");
    for word in words {
        assert!(text.contains(word), "\"{word}\" is not in\n{text}");
    }
}

fn weights(studio: &Studio, pot: &str) -> Vec<f64> {
    let studio = studio.store().studio(at("20:00:00")).unwrap();
    let points: &[Point] = studio.weighings.get(pot).map_or(&[], |w| &w.0);
    points.iter().map(|p| (p.value * 100.0).round() / 100.0).collect()
}

/// Loads at ten, a pot of 812.4 g from noon on.
fn shelf() -> Studio {
    let studio = Studio::new();
    studio.put("jar", CELL, at("12:00:00").seconds());
    let mut readings = loads(at("10:00:00"), &[0.0, 500.0, 1000.0, 500.0, 0.0]);
    readings.push(reading(at("12:10:00"), CELL, Quantity::Count, raw(812.4)));
    readings.push(reading(at("13:10:00"), CELL, Quantity::Count, raw(802.4)));
    studio.store().append(&readings, Clash::Refuse).unwrap();
    studio
}

const BETWEEN: [&str; 4] = ["--between", "2026-03-02 09:59", "--and", "2026-03-02 10:10"];

#[test]
fn stored_counts_become_weights_and_a_wrong_calibration_leaves_nothing_behind() {
    let studio = shelf();
    assert_eq!(weights(&studio, "jar"), [] as [f64; 0]);
    let report = run(&studio, &["report", "--json", "--at", "2026-03-02 14:00"]);
    says(&report, 0, &["not-calibrated", "shelf-a:cell-1, on which it stands"]);
    says(&run(&studio, &["calibrate"]), 0, &[CELL, "not calibrated"]);
    // Somebody read the masses off a scale that shows a tenth too little.
    let wrong = [&["calibrate", CELL, "0", "450", "900", "450", "0"], &BETWEEN[..]].concat();
    says(&run(&studio, &wrong), 0, &["444.4 counts per gram"]);
    assert!(weights(&studio, "jar").iter().all(|g| (g - 812.4).abs() > 5.0));
    let right =
        [&["calibrate", CELL, "0", "500g", "1kg", "500g", "0", "--good-to", "0.5g"], &BETWEEN[..]]
            .concat();
    says(&run(&studio, &right), 2, &["replace it with --replace"]);
    let right = [&right[..], &["--replace"]].concat();
    let said = run(&studio, &right);
    // Shifts of 0.5 g/√3 on three of five loads move the line at 500 g by 5/7 of that.
    says(&said, 0, &["a straight line through 5 loads", "400.0 counts per gram", "masses 0.21 g"]);
    assert_eq!(weights(&studio, "jar"), [812.4, 802.4]);
    let report = run(&studio, &["report", "--json", "--at", "2026-03-02 14:00"]);
    assert!(!String::from_utf8_lossy(&report.stdout).contains("not-calibrated"));
    says(&report, 0, &["\"readings\": 2"]);
    says(&run(&studio, &["calibrate"]), 0, &["500 g right to ±"]);
    says(&run(&studio, &["calibrate", CELL, "--show"]), 0, &["1000 g"]);
    let forget = run(&studio, &["calibrate", CELL, "--forget", "2026-03-02 10:00"]);
    says(&forget, 0, &["Forgotten"]);
    assert_eq!(weights(&studio, "jar"), [] as [f64; 0]);
    says(&run(&studio, &["calibrate", CELL, "--forget", "2026-03-02 10:00"]), 2, &["--show"]);
}

#[test]
fn a_calibration_counts_from_its_time_on_or_from_since() {
    let studio = shelf();
    // The cell was mounted anew at 12:40: another zero.
    let again = loads(at("12:41:00"), &[0.0, 500.0, 1000.0]);
    let again: Vec<Reading> =
        again.into_iter().map(|r| Reading { value: r.value + 4000.0, ..r }).collect();
    studio.store().append(&again, Clash::Refuse).unwrap();
    let first = [&["calibrate", CELL, "0", "500", "1000", "500", "0"], &BETWEEN[..]].concat();
    says(&run(&studio, &first), 0, &[]);
    let second = [
        "calibrate",
        CELL,
        "0",
        "500",
        "1000",
        "--between",
        "2026-03-02 12:40",
        "--and",
        "2026-03-02 12:50",
        "--since",
        "2026-03-02 12:40",
    ];
    says(&run(&studio, &second), 0, &["valid from", "12:40"]);
    // Old readings keep the calibration of their time.
    let weights = weights(&studio, "jar");
    assert_eq!((weights[0], weights[weights.len() - 1]), (812.4, 792.4));
}

#[test]
fn what_does_not_fit_is_said_and_nothing_is_stored() {
    let studio = shelf();
    let with = |masses: &[&str]| {
        let args = [&["calibrate", CELL], masses, &BETWEEN[..]].concat();
        run(&studio, &args)
    };
    says(
        &with(&["0", "500", "1000"]),
        2,
        &["3 masses are named", "stood still 5 times", "for 1 min"],
    );
    says(&with(&["0", "1000", "500", "500", "0"]), 2, &["500 g twice"]);
    says(&with(&["0", "500", "1000", "200", "0"]), 2, &["lie on no line", "Nothing was stored"]);
    says(&with(&["0", "500"]), 2, &["at least 3 loads"]);
    says(&with(&["0", "lots", "5"]), 2, &["\"lots\" is not a weight"]);
    says(&with(&[]), 2, &["which masses"]);
    let empty = ["calibrate", "cell-9", "0", "5", "0", "--between", "3 h ago", "--and", "2 h ago"];
    says(&run(&studio, &empty), 2, &["0 raw counts of cell-9"]);
    let turned = ["calibrate", CELL, "0", "5", "0", "--between", "2 h ago", "--and", "3 h ago"];
    says(&run(&studio, &turned), 2, &["must lie before"]);
    says(&run(&studio, &["calibrate", CELL, "0", "5", "0"]), 2, &["on which port"]);
    says(&run(&studio, &["calibrate", "a/b", "0", "5", "0"]), 2, &["a name cannot hold"]);
    assert_eq!(studio.store().loads().unwrap(), []);
}

#[test]
fn what_is_asked_of_a_studio_that_is_not_there_makes_none() {
    let studio = Studio::new();
    let past = [&["calibrate", CELL, "0", "5", "0"], &BETWEEN[..]].concat();
    let still = [&["calibrate", CELL, "--still"], &BETWEEN[..]].concat();
    for args in [
        &["calibrate", CELL, "--show"][..],
        &["calibrate", CELL, "--forget", "2026-03-02 10:00"],
        &past,
        &still,
    ] {
        says(&run(&studio, args), 2, &["there is no studio in"]);
    }
    says(&run(&studio, &["calibrate", CELL, "0", "500"]), 2, &["at least 3 loads"]);
    assert!(!studio.path().exists());
}

/// A night: the room cools by 4 °C and warms again, and the zero moves by −80 counts per °C.
#[test]
fn a_night_untouched_tells_how_the_zero_follows_the_temperature() {
    let studio = shelf();
    let first = [&["calibrate", CELL, "0", "500", "1000", "500", "0"], &BETWEEN[..]].concat();
    let evening = at("09:55:00");
    let celsius = |t: Time| 20.0 + 2.0 * (t.since(evening) / (2.0 * HOUR)).cos() - 2.0;
    let mut readings = Vec::new();
    for i in 0..600 {
        // From 14:00 the cell stands empty for ten hours.
        let time = at("14:00:00").plus(60.0 * f64::from(i));
        let noise = f64::from((i * 7919) % 101 - 50) / 10.0;
        let count = raw(0.0) - 80.0 * (celsius(time) - 20.0) + noise;
        readings.push(reading(time, CELL, Quantity::Count, count));
    }
    for i in 0..900 {
        let time = evening.plus(60.0 * f64::from(i));
        readings.push(reading(time, "room", Quantity::Temperature, celsius(time)));
    }
    studio.store().append(&readings, Clash::Refuse).unwrap();
    let night = ["--between", "2026-03-02 14:00", "--and", "2026-03-03 00:00"];
    let still = [&["calibrate", CELL, "--still"], &night[..]].concat();
    // The jar stands there by the log, and nobody measured the humidity.
    says(&run(&studio, &still), 2, &["jar stood there", "humidity"]);
    says(&run(&studio, &["note", "jar", "off", "--at", "2026-03-02 13:30"]), 0, &[]);
    says(&run(&studio, &still), 0, &["-80 counts per °C", "no calibration yet"]);
    says(&run(&studio, &first), 0, &[]);
    says(&run(&studio, &still), 0, &["-0.200 g per °C"]);
    let drifts = studio.store().zero_drifts().unwrap();
    let drift = drifts.iter().find(|d| d.from == at("10:00:00")).unwrap();
    assert!((drift.per_degree + 80.0).abs() < 1.0 && drift.thermometer == "room", "{drift:?}");
    // Two degrees colder than at ten, the jar would otherwise have been weighed 0.4 g too heavy.
    let weights = weights(&studio, "jar");
    let moved = |t: &str| 0.2 * (celsius(at(t)) - celsius(at("10:02:00")));
    assert!((weights[0] - 812.4 - moved("12:10:00")).abs() < 0.02, "{weights:?}");
    says(&run(&studio, &still), 2, &["add --replace"]);
}

/// While the daemon has the ports, what it stores is followed.
#[test]
fn the_daemons_readings_are_followed() {
    let studio = Studio::new();
    let mut store = studio.store();
    let _lock = Lock::take(&studio.path()).unwrap();
    let mut child = command(&studio, &["calibrate", CELL, "0", "500", "1000", "0"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap()).lines();
    let mut next = |words: &str| {
        let line = said.by_ref().map(Result::unwrap).find(|line| line.contains(words));
        line.unwrap_or_else(|| panic!("never said: {words}"))
    };
    next("its readings of shelf-a:cell-1 are followed");
    let mut time = warecast::clock::now();
    // The second load is put on in two goes, and rests between.
    let stages: [(&str, &[f64]); 4] = [
        ("Nothing on", &[0.0]),
        ("500 g on", &[500.0]),
        ("1000 g on", &[700.0, 1000.0]),
        ("Nothing on", &[0.0]),
    ];
    for (words, masses) in stages {
        next(words);
        for mass in masses {
            time = time.plus(100.0);
            store.append(&loads(time, &[*mass]), Clash::Refuse).unwrap();
            if *mass == 700.0 {
                next("That reads like 700 g; waiting for 1000 g");
            }
        }
    }
    drop(said);
    let out = child.wait_with_output().unwrap();
    says(&out, 0, &["through 4 loads", "400.0 counts per gram"]);
    assert_eq!(studio.store().loads().unwrap().len(), 4);
}

/// Typed, or by another program: load by load on a real pseudo-terminal.
#[test]
fn loads_are_typed_and_read_from_the_port() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let mut child = command(&studio, &["calibrate", CELL, "--port", &device.path])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut typed = child.stdin.take().unwrap();
    let masses = ["0", "0.5kg", "1000g"];
    let wrong = "a stone\n";
    let line = |raw: f64| format!("[{{\"n\":\"{CELL}\",\"u\":\"count\",\"v\":{raw}}}]\n");
    let grams = [0.0, 500.0, 1000.0];
    for (i, (text, grams)) in masses.iter().zip(grams).enumerate() {
        if i == 1 {
            typed.write_all(wrong.as_bytes()).unwrap();
        }
        typed.write_all(format!("{text}\n").as_bytes()).unwrap();
        for step in 0..360 {
            device.send(line(raw(grams) + f64::from(step % 5) - 2.0));
            std::thread::sleep(Duration::from_millis(50));
        }
    }
    typed.write_all(b"\n").unwrap();
    drop(typed);
    let out = child.wait_with_output().unwrap();
    says(&out, 0, &["\"a stone\" is not a weight", "through 3 loads", "400.0 counts per gram"]);
}
