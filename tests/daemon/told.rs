//! A program of the potter's is told what changes, in time, and holds up nothing.

use super::bench::{Device, Studio, Watch, eventually, line};
use rustix::process::Signal;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use warecast::clock;
use warecast::records::{Body, Pot, Quantity, Reading};
use warecast::store::Clash;
use warecast::units::HOUR;

/// A jar that is to be trimmed now, and settings which name this program.
fn studio(program: &str) -> Studio {
    let studio = Studio::new();
    let made = clock::now().plus(-24.0 * HOUR);
    let body = Body {
        name: "tide".into(),
        bag_water_wet: Some(0.225),
        trim_from_dry: Some(0.23),
        trim_to_dry: Some(0.16),
    };
    let pot = Pot {
        ball_g: Some(713.0),
        wall_mm: Some(5.0),
        base_mm: Some(8.0),
        ..Pot::bare("jar", "tide", made)
    };
    let weight = |hours: f64, value| Reading {
        time: made.plus(hours * HOUR),
        source: "bench".into(),
        quantity: Quantity::Mass,
        value,
        pot: Some("jar".into()),
        count: None,
        spread: None,
    };
    let weights = [(0.5, 695.0), (6.0, 680.0), (16.0, 655.0), (23.5, 642.0)];
    let mut store = studio.store();
    store.put_bodies(&[body], Clash::Refuse).unwrap();
    store.put_pots(&[pot], Clash::Refuse).unwrap();
    store.append(&weights.map(|(h, g)| weight(h, g)), Clash::Refuse).unwrap();
    let settings = studio.path().join("studio.toml");
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(settings, format!("{text}\n[tell]\nprogram = {program}\n")).unwrap();
    studio
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
