//! What one pot has to say in a comparison: when it was leather-hard and dry, or how long it was
//! seen to be neither; how dry its air was until then; and how it would have dried in the same air
//! as all the others.
//!
//! The same air: the draws of the pot's own fit are sent through steady air, kept and turned as its
//! log says. So a pot that stood through a wet week and one that did not are told apart from their
//! treatments, as far as the fit knows the one from the other.

use super::plain::Seen;
use crate::core::assessment::Assessment;
use crate::core::drying::{LANES, Lane};
use crate::core::forecast::{Ask, BONE_DRY_MEAN, HORIZON, STEPS};
use crate::core::hindsight::passes;
use crate::core::inference::model::{self, Model, Span, balance};
use crate::core::inference::posterior::Posterior;
use crate::core::record::Event;
use crate::core::report::TimeQuantiles;
use crate::core::room::{self, Climate, Room};
use crate::records::{Action, Cover, HandlingRow, Name, Outcome, Pot, Studio};
use crate::units::{DAY, Time};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

/// Draws that are sent through the same air; a multiple of the lanes.
const DRAWS: usize = 48;
/// Of a time that does not come in so much of the draws nothing is told.
const COMES: f64 = 0.95;
/// Before that age nothing that a pot passes is a time, s: it was so from the start.
const FIRST: f64 = 60.0;
/// From an 80 % interval of a normal distribution to its standard deviation: 2·Φ⁻¹(0.9).
const WIDTH: f64 = 2.563_103;

/// A value with its standard deviation.
pub type Told = (f64, f64);

/// What becomes of a pot in the same air as others.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Alike {
    /// ln of the seconds until its window opens.
    pub opens: Option<Told>,
    /// ln of the seconds until it is dry.
    pub bone_dry: Option<Told>,
    /// Water of its base less that of its wall as its window opens, kg/kg dry basis.
    pub uneven: Option<Told>,
}

impl Alike {
    /// A pot's posterior in steady air.
    pub(in crate::core) fn new(
        posterior: &Posterior,
        room: &Room,
        ask: &Ask,
        air: Climate,
    ) -> Alike {
        let mut spans = model::spans(posterior.model.history, room, 0.0, HORIZON, &STEPS);
        for span in &mut spans {
            (span.climate, span.air) = (air, model::step_air(&air));
        }
        let mut rng = StdRng::seed_from_u64(ask.seed);
        let unknowns = posterior.model.beliefs.len();
        let [mut opens, mut dry, mut uneven] = [const { Vec::new() }; 3];
        for (posterior, weight) in posterior.dealt(DRAWS / LANES) {
            let root = posterior.root();
            let mut row =
                || -> Vec<f64> { (0..unknowns).map(|_| rng.sample(StandardNormal)).collect() };
            let sets: Vec<_> = (0..LANES).map(|_| posterior.away(&root, &row())).collect();
            let model = in_spans(&posterior.model, &spans);
            let past = model.past_spans(&sets, spans.len());
            let balance = past.physics.monolayer.map(|m| balance(m, air.humidity));
            let start = past.physics.water;
            let when = |lane: usize, level: f64| {
                when(&spans, &past.water, start[lane], lane, level).unwrap_or(f64::INFINITY)
            };
            let open: Lane = std::array::from_fn(|l| when(l, ask.band.from));
            opens.extend(open.map(|t| (t.ln(), weight)));
            let bone_dry: Lane = std::array::from_fn(|l| when(l, balance[l] + BONE_DRY_MEAN));
            dry.extend(bone_dry.map(|t| (t.ln(), weight)));
            uneven.extend(base_over_wall(&model, &sets, &open).map(|x| (x, weight)));
        }
        Alike { opens: told(&opens), bone_dry: told(&dry), uneven: told(&uneven) }
    }
}

/// The model in another air; a pot that is supposed to stand on its rim since some time does.
fn in_spans<'a>(model: &Model<'a>, spans: &[Span]) -> Model<'a> {
    let mut out = model.clone();
    out.spans = spans.to_vec();
    if let Some(since) = model.turned_since {
        let turned = out.spans.iter_mut().filter(|span| span.from >= since);
        turned.for_each(|span| span.keeping.flipped = [true; LANES]);
    }
    out
}

