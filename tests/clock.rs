//! The computer's clock is set, by much or little, once or again and again; time zones change, and
//! the two nights of summer time come: no reading is lost or out of order, and forecasts stay.
//!
//! The clocks of the first test are made up: bytes, a wall clock that is set, and one that never
//! steps go through what lies between a port and the store in `watch`. The second sets the clock
//! of a whole `watch` on a real pseudo-terminal.

#[path = "bench/mod.rs"]
mod bench;

use bench::Bench;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};
use warecast::core::assess_pot;
use warecast::core::report::{PotAnswer, TimeQuantiles};
use warecast::records::{Action, Body, HandlingRow, Pot, Quantity};
use warecast::sensing::formats::senml::Senml;
use warecast::sensing::session::Session;
use warecast::store::{Clash, Store, files};
use warecast::units::{HOUR, Time};
use warecast::watch::intake::Intake;
use warecast::watch::timeline::Timeline;
use warecast::watch::writer;

/// When it begins, by a clock that is right.
const START: Time = Time(1_933_000_000_000_000);
/// How long it lasts, and how often each source speaks, s.
const END: f64 = 14.0 * HOUR;
const EVERY: f64 = 20.0;

/// A pot of 640 g of dry clay with 25 % water when it begins, drying slowly in an even room.
fn a_studio(dir: &Path) -> Store {
    let mut store = Store::open_or_create(dir).unwrap();
    let body = Body {
        name: "dune".into(),
        bag_water_wet: Some(0.205),
        trim_from_dry: Some(0.20),
        trim_to_dry: Some(0.15),
    };
    let pot = Pot {
        name: "planter".into(),
        body: "dune".into(),
        made_at: START.plus(-HOUR),
        ball_g: Some(815.0),
        tare_g: None,
        wall_mm: Some(6.0),
        base_mm: Some(8.0),
        lot: None,
        board: None,
        like: None,
        place: None,
    };
    let on = HandlingRow {
        time: START.plus(-HOUR),
        pot: "planter".into(),
        action: Action::On("cell".into()),
    };
    store.put_bodies(&[body], Clash::Refuse).unwrap();
    store.put_pots(&[pot], Clash::Refuse).unwrap();
    store.put_handling(&[on], Clash::Refuse).unwrap();
    store
}

fn line(t: f64) -> String {
    let grams = 640.0 * (1.02 + 0.23 * (-t / (30.0 * HOUR)).exp());
    format!(
        "[{{\"n\":\"cell\",\"u\":\"g\",\"v\":{grams:.2}}},{{\"n\":\"room\",\"u\":\"Cel\",\"v\":19.5}},\
         {{\"n\":\"room\",\"u\":\"%RH\",\"v\":55}}]\n"
    )
}

/// What is stored of the cell, and the answer for the pot at the end, when the wall clock is off
/// by `off(t)` seconds and right at the end.
fn played(off: impl Fn(f64) -> f64) -> (Vec<(Time, f64)>, PotAnswer) {
    let dir = tempfile::tempdir().unwrap();
    let (inbox, thread) = writer::start(a_studio(dir.path()), |_| {}).unwrap();
    let mut intake = Intake::new(Session::new(Box::new(Senml::new())));
    let steady = Instant::now();
    let mut timeline = Timeline::new(START.plus(off(0.0)), Duration::from_secs(100));
    let mut moment = timeline.at(START.plus(off(0.0)), Duration::from_secs(100));
    for n in 0..=(END / EVERY) as u64 {
        let t = EVERY * n as f64;
        let after = Duration::from_secs_f64(t);
        moment = timeline.at(START.plus(t + off(t)), Duration::from_secs(100) + after);
        let bytes = line(t);
        // A line comes in pieces, and the clock may be set between them.
        let (a, b) = bytes.split_at(n as usize % bytes.len());
        intake.received(a.as_bytes(), moment, steady + after);
        intake.received(b.as_bytes(), moment, steady + after);
        inbox.blocking_send(intake.take().1).unwrap();
    }
    intake.closed(moment, steady + Duration::from_secs_f64(END));
    inbox.blocking_send(intake.take().1).unwrap();
    drop(inbox);
    let written = thread.join().unwrap();
    assert_eq!((written.refused, written.lost), (0, 0));
    let store = Store::open(dir.path()).unwrap();
    let all = store.readings_of("cell", Quantity::Mass, (Time::MIN, Time::MAX)).unwrap();
    let stored = all.iter().map(|reading| (reading.time, reading.value)).collect();
    let studio = store.studio(START.plus(END)).unwrap();
    (stored, assess_pot(&studio, "planter").expect("it was weighed"))
}

/// The largest shift of a quantile, as a share of the interval.
fn shift(a: &TimeQuantiles, b: &TimeQuantiles) -> f64 {
    let quantiles = |q: &TimeQuantiles| [q.p10, q.p50, q.p90];
    let width = a.p90.unwrap().since(a.p10.unwrap());
    assert!(width > 60.0, "{a:?}");
    let pairs = quantiles(a).into_iter().zip(quantiles(b));
    pairs.map(|(a, b)| b.unwrap().since(a.unwrap()).abs() / width).fold(0.0, f64::max)
}

