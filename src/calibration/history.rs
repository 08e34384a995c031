//! All calibrations of one source: raw counts of any time to grams.
//!
//! Each count is turned into grams by the calibration of its own time, less the drift of the zero
//! with the temperature since that calibration, where a drift and both temperatures are known.

use super::curve::{Curve, CurveError};
use super::{Load, ZeroDrift};
use crate::records::{Name, Point};
use crate::units::{HOUR, Time};
use std::collections::BTreeMap;

/// A temperature counts for so long; after that nothing is known of it, s.
pub const TEMPERATURE_HOLDS_S: f64 = 3.0 * HOUR;

/// One calibration: its loads, and the curve that follows from them.
#[derive(Clone, PartialEq, Debug)]
pub struct Calibration {
    /// From when on it counts.
    pub from: Time,
    /// In order of time.
    pub loads: Vec<Load>,
    /// Raw counts to grams; or why there is none (then its time has no grams).
    pub curve: Result<Curve, CurveError>,
    /// Mean temperature of its loads, where it was measured, °C.
    pub celsius: Option<f64>,
}

impl Calibration {
    /// From its loads: all of one source and `from`.
    pub fn new(from: Time, mut loads: Vec<Load>) -> Calibration {
        loads.sort_by_key(|load| load.at);
        let points: Vec<(f64, f64)> = loads.iter().map(|load| (load.raw, load.mass_g)).collect();
        let limits = loads.iter().filter_map(|load| load.limit_g);
        let curve = Curve::demanded(&points, limits.fold(0.0, f64::max));
        let known: Vec<f64> = loads.iter().filter_map(|load| load.celsius).collect();
        let mean = known.iter().sum::<f64>() / known.len() as f64;
        let celsius = (!known.is_empty()).then_some(mean);
        Calibration { from, loads, curve, celsius }
    }

    /// The load that lies furthest from the curve, and by how much (known less shown, g).
    pub fn furthest(&self) -> Option<(&Load, f64)> {
        let curve = self.curve.as_ref().ok()?;
        let off = self.loads.iter().zip(curve.residuals().iter().copied());
        off.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
    }

    /// What the empty cell shows after the loads, less what it showed before, g.
    pub fn zero_return(&self) -> Option<f64> {
        let curve = self.curve.as_ref().ok()?;
        let mut empty = self.loads.iter().filter(|load| load.mass_g == 0.0);
        let (first, last) = (empty.next()?, empty.next_back()?);
        Some(curve.value(last.raw) - curve.value(first.raw))
    }

    /// The heaviest known mass, g.
    pub fn heaviest(&self) -> f64 {
        self.loads.iter().map(|load| load.mass_g).fold(0.0, f64::max)
    }

    /// Whether the loads lie so far off that one of them must be another mass than was said, or
    /// the cell is not sound: by more than 2 % of the heaviest; a cell that is sold for a few coins
    /// is bent by less than 0.1 % (common practice, no source).
    pub fn is_absurd(&self) -> bool {
        self.furthest().is_some_and(|(_, off)| off.abs() > 0.02 * self.heaviest())
    }
}

/// The calibrations and zero drifts of one source, each in order of time.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct History {
    calibrations: Vec<Calibration>,
    drifts: Vec<ZeroDrift>,
}

impl History {
    /// From all loads and zero drifts that are known, of one source, in any order.
    pub fn new<'a>(
        source: &str,
        loads: impl IntoIterator<Item = &'a Load>,
        drifts: impl IntoIterator<Item = &'a ZeroDrift>,
    ) -> History {
        let mut loads: Vec<Load> =
            loads.into_iter().filter(|load| load.source == source).cloned().collect();
        loads.sort_by_key(|load| load.from);
        let each = loads.chunk_by(|a, b| a.from == b.from);
        let calibrations = each.map(|loads| Calibration::new(loads[0].from, loads.to_vec()));
        let calibrations = calibrations.collect();
        let mut drifts: Vec<ZeroDrift> =
            drifts.into_iter().filter(|drift| drift.source == source).cloned().collect();
        drifts.sort_by_key(|drift| drift.from);
        History { calibrations, drifts }
    }

    /// All calibrations, in order of time.
    pub fn calibrations(&self) -> &[Calibration] {
        &self.calibrations
    }

    /// The calibration that counts at a time.
    pub fn calibration(&self, at: Time) -> Option<&Calibration> {
        let later = self.calibrations.partition_point(|c| c.from <= at);
        later.checked_sub(1).map(|last| &self.calibrations[last])
    }

    /// All zero drifts, in order of time.
    pub fn drifts(&self) -> &[ZeroDrift] {
        &self.drifts
    }

    /// The zero drift that counts at a time.
    pub fn drift(&self, at: Time) -> Option<&ZeroDrift> {
        let later = self.drifts.partition_point(|drift| drift.from <= at);
        later.checked_sub(1).map(|last| &self.drifts[last])
    }

    /// The sources whose temperatures [`History::grams`] will ask for.
    pub fn thermometers(&self) -> impl Iterator<Item = &str> {
        self.drifts.iter().map(|drift| drift.thermometer.as_str())
    }

    /// Grams of the raw counts (in order of time); those of a time without a calibration are left
    /// out. `temperatures` hands out what a thermometer said, °C, in order of time.
    pub fn grams<'a>(
        &self,
        counts: &[Point],
        temperatures: impl Fn(&str) -> &'a [Point],
    ) -> Vec<Point> {
        let weigh = |count: &Point| {
            let calibration = self.calibration(count.time)?;
            let curve = calibration.curve.as_ref().ok()?;
            let moved =
                self.drift(count.time).zip(calibration.celsius).and_then(|(drift, then)| {
                    let now = held(temperatures(&drift.thermometer), count.time)?;
                    Some(drift.per_degree * (now - then))
                });
            let grams = curve.value(count.value - moved.unwrap_or(0.0));
            grams.is_finite().then_some(Point { time: count.time, value: grams })
        };
        counts.iter().filter_map(weigh).collect()
    }
}

