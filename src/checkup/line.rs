//! What came down a port in some seconds, and what that says: silence, noise of a wrong baud rate,
//! lines that are not understood or were damaged, or sources with their pace.
//!
//! A receiver at another rate than its sender reads bytes that hardly ever are text (the tests play
//! it, bit by bit). One that sends 7 bits and a parity bit is text but for the highest bit.

use super::{Finding, What, quoted};
use crate::records::{Name, Quantity, is_hidden, shell_word};
use crate::sensing::health::{Fault, Faults};
use crate::sensing::session::{Action, Arrival, Remark, Session};
use crate::store::{self, PortSettings};
use crate::units::span;
use regex::bytes::Regex;
use std::sync::LazyLock;

/// Most that is kept of what came, to look at, bytes.
const KEPT: usize = 16_384;
/// Longest line that is shown, characters.
const SHOWN: usize = 60;
/// Text has a larger share of readable characters than this, and ends its lines. A line that is
/// read at another usual rate has a smaller one or no end; a damaged byte here and there leaves
/// more than 0.95.
const TEXT: f64 = 0.85;
/// Fewer characters tell nothing.
const ENOUGH: usize = 8;
/// More damaged or unknown lines than this part of all are worth a word.
const MANY: f64 = 0.01;

/// What was heard.
#[derive(Clone, Debug, Default)]
pub struct Heard {
    /// For how long, s.
    pub seconds: f64,
    /// Bytes that came.
    pub bytes: u64,
    /// The first of them.
    pub kept: Vec<u8>,
    /// Lines that were understood.
    pub lines: u64,
    /// What could not be used.
    pub faults: Faults,
    /// The first line that was not understood.
    pub example: Option<Vec<u8>>,
    /// Who spoke.
    pub sources: Vec<HeardSource>,
    /// Sources whose times lie far ahead of the clock (behind it: negative), s.
    pub clocks: Vec<(Name, i64)>,
    /// Other baud rates that were tried.
    pub tried: Vec<u32>,
    /// The one of them at which text came.
    pub text_at: Option<u32>,
    /// The port went away meanwhile.
    pub lost: bool,
}

/// One source that was heard.
#[derive(Clone, PartialEq, Debug)]
pub struct HeardSource {
    /// Its name.
    pub name: Name,
    /// What it sends.
    pub quantities: Vec<Quantity>,
    /// Measurements of one quantity.
    pub samples: u64,
}

/// What the bytes look like.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Looks {
    /// Too few to tell.
    Unknown,
    /// Text.
    Text,
    /// Readable, but no line ends; noise of a wrong rate may be that.
    Endless,
    /// Text in 7 bits with a parity bit.
    Parity,
    /// None of these.
    Noise,
}

/// What some bytes look like.
pub fn looks(bytes: &[u8]) -> Looks {
    let seven: Vec<u8> = bytes.iter().map(|byte| byte & 0x7f).collect();
    let ends = |bytes: &[u8]| bytes.iter().any(|byte| matches!(byte, b'\n' | b'\r'));
    let odd = bytes.iter().filter(|byte| byte.count_ones() % 2 == 1).count();
    let share = odd as f64 / bytes.len().max(1) as f64;
    let of_one_parity = !(0.02..=0.98).contains(&share);
    match readable(bytes) >= TEXT {
        _ if bytes.len() < ENOUGH => Looks::Unknown,
        true if ends(bytes) => Looks::Text,
        _ if of_one_parity && ends(&seven) && readable(&seven) >= TEXT => Looks::Parity,
        true => Looks::Endless,
        false => Looks::Noise,
    }
}

/// The share of readable characters.
fn readable(bytes: &[u8]) -> f64 {
    let text = String::from_utf8_lossy(bytes);
    let plain = |c: &char| match c {
        '\n' | '\r' | '\t' => true,
        '\u{fffd}' => false,
        c => !is_hidden(*c),
    };
    text.chars().filter(plain).count() as f64 / text.chars().count().max(1) as f64
}

/// Takes what comes down a port, and tells what it was.
pub struct Hearing {
    session: Session,
    heard: Heard,
    open: Vec<u8>,
    /// A first line may be half a one.
    first: bool,
    actions: Vec<Action>,
}

