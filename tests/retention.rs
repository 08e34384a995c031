//! Old readings are thinned, and no answer moves by more than a hundredth of its interval: not that
//! of the end, nor those of the past as of then, nor what the pots teach. What was thinned comes
//! back by no import. The pots are the made-up shelf's: simulated, says nothing about real ones.

use std::collections::BTreeMap;
use std::path::Path;
use tempfile::TempDir;
use warecast::answers;
use warecast::core::inference::priors;
use warecast::core::learn;
use warecast::core::record::questions;
use warecast::core::report::{Quantiles, TimeQuantiles};
use warecast::records::{Action, HandlingRow, Name, Pot, Quantity, Reading};
use warecast::simulate::scenario::{self, SHELF};
use warecast::simulate::shelf::{Reporting, Shelf};
use warecast::store::files::{Options, export, import};
use warecast::store::{Clash, Store};
use warecast::units::{DAY, Time};
use warecast::watch::retention::{Thinned, thin_all};

const START: Time = Time(1_932_796_800_000_000);
/// How long the shelf is listened to, and how often it speaks, s.
const LISTENED: f64 = 16.0 * DAY;
const EVERY: f64 = 30.0;
/// By so much the pots of the second shelf are younger, s.
const YOUNGER: f64 = 2.0 * DAY + 1234.0;

/// A studio that listened to two shelves, the pots of the second some days younger.
fn studio(pots: usize) -> (TempDir, Store) {
    studio_whose_air_tells("room", pots)
}

fn studio_whose_air_tells(sensor: &str, pots: usize) -> (TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(folder.path()).unwrap();
    listen(&mut store, 3, pots, START, ("", sensor));
    listen(&mut store, 4, 1, START.plus(YOUNGER), (" of the other shelf", sensor));
    (folder, store)
}

fn listen(
    store: &mut Store,
    seed: u64,
    pots: usize,
    start: Time,
    (shelf_name, sensor): (&str, &str),
) {
    let mut scenario = scenario::shelf(seed, pots, 0.0);
    scenario.length = LISTENED - start.since(START);
    for pot in &mut scenario.pots {
        pot.name += shelf_name;
    }
    store.put_bodies(&scenario.bodies, Clash::Refuse).unwrap();
    let reporting = Reporting { every: EVERY, ..Reporting::default() };
    let mut shelf = Shelf::new(scenario, seed, start, reporting);
    let mut readings = Vec::new();
    while let Some(moment) = shelf.advance() {
        store.put_pots(&moment.made, Clash::Refuse).unwrap();
        let done = moment.done.iter().cloned().map(|row| match row.action {
            Action::On(cell) => HandlingRow { action: Action::On(cell + shelf_name), ..row },
            _ => row,
        });
        store.put_handling(&done.collect::<Vec<_>>(), Clash::Refuse).unwrap();
        let said = moment.sample.readings(SHELF).into_iter();
        // There is one room.
        let said = said.filter(|r| shelf_name.is_empty() || r.quantity == Quantity::Mass);
        readings.extend(said.map(|r| match r.quantity {
            Quantity::Mass => Reading { source: r.source + shelf_name, ..r },
            _ => Reading { source: sensor.into(), ..r },
        }));
        readings.extend(moment.bench);
    }
    assert_eq!(store.append(&readings, Clash::Refuse).unwrap().added, readings.len());
}

/// When the last reading came.
fn end(store: &Store) -> Time {
    let all = store.ahead_of(Time::MIN).unwrap();
    all.into_iter().map(|(_, time)| time).max().unwrap()
}

/// Every number that is told, with its interval's width and what it is.
type Told = BTreeMap<String, (f64, f64)>;

