//! What finished pots teach about the next one.
//!
//! A pot that has gone bone-dry has told its dry clay, and thereby all that was uncertain about
//! it. What pots share is pooled with shrinkage: an unknown of a pot is that of its lot and a
//! departure of its own, a lot's that of its body, a body's that of the studio (a normal
//! hierarchical model with the spreads of [`Spread`] as variances: Gelman et al., *Bayesian Data
//! Analysis*, 3rd ed. 2013, ch. 5 and 15). A finished pot speaks as its fit does: by a normal
//! likelihood with its full covariance, so that what its weights could not tell apart stays open.
//!
//! Each pot gives information upwards and each level hands its belief down: exact for normal
//! numbers on a tree (Pearl, *Probabilistic Reasoning in Intelligent Systems*, 1988, ch. 7).
//!
//! How much pots of a lot differ is itself learnt, from a prior worth some pots, and a pot
//! that departs far more than the others counts less (as Huber, Ann. Math. Statist. 35 (1964)
//! 73, bounds the pull of one value): an odd pot does not spoil the body.

use super::posterior::{ASTRAY_SD, Posterior, RATE_SD};
use super::priors::{self, Beliefs, FARTHEST, Spread, Unknown};
use crate::core::handling::History;
use crate::core::uneven::tolerance::{Stood, Tolerance};
use crate::core::verdict::Felt;
use crate::core::witness::Drift;
use crate::records::{Name, Pot};
use crate::units::HOUR;
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeSet;

/// What pots share, in the order of the rows of a lesson.
const SHARED: [Unknown; 14] = [
    Unknown::Kept,
    Unknown::Throwing,
    Unknown::Bag,
    Unknown::Conductance,
    Unknown::Covering(1),
    Unknown::Covering(2),
    Unknown::Covering(3),
    Unknown::BaseInside,
    Unknown::Underside,
    Unknown::BaseShare,
    Unknown::RimOpen,
    Unknown::Shared,
    Unknown::Diffusivity,
    Unknown::Monolayer,
];
const N: usize = SHARED.len();

/// Free water at the last weighing below which a pot teaches, kg/kg dry basis: what it still
/// holds is little against what was unknown.
pub const TAUGHT_BELOW: f64 = 0.02;

/// Whether a pot's weights can be those of one that [`TAUGHT_BELOW`] speaks of: one that loses this
/// share of its mass in an hour is wet, without a fit. A wall of 3 mm at 2 % of free water in dry
/// air loses less.
const WET: f64 = 0.005;
/// Over how long that is taken, s.
const WET_OVER: f64 = 10.0 * HOUR;

/// Whether a pot may have something to teach; cheap, and false only for wet ones.
pub fn may_teach(history: &History) -> bool {
    let mut used = history.weights.iter().rev().filter(|w| w.used);
    let Some(last) = used.next() else { return false };
    match used.find(|w| w.t <= last.t - WET_OVER) {
        Some(first) => (first.g - last.g) / last.g < WET * (last.t - first.t) / HOUR,
        None => false,
    }
}

/// How many pots the prior of the spread between pots is worth.
const SPREAD_WORTH: f64 = 8.0;
/// A pot counts less where its departure, squared and summed in units of the spread, lies this many
/// standard deviations above what is usual.
const ODD: f64 = 3.0;
/// Rounds in which spread and weights are found.
const ROUNDS: usize = 4;

/// How often a body's pots go astray before any was seen to (common practice, no source).
const ASTRAY: f64 = 0.25;
/// One pot speaks for or against it no louder than this, ln of a ratio.
const LOUDEST: f64 = 2.0;

/// What one finished pot says of what pots share, as departures from the prior means.
#[derive(Clone, PartialEq, Debug)]
pub struct Lesson {
    /// The pot.
    pub pot: Name,
    /// Its body.
    pub body: Name,
    /// Its lot, where it was noted.
    pub lot: Option<Name>,
    /// What the hand said of it, and its water then.
    pub felt: Vec<Felt>,
    /// What it teaches of pots; `None` while it is wet.
    finished: Option<Finished>,
    /// What it says of the cell under it.
    cell: Option<Drift>,
    /// How much likelier its rate went astray than not, ln of the ratio; `None` of a few weights.
    astray: Option<f64>,
    /// How unevenly it dried and whether it stood that, where its outcome was noted.
    stood: Option<Stood>,
}

