//! Air: saturation pressure, deficit, wet bulb, still-air correction.
//!
//! Formulas: ASHRAE Handbook—Fundamentals 2017, chapter 1 (Psychrometrics), whose saturation
//! pressures are those of Hyland and Wexler (ASHRAE Trans. 89(2A), 500–519, 1983). The still-air
//! correction is the energy balance of a wet surface that also receives radiation from the room;
//! its coefficients are named where they stand.
//!
//! Temperatures are °C, pressures Pa, humidities fractions of 1 (held to 0–1), humidity ratios
//! kg water per kg dry air. Temperatures are held to −100…200 °C, the range of the formulas, so
//! that every function is finite for finite input; NaN stays NaN.

/// Pressure of the standard atmosphere at sea level, Pa (ASHRAE 2017 ch. 1 table 1).
pub const STANDARD_PRESSURE: f64 = 101_325.0;
/// Kelvin at 0 °C, exact by definition (BIPM, SI Brochure, 9th ed., 2019).
const KELVIN_AT_ZERO: f64 = 273.15;
/// Triple point of water, °C: ice and water formulas agree there to 3 ppm.
const TRIPLE_POINT: f64 = 0.01;
/// Range of the saturation formulas, °C (ice from −100, water to 200).
const COLDEST: f64 = -100.0;
const HOTTEST: f64 = 200.0;
/// Molar mass of water over that of dry air (ASHRAE 2017 ch. 1 eq. 20).
const MASS_RATIO: f64 = 0.621_945;
/// Specific heat of dry air, J/(kg K); 1006 within 0.1 % from 0 to 50 °C (ASHRAE 2017 ch. 1).
const AIR_HEAT: f64 = 1006.0;
/// Gas constant of water vapour, J/(kg K): 8.314462618 / 0.018015268.
const VAPOUR_GAS: f64 = 461.523;

/// Lewis factor h/(ρ c_p k) = Le^(2/3) of water vapour in air; 0.92 from 10 to 30 °C with the
/// diffusivity of Pruppacher and Klett (Microphysics of Clouds and Precipitation, 2nd ed.,
/// eq. 13-3; from memory). Other diffusivities move it by 5 %.
const LEWIS_FACTOR: f64 = 0.92;
/// Heat by radiation between a clay wall and the room, W/(m² K): 5.7 for a black surface at 20 °C
/// (EN ISO 6946, annex; from memory) times an emissivity of 0.91. Within 10 % from 10 to 30 °C.
pub const RADIATION: f64 = 5.2;
/// Heat by free convection on a wet wall in a still room, W/(m² K): Churchill and Chu's
/// correlation for a wall 0.12 m high gives 2.8–3.6 from 15 to 30 °C and 30 to 70 %RH.
pub const STILL_CONVECTION: f64 = 3.4;

/// Saturation pressure of water vapour, Pa, over water from 0.01 °C up, over ice below.
///
/// ASHRAE 2017 ch. 1 eq. 6 (water) and eq. 5 (ice). Strictly rising between −100 and 200 °C,
/// held at the ends outside. At 25 °C: 3169.2 Pa.
pub fn saturation_pressure(t: f64) -> f64 {
    log_saturation(t.clamp(COLDEST, HOTTEST)).0.exp()
}

/// Slope of the saturation curve, Pa/K; the derivative of [`saturation_pressure`]. At 20 °C: 144.7.
pub fn slope(t: f64) -> f64 {
    let (log, derivative) = log_saturation(t.clamp(COLDEST, HOTTEST));
    log.exp() * derivative
}