fn told(store: &Store) -> Told {
    let mut all = Told::new();
    let pots = store.pots().unwrap();
    let end = end(store);
    let mut times: Vec<Time> = pots.iter().flat_map(|pot| questions(pot.made_at, end)).collect();
    times.push(end);
    times.sort_unstable();
    times.dedup();
    for at in times {
        let report = answers::report(&store.studio(at).unwrap());
        for pot in report.pots {
            let name = format!("{} as of {at}", pot.pot);
            let mut number = |what: &str, q: Quantiles| {
                for (part, value) in [("p10", q.p10), ("p50", q.p50), ("p90", q.p90)] {
                    all.insert(format!("{name}: {what} {part}"), (value, q.p90 - q.p10));
                }
            };
            number("water", pot.water.now);
            number("free water", pot.water.free);
            number("dry clay", pot.dry_mass_g);
            let mut time = |what: &str, q: TimeQuantiles| {
                let seconds = |t: Option<Time>| t.map_or(f64::INFINITY, |t| t.since(START));
                let [p10, p50, p90] = [q.p10, q.p50, q.p90].map(seconds);
                for (part, value) in [("p10", p10), ("p50", p50), ("p90", p90)] {
                    all.insert(format!("{name}: {what} {part}"), (value, p90 - p10));
                }
            };
            time("opens", pot.trim.opens);
            time("closes", pot.trim.closes);
            time("bone-dry", pot.fire.bone_dry);
        }
    }
    let studio = store.studio(end).unwrap();
    let lessons = learn(&studio);
    for (name, body) in &studio.bodies {
        let bag = priors::bag_water_dry(Some(body));
        for (unknown, mean, sd) in lessons.expect(name, None, bag, true) {
            // 80 % of a normal distribution lie within 1.2816 standard deviations.
            let width = 2.0 * 1.2816 * sd;
            all.insert(format!("{name}: {unknown:?}"), (mean, width));
            all.insert(format!("{name}: {unknown:?} sd"), (sd, width));
        }
    }
    all
}

/// The largest change, in parts of the interval, and of what.
fn largest(before: &Told, after: &Told) -> (f64, String) {
    assert!(before.keys().eq(after.keys()));
    let change = |(what, (value, width)): (&String, &(f64, f64))| {
        let other = after[what].0;
        // Two times beyond the horizon are alike; a width of nothing is one of no digits.
        let change = if *value == other { 0.0 } else { (value - other).abs() };
        (if change == 0.0 { 0.0 } else { change / width.max(1e-9) }, what.clone())
    };
    before.iter().map(change).max_by(|a, b| a.0.total_cmp(&b.0)).unwrap()
}

fn readings(store: &Store) -> usize {
    let folder = tempfile::tempdir().unwrap();
    let written = export(store, folder.path(), true).unwrap();
    written.iter().find(|(file, _)| *file == "readings.csv").unwrap().1
}

fn again(store: &mut Store, folder: &Path) -> (usize, usize, usize) {
    let done = import(store, folder, Options::default(), &mut |note| panic!("{note:?}")).unwrap();
    let sum = |of: fn(&warecast::store::files::Counts) -> usize| {
        done.files.iter().map(|(_, counts)| of(counts)).sum()
    };
    (sum(|c| c.added), sum(|c| c.refused), sum(|c| c.known))
}

