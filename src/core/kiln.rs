//! A kiln load: how likely all of it is dry at a date, which pot holds it up, how much water is to
//! be driven off, and how long the slow first stage is to be held.
//!
//! All pots of a load share their weathers ([`super::weather`]); in each weather every pot has all
//! its draws, and what is still unknown of one pot says nothing of another. So
//! P(all dry) = mean over weathers of the product over pots. What the pots of a body have in common
//! beyond the air is not shared: that makes the chance of a large load too small rather than too
//! great.
//!
//! *Dry* is a pot whose wettest part has come within [`super::forecast::BONE_DRY_WETTEST`] of its
//! balance with the air, once: more time never makes it less likely. Which water a pot still holds
//! then, that of the air included, is told beside it.

use super::assessment::Assessment;
use super::candling::Candling;
use super::drying::{LANES, Lane, PotState, StepKeeping};
use super::forecast::{Batch, HORIZON, cross, times_of, weighted};
use super::prospect::Prospect;
use super::readiness::NOT_READY;
use super::report::{PotAnswer, Quantiles, TimeQuantiles, Warning};
use super::weather::Weather;
use super::whole_second;
use crate::records::{Name, Pot};
use crate::units::Time;
use rand::rngs::StdRng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};

/// Times are told to this, s.
const TOLD_TO: f64 = 60.0;

/// What is asked of a load.
#[derive(Clone, Copy, Debug)]
pub struct Question {
    /// Now.
    pub at: Time,
    /// When it is to be packed, s from now; not before now.
    pub date: f64,
    /// How likely all of it is to be dry.
    pub wanted: f64,
    /// How the first stage is held.
    pub candling: Candling,
}

/// What comes of one draw of a pot in one weather. Times are s from now, infinite where they do not
/// come.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fate {
    /// How likely it is against the others.
    pub weight: f64,
    /// When its wettest part is dry.
    pub dry: f64,
    /// When its wettest part has passed the end of shrinkage.
    pub shrunk: f64,
    /// All its water at the date, that in balance with the air included, g.
    pub water_g: f64,
    /// Water of its wettest part then, kg/kg dry basis.
    pub wettest: f64,
    /// How long the first stage takes by diffusion, s.
    pub hold_s: f64,
}

/// A pot of a load: its fates by weather.
#[derive(Clone, PartialEq, Debug)]
pub struct Ware {
    /// Its name.
    pub pot: Name,
    /// By weather, then by draw.
    pub fates: Vec<Vec<Fate>>,
    /// Its thickest part, m, and whether somebody said so.
    pub thickness: (f64, bool),
    /// How likely it is dry at the date if it is turned over now, where its wall can carry it and
    /// its base lags.
    pub turned: Option<f64>,
    /// What speaks against the answer so much that it is none.
    pub doubts: Vec<Warning>,
    /// What else is to be known of it.
    pub warnings: Vec<Warning>,
}

/// Warnings beside those of [`NOT_READY`] with which the chance of a pot is not to be relied on.
const DOUBTS: [&str; 4] = ["not-fitted", "not-calibrated", "keeps-its-weight", "tare-unknown"];
/// A base lags where it holds so much more water than the wall, dry basis; and turning a pot over
/// is worth the walk from so much more chance on (common practice, no source).
const LAGS: f64 = 0.01;
const WORTH: f64 = 0.05;
/// No weight of it, nor of one that it is like.
const NO_WEIGHT: &str = "no-weight";

/// Whether a warning says that a pot was never weighed, nor is it like one that was.
pub(super) fn says_unweighed(warning: &Warning, assessment: &Assessment) -> bool {
    warning.code == NO_WEIGHT && !assessment.is_followed()
}

