//! Values in the words of people: masses, water, temperatures, times and spans.
//!
//! Everything that people read passes through here, in the studio's units and time zone. Files and
//! JSON do not: they stay as their contract says.

use crate::core::correction::Corrections;
use crate::core::report::{Quantiles, TimeQuantiles};
use crate::records::{Action, HEAVIEST_G};
pub use crate::records::{printable, shell_word};
use crate::store::settings::Units;
use crate::units::{GRAMS_PER_OUNCE, MassUnit, Time, fahrenheit_from_celsius};
pub use crate::units::{span, spans};
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

/// How to say things.
#[derive(Clone, Debug)]
pub struct Words {
    /// Grams or pounds and ounces, °C or °F.
    pub units: Units,
    /// Whose clock.
    pub zone: TimeZone,
    /// The time from which things are told.
    pub now: Time,
    /// Whether `now` is the reader's own now, so that "today" and "tomorrow" can be said.
    pub live: bool,
    /// Whether days are told by their date, however near: for what is kept.
    pub dated: bool,
}

impl Words {
    /// A mass as precisely as an estimate deserves: `4.3 g`, `355 g`, `12.5 oz`, `1 lb 4.3 oz`.
    pub fn mass(&self, g: f64) -> String {
        match self.units {
            Units::Metric if g.abs() < 9.95 => format!("{} g", number(g, 1)),
            Units::Metric => format!("{} g", number(g, 0)),
            Units::Us => pounds_ounces(g, 1),
        }
    }

    /// A mass as it was weighed: `812.4 g`, `1 lb 12.66 oz`.
    pub fn weighed(&self, g: f64) -> String {
        match self.units {
            Units::Metric => format!("{} g", trim_zeros(number(g, 2))),
            Units::Us => pounds_ounces(g, 2),
        }
    }

    /// Of a weight that no pot has: what can be.
    pub fn cannot_be(&self, g: f64) -> String {
        let most = self.weighed(HEAVIEST_G);
        format!("{} cannot be; what can is 0 g to {most}", self.weighed(g))
    }

    /// A temperature: `19.8 °C`, `67.6 °F`.
    pub fn temperature(&self, celsius: f64) -> String {
        match self.units {
            Units::Metric => format!("{} °C", number(celsius, 1)),
            Units::Us => format!("{} °F", number(fahrenheit_from_celsius(celsius), 1)),
        }
    }

    /// A temperature that is not to be passed, in whole degrees below it: `85 °C`, `185 °F`.
    pub fn degrees(&self, celsius: f64) -> String {
        // What is a whole number but for a rounding error stays so.
        let whole = |value: f64| number((value + 0.05).floor(), 0);
        match self.units {
            Units::Metric => format!("{} °C", whole(celsius)),
            Units::Us => format!("{} °F", whole(fahrenheit_from_celsius(celsius))),
        }
    }

    /// By how much something gets warmer, at most: `30 °C`, `54 °F`.
    pub fn warmer(&self, celsius: f64) -> String {
        let fahrenheit = fahrenheit_from_celsius(celsius) - fahrenheit_from_celsius(0.0);
        match self.units {
            Units::Metric => format!("{} °C", trim_zeros(number(celsius, 1))),
            Units::Us => format!("{} °F", number(fahrenheit.floor(), 0)),
        }
    }

    /// A time: `today 18:40`, `Fri 09:10`, `Mon 31 Mar 09:10`.
    pub fn time(&self, time: Time) -> String {
        let at = self.local(time);
        format!("{} {}", self.day(at), at.strftime("%H:%M"))
    }

    /// The same for what is kept and read on another day: every day by its date.
    pub fn kept(self) -> Words {
        Words { live: false, dated: true, ..self }
    }

    /// A time with its whole date: `Wed 2 Apr 2031 18:40`.
    pub fn full_time(&self, time: Time) -> String {
        self.local(time).strftime("%a %-d %b %Y %H:%M").to_string()
    }

