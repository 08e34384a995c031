//! The fit of one pot, and draws from what it leaves open.
//!
//! # The error model
//!
//! A pot never dries quite at the rate that a model says: draughts, doors, the sun. White-noise
//! error bars are several times too narrow for that. So a weight is taken for
//!
//! ```text
//! model + d + w + e      d' = −(u · rate) − (feedback),  u, w: Ornstein–Uhlenbeck processes
//! ```
//!
//! `u` is the departure of the log rate, `d` the water that it has taken or left, `w` the slow
//! drift of the scale and of the board, `e` the noise of one weight. A Kalman filter whitens the
//! residuals (Harvey, *Forecasting, Structural Time Series Models and the Kalman Filter*, 1989,
//! ch. 3); the fit sees innovations, and the forecast starts from where `d` and `u` stand.

use super::least_squares::{self, Fit, Options, Problem, Refusal, Scatter};
use super::model::{Model, Past};
use crate::core::drying::{LANES, Lane};
use crate::units::HOUR;
use nalgebra::{DMatrix, DVector};

/// Departure of the log rate: standard deviation and how long it lasts, s.
pub const RATE_SD: f64 = 0.18;
/// How long a departure of the rate lasts, s.
pub const RATE_LASTS: f64 = 12.0 * HOUR;
/// More of it in the first hours, while throwing water dries off.
const RATE_SD_FRESH: f64 = 0.25;
/// Slow drift of scale and board: g, and share of the load.
const DRIFT: (f64, f64) = (0.2, 1.5e-3);
/// How long a drift lasts, s.
const DRIFT_LASTS: f64 = 24.0 * HOUR;
/// Innovations beyond this many standard deviations count less and less.
const HUBER: f64 = 3.0;

/// Between two weights: what the filter must know about the pot's way.
#[derive(Clone, Copy, Debug)]
struct Link {
    /// The weight's time, s, and noise, g.
    t: f64,
    sd: f64,
    /// Seconds since the weight before (or the start).
    gap: f64,
    /// Water lost in between, g.
    lost: f64,
    /// What is left of a gram too much since then: the pot evens it out.
    left: f64,
    /// Where in the spans it lies: which, and how far into it.
    span: usize,
    part: f64,
    /// What was weighed, g.
    g: f64,
}

/// State of the filter: water, log rate, drift.
#[derive(Clone, Copy, Debug, Default)]
pub struct Departure {
    /// Water too much in the pot, g.
    pub water: f64,
    /// Log rate above the model's.
    pub rate: f64,
    /// Drift of the scale, g.
    pub drift: f64,
}

/// Gains of the filter for one weight.
#[derive(Clone, Copy, Debug)]
struct Gain {
    /// Departure carried over: water kept, water by rate, rate kept, drift kept.
    keep: [f64; 4],
    gain: [f64; 3],
    sd: f64,
}

/// A pot's model with its posterior.
pub struct Posterior<'a> {
    /// The model.
    pub model: Model<'a>,
    /// The fit, in prior standard deviations; `None` where there is nothing to fit.
    pub fit: Option<Fit>,
    /// Why there is none.
    pub refusal: Option<Refusal>,
    links: Vec<Link>,
    gains: Vec<Gain>,
    /// Covariance of the departure at the last weight: water, rate, drift.
    covariance: [[f64; 3]; 3],
}

/// A handful of draws with where they stand now.
pub struct Draws {
    /// Their past.
    pub past: Past,
    /// Departure of each at each weight's time (s since the start), filtered.
    pub departures: Vec<(f64, [Departure; LANES])>,
    /// Departure of each now: mean of what the weights say.
    pub now: [Departure; LANES],
    /// Log-likelihood of each draw's weights, up to a constant.
    pub likelihood: Lane,
}

struct Whitened<'p, 'a> {
    /// Whether far innovations count less.
    robust: bool,
    model: &'p Model<'a>,
    links: &'p [Link],
    gains: &'p [Gain],
}

