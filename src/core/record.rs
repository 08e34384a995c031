//! How good past forecasts were: errors, intervals that held, calls; and what follows for the next.
//!
//! A forecast of a time is three quantiles; what it is worth is told by its error, by whether the
//! truth lay inside, and by the interval score, which is small only for an interval that is both
//! narrow and right (Gneiting & Raftery, J. Am. Stat. Assoc. 102 (2007) 359, eq. 43):
//!
//! ```text
//! S = (u − l) + 2/α · max(l − x, 0) + 2/α · max(x − u, 0),    α = 0.2 for 80 %
//! ```
//!
//! # Correction
//!
//! From each forecast comes the ratio by which its interval would have to be stretched about its
//! median for the truth to lie on its edge. The next interval, stretched by the ⌈0.8 (n + 1)⌉-th
//! smallest of n such ratios, holds at 80 % at least, whatever their distribution, if pots come in
//! no order (split conformal prediction: Vovk, Gammerman & Shafer, *Algorithmic Learning in a
//! Random World*, 2005, ch. 4; Lei et al., J. Am. Stat. Assoc. 113 (2018) 1094, algorithm 2; with
//! ratios in place of errors: its locally weighted form). Forecasts of one pot are no independent
//! ones: each counts as its part of one pot (Dunn, Wasserman & Ramdas, J. Am. Stat. Assoc. 118
//! (2023) 2491: pooled distributions, which hold in the long run).

use super::forecast::HORIZON;
use super::handling::median;
use super::report::{FireCall, TimeQuantiles, TrimCall};
use crate::units::Time;

/// Share of the truths that intervals promise to hold.
pub const LEVEL: f64 = 0.8;
/// Share that may lie outside: 1 − [`LEVEL`].
const ALPHA: f64 = 0.2;

/// Finished pots from which a correction is made. So many let a record tell intervals that hold
/// 60 % only from those that hold 80 %: the fewest n with which a one-sided test at 5 % finds the
/// former with a chance of 80 %, as does every n above it (exact binomial; 60 % is what
/// intervals of a fit that takes its residuals for independent come to).
pub const ENOUGH: usize = 38;

/// Standard deviation of the log of a correction before any pot is known: intervals are wrong by
/// a quarter, more or less (a judgement, no source).
const PRIOR_SD: f64 = 0.25;
/// The same of the log ratio at 80 % from one pot, where errors are normal: √(p (1 − p)) ÷ density
/// of |z| at z = 1.2816, in units of z: 0.4 ÷ (2 · 0.17550 · 1.2816).
const ONE_POT_SD: f64 = 0.889;
/// No record narrows an interval to less, or widens it to more than this.
const FACTOR: (f64, f64) = (0.7, 2.0);

/// A forecast of a time with what became of it; all in seconds after it was asked for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Scored {
    /// 10 %, 50 % and 90 % of the forecast, no later than the horizon.
    pub said: [f64; 3],
    /// What happened, no later than the horizon.
    pub truth: f64,
    /// From when the pot was made to what happened.
    pub whole: f64,
}

impl Scored {
    /// A forecast asked for at a time about a pot, and what happened; what lies beyond the horizon
    /// is taken for the horizon.
    pub fn new(made_at: Time, asked_at: Time, said: &TimeQuantiles, truth: Time) -> Scored {
        let ahead = |t: Time| t.since(asked_at).min(HORIZON);
        Scored {
            said: [said.p10, said.p50, said.p90].map(|t| t.map_or(HORIZON, ahead)),
            truth: ahead(truth),
            whole: truth.since(made_at),
        }
    }

    /// The middle of the forecast less the truth, s: positive where it came sooner than said.
    pub fn error(&self) -> f64 {
        self.said[1] - self.truth
    }

    /// Whether the truth lay within the 80 % interval.
    pub fn inside(&self) -> bool {
        self.said[0] <= self.truth && self.truth <= self.said[2]
    }

    /// The interval's width, s.
    pub fn width(&self) -> f64 {
        self.said[2] - self.said[0]
    }

    /// The interval score, s (eq. 43): 2/α = 10.
    pub fn interval_score(&self) -> f64 {
        let [low, _, high] = self.said;
        let missed = (low - self.truth).max(0.0) + (self.truth - high).max(0.0);
        self.width() + 2.0 / ALPHA * missed
    }

