//! One pot, from its studio to its answer: what its weights say, then what is told of it.
//!
//! The first is the work (a fit, and draws through the coming air); the second puts the draws in
//! words, with their intervals corrected by the studio's record. So the record can be made from
//! assessments before anything is told.

use super::compare::track::{self, Alike, Told};
use super::correction::Corrections;
use super::forecast::{self, Ask, Band, Draw, Kin};
use super::handling::{self, Deed, History};
use super::hindsight::Hindsight;
use super::inference::lessons::Lessons;
use super::inference::posterior::Posterior;
use super::inference::valleys::Doubted;
use super::prospect::{Ahead, Prospect};
use super::record::Event;
use super::report::{
    Evidence, Found, PotAnswer, Quantiles, Story, TimeQuantiles, TrimCall, Warning, Water,
};
use super::room::{Climate, Room};
use super::uneven::steep::AHEAD;
use super::uneven::{self, Uneven};
use super::whose::Expected;
use super::witness::Drift;
use super::{readiness, sample, within_reason};
use crate::records::{Body, Cover, Name, Pot, Studio, Wary};
use crate::units::{DAY, HOUR, Time};
use std::borrow::Cow;

/// A pot is said to have been turned over unnoted where that is surer than this.
const TURNED_ASKED: f64 = 0.9;
/// A last weight is said to lie off the others where it is more often wrong than this: of good ones
/// about one in a hundred is so.
const WRONG_ASKED: f64 = 0.05;

/// What is wanted beside the forecast.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wanted<'a> {
    /// The way in past and future ([`Story::mass`], [`Story::water`]), for a picture.
    pub paths: bool,
    /// Of a finished pot what is known of its past, with its dryness and water at these times.
    pub past: Option<&'a [Time]>,
    /// Another trimming band than the body's.
    pub band: Option<Band>,
    /// Its draws, to be sent ahead under other covers.
    pub ahead: Option<&'a Ahead<'a>>,
    /// What would have become of it in this air, steady from its first hour on.
    pub alike: Option<Climate>,
    /// How unevenly it dries, and what would help.
    pub uneven: bool,
}

/// What a pot's draws are sent ahead for that may crack, and covers that may help it.
const HELPS: &[Cover] = &[Cover::Draped, Cover::Wrapped];
const HELP: Ahead = Ahead {
    moments: &[],
    until: AHEAD,
    covers: HELPS,
    to_dry: false,
    stands: None,
    weathers: None,
};

/// What is known of a pot, as of a time.
pub struct Assessment {
    pot: Name,
    at: Time,
    start: Time,
    band: Band,
    /// Whether the band is anybody's word.
    given: bool,
    /// Whether a weighed sibling speaks for the pot.
    followed: bool,
    draws: Vec<Draw>,
    /// Times of the draws' paths, s since the start, with the deficit of the air until then, Pa.
    times: Vec<(f64, f64)>,
    fit: String,
    /// Why the weights could not be fitted.
    refused: Option<Warning>,
    /// How likely it was turned over though nobody noted it, and when, s since the start.
    turned: Option<(f64, f64)>,
    /// By how many standard deviations its dry clay is off what ball and bag say.
    off: f64,
    /// One of its last weights that may be wrong.
    doubted: Option<Doubted>,
    /// What else stands on the scale with it now, g.
    stands_g: f64,
    /// Standard deviation of the noise of one weighing of it now, g.
    error_g: f64,
    /// What the cell on which it stands does, where that matters for it.
    drift: Option<Drift>,
    /// What is known of its past, where it is finished and that was wanted.
    pub past: Option<Hindsight>,
    /// Its draws, to be sent ahead, where they were wanted.
    pub prospect: Option<Prospect>,
    /// What would have become of it in the air that was asked about.
    pub alike: Option<Alike>,
    /// Whether a sensor tells of its air.
    air_measured: bool,
    /// When it was weighed last, s since the start.
    last: Option<f64>,
    /// How unevenly it dries while it shrinks, where that was wanted.
    uneven: Option<Uneven>,
}

/// What is asked of a pot's forecast; `shrunk`: the end of its shrinkage, where it may crack.
fn asked(pot: &Pot, band: Band, wanted: &Wanted, shrunk: Option<f64>) -> Ask {
    let seen = wanted.uneven || wanted.ahead.is_some_and(|ahead| ahead.stands.is_some());
    let kin = wanted.ahead.and_then(|ahead| ahead.weathers).map(|_| Kin::new(pot));
    let (seed, shrunk) = (super::seed(&pot.name), shrunk.filter(|_| seen));
    Ask { band, seed, paths: wanted.paths, shrunk, kin }
}

