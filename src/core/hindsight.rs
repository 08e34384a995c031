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
use super::forecast::{self, Ask, BONE_DRY_WETTEST, Band, Draw};
use super::handling::{History, Weight};
use super::inference::lessons::{self, Lesson};
use super::inference::model::{Model, Span, balance};
use super::inference::posterior::{Draws, Posterior};
use super::record::{Dryness, Event};
use super::report::{Quantiles, TimeQuantiles};
use super::room::{Climate, Room};
use super::thinning::AIR_BEFORE;
use crate::records::{Action, Air, HandlingRow, Point, Studio, Weighings};
use crate::units::{HOUR, Time};
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

/// A pot as it was known at an earlier time, and those it is like: a studio with nothing else in
/// it but the clay and the air. What anybody says of the air to come is none of it, since nobody
/// knows when they said so.
pub fn then(studio: &Studio, pot: &str, at: Time) -> Studio {
    let mut out = Studio { at, bodies: studio.bodies.clone(), ..Studio::default() };
    for pot in studio.family(pot).into_iter().take_while(|pot| pot.made_at <= at) {
        let name = &pot.name;
        out.pots.insert(name.clone(), pot.clone());
        if let Some(rows) = studio.handling.get(name) {
            let known = |row: &&HandlingRow| row.time <= at || row.action.can_be_planned();
            out.handling.insert(name.clone(), rows.iter().filter(known).cloned().collect());
        }
        let weighed = studio.weighings.get(name).map(|all| until(&all.0, at));
        if let Some(weighings) = weighed.filter(|all| !all.is_empty()) {
            out.weighings.insert(name.clone(), Weighings(weighings));
        }
    }
    // Of the air from long before nothing is asked, and it may be that of years.
    let begins = out.pots.values().map(|pot| pot.made_at);
    let begins = begins.chain(studio.samples.iter().map(|row| row.time));
    let from = begins.fold(at, Time::min).plus(-AIR_BEFORE);
    let since = |all: &[Point]| until(&all[all.partition_point(|p| p.time < from)..], at);
    let air = studio.air.iter().map(|(place, air)| {
        let [temperature, humidity] = [&air.temperature, &air.humidity].map(|all| since(all));
        (place.clone(), Air { temperature, humidity })
    });
    out.air = air.collect();
    out.samples = studio.samples.iter().filter(|row| row.time <= at).cloned().collect();
    out.blends = studio.blends.clone();
    out
}

/// A pot as its last weight before it was packed or lost leaves it, with what was dried as a sample
/// later: all that is known of it alone. `None` of one that was not weighed.
pub fn alone(studio: &Studio, pot: &str) -> Option<Studio> {
    let end = ended(studio, pot).map_or(studio.at, |end| end.min(studio.at));
    let weighings = &studio.weighings.get(pot)?.0;
    let until = weighings.iter().rev().find(|w| w.time <= end)?.time;
    Some(Studio { samples: studio.samples.clone(), ..then(studio, pot, until) })
}

/// When a pot was packed or lost.
pub fn ended(studio: &Studio, pot: &str) -> Option<Time> {
    let rows = studio.handling.get(pot).map_or(&[][..], Vec::as_slice);
    rows.iter().find(|row| row.action.ends()).map(|row| row.time)
}

/// Points up to a time; they are in order of it.
fn until(points: &[Point], at: Time) -> Vec<Point> {
    points[..points.partition_point(|p| p.time <= at)].to_vec()
}

/// The longest step of a pot's first three months, s: with the last weight's step its fit is over.
const STEP: f64 = 3.0 * HOUR;

