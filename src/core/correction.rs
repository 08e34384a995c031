//! What a record of past forecasts says of the next ones: intervals that held too seldom, or too
//! often, are stretched or drawn in about their middles.
//!
//! From each forecast comes the ratio by which its interval would have to be stretched about its
//! median for the truth to lie on its edge. The next interval, stretched by the ⌈0.8 (n + 1)⌉-th
//! smallest of n such ratios, holds at 80 % at least, whatever their distribution, if pots come in
//! no order (split conformal prediction: Vovk, Gammerman & Shafer, *Algorithmic Learning in a
//! Random World*, 2005, ch. 4; Lei et al., J. Am. Stat. Assoc. 113 (2018) 1094, algorithm 2; with
//! ratios in place of errors: its locally weighted form). Forecasts of one pot are no independent
//! ones: each counts as its part of one pot (Dunn, Wasserman & Ramdas, J. Am. Stat. Assoc. 118
//! (2023) 2491: pooled distributions, which hold in the long run).
//!
//! # How far the record is believed
//!
//! A short record says little, and intervals that hold must not be moved by its chance. So the log
//! of the stretch has a prior of two parts: that the intervals hold as they are, or that they are
//! off by some third (spike and slab: Mitchell & Beauchamp, J. Am. Stat. Assoc. 83 (1988) 1023).
//! The record weighs the two, and what is taken is the mean of what it leaves.

use super::forecast::{Draw, HORIZON, quantiles};
use super::record::LEVEL;
use super::report::TimeQuantiles;
use crate::units::Time;
use serde::Serialize;

/// Finished pots from which a correction is made. So many let a record tell intervals that hold
/// 60 % only from those that hold 80 %: the fewest n with which a one-sided exact binomial test at
/// 5 % finds the former with a chance of 80 %, as does every n above it (the usual design of one
/// stage: A'Hern, Stat. Med. 20 (2001) 859; its power goes up and down with n: Chernick & Liu, Am.
/// Stat. 56 (2002) 149). 60 % is what intervals of a fit that takes its residuals for independent
/// come to.
pub const ENOUGH: usize = 38;

/// Chance that intervals hold as they promise, before any pot is known (a judgement, no source).
const AS_PROMISED: f64 = 0.5;
/// Standard deviation of the log of the stretch that they want where they do not (a judgement, no
/// source: intervals that hold 60 % want 1.52 times their width, those that hold 94 %, 0.68).
const OFF_SD: f64 = 0.35;
/// Standard deviation of the log ratio at 80 % from one pot, where errors are normal:
/// √(p (1 − p)) ÷ density of |z| at z = 1.2816, in units of z: 0.4 ÷ (2 · 0.17550 · 1.2816).
const ONE_POT_SD: f64 = 0.889;
/// No record narrows an interval to less, or widens it to more than this.
const FACTOR: (f64, f64) = (0.7, 2.0);

/// By how much intervals should be wider (above 1) or narrower to hold as often as they promise.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Correction {
    /// What both halves of an interval are to be multiplied by; 1 from fewer than [`ENOUGH`] pots.
    pub factor: f64,
    /// What the record alone says; `None` where it is too short for 80 %.
    pub raw: Option<f64>,
    /// Pots it rests on.
    pub pots: usize,
}

/// No record, no correction.
impl Default for Correction {
    fn default() -> Correction {
        Correction { factor: 1.0, raw: None, pots: 0 }
    }
}

impl Correction {
    /// From the ratios ([`super::record::ratio`]) of each pot's forecasts. A pot without any, and a
    /// ratio that is no number, do not count.
    pub fn from_ratios(pots: &[Vec<f64>]) -> Correction {
        let sound = |of: &Vec<f64>| of.iter().copied().filter(|r| *r >= 0.0).collect::<Vec<_>>();
        let pots: Vec<Vec<f64>> = pots.iter().map(sound).filter(|of| !of.is_empty()).collect();
        let raw = conformal(&pots);
        let n = pots.len();
        let factor = match raw {
            Some(raw) if n >= ENOUGH => believed(raw.max(1e-9).ln(), n).exp(),
            _ => 1.0,
        };
        Correction { factor: factor.clamp(FACTOR.0, FACTOR.1), raw, pots: n }
    }

