//! What came out of a comparison, as JSON.

use super::findings::{Findings, Origin};
use crate::core::compare::plain::{Effect, Seen};
use crate::core::compare::track::Track;
use crate::core::compare::{Answer, Finding, Question};
use crate::core::report::Warning;
use crate::records::Name;
use crate::units::HOUR;
use serde::Serialize;

impl Findings<'_> {
    /// As JSON: the same comparison gives the same bytes.
    pub fn json(&self) -> impl Serialize + '_ {
        let answers = self.compared.outcome.answers.iter().map(|answer| JsonAnswer {
            question: answer.question,
            of: &self.treatments[answer.treatments.1],
            against: &self.treatments[answer.treatments.0],
            finding: answer.finding(self.level),
            scale: if answer.question.is_ratio() { "ratio" } else { "difference" },
            pots: [answer.pots[1], answer.pots[0]],
            pairs: answer.pairs,
            not_there_yet: answer.bounds,
            plain: answer.plain.map(|e| JsonEffect::new(answer, &e, answer.plain_holm)),
            model: answer.model.map(|e| JsonEffect::new(answer, &e, answer.model_holm)),
            log_rank_p: answer.log_rank,
            answers_part: answer.disagree(),
        });
        let (seed, drawn_at) = match self.origin {
            Origin::Drawn { seed, at } => (Some(*seed), Some(at.to_string())),
            Origin::Found => (None, None),
        };
        Json {
            at: self.at.to_string(),
            comparison: self.name,
            drawn_by_chance: seed.is_some(),
            seed,
            drawn_at,
            level: self.level,
            treatments: self.treatments,
            same_air: JsonAir {
                temperature_c: self.compared.air.temperature,
                humidity: self.compared.air.humidity,
            },
            questions: self.compared.outcome.tests,
            answers: answers.collect(),
            pots: self.pots(),
            warnings: self.warnings(),
        }
    }

    fn pots(&self) -> Vec<JsonPot<'_>> {
        let pot = |t: &'_ Track| JsonPot {
            pot: t.pot.clone(),
            treatment: &self.treatments[t.treatment],
            pair: t.pair,
            leather_hard_h: t.opens.map(|s| JsonSeen::new(&s, HOUR)),
            bone_dry_h: t.bone_dry.map(|s| JsonSeen::new(&s, HOUR)),
            window_h: t.window.map(|s| JsonSeen::new(&s, HOUR)),
            dose_kpa_h: t.dose.map(|s| JsonSeen::new(&s, 1000.0 * HOUR)),
            lost: t.lost,
        };
        self.compared.tracks.iter().map(pot).collect()
    }
}

#[derive(Serialize)]
struct Json<'a> {
    at: String,
    comparison: Option<&'a str>,
    drawn_by_chance: bool,
    seed: Option<u32>,
    drawn_at: Option<String>,
    level: f64,
    treatments: &'a [Name],
    same_air: JsonAir,
    questions: usize,
    answers: Vec<JsonAnswer<'a>>,
    pots: Vec<JsonPot<'a>>,
    warnings: Vec<Warning>,
}

#[derive(Serialize)]
struct JsonAir {
    temperature_c: f64,
    humidity: f64,
}

/// Pots of `of`, then of `against`.
#[derive(Serialize)]
struct JsonAnswer<'a> {
    question: Question,
    of: &'a Name,
    against: &'a Name,
    finding: Finding,
    scale: &'static str,
    pots: [usize; 2],
    pairs: Option<usize>,
    not_there_yet: usize,
    plain: Option<JsonEffect>,
    model: Option<JsonEffect>,
    log_rank_p: Option<f64>,
    answers_part: bool,
}

/// Ends that are not bounded are null.
#[derive(Serialize)]
struct JsonEffect {
    value: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    p: f64,
    p_holm: Option<f64>,
    method: &'static str,
}

impl JsonEffect {
    fn new(answer: &Answer, effect: &Effect, p_holm: Option<f64>) -> JsonEffect {
        let scaled = |x: f64| {
            let x = if answer.question.is_ratio() { x.exp() } else { x };
            x.is_finite().then_some(x)
        };
        JsonEffect {
            value: scaled(effect.value),
            low: scaled(effect.low),
            high: scaled(effect.high),
            p: effect.p,
            p_holm,
            method: effect.method.words(),
        }
    }
}

#[derive(Serialize)]
struct JsonPot<'a> {
    pot: Name,
    treatment: &'a Name,
    pair: Option<u32>,
    leather_hard_h: Option<JsonSeen>,
    bone_dry_h: Option<JsonSeen>,
    window_h: Option<JsonSeen>,
    dose_kpa_h: Option<JsonSeen>,
    lost: Option<bool>,
}

/// A value, or that it is more.
#[derive(Serialize)]
struct JsonSeen {
    value: f64,
    or_more: bool,
}

impl JsonSeen {
    fn new(seen: &Seen, per: f64) -> JsonSeen {
        JsonSeen { value: seen.value.exp() / per, or_more: !seen.is_exact() }
    }
}
