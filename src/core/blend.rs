//! Bodies wedged together: what becomes of water, trimming band and prior knowledge, and how much
//! of each to wedge.
//!
//! Water and dry clay are conserved: a part of mass *g* and wet-basis water *w* brings *g·w* of
//! water and *g·(1 − w)* of dry clay; an addition (grog, sand) is dry. What depends on the clay is
//! mixed by dry mass; an addition that is not plastic takes up none of the water of plasticity, so
//! it lowers the trimming band in proportion (common practice, no source). Mixing by dry mass is a
//! rule of thumb for all but water, so that the spread of what is mixed counts as doubt.

use super::additions::{Hazard, hazards};
use super::sample::{self, BagWater};
use crate::records::{Blend, Body, Ingredient, Name, Studio};
use crate::units::dry_from_wet;
use std::collections::{BTreeMap, BTreeSet};

/// What clay loses or takes up while it is wedged, wet basis (common practice, no source).
const WEDGING_SD: f64 = 0.003;
/// Parts whose water differs by more than this, dry basis, do not wedge well: soft and stiff clay
/// make lumps (common practice, no source).
pub const UNEVEN: f64 = 0.03;
/// Blends of blends are followed so deep.
const DEEP: usize = 8;

/// A part of a blend.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Part {
    /// How much, as wedged (wet), g.
    pub mass_g: f64,
    /// Its water, wet basis.
    pub water: BagWater,
    /// Its trimming band, from and to, dry basis.
    pub band: Option<(f64, f64)>,
}

/// What came of wedging.
#[derive(Clone, PartialEq, Debug)]
pub struct Mixture {
    /// Share of each part of the dry mass, in order.
    pub parts: Vec<f64>,
    /// Share of each addition of the dry mass, in order.
    pub additions: Vec<f64>,
    /// Its water as it comes from wedging, wet basis.
    pub water: BagWater,
    /// Its trimming band, dry basis; `None` unless all parts have one.
    pub band: Option<(f64, f64)>,
    /// By how much the wettest part is wetter than the driest, dry basis.
    pub uneven: f64,
}

impl Mixture {
    /// The body that came of it, to a tenth of a percent.
    pub fn body(&self, name: &str) -> Body {
        let tenth = |x: f64| (1000.0 * x).round() / 1000.0;
        Body {
            name: name.into(),
            bag_water_wet: Some(tenth(self.water.wet)),
            trim_from_dry: self.band.map(|band| tenth(band.0)),
            trim_to_dry: self.band.map(|band| tenth(band.1)),
        }
    }
}

/// Wedges parts with dry additions (g). `None` without a part, or if a mass or water cannot be.
pub fn mix(parts: &[Part], additions_g: &[f64]) -> Option<Mixture> {
    let fits = |p: &Part| p.mass_g > 0.0 && (0.0..1.0).contains(&p.water.wet);
    let some = additions_g.iter().all(|g| *g > 0.0) && parts.iter().all(fits);
    let wet_g: f64 = parts.iter().map(|p| p.mass_g).sum::<f64>() + additions_g.iter().sum::<f64>();
    if parts.is_empty() || !some || !wet_g.is_finite() {
        return None;
    }
    let dry = |p: &Part| p.mass_g * (1.0 - p.water.wet);
    let dry_g: f64 = parts.iter().map(dry).sum::<f64>() + additions_g.iter().sum::<f64>();
    // Linear in each part's water: Σ g·w / Σ g.
    let wet = 1.0 - dry_g / wet_g;
    let by_parts = parts.iter().map(|p| (p.mass_g / wet_g * p.water.sd).powi(2)).sum::<f64>();
    let shares: Vec<f64> = parts.iter().map(|p| dry(p) / dry_g).collect();
    let band = |pick: fn((f64, f64)) -> f64| -> Option<f64> {
        parts.iter().zip(&shares).map(|(p, share)| Some(share * pick(p.band?))).sum()
    };
    let waters = || parts.iter().map(|p| dry_from_wet(p.water.wet));
    let (most, least) = (waters().fold(0.0, f64::max), waters().fold(f64::INFINITY, f64::min));
    Some(Mixture {
        additions: additions_g.iter().map(|g| g / dry_g).collect(),
        water: BagWater { wet, sd: by_parts.sqrt().hypot(WEDGING_SD) },
        band: band(|b| b.0).zip(band(|b| b.1)),
        uneven: most - least,
        parts: shares,
    })
}

