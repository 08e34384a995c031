//! Drying too fast, unevenly: what is coming, against what the pot's body has stood, and what would
//! help.
//!
//! [`steep`] says how unevenly a pot dries, [`tolerance`] what its body stands. Each draw of the
//! forecast has its own largest difference of the past and of the coming day; that the pot is whole
//! so far tells that it stood the first. What would help is asked of the same draws, sent ahead
//! under another cover or turned over, in the same air ([`super::prospect`]).

pub mod steep;
pub mod strain;
pub mod tolerance;

use super::forecast::{self, Draw, stratified};
use super::inference::posterior::Posterior;
use super::prospect::{self, Change, Doing, Prospect};
use super::report::{Quantiles, Warning, rfc3339};
use crate::core::drying::LANES;
use crate::records::{Cover, Wary};
use crate::units::{HOUR, Time};
use rand::SeedableRng;
use rand::rngs::StdRng;
use serde::Serialize;
use steep::{AHEAD, Steepest, Where};
use tolerance::{Stood, Tolerance};

/// Below this no difference is told of, kg/kg dry basis.
const TOLD: f64 = 0.01;
/// What may be done now, the least trouble first: whether it is turned over, under which cover it
/// comes, and the word for both.
const WAYS: [(bool, Option<Cover>, &str); 5] = [
    (true, None, "flip"),
    (false, Some(Cover::Draped), "draped"),
    (true, Some(Cover::Draped), "flip-draped"),
    (false, Some(Cover::Wrapped), "wrapped"),
    (true, Some(Cover::Wrapped), "flip-wrapped"),
];
/// Draws by which the past of a finished pot is judged; a multiple of the lanes.
const DRAWS: usize = 2 * LANES;

/// How unevenly a pot dries while it shrinks. Differences of water are kg/kg dry basis.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Uneven {
    /// Largest difference so far.
    pub so_far: Quantiles,
    /// Largest difference of the coming 24 h.
    pub coming: Quantiles,
    /// When that is, at the middle.
    #[serde(serialize_with = "rfc3339")]
    pub at: Time,
    /// Between which places it is.
    pub between: &'static str,
    /// The difference that half the pots of its body do not stand.
    pub half_stand: Quantiles,
    /// Pots of its body whose outcome was noted, and those of them that cracked or warped.
    pub outcomes: usize,
    /// Those of them that cracked or warped while they dried.
    pub failed: usize,
    /// How likely it cracks or warps by that.
    pub probability: f64,
    /// How likely it does if something is done now; empty where nothing need be done.
    pub instead: Vec<Instead>,
}

/// Something that may be done now.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Instead {
    /// `flip`, a cover's word, or both: `flip-draped`.
    pub doing: &'static str,
    /// How likely the pot cracks or warps then.
    pub probability: f64,
}

/// What is coming and what is known of the body.
pub struct Question<'a> {
    /// Off the wheel.
    pub start: Time,
    /// Now, s since then.
    pub now: f64,
    /// What the body stands.
    pub tolerance: &'a Tolerance,
    /// The end of shrinkage, kg/kg dry basis.
    pub shrunk: f64,
}

impl Question<'_> {
    /// How likely draws crack that have stood one difference and come to another.
    fn fails(&self, draws: impl Iterator<Item = (f64, f64, f64)>) -> f64 {
        let (mut sum, mut all) = (0.0, 0.0);
        for (weight, passed, coming) in draws {
            sum += weight * self.tolerance.fails(passed, coming);
            all += weight;
        }
        if all > 0.0 { sum / all } else { 0.0 }
    }

    /// From the draws of a forecast; `None` of a pot that no longer shrinks, or does so evenly.
    pub fn ask(&self, draws: &[Draw]) -> Option<Uneven> {
        let coming = forecast::quantiles(draws, |d| d.coming.water);
        if coming.p90 < TOLD {
            return None;
        }
        let share = |place: Where| forecast::probability(draws, |d| d.coming.place == place);
        let places = [Where::Parts, Where::Wall, Where::Base].into_iter();
        let place = places.max_by(|a, b| share(*a).total_cmp(&share(*b))).unwrap_or_default();
        let at = forecast::quantiles(draws, |d| d.coming.at).p50;
        Some(Uneven {
            so_far: forecast::quantiles(draws, |d| d.passed),
            coming,
            at: super::whole_second(self.start.plus(at)),
            between: place.word(),
            half_stand: self.tolerance.half(),
            outcomes: self.tolerance.pots,
            failed: self.tolerance.failed,
            probability: self.fails(draws.iter().map(|d| (d.weight, d.passed, d.coming.water))),
            instead: Vec::new(),
        })
    }

    /// How likely a pot cracks if some changes are made.
    fn under(&self, prospect: &Prospect, changes: &[Change]) -> f64 {
        let mut all = Vec::new();
        for (batch, seed) in &prospect.batches {
            let mut chance = batch.chance(StdRng::seed_from_u64(*seed));
            let (mut going, mut steepest) = (batch.going(), Steepest::default());
            let steps = prospect.fine.spans.iter().zip(&prospect.fine.humidity);
            for (span, (daily, sd)) in steps.take_while(|(s, _)| s.from < prospect.now + AHEAD) {
                let brought = chance.bring(span, *daily, *sd);
                let keeping = prospect::kept(span, prospect.now, changes);
                going.step(batch, (span, prospect.band), keeping, &brought);
                steep::see(&mut steepest, span.to, &going.state, self.shrunk);
            }
            let draws = batch.draws.iter().zip(steepest);
            all.extend(draws.map(|(draw, steep)| (draw.weight, draw.passed, steep.water)));
        }
        self.fails(all.into_iter())
    }

    /// What would become of it if something is done now.
    pub fn instead(&self, prospect: &Prospect, may_turn: bool) -> Vec<Instead> {
        let kept = prospect.cover_at(0.0);
        let may = |(turned, cover, _): &&(bool, Option<Cover>, &str)| {
            (may_turn || !turned) && cover.is_none_or(|cover| cover > kept)
        };
        let under = |(turned, cover, doing): &(bool, Option<Cover>, &'static str)| {
            let flip = turned.then_some(Doing::Flip);
            let doings = flip.into_iter().chain(cover.map(Doing::Cover));
            let changes: Vec<_> = doings.map(|doing| Change { at: 0.0, doing }).collect();
            Instead { doing, probability: self.under(prospect, &changes) }
        };
        WAYS.iter().filter(may).map(under).collect()
    }
}

