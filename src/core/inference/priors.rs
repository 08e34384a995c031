//! What is known about a pot before it is weighed.
//!
//! Every unknown has a normal prior on a scale of its own (logarithm for what is positive). The
//! fit works in standard deviations from the prior mean, so that a prior is a residual of its own
//! and an unknown that no weight speaks about keeps its prior.
//!
//! The spreads are those of a first pot of an unknown body by an unknown hand in an unknown room.

use super::posterior::{Posterior, RATE_SD};
use crate::core::handling::{Deed, Event, History};
use crate::records::{Body, Cover, Pot};
use crate::units::{HOUR, dry_from_wet};
use nalgebra::{DMatrix, DVector};

/// What an unknown is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Unknown {
    /// ln of the share of the ball's dry clay that is in the pot: the rest went as slip.
    Kept,
    /// Water taken up in throwing, kg/kg dry basis.
    Throwing,
    /// Water of the clay before throwing, kg/kg dry basis.
    Bag,
    /// ln of the open conductance, kg/(s·m²·Pa).
    Conductance,
    /// ln of a cover's conductance over the open one, by its place in [`Cover::ALL`].
    Covering(usize),
    /// ln of the exposure of the base's inside on the foot.
    BaseInside,
    /// ln of the exposure of the base's underside on the rim.
    Underside,
    /// Logit of the share of the clay that is base.
    BaseShare,
    /// Logit of how open the inside stays to the room on the rim, of how open it is on the foot.
    RimOpen,
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
pub const BAG_WATER_WET: (f64, f64) = (0.225, 0.02);
/// What a body's bags hold on the whole about what is written on them, wet basis, and a bag of it
/// about the others: together a point (common practice, no source).
const BAG_WATER_SD: (f64, f64) = (0.007, 0.007);
/// Clay lost as slip in throwing: 1.5–5 % of the ball (common practice, no source).
const SLIP_LOST: f64 = 0.0325;
/// Water taken up in throwing, kg/kg dry basis (common practice, no source).
const THROWING_WATER: f64 = 0.03;
/// Wall and base where nobody measured them, mm (common practice, no source).
const WALL_MM: f64 = 5.5;
const BASE_MM: f64 = 8.5;

/// Conductance of a face to still air, kg/(s·m²·Pa). A wet wall at 20 °C and 50 % loses
/// 51 g/m²h by its heat balance with radiation (Churchill–Chu, Lewis): 2.5e-8; draughts add a
/// little.
const CONDUCTANCE: f64 = 2.6e-8;
/// Covers, conductance over open: leakage round plastic, 0.3 loose to 0.03–0.1 tight (inferred
/// from how long pots take; film permeation itself is hundreds of times less).
const COVERS: [f64; 4] = [1.0, 0.35, 0.055, 0.06];
/// The inside of a base is sheltered; its underside is free on the rim.
const BASE_INSIDE: f64 = 0.36;
const UNDERSIDE: f64 = 0.9;
/// The rim shuts the inside in, nearly all of it on a board, little on slats (inferred, no source).
const RIM_OPEN: f64 = 0.85;
/// How far the faces share one temperature: heat runs √(k·d/h) ≈ 2–3 cm along a wall of clay
/// (k 1 W/mK, d 6 mm, h 8 W/m²K), less than the pot is wide, more than its base is thick.
const SHARED: f64 = 0.7;
/// Share of the clay that is base.
const BASE_SHARE: f64 = 0.27;
/// Apparent moisture diffusivity of clay bodies at room temperature, 2e-10 to 3e-9 m²/s.
const DIFFUSIVITY: f64 = 1e-9;
/// Monolayer of the desorption isotherm: two clay bricks 0.015 and 0.022; bodies differ 2–3×.
const MONOLAYER: f64 = 0.0165;
/// Share of clay trimmed away (common practice, no source).
const TRIMMED: (f64, f64) = (0.12, 0.5);
/// A handle or a knob, g of wet clay (common practice, no source).
const ATTACHED_G: (f64, f64) = (40.0, 0.8);
/// A sponge's or a wet brush's water, kg/kg dry basis.
const WETTED: f64 = 0.015;
/// Water of a pot that is sponged or wetted, kg/kg dry basis, and its deviation.
const WORKED_WATER: (f64, f64) = (0.22, 0.08);

