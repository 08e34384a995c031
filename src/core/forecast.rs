//! What is to come: draws from the posterior through the coming air and the planned covers.

mod going;
mod kinship;
mod spread;

use super::drying::{LANES, Lane, PotPhysics, PotState, StepAir};
use super::inference::model::{self, Span, balance};
use super::inference::posterior::{Departures, Draws, Posterior, RATE_LASTS};
use super::room::{DEPARTURE_LASTS, Room, UNKNOWN_HUMIDITY_SD};
use super::uneven::steep::{self, AHEAD, Steep, Steepest};
use super::weather::{Weather, own_rate};
use crate::units::{DAY, HOUR};
pub(super) use going::Going;
pub use kinship::Kin;
use rand::rngs::StdRng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
pub use spread::{probability, quantiles, times};
pub(super) use spread::{times_of, weighted};
use statrs::distribution::{ContinuousCDF, Normal};

/// How far forecasts look, s.
pub const HORIZON: f64 = 30.0 * DAY;
/// Free water (dry basis) at which a pot counts as bone-dry on the mean.
pub const BONE_DRY_MEAN: f64 = 0.005;
/// Free water (dry basis) that its wettest part may still hold.
pub const BONE_DRY_WETTEST: f64 = 0.010;

/// Draws per pot; a multiple of the lanes. Quantiles of 96 stratified draws wander by a few
/// hundredths of the interval.
pub(super) const DRAWS: usize = 96;

/// Steps of time ahead, s, up to an age of the forecast, s.
pub(super) const STEPS: [(f64, f64); 4] = [
    (12.0 * HOUR, 20.0 * 60.0),
    (48.0 * HOUR, 40.0 * 60.0),
    (144.0 * HOUR, 90.0 * 60.0),
    (f64::INFINITY, 4.0 * HOUR),
];

/// How often a pot that nobody has turned yet, nor planned to, is turned over all the same, and
/// when: by where its mean water stands in the trimming band, from its upper limit (0) to its lower
/// (1). Most pots are turned to be trimmed or to dry evenly (common practice, no source).
const TURNED: f64 = 0.8;
const TURNED_AT: (f64, f64) = (-0.3, 1.2);

/// What a draw says, times in seconds since the pot was made.
#[derive(Clone, Debug, Default)]
pub struct Draw {
    /// How likely it is against the others.
    pub weight: f64,
    /// Dry clay now, g.
    pub dry_g: f64,
    /// Mean water now, of the whole, the wall and the base, kg/kg dry basis.
    pub water: [f64; 3],
    /// The same less the balance with the air's mean humidity of 24 h.
    pub free: f64,
    /// Free water of the wettest part.
    pub wettest_free: f64,
    /// What a scale would show of it now, net of what else stands there and without the noise of
    /// one weighing, g: its mass, and the slow drift of scale and board.
    pub shows_g: f64,
    /// When mean water passes the band's upper limit.
    pub opens: Option<f64>,
    /// When it passes the band's lower limit.
    pub closes: Option<f64>,
    /// When mean free water falls to [`BONE_DRY_MEAN`].
    pub bone_dry: Option<f64>,
    /// When the water of its base passes the band's upper limit; now where it had by now.
    pub firm_base: Option<f64>,
    /// Largest difference of water between its places while it shrank so far, kg/kg dry basis.
    pub passed: f64,
    /// That of the coming day; both only where they were asked for.
    pub coming: Steep,
    /// Mean water and mass along the forecast's times.
    pub path: Vec<(f64, f64)>,
}

/// A pot's draws on a common line of time.
pub struct Forecast {
    /// All draws.
    pub draws: Vec<Draw>,
    /// Times of the paths, s since the pot was made: the past's, then the forecast's.
    pub times: Vec<f64>,
    /// Spans to come.
    pub coming: Vec<Span>,
}

/// What is forecast: the body's trimming band, upper and lower limit, kg/kg dry basis.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Band {
    /// Trimmable from here on down.
    pub from: f64,
    /// Too stiff below.
    pub to: f64,
}

