//! The drying model against worked examples of textbooks and against Crank's series.
//!
//! Nothing here is a second model: pots of [`warecast::core::drying`] are stepped forward in the
//! limits for which textbooks have answers.
//!
//! - *Constant and linearly falling rate*: clay in which water moves freely, with an isotherm that
//!   is a straight line up to the critical water content. Its water activity then is
//!   X/X_c, and evaporation falls as (X − X*)/(X_c − X*), van Meel's characteristic curve with
//!   f = Φ (Chem. Eng. Sci. 9, 36–44, 1958).
//! - *A measured rate curve*: freely moving water, and a conductance that follows the curve.
//! - *Diffusion alone*: so little water that the diffusivity is constant, and a face that takes
//!   all that comes (Crank), or takes it up at a finite rate (convective face).

use serde::Deserialize;
use std::f64::consts::PI;
use warecast::core::air;
use warecast::core::clay::Sorption;
use warecast::core::drying::*;
use warecast::core::inference::model::step_air;
use warecast::core::room::Climate;

const HOUR: f64 = 3600.0;
/// As good as a straight line: X = X_c a / (1 − K a) with a K that does not matter.
const STRAIGHT: f64 = 1e-6;

fn close(got: f64, want: f64, share: f64, what: &str) {
    let error = got / want - 1.0;
    assert!(error.abs() <= share, "{what}: got {got}, published {want}, off by {error:.5}");
}

/// A slab of clay dried on one face (a base on its bat) with an isotherm that is straight up to
/// `critical`; parameters are the same in all lanes.
fn slab(thickness_m: f64, critical: f64, water: f64, diffusivity: f64, rate: f64) -> PotPhysics {
    PotPhysics {
        dry_g: [1000.0; LANES],
        water: [water; LANES],
        base_share: [1.0; LANES],
        wall_m: [thickness_m; LANES],
        base_m: [thickness_m; LANES],
        conductance: [rate; LANES],
        cover: [[1.0; LANES]; 4],
        base_inside: [1.0; LANES],
        underside: [1.0; LANES],
        diffusivity: [diffusivity; LANES],
        rim_open: [1.0; LANES],
        shared: [1.0; LANES],
        monolayer: [critical / STRAIGHT; LANES],
        isotherm: Sorption { monolayer: 1.0, c: 1.0, k: STRAIGHT },
    }
}

/// Open air of 1 Pa saturation pressure that does not cool the pot: conductances are rates.
fn room(humidity: f64) -> StepAir {
    StepAir { saturation: 1.0, cooling: 0.0, humidity: [humidity; LANES] }
}

const OPEN: StepKeeping = StepKeeping { cover: 0, flipped: [false; LANES] };

/// A tray in a textbook's dryer.
#[derive(Clone, Copy)]
struct Tray {
    /// Dry solid over drying area, kg/m².
    load: f64,
    /// Constant rate, kg/(s m²).
    rate: f64,
    /// Water where the rate begins to fall, and in balance with the air, kg/kg dry.
    critical: f64,
    balance: f64,
}

impl Tray {
    /// Time from one water content to another, s, by stepping the drying model.
    fn time(&self, from: f64, to: f64) -> f64 {
        self.time_along(from, to, |_| 1.0)
    }

    /// The same with a rate that is multiplied by a function of the mean water.
    fn time_along(&self, from: f64, to: f64, gain: impl Fn(f64) -> f64) -> f64 {
        let thickness = self.load / DRY_DENSITY;
        // The mean differs from the face by less than a thousandth of the critical water.
        let diffusivity = 1e3 * self.rate * thickness / (DRY_DENSITY * self.critical);
        let humidity = self.balance / self.critical;
        let physics =
            slab(thickness, self.critical, from, diffusivity, self.rate / (1.0 - humidity));
        let step = (self.load / self.rate) * (from - to) / 4000.0;
        time_to(&physics, humidity, to, step, gain)
    }
}

