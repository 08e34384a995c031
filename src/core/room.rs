//! The room's air along a line of time: as it was measured, and as it may come.
//!
//! The coming air follows the studio's own daily pattern (the mean of each hour of the day over
//! the last week), starts from where the air is now and relaxes to the pattern, and is less and
//! less sure. "Like the last 24 hours" is no better and has no doubt in it.
//!
//! Where an air forecast speaks of the hours to come it is taken at its word, surer than the
//! pattern, and after its end the air relaxes from there. It tells of the main room: a place that
//! has a sensor of its own goes by its own pattern.

use crate::core::air;
use crate::records::{Air, Point};
use crate::units::{DAY, HOUR, Time};

/// Temperature and humidity at a moment or over a step.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Climate {
    /// °C.
    pub temperature: f64,
    /// Relative humidity, fraction.
    pub humidity: f64,
}

impl Climate {
    /// Vapour pressure deficit, Pa.
    pub fn deficit(&self) -> f64 {
        air::deficit(self.temperature, self.humidity)
    }

    /// A part of the way to another.
    fn towards(&self, other: &Climate, part: f64) -> Climate {
        Climate {
            temperature: self.temperature + part * (other.temperature - self.temperature),
            humidity: self.humidity + part * (other.humidity - self.humidity),
        }
    }

    /// With that share of a departure in temperature and humidity, within what rooms hold.
    fn departed(&self, share: f64, (temperature, humidity): (f64, f64)) -> Climate {
        Climate {
            temperature: self.temperature + share * temperature,
            humidity: (self.humidity + share * humidity).clamp(0.05, 0.99),
        }
    }
}

/// Temperatures, °C, and humidities that are taken for a room's; what lies beyond counts as these.
const TEMPERATURES: (f64, f64) = (-40.0, 80.0);
const HUMIDITIES: (f64, f64) = (0.02, 0.995);

/// What an air forecast says of a time.
enum Said {
    /// That it will be so then.
    Then(Climate),
    /// Only that it will be so at an earlier time, s since the start.
    Before(f64, Climate),
}

/// A studio without a sensor: an ordinary heated room (common practice, no source).
pub const UNKNOWN: Climate = Climate { temperature: 20.0, humidity: 0.50 };

/// Standard deviation of an unmeasured room's relative humidity about [`UNKNOWN`].
pub const UNKNOWN_HUMIDITY_SD: f64 = 0.12;

/// Departures from the daily pattern: their size and how long they last. From months of 10-minute
/// records of dwellings, humidity departs by some hundredths for about a day.
pub const HUMIDITY_SD: f64 = 0.05;
/// How long a departure lasts, s.
pub const DEPARTURE_LASTS: f64 = 18.0 * HOUR;

/// The room's humidity about what an air forecast says of it: a sensor's own ±3 %RH, and no
/// forecast knows a room better (common practice, no source).
pub const FORECAST_HUMIDITY_SD: f64 = 0.03;
/// Of the time between two rows of a forecast that lie further apart it says nothing: there is a
/// day or a night in it, s.
const FORECAST_GAP: f64 = 12.0 * HOUR;

/// A sensor's word is gathered into means of so many microseconds, each counted to the end of its
/// stretch of the clock: shorter than any step of a pot's time, so that no noise is let in, and the
/// same whether single readings are kept or their means ([`super::thinning`]).
const STRETCH_US: i64 = 300_000_000;

/// The number of the stretch that a time belongs to, its end included.
pub fn stretch(time: Time) -> i64 {
    (time.0 - 1).div_euclid(STRETCH_US)
}

/// What readings of one stretch count as: their mean, at the mean of their times to the
/// microsecond; that of a mean alone is itself, so that nothing tells them apart.
pub fn mean_of(group: &[Point]) -> Point {
    let (n, first) = (group.len() as f64, group[0].time.0);
    let later = group.iter().map(|p| (p.time.0 - first) as f64).sum::<f64>() / n;
    let value = group.iter().map(|p| p.value).sum::<f64>() / n;
    Point { time: Time(first + later as i64), value }
}

/// How many days back the daily pattern looks.
const PATTERN_DAYS: f64 = 7.0;

/// The air around one pot along time, as known at `now`: of the place where it stands, from when
/// it stands there.
#[derive(Clone, PartialEq, Debug)]
pub struct Room {
    start: Time,
    now: f64,
    places: Vec<Place>,
    /// The air forecast of the main room, in order of time.
    forecast: Vec<(f64, Climate)>,
}