/// What is known of a quantity of the blend from its parts: each with its share of the dry mass,
/// mean and deviation; shares need not add up to 1. `None` without a part.
///
/// The deviations are taken as common to all parts, for they come from one hand and one prior: the
/// blend is no surer than its parts. Half the spread between the parts comes on top, since few
/// quantities mix in proportion (common practice, no source).
pub fn mix_priors(parts: &[(f64, f64, f64)]) -> Option<(f64, f64)> {
    let total: f64 = parts.iter().map(|(share, ..)| share).sum();
    if !(total > 0.0 && total.is_finite()) {
        return None;
    }
    let mean = parts.iter().map(|(share, mean, _)| share * mean).sum::<f64>() / total;
    let sd = parts.iter().map(|(share, _, sd)| share * sd).sum::<f64>() / total;
    let off = |(share, of, _): &(f64, f64, f64)| share * (of - mean) * (of - mean);
    let spread = (parts.iter().map(off).sum::<f64>() / total).sqrt();
    Some((mean, sd.hypot(0.5 * spread)))
}

/// How much to wedge for a wanted total, g: parts by their share of the dry mass and their water
/// (wet basis), dry additions by their share. Shares need not add up to 1. The masses of the
/// parts, wet, and of the additions, as a potter weighs them out.
pub fn to_wedge(
    parts: &[(f64, f64)],
    additions: &[f64],
    total_g: f64,
) -> Option<(Vec<f64>, Vec<f64>)> {
    let wet = |(share, water): &(f64, f64)| share / (1.0 - water);
    let whole = parts.iter().map(wet).sum::<f64>() + additions.iter().sum::<f64>();
    let fits = parts.iter().all(|(s, w)| *s > 0.0 && (0.0..1.0).contains(w))
        && additions.iter().all(|s| *s > 0.0);
    let factor = total_g / whole;
    (fits && factor.is_finite() && factor > 0.0).then(|| {
        let parts = parts.iter().map(|part| factor * wet(part)).collect();
        (parts, additions.iter().map(|share| factor * share).collect())
    })
}

/// Water of a body as it goes to the wheel, wet basis: by samples of its lot, else, for a blend,
/// by that of its parts, else as written on the bag.
pub fn bag_water(studio: &Studio, body: &str, lot: Option<&str>) -> BagWater {
    water_of(studio, body, lot, DEEP)
}

fn water_of(studio: &Studio, body: &str, lot: Option<&str>, deep: usize) -> BagWater {
    if let Some(sampled) = sample::of_lot(studio, body, lot) {
        return sampled;
    }
    let said = sample::written(studio.bodies.get(body));
    let ingredients = studio.blends.get(body).map_or(&[][..], Vec::as_slice);
    if deep == 0 || ingredients.is_empty() {
        return said;
    }
    let (parts, additions) = parts_of(studio, ingredients, deep - 1);
    match mix(&parts, &additions) {
        // What the potter wrote of the blend itself holds; the parts say how sure it is.
        Some(mixture) if studio.bodies.get(body).is_some_and(|b| b.bag_water().is_some()) => {
            let apart = (mixture.water.wet - said.wet).abs();
            BagWater { sd: mixture.water.sd.max(apart.min(said.sd)), ..said }
        }
        Some(mixture) => mixture.water,
        None => said,
    }
}

/// Parts of a blend as they are known, and its additions, g; each in the order of `ingredients`.
pub fn ingredients(studio: &Studio, ingredients: &[Blend]) -> (Vec<Part>, Vec<f64>) {
    parts_of(studio, ingredients, DEEP)
}

