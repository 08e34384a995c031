//! A studio whose record is long enough: its ranges are corrected by it, the report says so, and
//! what came later has no part in it.
//!
//! The pots are the simulator's, whose physics shares nothing with the estimator's; some of them
//! were thrown from another ball than was written down. Invented: says nothing about real pots.

mod bench;

use bench::Bench;
use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use warecast::answers::{self, Taught};
use warecast::core::correction::ENOUGH;
use warecast::core::hindsight;
use warecast::core::inference::lessons::Lessons;
use warecast::core::{assess_taught, lesson};
use warecast::simulate::pot::{ClayPot, Shape, Throwing};
use warecast::simulate::room::Room;
use warecast::simulate::scenario::COARSE;
use warecast::store::Store;
use warecast::units::{DAY, HOUR, Time};

/// 2021-04-01T08:00:00Z.
const BEGINS: Time = Time(1_617_264_000_000_000);
/// Pots, hours from one to the next, hours for which each is weighed, and how often, h.
const POTS: usize = 58;
const APART: usize = 8;
const WEIGHED: usize = 80;
const EVERY: usize = 2;
/// Steps of the shelf in an hour.
const STEPS: usize = 12;

/// When the last pot has been weighed for two hours; the others before it are dry by then, but for
/// the last few.
fn asked() -> Time {
    BEGINS.plus(((POTS - 1) * APART + 2) as f64 * HOUR)
}

/// `bodies.csv`, `pots.csv` and `readings.csv` with what came up to a time.
fn write(folder: &Path, until: Time) {
    fs::create_dir(folder).unwrap();
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(3);
    let mut room = Room::new(8.0 * HOUR, Xoshiro256PlusPlus::from_rng(&mut rng));
    let step = HOUR / STEPS as f64;
    let hours = POTS * APART + WEIGHED;
    let air: Vec<_> = (0..hours * STEPS).map(|_| room.step(step)).collect();
    let mut pots = "pot,body,made_at,ball_g,wall_mm,base_mm\n".to_string();
    let mut readings = "time,source,quantity,value,unit,pot\n".to_string();
    let at = |hour: usize| BEGINS.plus(hour as f64 * HOUR);
    for hour in (1..hours).filter(|hour| at(*hour) <= until) {
        let (time, air) = (at(hour), &air[hour * STEPS - 1]);
        let _ = writeln!(readings, "{time},room,temperature,{:.2},Cel,", air.celsius);
        let _ = writeln!(readings, "{time},room,humidity,{:.2},%RH,", 100.0 * air.humidity());
    }
    for n in 0..POTS {
        let made = n * APART;
        let mut shape = Shape {
            ball_g: 300.0 + 20.0 * (n % 4) as f64,
            wall_mm: 4.0,
            base_mm: 4.0,
            base_share: 0.25,
            inside: 0.8,
            height: 0.06,
        };
        let written = shape.ball_g;
        shape.ball_g *= rng.random_range(0.95..1.05);
        let throwing = Throwing { slip: rng.random_range(0.02..0.04), water: 0.01 };
        let mut pot = ClayPot::thrown(COARSE, shape, throwing, rng.random_range(0.85..1.15));
        if at(made) <= until {
            let _ = writeln!(pots, "cup-{n:02},dune,{},{written:.0},4,4", at(made));
        }
        for hour in made..made + WEIGHED {
            for air in &air[hour * STEPS..(hour + 1) * STEPS] {
                pot.step(step, air);
            }
            let due = (hour + 1 - made).is_multiple_of(EVERY) && at(hour + 1) <= until;
            if due {
                let (time, g) = (at(hour + 1), pot.truth().mass_g);
                let _ = writeln!(readings, "{time},bench,mass,{g:.1},g,cup-{n:02}");
            }
        }
    }
    let bodies =
        "body,bag_water_wet_percent,trim_from_dry_percent,trim_to_dry_percent\ndune,20.5,21.5,15\n";
    for (name, text) in [("bodies", bodies), ("pots", &pots), ("readings", &readings)] {
        fs::write(folder.join(format!("{name}.csv")), text).unwrap();
    }
}

fn studio(until: Time) -> Bench {
    let bench = Bench::new();
    let folder = bench.0.path().join("in");
    write(&folder, until);
    let said = bench.run(&["import", folder.to_str().unwrap()]);
    assert_eq!(said.status, 0, "{}", said.err);
    bench
}

fn report(bench: &Bench, more: &[&str]) -> String {
    bench.done(&[&["report", "--at", &asked().to_string()], more].concat())
}

