//! SenML (RFC 8428) in JSON, one pack per line, with an optional checksum at the end of the line.
//!
//! Base name, time, unit and value apply to their record and all after it in the pack (RFC 8428
//! §4.1); unknown fields are passed over, save those that end in `_` (§4.4); a version above 10
//! is refused (§4.4). Times below 2**28 s count from arrival, others from 1970 (§4.5.3). The unit
//! tells the quantity: `g`, `kg` mass, `Cel` temperature, `%RH` humidity, `count` a converter's raw
//! value (registry of §12.1).

use super::{Format, Measured, Sink, accepted_time};
use crate::records::Quantity;
use crate::sensing::framing::{Ends, Framed, Framing};
use crate::sensing::health::Fault;
use crate::units::{MassUnit, Time, shifted};
use crc::{CRC_32_ISO_HDLC, Crc};
use serde::Deserialize;
use serde::de::{Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use std::borrow::Cow;
use std::fmt;

/// Times from here on are absolute, s (RFC 8428 §4.5.3).
const ABSOLUTE_FROM_S: f64 = 268_435_456.0;
/// The version that RFC 8428 defines, and the default (§4.1).
const VERSION: f64 = 10.0;

static CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// The checksum of a line: CRC-32/ISO-HDLC (that of Ethernet and zip files).
pub fn checksum(line: &[u8]) -> u32 {
    CRC.checksum(line)
}

/// Reads packs.
#[derive(Debug)]
pub struct Senml {
    framing: Framing,
    /// Base name + name of the record in hand.
    name: String,
}

impl Senml {
    /// At the start of a line.
    pub fn new() -> Senml {
        Senml { framing: Framing::new(Ends::Lf), name: String::new() }
    }
}

impl Default for Senml {
    fn default() -> Senml {
        Senml::new()
    }
}

impl Format for Senml {
    fn feed(&mut self, bytes: &[u8], arrived: Time, sink: &mut dyn Sink) {
        let name = &mut self.name;
        self.framing.feed(bytes, |framed| match framed {
            Framed::TooLong => sink.fault(None, Fault::TooLong),
            Framed::First(line) => take_line(line, Some(Fault::CutOff), arrived, name, sink),
            Framed::Line(line) => take_line(line, None, arrived, name, sink),
        });
    }

    fn cut(&mut self, sink: &mut dyn Sink) {
        if self.framing.cut() {
            sink.fault(None, Fault::CutOff);
        }
    }
}

/// `otherwise`: what it is if it cannot be read; else its own fault tells.
fn take_line(
    line: &[u8],
    otherwise: Option<Fault>,
    arrived: Time,
    name: &mut String,
    sink: &mut dyn Sink,
) {
    let (pack, sealed) = match read(line) {
        Ok(read) => read,
        Err(_) if line.iter().all(u8::is_ascii_whitespace) => return,
        Err(fault) => {
            // A pack glued to noise or to half a line before it is whole from its own start on.
            let start = memchr::memmem::rfind(line, b"[{").filter(|at| *at > 0);
            let Some(Ok(read)) = start.map(|at| read(&line[at..])) else {
                return sink.fault(None, otherwise.unwrap_or(fault));
            };
            sink.fault(None, Fault::Noise);
            read
        }
    };
    sink.line();
    resolve(&pack, sealed, arrived, name, sink);
}

/// The records of a line and whether it carried a checksum that fits.
fn read(line: &[u8]) -> Result<(Vec<Record<'_>>, bool), Fault> {
    let (body, sealed) = match split_checksum(line) {
        Some((body, sum)) if sum == checksum(body) => (body, true),
        Some(_) => return Err(Fault::BadChecksum),
        None => (line, false),
    };
    let pack = serde_json::from_slice(body).map_err(|_| {
        let json = serde_json::from_slice::<IgnoredAny>(body).is_ok();
        if json { Fault::NotSenml } else { Fault::NotJson }
    })?;
    Ok((pack, sealed))
}

/// The bytes before the last space and the eight hex digits after it.
fn split_checksum(line: &[u8]) -> Option<(&[u8], u32)> {
    let (body, tail) = line.split_at_checked(line.len().checked_sub(9)?)?;
    let digits = tail.strip_prefix(b" ")?;
    if !digits.iter().all(u8::is_ascii_hexdigit) {
        return None;
    }
    let sum = u32::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()?;
    Some((body, sum))
}

/// What applies to a record and to all after it.
#[derive(Default)]
struct Base<'a> {
    name: &'a str,
    time: f64,
    unit: Option<&'a str>,
    value: f64,
}

