//! Who tells that the zero of a load cell drifts: a bone-dry pot that stands on it, or nothing at
//! all.
//!
//! A zero creeps for weeks (damp, glue, a screw), and the pot on it seems to gain or lose. A pot
//! that has come into balance with the room only breathes with its humidity, by the sorption of its
//! clay; an empty cell shows its zero. Means of half a day are laid on the balance water of the
//! room's air (of then, and of the days before: clay lags behind, and wood under it), on its
//! temperature, and on time ([`super::trend`]). What is left as a slope is the cell's. The last
//! water leaves a pot ever more slowly and a zero does not, so what some dying exponential could
//! tell as well is not told.

use super::constant_mass::{APART, WITHIN};
use super::handling::{History, median};
use super::inference::model::balance;
use super::room::Room;
use super::trend::{self, Slope};
use crate::records::{Action, Cover, HandlingRow, Name, Point};
use crate::units::{DAY, HOUR, Time};

/// Width of a mean, s: day and night apart.
const HALF_DAY: f64 = 12.0 * HOUR;
/// Fewest means.
const FEWEST: usize = 16;
/// A drift is looked for over so long at most, s: what a cell did before may be over.
const LONGEST: f64 = 28.0 * DAY;
/// Free water when last weighed below which a pot may be a witness, kg/kg dry basis: a cell that
/// drifts makes a dry one seem as wet as that.
pub const DRY: f64 = 0.04;
/// A pot that still loses this share of its weight in so long is not dry yet …
const LOSES: (f64, f64) = (0.01, 3.0 * DAY);
/// … nor so long after, s.
const SETTLES: f64 = 3.0 * DAY;
/// How long the slow part of clay and wood remembers the air, s.
const REMEMBERS: f64 = 36.0 * HOUR;
/// Times in which the last water may leave, s (L²/D of bases of 8 to 15 mm that dry from one side,
/// D that of nearly dry clay; computed).
const TAILS: [f64; 3] = [1.5 * DAY, 4.0 * DAY, 12.0 * DAY];
/// A drift is told where it is no chance with this probability.
const SURE: f64 = 0.995;
/// The program's one interval level.
const LEVEL: f64 = 0.8;
/// What a witness said is believed for so long, s (common practice, no source).
pub const BELIEVED: f64 = 30.0 * DAY;
/// The mass that the drift of an empty cell is judged by, g.
const POT_G: f64 = 500.0;
/// Something that weighs more than this stands on an empty cell: a pot that nobody noted, g.
const EMPTY_G: f64 = 100.0;
/// Half a day to the next, an empty cell moves no more than this, g, and so many times what it does
/// usually: else something was put down.
const STEP: (f64, f64) = (2.0, 8.0);

/// What a witness says of a cell's zero.
#[derive(Clone, PartialEq, Debug)]
pub struct Drift {
    /// The cell.
    pub cell: Name,
    /// The pot that stood on it; `None` where nothing did.
    pub pot: Option<Name>,
    /// From when.
    pub from: Time,
    /// Until when.
    pub to: Time,
    /// What the witness weighs, g; 0 of an empty cell.
    pub load_g: f64,
    /// g a day, and how sure.
    pub per_day: Slope,
    /// Whether it is there at all, and no chance.
    pub sure: bool,
}

impl Drift {
    /// Ends of the 80 % interval, g a day.
    pub fn interval(&self) -> (f64, f64) {
        let half = self.per_day.within(LEVEL);
        (self.per_day.value - half, self.per_day.value + half)
    }

    /// `gain 0.9 g a day (80 %: 0.7 to 1.1)`.
    pub fn in_words(&self) -> String {
        let (low, high) = self.interval();
        let (word, from, to) = match self.per_day.value < 0.0 {
            true => ("lose", -high, -low),
            false => ("gain", low, high),
        };
        format!("{word} {:.1} g a day (80 %: {from:.1} to {to:.1})", self.per_day.value.abs())
    }

    /// Whether it matters for a pot of that dry clay, g: it breaks the rule of constant mass.
    pub fn matters(&self, dry_g: f64) -> bool {
        self.sure && self.per_day.value.abs() * APART / DAY > WITHIN * dry_g
    }

