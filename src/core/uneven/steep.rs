//! How unevenly a pot dries while it shrinks.
//!
//! Clay that dries shrinks until its particles touch; what has shrunk pulls at what has not yet.
//! So what counts is how much wetter one place of a pot is than another, with water below the end
//! of shrinkage counted as that much ([`PotState::differences`]): through the wall and the base,
//! where for a steady flux it is F·L/(2·ρ·D) (Crank, *The Mathematics of Diffusion*, 2nd ed. 1975,
//! section 4.3, constant flux at the surfaces), and between base and wall, which dry at rates of
//! their own. All water that leaves makes clay shrink by its volume (Bigot;
//! [`crate::core::clay::length_ratio`]): a point of difference is about half a percent of length.
//!
//! The end of shrinkage is taken to be where the trimming band ends, as its potter gave it: a
//! little wetter than where it is (common practice, no source).

use crate::core::drying::{LANES, PotState};
use crate::core::inference::model::Model;

/// How far ahead is looked, s: every pot is seen by somebody within a day, and no sheet of plastic
/// need be laid earlier than that (common practice, no source).
pub const AHEAD: f64 = crate::units::DAY;

/// Between which places of a pot.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Where {
    /// From the faces of its wall to the middle of it.
    Wall,
    /// From the faces of its base to the inside of it.
    Base,
    /// Between wall and base.
    #[default]
    Parts,
}

impl Where {
    const ALL: [Where; 3] = [Where::Wall, Where::Base, Where::Parts];

    /// The word in the JSON.
    pub fn word(self) -> &'static str {
        match self {
            Where::Wall => "wall",
            Where::Base => "base",
            Where::Parts => "wall-and-base",
        }
    }
}

/// The largest difference of a stretch of time.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Steep {
    /// How large, kg/kg dry basis; 0 where nothing shrinks.
    pub water: f64,
    /// When, s since the pot was made.
    pub at: f64,
    /// Where.
    pub place: Where,
}

/// The largest differences of some pots that are seen again and again.
pub type Steepest = [Steep; LANES];

/// Looks at pots as they stand at a time.
pub fn see(steepest: &mut Steepest, at: f64, state: &PotState, shrunk: f64) {
    for (place, lane) in Where::ALL.into_iter().zip(state.differences(shrunk)) {
        for (steep, water) in steepest.iter_mut().zip(lane) {
            if water > steep.water {
                *steep = Steep { water, at, place };
            }
        }
    }
}

/// The largest differences so far of a pot that stands like this now, under some sets of its
/// unknowns; none where it no longer shrinks.
pub fn so_far(model: &Model, sets: &[Vec<f64>], state: &PotState, shrunk: f64) -> Steepest {
    if state.wettest().iter().all(|water| *water <= shrunk) {
        return Steepest::default();
    }
    let now = model.history.now;
    let mut steepest = passed(model, sets, shrunk, now);
    see(&mut steepest, now, state, shrunk);
    steepest
}

/// The largest differences of a pot's past up to a time (s since it was made), under some sets of
/// its unknowns.
pub fn passed(model: &Model, sets: &[Vec<f64>], shrunk: f64, until: f64) -> Steepest {
    let mut steepest = Steepest::default();
    model.watched(sets, |span, state| {
        if span.to <= until + 1.0 {
            see(&mut steepest, span.to, state, shrunk);
        }
    });
    steepest
}