/// All calibrated cells as they stand at one moment.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Cells {
    /// When.
    pub at: Time,
    /// By source.
    pub histories: BTreeMap<Name, History>,
    /// The last temperature of each thermometer, where it is known.
    pub temperatures: BTreeMap<Name, Point>,
}

impl Cells {
    /// Grams of a raw count at that moment; `None` without a calibration.
    pub fn grams(&self, source: &str, raw: f64) -> Option<f64> {
        let count = Point { time: self.at, value: raw };
        let last = |name: &str| self.temperatures.get(name).map_or(&[][..], std::slice::from_ref);
        let grams = self.histories.get(source)?.grams(&[count], last);
        grams.first().map(|point| point.value)
    }
}

/// The last value at or before `at`, while it holds.
pub fn held(points: &[Point], at: Time) -> Option<f64> {
    let later = points.partition_point(|p| p.time <= at);
    let last = points[..later].last()?;
    (at.since(last.time) <= TEMPERATURE_HOLDS_S).then_some(last.value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn load(from: i64, at: i64, mass_g: f64, raw: f64) -> Load {
        Load {
            source: "cell".into(),
            from: Time(from),
            at: Time(at),
            mass_g,
            limit_g: None,
            raw,
            spread: None,
            samples: None,
            celsius: Some(20.0),
        }
    }

    /// Two calibrations: 400 counts per gram, and later 500 with another zero.
    fn two() -> Vec<Load> {
        let one = [0.0, 500.0, 1000.0].map(|m| load(10, m as i64, m, 8000.0 + 400.0 * m));
        let two = [0.0, 500.0, 1000.0].map(|m| load(100, m as i64, m, 9000.0 + 500.0 * m));
        [one, two].concat()
    }

    fn count(time: i64, value: f64) -> Point {
        Point { time: Time(time), value }
    }

    fn rounded(points: &[Point]) -> Vec<(i64, f64)> {
        points.iter().map(|p| (p.time.0, (p.value * 1e6).round() / 1e6)).collect()
    }

    #[test]
    fn each_count_goes_by_the_calibration_of_its_time() {
        let history = History::new("cell", &two(), &[]);
        let counts = [count(9, 88_000.0), count(10, 88_000.0), count(99, 88_000.0)];
        assert_eq!(rounded(&history.grams(&counts, |_| &[])), [(10, 200.0), (99, 200.0)]);
        let later = [count(100, 109_000.0), count(1_000_000, 9000.0)];
        assert_eq!(rounded(&history.grams(&later, |_| &[])), [(100, 200.0), (1_000_000, 0.0)]);
        assert_eq!(History::new("other", &two(), &[]).grams(&later, |_| &[]), []);
    }

    #[test]
    fn a_calibration_that_gives_no_curve_gives_no_grams() {
        let mut loads = two();
        loads.truncate(5);
        let history = History::new("cell", &loads, &[]);
        assert_eq!(history.calibrations()[1].curve, Err(CurveError::TooFew(2)));
        let counts = [count(99, 88_000.0), count(100, 88_000.0)];
        assert_eq!(rounded(&history.grams(&counts, |_| &[])), [(99, 200.0)]);
    }

    #[test]
    fn the_zero_follows_the_temperature_since_the_calibration() {
        let drift = |from, per_degree| ZeroDrift {
            source: "cell".into(),
            from: Time(from),
            per_degree,
            per_degree_u: None,
            thermometer: "room".into(),
        };
        let hour = 3_600_000_000;
        let air = [count(0, 20.0), count(2 * hour, 25.0)];
        let counts = [hour, 2 * hour, 3 * hour, 6 * hour].map(|t| count(t, 88_000.0));
        let loads = &two()[..3];
        let history = History::new("cell", loads, &[drift(hour / 2, -80.0)]);
        assert_eq!(history.thermometers().collect::<Vec<_>>(), ["room"]);
        let room = |name: &str| if name == "room" { &air[..] } else { &[] };
        // 5 °C warmer the zero lies 400 counts lower, 1 g; four hours later nothing is known.
        let grams = rounded(&history.grams(&counts, room));
        let want = [(hour, 200.0), (2 * hour, 201.0), (3 * hour, 201.0), (6 * hour, 200.0)];
        assert_eq!(grams, want);
        // Not before its own time.
        let late = History::new("cell", loads, &[drift(3 * hour, -80.0)]);
        assert_eq!(rounded(&late.grams(&counts, room))[1], (2 * hour, 200.0));
    }
}
