//! What is fuzzed, and what each promises.

use super::engine::Target;
pub use super::studio_files::{
    air_forecast, blends, bodies, calibrations, comparisons, handling, kiln_loads, planned, pots,
    raw_counts, readings, samples, zero_drifts,
};
use jiff::tz::TimeZone;
use std::path::Path;
use std::str::from_utf8;
use std::time::{Duration, Instant};
use warecast::cli::when::{self, Lean};
use warecast::cli::words::{Words, parse_mass, printable};
use warecast::records::{Action as Deed, Quantity, check_name, is_hidden};
use warecast::sensing::formats::senml::Senml;
use warecast::sensing::formats::text::Text;
use warecast::sensing::formats::{Format, Measured, Sink};
use warecast::sensing::health::Fault;
use warecast::sensing::recording::{self, Recording};
use warecast::sensing::session::{Action, Arrival, Session};
use warecast::store::settings::{Settings, SettingsError, Units, compile_pattern};
use warecast::store::{Format as Word, rules};
use warecast::units::Time;

/// 2031-03-01T09:00:00Z.
const START: Time = Time(1_930_122_000_000_000);

/// Nothing in it could command a terminal or hide.
#[track_caller]
pub fn prints(text: &str) {
    assert!(!text.contains(is_hidden), "{text:?}");
}

// Lines of scales and boards -------------------------------------------------------------------

pub fn senml() -> Target {
    Target {
        name: "senml",
        play: |bytes| {
            let good = r#"[{"bn":"good:","n":"one","u":"g","v":812.5}]"#;
            lines(bytes, &|| Box::new(Senml::new()), good, ("good:one", 812.5));
        },
        words: &[
            "[{",
            "}]\n",
            "\"bn\":",
            "\"bt\":",
            "\"bu\":",
            "\"bv\":",
            "\"n\":",
            "\"u\":",
            "\"v\":",
            "\"t\":",
            "\"vs\":",
            "\"vb\":",
            "\"s\":",
            "\"g\"",
            "\"kg\"",
            "\"Cel\"",
            "\"%RH\"",
            "\"count\"",
            "},{",
            "1.9e9",
            "*",
            "\\u00e9",
            "\u{fffd}",
            "null",
            "true",
            "\"bver\":10",
            "{\"n\":\"a\",\"u\":\"g\",\"v\":1}",
        ],
        inputs: 4_000,
    }
}

/// The first line is the pattern, the rest comes down the line.
pub fn text() -> Target {
    Target {
        name: "text",
        play: |bytes| {
            let (pattern, rest) = split_line(bytes);
            let Ok(pattern) = from_utf8(pattern) else { return };
            match compile_pattern(pattern) {
                Err(why) => prints(&printable(&why)),
                Ok(regex) => {
                    let format =
                        || -> Box<dyn Format> { Box::new(Text::new(regex.clone(), "bench")) };
                    // Whether a pattern finds a mass in a good line is its own affair.
                    lines(rest, &format, "", ("", 0.0));
                }
            }
        },
        words: &[
            "(?P<mass>",
            "(?P<unit>",
            "(?P<ounces>",
            "(?P<minus>",
            "(?P<stable>",
            "(?P<unstable>",
            "(?P<overload>",
            r"[-+]?\d+(\.\d+)?",
            r"\s*",
            "(g|kg|oz|lb)",
            "|",
            "ST,",
            "US,",
            "OL",
            "812.4 g\r\n",
            "1.2 kg\n",
            "5 lb 3.1 oz\n",
            "-",
            "1e400",
            "\n",
            "(?P<mass>.*)\n",
        ],
        inputs: 3_000,
    }
}

fn split_line(bytes: &[u8]) -> (&[u8], &[u8]) {
    match bytes.iter().position(|byte| *byte == b'\n') {
        Some(end) => (&bytes[..end], &bytes[end + 1..]),
        None => (bytes, &[]),
    }
}

/// In an input this byte, which no text holds, stands for seconds that pass.
const PAUSE: u8 = 0xfe;
const PAUSE_S: f64 = 4.0;