/// ln p_s (p_s in Pa) and its derivative per kelvin.
fn log_saturation(celsius: f64) -> (f64, f64) {
    let t = celsius + KELVIN_AT_ZERO;
    if celsius < TRIPLE_POINT {
        const C: [f64; 7] = [
            -5.674_535_9e3,
            6.392_524_7,
            -9.677_843e-3,
            6.221_570_1e-7,
            2.074_782_5e-9,
            -9.484_024e-13,
            4.163_501_9,
        ];
        let log = C[0] / t + C[1] + t * (C[2] + t * (C[3] + t * (C[4] + t * C[5]))) + C[6] * t.ln();
        let derivative = -C[0] / (t * t)
            + C[2]
            + t * (2.0 * C[3] + t * (3.0 * C[4] + t * 4.0 * C[5]))
            + C[6] / t;
        (log, derivative)
    } else {
        const C: [f64; 6] = [
            -5.800_220_6e3,
            1.391_499_3,
            -4.864_023_9e-2,
            4.176_476_8e-5,
            -1.445_209_3e-8,
            6.545_967_3,
        ];
        let log = C[0] / t + C[1] + t * (C[2] + t * (C[3] + t * C[4])) + C[5] * t.ln();
        let derivative = -C[0] / (t * t) + C[2] + t * (2.0 * C[3] + t * 3.0 * C[4]) + C[5] / t;
        (log, derivative)
    }
}

/// Vapour pressure of air at `t` °C and relative humidity `rh` (fraction, held to 0–1), Pa.
pub fn vapour_pressure(t: f64, rh: f64) -> f64 {
    saturation_pressure(t) * rh.clamp(0.0, 1.0)
}

/// Vapour pressure deficit p_s − p_v, Pa: what drives drying. Never negative.
pub fn deficit(t: f64, rh: f64) -> f64 {
    saturation_pressure(t) * (1.0 - rh.clamp(0.0, 1.0))
}

/// Temperature at which vapour of the given pressure (Pa) is saturated, °C; over ice below
/// 0.01 °C. Held to −100…200 °C, so dry air has the dew point −100.
pub fn dew_point(vapour_pressure: f64) -> f64 {
    if vapour_pressure.is_nan() {
        return f64::NAN;
    }
    if vapour_pressure <= saturation_pressure(COLDEST) {
        return COLDEST;
    }
    if vapour_pressure >= saturation_pressure(HOTTEST) {
        return HOTTEST;
    }
    let target = vapour_pressure.ln();
    // ln p_s rises and bends down: Newton's steps from below approach the root from below, and a
    // step from above lands below; a dozen reach machine precision over the whole range.
    let mut t = 0.0;
    for _ in 0..50 {
        let (log, derivative) = log_saturation(t);
        let next = (t + (target - log) / derivative).clamp(COLDEST, HOTTEST);
        if (next - t).abs() < 1e-10 {
            return next;
        }
        t = next;
    }
    t
}

/// Pressure of the standard atmosphere at an altitude, m, Pa (ASHRAE 2017 ch. 1 eq. 3, which is
/// that of ISO 2533); held to −5,000…11,000 m, its range. At 1,000 m: 89,875. The weather moves it
/// by 3 %.
pub fn standard_pressure(altitude_m: f64) -> f64 {
    let altitude = altitude_m.clamp(-5_000.0, 11_000.0);
    STANDARD_PRESSURE * (1.0 - 2.255_77e-5 * altitude).powf(5.2559)
}

/// Temperature at which water boils under a pressure, Pa, °C: its vapour is saturated then. At
/// sea level: 99.97.
pub fn boiling_point(pressure: f64) -> f64 {
    dew_point(pressure)
}

/// Humidity ratio, kg water per kg dry air, of air with the given vapour pressure at the given
/// total pressure, both Pa (ASHRAE 2017 ch. 1 eq. 20). Infinite where there is no dry air left.
pub fn humidity_ratio(vapour_pressure: f64, pressure: f64) -> f64 {
    if vapour_pressure >= pressure {
        return f64::INFINITY;
    }
    MASS_RATIO * vapour_pressure / (pressure - vapour_pressure)
}

