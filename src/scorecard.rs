//! Past forecasts, made again as of then, against what became known once the pots were dry.
//!
//! # What is asked when
//!
//! Every finished pot is asked about at the ages of [`ASKED`](crate::core::record::ASKED): each is
//! counted from when the pot was made and put off to the next full step of the clock (UTC), so that
//! pots of one day are asked about together. The rule knows nothing of what became of a pot, nor of
//! who looked at which report. The answer is that of `report --at`: the store as of then, with the
//! lessons of the pots that were finished by then, but before any correction of its intervals; of
//! this record those corrections are made ([`crate::answers::record`] asks a part of these
//! questions). As there, covers, flips and moves of the log count as plans already made, since it
//! does not say when they were written down.
//!
//! # What is true
//!
//! The finished pot's own posterior, with all its weights and all that was learnt by now, knows its
//! dry clay, and with it when its mean water passed the band's limits (the band as it is now) and
//! when it was bone-dry ([`Hindsight`]). It is itself not certain: a truth counts only where its
//! own 80 % interval is no wider than [`hindsight::KNOWN`] of the whole time, and calls only where
//! the truth is sure to 90 %. A pot is finished when it was weighed after it was bone-dry, sure to
//! 90 %. Of pots that were packed or lost before nothing became known; pots that still dry are not
//! in the record yet, so that the slow ones come in later than the quick.
//!
//! A forecast is left out where the pot was trimmed, wetted, sponged or given clay between question
//! and event: it was about another pot.
//!
//! # What it costs
//!
//! Each question is one fit and forecast. The lessons of its time are shared by all pots that are
//! asked about then, and each lesson by all times between which nothing that its fit sees has
//! changed ([`hindsight::lesson_again`]).

use crate::answers::{self, Taught, on_all_cores};
use crate::core::assess_taught;
use crate::core::assessment::{Assessment, Wanted};
use crate::core::correction::Corrections;
use crate::core::hindsight::{self, Hindsight, Remembered};
use crate::core::inference::lessons::Lessons;
use crate::core::record::{
    Dryness, Event, Figures, FireCalls, Scored, TrimCalls, Window, figures, questions,
};
use crate::core::report::{FireCall, PotAnswer, TimeQuantiles, TrimCall};
use crate::records::{Name, Studio};
use crate::store::{Store, StoreError};
use crate::units::{DAY, Time};
use serde::Serialize;
use std::collections::BTreeMap;

/// A forecast with what became of it.
#[derive(Clone, PartialEq, Debug)]
pub struct Forecast {
    /// The pot.
    pub pot: Name,
    /// Its body.
    pub body: Name,
    /// What was forecast.
    pub event: Event,
    /// When the pot was made.
    pub made_at: Time,
    /// The time that the forecast is made for.
    pub asked_at: Time,
    /// The forecast.
    pub said: TimeQuantiles,
    /// What is known now.
    pub truth: TimeQuantiles,
    /// Its score.
    pub scored: Scored,
}

/// What a report would have called a pot, with what is known now.
#[derive(Clone, PartialEq, Debug)]
pub struct Call {
    /// The pot.
    pub pot: Name,
    /// Its body.
    pub body: Name,
    /// The time that the calls are made for.
    pub asked_at: Time,
    /// The trim call.
    pub trim: TrimCall,
    /// The fire call.
    pub fire: FireCall,
    /// Where it stood against its window.
    pub window: Window,
    /// Whether its wettest part was dry.
    pub dryness: Dryness,
    /// Whether it had been weighed within 24 h.
    pub weighed: bool,
}

/// All that is scored, of all bodies asked for.
#[derive(Clone, PartialEq, Debug)]
pub struct Scorecard {
    /// The time up to which things are known.
    pub at: Time,
    /// Finished pots, oldest first: name and body.
    pub pots: Vec<(Name, Name)>,
    /// Pots that were weighed, but not after they were surely dry.
    pub unfinished: usize,
    /// Truths of finished pots that are not known well enough, of each [`Event`].
    pub vague: [usize; 3],
    /// Forecasts, by pot as in `pots`, then event, then time of question.
    pub forecasts: Vec<Forecast>,
    /// Calls, by pot as in `pots`, then time of question.
    pub calls: Vec<Call>,
    /// By what reports of this time correct their intervals, of all bodies.
    pub correction: Corrections,
}

/// What a scorecard comes to, of one body or of all.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Summary {
    /// Finished pots.
    pub pots: usize,
    /// Forecasts of when the trimming window opens.
    pub opens: Option<Figures>,
    /// Forecasts of when it closes.
    pub closes: Option<Figures>,
    /// Forecasts of when the pot is bone-dry on the mean.
    pub bone_dry: Option<Figures>,
    /// Trim calls.
    pub trim_calls: TrimCalls,
    /// Fire calls.
    pub fire_calls: FireCalls,
}

impl Summary {
    /// The figures of an event.
    pub fn figures(&self, event: Event) -> Option<&Figures> {
        match event {
            Event::Opens => self.opens.as_ref(),
            Event::Closes => self.closes.as_ref(),
            Event::BoneDry => self.bone_dry.as_ref(),
        }
    }
}