    /// As [`crate::cli::when`] reads it again: `2031-04-02 18:40`, or with the offset in the hour
    /// that comes twice.
    pub fn typed_time(&self, time: Time) -> String {
        let local = self.local(time);
        let format = match self.zone.to_ambiguous_timestamp(local).is_ambiguous() {
            true => "%Y-%m-%dT%H:%M:%S%:z",
            false => "%Y-%m-%d %H:%M",
        };
        time.timestamp().to_zoned_datetime(self.zone.clone()).strftime(format).to_string()
    }

    /// `just now`, `40 min ago`, `in 3 h`.
    pub fn distance(&self, time: Time) -> String {
        let seconds = time.since(self.now);
        match seconds {
            s if s.abs() < 60.0 => "just now".into(),
            s if s < 0.0 => format!("{} ago", span(-s)),
            s => format!("in {}", span(s)),
        }
    }

    /// An estimate of water with its interval, in grams or ounces: `68 g (61–75)`.
    pub fn water(&self, g: &Quantiles) -> String {
        let (per, unit) = match self.units {
            Units::Metric => (1.0, "g"),
            Units::Us => (GRAMS_PER_OUNCE, "oz"),
        };
        let decimals = usize::from(g.p90 / per < 9.95 || self.units == Units::Us);
        let [low, middle, high] = [g.p10, g.p50, g.p90].map(|q| number(q / per, decimals));
        format!("{middle} {unit} ({low}–{high})")
    }

    /// A forecast and in brackets the interval in which it lies in 8 of 10 cases, no finer than
    /// it is sure: `about today 20:40 (19:20–22:30)`, `after Fri 10:00, perhaps not within 30
    /// days`; `None` where all of it lies beyond the horizon.
    pub fn forecast(&self, time: &TimeQuantiles) -> Option<String> {
        let coarse = time.told_to();
        let [from, middle, to] =
            [time.p10, time.p50, time.p90].map(|t| t.map(|t| self.rounded(t, coarse)));
        let from = from?;
        let Some(middle) = middle else {
            return Some(format!("after {}, perhaps not within 30 days", self.time(from)));
        };
        let about = self.time(middle);
        let Some(to) = to else {
            return Some(format!("about {about} (after {})", self.time(from)));
        };
        if from == to {
            return Some(about);
        }
        let [a, b, c] = [from, middle, to].map(|t| self.local(t));
        let interval = if a.date() == b.date() && a.date() == c.date() {
            format!("{}–{}", a.strftime("%H:%M"), c.strftime("%H:%M"))
        } else {
            format!("{} – {}", self.time(from), self.time(to))
        };
        Some(format!("about {about} ({interval})"))
    }

    /// A time no finer than it is known.
    pub fn roughly(&self, time: Time, coarse_s: f64) -> String {
        self.time(self.rounded(time, coarse_s))
    }

    /// The day on the local clock.
    pub fn day_of(&self, time: Time) -> Date {
        self.local(time).date()
    }

    /// A span of time within a day: `today 09:00–09:45`.
    pub fn from_to(&self, from: Time, to: Time) -> String {
        match self.day_of(from) == self.day_of(to) {
            true => format!("{}–{}", self.time(from), self.local(to).strftime("%H:%M")),
            false => format!("{} – {}", self.time(from), self.time(to)),
        }
    }

    fn local(&self, time: Time) -> DateTime {
        self.zone.to_datetime(time.timestamp())
    }

    /// Rounded on the local clock, so that hours stay full hours in zones of half hours too.
    fn rounded(&self, time: Time, coarse_s: f64) -> Time {
        let offset = f64::from(self.zone.to_offset(time.timestamp()).seconds());
        let local = time.seconds() + offset;
        Time::from_seconds((local / coarse_s).round() * coarse_s - offset)
            .clamp(Time::MIN, Time::MAX)
    }