/// When a lane's mean water falls to a level, s.
fn when(spans: &[Span], water: &[Lane], start: f64, lane: usize, level: f64) -> Option<f64> {
    let mut before = (0.0, start);
    for (span, water) in spans.iter().zip(water) {
        let after = (span.to, water[lane]);
        if let Some(t) = passes(before, after, level) {
            return Some(t);
        }
        before = after;
    }
    None
}

/// Water of the base less that of the wall about when each lane's window opens; all at the time of
/// the middle lane, which is near enough: the two part and meet slowly.
fn base_over_wall(model: &Model, sets: &[Vec<f64>], opens: &Lane) -> Lane {
    let mut times = *opens;
    times.sort_by(f64::total_cmp);
    let middle = times[LANES / 2];
    if !middle.is_finite() {
        return [f64::INFINITY; LANES];
    }
    let k = model.spans.partition_point(|span| span.to < middle);
    let state = model.past_spans(sets, k + 1).state;
    let (wall, base) = (state.wall_water(), state.base_water());
    std::array::from_fn(|l| base[l] - wall[l])
}

/// Mean and standard deviation of weighted values; `None` where too many of them never come.
pub(in crate::core) fn told(values: &[(f64, f64)]) -> Option<Told> {
    let all: f64 = values.iter().map(|v| v.1).sum();
    let some: Vec<&(f64, f64)> = values.iter().filter(|v| v.0.is_finite()).collect();
    let come: f64 = some.iter().map(|v| v.1).sum();
    if some.len() < 2 || come < COMES * all {
        return None;
    }
    let mean = some.iter().map(|(v, w)| w * v).sum::<f64>() / come;
    let square = some.iter().map(|(v, w)| w * (v - mean).powi(2)).sum::<f64>() / come;
    Some((mean, square.sqrt()))
}

/// The mean air of some pots from their making to their last weighing, each counting alike; an
/// ordinary room's where there is none.
pub fn mean_air(studio: &Studio, pots: &[&Name]) -> Climate {
    let of = |name: &&Name| {
        let pot = studio.pots.get(*name).filter(|pot| pot.made_at <= studio.at)?;
        let last = studio.weighings.get(*name)?.0.last()?.time.since(pot.made_at);
        let room = crate::core::surroundings(studio, pot, studio.at.since(pot.made_at));
        (last > FIRST).then(|| room.between(0.0, last))
    };
    let all: Vec<Climate> = pots.iter().filter_map(of).collect();
    if all.is_empty() {
        return room::UNKNOWN;
    }
    let mean = |of: fn(&Climate) -> f64| all.iter().map(of).sum::<f64>() / all.len() as f64;
    Climate { temperature: mean(|c| c.temperature), humidity: mean(|c| c.humidity) }
}

/// One pot of a comparison; logarithms are of seconds, or of Pa·s.
#[derive(Clone, PartialEq, Debug)]
pub struct Track {
    /// The pot.
    pub pot: Name,
    /// Its treatment, as its place in the list.
    pub treatment: usize,
    /// The pair it belongs to, or the block.
    pub pair: Option<u32>,
    /// When it was made.
    pub made_at: Time,
    /// ln of the time to leather-hard, as it was seen.
    pub opens: Option<Seen>,
    /// ln of the time to bone-dry, as it was seen.
    pub bone_dry: Option<Seen>,
    /// ln of the window's length, as it was seen.
    pub window: Option<Seen>,
    /// ln of the drying dose to leather-hard: the air's deficit added up, as it was seen.
    pub dose: Option<Seen>,
    /// The first three as its fit and forecast have them.
    pub told: [Option<Told>; 3],
    /// The same pot in the same air as the others.
    pub alike: Alike,
    /// Whether it was lost, where it is known what became of it.
    pub lost: Option<bool>,
    /// Cover of most of its first day.
    pub cover: Option<Cover>,
    /// The way its water went as far as it was weighed: s since made, dose until then (Pa·s), mean
    /// water (kg/kg dry basis).
    pub way: Vec<(f64, f64, f64)>,
    /// Whether a sensor told of its air.
    pub air_measured: bool,
    /// The trimming band that it goes by, from and to, kg/kg dry basis.
    pub band: (f64, f64),
}

