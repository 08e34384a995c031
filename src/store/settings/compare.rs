//! Settings of `compare`: how sure, how many, how much.

use super::{Complaint, number};
use serde::Deserialize;
use std::ops::RangeInclusive;
use toml::Spanned;

/// What may be set for comparisons.
const LEVEL: RangeInclusive<f64> = 0.80..=0.99;
const POWER: RangeInclusive<f64> = 0.50..=0.99;
/// Differences that may be looked for.
pub const DIFFERENCE: RangeInclusive<f64> = 0.02..=10.0;
const SPREAD: RangeInclusive<f64> = 0.02..=2.0;
const SHARED: RangeInclusive<f64> = 0.0..=0.95;

/// What comparisons go by.
#[derive(Clone, PartialEq, Debug)]
pub struct CompareSettings {
    /// How often intervals of a difference hold it.
    pub level: f64,
    /// How likely a difference is to be found that is there.
    pub power: f64,
    /// The least difference in a time that is worth finding, as a share.
    pub difference: f64,
    /// How much times of pots that are treated alike differ, standard deviation of the logarithm.
    pub spread: f64,
    /// Share of that variance that the pots of a pair have in common.
    pub shared: f64,
}

impl Default for CompareSettings {
    fn default() -> CompareSettings {
        CompareSettings { level: 0.95, power: 0.80, difference: 0.20, spread: 0.25, shared: 0.50 }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawCompare {
    level: Option<Spanned<f64>>,
    power: Option<Spanned<f64>>,
    difference: Option<Spanned<f64>>,
    spread: Option<Spanned<f64>>,
    shared: Option<Spanned<f64>>,
}

impl RawCompare {
    pub(super) fn check(self) -> Result<CompareSettings, Complaint> {
        let otherwise = CompareSettings::default();
        Ok(CompareSettings {
            level: number(self.level, LEVEL, otherwise.level)?,
            power: number(self.power, POWER, otherwise.power)?,
            difference: number(self.difference, DIFFERENCE, otherwise.difference)?,
            spread: number(self.spread, SPREAD, otherwise.spread)?,
            shared: number(self.shared, SHARED, otherwise.shared)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::Settings;
    use super::*;
    use std::path::Path;

    #[test]
    fn what_is_out_of_range_is_said_with_its_place() {
        let parse = |text: &str| Settings::parse(text.as_bytes(), Path::new("studio.toml"));
        let good = parse("[compare]\nlevel = 0.9\nspread = 0.3\n").unwrap().compare;
        assert_eq!(good, CompareSettings { level: 0.9, spread: 0.3, ..CompareSettings::default() });
        for (text, complaint) in [
            ("level = 95", "studio.toml:2:9: expected 0.8 to 0.99"),
            ("power = 0.1", "studio.toml:2:9: expected 0.5 to 0.99"),
            ("difference = 0", "studio.toml:2:14: expected 0.02 to 10"),
            ("spread = -1.0", "studio.toml:2:10: expected 0.02 to 2"),
            ("shared = 1.0", "studio.toml:2:10: expected 0 to 0.95"),
        ] {
            let error = parse(&format!("[compare]\n{text}\n")).unwrap_err().to_string();
            assert!(error.contains(complaint), "{error}");
        }
    }
}
