//! Pots of a treatment together, each as sure as its own fit is.
//!
//! A pot's value is that of its treatment and a departure of its own, and is known to a standard
//! deviation: a random-effects mean (DerSimonian & Laird, Control. Clin. Trials 7 (1986) 177) with
//! the variance of Hartung & Knapp (Stat. Med. 20 (2001) 3875), which counts how few pots there
//! are, and never less than the fits alone leave open (Röver, Knapp & Friede, BMC Med. Res.
//! Methodol. 15 (2015) 99).

use super::plain::{Effect, Method, satterthwaite};

/// A mean over pots.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pooled {
    /// The mean.
    pub mean: f64,
    /// Its variance.
    pub variance: f64,
    /// Degrees of freedom of that.
    pub freedom: f64,
    /// Variance between pots.
    pub between: f64,
}

/// Least variance of a pot: nothing is known better.
const LEAST: f64 = 1e-10;

/// Mean of values with their standard deviations; `None` of fewer than two.
pub fn pooled(values: &[(f64, f64)]) -> Option<Pooled> {
    if values.len() < 2 {
        return None;
    }
    let freedom = (values.len() - 1) as f64;
    let own: Vec<(f64, f64)> = values.iter().map(|(y, sd)| (*y, (sd * sd).max(LEAST))).collect();
    let weigh = |between: f64| {
        let weights: Vec<f64> = own.iter().map(|(_, v)| 1.0 / (v + between)).collect();
        let all: f64 = weights.iter().sum();
        let mean = own.iter().zip(&weights).map(|((y, _), w)| w * y).sum::<f64>() / all;
        let far = own.iter().zip(&weights).map(|((y, _), w)| w * (y - mean).powi(2)).sum::<f64>();
        let square: f64 = weights.iter().map(|w| w * w).sum();
        (mean, far, all, square)
    };
    let (_, far, all, square) = weigh(0.0);
    let between = ((far - freedom) / (all - square / all)).max(0.0);
    let (mean, far, all, _) = weigh(between);
    let variance = (far / freedom).max(1.0) / all;
    let found = mean.is_finite() && variance.is_finite() && between.is_finite();
    found.then_some(Pooled { mean, variance, freedom, between })
}

/// The second group against the first.
pub fn groups(first: &[(f64, f64)], second: &[(f64, f64)], level: f64) -> Option<Effect> {
    let (a, b) = (pooled(first)?, pooled(second)?);
    let (variance, freedom) = satterthwaite(&[(a.variance, a.freedom), (b.variance, b.freedom)]);
    Effect::student(b.mean - a.mean, variance.sqrt(), freedom, level, Method::Pooled)
}

/// Differences in pairs with their standard deviations, second less first.
pub fn pairs(differences: &[(f64, f64)], level: f64) -> Option<Effect> {
    let of = pooled(differences)?;
    Effect::student(of.mean, of.variance.sqrt(), of.freedom, level, Method::PooledPairs)
}
