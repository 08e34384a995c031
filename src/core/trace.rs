//! Steps in a pot's trace: found, and put right.
//!
//! A trail of weights says where the next one must lie. One that lies elsewhere and goes back
//! within hours was a touch: a pot lifted, a knock, something left on the scale for a while; such
//! weights are set aside. A step that stays is explained ([`super::found`]) and then accounted for:
//! a deed changes the pot, another tare is taken off the weights. Thresholds are common practice,
//! no source, save where one is named.

use super::found::{self, Find, Step, TRIM, What, weigh};
use super::handling::{Deed, Event, HEAVIEST, History, Weight, bin_width};
use super::trail::{is_dense, slope};
use crate::units::HOUR;

/// What the finds are made from, beside the weights.
pub struct Trace<'a> {
    /// The ball as it was weighed, g.
    pub ball: Option<f64>,
    /// What was said to stand on the scale with the pot, from when (s since the start), g.
    pub tares: &'a [(f64, f64)],
    /// When its cover was changed, s since the start.
    pub covers: Vec<f64>,
    /// Weighings (t, net g) with something on the scale.
    pub standing: &'a [(f64, f64)],
    /// When it was seen with nothing on it, or only what stands beneath the pot.
    pub empty: &'a [f64],
}

/// A deed that was noted from memory may be so far from its step, s.
const REMEMBERED: f64 = 12.0 * HOUR;
/// On a cell a step has to hold for this time before anything is made of it, s.
const HELD: f64 = 900.0;
/// A touch is over within this time, s.
const TOUCHED: f64 = 6.0 * HOUR;
/// Between two weighings of a pot that is weighed now and then no air takes this share of it, at
/// once and per hour: a thin wet wall in dry moving air loses some 4 % an hour (51 g/m²h from still
/// air at 50 %, twice that where it moves and is dry, from 400 m² to the tonne) …
const SUDDEN: (f64, f64) = (0.02, 0.04);
/// … while they lie no further apart than this, h.
const SUDDEN_WITHIN: f64 = 2.0;
/// Hours apart it loses so much more than its own rates before and after would have it, as shares:
/// of itself at once, of itself per hour, of the faster of the two rates.
const SELDOM: (f64, f64, f64) = (0.025, 0.008, 1.6);

/// A pot that nobody wets gains no more than this share of itself from damp air, within a day and
/// after longer: clay that is dry takes up some hundredths in damp weeks.
const GAINED: (f64, f64) = (0.015, 0.03);
/// A weight above the trail is none where the pot would have to lose so much faster from there to
/// its next weight than before.
const TOO_FAST: f64 = 2.5;

/// A weight was too heavy where what it lies above the line before it, over what it falls back, is
/// this.
const FALLS_BACK: (f64, f64) = (0.6, 1.5);

/// On a cell that speaks all the time, steps of this share of the pot are seen: where its line
/// before and after is known, and over a gap of more than an hour.
const SEEN: (f64, f64) = (0.006, 0.012);
/// What is found for a step has to be as likely as this, or a second weight has to say the same:
/// else it was another pot, or mistyped.
const EXPLAINED: f64 = 0.1;
/// No pot is lighter, g.
const LIGHTEST: f64 = 1.0;

/// Sets touches aside, finds what nobody wrote down, and puts right what it did to the weights.
pub fn check(history: &mut History, trace: &Trace) {
    let full = reference(&history.weights, trace.ball).unwrap_or(f64::INFINITY);
    let mut search =
        Search { history, trace, full, added: 0.0, extra: 0.0, attached: None, trail: Vec::new() };
    search.run();
    search.recall_trims();
    let most = search.most();
    for w in &mut history.weights {
        w.used &= w.g > 0.3 * full && w.g < most && w.g < HEAVIEST;
    }
    history.found.extend(found::away(trace.standing, trace.empty));
    history.events.sort_by(|a, b| a.t.total_cmp(&b.t));
    history.found.sort_by(|a, b| a.t.total_cmp(&b.t));
}

struct Search<'a> {
    history: &'a mut History,
    trace: &'a Trace<'a>,
    /// What the pot weighed at first, g.
    full: f64,
    /// Clay that was added since, g.
    added: f64,
    /// What more stands on the scale than was said, g.
    extra: f64,
    /// Clay that seems to have been added last: from which weight on, and g.
    attached: Option<(usize, f64)>,
    /// Weights since the last step, in order of time.
    trail: Vec<Weight>,
}