    /// By how much the interval would have to be stretched about its median for the truth to lie
    /// on its edge: at most 1 where it lay inside.
    pub fn ratio(&self) -> f64 {
        let [low, middle, high] = self.said;
        let off = self.truth - middle;
        // A width of a minute at least: times are told no finer.
        let half = if off < 0.0 { middle - low } else { high - middle };
        off.abs() / half.max(60.0)
    }
}

/// What many forecasts of one kind came to. Shares are of the whole time, made to event.
#[derive(Clone, PartialEq, Debug, serde::Serialize)]
pub struct Figures {
    /// Pots of which the truth is known.
    pub truths: usize,
    /// Forecasts made of them.
    pub forecasts: usize,
    /// How many of those held the truth within their 80 % intervals.
    pub inside: usize,
    /// The last truths, at most [`RECENT`].
    pub recent: usize,
    /// How many of these lay inside, each counted as the share of its forecasts that held it.
    pub recent_inside: f64,
    /// Median of the absolute error, h.
    pub median_error_h: f64,
    /// The same as a share of the whole.
    pub median_error_share: f64,
    /// Median of the error with its sign, as a share of the whole: positive where it came sooner
    /// than said.
    pub median_bias_share: f64,
    /// Median width of the 80 % interval as a share of the whole.
    pub median_width_share: f64,
    /// Mean interval score, h.
    pub mean_interval_score_h: f64,
    /// The same as a share of the whole.
    pub mean_interval_score_share: f64,
}

/// How many truths count as the last ones.
pub const RECENT: usize = 10;

/// Figures of forecasts, which come by truth in order of its time; `None` of none.
pub fn figures(truths: &[Vec<Scored>]) -> Option<Figures> {
    const HOUR: f64 = crate::units::HOUR;
    let truths: Vec<&Vec<Scored>> = truths.iter().filter(|f| !f.is_empty()).collect();
    let all: Vec<&Scored> = truths.iter().copied().flatten().collect();
    if all.is_empty() {
        return None;
    }
    let middle =
        |of: &dyn Fn(&Scored) -> f64| median(&mut all.iter().map(|s| of(s)).collect::<Vec<_>>());
    let mean =
        |of: &dyn Fn(&Scored) -> f64| all.iter().map(|s| of(s)).sum::<f64>() / all.len() as f64;
    let held = |of: &[Scored]| of.iter().filter(|s| s.inside()).count();
    let recent = &truths[truths.len().saturating_sub(RECENT)..];
    Some(Figures {
        truths: truths.len(),
        forecasts: all.len(),
        inside: all.iter().filter(|s| s.inside()).count(),
        recent: recent.len(),
        recent_inside: recent.iter().map(|of| held(of) as f64 / of.len() as f64).sum(),
        median_error_h: middle(&|s| s.error().abs() / HOUR),
        median_error_share: middle(&|s| s.error().abs() / s.whole),
        median_bias_share: middle(&|s| s.error() / s.whole),
        median_width_share: middle(&|s| s.width() / s.whole),
        mean_interval_score_h: mean(&|s| s.interval_score() / HOUR),
        mean_interval_score_share: mean(&|s| s.interval_score() / s.whole),
    })
}

/// Where a pot stood against its trimming window, as far as it is known now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Window {
    /// Not open yet.
    Before,
    /// Open.
    In,
    /// Closed.
    After,
    /// Within the truth's own 80 % interval of a limit.
    Unsure,
}

impl Window {
    /// At a time, from when the window opened and closed as known now.
    pub fn at(time: Time, opens: &TimeQuantiles, closes: &TimeQuantiles) -> Window {
        let after = |t: Option<Time>| t.is_none_or(|t| t > time);
        let by = |t: Option<Time>| t.is_some_and(|t| t <= time);
        if after(opens.p10) {
            Window::Before
        } else if by(closes.p90) {
            Window::After
        } else if by(opens.p90) && after(closes.p10) {
            Window::In
        } else {
            Window::Unsure
        }
    }
}

/// Whether a pot was dry, as far as it is known now: its wettest part, as `ready` promises.
#[derive(Clone, Copy, PartialEq, Eq, Debug, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dryness {
    /// At most 0.010 of free water in its wettest part, sure to 90 %.
    Dry,
    /// More than that, sure to 90 %.
    Damp,
    /// Neither is sure.
    Unsure,
}