fn resolve(
    pack: &[Record<'_>],
    sealed: bool,
    arrived: Time,
    name: &mut String,
    sink: &mut dyn Sink,
) {
    // The version belongs to the whole pack, wherever it stands.
    if pack.iter().any(|r| !r.understood || r.version.is_some_and(|v| v.is_none_or(beyond))) {
        return sink.fault(None, Fault::NotUnderstood);
    }
    let mut base = Base::default();
    for record in pack {
        base.name = record.base_name.as_deref().unwrap_or(base.name);
        base.unit = record.base_unit.as_deref().or(base.unit);
        base.time = number(record.base_time, base.time);
        base.value = number(record.base_value, base.value);
        name.clear();
        name.push_str(base.name);
        name.push_str(record.name.as_deref().unwrap_or(""));
        match measure(record, &base, arrived) {
            Ok((quantity, value, time, told)) => {
                let (source, settled) = (name.as_str(), None);
                sink.measured(Measured { source, quantity, value, time, told, sealed, settled });
            }
            Err(fault) => sink.fault(Some(name), fault),
        }
    }
}

fn beyond(version: f64) -> bool {
    !(1.0..=VERSION).contains(&version)
}

/// A base field's number: kept if absent; not a number (and so is all it applies to) if it is
/// something else.
fn number(field: Field, otherwise: f64) -> f64 {
    match field {
        None => otherwise,
        Some(number) => number.unwrap_or(f64::NAN),
    }
}

fn measure(
    record: &Record<'_>,
    base: &Base<'_>,
    arrived: Time,
) -> Result<(Quantity, f64, Time, bool), Fault> {
    let Some(value) = record.value else { return Err(Fault::NotAMeasurement) };
    let value = base.value + value.ok_or(Fault::NotANumber)?;
    let (quantity, value) = match record.unit.as_deref().or(base.unit) {
        Some("g") => (Quantity::Mass, value),
        Some("kg") => (Quantity::Mass, MassUnit::Kilogram.to_grams(value)),
        Some("Cel") => (Quantity::Temperature, value),
        Some("%RH") => (Quantity::Humidity, shifted(value, -2)),
        Some("count") => (Quantity::Count, value),
        _ => return Err(Fault::BadUnit),
    };
    if !value.is_finite() {
        return Err(Fault::NotANumber);
    }
    let time = base.time + number(record.time, 0.0);
    let told = time >= ABSOLUTE_FROM_S;
    let seconds = if told { time } else { arrived.seconds() + time };
    // Exactly the arrival where there is no time: seconds as a float would round it.
    let time = if time == 0.0 { Some(arrived) } else { accepted_time(seconds) };
    Ok((quantity, value, time.ok_or(Fault::BadTime)?, told))
}

/// A number; `Some(None)`: there, but something else than a number.
type Field = Option<Option<f64>>;

/// One record as it stands in the pack, borrowed from the line.
#[derive(Default, Debug)]
struct Record<'a> {
    base_name: Option<Cow<'a, str>>,
    base_time: Field,
    base_unit: Option<Cow<'a, str>>,
    base_value: Field,
    version: Field,
    name: Option<Cow<'a, str>>,
    unit: Option<Cow<'a, str>>,
    time: Field,
    value: Field,
    /// No field that must be understood and is not.
    understood: bool,
}

/// A text that is borrowed from the line unless it holds escapes.
#[derive(Deserialize)]
#[serde(transparent)]
struct Text<'a>(#[serde(borrow)] Cow<'a, str>);

impl<'de: 'a, 'a> Deserialize<'de> for Record<'a> {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Record<'a>, D::Error> {
        struct Fields;
        impl<'de> Visitor<'de> for Fields {
            type Value = Record<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a SenML record")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Record<'de>, A::Error> {
                let mut r = Record { understood: true, ..Record::default() };
                while let Some(Text(label)) = map.next_key()? {
                    match &*label {
                        "bn" => text(&mut r.base_name, &mut map)?,
                        "bt" => numeric(&mut r.base_time, &mut map)?,
                        "bu" => text(&mut r.base_unit, &mut map)?,
                        "bv" => numeric(&mut r.base_value, &mut map)?,
                        "bver" => numeric(&mut r.version, &mut map)?,
                        "n" => text(&mut r.name, &mut map)?,
                        "u" => text(&mut r.unit, &mut map)?,
                        "t" => numeric(&mut r.time, &mut map)?,
                        "v" => numeric(&mut r.value, &mut map)?,
                        other => {
                            r.understood &= !other.ends_with('_');
                            map.next_value::<IgnoredAny>()?;
                        }
                    }
                }
                Ok(r)
            }
        }
        d.deserialize_map(Fields)
    }
}

