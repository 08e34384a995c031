//! Whatever a studio holds, the answer is finite, in order, and the same every time; what came
//! later than the time it is asked for has no part in it.
//!
//! The rules are those of the report (see `core::report`) and of the studio files; every studio
//! here is invented, most of them by chance.

mod by_hand;

use by_hand::{ByHand, hour};
use proptest::prelude::*;
use warecast::core::report::{FireCall, PotAnswer, Quantiles, TimeQuantiles, TrimCall};
use warecast::core::{assess, assess_pot, depict_pot};
use warecast::records::{
    ACTION_WORDS, Action, Air, Body, Cover, HandlingRow, Point, Pot, Quantity, Reading, Studio,
    Verdict, Weighings,
};
use warecast::store::{Clash, Store};
use warecast::units::{DAY, Time};

// ---------------------------------------------------------------------------- what must hold

fn in_order(what: &str, q: &Quantiles, least: f64) {
    assert!(q.p10.is_finite() && q.p50.is_finite() && q.p90.is_finite(), "{what}: {q:?}");
    assert!(least <= q.p10 && q.p10 <= q.p50 && q.p50 <= q.p90, "{what}: {q:?}");
}

/// `null` is later than any time; none lies before the pot was made or beyond the horizon.
fn times_in_order(what: &str, q: &TimeQuantiles, made: Time, at: Time) {
    let or_never = |t: Option<Time>| t.unwrap_or(Time(i64::MAX));
    assert!(or_never(q.p10) <= or_never(q.p50), "{what}: {q:?}");
    assert!(or_never(q.p50) <= or_never(q.p90), "{what}: {q:?}");
    for t in [q.p10, q.p50, q.p90].into_iter().flatten() {
        // Told to the second, downwards.
        assert!(t.plus(1.0) >= made && t <= at.plus(30.0 * DAY), "{what}: {q:?}, made {made}");
    }
}

fn probability(what: &str, p: f64) {
    assert!((0.0..=1.0).contains(&p), "{what}: {p}");
}

/// Age of the last word of the room's sensor, s; `None` where nothing is measured.
///
/// A sensor that fell silent a week before the pot was made says nothing about its air.
fn air_age(studio: &Studio, made: Time) -> Option<f64> {
    let air = studio.air.get("")?;
    let last = |series: &[Point]| {
        let heard = series.iter().filter(|p| p.time > made.plus(-7.0 * DAY)).map(|p| p.time);
        heard.max().filter(|_| !series.is_empty())
    };
    let last = last(&air.temperature)?.min(last(&air.humidity)?);
    Some(studio.at.since(last))
}

fn holds(studio: &Studio, answer: &PotAnswer) {
    let (made, at) = (answer.made_at, studio.at);
    in_order("water now", &answer.water.now, 0.0);
    in_order("free water", &answer.water.free, f64::NEG_INFINITY);
    in_order("water of the wall", &answer.water.wall.unwrap(), 0.0);
    in_order("water of the base", &answer.water.base.unwrap(), 0.0);
    in_order("dry mass", &answer.dry_mass_g, f64::MIN_POSITIVE);
    probability("in the window", answer.trim.probability_now);
    probability("bone-dry", answer.fire.probability_bone_dry);
    times_in_order("opens", &answer.trim.opens, made, at);
    times_in_order("closes", &answer.trim.closes, made, at);
    times_in_order("bone-dry", &answer.fire.bone_dry, made, at);
    for found in &answer.found {
        assert!(made <= found.time.plus(1.0) && found.time <= at, "{found:?}");
        assert!((0.0..1.0).contains(&found.probability), "{found:?}");
    }
    let rows = studio.handling.get(&answer.pot).map_or(&[][..], Vec::as_slice);
    let noted = rows.iter().any(|r| r.action == Action::Trim);
    assert_eq!(
        answer.trim.call == TrimCall::Done,
        noted || answer.found.iter().any(|f| f.action == "trim")
    );
    let known = studio.weighings.get(&answer.pot).map_or(0, |w| w.0.len());
    assert!(answer.evidence.readings <= known);
    assert_eq!(answer.evidence.readings > 0, answer.evidence.last_reading_at.is_some());
    assert!(answer.evidence.last_reading_at.is_none_or(|t| t <= at));
    // Each is said once, but for what was found: there may be many.
    let codes = answer.warnings.iter().map(|w| w.code).filter(|code| !code.ends_with("-not-noted"));
    let mut codes: Vec<_> = codes.collect();
    codes.sort_unstable();
    assert!(codes.windows(2).all(|c| c[0] != c[1]), "said twice: {:?}", answer.warnings);
    assert!(answer.warnings.iter().all(|w| !w.text.is_empty() && !w.text.contains("NaN")));
    if answer.fire.call == FireCall::Ready {
        assert!(answer.fire.probability_bone_dry >= 0.95);
        let weighed = answer.evidence.last_reading_at.expect("ready without a weighing");
        assert!(at.since(weighed) <= DAY, "weighed at {weighed}, asked at {at}");
        let aired = air_age(studio, made);
        assert!(aired.is_none_or(|age| age <= DAY), "the room was silent for {aired:?} s");
    }
    if answer.fire.call == FireCall::Doubtful {
        assert!(!answer.warnings.is_empty(), "doubtful, and no reason given");
    }
}

