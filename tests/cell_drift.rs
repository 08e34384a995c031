//! A cell whose zero drifts is found, and one that does not is left alone.
//!
//! Pots dry and breathe by the made-up shelf's own physics (diffusion in slabs, heat balance), in a
//! room with days, weather and a season, on cells with noise, knocks, lifts, a wandering zero and
//! one that follows the temperature; the drift is laid on top. Simulated: says nothing about real
//! cells.

use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use std::collections::BTreeMap;
use std::process::Command;
use warecast::core::inference::lessons::Lessons;
use warecast::core::report::{FireCall, PotAnswer};
use warecast::core::witness::{Drift, believed};
use warecast::core::{assess_taught, learn};
use warecast::records::{
    Action, Air, Body, Cell as Known, Cover, HandlingRow, Point, Pot, Quantity, Reading, Studio,
    Weighings,
};
use warecast::simulate::pot::{ClayPot, Shape, Throwing};
use warecast::simulate::room::{Room, Wander};
use warecast::simulate::scale::{Cell, RoomSensor};
use warecast::simulate::scenario::{COARSE, FINE};
use warecast::simulate::surface::RoomAir;
use warecast::store::{Clash, Store};
use warecast::units::{DAY, Time};

/// Midnight, 2031-04-01.
const BEGINS: Time = Time(1_932_768_000_000_000);
const CELL: &str = "cell-1";
/// Between two readings, s.
const EVERY: f64 = 600.0;

/// One pot on one cell.
#[derive(Clone, Copy)]
struct Tale {
    seed: u64,
    /// Drift of the cell's zero, g a day, from the beginning on.
    drift: f64,
    /// How long the cell stands empty, then bears the pot, then is empty again, days.
    days: [f64; 3],
}

impl Tale {
    /// What the studio knows when it is over.
    fn studio(&self) -> Studio {
        let stream = |n: u64| Xoshiro256PlusPlus::seed_from_u64(self.seed.wrapping_mul(1000) + n);
        let mut own = stream(0);
        let clay = if own.random_bool(0.5) { COARSE } else { FINE };
        let ball_g = own.random_range(400.0_f64..1800.0);
        let base_mm = own.random_range(6.0..13.0);
        let shape = Shape {
            ball_g,
            wall_mm: own.random_range(4.5..8.0),
            base_mm,
            base_share: own.random_range(0.2..0.4),
            inside: own.random_range(0.3..0.8),
            height: 0.13,
        };
        let throwing = Throwing { slip: own.random_range(0.015..0.05), water: 0.01 };
        let season = own.random_range(-0.006..0.006);
        let mut room = Room::new(0.0, stream(1));
        let mut weeks = Wander::new(4.0 * DAY, &mut own);
        let mut sensor = RoomSensor::new(stream(2));
        let mut cell = Cell::new(stream(3));
        let [before, with, after] = self.days.map(|d| d * DAY);
        let mut pot = ClayPot::thrown(clay, shape, throwing, 1.0);
        let (mut air, mut weights, mut idle) = (Air::default(), Vec::new(), Vec::new());
        let tare_g = 180.0;
        let mut t = 0.0;
        while t < before + with + after {
            let made: RoomAir = room.step(EVERY);
            let damper = 1.0 + season * t / DAY + 0.06 * weeks.step(EVERY, &mut own);
            let made = RoomAir { vapour: made.vapour * damper, ..made };
            t += EVERY;
            let time = BEGINS.plus(t);
            let stands = t > before && t <= before + with;
            if stands {
                pot.step(EVERY, &made);
            }
            let load = if stands { tare_g + pot.truth().mass_g } else { 0.0 };
            let value = cell.read(EVERY, load, &made) + self.drift * t / DAY;
            let value = (10.0 * value).round() / 10.0;
            let series = if stands { &mut weights } else { &mut idle };
            series.push(Point { time, value });
            let (celsius, percent) = sensor.read(&made);
            air.temperature.push(Point { time, value: celsius });
            air.humidity.push(Point { time, value: percent / 100.0 });
        }
        let name = "planter".to_string();
        let bag: f64 = clay.bag_water + 0.008 * own.sample::<f64, _>(StandardNormal);
        let body = Body {
            name: "harbour stoneware".into(),
            bag_water_wet: Some(bag),
            trim_from_dry: Some(0.23),
            trim_to_dry: Some(0.16),
        };
        let made_at = BEGINS.plus(before);
        let planter = Pot {
            name: name.clone(),
            body: body.name.clone(),
            made_at,
            ball_g: Some(ball_g),
            tare_g: Some(tare_g),
            wall_mm: Some(shape.wall_mm.round()),
            base_mm: Some(base_mm.round()),
            lot: None,
            board: None,
            like: None,
            place: None,
        };
        let row = |time, action| HandlingRow { time, pot: name.clone(), action };
        let mut rows = vec![row(made_at, Action::On(CELL.into()))];
        if after > 0.0 {
            rows.push(row(BEGINS.plus(before + with), Action::Off));
        }
        // As the store hands it out: a reading now and then, of the last weeks.
        let at = BEGINS.plus(before + with + after);
        let idle: Vec<Point> =
            idle.into_iter().step_by(3).filter(|p| at.since(p.time) < 30.0 * DAY).collect();
        let known = Known { calibrated: None, idle };
        Studio {
            at,
            bodies: BTreeMap::from([(body.name.clone(), body)]),
            pots: BTreeMap::from([(name.clone(), planter)]),
            handling: BTreeMap::from([(name.clone(), rows)]),
            weighings: BTreeMap::from([(name, Weighings(weights))]),
            air: BTreeMap::from([(String::new(), air)]).into(),
            cells: BTreeMap::from([(CELL.into(), known)]),
            ..Studio::default()
        }
    }
}

