//! Rows as the text of the studio files: columns, and numbers that survive the way out and back.
//!
//! Percent and fractions are told apart by moving the decimal point *in the text*, never by a
//! multiplication: the shortest decimal of a stored fraction, moved by two places, comes back as
//! the same 64-bit number, bit for bit.

use crate::calibration::{Load, ZeroDrift};
use crate::records::{
    Allotment, Blend, Body, HandlingRow, KilnPot, Pot, Quantity, Reading, Sample,
};
use crate::units::{Time, TimeError};

/// Places by which percent in files is larger than the stored fraction.
pub const PERCENT: i32 = 2;

/// Columns of `bodies.csv`, in the order in which they are written.
pub const BODY_COLUMNS: [&str; 4] =
    ["body", "bag_water_wet_percent", "trim_from_dry_percent", "trim_to_dry_percent"];
/// Columns of `pots.csv`, in the order in which they are written.
pub const POT_COLUMNS: [&str; 11] = [
    "pot", "body", "made_at", "ball_g", "tare_g", "wall_mm", "base_mm", "lot", "board", "like",
    "place",
];
/// Columns of `handling.csv`, in the order in which they are written.
pub const HANDLING_COLUMNS: [&str; 4] = ["time", "pot", "action", "detail"];
/// Columns of `readings.csv`, in the order in which they are written.
pub const READING_COLUMNS: [&str; 8] =
    ["time", "source", "quantity", "value", "unit", "pot", "count", "spread"];
/// Columns of `counts.csv`, in the order in which they are written.
pub const COUNT_COLUMNS: [&str; 5] = ["time", "source", "raw", "samples", "spread"];
/// Columns of `calibrations.csv`, in the order in which they are written.
pub const LOAD_COLUMNS: [&str; 9] =
    ["source", "from", "at", "mass_g", "limit_g", "raw", "samples", "spread", "temperature_c"];
/// Columns of `zero_drifts.csv`, in the order in which they are written.
pub const DRIFT_COLUMNS: [&str; 5] = ["source", "from", "raw_per_c", "raw_per_c_u", "thermometer"];
/// Columns of `samples.csv`, in the order in which they are written.
pub const SAMPLE_COLUMNS: [&str; 9] = [
    "time",
    "sample",
    "body",
    "lot",
    "drying",
    "mass_g",
    "tare_g",
    "humidity_percent",
    "scale_step_g",
];
/// Columns of `air_forecast.csv`, in the order in which they are written.
pub const AIR_COLUMNS: [&str; 3] = ["time", "temperature_c", "humidity_percent"];
/// Columns of `comparisons.csv`, in the order in which they are written.
pub const ALLOTMENT_COLUMNS: [&str; 7] =
    ["comparison", "pot", "treatment", "rank", "pair", "seed", "drawn_at"];
/// Columns of `kiln_loads.csv`, in the order in which they are written.
pub const KILN_COLUMNS: [&str; 3] = ["load", "packed_at", "pot"];
/// Columns of `blends.csv`, in the order in which they are written.
pub const BLEND_COLUMNS: [&str; 4] = ["body", "kind", "name", "mass_g"];

/// A finite number as the shortest decimal that reads back as the same number, times 10^`places`.
pub fn write_number(value: f64, places: i32) -> String {
    if value == 0.0 {
        return "0".into();
    }
    if places == 0 && (1e-5..1e16).contains(&value.abs()) {
        return value.to_string();
    }
    // `{:e}` gives the shortest digits that read back as `value`: d.ddde-x
    let text = format!("{value:e}");
    let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
    let exponent = exponent.parse::<i32>().unwrap_or(0) + places;
    let (sign, mantissa) = match mantissa.strip_prefix('-') {
        Some(rest) => ("-", rest),
        None => ("", mantissa),
    };
    if !(-5..16).contains(&exponent) {
        return format!("{sign}{mantissa}e{exponent}");
    }
    let digits: String = mantissa.chars().filter(|c| *c != '.').collect();
    let whole = exponent + 1;
    if whole <= 0 {
        format!("{sign}0.{}{digits}", "0".repeat(whole.unsigned_abs() as usize))
    } else if digits.len() <= whole as usize {
        format!("{sign}{digits}{}", "0".repeat(whole as usize - digits.len()))
    } else {
        let (left, right) = digits.split_at(whole as usize);
        format!("{sign}{left}.{right}")
    }
}

