//! What a body stands: how unevenly its pots dried, and what became of them.
//!
//! A pot whose largest difference of water was g cracks, or warps, with the probability
//! ε + (1 − ε)/(1 + (T/g)^(1/s)): a logistic curve in ln g about the body's own tolerance T, and a
//! few that crack of another cause (a bad join, a knock). ln T of a body departs from that of the
//! studio's bodies, and that from what bodies are like: two normal levels, so that one cracked pot
//! speaks of its body first and of the others a little (Gelman et al., *Bayesian Data Analysis*,
//! 3rd ed. 2013, ch. 5). How unevenly a pot dried is itself known to an interval only: each of its
//! likely values counts for its part. All is summed on a grid; nothing is taken to be normal that
//! is not.
//!
//! Teach: `outcome sound` (it stood that much), `cracked-drying` and `warped` (it did not). What
//! happens in the kiln or after it (`cracked-cooling`, `burst`) says nothing of drying.

use crate::core::report::Quantiles;
use crate::records::{Action, HandlingRow, Name, Outcome};
use crate::units::Time;

/// A difference of water (kg/kg dry basis) that half the pots of an unknown body do not stand, and
/// the standard deviations of its logarithm: of the studio's bodies among all, and of a body among
/// those. With [`SHARPNESS`] one of twenty pots does not stand 0.10, which most pots that are left
/// open come to (common practice, no source: few of a hundred crack), and about one of five 0.16.
const USUAL: f64 = 0.27;
const STUDIO_SD: f64 = 0.35;
const BODY_SD: f64 = 0.35;
/// Scale s of the curve: pots of a body differ by a third (inferred, no source).
const SHARPNESS: f64 = 0.2;
/// Of a hundred pots so many crack of another cause, whatever the air (common practice, no source).
const OTHER_CAUSE: f64 = 0.02;
/// Differences below this are none, kg/kg dry basis: what a pot has under plastic.
const LEAST: f64 = 0.005;

/// Points of the grid, and how far it reaches in standard deviations of all levels.
const POINTS: usize = 81;
const REACH: f64 = 5.0;

/// A finished pot: how unevenly it dried while it shrank, and whether it stood that.
#[derive(Clone, PartialEq, Debug)]
pub struct Stood {
    /// Largest difference of water, kg/kg dry basis: equally likely values.
    pub likely: Vec<f64>,
    /// Neither cracked nor warped while drying.
    pub whole: bool,
}

/// What became of a pot's drying by a time, by its log, and when that was noted; `None` where
/// nobody said so.
pub fn outcome(rows: &[HandlingRow], at: Time) -> Option<(bool, Time)> {
    let said = |row: &HandlingRow| match row.action {
        Action::Outcome(Outcome::CrackedDrying | Outcome::Warped) => Some((false, row.time)),
        Action::Outcome(Outcome::Sound) => Some((true, row.time)),
        _ => None,
    };
    let known: Vec<_> = rows.iter().filter(|row| row.time <= at).filter_map(said).collect();
    // What cracked stays cracked.
    known.iter().find(|(whole, _)| !whole).or(known.last()).copied()
}

/// What a body stands, as far as it is known.
#[derive(Clone, PartialEq, Debug)]
pub struct Tolerance {
    /// ln of the tolerance, with how likely it is.
    grid: Vec<(f64, f64)>,
    /// Pots of the body that taught, and those of them that cracked or warped.
    pub pots: usize,
    /// Those of them that did not stand it.
    pub failed: usize,
}

/// How likely a pot of this tolerance (ln) does not stand a difference.
fn fails(ln_tolerance: f64, difference: f64) -> f64 {
    let away = (difference.max(LEAST).ln() - ln_tolerance) / SHARPNESS;
    1.0 / (1.0 + (-away).exp())
}

fn normal(off: f64, sd: f64) -> f64 {
    (-0.5 * (off / sd).powi(2)).exp()
}

fn ln_tolerances() -> impl Iterator<Item = f64> + Clone {
    let reach = REACH * STUDIO_SD.hypot(BODY_SD);
    let step = 2.0 * reach / (POINTS - 1) as f64;
    (0..POINTS).map(move |i| USUAL.ln() - reach + step * i as f64)
}