#[test]
fn ranges_are_corrected_by_what_was_known_and_the_report_says_so() {
    let bench = studio(Time::MAX);
    let text = report(&bench, &["--json"]);
    let json: Value = serde_json::from_str(&text).unwrap();
    let factor = |kind: &str| json["correction"][kind]["factor"].as_f64().unwrap();
    let pots = ["window", "bone_dry", "water"].map(|kind| {
        let pots = json["correction"][kind]["pots"].as_u64().unwrap();
        assert!(pots >= ENOUGH as u64 || factor(kind) == 1.0, "{kind}: {pots}");
        pots
    });
    let pots = pots.into_iter().max().unwrap();
    assert!((ENOUGH as u64..POTS as u64).contains(&pots), "{}", json["correction"]);
    assert!(factor("window") != 1.0, "{}", json["correction"]);
    let page = report(&bench, &[]).split_whitespace().collect::<Vec<_>>().join(" ");
    let said = format!("Ranges corrected by the studio's own record of {pots} finished pots:");
    assert!(page.contains(&said) && page.contains("times as wide"), "{page}");

    // All of it follows from the studio as of then, in which nothing is of what came later: one
    // that never heard of that is the same.
    let known = Store::open(&bench.dir()).unwrap().studio(asked()).unwrap();
    let earlier = studio(asked());
    assert_eq!(Store::open(&earlier.dir()).unwrap().studio(asked()).unwrap(), known);

    // What is told is what the fit says, stretched about its middle.
    let lessons = answers::lessons(&known);
    let (pot, now) = (format!("cup-{:02}", POTS - 1), asked());
    let plain = assess_taught(&known, &lessons, &pot).unwrap();
    let mut told = BTreeMap::new();
    for answer in json["pots"].as_array().unwrap() {
        told.insert(answer["pot"].as_str().unwrap(), answer);
    }
    let told = told[pot.as_str()];
    for (kind, said, told) in [
        ("window", plain.trim.closes, &told["trim"]["closes"]),
        ("bone_dry", plain.fire.bone_dry, &told["fire"]["bone_dry"]),
    ] {
        let time = |p: &str| Time::parse_rfc3339(told[p].as_str().unwrap()).unwrap();
        let middle = said.p50.unwrap();
        assert_eq!(time("p50"), middle, "{kind}");
        for (p, end) in [("p10", said.p10.unwrap()), ("p90", said.p90.unwrap())] {
            assert!(end > now, "{kind} {p}");
            let want = (factor(kind) * end.since(middle)).max(now.since(middle));
            assert!((time(p).since(middle) - want).abs() <= 1.0, "{kind} {p}");
        }
    }
    let water = |p: &str| told["water"]["now"][p].as_f64().unwrap();
    let said = plain.water.now;
    let width = factor("water") * (said.p90 - said.p10);
    assert!((water("p90") - water("p10") - width).abs() < 1e-9);
    assert!((water("p50") - said.p50).abs() < 1e-9);

    // The scorecard names the same correction.
    let card = bench.done(&["scorecard", "--last", "1", "--json", "--at", &now.to_string()]);
    let card: Value = serde_json::from_str(&card).unwrap();
    assert_eq!(card["correction"], json["correction"]);
}

#[test]
fn with_fewer_finished_pots_nothing_is_corrected() {
    // Two thirds of the pots are dry.
    let then = BEGINS.plus((POTS * APART * 2 / 3) as f64 * HOUR);
    let bench = studio(then);
    let known = Store::open(&bench.dir()).unwrap().studio(then).unwrap();
    let taught = Taught::new(&known);
    assert!(!taught.corrections.is_made());
    let report = answers::report(&known);
    assert_eq!(report.correction, None);
    for answer in report.pots.iter().take(5) {
        assert_eq!(Some(answer), assess_taught(&known, &taught.lessons, &answer.pot).as_ref());
    }
}

/// A pot of then out of the studio of now is that of the store as of then; and its lesson is what
/// it is now from when it was weighed for the last time.
#[test]
fn the_studio_of_then_is_the_stores() {
    let bench = studio(asked());
    let store = Store::open(&bench.dir()).unwrap();
    let now = store.studio(asked()).unwrap();
    let nothing = Lessons::default();
    for (pot, hours) in [("cup-03", 3.5), ("cup-03", 50.0), ("cup-20", 12.0), ("cup-44", 2.5)] {
        let then = now.pots[pot].made_at.plus(hours * HOUR);
        let stored = store.studio_of(then, &[pot.into()]).unwrap();
        let cut = hindsight::then(&now, pot, then);
        assert_eq!(cut.weighings.get(pot), stored.weighings.get(pot), "{pot}");
        // Of the air what counts for the pot: a week of it before it was made, and all since.
        let from = now.pots[pot].made_at.plus(-7.0 * DAY);
        for (place, air) in cut.air.iter() {
            let whole = &stored.air[place];
            for (part, all) in
                [(&air.temperature, &whole.temperature), (&air.humidity, &whole.humidity)]
            {
                assert!(all.ends_with(part) && !part.is_empty(), "{pot}");
                assert!(all[..all.len() - part.len()].iter().all(|p| p.time < from), "{pot}");
            }
        }
        assert_eq!(
            assess_taught(&cut, &nothing, pot).unwrap(),
            assess_taught(&stored, &nothing, pot).unwrap()
        );
    }
    for pot in ["cup-02", "cup-03"] {
        let settled = hindsight::settled(&now, pot).unwrap();
        let last = now.weighings[pot].0.last().unwrap().time;
        assert!(settled > last && settled < asked(), "{pot}");
        let learnt = lesson(&now, pot).unwrap();
        assert_eq!(lesson(&hindsight::then(&now, pot, settled), pot).unwrap(), learnt);
        let before = now.pots[pot].made_at.plus(5.0 * HOUR);
        assert_eq!(lesson(&hindsight::then(&now, pot, before), pot), None);
    }
}
