//! Any scale that prints text: one weight per line, found by a pattern with named groups.
//!
//! | group | what it holds, or that it is there at all |
//! | --- | --- |
//! | `mass` | the number; a comma counts as the decimal mark, blanks are passed over |
//! | `unit` | g, kg, oz or lb in any case; without it, grams |
//! | `ounces` | ounces beside pounds in `mass` (`1 lb 12.6 oz`) |
//! | `minus` | there: the weight is negative, wherever the scale puts its mark |
//! | `stable` | there: the scale says that it is at rest |
//! | `unstable` | there: the scale says that it is not; the weight is not stored |
//! | `overload` | there: beyond what the scale can weigh; the weight is not stored |
//!
//! Lines end in LF, CR or both. A pattern is bounded in size where it is compiled, a line in
//! length, and the search takes time in proportion to both, whatever they hold.

use super::{Format, Measured, Sink};
use crate::records::{Name, Quantity};
use crate::sensing::framing::{Ends, Framed, Framing};
use crate::sensing::health::Fault;
use crate::units::{MassUnit, Time};
use regex::bytes::{Captures, Regex};

/// Reads weights from lines of text.
#[derive(Debug)]
pub struct Text {
    framing: Framing,
    pattern: Regex,
    source: Name,
}

impl Text {
    /// With a pattern of bounded size that has a group `mass` (a line without one is counted as
    /// not a number), and the name that its weights are stored under.
    pub fn new(pattern: Regex, source: &str) -> Text {
        Text { framing: Framing::new(Ends::LfOrCr), pattern, source: source.into() }
    }
}

impl Format for Text {
    fn feed(&mut self, bytes: &[u8], arrived: Time, sink: &mut dyn Sink) {
        let (pattern, source) = (&self.pattern, self.source.as_str());
        self.framing.feed(bytes, |framed| {
            // A first line that matches is taken, since it may be the only one for a day. Should
            // it be the rest of one, it is a single wrong weight, which a fit sees for what it is.
            let (line, otherwise) = match framed {
                Framed::TooLong => return sink.fault(None, Fault::TooLong),
                Framed::First(line) => (line, Fault::CutOff),
                Framed::Line(line) => (line, Fault::NoMatch),
            };
            if line.iter().all(u8::is_ascii_whitespace) {
                return;
            }
            let Some(found) = pattern.captures(line) else {
                return sink.fault(None, otherwise);
            };
            sink.line();
            match weight(&found) {
                Ok((value, settled)) => sink.measured(Measured {
                    source,
                    quantity: Quantity::Mass,
                    value,
                    time: arrived,
                    told: false,
                    sealed: false,
                    settled,
                }),
                Err(fault) => sink.fault(Some(source), fault),
            }
        });
    }

    fn cut(&mut self, sink: &mut dyn Sink) {
        if self.framing.cut() {
            sink.fault(None, Fault::CutOff);
        }
    }
}

/// Grams, and whether the scale says that it is at rest.
fn weight(found: &Captures<'_>) -> Result<(f64, Option<bool>), Fault> {
    let text = |group| {
        let bytes = found.name(group)?.as_bytes();
        Some(std::str::from_utf8(bytes).unwrap_or("\u{fffd}"))
    };
    let marked = |group| found.name(group).is_some();
    if marked("overload") {
        return Err(Fault::Overload);
    }
    let settled = match (marked("unstable"), marked("stable")) {
        (true, _) => Some(false),
        (false, true) => Some(true),
        _ => None,
    };
    let ounces = text("ounces").map(number).transpose()?.map(|n| MassUnit::Ounce.to_grams(n));
    let unit = match text("unit").map(str::trim) {
        None | Some("") if ounces.is_some() => MassUnit::Pound,
        None | Some("") => MassUnit::Gram,
        Some(word) => MassUnit::parse(&word.to_ascii_lowercase()).ok_or(Fault::BadUnit)?,
    };
    let mass = unit.to_grams(number(text("mass").ok_or(Fault::NotANumber)?)?);
    // Ounces go further the way of the pounds, up or down; −0 lb is down too.
    let ounces = ounces.unwrap_or(0.0);
    let grams = mass + if mass.is_sign_negative() { -ounces } else { ounces };
    let grams = if marked("minus") { -grams.abs() } else { grams };
    if grams.is_finite() { Ok((grams, settled)) } else { Err(Fault::NotANumber) }
}

/// A number as scales print them.
fn number(text: &str) -> Result<f64, Fault> {
    let number: String = text
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| if c == ',' { '.' } else { c })
        .collect();
    // Words like "inf" are numbers to the parser, not to a scale.
    let plain = number.chars().all(|c| c.is_ascii_digit() || "+-.eE".contains(c));
    number.parse::<f64>().ok().filter(|v| plain && v.is_finite()).ok_or(Fault::NotANumber)
}

#[cfg(test)]
mod tests {
    use super::super::tests::Kept;
    use super::*;
    use proptest::prelude::*;

    const ARRIVED: Time = Time(1_900_000_000_000_000);
    /// The pattern of the line format's own example.
    const PATTERN: &str = r"(?P<mass>[-+]?\d+(\.\d+)?)\s*(?P<unit>g|kg|oz|lb)";

