//! Times as people write them, in the studio's time zone.
//!
//! Understood: `now`, `18:25`, `9am`, `yesterday 9:10`, `tomorrow 8:00`, `monday 9:00`,
//! `last friday 9:00`, `2 apr 18:25`, `2031-04-02 18:25`, `40 min ago`, `in 3 h`, and RFC 3339
//! with an offset. A clock time alone means today. A day alone is refused: a pot dries too fast
//! for that. Clock changes: an hour that does not exist is moved past the gap, of an hour that
//! comes twice the first is taken, and both are said.

use crate::units::{DAY, HOUR, Time, TimeError};
use jiff::ToSpan;
use jiff::civil::{self, Date, DateTime, Time as Clock, Weekday};
use jiff::tz::{AmbiguousOffset, TimeZone};

/// What can be written, for help texts.
pub const EXAMPLES: &str = "18:25, 9am, yesterday 9:10, tomorrow 8:00, monday 9:00, \
    40 min ago, in 3 h, 2031-04-02 18:25 or 2031-04-02T18:25:00Z";

/// Which Monday a plain `monday` is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Lean {
    /// The last one: what is told has happened.
    Past,
    /// The coming one: what is told may be a plan.
    Future,
}

/// A time that was understood.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct When {
    /// The time.
    pub time: Time,
    /// What the writer should know about how it was taken.
    pub remark: Option<String>,
}

/// Why a text is not a time.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum WhenError {
    /// None of the forms.
    #[error("\"{0}\" is not a time that I understand: write it like {EXAMPLES}")]
    Unreadable(String),
    /// A day without a clock time.
    #[error("\"{0}\" at what time? Write it like \"{0} 9:10\"")]
    NoClock(String),
    /// A bare number.
    #[error("\"{0}\" is not clear: write the hour like {1}")]
    Hour(String, String),
    /// Thirtieth of February and the like.
    #[error("\"{0}\" is not in the calendar")]
    Calendar(String),
    /// Before 1970 or after 2200.
    #[error("\"{0}\" lies outside 1970–2200")]
    Outside(String),
}

/// A time as people write it; `now` and `zone` are those of the writer.
pub fn parse(text: &str, now: Time, zone: &TimeZone, lean: Lean) -> Result<When, WhenError> {
    let text = text.trim();
    let as_it_stands = |time| When { time, remark: None };
    match Time::parse_rfc3339(text) {
        Ok(time) => return Ok(as_it_stands(time)),
        Err(TimeError::Outside) => return Err(WhenError::Outside(text.into())),
        Err(TimeError::Unreadable) => {}
    }
    let lower = text.to_lowercase().replace("a.m.", "am").replace("p.m.", "pm");
    let pieces = pieces(&lower);
    let words: Vec<&str> = pieces.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["now"] => Ok(as_it_stands(now)),
        [amount @ .., "ago"] => from_now(text, now, amount, -1.0).map(as_it_stands),
        ["in", amount @ ..] => from_now(text, now, amount, 1.0).map(as_it_stands),
        words => on_calendar(text, words, now, zone, lean),
    }
}

/// Runs of letters and runs of digits with their points, colons and hyphens.
fn pieces(text: &str) -> Vec<String> {
    let mut pieces: Vec<String> = Vec::new();
    let mut last = None;
    for c in text.chars() {
        let kind = (!c.is_whitespace()).then(|| c.is_alphabetic());
        match (kind, pieces.last_mut()) {
            (Some(_), Some(piece)) if kind == last => piece.push(c),
            (Some(_), _) => pieces.push(c.into()),
            (None, _) => {}
        }
        last = kind;
    }
    pieces
}

/// `1 h 30 min`, before or after now.
fn from_now(text: &str, now: Time, amount: &[&str], sign: f64) -> Result<Time, WhenError> {
    let unreadable = || WhenError::Unreadable(text.into());
    let mut seconds = 0.0;
    let mut number: Option<f64> = None;
    for word in amount {
        match (*word, number) {
            ("half", None) => number = Some(0.5),
            ("a" | "an", None) => number = Some(1.0),
            ("a" | "an", Some(0.5)) => {}
            (unit, Some(n)) => {
                seconds += n * seconds_in(unit).ok_or_else(unreadable)?;
                number = None;
            }
            (digits, None) => {
                let n = digits.parse().ok().filter(|n: &f64| n.is_finite() && *n >= 0.0);
                number = Some(n.ok_or_else(unreadable)?);
            }
        }
    }
    if amount.is_empty() || number.is_some() {
        return Err(unreadable());
    }
    // Far outside the range a microsecond count would not hold it.
    let target = now.seconds() + sign * seconds;
    if !(Time::MIN.seconds()..=Time::MAX.seconds()).contains(&target) {
        return Err(WhenError::Outside(text.into()));
    }
    Ok(now.plus(sign * seconds))
}

