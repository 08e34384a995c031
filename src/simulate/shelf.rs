//! The shelf in motion: room, pots, people and scales, moment by moment, from a seed.
//!
//! The same scenario, seed, start and interval give the same bytes. The truth is kept apart from
//! what is said on the line, and is offered to tests.

use super::line::{Sample, rubbish};
use super::pot::{ClayPot, Truth};
use super::room::Room;
use super::scale::{Cell, RoomSensor, bench};
use super::scenario::{SHELF, Scenario, ShelfPot};
use super::surface::RoomAir;
use crate::records::{Action, Body, HandlingRow, Pot, Quantity, Reading, Verdict};
use crate::units::{DAY, HOUR, Time};
use rand::SeedableRng;
use rand::rngs::Xoshiro256PlusPlus;
use std::collections::VecDeque;

/// Longest step of the physics, s.
const STEP: f64 = 60.0;
/// How long a pot is away from its cell while it is trimmed, s.
const TRIMMING: f64 = 600.0;
/// Share of the base's clay, and of the wall's, that is cut away in trimming.
const TRIMMED_BASE: f64 = 0.25;
const TRIMMED_WALL: f64 = 0.05;
/// How often somebody feels whether a pot can be trimmed, s.
const ROUND: f64 = 1800.0;

/// What one interval brought.
#[derive(Clone, PartialEq, Debug)]
pub struct Moment {
    /// Its end.
    pub time: Time,
    /// What the sensors said at that time.
    pub sample: Sample,
    /// The same as it goes down the line.
    pub bytes: Vec<u8>,
    /// Pots that came off the wheel.
    pub made: Vec<Pot>,
    /// What was done, for the handling log.
    pub done: Vec<HandlingRow>,
    /// What the bench scale said.
    pub bench: Vec<Reading>,
}

/// How the shelf reports.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Reporting {
    /// Time between samples, s.
    pub every: f64,
    /// Whether lines end in a checksum.
    pub checksum: bool,
    /// Whether there is rubbish on the line now and then.
    pub rubbish: bool,
}

impl Default for Reporting {
    fn default() -> Reporting {
        Reporting { every: 300.0, checksum: true, rubbish: true }
    }
}

/// A pot on its way.
#[derive(Clone, Debug)]
struct OnShelf {
    plan: ShelfPot,
    /// From when it is there.
    clay: Option<ClayPot>,
    /// Handling rows done so far.
    done: usize,
    /// Bench weighings done so far.
    weighed: usize,
    cell: Option<usize>,
    /// Mean water (dry basis) between which the hand finds it right.
    right: (f64, f64),
    trimmed_at: Option<f64>,
}

impl OnShelf {
    /// Comes off the wheel, or, if that was before the beginning, has dried a little since.
    fn begin(&mut self, now: f64, air: &RoomAir) {
        let plan = &self.plan;
        let mut clay = ClayPot::thrown(plan.clay, plan.shape, plan.throwing, plan.site);
        let mut dried = plan.made;
        while dried + STEP < now {
            clay.step(STEP, air);
            dried += STEP;
        }
        self.clay = Some(clay);
    }

    /// Does what is due.
    fn handle(&mut self, now: f64, time: impl Fn(f64) -> Time, done: &mut Vec<HandlingRow>) {
        let Some(clay) = &mut self.clay else { return };
        while let Some((t, action)) = self.plan.handling.get(self.done).filter(|(t, _)| *t <= now) {
            match action {
                Action::Cover(cover) => clay.cover(*cover),
                Action::Flip => clay.flip(),
                Action::On(_) => self.cell = cell_of(action),
                Action::Off => self.cell = None,
                _ => {}
            }
            let pot = self.plan.name.clone();
            done.push(HandlingRow { time: time(*t), pot, action: action.clone() });
            self.done += 1;
        }
    }

    /// Somebody takes it in the hand; if it is right it is trimmed and stood on its rim.
    fn feel(&mut self, now: f64, time: Time, done: &mut Vec<HandlingRow>) {
        let Some(clay) = &mut self.clay else { return };
        let water = clay.truth().water;
        let right = self.right.1 < water && water < self.right.0;
        if !self.plan.trimmed || self.trimmed_at.is_some() || !right {
            return;
        }
        clay.trim(TRIMMED_BASE, TRIMMED_WALL);
        clay.flip();
        self.trimmed_at = Some(now);
        for action in [Action::Flip, Action::Trim, Action::Verdict(Verdict::Right)] {
            done.push(HandlingRow { time, pot: self.plan.name.clone(), action });
        }
    }

