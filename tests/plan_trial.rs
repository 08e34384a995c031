//! A week of twenty pots in a made-up studio, three times over: how many are trimmed, and make the
//! kiln, if they are left open, if all are wrapped for the night, and if `plan` says what to cover.
//!
//! The truth is the shelf's own physics (diffusion in slabs, heat balance), which shares nothing
//! with the estimator's. The potter of all three weeks is the same: at the wheel from 9 to 13 and
//! from 15 to 18, a quarter of an hour for each pot, and takes the pot that is trimmable and
//! closest to being too stiff. Simulated: says nothing about real pots.
//!
//! ```text
//! cargo test --test plan_trial -- --ignored --nocapture
//! ```

use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use std::collections::{BTreeMap, BTreeSet};
use warecast::answers::{Taught, plan::plan};
use warecast::core::plan::Question;
use warecast::core::plan::hours::Hours;
use warecast::core::prospect::Doing;
use warecast::records::{
    Action, Air, Body, Cover, HandlingRow, Name, Point, Pot, Studio, Weighings,
};
use warecast::simulate::pot::{ClayPot, Shape, Throwing};
use warecast::simulate::room::Room;
use warecast::simulate::scale::{RoomSensor, bench};
use warecast::simulate::scenario::{COARSE, FINE};
use warecast::units::{DAY, HOUR, Time};

/// Monday 31 March 2031, midnight UTC.
const MONDAY: Time = Time(1_932_681_600_000_000);
const STEP: f64 = 300.0;
const TRIM: f64 = 900.0;
/// Hours at the wheel, Monday to Friday.
const HOURS: [(f64, f64); 2] = [(9.0, 13.0), (15.0, 18.0)];
/// When pots come off the wheel, Monday to Friday, hours: four on each of five days.
const THROWN: [f64; 4] = [9.5, 11.0, 15.5, 17.0];
/// The kiln is packed on Saturday of the week after, at nine, s.
const KILN: f64 = (12.0 * 24.0 + 9.0) * HOUR;
/// A pot counts as dry with so much free water, dry basis (as the forecasts have it).
const DRY: f64 = 0.005;

/// What is done about covers.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Habit {
    Open,
    /// All that are not trimmed are wrapped in the evening and opened in the morning.
    Nights,
    /// So surely.
    Plan(f64),
}

/// Pots trimmed, pots trimmed and dry for the kiln, and boards that were covered or uncovered.
#[derive(Default, Debug)]
struct Count {
    trimmed: usize,
    made_the_kiln: usize,
    changes: usize,
}

struct Shelf {
    studio: Studio,
    pots: BTreeMap<Name, ClayPot>,
    trimmed: BTreeMap<Name, bool>,
    covers: BTreeMap<Name, Cover>,
    /// When their windows opened and closed, s since Monday.
    windows: BTreeMap<Name, [Option<f64>; 2]>,
}

fn body(name: &str) -> Body {
    let (clay, from, to) =
        if name == "shore" { (COARSE, 0.215, 0.150) } else { (FINE, 0.235, 0.165) };
    Body {
        name: name.into(),
        bag_water_wet: Some(clay.bag_water),
        trim_from_dry: Some(from),
        trim_to_dry: Some(to),
    }
}

/// Whether somebody is at the wheel at a time, s since Monday; ends included.
fn at_work(t: f64) -> bool {
    let (day, hour) = ((t / DAY).floor() as i64 % 7, (t % DAY) / HOUR);
    day < 5 && HOURS.iter().any(|(from, to)| *from <= hour && hour <= *to)
}

/// When covers can be changed, s since Monday, up to an end.
fn comings(end: f64) -> Vec<f64> {
    let days = (0..(end / DAY).ceil() as i64).filter(|day| day % 7 < 5);
    let ends = HOURS.iter().flat_map(|(from, to)| [*from, *to]);
    days.flat_map(|day| ends.clone().map(move |hour| day as f64 * DAY + hour * HOUR)).collect()
}

impl Shelf {
    fn new() -> Shelf {
        let studio = Studio {
            bodies: ["shore", "tide"].map(|name| (name.into(), body(name))).into(),
            air: [(Name::new(), Air::default())].into(),
            ..Studio::default()
        };
        let (covers, windows) = (BTreeMap::new(), BTreeMap::new());
        Shelf { studio, pots: BTreeMap::new(), trimmed: BTreeMap::new(), covers, windows }
    }