impl Ware {
    /// From an assessment that holds a prospect; `None` where it holds none.
    pub fn new(
        pot: &Pot,
        (assessment, answer): (&Assessment, &PotAnswer),
        on_rim: bool,
        weathers: &[Weather],
        question: &Question,
    ) -> Option<Ware> {
        let prospect = assessment.prospect.as_ref()?;
        let fates = fates(prospect, weathers, question, false);
        let water = (answer.water.wall, answer.water.base);
        let lags = matches!(water, (Some(wall), Some(base)) if wall.p90 <= prospect.band.from
            && base.p50 > wall.p50 + LAGS);
        let may_turn = lags && !on_rim && question.date > 0.0;
        let turned = may_turn.then(|| {
            let fates = self::fates(prospect, weathers, question, true);
            mean(&fates, |fate| fate.dry <= question.date)
        });
        let of_state = prospect
            .batches
            .first()
            .map_or([0.0; 2], |(batch, _)| batch.going().state.thickness_m().map(|part| part[0]));
        let given = pot.wall_mm.is_some() && pot.base_mm.is_some();
        let said = pot.wall_mm.into_iter().chain(pot.base_mm).map(|mm| mm / 1000.0);
        let thickest = said.chain(of_state).fold(0.0, f64::max);
        let doubtful = |w: &&Warning| {
            let code = w.code;
            let unweighed = says_unweighed(w, assessment);
            NOT_READY.contains(&code) || DOUBTS.contains(&code) || unweighed
        };
        Some(Ware {
            pot: pot.name.clone(),
            fates,
            thickness: (thickest, given),
            turned,
            doubts: answer.warnings.iter().filter(doubtful).cloned().collect(),
            warnings: answer.warnings.iter().filter(|w| !doubtful(w)).cloned().collect(),
        })
    }

    /// How likely it is dry by a time, in each weather.
    fn shares(&self, t: f64) -> impl Iterator<Item = f64> {
        self.fates.iter().map(move |fates| share(fates, |fate| fate.dry <= t))
    }

    /// How likely it is dry by a time.
    pub fn chance(&self, t: f64) -> f64 {
        self.mean(|fate| fate.dry <= t)
    }

    /// How likely something holds of it, over all weathers.
    fn mean(&self, holds: impl Fn(&Fate) -> bool) -> f64 {
        mean(&self.fates, holds)
    }

    fn all(&self) -> impl Iterator<Item = &Fate> {
        self.fates.iter().flatten()
    }

    fn quantiles(&self, of: impl Fn(&Fate) -> f64) -> Quantiles {
        quantiles(self.all().map(|fate| (of(fate), fate.weight)).collect())
    }

    fn times(&self, at: Time, of: impl Fn(&Fate) -> f64) -> TimeQuantiles {
        times_of(self.all().map(|fate| (of(fate), fate.weight)).collect(), at)
    }
}

/// How likely something holds of fates by weather.
fn mean(fates: &[Vec<Fate>], holds: impl Fn(&Fate) -> bool) -> f64 {
    fates.iter().map(|fates| share(fates, &holds)).sum::<f64>() / fates.len().max(1) as f64
}

/// Share of the fates' weight that something holds of.
fn share(fates: &[Fate], holds: impl Fn(&Fate) -> bool) -> f64 {
    let (mut some, mut all) = (0.0, 0.0);
    for fate in fates {
        all += fate.weight;
        some += if holds(fate) { fate.weight } else { 0.0 };
    }
    if all > 0.0 { some / all } else { 0.0 }
}

fn quantiles(values: Vec<(f64, f64)>) -> Quantiles {
    let [p10, p50, p90] = weighted(values);
    Quantiles { p10, p50, p90 }
}

/// What comes of all draws of a pot in each weather; `turned`: it stands on its rim from now on.
fn fates(
    prospect: &Prospect,
    weathers: &[Weather],
    question: &Question,
    turned: bool,
) -> Vec<Vec<Fate>> {
    let of = |(number, weather): (u64, &Weather)| {
        let mut fates = Vec::new();
        for (batch, seed) in &prospect.batches {
            // A pot's own chance is another one in each weather.
            let rng = StdRng::seed_from_u64(seed ^ (number << 32));
            walk((prospect, turned), (batch, *seed), (weather, rng), question, &mut fates);
        }
        fates
    };
    (0..).zip(weathers).map(of).collect()
}

