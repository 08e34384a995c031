//! What devices send, replayed through the session: `fixtures/serial/NAME.in` byte for byte, in
//! pieces of several sizes, against `NAME.expected`. A recording without an expectation fails, and
//! so does an expectation without a recording. A fault seen on a line first becomes a recording
//! here, cut to the smallest span that shows it. These are made up by hand.

use regex::bytes::Regex;
use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::time::Instant;
use warecast::sensing::formats::{Format, senml::Senml, text::Text};
use warecast::sensing::session::{Action, Arrival, Session};
use warecast::units::Time;

/// Stable weights (`ST`) of a bench scale.
const BENCH: &str = r"ST,..,(?P<mass>[-+]\s*\d+(\.\d+)?)\s*(?P<unit>[a-z]+)";

fn format(name: &str) -> Box<dyn Format> {
    match name {
        "bench-scale" => Box::new(Text::new(Regex::new(BENCH).unwrap(), "bench")),
        _ => Box::new(Senml::new()),
    }
}

/// What comes of it when the bytes arrive in pieces of this size, all at one moment.
fn replay(name: &str, bytes: &[u8], piece: usize) -> String {
    let at = Arrival { wall: Time(1_930_000_000_000_000), steady: Instant::now() };
    let mut session = Session::new(format(name));
    let mut actions = Vec::new();
    for piece in bytes.chunks(piece) {
        session.received(piece, at, &mut actions);
    }
    session.closed(at, &mut actions);
    let mut out = String::new();
    for action in actions {
        if let Action::Store(r, _) = action {
            let (count, word) = (r.count.unwrap_or(1), r.quantity.word());
            out += &format!("{},{word},{},{count}\n", r.source, r.value);
        }
    }
    out + &format!("not stored: {}\n", session.health().faults)
}

#[test]
fn recordings_give_what_is_expected_of_them() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fixtures/serial");
    let mut files: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for entry in fs::read_dir(&folder).unwrap() {
        let file = entry.unwrap().file_name().into_string().unwrap();
        let (name, kind) = file.rsplit_once('.').unwrap();
        files.entry(name.into()).or_default().push(kind.into());
    }
    assert!(files.len() >= 2, "{files:?}");
    for (name, mut kinds) in files {
        kinds.sort();
        assert_eq!(kinds, ["expected", "in"], "{name}");
        let bytes = fs::read(folder.join(format!("{name}.in"))).unwrap();
        let text = fs::read_to_string(folder.join(format!("{name}.expected"))).unwrap();
        let expected: String =
            text.lines().filter(|l| !l.starts_with('#')).flat_map(|l| [l, "\n"]).collect();
        for piece in [1, 2, 7, 64, bytes.len()] {
            assert_eq!(replay(&name, &bytes, piece), expected, "{name} in pieces of {piece}");
        }
    }
}
