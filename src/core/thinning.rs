//! Few readings in the place of many, of a pot that is long finished.
//!
//! A pot's fit never sees single weighings of a cell that speaks all the time, but one weight for
//! each bin of its age ([`super::handling`]): the median, at its time, with an error from spread
//! and number. In the place of a quiet bin come three readings that have the same median, at the
//! same time, and the same error. A bin that is not quiet (a lift, a knock, a step), one that a
//! note or a question to the past divides, the first weighings, which tell the scale's steps, and
//! the last stay as they are. The air counts by its means of five minutes ([`super::room`]): there
//! the mean comes in the place of what it was made from, save where a pot's last weighing divides
//! that. So a room with one sensor is the same air to the last bit, and no pot need be asked.
//!
//! Whether that leaves the answers where they were is not taken on trust: [`change`] asks the pot's
//! questions anew, those of the past as of then, and what it teaches; but none of which all that
//! its answer is made of is the same.
//! Widths and limits are the project's own judgement, no source, save where one is named.

use super::assessment::{Assessment, Wanted};
use super::correction::Corrections;
use super::handling::{bin_of, bin_width, median};
use super::hindsight::{self, Hindsight};
use super::inference::lessons::{Expected, Lessons};
use super::record::questions;
use super::report::{PotAnswer, Quantiles, TimeQuantiles};
use super::room::{mean_of, stretch};
use super::sample;
use crate::records::{Action, HandlingRow, Point, Pot, Studio};
use crate::units::{DAY, Time};
use std::ops::Range;

/// Readings stay as they are until their pot has been finished for so long, s.
pub const RAW_FOR: f64 = 60.0 * DAY;
/// A pot of which nobody said that it is finished counts as such after so long a silence, s.
const SILENCE: f64 = 60.0 * DAY;
/// The air of so long before a pot was made counts for it (its daily pattern), s.
pub const AIR_BEFORE: f64 = 8.0 * DAY;

/// Two neighbours that differ by more than this share, and by more than so many times what
/// neighbours differ by, are no drying: what lies around them stays.
const JUMP: (f64, f64) = (0.003, 8.0);
/// So far around, in widths of the bin and at most, s.
const AROUND: (f64, f64) = (1.0, 1800.0);
/// A bin in which the middle eight of ten weighings differ by more than this share is not quiet.
const QUIET: f64 = 0.03;
/// A scale's steps are told by so many of the first weighings.
const FIRST: usize = 200;

/// Readings that come in the place of others.
#[derive(Clone, PartialEq, Debug)]
pub struct Instead {
    /// Where those are, of all that were looked at.
    pub of: Range<usize>,
    /// What comes in their place, in order of time.
    pub come: Vec<Point>,
}

/// From when on a pot's readings may be thinned, if ever: it was packed, lost or done with, or
/// nobody has said anything of it for long, and that a while ago.
pub fn due(studio: &Studio, pot: &str) -> Option<Time> {
    let made_at = studio.pots.get(pot)?.made_at;
    let rows = studio.handling.get(pot).map_or(&[][..], Vec::as_slice);
    let ends = |row: &&HandlingRow| {
        matches!(row.action, Action::Kiln | Action::Lost(_) | Action::Outcome(_))
    };
    let weighed = studio.weighings.get(pot).and_then(|all| all.0.last()).map(|p| p.time);
    let said = rows.iter().map(|row| row.time).chain(weighed).fold(made_at, Time::max);
    let finished = rows.iter().find(ends).map_or(said.plus(SILENCE), |row| row.time);
    Some(finished.plus(RAW_FOR))
}

