//! Hours of a week as people write them: `9-13,15-18`, `mon-fri 9-13, 15-18; sat 10:30-14`.
//!
//! Without days they count for all seven. A clock change leaves them what they are on the clock.

use crate::units::{DAY, Time};
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use jiff::{Span, ToSpan};

/// Names of days; any three letters or more of one will do.
const DAYS: [&str; 7] =
    ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
/// Minutes of a day.
const MINUTES: u32 = 24 * 60;

/// Hours of each day of the week, Monday first: from and to, in minutes since midnight.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Week([Vec<(u32, u32)>; 7]);

/// What is wrong with hours, and where.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("column {column}: {text}")]
pub struct WeekError {
    /// In characters, from 1.
    pub column: usize,
    /// What is wrong and what to write.
    pub text: String,
}

impl Week {
    /// As they were written.
    pub fn parse(text: &str) -> Result<Week, WeekError> {
        let mut reader = Reader { chars: text.chars().collect(), at: 0 };
        let mut week: [Option<Vec<(u32, u32)>>; 7] = Default::default();
        loop {
            let start = reader.place();
            let days = reader.days()?;
            let mut spans = reader.spans()?;
            spans.sort_unstable();
            if let Some(both) = spans.windows(2).find(|pair| pair[1].0 < pair[0].1) {
                let text = format!("{} and {} overlap", shown(both[0]), shown(both[1]));
                return Err(WeekError { column: start, text });
            }
            for day in days {
                if week[day].replace(spans.clone()).is_some() {
                    let text = format!("{} has its hours already", DAYS[day]);
                    return Err(WeekError { column: start, text });
                }
            }
            match reader.next() {
                None => return Ok(Week(week.map(Option::unwrap_or_default))),
                Some(_) => reader.at += 1,
            }
        }
    }

    /// Whether a time lies in them.
    pub fn holds(&self, time: Time, zone: &TimeZone) -> bool {
        !self.between(time, time.moved(1), zone).is_empty()
    }

    /// From and to of each span between two times, in order, cut to them.
    pub fn between(&self, from: Time, to: Time, zone: &TimeZone) -> Vec<(Time, Time)> {
        let mut spans = Vec::new();
        // A day more on either side: a zone's day is not that of the earth.
        let mut date = zone.to_datetime(from.plus(-DAY).timestamp()).date();
        let last = zone.to_datetime(to.plus(DAY).timestamp()).date();
        while date <= last {
            let midnight = date.to_datetime(jiff::civil::Time::midnight());
            let day = date.weekday().to_monday_zero_offset();
            for (a, b) in &self.0[usize::try_from(day).unwrap_or(0)] {
                let span = (on_the_clock(midnight, *a, zone), on_the_clock(midnight, *b, zone));
                if let (Some(a), Some(b)) = span
                    && a.max(from) < b.min(to)
                {
                    spans.push((a.max(from), b.min(to)));
                }
            }
            let Ok(next) = date.tomorrow() else { break };
            date = next;
        }
        spans
    }
}

/// So many minutes of the clock after midnight; in the hour that a clock change leaves out, after
/// it.
fn on_the_clock(midnight: DateTime, minutes: u32, zone: &TimeZone) -> Option<Time> {
    let span: Span = i64::from(minutes).minutes();
    let local = midnight.checked_add(span).ok()?;
    let stamp = zone.to_ambiguous_timestamp(local).compatible().ok()?;
    Some(Time(stamp.as_microsecond()))
}

/// `9:00-13:00`
fn shown((from, to): (u32, u32)) -> String {
    format!("{}:{:02}-{}:{:02}", from / 60, from % 60, to / 60, to % 60)
}

/// Half of the day, where it was said.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Half {
    Am,
    Pm,
}

struct Reader {
    chars: Vec<char>,
    at: usize,
}

impl Reader {
    /// The next character that is no blank.
    fn next(&mut self) -> Option<char> {
        while self.chars.get(self.at).is_some_and(|c| c.is_whitespace()) {
            self.at += 1;
        }
        self.chars.get(self.at).copied()
    }