impl Hearing {
    /// Before the first byte.
    pub fn new(session: Session) -> Hearing {
        let (heard, open) = (Heard::default(), Vec::new());
        Hearing { session, heard, open, first: true, actions: Vec::new() }
    }

    /// The session, for what it has to ask.
    pub fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    /// Takes bytes.
    pub fn take(&mut self, bytes: &[u8], arrived: Arrival) {
        self.heard.bytes += bytes.len() as u64;
        let room = KEPT - self.heard.kept.len();
        self.heard.kept.extend_from_slice(&bytes[..bytes.len().min(room)]);
        for piece in bytes.split_inclusive(|byte| matches!(byte, b'\n' | b'\r')) {
            let counted = |session: &Session| {
                let health = session.health();
                (wrong(&health.faults), health.faults.total() + health.lines)
            };
            let before = counted(&self.session);
            self.session.received(piece, arrived, &mut self.actions);
            let after = counted(&self.session);
            if self.open.len() + piece.len() <= KEPT {
                self.open.extend_from_slice(piece);
            }
            if after.0 > before.0 && !self.first {
                self.heard.example.get_or_insert_with(|| self.open.clone());
            }
            // Whether a CR ends a line is the format's to say.
            if piece.ends_with(b"\n") || after.1 > before.1 {
                self.first &= self.open.iter().all(u8::is_ascii_whitespace);
                self.open.clear();
            }
        }
        self.listen_to_remarks();
    }

    /// What came so far; its lines and faults are counted at the [`Hearing::end`].
    pub fn so_far(&self) -> &Heard {
        &self.heard
    }

    /// What came in so many seconds.
    pub fn end(mut self, seconds: f64) -> Heard {
        let health = self.session.health();
        self.heard.lines = health.lines;
        self.heard.faults = health.faults;
        self.heard.seconds = seconds;
        for source in &mut self.heard.sources {
            let said = self.session.sources().find(|s| s.name == source.name);
            let samples = said.map_or(0, |s| s.samples);
            source.samples = samples / source.quantities.len().max(1) as u64;
        }
        // Nothing but one line: then that is what there is to show.
        if self.heard.example.is_none() && self.heard.lines == 0 && !self.heard.kept.is_empty() {
            let line = self.heard.kept.split(|b| *b == b'\n').next().unwrap_or_default();
            self.heard.example = Some(line.to_vec());
        }
        self.heard
    }

    fn listen_to_remarks(&mut self) {
        for action in self.actions.drain(..) {
            match action {
                Action::Say(Remark::NewSource(name, quantity)) => {
                    match self.heard.sources.iter_mut().find(|s| s.name == name) {
                        Some(source) => source.quantities.push(quantity),
                        None => self.heard.sources.push(HeardSource {
                            name,
                            quantities: vec![quantity],
                            samples: 0,
                        }),
                    }
                }
                Action::Say(Remark::Clock(name, ahead)) => self.heard.clocks.push((name, ahead)),
                Action::Say(Remark::Fault(..)) | Action::Store(..) => {}
            }
        }
    }
}

/// How many were wrong, rather than of no use.
fn wrong(faults: &Faults) -> u64 {
    Fault::ALL.into_iter().filter(|fault| fault.is_wrong()).map(|fault| faults.of(fault)).sum()
}

