//! What weighted draws say together: quantiles, times, probabilities.

use super::Draw;
use crate::core::report::{Quantiles, TimeQuantiles};
use crate::units::Time;

/// Quantiles of one number over the draws.
pub fn quantiles(draws: &[Draw], of: impl Fn(&Draw) -> f64) -> Quantiles {
    let values: Vec<(f64, f64)> = draws.iter().map(|d| (of(d), d.weight)).collect();
    let [p10, p50, p90] = weighted(values);
    Quantiles { p10, p50, p90 }
}

/// Quantiles of a time over the draws; draws in which it never comes are late beyond all.
pub fn times(draws: &[Draw], start: Time, of: impl Fn(&Draw) -> Option<f64>) -> TimeQuantiles {
    let values = draws.iter().map(|d| (of(d).unwrap_or(f64::INFINITY), d.weight)).collect();
    times_of(values, start)
}

/// The same of weighted times, s since the start, infinite where they never come.
pub(in crate::core) fn times_of(values: Vec<(f64, f64)>, start: Time) -> TimeQuantiles {
    let whole = |t: f64| t.is_finite().then(|| Time(start.plus(t).0 / 1_000_000 * 1_000_000));
    let [p10, p50, p90] = weighted(values).map(whole);
    TimeQuantiles { p10, p50, p90 }
}

/// Share of the draws in which something holds.
pub fn probability(draws: &[Draw], holds: impl Fn(&Draw) -> bool) -> f64 {
    let all: f64 = draws.iter().map(|d| d.weight).sum();
    // The sum of nothing is −0.
    (0.0 + draws.iter().filter(|d| holds(d)).map(|d| d.weight).sum::<f64>()) / all
}

/// 10 %, 50 % and 90 % of weighted values.
pub(in crate::core) fn weighted(mut values: Vec<(f64, f64)>) -> [f64; 3] {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let all: f64 = values.iter().map(|v| v.1).sum();
    [0.1, 0.5, 0.9].map(|p| {
        let mut sum = 0.0;
        for (i, (v, w)) in values.iter().enumerate() {
            let next = sum + w;
            if next >= p * all {
                // Between the middles of the draws on either side.
                let middle = sum + 0.5 * w;
                let (other, gap) = if p * all < middle {
                    (i.checked_sub(1), middle - p * all)
                } else {
                    (Some(i + 1), p * all - middle)
                };
                return match other.and_then(|o| values.get(o)) {
                    Some((o, ow)) if o.is_finite() && v.is_finite() => {
                        v + (o - v) * gap / (0.5 * (w + ow))
                    }
                    _ => *v,
                };
            }
            sum = next;
        }
        values.last().map_or(f64::NAN, |v| v.0)
    })
}
