//! A pot's draws sent ahead under other covers than the log has planned: what plans are made of.
//!
//! All ways of keeping a pot share its draws, the coming air and the chance of each step (common
//! random numbers: Glasserman & Yao, *Management Science* 38 (1992) 884): two of them differ by
//! what is done alone. Nothing is fitted again. A search goes through some of the draws, in longer
//! steps; all of them, in the steps of a forecast, tell what comes of what was found.

use super::drying::{LANES, StepKeeping};
use super::forecast::{Ask, Band, Batch, Brought, Going, HORIZON, Humidity, STEPS, each_batch};
use super::handling::{History, Keeping};
use super::inference::model::{self, Span};
use super::inference::posterior::Posterior;
use super::room::Room;
use super::uneven::tolerance::{Stands, Tolerance};
use crate::records::Cover;
use crate::units::HOUR;
use rand::SeedableRng;
use rand::rngs::StdRng;

/// Steps of a search, s, up to an age, s.
const ROUGH: [(f64, f64); 2] = [(48.0 * HOUR, HOUR), (f64::INFINITY, 3.0 * HOUR)];
/// A search takes every so-manieth batch of draws.
const EVERY: usize = 4;
/// Two times of this distance are the same, s.
const SAME: f64 = 1.0;

/// What can be done to a pot ahead.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Doing {
    /// Kept so from then on.
    Cover(Cover),
    /// Stood on its rim, or back on its foot.
    Flip,
}

/// What is done, and when.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Change {
    /// Seconds from now.
    pub at: f64,
    /// What.
    pub doing: Doing,
}

/// What comes of one draw: times in seconds from now, infinite where they do not come within the
/// time that is looked at.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Course {
    /// How likely it is against the others.
    pub weight: f64,
    /// When its trimming window opens.
    pub opens: f64,
    /// When it closes.
    pub closes: f64,
    /// When it is dry; infinite too where that was not of interest.
    pub bone_dry: f64,
    /// How likely it cracks or warps on the worst day of its way, drying unevenly, by what its body
    /// stands; 0 where that was not of interest.
    pub cracks: f64,
}

/// A first change and the second ones that may follow it.
#[derive(Clone, PartialEq, Debug)]
pub struct Branch {
    /// The first.
    pub first: Change,
    /// Any of these later.
    pub seconds: Vec<Change>,
}

impl Branch {
    /// The sequences of a tree in the order in which [`Prospect::search`] tells of them: nothing,
    /// then each branch, alone first.
    pub fn sequences(tree: &[Branch]) -> Vec<Vec<Change>> {
        let of = |branch: &Branch| {
            let first = branch.first;
            let with = branch.seconds.iter().map(move |second| vec![first, *second]);
            std::iter::once(vec![first]).chain(with).collect::<Vec<_>>()
        };
        std::iter::once(Vec::new()).chain(tree.iter().flat_map(of)).collect()
    }
}

/// What a prospect is wanted for.
#[derive(Clone, Copy, Debug)]
pub struct Ahead<'a> {
    /// Moments at which something may be done, s from now.
    pub moments: &'a [f64],
    /// Up to when is looked, s from now.
    pub until: f64,
    /// Covers under which it may come.
    pub covers: &'a [Cover],
    /// Whether it is of interest when it is dry; else its window alone.
    pub to_dry: bool,
    /// What its body stands, where it is of interest how likely it cracks on the way.
    pub stands: Option<&'a Tolerance>,
}

impl Ahead<'_> {
    /// A history of which these covers are a part, long after all that is looked at: so what is
    /// known of them belongs to what is known of the pot.
    pub fn thought_of(&self, mut history: History) -> History {
        let far = history.now.max(0.0) + 2.0 * HORIZON;
        let last = history.keeping_at(far);
        let thoughts = self.covers.iter().map(|cover| Keeping { from: far, cover: *cover, ..last });
        history.keeping.extend(thoughts);
        history
    }
}

