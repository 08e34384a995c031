//! The slow first stage in the kiln (candling, water-smoking): how long a pot is held below
//! boiling until the water in its thickest part has left.
//!
//! Water leaves by diffusion: what is left in the middle of a slab that dries on both faces is
//! Crank's series (*The Mathematics of Diffusion*, 2nd ed. 1975, section 4.3). A wall dries on both
//! faces, a base that stands on a kiln shelf on one: its whole thickness counts. The slab is taken
//! to be as wet all through as its wettest part, and its faces to be dry at once, as in a vented
//! kiln; nothing flows faster by its own steam, which would only be quicker.
//!
//! The diffusivity is the pot's own, as its drying in the room tells it, raised by the temperature
//! (Arrhenius). It is never the last word: no hold is shorter than common practice for that
//! thickness ([`Candling::practice_s`]).

use crate::core::air;
use crate::core::drying::diffusivity_rise;
use crate::units::HOUR;
use std::f64::consts::PI;

/// Gas constant, J/(mol K), exact by definition (BIPM, SI Brochure, 9th ed., 2019).
const GAS: f64 = 8.314_462_618;
/// Kelvin at 0 °C, exact by definition (the same).
const KELVIN_AT_ZERO: f64 = 273.15;
/// Temperature of the rooms in which diffusivities are learnt, °C (common practice, no source).
const ROOM: f64 = 20.0;
/// Activation energies of the diffusion of water in clay, J/mol. Where water creeps it follows its
/// viscosity: 15,000 between 20 and 90 °C (IAPWS 2008). Where it moves as vapour it follows its
/// saturation pressure: 43,000 ([`air::saturation_pressure`]). 15,000 to 35,000 are reported for
/// clays (from memory); which it is here nobody knows.
const ACTIVATION: (f64, f64) = (15_000.0, 43_000.0);
/// No slab needs longer than this many times L²/D to be called dry.
const LONGEST: f64 = 10.0;

/// How the first stage is held.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Candling {
    /// Temperature of the hold, °C.
    pub hold: f64,
    /// Water (dry basis) that the middle of the thickest part may hold at its end.
    pub rest: f64,
    /// Common practice: hours for each centimetre of the thickest part, and at least.
    pub hours_per_cm: f64,
    /// The least of hours, whatever the thickness.
    pub least_hours: f64,
}

impl Candling {
    /// How long is held by common practice for that thickness, s.
    pub fn practice_s(&self, thickness_m: f64) -> f64 {
        HOUR * (100.0 * thickness_m * self.hours_per_cm).max(self.least_hours)
    }

    /// How long a part is held until its middle is dry, s: `face_m` from the face at which water
    /// leaves to where none passes, `water` of it (dry basis), its diffusivity in the room (at
    /// [`crate::core::drying::DIFFUSIVITY_AT`], m²/s), and where among the activation energies
    /// that are known it lies, 0 to 1.
    pub fn hold_s(&self, face_m: f64, water: f64, diffusivity: f64, place: f64) -> f64 {
        let energy = ACTIVATION.0 + place * (ACTIVATION.1 - ACTIVATION.0);
        // The last of it moves least easily: that holds for all.
        let rise = diffusivity_rise(self.rest);
        let fast = diffusivity * rise * faster(energy, ROOM, self.hold);
        fourier_for(self.rest / water.max(1e-9)) * face_m * face_m / fast
    }
}

/// Temperature, °C, at which the first stage is held: so far below the boiling point of water at
/// that altitude, m.
pub fn hold(altitude_m: f64, below: f64) -> f64 {
    air::boiling_point(air::standard_pressure(altitude_m)) - below
}

/// How many times faster something goes at one temperature than at another, °C.
fn faster(energy: f64, from: f64, to: f64) -> f64 {
    let [from, to] = [from, to].map(|t| 1.0 / (t + KELVIN_AT_ZERO));
    (energy / GAS * (from - to)).exp()
}

/// Share of its water that is left in the middle of a slab after D·t/L² (L: half its thickness,
/// both faces dry): Σ (−1)ⁿ·4/((2n+1)π)·exp(−(2n+1)²π²Fo/4).
pub fn centre(fourier: f64) -> f64 {
    let mut sum = 0.0;
    for n in 0..60 {
        let odd = f64::from(2 * n + 1);
        let term = 4.0 / (odd * PI) * (-odd * odd * PI * PI * fourier / 4.0).exp();
        sum += if n % 2 == 0 { term } else { -term };
        if term < 1e-12 {
            break;
        }
    }
    sum
}

