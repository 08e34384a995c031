//! A room by the sea: days and nights, weather that comes and goes, draughts when people work.
//!
//! Daily swing plus Ornstein–Uhlenbeck processes (Uhlenbeck & Ornstein, Phys. Rev. 36 (1930) 823)
//! for weather and draught, drawn exactly for any step. Sizes are those of an ordinary unheated
//! workroom in the mild season; invented.

use super::surface::{RoomAir, saturation_pressure};
use crate::units::HOUR;
use rand::RngExt;
use rand::rngs::Xoshiro256PlusPlus;
use rand_distr::StandardNormal;

/// A value that wanders about zero with unit spread.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Wander {
    value: f64,
    /// Correlation time, s.
    time: f64,
}

impl Wander {
    /// Starts from its own distribution.
    pub fn new(time: f64, rng: &mut Xoshiro256PlusPlus) -> Wander {
        Wander { value: rng.sample(StandardNormal), time }
    }

    /// Moves on by `dt` seconds.
    pub fn step(&mut self, dt: f64, rng: &mut Xoshiro256PlusPlus) -> f64 {
        let keep = (-dt / self.time).exp();
        let kick: f64 = rng.sample(StandardNormal);
        self.value = keep * self.value + (1.0 - keep * keep).sqrt() * kick;
        self.value
    }
}

/// The room as it goes on.
#[derive(Clone, Debug)]
pub struct Room {
    rng: Xoshiro256PlusPlus,
    warmth: Wander,
    weather: Wander,
    draught: Wander,
    /// Seconds after local midnight at the beginning, and since then.
    clock: f64,
}

impl Room {
    /// A room at that time of day (seconds after local midnight).
    pub fn new(time_of_day: f64, mut rng: Xoshiro256PlusPlus) -> Room {
        Room {
            warmth: Wander::new(8.0 * HOUR, &mut rng),
            weather: Wander::new(30.0 * HOUR, &mut rng),
            draught: Wander::new(0.7 * HOUR, &mut rng),
            clock: time_of_day,
            rng,
        }
    }

    /// Moves on by `dt` seconds; gives the air at the end of them.
    pub fn step(&mut self, dt: f64) -> RoomAir {
        self.clock += dt;
        let hour = (self.clock / HOUR).rem_euclid(24.0);
        // Warmest at three in the afternoon.
        let day = ((hour - 15.0) / 24.0 * std::f64::consts::TAU).cos();
        let celsius = 19.4 + 1.5 * day + 0.5 * self.warmth.step(dt, &mut self.rng);
        // The sea air's own vapour follows the weather, not the time of day.
        let weather = self.weather.step(dt, &mut self.rng);
        let vapour = 0.55 * saturation_pressure(19.4) * (1.0 + 0.07 * weather);
        let vapour =
            vapour.clamp(0.2 * saturation_pressure(celsius), 0.95 * saturation_pressure(celsius));
        let busy = if (9.0..18.0).contains(&hour) { 1.15 } else { 1.0 };
        let draught = busy * (0.10 * self.draught.step(dt, &mut self.rng)).exp();
        RoomAir { celsius, vapour, draught }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    #[test]
    fn days_are_warm_and_nights_are_damp() {
        let mut room = Room::new(0.0, Xoshiro256PlusPlus::seed_from_u64(4));
        let (mut noon, mut night) = (Vec::new(), Vec::new());
        for minute in 0..20 * 24 * 60 {
            let air = room.step(60.0);
            assert!((12.0..27.0).contains(&air.celsius) && (0.2..0.95).contains(&air.humidity()));
            assert!((0.6..2.0).contains(&air.draught));
            match minute / 60 % 24 {
                14 => noon.push(air),
                2 => night.push(air),
                _ => {}
            }
        }
        let mean = |of: &[RoomAir], what: fn(&RoomAir) -> f64| {
            of.iter().map(what).sum::<f64>() / of.len() as f64
        };
        assert!(mean(&noon, |a| a.celsius) > mean(&night, |a| a.celsius) + 1.5);
        assert!(mean(&noon, RoomAir::humidity) < mean(&night, RoomAir::humidity) - 0.03);
        assert!((0.45..0.65).contains(&mean(&noon, RoomAir::humidity)));
    }

    #[test]
    fn wandering_keeps_its_spread_whatever_the_step() {
        for dt in [10.0, 600.0, 7200.0] {
            let mut rng = Xoshiro256PlusPlus::seed_from_u64(9);
            let mut wander = Wander::new(3600.0, &mut rng);
            let n = 200_000;
            let square: f64 = (0..n).map(|_| wander.step(dt, &mut rng).powi(2)).sum();
            let spread = (square / f64::from(n)).sqrt();
            // 10 s steps make 555 independent values of 200 000: the spread is known to 3 %.
            assert!((spread - 1.0).abs() < 0.10, "{dt}: {spread}");
        }
    }
}
