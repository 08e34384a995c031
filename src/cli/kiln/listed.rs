//! A kiln load for programs. Times are RFC 3339, UTC; units are metric.

use super::page::{Page, SLOW_TO};
use crate::cli::screen::FIRING;
use crate::core::candling::hold;
use crate::core::kiln::Told;
use crate::core::report::{Quantiles, TimeQuantiles, Warning};
use crate::records::Name;
use crate::store::settings::KilnSettings;
use crate::units::{HOUR, Time};
use serde::Serialize;

/// A load.
#[derive(Serialize)]
pub struct Listed {
    load: Name,
    at: String,
    packed_at: String,
    wanted: f64,
    /// That all pots of which it can be told are dry; no more than that where there are others.
    chance: Option<f64>,
    at_most: bool,
    sure_at: Option<String>,
    wettest: Option<Name>,
    leave_out: Vec<Name>,
    chance_of_others: Option<f64>,
    water_g: Quantiles,
    /// Pots that may still shrink then.
    shrinking: Vec<Name>,
    first_stage: Option<Stage>,
    first_stage_of_others: Option<Stage>,
    pots: Vec<Pot>,
    not_counted: Vec<Left>,
    caution: String,
}

#[derive(Serialize)]
struct Stage {
    /// The pot that needs longest.
    pot: Name,
    altitude_m: Option<f64>,
    boils_c: f64,
    hold_c: f64,
    hold_h: f64,
    diffusion_h: Quantiles,
    practice_h: f64,
    rise_c_per_hour: f64,
    slow_to_c: f64,
}

#[derive(Serialize)]
struct Pot {
    pot: Name,
    chance: f64,
    dry: TimeQuantiles,
    sure_at: Option<String>,
    water_g: Quantiles,
    wettest_dry: Quantiles,
    thickness_mm: f64,
    thickness_given: bool,
    diffusion_h: Quantiles,
    practice_h: f64,
    shrunk_at: Option<String>,
    /// Its chance if it is turned over now, where that helps.
    turned: Option<f64>,
    doubts: Vec<Warning>,
    warnings: Vec<Warning>,
}

#[derive(Serialize)]
struct Left {
    pot: Name,
    why: &'static str,
}

fn text(time: Option<Time>) -> Option<String> {
    time.map(|time| time.to_string())
}

fn hours(s: Quantiles) -> Quantiles {
    Quantiles { p10: s.p10 / HOUR, p50: s.p50 / HOUR, p90: s.p90 / HOUR }
}

impl Listed {
    /// Of what a page tells.
    pub fn new(page: &Page, settings: &KilnSettings) -> Listed {
        let Page { name, packed, question, load, left } = *page;
        let stage = |slowest: &Told| Stage {
            pot: slowest.pot.clone(),
            altitude_m: settings.altitude_m,
            boils_c: hold(settings.altitude_m.unwrap_or(0.0), 0.0),
            hold_c: question.candling.hold,
            hold_h: slowest.hold_s() / HOUR,
            diffusion_h: hours(slowest.diffusion_s),
            practice_h: slowest.practice_s / HOUR,
            rise_c_per_hour: settings.rise_c_per_hour,
            slow_to_c: SLOW_TO,
        };
        Listed {
            load: name.into(),
            at: question.at.to_string(),
            packed_at: packed.to_string(),
            wanted: question.wanted,
            chance: load.chance,
            at_most: load.doubtful().next().is_some(),
            sure_at: text(load.sure),
            wettest: load.wettest().map(|pot| pot.pot.clone()),
            leave_out: load.leave_out.clone(),
            chance_of_others: load.chance_of_others,
            water_g: load.water_g,
            shrinking: {
                let shrinking = load.pots.iter().filter(|pot| pot.shrinks);
                shrinking.map(|pot| pot.pot.clone()).collect()
            },
            first_stage: load.slowest().map(stage),
            first_stage_of_others: load.slowest_of_others().map(stage),
            pots: load.pots.iter().map(Pot::new).collect(),
            not_counted: left.iter().map(|(pot, why)| Left { pot: pot.clone(), why }).collect(),
            caution: FIRING.join(" "),
        }
    }
}

impl Pot {
    fn new(pot: &Told) -> Pot {
        Pot {
            pot: pot.pot.clone(),
            chance: pot.chance,
            dry: pot.dry,
            sure_at: text(pot.sure),
            water_g: pot.water_g,
            wettest_dry: pot.wettest,
            thickness_mm: 1000.0 * pot.thickness.0,
            thickness_given: pot.thickness.1,
            diffusion_h: hours(pot.diffusion_s),
            practice_h: pot.practice_s / HOUR,
            shrunk_at: text(pot.shrunk),
            turned: pot.turned,
            doubts: pot.doubts.clone(),
            warnings: pot.warnings.clone(),
        }
    }
}
