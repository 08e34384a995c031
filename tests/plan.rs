//! `plan` through the real binary: list, JSON, calendar, accepting, settings and what is wrong with
//! them. The pots are invented. The calendar is read by rules of RFC 5545, named beside each check.

#[path = "daemon/bench.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod bench;

use bench::{Studio, output, run};
use serde_json::Value;
use std::fs;
use warecast::clock;
use warecast::records::{Action, Body, Cover, HandlingRow, Pot, Quantity, Reading};
use warecast::store::Clash;
use warecast::units::{HOUR, Time};

/// When they came off the wheel: 2031-04-02T14:00:00Z, a Wednesday.
const MADE: Time = Time(1_932_904_800_000_000);

/// Pots of a ball of 600 g with their boards, open since `made`, in a room that was 22 °C and 40 %
/// for two days.
fn studio(made: Time, pots: &[(&str, Option<&str>)]) -> Studio {
    let studio = Studio::new();
    let body = Body {
        name: "tide".into(),
        bag_water_wet: Some(0.22),
        trim_from_dry: Some(0.23),
        trim_to_dry: Some(0.16),
    };
    let pot = |(name, board): &(&str, Option<&str>)| Pot {
        ball_g: Some(600.0),
        wall_mm: Some(6.0),
        base_mm: Some(9.0),
        board: board.map(Into::into),
        ..Pot::bare(name, "tide", made)
    };
    let mut readings = Vec::new();
    for half_hour in 0..=104 {
        let time = made.plus(HOUR * (0.5 * f64::from(half_hour) - 48.0));
        for (quantity, value) in [(Quantity::Temperature, 22.0), (Quantity::Humidity, 0.40)] {
            let source = "room".into();
            let (pot, count, spread) = (None, None, None);
            readings.push(Reading { time, source, quantity, value, pot, count, spread });
        }
    }
    let mut store = studio.store();
    store.put_bodies(&[body], Clash::Refuse).unwrap();
    store.put_pots(&pots.iter().map(pot).collect::<Vec<_>>(), Clash::Refuse).unwrap();
    store.append(&readings, Clash::Refuse).unwrap();
    studio
}

/// A jar whose window comes at night, asked about at 17:40.
fn jar() -> Studio {
    studio(MADE, &[("jar-1", None)])
}

const ASKED: [&str; 5] = ["plan", "--at", "2031-04-02 17:40", "--hours", "9-13,15-18"];

fn json(studio: &Studio, more: &[&str]) -> Value {
    let (status, out, errors) = output(studio, &[&ASKED, more, &["--json"]].concat());
    assert_eq!((status, errors.as_str()), (Some(0), ""));
    serde_json::from_str(&out).unwrap()
}

fn refused(studio: &Studio, args: &[&str]) -> String {
    let (status, out, errors) = output(studio, args);
    assert_eq!((status, out.as_str()), (Some(2), ""), "{errors}");
    errors
}

#[test]
fn a_window_of_the_night_is_moved_into_the_hours() {
    let studio = jar();
    let plan = json(&studio, &[]);
    let pot = &plan["pots"][0];
    let trim = |key: &str| pot["trim"][key].as_f64().unwrap();
    assert!(trim("as_it_is") < 0.5 && trim("planned") >= 0.8, "{pot:#}");
    assert_eq!(pot["instead"], Value::Null);
    // Covered before the potter goes home.
    let step = &plan["steps"][0];
    assert_eq!((&step["action"], &step["pots"][0]), (&"cover".into(), &"jar-1".into()));
    let time = step["time"].as_str().unwrap();
    assert!(["2031-04-02T17:45:00Z", "2031-04-02T18:00:00Z"].contains(&time), "{time}");
    let hour: u32 = pot["slot"]["from"].as_str().unwrap()[11..13].parse().unwrap();
    assert!((9..13).contains(&hour) || (15..18).contains(&hour), "{pot:#}");
    // What a picture needs: the covers along time, the first now's.
    assert_eq!(pot["covers"][0]["cover"], "open");
    assert_eq!(pot["covers"][1]["cover"], step["detail"]);
    assert_eq!(plan["hours"][0]["to"], "2031-04-02T18:00:00Z");
    let page = run(&studio, &ASKED);
    assert!(page.contains("What to do") && page.contains("jar-1"), "{page}");
    assert!(page.contains("trim jar-1"), "{page}");
}

