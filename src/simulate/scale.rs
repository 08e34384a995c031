//! Scales and the room's sensor as they really are: zero that drifts, noise, steps of the
//! display, knocks, and pots that somebody lifts to look at them.

use super::room::Wander;
use super::surface::RoomAir;
use crate::units::{DAY, HOUR};
use rand::RngExt;
use rand::rngs::Xoshiro256PlusPlus;
use rand_distr::{Exp1, StandardNormal};

/// Noise of one reading of a cell, g (a 5 kg cell with a 24-bit converter, averaged for a second).
const NOISE: f64 = 0.12;
/// Slow drift of a cell's zero, g.
const DRIFT: f64 = 0.25;
/// Spread of the cells' zero by temperature, g/K. OIML R 60 allows a 5 kg class C cell 0.07 g/K.
const BY_TEMPERATURE: f64 = 0.04;
/// Knocks of one cell in a day.
const KNOCKS: f64 = 0.7;
/// How often in a day somebody lifts a pot to look at it and writes nothing down.
const LIFTS: f64 = 0.35;
/// How long a pot that is looked at stays away, s.
const LIFTED: f64 = 420.0;

/// One load cell.
#[derive(Clone, Debug)]
pub struct Cell {
    rng: Xoshiro256PlusPlus,
    zero: f64,
    by_temperature: f64,
    drift: Wander,
    /// How much longer its pot is away, s.
    lifted: f64,
}

impl Cell {
    /// A cell with faults of its own.
    pub fn new(mut rng: Xoshiro256PlusPlus) -> Cell {
        Cell {
            zero: 0.4 * rng.sample::<f64, _>(StandardNormal),
            by_temperature: BY_TEMPERATURE * rng.sample::<f64, _>(StandardNormal),
            drift: Wander::new(14.0 * HOUR, &mut rng),
            lifted: 0.0,
            rng,
        }
    }

    /// What it says `dt` seconds after the last time, to a tenth of a gram, where `load` grams
    /// stand on it unless somebody lifts them.
    pub fn read(&mut self, dt: f64, load: f64, air: &RoomAir) -> f64 {
        self.lifted -= dt;
        if load > 0.0 && self.rng.random_bool((LIFTS * dt / DAY).min(1.0)) {
            self.lifted = LIFTED;
        }
        let load = if self.lifted > 0.0 { 0.0 } else { load };
        let drift = DRIFT * self.drift.step(dt, &mut self.rng);
        let warm = self.by_temperature * (air.celsius - 20.0);
        let noise: f64 = self.rng.sample(StandardNormal);
        let mut value = load + self.zero + drift + warm + NOISE * noise;
        if self.rng.random_bool((KNOCKS * dt / DAY).min(1.0)) {
            let size: f64 = self.rng.sample(Exp1);
            let sign = if self.rng.random_bool(0.5) { 1.0 } else { -1.0 };
            value += sign * (15.0 + 60.0 * size);
        }
        tenth(value)
    }
}

/// The room's sensor.
#[derive(Clone, Debug)]
pub struct RoomSensor {
    rng: Xoshiro256PlusPlus,
    /// Its errors: °C, and fraction of humidity.
    bias: (f64, f64),
}

impl RoomSensor {
    /// A sensor with a bias of its own, within what such parts promise (0.2 °C, 2 %RH).
    pub fn new(mut rng: Xoshiro256PlusPlus) -> RoomSensor {
        let bias = (rng.random_range(-0.2..0.2), rng.random_range(-0.02..0.02));
        RoomSensor { rng, bias }
    }

    /// °C and %RH, to a tenth.
    pub fn read(&mut self, air: &RoomAir) -> (f64, f64) {
        let noise: [f64; 2] = [self.rng.sample(StandardNormal), self.rng.sample(StandardNormal)];
        let celsius = air.celsius + self.bias.0 + 0.05 * noise[0];
        let humidity = (air.humidity() + self.bias.1 + 0.003 * noise[1]).clamp(0.0, 1.0);
        (tenth(celsius), tenth(100.0 * humidity))
    }
}

/// The bench scale, a kitchen scale that shows whole grams.
pub fn bench(grams: f64) -> f64 {
    grams.round()
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    #[test]
    fn mostly_right_now_and_then_knocked_or_empty() {
        let air = RoomAir::still(20.0, 0.5);
        let mut cell = Cell::new(Xoshiro256PlusPlus::seed_from_u64(3));
        let days = 60;
        let all: Vec<f64> = (0..days * 288).map(|_| cell.read(300.0, 980.0, &air)).collect();
        let near = |target: f64, by: f64| all.iter().filter(|v| (*v - target).abs() < by).count();
        let good = near(980.0, 3.0) as f64 / all.len() as f64;
        assert!((0.985..0.999).contains(&good), "{good}");
        // 21 lifts of one or two readings are expected in 60 days.
        assert!((10..60).contains(&near(0.0, 3.0)), "{}", near(0.0, 3.0));
        let knocked = all.len() - near(980.0, 3.0) - near(0.0, 3.0);
        assert!((20..70).contains(&knocked), "{knocked}");
    }
}
