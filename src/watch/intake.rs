//! A port's session on the timeline: what it sets free is stamped with the steps that it knows of.

use super::timeline::{Moment, Moves};
use crate::records::{Name, Reading};
use crate::sensing::session::{Action, Arrival, Remark, Session, Stamp};
use std::collections::BTreeSet;
use std::time::Instant;

/// Readings on their way to the store.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Batch {
    /// The readings.
    pub readings: Vec<Reading>,
    /// Who told each one's time.
    pub stamps: Vec<Stamp>,
    /// Steps of the clock that these times know of.
    pub moves: Moves,
}

/// A session that follows the clock's steps.
pub struct Intake {
    session: Session,
    moves: Moves,
    actions: Vec<Action>,
}

impl Intake {
    /// Before the first byte.
    pub fn new(session: Session) -> Intake {
        Intake { session, moves: Moves::default(), actions: Vec::new() }
    }

    /// The port was opened.
    pub fn opened(&mut self) {
        self.session.opened();
    }

    /// What is to be sent to the scale now, if anything.
    pub fn question(&mut self, now: Instant) -> Option<&[u8]> {
        self.session.question(now)
    }

    /// These sources have their place whatever else comes.
    pub fn know(&mut self, names: BTreeSet<Name>) {
        self.session.know(names);
    }

    /// Takes bytes that came at a moment.
    pub fn received(&mut self, bytes: &[u8], moment: Moment, steady: Instant) {
        let arrival = self.arrival(moment, steady);
        self.session.received(bytes, arrival, &mut self.actions);
    }

    /// Time passes.
    pub fn tick(&mut self, moment: Moment, steady: Instant) {
        self.arrival(moment, steady);
        self.session.tick(steady, &mut self.actions);
    }

    /// The port was lost, or the end has come.
    pub fn closed(&mut self, moment: Moment, steady: Instant) {
        let arrival = self.arrival(moment, steady);
        self.session.closed(arrival, &mut self.actions);
    }

    /// What is to be said, and what is to be stored.
    pub fn take(&mut self) -> (Vec<Remark>, Batch) {
        let (mut remarks, mut batch) =
            (Vec::new(), Batch { moves: self.moves, ..Batch::default() });
        for action in self.actions.drain(..) {
            match action {
                Action::Say(remark) => remarks.push(remark),
                Action::Store(reading, stamp) => {
                    batch.readings.push(reading);
                    batch.stamps.push(stamp);
                }
            }
        }
        (remarks, batch)
    }

    /// The session.
    pub fn session(&self) -> &Session {
        &self.session
    }

    fn arrival(&mut self, moment: Moment, steady: Instant) -> Arrival {
        if moment.moves != self.moves {
            let by = moment.moves.by_us - self.moves.by_us;
            // What is set free already, but not taken yet, moves with the rest.
            for action in &mut self.actions {
                if let Action::Store(reading, Stamp::Arrival) = action {
                    reading.time = reading.time.moved(by);
                }
            }
            self.session.clock_moved(by);
            self.moves = moment.moves;
        }
        Arrival { wall: moment.time, steady }
    }
}