/// From when on nothing more came that a pot's lesson hears: its last weighing, and what was noted
/// of it. At any time after that its lesson was what it is now.
pub fn settled(studio: &Studio, pot: &str) -> Option<Time> {
    let rows = studio.handling.get(pot).map_or(&[][..], Vec::as_slice);
    let end = ended(studio, pot).unwrap_or(studio.at);
    let weighed = studio.weighings.get(pot)?.0.iter().rev().map(|p| p.time);
    let weighed = weighed.into_iter().find(|time| *time <= end.min(studio.at))?;
    let unheard = |action: &Action| {
        use Action::{Kiln, Length, Lost, Off, On, Outcome};
        matches!(action, On(_) | Off | Kiln | Lost(_) | Length(_) | Outcome(_))
    };
    let noted = rows.iter().filter(|row| !unheard(&row.action) && row.time <= studio.at);
    noted.map(|row| row.time).chain([weighed]).max().map(|last| last.plus(STEP))
}

/// Widest 80 % interval of a truth that counts, as a share of the time from made to event. Its
/// standard deviation (÷ 2.56) is then below 8 %, half of the 15 % by which a first pot's forecast
/// is off at best, where only its dry clay is unknown.
pub const KNOWN: f64 = 0.2;

/// What is known of a finished pot's past: one that was weighed after it was bone-dry, sure to
/// 90 %.
#[derive(Clone, PartialEq, Debug)]
pub struct Hindsight {
    /// When the pot was made.
    pub made_at: Time,
    /// When it was weighed last.
    pub until: Time,
    /// When its mean water passed the upper limit of its body's trimming band.
    pub opens: TimeQuantiles,
    /// When it passed the lower limit.
    pub closes: TimeQuantiles,
    /// When its mean free water fell to 0.005.
    pub bone_dry: TimeQuantiles,
    /// When it was trimmed, wetted, sponged or given clay.
    pub deeds: Vec<Time>,
    /// Whether its wettest part was dry at the times asked about.
    pub dryness: Vec<Dryness>,
    /// Its mean water at these times.
    pub water: Vec<Quantiles>,
}

impl Hindsight {
    /// From a pot's posterior with all that is known of it, of which follows when it was bone-dry;
    /// with its dryness and water at some times of its past. `None` of one that is not finished.
    pub fn new(
        posterior: &Posterior,
        room: &Room,
        ask: &Ask,
        bone_dry: TimeQuantiles,
        times: &[Time],
    ) -> Option<Hindsight> {
        let history = posterior.model.history;
        let made_at = history.start;
        let until = made_at.plus(history.last_reading?);
        bone_dry.p90.filter(|dry| *dry <= until)?;
        let times: Vec<f64> = times.iter().map(|t| t.since(made_at)).collect();
        let mut rng = StdRng::seed_from_u64(ask.seed);
        let root = posterior.root();
        let unknowns = posterior.model.beliefs.len();
        let mut passed = Vec::new();
        let (mut wettest, mut water) =
            (vec![Vec::new(); times.len()], vec![Vec::new(); times.len()]);
        for _ in 0..DRAWS / LANES {
            let mut row =
                || -> Vec<f64> { (0..unknowns).map(|_| rng.sample(StandardNormal)).collect() };
            let sets: Vec<_> = (0..LANES).map(|_| posterior.away(&root, &row())).collect();
            let drawn = posterior.draw(&sets);
            let way = Way::new(posterior, &drawn);
            passed.extend(way.passages(ask.band));
            for ((wettest, water), t) in wettest.iter_mut().zip(&mut water).zip(&times) {
                wettest.extend(wettest_free(posterior, room, &sets, &drawn, *t));
                water.extend(way.water(*t).map(|w| Draw {
                    weight: 1.0,
                    water: [w; 3],
                    ..Draw::default()
                }));
            }
        }
        let quantiles = |of: fn(&Draw) -> Option<f64>| forecast::times(&passed, made_at, of);
        Some(Hindsight {
            made_at,
            until,
            opens: quantiles(|d| d.opens),
            closes: quantiles(|d| d.closes),
            bone_dry,
            deeds: history.events.iter().map(|e| made_at.plus(e.t)).collect(),
            dryness: wettest.iter().map(|draws| judge(draws)).collect(),
            water: water.iter().map(|all| forecast::quantiles(all, |d| d.water[0])).collect(),
        })
    }

