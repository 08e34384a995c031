//! `kiln` through the real binary: loads are made, shown, drawn and forgotten; what is wrong with
//! them is said. The pots and their weights are invented.

#[path = "daemon/bench.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod bench;

use bench::{Studio, output, run};
use serde_json::Value;
use std::fs;
use std::path::Path;
use warecast::answers::{Taught, kiln};
use warecast::clock;
use warecast::core::candling::Candling;
use warecast::core::kiln::{Load, Question};
use warecast::records::{Action, Body, HandlingRow, KilnPot, Name, Pot, Quantity, Reading};
use warecast::store::Clash;
use warecast::units::{DAY, HOUR, Time};

/// When they came off the wheel: 2031-04-02T14:00:00Z, a Wednesday.
const MADE: Time = Time(1_932_904_800_000_000);
/// When they are asked about: 72 h later.
const NOW: &str = "2031-04-05 14:00";
/// When the load is packed: four days later.
const PACKED: Time = Time(MADE.0 + 7 * 86_400_000_000);

/// Weights of a jar of 600 g with a base of 8 mm by hours, and what each mm more holds back, g.
const DRYING: [(f64, f64, f64); 7] = [
    (2.0, 572.0, 0.0),
    (14.0, 531.0, 0.3),
    (26.0, 499.0, 0.6),
    (38.0, 476.0, 0.9),
    (50.0, 465.0, 0.9),
    (62.0, 461.5, 0.7),
    (70.0, 461.0, 0.5),
];

fn reading(source: &str, quantity: Quantity, time: Time, value: f64, pot: Option<&str>) -> Reading {
    let pot = pot.map(Into::into);
    Reading { time, source: source.into(), quantity, value, pot, count: None, spread: None }
}

/// Jars with the thickness of their base, mm, weighed for 70 h (save `lid`) in a steady room, in a
/// load.
fn studio(made: Time, pots: &[(&str, f64)], load: &str) -> Studio {
    let studio = Studio::new();
    let body = Body {
        name: "tide".into(),
        bag_water_wet: Some(0.22),
        trim_from_dry: Some(0.23),
        trim_to_dry: Some(0.16),
    };
    let pot = |(name, base): &(&str, f64)| Pot {
        ball_g: Some(600.0),
        wall_mm: Some(6.0),
        base_mm: Some(*base),
        board: Some("north".into()),
        ..Pot::bare(name, "tide", made)
    };
    let mut readings = Vec::new();
    for half_hour in 0..=240 {
        let time = made.plus(HOUR * (0.5 * f64::from(half_hour) - 48.0));
        readings.push(reading("room", Quantity::Temperature, time, 22.0, None));
        readings.push(reading("room", Quantity::Humidity, time, 0.40, None));
    }
    for (name, base) in pots.iter().filter(|(name, _)| *name != "lid") {
        let weight = |(hours, grams, held): &(f64, f64, f64)| {
            let grams = grams + held * (base - 8.0);
            reading("bench", Quantity::Mass, made.plus(HOUR * hours), grams, Some(name))
        };
        readings.extend(DRYING.iter().map(weight));
    }
    let packed = |(name, _): &(&str, f64)| KilnPot {
        load: load.into(),
        at: made.plus(PACKED.since(MADE)),
        pot: (*name).into(),
    };
    let mut store = studio.store();
    store.put_bodies(&[body], Clash::Refuse).unwrap();
    store.put_pots(&pots.iter().map(pot).collect::<Vec<_>>(), Clash::Refuse).unwrap();
    store.append(&readings, Clash::Refuse).unwrap();
    store.put_kiln_pots(&pots.iter().map(packed).collect::<Vec<_>>(), Clash::Refuse).unwrap();
    studio
}

/// A thin one and a thick one.
fn two() -> Studio {
    studio(MADE, &[("jar-1", 8.0), ("jar-2", 14.0)], "spring")
}

fn note(studio: &Studio, pot: &str, action: Action) {
    let time = MADE.plus(71.0 * HOUR);
    let row = HandlingRow { time, pot: pot.into(), action };
    studio.store().put_handling(&[row], Clash::Refuse).unwrap();
}

fn refused(studio: &Studio, args: &[&str]) -> String {
    let (status, out, errors) = output(studio, args);
    assert_eq!((status, out.as_str()), (Some(2), ""), "{errors}");
    errors
}