impl Assessment {
    /// Of one of many pots, with what the studio's finished pots teach; `None` if the studio does
    /// not know it (yet).
    pub fn new(
        studio: &Studio,
        lessons: &Lessons,
        pot: &str,
        wanted: &Wanted,
    ) -> Option<Assessment> {
        let pot = &within_reason(studio.pots.get(pot).filter(|p| p.made_at <= studio.at)?);
        let history = super::history(studio, pot);
        let history = wanted.ahead.into_iter().fold(history, |it, ahead| ahead.thought_of(it));
        let room = super::surroundings(studio, pot, history.now);
        let mut model = super::taught_model(studio, lessons, pot, &history, &room);
        let sibling = pot.like.as_ref().and_then(|sibling| studio.pots.get(sibling));
        let followed = sibling.is_some_and(|sibling| {
            super::learn_from_sibling(studio, lessons, &within_reason(sibling), pot, &mut model)
        });
        let posterior = Posterior::new(model);
        let (own, given) = super::band_of(lessons, &pot.body, studio.bodies.get(&pot.body));
        let band = wanted.band.unwrap_or(own);
        let shrunk = super::band(studio.bodies.get(&pot.body)).0.to;
        let whole = !history.ended && !super::has_outcome(studio, &pot.name);
        let may_crack = wanted.uneven && whole;
        let ask = asked(pot, band, wanted, whole.then_some(shrunk));
        let mut stand = wanted.ahead.map(|_| Vec::new());
        let forecast = forecast::forecast(&posterior, &room, &ask, stand.as_mut());
        let ahead = |(ahead, stand)| Prospect::new(&history, stand, &room, &ask, ahead);
        let spans = posterior.model.spans.iter().chain(&forecast.coming);
        let deficit = spans.map(|span| span.climate.deficit());
        let step = if history.readings > 0 { history.resolution } else { sample::STEP_G };
        let shows = forecast::quantiles(&forecast.draws, |d| d.shows_g).p50;
        let mut assessment = Assessment {
            pot: pot.name.clone(),
            at: studio.at,
            start: history.start,
            band,
            given,
            followed,
            draws: forecast.draws,
            times: forecast.times.into_iter().zip(deficit).collect(),
            fit: fit_in_words(&posterior),
            refused: refused(&posterior),
            turned: posterior.turned_unnoted().filter(|(sure, _)| *sure > TURNED_ASKED),
            off: posterior.clay_off(),
            doubted: posterior.doubted().filter(|it| it.share > WRONG_ASKED),
            stands_g: history.stands_g,
            error_g: handling::single_sd(shows, step),
            drift: None,
            past: None,
            prospect: wanted.ahead.zip(stand).map(ahead),
            alike: wanted.alike.map(|air| Alike::new(&posterior, &room, &ask, air)),
            air_measured: room.is_measured(),
            last: history.last_reading,
            uneven: None,
        };
        let dry_g = forecast::quantiles(&assessment.draws, |d| d.dry_g).p50;
        assessment.drift = super::drift_under(studio, lessons, pot, dry_g).cloned();
        if let Some(times) = wanted.past {
            let dry = assessment.time(Event::BoneDry);
            assessment.past = Hindsight::new(&posterior, &room, &ask, dry, times);
        }
        if may_crack {
            let tolerance = lessons.tolerance(&pot.body);
            let (start, now) = (history.start, history.now);
            let question = uneven::Question { start, now, tolerance: &tolerance, shrunk };
            assessment.uneven = question.ask(&assessment.draws);
            let on_foot = !history.keeping_at(now).flipped;
            assessment.seek_help(studio, lessons, wanted, (&question, on_foot));
        }
        Some(assessment)
    }

    /// What would help a pot that is to be warned of: it is fitted again with the covers under
    /// which it may come.
    fn seek_help(
        &mut self,
        studio: &Studio,
        lessons: &Lessons,
        wanted: &Wanted,
        (question, on_foot): (&uneven::Question, bool),
    ) {
        let warned = self.uneven.as_mut().filter(|u| u.probability >= studio.wary.0);
        let (Some(uneven), None) = (warned, wanted.ahead) else { return };
        let wanted = Wanted { ahead: Some(&HELP), ..*wanted };
        let again = Assessment::new(studio, lessons, &self.pot, &wanted);
        let Some(Assessment { draws, prospect: Some(prospect), .. }) = again else { return };
        // A wall that may be softer than leather-hard does not carry the pot.
        let wall = forecast::quantiles(&draws, |d| d.water[1]).p90;
        uneven.instead = question.instead(&prospect, on_foot && wall <= self.band.from);
    }