    fn feed(pattern: &str, stream: &[u8]) -> Kept {
        let mut kept = Kept::default();
        let mut format = Text::new(Regex::new(pattern).unwrap(), "bench");
        format.feed(b"\n", ARRIVED, &mut kept);
        format.feed(stream, ARRIVED, &mut kept);
        kept
    }

    fn value(pattern: &str, line: &str) -> Result<f64, Fault> {
        let kept = feed(pattern, format!("{line}\r\n").as_bytes());
        assert_eq!(kept.measured.len() + kept.faults.len(), 1, "{line}");
        kept.measured.first().map(|m| m.2).ok_or_else(|| kept.faults[0].1)
    }

    #[test]
    fn units_are_those_of_kitchen_and_parcel_scales() {
        assert_eq!(value(PATTERN, "ST,GS,+  812.4 g"), Ok(812.4));
        assert_eq!(value(PATTERN, "-3.5g"), Ok(-3.5));
        assert_eq!(value(PATTERN, "1.204 kg"), Ok(1204.0));
        assert_eq!(value(PATTERN, "2 oz"), Ok(56.69904625));
        assert_eq!(value(PATTERN, "1 lb"), Ok(453.59237));
        assert_eq!(value(PATTERN, "OVERLOAD"), Err(Fault::NoMatch));
        let loose = r"(?P<mass>[-+]?\s*[\d.,einfax]+)\s*(?P<unit>[A-Za-z]+)?";
        assert_eq!(value(loose, "812,4 G"), Ok(812.4));
        assert_eq!(value(loose, "-  812.4"), Ok(-812.4));
        assert_eq!(value(loose, "12 stone"), Err(Fault::BadUnit));
        assert_eq!(value(loose, "1.2.3 g"), Err(Fault::NotANumber));
        assert_eq!(value(loose, "inf g"), Err(Fault::NotANumber));
        assert_eq!(value(loose, "1e999 g"), Err(Fault::NotANumber));
    }

    #[test]
    fn marks_say_rest_motion_range_and_sign() {
        let marks = r"^(?:(?P<stable>S)|(?P<unstable>D)|(?P<overload>[+-]))\s*(?P<minus>N)?(?P<mass>[\d. ]*)(?P<unit>g|lb)?(?:\s*(?P<ounces>[\d.]+)oz)?";
        let found = |line: &str| {
            let pattern = Regex::new(marks).unwrap();
            weight(&pattern.captures(line.as_bytes()).unwrap())
        };
        assert_eq!(found("S  812.4 g"), Ok((812.4, Some(true))));
        assert_eq!(found("D  640.0 g"), Ok((640.0, Some(false))));
        assert_eq!(found("S N  3.5 g"), Ok((-3.5, Some(true))));
        assert_eq!(found("+"), Err(Fault::Overload));
        assert_eq!(found("-     g"), Err(Fault::Overload));
        assert_eq!(found("S       g"), Err(Fault::NotANumber));
        assert_eq!(found("S 1 lb 12.6oz"), Ok((453.592_37 + 12.6 * 28.349_523_125, Some(true))));
        assert_eq!(found("S N 0 lb 2oz"), Ok((-56.699_046_25, Some(true))));
        let signed = r"(?P<mass>[+-]?\d+)lb (?P<ounces>\d+)oz";
        assert_eq!(value(signed, "-0lb 2oz"), Ok(-56.699_046_25));
        assert_eq!(value(signed, "-1lb 0oz"), Ok(-453.592_37));
    }

    #[test]
    fn lines_end_as_scales_end_them() {
        let kept = feed(PATTERN, b"1 g\r2 g\n3 g\r\n \r\n4");
        assert_eq!(kept.measured.iter().map(|m| m.2).collect::<Vec<_>>(), [1.0, 2.0, 3.0]);
        assert_eq!(kept.faults, []);
        assert!(kept.measured.iter().all(|m| m.0 == "bench" && m.3 == ARRIVED && !m.4));
        let mut kept = Kept::default();
        let mut format = Text::new(Regex::new(PATTERN).unwrap(), "bench");
        format.feed(b"T,GS\r\n812.4 g\r\n", ARRIVED, &mut kept);
        assert_eq!((kept.measured.len(), kept.faults), (1, vec![(None, Fault::CutOff)]));
    }

    proptest! {
        #[test]
        fn any_bytes_are_survived(
            noise in proptest::collection::vec(any::<u8>(), 0..300),
            at in any::<prop::sample::Index>(),
        ) {
            let mut stream = noise;
            stream.extend_from_slice(b"\n812.4 g\n");
            let whole = feed(PATTERN, &stream);
            prop_assert_eq!(whole.measured.last().map(|m| m.2), Some(812.4));
            let mut parts = Kept::default();
            let mut format = Text::new(Regex::new(PATTERN).unwrap(), "bench");
            let (a, b) = stream.split_at(at.index(stream.len()));
            format.feed(b"\n", ARRIVED, &mut parts);
            format.feed(a, ARRIVED, &mut parts);
            format.feed(b, ARRIVED, &mut parts);
            prop_assert_eq!(parts, whole);
        }
    }
}