    /// A pot off the wheel: what is written down of it is not quite what it is.
    fn throw(&mut self, number: usize, t: f64, rng: &mut Xoshiro256PlusPlus) {
        let (name, body) = (format!("pot-{number:02}"), ["shore", "tide"][number % 2]);
        let ball_g = rng.random_range(400.0..1400.0_f64).round();
        let (wall, base) =
            (rng.random_range(5.0..8.0_f64).round(), rng.random_range(7.0..11.0_f64).round());
        let off = |rng: &mut Xoshiro256PlusPlus| 1.0 + rng.random_range(-0.12..0.12);
        let shape = Shape {
            ball_g,
            wall_mm: wall * off(rng),
            base_mm: base * off(rng),
            base_share: rng.random_range(0.22..0.32),
            inside: 0.5,
            height: 0.13,
        };
        let throwing = Throwing { slip: rng.random_range(0.015..0.05), water: 0.01 };
        let clay = if body == "shore" { COARSE } else { FINE };
        let truth = ClayPot::thrown(clay, shape, throwing, rng.random_range(0.85..1.15));
        let pot = Pot {
            name: name.clone(),
            body: body.into(),
            made_at: MONDAY.plus(t),
            ball_g: Some(ball_g),
            tare_g: None,
            wall_mm: Some(wall),
            base_mm: Some(base),
            lot: None,
            board: Some(format!("day-{}", (t / (0.5 * DAY)).floor())),
            like: None,
            place: None,
        };
        self.studio.handling.insert(name.clone(), Vec::new());
        self.studio.weighings.insert(name.clone(), Weighings::default());
        self.studio.pots.insert(name.clone(), pot);
        self.trimmed.insert(name.clone(), false);
        self.covers.insert(name.clone(), Cover::Open);
        self.windows.insert(name.clone(), [None; 2]);
        self.pots.insert(name, truth);
    }

    fn note(&mut self, name: &str, time: Time, action: Action) {
        let rows = self.studio.handling.get_mut(name).unwrap();
        rows.push(HandlingRow { time, pot: name.into(), action });
        rows.sort_by_key(|row| row.time);
    }

    fn weigh(&mut self) {
        let time = self.studio.at;
        for (name, pot) in &self.pots {
            let point = Point { time, value: bench(pot.truth().mass_g) };
            self.studio.weighings.get_mut(name).unwrap().0.push(point);
        }
    }

    fn water(&self, name: &str) -> f64 {
        self.pots[name].truth().water
    }

    /// Trims the pot that is closest to being too stiff, of those that can be.
    fn trim(&mut self) {
        let open = |name: &&Name| {
            let body = body(&self.studio.pots[*name].body);
            let (from, to) = (body.trim_from_dry.unwrap(), body.trim_to_dry.unwrap());
            !self.trimmed[*name] && (to..=from).contains(&self.water(name))
        };
        let left = |name: &Name| {
            self.water(name) - body(&self.studio.pots[name].body).trim_to_dry.unwrap()
        };
        let next = self.pots.keys().filter(open).min_by(|a, b| left(a).total_cmp(&left(b)));
        let Some(name) = next.cloned() else { return };
        let time = self.studio.at;
        let pot = self.pots.get_mut(&name).unwrap();
        pot.trim(0.15, 0.04);
        pot.flip();
        pot.cover(Cover::Open);
        self.covers.insert(name.clone(), Cover::Open);
        self.studio.handling.get_mut(&name).unwrap().retain(|row| row.time <= time);
        self.note(&name, time, Action::Trim);
        self.note(&name, time, Action::Cover(Cover::Open));
        self.trimmed.insert(name, true);
    }

    /// Covers that are due; of how many boards.
    fn carry_out(&mut self) -> usize {
        let at = self.studio.at;
        let mut boards = BTreeSet::new();
        for (name, rows) in &self.studio.handling {
            for row in rows.iter().filter(|row| (at.since(row.time)).abs() < 0.5 * STEP) {
                if let Action::Cover(cover) = row.action
                    && self.covers.insert(name.clone(), cover) != Some(cover)
                {
                    self.pots.get_mut(name).unwrap().cover(cover);
                    boards.insert(self.studio.pots[name].board.clone());
                }
            }
        }
        boards.len()
    }

    /// Plans, and accepts it.
    fn plan(&mut self, wanted: f64) {
        let at = self.studio.at;
        let now = at.since(MONDAY);
        let until = 10.0 * DAY;
        let ahead = |t: f64| t - now;
        let moments = comings(now + until).into_iter().map(ahead).filter(|t| *t > 0.0);
        let moments: Vec<f64> = std::iter::once(STEP).chain(moments).collect();
        let days = (0..40).filter(|day| day % 7 < 5).map(|day| f64::from(day) * DAY);
        let spans =
            days.flat_map(|day| HOURS.map(|(a, b)| (ahead(day + a * HOUR), ahead(day + b * HOUR))));
        let question = Question {
            moments,
            trim_s: TRIM,
            wanted,
            kiln: (KILN > now).then_some(KILN - now),
            until: until.max(KILN - now + HOUR),
            ..Question::trimming(at, Hours::new(spans.collect()).after(0.0))
        };
        let names: Vec<Name> =
            self.pots.keys().filter(|name| !self.trimmed[*name]).cloned().collect();
        let names: Vec<&Name> = names.iter().collect();
        let plan = plan(&self.studio, &Taught::new(&self.studio), &names, &question, &|| ());
        for step in plan.steps.iter().filter(|step| !step.once_trimmed) {
            for name in &step.pots {
                let Doing::Cover(cover) = step.doing else { continue };
                let first = plan.steps.iter().find(|s| s.pots.contains(name)).unwrap().at;
                if first == step.at {
                    let rows = self.studio.handling.get_mut(name).unwrap();
                    rows.retain(|row| row.time < first || row.time <= at);
                }
                self.note(name, step.at, Action::Cover(cover));
            }
        }
    }

