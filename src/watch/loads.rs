//! Known masses on a cell, one after the other, as they come down the port, or through the store
//! while the daemon has the port, or as they were stored.

use super::listen;
use crate::clock;
use crate::records::{Name, Quantity, Reading};
use crate::sensing::formats::{Measured, Sink};
use crate::sensing::health::Fault;
use crate::sensing::listen::{Listener, SettleError};
use crate::sensing::plateau::{Plateau, Plateaus, Sample, Seen};
use crate::sensing::session::MAX_SOURCES;
use crate::store::{PortSettings, Store, StoreError};
use crate::units::Time;
use std::collections::BTreeSet;
use std::thread::sleep;
use std::time::Duration;

/// How often it is looked at what the daemon has stored.
const LOOK: Duration = Duration::from_millis(300);
/// A load that reads so much off, as a part of the largest mass so far, is another one.
const OTHER: f64 = 0.1;

/// Why loads could not be taken.
#[derive(Debug, thiserror::Error)]
pub enum LoadsError {
    /// The port.
    #[error(transparent)]
    Port(#[from] SettleError),
    /// The studio.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The source sends grams.
    #[error(
        "{0} sends grams already: it is calibrated in its own program. Let it send raw counts \
         (unit \"count\") to calibrate it here"
    )]
    Grams(Name),
}

/// A known mass that stood on the cell.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Taken {
    /// The mass, g.
    pub mass_g: f64,
    /// What the converter said.
    pub plateau: Plateau,
    /// When it came to rest.
    pub at: Time,
}

/// Whether what stands on the cell now is the next load.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Next {
    /// Not at rest, or not read yet, or still the load before.
    Wait,
    /// At rest, but by the loads before it would be so many grams.
    Other(f64),
    /// It is.
    Load(Plateau),
}

enum Feed<'a> {
    Port(Box<Listener>),
    Stored(&'a Store),
}

/// Takes loads from a cell that is being loaded.
pub struct Loads<'a> {
    feed: Feed<'a>,
    source: Name,
    /// When its seconds begin.
    start: Time,
    last: Time,
    plateaus: Plateaus,
    taken: Vec<Taken>,
    heard: BTreeSet<Name>,
    fault: Option<Fault>,
}

