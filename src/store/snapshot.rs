//! The studio as it was known at a time: never looks ahead, save at planned rows.
//!
//! # Which weighings are a pot's
//!
//! Readings that name it, and readings without a name from the source it stands on. A pot stands
//! on a source from its `on` until its `off`, its next `on`, or until another pot is put on that
//! source: the later `on` takes the cell. Where an `off` and an `on` of a pot carry the same time,
//! the `off` ends what stood before; if nothing did, it ends that `on`.
//!
//! Raw counts of the source become grams by the calibration of their time ([`crate::calibration`]);
//! those of a time without one say nothing of the pot.
//!
//! # Which air is whose
//!
//! `room:PLACE` is the air of PLACE; `room` is the studio's own (the empty place). A studio
//! without `room` takes, for each quantity by itself, sources whose last part is `room`
//! (`shelf-a:room`), else whatever other sources say of it.

use super::readings::{self, Series};
use super::{StoreError, calibrations, clay, rows};
use crate::calibration::history::{History, TEMPERATURE_HOLDS_S};
use crate::calibration::{Load, ZeroDrift};
use crate::records::{
    Action, Air, Cell, HandlingRow, Name, Parts, Point, Quantity, Studio, Weighings,
};
use crate::units::{DAY, HOUR, Time};
use rusqlite::Connection;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// The studio as known at `at`; weighings only of the pots in `only` and of those they are like.
/// `idle`: with what empty cells say.
pub(super) fn studio(
    db: &Connection,
    at: Time,
    only: Option<&[Name]>,
    idle: bool,
) -> Result<Studio, StoreError> {
    let tx = &db.unchecked_transaction()?; // one state of the database for all that follows
    let bodies = rows::bodies(tx)?.into_iter().map(|b| (b.name.clone(), b)).collect();
    let pots: BTreeMap<Name, _> = rows::pots(tx)?
        .into_iter()
        .filter(|p| p.made_at <= at)
        .map(|p| (p.name.clone(), p))
        .collect();
    let rows: Vec<HandlingRow> = rows::handling(tx)?
        .into_iter()
        .filter(|row| pots.contains_key(&row.pot))
        .filter(|row| row.time <= at || row.action.can_be_planned())
        .collect();
    let standings = standings(&rows);
    let mut studio = Studio { at, bodies, pots, ..Studio::default() };
    let wanted = match only {
        Some(names) => studio.whole(names),
        None => studio.whole(&studio.pots.keys().cloned().collect::<Vec<_>>()),
    };
    let series = readings::all_series(tx)?;
    studio.weighings = weighings(tx, at, &series, &standings, &wanted)?;
    studio.uncalibrated = uncalibrated(tx, at, &series, &standings)?;
    studio.cells = cells(tx, at, &series, &standings, idle)?;
    studio.air = air(tx, at, &series)?.into();
    studio.samples = clay::samples(tx)?.into_iter().filter(|s| s.time <= at).collect();
    for row in clay::blends(tx)? {
        studio.blends.entry(row.body.clone()).or_default().push(row);
    }
    for row in rows {
        studio.handling.entry(row.pot.clone()).or_default().push(row);
    }
    Ok(studio)
}

/// The studio with these weighings in the place of all others; each pot stood where its handling
/// has it.
pub(super) fn turn_to(
    db: &Connection,
    studio: &mut Studio,
    parts: &Parts,
) -> Result<(), StoreError> {
    let tx = db.unchecked_transaction()?;
    turn_inside(&tx, studio, parts)
}

/// The same inside a transaction.
pub(super) fn turn_inside(
    tx: &Connection,
    studio: &mut Studio,
    parts: &Parts,
) -> Result<(), StoreError> {
    let rows = studio.handling.values().flatten();
    let mut rows: Vec<HandlingRow> =
        rows.filter(|row| row.action.changes_cell()).cloned().collect();
    rows.sort_by_key(|row| row.time); // stable: those of one time in order of pot, then action
    let series = readings::all_series(tx)?;
    studio.weighings = weighings(tx, studio.at, &series, &standings(&rows), parts)?;
    Ok(())
}

/// The studio with its air as it is now, inside a transaction.
pub(super) fn air_inside(tx: &Connection, studio: &mut Studio) -> Result<(), StoreError> {
    studio.air = air(tx, studio.at, &readings::all_series(tx)?)?.into();
    Ok(())
}

/// That a pot stood on a source.
#[derive(Clone, PartialEq, Debug)]
struct Standing {
    pot: Name,
    source: Name,
    from: Time,
    /// The first moment when it did not; `None` while it stands there.
    to: Option<Time>,
}

