//! Nonlinear least squares: a Levenberg–Marquardt minimiser that says why it stopped.
//!
//! Steps solve the damped linear problem by orthogonal factors, never by normal equations; columns
//! are scaled as they were seen largest (Moré, "The Levenberg–Marquardt algorithm: implementation
//! and theory", Lecture Notes in Mathematics 630, 105–116, 1978), the damping follows the gain
//! ratio (after Nielsen, IMM-REP-1999-05, Technical University of Denmark, 1999), and steps follow
//! the bend of the model (Transtrum and Sethna, "Improvements to the Levenberg–Marquardt algorithm
//! for nonlinear least-squares minimization", arXiv:1201.5885, 2012). It stops by the
//! relative offset of Bates and Watts (Technometrics 23, 179–183, 1981): how far the estimate
//! still is from the minimum, measured in its own standard errors. The runs test of residual signs
//! is that of Wald and Wolfowitz (Ann. Math. Statist. 11, 147–162, 1940).
//!
//! A fit is an estimate with its covariance and a report, or a named refusal; nothing here panics
//! and nothing non-finite comes out.

use nalgebra::{DMatrix, DVector, Dyn, QR};

/// What is to be fitted: residuals whose sum of squares is to be least.
pub trait Problem {
    /// Residuals at these parameters; `None` where the model does not exist. A residual that is
    /// not finite counts as `None`. Their number must not depend on the parameters. A search that
    /// runs into such a wall stalls there: give a bounded quantity as its logarithm or logit.
    fn residuals(&self, parameters: &DVector<f64>) -> Option<DVector<f64>>;

    /// Derivatives of the residuals (rows) by the parameters (columns), given the residuals there.
    ///
    /// By default from central differences, one-sided where the model ends.
    fn jacobian(
        &self,
        parameters: &DVector<f64>,
        residuals: &DVector<f64>,
    ) -> Option<DMatrix<f64>> {
        differences(|p| self.residuals(p), parameters, residuals)
    }

    /// How many of the residuals, from the first on, belong to observations in order of time; the
    /// rest (priors) is left out of the runs test. By default all.
    fn observations(&self) -> usize {
        usize::MAX
    }
}

/// How the scatter of the residuals is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Scatter {
    /// Estimated from the fit: residual sum over degrees of freedom.
    Estimated,
    /// Residuals are already divided by their standard deviations.
    Unit,
}

/// When to stop, and what to take for granted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Options {
    /// Steps tried at most; 1 and above.
    pub iterations: usize,
    /// Converged when the estimate lies within this many standard errors of the minimum.
    pub offset: f64,
    /// Converged when a step moves no parameter by more than this share of its size.
    pub step: f64,
    /// Parameters cannot be told apart when the least singular value of the derivatives, columns
    /// scaled to length 1, is below this.
    pub rank: f64,
    /// What the covariance rests on.
    pub scatter: Scatter,
    /// Look for the bend of the model at every step, not only after one that failed: surer from far
    /// off, one more run of the model each.
    pub wary: bool,
}

impl Default for Options {
    fn default() -> Options {
        Options {
            iterations: 500,
            offset: 1e-8,
            step: 1e-12,
            rank: 1e-12,
            scatter: Scatter::Estimated,
            wary: true,
        }
    }
}

/// Why a fit stopped.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stop {
    /// The rest of the way to the minimum is a small part of a standard error.
    Offset,
    /// The last step moved nothing that matters.
    Step,
    /// Nothing is left of the residuals.
    Exact,
    /// No step makes the residuals smaller, and the minimum is not reached.
    Stalled,
    /// The steps ran out.
    Iterations,
}

impl Stop {
    /// Whether the estimate can be taken for the minimum.
    pub fn converged(self) -> bool {
        matches!(self, Stop::Offset | Stop::Step | Stop::Exact)
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Stop::Offset => "converged",
            Stop::Step => "converged (no further step)",
            Stop::Exact => "converged (no residual left)",
            Stop::Stalled => "stalled before the minimum",
            Stop::Iterations => "out of steps",
        }
    }
}