/// What is believed of the cell.
fn believed_of(studio: &Studio) -> Option<Drift> {
    believed(learn(studio).of_cell(CELL), studio.at, None).cloned()
}

fn answer(studio: &Studio, pot: &str) -> PotAnswer {
    assess_taught(studio, &learn(studio), pot).unwrap()
}

fn warning(answer: &PotAnswer) -> Option<&str> {
    answer.warnings.iter().find(|w| w.code == "cell-drifts").map(|w| w.text.as_str())
}

/// Of so many tales, how often a witness speaks, the cell is said to drift, and the interval holds
/// the truth.
fn told(seeds: std::ops::Range<u64>, drift: f64, days: [f64; 3]) -> [usize; 3] {
    let mut counts = [0; 3];
    for seed in seeds {
        let lessons = learn(&Tale { seed, drift, days }.studio());
        let Some(found) = lessons.of_cell(CELL).last() else { continue };
        let (low, high) = found.interval();
        let right = found.per_day.value * drift > 0.0;
        assert!(!found.is_told() || drift == 0.0 || right, "{found:?}");
        let holds = low <= drift && drift <= high;
        let each = [true, found.is_told(), holds];
        counts.iter_mut().zip(each).for_each(|(count, is)| *count += usize::from(is));
    }
    counts
}

#[test]
fn an_empty_cell_tells_of_itself() {
    for days in [[10.0, 0.5, 0.0], [0.0, 0.5, 15.0], [25.0, 0.5, 0.0]] {
        let [all, alarms, held] = told(0..40, 0.0, days);
        assert_eq!((all, alarms), (40, 0), "{days:?}");
        assert!(held >= 28, "{days:?}: {held} of 40 held");
        for drift in [-1.0, 1.0] {
            let [_, found, held] = told(0..20, drift, days);
            assert!(found >= 19 && held >= 13, "{days:?}, {drift}: {found} found, {held} held");
        }
    }
}

#[test]
fn a_dry_pot_tells_of_the_cell_under_it() {
    let [all, alarms, held] = told(100..130, 0.0, [0.0, 24.0, 0.0]);
    assert!(all >= 28 && alarms <= 1 && 10 * held >= 6 * all, "{all}, {alarms} false, {held} held");
    for drift in [-1.5, 1.5] {
        let [all, found, held] = told(100..112, drift, [0.0, 30.0, 0.0]);
        let said = format!("{drift}: of {all} {found} found, {held} held");
        println!("{said}");
        assert!(all >= 10 && found >= 9 && 10 * held >= 6 * all, "{said}");
    }
}

/// Whichever way the cell drifts: the call is not the cell's.
#[test]
fn no_pot_is_ready_on_the_word_of_a_cell_that_drifts() {
    for drift in [-1.5, 1.5] {
        let studio = Tale { seed: 3, drift, days: [0.0, 24.0, 0.0] }.studio();
        let answer = answer(&studio, "planter");
        let said = warning(&answer).unwrap();
        let way = if drift < 0.0 { "seems to lose" } else { "seems to gain" };
        assert!(said.contains(way) && said.contains("by this pot itself"), "{said}");
        assert_ne!(answer.fire.call, FireCall::Ready);
        // The same without a witness: nobody has heard of the cell.
        let alone = assess_taught(&studio, &Lessons::default(), "planter").unwrap();
        assert_eq!(warning(&alone), None);
    }
}

/// A studio in which a second pot was put on the cell when the tale was over.
fn with_a_jar(mut studio: Studio, days: f64) -> Studio {
    let jar = Pot { name: "jar".into(), made_at: studio.at, ..studio.pots["planter"].clone() };
    let on = Action::On(CELL.into());
    let row = HandlingRow { time: studio.at, pot: "jar".into(), action: on };
    studio.handling.insert("jar".into(), vec![row]);
    studio.pots.insert("jar".into(), jar);
    studio.at = studio.at.plus(days * DAY);
    studio
}

