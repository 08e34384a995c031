//! What devices send, as it came down a port: `fixtures/serial/*.log` (the form: see
//! `sensing::recording`). Each is played through the session, its bytes in pieces of several sizes,
//! and through the daemon on a real pseudo-terminal, against what the recording itself expects. A
//! recording without an expectation fails, and is told what came of it. A fault seen on a line
//! first becomes a recording here (`watch --record`), cut to the smallest span that shows it. Those
//! that are here were made up by hand or by a program; each says how.
//!
//! What is expected: each reading that is stored (its time, if the source told it, else the seconds
//! since the beginning; source, quantity, value, samples), what a scale's pan sees, what is said of
//! a source, and the count of what could not be used.

#[path = "daemon/bench.rs"]
#[allow(dead_code, reason = "these tests use a part of it")]
mod bench;

use bench::{Device, Studio, Watch};
use rustix::process::Signal;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use warecast::records::Quantity;
use warecast::sensing::ask::Ask;
use warecast::sensing::formats::{Measured, Sink};
use warecast::sensing::health::Fault;
use warecast::sensing::pan::Pan;
use warecast::sensing::recording::{Event, Recording};
use warecast::sensing::session::{Action, Arrival, Remark, Session, Stamp};
use warecast::store::{PortSettings, Settings};
use warecast::units::Time;
use warecast::watch::format_of;

fn recordings() -> Vec<(String, Recording)> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fixtures/serial");
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        assert!(name.ends_with(".log"), "{name} is no recording");
        let text = fs::read_to_string(&path).unwrap();
        found.push((
            name.clone(),
            Recording::parse(&text).unwrap_or_else(|e| panic!("{name}: {e}")),
        ));
    }
    found.sort_by(|a, b| a.0.cmp(&b.0));
    assert!(found.len() >= 8, "{}", found.len());
    found
}

fn port(recording: &Recording) -> PortSettings {
    let text = format!("[[port]]\npath = \"recorded\"\n{}", recording.settings);
    Settings::parse(text.as_bytes(), Path::new("settings")).unwrap().port.remove(0)
}

/// What the pans of all scales see.
struct Pans {
    pans: BTreeMap<String, Pan>,
    seconds: f64,
    seen: String,
}

impl Sink for Pans {
    fn line(&mut self) {}

    fn measured(&mut self, m: Measured<'_>) {
        if m.quantity == Quantity::Mass {
            let pan = self.pans.entry(m.source.into()).or_default();
            if let Some(event) = pan.push(self.seconds, m.value, m.settled) {
                self.see(m.source, event);
            }
        }
    }

    fn fault(&mut self, _: Option<&str>, _: Fault) {}
}

impl Pans {
    fn see(&mut self, source: &str, event: warecast::sensing::pan::Event) {
        let grams = event.weight().map_or(String::new(), |w| format!(" {:.1} g", w.grams));
        writeln!(self.seen, "pan: +{} {source} {}{grams}", self.seconds, event.word()).unwrap();
    }

    fn silence(&mut self) {
        for source in self.pans.keys().cloned().collect::<Vec<_>>() {
            let event = self.pans.get_mut(&source).and_then(|pan| pan.silence(self.seconds));
            if let Some(event) = event {
                self.see(&source, event);
            }
        }
    }
}

/// What comes of a recording when each chunk arrives in pieces of this size.
fn replay(recording: &Recording, piece: usize) -> String {
    let port = port(recording);
    let start = Instant::now();
    let at = |s: f64| Arrival {
        wall: recording.started.plus(s),
        steady: start + Duration::from_secs_f64(s),
    };
    let ask = port.ask.as_ref().map(|text| Ask::new(text.as_bytes(), port.ask_every));
    let mut session = Session::asking(format_of(&port).unwrap(), ask);
    let mut actions = Vec::new();
    let mut pans = Pans { pans: BTreeMap::new(), seconds: 0.0, seen: String::new() };
    let mut pan_format = format_of(&port).unwrap();
    let (mut tick, mut opened) = (0.0, 0.0);
    for (seconds, event) in &recording.events {
        while tick < *seconds {
            session.tick(at(tick).steady, &mut actions);
            pans.seconds = tick;
            pans.silence();
            tick += 1.0;
        }
        let arrival = at(*seconds);
        pans.seconds = *seconds;
        match event {
            Event::Opened => {
                opened = *seconds;
                session.opened();
            }
            Event::Came(_) if seconds - opened < port.banner.as_secs_f64() => {}
            Event::Came(bytes) => {
                for piece in bytes.chunks(piece) {
                    session.received(piece, arrival, &mut actions);
                }
                pan_format.feed(bytes, arrival.wall, &mut pans);
            }
            Event::Sent(bytes) => {
                let question = session.question(arrival.steady).map(<[u8]>::to_vec);
                assert_eq!(question.as_ref(), Some(bytes), "at {seconds} s");
            }
            Event::Lost => {
                session.closed(arrival, &mut actions);
                pan_format.cut(&mut pans);
            }
        }
    }
    let end = recording.events.last().map_or(0.0, |(s, _)| *s);
    session.closed(at(end), &mut actions);
    let mut out = String::new();
    for action in actions {
        match action {
            Action::Store(r, stamp) => {
                let time = match stamp {
                    Stamp::Source => r.time.to_string(),
                    Stamp::Arrival => format!("+{}", r.time.since(recording.started)),
                };
                let (count, word) = (r.count.unwrap_or(1), r.quantity.word());
                writeln!(out, "{time} {} {word} {} ×{count}", r.source, r.value).unwrap();
            }
            Action::Say(Remark::Fault(..)) => {}
            Action::Say(remark) => writeln!(out, "said: {remark}").unwrap(),
        }
    }
    out + &pans.seen + &format!("not stored: {}\n", session.health().faults)
}