#[derive(Clone, PartialEq, Debug)]
struct Finished {
    bag_given: bool,
    /// Inverse covariance of its likelihood, and that times its centre.
    said: Said,
    /// Variance of the pot's own beyond the pots of a lot: thicknesses that were guessed.
    more: DVector<f64>,
}

/// A normal likelihood: inverse covariance, and that times its centre.
#[derive(Clone, PartialEq, Debug)]
struct Said {
    information: DMatrix<f64>,
    vector: DVector<f64>,
}

/// A normal belief.
#[derive(Clone, PartialEq, Debug)]
struct Normal {
    mean: DVector<f64>,
    covariance: DMatrix<f64>,
}

impl Said {
    fn nothing() -> Said {
        Said { information: DMatrix::zeros(N, N), vector: DVector::zeros(N) }
    }

    fn add(&mut self, other: &Said) {
        self.information += &other.information;
        self.vector += &other.vector;
    }

    /// The same of what this departs from, by this variance: (I + J S)⁻¹ (J, h).
    fn through(&self, variance: &DVector<f64>) -> Option<Said> {
        let mut spread = self.information.clone();
        for (j, mut column) in spread.column_iter_mut().enumerate() {
            column *= variance[j];
        }
        let lu = (DMatrix::identity(N, N) + spread).lu();
        let information = lu.solve(&self.information)?;
        Some(Said {
            information: 0.5 * (&information + information.transpose()),
            vector: lu.solve(&self.vector)?,
        })
    }
}

impl Normal {
    fn known() -> Normal {
        Normal { mean: DVector::zeros(N), covariance: DMatrix::zeros(N, N) }
    }

    /// What departs from this with this variance.
    fn spread(mut self, variance: &DVector<f64>) -> Normal {
        for i in 0..N {
            self.covariance[(i, i)] += variance[i];
        }
        self
    }

    /// After something was said: P = (I + P J)⁻¹ P, m = (I + P J)⁻¹ (m + P h).
    fn told(self, said: &Said) -> Option<Normal> {
        let lu = (DMatrix::identity(N, N) + &self.covariance * &said.information).lu();
        let covariance = lu.solve(&self.covariance)?;
        let mean = lu.solve(&(&self.mean + &self.covariance * &said.vector))?;
        Some(Normal { mean, covariance: 0.5 * (&covariance + covariance.transpose()) })
    }
}

impl Lesson {
    /// What a fitted pot says, what the hand said of it, and what it says of its cell; `None` where
    /// that is nothing.
    pub fn new(
        pot: &Pot,
        bag_given: bool,
        posterior: &Posterior,
        felt: Vec<Felt>,
        cell: Option<Drift>,
    ) -> Option<Lesson> {
        let finished = Finished::new(pot, bag_given, posterior);
        let (body, lot) = (pot.body.clone(), pot.lot.clone());
        let astray = posterior.astray();
        let name = pot.name.clone();
        let lesson = Lesson { pot: name, body, lot, felt, finished, cell, astray, stood: None };
        let says = lesson.is_finished() || !lesson.felt.is_empty() || lesson.cell.is_some();
        (says || lesson.astray.is_some()).then_some(lesson)
    }

    /// Of a pot of which nothing but its outcome teaches.
    pub fn of_outcome(pot: &Pot, stood: Stood) -> Lesson {
        let (name, body, lot) = (pot.name.clone(), pot.body.clone(), pot.lot.clone());
        let (felt, finished, cell, astray) = (Vec::new(), None, None, None);
        Lesson { pot: name, body, lot, felt, finished, cell, astray, stood: Some(stood) }
    }

    /// With what became of the pot.
    pub fn with_outcome(self, stood: Option<Stood>) -> Lesson {
        Lesson { stood, ..self }
    }

    /// Whether the pot has taught of itself, not only the hand of it.
    pub fn is_finished(&self) -> bool {
        self.finished.is_some()
    }
}

