//! What could not be used, counted by reason: a port's and each source's health.

use std::fmt;
use std::time::{Duration, Instant};

/// Why something that came down the line was not stored.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[repr(u8)]
pub enum Fault {
    /// The line is not JSON.
    NotJson,
    /// JSON, but not a SenML pack.
    NotSenml,
    /// A SenML version, or a field that must be understood, that this program does not know.
    NotUnderstood,
    /// The line does not match the port's pattern.
    NoMatch,
    /// A line without end.
    TooLong,
    /// Bytes that belong to no line, just before one that was read.
    Noise,
    /// Half a line: where the port was opened, or as it was lost.
    CutOff,
    /// The checksum does not fit the line.
    BadChecksum,
    /// No checksum, from a source that sends them.
    NoChecksum,
    /// A value that is not a finite number.
    NotANumber,
    /// A unit that is none of g, kg, Cel, %RH, count (on a text line: g, kg, oz, lb).
    BadUnit,
    /// A name against the rules for names.
    BadName,
    /// A time outside 1970–2200.
    BadTime,
    /// A temperature outside −60…120 °C, or a humidity outside 0…110 %.
    OutOfRange,
    /// A text, a switch, a sum: nothing that is measured here.
    NotAMeasurement,
    /// The same value at the same time once more.
    Repeated,
    /// One source more than a port may have.
    TooManySources,
    /// A weight that its scale says is not at rest.
    Moving,
    /// More, or less, than the scale can weigh.
    Overload,
    /// A scale that was asked said nothing.
    NoAnswer,
    /// More readings than a port may have stored in the long run.
    TooMuch,
}

impl Fault {
    /// All, in the order in which they are shown.
    pub const ALL: [Fault; 21] = [
        Fault::NotJson,
        Fault::NotSenml,
        Fault::NotUnderstood,
        Fault::NoMatch,
        Fault::TooLong,
        Fault::Noise,
        Fault::CutOff,
        Fault::BadChecksum,
        Fault::NoChecksum,
        Fault::NotANumber,
        Fault::BadUnit,
        Fault::BadName,
        Fault::BadTime,
        Fault::OutOfRange,
        Fault::NotAMeasurement,
        Fault::Repeated,
        Fault::TooManySources,
        Fault::Moving,
        Fault::Overload,
        Fault::NoAnswer,
        Fault::TooMuch,
    ];

    /// In words, for people.
    pub fn words(self) -> &'static str {
        match self {
            Fault::NotJson => "not JSON",
            Fault::NotSenml => "not a SenML pack",
            Fault::NotUnderstood => "a SenML version or field that is not understood",
            Fault::NoMatch => "does not match the pattern",
            Fault::TooLong => "line too long",
            Fault::Noise => "noise before a line",
            Fault::CutOff => "half a line",
            Fault::BadChecksum => "bad checksum",
            Fault::NoChecksum => "checksum missing",
            Fault::NotANumber => "not a number",
            Fault::BadUnit => "bad unit",
            Fault::BadName => "bad name",
            Fault::BadTime => "time outside 1970–2200",
            Fault::OutOfRange => "out of range",
            Fault::NotAMeasurement => "not a measurement",
            Fault::Repeated => "sent twice",
            Fault::TooManySources => "too many sources",
            Fault::Moving => "not at rest",
            Fault::Overload => "beyond the scale's range",
            Fault::NoAnswer => "no answer",
            Fault::TooMuch => "more than a shelf can have to say",
        }
    }

    /// Whether something is wrong, rather than merely of no use here.
    pub fn is_wrong(self) -> bool {
        !matches!(self, Fault::CutOff | Fault::NotAMeasurement | Fault::Repeated | Fault::Moving)
    }
}

/// Counts by reason.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Faults([u64; Fault::ALL.len()]);

impl Faults {
    /// One more; returns how many of this kind there are now.
    pub fn add(&mut self, fault: Fault) -> u64 {
        let count = &mut self.0[fault as usize];
        *count += 1;
        *count
    }

    /// How many of this kind.
    pub fn of(&self, fault: Fault) -> u64 {
        self.0[fault as usize]
    }

