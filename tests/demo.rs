//! The whole chain without hardware: a made-up shelf, a real pseudo-terminal, the real daemon as a
//! process of its own, and the report at the end. Bounded by shortened demos at high speed.

use assert_cmd::cargo::cargo_bin;
use rustix::process::{Pid, Signal, kill_process};
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStderr, Command, Output, Stdio};
use std::time::Duration;
use warecast::records::{Action, Quantity};
use warecast::simulate::scenario;
use warecast::simulate::shelf::{Reporting, Shelf};
use warecast::store::Store;
use warecast::units::{HOUR, Time};
use warecast::watch::lock::Lock;

/// When the demos of these tests would end if they were not cut short.
const UNTIL: &str = "2031-04-05T10:30:00Z";

fn warecast() -> Command {
    let mut command = Command::new(cargo_bin("warecast"));
    command.env_remove("WARECAST_STUDIO").env("TZ", "UTC");
    command
}

/// A demo of so many shelf hours, as fast as it will go.
fn demo(folder: &Path, hours: &str) -> Output {
    let short = ["demo", "--speed", "1e9", "--seed", "3", "--until", UNTIL, "--hours", hours];
    warecast().args(short).arg("--into").arg(folder).output().unwrap()
}

/// A demo that is on its way, at a pace at which it would go on for an hour.
fn playing(folder: &Path) -> (Child, BufReader<ChildStderr>) {
    let mut child = warecast()
        .args(["demo", "--speed", "100", "--into"])
        .arg(folder)
        .stderr(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    while !line.contains("saucer-1: off the wheel") {
        line.clear();
        assert_ne!(said.read_line(&mut line).unwrap(), 0, "it ended");
    }
    (child, said)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// The same shelf, not played.
fn shelf() -> Shelf {
    let scenario = scenario::demo(3);
    let end = Time::parse_rfc3339(UNTIL).unwrap();
    let start = end.plus(-scenario.length);
    Shelf::new(scenario, 3, start, Reporting::default())
}

#[test]
fn what_the_shelf_says_is_in_the_studio_and_the_report() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("studio");
    let output = demo(&folder, "30");
    let said = text(&output.stderr);
    assert!(output.status.success(), "{said}");
    assert!(said.contains("saucer-1: off the wheel") && said.contains("Try next"), "{said}");
    assert!(fs::read_to_string(folder.join("ABOUT.txt")).unwrap().contains("made up"));

    for picture in ["saucer-1.svg", "jar-1.png"] {
        assert!(fs::metadata(folder.join(picture)).unwrap().len() > 1000, "{picture}");
    }

    // Every sample of the shelf is stored, to the last one, and so is what people did.
    let mut shelf = shelf();
    let (mut moments, mut done) = (0, Vec::new());
    while shelf.elapsed() < 30.0 * HOUR {
        done.extend(shelf.advance().unwrap().done);
        moments += 1;
    }
    let store = Store::open(&folder).unwrap();
    let studio = store.studio(shelf.now()).unwrap();
    let air = &studio.air[""];
    assert_eq!((air.temperature.len(), air.humidity.len()), (moments, moments));
    let last = store.last_reading("shelf-a:cell-1", Quantity::Mass).unwrap().unwrap();
    assert_eq!(last.time, shelf.now());
    let mut kept = store.handling().unwrap();
    for row in &done {
        assert!(kept.contains(row), "{row:?}");
    }
    kept.retain(|row| !done.contains(row));
    assert_eq!(kept, shelf.plans(), "beside what was done: what is meant to be done");
    assert!(done.iter().any(|row| row.action == Action::Trim));

    // The answer is near the truth. 0.04: the first-pot uncertainty of the water is 0.022 (one
    // point of bag water, some slip), so this is two standard deviations.
    let at = shelf.now().to_string();
    let json = warecast()
        .arg("--studio")
        .arg(&folder)
        .args(["report", "--json", "--at", &at])
        .output()
        .unwrap();
    let report: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    let pots = report["pots"].as_array().unwrap();
    assert_eq!(pots.len(), 2, "made by then: the saucer and one jar");
    for pot in pots {
        let truth = shelf.truth(pot["pot"].as_str().unwrap()).unwrap();
        let water = pot["water"]["now"]["p50"].as_f64().unwrap();
        assert!((water - truth.water).abs() < 0.04, "{pot} against {truth:?}");
    }
}

#[test]
fn the_same_seed_makes_the_same_studio() {
    let home = tempfile::tempdir().unwrap();
    let exported = ["one", "two"].map(|name| {
        let (folder, files) = (home.path().join(name), home.path().join(format!("{name}-files")));
        let output = demo(&folder, "8");
        assert!(output.status.success(), "{}", text(&output.stderr));
        let export = warecast().arg("--studio").arg(&folder).arg("export").arg(&files).output();
        assert!(export.unwrap().status.success());
        ["bodies.csv", "pots.csv", "handling.csv", "readings.csv"]
            .map(|file| fs::read_to_string(files.join(file)).unwrap())
    });
    assert!(exported[0][3].lines().count() > 8 * 12 * 9);
    assert!(exported[0] == exported[1], "the studios differ");
}

#[test]
fn a_folder_that_holds_something_is_left_alone() {
    let home = tempfile::tempdir().unwrap();
    fs::write(home.path().join("thesis.txt"), "mine").unwrap();
    let output = demo(home.path(), "1");
    assert_eq!(output.status.code(), Some(2));
    let said = text(&output.stderr);
    assert!(said.contains("holds something") && said.contains("--into"), "{said}");
    let left: Vec<_> = fs::read_dir(home.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left, ["thesis.txt"]);
}

#[test]
fn asked_to_stop_it_stops_the_daemon_too() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("studio");
    let (mut child, mut said) = playing(&folder);
    let pid = Pid::from_raw(child.id().try_into().unwrap()).unwrap();
    kill_process(pid, Signal::INT).unwrap();
    let status = child.wait().unwrap();
    let mut rest = String::new();
    said.read_to_string(&mut rest).unwrap();
    assert_eq!(status.code(), Some(2), "{rest}");
    assert!(rest.contains("Stopped"), "{rest}");
    let log = fs::read_to_string(folder.join("watch.log")).unwrap();
    assert!(log.contains("stopped"), "the daemon stored and said good-bye: {log}");
    // Nobody holds the studio any more: the next daemon may have it, but for want of a port.
    let next = warecast().arg("--studio").arg(&folder).arg("watch").output().unwrap();
    assert!(text(&next.stderr).contains("no port to watch"), "{}", text(&next.stderr));
}