#[derive(Clone, PartialEq, Debug)]
struct Place {
    from: f64,
    measured: Option<Measured>,
    /// Whether its air is the main room's.
    main: bool,
}

#[derive(Clone, PartialEq, Debug)]
struct Measured {
    temperature: Vec<(f64, f64)>,
    humidity: Vec<(f64, f64)>,
    pattern: [Climate; 24],
    /// Where the air is now, off the pattern.
    departure: (f64, f64),
    last: f64,
}

impl Room {
    /// From the sensors of the places where the pot stands, in order of time, each with the time
    /// from which it counts (s since `start`). Nothing later than `now` (s) is used.
    pub fn new(places: &[(f64, Option<&Air>)], start: Time, now: f64) -> Room {
        let place = |(from, air): &(f64, Option<&Air>)| Place {
            from: *from,
            measured: Measured::new(*air, start, now),
            main: true,
        };
        let places = places.iter().map(place).collect();
        Room { start, now, places, forecast: Vec::new() }
    }

    /// With the air forecast of the main room; `main` says of each place whether its air is that.
    pub fn with_forecast(mut self, air: &Air, main: &[bool]) -> Room {
        let rows = air.temperature.iter().zip(&air.humidity);
        let climate = |(t, h): (&Point, &Point)| Climate {
            temperature: t.value.clamp(TEMPERATURES.0, TEMPERATURES.1),
            humidity: h.value.clamp(HUMIDITIES.0, HUMIDITIES.1),
        };
        let row = |both: (&Point, &Point)| (both.0.time.since(self.start), climate(both));
        self.forecast = rows.map(row).collect();
        for (place, main) in self.places.iter_mut().zip(main) {
            place.main = *main;
        }
        self
    }

    fn place(&self, t: f64) -> Option<&Place> {
        self.places.iter().rev().find(|place| place.from <= t).or(self.places.first())
    }

    fn at(&self, t: f64) -> Option<&Measured> {
        self.place(t).and_then(|place| place.measured.as_ref())
    }

    /// What the forecast says of a time to come at a place: of that time, or of its own last
    /// before.
    fn said(&self, place: Option<&Place>, t: f64) -> Option<Said> {
        if t < self.now || !place.is_some_and(|place| place.main) {
            return None;
        }
        let next = self.forecast.partition_point(|(time, _)| *time <= t);
        let (from, a) = *self.forecast.get(next.checked_sub(1)?)?;
        Some(match self.forecast.get(next) {
            Some((to, b)) if to - from <= FORECAST_GAP => {
                Said::Then(a.towards(b, (t - from) / (to - from)))
            }
            // Of the time before now a sensor knows better.
            _ if from < self.now => return None,
            _ => Said::Before(from, a),
        })
    }

    /// The air that is expected at a place: the forecast's, else the pattern's, relaxing to it from
    /// where the forecast ended.
    fn expected(&self, place: Option<&Place>, t: f64) -> Climate {
        let measured = place.and_then(|place| place.measured.as_ref());
        let usual = |t| measured.map_or(UNKNOWN, |m| m.usual(self.start, t));
        match self.said(place, t) {
            Some(Said::Then(climate)) => climate,
            Some(Said::Before(end, climate)) => {
                let left = (-(t - end) / DEPARTURE_LASTS).exp();
                let then = usual(end);
                let off =
                    (climate.temperature - then.temperature, climate.humidity - then.humidity);
                usual(t).departed(left, off)
            }
            None => measured.map_or(UNKNOWN, |m| m.coming(self.start, t)),
        }
    }

    /// How far the humidity to come may depart from what is expected of it then, standard
    /// deviation in the long run.
    pub fn humidity_sd(&self, t: f64) -> f64 {
        match self.said(self.place(t), t) {
            Some(Said::Then(_)) => FORECAST_HUMIDITY_SD,
            _ => HUMIDITY_SD,
        }
    }

    /// Whether a sensor tells of the air where the pot stands now.
    pub fn is_measured(&self) -> bool {
        self.at(self.now).is_some()
    }

    /// Seconds since the start of that sensor's last word.
    pub fn last_reading(&self) -> Option<f64> {
        self.at(self.now).map(|m| m.last)
    }

    /// Mean air between two times, s since the start.
    pub fn between(&self, from: f64, to: f64) -> Climate {
        let place = self.place(from);
        match place.and_then(|place| place.measured.as_ref()) {
            Some(m) if from < m.last => Climate {
                temperature: mean(&m.temperature, from, to),
                humidity: mean(&m.humidity, from, to),
            },
            _ => self.expected(place, 0.5 * (from + to)),
        }
    }

