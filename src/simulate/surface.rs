//! A wet surface in still room air: how fast it loses water, and how cold that makes it.
//!
//! Written for the made-up shelf alone. It shares nothing with the estimator's air (no wet-bulb
//! formula, no conductance law): the surface's temperature is *solved for* from its heat balance
//!
//! ```text
//! (h_c + h_r)·(T_air − T_s) = λ(T_s) · J        J = (a_w·p_sat(T_s) − p_v) / (1/k + 1/k_cover)
//! ```
//!
//! with free convection on a short vertical wall (Churchill & Chu, Int. J. Heat Mass Transfer 18
//! (1975) 1323), buoyancy from the virtual temperature, radiation linearised about the mean
//! temperature, and the mass coefficient from the heat coefficient by the Lewis relation
//! (Bird, Stewart & Lightfoot, Transport Phenomena, ch. 22). A cover is one more resistance in
//! the way of the vapour; heat passes it freely.

use super::root;

/// Specific gas constant of water vapour, J/(kg K): 8.314462618 / 0.018015268 (CODATA 2018, IAPWS).
const R_VAPOUR: f64 = 461.523;
/// 0 °C, K (exact).
const ZERO_CELSIUS: f64 = 273.15;
/// Standard pressure, Pa (exact; ASHRAE Fundamentals 2017 ch. 1 table 1, sea level).
const PRESSURE: f64 = 101_325.0;
/// Density of air at 20 °C and standard pressure, kg/m³ (ideal gas, M = 28.966 g/mol; ±4 % from
/// 10 to 30 °C).
const AIR_DENSITY: f64 = 1.204;
/// Specific heat of air, J/(kg K), 0–40 °C (ASHRAE Fundamentals 2017 ch. 1).
const AIR_HEAT: f64 = 1006.0;
/// Kinematic viscosity of air at 20 °C, m²/s (Incropera & DeWitt, table A.4, from memory, as the
/// two below; ±6 % from 10 to 30 °C).
const AIR_VISCOSITY: f64 = 1.51e-5;
/// Thermal diffusivity of air at 20 °C, m²/s.
const AIR_DIFFUSIVITY: f64 = 2.12e-5;
/// Thermal conductivity of air at 20 °C, W/(m K).
const AIR_CONDUCTIVITY: f64 = 0.0257;
/// Lewis number of water vapour in air near 20 °C; 0.85–0.89 by the diffusivity that is used.
const LEWIS: f64 = 0.87;
/// Stefan–Boltzmann constant, W/(m² K⁴) (CODATA 2018).
const STEFAN_BOLTZMANN: f64 = 5.670_374e-8;
/// Emissivity of wet clay against a room; 0.90–0.96 for wet earth and water.
const EMISSIVITY: f64 = 0.92;
/// Gravity, m/s², anywhere on land to 0.3 %.
const GRAVITY: f64 = 9.81;

/// Vapour conductance of an open surface that a cover's factor is measured against,
/// kg/(m² s Pa): 73 g/(m² h kPa), what the Lewis relation makes of h_c = 3 W/(m² K).
pub const OPEN_CONDUCTANCE: f64 = 0.073 / 3600.0 / 1000.0;

/// Saturation vapour pressure over water, Pa, −20…50 °C (Buck, Research Manual CR-1A, 1996).
///
/// 2338.3 Pa at 20 °C; within 0.04 % of the tables of IAPWS-IF97.
pub fn saturation_pressure(celsius: f64) -> f64 {
    611.21 * ((18.678 - celsius / 234.5) * celsius / (257.14 + celsius)).exp()
}

/// Latent heat of evaporation, J/kg, 0–50 °C (straight line through IAPWS-IF97: 2500.9 kJ/kg at
/// 0 °C, 2382.0 at 50 °C).
fn latent_heat(celsius: f64) -> f64 {
    (2500.9 - 2.378 * celsius) * 1000.0
}

/// The air round a face.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RoomAir {
    /// °C.
    pub celsius: f64,
    /// Vapour pressure, Pa.
    pub vapour: f64,
    /// How lively the air is: 1 in a still room; a draught raises it.
    pub draught: f64,
}

impl RoomAir {
    /// Still air of a temperature (°C) and a relative humidity (fraction).
    pub fn still(celsius: f64, humidity: f64) -> RoomAir {
        RoomAir { celsius, vapour: humidity * saturation_pressure(celsius), draught: 1.0 }
    }