/// The page without its line breaks.
fn flat(studio: &Studio) -> String {
    run(studio, &SHOW).split_whitespace().collect::<Vec<_>>().join(" ")
}

const SHOW: [&str; 5] = ["kiln", "show", "spring", "--at", NOW];

fn json(studio: &Studio, more: &[&str]) -> Value {
    let (status, out, errors) = output(studio, &[&SHOW, more, &["--json"]].concat());
    assert_eq!((status, errors.as_str()), (Some(0), ""));
    serde_json::from_str(&out).unwrap()
}

#[test]
fn a_hold_beyond_practice_is_told_as_such() {
    let studio = studio(MADE, &[("jar-1", 21.0)], "spring");
    let words = "So long a hold is beyond practice: the less water is left, the shorter it is, so \
                 let jar-1 dry longer in the room.";
    studio.settings("[kiln]\nhours_per_cm = 22\n");
    assert!(!flat(&studio).contains(words));
    studio.settings("[kiln]\nhours_per_cm = 24\n");
    assert!(flat(&studio).contains(words));
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[test]
fn a_load_is_told_with_its_wettest_pot_its_water_and_its_first_stage() {
    let studio = two();
    let load = json(&studio, &[]);
    let caution = load["caution"].as_str().unwrap();
    assert!(caution.contains("steam") && caution.contains("local codes come first"), "{caution}");
    assert_eq!((&load["load"], &load["packed_at"]), (&"spring".into(), &PACKED.to_string().into()));
    // The thick base holds it up, and comes first.
    assert_eq!((&load["wettest"], &load["pots"][0]["pot"]), (&"jar-2".into(), &"jar-2".into()));
    let [thick, thin] = [0, 1].map(|k| &load["pots"][k]);
    assert!(number(&thick["chance"]) < number(&thin["chance"]));
    assert!(number(&load["chance"]) <= number(&thick["chance"]));
    assert_eq!(load["at_most"], false);
    // All water that is left: in 450 g of clay in this air 5 to 15 g, in two pots twice that.
    let water = |of: &Value| number(&of["water_g"]["p50"]);
    assert!((4.0..20.0).contains(&water(thin)), "{thin:#}");
    assert!((water(&load) - water(thin) - water(thick)).abs() < 2.0, "{load:#}");
    let stage = &load["first_stage"];
    assert_eq!((&stage["pot"], &stage["altitude_m"]), (&"jar-2".into(), &Value::Null));
    assert!((number(&stage["hold_c"]) - 89.97).abs() < 0.02);
    assert!((number(&stage["practice_h"]) - 5.6).abs() < 1e-9);
    let longer = number(&stage["diffusion_h"]["p50"]).max(5.6);
    assert_eq!(number(&stage["hold_h"]), longer);
    // A thin base dries in the square of its thickness.
    assert!(number(&thin["diffusion_h"]["p50"]) < 0.6 * number(&thick["diffusion_h"]["p50"]));
    let page = flat(&studio);
    for said in [
        "Dry when it is packed – Wed 9 Apr 2031 14:00",
        "The wettest is jar-2",
        "driven off",
        "no more than 90 °C",
        "Common practice for that",
        "Controllers overshoot",
        "up to 120 °C",
        "set altitude_m",
        "no further drying detected in this air",
        "kiln maker's",
        "local codes",
        "the inside of the pot",
        "Vent the kiln",
    ] {
        assert!(page.contains(said), "{said}: {page}");
    }
    assert!(!page.contains("safe"), "{page}");
}

/// At constant air: the later it is packed, the likelier it is dry; and never likelier than its
/// wettest pot.
#[test]
fn more_time_never_makes_a_load_less_likely_dry() {
    let studio = studio(MADE, &[("jar-1", 8.0), ("jar-2", 12.0), ("jar-3", 16.0)], "spring");
    let at = MADE.plus(72.0 * HOUR);
    let known = studio.store().studio(at).unwrap();
    let taught = Taught::new(&known);
    let candling = Candling { hold: 85.0, rest: 0.005, hours_per_cm: 4.0, least_hours: 2.0 };
    let names: Vec<Name> = ["jar-1", "jar-2", "jar-3"].map(Into::into).into();
    let names: Vec<&Name> = names.iter().collect();
    let load = |names: &[&Name], days: f64| -> Load {
        let question = Question { at, date: DAY * days, wanted: 0.8, candling };
        kiln::load(&known, &taught, names, &question, &|| ())
    };
    let mut last = [0.0; 4];
    for days in [0.0, 1.0, 3.1, 6.0, 20.0] {
        let told = load(&names, days);
        let mut chances: Vec<f64> = vec![told.chance.unwrap()];
        let mut pots: Vec<_> = told.pots.iter().collect();
        pots.sort_by_key(|pot| &pot.pot);
        chances.extend(pots.iter().map(|pot| pot.chance));
        for (k, (now, before)) in chances.iter().zip(&mut last).enumerate() {
            assert!(*now >= *before, "{k} after {days} days: {now} < {before}");
            *before = *now;
        }
        assert!(chances[1..].iter().all(|pot| chances[0] <= *pot + 1e-12), "{chances:?}");
    }
    // More pots are never likelier, nor do they hold less water.
    let (all, fewer) = (load(&names, 3.1), load(&names[..2], 3.1));
    assert!(fewer.chance >= all.chance && fewer.water_g.p50 < all.water_g.p50);
    assert!(last[0] > 0.5, "{last:?}");
    assert!(load(&names, 1.0).water_g.p50 > all.water_g.p50);
    // Sure at the time that is told, and hardly before.
    let sure = load(&names, 1.0).sure.unwrap().since(at) / DAY;
    assert!(load(&names, sure + 0.01).chance.unwrap() >= 0.8);
    assert!(load(&names, sure - 0.01).chance.unwrap() < 0.8 + 0.01);
}

#[test]
fn a_thick_base_that_lags_is_to_be_turned_over() {
    let studio = two();
    // A day and a half after they were made: the walls are stiff by then, the bases are not.
    let asked =
        ["kiln", "show", "spring", "--at", "2031-04-04 02:00", "--date", "2031-04-06 10:00"];
    let turned = || {
        let (_, out, _) = output(&studio, &[&asked[..], &["--json"]].concat());
        let load: Value = serde_json::from_str(&out).unwrap();
        let pots = load["pots"].as_array().unwrap().clone();
        let thick = pots.into_iter().find(|told| told["pot"] == "jar-2").unwrap();
        (thick["chance"].as_f64().unwrap(), thick["turned"].as_f64())
    };
    let (chance, then) = turned();
    assert!(then.is_some_and(|then| then >= chance + 0.05), "{chance}, {then:?}");
    let page = run(&studio, &asked);
    assert!(page.contains("Turn over now") && page.contains(" in place of "), "{page}");
    // What stands on its rim is not to be turned.
    let row =
        HandlingRow { time: MADE.plus(35.0 * HOUR), pot: "jar-2".into(), action: Action::Flip };
    studio.store().put_handling(&[row], Clash::Refuse).unwrap();
    assert_eq!(turned().1, None);
}

#[test]
fn what_cannot_be_told_of_is_said_and_left_out() {
    let studio = studio(MADE, &[("jar-1", 8.0), ("lid", 6.0)], "spring");
    let load = json(&studio, &[]);
    assert_eq!((&load["at_most"], &load["leave_out"][0]), (&true.into(), &"lid".into()));
    assert_eq!(load["pots"][0]["doubts"][0]["code"], "no-weight");
    // The chance is that of the other alone.
    assert_eq!(load["chance"], load["pots"][1]["chance"]);
    let page = run(&studio, &SHOW);
    assert!(page.contains("Cannot be told") && page.contains("1 of 2: "), "{page}");
    // None is left of which it can be told.
    note(&studio, "jar-1", Action::Kiln);
    let load = json(&studio, &[]);
    assert_eq!((&load["chance"], &load["wettest"]), (&Value::Null, &Value::Null));
    assert_eq!(load["not_counted"][0]["why"], "in the kiln");
    let page = run(&studio, &SHOW);
    assert!(page.contains("Not counted: jar-1 (in the kiln)"), "{page}");
    assert!(page.contains("It cannot be told of any"), "{page}");
    note(&studio, "lid", Action::Lost(None));
    assert!(run(&studio, &SHOW).contains("No pot of it is drying."));
    assert_eq!(json(&studio, &[])["first_stage"], Value::Null);
    let said = refused(&studio, &[&SHOW[..], &["-o", "none.svg"]].concat());
    assert!(said.contains("nothing to draw") && !Path::new("none.svg").exists(), "{said}");
}

#[test]
fn a_load_whose_time_has_passed_is_told_as_it_is_now() {
    let studio = two();
    let later = ["kiln", "show", "spring", "--at", "2031-04-10 14:00"];
    let page = run(&studio, &later);
    assert!(page.contains("Its time, Wed 9 Apr 2031 14:00, has passed"), "{page}");
    assert!(page.contains("last weighed 5 days ago"), "{page}");
    // Another date is a question, and changes nothing.
    let before = run(&studio, &SHOW);
    let soon = json(&studio, &["--date", "2031-04-05 20:00"]);
    assert!(number(&soon["chance"]) <= number(&json(&studio, &[])["chance"]));
    assert_eq!(run(&studio, &SHOW), before);
    for (date, why) in [("2031-04-01 9:00", "past"), ("2031-06-01 9:00", "30 days")] {
        let said = refused(&studio, &[&SHOW[..], &["--date", date]].concat());
        assert!(said.contains(why), "{said}");
    }
}

#[test]
fn a_load_is_made_changed_and_forgotten() {
    let made = clock::now().plus(-72.0 * HOUR);
    let studio = studio(made, &[("jar-1", 8.0), ("jar-2", 14.0), ("lid", 6.0)], "spring");
    let said = run(&studio, &["kiln", "add", "second", "jar-1", "--date", "in 50 h"]);
    assert!(said.starts_with("Load second: jar-1 added; 1 pot in it, packed "), "{said}");
    let (_, said, errors) = output(&studio, &["kiln", "add", "second", "north"]);
    assert!(said.contains("jar-2 and lid added; 3 pots in it"), "{said}");
    assert!(errors.contains("In another load, too: jar-1 in spring"), "{errors}");
    let moved = run(&studio, &["kiln", "add", "second", "--date", "in 100 h"]);
    assert!(moved.contains("Load second: 3 pots in it") && moved.contains("in 4 days"), "{moved}");
    let list = run(&studio, &["kiln", "list"]);
    let [spring, second] = ["spring", "second"].map(|name| list.find(name).unwrap());
    assert!(spring < second && list.contains("(in 4 days)"), "{list}");
    let told = run(&studio, &["kiln", "remove", "second", "lid", "jar-2"]);
    assert_eq!(told, "Load second: lid and jar-2 taken off; 1 pot left.\n");
    let (status, _, errors) = output(&studio, &["kiln", "remove", "second", "lid"]);
    assert_eq!((status, errors.contains("not in second: lid")), (Some(1), true));
    assert_eq!(run(&studio, &["kiln", "remove", "second"]), "Load second is forgotten.\n");
    assert!(!run(&studio, &["kiln", "list"]).contains("second"));
    assert!(run(&studio, &["kiln", "show", "spring"]).contains("note POT… kiln"));
}

#[test]
fn wrong_input_says_what_is_wrong_and_what_to_do() {
    let made = clock::now().plus(-72.0 * HOUR);
    let studio = studio(made, &[("jar-1", 8.0), ("jar-2", 14.0)], "spring");
    let packed = HandlingRow { time: made, pot: "jar-2".into(), action: Action::Kiln };
    studio.store().put_handling(&[packed], Clash::Refuse).unwrap();
    for (args, why) in [
        (&["show", "sprin"][..], "no kiln load \"sprin\": did you mean \"spring\"?"),
        (&["remove", "autumn"], "no kiln load \"autumn\": see `warecast kiln list`"),
        (&["add", "new", "jar-1"], "when is new packed? Say it with --date"),
        (&["add", "new", "--date", "in 9 h"], "which pots go into new?"),
        (&["add", "spring"], "which pots go into spring?"),
        (&["add", "new", "jar-9", "--date", "in 9 h"], "did you mean \"jar-"),
        (&["add", "new", "jar-2", "--date", "in 9 h"], "jar-2 is in the kiln by its log"),
        (&["add", "new", "jar-1", "--date", "yesterday 9:00"], "lies in the past"),
        (&["add", "new", "jar-1", "--date", "soon"], "not a time that I understand"),
        (&["add", "a\u{1b}[31m", "jar-1", "--date", "in 9 h"], "cannot hold control characters"),
        (&["add", "", "jar-1", "--date", "in 9 h"], "name"),
        (&["show", "a\u{1b}[31m"], "no kiln load \"a\\u{1b}[31m\""),
    ] {
        let said = refused(&studio, &[&["kiln"][..], args].concat());
        assert!(said.contains(why), "{args:?}: {said}");
        assert!(!said.contains('\u{1b}'), "{said:?}");
    }
    let rows = studio.store().kiln_pots().unwrap();
    assert!(rows.len() == 2 && rows.iter().all(|row| row.load == "spring"), "{rows:?}");
}

#[test]
fn altitude_and_margins_are_settings() {
    let studio = two();
    studio.settings("[kiln]\naltitude_m = 1600\n");
    let stage = |load: &Value| load["first_stage"].clone();
    let high = stage(&json(&studio, &[]));
    assert!((number(&high["boils_c"]) - 94.65).abs() < 0.05, "{high}");
    let page = flat(&studio);
    assert!(page.contains("no more than 84 °C (water boils at 94 °C at 1600 m)"), "{page}");
    assert!(!page.contains("set altitude_m"), "{page}");
    studio.settings("units = \"us\"\n[kiln]\naltitude_m = 1600\nbelow_boiling_c = 20\n");
    let page = flat(&studio);
    assert!(page.contains("no more than 166 °F") && page.contains("up to 248 °F"), "{page}");
    assert!(page.contains(" oz ("), "{page}");
    // Colder takes longer by diffusion; practice is the floor, whatever it is.
    let cold = stage(&json(&studio, &[]));
    let middle = |stage: &Value| number(&stage["diffusion_h"]["p50"]);
    assert!(middle(&cold) > middle(&high));
    studio.settings("[kiln]\nhours_per_cm = 24\nwanted = 0.99\nrest_percent = 2\n");
    let load = json(&studio, &[]);
    let practice = number(&stage(&load)["practice_h"]);
    assert!((practice - 1.4 * 24.0).abs() < 1e-9, "{load:#}");
    assert_eq!(number(&stage(&load)["hold_h"]), middle(&stage(&load)).max(practice));
    assert_eq!(load["wanted"], 0.99);
    for (line, why) in [
        ("altitude_m = 8000", "2:14: expected -430 to 5500"),
        ("below_boiling_c = 0", "2:19: expected 5 to 40"),
        ("least_hours = 0.5", "2:15: expected 1 to 48"),
        ("hold = 3", "2:1: unknown setting \"hold\""),
    ] {
        studio.settings(&format!("[kiln]\n{line}\n"));
        let said = refused(&studio, &SHOW);
        assert!(said.contains(why), "{said}");
    }
}

#[test]
fn a_load_is_drawn_in_words_and_never_over_somebodys_file() {
    let studio = studio(MADE, &[("jar <1>", 8.0), ("jar-2", 14.0), ("lid", 6.0)], "spring & all");
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name).display().to_string();
    let draw = |file: &str, more: &[&str]| {
        let args = ["kiln", "show", "spring & all", "--at", NOW, "-o", file];
        output(&studio, &[&args, more].concat())
    };
    let svg = path("load.svg");
    assert_eq!(draw(&svg, &[]).0, Some(0));
    let text = fs::read_to_string(&svg).unwrap();
    for said in [
        "Kiln load spring &amp; all",
        "jar &lt;1&gt;",
        "cannot be told",
        "packed Wed 9 Apr",
        "turns to steam in the kiln.",
        "instructions and local codes come first. This program has not seen the inside",
    ] {
        assert!(text.contains(said), "{said}");
    }
    let (status, _, errors) = draw(&svg, &[]);
    assert_eq!((status, errors.contains("exists")), (Some(2), true), "{errors}");
    assert_eq!(draw(&svg, &["--force"]).0, Some(0));
    assert_eq!(fs::read_to_string(&svg).unwrap(), text);
    let png = path("load.png");
    assert_eq!(draw(&png, &[]).0, Some(0));
    assert!(fs::read(&png).unwrap().starts_with(b"\x89PNG"));
    assert_eq!(draw(&path("load.gif"), &[]).0, Some(2));
}