    /// Its draws.
    pub(super) fn draws(&self) -> &[Draw] {
        &self.draws
    }

    /// The time it was asked about.
    pub(super) fn at(&self) -> Time {
        self.at
    }

    /// When the pot was made.
    pub(super) fn start(&self) -> Time {
        self.start
    }

    /// What else stands on the scale with it now, g.
    pub(super) fn stands_g(&self) -> f64 {
        self.stands_g
    }

    /// Standard deviation of the noise of one weighing of it now, g.
    pub(super) fn error_g(&self) -> f64 {
        self.error_g
    }

    /// What a scale is expected to show of it now.
    pub fn expected(&self) -> Expected {
        let all: f64 = self.draws.iter().map(|d| d.weight).sum();
        let mean = |of: &dyn Fn(&Draw) -> f64| {
            self.draws.iter().map(|d| d.weight * of(d)).sum::<f64>() / all
        };
        let grams = mean(&|d| d.shows_g);
        let variance = mean(&|d| (d.shows_g - grams).powi(2));
        let sd = variance.sqrt().hypot(self.error_g);
        Expected { grams: grams + self.stands_g, sd, stands_g: self.stands_g }
    }

    /// Whether a weighed sibling speaks for the pot.
    pub fn is_followed(&self) -> bool {
        self.followed
    }

    /// The trimming band that it goes by.
    pub fn band(&self) -> Band {
        self.band
    }

    /// When something happens, as the fit has it.
    pub fn time(&self, event: Event) -> TimeQuantiles {
        let of: fn(&Draw) -> Option<f64> = match event {
            Event::Opens => |d| d.opens,
            Event::Closes => |d| d.closes,
            Event::BoneDry => |d| d.bone_dry,
        };
        forecast::times(&self.draws, self.start, of)
    }

    /// ln of how long its trimming window is open, s, with its standard deviation; `None` where it
    /// may not close within the time that is looked at.
    pub fn window(&self) -> Option<Told> {
        let length = |d: &Draw| match (d.opens, d.closes) {
            (Some(opens), Some(closes)) if closes > opens => (closes - opens).ln(),
            _ => f64::INFINITY,
        };
        let lengths: Vec<_> = self.draws.iter().map(|d| (length(d), d.weight)).collect();
        track::told(&lengths)
    }

    /// The deficit of its air added up from its making to an age (s), Pa·s.
    pub fn dose(&self, until: f64) -> f64 {
        let mut from = 0.0;
        let mut sum = 0.0;
        for (to, deficit) in &self.times {
            sum += deficit * (to.min(until) - from).max(0.0);
            from = *to;
        }
        sum
    }

    /// The way its water went up to an age (s): s since it was made, dose (Pa·s), mean water. Empty
    /// where its paths were not wanted.
    pub fn way(&self, until: f64) -> Vec<(f64, f64, f64)> {
        let (mut from, mut dose) = (0.0, 0.0);
        let mut way = Vec::new();
        for (k, (to, deficit)) in self.times.iter().enumerate().take_while(|(_, t)| t.0 <= until) {
            if self.draws.iter().any(|d| d.path.len() <= k) {
                break;
            }
            dose += deficit * (to - from);
            from = *to;
            way.push((*to, dose, forecast::quantiles(&self.draws, |d| d.path[k].0).p50));
        }
        way
    }

    /// How long it was weighed, s since it was made; `None` of one that never was.
    pub fn until(&self) -> Option<f64> {
        self.last
    }

    /// Whether a sensor tells of its air.
    pub fn air_measured(&self) -> bool {
        self.air_measured
    }

    /// Mean water of the pot at the time it was asked about, as the fit has it.
    pub fn water(&self) -> Quantiles {
        forecast::quantiles(&self.draws, |d| d.water[0])
    }

    /// What is told of it; the studio is that which it was made from.
    pub fn answer(&self, studio: &Studio, corrections: &Corrections) -> Option<PotAnswer> {
        let pot = &within_reason(studio.pots.get(&self.pot)?);
        let history = &super::history(studio, pot);
        let room = &super::surroundings(studio, pot, history.now);
        let body = studio.bodies.get(&pot.body);
        let mut draws = Cow::Borrowed(&self.draws[..]);
        if corrections.is_made() {
            corrections.water(draws.to_mut());
        }
        let draws = &*draws;
        let cell = studio.uncalibrated.get(&self.pot).map(|cell| cell.as_str());
        let drifting = self.drift.as_ref().and_then(|drift| studio.cells.get(&drift.cell));
        let raw = drifting.is_some_and(|cell| cell.calibrated.is_some());
        let mate = pot.like.is_none().then(|| mate(studio, pot)).flatten();
        let wary = studio.wary;
        Some(self.told(&Question {
            pot,
            body,
            history,
            room,
            mate,
            draws,
            corrections,
            cell,
            raw,
            wary,
        }))
    }