    /// Relative humidity, fraction.
    pub fn humidity(&self) -> f64 {
        self.vapour / saturation_pressure(self.celsius)
    }
}

/// How one face of the clay meets the air.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Face {
    /// 1 for a face that looks into the room, less for the inside of a pot (its air is its own,
    /// and it sees mostly itself), 0 for one that stands on a board.
    pub openness: f64,
    /// The cover's vapour conductance as a share of [`OPEN_CONDUCTANCE`]; infinite without one.
    pub cover: f64,
    /// Height, m: free convection goes with its fourth root.
    pub height: f64,
}

/// What passes a face.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Loss {
    /// Water leaving, kg/(m² s); negative where the clay takes water up.
    pub rate: f64,
    /// The surface's temperature, °C.
    pub celsius: f64,
}

/// Loss of a face against the water activity of its surface, in one air.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Curve {
    /// Activity at which nothing passes.
    balance: f64,
    /// Loss at half of that activity (the clay takes up water), kg/(m² s).
    drier: f64,
    /// Loss at activity 1, kg/(m² s).
    wet: f64,
    /// Power of the distance from balance.
    power: f64,
}

impl Curve {
    /// Loss at that activity, kg/(m² s).
    pub fn rate(&self, activity: f64) -> f64 {
        let off = activity - self.balance;
        if off > 0.0 {
            self.wet * (off / (1.0 - self.balance)).powf(self.power)
        } else {
            self.drier * (off / (-0.5 * self.balance)).powf(self.power)
        }
    }
}

impl Face {
    /// Loss of a surface of the given water activity (1: wet).
    pub fn loss(&self, air: &RoomAir, activity: f64) -> Loss {
        if self.openness <= 0.0 {
            return Loss { rate: 0.0, celsius: air.celsius };
        }
        // What leaves less what comes in rises with the surface's temperature. The ends: far below
        // any wet bulb, and above the air (a surface that takes up water warms).
        let surplus = |t: f64| -self.balance(air, activity, t).0;
        let celsius = root::rising(surplus, air.celsius - 25.0, air.celsius + 15.0);
        Loss { rate: self.balance(air, activity, celsius).1, celsius }
    }

    /// The loss as a function of the surface's water activity, in this air: a power of the distance
    /// from balance (free convection slackens with what drives it) on either side. Three heat
    /// balances instead of one at every look; within 3 % of a wet surface's loss where it dries,
    /// within 10 % where it takes water up.
    pub fn curve(&self, air: &RoomAir) -> Curve {
        let balance = air.humidity().clamp(1e-3, 0.999);
        let rate = |activity| self.loss(air, activity).rate;
        let (drier, half, wet) = (rate(0.5 * balance), rate(0.5 * (1.0 + balance)), rate(1.0));
        let power = if half > 0.0 { (wet / half).log2() } else { 1.0 };
        Curve { balance, drier, wet, power }
    }

    /// Heat that comes in less heat that leaves with the vapour, W/m², and the vapour's rate,
    /// kg/(m² s), for a surface of that temperature.
    fn balance(&self, air: &RoomAir, activity: f64, surface: f64) -> (f64, f64) {
        let pressure = activity * saturation_pressure(surface);
        let convection = self.openness * self.convection(air, surface, pressure);
        let mean = 0.5 * (air.celsius + surface) + ZERO_CELSIUS;
        let radiation = self.openness * 4.0 * EMISSIVITY * STEFAN_BOLTZMANN * mean.powi(3);
        let film =
            convection / (AIR_DENSITY * AIR_HEAT * LEWIS.powf(2.0 / 3.0)) / (R_VAPOUR * mean);
        let conductance = 1.0 / (1.0 / film + 1.0 / (self.cover * OPEN_CONDUCTANCE));
        let rate = conductance * (pressure - air.vapour);
        let heat = (convection + radiation) * (air.celsius - surface);
        (heat - latent_heat(surface) * rate, rate)
    }

