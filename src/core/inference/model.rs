//! The pot's own model: its unknowns, its history cut into steps, its way through them.

use super::priors::{self, Prior, Unknown};
use crate::core::air;
use crate::core::clay::Sorption;
use crate::core::drying::{LANES, Lane, PotPhysics, PotState, StepAir, StepKeeping};
use crate::core::handling::{Deed, History, Keeping};
use crate::core::room::{Climate, Room};
use crate::records::{Body, Cover, Pot};
use crate::units::{DAY, HOUR};

/// A fresh pot dries faster than its clay: throwing water stands on it. Size and duration, s.
const FRESH: (f64, f64) = (0.3, 1.5 * HOUR);

/// Shape of the desorption isotherm: between the two measured clay bricks.
const ISOTHERM: Sorption = Sorption { monolayer: 0.0185, c: 4.2, k: 0.70 };

/// Steps of time, s, up to an age, s.
const STEPS: [(f64, f64); 6] = [
    (24.0 * HOUR, 15.0 * 60.0),
    (72.0 * HOUR, 30.0 * 60.0),
    (240.0 * HOUR, HOUR),
    (90.0 * DAY, 3.0 * HOUR),
    // A pot that somebody forgot, or that is looked at by a wrong clock.
    (720.0 * DAY, DAY),
    (f64::INFINITY, 30.0 * DAY),
];

/// A pot that is opened, turned or trimmed moves fast again: its steps are no longer than those at
/// this age, s, and from there on.
const AGE_AFTER_CHANGE: f64 = DAY;

/// One step of a pot's time.
#[derive(Clone, Debug)]
pub struct Span {
    /// Its start, s since the history's start.
    pub from: f64,
    /// Its end.
    pub to: f64,
    /// Mean air.
    pub climate: Climate,
    /// The same as the model wants it.
    pub air: StepAir,
    /// How the pot stands.
    pub keeping: StepKeeping,
    /// Events at its start: their places in the history's events.
    pub events: Vec<usize>,
}

/// A pot with its unknowns and its past, ready to be run.
pub struct Model<'a> {
    /// Its history.
    pub history: &'a History,
    /// Its unknowns.
    pub priors: Vec<Prior>,
    /// Its past, step by step.
    pub spans: Vec<Span>,
    bag_water: f64,
    wall_m: f64,
    base_m: f64,
}

/// The past of [`LANES`] parameter sets.
pub struct Past {
    /// Mass at the start (after its events) and end of each span, g.
    pub mass: Vec<(Lane, Lane)>,
    /// Mean water at the end of each span, kg/kg dry basis.
    pub water: Vec<Lane>,
    /// Where it stands now.
    pub state: PotState,
    /// Its parameters.
    pub physics: PotPhysics,
}

/// Cuts a stretch of time into steps at the pot's events and changes of keeping.
pub fn spans(
    history: &History,
    room: &Room,
    from: f64,
    to: f64,
    widths: &[(f64, f64)],
) -> Vec<Span> {
    let mut marks: Vec<f64> = history.keeping.iter().map(|k| k.from).collect();
    marks.extend(history.events.iter().map(|e| e.t));
    marks.retain(|m| *m > from && *m < to);
    marks.sort_by(f64::total_cmp);
    let mut out: Vec<Span> = Vec::new();
    let mut at = from;
    let mut marks = marks.into_iter().peekable();
    let mut changed = f64::NEG_INFINITY;
    while at < to {
        while let Some(mark) = marks.next_if(|m| *m <= at) {
            changed = mark;
        }
        let age = (at - from).min(at - changed + AGE_AFTER_CHANGE);
        let width = widths.iter().find(|(a, _)| age < *a).map_or(HOUR, |(_, w)| *w);
        let mut end = (at + width).min(to);
        if let Some(m) = marks.peek() {
            end = end.min(*m);
        }
        let climate = room.between(at, end);
        let begun = |t: f64| t >= at || (out.is_empty() && from == 0.0);
        let events = (0..history.events.len()).filter(|i| {
            let t = history.events[*i].t;
            begun(t) && t < end
        });
        let events = events.collect();
        out.push(Span {
            from: at,
            to: end,
            climate,
            air: step_air(&climate),
            keeping: standing(history.keeping_at(at)),
            events,
        });
        at = end;
    }
    out
}

/// How the pot stands, as the model wants it.
pub fn standing(k: Keeping) -> StepKeeping {
    let cover = Cover::ALL.iter().position(|c| *c == k.cover).unwrap_or(0);
    StepKeeping { cover, flipped: [k.flipped; LANES] }
}