fn parts_of(studio: &Studio, ingredients: &[Blend], deep: usize) -> (Vec<Part>, Vec<f64>) {
    let of = |kind| ingredients.iter().filter(move |i| i.kind == kind);
    let part = |i: &Blend| {
        let body = studio.bodies.get(&i.name);
        let band = body.and_then(|b| b.trim_from_dry.zip(b.trim_to_dry));
        Part { mass_g: i.mass_g, water: water_of(studio, &i.name, None, deep), band }
    };
    let parts = of(Ingredient::Part).map(part).collect();
    (parts, of(Ingredient::Addition).map(|i| i.mass_g).collect())
}

/// How much of each body and dry addition to wedge for so many balls, g, in order: each with its
/// share of the dry mass, which need not add up to 1. `None` if a share or a ball cannot be.
pub fn for_balls(
    studio: &Studio,
    parts: &[(Name, f64)],
    additions: &[(Name, f64)],
    (balls, ball_g): (u32, f64),
) -> Option<(Vec<f64>, Vec<f64>)> {
    let part = |(name, share): &(Name, f64)| (*share, bag_water(studio, name, None).wet);
    let parts: Vec<(f64, f64)> = parts.iter().map(part).collect();
    let additions: Vec<f64> = additions.iter().map(|(_, share)| *share).collect();
    to_wedge(&parts, &additions, f64::from(balls) * ball_g)
}

/// A body's additions for whose sake its scrap must be kept apart; one of which nothing is known
/// is among them.
pub fn apart(blends: &BTreeMap<Name, Vec<Blend>>, body: &str) -> BTreeSet<Name> {
    let keeps = |hazards: &[Hazard]| {
        hazards.is_empty() || hazards.iter().any(|hazard| hazard.keeps_scrap_apart())
    };
    let all = additions(blends, body).into_iter();
    all.filter(|(_, hazards)| keeps(hazards)).map(|(name, _)| name).collect()
}