fn seconds_in(unit: &str) -> Option<f64> {
    Some(match unit {
        "s" | "sec" | "secs" | "second" | "seconds" => 1.0,
        "m" | "min" | "mins" | "minute" | "minutes" => 60.0,
        "h" | "hr" | "hrs" | "hour" | "hours" => HOUR,
        "d" | "day" | "days" => DAY,
        "w" | "week" | "weeks" => 7.0 * DAY,
        _ => return None,
    })
}

/// A day as it was written.
#[derive(Clone, Copy)]
enum Day {
    FromToday(i64),
    Weekday(Weekday, Lean),
    Date(Date),
    /// Without a year: the nearest one.
    WithoutYear(i8, i8),
}

/// `[DAY] CLOCK` or `CLOCK [DAY]`.
fn on_calendar(
    text: &str,
    words: &[&str],
    now: Time,
    zone: &TimeZone,
    lean: Lean,
) -> Result<When, WhenError> {
    let unreadable = || WhenError::Unreadable(text.into());
    let (mut day, mut clock) = (None, None);
    let mut rest = words;
    while !rest.is_empty() {
        if let ["at" | "on" | "t", tail @ ..] = rest {
            rest = tail;
        } else if let Some((found, tail)) = take_clock(text, rest)? {
            if clock.replace(found).is_some() {
                return Err(unreadable());
            }
            rest = tail;
        } else {
            let (found, tail) = take_day(text, rest, lean)?.ok_or_else(unreadable)?;
            if day.replace(found).is_some() {
                return Err(unreadable());
            }
            rest = tail;
        }
    }
    let clock = match (clock, day) {
        (Some(clock), _) => clock,
        (None, Some(_)) => return Err(WhenError::NoClock(text.into())),
        (None, None) => return Err(unreadable()),
    };
    let today = now.timestamp().to_zoned_datetime(zone.clone()).datetime();
    let date = date_of(day.unwrap_or(Day::FromToday(0)), clock, today)
        .ok_or_else(|| WhenError::Calendar(text.into()))?;
    in_zone(text, date.to_datetime(clock), zone)
}

/// A clock time at the front, and what follows it.
fn take_clock<'a, 'b>(
    text: &str,
    words: &'a [&'b str],
) -> Result<Option<(Clock, &'a [&'b str])>, WhenError> {
    let unreadable = || WhenError::Unreadable(text.into());
    let (first, tail) = match words {
        ["noon", tail @ ..] => return Ok(Some((civil::time(12, 0, 0, 0), tail))),
        [first, tail @ ..] => (*first, tail),
        [] => return Ok(None),
    };
    let half = match tail.first() {
        Some(&"am") => Some(0),
        Some(&"pm") => Some(12),
        _ => None,
    };
    let numbers: Option<Vec<i8>> = first.split(':').map(two_digits).collect();
    let numbers = numbers.filter(|_| first.split(':').skip(1).all(|part| part.len() == 2));
    let (hour, minute, second) = match (numbers.as_deref(), half) {
        (Some([h]), Some(_)) => (*h, 0, 0),
        (Some([h]), None) if tail.is_empty() && words.len() == 1 && (0..24).contains(h) => {
            let hour = if (1..12).contains(h) {
                format!("{h}am, {h}pm or {h}:00")
            } else {
                format!("{h}:00")
            };
            return Err(WhenError::Hour(text.into(), hour));
        }
        (Some([h, m]), _) => (*h, *m, 0),
        (Some([h, m, s]), _) => (*h, *m, *s),
        _ => return Ok(None),
    };
    let (hour, tail) = match half {
        Some(half) if (1..=12).contains(&hour) => (hour % 12 + half, &tail[1..]),
        Some(_) => return Err(unreadable()),
        None => (hour, tail),
    };
    let clock = Clock::new(hour, minute, second, 0).map_err(|_| unreadable())?;
    Ok(Some((clock, tail)))
}

/// One or two digits.
fn two_digits(text: &str) -> Option<i8> {
    let plain = (1..=2).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
    plain.then(|| text.parse().ok()).flatten()
}