    /// Heat coefficient of free convection, W/(m² K): Churchill & Chu 1975, laminar, with the
    /// virtual temperature (damp air is lighter) driving the air.
    fn convection(&self, air: &RoomAir, surface: f64, pressure: f64) -> f64 {
        let virtual_temperature =
            |celsius: f64, p: f64| (celsius + ZERO_CELSIUS) / (1.0 - 0.378 * p / PRESSURE);
        let room = virtual_temperature(air.celsius, air.vapour);
        let drive = (room - virtual_temperature(surface, pressure)).abs() / room;
        let rayleigh = GRAVITY * drive * self.height.powi(3) / (AIR_VISCOSITY * AIR_DIFFUSIVITY);
        let prandtl = AIR_VISCOSITY / AIR_DIFFUSIVITY;
        let denominator = (1.0 + (0.492 / prandtl).powf(9.0 / 16.0)).powf(4.0 / 9.0);
        let nusselt = 0.68 + 0.670 * rayleigh.powf(0.25) / denominator;
        air.draught * nusselt * AIR_CONDUCTIVITY / self.height
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WALL: Face = Face { openness: 1.0, cover: f64::INFINITY, height: 0.12 };

    #[test]
    fn saturation_pressure_as_in_the_tables() {
        // Source: ASHRAE Handbook—Fundamentals 2017, ch. 1, table 3 (Pa).
        for (t, table) in [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)] {
            assert!((saturation_pressure(t) / table - 1.0).abs() < 0.0005, "{t} °C");
        }
    }

    #[test]
    fn latent_heat_as_in_the_tables() {
        // Source: IAPWS-IF97 (computed with iapws 1.5.5), J/kg.
        for (t, table) in [(0.0, 2500.91e3), (20.0, 2453.55e3), (40.0, 2406.00e3)] {
            assert!((latent_heat(t) / table - 1.0).abs() < 0.0005, "{t} °C");
        }
    }

    #[test]
    fn wet_wall_in_a_still_room() {
        // Source: the same balance for a wet wall 0.12 m high (Churchill & Chu 1975; Lewis
        // 0.85^(−2/3); h_r = 5.2 W/m²K), solved independently in Python. It is known to ±30 % as
        // physics; 8 % is what the other constants may differ by: °C, RH, surface °C, g/m²h.
        for (t, rh, surface, rate) in [
            (15.0, 0.5, 11.7, 41.0),
            (20.0, 0.3, 13.9, 79.0),
            (20.0, 0.5, 15.9, 51.0),
            (20.0, 0.7, 17.7, 27.0),
            (25.0, 0.5, 20.0, 63.0),
            (30.0, 0.5, 24.2, 75.0),
        ] {
            let loss = WALL.loss(&RoomAir::still(t, rh), 1.0);
            assert!((loss.celsius - surface).abs() < 0.25, "{t} {rh}: {}", loss.celsius);
            let grams = loss.rate * 3.6e6;
            assert!((grams / rate - 1.0).abs() < 0.08, "{t} {rh}: {grams}");
        }
    }

    #[test]
    fn film_of_plastic_alone_would_nearly_stop_it() {
        // Source: polyethylene sheet of 2 mil, 0.16 perm = 0.79 g/(m² day kPa) (ASHRAE
        // Fundamentals, from memory): a pot in unbroken film at 20 °C, 50 % loses
        // 0.79 · 1.17 = 0.92 g/m² day.
        let film = 0.79e-3 / 86_400.0 / 1000.0;
        let face = Face { cover: film / OPEN_CONDUCTANCE, ..WALL };
        let loss = face.loss(&RoomAir::still(20.0, 0.5), 1.0);
        assert!((loss.rate * 8.64e7 / 0.92 - 1.0).abs() < 0.03, "{}", loss.rate * 8.64e7);
        assert!((loss.celsius - 20.0).abs() < 0.05, "a wrapped pot stands at room temperature");
    }

    #[test]
    fn balance_with_the_air_means_no_loss() {
        let air = RoomAir::still(19.0, 0.62);
        let loss = WALL.loss(&air, air.humidity());
        assert!(loss.rate.abs() < 1e-10 && (loss.celsius - 19.0).abs() < 1e-3);
        assert!(WALL.loss(&air, 0.3).rate < 0.0, "dry clay takes up water");
        for cover in [f64::INFINITY, 0.3, 0.05] {
            let (face, air) = (Face { cover, ..WALL }, RoomAir::still(22.0, 0.45));
            let (curve, wet) = (face.curve(&air), face.loss(&air, 1.0).rate);
            for activity in [0.25, 0.35, 0.45, 0.5, 0.6, 0.8, 1.0] {
                let off = curve.rate(activity) - face.loss(&air, activity).rate;
                let bound = if activity < 0.45 { 0.10 } else { 0.03 };
                assert!(off.abs() < bound * wet, "{activity}: {}", off / wet);
            }
        }
        let board = Face { openness: 0.0, ..WALL };
        assert_eq!(board.loss(&air, 1.0).rate, 0.0);
    }
}
