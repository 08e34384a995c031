//! The scorecard of a made-up shelf against the same numbers from `report --at`, and what it takes
//! for true against the shelf's own truth.
//!
//! The rule of the questions, the scores and the tallies are written here a second time, from their
//! definitions: the interval score after Gneiting & Raftery, J. Am. Stat. Assoc. 102 (2007) 359,
//! eq. 43. Simulated: says nothing about real pots.

use assert_cmd::Command;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use tempfile::TempDir;
use warecast::records::{Action, HandlingRow};
use warecast::simulate::scenario::{self, SHELF};
use warecast::simulate::shelf::{Reporting, Shelf};
use warecast::store::{Clash, Store};
use warecast::units::{DAY, HOUR, Time};

const BEGINS: f64 = 1_932_796_800.0;
const HORIZON: f64 = 30.0 * DAY;

/// When a pot passed the limits and was dry, and how damp its wettest part was every hour.
#[derive(Default)]
struct Truth {
    passed: [Option<Time>; 3],
    wettest: BTreeMap<Time, f64>,
}

struct Played {
    folder: TempDir,
    end: Time,
    made: BTreeMap<String, Time>,
    truths: BTreeMap<String, Truth>,
    trims: Vec<HandlingRow>,
}

/// Two weeks of the demo's studio. What the hand said is left out, since it moves the band away
/// from the limits whose passing is noted here.
fn play() -> Played {
    let mut scenario = scenario::demo(1);
    scenario.length = f64::INFINITY;
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(folder.path()).unwrap();
    store.put_bodies(&scenario.bodies, Clash::Refuse).unwrap();
    let bodies = scenario.bodies.clone();
    let start = Time::from_seconds(BEGINS);
    let mut shelf = Shelf::new(scenario, 1, start, Reporting::default());
    let mut played = Played {
        folder,
        end: start,
        made: BTreeMap::new(),
        truths: BTreeMap::new(),
        trims: Vec::new(),
    };
    let mut readings = Vec::new();
    while shelf.elapsed() < 14.0 * DAY {
        let moment = shelf.advance().unwrap();
        readings.extend(moment.sample.readings(SHELF));
        readings.extend(moment.bench);
        store.put_pots(&moment.made, Clash::Refuse).unwrap();
        let done: Vec<HandlingRow> = moment
            .done
            .into_iter()
            .filter(|row| !matches!(row.action, Action::Verdict(_)))
            .collect();
        store.put_handling(&done, Clash::Refuse).unwrap();
        played.trims.extend(done.into_iter().filter(|row| row.action == Action::Trim));
        for pot in moment.made {
            played.made.insert(pot.name, pot.made_at);
        }
        for pot in shelf.pots().iter().filter(|pot| played.made.contains_key(&pot.name)) {
            let Some(truth) = shelf.truth(&pot.name) else { continue };
            let balance = shelf.balance(&pot.name).unwrap();
            let body = bodies.iter().find(|b| b.name == pot.body).unwrap();
            let levels = [body.trim_from_dry.unwrap(), body.trim_to_dry.unwrap(), balance + 0.005];
            let known = played.truths.entry(pot.name.clone()).or_default();
            for (passed, level) in known.passed.iter_mut().zip(levels) {
                if truth.water <= level {
                    passed.get_or_insert(moment.time);
                }
            }
            if moment.time.seconds() % HOUR == 0.0 {
                known.wettest.insert(moment.time, truth.wettest - balance);
            }
        }
        played.end = moment.time;
    }
    store.append(&readings, Clash::Refuse).unwrap();
    played
}

fn json(studio: &Path, args: &[&str]) -> Value {
    let mut command = Command::cargo_bin("warecast").unwrap();
    let run = command.env_remove("WARECAST_STUDIO").arg("--studio").arg(studio).args(args);
    let output = run.assert().success().get_output().stdout.clone();
    serde_json::from_slice(&output).unwrap()
}

fn time(value: &Value) -> Option<Time> {
    value.as_str().map(|text| Time::parse_rfc3339(text).unwrap())
}

/// Ages and steps of the clock, as the help says them.
fn questions(made: Time, until: Time) -> Vec<Time> {
    let hours = [(3, 1), (6, 1), (12, 3), (24, 6), (48, 12), (96, 24), (192, 24)];
    let put_off = |(age, step): (i64, i64)| {
        let (due, step) = (made.0 + age * 3_600_000_000, step * 3_600_000_000);
        Time((due + step - 1) / step * step)
    };
    hours.map(put_off).into_iter().filter(|t| *t <= until).collect()
}

fn of<'a>(report: &'a Value, pot: &str) -> &'a Value {
    report["pots"].as_array().unwrap().iter().find(|p| p["pot"] == pot).unwrap()
}

