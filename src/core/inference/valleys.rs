//! What else the weights may tell: the valleys of a fit.
//!
//! Few weights may be told by a fast pot in damp clay as well as by a slow one, and a pot that
//! somebody turned over without writing it down dries its base like no pot that stands on its foot.
//! Each telling is a fit of its own, weighed against the others by Laplace's approximation of its
//! share of the belief (MacKay, *Information Theory, Inference, and Learning Algorithms*, 2003,
//! ch. 27); those that count have a part in the forecast.

use super::least_squares::Fit;
use super::model::Model;
use super::posterior::{
    Link, Posterior, Whitened, feedback, filter, huber, links, residual, weighed_past,
};
use super::priors::Unknown;
use crate::core::drying::{LANES, Lane};
use crate::core::handling::History;
use crate::units::HOUR;
use nalgebra::{DMatrix, DVector};
use std::rc::Rc;

/// A fit is tried again from this much faster and slower, in standard deviations of the prior.
const BESIDE: f64 = 0.7;
/// Descents that have nearly come to their ends are one if these lie so near, in standard errors.
const TOGETHER: f64 = 0.3;
/// A valley that is, from near its end, by so much more unlikely than the likeliest, −2 ln of the
/// shares, is not looked at more closely: to count ([`LEAST_SHARE`]) it would have to turn out four
/// times likelier.
const HOPELESS: f64 = 10.0;
/// Fits that differ by less than this in every unknown, in prior standard deviations, are one.
const SAME: f64 = 0.3;
/// A valley with less than this share of the likeliest one's is left out.
pub const LEAST_SHARE: f64 = 0.03;
/// Rates that the fit may begin at, in standard deviations of the prior.
const STARTS: [f64; LANES] = [-3.0, -2.0, -1.0, 0.0, 0.75, 1.5, 2.25, 3.0];
/// A pot that nobody turned in the log is turned, if it was, at about this mean water, kg/kg dry
/// basis: between soft and stiff, when its rim carries it (common practice, no source). The weights
/// hardly know the hour.
const TURNED_AT: f64 = 0.20;
/// How often that happened before the weights speak (common practice, no source).
const TURNED_UNNOTED: f64 = 0.3;
/// The weights of fewer hours do not know, s.
const TURNED_SINCE: f64 = 4.0 * HOUR;
/// How often a single weight is wrong, mistyped or of a pot with something on it, before the others
/// speak; and over how much of the pot's mass such errors are spread evenly (common practice, no
/// source). Grosser ones are set aside before a fit ([`crate::core::trace`]).
const WRONG: (f64, f64) = (0.01, 0.1);
/// So many of the last weights may be wrong, one of them: later ones have the word on the others.
const MAY_BE_WRONG: usize = 2;
/// A weight that another of nearly as much backs within this time is not alone, s; nor is one of a
/// cell's many. Meanwhile a pot loses this share of itself at most.
const ALONE: f64 = 0.5 * HOUR;
const LOST_SOON: f64 = 0.01;

/// A weight that may be wrong.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Doubted {
    /// Whether it is the pot's last.
    pub is_last: bool,
    /// How likely it is wrong, 0–1.
    pub share: f64,
    /// By how much it lies off the others, g.
    pub off_g: f64,
}

impl<'a> Posterior<'a> {
    /// Fits a pot's model to its weights.
    pub fn new(model: Model<'a>) -> Posterior<'a> {
        let model = Rc::new(model);
        let links = links(&model, None);
        if links.is_empty() {
            return Posterior::at(model, None, links);
        }
        let mut least = f64::INFINITY;
        let mut all = told(&model, None, &mut least);
        if let Some(turned) = all.first().and_then(|found| found.turned()) {
            all.extend(told(&Rc::new(turned), None, &mut least));
        }
        let without = without_one(&all, &links);
        // What one weight hides the others may show: a valley that counts with all of them.
        let shown = without.iter().filter_map(|valley| {
            let same = |it: &&Posterior| it.model.turned_since == valley.model.turned_since;
            let links = all.iter().find(same)?.links.clone();
            Some(Posterior::settle(&valley.model, links, DVector::from_vec(valley.centre())))
        });
        let shown: Vec<_> = shown.collect();
        all.extend(shown.into_iter().chain(without));
        Posterior::weighed(all)
    }

    /// The same pot turned over unnoted, where that may have been and the weights may know it.
    fn turned(&self) -> Option<Model<'a>> {
        let history = self.model.history;
        if history.trimmed || history.keeping.iter().any(|k| k.flipped) {
            return None;
        }
        let past = weighed_past(&self.model, &self.links, &[self.centre()]);
        let span = past.water.iter().position(|water| water[0] < TURNED_AT)? + 1;
        let since = self.model.spans.get(span)?.from;
        (self.links.last()?.t > since + TURNED_SINCE).then(|| self.model.turned(span))
    }

