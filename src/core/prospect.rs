//! A pot's draws sent ahead under other covers than the log has planned: what plans are made of.
//!
//! All ways of keeping a pot share its draws, the coming air and the chance of each step (common
//! random numbers: Glasserman & Yao, *Management Science* 38 (1992) 884): two of them differ by
//! what is done alone. Nothing is fitted again. A search goes through some of the draws, in longer
//! steps; all of them, in the steps of a forecast, tell what comes of what was found.

use super::drying::{LANES, StepKeeping};
use super::forecast::{Ask, Band, Batch, Brought, Going, HORIZON, Humidity, STEPS};
use super::handling::{History, Keeping};
use super::inference::model::{self, Span};
use super::room::Room;
use super::uneven::tolerance::{Stands, Tolerance};
use super::weather::Weather;
use crate::records::Cover;
use crate::units::HOUR;
use rand::SeedableRng;
use rand::rngs::StdRng;
use std::cmp::Ordering;
use std::sync::Arc;

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
    /// When its wettest part is dry; infinite too where that was not of interest.
    pub bone_dry: f64,
    /// How likely it cracks or warps on the worst day of its way, drying unevenly, by what its body
    /// stands; 0 where that was not of interest.
    pub cracks: f64,
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
    /// A weather for each draw, where several pots are asked about together ([`super::weather`]).
    pub weathers: Option<&'a Arc<[Weather]>>,
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
    /// How it is kept if nothing is done: from when (s from now), under which cover.
    planned: Vec<(f64, Cover)>,
    to_dry: bool,
    /// The weather of each draw, where pots are to share it.
    weathers: Option<Arc<[Weather]>>,
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
    /// Of a pot's draws as they stand now.
    pub(super) fn new(
        history: &History,
        batches: Vec<Batch>,
        room: &Room,
        ask: &Ask,
        ahead: &Ahead,
    ) -> Prospect {
        let now = history.now.max(0.0);
        let cut = cut(history, ahead.moments);
        let line = |widths: &[(f64, f64)]| {
            let spans = model::spans(&cut, room, now, now + ahead.until, widths);
            let humid = Humidity::new(&[], &spans, room).coming;
            let sd = spans.iter().map(|span| room.humidity_sd(span.from));
            Line { humidity: humid.into_iter().zip(sd).collect(), spans }
        };
        let (rough, fine) = (line(&ROUGH), line(&STEPS));
        let batches = (0..).zip(batches).map(|(number, batch)| (batch, ask.seed ^ !number));
        let mut planned: Vec<(f64, Cover)> =
            fine.spans.iter().map(|span| (span.from - now, cover_of(span))).collect();
        planned.dedup_by_key(|(_, cover)| *cover);
        Prospect {
            batches: batches.collect(),
            band: ask.band,
            now,
            rough,
            fine,
            planned,
            to_dry: ahead.to_dry,
            weathers: ahead.weathers.cloned(),
            stands: ask.shrunk.zip(ahead.stands.map(Tolerance::stands)),
        }
    }

    /// How the pot is kept at a time (s from now), if nothing but what is planned already is done.
    pub fn cover_at(&self, t: f64) -> Cover {
        let spans = &self.fine.spans;
        let next = spans.partition_point(|span| span.from <= self.now + t + SAME);
        let span = next.checked_sub(1).and_then(|k| spans.get(k));
        span.map_or(Cover::Open, cover_of)
    }

    /// How it is kept from now on under some changes: from when (s from now), which cover.
    pub fn covers(&self, changes: &[Change]) -> Vec<(f64, Cover)> {
        let cover = |change: &Change| match change.doing {
            Doing::Cover(cover) => Some((change.at, cover)),
            Doing::Flip => None,
        };
        let mut new = changes.iter().filter_map(cover).peekable();
        let first = new.peek().map_or(f64::INFINITY, |(at, _)| at - SAME);
        let old = self.planned.iter().copied().filter(|(at, _)| *at < first);
        let mut covers: Vec<(f64, Cover)> = Vec::new();
        for (at, cover) in old.chain(new) {
            if covers.last().is_none_or(|(_, last)| *last != cover) {
                covers.push((at, cover));
            }
        }
        covers
    }

    /// What comes of all draws in each of some ways, changes in order of time. From the first cover
    /// on, those that were planned before count no more.
    pub fn under(&self, ways: &[Vec<Change>]) -> Vec<Vec<Course>> {
        self.told(&self.fine, (1, self.to_dry), ways)
    }

    /// What comes of some of the draws in each of some ways, in longer steps.
    pub fn search(&self, ways: &[Vec<Change>]) -> Vec<Vec<Course>> {
        self.told(&self.rough, (EVERY, false), ways)
    }

    /// What comes of every so-manieth batch along a line, by way.
    fn told(
        &self,
        line: &Line,
        (every, to_dry): (usize, bool),
        ways: &[Vec<Change>],
    ) -> Vec<Vec<Course>> {
        let mut order: Vec<usize> = (0..ways.len()).collect();
        order.sort_by(|a, b| in_turn(&ways[*a], &ways[*b]));
        let mut out = vec![Vec::new(); ways.len()];
        for number in (0..self.batches.len()).step_by(every) {
            let walk = Walk { to_dry, ..Walk::new(self, line, number) };
            walk.along((walk.batch.going(), 0), (ways, &order, 0), &mut out);
        }
        out
    }
}

