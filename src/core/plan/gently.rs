//! No faster than the body stands.
//!
//! Each draw's largest difference of water on the worst day of its way, until its window has closed
//! (with a kiln, until it is dry), is held against what the pots of its body stood
//! ([`crate::core::uneven::strain`]), as the report does it with the coming day. A way that would
//! bring the report's warning is gone only where no other brings the pots into the hours, and a pot
//! that cracks is lost altogether: its chance to do so is taken from what the way is worth. Below
//! the warning's threshold it counts for nothing, as in the report.

use super::Subject;
use super::draft::{Draft, Way};
use crate::core::prospect::Course;

/// How likely a pot cracks or warps on the worst day of its way.
pub fn cracks(courses: &[Course]) -> f64 {
    let all: f64 = courses.iter().map(|c| c.weight).sum();
    let some = courses.iter().map(|c| c.weight * c.cracks).sum::<f64>();
    if all > 0.0 { some / all } else { 0.0 }
}

impl Subject {
    /// Pots of its body whose outcome is known, and those of them that cracked or warped; `None`
    /// where it is not of interest whether this one does.
    pub fn stood(&self) -> Option<(usize, usize)> {
        self.prospect.stands.as_ref().map(|(_, stands)| (stands.pots, stands.failed))
    }
}

impl Draft<'_> {
    /// How likely pots of a way crack or warp, by member of its group: nothing where no warning
    /// would be due.
    pub(super) fn lost(&self, way: &Way) -> Vec<f64> {
        let warned = |courses: &Vec<Course>| {
            Some(cracks(courses)).filter(|c| *c >= self.question.wary.0).unwrap_or(0.0)
        };
        way.courses.iter().map(warned).collect()
    }

    /// Whether a warning is due of a pot that is worked on, as it is kept.
    pub(super) fn is_lost(&self, member: usize) -> bool {
        self.subjects[member].trims && cracks(self.courses_of(member)) >= self.question.wary.0
    }
}
