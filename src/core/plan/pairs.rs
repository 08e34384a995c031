//! Pots that must stay equally damp, a lid and its jar: a pair is worked on together.
//!
//! A pair has one window: it is open while both of its pots' are, and only where the two are as
//! damp as each other in the midst of it. Every draw of the one meets the draw of the other of the
//! same number: both have the same weather, and what pots of a body and lot have in common
//! ([`crate::core::forecast::Kin`]); the rest is each one's own.

use super::Subject;
use super::queue::closing;
use crate::core::forecast::HORIZON;
use crate::core::prospect::Course;
use crate::records::Name;

/// Two pots of a pair.
pub type Pair = [Name; 2];

/// The other of its pair, by subject, where the work lies ahead of both. A pot that is named twice
/// is of the first pair.
pub fn partners(subjects: &[Subject], pairs: &[Pair]) -> Vec<Option<usize>> {
    let place = |name: &Name| subjects.iter().position(|s| s.pot == *name && s.trims);
    let mut partners = vec![None; subjects.len()];
    for [a, b] in pairs {
        let (Some(a), Some(b)) = (place(a), place(b)) else { continue };
        if a != b && partners[a].is_none() && partners[b].is_none() {
            (partners[a], partners[b]) = (Some(b), Some(a));
        }
    }
    partners
}

/// What comes of a pair: when both of its pots are within the band, and lie no further apart in it
/// than `alike`, as a part of the band.
pub fn together(a: &[Course], b: &[Course], alike: f64) -> Vec<Course> {
    let both = |a: &Course, b: &Course| {
        let (opens, closes) = (a.opens.max(b.opens), a.closes.min(b.closes));
        let middle = 0.5 * (opens + closes.min(opens + HORIZON));
        let open = closes > opens && (place(a, middle) - place(b, middle)).abs() <= alike;
        Course {
            weight: a.weight * b.weight,
            opens: if open { opens } else { f64::INFINITY },
            closes,
            bone_dry: a.bone_dry.max(b.bone_dry),
            cracks: 1.0 - (1.0 - a.cracks) * (1.0 - b.cracks),
        }
    };
    a.iter().zip(b).map(|(a, b)| both(a, b)).collect()
}

/// Where in its band a pot is at a time: 0 where it opens, 1 where it closes.
fn place(course: &Course, t: f64) -> f64 {
    let closes = course.closes.min(course.opens + HORIZON);
    (t - course.opens) / (closes - course.opens).max(1.0)
}

/// The one of two that is done first: whose window closes first.
pub fn first_is(a: &[Course], b: &[Course]) -> bool {
    closing(a) <= closing(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(opens: f64, closes: f64) -> Vec<Course> {
        vec![Course { weight: 1.0, opens, closes, bone_dry: 2.0 * closes, cracks: 0.0 }]
    }

    /// By hand. At 60 the one is in the middle of its band, the other at 0.4 of it.
    #[test]
    fn a_pair_is_open_while_both_are_and_alike() {
        let (jar, lid) = (window(20.0, 100.0), window(20.0, 120.0));
        let [both] = together(&jar, &lid, 0.33)[..] else { panic!("one draw each") };
        assert_eq!((both.opens, both.closes, both.bone_dry), (20.0, 100.0, 240.0));
        let [apart] = together(&jar, &lid, 0.05)[..] else { panic!("one draw each") };
        assert!(apart.opens.is_infinite() && apart.closes == 100.0);
        let [never] = together(&jar, &window(100.0, 150.0), 9.0)[..] else { panic!() };
        assert!(never.opens.is_infinite());
        assert!(together(&[], &jar, 1.0).is_empty());
    }
}
