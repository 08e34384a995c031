//! Calibration of a scale: the straight line through known masses, with its uncertainty.
//!
//! Least squares as in JCGM 100:2008 (Guide to the expression of uncertainty in measurement),
//! annex H.3: the line y = y₁ + y₂ (x − x₀), the standard uncertainties of y₁ and y₂, their
//! correlation, and the uncertainty of a value read off the line. Known masses are taken as exact;
//! the scatter about the line is the scale's.

/// A straight line with its uncertainty.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Line {
    /// x₀, where the intercept is taken; in the unit of x (raw counts).
    pub reference: f64,
    /// y₁, value at `reference`; in the unit of y (g).
    pub intercept: f64,
    /// y₂, per unit of x.
    pub slope: f64,
    /// Standard uncertainty of `intercept`.
    pub intercept_u: f64,
    /// Standard uncertainty of `slope`.
    pub slope_u: f64,
    /// Correlation of `intercept` and `slope`, −1 to 1.
    pub correlation: f64,
    /// Standard deviation of the points about the line, in the unit of y.
    pub scatter: f64,
    /// Points less the two parameters of the line.
    pub degrees_of_freedom: usize,
}

/// A value read off the line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Estimate {
    /// The value, in the unit of y.
    pub value: f64,
    /// Standard uncertainty of the line there.
    pub line_u: f64,
    /// Standard uncertainty of one reading: of the line and of the scatter about it.
    pub reading_u: f64,
}

/// Why there is no calibration.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum CalibrationError {
    /// A line has two parameters, and its scatter needs one more point.
    #[error("{0} points are too few: weigh nothing and at least two known masses")]
    TooFew(usize),
    /// A value is not a number.
    #[error("point {0} holds a value that is not a finite number: weigh it again")]
    NotFinite(usize),
    /// The scale said the same for all masses.
    #[error("the scale answered the same for every mass: check its wiring and its range")]
    NoSpan,
}

impl Line {
    /// The line through points (x, y), its intercept taken at `reference`.
    ///
    /// # Errors
    ///
    /// Fewer than three points, a value that is not finite, or no span in x.
    pub fn through(points: &[(f64, f64)], reference: f64) -> Result<Line, CalibrationError> {
        if points.len() < 3 {
            return Err(CalibrationError::TooFew(points.len()));
        }
        if let Some(i) = points.iter().position(|(x, y)| !x.is_finite() || !y.is_finite()) {
            return Err(CalibrationError::NotFinite(i + 1));
        }
        let n = points.len() as f64;
        let mean_x = points.iter().map(|p| p.0).sum::<f64>() / n;
        let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
        let span: f64 = points.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
        let slope = points.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum::<f64>() / span;
        if !slope.is_finite() || slope == 0.0 {
            return Err(CalibrationError::NoSpan);
        }
        // About the mean the two parameters are uncorrelated; then moved to the reference.
        let rest = |p: &(f64, f64)| p.1 - mean_y - slope * (p.0 - mean_x);
        let residual_sum: f64 = points.iter().map(|p| rest(p).powi(2)).sum();
        let scatter = (residual_sum / (n - 2.0)).sqrt();
        let away = reference - mean_x;
        let slope_u = scatter / span.sqrt();
        let intercept_u = scatter * (1.0 / n + away * away / span).sqrt();
        Ok(Line {
            reference,
            intercept: mean_y + slope * away,
            slope,
            intercept_u,
            slope_u,
            correlation: away / (span / n + away * away).sqrt(),
            scatter,
            degrees_of_freedom: points.len() - 2,
        })
    }

    /// What the line says at `x`, with the correlation of its parameters (JCGM 100 eq. H.15).
    pub fn at(&self, x: f64) -> Estimate {
        let away = x - self.reference;
        let variance = self.intercept_u.powi(2)
            + (away * self.slope_u).powi(2)
            + 2.0 * away * self.intercept_u * self.slope_u * self.correlation;
        let line_u = variance.max(0.0).sqrt();
        Estimate {
            value: self.intercept + self.slope * away,
            line_u,
            reading_u: line_u.hypot(self.scatter),
        }
    }
}
