//! How the zero of a cell follows the temperature, from a time in which nothing was touched: a
//! night with the cell empty, or with a bone-dry pot on it.
//!
//! Means of half an hour are fitted by least squares on temperature and time (the creep of a load
//! that stands), and where a pot stands there on the humidity too, for a pot breathes with it.
//! Residuals of such a fit hang together; its uncertainties are widened for that as for a
//! first-order autoregressive process (√((1 + r)/(1 − r)), r the correlation of neighbours).

use crate::records::Point;
use crate::units::HOUR;
use nalgebra::{DMatrix, DVector};

/// Width of a mean, µs.
const MEAN_US: i64 = 1_800_000_000;
/// Shortest time and least change of temperature that tell anything; common practice, no source.
const LEAST_HOURS: f64 = 5.0;
const LEAST_C: f64 = 1.5;
/// Fewest means.
const LEAST_MEANS: usize = 10;
/// Residuals hang together no more than this, for the widening.
const MOST_CORRELATED: f64 = 0.95;
/// A touch: the medians of so many counts before and after a moment differ by so many times what
/// is usual; common practice, no source.
const BESIDE: usize = 5;
const STANDS_OUT: f64 = 20.0;
/// Least share that a cause must have in the data, once the others are taken out.
const TELLABLE: f64 = 0.05;

/// What was found.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Warmth {
    /// Raw counts per °C.
    pub per_degree: f64,
    /// Its standard uncertainty.
    pub per_degree_u: f64,
    /// Raw counts per hour beside it: creep.
    pub per_hour: f64,
    /// Coldest and warmest, °C.
    pub between: (f64, f64),
    /// Length, h.
    pub hours: f64,
    /// Standard deviation of the means about the fit, raw counts.
    pub scatter: f64,
}

impl Warmth {
    /// Whether it is told from nothing at all.
    pub fn is_told(&self) -> bool {
        self.per_degree.abs() > 2.0 * self.per_degree_u
    }
}

/// Why nothing was found.
#[derive(Clone, Copy, PartialEq, Debug, thiserror::Error)]
pub enum WarmthError {
    /// Too short a time, or too few counts and temperatures in it.
    #[error(
        "{0:.1} h with both counts and temperatures are too short: leave the cell alone for at \
         least {LEAST_HOURS} h, better a night"
    )]
    Short(f64),
    /// The temperature hardly changed.
    #[error(
        "the temperature changed by {0:.1} °C only, which tells nothing: take a colder night, or \
         let the heating change it by {LEAST_C} °C or more"
    )]
    Even(f64),
    /// Temperature, time and humidity changed as one.
    #[error(
        "the temperature changed just as time or humidity did, so that they cannot be told apart: \
         take a time in which it went down and up again"
    )]
    Together,
    /// The cell was touched.
    #[error(
        "the counts jump by {0:.0} at once: something was put on, taken off or touched; name a \
         time in which nothing was"
    )]
    Touched(f64),
}

/// How counts follow the temperature; `humidity` (fraction) where a pot stands there.
///
/// # Errors
///
/// The data do not tell: see [`WarmthError`].
pub fn find(
    counts: &[Point],
    temperature: &[Point],
    humidity: Option<&[Point]>,
) -> Result<Warmth, WarmthError> {
    let start = counts.first().map_or(0, |p| p.time.0).div_euclid(MEAN_US);
    let mut causes = vec![means(temperature)];
    causes.extend(humidity.map(means));
    let mut rows: Vec<(f64, Vec<f64>)> = Vec::new();
    for (slot, raw) in means(counts) {
        let values: Option<Vec<f64>> = causes.iter().map(|cause| at(cause, slot)).collect();
        if let Some(values) = values {
            let hours = (slot - start) as f64 * (MEAN_US as f64 / 1e6) / HOUR;
            rows.push((raw, [&[values[0], hours], &values[1..]].concat()));
        }
    }
    let hours = match (rows.first(), rows.last()) {
        (Some(first), Some(last)) => last.1[1] - first.1[1],
        _ => 0.0,
    };
    if rows.len() < LEAST_MEANS || hours < LEAST_HOURS {
        return Err(WarmthError::Short(hours));
    }
    let warmest = rows.iter().map(|row| row.1[0]).fold(f64::NEG_INFINITY, f64::max);
    let coldest = rows.iter().map(|row| row.1[0]).fold(f64::INFINITY, f64::min);
    if warmest - coldest < LEAST_C {
        return Err(WarmthError::Even(warmest - coldest));
    }
    touched(counts)?;
    let (found, u, scatter) = fit(&rows)?;
    Ok(Warmth {
        per_degree: found[1],
        per_degree_u: u,
        per_hour: found[2],
        between: (coldest, warmest),
        hours,
        scatter,
    })
}