impl Scorecard {
    /// What it comes to, of one body or of all.
    pub fn summary(&self, body: Option<&str>) -> Summary {
        let of = |name: &Name| body.is_none_or(|body| body == name);
        let truths = Event::ALL.map(|event| self.by_truth(event, body));
        let mut trim_calls = TrimCalls::default();
        let mut fire_calls = FireCalls::default();
        for call in self.calls.iter().filter(|call| of(&call.body)) {
            trim_calls.add(call.trim, call.window);
            fire_calls.add(call.fire, call.dryness, call.weighed);
        }
        let [opens, closes, bone_dry] = truths.each_ref().map(|truths| figures(truths));
        let pots = self.pots.iter().filter(|(_, body)| of(body)).count();
        Summary { pots, opens, closes, bone_dry, trim_calls, fire_calls }
    }

    /// The bodies of its pots, in order of name.
    pub fn bodies(&self) -> Vec<&Name> {
        let mut bodies: Vec<&Name> = self.pots.iter().map(|(_, body)| body).collect();
        bodies.sort_unstable();
        bodies.dedup();
        bodies
    }

    /// The forecasts of an event, together by pot, in order of when it happened.
    fn by_truth(&self, event: Event, body: Option<&str>) -> Vec<Vec<Scored>> {
        let of = |f: &&Forecast| f.event == event && body.is_none_or(|body| body == f.body);
        let mut pots: BTreeMap<(Option<Time>, &Name), Vec<Scored>> = BTreeMap::new();
        for f in self.forecasts.iter().filter(of) {
            pots.entry((f.truth.p50, &f.pot)).or_default().push(f.scored);
        }
        pots.into_values().collect()
    }
}

/// Makes the forecasts of the last `last` finished pots (of one body, or of all) again, as known at
/// `at`; `told` hears how many of how many times of questions are done.
///
/// # Errors
///
/// The store cannot be read.
pub fn of_studio(
    store: &Store,
    at: Time,
    body: Option<&str>,
    last: usize,
    told: impl FnMut(usize, usize),
) -> Result<Scorecard, StoreError> {
    let studio = store.studio(at)?;
    let names: Vec<&Name> = studio.pots.keys().collect();
    let taught = Taught::new(&studio);
    let asked = |pot: &&Name| body.is_none_or(|body| body == studio.pots[*pot].body);
    let names: Vec<&Name> = names.into_iter().filter(asked).collect();
    let known = on_all_cores(&names, |pot| Known::new(&studio, &taught.lessons, pot));
    let weighed = known.len();
    let mut known: Vec<Known> = known.into_iter().flatten().collect();
    let unfinished = weighed - known.len();
    known.sort_by(|a, b| (a.past.made_at, &a.pot).cmp(&(b.past.made_at, &b.pot)));
    known.drain(..known.len().saturating_sub(last));
    let mut questions: BTreeMap<Time, Vec<&Name>> = BTreeMap::new();
    for pot in &known {
        for time in pot.questions() {
            questions.entry(time).or_default().push(&pot.pot);
        }
    }
    let said = said(store, &questions, told)?;
    let mut card = Scorecard {
        at,
        pots: known.iter().map(|k| (k.pot.clone(), k.body.clone())).collect(),
        unfinished,
        vague: Event::ALL.map(|e| known.iter().filter(|k| k.past.truth(e).is_none()).count()),
        forecasts: Vec::new(),
        calls: Vec::new(),
        correction: taught.corrections,
    };
    for pot in &known {
        let name = &pot.pot;
        let answers = pot.questions().filter_map(|t| Some((t, said.get(&(name.clone(), t))?)));
        let answers: Vec<(Time, &PotAnswer)> = answers.collect();
        card.forecasts.extend(pot.forecasts(&answers));
        card.calls.extend(pot.calls(&answers));
    }
    Ok(card)
}

/// What was said of one pot, made again as of then.
#[derive(Clone, PartialEq, Debug)]
pub struct Past {
    /// What a report would have said, before any correction of its intervals: at each time of
    /// question up to its last weight.
    pub said: Vec<(Time, PotAnswer)>,
    /// What is known now, if the pot is finished.
    pub known: Option<Hindsight>,
}

impl Past {
    /// Each forecast of an event that was still to come, with its score where that is known now
    /// and the pot is no other since.
    pub fn forecasts(&self, event: Event) -> Vec<(Time, TimeQuantiles, Option<Scored>)> {
        let truth = self.known.as_ref().and_then(|known| Some((known, known.truth(event)?.0)));
        let to_come = |asked: Time, said: &TimeQuantiles| match truth {
            Some((_, happened)) => asked < happened,
            None => said.p50.is_none_or(|middle| asked < middle),
        };
        let each = |(asked, answer): &(Time, PotAnswer)| {
            let said = event.of(answer);
            let fair = truth.filter(|(known, happened)| known.is_fair(*asked, *happened));
            let scored = fair.map(|(known, at)| Scored::new(known.made_at, *asked, &said, at));
            to_come(*asked, &said).then_some((*asked, said, scored))
        };
        self.said.iter().filter_map(each).collect()
    }
}

