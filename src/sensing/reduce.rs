//! A fast source becomes one robust reading per 10 s of its own time; a slow one stays as it is.
//!
//! One [`Reducer`] serves one quantity of one source. Nothing is lost: the counts of what comes
//! out (a reading as it stands counts one) add up to what went in, whatever the order of times
//! and however often a source changes its pace.
//!
//! The value is the median, the spread the median absolute deviation scaled to the standard
//! deviation of a normal distribution: a hand that lifts a pot for two seconds moves neither.

use crate::units::Time;

/// Width of a bin, µs; bins are aligned to multiples of it.
const BIN_US: i64 = 10_000_000;
/// A source is fast while its last gap and the mean of its last gaps lie below this, µs. A little
/// below 10 s, so that one which sends every 10 s and trembles is not taken for a faster one.
const FAST_BELOW_US: i64 = 9_500_000;
/// Gaps that the pace is judged by.
const GAPS: usize = 3;
/// Samples of one bin; a source whose clock stands still would fill it without end.
const MAX_BIN: usize = 2048;
/// Readings with the same time are told apart by moving the later one on within this, µs.
const SAME_US: i64 = 1000;

/// 1/Φ⁻¹(3/4): the MAD of a normal distribution times this is its standard deviation
/// (Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88:1273, eq. 1.4; computed to double precision).
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// What is to be stored.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Reduced {
    /// Of a reduced reading: the time of its last sample.
    pub time: Time,
    /// As it stands, or the median.
    pub value: f64,
    /// How many samples it stands for, and their scaled MAD; `None` for a reading as it stands.
    pub of: Option<(u32, f64)>,
}

impl Reduced {
    /// How many samples it stands for.
    pub fn count(&self) -> u64 {
        self.of.map_or(1, |(count, _)| u64::from(count))
    }
}

/// Readings that one sample sets free: at most the bin it closed, and itself.
pub type Freed = [Option<Reduced>; 2];

/// Reduces one quantity of one source.
#[derive(Debug, Default)]
pub struct Reducer {
    /// Time of the sample before, and the gaps before that (newest first, absolute), µs.
    last: Option<i64>,
    gaps: [Option<i64>; GAPS],
    /// Number of the open bin, its samples and the latest time among them, µs.
    bin: i64,
    samples: Vec<f64>,
    latest: i64,
    /// Time of the reading given out last, µs.
    given: Option<i64>,
}

impl Reducer {
    /// Takes a sample (finite value) of the source's own time, in any order.
    pub fn push(&mut self, time: Time, value: f64) -> Freed {
        let t = time.0;
        let fast = self.is_fast(t);
        let bin = t.div_euclid(BIN_US);
        let full = self.samples.len() >= MAX_BIN;
        let closed = if !fast || bin != self.bin || full { self.flush() } else { None };
        if !fast {
            let time = self.distinct(t, SAME_US);
            return [closed, Some(Reduced { time, value, of: None })];
        }
        self.latest = if self.samples.is_empty() { t } else { self.latest.max(t) };
        self.bin = bin;
        self.samples.push(value);
        [closed, None]
    }

    /// Whether samples wait for their bin to close.
    pub fn is_open(&self) -> bool {
        !self.samples.is_empty()
    }

    /// Closes the open bin: because the source fell silent, its port was lost, or the end has come.
    pub fn flush(&mut self) -> Option<Reduced> {
        let count = u32::try_from(self.samples.len()).ok().filter(|n| *n > 0)?;
        let value = median(&mut self.samples);
        let of = (count > 1).then(|| (count, spread_about(value, &mut self.samples)));
        self.samples.clear();
        Some(Reduced { time: self.distinct(self.latest, BIN_US), value, of })
    }

    /// All times so far were wrong by so much, µs: what is open or given out moves along.
    pub fn moved(&mut self, by: i64) {
        let moved = |t: i64| Time(t).moved(by).0;
        self.last = self.last.map(moved);
        self.given = self.given.map(moved);
        self.latest = moved(self.latest);
        self.bin = self.latest.div_euclid(BIN_US);
    }

