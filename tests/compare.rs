//! `compare` on made-up shelves of which the truth is known, and through the real binary.
//!
//! The truth is the shelf's own physics (diffusion in slabs, heat balance), which shares nothing
//! with the estimator's: each pot goes through the same air twice, once under each treatment, and
//! the mean of its two times is what a comparison of such pots is after. Simulated: says nothing
//! about real pots.

#[path = "daemon/bench.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod bench;

use bench::{output, run};
use proptest::prelude::*;
use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use serde_json::Value;
use std::collections::BTreeMap;
use warecast::answers::compare::{Compared, Member, compare};
use warecast::core::compare::design::{blocks, dealt, dealt_in_blocks};
use warecast::core::compare::plain::{self, Known, Seen};
use warecast::core::compare::{Answer, Finding, Question, pooled};
use warecast::core::room::Climate;
use warecast::records::{
    Action, Air, Allotment, Body, Cover, HandlingRow, Name, Outcome, Point, Pot, Quantity, Reading,
    Studio, Weighings,
};
use warecast::simulate::pot::{ClayPot, Shape, Throwing};
use warecast::simulate::room::Room;
use warecast::simulate::scale::{RoomSensor, bench as shown};
use warecast::simulate::scenario::FINE;
use warecast::simulate::surface::{RoomAir, saturation_pressure};
use warecast::store::Clash;
use warecast::units::{DAY, HOUR, Time};

/// Monday 31 March 2031, midnight UTC.
const MONDAY: Time = Time(1_932_681_600_000_000);
const STEP: f64 = 300.0;
/// Hours of the day at which all pots are weighed.
const WEIGHED: [f64; 4] = [8.0, 12.0, 16.0, 20.0];
/// The body's trimming band.
const BAND: (f64, f64) = (0.235, 0.165);

/// A made-up comparison: jars of one body, by two treatments.
struct Trial {
    studio: Studio,
    members: Vec<Member>,
    /// Mean ln of the ratio of the times to leather-hard, second treatment over first, of the very
    /// pots in the very air.
    truth: f64,
    /// The pots as they came off the wheel.
    fresh: Vec<ClayPot>,
    covers: Covers,
}

/// A pot on the shelf.
struct OnShelf {
    /// When it came off the wheel, s since Monday.
    at: f64,
    treatment: usize,
    /// As it is treated, and as the other treatment would have had it: by treatment.
    twins: [ClayPot; 2],
    /// When each was leather-hard, s since the wheel.
    opens: [Option<f64>; 2],
}

/// How the two treatments are kept from an hour after the wheel on.
type Covers = [Cover; 2];

/// When each pot comes off the wheel, s since Monday.
type Made = fn(usize, usize) -> f64;

/// All on Monday from ten on, a quarter of an hour each.
fn one_morning(number: usize, _: usize) -> f64 {
    10.0 * HOUR + 900.0 * number as f64
}

fn trial(seed: u64, pots: usize, covers: Covers, days: f64, made: Made, paired: bool) -> Trial {
    in_air(seed, pots, covers, days, made, paired, |_| 0.55)
}