    /// The likeliest of some valleys, with the others that count beside it.
    fn weighed(mut valleys: Vec<Posterior<'a>>) -> Posterior<'a> {
        valleys.sort_by(|a, b| a.unlikely().total_cmp(&b.unlikely()));
        let mut kept: Vec<Posterior> = Vec::new();
        let least = valleys[0].unlikely();
        for mut valley in valleys {
            valley.share = (0.5 * (least - valley.unlikely())).exp();
            let centre = valley.centre();
            let same = |other: &Posterior| {
                valley.model.turned_since == other.model.turned_since
                    && valley.without.map(|w| w.t) == other.without.map(|w| w.t)
                    && centre.iter().zip(other.centre()).all(|(a, b)| (a - b).abs() < SAME)
            };
            if kept.is_empty() || valley.share > LEAST_SHARE && !kept.iter().any(same) {
                kept.push(valley);
            }
        }
        let all: f64 = kept.iter().map(|v| v.share).sum();
        kept.iter_mut().for_each(|v| v.share /= all);
        let mut best = kept.remove(0);
        best.beside = kept;
        best
    }

    /// How unlikely this valley is, by Laplace's approximation: −2 ln of its share of the belief.
    pub fn unlikely(&self) -> f64 {
        let Some(fit) = &self.fit else { return f64::INFINITY };
        let noise: f64 = self.gains.iter().map(|g| 2.0 * g.sd.ln()).sum();
        let eigen = fit.covariance.symmetric_eigenvalues();
        let room: f64 = eigen.iter().map(|v| v.clamp(1e-12, 1.0).ln()).sum();
        let odds = TURNED_UNNOTED / (1.0 - TURNED_UNNOTED);
        let before = if self.model.turned_since.is_some() { -2.0 * odds.ln() } else { 0.0 };
        fit.residual_sum + noise - room + before + self.without.map_or(0.0, |w| wrong(w.g))
    }

    /// This valley and those beside it, each as often as makes up its share of some batches, but
    /// at least once; with the weight of each batch.
    pub fn dealt(&self, batches: usize) -> Vec<(&Posterior<'a>, f64)> {
        let whole = batches as f64;
        let mut out = Vec::with_capacity(batches);
        for valley in &self.beside {
            let count = (valley.share * whole).round().max(1.0);
            let weight = valley.share * whole / count;
            out.extend(std::iter::repeat_n((valley, weight), count as usize));
        }
        let count = batches.saturating_sub(out.len());
        let weight = self.share * whole / count as f64;
        out.extend(std::iter::repeat_n((self, weight), count));
        out
    }

    /// The unknowns on their own scales over all valleys, each by its share: mean and covariance.
    pub fn overall(&self) -> (DVector<f64>, DMatrix<f64>) {
        let all = || std::iter::once(self).chain(&self.beside);
        let each: Vec<_> = all().map(|valley| (valley.share, valley.on_own_scales())).collect();
        let n = self.model.beliefs.len();
        let mut mean = DVector::zeros(n);
        each.iter().for_each(|(share, (of, _))| mean += *share * of);
        let mut covariance = DMatrix::zeros(n, n);
        for (share, (of, within)) in &each {
            let apart = of - &mean;
            covariance += *share * (within + &apart * apart.transpose());
        }
        (mean, covariance)
    }

    /// Of the last weights the one that is most likely wrong: whether that is the last of all, how
    /// likely it is wrong, and by how much it lies off the others, g.
    pub fn doubted(&self) -> Option<Doubted> {
        let all = || std::iter::once(self).chain(&self.beside);
        let without =
            |t: f64| all().filter_map(move |p| p.without.filter(|w| w.t == t).map(|w| (p, w)));
        let share = |t: f64| without(t).map(|(p, _)| p.share).sum::<f64>();
        let times = all().filter_map(|p| p.without.map(|w| w.t));
        let t = times.max_by(|a, b| share(*a).total_cmp(&share(*b)))?;
        let off = without(t).map(|(p, one)| {
            let past = weighed_past(&p.model, &[&p.links[..], &[one]].concat(), &[p.centre()]);
            p.share * residual(&past, &one)[0]
        });
        let is_last = self.model.history.weights.iter().rfind(|w| w.used)?.t == t;
        Some(Doubted { is_last, share: share(t), off_g: off.sum::<f64>() / share(t) })
    }

    /// How sure it is that the pot was turned over though nobody noted it, and since when (s since
    /// it was made).
    pub fn turned_unnoted(&self) -> Option<(f64, f64)> {
        let all = || std::iter::once(self).chain(&self.beside);
        let turned = all().filter(|p| p.model.turned_since.is_some());
        // Never as sure as what was written down.
        let share = turned.map(|p| p.share).sum::<f64>().min(0.99);
        all().find_map(|p| p.model.turned_since).map(|since| (share, since))
    }
}

/// What the other weights say without one of the last, single weighings that too few later ones can
/// speak against, beside what was found with all of them.
fn without_one<'a>(found: &[Posterior<'a>], links: &[Link]) -> Vec<Posterior<'a>> {
    let mut out = Vec::new();
    let mut models: Vec<&Rc<Model<'a>>> = Vec::new();
    for valley in found {
        if !models.iter().any(|model| model.turned_since == valley.model.turned_since) {
            models.push(&valley.model);
        }
    }
    for one in links.iter().skip(1).rev().take(MAY_BE_WRONG) {
        let backs = |other: &Link| {
            let apart = 4.0 * (other.sd + one.sd) + LOST_SOON * one.g;
            let near = (other.t - one.t).abs() < ALONE;
            other.t != one.t && near && (other.g - one.g).abs() < apart
        };
        if links.iter().any(backs) || !is_single(found[0].model.history, one.t) {
            continue;
        }
        for model in &models {
            let mut least = f64::INFINITY;
            let valleys = told(model, Some(one), &mut least).into_iter();
            out.extend(valleys.map(|it| Posterior { without: Some(*one), ..it }));
        }
    }
    out
}

