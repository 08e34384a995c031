//! Air against published tables, worked examples and two independent libraries.
//!
//! The grids in `fixtures/psychro_*.csv` come from `fixtures/generate_psychrometrics.py`.

use serde::Deserialize;
use warecast::core::air::*;

fn close(got: f64, want: f64, tolerance: f64, what: &str) {
    assert!((got - want).abs() <= tolerance, "{what}: got {got}, published {want} ± {tolerance}");
}

fn within(got: f64, want: f64, share: f64, what: &str) {
    close(got, want, share * want.abs(), what);
}

fn rows<T: for<'a> Deserialize<'a>>(file: &str) -> Vec<T> {
    let path = format!("{}/fixtures/{file}", env!("CARGO_MANIFEST_DIR"));
    csv::Reader::from_path(path).unwrap().deserialize().map(|row| row.unwrap()).collect()
}

/// Wet bulb of air given by its humidity ratio.
fn wet_bulb_of_ratio(t: f64, ratio: f64) -> f64 {
    let rh = vapour_pressure_from_ratio(ratio, STANDARD_PRESSURE) / saturation_pressure(t);
    wet_bulb(t, rh, STANDARD_PRESSURE)
}

#[derive(Deserialize)]
struct Saturation {
    #[serde(rename = "T_C")]
    t: f64,
    #[serde(rename = "psat_Pa_IF97")]
    if97: f64,
    #[serde(rename = "psat_Pa_IAPWS95")]
    iapws95: f64,
    #[serde(rename = "psat_Pa_HW")]
    hyland_wexler: f64,
    #[serde(rename = "hfg_kJkg_IF97")]
    latent: f64,
    #[serde(rename = "rho_vap_sat_gm3_IF97")]
    density: f64,
}

/// IAPWS-IF97 (iapws 1.5.5), IAPWS-95 (CoolProp 8.0.0), Hyland–Wexler (PsychroLib 2.5.0).
#[test]
fn saturation_agrees_with_three_libraries() {
    let table: Vec<Saturation> = rows("psychro_psat.csv");
    assert_eq!(table.len(), 51);
    for row in table {
        let (t, p) = (row.t, saturation_pressure(row.t));
        close(p, row.hyland_wexler, 6e-4, "Hyland–Wexler");
        within(p, row.if97, 2e-4, "IF97");
        if t > 0.0 {
            // At 0 °C the table holds the triple point, where IAPWS-95 ends.
            within(p, row.iapws95, 2.6e-4, "IAPWS-95");
        }
        within(latent_heat(t), 1e3 * row.latent, 5e-4, "latent heat");
        // An ideal gas is 0.6 % thinner than real vapour at 50 °C.
        within(1e3 * vapour_density(t, 1.0), row.density, 6e-3, "vapour density");
    }
}

/// ASHRAE Handbook—Fundamentals 2017, ch. 1, table 3 (claimed within 300 ppm).
#[test]
fn ashrae_table_3_saturation_pressure() {
    for (t, p) in
        [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3), (100.0, 101_418.0), (150.0, 476_101.4)]
    {
        within(saturation_pressure(t), p, 3e-4, "p_ws");
    }
}

/// ASHRAE Handbook—Fundamentals 2017, ch. 1, table 2: real air holds up to 0.5 % more than ideal.
#[test]
fn ashrae_table_2_saturated_humidity_ratio() {
    for (t, ratio) in [(5.0, 0.005_425), (25.0, 0.020_173), (50.0, 0.086_863)] {
        within(humidity_ratio(saturation_pressure(t), STANDARD_PRESSURE), ratio, 7e-3, "W_s");
    }
}

#[derive(Deserialize)]
struct Moist {
    #[serde(rename = "T_C")]
    t: f64,
    #[serde(rename = "RH_pct")]
    percent: f64,
    #[serde(rename = "pv_Pa")]
    vapour: f64,
    #[serde(rename = "vpd_Pa")]
    deficit: f64,
    #[serde(rename = "dewpoint_C")]
    dew_point: f64,
    #[serde(rename = "wetbulb_C_psychrolib")]
    wet_bulb_psychrolib: f64,
    #[serde(rename = "wetbulb_C_coolprop")]
    wet_bulb_coolprop: f64,
    humratio_psychrolib: f64,
    humratio_coolprop: f64,
    abs_humidity_gm3: f64,
}

