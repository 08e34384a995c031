//! Studios of any content go out to files and come back unchanged; files of any content are read
//! without a panic, and what is good in them is kept.

mod studio_files;

use proptest::prelude::*;
use std::fs;
use studio_files::{
    AIR, BLENDS, CALIBRATIONS, COMPARISONS, COUNTS, HANDLING, KILN, LENIENT, READINGS, SAMPLES,
    ZERO_DRIFTS, empty, folder, take, with_bowl,
};
use warecast::records::{
    Action, Allotment, Blend, Body, Cover, Drying, HandlingRow, Ingredient, Outcome, Pot, Quantity,
    Reading, Sample, Verdict,
};
use warecast::store::files;
use warecast::store::{Clash, Store};
use warecast::units::Time;

/// Names with all that CSV has to quote, and letters of any script.
fn name() -> impl Strategy<Value = String> {
    "[a-z\"',;:.é字Ω_#][a-z\"',;:.é字Ω_=+@ -]{0,12}[a-z\"',;:.é字Ω_]"
}

/// Any number within a range, most of them with all their digits.
fn number(range: std::ops::Range<f64>) -> BoxedStrategy<f64> {
    let (low, high) = (range.start, range.end);
    prop_oneof![
        range.clone(),
        range.prop_map(move |v| ((v * 10.0).round() / 10.0).clamp(low, high)),
        Just(low),
        Just((low + f64::MIN_POSITIVE).min(high)),
    ]
    .boxed()
}

fn time() -> impl Strategy<Value = Time> {
    prop_oneof![
        (0..=Time::MAX.0).prop_map(Time),
        (1_932_883_200..1_932_983_200i64).prop_map(|s| Time(s * 1_000_000)),
    ]
}

fn body() -> impl Strategy<Value = Body> {
    let fraction = || prop::option::of(number(0.0..0.999));
    (name(), fraction(), fraction(), fraction()).prop_map(|(name, bag_water_wet, a, b)| Body {
        name,
        bag_water_wet,
        trim_from_dry: a.zip(b).map(|(a, b)| a.max(b)).or(a),
        trim_to_dry: a.zip(b).map(|(a, b)| a.min(b)).or(b),
    })
}

fn pot(bodies: Vec<String>) -> impl Strategy<Value = Pot> {
    let size = || prop::option::of(number(1e-9..1e6));
    let thickness = || prop::option::of(number(1.0..200.0));
    let some_name = || prop::option::of(name());
    (
        (name(), prop::sample::select(bodies), time()),
        (size(), prop::option::of(number(-1e9..1e9)), thickness(), thickness()),
        (some_name(), some_name(), some_name(), some_name()),
    )
        .prop_map(|((name, body, made_at), (ball_g, tare_g, wall_mm, base_mm), names)| {
            let (lot, board, like, place) = names;
            let like = like.filter(|like| *like != name);
            Pot { name, body, made_at, ball_g, tare_g, wall_mm, base_mm, lot, board, like, place }
        })
}

fn action() -> impl Strategy<Value = Action> {
    prop_oneof![
        name().prop_map(Action::On),
        Just(Action::Off),
        number(-1e9..1e9).prop_map(Action::Tare),
        prop::sample::select(Cover::ALL.to_vec()).prop_map(Action::Cover),
        Just(Action::Flip),
        name().prop_map(Action::Move),
        Just(Action::Trim),
        prop::option::of(number(0.0..1e6)).prop_map(Action::Attach),
        Just(Action::Sponge),
        Just(Action::Wet),
        prop::sample::select(vec![Verdict::Soft, Verdict::Right, Verdict::Stiff])
            .prop_map(Action::Verdict),
        number(1e-6..1e4).prop_map(Action::Length),
        prop::sample::select(vec![Outcome::Sound, Outcome::CrackedCooling, Outcome::Burst])
            .prop_map(Action::Outcome),
        Just(Action::Kiln),
        prop::option::of(name()).prop_map(Action::Lost),
    ]
}

fn handling(pots: Vec<String>) -> impl Strategy<Value = HandlingRow> {
    (time(), prop::sample::select(pots), action()).prop_map(|(time, pot, action)| HandlingRow {
        time,
        pot,
        action,
    })
}

