//! Answers for all pots of a studio, on all cores.
//!
//! [`crate::core`] answers for one pot and knows nothing of threads; each answer is a pure
//! function of its input, so the order in which they are made does not show in the report.

use crate::core::assess_pot;
use crate::core::report::{PotAnswer, Report};
use crate::records::{Name, Studio};
use std::num::NonZero;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// What is known about every pot of the studio as of `studio.at`, in order of name.
pub fn report(studio: &Studio) -> Report {
    let names: Vec<&Name> = studio.pots.keys().collect();
    Report { at: studio.at, pots: of_pots(studio, &names) }
}

/// What is known about some of its pots, in the order given.
pub fn of_pots(studio: &Studio, names: &[&Name]) -> Vec<PotAnswer> {
    let threads = thread::available_parallelism().map_or(1, NonZero::get).min(names.len());
    if threads < 2 {
        return names.iter().filter_map(|name| assess_pot(studio, name)).collect();
    }
    let next = AtomicUsize::new(0);
    // Pots differ widely in work: each thread takes the next one when it has finished its last.
    let work = || {
        let mut done = Vec::new();
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(name) = names.get(index) else { return done };
            done.extend(assess_pot(studio, name).map(|answer| (index, answer)));
        }
    };
    let mut answers: Vec<(usize, PotAnswer)> = thread::scope(|scope| {
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
