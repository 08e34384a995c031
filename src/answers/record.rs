//! The studio's record of past forecasts, made again as of then, from which the intervals of the
//! next ones are corrected.
//!
//! # What is asked
//!
//! Of the last [`LAST`] pots that have finished each is asked about once while its trimming window
//! was still to open, and once while it still had to become dry: at one of the ages of
//! [`questions`], drawn by its name, at which that was so and no trim or sponge lay between
//! question and event. One forecast a pot, since those of one pot err together.
//!
//! Each is made again from what was known then: the pot's own weights, log, air and samples up to
//! then ([`hindsight::then`]), and the lessons of pots that had been weighed for the last time by
//! then. So nothing later than the studio's own time has a part in a correction, and `report --at`
//! tells the same of the past as it did then.
//!
//! What is true is what is known now ([`Hindsight`]), and that is not certain. Its middle would
//! not do: it has in common with the forecast what neither knows, and intervals would seem wider
//! than they need to be. So the truth is taken to be any of [`LIKELY`] values of its own
//! distribution, each for its part: what is drawn from a posterior is as likely as the truth (as in
//! Cook, Gelman & Rubin, J. Comput. Graph. Stat. 15 (2006) 675).
//!
//! # What it costs
//!
//! Nothing before [`ENOUGH`] pots have taught. From then on at most two fits and forecasts for each
//! of the last [`LAST`] pots, however long the studio's history, beside their own answers, which a
//! report wants anyway. Lessons are not put together anew for every question: those of a while
//! before serve as long as they hold seven of eight of the pots that had finished.

use super::each_on_all_cores;
use crate::core::assessment::{Assessment, Wanted};
use crate::core::correction::{Correction, Corrections, ENOUGH};
use crate::core::forecast::Band;
use crate::core::hindsight::{self, Hindsight};
use crate::core::inference::lessons::{Lesson, Lessons};
use crate::core::record::{Event, Scored, questions, ratio};
use crate::core::report::TimeQuantiles;
use crate::core::seed;
use crate::records::{Name, Studio};
use crate::units::Time;
use std::collections::BTreeMap;

/// Pots that a record goes back: more than [`ENOUGH`], since of some no time is known well, and no
/// more than a season of a shared studio, whose ways change.
pub const LAST: usize = 60;
/// Of the pots that had finished so many may be left out of the lessons of then: one of so many.
const MISSING: usize = 8;
/// Widest 80 % interval of a true water that counts, kg/kg dry basis: a third of what forecasts of
/// taught pots are sure to.
const KNOWN_WATER: f64 = 0.010;
/// A half of an interval of water counts as so much at least, kg/kg dry basis: it is told no finer.
const LEAST_WATER: f64 = 0.0005;

/// Middles of eight equally likely parts of a standard normal distribution: Φ⁻¹((i − ½)/8).
pub const LIKELY: [f64; 8] =
    [-1.534_121, -0.887_147, -0.488_776, -0.157_311, 0.157_311, 0.488_776, 0.887_147, 1.534_121];
/// The same at 90 %: Φ⁻¹(0.9).
const EDGE: f64 = 1.281_552;

/// Assessments of pots by their names.
pub type Assessed = BTreeMap<Name, Assessment>;

/// By what the intervals of the studio's answers are to be corrected as of its time, from all that
/// its pots teach; and the assessments that were made for it.
pub fn corrections(studio: &Studio, told: &[Lesson], lessons: &Lessons) -> (Corrections, Assessed) {
    let settled = |lesson: &Lesson| hindsight::settled(studio, &lesson.pot);
    let told: Vec<(Time, &Lesson)> = told.iter().filter_map(|l| Some((settled(l)?, l))).collect();
    let mut last: Vec<(Time, &Name)> =
        told.iter().filter(|(_, l)| l.is_finished()).map(|(time, l)| (*time, &l.pot)).collect();
    last.sort_unstable();
    last.drain(..last.len().saturating_sub(LAST));
    if last.len() < ENOUGH {
        return Default::default();
    }
    let assessed: Assessed = each_on_all_cores(&last, |(_, pot)| {
        Some(((*pot).clone(), with_past(studio, lessons, pot)?))
    })
    .into_iter()
    .collect();
    let asks: Vec<Ask> = assessed.iter().flat_map(|(pot, a)| asks(pot, a)).collect();
    let of = |window: bool| asks.iter().filter(|ask| ask.window == window).count();
    if of(true).max(of(false)) < ENOUGH {
        return (Corrections::default(), assessed);
    }
    let eras = eras(&told, &asks);
    let ratios = each_on_all_cores(&asks, |ask| ask.ratios(studio, &eras));
    (corrected(&ratios), assessed)
}

/// What is known of a pot now, its past included.
fn with_past(studio: &Studio, lessons: &Lessons, pot: &str) -> Option<Assessment> {
    let made_at = studio.pots.get(pot)?.made_at;
    let times: Vec<Time> = questions(made_at, studio.at).collect();
    Assessment::new(studio, lessons, pot, &Wanted { past: Some(&times), ..Wanted::default() })
}

/// A question to the past.
struct Ask<'a> {
    pot: &'a Name,
    /// Whether it is about the trimming window, or else about when the pot is dry.
    window: bool,
    at: Time,
    /// Its number among the pot's questions.
    number: usize,
    /// The band as it is now: the forecast's, not that of what the potter has found out since.
    band: Band,
    past: &'a Hindsight,
}