    /// The column of what comes next.
    fn place(&mut self) -> usize {
        self.next();
        self.at + 1
    }

    /// Passes over one of these, if it comes next.
    fn passes(&mut self, any: &[char]) -> bool {
        let comes = self.next().is_some_and(|c| any.contains(&c));
        self.at += usize::from(comes);
        comes
    }

    fn run(&mut self, of: fn(&char) -> bool) -> String {
        let run: String = self.chars[self.at..].iter().take_while(|c| of(c)).collect();
        self.at += run.chars().count();
        run
    }

    /// Days at the front; all where there are none.
    fn days(&mut self) -> Result<Vec<usize>, WeekError> {
        let mut days = Vec::new();
        while self.next().is_some_and(char::is_alphabetic) {
            let first = self.day()?;
            if self.passes(&['-', '–']) {
                let last = self.day()?;
                days.extend((0..7).map(|k| (first + k) % 7).take((last + 7 - first) % 7 + 1));
            } else {
                days.push(first);
            }
            self.passes(&[',', ':']);
        }
        Ok(if days.is_empty() { (0..7).collect() } else { days })
    }

    fn day(&mut self) -> Result<usize, WeekError> {
        let column = self.place();
        let word = self.run(|c| c.is_alphabetic()).to_lowercase();
        let day = DAYS.iter().position(|day| word.len() >= 3 && day.starts_with(&word));
        day.ok_or_else(|| {
            let text = match word.is_empty() {
                true => "expected a day such as mon or monday".into(),
                false => format!("\"{word}\" is no day: write mon, tue, wed, thu, fri, sat, sun"),
            };
            WeekError { column, text }
        })
    }

    /// Spans up to a semicolon or the end.
    fn spans(&mut self) -> Result<Vec<(u32, u32)>, WeekError> {
        let mut spans = Vec::new();
        loop {
            let column = self.place();
            let wrong = |text: String| Err(WeekError { column, text });
            let (from, half) = self.time()?;
            if !self.passes(&['-', '–']) {
                let column = self.place();
                return Err(WeekError { column, text: "expected - and an end, like 9-13".into() });
            }
            let (to, other) = self.time()?;
            if half.is_none() && other.is_some() {
                return wrong("am or pm? Write it at both ends, like 1pm-5pm, or 13-17".into());
            }
            if to <= from {
                return wrong(format!(
                    "{} ends before it begins; a night is written as two spans, like 22-24,0-2",
                    shown((from, to))
                ));
            }
            spans.push((from, to));
            let comma = self.passes(&[',']);
            match self.next() {
                None | Some(';') if !comma => return Ok(spans),
                _ if comma => {}
                _ => {
                    let text = "expected a comma before more hours, or ; before more days".into();
                    return Err(WeekError { column: self.place(), text });
                }
            }
        }
    }

