//! Old readings are thinned, now and then, on a thread of its own with its own view of the store.
//!
//! Raw they stay for as long as their pot is unfinished and [`thinning::RAW_FOR`] more. Then a pot
//! is asked all its questions with them and without ([`thinning::change`]); only where no answer
//! moves by more than [`WEIGHINGS_MAY`] of its interval they go. The air, and what scales said with
//! no pot on them, follow in windows of time in which all pots are long finished; there no pot's
//! answer may move by more than [`AIR_MAY`]. Of a pot on the shelf for up to 16 weeks both together
//! stay below a hundredth.
//!
//! What was looked at is remembered in the studio's file, a window with a mark of what was looked
//! at: its air, and each pot that it means something to, with its body, weighings, and log as far
//! as an answer hears it. Where one of these was imported or corrected since, the window is due
//! again: what moved too far then may not now, and the new pot has a word in what comes later.
//! Readings that stay only take room, so it is soon enough when the next round is made. What other
//! pots teach is no part of the mark: it changes with every pot, and both answers go with it.

use super::by_turns;
use crate::clock;
use crate::core::inference::lessons::Lessons;
use crate::core::thinning;
use crate::records::{Air, HandlingRow, Name, Point, Studio};
use crate::store::{Instead, Looked, Store, StoreError, Thinning};
use crate::units::{DAY, Time};
use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::mem;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::slice;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;
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
    /// Up to which window nothing was left to look at when this program did.
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
        for number in mem::take(&mut round.windows) {
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
        }
        self.seen = Some(round.end - 1);
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
    /// All stay: an answer would have moved by so much of its interval at least.
    Stays(f64),
}

/// What is to be looked at.
struct Round {
    /// The studio as it is now, with the weighings of the pot that was asked about last.
    studio: Studio,
    /// Of each pot that was weighed: when last, and a mark of all that is known of it.
    weighed: BTreeMap<Name, (Time, u64)>,
    /// What its pots teach, once that was asked.
    lessons: Option<Lessons>,
    /// Pots whose readings may be thinned, and were not looked at before.
    pots: Vec<Name>,
    /// Windows in which readings of no pot may be thinned, and that were not looked at before or
    /// not as they are now, by their numbers.
    windows: Vec<i64>,
    /// From which window on they may not be thinned yet.
    end: i64,
}

impl Round {
    /// As of a time; `None` where nothing is due, with windows up to that which was `seen`.
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
            weighed.extend(known(studio, pot).map(|known| (pot.clone(), known)));
            due(studio, pot).then(|| pot.clone())
        })?;
        let end = first_young(&|pot| all_due.iter().any(|due| due == pot));
        let pots = all_due.into_iter().filter(|pot| !done.contains(pot)).collect();
        let mut round = Round { studio, weighed, lessons: None, pots, windows: Vec::new(), end };
        let looked = store.windows()?;
        let as_it_was = |number: &i64| looked.get(number) == Some(&round.mark(*number));
        round.windows = (round.first()..end).filter(|number| !as_it_was(number)).collect();
        Ok(Some(round))
    }

    /// The window of the first reading, or before the first pot.
    fn first(&self) -> i64 {
        let series = self.studio.air.values().flat_map(|air| [&air.temperature, &air.humidity]);
        let firsts = series.filter_map(|points| points.first().map(|p| p.time));
        let pots = self.studio.pots.values().map(|pot| pot.made_at.plus(-WINDOW));
        firsts.chain(pots).min().map_or(i64::MAX, window)
    }

    /// A mark of all that is looked at where a window is. (With a compiler that counts otherwise
    /// it is another; then all are looked at once more.)
    fn mark(&self, number: i64) -> i64 {
        let (from, to) = span(number);
        let mut mark = DefaultHasher::new();
        for (place, Air { temperature, humidity }) in self.studio.air.iter() {
            place.hash(&mut mark);
            for all in [temperature, humidity] {
                let [first, end] = [from, to].map(|edge| all.partition_point(|p| p.time < edge));
                add(&mut mark, &all[first..end]);
            }
        }
        self.seen_by(from, to).for_each(|(_, known)| known.hash(&mut mark));
        mark.finish().cast_signed()
    }

    /// Pots to which the air from one time to another means anything.
    fn seen_by(&self, from: Time, to: Time) -> impl Iterator<Item = (&Name, &(Time, u64))> {
        self.weighed.iter().filter(move |(pot, (last, _))| {
            let begins = self.studio.pots[*pot].made_at.plus(-thinning::AIR_BEFORE);
            *last >= from && begins < to
        })
    }

    /// Turns to a pot; what all of them teach.
    fn turn_to(&mut self, store: &Store, pot: &Name) -> Result<(&Studio, &Lessons), StoreError> {
        if self.lessons.is_none() {
            self.lessons = Some(by_turns::learn(store, &mut self.studio)?);
        }
        store.turn_to(&mut self.studio, slice::from_ref(pot))?;
        Ok((&self.studio, self.lessons.get_or_insert_default()))
    }
}

