//! Axes: from times and values to places, and where to put their marks.

use super::canvas::Area;
use crate::units::{DAY, HOUR, Time};
use jiff::ToSpan;
use jiff::civil::{Date, date};
use jiff::tz::TimeZone;

/// Maps values to y, the greater the higher.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Values {
    low: f64,
    high: f64,
    top: f64,
    bottom: f64,
}

impl Values {
    /// From the least to the greatest value, with a little room; a finite span of at least 1e-9.
    pub fn spanning(low: f64, high: f64, area: Area) -> Values {
        let room = 0.04 * (high - low).max(1e-9);
        Values { low: low - room, high: high + room, top: area.top, bottom: area.bottom }
    }

    /// As it stands.
    pub fn exactly(low: f64, high: f64, area: Area) -> Values {
        Values { low, high, top: area.top, bottom: area.bottom }
    }

    pub fn y(&self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low);
        self.bottom - share * (self.bottom - self.top)
    }

    /// The value at a place.
    pub fn value(&self, y: f64) -> f64 {
        self.low + (self.bottom - y) / (self.bottom - self.top) * (self.high - self.low)
    }

    /// y, held inside the panel.
    pub fn held(&self, value: f64) -> f64 {
        self.y(value).clamp(self.top, self.bottom)
    }

    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// About `count` round values.
    pub fn marks(&self, count: f64) -> Vec<f64> {
        marks(self.low, self.high, count)
    }
}

/// Round values (1, 2, 2.5, 5 × 10ⁿ apart) between two others, about `count` of them.
pub(super) fn marks(low: f64, high: f64, count: f64) -> Vec<f64> {
    let rough = (high - low) / count.max(1.0);
    if !rough.is_finite() || rough <= 0.0 {
        return Vec::new();
    }
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 2.5, 5.0, 10.0].map(|s| s * power).into_iter().find(|s| *s >= rough);
    let step = step.unwrap_or(10.0 * power);
    let first = (low / step).ceil() as i64;
    let last = (high / step).floor() as i64;
    (first..=last).take(1000).map(|i| i as f64 * step).collect()
}

/// Digits behind the point that tell these values apart.
pub(super) fn decimals(values: &[f64]) -> usize {
    let near = |n: usize| {
        values.iter().all(|v| {
            let scaled = v * 10f64.powi(n as i32);
            (scaled - scaled.round()).abs() < 1e-6
        })
    };
    (0..4).find(|n| near(*n)).unwrap_or(4)
}

/// Maps times to x.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Times {
    pub from: Time,
    pub to: Time,
    left: f64,
    right: f64,
    zone: TimeZone,
}

/// A mark on the time axis.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Mark {
    pub x: f64,
    pub label: String,
    /// At local midnight.
    pub midnight: bool,
}

impl Times {
    pub fn new(from: Time, to: Time, area: Area, zone: TimeZone) -> Times {
        let to = to.max(from.plus(60.0));
        Times { from, to, left: area.left, right: area.right, zone }
    }

    pub fn x(&self, time: Time) -> f64 {
        self.left + (self.right - self.left) * time.since(self.from) / self.span()
    }

    /// x, held inside the panel.
    pub fn held(&self, time: Time) -> f64 {
        self.x(time).clamp(self.left, self.right)
    }

    pub fn holds(&self, time: Time) -> bool {
        (self.from..=self.to).contains(&time)
    }

    /// Local clock time in the given form (`strftime`).
    pub fn words(&self, time: Time, form: &str) -> String {
        self.zone.to_datetime(time.timestamp()).strftime(form).to_string()
    }

    /// Whether two times fall on one local day.
    pub fn same_day(&self, a: Time, b: Time) -> bool {
        self.day(a) == self.day(b)
    }

    /// A time no longer than needed: the clock on the day of `near`, with its weekday in the six
    /// days after it, else with its date.
    pub fn short(&self, time: Time, near: Time) -> String {
        let form = match self.days_after(time, near) {
            0 => "%H:%M",
            1..=6 => "%a %H:%M",
            _ => "%-d %b %H:%M",
        };
        self.words(time, form)
    }