/// Where the spread of an unknown comes from, standard deviations on its own scale: how studios
/// (their hands, rooms and plastic) differ, bodies within a studio, lots of a body, pots of a lot.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Spread {
    /// Between studios.
    pub studio: f64,
    /// Between the bodies of a studio.
    pub body: f64,
    /// Between the lots of a body.
    pub lot: f64,
    /// Between the pots of a lot.
    pub pot: f64,
}

impl Spread {
    const fn new(studio: f64, body: f64, lot: f64, pot: f64) -> Spread {
        Spread { studio, body, lot, pot }
    }

    /// All of it: what is unknown about a first pot.
    pub fn whole(self) -> f64 {
        self.studio.hypot(self.body).hypot(self.lot).hypot(self.pot)
    }

    /// Of an unknown that pots share; `None` for what is each pot's own. The shares of the levels
    /// are inferred: bag water belongs to the lot, slip and throwing water to the hand, covers and
    /// draughts to the studio, pores to the body, form to the pot.
    pub fn of(unknown: Unknown, bag_given: bool) -> Option<Spread> {
        let of = Spread::new;
        Some(match unknown {
            Unknown::Kept => of(0.006, 0.0, 0.0, 0.0085),
            Unknown::Throwing => of(0.016, 0.008, 0.0, 0.0085),
            Unknown::Bag => {
                let (dry, body) = match bag_given {
                    true => (1.6, BAG_WATER_SD.0),
                    false => (1.6, BAG_WATER_WET.1),
                };
                // d(w/(1 − w)) = dw/(1 − w)²
                of(0.0, dry * body, dry * BAG_WATER_SD.1, 0.0)
            }
            Unknown::Conductance => of(0.32, 0.10, 0.0, 0.22),
            Unknown::Covering(1) => of(0.45, 0.0, 0.0, 0.22),
            Unknown::Covering(2) => of(0.45, 0.0, 0.0, 0.22),
            Unknown::Covering(_) => of(0.65, 0.0, 0.0, 0.25),
            Unknown::BaseInside => of(0.2, 0.0, 0.0, 0.22),
            Unknown::Underside => of(0.2, 0.0, 0.0, 0.22),
            Unknown::RimOpen => of(1.3, 0.0, 0.0, 0.5),
            Unknown::Shared => of(1.0, 0.3, 0.0, 0.6),
            Unknown::BaseShare => of(0.1, 0.0, 0.0, 0.32),
            Unknown::Diffusivity => of(0.2, 0.6, 0.0, 0.25),
            Unknown::Monolayer => of(0.0, 0.43, 0.0, 0.12),
            Unknown::Trimmed(_) | Unknown::Attached(_) | Unknown::Wetted(_) => return None,
        })
    }
}

/// What is known of the monolayer beforehand: kg/kg dry basis, and the deviation of its logarithm.
pub fn monolayer() -> (f64, f64) {
    (MONOLAYER, Spread::of(Unknown::Monolayer, true).unwrap_or_default().whole())
}

/// What the water of one bag is about what is written on it, wet basis.
pub fn written_sd() -> f64 {
    BAG_WATER_SD.0.hypot(BAG_WATER_SD.1)
}

/// A pot that weighs just what its ball did, when it is weighed at once, was formed without water
/// and lost no slip: pinched, pressed, cut. What it may still have lost or taken: share of the dry
/// clay, kg/kg dry basis.
const FORMED_DRY: (f64, f64) = (0.003, 0.004);
/// Weighed at once: s.
const AT_ONCE: f64 = 0.5 * HOUR;
/// Just what its ball did, as a share of it. Of thrown pots one in a hundred comes so close.
const SAME: f64 = 3e-4;

