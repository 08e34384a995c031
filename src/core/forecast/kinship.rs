//! What is not known of a pot and would be the same for another of its body and lot.
//!
//! Of the variance of an unknown each pot's own part is known ([`Spread`]), as a share of what is
//! believed of the pot before it is weighed; the rest it has in common with others. Draws of the
//! same number share that part: the normal numbers of an unknown are put into an order that goes
//! with that of numbers which all such pots have in common (Iman & Conover, *Commun. Stat.* B 11
//! (1982) 311), so that each pot by itself has just the numbers that it had. Where weights speak of
//! an unknown its numbers count for less, those in common too.

use super::stratified;
use crate::core::inference::priors::{Beliefs, Spread, Unknown};
use crate::records::Pot;
use rand::SeedableRng;
use rand::rngs::StdRng;

/// A body and lot.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Kin(u64);

impl Kin {
    /// Of a pot.
    pub fn new(pot: &Pot) -> Kin {
        let lot = pot.lot.as_deref().unwrap_or_default();
        Kin(crate::core::seed(&format!("{}/{lot}", pot.body)))
    }
}

/// Which numbers an unknown takes of those in common; `None` of one that is each pot's own.
fn number(unknown: Unknown) -> Option<u64> {
    Some(match unknown {
        Unknown::Kept => 0,
        Unknown::Throwing => 1,
        Unknown::Bag => 2,
        Unknown::Conductance => 3,
        Unknown::BaseInside => 4,
        Unknown::Underside => 5,
        Unknown::BaseShare => 6,
        Unknown::RimOpen => 7,
        Unknown::Shared => 8,
        Unknown::Diffusivity => 9,
        Unknown::Monolayer => 10,
        Unknown::Covering(cover) => 100 + cover as u64,
        Unknown::Trimmed(_) | Unknown::Attached(_) | Unknown::Wetted(_) => return None,
    })
}

/// Share of an unknown's variance that pots of a body and lot have in common.
fn in_common(beliefs: &Beliefs, k: usize) -> f64 {
    let own = Spread::of(beliefs.priors[k].unknown, true).map_or(f64::INFINITY, |s| s.pot);
    (1.0 - (own / beliefs.sd(k)).powi(2)).max(0.0)
}

