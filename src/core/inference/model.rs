//! The pot's own model: its unknowns, its history cut into steps, its way through them.

use super::priors::{self, Beliefs, Unknown};
use crate::core::air;
use crate::core::clay::Sorption;
use crate::core::drying::{LANES, Lane, PotPhysics, PotState, StepAir, StepKeeping};
use crate::core::handling::{Deed, History, Keeping};
use crate::core::room::{Climate, Room};
use crate::records::{Body, Cover, Pot};
use crate::units::{DAY, HOUR};
use nalgebra::DVector;

/// A fresh pot dries faster than its clay: throwing water stands on it, and it has yet to cool to
/// what its drying keeps it at. Size and duration, s (inferred, no source).
const FRESH: (f64, f64) = (0.25, 0.7 * HOUR);

/// Shape of the desorption isotherm: between the two measured clay bricks.
pub const ISOTHERM: Sorption = Sorption { monolayer: 0.0185, c: 4.2, k: 0.70 };

/// Monolayers of clay, kg/kg dry basis, a third and three times those of the two bricks: bodies
/// differ 2–3×. Whatever keeps its weight with more water than that holds is wet, not dry.
const MONOLAYERS: (f64, f64) = (0.006, 0.055);

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

impl Span {
    /// This and the next one as one.
    fn with(&self, next: &Span) -> Span {
        let share = (self.to - self.from) / (next.to - self.from);
        let mean =
            |of: fn(&Climate) -> f64| share * of(&self.climate) + (1.0 - share) * of(&next.climate);
        let climate =
            Climate { temperature: mean(|c| c.temperature), humidity: mean(|c| c.humidity) };
        Span { to: next.to, climate, air: step_air(&climate), ..self.clone() }
    }
}

/// A pot with its unknowns and its past, ready to be run.
#[derive(Clone)]
pub struct Model<'a> {
    /// Its history.
    pub history: &'a History,
    /// Its unknowns.
    pub beliefs: Beliefs,
    /// Its past, step by step.
    pub spans: Vec<Span>,
    /// Since when it is supposed to stand on its rim though nobody wrote that down, s since the
    /// history's start.
    pub turned_since: Option<f64>,
    bag_water: f64,
    wall_m: f64,
    base_m: f64,
}

/// Unknowns on their own scales, by lane.
type Values = [DVector<f64>; LANES];

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
    StepKeeping { cover: place_of(k.cover), flipped: [k.flipped; LANES] }
}

