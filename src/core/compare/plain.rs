//! Two treatments against each other by plain statistics: what a reader could do with a pocket
//! calculator and a table, or with any statistics package.
//!
//! - Welch's t for two groups (Biometrika 34 (1947) 28), Student's for pairs (Biometrika 6 (1908)
//!   1).
//! - Where pots are not dry yet: normal values of which some are only known to be more, or less,
//!   than something, by maximum likelihood (Tobin, Econometrica 26 (1958) 24; in Olsen's
//!   parameters, Econometrica 46 (1978) 1211, which have one maximum). Intervals are those of the
//!   profile likelihood, cut where they become Student's when nothing is censored.
//! - The log-rank test (Mantel, Cancer Chemother. Rep. 50 (1966) 163) and the middle of the curve
//!   of Kaplan & Meier (J. Am. Stat. Assoc. 53 (1958) 457).
//! - Losses: Fisher's exact test (J. R. Stat. Soc. 98 (1935) 39) and Newcombe's interval of a
//!   difference (Stat. Med. 17 (1998) 873, method 10); in pairs McNemar's test in its exact form
//!   (Psychometrika 12 (1947) 153) and Newcombe's interval of pairs (Stat. Med. 17 (1998) 2635,
//!   method 10), which of such intervals is among the two that are recommended for few pairs
//!   (Fagerland, Lydersen & Laake, Stat. Med. 33 (2014) 2850; from memory).
//! - Several answers from the same pots: Holm (Scand. J. Stat. 6 (1979) 65).

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal, StudentsT};
use statrs::function::erf::erfc;
use statrs::function::factorial::ln_binomial;
use std::f64::consts::{PI, SQRT_2};

/// How much is known of a value.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Known {
    /// The value.
    Exactly,
    /// That it is more than that.
    OrMore,
    /// That it is less than that.
    OrLess,
}

/// A value, or a bound of it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Seen {
    /// The value or bound.
    pub value: f64,
    /// Which of them it is.
    pub known: Known,
}

impl Seen {
    /// A value that is known.
    pub fn exactly(value: f64) -> Seen {
        Seen { value, known: Known::Exactly }
    }

    /// One of which is known that it is more.
    pub fn or_more(value: f64) -> Seen {
        Seen { value, known: Known::OrMore }
    }

    /// Whether it is known.
    pub fn is_exact(&self) -> bool {
        self.known == Known::Exactly
    }

    /// Its negative.
    pub fn negative(&self) -> Seen {
        let known = match self.known {
            Known::Exactly => Known::Exactly,
            Known::OrMore => Known::OrLess,
            Known::OrLess => Known::OrMore,
        };
        Seen { value: -self.value, known }
    }

    /// This less another; `None` where nothing follows of the difference.
    pub fn less(&self, other: &Seen) -> Option<Seen> {
        let other = other.negative();
        let known = match (self.known, other.known) {
            (known, Known::Exactly) => known,
            (Known::Exactly, known) => known,
            (a, b) if a == b => a,
            _ => return None,
        };
        Some(Seen { value: self.value + other.value, known })
    }
}

/// By what an effect was found.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Method {
    /// Welch's t.
    Welch,
    /// Student's t of differences in pairs.
    Pairs,
    /// Maximum likelihood with some values only bounded.
    Bounded,
    /// The same of differences in pairs.
    BoundedPairs,
    /// Fisher's exact test with Newcombe's interval.
    Fisher,
    /// McNemar's exact test with Newcombe's interval of pairs.
    McNemar,
    /// Means over pots, each as sure as its fit is.
    Pooled,
    /// The same of differences in pairs.
    PooledPairs,
}

impl Method {
    /// What it is called.
    pub fn words(self) -> &'static str {
        match self {
            Method::Welch => "Welch's t",
            Method::Pairs => "paired t",
            Method::Bounded => "censored normal",
            Method::BoundedPairs => "censored normal, paired",
            Method::Fisher => "Fisher's exact test",
            Method::McNemar => "McNemar's exact test",
            Method::Pooled => "random effects",
            Method::PooledPairs => "random effects, paired",
        }
    }
}

/// A difference with its interval.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Effect {
    /// Second less first; infinite where it is only known to be more, or less, than an end of the
    /// interval.
    pub value: f64,
    /// Lower end of the interval, perhaps infinite.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// How often so much, or more, would be seen though there were no difference.
    pub p: f64,
    /// By what it was found.
    pub method: Method,
}

