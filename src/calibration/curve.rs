//! The curve through known masses: a straight line, or a quadratic where the data demand one, with
//! its uncertainty.
//!
//! Least squares as in JCGM 100:2008 (Guide to the expression of uncertainty in measurement),
//! annex H.3: parameters, their standard uncertainties and correlation, and the uncertainty of a
//! value read off the curve. Inside, x runs from −1 to 1 over the points, so that raw counts of
//! any size lose no digits.

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// A quadratic is taken where chance alone would bend the points so much in one case of so many
/// (F-test of the third parameter; common practice, no source for the level).
const BEND_BY_CHANCE: f64 = 0.01;
/// Smallest share of the largest that a parameter's part of the points may have.
const TELLABLE: f64 = 1e-9;

/// How a curve is bent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Shape {
    /// y = a + b x
    Straight,
    /// y = a + b x + c x²
    Quadratic,
}

impl Shape {
    fn parameters(self) -> usize {
        match self {
            Shape::Straight => 2,
            Shape::Quadratic => 3,
        }
    }
}

/// A curve with its uncertainty.
#[derive(Clone, PartialEq, Debug)]
pub struct Curve {
    shape: Shape,
    /// x = middle + half · z; half is more than 0.
    middle: f64,
    half: f64,
    /// Of 1, z, z²; the last is 0 for a straight line.
    parameters: Vector3<f64>,
    covariance: Matrix3<f64>,
    /// What each point's y adds to each parameter: 3 × points.
    share: DMatrix<f64>,
    residuals: Vec<f64>,
    scatter: f64,
}

/// A value read off the curve.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Estimate {
    /// The value, in the unit of y.
    pub value: f64,
    /// Standard uncertainty of the curve there.
    pub line_u: f64,
    /// Standard uncertainty of one reading: of the curve and of the scatter about it.
    pub reading_u: f64,
}

/// The curve as a polynomial in x − reference.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Polynomial {
    /// Of 1, x − reference, (x − reference)².
    pub parameters: [f64; 3],
    /// Their covariance.
    pub covariance: [[f64; 3]; 3],
}

impl Polynomial {
    /// Standard uncertainty of the `i`-th parameter.
    pub fn u(&self, i: usize) -> f64 {
        self.covariance[i][i].max(0.0).sqrt()
    }

    /// Correlation of two parameters, −1 to 1.
    pub fn correlation(&self, i: usize, k: usize) -> f64 {
        self.covariance[i][k] / (self.u(i) * self.u(k))
    }
}

/// Why there is no curve.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum CurveError {
    /// A line has two parameters, and its scatter needs one more point.
    #[error("{0} loads are too few: weigh nothing and at least two known masses")]
    TooFew(usize),
    /// A value is not a number.
    #[error("load {0} holds a value that is not a finite number: weigh it again")]
    NotFinite(usize),
    /// The scale said the same for all masses, or all masses were the same.
    #[error("the scale answered the same for every mass: check its wiring and its range")]
    NoSpan,
}

impl Curve {
    /// The curve of that shape through points (x, y).
    ///
    /// # Errors
    ///
    /// Not one point more than it has parameters, a value that is not finite, too few different x,
    /// or the same y for all.
    pub fn through(points: &[(f64, f64)], shape: Shape) -> Result<Curve, CurveError> {
        let wanted = shape.parameters();
        if points.len() <= wanted {
            return Err(CurveError::TooFew(points.len()));
        }
        if let Some(i) = points.iter().position(|(x, y)| !x.is_finite() || !y.is_finite()) {
            return Err(CurveError::NotFinite(i + 1));
        }
        let (low, high) = span(points.iter().map(|p| p.0));
        let (middle, half) = (low / 2.0 + high / 2.0, high / 2.0 - low / 2.0);
        let (bottom, top) = span(points.iter().map(|p| p.1));
        if half <= 0.0 || bottom == top {
            return Err(CurveError::NoSpan);
        }
        let z = |x: f64| (x - middle) / half;
        let powers = DMatrix::from_fn(points.len(), wanted, |i, k| z(points[i].0).powi(k as i32));
        let y = DVector::from_iterator(points.len(), points.iter().map(|p| p.1));
        let (q, r) = powers.clone().qr().unpack();
        let size = r.diagonal().abs();
        if size.min() <= TELLABLE * size.max() {
            return Err(CurveError::NoSpan);
        }
        let inverse = r.try_inverse().ok_or(CurveError::NoSpan)?;
        let share = &inverse * q.transpose();
        let found = &share * &y;
        let residuals = y - powers * &found;
        let freedom = (points.len() - wanted) as f64;
        let scatter = residuals.norm() / freedom.sqrt();
        let spread = (&inverse * inverse.transpose()) * (scatter * scatter);
        Ok(Curve {
            shape,
            middle,
            half,
            parameters: Vector3::from_fn(|i, _| found.get(i).copied().unwrap_or(0.0)),
            covariance: Matrix3::from_fn(|i, k| spread.get((i, k)).copied().unwrap_or(0.0)),
            share: share.resize_vertically(3, 0.0),
            residuals: residuals.iter().copied().collect(),
            scatter,
        })
    }

