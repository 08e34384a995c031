//! What is known about a pot before it is weighed.
//!
//! Every unknown has a normal prior on a scale of its own (logarithm for what is positive). The
//! fit works in standard deviations from the prior mean, so that a prior is a residual of its own
//! and an unknown that no weight speaks about keeps its prior.
//!
//! The spreads are those of a first pot of an unknown body by an unknown hand in an unknown room.

use super::posterior::Posterior;
use crate::core::clay::dry_mass_of_ball;
use crate::core::handling::{Deed, History};
use crate::records::{Body, Cover, Pot};
use crate::units::dry_from_wet;

/// What an unknown is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Unknown {
    /// ln of the dry clay at the start, g.
    Dry,
    /// Water at the start, kg/kg dry basis.
    Water,
    /// ln of the open conductance, kg/(s·m²·Pa).
    Conductance,
    /// ln of a cover's conductance over the open one, by its place in [`Cover::ALL`].
    Covering(usize),
    /// ln of the exposure of the base's inside on the foot.
    BaseInside,
    /// ln of the exposure of the base's faces on the rim.
    BaseFlipped,
    /// Logit of the share of the clay that is base.
    BaseShare,
    /// ln of the wall's exposure on the rim.
    WallFlipped,
    /// Logit of how far the faces of the pot share one temperature.
    Shared,
    /// ln of the diffusivity, m²/s.
    Diffusivity,
    /// ln of the isotherm's monolayer, kg/kg dry basis.
    Monolayer,
    /// Logit of the share of clay that a trim took; by its place in the history's events.
    Trimmed(usize),
    /// ln of the wet clay attached, g; by its place in the history's events.
    Attached(usize),
    /// Water brought on or taken off, kg/kg dry basis; by its place in the history's events.
    Wetted(usize),
}

/// An unknown with its prior.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Prior {
    /// What it is.
    pub unknown: Unknown,
    /// Prior mean on the unknown's own scale.
    pub mean: f64,
    /// Prior standard deviation on that scale.
    pub sd: f64,
}

/// Water of the bag where nobody said, wet basis: prepared throwing bodies hold 20–25 %.
const BAG_WATER_WET: (f64, f64) = (0.225, 0.02);
/// What the bag's water really is about what is written on it, wet basis.
const BAG_WATER_SD: f64 = 0.01;
/// Clay lost as slip in throwing: 1.5–5 % of the ball (common practice, no source).
const SLIP_LOST: (f64, f64) = (0.0325, 0.010);
/// Water taken up in throwing, kg/kg dry basis (common practice, no source).
const THROWING_WATER: (f64, f64) = (0.03, 0.02);
/// Wall and base where nobody measured them, mm (common practice, no source).
const WALL_MM: f64 = 5.5;
const BASE_MM: f64 = 8.5;

/// Conductance of a face to still air, kg/(s·m²·Pa). A wet wall at 20 °C and 50 % loses
/// 51 g/m²h by its heat balance with radiation (Churchill–Chu, Lewis): 2.5e-8; draughts add a
/// little.
const CONDUCTANCE: (f64, f64) = (2.6e-8, 0.40);
/// Covers, conductance over open: leakage round plastic, 0.3 loose to 0.03–0.1 tight (inferred
/// from how long pots take; film permeation itself is hundreds of times less).
const COVERS: [(f64, f64); 4] = [(1.0, 0.0), (0.35, 0.5), (0.055, 0.5), (0.06, 0.7)];
/// The inside of a base is sheltered; on the rim both its faces are free.
const BASE_INSIDE: (f64, f64) = (0.36, 0.3);
const BASE_FLIPPED: (f64, f64) = (0.85, 0.3);
/// On the rim the wall's inside is shut in, more on a board than on slats.
const WALL_FLIPPED: (f64, f64) = (0.92, 0.2);
/// How far the faces share one temperature: heat runs √(k·d/h) ≈ 2–3 cm along a wall of clay
/// (k 1 W/mK, d 6 mm, h 8 W/m²K), less than the pot is wide, more than its base is thick.
const SHARED: (f64, f64) = (0.7, 1.2);
/// Share of the clay that is base.
const BASE_SHARE: (f64, f64) = (0.27, 0.25);
/// Apparent moisture diffusivity of clay bodies at room temperature, 2e-10 to 3e-9 m²/s.
const DIFFUSIVITY: (f64, f64) = (9e-10, 0.7);
/// Monolayer of the desorption isotherm: two clay bricks 0.015 and 0.022; bodies differ 2–3×.
const MONOLAYER: (f64, f64) = (0.0165, 0.45);
/// Share of clay trimmed away (common practice, no source).
const TRIMMED: (f64, f64) = (0.12, 0.5);
/// A handle or a knob, g of wet clay (common practice, no source).
const ATTACHED_G: (f64, f64) = (40.0, 0.8);
/// A sponge's or a wet brush's water, kg/kg dry basis.
const WETTED: f64 = 0.015;