/// Steps until the mean water passes `to`, which is looked up between steps.
fn time_to(
    physics: &PotPhysics,
    humidity: f64,
    to: f64,
    step_s: f64,
    gain: impl Fn(f64) -> f64,
) -> f64 {
    let mut pot = PotState::new(physics);
    let mut before = pot.mean_water()[0];
    for i in 0..1_000_000 {
        pot.step(physics, &room(humidity), OPEN, &[gain(before); LANES], step_s);
        let after = pot.mean_water()[0];
        if after <= to {
            return step_s * (f64::from(i) + (before - to) / (before - after));
        }
        before = after;
    }
    panic!("never reaches {to}: stands at {before}");
}

/// Geankoplis, Transport Processes and Unit Operations, 3rd ed., ex. 9.6-2 (p. 541): 1.85 h.
#[test]
fn geankoplis_9_6_2_constant_rate() {
    let tray = Tray { load: 21.5, rate: 1.51 / HOUR, critical: 0.195, balance: 0.0 };
    close(tray.time(0.38, 0.25) / HOUR, 1.85, 2e-3, "9.6-2");
}

/// Geankoplis, ex. 9.7-2 (p. 547), falling rate through the origin: 4.39 h; with the constant
/// part of ex. 9.7-1 (p. 545), 2.63 h, before it.
#[test]
fn geankoplis_9_7_2_falling_rate() {
    let tray = Tray { load: 399.0 / 18.58, rate: 1.51 / HOUR, critical: 0.195, balance: 0.0 };
    close(tray.time(0.195, 0.040) / HOUR, 4.39, 5e-3, "9.7-2");
    close(tray.time(0.38, 0.040) / HOUR, 2.63 + 4.39, 3e-3, "9.7-1 and 9.7-2");
}

/// Between the points of a measured rate curve: straight lines.
fn along(curve: &[(f64, f64)], x: f64) -> f64 {
    let ends = curve.windows(2).find(|w| x >= w[1].0).unwrap_or(&curve[curve.len() - 2..]);
    let ((x0, n0), (x1, n1)) = (ends[0], ends[1]);
    if x >= x0 { n0 } else { n0 + (n1 - n0) * (x - x0) / (x1 - x0) }
}

/// Geankoplis, ex. 9.7-1 (p. 545): 2.63 + 4.06 = 6.69 h over a measured rate curve. The sum
/// depends on how one goes between its points: trapezoids in 1/R give 6.69, Simpson's rule 6.54.
#[test]
fn geankoplis_9_7_1_measured_curve() {
    let curve =
        [(0.195, 1.51), (0.150, 1.21), (0.100, 0.90), (0.065, 0.71), (0.050, 0.37), (0.040, 0.27)];
    let tray = Tray { load: 399.0 / 18.58, rate: 1.51 / HOUR, critical: 1e-3, balance: 0.0 };
    let hours = tray.time_along(0.38, 0.040, |x| along(&curve, x) / 1.51) / HOUR;
    close(hours, 6.69, 0.03, "9.7-1");
}

/// Treybal, Mass-Transfer Operations, 3rd ed., illustration 12.3 (p. 671): 25 to 6 % on the wet
/// basis in 17 778 + 42 400 s over a measured curve, its area read as 1060 (trapezoids: 1051.5).
#[test]
fn treybal_12_3_measured_curve() {
    let curve = [
        (0.200, 0.300),
        (0.180, 0.266),
        (0.160, 0.239),
        (0.140, 0.208),
        (0.120, 0.180),
        (0.100, 0.150),
        (0.090, 0.097),
        (0.080, 0.070),
        (0.070, 0.043),
        (0.064, 0.025),
    ];
    let tray = Tray { load: 40.0, rate: 0.3e-3, critical: 1e-3, balance: 0.0 };
    let gain = |x: f64| along(&curve, x) / 0.300;
    close(tray.time_along(1.0 / 3.0, 0.200, gain), 17_778.0, 2e-3, "12.3, constant");
    close(tray.time_along(1.0 / 3.0, 0.0640, gain), 60_200.0, 0.03, "12.3");
}