    /// The curve that the points demand: straight, unless a quadratic explains them far better
    /// than chance, by more than `tolerance` (how well y is known), and rises or falls throughout.
    ///
    /// # Errors
    ///
    /// Those of [`Curve::through`] for a straight line.
    pub fn demanded(points: &[(f64, f64)], tolerance: f64) -> Result<Curve, CurveError> {
        let straight = Curve::through(points, Shape::Straight)?;
        let Ok(bent) = Curve::through(points, Shape::Quadratic) else { return Ok(straight) };
        let bend = points.iter().map(|(x, _)| (bent.value(*x) - straight.value(*x)).abs());
        let seen = bend.fold(0.0, f64::max) > tolerance;
        let likely = bent.p_of_bend(&straight) < BEND_BY_CHANCE;
        Ok(if seen && likely && bent.is_monotonic() { bent } else { straight })
    }

    /// Probability that points on a straight line scatter so that the quadratic is so much better.
    fn p_of_bend(&self, straight: &Curve) -> f64 {
        let freedom = self.degrees_of_freedom() as f64;
        let rest = self.scatter.powi(2) * freedom;
        let gain = straight.scatter.powi(2) * (freedom + 1.0) - rest;
        if rest <= 0.0 {
            return if gain > 0.0 { 0.0 } else { 1.0 };
        }
        let ratio = (gain / (rest / freedom)).max(0.0);
        FisherSnedecor::new(1.0, freedom).map_or(1.0, |f| f.sf(ratio))
    }

    /// Whether it rises throughout or falls throughout, its points' span and a tenth of it beyond.
    fn is_monotonic(&self) -> bool {
        let [_, b, c] = [self.parameters[0], self.parameters[1], self.parameters[2]];
        b.abs() > 2.2 * c.abs() // slope b + 2 c z, z from −1.1 to 1.1
    }

    /// How it is bent.
    pub fn shape(&self) -> Shape {
        self.shape
    }

    /// Standard deviation of the points about the curve, in the unit of y.
    pub fn scatter(&self) -> f64 {
        self.scatter
    }

    /// Points less parameters.
    pub fn degrees_of_freedom(&self) -> usize {
        self.residuals.len() - self.shape.parameters()
    }

    /// y of each point less the curve there, in order of the points.
    pub fn residuals(&self) -> &[f64] {
        &self.residuals
    }

    /// The curve at `x`.
    pub fn value(&self, x: f64) -> f64 {
        self.powers(x).dot(&self.parameters)
    }

    /// The x at which the curve is at `y`, on the side of its points; `None` if it never is.
    pub fn inverse(&self, y: f64) -> Option<f64> {
        let [a, b, c]: [f64; 3] = self.parameters.into();
        // c z² + b z + (a − y) = 0, without the difference of two near numbers.
        let root = (b * b - 4.0 * c * (a - y)).sqrt();
        let z = 2.0 * (y - a) / (b + root.copysign(b));
        z.is_finite().then_some(self.middle + self.half * z)
    }

    /// What the curve says at `x` and how surely (JCGM 100 eq. H.15).
    pub fn at(&self, x: f64) -> Estimate {
        let powers = self.powers(x);
        let line_u = (powers.transpose() * self.covariance * powers)[0].max(0.0).sqrt();
        Estimate { value: self.value(x), line_u, reading_u: line_u.hypot(self.scatter) }
    }

    /// The change of y with x at `x`.
    pub fn slope(&self, x: f64) -> f64 {
        let z = (x - self.middle) / self.half;
        (self.parameters[1] + 2.0 * self.parameters[2] * z) / self.half
    }

    /// How the curve moves at `x` when the y of each point moves by `shifts` (all at once: errors
    /// of masses from one set go together).
    pub fn moved_by(&self, shifts: &[f64], x: f64) -> f64 {
        let shares = self.powers(x).transpose() * &self.share;
        shares.iter().zip(shifts).map(|(share, shift)| share * shift).sum()
    }

    /// As a polynomial about `reference`.
    pub fn about(&self, reference: f64) -> Polynomial {
        let z = (reference - self.middle) / self.half;
        let h = self.half;
        // 1, z₀ + d/h, (z₀ + d/h)² in powers of d.
        let to = Matrix3::new(
            1.0,
            z,
            z * z, //
            0.0,
            1.0 / h,
            2.0 * z / h, //
            0.0,
            0.0,
            1.0 / (h * h),
        );
        let covariance = to * self.covariance * to.transpose();
        let parameters = to * self.parameters;
        Polynomial {
            parameters: parameters.into(),
            covariance: std::array::from_fn(|i| std::array::from_fn(|k| covariance[(i, k)])),
        }
    }

    fn powers(&self, x: f64) -> Vector3<f64> {
        let z = (x - self.middle) / self.half;
        Vector3::new(1.0, z, z * z)
    }
}

/// Lowest and highest of some values.
fn span(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
}
