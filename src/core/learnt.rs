//! What a body's finished pots have taught, in a potter's own terms.

use super::inference::lessons::Lessons;
use super::inference::model::balance;
use super::inference::posterior::RATE_SD;
use super::inference::priors::{self, Unknown};
use super::report::Quantiles;
use super::verdict::{FuzzyBand, Limit};
use crate::records::{Body, Cover, Studio};
use crate::units::wet_from_dry;

/// Humidity at which the water that the clay keeps is told.
pub const AIR: f64 = 0.5;
/// From the middle of a normal to its 10th and 90th percentile, in standard deviations.
const Z80: f64 = 1.281_552;
const BAG: &str = "water of the bag";

/// What is told of a body.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Fact {
    /// Water of the clay before throwing, wet basis.
    BagWater,
    /// Share of the ball's dry clay that goes as slip.
    SlipLost,
    /// Water taken up in throwing, kg/kg dry basis.
    ThrowingWater,
    /// Rate in the open air of this studio over that of pots on the whole.
    OpenRate,
    /// Conductance to the air under a cover over that in the open.
    UnderCover(Cover),
    /// Water that the clay keeps in balance with air of [`AIR`], kg/kg dry basis.
    KeptInAir,
    /// How fast water moves through the clay, m²/s, at a water of 0.10 (dry basis).
    Diffusivity,
}

/// What is known of a body from its finished pots.
#[derive(Clone, PartialEq, Debug)]
pub struct Learnt {
    /// How many of its pots have taught.
    pub pots: usize,
    /// How many verdicts of the hand moved its trimming band.
    pub verdicts: usize,
    /// Each fact as it is for the next pot: beforehand, and now.
    pub facts: Vec<(Fact, Quantiles, Quantiles)>,
    /// Whether the body's potter gave a trimming band; else it is supposed.
    pub band_given: bool,
    /// The trimming band as given or supposed, dry basis.
    pub band_before: FuzzyBand,
    /// The trimming band as the hand's verdicts moved it, dry basis.
    pub band: FuzzyBand,
    /// How far the rate of its next pot is off for hours, as a share: beforehand, and now.
    pub astray: (f64, f64),
}

/// What the studio's finished pots have taught of a body.
pub fn of_body(studio: &Studio, lessons: &Lessons, name: &str) -> Learnt {
    let body = studio.bodies.get(name);
    let of = |lessons: &Lessons| facts(body, lessons, name);
    let (before, now) = (of(&Lessons::default()), of(lessons));
    let facts = before.into_iter().zip(now).map(|((fact, before), (_, now))| (fact, before, now));
    let (band_before, band_given) = super::fuzzy_band_of(&Lessons::default(), name, body);
    Learnt {
        pots: lessons.count(name),
        verdicts: lessons.felt(name).len(),
        facts: facts.collect(),
        band_given,
        band_before,
        band: super::fuzzy_band_of(lessons, name, body).0,
        astray: (RATE_SD, lessons.wander(name, "")),
    }
}

/// What the values of a row count.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Unit {
    /// A share, told in percent.
    Percent,
    /// A factor.
    Times,
}

/// One line of what was learnt, in a potter's words.
#[derive(Clone, PartialEq, Debug)]
pub struct Row {
    /// What it is about.
    pub what: String,
    /// What it is a share or a multiple of.
    pub of: &'static str,
    /// How it counts.
    pub unit: Unit,
    /// Before any pot of this studio taught.
    pub before: Quantiles,
    /// Now.
    pub now: Quantiles,
}

impl Row {
    /// A value with its interval, no finer than it is sure: `22% (20–24)`, `1.2 × (0.9–1.6)`.
    pub fn say(&self, q: &Quantiles) -> String {
        let (per, unit) = match self.unit {
            Unit::Percent => (100.0, "%"),
            Unit::Times => (1.0, " ×"),
        };
        // A tenth of the interval, or a little more.
        let width = per * (q.p90 - q.p10);
        let decimals = match width {
            w if w >= 10.0 => 0,
            w if w >= 0.5 => 1,
            _ => 2,
        };
        // A hair below zero is told as zero.
        let least = 0.5 * 0.1f64.powi(decimals as i32);
        let told = |x: f64| if (per * x).abs() < least { 0.0 } else { per * x };
        let [low, middle, high] = [q.p10, q.p50, q.p90].map(told);
        format!("{middle:.decimals$}{unit} ({low:.decimals$}–{high:.decimals$})")
    }
}