#[test]
fn what_cannot_be_had_is_said_with_what_comes_nearest() {
    let studio = jar();
    // Nobody is there until all is over, and no cover can be changed.
    let plan = ["plan", "--at", "2031-04-02 17:40", "--hours", "fri 9-13"];
    let page = run(&studio, &plan);
    assert!(page.contains("Nothing.") && page.contains("What cannot be had"), "{page}");
    let said = page.split("What cannot be had").nth(1).unwrap();
    assert!(said.contains("jar-1: ") && said.contains("likeliest trimmable"), "{page}");
}

#[test]
fn the_kiln_is_told_with_its_cautions() {
    let studio = jar();
    let kiln = |when| ["--kiln", when];
    let plan = json(&studio, &kiln("2031-04-11 9:00"));
    let chances = &plan["pots"][0]["kiln"];
    assert!(chances["planned"].as_f64().unwrap() >= 0.8, "{chances}");
    assert!(plan["pots"][0]["bone_dry"]["p50"].is_string());
    let latest = &plan["latest_to_throw"][0];
    assert_eq!((&latest["body"], &latest["like"]), (&"tide".into(), &"jar-1".into()));
    let by = latest["to_dry"].as_str().unwrap();
    assert!(("2031-04-03".."2031-04-11T09:00:00Z").contains(&by), "{latest}");
    assert_eq!(latest["to_trim"], Value::Null);
    let soon = json(&studio, &kiln("2031-04-03 6:00"));
    assert!(soon["pots"][0]["kiln"]["planned"].as_f64().unwrap() < 0.1);
    let page = run(&studio, &[&ASKED[..], &kiln("2031-04-03 6:00")].concat());
    assert!(page.contains("dry for the kiln") && page.contains("for the kiln;"), "{page}");
    assert!(page.contains("kiln maker's instructions"), "{page}");
    for (when, why) in [("2031-03-01 9:00", "past"), ("2031-06-01 9:00", "30 days")] {
        let said = refused(&studio, &[&ASKED[..], &kiln(when)].concat());
        assert!(said.contains(why), "{said}");
    }
}

#[test]
fn whoever_is_away_leaves_pots_under_plastic() {
    let studio = jar();
    let plan = json(&studio, &["--away", "5 days"]);
    let leaves = "2031-04-02T18:00:00Z";
    assert!(plan["hours"].as_array().unwrap().iter().all(|span| {
        let from = span["from"].as_str().unwrap();
        from < leaves || from >= "2031-04-07T18:00:00Z"
    }));
    for step in plan["steps"].as_array().unwrap() {
        let time = step["time"].as_str().unwrap();
        assert!(time <= leaves || time >= "2031-04-07T18:00:00Z", "{step}");
    }
    let page = run(&studio, &[&ASKED[..], &["--away", "5d"]].concat());
    assert!(page.contains("Nobody is there from Wed 2 Apr 2031 18:00 to Mon 7 Apr"), "{page}");
    assert!(page.contains("Latest to throw") && page.contains("too late now"), "{page}");
    for wrong in ["soon", "40d", "0d"] {
        refused(&studio, &[&ASKED[..], &["--away", wrong]].concat());
    }
}