/// A known time scaled to another task: Coulson and Richardson, Chemical Engineering vol. 2,
/// ex. 16.1 (p. 909): 0.25 to 0.10 in 15 ks, so 0.30 to 0.08 in 23.9–24.0 ks.
#[test]
fn coulson_richardson_16_1_scaling() {
    let tray = Tray { load: 1.0, rate: 1e-5, critical: 0.15, balance: 0.05 };
    let scale = 15.0 / tray.time(0.25, 0.10);
    close(scale * tray.time(0.30, 0.08), 23.95, 3e-3, "16.1");
}

/// The same form as an exercise of a chemical engineering course: 20 to 5 % in 7300 s, critical
/// 18 %, in balance at 2 %; then 30 to 3 % (closed form: 14 294 s).
#[test]
fn course_exercise_scaling() {
    let tray = Tray { load: 1.0, rate: 1e-5, critical: 0.18, balance: 0.02 };
    let scale = 7300.0 / tray.time(0.20, 0.05);
    close(scale * tray.time(0.30, 0.03), 14_294.0, 3e-3, "exercise");
}

/// Anantharaman and Begum, Elements of Mass Transfer, part 1 (2005), ch. 6, ex. 6.7: 30 to 10 %
/// on the wet basis in 5 h; load over rate 15.496 h; on to 0.064 in 6.683 h.
#[test]
fn anantharaman_6_7() {
    let tray = Tray { load: 15.496, rate: 1.0 / HOUR, critical: 0.14, balance: 0.04 };
    close(tray.time(0.4286, 0.1111) / HOUR, 5.0, 3e-3, "6.7, known time");
    close(tray.time(0.4286, 0.064) / HOUR, 6.683, 3e-3, "6.7");
}

/// The same book, ex. 6.8: 3.8077 h; at 4 instead of 0.75 m/s (rate as the 0.71th power) 2.648 h
/// are saved.
#[test]
fn anantharaman_6_8() {
    let slow = Tray { load: 1000.0 / 55.0, rate: 3e-4, critical: 0.125, balance: 0.0 };
    let fast = Tray { rate: slow.rate * (4.0f64 / 0.75).powf(0.71), ..slow };
    let (slow, fast) = (slow.time(0.15, 0.025), fast.time(0.15, 0.025));
    close(slow / HOUR, 3.8077, 4e-3, "6.8");
    close((slow - fast) / HOUR, 2.648, 4e-3, "6.8, saved");
}

/// The same book, ex. 6.9: a sheet of 0.90 kg losing 0.1 g/s at first, 3.0 to 0.25: 11.745 h.
#[test]
fn anantharaman_6_9() {
    let tray = Tray { load: 0.90, rate: 1e-4, critical: 1.5, balance: 0.1111 };
    close(tray.time(3.0, 0.25) / HOUR, 11.745, 3e-3, "6.9");
}

/// The same book, ex. 6.10: 0.33 to 0.09 in 7 h, so 0.37 to 0.07 in 9.893 h.
#[test]
fn anantharaman_6_10() {
    let tray = Tray { load: 1.0, rate: 1e-5, critical: 0.16, balance: 0.05 };
    let scale = 7.0 / tray.time(0.33, 0.09);
    close(scale * tray.time(0.37, 0.07), 9.893, 3e-3, "6.10");
}

/// Cussler, Diffusion, ex. 21.3-1 (p. 606): heat at 30 W/(m² K) from 75 to 31 °C evaporates the
/// pore water of 40 mm (porosity 0.36) in 6.97 h.
#[test]
fn cussler_21_3_1_limited_by_heat() {
    let rate = 30.0 * (75.0 - 31.0) / 2.3e6;
    // 14.4 kg/m² of water in 40 kg/m² of solid; it falls off only in the last thousandth.
    let tray = Tray { load: 40.0, rate, critical: 1e-4, balance: 0.0 };
    close(tray.time(0.36, 2e-4) / HOUR, 6.97, 3e-3, "21.3-1");
}