impl Finished {
    /// `None` where it has no fit or is still too wet.
    fn new(pot: &Pot, bag_given: bool, posterior: &Posterior) -> Option<Finished> {
        posterior.fit.as_ref()?;
        if posterior.free_when_last_weighed()? > TAUGHT_BELOW {
            return None;
        }
        let beliefs = &posterior.model.beliefs;
        let (mean, covariance) = posterior.on_own_scales();
        // A ball that was not weighed says nothing of the slip.
        let known = |u: &Unknown| *u != Unknown::Kept || pot.ball_g.is_some();
        let here: Vec<(usize, usize)> = (0..N)
            .filter(|k| known(&SHARED[*k]))
            .filter_map(|k| beliefs.place(SHARED[k]).map(|i| (k, i)))
            .collect();
        let n = here.len();
        let away = DVector::from_fn(n, |a, _| mean[here[a].1] - beliefs.priors[here[a].1].mean);
        // In prior deviations, so that the rounding of one unknown is not the size of another.
        let scale = DVector::from_fn(n, |a, _| beliefs.priors[here[a].1].sd);
        let part = DMatrix::from_fn(n, n, |a, b| {
            covariance[(here[a].1, here[b].1)] / (scale[a] * scale[b])
        });
        let inverse = part.cholesky()?.inverse();
        let eigen = (&inverse - DMatrix::identity(n, n)).symmetric_eigen();
        let gained = eigen.eigenvalues.map(|v| v.max(0.0));
        let information =
            &eigen.eigenvectors * DMatrix::from_diagonal(&gained) * eigen.eigenvectors.transpose();
        // Along each of its directions the posterior lies between the prior and what was said; a
        // direction of which little was said cannot have been said to lie out of all reason.
        let along = eigen.eigenvectors.tr_mul(&away.component_div(&scale));
        let centre = |k: usize| along[k] * (1.0 + gained[k]) / gained[k].max(1e-9);
        let pull = DVector::from_fn(n, |k, _| gained[k] * centre(k).clamp(-FARTHEST, FARTHEST));
        let vector = &eigen.eigenvectors * pull;
        let mut said = Said::nothing();
        for (a, (k, _)) in here.iter().enumerate() {
            said.vector[*k] = vector[a] / scale[a];
            for (b, (l, _)) in here.iter().enumerate() {
                said.information[(*k, *l)] = information[(a, b)] / (scale[a] * scale[b]);
            }
        }
        Some(Finished { bag_given, said, more: beyond(beliefs, bag_given) })
    }
}

/// A pot that teaches, with its place in the tree.
#[derive(Clone, Debug)]
struct Teacher {
    pot: Name,
    body: Name,
    lot: Option<Name>,
    told: Finished,
}

/// Unknowns that pots share, each with its value on its own scale and its standard deviation.
pub type Expected = Vec<(Unknown, f64, f64)>;

/// What all finished pots of a studio have said.
#[derive(Clone, Default, Debug)]
pub struct Lessons {
    teachers: Vec<Teacher>,
    /// Bodies with what the hand said of their pots.
    felt: Vec<(Name, Felt)>,
    /// How much less each counts for being odd.
    weights: Vec<f64>,
    /// Variance between the pots of a lot.
    between: Vec<f64>,
    /// What they have said, added up.
    tree: Option<Tree>,
    /// What they say of the cells under them.
    cells: Vec<Drift>,
    /// Bodies with their pots, and how much likelier each went astray than not: ln of the ratio.
    astray: Vec<(Name, Name, f64)>,
    /// Bodies with how unevenly their pots dried, and whether they stood that.
    stood: Vec<(Name, Stood)>,
}

/// What pots have said, added up lot by lot and body by body, so that one pot can be left out
/// without asking all the others anew.
#[derive(Clone, Default, Debug)]
struct Tree {
    bodies: Vec<OfBody>,
}

#[derive(Clone, Debug)]
struct OfBody {
    body: Name,
    bag_given: bool,
    lots: Vec<OfLot>,
    /// What all of it says of the studio.
    upwards: Said,
}

#[derive(Clone, Debug)]
struct OfLot {
    lot: Option<Name>,
    /// What each of its pots says of it.
    pots: Vec<(Name, Said)>,
    said: Said,
    /// What all of it says of its body.
    upwards: Said,
}