    /// Puts it on the bench scale if it is time.
    fn weigh(&mut self, now: f64, time: Time, readings: &mut Vec<Reading>) {
        let due = self.plan.bench.get(self.weighed).is_some_and(|t| *t <= now);
        let Some(clay) = self.clay.as_ref().filter(|_| due) else { return };
        self.weighed += 1;
        readings.push(Reading {
            time,
            source: "bench".into(),
            quantity: Quantity::Mass,
            value: bench(self.plan.tare_g + clay.truth().mass_g),
            pot: Some(self.plan.name.clone()),
            count: None,
            spread: None,
        });
    }
}

/// A made-up shelf.
#[derive(Clone, Debug)]
pub struct Shelf {
    start: Time,
    reporting: Reporting,
    time_of_day: f64,
    length: f64,
    pots: Vec<OnShelf>,
    room: Room,
    sensor: RoomSensor,
    cells: Vec<Cell>,
    line: Xoshiro256PlusPlus,
    air: RoomAir,
    /// Humidity of each step of the last 24 h, and their number.
    humidity: VecDeque<f64>,
    /// Samples so far.
    samples: u64,
}

impl Shelf {
    /// The shelf of a scenario, about to begin.
    pub fn new(scenario: Scenario, seed: u64, start: Time, reporting: Reporting) -> Shelf {
        // Each fault draws from a stream of its own: one more cell does not change the room.
        let stream = |n: u64| Xoshiro256PlusPlus::seed_from_u64(seed ^ n.wrapping_mul(GOLDEN));
        let mut room = Room::new(scenario.time_of_day, stream(1));
        let cells = scenario.pots.iter().flat_map(|p| &p.handling).filter_map(|(_, a)| cell_of(a));
        let cells = cells.max().map_or(0, |last| last + 1);
        let air = room.step(0.0);
        let on_shelf = |plan: ShelfPot| OnShelf {
            right: hand(&scenario.bodies, &plan.body),
            plan,
            clay: None,
            done: 0,
            weighed: 0,
            cell: None,
            trimmed_at: None,
        };
        let pots = scenario.pots.into_iter().map(on_shelf).collect();
        Shelf {
            start,
            reporting,
            time_of_day: scenario.time_of_day,
            length: scenario.length,
            pots,
            room,
            sensor: RoomSensor::new(stream(2)),
            cells: (0..cells).map(|i| Cell::new(stream(100 + i as u64))).collect(),
            line: stream(3),
            air,
            humidity: VecDeque::new(),
            samples: 0,
        }
    }

    /// Time of the last moment.
    pub fn now(&self) -> Time {
        self.time(self.elapsed())
    }

    /// Seconds since the beginning.
    pub fn elapsed(&self) -> f64 {
        self.samples as f64 * self.reporting.every
    }

    /// The next moment; `None` when the scenario is over.
    pub fn advance(&mut self) -> Option<Moment> {
        let from = self.elapsed();
        let to = from + self.reporting.every;
        if to > self.length || self.time(to) >= Time::MAX {
            return None;
        }
        let mut moment = Moment {
            time: self.time(to),
            sample: Sample { time: self.time(to), room: (0.0, 0.0), cells: Vec::new() },
            bytes: Vec::new(),
            made: Vec::new(),
            done: Vec::new(),
            bench: Vec::new(),
        };
        let steps = (self.reporting.every / STEP).ceil().max(1.0);
        let dt = self.reporting.every / steps;
        for step in 1..=steps as u64 {
            self.step(from + step as f64 * dt, dt, &mut moment);
        }
        self.samples += 1;
        self.say(&mut moment);
        Some(moment)
    }

    /// What people mean to do with the pots that are there, as far as forecasts follow it.
    pub fn plans(&self) -> Vec<HandlingRow> {
        let mut rows = Vec::new();
        for pot in self.pots.iter().filter(|pot| pot.clay.is_some()) {
            for (t, action) in &pot.plan.handling[pot.done..] {
                if action.can_be_planned() {
                    let pot = pot.plan.name.clone();
                    rows.push(HandlingRow { time: self.time(*t), pot, action: action.clone() });
                }
            }
        }
        rows
    }

