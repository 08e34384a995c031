//! The hand's verdict: what a potter calls soft, right or stiff moves the body's trimming band.
//!
//! An ordered response with two thresholds (ordered probit; McCullagh, "Regression models for
//! ordinal data", J. R. Stat. Soc. B 42, 1980): a pot of water X is *soft* with the probability
//! Φ((X − from)/τ), *stiff* with Φ((to − X)/τ), else *right*. τ is how sharply a hand can tell. X
//! is itself known to a deviation s only, and a normal error inside a probit adds to its width:
//! τ² + s² stands in the place of τ². The posterior of the two thresholds is summed on a grid,
//! which is then laid closer about where the first one found it; no approximation by a normal is
//! made on the way.
//!
//! Water is on the dry basis, kg/kg.

use crate::records::Verdict;
use statrs::function::erf::erfc;
use std::f64::consts::SQRT_2;

/// How sharply a hand tells soft from right and right from stiff, dry basis: about one point of
/// water (common practice, no source).
pub const HAND_SD: f64 = 0.010;
/// Deviation of a limit that the potter gave: half a point about the limit (common practice, no
/// source).
pub const GIVEN_SD: f64 = 0.005;
/// Deviation of a limit that was supposed: bodies trim from 20–26 down to 13–19 % (from memory,
/// trade).
pub const SUPPOSED_SD: f64 = 0.025;
/// A verdict at water less sure than this says nothing about limits that lie some seven points
/// apart, save, wrongly, that a band in which any pot is right must be wide.
const VAGUE_SD: f64 = 0.05;
/// Narrowest trimming band, dry basis: a band of no width would forbid `right` (common practice,
/// no source).
const NARROWEST: f64 = 0.01;

/// Points of the grid along each limit, and how far it reaches, in deviations.
const POINTS: usize = 81;
const REACH: f64 = 4.5;
/// How often the grid is laid anew about what the last one found.
const PASSES: usize = 3;

/// One limit of the trimming band, dry basis.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Limit {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
}

impl Limit {
    /// As the potter gave it.
    pub fn given(mean: f64) -> Limit {
        Limit { mean, sd: GIVEN_SD }
    }

    /// Nobody gave it.
    pub fn supposed(mean: f64) -> Limit {
        Limit { mean, sd: SUPPOSED_SD }
    }
}

/// A trimming band that is known more or less: first soft, then from `from` down to `to` right,
/// then stiff.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FuzzyBand {
    /// Water at which a pot first can be trimmed.
    pub from: Limit,
    /// Water below which it is too stiff.
    pub to: Limit,
}

/// A verdict, and the mean water of the pot at that moment.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Felt {
    /// What the hand said.
    pub verdict: Verdict,
    /// Mean water, dry basis.
    pub water: f64,
    /// Its standard deviation.
    pub sd: f64,
}

/// The band after these verdicts. Those whose water is no number, or not known to within a
/// deviation of 0.05, count for nothing; without any the band comes back as it was.
///
/// `hand_sd`: how sharply the hand tells, dry basis ([`HAND_SD`]).
pub fn learn(prior: &FuzzyBand, felt: &[Felt], hand_sd: f64) -> FuzzyBand {
    let counts = |f: &&Felt| f.water.is_finite() && (0.0..=VAGUE_SD).contains(&f.sd);
    let felt: Vec<Felt> = felt.iter().filter(counts).copied().collect();
    let positive = |sd: f64| sd.is_finite() && sd > 0.0;
    if felt.is_empty() || ![prior.from.sd, prior.to.sd, hand_sd].into_iter().all(positive) {
        return *prior;
    }
    let mut about = *prior;
    for _ in 0..PASSES {
        match on_grid(prior, &felt, hand_sd, &about) {
            Some(found) => about = found,
            // Verdicts that contradict the prior beyond all measure: it stays, and is no surer.
            None => return *prior,
        }
    }
    about
}