/// What the outcomes of a body's pots say of each tolerance, in order of the grid.
fn likelihood(outcomes: &[(Name, Stood)], body: &str) -> Vec<f64> {
    let own = outcomes.iter().filter(|(of, _)| of == body).map(|(_, stood)| stood);
    let of = |stood: &Stood, ln_tolerance: f64| {
        let sum: f64 = stood.likely.iter().map(|g| fails(ln_tolerance, *g)).sum();
        let failed = sum / stood.likely.len().max(1) as f64;
        let failed = OTHER_CAUSE + (1.0 - OTHER_CAUSE) * failed;
        if stood.whole { 1.0 - failed } else { failed }.max(1e-9).ln()
    };
    let ln: Vec<f64> = ln_tolerances().map(|t| own.clone().map(|s| of(s, t)).sum()).collect();
    let most = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    ln.into_iter().map(|l| (l - most).exp()).collect()
}

impl Tolerance {
    /// Of a body, by the outcomes of all pots of the studio with the bodies they are of.
    pub fn of_body(outcomes: &[(Name, Stood)], body: &str) -> Tolerance {
        let own = || outcomes.iter().filter(|(of, _)| of == body);
        let mut others: Vec<&Name> =
            outcomes.iter().map(|(of, _)| of).filter(|of| *of != body).collect();
        others.sort_unstable();
        others.dedup();
        // What the studio's bodies are like, by the others.
        let mut studio: Vec<f64> =
            ln_tolerances().map(|t| normal(t - USUAL.ln(), STUDIO_SD)).collect();
        for other in others {
            let said = likelihood(outcomes, other);
            for (weight, middle) in studio.iter_mut().zip(ln_tolerances()) {
                let level = ln_tolerances().map(|t| normal(t - middle, BODY_SD));
                let norm: f64 = level.clone().sum();
                *weight *= level.zip(&said).map(|(level, said)| level * said).sum::<f64>() / norm;
            }
        }
        let said = likelihood(outcomes, body);
        let weigh = |(t, said): (f64, &f64)| {
            let all = ln_tolerances().zip(&studio);
            (t, said * all.map(|(middle, w)| w * normal(t - middle, BODY_SD)).sum::<f64>())
        };
        let mut grid: Vec<(f64, f64)> = ln_tolerances().zip(&said).map(weigh).collect();
        let sum: f64 = grid.iter().map(|(_, weight)| weight).sum();
        grid.iter_mut().for_each(|(_, weight)| *weight /= sum);
        let failed = own().filter(|(_, stood)| !stood.whole).count();
        Tolerance { grid, pots: own().count(), failed }
    }

    /// How likely a pot that has stood a difference does not stand a later one.
    pub fn fails(&self, stood: f64, coming: f64) -> f64 {
        if coming <= stood.max(LEAST) {
            return 0.0;
        }
        let sum = |of: &dyn Fn(f64) -> f64| -> f64 {
            self.grid.iter().map(|(t, weight)| weight * of(*t)).sum()
        };
        let whole = |t: f64| 1.0 - if stood > LEAST { fails(t, stood) } else { 0.0 };
        let lost = sum(&|t| whole(t) - 1.0 + fails(t, coming));
        (lost / sum(&whole).max(1e-12)).clamp(0.0, 1.0)
    }

    /// The same in a form that is quickly asked.
    pub fn stands(&self) -> Stands {
        let of = |k: usize| {
            let difference = LEAST * (k as f64 * STANDS_STEP).exp();
            self.grid.iter().map(|(t, weight)| weight * fails(*t, difference)).sum()
        };
        Stands { fails: (0..STANDS).map(of).collect(), pots: self.pots, failed: self.failed }
    }

