//! The report's values: what is said about each pot, with its intervals.
//!
//! Serialises to the report JSON: keys are stable, new ones may be added. Water is kg water per
//! kg dry clay (dry basis). Between `p10` and `p90` the truth must lie in 80 of 100 cases.

use super::correction::Corrections;
use super::uneven::Uneven;
use crate::records::{Cover, Name};
use crate::units::Time;
use serde::{Serialize, Serializer};

/// All pots of a studio as of a time.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Report {
    /// The time that the report is made for.
    #[serde(serialize_with = "rfc3339")]
    pub at: Time,
    /// In order of name.
    pub pots: Vec<PotAnswer>,
    /// By what the intervals are corrected; only in a studio whose record is long enough.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub correction: Option<Corrections>,
}

/// Quantiles of a number.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Quantiles {
    /// 10 of 100 cases lie below.
    pub p10: f64,
    /// Half of the cases lie below.
    pub p50: f64,
    /// 90 of 100 cases lie below.
    pub p90: f64,
}

/// Quantiles of a time; `None` beyond the horizon (30 days) or never under the plan.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct TimeQuantiles {
    /// 10 of 100 cases come earlier.
    #[serde(serialize_with = "maybe_rfc3339")]
    pub p10: Option<Time>,
    /// Half of the cases come earlier.
    #[serde(serialize_with = "maybe_rfc3339")]
    pub p50: Option<Time>,
    /// 90 of 100 cases come earlier.
    #[serde(serialize_with = "maybe_rfc3339")]
    pub p90: Option<Time>,
}

impl TimeQuantiles {
    /// How finely it may be told, s: about a tenth of its interval, on the steps of a clock.
    pub fn told_to(&self) -> f64 {
        const STEPS: [f64; 4] = [300.0, 600.0, 1800.0, 3600.0];
        let width = match (self.p10, self.p90) {
            (Some(from), Some(to)) => to.since(from),
            _ => f64::INFINITY,
        };
        STEPS.into_iter().find(|step| width < 20.0 * step).unwrap_or(3600.0)
    }
}

/// Where the pot stands between plastic and bone-dry.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Wet and soft.
    Plastic,
    /// Nearly trimmable.
    SoftLeatherHard,
    /// In the trimming window.
    LeatherHard,
    /// In the last part of the trimming window.
    FirmLeatherHard,
    /// Too stiff to trim, not yet dry.
    PastLeatherHard,
    /// In balance with the room's air.
    BoneDry,
}

impl Stage {
    /// As people read it.
    pub fn words(self) -> &'static str {
        match self {
            Stage::Plastic => "plastic",
            Stage::SoftLeatherHard => "soft leather-hard",
            Stage::LeatherHard => "leather-hard",
            Stage::FirmLeatherHard => "firm leather-hard",
            Stage::PastLeatherHard => "past leather-hard",
            Stage::BoneDry => "bone-dry in this air",
        }
    }
}

/// What to do about trimming.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum TrimCall {
    /// Not yet.
    Wait,
    /// Opens within the next 2 h.
    Soon,
    /// In the window.
    Now,
    /// Too stiff.
    Past,
    /// Trimmed.
    Done,
}

/// What to do about firing.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum FireCall {
    /// Still drying.
    Wait,
    /// Dry on the mean, but something speaks against it: see the warnings.
    Doubtful,
    /// No further drying detected in this air.
    Ready,
}

/// Mean water of the pot, dry basis.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Water {
    /// Of the whole pot.
    pub now: Quantiles,
    /// The same less what the clay holds in balance with the air's humidity (mean of 24 h).
    pub free: Quantiles,
    /// Of the wall, where the model tells it apart.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wall: Option<Quantiles>,
    /// Of the base, where the model tells it apart.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub base: Option<Quantiles>,
}

/// The trimming window.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Trim {
    /// What to do.
    pub call: TrimCall,
    /// Probability that the pot's mean water lies within the body's trimming band now.
    pub probability_now: f64,
    /// When mean water passes the body's upper limit.
    pub opens: TimeQuantiles,
    /// When mean water passes the body's lower limit.
    pub closes: TimeQuantiles,
    /// When the window has opened and the base too is that firm, so that a foot can be cut; of a
    /// pot whose base already is, no later than now. Only of one that is still to be trimmed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub foot_opens: Option<TimeQuantiles>,
}

