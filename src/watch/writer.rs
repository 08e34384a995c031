//! Readings to the store, on a thread of its own: a slow disk or a long import elsewhere never
//! holds up the ports.
//!
//! Whatever has come is written in one transaction at once; while one is under way the next ones
//! gather. So nothing waits for a timer, and a flood of readings costs few transactions. What is
//! written survives the end of the program at once, and a loss of power after [`SYNC`].
//!
//! Where the store cannot be written (no room, no permission, moved away), readings wait in memory,
//! up to [`ROOM`] of them, and it is tried again and again. Should that not be enough, each series
//! gives up every second of its waiting readings: no pot is forgotten, all are known less finely.

use super::intake::Batch;
use super::timeline::Moves;
use crate::clock;
use crate::records::{Name, Quantity, Reading};
use crate::sensing::health::worth_saying;
use crate::sensing::session::Stamp;
use crate::store::{Clash, Store, StoreError};
use crate::units::Time;
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};
use tokio::runtime::{Builder, Runtime};
use tokio::sync::mpsc::{self, error::TryRecvError};
use tokio::time::timeout;
use tracing::{debug, error, info, warn};

/// Batches that may wait (each what one read of a port set free); then the ports wait.
const WAITING: usize = 512;
/// Readings of one transaction.
const TRANSACTION: usize = 20_000;
/// Readings that may wait in memory while the store cannot be written: some 30 MB. A shelf of 16
/// cells and a room sensor gives 155,520 a day at most.
pub const ROOM: usize = 200_000;
/// What a loss of power may cost: readings are taken to the disk for good after so long.
pub const SYNC: Duration = Duration::from_secs(10);
/// So long it is waited for those who read, when the database's log has grown long.
const FOLDING: Duration = Duration::from_secs(5);
/// Pauses before the store is tried again: the first and the longest.
const RETRY: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(10));
/// When the clock is set, so many readings that this program stamped with it move along: those of
/// two days of a shelf of 16 cells.
const REMEMBERED: usize = 300_000;
/// How often it is tried again once everything else has stopped.
const LAST_TRIES: u32 = 3;

/// Where the ports put their readings.
pub type Inbox = mpsc::Sender<Batch>;

/// What was done to the store.
#[derive(Clone, Copy, Debug)]
pub enum Event<'a> {
    /// These readings were stored.
    Stored(&'a [Reading]),
    /// The clock was set, and times of stored readings with it.
    ClockSet,
}

/// What became of the readings.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Written {
    /// Stored, or stored before.
    pub kept: u64,
    /// Contradict a stored reading of the same source and time.
    pub refused: u64,
    /// Could not be stored before the end, or had to make room in memory.
    pub lost: u64,
}

/// Starts the thread; it ends when all inboxes are gone and everything is written.
/// `after` is told what each transaction did.
pub fn start(
    store: Store,
    after: impl FnMut(Event) + Send + 'static,
) -> std::io::Result<(Inbox, JoinHandle<Written>)> {
    let (inbox, batches) = mpsc::channel(WAITING);
    let runtime = Builder::new_current_thread().enable_time().build()?;
    let writer = Writer {
        store,
        batches,
        waiting: Vec::new(),
        stamps: Vec::new(),
        clock: Clock::default(),
        written: Written::default(),
        unsynced: None,
        trouble: None,
    };
    let thread = thread::Builder::new().name("store".into());
    Ok((inbox, thread.spawn(move || writer.run(&runtime, after))?))
}

struct Writer {
    store: Store,
    batches: mpsc::Receiver<Batch>,
    /// Not stored yet, in the order in which they came, and who told their times.
    waiting: Vec<Reading>,
    stamps: Vec<Stamp>,
    clock: Clock,
    written: Written,
    /// Since when there is something that a loss of power would cost.
    unsynced: Option<Instant>,
    /// The store cannot be written.
    trouble: Option<Trouble>,
}

struct Trouble {
    /// When it is tried again, and the pause that led to it.
    again: Instant,
    pause: Duration,
    /// How many waited when that was said last, and how many had been lost before.
    said: usize,
    lost_before: u64,
}

