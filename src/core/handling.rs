//! The log and the trace together: what stood on the scale, how the pot was kept, what was done.
//!
//! Weighings are gathered into bins of some minutes (the median, so that a knock of one sample
//! leaves no mark) and checked against what a drying pot can do: a pot that is lifted, or
//! something left on the scale for an hour, is set aside; a step that stays and that no air could
//! have caused is explained, whether or not anybody wrote it down ([`super::found`]).

use super::exchanged::Exchange;
use super::found::{self, Find};
use super::trace;
use crate::records::{Action, Cover, HandlingRow, Point, Pot, Weighings};
use crate::units::{HOUR, Time};

/// Weights of the same time, as one: the median of a bin, or a single weighing.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Weight {
    /// Seconds since the history's start.
    pub t: f64,
    /// Net of what else stood on the scale, g.
    pub g: f64,
    /// Standard deviation of its random error, g.
    pub sd: f64,
    /// Weighings in it.
    pub count: usize,
    /// False for one that was set aside: a lift, a knock, something left on the scale.
    pub used: bool,
}

/// How a pot is kept from a moment on.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Keeping {
    /// Seconds since the history's start.
    pub from: f64,
    /// Its cover.
    pub cover: Cover,
    /// On its rim.
    pub flipped: bool,
}

/// Something done to the pot that changes its clay or its water at a stroke.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Deed {
    /// Clay cut away.
    Trim,
    /// Wet clay added, g where known.
    Attach(Option<f64>),
    /// Water brought on.
    Wet,
    /// Water taken off.
    Sponge,
}

/// A deed with its time.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Event {
    /// Seconds since the history's start.
    pub t: f64,
    /// What.
    pub deed: Deed,
    /// How sure, 0–1; 1 where it was written down.
    pub probability: f64,
    /// Share of the pot's mass that the weights on either side say was lost at that moment.
    pub step: Option<f64>,
}

/// A pot's history as one line of time.
#[derive(Clone, PartialEq, Debug)]
pub struct History {
    /// Its start: off the wheel.
    pub start: Time,
    /// The time it is looked at, seconds since the start.
    pub now: f64,
    /// Weights in order of time.
    pub weights: Vec<Weight>,
    /// Weighings behind them, and how many of those were used.
    pub readings: usize,
    /// The last weighing's time, seconds since the start.
    pub last_reading: Option<f64>,
    /// Covers and flips in order of time, the first at 0; later than `now` they are plans.
    pub keeping: Vec<Keeping>,
    /// Deeds in order of time, none later than `now`.
    pub events: Vec<Event>,
    /// What was found in the trace though nobody wrote it down, in order of time.
    pub found: Vec<Find>,
    /// With which pot it changed places, though nobody wrote that down; its weights are put right.
    pub exchanged: Option<Exchange>,
    /// Trimmed, written down or found.
    pub trimmed: bool,
    /// Packed in the kiln or lost: nothing more is to come.
    pub ended: bool,
    /// Nobody said what else stands on the scale, and the first weight is more than the clay.
    pub tare_unknown: bool,
    /// What else stands on the scale with it now, g: as it was given, or supposed.
    pub stands_g: f64,
    /// Smallest step of the scale's display, g.
    pub resolution: f64,
}

/// Bin widths, s, up to an age, s: fine while the window opens, coarse in the tail.
const BINS: [(f64, f64); 4] = [
    (24.0 * HOUR, 20.0 * 60.0),
    (72.0 * HOUR, 40.0 * 60.0),
    (240.0 * HOUR, 2.0 * HOUR),
    (f64::INFINITY, 6.0 * HOUR),
];

/// No pot on a studio's scale weighs more, g: beyond that a weight is a fault.
pub const HEAVIEST: f64 = 1e6;

impl History {
    /// What the pot weighed last before a time, g.
    pub fn weight_before(&self, t: f64) -> Option<f64> {
        self.weights.iter().rev().find(|w| w.used && w.t <= t).map(|w| w.g)
    }