    /// Whether the sample at `t` follows others fast; takes note of the gap before it.
    fn is_fast(&mut self, t: i64) -> bool {
        let Some(last) = self.last.replace(t) else { return false };
        let gap = t.abs_diff(last) as i64;
        self.gaps.rotate_right(1);
        self.gaps[0] = Some(gap);
        let known = self.gaps.iter().flatten();
        let mean = known.clone().sum::<i64>() / known.count() as i64;
        gap.max(mean) < FAST_BELOW_US
    }

    /// The time `t`, or just after the reading given out last if that was at `t` or up to
    /// `within` later in the same bin: two readings of a source never share their time.
    fn distinct(&mut self, t: i64, within: i64) -> Time {
        let clash = self.given.filter(|g| {
            (0..within).contains(&(g - t)) && g.div_euclid(BIN_US) == t.div_euclid(BIN_US)
        });
        let t = clash.map_or(t, |given| given + 1);
        self.given = Some(t);
        Time(t)
    }
}

/// Median of the values (finite, at least one), which it reorders.
pub fn median(values: &mut [f64]) -> f64 {
    let half = values.len() / 2;
    let even = values.len().is_multiple_of(2);
    let (below, &mut upper, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    match below.iter().copied().max_by(f64::total_cmp) {
        // Halved first: the sum of two large values could overflow.
        Some(lower) if even => lower / 2.0 + upper / 2.0,
        _ => upper,
    }
}

/// Scaled MAD of the values about `centre`; the values become their distances.
pub fn spread_about(centre: f64, values: &mut [f64]) -> f64 {
    values.iter_mut().for_each(|v| *v = (*v - centre).abs());
    MAD_TO_SIGMA * median(values)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn run(samples: &[(f64, f64)]) -> Vec<Reduced> {
        let mut reducer = Reducer::default();
        let mut out: Vec<Reduced> = samples
            .iter()
            .flat_map(|(s, v)| reducer.push(Time::from_seconds(*s), *v).into_iter().flatten())
            .collect();
        out.extend(reducer.flush());
        assert!(!reducer.is_open());
        out
    }

    fn every(step: f64, n: usize) -> Vec<(f64, f64)> {
        (0..n).map(|i| (1e9 + step * i as f64, i as f64)).collect()
    }

    #[test]
    fn median_and_spread() {
        assert_eq!(median(&mut [3.0]), 3.0);
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), 2.5);
        assert_eq!(median(&mut [f64::MAX, f64::MAX]), f64::MAX);
        // Rousseeuw & Croux 1993: 1.4826 to the digits printed there.
        assert!((MAD_TO_SIGMA - 1.4826).abs() < 5e-6);
        // Distances from the median 2 are 1, 1, 0, 0, 2, 4, 7: their median is 1.
        let mut v = [1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0];
        let m = median(&mut v);
        assert_eq!((m, spread_about(m, &mut v)), (2.0, MAD_TO_SIGMA));
    }

    #[test]
    fn slow_sources_stay_as_they_are_and_at_once() {
        for step in [10.0, 12.0, 60.0, 3600.0] {
            let mut reducer = Reducer::default();
            for (s, v) in every(step, 50) {
                let time = Time::from_seconds(s);
                let freed = reducer.push(time, v);
                assert_eq!(freed, [None, Some(Reduced { time, value: v, of: None })], "{step}");
            }
        }
        // Every 10 s, arriving up to 0.4 s early or late.
        let trembling: Vec<_> =
            every(10.0, 50).iter().map(|(s, v)| (s + 0.4 * (*v * 2.4).sin(), *v)).collect();
        assert!(run(&trembling).iter().all(|r| r.of.is_none()));
    }

    #[test]
    fn a_fast_source_becomes_one_reading_per_aligned_bin() {
        let out = run(&every(0.1, 6000));
        assert_eq!(out[0].of, None); // nobody knows its pace yet
        assert_eq!(out[1].of.map(|o| o.0), Some(99));
        assert!(out[2..].iter().all(|r| r.of.map(|o| o.0) == Some(100)));
        assert_eq!(out.len(), 61);
        assert_eq!(out[2].value, 149.5);
        assert_eq!(out[2].time, Time::from_seconds(1e9 + 19.9));
        // |i − 149.5| for i = 100…199 is 0.5, 0.5, 1.5, … 49.5: median 25.
        assert_eq!(out[2].of.map(|o| o.1), Some(25.0 * MAD_TO_SIGMA));
    }

    #[test]
    fn nine_seconds_are_fast() {
        let out = run(&every(9.0, 100));
        assert!(out.len() <= 91 && out.iter().any(|r| r.of.is_some_and(|o| o.0 == 2)));
    }

    #[test]
    fn two_lifted_seconds_move_neither_value_nor_spread() {
        let lifted = |s: f64| (13.0..15.0).contains(&s);
        let noise = |i: usize| ((i * 7919) % 100) as f64 / 1000.0;
        let samples: Vec<_> = (0..300)
            .map(|i| (i as f64 / 10.0, i))
            .map(|(s, i)| (1e9 + s, if lifted(s) { -300.0 } else { 812.0 + noise(i) }))
            .collect();
        let bin = run(&samples)[2];
        assert!((812.0..812.1).contains(&bin.value), "{bin:?}");
        assert!(bin.of.unwrap().1 < 0.1);
    }

    #[test]
    fn a_source_that_changes_its_pace() {
        let mut samples = every(60.0, 5);
        samples.extend((0..50).map(|i| (1e9 + 240.1 + 0.1 * i as f64, 7.0)));
        samples.extend((1..5).map(|i| (1e9 + 300.0 * i as f64, 8.0)));
        let out = run(&samples);
        assert_eq!(out.iter().map(Reduced::count).sum::<u64>(), samples.len() as u64);
        assert!(out.iter().any(|r| r.count() > 40));
        // Slow again: as it stands and at once, from the first one on.
        assert_eq!(out.iter().filter(|r| r.value == 8.0 && r.of.is_none()).count(), 4);
    }

    #[test]
    fn a_clock_that_stands_still_gives_distinct_times_and_bounded_bins() {
        let out = run(&vec![(1e9, 5.0); 10_000]);
        let times: std::collections::BTreeSet<_> = out.iter().map(|r| r.time.0).collect();
        assert_eq!(times.len(), out.len());
        assert!(out.len() >= 5 && out.len() < 10, "{}", out.len());
        assert_eq!(out.iter().map(Reduced::count).sum::<u64>(), 10_000);
    }

    #[test]
    fn two_slow_values_at_one_time_are_both_kept() {
        let out = run(&[(1e9, 1.0), (1e9 + 60.0, 2.0), (1e9 + 120.0, 3.0), (1e9 + 120.0, 4.0)]);
        assert_eq!(out.len(), 4);
        assert_eq!(out[3].time.0 - out[2].time.0, 1);
    }

    proptest! {
        #[test]
        fn nothing_is_lost_and_nothing_is_made_up(
            steps in proptest::collection::vec(
                prop_oneof![
                    5 => 0i64..2_000_000, 2 => 8_000_000i64..90_000_000, 1 => Just(0i64),
                    1 => -90_000_000i64..0, 1 => -1_000_000i64..0,
                ], 1..400),
            cut in any::<prop::sample::Index>(),
        ) {
            let mut t = 1_000_000_000_000_000i64;
            let samples: Vec<(Time, f64)> = steps.iter().enumerate().map(|(i, step)| {
                t += step;
                (Time(t), (i % 17) as f64)
            }).collect();
            let mut reducer = Reducer::default();
            let (mut out, mut freed) = (Vec::new(), 0u64);
            for (i, (time, value)) in samples.iter().enumerate() {
                out.extend(reducer.push(*time, *value).into_iter().flatten());
                // A port lost at any moment.
                if i == cut.index(samples.len()) {
                    out.extend(reducer.flush());
                }
                freed = out.iter().map(Reduced::count).sum();
                prop_assert_eq!(freed + reducer.samples.len() as u64, i as u64 + 1);
            }
            out.extend(reducer.flush());
            prop_assert!(freed <= samples.len() as u64);
            prop_assert_eq!(out.iter().map(Reduced::count).sum::<u64>(), samples.len() as u64);
            for r in &out {
                prop_assert!((0.0..17.0).contains(&r.value));
                prop_assert!(r.of.is_none_or(|(n, spread)| n > 1 && (0.0..30.0).contains(&spread)));
                let near = |s: &&(Time, f64)| (r.time.0 - s.0.0).abs() <= BIN_US;
                prop_assert!(samples.iter().filter(near).count() as u64 >= r.count());
            }
        }
    }
}