impl OfLot {
    /// What its pots say of it, but for one.
    fn without(&self, pot: &str) -> Option<Said> {
        self.pots.iter().any(|(name, _)| name == pot).then(|| {
            let mut said = Said::nothing();
            self.pots.iter().filter(|(name, _)| name != pot).for_each(|(_, its)| said.add(its));
            said
        })
    }
}

impl Tree {
    /// Of teachers, each with what it says of its lot.
    fn new(teachers: &[Teacher], said: Vec<Said>) -> Option<Tree> {
        let mut tree = Tree::default();
        for (teacher, said) in teachers.iter().zip(said) {
            let at = tree.bodies.iter().position(|of| of.body == teacher.body);
            let at = at.unwrap_or_else(|| {
                tree.bodies.push(OfBody {
                    body: teacher.body.clone(),
                    bag_given: teacher.told.bag_given,
                    lots: Vec::new(),
                    upwards: Said::nothing(),
                });
                tree.bodies.len() - 1
            });
            let lots = &mut tree.bodies[at].lots;
            let at = lots.iter().position(|of| of.lot == teacher.lot).unwrap_or_else(|| {
                let (lot, nothing) = (teacher.lot.clone(), Said::nothing);
                lots.push(OfLot { lot, pots: Vec::new(), said: nothing(), upwards: nothing() });
                lots.len() - 1
            });
            lots[at].said.add(&said);
            lots[at].pots.push((teacher.pot.clone(), said));
        }
        for body in &mut tree.bodies {
            let mut sum = Said::nothing();
            for lot in &mut body.lots {
                lot.upwards = lot.said.through(&variances(|s| s.lot, body.bag_given))?;
                sum.add(&lot.upwards);
            }
            body.upwards = sum.through(&variances(|s| s.body, body.bag_given))?;
        }
        Some(tree)
    }

    /// What is said of a studio elsewhere, of a body by its other lots, and of a lot; but for one
    /// pot.
    fn without(&self, pot: &str, body: &str, lot: Option<&Name>) -> Option<[Said; 3]> {
        let [mut elsewhere, mut of_body, mut of_lot] = std::array::from_fn(|_| Said::nothing());
        for of in &self.bodies {
            let here = of.body == body;
            let left_out = of.lots.iter().any(|l| l.pots.iter().any(|(name, _)| name == pot));
            if !here && !left_out {
                elsewhere.add(&of.upwards);
                continue;
            }
            let mut sum = Said::nothing();
            for its in &of.lots {
                let without = its.without(pot);
                if here && its.lot.as_ref() == lot {
                    of_lot.add(without.as_ref().unwrap_or(&its.said));
                    continue;
                }
                match without {
                    Some(said) => sum.add(&said.through(&variances(|s| s.lot, of.bag_given))?),
                    None => sum.add(&its.upwards),
                }
            }
            match here {
                true => of_body = sum,
                false => elsewhere.add(&sum.through(&variances(|s| s.body, of.bag_given))?),
            }
        }
        Some([elsewhere, of_body, of_lot])
    }
}

fn variances(level: fn(&Spread) -> f64, bag_given: bool) -> DVector<f64> {
    DVector::from_fn(N, |k, _| level(&Spread::of(SHARED[k], bag_given).unwrap_or_default()).powi(2))
}

/// Variance of a pot's own beyond what pots of any studio differ by: thicknesses, or a ball, that
/// were guessed.
fn beyond(beliefs: &Beliefs, bag_given: bool) -> DVector<f64> {
    let whole = variances(|s| s.whole(), bag_given);
    DVector::from_fn(N, |k, _| {
        let own = beliefs.place(SHARED[k]).map_or(0.0, |i| beliefs.priors[i].sd.powi(2));
        (own - whole[k]).max(0.0)
    })
}