/// The past as far as there are weights: what came after them has no part in a fit.
fn weighed_past(model: &Model, links: &[Link], sets: &[Vec<f64>]) -> Past {
    model.past_spans(sets, links.last().map_or(0, |link| link.span + 1))
}

/// Mass at a link's time on each lane.
fn mass_at(past: &Past, link: &Link) -> Lane {
    let (from, to) = &past.mass[link.span];
    std::array::from_fn(|l| from[l] + link.part * (to[l] - from[l]))
}

fn huber(e: f64) -> f64 {
    if e.abs() <= HUBER { e } else { e.signum() * (2.0 * HUBER * e.abs() - HUBER * HUBER).sqrt() }
}

impl Whitened<'_, '_> {
    /// Innovations of one lane, in their standard deviations.
    fn innovations(&self, past: &Past, lane: usize) -> Vec<f64> {
        let mut at = Departure::default();
        let run = self.links.iter().zip(self.gains).map(|(link, gain)| {
            let residual = link.g - mass_at(past, link)[lane];
            gain.pass(&mut at, residual, self.robust)
        });
        run.collect()
    }

    fn stacked(&self, past: &Past, lane: usize, z: &DVector<f64>) -> DVector<f64> {
        let e = self.innovations(past, lane);
        DVector::from_iterator(
            e.len() + z.len(),
            e.into_iter().map(|e| if self.robust { huber(e) } else { e }).chain(z.iter().copied()),
        )
    }
}

impl Problem for Whitened<'_, '_> {
    fn residuals(&self, z: &DVector<f64>) -> Option<DVector<f64>> {
        let past = weighed_past(self.model, self.links, &[z.as_slice().to_vec()]);
        let r = self.stacked(&past, 0, z);
        r.iter().all(|v| v.is_finite()).then_some(r)
    }

    fn jacobian(&self, z: &DVector<f64>, r: &DVector<f64>) -> Option<DMatrix<f64>> {
        const STEP: f64 = 2e-3;
        let mut jacobian = DMatrix::zeros(r.len(), z.len());
        for first in (0..z.len()).step_by(LANES) {
            let count = LANES.min(z.len() - first);
            let moved = (first..first + count).map(|i| {
                let mut set = z.clone();
                set[i] += STEP;
                set
            });
            let moved: Vec<_> = moved.collect();
            let sets: Vec<Vec<f64>> = moved.iter().map(|s| s.as_slice().to_vec()).collect();
            let past = weighed_past(self.model, self.links, &sets);
            for (lane, set) in moved.iter().enumerate() {
                let column = (self.stacked(&past, lane, set) - r) / STEP;
                jacobian.set_column(first + lane, &column);
            }
        }
        jacobian.iter().all(|v| v.is_finite()).then_some(jacobian)
    }

    fn observations(&self) -> usize {
        self.links.len()
    }
}

impl Gain {
    /// Takes one residual in; gives its innovation in standard deviations.
    #[inline]
    fn pass(&self, at: &mut Departure, residual: f64, robust: bool) -> f64 {
        let [water, by_rate, rate, drift] = self.keep;
        at.water = water * at.water + by_rate * at.rate;
        at.rate *= rate;
        at.drift *= drift;
        let miss = residual - at.water - at.drift;
        let e = miss / self.sd;
        // An innovation that no noise explains moves the departure no further than a bound.
        let taken = if robust { e.clamp(-2.0 * HUBER, 2.0 * HUBER) * self.sd } else { miss };
        at.water += self.gain[0] * taken;
        at.rate += self.gain[1] * taken;
        at.drift += self.gain[2] * taken;
        e
    }
}