    fn day(&self, at: DateTime) -> String {
        let here = self.local(self.now);
        let days = at.date().duration_since(here.date()).as_hours() / 24;
        let format = match days {
            0 if self.live => return "today".into(),
            1 if self.live => return "tomorrow".into(),
            -1 if self.live => return "yesterday".into(),
            // A weekday alone is always one of the next six days, or today.
            0..=6 if !self.dated => "%a",
            _ if at.year() == here.year() => "%a %-d %b",
            _ => "%a %-d %b %Y",
        };
        at.strftime(format).to_string()
    }
}

/// A fraction in percent, finer where it is small: `17%`, `5.2%`.
pub fn percent(fraction: f64) -> String {
    let percent = 100.0 * fraction;
    format!("{}%", number(percent, if percent.abs() < 9.95 { 1 } else { 0 }))
}

/// From one share to another: `23–16%`.
pub fn percent_span(from: f64, to: f64) -> String {
    let [from, to] = [from, to].map(|share| number(100.0 * share, 0));
    format!("{from}–{to}%")
}

/// A share of water with its interval: `17% (16–18)`.
pub fn percents(q: &Quantiles) -> String {
    let decimals = usize::from(100.0 * q.p90 < 9.95);
    let [low, middle, high] = [q.p10, q.p50, q.p90].map(|q| number(100.0 * q, decimals));
    format!("{middle}% ({low}–{high})")
}

/// By how much the studio's record changes the ranges of its answers; `None` while it is too short
/// to say.
pub fn corrected(by: &Corrections) -> Option<String> {
    let all = [("trimming", by.window), ("dry", by.bone_dry), ("water", by.water)];
    let made: Vec<_> = all.into_iter().filter(|(_, correction)| correction.is_made()).collect();
    let pots = made.iter().map(|(_, correction)| correction.pots).max()?;
    let changes = made.iter().map(|(what, correction)| {
        let factor = number(correction.factor, 2);
        (factor != "1.00").then(|| format!("{what} {factor} times as wide"))
    });
    let changes: Vec<String> = changes.flatten().collect();
    let record = format!("the studio's own record of {pots} finished pots");
    Some(match changes.is_empty() {
        true => format!("Ranges borne out by {record}: none is changed."),
        false => format!("Ranges corrected by {record}: {}.", changes.join(", ")),
    })
}

/// A probability: never a certainty that a forecast cannot have.
pub fn chance(probability: f64) -> String {
    match probability {
        p if p > 0.99 => "over 99%".into(),
        p if p < 0.01 => "under 1%".into(),
        p => format!("{:.0}%", 100.0 * p),
    }
}

/// A length of time that is not to be fallen short of, in half hours: `2 h`, `6.5 h`.
pub fn half_hours(seconds: f64) -> String {
    // What is a half hour but for a rounding error stays so.
    let halves = (seconds / 1800.0 - 0.01).ceil();
    format!("{} h", trim_zeros(number(0.5 * halves, 1)))
}

/// Pounds and ounces; ounces alone below a pound.
fn pounds_ounces(g: f64, decimals: usize) -> String {
    let scale = 10f64.powi(decimals as i32);
    // Rounded before it is split, so that 15.96 oz does not become "0 lb 16.0 oz".
    let ounces = (g.abs() / GRAMS_PER_OUNCE * scale).round() / scale;
    let sign = if g < 0.0 && ounces > 0.0 { "-" } else { "" };
    let (lb, oz) = ((ounces / 16.0).floor(), ounces % 16.0);
    let oz = trim_zeros(number(oz, decimals));
    if lb == 0.0 { format!("{sign}{oz} oz") } else { format!("{sign}{lb} lb {oz} oz") }
}

/// A number with so many decimals, without the minus of a negative zero.
fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let zero = text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.');
    if zero { text.trim_start_matches('-').into() } else { text }
}

fn trim_zeros(text: String) -> String {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').into() } else { text }
}