/// One batch through one weather, until all is known.
fn walk(
    (prospect, turned): (&Prospect, bool),
    (batch, seed): (&Batch, u64),
    (weather, rng): (&Weather, StdRng),
    question: &Question,
    fates: &mut Vec<Fate>,
) {
    let Prospect { now, band, ref fine, .. } = *prospect;
    let (mut going, mut chance) = (batch.going(), batch.chance_in(rng, [weather; LANES]));
    let candling = &question.candling;
    let about = |state: &PotState| {
        let (dry_g, mean) = (state.dry_g(), state.mean_water());
        let [wall, base] = state.wettest_parts();
        let water_g: Lane = std::array::from_fn(|l| dry_g[l] * mean[l]);
        [water_g, wall, base, state.wettest()]
    };
    let mut then = (question.date <= 0.0).then(|| (0.0, about(&going.state)));
    let mut shrunk = going.wettest.map(|water| if water <= band.to { 0.0 } else { f64::INFINITY });
    let lanes = batch.draws.len();
    for (span, (daily, sd)) in fine.spans.iter().zip(&fine.humidity) {
        let known = (0..lanes).all(|l| going.dry_through[l].is_finite() && shrunk[l].is_finite());
        if known && then.is_some() {
            break;
        }
        let brought = chance.bring(span, *daily, *sd);
        let flipped = span.keeping.flipped.map(|flipped| flipped || turned);
        let keeping = StepKeeping { flipped, ..span.keeping };
        let before = going.wettest;
        going.step(batch, (span, band), keeping, &brought);
        going.see_wettest(span, &brought);
        let (from, to) = (span.from - now, span.to - now);
        for (l, shrunk) in shrunk.iter_mut().enumerate().filter(|(_, t)| t.is_infinite()) {
            let passed = cross(from, before[l], to, going.wettest[l], band.to);
            *shrunk = passed.unwrap_or(f64::INFINITY);
        }
        if then.is_none() && to >= question.date {
            then = Some((to, about(&going.state)));
        }
    }
    let [water_g, wall, base, wettest] = then.map_or_else(|| about(&going.state), |(_, then)| then);
    let [wall_m, base_m] = going.state.thickness_m();
    let mut place = StdRng::seed_from_u64(!seed);
    for (l, draw) in batch.draws.iter().enumerate() {
        let place: f64 = place.random();
        let diffusivity = batch.physics.diffusivity[l];
        // A wall dries on both faces, a base on a shelf on one.
        let parts = [(0.5 * wall_m[l], wall[l]), (base_m[l], base[l])];
        let hold = parts.map(|(face, water)| candling.hold_s(face, water, diffusivity, place));
        fates.push(Fate {
            weight: draw.weight,
            dry: going.dry_through[l] - now,
            shrunk: shrunk[l],
            water_g: water_g[l],
            wettest: wettest[l],
            hold_s: hold[0].max(hold[1]),
        });
    }
}

/// What is told of a pot of a load.
#[derive(Clone, PartialEq, Debug)]
pub struct Told {
    /// The pot.
    pub pot: Name,
    /// How likely its wettest part is dry at the date.
    pub chance: f64,
    /// When its wettest part is dry.
    pub dry: TimeQuantiles,
    /// When that is as sure as was wanted; `None` beyond the horizon.
    pub sure: Option<Time>,
    /// All its water at the date, that of the air included, g.
    pub water_g: Quantiles,
    /// Water of its wettest part then, kg/kg dry basis.
    pub wettest: Quantiles,
    /// How long the first stage takes for it by diffusion, s.
    pub diffusion_s: Quantiles,
    /// The same by common practice for its thickness, s.
    pub practice_s: f64,
    /// Its thickest part, m, and whether somebody said so.
    pub thickness: (f64, bool),
    /// From when its shrinkage has ended, as surely as was wanted.
    pub shrunk: Option<Time>,
    /// Whether it may still shrink at the date.
    pub shrinks: bool,
    /// How likely it is dry at the date if it is turned over now, where that can be done and helps.
    pub turned: Option<f64>,
    /// Why its chance is not to be relied on.
    pub doubts: Vec<Warning>,
    /// What else is to be known of it.
    pub warnings: Vec<Warning>,
}