    /// A middle with its ends. The day is said once where it is the same in all, else with each,
    /// in one form: "(Mon 15:00 – 17:00)" beside a Tuesday would read as an end on Monday.
    pub fn interval(&self, ends: [Option<Time>; 3], near: Time) -> String {
        let known: Vec<Time> = ends.into_iter().flatten().collect();
        let one_day = known.windows(2).all(|pair| self.same_day(pair[0], pair[1]));
        let [low, middle, high] = ends;
        let dated = known.iter().any(|t| !(0..=6).contains(&self.days_after(*t, near)));
        let said = |t: Time| match (one_day, Some(t) == middle, self.same_day(t, near)) {
            (true, false, _) => self.words(t, "%H:%M"),
            (false, ..) if dated => self.words(t, "%-d %b %H:%M"),
            (false, _, true) => self.words(t, "%a %H:%M"),
            _ => self.short(t, near),
        };
        match (low.map(said), middle.map(said), high.map(said)) {
            (_, Some(middle), _) if low == ends[1] && ends[1] == high => middle,
            (Some(low), Some(middle), Some(high)) => format!("{middle} ({low} – {high})"),
            (Some(low), Some(middle), None) => format!("{middle} (after {low})"),
            (Some(_), None, _) => {
                let low = low.map(|t| self.short(t, near)).unwrap_or_default();
                format!("after {low}, perhaps not within 30 days")
            }
            _ => "not within 30 days".into(),
        }
    }

    /// Rounded on the local clock.
    pub fn rounded(&self, time: Time, step_s: f64) -> Time {
        let offset = f64::from(self.zone.to_offset(time.timestamp()).seconds());
        let local = time.seconds() + offset;
        Time::MIN.plus((local / step_s).round() * step_s - offset)
    }

    fn span(&self) -> f64 {
        self.to.since(self.from)
    }

    fn day(&self, time: Time) -> Date {
        self.zone.to_datetime(time.timestamp()).date()
    }

    /// Local days from one time to another.
    fn days_after(&self, time: Time, near: Time) -> i32 {
        self.day(time).since(self.day(near)).map_or(99, |span| span.get_days())
    }

    fn days(&self) -> impl Iterator<Item = Date> {
        let last = self.day(self.to);
        self.day(self.from).series(1.day()).take_while(move |d| *d <= last)
    }

    fn at(&self, day: Date, hour: i8) -> Option<Time> {
        let stamp = self.zone.to_timestamp(day.at(hour, 0, 0, 0)).ok()?;
        Some(Time(stamp.as_microsecond())).filter(|t| self.holds(*t))
    }

    /// Marks on the steps of the local clock or calendar, at least `apart` points from each other.
    pub fn marks(&self, apart: f64) -> Vec<Mark> {
        let least = self.span() * apart / (self.right - self.left);
        let hours = [1, 2, 3, 6, 12].into_iter().find(|h| f64::from(*h) * HOUR >= least);
        let mark = |time, midnight, form| Mark {
            x: self.x(time),
            label: self.words(time, form),
            midnight,
        };
        if let Some(step) = hours {
            let hours = move |day| (0..24).step_by(step as usize).map(move |hour| (day, hour));
            let found = self.days().flat_map(hours);
            let timed = found.filter_map(|(day, hour)| Some((self.at(day, hour)?, hour)));
            return timed.map(|(time, hour)| mark(time, hour == 0, "%H:%M")).collect();
        }
        let days = [1, 2, 7, 14, 28].into_iter().find(|d| f64::from(*d) * DAY >= least);
        let step = days.unwrap_or(56);
        let monday = date(1970, 1, 5);
        let counted = |day: Date| day.since(monday).map_or(0, |span| span.get_days());
        let found = self.days().filter(|day| counted(*day).rem_euclid(step) == 0);
        found.filter_map(|day| self.at(day, 0)).map(|t| mark(t, true, "%-d %b")).collect()
    }