/// 5–40 °C, 20–95 %RH: PsychroLib 2.5.0 (same formulas), CoolProp 8.0.0 (real moist air).
#[test]
fn moist_air_agrees_with_two_libraries() {
    let grid: Vec<Moist> = rows("psychro_reference.csv");
    assert_eq!(grid.len(), 72);
    for row in grid {
        let (t, rh) = (row.t, row.percent / 100.0);
        let vapour = vapour_pressure(t, rh);
        close(vapour, row.vapour, 0.006, "vapour pressure");
        close(deficit(t, rh), row.deficit, 0.006, "deficit");
        close(dew_point(vapour), row.dew_point, 0.0015, "dew point");
        let wet = wet_bulb(t, rh, STANDARD_PRESSURE);
        // PsychroLib halves its span down to 0.001 K.
        close(wet, row.wet_bulb_psychrolib, 0.0015, "wet bulb");
        close(wet, row.wet_bulb_coolprop, 0.022, "wet bulb of real air");
        let ratio = humidity_ratio(vapour, STANDARD_PRESSURE);
        close(ratio, row.humratio_psychrolib, 6e-7, "humidity ratio");
        // CoolProp includes the enhancement factor of real air.
        within(ratio, row.humratio_coolprop, 5.5e-3, "humidity ratio of real air");
        close(1e3 * vapour_density(t, rh), row.abs_humidity_gm3, 6e-5, "vapour density");
    }
}

/// ASHRAE Handbook—Fundamentals 2017, ch. 1, example 1 (the book reads a chart).
#[test]
fn ashrae_example_1() {
    let ratio = ratio_at_wet_bulb(40.0, 20.0, STANDARD_PRESSURE);
    close(ratio, 0.0065, 1.5e-4, "W");
    let vapour = vapour_pressure_from_ratio(ratio, STANDARD_PRESSURE);
    close(dew_point(vapour), 7.0, 0.5, "dew point");
    close(vapour / saturation_pressure(40.0), 0.14, 0.005, "relative humidity");
    close(wet_bulb(40.0, vapour / saturation_pressure(40.0), STANDARD_PRESSURE), 20.0, 1e-6, "t*");
}

/// PsychroLib's own checks against a spreadsheet (tests/test_psychrolib_si.py, commit 059a99b6).
#[test]
fn psychrolib_spreadsheet() {
    close(humidity_ratio(3169.7, 95_461.0), 0.021_360_399_8, 1e-10, "W");
    within(ratio_at_wet_bulb(30.0, 25.0, 95_461.0), 0.019_228_13, 3e-4, "W from wet bulb");
    close(dew_point(vapour_pressure(25.0, 0.8)), 21.3094, 1e-3, "dew point");
}

/// Allen et al., FAO Irrigation and Drainage Paper 56 (1998), ch. 3; Tetens' formula there lies
/// 0.05 % below Hyland–Wexler. Examples 2, 4 and 5 from memory, recomputed.
#[test]
fn fao_56_examples() {
    close(psychrometric_constant(20.0, 81_800.0), 54.0, 0.6, "example 2");
    within(saturation_pressure(24.5), 3075.0, 1e-3, "example 3");
    within(saturation_pressure(15.0), 1705.0, 1e-3, "example 3");
    // An aspirated psychrometer there; the thermodynamic wet bulb gives 0.6 % more vapour.
    let ratio = ratio_at_wet_bulb(25.6, 19.5, 87_900.0);
    within(vapour_pressure_from_ratio(ratio, 87_900.0), 1910.0, 0.01, "example 4");
    let mean = 0.5 * (vapour_pressure(18.0, 0.82) + vapour_pressure(25.0, 0.54));
    close(mean, 1700.0, 5.0, "example 5");
    // Equation 13, slope 4098 e/(T + 237.3)² with e from equation 11.
    for t in [5.0, 20.0, 35.0_f64] {
        let e = 610.8 * (17.27 * t / (t + 237.3)).exp();
        within(slope(t), 4098.0 * e / (t + 237.3).powi(2), 2e-3, "equation 13");
    }
}

/// Geankoplis, Transport Processes and Unit Operations, 3rd ed., ch. 9.
#[test]
fn geankoplis_humidity_examples() {
    close(humidity_ratio(2760.0, 101_300.0), 0.01742, 1e-5, "9.3-1 H");
    close(humidity_ratio(3500.0, 101_300.0), 0.02226, 1.5e-5, "9.3-1 H_S");
    close(wet_bulb_of_ratio(87.8, 0.030), 40.5, 0.25, "9.3-3");
    let saturated = humidity_ratio(saturation_pressure(40.5), STANDARD_PRESSURE);
    within(saturated, 0.0505, 0.02, "9.3-3 H, read from a chart");
    close(ratio_at_wet_bulb(60.0, 29.5, STANDARD_PRESSURE), 0.0135, 1e-4, "9.3-4");
    close(wet_bulb_of_ratio(65.6, 0.010), 28.9, 0.1, "9.6-3");
}