    /// The difference that half of its pots do not stand, kg/kg dry basis.
    pub fn half(&self) -> Quantiles {
        let mut passed = 0.0;
        let mut found = [None; 3];
        for (t, weight) in &self.grid {
            passed += weight;
            for (found, p) in found.iter_mut().zip([0.1, 0.5, 0.9]) {
                if found.is_none() && passed >= p {
                    *found = Some(t.exp());
                }
            }
        }
        let [p10, p50, p90] = found.map(|t| t.unwrap_or(USUAL));
        Quantiles { p10, p50, p90 }
    }
}

/// Differences from [`LEAST`] on for which it is tabulated how likely they are not stood, and how
/// far apart they are in their logarithms: up to 0.8, more than clay holds.
const STANDS: usize = 128;
const STANDS_STEP: f64 = 0.04;

/// What a body stands, tabulated.
#[derive(Clone, PartialEq, Debug)]
pub struct Stands {
    fails: Vec<f64>,
    /// Pots of the body that taught, and those of them that cracked or warped.
    pub pots: usize,
    /// Those of them that did not stand it.
    pub failed: usize,
}

impl Stands {
    /// As [`Tolerance::fails`], to a thousandth.
    pub fn fails(&self, stood: f64, coming: f64) -> f64 {
        if coming <= stood.max(LEAST) {
            return 0.0;
        }
        let stood = if stood > LEAST { self.at(stood) } else { 0.0 };
        ((self.at(coming) - stood) / (1.0 - stood).max(1e-12)).clamp(0.0, 1.0)
    }