/// Parameters (of 1 and each cause), standard uncertainty of the first cause's, scatter.
fn fit(rows: &[(f64, Vec<f64>)]) -> Result<(Vec<f64>, f64, f64), WarmthError> {
    let causes = rows[0].1.len();
    let n = rows.len();
    // About the mean and in units of the spread, so that shares can be compared.
    let column = |k: usize| rows.iter().map(move |row| row.1[k]);
    let mean: Vec<f64> = (0..causes).map(|k| column(k).sum::<f64>() / n as f64).collect();
    let size: Vec<f64> = (0..causes)
        .map(|k| column(k).map(|v| (v - mean[k]).powi(2)).sum::<f64>().sqrt())
        .map(|size| if size > 0.0 { size } else { 1.0 })
        .collect();
    let x = DMatrix::from_fn(n, causes + 1, |i, k| match k {
        0 => 1.0 / (n as f64).sqrt(),
        k => (rows[i].1[k - 1] - mean[k - 1]) / size[k - 1],
    });
    let y = DVector::from_iterator(n, rows.iter().map(|row| row.0));
    let (q, r) = x.clone().qr().unpack();
    if r.diagonal().abs().min() < TELLABLE {
        return Err(WarmthError::Together);
    }
    let inverse = r.try_inverse().ok_or(WarmthError::Together)?;
    let found = &inverse * (q.transpose() * &y);
    let rest = y - x * &found;
    let scatter = rest.norm() / ((n - causes - 1) as f64).sqrt();
    let widened = scatter * widening(rest.as_slice(), causes + 1);
    let u = widened * inverse.row(1).norm() / size[0];
    let mut parameters = vec![found[0]];
    parameters.extend((0..causes).map(|k| found[k + 1] / size[k]));
    Ok((parameters, u, scatter))
}