/// In a room whose air is as damp as that, in the mean.
fn in_air(
    seed: u64,
    pots: usize,
    covers: Covers,
    days: f64,
    made: Made,
    paired: bool,
    damp: fn(f64) -> f64,
) -> Trial {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut room = Room::new(0.0, Xoshiro256PlusPlus::from_rng(&mut rng));
    let mut sensor = RoomSensor::new(Xoshiro256PlusPlus::from_rng(&mut rng));
    let names: Vec<Name> = (1..=pots).map(|i| format!("jar-{i:02}")).collect();
    let members: Vec<Member> = match paired {
        true => dealt_in_blocks(&names.chunks(2).map(<[Name]>::to_vec).collect::<Vec<_>>(), seed)
            .into_iter()
            .map(|(pot, t, block)| (pot, t, Some(block as u32 + 1)))
            .collect(),
        false => dealt(&names, 2, seed).into_iter().map(|(pot, t)| (pot, t, None)).collect(),
    };
    let body = Body {
        name: "tide".into(),
        bag_water_wet: Some(FINE.bag_water),
        trim_from_dry: Some(BAND.0),
        trim_to_dry: Some(BAND.1),
    };
    let mut studio = Studio {
        at: MONDAY.plus(days * DAY),
        bodies: [("tide".into(), body)].into(),
        ..Studio::default()
    };
    let mut fresh = Vec::new();
    let mut shelf: Vec<OnShelf> = Vec::new();
    for (number, (name, treatment, _)) in members.iter().enumerate() {
        let at = made(number, *treatment);
        let ball_g = rng.random_range(700.0..900.0_f64).round();
        let mut off = || 1.0 + rng.random_range(-0.06..0.06);
        let shape = Shape {
            ball_g,
            wall_mm: 6.0 * off(),
            base_mm: 8.0 * off(),
            base_share: 0.25 * off(),
            inside: 0.45,
            height: 0.13,
        };
        let throwing = Throwing { slip: rng.random_range(0.015..0.05), water: 0.01 };
        let truth = ClayPot::thrown(FINE, shape, throwing, rng.random_range(0.87..1.15));
        fresh.push(truth.clone());
        let twins = [truth.clone(), truth];
        shelf.push(OnShelf { at, treatment: *treatment, twins, opens: [None; 2] });
        let made_at = MONDAY.plus(at);
        let pot = Pot {
            ball_g: Some(ball_g),
            wall_mm: Some(6.0),
            base_mm: Some(8.0),
            ..Pot::bare(name, "tide", made_at)
        };
        studio.pots.insert(name.clone(), pot);
        studio.weighings.insert(name.clone(), Weighings::default());
        let (time, action) = (made_at.plus(HOUR), Action::Cover(covers[*treatment]));
        let row = HandlingRow { time, pot: name.clone(), action };
        studio.handling.insert(name.clone(), vec![row]);
    }
    let mut air = Air::default();
    let mut t = 0.0;
    while t < days * DAY {
        t += STEP;
        let mut now = room.step(STEP);
        let usual = saturation_pressure(now.celsius);
        now.vapour = (now.vapour + (damp(t) - 0.55) * usual).clamp(0.1 * usual, 0.95 * usual);
        if t % (2.0 * STEP) == 0.0 {
            let (celsius, humidity) = sensor.read(&now);
            let time = MONDAY.plus(t);
            air.temperature.push(Point { time, value: celsius });
            air.humidity.push(Point { time, value: humidity / 100.0 });
        }
        let hour = (t % DAY) / HOUR;
        for (OnShelf { at, treatment, twins, opens }, (name, ..)) in shelf.iter_mut().zip(&members)
        {
            if t < *at {
                continue;
            }
            if t - *at >= HOUR && t - *at < HOUR + STEP {
                twins[0].cover(covers[0]);
                twins[1].cover(covers[1]);
            }
            for (twin, opens) in twins.iter_mut().zip(opens.iter_mut()) {
                twin.step(STEP, &now);
                if twin.truth().water <= BAND.0 && opens.is_none() {
                    *opens = Some(t - *at);
                }
            }
            let fresh = t - *at < STEP;
            if fresh || WEIGHED.contains(&hour) {
                let value = shown(twins[*treatment].truth().mass_g);
                let point = Point { time: MONDAY.plus(t), value };
                studio.weighings.get_mut(name).unwrap().0.push(point);
            }
        }
    }
    studio.air.insert(Name::new(), air);
    let ratios: Vec<f64> =
        shelf.iter().filter_map(|pot| Some((pot.opens[1]? / pot.opens[0]?).ln())).collect();
    let truth = ratios.iter().sum::<f64>() / ratios.len() as f64;
    Trial { studio, members, truth, fresh, covers }
}

