//! What the trace tells though nobody wrote it down.
//!
//! A pot that dries leaves a smooth trace, so a step that stays was done by somebody: clay was cut
//! away or added, water brought on or taken off, or something else stands on the scale. Which of
//! these it was is weighed by Bayes' rule from its size, from whether the pot was off the scale at
//! that moment, and from how fast it dries before and after. Priors are common practice, no source.
//! How steps are found stands in [`super::trace`].

use crate::units::HOUR;

/// What a find was taken for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum What {
    /// Clay cut away.
    Trim,
    /// Wet clay added.
    Attach,
    /// Water brought on.
    Wet,
    /// Water taken off.
    Sponge,
    /// More or less than before stands on the scale with the pot, or the scale itself moved.
    Tare,
    /// Off the scale.
    Off,
}

impl What {
    /// The action's word in the handling log.
    pub fn word(self) -> &'static str {
        match self {
            What::Trim => "trim",
            What::Attach => "attach",
            What::Wet => "wet",
            What::Sponge => "sponge",
            What::Tare => "tare",
            What::Off => "off",
        }
    }
}

/// Something found in the trace.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Find {
    /// When, s since the start.
    pub t: f64,
    /// What.
    pub what: What,
    /// How sure, 0–1.
    pub probability: f64,
    /// Of a tare: what stands on the scale from then on, g. Of clay: how much, g.
    pub grams: Option<f64>,
    /// Of a pot off its scale that came back: when, s since the start.
    pub until: Option<f64>,
}

/// A weight within this share of the ball of nothing is nothing: an empty scale's creep and crumbs
/// (common practice, no source).
pub const EMPTY: f64 = 0.03;
/// From lifting a pot to trimming it, s (common practice, no source).
const AT_THE_WHEEL: f64 = 1200.0;
/// A pot that is off its scale for longer than this is told of, s.
const OFF: f64 = HOUR;

/// A loss of this share of the pot at a stroke, that stays, can be a trim.
pub const TRIM: (f64, f64) = (0.02, 0.45);
/// A step in the trace.
#[derive(Clone, Copy, Debug)]
pub struct Step {
    /// Last weighing before it, first after, s since the start.
    pub before: f64,
    pub after: f64,
    /// What the pot weighed before it, g; above 0.
    pub from: f64,
    /// Gained, g.
    pub g: f64,
    /// When the scale was first and last seen empty in between, s since the start.
    pub lifted: Option<(f64, f64)>,
    /// Rate after, over the rate before.
    pub faster: f64,
}

impl Step {
    /// When it was done: a pot that was lifted is trimmed then and there, though its cell be
    /// silent for long afterwards.
    pub fn time(&self) -> f64 {
        match self.lifted {
            Some((first, last)) => {
                let middle = 0.5 * (first + last);
                (first + AT_THE_WHEEL).max(middle).min(0.5 * (first + self.after))
            }
            None => 0.5 * (self.before + self.after),
        }
    }
}

/// What a step most likely was, and how likely that is.
pub fn weigh(step: &Step, tare: f64, extra: f64, full: f64, seldom: bool) -> (What, f64) {
    let (g, m) = (step.g.abs(), step.from);
    let share = g / m;
    // A pot is trimmed at the wheel: it was off its scale.
    let off_scale = seldom || step.lifted.is_some() || step.after - step.before > 480.0;
    let normal = |off: f64, sd: f64| (-0.5 * (off / sd).powi(2)).exp() / (2.5066 * sd);
    let wetness = m / full;
    let workable = if wetness > 0.8 { 1.0 } else { 0.1 };
    let moved = if off_scale { 0.02 } else { 0.1 } * (-g / 10.0).exp() / 10.0;
    let mut cases: Vec<(What, f64)> = vec![(What::Tare, moved)];
    if step.g < 0.0 {
        let size = match share {
            s if s < TRIM.0 => (s / TRIM.0).powi(2),
            s if s < 0.3 => 1.0,
            s if s < TRIM.1 => 0.3,
            _ => 0.0,
        };
        let likely = workable * if off_scale { 1.0 } else { 0.2 };
        cases.push((What::Trim, likely * size / (0.25 * m)));
        // Boards and bats take up water: their weight is known to a hundredth.
        for gone in [tare, extra].into_iter().filter(|t| *t > 3.0) {
            cases.push((What::Tare, 0.3 * normal(g - gone, 1.0 + 0.01 * gone)));
        }
        let little = (1.0 - share / 0.04).max(0.0);
        cases.push((What::Sponge, 0.05 * workable * little / (0.02 * m)));
    } else {
        let clay = if share < 0.2 { 1.0 } else { (-(share - 0.2) / 0.03).exp() };
        let workable = if wetness > 0.84 { 1.0 } else { 0.05 };
        cases.push((What::Attach, 0.3 * workable * clay / (0.2 * m)));
        cases.push((What::Tare, 0.3 / (5.7 * g.max(5.0))));
        if share < 0.08 {
            let sped = if step.faster > 1.5 { 1.0 } else { 0.2 };
            cases.push((What::Wet, 0.2 * sped / (0.06 * m)));
        }
    }
    // Something else altogether, a pot taken for another for instance.
    let all: f64 = cases.iter().map(|c| c.1).sum::<f64>() + 0.02 / m;
    let mut best = (What::Tare, 0.0);
    for what in [What::Tare, What::Trim, What::Attach, What::Sponge, What::Wet] {
        let sum: f64 = cases.iter().filter(|c| c.0 == what).map(|c| c.1).sum();
        if sum > best.1 {
            best = (what, sum);
        }
    }
    (best.0, (best.1 / all).clamp(0.01, 0.98))
}

/// The times that a pot was off its scale, from single weighings (t, net g) with something on it
/// and the times that nothing was, s since the start.
pub fn away(standing: &[(f64, f64)], empty: &[f64]) -> Vec<Find> {
    let mut finds = Vec::new();
    let mut k = 0;
    while k < empty.len() {
        let t = empty[k];
        let back = standing[standing.partition_point(|p| p.0 <= t)..].first().map(|p| p.0);
        let next = empty.partition_point(|e| back.is_none_or(|back| *e < back)).max(k + 1);
        // Silence tells nothing: only as long as the scale was seen empty.
        let last = empty[next - 1];
        if next - k >= 3 && last - t > OFF {
            let until = back.map(|_| last);
            finds.push(Find { t, what: What::Off, probability: 0.95, grams: None, until });
        }
        k = next;
    }
    finds
}
