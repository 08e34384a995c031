//! One port over its life: a pure state machine that takes bytes and time and returns actions.
//!
//! It outlives the port being unplugged: sources, what is known of their pace and whether they
//! send checksums stay. Rules that do not depend on the line format live here: names, the range
//! of values, checksums once sent, the number of sources, repeated lines.

use super::ask::Ask;
use super::formats::{Format, Measured, Sink};
use super::health::{Fault, Faults, worth_saying};
use super::reduce::{Reduced, Reducer};
use crate::records::{Name, Quantity, Reading, check_name};
use crate::units::{DAY, Time};
use std::collections::{BTreeSet, HashMap};
use std::fmt;
use std::ops::RangeInclusive;
use std::time::{Duration, Instant};

/// Sources that one port may have.
pub const MAX_SOURCES: usize = 64;
/// Sources that one port may have had: when all [`MAX_SOURCES`] places are taken, a new one takes
/// that of one which said a word or two long ago, such as a name that was garbled on its way.
pub const MAX_SOURCES_EVER: usize = 1024;
/// So many of those that found no place are named.
pub const REFUSED_TOLD: usize = 6;
/// So few words, so long ago.
const A_WORD: u64 = 3;
const LONG_AGO: Duration = Duration::from_secs(3600);
/// Readings that one port may have stored: so many at once, as after a long time out of reach, and
/// so many each second in the long run (64 cells at one per 10 s give 6.4). A device whose own
/// clock runs away would fill the disk.
pub const AT_ONCE: f64 = 2e6;
const PER_SECOND: f64 = 8.0;
/// A fast source that is silent for so long has its open 10 s closed.
const CLOSE_AFTER: Duration = Duration::from_secs(10);
/// Temperatures that are taken, °C (the studio files' rule).
const CELSIUS: RangeInclusive<f64> = -60.0..=120.0;
/// Relative humidities that are taken, fraction (the studio files' rule).
const HUMIDITY: RangeInclusive<f64> = 0.0..=1.10;
/// Samples without a time of their own that arrive together are set apart within this, µs.
const TOGETHER_US: i64 = 1_000_000;

/// A source whose times lie further ahead of the clock than this, or further behind (it may send
/// what it kept while nobody listened), is told once, s.
const AHEAD_S: f64 = 600.0;
const BEHIND_S: f64 = 7.0 * DAY;

/// When bytes came.
#[derive(Clone, Copy, Debug)]
pub struct Arrival {
    /// By the wall clock: what readings are stamped with.
    pub wall: Time,
    /// By the steady clock: what waiting is measured with.
    pub steady: Instant,
}

/// What is to be done.
#[derive(Clone, PartialEq, Debug)]
pub enum Action {
    /// Store this reading; says who told its time.
    Store(Reading, Stamp),
    /// Tell the potter.
    Say(Remark),
}

/// Who told a reading's time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stamp {
    /// Its source.
    Source,
    /// This computer's clock, by its arrival.
    Arrival,
}

/// What a potter should know about a port.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Remark {
    /// A source spoke for the first time.
    NewSource(Name, Quantity),
    /// A source's times lie so far ahead of the clock (behind it: negative), s.
    Clock(Name, i64),
    /// Something could not be used; said at the 1st, 10th, 100th … of its kind.
    Fault(Fault, Option<Name>, u64),
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Remark::NewSource(name, Quantity::Count) => write!(f, "{name} sends raw counts"),
            Remark::NewSource(name, quantity) => write!(f, "{name} sends {}", quantity.word()),
            Remark::Clock(name, ahead) => {
                let far = match ahead.unsigned_abs() {
                    s @ 172_800.. => format!("{} days", s / 86_400),
                    s @ 7200.. => format!("{} h", s / 3600),
                    s => format!("{} min", s / 60),
                };
                let side = if *ahead > 0 { "ahead of" } else { "behind" };
                write!(
                    f,
                    "{name}: its times lie {far} {side} this computer's clock, and are stored so: \
                     set its clock, or let it send no times"
                )
            }
            Remark::Fault(fault, source, count) => {
                if let Some(source) = source {
                    write!(f, "{source}: ")?;
                }
                write!(f, "not stored, {}", fault.words())?;
                if *count > 1 {
                    write!(f, " ({count} times so far)")?;
                }
                Ok(())
            }
        }
    }
}

