//! The daemon on real pseudo-terminals: noise, half lines, ports that come and go, `kill -9`,
//! a clean end, a second daemon, several ports, sources whose clocks are wrong.
//!
//! What must be in the store is counted from what was sent; the bounds are the line format's and
//! the program's own: of a source slower than one reading per 10 s all that arrived up to 2 s
//! before a `kill -9`, of a faster one all but the 10 s that were open.

#[allow(dead_code, reason = "each test uses a part of it")]
mod bench;
mod checkup;
mod killed;
mod mad;
mod settled;
mod told;
mod troubled;

use bench::{Device, Studio, Watch, command, eventually, line};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rustix::process::Signal;
use std::io::{BufRead, BufReader};
use std::process::Stdio;
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use warecast::records::Quantity;
use warecast::sensing::recording::{Event, Recording};
use warecast::units::Time;

/// Some time of a source's own, s since 1970; a multiple of 10.
const T: f64 = 1.9e9;

#[test]
fn noise_half_lines_and_lines_without_end_cost_only_themselves() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let mut watch = Watch::on(&studio, &device.path);
    let mut rng = StdRng::seed_from_u64(7);
    for i in 0..200 {
        let noise: Vec<u8> = (0..rng.random_range(0..40)).map(|_| rng.random()).collect();
        device.send(noise);
        if i % 20 == 0 {
            device.send(vec![b'x'; 5000]);
        }
        device.send("\n[{\"n\":\"cell\",\"t\":19");
        // Behind half a line, without an end between, comes a whole one, in two pieces.
        let whole = line("cell", T + 60.0 * f64::from(i), f64::from(i));
        let (a, b) = whole.split_at(rng.random_range(0..whole.len()));
        device.send(a);
        device.send(b);
    }
    eventually("all stored", || studio.samples("cell") == 200);
    assert!(watch.end(Signal::TERM).success());
    let all: Vec<f64> = (0..200).map(f64::from).collect();
    assert_eq!(studio.values("cell"), all);
    assert_eq!(studio.rows().len(), 200);
    let summary = watch.everything_said();
    assert!(summary.contains("200 lines, 200 measurements"), "{summary}");
    assert!(summary.contains("10 line too long, 200 noise before a line"), "{summary}");
}

#[test]
fn a_port_that_is_unplugged_and_comes_back_elsewhere() {
    let studio = Studio::new();
    let link = studio.path().with_file_name("scale");
    let path = link.to_str().unwrap();
    let mut watch = Watch::start(&studio, &["--port", path]);
    watch.until("no such port", 1);
    let mut device = Device::new();
    device.plug(&link);
    watch.until("ready", 1);
    device.send(line("cell", T, 1.0));
    device.send("[{\"n\":\"cell\",\"t\":1900000060,\"u\":\"g\",\"v\":2");
    eventually("first stored", || studio.samples("cell") == 1);
    drop(device);
    watch.until("lost", 1);
    let mut device = Device::new();
    device.plug(&link);
    watch.until("ready", 2);
    device.send("2}]\n");
    device.send(line("cell", T + 120.0, 3.0));
    eventually("second stored", || studio.samples("cell") == 2);
    // The far end stays open and silent while the name leads to another device.
    let mut other = Device::new();
    other.plug(&link);
    watch.until("ready", 3);
    other.send(line("cell", T + 180.0, 4.0));
    eventually("third stored", || studio.samples("cell") == 3);
    assert!(watch.end(Signal::TERM).success());
    assert_eq!(studio.values("cell"), [1.0, 3.0, 4.0]);
    assert_eq!((watch.said("no such port"), watch.said("lost")), (1, 2));
    assert_eq!(watch.said("not stored: 2 half a line"), 1, "{}", watch.everything_said());
}

#[test]
fn a_clean_end_stores_all_that_was_sent() {
    for signal in [Signal::TERM, Signal::INT] {
        let (studio, mut device) = (Studio::new(), Device::new());
        let mut watch = Watch::on(&studio, &device.path);
        // Three bins and a half, in the source's own time, in one go.
        for i in 0..350 {
            device.send(line("fast", T + f64::from(i) / 10.0, f64::from(i)));
        }
        device.send(line("slow", T, 5.0));
        assert!(watch.end(signal).success(), "{}", watch.everything_said());
        assert_eq!(studio.samples("fast"), 350);
        assert_eq!(studio.values("fast"), [0.0, 50.0, 149.5, 249.5, 324.5]);
        assert_eq!(studio.values("slow"), [5.0]);
    }
}