/// What is asked about a pot.
fn asks<'a>(pot: &'a Name, assessment: &'a Assessment) -> Vec<Ask<'a>> {
    let Some(past) = &assessment.past else { return Vec::new() };
    let one = |window: bool, event: Event, word: &str| {
        let (happened, _) = past.truth(event)?;
        let all = questions(past.made_at, past.until).enumerate();
        let fair: Vec<_> = all.filter(|(_, at)| past.is_fair(*at, happened)).collect();
        let drawn = seed(&format!("{pot}/{word}")) % fair.len().max(1) as u64;
        let (number, at) = *fair.get(drawn as usize)?;
        Some(Ask { pot, window, at, number, band: assessment.band(), past })
    };
    let asks = [one(true, Event::Opens, "window"), one(false, Event::BoneDry, "dry")];
    asks.into_iter().flatten().collect()
}

/// What questions found.
#[derive(Default)]
struct Ratios {
    pot: Name,
    window: Vec<f64>,
    bone_dry: Vec<f64>,
    water: Vec<f64>,
}

impl Ask<'_> {
    fn ratios(&self, studio: &Studio, eras: &[Era]) -> Option<Ratios> {
        let era = eras.iter().rev().find(|era| era.from <= self.at)?;
        let then = hindsight::then(studio, self.pot, self.at);
        let wanted = Wanted { band: Some(self.band), ..Wanted::default() };
        let said = Assessment::new(&then, &era.lessons, self.pot, &wanted)?;
        let of = |event: Event| {
            let (happened, known) = self.past.truth(event)?;
            let fair = self.past.is_fair(self.at, happened);
            fair.then(|| self.ratios_of(&said.time(event), happened, &known))
        };
        let mut out = Ratios { pot: self.pot.clone(), ..Ratios::default() };
        match self.window {
            true => {
                let both = [Event::Opens, Event::Closes].into_iter().filter_map(of);
                out.window = both.flatten().collect();
            }
            false => out.bone_dry = of(Event::BoneDry).unwrap_or_default(),
        }
        let known = self.past.water.get(self.number)?;
        if known.p90 - known.p10 <= KNOWN_WATER {
            let water = said.water();
            let said = [water.p10, water.p50, water.p90];
            let likely = likely([known.p10, known.p50, known.p90]).into_iter();
            out.water = likely.map(|truth| ratio(said, truth, LEAST_WATER)).collect();
        }
        Some(out)
    }

    /// Of a forecast of a time, for each of the times at which it may have happened.
    fn ratios_of(&self, said: &TimeQuantiles, happened: Time, known: &TimeQuantiles) -> Vec<f64> {
        let off = |t: Option<Time>| t.map_or(0.0, |t| t.since(happened));
        let likely = likely([off(known.p10), 0.0, off(known.p90)]).into_iter();
        let truths = likely.map(|off| happened.plus(off).max(self.at));
        truths.map(|t| Scored::new(self.past.made_at, self.at, said, t).ratio()).collect()
    }
}

/// Equally likely values of what has these quantiles: normal to either side of its middle.
fn likely([low, middle, high]: [f64; 3]) -> [f64; 8] {
    LIKELY.map(|z| {
        let half = if z < 0.0 { middle - low } else { high - middle };
        middle + z / EDGE * half
    })
}

fn corrected(found: &[Ratios]) -> Corrections {
    let by_pot = |of: fn(&Ratios) -> &Vec<f64>| {
        let mut pots: BTreeMap<&Name, Vec<f64>> = BTreeMap::new();
        for ratios in found {
            pots.entry(&ratios.pot).or_default().extend(of(ratios));
        }
        Correction::from_ratios(&pots.into_values().collect::<Vec<_>>())
    };
    Corrections {
        window: by_pot(|r| &r.window),
        bone_dry: by_pot(|r| &r.bone_dry),
        water: by_pot(|r| &r.water),
    }
}

/// What pots had taught by a time.
struct Era {
    from: Time,
    lessons: Lessons,
}

/// Lessons of then for all questions, in order of time.
fn eras(told: &[(Time, &Lesson)], asks: &[Ask]) -> Vec<Era> {
    let mut times: Vec<Time> = asks.iter().map(|ask| ask.at).collect();
    times.sort_unstable();
    let mut begins: Vec<Time> = Vec::new();
    let mut held = 0;
    for time in times {
        let known = told.iter().filter(|(settled, _)| *settled <= time).count();
        if begins.is_empty() || held * MISSING < known * (MISSING - 1) {
            begins.push(time);
            held = known;
        }
    }
    each_on_all_cores(&begins, |from| {
        let known = told.iter().filter(|(settled, _)| settled <= from);
        let lessons = Lessons::new(known.map(|(_, lesson)| (*lesson).clone()).collect());
        Some(Era { from: *from, lessons })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{ContinuousCDF, Normal};

    #[test]
    fn likely_values_are_those_of_their_distribution() {
        let normal = Normal::standard();
        for (i, z) in LIKELY.iter().enumerate() {
            let want = normal.inverse_cdf((i as f64 + 0.5) / 8.0);
            assert!((z - want).abs() < 1e-5, "{z}, {want}");
        }
        assert!((EDGE - normal.inverse_cdf(0.9)).abs() < 1e-5);
        let skew = likely([9.0, 10.0, 13.0]);
        assert!((skew[0] - (10.0 - 1.534_121 / EDGE)).abs() < 1e-9);
        assert!((skew[7] - (10.0 + 3.0 * 1.534_121 / EDGE)).abs() < 1e-9);
        assert!(skew.is_sorted());
    }
}
