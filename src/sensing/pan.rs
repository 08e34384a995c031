//! What happens on a scale, from 1 to 80 samples a second: a pot is put down, lifted off, touched,
//! swapped for another, or weighs something else than before.
//!
//! A pure function of the samples. What is at rest is [`super::settle`]'s to say; between two rests
//! lies a disturbance, and what it was follows from how far the weight fell meanwhile and where it
//! came to rest. One that is shorter than a second and leaves the weight as it was is a knock, and
//! none of anybody's business. The limits are common practice with bench scales, no source.

use super::settle::{EMPTY_G, Settle, Settled, limit};

/// A disturbance that leaves all as it was and is shorter than this is a knock, s.
const KNOCK_S: f64 = 1.0;

/// What happened.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Event {
    /// A pot stands on the scale that was empty.
    Put(Settled),
    /// The scale is empty; so much stood there before, g.
    Lifted(f64),
    /// Lifted, pressed or leant on, and as it was.
    Touched(Settled),
    /// Lifted, and another weight put down; so much stood there before, g.
    Swapped(f64, Settled),
    /// Never lifted, yet at rest with another weight; so much stood there before, g.
    Changed(f64, Settled),
}

impl Event {
    /// The weight that a pot was just weighed to.
    pub fn weight(&self) -> Option<Settled> {
        match self {
            Event::Put(now) | Event::Swapped(_, now) | Event::Changed(_, now) => Some(*now),
            Event::Lifted(_) | Event::Touched(_) => None,
        }
    }

    /// In a word.
    pub fn word(&self) -> &'static str {
        match self {
            Event::Put(_) => "put",
            Event::Lifted(_) => "lifted",
            Event::Touched(_) => "touched",
            Event::Swapped(..) => "swapped",
            Event::Changed(..) => "changed",
        }
    }
}

/// A scale's pan.
#[derive(Debug, Default)]
pub struct Pan {
    settle: Settle,
    /// What stands there, g; `None`: nothing.
    standing: Option<f64>,
    disturbed: Option<Disturbance>,
}

/// Since the weight left where it was.
#[derive(Clone, Copy, Debug)]
struct Disturbance {
    from: f64,
    to: f64,
    lowest: f64,
}

impl Pan {
    /// Takes a sample (`seconds` on any steady clock, in order), and whether the scale itself says
    /// that it is at rest.
    pub fn push(&mut self, seconds: f64, grams: f64, at_rest: Option<bool>) -> Option<Event> {
        self.note(seconds, grams);
        let rest = self.settle.told(seconds, grams, at_rest)?;
        self.come_to_rest(rest)
    }

    /// Nothing has come until `seconds`: a scale that prints at the press of its key.
    pub fn silence(&mut self, seconds: f64) -> Option<Event> {
        let rest = self.settle.silence(seconds)?;
        self.come_to_rest(rest)
    }

    /// Takes a reading that stands for many samples of some seconds ([`super::reduce`]): at rest
    /// where these lie close about their median.
    pub fn reduced(&mut self, grams: f64, spread: f64, samples: u32) -> Option<Event> {
        if spread > limit(grams) {
            return None;
        }
        let now = Settled { grams, spread: Some(spread), samples };
        let empty = grams < EMPTY_G;
        let before = std::mem::replace(&mut self.standing, (!empty).then_some(grams));
        match before {
            None => (!empty).then_some(Event::Put(now)),
            Some(before) if empty => Some(Event::Lifted(before)),
            Some(before) if (grams - before).abs() > limit(before) => {
                Some(Event::Changed(before, now))
            }
            Some(_) => None,
        }
    }

    /// What stands there, g; `None`: nothing, or nothing is known yet.
    pub fn standing(&self) -> Option<f64> {
        self.standing
    }

    /// Lowest and highest weight of the last moments, g.
    pub fn range(&self) -> Option<(f64, f64)> {
        self.settle.range()
    }

    fn note(&mut self, seconds: f64, grams: f64) {
        let Some(level) = self.standing else { return };
        let off = (grams - level).abs() > limit(level);
        match &mut self.disturbed {
            Some(disturbance) => {
                disturbance.lowest = disturbance.lowest.min(grams);
                if off {
                    disturbance.to = seconds;
                }
            }
            None if off => {
                let (from, to) = (seconds, seconds);
                self.disturbed = Some(Disturbance { from, to, lowest: grams });
            }
            None => {}
        }
    }