/// Why a text is not a mass.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum MassError {
    /// Not a number with a unit.
    #[error("\"{0}\" is not a weight: write it like 812.4g, 1.2kg, 28.6oz or \"1 lb 12 oz\"")]
    Unreadable(String),
    /// A bare number where ounces and pounds are usual too.
    #[error("\"{0}\" of what? Write {0}g, {0}oz or {0}lb")]
    NoUnit(String),
    /// Comma for point.
    #[error("\"{0}\" has a comma: write the weight with a point, like 812.4")]
    Comma(String),
}

/// A mass as people write it, g: `812.4` (grams, in a metric studio), `812.4g`, `1.79 lb`,
/// `1 lb 12 oz`.
pub fn parse_mass(text: &str, units: Units) -> Result<f64, MassError> {
    let text = text.trim();
    let unreadable = || MassError::Unreadable(text.into());
    if text.contains(',') {
        return Err(MassError::Comma(text.into()));
    }
    if let Ok(value) = text.parse::<f64>() {
        let digits = text.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | '-' | '+'));
        return match units {
            _ if !digits || !value.is_finite() => Err(unreadable()),
            // Nothing is nothing, whatever its sign.
            Units::Metric => Ok(value + 0.0),
            Units::Us => Err(MassError::NoUnit(text.into())),
        };
    }
    let mut grams = 0.0;
    let mut used: Vec<MassUnit> = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let digits = rest.find(|c: char| !c.is_ascii_digit() && c != '.').ok_or_else(unreadable)?;
        let value: f64 = rest[..digits].parse().map_err(|_| unreadable())?;
        let after = rest[digits..].trim_start();
        let letters = after.find(|c: char| !c.is_alphabetic()).unwrap_or(after.len());
        let unit = mass_unit(&after[..letters]).ok_or_else(unreadable)?;
        if used.contains(&unit) {
            return Err(unreadable());
        }
        used.push(unit);
        grams += unit.to_grams(value);
        rest = after[letters..].trim_start();
    }
    match used.as_slice() {
        [_] | [MassUnit::Pound, MassUnit::Ounce] | [MassUnit::Kilogram, MassUnit::Gram] => {
            Ok(grams)
        }
        _ => Err(unreadable()),
    }
}

/// A unit as people write it.
fn mass_unit(text: &str) -> Option<MassUnit> {
    MassUnit::parse(match text.to_lowercase().as_str() {
        "g" | "gram" | "grams" => "g",
        "kg" | "kilo" | "kilos" => "kg",
        "oz" | "ounce" | "ounces" => "oz",
        "lb" | "lbs" | "pound" | "pounds" => "lb",
        _ => return None,
    })
}

