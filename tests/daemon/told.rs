//! A program of the potter's is told what changes, in time, and holds up nothing.

use super::bench::{Device, Studio, Watch, eventually, line, output};
use rustix::process::Signal;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use warecast::clock;
use warecast::records::{Action, Body, HandlingRow, Pot, Quantity, Reading};
use warecast::store::{Clash, Store};
use warecast::units::{HOUR, Time};

/// Hours and grams of a jar that is to be trimmed now, a day after it was made.
const WEIGHTS: [(f64, f64); 4] = [(0.5, 695.0), (6.0, 680.0), (16.0, 655.0), (23.5, 642.0)];

fn weight(time: Time, source: &str, value: f64, pot: Option<&str>) -> Reading {
    let (source, pot) = (source.into(), pot.map(Into::into));
    Reading { time, source, quantity: Quantity::Mass, value, pot, count: None, spread: None }
}

/// Such jars of these names, each as much heavier as it says, made a day ago.
fn jars(store: &mut Store, names: &[(&str, f64)]) -> Time {
    let made = clock::now().plus(-24.0 * HOUR);
    let body = Body {
        name: "tide".into(),
        bag_water_wet: Some(0.225),
        trim_from_dry: Some(0.23),
        trim_to_dry: Some(0.16),
    };
    let pot = |(name, heavier): &(&str, f64)| Pot {
        ball_g: Some(713.0 * heavier),
        wall_mm: Some(5.0),
        base_mm: Some(8.0),
        ..Pot::bare(name, "tide", made)
    };
    store.put_bodies(&[body], Clash::Refuse).unwrap();
    store.put_pots(&names.iter().map(pot).collect::<Vec<_>>(), Clash::Refuse).unwrap();
    made
}

/// A jar that is to be trimmed now, and settings which name this program.
fn studio(program: &str) -> Studio {
    let studio = Studio::new();
    let mut store = studio.store();
    let made = jars(&mut store, &[("jar", 1.0)]);
    let weights = WEIGHTS.map(|(h, g)| weight(made.plus(h * HOUR), "bench", g, Some("jar")));
    store.append(&weights, Clash::Refuse).unwrap();
    tell(&studio, program);
    studio
}

fn tell(studio: &Studio, program: &str) {
    let settings = studio.path().join("studio.toml");
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(settings, format!("{text}\n[tell]\nprogram = {program}\n")).unwrap();
}

#[test]
fn a_program_is_told_what_the_terminal_says() {
    let folder = tempfile::tempdir().unwrap();
    let (ring, heard) = (folder.path().join("ring"), folder.path().join("heard"));
    // An argument that a shell would carry out.
    let harm = format!("; touch {}", folder.path().join("harm").display());
    fs::write(
        &ring,
        "#!/bin/sh\ncat > \"$1.part\"; echo \"$2\" >> \"$1.part\"; mv \"$1.part\" \"$1\"\n",
    )
    .unwrap();
    fs::set_permissions(&ring, fs::Permissions::from_mode(0o700)).unwrap();
    let studio = studio(&format!("['{}', '{}', '{harm}']", ring.display(), heard.display()));
    let device = Device::new();
    let mut watch = Watch::on(&studio, &device.path);
    watch.until("jar: trim now", 1);
    eventually("it is told", || heard.exists());
    assert!(watch.end(Signal::TERM).success(), "{}", watch.everything_said());
    let said = fs::read_to_string(&heard).unwrap();
    let (json, argument) = said.trim_end().rsplit_once('}').unwrap();
    assert_eq!(argument, harm);
    assert!(!folder.path().join("harm").exists());
    let json: serde_json::Value = serde_json::from_str(&format!("{json}}}")).unwrap();
    let told = json["told"].as_array().unwrap();
    let text = |key: &str| told[0][key].as_str().unwrap();
    assert_eq!((told.len(), text("pot"), text("text")), (1, "jar", "trim now"));
    assert_eq!(told[0]["trim"]["call"], "now");
    for time in
        [&json["at"], &told[0]["trim"]["closes"]["p50"], &told[0]["fire"]["bone_dry"]["p50"]]
    {
        assert!(time.as_str().unwrap().ends_with('Z'), "{json}");
    }
}