/// Longest input that is split at every byte, and how often a longer one is.
const EVERY_SPLIT: usize = 200;

/// Bytes come down a line: what comes of them is the same wherever they are split, every sample is
/// in exactly one reading, each reading fits the store, and a `good` line is read after whatever
/// came before.
fn lines(bytes: &[u8], format: &dyn Fn() -> Box<dyn Format>, good: &str, reads: (&str, f64)) {
    let start = Instant::now();
    let whole = listen(Session::new(format()), bytes, usize::MAX, start);
    let each = bytes.len().div_ceil(EVERY_SPLIT).max(1);
    for cut in (1..bytes.len()).step_by(each) {
        let split = listen(Session::new(format()), bytes, cut, start);
        assert_eq!(whole, split, "split at {cut}");
    }
    for action in &whole {
        match action {
            Action::Store(reading, _) => assert_eq!(rules::reading(reading), Ok(())),
            Action::Say(remark) => prints(&remark.to_string()),
        }
    }
    if !good.is_empty() {
        let mut last = Last::default();
        let mut format = format();
        format.feed(bytes, START, &mut last);
        format.feed(format!("\n{good}\n").as_bytes(), START, &mut last);
        assert_eq!(last.0, Some((reads.0.to_owned(), Quantity::Mass, reads.1)));
    }
}

/// What a session does about bytes that are split at one place.
fn listen(mut session: Session, bytes: &[u8], cut: usize, start: Instant) -> Vec<Action> {
    let at = |s: f64| Arrival { wall: START.plus(s), steady: start + Duration::from_secs_f64(s) };
    let (mut actions, mut seconds, mut from) = (Vec::new(), 0.0, 0);
    session.opened();
    for piece in bytes.split(|byte| *byte == PAUSE) {
        let (first, second) = piece.split_at(cut.saturating_sub(from).min(piece.len()));
        for part in [first, second].into_iter().filter(|part| !part.is_empty()) {
            session.received(part, at(seconds), &mut actions);
        }
        seconds += PAUSE_S;
        session.tick(at(seconds).steady, &mut actions);
        from += piece.len() + 1;
    }
    session.closed(at(seconds), &mut actions);
    let stored = actions.iter().map(|action| match action {
        Action::Store(reading, _) => u64::from(reading.count.unwrap_or(1)),
        Action::Say(_) => 0,
    });
    assert_eq!(stored.sum::<u64>(), session.health().samples, "samples in readings");
    actions
}

/// What was measured last.
#[derive(Default)]
struct Last(Option<(String, Quantity, f64)>);

impl Sink for Last {
    fn line(&mut self) {}

    fn measured(&mut self, m: Measured<'_>) {
        self.0 = Some((m.source.into(), m.quantity, m.value));
    }

    fn fault(&mut self, _: Option<&str>, _: Fault) {}
}

// Settings, times, weights ----------------------------------------------------------------------

pub fn settings() -> Target {
    Target {
        name: "settings",
        play: |bytes| match Settings::parse(bytes, Path::new("studio.toml")) {
            Ok(settings) => {
                let again = Settings::parse(written(&settings).as_bytes(), Path::new("again"));
                assert_eq!(again.ok(), Some(settings));
            }
            Err(SettingsError::Wrong { line, column, ref text, .. }) => {
                let lines: Vec<&[u8]> = bytes.split(|byte| *byte == b'\n').collect();
                assert!((1..=lines.len()).contains(&line), "line {line} of {}", lines.len());
                let there = String::from_utf8_lossy(lines[line - 1]).chars().count();
                assert!((1..=there + 1).contains(&column), "column {column} of {there}");
                assert!(!text.is_empty());
                prints(&printable(text));
            }
            Err(other) => panic!("{other}"),
        },
        words: &[
            "units = ",
            "\"metric\"",
            "\"us\"",
            "time_zone = ",
            "\"Europe/Lisbon\"",
            "air_forecast = ",
            "[[port]]\n",
            "path = \"/dev/x\"\n",
            "baud = 9600\n",
            "format = ",
            "\"text\"\n",
            "\"senml\"\n",
            "pattern = '(?P<mass>x)'\n",
            "source = \"bench\"\n",
            "ask = \"W\\r\\n\"\n",
            "ask_seconds = 0.5\n",
            "banner_seconds = 2\n",
            "\\u001b",
            "\n",
            "'''",
            "\"\"\"",
            "inf",
            "nan",
            "0x",
            "1_0",
            "1979-05-27",
            "[port]\n",
            "{}",
            "# ",
        ],
        inputs: 6_000,
    }
}

