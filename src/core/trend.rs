//! A slope in time beside other causes, with an error that knows how neighbours hang together.
//!
//! Linear regression whose errors are a first-order autoregressive process, by generalised least
//! squares (Prais & Winsten, "Trend Estimators and Serial Correlation", Cowles Commission
//! discussion paper 383, 1954; with gaps of any length ρ to the power of the gap stands for ρ). The
//! correlation of neighbours is that of the residuals, which comes out too low in few values: with
//! a mean taken out by (1 + 3ρ)/n, with a line by (2 + 4ρ)/n (Kendall, Biometrika 41 (1954) 403;
//! Marriott & Pope, Biometrika 41 (1954) 390), and so on with each further cause (own judgement;
//! what it is worth is measured in the tests). Errors after Newey & West (1987) were tried: in some
//! weeks of half-day means their 80 % intervals held 40 to 70 of 100 times.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Neighbours hang together no more than this: beyond it a slope and a wander are the same.
const MOST_CORRELATED: f64 = 0.9;
/// Rounds in which correlation and slope are found.
const ROUNDS: usize = 3;
/// A cause that varies less than this share of its size, or of what others leave of it, is none.
const TELLABLE: f64 = 1e-6;

/// A slope and how sure it is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Slope {
    /// Per unit of time.
    pub value: f64,
    /// Its standard error.
    pub sd: f64,
    /// Degrees of freedom of that.
    pub freedom: f64,
    /// Akaike's criterion for few values (Hurvich & Tsai, Biometrika 76 (1989) 297): less is better
    /// among descriptions of the same values.
    pub criterion: f64,
}

impl Slope {
    /// Half of the interval in which it lies with that probability, by Student's t.
    pub fn within(&self, level: f64) -> f64 {
        let t = StudentsT::new(0.0, 1.0, self.freedom);
        t.map_or(f64::INFINITY, |t| self.sd * t.inverse_cdf(0.5 * (1.0 + level)))
    }
}

/// One slope of several descriptions of the same values, each as likely as its criterion says, and
/// as unsure as they differ (Buckland, Burnham & Augustin, Biometrics 53 (1997) 603).
pub fn averaged(slopes: &[Slope]) -> Option<Slope> {
    let least = slopes.iter().map(|s| s.criterion).min_by(f64::total_cmp)?;
    let weight = |s: &Slope| (-0.5 * (s.criterion - least)).exp();
    let all: f64 = slopes.iter().map(weight).sum();
    let mean =
        |of: &dyn Fn(&Slope) -> f64| slopes.iter().map(|s| weight(s) * of(s)).sum::<f64>() / all;
    let value = mean(&|s| s.value);
    Some(Slope {
        value,
        sd: mean(&|s| s.sd.hypot(s.value - value)),
        freedom: mean(&|s| s.freedom),
        criterion: least,
    })
}

/// Slope of values along times (in order) beside other causes; `None` where there is too little to
/// tell it from them.
pub fn slope(times: &[f64], values: &[f64], causes: &[Vec<f64>]) -> Option<Slope> {
    let columns: Vec<Vec<f64>> = causes.iter().filter_map(|cause| scaled(cause)).collect();
    let (n, k) = (times.len(), columns.len() + 2);
    if n < k + 3 {
        return None;
    }
    let middle = times.iter().sum::<f64>() / n as f64;
    let x = DMatrix::from_fn(n, k, |row, column| match column {
        0 => 1.0,
        1 => times[row] - middle,
        _ => columns[column - 2][row],
    });
    let y = DVector::from_column_slice(values);
    let gap = (times[n - 1] - times[0]) / (n - 1) as f64;
    let mut found = fitted(&x, &y, times, gap, 0.0)?;
    for _ in 0..ROUNDS {
        let rest = &y - &x * &found.b;
        let next: f64 = (1..n).map(|i| rest[i] * rest[i - 1]).sum();
        let (n, k) = (n as f64, k as f64);
        let seen = next / rest.norm_squared().max(f64::MIN_POSITIVE);
        let unbiased = (n * seen + k) / (n - k - 2.0);
        found = fitted(&x, &y, times, gap, unbiased.clamp(0.0, MOST_CORRELATED))?;
    }
    let (n, k) = (n as f64, k as f64);
    // Beside the coefficients, correlation and scatter are found.
    let known = k + 2.0;
    let criterion = found.deviance + 2.0 * known * n / (n - known - 1.0).max(0.5);
    let slope = Slope { value: found.b[1], sd: found.sd[1], freedom: n - k, criterion };
    (slope.value.is_finite() && slope.sd.is_finite()).then_some(slope)
}

