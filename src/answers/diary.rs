//! What a diary tells of a body's pots: each by all its own weights, up to the last before it was
//! packed or lost, with all that the studio has learnt by now.

use super::{Taught, on_all_cores};
use crate::core::assessment::{Assessment, Wanted};
use crate::core::hindsight::{self, Hindsight};
use crate::core::report::PotAnswer;
use crate::records::{Name, Studio};
use crate::units::Time;

/// A pot looked back upon.
#[derive(Clone, PartialEq, Debug)]
pub struct Remembered {
    /// What is known of it as of its last weight, with its way there.
    pub answer: PotAnswer,
    /// When that was.
    pub until: Time,
    /// What is known of its past, where it is finished.
    pub past: Option<Hindsight>,
}

/// Some pots, in the order given; those that were not weighed are left out.
pub fn remembered(studio: &Studio, taught: &Taught, names: &[&Name]) -> Vec<Remembered> {
    on_all_cores(names, |name| {
        let alone = hindsight::alone(studio, name)?;
        let wanted = Wanted { paths: true, past: Some(&[]), ..Wanted::default() };
        let assessment = Assessment::new(&alone, &taught.lessons, name, &wanted)?;
        let answer = assessment.answer(&alone, &taught.corrections)?;
        Some(Remembered { answer, until: alone.at, past: assessment.past })
    })
}
