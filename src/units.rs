//! Physical quantities and the only conversions between them.
//!
//! Water content always says its basis: *dry basis* is water ÷ dry clay, *wet basis* is
//! water ÷ (water + dry clay). Time is UTC in microseconds since 1970-01-01.

use std::fmt;

/// Seconds in an hour.
pub const HOUR: f64 = 3600.0;
/// Seconds in a day.
pub const DAY: f64 = 86_400.0;

/// A moment: microseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct Time(pub i64);

impl Time {
    /// 1970-01-01T00:00:00Z, the earliest time that the program accepts.
    pub const MIN: Time = Time(0);
    /// 2200-01-01T00:00:00Z, the latest time that the program accepts.
    pub const MAX: Time = Time(7_258_118_400_000_000);

    /// From seconds since the epoch; the fraction is kept to the microsecond.
    pub fn from_seconds(s: f64) -> Time {
        Time((s * 1e6).round() as i64)
    }

    /// Seconds since the epoch.
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// Seconds from `earlier` to `self`; negative if `self` is the earlier one.
    pub fn since(self, earlier: Time) -> f64 {
        (self.0 - earlier.0) as f64 / 1e6
    }

    /// This moment and `s` seconds, held inside the accepted range.
    pub fn plus(self, s: f64) -> Time {
        Time(self.0.saturating_add((s * 1e6).round() as i64)).clamp(Time::MIN, Time::MAX)
    }

    /// This moment moved by so many microseconds; where that lies outside the accepted range, this
    /// moment.
    pub fn moved(self, by_us: i64) -> Time {
        let moved = self.0.checked_add(by_us).map(Time);
        moved.filter(|time| (Time::MIN..=Time::MAX).contains(time)).unwrap_or(self)
    }

    /// RFC 3339 with an offset (`2031-04-02T18:25:00Z`, `…+02:00`); 1970–2200.
    pub fn parse_rfc3339(text: &str) -> Result<Time, TimeError> {
        if !has_rfc3339_shape(text) {
            return Err(TimeError::Unreadable);
        }
        let stamp: jiff::Timestamp = text.parse().map_err(|_| TimeError::Unreadable)?;
        let time = Time(stamp.as_microsecond());
        if (Time::MIN..=Time::MAX).contains(&time) { Ok(time) } else { Err(TimeError::Outside) }
    }

    /// The same moment for the `jiff` library.
    pub fn timestamp(self) -> jiff::Timestamp {
        jiff::Timestamp::from_microsecond(self.0.clamp(Time::MIN.0, Time::MAX.0))
            .expect("1970–2200 lies inside the library's range")
    }
}

/// A length of time: `40 min`, `3 h`, `3 h 20 min`, `2 days`.
pub fn span(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round();
    let hours = (seconds / HOUR).round();
    if minutes < 60.0 {
        format!("{minutes} min")
    } else if minutes < 6.0 * 60.0 {
        let (h, min) = ((minutes / 60.0).floor(), minutes % 60.0);
        if min == 0.0 { format!("{h} h") } else { format!("{h} h {min} min") }
    } else if hours < 48.0 {
        format!("{hours} h")
    } else {
        format!("{} days", (seconds / DAY).round())
    }
}

/// Two spans for people to hold against each other: in hours where they would read the same.
pub fn spans(one: f64, other: f64) -> (String, String) {
    let (a, b) = (span(one), span(other));
    if a != b {
        return (a, b);
    }
    let hours = |seconds: f64| format!("{} h", (seconds / HOUR).round());
    (hours(one), hours(other))
}

/// The letters of RFC 3339 (section 5.6, with a blank for the T as its note allows) and an offset
/// below 24 h: the library reads more than that.
fn has_rfc3339_shape(text: &str) -> bool {
    let Some((date_time, rest)) = text.as_bytes().split_at_checked(19) else { return false };
    let fits = |text: &[u8], shape: &[u8]| {
        text.len() == shape.len()
            && text.iter().zip(shape).all(|(c, s)| match s {
                b'0' => c.is_ascii_digit(),
                b'T' => matches!(c, b'T' | b't' | b' '),
                b'+' => matches!(c, b'+' | b'-'),
                s => c == s,
            })
    };
    let digits = |text: &[u8]| text.iter().take_while(|c| c.is_ascii_digit()).count();
    let offset = match rest {
        [b'.', fraction @ ..] if digits(fraction) > 0 => &fraction[digits(fraction)..],
        rest => rest,
    };
    fits(date_time, b"0000-00-00T00:00:00")
        && match offset {
            b"Z" | b"z" => true,
            offset => fits(offset, b"+00:00") && offset[1..3] < b"24"[..] && offset[4] < b'6',
        }
}

/// Written in UTC with `Z`; a fraction only where there is one.
impl fmt::Display for Time {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.timestamp())
    }
}

/// Why a text is not a time.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum TimeError {
    /// Not RFC 3339, or without an offset.
    #[error("not a time: expected RFC 3339 with an offset, like 2031-04-02T18:25:00Z")]
    Unreadable,
    /// Before 1970 or after 2200.
    #[error("time outside 1970–2200")]
    Outside,
}