/// A cause about its mean, in units of its spread; `None` where it does not vary.
fn scaled(cause: &[f64]) -> Option<Vec<f64>> {
    let n = cause.len() as f64;
    let mean = cause.iter().sum::<f64>() / n;
    let sd = (cause.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt();
    (sd > TELLABLE * mean.abs()).then(|| cause.iter().map(|v| (v - mean) / sd).collect())
}

struct Fitted {
    /// Coefficients.
    b: DVector<f64>,
    /// Their standard errors.
    sd: DVector<f64>,
    /// −2 ln of the likelihood, up to a constant.
    deviance: f64,
}

/// Coefficients where values `gap` apart correlate by `rho`.
fn fitted(x: &DMatrix<f64>, y: &DVector<f64>, times: &[f64], gap: f64, rho: f64) -> Option<Fitted> {
    let (mut white_x, mut white_y) = (x.clone(), y.clone());
    let mut deviance = 0.0;
    for i in 1..times.len() {
        let kept = rho.powf((times[i] - times[i - 1]) / gap);
        let new = (1.0 - kept * kept).sqrt();
        deviance += 2.0 * new.ln();
        white_x.set_row(i, &((x.row(i) - x.row(i - 1) * kept) / new));
        white_y[i] = (y[i] - kept * y[i - 1]) / new;
    }
    let normal = white_x.tr_mul(&white_x);
    let inverse = normal.clone().cholesky()?.inverse();
    // What the other causes leave of each.
    if (0..x.ncols()).any(|k| normal[(k, k)] * inverse[(k, k)] > 1.0 / TELLABLE) {
        return None;
    }
    let b = &inverse * white_x.tr_mul(&white_y);
    let (n, left) = (x.nrows() as f64, (&white_y - &white_x * &b).norm_squared());
    deviance += n * (left / n).max(f64::MIN_POSITIVE).ln();
    let sd = inverse.diagonal().map(|v| (v * left / (n - x.ncols() as f64)).sqrt());
    Some(Fitted { b, sd, deviance })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    /// `fixtures/generate_trend.py`: GLS of statsmodels, with this correlation and in these rounds.
    #[test]
    fn slopes_and_errors_are_those_of_statsmodels() {
        let table = include_str!("../../fixtures/trend_gls.csv");
        let rows = table.lines().filter(|line| !line.starts_with('#')).skip(1);
        let rows: Vec<Vec<&str>> = rows.map(|row| row.split(',').collect()).collect();
        assert_eq!(rows.len(), 8);
        for row in rows {
            let number = |k: usize| row[k].parse::<f64>().unwrap();
            let series =
                |k: usize| -> Vec<f64> { row[k].split(' ').map(|v| v.parse().unwrap()).collect() };
            let found = slope(&series(5), &series(6), &[series(7), series(8)]).unwrap();
            let near = |a: f64, b: f64, what: &str| {
                assert!((a - b).abs() < 1e-6 * number(1), "{what}: {a}, statsmodels {b}");
            };
            near(found.value, number(0), "slope");
            near(found.sd, number(1), "error");
            near(found.value - found.within(0.8), number(2), "lower end");
            near(found.value + found.within(0.8), number(3), "upper end");
        }
    }

    fn wander(n: usize, keep: f64, rng: &mut StdRng) -> Vec<f64> {
        let mut x: f64 = rng.sample(StandardNormal);
        let mut next = || {
            let kick: f64 = rng.sample(StandardNormal);
            x = keep * x + (1.0_f64 - keep * keep).sqrt() * kick;
            x
        };
        (0..n).map(|_| next()).collect()
    }

    /// Share of made-up series without a slope in which one is found beyond that probability.
    fn found_by_chance(n: usize, keep: f64, level: f64, rng: &mut StdRng) -> f64 {
        let times: Vec<f64> = (0..n).map(|k| 0.5 * k as f64).collect();
        let found = (0..400).filter(|_| {
            let causes = [0.7, 0.8, 0.85].map(|keep| wander(n, keep, rng));
            let found = slope(&times, &wander(n, keep, rng), &causes).unwrap();
            found.value.abs() > found.within(level)
        });
        found.count() as f64 / 400.0
    }

    /// Intervals of 80 % hold about as often as they say, whatever the errors hang together.
    #[test]
    fn intervals_hold_though_neighbours_hang_together() {
        let mut rng = StdRng::seed_from_u64(11);
        for n in [20, 28, 56] {
            for keep in [0.0, 0.4, 0.6, 0.8] {
                let missed = found_by_chance(n, keep, 0.8, &mut rng);
                // 20 are expected of 100.
                assert!((0.08..0.27).contains(&missed), "{n} values, {keep}: {missed}");
                let sure = found_by_chance(n, keep, 0.99, &mut rng);
                assert!(sure < 0.075, "{n} values, {keep}: {sure}");
            }
        }
    }

    #[test]
    fn what_cannot_be_told_is_not_told() {
        let mut rng = StdRng::seed_from_u64(3);
        let times: Vec<f64> = (0..20).map(f64::from).collect();
        let values = wander(20, 0.3, &mut rng);
        let other = wander(20, 0.3, &mut rng);
        assert!(slope(&times, &values, std::slice::from_ref(&other)).is_some());
        // A cause that does not vary says nothing; one that is the time itself cannot be told.
        assert_eq!(
            slope(&times, &values, &[other.clone(), vec![5.0; 20]]),
            slope(&times, &values, std::slice::from_ref(&other))
        );
        assert_eq!(slope(&times, &values, std::slice::from_ref(&times)), None);
        assert_eq!(slope(&times[..5], &values[..5], &[other[..5].to_vec()]), None);
        assert_eq!(slope(&[], &[], &[]), None);
        let none = slope(&times, &[f64::NAN; 20], &[]);
        assert_eq!(none, None);
    }
}