/// Trim calls against what is known now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, serde::Serialize)]
pub struct TrimCalls {
    /// Asked about, where the truth is sure and the pot was not trimmed yet.
    pub asked: usize,
    /// Called `now`.
    pub now: usize,
    /// Of these, those whose window had not opened yet.
    pub too_soon: usize,
    /// Of these, those whose window had closed.
    pub too_late: usize,
    /// In their window.
    pub open: usize,
    /// Of these, those that were not called `now`.
    pub missed: usize,
}

impl TrimCalls {
    /// Counts a call.
    pub fn add(&mut self, call: TrimCall, window: Window) {
        if window == Window::Unsure || call == TrimCall::Done {
            return;
        }
        let now = call == TrimCall::Now;
        self.asked += 1;
        self.now += usize::from(now);
        self.too_soon += usize::from(now && window == Window::Before);
        self.too_late += usize::from(now && window == Window::After);
        self.open += usize::from(window == Window::In);
        self.missed += usize::from(!now && window == Window::In);
    }
}

/// Fire calls against what is known now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, serde::Serialize)]
pub struct FireCalls {
    /// Asked about, where the truth is sure.
    pub asked: usize,
    /// Called `ready`.
    pub ready: usize,
    /// Of these, those whose wettest part was damp.
    pub too_soon: usize,
    /// Dry in their wettest part, and weighed within 24 h.
    pub dry: usize,
    /// Of these, those called `wait`.
    pub missed: usize,
    /// Of these, those called `doubtful`.
    pub doubtful: usize,
}

impl FireCalls {
    /// Counts a call; of a dry pot only where it was weighed within the last 24 h, since without
    /// that nothing is called ready.
    pub fn add(&mut self, call: FireCall, dryness: Dryness, weighed: bool) {
        if dryness == Dryness::Unsure {
            return;
        }
        let dry = dryness == Dryness::Dry && weighed;
        self.asked += 1;
        self.ready += usize::from(call == FireCall::Ready);
        self.too_soon += usize::from(call == FireCall::Ready && dryness == Dryness::Damp);
        self.dry += usize::from(dry);
        self.missed += usize::from(dry && call == FireCall::Wait);
        self.doubtful += usize::from(dry && call == FireCall::Doubtful);
    }
}

/// By how much intervals should be wider (above 1) or narrower to hold as often as they promise.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize)]
pub struct Correction {
    /// What both halves of an interval are to be multiplied by; 1 from fewer than [`ENOUGH`] pots.
    pub factor: f64,
    /// What the record alone says; `None` where it is too short for 80 %.
    pub raw: Option<f64>,
    /// Pots it rests on.
    pub pots: usize,
}

impl Correction {
    /// From the ratios ([`Scored::ratio`]) of each pot's forecasts. A pot without any, and a ratio
    /// that is no number, do not count.
    pub fn from_ratios(pots: &[Vec<f64>]) -> Correction {
        let sound = |of: &Vec<f64>| of.iter().copied().filter(|r| *r >= 0.0).collect::<Vec<_>>();
        let pots: Vec<Vec<f64>> = pots.iter().map(sound).filter(|of| !of.is_empty()).collect();
        let raw = conformal(&pots);
        let n = pots.len();
        let factor = match raw {
            Some(raw) if n >= ENOUGH => {
                // Normal prior of the log factor about 0, normal likelihood of the record's.
                let (prior, record) = (PRIOR_SD.powi(2), ONE_POT_SD.powi(2) / n as f64);
                (raw.max(1e-9).ln() * prior / (prior + record)).exp().clamp(FACTOR.0, FACTOR.1)
            }
            _ => 1.0,
        };
        Correction { factor, raw, pots: n }
    }