/// What is noted of a pot up to a time.
#[derive(Clone, Copy, Debug)]
pub struct Noted<'a> {
    /// The pot.
    pub pot: &'a Pot,
    /// Its log, in order of time.
    pub rows: &'a [HandlingRow],
    /// Up to when it counts.
    pub at: Time,
}

impl Track {
    /// From what is known of a pot, assessed with its past, and with its paths and in the same air
    /// where these are wanted.
    pub fn new(
        noted: &Noted,
        assessment: &Assessment,
        treatment: usize,
        pair: Option<u32>,
    ) -> Track {
        let alike = assessment.alike.clone().unwrap_or_default();
        let start = noted.pot.made_at;
        let past = assessment.past.as_ref();
        let quantiles = |event: Event| match (past, event) {
            (Some(past), Event::Opens) => past.opens,
            (Some(past), Event::Closes) => past.closes,
            _ => assessment.time(event),
        };
        let until = assessment.until().filter(|t| *t > FIRST);
        let [opens, closes, dry] = Event::ALL.map(|event| age(&quantiles(event).p50, start));
        let seen = |t: Option<f64>| until.and_then(|until| seen(t, until));
        let window = match (opens, closes, until) {
            (Some(o), Some(c), Some(until)) if c <= until => Some(Seen::exactly((c - o).ln())),
            (Some(o), _, Some(until)) if o < until => Some(Seen::or_more((until - o).ln())),
            _ => None,
        };
        let in_dose = |seen: Seen| Seen { value: assessment.dose(seen.value.exp()).ln(), ..seen };
        let finite = |seen: &Seen| seen.value.is_finite();
        let told = [
            from_quantiles(&quantiles(Event::Opens), start),
            from_quantiles(&quantiles(Event::BoneDry), start),
            assessment.window(),
        ];
        Track {
            pot: noted.pot.name.clone(),
            treatment,
            pair,
            made_at: start,
            opens: seen(opens),
            bone_dry: seen(dry),
            window: window.filter(finite),
            dose: seen(opens).map(in_dose).filter(finite),
            // A pot that nobody weighed has nothing of its own to say.
            told: if until.is_some() { told } else { [None; 3] },
            alike: if until.is_some() { alike } else { Alike::default() },
            lost: noted.lost(past.is_some()),
            cover: cover_at_first(noted.pot, noted.rows, noted.at),
            way: assessment.way(until.unwrap_or(0.0)),
            air_measured: assessment.air_measured(),
            band: (assessment.band().from, assessment.band().to),
        }
    }

    /// Whether it was weighed at all.
    pub fn is_weighed(&self) -> bool {
        self.opens.is_some() || self.bone_dry.is_some()
    }
}

/// Seconds since the start.
fn age(time: &Option<Time>, start: Time) -> Option<f64> {
    time.map(|time| time.since(start))
}

/// ln of a time that was passed while the pot was weighed, or that it was not yet passed then.
fn seen(t: Option<f64>, until: f64) -> Option<Seen> {
    match t {
        Some(t) if t <= FIRST => None,
        Some(t) if t <= until => Some(Seen::exactly(t.ln())),
        _ => Some(Seen::or_more(until.ln())),
    }
}

/// ln of a time with its standard deviation, where all of its interval is known.
fn from_quantiles(q: &TimeQuantiles, start: Time) -> Option<Told> {
    let [low, middle, high] = [q.p10, q.p50, q.p90].map(|t| age(&t, start));
    let (low, middle, high) = (low?.max(1.0), middle?, high?);
    (middle > FIRST).then(|| (middle.ln(), ((high / low).ln() / WIDTH).max(1e-4)))
}

impl Noted<'_> {
    /// Whether it was lost, by what was noted; one that dried without a word of it is whole.
    fn lost(&self, dried: bool) -> Option<bool> {
        let known = self.rows.iter().filter(|row| row.time <= self.at);
        let mut said = known.filter_map(|row| match &row.action {
            Action::Lost(_) => Some(true),
            Action::Outcome(Outcome::CrackedDrying | Outcome::Warped | Outcome::Burst) => {
                Some(true)
            }
            // What cools has dried.
            Action::Outcome(Outcome::Sound | Outcome::CrackedCooling) => Some(false),
            Action::Kiln => Some(false),
            _ => None,
        });
        said.next_back().or(dried.then_some(false))
    }
}