fn event<'a>(answer: &'a Value, name: &str) -> &'a Value {
    match name {
        "opens" => &answer["trim"]["opens"],
        "closes" => &answer["trim"]["closes"],
        _ => &answer["fire"]["bone_dry"],
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    0.5 * (values[(n - 1) / 2] + values[n / 2])
}

#[track_caller]
fn close(got: &Value, want: f64, what: &str) {
    let got = got.as_f64().unwrap();
    assert!((got - want).abs() < 1e-9 * want.abs().max(1.0), "{what}: {got}, {want}");
}

#[test]
fn the_scorecard_says_what_reports_of_then_say() {
    let played = play();
    let studio = played.folder.path();
    let at = played.end.to_string();
    let card = json(studio, &["scorecard", "--at", &at, "--json"]);
    let picture = studio.join("record.svg");
    json(studio, &["scorecard", "--at", &at, "--json", "-o", picture.to_str().unwrap()]);
    let rows = card["forecasts"].as_array().unwrap();
    let drawn = std::fs::read_to_string(&picture).unwrap();
    let drawn = roxmltree::Document::parse(&drawn).unwrap();
    let texts: String = drawn.descendants().filter_map(|n| n.text()).collect();
    assert!(texts.contains("what happened"), "{texts}");
    // Every forecast is a dot where it held and a cross where it did not; one dot more
    // is in the legend.
    let held = rows.iter().filter(|row| row["inside"] == true).count();
    let dots = drawn.descendants().filter(|n| n.has_tag_name("circle")).count();
    assert_eq!(dots, held + 1);
    let calls = card["calls"].as_array().unwrap();
    assert!(card["all"]["pots"].as_u64().unwrap() >= 7 && rows.len() >= 25, "{}", card["all"]);

    // Every question was asked that the rule asks, and no other.
    let mut asked: BTreeMap<&str, Vec<Time>> = BTreeMap::new();
    for call in calls {
        let pot = call["pot"].as_str().unwrap();
        asked.entry(pot).or_default().push(time(&call["asked_at"]).unwrap());
    }
    assert_eq!(asked.len() as u64, card["all"]["pots"]);
    let mut reports: BTreeMap<Time, Value> = BTreeMap::new();
    for (pot, times) in &asked {
        // Those on a cell are weighed to the end, but for one that was only on the bench.
        let rule = questions(played.made[*pot], played.end);
        assert_eq!(times[..], rule[..times.len()], "{pot}");
        assert!(times.len() == rule.len() || *pot == "jar-3", "{pot}");
        for t in times {
            let report = || json(studio, &["report", "--at", &t.to_string(), "--json"]);
            reports.entry(*t).or_insert_with(report);
        }
    }

    // Calls are those of the reports; windows and dryness those of the shelf.
    let mut trim = [0; 6];
    let mut fire = [0; 6];
    for call in calls {
        let (pot, t) = (call["pot"].as_str().unwrap(), time(&call["asked_at"]).unwrap());
        let answer = of(&reports[&t], pot);
        assert_eq!(call["trim"], answer["trim"]["call"], "{pot} {t}");
        assert_eq!(call["fire"], answer["fire"]["call"], "{pot} {t}");
        let weighed =
            time(&answer["evidence"]["last_reading_at"]).is_some_and(|w| t.since(w) <= DAY);
        assert_eq!(call["weighed_within_24_h"], weighed, "{pot} {t}");
        let truth = &played.truths[pot];
        let [opens, closes, _] = truth.passed.map(|p| p.map_or(f64::NEG_INFINITY, |p| t.since(p)));
        let window = call["window"].as_str().unwrap();
        match window {
            "before" => assert!(opens < 0.5 * HOUR, "{pot} {t}"),
            "in" => assert!(opens > -0.5 * HOUR && closes < 0.5 * HOUR, "{pot} {t}"),
            "after" => assert!(closes > -0.5 * HOUR, "{pot} {t}"),
            word => assert_eq!(word, "unsure"),
        }
        let part = call["wettest_part"].as_str().unwrap();
        let wettest = truth.wettest[&t];
        match part {
            "dry" => assert!(wettest < 0.013, "{pot} {t}: {wettest}"),
            "damp" => assert!(wettest > 0.007, "{pot} {t}: {wettest}"),
            word => assert_eq!(word, "unsure"),
        }
        let said = &answer["trim"]["call"];
        if window != "unsure" && said != "done" {
            let (now, open) = (said == "now", window == "in");
            let (soon, late) = (now && window == "before", now && window == "after");
            count(&mut trim, [true, now, soon, late, open, open && !now]);
        }
        let said = &answer["fire"]["call"];
        if part != "unsure" {
            let (ready, dry) = (said == "ready", part == "dry" && weighed);
            let (wait, doubtful) = (dry && said == "wait", dry && said == "doubtful");
            count(&mut fire, [true, ready, ready && part == "damp", dry, wait, doubtful]);
        }
    }
    let keys = ["asked", "now", "too_soon", "too_late", "open", "missed"];
    assert_eq!(keys.map(|k| card["all"]["trim_calls"][k].as_u64().unwrap()), trim);
    let keys = ["asked", "ready", "too_soon", "dry", "missed", "doubtful"];
    assert_eq!(keys.map(|k| card["all"]["fire_calls"][k].as_u64().unwrap()), fire);
    assert!(trim[1] > 0 && fire[1] > 0, "{trim:?} {fire:?}");

    for (name, key) in [("opens", "opens"), ("closes", "closes"), ("bone-dry", "bone_dry")] {
        let of_event: Vec<&Value> = rows.iter().filter(|row| row["event"] == name).collect();
        let mut truths: BTreeMap<&str, Time> = BTreeMap::new();
        let (mut errors, mut shares, mut scores, mut inside) = (vec![], vec![], vec![], 0);
        for row in &of_event {
            let (pot, t) = (row["pot"].as_str().unwrap(), time(&row["asked_at"]).unwrap());
            let said = event(of(&reports[&t], pot), name);
            for p in ["p10", "p50", "p90"] {
                assert_eq!(row[p], said[p], "{pot} {name} {t}");
            }
            let truth = time(&row["truth"]["p50"]).unwrap();
            truths.insert(pot, truth);
            let whole = truth.since(played.made[pot]);
            let ahead = |p: &str| time(&said[p]).map_or(HORIZON, |s| s.since(t).min(HORIZON));
            let [low, middle, high] = ["p10", "p50", "p90"].map(ahead);
            let happened = truth.since(t);
            inside += u64::from(low <= happened && happened <= high);
            errors.push((middle - happened).abs() / HOUR);
            shares.push((middle - happened).abs() / whole);
            let missed = (low - happened).max(0.0) + (happened - high).max(0.0);
            scores.push((high - low + 10.0 * missed) / HOUR);
        }
        // None that was fair is missing.
        for (pot, truth) in &truths {
            let trimmed = |t: &Time| {
                played.trims.iter().any(|r| r.pot == *pot && r.time > *t && r.time <= *truth)
            };
            let fair = asked[pot].iter().filter(|t| *t < truth && !trimmed(t)).count();
            let got = of_event.iter().filter(|row| row["pot"] == *pot).count();
            assert_eq!(got, fair, "{pot} {name}");
            // What is taken for true: within a tenth of the whole of the shelf's own truth.
            let i = ["opens", "closes", "bone-dry"].iter().position(|e| *e == name).unwrap();
            let shelf = played.truths[*pot].passed[i].unwrap();
            let off = truth.since(shelf) / shelf.since(played.made[*pot]);
            println!("{pot} {name}: off by {off:.4} of the whole");
            assert!(off.abs() < 0.1, "{pot} {name}: {truth}, {shelf}");
        }
        let figures = &card["all"][key];
        assert_eq!(figures["truths"], truths.len() as u64, "{name}");
        assert_eq!(figures["forecasts"], of_event.len() as u64, "{name}");
        assert_eq!(figures["inside"], inside, "{name}");
        let mean = scores.iter().sum::<f64>() / scores.len() as f64;
        close(&figures["mean_interval_score_h"], mean, name);
        close(&figures["median_error_h"], median(errors), name);
        close(&figures["median_error_share"], median(shares), name);
    }
}

