//! How likely pots that are sent ahead crack or warp within a day: the worst day of their way.
//!
//! The report warns of the coming 24 h of a pot that is whole so far. Here the same is asked all
//! along a way, of each draw: that it has stood its largest difference of a day before tells what
//! it stands by now.

use super::steep::AHEAD;
use super::tolerance::Stands;
use crate::core::drying::{LANES, Lane, PotState};

/// A day is told to this part of it: from three quarters of one to a whole.
const MARKS: usize = 4;

/// Pots on their way.
#[derive(Clone)]
pub struct Strain {
    /// Largest difference so far, kg/kg dry basis.
    most: Lane,
    /// The same up to six hours before, twelve, and so on, the longest ago first.
    marks: [Lane; MARKS],
    /// When the next one is due, s since the pot was made.
    due: f64,
    /// How likely each has cracked on the worst day so far.
    worst: Lane,
}

impl Strain {
    /// Of pots that have come to these differences by now.
    pub fn new(passed: Lane, now: f64) -> Strain {
        let due = now + AHEAD / MARKS as f64;
        Strain { most: passed, marks: [passed; MARKS], due, worst: [0.0; LANES] }
    }

    /// Looks at pots as they stand at a time.
    pub fn see(&mut self, at: f64, state: &PotState, (shrunk, stands): &(f64, Stands)) {
        for lane in state.differences(*shrunk) {
            for (most, water) in self.most.iter_mut().zip(lane) {
                *most = most.max(water);
            }
        }
        if at >= self.due {
            self.worst = self.worst(stands);
            self.marks.rotate_left(1);
            self.marks[MARKS - 1] = self.most;
            self.due = at + AHEAD / MARKS as f64;
        }
    }

    /// How likely each cracks or warps on the worst day of its way so far.
    pub fn worst(&self, stands: &Stands) -> Lane {
        let day = |l: usize| stands.fails(self.marks[0][l], self.most[l]);
        std::array::from_fn(|l| self.worst[l].max(day(l)))
    }
}