/// Judges what was heard; `again`: the command that listens once more.
pub fn judge(heard: &Heard, port: &PortSettings, again: &str) -> Finding {
    let finding = |code, text: String| Finding::wrong(What::Port, code, text);
    if heard.lost {
        return finding("lost", "it went away while it was listened to: a loose plug?".into())
            .say("Push the plug home, try another cable, and another socket of the computer.");
    }
    if heard.bytes == 0 {
        return silence(heard, port, again);
    }
    if heard.lines == 0 {
        return match looks(&heard.kept) {
            Looks::Noise => noise(heard, port),
            Looks::Endless if heard.text_at.is_some() => noise(heard, port),
            Looks::Parity => finding(
                "parity",
                format!(
                    "what comes is text in 7 bits with a parity bit: {}",
                    shown(&heard.kept.iter().map(|byte| byte & 0x7f).collect::<Vec<_>>())
                ),
            )
            .say(
                "Set the scale to 8 data bits, no parity, 1 stop bit (8N1) in its menu; this \
                  program reads no other.",
            ),
            _ => not_understood(heard, port),
        };
    }
    let bad = wrong(&heard.faults);
    let share = bad as f64 / (heard.lines + bad) as f64;
    if bad >= 2 && share > MANY {
        return damaged(heard, bad);
    }
    if let Some((name, ahead)) = heard.clocks.first() {
        let side = if *ahead > 0 { "ahead of" } else { "behind" };
        let far = span(ahead.unsigned_abs() as f64);
        let text = format!("the times that {name} sends lie {far} {side} this computer's clock");
        return finding("source-clock", text)
            .say("Set the board's clock, or let it send no times: then they count from arrival.");
    }
    Finding::fine(What::Port, pace(heard))
}

/// `12 lines in 12 s: room every 5 s, shelf-a:cell-1 every 5 s`.
fn pace(heard: &Heard) -> String {
    /// So many sources are told.
    const TOLD: usize = 8;
    let each = heard.sources.iter().take(TOLD).map(|source| {
        let every = heard.seconds / source.samples.max(1) as f64;
        let pace = match (source.samples, every) {
            (0, _) => "nothing that can be used".into(),
            (1, _) => "once".into(),
            (_, every) if every < 0.95 => format!("{:.0} a second", 1.0 / every),
            (_, every) => format!("every {every:.0} s"),
        };
        format!("{} {pace}", source.name)
    });
    let mut text = format!(
        "{} in {:.0} s: {}",
        counted(heard.lines, "line"),
        heard.seconds,
        each.collect::<Vec<_>>().join(", ")
    );
    if heard.sources.len() > TOLD {
        text += &format!(" and {} more", heard.sources.len() - TOLD);
    }
    if wrong(&heard.faults) > 0 {
        text += &format!("; not used: {}", heard.faults);
    }
    text
}