/// That no step stands out: a touch moves the counts at once, and for good.
fn touched(counts: &[Point]) -> Result<(), WarmthError> {
    let middle = |of: &[Point]| {
        let mut values: Vec<f64> = of.iter().map(|p| p.value).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    let step = |of: &[Point]| (middle(&of[..BESIDE]) - middle(&of[BESIDE..])).abs();
    let mut steps: Vec<f64> = counts.windows(2 * BESIDE).map(step).collect();
    steps.sort_by(f64::total_cmp);
    let usual = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
    match steps.last() {
        Some(largest) if *largest > STANDS_OUT * usual.max(1.0) => {
            Err(WarmthError::Touched(*largest))
        }
        _ => Ok(()),
    }
}

/// How many times wider uncertainties are since neighbouring residuals hang together.
fn widening(rest: &[f64], parameters: usize) -> f64 {
    let all: f64 = rest.iter().map(|r| r * r).sum();
    let neighbours: f64 = rest.windows(2).map(|pair| pair[0] * pair[1]).sum();
    if all <= 0.0 {
        return 1.0;
    }
    let r = neighbours / all;
    // What was fitted took some of it away: with a mean (1 + 3 r)/n, with a trend (2 + 4 r)/n
    // (Kendall 1954, Biometrika 41:403, from memory), and so on.
    let k = parameters as f64;
    let r = (r + (k + (k + 2.0) * r) / rest.len() as f64).clamp(0.0, MOST_CORRELATED);
    let fewer = (1.0 + r) / (1.0 - r);
    // So many independent ones, and less of them free, were behind the scatter.
    let independent = rest.len() as f64 / fewer;
    (fewer * independent / (independent - k).max(1.0)).sqrt()
}

/// Mean of each half hour in which there is anything, by their number since 1970.
fn means(points: &[Point]) -> Vec<(i64, f64)> {
    let slots = points.chunk_by(|a, b| slot(a) == slot(b));
    let mean = |of: &[Point]| of.iter().map(|p| p.value).sum::<f64>() / of.len() as f64;
    slots.map(|of| (slot(&of[0]), mean(of))).collect()
}

fn slot(point: &Point) -> i64 {
    point.time.0.div_euclid(MEAN_US)
}

/// The mean of that half hour, or of those just before and after.
fn at(means: &[(i64, f64)], slot: i64) -> Option<f64> {
    let after = means.partition_point(|(s, _)| *s < slot);
    let (right, right_value) = *means.get(after)?;
    if right == slot {
        return Some(right_value);
    }
    let (left, left_value) = *means.get(after.checked_sub(1)?)?;
    let part = (slot - left) as f64 / (right - left) as f64;
    (right - left <= 2).then_some(left_value + part * (right_value - left_value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Time;
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, Normal};

    /// A night of so many hours: temperature falls by 4 °C and rises again, humidity goes its own
    /// way; counts follow by −80 per °C, creep by 5 per hour, and wander (autoregressive).
    struct Night {
        counts: Vec<Point>,
        temperature: Vec<Point>,
        humidity: Vec<Point>,
    }

    fn night(hours: f64, breathing: f64, seed: u64) -> Night {
        let mut rng = StdRng::seed_from_u64(seed);
        let white = Normal::new(0.0, 12.0).unwrap();
        let phase: f64 = rng.random_range(0.0..6.3);
        let (mut wander, mut night) =
            (0.0, Night { counts: vec![], temperature: vec![], humidity: vec![] });
        for minute in 0..(hours * 60.0) as i64 {
            let time = Time(1_932_900_000_000_000 + minute * 60_000_000);
            let h = minute as f64 / 60.0;
            let celsius = 18.0 + 2.0 * (h * std::f64::consts::TAU / 11.0).cos();
            let humid = 0.5 + 0.06 * (h * 1.1 + phase).sin();
            wander = 0.98 * wander + 0.2 * white.sample(&mut rng);
            let raw = 200_000.0 - 80.0 * celsius + 5.0 * h + wander + breathing * humid;
            let point = |value| Point { time, value };
            night.temperature.push(point(celsius));
            night.humidity.push(point(humid));
            night.counts.push(point(raw + white.sample(&mut rng)));
        }
        night
    }

    #[test]
    fn the_truth_lies_where_it_should() {
        let mut inside = 0;
        for seed in 0..200 {
            let Night { counts, temperature, .. } = night(10.0, 0.0, seed);
            let found = find(&counts, &temperature, None).unwrap();
            assert!(found.is_told() && (found.hours - 10.0).abs() < 0.3);
            assert!((found.between.1 - found.between.0 - 4.0).abs() < 0.1);
            inside += usize::from((found.per_degree + 80.0).abs() <= 2.0 * found.per_degree_u);
        }
        // Two standard uncertainties would hold 95 of 100 (normal distribution) if the wander were
        // known; in a single night it is not, and they hold some 87.
        assert!((170..=200).contains(&inside), "{inside} of 200");
    }

    #[test]
    fn a_pot_breathes_and_that_is_not_taken_for_warmth() {
        let Night { counts, temperature, humidity } = night(12.0, 8000.0, 5);
        let with = find(&counts, &temperature, Some(&humidity)).unwrap();
        assert!((with.per_degree + 80.0).abs() < 6.0, "{with:?}");
        let without = find(&counts, &temperature, None).unwrap();
        assert!(without.per_degree_u > 3.0 * with.per_degree_u, "{without:?}");
    }

    #[test]
    fn what_tells_nothing_is_refused() {
        let Night { counts, temperature, .. } = night(10.0, 0.0, 1);
        let short = find(&counts[..100], &temperature, None);
        assert!(matches!(short, Err(WarmthError::Short(_))), "{short:?}");
        assert!(matches!(find(&counts, &[], None), Err(WarmthError::Short(_))));
        assert!(matches!(find(&[], &temperature, None), Err(WarmthError::Short(_))));
        let even: Vec<Point> =
            temperature.iter().map(|p| Point { value: 18.0 + p.value / 100.0, ..*p }).collect();
        assert!(matches!(find(&counts, &even, None), Err(WarmthError::Even(_))));
        let falling: Vec<Point> = temperature
            .iter()
            .map(|p| Point { value: 20.0 - p.time.since(temperature[0].time) / 7200.0, ..*p })
            .collect();
        assert_eq!(find(&counts, &falling, None), Err(WarmthError::Together));
        let mut touched = counts.clone();
        touched[300..].iter_mut().for_each(|p| p.value += 4000.0);
        let touched = find(&touched, &temperature, None);
        assert!(matches!(touched, Err(WarmthError::Touched(_))), "{touched:?}");
    }
}
