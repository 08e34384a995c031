//! What a calibration is worth on a pot: its uncertainty, in grams, water, and minutes.
//!
//! Standard uncertainties of the parts are added in quadrature (JCGM 100:2008, 5.1.2), with the
//! degrees of freedom of Welch and Satterthwaite (G.4.1) and Student's t for the interval. The
//! masses' limits are taken as ends of even distributions (4.3.7), and as one error that all
//! masses of a set share.

use super::curve::Curve;
use super::history::{Calibration, History};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// The program's one interval level.
const LEVEL: f64 = 0.8;
/// Half the interval of a normal distribution over its standard deviation, and the degrees of
/// freedom from which on t is that (within 0.1 %).
const NORMAL: f64 = 1.281_551_565_544_600_4;
const MANY: f64 = 1000.0;
/// Half the width of an even distribution over its standard deviation (JCGM 100, 4.3.7).
const EVEN: f64 = 1.732_050_807_568_877_2;
/// What is supposed of a cell until it is known: the bounds of accuracy class C with 3000
/// intervals (OIML R 60-1:2021) for its zero, 0.7 × 1/10,000 of its capacity per 5 °C, and for
/// creep in half an hour, 0.735/3000 of the load. Cells without a class are worse; and a pot
/// stands for days, which no standard bounds.
const ZERO_PER_C: f64 = 0.7e-4 / 5.0;
const CREEP: f64 = 0.735 / 3000.0;
/// Capacity of a cell over the heaviest load it is calibrated with; common practice, no source.
const CAPACITY: f64 = 2.0;
/// The room may be so much warmer or colder than when the cell was calibrated, °C; common
/// practice, no source.
const ROOM_C: f64 = 5.0;
/// Mean water (dry basis) of a pot that is being trimmed, for what an error means there; common
/// practice, no source.
const TRIMMED_AT: f64 = 0.20;
/// Evaporation of a wet wall in still air at 20 °C and 50 %, g/m² h: energy balance with natural
/// convection (Churchill & Chu 1975, Lewis relation) and radiation, computed; ±30 %. Test value:
/// 500 g at 20 % water lose 2.66 g/h.
const STILL_AIR_G_PER_M2_H: f64 = 51.0;
/// Face of a thrown pot, m² per kg of dry clay: 0.8 kg have about 0.10 m²; common practice, no
/// source.
const FACE_M2_PER_KG: f64 = 0.125;

/// Mean free water at which a pot is called dry (the report's own rule).
const DRY: f64 = 0.005;
/// An error of a trimming time that a potter does not mind, min; common practice, no source.
const TRIMMING_MIN: f64 = 45.0;

/// How sure a weight is that a calibrated cell tells: standard uncertainties, g.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Worth {
    /// Of the curve.
    pub curve: f64,
    /// Of one load about the curve.
    pub scatter: f64,
    /// Of the known masses.
    pub masses: f64,
    /// Of the zero with the temperature: of its correction, or supposed where there is none.
    pub temperature: f64,
    /// Of creep, supposed.
    pub creep: f64,
    /// Half the width of the interval in which 8 of 10 weights lie, g.
    pub interval: f64,
}

/// What an error of a weight means for a pot.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Meaning {
    /// Of water, dry basis.
    pub water: f64,
    /// Of the time at which a window opens or closes, min.
    pub minutes: f64,
    /// The water at which such a pot is called dry, g.
    pub last_grams: f64,
}

impl Meaning {
    /// Whether a weight so unsure still tells when to trim.
    pub fn tells_trimming(&self) -> bool {
        self.minutes <= TRIMMING_MIN
    }

    /// Whether it tells when a pot is dry.
    pub fn tells_dry(&self) -> bool {
        self.water <= DRY / 2.0
    }
}

impl Worth {
    /// Of a weight of so many grams, by the calibration that counts at its time.
    pub fn of(calibration: &Calibration, history: &History, grams: f64) -> Option<Worth> {
        let curve = calibration.curve.as_ref().ok()?;
        let raw = curve.inverse(grams)?;
        let limits: Vec<f64> =
            calibration.loads.iter().map(|load| load.limit_g.unwrap_or(0.0) / EVEN).collect();
        let capacity = CAPACITY * calibration.heaviest();
        let per_degree = match history.drift(calibration.from) {
            Some(drift) => drift.per_degree_u.unwrap_or(0.0) * curve.slope(raw).abs(),
            None => ZERO_PER_C * capacity,
        };
        let worth = Worth {
            curve: curve.at(raw).line_u,
            scatter: curve.scatter(),
            masses: curve.moved_by(&limits, raw).abs(),
            temperature: per_degree * ROOM_C / EVEN,
            creep: CREEP * grams.abs() / EVEN,
            interval: 0.0,
        };
        Some(Worth { interval: worth.expanded(curve), ..worth })
    }