/// Asks about every pot, once for the report and once for a picture.
fn all_hold(studio: &Studio) {
    let report = assess(studio);
    let known: Vec<_> = studio.pots.values().filter(|p| p.made_at <= studio.at).collect();
    assert_eq!(report.pots.len(), known.len());
    for answer in &report.pots {
        holds(studio, answer);
        assert_eq!(&assess_pot(studio, &answer.pot).unwrap(), answer, "asked twice");
    }
    if let Some(pot) = known.first() {
        let drawn = depict_pot(studio, &pot.name).unwrap();
        assert_eq!(json(&drawn), json(&report.pots[0]), "drawn and told differ");
        for (time, mass) in &drawn.story.mass {
            in_order(&format!("mass at {time}"), mass, 0.0);
        }
        for (time, water) in &drawn.story.water {
            in_order(&format!("water at {time}"), water, 0.0);
        }
        assert!(drawn.story.deficit.iter().all(|(_, pa)| pa.is_finite()));
    }
}

fn json(answer: &PotAnswer) -> String {
    serde_json::to_string(answer).unwrap()
}

// ---------------------------------------------------------------------------- odd studios

/// Weights as a scale may give them: `(hours since the pot was made, g)`.
fn weights() -> impl Strategy<Value = Vec<(f64, f64)>> {
    let times = |n| prop::collection::vec(-3.0..400.0f64, n);
    let gram = prop_oneof![
        4 => 0.0..1500.0f64,
        1 => Just(0.0),
        1 => Just(f64::MIN_POSITIVE),
        1 => -50.0..0.0f64,
        1 => prop::sample::select(vec![-1e9, -1e300, 1e9, 1e300, f64::MAX]),
    ];
    let drying = (times(0..60), 200.0..900.0f64, 0.0..0.4f64, 0.5..200.0f64, 0.0..3.0f64);
    prop_oneof![
        Just(Vec::new()),
        (-1.0..60.0f64, gram.clone()).prop_map(|one| vec![one]),
        prop::collection::vec((-3.0..400.0f64, gram.clone()), 0..40),
        // As a pot dries, with errors of some grams.
        drying.prop_map(|(times, dry, water, fade, noise)| {
            let at = |t: f64| dry * (1.0 + water * (-t / fade).exp()) + noise * (1e3 * t).sin();
            times.into_iter().map(|t| (t, at(t))).collect()
        }),
        // The same weight all along; a pot that gains; all at one moment.
        (times(2..30), gram.clone())
            .prop_map(|(times, g)| times.into_iter().map(|t| (t, g)).collect()),
        times(2..30).prop_map(|times| times.into_iter().map(|t| (t, 400.0 + 2.0 * t)).collect()),
        (0.0..50.0f64, prop::collection::vec(gram, 2..9))
            .prop_map(|(t, all)| all.into_iter().map(|g| (t, g)).collect()),
    ]
}