    /// An interval with its median, corrected; what never comes stays so.
    pub fn apply(&self, q: &TimeQuantiles) -> TimeQuantiles {
        let Some(middle) = q.p50 else { return *q };
        let moved = |t: Option<Time>| t.map(|t| middle.plus(self.factor * t.since(middle)));
        TimeQuantiles { p10: moved(q.p10), p50: q.p50, p90: moved(q.p90) }
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::HOUR;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::Exp1;
    use statrs::distribution::{Binomial, DiscreteCDF};

    const MADE: Time = Time(1_932_904_800_000_000);

    fn at(hours: f64) -> Time {
        MADE.plus(hours * HOUR)
    }

    fn said(hours: [f64; 3]) -> TimeQuantiles {
        let [p10, p50, p90] = hours.map(|h| h.is_finite().then(|| at(h)));
        TimeQuantiles { p10, p50, p90 }
    }

    /// Asked at 4 h of age; all in hours of age.
    fn scored(hours: [f64; 3], truth: f64) -> Scored {
        Scored::new(MADE, at(4.0), &said(hours), at(truth))
    }

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-9, "{got}, {want}");
    }

    /// By hand: 8 – 11 – 16 h against 10, 18 and 7 h.
    #[test]
    fn one_forecast_by_hand() {
        let held = scored([8.0, 11.0, 16.0], 10.0);
        assert!(held.inside());
        close(held.error(), HOUR);
        close(held.whole, 10.0 * HOUR);
        close(held.interval_score(), 8.0 * HOUR);
        close(held.ratio(), 1.0 / 3.0);
        let late = scored([8.0, 11.0, 16.0], 18.0);
        assert!(!late.inside());
        close(late.error(), -7.0 * HOUR);
        close(late.interval_score(), (8.0 + 10.0 * 2.0) * HOUR);
        close(late.ratio(), 7.0 / 5.0);
        let soon = scored([8.0, 11.0, 16.0], 7.0);
        close(soon.interval_score(), (8.0 + 10.0 * 1.0) * HOUR);
        close(soon.ratio(), 4.0 / 3.0);
        // Its own ends belong to it.
        assert!(
            scored([8.0, 11.0, 16.0], 8.0).inside() && scored([8.0, 11.0, 16.0], 16.0).inside()
        );
    }

    /// An end that never comes counts as the horizon of 30 days.
    #[test]
    fn beyond_the_horizon() {
        let never = f64::INFINITY;
        let open = scored([8.0, 11.0, never], 400.0);
        assert!(open.inside());
        close(open.width(), 30.0 * 24.0 * HOUR - 4.0 * HOUR);
        let none = scored([never; 3], 10.0);
        assert!(!none.inside());
        close(none.error(), 30.0 * 24.0 * HOUR - 6.0 * HOUR);
        close(none.interval_score(), 10.0 * none.error());
        // What came later than any forecast can look is no miss of one that said so.
        assert!(scored([500.0, never, never], 40.0 * 24.0).inside());
    }

    /// Three pots by hand. Errors 1, −2, 3, 0.5 h of 10, 10, 20, 20 h; inside: yes, no, no, yes.
    #[test]
    fn figures_by_hand() {
        let pots = vec![
            vec![scored([9.0, 11.0, 12.0], 10.0), scored([7.0, 8.0, 9.0], 10.0)],
            vec![],
            vec![scored([21.0, 23.0, 25.0], 20.0), scored([19.5, 20.5, 21.0], 20.0)],
        ];
        let f = figures(&pots).unwrap();
        assert_eq!((f.truths, f.forecasts, f.inside, f.recent), (2, 4, 2, 2));
        close(f.recent_inside, 1.0);
        close(f.median_error_h, 1.5);
        close(f.median_error_share, 0.125);
        close(f.median_bias_share, (0.1 + 0.025) / 2.0);
        close(f.median_width_share, 0.2);
        close(f.mean_interval_score_h, (3.0 + 12.0 + 14.0 + 1.5) / 4.0);
        close(f.mean_interval_score_share, (0.3 + 1.2 + 0.7 + 0.075) / 4.0);
        assert_eq!(figures(&[vec![]]), None);
        // Only the last ten are the last ten.
        let many: Vec<_> = (0..12).map(|i| vec![pots[0][usize::from(i >= 9)]]).collect();
        let f = figures(&many).unwrap();
        assert_eq!((f.recent, f.recent_inside, f.inside), (10, 7.0, 9));
    }

    #[test]
    fn a_window_is_unsure_within_its_own_intervals() {
        let (opens, closes) = (said([9.0, 10.0, 11.0]), said([19.0, 20.0, 21.0]));
        let at = |h| Window::at(at(h), &opens, &closes);
        use Window::*;
        let got = [8.9, 9.0, 10.9, 11.0, 18.9, 19.0, 20.9, 21.0].map(at);
        assert_eq!(got, [Before, Unsure, Unsure, In, In, Unsure, Unsure, After]);
        let never = said([f64::INFINITY; 3]);
        assert_eq!(Window::at(self::at(400.0), &opens, &never), In);
        assert_eq!(Window::at(self::at(400.0), &never, &never), Before);
    }

    #[test]
    fn trim_calls_by_hand() {
        let mut calls = TrimCalls::default();
        for (call, window) in [
            (TrimCall::Now, Window::In),
            (TrimCall::Now, Window::Before),
            (TrimCall::Now, Window::After),
            (TrimCall::Now, Window::Unsure),
            (TrimCall::Soon, Window::In),
            (TrimCall::Past, Window::In),
            (TrimCall::Past, Window::After),
            (TrimCall::Wait, Window::Before),
            (TrimCall::Done, Window::In),
        ] {
            calls.add(call, window);
        }
        let want = TrimCalls { asked: 7, now: 3, too_soon: 1, too_late: 1, open: 3, missed: 2 };
        assert_eq!(calls, want);
    }

    #[test]
    fn fire_calls_by_hand() {
        let mut calls = FireCalls::default();
        for (call, dryness, weighed) in [
            (FireCall::Ready, Dryness::Dry, true),
            (FireCall::Ready, Dryness::Damp, true),
            (FireCall::Ready, Dryness::Unsure, true),
            (FireCall::Wait, Dryness::Dry, true),
            (FireCall::Wait, Dryness::Dry, false),
            (FireCall::Doubtful, Dryness::Dry, true),
            (FireCall::Doubtful, Dryness::Dry, false),
            (FireCall::Wait, Dryness::Damp, true),
        ] {
            calls.add(call, dryness, weighed);
        }
        let want = FireCalls { asked: 7, ready: 2, too_soon: 1, dry: 3, missed: 1, doubtful: 1 };
        assert_eq!(calls, want);
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
        // NumPy: quantile 1.65 of i/20 to 2; exp(ln 1.65 · 0.0625/(0.0625 + 0.889²/40)).
        let forty = one_each((1..=40).map(|i| f64::from(i) / 20.0));
        let found = Correction::from_ratios(&forty);
        assert_eq!((found.raw, found.pots), (Some(1.65), 40));
        assert!((found.factor - 1.463_003).abs() < 1e-6, "{}", found.factor);
        // More pots that say the same are believed more.
        let more: Vec<_> = forty.iter().cycle().take(400).cloned().collect();
        let more = Correction::from_ratios(&more);
        assert!(found.factor < more.factor && more.factor < 1.65, "{more:?}");
        // Too few say nothing yet.
        let few = Correction::from_ratios(&forty[..ENOUGH - 1]);
        assert_eq!((few.factor, few.pots), (1.0, ENOUGH - 1));
        assert_eq!(Correction::from_ratios(&[]).factor, 1.0);
        for (ratio, want) in [(1e3, 2.0), (1e-9, 0.7), (0.0, 0.7), (1.0, 1.0)] {
            close(Correction::from_ratios(&one_each([ratio; 100])).factor, want);
        }
        // No numbers are no pots.
        let none = [vec![f64::NAN], vec![-1.0], vec![]];
        assert_eq!(Correction::from_ratios(&none).pots, 0);
    }

    #[test]
    fn a_correction_moves_the_ends_about_the_middle() {
        let wider = Correction { factor: 1.5, raw: Some(1.5), pots: 50 };
        assert_eq!(wider.apply(&said([8.0, 10.0, 14.0])), said([7.0, 10.0, 16.0]));
        let never = f64::INFINITY;
        assert_eq!(wider.apply(&said([8.0, 10.0, never])), said([7.0, 10.0, never]));
        assert_eq!(wider.apply(&said([8.0, never, never])), said([8.0, never, never]));
        // Intervals so corrected hold the ratio that they were corrected by.
        let scored = Scored::new(MADE, at(4.0), &said([8.0, 10.0, 14.0]), at(16.0));
        close(scored.ratio(), 1.5);
    }
}
