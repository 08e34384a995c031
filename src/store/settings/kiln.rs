//! What kiln loads go by: `[kiln]` in `studio.toml`. The reason for each value stands beside it in
//! [`super::DEFAULT`].

use super::{Complaint, number};
use serde::Deserialize;
use std::ops::RangeInclusive;
use toml::Spanned;

/// Altitudes at which people live, m: the Dead Sea's shore to the highest of mining towns.
const ALTITUDE_M: RangeInclusive<f64> = -430.0..=5500.0;
const WANTED: RangeInclusive<f64> = 0.50..=0.99;
const BELOW_BOILING_C: RangeInclusive<f64> = 5.0..=40.0;
const RISE_C_PER_HOUR: RangeInclusive<f64> = 5.0..=60.0;
const HOURS_PER_CM: RangeInclusive<f64> = 0.5..=24.0;
const LEAST_HOURS: RangeInclusive<f64> = 1.0..=48.0;
const REST_PERCENT: RangeInclusive<f64> = 0.1..=2.0;

/// What kiln loads go by.
#[derive(Clone, PartialEq, Debug)]
pub struct KilnSettings {
    /// Of the studio, m; `None`: not known.
    pub altitude_m: Option<f64>,
    /// How likely a whole load is to be dry.
    pub wanted: f64,
    /// How far below local boiling the first stage is held, °C.
    pub below_boiling_c: f64,
    /// The most that it is heated in an hour up to 120 °C, °C.
    pub rise_c_per_hour: f64,
    /// Common practice: how long it is held for each centimetre of the thickest part, h.
    pub hours_per_cm: f64,
    /// And at least, h.
    pub least_hours: f64,
    /// Water that the middle of the thickest part may hold at its end, % of the dry clay.
    pub rest_percent: f64,
}

impl Default for KilnSettings {
    fn default() -> KilnSettings {
        KilnSettings {
            altitude_m: None,
            wanted: 0.80,
            below_boiling_c: 10.0,
            rise_c_per_hour: 30.0,
            hours_per_cm: 4.0,
            least_hours: 2.0,
            rest_percent: 0.5,
        }
    }
}

/// As it stands in the file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Raw {
    altitude_m: Option<Spanned<f64>>,
    wanted: Option<Spanned<f64>>,
    below_boiling_c: Option<Spanned<f64>>,
    rise_c_per_hour: Option<Spanned<f64>>,
    hours_per_cm: Option<Spanned<f64>>,
    least_hours: Option<Spanned<f64>>,
    rest_percent: Option<Spanned<f64>>,
}

impl Raw {
    pub(super) fn check(self) -> Result<KilnSettings, Complaint> {
        let otherwise = KilnSettings::default();
        let altitude = self.altitude_m.map(|given| number(Some(given), ALTITUDE_M, 0.0));
        Ok(KilnSettings {
            altitude_m: altitude.transpose()?,
            wanted: number(self.wanted, WANTED, otherwise.wanted)?,
            below_boiling_c: number(
                self.below_boiling_c,
                BELOW_BOILING_C,
                otherwise.below_boiling_c,
            )?,
            rise_c_per_hour: number(
                self.rise_c_per_hour,
                RISE_C_PER_HOUR,
                otherwise.rise_c_per_hour,
            )?,
            hours_per_cm: number(self.hours_per_cm, HOURS_PER_CM, otherwise.hours_per_cm)?,
            least_hours: number(self.least_hours, LEAST_HOURS, otherwise.least_hours)?,
            rest_percent: number(self.rest_percent, REST_PERCENT, otherwise.rest_percent)?,
        })
    }
}
