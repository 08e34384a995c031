//! Old readings are thinned, now and then, on a thread of its own with its own view of the store.
//!
//! Raw they stay for as long as their pot is unfinished and [`thinning::RAW_FOR`] more. Then a pot
//! is asked all its questions with them and without ([`thinning::Answers`]); only where no answer
//! moves by more than [`WEIGHINGS_MAY`] of its interval they go. The air, and what scales said with
//! no pot on them, follow in windows of time in which all pots are long finished; there no pot's
//! answer may move by more than [`AIR_MAY`]. Of a pot on the shelf for up to 16 weeks both together
//! stay below a hundredth.

use super::by_turns;
use crate::clock;
use crate::core::inference::lessons::Lessons;
use crate::core::thinning;
use crate::records::{HandlingRow, Name, Point, Studio};
use crate::store::{Instead, Store, StoreError, Thinning};
use crate::units::{DAY, Time};
use std::collections::{BTreeMap, BTreeSet};
use std::mem;
use std::ops::Range;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::slice;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;
use thinning::Answers;
use tracing::{debug, info, warn};

/// An answer may move by so much of its interval where a pot's weighings are thinned …
pub const WEIGHINGS_MAY: f64 = 0.005;
/// … and where the air of one window is, of which a pot sees three at most in 16 weeks.
pub const AIR_MAY: f64 = 0.0015;
/// Width of a window, s.
const WINDOW: f64 = 60.0 * DAY;
/// It is looked whether anything is due so many times less often than pots are assessed.
const SELDOM: u32 = 10;
/// It rests so many times as long as it worked.
const REST: u32 = 4;

/// Starts the thread; it ends soon after the sender is gone. `every`: how often pots are assessed.
pub fn start(store: Store, every: Duration) -> std::io::Result<(Sender<()>, JoinHandle<()>)> {
    let (alive, stop) = channel();
    let run = move || {
        let mut retention = Retention { store, stop, seen: None };
        while retention.rest(every * SELDOM) {
            match catch_unwind(AssertUnwindSafe(|| retention.look())) {
                Ok(Ok(())) => {}
                Ok(Err(trouble)) => debug!("old readings stay as they are for now: {trouble}"),
                Err(_) => return warn!("old readings stay as they are: a fault of the program"),
            }
        }
    };
    Ok((alive, thread::Builder::new().name("retention".into()).spawn(run)?))
}

struct Retention {
    store: Store,
    stop: Receiver<()>,
    /// Up to which window readings of no pot were looked at by this program.
    seen: Option<i64>,
}

impl Retention {
    /// Waits; false: the end has come.
    fn rest(&self, pause: Duration) -> bool {
        self.stop.recv_timeout(pause) == Err(RecvTimeoutError::Timeout)
    }

    /// Thins what may be thinned by now.
    fn look(&mut self) -> Result<(), StoreError> {
        let now = now(&self.store)?;
        let Some(mut round) = Round::new(&self.store, now, self.seen)? else { return Ok(()) };
        for pot in &mem::take(&mut round.pots) {
            let begun = clock::steady();
            match thin_pot(&mut self.store, &mut round, pot)? {
                Thinned::Gone(0) => {}
                Thinned::Gone(n) => info!("{pot}: finished long ago; {n} readings thinned out"),
                Thinned::Stays(by) => debug!("{pot}: its readings stay ({by:.4})"),
            }
            if !self.rest(begun.elapsed() * REST) {
                return Ok(());
            }
        }
        for number in round.windows.clone() {
            let stop = &self.stop;
            let done = thin_window(&mut self.store, &mut round, number, |worked| {
                stop.recv_timeout(worked * REST) == Err(RecvTimeoutError::Timeout)
            })?;
            match done {
                None => return Ok(()),
                Some(Thinned::Gone(0)) => {}
                Some(Thinned::Gone(n)) => info!("{n} old readings of no pot thinned out"),
                Some(Thinned::Stays(by)) => debug!("window {number} stays ({by:.4})"),
            }
            self.seen = Some(number);
        }
        Ok(())
    }
}