impl Trial {
    fn compared(&self) -> Compared {
        compare(&self.studio, &self.members, 2, 0.95, &|| ())
    }

    /// Mean ln of the ratio of the rates in steady air, second treatment over first.
    fn rate_in(&self, air: Climate) -> f64 {
        let air = RoomAir::still(air.temperature, air.humidity);
        let time = |pot: &ClayPot, cover: Cover| {
            let (mut pot, mut t) = (pot.clone(), 0.0);
            while pot.truth().water > BAND.0 && t < 60.0 * DAY {
                if t == HOUR {
                    pot.cover(cover);
                }
                pot.step(STEP, &air);
                t += STEP;
            }
            t.ln()
        };
        let ratio = |pot: &ClayPot| time(pot, self.covers[0]) - time(pot, self.covers[1]);
        self.fresh.iter().map(ratio).sum::<f64>() / self.fresh.len() as f64
    }
}

fn answer(compared: &Compared, question: Question) -> Answer {
    let all = &compared.outcome.answers;
    all.iter().find(|answer| answer.question == question).unwrap().clone()
}

/// Plastic against open air: found, with the truth inside, by both answers; and no claim about what
/// does not differ.
#[test]
fn plastic_is_told_from_open_air() {
    let trial = trial(5, 8, [Cover::Open, Cover::Draped], 7.0, one_morning, true);
    assert!(trial.truth > 0.4, "{}", trial.truth);
    let compared = trial.compared();
    let longer = answer(&compared, Question::LeatherHard);
    assert_eq!((longer.finding(0.95), longer.pairs), (Finding::More, Some(4)));
    for effect in [longer.plain.unwrap(), longer.model.unwrap()] {
        assert!(effect.low < trial.truth && trial.truth < effect.high, "{effect:?}");
    }
    let rate = answer(&compared, Question::Rate);
    assert_eq!(rate.finding(0.95), Finding::Less);
    let truth = trial.rate_in(compared.air);
    let model = rate.model.unwrap();
    assert!(model.low < truth && truth < model.high, "{model:?} {truth}");
}

/// Pots that are thrown on different days find different air: their times differ, and in the same
/// air they do not. Of six intervals of 95 % two or more miss once in thirty runs.
#[test]
fn a_wet_day_does_not_decide() {
    let days: Made =
        |number, treatment| 10.0 * HOUR + 3.0 * DAY * treatment as f64 + 900.0 * number as f64;
    let mut held = 0;
    for seed in 11..17 {
        let damp = |t: f64| if t < 3.0 * DAY { 0.45 } else { 0.70 };
        let trial = in_air(seed, 12, [Cover::Open, Cover::Open], 7.0, days, false, damp);
        let compared = trial.compared();
        let times = answer(&compared, Question::LeatherHard).plain.unwrap();
        assert!(times.low > 0.1, "{times:?}");
        let Answer { plain, model, .. } = answer(&compared, Question::Rate);
        // Damp air slows clay down more than the open water by which the plain answer goes.
        let (plain, model) = (plain.unwrap(), model.unwrap());
        assert!(plain.value.abs() < 0.6 * times.value, "{plain:?} {times:?}");
        assert!(model.value.abs() < 0.3 * times.value, "{model:?} {times:?}");
        held += u32::from(model.low < 0.0 && model.high > 0.0);
    }
    assert!(held >= 5, "{held} of 6 hold no difference");
}

/// Pots that are not there yet count as far as they were seen: never as if they had arrived.
#[test]
fn pots_that_are_not_dry_yet_are_no_dry_ones() {
    let trial = trial(7, 8, [Cover::Open, Cover::Wrapped], 2.2, one_morning, false);
    let compared = trial.compared();
    let longer = answer(&compared, Question::LeatherHard);
    assert!(longer.bounds > 0 && longer.log_rank.is_some(), "{longer:?}");
    let plain = longer.plain.unwrap();
    assert!(plain.high.is_infinite() && plain.low > 0.0, "{plain:?}");
    let dry = answer(&compared, Question::BoneDry);
    assert!(dry.plain.is_none() || dry.plain.unwrap().high.is_infinite(), "{dry:?}");
}