#[test]
fn a_clock_that_is_set_loses_no_reading_and_moves_no_forecast() {
    let (right, answer) = played(|_| 0.0);
    assert_eq!(right.len(), (END / EVERY) as usize + 1);
    let steps = |t: f64| (t / 500.0).floor();
    let until = |t: f64, by: f64| move |now: f64| if now < t { by } else { 0.0 };
    type Off = Box<dyn Fn(f64) -> f64>;
    let mut cases: Vec<(String, Off)> = Vec::new();
    for by in [100.0, -100.0, 1e8, -1e8] {
        cases.push((format!("by {by} s, once"), Box::new(until(5.0 * HOUR, -by))));
        let there_and_back = move |t: f64| if (2e4..3e4).contains(&t) { by } else { 0.0 };
        cases.push((format!("by {by} s and back"), Box::new(there_and_back)));
    }
    for by in [1e4, -1e4] {
        let to_and_fro = move |t: f64| if steps(t) % 2.0 == 1.0 { by } else { 0.0 };
        let on_and_on = move |t: f64| by * (steps(t) - steps(END));
        cases.push((format!("by {by} s and back every 500 s"), Box::new(to_and_fro)));
        cases.push((format!("by {by} s every 500 s"), Box::new(on_and_on)));
    }
    let boot = |t: f64| if t < 300.0 { -START.seconds() } else { 0.0 };
    cases.push(("1970 at boot".into(), Box::new(boot)));
    cases.push(("slewed by 9 s".into(), Box::new(|t| 9.0 * (t / 1e4).sin() * (1.0 - t / END))));
    for (case, off) in cases {
        let (stored, then) = played(off);
        assert_eq!(stored.len(), right.len(), "{case}");
        for ((time, value), (due, expected)) in stored.iter().zip(&right) {
            assert_eq!(value, expected, "{case}: in order");
            assert!(time.since(*due).abs() < 12.0, "{case}: {time}, not {due}");
        }
        let forecasts = [
            (&answer.trim.opens, &then.trim.opens),
            (&answer.trim.closes, &then.trim.closes),
            (&answer.fire.bone_dry, &then.fire.bone_dry),
        ];
        for (was, is) in forecasts {
            let shift = shift(was, is);
            assert!(shift < 0.01, "{case}: {:.2} % of the interval", 100.0 * shift);
        }
    }
}

/// A weight that was read a moment later is the same weight: the draws of a forecast must not be
/// shuffled by it.
#[test]
fn a_thousandth_of_a_second_is_nothing_to_a_forecast() {
    let (_, answer) = played(|_| 0.0);
    let (_, then) = played(|t| 0.001 * (t / 1e4).sin() * (1.0 - t / END));
    assert!(shift(&answer.trim.opens, &then.trim.opens) < 0.002);
    assert!(shift(&answer.fire.bone_dry, &then.fire.bone_dry) < 0.002);
}

#[test]
fn a_watch_whose_clock_is_set_moves_what_it_stamped() {
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    let dir = tempfile::tempdir().unwrap();
    let studio = dir.path().join("studio");
    let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    grantpt(&near).unwrap();
    unlockpt(&near).unwrap();
    let path = ptsname(&near, Vec::new()).unwrap().into_string().unwrap();
    drop(Store::open_or_create(&studio).unwrap());
    fs::write(studio.join("studio.toml"), format!("[[port]]\npath = \"{path}\"\n")).unwrap();
    let options = warecast::watch::Options {
        ports: vec![],
        refit_every: Duration::from_secs(60),
        record: None,
    };
    // The computer began in 1970, as one without a battery does.
    let now = warecast::clock::now().seconds();
    warecast::clock::set_by(60.0 - now);
    let watched = studio.clone();
    let watch = std::thread::spawn(move || warecast::watch::run(&watched, options));
    let mut port = fs::File::from(near);
    let mut say = |n: u32| {
        let told = format!("{{\"n\":\"own\",\"t\":{},\"u\":\"g\",\"v\":{n}}}", 1_900_000_000 + n);
        let line = format!("[{{\"n\":\"cell\",\"u\":\"g\",\"v\":{n}}},{told}]\n");
        port.write_all(line.as_bytes()).unwrap();
    };
    let of = |source: &str| {
        let store = Store::open(&studio).unwrap();
        store.readings_of(source, Quantity::Mass, (Time::MIN, Time::MAX)).unwrap()
    };
    let until = |what: &str, is_so: &dyn Fn() -> bool| {
        let start = Instant::now();
        while !is_so() {
            assert!(start.elapsed() < Duration::from_secs(30), "in vain: {what}");
            std::thread::sleep(Duration::from_millis(50));
        }
    };
    until("watch opens the port", &|| {
        // A line that is sent before it listens is lost; it is the first, and may be cut off.
        fs::read_to_string(studio.join("watch.lock")).is_ok_and(|text| text.contains("process"))
    });
    std::thread::sleep(Duration::from_millis(500));
    say(1);
    until("the first is stored", &|| of("cell").len() == 1);
    assert!(of("cell")[0].time < Time::from_seconds(600.0), "1970");
    warecast::clock::set_by(now - 60.0);
    // Nothing arrives: it is seen all the same.
    let near = |time: Time| (time.seconds() - now).abs() < 60.0;
    until("the first has moved", &|| near(of("cell")[0].time));
    assert_eq!(of("own")[0].time, Time::from_seconds(1_900_000_001.0), "its source told it");
    say(2);
    let pid = rustix::process::getpid();
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
    watch.join().unwrap().unwrap();
    let values: Vec<f64> = of("cell").iter().map(|reading| reading.value).collect();
    assert_eq!(values, [1.0, 2.0]);
    assert!(of("cell").iter().all(|reading| near(reading.time)), "{:?}", of("cell"));
}