#[test]
fn the_next_pot_on_the_cell_is_told_until_somebody_did_something() {
    let tale = Tale { seed: 3, drift: -1.5, days: [0.0, 24.0, 0.0] };
    let studio = with_a_jar(tale.studio(), 3.0);
    let said = answer(&studio, "jar");
    let said = warning(&said).unwrap();
    assert!(
        said.contains("planter, which stood dry on it") && said.contains("3 days ago"),
        "{said}"
    );
    assert!(said.contains("set its zero again"), "{said}");
    assert_eq!(warning(&answer(&studio, "planter")), None, "it stands there no more");
    // Not for ever, and not after a calibration.
    assert_eq!(warning(&answer(&with_a_jar(tale.studio(), 31.0), "jar")), None);
    let mut calibrated = studio.clone();
    calibrated.cells.get_mut(CELL).unwrap().calibrated = Some(BEGINS);
    let said = answer(&calibrated, "jar");
    assert!(warning(&said).unwrap().contains("`calibrate cell-1`"), "{said:?}");
    calibrated.cells.get_mut(CELL).unwrap().calibrated = Some(studio.at.plus(-DAY));
    assert_eq!(warning(&answer(&calibrated, "jar")), None);
}

/// A damp pot loses weight, and so does one on a cell that is noted to be empty; without a sensor
/// nobody knows how a pot breathes: none of them is a witness.
#[test]
fn whoever_may_change_by_itself_is_no_witness() {
    let tale = Tale { seed: 5, drift: 0.0, days: [0.0, 20.0, 0.0] };
    let young = Tale { days: [0.0, 4.0, 0.0], ..tale }.studio();
    assert_eq!(believed_of(&young), None);
    let mut wrapped = Tale { drift: -1.5, ..tale }.studio();
    let cover = Action::Cover(Cover::Wrapped);
    let row = HandlingRow { time: BEGINS.plus(6.0 * DAY), pot: "planter".into(), action: cover };
    wrapped.handling.get_mut("planter").unwrap().push(row);
    assert_eq!(believed_of(&wrapped), None);
    let mut unheard = Tale { drift: -1.5, ..tale }.studio();
    unheard.air.clear();
    assert_eq!(believed_of(&unheard), None);
    let mut unnoted = tale.studio();
    let weights = unnoted.weighings.remove("planter").unwrap();
    unnoted.handling.clear();
    unnoted.cells.insert(CELL.into(), Known { calibrated: None, idle: weights.0 });
    assert_eq!(believed_of(&unnoted), None);
}

/// Something put down on an empty cell is no drift.
#[test]
fn a_thing_put_down_on_an_empty_cell_is_no_drift() {
    let mut studio = Tale { seed: 8, drift: 0.0, days: [24.0, 0.5, 0.0] }.studio();
    for point in &mut studio.cells.get_mut(CELL).unwrap().idle {
        let days = point.time.since(BEGINS) / DAY;
        point.value += if days > 8.2 { 40.0 } else { 0.0 } + if days > 8.9 { 15.0 } else { 0.0 };
    }
    let found = believed_of(&studio).unwrap();
    assert!(!found.is_told() && found.from.since(BEGINS) > 8.5 * DAY, "{found:?}");
}

/// The whole way: readings in the store, and what `checkup` says of them.
#[test]
fn checkup_names_a_cell_that_drifts_and_leaves_a_still_one_alone() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(folder.path()).unwrap();
    let began = warecast::clock::now().plus(-14.0 * DAY);
    let idle = |seed, drift| {
        let studio = Tale { seed, drift, days: [14.0, 0.5, 0.0] }.studio();
        (studio.cells[CELL].idle.clone(), studio.air[""].clone())
    };
    let reading = |source: &str, quantity, point: &Point| Reading {
        time: began.plus(point.time.since(BEGINS)),
        source: source.into(),
        quantity,
        value: point.value,
        pot: None,
        count: None,
        spread: None,
    };
    let of = |source: &str, quantity, points: &[Point]| -> Vec<Reading> {
        let past = points.iter().filter(|p| p.time.since(BEGINS) < 14.0 * DAY);
        past.map(|p| reading(source, quantity, p)).collect()
    };
    let (still, air) = idle(1, 0.0);
    for (source, quantity, points) in [
        ("cell-still", Quantity::Mass, &still),
        ("cell-down", Quantity::Mass, &idle(2, -1.0).0),
        ("room", Quantity::Temperature, &air.temperature),
        ("room", Quantity::Humidity, &air.humidity),
    ] {
        store.append(&of(source, quantity, points), Clash::Refuse).unwrap();
    }
    drop(store);
    let said = Command::new(env!("CARGO_BIN_EXE_warecast"))
        .args(["--studio".as_ref(), folder.path().as_os_str()])
        .args(["checkup", "--json", "--listen", "0"])
        .output()
        .unwrap();
    let said: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    let of = |cell: &str| {
        let all = said["findings"].as_array().unwrap().iter();
        let mut its = all.filter(|finding| finding["names"][0] == cell);
        its.next().unwrap_or_else(|| panic!("{said:#}")).clone()
    };
    assert_eq!(of("cell-still")["code"], "fine");
    let down = of("cell-down");
    assert_eq!(down["code"], "drifts");
    let text = down["text"].as_str().unwrap();
    assert!(text.contains("empty for 14 days, it seems to lose"), "{text}");
}