/// What is asked of a forecast.
#[derive(Clone, Copy, Debug)]
pub struct Ask {
    /// The body's trimming band.
    pub band: Band,
    /// The draws' seed: the same gives the same.
    pub seed: u64,
    /// Whether the draws keep their paths.
    pub paths: bool,
    /// Water at which shrinkage ends, kg/kg dry basis, where it is asked how unevenly they dry.
    pub shrunk: Option<f64>,
    /// Its body and lot, where several pots are asked about together.
    pub kin: Option<Kin>,
}

/// Runs a pot's posterior ahead; `stand` takes its batches as they stand now.
pub(super) fn forecast(
    posterior: &Posterior,
    room: &Room,
    ask: &Ask,
    mut stand: Option<&mut Vec<Batch>>,
) -> Forecast {
    let now = posterior.model.history.now.max(0.0);
    let coming = model::spans(posterior.model.history, room, now, now + HORIZON, &STEPS);
    let humid = Humidity::new(&posterior.model.spans, &coming, room);
    let mut draws = Vec::with_capacity(DRAWS);
    let mut end = 0;
    each_batch(posterior, room, ask, (&humid, &coming), |run, batch, rng| {
        if let Some(stand) = stand.as_mut() {
            stand.push(batch.clone());
        }
        let (batch, steps) = run.batch(batch, rng);
        draws.extend(batch);
        end = end.max(steps);
    });
    let times = posterior.model.spans.iter().chain(&coming[..end]).map(|s| s.to).collect();
    Forecast { draws, times, coming }
}

/// Deals a pot's posterior out in batches that stand where it stands now.
pub(super) fn each_batch<'a>(
    posterior: &Posterior<'a>,
    room: &Room,
    ask: &Ask,
    (humid, coming): (&Humidity, &[Span]),
    mut each: impl FnMut(&Run<'_, 'a>, Batch, StdRng),
) {
    let mut rng = StdRng::seed_from_u64(ask.seed);
    let n = posterior.model.beliefs.len();
    let mut normals = stratified(DRAWS, n + 4, &mut rng);
    if let Some(kin) = ask.kin {
        kinship::share(&mut normals, &posterior.model.beliefs, kin);
    }
    let dealt = posterior.dealt(DRAWS / LANES);
    for (number, (batch, (posterior, weight))) in normals.chunks(LANES).zip(dealt).enumerate() {
        // Each batch has its own chance, so that one which ends a step sooner leaves the others as
        // they were: the report of the next minute is nearly that of this one.
        let mut rng = StdRng::seed_from_u64(ask.seed ^ (number as u64 + 1));
        let root = posterior.root();
        let sets: Vec<_> = batch.iter().map(|row| posterior.away(&root, &row[..n])).collect();
        let extra: Vec<&[f64]> = batch.iter().map(|row| &row[n..]).collect();
        let run = Run { posterior, weight, ask, humid, coming, room };
        let batch = run.stand(&sets, &extra, &mut rng);
        each(&run, batch, rng);
    }
}

/// Draws by which [`water_at`] goes; a multiple of the lanes.
const FEW_DRAWS: usize = 16;

/// Mean water of a pot at past times (s since it was made), before what was done just then: mean
/// and standard deviation over some draws, kg/kg dry basis.
pub fn water_at(posterior: &Posterior, times: &[f64], seed: u64) -> Vec<(f64, f64)> {
    let mut rng = StdRng::seed_from_u64(seed);
    let n = posterior.model.beliefs.len();
    let root = posterior.root();
    let mut values = vec![Vec::with_capacity(FEW_DRAWS); times.len()];
    for batch in stratified(FEW_DRAWS, n, &mut rng).chunks(LANES) {
        let sets: Vec<_> = batch.iter().map(|row| posterior.away(&root, row)).collect();
        let drawn = posterior.draw(&sets);
        for (values, t) in values.iter_mut().zip(times) {
            // The last step that is over by then: what is done at its end comes after.
            let spans = &posterior.model.spans;
            let k = spans.partition_point(|s| s.to <= t + 1.0).max(1) - 1;
            let link = drawn.departures.partition_point(|d| d.0 <= spans[k].to).max(1) - 1;
            values.extend((0..batch.len()).map(|l| departed(&drawn, link, k, spans[k].to, l)));
        }
    }
    let about = |values: &Vec<f64>| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let square = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
        (mean, (square / (values.len() - 1) as f64).sqrt())
    };
    values.iter().map(about).collect()
}

