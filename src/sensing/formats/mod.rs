//! What the bytes mean: a format turns bytes and time into measurements and knows nothing of
//! ports, names that are allowed, or what becomes of a measurement.

pub mod senml;
pub mod text;

use super::health::Fault;
use crate::records::Quantity;
use crate::units::Time;

/// One measurement as a format understood it; the session checks name, range and checksum rule.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Measured<'a> {
    /// Who says so.
    pub source: &'a str,
    /// What.
    pub quantity: Quantity,
    /// In the program's unit (g, °C, relative humidity as a fraction, raw counts); finite.
    pub value: f64,
    /// When; inside 1970–2200.
    pub time: Time,
    /// Whether the source told this time itself; else it counts from arrival.
    pub told: bool,
    /// Whether a checksum that fits came with it.
    pub sealed: bool,
    /// Whether the scale says that it is at rest; `None` where it says nothing of that.
    pub settled: Option<bool>,
}

/// Where a format puts what it found.
pub trait Sink {
    /// A line was read and understood.
    fn line(&mut self);
    /// A measurement.
    fn measured(&mut self, measured: Measured<'_>);
    /// Something that could not be used; the source, where it is known.
    fn fault(&mut self, source: Option<&str>, fault: Fault);
}

/// Turns bytes into measurements. Any byte sequence is input; none may panic.
pub trait Format: Send {
    /// Takes bytes that arrived at `arrived`. How they are split between calls must not matter.
    fn feed(&mut self, bytes: &[u8], arrived: Time, sink: &mut dyn Sink);
    /// The port was lost: what is open is given up.
    fn cut(&mut self, sink: &mut dyn Sink);
}

/// Seconds since 1970 as a time, if inside 1970–2200.
fn accepted_time(seconds: f64) -> Option<Time> {
    // Compared as numbers first: the conversion to an integer would clamp what is far outside.
    let inside = (Time::MIN.seconds()..=Time::MAX.seconds()).contains(&seconds);
    inside.then(|| Time::from_seconds(seconds))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Keeps everything, for tests.
    #[derive(Default, Debug, PartialEq)]
    pub struct Kept {
        pub lines: usize,
        pub measured: Vec<(String, Quantity, f64, Time, bool, bool)>,
        pub faults: Vec<(Option<String>, Fault)>,
    }

    impl Sink for Kept {
        fn line(&mut self) {
            self.lines += 1;
        }
        fn measured(&mut self, m: Measured<'_>) {
            assert!(m.value.is_finite());
            assert!((Time::MIN..=Time::MAX).contains(&m.time));
            self.measured.push((m.source.into(), m.quantity, m.value, m.time, m.told, m.sealed));
        }
        fn fault(&mut self, source: Option<&str>, fault: Fault) {
            self.faults.push((source.map(Into::into), fault));
        }
    }

    #[test]
    fn times_are_held_inside_what_the_program_accepts() {
        assert_eq!(accepted_time(0.0), Some(Time::MIN));
        assert_eq!(accepted_time(7_258_118_400.0), Some(Time::MAX));
        for outside in [-0.001, 7_258_118_400.001, 1e300, f64::INFINITY, f64::NAN] {
            assert_eq!(accepted_time(outside), None);
        }
    }
}
