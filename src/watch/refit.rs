//! Answers for the pots that changed, on a thread of its own with its own view of the store.
//!
//! A pot is due when something came from the scale it stands on (one that stands on none: when
//! anything was written), when the log, the pots or the air forecast changed, and now and then
//! since time passes. The calls of each pot's last good answer are kept; said is only what changes
//! for the potter. Of readings no more is in memory at a time than the air and one pot's weighings
//! ([`super::by_turns`]): of a finished pot stays what it taught.

use super::by_turns;
use super::tell::{About, Teller};
use super::writer::Event;
use crate::clock;
use crate::core::assess_taught;
use crate::core::inference::lessons::Lessons;
use crate::core::report::{FireCall, PotAnswer, TrimCall};
use crate::records::{Action, HandlingRow, Name, Pot, Quantity, Reading};
use crate::store::files::AirForecast;
use crate::store::{Store, StoreError};
use crate::units::Time;
use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, TryRecvError, channel};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tracing::{debug, error, info, warn};

/// How often it is looked at whether anything was written.
const LOOK: Duration = Duration::from_secs(1);
/// All pots are due again after so long: time passes, the room's air changes.
const ALL_AGAIN: Duration = Duration::from_secs(15 * 60);
/// A pass rests so many times as long as it worked: at most 2 % of a core.
const REST: u32 = 50;

/// The latest time that each source sent.
type Newest = BTreeMap<Name, Time>;

/// What the thread is told.
enum Change {
    Stored(Newest),
    ClockSet,
}

/// Tells the thread what was stored.
#[derive(Clone)]
pub struct Changes(Sender<Change>);

impl Changes {
    /// Tells it.
    pub fn tell(&self, event: Event) {
        let change = match event {
            Event::Stored(readings) => Change::Stored(newest(readings)),
            Event::ClockSet => Change::ClockSet,
        };
        // Gone only if the thread has ended, which it has said by itself.
        let _ = self.0.send(change);
    }
}

/// The latest time that each source sent.
fn newest(readings: &[Reading]) -> Newest {
    let mut newest = Newest::new();
    for reading in readings {
        match newest.get_mut(&reading.source) {
            Some(time) => *time = reading.time.max(*time),
            None => drop(newest.insert(reading.source.clone(), reading.time)),
        }
    }
    newest
}

/// Starts the thread; it ends when all [`Changes`] are gone. A pot is not assessed more often than
/// `every`.
pub fn start(
    store: Store,
    every: Duration,
    teller: Teller,
    known: watch::Sender<BTreeSet<Name>>,
) -> std::io::Result<(Changes, JoinHandle<()>)> {
    let (sender, receiver) = channel();
    let refit = Refit {
        store,
        every,
        teller,
        known,
        newest: Newest::new(),
        changed: BTreeSet::new(),
        everything: true,
        calls: BTreeMap::new(),
        lessons: Lessons::default(),
        shelf: Shelf::default(),
        remarks: Vec::new(),
        version: None,
        again: clock::steady() + ALL_AGAIN,
        ill: false,
    };
    let thread = thread::Builder::new().name("refit".into()).spawn(|| refit.run(receiver))?;
    Ok((Changes(sender), thread))
}

struct Refit {
    store: Store,
    every: Duration,
    teller: Teller,
    /// Told which sources the studio knows, by its log as it grows.
    known: watch::Sender<BTreeSet<Name>>,
    newest: Newest,
    /// Sources that sent since the last pass.
    changed: BTreeSet<Name>,
    /// All pots are due.
    everything: bool,
    /// What was last said of each pot.
    calls: BTreeMap<Name, (TrimCall, FireCall)>,
    /// What finished pots teach; learnt anew whenever all pots are due.
    lessons: Lessons,
    /// What the last pass saw.
    shelf: Shelf,
    /// What was last said of the air forecast.
    remarks: Vec<String>,
    version: Option<i64>,
    again: Instant,
    ill: bool,
}