    /// Mean relative humidity of the 24 hours before `t` (s since the start) where the pot stands
    /// then.
    pub fn daily_humidity(&self, t: f64) -> f64 {
        let place = self.place(t);
        let (mut from, mut s, mut sum) = (t - DAY, t - DAY, 0.0);
        match place.and_then(|place| place.measured.as_ref()) {
            Some(m) => {
                let first = m.humidity.first().map_or(t, |p| p.0);
                from = from.max(first.min(t - HOUR));
                let known = (t.min(m.last) - from).max(0.0);
                if known > 0.0 {
                    sum += known * mean(&m.humidity, from, t.min(m.last));
                }
                s = from.max(m.last);
            }
            None if self.forecast.is_empty() => return UNKNOWN.humidity,
            None => {}
        }
        while s < t {
            let step = HOUR.min(t - s);
            sum += step * self.expected(place, s + 0.5 * step).humidity;
            s += step;
        }
        sum / (t - from)
    }
}

impl Measured {
    /// A sensor's word up to `now`; `None` where it has none.
    fn new(sensor: Option<&Air>, start: Time, now: f64) -> Option<Measured> {
        let sensor = sensor?;
        let series = |points: &[Point], (low, high): (f64, f64)| {
            // A week before the start is enough for the pattern: of whole stretches.
            let week = stretch(start.plus(-PATTERN_DAYS * DAY));
            let from = points.partition_point(|p| stretch(p.time) <= week);
            let end = points.partition_point(|p| p.time.since(start) <= now).max(from);
            let groups = points[from..end].chunk_by(|a, b| stretch(a.time) == stretch(b.time));
            let mean = |group: &[Point]| {
                let Point { time, value } = mean_of(group);
                (time.since(start), value.clamp(low, high))
            };
            groups.map(mean).collect::<Vec<_>>()
        };
        let temperature = series(&sensor.temperature, TEMPERATURES);
        let humidity = series(&sensor.humidity, HUMIDITIES);
        let last = temperature.last()?.0.min(humidity.last()?.0);
        let pattern = [UNKNOWN; 24];
        let mut m = Measured { temperature, humidity, pattern, departure: (0.0, 0.0), last };
        m.learn(start);
        Some(m)
    }

    /// Learns the daily pattern, drawn towards the mean where a day has few hours on record.
    fn learn(&mut self, start: Time) {
        let hour = |t: f64| (start.plus(t).seconds() / HOUR).rem_euclid(24.0);
        let profile = |series: &[(f64, f64)], last: f64| {
            let recent: Vec<_> =
                series.iter().filter(|p| p.0 > last - PATTERN_DAYS * DAY).collect();
            let all = recent.iter().map(|p| p.1).sum::<f64>() / recent.len().max(1) as f64;
            let mut bins = [(0.0, 0.0); 24];
            for (t, v) in recent {
                let b = &mut bins[hour(*t) as usize % 24];
                b.0 += v;
                b.1 += 1.0;
            }
            let per_hour = series.len() as f64 / ((last - series[0].0) / HOUR).max(1.0);
            // As heavy as half a day of readings in that hour.
            let weight = 0.5 * per_hour.max(0.1);
            std::array::from_fn::<f64, 24, _>(|i| (bins[i].0 + weight * all) / (bins[i].1 + weight))
        };
        let t = profile(&self.temperature, self.last);
        let h = profile(&self.humidity, self.last);
        self.pattern = std::array::from_fn(|i| Climate { temperature: t[i], humidity: h[i] });
        let usual = self.usual(start, self.last);
        let from = self.last - HOUR;
        self.departure = (
            mean(&self.temperature, from, self.last) - usual.temperature,
            mean(&self.humidity, from, self.last) - usual.humidity,
        );
    }

    /// The daily pattern at `t`, between the middles of its hours.
    fn usual(&self, start: Time, t: f64) -> Climate {
        let hour = (start.plus(t).seconds() / HOUR - 0.5).rem_euclid(24.0);
        let (i, part) = (hour as usize % 24, hour.fract());
        let (a, b) = (self.pattern[i], self.pattern[(i + 1) % 24]);
        a.towards(&b, part)
    }