    /// Whether it rests on enough pots.
    pub fn is_made(&self) -> bool {
        self.pots >= ENOUGH
    }

    /// A forecast of a time, made at `at`, corrected. What lies in the past, and what never comes,
    /// stays: the record is one of times to come. No end comes before `at`, and none beyond the
    /// horizon.
    fn time(&self, said: &TimeQuantiles, at: Time) -> TimeQuantiles {
        let Some(middle) = said.p50.filter(|t| *t > at) else { return *said };
        let moved = |t: Time| super::whole_second(middle.plus(self.factor * t.since(middle)));
        let low = |t: Time| if t > at { moved(t).max(at) } else { t };
        let high = |t: Time| Some(moved(t)).filter(|t| t.since(at) <= HORIZON);
        TimeQuantiles { p10: said.p10.map(low), p50: said.p50, p90: said.p90.and_then(high) }
    }
}

/// Mean of the log of the stretch, from what the record of so many pots says of it.
fn believed(said: f64, pots: usize) -> f64 {
    let record = ONE_POT_SD.powi(2) / pots as f64;
    let off = OFF_SD.powi(2);
    let kept = off / (off + record);
    // How much likelier the record is where intervals are off than where they hold.
    let likelier = (record / (off + record)).sqrt() * (0.5 * said * said * kept / record).exp();
    let odds = (1.0 - AS_PROMISED) / AS_PROMISED * likelier;
    // Where the exponential has no number left there is no doubt.
    let is_off = if odds.is_finite() { odds / (1.0 + odds) } else { 1.0 };
    is_off * kept * said
}

/// The least ratio that, with what lies below it, makes 0.8 (n + 1) pots, each ratio being its part
/// of one pot; `None` where n pots do not make so many.
fn conformal(pots: &[Vec<f64>]) -> Option<f64> {
    let part = |of: &Vec<f64>| 1.0 / of.len() as f64;
    let mut ratios: Vec<(f64, f64)> =
        pots.iter().flat_map(|of| of.iter().map(move |r| (*r, part(of)))).collect();
    ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
    let wanted = LEVEL * (pots.len() + 1) as f64 - 1e-9;
    let mut sum = 0.0;
    let found = ratios.iter().find(|(_, part)| {
        sum += part;
        sum >= wanted
    });
    found.map(|(ratio, _)| *ratio)
}

/// What a studio's record says of its intervals, by what is forecast.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize)]
pub struct Corrections {
    /// Of when the trimming window opens and closes: a pot that is trimmed never shows when it
    /// would have closed, so that the two have one record.
    pub window: Correction,
    /// Of when a pot is bone-dry on the mean.
    pub bone_dry: Correction,
    /// Of the water that it holds, and with it of its dry clay.
    pub water: Correction,
}

impl Corrections {
    /// Whether any of them rests on enough pots.
    pub fn is_made(&self) -> bool {
        [self.window, self.bone_dry, self.water].iter().any(Correction::is_made)
    }

    /// When the window opens and closes, as said at `at`; one never closes before it opens.
    pub fn window(
        &self,
        [opens, closes]: [TimeQuantiles; 2],
        at: Time,
    ) -> (TimeQuantiles, TimeQuantiles) {
        let (mut opens, mut closes) = (self.window.time(&opens, at), self.window.time(&closes, at));
        let late = |t: Option<Time>| t.unwrap_or(Time::MAX);
        opens.p10 = opens.p10.into_iter().chain(closes.p10).min();
        if late(closes.p90) < late(opens.p90) {
            closes.p90 = opens.p90;
        }
        (opens, closes)
    }

    /// When a pot is bone-dry on the mean, as said at `at`.
    pub fn bone_dry(&self, said: TimeQuantiles, at: Time) -> TimeQuantiles {
        self.bone_dry.time(&said, at)
    }