impl Told {
    fn new(ware: &Ware, question: &Question) -> Told {
        let sure = |of: &dyn Fn(&Fate) -> f64| {
            earliest(question.wanted, |t| ware.mean(|fate| of(fate) <= t))
                .map(|t| whole_second(question.at.plus(t)))
        };
        Told {
            pot: ware.pot.clone(),
            chance: ware.chance(question.date),
            dry: ware.times(question.at, |fate| fate.dry),
            sure: sure(&|fate| fate.dry),
            water_g: ware.quantiles(|fate| fate.water_g),
            wettest: ware.quantiles(|fate| fate.wettest),
            diffusion_s: ware.quantiles(|fate| fate.hold_s),
            practice_s: question.candling.practice_s(ware.thickness.0),
            thickness: ware.thickness,
            shrunk: sure(&|fate| fate.shrunk),
            shrinks: ware.mean(|fate| fate.shrunk <= question.date) < question.wanted,
            turned: ware.turned.filter(|turned| *turned >= ware.chance(question.date) + WORTH),
            doubts: ware.doubts.clone(),
            warnings: ware.warnings.clone(),
        }
    }

    /// How long the first stage is held for its sake at least, s: by diffusion, as likely as not,
    /// and never shorter than by common practice.
    pub fn hold_s(&self) -> f64 {
        self.diffusion_s.p50.max(self.practice_s)
    }
}

/// What is told of a load.
#[derive(Clone, PartialEq, Debug)]
pub struct Load {
    /// Its pots, the likeliest to hold it up first.
    pub pots: Vec<Told>,
    /// How likely all that can be told of are dry at the date, and with [`Load::doubtful`] pots no
    /// more than that; `None` where it can be told of none.
    pub chance: Option<f64>,
    /// When that is as sure as was wanted; `None` beyond the horizon.
    pub sure: Option<Time>,
    /// Which to leave out so that the others are as sure as was wanted, in that order.
    pub leave_out: Vec<Name>,
    /// How likely the others are all dry then; `None` where none is left.
    pub chance_of_others: Option<f64>,
    /// All their water at the date, that of the air included, g.
    pub water_g: Quantiles,
    /// The same of those that no longer shrink then: what is to be driven off.
    pub driven_off_g: Quantiles,
}

impl Load {
    /// Of wares that were asked about in the same weathers.
    pub fn new(question: &Question, wares: &[Ware]) -> Load {
        let Question { date, wanted, .. } = *question;
        let mut order: Vec<(f64, f64, &Ware)> = wares
            .iter()
            .map(|ware| (ware.chance(date), ware.quantiles(|f| f.dry.min(HORIZON)).p50, ware))
            .collect();
        order.sort_by(|a, b| {
            let sure = |w: &Ware| w.doubts.is_empty();
            let by_water = |w: &Ware| w.quantiles(|f| f.wettest).p50;
            (sure(a.2).cmp(&sure(b.2)))
                .then(a.0.total_cmp(&b.0))
                .then(b.1.total_cmp(&a.1))
                .then_with(|| by_water(b.2).total_cmp(&by_water(a.2)))
        });
        let known: Vec<&Ware> =
            order.iter().map(|o| o.2).filter(|ware| ware.doubts.is_empty()).collect();
        // The least likely goes first: no other one gains as much.
        let doubtful = wares.len() - known.len();
        let out = (0..=known.len())
            .find(|out| *out == known.len() || all_dry(&known[*out..], date) >= wanted)
            .unwrap_or(0);
        let left = &known[out..];
        let pots: Vec<Told> = order.iter().map(|(.., w)| Told::new(w, question)).collect();
        let firm = |ware: &&Ware| pots.iter().any(|pot| pot.pot == ware.pot && !pot.shrinks);
        Load {
            driven_off_g: together(wares.iter().filter(firm)),
            chance: (!known.is_empty()).then(|| all_dry(&known, date)),
            sure: earliest(wanted, |t| all_dry(&known, t))
                .map(|t| whole_second(question.at.plus(t))),
            leave_out: order[..doubtful + out].iter().map(|o| o.2.pot.clone()).collect(),
            chance_of_others: (!left.is_empty()).then(|| all_dry(left, date)),
            water_g: together(wares.iter()),
            pots,
        }
    }

