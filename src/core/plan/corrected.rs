//! Draws of a prospect, with their times corrected by the studio's own record.
//!
//! Intervals that held too seldom are stretched about their middle, those that held too often
//! drawn in ([`Correction`]); of draws that is the same done to each. So the percentages of a plan
//! say what the intervals of a report say.

use super::queue::quantile;
use crate::core::correction::{Correction, Corrections};
use crate::core::prospect::Course;

/// Courses as the record corrects them. What has happened already, and what never comes, stays.
pub fn corrected(mut courses: Vec<Course>, by: &Corrections) -> Vec<Course> {
    stretch(&mut courses, &by.window, |c| &mut c.opens);
    stretch(&mut courses, &by.window, |c| &mut c.closes);
    stretch(&mut courses, &by.bone_dry, |c| &mut c.bone_dry);
    // None closes before it opens.
    for course in courses.iter_mut().filter(|course| course.opens.is_finite()) {
        course.closes = course.closes.max(course.opens);
    }
    courses
}

fn stretch(courses: &mut [Course], by: &Correction, of: fn(&mut Course) -> &mut f64) {
    if !by.is_made() || by.factor == 1.0 {
        return;
    }
    let times = courses.iter_mut().map(|course| (*of(course), course.weight)).collect();
    let middle = quantile(times, 0.5);
    if !(middle.is_finite() && middle > 0.0) {
        return;
    }
    for course in courses {
        let time = of(course);
        if time.is_finite() && *time > 0.0 {
            *time = (middle + by.factor * (*time - middle)).max(0.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::correction::ENOUGH;

    fn courses() -> Vec<Course> {
        let course = |k: i32| {
            let opens = 100.0 + 10.0 * f64::from(k);
            Course {
                weight: 1.0,
                opens,
                closes: opens + 60.0,
                bone_dry: 500.0 + opens,
                cracks: 0.0,
            }
        };
        let never = f64::INFINITY;
        let past =
            Course { weight: 1.0, opens: -50.0, closes: 160.0, bone_dry: never, cracks: 0.0 };
        (-3..=3).map(course).chain([past]).collect()
    }

    fn record(factor: f64, pots: usize) -> Corrections {
        let window = Correction { factor, raw: Some(factor), pots };
        Corrections { window, ..Corrections::default() }
    }

    /// By hand: the middle of what opens is 90 s ahead, that of what closes 160 s.
    #[test]
    fn a_record_stretches_what_is_to_come_about_its_middle() {
        assert_eq!(corrected(courses(), &Corrections::default()), courses());
        assert_eq!(corrected(courses(), &record(1.5, ENOUGH - 1)), courses());
        let wide = corrected(courses(), &record(1.5, ENOUGH));
        let opens: Vec<f64> = wide.iter().map(|c| c.opens).collect();
        assert_eq!(opens, [60.0, 75.0, 90.0, 105.0, 120.0, 135.0, 150.0, -50.0]);
        assert_eq!(wide[0].closes, 160.0 + 1.5 * (130.0 - 160.0));
        assert_eq!((wide[7].closes, wide[7].bone_dry), (160.0, f64::INFINITY));
        // Of dryness this record says nothing.
        assert_eq!(wide[0].bone_dry, courses()[0].bone_dry);
        let narrow = corrected(courses(), &record(0.7, ENOUGH));
        assert!(narrow.iter().all(|c| c.closes >= c.opens));
        assert!(narrow[6].opens < courses()[6].opens && narrow[0].opens > courses()[0].opens);
    }

    #[test]
    fn nothing_closes_before_it_opens() {
        let course =
            |opens, closes| Course { weight: 1.0, opens, closes, bone_dry: 900.0, cracks: 0.0 };
        let odd = vec![course(10.0, 20.0), course(400.0, 405.0), course(30.0, 500.0)];
        let wide = corrected(odd, &record(2.0, ENOUGH));
        assert!(wide.iter().all(|c| c.closes >= c.opens && c.opens >= 0.0), "{wide:?}");
    }
}