#[test]
fn a_board_stands_for_its_pots_and_a_pot_brings_its_board() {
    let north = Some("north");
    let studio = studio(MADE, &[("jar-1", north), ("jar-2", north), ("cup", None)]);
    let pots = |more: &[&str]| -> Vec<String> {
        let plan = json(&studio, more);
        let pots = plan["pots"].as_array().unwrap().iter();
        pots.map(|pot| pot["pot"].as_str().unwrap().into()).collect()
    };
    assert_eq!(pots(&["north"]), ["jar-1", "jar-2"]);
    assert_eq!(pots(&["jar-2"]), ["jar-1", "jar-2"]);
    assert_eq!(pots(&["cup"]), ["cup"]);
    assert_eq!(pots(&[]), ["cup", "jar-1", "jar-2"]);
    let page = run(&studio, &[&ASKED[..], &["jar-2"]].concat());
    assert!(page.contains("One sheet covers a board: with it goes jar-1."), "{page}");
    let said = refused(&studio, &[&ASKED[..], &["nroth"]].concat());
    assert!(said.contains("did you mean \"north\""), "{said}");
}

#[test]
fn nothing_to_plan_for_is_no_fault() {
    let empty = studio(MADE, &[]);
    assert!(run(&empty, &ASKED).contains("No pot is drying."));
    assert_eq!(json(&empty, &[])["pots"], Value::Array(vec![]));
}

#[test]
fn hours_are_asked_for_and_checked() {
    let studio = jar();
    let said = refused(&studio, &["plan", "--at", "2031-04-02 17:40"]);
    assert!(said.contains("--hours 9-13,15-18") && said.contains("studio.toml"), "{said}");
    let said = refused(&studio, &["plan", "--hours", "9-13,25-26"]);
    assert!(said.contains("column 6") && said.contains("\"25\" is no hour"), "{said}");
    // From the settings, by the day of the week: 2 April 2031 is a Wednesday.
    studio.settings("[plan]\nhours = \"mon-fri 9-12; sat 10-14\"\ntrim_minutes = 30\n");
    let (status, out, _) = output(&studio, &["plan", "--at", "2031-04-02 17:40", "--json"]);
    assert_eq!(status, Some(0));
    let plan: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(plan["hours"][2]["from"], "2031-04-05T10:00:00Z");
    assert_eq!(plan["hours"][3]["from"], "2031-04-07T09:00:00Z");
    assert_eq!(plan["trim_s"], 1800.0);
}

#[test]
fn settings_that_cannot_be_are_refused_in_their_place() {
    let studio = jar();
    for (line, place, why) in [
        ("hours = \"9-13,15\"", "2:9", "column 8: expected - and an end"),
        ("there = \"never\"", "2:9", "no day"),
        ("trim_minutes = 0", "2:16", "expected 1 to 240"),
        ("wanted = 1.0", "2:10", "expected 0.5 to 0.99"),
        ("covers = [\"draped\", \"open\"]", "2:21", "expected draped, wrapped or cupboard"),
        ("weekend = true", "2:1", "unknown setting"),
    ] {
        studio.settings(&format!("[plan]\n{line}\n"));
        let said = refused(&studio, &["plan"]);
        assert!(said.contains(&format!("studio.toml:{place}:")) && said.contains(why), "{said}");
    }
}

#[test]
fn us_units_and_another_clock_change_what_is_read_not_what_is_told() {
    let studio = jar();
    studio.settings("units = \"us\"\ntime_zone = \"America/New_York\"\n");
    // 13:40 there.
    let hours = ["plan", "--at", "2031-04-02T17:40:00Z", "--hours", "9am-5pm"];
    let page = run(&studio, &hours);
    assert!(page.contains("Plan as of Wed 2 Apr 2031 13:40"), "{page}");
    let (_, out, _) = output(&studio, &[&hours[..], &["--json"]].concat());
    let plan: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(plan["hours"][0]["to"], "2031-04-02T21:00:00Z");
    assert_eq!(plan["hours"][1]["from"], "2031-04-03T13:00:00Z");
}