    /// Brings a pot's rows and weighings together, as of `at`.
    pub fn new(pot: &Pot, rows: &[HandlingRow], weighings: &Weighings, at: Time) -> History {
        let start = pot.made_at;
        let since = |t: Time| t.since(start);
        let now = since(at);
        let ends = rows.iter().find(|r| r.action.ends());
        let end = ends.map_or(f64::INFINITY, |r| since(r.time));
        let known: Vec<Point> = weighings
            .0
            .iter()
            .filter(|p| p.time <= at && since(p.time) <= end && since(p.time) > -HOUR)
            .copied()
            .collect();
        let tares = tares(pot, rows, start);
        let tare_unknown = pot.tare_g.is_none()
            && tares.len() == 1
            && known.first().is_some_and(|p| pot.ball_g.is_some_and(|b| p.value > 1.05 * b));
        let guess = match (tare_unknown, pot.ball_g, known.first()) {
            (true, Some(ball), Some(first)) => first.value - 0.985 * ball,
            _ => 0.0,
        };
        let stands_at = |t: f64| {
            guess + tares.iter().rev().find(|(from, _)| *from <= t).map_or(0.0, |(_, g)| *g)
        };
        let stands = |p: &Point| stands_at(since(p.time));
        let net =
            |p: &Point| (since(p.time).max(0.0), (p.value - stands(p)).clamp(-HEAVIEST, HEAVIEST));
        let (events, resolution) = (logged(rows, start, now), resolution(&known));
        let mut breaks: Vec<f64> = events.iter().map(|e| e.t).collect();
        breaks.extend(tares.iter().map(|(t, _)| *t));
        // Nothing at all on the scale, or only what stands beneath the pot.
        let whole = pot.ball_g.or(known.first().map(|p| p.value - tares[0].1)).unwrap_or(0.0);
        let nothing = found::EMPTY * whole.clamp(0.0, HEAVIEST);
        let is_empty = |p: &Point| p.value.abs() < nothing || (p.value - stands(p)).abs() < nothing;
        let is_empty: Vec<bool> = known.iter().map(is_empty).collect();
        let nets: Vec<(f64, f64)> = known.iter().map(net).collect();
        let [standing, away] = apart(&nets, &is_empty);
        let mut weights = bins(&standing, &breaks, resolution);
        let aside = bins(&away, &breaks, resolution).into_iter();
        weights.extend(aside.map(|w| Weight { used: false, ..w }));
        weights.sort_by(|a, b| a.t.total_cmp(&b.t));
        let mut history = History {
            start,
            now,
            readings: known.len(),
            last_reading: known.last().map(|p| since(p.time)),
            weights,
            keeping: Vec::new(),
            trimmed: false,
            events,
            found: Vec::new(),
            exchanged: None,
            ended: end <= now,
            tare_unknown,
            stands_g: stands_at(now),
            resolution,
        };
        let covers = rows.iter().filter(|r| matches!(r.action, Action::Cover(_)));
        let empty = nets.iter().zip(&is_empty).filter(|(_, empty)| **empty);
        let trace = trace::Trace {
            ball: pot.ball_g,
            tares: &tares,
            covers: covers.map(|r| since(r.time)).collect(),
            standing: &standing,
            empty: &empty.map(|(net, _)| net.0).collect::<Vec<_>>(),
        };
        trace::check(&mut history, &trace);
        history.trimmed = history.events.iter().any(|e| e.deed == Deed::Trim);
        history.keeping = keeping(rows, &history.events, start);
        history
    }

    /// How the pot is kept at `t` seconds since the start.
    pub fn keeping_at(&self, t: f64) -> Keeping {
        let found = self.keeping.iter().rev().find(|k| k.from <= t);
        found.copied().unwrap_or(self.keeping[0])
    }
}

/// What stands on the scale with the pot, from when (s since the start), g.
fn tares(pot: &Pot, rows: &[HandlingRow], start: Time) -> Vec<(f64, f64)> {
    let mut tares = vec![(f64::NEG_INFINITY, pot.tare_g.unwrap_or(0.0))];
    tares.extend(rows.iter().filter_map(|r| match r.action {
        Action::Tare(g) => Some((r.time.since(start), g)),
        _ => None,
    }));
    tares
}