impl Effect {
    /// From an estimate with its standard error and Student's degrees of freedom.
    pub fn student(
        value: f64,
        se: f64,
        freedom: f64,
        level: f64,
        method: Method,
    ) -> Option<Effect> {
        if !(value.is_finite() && se > 0.0 && freedom > 0.0) {
            return None;
        }
        let reach = se * student_quantile(0.5 * (1.0 + level), freedom);
        let p = student_p(value / se, freedom);
        Some(Effect { value, low: value - reach, high: value + reach, p, method })
    }

    /// The other way round.
    pub fn negative(&self) -> Effect {
        Effect { value: -self.value, low: -self.high, high: -self.low, ..*self }
    }
}

/// Quantile of Student's t: Newton's steps from the library's own, which ends at six digits.
pub fn student_quantile(p: f64, freedom: f64) -> f64 {
    let Ok(t) = StudentsT::new(0.0, 1.0, freedom) else { return f64::INFINITY };
    use statrs::distribution::Continuous;
    let mut x = t.inverse_cdf(p);
    for _ in 0..3 {
        x -= (t.cdf(x) - p) / t.pdf(x).max(f64::MIN_POSITIVE);
    }
    x
}

/// How often Student's t is as far from 0 as this.
fn student_p(t: f64, freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, freedom).map_or(1.0, |dist| 2.0 * dist.cdf(-t.abs()))
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Variance with n − 1.
pub fn variance(values: &[f64]) -> f64 {
    let middle = mean(values);
    values.iter().map(|v| (v - middle).powi(2)).sum::<f64>() / (values.len() - 1) as f64
}

/// The second group against the first; `None` where one has fewer than two, or none varies.
pub fn welch(first: &[f64], second: &[f64], level: f64) -> Option<Effect> {
    if first.len().min(second.len()) < 2 {
        return None;
    }
    let parts = [first, second].map(|of| (variance(of) / of.len() as f64, of.len() as f64 - 1.0));
    let (se2, freedom) = satterthwaite(&parts);
    Effect::student(mean(second) - mean(first), se2.sqrt(), freedom, level, Method::Welch)
}

/// Variance of a difference of independent means, with its degrees of freedom (Satterthwaite,
/// Biometrics Bull. 2 (1946) 110).
pub fn satterthwaite(parts: &[(f64, f64); 2]) -> (f64, f64) {
    let sum = parts[0].0 + parts[1].0;
    let below: f64 = parts.iter().map(|(v, freedom)| v * v / freedom).sum();
    (sum, if below > 0.0 { sum * sum / below } else { 0.0 })
}

/// Differences in pairs, second less first.
pub fn pairs(differences: &[f64], level: f64) -> Option<Effect> {
    let n = differences.len();
    if n < 2 {
        return None;
    }
    let se = (variance(differences) / n as f64).sqrt();
    Effect::student(mean(differences), se, n as f64 - 1.0, level, Method::Pairs)
}

/// ln of the upper tail of a standard normal distribution.
fn ln_tail(z: f64) -> f64 {
    match z {
        z if z < 30.0 => (0.5 * erfc(z / SQRT_2)).ln(),
        // The first term of the asymptotic series (Abramowitz & Stegun 26.2.12).
        _ => -0.5 * z * z - (z * (2.0 * PI).sqrt()).ln(),
    }
}

/// φ(u)/Φ(u).
fn mills(u: f64) -> f64 {
    (-0.5 * u * u - 0.5 * (2.0 * PI).ln() - ln_tail(-u)).exp()
}

/// A normal regression with bounded values.
#[derive(Clone, Debug)]
pub struct Regression {
    /// Coefficients.
    pub coefficients: DVector<f64>,
    /// Standard deviation about them.
    pub sd: f64,
    /// ln of the likelihood.
    pub ln_likelihood: f64,
}

/// Most steps of Newton's method; it takes some ten.
const STEPS: usize = 100;