/// In the night in which clocks go forward there is no half past one in Lisbon.
#[test]
fn an_hour_that_does_not_exist_is_said_of_a_pot() {
    let bench = Bench::with_pots();
    let added = |at: &str| {
        let pot = format!("night-{}", at.len());
        bench.run(&["pot", "add", &pot, "--body", "smooth-stone", "--made-at", at])
    };
    let said = added("2026-03-29 1:30");
    assert_eq!(said.status, 0, "{}", said.err);
    assert!(said.err.contains("01:30 does not exist on that day"), "{}", said.err);
    assert!(said.out.contains("02:30"), "{}", said.out);
    assert_eq!(added("2026-03-29 12:30").err, "");
}

/// Weights typed every hour through the nights in which Lisbon's clocks go forward (29 March 2026,
/// 1:00 to 2:00) and back (25 October 2026, 2:00 to 1:00); the dates are those of EU directive
/// 2000/84/EC: the last Sundays of March and October at 1:00 UTC.
#[test]
fn the_nights_of_summer_time_keep_hours_apart() {
    for (day, before, after, hours) in [
        ("2026-03-28", "2026-03-28T22:00:00Z", "2026-03-29T05:00:00Z", 7),
        ("2026-10-24", "2026-10-24T21:00:00Z", "2026-10-25T06:00:00Z", 9),
    ] {
        let bench = Bench::with_pots();
        bench.done(&[
            "pot",
            "add",
            "night",
            "--body",
            "smooth-stone",
            "--ball",
            "600g",
            "--made-at",
            &format!("{day} 21:00"),
        ]);
        let (first, last) = (time(before), time(after));
        for hour in 0..=hours {
            let at = first.plus(f64::from(hour) * HOUR);
            let grams = 590.0 - 4.0 * f64::from(hour);
            bench.done(&["weigh", "night", &grams.to_string(), "--at", &at.to_string()]);
        }
        // As the potter's clock says it: 22:00 in the evening and 6:00 in the morning.
        let next = if day.contains("-03-") { "2026-03-29 6:00" } else { "2026-10-25 6:00" };
        for (at, due) in [(format!("{day} 22:00"), first), (next.into(), last)] {
            let again = bench.run(&["weigh", "night", "1", "--at", &at]);
            assert_eq!(again.status, 1, "{at}: {} {}", again.out, again.err);
            assert!(again.err.contains("has another weight noted"), "{due}: {}", again.err);
        }
        let files = exported(&bench);
        let times: Vec<Time> = files
            .lines()
            .filter(|line| line.contains(",night"))
            .map(|line| time(line.split(',').next().unwrap()))
            .collect();
        let hourly = times.windows(2).all(|pair| pair[1].since(pair[0]) == HOUR);
        assert!(times.len() == hours as usize + 1 && hourly, "{times:?}");
        // Wherever the clocks hang, the answers are the same.
        let at = last.plus(HOUR).to_string();
        let report = |zone: &str| {
            let mut command = bench.command(&["report", "--json", "--at", &at]);
            let output = command.env("TZ", zone).output().unwrap();
            assert!(output.status.success());
            String::from_utf8(output.stdout).unwrap()
        };
        let here = report("Europe/Lisbon");
        assert!(here.contains("\"night\""), "{here}");
        for zone in ["UTC", "Pacific/Kiritimati", "America/St_Johns", "Nowhere/At_All"] {
            assert_eq!(report(zone), here, "{zone}");
        }
    }
}

fn time(text: &str) -> Time {
    Time::parse_rfc3339(text).unwrap()
}

fn exported(bench: &Bench) -> String {
    let to = tempfile::tempdir().unwrap();
    files::export(&Store::open(&bench.dir()).unwrap(), to.path(), true).unwrap();
    fs::read_to_string(to.path().join("readings.csv")).unwrap()
}