fn covers() -> impl Strategy<Value = Action> {
    prop::sample::select(Cover::ALL.to_vec()).prop_map(Action::Cover)
}

fn action() -> impl Strategy<Value = Action> {
    prop_oneof![
        4 => covers(),
        2 => Just(Action::Flip),
        2 => Just(Action::Trim),
        1 => Just(Action::On("cell-1".into())),
        1 => Just(Action::Off),
        1 => Just(Action::Sponge),
        1 => Just(Action::Wet),
        1 => Just(Action::Kiln),
        1 => Just(Action::Lost(None)),
        1 => Just(Action::Move("loft".into())),
        1 => Just(Action::Verdict(Verdict::Right)),
        2 => prop::option::of(prop_oneof![Just(0.0), 1.0..80.0f64, Just(3e6), Just(1e300)])
            .prop_map(Action::Attach),
        2 => prop_oneof![-100.0..2000.0f64, Just(1e9), Just(-1e300)].prop_map(Action::Tare),
    ]
}

/// Handling rows: `(hours, what)`, many of them at one of a few moments.
fn rows() -> impl Strategy<Value = Vec<(f64, Action)>> {
    let moment =
        prop_oneof![prop::sample::select(vec![0.0, 0.0, 3.0, 20.0, 20.0, 90.0]), -30.0..500.0f64,];
    prop_oneof![
        prop::collection::vec((moment, action()), 0..12),
        prop::collection::vec((0.0..50.0f64, Just(Action::Trim)), 1..12),
    ]
}

/// A room's word: every half hour, from when to when (hours).
fn air() -> impl Strategy<Value = Option<Air>> {
    let series = |range: std::ops::RangeInclusive<f64>, usual: std::ops::Range<f64>| {
        let value =
            prop_oneof![Just(*range.start()), Just(*range.end()), usual.clone(), range.clone(),];
        let steady = (-400i32..900, 0usize..200, value.clone()).prop_map(|(from, n, v)| {
            (0..n).map(|k| (f64::from(from) / 2.0 + k as f64 / 2.0, v)).collect::<Vec<_>>()
        });
        let wild = prop::collection::vec((-100.0..400.0f64, value), 0..30);
        prop_oneof![steady, wild]
    };
    let air = (series(-60.0..=120.0, 15.0..25.0), series(0.0..=1.1, 0.3..0.8));
    prop::option::weighted(
        0.8,
        air.prop_map(|(temperature, humidity)| Air {
            temperature: points(&temperature),
            humidity: points(&humidity),
        }),
    )
}

/// In order of time, as the store gives them.
fn points(all: &[(f64, f64)]) -> Vec<Point> {
    let point = |(hours, value): &(f64, f64)| Point { time: hour(*hours), value: *value };
    let mut points: Vec<Point> = all.iter().map(point).collect();
    points.sort_by_key(|p| p.time);
    points
}

fn body() -> impl Strategy<Value = Body> {
    let fraction = || prop::option::of(prop_oneof![0.1..0.3f64, 0.0..0.999f64, Just(0.0)]);
    (fraction(), fraction(), fraction()).prop_map(|(bag_water_wet, a, b)| Body {
        name: "clay".into(),
        bag_water_wet,
        trim_from_dry: a.zip(b).map(|(a, b)| a.max(b)).or(a),
        trim_to_dry: a.zip(b).map(|(a, b)| a.min(b)).or(b),
    })
}