impl<'a> Loads<'a> {
    /// From a port that nobody else has.
    pub fn on_port(port: &PortSettings, source: &str) -> Result<Loads<'a>, LoadsError> {
        Ok(Loads::new(Feed::Port(Box::new(listen(port)?)), source))
    }

    /// From what the daemon stores from now on.
    pub fn in_store(store: &'a Store, source: &str) -> Loads<'a> {
        Loads::new(Feed::Stored(store), source)
    }

    fn new(feed: Feed<'a>, source: &str) -> Loads<'a> {
        let now = clock::now();
        Loads {
            feed,
            source: source.into(),
            start: now,
            last: now,
            plateaus: Plateaus::default(),
            taken: Vec::new(),
            heard: BTreeSet::new(),
            fault: None,
        }
    }

    /// Waits a moment for what comes, and says what is seen of the cell.
    pub fn turn(&mut self) -> Result<Seen, LoadsError> {
        match &mut self.feed {
            Feed::Port(listener) => {
                let mut heard = Heard { source: &self.source, ..Heard::default() };
                listener.turn(&mut heard)?;
                let seconds = listener.seconds();
                if heard.grams {
                    return Err(LoadsError::Grams(self.source.clone()));
                }
                self.fault = heard.fault.or(self.fault);
                if self.heard.len() < MAX_SOURCES {
                    self.heard.append(&mut heard.others);
                }
                for raw in heard.raws {
                    self.plateaus.push(Sample { seconds, raw, spread: None, samples: 1 });
                }
            }
            Feed::Stored(store) => {
                sleep(LOOK);
                let span = (Time(self.last.0 + 1), Time::MAX);
                let came = store.readings_of(&self.source, Quantity::Count, span)?;
                self.last = came.last().map_or(self.last, |reading| reading.time);
                for reading in &came {
                    self.plateaus.push(sample(reading, self.start));
                }
            }
        }
        Ok(self.plateaus.seen())
    }

    /// Whether the load of this mass stands there now.
    pub fn next(&self, mass_g: f64) -> Next {
        let Some((plateau, _)) = self.plateaus.last() else { return Next::Wait };
        if let Some(before) = self.taken.last() {
            let same = self.plateaus.same(&before.plateau, &plateau);
            if before.plateau.from == plateau.from || same && before.mass_g != mass_g {
                return Next::Wait;
            }
        }
        match self.reads(plateau.raw) {
            Some((grams, size)) if (grams - mass_g).abs() > OTHER * size.max(mass_g) => {
                Next::Other(grams)
            }
            _ => Next::Load(plateau),
        }
    }

    /// Takes what stands there as a load of this mass.
    pub fn take(&mut self, mass_g: f64, plateau: Plateau) {
        let at = self.start.plus(plateau.from);
        self.taken.push(Taken { mass_g, plateau, at });
    }

    /// The loads so far; a load that still stands there goes on to tell of creep.
    pub fn taken(&mut self) -> &[Taken] {
        if let (Some((now, _)), Some(last)) = (self.plateaus.last(), self.taken.last_mut())
            && now.from == last.plateau.from
        {
            last.plateau = now;
        }
        &self.taken
    }

    /// Other sources of raw counts that were heard, and what could not be read.
    pub fn heard(&self) -> (&BTreeSet<Name>, Option<Fault>) {
        (&self.heard, self.fault)
    }

    /// Roughly what a raw count means by the two loads that are furthest apart, and the larger of
    /// these, g.
    fn reads(&self, raw: f64) -> Option<(f64, f64)> {
        let by_mass = |a: &&Taken, b: &&Taken| a.mass_g.total_cmp(&b.mass_g);
        let low = self.taken.iter().min_by(by_mass)?;
        let high = self.taken.iter().max_by(by_mass)?;
        let counts = high.plateau.raw - low.plateau.raw;
        let per_count = (high.mass_g - low.mass_g) / counts;
        let grams = low.mass_g + per_count * (raw - low.plateau.raw);
        (counts != 0.0 && high.mass_g > low.mass_g).then_some((grams, high.mass_g))
    }
}

/// The spans of rest in stored raw counts, each with its beginning.
pub fn stored(
    store: &Store,
    source: &str,
    span: (Time, Time),
) -> Result<Vec<(Plateau, Time)>, StoreError> {
    let mut plateaus = Plateaus::default();
    let counts = store.readings_of(source, Quantity::Count, span)?;
    let start = counts.first().map_or(span.0, |reading| reading.time);
    for reading in &counts {
        plateaus.push(sample(reading, start));
    }
    let at = |plateau: Plateau| (plateau, start.plus(plateau.from));
    Ok(plateaus.finish().into_iter().map(at).collect())
}

fn sample(reading: &Reading, start: Time) -> Sample {
    let samples = reading.count.unwrap_or(1);
    let seconds = reading.time.since(start);
    Sample { seconds, raw: reading.value, spread: reading.spread, samples }
}

/// What one turn of a port brought.
#[derive(Default)]
struct Heard<'a> {
    source: &'a str,
    raws: Vec<f64>,
    grams: bool,
    others: BTreeSet<Name>,
    fault: Option<Fault>,
}

impl Sink for Heard<'_> {
    fn line(&mut self) {}

    fn measured(&mut self, m: Measured<'_>) {
        match m.quantity {
            Quantity::Count if m.source == self.source => self.raws.push(m.value),
            Quantity::Count if self.others.len() < MAX_SOURCES => {
                self.others.insert(m.source.into());
            }
            Quantity::Mass if m.source == self.source => self.grams = true,
            _ => {}
        }
    }

    fn fault(&mut self, _: Option<&str>, fault: Fault) {
        self.fault = Some(fault);
    }
}