/// Who wants to hear of every crack hears of the jar's.
#[test]
fn what_may_crack_is_told() {
    let studio = jar();
    let quiet = json(&studio, &[]);
    let cracks = |plan: &Value, key: &str| plan["pots"][0]["cracks"][key].as_f64().unwrap();
    assert_eq!(quiet["warn_from"], 0.2);
    let chance = cracks(&quiet, "planned");
    assert!((0.0..0.2).contains(&chance), "{quiet:#}");
    assert!(!run(&studio, &ASKED).contains("Drying unevenly"));
    studio.settings("[drying]\nwarn_from = 0.02\n");
    let told = json(&studio, &[]);
    let said = run(&studio, &ASKED).split_whitespace().collect::<Vec<_>>().join(" ");
    let worst = cracks(&told, "planned").max(cracks(&told, "as_it_is"));
    assert!(worst >= 0.02 && said.contains("Drying unevenly – told from 2.0% on"), "{said}");
    assert!(said.contains("jar-1: ") && said.contains("crack or warp"), "{said}");
    assert!(said.contains("no outcome of this body was noted yet"), "{said}");
}

/// A time zone in which it is between twelve and one.
fn midday(now: Time) -> String {
    let hour = (now.seconds() / HOUR).rem_euclid(24.0) as i32;
    // POSIX signs: Etc/GMT-5 is five hours ahead.
    format!("Etc/GMT{:+}", hour - 12)
}

/// Steps become planned rows, for which forecasts go; the plan then says so and adds none.
#[test]
fn what_is_accepted_is_planned() {
    let now = clock::now();
    let studio = studio(now.plus(-4.0 * HOUR), &[("jar-1", Some("north"))]);
    let zone = midday(now);
    studio.settings(&format!("time_zone = \"{zone}\"\n"));
    let zone = jiff::tz::TimeZone::get(&zone).unwrap();
    let day = |days| zone.to_datetime(now.plus(24.0 * HOUR * days).timestamp());
    let day = |days| day(days).strftime("%a").to_string();
    let hours = format!("{} 9-14; {} 9-18", day(0.0), day(2.0));
    let said = run(&studio, &["plan", "--hours", &hours, "--accept"]);
    assert!(said.contains("Planned for jar-1."), "{said}");
    let rows = studio.store().handling().unwrap();
    assert!(!rows.is_empty() && rows.iter().all(|row| row.time > now), "{rows:?}");
    assert!(matches!(rows[0].action, Action::Cover(Cover::Draped | Cover::Wrapped)), "{rows:?}");
    let again = run(&studio, &["plan", "--hours", &hours, "--accept"]);
    assert!(again.contains("(planned already)") && again.contains("Nothing to accept."), "{again}");
    assert_eq!(studio.store().handling().unwrap(), rows);
    // Who renews the calendar has what was planned in it.
    let file = studio.path().join("again.ics");
    let asked = ["plan", "--hours", &hours, "--json", "--calendar", file.to_str().unwrap()];
    let (_, out, _) = output(&studio, &asked);
    let listed: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(listed["planned"].as_array().unwrap().len(), rows.len(), "{listed:#}");
    assert_eq!(listed["steps"], Value::Array(vec![]));
    let lines = unfolded(&fs::read(&file).unwrap());
    assert!(lines.iter().any(|line| line.contains("(planned already)")), "{lines:#?}");
    // Hours that have changed: what was planned is taken back where it is in the way.
    let other = format!("{} 9-14; {} 9-18", day(0.0), day(5.0));
    run(&studio, &["plan", "--hours", &other, "--accept"]);
    let said = refused(&studio, &["plan", "--hours", &hours, "--accept", "--at", "yesterday 9:00"]);
    assert!(said.contains("cannot be used with"), "{said}");
}