    /// A time of day, in minutes.
    fn time(&mut self) -> Result<(u32, Option<Half>), WeekError> {
        let column = self.place();
        let wrong = |text: String| Err(WeekError { column, text });
        let hour = self.run(char::is_ascii_digit);
        if hour.is_empty() {
            let next = self.chars.get(self.at).map_or("the end".into(), |c| format!("\"{c}\""));
            return wrong(format!("expected an hour such as 9 or 9:30, not {next}"));
        }
        let mut minute = 0;
        if self.chars.get(self.at) == Some(&':') {
            self.at += 1;
            let digits = self.run(char::is_ascii_digit);
            match digits.parse::<u32>() {
                Ok(number) if digits.len() == 2 && number < 60 => minute = number,
                _ => return wrong(format!("\"{hour}:{digits}\" is no time; write it like 9:30")),
            }
        }
        self.next();
        let letters = self.chars[self.at..].iter().take_while(|c| c.is_ascii_alphabetic());
        let half = match letters.collect::<String>().to_lowercase().as_str() {
            "am" => Some(Half::Am),
            "pm" => Some(Half::Pm),
            _ => None,
        };
        self.at += if half.is_some() { 2 } else { 0 };
        let number = hour.parse::<u32>().ok().filter(|_| hour.len() <= 2);
        let hours = match (number, half) {
            (Some(h), None) => Some(h),
            (Some(h @ 1..=12), Some(Half::Am)) => Some(h % 12),
            (Some(h @ 1..=12), Some(Half::Pm)) => Some(h % 12 + 12),
            _ => None,
        };
        match hours.map(|hours| 60 * hours + minute).filter(|minutes| *minutes <= MINUTES) {
            Some(minutes) => Ok((minutes, half)),
            None => wrong(format!("\"{hour}\" is no hour of a day; expected 0 to 24")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of_day(text: &str, day: usize) -> Vec<(u32, u32)> {
        Week::parse(text).unwrap().0[day].iter().map(|(a, b)| (a / 60, b / 60)).collect()
    }

    #[test]
    fn hours_of_all_days_or_of_some() {
        for day in 0..7 {
            assert_eq!(of_day("9-13,15-18", day), [(9, 13), (15, 18)]);
        }
        let week = "mon-fri 9 - 13, 15–18; Saturday: 10-14";
        assert_eq!(of_day(week, 4), [(9, 13), (15, 18)]);
        assert_eq!(of_day(week, 5), [(10, 14)]);
        assert_eq!(of_day(week, 6), []);
        assert_eq!(of_day("sat-mon 8-9", 0), [(8, 9)]);
        assert_eq!(of_day("sat-mon 8-9", 2), []);
        assert_eq!(of_day("tue,thu 18-24", 3), [(18, 24)]);
        assert_eq!(of_day("9am-12pm, 1 pm-5pm", 0), [(9, 12), (13, 17)]);
        assert_eq!(Week::parse("9:30-10:15").unwrap().0[0], [(570, 615)]);
    }

    #[test]
    fn what_is_wrong_is_said_with_its_place() {
        for (text, column, word) in [
            ("", 1, "expected an hour"),
            ("9-13,15", 8, "expected - and an end"),
            ("9-25", 3, "0 to 24"),
            ("9-13,", 6, "expected an hour"),
            ("9-13 15-18", 6, "comma"),
            ("18-9", 1, "ends before it begins"),
            ("mon-fry 9-13", 5, "no day"),
            ("mon 9-13; mon 15-18", 11, "monday has its hours already"),
            ("9-13,12-18", 1, "overlap"),
            ("9:7-13", 1, "write it like 9:30"),
            ("1-5pm", 1, "am or pm"),
            ("13pm-14", 1, "0 to 24"),
            ("9-13;", 6, "expected an hour"),
            ("nine-ten", 1, "no day"),
            ("99999999999999-3", 1, "0 to 24"),
            ("9-13 ☃", 6, "comma"),
        ] {
            let error = Week::parse(text).unwrap_err();
            assert_eq!(error.column, column, "{text}: {error}");
            assert!(error.text.contains(word), "{text}: {error}");
        }
    }

    /// The clocks of Lisbon went forward at 01:00 UTC of 31 March 2024 (IANA time zone database,
    /// rule EU): nine is nine before and after.
    #[test]
    fn hours_stay_on_the_clock() {
        let zone = TimeZone::get("Europe/Lisbon").unwrap();
        let time = |text: &str| Time::parse_rfc3339(text).unwrap();
        let week = Week::parse("9-10").unwrap();
        let spans = week.between(time("2024-03-30T09:30:00Z"), time("2024-03-31T23:00:00Z"), &zone);
        let want = [
            ("2024-03-30T09:30:00Z", "2024-03-30T10:00:00Z"),
            ("2024-03-31T08:00:00Z", "2024-03-31T09:00:00Z"),
        ];
        assert_eq!(spans, want.map(|(a, b)| (time(a), time(b))));
    }
}
