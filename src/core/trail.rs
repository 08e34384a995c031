//! The weights of a pot since its last step, in order of time: what they say of themselves.

use super::handling::{Weight, bin_width};
use crate::units::HOUR;

/// Whether a trail is a cell's, that speaks all the time: only such a one knows where it leads.
pub fn is_dense(trail: &[Weight]) -> bool {
    let Some(first) = trail.len().checked_sub(4).map(|k| &trail[k]) else { return false };
    let last = trail[trail.len() - 1];
    let by_cell = trail[trail.len() - 4..].iter().all(|w| w.count > 2);
    last.t - first.t < 3.0 * HOUR || by_cell && last.t - first.t < 6.0 * bin_width(last.t)
}

/// Loss in the last hours of a trail, g/s, never positive.
pub fn slope(trail: &[Weight]) -> f64 {
    let Some(last) = trail.last() else { return 0.0 };
    let span = (1.5 * HOUR).max(2.5 * bin_width(last.t));
    let from = trail.iter().rev().find(|w| last.t - w.t > span).or(trail.first());
    match from {
        Some(w) if last.t > w.t => ((last.g - w.g) / (last.t - w.t)).min(0.0),
        _ => 0.0,
    }
}