    /// When something happened, with its middle, where that is known well.
    pub fn truth(&self, event: Event) -> Option<(Time, TimeQuantiles)> {
        let known = match event {
            Event::Opens => self.opens,
            Event::Closes => self.closes,
            Event::BoneDry => self.bone_dry,
        };
        let (Some(from), Some(middle), Some(to)) = (known.p10, known.p50, known.p90) else {
            return None;
        };
        let whole = middle.since(self.made_at);
        (to.since(from) <= KNOWN * whole && to <= self.until).then_some((middle, known))
    }

    /// Whether a forecast made at a time was one of that event to come, and of this pot: one that
    /// is trimmed or wetted in between is another.
    pub fn is_fair(&self, asked: Time, happened: Time) -> bool {
        asked < happened && !self.deeds.iter().any(|deed| *deed > asked && *deed <= happened)
    }
}

/// The way of some lanes' mean water. Of a pot whose dry clay is known a weight tells the water at
/// once, so the model's way is moved to go through all weights; in between the departure goes
/// straight on.
struct Way<'a> {
    spans: &'a [Span],
    drawn: &'a Draws,
    /// The weights less the model's masses, with their times, g.
    departures: Vec<(f64, Lane)>,
}

impl<'a> Way<'a> {
    fn new(posterior: &'a Posterior, drawn: &'a Draws) -> Way<'a> {
        let spans = &posterior.model.spans[..];
        let weights = posterior.model.history.weights.iter().filter(|w| w.used);
        let departure = |w: &Weight| {
            let k = spans.partition_point(|s| s.to <= w.t).min(spans.len() - 1);
            let part = (w.t - spans[k].from) / (spans[k].to - spans[k].from);
            let (from, to) = &drawn.past.mass[k];
            (w.t, std::array::from_fn(|l| w.g - from[l] - part * (to[l] - from[l])))
        };
        Way { spans, drawn, departures: weights.map(departure).collect() }
    }

    /// Mean water of a lane at the end of a span.
    fn end(&self, span: usize, lane: usize) -> f64 {
        let model = self.drawn.past.water[span][lane];
        let dry = self.drawn.past.mass[span].1[lane] / (1.0 + model);
        model + between(&self.departures, self.spans[span].to, lane) / dry
    }

    /// Mean water of the lanes at a time, s since the start.
    fn water(&self, t: f64) -> Lane {
        let span = self.spans.partition_point(|s| s.to < t).min(self.spans.len() - 1);
        let Span { from, to, .. } = self.spans[span];
        let part = ((t - from) / (to - from)).clamp(0.0, 1.0);
        std::array::from_fn(|l| {
            let begin = match span.checked_sub(1) {
                Some(before) => self.end(before, l),
                None => self.drawn.past.physics.water[l],
            };
            begin + part * (self.end(span, l) - begin)
        })
    }

    /// When it passed the band's limits.
    fn passages(&self, band: Band) -> [Draw; LANES] {
        std::array::from_fn(|l| {
            let mut draw = Draw { weight: 1.0, ..Draw::default() };
            let mut before = (0.0, self.drawn.past.physics.water[l]);
            for (k, span) in self.spans.iter().enumerate() {
                let after = (span.to, self.end(k, l));
                draw.opens = draw.opens.or_else(|| passes(before, after, band.from));
                draw.closes = draw.closes.or_else(|| passes(before, after, band.to));
                before = after;
            }
            draw
        })
    }
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
pub(super) fn passes((t0, x0): (f64, f64), (t1, x1): (f64, f64), level: f64) -> Option<f64> {
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
    let departures = link.map(|link| drawn.departures[link].1.water);
    state.wet(&std::array::from_fn(|l| departures.map_or(0.0, |water| water[l] / dry[l])));
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