    fn told(&self, q: &Question) -> PotAnswer {
        let draws = q.draws;
        let quantiles = |of: fn(&Draw) -> f64| forecast::quantiles(draws, of);
        let mut warnings = readiness::doubts(
            q.pot,
            q.body,
            q.history,
            q.room,
            (self.given, self.followed, q.mate),
        );
        warnings.extend(self.refused.clone());
        if keeps_its_weight(q.history, draws) {
            warnings.push(readiness::keeps_its_weight());
        }
        let drift = self.drift.as_ref();
        warnings.extend(drift.map(|drift| readiness::drifts(drift, q.pot, self.at, q.raw)));
        let doubted = self.doubted.filter(|_| !q.history.ended);
        let wrong = doubted.and_then(|it| readiness::doubted(&it));
        warnings.extend(wrong.filter(|one| warnings.iter().all(|other| other.code != one.code)));
        warnings.extend(readiness::misfit(q.history, q.room, draws, self.off));
        let window = [Event::Opens, Event::Closes].map(|event| self.time(event));
        let (opens, closes) = q.corrections.window(window, self.at);
        let mut trim = readiness::trim(q.history, draws, self.band, opens, closes);
        if !matches!(trim.call, TrimCall::Done | TrimCall::Past) {
            let foot = |d: &Draw| Some(d.opens?.max(d.firm_base?));
            let foot = forecast::times(&self.draws, self.start, foot);
            trim.foot_opens = Some(q.corrections.window([foot; 2], self.at).0);
        }
        let bone_dry = q.corrections.bone_dry(self.time(Event::BoneDry), self.at);
        let fire = readiness::fire(q.pot, q.history, q.room, draws, bone_dry, &mut warnings);
        if self.turned.is_some() {
            warnings.push(readiness::turned_unnoted());
        }
        warnings.extend(q.cell.map(not_calibrated));
        warnings.extend(self.uneven.as_ref().and_then(|u| u.warning(self.at, q.wary)));
        let (now, free) = (quantiles(|d| d.water[0]), quantiles(|d| d.free));
        PotAnswer {
            pot: q.pot.name.clone(),
            body: q.pot.body.clone(),
            made_at: q.pot.made_at,
            cover: q.history.keeping_at(q.history.now).cover,
            stage: readiness::stage(now.p50, free.p50, self.band, fire.call),
            water: Water {
                now,
                free,
                wall: Some(quantiles(|d| d.water[1])),
                base: Some(quantiles(|d| d.water[2])),
            },
            dry_mass_g: quantiles(|d| d.dry_g),
            trim,
            fire,
            evidence: Evidence {
                readings: q.history.readings,
                last_reading_at: q.history.last_reading.map(|t| self.start.plus(t)),
            },
            found: found(q.history, self.turned),
            uneven: self.uneven.clone(),
            warnings,
            story: self.story(q),
        }
    }

    fn story(&self, q: &Question) -> Story {
        let start = self.start;
        let along = |pick: fn(&(f64, f64)) -> f64| -> Vec<(Time, Quantiles)> {
            if q.draws.iter().any(|d| d.path.is_empty()) {
                return Vec::new();
            }
            // A draw that was done sooner stays where it was.
            let at = |d: &Draw, k: usize| pick(&d.path[k.min(d.path.len() - 1)]);
            let point = |(k, (t, _)): (usize, &(f64, f64))| {
                (start.plus(*t), forecast::quantiles(q.draws, |d| at(d, k)))
            };
            self.times.iter().enumerate().map(point).collect()
        };
        let weights = q.history.weights.iter();
        let trims = q.history.events.iter().filter(|e| e.deed == Deed::Trim);
        let keeping = q.history.keeping.iter();
        Story {
            weighings: weights.map(|w| (start.plus(w.t), w.g, w.used)).collect(),
            mass: along(|p| p.1),
            water: along(|p| p.0),
            covers: keeping.map(|k| (start.plus(k.from), k.cover)).collect(),
            trims: trims.map(|e| start.plus(e.t)).collect(),
            deficit: self.times.iter().map(|(t, deficit)| (start.plus(*t), *deficit)).collect(),
            band: (self.band.from, self.band.to),
            free_water_g: Some(forecast::quantiles(q.draws, |d| d.free.max(0.0) * d.dry_g)),
            fit: self.fit.clone(),
        }
    }
}