/// Who stood where, from handling rows in order of time. Nobody is put down in a plan.
fn standings(rows: &[HandlingRow]) -> Vec<Standing> {
    let mut log = Log::default();
    let rows: Vec<&HandlingRow> = rows.iter().filter(|row| row.action.changes_cell()).collect();
    for group in rows.chunk_by(|a, b| a.time == b.time) {
        let time = group[0].time;
        // Who is lifted off something, who is put down, and who was put down and lifted at once.
        let (offs, ons): (Vec<&HandlingRow>, Vec<_>) =
            group.iter().partition(|row| row.action == Action::Off);
        let at_once: Vec<_> = offs.iter().filter(|row| !log.lift(&row.pot, time)).collect();
        for row in ons {
            if let Action::On(source) = &row.action {
                log.put(&row.pot, source, time);
            }
        }
        for row in at_once {
            log.lift(&row.pot, time);
        }
    }
    log.all
}

/// Pots that stand on a source at a time, by the whole log; those in the kiln, or of which nothing
/// more is to come, do not.
pub(super) fn standing(rows: &[HandlingRow], at: Time) -> Vec<(Name, Name)> {
    let rows: Vec<HandlingRow> = rows.iter().filter(|row| row.time <= at).cloned().collect();
    let ended: BTreeSet<&Name> = rows
        .iter()
        .filter(|row| matches!(row.action, Action::Kiln | Action::Lost(_) | Action::Outcome(_)))
        .map(|row| &row.pot)
        .collect();
    let there = standings(&rows).into_iter().filter(|s| s.to.is_none() && !ended.contains(&s.pot));
    there.map(|s| (s.pot, s.source)).collect()
}

#[derive(Default)]
struct Log {
    all: Vec<Standing>,
    by_pot: HashMap<Name, usize>,
    by_source: HashMap<Name, usize>,
}

impl Log {
    /// Ends the standing of a pot; says whether there was one.
    fn lift(&mut self, pot: &str, time: Time) -> bool {
        let Some(i) = self.by_pot.remove(pot) else { return false };
        self.all[i].to = Some(time);
        self.by_source.remove(&self.all[i].source);
        true
    }

    fn put(&mut self, pot: &Name, source: &Name, time: Time) {
        self.lift(pot, time);
        if let Some(&i) = self.by_source.get(source) {
            let displaced = self.all[i].pot.clone();
            self.lift(&displaced, time);
        }
        self.by_pot.insert(pot.clone(), self.all.len());
        self.by_source.insert(source.clone(), self.all.len());
        self.all.push(Standing { pot: pot.clone(), source: source.clone(), from: time, to: None });
    }
}

/// The end, exclusive, of what is known at `at`.
fn end(at: Time) -> Time {
    Time(at.0.saturating_add(1))
}

fn weighings(
    db: &Connection,
    at: Time,
    series: &[Series],
    standings: &[Standing],
    wanted: &Parts,
) -> Result<BTreeMap<Name, Weighings>, StoreError> {
    let mut points: BTreeMap<&Name, Vec<Point>> = BTreeMap::new();
    let mut cells = Cells::default();
    for one in series.iter().filter(|s| matches!(s.quantity, Quantity::Mass | Quantity::Count)) {
        if let Some(pot) = &one.pot {
            if let Some((pot, spans)) = wanted.get_key_value(pot) {
                let found = points.entry(pot).or_default();
                for span in spans {
                    let span = (span.0, span.1.min(end(at)));
                    readings::read_points(db, one.id, span, found)?;
                }
            }
            continue;
        }
        for standing in standings.iter().filter(|s| s.source == one.source) {
            let Some((pot, spans)) = wanted.get_key_value(&standing.pot) else { continue };
            let found = points.entry(pot).or_default();
            let to = standing.to.unwrap_or(end(at));
            for span in spans {
                let span = (span.0.max(standing.from), span.1.min(to));
                if one.quantity == Quantity::Count {
                    found.extend(cells.grams(db, one, series, span)?);
                } else {
                    readings::read_points(db, one.id, span, found)?;
                }
            }
        }
    }
    let in_order = |(pot, mut points): (&Name, Vec<Point>)| {
        order(&mut points);
        (pot.clone(), Weighings(points))
    };
    Ok(points.into_iter().filter(|(_, p)| !p.is_empty()).map(in_order).collect())
}