#[cfg(target_os = "linux")]
#[test]
fn killed_it_takes_the_daemon_with_it() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("studio");
    let (mut child, _said) = playing(&folder);
    assert!(Lock::holder(&folder).is_some());
    child.kill().unwrap();
    child.wait().unwrap();
    for _ in 0..600 {
        if Lock::holder(&folder).is_none() {
            let log = fs::read_to_string(folder.join("watch.log")).unwrap();
            assert!(log.contains("stopped"), "it stored all it had: {log}");
            return;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    panic!("the daemon goes on alone");
}

#[test]
fn a_daemon_that_dies_is_told_of() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("studio");
    let (mut child, mut said) = playing(&folder);
    // The daemon's lock says who holds the studio: "process 123, since …".
    let lock = fs::read_to_string(folder.join("watch.lock")).unwrap();
    let pid = lock.strip_prefix("process ").unwrap().split(',').next().unwrap().parse().unwrap();
    kill_process(Pid::from_raw(pid).unwrap(), Signal::KILL).unwrap();
    let mut rest = String::new();
    said.read_to_string(&mut rest).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(2), "{rest}");
    assert!(rest.contains("ended before the shelf did (signal: 9"), "{rest}");
    assert!(rest.contains("watch.log"), "{rest}");
}

#[test]
fn times_that_lines_cannot_carry_are_refused() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("studio");
    for (until, says) in [("1975-01-01T00:00:00Z", "1978"), ("next week", "RFC 3339")] {
        let output =
            warecast().args(["demo", "--until", until, "--into"]).arg(&folder).output().unwrap();
        assert_eq!(output.status.code(), Some(2));
        assert!(text(&output.stderr).contains(says), "{}", text(&output.stderr));
        assert!(!folder.exists(), "nothing is made");
    }
    let simulate = warecast().args(["simulate", "--from", "2199-12-31T23:00:00Z"]).output();
    assert!(text(&simulate.unwrap().stderr).contains("the shelf's time must lie"));
}

#[test]
fn a_simulated_shelf_ends_and_takes_its_link_with_it() {
    let home = tempfile::tempdir().unwrap();
    let link = home.path().join("port");
    let mut child = warecast()
        .args(["simulate", "--pots", "3", "--speed", "1e9", "--days", "0.5", "--clean"])
        .args(["--from", "2031-04-02T08:00:00Z", "--checksum", "--link"])
        .arg(&link)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut path = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut path).unwrap();
    assert_eq!(path.trim_end(), link.to_str().unwrap());
    // Reading ends in an error when the shelf takes its end away.
    let mut port = fs::File::open(&link).unwrap();
    let (mut got, mut buffer) = (Vec::new(), [0; 4096]);
    while let Ok(n @ 1..) = port.read(&mut buffer) {
        got.extend_from_slice(&buffer[..n]);
    }
    let said = child.wait_with_output().unwrap();
    assert!(said.status.success(), "{}", text(&said.stderr));
    assert!(fs::symlink_metadata(&link).is_err(), "the link is gone");
    let got = text(&got);
    let lines: Vec<&str> = got.lines().collect();
    assert_eq!(lines.len(), 12 * 60, "a line a minute for half a day");
    assert!(lines.iter().all(|line| line.contains("\"n\":\"cell-3\"")
        && line.ends_with(|c: char| { c.is_ascii_hexdigit() })));
}