/// A pot's draws as they stand now, and what is coming.
pub struct Prospect {
    pub(super) batches: Vec<(Batch, u64)>,
    pub(super) band: Band,
    /// Now, s since the pot was made.
    pub(super) now: f64,
    rough: Line,
    pub(super) fine: Line,
    to_dry: bool,
    /// The end of shrinkage, kg/kg dry basis, and what its body stands.
    pub(super) stands: Option<(f64, Stands)>,
}

/// Steps to come.
pub(super) struct Line {
    pub spans: Vec<Span>,
    /// The air's mean humidity of 24 h at the end of each, and how far it may depart.
    pub humidity: Vec<(f64, f64)>,
}

impl Prospect {
    /// Of a pot as its weights tell of it.
    pub fn new(posterior: &Posterior, room: &Room, ask: &Ask, ahead: &Ahead) -> Prospect {
        let history = posterior.model.history;
        let now = history.now.max(0.0);
        let cut = cut(history, ahead.moments);
        let line = |widths: &[(f64, f64)]| {
            let spans = model::spans(&cut, room, now, now + ahead.until, widths);
            let humid = Humidity::new(&[], &spans, room).coming;
            let sd = spans.iter().map(|span| room.humidity_sd(span.from));
            Line { humidity: humid.into_iter().zip(sd).collect(), spans }
        };
        let (rough, fine) = (line(&ROUGH), line(&STEPS));
        let mut batches = Vec::new();
        let none = Humidity::new(&posterior.model.spans, &[], room);
        each_batch(posterior, room, ask, (&none, &[]), |_, batch, _| {
            batches.push((batch, ask.seed ^ !(batches.len() as u64)));
        });
        let stands = ask.shrunk.zip(ahead.stands.map(Tolerance::stands));
        Prospect { batches, band: ask.band, now, rough, fine, to_dry: ahead.to_dry, stands }
    }

    /// How the pot is kept at a time (s from now), if nothing but what is planned already is done.
    pub fn cover_at(&self, t: f64) -> Cover {
        let spans = &self.fine.spans;
        let next = spans.partition_point(|span| span.from <= self.now + t + SAME);
        let span = next.checked_sub(1).and_then(|k| spans.get(k));
        span.map_or(Cover::Open, |span| Cover::ALL[span.keeping.cover])
    }

    /// How it is kept from now on under some changes: from when (s from now), which cover.
    pub fn covers(&self, changes: &[Change]) -> Vec<(f64, Cover)> {
        let mut covers: Vec<(f64, Cover)> = Vec::new();
        for span in &self.fine.spans {
            let cover = Cover::ALL[kept(span, self.now, changes).cover];
            if covers.last().is_none_or(|(_, last)| *last != cover) {
                covers.push((span.from - self.now, cover));
            }
        }
        covers
    }

    /// What comes of all draws under some changes, in order of time. From the first cover on, those
    /// that were planned before count no more.
    pub fn under(&self, changes: &[Change]) -> Vec<Course> {
        let mut out = Vec::new();
        for (batch, seed) in &self.batches {
            let walk = Walk { to_dry: self.to_dry, ..Walk::new(self, &self.fine, batch, *seed) };
            let mut going = batch.going();
            walk.go(&mut going, (0, self.fine.spans.len()), changes);
            walk.tell(&going, &mut out);
        }
        out
    }

    /// What comes of some draws under each sequence of a tree, in the order of
    /// [`Branch::sequences`].
    pub fn search(&self, tree: &[Branch]) -> Vec<Vec<Course>> {
        let mut out: Vec<Vec<Course>> = Vec::new();
        let (end, now) = (self.rough.spans.len(), self.now);
        let place = |change: &Change| {
            self.rough.spans.partition_point(|span| span.from < now + change.at - SAME)
        };
        for (batch, seed) in self.batches.iter().step_by(EVERY) {
            let walk = Walk::new(self, &self.rough, batch, *seed);
            let mut told = out.iter_mut();
            let mut fresh = Vec::new();
            let mut tell = |walk: &Walk, going: &Going| match told.next() {
                Some(courses) => walk.tell(going, courses),
                None => {
                    let mut courses = Vec::new();
                    walk.tell(going, &mut courses);
                    fresh.push(courses);
                }
            };
            let mut whole = batch.going();
            walk.go(&mut whole, (0, end), &[]);
            tell(&walk, &whole);
            let (mut trunk, mut at) = (batch.going(), 0);
            for branch in tree {
                // Branches are in order of time, so the trunk need not go back.
                let fork = place(&branch.first);
                walk.go(&mut trunk, (at, fork), &[]);
                at = fork;
                let (mut going, mut at) = (trunk.clone(), fork);
                let mut ends = Vec::new();
                for second in &branch.seconds {
                    let fork = place(second);
                    walk.go(&mut going, (at, fork), &[branch.first]);
                    at = fork;
                    let mut other = going.clone();
                    walk.go(&mut other, (fork, end), &[branch.first, *second]);
                    ends.push(other);
                }
                walk.go(&mut going, (at, end), &[branch.first]);
                tell(&walk, &going);
                ends.iter().for_each(|end| tell(&walk, end));
            }
            out.append(&mut fresh);
        }
        out
    }
}