/// What came from a port so far.
#[derive(Debug, Default)]
pub struct Health {
    /// Lines that were understood.
    pub lines: u64,
    /// Measurements that were taken, before reduction.
    pub samples: u64,
    /// What could not be used.
    pub faults: Faults,
}

/// One source's share of it.
#[derive(Debug)]
pub struct SourceHealth<'a> {
    /// Its name.
    pub name: &'a str,
    /// Measurements that were taken, before reduction.
    pub samples: u64,
    /// What could not be used.
    pub faults: Faults,
    /// The latest time that it sent.
    pub newest: Option<Time>,
}

/// One port's session.
pub struct Session {
    format: Box<dyn Format>,
    ask: Option<Ask>,
    intake: Intake,
}

impl Session {
    /// Before the first byte.
    pub fn new(format: Box<dyn Format>) -> Session {
        let intake = Intake {
            sources: Vec::new(),
            index: HashMap::new(),
            known: BTreeSet::new(),
            ever: 0,
            refused: Vec::new(),
            health: Health::default(),
            allowance: (AT_ONCE, None),
        };
        Session { format, ask: None, intake }
    }

    /// The same for a scale that has to be asked.
    pub fn asking(format: Box<dyn Format>, ask: Option<Ask>) -> Session {
        Session { ask, ..Session::new(format) }
    }

    /// These have their place whatever else comes: what the studio knows by its log, its
    /// calibrations or its store.
    pub fn know(&mut self, names: BTreeSet<Name>) {
        self.intake.known = names;
    }

    /// Who found no place, in order of their first word; the first few of them.
    pub fn refused(&self) -> &[Name] {
        &self.intake.refused
    }

    /// The port was opened.
    pub fn opened(&mut self) {
        self.ask.iter_mut().for_each(Ask::begin);
    }

    /// What is to be sent to the scale now, if anything.
    pub fn question(&mut self, now: Instant) -> Option<&[u8]> {
        let question = self.ask.as_mut()?.due(now)?;
        if question.unanswered {
            self.intake.health.faults.add(Fault::NoAnswer);
        }
        Some(question.text)
    }

    /// How often [`Session::question`] has something to send; `None`: never.
    pub fn asks_every(&self) -> Option<Duration> {
        self.ask.as_ref().map(Ask::every)
    }

    /// Takes bytes; what is to be done is appended to `actions`.
    pub fn received(&mut self, bytes: &[u8], arrived: Arrival, actions: &mut Vec<Action>) {
        self.ask.iter_mut().for_each(Ask::heard);
        let mut taking = Taking { intake: &mut self.intake, arrived, actions };
        self.format.feed(bytes, arrived.wall, &mut taking);
    }

    /// Time passes: closes the open 10 s of sources that fell silent.
    pub fn tick(&mut self, now: Instant, actions: &mut Vec<Action>) {
        self.intake.flush(Some(now), actions);
    }

    /// The port was lost, or the end has come: gives up half a line, keeps all samples.
    pub fn closed(&mut self, arrived: Arrival, actions: &mut Vec<Action>) {
        let mut taking = Taking { intake: &mut self.intake, arrived, actions };
        self.format.cut(&mut taking);
        self.intake.flush(None, actions);
    }

    /// The clock that arrivals are stamped with was set by so many microseconds: what it stamped
    /// before moves along.
    pub fn clock_moved(&mut self, by_us: i64) {
        for source in &mut self.intake.sources {
            let stamped = source.series.iter_mut().flatten();
            for series in stamped.filter(|series| series.stamp == Stamp::Arrival) {
                series.reducer.moved(by_us);
                series.last = series.last.map(|(time, value)| (time.moved(by_us), value));
            }
            let lasts = source.series.iter().flatten().filter_map(|series| series.last);
            source.newest = lasts.map(|(time, _)| time).max();
        }
    }

    /// What came so far.
    pub fn health(&self) -> &Health {
        &self.intake.health
    }

    /// What came so far, by source, in order of their first word.
    pub fn sources(&self) -> impl Iterator<Item = SourceHealth<'_>> {
        self.intake.sources.iter().map(|source| SourceHealth {
            name: &source.name,
            samples: source.samples,
            faults: source.faults,
            newest: source.newest,
        })
    }
}