/// By which pots of its body it is reckoned, in words: how many had an outcome, and cracked or
/// warped.
pub fn by_pots(outcomes: usize, failed: usize) -> String {
    match (outcomes, failed) {
        (0, _) => "no outcome of this body was noted yet, so this is a wide guess".into(),
        (1, 0) => "by one pot of this body, which came out whole".into(),
        (1, _) => "by one pot of this body, which did".into(),
        (all, 0) => format!("by {all} pots of this body, which came out whole"),
        (all, failed) if all == failed => format!("by {all} pots of this body, which all did"),
        (all, failed) => format!("by {all} pots of this body, of which {failed} did"),
    }
}

impl Uneven {
    /// What is said of it, and what to do, where a warning is due.
    pub fn warning(&self, now: Time, wary: Wary) -> Option<Warning> {
        if self.probability < wary.0 {
            return None;
        }
        let when = match self.at.since(now) / HOUR {
            h if h < 1.0 => "within the hour".into(),
            h => format!("in about {h:.0} h"),
        };
        let apart = match self.between {
            "wall" => "the middle of its wall will be wetter than its faces",
            "base" => "the inside of its base will be wetter than its faces",
            _ => "its base and its wall will differ in water",
        };
        let [low, middle, high] =
            [self.coming.p10, self.coming.p50, self.coming.p90].map(|x| 100.0 * x);
        let text = format!(
            "{when} {apart} by {middle:.0} % of dry clay ({low:.0}–{high:.0}) while they shrink, \
             and it may crack or warp: {:.0}% likely, {by}; {}",
            100.0 * self.probability,
            self.what_to_do(wary),
            by = by_pots(self.outcomes, self.failed),
        );
        Some(Warning { code: "dries-unevenly", text })
    }

    fn what_to_do(&self, wary: Wary) -> String {
        let words = |instead: &Instead| {
            let doing = match instead.doing {
                "flip" => "turn it over",
                "draped" => "drape it",
                "flip-draped" => "turn it over and drape it",
                "wrapped" => "wrap it",
                _ => "turn it over and wrap it",
            };
            format!("{doing} now, then {:.0}%", 100.0 * instead.probability)
        };
        let rest = "plastic round its rim, or a stiller place, helps too (not reckoned)";
        let enough = self.instead.iter().find(|instead| instead.probability < wary.0);
        let best = self.instead.iter().min_by(|a, b| a.probability.total_cmp(&b.probability));
        match (enough, best) {
            (Some(enough), _) => format!("{}; {rest}", words(enough)),
            (_, Some(best)) if best.probability < self.probability - 0.02 => {
                format!("{}, which is not enough; {rest}", words(best))
            }
            _ => "no cover helps that this reckons with: put it where the air is damp and still"
                .into(),
        }
    }
}