/// What comes in the place of weighings that one source said of a pot, in order of time.
pub fn weighings(studio: &Studio, pot: &str, points: &[Point]) -> Vec<Instead> {
    let Some(made_at) = studio.pots.get(pot).map(|pot| pot.made_at) else { return Vec::new() };
    let age = |time: Time| time.since(made_at);
    let rows = studio.handling.get(pot).map_or(&[][..], Vec::as_slice);
    let mut marks: Vec<f64> = rows.iter().map(|row| age(row.time)).collect();
    let last = points.last().map_or(made_at, |p| p.time);
    // Whichever pot is asked about as of a time, what this one taught by then counts, and the
    // readings of that time are known.
    for other in studio.pots.values() {
        marks.extend(questions(other.made_at, last).map(|time| age(time) + 1e-3));
    }
    let stays = around_jumps(points, |p| bin_width(age(p.time).max(0.0)));
    let mut out = Vec::new();
    let mut end = 0;
    for bin in points.chunk_by(|a, b| bin_of(age(a.time)) == bin_of(age(b.time))) {
        let of = end..end + bin.len();
        end = of.end;
        let (from, to) = (age(bin[0].time), age(bin[bin.len() - 1].time));
        let divided = marks.iter().any(|mark| *mark > from && *mark <= to);
        let at_an_end = of.start < FIRST || end == points.len() || from < 0.0;
        let raw = at_an_end || stays[of.clone()].contains(&true);
        if !divided && !raw {
            out.extend(three(bin).map(|come| Instead { of, come: come.to_vec() }));
        }
    }
    out
}

/// Three weighings with the median of a quiet bin, at its time, and with its error.
fn three(bin: &[Point]) -> Option<[Point; 3]> {
    let n = bin.len();
    let mut values: Vec<f64> = bin.iter().map(|p| p.value).collect();
    let value = median(&mut values);
    if n <= 4 || values[n - 1 - n / 10] - values[n / 10] > QUIET * value.abs() {
        return None;
    }
    let mut off: Vec<f64> = values.iter().map(|v| (v - value).abs()).collect();
    // The error of a median goes with the deviation over the root of the number.
    let apart = median(&mut off) * (3.0 / n as f64).sqrt();
    let (a, b) = ((n - 1) / 2, n / 2);
    let middle = Time(bin[a].time.0 + (bin[b].time.0 - bin[a].time.0) / 2);
    let at = |time, value| Point { time, value };
    // A drying pot falls; and nobody who looks as of a time within the bin sees it lighter than it
    // was: they stand where it weighed so much.
    let three =
        [at(bin[a - 1].time, value + apart), at(middle, value), at(bin[b + 1].time, value - apart)];
    three.is_sorted_by(|a, b| a.time < b.time).then_some(three)
}

/// Which weighings lie around two neighbours between which something happened that is no knock of
/// one or two.
fn around_jumps(points: &[Point], width: impl Fn(&Point) -> f64) -> Vec<bool> {
    let mut around = vec![false; points.len()];
    let calm = |i: usize| {
        let near = &points[i.saturating_sub(2)..(i + 3).min(points.len())];
        median(&mut near.iter().map(|p| p.value).collect::<Vec<_>>())
    };
    let calm: Vec<f64> = (0..points.len()).map(calm).collect();
    let steps: Vec<f64> = calm.windows(2).map(|p| (p[1] - p[0]).abs()).collect();
    if steps.is_empty() {
        return around;
    }
    let usual = median(&mut steps.clone());
    for (i, step) in steps.iter().enumerate() {
        let (a, b) = (&points[i], &points[i + 1]);
        let large = JUMP.0 * a.value.abs().max(b.value.abs());
        if *step <= large.max(JUMP.1 * usual) {
            continue;
        }
        let far = (AROUND.0 * width(a)).min(AROUND.1);
        let first = points.partition_point(|p| p.time < a.time.plus(-far));
        let end = points.partition_point(|p| p.time <= b.time.plus(far));
        around[first..end].fill(true);
    }
    around
}

/// What comes in the place of a series of air, or of a scale on which no pot stood. `last`: when
/// pots were weighed last, in order of time; they are asked about as of then.
pub fn sparse(points: &[Point], last: &[Time]) -> Vec<Instead> {
    let mut out = Vec::new();
    let mut end = 0;
    for group in points.chunk_by(|a, b| stretch(a.time) == stretch(b.time)) {
        let of = end..end + group.len();
        end = of.end;
        let (from, to) = (group[0].time, group[group.len() - 1].time);
        let divided = last.get(last.partition_point(|t| *t < from)).is_some_and(|t| *t < to);
        if group.len() > 1 && !divided {
            out.push(Instead { of, come: vec![mean_of(group)] });
        }
    }
    out
}

