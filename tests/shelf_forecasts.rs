//! Forecasts against the made-up shelf, whose physics (diffusion in slabs, heat balance) shares
//! nothing with the estimator's.
//!
//! The truth is the shelf's own: it goes on after the report was asked for, under the plans that
//! the report knew of. Simulated: says nothing about real pots.

use std::collections::BTreeMap;
use tempfile::TempDir;
use warecast::answers;
use warecast::core::inference::lessons::Lessons;
use warecast::core::report::{FireCall, Report, TimeQuantiles};
use warecast::core::{assess_pot, assess_taught, learn};
use warecast::records::Name;
use warecast::simulate::scenario::{self, SHELF, Scenario};
use warecast::simulate::shelf::{Reporting, Shelf};
use warecast::store::{Clash, Store};
use warecast::units::{DAY, HOUR, Time};

const BEGINS: f64 = 1_932_796_800.0;

/// A shelf together with the studio that listens to it.
struct Listened {
    shelf: Shelf,
    store: Store,
    _folder: TempDir,
}

impl Listened {
    fn new(mut scenario: Scenario, seed: u64) -> Listened {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(folder.path()).unwrap();
        store.put_bodies(&scenario.bodies, Clash::Refuse).unwrap();
        scenario.length = f64::INFINITY;
        let start = Time::from_seconds(BEGINS);
        let shelf = Shelf::new(scenario, seed, start, Reporting::default());
        Listened { shelf, store, _folder: folder }
    }

    /// Goes on to `end` (seconds since the beginning), all of it written down; `each` sees every
    /// moment.
    fn listen(&mut self, end: f64, mut each: impl FnMut(&Shelf, Time)) {
        let mut readings = Vec::new();
        while self.shelf.elapsed() < end {
            let moment = self.shelf.advance().unwrap();
            readings.extend(moment.sample.readings(SHELF));
            readings.extend(moment.bench);
            self.store.put_pots(&moment.made, Clash::Refuse).unwrap();
            self.store.put_handling(&moment.done, Clash::Refuse).unwrap();
            each(&self.shelf, moment.time);
        }
        let stored = self.store.append(&readings, Clash::Refuse).unwrap();
        assert_eq!(stored.added, readings.len());
        self.store.put_handling(&self.shelf.plans(), Clash::Refuse).unwrap();
    }
}

/// How many of how many.
#[derive(Default)]
struct Tally {
    inside: usize,
    all: usize,
}

impl Tally {
    fn add(&mut self, inside: bool) {
        self.all += 1;
        self.inside += usize::from(inside);
    }

    fn share(&self) -> f64 {
        self.inside as f64 / self.all as f64
    }
}

fn holds(forecast: TimeQuantiles, truth: Time) -> bool {
    forecast.p10.is_some_and(|t| t <= truth) && forecast.p90.is_none_or(|t| truth <= t)
}

/// First times at which the mean water falls to a level of the pot's own.
#[derive(Default)]
struct Passed(BTreeMap<Name, Time>);

impl Passed {
    fn see(&mut self, pot: &Name, now: Time, water: f64, level: f64) {
        if water <= level {
            self.0.entry(pot.clone()).or_insert(now);
        }
    }
}

#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    let (mut water, mut opens, mut dry) = (Tally::default(), Tally::default(), Tally::default());
    for seed in [1, 2, 3] {
        let scenario = scenario::demo(seed);
        let asked = scenario.length;
        let body = |name: &str| scenario.bodies.iter().find(|b| b.name == name).unwrap().clone();
        let from: BTreeMap<Name, f64> = scenario
            .pots
            .iter()
            .map(|pot| (pot.name.clone(), body(&pot.body).trim_from_dry.unwrap()))
            .collect();
        let mut listened = Listened::new(scenario, seed);
        listened.listen(asked, |_, _| ());
        let shelf = &mut listened.shelf;
        let report: Report = answers::report(&listened.store.studio(shelf.now()).unwrap());
        for pot in &report.pots {
            let (truth, said) = (shelf.truth(&pot.pot).unwrap().water, pot.water.now);
            water.add(said.p10 <= truth && truth <= said.p90);
        }
        // What was to come: only pots to which it had not happened yet.
        let (mut opened, mut dried) = (Passed::default(), Passed::default());
        while dried.0.len() < report.pots.len() && shelf.elapsed() < asked + 10.0 * DAY {
            let to_come = shelf.now();
            for pot in &report.pots {
                let truth = shelf.truth(&pot.pot).unwrap().water;
                let balance = shelf.balance(&pot.pot).unwrap();
                opened.see(&pot.pot, to_come, truth, from[&pot.pot]);
                dried.see(&pot.pot, to_come, truth - balance, 0.005);
            }
            shelf.advance().unwrap();
        }
        for pot in &report.pots {
            let later =
                |passed: &Passed| passed.0.get(&pot.pot).copied().filter(|t| *t > report.at);
            if let Some(truth) = later(&opened) {
                opens.add(holds(pot.trim.opens, truth));
            }
            if let Some(truth) = later(&dried) {
                dry.add(holds(pot.fire.bone_dry, truth));
            }
        }
    }
    // 8 of 10 is what the intervals promise. Pots of one studio share clay, room and potters, so
    // 20 of them count for perhaps ten: three standard errors below is 0.42.
    assert!(water.all == 27 && opens.all >= 7 && dry.all >= 20, "{} {}", opens.all, dry.all);
    for (what, tally) in [("water", &water), ("opens", &opens), ("bone-dry", &dry)] {
        println!("{what}: {} of {} inside", tally.inside, tally.all);
        assert!(tally.share() >= 0.42, "{what}: {} of {} inside", tally.inside, tally.all);
    }
}