/// What was accepted is left as it is while forecasts move a little; where they move further it is
/// said, or something else proposed.
#[test]
fn what_was_planned_is_left_alone_while_it_nearly_serves() {
    let studio = jar();
    let step = json(&studio, &[])["steps"][0].clone();
    let cover = Cover::parse(step["detail"].as_str().unwrap()).unwrap();
    let time: jiff::Timestamp = step["time"].as_str().unwrap().parse().unwrap();
    let time = Time::from_seconds(time.as_second() as f64);
    let row = HandlingRow { time, pot: "jar-1".into(), action: Action::Cover(cover) };
    studio.store().plan_handling(&[row], Clash::Refuse).unwrap();
    let asked = |wanted: f64| {
        studio.settings(&format!("[plan]\nwanted = {wanted}\n"));
        let asked = ["plan", "--at", "2031-04-02 17:40", "--hours", "9-10"];
        let (_, out, _) = output(&studio, &[&asked[..], &["--json"]].concat());
        let plan: Value = serde_json::from_str(&out).unwrap();
        (plan, run(&studio, &asked))
    };
    let chance = asked(0.5).0["pots"][0]["trim"]["as_it_is"].as_f64().unwrap();
    assert!((0.7..0.94).contains(&chance), "{chance}");
    let (plan, page) = asked(chance + 0.04);
    assert_eq!(
        (&plan["steps"], &plan["pots"][0]["instead"]),
        (&Value::Array(vec![]), &Value::Null)
    );
    assert!(page.contains("(planned already)") && !page.contains("What cannot be had"), "{page}");
    let (plan, page) = asked(chance + 0.06);
    let changed = !plan["steps"].as_array().unwrap().is_empty();
    assert!(changed || page.contains("What cannot be had"), "{page}");
}

/// A cover that would change nothing, as what was to come before it was not done, is taken back and
/// said; plastic that is planned for others is no longer there.
#[test]
fn what_is_no_longer_to_be_done_is_taken_back() {
    let studio = studio(MADE, &[("jar-1", None), ("jar-2", None)]);
    let row = |time: Time, pot: &str, cover| HandlingRow {
        time,
        pot: pot.into(),
        action: Action::Cover(cover),
    };
    let open = row(MADE.plus(60.0 * HOUR), "jar-1", Cover::Open);
    let wrap = row(MADE.plus(5.0 * HOUR), "jar-2", Cover::Wrapped);
    studio.store().plan_handling(&[open.clone(), wrap], Clash::Refuse).unwrap();
    let (_, out, _) = output(&studio, &[&ASKED[..], &["jar-1", "--json"]].concat());
    let plan: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(plan["planned"], Value::Array(vec![]));
    assert_eq!(plan["replaces"][0]["time"], open.time.to_string());
    let page = run(&studio, &[&ASKED[..], &["jar-1"]].concat());
    assert!(page.contains("Taken back with --accept: Sat 02:00 uncover jar-1."), "{page}");
    studio.settings("[plan]\nsheets = 1\n");
    let (_, out, _) = output(&studio, &[&ASKED[..], &["jar-1", "--json"]].concat());
    let plan: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(plan["sheets"], 0);
}

/// Lines of a calendar, unfolded (RFC 5545, 3.1).
fn unfolded(bytes: &[u8]) -> Vec<String> {
    let text = std::str::from_utf8(bytes).unwrap();
    assert!(text.ends_with("\r\n") && !text.replace("\r\n", "").contains(['\r', '\n']));
    assert!(text.split("\r\n").all(|line| line.len() <= 75), "a line of more than 75 octets");
    text.replace("\r\n ", "").split_terminator("\r\n").map(String::from).collect()
}

/// RFC 5545, 3.6: "The body of the iCalendar object consists of a sequence of calendar properties
/// and one or more calendar components."
#[test]
fn a_calendar_of_nothing_holds_one_event() {
    let studio = studio(MADE, &[]);
    let file = studio.path().join("plan.ics");
    run(&studio, &[&ASKED[..], &["--calendar", file.to_str().unwrap()]].concat());
    let lines = unfolded(&fs::read(&file).unwrap());
    let has = |wanted: &str| lines.iter().filter(|line| line.as_str() == wanted).count();
    assert_eq!((has("BEGIN:VEVENT"), has("END:VEVENT")), (1, 1), "{lines:#?}");
    assert_eq!(has("SUMMARY:Nothing to cover or trim"), 1, "{lines:#?}");
}