struct Intake {
    sources: Vec<Source>,
    index: HashMap<Name, usize>,
    /// Sources that have their place whatever else comes.
    known: BTreeSet<Name>,
    /// Sources that there were in all, without those.
    ever: usize,
    /// The first that found no place.
    refused: Vec<Name>,
    health: Health,
    /// Readings that may still be stored, and when that was so.
    allowance: (f64, Option<Instant>),
}

struct Source {
    name: Name,
    /// Has sent a checksum, and is held to it.
    sealed: bool,
    samples: u64,
    faults: Faults,
    newest: Option<Time>,
    /// Its times were found to be far from the clock, and that was told.
    told_off: bool,
    series: [Option<Box<Series>>; 4],
}

/// One quantity of one source.
struct Series {
    quantity: Quantity,
    /// Who told the time of the last sample.
    stamp: Stamp,
    reducer: Reducer,
    last: Option<(Time, f64)>,
    arrived: Instant,
}

impl Intake {
    /// Index of the source, which is taken in if it is new.
    fn source(&mut self, name: &str, now: Instant) -> Result<usize, Fault> {
        if let Some(&at) = self.index.get(name) {
            return Ok(at);
        }
        check_name(name).map_err(|_| Fault::BadName)?;
        let known = self.known.contains(name);
        let at = match self.sources.len() {
            free if free < MAX_SOURCES => Some(free),
            taken => self.forgettable(now).or(known.then_some(taken)),
        };
        let Some(at) = at.filter(|_| known || self.ever < MAX_SOURCES_EVER) else {
            if self.refused.len() < REFUSED_TOLD && self.refused.iter().all(|one| one != name) {
                self.refused.push(name.into());
            }
            return Err(Fault::TooManySources);
        };
        self.ever += usize::from(!known);
        self.index.insert(name.into(), at);
        let source = Source {
            name: name.into(),
            sealed: false,
            samples: 0,
            faults: Faults::default(),
            newest: None,
            told_off: false,
            series: [const { None }; 4],
        };
        match self.sources.get_mut(at) {
            Some(other) => {
                self.index.remove(&std::mem::replace(other, source).name);
            }
            None => self.sources.push(source),
        }
        Ok(at)
    }

    /// A source that said a word or two long ago, and all of it is stored.
    fn forgettable(&self, now: Instant) -> Option<usize> {
        let long_ago = |series: &Series| {
            !series.reducer.is_open() && now.saturating_duration_since(series.arrived) >= LONG_AGO
        };
        self.sources.iter().position(|source| {
            source.samples < A_WORD && source.series.iter().flatten().all(|s| long_ago(s))
        })
    }

    /// Whether one reading more may be stored.
    fn allows(&mut self, now: Instant) -> bool {
        let (left, since) = self.allowance;
        let passed = since.map_or(0.0, |since| now.saturating_duration_since(since).as_secs_f64());
        let left = (left + PER_SECOND * passed).min(AT_ONCE);
        let allowed = left >= 1.0;
        self.allowance = (if allowed { left - 1.0 } else { left }, Some(now));
        allowed
    }

    /// Closes open bins: all, or those of series that have been silent.
    fn flush(&mut self, silent_at: Option<Instant>, actions: &mut Vec<Action>) {
        for source in &mut self.sources {
            for series in source.series.iter_mut().flatten() {
                let silent = |now: Instant| now.duration_since(series.arrived) >= CLOSE_AFTER;
                if silent_at.is_none_or(silent)
                    && let Some(reduced) = series.reducer.flush()
                {
                    actions.push(store(&source.name, series, reduced));
                }
            }
        }
    }
}

/// The session while bytes are being taken.
struct Taking<'a> {
    intake: &'a mut Intake,
    arrived: Arrival,
    actions: &'a mut Vec<Action>,
}