/// Settings as a file.
fn written(settings: &Settings) -> String {
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let units = if settings.units == Units::Us { "us" } else { "metric" };
    let mut text = format!("units = \"{units}\"\n");
    if let Some(zone) = &settings.time_zone {
        text += &format!("time_zone = {}\n", quoted(zone));
    }
    if let Some(file) = &settings.air_forecast {
        text += &format!("air_forecast = {}\n", quoted(file.to_str().unwrap()));
    }
    for port in &settings.port {
        text += &format!("[[port]]\npath = {}\n{}", quoted(&port.path), port.lines());
        assert_eq!(port.format == Word::Text, port.pattern.is_some());
    }
    text
}

/// Clocks go forward and back on these days; the first byte chooses among them and the zones.
const NOWS: [&str; 4] = [
    "2031-04-02T10:00:00Z",
    "2031-03-30T00:30:00Z",
    "2031-10-26T01:30:00Z",
    "1970-01-01T00:00:00Z",
];
/// As POSIX has them (IEEE Std 1003.1, TZ).
const ZONES: [&str; 3] = ["UTC0", "CET-1CEST,M3.5.0,M10.5.0/3", "NST3:30NDT,M3.2.0,M11.1.0"];

pub fn times() -> Target {
    Target {
        name: "times",
        play: |bytes| {
            let Some((first, Ok(text))) = bytes.split_first().map(|(b, t)| (*b, from_utf8(t)))
            else {
                return;
            };
            let first = usize::from(first);
            let now = Time::parse_rfc3339(NOWS[first % 4]).unwrap();
            let zone = TimeZone::posix(ZONES[first / 4 % 3]).unwrap();
            let lean = if first / 12 % 2 == 0 { Lean::Past } else { Lean::Future };
            let told = when::parse(text, now, &zone, lean);
            assert_eq!(told, when::parse(&format!(" {} ", text.trim()), now, &zone, lean));
            match told {
                Err(why) => prints(&printable(&why.to_string())),
                Ok(when) => {
                    assert!((Time::MIN..=Time::MAX).contains(&when.time), "{}", when.time);
                    when.remark.iter().for_each(|remark| prints(remark));
                    // What is written of it reads as it, to the minute that is shown.
                    let again = |text: &str| when::parse(text, now, &zone, lean).unwrap().time;
                    assert_eq!(again(&when.time.to_string()), when.time);
                    let (units, zone) = (Units::Metric, zone.clone());
                    let words = Words { units, zone, now, live: true, dated: false };
                    let typed = words.typed_time(when.time);
                    let off = when.time.since(again(&typed));
                    assert!((0.0..60.0).contains(&off), "{} {typed} {off}", when.time);
                }
            }
        },
        words: &[
            "now",
            "ago",
            "in ",
            "at ",
            "on ",
            "noon",
            "am",
            "pm",
            "a.m.",
            "yesterday ",
            "today ",
            "tomorrow ",
            "monday ",
            "last ",
            "next ",
            "fri ",
            "half an hour",
            "min ",
            "h ",
            "days ",
            "apr",
            "29 feb ",
            "2032",
            "-04-02",
            "T",
            "Z",
            "+02:00",
            "18:25",
            ":59",
            "9",
            "30 march",
            "2:30",
            "oct 26 ",
            "1970-01-01 0:00",
            "2200",
        ],
        inputs: 12_000,
    }
}