/// Water of the bag as it is known, kg/kg dry basis.
pub fn bag_water_dry(body: Option<&Body>) -> f64 {
    dry_from_wet(body.and_then(|b| b.bag_water_wet).unwrap_or(BAG_WATER_WET.0))
}

/// Wall and base thickness as given, or a guess, m, and whether each was given.
pub fn thickness(pot: &Pot) -> ((f64, bool), (f64, bool)) {
    let size = (pot.ball_g.unwrap_or(700.0) / 700.0).clamp(0.1, 10.0).powf(0.2);
    let or = |mm: Option<f64>, guess: f64| {
        let given = mm.filter(|mm| *mm > 0.0);
        (given.unwrap_or(guess * size) / 1000.0, given.is_some())
    };
    (or(pot.wall_mm, WALL_MM), or(pot.base_mm, BASE_MM))
}

fn ln(unknown: Unknown, (middle, sd): (f64, f64)) -> Prior {
    Prior { unknown, mean: middle.ln(), sd }
}

fn logit(unknown: Unknown, (middle, sd): (f64, f64)) -> Prior {
    Prior { unknown, mean: (middle / (1.0 - middle)).ln(), sd }
}

/// All unknowns of a pot with their priors; the first is the dry clay, the second its water.
pub fn of_pot(pot: &Pot, body: Option<&Body>, history: &History) -> Vec<Prior> {
    let bag = body.and_then(|b| b.bag_water_wet);
    let (wet, wet_sd) = bag.map_or(BAG_WATER_WET, |w| (w, BAG_WATER_SD));
    let bag_dry = dry_from_wet(wet);
    // d ln(1 − w) = dw/(1 − w)
    let bag_sd = wet_sd / (1.0 - wet);
    let first = history.weights.iter().find(|w| w.used);
    let water = bag_dry + THROWING_WATER.0;
    let water_sd = THROWING_WATER.1.hypot(bag_sd * (1.0 + bag_dry));
    let dry = match (pot.ball_g, first) {
        (Some(ball), _) => {
            let clay = dry_mass_of_ball(ball, wet) * (1.0 - SLIP_LOST.0);
            (clay, bag_sd.hypot(SLIP_LOST.1))
        }
        (None, Some(w)) => (w.g.max(1.0) / (1.0 + water), 0.05_f64.max(water_sd)),
        (None, None) => (500.0, 1.0),
    };
    let ((_, wall_given), (_, base_given)) = thickness(pot);
    let wider = |given: bool, sd: f64, more: f64| if given { sd } else { sd.hypot(more) };
    let mut priors = vec![
        ln(Unknown::Dry, dry),
        Prior { unknown: Unknown::Water, mean: water, sd: water_sd },
        ln(Unknown::Conductance, (CONDUCTANCE.0, wider(wall_given, CONDUCTANCE.1, 0.3))),
        ln(Unknown::BaseInside, (BASE_INSIDE.0, wider(base_given, BASE_INSIDE.1, 0.3))),
        logit(Unknown::BaseShare, BASE_SHARE),
        logit(Unknown::Shared, SHARED),
        ln(Unknown::Diffusivity, (DIFFUSIVITY.0, wider(base_given, DIFFUSIVITY.1, 0.5))),
        ln(Unknown::Monolayer, MONOLAYER),
    ];
    if history.keeping.iter().any(|k| k.flipped) || !history.trimmed {
        priors.push(ln(Unknown::BaseFlipped, BASE_FLIPPED));
        priors.push(ln(Unknown::WallFlipped, WALL_FLIPPED));
    }
    for (i, cover) in Cover::ALL.into_iter().enumerate().skip(1) {
        if history.keeping.iter().any(|k| k.cover == cover) {
            priors.push(ln(Unknown::Covering(i), COVERS[i]));
        }
    }
    for (i, event) in history.events.iter().enumerate() {
        priors.push(match event.deed {
            Deed::Trim => match event.step {
                // Foot shavings are wetter than the pot, and it dried meanwhile.
                Some(step) => logit(Unknown::Trimmed(i), (step.clamp(0.01, 0.6), 0.15)),
                None => logit(Unknown::Trimmed(i), TRIMMED),
            },
            // Weighed clay is known to about a gram in twenty.
            Deed::Attach(Some(g)) => ln(Unknown::Attached(i), (g.clamp(0.5, 1e6), 0.05)),
            Deed::Attach(None) => ln(Unknown::Attached(i), ATTACHED_G),
            Deed::Wet => Prior { unknown: Unknown::Wetted(i), mean: WETTED, sd: WETTED },
            Deed::Sponge => Prior { unknown: Unknown::Wetted(i), mean: -WETTED, sd: WETTED },
        });
    }
    priors
}

