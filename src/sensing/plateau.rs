//! Known masses on a cell that is not calibrated yet: the spans of time in which it stood still.
//!
//! Nothing is known of grams, so that all limits are relative: to the noise of the cell at its
//! quietest, and to how far it has moved from its first rest. At rest: over at least 5 s and three
//! samples, no sample is far off and the halves agree. The value is the median of the first 15 s
//! (at least three samples), so that each load is read at the same age: creep is told apart, from
//! what comes later. The limits are common practice with load cells, no source.

use super::reduce::{median, spread_about};
use std::collections::VecDeque;

/// Shortest time at rest, s.
const REST_S: f64 = 5.0;
/// Fewest samples at rest.
const REST_SAMPLES: usize = 3;
/// A load is read for so long, s.
pub const READ_S: f64 = 15.0;
/// A load that stands for less tells nothing of creep, s.
const CREEP_S: f64 = 60.0;
/// Most samples that are looked at for rest.
const MAX_SAMPLES: usize = 512;
/// The level that it rests at by now is that of so many last samples, and of so many seconds.
const TAIL: usize = 96;
const TAIL_S: f64 = 20.0;
/// Fewest single samples that tell the noise.
const TELL_NOISE: usize = 10;
/// Least noise, half of a count: values are whole numbers.
const LEAST_NOISE: f64 = 0.5;
/// How many times the noise a sample, or the noise itself, may be off at rest.
const FAR: f64 = 8.0;
/// How many times the noise the halves may differ; noise here is no more than so many times what
/// neighbours differ by, or a steady rise would pass for it.
const DRIFT: f64 = 1.5;
const STEPS: f64 = 3.0;
/// The same as parts of the way from the first rest, for drift at rest and for leaving it.
const DRIFT_PART: f64 = 2e-4;
const LEAVE_PART: f64 = 1e-3;
/// A silence of so long ends a rest, s.
const GAP_S: f64 = 120.0;

/// What the converter said at a time: a single value, or the median of several.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sample {
    /// On any steady clock, in order.
    pub seconds: f64,
    /// Raw counts.
    pub raw: f64,
    /// Robust spread of the samples it stands for, counts; `None` for a single one.
    pub spread: Option<f64>,
    /// How many it stands for.
    pub samples: u32,
}

/// A span in which the cell stood still.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Plateau {
    /// When it came to rest, s.
    pub from: f64,
    /// The last moment of rest so far, s.
    pub to: f64,
    /// Median of the first 15 s, raw counts.
    pub raw: f64,
    /// Robust spread of single samples, raw counts.
    pub spread: f64,
    /// Samples that the median stands for.
    pub samples: u32,
    /// How far it moved from then to the end, raw counts; `None` where it stood for under a minute.
    pub creep: Option<f64>,
}

/// What is seen of the cell now.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Seen {
    /// It moves, or has not stood still for long enough.
    Moving,
    /// At rest; so much (0 to 1) of the time that a reading takes has passed.
    Reading(f64),
    /// Read: [`Plateaus::last`] tells.
    Read,
}

/// Finds the spans of rest in a stream of samples.
#[derive(Debug, Default)]
pub struct Plateaus {
    window: VecDeque<Sample>,
    /// Least noise seen at rest, and the first rest.
    quiet: Option<f64>,
    zero: Option<f64>,
    resting: Option<Resting>,
    found: Vec<Plateau>,
}

#[derive(Debug)]
struct Resting {
    from: f64,
    to: f64,
    read: Vec<f64>,
    samples: u32,
    noise: f64,
    tail: VecDeque<(f64, f64)>,
    /// Samples off the level, one after the other.
    off: u32,
}

impl Plateaus {
    /// Takes a sample (finite values).
    pub fn push(&mut self, sample: Sample) -> Seen {
        let last = self.window.back().map(|s| s.seconds);
        let last = self.resting.as_ref().map(|r| r.to).or(last);
        if last.is_some_and(|last| !(0.0..GAP_S).contains(&(sample.seconds - last))) {
            self.leave();
        }
        if self.resting.is_some() && self.rests_on(&sample) {
            return self.seen();
        }
        self.window.push_back(sample);
        let old = |at: &Sample| sample.seconds - at.seconds >= REST_S;
        while self.window.len() > MAX_SAMPLES
            || self.window.len() > REST_SAMPLES && self.window.get(1).is_some_and(old)
        {
            self.window.pop_front();
        }
        if self.window.front().is_some_and(old) && self.window.len() >= REST_SAMPLES {
            self.come_to_rest();
        }
        self.seen()
    }