#[test]
fn nothing_is_called_ready_before_its_wettest_part_is_dry() {
    for seed in [1, 2, 3] {
        let scenario = scenario::demo(seed);
        let end = scenario.length;
        let mut listened = Listened::new(scenario, seed);
        let mut wettest: Vec<(Time, f64)> = Vec::new();
        listened.listen(end, |shelf, now| {
            if shelf.elapsed() % (3.0 * HOUR) == 0.0 {
                let free = shelf.truth("saucer-1").unwrap().wettest;
                wettest.push((now, free - shelf.balance("saucer-1").unwrap()));
            }
        });
        let mut calls = Vec::new();
        for (at, free) in wettest {
            let studio = listened.store.studio_of(at, &["saucer-1".into()]).unwrap();
            let call = assess_pot(&studio, "saucer-1").unwrap().fire.call;
            // 0.010: what `ready` promises of the wettest part.
            assert!(call != FireCall::Ready || free <= 0.010, "seed {seed}, {at}: {free}");
            calls.push(call);
        }
        assert_eq!(calls[0], FireCall::Wait, "seed {seed}");
        assert_eq!(calls.last(), Some(&FireCall::Ready), "seed {seed}");
    }
}

/// A shelf whose last five pots are thrown eight days after the others.
fn thrown_later(seed: u64) -> (Scenario, Vec<Name>) {
    let mut scenario = scenario::shelf(seed, 20, 10.0 * HOUR);
    let late = &mut scenario.pots[15..];
    for pot in late.iter_mut() {
        pot.made += 8.0 * DAY;
        pot.handling.iter_mut().for_each(|(t, _)| *t += 8.0 * DAY);
    }
    let late = late.iter().map(|pot| pot.name.clone()).collect();
    (scenario, late)
}

/// Learning pays: of the next pots of a studio the water is known better after its first ones have
/// gone bone-dry, by intervals that are narrower and hold as before.
#[test]
fn finished_pots_teach_about_the_next() {
    let (mut errors, mut widths, mut tally) = ([0.0; 2], [0.0; 2], Tally::default());
    for seed in 1..=5 {
        let (scenario, late) = thrown_later(seed);
        let mut listened = Listened::new(scenario, seed);
        listened.listen(8.0 * DAY + 5.0 * HOUR, |_, _| ());
        let studio = listened.store.studio(listened.shelf.now()).unwrap();
        for (i, lessons) in [Lessons::default(), learn(&studio)].iter().enumerate() {
            for pot in &late {
                let said = assess_taught(&studio, lessons, pot).unwrap().water.now;
                let truth = listened.shelf.truth(pot).unwrap().water;
                errors[i] += (said.p50 - truth).abs() / 25.0;
                widths[i] += (said.p90 - said.p10) / 25.0;
                if i == 1 {
                    tally.add(said.p10 <= truth && truth <= said.p90);
                }
            }
        }
    }
    let [untaught, taught] = errors;
    println!("error {untaught:.4} → {taught:.4}, width {widths:.4?}, {:.2} hold", tally.share());
    assert!(taught < 0.85 * untaught, "{taught} after {untaught}");
    assert!(widths[1] < 0.7 * widths[0], "{widths:?}");
    // 8 of 10 is what they promise. Pots of one studio share what is unknown, so 25 of them count
    // for perhaps ten: three standard errors below is 0.42.
    assert!(tally.share() >= 0.42, "{} of {} inside", tally.inside, tally.all);
}