/// Moves the departure's covariance over a gap in which `lost` grams left the pot.
fn carry(p: &mut [[f64; 3]; 3], gap: f64, lost: f64, left: f64) -> [f64; 4] {
    let x = (gap / RATE_LASTS).max(1e-9);
    let rho = (-x).exp();
    let mean = (1.0 - rho) / x;
    let by_rate = -lost * mean;
    let keep = [left, by_rate, rho, (-gap / DRIFT_LASTS).exp()];
    let [[a, b, c], [_, d, e], [_, _, f]] = *p;
    let (var, v3) = (RATE_SD * RATE_SD, keep[3]);
    let spread = (2.0 * x - 3.0 + 4.0 * rho - rho * rho).max(0.0) / (x * x);
    let both = (1.0 - rho).powi(2) / x;
    let water = left * left * a
        + 2.0 * left * by_rate * b
        + by_rate * by_rate * d
        + lost * lost * var * spread;
    let cross = rho * (left * b + by_rate * d) - lost * var * both;
    let rate = rho * rho * d + var * (1.0 - rho * rho);
    let water_drift = v3 * (left * c + by_rate * e);
    let rate_drift = v3 * rho * e;
    // The drift's own growth is added by the caller, who knows the load.
    let drift = v3 * v3 * f;
    *p = [[water, cross, water_drift], [cross, rate, rate_drift], [water_drift, rate_drift, drift]];
    keep
}

fn drift_var(load: f64) -> f64 {
    DRIFT.0.hypot(DRIFT.1 * load).powi(2)
}

/// Gains along the links, and the covariance at the last.
fn filter(links: &[Link]) -> (Vec<Gain>, [[f64; 3]; 3]) {
    let mut p = [[0.0; 3]; 3];
    p[1][1] = RATE_SD * RATE_SD + RATE_SD_FRESH * RATE_SD_FRESH;
    p[2][2] = links.first().map_or(0.0, |l| drift_var(l.g));
    let gains = links.iter().map(|link| {
        let keep = carry(&mut p, link.gap, link.lost, link.left);
        p[2][2] += drift_var(link.g) * (1.0 - keep[3] * keep[3]);
        let h = [0, 1, 2].map(|i| p[i][0] + p[i][2]);
        let s = h[0] + h[2] + link.sd * link.sd;
        let gain = h.map(|v| v / s);
        for i in 0..3 {
            for j in 0..3 {
                p[i][j] -= gain[i] * h[j];
            }
        }
        Gain { keep, gain, sd: s.sqrt() }
    });
    (gains.collect(), p)
}