/// When a pot to which the studio was turned was weighed last, and a mark of all that is known of
/// it.
fn known(studio: &Studio, pot: &str) -> Option<(Time, u64)> {
    let weighings = &studio.weighings.get(pot)?.0;
    let (its, last) = (studio.pots.get(pot)?, weighings.last()?.time);
    let rows = studio.handling.get(pot).into_iter().flatten();
    // What was noted after the last weighing, an outcome say, no answer hears, but for plans.
    let heard = rows.filter(|row| row.time <= last || row.action.can_be_planned());
    let mut mark = DefaultHasher::new();
    let heard: Vec<_> = heard.collect();
    format!("{its:?} {:?} {heard:?}", studio.bodies.get(&its.body)).hash(&mut mark);
    add(&mut mark, weighings);
    Some((last, mark.finish()))
}

fn add(mark: &mut DefaultHasher, points: &[Point]) {
    points.len().hash(mark);
    points.iter().for_each(|p| (p.time.0, p.value.to_bits()).hash(mark));
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

/// A window, from one time to before another.
fn span(number: i64) -> (Time, Time) {
    // Stretches of the air end with the reading of their full minute.
    let edge = |n: i64| Time::from_seconds(n as f64 * WINDOW).moved(1);
    (edge(number), edge(number + 1))
}

/// Thins the weighings of a pot if no answer moves by that.
fn thin_pot(store: &mut Store, round: &mut Round, pot: &Name) -> Result<Thinned, StoreError> {
    let (studio, lessons) = round.turn_to(store, pot)?;
    let how = |points: &[Point]| instead(thinning::weighings(studio, pot, points));
    let of = Looked::Pot(pot);
    let thinning = Thinning { of, span: (Time::MIN, Time::MAX), how: &how };
    let (fewer, thinned) = store.if_thinned(&thinning, studio)?;
    let change = match fewer {
        0 => 0.0,
        _ => thinning::change([studio, &thinned], lessons, pot, WEIGHINGS_MAY),
    };
    if change > WEIGHINGS_MAY {
        store.leave(of)?;
        return Ok(Thinned::Stays(change));
    }
    let gone = store.thin(&thinning)?;
    round.weighed.extend(known(&thinned, pot).map(|known| (pot.clone(), known)));
    Ok(Thinned::Gone(gone))
}

/// Thins the readings of no pot in a window if no pot's answer moves by that; `None` if `go_on`,
/// which hears how long one pot took, says that it is to end.
fn thin_window(
    store: &mut Store,
    round: &mut Round,
    number: i64,
    go_on: impl Fn(Duration) -> bool,
) -> Result<Option<Thinned>, StoreError> {
    let span = span(number);
    let mut last: Vec<Time> = round.weighed.values().map(|(last, _)| *last).collect();
    last.sort_unstable();
    let how = |points: &[Point]| instead(thinning::sparse(points, &last));
    let looked = |round: &Round| Looked::Window(number, round.mark(number));
    let thinning = Thinning { of: looked(round), span, how: &how };
    let (fewer, mut after) = store.if_thinned(&thinning, &round.studio)?;
    if fewer == 0 {
        store.leave(thinning.of)?;
        return Ok(Some(Thinned::Gone(0)));
    }
    let same_air = |pot: &Name, last| thinning::same_air(&round.studio, &after, pot, last);
    let pots = round.seen_by(span.0, span.1).filter(|(pot, (last, _))| !same_air(pot, *last));
    let pots: Vec<Name> = pots.map(|(pot, _)| pot.clone()).collect();
    for pot in pots {
        let begun = clock::steady();
        let (studio, lessons) = round.turn_to(store, &pot)?;
        after.weighings.clone_from(&studio.weighings);
        let change = thinning::change([studio, &after], lessons, &pot, AIR_MAY);
        if change > AIR_MAY {
            store.leave(thinning.of)?;
            return Ok(Some(Thinned::Stays(change)));
        }
        if !go_on(begun.elapsed()) {
            return Ok(None);
        }
    }
    round.studio.air = after.air;
    Ok(Some(Thinned::Gone(store.thin(&Thinning { of: looked(round), ..thinning })?)))
}

fn instead(all: Vec<thinning::Instead>) -> Instead {
    all.into_iter().map(|one| (one.of, one.come)).collect()
}

/// Thins all that may be thinned as of a time, at once; what became of each pot, and of each window
/// that was due.
pub fn thin_all(store: &mut Store, now: Time) -> Result<Vec<(Name, Thinned)>, StoreError> {
    let mut done = Vec::new();
    let Some(mut round) = Round::new(store, now, None)? else { return Ok(done) };
    for pot in &mem::take(&mut round.pots) {
        done.push((pot.clone(), thin_pot(store, &mut round, pot)?));
    }
    for number in mem::take(&mut round.windows) {
        let thinned = thin_window(store, &mut round, number, |_| true)?;
        done.extend(thinned.map(|thinned| (format!("window {number}"), thinned)));
    }
    Ok(done)
}