/// A pot that may be `like` any of the studio's pots, itself and one that is not there among them.
fn pot(name: &'static str) -> impl Strategy<Value = Pot> {
    let size = |usual: std::ops::Range<f64>| {
        let odd = prop::sample::select(vec![1e-9, 1e6, 1e300]);
        prop::option::of(prop_oneof![6 => usual, 1 => odd])
    };
    let tare = prop_oneof![0.0..300.0f64, Just(5000.0), Just(-1e9)];
    let like = prop::sample::select(vec!["planter", "saucer", "jar", "nobody"]);
    let made = prop_oneof![3 => Just(0.0), 1 => -300.0..300.0f64];
    (
        (size(200.0..3000.0), prop::option::of(tare), size(3.0..12.0), size(3.0..20.0)),
        (prop::option::of(like), made),
    )
        .prop_map(move |((ball_g, tare_g, wall_mm, base_mm), (like, made))| Pot {
            name: name.into(),
            body: "clay".into(),
            made_at: hour(made),
            ball_g,
            tare_g,
            wall_mm,
            base_mm,
            lot: None,
            board: None,
            like: like.map(String::from),
            place: None,
        })
}

/// Up to three pots, as known some hours after [`MADE`].
fn studio() -> impl Strategy<Value = Studio> {
    let one = |name| (pot(name), rows(), weights());
    let at = prop_oneof![
        prop::sample::select(vec![0.0, 1.0 / 3600.0, 0.5, 8.0, 50.0]),
        0.0..450.0f64,
        Just(24.0 * 400.0),
    ];
    let pots = (one("planter"), one("saucer"), one("jar"), 1usize..4);
    (body(), pots, air(), at).prop_map(|(body, (a, b, c, count), air, at)| {
        let at = hour(at);
        let mut studio = Studio { at, ..Studio::default() };
        studio.bodies.insert(body.name.clone(), body);
        for (pot, rows, weights) in [a, b, c].into_iter().take(count) {
            let name = pot.name.clone();
            let mut rows: Vec<HandlingRow> = rows
                .into_iter()
                .map(|(t, action)| HandlingRow { time: hour(t), pot: name.clone(), action })
                .collect();
            let word = |a: &Action| ACTION_WORDS.iter().position(|w| *w == a.word());
            rows.sort_by_key(|r| (r.time, word(&r.action)));
            rows.retain(|r| r.time <= at || r.action.can_be_planned());
            let mut weights = points(&weights);
            weights.retain(|p| p.time <= at);
            studio.handling.insert(name.clone(), rows);
            studio.weighings.insert(name.clone(), Weighings(weights));
            studio.pots.insert(name, pot);
        }
        if let Some(mut air) = air {
            air.temperature.retain(|p| p.time <= at);
            air.humidity.retain(|p| p.time <= at);
            studio.air.insert(String::new(), air);
        }
        studio
    })
}

/// So many cases, or as many as `PROPTEST_CASES` says; one that fails is made smaller for a bounded
/// time.
fn cases(count: u32) -> ProptestConfig {
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse().ok());
    let count = asked.unwrap_or(count);
    ProptestConfig { max_shrink_time: 20_000, ..ProptestConfig::with_cases(count) }
}

proptest! {
    #![proptest_config(cases(48))]

    #[test]
    fn any_studio_has_answers_that_hold(studio in studio()) {
        all_hold(&studio);
    }
}

/// A studio that a case of the file names, with all that it says of one pot.
fn by_hand(pot: &ByHand, now: f64) -> PotAnswer {
    let studio = pot.studio(now);
    all_hold(&studio);
    assess_pot(&studio, &pot.pot.name).unwrap()
}

/// As a small pot dries in the open, g.
fn drying(hours: f64) -> f64 {
    460.0 * (1.016 + 0.29 * (-hours / 14.0).exp())
}

fn weighed_until(mut pot: ByHand, end: f64, every: f64) -> ByHand {
    let count = (end / every) as i32;
    for k in 0..=count {
        let t = every * f64::from(k);
        pot = pot.weighed(t, drying(t));
    }
    pot
}

#[test]
fn thousands_of_weighings_are_no_trouble() {
    let answer = by_hand(&weighed_until(ByHand::small(), 100.0, 0.02), 100.0);
    assert_eq!(answer.evidence.readings, 5001);
    // Loosely: pots do not dry along an exponential.
    assert!((answer.dry_mass_g.p50 / 460.0 - 1.0).abs() < 0.05, "{:?}", answer.dry_mass_g);
}

