//! The room's air along a line of time: as it was measured, and as it may come.
//!
//! The coming air follows the studio's own daily pattern (the mean of each hour of the day over
//! the last week), starts from where the air is now and relaxes to the pattern, and is less and
//! less sure. "Like the last 24 hours" is no better and has no doubt in it.

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

/// How many days back the daily pattern looks.
const PATTERN_DAYS: f64 = 7.0;

/// The air around one pot along time, as known at `now`: of the place where it stands, from when
/// it stands there.
#[derive(Clone, Debug)]
pub struct Room {
    start: Time,
    now: f64,
    places: Vec<(f64, Option<Measured>)>,
}

#[derive(Clone, Debug)]
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
        let places = places.iter().map(|(from, air)| (*from, Measured::new(*air, start, now)));
        Room { start, now, places: places.collect() }
    }

    fn at(&self, t: f64) -> Option<&Measured> {
        let place = self.places.iter().rev().find(|(from, _)| *from <= t).or(self.places.first());
        place.and_then(|(_, m)| m.as_ref())
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
        let Some(m) = self.at(from) else { return UNKNOWN };
        if from >= m.last {
            return m.coming(self.start, 0.5 * (from + to));
        }
        Climate {
            temperature: mean(&m.temperature, from, to),
            humidity: mean(&m.humidity, from, to),
        }
    }

    /// Mean relative humidity of the 24 hours before `t` (s since the start) where the pot stands
    /// then.
    pub fn daily_humidity(&self, t: f64) -> f64 {
        let Some(m) = self.at(t) else { return UNKNOWN.humidity };
        let first = m.humidity.first().map_or(t, |p| p.0);
        let from = (t - DAY).max(first.min(t - HOUR));
        let known = (t.min(m.last) - from).max(0.0);
        let mut sum = 0.0;
        if known > 0.0 {
            sum += known * mean(&m.humidity, from, t.min(m.last));
        }
        let mut s = from.max(m.last);
        while s < t {
            let step = HOUR.min(t - s);
            sum += step * m.coming(self.start, s + 0.5 * step).humidity;
            s += step;
        }
        sum / (t - from)
    }
}

impl Measured {
    /// A sensor's word up to `now`; `None` where it has none.
    fn new(sensor: Option<&Air>, start: Time, now: f64) -> Option<Measured> {
        let sensor = sensor?;
        let series = |points: &[Point], low: f64, high: f64| {
            // A week before the start is enough for the pattern.
            let known = points.iter().map(|p| (p.time.since(start), p.value.clamp(low, high)));
            known.filter(|(t, _)| *t <= now && *t > -PATTERN_DAYS * DAY).collect::<Vec<_>>()
        };
        let temperature = series(&sensor.temperature, -40.0, 80.0);
        let humidity = series(&sensor.humidity, 0.02, 0.995);
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
        Climate {
            temperature: a.temperature + part * (b.temperature - a.temperature),
            humidity: a.humidity + part * (b.humidity - a.humidity),
        }
    }

    /// The air to come: the pattern, and what is left of today's departure from it.
    fn coming(&self, start: Time, t: f64) -> Climate {
        let usual = self.usual(start, t);
        let left = (-(t - self.last).max(0.0) / DEPARTURE_LASTS).exp();
        Climate {
            temperature: usual.temperature + left * self.departure.0,
            humidity: (usual.humidity + left * self.departure.1).clamp(0.05, 0.99),
        }
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
