//! One wheel, one potter: who is trimmed when.

use super::hours::Hours;
use crate::core::prospect::Course;
use std::borrow::Cow;

/// One piece of work: a pot, or a pair.
pub struct Job<'a> {
    /// How long it takes, s.
    pub length: f64,
    /// What comes of it.
    pub courses: Cow<'a, [Course]>,
}

/// A job's place in the queue.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Place {
    /// How likely its window is open long enough while the potter is there and no pot before it in
    /// the queue is on the wheel.
    pub chance: f64,
    /// When it is to be done, s from now, and how likely its window is open all along then.
    pub slot: Option<((f64, f64), f64)>,
}

/// Places of jobs, in the order given. Whose window closes first is first served: the order of
/// earliest due date, which makes the longest delay shortest (Jackson, *Scheduling a production
/// line to minimize maximum tardiness*, 1955). Without `slots` the last has none: it is of no
/// account for the others' chances.
pub fn queue(hours: &Hours, jobs: &[Job], slots: bool) -> Vec<Place> {
    let closes: Vec<f64> = jobs.iter().map(|job| closing(&job.courses)).collect();
    let mut order: Vec<usize> = (0..jobs.len()).collect();
    order.sort_by(|a, b| closes[*a].total_cmp(&closes[*b]));
    let mut free = hours.clone();
    let mut places = vec![Place { chance: 0.0, slot: None }; jobs.len()];
    for (k, job) in order.iter().copied().enumerate() {
        let place = place(&free, &jobs[job], slots || k + 1 < order.len());
        if let Some((slot, _)) = place.slot {
            free = free.without(slot);
        }
        places[job] = place;
    }
    places
}

/// The place of one job in hours that are free.
fn place(free: &Hours, job: &Job, slots: bool) -> Place {
    let slot = if slots { free.slot(&job.courses, job.length) } else { None };
    Place { chance: free.chance(&job.courses, job.length), slot }
}

/// When half of the windows have closed.
pub fn closing(courses: &[Course]) -> f64 {
    quantile(courses.iter().map(|c| (c.closes, c.weight)).collect(), 0.5)
}

/// The least of weighted values that so large a share of the weight does not exceed; infinite where
/// there are none.
pub fn quantile(mut values: Vec<(f64, f64)>, share: f64) -> f64 {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let enough = share * values.iter().map(|v| v.1).sum::<f64>();
    let mut sum = 0.0;
    let found = values.iter().find(|(_, weight)| {
        sum += weight;
        sum >= enough
    });
    found.map_or(f64::INFINITY, |(value, _)| *value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(opens: f64, closes: f64) -> Vec<Course> {
        vec![Course { weight: 1.0, opens, closes, bone_dry: f64::INFINITY, cracks: 0.0 }]
    }

    fn job(courses: &[Course]) -> Job<'_> {
        Job { length: 20.0, courses: Cow::Borrowed(courses) }
    }

    #[test]
    fn who_closes_first_is_served_first() {
        let hours = Hours::new(vec![(0.0, 60.0)]);
        let [late, soon, never] = [window(0.0, 90.0), window(0.0, 25.0), window(100.0, 120.0)];
        let places = queue(&hours, &[&late, &soon, &never].map(|courses| job(courses)), true);
        assert_eq!(places[1], Place { chance: 1.0, slot: Some(((0.0, 20.0), 1.0)) });
        assert_eq!(places[0], Place { chance: 1.0, slot: Some(((20.0, 40.0), 1.0)) });
        assert_eq!(places[2], Place { chance: 0.0, slot: None });
    }

    #[test]
    fn one_wheel_does_not_hold_two_pots() {
        let hours = Hours::new(vec![(0.0, 40.0)]);
        let pots: Vec<_> = (0..3).map(|_| window(-5.0, 45.0)).collect();
        let jobs: Vec<Job> = pots.iter().map(|courses| job(courses)).collect();
        let places = queue(&hours, &jobs, true);
        assert_eq!(places.iter().filter(|place| place.chance == 1.0).count(), 2);
        let mut slots: Vec<_> = places.iter().filter_map(|place| place.slot).collect();
        slots.sort_by(|a, b| a.0.0.total_cmp(&b.0.0));
        assert_eq!(slots, [((0.0, 20.0), 1.0), ((20.0, 40.0), 1.0)]);
    }
}
