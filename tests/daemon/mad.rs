//! Devices that have gone mad, or mean harm: what they say never commands a terminal, is bounded in
//! every way, and the pots of others are none the worse.

use super::bench::{Device, Studio, Watch, command, eventually, line};
use rustix::process::Signal;
use std::collections::BTreeSet;
use std::fs;
use std::time::{SystemTime, UNIX_EPOCH};

fn now() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs_f64()
}

#[test]
fn what_a_device_says_never_reaches_the_terminal_as_a_command() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let mut watch = Watch::on(&studio, &device.path);
    for name in ["\\u001b[2J", "\\u009b31m", "a\\u202eb", "\\u0007", "=1+1", "a/../b", "a\\nb"] {
        let record = format!("{{\"n\":\"{name}\",\"u\":\"g\",\"v\":1}}");
        device.send(format!(
            "[{record}]\n[{{\"bn\":\"{name}\",\"n\":\"x\",\"u\":\"{name}\",\"v\":1}}]\n"
        ));
        device.send(format!(
            "[{{\"n\":\"cell\",\"u\":\"{name}\",\"v\":\"{name}\",\"{name}_\":1}}]\n"
        ));
    }
    device.send("\u{1b}[2J\u{1b}]0;gone\u{7}\n\u{9b}31m\n");
    device.send(line("cell", 1.9e9, 5.0));
    eventually("stored", || studio.samples("cell") == 1);
    assert!(watch.end(Signal::TERM).success());
    assert_eq!(studio.rows().len(), 1);
    let said = watch.everything_said();
    let bad = said.chars().find(|c| *c != '\n' && warecast::records::is_hidden(*c));
    assert!(bad.is_none(), "{bad:?} in {said:?}");
    // A port by a name that means harm: a link to the device.
    let studio = Studio::new();
    drop(studio.store());
    let link = studio.path().with_file_name("\u{1b}[2J\u{202e}port");
    device.plug(&link);
    let mut watch = Watch::start(&studio, &["--port", link.to_str().unwrap()]);
    watch.until("ready", 1);
    assert!(watch.end(Signal::TERM).success());
    let said = watch.everything_said();
    let bad = said.chars().find(|c| *c != '\n' && warecast::records::is_hidden(*c));
    assert!(bad.is_none(), "{bad:?} in {said:?}");
}

/// One board sends ever new names, times that run away, and noise, as fast as it can; on another
/// port stands an honest pot.
#[test]
fn a_mad_board_is_bounded_and_harms_no_other_pot() {
    let (studio, mut mad, mut honest) = (Studio::new(), Device::new(), Device::new());
    let start = now();
    studio.put("planter", "cell-near", start - 8.0 * 3600.0);
    let ports = ["--port", &mad.path, "--port", &honest.path, "--refit-every", "1"];
    let mut watch = Watch::start(&studio, &ports);
    watch.until("ready", 2);
    let lines = 20_000u32;
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for i in 0..lines {
                let n = f64::from(i);
                mad.send(line(&format!("mad-{i}"), start + n, n)); // names
                mad.send(line("runaway", start + 86_400.0 * n, n)); // a day a line
                mad.send([b"noise \xff\x00".as_slice(), &[b'x'; 30], b"\n"].concat());
            }
        });
        for minutes in (0..=480).rev().step_by(5) {
            let (before, grams) =
                (60.0 * f64::from(minutes), 950.0 + 50.0 * f64::from(minutes) / 480.0);
            honest.send(line("cell-near", start - before, grams));
        }
        watch.until("planter: trim now", 1);
    });
    eventually("the mad one was heard", || studio.values("runaway").len() >= lines as usize);
    assert!(watch.end(Signal::TERM).success(), "{}", watch.everything_said());
    let names: BTreeSet<String> = studio.rows().into_iter().map(|row| row.source).collect();
    assert_eq!(names.len(), 65, "64 of the mad port, one of the other");
    // Who reads along is not drowned.
    let said = watch.everything_said();
    assert!(said.lines().count() < 150, "{} lines", said.lines().count());
    let size = fs::metadata(studio.path().join("studio.db")).unwrap().len();
    assert!(size < 64 * u64::from(lines), "{size} bytes of {lines} readings");
    let report = command(&studio, &["report", "--json"]).output().unwrap();
    let report: serde_json::Value = serde_json::from_slice(&report.stdout).unwrap();
    let planter = &report["pots"][0];
    assert_eq!((&planter["pot"], &planter["trim"]["call"]), (&"planter".into(), &"now".into()));
    let warnings = planter["warnings"].to_string();
    assert!(!warnings.contains("stale") && !warnings.contains("weigh-again"), "{warnings}");
}

#[test]
fn a_flood_of_names_shuts_no_cell_out_on_which_a_pot_stands() {
    let (studio, mut device) = (Studio::new(), Device::new());
    studio.put("jar", "shelf-a:cell-1", now() - 3600.0);
    let mut watch = Watch::start(&studio, &["--port", &device.path, "--refit-every", "1"]);
    watch.until("ready", 1);
    for i in 0..500 {
        device.send(line(&format!("flood-{i}"), now(), 5.0));
    }
    watch.until("flood-64: not stored, too many sources", 1);
    device.send(line("shelf-a:cell-1", now(), 1100.4));
    eventually("weighed", || studio.values("shelf-a:cell-1") == [1100.4]);
    // A pot that is put on its cell only now is known within seconds, too.
    studio.put("planter", "shelf-a:cell-2", now() - 60.0);
    eventually("weighed, too", || {
        device.send(line("shelf-a:cell-2", now(), 900.5));
        studio.samples("shelf-a:cell-2") > 0
    });
    assert!(watch.end(Signal::TERM).success());
    assert_eq!(watch.said("first that found no place: flood-64, flood-65, flood-66"), 1);
}