    /// The air to come: the pattern, and what is left of today's departure from it.
    fn coming(&self, start: Time, t: f64) -> Climate {
        let usual = self.usual(start, t);
        let left = (-(t - self.last).max(0.0) / DEPARTURE_LASTS).exp();
        usual.departed(left, self.departure)
    }
}

/// Mean of a series between two times; between its points where it has none there.
fn mean(series: &[(f64, f64)], from: f64, to: f64) -> f64 {
    let first = series.partition_point(|p| p.0 < from);
    let last = series.partition_point(|p| p.0 <= to);
    if last > first {
        return series[first..last].iter().map(|p| p.1).sum::<f64>() / (last - first) as f64;
    }
    let t = 0.5 * (from + to);
    match (first.checked_sub(1).and_then(|i| series.get(i)), series.get(first)) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * ((t - a.0) / (b.0 - a.0)).clamp(0.0, 1.0),
        (Some(p), None) | (None, Some(p)) => p.1,
        (None, None) => f64::NAN,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Midnight, so that hours of the tests are hours of the day.
    const START: Time = Time(1_932_854_400_000_000);

    fn series(from: i32, to: i32, value: impl Fn(f64) -> f64) -> Vec<Point> {
        let times = (6 * from..=6 * to).map(|k| f64::from(k) / 6.0);
        times.map(|t| Point { time: START.plus(t * HOUR), value: value(t) }).collect()
    }

    fn day(t: f64, mean: f64, swing: f64) -> f64 {
        mean + swing * (TAU * (t - 15.0) / 24.0).cos()
    }

    /// A sensor that speaks every ten minutes for a week before `now` (hours), of days that are all
    /// alike save for `off`.
    fn alike(now: i32, off: impl Fn(f64) -> f64) -> Air {
        Air {
            temperature: series(now - 168, now, |t| day(t, 20.0, 3.0)),
            humidity: series(now - 168, now, |t| day(t, 0.5, -0.08) + off(t)),
        }
    }

    fn hours(room: &Room, from: f64, to: f64) -> Climate {
        room.between(from * HOUR, to * HOUR)
    }

    #[test]
    fn the_past_is_as_it_was_measured() {
        let air = alike(48, |_| 0.0);
        let room = Room::new(&[(f64::NEG_INFINITY, Some(&air))], START, 48.0 * HOUR);
        assert!(room.is_measured());
        assert_eq!(room.last_reading(), Some(48.0 * HOUR));
        for t in [2.0, 15.0, 40.0] {
            let c = hours(&room, t, t + 0.5);
            assert!((c.temperature - day(t + 0.25, 20.0, 3.0)).abs() < 0.02, "{t}: {c:?}");
            assert!((c.humidity - day(t + 0.25, 0.5, -0.08)).abs() < 0.001, "{t}: {c:?}");
        }
        // Between two readings: a step shorter than the sensor's.
        let c = hours(&room, 30.05, 30.1);
        assert!((c.temperature - day(30.075, 20.0, 3.0)).abs() < 0.02, "{c:?}");
    }

    #[test]
    fn days_to_come_are_like_the_days_that_were() {
        let air = alike(48, |_| 0.0);
        let room = Room::new(&[(f64::NEG_INFINITY, Some(&air))], START, 48.0 * HOUR);
        for t in 49..200 {
            let t = f64::from(t);
            let c = hours(&room, t, t + 1.0);
            // Hours of the day are told apart, a little flattened.
            assert!((c.temperature - day(t + 0.5, 20.0, 3.0)).abs() < 0.35, "{t}: {c:?}");
            assert!((c.humidity - day(t + 0.5, 0.5, -0.08)).abs() < 0.01, "{t}: {c:?}");
        }
    }

    #[test]
    fn a_wet_day_fades_back_to_the_usual() {
        // The last six hours were damper than ever.
        let air = alike(48, |t| if t > 42.0 { 0.15 } else { 0.0 });
        let room = Room::new(&[(f64::NEG_INFINITY, Some(&air))], START, 48.0 * HOUR);
        let damper = |t: f64| hours(&room, t, t + 0.2).humidity - day(t + 0.1, 0.5, -0.08);
        let now = damper(48.0);
        assert!((0.10..0.16).contains(&now), "{now}");
        let lasting = damper(48.0 + DEPARTURE_LASTS / HOUR) / now;
        assert!((lasting - (-1.0_f64).exp()).abs() < 0.12, "{lasting}");
        assert!(damper(48.0 + 5.0 * 24.0).abs() < 0.02);
    }

    #[test]
    fn nothing_later_than_now_is_known() {
        let air = alike(48, |_| 0.0);
        let mut early = air.clone();
        early.temperature.retain(|p| p.time <= START.plus(24.0 * HOUR));
        early.humidity.retain(|p| p.time <= START.plus(24.0 * HOUR));
        let place = f64::NEG_INFINITY;
        let whole = Room::new(&[(place, Some(&air))], START, 24.0 * HOUR);
        let known = Room::new(&[(place, Some(&early))], START, 24.0 * HOUR);
        assert_eq!(whole.last_reading(), Some(24.0 * HOUR));
        assert!(early.humidity.len() < air.humidity.len());
        for t in [10.0, 23.0, 25.0, 47.0, 90.0] {
            assert_eq!(hours(&whole, t, t + 1.0), hours(&known, t, t + 1.0));
            assert_eq!(whole.daily_humidity(t * HOUR), known.daily_humidity(t * HOUR));
        }
    }

    #[test]
    fn a_room_without_a_sensor_is_an_ordinary_one() {
        let silent = Air::default();
        let half = Air { temperature: series(0, 3, |_| 25.0), humidity: Vec::new() };
        for sensor in [None, Some(&silent), Some(&half)] {
            let room = Room::new(&[(f64::NEG_INFINITY, sensor)], START, 5.0 * HOUR);
            assert!(!room.is_measured());
            assert_eq!(room.last_reading(), None);
            assert_eq!(hours(&room, 1.0, 2.0), UNKNOWN);
            assert_eq!(hours(&room, 100.0, 101.0), UNKNOWN);
            assert_eq!(room.daily_humidity(HOUR), UNKNOWN.humidity);
        }
    }

    #[test]
    fn a_pot_that_moves_is_in_the_air_of_its_new_place() {
        let air = |celsius: f64, humidity: f64| Air {
            temperature: series(0, 24, |_| celsius),
            humidity: series(0, 24, |_| humidity),
        };
        let (loft, cellar) = (air(26.0, 0.40), air(14.0, 0.80));
        let places =
            [(f64::NEG_INFINITY, Some(&loft)), (10.0 * HOUR, Some(&cellar)), (20.0 * HOUR, None)];
        let room = Room::new(&places, START, 15.0 * HOUR);
        assert_eq!(hours(&room, 5.0, 6.0).temperature, 26.0);
        assert_eq!(hours(&room, 12.0, 13.0).temperature, 14.0);
        assert!((hours(&room, 18.0, 19.0).humidity - 0.80).abs() < 0.01);
        // Planned: to a place that nobody measures.
        assert_eq!(hours(&room, 22.0, 23.0), UNKNOWN);
        assert!(room.is_measured());
    }

    #[test]
    fn the_mean_of_a_day_reaches_from_what_was_to_what_comes() {
        let air = alike(48, |_| 0.0);
        let room = Room::new(&[(f64::NEG_INFINITY, Some(&air))], START, 48.0 * HOUR);
        for t in [24.0, 48.0, 60.0, 100.0] {
            assert!((room.daily_humidity(t * HOUR) - 0.5).abs() < 0.005, "{t}");
        }
        // A sensor that has spoken for three hours only: their mean, no more.
        let young = Air {
            temperature: series(45, 48, |_| 20.0),
            humidity: series(45, 48, |t| if t < 46.5 { 0.4 } else { 0.6 }),
        };
        let room = Room::new(&[(f64::NEG_INFINITY, Some(&young))], START, 48.0 * HOUR);
        assert!((room.daily_humidity(48.0 * HOUR) - 0.5).abs() < 0.02);
    }

    /// Rows of a forecast: hours, °C, humidity.
    fn told(rows: &[(f64, f64, f64)]) -> Air {
        let series = |value: fn(&(f64, f64, f64)) -> f64| {
            let point =
                |row: &(f64, f64, f64)| Point { time: START.plus(row.0 * HOUR), value: value(row) };
            rows.iter().map(point).collect()
        };
        Air { temperature: series(|row| row.1), humidity: series(|row| row.2) }
    }

    /// Humid and cold from the 50th to the 74th hour.
    const COLD_DAY: [(f64, f64, f64); 4] =
        [(50.0, 16.0, 0.80), (58.0, 14.0, 0.90), (66.0, 14.0, 0.90), (74.0, 15.0, 0.85)];

    #[test]
    fn a_forecast_is_taken_at_its_word_and_fades_after_its_end() {
        let air = alike(48, |_| 0.0);
        let plain = Room::new(&[(f64::NEG_INFINITY, Some(&air))], START, 48.0 * HOUR);
        let room = plain.clone().with_forecast(&told(&COLD_DAY), &[true]);
        // What was, and what comes before its first row, it leaves alone.
        for t in [10.0, 40.0, 48.0, 49.5] {
            assert_eq!(hours(&room, t, t + 0.2), hours(&plain, t, t + 0.2));
            assert_eq!(room.humidity_sd(t * HOUR), HUMIDITY_SD);
        }
        let at = |room: &Room, t: f64| hours(room, t, t);
        assert_eq!(at(&room, 50.0), Climate { temperature: 16.0, humidity: 0.80 });
        assert!((at(&room, 54.0).humidity - 0.85).abs() < 1e-12);
        assert!((at(&room, 54.0).temperature - 15.0).abs() < 1e-12);
        assert_eq!(room.humidity_sd(54.0 * HOUR), FORECAST_HUMIDITY_SD);
        // After its end it relaxes, from where it was, to the days as they are.
        let damper = |t: f64| at(&room, t).humidity - at(&plain, t).humidity;
        assert_eq!(room.humidity_sd(75.0 * HOUR), HUMIDITY_SD);
        let lasting = damper(74.01 + DEPARTURE_LASTS / HOUR) / damper(74.01);
        assert!(damper(74.01) > 0.2 && (lasting - (-1.0_f64).exp()).abs() < 0.01, "{lasting}");
        assert!(damper(74.0 + 120.0).abs() < 0.002);
        // The mean of a day has the hours of the forecast in it.
        let mean = |room: &Room| room.daily_humidity(74.0 * HOUR);
        assert!((mean(&plain) - 0.5).abs() < 0.005);
        assert!((mean(&room) - (0.85 * 8.0 + 0.90 * 8.0 + 0.875 * 8.0) / 24.0).abs() < 0.002);
    }

    #[test]
    fn a_forecast_with_a_hole_says_nothing_of_the_hole() {
        let air = alike(48, |_| 0.0);
        let plain = Room::new(&[(f64::NEG_INFINITY, Some(&air))], START, 48.0 * HOUR);
        let rows = [(40.0, 10.0, 0.9), (56.0, 18.0, 0.7), (68.0, 18.0, 0.7), (81.0, 18.0, 0.7)];
        let room = plain.clone().with_forecast(&told(&rows), &[true]);
        for (t, said) in [(52.0, false), (56.0, true), (67.9, true), (70.0, false)] {
            assert_eq!(room.humidity_sd(t * HOUR) == FORECAST_HUMIDITY_SD, said, "{t}");
        }
        // A row of the past is older than the sensor's last word.
        assert_eq!(hours(&room, 52.0, 52.2), hours(&plain, 52.0, 52.2));
    }

    #[test]
    fn a_forecast_is_the_main_rooms() {
        let cellar = Air { temperature: series(0, 24, |_| 14.0), humidity: series(0, 24, |_| 0.8) };
        let places = [(f64::NEG_INFINITY, None), (40.0 * HOUR, Some(&cellar))];
        let room = Room::new(&places, START, 24.0 * HOUR);
        let rows = [(24.0, 18.0, 0.6), (32.0, 18.0, 0.6), (44.0, 18.0, 0.6)];
        let room = room.with_forecast(&told(&rows), &[true, false]);
        // Without a sensor too: the forecast, then what an ordinary room is.
        assert_eq!(hours(&room, 22.0, 22.0), UNKNOWN);
        assert_eq!(hours(&room, 30.0, 30.0), Climate { temperature: 18.0, humidity: 0.6 });
        assert!((room.daily_humidity(36.0 * HOUR) - 0.55).abs() < 1e-9);
        assert!((hours(&room, 42.0, 42.0).temperature - 14.0).abs() < 1e-9);
        assert_eq!(room.humidity_sd(42.0 * HOUR), HUMIDITY_SD);
    }

    #[test]
    fn readings_beyond_any_room_are_held_within_bounds() {
        let odd = Air { temperature: series(0, 5, |_| 120.0), humidity: series(0, 5, |_| 1.1) };
        let room = Room::new(&[(f64::NEG_INFINITY, Some(&odd))], START, 5.0 * HOUR);
        for t in [1.0, 4.0, 50.0] {
            let c = hours(&room, t, t + 1.0);
            assert!(c.temperature <= 80.0 && c.humidity < 1.0 && c.deficit() > 0.0, "{c:?}");
        }
    }
}