/// How a fit went.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Report {
    /// Why it stopped.
    pub stop: Stop,
    /// How often the residuals were asked for, those for derivatives by differences not counted.
    pub evaluations: usize,
    /// Steps tried.
    pub iterations: usize,
    /// Distance to the minimum in standard errors (root mean square over the parameters).
    pub offset: f64,
    /// Runs of residual signs against what chance gives, in standard deviations: far below 0 where
    /// neighbours err alike. `None` for fewer than two residuals of either sign.
    pub runs: Option<f64>,
}

/// An estimate.
#[derive(Clone, PartialEq, Debug)]
pub struct Fit {
    /// The parameters.
    pub parameters: DVector<f64>,
    /// Their covariance in the linear approximation at the estimate.
    pub covariance: DMatrix<f64>,
    /// Sum of the squared residuals.
    pub residual_sum: f64,
    /// How it went.
    pub report: Report,
}

impl Fit {
    /// Standard errors of the parameters.
    pub fn standard_errors(&self) -> DVector<f64> {
        self.covariance.diagonal().map(|v| v.max(0.0).sqrt())
    }
}

/// Why there is no estimate.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refusal {
    /// The model has no finite value where the fit was to start.
    #[error("the model has no value at the starting point")]
    Start,
    /// Not enough to go by.
    #[error("{residuals} values cannot settle {parameters} parameters")]
    TooFew {
        /// Residuals.
        residuals: usize,
        /// Parameters.
        parameters: usize,
    },
    /// The derivatives do not exist.
    #[error("the model has no derivatives where the fit has come to")]
    Derivatives,
    /// Some combination of these parameters could be anything.
    #[error("the values do not tell these parameters apart: {0:?}")]
    Unidentified(Vec<usize>),
}

/// Fits from `start`.
///
/// # Errors
///
/// A [`Refusal`] where there is no estimate. An estimate that is not the minimum is one with a
/// [`Stop`] that is not [`Stop::converged`].
pub fn fit<P: Problem + ?Sized>(
    problem: &P,
    start: DVector<f64>,
    options: &Options,
) -> Result<Fit, Refusal> {
    let mut search = Search::new(problem, start, options)?;
    let stop = search.run()?;
    search.conclude(stop)
}

/// How far along a step the curvature of the model is looked at, and how large the correction may
/// be against the step (both as Transtrum and Sethna found good).
const PROBE: f64 = 0.1;
const MOST_BEND: f64 = 0.75;

/// By how much the damping grows when a step fails first; twice as much each further time.
const UNTRIED: f64 = 2.0;

/// Linear approximation at a point: J = Q R, and Qᵀ r.
struct Linear {
    jacobian: DMatrix<f64>,
    /// Lengths of its columns.
    lengths: DVector<f64>,
    factors: QR<f64, Dyn, Dyn>,
    r: DMatrix<f64>,
    qt_residuals: DVector<f64>,
}

struct Search<'a, P: Problem + ?Sized> {
    problem: &'a P,
    options: &'a Options,
    at: DVector<f64>,
    residuals: DVector<f64>,
    linear: Linear,
    /// Largest column lengths seen so far.
    scale: DVector<f64>,
    damping: f64,
    growth: f64,
    evaluations: usize,
    iterations: usize,
}