fn reading(pots: Vec<String>) -> impl Strategy<Value = Reading> {
    let said = prop_oneof![
        number(-1e9..1e9).prop_map(|v| (Quantity::Mass, v)),
        number(-60.0..120.0).prop_map(|v| (Quantity::Temperature, v)),
        number(0.0..1.1).prop_map(|v| (Quantity::Humidity, v)),
    ];
    let source = prop_oneof![name(), Just("room".to_owned()), Just("cell".to_owned())];
    let pot = prop::option::of(prop::sample::select(pots));
    let reduced = (prop::option::of(1..=u32::MAX), prop::option::of(number(0.0..1e3)));
    (time(), source, said, pot, reduced).prop_map(
        |(time, source, (quantity, value), pot, (count, spread))| Reading {
            time,
            source,
            quantity,
            value,
            pot,
            count,
            spread,
        },
    )
}

fn sample(bodies: Vec<String>) -> impl Strategy<Value = Sample> {
    let of = (time(), name(), prop::sample::select(bodies), prop::option::of(name()));
    let mass = (number(1e-9..1e6), prop::option::of(0.0..0.999));
    let air = (prop::option::of(number(0.0..1.1)), prop::option::of(number(1e-9..1e3)));
    let drying = prop::sample::select(Drying::ALL.to_vec());
    (of, drying, mass, air).prop_map(
        |((time, sample, body, lot), drying, (mass_g, dish), (humidity, step_g))| Sample {
            time,
            sample,
            body,
            lot,
            drying,
            mass_g,
            tare_g: dish.map(|share| share * mass_g).filter(|tare| *tare < mass_g),
            humidity: humidity.filter(|_| drying != Drying::Oven),
            step_g,
        },
    )
}

/// Bodies of those that stand later in the list, so that none is a part of itself.
fn blend(bodies: Vec<String>) -> impl Strategy<Value = Blend> {
    (0..bodies.len(), 0..bodies.len(), name(), number(1e-9..1e6)).prop_map(
        move |(i, j, addition, mass_g)| {
            let (kind, name) = match bodies[i.max(j)] != bodies[i.min(j)] {
                true => (Ingredient::Part, bodies[i.max(j)].clone()),
                false => (Ingredient::Addition, addition),
            };
            Blend { body: bodies[i.min(j)].clone(), kind, name, mass_g }
        },
    )
}

/// Pots that are there or are not, by treatments of any name.
fn allotment() -> impl Strategy<Value = Allotment> {
    let number = || prop::option::of(1..u32::MAX);
    (name(), name(), name(), number(), number(), any::<u32>(), time()).prop_map(
        |(comparison, pot, treatment, rank, pair, seed, drawn_at)| {
            let rank = rank.unwrap_or(1);
            Allotment { comparison, pot, treatment, rank, pair, seed, drawn_at }
        },
    )
}

#[derive(Debug)]
struct Rows {
    bodies: Vec<Body>,
    pots: Vec<Pot>,
    handling: Vec<HandlingRow>,
    readings: Vec<Reading>,
    samples: Vec<Sample>,
    blends: Vec<Blend>,
    comparisons: Vec<Allotment>,
}