/// When a pot that was weighed last at some time is asked about.
fn asked(made_at: Time, last: Time) -> impl Iterator<Item = Time> {
    questions(made_at, last).chain([last])
}

/// Whether two studios that differ in their air alone have the same for a pot, at each time at
/// which it is asked about: then none of its answers moves. `last`: when it was weighed last.
pub fn same_air(a: &Studio, b: &Studio, pot: &str, last: Time) -> bool {
    let Some(made_at) = a.pots.get(pot).map(|pot| pot.made_at) else { return true };
    let mut times = asked(made_at, last).chain([a.at]);
    sample::say_the_same(a, b) && times.all(|at| same_air_then(a, b, pot, at))
}

fn same_air_then(a: &Studio, b: &Studio, pot: &str, at: Time) -> bool {
    let room = |studio, pot: &Pot| super::surroundings(studio, pot, at.since(pot.made_at));
    let same = |pot: &Pot| room(a, pot) == room(b, pot);
    a.family(pot).into_iter().all(same)
}

/// Whether all but samples is the same that an answer about a pot is made of as of a time, in two
/// studios that differ in what they keep of the same readings.
fn same_then(a: &Studio, b: &Studio, pot: &str, at: Time) -> bool {
    let same = |pot: &Pot| {
        let [a, b] = [a, b].map(|studio| {
            let all = studio.weighings.get(&pot.name).map_or(&[][..], |all| &all.0);
            &all[..all.partition_point(|p| p.time <= at)]
        });
        a == b
    };
    a.family(pot).into_iter().all(same) && same_air_then(a, b, pot, at)
}

/// The largest change of what is told of a finished pot from one studio to another that differs in
/// what it keeps of the same readings, as a part of the interval that it happened to: at the end,
/// at the times of its past at which it is asked about, of its past in hindsight, and of what it
/// teaches. Infinite where one says something that the other does not. `lessons`: what pots teach.
/// Once something moves by more than it `may`, nothing more is asked.
pub fn change([before, after]: [&Studio; 2], lessons: &Lessons, pot: &str, may: f64) -> f64 {
    let last = |studio: &Studio| studio.weighings.get(pot)?.0.last().map(|p| p.time);
    let made_at = before.pots.get(pot).map(|pot| pot.made_at);
    let mut most = Most(0.0);
    let (Some(made_at), Some(end)) = (made_at, last(before)) else {
        return if last(after).is_none() { 0.0 } else { f64::INFINITY };
    };
    let times: Vec<Time> = questions(made_at, end).collect();
    let samples_say_the_same = sample::say_the_same(before, after);
    let same = |at| samples_say_the_same && same_then(before, after, pot, at);
    // What it teaches first: one fit, where all the rest are many.
    if !same(before.at) {
        let [a, b] = [before, after].map(|studio| taught(studio, pot));
        most.maybe(&a, &b, Most::taught);
    }
    for at in asked(made_at, end) {
        if most.0 > may {
            break;
        }
        if same(at) {
            continue;
        }
        let past = (at == end).then_some(&times[..]);
        let [a, b] = [before, after].map(|studio| told(studio, lessons, pot, at, past));
        most.maybe(&a, &b, |most, (a, b)| {
            most.maybe(&a.0, &b.0, |most, (a, b)| most.answer(a, b));
            most.maybe(&a.1, &b.1, Most::past);
        });
    }
    most.0
}

/// What is told of a pot as of a time; and of its past, where that is asked about at some times.
fn told(
    studio: &Studio,
    lessons: &Lessons,
    pot: &str,
    at: Time,
    past: Option<&[Time]>,
) -> Option<(Option<PotAnswer>, Option<Hindsight>)> {
    let then = hindsight::then(studio, pot, at);
    let wanted = Wanted { past, ..Wanted::default() };
    let assessment = Assessment::new(&then, lessons, pot, &wanted)?;
    Some((assessment.answer(&then, &Corrections::default()), assessment.past))
}

