//! The constant-mass rule of the standards: several weighings, each a while after the one before,
//! that agree within 0.1 % of the mass. In a room after EN ISO 12570:2000 (building materials,
//! drying): three, each at least 24 h after the one before (from memory).
//!
//! It is told beside the decision on dryness, for those who want it, and decides nothing. The
//! standard holds the air; in a room the rule errs on both sides. A kilogram of dry ware takes up
//! and gives off some grams with the humidity of a week, and is not constant; ware in tight plastic
//! is, and wet.

use super::handling::{History, Weight};
use super::report::ConstantMass;
use crate::units::DAY;

/// Change of mass below which it is constant, as a share of the mass.
pub const WITHIN: f64 = 0.001;
/// Weighings in the air of a room are so far apart, s, and so many.
pub const APART: f64 = DAY;
/// How many of them.
pub const WEIGHINGS: usize = 3;
/// Weighings that are a little early count as being that far apart.
const EARLY: f64 = 0.95;

/// The last weighing, and back from there those that lie at least so far (s) before the one after
/// them; so many at most, the last one first. `run`: in order of time, s.
pub fn spaced<T>(run: &[T], time: impl Fn(&T) -> f64, apart: f64, most: usize) -> Vec<&T> {
    let mut found: Vec<&T> = Vec::with_capacity(most);
    for one in run.iter().rev() {
        let far = |after: &&T| time(after) - time(one) >= EARLY * apart;
        if found.len() < most && found.last().is_none_or(far) {
            found.push(one);
        }
    }
    found
}

/// How much some masses differ.
pub fn spread(masses: impl Iterator<Item = f64> + Clone) -> f64 {
    masses.clone().fold(f64::NEG_INFINITY, f64::max) - masses.fold(f64::INFINITY, f64::min)
}

/// A pot's last weights as far apart as the rule wants them, so many at most, the last one first:
/// since its clay or water was last changed by a hand.
pub fn last_apart(history: &History, most: usize) -> Vec<&Weight> {
    let changed = history.events.last().map_or(f64::NEG_INFINITY, |event| event.t);
    let since: Vec<_> = history.weights.iter().filter(|w| w.used && w.t >= changed).collect();
    spaced(&since, |w| w.t, APART, most).into_iter().copied().collect()
}

/// What the rule says of a pot.
pub fn rule(history: &History) -> ConstantMass {
    let found = last_apart(history, WEIGHINGS);
    let Some(last) = found.first().map(|w| w.g).filter(|g| *g > 0.0) else {
        return ConstantMass { met: None, weighings: found.len(), change: None };
    };
    let change = (found.len() > 1).then(|| spread(found.iter().map(|w| w.g)) / last);
    let met = match change {
        Some(change) if change > WITHIN => Some(false),
        // A scale of coarse steps shows no change where there is some.
        Some(_) if found.len() == WEIGHINGS && history.resolution <= WITHIN * last => Some(true),
        _ => None,
    };
    ConstantMass { met, weighings: found.len(), change }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{history, pot};
    use crate::records::Action;

    fn of(rows: &[(f64, Action)], weights: &[(f64, f64)]) -> ConstantMass {
        rule(&history(&pot(), rows, weights, 400.0))
    }

    /// Three weighings 24 h apart within 0.1 %: of 470 g, 0.47 g (EN ISO 12570).
    #[test]
    fn three_weighings_a_day_apart_must_agree_within_a_thousandth() {
        let told = of(&[], &[(300.0, 470.4), (324.0, 470.1), (348.0, 470.0)]);
        assert_eq!((told.met, told.weighings), (Some(true), 3));
        assert!((told.change.unwrap() - 0.4 / 470.0).abs() < 1e-12);
        assert_eq!(of(&[], &[(300.0, 470.6), (324.0, 470.1), (348.0, 470.0)]).met, Some(false));
        // Which one is off makes no difference, nor whether it gained.
        assert_eq!(of(&[], &[(300.0, 470.0), (324.0, 470.1), (348.0, 470.6)]).met, Some(false));
        // Those in between do not count, and a day may be an hour short.
        let close = [(300.0, 471.9), (322.0, 470.2), (330.0, 470.9), (345.0, 470.0)];
        assert_eq!(of(&[], &close).met, None);
        let early = [(299.0, 470.2), (322.0, 470.2), (330.0, 470.9), (345.0, 470.0)];
        assert_eq!(of(&[], &early).met, Some(true));
    }

    #[test]
    fn what_weights_cannot_tell_is_not_told() {
        let none = ConstantMass { met: None, weighings: 0, change: None };
        assert_eq!(of(&[], &[]), none);
        assert_eq!(of(&[], &[(300.0, 470.1)]), ConstantMass { weighings: 1, ..none });
        assert_eq!(of(&[], &[(300.0, 470.1), (324.0, 470.1)]).met, None);
        // Two that differ say enough.
        assert_eq!(of(&[], &[(300.0, 475.1), (324.0, 470.1)]).met, Some(false));
        // A kitchen scale's steps of a gram hide half a gram.
        let coarse = of(&[], &[(300.0, 470.0), (324.0, 470.0), (348.0, 470.0)]);
        assert_eq!((coarse.met, coarse.weighings, coarse.change), (None, 3, Some(0.0)));
        // Before it was trimmed it was another piece of clay.
        let weights = [(300.0, 470.2), (324.0, 470.1), (348.0, 430.1), (372.0, 430.1)];
        let trimmed = of(&[(330.0, Action::Trim)], &weights);
        assert_eq!((trimmed.met, trimmed.weighings), (None, 2));
    }
}