/// Mean water of a lane at the end `t` of a past span, as the weights say it.
fn departed(drawn: &Draws, link: usize, span: usize, t: f64, lane: usize) -> f64 {
    let model = drawn.past.water[span][lane];
    let dry = drawn.past.mass[span].1[lane] / (1.0 + model);
    // A weight that no pot can have may ask for less than none.
    (model + departure(&drawn.departures, link, t, lane) / dry).max(0.0)
}

/// Mean humidity of the last 24 hours at the end of each span, past and coming.
pub(super) struct Humidity {
    past: Vec<f64>,
    pub coming: Vec<f64>,
}

impl Humidity {
    pub fn new(past: &[Span], coming: &[Span], room: &Room) -> Humidity {
        // Of the coming days a value every few hours will do: the mean of a day moves slowly.
        let of = |spans: &[Span]| {
            let mut out = Vec::with_capacity(spans.len());
            let mut held = (f64::NEG_INFINITY, 0.0);
            for s in spans {
                if s.to - held.0 >= 2.0 * HOUR || out.is_empty() {
                    held = (s.to, room.daily_humidity(s.to));
                }
                out.push(held.1);
            }
            if let (Some(last), Some(s)) = (out.last_mut(), spans.last()) {
                *last = room.daily_humidity(s.to);
            }
            out
        };
        Humidity { past: of(past), coming: of(coming) }
    }
}

/// A batch of draws as it stands now.
#[derive(Clone)]
pub(super) struct Batch {
    /// With what has passed already.
    pub draws: Vec<Draw>,
    pub physics: PotPhysics,
    state: PotState,
    /// Now, s since the pot was made.
    now: f64,
    /// Mean water at which somebody turns it over.
    turn_at: Lane,
    /// Departure of the rate now, and of an unmeasured room's humidity all along.
    rate: Lane,
    bias: Lane,
    /// How far the latter may depart, standard deviation.
    bias_sd: f64,
    /// How far the rate departs, on the whole.
    wander: f64,
}

/// The chance that goes with a batch.
pub(super) struct Chance<'b> {
    batch: &'b Batch,
    /// Departure of the rate, and of the room's humidity.
    rate: Lane,
    off: Lane,
    rng: StdRng,
    /// What other pots of the room have in common with it.
    weather: Option<[&'b Weather; LANES]>,
}

/// What one step brings to a batch.
pub(super) struct Brought {
    air: StepAir,
    gain: Lane,
    /// Water that it holds in balance with the air's mean humidity of 24 h.
    pub balance: Lane,
}

impl Chance<'_> {
    /// What the next step brings; `daily` is the air's mean humidity of the 24 hours before its
    /// end, as it is expected, and `sd` how far humidity departs.
    pub fn bring(&mut self, span: &Span, daily: f64, sd: f64) -> Brought {
        let dt = span.to - span.from;
        let keep = (-dt / RATE_LASTS).exp();
        let keep_off = (-dt / DEPARTURE_LASTS).exp();
        let new_off = sd * (1.0 - keep_off * keep_off).sqrt();
        let mut brought = Brought { air: span.air, gain: [1.0; LANES], balance: [0.0; LANES] };
        let fresh = model::freshness(0.5 * (span.from + span.to));
        let humidity = &mut brought.air.humidity;
        let common = self.weather.map(|all| all.map(|w| w.at(span.to - self.batch.now)));
        let wander = self.batch.wander;
        let own = if common.is_some() { own_rate(wander) } else { wander };
        let new_rate = own * (1.0 - keep * keep).sqrt();
        for (l, humidity) in humidity.iter_mut().enumerate().take(self.batch.draws.len()) {
            let e: f64 = self.rng.sample(StandardNormal);
            self.rate[l] = keep * self.rate[l] + new_rate * e;
            let (shared, bias) = match common {
                Some(ref all) => {
                    let common = &all[l];
                    self.off[l] = sd * common.humidity;
                    (common.rate, self.batch.bias_sd * common.bias)
                }
                None => {
                    let e: f64 = self.rng.sample(StandardNormal);
                    self.off[l] = keep_off * self.off[l] + new_off * e;
                    (0.0, self.batch.bias[l])
                }
            };
            brought.gain[l] = fresh * (self.rate[l] + shared).exp();
            *humidity = (*humidity + self.off[l] + bias).clamp(0.03, 0.995);
            let daily = (daily + 0.7 * self.off[l] + bias).clamp(0.03, 0.98);
            brought.balance[l] = balance(self.batch.physics.monolayer[l], daily);
        }
        brought
    }
}