    fn at(&self, difference: f64) -> f64 {
        let place = ((difference / LEAST).ln() / STANDS_STEP).clamp(0.0, (STANDS - 1) as f64);
        let k = (place as usize).min(STANDS - 2);
        self.fails[k] + (place - k as f64) * (self.fails[k + 1] - self.fails[k])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{ContinuousCDF, Normal};

    fn stood(body: &str, water: f64, whole: bool) -> (Name, Stood) {
        (body.into(), Stood { likely: vec![water; 4], whole })
    }

    fn of(outcomes: &[(f64, bool)]) -> Tolerance {
        let all: Vec<_> = outcomes.iter().map(|(g, whole)| stood("tide", *g, *whole)).collect();
        Tolerance::of_body(&all, "tide")
    }

    /// A logistic curve of scale s is nearly a normal one of deviation 1.7 s (the usual constant of
    /// item response theory, from memory), and normal deviations add up in squares: without any
    /// outcome the chance is Φ(ln(g/T)/√(σ² + (1.7 s)²)).
    #[test]
    fn an_unknown_body_cracks_as_often_as_is_supposed() {
        let nothing = of(&[]);
        let sd = STUDIO_SD.hypot(BODY_SD).hypot(1.7 * SHARPNESS);
        for g in [0.05, 0.10, 0.16, 0.27, 0.40] {
            let want = Normal::standard().cdf((g / USUAL).ln() / sd);
            let got = nothing.fails(0.0, g);
            assert!((got - want).abs() < 0.01, "{g}: {got}, {want}");
        }
        assert!((nothing.fails(0.0, 0.10) - 0.05).abs() < 0.01);
        assert!((nothing.fails(0.0, 0.16) - 0.20).abs() < 0.03);
        let half = nothing.half();
        assert!((half.p50 / USUAL - 1.0).abs() < 0.08, "{half:?}");
        // Wide: from the tenth to the ninetieth percentile a factor of three and a half.
        assert!((half.p90 / half.p10 / 3.56 - 1.0).abs() < 0.15, "{half:?}");
    }

    /// By brute force: many bodies of many studios, of whom this is known, are kept where all came
    /// out as it was noted.
    #[test]
    fn what_is_learnt_is_what_such_bodies_do() {
        use rand::rngs::StdRng;
        use rand::{RngExt, SeedableRng};
        use rand_distr::StandardNormal;
        let seen = [(0.10, false), (0.12, false), (0.09, true), (0.14, true)];
        let mut rng = StdRng::seed_from_u64(11);
        let (mut kept, mut failed) = (0.0, 0.0);
        for _ in 0..400_000 {
            let [studio, body]: [f64; 2] = std::array::from_fn(|_| rng.sample(StandardNormal));
            let ln_t = USUAL.ln() + STUDIO_SD * studio + BODY_SD * body;
            let mut fails = |g: f64, other: f64| {
                let p = other + (1.0 - other) * super::fails(ln_t, g);
                rng.random::<f64>() < p
            };
            if seen.iter().all(|(g, whole)| fails(*g, OTHER_CAUSE) != *whole) {
                kept += 1.0;
                failed += if fails(0.12, 0.0) { 1.0 } else { 0.0 };
            }
        }
        let (want, got) = (failed / kept, of(&seen).fails(0.0, 0.12));
        assert!(kept > 1000.0 && (got - want).abs() < 0.03, "{kept}: {got}, {want}");
    }

    #[test]
    fn outcomes_teach_their_body_first_and_the_others_a_little() {
        let chance = |outcomes: &[(f64, bool)]| of(outcomes).fails(0.0, 0.12);
        let nothing = chance(&[]);
        let whole = chance(&[(0.12, true); 8]);
        let two = chance(&[(0.12, false); 2]);
        let two_of_ten: Vec<_> = [(0.12, false); 2].into_iter().chain([(0.12, true); 8]).collect();
        let two_of_ten = chance(&two_of_ten);
        assert!(whole < 0.5 * nothing && nothing < two_of_ten && two_of_ten < two);
        // Two cracked pots make no certainty.
        assert!((0.3..0.8).contains(&two), "{two}");
        let others = [stood("shore", 0.12, false), stood("shore", 0.12, false)];
        let other = Tolerance::of_body(&others, "tide");
        let other_chance = other.fails(0.0, 0.12);
        assert!(nothing < other_chance && other_chance < two, "{other_chance}");
        assert_eq!((other.pots, other.failed), (0, 0));
    }

    #[test]
    fn what_a_pot_has_stood_is_behind_it() {
        let body = of(&[]);
        assert_eq!((body.fails(0.12, 0.12), body.fails(0.2, 0.1)), (0.0, 0.0));
        let (fresh, later) = (body.fails(0.0, 0.15), body.fails(0.12, 0.15));
        assert!(later < fresh && later > 0.0);
        // Both steps together are one: whole after the first, and then after the second.
        let both = 1.0 - (1.0 - body.fails(0.0, 0.12)) * (1.0 - later);
        assert!((both - fresh).abs() < 1e-9, "{both}, {fresh}");
        assert!(body.fails(0.0, f64::MAX) <= 1.0);
    }

    #[test]
    fn what_is_tabulated_is_what_is_reckoned() {
        for outcomes in [&[][..], &[(0.12, false); 4], &[(0.15, true); 9]] {
            let tolerance = of(outcomes);
            let stands = tolerance.stands();
            for stood in [0.0, 0.004, 0.03, 0.11] {
                for coming in [0.0, 0.01, 0.047, 0.09, 0.1234, 0.3, 0.7] {
                    let [got, want] = [stands.fails(stood, coming), tolerance.fails(stood, coming)];
                    assert!((got - want).abs() < 2e-3, "{stood}, {coming}: {got}, {want}");
                }
            }
        }
    }

    #[test]
    fn what_happens_in_the_kiln_teaches_nothing_of_drying() {
        let row = |t: i64, outcome| HandlingRow {
            time: Time(t),
            pot: "jar".into(),
            action: Action::Outcome(outcome),
        };
        use Outcome::{Burst, CrackedCooling, CrackedDrying, Sound, Warped};
        for (outcomes, said) in [
            (&[][..], None),
            (&[CrackedCooling], None),
            (&[Burst], None),
            (&[Sound], Some(true)),
            (&[Warped], Some(false)),
            (&[CrackedDrying], Some(false)),
            (&[Sound, CrackedCooling], Some(true)),
            (&[CrackedDrying, Sound], Some(false)),
        ] {
            let rows: Vec<_> = (1..).zip(outcomes).map(|(t, o)| row(t, *o)).collect();
            assert_eq!(outcome(&rows, Time(9)).map(|(whole, _)| whole), said, "{outcomes:?}");
            assert_eq!(outcome(&rows, Time(0)), None);
        }
    }
}