/// Of many trials without a difference few find one, and of many with one the intervals hold it.
/// Figures of a run stand in `tests/compare-figures.txt`.
///
/// ```text
/// cargo test --test compare -- --ignored --nocapture
/// ```
#[test]
#[ignore = "some minutes"]
fn intervals_hold_what_they_promise() {
    const TRIALS: u64 = 20;
    let mut held: BTreeMap<&str, [u32; 2]> = BTreeMap::new();
    for seed in 0..TRIALS {
        for (what, covers) in [
            ("no difference", [Cover::Open, Cover::Open]),
            ("draped", [Cover::Open, Cover::Draped]),
        ] {
            let trial = trial(100 + seed, 8, covers, 5.0, one_morning, true);
            let compared = trial.compared();
            let rate = answer(&compared, Question::Rate);
            let longer = answer(&compared, Question::LeatherHard);
            let in_steady_air = trial.rate_in(compared.air);
            for (name, effect, truth) in [
                ("plain time", longer.plain, trial.truth),
                ("model's time", longer.model, trial.truth),
                ("plain rate", rate.plain, in_steady_air),
                ("model's rate", rate.model, in_steady_air),
            ] {
                let effect = effect.unwrap();
                let key = Box::leak(format!("{what}: {name}").into_boxed_str());
                let count = held.entry(key).or_default();
                count[0] += u32::from(effect.low <= truth && truth <= effect.high);
                count[1] += u32::from(effect.p <= 0.05);
            }
        }
    }
    for (what, [held, found]) in &held {
        println!("{what}: {held} of {TRIALS} intervals hold the truth, {found} differences found");
    }
    // 20 trials at 95 %: fewer than 16 would come by chance once in 400.
    assert!(held.values().all(|[held, _]| *held >= 16), "{held:?}");
}

proptest! {
    /// What is dealt is everybody once, as evenly as can be, and the same from the same seed.
    #[test]
    fn dealing_is_fair(pots in 2usize..40, treatments in 2usize..6, seed: u64) {
        let names: Vec<Name> = (0..pots).map(|i| format!("pot-{i}")).collect();
        let all = dealt(&names, treatments, seed);
        prop_assert_eq!(&all, &dealt(&names, treatments, seed));
        let count = |t: usize| all.iter().filter(|(_, of)| *of == t).count();
        let counts: Vec<usize> = (0..treatments).map(count).collect();
        prop_assert_eq!(counts.iter().sum::<usize>(), pots);
        prop_assert!(counts.iter().max().unwrap() - counts.iter().min().unwrap() <= 1);
        let pots: Vec<Pot> = names
            .iter()
            .enumerate()
            .map(|(i, name)| Pot {
                ball_g: Some(300.0 + (seed.rotate_left(i as u32) % 700) as f64),
                ..Pot::bare(name, "tide", Time(0))
            })
            .collect();
        let (blocks, left) = blocks(&pots.iter().collect::<Vec<_>>(), treatments);
        prop_assert_eq!(left.len(), pots.len() % treatments);
        for (block, members) in blocks.iter().zip(0..) {
            let mut got: Vec<usize> = dealt_in_blocks(&blocks, seed)
                .into_iter()
                .filter(|(_, _, of)| *of == members)
                .map(|(_, t, _)| t)
                .collect();
            got.sort_unstable();
            prop_assert_eq!(got, (0..block.len()).collect::<Vec<_>>());
        }
    }

    /// Turned round, every effect is its own negative; stretched, it is stretched; and p is one.
    #[test]
    fn effects_turn_round(
        a in prop::collection::vec(1.0f64..9.0, 2..9),
        b in prop::collection::vec(1.0f64..9.0, 2..9),
        bounds in prop::collection::vec(any::<bool>(), 18),
    ) {
        let close = |x: f64, y: f64| x == y || (x - y).abs() < 1e-5 * (1.0 + x.abs());
        let check = |one: Option<plain::Effect>, other: Option<plain::Effect>| {
            let same = match (one, other.map(|e| e.negative())) {
                (Some(x), Some(y)) => {
                    close(x.value, y.value) && close(x.low, y.low) && close(x.high, y.high)
                        && close(x.p, y.p) && (0.0..=1.0).contains(&x.p) && x.low <= x.high
                }
                (x, y) => x.is_none() && y.is_none(),
            };
            assert!(same, "{one:?} {other:?}");
        };
        check(plain::welch(&a, &b, 0.95), plain::welch(&b, &a, 0.95));
        let seen = |of: &[f64], bounds: &[bool]| -> Vec<Seen> {
            let known = |b: bool| if b { Known::OrMore } else { Known::Exactly };
            let one = |(v, b): (&f64, &bool)| Seen { value: *v, known: known(*b) };
            of.iter().zip(bounds).map(one).collect()
        };
        let (x, y) = (seen(&a, &bounds), seen(&b, &bounds[9..]));
        check(plain::bounded(&x, &y, 0.95), plain::bounded(&y, &x, 0.95));
        let told = |of: &[f64]| -> Vec<(f64, f64)> { of.iter().map(|v| (*v, 0.1 * v)).collect() };
        let (a, b) = (told(&a), told(&b));
        check(pooled::groups(&a, &b, 0.95), pooled::groups(&b, &a, 0.95));
    }
}

