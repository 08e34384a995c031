//! What is known of a pot afterwards, and lessons as they were at many times.
//!
//! A finished pot's own posterior tells its dry clay, and with it when its water passed a level and
//! how damp its wettest part was at any time: the model under the unknowns that all its weights
//! leave, moved to what they say of each moment.
//!
//! A lesson is the fit of a pot's weights up to a time. Where nothing that the fit sees has changed
//! between two times, neither has the lesson: [`lesson_again`] compares all of it, so that sharing
//! changes no digit.

use super::drying::{LANES, Lane};
use super::forecast::{self, BONE_DRY_WETTEST, Band, Draw};
use super::handling::History;
use super::inference::lessons::{self, Lesson, Lessons};
use super::inference::model::{Model, balance};
use super::inference::posterior::{Draws, Posterior};
use super::record::Dryness;
use super::report::TimeQuantiles;
use super::room::{Climate, Room};
use crate::records::Studio;
use crate::units::Time;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

/// Draws by which the past is judged; a multiple of the lanes.
const DRAWS: usize = 64;
/// How sure it must be to be dry or damp.
const SURE: f64 = 0.9;

/// A lesson with all that it was made from.
#[derive(Clone, Debug)]
pub struct Remembered {
    /// The history without its now.
    history: History,
    /// Steps of time as far as the fit looks, with their air.
    steps: Vec<(f64, f64, Climate)>,
    /// What it teaches, if anything.
    pub lesson: Option<Lesson>,
}

/// What one pot teaches as of `studio.at` (as [`super::lesson`] says it), taken from `before` where
/// nothing has changed since; `None` for a pot that is plainly wet.
pub fn lesson_again(studio: &Studio, pot: &str, before: Option<&Remembered>) -> Option<Remembered> {
    let name = pot;
    let pot = &super::within_reason(studio.pots.get(pot).filter(|p| p.made_at <= studio.at)?);
    let history = super::history(studio, pot);
    let verdicts = super::verdicts(studio, pot);
    if verdicts.is_empty() && !lessons::may_teach(&history) {
        return None;
    }
    let room = super::surroundings(studio, pot, history.now);
    let model = Model::new(pot, studio.bodies.get(&pot.body), &history, &room);
    let weighed = history.weights.iter().filter(|w| w.used).map(|w| w.t);
    let end = weighed.chain(verdicts.iter().map(|v| v.0)).fold(0.0, f64::max);
    let seen = model.spans.partition_point(|s| s.to <= end + 1.0) + 1;
    let steps = model.spans.iter().take(seen).map(|s| (s.from, s.to, s.climate)).collect();
    let history = History { now: 0.0, ..history };
    let known = before.filter(|b| b.history == history && b.steps == steps);
    let lesson = match known {
        Some(known) => known.lesson.clone(),
        None => super::lesson(studio, name),
    };
    Some(Remembered { history, steps, lesson })
}

/// What is known of a pot's past.
#[derive(Clone, PartialEq, Debug)]
pub struct Hindsight {
    /// When its mean water passed the upper limit of its body's trimming band.
    pub opens: TimeQuantiles,
    /// When it passed the lower limit.
    pub closes: TimeQuantiles,
    /// Whether its wettest part was dry at the times asked about.
    pub dryness: Vec<Dryness>,
}

/// What is known at `studio.at` of a pot's past, with its dryness at some times of it; `None` for a
/// pot that it does not know.
pub fn look_back(
    studio: &Studio,
    lessons: &Lessons,
    pot: &str,
    times: &[Time],
) -> Option<Hindsight> {
    let pot = &super::within_reason(studio.pots.get(pot).filter(|p| p.made_at <= studio.at)?);
    let body = studio.bodies.get(&pot.body);
    let history = super::history(studio, pot);
    let room = super::surroundings(studio, pot, history.now);
    let posterior = Posterior::new(super::taught_model(studio, lessons, pot, &history, &room));
    let (band, _) = super::band_of(lessons, &pot.body, body);
    let times: Vec<f64> = times.iter().map(|t| t.since(pot.made_at)).collect();
    let mut rng = StdRng::seed_from_u64(super::seed(&pot.name));
    let root = posterior.root();
    let unknowns = posterior.model.beliefs.len();
    let (mut passed, mut wettest) = (Vec::new(), vec![Vec::new(); times.len()]);
    for _ in 0..DRAWS / LANES {
        let mut row =
            || -> Vec<f64> { (0..unknowns).map(|_| rng.sample(StandardNormal)).collect() };
        let sets: Vec<_> = (0..LANES).map(|_| posterior.away(&root, &row())).collect();
        let drawn = posterior.draw(&sets);
        passed.extend(passages(&posterior, &drawn, band));
        for (out, t) in wettest.iter_mut().zip(&times) {
            out.extend(wettest_free(&posterior, &room, &sets, &drawn, *t));
        }
    }
    let quantiles = |of: fn(&Draw) -> Option<f64>| forecast::times(&passed, history.start, of);
    Some(Hindsight {
        opens: quantiles(|d| d.opens),
        closes: quantiles(|d| d.closes),
        dryness: wettest.iter().map(|draws| judge(draws)).collect(),
    })
}

