//! Which weighing narrows which forecast, and by how much: for a round with one bench scale.
//!
//! What the scale would show of a pot now is drawn with each draw of its forecast
//! ([`Draw::shows_g`]): so the draws tell how far the time that the potter waits for hangs on it.
//! What is left of the spread of its logarithm (a slow pot may take twice the time, and a fast one
//! half) once what a weight tells of it is taken away is what is to be expected after the weighing
//! (preposterior analysis: Raiffa & Schlaifer, *Applied Statistical Decision Theory*, 1961; for
//! what is about normal it is the same whatever the scale then shows). A test holds it against pots
//! that are weighed and fitted again.
//!
//! A pot that was weighed just now, or stands on its own cell, gains nothing by this: what it would
//! show is known but for the noise.

use super::assessment::Assessment;
use super::forecast::{self, BONE_DRY_WETTEST, Draw, HORIZON};
use super::readiness::{READY, plastic_above};
use super::report::{FireCall, PotAnswer, TimeQuantiles, TrimCall};
use crate::units::HOUR;

/// What a potter decides next about a pot, and waits to know.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Decision {
    /// When it can first be trimmed.
    Opens,
    /// Until when it can be trimmed.
    Closes,
    /// When it is dry.
    BoneDry,
    /// Whether it is dry.
    Dry,
}

/// What a weighing now would do for a pot.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Need {
    /// For which decision.
    pub decision: Decision,
    /// Within which time that comes in 8 of 10 cases, s; of [`Decision::Dry`] nothing.
    pub width: f64,
    /// Whether it may come later still, beyond the horizon.
    pub beyond: bool,
    /// The same once it is weighed, s.
    pub weighed: f64,
    /// Of [`Decision::Dry`]: how likely the weighing says that it is.
    pub chance: f64,
    /// What it is worth to weigh it now: time by which the forecast narrows, less for what is far
    /// off, s.
    pub worth: f64,
}

/// Less than this is not worth the walk to the scale, s (common practice, no source).
pub const WORTH: f64 = 600.0;
/// Somebody comes by with the scale again after so long: what is further off than that can be
/// weighed later just as well, s (common practice, no source).
const COMES_BY: f64 = 12.0 * HOUR;
/// To know whether a pot is dry is worth as much as a forecast narrower by this, s (common
/// practice, no source).
const SETTLED: f64 = 3.0 * HOUR;
/// A dependence must stand so many of its standard errors above nothing: few draws make some by
/// chance.
const SURE: f64 = 2.0;
/// Something beneath it that is heavier than this carries the pot: a bat or a board, no sheet of
/// plastic, g (common practice, no source).
pub const BAT_G: f64 = 50.0;

/// Whether a pot would suffer by being lifted: it is plastic still, at the wet end of what is known
/// of its water, and stands on nothing that can be lifted with it.
pub fn too_soft(assessment: &Assessment, answer: &PotAnswer) -> bool {
    let carried = assessment.stands_g() >= BAT_G;
    !carried && answer.water.now.p90 > plastic_above(assessment.band())
}

/// What a weighing now would do for a pot; `None` where there is nothing to decide any more, or it
/// lies beyond the horizon.
pub fn of(assessment: &Assessment, answer: &PotAnswer) -> Option<Need> {
    let (draws, at) = (assessment.draws(), assessment.at());
    let decision = match (answer.trim.call, answer.fire.call) {
        (TrimCall::Now, _) => Decision::Closes,
        (_, FireCall::Ready) => return None,
        (_, FireCall::Doubtful) => return Some(dryness(assessment, answer)),
        (TrimCall::Wait | TrimCall::Soon, _) => Decision::Opens,
        // Rather too stiff than not, yet it may be open still: that comes first.
        (TrimCall::Past, _) if answer.water.now.p90 > assessment.band().to => Decision::Closes,
        (TrimCall::Past | TrimCall::Done, _) => Decision::BoneDry,
    };
    let (time, of): (&TimeQuantiles, fn(&Draw) -> Option<f64>) = match decision {
        Decision::Opens => (&answer.trim.opens, |d| d.opens),
        Decision::Closes => (&answer.trim.closes, |d| d.closes),
        _ => (&answer.fire.bone_dry, |d| d.bone_dry),
    };
    let from = time.p10?;
    let end = at.plus(HORIZON);
    let width = time.p90.unwrap_or(end).since(from).max(0.0);
    let last = end.since(assessment.start());
    let log = |d: &Draw| of(d).unwrap_or(last).clamp(1.0, last).ln();
    let weighed = width * left(draws, &log, assessment.error_g());
    // The earliest it may well come: until then it has to be known.
    let left = from.since(at).max(0.0);
    let worth = (width - weighed) / (1.0 + left / COMES_BY);
    Some(Need { decision, width, beyond: time.p90.is_none(), weighed, chance: 0.0, worth })
}