/// Closed form of both stages for a pot of 0.80 kg dry clay and 0.10 m² at 50 g/(m² h): hours
/// from 0.25 to each water content, the last one within a thousandth of the balance.
#[test]
fn a_pot_through_both_stages() {
    let pot = Tray { load: 8.0, rate: 0.050 / HOUR, critical: 0.15, balance: 0.02 };
    for (to, hours) in [
        (0.15, 16.000),
        (0.13, 19.475),
        (0.10, 26.099),
        (0.05, 46.500),
        (0.03, 69.351),
        (0.025, 83.768),
        (0.021, 117.245),
    ] {
        close(pot.time(0.25, to) / HOUR, hours, 4e-3, &format!("to {to}"));
    }
}

/// Water has a mass: what is taken off or brought on is found in the mean again, though the skin of
/// the pot has less to give than is asked of it.
#[test]
fn water_taken_off_is_neither_lost_nor_found() {
    let mut physics = slab(8e-3, 0.15, 0.25, 5e-10, 1e-4);
    physics.base_share = [0.3; LANES];
    let mut pot = PotState::new(&physics);
    for _ in 0..200 {
        pot.step(&physics, &room(0.1), OPEN, &[1.0; LANES], 600.0);
    }
    let mean = pot.mean_water()[0];
    let (wall, base) = (pot.wall_water()[0], pot.base_water()[0]);
    assert!(base > 3.0 * wall, "uneven: wall {wall}, base {base}");
    for shift in [0.01, -0.01, -0.6 * mean, -0.999 * mean, -2.0 * mean] {
        let mut moved = pot.clone();
        moved.wet(&[shift; LANES]);
        let want = (mean + shift).max(0.0);
        assert!((moved.mean_water()[0] - want).abs() < 1e-9, "{shift}: {}", moved.mean_water()[0]);
        assert!(moved.wall_water()[0] >= 0.0 && moved.wettest()[0] <= pot.wettest()[0] + 0.011);
    }
}

/// So little water that its movement does not depend on it, in a wall dried on both faces or a
/// base dried on one; the isotherm reaches ten times as far.
fn little(diffusivity: f64, biot: f64, half_m: f64) -> PotPhysics {
    const WATER: f64 = 1e-5;
    // At no water the model's diffusivity is half of what it is at the water where it is stated.
    let stated = 2.0 * diffusivity;
    let critical = 10.0 * WATER;
    let rate = biot * DRY_DENSITY * diffusivity / half_m * critical;
    let mut physics = slab(half_m, critical, WATER, stated, rate);
    physics.wall_m = [2.0 * half_m; LANES];
    physics
}

/// Residual fraction of wall and base when the Fourier number D t / L² has come to each of these.
fn residuals(biot: f64, fourier: &[f64]) -> Vec<[f64; 2]> {
    let (diffusivity, half) = (1e-9, 4e-3);
    let physics = little(diffusivity, biot, half);
    let unit = half * half / diffusivity;
    let mut pot = PotState::new(&physics);
    let start = physics.water[0];
    let mut done = 0.0;
    let mut found = Vec::new();
    for fo in fourier {
        let steps = ((fo - done) / 2e-4).ceil().max(1.0);
        for _ in 0..steps as usize {
            let dt = unit * (fo - done) / steps;
            pot.step(&physics, &room(0.0), OPEN, &[1.0; LANES], dt);
        }
        done = *fo;
        found.push([pot.wall_water()[0] / start, pot.base_water()[0] / start]);
    }
    found
}

