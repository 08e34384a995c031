//! Clay of the made-up shelf: how it holds water, lets it pass, and shrinks.
//!
//! Figures are drawn from published ranges, not from any one measured body:
//! - sorption on the desorption branch: GAB fits to dynamic vapour sorption of two unfired
//!   extruded clay bricks (M. Haerder, master's thesis, data set "Sorptionsisotherme");
//! - apparent diffusivity at room temperature 2e-10 … 3e-9 m²/s, rising with water (Vasić et al.,
//!   J. Serb. Chem. Soc. 77 (2012) 523 and Chem. Eng. Process. 76 (2014) 33; range from memory);
//! - volume loss equal to the water lost until the particles touch (Bigot's curve), then none.

/// Density of the clay's particles, kg/m³ (kaolinite 2600–2650).
const PARTICLES: f64 = 2600.0;
/// Density of water, kg/m³.
const WATER: f64 = 1000.0;
/// Activation energy of the apparent diffusivity, J/mol: liquid transport goes with T/μ(T), ×1.30
/// from 20 to 30 °C (viscosity of water 1.0016 and 0.7972 mPa s, IAPWS).
const ACTIVATION: f64 = 19_000.0;
/// Molar gas constant, J/(mol K) (CODATA 2018).
const GAS: f64 = 8.314_462_618;

/// What a clay is like, in truth (a studio knows it only roughly).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Clay {
    /// Water out of the bag, kg per kg wet clay.
    pub bag_water: f64,
    /// Apparent diffusivity of nearly dry clay at 20 °C, m²/s.
    pub diffusivity: f64,
    /// How steeply its logarithm rises with water (dry basis), up to `saturated`.
    pub rise: f64,
    /// Monolayer water of the GAB isotherm, dry basis.
    pub monolayer: f64,
    /// The isotherm's constant C, above 1.
    pub gab_c: f64,
    /// The isotherm's constant K.
    pub gab_k: f64,
    /// Water at which the particles touch and shrinkage ends, dry basis.
    pub touch: f64,
}

/// Water beyond which diffusivity no longer rises, dry basis.
const SATURATED: f64 = 0.20;

impl Clay {
    /// Water in balance with air of that humidity (fraction), dry basis, drying branch.
    pub fn balance(&self, humidity: f64) -> f64 {
        let ka = self.gab_k * humidity.clamp(0.0, 1.0);
        self.monolayer * self.gab_c * ka / ((1.0 - ka) * (1.0 - ka + self.gab_c * ka))
    }

    /// Water activity at the surface of clay that holds `water` (dry basis): the humidity that it
    /// would be in balance with; 1 above what the isotherm knows (capillary water).
    pub fn activity(&self, water: f64) -> f64 {
        if water <= 0.0 {
            return 0.0;
        }
        // The isotherm solved for y = K·a: A·y² + B·y − X = 0 with A > 0 as C > 1.
        let (a, c) = (water * (self.gab_c - 1.0), self.gab_c);
        let b = self.monolayer * c - water * (c - 2.0);
        let y = (-b + (b * b + 4.0 * a * water).sqrt()) / (2.0 * a);
        (y / self.gab_k).min(1.0)
    }

    /// Dry clay per volume of wet clay, kg/m³.
    pub fn density(&self, water: f64) -> f64 {
        1.0 / (1.0 / PARTICLES + water.max(self.touch) / WATER)
    }

    /// D·ρ² at a water content (dry basis) and temperature (°C), kg²/(m⁴ s).
    pub fn conductivity(&self, water: f64, celsius: f64) -> f64 {
        let kelvin = celsius + 273.15;
        let warm = (-ACTIVATION / GAS * (1.0 / kelvin - 1.0 / 293.15)).exp();
        let diffusivity = self.diffusivity * (self.rise * water.clamp(0.0, SATURATED)).exp();
        diffusivity * warm * self.density(water).powi(2)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::scenario::{COARSE, FINE};

    #[test]
    fn holds_what_the_bricks_held() {
        // Source: DVS data of brick "NF" and "3DF", desorption, % of dry mass (M. Haerder,
        // master's thesis, data set); the fits are off by at most 0.24 points, at 90 %.
        for (clay, data) in [
            (COARSE, [(0.3, 1.093), (0.5, 1.670), (0.7, 2.479), (0.9, 3.885)]),
            (FINE, [(0.3, 1.346), (0.5, 2.141), (0.7, 3.333), (0.9, 5.269)]),
        ] {
            for (humidity, percent) in data {
                let ours = 100.0 * clay.balance(humidity);
                assert!((ours - percent).abs() < 0.25, "{humidity}: {ours} against {percent}");
            }
        }
    }

    #[test]
    fn activity_undoes_balance() {
        for humidity in [0.05, 0.4, 0.8, 0.99] {
            let back = FINE.activity(FINE.balance(humidity));
            assert!((back - humidity).abs() < 1e-9);
        }
        assert_eq!((FINE.activity(-0.01), FINE.activity(0.3)), (0.0, 1.0));
        assert_eq!(COARSE.activity(COARSE.balance(1.0) + 1e-6), 1.0);
    }

    #[test]
    fn shrinks_by_the_water_it_loses() {
        // Source: geometry of Bigot's curve with particles of 2600 kg/m³: from 25 to 15 % dry
        // basis the volume falls by 15.76 %; clay dried past that point holds 1871 kg/m³.
        let clay = Clay { touch: 0.15, ..FINE };
        let left = clay.density(0.25) / clay.density(0.15);
        assert!((100.0 * (1.0 - left) - 15.76).abs() < 0.01);
        assert!((clay.density(0.02) - 1871.0).abs() < 0.5);
    }

    #[test]
    fn warm_clay_lets_water_pass_faster() {
        // Source: T/μ of water rises by 1.30 from 20 to 30 °C (IAPWS viscosities).
        let ratio = FINE.conductivity(0.1, 30.0) / FINE.conductivity(0.1, 20.0);
        assert!((ratio - 1.30).abs() < 0.02, "{ratio}");
        for x in [0.0, 0.05, 0.1, 0.2, 0.3] {
            for clay in [COARSE, FINE] {
                let d = clay.conductivity(x, 20.0) / clay.density(x).powi(2);
                assert!((2e-10 - 1e-15..=3e-9 + 1e-15).contains(&d), "{d}");
            }
        }
    }
}