/// An action as `note` takes it: `flip`, `move 'the cellar'`.
pub fn typed_action(action: &Action) -> String {
    match (action.word(), action.detail()) {
        (word, detail) if detail.is_empty() => word.into(),
        (word, detail) => format!("{word} {}", shell_word(&detail)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::correction::{Correction, ENOUGH};
    use crate::units::{DAY, HOUR};

    /// Wednesday 2 April 2031, 18:00 local (UTC+2).
    fn words(units: Units) -> Words {
        let now = utc("2031-04-02T16:00:00Z");
        Words { units, zone: zone(), now, live: true, dated: false }
    }

    fn zone() -> TimeZone {
        TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap()
    }

    fn utc(text: &str) -> Time {
        Time::parse_rfc3339(text).unwrap()
    }

    fn quantiles(p10: &str, p50: &str, p90: &str) -> TimeQuantiles {
        let time = |text: &str| Time::parse_rfc3339(text).ok();
        TimeQuantiles { p10: time(p10), p50: time(p50), p90: time(p90) }
    }

    #[test]
    fn masses_in_both_systems() {
        // Ounces and pounds by NIST SP 811, Appendix B.8: 1 oz = 28.349523125 g, 16 oz = 1 lb.
        for (g, metric, us) in [
            (62.3, "62 g", "2.2 oz"),
            (4.26, "4.3 g", "0.2 oz"),
            (9.96, "10 g", "0.4 oz"),
            (-0.04, "0.0 g", "0 oz"),
            (355.2, "355 g", "12.5 oz"),
            (453.592_37, "454 g", "1 lb 0 oz"),
            (452.5, "452 g", "1 lb 0 oz"),
            (812.4, "812 g", "1 lb 12.7 oz"),
            (2500.0, "2500 g", "5 lb 8.2 oz"),
        ] {
            assert_eq!(words(Units::Metric).mass(g), metric);
            assert_eq!(words(Units::Us).mass(g), us, "{g}");
        }
        assert_eq!(words(Units::Metric).weighed(812.4), "812.4 g");
        assert_eq!(words(Units::Metric).weighed(810.0), "810 g");
        assert_eq!(words(Units::Us).weighed(812.4), "1 lb 12.66 oz");
        assert_eq!(words(Units::Us).temperature(20.0), "68.0 °F");
        assert_eq!(words(Units::Metric).temperature(-0.01), "0.0 °C");
    }

    #[test]
    fn times_as_people_say_them() {
        let words = words(Units::Metric);
        for (time, said) in [
            ("2031-04-02T16:40:00Z", "today 18:40"),
            ("2031-04-02T22:10:00Z", "tomorrow 00:10"),
            ("2031-04-01T07:10:00Z", "yesterday 09:10"),
            ("2031-04-04T07:10:00Z", "Fri 09:10"),
            ("2031-04-08T07:10:00Z", "Tue 09:10"),
            ("2031-04-09T07:10:00Z", "Wed 9 Apr 09:10"),
            ("2031-03-28T08:10:00Z", "Fri 28 Mar 09:10"),
            ("2030-03-28T08:10:00Z", "Thu 28 Mar 2030 09:10"),
        ] {
            assert_eq!(words.time(utc(time)), said);
        }
        let looking_back = Words { live: false, ..words };
        for (time, said) in [
            ("2031-04-02T16:40:00Z", "Wed 18:40"),
            ("2031-04-03T07:10:00Z", "Thu 09:10"),
            ("2031-04-01T07:10:00Z", "Tue 1 Apr 09:10"),
        ] {
            assert_eq!(looking_back.time(utc(time)), said);
        }
        let kept = looking_back.clone().kept();
        assert_eq!(kept.time(utc("2031-04-02T16:40:00Z")), "Wed 2 Apr 18:40");
        assert_eq!(kept.time(utc("2031-04-03T07:10:00Z")), "Thu 3 Apr 09:10");
        assert_eq!(kept.time(utc("2030-03-28T08:10:00Z")), "Thu 28 Mar 2030 09:10");
        assert_eq!(looking_back.full_time(looking_back.now), "Wed 2 Apr 2031 18:00");
        assert_eq!(looking_back.typed_time(looking_back.now), "2031-04-02 18:00");
        let second = looking_back.typed_time(utc("2031-10-26T01:30:00Z"));
        assert_eq!(second, "2031-10-26T02:30:00+01:00");
    }

    #[test]
    fn forecasts_are_told_no_finer_than_they_are_sure() {
        let words = words(Units::Metric);
        for (p10, p50, p90, said) in [
            (
                "2031-04-02T17:21:40Z",
                "2031-04-02T17:42:10Z",
                "2031-04-02T18:28:00Z",
                "about today 19:40 (19:20–20:30)",
            ),
            (
                "2031-04-02T20:11:00Z",
                "2031-04-02T22:47:00Z",
                "2031-04-03T01:03:00Z",
                "about tomorrow 01:00 (today 22:00 – tomorrow 03:00)",
            ),
            (
                "2031-04-03T08:22:00Z",
                "2031-04-04T19:12:00Z",
                "2031-04-06T02:44:00Z",
                "about Fri 21:00 (tomorrow 10:00 – Sun 05:00)",
            ),
            (
                "2031-04-04T08:02:00Z",
                "2031-04-14T19:00:00Z",
                "",
                "about Mon 14 Apr 21:00 (after Fri 10:00)",
            ),
            ("2031-04-04T08:02:00Z", "", "", "after Fri 10:00, perhaps not within 30 days"),
            ("2031-04-02T18:01:00Z", "2031-04-02T18:01:00Z", "2031-04-02T18:01:00Z", "today 20:00"),
        ] {
            assert_eq!(words.forecast(&quantiles(p10, p50, p90)).unwrap(), said);
        }
        assert_eq!(words.forecast(&quantiles("", "", "")), None);
    }

    #[test]
    fn water_with_its_interval() {
        let water = |p10, p50, p90| Quantiles { p10, p50, p90 };
        assert_eq!(words(Units::Metric).water(&water(61.2, 68.4, 75.0)), "68 g (61–75)");
        assert_eq!(words(Units::Metric).water(&water(-0.01, 0.9, 2.34)), "0.9 g (0.0–2.3)");
        assert_eq!(words(Units::Us).water(&water(61.2, 68.4, 75.0)), "2.4 oz (2.2–2.6)");
    }

    #[test]
    fn hours_stay_full_hours_in_a_zone_of_half_hours() {
        let words = Words { zone: TimeZone::posix("XXX-5:30").unwrap(), ..words(Units::Metric) };
        let time =
            quantiles("2031-04-03T00:00:00Z", "2031-04-04T00:10:00Z", "2031-04-06T00:00:00Z");
        assert_eq!(words.forecast(&time).unwrap(), "about Fri 06:00 (tomorrow 06:00 – Sun 06:00)");
    }

    #[test]
    fn days_that_read_the_same_are_told_in_hours() {
        let days = |n: f64| n * 86_400.0;
        assert_eq!(spans(days(5.4), days(4.4)), ("5 days".into(), "4 days".into()));
        assert_eq!(spans(days(5.4), days(4.6)), ("130 h".into(), "110 h".into()));
        assert_eq!(spans(days(2.2), days(1.9)), ("2 days".into(), "46 h".into()));
    }

    #[test]
    fn spans_and_distances() {
        for (seconds, said) in [
            (40.0 * 60.0, "40 min"),
            (3599.0, "1 h"),
            (2.0 * HOUR + 1190.0, "2 h 20 min"),
            (7.6 * HOUR, "8 h"),
            (47.0 * HOUR, "47 h"),
            (3.2 * DAY, "3 days"),
        ] {
            assert_eq!(span(seconds), said);
        }
        let words = words(Units::Metric);
        assert_eq!(words.distance(words.now.plus(20.0)), "just now");
        assert_eq!(words.distance(words.now.plus(-2400.0)), "40 min ago");
        assert_eq!(words.distance(words.now.plus(3.0 * HOUR)), "in 3 h");
    }

    #[test]
    fn percents_and_chances() {
        assert_eq!(
            (percent(0.172), percent(0.0523), percent(0.0996)),
            ("17%".into(), "5.2%".into(), "10%".into())
        );
        assert_eq!(percent(-0.0001), "0.0%");
        assert_eq!(
            (chance(0.914), chance(1.0), chance(0.0)),
            ("91%".into(), "over 99%".into(), "under 1%".into())
        );
    }

    #[test]
    fn nothing_hidden_reaches_the_terminal() {
        assert_eq!(printable("fell off"), "fell off");
        assert_eq!(printable("\u{1b}[31mred\n\u{202e}"), "\\u{1b}[31mred\\n\\u{202e}");
        assert_eq!(shell_word("planter-1"), "planter-1");
        assert_eq!(shell_word("tall jar"), "'tall jar'");
        assert_eq!(shell_word("potter's"), r"'potter'\''s'");
        assert_eq!(shell_word("-x"), "'-x'");
        assert_eq!(typed_action(&Action::Move("the cellar".into())), "move 'the cellar'");
        assert_eq!(typed_action(&Action::Flip), "flip");
    }

    #[test]
    fn masses_as_people_write_them() {
        let close = |text, units, g: f64| {
            let parsed: f64 = parse_mass(text, units).unwrap();
            assert!((parsed - g).abs() < 1e-6, "{text}: {parsed}");
        };
        // Pounds and ounces by NIST SP 811, Appendix B.8.
        close("812.4", Units::Metric, 812.4);
        for units in [Units::Metric, Units::Us] {
            close("812.4g", units, 812.4);
            close("812.4 g", units, 812.4);
            close("1.2kg", units, 1200.0);
            close("28.6 oz", units, 810.796_361);
            close("1.79 lb", units, 811.930_342);
            close("1 lb 12 oz", units, 793.786_648);
            close("1lb12oz", units, 793.786_648);
            close("2 LBS", units, 907.184_740);
        }
        assert_eq!(
            parse_mass("812.4", Units::Us).unwrap_err().to_string(),
            "\"812.4\" of what? Write 812.4g, 812.4oz or 812.4lb"
        );
        assert_eq!(
            parse_mass("812,4", Units::Metric).unwrap_err().to_string(),
            "\"812,4\" has a comma: write the weight with a point, like 812.4"
        );
        for text in [
            "",
            "g",
            "heavy",
            "1 lb 12",
            "12 oz 1 lb",
            "1 g 2 g",
            "nan",
            "inf",
            "1e3",
            "1..2 g",
            "5 st",
        ] {
            assert_eq!(
                parse_mass(text, Units::Metric),
                Err(MassError::Unreadable(text.into())),
                "{text}"
            );
        }
    }

    #[test]
    fn what_is_not_to_be_passed_is_rounded_to_the_cautious_side() {
        let (metric, us) = (words(Units::Metric), words(Units::Us));
        assert_eq!([84.65, 99.97, 90.0].map(|c| metric.degrees(c)), ["84 °C", "100 °C", "90 °C"]);
        assert_eq!([84.65, 120.0].map(|c| us.degrees(c)), ["184 °F", "248 °F"]);
        assert_eq!((metric.warmer(30.0), us.warmer(30.0)), ("30 °C".into(), "54 °F".into()));
        assert_eq!([7200.0, 7300.0, 23_300.0].map(half_hours), ["2 h", "2.5 h", "6.5 h"]);
    }

    proptest::proptest! {
        #[test]
        fn what_is_said_of_a_weight_reads_back_as_that_weight(g in 0.0..20_000.0f64) {
            // Shown to a hundredth of a gram or of an ounce.
            for (units, half_step) in [(Units::Metric, 0.005), (Units::Us, 0.142)] {
                let said = words(units).weighed(g);
                let read = parse_mass(&said, units).unwrap();
                proptest::prop_assert!((read - g).abs() <= half_step + 1e-9, "{g}: {said}");
            }
        }

        #[test]
        fn no_text_is_a_weight_that_is_not_finite(
            text in "([0-9]{1,3}|[. -]|lb|oz|g|kg|e|.){0,6}",
        ) {
            for units in [Units::Metric, Units::Us] {
                if let Ok(g) = parse_mass(&text, units) {
                    proptest::prop_assert!(g.is_finite());
                }
            }
        }
    }

    #[test]
    fn a_record_says_what_it_changes() {
        let of = |factor, pots| Correction { factor, raw: Some(factor), pots };
        let by = |window, bone_dry, water| corrected(&Corrections { window, bone_dry, water });
        let few = of(1.0, ENOUGH - 1);
        assert_eq!(by(few, few, few), None);
        assert_eq!(
            by(of(1.124, 52), of(0.953, 50), of(1.002, 55)).unwrap(),
            "Ranges corrected by the studio's own record of 55 finished pots: trimming 1.12 times \
             as wide, dry 0.95 times as wide."
        );
        assert_eq!(
            by(few, of(1.003, 40), few).unwrap(),
            "Ranges borne out by the studio's own record of 40 finished pots: none is changed."
        );
    }
}