/// The way to the kiln.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Fire {
    /// What to do.
    pub call: FireCall,
    /// Probability that the wettest part holds at most 0.010 free water.
    pub probability_bone_dry: f64,
    /// When mean free water falls to 0.005.
    pub bone_dry: TimeQuantiles,
    /// The constant-mass rule, beside the call.
    pub constant_mass: ConstantMass,
}

/// What the constant-mass rule of EN ISO 12570 says: three weighings, each at least 24 h after the
/// one before, that agree within 0.1 %. It has no part in the call.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct ConstantMass {
    /// Whether the mass is constant by it; `None` where the weighings, or the steps of the scale,
    /// cannot tell.
    pub met: Option<bool>,
    /// Weighings that far apart, up to the three that it wants.
    pub weighings: usize,
    /// By how much these differ, as a share of the mass; `None` for fewer than two.
    pub change: Option<f64>,
}

/// What the answer rests on.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Evidence {
    /// Weighings that were used.
    pub readings: usize,
    /// The last of them.
    #[serde(serialize_with = "maybe_rfc3339")]
    pub last_reading_at: Option<Time>,
}

/// Something that speaks against trusting the answer, and what to do about it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Warning {
    /// Stable word for programs, for instance `reading-stale`.
    pub code: &'static str,
    /// What is wrong and what to do, for people.
    pub text: String,
}

/// Something found in the trace though nobody wrote it down.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Found {
    /// The action's word, as in the handling log.
    pub action: &'static str,
    /// When.
    #[serde(serialize_with = "rfc3339")]
    pub time: Time,
    /// How sure, 0–1.
    pub probability: f64,
    /// Of a pot that was off its scale and came back: when.
    #[serde(serialize_with = "maybe_rfc3339", skip_serializing_if = "Option::is_none")]
    pub until: Option<Time>,
    /// Of a tare: what stands on the scale with the pot from then on, g. Of clay: how much, g.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grams: Option<f64>,
    /// Of a pot that changed places with another: the cell on which it stands since.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cell: Option<Name>,
}

/// All that is said about one pot.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct PotAnswer {
    /// The pot.
    pub pot: Name,
    /// Its body.
    pub body: Name,
    /// Off the wheel.
    #[serde(serialize_with = "rfc3339")]
    pub made_at: Time,
    /// How it is kept now.
    #[serde(serialize_with = "cover_word")]
    pub cover: Cover,
    /// Where it stands.
    pub stage: Stage,
    /// How wet.
    pub water: Water,
    /// Its dry clay, g.
    pub dry_mass_g: Quantiles,
    /// The trimming window.
    pub trim: Trim,
    /// The way to the kiln.
    pub fire: Fire,
    /// What it rests on.
    pub evidence: Evidence,
    /// What was found in the trace though nobody wrote it down.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub found: Vec<Found>,
    /// How unevenly it dries, while it still shrinks.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uneven: Option<Uneven>,
    /// What speaks against it.
    pub warnings: Vec<Warning>,
    /// For people and pictures, not in the JSON.
    #[serde(skip)]
    pub story: Story,
}

/// What pictures and tables need beyond the JSON.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Story {
    /// Weighings that were used, net of what else stood on the scale, g, and whether the fit
    /// counted them as one of its own (false: a knock or a lift).
    pub weighings: Vec<(Time, f64, bool)>,
    /// The fitted and forecast mass of the pot (net), g: time, p10, p50, p90.
    pub mass: Vec<(Time, Quantiles)>,
    /// Mean water (dry basis) along the same times.
    pub water: Vec<(Time, Quantiles)>,
    /// How it was and will be kept: from when, which cover.
    pub covers: Vec<(Time, Cover)>,
    /// Trims, written down or found.
    pub trims: Vec<Time>,
    /// Vapour pressure deficit of the room, Pa, known and expected.
    pub deficit: Vec<(Time, f64)>,
    /// Mean water (dry basis) at which the trimming window opens and closes.
    pub band: (f64, f64),
    /// Water above the balance with the air that is still to leave, g.
    pub free_water_g: Option<Quantiles>,
    /// Why the fit stopped, how often it evaluated the model, and whether its check held.
    pub fit: String,
}

pub(super) fn rfc3339<S: Serializer>(t: &Time, s: S) -> Result<S::Ok, S::Error> {
    s.collect_str(t)
}

fn maybe_rfc3339<S: Serializer>(t: &Option<Time>, s: S) -> Result<S::Ok, S::Error> {
    match t {
        Some(t) => s.collect_str(t),
        None => s.serialize_none(),
    }
}

fn cover_word<S: Serializer>(c: &Cover, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(c.word())
}