/// Twins side by side differ by 7–12 % in time.
const TWINS: f64 = 0.10;

/// Takes what a weighed sibling shows for the priors of a pot that is not, or seldom, weighed.
///
/// The clay (its isotherm, its diffusivity, its bag water) and the air are the same; the hand's
/// slip and the throwing water nearly so; the rate is a twin's.
pub fn like_sibling(priors: &mut [Prior], pot: &Pot, sibling: &Pot, posterior: &Posterior) {
    let centre = posterior.centre();
    let errors = posterior.fit.as_ref().map(|f| f.standard_errors());
    for (i, theirs) in posterior.model.priors.iter().enumerate() {
        let Some(own) = priors.iter_mut().find(|p| p.unknown == theirs.unknown) else { continue };
        let sd = errors.as_ref().map_or(1.0, |e| e[i].min(1.0)) * theirs.sd;
        let mean = theirs.mean + centre[i] * theirs.sd;
        match own.unknown {
            Unknown::Dry => {
                // By the balls, where both were weighed: what was lost is alike.
                let (Some(a), Some(b)) = (pot.ball_g, sibling.ball_g) else { continue };
                own.mean = mean + (a / b).ln();
                own.sd = sd.hypot(0.01);
            }
            Unknown::Water => (own.mean, own.sd) = (mean, sd.hypot(0.01)),
            Unknown::Conductance => (own.mean, own.sd) = (mean, sd.hypot(TWINS)),
            Unknown::Covering(_)
            | Unknown::BaseInside
            | Unknown::BaseFlipped
            | Unknown::WallFlipped => {
                (own.mean, own.sd) = (mean, sd.hypot(TWINS));
            }
            Unknown::BaseShare | Unknown::Shared => (own.mean, own.sd) = (mean, sd.hypot(TWINS)),
            Unknown::Diffusivity | Unknown::Monolayer => (own.mean, own.sd) = (mean, sd),
            Unknown::Trimmed(_) | Unknown::Attached(_) | Unknown::Wetted(_) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, history, pot, room};
    use crate::core::inference::model::Model;
    use crate::records::Action;
    use crate::units::HOUR;

    fn find(priors: &[Prior], unknown: Unknown) -> Option<Prior> {
        priors.iter().find(|p| p.unknown == unknown).copied()
    }

    fn sd(priors: &[Prior], unknown: Unknown) -> f64 {
        find(priors, unknown).unwrap().sd
    }

    /// Common practice, no source: the bag is known to a point of water, 1.5–5 % is lost as slip.
    /// For 600 g at 22 % that is 445–461 g of dry clay, give or take 6 g of water.
    #[test]
    fn a_ball_tells_its_dry_clay() {
        let history = history(&pot(), &[], &[], 5.0);
        let dry = of_pot(&pot(), Some(&body()), &history)[0];
        assert_eq!(dry.unknown, Unknown::Dry);
        assert!((445.0..461.0).contains(&dry.mean.exp()), "{dry:?}");
        assert!((0.014..0.020).contains(&dry.sd), "{dry:?}");
    }

    #[test]
    fn what_nobody_said_is_a_wider_guess() {
        let history = |pot: &Pot, weights: &[(f64, f64)]| history(pot, &[], weights, 5.0);
        let known = of_pot(&pot(), Some(&body()), &history(&pot(), &[]));
        let no_bag = of_pot(&pot(), None, &history(&pot(), &[]));
        assert!(sd(&no_bag, Unknown::Dry) > 1.2 * sd(&known, Unknown::Dry));
        assert!(sd(&no_bag, Unknown::Water) > sd(&known, Unknown::Water));

        let no_ball = Pot { ball_g: None, ..pot() };
        let weighed = of_pot(&no_ball, Some(&body()), &history(&no_ball, &[(0.1, 598.0)]));
        assert!((weighed[0].mean.exp() - 598.0 / (1.0 + weighed[1].mean)).abs() < 0.01);
        assert!(weighed[0].sd >= 0.05);
        let nothing = of_pot(&no_ball, Some(&body()), &history(&no_ball, &[]));
        assert!(nothing[0].sd >= 1.0);

        let thin = Pot { wall_mm: None, base_mm: None, ..pot() };
        let guessed = of_pot(&thin, Some(&body()), &history(&thin, &[]));
        for unknown in [Unknown::Conductance, Unknown::BaseInside, Unknown::Diffusivity] {
            assert!(sd(&guessed, unknown) > 1.1 * sd(&known, unknown), "{unknown:?}");
        }
    }

    #[test]
    fn thickness_is_taken_as_given_or_guessed_from_the_ball() {
        assert_eq!(thickness(&pot()), ((0.006, true), (0.009, true)));
        let of = |ball_g| thickness(&Pot { ball_g, wall_mm: None, base_mm: None, ..pot() });
        let (small, large) = (of(Some(300.0)), of(Some(3000.0)));
        assert!(small.0.0 < large.0.0 && small.1.0 < large.1.0);
        // Common practice, no source: walls of 4–8 mm, bases of 6–14 mm.
        for (wall, base) in [small, large, of(None)] {
            assert!((0.004..0.008).contains(&wall.0) && !wall.1, "{wall:?}");
            assert!((0.006..0.014).contains(&base.0) && !base.1, "{base:?}");
        }
    }

    #[test]
    fn covers_and_deeds_bring_their_unknowns() {
        let rows = [
            (2.0, Action::Cover(Cover::Draped)),
            (3.0, Action::Attach(Some(40.0))),
            (4.0, Action::Attach(None)),
            (5.0, Action::Wet),
            (6.0, Action::Sponge),
            (7.0, Action::Trim),
            (20.0, Action::Cover(Cover::Wrapped)), // a plan
        ];
        let history = history(&pot(), &rows, &[], 10.0);
        let priors = of_pot(&pot(), Some(&body()), &history);
        let covering = |cover| find(&priors, Unknown::Covering(cover));
        assert!(covering(0).is_none() && covering(3).is_none());
        // Loosely under plastic a pot dries faster than tight in it.
        assert!(covering(1).unwrap().mean > covering(2).unwrap().mean);
        let weighed = find(&priors, Unknown::Attached(0)).unwrap();
        assert!((weighed.mean.exp() - 40.0).abs() < 1e-9);
        assert!(sd(&priors, Unknown::Attached(1)) > 5.0 * weighed.sd);
        assert!(find(&priors, Unknown::Wetted(2)).unwrap().mean > 0.0);
        assert!(find(&priors, Unknown::Wetted(3)).unwrap().mean < 0.0);
        assert!(find(&priors, Unknown::Trimmed(4)).is_some());
        let all: Vec<_> = priors.iter().map(|p| p.unknown).collect();
        for (i, unknown) in all.iter().enumerate() {
            assert!(!all[..i].contains(unknown), "{unknown:?} twice");
        }
    }

    #[test]
    fn a_step_in_the_weights_says_how_much_was_trimmed() {
        let weights: Vec<(f64, f64)> = (0..=144)
            .map(|k| f64::from(k) / 6.0)
            .map(|t| (t, (590.0 - 6.0 * t) * if t < 12.0 { 1.0 } else { 0.8 }))
            .collect();
        let history = history(&pot(), &[(12.0, Action::Trim)], &weights, 24.0);
        let trimmed = find(&of_pot(&pot(), Some(&body()), &history), Unknown::Trimmed(0)).unwrap();
        let share = 1.0 / (1.0 + (-trimmed.mean).exp());
        assert!((share - 0.2).abs() < 0.01 && trimmed.sd < 0.5 * TRIMMED.1, "{trimmed:?}");
    }

    /// Twins side by side differ by 7–12 % in time: see [`TWINS`].
    #[test]
    fn a_pot_that_is_not_weighed_is_like_its_sibling() {
        // Half as fast as pots are on the whole.
        let weights: Vec<_> =
            (0..30).map(f64::from).map(|t| (t, 460.0 * (1.0 + 0.31 - 0.005 * t))).collect();
        let weighed = pot();
        let theirs = history(&weighed, &[], &weights, 29.0);
        let room = room(20.0, 0.5, 29.0, 29.0);
        let body = body();
        let posterior = Posterior::new(Model::new(&weighed, Some(&body), &theirs, &room));
        let twin = Pot { name: "twin".into(), ball_g: Some(1200.0), ..pot() };
        let own = history(&twin, &[], &[], 29.0);
        let before = of_pot(&twin, Some(&body), &own);
        let mut after = before.clone();
        like_sibling(&mut after, &twin, &weighed, &posterior);

        let errors = posterior.fit.as_ref().unwrap().standard_errors();
        for (i, prior) in posterior.model.priors.iter().enumerate() {
            let (Some(was), Some(is)) = (find(&before, prior.unknown), find(&after, prior.unknown))
            else {
                continue;
            };
            let centre = prior.mean + posterior.centre()[i] * prior.sd;
            let more = if prior.unknown == Unknown::Dry { 2.0_f64.ln() } else { 0.0 };
            assert!((is.mean - centre - more).abs() < 1e-9, "{is:?}");
            assert!(is.sd >= errors[i] * prior.sd - 1e-12, "surer than its sibling: {is:?}");
            assert!(is.sd <= was.sd.hypot(TWINS) + 1e-12, "less sure than before: {is:?}");
        }
        let rate = find(&after, Unknown::Conductance).unwrap();
        assert!((0.07..0.30).contains(&rate.sd), "{rate:?}");
        assert!(rate.sd < 0.75 * sd(&before, Unknown::Conductance));
        assert!(rate.mean < find(&before, Unknown::Conductance).unwrap().mean - 0.3);
        assert_eq!(own.now, 29.0 * HOUR);
    }
}