/// The cover a pot had most of the time in its first day: the treatment, where pots were kept in
/// different ways. Later covers hang on how it dried.
pub fn cover_at_first(pot: &Pot, rows: &[HandlingRow], at: Time) -> Option<Cover> {
    let end = DAY.min(at.since(pot.made_at));
    let mut kept = [0.0; Cover::ALL.len()];
    let (mut from, mut cover) = (0.0, Cover::Open);
    for row in rows.iter().filter(|row| row.time <= at) {
        if let Action::Cover(next) = row.action {
            let t = row.time.since(pot.made_at).clamp(0.0, end);
            kept[model::place_of(cover)] += t - from;
            (from, cover) = (t, next);
        }
    }
    kept[model::place_of(cover)] += end - from;
    (0..kept.len()).max_by(|a, b| kept[*a].total_cmp(&kept[*b])).map(|i| Cover::ALL[i])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::pot;
    use crate::units::HOUR;

    fn row(hours: f64, action: Action) -> HandlingRow {
        let pot = pot();
        HandlingRow { time: pot.made_at.plus(hours * HOUR), pot: pot.name, action }
    }

    #[test]
    fn the_cover_is_that_of_most_of_the_first_day() {
        let at = |hours: f64| pot().made_at.plus(hours * HOUR);
        let of = |rows: &[HandlingRow], hours| cover_at_first(&pot(), rows, at(hours));
        let covered =
            [row(1.0, Action::Cover(Cover::Draped)), row(30.0, Action::Cover(Cover::Open))];
        assert_eq!(of(&covered, 90.0), Some(Cover::Draped));
        // What came later is not known yet.
        assert_eq!(of(&covered, 1.5), Some(Cover::Open));
        assert_eq!(of(&[row(13.0, Action::Cover(Cover::Wrapped))], 90.0), Some(Cover::Open));
        assert_eq!(of(&[], 0.1), Some(Cover::Open));
    }

    #[test]
    fn what_was_said_last_tells_what_became_of_a_pot() {
        let lost = |rows: &[HandlingRow], dried| {
            Noted { pot: &pot(), rows, at: pot().made_at.plus(100.0 * HOUR) }.lost(dried)
        };
        let cracked = row(50.0, Action::Outcome(Outcome::CrackedDrying));
        let cooling = row(90.0, Action::Outcome(Outcome::CrackedCooling));
        let later = row(120.0, Action::Lost(None));
        assert_eq!((lost(&[], false), lost(&[], true)), (None, Some(false)));
        assert_eq!(lost(std::slice::from_ref(&cracked), true), Some(true));
        // It cracked in the kiln: it had dried. And of what comes later nothing is known.
        assert_eq!(lost(&[row(60.0, Action::Kiln), cooling, later], true), Some(false));
    }

    #[test]
    fn a_time_is_seen_or_known_to_be_later() {
        assert_eq!(seen(Some(7200.0), 9000.0), Some(Seen::exactly(7200f64.ln())));
        assert_eq!(seen(Some(9600.0), 9000.0), Some(Seen::or_more(9000f64.ln())));
        assert_eq!(seen(None, 9000.0), Some(Seen::or_more(9000f64.ln())));
        // It was so from the start.
        assert_eq!(seen(Some(0.0), 9000.0), None);
    }

    #[test]
    fn nothing_is_told_of_what_may_never_come() {
        let far = f64::INFINITY;
        assert_eq!(told(&[(1.0, 1.0), (3.0, 1.0)]), Some((2.0, 1.0)));
        assert_eq!(told(&[(1.0, 3.0), (5.0, 1.0)]).map(|t| t.0), Some(2.0));
        assert_eq!(told(&[(1.0, 1.0), (3.0, 1.0), (far, 1.0)]), None);
        assert!(told(&[(1.0, 15.0), (3.0, 15.0), (far, 1.0)]).is_some());
    }
}
