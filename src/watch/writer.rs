//! Readings to the store, on a thread of its own: a slow disk or a long import elsewhere never
//! holds up the ports.
//!
//! Whatever has come is written in one transaction at once; while one is under way the next ones
//! gather. So nothing waits for a timer, and a flood of readings costs few transactions.

use crate::records::Reading;
use crate::sensing::health::worth_saying;
use crate::store::{Clash, Store, StoreError};
use std::thread::{self, JoinHandle};
use std::time::Duration;
use tokio::sync::mpsc;
use tracing::{error, info, warn};

/// Batches that may wait (each what one read of a port set free); then the ports wait.
const WAITING: usize = 512;
/// Readings of one transaction.
const TRANSACTION: usize = 20_000;
/// Pause before trying again.
const RETRY: Duration = Duration::from_secs(1);
/// How often it is tried again once everything else has stopped.
const LAST_TRIES: u32 = 3;

/// Where the ports put their readings.
pub type Inbox = mpsc::Sender<Vec<Reading>>;

/// What became of the readings.
#[derive(Clone, Copy, Debug, Default)]
pub struct Written {
    /// Stored, or stored before.
    pub kept: u64,
    /// Contradict a stored reading of the same source and time.
    pub refused: u64,
    /// Could not be stored before the end.
    pub lost: u64,
}

/// Starts the thread; it ends when all inboxes are gone and everything is written.
/// `after` is told what each transaction held.
pub fn start(
    store: Store,
    after: impl FnMut(&[Reading]) + Send + 'static,
) -> std::io::Result<(Inbox, JoinHandle<Written>)> {
    let (inbox, batches) = mpsc::channel(WAITING);
    let writer = Writer { store, batches, written: Written::default(), ill: false };
    let thread = thread::Builder::new().name("store".into()).spawn(|| writer.run(after))?;
    Ok((inbox, thread))
}

struct Writer {
    store: Store,
    batches: mpsc::Receiver<Vec<Reading>>,
    written: Written,
    ill: bool,
}

impl Writer {
    fn run(mut self, mut after: impl FnMut(&[Reading])) -> Written {
        while let Some(mut readings) = self.batches.blocking_recv() {
            while readings.len() < TRANSACTION
                && let Ok(more) = self.batches.try_recv()
            {
                readings.extend(more);
            }
            if self.write(&readings) {
                after(&readings);
            }
        }
        self.written
    }

    /// Writes them, however long it takes; false if the end came first.
    fn write(&mut self, readings: &[Reading]) -> bool {
        let mut last_tries = 0;
        loop {
            match self.store.append_soon(readings, Clash::Refuse) {
                Ok(stored) => {
                    self.count(readings, &stored.refused);
                    return true;
                }
                Err(trouble) => self.say(&trouble, readings.len()),
            }
            // Closed: nobody will send any more, the program is about to end.
            if self.batches.is_closed() {
                last_tries += 1;
            }
            if last_tries > LAST_TRIES {
                self.written.lost += readings.len() as u64;
                return false;
            }
            thread::sleep(RETRY);
        }
    }

    fn count(&mut self, readings: &[Reading], refused: &[usize]) {
        if self.ill {
            self.ill = false;
            info!("the store takes readings again; none was lost");
        }
        self.written.kept += (readings.len() - refused.len()) as u64;
        for reading in refused.iter().filter_map(|at| readings.get(*at)) {
            self.written.refused += 1;
            if worth_saying(self.written.refused) {
                warn!(
                    "{}: another value is stored for {}: is its clock right? The first one stays \
                     ({} so far)",
                    reading.source, reading.time, self.written.refused
                );
            }
        }
    }

    fn say(&mut self, trouble: &StoreError, waiting: usize) {
        if !self.ill {
            self.ill = true;
            error!("{trouble}; {waiting} readings and those to come are kept and tried again");
        }
    }
}
