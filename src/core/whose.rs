//! Whose weight is on the scale: whether it is the pot that was asked for, another one, or that one
//! without its bat.
//!
//! What each pot is expected to weigh comes from its draws ([`Draw::shows_g`]), with what stands
//! beneath it. No pot keeps quite to a model: a weight counts as odd only well beyond that.
//!
//! [`Draw::shows_g`]: super::forecast::Draw::shows_g

use super::need::BAT_G;
use crate::records::Name;

/// What a scale is expected to show of a pot.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Expected {
    /// Mean, with what stands beneath the pot, g.
    pub grams: f64,
    /// Standard deviation, g.
    pub sd: f64,
    /// What stands beneath it, g.
    pub stands_g: f64,
}

/// Why a weight may not be that of the pot that was asked for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Doubt {
    /// It is far more like another pot's.
    Other(Name),
    /// It would fit without the bat or board that belongs beneath it.
    Bare,
    /// It fits nothing.
    Odd,
}

/// Odd is a weight this many standard deviations off …
const ODD: f64 = 4.0;
/// … and one that is this many off where another pot fits far better.
const UNLIKE: f64 = 2.5;
/// Far better: by so much in χ², 1000 times as likely.
const BETTER: f64 = 13.8;
/// No model foretells a weight closer than this: g, and a part of it (common practice, no source).
const LEAST: (f64, f64) = (1.0, 0.004);

impl Expected {
    /// How many standard deviations a weight is off, where the scale shows so much.
    pub fn off(&self, shown: f64) -> f64 {
        let model = LEAST.0.hypot(LEAST.1 * (self.grams - self.stands_g));
        (shown - self.grams) / self.sd.hypot(model)
    }

    /// Between what it weighs in 8 of 10 cases, g (Φ⁻¹(0.9) = 1.2816).
    pub fn interval(&self) -> (f64, f64) {
        (self.grams - 1.2816 * self.sd, self.grams + 1.2816 * self.sd)
    }
}

/// Why a weight may not be that of the pot it is taken for; `None` if it may well be. Others: what
/// the other pots of the studio would show.
pub fn doubt<'a>(
    asked: &Expected,
    shown: f64,
    others: impl IntoIterator<Item = (&'a Name, &'a Expected)>,
) -> Option<Doubt> {
    let off = asked.off(shown).abs();
    if off <= UNLIKE {
        return None;
    }
    let each = others.into_iter().map(|(name, other)| (other.off(shown).abs(), name));
    let nearest = each.min_by(|a, b| a.0.total_cmp(&b.0));
    let other = nearest.filter(|(its, _)| *its < UNLIKE && off * off - its * its > BETTER);
    let bare = asked.stands_g >= BAT_G && asked.off(shown + asked.stands_g).abs() < UNLIKE;
    match other {
        _ if bare => Some(Doubt::Bare),
        Some((_, name)) => Some(Doubt::Other(name.clone())),
        None => (off > ODD).then_some(Doubt::Odd),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pot(grams: f64, stands_g: f64) -> Expected {
        Expected { grams: grams + stands_g, sd: 3.0, stands_g }
    }

    fn asked(shown: f64) -> Option<Doubt> {
        let others: Vec<(Name, Expected)> =
            vec![("jar".into(), pot(640.0, 0.0)), ("twin".into(), pot(602.0, 180.0))];
        doubt(&pot(600.0, 180.0), shown, others.iter().map(|(name, other)| (name, other)))
    }

    #[test]
    fn a_weight_that_may_be_the_pots_own_is_not_asked_about() {
        // Ten grams off its middle, 2.5 times of 3.8 g: no pot keeps to a model.
        for shown in [771.0, 780.0, 789.0] {
            assert_eq!(asked(shown), None, "{shown}");
        }
        // A twin that fits a little better is no reason either.
        assert_eq!(asked(783.0), None);
    }

    #[test]
    fn another_pots_weight_names_that_pot() {
        assert_eq!(asked(640.0), Some(Doubt::Other("jar".into())));
        assert_eq!(asked(636.0), Some(Doubt::Other("jar".into())));
    }

    #[test]
    fn a_bat_that_was_forgotten_is_named() {
        assert_eq!(asked(600.0), Some(Doubt::Bare));
        // Nothing to forget.
        let bare = doubt(&pot(600.0, 5.0), 590.0, []);
        assert_eq!(bare, None);
    }

    #[test]
    fn what_fits_nothing_is_odd() {
        for shown in [5.0, 700.0, 960.0] {
            assert_eq!(asked(shown), Some(Doubt::Odd), "{shown}");
        }
    }

    #[test]
    fn the_interval_holds_eight_of_ten() {
        let (low, high) = pot(600.0, 0.0).interval();
        // Φ(1.2816) = 0.9 (Abramowitz & Stegun, table 26.5).
        assert!((low - 596.155).abs() < 0.001 && (high - 603.845).abs() < 0.001);
    }
}