/// The trial's studio on the disk.
fn stored(trial: &Trial) -> bench::Studio {
    let studio = bench::Studio::new();
    let mut store = studio.store();
    let bodies: Vec<Body> = trial.studio.bodies.values().cloned().collect();
    let pots: Vec<Pot> = trial.studio.pots.values().cloned().collect();
    let rows: Vec<HandlingRow> = trial.studio.handling.values().flatten().cloned().collect();
    store.put_bodies(&bodies, Clash::Refuse).unwrap();
    store.put_pots(&pots, Clash::Refuse).unwrap();
    store.put_handling(&rows, Clash::Refuse).unwrap();
    let mut readings = Vec::new();
    let mut put = |source: &str, quantity, point: &Point, pot: Option<&Name>| {
        readings.push(Reading {
            time: point.time,
            source: source.into(),
            quantity,
            value: point.value,
            pot: pot.cloned(),
            count: None,
            spread: None,
        });
    };
    for (name, all) in &trial.studio.weighings {
        all.0.iter().for_each(|point| put("bench", Quantity::Mass, point, Some(name)));
    }
    for (temperature, humidity) in
        trial.studio.air.values().flat_map(|air| air.temperature.iter().zip(&air.humidity))
    {
        put("room", Quantity::Temperature, temperature, None);
        put("room", Quantity::Humidity, humidity, None);
    }
    store.append(&readings, Clash::Refuse).unwrap();
    studio
}

#[track_caller]
fn refused(studio: &bench::Studio, args: &[&str]) -> String {
    let (status, out, errors) = output(studio, args);
    assert!(matches!(status, Some(1 | 2)), "{out}{errors}");
    assert_eq!(out, "");
    errors
}

/// Eight jars in four pairs, drawn under the name "plastic".
fn drawn() -> (bench::Studio, Trial) {
    let mut trial = trial(5, 8, [Cover::Open, Cover::Draped], 6.0, one_morning, true);
    let cracked = trial.members.iter().find(|m| m.1 == 0).unwrap().0.clone();
    let time = MONDAY.plus(5.9 * DAY);
    let action = Action::Outcome(Outcome::CrackedDrying);
    let row = HandlingRow { time, pot: cracked.clone(), action };
    trial.studio.handling.get_mut(&cracked).unwrap().push(row);
    let studio = stored(&trial);
    let row = |(pot, treatment, pair): &Member| Allotment {
        comparison: "plastic".into(),
        pot: pot.clone(),
        treatment: ["open", "draped"][*treatment].into(),
        rank: *treatment as u32 + 1,
        pair: *pair,
        seed: 5,
        drawn_at: MONDAY.plus(11.0 * HOUR),
    };
    let rows: Vec<Allotment> = trial.members.iter().map(row).collect();
    studio.store().put_comparison(&rows, Clash::Refuse).unwrap();
    (studio, trial)
}