/// A finite decimal number, divided by 10^`places` and rounded once; `None` if it is none.
pub fn read_number(text: &str, places: i32) -> Option<f64> {
    let plain = text.parse::<f64>().ok().filter(|v| v.is_finite())?;
    if places == 0 || plain == 0.0 {
        return Some(plain + 0.0); // −0 becomes 0
    }
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
        None => (text, 0),
    };
    let moved = format!("{mantissa}e{}", exponent.checked_sub(places)?);
    moved.parse::<f64>().ok().filter(|v| v.is_finite()).map(|v| v + 0.0)
}

/// A time, like [`Time::parse_rfc3339`]; quicker for whole seconds in UTC
/// (`2031-04-02T18:25:00Z`), which most rows of readings are.
pub fn read_time(text: &str) -> Result<Time, TimeError> {
    let Some(seconds) = whole_seconds_utc(text.as_bytes()) else {
        return Time::parse_rfc3339(text);
    };
    let time = Time(seconds * 1_000_000);
    if (Time::MIN..=Time::MAX).contains(&time) { Ok(time) } else { Err(TimeError::Outside) }
}

/// Seconds since the epoch of `YYYY-MM-DDTHH:MM:SSZ`; `None` if it is written in another way, or
/// no such time exists (or only as a leap second).
fn whole_seconds_utc(text: &[u8]) -> Option<i64> {
    let text: &[u8; 20] = text.try_into().ok()?;
    let two = |at: usize| {
        let (tens, ones) = (text[at].wrapping_sub(b'0'), text[at + 1].wrapping_sub(b'0'));
        (tens < 10 && ones < 10).then_some(10 * i64::from(tens) + i64::from(ones))
    };
    let marks = [(4, b'-'), (7, b'-'), (10, b'T'), (13, b':'), (16, b':'), (19, b'Z')];
    if marks.iter().any(|(at, mark)| text[*at] != *mark) {
        return None;
    }
    let (year, month, day) = (100 * two(0)? + two(2)?, two(5)?, two(8)?);
    let (hour, minute, second) = (two(11)?, two(14)?, two(17)?);
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return None,
    };
    if !(1..=days).contains(&day) || hour > 23 || minute > 59 || second > 59 {
        return None;
    }
    // Days since the epoch, in years that begin on the first of March (Gregorian calendar; the
    // lengths of the months from March on are those of the line (153 m + 2) / 5).
    let (year, month) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
    let day_of_year = (153 * month + 2) / 5 + day - 1;
    let leaps = year.div_euclid(4) - year.div_euclid(100) + year.div_euclid(400);
    const MARCH_0_TO_EPOCH: i64 = 719_468; // days from 0000-03-01 to 1970-01-01
    let day = 365 * year + leaps + day_of_year - MARCH_0_TO_EPOCH;
    Some(((24 * day + hour) * 60 + minute) * 60 + second)
}

fn maybe(value: Option<f64>, places: i32) -> String {
    value.map_or_else(String::new, |v| write_number(v, places))
}

fn or_empty(name: &Option<String>) -> String {
    name.clone().unwrap_or_default()
}

/// A body as the fields of [`BODY_COLUMNS`].
pub fn body_fields(b: &Body) -> [String; 4] {
    [
        b.name.clone(),
        maybe(b.bag_water_wet, PERCENT),
        maybe(b.trim_from_dry, PERCENT),
        maybe(b.trim_to_dry, PERCENT),
    ]
}