#[test]
fn recordings_give_what_they_expect() {
    for (name, recording) in recordings() {
        let whole = replay(&recording, usize::MAX);
        assert!(!recording.expected.is_empty(), "{name} expects nothing; what came is\n{whole}");
        assert_eq!(whole, recording.expected, "{name}\n{whole}");
        for piece in [1, 2, 7, 64] {
            assert_eq!(replay(&recording, piece), whole, "{name} in pieces of {piece}");
        }
    }
}

/// Samples by source and quantity, and the readings whose sources told their time.
fn sums(recording: &Recording) -> (BTreeMap<String, u64>, Vec<String>) {
    let (mut samples, mut told) = (BTreeMap::new(), Vec::new());
    for line in recording.expected.lines() {
        let Some((head, count)) = line.rsplit_once(" ×") else { continue };
        let fields: Vec<&str> = head.split(' ').collect();
        *samples.entry(format!("{} {}", fields[1], fields[2])).or_default() +=
            count.parse::<u64>().unwrap();
        if !fields[0].starts_with('+') {
            told.push(line.to_owned());
        }
    }
    told.sort();
    (samples, told)
}

/// All that the daemon stored, in the same form.
fn stored(studio: &Studio) -> (BTreeMap<String, u64>, Vec<String>) {
    let (mut samples, mut told) = (BTreeMap::new(), Vec::new());
    let store = studio.store();
    for quantity in [Quantity::Mass, Quantity::Temperature, Quantity::Humidity, Quantity::Count] {
        for source in store.sources_of(quantity).unwrap() {
            let all = store.readings_of(&source, quantity, (Time::MIN, Time::MAX)).unwrap();
            for r in all {
                let (count, word) = (r.count.unwrap_or(1), quantity.word());
                *samples.entry(format!("{source} {word}")).or_default() += u64::from(count);
                told.push(format!("{} {source} {word} {} ×{count}", r.time, r.value));
            }
        }
    }
    told.sort();
    (samples, told)
}

/// The same through the daemon: at once, so that what is stamped by its arrival is reduced in
/// another way; but no sample is lost or made up, and each fault is counted.
#[test]
fn recordings_give_the_same_through_a_pseudo_terminal() {
    for (name, recording) in recordings() {
        let studio = Studio::new();
        let link = studio.path().with_file_name("scale");
        // What is asked every few seconds is asked at once, and no banner is waited out.
        let port = PortSettings {
            ask_every: Duration::from_millis(100),
            banner: Duration::ZERO,
            ..port(&recording)
        };
        studio.settings(&format!("[[port]]\npath = {link:?}\n{}", port.lines()));
        let mut device = Device::new();
        device.plug(&link);
        let mut watch = Watch::start(&studio, &[]);
        watch.until("ready", 1);
        let banner = self::port(&recording).banner.as_secs_f64();
        let (mut opened, mut opens) = (0.0, 0);
        for (at, (seconds, event)) in recording.events.iter().enumerate() {
            match event {
                Event::Opened => {
                    (opened, opens) = (*seconds, opens + 1);
                    if opens > 1 {
                        device = Device::new();
                        device.plug(&link);
                        watch.until("ready", opens);
                    }
                }
                Event::Came(_) if seconds - opened < banner => {}
                Event::Came(bytes) => device.send(bytes),
                Event::Sent(bytes) => bytes.iter().for_each(|b| assert_eq!(device.receive(), [*b])),
                Event::Lost if at + 1 == recording.events.len() => {}
                Event::Lost => {
                    // What is under way when a cable is pulled is lost: let it arrive.
                    std::thread::sleep(Duration::from_millis(300));
                    drop(device);
                    watch.until("lost (", opens);
                    device = Device::new();
                }
            }
        }
        let (samples, told) = sums(&recording);
        assert!(watch.end(Signal::TERM).success(), "{name}: {}", watch.everything_said());
        let (got, got_told) = stored(&studio);
        assert_eq!(got, samples, "{name}: {}", watch.everything_said());
        let missing: Vec<&String> = told.iter().filter(|line| !got_told.contains(line)).collect();
        assert!(missing.is_empty(), "{name}: {missing:?} not in {got_told:#?}");
        let faults = recording.expected.lines().last().unwrap();
        let said = watch.everything_said();
        let quiet = faults == "not stored: " && !said.contains(": not stored: ");
        assert!(quiet || said.contains(faults), "{name}: {faults}\n{said}");
    }
}