    /// Half the interval at [`LEVEL`].
    fn expanded(&self, curve: &Curve) -> f64 {
        let seen = self.curve.hypot(self.scatter);
        let all = seen.hypot(self.masses).hypot(self.temperature).hypot(self.creep);
        // Only what was seen to scatter has few degrees of freedom (G.4.1).
        let freedom = (all / seen).powi(4) * curve.degrees_of_freedom() as f64;
        if freedom.is_nan() || freedom > MANY {
            return NORMAL * all;
        }
        let factor = StudentsT::new(0.0, 1.0, freedom).map(|t| t.inverse_cdf((1.0 + LEVEL) / 2.0));
        factor.map_or(f64::INFINITY, |factor| factor * all)
    }
}

/// What an error of `error_g` means for a pot of `pot_g` that is being trimmed, open in still air.
pub fn meaning(error_g: f64, pot_g: f64) -> Meaning {
    let dry_g = pot_g / (1.0 + TRIMMED_AT);
    let loss_g_per_h = STILL_AIR_G_PER_M2_H * FACE_M2_PER_KG * dry_g / 1000.0;
    let water = error_g / dry_g;
    Meaning { water, minutes: 60.0 * error_g / loss_g_per_h, last_grams: DRY * dry_g }
}

#[cfg(test)]
mod tests {
    use super::super::Load;
    use super::*;
    use crate::units::Time;

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, wanted {want}");
    }

    /// Loads at 400 counts per gram that are off by so many grams.
    fn calibration(off: &[f64], limit: Option<f64>) -> Calibration {
        let load = |(i, off): (usize, &f64)| Load {
            source: "cell".into(),
            from: Time(0),
            at: Time(i as i64),
            mass_g: 250.0 * i as f64,
            limit_g: limit.filter(|_| i > 0),
            raw: 8000.0 + 400.0 * (250.0 * i as f64 - off),
            spread: None,
            samples: None,
            celsius: None,
        };
        Calibration::new(Time(0), off.iter().enumerate().map(load).collect())
    }

    /// JCGM 100, table G.2: t for 3 degrees of freedom; at 80 % 1.638 (Student's tables, memory).
    #[test]
    fn few_loads_widen_the_interval() {
        let one = calibration(&[0.3, -0.3, -0.3, 0.3, 0.0], None);
        let worth = Worth::of(&one, &History::default(), 500.0).unwrap();
        // Off by ±0.3 g four times: √(4 · 0.09 ÷ 3), and in the middle of five 1/√5 of that.
        close(worth.scatter, 0.3464, 5e-4);
        close(worth.curve, 0.3464 / 5f64.sqrt(), 5e-4);
        // 1000 g on a cell of 2 kg: 0.7 g per 10,000 g and 5 °C, and 0.245 g per 1000 g.
        close(worth.temperature, 0.14 / 3f64.sqrt(), 1e-9);
        close(worth.creep, 0.1225 / 3f64.sqrt(), 1e-9);
        let known = 0.3464 * 1.2f64.sqrt();
        let all = known.hypot(0.14 / 3f64.sqrt()).hypot(0.1225 / 3f64.sqrt());
        assert!((1.5 * all..1.638 * all).contains(&worth.interval), "{worth:?}");
    }

    #[test]
    fn masses_that_are_all_off_together_are_off_on_the_pot() {
        let exact = calibration(&[0.0; 5], Some(1.0));
        let worth = Worth::of(&exact, &History::default(), 1000.0).unwrap();
        // At the heaviest of 0, 250 … 1000 g the line through (0, 1, 1, 1, 1) is at 1.2.
        close(worth.masses, 1.2 / 3f64.sqrt(), 1e-9);
        let drifts = 0.14f64.hypot(0.245) / 3f64.sqrt();
        close(worth.interval, 1.2816 * drifts.hypot(1.2 / 3f64.sqrt()), 1e-3);
    }

    /// Energy balance as at the constants: 51 g/m² h on 0.125 m²/kg, 416.7 g of dry clay.
    #[test]
    fn grams_are_water_and_minutes() {
        let one = meaning(1.0, 500.0);
        close(one.water, 0.0024, 1e-9);
        close(60.0 / one.minutes, 2.656, 1e-3);
        close(one.last_grams, 2.083, 1e-3);
        assert!(one.tells_trimming() && one.tells_dry() && !meaning(2.5, 500.0).tells_dry());
    }
}