impl Batch {
    /// The chance that goes with it.
    pub fn chance(&self, rng: StdRng) -> Chance<'_> {
        Chance { batch: self, rate: self.rate, off: [0.0; LANES], rng, weather: None }
    }

    /// The same, in weathers by draw that other pots of the room share.
    pub fn chance_in<'b>(&'b self, rng: StdRng, weather: [&'b Weather; LANES]) -> Chance<'b> {
        Chance { weather: Some(weather), ..self.chance(rng) }
    }

    /// The batch at its beginning.
    pub fn going(&self) -> Going {
        Going::new(self)
    }
}

pub(super) struct Run<'r, 'a> {
    posterior: &'r Posterior<'a>,
    /// Of each of its draws.
    weight: f64,
    ask: &'r Ask,
    humid: &'r Humidity,
    coming: &'r [Span],
    room: &'r Room,
}

impl Run<'_, '_> {
    /// A batch of draws; also how many of the coming spans it went through.
    fn batch(&self, mut batch: Batch, rng: StdRng) -> (Vec<Draw>, usize) {
        let mut going = batch.going();
        let lanes = batch.draws.len();
        let mut paths = vec![Vec::new(); lanes];
        let mut chance = batch.chance(rng);
        let mut steps = 0;
        let mut steepest = Steepest::default();
        for (k, span) in self.coming.iter().enumerate() {
            let sd = self.room.humidity_sd(span.from);
            let brought = chance.bring(span, self.humid.coming[k], sd);
            going.step(&batch, (span, self.ask.band), span.keeping, &brought);
            if let Some(shrunk) = self.ask.shrunk.filter(|_| span.from < batch.now + AHEAD) {
                steep::see(&mut steepest, span.to, &going.state, shrunk);
            }
            if self.ask.paths {
                let (water, mass) = (going.water, going.state.mass_g());
                paths.iter_mut().enumerate().for_each(|(l, path)| path.push((water[l], mass[l])));
            }
            steps = k + 1;
            let open = (0..lanes).any(|l| going.closes[l].max(going.bone_dry[l]).is_infinite());
            if !open && span.to > self.posterior.model.history.now + 12.0 * HOUR {
                break;
            }
        }
        let came = |t: f64| t.is_finite().then_some(t);
        for (l, d) in batch.draws.iter_mut().enumerate() {
            d.opens = came(going.opens[l]);
            d.closes = came(going.closes[l]);
            d.bone_dry = came(going.bone_dry[l]);
            d.firm_base = came(going.firm_base[l]);
            d.coming = steepest[l];
            d.path.append(&mut paths[l]);
        }
        (batch.draws, steps)
    }

    /// A batch as it stands now.
    fn stand(&self, sets: &[Vec<f64>], extra: &[&[f64]], rng: &mut StdRng) -> Batch {
        let drawn = self.posterior.draw(sets);
        let mut draws: Vec<Draw> = vec![Draw::default(); sets.len()];
        let (state, rate, drift) = self.stand_now(&drawn, extra);
        self.look_back(&drawn, &state, &drift, &mut draws);
        if let Some(shrunk) = self.ask.shrunk {
            let passed = steep::so_far(&self.posterior.model, sets, &state, shrunk);
            draws.iter_mut().zip(passed).for_each(|(draw, steep)| draw.passed = steep.water);
        }
        // An unmeasured room may be drier or damper than supposed, all along.
        let bias_sd = if self.room.is_measured() { 0.0 } else { 0.3 * UNKNOWN_HUMIDITY_SD };
        let bias: Lane = std::array::from_fn(|l| extra.get(l).map_or(0.0, |e| e[2] * bias_sd));
        let turn_at = self.turned(&state.mean_water(), rng);
        let physics = drawn.past.physics;
        let now = self.posterior.model.history.now.max(0.0);
        let wander = self.posterior.model.beliefs.wander;
        Batch { draws, physics, state, now, turn_at, rate, bias, bias_sd, wander }
    }