/// Mean and deviation of both limits, summed on a grid about `about`; `None` where all of it has
/// no weight.
fn on_grid(prior: &FuzzyBand, felt: &[Felt], hand_sd: f64, about: &FuzzyBand) -> Option<FuzzyBand> {
    let axis = |limit: &Limit| -> Vec<f64> {
        let step = 2.0 * REACH * limit.sd.max(1e-6) / (POINTS - 1) as f64;
        let at = |i: usize| limit.mean + (i as f64 - (POINTS - 1) as f64 / 2.0) * step;
        (0..POINTS).map(at).collect()
    };
    let (from, to) = (axis(&about.from), axis(&about.to));
    // A limit by itself: its prior, and the verdicts that speak of it alone.
    let alone = |limit: &Limit, axis: &[f64], verdict: Verdict, side: f64| -> Vec<f64> {
        let its = || felt.iter().filter(|f| f.verdict == verdict);
        let at = |x: &f64| {
            let off = (x - limit.mean) / limit.sd;
            let said = its().map(|f| ln_phi(side * (f.water - x) / hand_sd.hypot(f.sd)));
            -0.5 * off * off + said.sum::<f64>()
        };
        axis.iter().map(at).collect()
    };
    let ln_from = alone(&prior.from, &from, Verdict::Soft, 1.0);
    let ln_to = alone(&prior.to, &to, Verdict::Stiff, -1.0);
    // `right` speaks of both: Φ(below `from`) − Φ(below `to`).
    let below = |axis: &[f64]| -> Vec<Vec<f64>> {
        let its = || felt.iter().filter(|f| f.verdict == Verdict::Right);
        let at = |x: &f64| its().map(|f| phi((x - f.water) / hand_sd.hypot(f.sd))).collect();
        axis.iter().map(at).collect()
    };
    let (below_from, below_to) = (below(&from), below(&to));
    let mut sums = Sums::default();
    for (i, a) in from.iter().enumerate() {
        for (j, b) in to.iter().enumerate().filter(|(_, b)| a - **b >= NARROWEST) {
            let right = below_from[i].iter().zip(&below_to[j]).map(|(f, t)| f - t);
            sums.add(ln_from[i] + ln_to[j] + ln_product(right), *a, *b);
        }
    }
    sums.band()
}

/// The logarithm of the product of many probabilities; none of them counts as nothing at all. A
/// logarithm takes ten times as long as all the rest: it is taken of as many as do not run out of
/// the range of a number together.
fn ln_product(all: impl Iterator<Item = f64>) -> f64 {
    const SMALL: f64 = 1e-150;
    let (mut sum, mut product) = (0.0, 1.0);
    for one in all {
        if one < SMALL {
            sum += one.max(f64::MIN_POSITIVE).ln();
            continue;
        }
        product *= one;
        if product < SMALL {
            sum += product.ln();
            product = 1.0;
        }
    }
    sum + product.ln()
}

/// Weighted sums, each weight given by its logarithm.
#[derive(Default)]
struct Sums {
    largest: Option<f64>,
    weight: f64,
    first: [f64; 2],
    second: [f64; 2],
    /// Taken off before squaring, so that no digits are lost.
    origin: [f64; 2],
}

impl Sums {
    fn add(&mut self, ln_weight: f64, from: f64, to: f64) {
        if !ln_weight.is_finite() {
            return;
        }
        let largest = match self.largest {
            None => {
                self.origin = [from, to];
                ln_weight
            }
            Some(largest) if ln_weight > largest => {
                let shrink = (largest - ln_weight).exp();
                self.weight *= shrink;
                self.first = self.first.map(|v| v * shrink);
                self.second = self.second.map(|v| v * shrink);
                ln_weight
            }
            Some(largest) => largest,
        };
        self.largest = Some(largest);
        let weight = (ln_weight - largest).exp();
        self.weight += weight;
        for (k, x) in [from, to].into_iter().enumerate() {
            let off = x - self.origin[k];
            self.first[k] += weight * off;
            self.second[k] += weight * off * off;
        }
    }