/// How unevenly a finished pot dried until what became of it was noted (s since it was made), as
/// its weights tell now.
pub fn stood(posterior: &Posterior, shrunk: f64, seed: u64, (whole, noted): (bool, f64)) -> Stood {
    let mut rng = StdRng::seed_from_u64(seed);
    let rows = stratified(DRAWS, posterior.model.beliefs.len(), &mut rng);
    let root = posterior.root();
    let until = if whole { f64::INFINITY } else { noted };
    let mut likely = Vec::with_capacity(DRAWS);
    for batch in rows.chunks(LANES) {
        let sets: Vec<_> = batch.iter().map(|row| posterior.away(&root, row)).collect();
        likely.extend(steep::passed(&posterior.model, &sets, shrunk, until).map(|s| s.water));
    }
    Stood { likely, whole }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::assess_pot;
    use crate::core::by_hand::{MADE, dried, pot, studio_of_dried};
    use crate::core::report::PotAnswer;
    use crate::records::{Action, HandlingRow, Outcome, Point, Pot, Studio, Weighings};

    /// Two dry pots of which something is noted, and one that came off the wheel `age` hours ago
    /// and is weighed each hour.
    fn studio(outcome: Option<Outcome>, age: f64) -> Studio {
        let mut studio = studio_of_dried(2);
        for name in studio.pots.keys().cloned().collect::<Vec<_>>() {
            let row = outcome.map(|outcome| HandlingRow {
                time: MADE.plus(150.0 * HOUR),
                pot: name.clone(),
                action: Action::Outcome(outcome),
            });
            studio.handling.insert(name, row.into_iter().collect());
        }
        let made_at = studio.at.plus(-age * HOUR);
        let weights = dried(age).0.into_iter().map(|(t, g)| (made_at.plus(t * HOUR), g));
        let points = weights.step_by(4).map(|(time, value)| Point { time, value });
        studio.weighings.insert("new".into(), Weighings(points.collect()));
        studio.pots.insert("new".into(), Pot { name: "new".into(), made_at, ..pot() });
        studio
    }

    fn answer(studio: &Studio) -> PotAnswer {
        assess_pot(studio, "new").unwrap()
    }

    fn warned(answer: &PotAnswer) -> Option<&str> {
        let found = answer.warnings.iter().find(|w| w.code == "dries-unevenly");
        found.map(|warning| warning.text.as_str())
    }

    #[test]
    fn what_became_of_a_bodys_pots_decides_whether_the_next_is_warned_of() {
        let of = |outcome| answer(&studio(outcome, 4.0));
        let (nothing, sound) = (of(None), of(Some(Outcome::Sound)));
        let chance = |answer: &PotAnswer| answer.uneven.as_ref().unwrap().probability;
        let (cracked, warped) = (of(Some(Outcome::CrackedDrying)), of(Some(Outcome::Warped)));
        assert!(chance(&sound) < chance(&nothing) && chance(&nothing) < chance(&cracked));
        assert_eq!(chance(&cracked), chance(&warped));
        assert_eq!((warned(&nothing), warned(&sound)), (None, None));
        let text = warned(&cracked).unwrap();
        assert!(text.contains("by 2 pots of this body, which all did; "), "{text}");
        assert_eq!(of(Some(Outcome::CrackedCooling)).uneven, nothing.uneven);
        // What is noted says nothing of the times.
        assert_eq!(cracked.trim, nothing.trim);
    }

    #[test]
    fn tighter_covers_help_more_and_a_soft_pot_is_not_turned() {
        let told = answer(&studio(Some(Outcome::CrackedDrying), 4.0)).uneven.unwrap();
        let doing: Vec<_> = told.instead.iter().map(|instead| instead.doing).collect();
        assert_eq!(doing, ["draped", "wrapped"]);
        let [draped, wrapped] = [0, 1].map(|i| told.instead[i].probability);
        assert!(wrapped < draped && draped < told.probability, "{told:?}");
        // As firm as leather it can be turned; and what has passed is warned of no more.
        let later = |age| answer(&studio(Some(Outcome::CrackedDrying), age)).uneven;
        let firm = (10..30).step_by(2).find_map(|age| {
            let told = later(f64::from(age))?;
            told.instead.iter().any(|instead| instead.doing == "flip").then_some(told)
        });
        let firm = firm.expect("it is firm once");
        assert_eq!(firm.instead[0].doing, "flip");
        assert!(firm.instead[0].probability < firm.probability, "{firm:?}");
        assert_eq!(firm.instead.len(), 5);
        assert!(later(60.0).is_none_or(|told| told.probability < 0.01));
    }

    #[test]
    fn the_potter_chooses_from_when_on_to_be_warned() {
        let mut studio = studio(None, 4.0);
        let quiet = answer(&studio);
        let chance = quiet.uneven.as_ref().unwrap().probability;
        studio.wary = Wary(0.9 * chance);
        let told = answer(&studio);
        let text = warned(&told).unwrap();
        assert!(text.contains("no outcome of this body was noted yet, so this is a wide guess"));
        assert_eq!((told.uneven.unwrap().probability, warned(&quiet)), (chance, None));
    }

    #[test]
    fn a_cracked_pot_is_warned_of_no_more() {
        let mut studio = studio(Some(Outcome::CrackedDrying), 4.0);
        let row = HandlingRow {
            time: studio.at,
            pot: "new".into(),
            action: Action::Outcome(Outcome::CrackedDrying),
        };
        studio.handling.insert("new".into(), vec![row]);
        assert_eq!(answer(&studio).uneven, None);
    }
}