    /// Mean water at which somebody may turn each pot over; none where it was turned or will be.
    /// Who has not turned it by now will do so later, or never.
    fn turned(&self, water: &Lane, rng: &mut StdRng) -> Lane {
        let history = self.posterior.model.history;
        let settled = history.trimmed || history.keeping.iter().any(|k| k.flipped);
        if self.posterior.model.turned_since.is_some() {
            return [f64::INFINITY; LANES];
        }
        let width = self.ask.band.from - self.ask.band.to;
        std::array::from_fn(|l| {
            let (habit, place): (f64, f64) = (rng.random(), rng.random());
            let passed = (self.ask.band.from - water[l]) / width;
            let (first, last) = TURNED_AT;
            let first = first.max(passed);
            let left = TURNED * ((last - first) / (last - TURNED_AT.0)).max(0.0);
            if settled || habit > left / (left + 1.0 - TURNED) {
                return f64::NEG_INFINITY;
            }
            self.ask.band.from - width * (first + place * (last - first))
        })
    }

    /// The pots as they stand now: the model's, moved to what the scale says; the departure of
    /// their rates, and the drift of their scale, g.
    fn stand_now(&self, drawn: &Draws, extra: &[&[f64]]) -> (PotState, Lane, Lane) {
        let mut state = drawn.past.state.clone();
        let lost = self.posterior.lost_since(&drawn.past);
        let (p, keep) = self.posterior.gap(lost[0], state.mass_g()[0]);
        // The lower root of the covariance of water, rate and drift (Cholesky).
        let a = p[0][0].max(0.0).sqrt();
        let b = if a > 0.0 { p[0][1] / a } else { 0.0 };
        let c = (p[1][1] - b * b).max(0.0).sqrt();
        let by_water = if a > 0.0 { p[0][2] / a } else { 0.0 };
        let by_rate = if c > 0.0 { (p[1][2] - b * by_water) / c } else { 0.0 };
        let own = (p[2][2] - by_water.powi(2) - by_rate.powi(2)).max(0.0).sqrt();
        let dry = state.dry_g();
        let [mut rate, mut shift, mut drift] = [[0.0; LANES]; 3];
        for (l, e) in extra.iter().enumerate() {
            let Departures { water, rate: r, drift: d } = &drawn.now;
            let (water, r, d) = (water[l], r[l], d[l]);
            let water = keep[0] * water + keep[1] * r + a * e[0];
            rate[l] = keep[2] * r + b * e[0] + c * e[1];
            drift[l] = keep[3] * d + by_water * e[0] + by_rate * e[1] + own * e[3];
            shift[l] = water / dry[l];
        }
        state.wet(&shift);
        (state, rate, drift)
    }

    /// What has passed already, and where the draws stand now.
    fn look_back(&self, drawn: &Draws, state: &PotState, drift: &Lane, draws: &mut [Draw]) {
        let spans = &self.posterior.model.spans;
        let physics = &drawn.past.physics;
        let mut link = 0;
        let mut held: Option<(f64, Lane)> = None;
        for (k, span) in spans.iter().enumerate() {
            while drawn.departures.get(link + 1).is_some_and(|d| d.0 <= span.to) {
                link += 1;
            }
            let mass = drawn.past.mass[k].1;
            let model = drawn.past.water[k];
            let water: Lane = std::array::from_fn(|l| departed(drawn, link, k, span.to, l));
            for (l, d) in draws.iter_mut().enumerate() {
                let dry = balance(physics.monolayer[l], self.humid.past[k]) + BONE_DRY_MEAN;
                let (t, from) = held.map_or((span.from, physics.water[l]), |(t, w)| (t, w[l]));
                let cross = |level: f64| cross(t, from, span.to, water[l], level);
                d.opens = d.opens.or_else(|| cross(self.ask.band.from));
                d.closes = d.closes.or_else(|| cross(self.ask.band.to));
                d.bone_dry = d.bone_dry.or_else(|| cross(dry));
                if self.ask.paths {
                    let dry = mass[l] / (1.0 + model[l]);
                    d.path.push((water[l], dry * (1.0 + water[l])));
                }
            }
            held = Some((span.to, water));
        }
        let humidity = self.humid.past.last().copied().unwrap_or(0.5);
        let now = self.posterior.model.history.now;
        let (mean, wall, base) = (state.mean_water(), state.wall_water(), state.base_water());
        let (wettest, dry, mass) = (state.wettest(), state.dry_g(), state.mass_g());
        for (l, d) in draws.iter_mut().enumerate() {
            let balance = balance(physics.monolayer[l], humidity);
            d.weight = self.weight;
            d.dry_g = dry[l];
            d.water = [mean[l], wall[l], base[l]];
            d.free = mean[l] - balance;
            d.wettest_free = wettest[l] - balance;
            d.firm_base = (base[l] <= self.ask.band.from).then_some(now);
            d.shows_g = mass[l] + drift[l];
        }
    }
}