impl Taking<'_> {
    fn take(&mut self, m: Measured<'_>) -> Result<(), Fault> {
        let at = self.intake.source(m.source, self.arrived.steady)?;
        let source = &mut self.intake.sources[at];
        source.sealed |= m.sealed;
        if source.sealed && !m.sealed {
            return Err(Fault::NoChecksum);
        }
        if m.settled == Some(false) {
            return Err(Fault::Moving);
        }
        let within = match m.quantity {
            Quantity::Mass | Quantity::Count => true,
            Quantity::Temperature => CELSIUS.contains(&m.value),
            Quantity::Humidity => HUMIDITY.contains(&m.value),
        };
        if !within {
            return Err(Fault::OutOfRange);
        }
        let slot = &mut source.series[m.quantity as usize];
        if slot.is_none() {
            let remark = Remark::NewSource(source.name.clone(), m.quantity);
            self.actions.push(Action::Say(remark));
        }
        let series = slot.get_or_insert_with(|| {
            Box::new(Series {
                quantity: m.quantity,
                stamp: Stamp::Arrival,
                reducer: Reducer::default(),
                last: None,
                arrived: self.arrived.steady,
            })
        });
        series.arrived = self.arrived.steady;
        series.stamp = if m.told { Stamp::Source } else { Stamp::Arrival };
        let time = series.time_of(&m)?;
        series.last = Some((time, m.value));
        source.samples += 1;
        source.newest = source.newest.max(Some(time));
        let ahead = time.since(self.arrived.wall);
        if !source.told_off && !(-BEHIND_S..=AHEAD_S).contains(&ahead) {
            source.told_off = true;
            self.actions.push(Action::Say(Remark::Clock(source.name.clone(), ahead as i64)));
        }
        self.intake.health.samples += 1;
        let freed = series.reducer.push(time, m.value);
        for reduced in freed.into_iter().flatten() {
            if !self.intake.allows(self.arrived.steady) {
                return Err(Fault::TooMuch);
            }
            let source = &self.intake.sources[at];
            if let Some(series) = &source.series[m.quantity as usize] {
                self.actions.push(store(&source.name, series, reduced));
            }
        }
        Ok(())
    }
}

impl Series {
    /// The sample's time, told apart from the one before where the source did not tell it.
    fn time_of(&self, m: &Measured<'_>) -> Result<Time, Fault> {
        let Some((last, value)) = self.last else { return Ok(m.time) };
        if m.told {
            // In a fast source's bin equal neighbours are samples like any other.
            let again = last == m.time && value == m.value && !self.reducer.is_open();
            return if again { Err(Fault::Repeated) } else { Ok(m.time) };
        }
        let together = (0..TOGETHER_US).contains(&(last.0 - m.time.0));
        Ok(if together { Time(last.0 + 1).min(Time::MAX) } else { m.time })
    }
}

impl Sink for Taking<'_> {
    fn line(&mut self) {
        self.intake.health.lines += 1;
    }

    fn measured(&mut self, measured: Measured<'_>) {
        if let Err(fault) = self.take(measured) {
            self.fault(Some(measured.source), fault);
        }
    }

    fn fault(&mut self, source: Option<&str>, fault: Fault) {
        let total = self.intake.health.faults.add(fault);
        // Only a source that is known has a health of its own and is named to the potter.
        let known = source.and_then(|name| self.intake.index.get(name).copied());
        let (count, name) = match known {
            Some(at) => {
                let source = &mut self.intake.sources[at];
                (source.faults.add(fault), Some(source.name.clone()))
            }
            // The count is that of all; the first of those without a place is named.
            None => {
                let first = self.intake.refused.first().filter(|_| total == 1);
                (total, first.filter(|_| fault == Fault::TooManySources).cloned())
            }
        };
        if fault.is_wrong() && worth_saying(count) {
            self.actions.push(Action::Say(Remark::Fault(fault, name, count)));
        }
    }
}

fn store(source: &str, series: &Series, reduced: Reduced) -> Action {
    let reading = Reading {
        time: reduced.time,
        source: source.into(),
        quantity: series.quantity,
        value: reduced.value,
        pot: None,
        count: reduced.of.map(|(count, _)| count),
        spread: reduced.of.map(|(_, spread)| spread),
    };
    Action::Store(reading, series.stamp)
}

#[cfg(test)]
mod tests {
    use super::super::formats::senml::{Senml, checksum};
    use super::super::formats::text::Text;
    use super::*;
    use proptest::prelude::*;

    const WALL: Time = Time(1_900_000_000_000_000);

    struct Bench {
        session: Session,
        start: Instant,
        actions: Vec<Action>,
    }

    impl Bench {
        fn new() -> Bench {
            Bench {
                session: Session::new(Box::new(Senml::new())),
                start: Instant::now(),
                actions: Vec::new(),
            }
        }

