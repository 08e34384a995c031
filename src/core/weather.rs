//! What may come of the room's air and draughts for all pots that stand in it.
//!
//! Forecasts of one pot draw its air anew for each draw. Where it counts what comes of several pots
//! *together*, all of them must have the same: a damp week delays every pot of a shelf. So some
//! weathers are drawn once, for all pots of the studio; in each, every pot has all its draws.

use super::forecast::{DRAWS, stratified};
use super::inference::posterior::{RATE_LASTS, RATE_SD};
use super::room::DEPARTURE_LASTS;
use crate::units::HOUR;
use rand::SeedableRng;
use rand::rngs::StdRng;
use std::sync::Arc;

/// How many weathers; half of them are the others' mirror images.
const WEATHERS: usize = 16;
/// How many hours they are told for: forecasts reach 30 days.
const HOURS: usize = 30 * 24 + 2;

/// Of the variance of a pot's wandering rate so much is the room's (doors, heating, draughts); the
/// rest is its own. In one simulated studio open pots wandered together; how much of it real rooms
/// share is not known, and the half is a guess.
const SHARED_RATE: f64 = 0.5;

/// Of a rate that wanders so far, standard deviation, what is left to the pot: a body that goes its
/// own ways does so by itself.
pub(super) fn own_rate(wander: f64) -> f64 {
    (wander * wander - SHARED_RATE * RATE_SD * RATE_SD).max(0.0).sqrt()
}

/// One way in which the coming weeks may depart from what is expected, hour by hour.
#[derive(Clone, Debug)]
pub struct Weather {
    /// Departures of humidity and of the rate, in standard deviations.
    hours: Vec<[f64; 2]>,
    /// Departure of a room that nobody measures, all along.
    bias: f64,
}

/// What pots have in common at a moment.
pub(super) struct Common {
    /// Departure of the humidity, in standard deviations.
    pub humidity: f64,
    /// Departure of the logarithm of the rate.
    pub rate: f64,
    /// Departure of a room that nobody measures, in standard deviations.
    pub bias: f64,
}

impl Weather {
    /// At a time from now, s.
    pub(super) fn at(&self, t: f64) -> Common {
        let place = (t / HOUR).clamp(0.0, (self.hours.len() - 1) as f64);
        let (k, part) = (place as usize, place.fract());
        let next = self.hours[(k + 1).min(self.hours.len() - 1)];
        let [humidity, rate] = [0, 1].map(|i| {
            let from = self.hours[k][i];
            from + part * (next[i] - from)
        });
        Common { humidity, rate: SHARED_RATE.sqrt() * RATE_SD * rate, bias: self.bias }
    }

    fn mirrored(&self) -> Weather {
        let hours = self.hours.iter().map(|at| at.map(|v| -v)).collect();
        Weather { hours, bias: -self.bias }
    }
}

/// The weathers for all pots of a studio, always the same ones.
pub fn weathers() -> Vec<Weather> {
    drawn(WEATHERS, 0x7765_6174_6865_7273)
}

/// A weather for each draw of a pot, the same ones for all pots: draws of the same number meet.
pub fn of_draws() -> Arc<[Weather]> {
    drawn(DRAWS, 0x6472_6177_7321_2121).into()
}

fn drawn(count: usize, seed: u64) -> Vec<Weather> {
    let mut rng = StdRng::seed_from_u64(seed);
    let half = count / 2;
    let normals: Vec<Vec<f64>> = stratified(half, 2 * HOURS + 1, &mut rng);
    let keep = [DEPARTURE_LASTS, RATE_LASTS].map(|lasts| (-HOUR / lasts).exp());
    let one = |row: &Vec<f64>| {
        let mut now = [0.0; 2];
        let step = |k: usize| {
            let fresh = |i: usize| (1.0 - keep[i] * keep[i]).sqrt() * row[2 * k + i];
            let then = now;
            now = std::array::from_fn(|i| keep[i] * now[i] + fresh(i));
            then
        };
        Weather { hours: (0..HOURS).map(step).collect(), bias: row[2 * HOURS] }
    };
    let drawn: Vec<Weather> = normals.iter().map(one).collect();
    drawn.iter().cloned().chain(drawn.iter().map(Weather::mirrored)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weathers_begin_as_the_air_is_now_and_depart_by_a_standard_deviation() {
        let all = weathers();
        assert_eq!(all.len(), WEATHERS);
        assert!(all.iter().all(|w| w.at(0.0).humidity == 0.0 && w.at(0.0).rate == 0.0));
        let over = |of: &dyn Fn(&Weather) -> f64| {
            let values: Vec<f64> = all.iter().map(of).collect();
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let square = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
            (mean, (square / values.len() as f64).sqrt())
        };
        // Sixteen values, half of them the others' mirror images.
        for day in [5.0, 12.0, 19.0, 26.0] {
            let at = move |w: &Weather| w.at(24.0 * HOUR * day);
            let (mean, sd) = over(&|w| at(w).humidity);
            assert!(mean.abs() < 1e-12 && (0.4..1.7).contains(&sd), "{day}: {mean} {sd}");
            let (_, sd) = over(&|w| at(w).rate / (SHARED_RATE.sqrt() * RATE_SD));
            assert!((0.4..1.7).contains(&sd), "{day}: {sd}");
        }
        let (mean, sd) = over(&|w| w.at(HOUR).bias);
        assert!(mean.abs() < 1e-12 && (0.8..1.2).contains(&sd), "{sd}");
        let whole = (SHARED_RATE * RATE_SD * RATE_SD + own_rate(RATE_SD).powi(2)).sqrt();
        assert!((whole - RATE_SD).abs() < 1e-12);
    }

    #[test]
    fn beyond_its_end_a_weather_stays_as_it_was() {
        let weather = &weathers()[3];
        let end = weather.at(30.0 * 24.0 * HOUR + HOUR);
        assert_eq!(weather.at(1e9).humidity, end.humidity);
    }
}