/// The time up to which readings have come; a clock that runs ahead makes none of them old.
fn now(store: &Store) -> Result<Time, StoreError> {
    let wall = clock::now();
    let newest = store.ahead_of(Time::MIN)?.into_iter().map(|(_, time)| time);
    Ok(newest.filter(|time| *time <= wall).max().unwrap_or(Time::MIN))
}

/// What became of readings that were to be thinned.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Thinned {
    /// So many are gone.
    Gone(usize),
    /// All stay: an answer would have moved by so much of its interval.
    Stays(f64),
}

/// What is to be looked at.
struct Round {
    /// The studio as it is now, with the weighings of the pot that was asked about last.
    studio: Studio,
    /// When each pot was weighed last.
    weighed: BTreeMap<Name, Time>,
    lessons: Lessons,
    /// Pots whose readings may be thinned, and were not looked at before.
    pots: Vec<Name>,
    /// Windows in which readings of no pot may be thinned, by their numbers.
    windows: Range<i64>,
}

impl Round {
    /// As of a time, with windows after those `seen`; `None` where nothing is due.
    fn new(store: &Store, now: Time, seen: Option<i64>) -> Result<Option<Round>, StoreError> {
        let long_ago = now.plus(-thinning::RAW_FOR);
        let done: BTreeSet<Name> = store.thinned()?.into_iter().collect();
        let pots = store.pots()?;
        // Asked without readings first, which may be many: what is due by them is due at all.
        let log = Studio {
            pots: pots.iter().map(|pot| (pot.name.clone(), pot.clone())).collect(),
            handling: by_pot(store.handling()?),
            ..Studio::default()
        };
        let due =
            |studio: &Studio, pot: &str| thinning::due(studio, pot).is_some_and(|due| due <= now);
        let may_be = pots.iter().any(|p| !done.contains(&p.name) && due(&log, &p.name));
        let first_young = |is_due: &dyn Fn(&str) -> bool| {
            let young = pots.iter().filter(|pot| !is_due(&pot.name));
            let begins = young.map(|pot| pot.made_at.plus(-thinning::AIR_BEFORE));
            window(begins.fold(long_ago, Time::min))
        };
        if !may_be && seen.is_some_and(|seen| seen + 1 >= first_young(&|pot| due(&log, pot))) {
            return Ok(None);
        }
        let mut studio = store.studio_unweighed(now)?;
        let mut weighed = BTreeMap::new();
        let all_due = by_turns::each(store, &mut studio, |studio, pot| {
            let last = studio.weighings.get(pot).and_then(|all| all.0.last());
            weighed.extend(last.map(|last| (pot.clone(), last.time)));
            due(studio, pot).then(|| pot.clone())
        })?;
        let end = first_young(&|pot| all_due.iter().any(|due| due == pot));
        let series = studio.air.values().flat_map(|air| [&air.temperature, &air.humidity]);
        let firsts = series.filter_map(|points| points.first().map(|p| p.time));
        let first = firsts.chain(pots.iter().map(|pot| pot.made_at.plus(-WINDOW))).min();
        let windows = match (seen, first) {
            (Some(seen), _) => seen + 1..end,
            (None, Some(first)) => window(first)..end,
            (None, None) => 0..0,
        };
        let due: Vec<Name> = all_due.into_iter().filter(|pot| !done.contains(pot)).collect();
        if due.is_empty() && windows.is_empty() {
            return Ok(None);
        }
        let lessons = by_turns::learn(store, &mut studio)?;
        Ok(Some(Round { studio, weighed, lessons, pots: due, windows }))
    }

    /// What is told of a pot to which the studio was turned.
    fn told(&self, pot: &str) -> Option<Answers> {
        Answers::new(&self.studio, &self.lessons, pot)
    }

    /// Pots to which the air from one time to another means anything.
    fn seen_by(&self, from: Time, to: Time) -> Vec<Name> {
        let seen = |pot: &&Name| {
            let last = self.weighed.get(*pot);
            let begins = self.studio.pots[*pot].made_at.plus(-thinning::AIR_BEFORE);
            last.is_some_and(|last| *last >= from && begins < to)
        };
        self.studio.pots.keys().filter(seen).cloned().collect()
    }
}