    fn come_to_rest(&mut self, rest: Settled) -> Option<Event> {
        let empty = rest.grams < EMPTY_G;
        let before = self.standing;
        self.standing = (!empty).then_some(rest.grams);
        let disturbed = self.disturbed.take();
        let Some(before) = before else {
            return (!empty).then_some(Event::Put(rest));
        };
        if empty {
            return Some(Event::Lifted(before));
        }
        // A slow loss is drying, and no event; at the press of a key there is nothing between.
        let by_key = rest.samples == 1;
        let disturbed = match disturbed {
            None if by_key => return Some(Event::Put(rest)),
            other => other?,
        };
        let same = (rest.grams - before).abs() <= limit(before);
        match (same, disturbed.lowest < EMPTY_G) {
            (true, _) if by_key => Some(Event::Put(rest)),
            (true, _) => (disturbed.to - disturbed.from >= KNOCK_S).then_some(Event::Touched(rest)),
            (false, true) => Some(Event::Swapped(before, rest)),
            (false, false) => Some(Event::Changed(before, rest)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Events of a trace (g as a function of seconds) at `hz`, as words with their weights.
    fn events(hz: f64, end: f64, grams: impl Fn(f64) -> f64) -> Vec<(String, f64)> {
        let mut pan = Pan::default();
        let mut found = Vec::new();
        for i in 0..(end * hz) as usize {
            let s = i as f64 / hz;
            let noise = ((i * 7919) % 101) as f64 / 101.0 - 0.5;
            if let Some(event) = pan.push(s, grams(s) + noise, None) {
                let weight = match event {
                    Event::Lifted(before) => before,
                    Event::Touched(now) => now.grams,
                    other => other.weight().unwrap().grams,
                };
                found.push((event.word().to_owned(), weight.round()));
            }
        }
        found
    }

    fn story(s: f64) -> f64 {
        match s {
            s if s < 5.0 => 0.2,
            s if s < 6.0 => 812.0 * (s - 5.0), // put down
            s if s < 20.0 => 812.0,
            s if s < 20.1 => 2000.0, // a knock
            s if s < 30.0 => 812.0,
            s if s < 33.0 => 700.0 + 60.0 * (9.0 * s).sin(), // touched
            s if s < 40.0 => 812.0,
            s if s < 42.4 => 0.1, // swapped
            s if s < 55.0 => 640.0,
            s if s < 58.0 => 640.0 + 30.0 * (s - 55.0), // something is put on it
            s if s < 70.0 => 730.0,
            _ => -0.3,
        }
    }

    #[test]
    fn a_story_is_told_at_any_pace() {
        let want = [("put", 812.0), ("touched", 812.0), ("lifted", 812.0), ("put", 640.0)];
        let rest = [("changed", 730.0), ("lifted", 730.0)];
        for hz in [2.0, 5.0, 10.0, 40.0, 80.0] {
            let found = events(hz, 80.0, story);
            let found: Vec<(&str, f64)> = found.iter().map(|(w, g)| (w.as_str(), *g)).collect();
            // Empty for 2.4 s: long enough to be seen at rest.
            assert_eq!(found, [&want[..], &rest].concat(), "{hz} Hz");
        }
        let slow: Vec<String> = events(1.0, 80.0, story).into_iter().map(|(w, _)| w).collect();
        assert_eq!(slow.first().map(String::as_str), Some("put"), "{slow:?}");
        assert_eq!(slow.last().map(String::as_str), Some("lifted"), "{slow:?}");
    }

    #[test]
    fn a_quick_swap_is_a_swap() {
        for hz in [10.0, 80.0] {
            let quick = |s: f64| match s {
                s if s < 10.0 => 812.0,
                s if s < 10.6 => 0.0,
                _ => 640.0,
            };
            let found = events(hz, 20.0, quick);
            assert_eq!(found, [("put".to_owned(), 812.0), ("swapped".to_owned(), 640.0)]);
        }
    }

    #[test]
    fn readings_of_ten_seconds_tell_of_pots_too() {
        let mut pan = Pan::default();
        let mut take = |grams, spread| pan.reduced(grams, spread, 100).map(|e| (e.word(), e));
        assert_eq!(take(0.2, 0.1), None);
        // Half empty, half with the pot on it.
        assert_eq!(take(400.0, 300.0), None);
        let (word, event) = take(812.0, 0.3).unwrap();
        assert_eq!((word, event.weight().unwrap().grams), ("put", 812.0));
        assert_eq!(take(811.8, 0.3), None, "it still stands there");
        assert_eq!(take(640.0, 0.3).unwrap().0, "changed");
        assert_eq!(take(0.0, 0.3).unwrap().0, "lifted");
        assert_eq!(take(640.0, 0.3).unwrap().0, "put");
    }

    #[test]
    fn drying_is_no_event() {
        // 20 g an hour, for two hours.
        let found = events(10.0, 7200.0, |s| 812.0 - s / 180.0);
        assert_eq!(found, [("put".to_owned(), 812.0)]);
    }

    #[test]
    fn a_scale_that_prints_at_its_key_weighs_a_pot_each_time() {
        let mut pan = Pan::default();
        let mut weights = Vec::new();
        for (at, grams) in [(0.0, 812.0), (60.0, 640.0), (120.0, 640.0)] {
            assert_eq!(pan.push(at, grams, None), None);
            weights.extend(pan.silence(at + 3.5).and_then(|event| event.weight()).map(|w| w.grams));
        }
        assert_eq!(weights, [812.0, 640.0, 640.0]);
    }

    #[test]
    fn a_scale_that_says_itself_when_it_is_at_rest_is_believed() {
        let mut pan = Pan::default();
        let mut push = |s, grams, rest| pan.push(s, grams, Some(rest)).map(|event| event.word());
        assert_eq!(push(0.0, 0.0, true), None);
        assert_eq!(push(1.0, 500.0, false), None);
        assert_eq!(push(2.0, 812.0, true), Some("put"));
        assert_eq!(push(3.0, 2.0, true), Some("lifted"));
        assert_eq!(push(4.0, 640.0, false), None);
        assert_eq!(pan.silence(20.0), None);
    }

    proptest! {
        #[test]
        fn anything_is_survived_and_told_in_a_possible_order(
            samples in proptest::collection::vec((-0.5f64..2.0, -50.0f64..2000.0), 0..300),
        ) {
            let mut pan = Pan::default();
            let (mut seconds, mut standing) = (0.0, false);
            for (step, grams) in samples {
                seconds += step;
                match pan.push(seconds, grams, None) {
                    Some(Event::Put(_)) => standing = true,
                    Some(Event::Lifted(_)) => {
                        prop_assert!(standing);
                        standing = false;
                    }
                    Some(_) => prop_assert!(standing),
                    None => {}
                }
                prop_assert_eq!(pan.standing().is_some(), standing);
            }
        }
    }
}