/// A day at the front, and what follows it.
fn take_day<'a, 'b>(
    text: &str,
    words: &'a [&'b str],
    lean: Lean,
) -> Result<Option<(Day, &'a [&'b str])>, WhenError> {
    let weekday_at = |index: usize| words.get(index).and_then(|word| weekday(word));
    if let Some(found) = weekday_at(0) {
        return Ok(Some((Day::Weekday(found, lean), &words[1..])));
    }
    let (day, taken) = match (words, weekday_at(1)) {
        (["today", ..], _) => (Day::FromToday(0), 1),
        (["yesterday", ..], _) => (Day::FromToday(-1), 1),
        (["tomorrow", ..], _) => (Day::FromToday(1), 1),
        (["last", ..], Some(found)) => (Day::Weekday(found, Lean::Past), 2),
        (["next", ..], Some(found)) => (Day::Weekday(found, Lean::Future), 2),
        ([a, b, tail @ ..], _) if month(a).or(month(b)).is_some() => {
            let (number, name) = if month(a).is_some() { (b, a) } else { (a, b) };
            let (Some(day), Some(month)) = (two_digits(number), month(name)) else {
                return Ok(None);
            };
            match tail.first().and_then(|year| four_digits(year)) {
                Some(year) => {
                    let date = Date::new(year, month, day)
                        .map_err(|_| WhenError::Calendar(text.into()))?;
                    (Day::Date(date), 3)
                }
                None => (Day::WithoutYear(month, day), 2),
            }
        }
        ([date, ..], _) => match date.split('-').collect::<Vec<_>>().as_slice() {
            [y, m, d] => {
                let (Some(y), Some(m), Some(d)) = (four_digits(y), two_digits(m), two_digits(d))
                else {
                    return Ok(None);
                };
                let date = Date::new(y, m, d).map_err(|_| WhenError::Calendar(text.into()))?;
                (Day::Date(date), 1)
            }
            _ => return Ok(None),
        },
        ([], _) => return Ok(None),
    };
    Ok(Some((day, &words[taken..])))
}

fn four_digits(text: &str) -> Option<i16> {
    let plain = text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit());
    plain.then(|| text.parse().ok()).flatten()
}

/// By its English name, whole or cut to three letters or more.
fn weekday(name: &str) -> Option<Weekday> {
    use Weekday::*;
    [
        ("monday", Monday),
        ("tuesday", Tuesday),
        ("wednesday", Wednesday),
        ("thursday", Thursday),
        ("friday", Friday),
        ("saturday", Saturday),
        ("sunday", Sunday),
    ]
    .into_iter()
    .find(|(whole, _)| name.len() >= 3 && whole.starts_with(name))
    .map(|(_, weekday)| weekday)
}

/// By its English name, whole or cut to three letters or more.
fn month(name: &str) -> Option<i8> {
    [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ]
    .into_iter()
    .zip(1..)
    .find(|(whole, _)| name.len() >= 3 && whole.starts_with(name))
    .map(|(_, number)| number)
}

/// The date of a day; `None` where the calendar has none.
fn date_of(day: Day, clock: Clock, now: DateTime) -> Option<Date> {
    let today = now.date();
    match day {
        Day::Date(date) => Some(date),
        Day::FromToday(days) => today.checked_add(days.days()).ok(),
        Day::Weekday(weekday, lean) => {
            let ahead = i64::from(today.weekday().until(weekday));
            let days = match lean {
                Lean::Future if ahead == 0 && clock <= now.time() => 7,
                Lean::Future => ahead,
                Lean::Past if ahead == 0 && clock <= now.time() => 0,
                Lean::Past => ahead - 7,
            };
            today.checked_add(days.days()).ok()
        }
        Day::WithoutYear(month, day) => (-1..=1)
            .filter_map(|step| Date::new(today.year() + step, month, day).ok())
            .min_by_key(|date| (date.duration_since(today)).abs()),
    }
}

