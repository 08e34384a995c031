//! Scales that print only when they are asked: when to ask, as a pure function of time.
//!
//! A question that is not answered until the next one is due counts as a fault; asking goes on, for
//! a scale may be switched on at any time.

use std::time::{Duration, Instant};

/// Asks now and then.
#[derive(Clone, Debug)]
pub struct Ask {
    text: Vec<u8>,
    every: Duration,
    next: Option<Instant>,
    /// Asked, and nothing has come since.
    open: bool,
}

/// What is to be done.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Question<'a> {
    /// What to send.
    pub text: &'a [u8],
    /// The question before was not answered.
    pub unanswered: bool,
}

impl Ask {
    /// With the text to send, the first time at once, then every so often.
    pub fn new(text: &[u8], every: Duration) -> Ask {
        Ask { text: text.into(), every, next: None, open: false }
    }

    /// The same, but no more seldom than this: for somebody who waits at the scale.
    pub fn at_least_every(self, every: Duration) -> Ask {
        Ask { every: self.every.min(every), ..self }
    }

    /// How often it asks.
    pub fn every(&self) -> Duration {
        self.every
    }

    /// The port was opened anew: it asks at once.
    pub fn begin(&mut self) {
        (self.next, self.open) = (None, false);
    }

    /// Something came.
    pub fn heard(&mut self) {
        self.open = false;
    }

    /// The question, when it is due.
    pub fn due(&mut self, now: Instant) -> Option<Question<'_>> {
        if self.next.is_some_and(|next| now < next) {
            return None;
        }
        // In step with the last one, unless that was long ago.
        let in_step = self.next.map(|next| next + self.every).filter(|next| *next > now);
        self.next = Some(in_step.unwrap_or(now + self.every));
        let unanswered = std::mem::replace(&mut self.open, true);
        Some(Question { text: &self.text, unanswered })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_asks_at_once_and_then_in_step_and_counts_what_is_not_answered() {
        let start = Instant::now();
        let at = |ms| start + Duration::from_millis(ms);
        let mut ask = Ask::new(b"W\r\n", Duration::from_secs(10));
        let mut asked = Vec::new();
        for ms in (0..60_000).step_by(700) {
            if let Some(question) = ask.due(at(ms)) {
                assert_eq!(question.text, b"W\r\n");
                asked.push((ms, question.unanswered));
            }
            // Until the 35th second it answers.
            if ms < 35_000 {
                ask.heard();
            }
        }
        let times = [0, 10_500, 20_300, 30_100, 40_600, 50_400].map(|ms| (ms, ms == 50_400));
        assert_eq!(asked, times);
        // The machine slept: no burst of questions follows.
        assert!(ask.due(at(1_000_000)).is_some());
        assert_eq!(ask.due(at(1_009_000)), None);
        ask.begin();
        assert_eq!(ask.due(at(1_009_001)).map(|q| q.unanswered), Some(false));
    }
}
