//! A batch of draws on its way through the coming air, step by step.

use super::{BONE_DRY_MEAN, BONE_DRY_WETTEST, Band, Batch, Brought, Draw, cross};
use crate::core::drying::{LANES, Lane, PotState, StepKeeping};
use crate::core::inference::model::Span;
use crate::core::uneven::strain::Strain;

/// A batch on its way; times in seconds since the pot was made, infinite where they never came.
#[derive(Clone)]
pub struct Going {
    pub opens: Lane,
    pub closes: Lane,
    pub bone_dry: Lane,
    /// When its wettest part is dry ([`Going::see_wettest`]).
    pub dry_through: Lane,
    pub(super) firm_base: Lane,
    /// Water of its wettest part when that was looked at last, kg/kg dry basis.
    pub wettest: Lane,
    pub(super) water: Lane,
    pub(super) base: Lane,
    pub state: PotState,
    turned: [bool; LANES],
    /// How unevenly it dries, where that is looked at.
    pub strain: Strain,
}

impl Going {
    /// At its beginning.
    pub fn new(batch: &Batch) -> Going {
        let passed = |of: fn(&Draw) -> Option<f64>| {
            std::array::from_fn(|l| batch.draws.get(l).and_then(of).unwrap_or(f64::INFINITY))
        };
        Going {
            opens: passed(|d| d.opens),
            closes: passed(|d| d.closes),
            bone_dry: passed(|d| d.bone_dry),
            firm_base: passed(|d| d.firm_base),
            dry_through: std::array::from_fn(|l| match batch.draws.get(l) {
                Some(draw) if draw.wettest_free <= BONE_DRY_WETTEST => batch.now,
                _ => f64::INFINITY,
            }),
            wettest: batch.state.wettest(),
            water: batch.state.mean_water(),
            base: batch.state.base_water(),
            state: batch.state.clone(),
            turned: [false; LANES],
            strain: Strain::new(
                std::array::from_fn(|l| batch.draws.get(l).map_or(0.0, |d| d.passed)),
                batch.now,
            ),
        }
    }

    /// One step on, of a batch that is kept like this.
    pub fn step(
        &mut self,
        batch: &Batch,
        (span, band): (&Span, Band),
        mut keeping: StepKeeping,
        brought: &Brought,
    ) {
        for l in 0..batch.draws.len() {
            self.turned[l] |= self.water[l] < batch.turn_at[l];
            keeping.flipped[l] |= self.turned[l];
        }
        let dt = span.to - span.from;
        self.state.step(&batch.physics, &brought.air, keeping, &brought.gain, dt);
        let (before, water) = (self.water, self.state.mean_water());
        let (base_before, base) = (self.base, self.state.base_water());
        for l in 0..batch.draws.len() {
            let pass = |time: &mut f64, (before, water): (f64, f64), level: f64| {
                if time.is_infinite() {
                    let t = cross(span.from, before, span.to, water, level);
                    *time = t.unwrap_or(f64::INFINITY);
                }
            };
            let mean = (before[l], water[l]);
            pass(&mut self.opens[l], mean, band.from);
            pass(&mut self.closes[l], mean, band.to);
            pass(&mut self.bone_dry[l], mean, brought.balance[l] + BONE_DRY_MEAN);
            pass(&mut self.firm_base[l], (base_before[l], base[l]), band.from);
        }
        (self.water, self.base) = (water, base);
    }

    /// Where somebody asks for it, after each step: whether its wettest part is dry.
    pub fn see_wettest(&mut self, span: &Span, brought: &Brought) {
        let (before, wettest) = (self.wettest, self.state.wettest());
        for (l, dry) in self.dry_through.iter_mut().enumerate().filter(|(_, t)| t.is_infinite()) {
            let level = brought.balance[l] + BONE_DRY_WETTEST;
            let passed = cross(span.from, before[l], span.to, wettest[l], level);
            *dry = passed.unwrap_or(f64::INFINITY);
        }
        self.wettest = wettest;
    }
}
