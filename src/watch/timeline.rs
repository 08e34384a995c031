//! When things arrive: the wall clock, without its steps.
//!
//! Readings without a time of their own are stamped with the computer's clock, and that may be set
//! at any moment: a board without a battery begins in 1970 and learns the time minutes later. A
//! step is told from time passing by a clock that never steps. Then the clock was wrong until now:
//! what this program stamped before is moved along, so that the distances between readings stay
//! what they were. Smaller differences (drift, a clock that is slewed) are followed slowly; time
//! never goes back.

use crate::clock;
use crate::units::Time;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// A difference so large is a step, s.
const STEP_S: f64 = 10.0;
/// Smaller ones are followed at this rate at most, s per s.
const SLEW: f64 = 0.05;

/// All steps so far.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Moves {
    /// How many there were.
    pub count: u32,
    /// Their sum, µs.
    pub by_us: i64,
}

/// A moment, and the steps that its time knows of.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Moment {
    /// The time.
    pub time: Time,
    /// Steps until then.
    pub moves: Moves,
}

/// The wall clock made steady.
#[derive(Debug)]
pub struct Timeline {
    last: (Time, Duration),
    moves: Moves,
}

impl Timeline {
    /// Begins with the wall clock as it stands, and how long the computer has been running.
    pub fn new(wall: Time, running: Duration) -> Timeline {
        Timeline { last: (wall, running), moves: Moves::default() }
    }

    /// The time to stamp with, now that the clocks stand so.
    pub fn at(&mut self, wall: Time, running: Duration) -> Moment {
        let passed = running.saturating_sub(self.last.1).as_secs_f64();
        let expected = self.last.0.plus(passed);
        let off = wall.since(expected);
        let time = if off.abs() > STEP_S {
            self.moves.count += 1;
            self.moves.by_us += wall.0 - expected.0;
            wall
        } else {
            expected.plus(off.clamp(-SLEW * passed, SLEW * passed))
        };
        self.last = (time, running);
        Moment { time, moves: self.moves }
    }
}

/// One timeline for all ports.
#[derive(Clone, Debug)]
pub struct Shared(Arc<Mutex<Timeline>>);

impl Shared {
    /// Begins now.
    pub fn start() -> Shared {
        Shared(Arc::new(Mutex::new(Timeline::new(clock::now(), clock::running()))))
    }

    /// The time to stamp with now.
    pub fn now(&self) -> Moment {
        let mut timeline = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        timeline.at(clock::now(), clock::running())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const START: Time = Time(1_900_000_000_000_000);

    #[test]
    fn a_step_moves_all_before_it_along() {
        let at = Duration::from_secs;
        let mut timeline = Timeline::new(Time::MIN, at(5));
        let before = timeline.at(Time::from_seconds(60.0), at(65));
        assert_eq!(before, Moment { time: Time::from_seconds(60.0), moves: Moves::default() });
        let after = timeline.at(START, at(125));
        assert_eq!(
            after,
            Moment { time: START, moves: Moves { count: 1, by_us: START.0 - 120_000_000 } }
        );
        // A night asleep is no step: the computer was there, if not awake.
        let morning = timeline.at(START.plus(8.0 * 3600.0), at(125 + 8 * 3600));
        assert_eq!(morning.moves, after.moves);
    }

    #[test]
    fn a_small_difference_is_followed_slowly() {
        let mut timeline = Timeline::new(START, Duration::ZERO);
        let mut last = START;
        for s in 1..400u64 {
            // Nine seconds back, all at once.
            let wall = START.plus(s as f64 - 9.0);
            let moment = timeline.at(wall, Duration::from_secs(s));
            let pace = moment.time.since(last);
            assert!((0.95..=1.0).contains(&pace), "{s}: {pace}");
            last = moment.time;
            assert_eq!(moment.moves.count, 0);
        }
        assert_eq!(last, START.plus(399.0 - 9.0));
    }

    proptest! {
        /// Whatever the wall clock does: corrected by the steps that came later, times are in
        /// order and as far apart as they were.
        #[test]
        fn corrected_times_are_those_of_a_clock_that_never_stepped(
            steps in prop::collection::vec(
                prop_oneof![
                    3 => Just(0.0), 1 => -1e8..1e8f64, 1 => -1e4..1e4f64, 1 => -100.0..100.0f64,
                    1 => -9.0..9.0f64,
                ], 1..60),
            pace in 0.5..60.0f64,
        ) {
            let mut timeline = Timeline::new(START, Duration::ZERO);
            let (mut set_by, mut moments) = (0.0, Vec::new());
            for (n, step) in steps.iter().enumerate() {
                set_by += step;
                let running = pace * (n + 1) as f64;
                let wall = START.plus(running + set_by);
                moments.push((running, timeline.at(wall, Duration::from_secs_f64(running))));
            }
            let end = moments[moments.len() - 1].1.moves.by_us;
            let corrected: Vec<(f64, Time)> = moments
                .iter()
                .map(|(running, m)| (*running, Time(m.time.0 + end - m.moves.by_us)))
                .collect();
            for pair in corrected.windows(2) {
                let (passed, told) = (pair[1].0 - pair[0].0, pair[1].1.since(pair[0].1));
                prop_assert!((told - passed).abs() <= SLEW * passed + 1e-4, "{told} {passed}");
            }
        }
    }
}
