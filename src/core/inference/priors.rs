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