fn rows<T: for<'a> Deserialize<'a>>(file: &str) -> Vec<T> {
    let path = format!("{}/fixtures/{file}", env!("CARGO_MANIFEST_DIR"));
    csv::Reader::from_path(path).unwrap().deserialize().map(|row| row.unwrap()).collect()
}

#[derive(Deserialize)]
struct Slab {
    #[serde(rename = "Fo")]
    fourier: f64,
    #[serde(rename = "E")]
    residual: f64,
}

/// Crank, The Mathematics of Diffusion, 2nd ed. 1975, ch. 4 (`fixtures/generate_crank.py`).
///
/// The model cuts half a wall into three cells and a base into five: of the first moments, when
/// water has not yet moved through the outer cell, it knows little.
#[test]
fn crank_slab_series() {
    let series: Vec<Slab> = rows("crank_slab.csv");
    assert_eq!(series.len(), 22);
    let fourier: Vec<f64> = series.iter().map(|row| row.fourier).collect();
    for (row, [wall, base]) in series.iter().zip(residuals(1e6, &fourier)) {
        let (of_wall, of_base) = if row.fourier < 0.1 { (0.06, 0.04) } else { (0.03, 0.010) };
        let (fo, want) = (row.fourier, row.residual);
        assert!((wall - want).abs() < of_wall, "wall at Fo {fo}: {wall}, series {want}");
        assert!((base - want).abs() < of_base, "base at Fo {fo}: {base}, series {want}");
    }
}

#[derive(Deserialize)]
struct Convective {
    #[serde(rename = "Bi")]
    biot: f64,
    root_1: f64,
    #[serde(rename = "E_0.1")]
    at_01: f64,
    #[serde(rename = "E_0.5")]
    at_05: f64,
    #[serde(rename = "E_1")]
    at_1: f64,
    #[serde(rename = "E_2")]
    at_2: f64,
}

/// A face that takes water up at a finite rate, Bi = h L / D (Crank, table 4.1; Incropera and
/// DeWitt, appendix B.3): residual fractions, and the first root of β tan β = Bi as the rate
/// β² of the long tail. Pots in a room have Bi from about 0.1 to 5.
#[test]
fn crank_convective_face() {
    let table: Vec<Convective> = rows("crank_convective.csv");
    assert_eq!(table.len(), 6);
    for row in table {
        let found = residuals(row.biot, &[0.1, 0.5, 1.0, 2.0]);
        let want = [row.at_01, row.at_05, row.at_1, row.at_2];
        for part in 0..2 {
            let what = format!("Bi {}, {}", row.biot, ["wall", "base"][part]);
            let tolerance = if row.biot < 5.0 { [0.015, 0.006] } else { [0.03, 0.010] }[part];
            for (got, want) in found.iter().zip(want) {
                let got = got[part];
                assert!((got - want).abs() < tolerance, "{what}: {got}, series {want}");
            }
            let root = (found[2][part] / found[3][part]).ln().sqrt();
            close(root, row.root_1, 0.015, &format!("{what}: root"));
        }
    }
}

/// Fourier number at which [wall, base] have come down to a residual fraction.
fn fourier_at(residual: f64) -> [f64; 2] {
    let fourier: Vec<f64> = (1..=2000).map(|i| f64::from(i) / 1000.0).collect();
    let found = residuals(1e6, &fourier);
    [0, 1].map(|part| {
        let i = found.iter().position(|r| r[part] <= residual).unwrap();
        let (before, after) = (found[i - 1][part], found[i][part]);
        fourier[i] - 1e-3 * (residual - after) / (before - after)
    })
}

/// Geankoplis, ex. 9.9-1 (p. 553): a plank of 25.4 mm, D = 2.97e-6 m²/h, 0.29 to 0.09 in balance
/// with 0.04: 30.8 h by the first term of the series, 30.4 h from a chart.
///
/// A slab dried on both faces is twice one of half its thickness dried on one: the base's five
/// cells give it more closely than the wall's three.
#[test]
fn geankoplis_9_9_1_diffusion() {
    let [wall, base] = fourier_at((0.09 - 0.04) / (0.29 - 0.04));
    let hours = |fourier: f64| fourier * 0.0127f64.powi(2) / 2.97e-6;
    close(hours(base), 30.8, 0.02, "9.9-1 as base");
    close(hours(wall), 30.8, 0.05, "9.9-1 as wall");
}