impl<'a, P: Problem + ?Sized> Search<'a, P> {
    fn new(
        problem: &'a P,
        at: DVector<f64>,
        options: &'a Options,
    ) -> Result<Search<'a, P>, Refusal> {
        if !finite(&at) {
            return Err(Refusal::Start);
        }
        let residuals = problem.residuals(&at).filter(finite).ok_or(Refusal::Start)?;
        let (n, p) = (residuals.len(), at.len());
        let spare = usize::from(options.scatter == Scatter::Estimated);
        if p == 0 || n < p + spare {
            return Err(Refusal::TooFew { residuals: n, parameters: p });
        }
        let linear = linearise(problem, &at, &residuals)?;
        let scale = linear.lengths.map(|l| if l > 0.0 { l } else { 1.0 });
        Ok(Search {
            problem,
            options,
            at,
            residuals,
            linear,
            scale,
            damping: 1e-2,
            growth: UNTRIED,
            evaluations: 1,
            iterations: 0,
        })
    }

    fn run(&mut self) -> Result<Stop, Refusal> {
        while self.iterations < self.options.iterations.max(1) {
            if self.residuals.norm_squared() <= f64::MIN_POSITIVE {
                return Ok(Stop::Exact);
            }
            if self.offset() <= self.options.offset {
                return Ok(Stop::Offset);
            }
            self.iterations += 1;
            let Some(step) = self.damped_step() else {
                self.damp_more();
                continue;
            };
            let small = self.is_small(&step);
            if self.take(&step) {
                // Small although hardly damped: the minimum. Small because damped: go on.
                if small && self.damping < 1.0 {
                    return Ok(Stop::Step);
                }
            } else if small {
                return Ok(if self.is_at_rounding() { Stop::Step } else { Stop::Stalled });
            } else {
                self.damp_more();
            }
        }
        Ok(Stop::Iterations)
    }

    /// Tries a step; `false` if the model has no value or no derivatives there, or if it does not
    /// make the residuals smaller.
    fn take(&mut self, step: &DVector<f64>) -> bool {
        let next = &self.at + step;
        let Some(tried) = self.residuals_at(&next) else { return false };
        let gained = self.residuals.norm_squared() - tried.norm_squared();
        if gained.is_nan() || gained <= 0.0 {
            return false;
        }
        let Ok(linear) = linearise(self.problem, &next, &tried) else { return false };
        // What the linear model promised: ‖r‖² − ‖r + J δ‖².
        let rest = &self.linear.qt_residuals + &self.linear.r * step;
        let promised = self.linear.qt_residuals.norm_squared() - rest.norm_squared();
        let gain = if promised > 0.0 { gained / promised } else { 0.0 };
        let change = (1.0 - (2.0 * gain - 1.0).powi(3)).clamp(0.2, 2.0);
        self.damping = (self.damping * change).max(1e-16);
        self.growth = UNTRIED;
        self.scale = self.scale.zip_map(&linear.lengths, f64::max);
        (self.at, self.residuals, self.linear) = (next, tried, linear);
        true
    }

    /// Residuals there, if they are finite and as many as before.
    fn residuals_at(&mut self, at: &DVector<f64>) -> Option<DVector<f64>> {
        self.evaluations += 1;
        let found = self.problem.residuals(at)?;
        (finite(&found) && found.len() == self.residuals.len()).then_some(found)
    }

    fn damp_more(&mut self) {
        self.damping = (self.damping * self.growth).min(1e200);
        self.growth *= 2.0;
    }

    /// The damped step, bent along the curve of the model where that is a small correction.
    fn damped_step(&mut self) -> Option<DVector<f64>> {
        let (p, width) = (self.at.len(), self.damping.sqrt());
        let mut matrix = DMatrix::zeros(2 * p, p);
        matrix.rows_mut(0, p).copy_from(&self.linear.r);
        for j in 0..p {
            matrix[(p + j, j)] = width * self.scale[j];
        }
        let factors = matrix.qr();
        // Least of ‖R δ + Qᵀr‖² + damping ‖scale δ‖².
        let solve = |qt_residuals: &DVector<f64>| {
            let right = -qt_residuals.clone().resize_vertically(2 * p, 0.0);
            let step = factors.r().solve_upper_triangular(&rotated(&factors, p, right))?;
            finite(&step).then_some(step)
        };
        let step = solve(&self.linear.qt_residuals)?;
        let straight = !self.options.wary && self.growth <= UNTRIED;
        if straight || self.is_small(&step) {
            return Some(step);
        }
        let probe = self.residuals_at(&(&self.at + &step * PROBE));
        let bend = probe.and_then(|probe| {
            let straight = &self.linear.jacobian * &step;
            let curvature = ((probe - &self.residuals) / PROBE - straight) * (2.0 / PROBE);
            solve(&rotated(&self.linear.factors, p, curvature))
        });
        let length = |v: &DVector<f64>| v.component_mul(&self.scale).norm();
        match bend {
            Some(bend) if 2.0 * length(&bend) <= MOST_BEND * length(&step) => {
                Some(step + bend * 0.5)
            }
            Some(_) => None,
            None => Some(step),
        }
    }

    /// Whether no smaller sum was found because only rounding is left: the minimum is nearer than
    /// matters, or the undamped step would hardly move anything.
    fn is_at_rounding(&self) -> bool {
        let whole = self.linear.r.solve_upper_triangular(&-&self.linear.qt_residuals);
        self.offset() <= 1e-5 || whole.is_some_and(|s| self.is_small(&(s * 1e-4)))
    }

    fn is_small(&self, step: &DVector<f64>) -> bool {
        let share = self.options.step;
        step.iter().zip(&self.at).all(|(s, p)| s.abs() <= share * (p.abs() + share))
    }

    /// Bates and Watts' relative offset: what the linear model would still take away, against what
    /// it must leave.
    fn offset(&self) -> f64 {
        let (n, p) = (self.residuals.len() as f64, self.at.len() as f64);
        let along = self.linear.qt_residuals.norm_squared();
        let variance = match self.options.scatter {
            Scatter::Estimated => (self.residuals.norm_squared() - along).max(0.0) / (n - p),
            Scatter::Unit => 1.0,
        };
        let offset = (along / p / variance).sqrt();
        if offset.is_nan() { f64::INFINITY } else { offset }
    }

    fn conclude(self, stop: Stop) -> Result<Fit, Refusal> {
        let (n, p) = (self.residuals.len(), self.at.len());
        let residual_sum = self.residuals.norm_squared();
        let variance = match self.options.scatter {
            Scatter::Estimated => residual_sum / (n - p) as f64,
            Scatter::Unit => 1.0,
        };
        let covariance = self.linear.covariance(self.options.rank)? * variance;
        let observed = self.problem.observations().min(n);
        let report = Report {
            stop,
            evaluations: self.evaluations,
            iterations: self.iterations,
            offset: self.offset(),
            runs: runs_test(&self.residuals.as_slice()[..observed]),
        };
        Ok(Fit { parameters: self.at, covariance, residual_sum, report })
    }
}