/// Vapour pressure, Pa, of air with the given humidity ratio; the inverse of [`humidity_ratio`].
pub fn vapour_pressure_from_ratio(humidity_ratio: f64, pressure: f64) -> f64 {
    pressure * humidity_ratio / (MASS_RATIO + humidity_ratio)
}

/// Vapour in the air, kg/m³ (ideal gas). At 20 °C and 50 %: 8.64 g/m³.
pub fn vapour_density(t: f64, rh: f64) -> f64 {
    vapour_pressure(t, rh) / (VAPOUR_GAS * (t + KELVIN_AT_ZERO))
}

/// Heat that evaporation takes, J/kg; 0–50 °C within 0.05 % of IAPWS-IF97.
///
/// Allen et al., Crop evapotranspiration, FAO Irrigation and Drainage Paper 56 (1998), annex 3
/// eq. 3-1. At 20 °C: 2.4538 MJ/kg.
pub fn latent_heat(t: f64) -> f64 {
    2.501e6 - 2361.0 * t
}

/// Thermodynamic wet-bulb temperature, °C, at the given total pressure, Pa.
///
/// Root of ASHRAE 2017 ch. 1 eq. 33 (water) or eq. 35 (ice, below 0 °C), which has a small step
/// at 0 °C, as the psychrometer has. Air that would be nothing but vapour is taken at 99 % of the
/// total pressure. At 20 °C, 50 % and sea level: 13.78 °C.
pub fn wet_bulb(t: f64, rh: f64, pressure: f64) -> f64 {
    let t = t.clamp(COLDEST, HOTTEST);
    let vapour = vapour_pressure(t, rh).min(0.99 * pressure);
    if !vapour.is_finite() {
        return f64::NAN;
    }
    let ratio = humidity_ratio(vapour, pressure);
    let (mut low, mut high) = (dew_point(vapour).min(t), t);
    // Halving a span of at most 300 K forty times leaves less than 1e-9 K.
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if ratio_at_wet_bulb(t, middle, pressure) > ratio {
            high = middle;
        } else {
            low = middle;
        }
    }
    0.5 * (low + high)
}

/// Humidity ratio of air at `t` °C whose wet bulb is `wet` °C (ASHRAE 2017 ch. 1 eq. 33 and 35);
/// negative where no air has that wet bulb.
pub fn ratio_at_wet_bulb(t: f64, wet: f64, pressure: f64) -> f64 {
    let saturated = humidity_ratio(saturation_pressure(wet), pressure);
    if wet >= 0.0 {
        ((2501.0 - 2.326 * wet) * saturated - 1.006 * (t - wet)) / (2501.0 + 1.86 * t - 4.186 * wet)
    } else {
        ((2830.0 - 0.24 * wet) * saturated - 1.006 * (t - wet)) / (2830.0 + 1.86 * t - 2.1 * wet)
    }
}

/// Thermodynamic psychrometric constant c_p p / (0.622 λ), Pa/K. At 20 °C and sea level: 66.8.
pub fn psychrometric_constant(t: f64, pressure: f64) -> f64 {
    AIR_HEAT * pressure / (MASS_RATIO * latent_heat(t))
}

/// Psychrometric constant of a wet surface that gains heat by convection and by radiation,
/// Pa/K: γ · Le^(2/3) · (1 + h_r/h_c), coefficients in W/(m² K).
pub fn psychrometric_constant_with(t: f64, pressure: f64, convection: f64, radiation: f64) -> f64 {
    psychrometric_constant(t, pressure) * LEWIS_FACTOR * (1.0 + radiation / convection)
}

/// Effective psychrometric constant of a pot in a still room, Pa/K: about twice the thermodynamic
/// one, since more heat comes by radiation than by the air ([`RADIATION`], [`STILL_CONVECTION`]).
pub fn still_air_constant(t: f64, pressure: f64) -> f64 {
    psychrometric_constant_with(t, pressure, STILL_CONVECTION, RADIATION)
}