/// Of a pot that may be dry: how likely a weighing would say so.
fn dryness(assessment: &Assessment, answer: &PotAnswer) -> Need {
    let draws = assessment.draws();
    let told = Told::new(draws, &|d| d.wettest_free, assessment.error_g());
    let moved_by = |d: &Draw| told.as_ref().map_or(0.0, |told| told.at(d.shows_g));
    let all: f64 = draws.iter().map(|d| d.weight).sum();
    // Each draw may be the truth: the others then lie about what its weight makes of them.
    let says_dry = |truth: &&Draw| {
        let moved = |d: &Draw| d.wettest_free + moved_by(truth) - moved_by(d);
        let dry = draws.iter().filter(|d| moved(d) <= BONE_DRY_WETTEST);
        dry.map(|d| d.weight).sum::<f64>() >= READY * all
    };
    // The sum of nothing is −0.
    let dry = 0.0 + draws.iter().filter(says_dry).map(|d| d.weight).sum::<f64>();
    // No weight tells what a silent sensor of the room would have to.
    let silent = answer.warnings.iter().any(|warning| warning.code == "room-stale");
    let chance = if silent { 0.0 } else { dry / all };
    Need {
        decision: Decision::Dry,
        width: 0.0,
        beyond: false,
        weighed: 0.0,
        chance,
        worth: chance * SETTLED,
    }
}

/// What a weight tells of a number: a curve of second order through its draws, as flat as the noise
/// of a weighing makes it.
struct Told {
    /// Mean and standard deviation of what the scale shows, g, and its skewness.
    shows: f64,
    sd: f64,
    skew: f64,
    /// By how much the number moves with the weight, in standard deviations, and with the part of
    /// its square that goes its own way.
    by: [f64; 2],
}

impl Told {
    /// `None` where the weight tells nothing of it.
    fn new(draws: &[Draw], of: &dyn Fn(&Draw) -> f64, error_g: f64) -> Option<Told> {
        let all: f64 = draws.iter().map(|d| d.weight).sum();
        let n = all * all / draws.iter().map(|d| d.weight * d.weight).sum::<f64>();
        let mean =
            |f: &dyn Fn(&Draw) -> f64| draws.iter().map(|d| d.weight * f(d)).sum::<f64>() / all;
        let (shows, value) = (mean(&|d| d.shows_g), mean(of));
        let variance = mean(&|d| (of(d) - value).powi(2));
        let sd = mean(&|d| (d.shows_g - shows).powi(2)).sqrt();
        // Also where there are no draws, or all are the same.
        if !(n > 3.0 && variance > 0.0 && sd > 0.0) {
            return None;
        }
        let line = |d: &Draw| (d.shows_g - shows) / sd;
        let skew = mean(&|d| line(d).powi(3));
        let square = |d: &Draw| line(d).powi(2) - skew * line(d) - 1.0;
        let heard = sd * sd / (sd * sd + error_g * error_g);
        // Each term as far as it stands out of what draws that know nothing of each other make.
        let term = |base: &dyn Fn(&Draw) -> f64, heard: f64| {
            let size = mean(&|d| base(d).powi(2));
            let by = mean(&|d| of(d) * base(d)) / size;
            let sure = size > 1e-9 && by * by * size / variance > SURE * SURE / n;
            if sure { by * heard } else { 0.0 }
        };
        let by = [term(&line, heard), term(&square, heard * heard)];
        (by != [0.0; 2]).then_some(Told { shows, sd, skew, by })
    }