/// A cover's place among all.
pub fn place_of(cover: Cover) -> usize {
    Cover::ALL.iter().position(|c| *c == cover).unwrap_or(0)
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
            beliefs: priors::of_pot(pot, body, history),
            spans: spans(history, room, 0.0, history.now.max(1.0), &STEPS),
            turned_since: None,
            bag_water: priors::bag_water_dry(body),
            wall_m,
            base_m,
        }
    }

    /// The same, supposed to stand on its rim from the start of a span on.
    pub fn turned(&self, span: usize) -> Model<'a> {
        let mut turned = self.clone();
        turned.turned_since = self.spans.get(span).map(|s| s.from);
        turned.spans.iter_mut().skip(span).for_each(|s| s.keeping.flipped = [true; LANES]);
        turned
    }

    /// The same in steps of twice the length, but for those that something divides: near enough to
    /// find the valleys of a fit.
    pub fn coarser(&self) -> Model<'a> {
        let mut coarse = self.clone();
        coarse.spans.clear();
        let mut spans = self.spans.iter().peekable();
        while let Some(span) = spans.next() {
            let joins = |next: &&Span| next.events.is_empty() && next.keeping == span.keeping;
            coarse.spans.push(match spans.next_if(joins) {
                Some(next) => span.with(next),
                None => span.clone(),
            });
        }
        coarse
    }

    /// Parameters of up to [`LANES`] sets of unknowns (the last fills the lanes left over).
    pub fn physics(&self, z: &[Vec<f64>]) -> PotPhysics {
        self.physics_of(&self.values(z))
    }

    fn values(&self, z: &[Vec<f64>]) -> Values {
        let lanes: Vec<_> = z.iter().map(|set| self.beliefs.values(set)).collect();
        std::array::from_fn(|l| lanes[l.min(lanes.len() - 1)].clone())
    }

    fn lanes(&self, unknown: Unknown, values: &Values, or: f64, scale: fn(f64) -> f64) -> Lane {
        match self.beliefs.place(unknown) {
            Some(i) => std::array::from_fn(|l| scale(values[l][i])),
            None => [or; LANES],
        }
    }

    fn physics_of(&self, values: &Values) -> PotPhysics {
        let exp = |u, or| self.lanes(u, values, or, f64::exp);
        let plain = |u, or| self.lanes(u, values, or, |x| x);
        let bag = plain(Unknown::Bag, 0.28).map(|x| x.max(0.01));
        let (kept, throwing) = (exp(Unknown::Kept, 1.0), plain(Unknown::Throwing, 0.03));
        PotPhysics {
            dry_g: std::array::from_fn(|l| kept[l] * self.beliefs.ball_g / (1.0 + bag[l])),
            water: std::array::from_fn(|l| (bag[l] + throwing[l]).max(0.01)),
            base_share: self.lanes(Unknown::BaseShare, values, 0.3, logistic),
            wall_m: [self.wall_m; LANES],
            base_m: [self.base_m; LANES],
            conductance: exp(Unknown::Conductance, 3e-8),
            cover: std::array::from_fn(|c| exp(Unknown::Covering(c), 1.0)),
            base_inside: exp(Unknown::BaseInside, 0.3),
            underside: exp(Unknown::Underside, 0.9),
            diffusivity: exp(Unknown::Diffusivity, 1e-9),
            rim_open: self.lanes(Unknown::RimOpen, values, 0.4, logistic),
            shared: self.lanes(Unknown::Shared, values, 0.7, logistic),
            monolayer: exp(Unknown::Monolayer, 0.017).map(|m| m.clamp(MONOLAYERS.0, MONOLAYERS.1)),
            isotherm: ISOTHERM,
        }
    }

    /// Runs the past of up to [`LANES`] sets of unknowns.
    pub fn past(&self, z: &[Vec<f64>]) -> Past {
        self.past_spans(z, self.spans.len())
    }

    /// Runs the first spans of the past of up to [`LANES`] sets of unknowns.
    pub fn past_spans(&self, z: &[Vec<f64>], count: usize) -> Past {
        self.run(&self.values(z), [0.0; LANES], count, |_, _| ())
    }

    /// Runs the past of up to [`LANES`] sets of unknowns, and shows how they stand at the end of
    /// each span.
    pub fn watched(&self, z: &[Vec<f64>], see: impl FnMut(&Span, &PotState)) {
        self.run(&self.values(z), [0.0; LANES], self.spans.len(), see);
    }

    /// How much of a gram too much at the start is left at the start and end of each span.
    pub fn fading(&self, z: &[f64], count: usize) -> Vec<(f64, f64)> {
        const MORE: f64 = 1e-3;
        let mut wetter = [0.0; LANES];
        wetter[1] = MORE;
        let past = self.run(&self.values(&[z.to_vec()]), wetter, count, |_, _| ());
        let more = MORE * past.physics.dry_g[0];
        past.mass.iter().map(|(a, b)| ((a[1] - a[0]) / more, (b[1] - b[0]) / more)).collect()
    }

    fn run(
        &self,
        values: &Values,
        wetter: Lane,
        count: usize,
        mut see: impl FnMut(&Span, &PotState),
    ) -> Past {
        let mut physics = self.physics_of(values);
        physics.water = std::array::from_fn(|l| physics.water[l] + wetter[l]);
        let mut state = PotState::new(&physics);
        let mut mass = Vec::with_capacity(count);
        let mut water = Vec::with_capacity(count);
        let mut before = state.mass_g();
        for span in self.spans.iter().take(count) {
            if !span.events.is_empty() {
                for i in &span.events {
                    self.apply(*i, values, &mut state);
                }
                before = state.mass_g();
            }
            let gain = [freshness(0.5 * (span.from + span.to)); LANES];
            state.step(&physics, &span.air, span.keeping, &gain, span.to - span.from);
            let mean = state.mean_water();
            let after = state.mass_with(&mean);
            mass.push((before, after));
            water.push(mean);
            before = after;
            see(span, &state);
        }
        Past { mass, water, state, physics }
    }

    fn apply(&self, event: usize, values: &Values, state: &mut PotState) {
        match self.history.events[event].deed {
            Deed::Trim => state.trim(&self.lanes(Unknown::Trimmed(event), values, 0.0, logistic)),
            Deed::Attach(_) => {
                let grams = self.lanes(Unknown::Attached(event), values, 0.0, f64::exp);
                state.attach(&grams, self.bag_water);
            }
            Deed::Wet | Deed::Sponge => {
                state.wet(&self.lanes(Unknown::Wetted(event), values, 0.0, |x| x));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, history, pot, room};
    use crate::records::Action;

    fn close(got: f64, want: f64, within: f64, what: &str) {
        assert!((got - want).abs() <= within, "{what}: {got}, {want}");
    }

    #[test]
    fn steps_join_and_are_cut_where_something_happens() {
        let rows = [
            (2.1, Action::Cover(Cover::Wrapped)),
            (2.1, Action::Sponge),
            (20.0, Action::Cover(Cover::Open)),
            (30.3, Action::Trim),
        ];
        let history = history(&pot(), &rows, &[], 40.0);
        let room = room(20.0, 0.5, 40.0, 40.0);
        let spans = spans(&history, &room, 0.0, history.now, &STEPS);
        assert_eq!((spans[0].from, spans[spans.len() - 1].to), (0.0, 40.0 * HOUR));
        for pair in spans.windows(2) {
            assert_eq!(pair[0].to, pair[1].from);
        }
        for s in &spans {
            assert!(s.to > s.from && s.to - s.from <= HOUR, "{s:?}");
            let cover = if s.from < 2.1 * HOUR || s.from >= 20.0 * HOUR { 0 } else { 2 };
            assert_eq!(s.keeping.cover, cover, "{s:?}");
            assert_eq!(s.keeping.flipped[0], s.from >= 30.3 * HOUR, "{s:?}");
            assert_eq!(s.climate, Climate { temperature: 20.0, humidity: 0.5 });
        }
        // Every deed is done once, at the start of a step.
        let done: Vec<_> =
            spans.iter().flat_map(|s| s.events.iter().map(|i| (*i, s.from / HOUR))).collect();
        assert_eq!(done, [(0, 2.1), (1, 30.3)]);
    }

    #[test]
    fn steps_are_short_again_after_a_change() {
        let rows =
            [(1.0, Action::Cover(Cover::Wrapped)), (24.0 * 12.0, Action::Cover(Cover::Open))];
        let history = history(&pot(), &rows, &[], 24.0 * 20.0);
        let room = room(20.0, 0.5, 24.0 * 20.0, 24.0 * 20.0);
        let spans = spans(&history, &room, 0.0, history.now, &STEPS);
        let width = |day: f64| {
            let s = spans.iter().find(|s| s.to > day * DAY).unwrap();
            (s.to - s.from) / 60.0
        };
        assert_eq!([0.0, 2.0, 5.0, 11.0].map(width), [15.0, 30.0, 60.0, 180.0]);
        assert_eq!([12.0, 13.9, 14.1, 19.0].map(width), [30.0, 30.0, 60.0, 60.0]);
    }

    /// Steps of twice the length lose nearly the same, and are divided where the others are.
    #[test]
    fn coarse_steps_lead_nearly_to_the_same_end() {
        let rows = [
            (3.1, Action::Cover(Cover::Draped)),
            (14.0, Action::Cover(Cover::Open)),
            (20.3, Action::Flip),
            (26.0, Action::Trim),
        ];
        let history = history(&pot(), &rows, &[], 60.0);
        let room = room(20.0, 0.5, 60.0, 60.0);
        let model = Model::new(&pot(), Some(&body()), &history, &room);
        let coarse = model.coarser();
        assert!(coarse.spans.len() < 2 * model.spans.len() / 3);
        assert!(coarse.spans.windows(2).all(|pair| pair[0].to == pair[1].from));
        for (hours, _) in rows {
            assert!(coarse.spans.iter().any(|s| s.from == hours * HOUR), "{hours}");
        }
        let sets = [-1.0, 0.0, 1.0].map(|z| vec![z; model.beliefs.len()]);
        let [fine, coarse] = [&model, &coarse].map(|m| m.past(&sets));
        let last = |past: &Past, lane: usize| past.mass.last().unwrap().1[lane];
        for lane in 0..3 {
            let lost = fine.mass[0].0[lane] - last(&fine, lane);
            let apart = (last(&fine, lane) - last(&coarse, lane)).abs();
            assert!(apart < 0.01 * lost, "{apart} of {lost}");
        }
    }

    /// A pot of long ago costs little: 200 years are some thousands of steps.
    #[test]
    fn long_times_take_long_steps() {
        let history = history(&pot(), &[], &[], 24.0 * 365.0 * 200.0);
        let room = Room::new(&[(f64::NEG_INFINITY, None)], pot().made_at, history.now);
        let spans = spans(&history, &room, 0.0, history.now, &STEPS);
        assert!(spans.len() < 5000, "{}", spans.len());
    }

    /// The exact balance: a wet face in still air has the temperature at which the heat that the
    /// room gives it, γ*(T − T_face), carries off what it evaporates, p_s(T_face) − p_v.
    #[test]
    fn a_wet_face_is_as_cold_as_its_heat_balance_says() {
        for (t, humidity) in [(10.0, 0.5), (20.0, 0.2), (20.0, 0.5), (20.0, 0.8), (30.0, 0.2)] {
            let gamma = air::still_air_constant(t, air::STANDARD_PRESSURE);
            let vapour = humidity * air::saturation_pressure(t);
            let (mut low, mut high) = (t - 25.0, t);
            for _ in 0..60 {
                let face = 0.5 * (low + high);
                let too_cold = gamma * (t - face) > air::saturation_pressure(face) - vapour;
                if too_cold { low = face } else { high = face }
            }
            let exact = air::saturation_pressure(0.5 * (low + high)) - vapour;
            let step = step_air(&Climate { temperature: t, humidity });
            let ours = step.saturation * (1.0 - step.humidity[0]) / (1.0 + step.cooling);
            close(ours / exact, 1.0, 0.02, &format!("{t} °C, {humidity}"));
        }
    }

    #[test]
    fn a_fresh_pot_is_faster_for_an_hour() {
        assert!((1.1..1.5).contains(&freshness(0.0)));
        assert!(freshness(HOUR) > 1.02 && freshness(3.0 * HOUR) < 1.01);
    }

    /// Between two measured clay bricks, for whose sources see [`Sorption`].
    #[test]
    fn balance_with_the_air_is_that_of_clay() {
        let bricks = [Sorption::BRICK_3DF_DESORPTION, Sorption::BRICK_NF_DESORPTION];
        for humidity in [0.3, 0.5, 0.8] {
            let [a, b] = bricks.map(|brick| brick.water(humidity));
            let ours = balance(ISOTHERM.monolayer, humidity);
            assert!(a.min(b) <= ours && ours <= a.max(b), "{humidity}: {a}, {ours}, {b}");
        }
        assert!(balance(0.0185, 0.3) < balance(0.0185, 0.31));
        close(balance(0.037, 0.5), 2.0 * balance(0.0185, 0.5), 1e-12, "twice the monolayer");
    }

    #[test]
    fn parameters_at_the_centre_of_the_priors() {
        let history = history(&pot(), &[], &[], 5.0);
        let room = room(20.0, 0.5, 5.0, 5.0);
        let model = Model::new(&pot(), Some(&body()), &history, &room);
        let mut moved = vec![0.0; model.beliefs.len()];
        moved[0] = 1.0;
        let p = model.physics(&[vec![0.0; model.beliefs.len()], moved]);
        // A ball of 600 g at 22 % of water, less 1.5–5 % of slip.
        close(p.dry_g[0], 600.0 * 0.78 * (1.0 - 0.0325), 0.5, "dry clay");
        close(
            p.dry_g[1] / p.dry_g[0],
            model.beliefs.priors[0].sd.exp(),
            1e-9,
            "one deviation more",
        );
        assert_eq!(p.dry_g[2], p.dry_g[1]); // lanes left over
        assert_eq!((p.wall_m[0], p.base_m[0]), (0.006, 0.009));
        assert!(p.water[0] > 0.22 / 0.78 && p.water[0] < 0.36);
    }

    /// Water leaves only through the faces, clay only by a deed, and each by what was said.
    #[test]
    fn mass_is_conserved() {
        let rows = [
            (6.0, Action::Attach(Some(50.0))),
            (10.0, Action::Wet),
            (12.0, Action::Sponge),
            (20.0, Action::Trim),
        ];
        let history = history(&pot(), &rows, &[], 30.0);
        let room = room(20.0, 0.5, 30.0, 30.0);
        let model = Model::new(&pot(), Some(&body()), &history, &room);
        let past = model.past(&[vec![0.0; model.beliefs.len()]]);
        let centre = model.beliefs.values(&vec![0.0; model.beliefs.len()]);
        let share = |u| centre[model.beliefs.place(u).unwrap()];
        let cut = logistic(share(Unknown::Trimmed(3)));
        for (k, span) in model.spans.iter().enumerate() {
            let (from, to) = (past.mass[k].0[0], past.mass[k].1[0]);
            assert!(to < from, "a pot in a drier room lost nothing");
            let before = match k {
                0 => past.physics.dry_g[0] * (1.0 + past.physics.water[0]),
                _ => past.mass[k - 1].1[0],
            };
            let dry = before / (1.0 + past.water[k.max(1) - 1][0]);
            match span.events[..] {
                [] => close(from, before, 1e-9 * before, "between steps"),
                [0] => close(from - before, 50.0, 0.01, "attached"),
                [1] => close(from - before, share(Unknown::Wetted(1)) * dry, 1e-6, "wetted"),
                [2] => close(from - before, share(Unknown::Wetted(2)) * dry, 1e-6, "sponged"),
                // Shavings are as wet as the parts they come from, on the whole a little wetter.
                [3] => close((before - from) / before, cut, 0.02, "trimmed"),
                _ => panic!("{:?}", span.events),
            }
        }
        let dry = past.state.dry_g()[0];
        let attached = 50.0 / (1.0 + 0.22 / 0.78);
        close(dry, (past.physics.dry_g[0] + attached) * (1.0 - cut), 0.01, "dry clay");
        close(past.state.mass_g()[0], dry * (1.0 + past.state.mean_water()[0]), 1e-9, "mass");
    }

    /// Where nothing can leave, water moves inside and none is lost.
    #[test]
    fn a_sealed_pot_loses_nothing() {
        let history = history(&pot(), &[], &[], 12.0);
        let room = room(20.0, 0.5, 12.0, 12.0);
        let model = Model::new(&pot(), Some(&body()), &history, &room);
        let past = model.past(&[vec![0.0; model.beliefs.len()]]);
        let mut state = past.state;
        let sealed = PotPhysics { conductance: [0.0; LANES], ..past.physics };
        let (mass, wettest) = (state.mass_g()[0], state.wettest()[0]);
        for span in &model.spans {
            state.step(&sealed, &span.air, span.keeping, &[1.0; LANES], span.to - span.from);
        }
        close(state.mass_g()[0], mass, 1e-9 * mass, "mass");
        assert!(state.wettest()[0] < wettest, "water moves to where there is less");
    }

    #[test]
    fn shares_stay_shares_however_much_is_trimmed() {
        let history = history(&pot(), &[], &[], 1.0);
        let room = room(20.0, 0.5, 1.0, 1.0);
        let model = Model::new(&pot(), Some(&body()), &history, &room);
        for base_share in [0.05, 0.27, 0.6, 0.95] {
            for cut in [0.01, 0.3, 0.8, 1.0] {
                let physics = model.physics(&[vec![0.0; model.beliefs.len()]]);
                let physics = PotPhysics { base_share: [base_share; LANES], ..physics };
                let mut state = PotState::new(&physics);
                let mut last = state.mass_g()[0];
                for _ in 0..9 {
                    state.trim(&[cut; LANES]);
                    let span = &model.spans[0];
                    state.step(&physics, &span.air, span.keeping, &[1.0; LANES], 600.0);
                    let mass = state.mass_g()[0];
                    assert!(mass > 0.0 && mass < last, "{base_share}, {cut}: {mass}");
                    let (mean, wettest) = (state.mean_water()[0], state.wettest()[0]);
                    assert!(mean >= 0.0 && mean <= wettest, "{base_share}, {cut}: {mean}");
                    last = mass;
                }
            }
        }
    }
}