/// Deeds as they were written down, up to `now`.
fn logged(rows: &[HandlingRow], start: Time, now: f64) -> Vec<Event> {
    let deed = |action: &Action| match action {
        Action::Trim => Some(Deed::Trim),
        Action::Attach(g) => Some(Deed::Attach(*g)),
        Action::Wet => Some(Deed::Wet),
        Action::Sponge => Some(Deed::Sponge),
        _ => None,
    };
    let events = rows.iter().filter_map(|r| {
        let t = r.time.since(start).max(0.0);
        deed(&r.action).filter(|_| t <= now).map(|deed| Event {
            t,
            deed,
            probability: 1.0,
            step: None,
        })
    });
    events.collect()
}

/// A flip noted, or planned, within the working day of a trim is the turning for it, s (common
/// practice, no source).
const TURNED_WITHIN: f64 = 8.0 * HOUR;

/// Covers and flips along time, plans included. A pot is trimmed upside down and left so, whether
/// or not somebody wrote down that it was turned (common practice, no source). A flip in the hours
/// after the trim of a pot that stood on its foot is the turning for that trim, not a second one.
fn keeping(rows: &[HandlingRow], events: &[Event], start: Time) -> Vec<Keeping> {
    enum Change {
        Cover(Cover),
        Turn,
        Trim,
    }
    let mut changes: Vec<(f64, Change)> = Vec::new();
    for row in rows {
        let t = row.time.since(start).max(0.0);
        match row.action {
            Action::Cover(cover) => changes.push((t, Change::Cover(cover))),
            Action::Flip => changes.push((t, Change::Turn)),
            _ => {}
        }
    }
    let trims = events.iter().filter(|e| e.deed == Deed::Trim);
    changes.extend(trims.map(|e| (e.t, Change::Trim)));
    changes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut line = vec![Keeping { from: 0.0, cover: Cover::Open, flipped: false }];
    let mut turning_until = f64::NEG_INFINITY;
    for (t, change) in changes {
        let last = line[line.len() - 1];
        let mut next = Keeping { from: t, ..last };
        match change {
            Change::Cover(cover) => next.cover = cover,
            Change::Turn if t < turning_until => turning_until = f64::NEG_INFINITY,
            Change::Turn => next.flipped = !last.flipped,
            Change::Trim => {
                if !last.flipped {
                    turning_until = t + TURNED_WITHIN;
                }
                next.flipped = true;
            }
        }
        line.push(next);
    }
    line
}

/// The scale's smallest step, from the digits of what it said, g.
fn resolution(known: &[Point]) -> f64 {
    let whole = |step: f64| {
        known.iter().take(200).all(|p| ((p.value / step).round() * step - p.value).abs() < 1e-6)
    };
    [5.0, 2.0, 1.0, 0.5, 0.1, 0.05].into_iter().find(|s| whole(*s)).unwrap_or(0.01)
}

/// Width of the bins at an age, s.
pub fn bin_width(t: f64) -> f64 {
    BINS.iter().find(|(age, _)| t < *age).map_or(HOUR, |(_, w)| *w)
}

/// The bin that an age belongs to.
pub fn bin_of(t: f64) -> (Option<usize>, i64) {
    (BINS.iter().position(|(age, _)| t < *age), (t / bin_width(t)).floor() as i64)
}

/// Weighings of a pot on its scale, and those of a scale without it, so that no bin mixes them. One
/// alone that shows nothing is a knock like any other.
fn apart(nets: &[(f64, f64)], is_empty: &[bool]) -> [Vec<(f64, f64)>; 2] {
    let empty = |k: Option<usize>| k.and_then(|k| is_empty.get(k)) == Some(&true);
    let is_away = |k: usize| is_empty[k] && (empty(k.checked_sub(1)) || empty(k.checked_add(1)));
    let of = |away: bool| {
        let these = (0..nets.len()).filter(|k| is_away(*k) == away);
        these.map(|k| nets[k]).collect::<Vec<_>>()
    };
    [of(false), of(true)]
}