/// Whether the first weight says that a pot was formed without water.
fn formed_dry(pot: &Pot, history: &History) -> bool {
    let first = history.weights.first().filter(|w| w.used && w.t <= AT_ONCE);
    let (Some(ball), Some(first)) = (pot.ball_g, first) else { return false };
    let fine = history.resolution <= SAME * ball;
    fine && (first.g / ball - 1.0).abs() <= SAME
}

/// Water of the bag as it is known, kg/kg dry basis.
pub fn bag_water_dry(body: Option<&Body>) -> f64 {
    dry_from_wet(body.and_then(Body::bag_water).unwrap_or(BAG_WATER_WET.0))
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

fn logit(share: f64) -> f64 {
    (share / (1.0 - share)).ln()
}

/// What is believed of a pot before its weights speak: normal, unknowns apart from each other or
/// not.
#[derive(Clone, PartialEq, Debug)]
pub struct Beliefs {
    /// Each unknown by itself.
    pub priors: Vec<Prior>,
    /// The ball that the pot was thrown from, g: as weighed, or guessed from the first weight.
    pub ball_g: f64,
    /// How far the log rate departs from the model's for some hours: standard deviation.
    pub wander: f64,
    /// A root of their covariance: from standard normal numbers to deviations from the means.
    root: DMatrix<f64>,
}

impl Beliefs {
    /// Unknowns that know nothing of each other.
    fn apart(priors: Vec<Prior>, ball_g: f64) -> Beliefs {
        let sds = DVector::from_iterator(priors.len(), priors.iter().map(|p| p.sd));
        Beliefs { priors, ball_g, wander: RATE_SD, root: DMatrix::from_diagonal(&sds) }
    }

    /// How many unknowns.
    pub fn len(&self) -> usize {
        self.priors.len()
    }

    /// Whether there is none; there always is.
    pub fn is_empty(&self) -> bool {
        self.priors.is_empty()
    }

    /// Standard deviation of an unknown, by its place in the list.
    pub fn sd(&self, k: usize) -> f64 {
        self.root.row(k).norm()
    }

    /// Where an unknown stands in the list.
    pub fn place(&self, unknown: Unknown) -> Option<usize> {
        self.priors.iter().position(|p| p.unknown == unknown)
    }

    /// Means on the unknowns' own scales.
    pub fn means(&self) -> DVector<f64> {
        DVector::from_iterator(self.len(), self.priors.iter().map(|p| p.mean))
    }

    /// Values on the unknowns' own scales, from standard normal numbers; those beyond
    /// [`FARTHEST`] count as that: weights that no pot can have would drive them out of all reason.
    pub fn values(&self, z: &[f64]) -> DVector<f64> {
        let within = z.iter().map(|z| z.clamp(-FARTHEST, FARTHEST));
        self.means() + &self.root * DVector::from_iterator(z.len(), within)
    }

    /// Covariance on the unknowns' own scales of what has this covariance in standard normal
    /// numbers.
    pub fn scaled(&self, covariance: &DMatrix<f64>) -> DMatrix<f64> {
        &self.root * covariance * self.root.transpose()
    }

    /// Covariance of the beliefs, on the unknowns' own scales.
    pub fn covariance(&self) -> DMatrix<f64> {
        &self.root * self.root.transpose()
    }

    /// Learns of one unknown by a measurement of it with this standard deviation, on its own scale:
    /// what was open together with it moves too (Kalman).
    pub fn observe(&mut self, unknown: Unknown, value: f64, sd: f64) {
        let Some(i) = self.place(unknown) else { return };
        let covariance = self.covariance();
        let column = covariance.column(i).into_owned();
        let gain = &column / (column[i] + sd * sd);
        let means = self.means() + &gain * (value - self.priors[i].mean);
        self.become_of(&means, &covariance - &gain * column.transpose());
    }

    /// Makes one unknown as sure as this, if that is surer than it was: what is open together with
    /// it moves too.
    pub fn settle(&mut self, unknown: Unknown, mean: f64, sd: f64) {
        let Some(i) = self.place(unknown) else { return };
        let (before, variance) = (self.priors[i].mean, self.priors[i].sd.powi(2));
        if sd * sd < 0.99 * variance {
            let gain = 1.0 - sd * sd / variance;
            let measured = (sd * sd / gain).sqrt();
            self.observe(unknown, before + (mean - before) / gain, measured);
        }
    }

    /// Takes on other means and another covariance; one that is none leaves all as it was.
    pub fn become_of(&mut self, means: &DVector<f64>, covariance: DMatrix<f64>) {
        let variances = covariance.diagonal();
        let Some(cholesky) = covariance.cholesky() else { return };
        self.root = cholesky.l();
        for (i, prior) in self.priors.iter_mut().enumerate() {
            (prior.mean, prior.sd) = (means[i], variances[i].sqrt());
        }
    }
}

/// What a guessed thickness leaves open, beyond what is open anyway: half as thick or twice as
/// thick is nothing rare, and thickness enters the rate once and the way through the clay squared.
const GUESSED_RATE: f64 = 0.5;
const GUESSED_WAY: f64 = 1.2;
const GUESSED_INSIDE: f64 = 0.3;

/// So many standard deviations off its prior an unknown may lie at most.
pub const FARTHEST: f64 = 6.0;

/// Where an unknown that pots share lies beforehand, on its own scale. `bag`: water of the clay as
/// it is known, kg/kg dry basis.
pub fn usual(unknown: Unknown, bag: f64) -> f64 {
    match unknown {
        Unknown::Kept => (1.0 - SLIP_LOST).ln(),
        Unknown::Throwing => THROWING_WATER,
        Unknown::Bag => bag,
        Unknown::Conductance => CONDUCTANCE.ln(),
        Unknown::Covering(cover) => COVERS[cover].ln(),
        Unknown::BaseInside => BASE_INSIDE.ln(),
        Unknown::Underside => UNDERSIDE.ln(),
        Unknown::BaseShare => logit(BASE_SHARE),
        Unknown::RimOpen => logit(RIM_OPEN),
        Unknown::Shared => logit(SHARED),
        Unknown::Diffusivity => DIFFUSIVITY.ln(),
        Unknown::Monolayer => MONOLAYER.ln(),
        Unknown::Trimmed(_) => logit(TRIMMED.0),
        Unknown::Attached(_) => ATTACHED_G.0.ln(),
        Unknown::Wetted(_) => 0.0,
    }
}

/// All unknowns of a pot with what is known of them beforehand.
pub fn of_pot(pot: &Pot, body: Option<&Body>, history: &History) -> Beliefs {
    let bag_given = body.is_some_and(|b| b.bag_water().is_some());
    let bag = bag_water_dry(body);
    let first = history.weights.iter().find(|w| w.used);
    let kept = 1.0 - SLIP_LOST;
    let (ball_g, ball_sd) = match (pot.ball_g, first) {
        (Some(ball), _) => (ball, 0.0),
        (None, Some(w)) => {
            let clay = w.g.max(1.0) / (1.0 + bag + THROWING_WATER);
            (clay / kept * (1.0 + bag), 0.05)
        }
        (None, None) => (500.0 / kept * (1.0 + bag), 1.0),
    };
    let ((_, wall_given), (_, base_given)) = thickness(pot);
    let if_guessed = |given: bool, sd: f64| if given { 0.0 } else { sd };
    let prior = |unknown: Unknown, more: f64| {
        let sd = Spread::of(unknown, bag_given).unwrap_or_default().whole().hypot(more);
        Prior { unknown, mean: usual(unknown, bag), sd }
    };
    let mut priors = vec![
        prior(Unknown::Kept, ball_sd),
        prior(Unknown::Throwing, 0.0),
        prior(Unknown::Bag, 0.0),
        prior(Unknown::Conductance, if_guessed(wall_given, GUESSED_RATE)),
        prior(Unknown::BaseInside, if_guessed(base_given, GUESSED_INSIDE)),
        prior(Unknown::BaseShare, 0.0),
        prior(Unknown::Shared, 0.0),
        prior(Unknown::Diffusivity, if_guessed(base_given, GUESSED_WAY)),
        prior(Unknown::Monolayer, 0.0),
    ];
    if formed_dry(pot, history) {
        priors[0] = Prior { mean: -FORMED_DRY.0, sd: FORMED_DRY.0, ..priors[0] };
        priors[1] = Prior { mean: 0.0, sd: FORMED_DRY.1, ..priors[1] };
    }
    if history.keeping.iter().any(|k| k.flipped) || !history.trimmed {
        priors.push(prior(Unknown::Underside, 0.0));
        priors.push(prior(Unknown::RimOpen, 0.0));
    }
    for (i, cover) in Cover::ALL.into_iter().enumerate().skip(1) {
        if history.keeping.iter().any(|k| k.cover == cover) {
            priors.push(prior(Unknown::Covering(i), 0.0));
        }
    }
    let deeds = history.events.iter().enumerate();
    priors.extend(deeds.map(|(i, event)| of_deed(history, i, event, bag)));
    Beliefs::apart(priors, ball_g)
}

/// What is known beforehand of a deed, the `i`-th of the history's events.
fn of_deed(history: &History, i: usize, event: &Event, bag: f64) -> Prior {
    let own = |unknown: Unknown, mean: f64, sd: f64| Prior { unknown, mean, sd };
    match event.deed {
        Deed::Trim => match event.step {
            // Foot shavings are wetter than the pot, and it dried meanwhile.
            Some(step) => own(Unknown::Trimmed(i), logit(step.clamp(0.01, 0.6)), 0.15),
            None => own(Unknown::Trimmed(i), usual(Unknown::Trimmed(i), bag), TRIMMED.1),
        },
        // Weighed clay is known to about a gram in twenty.
        Deed::Attach(Some(g)) => own(Unknown::Attached(i), g.clamp(0.5, 1e6).ln(), 0.05),
        Deed::Attach(None) => match event.step.zip(history.weight_before(event.t)) {
            // It dried meanwhile.
            Some((step, g)) => own(Unknown::Attached(i), (step * g).max(0.5).ln(), 0.15),
            None => own(Unknown::Attached(i), usual(Unknown::Attached(i), bag), ATTACHED_G.1),
        },
        Deed::Wet | Deed::Sponge => {
            let sign = if event.deed == Deed::Wet { 1.0 } else { -1.0 };
            // A step is a share of the pot with its water, of which little is known yet.
            let (mean, sd) = event.step.map_or((WETTED, WETTED), |step| {
                let water = step * (1.0 + WORKED_WATER.0);
                (water, (step * WORKED_WATER.1).hypot(0.1 * water).max(0.001))
            });
            own(Unknown::Wetted(i), sign * mean, sd)
        }
    }
}

/// Twins side by side differ by 7–12 % in time.
const TWINS: f64 = 0.10;

/// Takes what a weighed sibling shows for the beliefs about a pot that is not, or seldom, weighed.
///
/// The clay (its isotherm, its diffusivity, its bag water) and the air are the same; the hand's
/// slip and the throwing water nearly so; the rate is a twin's.
pub fn like_sibling(beliefs: &mut Beliefs, balls_known: bool, posterior: &Posterior) {
    let theirs = &posterior.model.beliefs;
    let (mean, covariance) = posterior.overall();
    let mut means = beliefs.means();
    let mut joint = beliefs.covariance();
    let shared: Vec<(usize, usize, f64)> = (0..beliefs.len())
        .filter_map(|i| {
            let unknown = beliefs.priors[i].unknown;
            let apart = match unknown {
                Unknown::Kept if !balls_known => return None,
                Unknown::Kept | Unknown::Throwing => 0.01,
                Unknown::Bag | Unknown::Diffusivity | Unknown::Monolayer => 0.0,
                Unknown::Trimmed(_) | Unknown::Attached(_) | Unknown::Wetted(_) => return None,
                _ => TWINS,
            };
            theirs.place(unknown).map(|k| (i, k, apart))
        })
        .collect();
    for (i, k, _) in &shared {
        means[*i] = mean[*k];
        joint.row_mut(*i).fill(0.0);
        joint.column_mut(*i).fill(0.0);
    }
    for (i, k, apart) in &shared {
        for (j, l, _) in &shared {
            joint[(*i, *j)] = covariance[(*k, *l)];
        }
        joint[(*i, *i)] += apart * apart;
    }
    beliefs.become_of(&means, joint);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, history, pot, room};
    use crate::core::inference::model::Model;
    use crate::records::Action;
    use crate::units::HOUR;

    fn find(beliefs: &Beliefs, unknown: Unknown) -> Option<Prior> {
        beliefs.place(unknown).map(|i| beliefs.priors[i])
    }

    fn sd(beliefs: &Beliefs, unknown: Unknown) -> f64 {
        find(beliefs, unknown).unwrap().sd
    }

    /// ln of the dry clay, g, as the unknowns make it.
    fn dry_clay(beliefs: &Beliefs) -> (f64, f64) {
        let [kept, bag] = [Unknown::Kept, Unknown::Bag].map(|u| find(beliefs, u).unwrap());
        let mean = beliefs.ball_g.ln() + kept.mean - (1.0 + bag.mean).ln();
        (mean, kept.sd.hypot(bag.sd / (1.0 + bag.mean)))
    }

    /// Common practice, no source: the bag is known to a point of water, 1.5–5 % is lost as slip.
    /// For 600 g at 22 % that is 445–461 g of dry clay, give or take 6 g of water.
    #[test]
    fn a_ball_tells_its_dry_clay() {
        let history = history(&pot(), &[], &[], 5.0);
        let (mean, sd) = dry_clay(&of_pot(&pot(), Some(&body()), &history));
        assert!((445.0..461.0).contains(&mean.exp()), "{mean}");
        assert!((0.014..0.020).contains(&sd), "{sd}");
    }

    #[test]
    fn what_nobody_said_is_a_wider_guess() {
        let history = |pot: &Pot, weights: &[(f64, f64)]| history(pot, &[], weights, 5.0);
        let known = of_pot(&pot(), Some(&body()), &history(&pot(), &[]));
        let no_bag = of_pot(&pot(), None, &history(&pot(), &[]));
        assert!(dry_clay(&no_bag).1 > 1.2 * dry_clay(&known).1);
        assert!(sd(&no_bag, Unknown::Bag) > sd(&known, Unknown::Bag));

        let no_ball = Pot { ball_g: None, ..pot() };
        let weighed = of_pot(&no_ball, Some(&body()), &history(&no_ball, &[(0.1, 598.0)]));
        let water = [Unknown::Bag, Unknown::Throwing].map(|u| find(&weighed, u).unwrap().mean);
        let (mean, sd_of_dry) = dry_clay(&weighed);
        assert!((mean.exp() - 598.0 / (1.0 + water[0] + water[1])).abs() < 0.01);
        assert!(sd_of_dry >= 0.05);
        let nothing = of_pot(&no_ball, Some(&body()), &history(&no_ball, &[]));
        assert!(dry_clay(&nothing).1 >= 1.0);

        let thin = Pot { wall_mm: None, base_mm: None, ..pot() };
        let guessed = of_pot(&thin, Some(&body()), &history(&thin, &[]));
        for unknown in [Unknown::Conductance, Unknown::BaseInside, Unknown::Diffusivity] {
            assert!(sd(&guessed, unknown) > 1.1 * sd(&known, unknown), "{unknown:?}");
        }
    }

    /// A pot that weighs at once what its ball weighed was formed without water.
    #[test]
    fn a_pot_that_lost_no_slip_shows_it() {
        let dry = |first: f64| {
            let weights = [(0.1, first), (3.0, 560.04), (6.0, 520.02), (9.0, 500.01)];
            let history = history(&pot(), &[], &weights, 9.0);
            dry_clay(&of_pot(&pot(), Some(&body()), &history)).0.exp()
        };
        // Pressed of 600 g at 22 %: 468 g of dry clay, all but a little.
        assert!((dry(600.03) - 468.0).abs() < 2.5, "{}", dry(600.03));
        assert!(dry(596.03) < 461.0 && dry(604.03) < 461.0);
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

    /// A handle of 30 g and a wetting of 12 g on a pot of 560 g: what the scale saw narrows what is
    /// believed of the deed.
    #[test]
    fn a_step_that_the_scale_saw_tells_how_much() {
        let mut weights: Vec<(f64, f64)> = (0..=40).map(|k| (0.25 * f64::from(k), 560.0)).collect();
        for (t, g) in &mut weights {
            *g += if *t > 4.0 { 30.0 } else { 0.0 } + if *t > 7.0 { 12.0 } else { 0.0 } - 2.0 * *t;
        }
        let rows = [(4.1, Action::Attach(None)), (7.1, Action::Wet)];
        let history = history(&pot(), &rows, &weights, 10.0);
        assert!(history.events.iter().all(|e| e.step.is_some()), "{:?}", history.events);
        let priors = of_pot(&pot(), Some(&body()), &history);
        let handle = find(&priors, Unknown::Attached(0)).unwrap();
        assert!((handle.mean.exp() / 30.0 - 1.0).abs() < 0.1 && handle.sd < 0.2, "{handle:?}");
        // 12 g of the water of some 480 g of dry clay.
        let wetted = find(&priors, Unknown::Wetted(1)).unwrap();
        assert!((wetted.mean - 12.0 / 490.0).abs() < 0.003 && wetted.sd < 0.005, "{wetted:?}");
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
        let all: Vec<_> = priors.priors.iter().map(|p| p.unknown).collect();
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

    #[test]
    fn measurements_make_surer_and_carry_what_hangs_together() {
        let history = history(&pot(), &[], &[], 5.0);
        let mut beliefs = of_pot(&pot(), Some(&body()), &history);
        let before = find(&beliefs, Unknown::Bag).unwrap();
        // Two measurements of equal worth: the mean of both, and half the variance.
        beliefs.observe(Unknown::Bag, before.mean + 0.01, before.sd);
        let after = find(&beliefs, Unknown::Bag).unwrap();
        assert!((after.mean - before.mean - 0.005).abs() < 1e-12, "{after:?}");
        assert!((after.sd - before.sd / 2.0_f64.sqrt()).abs() < 1e-12, "{after:?}");
        beliefs.settle(Unknown::Monolayer, -4.0, 0.1);
        let settled = find(&beliefs, Unknown::Monolayer).unwrap();
        assert!((settled.mean + 4.0).abs() < 1e-9 && (settled.sd - 0.1).abs() < 1e-9);
        beliefs.settle(Unknown::Monolayer, -3.0, 0.2);
        assert_eq!(find(&beliefs, Unknown::Monolayer).unwrap(), settled, "no surer, no change");
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
        like_sibling(&mut after, true, &posterior);

        let (mean, covariance) = posterior.overall();
        for (i, prior) in posterior.model.beliefs.priors.iter().enumerate() {
            let (Some(was), Some(is)) = (find(&before, prior.unknown), find(&after, prior.unknown))
            else {
                continue;
            };
            assert!((is.mean - mean[i]).abs() < 1e-9, "{is:?}");
            let theirs = covariance[(i, i)].sqrt();
            assert!(is.sd >= theirs - 1e-12, "surer than its sibling: {is:?}");
            assert!(is.sd <= was.sd.hypot(TWINS) + 1e-12, "less sure than before: {is:?}");
        }
        // What the sibling's weights left open together stays open together.
        let at = |u| posterior.model.beliefs.place(u).unwrap();
        let at_own = |u| after.place(u).unwrap();
        let both = covariance[(at(Unknown::Kept), at(Unknown::Bag))];
        let own_both = after.covariance()[(at_own(Unknown::Kept), at_own(Unknown::Bag))];
        assert!(both != 0.0 && (both - own_both).abs() < 1e-12, "{both}, {own_both}");
        let rate = find(&after, Unknown::Conductance).unwrap();
        assert!((0.07..0.30).contains(&rate.sd), "{rate:?}");
        assert!(rate.sd < 0.75 * sd(&before, Unknown::Conductance));
        assert!(rate.mean < find(&before, Unknown::Conductance).unwrap().mean - 0.3);
        assert_eq!(own.now, 29.0 * HOUR);
    }
}