    /// Stretches the water and dry clay of draws about their medians. What the wettest part holds
    /// is only ever stretched upwards: no record makes the call for the kiln bolder.
    pub fn water(&self, draws: &mut [Draw]) {
        let factor = self.water.factor;
        if factor != 1.0 {
            let dry = quantiles(draws, |d| d.dry_g).p50;
            let free = quantiles(draws, |d| d.free).p50;
            let water = [0, 1, 2].map(|part| quantiles(draws, |d| d.water[part]).p50);
            for d in draws.iter_mut() {
                // No clay weighs less than nothing: in proportion.
                d.dry_g = dry * (d.dry_g / dry).powf(factor);
                d.free = free + factor * (d.free - free);
                for (value, about) in d.water.iter_mut().zip(water) {
                    *value = (about + factor * (*value - about)).max(0.0);
                }
            }
        }
        let cautious = factor.max(self.bone_dry.factor);
        if cautious > 1.0 {
            let about = quantiles(draws, |d| d.wettest_free).p50;
            for d in draws.iter_mut().filter(|d| d.wettest_free > about) {
                d.wettest_free = about + cautious * (d.wettest_free - about);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{MADE, hour as at, said};
    use crate::core::record::Scored;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Exp1, StandardNormal};
    use statrs::distribution::{Binomial, ContinuousCDF, DiscreteCDF};

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-9, "{got}, {want}");
    }

    fn one_each(ratios: impl IntoIterator<Item = f64>) -> Vec<Vec<f64>> {
        ratios.into_iter().map(|r| vec![r]).collect()
    }

    /// NumPy: quantile(r + [inf], 0.8, method="inverted_cdf"), which is the rule of Lei et al.
    #[test]
    fn the_conformal_quantile_is_that_of_the_sample_with_infinity() {
        let nine = [0.31, 0.52, 0.07, 1.44, 0.88, 0.95, 0.26, 1.73, 0.61];
        assert_eq!(conformal(&one_each(nine)), Some(1.44));
        assert_eq!(conformal(&one_each((1..=19).map(|i| f64::from(i) / 10.0))), Some(1.6));
        // Four pots are the fewest of which one can be the 0.8 · (4 + 1)th.
        assert_eq!(conformal(&one_each([0.3, 0.1, 0.2])), None);
        assert_eq!(conformal(&one_each([0.3, 0.1, 0.2, 0.4])), Some(0.4));
        assert_eq!(conformal(&[]), None);
        // Each forecast as its part of one pot: 4 pots, of which one fills up with its third part.
        let pots = [vec![0.1], vec![0.2], vec![0.3], vec![0.15, 0.5, 0.9]];
        assert_eq!(conformal(&pots), Some(0.9));
        assert_eq!(
            conformal(&one_each([0.1; 5]).into_iter().chain(pots).collect::<Vec<_>>()),
            Some(0.3)
        );
    }

    /// The theorem: the next ratio lies below the k-th of n with probability k/(n + 1), whatever
    /// the distribution: 8/10 of nine, 17/21 of twenty.
    #[test]
    fn the_next_one_is_held_as_often_as_the_theorem_says() {
        let mut rng = StdRng::seed_from_u64(11);
        for (n, want) in [(9, 0.8), (20, 17.0 / 21.0)] {
            let rounds = 20_000;
            let mut held = 0;
            for _ in 0..rounds {
                let q = conformal(&one_each((0..n).map(|_| rng.sample(Exp1)))).unwrap();
                let next: f64 = rng.sample(Exp1);
                held += usize::from(next <= q);
            }
            // Three standard errors of so many rounds: 0.0085.
            let share = held as f64 / f64::from(rounds);
            assert!((share - want).abs() < 0.0085, "{n}: {share}, {want}");
        }
    }

    /// SciPy's `binom` gives 38 too.
    #[test]
    fn enough_pots_tell_60_from_80_percent() {
        let power = |n: u64| {
            let [promised, poor] = [0.8, 0.6].map(|p| Binomial::new(p, n).unwrap());
            let rejects = (0..n).take_while(|k| promised.cdf(*k) <= 0.05).last();
            rejects.map_or(0.0, |k| poor.cdf(k))
        };
        let short = (1..200).filter(|n| power(*n) < 0.8).max().unwrap();
        assert_eq!(ENOUGH as u64, short + 1);
    }