/// What an answer is made from, beside the assessment.
struct Question<'a> {
    pot: &'a Pot,
    body: Option<&'a Body>,
    history: &'a History,
    room: &'a Room,
    /// A weighed pot on its board that it may be like.
    mate: Option<&'a Name>,
    /// With their water corrected.
    draws: &'a [Draw],
    corrections: &'a Corrections,
    /// The cell on which it stands, where that is not calibrated.
    cell: Option<&'a str>,
    /// Whether the cell that drifts is one that can be calibrated here.
    raw: bool,
    wary: Wary,
}

/// A pot on the same board, of the same body and the same day, that is weighed.
fn mate<'a>(studio: &'a Studio, pot: &Pot) -> Option<&'a Name> {
    let board = pot.board.as_ref()?;
    let alike = |other: &&Pot| {
        other.board.as_ref() == Some(board)
            && (&other.body, &other.lot) == (&pot.body, &pot.lot)
            && other.made_at.since(pot.made_at).abs() < DAY
            && other.name != pot.name
            && studio.weighings.contains_key(&other.name)
    };
    studio.pots.values().find(alike).map(|mate| &mate.name)
}

fn found(history: &History, turned: Option<(f64, f64)>) -> Vec<Found> {
    let time = |t: f64| super::whole_second(history.start.plus(t));
    let found = history.found.iter().map(|f| Found {
        action: f.what.word(),
        time: time(f.t),
        probability: f.probability,
        until: f.until.map(time),
        grams: f.grams.map(|g| (10.0 * g).round() / 10.0),
        cell: None,
    });
    let turned = turned.map(|(probability, t)| Found {
        action: "flip",
        time: time(t),
        probability,
        until: None,
        grams: None,
        cell: None,
    });
    let exchanged = history.exchanged.as_ref().map(|exchange| Found {
        action: "on",
        time: super::whole_second(exchange.time),
        probability: exchange.probability,
        until: None,
        grams: None,
        cell: Some(exchange.cell.clone()),
    });
    let mut found: Vec<Found> = found.chain(turned).chain(exchanged).collect();
    found.sort_by_key(|f| f.time);
    found
}

/// What is to be said of a pot on a cell whose raw counts mean nothing yet.
fn not_calibrated(cell: &str) -> Warning {
    let text = format!(
        "{cell}, on which it stands, sends raw counts and is not calibrated: what it weighs is not \
         known; see `calibrate`"
    );
    Warning { code: "not-calibrated", text }
}

/// What the fit says about itself, where that speaks against the answer.
fn refused(posterior: &Posterior) -> Option<Warning> {
    let why = posterior.refusal.as_ref().filter(|_| posterior.fit.is_none())?;
    let text = format!("the weights could not be fitted ({why}): this is what pots of its kind do");
    Some(Warning { code: "not-fitted", text })
}

/// A pot that would need so long for its free water, at the pace of its last weights, keeps it: it
/// is covered, or stands elsewhere than was said. A thick base in damp air needs half of that
/// (common practice, no source).
const KEEPS: f64 = 15.0 * DAY;
/// Over how long that pace is taken at least, s.
const KEEPS_OVER: f64 = 10.0 * HOUR;
/// Free water of a pot that is wet for this, kg/kg dry basis: what is nearly dry gains weight in a
/// damp night.
const KEEPS_WET: f64 = 0.02;

/// Whether a pot that is open by the log keeps its weight though it is wet.
fn keeps_its_weight(history: &History, draws: &[Draw]) -> bool {
    let open = |t: f64| history.keeping_at(t).cover == Cover::Open;
    let mut used = history.weights.iter().rev().filter(|w| w.used);
    let Some(last) = used.next() else { return false };
    let free_g = forecast::quantiles(draws, |d| d.free * d.dry_g).p10;
    let mut long_ago = used.filter(|w| w.t <= last.t - KEEPS_OVER);
    let kept = long_ago.any(|first| {
        let most = first.g - last.g + 2.0 * (first.sd + last.sd);
        open(first.t) && free_g > most / (last.t - first.t) * KEEPS
    });
    let wet = forecast::quantiles(draws, |d| d.free).p10 > KEEPS_WET;
    wet && kept && open(last.t) && !history.ended
}

fn fit_in_words(posterior: &Posterior) -> String {
    match &posterior.fit {
        Some(f) => format!(
            "{} after {} evaluations; runs {}",
            f.report.stop.words(),
            f.report.evaluations,
            f.report.runs.map_or("none".into(), |r| format!("{r:.1}")),
        ),
        None => "not fitted".into(),
    }
}