    /// The truth about a pot that is there.
    pub fn truth(&self, pot: &str) -> Option<Truth> {
        let pot = self.pots.iter().find(|p| p.plan.name == pot)?;
        Some(pot.clay.as_ref()?.truth())
    }

    /// Water (dry basis) that a pot's clay holds in balance with the mean humidity of the last
    /// 24 h.
    pub fn balance(&self, pot: &str) -> Option<f64> {
        let pot = self.pots.iter().find(|p| p.plan.name == pot)?;
        let mean = self.humidity.iter().sum::<f64>() / self.humidity.len().max(1) as f64;
        Some(pot.plan.clay.balance(mean))
    }

    /// What is written down about each pot.
    pub fn pots(&self) -> Vec<Pot> {
        self.pots.iter().map(|p| self.record(&p.plan)).collect()
    }

    fn time(&self, after: f64) -> Time {
        self.start.plus(after)
    }

    fn record(&self, plan: &ShelfPot) -> Pot {
        Pot {
            name: plan.name.clone(),
            body: plan.body.clone(),
            made_at: self.time(plan.made),
            ball_g: Some(plan.ball_g),
            tare_g: Some(plan.tare_g),
            wall_mm: Some(plan.meant_mm.0),
            base_mm: Some(plan.meant_mm.1),
            lot: Some(plan.lot.clone()),
            board: Some(plan.board.clone()),
            like: plan.like.clone(),
            place: None,
        }
    }

    /// Moves everything on to `to` (seconds since the beginning).
    fn step(&mut self, to: f64, dt: f64, moment: &mut Moment) {
        self.air = self.room.step(dt);
        self.humidity.push_back(self.air.humidity());
        while self.humidity.len() as f64 * dt > DAY {
            self.humidity.pop_front();
        }
        let time = self.time(to);
        let hour = ((self.time_of_day + to) / HOUR).rem_euclid(24.0);
        let round =
            (9.0..17.75).contains(&hour) && (to / ROUND).floor() > ((to - dt) / ROUND).floor();
        for i in 0..self.pots.len() {
            if self.pots[i].clay.is_none() && self.pots[i].plan.made <= to {
                moment.made.push(self.record(&self.pots[i].plan));
                self.pots[i].begin(to, &self.air);
            }
            let pot = &mut self.pots[i];
            if let Some(clay) = &mut pot.clay {
                clay.step(dt, &self.air);
            }
            pot.handle(to, |time| self.start.plus(time), &mut moment.done);
            if round {
                pot.feel(to, time, &mut moment.done);
            }
            pot.weigh(to, time, &mut moment.bench);
        }
    }

    /// Reads all scales and puts the lines together.
    fn say(&mut self, moment: &mut Moment) {
        let every = self.reporting.every;
        let now = moment.time.since(self.start);
        let mut loads = vec![0.0; self.cells.len()];
        for pot in &self.pots {
            if let (Some(cell), Some(clay)) = (pot.cell, &pot.clay) {
                let in_hand = pot.trimmed_at.is_some_and(|t| now - t < TRIMMING);
                loads[cell] = if in_hand { 0.0 } else { pot.plan.tare_g + clay.truth().mass_g };
            }
        }
        let air = self.air;
        moment.sample.room = self.sensor.read(&air);
        let read = |(cell, load): (&mut Cell, f64)| cell.read(every, load, &air);
        moment.sample.cells = self.cells.iter_mut().zip(loads).map(read).collect();
        let lines = moment.sample.lines(SHELF, self.reporting.checksum);
        if self.reporting.rubbish {
            moment.bytes = rubbish(&lines, &mut self.line);
        }
        moment.bytes.extend_from_slice(&lines);
    }
}

/// 2⁶⁴ over the golden ratio, odd: spreads small numbers over all bits (Knuth, TAOCP vol. 3, 6.4).
const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

/// Water between which the hand finds a pot of that body right: well inside its band.
fn hand(bodies: &[Body], body: &str) -> (f64, f64) {
    let known = bodies.iter().find(|b| b.name == body);
    match known.and_then(|b| b.trim_from_dry.zip(b.trim_to_dry)) {
        Some((from, to)) => (from - 0.2 * (from - to), to + 0.1 * (from - to)),
        None => (f64::NAN, f64::NAN),
    }
}

