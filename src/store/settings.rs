//! The studio's settings: `studio.toml`, read when the studio is opened.
//!
//! Unknown settings are refused, and every complaint says file, line and column in plain words.
//! [`DEFAULT`] is written into a new studio; it documents each setting beside its default.

mod compare;
mod drying;
mod kiln;
mod plan;
mod tell;

use super::week::Week;
use super::{SETTINGS, rules, shown};
use crate::records::{Name, Wary};
use compare::RawCompare;
pub use compare::{CompareSettings, DIFFERENCE};
pub use kiln::KilnSettings;
pub use plan::{BandSettings, PlanSettings};
use regex::bytes::{Regex, RegexBuilder};
use serde::Deserialize;
use std::io::{ErrorKind, Read, Write};
use std::ops::{Range, RangeInclusive};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tell::RawTell;
pub use tell::TellSettings;
use toml::Spanned;

/// What a new studio's `studio.toml` holds: the defaults, with every setting explained.
pub const DEFAULT: &str = concat!(
    r#"# Settings of this studio. Lines that begin with # are remarks; take the # away to use them.
# Unknown settings are refused. Settings count from the next command on; restart `watch`.

# What people read: "metric" (g, °C) or "us" (lb oz, °F). Files and JSON are always metric.
units = "metric"

# What clock times mean and how they are shown; default: the computer's own time zone.
# time_zone = "Europe/Lisbon"

# How warm and damp the room is going to be: a CSV file; default: the one of this name in the
# studio's folder, if it is there.
# air_forecast = "air_forecast.csv"

# One block for each serial port that `warecast watch` listens to.
#
# A board that sends SenML lines (RFC 8428), the default format:
#
# [[port]]
# path = "/dev/ttyUSB0"     # a name under /dev/serial/by-id/ survives replugging
# baud = 9600               # the default
#
# A scale that prints text. The pattern is a regular expression (https://docs.rs/regex) that is
# searched for in each line; its group "mass" is the number, its group "unit", if it has one, is
# g, kg, oz or lb (without: grams). The source is the name that the readings are kept under.
#
# [[port]]
# path = "/dev/ttyUSB1"
# format = "text"
# pattern = '(?P<mass>[-+]?\d+(\.\d+)?)\s*(?P<unit>g|kg|oz|lb)'
# source = "bench"
#
# More groups, for what such scales print besides: "stable" and "unstable" (a mark that the weight
# is at rest, or is not: then it is not stored), "overload" (nothing can be weighed), "minus" (a
# mark that the weight is negative), "ounces" (beside pounds in "mass").
#
# A scale that prints only when it is asked; and, for any port, a board that starts anew when its
# port is opened and says things that are no readings:
#
# ask = "W\r\n"             # sent to the scale, 1 to 64 characters; default: nothing
# ask_seconds = 10          # how often, s, 0.1 to 3600; default: 10
# banner_seconds = 0        # passed over after opening, s, 0 to 60; default: 0

"#,
    include_str!("settings/plan.toml"),
    r#"
# For `warecast compare`.
#
# [compare]
# level = 0.95              # how often intervals of a difference hold it, 0.80 to 0.99; default:
#                           # 0.95, as is common: who changes how they work wants to be surer than
#                           # who looks whether a pot is dry
# power = 0.80              # how likely a difference is to be found that is there, 0.50 to 0.99;
#                           # default: 0.80, as is common; 0.90 takes a third more pots
# difference = 0.20         # the least difference in a time that is worth finding, 0.02 to 10;
#                           # default: 0.20: of two days that is a working day
# spread = 0.25             # how much times of pots that are treated alike differ, standard
#                           # deviation of their logarithm, 0.02 to 2; default: 0.25, from what the
#                           # fits suppose of rate, form and clay; counts as eight pots beside the
#                           # studio's own
# shared = 0.50             # share of that (of its square) that the two pots of a pair have in
#                           # common, 0 to 0.95; default: 0.50 (own judgement)

# A program of yours that `warecast watch` tells what changes (trim soon, trim now, dry), as JSON on
# its standard input; it may ring, or send a message. It is run as it stands here, not by a shell;
# after 30 s it is killed.
#
# [tell]
# program = ["/usr/local/bin/ring", "--loud"]  # the program, and what it is always given
# hours = "mon-sun 8-21"    # when somebody wants to hear of it, on the clock of time_zone; what
#                           # comes at other times waits; default: always
# every_minutes = 10        # no more often than this, min, 1 to 1440; default: 10
"#,
    include_str!("settings/kiln.toml"),
    include_str!("settings/drying.toml")
);