const THEN: [&str; 2] = ["--at", "2031-04-06 00:00"];

#[test]
fn a_comparison_is_told_in_words_and_as_json() {
    let (studio, trial) = drawn();
    let asked = [&["compare", "result", "plastic"], &THEN[..]].concat();
    let page = run(&studio, &asked);
    for words in [
        "Comparison plastic as of Sun 6 Apr 2031 00:00",
        "draped against open",
        "4 pairs",
        "draped takes ",
        "as long to leather-hard as open.",
        "In the same air draped dries ",
        "questions were asked of the same pots",
        "1 of 1",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let (status, out, errors) = output(&studio, &[&asked[..], &["--json"]].concat());
    assert_eq!((status, errors.as_str()), (Some(0), ""));
    let json: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(json["drawn_by_chance"], true);
    let first = &json["answers"][0];
    assert_eq!(
        (first["question"].as_str(), first["finding"].as_str()),
        (Some("leather-hard"), Some("more"))
    );
    let [low, high] = ["low", "high"].map(|end| first["plain"][end].as_f64().unwrap());
    assert!(low < trial.truth.exp() && trial.truth.exp() < high, "{first}");
    assert!(first["plain"]["p_holm"].as_f64() >= first["plain"]["p"].as_f64());
    assert_eq!(json["pots"].as_array().unwrap().len(), 8);
    // Again the same bytes.
    assert_eq!(output(&studio, &[&asked[..], &["--json"]].concat()).1, out);
    // Before it was drawn there was none.
    let early = refused(&studio, &["compare", "result", "plastic", "--at", "2031-03-31 10:30"]);
    assert!(early.contains("there is no comparison \"plastic\" at that time"), "{early}");
}

/// The same pots, unasked for: it says that nobody drew them.
#[test]
fn past_pots_say_that_nobody_drew_them() {
    let (studio, trial) = drawn();
    let page =
        run(&studio, &[&["compare", "result", "--by", "cover=open,draped"], &THEN[..]].concat());
    let whole = page.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(whole.contains("Nobody drew by chance which pot was treated how"), "{page}");
    assert!(page.contains("4 and 4 pots"), "{page}");
    let of = |t: usize| -> String {
        let pots: Vec<&str> =
            trial.members.iter().filter(|m| m.1 == t).map(|m| m.0.as_str()).collect();
        pots.join(",")
    };
    let groups = [format!("bare={}", of(0)), format!("under={}", of(1))];
    let asked = ["compare", "result", "--group", &groups[0], "--group", &groups[1]];
    let page = run(&studio, &[&asked, &THEN[..]].concat());
    assert!(page.contains("under against bare"), "{page}");
}

#[test]
fn wrong_comparisons_are_refused_in_plain_words() {
    let (studio, _) = drawn();
    for (args, says) in [
        (&["result", "plastik"][..], "did you mean \"plastic\"?"),
        (&["result", "--by", "colour"], "expected one of body, cover, place"),
        (&["result", "--by", "body"], "are alike in that"),
        (&["result", "--by", "cover=open,wrapped"], "there is no \"wrapped\""),
        (&["result", "--group", "jar-01"], "write it like thick=jar-1,jar-2"),
        (
            &["result", "--group", "a=jar-01,jar-02", "--group", "b=jar-02,jar-03"],
            "jar-02 cannot be both in a and in b",
        ),
        (&["result", "--group", "a=jar-01,jar-02", "--group", "b=jar-03"], "b has 1 pot"),
        (&["result", "--group", "a=jar-01,jar-02"], "1 groups: 2 to 6"),
        (
            &["result", "--group", "a=jar-01,jar-02", "--group", "b=jar-03,jug"],
            "there is no pot \"jug\"",
        ),
        (&["design", "x", "open", "--pots", "jar-01"], "1 treatment: 2 to 6"),
        (&["design", "x", "open", "open", "--pots", "jar-01"], "open is named twice"),
        (&["design", "x", "open", "draped", "--pots", "jar-01", "jar-02"], "2 pots for 2"),
        (&["design", "x", "open", "draped", "--pots", "jar-01", "jar-01"], "jar-01 is named twice"),
        (&["design", "x", "open", "draped", "--pots", "jug"], "neither a pot nor a board"),
        (&["design", "x"], "which treatments?"),
        (&["design", "a/b", "open", "draped", "--throw", "8"], "cannot hold"),
        (&["design", "jar", "open", "draped", "--throw", "2"], "from 4 to 1000"),
        (&["design", "--difference", "0%"], "from 2% to 1000%"),
        (&["design", "--difference", "much"], "such as 20%"),
        (&["design", "plastic", "open", "draped", "--throw", "8"], "already"),
        (&["design", "nothing", "--undo"], "no comparison \"nothing\" to take back"),
    ] {
        let then = if args[0] == "result" { &THEN[..] } else { &[] };
        let errors = refused(&studio, &[&["compare"], args, then].concat());
        assert!(errors.contains(says), "{args:?}: {errors}");
    }
}

/// How many, who gets what; kept, not drawn twice, taken back.
#[test]
fn a_design_says_how_many_and_who_gets_what() {
    let (studio, _) = drawn();
    let number = run(&studio, &["compare", "design", "--difference", "50%"]);
    assert!(number.contains("To find a difference of 50%"), "{number}");
    let jars: Vec<String> = (1..=7).map(|i| format!("jar-{i:02}")).collect();
    let mut asked = vec!["compare", "design", "again", "open", "wrapped", "--seed", "7", "--pots"];
    asked.extend(jars.iter().map(String::as_str));
    let page = run(&studio, &asked);
    let whole = page.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in
        ["Left over, in no pair", "These 3 pairs find one of", "cover wrapped", "the seed 7"]
    {
        assert!(whole.contains(words), "{words}: {page}");
    }
    let kept = studio.store().allotments().unwrap();
    let again: Vec<&Allotment> = kept.iter().filter(|a| a.comparison == "again").collect();
    assert_eq!(again.len(), 6);
    assert!(refused(&studio, &asked).contains("is drawn once"));
    run(&studio, &["compare", "design", "again", "--undo"]);
    assert!(studio.store().allotments().unwrap().iter().all(|a| a.comparison != "again"));
    let thrown = run(&studio, &["compare", "design", "grog", "plain", "grogged", "--throw", "8"]);
    let whole = thrown.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(whole.contains("grog-8") && whole.contains("pot add grog-1"), "{thrown}");
    let listed = run(&studio, &["compare", "result"]);
    assert!(listed.contains("grog") && listed.contains("plain and grogged"), "{listed}");
    let early = run(&studio, &["compare", "result", "grog"]);
    assert!(early.contains("nothing can be said yet") && early.contains("Not made yet"), "{early}");
}

/// It goes out with the studio and comes in again.
#[test]
fn a_comparison_survives_export_and_import() {
    let (studio, _) = drawn();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("out");
    run(&studio, &["export", path.to_str().unwrap()]);
    let text = std::fs::read_to_string(path.join("comparisons.csv")).unwrap();
    assert!(text.starts_with("comparison,pot,treatment,rank,pair,seed,drawn_at\n"), "{text}");
    let other = bench::Studio::new();
    let (status, out, errors) = output(&other, &["import", path.to_str().unwrap()]);
    assert_eq!(status, Some(0), "{out}{errors}");
    assert_eq!(other.store().allotments().unwrap(), studio.store().allotments().unwrap());
}