/// What was forecast of one pot, finished or not, and what became of it, as known at `at`; `None`
/// of one that was not weighed.
///
/// # Errors
///
/// The store cannot be read.
pub fn of_pot(
    store: &Store,
    at: Time,
    pot: &Name,
    told: impl FnMut(usize, usize),
) -> Result<Option<Past>, StoreError> {
    let studio = store.studio(at)?;
    let until = hindsight::alone(&studio, pot).map(|alone| alone.at);
    let (Some(until), Some(made_at)) = (until, studio.pots.get(pot).map(|pot| pot.made_at)) else {
        return Ok(None);
    };
    let known = Known::new(&studio, &answers::lessons(&studio), pot).flatten();
    let times = questions(made_at, until).map(|time| (time, vec![pot])).collect();
    let said = said(store, &times, told)?;
    let said = said.into_iter().map(|((_, time), answer)| (time, answer)).collect();
    Ok(Some(Past { said, known: known.map(|known| known.past) }))
}

/// What was said of pots at the times at which they are asked about.
fn said(
    store: &Store,
    questions: &BTreeMap<Time, Vec<&Name>>,
    mut told: impl FnMut(usize, usize),
) -> Result<BTreeMap<(Name, Time), PotAnswer>, StoreError> {
    let mut said = BTreeMap::new();
    let mut memory = BTreeMap::new();
    for (done, (time, pots)) in questions.iter().enumerate() {
        told(done, questions.len());
        let answers = as_of(&store.studio(*time)?, pots, &mut memory);
        said.extend(answers.into_iter().map(|answer| ((answer.pot.clone(), *time), answer)));
    }
    told(questions.len(), questions.len());
    Ok(said)
}

/// Answers for some pots, as `report --at` gives them; `memory` keeps lessons from one time to the
/// next.
fn as_of(
    studio: &Studio,
    pots: &[&Name],
    memory: &mut BTreeMap<Name, Remembered>,
) -> Vec<PotAnswer> {
    let names: Vec<&Name> = studio.pots.keys().collect();
    let lessons = on_all_cores(&names, |pot| {
        Some((pot.to_string(), hindsight::lesson_again(studio, pot, memory.get(pot))?))
    });
    let learnt = Lessons::new(lessons.iter().filter_map(|(_, r)| r.lesson.clone()).collect());
    memory.extend(lessons);
    on_all_cores(pots, |pot| assess_taught(studio, &learnt, pot))
}

/// A finished pot with what is known of its past.
struct Known {
    pot: Name,
    body: Name,
    past: Hindsight,
}

impl Known {
    /// Of a pot that was weighed; `Some(None)` where it is not finished.
    fn new(studio: &Studio, lessons: &Lessons, name: &str) -> Option<Option<Known>> {
        let pot = studio.pots.get(name)?;
        let alone = hindsight::alone(studio, name)?;
        let times: Vec<Time> = questions(pot.made_at, alone.at).collect();
        let wanted = Wanted { past: Some(&times), ..Wanted::default() };
        let past = Assessment::new(&alone, lessons, name, &wanted)?.past;
        Some(past.map(|past| Known { pot: name.into(), body: pot.body.clone(), past }))
    }

    /// When it is asked about.
    fn questions(&self) -> impl Iterator<Item = Time> {
        questions(self.past.made_at, self.past.until)
    }

    fn forecasts(&self, answers: &[(Time, &PotAnswer)]) -> Vec<Forecast> {
        let mut out = Vec::new();
        let truths = Event::ALL.into_iter().filter_map(|e| Some((e, self.past.truth(e)?)));
        for (event, (happened, truth)) in truths {
            let fair = answers.iter().filter(|(asked, _)| self.past.is_fair(*asked, happened));
            out.extend(fair.map(|(asked_at, answer)| {
                let said = event.of(answer);
                Forecast {
                    pot: answer.pot.clone(),
                    body: answer.body.clone(),
                    event,
                    made_at: answer.made_at,
                    asked_at: *asked_at,
                    said,
                    truth,
                    scored: Scored::new(answer.made_at, *asked_at, &said, happened),
                }
            }));
        }
        out
    }

    fn calls(&self, answers: &[(Time, &PotAnswer)]) -> Vec<Call> {
        let dryness: BTreeMap<Time, Dryness> =
            self.questions().zip(self.past.dryness.iter().copied()).collect();
        let call = |(asked_at, answer): &(Time, &PotAnswer)| Call {
            pot: answer.pot.clone(),
            body: answer.body.clone(),
            asked_at: *asked_at,
            trim: answer.trim.call,
            fire: answer.fire.call,
            window: Window::at(*asked_at, &self.past.opens, &self.past.closes),
            dryness: dryness.get(asked_at).copied().unwrap_or(Dryness::Unsure),
            weighed: answer.evidence.last_reading_at.is_some_and(|t| asked_at.since(t) <= DAY),
        };
        answers.iter().map(call).collect()
    }
}
