//! Answers for all pots of a studio, on all cores.
//!
//! [`crate::core`] answers for one pot and knows nothing of threads; each answer is a pure
//! function of its input, so the order in which they are made does not show in the report.

pub mod compare;
pub mod diary;
pub mod kiln;
pub mod plan;
pub mod record;

use crate::core::assessment::{Assessment, Wanted};
use crate::core::correction::Corrections;
use crate::core::forecast::Band;
use crate::core::inference::lessons::{Lesson, Lessons};
use crate::core::need::{self, Need};
use crate::core::readiness::plastic_above;
use crate::core::record::Event;
use crate::core::report::{PotAnswer, Report, TimeQuantiles};
use crate::core::whose::Expected;
use crate::core::{lesson, taught_by};
use crate::records::{Name, Studio};
use record::Assessed;
use std::num::NonZero;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// What is known about every pot of the studio as of `studio.at`, in order of name.
pub fn report(studio: &Studio) -> Report {
    let names: Vec<&Name> = studio.pots.keys().collect();
    let taught = Taught::new(studio);
    let correction = taught.corrections.is_made().then_some(taught.corrections);
    Report { at: studio.at, pots: taught.answers(studio, &names), correction }
}

/// What the studio's finished pots teach.
pub fn lessons(studio: &Studio) -> Lessons {
    taught_by(studio, told(studio))
}

/// What is known about some of its pots, in the order given.
pub fn of_pots(studio: &Studio, names: &[&Name]) -> Vec<PotAnswer> {
    Taught::new(studio).answers(studio, names)
}

/// What is known about one pot, with its way in past and future, for a picture.
pub fn depict(studio: &Studio, pot: &str) -> Option<PotAnswer> {
    let taught = Taught::new(studio);
    let wanted = Wanted { paths: true, uneven: true, ..Wanted::default() };
    let assessment = Assessment::new(studio, &taught.lessons, pot, &wanted)?;
    assessment.answer(studio, &taught.corrections)
}

fn told(studio: &Studio) -> Vec<Lesson> {
    let all: Vec<&Name> = studio.pots.keys().collect();
    on_all_cores(&all, |name| lesson(studio, name))
}

/// What a studio's finished pots have taught by its time.
pub struct Taught {
    /// For the fit.
    pub lessons: Lessons,
    /// For its intervals.
    pub corrections: Corrections,
    /// Pots that were assessed for the corrections.
    assessed: Assessed,
}

impl Taught {
    /// As of the studio's time.
    pub fn new(studio: &Studio) -> Taught {
        let told = told(studio);
        let lessons = taught_by(studio, told.clone());
        let (corrections, assessed) = record::corrections(studio, &told, &lessons);
        Taught { lessons, corrections, assessed }
    }

    fn answers(&self, studio: &Studio, names: &[&Name]) -> Vec<PotAnswer> {
        let wanted = Wanted { uneven: true, ..Wanted::default() };
        on_all_cores(names, |name| match self.assessed.get(name) {
            Some(assessment) => assessment.answer(studio, &self.corrections),
            None => Assessment::new(studio, &self.lessons, name, &wanted)?
                .answer(studio, &self.corrections),
        })
    }
}

/// A pot on a round with the scale.
#[derive(Clone, Debug)]
pub struct Stop {
    /// What is known of it.
    pub answer: PotAnswer,
    /// What a weighing now would do for it, if anything.
    pub need: Option<Need>,
    /// What a scale is expected to show of it.
    pub expected: Expected,
    /// It would suffer by being lifted.
    pub too_soft: bool,
    /// When it can be lifted, where it cannot now and ought to be weighed.
    pub firm: Option<TimeQuantiles>,
}

impl Stop {
    /// Whether it is worth the walk to the scale.
    pub fn is_needed(&self) -> bool {
        self.need.is_some_and(|need| need.worth >= need::WORTH)
    }
}

impl Taught {
    /// Some of the studio's pots as stops of a round, in the order given.
    pub fn stops(&self, studio: &Studio, names: &[&Name]) -> Vec<Stop> {
        on_all_cores(names, |name| self.stop(studio, name))
    }