    /// Pots of which it cannot be told.
    pub fn doubtful(&self) -> impl Iterator<Item = &Told> {
        self.pots.iter().filter(|pot| !pot.doubts.is_empty())
    }

    /// The pot that holds it up: the least likely of those of which it can be told.
    pub fn wettest(&self) -> Option<&Told> {
        self.pots.iter().find(|pot| pot.doubts.is_empty())
    }

    /// The pot for whose sake the first stage is held longest, of those that no longer shrink at
    /// the date: the others go into no kiln.
    pub fn slowest(&self) -> Option<&Told> {
        self.slowest_of(|_| true)
    }

    /// The same of those that are not to be left out.
    pub fn slowest_of_others(&self) -> Option<&Told> {
        self.slowest_of(|pot| !self.leave_out.contains(&pot.pot))
    }

    fn slowest_of(&self, is: impl Fn(&Told) -> bool) -> Option<&Told> {
        let ready = self.pots.iter().filter(|pot| !pot.shrinks && is(pot));
        ready.max_by(|a, b| a.hold_s().total_cmp(&b.hold_s()))
    }
}

/// How likely all of them are dry by a time.
fn all_dry(wares: &[&Ware], t: f64) -> f64 {
    let Some(weathers) = wares.iter().map(|ware| ware.fates.len()).max() else { return 1.0 };
    let mut product = vec![1.0; weathers];
    for ware in wares {
        product.iter_mut().zip(ware.shares(t)).for_each(|(all, one)| *all *= one);
    }
    product.iter().sum::<f64>() / weathers.max(1) as f64
}

/// The first time at which something that only grows is as likely as was wanted, s; `None` where
/// that is not within the horizon.
fn earliest(wanted: f64, chance: impl Fn(f64) -> f64) -> Option<f64> {
    if chance(0.0) >= wanted {
        return Some(0.0);
    }
    if chance(HORIZON) < wanted {
        return None;
    }
    let (mut low, mut high) = (0.0, HORIZON);
    while high - low > TOLD_TO {
        let middle = 0.5 * (low + high);
        if chance(middle) >= wanted { high = middle } else { low = middle }
    }
    Some(high)
}

/// Water of all wares together. In each weather draws of one pot are put beside draws of the
/// others at random, each as often as it is likely.
fn together<'a>(wares: impl Iterator<Item = &'a Ware> + Clone) -> Quantiles {
    let weathers = wares.clone().map(|ware| ware.fates.len()).max().unwrap_or(0);
    let draws = wares.clone().flat_map(|w| &w.fates).map(Vec::len).max().unwrap_or(0);
    let mut sums = Vec::with_capacity(weathers * draws);
    for weather in 0..weathers {
        let mut rng = StdRng::seed_from_u64(weather as u64);
        let mut sum = vec![0.0; draws];
        for fates in wares.clone().filter_map(|ware| ware.fates.get(weather)) {
            let mut drawn = resampled(fates, draws);
            drawn.shuffle(&mut rng);
            sum.iter_mut().zip(drawn).for_each(|(sum, grams)| *sum += grams);
        }
        sums.extend(sum.into_iter().map(|grams| (grams, 1.0)));
    }
    if sums.is_empty() { Quantiles { p10: 0.0, p50: 0.0, p90: 0.0 } } else { quantiles(sums) }
}