pub fn masses() -> Target {
    Target {
        name: "masses",
        play: |bytes| {
            let Ok(text) = from_utf8(bytes) else { return };
            for units in [Units::Metric, Units::Us] {
                match parse_mass(text, units) {
                    Err(why) => prints(&printable(&why.to_string())),
                    Ok(grams) if grams.is_finite() => {
                        assert_eq!(parse_mass(&format!(" {text}\n"), units), Ok(grams));
                        if grams >= 0.0 {
                            assert_eq!(parse_mass(&format!("{grams}g"), units), Ok(grams));
                        }
                    }
                    Ok(grams) => panic!("{text:?} weighs {grams}"),
                }
            }
        },
        words: &[
            "g",
            "kg",
            "oz",
            "lb",
            "lbs",
            "pounds",
            "1 lb 12 oz",
            ".5",
            "1e9",
            "inf",
            "nan",
            ",",
        ],
        inputs: 12_000,
    }
}

// Recordings and names ---------------------------------------------------------------------------

pub fn recordings() -> Target {
    Target {
        name: "recordings",
        play: |bytes| {
            let Ok(text) = from_utf8(bytes) else { return };
            match Recording::parse(text) {
                Err(why) => {
                    assert!(why.0 <= text.lines().count(), "{why}");
                    prints(&printable(&why.1));
                }
                Ok(read) => {
                    let write = |of: &Recording| {
                        let events = of.events.iter().map(|(s, event)| recording::line(*s, event));
                        recording::head(of.started, &of.settings) + &events.collect::<String>()
                    };
                    // Seconds are written to the millisecond: what was written once stays.
                    let once = write(&read);
                    let again = Recording::parse(&once).unwrap();
                    assert_eq!(write(&again), once);
                    assert_eq!((again.started, &again.settings), (read.started, &read.settings));
                    let events = |of: &Recording| -> Vec<recording::Event> {
                        of.events.iter().map(|(_, event)| event.clone()).collect()
                    };
                    assert_eq!(events(&again), events(&read));
                }
            }
        },
        words: &[
            "# \n",
            "== port\n",
            "== came\n",
            "== expected\n",
            "started = \"2031-03-01T09:00:00Z\"\n",
            "baud = 9600\n",
            "0 ! opened\n",
            "1.5 ! lost\n",
            "2 > ",
            "3 < ",
            "\\x0a",
            "\\n",
            "\\\\",
            "1e8",
            "1e-9",
        ],
        inputs: 12_000,
    }
}

/// Names, and beside the tab an action of the log with its detail.
pub fn names() -> Target {
    Target {
        name: "names",
        play: |bytes| {
            let Ok(text) = from_utf8(bytes) else { return };
            match check_name(text) {
                Ok(()) => {
                    prints(text);
                    assert!((1..=64).contains(&text.chars().count()) && text.trim() == text);
                    // No file name made of it leads elsewhere.
                    assert_eq!(Path::new(text).components().count(), 1);
                }
                Err(why) => prints(&why.to_string()),
            }
            let (word, detail) = text.split_once('\t').unwrap_or((text, ""));
            match Deed::parse(word, detail) {
                Ok(deed) => {
                    let (word, detail) = (deed.word(), deed.detail());
                    assert_eq!(Deed::parse(word, &detail), Ok(deed));
                }
                Err(why) => prints(&printable(&why.to_string())),
            }
        },
        words: &[
            "on\t",
            "off",
            "tare\t",
            "cover\t",
            "open",
            "draped",
            "wrapped",
            "cupboard",
            "flip",
            "move\t",
            "trim",
            "attach\t",
            "sponge",
            "wet",
            "verdict\t",
            "soft",
            "right",
            "stiff",
            "length\t",
            "outcome\t",
            "sound",
            "cracked-drying",
            "kiln",
            "lost\t",
            "\u{202e}",
            "=",
            "\u{ff1d}",
            "é",
            "\u{301}",
            "..",
        ],
        inputs: 20_000,
    }
}