/// A pot's covers and flips, cut at some moments; nothing of its past.
fn cut(history: &History, moments: &[f64]) -> History {
    let now = history.now.max(0.0);
    let marks = moments.iter().map(|m| Keeping { from: now + m, ..history.keeping_at(now + m) });
    let mut keeping: Vec<Keeping> = history.keeping.iter().copied().chain(marks).collect();
    keeping.sort_by(|a, b| a.from.total_cmp(&b.from));
    History { keeping, weights: Vec::new(), events: Vec::new(), found: Vec::new(), ..*history }
}

/// A batch on its ways along a line.
struct Walk<'p> {
    prospect: &'p Prospect,
    line: &'p Line,
    batch: &'p Batch,
    brought: Vec<Brought>,
    /// On until they are dry, not only until their windows have closed.
    to_dry: bool,
}

impl<'p> Walk<'p> {
    fn new(prospect: &'p Prospect, line: &'p Line, batch: &'p Batch, seed: u64) -> Walk<'p> {
        let mut chance = batch.chance(StdRng::seed_from_u64(seed));
        let steps = line.spans.iter().zip(&line.humidity);
        let brought = steps.map(|(span, (daily, sd))| chance.bring(span, *daily, *sd)).collect();
        Walk { prospect, line, batch, brought, to_dry: false }
    }

    /// Through some spans, until all has happened.
    fn go(&self, going: &mut Going, (from, to): (usize, usize), changes: &[Change]) {
        let Prospect { band, now, .. } = *self.prospect;
        for k in from..to {
            if self.is_over(going) {
                return;
            }
            let span = &self.line.spans[k];
            let keeping = kept(span, now, changes);
            going.step(self.batch, (span, band), keeping, &self.brought[k]);
            if let Some(stands) = &self.prospect.stands {
                going.strain.see(span.to, &going.state, stands);
            }
        }
    }

    fn is_over(&self, going: &Going) -> bool {
        let dry = |l: usize| !self.to_dry || going.bone_dry[l].is_finite();
        (0..self.batch.draws.len()).all(|l| going.closes[l].is_finite() && dry(l))
    }

    fn tell(&self, going: &Going, out: &mut Vec<Course>) {
        let now = self.prospect.now;
        let stands = self.prospect.stands.as_ref();
        let cracks = stands.map_or([0.0; LANES], |(_, stands)| going.strain.worst(stands));
        out.extend(self.batch.draws.iter().enumerate().map(|(l, draw)| Course {
            weight: draw.weight,
            opens: going.opens[l] - now,
            closes: going.closes[l] - now,
            bone_dry: going.bone_dry[l] - now,
            cracks: cracks[l],
        }));
    }
}

/// How a pot stands in a span under some changes.
pub(super) fn kept(span: &Span, now: f64, changes: &[Change]) -> StepKeeping {
    let mut keeping = span.keeping;
    for change in changes.iter().filter(|change| now + change.at <= span.from + SAME) {
        match change.doing {
            Doing::Cover(cover) => keeping.cover = model::place_of(cover),
            Doing::Flip => keeping.flipped = keeping.flipped.map(|flipped| !flipped),
        }
    }
    keeping
}