/// A jar and a planter, a fifth heavier, changed cells in the middle of their day, and nobody wrote
/// that down: told is what the report says, in which both are followed.
#[test]
fn of_pots_that_changed_cells_is_told_what_the_report_says() {
    let folder = tempfile::tempdir().unwrap();
    let heard = folder.path().join("heard");
    let studio = Studio::new();
    let mut store = studio.store();
    let pots = [("jar", 1.0), ("planter", 1.2)];
    let made = jars(&mut store, &pots);
    tell(&studio, &format!("['/bin/sh', '-c', 'cat > \"$0.$$\"', '{}']", heard.display()));
    let on = |(pot, _): &(&str, f64)| HandlingRow {
        time: made,
        pot: (*pot).into(),
        action: Action::On(format!("cell of the {pot}")),
    };
    store.put_handling(&[on(&pots[0]), on(&pots[1])], Clash::Refuse).unwrap();
    let jar_weighs = |hours: f64| {
        let next = WEIGHTS.iter().position(|(h, _)| *h > hours).unwrap_or(3).max(1);
        let [(from, a), (to, b)] = [WEIGHTS[next - 1], WEIGHTS[next]];
        a + (b - a) * (hours - from) / (to - from)
    };
    let said = (2..95).flat_map(|k| {
        let hours = f64::from(k) / 4.0;
        let [jar, planter] = pots.map(|(_, heavier)| heavier * jar_weighs(hours));
        let shown = if hours < 12.1 { [jar, planter] } else { [planter, jar] };
        let cells = ["cell of the jar", "cell of the planter"].into_iter().zip(shown);
        cells.map(move |(cell, g)| weight(made.plus(hours * HOUR), cell, g, None))
    });
    store.append(&said.collect::<Vec<_>>(), Clash::Refuse).unwrap();
    let device = Device::new();
    let mut watch = Watch::on(&studio, &device.path);
    pots.iter().for_each(|(pot, _)| watch.until(&format!("{pot}: trim now"), 1));
    let told = || {
        let files = fs::read_dir(folder.path()).unwrap().flatten();
        let all = files.filter_map(|file| {
            let text = fs::read(file.path()).unwrap();
            serde_json::from_slice::<serde_json::Value>(&text).ok()
        });
        let words = all.flat_map(|said| said["told"].as_array().unwrap().clone());
        words.collect::<Vec<_>>()
    };
    eventually("both are told", || told().len() == 2);
    assert!(watch.end(Signal::TERM).success(), "{}", watch.everything_said());
    let (status, report, err) = output(&studio, &["report", "--json"]);
    assert_eq!(status, Some(0), "{err}");
    let report: serde_json::Value = serde_json::from_str(&report).unwrap();
    for told in told() {
        let pots = report["pots"].as_array().unwrap();
        let pot = pots.iter().find(|pot| pot["pot"] == told["pot"]).unwrap();
        let found = pot["found"].as_array().unwrap();
        assert!(found.iter().any(|found| found["action"] == "on"), "{pot}");
        assert_eq!(told["trim"]["call"], pot["trim"]["call"]);
        assert_eq!(told["fire"]["call"], pot["fire"]["call"]);
        let time = |of: &serde_json::Value, what: &str| {
            let [part, which] = what.split('/').collect::<Vec<_>>()[..] else { panic!("{what}") };
            Time::parse_rfc3339(of[part][which]["p50"].as_str().unwrap()).unwrap()
        };
        for what in ["trim/opens", "trim/closes", "fire/bone_dry"] {
            // They were asked some seconds apart.
            let apart = time(&told, what).since(time(pot, what)).abs();
            assert!(apart < 120.0, "{what}: {apart} s, {told} {pot}");
        }
    }
}

#[test]
fn a_program_that_hangs_or_is_not_there_holds_up_no_reading_and_no_end() {
    for (program, is_run) in [("['/bin/sleep', '613']", true), ("['/nowhere/ring']", false)] {
        let studio = studio(program);
        let mut device = Device::new();
        let mut watch = Watch::on(&studio, &device.path);
        let sleeps = || {
            let all = fs::read_dir("/proc").unwrap().flatten();
            let lines = all.filter_map(|p| fs::read(p.path().join("cmdline")).ok());
            lines.filter(|line| line == b"/bin/sleep\x00613\x00").count() > 0
        };
        match is_run {
            true => eventually("it is run", sleeps),
            false => {
                watch.until("/nowhere/ring could not be run: there is nothing of that name", 1)
            }
        }
        for i in 0..100 {
            device.send(line("cell", 1.9e9 + 60.0 * f64::from(i), f64::from(i)));
        }
        eventually("all stored", || studio.samples("cell") == 100);
        assert!(watch.end(Signal::TERM).success(), "{}", watch.everything_said());
        assert!(!sleeps(), "it ends with watch");
    }
}