/// What a pot teaches.
fn taught(studio: &Studio, pot: &str) -> Option<Expected> {
    let lesson = super::lesson(studio, pot)?;
    let (body, lot) = (lesson.body.clone(), lesson.lot.clone());
    let bag = super::priors::bag_water_dry(studio.bodies.get(&body));
    Some(Lessons::new(vec![lesson]).expect(&body, lot.as_ref(), bag, true))
}

/// Below this a change of water is none, kg/kg, of a mass, g, and of a time, s: they are told no
/// finer by a hundred times.
const NONE: (f64, f64, f64) = (1e-6, 1e-3, 10.0);

/// The largest change so far.
struct Most(f64);

impl Most {
    fn see(&mut self, change: f64, width: f64, none: f64) {
        if change > none {
            self.0 = self.0.max(change / width.max(none));
        }
    }

    fn maybe<T>(&mut self, a: &Option<T>, b: &Option<T>, see: impl FnOnce(&mut Most, (&T, &T))) {
        match (a, b) {
            (Some(a), Some(b)) => see(self, (a, b)),
            (None, None) => {}
            _ => self.0 = f64::INFINITY,
        }
    }

    fn both<T>(&mut self, a: &[T], b: &[T], see: impl Fn(&mut Most, (&T, &T))) {
        if a.len() != b.len() {
            self.0 = f64::INFINITY;
        }
        a.iter().zip(b).for_each(|pair| see(self, pair));
    }

    fn quantiles(&mut self, a: &Quantiles, b: &Quantiles, none: f64) {
        for (a_q, b_q) in [(a.p10, b.p10), (a.p50, b.p50), (a.p90, b.p90)] {
            self.see((a_q - b_q).abs(), a.p90 - a.p10, none);
        }
    }

    fn times(&mut self, a: &TimeQuantiles, b: &TimeQuantiles) {
        let width = match (a.p10, a.p90) {
            (Some(from), Some(to)) => to.since(from),
            // Its end lies beyond the horizon: so does its width.
            _ => DAY,
        };
        for pair in [(a.p10, b.p10), (a.p50, b.p50), (a.p90, b.p90)] {
            self.maybe(&pair.0, &pair.1, |most, (a, b)| {
                most.see(a.since(*b).abs(), width, NONE.2);
            });
        }
    }

    fn answer(&mut self, a: &PotAnswer, b: &PotAnswer) {
        self.quantiles(&a.water.now, &b.water.now, NONE.0);
        self.quantiles(&a.water.free, &b.water.free, NONE.0);
        self.quantiles(&a.dry_mass_g, &b.dry_mass_g, NONE.1);
        self.times(&a.trim.opens, &b.trim.opens);
        self.times(&a.trim.closes, &b.trim.closes);
        self.times(&a.fire.bone_dry, &b.fire.bone_dry);
        let calls = |of: &PotAnswer| (of.stage, of.trim.call, of.fire.call, of.found.len());
        if calls(a) != calls(b) {
            self.0 = f64::INFINITY;
        }
    }

    fn taught(&mut self, (a, b): (&Expected, &Expected)) {
        self.both(a, b, |most, ((_, mean, sd), (_, other, other_sd))| {
            // 80 % of a normal distribution lie within 1.2816 standard deviations.
            let width = 2.0 * 1.2816 * sd;
            most.see((mean - other).abs().max((sd - other_sd).abs()), width, 1e-12);
        });
    }

    fn past(&mut self, (a, b): (&Hindsight, &Hindsight)) {
        self.times(&a.opens, &b.opens);
        self.times(&a.closes, &b.closes);
        self.times(&a.bone_dry, &b.bone_dry);
        self.both(&a.water, &b.water, |most, (a, b)| most.quantiles(a, b, NONE.0));
        if (a.until, a.deeds.len(), &a.dryness) != (b.until, b.deeds.len(), &b.dryness) {
            self.0 = f64::INFINITY;
        }
    }
}