#[test]
fn a_second_watch_is_told_who_holds_the_studio() {
    let (studio, device, other) = (Studio::new(), Device::new(), Device::new());
    let mut watch = Watch::on(&studio, &device.path);
    let second = command(&studio, &["watch", "--port", &other.path]).output().unwrap();
    let text = String::from_utf8_lossy(&second.stderr).into_owned();
    assert_eq!(second.status.code(), Some(2), "{text}");
    assert!(text.contains(&format!("process {},", watch.pid())), "{text}");
    // The lock does not outlive its holder, however that ends.
    watch.kill();
    let mut third = Watch::on(&studio, &other.path);
    assert!(third.end(Signal::TERM).success());
}

#[test]
fn a_text_scale_and_a_board_at_once() {
    let (studio, mut board, mut scale) = (Studio::new(), Device::new(), Device::new());
    studio.settings(&format!(
        "[[port]]\npath = \"{}\"\nbaud = 115200\n\n[[port]]\npath = \"{}\"\nformat = \"text\"\n\
         pattern = '(?P<mass>[-+]?\\d+(\\.\\d+)?)\\s*(?P<unit>g|kg|oz|lb)'\nsource = \"bench\"\n",
        board.path, scale.path
    ));
    let mut watch = Watch::start(&studio, &[]);
    watch.until("ready", 2);
    for i in 0..20 {
        board.send(line("shelf-a:cell-1", T + 60.0 * f64::from(i), 800.0 - f64::from(i)));
        board.send(format!("[{{\"n\":\"room\",\"t\":{},\"u\":\"%RH\",\"v\":54}}]\n", T + 60.0));
    }
    scale.send("ST,GS,+  812.4 g\r\nERR\r\n");
    eventually("board and scale stored", || studio.rows().len() == 22);
    assert_eq!(studio.values("bench"), [812.4]);
    assert_eq!(studio.samples("shelf-a:cell-1"), 20);
    // A line that comes again is one reading.
    assert_eq!(studio.values("room"), [54.0]);
    assert!(watch.end(Signal::TERM).success());
    assert_eq!(watch.said("not stored: 1 does not match the pattern"), 1);
    assert_eq!(watch.said("room: not stored: 19 sent twice"), 1);
}

#[test]
fn readings_wait_while_another_program_writes_to_the_studio() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let mut watch = Watch::on(&studio, &device.path);
    let db = rusqlite::Connection::open(studio.path().join("studio.db")).unwrap();
    db.execute_batch("BEGIN IMMEDIATE").unwrap();
    for i in 0..2000 {
        device.send(line("cell", T + 60.0 * f64::from(i), f64::from(i)));
    }
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(studio.samples("cell"), 0);
    db.execute_batch("ROLLBACK").unwrap();
    eventually("all stored", || studio.samples("cell") == 2000);
    assert!(watch.end(Signal::TERM).success());
}