/// Gathers weighings (t, net g) into bins that no break divides.
fn bins(net: &[(f64, f64)], breaks: &[f64], resolution: f64) -> Vec<Weight> {
    let side = |t: f64| breaks.iter().filter(|b| **b <= t).count();
    let mut out = Vec::new();
    let mut i = 0;
    while i < net.len() {
        let mut j = i + 1;
        while j < net.len()
            && bin_of(net[j].0) == bin_of(net[i].0)
            && side(net[j].0) == side(net[i].0)
        {
            j += 1;
        }
        out.extend(bin(&net[i..j], resolution));
        i = j;
    }
    out
}

/// Standard deviation of the random error of weights, however many: rounding of the display
/// (JCGM 100 F.2.2.1: d/√12), and what putting a pot down costs, g.
fn floor(resolution: f64) -> f64 {
    (resolution * resolution / 12.0 + 0.05_f64.powi(2)).sqrt()
}

/// The same of a single weighing, g.
pub fn single_sd(g: f64, resolution: f64) -> f64 {
    floor(resolution).hypot(1e-4 * g.abs())
}

/// One bin: its median with its error; two weighings stay apart, and so do those of a bin in which
/// the pot was lifted or put down.
fn bin(net: &[(f64, f64)], resolution: f64) -> Vec<Weight> {
    let single = |(t, g): &(f64, f64)| {
        let sd = single_sd(*g, resolution);
        Weight { t: *t, g: *g, sd, count: 1, used: true }
    };
    if net.len() < 3 {
        return net.iter().map(single).collect();
    }
    let mut values: Vec<f64> = net.iter().map(|(_, g)| *g).collect();
    let g = median(&mut values);
    let mut off: Vec<f64> = values.iter().map(|v| (v - g).abs()).collect();
    let spread = 1.4826 * median(&mut off);
    // The median's own time: that of the middle weighing, since a drying pot only falls.
    let t = 0.5 * (net[(net.len() - 1) / 2].0 + net[net.len() / 2].0);
    // Three are too few for a majority: one of them may be the first after a trim.
    let outvoted = net.len() == 3 && values.iter().any(|v| (v - g).abs() > 0.02 * g.abs());
    if outvoted || spread > 0.02 * g.abs() {
        return net.iter().map(single).collect();
    }
    let sd = floor(resolution).hypot(1.25 * spread / (net.len() as f64).sqrt());
    vec![Weight { t, g, sd, count: net.len(), used: true }]
}