impl Search<'_> {
    fn run(&mut self) {
        let mut i = 0;
        while i < self.history.weights.len() {
            let w = self.history.weights[i];
            if !w.used {
                i += 1;
                continue;
            }
            let possible = w.g > 0.3 * self.full && w.g < self.most();
            if self.trail.is_empty() {
                self.history.weights[i].used = possible;
                self.trail.extend(possible.then_some(w));
                i += 1;
                continue;
            }
            if self.is_contradicted(i) || self.is_off_the_line(i) {
                self.history.weights[i].used = false;
                i += 1;
                continue;
            }
            self.measure(i);
            let Some(off) = self.departure(i) else {
                self.history.weights[i].used = possible;
                self.trail.extend(possible.then_some(w));
                i += 1;
                continue;
            };
            if let Some(end) = self.returns(i, off) {
                // It came back: something touched the scale for a while.
                for w in &mut self.history.weights[i..end] {
                    w.used = false;
                }
                i = end;
                continue;
            }
            if !self.explain(i, off, possible) {
                self.history.weights[i].used = false;
                i += 1;
                continue;
            }
            // Whatever it was, the trace goes on from here.
            self.trail.clear();
            self.trail.push(self.history.weights[i]);
            i += 1;
        }
    }

    /// What the pot can weigh at most, g. By the third day's weight it has lost much: then its
    /// ball's word counts.
    fn most(&self) -> f64 {
        1.15 * self.full.max(self.trace.ball.unwrap_or(0.0)) + self.added
    }

    /// Whether the next weight speaks against this one of a pot that is weighed now and then: it
    /// weighs more again though nobody noted anything that can have brought it, or has lost at
    /// once what it seemed to have gained. Then this one was mistyped, or something held the pot.
    fn is_contradicted(&self, i: usize) -> bool {
        let w = self.history.weights[i];
        let Some(last) = self.trail.last().filter(|_| !is_dense(&self.trail)) else { return false };
        let mut later = self.history.weights[i + 1..].iter();
        let Some(next) = later.find(|l| l.used && l.t > w.t) else { return false };
        let between = |t: f64| t > last.t && t <= next.t;
        let noted = self.history.events.iter().any(|e| between(e.t))
            || self.trace.tares.iter().any(|tare| between(tare.0));
        let noise = 4.0 * (w.sd + last.sd + next.sd);
        let most = GAINED.0 * last.g + noise;
        let falls_back = next.g <= last.g + noise;
        let loses = |a: &Weight, b: &Weight| (a.g - b.g) / (b.t - a.t);
        let too_fast = loses(&w, next) > TOO_FAST * loses(last, next).max(0.0);
        !noted && falls_back && (next.g - w.g > most || w.g - last.g > most && too_fast)
    }

    /// Whether a weight of a pot that is weighed now and then lies above the line on which the
    /// weights before it and the next one lie, and falls back to it faster than the pot dries: then
    /// this one was too heavy, and nobody trimmed the pot after it.
    fn is_off_the_line(&self, i: usize) -> bool {
        let w = self.history.weights[i];
        let Some(last) = self.trail.last().filter(|_| !is_dense(&self.trail)) else { return false };
        let earlier = self.trail.iter().rev().find(|e| e.t < last.t - 0.5 * HOUR);
        let next = self.history.weights[i + 1..].iter().find(|l| l.used && l.t > w.t);
        let (Some(earlier), Some(next)) = (earlier, next) else { return false };
        let between = |t: f64| t > earlier.t && t <= next.t;
        if self.trace.covers.iter().any(|t| between(*t))
            || self.history.events.iter().any(|e| between(e.t))
            || self.trace.tares.iter().any(|tare| between(tare.0))
        {
            return false;
        }
        let rate = ((earlier.g - last.g) / (last.t - earlier.t)).max(0.0);
        let above = w.g - (last.g - rate * (w.t - last.t));
        let falls = w.g - next.g - rate * (next.t - w.t);
        above > FALLS_BACK.0 * falls
            && above < FALLS_BACK.1 * falls
            && falls > SUDDEN.0 * last.g
            && next.t - w.t < TOUCHED
    }

    /// By how much a weight departs from where the trail leads, if by more than drying can
    /// explain, g.
    fn departure(&self, i: usize) -> Option<f64> {
        let w = self.history.weights[i];
        let last = self.trail.last()?;
        let hours = (w.t - last.t) / HOUR;
        let touched = |e: &Event| e.deed != Deed::Trim && e.t > last.t && e.t <= w.t;
        if self.history.events.iter().any(touched) {
            return None;
        }
        let (off, noise) = (w.g - last.g, 4.0 * (w.sd + last.sd));
        match (is_dense(&self.trail), hours > 24.0) {
            (true, true) => None,
            (true, false) => self.departure_of_cell(i, off, noise),
            // Weighed now and then: only what no air can do.
            (false, true) => (off > GAINED.1 * last.g + noise).then_some(off),
            (false, false) => {
                let air = (SUDDEN.0 + SUDDEN.1 * hours) * last.g;
                let sudden = hours <= SUDDEN_WITHIN && off.abs() > air;
                let gained = off > GAINED.0 * last.g + noise;
                (gained || sudden || self.seldom(i)).then_some(off)
            }
        }
    }

    /// The same on a cell that speaks all the time, of a weight that lies so far (g) off the last.
    fn departure_of_cell(&self, i: usize, off: f64, noise: f64) -> Option<f64> {
        let (w, last) = (self.history.weights[i], self.trail.last()?);
        let gap = w.t - last.t;
        let hours = gap / HOUR;
        let before = slope(&self.trail);
        let Some(after) = self.slope_ahead(i) else {
            // What a change of air or of cover can do in the gap, beyond going on as before.
            let other = (1.2 * before.abs() * gap).max(0.004 * last.g * hours).min(0.05 * last.g);
            let down = 0.012 * last.g + other + noise;
            let up = 0.010 * last.g + before.abs() * gap + 0.002 * last.g * hours.min(4.0) + noise;
            let off = off - before * gap;
            return (off < -down || off > up).then_some(off);
        };
        // It may have changed its rate anywhere in the gap; over hours it may have done so twice.
        let off = off - 0.5 * (before + after) * gap;
        let turn = 0.5 * (before - after).abs() * gap;
        let (share, more) = if hours > 1.0 {
            let wander = 0.3 * before.abs().max(after.abs()) * gap;
            (SEEN.1, wander + (0.002 * last.g * (hours - 1.0)).min(0.03 * last.g))
        } else {
            (SEEN.0, 0.0)
        };
        (off.abs() > share * last.g + turn + more + noise).then_some(off)
    }

    /// The step of a deed other than a trim that was noted between two near weights.
    fn measure(&mut self, i: usize) {
        let (w, Some(last)) = (self.history.weights[i], self.trail.last()) else { return };
        let gap = w.t - last.t;
        let Some(after) = self.slope_ahead(i).filter(|_| gap < HOUR && is_dense(&self.trail))
        else {
            return;
        };
        let off = w.g - last.g - 0.5 * (slope(&self.trail) + after) * gap;
        let (from, share) = (last.t, off / last.g);
        let done = |e: &&mut Event| e.deed != Deed::Trim && e.t > from && e.t <= w.t;
        let mut events: Vec<_> = self.history.events.iter_mut().filter(done).collect();
        if let [event] = &mut events[..]
            && fits(event.deed, share)
        {
            event.step = Some(share.abs());
        }
    }

    /// Whether a pot that is weighed now and then lost more since the last time than its own rates
    /// before and after, known to be kept alike, would have it.
    fn seldom(&self, i: usize) -> bool {
        let w = self.history.weights[i];
        let last = self.trail[self.trail.len() - 1];
        let later = self.history.weights[i + 1..].iter().find(|l| l.used && l.t > w.t + 0.5 * HOUR);
        let earlier = self.trail.iter().rev().find(|e| e.t < last.t - 0.5 * HOUR);
        let (Some(later), Some(earlier)) = (later, earlier) else { return false };
        let kept_alike = self.trace.covers.iter().all(|c| *c <= earlier.t || *c >= later.t);
        let rate = |a: &Weight, b: &Weight| ((a.g - b.g) / (b.t - a.t)).max(0.0);
        let fastest = rate(earlier, &last).max(rate(&w, later));
        let gap = w.t - last.t;
        let air = SELDOM.0 * last.g + (SELDOM.1 * last.g / HOUR).max(SELDOM.2 * fastest) * gap;
        kept_alike && gap < 12.0 * HOUR && last.g - w.g > air
    }

    /// Loss after weight `i`, g/s, never positive: the median over the next few.
    fn slope_ahead(&self, i: usize) -> Option<f64> {
        let w = self.history.weights[i];
        let until = w.t + (2.0 * HOUR).max(3.1 * bin_width(w.t));
        let next = self.history.weights[i + 1..].iter().filter(|n| n.used && n.t > w.t);
        let mut slopes: Vec<f64> =
            next.take_while(|n| n.t <= until).map(|n| (n.g - w.g) / (n.t - w.t)).collect();
        slopes.sort_by(f64::total_cmp);
        slopes.get(slopes.len() / 2).map(|s| s.min(0.0))
    }

    /// The first weight after `i`, within hours, that goes on where the trail left off: nearer to
    /// where it leads than to the step, and so is the next.
    fn returns(&self, i: usize, off: f64) -> Option<usize> {
        let last = self.trail.last()?;
        let slope = slope(&self.trail);
        let begun = self.history.weights[i].t;
        // A change of tare that was noted late: until then the weights are off.
        let noted = self.trace.tares.iter().map(|(t, _)| *t);
        let noted = noted.filter(|t| *t > begun && *t < begun + REMEMBERED).fold(0.0, f64::max);
        let until = (begun + TOUCHED).max(noted + HOUR);
        let back = |w: &Weight| (w.g - last.g - slope * (w.t - last.t)).abs() < 0.35 * off.abs();
        let later: Vec<usize> = (i + 1..self.history.weights.len())
            .filter(|j| self.history.weights[*j].used)
            .take_while(|j| self.history.weights[*j].t < until)
            .collect();
        let stays = |k: &usize| {
            let next = later.get(k + 1).map(|j| &self.history.weights[*j]);
            next.is_none_or(back)
        };
        // It goes back at a stroke; a loss that drying alone would have caught up with stays.
        let stroke = |k: usize| {
            let w = self.history.weights[later[k]];
            let held = self.history.weights[if k == 0 { i } else { later[k - 1] }];
            (held.g - w.g) * off.signum() > 0.5 * off.abs()
        };
        let found = (0..later.len())
            .find(|k| back(&self.history.weights[later[*k]]) && stays(k) && stroke(*k));
        found.map(|k| later[k])
    }

    /// What a step that stays was, and puts it right. False if there is no telling (yet).
    fn explain(&mut self, i: usize, off: f64, possible: bool) -> bool {
        let step = self.step(i, off);
        let tare = self.tare_at(self.history.weights[i].t);
        let gone = |g: f64| g > 5.0 && (off + g).abs() < 1.0 + 0.02 * g;
        let fits = gone(tare) || gone(self.extra);
        // The bat was left away and the pot trimmed as well.
        let cut = (-off - tare) / step.from;
        if possible && self.is_noted_between(&step) {
            return true;
        }
        let large = !possible || -off > 0.25 * step.from;
        let both = large && !fits && tare > 5.0 && (TRIM.0..TRIM.1).contains(&cut);
        if !self.is_settled(i, off, possible, fits) || !possible && off < 0.0 && !fits && !both {
            return false;
        }
        if both {
            self.shift(i, -tare);
            self.find(&step, What::Tare, 0.9, Some(0.0));
            let trim = Step { g: off + tare, ..step };
            if !self.is_noted(&trim) {
                self.event(&trim, Deed::Trim, 0.9);
                self.find(&trim, What::Trim, 0.9, None);
            }
            return true;
        }
        if self.is_noted(&step) || self.is_taken_off_again(i, &step, tare) {
            return true;
        }
        let seldom = !is_dense(&self.trail);
        let (mut what, probability) = weigh(&step, tare, self.extra, self.full, seldom);
        if probability < EXPLAINED && !fits && self.said_again(i, off) == 0 {
            return false;
        }
        if self.awaits_trim(&step) && !fits {
            what = What::Trim;
        }
        let clay = (what == What::Attach).then_some(off);
        match what {
            What::Tare => {
                // The known weight of what was left away tells it better than the step.
                let g = if fits && off < 0.0 { self.nearest_fit(off, tare) } else { off };
                self.shift(i, g);
                self.extra += g;
                self.find(&step, what, probability, Some(tare + self.extra));
                return true;
            }
            What::Attach => {
                self.added += off;
                self.attached = Some((i, off));
                self.event(&step, Deed::Attach(clay), probability);
            }
            What::Trim => self.event(&step, Deed::Trim, probability),
            What::Wet => self.event(&step, Deed::Wet, probability),
            What::Sponge | What::Off => self.event(&step, Deed::Sponge, probability),
        }
        self.find(&step, what, probability, clay);
        true
    }

    /// Whether enough weights say the same: one alone may be a touch, or mistyped, and what no pot
    /// can weigh wants more proof.
    fn is_settled(&self, i: usize, off: f64, possible: bool, fits: bool) -> bool {
        let enough = match (possible, off < 0.0) {
            (true, true) => usize::from(is_dense(&self.trail)),
            (true, false) => 1,
            (false, _) => 2,
        };
        fits || self.said_again(i, off) >= enough
    }

    /// How many weights after this one, which is off by so much, say nearly the same.
    fn said_again(&self, i: usize, off: f64) -> usize {
        let w = self.history.weights[i];
        let soon = if is_dense(&self.trail) { HELD } else { 0.0 };
        let later = self.history.weights[i + 1..].iter().filter(|l| l.used && l.t > w.t + soon);
        let until = match is_dense(&self.trail) {
            true => w.t + TOUCHED.max(4.0 * bin_width(w.t)),
            false => f64::INFINITY,
        };
        let alike = later.take_while(|l| l.t < until);
        alike.filter(|l| (l.g - w.g).abs() < 0.3 * off.abs()).count()
    }

    /// Whether a trim was noted within half a day of the step that has none of its own: it is
    /// moved there when all steps are known.
    fn awaits_trim(&self, step: &Step) -> bool {
        let mut events = self.history.events.iter();
        let near = |t: f64| step.before - t < REMEMBERED && t - step.after < REMEMBERED;
        -step.g / step.from > 0.5 * TRIM.0
            && events.any(|e| {
                e.deed == Deed::Trim && e.probability == 1.0 && e.step.is_none() && near(e.t)
            })
    }

    /// Whether what looked like clay is gone again: then it stood on the scale beside the pot.
    fn is_taken_off_again(&mut self, i: usize, step: &Step, tare: f64) -> bool {
        let Some((from, g)) = self.attached else { return false };
        if (step.g + g).abs() > 1.0 + 0.02 * g {
            return false;
        }
        let is_it = |deed: Deed| deed == Deed::Attach(Some(g));
        self.history.events.retain(|e| !is_it(e.deed) || e.probability == 1.0);
        if let Some(find) = self.history.found.iter_mut().rfind(|f| f.what == What::Attach) {
            *find = Find { what: What::Tare, grams: Some(tare + self.extra + g), ..*find };
        }
        for w in &mut self.history.weights[from..i] {
            w.g -= g;
        }
        self.added -= g;
        self.attached = None;
        self.find(step, What::Tare, 0.9, Some(tare + self.extra));
        true
    }

    /// Moves trims that were noted from memory to the nearest step that was found.
    fn recall_trims(&mut self) {
        let events = &mut self.history.events;
        let trims = |e: &Event| e.deed == Deed::Trim;
        loop {
            let noted = (0..events.len())
                .filter(|k| trims(&events[*k]) && events[*k].probability == 1.0)
                .filter(|k| events[*k].step.is_none());
            let found = |k: usize| {
                let t = events[k].t;
                let others = (0..events.len())
                    .filter(|f| trims(&events[*f]) && events[*f].probability < 1.0);
                others.map(|f| (k, f, (events[f].t - t).abs())).collect::<Vec<_>>()
            };
            let pairs = noted.flat_map(found).filter(|p| p.2 < REMEMBERED);
            let Some((k, f, _)) = pairs.min_by(|a, b| a.2.total_cmp(&b.2)) else { break };
            let (t, step) = (events[f].t, events[f].step);
            (events[k].t, events[k].step) = (t, step);
            events.remove(f);
            self.history.found.retain(|find| find.what != What::Trim || find.t != t);
        }
    }

    /// The tare, or what was found beside it, whose loss comes nearest to a step, g.
    fn nearest_fit(&self, off: f64, tare: f64) -> f64 {
        let near = |g: f64| (off + g).abs();
        if near(tare) <= near(self.extra) { -tare } else { -self.extra }
    }

    fn tare_at(&self, t: f64) -> f64 {
        self.trace.tares.iter().rev().find(|(from, _)| *from <= t).map_or(0.0, |(_, g)| *g)
    }

    /// The step's place in time, as the single weighings tell it.
    fn step(&self, i: usize, off: f64) -> Step {
        let w = self.history.weights[i];
        let last = self.trail[self.trail.len() - 1];
        let (from, to) = (last.t - 0.5 * bin_width(last.t), w.t + 0.5 * bin_width(w.t));
        let (before, after) =
            split(self.trace.standing, (from.max(0.0), to), self.extra, &last, &w);
        let mut empty = self.trace.empty.iter().copied().filter(|t| *t > before && *t < after);
        let lifted = empty.clone().next().zip(empty.next_back());
        let old = slope(&self.trail);
        let new = self.slope_ahead(i).unwrap_or(old);
        let faster = (new - 1e-9) / (old - 1e-9);
        // What steps before this one have left may weigh nothing.
        Step { before, after, from: last.g.max(LIGHTEST), g: off, lifted, faster }
    }

    /// Whether the step is that of a deed noted between the two weights: then the first weight
    /// after it is enough.
    fn is_noted_between(&mut self, step: &Step) -> bool {
        let share = step.g / step.from;
        let events = self.history.events.iter();
        let mut noted = events.filter(|e| e.probability == 1.0 && e.step.is_none());
        noted.any(|e| e.t >= step.before && e.t <= step.after && fits(e.deed, share))
            && self.is_noted(step)
    }

    /// Whether the step belongs to something that was written down: a deed without a step of its
    /// own, which is moved there, or the word that nothing else stands on the scale.
    fn is_noted(&mut self, step: &Step) -> bool {
        let share = step.g / step.from;
        let away = |t: f64| (step.before - t).max(t - step.after).max(0.0);
        let events = self.history.events.iter_mut();
        let free =
            events.filter(|e| e.probability == 1.0 && e.step.is_none() && fits(e.deed, share));
        let near = free.min_by(|a, b| away(a.t).total_cmp(&away(b.t)));
        // A trim that lies further off may have a step of its own still to come.
        let within = |e: &Event| if e.deed == Deed::Trim { HOUR } else { REMEMBERED };
        if let Some(event) = near.filter(|e| away(e.t) < within(e)) {
            let middle = 0.5 * (step.before + step.after);
            event.t =
                event.t.clamp((step.before + 1.0).min(middle), (step.after - 1.0).max(middle));
            event.step = Some(share.abs());
            return true;
        }
        // "It stands there as before": then it is the scale that moved.
        let said = self
            .trace
            .tares
            .windows(2)
            .any(|pair| away(pair[1].0) < HOUR && (pair[1].1 - pair[0].1).abs() < 0.05);
        if said {
            let from = self.history.weights.partition_point(|w| w.t < step.after);
            self.shift(from, step.g);
        }
        said
    }

    /// Takes `g` off the weights from `i` on, until somebody said anew what stands on the scale.
    fn shift(&mut self, i: usize, g: f64) {
        let from = self.history.weights[i].t;
        let until = self.trace.tares.iter().map(|(t, _)| *t).find(|t| *t > from + HOUR);
        for w in &mut self.history.weights[i..] {
            if until.is_none_or(|until| w.t < until) {
                w.g -= g;
            }
        }
    }

    fn event(&mut self, step: &Step, deed: Deed, probability: f64) {
        let share = Some((step.g / step.from).abs());
        self.history.events.push(Event { t: step.time(), deed, probability, step: share });
    }

    fn find(&mut self, step: &Step, what: What, probability: f64, grams: Option<f64>) {
        let t = step.time();
        self.history.found.push(Find { t, what, probability, grams, until: None });
    }
}