fn rows() -> impl Strategy<Value = Rows> {
    prop::collection::vec(body(), 1..4)
        .prop_flat_map(|bodies| {
            let mut names: Vec<String> = bodies.iter().map(|b| b.name.clone()).collect();
            names.sort();
            names.dedup();
            let samples = prop::collection::vec(sample(names.clone()), 0..8);
            let blends = prop::collection::vec(blend(names.clone()), 0..5);
            (Just(bodies), prop::collection::vec(pot(names), 1..5), samples, blends)
        })
        .prop_flat_map(|(bodies, pots, samples, blends)| {
            let names: Vec<String> = pots.iter().map(|p| p.name.clone()).collect();
            let handling = prop::collection::vec(handling(names.clone()), 0..20);
            let readings = prop::collection::vec(reading(names), 0..40);
            let comparisons = prop::collection::vec(allotment(), 0..6);
            (Just((bodies, pots, samples, blends)), handling, readings, comparisons)
        })
        .prop_map(|((bodies, pots, samples, blends), handling, readings, comparisons)| Rows {
            comparisons,
            bodies,
            pots,
            handling,
            readings,
            samples,
            blends,
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn any_studio_comes_back_bit_for_bit(rows in rows()) {
        let (_dir, mut store) = empty();
        store.put_bodies(&rows.bodies, Clash::Replace).unwrap();
        store.put_pots(&rows.pots, Clash::Replace).unwrap();
        store.put_handling(&rows.handling, Clash::Replace).unwrap();
        let stored = store.append(&rows.readings, Clash::Replace).unwrap();
        prop_assert_eq!(stored.refused, Vec::<usize>::new());
        store.put_samples(&rows.samples, Clash::Replace).unwrap();
        store.put_blends(&rows.blends, Clash::Replace).unwrap();
        for one in &rows.comparisons {
            store.put_comparison(std::slice::from_ref(one), Clash::Replace).unwrap();
        }
        let out = tempfile::tempdir().unwrap();
        files::export(&store, out.path(), false).unwrap();

        let (_dir2, mut other) = empty();
        let (imported, told) = take(&mut other, out.path(), LENIENT);
        // Siblings that are not there and odd bags are told of, and kept.
        prop_assert!(!imported.any_refused(), "{:?}", told);
        prop_assert_eq!(other.bodies().unwrap(), store.bodies().unwrap());
        prop_assert_eq!(other.pots().unwrap(), store.pots().unwrap());
        prop_assert_eq!(other.handling().unwrap(), store.handling().unwrap());
        prop_assert_eq!(other.allotments().unwrap(), store.allotments().unwrap());
        let of_samples = rows.samples.iter().map(|row| row.time);
        let times = rows.handling.iter().map(|row| row.time).chain(of_samples).chain([Time::MAX]);
        for at in times {
            prop_assert_eq!(other.studio(at).unwrap(), store.studio(at).unwrap());
        }
        let again = tempfile::tempdir().unwrap();
        files::export(&other, again.path(), false).unwrap();
        for file in files::FILES {
            let read = |dir: &tempfile::TempDir| fs::read_to_string(dir.path().join(file)).unwrap();
            prop_assert_eq!(read(&out), read(&again));
        }
    }

    #[test]
    fn any_bytes_are_read_without_a_panic(
        texts in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..300), 12),
        with_header: bool,
    ) {
        let (_dir, mut store) = with_bowl();
        let headers = [
            "body\n", "pot,body,made_at\n", HANDLING, READINGS, SAMPLES, BLENDS, COUNTS,
            CALIBRATIONS, ZERO_DRIFTS, COMPARISONS, AIR, KILN,
        ];
        let files = tempfile::tempdir().unwrap();
        for ((file, header), noise) in files::FILES.iter().zip(headers).zip(&texts) {
            let header = if with_header { header } else { "" };
            let text = [header.as_bytes(), noise].concat();
            fs::write(files.path().join(file), text).unwrap();
        }
        let (imported, told) = take(&mut store, files.path(), LENIENT);
        prop_assert!(imported.kept);
        prop_assert!(!imported.any_refused() || !told.is_empty());
        store.studio(Time::MAX).unwrap();
    }

    #[test]
    fn a_spoilt_line_costs_no_other(
        spoilt in 0..6usize,
        noise in prop::collection::vec(prop_oneof![
            Just(b'"'), Just(b','), Just(b'\r'), any::<u8>()
        ], 0..60),
    ) {
        let (_dir, mut store) = with_bowl();
        let mut text = READINGS.as_bytes().to_vec();
        for i in 0..6 {
            if i == spoilt {
                text.extend(noise.iter().filter(|byte| **byte != b'\n'));
                text.push(b'\n');
            } else {
                text.extend(format!("2031-04-02T09:0{i}:00Z,cell,mass,{i},g,bowl,,\n").bytes());
            }
        }
        let files = folder(&[("readings.csv", &text)]);
        let (imported, told) = take(&mut store, files.path(), LENIENT);
        prop_assert_eq!(imported.files[0].1.added, 5, "{:?}", told);
        prop_assert_eq!(weighings(&store), 5);
    }
}

fn weighings(store: &Store) -> usize {
    store.studio(Time::MAX).unwrap().weighings["bowl"].0.len()
}