impl Refit {
    fn run(mut self, changes: Receiver<Change>) {
        let mut next = clock::steady();
        loop {
            match changes.recv_timeout(LOOK) {
                Ok(change) => self.heard(change),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            let start = clock::steady();
            if start < next {
                continue;
            }
            match self.pass(start, &changes) {
                Ok(()) => self.ill = false,
                Err(trouble) => {
                    // What was due is not known any more.
                    self.everything = true;
                    if !self.ill {
                        error!("pots cannot be assessed now: {trouble}");
                    }
                    self.ill = true;
                }
            }
            next = start + self.every.max(start.elapsed() * REST);
        }
    }

    fn heard(&mut self, change: Change) {
        let Change::Stored(newest) = change else {
            // Times that were told before are not those of the store any more.
            self.newest.clear();
            self.everything = true;
            return;
        };
        for (source, time) in newest {
            let known = self.newest.entry(source.clone()).or_insert(time);
            *known = time.max(*known);
            self.changed.insert(source);
        }
    }

    fn pass(&mut self, start: Instant, changes: &Receiver<Change>) -> Result<(), StoreError> {
        let version = Some(self.store.data_version()?);
        if start >= self.again {
            self.everything = true;
        }
        if !self.everything && version == self.version && self.changed.is_empty() {
            return Ok(());
        }
        self.version = version;
        let shelf = Shelf::read(&self.store)?;
        self.tell_of_forecast(&shelf);
        if shelf.log != self.shelf.log {
            self.known.send_modify(|known| known.extend(shelf.sources().cloned()));
        }
        let everything = std::mem::take(&mut self.everything) || shelf != self.shelf;
        if everything {
            self.again = start + ALL_AGAIN;
            let mut studio = self.store.studio_unweighed(clock::now())?;
            self.lessons = by_turns::learn(&self.store, &mut studio)?;
        }
        let changed = std::mem::take(&mut self.changed);
        let due = shelf.due(|source| everything || changed.contains(source));
        self.calls.retain(|pot, _| {
            let stays = shelf.pots.contains_key(pot);
            if !stays {
                self.teller.gone(pot);
            }
            stays
        });
        let groups = self.by_time(&shelf, due)?;
        self.shelf = shelf;
        for (now, pots) in groups {
            let mut studio = self.store.studio_of(now, &[])?;
            for pot in pots {
                // The end does not wait for the pots that are left.
                match changes.try_recv() {
                    Ok(change) => self.heard(change),
                    Err(TryRecvError::Empty) => {}
                    Err(TryRecvError::Disconnected) => return Ok(()),
                }
                by_turns::turn_to(&self.store, &mut studio, &pot)?;
                let assess = || assess_taught(&studio, &self.lessons, &pot);
                match catch_unwind(AssertUnwindSafe(assess)) {
                    Ok(Some(answer)) => self.take(answer),
                    Ok(None) => debug!("{pot}: nothing is known of it at {now}"),
                    Err(_) => warn!("{pot}: could not be assessed; its last answer is kept"),
                }
            }
        }
        Ok(())
    }

    /// Pots with the time that is "now" for them: the clock's, or that of their own source where
    /// it runs ahead. So a source that lives in the future never makes others look stale.
    fn by_time(
        &mut self,
        shelf: &Shelf,
        due: BTreeSet<Name>,
    ) -> Result<BTreeMap<Time, Vec<Name>>, StoreError> {
        let wall = clock::now();
        let mut groups: BTreeMap<Time, Vec<Name>> = BTreeMap::new();
        for pot in due {
            let own = match shelf.source_of(&pot) {
                Some(source) => self.newest(source)?,
                None => None,
            };
            groups.entry(own.map_or(wall, |own| own.max(wall))).or_default().push(pot);
        }
        Ok(groups)
    }

    /// The latest time of a source: heard, or stored before this program started.
    fn newest(&mut self, source: &str) -> Result<Option<Time>, StoreError> {
        if let Some(time) = self.newest.get(source) {
            return Ok(Some(*time));
        }
        let last = |quantity| self.store.last_reading(source, quantity);
        let last = [last(Quantity::Mass)?, last(Quantity::Count)?];
        let last = last.into_iter().flatten().map(|point| point.time).max();
        if let Some(time) = last {
            self.newest.insert(source.into(), time);
        }
        Ok(last)
    }

    /// Says what is wrong with the air forecast, each thing once.
    fn tell_of_forecast(&mut self, shelf: &Shelf) {
        let now = clock::now();
        let remarks = shelf.forecast.as_ref().map(|f| f.remarks(now, |time| time.to_string()));
        let remarks = remarks.unwrap_or_default();
        for remark in remarks.iter().filter(|remark| !self.remarks.contains(remark)) {
            warn!("{remark}");
        }
        self.remarks = remarks;
    }

    /// Says what an answer changes, and keeps its calls.
    fn take(&mut self, answer: PotAnswer) {
        let now = (answer.trim.call, answer.fire.call);
        let before = self.calls.insert(answer.pot.clone(), now);
        let trim = (before.map(|(trim, _)| trim), now.0);
        let fire = (before.map(|(_, fire)| fire), now.1);
        let calls = [
            (About::Trim, trim.0 == Some(trim.1), trim_words(trim)),
            (About::Fire, fire.0 == Some(fire.1), fire_words(fire)),
        ];
        for (about, _, words) in calls.into_iter().filter(|(_, as_before, _)| !as_before) {
            self.teller.call(about, words, &answer);
            words.into_iter().for_each(|words| info!("{}: {words}", answer.pot));
        }
    }
}

fn trim_words((before, now): (Option<TrimCall>, TrimCall)) -> Option<&'static str> {
    if before == Some(now) {
        return None;
    }
    Some(match now {
        TrimCall::Now => "trim now",
        TrimCall::Soon => "trim soon",
        TrimCall::Past if before.is_some() => "past trimming",
        TrimCall::Wait if before.is_some() => "not yet to be trimmed after all",
        TrimCall::Wait | TrimCall::Past | TrimCall::Done => return None,
    })
}