/// The single weighings on either side of a step, s since the start: where to cut the stretch so
/// that both parts lie nearest to the weights before and after.
fn split(
    standing: &[(f64, f64)],
    (from, to): (f64, f64),
    extra: f64,
    last: &Weight,
    w: &Weight,
) -> (f64, f64) {
    let first = standing.partition_point(|p| p.0 < from);
    let end = standing.partition_point(|p| p.0 <= to);
    let part = &standing[first..end.max(first)];
    // How much better each weighing fits the weight before than that after.
    let better = |p: &(f64, f64)| {
        let limit = (w.g - last.g).abs();
        let far = |g: f64| (p.1 - extra - g).abs().min(2.0 * limit);
        far(w.g) - far(last.g)
    };
    let (mut sum, mut best, mut cut) = (0.0, f64::NEG_INFINITY, 0);
    for (k, p) in part.iter().enumerate() {
        sum += better(p);
        if sum > best {
            (best, cut) = (sum, k + 1);
        }
    }
    match (part.get(cut.wrapping_sub(1)), part.get(cut)) {
        (Some(before), Some(after)) => (before.0, after.0),
        _ => (last.t, w.t),
    }
}

/// Whether a deed can have changed the weight by this share of it.
fn fits(deed: Deed, share: f64) -> bool {
    match deed {
        Deed::Trim => share < -0.5 * TRIM.0,
        Deed::Sponge => share < 0.0 && share > -0.08,
        Deed::Attach(_) => share > 0.0,
        Deed::Wet => share > 0.0 && share < 0.1,
    }
}