/// Maximum likelihood of a normal regression with bounded values: in γ = β/σ and h = 1/σ the
/// likelihood has one maximum (Olsen 1978). `None` where there is none that is finite.
pub fn regression(x: &DMatrix<f64>, y: &[Seen]) -> Option<Regression> {
    let (n, k) = x.shape();
    let exact: Vec<f64> = y.iter().filter(|y| y.is_exact()).map(|y| y.value).collect();
    if exact.len() <= k || n != y.len() {
        return None;
    }
    let spread = exact.iter().map(|v| v.abs()).fold(0.0, f64::max);
    let mut at = DVector::zeros(k + 1);
    at[k] = 1.0 / spread.max(1e-9);
    let mut here = likelihood(x, y, &at)?;
    for _ in 0..STEPS {
        let (_, gradient, hessian) = &here;
        let step = (-hessian).cholesky()?.solve(gradient);
        let mut share = 1.0;
        let next = loop {
            let moved = &at + &step * share;
            let found = likelihood(x, y, &moved);
            match found.filter(|found| found.0 >= here.0 - 1e-13 * here.0.abs()) {
                Some(found) => break Some((moved, found)),
                None if share < 1e-10 => break None,
                None => share *= 0.5,
            }
        };
        let Some((moved, found)) = next else { break };
        let gained = found.0 - here.0;
        (at, here) = (moved, found);
        if gained.abs() < 1e-13 * (1.0 + here.0.abs()) && share == 1.0 {
            break;
        }
    }
    let h = at[k];
    let coefficients = at.rows(0, k) / h;
    let found = coefficients.iter().all(|c| c.is_finite()) && h.is_finite();
    found.then_some(Regression { coefficients, sd: 1.0 / h, ln_likelihood: here.0 })
}

/// ln of the likelihood with its first and second derivatives; `None` outside.
fn likelihood(
    x: &DMatrix<f64>,
    y: &[Seen],
    at: &DVector<f64>,
) -> Option<(f64, DVector<f64>, DMatrix<f64>)> {
    let k = x.ncols();
    let h = at[k];
    if !(h > 0.0 && h.is_finite()) {
        return None;
    }
    let (mut sum, mut gradient) = (0.0, DVector::zeros(k + 1));
    let mut hessian = DMatrix::zeros(k + 1, k + 1);
    for (i, y) in y.iter().enumerate() {
        // e = h·y − x·γ and how it moves.
        let along = DVector::from_fn(k + 1, |c, _| if c == k { y.value } else { -x[(i, c)] });
        let e = along.dot(at);
        let side = match y.known {
            Known::Exactly => {
                sum += h.ln() - 0.5 * e * e - 0.5 * (2.0 * PI).ln();
                gradient -= &along * e;
                gradient[k] += 1.0 / h;
                hessian -= &along * along.transpose();
                hessian[(k, k)] -= 1.0 / (h * h);
                continue;
            }
            Known::OrMore => -1.0,
            Known::OrLess => 1.0,
        };
        let u = side * e;
        let lambda = mills(u);
        sum += ln_tail(-u);
        gradient += &along * (side * lambda);
        hessian -= &along * along.transpose() * (lambda * (lambda + u));
    }
    sum.is_finite().then_some((sum, gradient, hessian))
}

/// How far from nothing effects are looked for, in ranges of the values (or, where these hardly
/// vary, in tenths).
const FAR: f64 = 30.0;

/// Logarithms of likelihoods this close are the same.
const FLAT: f64 = 1e-6;

/// A likelihood over effects, all else as likely as it can be.
struct Profile<'a> {
    values: &'a [Seen],
    /// Whether the effect counts for each.
    moved: &'a [bool],
    /// Whether the others have a middle of their own.
    middle: bool,
}