    /// How many in all.
    pub fn total(&self) -> u64 {
        self.0.iter().sum()
    }
}

/// `3 not JSON, 1 bad unit`; nothing where there were none.
impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut between = "";
        for fault in Fault::ALL {
            if self.of(fault) > 0 {
                write!(f, "{between}{} {}", self.of(fault), fault.words())?;
                between = ", ";
            }
        }
        Ok(())
    }
}

/// Whether the `n`-th of a kind is worth a line: the 1st, 10th, 100th …
pub fn worth_saying(n: u64) -> bool {
    n > 0 && 10u64.pow(n.ilog10()) == n
}

/// Shortest and longest silence that is worth a word.
const SILENT: (Duration, Duration) = (Duration::from_secs(60), Duration::from_secs(3600));
/// A silence so many times as long as the longest pause so far is worth a word.
const PAUSES: u32 = 4;

/// Watches for a port that falls silent: its far end may have gone without any error.
///
/// It learns the longest usual pause, so that a scale which speaks at the press of a key does not
/// complain after each one.
#[derive(Clone, Copy, Debug)]
pub struct Silence {
    last: Instant,
    longest: Duration,
    said: bool,
}

impl Silence {
    /// From the moment that the port was opened.
    pub fn new(now: Instant) -> Silence {
        Silence { last: now, longest: Duration::ZERO, said: false }
    }

    /// Bytes came; true if the port had fallen silent before.
    pub fn heard(&mut self, now: Instant) -> bool {
        self.longest = self.longest.max(self.of(now));
        self.last = now;
        std::mem::take(&mut self.said)
    }

    /// How long it has been silent.
    pub fn of(&self, now: Instant) -> Duration {
        now.saturating_duration_since(self.last)
    }

    /// How long it has been silent, once when that becomes worth a word.
    pub fn fell(&mut self, now: Instant) -> Option<Duration> {
        let limit = (self.longest * PAUSES).clamp(SILENT.0, SILENT.1);
        let silent = self.of(now);
        if self.said || silent < limit {
            return None;
        }
        self.said = true;
        Some(silent)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_reason_has_its_own_count_and_words() {
        let mut faults = Faults::default();
        for (i, fault) in Fault::ALL.into_iter().enumerate() {
            assert_eq!(fault as usize, i);
            for n in 1..=i as u64 + 1 {
                assert_eq!(faults.add(fault), n);
            }
            assert_eq!(faults.of(fault), i as u64 + 1);
        }
        assert_eq!(faults.total(), 21 * 22 / 2);
        let words: std::collections::BTreeSet<_> = Fault::ALL.map(Fault::words).into();
        assert_eq!(words.len(), Fault::ALL.len());
    }

    #[test]
    fn health_reads_as_a_list() {
        let mut faults = Faults::default();
        assert_eq!(faults.to_string(), "");
        faults.add(Fault::BadUnit);
        faults.add(Fault::NotJson);
        faults.add(Fault::NotJson);
        assert_eq!(faults.to_string(), "2 not JSON, 1 bad unit");
    }

    #[test]
    fn said_at_powers_of_ten() {
        let said: Vec<u64> = (0..=1000).filter(|n| worth_saying(*n)).collect();
        assert_eq!(said, [1, 10, 100, 1000]);
        assert!(!worth_saying(u64::MAX));
    }

    #[test]
    fn silence_is_said_once_and_later_for_one_who_pauses() {
        let start = Instant::now();
        let at = |s| start + Duration::from_secs(s);
        let mut silence = Silence::new(start);
        assert_eq!(silence.fell(at(59)), None);
        assert_eq!(silence.fell(at(60)), Some(Duration::from_secs(60)));
        assert_eq!(silence.fell(at(80)), None);
        assert!(silence.heard(at(100)));
        assert!(!silence.heard(at(101)));
        assert_eq!(silence.fell(at(101 + 399)), None);
        assert_eq!(silence.fell(at(101 + 400)), Some(Duration::from_secs(400)));
        silence.heard(at(100_000));
        assert_eq!(silence.fell(at(103_599)), None);
        assert!(silence.fell(at(103_600)).is_some());
    }
}