#[test]
fn weights_of_no_pot_are_said_to_be_doubtful() {
    let doubtful = |grams: [f64; 3]| {
        let mut pot = ByHand::small();
        for (k, grams) in grams.into_iter().enumerate() {
            pot = pot.weighed(1.0 + k as f64, grams);
        }
        let answer = by_hand(&pot, 5.0);
        // They teach nothing: the pot is what its ball says.
        let clay = 600.0 * 0.78;
        assert!((answer.dry_mass_g.p50 / clay - 1.0).abs() < 0.10, "{:?}", answer.dry_mass_g);
        answer.warnings.iter().any(|w| w.code == "weight-doubtful")
    };
    for grams in [[0.0; 3], [-40.0, -41.0, -39.0], [6.0, 6.0, 5.9], [1e300; 3], [f64::MAX; 3]] {
        assert!(doubtful(grams), "{grams:?}");
    }
    assert!(!doubtful([597.0, 590.0, 584.0]));
}

#[test]
fn a_tare_above_the_weight_is_said_to_be_doubtful() {
    let mut pot = weighed_until(ByHand::small(), 10.0, 0.5);
    pot.pot.tare_g = Some(900.0);
    let answer = by_hand(&pot, 10.0);
    assert!(answer.warnings.iter().any(|w| w.code == "weight-doubtful"), "{:?}", answer.warnings);
    assert_eq!(answer.fire.call, FireCall::Wait);
}

#[test]
fn a_pot_of_long_ago_and_one_of_a_second_ago() {
    let mut pot = weighed_until(ByHand::small(), 200.0, 4.0);
    pot.room = None;
    pot.pot.made_at = Time::MIN;
    let mut studio = pot.studio(0.0);
    studio.at = Time::MAX;
    all_hold(&studio);
    let answer = by_hand(&ByHand::small(), 1.0 / 3600.0);
    assert_eq!((answer.trim.call, answer.fire.call), (TrimCall::Wait, FireCall::Wait));
    assert!(assess_pot(&ByHand::small().studio(-0.001), "planter").is_none());
}

/// `like` may name the pot itself, go round in a circle, or name a pot that is not there.
#[test]
fn likes_of_any_kind_come_to_an_end() {
    for (first, second) in [
        ("planter", "planter"),
        ("saucer", "planter"),
        ("saucer", "saucer"),
        ("nobody", "planter"),
        ("saucer", "nobody"),
    ] {
        let mut studio = weighed_until(ByHand::small(), 50.0, 1.0).studio(50.0);
        let planter = studio.pots.get_mut("planter").unwrap();
        let mut saucer = planter.clone();
        planter.like = Some(first.into());
        saucer.name = "saucer".into();
        saucer.like = Some(second.into());
        studio.pots.insert(saucer.name.clone(), saucer);
        all_hold(&studio);
        let [planter, saucer] =
            ["planter", "saucer"].map(|name| assess_pot(&studio, name).unwrap());
        let width = |a: &PotAnswer| a.dry_mass_g.p90 - a.dry_mass_g.p10;
        // No pot dries along that curve, and one that nobody is like is told by its ball alone.
        if second == "planter" {
            assert!(width(&planter) < width(&saucer), "the one that is weighed is known better");
        }
        let text = &saucer.warnings.iter().find(|w| w.code == "no-weight").unwrap().text;
        let says = match second {
            "planter" => "not weighed itself: this follows planter",
            _ => "is weighed, so this is what pots of its kind do",
        };
        assert!(text.contains(says), "{first}, {second}: {text}");
    }
}