/// What the pot weighed at first, g: the median of its first weights.
fn reference(weights: &[Weight], ball: Option<f64>) -> Option<f64> {
    let mut first: Vec<f64> = weights.iter().filter(|w| w.used).take(5).map(|w| w.g).collect();
    first.sort_by(f64::total_cmp);
    let median = *first.get(first.len() / 2)?;
    match ball {
        Some(ball) if !(0.3 * ball..1.2 * ball).contains(&median) => Some(ball),
        _ => (median > 0.0).then_some(median),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{self, history};
    use crate::records::{Action, Pot};

    // Traces made by hand, all invented; what a potter does and how much it weighs is common
    // practice, no source.

    fn pot(tare_g: f64) -> Pot {
        Pot { tare_g: Some(tare_g), ..by_hand::pot() }
    }

    /// What a pot that loses 6 g an hour weighs, g.
    fn falling(hours: f64) -> f64 {
        590.0 - 6.0 * hours
    }

    /// A day on a cell that speaks every five minutes: what else stands there is counted in.
    fn day(gross: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        (0..=288).map(|k| f64::from(k) / 12.0).map(|t| (t, gross(t))).collect()
    }

    /// Lifted for half an hour before ten o'clock, `after` from then on.
    fn lifted(tare: f64, after: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        day(|t| match t {
            t if t < 9.5 => tare + falling(t),
            t if t < 10.0 => 0.2,
            t => after(t),
        })
    }

    fn finds(history: &History) -> Vec<(What, f64)> {
        history.found.iter().map(|f| (f.what, (f.t / HOUR * 10.0).round() / 10.0)).collect()
    }

    /// All weights that count lie where the pot's own mass is.
    fn bends_nothing(history: &History, own: impl Fn(f64) -> f64) {
        assert!(history.weights.iter().filter(|w| w.used).count() > 40);
        for w in history.weights.iter().filter(|w| w.used) {
            assert!((w.g - own(w.t / HOUR)).abs() < 1.0, "{w:?}, {}", own(w.t / HOUR));
        }
    }

    #[test]
    fn a_bat_left_away_is_known_by_its_weight() {
        let left = history(&pot(180.0), &[], &lifted(180.0, falling), 24.0);
        assert_eq!(finds(&left), [(What::Tare, 9.8)]);
        assert_eq!(left.found[0].grams, Some(0.0));
        assert!(left.found[0].probability > 0.8 && !left.trimmed);
        bends_nothing(&left, falling);
        // The answer that the report asks for settles it.
        let answer = [(left.found[0].t / HOUR, Action::Tare(0.0))];
        let settled = history(&pot(180.0), &answer, &lifted(180.0, falling), 24.0);
        assert_eq!(settled.found, []);
        bends_nothing(&settled, falling);
    }

    #[test]
    fn a_pot_trimmed_off_its_bat_is_both() {
        let cut = |t: f64| if t < 10.0 { falling(t) } else { 0.88 * falling(t) };
        let weights = lifted(300.0, cut);
        let both = history(&pot(300.0), &[], &weights, 24.0);
        assert_eq!(finds(&both), [(What::Tare, 9.8), (What::Trim, 9.8)]);
        assert!((both.events[0].step.unwrap() - 0.12).abs() < 0.01, "{:?}", both.events);
        bends_nothing(&both, cut);
        // With the trim noted, and then the bat.
        let trim = (both.found[1].t / HOUR, Action::Trim);
        let noted = history(&pot(300.0), std::slice::from_ref(&trim), &weights, 24.0);
        assert_eq!(finds(&noted), [(What::Tare, 9.8)]);
        assert!((noted.events[0].step.unwrap() - 0.12).abs() < 0.01, "{:?}", noted.events);
        let rows = [(trim.0, Action::Tare(0.0)), trim];
        let settled = history(&pot(300.0), &rows, &weights, 24.0);
        assert_eq!(settled.found, []);
        bends_nothing(&settled, cut);
    }

    #[test]
    fn a_board_that_stays_beside_it_is_taken_off_the_weights() {
        let board = |t: f64| falling(t) + if t < 10.0 { 0.0 } else { 412.0 };
        let found = history(&pot(0.0), &[], &day(board), 24.0);
        assert_eq!(finds(&found), [(What::Tare, 10.0)]);
        assert!((found.found[0].grams.unwrap() - 412.0).abs() < 1.0, "{:?}", found.found);
        bends_nothing(&found, falling);
        // Gone again after nine hours: back to nothing.
        let gone = |t: f64| if t < 19.0 { board(t) } else { falling(t) };
        let found = history(&pot(0.0), &[], &day(gone), 24.0);
        assert_eq!(finds(&found), [(What::Tare, 10.0), (What::Tare, 19.0)]);
        assert!(found.found[1].grams.unwrap().abs() < 1.0, "{:?}", found.found);
        bends_nothing(&found, falling);
    }

    #[test]
    fn clay_added_is_told_from_a_thing_that_is_taken_off_again() {
        let handle = |t: f64| if t < 10.0 { falling(t) } else { 1.08 * falling(t) };
        let found = history(&pot(0.0), &[], &lifted(0.0, handle), 24.0);
        assert_eq!(finds(&found), [(What::Attach, 9.8)]);
        assert!((found.found[0].grams.unwrap() - 42.5).abs() < 2.0, "{:?}", found.found);
        bends_nothing(&found, handle);
        let answer = [(found.found[0].t / HOUR, Action::Attach(found.found[0].grams))];
        assert_eq!(history(&pot(0.0), &answer, &lifted(0.0, handle), 24.0).found, []);
        let mug = |t: f64| falling(t) + if (10.0..19.0).contains(&t) { 42.0 } else { 0.0 };
        let found = history(&pot(0.0), &[], &lifted(0.0, mug), 24.0);
        assert_eq!(finds(&found), [(What::Tare, 9.8), (What::Tare, 19.0)]);
        bends_nothing(&found, falling);
        assert_eq!(found.events, []);
    }

    #[test]
    fn a_knock_that_stays_is_the_scales_own_and_can_be_denied() {
        let knocked = |t: f64| falling(t) + if t < 10.0 { 0.0 } else { -9.0 };
        let found = history(&pot(0.0), &[], &day(knocked), 24.0);
        assert_eq!(finds(&found), [(What::Tare, 10.0)]);
        bends_nothing(&found, falling);
        // "As before": nothing is asked again, whatever the step was taken for.
        for step in [-9.0, -60.0, 10.0, 200.0] {
            let trace = day(|t| falling(t) + if t < 10.0 { 0.0 } else { step });
            let asked = history(&pot(0.0), &[], &trace, 24.0);
            assert_eq!(asked.found.len(), 1, "{step}");
            let no = [(asked.found[0].t / HOUR, Action::Tare(0.0))];
            let denied = history(&pot(0.0), &no, &trace, 24.0);
            assert_eq!((&denied.found[..], &denied.events[..]), (&[][..], &[][..]), "{step}");
            bends_nothing(&denied, falling);
        }
    }

    #[test]
    fn what_is_done_to_the_air_is_no_step() {
        // Slow under plastic, opened at ten (in a gap of the trace too), closed again at sixteen.
        for silent in [0.0, 0.5, 3.0] {
            let open = |t: f64| (t - 10.0).clamp(0.0, 6.0);
            let trace = day(|t| 590.0 - 0.4 * t - 11.0 * open(t));
            let gap = |t: f64| (10.0 - 0.5 * silent..10.0 + 0.5 * silent).contains(&t);
            let trace: Vec<_> = trace.into_iter().filter(|(t, _)| !gap(*t)).collect();
            let found = history(&pot(0.0), &[], &trace, 24.0);
            assert_eq!((&found.found[..], &found.events[..]), (&[][..], &[][..]), "{silent}");
            assert!(found.weights.iter().all(|w| w.used));
        }
    }

    #[test]
    fn a_trim_among_daily_rounds_stands_out_from_its_rates() {
        let times = [0.1, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0];
        let weights = times.map(|t| (t, if t < 11.0 { falling(t) } else { 0.86 * falling(t) }));
        let found = history(&pot(0.0), &[], &weights, 24.0);
        assert_eq!(finds(&found), [(What::Trim, 10.5)]);
        let plain = times.map(|t| (t, falling(t)));
        assert_eq!(history(&pot(0.0), &[], &plain, 24.0).found, []);
        // Opened for that stretch, as was noted: the air may have done it.
        let rows = [9.0, 12.0].map(|t| {
            let cover = [crate::records::Cover::Open, crate::records::Cover::Wrapped];
            (t, Action::Cover(cover[usize::from(t > 10.0)]))
        });
        assert_eq!(history(&pot(0.0), &rows, &weights, 24.0).found, []);
    }

    #[test]
    fn two_trims_and_one_noted_from_memory() {
        let cut = |t: f64| match t {
            t if t < 8.0 => falling(t),
            t if t < 12.0 => 0.93 * falling(t),
            t => 0.93 * 0.9 * falling(t),
        };
        for (noted, asked) in [(11.0, 8.0), (8.2, 12.0), (14.0, 8.0), (6.0, 12.0)] {
            let one = history(&pot(0.0), &[(noted, Action::Trim)], &day(cut), 24.0);
            assert_eq!(finds(&one), [(What::Trim, asked)], "{noted}");
            assert_eq!(one.events.len(), 2);
        }
    }

    #[test]
    fn away_from_its_scale_and_back_and_still_away() {
        let away = |until: f64| {
            let gone = move |t: f64| (10.0..until).contains(&t);
            day(move |t| if gone(t) { 0.1 } else { falling(t) })
        };
        let back = history(&pot(0.0), &[], &away(18.0), 24.0);
        assert_eq!(finds(&back), [(What::Off, 10.0)]);
        assert!((back.found[0].until.unwrap() / HOUR - 18.0).abs() < 0.2);
        bends_nothing(&back, falling);
        let still = history(&pot(0.0), &[], &away(99.0), 24.0);
        assert_eq!((still.found[0].what, still.found[0].until), (What::Off, None));
        // Noted: what the cell says then is no weighing of this pot's.
        let looked = history(&pot(0.0), &[], &away(10.5), 24.0);
        assert_eq!(looked.found, []);
    }

    #[test]
    fn one_weight_alone_proves_nothing_yet() {
        for step in [-60.0, 80.0, 500.0] {
            let trace = day(|t| falling(t) + if t < 23.8 { 0.0 } else { step });
            let fresh = history(&pot(0.0), &[], &trace, 24.0);
            assert_eq!(fresh.found, [], "{step}");
            bends_nothing(&fresh, falling);
        }
    }

    /// A pot weighed now and then by hand, net g at hours: a wet one, whatever is mistyped.
    fn by_hand(weights: &[(f64, f64)]) -> crate::core::report::PotAnswer {
        use crate::records::{Point, Weighings};
        let mut studio = by_hand::studio_of_dried(0);
        let name = String::from("jar");
        let point =
            |(t, value): &(f64, f64)| Point { time: by_hand::MADE.plus(t * HOUR), value: *value };
        studio.at = by_hand::MADE.plus((weights[weights.len() - 1].0 + 0.1) * HOUR);
        studio.weighings.insert(name.clone(), Weighings(weights.iter().map(point).collect()));
        let pot = Pot { name, ball_g: Some(713.0), ..by_hand::pot() };
        studio.pots.insert(pot.name.clone(), pot);
        crate::core::assess_pot(&studio, "jar").unwrap()
    }

    #[test]
    fn a_mistyped_weight_is_no_trim_and_makes_no_wet_pot_dry() {
        let right = [(0.5, 695.0), (3.0, 685.0), (6.0, 672.0), (16.0, 637.0), (18.0, 632.0)];
        let told = by_hand(&right);
        assert!(told.found.is_empty() && told.water.now.p50 > 0.1, "{:?}", told.water);
        assert!(told.warnings.iter().all(|w| w.code != "keeps-its-weight"));
        for wrong in [572.0, 620.0, 402.0, 772.0, 690.0] {
            let mut weights = right;
            weights[2].1 = wrong;
            let with = by_hand(&weights);
            assert!(with.found.is_empty(), "{wrong}: {:?}", with.found);
            let off = (with.water.now.p50 - told.water.now.p50).abs();
            assert!(off < 0.02, "{wrong}: {:?}, {:?}", with.water.now, told.water.now);
            assert_eq!(with.fire.call, crate::core::report::FireCall::Wait, "{wrong}");
        }
        // Between the right ones, again and again.
        for wrong in [575.0, 484.0, 620.0] {
            let more = [(8.0, wrong), (17.0, wrong)];
            let mut weights: Vec<_> = right.into_iter().chain(more).collect();
            weights.sort_by(|a, b| a.0.total_cmp(&b.0));
            let with = by_hand(&weights);
            assert!(with.found.is_empty(), "{wrong}: {:?}", with.found);
            assert_eq!(with.fire.call, crate::core::report::FireCall::Wait, "{wrong}");
        }
    }

    /// The last weight alone, by so much too low as no trim is: another pot's, or mistyped.
    #[test]
    fn a_last_weight_that_nothing_explains_moves_nothing() {
        let right = [(0.5, 695.0), (3.0, 685.0), (6.0, 672.0), (16.0, 637.0), (18.0, 632.0)];
        let told = by_hand(&right);
        for wrong in [330.0, 280.0, 240.0, 232.0] {
            let with = by_hand(&[&right[..], &[(18.9, wrong)]].concat());
            assert!(with.found.is_empty(), "{wrong}: {:?}", with.found);
            let off = (with.water.now.p50 - told.water.now.p50).abs();
            assert!(off < 0.02, "{wrong}: {:?}, {:?}", with.water.now, told.water.now);
        }
    }

    /// Wrapped, and nobody wrote it down: it keeps its weight, and is wet.
    #[test]
    fn a_pot_that_keeps_its_weight_is_not_dry_for_that() {
        for kept in [845.0 - 180.0, 889.0 - 180.0] {
            let still = [(24.0, kept), (40.0, kept), (64.0, kept), (72.0, kept)];
            let weights: Vec<_> = [(0.3, 710.0)].into_iter().chain(still).collect();
            let told = by_hand(&weights);
            assert_eq!(told.fire.call, crate::core::report::FireCall::Wait, "{:?}", told.fire);
            assert!(told.water.free.p10 > 0.05, "{kept}: {:?}", told.water);
            let said = told.warnings.iter().any(|w| w.code == "keeps-its-weight");
            assert!(said, "{kept}: {:?} {:?}", told.warnings, told.water);
        }
    }

    /// The first weight after a trim that was noted says what it took, on a cell too.
    #[test]
    fn the_first_weight_after_a_noted_trim_counts() {
        let mut weights: Vec<(f64, f64)> =
            (0..120).map(|k| f64::from(k) / 12.0).map(|t| (t, 700.0 - 6.0 * t)).collect();
        weights.push((10.3, 590.0));
        let trace = history(&by_hand::pot(), &[(10.1, Action::Trim)], &weights, 10.4);
        let [event] = &trace.events[..] else { panic!("{:?}", trace.events) };
        assert!((event.step.unwrap() - 50.0 / 640.0).abs() < 0.02, "{event:?}");
        assert!(trace.weights.iter().all(|w| w.used) && trace.found.is_empty());
    }
}