#[test]
fn a_source_far_ahead_is_taken_for_its_own_pot_and_makes_no_other_look_stale() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs() as f64;
    let ahead = now + 5.0 * 365.0 * 86_400.0;
    studio.put("planter", "cell-near", now - 8.0 * 3600.0);
    studio.put("jar", "cell-far", ahead - 8.0 * 3600.0);
    let mut watch = Watch::start(&studio, &["--port", &device.path, "--refit-every", "1"]);
    watch.until("ready", 1);
    // Both fall from 1000 g (25 % water, dry basis) to 950 g (19 %), the middle of the window.
    for minutes in (0..=480).rev().step_by(5) {
        let (before, grams) =
            (60.0 * f64::from(minutes), 950.0 + 50.0 * f64::from(minutes) / 480.0);
        device.send(line("cell-far", ahead - before, grams));
        device.send(line("cell-near", now - before, grams));
    }
    // Each is assessed at the time of its own source.
    watch.until("jar: trim now", 1);
    watch.until("planter: trim now", 1);
    assert!(watch.end(Signal::TERM).success());
    let report = command(&studio, &["report", "--json"]).output().unwrap();
    let report: serde_json::Value = serde_json::from_slice(&report.stdout).unwrap();
    let pots = report["pots"].as_array().unwrap();
    // The jar is not made yet; the planter was weighed just now.
    assert_eq!(pots.len(), 1, "{report:#}");
    assert_eq!((&pots[0]["pot"], &pots[0]["trim"]["call"]), (&"planter".into(), &"now".into()));
    assert_eq!(pots[0]["evidence"]["readings"], 97);
    let warnings = pots[0]["warnings"].to_string();
    assert!(!warnings.contains("stale") && !warnings.contains("weigh-again"), "{warnings}");
}

#[test]
fn it_goes_on_when_nobody_reads_what_it_says() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let mut child = command(&studio, &["watch", "--port", &device.path])
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let mut first = String::new();
    while !first.contains("ready") {
        assert!(said.read_line(&mut first).unwrap() > 0, "{first}");
    }
    drop(said);
    for i in 0..10 {
        device.send(line(&format!("cell-{i}"), T, f64::from(i)));
    }
    eventually("all stored", || studio.rows().len() == 10);
    child.kill().unwrap();
    child.wait().unwrap();
}

#[test]
fn nothing_to_watch_and_wrong_ports_are_said() {
    let studio = Studio::new();
    let refusal = |args: &[&str]| {
        let out = command(&studio, args).output().unwrap();
        assert_eq!(out.status.code(), Some(2));
        String::from_utf8_lossy(&out.stderr).into_owned()
    };
    assert!(refusal(&["watch"]).contains("no port to watch"));
    assert!(refusal(&["watch", "--port", "/dev/a", "--port", "/dev/a"]).contains("named twice"));
    assert!(refusal(&["watch", "--baud", "9600"]).contains("--port"));
    let file = studio.path().join("no-port");
    std::fs::write(&file, "").unwrap();
    let mut watch = Watch::start(&studio, &["--port", file.to_str().unwrap()]);
    watch.until("is not a serial port", 1);
    assert!(watch.end(Signal::TERM).success());
}

#[test]
fn raw_counts_are_kept_and_what_they_weigh_is_asked() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let mut watch = Watch::on(&studio, &device.path);
    for (i, raw) in [8_388_607, -8_388_608, 208_000].into_iter().enumerate() {
        let t = T + 60.0 * i as f64;
        device.send(format!("[{{\"n\":\"cell-1\",\"t\":{t},\"u\":\"count\",\"v\":{raw}}}]\n"));
    }
    watch.until("cell-1: its raw counts are kept, but weigh nothing until it is calibrated", 1);
    assert!(watch.end(Signal::TERM).success());
    assert_eq!(watch.said("cell-1 sends raw counts"), 1);
    let counts = studio.store().readings_of("cell-1", Quantity::Count, (Time::MIN, Time::MAX));
    let counts: Vec<f64> = counts.unwrap().iter().map(|reading| reading.value).collect();
    assert_eq!(counts, [8_388_607.0, -8_388_608.0, 208_000.0]);
    assert_eq!(studio.rows(), []);
}