/// When the mean water of each lane passed the band's limits. Of a pot whose dry clay is known a
/// weight tells the water at once, so the model's way is moved to go through all weights; in
/// between the departure goes straight on.
fn passages(posterior: &Posterior, drawn: &Draws, band: Band) -> [Draw; LANES] {
    let spans = &posterior.model.spans;
    let weights = posterior.model.history.weights.iter().filter(|w| w.used);
    let departures: Vec<(f64, Lane)> = weights
        .map(|w| {
            let k = spans.partition_point(|s| s.to <= w.t).min(spans.len() - 1);
            let part = (w.t - spans[k].from) / (spans[k].to - spans[k].from);
            let (from, to) = &drawn.past.mass[k];
            (w.t, std::array::from_fn(|l| w.g - from[l] - part * (to[l] - from[l])))
        })
        .collect();
    std::array::from_fn(|l| {
        let mut draw = Draw { weight: 1.0, ..Draw::default() };
        let mut before = (0.0, drawn.past.physics.water[l]);
        for (k, span) in spans.iter().enumerate() {
            let model = drawn.past.water[k][l];
            let dry = drawn.past.mass[k].1[l] / (1.0 + model);
            let after = (span.to, model + between(&departures, span.to, l) / dry);
            draw.opens = draw.opens.or_else(|| passes(before, after, band.from));
            draw.closes = draw.closes.or_else(|| passes(before, after, band.to));
            before = after;
        }
        draw
    })
}

/// On the straight line between the neighbours of a time; beyond the ends as there.
fn between(points: &[(f64, Lane)], t: f64, lane: usize) -> f64 {
    let next = points.partition_point(|p| p.0 <= t);
    match (next.checked_sub(1).map(|i| &points[i]), points.get(next)) {
        (Some((t0, a)), Some((t1, b))) => a[lane] + (b[lane] - a[lane]) * (t - t0) / (t1 - t0),
        (Some((_, a)), None) | (None, Some((_, a))) => a[lane],
        (None, None) => 0.0,
    }
}

/// When a line falls to a level, if it does.
fn passes((t0, x0): (f64, f64), (t1, x1): (f64, f64), level: f64) -> Option<f64> {
    match (x0 <= level, x1 <= level) {
        (true, _) => Some(t0),
        (false, true) => Some(t0 + (t1 - t0) * (x0 - level) / (x0 - x1)),
        (false, false) => None,
    }
}

fn judge(wettest_free: &[f64]) -> Dryness {
    let all = wettest_free.len().max(1) as f64;
    let dry = wettest_free.iter().filter(|w| **w <= BONE_DRY_WETTEST).count() as f64;
    if dry / all >= SURE {
        Dryness::Dry
    } else if (all - dry) / all >= SURE {
        Dryness::Damp
    } else {
        Dryness::Unsure
    }
}

/// Free water of each lane's wettest part at a past time (s since the pot was made).
fn wettest_free(
    posterior: &Posterior,
    room: &Room,
    sets: &[Vec<f64>],
    drawn: &Draws,
    t: f64,
) -> Lane {
    let spans = &posterior.model.spans;
    // The last step that is over by then.
    let k = spans.partition_point(|s| s.to <= t + 1.0).max(1) - 1;
    let mut state = posterior.model.past_spans(sets, k + 1).state;
    let humidity = room.daily_humidity(spans[k].to);
    let dry = state.dry_g();
    let link = drawn.departures.partition_point(|d| d.0 <= spans[k].to).checked_sub(1);
    let departures = link.map(|link| drawn.departures[link].1);
    state.wet(&std::array::from_fn(|l| departures.map_or(0.0, |d| d[l].water / dry[l])));
    let wettest = state.wettest();
    let monolayer = &drawn.past.physics.monolayer;
    std::array::from_fn(|l| wettest[l] - balance(monolayer[l], humidity))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_between_weights_is_straight() {
        let points = [(100.0, [2.0; LANES]), (200.0, [4.0; LANES]), (400.0, [0.0; LANES])];
        let at = |t| between(&points, t, 1);
        assert_eq!(
            [50.0, 100.0, 150.0, 300.0, 400.0, 900.0].map(at),
            [2.0, 2.0, 3.0, 2.0, 0.0, 0.0]
        );
        assert_eq!(between(&[], 5.0, 0), 0.0);
    }

    #[test]
    fn a_level_is_passed_on_the_line() {
        assert_eq!(passes((10.0, 0.30), (20.0, 0.20), 0.25), Some(15.0));
        assert_eq!(passes((10.0, 0.30), (20.0, 0.26), 0.25), None);
        assert_eq!(passes((10.0, 0.20), (20.0, 0.30), 0.25), Some(10.0));
    }

    #[test]
    fn nine_of_ten_draws_make_it_sure() {
        let draws = |dry: usize| {
            let all: Vec<f64> = (0..10).map(|i| if i < dry { 0.009 } else { 0.011 }).collect();
            judge(&all)
        };
        assert_eq!([10, 9, 8, 2, 1, 0].map(draws), {
            use Dryness::*;
            [Dry, Dry, Unsure, Unsure, Damp, Damp]
        });
    }
}