/// The middle value, or the mean of the two middle ones, of one at least; puts them in order.
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    0.5 * (values[(n - 1) / 2] + values[n / 2])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{self, history};

    /// Whether the pot stands on its rim at the end, after these deeds at these hours.
    fn on_its_rim(deeds: &[(f64, Action)]) -> bool {
        let time = |hours: f64| Time(0).plus(hours * HOUR);
        let row = |(hours, action): &(f64, Action)| HandlingRow {
            time: time(*hours),
            pot: "jar-1".into(),
            action: action.clone(),
        };
        let rows: Vec<HandlingRow> = deeds.iter().map(row).collect();
        let events = logged(&rows, time(0.0), 100.0 * HOUR);
        keeping(&rows, &events, time(0.0)).last().is_some_and(|k| k.flipped)
    }

    #[test]
    fn the_turning_for_a_trim_is_counted_once() {
        use Action::{Flip, Trim};
        assert!(on_its_rim(&[(20.0, Trim)]));
        // Noted with it, a few minutes later, or planned for the same day: on its rim all the same.
        assert!(on_its_rim(&[(20.0, Trim), (20.0, Flip)]));
        assert!(on_its_rim(&[(20.0, Trim), (20.1, Flip)]));
        assert!(on_its_rim(&[(20.0, Trim), (26.0, Flip)]));
        // A second flip, one much later, or one of a pot that was turned before: back on its foot.
        assert!(!on_its_rim(&[(20.0, Trim), (20.1, Flip), (20.2, Flip)]));
        assert!(!on_its_rim(&[(20.0, Trim), (30.0, Flip)]));
        assert!(!on_its_rim(&[(10.0, Flip), (20.0, Trim), (20.1, Flip)]));
    }

    fn pot(tare_g: Option<f64>) -> Pot {
        Pot { tare_g, wall_mm: None, base_mm: None, ..by_hand::pot() }
    }

    /// What a pot that loses 6 g an hour weighs, g.
    fn falling(hours: f64) -> f64 {
        590.0 - 6.0 * hours
    }

    /// A day on a cell that speaks every five minutes; `other` tells what it says instead.
    fn day(other: impl Fn(f64) -> Option<f64>) -> Vec<(f64, f64)> {
        let times = (0..=288).map(|k| f64::from(k) / 12.0);
        times.map(|t| (t, other(t).unwrap_or(falling(t)))).collect()
    }

    fn trims(history: &History) -> Vec<&Event> {
        history.events.iter().filter(|e| e.deed == Deed::Trim).collect()
    }

    #[test]
    fn a_knock_of_one_sample_leaves_no_mark() {
        let calm = history(&pot(None), &[], &day(|_| None), 24.0);
        assert!(calm.weights.len() > 60 && calm.readings == 289);
        for grams in [0.0, 300.0, 900.0, -4000.0] {
            let weights = day(|t| (t == 10.5).then_some(grams));
            let knocked = history(&pot(None), &[], &weights, 24.0);
            assert_eq!(knocked.weights.len(), calm.weights.len());
            for (a, b) in knocked.weights.iter().zip(&calm.weights) {
                // What a drying pot loses between two samples.
                assert!(a.used && (a.g - b.g).abs() <= 0.5, "{grams}: {a:?}, {b:?}");
            }
            assert_eq!(trims(&knocked).len(), 0);
        }
    }

    #[test]
    fn a_pot_that_is_lifted_is_set_aside() {
        // Lifted; a mug left beside it; half leaning on the wall. An hour each, and then as before.
        let spoils: [fn(f64) -> f64; 3] = [|_| 0.3, |t| falling(t) + 80.0, |t| 0.7 * falling(t)];
        for spoil in spoils {
            let away = |t: f64| (10.0..11.0).contains(&t);
            let weights = day(|t| away(t).then(|| spoil(t)));
            let lifted = history(&pot(None), &[], &weights, 24.0);
            for w in &lifted.weights {
                assert_eq!(w.used, (w.g - falling(w.t / HOUR)).abs() < 1.0, "{w:?}");
            }
            let aside = lifted.weights.iter().filter(|w| !w.used).count();
            assert!((3..=4).contains(&aside), "{aside} of {}", lifted.weights.len());
            assert_eq!(trims(&lifted).len(), 0);
            assert!(!lifted.trimmed);
        }
    }

    #[test]
    fn a_trim_that_nobody_noted_is_found_with_its_share() {
        for share in [0.05, 0.12, 0.30] {
            let cut = |t: f64| (t >= 10.2).then(|| (1.0 - share) * falling(t));
            let found = history(&pot(None), &[], &day(cut), 24.0);
            let [trim] = trims(&found)[..] else { panic!("{share}: {:?}", found.events) };
            assert!((trim.t / HOUR - 10.2).abs() < 0.4, "{share}: {trim:?}");
            assert!((trim.step.unwrap() - share).abs() < 0.005, "{share}: {trim:?}");
            assert!((0.5..1.0).contains(&trim.probability), "{share}: {trim:?}");
            assert!(found.trimmed && found.weights.iter().all(|w| w.used));
            // A pot is trimmed upside down.
            assert!(found.keeping_at(12.0 * HOUR).flipped && !found.keeping_at(9.0 * HOUR).flipped);
        }
    }

    #[test]
    fn a_trim_before_a_long_silence_is_where_the_pot_was_lifted() {
        // Lifted at 10:00, seen once with nothing on the cell, which then is silent for nine hours.
        let cut = |t: f64| if t >= 19.0 { 0.88 * falling(t) } else { falling(t) };
        let mut weights = day(|t| Some(if (10.0..10.1).contains(&t) { 0.2 } else { cut(t) }));
        weights.retain(|(t, _)| !(10.1..19.0).contains(t));
        let found = history(&pot(None), &[], &weights, 24.0);
        let [trim] = trims(&found)[..] else { panic!("{:?}", found.events) };
        assert!((trim.t / HOUR - 10.2).abs() < 0.5, "{trim:?}");
    }

    #[test]
    fn a_noted_trim_is_moved_to_its_step() {
        let cut = |t: f64| (t >= 10.2).then(|| 0.88 * falling(t));
        for noted in [9.0, 10.2, 11.5] {
            let moved = history(&pot(None), &[(noted, Action::Trim)], &day(cut), 24.0);
            let [trim] = trims(&moved)[..] else { panic!("{noted}: {:?}", moved.events) };
            assert!((trim.t / HOUR - 10.2).abs() < 0.4, "{noted}: {trim:?}");
            assert!((trim.step.unwrap() - 0.12).abs() < 0.005, "{noted}: {trim:?}");
            assert_eq!(trim.probability, 1.0);
        }
        // One that the weights do not show stays where it was noted.
        let stays = history(&pot(None), &[(10.2, Action::Trim)], &day(|_| None), 24.0);
        let [trim] = trims(&stays)[..] else { panic!("{:?}", stays.events) };
        assert!((trim.t / HOUR - 10.2).abs() < 1e-9 && trim.step.is_none(), "{trim:?}");
    }

    #[test]
    fn two_weighings_hours_apart_tell_of_no_trim() {
        for hours in [3.0, 9.0, 24.0] {
            for share in [0.03, 0.08, 0.15, 0.25, 0.40] {
                let weights = [(0.1, 592.0), (0.1 + hours, 592.0 * (1.0 - share))];
                let seldom = history(&pot(None), &[], &weights, 40.0);
                assert_eq!(seldom.events, [], "{hours} h, {share}");
                assert!(seldom.weights.iter().all(|w| w.used && w.count == 1));
            }
        }
    }

    #[test]
    fn weighed_before_and_after_a_trim_is_seen_and_moved_there() {
        let weights = [(0.1, 592.0), (8.0, 545.0), (8.25, 485.0), (12.0, 462.0), (30.0, 440.0)];
        let found = history(&pot(None), &[], &weights, 40.0);
        let [trim] = trims(&found)[..] else { panic!("{:?}", found.events) };
        assert!((trim.step.unwrap() - 0.11).abs() < 0.005 && trim.probability < 1.0, "{trim:?}");
        for noted in [2.0, 8.1, 12.5, 19.0] {
            let moved = history(&pot(None), &[(noted, Action::Trim)], &weights, 40.0);
            let [trim] = trims(&moved)[..] else { panic!("{noted}: {:?}", moved.events) };
            assert!((8.0..8.25).contains(&(trim.t / HOUR)), "{noted}: {trim:?}");
            assert_eq!(trim.probability, 1.0);
        }
        // Weighed twice before it, all within a quarter of an hour.
        let twice = [(0.1, 592.0), (8.0, 545.0), (8.1, 544.5), (8.25, 485.0), (30.0, 440.0)];
        assert_eq!(trims(&history(&pot(None), &[], &twice, 40.0)).len(), 1);
        // Noted on another day it is another trim.
        let other = history(&pot(None), &[(30.0, Action::Trim)], &weights, 40.0);
        assert_eq!(trims(&other).len(), 2);
        // A weight mistyped that is put right an hour later.
        let typo = [(0.1, 592.0), (8.0, 545.0), (8.25, 445.0), (9.0, 540.0), (12.0, 525.0)];
        let typo = history(&pot(None), &[], &typo, 40.0);
        assert_eq!((trims(&typo).len(), typo.weights[2].used), (0, false));
    }

    #[test]
    fn tares_count_from_their_time_on() {
        let weights = day(|t| Some(falling(t) + if t < 10.0 { 180.0 } else { 35.0 }));
        let rows = [(10.0, Action::Tare(35.0))];
        let changed = history(&pot(Some(180.0)), &rows, &weights, 24.0);
        assert!(!changed.tare_unknown);
        assert_eq!(trims(&changed).len(), 0);
        for w in &changed.weights {
            assert!(w.used && (w.g - falling(w.t / HOUR)).abs() < 0.5, "{w:?}");
        }
    }

    #[test]
    fn a_tare_that_nobody_gave_is_noticed() {
        let weights = day(|t| Some(falling(t) + 180.0));
        let silent = history(&pot(None), &[], &weights, 24.0);
        assert!(silent.tare_unknown);
        // Supposed: the pot weighs what the ball did, less the slip.
        assert!((silent.weights[0].g - 0.985 * 600.0).abs() < 3.0, "{:?}", silent.weights[0]);
        assert!(silent.weights.iter().all(|w| w.used));
        for told in [
            history(&pot(Some(180.0)), &[], &weights, 24.0),
            history(&pot(None), &[(0.0, Action::Tare(180.0))], &weights, 24.0),
            history(&pot(None), &[], &day(|_| None), 24.0),
        ] {
            assert!(!told.tare_unknown);
        }
    }

    #[test]
    fn a_weight_beyond_reason_is_set_aside() {
        let mut unknown = pot(None);
        unknown.ball_g = None;
        for grams in [0.0, -30.0, 1e300, f64::MAX, -f64::MAX] {
            let weights: Vec<_> = (0..9).map(|k| (f64::from(k), grams)).collect();
            for pot in [&unknown, &pot(None), &pot(Some(-1e300))] {
                let odd = history(pot, &[], &weights, 24.0);
                assert!(
                    odd.weights.iter().all(|w| !w.used && w.g.is_finite()),
                    "{:?}",
                    odd.weights
                );
                assert_eq!(odd.readings, 9);
            }
        }
    }

    #[test]
    fn covers_and_flips_follow_each_other_and_the_plan() {
        let rows = [
            (2.0, Action::Cover(Cover::Draped)),
            (14.0, Action::Cover(Cover::Open)),
            (16.0, Action::Flip),
            (20.0, Action::Cover(Cover::Wrapped)),
            (30.0, Action::Cover(Cover::Open)),
            (34.0, Action::Flip),
        ];
        let known = history(&pot(None), &rows, &[], 24.0);
        let at = |hours: f64| {
            let k = known.keeping_at(hours * HOUR);
            (k.cover, k.flipped)
        };
        assert_eq!(at(0.0), (Cover::Open, false));
        assert_eq!(at(2.0), (Cover::Draped, false));
        assert_eq!(at(13.9), (Cover::Draped, false));
        assert_eq!(at(15.0), (Cover::Open, false));
        assert_eq!(at(16.0), (Cover::Open, true));
        assert_eq!(at(24.0), (Cover::Wrapped, true));
        // Planned.
        assert_eq!(at(33.0), (Cover::Open, true));
        assert_eq!(at(40.0), (Cover::Open, false));
        assert_eq!(known.events, []);
        // Turned twice at the same moment is as it was.
        let twice = history(&pot(None), &[(5.0, Action::Flip), (5.0, Action::Flip)], &[], 24.0);
        assert!(!twice.keeping_at(6.0 * HOUR).flipped);
    }

    #[test]
    fn nothing_counts_after_the_kiln() {
        let weights = day(|t| (t > 20.0).then_some(0.0));
        let packed = history(&pot(None), &[(20.0, Action::Kiln)], &weights, 24.0);
        assert!(packed.ended);
        assert_eq!(packed.readings, 241);
        assert!(packed.weights.iter().all(|w| w.used));
    }
}