/// Brings points in order of time, ties in order of source, and gives back what room they do not
/// take: there may be many.
fn order(points: &mut Vec<Point>) {
    // Sorting takes room of its own.
    if !points.is_sorted_by_key(|p| p.time) {
        points.sort_by_key(|p| p.time); // stable
    }
    points.shrink_to_fit();
}

/// Points of series by the series' numbers.
type Told = Vec<(i64, Vec<Point>)>;

/// What a pot weighed from one time to before another, by series, each time that it stood there.
pub(super) fn of_pot(db: &Connection, pot: &str, span: (Time, Time)) -> rusqlite::Result<Told> {
    let standings = standings(&rows::handling(db)?);
    let weighs = |s: &Series| matches!(s.quantity, Quantity::Mass | Quantity::Count);
    let mut found = Vec::new();
    for one in readings::all_series(db)?.into_iter().filter(weighs) {
        let spans = match &one.pot {
            Some(named) if named == pot => vec![span],
            Some(_) => Vec::new(),
            None => {
                let its = standings.iter().filter(|s| s.pot == pot && s.source == one.source);
                let to = |s: &Standing| s.to.map_or(span.1, |to| to.min(span.1));
                its.map(|s| (s.from.max(span.0), to(s))).collect()
            }
        };
        for span in spans {
            let mut points = Vec::new();
            readings::read_points(db, one.id, span, &mut points)?;
            found.push((one.id, points));
        }
    }
    Ok(found)
}

/// What was said from one time to before another that tells of no pot, by series.
pub(super) fn of_no_pot(db: &Connection, span: (Time, Time)) -> rusqlite::Result<Told> {
    let standings = standings(&rows::handling(db)?);
    let mut found = Vec::new();
    for one in readings::all_series(db)?.into_iter().filter(|s| s.pot.is_none()) {
        let mut points = Vec::new();
        readings::read_points(db, one.id, span, &mut points)?;
        if matches!(one.quantity, Quantity::Mass | Quantity::Count) {
            let its: Vec<&Standing> = standings.iter().filter(|s| s.source == one.source).collect();
            let stood = |p: &Point| {
                its.iter().any(|s| s.from <= p.time && s.to.is_none_or(|to| p.time < to))
            };
            points.retain(|p| !stood(p));
        }
        found.push((one.id, points));
    }
    Ok(found)
}

/// What an empty cell said goes back so far, and single readings of it lie so far apart, s.
const IDLE: (f64, f64) = (30.0 * DAY, 0.5 * HOUR);

/// What is known of each cell; what it says when it is empty only if that is wanted.
fn cells(
    db: &Connection,
    at: Time,
    series: &[Series],
    standings: &[Standing],
    idle: bool,
) -> Result<BTreeMap<Name, Cell>, StoreError> {
    let mut cells: BTreeMap<Name, Cell> = BTreeMap::new();
    let weighs = |s: &&Series| matches!(s.quantity, Quantity::Mass | Quantity::Count);
    let mut facts = Cells::default();
    for one in series.iter().filter(weighs).filter(|s| s.pot.is_none()) {
        let cell = cells.entry(one.source.clone()).or_default();
        let raw = one.quantity == Quantity::Count;
        if raw {
            let known = facts.history(db, &one.source)?.calibration(at);
            cell.calibrated = cell.calibrated.max(known.map(|calibration| calibration.from));
        }
        if !idle {
            continue;
        }
        let span = last_idle(&one.source, standings, at);
        let mut points = Vec::new();
        readings::read_some(db, one.id, span, IDLE.1, &mut points)?;
        if raw {
            points = facts.in_grams(db, one, series, span, &points)?;
        }
        cell.idle.extend(points);
        cell.idle.sort_by_key(|p| p.time);
    }
    // One that spoke only later is not known yet.
    cells.retain(|_, cell| *cell != Cell::default());
    Ok(cells)
}

/// When no pot stood on a source last, from when to before when.
fn last_idle(source: &str, standings: &[Standing], at: Time) -> (Time, Time) {
    let mut its: Vec<&Standing> = standings.iter().filter(|s| s.source == source).collect();
    its.sort_by_key(|s| s.from);
    let there = its.last().filter(|s| s.to.is_none()).map(|s| s.from);
    let until = there.unwrap_or(end(at));
    let since = its.iter().filter_map(|s| s.to).filter(|to| *to <= until).max();
    (since.unwrap_or(Time::MIN).max(at.plus(-IDLE.0)), until)
}