/// The cell (from 0) that an `on` of this shelf names.
fn cell_of(action: &Action) -> Option<usize> {
    let Action::On(source) = action else { return None };
    let number = source.strip_prefix(SHELF)?.strip_prefix(":cell-")?;
    number.parse::<usize>().ok()?.checked_sub(1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::scenario;

    fn demo(seed: u64) -> Shelf {
        let start = Time::from_seconds(1_932_796_800.0);
        Shelf::new(scenario::demo(seed), seed, start, Reporting::default())
    }

    #[test]
    fn the_same_seed_says_the_same() {
        let (mut one, mut two, mut other) = (demo(8), demo(8), demo(9));
        let mut differ = false;
        for _ in 0..300 {
            let (a, b, c) = (one.advance(), two.advance(), other.advance());
            assert_eq!(a, b);
            differ |= a != c;
        }
        assert!(differ);
    }

    #[test]
    fn the_demo_leaves_one_pot_at_every_stage() {
        for seed in [1, 2, 3] {
            let mut shelf = demo(seed);
            let (mut made, mut trimmed, mut weighed) = (0, Vec::new(), 0);
            while let Some(moment) = shelf.advance() {
                made += moment.made.len();
                weighed += moment.bench.len();
                let trims = moment.done.into_iter().filter(|row| row.action == Action::Trim);
                trimmed.extend(trims.map(|row| row.pot));
            }
            trimmed.sort();
            assert_eq!(trimmed, ["jar-1", "jar-3", "saucer-1"], "{seed}");
            assert_eq!((made, weighed), (9, 5));
            let water = |pot: &str| shelf.truth(pot).unwrap().water;
            let free = |pot: &str| shelf.truth(pot).unwrap().water - shelf.balance(pot).unwrap();
            assert!((0.150..0.215).contains(&water("planter-2")), "now: {seed}");
            assert!((0.225..0.255).contains(&water("jar-2")), "about to open: {seed}");
            assert!((0.215..0.26).contains(&water("tall-planter")), "still wrapped: {seed}");
            assert!(water("planter-1") < 0.150, "forgotten: {seed}");
            assert!(water("planter-4") > 0.24, "just thrown: {seed}");
            assert!((0.004..0.03).contains(&free("jar-1")), "nearly dry: {seed}");
            assert!(free("saucer-1") < 0.003, "dry: {seed}");
            let twins = water("planter-2") - water("planter-3");
            assert!(twins.abs() < 0.04 && twins != 0.0, "twins: {seed}");
            assert!(shelf.plans().iter().all(|row| row.time > shelf.now()));
            assert_eq!(shelf.plans().len(), 10);
        }
    }

    #[test]
    fn an_open_shelf_goes_on_and_is_wrapped_at_night() {
        let reporting = Reporting { every: 600.0, checksum: false, rubbish: false };
        let scenario = scenario::shelf(3, 6, 10.0 * HOUR);
        let mut shelf = Shelf::new(scenario, 3, Time::from_seconds(1.9e9), reporting);
        let first = shelf.advance().unwrap();
        assert_eq!((first.made.len(), first.done.len()), (6, 6));
        let mut covers = 0;
        for _ in 0..5 * 144 {
            let moment = shelf.advance().unwrap();
            let is_cover = |row: &&HandlingRow| matches!(row.action, Action::Cover(_));
            covers += moment.done.iter().filter(is_cover).count();
        }
        assert_eq!(covers, 4);
        assert!(shelf.truth("planter-1").unwrap().water < 0.05);
        assert!(shelf.truth("planter-9").is_none());
    }

    #[test]
    fn what_the_line_says_follows_the_truth() {
        let mut shelf = demo(4);
        let mut near = 0;
        let mut all = 0;
        while let Some(moment) = shelf.advance() {
            // Cell 1 carries the saucer from its making on.
            let text = String::from_utf8_lossy(&moment.bytes);
            let line = text.lines().last().unwrap();
            let records: serde_json::Value = serde_json::from_str(&line[..line.len() - 9]).unwrap();
            let cell = records.as_array().unwrap().iter().find(|r| r["n"] == "cell-1").unwrap();
            if let Some(truth) = shelf.truth("saucer-1") {
                let tare = shelf.pots()[0].tare_g.unwrap();
                all += 1;
                near +=
                    usize::from((cell["v"].as_f64().unwrap() - tare - truth.mass_g).abs() < 3.0);
            }
        }
        assert!(all > 1000 && near > all * 98 / 100 && near < all, "{near} of {all}");
    }
}