    /// Whether it matters for a pot of 500 g, or for one like the witness if that is heavier.
    pub fn is_told(&self) -> bool {
        self.matters(POT_G.max(self.load_g))
    }

    /// Whether it says anything: that the cell drifts, or that it does not so that it matters.
    fn speaks(&self) -> bool {
        let (from, to) = self.interval();
        self.sure || from.abs().max(to.abs()) * APART / DAY < WITHIN * POT_G
    }
}

/// What is believed of a cell: what its last witness said that says anything, unless it was
/// calibrated since.
pub fn believed<'a>(
    drifts: impl IntoIterator<Item = &'a Drift>,
    at: Time,
    calibrated: Option<Time>,
) -> Option<&'a Drift> {
    let fits = |d: &&Drift| {
        let since = calibrated.is_none_or(|from| d.from >= from);
        since && at.since(d.to) <= BELIEVED && d.speaks()
    };
    drifts.into_iter().filter(fits).max_by_key(|d| d.to)
}

/// What a pot says of the cell on which it stands, or stood last, if it is [`DRY`].
pub fn of_pot(pot: &str, rows: &[HandlingRow], history: &History, room: &Room) -> Option<Drift> {
    let (cell, from, to) = undisturbed(rows, history)?;
    let to = to.min(room.last_reading()?);
    let stood = |t: f64| t >= from && t <= to;
    let weights: Vec<_> = history.weights.iter().filter(|w| w.used && stood(w.t)).collect();
    let loses = |i: usize| {
        let (g, until) = (weights[i].g, weights[i].t + LOSES.1);
        let then = weights[i..].iter().take_while(|w| w.t <= until);
        then.map(|w| g - w.g).any(|lost| lost > LOSES.0 * g.abs())
    };
    let dry = (0..weights.len()).find(|i| !loses(*i))?;
    let from = from.max(weights[dry].t) + SETTLES;
    let points = weights.iter().filter(|w| w.t >= from.max(to - LONGEST)).map(|w| (w.t, w.g));
    let means = half_days(points, |values| values.iter().sum::<f64>() / values.len() as f64);
    let (per_day, sure) = slope(&means, room, &TAILS)?;
    let time = |of: Option<&(f64, f64)>| of.map(|(t, _)| history.start.plus(*t));
    let (from, to) = (time(means.first())?, time(means.last())?);
    Some(Drift { cell, pot: Some(pot.into()), from, to, load_g: means.last()?.1, per_day, sure })
}

/// The last stretch of time in which a pot stood open on a cell and nothing was done to it: which,
/// from when and until when, s since the history's start.
fn undisturbed(rows: &[HandlingRow], history: &History) -> Option<(Name, f64, f64)> {
    let since = |row: &HandlingRow| row.time.since(history.start);
    let quiet = |action: &Action| {
        matches!(action, Action::Verdict(_) | Action::Length(_) | Action::Outcome(_))
    };
    let done = rows.iter().filter(|row| since(row) <= history.now && !quiet(&row.action));
    let mut cuts: Vec<f64> = done.map(since).collect();
    cuts.extend(history.events.iter().map(|e| e.t));
    cuts.extend(history.found.iter().filter(|f| f.until.is_none()).map(|f| f.t));
    cuts.push(history.now);
    cuts.sort_by(f64::total_cmp);
    let on = |t: f64| {
        let last = rows.iter().rfind(|row| row.action.changes_cell() && since(row) <= t)?;
        match &last.action {
            Action::On(cell) => Some(cell.clone()),
            _ => None,
        }
    };
    let stretches = cuts.windows(2).rev().map(|ends| (ends[0], ends[1]));
    let long = stretches.filter(|(from, to)| to - from >= SETTLES + FEWEST as f64 * HALF_DAY);
    let open = |t: f64| history.keeping_at(t).cover == Cover::Open;
    long.filter(|(from, _)| open(*from)).find_map(|(from, to)| Some((on(from)?, from, to)))
}