#[test]
fn a_calendar_holds_names_that_would_break_it() {
    let hostile = "jar; END:VEVENT, \\n ☃ and a name that is folded ééééééééé";
    let studio = studio(MADE, &[(hostile, None), ("jar-1", None)]);
    let file = studio.path().join("plan.ics");
    let path = file.to_str().unwrap();
    run(&studio, &[&ASKED[..], &["--calendar", path]].concat());
    let lines = unfolded(&fs::read(&file).unwrap());
    // 3.4, 3.6: one calendar object, with its two required properties.
    assert_eq!((lines[0].as_str(), lines[1].as_str()), ("BEGIN:VCALENDAR", "VERSION:2.0"));
    assert!(lines[2].starts_with("PRODID:") && lines.last().unwrap() == "END:VCALENDAR");
    let count = |start: &str| lines.iter().filter(|line| line.starts_with(start)).count();
    let events = count("BEGIN:VEVENT");
    assert!(events >= 4, "{lines:#?}");
    // 3.6.1: each event has one UID and DTSTAMP; one DTSTART where there is no METHOD.
    for one in ["END:VEVENT", "UID:", "DTSTAMP:20310402T174000Z", "DTSTART:", "SUMMARY:"] {
        assert_eq!(count(one), events, "{one}");
    }
    let mut known: Vec<&String> = lines.iter().filter(|l| l.starts_with("UID:")).collect();
    known.sort();
    known.dedup();
    assert_eq!(known.len(), events, "3.8.4.7: globally unique");
    // 3.3.5, form 2: UTC.
    let times = lines.iter().filter(|l| l.starts_with("DTSTART:") || l.starts_with("DTEND:"));
    for time in times {
        let value = time.split_once(':').unwrap().1;
        assert!(value.len() == 16 && value.ends_with('Z') && &value[8..9] == "T", "{time}");
    }
    // 3.3.11: escaped as text.
    let name = "jar\\; END:VEVENT\\, \\\\n ☃ and a name";
    assert!(lines.iter().any(|l| l.starts_with("SUMMARY:") && l.contains(name)), "{lines:#?}");
    // It is not overwritten unasked.
    let again = [&ASKED[..], &["--calendar", path]].concat();
    assert!(refused(&studio, &again).contains("--force"));
    run(&studio, &[&again[..], &["--force"]].concat());
    let nowhere = studio.path().join("nowhere");
    let lost = nowhere.join("plan.ics");
    let said = refused(&studio, &[&ASKED[..], &["--calendar", lost.to_str().unwrap()]].concat());
    assert!(said.contains(&format!("there is no folder {}", nowhere.display())), "{said}");
}

/// A jar that was wrapped, and was to be uncovered three hours ago: planned, not noted.
fn overdue(now: Time) -> Studio {
    let made = now.plus(-24.0 * HOUR);
    let studio = studio(made, &[("jar-1", None)]);
    let row = |hours: f64, cover| HandlingRow {
        time: now.plus(HOUR * hours),
        pot: "jar-1".into(),
        action: Action::Cover(cover),
    };
    let mut store = studio.store();
    store.put_handling(&[row(-22.0, Cover::Wrapped)], Clash::Refuse).unwrap();
    store.plan_handling(&[row(-3.0, Cover::Open)], Clash::Refuse).unwrap();
    drop(store);
    studio.settings(&format!("time_zone = \"{}\"\n", midday(now)));
    studio
}

const HOURS: [&str; 3] = ["plan", "--hours", "9-17"];