    fn band(&self) -> Option<FuzzyBand> {
        let limit = |k: usize| {
            let off = self.first[k] / self.weight;
            let variance = (self.second[k] / self.weight - off * off).max(0.0);
            Limit { mean: self.origin[k] + off, sd: variance.sqrt().max(1e-6) }
        };
        let band = FuzzyBand { from: limit(0), to: limit(1) };
        let all = [band.from.mean, band.from.sd, band.to.mean, band.to.sd];
        all.iter().all(|v| v.is_finite()).then_some(band)
    }
}

/// Φ, the normal distribution.
fn phi(x: f64) -> f64 {
    0.5 * erfc(-x / SQRT_2)
}

/// ln Φ; far below, where Φ has no digits left, by its asymptote φ(x)/|x| (Abramowitz & Stegun
/// 26.2.12, leading term: 0.1 % off in Φ at −30).
fn ln_phi(x: f64) -> f64 {
    if x > -30.0 {
        return phi(x).ln();
    }
    -0.5 * x * x - (-x).ln() - 0.5 * (2.0 * std::f64::consts::PI).ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Source: SciPy, adaptive quadrature; see `fixtures/generate_verdicts.py`.
    #[test]
    fn the_posterior_is_that_of_numerical_integration() {
        let text = include_str!("../../fixtures/verdict_bands.csv");
        let mut cases = 0;
        for line in text.lines().filter(|l| !l.starts_with('#')).skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            let n = |i: usize| fields[i].parse::<f64>().unwrap();
            let limit = |i: usize| Limit { mean: n(i), sd: n(i + 1) };
            let prior = FuzzyBand { from: limit(0), to: limit(2) };
            let felt: Vec<Felt> = fields[5].split(' ').map(felt).collect();
            let found = learn(&prior, &felt, n(4));
            let want = FuzzyBand { from: limit(6), to: limit(8) };
            for (got, want) in [(found.from, want.from), (found.to, want.to)] {
                let within = 0.02 * want.sd;
                assert!((got.mean - want.mean).abs() < within, "{line}: {got:?}");
                assert!((got.sd - want.sd).abs() < within, "{line}: {got:?}");
            }
            cases += 1;
        }
        assert!(cases >= 6);
    }

    /// `soft@0.24±0.01`
    fn felt(text: &str) -> Felt {
        let (verdict, rest) = text.split_once('@').unwrap();
        let (water, sd) = rest.split_once('±').unwrap();
        let verdict = match verdict {
            "soft" => Verdict::Soft,
            "right" => Verdict::Right,
            "stiff" => Verdict::Stiff,
            other => panic!("{other}"),
        };
        Felt { verdict, water: water.parse().unwrap(), sd: sd.parse().unwrap() }
    }

    #[test]
    fn the_logarithm_of_a_product_is_the_sum_of_logarithms() {
        for scale in [1.0, 0.3, 1e-40, 1e-149, 1e-151, 0.0] {
            let all: Vec<f64> = (1..1000).map(|k| scale * f64::from(k % 37) / 37.0).collect();
            let sum: f64 = all.iter().map(|one| one.max(f64::MIN_POSITIVE).ln()).sum();
            let product = ln_product(all.into_iter());
            assert!((product - sum).abs() < 1e-9 * sum.abs(), "{scale}: {product} {sum}");
        }
    }

    const BAND: FuzzyBand = FuzzyBand {
        from: Limit { mean: 0.23, sd: SUPPOSED_SD },
        to: Limit { mean: 0.16, sd: SUPPOSED_SD },
    };

    #[test]
    fn soft_lowers_the_upper_limit_stiff_raises_the_lower_one_and_right_widens_the_band() {
        let one = |text: &str| learn(&BAND, &[felt(text)], HAND_SD);
        let soft = one("soft@0.22±0.01");
        assert!(soft.from.mean < 0.222 && (soft.to.mean - 0.16).abs() < 0.005, "{soft:?}");
        let stiff = one("stiff@0.17±0.01");
        assert!(stiff.to.mean > 0.168 && (stiff.from.mean - 0.23).abs() < 0.005, "{stiff:?}");
        let right = one("right@0.25±0.01");
        assert!(right.from.mean > 0.255, "{right:?}");
        assert!(right.from.sd < BAND.from.sd);
        // A verdict at a water that nobody knows says nothing.
        assert_eq!(one("right@0.25±0.2"), BAND);
    }

    #[test]
    fn a_given_limit_is_firmer_than_a_supposed_one() {
        let given = FuzzyBand { from: Limit::given(0.23), to: Limit::given(0.16) };
        let soft = [felt("soft@0.21±0.005")];
        let moved = |band: &FuzzyBand| 0.23 - learn(band, &soft, HAND_SD).from.mean;
        assert!(moved(&given) > 0.0 && moved(&given) < 0.6 * moved(&BAND));
    }

    #[test]
    fn nothing_said_changes_nothing() {
        assert_eq!(learn(&BAND, &[], HAND_SD), BAND);
        let nothing = Felt { verdict: Verdict::Soft, water: f64::NAN, sd: 0.01 };
        assert_eq!(learn(&BAND, &[nothing], HAND_SD), BAND);
    }

    #[test]
    fn the_tail_of_the_normal_joins() {
        // ln Φ(−30) = −454.3212439563432 (SciPy 1.17, scipy.stats.norm.logcdf).
        assert!((ln_phi(-30.0) + 454.321_243_956_343_2).abs() < 2e-3);
        assert!((ln_phi(-29.999_999) - ln_phi(-30.000_001)).abs() < 2e-3);
        assert!(ln_phi(-1e9).is_finite());
    }

    fn any_felt() -> impl Strategy<Value = Felt> {
        let verdict = prop::sample::select(vec![Verdict::Soft, Verdict::Right, Verdict::Stiff]);
        (verdict, 0.0..0.6, 0.0..0.1).prop_map(|(verdict, water, sd)| Felt { verdict, water, sd })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        #[test]
        fn any_verdicts_leave_a_band(said in prop::collection::vec(any_felt(), 0..30)) {
            let found = learn(&BAND, &said, HAND_SD);
            prop_assert!(found.from.mean > found.to.mean, "{found:?}");
            prop_assert!(found.from.sd > 0.0 && found.from.sd < 2.0 * BAND.from.sd, "{found:?}");
            prop_assert!(found.to.sd > 0.0 && found.to.sd < 2.0 * BAND.to.sd, "{found:?}");
        }

        /// The hand of a made-up potter with limits of 0.26 and 0.19, far from what was supposed.
        #[test]
        fn many_verdicts_find_the_potters_own_band(seed in prop::collection::vec(0.0..1.0f64, 60)) {
            let felt: Vec<Felt> = seed.chunks_exact(2).map(|u| {
                let water = 0.15 + 0.15 * u[0];
                let verdict = match u[1] {
                    u if u < phi((water - 0.26) / HAND_SD) => Verdict::Soft,
                    u if 1.0 - u < phi((0.19 - water) / HAND_SD) => Verdict::Stiff,
                    _ => Verdict::Right,
                };
                Felt { verdict, water, sd: 0.003 }
            }).collect();
            let found = learn(&BAND, &felt, HAND_SD);
            let within = |limit: Limit, truth: f64| (limit.mean - truth).abs() < 4.5 * limit.sd;
            prop_assert!(within(found.from, 0.26) && within(found.to, 0.19), "{found:?}");
            prop_assert!(found.from.sd < 0.6 * SUPPOSED_SD && found.to.sd < 0.6 * SUPPOSED_SD);
        }
    }
}