/// Geankoplis, ex. 9.9-2 (p. 555): a slab of 3 mm down to a fifth in 1.02 h: D = 3.44e-10 m²/s.
#[test]
fn geankoplis_9_9_2_diffusivity() {
    let [wall, base] = fourier_at(0.2);
    let diffusivity = |fourier: f64| fourier * 1.5e-3f64.powi(2) / (1.02 * HOUR);
    close(diffusivity(base), 3.44e-10, 0.03, "9.9-2 as base");
    close(diffusivity(wall), 3.44e-10, 0.06, "9.9-2 as wall");
}

/// Coulson and Richardson, ex. 16.2 (p. 909): strips of 10 mm from 28 to 13 % in 25 ks, in balance
/// at 7 %, scaled to planks of 60 mm from 22 to 10 %. The book reads 1090 ks off a rough table; its
/// method with the exact series (J = 0.4226 and 0.5672) gives 1208 ks.
#[test]
fn coulson_richardson_16_2_thickness_squared() {
    let strips = fourier_at(6.0 / 21.0);
    let planks = fourier_at(3.0 / 15.0);
    for part in 0..2 {
        let ks = 25.0 * 36.0 * planks[part] / strips[part];
        close(ks, 1208.0, 0.015, "16.2");
    }
}

/// Hours until a twentieth is left in a wall dried on both faces: half thickness mm, D m²/s
/// (Crank's series; a wall of three cells is some 4 % late).
#[test]
fn walls_down_to_a_twentieth() {
    let [wall, base] = fourier_at(0.05);
    for (half_mm, diffusivity, hours) in
        [(4.0, 1e-10, 50.2), (4.0, 1e-9, 5.02), (4.0, 3e-9, 1.67), (5.0, 1e-9, 7.84)]
    {
        let unit = (1e-3f64 * half_mm).powi(2) / diffusivity / HOUR;
        close(wall * unit, hours, 0.05, "wall");
        close(base * unit, hours, 0.02, "base");
    }
}

/// On its rim a base dries on both faces: as fast as one of half the thickness on its bat, so in
/// a quarter of the time (Crank), but for the coarser look at each half.
#[test]
fn a_base_on_its_rim_dries_four_times_as_fast() {
    let (diffusivity, thickness) = (1e-9, 8e-3);
    let physics = little(diffusivity, 1e6, thickness);
    let unit = thickness * thickness / diffusivity;
    let mut pot = PotState::new(&physics);
    let on_rim = StepKeeping { cover: 0, flipped: [true; LANES] };
    let (step, mut fourier) = (2e-4, 0.0);
    while pot.base_water()[0] > 0.05 * physics.water[0] {
        pot.step(&physics, &room(0.0), on_rim, &[1.0; LANES], unit * step);
        fourier += step;
    }
    // Inverse of the series: E = 0.05 at D t / L² = 1.12901 with L half the thickness.
    close(fourier, 1.12901 / 4.0, 0.06, "on its rim");
}