/// The filtered departure of a lane's water at a time between weights, g.
fn departure(at: &[(f64, Departures)], link: usize, t: f64, lane: usize) -> f64 {
    let Some((t0, d0)) = at.get(link) else { return 0.0 };
    let before = d0.water[lane];
    match at.get(link + 1) {
        Some((t1, d1)) if t > *t0 => before + (t - t0) / (t1 - t0) * (d1.water[lane] - before),
        _ => before,
    }
}

/// When a falling line passes a level, if it does.
pub(super) fn cross(t0: f64, x0: f64, t1: f64, x1: f64, level: f64) -> Option<f64> {
    if x1 > level {
        return None;
    }
    if x0 <= level {
        return Some(t0);
    }
    Some(t0 + (t1 - t0) * (x0 - level) / (x0 - x1))
}

/// Standard normal numbers, stratified in each dimension (Latin hypercube, McKay et al.,
/// Technometrics 21 (1979) 239).
pub(super) fn stratified(rows: usize, columns: usize, rng: &mut StdRng) -> Vec<Vec<f64>> {
    let normal = Normal::standard();
    let mut out = vec![Vec::with_capacity(columns); rows];
    for _ in 0..columns {
        let mut order: Vec<usize> = (0..rows).collect();
        order.shuffle(rng);
        for (row, stratum) in out.iter_mut().zip(order) {
            let p = (stratum as f64 + rng.random::<f64>()) / rows as f64;
            row.push(normal.inverse_cdf(p.clamp(1e-6, 1.0 - 1e-6)));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::report::TimeQuantiles;
    use crate::units::Time;

    fn draws(values: impl IntoIterator<Item = (f64, f64)>) -> Vec<Draw> {
        let draw = |(dry_g, weight)| Draw { dry_g, weight, ..Draw::default() };
        values.into_iter().map(draw).collect()
    }

    fn equal(values: impl IntoIterator<Item = f64>) -> Vec<Draw> {
        draws(values.into_iter().map(|v| (v, 1.0)))
    }

    fn of_dry(draws: &[Draw]) -> [f64; 3] {
        let q = quantiles(draws, |d| d.dry_g);
        [q.p10, q.p50, q.p90]
    }

    /// Hazen's plotting position, (i − ½)/n (Hyndman & Fan, The American Statistician 50 (1996)
    /// 361, type 5): of 1…9 the tenth lies at 9·0.1 + ½.
    #[test]
    fn quantiles_of_known_samples() {
        let close = |got: [f64; 3], want: [f64; 3]| {
            assert!(got.iter().zip(want).all(|(g, w)| (g - w).abs() < 1e-9), "{got:?}, {want:?}");
        };
        close(of_dry(&equal((1..=9).map(f64::from))), [1.4, 5.0, 8.6]);
        close(of_dry(&equal((1..=100).rev().map(f64::from))), [10.5, 50.5, 90.5]);
        close(of_dry(&equal([7.0])), [7.0; 3]);
        close(of_dry(&equal([3.0; 8])), [3.0; 3]);
        // One of weight two is as good as two of weight one, between the middles of the draws.
        let heavy = draws((1..=40).map(|i| (f64::from(i), 2.0)));
        close(of_dry(&heavy), of_dry(&equal((1..=40).map(f64::from))));
        close(of_dry(&draws([(0.0, 3.0), (10.0, 1.0)])), [0.0, 2.5, 10.0]);
    }

    /// Of a standard normal distribution: ±1.2816 (Abramowitz & Stegun, table 26.5).
    #[test]
    fn stratified_numbers_are_standard_normal() {
        let rows = stratified(96, 7, &mut StdRng::seed_from_u64(5));
        for column in 0..7 {
            let mut values: Vec<f64> = rows.iter().map(|r| r[column]).collect();
            values.sort_by(f64::total_cmp);
            let mean = values.iter().sum::<f64>() / 96.0;
            let sd = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 96.0).sqrt();
            assert!(mean.abs() < 0.02 && (sd - 1.0).abs() < 0.03, "{column}: {mean}, {sd}");
            // One in each ninety-sixth of the distribution.
            let normal = Normal::standard();
            for (i, v) in values.iter().enumerate() {
                assert_eq!((normal.cdf(*v) * 96.0) as usize, i, "{v}");
            }
            let [p10, p50, p90] = of_dry(&equal(values));
            assert!((p10 + 1.2816).abs() < 0.05 && p50.abs() < 0.03, "{p10}, {p50}");
            assert!((p90 - 1.2816).abs() < 0.05, "{p90}");
        }
        // Columns know nothing of each other.
        let with = rows.iter().map(|r| r[0] * r[1]).sum::<f64>() / 96.0;
        assert!(with.abs() < 0.3, "{with}");
        assert_ne!(rows, stratified(96, 7, &mut StdRng::seed_from_u64(6)));
        assert_eq!(rows, stratified(96, 7, &mut StdRng::seed_from_u64(5)));
    }

    #[test]
    fn a_level_is_passed_on_the_line_between_two_times() {
        assert_eq!(cross(100.0, 0.30, 200.0, 0.20, 0.25), Some(150.0));
        assert_eq!(cross(100.0, 0.30, 200.0, 0.20, 0.20), Some(200.0));
        assert_eq!(cross(100.0, 0.30, 200.0, 0.20, 0.19), None);
        // Passed before; and a pot that gains water.
        assert_eq!(cross(100.0, 0.20, 200.0, 0.18, 0.25), Some(100.0));
        assert_eq!(cross(100.0, 0.20, 200.0, 0.30, 0.25), None);
    }

    #[test]
    fn what_may_never_come_is_late_beyond_all() {
        let start = Time(1_932_904_800_000_000);
        let some = |share: usize| {
            let draw = |k| Draw {
                weight: 1.0,
                opens: (k < share).then_some(3600.0 + 36.0 * k as f64),
                ..Draw::default()
            };
            let all: Vec<Draw> = (0..100).map(draw).collect();
            times(&all, start, |d| d.opens)
        };
        let all = some(100);
        assert_eq!(all.p50, Some(Time(start.plus(3600.0 + 36.0 * 49.5).0)));
        let most = some(70);
        assert!(most.p10.is_some() && most.p50 == all.p50 && most.p90.is_none());
        let few = some(20);
        assert!(few.p10 == all.p10 && few.p50.is_none() && few.p90.is_none());
        assert_eq!(some(0), TimeQuantiles { p10: None, p50: None, p90: None });
        // Told to the second.
        assert!([all.p10, all.p50, all.p90].iter().flatten().all(|t| t.0 % 1_000_000 == 0));
    }

    #[test]
    fn probabilities_are_shares_of_the_weight() {
        let some = draws([(1.0, 1.0), (2.0, 2.0), (3.0, 1.0)]);
        assert_eq!(probability(&some, |d| d.dry_g < 1.5), 0.25);
        assert_eq!(probability(&some, |d| d.dry_g > 1.5), 0.75);
        assert_eq!(probability(&some, |d| d.dry_g > 9.0), 0.0);
        assert!(probability(&some, |d| d.dry_g > 9.0).is_sign_positive());
    }

    #[test]
    fn departures_go_on_between_the_weights() {
        let water = |g| Departures { water: [g; LANES], ..Departures::default() };
        let at = [(0.0, water(2.0)), (100.0, water(4.0)), (200.0, water(0.0))];
        assert_eq!(departure(&at, 0, 50.0, 0), 3.0);
        assert_eq!(departure(&at, 1, 175.0, 3), 1.0);
        assert_eq!(departure(&at, 2, 900.0, 0), 0.0);
        assert_eq!(departure(&[], 0, 5.0, 0), 0.0);
    }
}