/// A pot as the fields of [`POT_COLUMNS`].
pub fn pot_fields(p: &Pot) -> [String; 11] {
    [
        p.name.clone(),
        p.body.clone(),
        p.made_at.to_string(),
        maybe(p.ball_g, 0),
        maybe(p.tare_g, 0),
        maybe(p.wall_mm, 0),
        maybe(p.base_mm, 0),
        or_empty(&p.lot),
        or_empty(&p.board),
        or_empty(&p.like),
        or_empty(&p.place),
    ]
}

/// A handling row as the fields of [`HANDLING_COLUMNS`].
pub fn handling_fields(row: &HandlingRow) -> [String; 4] {
    [row.time.to_string(), row.pot.clone(), row.action.word().into(), row.action.detail()]
}

/// The unit in which a quantity is written, and the places by which its number is moved.
pub fn written_unit(quantity: Quantity) -> (&'static str, i32) {
    match quantity {
        Quantity::Mass => ("g", 0),
        Quantity::Temperature => ("Cel", 0),
        Quantity::Humidity => ("%RH", PERCENT),
        Quantity::Count => ("count", 0),
    }
}

/// A reading as the fields of [`READING_COLUMNS`].
pub fn reading_fields(r: &Reading) -> [String; 8] {
    let (unit, places) = written_unit(r.quantity);
    [
        r.time.to_string(),
        r.source.clone(),
        r.quantity.word().into(),
        write_number(r.value, places),
        unit.into(),
        or_empty(&r.pot),
        r.count.map_or_else(String::new, |n| n.to_string()),
        maybe(r.spread, places),
    ]
}

/// Raw counts as the fields of [`COUNT_COLUMNS`].
pub fn count_fields(r: &Reading) -> [String; 5] {
    [
        r.time.to_string(),
        r.source.clone(),
        write_number(r.value, 0),
        r.count.map_or_else(String::new, |n| n.to_string()),
        maybe(r.spread, 0),
    ]
}

/// A load as the fields of [`LOAD_COLUMNS`].
pub fn load_fields(l: &Load) -> [String; 9] {
    [
        l.source.clone(),
        l.from.to_string(),
        l.at.to_string(),
        write_number(l.mass_g, 0),
        maybe(l.limit_g, 0),
        write_number(l.raw, 0),
        l.samples.map_or_else(String::new, |n| n.to_string()),
        maybe(l.spread, 0),
        maybe(l.celsius, 0),
    ]
}

/// A zero drift as the fields of [`DRIFT_COLUMNS`].
pub fn drift_fields(d: &ZeroDrift) -> [String; 5] {
    [
        d.source.clone(),
        d.from.to_string(),
        write_number(d.per_degree, 0),
        maybe(d.per_degree_u, 0),
        d.thermometer.clone(),
    ]
}

/// A weighing of a sample as the fields of [`SAMPLE_COLUMNS`].
pub fn sample_fields(s: &Sample) -> [String; 9] {
    [
        s.time.to_string(),
        s.sample.clone(),
        s.body.clone(),
        or_empty(&s.lot),
        s.drying.word().into(),
        write_number(s.mass_g, 0),
        maybe(s.tare_g, 0),
        maybe(s.humidity, PERCENT),
        maybe(s.step_g, 0),
    ]
}

/// An ingredient as the fields of [`BLEND_COLUMNS`].
pub fn blend_fields(b: &Blend) -> [String; 4] {
    [b.body.clone(), b.kind.word().into(), b.name.clone(), write_number(b.mass_g, 0)]
}

/// A pot of a comparison as the fields of [`ALLOTMENT_COLUMNS`].
pub fn allotment_fields(a: &Allotment) -> [String; 7] {
    [
        a.comparison.clone(),
        a.pot.clone(),
        a.treatment.clone(),
        a.rank.to_string(),
        a.pair.map_or(String::new(), |pair| pair.to_string()),
        a.seed.to_string(),
        a.drawn_at.to_string(),
    ]
}

/// A pot of a kiln load as the fields of [`KILN_COLUMNS`].
pub fn kiln_fields(k: &KilnPot) -> [String; 3] {
    [k.load.clone(), k.at.to_string(), k.pot.clone()]
}