/// A wet pot in a still room: °C, %RH, h_c W/(m² K), evaporation g/(m² h). Energy balance of a wet
/// wall with radiation and free convection after Churchill and Chu (Int. J. Heat Mass Transfer 18,
/// 1323–1329, 1975), solved outside the program; sanity bands of 30 %, hit within 12 %.
#[test]
fn a_wet_pot_in_a_still_room() {
    for (temperature, humidity, convection, rate) in [
        (15.0, 0.50, 3.1, 41.0),
        (20.0, 0.30, 3.6, 79.0),
        (20.0, 0.50, 3.3, 51.0),
        (20.0, 0.70, 2.8, 27.0),
        (25.0, 0.50, 3.4, 63.0),
        (30.0, 0.50, 3.5, 75.0),
    ] {
        // Evaporation per pascal that goes with the convection: h_c / (λ γ Le^(2/3)).
        let lewis =
            air::psychrometric_constant_with(temperature, air::STANDARD_PRESSURE, convection, 0.0);
        let conductance = convection / (air::latent_heat(temperature) * lewis);
        let mut physics = slab(8e-3, 0.05, 0.25, 1e-6, conductance);
        physics.isotherm = Sorption::BRICK_3DF_DESORPTION;
        physics.monolayer = [physics.isotherm.monolayer; LANES];
        let still = step_air(&Climate { temperature, humidity });
        let mut pot = PotState::new(&physics);
        for _ in 0..60 {
            pot.step(&physics, &still, OPEN, &[1.0; LANES], 60.0);
        }
        let got = (0.25 - pot.mean_water()[0]) * DRY_DENSITY * 8e-3 * 1e3;
        close(got, rate, 0.12, &format!("{temperature} °C, {humidity}"));
    }
}

/// Crank, The Mathematics of Diffusion, 2nd ed. 1975, section 4.3: constant flux F at both faces of
/// a slab of half-thickness L. Face and middle differ by F L/(ρ D) · (½ − 4/π² Σ exp(−n²π²Fo)/n²),
/// n odd: F L/(2 ρ D) once that has settled. Finite volumes give the settled one exactly, however
/// few they are: N − 1 steps between cells and half a one to the face add up to a half.
#[test]
fn a_steady_flux_makes_the_difference_of_crank() {
    let (half, diffusivity, water) = (4e-3, 1e-9, 0.30);
    // Far above the corner of the isotherm, so that the flux stays what it is; so small that the
    // diffusivity does.
    let rate = 0.004 * 2.0 * DRY_DENSITY * diffusivity / half;
    let mut physics = slab(half, 1e-3, water, diffusivity / 2.0, rate);
    physics.wall_m = [2.0 * half; LANES];
    let mut pot = PotState::new(&physics);
    let unit = half * half / diffusivity;
    let step = 1e-3;
    let (mut fourier, mut before) = (0.0, water);
    for wanted in [0.2, 0.5, 1.0, 2.0] {
        while fourier < wanted - 1e-9 {
            before = pot.base_water()[0];
            pot.step(&physics, &room(0.0), OPEN, &[1.0; LANES], unit * step);
            fourier += step;
        }
        // The flux as it is: what the slab lost in the last step.
        let flux = DRY_DENSITY * half * (before - pot.base_water()[0]) / (unit * step);
        let mean = pot.base_water()[0];
        let moves = 0.5 * diffusivity * diffusivity_rise(mean);
        let odd = (0..40).map(|k| f64::from(2 * k + 1).powi(2));
        let decay = odd.map(|n2| (-n2 * PI * PI * fourier * moves / diffusivity).exp() / n2);
        let whole =
            flux * half / (DRY_DENSITY * moves) * (0.5 - 4.0 / (PI * PI) * decay.sum::<f64>());
        let [wall, base, between] = pot.differences(0.0).map(|lane| lane[0]);
        close(base, whole, 0.015, &format!("base at Fo {fourier}"));
        close(wall, whole, 0.015, &format!("wall at Fo {fourier}"));
        assert!(between < 0.02 * whole, "slabs alike: {between}");
        assert_eq!(pot.differences(0.31), [[0.0; LANES]; 3], "where nothing shrinks");
        // Only what is wetter than the end of shrinkage counts.
        let above = |shrunk: f64| pot.differences(shrunk)[1][0];
        let (low, high) = (mean - 0.1 * whole, mean + 0.1 * whole);
        assert!((above(low) - above(high) - 0.2 * whole).abs() < 1e-12);
    }
}