/// Grams per ounce (avoirdupois), exact by definition (NIST SP 811, Appendix B.8).
pub const GRAMS_PER_OUNCE: f64 = 28.349_523_125;
/// Grams per pound (avoirdupois), exact by definition (NIST SP 811, Appendix B.8).
pub const GRAMS_PER_POUND: f64 = 453.592_37;

/// A mass unit of files and scales.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MassUnit {
    /// `g`
    Gram,
    /// `kg`
    Kilogram,
    /// `oz`, avoirdupois
    Ounce,
    /// `lb`, avoirdupois
    Pound,
}

impl MassUnit {
    /// By its symbol in files and on scales (`g`, `kg`, `oz`, `lb`).
    pub fn parse(text: &str) -> Option<MassUnit> {
        Some(match text {
            "g" => MassUnit::Gram,
            "kg" => MassUnit::Kilogram,
            "oz" => MassUnit::Ounce,
            "lb" => MassUnit::Pound,
            _ => return None,
        })
    }

    /// So much of this unit in grams.
    pub fn to_grams(self, value: f64) -> f64 {
        match self {
            MassUnit::Gram => value,
            MassUnit::Kilogram => shifted(value, 3),
            other => value * other.grams(),
        }
    }

    /// Grams in one of this unit.
    pub fn grams(self) -> f64 {
        match self {
            MassUnit::Gram => 1.0,
            MassUnit::Kilogram => 1000.0,
            MassUnit::Ounce => GRAMS_PER_OUNCE,
            MassUnit::Pound => GRAMS_PER_POUND,
        }
    }
}

/// A number with its decimal point moved to the right by so many places, rounded once: 54.3 by −2
/// is 0.543 and by +2 again 54.3, which no multiplication can promise.
pub fn shifted(value: f64, places: i32) -> f64 {
    let moved = format!("{value}e{places}").parse();
    // Only what is not finite has no such text.
    moved.unwrap_or(value * 10f64.powi(places))
}

/// Degrees Fahrenheit to degrees Celsius.
pub fn celsius_from_fahrenheit(f: f64) -> f64 {
    (f - 32.0) / 1.8
}

/// Degrees Celsius to degrees Fahrenheit.
pub fn fahrenheit_from_celsius(c: f64) -> f64 {
    c * 1.8 + 32.0
}

/// Water on the wet basis (fraction) to the dry basis (fraction): X = w/(1−w).
pub fn dry_from_wet(w: f64) -> f64 {
    w / (1.0 - w)
}

/// Water on the dry basis (fraction) to the wet basis (fraction): w = X/(1+X).
pub fn wet_from_dry(x: f64) -> f64 {
    x / (1.0 + x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn water_basis_check_values() {
        // Computed from the definition.
        for (wet, dry) in [(15.0, 17.65), (18.0, 21.95), (20.0, 25.0), (22.0, 28.21), (24.0, 31.58)]
        {
            assert!((100.0 * dry_from_wet(wet / 100.0) - dry).abs() < 0.005);
        }
        for (dry, wet) in [(10.0, 9.09), (15.0, 13.04), (25.0, 20.0)] {
            assert!((100.0 * wet_from_dry(dry / 100.0) - wet).abs() < 0.005);
        }
    }

    #[test]
    fn the_point_moves_without_a_rounding_error() {
        for tenths in 0..1100 {
            let percent = f64::from(tenths) / 10.0;
            let fraction = shifted(percent, -2);
            assert_eq!(fraction, format!("{tenths}e-3").parse::<f64>().unwrap());
            assert_eq!(shifted(fraction, 2), percent);
        }
        assert_eq!(shifted(0.8124, 3), 812.4);
        assert!(shifted(f64::NAN, 2).is_nan());
        assert_eq!(shifted(1e308, 3), f64::INFINITY);
        assert_eq!(shifted(f64::NEG_INFINITY, 2), f64::NEG_INFINITY);
    }

    #[test]
    fn times_are_rfc3339_with_offset() {
        let t = Time::parse_rfc3339("2031-04-02T20:25:00+02:00").unwrap();
        assert_eq!(t.to_string(), "2031-04-02T18:25:00Z");
        assert_eq!(Time::parse_rfc3339("2031-04-02T20:25:00"), Err(TimeError::Unreadable));
        assert_eq!(Time::parse_rfc3339("1969-12-31T23:59:59Z"), Err(TimeError::Outside));
        assert_eq!(Time::MAX.to_string(), "2200-01-01T00:00:00Z");
        // RFC 3339, section 5.6: examples of its grammar, and what is not in it.
        for good in
            ["2031-04-02t20:25:00.25z", "2031-04-02 20:25:60-00:00", "2031-04-02T20:25:00+23:59"]
        {
            assert!(Time::parse_rfc3339(good).is_ok(), "{good}");
        }
        for bad in [
            "",
            "2031-04-02",
            "2031-04-02T20:25Z",
            "20310402T202500Z",
            "2031-04-02T20:25:00+24:00",
            "2031-04-02T20:25:00+02:60",
            "2031-04-02T20:25:00+02",
            "2031-04-02T20:25:00.Z",
            "2031-04-02T20:25:00Z[Europe/Lisbon]",
            "2031-04-02T24:00:00Z",
            "2031-04-02T20:25:00é+00:00",
        ] {
            assert_eq!(Time::parse_rfc3339(bad), Err(TimeError::Unreadable), "{bad}");
        }
    }
}