/// The air of a step, the same for all lanes.
pub fn step_air(c: &Climate) -> StepAir {
    let constant = air::still_air_constant(c.temperature, air::STANDARD_PRESSURE);
    let saturation = air::saturation_pressure(c.temperature);
    // The slope that counts is the secant down to the wet pot, which is colder by about this.
    let slope = air::slope(c.temperature);
    let colder = (saturation * (1.0 - c.humidity) / (constant + slope)).max(0.1);
    let secant = (saturation - air::saturation_pressure(c.temperature - colder)) / colder;
    StepAir { saturation, cooling: secant / constant, humidity: [c.humidity; LANES] }
}

/// How much faster a fresh pot dries, `t` seconds after it was made.
pub fn freshness(t: f64) -> f64 {
    1.0 + FRESH.0 * (-t / FRESH.1).exp()
}

impl<'a> Model<'a> {
    /// A pot's model as of its history's now.
    pub fn new(pot: &Pot, body: Option<&Body>, history: &'a History, room: &Room) -> Model<'a> {
        let ((wall_m, _), (base_m, _)) = priors::thickness(pot);
        Model {
            history,
            priors: priors::of_pot(pot, body, history),
            spans: spans(history, room, 0.0, history.now.max(1.0), &STEPS),
            bag_water: priors::bag_water_dry(body),
            wall_m,
            base_m,
        }
    }

    /// An unknown's value on its own scale, from standard deviations off its prior.
    fn value(&self, unknown: Unknown, z: &[f64]) -> Option<f64> {
        let i = self.priors.iter().position(|p| p.unknown == unknown)?;
        Some(self.priors[i].mean + self.priors[i].sd * z[i])
    }

    fn lanes(&self, unknown: Unknown, z: &[Vec<f64>], or: f64, scale: fn(f64) -> f64) -> Lane {
        std::array::from_fn(|l| {
            let set = &z[l.min(z.len() - 1)];
            self.value(unknown, set).map_or(or, scale)
        })
    }

    /// Parameters of up to [`LANES`] sets of unknowns (the last fills the lanes left over).
    pub fn physics(&self, z: &[Vec<f64>]) -> PotPhysics {
        let exp = |u, or| self.lanes(u, z, or, f64::exp);
        PotPhysics {
            dry_g: exp(Unknown::Dry, 1.0),
            water: self.lanes(Unknown::Water, z, 0.3, |x| x.max(0.01)),
            base_share: self.lanes(Unknown::BaseShare, z, 0.3, logistic),
            wall_m: [self.wall_m; LANES],
            base_m: [self.base_m; LANES],
            conductance: exp(Unknown::Conductance, 3e-8),
            cover: std::array::from_fn(|c| exp(Unknown::Covering(c), 1.0)),
            base_inside: exp(Unknown::BaseInside, 0.3),
            base_flipped: exp(Unknown::BaseFlipped, 0.9),
            diffusivity: exp(Unknown::Diffusivity, 1e-9),
            wall_flipped: exp(Unknown::WallFlipped, 0.93),
            shared: self.lanes(Unknown::Shared, z, 0.7, logistic),
            monolayer: exp(Unknown::Monolayer, 0.017),
            isotherm: ISOTHERM,
        }
    }

    /// Runs the past of up to [`LANES`] sets of unknowns.
    pub fn past(&self, z: &[Vec<f64>]) -> Past {
        self.past_spans(z, self.spans.len())
    }

    /// Runs the first spans of the past of up to [`LANES`] sets of unknowns.
    pub fn past_spans(&self, z: &[Vec<f64>], count: usize) -> Past {
        let physics = self.physics(z);
        let mut state = PotState::new(&physics);
        let mut mass = Vec::with_capacity(count);
        let mut water = Vec::with_capacity(count);
        for span in self.spans.iter().take(count) {
            for i in &span.events {
                self.apply(*i, z, &mut state);
            }
            let before = state.mass_g();
            let gain = [freshness(0.5 * (span.from + span.to)); LANES];
            state.step(&physics, &span.air, span.keeping, &gain, span.to - span.from);
            mass.push((before, state.mass_g()));
            water.push(state.mean_water());
        }
        Past { mass, water, state, physics }
    }

    fn apply(&self, event: usize, z: &[Vec<f64>], state: &mut PotState) {
        match self.history.events[event].deed {
            Deed::Trim => state.trim(&self.lanes(Unknown::Trimmed(event), z, 0.0, logistic)),
            Deed::Attach(_) => {
                let grams = self.lanes(Unknown::Attached(event), z, 0.0, f64::exp);
                state.attach(&grams, self.bag_water);
            }
            Deed::Wet | Deed::Sponge => {
                state.wet(&self.lanes(Unknown::Wetted(event), z, 0.0, |x| x));
            }
        }
    }
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

/// Water that clay of this monolayer holds in balance with the air, kg/kg dry basis (desorption).
pub fn balance(monolayer: f64, humidity: f64) -> f64 {
    Sorption { monolayer, ..ISOTHERM }.water(humidity)
}