    /// What is seen now.
    pub fn seen(&self) -> Seen {
        match &self.resting {
            None => Seen::Moving,
            Some(resting) if resting.is_read() => Seen::Read,
            Some(resting) => Seen::Reading(((resting.to - resting.from) / READ_S).clamp(0.0, 1.0)),
        }
    }

    /// The span that it rests in now, once it is read, and how many there were before.
    pub fn last(&self) -> Option<(Plateau, usize)> {
        let resting = self.resting.as_ref().filter(|resting| resting.is_read())?;
        Some((resting.plateau(), self.found.len()))
    }

    /// Whether two spans lie at the same level, as when a load was merely touched.
    pub fn same(&self, a: &Plateau, b: &Plateau) -> bool {
        (a.raw - b.raw).abs() <= self.leave_limit(a.raw, a.spread.max(b.spread))
    }

    /// All spans that were read, in order; neighbours of the same level are one.
    pub fn finish(mut self) -> Vec<Plateau> {
        self.leave();
        let found = std::mem::take(&mut self.found);
        let mut merged: Vec<Plateau> = Vec::with_capacity(found.len());
        for plateau in found {
            match merged.last_mut() {
                Some(last) if self.same(last, &plateau) => last.to = plateau.to,
                _ => merged.push(plateau),
            }
        }
        merged
    }

    /// Takes a sample that belongs to the rest, or a single knock; false once it has left.
    fn rests_on(&mut self, sample: &Sample) -> bool {
        let Some(resting) = &self.resting else { return false };
        let level = resting.level();
        let limit = self.leave_limit(level, resting.noise);
        let calm = sample.spread.is_none_or(|s| s <= FAR * resting.noise.max(LEAST_NOISE));
        let near = (sample.raw - level).abs() <= limit && calm;
        let Some(resting) = &mut self.resting else { return false };
        if near {
            resting.take(sample);
            return true;
        }
        resting.off += 1;
        if resting.off < 2 && sample.samples == 1 {
            return true;
        }
        self.leave();
        false
    }

    /// Ends the rest; it is kept if it was read.
    fn leave(&mut self) {
        self.window.clear();
        if let Some(resting) = self.resting.take()
            && resting.is_read()
        {
            self.found.push(resting.plateau());
        }
    }

    fn leave_limit(&self, level: f64, noise: f64) -> f64 {
        let noise = noise.max(self.quiet.unwrap_or(0.0)).max(LEAST_NOISE);
        (FAR * noise).max(LEAVE_PART * self.way(level))
    }

    /// How far a level lies from the first rest.
    fn way(&self, level: f64) -> f64 {
        self.zero.map_or(0.0, |zero| (level - zero).abs())
    }

    fn come_to_rest(&mut self) {
        let mut raws: Vec<f64> = self.window.iter().map(|s| s.raw).collect();
        let steps = step_noise(&raws);
        let (first, second) = raws.split_at_mut(self.window.len() / 2);
        let drift = (median(first) - median(second)).abs();
        let level = median(&mut raws);
        let mut spreads: Vec<f64> = self.window.iter().filter_map(|s| s.spread).collect();
        let reduced = spreads.len() == self.window.len();
        let least = spreads.iter().copied().fold(f64::INFINITY, f64::min).max(LEAST_NOISE);
        let noise = match reduced {
            true => median(&mut spreads),
            false => spread_about(level, &mut raws),
        };
        let noise = noise.max(LEAST_NOISE);
        let usual = self.quiet.unwrap_or(noise);
        let far = (FAR * noise.min(FAR * usual)).max(DRIFT_PART * self.way(level));
        let steady = self.window.iter().all(|s| (s.raw - level).abs() <= far)
            && spreads.iter().all(|spread| *spread <= FAR * least)
            && noise <= FAR * usual
            && drift
                <= (DRIFT * noise.min(STEPS * steps.max(LEAST_NOISE)))
                    .max(DRIFT_PART * self.way(level));
        if !steady {
            return;
        }
        if reduced || self.window.len() >= TELL_NOISE {
            self.quiet = Some(usual.min(noise));
        }
        self.zero.get_or_insert(level);
        let from = self.window.front().map_or(0.0, |s| s.seconds);
        let (read, tail) = (Vec::new(), VecDeque::new());
        let mut resting = Resting { from, to: from, read, samples: 0, noise, tail, off: 0 };
        self.window.drain(..).for_each(|sample| resting.take(&sample));
        self.resting = Some(resting);
    }
}