    /// Sees windows open and close.
    fn see(&mut self, t: f64) {
        for (name, window) in &mut self.windows {
            let body = body(&self.studio.pots[name].body);
            let water = self.pots[name].truth().water;
            for (time, level) in window.iter_mut().zip([body.trim_from_dry, body.trim_to_dry]) {
                if water <= level.unwrap() && time.is_none() {
                    *time = Some(t);
                }
            }
        }
    }
}

/// `Tue 21:35`
fn clock(t: f64) -> String {
    let day = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"][(t / DAY) as usize % 7];
    let minutes = ((t % DAY) / 60.0) as u32;
    format!("{day} {:02}:{:02}", minutes / 60, minutes % 60)
}

fn week(seed: u64, habit: Habit) -> Count {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut room = Room::new(0.0, Xoshiro256PlusPlus::from_rng(&mut rng));
    let mut sensor = RoomSensor::new(Xoshiro256PlusPlus::from_rng(&mut rng));
    let mut shelf = Shelf::new();
    let (mut count, mut number) = (Count::default(), 0);
    let mut daily = std::collections::VecDeque::new();
    let comings = comings(KILN);
    let mut t = 0.0;
    while t < KILN {
        t += STEP;
        let air = room.step(STEP);
        shelf.studio.at = MONDAY.plus(t);
        daily.push_back(air.humidity());
        if daily.len() > (DAY / STEP) as usize {
            daily.pop_front();
        }
        if t % (2.0 * STEP) == 0.0 {
            let (celsius, humidity) = sensor.read(&air);
            let its = shelf.studio.air.get_mut("").unwrap();
            let time = shelf.studio.at;
            its.temperature.push(Point { time, value: celsius });
            its.humidity.push(Point { time, value: humidity / 100.0 });
        }
        shelf.pots.values_mut().for_each(|pot| {
            pot.step(STEP, &air);
        });
        count.changes += shelf.carry_out();
        shelf.see(t);
        let day = (t / DAY).floor();
        if day < 5.0 && THROWN.iter().any(|hour| (t - day * DAY - hour * HOUR).abs() < 1.0) {
            shelf.throw(number, t, &mut rng);
            number += 1;
        }
        if comings.contains(&t) {
            shelf.weigh();
            let hour = (t % DAY) / HOUR;
            match habit {
                Habit::Open => {}
                Habit::Nights => {
                    let cover = if hour == 18.0 { Cover::Wrapped } else { Cover::Open };
                    if [9.0, 18.0].contains(&hour) {
                        let wet = shelf.pots.keys().filter(|name| !shelf.trimmed[*name]);
                        for name in wet.cloned().collect::<Vec<_>>() {
                            shelf.note(&name, MONDAY.plus(t), Action::Cover(cover));
                        }
                        count.changes += shelf.carry_out();
                    }
                }
                Habit::Plan(wanted) => shelf.plan(wanted),
            }
        }
        if at_work(t) && at_work(t + TRIM) && t % TRIM == 0.0 {
            shelf.trim();
        }
    }
    for (name, window) in shelf.windows.iter().filter(|(name, _)| !shelf.trimmed[*name]) {
        let told = window.map(|t| t.map_or("later".into(), clock));
        println!("  seed {seed}  {habit:?}: {name} missed; open from {} to {}", told[0], told[1]);
    }
    let mean = daily.iter().sum::<f64>() / daily.len() as f64;
    count.trimmed = shelf.trimmed.values().filter(|trimmed| **trimmed).count();
    let dry = |name: &&Name| {
        let clay = if shelf.studio.pots[*name].body == "shore" { COARSE } else { FINE };
        shelf.trimmed[*name] && shelf.water(name) - clay.balance(mean) <= DRY
    };
    count.made_the_kiln = shelf.pots.keys().filter(dry).count();
    count
}

#[test]
#[ignore = "some minutes; prints the figures of tests/plan-figures.txt"]
fn a_week_of_twenty_pots() {
    let mut all = [0; 4];
    for seed in [1, 2, 3] {
        let weeks = [Habit::Open, Habit::Nights, Habit::Plan(0.80), Habit::Plan(0.95)];
        let weeks = weeks.map(|habit| (habit, week(seed, habit)));
        for ((habit, count), all) in weeks.iter().zip(&mut all) {
            println!(
                "seed {seed}  {habit:?}: trimmed {} of 20, trimmed and dry for the kiln {}, \
                 boards covered or uncovered {} times",
                count.trimmed, count.made_the_kiln, count.changes
            );
            *all += count.trimmed;
        }
    }
    let [open, _, planned, _] = all;
    assert!(planned > open, "{planned} with the plan, {open} without");
}