fn fire_words((before, now): (Option<FireCall>, FireCall)) -> Option<&'static str> {
    if before == Some(now) {
        return None;
    }
    Some(match now {
        FireCall::Ready => "no further drying detected in this air",
        FireCall::Doubtful => "dry on the mean, but something speaks against it: see the report",
        FireCall::Wait if before.is_some() => "drying again",
        FireCall::Wait => return None,
    })
}

/// Who stands where: the pots that are still of interest, and the log; and the air to come.
#[derive(PartialEq, Default)]
struct Shelf {
    pots: BTreeMap<Name, Pot>,
    log: Vec<HandlingRow>,
    forecast: Option<AirForecast>,
}

impl Shelf {
    fn read(store: &Store) -> Result<Shelf, StoreError> {
        let shelf = Shelf::new(store.pots()?, store.handling()?);
        Ok(Shelf { forecast: store.air_forecast(), ..shelf })
    }

    fn new(pots: Vec<Pot>, log: Vec<HandlingRow>) -> Shelf {
        let mut pots: BTreeMap<Name, Pot> =
            pots.into_iter().map(|pot| (pot.name.clone(), pot)).collect();
        for row in &log {
            if matches!(row.action, Action::Kiln | Action::Lost(_) | Action::Outcome(_)) {
                pots.remove(&row.pot);
            }
        }
        Shelf { pots, log, forecast: None }
    }

    /// The scale that tells about a pot: the one it stands on, or stood on last; else that of the
    /// pot it is like.
    fn source_of(&self, pot: &str) -> Option<&str> {
        let last_on = |pot: &str| {
            self.log.iter().rev().find_map(|row| match &row.action {
                Action::On(source) if row.pot == pot => Some(source.as_str()),
                _ => None,
            })
        };
        last_on(pot).or_else(|| last_on(self.pots.get(pot)?.like.as_ref()?))
    }

    /// All scales and cells on which a pot was ever put, by the log.
    fn sources(&self) -> impl Iterator<Item = &Name> {
        self.log.iter().filter_map(|row| match &row.action {
            Action::On(source) => Some(source),
            _ => None,
        })
    }

    /// Pots whose scale fits, and those without one.
    fn due(&self, fits: impl Fn(&str) -> bool) -> BTreeSet<Name> {
        let due = |pot: &&Name| self.source_of(pot).is_none_or(&fits);
        self.pots.keys().filter(due).cloned().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pot(name: &str, like: Option<&str>) -> Pot {
        Pot { like: like.map(Into::into), ..Pot::bare(name, "stoneware", Time(0)) }
    }

    fn row(pot: &str, word: &str, detail: &str) -> HandlingRow {
        HandlingRow { time: Time(1), pot: pot.into(), action: Action::parse(word, detail).unwrap() }
    }

    #[test]
    fn a_source_concerns_the_pot_on_it_and_its_siblings() {
        let pots = ["a", "b", "fired", "free"].map(|name| pot(name, None));
        let shelf = Shelf::new(
            pots.into_iter().chain([pot("twin", Some("a"))]).collect(),
            vec![
                row("a", "on", "cell-1"),
                row("b", "on", "cell-1"),
                row("b", "off", ""),
                row("b", "on", "cell-2"),
                row("fired", "on", "cell-3"),
                row("fired", "kiln", ""),
            ],
        );
        let names = |due: BTreeSet<Name>| due.into_iter().collect::<Vec<_>>().join(" ");
        assert_eq!(names(shelf.due(|source| source == "cell-1")), "a free twin");
        assert_eq!(names(shelf.due(|source| source == "cell-2")), "b free");
        assert_eq!(names(shelf.due(|source| source == "cell-3")), "free");
        assert_eq!(names(shelf.due(|_| true)), "a b free twin");
    }

    #[test]
    fn only_changes_are_said() {
        use TrimCall::{Done, Now, Past, Soon, Wait};
        for (before, now, words) in [
            (None, Wait, None),
            (None, Past, None),
            (None, Now, Some("trim now")),
            (Some(Wait), Soon, Some("trim soon")),
            (Some(Soon), Now, Some("trim now")),
            (Some(Now), Now, None),
            (Some(Now), Past, Some("past trimming")),
            (Some(Now), Done, None),
        ] {
            assert_eq!(trim_words((before, now)), words);
        }
        let ready = fire_words((Some(FireCall::Wait), FireCall::Ready)).unwrap();
        assert_eq!(ready, "no further drying detected in this air");
        assert_eq!(fire_words((None, FireCall::Wait)), None);
        assert_eq!(fire_words((Some(FireCall::Ready), FireCall::Ready)), None);
    }
}