        fn at(&self, s: f64) -> Arrival {
            Arrival { wall: WALL.plus(s), steady: self.start + Duration::from_secs_f64(s) }
        }

        fn feed(&mut self, s: f64, bytes: impl AsRef<[u8]>) {
            let at = self.at(s);
            self.session.received(bytes.as_ref(), at, &mut self.actions);
        }

        fn stored(&self) -> Vec<(&str, f64)> {
            let mut stored = Vec::new();
            for action in &self.actions {
                if let Action::Store(r, _) = action {
                    stored.push((r.source.as_str(), r.value));
                }
            }
            stored
        }

        fn faults(&self) -> String {
            self.session.health().faults.to_string()
        }
    }

    fn line(name: &str, v: f64) -> String {
        format!("[{{\"n\":\"{name}\",\"u\":\"g\",\"v\":{v}}}]\n")
    }

    fn sealed(name: &str, v: f64) -> String {
        let line = line(name, v);
        let line = line.trim_end();
        format!("{line} {:08x}\n", checksum(line.as_bytes()))
    }

    #[test]
    fn a_source_that_once_sent_checksums_is_held_to_them() {
        let mut b = Bench::new();
        b.feed(0.0, line("a", 1.0));
        b.feed(60.0, sealed("a", 2.0));
        b.feed(120.0, line("a", 3.0));
        b.feed(180.0, line("b", 4.0));
        let at = b.at(200.0);
        b.session.closed(at, &mut b.actions);
        b.feed(240.0, line("a", 5.0));
        b.feed(300.0, sealed("a", 6.0));
        assert_eq!(b.stored(), [("a", 1.0), ("a", 2.0), ("b", 4.0), ("a", 6.0)]);
        assert_eq!(b.faults(), "2 checksum missing");
        assert_eq!(b.session.sources().next().map(|s| s.faults.total()), Some(2));
    }

    #[test]
    fn names_and_ranges_are_held() {
        let mut b = Bench::new();
        for (n, u, v) in [
            ("", "g", 1.0),
            ("a/b", "g", 1.0),
            ("a\\u0007", "g", 1.0),
            (&"x".repeat(65), "g", 1.0),
            ("=a", "g", 1.0),
            ("a ", "g", 1.0),
            ("room", "Cel", -60.5),
            ("room", "Cel", 120.5),
            ("room", "%RH", -0.5),
            ("room", "%RH", 110.5),
            ("room", "%RH", 110.0),
            ("room", "Cel", -60.0),
        ] {
            b.feed(0.0, format!("[{{\"n\":\"{n}\",\"u\":\"{u}\",\"v\":{v}}}]\n"));
        }
        assert_eq!(b.faults(), "6 bad name, 4 out of range");
        assert_eq!(b.stored(), [("room", 1.1), ("room", -60.0)]);
    }

    #[test]
    fn sources_are_bounded() {
        let mut b = Bench::new();
        for i in 0..100 {
            b.feed(f64::from(i), line(&format!("cell-{i}"), 1.0));
        }
        assert_eq!(b.stored().len(), MAX_SOURCES);
        assert_eq!(b.faults(), "36 too many sources");
        b.feed(200.0, line("cell-3", 2.0));
        assert_eq!(b.stored().len(), MAX_SOURCES + 1);
    }

    #[test]
    fn garbled_names_do_not_lock_a_new_cell_out_for_good_and_are_bounded_too() {
        let mut b = Bench::new();
        for (at, name) in [(0.0, "cell-1"), (60.0, "cell-1"), (120.0, "cell-1")] {
            b.feed(at, line(name, 5.0));
        }
        for i in 0..100 {
            b.feed(130.0, line(&format!("ce{i}l-1"), 5.0));
        }
        b.feed(140.0, line("cell-2", 1.0));
        assert_eq!(b.faults(), "38 too many sources");
        b.feed(3800.0, line("cell-2", 2.0));
        b.feed(3860.0, line("cell-1", 3.0));
        assert_eq!(b.stored()[b.stored().len() - 2..], [("cell-2", 2.0), ("cell-1", 3.0)]);
        for i in 0..20_000 {
            b.feed(3900.0 + 4000.0 * f64::from(i), line(&format!("mad-{i}"), 1.0));
        }
        assert_eq!(b.session.sources().count(), MAX_SOURCES);
        let names: std::collections::BTreeSet<&str> = b.stored().iter().map(|s| s.0).collect();
        assert_eq!(names.len(), MAX_SOURCES_EVER);
        b.feed(9e7, line("cell-1", 4.0));
        assert_eq!(b.stored().last(), Some(&("cell-1", 4.0)));
    }