impl Profile<'_> {
    fn at(&self, effect: f64) -> Option<f64> {
        let shift = |(y, moved): (&Seen, &bool)| Seen {
            value: y.value - if *moved { effect } else { 0.0 },
            ..*y
        };
        let y: Vec<Seen> = self.values.iter().zip(self.moved).map(shift).collect();
        let columns = usize::from(self.middle);
        let x = DMatrix::from_element(y.len(), columns, 1.0);
        Some(regression(&x, &y)?.ln_likelihood)
    }

    /// The likeliest effect within a distance of 0 (golden section; there is one hill).
    fn top(&self, far: f64) -> Option<(f64, f64)> {
        let ratio = 0.5 * (5f64.sqrt() - 1.0);
        let (mut low, mut high) = (-far, far);
        let mut inner = [high - ratio * (high - low), low + ratio * (high - low)];
        let mut value = [self.at(inner[0])?, self.at(inner[1])?];
        while high - low > 1e-9 * far {
            if value[0] < value[1] {
                low = inner[0];
                inner = [inner[1], low + ratio * (high - low)];
                value = [value[1], self.at(inner[1])?];
            } else {
                high = inner[1];
                inner = [high - ratio * (high - low), inner[0]];
                value = [self.at(inner[0])?, value[0]];
            }
        }
        let middle = 0.5 * (low + high);
        Some((middle, self.at(middle)?))
    }

    /// Where it falls to a level on the way from its top; infinite where it never does.
    fn end(&self, top: f64, towards: f64, level: f64) -> Option<f64> {
        if self.at(towards)? >= level {
            return Some(f64::INFINITY.copysign(towards - top));
        }
        let (mut inside, mut outside) = (top, towards);
        while (outside - inside).abs() > 1e-10 * (towards - top).abs() {
            let middle = 0.5 * (inside + outside);
            match self.at(middle)? >= level {
                true => inside = middle,
                false => outside = middle,
            }
        }
        Some(0.5 * (inside + outside))
    }

    fn effect(&self, level: f64, method: Method) -> Option<Effect> {
        let known = self.values.iter().filter(|y| y.is_exact()).count() as f64;
        let freedom = known - 1.0 - f64::from(u8::from(self.middle));
        if freedom < 1.0 {
            return None;
        }
        // The same whichever group comes first.
        let all = || self.values.iter().map(|y| y.value);
        let (low, high) =
            (all().fold(f64::INFINITY, f64::min), all().fold(-f64::INFINITY, f64::max));
        let centre = if self.middle { 0.0 } else { low.abs().max(high.abs()) };
        let far = centre + FAR * (high - low).max(0.1);
        let (top, best) = self.top(far)?;
        // Without bounds 2·ln(ratio) = n·ln(1 + t²/ν), exactly.
        let t = student_quantile(0.5 * (1.0 + level), freedom);
        let cut = best - 0.5 * known * (1.0 + t * t / freedom).ln();
        let (low, high) = (self.end(top, -far, cut)?, self.end(top, far, cut)?);
        let nothing = 2.0 * (best - self.at(0.0)?).max(0.0);
        let t = (freedom * ((nothing / known).exp() - 1.0)).sqrt();
        // Where it rises, or stays, up to an end there is no likeliest one.
        let goes_on = |end: f64| Some(self.at(end)? > best - FLAT);
        let value = match (goes_on(-far)?, goes_on(far)?) {
            (true, _) => f64::NEG_INFINITY,
            (_, true) => f64::INFINITY,
            _ => top,
        };
        Some(Effect { value, low, high, p: student_p(t, freedom), method })
    }
}

/// The second group against the first where some values are bounds; both vary alike. `None` with
/// too few known values.
pub fn bounded(first: &[Seen], second: &[Seen], level: f64) -> Option<Effect> {
    let values: Vec<Seen> = first.iter().chain(second).copied().collect();
    let moved: Vec<bool> = (0..values.len()).map(|i| i >= first.len()).collect();
    let profile = Profile { values: &values, moved: &moved, middle: true };
    profile.effect(level, Method::Bounded)
}

/// Differences in pairs, second less first, of which some are bounds.
pub fn bounded_pairs(differences: &[Seen], level: f64) -> Option<Effect> {
    let moved = vec![true; differences.len()];
    let profile = Profile { values: differences, moved: &moved, middle: false };
    profile.effect(level, Method::BoundedPairs)
}

/// The log-rank test of two groups of times, known or only known to be later: its χ² of one degree
/// of freedom, and how often it is as large by chance. `None` where nothing happened.
pub fn log_rank(first: &[Seen], second: &[Seen]) -> Option<(f64, f64)> {
    let mut events: Vec<f64> =
        first.iter().chain(second).filter(|t| t.is_exact()).map(|t| t.value).collect();
    events.sort_by(f64::total_cmp);
    events.dedup();
    let (mut observed, mut expected, mut variance) = (0.0, 0.0, 0.0);
    for time in events {
        let at_risk = |of: &[Seen]| of.iter().filter(|t| t.value >= time).count() as f64;
        let died =
            |of: &[Seen]| of.iter().filter(|t| t.is_exact() && t.value == time).count() as f64;
        let (a, b) = (at_risk(first), at_risk(second));
        let (all, deaths) = (a + b, died(first) + died(second));
        observed += died(first);
        expected += deaths * a / all;
        if all > 1.0 {
            variance += deaths * (a / all) * (b / all) * (all - deaths) / (all - 1.0);
        }
    }
    let chi2 = (observed - expected).powi(2) / variance;
    let p = ChiSquared::new(1.0).ok()?.sf(chi2);
    (variance > 0.0).then_some((chi2, p))
}

/// Share that is still to come after each time at which something happened (Kaplan & Meier).
pub fn still_to_come(times: &[Seen]) -> Vec<(f64, f64)> {
    let mut events: Vec<f64> = times.iter().filter(|t| t.is_exact()).map(|t| t.value).collect();
    events.sort_by(f64::total_cmp);
    events.dedup();
    let mut share = 1.0;
    let mut curve = Vec::new();
    for time in events {
        let at_risk = times.iter().filter(|t| t.value >= time).count() as f64;
        let now = times.iter().filter(|t| t.is_exact() && t.value == time).count() as f64;
        share *= 1.0 - now / at_risk;
        curve.push((time, share));
    }
    curve
}