impl Linear {
    /// (JᵀJ)⁻¹ from the singular values of the scaled columns.
    fn covariance(&self, rank: f64) -> Result<DMatrix<f64>, Refusal> {
        let p = self.lengths.len();
        let dead: Vec<usize> = (0..p).filter(|&j| self.lengths[j] <= 0.0).collect();
        if !dead.is_empty() {
            return Err(Refusal::Unidentified(dead));
        }
        let scaled = DMatrix::from_fn(p, p, |i, j| self.r[(i, j)] / self.lengths[j]);
        let svd = scaled.try_svd(false, true, f64::EPSILON, 1000).ok_or(Refusal::Derivatives)?;
        let v_t = svd.v_t.ok_or(Refusal::Derivatives)?;
        let (weakest, least) = svd.singular_values.argmin();
        if least.is_nan() || least < rank {
            let involved = (0..p).filter(|&j| v_t[(weakest, j)].abs() > 0.1).collect();
            return Err(Refusal::Unidentified(involved));
        }
        let covariance = DMatrix::from_fn(p, p, |i, j| {
            let sum: f64 =
                (0..p).map(|k| v_t[(k, i)] * v_t[(k, j)] / svd.singular_values[k].powi(2)).sum();
            sum / (self.lengths[i] * self.lengths[j])
        });
        if covariance.iter().all(|v| v.is_finite()) {
            Ok(covariance)
        } else {
            Err(Refusal::Derivatives)
        }
    }
}