impl Learnt {
    /// Whether anything is known of it that was not known beforehand.
    pub fn is_anything(&self) -> bool {
        self.verdicts > 0 || self.is_taught()
    }

    /// Whether finished pots, of this body or of others, have taught anything of it.
    pub fn is_taught(&self) -> bool {
        self.facts.iter().any(|(_, before, now)| before != now)
    }

    /// All of it, in a potter's words.
    pub fn rows(&self) -> Vec<Row> {
        let facts = self.facts.iter().map(|(fact, before, now)| {
            let (what, of, unit) = fact.words();
            // Square metres a second say nothing to a potter.
            let per = if *fact == Fact::Diffusivity { before.p50 } else { 1.0 };
            let over =
                |q: &Quantiles| Quantiles { p10: q.p10 / per, p50: q.p50 / per, p90: q.p90 / per };
            Row { what, of, unit, before: over(before), now: over(now) }
        });
        let (before, now) = (self.band_before, self.band);
        let limits =
            [("trimming from", before.from, now.from), ("trimming down to", before.to, now.to)];
        let limits = limits.map(|(what, before, now)| Row {
            what: what.into(),
            of: "of the dry clay",
            unit: Unit::Percent,
            before: interval(before),
            now: interval(now),
        });
        let mut rows: Vec<Row> = facts.chain(limits).collect();
        // In the order of a pot's life.
        rows.sort_by_key(|row| row.what != BAG);
        rows
    }
}

fn interval(limit: Limit) -> Quantiles {
    let reach = Z80 * limit.sd;
    Quantiles { p10: (limit.mean - reach).max(0.0), p50: limit.mean, p90: limit.mean + reach }
}

impl Fact {
    /// What it is about, what it is a share or a multiple of, and how it counts.
    fn words(self) -> (String, &'static str, Unit) {
        use Unit::{Percent, Times};
        let (what, of, unit) = match self {
            Fact::BagWater => (BAG, "of the wet clay", Percent),
            Fact::SlipLost => ("lost as slip", "of the ball's dry clay", Percent),
            Fact::ThrowingWater => ("taken up in throwing", "of the dry clay", Percent),
            Fact::OpenRate => ("dries in the open", "as fast as pots on the whole", Times),
            Fact::UnderCover(Cover::Open) => ("let through when open", "of open", Percent),
            Fact::UnderCover(Cover::Draped) => ("dries draped", "of open", Percent),
            Fact::UnderCover(Cover::Wrapped) => ("dries wrapped", "of open", Percent),
            Fact::UnderCover(Cover::Cupboard) => ("dries in the cupboard", "of open", Percent),
            Fact::KeptInAir => ("kept in air of 50 %RH", "of the dry clay", Percent),
            Fact::Diffusivity => ("water moves inside", "as fast as in clays on the whole", Times),
        };
        (what.into(), of, unit)
    }
}