#[derive(Deserialize)]
struct Centre {
    #[serde(rename = "Fo")]
    fourier: f64,
    centre: f64,
}

/// The middle of a slab whose faces give off all that comes, by Crank's series
/// (`fixtures/generate_kiln.py`): the faces are dry, so the middle's water is the difference. The
/// middle of the last cell lies a sixth (wall) and a tenth (base) of L off the slab's: by the first
/// term of the series it holds cos(π/12) and cos(π/20) of the middle's. Later on the wall's few
/// cells are late (see above).
#[test]
fn dry_faces_make_the_difference_of_cranks_series() {
    let (half, diffusivity) = (4e-3, 1e-9);
    let physics = little(diffusivity, 1e6, half);
    let mut pot = PotState::new(&physics);
    let (step, mut fourier) = (2e-4, 0.0);
    let rows: Vec<Centre> = rows("crank_centre.csv");
    for row in rows.iter().filter(|row| (0.2..=0.6).contains(&row.fourier)) {
        while fourier < row.fourier - 1e-9 {
            pot.step(&physics, &room(0.0), OPEN, &[1.0; LANES], half * half / diffusivity * step);
            fourier += step;
        }
        let [wall, base, _] = pot.differences(0.0).map(|lane| lane[0] / physics.water[0]);
        let what = |part| format!("{part} at Fo {}", row.fourier);
        close(wall, row.centre * (PI / 12.0).cos(), 0.06, &what("wall"));
        close(base, row.centre * (PI / 20.0).cos(), 0.03, &what("base"));
    }
}

/// While all faces are wet each part loses water by the constant-rate law t = L_s (X₁ − X)/(A R)
/// (Geankoplis, as above). So when a wall has lost w, its base is wetter by w·(1 − k_b/k_w), where
/// k is a part's exposure over its thickness: whatever the rate is, and so under whatever cover.
/// What a cover takes away is the difference through the clay, F·L/(2·ρ·D), by as much as it slows
/// down: told so in steps as long as a forecast's too.
#[test]
fn a_cover_takes_nothing_from_what_base_and_wall_differ() {
    let (wall, base, inside, lost) = (6e-3, 8e-3, 0.45, 0.08);
    let mut physics = slab(base, 1e-3, 0.30, 1e-9, 50e-3 / HOUR);
    (physics.wall_m, physics.base_share) = ([wall; LANES], [0.25; LANES]);
    physics.base_inside = [inside; LANES];
    let covers = [f64::INFINITY, 0.3, 0.1, 0.03];
    physics.cover = covers.map(|c| [c; LANES]);
    for (cover, c) in covers.into_iter().enumerate() {
        let slower = if cover == 0 { 1.0 } else { c / (1.0 + c) };
        let mut pot = PotState::new(&physics);
        let keeping = StepKeeping { cover, ..OPEN };
        while pot.wall_water()[0] > 0.30 - lost {
            pot.step(&physics, &room(0.0), keeping, &[1.0; LANES], HOUR / 3.0);
        }
        let lost = 0.30 - pot.wall_water()[0];
        let wanted = lost * (1.0 - (inside / base) / (2.0 / wall));
        let [through_wall, through_base, between] = pot.differences(0.0).map(|lane| lane[0]);
        close(between, wanted, 0.002, &format!("base and wall under cover {c}"));
        let flux = slower * 50e-3 / HOUR;
        let across = |flux: f64, thickness: f64, water: f64| {
            flux * thickness / (2.0 * DRY_DENSITY * 1e-9 * diffusivity_rise(water))
        };
        let of_wall = across(flux, 0.5 * wall, pot.wall_water()[0]);
        let of_base = across(inside * flux, base, pot.base_water()[0]);
        close(through_wall, of_wall, 0.05, &format!("through the wall under cover {c}"));
        close(through_base, of_base, 0.05, &format!("through the base under cover {c}"));
    }
}