impl Lessons {
    /// Takes in what finished pots say and finds how much pots differ.
    pub fn new(lessons: Vec<Lesson>) -> Lessons {
        let (mut teachers, mut felt) = (Vec::new(), Vec::new());
        let (mut cells, mut astray, mut stood) = (Vec::new(), Vec::new(), Vec::new());
        for lesson in lessons {
            let Lesson { pot, body, lot, felt: its, finished, cell, astray: its_own, .. } = lesson;
            stood.extend(lesson.stood.map(|stood| (body.clone(), stood)));
            cells.extend(cell);
            astray.extend(its_own.map(|ratio| (body.clone(), pot.clone(), ratio)));
            felt.extend(its.into_iter().map(|one| (body.clone(), one)));
            teachers.extend(finished.map(|told| Teacher { pot, body, lot, told }));
        }
        let prior = variances(|s| s.pot, true);
        let mut out = Lessons {
            weights: vec![1.0; teachers.len()],
            between: prior.as_slice().to_vec(),
            teachers,
            felt,
            tree: None,
            cells,
            astray,
            stood,
        };
        out.tree = out.added_up();
        for _ in 0..if out.teachers.len() > 1 { ROUNDS } else { 0 } {
            let departures: Vec<_> = (0..out.teachers.len()).map(|i| out.departure(i)).collect();
            let mut sum = SPREAD_WORTH * &prior;
            for (i, departure) in departures.iter().enumerate() {
                let Some((mean, variance)) = departure else { continue };
                let between = out.own(&out.teachers[i], 1.0);
                let own = out.own(&out.teachers[i], out.weights[i]);
                let (mut far, mut told) = (0.0, 0.0);
                // What is the lot's is no departure of a pot.
                for k in (0..N).filter(|k| between[*k] > 0.0) {
                    far += mean[k].powi(2) / between[k];
                    told += (1.0 - variance[k] / own[k]).max(0.0);
                }
                // χ² of so many degrees of freedom: mean, and so many standard deviations more.
                out.weights[i] = (told + ODD * (2.0 * told).sqrt()).max(1e-9) / far;
                out.weights[i] = out.weights[i].clamp(1e-6, 1.0);
                sum += (mean.map(|m| m * m) + variance) * out.weights[i];
            }
            let count = SPREAD_WORTH + out.teachers.len() as f64;
            out.between = (sum / count).as_slice().to_vec();
            out.tree = out.added_up();
        }
        out
    }

    fn added_up(&self) -> Option<Tree> {
        let each = self.teachers.iter().zip(&self.weights);
        let said = each.map(|(t, weight)| t.told.said.through(&self.own(t, *weight)));
        Tree::new(&self.teachers, said.collect::<Option<Vec<Said>>>()?)
    }

    /// How many pots of a body have taught.
    pub fn count(&self, body: &str) -> usize {
        self.teachers.iter().filter(|l| l.body == body).count()
    }

    /// With what empty cells say of themselves.
    pub fn with_cells(mut self, idle: impl IntoIterator<Item = Drift>) -> Lessons {
        self.cells.extend(idle);
        self
    }

    /// Cells of which anything is said.
    pub fn cells(&self) -> BTreeSet<&Name> {
        self.cells.iter().map(|drift| &drift.cell).collect()
    }

    /// What pots on a cell, and the empty cell, say of it.
    pub fn of_cell(&self, cell: &str) -> impl Iterator<Item = &Drift> {
        self.cells.iter().filter(move |drift| drift.cell == cell)
    }

    /// What a body stands, by what became of its pots and of those of other bodies.
    pub fn tolerance(&self, body: &str) -> Tolerance {
        Tolerance::of_body(&self.stood, body)
    }

    /// What the hand said of pots of a body.
    pub fn felt(&self, body: &str) -> Vec<Felt> {
        self.felt.iter().filter(|(of, _)| of == body).map(|(_, felt)| *felt).collect()
    }

    /// Variance of a pot within its lot.
    fn own(&self, teacher: &Teacher, weight: f64) -> DVector<f64> {
        DVector::from_fn(N, |k, _| (self.between[k] + teacher.told.more[k]) / weight)
    }

    /// What a lot must be, but for one pot: down the tree from the studio.
    fn lot_without(
        &self,
        pot: &str,
        body: &str,
        lot: Option<&Name>,
        bag_given: bool,
    ) -> Option<Normal> {
        let [elsewhere, of_body, of_lot] = self.tree.as_ref()?.without(pot, body, lot)?;
        Normal::known()
            .spread(&variances(|s| s.studio, bag_given))
            .told(&elsewhere)?
            .spread(&variances(|s| s.body, bag_given))
            .told(&of_body)?
            .spread(&variances(|s| s.lot, bag_given))
            .told(&of_lot)
    }