    #[test]
    fn a_correction_is_drawn_towards_none_and_bounded() {
        // NumPy: quantile 1.65 of i/20 to 2, and the mean of ln f under the prior
        // ½ δ(0) + ½ N(0, 0.35²) and a likelihood N(ln 1.65, 0.889²/40) by its sum over a grid.
        let forty = one_each((1..=40).map(|i| f64::from(i) / 20.0));
        let found = Correction::from_ratios(&forty);
        assert_eq!((found.raw, found.pots), (Some(1.65), 40));
        assert!((found.factor - 1.531_703).abs() < 1e-5, "{}", found.factor);
        // More pots that say the same are believed more.
        let more: Vec<_> = forty.iter().cycle().take(400).cloned().collect();
        let more = Correction::from_ratios(&more);
        assert!(found.factor < more.factor && more.factor < 1.65, "{more:?}");
        // Too few say nothing yet.
        let few = Correction::from_ratios(&forty[..ENOUGH - 1]);
        assert_eq!((few.factor, few.pots, few.is_made()), (1.0, ENOUGH - 1, false));
        assert_eq!(Correction::from_ratios(&[]), Correction::default());
        for (ratio, want) in [(1e3, 2.0), (1e-9, 0.7), (0.0, 0.7), (1.0, 1.0)] {
            close(Correction::from_ratios(&one_each([ratio; 100])).factor, want);
        }
        // No numbers are no pots.
        let none = [vec![f64::NAN], vec![-1.0], vec![]];
        assert_eq!(Correction::from_ratios(&none).pots, 0);
    }

    /// How often intervals of normal errors hold whose errors are `size` times what they promise,
    /// corrected from the record of so many pots: over 2,000 made-up records, the mean, and the
    /// root mean square of what it is off 80 %.
    fn corrected_coverage(pots: usize, size: f64) -> (f64, f64) {
        let normal = statrs::distribution::Normal::standard();
        let edge = normal.inverse_cdf(0.9);
        let mut rng = StdRng::seed_from_u64(17);
        let mut error = || -> f64 { rng.sample(StandardNormal) };
        let held: Vec<f64> = (0..2000)
            .map(|_| {
                let record = one_each((0..pots).map(|_| size * error().abs() / edge));
                let factor = Correction::from_ratios(&record).factor;
                2.0 * normal.cdf(factor * edge / size) - 1.0
            })
            .collect();
        let mean = held.iter().sum::<f64>() / held.len() as f64;
        let square = held.iter().map(|h| (h - LEVEL).powi(2)).sum::<f64>() / held.len() as f64;
        (mean, square.sqrt())
    }

    /// Intervals that are too narrow hold nearer to 80 % afterwards, so do those that are too wide;
    /// those that hold as they promise are moved by less than the chance of the record would:
    /// 0.4/√n is the standard error of a coverage of 80 % from n pots.
    #[test]
    fn corrected_intervals_hold_nearer_to_what_they_promise() {
        for pots in [ENOUGH, 60] {
            for (size, held) in [(1.52, 0.60), (2.0, 0.48), (0.68, 0.94), (0.6, 0.967)] {
                let (mean, off) = corrected_coverage(pots, size);
                let before = (held - LEVEL).abs();
                assert!((mean - LEVEL).abs() < 0.55 * before, "{pots}, {size}: {mean}");
                assert!(off < 0.9 * before, "{pots}, {size}: {off}");
            }
            let (mean, off) = corrected_coverage(pots, 1.0);
            assert!((mean - LEVEL).abs() < 0.015, "{pots}: {mean}");
            assert!(off < 0.6 * 0.4 / (pots as f64).sqrt(), "{pots}: {off}");
            // Too few pots change nothing at all.
            let (mean, _) = corrected_coverage(ENOUGH - 1, 2.0);
            assert!((mean - 0.478).abs() < 1e-3, "{mean}");
        }
    }

    fn by(factor: f64) -> Correction {
        Correction { factor, raw: Some(factor), pots: 50 }
    }