/// What an empty cell says of itself: its readings in order of time, g, from when nothing stood on
/// it, and the room where it stands.
pub fn of_empty(cell: &str, points: &[Point], room: &Room, start: Time) -> Option<Drift> {
    let last = points.last()?.time.since(start);
    let since = |p: &Point| (p.time.since(start), p.value);
    let late = points.iter().map(since).filter(|(t, _)| *t >= last - LONGEST);
    let medians = half_days(late, median);
    if medians.len() < FEWEST {
        return None;
    }
    let mut steps: Vec<f64> = medians.windows(2).map(|w| (w[1].1 - w[0].1).abs()).collect();
    let most = STEP.0.max(STEP.1 * median(&mut steps));
    let put = medians.windows(2).rposition(|w| (w[1].1 - w[0].1).abs() > most);
    let means = &medians[put.map_or(0, |i| i + 1)..];
    if means.iter().any(|(_, g)| g.abs() > EMPTY_G) {
        return None;
    }
    let (per_day, sure) = slope(means, room, &[])?;
    let time = |of: Option<&(f64, f64)>| of.map(|(t, _)| start.plus(*t));
    let (from, to) = (time(means.first())?, time(means.last())?);
    Some(Drift { cell: cell.into(), pot: None, from, to, load_g: 0.0, per_day, sure })
}

/// Points of a line of time (s), gathered by half days: mean time, and what is made of the values.
fn half_days(
    points: impl Iterator<Item = (f64, f64)>,
    make: impl Fn(&mut [f64]) -> f64,
) -> Vec<(f64, f64)> {
    let points: Vec<(f64, f64)> = points.collect();
    let groups = points.chunk_by(|a, b| (a.0 / HALF_DAY).floor() == (b.0 / HALF_DAY).floor());
    let one = |group: &[(f64, f64)]| {
        let t = group.iter().map(|p| p.0).sum::<f64>() / group.len() as f64;
        let mut values: Vec<f64> = group.iter().map(|p| p.1).collect();
        (t, make(&mut values))
    };
    groups.map(one).collect()
}

/// The slope of means of half days, g a day, that neither air nor drying with one of these tails
/// explains, and whether it is no chance.
fn slope(means: &[(f64, f64)], room: &Room, tails: &[f64]) -> Option<(Slope, bool)> {
    if means.len() < FEWEST {
        return None;
    }
    let times: Vec<f64> = means.iter().map(|m| m.0 / DAY).collect();
    let values: Vec<f64> = means.iter().map(|m| m.1).collect();
    let air = air(means, room);
    let tail = |lasts: &f64| -> Vec<f64> {
        times.iter().map(|t| (-(t - times[0]) * DAY / lasts).exp()).collect()
    };
    let told: Option<Vec<Slope>> = std::iter::once(None)
        .chain(tails.iter().map(Some))
        .map(|lasts| {
            let causes: Vec<_> = air.iter().cloned().chain(lasts.map(tail)).collect();
            trend::slope(&times, &values, &causes)
        })
        .collect();
    let told = told?;
    let slope = trend::averaged(&told)?;
    let beyond = |s: &Slope| s.value.abs() > s.within(SURE);
    let sure = beyond(&slope) && told.iter().all(beyond);
    Some((slope, sure))
}

/// What the air does to a pot and to a cell in each of these half days; nothing where no sensor
/// tells of it.
fn air(means: &[(f64, f64)], room: &Room) -> Vec<Vec<f64>> {
    let (true, Some(first)) = (room.is_measured(), means.first()) else { return Vec::new() };
    let (mut now, mut warm, mut slow) = (Vec::new(), Vec::new(), Vec::new());
    let held = |t: f64| balance(1.0, room.between(t, t + HOUR).humidity);
    let mut t = first.0 - 3.0 * REMEMBERS;
    let mut memory = held(t);
    for (middle, _) in means {
        while t < *middle {
            memory += (held(t) - memory) * (1.0 - (-HOUR / REMEMBERS).exp());
            t += HOUR;
        }
        let climate = room.between(middle - 0.5 * HALF_DAY, middle + 0.5 * HALF_DAY);
        now.push(balance(1.0, climate.humidity));
        warm.push(climate.temperature);
        slow.push(memory);
    }
    vec![now, slow, warm]
}