/// Whether a weight and the one before it are none of a cell that speaks all the time.
fn is_single(history: &History, t: f64) -> bool {
    let until = history.weights.iter().rev().filter(|w| w.used && w.t <= t);
    until.take(2).all(|w| w.count <= 2)
}

/// How unlikely a wrong weight of so many grams is, as much as it makes a valley less likely that
/// does without it: −2 ln of its density, but for the constant that each weight has.
fn wrong(g: f64) -> f64 {
    let density = WRONG.0 / (1.0 - WRONG.0) / (WRONG.1 * g.max(1.0));
    -2.0 * density.ln() - std::f64::consts::TAU.ln()
}

/// Valleys of one telling that may count beside the likeliest, which is, from near its end, as
/// unlikely as `least` says.
///
/// What the filter expects of a gram too much is that of one pot for all of them: were it each
/// fit's own, every beginning would come to an end of its own.
fn told<'a>(model: &Rc<Model<'a>>, without: Option<&Link>, least: &mut f64) -> Vec<Posterior<'a>> {
    let rough = Rc::new(model.coarser());
    let mut sides = [model.clone(), rough].map(|model| {
        let links = links(&model, without.map(|one| one.t));
        (model, links)
    });
    let mut begins = starts(&sides[1].0, &sides[1].1);
    let centre = DVector::zeros(model.beliefs.len());
    if !begins.contains(&centre) {
        begins.push(centre);
    }
    for (model, links) in &mut sides {
        feedback(model, links, &begins[0]);
    }
    let [full, rough] = sides;
    let mut told = Told { full, rough, least, near: Vec::new(), found: Vec::new() };
    begins.into_iter().for_each(|begin| told.descend(begin));
    let best = told.found.iter().min_by(|a, b| a.unlikely().total_cmp(&b.unlikely()));
    let best = best.and_then(|found| found.fit.as_ref()).map(|fit| fit.parameters.clone());
    let rate = model.beliefs.place(Unknown::Conductance);
    for (found, rate) in best.into_iter().zip(rate) {
        for beside in [-BESIDE, BESIDE] {
            let mut begin = found.clone();
            begin[rate] += beside;
            told.descend(begin);
        }
    }
    told.found
}