/// The first column in which two rows differ, with the text of the first row.
pub fn difference<const N: usize>(
    columns: &[&'static str; N],
    stored: [String; N],
    offered: [String; N],
) -> Option<(&'static str, String)> {
    let differs = (0..N).find(|&i| stored[i] != offered[i])?;
    stored.into_iter().nth(differs).map(|text| (columns[differs], text))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn decimals_are_moved_not_multiplied() {
        for (stored, places, text) in [
            (0.245, 2, "24.5"),
            (0.0, 2, "0"),
            (1.0, 2, "100"),
            (0.547, 2, "54.7"),
            (-0.001, 2, "-0.1"),
            (1e-9, 2, "0.0000001"),
            (1234.5, 0, "1234.5"),
            (1e300, 0, "1e300"),
            (0.1 + 0.2, 2, "30.000000000000004"),
        ] {
            assert_eq!(write_number(stored, places), text.replace("0.0000001", "1e-7"));
            assert_eq!(read_number(text, places), Some(stored));
        }
        assert_eq!(read_number("2.45e1", 2), Some(0.245));
        for bad in ["", "nan", "inf", "-infinity", "1e999", "12,5", "1_000", "0x10", "e5", "5 g"] {
            assert_eq!(read_number(bad, 2), None, "{bad}");
            assert_eq!(read_number(bad, 0), None, "{bad}");
        }
    }

    #[test]
    fn times_of_the_common_form_are_read_quickly_and_others_all_the_same() {
        for (text, quick) in [
            ("2031-04-02T18:25:00Z", true),
            ("2032-02-29T00:00:00Z", true),
            ("2000-02-29T23:59:59Z", true),
            ("1970-01-01T00:00:00Z", true),
            ("2031-04-02T18:25:00+02:00", false),
            ("2031-04-02T18:25:00.5Z", false),
            ("2031-04-02T18:25:60Z", false), // a leap second
            ("2031-02-29T00:00:00Z", false), // no such day
            ("2100-02-29T00:00:00Z", false),
            ("2031-04-31T00:00:00Z", false),
            ("2031-13-01T00:00:00Z", false),
            ("2031-00-10T00:00:00Z", false),
            ("2031-04-00T00:00:00Z", false),
            ("2031-04-02T24:00:00Z", false),
            ("2031-04-02 18:25:00Z", false),
            ("2031-04-02T18:2x:00Z", false),
        ] {
            assert_eq!(whole_seconds_utc(text.as_bytes()).is_some(), quick, "{text}");
            assert_eq!(read_time(text), Time::parse_rfc3339(text), "{text}");
        }
        assert_eq!(read_time("1969-12-31T23:59:59Z"), Err(TimeError::Outside));
        assert_eq!(read_time("2200-01-01T00:00:01Z"), Err(TimeError::Outside));
        assert_eq!(read_time("0000-01-01T00:00:00Z"), Err(TimeError::Outside));
        assert_eq!(read_time("2031-04-02T18:25:00"), Err(TimeError::Unreadable));
    }

    proptest! {
        /// Source: the `jiff` crate.
        #[test]
        fn times_of_all_days_are_those_of_the_calendar(seconds in 0..7_258_118_400i64) {
            let time = Time(seconds * 1_000_000);
            let text = time.to_string();
            prop_assert_eq!(whole_seconds_utc(text.as_bytes()), Some(seconds));
            prop_assert_eq!(Time::parse_rfc3339(&text), Ok(time));
        }

        #[test]
        fn every_number_comes_back_bit_for_bit(bits: u64, places in -3..4i32) {
            let value = f64::from_bits(bits);
            // Near the ends of the range the moved number itself is no 64-bit number.
            prop_assume!(value.is_finite() && (1e-290..1e290).contains(&value.abs()));
            let back = read_number(&write_number(value, places), places);
            prop_assert_eq!(back.map(f64::to_bits), Some(value.to_bits()));
        }
    }
}
