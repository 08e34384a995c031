//! What a body's finished pots have taught, in a potter's own terms.

use super::inference::lessons::Lessons;
use super::inference::model::balance;
use super::inference::priors::{self, Unknown};
use super::report::Quantiles;
use super::verdict::FuzzyBand;
use crate::records::{Body, Cover, Studio};
use crate::units::wet_from_dry;

/// Humidity at which the water that the clay keeps is told.
pub const AIR: f64 = 0.5;

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
    /// The trimming band, dry basis.
    pub band: FuzzyBand,
}

/// What the studio's finished pots have taught of a body.
pub fn of_body(studio: &Studio, lessons: &Lessons, name: &str) -> Learnt {
    let body = studio.bodies.get(name);
    let of = |lessons: &Lessons| facts(body, lessons, name);
    let (before, now) = (of(&Lessons::default()), of(lessons));
    let facts = before.into_iter().zip(now).map(|((fact, before), (_, now))| (fact, before, now));
    Learnt {
        pots: lessons.count(name),
        verdicts: lessons.felt(name).len(),
        facts: facts.collect(),
        band: super::fuzzy_band_of(lessons, name, body).0,
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
        let [low, middle, high] = [-1.2816, 0.0, 1.2816].map(at);
        let (p10, p90) = (low.min(high), low.max(high));
        Some((fact, Quantiles { p10, p50: middle, p90 }))
    };
    lessons.expect(name, None, bag, given).iter().filter_map(told).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, dried, pot};
    use crate::core::learn;
    use crate::records::{Air, Point, Pot, Weighings};
    use crate::units::HOUR;

    fn studio(pots: usize) -> Studio {
        let steady = |value| {
            let points = (-48..=400)
                .map(|k| Point { time: pot().made_at.plus(f64::from(k) / 2.0 * HOUR), value });
            points.collect()
        };
        let air = Air { temperature: steady(20.0), humidity: steady(0.5) };
        let mut studio = Studio { at: pot().made_at.plus(200.0 * HOUR), ..Studio::default() };
        studio.air.insert(String::new(), air);
        studio.bodies.insert(body().name, body());
        let weights = dried(200.0).0;
        for n in 0..pots {
            let name = format!("planter {n}");
            let points = weights
                .iter()
                .map(|(t, g)| Point { time: pot().made_at.plus(t * HOUR), value: *g });
            studio.weighings.insert(name.clone(), Weighings(points.collect()));
            studio.pots.insert(name.clone(), Pot { name, ..pot() });
        }
        studio
    }

    fn told(pots: usize) -> Learnt {
        let studio = studio(pots);
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