    /// Local days as stretches of x with their names.
    pub fn day_names(&self) -> Vec<(f64, f64, String)> {
        let start = |day: Date| self.zone.to_timestamp(day.at(0, 0, 0, 0)).ok();
        let stretch = |day: Date| {
            let from = Time(start(day)?.as_microsecond());
            let to = Time(start(day.tomorrow().ok()?)?.as_microsecond());
            Some((self.held(from), self.held(to), day.strftime("%a %-d %b").to_string()))
        };
        self.days().filter_map(stretch).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AREA: Area = Area { left: 0.0, top: 0.0, right: 1000.0, bottom: 100.0 };

    fn times(from: &str, to: &str, zone: &str) -> Times {
        let [from, to] = [from, to].map(|t| Time::parse_rfc3339(t).unwrap());
        Times::new(from, to, AREA, TimeZone::posix(zone).unwrap())
    }

    #[test]
    fn round_marks() {
        assert_eq!(marks(0.3, 9.9, 5.0), [2.0, 4.0, 6.0, 8.0]);
        assert_eq!(marks(-1.0, 1.0, 8.0), [-1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0]);
        assert_eq!(marks(1.0, 1.0, 5.0), Vec::<f64>::new());
        assert_eq!(decimals(&[1.0, 2.0]), 0);
        assert_eq!(decimals(&[0.25, 0.5]), 2);
    }

    #[test]
    fn an_interval_says_each_day_unless_it_is_one() {
        let t = times("2031-04-01T00:00:00Z", "2031-04-20T00:00:00Z", "UTC0");
        let at = |text: &str| Time::parse_rfc3339(&format!("2031-04-{text}:00Z")).ok();
        let near = at("02T12:00").unwrap();
        let say = |low, middle, high| t.interval([at(low), at(middle), at(high)], near);
        assert_eq!(say("02T13:00", "02T14:00", "02T15:00"), "14:00 (13:00 – 15:00)");
        assert_eq!(say("03T13:00", "03T14:00", "03T15:00"), "Thu 14:00 (13:00 – 15:00)");
        assert_eq!(say("02T13:00", "03T14:00", "03T15:00"), "Thu 14:00 (Wed 13:00 – Thu 15:00)");
        // Weekdays and dates are not mixed.
        assert_eq!(
            say("01T11:00", "02T09:00", "02T21:00"),
            "2 Apr 09:00 (1 Apr 11:00 – 2 Apr 21:00)"
        );
        assert_eq!(say("01T11:00", "01T14:00", "01T15:00"), "1 Apr 14:00 (11:00 – 15:00)");
        assert_eq!(say("03T13:00", "12T14:00", ""), "12 Apr 14:00 (after 3 Apr 13:00)");
        assert_eq!(say("02T13:00", "", ""), "after 13:00, perhaps not within 30 days");
        assert_eq!(say("", "", ""), "not within 30 days");
        assert_eq!(say("03T13:00", "03T13:00", "03T13:00"), "Thu 13:00");
    }

    #[test]
    fn marks_stand_on_the_local_clock() {
        let t = times("2031-04-02T09:10:00Z", "2031-04-03T09:10:00Z", "XXX-5:30");
        let marks = t.marks(60.0);
        assert_eq!(marks[0].label, "16:00");
        assert_eq!(marks.iter().filter(|m| m.midnight).count(), 1);
        assert_eq!(t.day_names()[0].2, "Wed 2 Apr");
    }

    /// Clocks go forward on 30 March 2031 at 2:00: the day has 23 hours.
    #[test]
    fn a_short_day_keeps_its_marks() {
        let t = times("2031-03-29T23:00:00Z", "2031-03-30T22:00:00Z", "CET-1CEST,M3.5.0,M10.5.0/3");
        let labels: Vec<String> = t.marks(100.0).into_iter().map(|m| m.label).collect();
        assert_eq!(
            labels,
            ["00:00", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00", "00:00"]
        );
    }

    #[test]
    fn long_spans_are_marked_by_days() {
        let t = times("2031-04-02T00:00:00Z", "2031-04-20T00:00:00Z", "UTC0");
        assert_eq!(t.marks(60.0)[0].label, "3 Apr");
        assert!(t.marks(60.0).iter().all(|m| m.midnight));
    }
}