fn linearise<P: Problem + ?Sized>(
    problem: &P,
    at: &DVector<f64>,
    residuals: &DVector<f64>,
) -> Result<Linear, Refusal> {
    let jacobian = problem.jacobian(at, residuals).ok_or(Refusal::Derivatives)?;
    let fits = jacobian.shape() == (residuals.len(), at.len());
    if !fits || !jacobian.iter().all(|v| v.is_finite()) {
        return Err(Refusal::Derivatives);
    }
    let lengths = DVector::from_iterator(at.len(), jacobian.column_iter().map(|c| c.norm()));
    let factors = jacobian.clone().qr();
    let (r, qt_residuals) = (factors.r(), rotated(&factors, at.len(), residuals.clone()));
    let linear = Linear { jacobian, lengths, factors, r, qt_residuals };
    let sound = finite(&linear.lengths) && finite(&linear.qt_residuals);
    if sound { Ok(linear) } else { Err(Refusal::Derivatives) }
}

/// The part of Qᵀ v that belongs to the `columns` of the factorised matrix.
fn rotated(factors: &QR<f64, Dyn, Dyn>, columns: usize, mut v: DVector<f64>) -> DVector<f64> {
    factors.q_tr_mul(&mut v);
    v.rows(0, columns).into_owned()
}

fn finite(v: &DVector<f64>) -> bool {
    v.iter().all(|x| x.is_finite())
}

/// Derivatives by central differences, one-sided where the model ends; `None` where it exists on
/// neither side. The step, a cube root of the rounding unit, balances rounding and curvature.
pub fn differences(
    residuals: impl Fn(&DVector<f64>) -> Option<DVector<f64>>,
    at: &DVector<f64>,
    here: &DVector<f64>,
) -> Option<DMatrix<f64>> {
    let mut jacobian = DMatrix::zeros(here.len(), at.len());
    let mut point = at.clone();
    for j in 0..at.len() {
        let size = if at[j] == 0.0 { 1.0 } else { at[j].abs() };
        let step = f64::EPSILON.cbrt() * size;
        let mut shifted = |by: f64| {
            point[j] = at[j] + by;
            let moved = point[j] - at[j];
            let found = residuals(&point).filter(|r| finite(r) && r.len() == here.len());
            point[j] = at[j];
            found.map(|r| (r, moved))
        };
        let column = match (shifted(step), shifted(-step)) {
            (Some((up, by)), Some((down, back))) => (up - down) / (by - back),
            (Some((one, by)), None) | (None, Some((one, by))) => (one - here) / by,
            (None, None) => return None,
        };
        jacobian.set_column(j, &column);
    }
    Some(jacobian)
}

/// Runs of equal signs against what chance gives, in standard deviations (Wald and Wolfowitz);
/// `None` for fewer than two values of either sign. Zeros are passed over.
pub fn runs_test(residuals: &[f64]) -> Option<f64> {
    let signs: Vec<bool> = residuals.iter().filter(|r| **r != 0.0).map(|r| *r > 0.0).collect();
    let above = signs.iter().filter(|s| **s).count() as f64;
    let below = signs.len() as f64 - above;
    if above < 2.0 || below < 2.0 {
        return None;
    }
    let runs = 1 + signs.windows(2).filter(|w| w[0] != w[1]).count();
    let all = above + below;
    let mean = 1.0 + 2.0 * above * below / all;
    let variance = (mean - 1.0) * (mean - 2.0) / (all - 1.0);
    Some((runs as f64 - mean) / variance.sqrt())
}