/// Descents of one telling.
struct Told<'m, 'a> {
    /// The model with its weights …
    full: (Rc<Model<'a>>, Vec<Link>),
    /// … and in coarse steps, in which valleys are looked for.
    rough: (Rc<Model<'a>>, Vec<Link>),
    /// How unlikely the likeliest valley of all tellings is, from near its end.
    least: &'m mut f64,
    /// Nearly the ends of the valleys that were come to.
    near: Vec<Fit>,
    /// The valleys.
    found: Vec<Posterior<'a>>,
}

impl Told<'_, '_> {
    /// Descends from here, unless that comes to a valley that was found before or is hopeless.
    fn descend(&mut self, begin: DVector<f64>) {
        let settle = |from| Posterior::settle(&self.full.0, self.full.1.clone(), from);
        let (model, links) = &self.rough;
        let Ok((near, far)) = Posterior::near(model, links, begin.clone()) else {
            return self.found.push(settle(begin));
        };
        if self.near.iter().any(|other| lie_together(other, &near)) {
            return;
        }
        let plain = Some(near.clone());
        let plain = Posterior::at(model.clone(), plain, links.clone()).unlikely();
        // Far innovations pull at it: without them it might be as much better again.
        if plain - 2.0 * far <= *self.least + HOPELESS {
            *self.least = self.least.min(plain - far);
            self.found.push(settle(near.parameters.clone()));
        }
        self.near.push(near);
    }
}

/// Whether two descents have nearly come to the same end: in standard errors (root mean square over
/// the unknowns), and in prior standard deviations, as few weights leave wide errors in which there
/// is room for two valleys.
fn lie_together(a: &Fit, b: &Fit) -> bool {
    let apart = &a.parameters - &b.parameters;
    let converged = a.report.stop.converged() && b.report.stop.converged();
    let squares = a.covariance.clone().cholesky().map(|root| apart.dot(&root.solve(&apart)));
    let mean = squares.map(|sum| sum / apart.len() as f64);
    let near = apart.amax() < 0.25 * SAME;
    converged && near && mean.is_some_and(|mean| mean.sqrt() < TOGETHER)
}

/// Where fits may begin, the best first: at the prior's centre, but for the rate, which is of
/// those that tell the weights better than the rates beside them. A fast pot and a slow one part
/// company at the knee of the curve, and no path leads downhill from the one to the other.
fn starts(model: &Model, links: &[Link]) -> Vec<DVector<f64>> {
    let n = model.beliefs.len();
    let Some(rate) = model.beliefs.place(Unknown::Conductance) else { return Vec::new() };
    let sets: Vec<Vec<f64>> = STARTS
        .iter()
        .map(|z| {
            let mut set = vec![0.0; n];
            set[rate] = *z;
            set
        })
        .collect();
    let past = weighed_past(model, links, &sets);
    let (gains, _) = filter(links, model.beliefs.wander);
    let whitened = Whitened::new(true, model, links, &gains);
    let innovations = whitened.innovations(&past);
    let unlikely: Lane = std::array::from_fn(|lane| {
        innovations.iter().map(|e| huber(e[lane]).powi(2)).sum::<f64>() + STARTS[lane].powi(2)
    });
    let beside = |lane: usize| [lane.checked_sub(1), Some(lane + 1)].into_iter().flatten();
    let is_low = |lane: usize| {
        beside(lane).all(|other| unlikely.get(other).is_none_or(|o| unlikely[lane] <= *o))
    };
    let mut low: Vec<usize> = (0..LANES).filter(|lane| is_low(*lane)).collect();
    low.sort_by(|a, b| unlikely[*a].total_cmp(&unlikely[*b]));
    low.into_iter().map(|lane| DVector::from_column_slice(&sets[lane])).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, history, pot, room};
    use crate::core::inference::posterior::tests::{Errors, NOW, made_up, rows};
    use crate::records::Action;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    /// Every batch is dealt, every valley has one, and the weights make up for the rounding.
    #[test]
    fn valleys_are_dealt_by_their_shares() {
        let (history, room) = (history(&pot(), &rows(), &[], NOW), room(20.0, 0.5, NOW, NOW));
        let part = |share: f64| {
            let posterior = Posterior::new(Model::new(&pot(), Some(&body()), &history, &room));
            Posterior { share, ..posterior }
        };
        for shares in [vec![1.0], vec![0.87, 0.13], vec![0.6, 0.36, 0.04]] {
            let mut best = part(shares[0]);
            best.beside = shares[1..].iter().map(|share| part(*share)).collect();
            let dealt = best.dealt(12);
            assert_eq!(dealt.len(), 12);
            for share in &shares {
                let of: Vec<f64> =
                    dealt.iter().filter(|(p, _)| p.share == *share).map(|d| d.1).collect();
                assert!((of.iter().sum::<f64>() / 12.0 - share).abs() < 1e-12, "{share}: {of:?}");
            }
        }
    }

    /// Six weighings can be told in more than one way. The search finds the likeliest, as Laplace's
    /// approximation counts (MacKay, *Information Theory, Inference, and Learning Algorithms*,
    /// 2003, ch. 27): beginning anywhere else finds better ones for hardly any pot.
    #[test]
    fn the_likeliest_valley_is_found() {
        let room = room(20.0, 0.5, NOW, NOW);
        let (mut behind, mut pots_seen) = (0, 0);
        for seed in 200..208 {
            let pots = made_up(seed, Errors::All);
            for weights in &pots.weights {
                let few: Vec<_> = [1, 9, 18, 48, 54, 89].iter().map(|k| weights[*k]).collect();
                let history = history(&pot(), &rows(), &few, NOW);
                let model = || Model::new(&pot(), Some(&body()), &history, &room);
                let found = Posterior::new(model());
                let model = Rc::new(model());
                let places = 0..model.beliefs.len();
                let begins = places.flat_map(|i| [-2.5, 2.5].map(|to| (i, to)));
                let least = begins.map(|(i, to)| {
                    let mut begin = DVector::zeros(model.beliefs.len());
                    begin[i] = to;
                    let links = found.links.clone();
                    let near = Posterior::near(&model, &links, begin).unwrap().0.parameters;
                    Posterior::settle(&model, links, near).unlikely()
                });
                let least = least.fold(f64::INFINITY, f64::min);
                let shares: f64 = found.beside.iter().map(|v| v.share).sum();
                println!("{:.2} behind; beside {shares:.2}", found.unlikely() - least);
                behind += i32::from(found.unlikely() > least + 1.0);
                pots_seen += 1;
            }
        }
        assert!(behind * 20 <= pots_seen, "{behind} of {pots_seen} have a likelier valley");
    }

    /// A trim that was noted takes as much as trims do: the weight after it is no more doubted than
    /// others, and the valley that the others show counts with it too.
    #[test]
    fn a_weight_after_a_trim_is_believed() {
        let room = room(20.0, 0.5, NOW, NOW);
        for seed in 400..403 {
            for weights in &made_up(seed, Errors::All).weights {
                let mut few: Vec<_> = [1, 9, 18, 40].map(|k| weights[k]).to_vec();
                let (hours, g) = weights[45];
                few.push((hours, 0.92 * g));
                let mut done = rows();
                done.push((hours - 0.1, Action::Trim));
                let history = history(&pot(), &done, &few, hours + 0.1);
                let found = Posterior::new(Model::new(&pot(), Some(&body()), &history, &room));
                let doubted = found.doubted().filter(|it| it.is_last).map_or(0.0, |it| it.share);
                assert!(doubted < 0.05, "{seed}: {doubted}");
                for valley in without_one(std::slice::from_ref(&found), &found.links) {
                    let from = DVector::from_vec(valley.centre());
                    let with = Posterior::settle(&valley.model, found.links.clone(), from);
                    assert!(found.unlikely() < with.unlikely() + 0.5, "{seed}");
                }
            }
        }
    }

    /// What a pot like the model's own weighs every half an hour, with noise of 0.1 g; drawn from
    /// the priors.
    fn weighed(actions: &[(f64, Action)], hours: f64, rng: &mut StdRng) -> Vec<(f64, f64)> {
        let (history, room) = (history(&pot(), actions, &[], hours), room(20.0, 0.5, hours, hours));
        let model = Model::new(&pot(), Some(&body()), &history, &room);
        let mut normal = || -> f64 { rng.sample(StandardNormal) };
        let truth: Vec<f64> = model.beliefs.priors.iter().map(|_| 0.7 * normal()).collect();
        let past = model.past(&[truth]);
        let ends = model.spans.iter().zip(&past.mass).map(|(span, mass)| (span.to, mass.1[0]));
        ends.step_by(2).map(|(t, g)| (t / HOUR, g + 0.1 * normal())).collect()
    }

    /// A pot that stands on its rim dries its base from both sides: once the wall is dry, the
    /// weights tell it from one on its foot, whatever the log says.
    #[test]
    fn a_pot_turned_over_unnoted_is_told_from_one_on_its_foot() {
        const HOURS: f64 = 50.0;
        let rng = &mut StdRng::seed_from_u64(5);
        let (mut sure, mut wrong) = (0, 0);
        for k in 0..16 {
            let turned = k % 2 == 0;
            let done: &[(f64, Action)] = if turned { &[(14.0, Action::Flip)] } else { &[] };
            let weights = weighed(done, HOURS, rng);
            let (history, room) =
                (history(&pot(), &[], &weights, HOURS), room(20.0, 0.5, HOURS, HOURS));
            let found = Posterior::new(Model::new(&pot(), Some(&body()), &history, &room));
            let share = found.turned_unnoted().map_or(0.0, |told| told.0);
            println!("{turned}: {share:.3}");
            sure += i32::from(if turned { share > 0.9 } else { share < 0.1 });
            wrong += i32::from(if turned { share < 0.1 } else { share > 0.9 });
        }
        assert!(sure >= 10 && wrong == 0, "{sure} of 16 told, {wrong} wrong");
    }

    /// A pot that is weighed now and then, the last time with some grams too many: what a slow pot
    /// could weigh is believed, more is not. Good weights are hardly ever doubted.
    #[test]
    fn a_last_weight_that_lies_off_the_others_is_doubted_and_a_good_one_is_not() {
        let room = room(20.0, 0.5, NOW, NOW);
        let (mut doubted, mut believed, mut pots_seen) = (0, [0, 0], 0);
        for seed in 300..310 {
            for weights in &made_up(seed, Errors::All).weights {
                let doubt = |more: f64| {
                    let mut few: Vec<_> = [1, 20, 42, 54].map(|k| weights[k]).to_vec();
                    few[3].1 += more;
                    let history = history(&pot(), &rows(), &few, 18.1);
                    if !history.weights[3].used {
                        return 1.0;
                    }
                    let model = Model::new(&pot(), Some(&body()), &history, &room);
                    Posterior::new(model).doubted().map_or(0.0, |it| it.share)
                };
                doubted += i32::from(doubt(0.0) > 0.05);
                for (believed, more) in believed.iter_mut().zip([9.0, 18.0]) {
                    *believed += i32::from(doubt(more) < 0.05);
                }
                pots_seen += 1;
            }
        }
        println!(
            "{doubted} of {pots_seen} doubted, believed with 9 and 18 g too many: {believed:?}"
        );
        assert!(doubted * 20 <= pots_seen, "{doubted} of {pots_seen} good ones doubted");
        assert!(believed[0] * 2 <= pots_seen, "{believed:?} of {pots_seen} believed");
        assert!(believed[1] * 10 <= pots_seen, "{believed:?} of {pots_seen} believed");
    }
}