#[test]
fn no_answer_moves_by_more_than_a_hundredth_of_its_interval_and_no_import_brings_it_back() {
    let (_folder, mut store) = studio(4);
    let raw = tempfile::tempdir().unwrap();
    let rows = export(&store, raw.path(), false).unwrap().iter().map(|(_, n)| n).sum::<usize>();
    let (before, many) = (told(&store), readings(&store));
    // Nobody said that they are finished: after 60 days of silence they are, and 60 days later old.
    let now = START.plus(LISTENED + 200.0 * DAY);
    let done = thin_all(&mut store, now).unwrap();
    let left = readings(&store);
    let (change, what) = largest(&before, &told(&store));
    println!("{many} readings, {left} left; {change:.4} of {what}; {done:?}");
    assert!(change < 0.01, "{change} of {what}");
    let thinned = done.iter().filter(|(_, done)| matches!(done, Thinned::Gone(1000..)));
    assert!(thinned.count() >= 4, "{done:?}");
    assert!(left * 6 < many, "{left} of {many}");
    // A second time there is nothing left to be done.
    let nothing =
        |(_, done): &(Name, Thinned)| matches!(done, Thinned::Gone(0) | Thinned::Stays(_));
    assert!(thin_all(&mut store, now).unwrap().iter().all(nothing));
    assert_eq!(again(&mut store, raw.path()), (0, 0, rows));
    assert_eq!(readings(&store), left);
    // What was never there is none of it.
    let of = |source: &str, pot: Option<&str>| Reading {
        time: START.plus(3.0 * DAY + 7.123),
        source: source.into(),
        quantity: Quantity::Mass,
        value: 500.0,
        pot: pot.map(Name::from),
        count: None,
        spread: None,
    };
    let pot = store.pots().unwrap()[0].name.clone();
    let new = [of("another", None), of("bench", Some(&pot))];
    assert_eq!(store.append(&new, Clash::Refuse).unwrap().added, 2);
}

/// The same of any studios as files, each in a folder below `WARECAST_STUDIOS`; prints a line each.
#[test]
#[ignore = "wants WARECAST_STUDIOS"]
fn no_answer_moves_in_the_studios_of_a_folder() {
    let folder = std::env::var("WARECAST_STUDIOS").expect("WARECAST_STUDIOS: a folder");
    let mut entries: Vec<_> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    for entry in entries.into_iter().filter(|entry| entry.join("readings.csv").exists()) {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(folder.path()).unwrap();
        import(&mut store, &entry, Options::default(), &mut |_| {}).unwrap();
        let (before, many) = (told(&store), readings(&store));
        let now = end(&store).plus(200.0 * DAY);
        let done = thin_all(&mut store, now).unwrap();
        let stay = done.iter().filter(|(_, done)| matches!(done, Thinned::Stays(_))).count();
        let (change, what) = largest(&before, &told(&store));
        let name = entry.file_name().unwrap().display();
        let left = readings(&store);
        println!("{name}: {many} readings, {left} left, {stay} stay; {change:.5} of {what}");
        assert!(change < 0.01, "{name}: {change} of {what}");
    }
}

#[test]
fn readings_stay_raw_while_their_pot_is_unfinished_and_sixty_days_more() {
    let (_folder, mut store) = studio(2);
    let many = readings(&store);
    let row = |pot: &str, after: f64, action| HandlingRow {
        time: START.plus(after),
        pot: pot.into(),
        action,
    };
    let pots: Vec<Name> = store.pots().unwrap().into_iter().map(|pot| pot.name).collect();
    let packed = row(&pots[0], LISTENED, Action::Kiln);
    // Of the other something was said much later.
    let covered = row(&pots[1], 150.0 * DAY, Action::Flip);
    store.put_handling(&[packed, covered], Clash::Refuse).unwrap();
    let at = |days: f64| START.plus(LISTENED + days * DAY);
    thin_all(&mut store, at(59.0)).unwrap();
    assert_eq!(readings(&store), many);
    let weighings = |store: &Store, pot: &Name| {
        let studio = store.studio(at(59.0)).unwrap();
        (studio.weighings[pot].0.len(), studio.air[""].humidity.len())
    };
    let before = pots.iter().map(|pot| weighings(&store, pot)).collect::<Vec<_>>();
    let done = thin_all(&mut store, at(61.0)).unwrap();
    assert!(done[0].0 == pots[0] && matches!(done[0].1, Thinned::Gone(1000..)), "{done:?}");
    let after = pots.iter().map(|pot| weighings(&store, pot)).collect::<Vec<_>>();
    assert!(after[0].0 * 4 < before[0].0, "{before:?} {after:?}");
    // The other's weighings and the air that it stands in are as they were.
    assert_eq!((after[1], after[0].1), (before[1], before[0].1));
}