/// A local date and time as a moment, with a remark where the clocks change.
fn in_zone(text: &str, local: DateTime, zone: &TimeZone) -> Result<When, WhenError> {
    let outside = || WhenError::Outside(text.into());
    let ambiguous = zone.to_ambiguous_timestamp(local);
    let offset = ambiguous.offset();
    let stamp = ambiguous.compatible().map_err(|_| outside())?;
    let time = Time(stamp.as_microsecond());
    if !(Time::MIN..=Time::MAX).contains(&time) {
        return Err(outside());
    }
    let written = local.strftime("%H:%M");
    let remark = match offset {
        AmbiguousOffset::Unambiguous { .. } => None,
        AmbiguousOffset::Gap { .. } => {
            let taken = zone.to_datetime(stamp);
            Some(format!(
                "{written} does not exist on that day, the clocks go forward: taken as {}",
                taken.strftime("%H:%M")
            ))
        }
        AmbiguousOffset::Fold { after, .. } => Some(format!(
            "{written} comes twice on that day, the clocks go back: taken as the first; for \
             the second write {}",
            local.strftime("%Y-%m-%dT%H:%M:%S").to_string() + &offset_text(after.seconds())
        )),
    };
    Ok(When { time, remark })
}

/// `+02:00`
fn offset_text(seconds: i32) -> String {
    let sign = if seconds < 0 { '-' } else { '+' };
    let minutes = seconds.abs() / 60;
    format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Wednesday 2 April 2031, 12:00 in the zone below (UTC+2 in summer).
    const NOON: &str = "2031-04-02T10:00:00Z";

    /// The rule of central Europe as POSIX text: forward on the last Sunday of March at 02:00,
    /// back on the last Sunday of October at 03:00 (IANA time zone database, Europe/Berlin).
    fn zone() -> TimeZone {
        TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap()
    }

    fn at(now: &str, text: &str, lean: Lean) -> Result<String, WhenError> {
        let now = Time::parse_rfc3339(now).unwrap();
        parse(text, now, &zone(), lean).map(|when| when.time.to_string())
    }

    fn past(text: &str) -> String {
        at(NOON, text, Lean::Past).unwrap_or_else(|e| e.to_string())
    }

    #[test]
    fn times_as_people_write_them() {
        for (text, utc) in [
            ("now", "2031-04-02T10:00:00Z"),
            ("18:25", "2031-04-02T16:25:00Z"),
            ("today 7:05", "2031-04-02T05:05:00Z"),
            ("9am", "2031-04-02T07:00:00Z"),
            ("9 AM", "2031-04-02T07:00:00Z"),
            ("9:10pm", "2031-04-02T19:10:00Z"),
            ("9:10 p.m.", "2031-04-02T19:10:00Z"),
            ("12am", "2031-04-01T22:00:00Z"),
            ("12pm", "2031-04-02T10:00:00Z"),
            ("noon", "2031-04-02T10:00:00Z"),
            ("yesterday 9:10", "2031-04-01T07:10:00Z"),
            ("9:10 yesterday", "2031-04-01T07:10:00Z"),
            ("Yesterday at 9:10", "2031-04-01T07:10:00Z"),
            ("tomorrow 8:00", "2031-04-03T06:00:00Z"),
            ("40 min ago", "2031-04-02T09:20:00Z"),
            ("40min ago", "2031-04-02T09:20:00Z"),
            ("2 h ago", "2031-04-02T08:00:00Z"),
            ("an hour ago", "2031-04-02T09:00:00Z"),
            ("half an hour ago", "2031-04-02T09:30:00Z"),
            ("1 h 30 min ago", "2031-04-02T08:30:00Z"),
            ("1.5 hours ago", "2031-04-02T08:30:00Z"),
            ("in 3 h", "2031-04-02T13:00:00Z"),
            ("in 2 days", "2031-04-04T10:00:00Z"),
            ("2031-04-02 18:25", "2031-04-02T16:25:00Z"),
            ("2031-04-02T18:25", "2031-04-02T16:25:00Z"),
            ("2031-04-02T18:25:30", "2031-04-02T16:25:30Z"),
            ("2031-04-02T18:25:00-05:00", "2031-04-02T23:25:00Z"),
            ("2031-04-02 18:25:00Z", "2031-04-02T18:25:00Z"),
            ("28 mar 18:25", "2031-03-28T17:25:00Z"),
            ("March 28 18:25", "2031-03-28T17:25:00Z"),
            ("28 march 2030 18:25", "2030-03-28T17:25:00Z"),
        ] {
            assert_eq!(past(text), utc, "{text}");
        }
    }

    #[test]
    fn a_plain_weekday_leans_one_way_and_says_which_can_be_chosen() {
        for (text, lean, utc) in [
            ("monday 9:00", Lean::Past, "2031-03-31T07:00:00Z"),
            ("monday 9:00", Lean::Future, "2031-04-07T07:00:00Z"),
            ("last mon 9:00", Lean::Future, "2031-03-31T07:00:00Z"),
            ("next monday 9:00", Lean::Past, "2031-04-07T07:00:00Z"),
            // It is Wednesday noon.
            ("wed 9:00", Lean::Past, "2031-04-02T07:00:00Z"),
            ("wed 9:00", Lean::Future, "2031-04-09T07:00:00Z"),
            ("wednesday 18:00", Lean::Past, "2031-03-26T17:00:00Z"),
            ("wednesday 18:00", Lean::Future, "2031-04-02T16:00:00Z"),
        ] {
            assert_eq!(at(NOON, text, lean).unwrap(), utc, "{text} {lean:?}");
        }
    }

    #[test]
    fn a_date_without_a_year_is_the_nearest() {
        let new_year = "2031-01-03T10:00:00Z";
        assert_eq!(at(new_year, "30 dec 9:00", Lean::Past).unwrap(), "2030-12-30T08:00:00Z");
        let old_year = "2030-12-30T10:00:00Z";
        assert_eq!(at(old_year, "2 jan 9:00", Lean::Past).unwrap(), "2031-01-02T08:00:00Z");
    }

    #[test]
    fn hours_that_do_not_exist_or_come_twice_are_said() {
        let now = Time::parse_rfc3339(NOON).unwrap();
        let gap = parse("2031-03-30 2:30", now, &zone(), Lean::Past).unwrap();
        assert_eq!(gap.time.to_string(), "2031-03-30T01:30:00Z");
        assert_eq!(
            gap.remark.unwrap(),
            "02:30 does not exist on that day, the clocks go forward: taken as 03:30"
        );
        let fold = parse("2031-10-26 2:30", now, &zone(), Lean::Past).unwrap();
        assert_eq!(fold.time.to_string(), "2031-10-26T00:30:00Z");
        assert_eq!(
            fold.remark.unwrap(),
            "02:30 comes twice on that day, the clocks go back: taken as the first; for the \
             second write 2031-10-26T02:30:00+01:00"
        );
        let second = "2031-10-26T02:30:00+01:00";
        assert_eq!(past(second), "2031-10-26T01:30:00Z");
    }

    #[test]
    fn wrong_times_say_what_is_wrong() {
        for (text, message) in [
            ("yesterday", "\"yesterday\" at what time? Write it like \"yesterday 9:10\""),
            ("monday", "\"monday\" at what time? Write it like \"monday 9:10\""),
            ("9", "\"9\" is not clear: write the hour like 9am, 9pm or 9:00"),
            ("monday 18", "\"monday 18\" is not clear: write the hour like 18:00"),
            ("30 feb 9:00", "\"30 feb 9:00\" is not in the calendar"),
            ("2031-02-30 9:00", "\"2031-02-30 9:00\" is not in the calendar"),
            ("1969-12-31T00:00:00Z", "\"1969-12-31T00:00:00Z\" lies outside 1970–2200"),
            ("2300-01-01 9:00", "\"2300-01-01 9:00\" lies outside 1970–2200"),
            ("in 9999999 days", "\"in 9999999 days\" lies outside 1970–2200"),
        ] {
            assert_eq!(past(text), message, "{text}");
        }
        for text in [
            "",
            "soon",
            "25:00",
            "9:5",
            "13pm",
            "0am",
            "9:00 10:00",
            "today tomorrow 9:00",
            "ago",
            "3 ago",
            "in",
            "in h",
            "-3 h ago",
            "nan h ago",
            "inf h ago",
            "3 parsecs ago",
            "18.25",
            "last 9:00",
            "4/2 9:00",
            "18:25 ago",
            "\u{1b}[31m",
            "9:00é",
        ] {
            assert_eq!(
                at(NOON, text, Lean::Past),
                Err(WhenError::Unreadable(text.into())),
                "{text}"
            );
        }
    }

    proptest::proptest! {
        #[test]
        fn whatever_is_typed_is_a_time_or_a_sentence(
            text in "([0-9]{1,4}|[:. -]|am|pm|ago|in|h|min|mon|feb|last|half|an|-|T|Z|.){0,8}",
            now in Time::MIN.0..=Time::MAX.0,
        ) {
            match parse(&text, Time(now), &zone(), Lean::Future) {
                Ok(when) => proptest::prop_assert!((Time::MIN..=Time::MAX).contains(&when.time)),
                Err(why) => proptest::prop_assert!(why.to_string().contains(text.trim())),
            }
        }
    }
}