fn text<'de, A: MapAccess<'de>>(
    field: &mut Option<Cow<'de, str>>,
    map: &mut A,
) -> Result<(), A::Error> {
    let Text(text) = map.next_value()?;
    once(field.replace(text))
}

fn numeric<'de, A: MapAccess<'de>>(field: &mut Field, map: &mut A) -> Result<(), A::Error> {
    let Lenient(number) = map.next_value()?;
    once(field.replace(number))
}

/// A label that comes twice in a record leaves open which one is meant.
fn once<T, E: Error>(before: Option<T>) -> Result<(), E> {
    if before.is_none() { Ok(()) } else { Err(E::custom("the same label twice")) }
}

/// A number, or `None` for any other JSON value.
struct Lenient(Option<f64>);

impl<'de> Deserialize<'de> for Lenient {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Lenient, D::Error> {
        struct Number;
        impl<'de> Visitor<'de> for Number {
            type Value = Lenient;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a value")
            }
            fn visit_f64<E>(self, v: f64) -> Result<Lenient, E> {
                Ok(Lenient(Some(v)))
            }
            fn visit_u64<E>(self, v: u64) -> Result<Lenient, E> {
                Ok(Lenient(Some(v as f64)))
            }
            fn visit_i64<E>(self, v: i64) -> Result<Lenient, E> {
                Ok(Lenient(Some(v as f64)))
            }
            fn visit_bool<E>(self, _: bool) -> Result<Lenient, E> {
                Ok(Lenient(None))
            }
            fn visit_unit<E>(self) -> Result<Lenient, E> {
                Ok(Lenient(None))
            }
            fn visit_str<E>(self, _: &str) -> Result<Lenient, E> {
                Ok(Lenient(None))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Lenient, A::Error> {
                while seq.next_element::<IgnoredAny>()?.is_some() {}
                Ok(Lenient(None))
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Lenient, A::Error> {
                while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
                Ok(Lenient(None))
            }
        }
        d.deserialize_any(Number)
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::Kept;
    use super::*;
    use Quantity::{Humidity, Mass, Temperature};
    use proptest::prelude::*;

    const ARRIVED: Time = Time(1_900_000_000_123_456);

    fn feed(stream: &[u8]) -> Kept {
        let mut kept = Kept::default();
        let mut format = Senml::new();
        format.feed(b"\n", ARRIVED, &mut kept);
        format.feed(stream, ARRIVED, &mut kept);
        kept
    }

    fn sealed(line: &str) -> String {
        format!("{line} {:08X}\n", checksum(line.as_bytes()))
    }

    /// What one line's only measurement is, or its only fault.
    fn one(line: &str) -> Result<(String, Quantity, f64, Time, bool), Fault> {
        let kept = feed(format!("{line}\n").as_bytes());
        assert_eq!(kept.measured.len() + kept.faults.len(), 1, "{line}: {kept:?}");
        match (kept.measured.into_iter().next(), kept.faults.first()) {
            (Some((name, quantity, value, time, told, _)), _) => {
                Ok((name, quantity, value, time, told))
            }
            (None, Some((_, fault))) => Err(*fault),
            (None, None) => unreachable!("counted above"),
        }
    }

    #[test]
    fn the_checksum_is_crc_32_iso_hdlc() {
        // Check value of CRC-32/ISO-HDLC in the Catalogue of parametrised CRC algorithms.
        assert_eq!(checksum(b"123456789"), 0xCBF4_3926);
    }

    #[test]
    fn the_example_of_the_line_format() {
        let first = r#"[{"bn":"shelf-a:","n":"cell-1","u":"g","v":812.4}"#;
        let rest = r#"{"n":"room","u":"Cel","v":19.8},{"n":"room","u":"%RH","v":54.0}]"#;
        let kept = feed(format!("{first},{rest}\r\n").as_bytes());
        let want = [
            ("shelf-a:cell-1", Mass, 812.4),
            ("shelf-a:room", Temperature, 19.8),
            ("shelf-a:room", Humidity, 0.54),
        ];
        assert_eq!(kept.faults, []);
        assert_eq!(kept.lines, 1);
        assert_eq!(
            kept.measured,
            want.map(|(n, q, v)| (n.to_string(), q, v, ARRIVED, false, false))
        );
    }

    #[test]
    fn base_fields_apply_from_their_record_on() {
        let kept = feed(
            b"[{\"bn\":\"a:\",\"bt\":1900000000,\"bu\":\"kg\",\"bv\":1,\"n\":\"x\",\"v\":0.5},\
               {\"n\":\"x\",\"t\":-1.5,\"v\":-0.25},{\"bn\":\"b\",\"bv\":0,\"u\":\"g\",\"v\":7}]\n",
        );
        let at = |s| Time::from_seconds(1_900_000_000.0 + s);
        let want = [("a:x", 1500.0, at(0.0)), ("a:x", 750.0, at(-1.5)), ("b", 7.0, at(0.0))];
        assert_eq!(kept.measured, want.map(|(n, v, t)| (n.to_string(), Mass, v, t, true, false)));
    }

    #[test]
    fn times_below_2_28_count_from_arrival() {
        let at = |time: &str| one(&format!(r#"[{{"n":"a","u":"g","v":1,"t":{time}}}]"#));
        assert_eq!(at("0").map(|m| (m.3, m.4)), Ok((ARRIVED, false)));
        assert_eq!(at("-2.5").map(|m| (m.3, m.4)), Ok((ARRIVED.plus(-2.5), false)));
        assert_eq!(at("268435455").map(|m| (m.3, m.4)), Ok((ARRIVED.plus(268_435_455.0), false)));
        assert_eq!(at("268435456").map(|m| (m.3, m.4)), Ok((Time(268_435_456_000_000), true)));
        assert_eq!(at("7258118400").map(|m| m.3), Ok(Time::MAX));
        for bad in ["7258118401", "1e300", "-1900000001", "\"now\"", "null"] {
            assert_eq!(at(bad), Err(Fault::BadTime), "{bad}");
        }
    }

    #[test]
    fn each_bad_line_has_its_reason() {
        let record = |fields: &str| one(&format!(r#"[{{"n":"a",{fields}}}]"#)).map(|m| m.2);
        for (fields, want) in [
            (r#""u":"g","v":1.5"#, Ok(1.5)),
            (r#""u":"kg","v":1.5"#, Ok(1500.0)),
            (r#""u":"g","v":-3"#, Ok(-3.0)),
            (r#""u":"g","v":1,"ut":60,"note":{"x":[1]}"#, Ok(1.0)),
            (r#""u":"g","v":1,"bver":10"#, Ok(1.0)),
            (r#""u":"\u0067","v":1"#, Ok(1.0)),
            (r#""u":"g","v":1,"bver":11"#, Err(Fault::NotUnderstood)),
            (r#""u":"g","v":1,"bver":"x""#, Err(Fault::NotUnderstood)),
            (r#""u":"g","v":1,"tare_":5"#, Err(Fault::NotUnderstood)),
            (r#""u":"count","v":8388607"#, Ok(8_388_607.0)),
            (r#""u":"V","v":3.3"#, Err(Fault::BadUnit)),
            (r#""v":3.3"#, Err(Fault::BadUnit)),
            (r#""u":"G","v":3.3"#, Err(Fault::BadUnit)),
            (r#""u":"g","v":"812""#, Err(Fault::NotANumber)),
            (r#""u":"g","v":null"#, Err(Fault::NotANumber)),
            (r#""u":"g","v":[1,{"a":2}]"#, Err(Fault::NotANumber)),
            (r#""u":"kg","v":1e308"#, Err(Fault::NotANumber)),
            (r#""u":"g","v":1,"bv":"x""#, Err(Fault::NotANumber)),
            (r#""u":"g","v":NaN"#, Err(Fault::NotJson)),
            (r#""u":"g","v":1e999"#, Err(Fault::NotSenml)),
            (r#""u":"g","v":1,"v":2"#, Err(Fault::NotSenml)),
            (r#""u":7,"v":1"#, Err(Fault::NotSenml)),
            (r#""vs":"1.4.2""#, Err(Fault::NotAMeasurement)),
            (r#""vb":true"#, Err(Fault::NotAMeasurement)),
            (r#""vd":"aGk""#, Err(Fault::NotAMeasurement)),
            (r#""u":"g","s":12"#, Err(Fault::NotAMeasurement)),
            (r#""u":"g","bv":800"#, Err(Fault::NotAMeasurement)),
        ] {
            assert_eq!(record(fields), want, "{fields}");
        }
        let deep = "[".repeat(4000);
        for (line, want) in [
            (r#"{"n":"a","u":"g","v":1}"#, Fault::NotSenml),
            ("[1]", Fault::NotSenml),
            ("12.5 g", Fault::NotJson),
            ("[{\"n\":\"a\",\"u\":\"g\",\"v\":1}", Fault::NotJson),
            (&deep, Fault::NotJson),
        ] {
            assert_eq!(one(line), Err(want), "{line}");
        }
        assert_eq!(feed(b"[]\n \t\r\n"), Kept { lines: 1, ..Kept::default() });
    }

    #[test]
    fn one_bad_record_leaves_the_others() {
        let kept = feed(
            br#"[{"n":"a","u":"g","v":"?"},{"n":"b","u":"V","v":3},{"n":"c","u":"g","v":5}]
"#,
        );
        assert_eq!(kept.measured.len(), 1);
        assert_eq!(
            kept.faults,
            [(Some("a".into()), Fault::NotANumber), (Some("b".into()), Fault::BadUnit)]
        );
    }

    #[test]
    fn checksums() {
        let line = r#"[{"n":"a","u":"g","v":812.4}]"#;
        let good = sealed(line);
        assert!(feed(good.as_bytes()).measured[0].5);
        let (body, digits) = good.split_at(line.len());
        let lower = format!("{body}{}", digits.to_lowercase());
        assert!(feed(lower.as_bytes()).measured[0].5);
        let bad = good.replace("812.4", "818.4");
        assert_eq!(feed(bad.as_bytes()).faults, [(None, Fault::BadChecksum)]);
        assert_eq!(feed(bad.as_bytes()).measured, []);
        // Seven digits are no checksum, and make the line unreadable.
        let short = format!("{}\n", &good[..good.len() - 2]);
        assert_eq!(feed(short.as_bytes()).faults, [(None, Fault::NotJson)]);
    }

    #[test]
    fn the_first_line_after_opening_may_be_the_rest_of_one() {
        let line = r#"[{"n":"a","u":"g","v":812.4}]"#;
        for (stream, measured, faults) in [
            (format!("{line}\n{line}\n"), 2, vec![]),
            (format!("{}\n{line}\n", &line[9..]), 1, vec![(None, Fault::CutOff)]),
            (format!("{}{}", &sealed(line)[9..], sealed(line)), 1, vec![(None, Fault::CutOff)]),
        ] {
            let mut kept = Kept::default();
            Senml::new().feed(stream.as_bytes(), ARRIVED, &mut kept);
            assert_eq!((kept.measured.len(), kept.faults), (measured, faults), "{stream}");
        }
    }

    #[test]
    fn a_pack_behind_noise_or_half_a_line_is_found() {
        let line = r#"[{"n":"a","u":"g","v":812.4}]"#;
        for before in ["\u{0}\u{1}~", "[{\"n\":\"a\",\"u\":\"g\",\"v\":81", line, "[{["] {
            for (text, is_sealed) in [(format!("{line}\n"), false), (sealed(line), true)] {
                let kept = feed(format!("{before}{text}").as_bytes());
                assert_eq!(kept.faults, [(None, Fault::Noise)], "{before}");
                assert_eq!(kept.measured.len(), 1);
                assert_eq!((kept.measured[0].2, kept.measured[0].5), (812.4, is_sealed));
            }
        }
    }

    proptest! {
        #[test]
        fn any_bytes_are_survived_and_the_next_line_is_read(
            noise in proptest::collection::vec(any::<u8>(), 0..300),
            at in any::<prop::sample::Index>(),
        ) {
            let line = br#"[{"bn":"s:","n":"a","u":"g","v":812.4,"t":1900000000}]"#;
            let mut stream = noise;
            stream.push(b'\n');
            stream.extend_from_slice(line);
            stream.push(b'\n');
            let whole = feed(&stream);
            prop_assert_eq!(whole.measured.last().map(|m| m.2), Some(812.4));
            let mut parts = Kept::default();
            let mut format = Senml::new();
            format.feed(b"\n", ARRIVED, &mut parts);
            let (a, b) = stream.split_at(at.index(stream.len()));
            format.feed(a, ARRIVED, &mut parts);
            format.feed(b, ARRIVED, &mut parts);
            prop_assert_eq!(parts, whole);
        }

        #[test]
        fn a_garbled_pack_never_panics_and_a_sealed_one_never_lies(
            at in any::<prop::sample::Index>(), with in any::<u8>(),
        ) {
            let line = sealed(r#"[{"bn":"s:","n":"a","u":"g","v":812.4,"t":1900000000}]"#);
            let mut bytes = line.trim_end().as_bytes().to_vec();
            let at = at.index(bytes.len());
            let changed = bytes[at] != with && !bytes[at].eq_ignore_ascii_case(&with);
            bytes[at] = with;
            bytes.push(b'\n');
            for m in feed(&bytes).measured.iter().filter(|m| m.5) {
                prop_assert!(!changed || m.2 == 812.4 && m.0 == "s:a");
            }
        }
    }
}