/// Baud rate of a port that does not say.
pub const DEFAULT_BAUD: u32 = 9600;
/// Groups that a pattern may name.
pub const GROUPS: [&str; 7] = ["mass", "unit", "ounces", "minus", "stable", "unstable", "overload"];
/// How often a scale is asked that has to be asked.
const ASK_EVERY: Duration = Duration::from_secs(10);
/// What may be set, s, and the longest question, bytes.
const ASK_S: RangeInclusive<f64> = 0.1..=3600.0;
const BANNER_S: RangeInclusive<f64> = 0.0..=60.0;
const ASK_BYTES: usize = 64;
/// Largest file of settings, in bytes.
const LARGEST: u64 = 1 << 20;
/// Longest pattern, in bytes.
const PATTERN_BYTES: usize = 1000;
/// Largest compiled pattern, and its largest cache while searching, in bytes.
const COMPILED_BYTES: usize = 1 << 20;
/// Highest baud rate that is taken for real (USB serial converters reach 12 Mbaud).
pub const BAUD_MAX: u32 = 12_000_000;

/// The studio's settings.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Settings {
    /// Units of what people read.
    pub units: Units,
    /// IANA name of the time zone; `None`: the computer's own.
    pub time_zone: Option<String>,
    /// The file that tells the room's air to come, from the studio's folder; `None`: the one that
    /// may lie there.
    pub air_forecast: Option<PathBuf>,
    /// Serial ports to listen to.
    pub port: Vec<PortSettings>,
    /// What plans go by.
    pub plan: PlanSettings,
    /// What comparisons go by.
    pub compare: CompareSettings,
    /// Who is told what changes, if anybody.
    pub tell: Option<TellSettings>,
    /// What kiln loads go by.
    pub kiln: KilnSettings,
    /// From which chance on a pot that may crack is warned of.
    pub wary: Wary,
}

/// Units of what people read. Files and JSON are always metric.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Units {
    /// Grams and kilograms, °C.
    #[default]
    Metric,
    /// Pounds and ounces, °F.
    Us,
}

/// One serial port.
#[derive(Clone, PartialEq, Debug)]
pub struct PortSettings {
    /// Path of the device.
    pub path: String,
    /// Bits per second.
    pub baud: u32,
    /// What comes down the line.
    pub format: Format,
    /// For text: a checked regular expression with a group `mass` and perhaps one `unit`; see
    /// [`compile_pattern`].
    pub pattern: Option<String>,
    /// For text: the name that its readings are kept under.
    pub source: Option<Name>,
    /// For text: what is sent to the scale so that it prints.
    pub ask: Option<String>,
    /// How often that is sent, 0.1 to 3600 s.
    pub ask_every: Duration,
    /// What comes so soon after opening is passed over, 0 to 60 s.
    pub banner: Duration,
}

impl PortSettings {
    /// A port that sends SenML lines.
    pub fn senml(path: &str, baud: u32) -> PortSettings {
        let format = Format::Senml;
        PortSettings {
            path: path.into(),
            baud,
            format,
            pattern: None,
            source: None,
            ask: None,
            ask_every: ASK_EVERY,
            banner: Duration::ZERO,
        }
    }
}

