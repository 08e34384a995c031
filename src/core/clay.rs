//! Clay: bag water, sorption, shrinkage.
//!
//! Sorption: the equation of Guggenheim, Anderson and de Boer (GAB). Shrinkage: water leaves its
//! own volume behind until the particles touch, then the pot keeps its size (Bigot's curve);
//! measured shrinkage after ASTM C326. Water is kg per kg dry clay, humidity a fraction of 1.

use crate::units::wet_from_dry;

/// Density of the solid of a pottery body, g/cm³: kaolinite 2.60–2.65, quartz 2.65, feldspar 2.56
/// (mineral tables; from memory). Bodies lie between 2.5 and 2.7.
pub const SOLID_DENSITY: f64 = 2.60;
/// Density of water in clay, g/cm³.
const WATER_DENSITY: f64 = 1.0;

/// Dry clay in a ball weighed before throwing, g, from its water on the *wet* basis (fraction).
///
/// What is lost as slip while throwing is not part of this.
pub fn dry_mass_of_ball(ball_g: f64, bag_water_wet: f64) -> f64 {
    ball_g * (1.0 - bag_water_wet)
}

/// Dry clay in a piece of the given mass (g) and water on the *dry* basis (fraction), g.
pub fn dry_mass_of_piece(mass_g: f64, water_dry: f64) -> f64 {
    mass_g * (1.0 - wet_from_dry(water_dry))
}

/// Water that clay holds in balance with air: X = X_m C K a / ((1 − K a)(1 − K a + C K a)).
///
/// A drying pot follows the *desorption* branch, one that takes up moisture again the lower
/// *adsorption* branch. Bodies differ by a factor of two to three ([`Sorption::scaled`]).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sorption {
    /// Monolayer water X_m, kg/kg dry.
    pub monolayer: f64,
    /// How much tighter the first layer is held; above 0.
    pub c: f64,
    /// How much tighter further layers are held than liquid water; above 0, below 1.
    pub k: f64,
}

impl Sorption {
    /// Unfired extruded clay brick "3DF", desorption: 1.75 % at 40 %RH, 2.14 at 50, 4.06 at 80.
    ///
    /// Fitted to dynamic vapour sorption data, 20–90 %RH, within 0.0009 (root mean square):
    /// open data of a master's thesis, github.com/MichelleHaerder/master-thesis, commit a55c1581,
    /// folder NMR/Sorptionsisotherme.
    pub const BRICK_3DF_DESORPTION: Sorption =
        Sorption { monolayer: 0.022_122, c: 3.577_6, k: 0.693_5 };
    /// The same brick, adsorption, 20–95 %RH.
    pub const BRICK_3DF_ADSORPTION: Sorption =
        Sorption { monolayer: 0.011_76, c: 6.070_5, k: 0.828_57 };
    /// Unfired extruded clay brick "NF", desorption; same source, within 0.0005: 1.38 % at 40 %RH,
    /// 1.67 at 50, 2.98 at 80.
    pub const BRICK_NF_DESORPTION: Sorption =
        Sorption { monolayer: 0.014_897, c: 5.052_2, k: 0.711_27 };
    /// The same brick, adsorption, 20–95 %RH.
    pub const BRICK_NF_ADSORPTION: Sorption =
        Sorption { monolayer: 0.008_601_6, c: 7.383, k: 0.830_81 };

    /// Water in balance with air of the given relative humidity (held to 0–1), kg/kg dry.
    pub fn water(&self, humidity: f64) -> f64 {
        let u = self.reduced(humidity);
        self.monolayer * self.c * u / ((1.0 - u) * (1.0 + (self.c - 1.0) * u))
    }

    /// Relative humidity of the air in balance with that much water, 0–1. The inverse of
    /// [`Sorption::water`]; 1 for all water that is not bound.
    pub fn activity(&self, water: f64) -> f64 {
        let x = water.max(0.0);
        let b = self.monolayer * self.c - x * (self.c - 2.0);
        // The form of the quadratic's root that loses no digits at small water.
        let u = 2.0 * x / (b + (b * b + 4.0 * x * x * (self.c - 1.0)).sqrt());
        (u / self.k).clamp(0.0, 1.0)
    }

    /// dX/da: water per unit of relative humidity, kg/kg dry.
    pub fn derivative(&self, humidity: f64) -> f64 {
        let u = self.reduced(humidity);
        let below = (1.0 - u) * (1.0 + (self.c - 1.0) * u);
        self.monolayer * self.c * self.k * (1.0 + (self.c - 1.0) * u * u) / (below * below)
    }

    /// The same shape with `factor` times the water.
    pub fn scaled(&self, factor: f64) -> Sorption {
        Sorption { monolayer: self.monolayer * factor, ..*self }
    }

    /// K a, kept off the pole at 1 (reached only by a K outside its range).
    fn reduced(&self, humidity: f64) -> f64 {
        (self.k * humidity.clamp(0.0, 1.0)).min(0.99)
    }
}

/// Length of a drying piece over its length at `water_start`: the cube root of the ratio of the
/// volumes of solid and water; below `water_critical` it no longer shrinks.
pub fn length_ratio(water: f64, water_start: f64, water_critical: f64, solid_density: f64) -> f64 {
    let volume = |x: f64| 1.0 / solid_density + x.max(water_critical) / WATER_DENSITY;
    (volume(water) / volume(water_start)).cbrt()
}

/// Linear drying shrinkage, fraction of the wet length, from `water_start` to bone-dry.
pub fn drying_shrinkage(water_start: f64, water_critical: f64, solid_density: f64) -> f64 {
    1.0 - length_ratio(water_critical, water_start, water_critical, solid_density)
}

/// Linear shrinkage between two measured lengths as a fraction of the first (ASTM C326: drying
/// S_d from plastic to dry, total S_t from plastic to fired).
pub fn measured_shrinkage(length_before: f64, length_after: f64) -> f64 {
    (length_before - length_after) / length_before
}

/// Volume shrinkage from linear shrinkage, both fractions: 1 − (1 − S)³ (ASTM C326).
pub fn volume_shrinkage(linear: f64) -> f64 {
    1.0 - (1.0 - linear).powi(3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn activity_undoes_water(xm in 0.001..0.1, c in 0.2..60.0, k in 0.4..0.95, a in 0.0..1.0) {
            let body = Sorption { monolayer: xm, c, k };
            prop_assert!((body.activity(body.water(a)) - a).abs() < 1e-9);
        }

        #[test]
        fn derivative_is_the_slope(c in 0.2..60.0, k in 0.4..0.95, a in 0.01..0.99) {
            let body = Sorption { monolayer: 0.015, c, k };
            let numeric = (body.water(a + 1e-6) - body.water(a - 1e-6)) / 2e-6;
            prop_assert!((body.derivative(a) / numeric - 1.0).abs() < 1e-5);
        }
    }

    #[test]
    fn free_water_has_the_activity_of_water() {
        let body = Sorption::BRICK_NF_DESORPTION;
        assert_eq!(body.activity(0.25), 1.0);
        assert_eq!(body.activity(-0.01), 0.0);
        assert_eq!(body.water(1.1), body.water(1.0));
        assert_eq!(body.scaled(2.0).water(0.5), 2.0 * body.water(0.5));
    }
}