    /// How far a pot departs from what the others make of its lot: mean and variance.
    fn departure(&self, i: usize) -> Option<(DVector<f64>, DVector<f64>)> {
        let teacher = &self.teachers[i];
        let lot = self.lot_without(
            &teacher.pot,
            &teacher.body,
            teacher.lot.as_ref(),
            teacher.told.bag_given,
        )?;
        let own = self.own(teacher, self.weights[i]);
        let own_matrix = DMatrix::from_diagonal(&own);
        let before = lot.clone().spread(&own);
        let after = before.clone().told(&teacher.told.said)?;
        // Of the whole departure from the others' centre, the pot's own share.
        let share = &own_matrix * before.covariance.clone().cholesky()?.inverse();
        let mean = &share * (after.mean - lot.mean);
        let gained = before.covariance - after.covariance;
        let variance = (&own_matrix - &share * gained * share.transpose()).diagonal();
        Some((mean, variance.map(|v| v.max(0.0))))
    }

    /// How far the log rate of a body's pots departs from the model's, by all but one of them:
    /// standard deviation, over both that may be.
    pub fn wander(&self, body: &str, but: &str) -> f64 {
        let of_body = self.astray.iter().filter(|(of, pot, _)| of == body && pot != but);
        let said: Vec<f64> = of_body.map(|(.., ratio)| ratio.clamp(-LOUDEST, LOUDEST)).collect();
        if said.is_empty() {
            return RATE_SD;
        }
        let odds = ASTRAY / (1.0 - ASTRAY) * said.iter().sum::<f64>().exp();
        let astray = 1.0 - 1.0 / (1.0 + odds);
        RATE_SD.hypot(astray.sqrt() * (ASTRAY_SD * ASTRAY_SD - RATE_SD * RATE_SD).sqrt())
    }

    /// What a new pot of a body has to expect: for each unknown that pots share its value on its
    /// own scale and its standard deviation.
    pub fn expect(&self, body: &str, lot: Option<&Name>, bag: f64, bag_given: bool) -> Expected {
        let own = DVector::from_column_slice(&self.between);
        let level = |level| variances(level, bag_given);
        let untaught = || Normal::known().spread(&level(|s| s.whole()));
        let taught = match self.teachers.is_empty() {
            true => untaught(),
            false => self
                .lot_without("", body, lot, bag_given)
                .map_or_else(untaught, |of_lot| of_lot.spread(&own)),
        };
        let one = |k: usize| {
            let unknown = SHARED[k];
            let mean = priors::usual(unknown, bag) + taught.mean[k];
            (unknown, mean, taught.covariance[(k, k)].sqrt())
        };
        (0..N).map(one).collect()
    }

    /// Makes of a pot's beliefs what the studio's finished pots teach; itself it is not asked.
    pub fn teach(&self, pot: &Pot, bag_given: bool, beliefs: &mut Beliefs) {
        beliefs.wander = self.wander(&pot.body, &pot.name);
        // Nothing but its own words.
        if self.teachers.iter().all(|teacher| teacher.pot == pot.name) {
            return;
        }
        let Some(lot) = self.lot_without(&pot.name, &pot.body, pot.lot.as_ref(), bag_given) else {
            return;
        };
        let own = DVector::from_column_slice(&self.between) + beyond(beliefs, bag_given);
        let taught = lot.spread(&own);
        let mut means = beliefs.means();
        let mut covariance = beliefs.covariance();
        let places: Vec<(usize, usize)> =
            (0..N).filter_map(|k| beliefs.place(SHARED[k]).map(|i| (k, i))).collect();
        for (k, i) in &places {
            means[*i] += taught.mean[*k];
            for (l, j) in &places {
                covariance[(*i, *j)] = taught.covariance[(*k, *l)];
            }
        }
        beliefs.become_of(&means, covariance);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, dried, history, pot, room};
    use crate::core::inference::model::Model;

    /// A lesson that says exactly this of the conductance and of nothing else.
    fn says(name: &str, body: &str, lot: Option<&str>, departure: f64, sd: f64) -> Lesson {
        let mut said = Said::nothing();
        said.information[(3, 3)] = sd.powi(-2);
        said.vector[3] = departure * sd.powi(-2);
        Lesson {
            pot: name.into(),
            body: body.into(),
            lot: lot.map(Into::into),
            felt: Vec::new(),
            finished: Some(Finished { bag_given: true, said, more: DVector::zeros(N) }),
            cell: None,
            astray: None,
            stood: None,
        }
    }