/// The clock that stamps readings, and what it has stamped.
#[derive(Default)]
struct Clock {
    /// Its steps that all times here know of.
    moves: Moves,
    /// By how much stored readings are still to be moved, µs.
    due_us: i64,
    /// Times of the stored readings that it stamped, the latest of them.
    stamped: BTreeMap<(Name, Quantity), VecDeque<Time>>,
    count: usize,
}

impl Clock {
    fn remember(&mut self, reading: &Reading) {
        if self.count == REMEMBERED {
            let oldest = self.stamped.values_mut().min_by_key(|times| times.front().copied());
            self.count -= usize::from(oldest.and_then(VecDeque::pop_front).is_some());
        }
        let series = (reading.source.clone(), reading.quantity);
        self.stamped.entry(series).or_default().push_back(reading.time);
        self.count += 1;
    }
}

impl Writer {
    fn run(mut self, runtime: &Runtime, mut after: impl FnMut(Event)) -> Written {
        let mut open = true;
        while open {
            open = self.receive(runtime);
            self.make_room();
            let now = clock::steady();
            if self.trouble.as_ref().is_none_or(|trouble| now >= trouble.again) {
                self.write(&mut after);
            }
        }
        for _ in 0..LAST_TRIES {
            if self.trouble.is_none() {
                break;
            }
            thread::sleep(RETRY.0);
            self.write(&mut after);
        }
        self.written.lost += self.waiting.len() as u64;
        self.written
    }

    /// Takes what has come; waits for more until something is to be done. False: nobody will send
    /// any more.
    fn receive(&mut self, runtime: &Runtime) -> bool {
        let due = match &self.trouble {
            Some(trouble) => Some(trouble.again),
            None => self.unsynced.map(|since| since + SYNC),
        };
        let first = match due {
            None => self.batches.blocking_recv(),
            Some(due) => {
                let pause = due.saturating_duration_since(clock::steady());
                match runtime.block_on(async { timeout(pause, self.batches.recv()).await }) {
                    Ok(first) => first,
                    Err(_) => return true,
                }
            }
        };
        let Some(first) = first else { return false };
        self.take_in(first);
        while self.waiting.len() < TRANSACTION {
            match self.batches.try_recv() {
                Ok(more) => self.take_in(more),
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => return false,
            }
        }
        true
    }

    /// Puts readings to those that wait; all of them know of the same steps of the clock.
    fn take_in(&mut self, mut batch: Batch) {
        let by = batch.moves.by_us - self.clock.moves.by_us;
        if batch.moves.count > self.clock.moves.count {
            move_stamped(&mut self.waiting, &self.stamps, by);
            self.clock.due_us += by;
            self.clock.moves = batch.moves;
        } else {
            move_stamped(&mut batch.readings, &batch.stamps, -by); // from before the step
        }
        self.waiting.append(&mut batch.readings);
        self.stamps.append(&mut batch.stamps);
    }

    /// Moves stored readings by what the clock was set since they were.
    fn follow_the_clock(&mut self) -> Result<bool, StoreError> {
        let (by, count) = (self.clock.due_us, self.clock.count);
        if by == 0 {
            return Ok(false);
        }
        self.store.move_readings(&mut self.clock.stamped, by)?;
        self.clock.due_us = 0;
        let seconds = by as f64 / 1e6;
        warn!(
            "the clock was set by {seconds:+.0} s: {}; notes and weights that were typed since the \
             start of `watch` stay as they are: look whether their times are right",
            moved(count)
        );
        Ok(true)
    }