/// A bag that is nearly all water is a slip of the pen: the answer is that of an unknown bag.
#[test]
fn bag_water_that_cannot_be_counts_as_not_known() {
    let of = |wet: Option<f64>| {
        let mut pot = weighed_until(ByHand::small(), 10.0, 1.0);
        pot.body.bag_water_wet = wet;
        by_hand(&pot, 10.0)
    };
    let (none, most, least) = (of(None), of(Some(0.99)), of(Some(0.002)));
    for answer in [&most, &least] {
        assert_eq!(answer.water, none.water);
        assert!(answer.warnings.iter().any(|w| w.code == "bag-water-doubtful"));
    }
    assert!(none.warnings.iter().all(|w| w.code != "bag-water-doubtful"));
    // A soft bag is a bag; in the open its pot may dry unevenly, and nothing else is said.
    let soft = of(Some(0.30));
    assert!(soft.warnings.iter().all(|w| w.code == "dries-unevenly"), "{:?}", soft.warnings);
    assert!(soft.water.now.p50 > none.water.now.p90, "{:?}, {:?}", soft.water, none.water);
}

/// `ready` wants a weighing and, where the room is measured, its air of the last 24 hours.
#[test]
fn ready_wants_a_fresh_weighing_and_fresh_air() {
    let long = 14.0 * 24.0;
    let mut pot = weighed_until(ByHand::small(), long, 4.0).row(20.0, Action::Flip);
    pot.room = Some((20.0, 0.5));
    let codes = |answer: &PotAnswer| answer.warnings.iter().map(|w| w.code).collect::<Vec<_>>();
    let call = |studio: &Studio| {
        all_hold(studio);
        let answer = assess_pot(studio, "planter").unwrap();
        (answer.fire.call, codes(&answer))
    };
    assert_eq!(call(&pot.studio(long)).0, FireCall::Ready);
    assert_eq!(call(&pot.studio(long + 23.9)).0, FireCall::Ready);
    let (stale, why) = call(&pot.studio(long + 24.1));
    assert_eq!(stale, FireCall::Doubtful);
    assert!(why.contains(&"weigh-again"), "{why:?}");

    let silent_since = |hours: f64| {
        let mut studio = pot.studio(long);
        let air = studio.air.get_mut("").unwrap();
        air.humidity.retain(|p| p.time <= hour(long - hours));
        studio
    };
    assert_eq!(call(&silent_since(23.0)).0, FireCall::Ready);
    let (stale, why) = call(&silent_since(24.6));
    assert_eq!(stale, FireCall::Doubtful);
    assert!(why.contains(&"room-stale"), "{why:?}");

    pot.room = None;
    let (unmeasured, why) = call(&pot.studio(long));
    assert_eq!(unmeasured, FireCall::Ready);
    assert!(why.contains(&"no-room-sensor"), "{why:?}");
}

// ---------------------------------------------------------------------------- no look ahead

/// All that is ever written down.
#[derive(Clone, Debug)]
struct Book {
    body: Body,
    pots: Vec<Pot>,
    rows: Vec<HandlingRow>,
    readings: Vec<Reading>,
}

impl Book {
    /// What was known at a time, and the plans of then.
    fn known(&self, at: Time) -> Book {
        let mut known = self.clone();
        known.pots.retain(|p| p.made_at <= at);
        let names: Vec<&String> = known.pots.iter().map(|p| &p.name).collect();
        let counts = |r: &HandlingRow| r.time <= at || r.action.can_be_planned();
        known.rows.retain(|r| names.contains(&&r.pot) && counts(r));
        let there = |r: &Reading| r.pot.as_ref().is_none_or(|p| names.contains(&p));
        known.readings.retain(|r| r.time <= at && there(r));
        known
    }

    /// The report's bytes, through a store of its own.
    fn report(&self, at: Time) -> String {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(folder.path()).unwrap();
        store.put_bodies(std::slice::from_ref(&self.body), Clash::Refuse).unwrap();
        store.put_pots(&self.pots, Clash::Refuse).unwrap();
        store.put_handling(&self.rows, Clash::Replace).unwrap();
        let stored = store.append(&self.readings, Clash::Replace).unwrap();
        assert_eq!(stored.refused, Vec::<usize>::new());
        serde_json::to_string(&assess(&store.studio(at).unwrap())).unwrap()
    }
}