/// The windows that were due, of what was done.
fn windows(done: Vec<(Name, Thinned)>) -> Vec<(Name, bool)> {
    let windows = done.into_iter().filter(|(what, _)| what.starts_with("window"));
    windows.map(|(what, done)| (what, matches!(done, Thinned::Stays(_)))).collect()
}

/// One room, of which two sensors tell that differ and do not speak equally often: their means
/// weigh otherwise, so answers would move, and the air stays. It does so for good, also after a
/// restart, until a pot comes or is put right that the window means something to.
#[test]
fn a_window_that_was_looked_at_is_looked_at_again_only_where_its_pots_or_its_air_changed() {
    let (folder, mut store) = studio_whose_air_tells("shelf-a:room", 2);
    let other = |k: i32| Reading {
        time: START.plus(300.0 * f64::from(k) + 7.0),
        source: "shelf-b:room".into(),
        quantity: Quantity::Humidity,
        value: 0.8,
        pot: None,
        count: None,
        spread: None,
    };
    let others: Vec<Reading> = (0..(LISTENED / 300.0) as i32).map(other).collect();
    store.append(&others, Clash::Refuse).unwrap();
    let humid = |store: &Store| {
        let readings = |source| {
            let span = (START, START.plus(LISTENED));
            store.readings_of(source, Quantity::Humidity, span).unwrap().len()
        };
        store.sources_of(Quantity::Humidity).unwrap().iter().map(|s| readings(s)).sum::<usize>()
    };
    let many = humid(&store);
    let now = START.plus(LISTENED + 200.0 * DAY);
    let look = |store: &mut Store| windows(thin_all(store, now).unwrap());
    let first = look(&mut store);
    let stays = first.iter().filter(|(_, stays)| *stays).collect::<Vec<_>>();
    assert!(!stays.is_empty() && humid(&store) == many, "{first:?}");
    drop(store);
    let mut store = Store::open(folder.path()).unwrap();
    assert_eq!(look(&mut store), []);
    // An outcome that is noted afterwards is heard by none of the answers that were asked.
    let pot = store.pots().unwrap().remove(0);
    let time = now.plus(-100.0 * DAY);
    let action = Action::parse("outcome", "sound").unwrap();
    let sound = HandlingRow { time, pot: pot.name.clone(), action };
    store.put_handling(&[sound], Clash::Refuse).unwrap();
    assert_eq!(look(&mut store), []);
    // Put right, it has all windows looked at again that it lived in, and no other.
    let right = Pot { ball_g: pot.ball_g.map(|g| g + 5.0), ..pot.clone() };
    store.put_pots(&[right], Clash::Replace).unwrap();
    let of_pot = look(&mut store);
    assert!(!of_pot.is_empty() && of_pot.len() < first.len(), "{of_pot:?} of {first:?}");
    assert_eq!(look(&mut store), []);
    // So does one that is imported late.
    let late = Pot { name: "late".into(), ..pot };
    store.put_pots(std::slice::from_ref(&late), Clash::Refuse).unwrap();
    assert_eq!(look(&mut store), [], "it was not weighed");
    let weight = |k: i32| Reading {
        time: late.made_at.plus(DAY * f64::from(k)),
        source: "bench".into(),
        quantity: Quantity::Mass,
        value: 500.0 - f64::from(k),
        pot: Some(late.name.clone()),
        count: None,
        spread: None,
    };
    store.append(&[1, 2, 3].map(weight), Clash::Refuse).unwrap();
    assert_eq!(look(&mut store).len(), 1, "its weights lie in one window");
    assert_eq!(look(&mut store), []);
    // And air that is.
    store.append(&[Reading { time: START.plus(8.0), ..other(0) }], Clash::Refuse).unwrap();
    assert_eq!(look(&mut store).len(), 1);
    assert_eq!(look(&mut store), []);
}