/// So many draws of a pot's water, each as often as it is likely (systematic resampling: Kitagawa,
/// *Journal of Computational and Graphical Statistics* 5 (1996) 1).
fn resampled(fates: &[Fate], count: usize) -> Vec<f64> {
    let all: f64 = fates.iter().map(|fate| fate.weight).sum();
    let (mut sum, mut next) = (0.0, fates.iter());
    let mut held = 0.0;
    let place = |k: usize| {
        let goal = (k as f64 + 0.5) / count as f64 * all;
        while sum < goal {
            let Some(fate) = next.next() else { break };
            sum += fate.weight;
            held = fate.water_g;
        }
        held
    };
    (0..count).map(place).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{DAY, HOUR};
    use proptest::prelude::*;

    fn question(date: f64, wanted: f64) -> Question {
        let candling = Candling { hold: 90.0, rest: 0.005, hours_per_cm: 4.0, least_hours: 2.0 };
        Question { at: Time(1_932_904_800_000_000), date, wanted, candling }
    }

    /// A pot whose draws are dry at these days, in each weather a list.
    fn ware(pot: &str, days: &[Vec<f64>]) -> Ware {
        let fate = |day: &f64| Fate {
            weight: 1.0,
            dry: DAY * day,
            shrunk: 0.5 * DAY * day,
            water_g: 10.0 + day,
            wettest: 0.01 * day,
            hold_s: HOUR * day,
        };
        Ware {
            pot: pot.into(),
            fates: days.iter().map(|days| days.iter().map(fate).collect()).collect(),
            thickness: (0.01, true),
            turned: None,
            doubts: Vec::new(),
            warnings: Vec::new(),
        }
    }

    fn doubtful(ware: Ware) -> Ware {
        let doubt = Warning { code: NO_WEIGHT, text: "weigh it".into() };
        Ware { doubts: vec![doubt], ..ware }
    }

    fn days() -> impl Strategy<Value = Vec<Vec<f64>>> {
        let day = prop_oneof![0.0..40.0f64, Just(f64::INFINITY)];
        prop::collection::vec(prop::collection::vec(day, 6), 4)
    }

    proptest! {
        #[test]
        fn a_load_is_never_readier_than_its_wettest_pot(
            pots in prop::collection::vec(days(), 1..6),
            date in 0.0..30.0f64,
        ) {
            let wares: Vec<Ware> = pots.iter().map(|days| ware("a", days)).collect();
            let load = Load::new(&question(DAY * date, 0.8), &wares);
            let wettest = load.wettest().unwrap();
            prop_assert!(load.pots.iter().all(|pot| pot.chance >= wettest.chance));
            prop_assert!(load.chance.unwrap() <= wettest.chance + 1e-12);
            // What is left after the others is sure enough, or nothing is.
            let others = load.chance_of_others;
            prop_assert!(others.is_none_or(|chance| chance >= 0.8 - 1e-12), "{others:?}");
            prop_assert_eq!(others.is_none(), load.leave_out.len() == wares.len());
        }

        #[test]
        fn more_time_never_makes_a_load_less_likely_dry_nor_more_pots_likelier(
            pots in prop::collection::vec(days(), 2..6),
            date in 0.0..30.0f64,
            more in 0.0..10.0f64,
        ) {
            let wares: Vec<Ware> = pots.iter().map(|days| ware("a", days)).collect();
            let at = |date: f64, wares: &[Ware]| {
                Load::new(&question(DAY * date, 0.8), wares).chance.unwrap()
            };
            let chance = at(date, &wares);
            prop_assert!(at(date + more, &wares) >= chance);
            prop_assert!(at(date, &wares[1..]) >= chance - 1e-12);
        }
    }

    /// In a damp weather both are late, in a dry one both are dry: together they are as likely as
    /// one alone. Two that are late by chance of their own are not.
    #[test]
    fn pots_of_a_room_are_dry_together() {
        let weather = ware("weather", &[vec![1.0, 1.0], vec![9.0, 9.0]]);
        let own = ware("own", &[vec![1.0, 9.0], vec![1.0, 9.0]]);
        let load = |wares: &[Ware]| Load::new(&question(5.0 * DAY, 0.8), wares).chance;
        assert_eq!(load(&[weather.clone(), weather.clone()]), Some(0.5));
        assert_eq!(load(&[own.clone(), own.clone()]), Some(0.25));
        assert_eq!(load(&[weather, own]), Some(0.25));
        assert_eq!(load(&[]), None);
    }

    #[test]
    fn what_holds_a_load_up_is_named_and_left_out() {
        let soon = ware("soon", &[vec![1.0; 4], vec![1.0; 4]]);
        let late = ware("late", &[vec![1.0, 9.0, 9.0, 20.0], vec![9.0; 4]]);
        let never = ware("never", &[vec![f64::INFINITY; 4], vec![f64::INFINITY; 4]]);
        let unknown = doubtful(ware("unknown", &[vec![1.0; 4], vec![1.0; 4]]));
        let question = question(5.0 * DAY, 0.8);
        let load = Load::new(&question, &[soon.clone(), late.clone()]);
        assert_eq!(load.wettest().unwrap().pot, "late");
        assert_eq!((load.chance, load.leave_out), (Some(0.125), vec!["late".into()]));
        assert_eq!(load.chance_of_others, Some(1.0));
        // Seven of its eight draws are dry by the ninth day.
        assert!((load.sure.unwrap().since(question.at) - 9.0 * DAY).abs() < 120.0);
        let load = Load::new(&question, &[soon.clone(), never, unknown.clone()]);
        assert_eq!((load.chance, load.sure), (Some(0.0), None));
        assert_eq!(load.leave_out, ["unknown", "never"]);
        let load = Load::new(&question, &[unknown]);
        assert_eq!((load.chance, load.chance_of_others), (None, None));
        assert!(load.wettest().is_none() && load.doubtful().count() == 1);
    }

    #[test]
    fn the_hold_is_that_of_the_slowest_which_no_longer_shrinks() {
        let thick = Ware { thickness: (0.03, true), ..ware("thick", &[vec![1.0; 4]]) };
        let wet = ware("wet", &[vec![30.0; 4]]);
        let load =
            Load::new(&question(5.0 * DAY, 0.8), &[ware("thin", &[vec![4.0; 4]]), thick, wet]);
        let told = |pot: &str| load.pots.iter().find(|told| told.pot == pot).unwrap();
        // 12 h by practice for 3 cm, 4 h by diffusion and practice for 1 cm.
        assert_eq!((told("thick").hold_s(), told("thin").hold_s()), (12.0 * HOUR, 4.0 * HOUR));
        assert!(told("wet").shrinks && !told("thin").shrinks);
        // Nor is the water driven off of a pot that goes into no kiln: 10 g and a gram a day.
        assert_eq!((load.driven_off_g.p50, load.water_g.p50), (25.0, 65.0));
        assert_eq!(load.slowest().unwrap().pot, "thick");
        assert_eq!(load.leave_out, ["wet"]);
        assert_eq!(load.slowest_of_others().unwrap().pot, "thick");
        let late = Ware { thickness: (0.05, true), ..ware("late", &[vec![6.0; 4]]) };
        let load = Load::new(&question(5.0 * DAY, 0.8), &[ware("thin", &[vec![4.0; 4]]), late]);
        assert_eq!(load.slowest().unwrap().pot, "late");
        assert_eq!(load.slowest_of_others().unwrap().pot, "thin");
    }

    #[test]
    fn turning_over_is_told_where_it_helps() {
        let days = [vec![1.0, 9.0], vec![9.0, 9.0]];
        for (turned, told) in [(0.26, None), (0.5, Some(0.5)), (0.1, None)] {
            let ware = Ware { turned: Some(turned), ..ware("a", &days) };
            let load = Load::new(&question(5.0 * DAY, 0.8), &[ware]);
            assert_eq!((load.pots[0].chance, load.pots[0].turned), (0.25, told));
        }
    }

    #[test]
    fn water_of_a_load_is_that_of_its_pots() {
        let [a, b] = ["a", "b"].map(|name| ware(name, &[vec![2.0; 8], vec![2.0; 8]]));
        let load = Load::new(&question(DAY, 0.8), &[a, b]);
        assert_eq!([load.water_g.p10, load.water_g.p50, load.water_g.p90], [24.0; 3]);
        // A draw that is three times as likely comes three times as often.
        let fate = |weight, water_g| {
            let one = ware("a", &[vec![1.0]]).fates[0][0];
            Fate { weight, water_g, ..one }
        };
        assert_eq!(resampled(&[fate(3.0, 1.0), fate(1.0, 2.0)], 4), [1.0, 1.0, 1.0, 2.0]);
    }
}