fn book() -> impl Strategy<Value = Book> {
    let one = |name| (pot(name), rows(), weights());
    let cell = (prop::collection::vec(0.0..300.0f64, 0..60), 100.0..800.0f64);
    (body(), [one("planter"), one("saucer"), one("jar")], cell, air()).prop_map(
        |(body, pots, (cell, grams), air)| {
            let (mut all, mut rows, mut readings) = (Vec::new(), Vec::new(), Vec::new());
            let mut say = |time, source: &str, quantity, value, pot: Option<&str>| {
                let (source, pot) = (source.into(), pot.map(String::from));
                let (count, spread) = (None, None);
                readings.push(Reading { time, source, quantity, value, pot, count, spread });
            };
            for (mut pot, done, weights) in pots {
                pot.like = pot.like.filter(|like| *like != pot.name);
                let thick = |mm: f64| mm.clamp(1.0, 200.0); // as the store takes it
                (pot.wall_mm, pot.base_mm) = (pot.wall_mm.map(thick), pot.base_mm.map(thick));
                for (t, grams) in weights {
                    say(hour(t), "bench", Quantity::Mass, grams, Some(&pot.name));
                }
                let row =
                    |(t, action)| HandlingRow { time: hour(t), pot: pot.name.clone(), action };
                rows.extend(done.into_iter().map(row));
                all.push(pot);
            }
            for t in cell {
                say(
                    hour(t),
                    "cell-1",
                    Quantity::Mass,
                    grams * (1.0 + (-t / 30.0).exp() / 4.0),
                    None,
                );
            }
            for p in air.iter().flat_map(|a| &a.temperature) {
                say(p.time, "room", Quantity::Temperature, p.value, None);
            }
            for p in air.iter().flat_map(|a| &a.humidity) {
                say(p.time, "room", Quantity::Humidity, p.value, None);
            }
            Book { body, pots: all, rows, readings }
        },
    )
}

proptest! {
    #![proptest_config(cases(24))]

    #[test]
    fn nothing_later_has_a_part_in_it(book in book(), at in 0.0..250.0f64) {
        let at = hour(at);
        prop_assert_eq!(book.report(at), book.known(at).report(at));
    }
}

/// The same with all that matters in it, so that no luck is needed: a trim, weights, air, a flip
/// and a plan lie on either side of the time that is asked for.
#[test]
fn a_day_later_changes_nothing_about_the_day_before() {
    let pot = weighed_until(ByHand::small(), 60.0, 1.0)
        .row(2.0, Action::Cover(Cover::Draped))
        .row(14.0, Action::Cover(Cover::Open))
        .row(22.0, Action::Trim)
        .row(40.0, Action::Cover(Cover::Wrapped));
    let studio = pot.studio(60.0);
    let mut readings: Vec<Reading> = Vec::new();
    let mut say = |source: &str, quantity, points: &[Point]| {
        readings.extend(points.iter().map(|p| Reading {
            time: p.time,
            source: source.into(),
            quantity,
            // What comes is nothing like what was.
            value: if p.time > hour(20.0) { 0.8 * p.value } else { p.value },
            pot: (quantity == Quantity::Mass).then(|| "planter".into()),
            count: None,
            spread: None,
        }));
    };
    say("bench", Quantity::Mass, &studio.weighings["planter"].0);
    say("room", Quantity::Temperature, &studio.air[""].temperature);
    say("room", Quantity::Humidity, &studio.air[""].humidity);
    let rows = studio.handling["planter"].clone();
    let book = Book { body: pot.body.clone(), pots: vec![pot.pot.clone()], rows, readings };
    for at in [1.0, 20.0] {
        let at = hour(at);
        let told = book.report(at);
        assert_eq!(told, book.known(at).report(at));
        // The test sees a plan, a weight and a note when they do count.
        let mut without = book.known(at);
        without.rows.retain(|r| r.time <= at);
        assert_ne!(told, without.report(at));
        let mut without = book.known(at);
        without.readings.retain(|r| r.quantity != Quantity::Mass);
        assert_ne!(told, without.report(at));
    }
    assert_ne!(book.report(hour(30.0)), book.known(hour(20.0)).report(hour(30.0)));
}