    #[test]
    fn what_the_studio_knows_has_its_place_in_any_flood() {
        let mut b = Bench::new();
        let cells: Vec<Name> = (0..3).map(|i| format!("shelf-a:cell-{i}")).collect();
        b.session.know(cells.iter().cloned().collect());
        for i in 0..500 {
            b.feed(f64::from(i) / 100.0, line(&format!("flood-{i}"), 1.0));
        }
        for (at, cell) in (6..).zip(&cells) {
            b.feed(f64::from(at), line(cell, 5.0));
        }
        assert_eq!(b.faults(), "436 too many sources");
        let stored = b.stored();
        let last: Vec<&str> = stored[stored.len() - 3..].iter().map(|s| s.0).collect();
        assert_eq!(last, cells);
        // Who was refused first has a name, once while it happens and then among the first few.
        let flood = |i| format!("flood-{i}");
        let said = |action: &Action| match action {
            Action::Say(Remark::Fault(Fault::TooManySources, name, n)) => Some((name.clone(), *n)),
            _ => None,
        };
        let said: Vec<_> = b.actions.iter().filter_map(said).collect();
        assert_eq!(said, [(Some(flood(64)), 1), (None, 10), (None, 100)]);
        assert_eq!(b.session.refused(), (64..70).map(flood).collect::<Vec<_>>());
        // However many names there were before.
        for i in 0..2000 {
            b.feed(4000.0 * f64::from(i), line(&format!("mad-{i}"), 1.0));
        }
        b.session.know(["cell-new".to_string()].into());
        b.feed(9e6, line("cell-new", 7.0));
        assert_eq!(b.stored().last(), Some(&("cell-new", 7.0)));
    }

    #[test]
    fn a_clock_that_runs_away_does_not_fill_the_disk() {
        let mut b = Bench::new();
        let start = b.start;
        let mut allowed = 0;
        // A day of lines as fast as they can be read, each of a time of its own.
        for n in 0..8_640_000u64 {
            let at = start + Duration::from_millis(10 * n);
            allowed += u64::from(b.session.intake.allows(at));
        }
        let day = (AT_ONCE + PER_SECOND * 86_400.0) as u64;
        assert!((day - 10..=day + 10).contains(&allowed), "{allowed}");
        b.session.intake.allowance = (0.5, Some(start + Duration::from_secs(100)));
        b.feed(100.0, line("cell", 1.0));
        b.feed(160.0, line("cell", 2.0));
        assert_eq!(b.stored(), [("cell", 2.0)]);
        assert_eq!(b.faults(), "1 more than a shelf can have to say");
    }

    #[test]
    fn a_repeated_line_is_stored_once_and_lines_that_come_together_are_all_stored() {
        let mut b = Bench::new();
        let told = "[{\"n\":\"a\",\"u\":\"g\",\"v\":5,\"t\":1900000000}]\n";
        b.feed(0.0, [told, told].concat());
        b.feed(30.0, told);
        assert_eq!((b.stored().len(), b.faults().as_str()), (1, "2 sent twice"));
        let mut b = Bench::new();
        b.feed(0.0, [line("a", 5.0), line("a", 5.0), line("a", 5.0)].concat());
        let at = b.at(1.0);
        b.session.closed(at, &mut b.actions);
        let counts = b.actions.iter().filter_map(|a| match a {
            Action::Store(r, _) => Some((r.time.0 - WALL.0, r.count)),
            Action::Say(_) => None,
        });
        assert_eq!(counts.collect::<Vec<_>>(), [(0, None), (2, Some(2))]);
    }

    #[test]
    fn a_silent_fast_source_has_its_bin_closed() {
        let mut b = Bench::new();
        for i in 0..20 {
            b.feed(f64::from(i) / 10.0, line("a", 7.0));
        }
        let (before, after) = (b.at(11.0).steady, b.at(12.0).steady);
        b.session.tick(before, &mut b.actions);
        assert_eq!(b.stored().len(), 1);
        b.session.tick(after, &mut b.actions);
        assert_eq!(b.stored().len(), 2);
        assert_eq!(b.session.health().samples, 20);
    }