    /// The number, less its mean, of a pot that shows so much.
    fn at(&self, shows_g: f64) -> f64 {
        let line = (shows_g - self.shows) / self.sd;
        self.by[0] * line + self.by[1] * (line * line - self.skew * line - 1.0)
    }
}

/// The part of the spread of a number that is expected to be left once a scale shows what the pot
/// weighs.
fn left(draws: &[Draw], of: &dyn Fn(&Draw) -> f64, error_g: f64) -> f64 {
    let Some(told) = Told::new(draws, of, error_g) else { return 1.0 };
    let spread = |of: &dyn Fn(&Draw) -> f64| {
        let quantiles = forecast::quantiles(draws, of);
        quantiles.p90 - quantiles.p10
    };
    let rest = spread(&|d| of(d) - told.at(d.shows_g));
    // The noise of the weighing, over the same share of cases (Φ⁻¹(0.9) = 1.2816).
    let rest = rest.hypot(2.0 * 1.2816 * error_g * told.by[0] / told.sd);
    (rest / spread(of)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::assessment::Wanted;
    use crate::core::by_hand::{body, dried, pot};
    use crate::core::correction::Corrections;
    use crate::core::inference::lessons::Lessons;
    use crate::core::seed;
    use crate::records::{Air, Name, Point, Pot, Studio, Weighings};
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    /// `hours` after the pot was made, in a steady room; weighed at some of the hours until then.
    fn studio(pot: Pot, hours: f64, weighed: &[f64]) -> Studio {
        let time = |t: f64| pot.made_at.plus(t * HOUR);
        let steady = |value| {
            let times = (-48..=(2.0 * hours) as i32).map(|k| time(f64::from(k) / 2.0));
            times.map(|time| Point { time, value }).collect()
        };
        let air = Air { temperature: steady(20.0), humidity: steady(0.5) };
        let truth = dried(200.0).0;
        let weight = |t: f64| {
            let later = truth.partition_point(|(hour, _)| *hour < t).clamp(1, truth.len() - 1);
            let ((t0, g0), (t1, g1)) = (truth[later - 1], truth[later]);
            g0 + (g1 - g0) * ((t - t0) / (t1 - t0)).clamp(0.0, 1.0)
        };
        // A kitchen scale of whole grams.
        let shown = |t: &f64| Point {
            time: time(*t),
            value: (weight(*t) + pot.tare_g.unwrap_or(0.0)).round(),
        };
        let weighings = Weighings(weighed.iter().map(shown).collect());
        let mut studio = Studio { at: time(hours), ..Studio::default() };
        studio.air.insert(String::new(), air);
        studio.bodies.insert(body().name, body());
        studio.weighings.insert(pot.name.clone(), weighings);
        studio.pots.insert(pot.name.clone(), pot);
        studio
    }

    fn asked(studio: &Studio) -> (Assessment, PotAnswer) {
        let name = studio.pots.keys().next().unwrap();
        let lessons = Lessons::default();
        let assessment = Assessment::new(studio, &lessons, name, &Wanted::default()).unwrap();
        let answer = assessment.answer(studio, &Corrections::default()).unwrap();
        (assessment, answer)
    }

    fn width(answer: &PotAnswer, decision: Decision) -> f64 {
        let time = match decision {
            Decision::Opens => &answer.trim.opens,
            Decision::Closes => &answer.trim.closes,
            _ => &answer.fire.bone_dry,
        };
        time.p90.unwrap().since(time.p10.unwrap())
    }

    /// By brute force: the pot is in turn each of some of its draws, is weighed, and fitted again.
    /// Mean width of the forecast before, as this file expects it after, and after, s.
    fn weighed_again(of: &Pot, hours: f64, weighed: &[f64]) -> (Decision, [f64; 3]) {
        const NAMES: usize = 6;
        const TRUTHS: usize = 8;
        let (mut sums, mut decision) = ([0.0; 3], Decision::Dry);
        for k in 0..NAMES {
            let name: Name = format!("{} {k}", of.name);
            let studio = studio(Pot { name: name.clone(), ..of.clone() }, hours, weighed);
            let (assessment, answer) = asked(&studio);
            let need = super::of(&assessment, &answer).unwrap();
            decision = need.decision;
            sums[0] += need.width / NAMES as f64;
            sums[1] += need.weighed / NAMES as f64;
            let mut draws: Vec<&Draw> = assessment.draws().iter().collect();
            draws.sort_by(|a, b| a.shows_g.total_cmp(&b.shows_g));
            let mut rng = StdRng::seed_from_u64(seed(&name));
            for i in 0..TRUTHS {
                let truth = draws[(2 * i + 1) * draws.len() / (2 * TRUTHS)];
                let noise: f64 = rng.sample(StandardNormal);
                let value = truth.shows_g + assessment.stands_g() + assessment.error_g() * noise;
                let mut then = studio.clone();
                let point = Point { time: then.at, value: value.round() };
                then.weighings.get_mut(&name).unwrap().0.push(point);
                let after = width(&asked(&then).1, need.decision);
                sums[2] += after / (NAMES * TRUTHS) as f64;
            }
        }
        (decision, sums)
    }

    /// Of eleven pots, from never weighed to weighed three minutes ago: the part of the interval
    /// that is left, as it is expected and as it comes out, in the mean of 48 weighings. The two
    /// differ by 0.04 in the mean and by 0.10 at most as measured; intervals of so few draws wander
    /// by a tenth themselves.
    #[test]
    fn what_is_expected_is_what_comes_of_weighing() {
        use Decision::{BoneDry, Closes, Opens};
        let cases: [(f64, &[f64], Decision); 11] = [
            (3.0, &[], Opens),
            (6.0, &[], Opens),
            (9.0, &[], Closes),
            (8.0, &[0.2], Opens),
            (14.0, &[0.2, 2.0], Closes),
            (9.0, &[0.2, 3.0, 6.0], Opens),
            (9.0, &[0.2, 3.0, 6.0, 8.95], Opens),
            (17.0, &[0.2, 5.0, 10.0], Closes),
            (50.0, &[0.2, 10.0], BoneDry),
            (80.0, &[0.2, 10.0, 20.0], BoneDry),
            (40.0, &[0.2, 10.0, 20.0, 28.0], BoneDry),
        ];
        let mut misses: Vec<f64> = Vec::new();
        for (hours, weighed, decision) in cases {
            let (found, [before, expected, after]) = weighed_again(&pot(), hours, weighed);
            assert_eq!(found, decision, "{hours} h, weighed at {weighed:?}");
            let [expected, after] = [expected / before, after / before];
            misses.push((expected - after).abs());
            assert!(
                (expected - after).abs() < 0.13,
                "{hours} h, weighed at {weighed:?}: {expected:.3} of it expected, {after:.3} found"
            );
        }
        let mean = misses.iter().sum::<f64>() / misses.len() as f64;
        assert!(mean < 0.06, "{misses:.3?}");
    }

    /// What may have passed since a pot was last weighed, long ago, hangs on its weight more than
    /// its draws tell: they know nothing of how the rate departed meanwhile. Then no more is
    /// promised than comes.
    #[test]
    fn of_what_may_have_passed_unweighed_no_more_is_expected_than_comes() {
        let (found, [before, expected, after]) = weighed_again(&pot(), 22.0, &[0.2]);
        assert_eq!(found, Decision::Closes);
        assert!(after < expected && expected < 0.9 * before, "{before} {expected} {after}");
    }

    fn worth(hours: f64, weighed: &[f64]) -> f64 {
        let (assessment, answer) = asked(&studio(pot(), hours, weighed));
        super::of(&assessment, &answer).map_or(0.0, |need| need.worth)
    }

    #[test]
    fn a_pot_that_nobody_weighed_needs_it_and_one_weighed_just_now_does_not() {
        let (never, long_ago, now) = (worth(8.0, &[]), worth(8.0, &[0.2]), worth(8.0, &[0.2, 7.9]));
        assert!(never > WORTH && long_ago > WORTH, "{never} {long_ago}");
        assert!(now < WORTH, "{now}");
    }

    #[test]
    fn a_soft_pot_is_left_where_it_stands_unless_its_bat_goes_with_it() {
        let soft = |hours, tare_g| {
            let (assessment, answer) = asked(&studio(Pot { tare_g, ..pot() }, hours, &[0.2]));
            too_soft(&assessment, &answer)
        };
        assert!(soft(1.0, None), "off the wheel");
        assert!(soft(1.0, Some(20.0)), "no more than a sheet beneath it");
        assert!(!soft(1.0, Some(180.0)), "on a bat");
        assert!(!soft(40.0, None), "stiff");
        // Leather-hard by the middle of what is known is not sure enough: the wet end counts.
        let firm = (1..40).map(f64::from).find(|hours| !soft(*hours, None)).unwrap();
        let (assessment, answer) = asked(&studio(pot(), firm, &[0.2]));
        assert!(answer.water.now.p50 < plastic_above(assessment.band()) - 0.005);
    }

    #[test]
    fn a_dry_pot_that_was_not_weighed_for_a_day_is_settled_by_a_weight() {
        let need = |hours, weighed: &[f64]| {
            let (assessment, answer) = asked(&studio(pot(), hours, weighed));
            super::of(&assessment, &answer)
        };
        let old = need(400.0, &[0.2, 20.0, 60.0, 120.0, 200.0, 300.0]).unwrap();
        assert_eq!(old.decision, Decision::Dry);
        assert!(old.chance > 0.5 && old.worth > WORTH, "{old:?}");
        let fresh = need(400.0, &[0.2, 20.0, 60.0, 120.0, 200.0, 300.0, 399.9]);
        assert_eq!(fresh, None, "it is ready");
        // One whose base only time can dry is not settled by a weight.
        let early = need(190.0, &[0.2, 20.0, 60.0, 120.0, 140.0]).unwrap();
        assert_eq!((early.decision, early.worth), (Decision::Dry, 0.0));
    }

    #[test]
    fn what_the_weight_tells_nothing_of_stays_as_it_is() {
        // Made-up draws: a number that goes by the weight, one that does not, one and noise.
        let draw = |i: usize| {
            let shows_g = (i % 8) as f64;
            let (own, other) = (100.0 - 3.0 * shows_g, (i / 8) as f64);
            Draw {
                weight: 1.0,
                shows_g,
                dry_g: own,
                free: other,
                wettest_free: own + other,
                ..Draw::default()
            }
        };
        let draws: Vec<Draw> = (0..64).map(draw).collect();
        assert!(left(&draws, &|d| d.dry_g, 0.0) < 1e-9);
        assert_eq!(left(&draws, &|d| d.free, 0.0), 1.0);
        let both = left(&draws, &|d| d.wettest_free, 0.0);
        assert!((0.2..0.5).contains(&both), "{both}");
        // By a curve as well as by a line.
        assert!(left(&draws, &|d| (d.shows_g - 3.0).powi(2), 0.0) < 1e-9);
        let line = Told::new(&draws, &|d| d.wettest_free, 0.0).unwrap();
        assert!((line.at(5.0) - line.at(4.0) + 3.0).abs() < 1e-9);
        // A scale that knows nothing tells nothing.
        assert!(left(&draws, &|d| d.dry_g, 1e6) > 0.99);
        // Nor do draws that are all the same, or none.
        assert_eq!(left(&draws[..1], &|d| d.dry_g, 0.1), 1.0);
        assert_eq!(left(&[], &|d| d.dry_g, 0.1), 1.0);
    }
}
