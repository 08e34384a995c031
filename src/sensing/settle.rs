//! The next weight at which a bench scale comes to rest.
//!
//! At rest: over at least a second and three samples, the scaled MAD and the step between the
//! first and the second half stay small, and no single sample is far off, as it would be while a
//! pot is lowered, lifted or touched. An empty scale is at rest too and is waited out.
//! A scale that prints one line at the press of its key says by itself that it is at rest.
//! The limits are common practice with kitchen and bench scales, no source.

use super::reduce::{median, spread_about};
use std::collections::VecDeque;

/// Shortest time at rest, s.
const REST_S: f64 = 1.0;
/// Fewest samples at rest.
const REST_SAMPLES: usize = 3;
/// Most samples that are looked at (a fast source's last ones).
const MAX_SAMPLES: usize = 512;
/// Spread and drift at rest, whichever is more: g, and parts of the weight.
const REST_G: f64 = 1.5;
const REST_PART: f64 = 0.002;
/// How many times as far as that a single sample may lie from the median.
const FAR: f64 = 4.0;
/// Below this nothing stands on the scale, g.
pub(super) const EMPTY_G: f64 = 5.0;
/// A sample followed by so much silence was printed at the press of a key, s.
const KEY_S: f64 = 3.0;

/// A weight at rest.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Settled {
    /// Median, g.
    pub grams: f64,
    /// Scaled MAD, g; `None` for a single sample.
    pub spread: Option<f64>,
    /// How many samples it stands for.
    pub samples: u32,
}

/// Waits for a scale to come to rest.
#[derive(Debug, Default)]
pub struct Settle {
    window: VecDeque<(f64, f64)>,
    /// The last weight of a scale that says itself whether it is at rest.
    told: Option<f64>,
}

/// How much a weight at rest may be off, g.
pub(super) fn limit(grams: f64) -> f64 {
    REST_G.max(REST_PART * grams.abs())
}

impl Settle {
    /// Takes a sample (`seconds` on any steady clock, in order); a weight once it is at rest.
    pub fn push(&mut self, seconds: f64, grams: f64) -> Option<Settled> {
        self.rest(seconds, grams).filter(|settled| settled.grams >= EMPTY_G)
    }

    /// The same for any weight, that of an empty scale too.
    pub(super) fn rest(&mut self, seconds: f64, grams: f64) -> Option<Settled> {
        if self.window.back().is_some_and(|(last, _)| !(0.0..KEY_S).contains(&(seconds - last))) {
            self.window.clear();
        }
        self.window.push_back((seconds, grams));
        let old = |at: &(f64, f64)| seconds - at.0 >= REST_S;
        while self.window.len() > MAX_SAMPLES
            || self.window.len() > REST_SAMPLES && self.window.get(1).is_some_and(old)
        {
            self.window.pop_front();
        }
        let rested = self.window.front().is_some_and(old);
        if rested && self.window.len() >= REST_SAMPLES { self.at_rest() } else { None }
    }

    /// The same of a scale that may say by itself whether it is at rest.
    pub(super) fn told(
        &mut self,
        seconds: f64,
        grams: f64,
        at_rest: Option<bool>,
    ) -> Option<Settled> {
        let Some(at_rest) = at_rest else { return self.rest(seconds, grams) };
        // Silence after it says nothing more.
        self.window.clear();
        self.told = Some(grams);
        at_rest.then_some(Settled { grams, spread: None, samples: 1 })
    }

    /// Nothing has come until `seconds`: a weight if one or two samples stand alone.
    pub fn silence(&mut self, seconds: f64) -> Option<Settled> {
        let (last, grams) = *self.window.back()?;
        if seconds - last < KEY_S || self.window.len() >= REST_SAMPLES || grams < EMPTY_G {
            return None;
        }
        self.window.clear();
        Some(Settled { grams, spread: None, samples: 1 })
    }