    #[test]
    fn a_correction_moves_the_ends_about_the_middle() {
        let now = at(4.0);
        let wider = |hours| by(1.5).time(&said(hours), now);
        assert_eq!(wider([8.0, 10.0, 14.0]), said([7.0, 10.0, 16.0]));
        let never = f64::INFINITY;
        assert_eq!(wider([8.0, 10.0, never]), said([7.0, 10.0, never]));
        assert_eq!(wider([8.0, never, never]), said([8.0, never, never]));
        // What may have been stays as it is, what is to come stays to come.
        assert_eq!(wider([3.0, 10.0, 14.0]), said([3.0, 10.0, 16.0]));
        assert_eq!(wider([1.0, 2.0, 6.0]), said([1.0, 2.0, 6.0]));
        assert_eq!(wider([4.5, 10.0, 14.0]), said([4.0, 10.0, 16.0]));
        // Nothing is foretold beyond 30 days.
        assert_eq!(wider([300.0, 500.0, 700.0]), said([200.0, 500.0, never]));
        // Intervals so corrected hold the ratio that they were corrected by.
        let scored = Scored::new(MADE, now, &said([8.0, 10.0, 14.0]), at(16.0));
        close(scored.ratio(), 1.5);
    }

    #[test]
    fn a_window_never_closes_before_it_opens() {
        let all = Corrections { window: by(2.0), ..Corrections::default() };
        let (opens, closes) = (said([10.0, 30.0, 50.0]), said([29.0, 31.0, 51.0]));
        let (opens, closes) = all.window([opens, closes], at(4.0));
        assert_eq!(opens, said([4.0, 30.0, 70.0]));
        assert_eq!(closes, said([27.0, 31.0, 71.0]));
        let narrow = Corrections { window: by(0.7), ..Corrections::default() };
        let (opens, closes) = (said([10.0, 30.0, 50.0]), said([10.0, 10.1, 50.0]));
        let (opens, closes) = narrow.window([opens, closes], at(4.0));
        assert!(opens.p10 <= closes.p10 && opens.p90 <= closes.p90, "{opens:?}, {closes:?}");
    }

    fn draws() -> Vec<Draw> {
        let draw = |k: i32| {
            let z = f64::from(k - 50) / 50.0;
            Draw {
                weight: 1.0,
                dry_g: 400.0 * (0.02 * z).exp(),
                water: [0.20 + 0.03 * z, 0.18 + 0.02 * z, 0.02 * z.max(0.0)],
                free: 0.18 + 0.03 * z,
                wettest_free: 0.008 + 0.003 * z,
                ..Draw::default()
            }
        };
        (0..=100).map(draw).collect()
    }

    #[test]
    fn water_is_stretched_about_its_middle_and_never_below_nothing() {
        let ends = |draws: &[Draw], of: fn(&Draw) -> f64| {
            let q = quantiles(draws, of);
            [q.p10, q.p50, q.p90]
        };
        let before = draws();
        let mut after = draws();
        Corrections { water: by(1.5), ..Corrections::default() }.water(&mut after);
        for of in [|d: &Draw| d.water[0], |d: &Draw| d.free, |d: &Draw| d.dry_g.ln()] {
            let ([a, m, b], [c, n, d]) = (ends(&before, of), ends(&after, of));
            close(n, m);
            close(c - n, 1.5 * (a - m));
            close(d - n, 1.5 * (b - m));
        }
        assert!(after.iter().all(|d| d.water[2] >= 0.0 && d.dry_g > 0.0));
        let mut same = draws();
        Corrections::default().water(&mut same);
        assert_eq!(format!("{same:?}"), format!("{before:?}"));
    }

    /// Neither a record of intervals that are too wide nor one of those that are too narrow makes
    /// it likelier that a pot is dry inside.
    #[test]
    fn no_record_makes_the_kiln_call_bolder() {
        let dry = |draws: &[Draw]| {
            let dry = draws.iter().filter(|d| d.wettest_free <= 0.010).count();
            dry as f64 / draws.len() as f64
        };
        let before = dry(&draws());
        for (water, bone_dry) in [(0.7, 0.7), (1.0, 1.0), (0.7, 1.5), (1.5, 0.7), (2.0, 2.0)] {
            let all =
                Corrections { water: by(water), bone_dry: by(bone_dry), ..Corrections::default() };
            let mut after = draws();
            all.water(&mut after);
            assert!(dry(&after) <= before, "{water} {bone_dry}");
            if water.max(bone_dry) > 1.0 {
                assert!(dry(&after) < before, "{water} {bone_dry}");
            }
        }
    }
}