/// D·t/L² after which the middle holds that share of its water; the inverse of [`centre`].
pub fn fourier_for(share: f64) -> f64 {
    if share >= 1.0 {
        return 0.0;
    }
    // The first term alone: exact to 1e-4 of the share below a half of it, else a beginning.
    let first = 4.0 / (PI * PI) * (4.0 / (PI * share.max(1e-9))).ln();
    let mut fourier = first.clamp(0.02, LONGEST);
    for _ in 0..40 {
        let slope = (centre(fourier + 1e-6) - centre(fourier - 1e-6)) / 2e-6;
        let step = (centre(fourier) - share) / slope.min(-1e-9);
        fourier = (fourier - step).clamp(0.02, LONGEST);
        if step.abs() < 1e-9 {
            break;
        }
    }
    fourier
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SLOW: Candling =
        Candling { hold: 85.0, rest: 0.005, hours_per_cm: 4.0, least_hours: 2.0 };

    proptest! {
        #[test]
        fn the_inverse_undoes_the_series(fourier in 0.06..5.0f64) {
            prop_assert!((fourier_for(centre(fourier)) - fourier).abs() < 1e-5 * (1.0 + fourier));
        }

        #[test]
        fn more_water_thickness_or_cold_never_shortens_the_hold(
            face in 0.001..0.05f64,
            water in 0.001..0.25f64,
            place in 0.0..1.0f64,
        ) {
            let of = |c: Candling, face: f64, water: f64| c.hold_s(face, water, 1e-9, place);
            let held = of(SLOW, face, water);
            prop_assert!(held.is_finite() && held >= 0.0);
            prop_assert!(of(SLOW, 1.1 * face, water) >= held);
            prop_assert!(of(SLOW, face, 1.1 * water) >= held);
            let cold = of(Candling { hold: 75.0, ..SLOW }, face, water);
            let drier = of(Candling { rest: 0.004, ..SLOW }, face, water);
            prop_assert!(cold >= held && drier >= held, "{} {} {}", cold, drier, held);
        }
    }

    /// The ends of what is taken for an activation energy are what water does: its viscosity falls
    /// from 1.0016 mPa s at 20 °C to 0.3142 at 90 °C (IAPWS 2008; from memory), its vapour pressure
    /// rises from 2,339 to 70,182 Pa (IAPWS-IF97).
    #[test]
    fn the_ends_of_the_activation_are_those_of_creeping_water_and_of_vapour() {
        let creeps = (363.15 / 293.15) * (1.0016 / 0.3142);
        let vapour = 70_182.0 / 2_339.0;
        assert!((faster(ACTIVATION.0, 20.0, 90.0) / creeps).ln().abs() < 0.35);
        assert!(faster(ACTIVATION.0, 20.0, 90.0) < creeps);
        assert!((faster(ACTIVATION.1, 20.0, 90.0) / vapour - 1.0).abs() < 0.02);
    }

    /// Ea = 19 kJ/mol raises by 1.30 from 20 to 30 °C, as the viscosity of water falls from 1.0016
    /// to 0.7972 mPa s (IAPWS 2008): T/η rises by 1.299.
    #[test]
    fn warmth_makes_water_move_as_its_viscosity_says() {
        let by_viscosity = (303.15 / 293.15) * (1.0016 / 0.7972);
        assert!((faster(19_000.0, 20.0, 30.0) - by_viscosity).abs() < 0.01);
        assert_eq!(faster(19_000.0, 20.0, 20.0), 1.0);
    }

    /// At its own temperature and dry, nothing is to be done; a wall of 9 mm from one face.
    #[test]
    fn a_base_as_by_hand() {
        assert_eq!(SLOW.hold_s(0.009, 0.004, 1e-9, 0.5), 0.0);
        // Fo = 4/π²·ln(4/(π·0.25)) = 0.6597; D = 1e-9·0.525·6.436, by 25 kJ/mol.
        let by_hand = 0.6597 * 0.009f64.powi(2) / (1e-9 * 0.525 * 6.436);
        let held = SLOW.hold_s(0.009, 0.02, 1e-9, 10.0 / 28.0);
        assert!((held / by_hand - 1.0).abs() < 1e-3, "{held} {by_hand}");
    }

    #[test]
    fn no_hold_is_shorter_than_practice() {
        assert_eq!(SLOW.practice_s(0.002), 2.0 * HOUR);
        assert!((SLOW.practice_s(0.015) - 6.0 * HOUR).abs() < 1e-6);
    }
}
