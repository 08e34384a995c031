//! Hours at which somebody is there, and how likely a window falls into them.

use crate::core::prospect::Course;

/// Two times of this distance are the same, s.
const SAME: f64 = 1.0;
/// A slot less likely by so little comes before a later one (common practice, no source).
const AS_GOOD: f64 = 0.03;
/// No time on the wheel is kept for a pot that is less likely trimmable then (common practice, no
/// source).
const HARDLY: f64 = 0.20;

/// Spans of time in order, none touching another; seconds from now.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Hours(Vec<(f64, f64)>);

impl Hours {
    /// Of spans in any order.
    pub fn new(mut spans: Vec<(f64, f64)>) -> Hours {
        spans.retain(|(from, to)| to > from);
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut hours: Vec<(f64, f64)> = Vec::new();
        for (from, to) in spans {
            match hours.last_mut() {
                Some(last) if from <= last.1 + SAME => last.1 = last.1.max(to),
                _ => hours.push((from, to)),
            }
        }
        Hours(hours)
    }

    /// The spans.
    pub fn spans(&self) -> &[(f64, f64)] {
        &self.0
    }

    /// Whether a time lies in them, ends included.
    pub fn holds(&self, t: f64) -> bool {
        self.0.iter().any(|(from, to)| *from <= t && t <= *to)
    }

    /// Without one span.
    pub fn without(&self, (from, to): (f64, f64)) -> Hours {
        let parts = |span: &(f64, f64)| [(span.0, span.1.min(from)), (span.0.max(to), span.1)];
        let parts = self.0.iter().flat_map(parts);
        Hours(parts.filter(|(from, to)| to - from > SAME).collect())
    }

    /// What of them comes after a time.
    pub fn after(&self, t: f64) -> Hours {
        self.without((f64::NEG_INFINITY, t))
    }

    /// How likely the window is open for so long, in one piece, within one of the spans.
    pub fn chance(&self, courses: &[Course], length: f64) -> f64 {
        share(courses, |course| self.hold(course, length))
    }

    /// Whether the window is open for so long, in one piece, within one of the spans.
    pub fn hold(&self, course: &Course, length: f64) -> bool {
        let next = self.0.partition_point(|(_, to)| *to < course.opens + length);
        let mut later = self.0[next..].iter().take_while(|(from, _)| *from < course.closes);
        later.any(|(from, to)| to.min(course.closes) - from.max(course.opens) >= length - SAME)
    }

    /// The first span of this length within them in which the window is all but as likely open all
    /// along as in the likeliest, and how likely; `None` where that is hardly ever.
    pub fn slot(&self, courses: &[Course], length: f64) -> Option<((f64, f64), f64)> {
        let first = courses.iter().map(|c| c.opens).fold(f64::INFINITY, f64::min);
        let last = courses.iter().map(|c| c.closes).fold(f64::NEG_INFINITY, f64::max);
        let mut slots = Vec::new();
        for (from, to) in self.0.iter().filter(|(from, to)| *to > first && *from < last) {
            let mut start = *from;
            while start + length <= to + SAME && start < last {
                let slot = (start, start + length);
                slots.push((slot, at(courses, slot)));
                start += length;
            }
        }
        let best = slots.iter().map(|(_, chance)| *chance).fold(0.0, f64::max);
        let good = |(_, chance): &((f64, f64), f64)| *chance >= best - AS_GOOD;
        slots.into_iter().find(good).filter(|(_, chance)| *chance >= HARDLY)
    }
}

/// How likely the window is open all along a span.
pub fn at(courses: &[Course], (from, to): (f64, f64)) -> f64 {
    share(courses, |c| c.opens <= from + SAME && c.closes >= to - SAME)
}

/// Share of the draws' weight that something holds of.
pub fn share(courses: &[Course], holds: impl Fn(&&Course) -> bool) -> f64 {
    let all: f64 = courses.iter().map(|c| c.weight).sum();
    // The sum of nothing is −0.
    let some = 0.0 + courses.iter().filter(holds).map(|c| c.weight).sum::<f64>();
    if all > 0.0 { some / all } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(opens: f64, closes: f64) -> Course {
        Course { weight: 1.0, opens, closes, bone_dry: f64::INFINITY, cracks: 0.0 }
    }

    #[test]
    fn spans_are_put_in_order_and_taken_out() {
        let hours = Hours::new(vec![(50.0, 60.0), (10.0, 20.0), (15.0, 30.0), (5.0, 5.0)]);
        assert_eq!(hours.spans(), [(10.0, 30.0), (50.0, 60.0)]);
        assert_eq!(hours.without((18.0, 22.0)).spans(), [(10.0, 18.0), (22.0, 30.0), (50.0, 60.0)]);
        assert_eq!(hours.without((0.0, 100.0)).spans(), []);
        assert_eq!(hours.after(25.0).spans(), [(25.0, 30.0), (50.0, 60.0)]);
        assert!(hours.holds(10.0) && hours.holds(30.0) && !hours.holds(31.0));
    }

    #[test]
    fn a_window_counts_where_it_is_open_long_enough_while_somebody_is_there() {
        let hours = Hours::new(vec![(100.0, 200.0), (300.0, 400.0)]);
        let chance = |windows: &[Course]| hours.chance(windows, 30.0);
        assert_eq!(chance(&[window(120.0, 150.0)]), 1.0);
        assert_eq!(chance(&[window(120.0, 140.0)]), 0.0);
        // Twenty before the one span's end and twenty in the other: neither is enough.
        assert_eq!(chance(&[window(180.0, 320.0)]), 0.0);
        assert_eq!(chance(&[window(180.0, 330.0)]), 1.0);
        assert_eq!(chance(&[window(-50.0, f64::INFINITY), window(500.0, 600.0)]), 0.5);
        assert_eq!(chance(&[window(f64::INFINITY, f64::INFINITY)]), 0.0);
        assert_eq!(Hours::default().chance(&[window(0.0, 500.0)], 30.0), 0.0);
        assert_eq!(hours.chance(&[], 30.0), 0.0);
    }

    #[test]
    fn a_slot_is_where_most_windows_are_open() {
        let hours = Hours::new(vec![(100.0, 200.0), (300.0, 400.0)]);
        let windows = [window(90.0, 170.0), window(125.0, 190.0), window(310.0, 500.0)];
        assert_eq!(hours.slot(&windows, 20.0), Some(((140.0, 160.0), 2.0 / 3.0)));
        assert_eq!(hours.slot(&windows, 150.0), None);
        assert_eq!(hours.slot(&[window(210.0, 290.0)], 20.0), None);
    }
}