    /// One pot as a stop of a round.
    pub fn stop(&self, studio: &Studio, name: &str) -> Option<Stop> {
        let assess = |wanted| Assessment::new(studio, &self.lessons, name, &wanted);
        let assessment = assess(Wanted::default())?;
        let answer = assessment.answer(studio, &self.corrections)?;
        let too_soft = need::too_soft(&assessment, &answer);
        let need = need::of(&assessment, &answer);
        let expected = assessment.expected();
        let mut stop = Stop { answer, need, expected, too_soft, firm: None };
        if too_soft && stop.is_needed() {
            let band = Band { from: plastic_above(assessment.band()), ..assessment.band() };
            let firmed = assess(Wanted { band: Some(band), ..Wanted::default() })?;
            stop.firm = Some(firmed.time(Event::Opens));
        }
        Some(stop)
    }
}

/// What comes of each name, in the order given.
pub fn on_all_cores<T: Send>(names: &[&Name], each: impl Fn(&str) -> Option<T> + Sync) -> Vec<T> {
    each_on_all_cores(names, |name| each(name))
}

/// What comes of each, in the order given.
pub fn each_on_all_cores<A: Sync, T: Send>(
    all: &[A],
    each: impl Fn(&A) -> Option<T> + Sync,
) -> Vec<T> {
    let threads = thread::available_parallelism().map_or(1, NonZero::get).min(all.len());
    if threads < 2 {
        return all.iter().filter_map(each).collect();
    }
    let next = AtomicUsize::new(0);
    // They differ widely in work: each thread takes the next one when it has finished its last.
    let work = || {
        let mut done = Vec::new();
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(one) = all.get(index) else { return done };
            done.extend(each(one).map(|answer| (index, answer)));
        }
    };
    let mut answers: Vec<(usize, T)> = thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .flat_map(|worker| match worker.join() {
                Ok(done) => done,
                Err(panic) => std::panic::resume_unwind(panic),
            })
            .collect()
    });
    answers.sort_by_key(|(index, _)| *index);
    answers.into_iter().map(|(_, answer)| answer).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::{Point, Pot, Weighings};
    use crate::units::Time;

    /// More pots than cores, weighed a few times each; the weights are invented.
    fn studio() -> Studio {
        let made = Time::parse_rfc3339("2031-04-02T09:00:00Z").unwrap();
        let mut studio = Studio { at: made.plus(36_000.0), ..Studio::default() };
        for n in 0..9 {
            let name = format!("planter-{n}");
            let pot = Pot {
                name: name.clone(),
                body: "smooth-stone".into(),
                made_at: made,
                ball_g: Some(600.0 + 50.0 * f64::from(n)),
                tare_g: None,
                wall_mm: Some(5.0),
                base_mm: Some(7.0),
                lot: None,
                board: None,
                like: None,
                place: None,
            };
            let weighing = |k: u32| Point {
                time: made.plus(9000.0 * f64::from(k)),
                value: 580.0 + 50.0 * f64::from(n) - 9.0 * f64::from(k),
            };
            studio.weighings.insert(name.clone(), Weighings((0..4).map(weighing).collect()));
            studio.pots.insert(name, pot);
        }
        studio
    }

    #[test]
    fn many_threads_say_what_one_says() {
        let studio = studio();
        let report = report(&studio);
        assert_eq!(report.pots.len(), 9);
        assert_eq!(report, crate::core::assess(&studio));
    }

    #[test]
    fn some_pots_come_in_the_order_asked_and_unknown_ones_are_left_out() {
        let names: Vec<Name> = ["planter-3", "teapot", "planter-1"].map(Into::into).into();
        let asked: Vec<&Name> = names.iter().collect();
        let answers = of_pots(&studio(), &asked);
        let got: Vec<&str> = answers.iter().map(|answer| answer.pot.as_str()).collect();
        assert_eq!(got, ["planter-3", "planter-1"]);
    }
}