fn facts(body: Option<&Body>, lessons: &Lessons, name: &str) -> Vec<(Fact, Quantiles)> {
    let bag = priors::bag_water_dry(body);
    let given = super::bag_given(body);
    let told = |(unknown, mean, sd): &(Unknown, f64, f64)| {
        let usual = priors::usual(*unknown, bag);
        let (fact, of): (Fact, fn(f64, f64) -> f64) = match unknown {
            Unknown::Bag => (Fact::BagWater, |x, _| wet_from_dry(x.max(0.0))),
            Unknown::Kept => (Fact::SlipLost, |x, _| (1.0 - x.exp()).max(0.0)),
            Unknown::Throwing => (Fact::ThrowingWater, |x, _| x),
            Unknown::Conductance => (Fact::OpenRate, |x, usual| (x - usual).exp()),
            Unknown::Covering(i) => {
                (Fact::UnderCover(Cover::ALL[*i]), |x, _| x.exp() / (1.0 + x.exp()))
            }
            Unknown::Monolayer => (Fact::KeptInAir, |x, _| balance(x.exp(), AIR)),
            Unknown::Diffusivity => (Fact::Diffusivity, |x, _| x.exp()),
            _ => return None,
        };
        let at = |z: f64| of(mean + z * sd, usual);
        let [low, middle, high] = [-Z80, 0.0, Z80].map(at);
        let (p10, p90) = (low.min(high), low.max(high));
        Some((fact, Quantiles { p10, p50: middle, p90 }))
    };
    lessons.expect(name, None, bag, given).iter().filter_map(told).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, pot, studio_of_dried};
    use crate::core::learn;
    use crate::units::HOUR;

    #[test]
    fn rows_are_told_no_finer_than_they_are_sure() {
        let q = |p10, p50, p90| Quantiles { p10, p50, p90 };
        let row = |unit| Row {
            what: String::new(),
            of: "",
            unit,
            before: q(0.0, 0.0, 0.0),
            now: q(0.0, 0.0, 0.0),
        };
        for (unit, q, said) in [
            (Unit::Percent, q(0.198, 0.2201, 0.2422), "22.0% (19.8–24.2)"),
            (Unit::Percent, q(0.04, 0.11, 0.24), "11% (4–24)"),
            (Unit::Percent, q(0.0152, 0.0163, 0.0171), "1.63% (1.52–1.71)"),
            (Unit::Percent, q(-0.0004, 0.0161, 0.0334), "1.6% (0.0–3.3)"),
            (Unit::Times, q(0.613, 1.0, 1.63), "1.0 × (0.6–1.6)"),
            (Unit::Times, q(1.114, 1.2, 1.29), "1.20 × (1.11–1.29)"),
        ] {
            assert_eq!(row(unit).say(&q), said);
        }
    }

    #[test]
    fn a_verdict_shows_beside_the_band_that_was_given() {
        let mut studio = studio_of_dried(1);
        let name = "planter 0".to_string();
        let verdict = crate::records::HandlingRow {
            time: pot().made_at.plus(5.0 * HOUR),
            pot: name.clone(),
            action: crate::records::Action::Verdict(crate::records::Verdict::Soft),
        };
        studio.handling.insert(name, vec![verdict]);
        let learnt = of_body(&studio, &learn(&studio), &body().name);
        assert_eq!((learnt.verdicts, learnt.band_given), (1, true));
        assert_eq!(learnt.band_before.from.mean, body().trim_from_dry.unwrap());
        let rows = learnt.rows();
        let limit = rows.iter().find(|row| row.what == "trimming from").unwrap();
        assert!((limit.before.p50 - 0.23).abs() < 1e-12 && limit.now != limit.before, "{limit:?}");
        // Of water inside what is told is a factor on what clays are like.
        let inside = rows.iter().find(|row| row.what == "water moves inside").unwrap();
        assert_eq!((inside.before.p50, inside.unit), (1.0, Unit::Times));
    }

    fn told(pots: usize) -> Learnt {
        let studio = studio_of_dried(pots);
        of_body(&studio, &learn(&studio), &body().name)
    }

    #[test]
    fn without_finished_pots_it_is_what_bodies_are_like() {
        let nothing = told(0);
        assert_eq!(nothing.pots, 0);
        for (fact, before, now) in &nothing.facts {
            assert_eq!(before, now, "{fact:?}");
            assert!(before.p10 < before.p50 && before.p50 < before.p90, "{fact:?} {before:?}");
        }
        let of = |wanted: Fact| nothing.facts.iter().find(|f| f.0 == wanted).unwrap().1;
        assert!((of(Fact::BagWater).p50 - 0.22).abs() < 1e-9);
        // Common practice, no source: 1.5–5 % goes as slip.
        let slip = of(Fact::SlipLost);
        assert!(slip.p10 > 0.015 && slip.p90 < 0.05, "{slip:?}");
        assert!((of(Fact::OpenRate).p50 - 1.0).abs() < 1e-9);
    }

    /// The more pots, the surer; and what they tell is what they were made of.
    #[test]
    fn finished_pots_make_it_surer() {
        let width = |learnt: &Learnt, wanted: Fact| {
            let (_, before, now) = learnt.facts.iter().find(|f| f.0 == wanted).unwrap();
            (now.p90 - now.p10) / (before.p90 - before.p10)
        };
        let (one, six) = (told(1), told(6));
        assert_eq!((one.pots, six.pots), (1, 6));
        for fact in [Fact::OpenRate, Fact::ThrowingWater, Fact::KeptInAir] {
            let (one, six) = (width(&one, fact), width(&six, fact));
            assert!(six < one && one < 1.0, "{fact:?}: {one}, {six}");
        }
    }
}