/// Noise of single values as their neighbours tell it.
fn step_noise(raws: &[f64]) -> f64 {
    let mut steps: Vec<f64> = raws.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let middle = median(&mut steps);
    spread_about(middle, &mut steps) / std::f64::consts::SQRT_2
}

impl Resting {
    fn take(&mut self, sample: &Sample) {
        if !self.is_read() {
            self.read.push(sample.raw);
            self.samples = self.samples.saturating_add(sample.samples);
        }
        self.to = sample.seconds;
        self.off = 0;
        self.tail.push_back((sample.seconds, sample.raw));
        let old = |at: &(f64, f64)| sample.seconds - at.0 > TAIL_S;
        while self.tail.len() > TAIL
            || self.tail.len() > REST_SAMPLES && self.tail.front().is_some_and(old)
        {
            self.tail.pop_front();
        }
    }

    fn is_read(&self) -> bool {
        self.read.len() >= REST_SAMPLES && self.to - self.from >= READ_S
    }

    /// Where it lies by now; never asked before there is a sample.
    fn level(&self) -> f64 {
        median(&mut self.tail.iter().map(|(_, raw)| *raw).collect::<Vec<_>>())
    }

    fn plateau(&self) -> Plateau {
        let mut read = self.read.clone();
        let raw = median(&mut read);
        let stood = self.to - self.from;
        let creep = (stood >= CREEP_S).then(|| self.level() - raw);
        let Resting { from, to, noise, samples, .. } = *self;
        Plateau { from, to, raw, spread: noise, samples, creep }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Noise of a standard deviation of about `sigma`, the same each time.
    fn noise(i: usize, sigma: f64) -> f64 {
        // Three values of an even spread, each of the variance 1/12.
        let part = |k: usize| ((i * 7919 + k * 104_729) % 1009) as f64 / 1009.0 - 0.5;
        2.0 * sigma * (part(1) + part(2) + part(3))
    }

    /// Loads of so many grams, each for so many seconds: 400 counts per gram, swinging for a
    /// second when it is changed, and creeping by 1 part in 10,000 per minute.
    fn trace(hz: f64, loads: &[(f64, f64)]) -> Vec<Sample> {
        let mut samples = Vec::new();
        let (mut start, mut before) = (0.0, 0.0);
        for (grams, seconds) in loads {
            for i in 0..(seconds * hz) as usize {
                let s = i as f64 / hz;
                let swing = (grams - before) * (-s / 0.4).exp() * (20.0 * s).cos();
                let creep = grams * 1e-4 * s / 60.0;
                let raw = 8000.0 + 400.0 * (grams - swing + creep);
                let raw = (raw + noise(samples.len(), 20.0)).round();
                samples.push(Sample { seconds: start + s, raw, spread: None, samples: 1 });
            }
            (start, before) = (start + seconds, *grams);
        }
        samples
    }

    fn found(samples: &[Sample]) -> Vec<Plateau> {
        let mut plateaus = Plateaus::default();
        for sample in samples {
            plateaus.push(*sample);
        }
        plateaus.finish()
    }

    const LOADS: [(f64, f64); 6] =
        [(0.0, 40.0), (200.0, 40.0), (500.0, 60.0), (1000.0, 90.0), (500.0, 40.0), (0.0, 40.0)];

    /// What comes of it is close to what was put on.
    #[track_caller]
    fn fits(plateaus: &[Plateau], loads: &[(f64, f64)], grams: f64) {
        assert_eq!(plateaus.len(), loads.len(), "{plateaus:#?}");
        for (plateau, (mass, _)) in plateaus.iter().zip(loads) {
            let got = (plateau.raw - 8000.0) / 400.0;
            assert!((got - mass).abs() < grams, "{mass} g read as {got}");
        }
    }

    #[test]
    fn loads_are_read_at_any_pace() {
        for hz in [1.0, 10.0, 80.0] {
            let plateaus = found(&trace(hz, &LOADS));
            fits(&plateaus, &LOADS, 0.06);
            assert!(plateaus.iter().all(|p| (10.0..35.0).contains(&p.spread)), "{plateaus:?}");
            // 1000 g for 90 s creep by 0.1 g a minute, from some 10 s on.
            let creep = plateaus[3].creep.unwrap() / 400.0;
            assert!((0.05..0.16).contains(&creep), "{creep}");
            assert_eq!(plateaus[0].creep, None);
        }
    }

    #[test]
    fn ten_second_medians_do_as_well_where_each_load_stands_for_a_minute() {
        let loads = LOADS.map(|(grams, _)| (grams, 70.0));
        let samples = trace(10.0, &loads);
        let bins = samples.chunks(100).map(|bin| {
            let mut raws: Vec<f64> = bin.iter().map(|s| s.raw).collect();
            let raw = median(&mut raws);
            let spread = Some(spread_about(raw, &mut raws));
            Sample { seconds: bin[bin.len() - 1].seconds, raw, spread, samples: bin.len() as u32 }
        });
        fits(&found(&bins.collect::<Vec<_>>()), &loads, 0.06);
    }

    #[test]
    fn a_knock_is_passed_over_and_a_touch_makes_no_load_of_its_own() {
        let mut samples = trace(10.0, &LOADS);
        // One sample far off; a hand for three seconds on the load of 1000 g.
        samples[600].raw += 30_000.0;
        for sample in &mut samples[1900..1930] {
            sample.raw += 100_000.0;
        }
        fits(&found(&samples), &LOADS, 0.06);
    }

    #[test]
    fn what_never_rests_is_never_read() {
        let drifts: Vec<Sample> = (0..3000)
            .map(|i| Sample {
                seconds: i as f64 / 10.0,
                raw: 8000.0 + 20.0 * i as f64 + noise(i, 20.0),
                spread: None,
                samples: 1,
            })
            .collect();
        assert_eq!(found(&drifts), []);
        let mut plateaus = Plateaus::default();
        assert_eq!(plateaus.seen(), Seen::Moving);
        let rest = trace(10.0, &[(0.0, 20.0)]);
        let seen: Vec<Seen> = rest.iter().map(|s| plateaus.push(*s)).collect();
        assert_eq!((seen[0], seen[30], seen[160]), (Seen::Moving, Seen::Moving, Seen::Read));
        assert!(matches!(seen[100], Seen::Reading(part) if (0.5..0.8).contains(&part)));
        assert_eq!(plateaus.last().map(|(_, before)| before), Some(0));
    }

    #[test]
    fn a_long_silence_ends_a_rest() {
        let mut samples = trace(10.0, &[(0.0, 60.0)]);
        samples[300..].iter_mut().for_each(|s| s.seconds += 1000.0);
        let mut plateaus = Plateaus::default();
        for sample in &samples {
            plateaus.push(*sample);
        }
        assert_eq!(plateaus.last().map(|(_, before)| before), Some(1));
    }

    proptest! {
        #[test]
        fn anything_is_survived(
            steps in proptest::collection::vec((-1.0f64..30.0, -1e7f64..1e7), 0..200),
        ) {
            let mut plateaus = Plateaus::default();
            let mut seconds = 0.0;
            for (step, raw) in steps {
                seconds += step;
                plateaus.push(Sample { seconds, raw, spread: None, samples: 1 });
                prop_assert!(plateaus.window.len() <= MAX_SAMPLES);
            }
            for plateau in plateaus.finish() {
                prop_assert!(plateau.to - plateau.from >= READ_S && plateau.raw.is_finite());
            }
        }
    }
}