fn counted(n: u64, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

fn silence(heard: &Heard, port: &PortSettings, again: &str) -> Finding {
    let text = format!("silent: nothing came in {:.0} s", heard.seconds);
    let finding = Finding::wrong(What::Port, "silent", text);
    let longer = format!("{again} --listen 70");
    match (port.format, &port.ask) {
        (store::Format::Text, None) => finding
            .say(
                "If the scale prints only when its key is pressed, press it while this runs; if \
                 only on request, set `ask` in studio.toml. Else look whether it is switched on, \
                 and whether sending is switched on in its menu. Longer:",
            )
            .run(longer),
        (_, Some(ask)) => finding.say(format!(
            "It was asked {ask:?} and gave no answer: is it switched on, is that the question \
             that its manual gives (with its line end), and does the cable carry both ways?"
        )),
        _ => finding
            .say(
                "Is the board supplied (its lamp)? Does its program run? Is the cable one for \
                 data, not for charging alone? On bare wires: its TX on our RX, and ground on \
                 ground. If it sends less than once in that time, listen longer:",
            )
            .run(longer),
    }
}

fn noise(heard: &Heard, port: &PortSettings) -> Finding {
    let text = format!(
        "noise: {} bytes, none of them a line, as where the baud rate is wrong (it is set to {}): {}",
        heard.bytes,
        port.baud,
        in_hex(&heard.kept)
    );
    let finding = Finding::wrong(What::Port, "wrong-baud", text);
    match heard.text_at {
        Some(baud) => finding
            .say(format!("At {baud} baud it is text. In studio.toml (by hand: --baud {baud}):"))
            .write(&format!("[[port]]\npath = {}\nbaud = {baud}", quoted(&port.path))),
        None if heard.tried.is_empty() => finding.say(
            "Look up the rate in the board's program or in the scale's menu, and set `baud` to it.",
        ),
        None => {
            let tried: Vec<String> = heard.tried.iter().map(u32::to_string).collect();
            finding.say(format!(
                "At {} baud it was no line either. Look up the rate in the board's program or in \
                 the scale's menu. If it is right: is ground on ground, and does the level fit \
                 (RS-232 needs a converter)? Some scales have a binary output: choose text.",
                tried.join(", ")
            ))
        }
    }
}

/// A weight as scales print it.
static WEIGHT: LazyLock<Option<Regex>> =
    LazyLock::new(|| Regex::new(r"(?i)\d\s*(g|kg|oz|lb)\b").ok());

fn not_understood(heard: &Heard, port: &PortSettings) -> Finding {
    let example = heard.example.as_deref().unwrap_or(&heard.kept);
    let why = match heard.faults.to_string() {
        none if none.is_empty() => "no line end came".into(),
        some => some,
    };
    let text = format!("nothing of what comes is understood ({why}): {}", shown(example));
    let finding = Finding::wrong(What::Port, "not-understood", text);
    match port.format {
        store::Format::Text => finding.say(
            "The pattern in studio.toml does not fit this line. A \\d stands for a digit, \\s for \
             a blank; the number goes into (?P<mass>…).",
        ),
        store::Format::Senml if WEIGHT.as_ref().is_some_and(|weight| weight.is_match(example)) => {
            finding.say("This looks like a scale that prints text. In studio.toml:").write(&format!(
                "[[port]]\npath = {}\nbaud = {}\nformat = \"text\"\npattern = \
                 '(?P<mass>[-+]?\\d+(\\.\\d+)?)\\s*(?P<unit>g|kg|oz|lb)'\nsource = \"bench\"",
                quoted(&port.path), port.baud
            ))
        }
        store::Format::Senml => finding.say(
            "A board sends lines like [{\"n\":\"cell-1\",\"u\":\"g\",\"v\":812.4}]; for a scale \
             that prints text set format, pattern and source in studio.toml. To keep what comes, \
             byte by byte:",
        )
        .run(format!("warecast watch --port {} --record FILE", shell_word(&port.path))),
    }
}

fn damaged(heard: &Heard, bad: u64) -> Finding {
    let of = |fault| heard.faults.of(fault);
    let text = format!(
        "{} understood, but {} could not be used: {}{}",
        counted(heard.lines, "line"),
        bad,
        heard.faults,
        heard
            .example
            .as_deref()
            .map_or(String::new(), |line| format!(", for instance {}", shown(line)))
    );
    if of(Fault::BadChecksum) + of(Fault::Noise) + of(Fault::NotJson) > bad / 2 {
        return Finding::wrong(What::Port, "damaged-lines", text).say(
            "Lines are damaged on their way: a shorter or shielded cable, away from mains leads, \
             ground on ground, all plugs home; then a lower baud rate on both sides.",
        );
    }
    let finding = Finding::wrong(What::Port, "unusable-lines", text);
    match () {
        () if of(Fault::NoAnswer) > 0 => {
            finding.say("The scale does not answer each time: set a longer `ask_seconds`.")
        }
        () if of(Fault::Overload) > 0 => finding.say("More lies on the scale than it can weigh."),
        () if of(Fault::OutOfRange) > 0 => finding.say(
            "A sensor says what no room has: a loose wire, a wet sensor, or the wrong unit (°C as \
             Cel, humidity in percent as %RH).",
        ),
        () => finding.say("Put right what the board sends; firmware-notes has lines to compare."),
    }
}

/// The first bytes of what is no text, as a manual would write them.
fn in_hex(bytes: &[u8]) -> String {
    let first: Vec<String> = bytes.iter().take(12).map(|byte| format!("{byte:02X}")).collect();
    first.join(" ") + if bytes.len() > first.len() { " …" } else { "" }
}

/// A line as it can be shown: in quotes, what does not print spelled out, cut.
fn shown(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    let text = text.trim_end();
    let mut chars = text.chars();
    let mut out: String = chars.by_ref().take(SHOWN).flat_map(spelled).collect();
    if chars.next().is_some() {
        out.push('…');
    }
    format!("\"{out}\"")
}

fn spelled(c: char) -> Vec<char> {
    if is_hidden(c) { c.escape_default().collect() } else { vec![c] }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensing::formats::senml::{Senml, checksum};
    use crate::units::Time;
    use std::time::Instant;

    const RATES: [u32; 10] =
        [1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800];

    fn port() -> PortSettings {
        PortSettings::senml("/dev/ttyUSB0", 9600)
    }

    fn arrived() -> Arrival {
        Arrival { wall: Time(1_900_000_000_000_000), steady: Instant::now() }
    }

    fn heard(stream: &[u8]) -> Heard {
        let mut hearing = Hearing::new(Session::new(Box::new(Senml::new())));
        for piece in stream.chunks(7) {
            hearing.take(piece, arrived());
        }
        hearing.end(10.0)
    }

    fn judged(stream: &[u8]) -> Finding {
        judge(&heard(stream), &port(), "warecast checkup")
    }

    /// What a receiver reads of bytes that were sent at another rate, 8N1, without pauses: it
    /// waits for a start bit (low), then samples the middle of each of eight data bits and of the
    /// stop bit (the usual way of a UART; EIA-232 levels turned round). A low stop bit is a framing
    /// error; the byte is handed on all the same.
    fn at_another_rate(sent: &[u8], sender: u32, receiver: u32) -> Vec<u8> {
        let bits: Vec<bool> = sent
            .iter()
            .flat_map(|byte| {
                let data = (0..8).map(move |bit| byte >> bit & 1 == 1);
                std::iter::once(false).chain(data).chain([true])
            })
            .collect();
        let ratio = f64::from(sender) / f64::from(receiver);
        let level = |t: f64| bits.get(t as usize).copied();
        let (mut t, mut read) = (0.0, Vec::new());
        let step = ratio.min(1.0) / 16.0;
        'bytes: loop {
            while level(t) == Some(true) {
                t += step;
            }
            let mut byte = 0;
            for bit in 0..8 {
                match level(t + (1.5 + f64::from(bit)) * ratio) {
                    Some(high) => byte |= u8::from(high) << bit,
                    None => break 'bytes,
                }
            }
            read.push(byte);
            t += 9.5 * ratio;
            // A line held low is no start bit before it was high again.
            while level(t) == Some(false) && level(t - step) == Some(false) {
                t += step;
                if level(t).is_none() {
                    break 'bytes;
                }
            }
        }
        read
    }

    fn lines() -> Vec<u8> {
        let line = |i: i32| {
            let weight = 812.4 - f64::from(i) / 10.0;
            format!(
                "[{{\"bn\":\"shelf-a:\",\"n\":\"cell-{}\",\"u\":\"g\",\"v\":{weight:.1}}}]\r\n",
                i % 16
            )
        };
        (0..60).map(line).collect::<String>().into_bytes()
    }

    #[test]
    fn no_other_usual_rate_looks_like_text_and_its_own_does() {
        let scale = |i: i32| format!("ST,GS,+  {:.1} g\r\n", 812.4 - f64::from(i) / 10.0);
        let scale = (0..60).map(scale).collect::<String>().into_bytes();
        for (sent, sender) in [lines(), scale].iter().flat_map(|s| RATES.map(|rate| (s, rate))) {
            for receiver in RATES {
                let read = at_another_rate(sent, sender, receiver);
                let looked = looks(&read);
                if sender == receiver {
                    assert_eq!((looked, &read), (Looks::Text, sent));
                } else if read.len() >= ENOUGH {
                    let is_noise = matches!(looked, Looks::Noise | Looks::Endless);
                    assert!(is_noise, "{sender} at {receiver}: {looked:?} {}", readable(&read));
                }
            }
        }
        let found = judged(&at_another_rate(&lines(), 115_200, 9600));
        assert_eq!(found.code, "wrong-baud");
        let bytes = found.text.rsplit(": ").next().unwrap().split(' ').collect::<Vec<_>>();
        assert_eq!((bytes.len(), bytes[12]), (13, "…"), "{}", found.text);
        assert_eq!(judged(&at_another_rate(&lines(), 9600, 115_200)).code, "wrong-baud");
    }

    #[test]
    fn seven_bits_and_parity_are_told_from_noise() {
        // Even parity in the highest bit.
        let parity = |byte: u8| byte | (byte.count_ones() as u8 & 1) << 7;
        let printed = b"ST,GS,+  812.4 g\r\nST,GS,+  812.3 g\r\n".map(parity);
        let found = judged(&printed);
        assert_eq!(found.code, "parity");
        assert!(found.text.contains("812.4 g"), "{}", found.text);
    }

    #[test]
    fn silence_says_what_to_look_at_by_the_kind_of_port() {
        assert_eq!(judged(b"").code, "silent");
        let text = PortSettings { format: store::Format::Text, ..port() };
        let asked = PortSettings { ask: Some("W\r\n".into()), ..text.clone() };
        let says = |port| format!("{:?}", judge(&heard(b""), port, "warecast checkup").to_do);
        assert!(says(&text).contains("press it while this runs"));
        assert!(says(&asked).contains("gave no answer"));
    }

    #[test]
    fn a_line_that_is_not_understood_is_shown_and_harms_nobody() {
        let found = judged(b"half\r\nhello \x1b[2J\xe2\x80\xaeboard\r\nhello\r\n");
        assert_eq!(found.code, "not-understood");
        assert!(found.text.contains("hello \\u{1b}[2J\\u{202e}board\""), "{}", found.text);
        let scale = judged(b"ST,GS,+  812.4 g\r\nST,GS,+  812.4 g\r\n");
        let lines = format!("{:?}", scale.to_do);
        assert!(lines.contains("format = \\\"text\\\""), "{lines}");
        let endless = judged(&[b'x'; 100]);
        assert_eq!(endless.code, "not-understood");
        assert!(endless.text.contains("no line end"), "{}", endless.text);
    }

    #[test]
    fn damaged_lines_are_counted_against_those_that_came_well() {
        let good = |i: u32| {
            let body = format!("[{{\"n\":\"cell-1\",\"u\":\"g\",\"v\":{i}}}]");
            format!("{body} {:08x}\n", checksum(body.as_bytes()))
        };
        let bad = |i: u32| good(i).replace("cell", "call");
        let mixed: String = (0..20).map(|i| if i % 5 == 4 { bad(i) } else { good(i) }).collect();
        let found = judged(mixed.as_bytes());
        assert_eq!(found.code, "damaged-lines");
        assert!(found.text.starts_with("16 lines understood, but 4 could not"), "{}", found.text);
        assert!(found.text.contains("4 bad checksum, for instance \"[{\"n\":\"call-1\""));
        // One in hundreds is a spark, and half a line at the start is how it is.
        let one: String = (0..300).map(|i| if i == 7 { bad(i) } else { good(i) }).collect();
        let found = judged(format!("1\"}}]\n{one}").as_bytes());
        assert!(!found.wrong && found.text.contains("1 bad checksum"), "{}", found.text);
    }

    #[test]
    fn sources_are_told_with_their_pace() {
        let turn = |i: i32| {
            let room =
                "{\"n\":\"room\",\"u\":\"Cel\",\"v\":19.8},{\"n\":\"room\",\"u\":\"%RH\",\"v\":54}";
            let cell = |n| format!(",{{\"n\":\"cell-{n}\",\"u\":\"g\",\"v\":{i}}}");
            format!("[{room}{}{}]\n", cell(1), if i % 4 == 0 { cell(2) } else { String::new() })
        };
        let found = judged((0..20).map(turn).collect::<String>().as_bytes());
        assert!(!found.wrong);
        assert_eq!(
            found.text,
            "20 lines in 10 s: room 2 a second, cell-1 2 a second, cell-2 every 2 s"
        );
    }

    #[test]
    fn times_far_from_the_clock_are_told() {
        let line = "[{\"n\":\"cell-1\",\"t\":1900010800,\"u\":\"g\",\"v\":5}]\n";
        let found = judged(line.as_bytes());
        assert_eq!(found.code, "source-clock");
        assert!(found.text.contains("cell-1 sends lie 3 h ahead of"), "{}", found.text);
    }
}