    /// Lowest and highest weight of the last moments, g, to tell why it took so long.
    pub fn range(&self) -> Option<(f64, f64)> {
        let seen = || self.window.iter().map(|(_, grams)| *grams);
        let grams = || seen().chain(self.told);
        Some((grams().min_by(f64::total_cmp)?, grams().max_by(f64::total_cmp)?))
    }

    fn at_rest(&self) -> Option<Settled> {
        let mut grams: Vec<f64> = self.window.iter().map(|(_, grams)| *grams).collect();
        let (first, second) = grams.split_at_mut(self.window.len() / 2);
        let drift = (median(first) - median(second)).abs();
        let centre = median(&mut grams);
        let limit = limit(centre);
        let far = grams.iter().any(|g| (g - centre).abs() > FAR * limit);
        let samples = u32::try_from(grams.len()).ok()?;
        let spread = spread_about(centre, &mut grams);
        let rest = !far && drift <= limit && spread <= limit;
        rest.then_some(Settled { grams: centre, spread: Some(spread), samples })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(i: usize) -> f64 {
        ((i * 7919) % 101) as f64 / 101.0 - 0.5
    }

    /// At `hz`, the first settled weight of a trace (g as a function of seconds) and when.
    fn first(hz: f64, end: f64, grams: impl Fn(f64) -> f64) -> Option<(f64, Settled)> {
        let mut settle = Settle::default();
        (0..(end * hz) as usize).find_map(|i| {
            let s = i as f64 / hz;
            settle.push(s, grams(s) + noise(i)).map(|settled| (s, settled))
        })
    }

    #[test]
    fn an_empty_scale_is_waited_out_and_a_pot_that_is_lowered_too() {
        let trace = |s: f64| match s {
            s if s < 5.0 => 0.3,
            s if s < 6.5 => (s - 5.0) / 1.5 * 812.0,
            _ => 812.0,
        };
        for hz in [2.0, 5.0, 10.0, 80.0] {
            let (at, settled) = first(hz, 20.0, trace).unwrap();
            assert!((7.4..8.6).contains(&at), "{hz} Hz: {at}");
            assert!((settled.grams - 812.0).abs() < 0.5, "{settled:?}");
            assert!(settled.spread.unwrap() < 1.0 && settled.samples >= 3);
        }
    }

    #[test]
    fn a_pot_that_is_touched_or_never_still_is_not_taken() {
        assert_eq!(first(10.0, 60.0, |s| 812.0 + 40.0 * (s * 5.0).sin()), None);
        assert_eq!(first(10.0, 60.0, |s| 812.0 + 6.0 * s), None);
        assert_eq!(first(10.0, 60.0, |s| if s % 0.7 < 0.15 { 700.0 } else { 812.0 }), None);
        assert_eq!(first(10.0, 60.0, |_| 1.0), None);
        assert_eq!(first(10.0, 60.0, |_| -180.0), None);
        // One sample every 10 s shows nothing of what happens between.
        assert_eq!(first(0.1, 600.0, |_| 812.0), None);
    }

    #[test]
    fn one_line_at_the_press_of_a_key() {
        let mut settle = Settle::default();
        assert_eq!(settle.push(0.0, 812.0), None);
        assert_eq!(settle.silence(2.9), None);
        let one = Settled { grams: 812.0, spread: None, samples: 1 };
        assert_eq!(settle.silence(3.1), Some(one));
        assert_eq!(settle.silence(9.0), None);
        settle.push(10.0, 0.4);
        assert_eq!(settle.silence(20.0), None);
    }

    #[test]
    fn odd_times_and_endless_streams_are_survived() {
        let mut settle = Settle::default();
        for i in 0..5000 {
            settle.push(1.0, 800.0 + f64::from(i));
        }
        assert!(settle.window.len() <= MAX_SAMPLES);
        assert_eq!(settle.range().map(|(low, high)| high - low), Some(511.0));
        settle.push(-5.0, 3.0);
        settle.push(f64::NAN, 3.0);
        assert_eq!(settle.range(), Some((3.0, 3.0)));
    }
}