/// All that was ever added to a body and its parts, by name, with what it can do.
pub fn additions(blends: &BTreeMap<Name, Vec<Blend>>, body: &str) -> BTreeMap<Name, Vec<Hazard>> {
    let mut found = BTreeMap::new();
    let (mut seen, mut left) = (BTreeSet::new(), vec![body]);
    while let Some(body) = left.pop() {
        if !seen.insert(body) {
            continue;
        }
        for ingredient in blends.get(body).into_iter().flatten() {
            match ingredient.kind {
                Ingredient::Part => left.push(&ingredient.name),
                Ingredient::Addition => {
                    found.insert(ingredient.name.clone(), hazards(&ingredient.name));
                }
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::body;
    use crate::core::inference::priors::{BAG_WATER_WET, written_sd};
    use crate::records::{Body, Drying, Sample};
    use crate::units::{HOUR, Time};
    use proptest::prelude::*;

    fn part(mass_g: f64, wet: f64, sd: f64, band: Option<(f64, f64)>) -> Part {
        Part { mass_g, water: BagWater { wet, sd }, band }
    }

    /// By hand, from what is conserved: 3000 g at 25 % and 1000 g at 20 % hold 950 g of water and
    /// 3050 g of dry clay; with 450 g of grog 950 g on 3500 g.
    #[test]
    fn water_and_dry_clay_are_conserved() {
        let parts = [
            part(3000.0, 0.25, 0.01, Some((0.24, 0.16))),
            part(1000.0, 0.20, 0.02, Some((0.20, 0.12))),
        ];
        let plain = mix(&parts, &[]).unwrap();
        assert!((plain.water.wet - 950.0 / 4000.0).abs() < 1e-12);
        assert!((plain.parts[0] - 2250.0 / 3050.0).abs() < 1e-12);
        let (from, to) = plain.band.unwrap();
        assert!((from - (2250.0 * 0.24 + 800.0 * 0.20) / 3050.0).abs() < 1e-12);
        assert!((to - (2250.0 * 0.16 + 800.0 * 0.12) / 3050.0).abs() < 1e-12);
        assert!((plain.uneven - (1.0 / 3.0 - 0.25)).abs() < 1e-12);

        let grogged = mix(&parts, &[450.0]).unwrap();
        assert!((grogged.water.wet - 950.0 / 4450.0).abs() < 1e-12);
        assert!((grogged.additions[0] - 450.0 / 3500.0).abs() < 1e-12);
        // Grog takes up none of the water of plasticity.
        let lower = grogged.band.unwrap().0 / from;
        assert!((lower - 3050.0 / 3500.0).abs() < 1e-12);
        // Linear in each part's water (JCGM 100:2008, eq. 10), and what wedging itself does.
        let sd = f64::hypot(3000.0 / 4450.0 * 0.01, 1000.0 / 4450.0 * 0.02).hypot(WEDGING_SD);
        assert!((grogged.water.sd - sd).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_wedged_is_no_blend() {
        let good = part(1.0, 0.2, 0.01, None);
        assert_eq!(mix(&[good], &[]).unwrap().band, None);
        assert_eq!(mix(&[], &[1.0]), None);
        for bad in
            [part(0.0, 0.2, 0.0, None), part(f64::NAN, 0.2, 0.0, None), part(1.0, 1.0, 0.0, None)]
        {
            assert_eq!(mix(&[good, bad], &[]), None);
        }
        assert_eq!((mix(&[good], &[-1.0]), mix(&[good], &[f64::INFINITY])), (None, None));
        assert_eq!((mix_priors(&[]), to_wedge(&[(1.0, 0.2)], &[], 0.0)), (None, None));
    }

    /// Mean and deviation computed by hand: equal shares of 0.14 ± 0.02 and 0.18 ± 0.02.
    #[test]
    fn a_blend_is_no_surer_than_its_parts() {
        let (mean, sd) = mix_priors(&[(1.0, 0.14, 0.02), (1.0, 0.18, 0.02)]).unwrap();
        assert!((mean - 0.16).abs() < 1e-12);
        assert!((sd - f64::hypot(0.02, 0.01)).abs() < 1e-12);
        let (same, sd) = mix_priors(&[(0.3, 0.14, 0.02), (0.6, 0.14, 0.02)]).unwrap();
        assert!((same - 0.14).abs() < 1e-12 && (sd - 0.02).abs() < 1e-12);
    }

    /// 12 balls of 600 g at two parts of dry clay to one, at 25 and 20 % of water: by hand
    /// 2/0.75 + 1/0.80 = 3.91667 parts of wet clay.
    #[test]
    fn what_is_wedged_for_a_ratio_has_that_ratio() {
        let (wet, none) = to_wedge(&[(2.0, 0.25), (1.0, 0.20)], &[], 7200.0).unwrap();
        assert!((wet[0] - 7200.0 * (2.0 / 0.75) / (2.0 / 0.75 + 1.25)).abs() < 1e-9);
        assert!((wet[0] + wet[1] - 7200.0).abs() < 1e-9 && none.is_empty());
    }

    proptest! {
        #[test]
        fn weighing_out_and_wedging_undo_each_other(
            parts in prop::collection::vec((0.05..5.0f64, 0.1..0.35f64), 1..5),
            additions in prop::collection::vec(0.01..1.0f64, 0..3),
            total in 1.0..50_000.0f64,
        ) {
            let (wet, dry) = to_wedge(&parts, &additions, total).unwrap();
            prop_assert!((wet.iter().chain(&dry).sum::<f64>() / total - 1.0).abs() < 1e-9);
            let weighed: Vec<Part> =
                wet.iter().zip(&parts).map(|(g, (_, w))| part(*g, *w, 0.01, None)).collect();
            let mixture = mix(&weighed, &dry).unwrap();
            let all: f64 = parts.iter().map(|p| p.0).sum::<f64>() + additions.iter().sum::<f64>();
            for (share, (want, _)) in mixture.parts.iter().zip(&parts) {
                prop_assert!((share - want / all).abs() < 1e-9);
            }
            for (share, want) in mixture.additions.iter().zip(&additions) {
                prop_assert!((share - want / all).abs() < 1e-9);
            }
        }
    }

    fn row(body: &str, kind: Ingredient, name: &str, mass_g: f64) -> Blend {
        Blend { body: body.into(), kind, name: name.into(), mass_g }
    }

    fn studio() -> Studio {
        let named = |name: &str, bag: Option<f64>| {
            (name.into(), Body { name: name.into(), bag_water_wet: bag, ..body() })
        };
        let bodies = [named("dune", Some(0.2)), named("tide", Some(0.25)), named("speckled", None)];
        let speckled = vec![
            row("speckled", Ingredient::Part, "dune", 1000.0),
            row("speckled", Ingredient::Part, "tide", 1000.0),
            row("speckled", Ingredient::Addition, "manganese dioxide", 20.0),
        ];
        let bold = vec![
            row("bold", Ingredient::Part, "speckled", 1000.0),
            row("bold", Ingredient::Addition, "grog", 100.0),
        ];
        Studio {
            bodies: bodies.into(),
            blends: [("speckled".into(), speckled), ("bold".into(), bold)].into(),
            ..Studio::default()
        }
    }

    #[test]
    fn water_of_a_body_is_sampled_or_blended_or_written() {
        let mut studio = studio();
        assert_eq!(bag_water(&studio, "dune", None).wet, 0.2);
        assert_eq!(bag_water(&studio, "nobody", None).wet, BAG_WATER_WET.0);
        let blended = bag_water(&studio, "speckled", None);
        assert!((blended.wet - 450.0 / 2020.0).abs() < 1e-12, "{blended:?}");
        assert!(blended.sd < written_sd());
        // What was written of it holds, the surer the nearer it is to what the parts say.
        let written = |wet: f64| {
            let mut studio = studio.clone();
            let speckled = Body { name: "speckled".into(), bag_water_wet: Some(wet), ..body() };
            studio.bodies.insert("speckled".into(), speckled);
            bag_water(&studio, "speckled", None)
        };
        assert_eq!(written(blended.wet), blended);
        assert_eq!((written(0.26).wet, written(0.26).sd), (0.26, written_sd()));
        // In a blend of the blend as well.
        let bold = bag_water(&studio, "bold", None);
        assert!((bold.wet - blended.wet * 1000.0 / 1100.0).abs() < 1e-12);

        let weighed = |hours: f64, drying: Drying, mass_g: f64| Sample {
            time: Time::MIN.plus(hours * HOUR),
            sample: "offcut".into(),
            body: "dune".into(),
            lot: None,
            drying,
            mass_g,
            tare_g: None,
            humidity: None,
            step_g: Some(0.1),
        };
        studio.samples = vec![
            weighed(0.0, Drying::Wet, 100.0),
            weighed(16.0, Drying::Oven, 77.0),
            weighed(17.0, Drying::Oven, 77.0),
        ];
        assert!((bag_water(&studio, "dune", None).wet - 0.23).abs() < 1e-12);
        assert_eq!(bag_water(&studio, "dune", Some("other bag")).wet, 0.2);
        assert!(bag_water(&studio, "speckled", None).wet > blended.wet);
    }

    #[test]
    fn harm_comes_with_the_parts() {
        let studio = studio();
        let found = additions(&studio.blends, "bold");
        let names: Vec<&str> = found.keys().map(String::as_str).collect();
        assert_eq!(names, ["grog", "manganese dioxide"]);
        assert_eq!(found["manganese dioxide"], [Hazard::Metal]);
        assert!(additions(&studio.blends, "dune").is_empty());
        // Grog in reclaim is no harm; what nobody knows may be.
        assert_eq!(apart(&studio.blends, "bold"), ["manganese dioxide".into()].into());
        assert!(apart(&studio.blends, "tide").is_empty());
        let mystery = vec![row("dune", Ingredient::Addition, "mystery powder", 1.0)];
        let blends = [("dune".into(), mystery)].into();
        assert_eq!(apart(&blends, "dune"), ["mystery powder".into()].into());
    }

    /// The database lets none in; here it must only come to an end.
    #[test]
    fn a_circle_of_blends_comes_to_an_end() {
        let mut studio = studio();
        let circle = vec![row("dune", Ingredient::Part, "bold", 1.0)];
        studio.blends.insert("dune".into(), circle);
        assert!(bag_water(&studio, "bold", None).wet.is_finite());
        assert_eq!(additions(&studio.blends, "bold").len(), 2);
    }
}