    #[test]
    fn half_a_line_is_given_up_when_the_port_is_lost() {
        let mut b = Bench::new();
        let whole = line("a", 7.0);
        b.feed(0.0, &whole[..10]);
        let at = b.at(1.0);
        b.session.closed(at, &mut b.actions);
        b.feed(2.0, &whole);
        assert_eq!((b.stored(), b.faults().as_str()), (vec![("a", 7.0)], "1 half a line"));
    }

    #[test]
    fn remarks_are_few() {
        let mut b = Bench::new();
        for _ in 0..500 {
            b.feed(0.0, "noise\n");
        }
        let said: Vec<String> = b
            .actions
            .iter()
            .filter_map(|a| match a {
                Action::Say(remark) => Some(remark.to_string()),
                Action::Store(..) => None,
            })
            .collect();
        assert_eq!(
            said,
            [
                "not stored, not JSON",
                "not stored, not JSON (10 times so far)",
                "not stored, not JSON (100 times so far)",
            ]
        );
        assert_eq!(b.faults(), "499 not JSON, 1 half a line");
    }

    #[test]
    fn a_wrong_clock_is_told_once() {
        let mut b = Bench::new();
        let told =
            |name: &str, t: f64| format!("[{{\"n\":\"{name}\",\"u\":\"g\",\"v\":1,\"t\":{t}}}]\n");
        let now = WALL.seconds();
        for (name, t) in [
            ("fast", now + 7200.0),
            ("fast", now + 7230.0),
            ("right", now + 30.0),
            ("kept", now - 86_400.0),
            ("old", 3e8),
            // Seconds since it was switched on: below 2^28 they count from arrival.
            ("uptime", 1000.0),
        ] {
            b.feed(0.0, told(name, t));
        }
        let said = b.actions.iter().filter_map(|a| match a {
            Action::Say(Remark::Clock(name, ahead)) => Some((name.as_str(), *ahead)),
            _ => None,
        });
        let want = [("fast", 7200), ("old", -1_600_000_000), ("uptime", 1000)];
        assert_eq!(said.collect::<Vec<_>>(), want);
        let words = Remark::Clock("old".into(), -1_600_000_000).to_string();
        assert!(words.starts_with("old: its times lie 18518 days behind this"), "{words}");
    }

    #[test]
    fn a_text_scale_is_a_source_like_any_other() {
        let mut b = Bench::new();
        let pattern = regex::bytes::Regex::new(r"(?P<mass>\d+) (?P<unit>g|kg)").unwrap();
        b.session = Session::new(Box::new(Text::new(pattern, "bench")));
        b.feed(0.0, "812 g\r\n");
        b.feed(30.0, "1 kg\r\n");
        assert_eq!(b.stored(), [("bench", 812.0), ("bench", 1000.0)]);
    }

    proptest! {
        /// Every sample of every source is in exactly one reading, wherever the stream is split.
        #[test]
        fn nothing_is_lost_at_any_split(
            steps in proptest::collection::vec((0usize..3, 0u32..40_000), 1..60),
            cuts in proptest::collection::vec(any::<prop::sample::Index>(), 0..8),
        ) {
            let mut ms = 0u64;
            let mut stream = String::new();
            for (source, step) in &steps {
                ms += u64::from(*step) + 1;
                let t = 1.9e9 + ms as f64 / 1e3;
                stream += &format!("[{{\"n\":\"c{source}\",\"u\":\"g\",\"v\":7,\"t\":{t:.3}}}]\n");
            }
            let mut at: Vec<usize> = cuts.iter().map(|c| c.index(stream.len())).collect();
            at.extend([0, stream.len()]);
            at.sort_unstable();
            let mut b = Bench::new();
            for pair in at.windows(2) {
                b.feed(0.0, &stream.as_bytes()[pair[0]..pair[1]]);
            }
            let end = b.at(1.0);
            b.session.closed(end, &mut b.actions);
            let count = |a: &Action| match a {
                Action::Store(r, _) => r.count.unwrap_or(1) as usize,
                Action::Say(_) => 0,
            };
            prop_assert_eq!(b.actions.iter().map(count).sum::<usize>(), steps.len());
            prop_assert_eq!(b.session.health().faults.total(), 0);
        }
    }
}