/// Ways in the order in which they part: what is changed later comes later, what is changed no more
/// last.
fn in_turn(a: &[Change], b: &[Change]) -> Ordering {
    let word = |change: &Change| match change.doing {
        Doing::Cover(cover) => model::place_of(cover),
        Doing::Flip => usize::MAX,
    };
    let apart = |(a, b): (&Change, &Change)| a.at.total_cmp(&b.at).then(word(a).cmp(&word(b)));
    let first = a.iter().zip(b).map(apart).find(|order| order.is_ne());
    first.unwrap_or_else(|| b.len().cmp(&a.len()))
}

/// A pot's covers and flips, cut at some moments; nothing of its past.
fn cut(history: &History, moments: &[f64]) -> History {
    let now = history.now.max(0.0);
    let marks = moments.iter().map(|m| Keeping { from: now + m, ..history.keeping_at(now + m) });
    let mut keeping: Vec<Keeping> = history.keeping.iter().copied().chain(marks).collect();
    keeping.sort_by(|a, b| a.from.total_cmp(&b.from));
    let (weights, events, found) = (Vec::new(), Vec::new(), Vec::new());
    History { keeping, weights, events, found, exchanged: None, ..*history }
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
    fn new(prospect: &'p Prospect, line: &'p Line, number: usize) -> Walk<'p> {
        let (batch, seed) = &prospect.batches[number];
        let rng = StdRng::seed_from_u64(*seed);
        let its = prospect.weathers.as_deref().and_then(|all| all.chunks_exact(LANES).nth(number));
        let mut chance = match its {
            Some(its) => batch.chance_in(rng, std::array::from_fn(|l| &its[l])),
            None => batch.chance(rng),
        };
        let steps = line.spans.iter().zip(&line.humidity);
        let brought = steps.map(|(span, (daily, sd))| chance.bring(span, *daily, *sd)).collect();
        Walk { prospect, line, batch, brought, to_dry: false }
    }

    /// On from a span, by ways that have been the same up to a number of changes: they go together
    /// for as long as they are.
    fn along(
        &self,
        (mut going, mut at): (Going, usize),
        (ways, order, same): (&[Vec<Change>], &[usize], usize),
        out: &mut [Vec<Course>],
    ) {
        let now = self.prospect.now;
        let Some(first) = order.first() else { return };
        let before = &ways[*first][..same];
        let next = |way: &usize| ways[*way].get(same);
        for together in order.chunk_by(|a, b| next(a) == next(b)) {
            let Some(change) = together.first().and_then(next) else {
                self.go(&mut going, (at, self.line.spans.len()), before);
                together.iter().for_each(|way| self.tell(&going, &mut out[*way]));
                return;
            };
            let when = now + change.at - SAME;
            let fork = self.line.spans.partition_point(|span| span.from < when).max(at);
            self.go(&mut going, (at, fork), before);
            at = fork;
            self.along((going.clone(), at), (ways, together, same + 1), out);
        }
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
            if self.to_dry {
                going.see_wettest(span, &self.brought[k]);
            }
            if let Some(stands) = &self.prospect.stands {
                going.strain.see(span.to, &going.state, stands);
            }
        }
    }

    fn is_over(&self, going: &Going) -> bool {
        let dry = |l: usize| !self.to_dry || going.dry_through[l].is_finite();
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
            bone_dry: going.dry_through[l] - now,
            cracks: cracks[l],
        }));
    }
}

/// The cover of a span, if nothing else is done.
fn cover_of(span: &Span) -> Cover {
    Cover::ALL[span.keeping.cover]
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