impl<'a> Posterior<'a> {
    /// Fits a pot's model to its weights.
    pub fn new(model: Model<'a>) -> Posterior<'a> {
        let mut links = links(&model);
        let n = model.priors.len();
        let mut z = DVector::zeros(n);
        let mut fit = None;
        let mut refusal = None;
        let options = Options {
            iterations: 12,
            offset: 0.1,
            step: 1e-4,
            rank: 1e-12,
            scatter: Scatter::Unit,
        };
        // The feedback of a gram too much depends on the fit, and little: twice is enough.
        for round in 0..if links.is_empty() { 0 } else { 2 } {
            feedback(&model, &mut links, &z);
            let (gains, _) = filter(&links);
            let problem =
                Whitened { robust: round > 0, model: &model, links: &links, gains: &gains };
            let options = Options { iterations: [25, 30][round], ..options };
            match least_squares::fit(&problem, z.clone(), &options) {
                Ok(found) => {
                    z = found.parameters.clone();
                    fit = Some(found);
                }
                Err(why) => refusal = Some(why),
            }
        }
        let (gains, covariance) = filter(&links);
        Posterior { model, fit, refusal, links, gains, covariance }
    }

    /// The most likely unknowns, in prior standard deviations.
    pub fn centre(&self) -> Vec<f64> {
        match &self.fit {
            Some(fit) => fit.parameters.as_slice().to_vec(),
            None => vec![0.0; self.model.priors.len()],
        }
    }

    /// Unknowns `normal` standard normal numbers away from the centre.
    pub fn away(&self, root: &DMatrix<f64>, normal: &[f64]) -> Vec<f64> {
        let step = root * DVector::from_column_slice(normal);
        self.centre().iter().zip(step.iter()).map(|(c, s)| (c + s).clamp(-6.0, 6.0)).collect()
    }

    /// A root of the covariance of the unknowns.
    pub fn root(&self) -> DMatrix<f64> {
        let n = self.model.priors.len();
        let Some(fit) = &self.fit else { return DMatrix::identity(n, n) };
        let eigen = fit.covariance.clone().symmetric_eigen();
        // No weight can make an unknown less sure than its prior.
        let scale = eigen.eigenvalues.map(|v| v.clamp(0.0, 1.0).sqrt());
        &eigen.eigenvectors * DMatrix::from_diagonal(&scale)
    }

    /// Runs the past of up to [`LANES`] sets of unknowns against the weights.
    pub fn draw(&self, sets: &[Vec<f64>]) -> Draws {
        let past = self.model.past(sets);
        let mut at = [Departure::default(); LANES];
        let mut departures = Vec::with_capacity(self.links.len());
        let mut likelihood = [0.0; LANES];
        for (link, gain) in self.links.iter().zip(&self.gains) {
            let mass = mass_at(&past, link);
            for l in 0..LANES {
                let e = gain.pass(&mut at[l], link.g - mass[l], true);
                likelihood[l] -= 0.5 * huber(e).powi(2);
            }
            departures.push((link.t, at));
        }
        Draws { past, departures, now: at, likelihood }
    }

    /// Covariance of water and rate of the departure at the time asked for, and how much of the
    /// water and rate of the last weight's departure is left by then.
    pub fn gap(&self, lost: f64) -> ([[f64; 3]; 3], [f64; 4]) {
        let mut p = self.covariance;
        let last = self.links.last();
        let gap = self.model.history.now - last.map_or(0.0, |l| l.t);
        if last.is_none() {
            p[1][1] = RATE_SD * RATE_SD + RATE_SD_FRESH * RATE_SD_FRESH;
        }
        let keep = carry(&mut p, gap.max(0.0), lost.max(0.0), 1.0);
        (p, keep)
    }

    /// Mass that each lane has lost since the last weight, g.
    pub fn lost_since(&self, past: &Past) -> Lane {
        let now = past.state.mass_g();
        match self.links.last() {
            Some(link) => {
                let then = mass_at(past, link);
                std::array::from_fn(|l| then[l] - now[l])
            }
            None => std::array::from_fn(|l| past.mass[0].0[l] - now[l]),
        }
    }

    /// Whether residuals of the same sign follow each other more than chance would have it.
    pub fn runs(&self) -> Option<f64> {
        self.fit.as_ref().and_then(|f| f.report.runs)
    }
}

/// The weights that count, with where they lie in the model's spans.
fn links(model: &Model) -> Vec<Link> {
    let mut out: Vec<Link> = Vec::new();
    for w in model.history.weights.iter().filter(|w| w.used) {
        let span = model.spans.partition_point(|s| s.to <= w.t).min(model.spans.len() - 1);
        let s = &model.spans[span];
        let before = out.last();
        let gap = w.t - before.map_or(0.0, |b| b.t);
        let event =
            model.history.events.iter().any(|e| e.t > before.map_or(-1.0, |b| b.t) && e.t <= w.t);
        let lost = match before {
            Some(b) if !event => (b.g - w.g).max(0.0),
            // Across a trim the rate before it is the best guess.
            Some(b) => b.lost * (gap / b.gap.max(1.0)).min(3.0),
            None => 0.0,
        };
        out.push(Link {
            t: w.t,
            sd: w.sd,
            gap,
            lost,
            left: 1.0,
            span,
            part: ((w.t - s.from) / (s.to - s.from)).clamp(0.0, 1.0),
            g: w.g,
        });
    }
    out
}

/// How a gram too much fades between the weights: from the fit's own answer to a wetter start.
fn feedback(model: &Model, links: &mut [Link], z: &DVector<f64>) {
    let mut wetter = z.as_slice().to_vec();
    wetter[1] += 0.05;
    let past = weighed_past(model, links, &[z.as_slice().to_vec(), wetter]);
    let mut before: Option<f64> = None;
    for link in links {
        let mass = mass_at(&past, link);
        let more = mass[1] - mass[0];
        link.left = match before {
            Some(b) if b > 1e-9 => (more / b).clamp(0.0, 1.0),
            _ => 1.0,
        };
        before = Some(more);
    }
}