    /// Writes all that waits, and syncs where that is due.
    fn write(&mut self, after: &mut impl FnMut(Event)) {
        match self.follow_the_clock() {
            Ok(true) => after(Event::ClockSet),
            Ok(false) => {}
            Err(trouble) => return self.fell_ill(&trouble),
        }
        while !self.waiting.is_empty() {
            let batch = &self.waiting[..self.waiting.len().min(TRANSACTION)];
            match self.store.append_soon(batch, Clash::Refuse) {
                Ok(stored) => {
                    after(Event::Stored(batch));
                    let size = batch.len();
                    let batch: Vec<Reading> = self.waiting.drain(..size).collect();
                    for (at, stamp) in self.stamps.drain(..size).enumerate() {
                        // One that was refused is not the one that is stored for its time.
                        let refused = stored.refused.binary_search(&at).is_ok();
                        if let (Stamp::Arrival, false, reading) = (stamp, refused, &batch[at]) {
                            self.clock.remember(reading);
                        }
                    }
                    self.unsynced.get_or_insert_with(clock::steady);
                    self.count(&batch, &stored.refused);
                }
                Err(trouble) => return self.fell_ill(&trouble),
            }
        }
        let closed = self.batches.is_closed();
        if self.unsynced.is_some_and(|since| closed || since.elapsed() >= SYNC) {
            match self.store.sync() {
                Ok(()) => self.unsynced = None,
                Err(trouble) => return self.fell_ill(&trouble),
            }
            match self.store.fold_log(FOLDING) {
                Ok(true) => {}
                Ok(false) => debug!("somebody has been reading for long: the log stays long"),
                Err(trouble) => debug!("the log stays long: {trouble}"), // the next write says it
            }
        }
        if let Some(Trouble { lost_before, .. }) = self.trouble.take() {
            match self.written.lost - lost_before {
                0 => info!("the store takes readings again; none was lost"),
                n => info!("the store takes readings again; {n} had to make room meanwhile"),
            }
        }
    }

    fn count(&mut self, readings: &[Reading], refused: &[usize]) {
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

    fn fell_ill(&mut self, why: &StoreError) {
        // Another file may have that name by now; then it is the studio.
        if matches!(why, StoreError::Replaced(_))
            && let Ok(store) = Store::open(self.store.dir())
        {
            self.store = store;
        }
        let pause = match &self.trouble {
            Some(trouble) => (trouble.pause * 2).min(RETRY.1),
            None => RETRY.0,
        };
        let waiting = self.waiting.len();
        let (mut said, lost_before) = match &self.trouble {
            Some(trouble) => (trouble.said, trouble.lost_before),
            None => (0, self.written.lost),
        };
        if self.trouble.is_none() {
            error!(
                "{why}; reading goes on: {waiting} readings wait in memory, which has room for \
                 {ROOM} (16 cells: a day and more), and are written as soon as that can be"
            );
            said = waiting;
        } else if waiting >= said.max(100) * 10 {
            warn!("{why}; {waiting} readings wait in memory, which has room for {ROOM}");
            said = waiting;
        }
        let again = clock::steady() + pause;
        self.trouble = Some(Trouble { again, pause, said, lost_before });
    }

    /// Lets every second waiting reading of each series go if there are too many.
    fn make_room(&mut self) {
        if self.waiting.len() <= ROOM {
            return;
        }
        let before = self.waiting.len();
        let mut goes: HashMap<(Name, Quantity), bool> = HashMap::new();
        let mut stays = Vec::with_capacity(before);
        for reading in &self.waiting {
            let goes = goes.entry((reading.source.clone(), reading.quantity)).or_insert(true);
            *goes = !*goes;
            stays.push(!*goes);
        }
        let mut staying = stays.iter();
        self.waiting.retain(|_| staying.next() == Some(&true));
        let mut staying = stays.iter();
        self.stamps.retain(|_| staying.next() == Some(&true));
        let gone = (before - self.waiting.len()) as u64;
        self.written.lost += gone;
        warn!("memory is full: every second of the waiting readings was let go ({gone})");
    }
}

/// `the last 12 readings that it had stamped move with it`.
fn moved(count: usize) -> String {
    match count {
        1 => "the last reading, which it had stamped, moves with it".into(),
        n => format!("the last {n} readings that it had stamped move with it"),
    }
}

fn move_stamped(readings: &mut [Reading], stamps: &[Stamp], by_us: i64) {
    for (reading, stamp) in readings.iter_mut().zip(stamps) {
        if *stamp == Stamp::Arrival {
            reading.time = reading.time.moved(by_us);
        }
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn one_reading_is_no_plural() {
        let said = [1, 2].map(super::moved);
        assert_eq!(said[0], "the last reading, which it had stamped, moves with it");
        assert_eq!(said[1], "the last 2 readings that it had stamped move with it");
    }
}