    /// Mean and standard deviation that a new pot of a body gets for its conductance.
    fn taught(lessons: &Lessons, of: &str, lot: Option<&str>) -> (f64, f64) {
        let new = Pot { body: of.into(), lot: lot.map(Into::into), ..pot() };
        let own = history(&new, &[], &[], 1.0);
        let mut beliefs = priors::of_pot(&new, Some(&body()), &own);
        let at = beliefs.place(Unknown::Conductance).unwrap();
        let before = beliefs.priors[at].mean;
        lessons.teach(&new, true, &mut beliefs);
        (beliefs.priors[at].mean - before, beliefs.priors[at].sd)
    }

    fn spread() -> Spread {
        Spread::of(Unknown::Conductance, true).unwrap()
    }

    /// The one-way normal model with known variances has its posterior in closed form (Gelman et
    /// al., Bayesian Data Analysis, 3rd ed. 2013, § 2.5): one pot that is known exactly.
    /// Each pot of a body that went astray makes it likelier of the next, no more than a bound; of
    /// another body it says nothing, and none says it of itself.
    #[test]
    fn pots_that_go_astray_are_believed_to_do_so_again() {
        let astray = |ratios: &[f64]| {
            let lesson = |(i, ratio): (usize, &f64)| Lesson {
                astray: Some(*ratio),
                ..says(&format!("pot {i}"), "shore", None, 0.0, 0.1)
            };
            Lessons::new(ratios.iter().enumerate().map(lesson).collect())
        };
        assert_eq!(astray(&[]).wander("shore", ""), RATE_SD);
        assert_eq!(astray(&[1.0, 1.0]).wander("tide", ""), RATE_SD);
        assert_eq!(astray(&[1.0]).wander("shore", "pot 0"), RATE_SD);
        // Odds of one to three, e² each: 1/3 · e⁴ of 18.2 to one.
        let odds = 1.0 / 3.0 * 4.0_f64.exp();
        let share = odds / (1.0 + odds);
        let variance = share * ASTRAY_SD.powi(2) + (1.0 - share) * RATE_SD.powi(2);
        let believed = astray(&[9.0, 2.0]).wander("shore", "");
        assert!((believed - variance.sqrt()).abs() < 1e-9, "{believed}");
        assert!(astray(&[-5.0, -5.0, -5.0]).wander("shore", "") < 1.01 * RATE_SD);
    }

    #[test]
    fn one_pot_helps_a_little() {
        let s = spread();
        let lessons = Lessons::new(vec![says("first", "stoneware", None, 0.5, 1e-3)]);
        let (mean, sd) = taught(&lessons, "stoneware", None);
        let above = s.studio.powi(2) + s.body.powi(2) + s.lot.powi(2);
        let share = above / (above + s.pot.powi(2));
        assert!((mean - 0.5 * share).abs() < 1e-4, "{mean}");
        let left = above * (1.0 - share) + s.pot.powi(2);
        assert!((sd - left.sqrt()).abs() < 1e-4, "{sd}");
        // Of another body only the studio is known from it.
        let (other, wider) = taught(&lessons, "porcelain", None);
        let share = s.studio.powi(2) / (above + s.pot.powi(2));
        assert!((other - 0.5 * share).abs() < 1e-4, "{other}");
        assert!(wider > sd);
    }

    #[test]
    fn many_pots_help_much_and_never_themselves() {
        let at = [0.42, 0.55, 0.47, 0.61, 0.38, 0.52, 0.50, 0.55];
        let some = |n: usize| {
            let say = |i: usize| says(&format!("pot {i}"), "stoneware", None, at[i], 0.02);
            Lessons::new((0..n).map(say).collect())
        };
        let sds: Vec<f64> = [1, 2, 4, 8].map(|n| taught(&some(n), "stoneware", None).1).into();
        assert!(sds.windows(2).all(|pair| pair[1] < pair[0]), "{sds:?}");
        let (mean, sd) = taught(&some(8), "stoneware", None);
        assert!((mean - 0.5).abs() < 0.03, "{mean}");
        // Eight pots that differ by 0.07: less than was supposed, and not quite so little.
        assert!(sd > 0.07 && sd < 0.9 * spread().pot, "{sd}");
        let itself = Lessons::new(vec![says("planter", "stoneware", None, 0.5, 0.02)]);
        assert_eq!(taught(&itself, "stoneware", None).0, 0.0);
    }