/// Treybal, Mass-Transfer Operations, 3rd ed.: illustration 7.9, p. 240 (from memory, medium
/// sure), and the wet bulb used in illustration 12.4, p. 676 (read from a chart).
#[test]
fn treybal_humidity_examples() {
    close(ratio_at_wet_bulb(65.0, 35.0, STANDARD_PRESSURE), 0.0238, 4e-4, "7.9");
    close(wet_bulb_of_ratio(65.0, 0.0100), 28.5, 0.3, "12.4");
}

/// c_p p/(0.622 λ) with CoolProp's c_p and λ; and the psychrometer formula of the AMS Glossary
/// ("Psychrometric formula"), whose instrument lies 2–3 % above.
#[test]
fn psychrometric_constant_is_known() {
    for (t, gamma) in [(10.0, 66.1), (20.0, 66.8), (30.0, 67.5)] {
        close(psychrometric_constant(t, STANDARD_PRESSURE), gamma, 0.1, "γ");
        let instrument = 6.60e-4 * (1.0 + 0.001_15 * t) * STANDARD_PRESSURE;
        within(psychrometric_constant(t, STANDARD_PRESSURE), instrument, 0.035, "psychrometer");
    }
}

/// A wet wall 0.12 m high in a still room, with radiation: energy balance with Churchill and
/// Chu's correlation (Int. J. Heat Mass Transfer 18, 1323–1329, 1975), solved outside the program.
/// Columns: °C, %RH, surface °C, h_c W/(m² K), evaporation g/(m² h); sanity bands of 30 %.
const STILL_WALL: [(f64, f64, f64, f64, f64); 7] = [
    (15.0, 50.0, 11.7, 3.1, 41.0),
    (20.0, 30.0, 13.9, 3.6, 79.0),
    (20.0, 50.0, 15.9, 3.3, 51.0),
    (20.0, 70.0, 17.7, 2.8, 27.0),
    (20.0, 90.0, 19.3, 2.1, 7.1),
    (25.0, 50.0, 20.0, 3.4, 63.0),
    (30.0, 50.0, 24.2, 3.5, 75.0),
];

#[test]
fn still_air_correction_gives_the_rate_of_a_wet_wall() {
    for (t, percent, surface, convection, rate) in STILL_WALL {
        let rh = percent / 100.0;
        let what = format!("{t} °C, {percent} %RH");
        let own = psychrometric_constant_with(t, STANDARD_PRESSURE, convection, RADIATION);
        let balance = saturation_pressure(surface) - vapour_pressure(t, rh) - own * (t - surface);
        close(balance / (own + slope(surface)), 0.0, 0.15, &format!("{what}: surface, K"));
        // Evaporation per pascal that goes with that convection: h_c / (λ γ Le^(2/3)).
        let convective = psychrometric_constant_with(t, STANDARD_PRESSURE, convection, 0.0);
        let conductance = convection / (latent_heat(t) * convective);
        let factor = still_air_factor(1.0, slope(t), still_air_constant(t, STANDARD_PRESSURE));
        let got = conductance * deficit(t, rh) * factor * 1e3 * 3600.0;
        // Damp air moves slower than the mean convection that the correction assumes.
        let band = if percent > 80.0 { 0.3 } else { 0.12 };
        within(got, rate, band, &what);
    }
}

/// The rooms' wet-bulb estimate (no radiation) falls short by the share known for still air:
/// rates of the same balance without radiation, g/(m² h).
#[test]
fn a_pot_in_still_air_dries_faster_than_the_wet_bulb_says() {
    for (t, with, without) in [(15.0, 41.0, 30.0), (20.0, 51.0, 35.0), (25.0, 63.0, 41.0)] {
        let s = slope(t);
        let still = still_air_factor(1.0, s, still_air_constant(t, STANDARD_PRESSURE));
        let fan = still_air_factor(1.0, s, psychrometric_constant(t, STANDARD_PRESSURE));
        // Convection is weaker on the warmer wall (3.1–3.4 against 3.6–3.8 W/(m² K)).
        within(still / fan * 0.88, with / without, 0.1, "gain by radiation");
    }
}