#[test]
fn a_step_that_nobody_confirmed_is_asked_about_and_confirmed_by_a_note() {
    let studio = overdue(clock::now());
    assert_eq!(studio.store().planned().unwrap().len(), 1);
    let page = run(&studio, &HOURS);
    assert!(page.contains("Planned, and not confirmed"), "{page}");
    assert!(page.contains("uncover jar-1, ") && page.contains("was it done?"), "{page}");
    let (_, out, _) = output(&studio, &[&HOURS[..], &["--json"]].concat());
    let json: Value = serde_json::from_str(&out).unwrap();
    let open = &json["unconfirmed"][0];
    let says = ["action", "detail", "board", "done", "refuted"].map(|key| &open[key]);
    assert_eq!(says, [&"cover".into(), &"open".into(), &Value::Null, &Value::Null, &false.into()]);
    // It was done an hour later than planned: the log has that time alone.
    let said = run(&studio, &["note", "jar-1", "cover", "open", "--at", "2 h ago"]);
    assert!(said.contains("Noted: ") && said.contains("It was planned for "), "{said}");
    let store = studio.store();
    assert_eq!(store.planned().unwrap(), []);
    assert_eq!(store.handling().unwrap().len(), 2);
    drop(store);
    assert!(!run(&studio, &HOURS).contains("not confirmed"));
}

#[test]
fn a_step_is_confirmed_by_its_own_time_or_taken_back() {
    let now = clock::now();
    let studio = overdue(now);
    let planned = studio.store().planned().unwrap();
    let at = planned[0].time.to_string();
    let note = ["note", "jar-1", "cover", "open", "--at", &at];
    assert!(run(&studio, &note).contains("Noted already"));
    assert_eq!(studio.store().planned().unwrap(), []);
    assert_eq!(studio.store().handling().unwrap().len(), 2);
    let studio = overdue(now);
    run(&studio, &[&note[..], &["--undo"]].concat());
    assert_eq!(studio.store().planned().unwrap(), []);
    assert_eq!(studio.store().handling().unwrap().len(), 1);
    // What is noted ahead of its time is planned, too; another cover confirms nothing.
    let studio = overdue(now);
    assert!(run(&studio, &["note", "jar-1", "cover", "draped", "--at", "in 5 h"]).contains("Plan"));
    run(&studio, &["note", "jar-1", "cover", "cupboard"]);
    assert_eq!(studio.store().planned().unwrap().len(), 2);
    // A cover that was noted since is the last word.
    assert!(!run(&studio, &HOURS).contains("not confirmed"));
}

#[test]
fn other_work_has_its_own_band_and_words() {
    let studio = jar();
    let carve = json(&studio, &["--for", "carve"]);
    assert_eq!((&carve["work"], &carve["trim_s"]), (&"carve".into(), &1800.0.into()));
    let band =
        |plan: &Value| ["from", "to"].map(|key| plan["pots"][0]["band"][key].as_f64().unwrap());
    // From 0.2 to 1.0 of 23 to 16 %.
    let [from, to] = band(&carve);
    assert!((from - 0.216).abs() < 1e-9 && (to - 0.16).abs() < 1e-9, "{from} {to}");
    let opens = |plan: &Value| plan["pots"][0]["opens"]["p50"].as_str().map(String::from);
    let (trim, burnish) = (json(&studio, &[]), json(&studio, &["--for", "burnish"]));
    assert_eq!(band(&trim), [0.23, 0.16]);
    assert!(opens(&trim) < opens(&carve) && opens(&carve) < opens(&burnish));
    let page = run(&studio, &[&ASKED[..], &["--for", "burnish"]].concat());
    assert!(page.contains("Burnishing wants 19–14% water (dry basis)."), "{page}");
    assert!(page.contains("\nBurnishing\n") && page.contains("it can be burnished"), "{page}");
    assert!(!page.contains("rim"), "{page}");
    // Where a handle was joined on already nothing lies ahead.
    let made = MADE.plus(HOUR);
    let row = HandlingRow { time: made, pot: "jar-1".into(), action: Action::Attach(Some(20.0)) };
    studio.store().put_handling(&[row], Clash::Refuse).unwrap();
    assert_eq!(json(&studio, &["--for", "attach"])["pots"][0]["trim"], Value::Null);
    studio.settings("[plan.carve]\nfrom = 0.5\n");
    assert!((band(&json(&studio, &["--for", "carve"]))[0] - 0.195).abs() < 1e-9);
    let said = refused(&studio, &[&ASKED[..], &["--for", "glaze"]].concat());
    assert!(said.contains("trim, attach, carve, burnish"), "{said}");
}