/// When the half of them has come, if it has.
pub fn half_has_come(times: &[Seen]) -> Option<f64> {
    still_to_come(times).into_iter().find(|(_, share)| *share <= 0.5 + 1e-12).map(|(time, _)| time)
}

/// So many of so many.
pub type Share = (u64, u64);

/// Wilson's score interval of a share (J. Am. Stat. Assoc. 22 (1927) 209).
fn wilson((some, all): Share, z: f64) -> (f64, f64) {
    let (n, p) = (all as f64, some as f64 / all as f64);
    let middle = p + z * z / (2.0 * n);
    let reach = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    let over = 1.0 + z * z / n;
    (((middle - reach) / over).max(0.0), ((middle + reach) / over).min(1.0))
}

/// Newcombe's interval of the second share less the first; what the two have in common (the
/// correlation of pairs) makes it narrower.
fn newcombe(first: Share, second: Share, common: f64, level: f64) -> (f64, f64, f64) {
    let z = Normal::standard().inverse_cdf(0.5 * (1.0 + level));
    let of = |s: Share| s.0 as f64 / s.1 as f64;
    let (p, q) = (of(first), of(second));
    let ((l1, u1), (l2, u2)) = (wilson(first, z), wilson(second, z));
    let reach = |a: f64, b: f64| (a * a - 2.0 * common * a * b + b * b).max(0.0).sqrt();
    let value = q - p;
    (value, value - reach(q - l2, u1 - p), value + reach(u2 - q, p - l1))
}

/// Two shares of pots that are no pairs; `None` where a group is empty.
pub fn fisher(first: Share, second: Share, level: f64) -> Option<Effect> {
    if first.1 == 0 || second.1 == 0 {
        return None;
    }
    let (some, all) = (first.0 + second.0, first.1 + second.1);
    let ln_p =
        |a: u64| ln_binomial(first.1, a) + ln_binomial(second.1, some - a) - ln_binomial(all, some);
    let here = ln_p(first.0);
    // As likely up to rounding counts as no likelier.
    let tables = some.saturating_sub(second.1)..=some.min(first.1);
    let p: f64 = tables.map(ln_p).filter(|p| *p <= here + 1e-7).map(f64::exp).sum();
    let (value, low, high) = newcombe(first, second, 0.0, level);
    Some(Effect { value, low, high, p: p.min(1.0), method: Method::Fisher })
}

/// Pairs by what became of them.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct PairsLost {
    /// Both lost.
    pub both: u64,
    /// The first alone.
    pub first: u64,
    /// The second alone.
    pub second: u64,
    /// None.
    pub none: u64,
}

impl PairsLost {
    /// Correlation of the two, as Newcombe takes it: drawn in where it is for the good of the
    /// interval.
    fn common(&self) -> f64 {
        let [both, first, second, none] =
            [self.both, self.first, self.second, self.none].map(|n| n as f64);
        let margins = (both + first) * (second + none) * (both + second) * (first + none);
        let crossed = both * none - first * second;
        let half = 0.5 * (both + first + second + none);
        let crossed = if crossed > 0.0 { (crossed - half).max(0.0) } else { crossed };
        if margins > 0.0 { crossed / margins.sqrt() } else { 0.0 }
    }
}

/// Losses in pairs; `None` without a pair.
pub fn mcnemar(pairs: PairsLost, level: f64) -> Option<Effect> {
    let PairsLost { both, first, second, none } = pairs;
    let all = both + first + second + none;
    if all == 0 {
        return None;
    }
    let apart = first + second;
    let ln_p = |k: u64| ln_binomial(apart, k) - apart as f64 * 2f64.ln();
    let tail: f64 = (0..=first.min(second)).map(|k| ln_p(k).exp()).sum();
    let (value, low, high) =
        newcombe((both + first, all), (both + second, all), pairs.common(), level);
    Some(Effect { value, low, high, p: (2.0 * tail).min(1.0), method: Method::McNemar })
}

/// Of several p the same as if there had been one question alone (Holm), in their order.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut adjusted = vec![0.0; p.len()];
    let mut most: f64 = 0.0;
    for (rank, i) in order.into_iter().enumerate() {
        most = most.max((p.len() - rank) as f64 * p[i]).min(1.0);
        adjusted[i] = most;
    }
    adjusted
}