/// By how much a wet pot dries slower than its conductance times the room's deficit, because it
/// is cooler than the room: 1 / (1 + (g/g_open) s/γ*).
///
/// `g_over_gopen` is the pot's conductance over that of an open pot (1 open, near 0 wrapped),
/// `slope` that of the saturation curve and `gamma_star` from [`still_air_constant`], both Pa/K.
/// Linear in the cooling: below the exact balance by 5 % at 20 °C and 50 %RH, 2 % at 80 %RH, 8 %
/// at 20 %RH; by up to 13 % in hot dry air (30 °C, 20 %RH). A fitted conductance takes up its mean.
pub fn still_air_factor(g_over_gopen: f64, slope: f64, gamma_star: f64) -> f64 {
    1.0 / (1.0 + g_over_gopen.max(0.0) * slope / gamma_star)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn saturation_rises_everywhere_and_its_slope_is_the_derivative() {
        let mut last = 0.0;
        for i in -6000..=12000 {
            let p = saturation_pressure(f64::from(i) / 100.0);
            assert!(p.is_finite() && p > last, "at {i}/100 °C");
            last = p;
        }
        for t in [-40.0, -5.0, 0.5, 20.0, 55.0, 110.0] {
            let numeric = (saturation_pressure(t + 1e-3) - saturation_pressure(t - 1e-3)) / 2e-3;
            assert!((slope(t) / numeric - 1.0).abs() < 1e-7, "at {t} °C");
        }
    }

    #[test]
    fn ice_and_water_meet_at_the_triple_point() {
        let below = saturation_pressure(TRIPLE_POINT - 1e-9);
        let above = saturation_pressure(TRIPLE_POINT);
        assert!((above / below - 1.0).abs() < 5e-6 && above > below, "{below} {above}");
    }

    #[test]
    fn dew_point_undoes_saturation() {
        for t in [-60.0, -20.0, -0.5, 0.005, 0.02, 7.0, 30.0, 120.0] {
            assert!((dew_point(saturation_pressure(t)) - t).abs() < 1e-7, "at {t} °C");
        }
        assert_eq!(dew_point(0.0), -100.0);
        assert_eq!(dew_point(f64::INFINITY), 200.0);
        assert!(dew_point(f64::NAN).is_nan());
    }

    /// The stated shortfall against p_s(T_s) − p_v = γ* (T − T_s), solved by halving.
    #[test]
    fn the_linear_cooling_falls_short_as_stated() {
        let cases = [(20.0, 0.2, 0.08), (20.0, 0.5, 0.05), (20.0, 0.8, 0.02), (30.0, 0.2, 0.13)];
        for (t, rh, short) in cases {
            let gamma = still_air_constant(t, STANDARD_PRESSURE);
            let vapour = vapour_pressure(t, rh);
            let (mut low, mut high) = (dew_point(vapour), t);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                let warm = saturation_pressure(middle) - vapour > gamma * (t - middle);
                *(if warm { &mut high } else { &mut low }) = middle;
            }
            let exact = saturation_pressure(low) - vapour;
            let linear = deficit(t, rh) * still_air_factor(1.0, slope(t), gamma);
            assert!((1.0 - linear / exact - short).abs() < 0.005, "{t} °C {rh}");
        }
    }

    #[test]
    fn nothing_blows_up_at_the_edges() {
        for t in [-60.0, 0.0, 20.0, 99.9, 100.0, 120.0] {
            for rh in [-0.1, 0.0, 0.5, 1.0, 1.1] {
                let wet = wet_bulb(t, rh, STANDARD_PRESSURE);
                assert!(wet.is_finite() && wet <= t + 1e-9, "{t} °C {rh}: {wet}");
                assert!(deficit(t, rh) >= 0.0 && vapour_pressure(t, rh).is_finite());
            }
        }
        assert!(wet_bulb(f64::NAN, 0.5, STANDARD_PRESSURE).is_nan());
        assert_eq!(still_air_factor(0.0, 144.0, 130.0), 1.0);
    }
}