/// By how much of its interval an answer moves at most.
fn change(before: Option<Answers>, after: Option<Answers>) -> f64 {
    match (before, after) {
        (Some(before), Some(after)) => before.change(&after),
        (None, None) => 0.0,
        _ => f64::INFINITY,
    }
}

fn by_pot(rows: Vec<HandlingRow>) -> BTreeMap<Name, Vec<HandlingRow>> {
    let mut by_pot: BTreeMap<Name, Vec<HandlingRow>> = BTreeMap::new();
    for row in rows {
        by_pot.entry(row.pot.clone()).or_default().push(row);
    }
    by_pot
}

/// The number of the window that a time lies in.
fn window(time: Time) -> i64 {
    (time.seconds() / WINDOW).floor() as i64
}

/// Thins the weighings of a pot if no answer moves by that.
fn thin_pot(store: &mut Store, round: &mut Round, pot: &Name) -> Result<Thinned, StoreError> {
    let only = [pot.clone()];
    store.turn_to(&mut round.studio, &only)?;
    let how = |points: &[Point]| instead(thinning::weighings(&round.studio, pot, points));
    let thinning = Thinning { pot: Some(pot), span: (Time::MIN, Time::MAX), how: &how };
    let (fewer, thinned) = store.if_thinned(&thinning, round.studio.at, Some(&only))?;
    let after = || Answers::new(&thinned, &round.lessons, pot);
    let change = if fewer == 0 { 0.0 } else { change(round.told(pot), after()) };
    if change > WEIGHINGS_MAY {
        store.leave(pot)?;
        return Ok(Thinned::Stays(change));
    }
    Ok(Thinned::Gone(store.thin(&thinning)?))
}

/// Thins the readings of no pot in a window if no pot's answer moves by that; `None` if `go_on`,
/// which hears how long one pot took, says that it is to end.
fn thin_window(
    store: &mut Store,
    round: &mut Round,
    number: i64,
    go_on: impl Fn(Duration) -> bool,
) -> Result<Option<Thinned>, StoreError> {
    // Stretches of the air end with the reading of their full minute.
    let edge = |n: i64| Time::from_seconds(n as f64 * WINDOW).moved(1);
    let [from, to] = [number, number + 1].map(edge);
    let how = |points: &[Point]| instead(thinning::sparse(points));
    let thinning = Thinning { pot: None, span: (from, to), how: &how };
    let (fewer, Studio { mut air, .. }) =
        store.if_thinned(&thinning, round.studio.at, Some(&[]))?;
    if fewer == 0 {
        return Ok(Some(Thinned::Gone(0)));
    }
    let pots: Vec<Name> = round.seen_by(from, to);
    for pot in pots {
        let begun = clock::steady();
        store.turn_to(&mut round.studio, slice::from_ref(&pot))?;
        let before = round.told(&pot);
        mem::swap(&mut round.studio.air, &mut air);
        let after = round.told(&pot);
        mem::swap(&mut round.studio.air, &mut air);
        let change = change(before, after);
        if change > AIR_MAY {
            return Ok(Some(Thinned::Stays(change)));
        }
        if !go_on(begun.elapsed()) {
            return Ok(None);
        }
    }
    Ok(Some(Thinned::Gone(store.thin(&thinning)?)))
}

fn instead(all: Vec<thinning::Instead>) -> Instead {
    all.into_iter().map(|one| (one.of, one.come)).collect()
}

/// Thins all that may be thinned as of a time, at once; what became of each pot, and of the windows
/// together.
pub fn thin_all(store: &mut Store, now: Time) -> Result<Vec<(Name, Thinned)>, StoreError> {
    let mut done = Vec::new();
    let Some(mut round) = Round::new(store, now, None)? else { return Ok(done) };
    for pot in &mem::take(&mut round.pots) {
        done.push((pot.clone(), thin_pot(store, &mut round, pot)?));
    }
    for number in round.windows.clone() {
        let thinned = thin_window(store, &mut round, number, |_| true)?;
        done.extend(thinned.map(|thinned| (format!("window {number}"), thinned)));
    }
    Ok(done)
}