/// A scale that prints on request, with marks for rest, range and sign.
#[test]
fn a_scale_is_asked_and_its_marks_are_understood() {
    let (studio, mut scale) = (Studio::new(), Device::new());
    studio.settings(&format!(
        "[[port]]\npath = \"{}\"\nformat = \"text\"\nask = \"W\\r\\n\"\nask_seconds = 0.2\n\
         pattern = '^(?:(?P<stable>S)|(?P<unstable>D)|(?P<overload>OL))(?: +(?P<minus>-)?\\s*\
         (?P<mass>[0-9.]+) (?P<unit>g|lb)(?: (?P<ounces>[0-9.]+) oz)?)?'\nsource = \"bench\"\n",
        scale.path
    ));
    let mut watch = Watch::start(&studio, &[]);
    for answer in ["S  812.4 g", "D  640.0 g", "OL", "S - 3.5 g", "", "S 1 lb 2 oz", "S 5 g"] {
        assert_eq!(scale.receive(), *b"W\r\n", "{answer}");
        if !answer.is_empty() {
            scale.send(format!("{answer}\r\n"));
        }
    }
    watch.until("bench sends mass", 1);
    eventually("the last weight came", || watch.said("bench: not stored, beyond the scale's") == 1);
    scale.receive::<3>();
    assert!(watch.end(Signal::TERM).success());
    assert_eq!(studio.samples("bench"), 4);
    // The first as it stands; of -3.5 g, 510.3 g and 5 g medians of those that fall together.
    let values = studio.values("bench");
    assert_eq!(values[0], 812.4);
    assert!(values[1..].iter().all(|g| (-3.5..=510.3).contains(g)), "{values:?}");
    assert_eq!(watch.said("not stored: 1 not at rest, 1 beyond the scale's range, "), 1);
    assert_eq!(watch.said(" no answer"), 1);
}

/// A board that starts anew when its port is opened, and says so.
#[test]
fn what_a_board_says_as_it_starts_is_passed_over() {
    let (studio, mut board) = (Studio::new(), Device::new());
    studio.settings(&format!("[[port]]\npath = \"{}\"\nbanner_seconds = 1\n", board.path));
    let mut watch = Watch::start(&studio, &[]);
    watch.until("ready", 1);
    board.send("boot 3.1\r\n");
    board.send(line("cell", T, 1.0));
    std::thread::sleep(Duration::from_millis(1500));
    board.send(line("cell", T + 60.0, 2.0));
    eventually("stored", || studio.samples("cell") == 1);
    assert!(watch.end(Signal::TERM).success());
    assert_eq!((studio.values("cell"), watch.said("not stored")), (vec![2.0], 0));
}

#[test]
fn a_recording_holds_all_that_came_with_its_times() {
    let (studio, mut scale) = (Studio::new(), Device::new());
    studio.settings(&format!(
        "[[port]]\npath = \"{}\"\nformat = \"text\"\npattern = '(?P<mass>\\d+) g'\nsource = \"b\"\n\
         ask = \"?\"\nask_seconds = 60\n",
        scale.path
    ));
    let file = studio.path().join("trouble.log");
    let mut watch = Watch::start(&studio, &["--record", file.to_str().unwrap()]);
    assert_eq!(scale.receive(), *b"?");
    scale.send(b"812 g\r\n\xff\\n");
    eventually("stored", || studio.samples("b") == 1);
    assert!(watch.end(Signal::TERM).success());
    let recording = Recording::parse(&std::fs::read_to_string(&file).unwrap()).unwrap();
    let bytes = |wanted: fn(&Event) -> Option<&Vec<u8>>| -> Vec<u8> {
        recording.events.iter().filter_map(|(_, event)| wanted(event)).flatten().copied().collect()
    };
    let came = bytes(|event| if let Event::Came(bytes) = event { Some(bytes) } else { None });
    let sent = bytes(|event| if let Event::Sent(bytes) = event { Some(bytes) } else { None });
    assert_eq!((&came[..], &sent[..]), (&b"812 g\r\n\xff\\n"[..], &b"?"[..]));
    assert_eq!(recording.events[0].1, Event::Opened);
    assert_eq!(recording.events.last().map(|(_, event)| event), Some(&Event::Lost));
    assert!(recording.settings.contains("ask_seconds = 60.0") && recording.expected.is_empty());
    assert!(!recording.settings.contains("path"), "{}", recording.settings);
    // What is there is not overwritten, and a recording is of one port.
    let refused = |args: &[&str]| {
        let out = command(&studio, &[&["watch", "--record"], args].concat()).output().unwrap();
        assert_eq!(out.status.code(), Some(2));
        String::from_utf8_lossy(&out.stderr).into_owned()
    };
    assert!(refused(&[file.to_str().unwrap()]).contains("no recording"));
    let two = refused(&["other.log", "--port", "/dev/a", "--port", "/dev/b"]);
    assert!(two.contains("of one port"), "{two}");
}