fn count(sums: &mut [u64; 6], what: [bool; 6]) {
    for (sum, one) in sums.iter_mut().zip(what) {
        *sum += u64::from(one);
    }
}

#[test]
fn nothing_is_scored_before_a_pot_has_finished() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(folder.path()).unwrap();
    store.put_bodies(&scenario::demo(1).bodies, Clash::Refuse).unwrap();
    drop(store);
    let run = |args: &[&str]| {
        let mut command = Command::cargo_bin("warecast").unwrap();
        command.env_remove("WARECAST_STUDIO").arg("--studio").arg(folder.path()).args(args);
        command.assert()
    };
    let said = run(&["scorecard"]).success();
    let said = String::from_utf8(said.get_output().stdout.clone()).unwrap();
    assert!(said.starts_with("No pot has finished yet"), "{said}");
    let card = json(folder.path(), &["scorecard", "--json"]);
    assert_eq!((&card["all"]["pots"], &card["all"]["opens"]), (&0.into(), &Value::Null));
    let slip = run(&["scorecard", "--body", "dune-grok"]).code(2);
    let slip = String::from_utf8(slip.get_output().stderr.clone()).unwrap();
    assert!(slip.contains("did you mean \"dune-grog\"?"), "{slip}");
    let picture = folder.path().join("record.svg");
    let none = run(&["scorecard", "-o", picture.to_str().unwrap()]).code(2);
    let none = String::from_utf8(none.get_output().stderr.clone()).unwrap();
    assert!(none.contains("no forecast can be scored yet") && !picture.exists(), "{none}");
}