/// Brings rows of normal numbers, a column for each unknown, into the order of what is in common.
pub fn share(normals: &mut [Vec<f64>], beliefs: &Beliefs, Kin(kin): Kin) {
    for k in 0..beliefs.len() {
        let Some(number) = number(beliefs.priors[k].unknown) else { continue };
        let part = in_common(beliefs, k);
        let mut rng = StdRng::seed_from_u64(kin ^ (number + 1));
        let common = stratified(normals.len(), 1, &mut rng);
        let mixed = |(row, own): (usize, &Vec<f64>)| {
            (part.sqrt() * common[row][0] + (1.0 - part).sqrt() * own[k], row)
        };
        let mut order: Vec<(f64, usize)> = normals.iter().enumerate().map(mixed).collect();
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut values: Vec<f64> = normals.iter().map(|row| row[k]).collect();
        values.sort_by(f64::total_cmp);
        for ((_, row), value) in order.into_iter().zip(values) {
            normals[row][k] = value;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, history, pot, room};
    use crate::core::drying::LANES;
    use crate::core::forecast::{Ask, Band, Draw, forecast};
    use crate::core::inference::model::Model;
    use crate::core::inference::posterior::Posterior;
    use crate::units::HOUR;
    use rand::RngExt;
    use rand_distr::StandardNormal;

    /// So long is looked, h.
    const LONG: f64 = 90.0;
    const BAND: Band = Band { from: 0.23, to: 0.16 };

    /// When windows open and close, h.
    type Window = (f64, f64);

    /// Twins of many studios by brute force, each by the model itself in steady air: of every
    /// unknown the part of studio, body and lot is the same for both ([`Spread`]).
    fn twins(pairs: usize) -> Vec<[Window; 2]> {
        let history = history(&pot(), &[], &[], LONG);
        let room = room(20.0, 0.5, LONG, LONG);
        let model = Model::new(&pot(), Some(&body()), &history, &room);
        let mut rng = StdRng::seed_from_u64(5);
        let mut sets: Vec<Vec<f64>> = Vec::new();
        for _ in 0..pairs {
            let mut both = [Vec::new(), Vec::new()];
            for prior in &model.beliefs.priors {
                let spread = Spread::of(prior.unknown, true).unwrap();
                let shared = spread.studio.hypot(spread.body).hypot(spread.lot);
                let common: f64 = rng.sample(StandardNormal);
                for pot in &mut both {
                    let own: f64 = rng.sample(StandardNormal);
                    pot.push((shared * common + spread.pot * own) / spread.whole());
                }
            }
            sets.extend(both);
        }
        let mut windows = Vec::new();
        for sets in sets.chunks(LANES) {
            let past = model.past(sets);
            let passes = |lane: usize, level: f64| {
                let at = past.water.iter().position(|water| water[lane] <= level);
                at.map_or(LONG, |k| model.spans[k].to / HOUR)
            };
            windows.extend((0..sets.len()).map(|l| (passes(l, BAND.from), passes(l, BAND.to))));
        }
        windows.chunks_exact(2).map(|two| [two[0], two[1]]).collect()
    }

    /// The same by draws of two pots that were not weighed, as a plan has them.
    fn drawn(kin: Option<Kin>) -> Vec<[Window; 2]> {
        let (history, room) = (history(&pot(), &[], &[], 0.0), room(20.0, 0.5, 0.0, 0.0));
        let [jar, lid] = [3, 4].map(|seed| {
            let posterior = Posterior::new(Model::new(&pot(), Some(&body()), &history, &room));
            let ask = Ask { band: BAND, seed, paths: false, shrunk: None, kin };
            forecast(&posterior, &room, &ask, None).draws
        });
        let hours = |t: Option<f64>| t.map_or(LONG, |t| (t / HOUR).min(LONG));
        let window = |draw: &Draw| (hours(draw.opens), hours(draw.closes));
        jar.iter().zip(&lid).map(|(a, b)| [window(a), window(b)]).collect()
    }

    /// Correlation of the logarithms of two pots' opening.
    fn correlation(pairs: &[[Window; 2]]) -> f64 {
        let ln = |k: usize| pairs.iter().map(move |pair| pair[k].0.ln());
        let mean = |k: usize| ln(k).sum::<f64>() / pairs.len() as f64;
        let means = [mean(0), mean(1)];
        let product = |i: usize, j: usize| -> f64 {
            ln(i).zip(ln(j)).map(|(a, b)| (a - means[i]) * (b - means[j])).sum()
        };
        product(0, 1) / (product(0, 0) * product(1, 1)).sqrt()
    }

    /// How often both have opened by the time by which so many pots of theirs have.
    fn both_opened(pairs: &[[Window; 2]], share: f64) -> f64 {
        let by: [f64; 2] = std::array::from_fn(|k| {
            let mut opens: Vec<f64> = pairs.iter().map(|pair| pair[k].0).collect();
            opens.sort_by(f64::total_cmp);
            opens[(share * opens.len() as f64) as usize]
        });
        let both = pairs.iter().filter(|[a, b]| a.0 < by[0] && b.0 < by[1]).count();
        both as f64 / pairs.len() as f64
    }

    /// The pot's own wander is in the draws alone, so they keep together a little less than twins.
    #[test]
    fn pots_open_together_as_often_as_twins_do() {
        let (truth, alone) = (twins(1200), drawn(None));
        let akin = drawn(Some(Kin::new(&pot())));
        let [want, apart, got] = [&truth, &alone, &akin].map(|pairs| correlation(pairs));
        assert!(want > 0.5 && apart.abs() < 0.25, "{want} {apart}");
        assert!((got - want).abs() < 0.15, "{got}, {want}");
        let [want, apart, got] = [&truth, &alone, &akin].map(|pairs| {
            [0.25, 0.5, 0.75].map(|share| both_opened(pairs, share)).iter().sum::<f64>() / 3.0
        });
        assert!((got - want).abs() < 0.06 && want - apart > 0.06, "{got}, {want}, {apart}");
    }

    #[test]
    fn each_pot_keeps_its_own_numbers() {
        let (history, room) = (history(&pot(), &[], &[], 0.0), room(20.0, 0.5, 0.0, 0.0));
        let model = Model::new(&pot(), Some(&body()), &history, &room);
        let mut rng = StdRng::seed_from_u64(1);
        let before = stratified(96, model.beliefs.len(), &mut rng);
        let mut after = before.clone();
        share(&mut after, &model.beliefs, Kin(7));
        assert_ne!(before, after);
        for k in 0..model.beliefs.len() {
            let [was, is] = [&before, &after].map(|rows| {
                let mut column: Vec<f64> = rows.iter().map(|row| row[k]).collect();
                column.sort_by(f64::total_cmp);
                column
            });
            assert_eq!(was, is);
        }
    }
}