    #[test]
    fn an_odd_pot_does_not_spoil_the_body() {
        let mut lessons: Vec<Lesson> = (0..8)
            .map(|i| says(&format!("pot {i}"), "stoneware", None, 0.02 * f64::from(i), 0.02))
            .collect();
        let without = taught(&Lessons::new(lessons.clone()), "stoneware", None);
        lessons.push(says("odd", "stoneware", None, -3.0, 0.02));
        let with = taught(&Lessons::new(lessons.clone()), "stoneware", None);
        // Counted like the others it would pull the mean down by a third.
        assert!((with.0 - without.0).abs() < 0.12, "{without:?}, {with:?}");
    }

    #[test]
    fn a_new_lot_is_known_by_its_body() {
        // The bag is what lots differ in.
        let say = |name: &str, lot: &str, departure: f64| {
            let mut lesson = says(name, "stoneware", Some(lot), 0.0, 1.0);
            let mut said = Said::nothing();
            said.information[(2, 2)] = 1e8;
            said.vector[2] = departure * 1e8;
            lesson.finished = Some(Finished { bag_given: true, said, more: DVector::zeros(N) });
            lesson
        };
        let lessons = Lessons::new(vec![say("a", "spring", 0.012), say("b", "spring", 0.012)]);
        let bag = |lot: &str| {
            let new = Pot { body: "stoneware".into(), lot: Some(lot.into()), ..pot() };
            let own = history(&new, &[], &[], 1.0);
            let mut beliefs = priors::of_pot(&new, Some(&body()), &own);
            let at = beliefs.place(Unknown::Bag).unwrap();
            let before = beliefs.priors[at].mean;
            lessons.teach(&new, true, &mut beliefs);
            (beliefs.priors[at].mean - before, beliefs.priors[at].sd)
        };
        let (same, other) = (bag("spring"), bag("autumn"));
        assert!((same.0 - 0.012).abs() < 1e-3 && same.1 < 0.002, "{same:?}");
        assert!((0.003..0.009).contains(&other.0) && other.1 > 0.008, "{other:?}");
    }

    /// A pot of the model's own making says what it was made of; while it is wet it says nothing.
    #[test]
    fn a_finished_pot_speaks_and_a_wet_one_does_not() {
        let lesson = |hours: f64| {
            let room = room(20.0, 0.5, hours, hours);
            let (weights, dry_g) = dried(hours);
            let weighed = history(&pot(), &[], &weights, hours);
            if !may_teach(&weighed) {
                return None;
            }
            let fitted = Model::new(&pot(), Some(&body()), &weighed, &room);
            let beliefs = fitted.beliefs.clone();
            Finished::new(&pot(), true, &Posterior::new(fitted)).map(|l| (l, dry_g, beliefs))
        };
        assert!(lesson(16.0).is_none());
        let (lesson, dry_g, beliefs) = lesson(200.0).unwrap();
        let prior = Normal::known().spread(&variances(|s| s.whole(), true));
        let said = prior.clone().told(&lesson.said).unwrap();
        // ln of the dry clay: of what was kept, and of the bag.
        let bag = beliefs.priors[2].mean;
        let by =
            DVector::from_fn(N, |k, _| [1.0, 0.0, -1.0 / (1.0 + bag)].get(k).map_or(0.0, |v| *v));
        let sd = |of: &Normal| (by.transpose() * &of.covariance * &by)[(0, 0)].sqrt();
        assert!(sd(&said) < 0.4 * sd(&prior), "{} of {}", sd(&said), sd(&prior));
        let kept = beliefs.priors[0].mean + said.mean[0];
        let ours = 600.0 * kept.exp() / (1.0 + bag + said.mean[2]);
        assert!((ours / dry_g).ln().abs() < 2.0 * sd(&said), "{ours}, {dry_g}");
    }
}