impl PortSettings {
    /// As the lines of a `[[port]]`, without its path.
    pub fn lines(&self) -> String {
        let text = |text: &str| toml::Value::from(text).to_string();
        let mut lines = format!("baud = {}\n", self.baud);
        if self.format == Format::Text {
            lines += "format = \"text\"\n";
        }
        let texts = [("pattern", &self.pattern), ("source", &self.source), ("ask", &self.ask)];
        for (name, value) in texts {
            lines += &value.as_ref().map_or(String::new(), |v| format!("{name} = {}\n", text(v)));
        }
        if self.ask.is_some() {
            lines += &format!("ask_seconds = {:?}\n", self.ask_every.as_secs_f64());
        }
        if !self.banner.is_zero() {
            lines += &format!("banner_seconds = {:?}\n", self.banner.as_secs_f64());
        }
        lines
    }
}

/// What comes down a serial line.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Format {
    /// SenML (RFC 8428), one JSON pack per line.
    #[default]
    Senml,
    /// Any text in which a pattern finds the mass.
    Text,
}

/// What is wrong with the settings, and where.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read.
    #[error("{path}: {}", crate::disk::trouble(.error))]
    Unreadable {
        /// Which file.
        path: PathBuf,
        /// Why.
        error: std::io::Error,
    },
    /// Something in it is wrong.
    #[error("{path}:{line}:{column}: {text}")]
    Wrong {
        /// Which file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// Column in characters, from 1.
        column: usize,
        /// What is wrong and what was expected.
        text: String,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSettings {
    #[serde(default)]
    units: Units,
    time_zone: Option<Spanned<String>>,
    air_forecast: Option<Spanned<PathBuf>>,
    #[serde(default)]
    port: Vec<RawPort>,
    plan: Option<plan::Raw>,
    compare: Option<RawCompare>,
    tell: Option<RawTell>,
    kiln: Option<kiln::Raw>,
    drying: Option<drying::Raw>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPort {
    path: Spanned<String>,
    baud: Option<Spanned<u32>>,
    format: Option<Spanned<Format>>,
    pattern: Option<Spanned<String>>,
    source: Option<Spanned<String>>,
    ask: Option<Spanned<String>>,
    ask_seconds: Option<Spanned<f64>>,
    banner_seconds: Option<Spanned<f64>>,
}

/// A number within a range, or what it is without one.
fn number(
    given: Option<Spanned<f64>>,
    range: RangeInclusive<f64>,
    otherwise: f64,
) -> Result<f64, Complaint> {
    let Some(given) = given else { return Ok(otherwise) };
    let text = format!("expected {} to {}", range.start(), range.end());
    let value = *given.get_ref();
    if range.contains(&value) { Ok(value) } else { Err((given.span(), text)) }
}

/// Hours, where they were said.
fn week(text: Option<Spanned<String>>) -> Result<Option<Week>, Complaint> {
    let Some(text) = text else { return Ok(None) };
    let week = Week::parse(text.get_ref());
    week.map(Some).map_err(|e| (text.span(), format!("hours, {e}")))
}

/// A complaint and the bytes that it is about.
type Complaint = (Range<usize>, String);

impl Settings {
    /// Reads the settings of the studio in `dir`; defaults where there is no file.
    pub fn read(dir: &Path) -> Result<Settings, SettingsError> {
        let path = dir.join(SETTINGS);
        let read = crate::disk::open(&path).and_then(|file| {
            let mut bytes = Vec::new();
            file.take(LARGEST + 1).read_to_end(&mut bytes)?;
            Ok(bytes)
        });
        match read {
            Ok(bytes) if bytes.len() as u64 > LARGEST => {
                let error = std::io::Error::other("too large for settings (1 MiB at most)");
                Err(SettingsError::Unreadable { path, error })
            }
            Ok(bytes) => Settings::parse(&bytes, &path),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(Settings::default()),
            Err(error) => Err(SettingsError::Unreadable { path, error }),
        }
    }

    /// Reads settings from the text of a file; `path` is named in complaints.
    pub fn parse(bytes: &[u8], path: &Path) -> Result<Settings, SettingsError> {
        let understood = match std::str::from_utf8(bytes) {
            Ok(text) => Settings::understand(text),
            Err(e) => Err((e.valid_up_to()..bytes.len(), "not UTF-8; save it as UTF-8".into())),
        };
        understood.map_err(|(span, text)| {
            let (line, column) = position(bytes, span.start);
            SettingsError::Wrong { path: path.into(), line, column, text }
        })
    }

    fn understand(text: &str) -> Result<Settings, Complaint> {
        let raw: RawSettings = toml::from_str(text)
            .map_err(|e| (e.span().unwrap_or(0..0), in_plain_words(e.message())))?;
        if let Some(zone) = &raw.time_zone
            && jiff::tz::TimeZone::get(zone.get_ref()).is_err()
        {
            let text = format!(
                "unknown time zone \"{}\"; expected an IANA name such as \"Europe/Lisbon\"",
                shown(zone.get_ref())
            );
            return Err((zone.span(), text));
        }
        if let Some(path) = raw.air_forecast.as_ref().filter(|p| p.get_ref().as_os_str().is_empty())
        {
            return Err((path.span(), "expected the path of a CSV file".into()));
        }
        let mut port: Vec<PortSettings> = Vec::new();
        for one in raw.port {
            if port.iter().any(|other| other.path == *one.path.get_ref()) {
                return Err((one.path.span(), "this port has a block already".into()));
            }
            port.push(one.check()?);
        }
        Ok(Settings {
            units: raw.units,
            time_zone: raw.time_zone.map(Spanned::into_inner),
            air_forecast: raw.air_forecast.map(Spanned::into_inner),
            port,
            plan: raw.plan.map_or(Ok(PlanSettings::default()), plan::Raw::check)?,
            compare: raw.compare.map_or(Ok(CompareSettings::default()), RawCompare::check)?,
            tell: raw.tell.map(RawTell::check).transpose()?,
            kiln: raw.kiln.map_or(Ok(KilnSettings::default()), kiln::Raw::check)?,
            wary: raw.drying.map_or(Ok(Wary::default()), drying::Raw::check)?,
        })
    }
}

impl RawPort {
    fn check(self) -> Result<PortSettings, Complaint> {
        if self.path.get_ref().is_empty() {
            return Err((self.path.span(), "expected the path of a serial port".into()));
        }
        if let Some(baud) = &self.baud
            && !(1..=BAUD_MAX).contains(baud.get_ref())
        {
            return Err((baud.span(), format!("expected a baud rate from 1 to {BAUD_MAX}")));
        }
        if let Some(pattern) = &self.pattern {
            compile_pattern(pattern.get_ref()).map_err(|text| (pattern.span(), text))?;
        }
        if let Some(source) = &self.source {
            rules::name("source", source.get_ref()).map_err(|e| (source.span(), e.text))?;
        }
        let banner = seconds(self.banner_seconds.as_ref(), BANNER_S, Duration::ZERO)?;
        let ask_every = seconds(self.ask_seconds.as_ref(), ASK_S, ASK_EVERY)?;
        if let (Some(every), None) = (&self.ask_seconds, &self.ask) {
            return Err((every.span(), "this belongs to an ask, which is not there".into()));
        }
        if let Some(ask) = &self.ask
            && !(1..=ASK_BYTES).contains(&ask.get_ref().len())
        {
            return Err((ask.span(), format!("expected 1 to {ASK_BYTES} characters to send")));
        }
        let format = self.format.as_ref().map(|f| *f.get_ref()).unwrap_or_default();
        let others = [&self.pattern, &self.source, &self.ask];
        match (format, &self.pattern, &self.source) {
            (Format::Senml, ..) if others.iter().any(|other| other.is_some()) => {
                let other = others.into_iter().flatten().next();
                let span = other.map_or(self.path.span(), Spanned::span);
                let text = "this is for format = \"text\"; SenML lines name their own sources";
                return Err((span, text.into()));
            }
            (Format::Text, None, _) | (Format::Text, _, None) => {
                let span = self.format.map_or(self.path.span(), |f| f.span());
                let text = "a port with format = \"text\" needs a pattern (how to find the mass \
                            in a line) and a source (the name that its readings are kept under)";
                return Err((span, text.into()));
            }
            _ => {}
        }
        Ok(PortSettings {
            path: self.path.into_inner(),
            baud: self.baud.map_or(DEFAULT_BAUD, Spanned::into_inner),
            format,
            pattern: self.pattern.map(Spanned::into_inner),
            source: self.source.map(Spanned::into_inner),
            ask: self.ask.map(Spanned::into_inner),
            ask_every,
            banner,
        })
    }
}

/// A number of seconds within a range.
fn seconds(
    given: Option<&Spanned<f64>>,
    range: RangeInclusive<f64>,
    otherwise: Duration,
) -> Result<Duration, Complaint> {
    let Some(given) = given else { return Ok(otherwise) };
    let value = *given.get_ref();
    if !range.contains(&value) {
        let (from, to) = (range.start(), range.end());
        return Err((given.span(), format!("expected {from} to {to} seconds")));
    }
    Ok(Duration::from_secs_f64(value))
}

/// Compiles the pattern of a text port, of bounded size; says in plain words what is wrong.
///
/// The named group `mass` must be there, the others of [`GROUPS`] may be; other names are refused.
pub fn compile_pattern(pattern: &str) -> Result<Regex, String> {
    if pattern.len() > PATTERN_BYTES {
        return Err(format!("the pattern has more than {PATTERN_BYTES} bytes"));
    }
    let regex = RegexBuilder::new(pattern)
        .size_limit(COMPILED_BYTES)
        .dfa_size_limit(COMPILED_BYTES)
        .build()
        .map_err(|e| match e {
            regex::Error::CompiledTooBig(_) => "the pattern is too large when compiled".into(),
            // The library draws the pattern with a mark below it; its last line says why.
            other => {
                let text = other.to_string();
                let why = text.lines().last().unwrap_or_default().trim();
                let why = why.strip_prefix("error: ").unwrap_or(why);
                format!("the pattern is no regular expression: {why}")
            }
        })?;
    if let Some(other) = regex.capture_names().flatten().find(|name| !GROUPS.contains(name)) {
        return Err(format!(
            "the pattern names a group \"{other}\"; expected one of {}",
            GROUPS.join(", ")
        ));
    }
    if !regex.capture_names().flatten().any(|n| n == "mass") {
        return Err("the pattern has no group named mass; expected (?P<mass>…)".into());
    }
    Ok(regex)
}

/// Writes [`DEFAULT`] into `dir` unless settings are there.
pub(super) fn write_default(dir: &Path) -> std::io::Result<()> {
    let mut file = crate::disk::fresh(dir)?;
    file.write_all(DEFAULT.as_bytes())?;
    file.as_file().sync_all()?;
    match file.persist_noclobber(dir.join(SETTINGS)) {
        Err(e) if e.error.kind() != ErrorKind::AlreadyExists => Err(e.error),
        _ => Ok(()),
    }
}

/// Line and column (in characters) of a byte, both from 1.
fn position(bytes: &[u8], at: usize) -> (usize, usize) {
    let before = &bytes[..at.min(bytes.len())];
    let line_start = before.iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
    let line = before.iter().filter(|b| **b == b'\n').count() + 1;
    (line, String::from_utf8_lossy(&before[line_start..]).chars().count() + 1)
}

/// The library's message in the words of the studio's documentation.
fn in_plain_words(message: &str) -> String {
    let mut text = message.trim().replace('\n', "; ").replace('`', "\"");
    for (from, to) in [
        ("unknown field", "unknown setting"),
        ("unknown variant", "unknown value"),
        ("missing field", "missing setting"),
        ("invalid type: ", "wrong kind of value: "),
        ("invalid value: ", "wrong value: "),
        ("expected u32", "expected a whole number"),
        ("expected f64", "expected a number"),
        ("expected a sequence", "expected [[port]]"),
        ("struct RawPort", "a block of settings"),
        ("struct Raw", "a block of settings"),
        ("struct RawSettings", "settings"),
    ] {
        text = text.replace(from, to);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Settings, String> {
        Settings::parse(text.as_bytes(), Path::new("studio.toml")).map_err(|e| e.to_string())
    }

    #[test]
    fn the_documented_defaults_are_the_defaults() {
        assert_eq!(parse(DEFAULT), Ok(Settings::default()));
        assert_eq!(parse(""), Ok(Settings::default()));
    }

    #[test]
    fn the_documented_examples_work_once_their_remark_signs_are_gone() {
        let mut text = String::new();
        for line in DEFAULT.lines() {
            let bare = line.strip_prefix("# ").unwrap_or(line);
            let is_example = bare.starts_with('[') || bare.contains(" = ");
            text.push_str(if is_example { bare } else { "" });
            text.push('\n');
        }
        let settings = parse(&text).unwrap();
        assert_eq!(settings.time_zone.as_deref(), Some("Europe/Lisbon"));
        assert_eq!(settings.port.len(), 2);
        assert_eq!(settings.port[0].baud, 9600);
        assert_eq!(settings.port[0].format, Format::Senml);
        assert_eq!(settings.port[1].source.as_deref(), Some("bench"));
        let pattern = compile_pattern(settings.port[1].pattern.as_ref().unwrap()).unwrap();
        let found = pattern.captures(b"ST,GS, +  812.4 g\r").unwrap();
        assert_eq!(&found["mass"], b"812.4");
        assert_eq!(&found["unit"], b"g");
        let plan = settings.plan;
        assert!(plan.hours.is_some() && plan.there.is_some());
        assert_eq!(settings.compare, CompareSettings::default());
        let tell = settings.tell.unwrap();
        assert_eq!((tell.program.len(), tell.every), (2, Duration::from_secs(600)));
        assert!(tell.hours.is_some());
        assert_eq!(settings.kiln.altitude_m, Some(1600.0));
        let kiln = KilnSettings { altitude_m: None, ..settings.kiln };
        assert_eq!(kiln, KilnSettings::default());
        assert_eq!(settings.wary, Wary::default());
        // The others are shown as they are by default.
        assert_eq!((plan.sheets, plan.pairs.len()), (Some(12), 1));
        let none = PlanSettings { hours: None, there: None, sheets: None, pairs: vec![], ..plan };
        assert_eq!(none, PlanSettings::default());
    }

    #[test]
    fn a_port_survives_its_own_lines() {
        let text = "[[port]]\npath = \"p\"\nbaud = 4800\nformat = \"text\"\nsource = \"b\"\n\
                    pattern = '''^'?\"?(?P<mass>\\d+)'''\nask = \"W\\r\\n\\u0005\"\n\
                    ask_seconds = 0.25\nbanner_seconds = 2\n";
        for text in [text, "[[port]]\npath = \"p\"\n"] {
            let port = parse(text).unwrap().port.remove(0);
            let again = format!("[[port]]\npath = \"p\"\n{}", port.lines());
            assert_eq!(parse(&again).unwrap().port, [port]);
        }
    }

    #[test]
    fn complaints_say_where_and_what() {
        let port = "[[port]]\npath = \"/dev/ttyUSB0\"\n";
        for (text, complaint) in [
            (
                "units = \"us\"\n  unitz = 1\n".to_owned(),
                "studio.toml:2:3: unknown setting \"unitz\", expected one of \"units\", \
                 \"time_zone\", \"air_forecast\", \"port\", \"plan\", \"compare\", \"tell\", \
                 \"kiln\", \"drying\"",
            ),
            (
                "units = \"stone\"\n".into(),
                "studio.toml:1:9: unknown value \"stone\", expected \"metric\" or \"us\"",
            ),
            (
                "# é\ntime_zone = \"Atlantis\"\n".into(),
                "studio.toml:2:13: unknown time zone \"Atlantis\"; expected an IANA name such as \
                 \"Europe/Lisbon\"",
            ),
            ("air_forecast = \"\"\n".into(), "studio.toml:1:16: expected the path of a CSV file"),
            ("[kiln]\naltitude_m = 9000\n".into(), "studio.toml:2:14: expected -430 to 5500"),
            ("[drying]\nwarn_from = 1.0\n".into(), "studio.toml:2:13: expected 0.02 to 0.9"),
            ("[kiln]\nbelow_boiling_c = nan\n".into(), "studio.toml:2:19: expected 5 to 40"),
            (
                format!("{port}speed = 9600\n"),
                "studio.toml:3:1: unknown setting \"speed\", expected one of \"path\", \"baud\", \
                 \"format\", \"pattern\", \"source\", \"ask\", \"ask_seconds\", \
                 \"banner_seconds\"",
            ),
            (format!("{port}banner_seconds = 61\n"), "studio.toml:3:18: expected 0 to 60 seconds"),
            (
                format!("{port}ask = \"W\"\n"),
                "studio.toml:3:7: this is for format = \"text\"; SenML lines name their own \
                 sources",
            ),
            (
                format!("{port}ask_seconds = 5\n"),
                "studio.toml:3:15: this belongs to an ask, which is not there",
            ),
            (
                format!("{port}format = \"text\"\nask = \"W\"\nask_seconds = \"soon\"\n"),
                "studio.toml:5:15: wrong kind of value: string \"soon\", expected a number",
            ),
            (
                format!("{port}format = \"text\"\nask = \"\"\n"),
                "studio.toml:4:7: expected 1 to 64 \
                 characters to send",
            ),
            (
                format!("{port}format = \"text\"\npattern = '(?P<weight>x)'\n"),
                "studio.toml:4:11: the pattern names a group \"weight\"; expected one of mass, \
                 unit, ounces, minus, stable, unstable, overload",
            ),
            (
                format!("{port}baud = \"fast\"\n"),
                "studio.toml:3:8: wrong kind of value: string \"fast\", expected a whole number",
            ),
            (
                format!("{port}baud = 0\n"),
                "studio.toml:3:8: expected a baud rate from 1 to 12000000",
            ),
            (format!("{port}{port}"), "studio.toml:4:8: this port has a block already"),
            (
                format!("{port}pattern = '(?P<mass>x)'\n"),
                "studio.toml:3:11: this is for format = \"text\"; SenML lines name their own \
                 sources",
            ),
            (
                format!("{port}format = \"text\"\nsource = \"a/b\"\n"),
                "studio.toml:4:10: a name cannot hold control characters or '/'; got \"a/b\"",
            ),
            (
                format!("{port}format = \"text\"\npattern = '(?P<mass>\\d+'\n"),
                "studio.toml:4:11: the pattern is no regular expression: unclosed group",
            ),
            (
                format!("{port}format = \"text\"\npattern = '\\d+ g'\n"),
                "studio.toml:4:11: the pattern has no group named mass; expected (?P<mass>…)",
            ),
            (
                format!("{port}format = \"text\"\npattern = '(?P<mass>(\\d{{999}}){{999}})'\n"),
                "studio.toml:4:11: the pattern is too large when compiled",
            ),
            (
                format!("{port}format = \"text\"\n"),
                "studio.toml:3:10: a port with format = \"text\" needs a pattern (how to find \
                 the mass in a line) and a source (the name that its readings are kept under)",
            ),
            ("[[port]]\nbaud = 9600\n".into(), "studio.toml:1:1: missing setting \"path\""),
            (
                "port = 3\n".into(),
                "studio.toml:1:8: wrong kind of value: integer \"3\", expected [[port]]",
            ),
        ] {
            assert_eq!(parse(&text), Err(complaint.to_owned()), "{text}");
        }
        for broken in ["units = ", "= 3", "[[port", "units = \"metric\"\nunits = \"us\"", "\u{0}"] {
            let complaint = parse(broken).unwrap_err();
            assert!(complaint.starts_with("studio.toml:"), "{complaint}");
        }
        let latin = Settings::parse(b"units = \"metric\"\n# caf\xe9\n", Path::new("studio.toml"));
        assert_eq!(
            latin.map_err(|e| e.to_string()),
            Err("studio.toml:2:6: not UTF-8; save it as UTF-8".to_owned())
        );
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_settings_or_a_complaint(bytes: Vec<u8>) {
            let _ = Settings::parse(&bytes, Path::new("studio.toml"));
        }
    }
}