/// Pots that stand on a cell which sends raw counts that weigh nothing by now, and that cell.
fn uncalibrated(
    db: &Connection,
    at: Time,
    series: &[Series],
    standings: &[Standing],
) -> Result<BTreeMap<Name, Name>, StoreError> {
    let raw =
        |source: &Name| series.iter().any(|s| s.quantity == Quantity::Count && s.source == *source);
    let on_raw: Vec<&Standing> =
        standings.iter().filter(|s| s.to.is_none() && raw(&s.source)).collect();
    if on_raw.is_empty() {
        return Ok(BTreeMap::new());
    }
    let loads = calibrations::loads(db)?;
    let weighs = |source: &Name| {
        let history = History::new(source, &loads, &[]);
        history.calibration(at).is_some_and(|calibration| calibration.curve.is_ok())
    };
    let unknown = on_raw.into_iter().filter(|s| !weighs(&s.source));
    Ok(unknown.map(|s| (s.pot.clone(), s.source.clone())).collect())
}

/// Calibrations of the cells that send raw counts, read when they are first needed.
#[derive(Default)]
struct Cells {
    facts: Option<(Vec<Load>, Vec<ZeroDrift>)>,
    histories: HashMap<Name, History>,
}

impl Cells {
    /// A cell's raw counts of that span, in grams.
    fn grams(
        &mut self,
        db: &Connection,
        cell: &Series,
        series: &[Series],
        span: (Time, Time),
    ) -> Result<Vec<Point>, StoreError> {
        let mut counts = Vec::new();
        readings::read_points(db, cell.id, span, &mut counts)?;
        self.in_grams(db, cell, series, span, &counts)
    }

    /// A cell's calibrations.
    fn history(&mut self, db: &Connection, source: &Name) -> Result<&History, StoreError> {
        if !self.histories.contains_key(source) {
            let facts = match self.facts.take() {
                Some(facts) => facts,
                None => (calibrations::loads(db)?, calibrations::drifts(db)?),
            };
            let history = History::new(source, &facts.0, &facts.1);
            self.facts = Some(facts);
            self.histories.insert(source.clone(), history);
        }
        Ok(&self.histories[source])
    }

    /// Raw counts of a cell in that span, in grams.
    fn in_grams(
        &mut self,
        db: &Connection,
        cell: &Series,
        series: &[Series],
        span: (Time, Time),
        counts: &[Point],
    ) -> Result<Vec<Point>, StoreError> {
        let history = self.history(db, &cell.source)?;
        let mut air: HashMap<&str, Vec<Point>> = HashMap::new();
        for name in history.thermometers() {
            let found = air.entry(name).or_default();
            let its = |s: &&Series| s.source == name && s.quantity == Quantity::Temperature;
            if found.is_empty()
                && let Some(one) = series.iter().find(its)
            {
                let before = (span.0.plus(-TEMPERATURE_HOLDS_S), span.1);
                readings::read_points(db, one.id, before, found)?;
            }
        }
        Ok(history.grams(counts, |name| air.get(name).map_or(&[], Vec::as_slice)))
    }
}

/// Which air a source speaks of.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Speaks<'a> {
    Of(&'a str),
    Room,
    SomeRoom,
    Other,
}

fn speaks(source: &str) -> Speaks<'_> {
    if source == "room" {
        Speaks::Room
    } else if let Some(place) = source.strip_prefix("room:") {
        Speaks::Of(place)
    } else if source.ends_with(":room") {
        Speaks::SomeRoom
    } else {
        Speaks::Other
    }
}

fn air(db: &Connection, at: Time, series: &[Series]) -> Result<BTreeMap<Name, Air>, StoreError> {
    let mut air: BTreeMap<Name, Air> = BTreeMap::new();
    for quantity in [Quantity::Temperature, Quantity::Humidity] {
        let mut found: BTreeMap<Speaks, Vec<Point>> = BTreeMap::new();
        for one in series.iter().filter(|s| s.quantity == quantity) {
            let points = found.entry(speaks(&one.source)).or_default();
            readings::read_points(db, one.id, (Time::MIN, end(at)), points)?;
        }
        let mut own_taken = false;
        for (who, mut points) in found.into_iter().filter(|(_, points)| !points.is_empty()) {
            let place = match who {
                Speaks::Of(place) => place,
                _ if own_taken => continue,
                _ => "",
            };
            own_taken |= place.is_empty();
            order(&mut points);
            let air = air.entry(place.into()).or_default();
            match quantity {
                Quantity::Temperature => air.temperature = points,
                _ => air.humidity = points,
            }
        }
    }
    Ok(air)
}