#[test]
fn pairs_come_together() {
    let studio = studio(MADE, &[("jar-1", None), ("lid-1", None), ("cup", None)]);
    // Neither was weighed: that they are alike is hardly known.
    studio.settings("[plan]\nalike = 1.0\n");
    let all_day = ["plan", "--at", "2031-04-02 17:40", "--hours", "0-24", "--json"];
    let (_, out, _) =
        output(&studio, &[&all_day[..], &["jar-1", "--pair", "jar-1", "lid-1"]].concat());
    let plan: Value = serde_json::from_str(&out).unwrap();
    let pots = plan["pots"].as_array().unwrap();
    let pair = |k: usize| (pots[k]["pot"].as_str().unwrap(), pots[k]["pair"].as_str());
    assert_eq!(
        (pair(0), pair(1), pots.len()),
        (("jar-1", Some("lid-1")), ("lid-1", Some("jar-1")), 2)
    );
    assert_eq!(pots[0]["trim"], pots[1]["trim"]);
    assert!(pots[0]["trim"]["planned"].as_f64().unwrap() > 0.5, "{plan:#}");
    let pairs = "[plan]\npairs = [[\"jar-1\", \"lid-1\"], [\"gone\", \"cup\"]]\nalike = ";
    studio.settings(&format!("{pairs}1.0\n"));
    let page = run(&studio, &[&all_day[..5], &["lid-1"]].concat());
    assert!(page.contains("pairs stay together: with it goes jar-1."), "{page}");
    assert!(page.contains("Of a pair: "), "{page}");
    studio.settings(&format!("{pairs}0.05\n"));
    let page = run(&studio, &[&ASKED[..], &["lid-1"]].concat());
    assert!(page.contains("as damp as each other: "), "{page}");
    for (args, why) in [
        (["--pair", "jar-1", "lid-2"], "did you mean \"lid-1\""),
        (["--pair", "jar-1", "jar-1"], "in a pair already"),
    ] {
        let said = refused(&studio, &[&ASKED[..], &args].concat());
        assert!(said.contains(why), "{said}");
    }
}

#[test]
fn a_plan_is_drawn() {
    let studio = studio(MADE, &[("jar <1> & lid", Some("north")), ("cup", None)]);
    let file = studio.path().join("plan.svg");
    let path = file.to_str().unwrap();
    let draw = [&ASKED[..], &["--kiln", "2031-04-11 9:00", "--output", path]].concat();
    run(&studio, &draw);
    let text = fs::read_to_string(&file).unwrap();
    let svg = roxmltree::Document::parse(&text).unwrap();
    let words: String = svg.descendants().filter_map(|node| node.text()).collect();
    for wanted in ["Trimming by plan", "jar <1> & lid", "north", "kiln Fri 11 Apr 09:00", "→"] {
        assert!(words.contains(wanted), "{wanted}: {words}");
    }
    // Where a kiln is named stands who comes first there; in the JSON, too, and nowhere else.
    let caution = "local codes come first. This program has not seen the inside of the pot.";
    assert!(words.contains("turns to steam in the kiln.") && words.contains(caution), "{words}");
    let listed = json(&studio, &["--kiln", "2031-04-11 9:00"]);
    assert!(listed["caution"].as_str().unwrap().ends_with(caution));
    assert_eq!(json(&studio, &[])["caution"], Value::Null);
    run(&studio, &[&ASKED[..], &["--output", path, "--force"]].concat());
    assert!(!fs::read_to_string(&file).unwrap().contains(caution));
    assert!(refused(&studio, &draw).contains("--force"));
    run(&studio, &[&draw[..], &["--force"]].concat());
    let said = refused(&studio, &[&ASKED[..], &["--output", "plan.gif"]].concat());
    assert!(said.contains(".svg or .png"), "{said}");
    assert!(refused(&studio, &[&ASKED[..], &["--force"]].concat()).contains("--output"));
}
