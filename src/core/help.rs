//! What would make the next forecasts surer: a dried sample of the clay, or a weight straight off
//! the wheel; and by how much of the time within which the trimming window opens.
//!
//! A forecast is made as it stands, and again with the measurement in it, at the value that is
//! expected of it: how much narrower the interval becomes does not hang on the value itself, as
//! long as what is unknown is about normal.

use super::inference::lessons::Lessons;
use super::inference::priors::{self, Unknown};
use super::report::{PotAnswer, TrimCall};
use super::{assess_taught, bag_given, sample};
use crate::records::{Drying, Name, Point, Pot, Sample, Studio, Weighings};
use crate::units::{DAY, HOUR, wet_from_dry};
use std::collections::BTreeMap;

/// What a potter could do.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Means {
    /// Dry an offcut of its lot.
    Sample,
    /// Weigh it when it comes off the wheel.
    OffTheWheel,
}

/// How much surer a measurement would make the forecast of a pot.
#[derive(Clone, PartialEq, Debug)]
pub struct Help {
    /// The pot; none: the next one of its body.
    pub pot: Option<Name>,
    /// The lot of its clay.
    pub lot: Option<Name>,
    /// What to do.
    pub means: Means,
    /// Time within which its window opens in 8 of 10 cases, s.
    pub width: f64,
    /// By how much narrower that would become, s.
    pub gain: f64,
}

/// Less gain than this is not worth the walk to the scale, s (common practice, no source).
const WORTH: f64 = 600.0;
/// A gain must stand so many of its standard errors above nothing.
const SURE: f64 = 2.0;
/// How often each forecast is drawn anew: intervals of one set of draws are off by a tenth.
const TRIES: usize = 32;
/// Offcut that is supposed, g; weighed on a kitchen scale ([`sample::STEP_G`]).
const OFFCUT_G: f64 = 200.0;
/// Thin slices dry in an oven in about so long, s; a sample that comes later helps no more (common
/// practice, no source).
const SAMPLE_TAKES: f64 = 6.0 * HOUR;
/// Off the wheel so lately that its weight still is the one off the wheel, s.
const JUST_MADE: f64 = 0.5 * HOUR;
/// Pots made longer ago do not wait for their window any more, s.
const LONG_AGO: f64 = 7.0 * DAY;

/// What would help most with pots of a body, the greatest gain first: with the next one, with the
/// one that waits for the least known window, and with one that just came off the wheel.
///
/// Empty where nothing gains more than ten minutes, or more than its own uncertainty.
pub fn most(studio: &Studio, lessons: &Lessons, body: &str) -> Vec<Help> {
    let asked = candidates(studio, lessons, body).into_iter();
    let helps = asked.filter_map(|(name, pot, means)| {
        help(studio, lessons, &pot, means).map(|help| Help { pot: name, ..help })
    });
    let mut helps: Vec<Help> = helps.collect();
    helps.sort_by(|a, b| b.gain.total_cmp(&a.gain));
    helps
}

/// What could be measured: of which pot (none: the next one), the pot, and how.
fn candidates(studio: &Studio, lessons: &Lessons, body: &str) -> Vec<(Option<Name>, Pot, Means)> {
    let its: Vec<&Pot> = studio.pots.values().filter(|pot| pot.body == body).collect();
    let next = next(studio, body, its.iter().copied().max_by_key(|pot| pot.made_at));
    let mut asked = [Means::Sample, Means::OffTheWheel].map(|m| (None, next.clone(), m)).to_vec();
    let lately = its.into_iter().filter(|pot| studio.at.since(pot.made_at) < LONG_AGO);
    let waiting = lately.filter_map(|pot| {
        let answer = assess_taught(&alone(studio, pot, &pot.name), lessons, &pot.name)?;
        let waits = matches!(answer.trim.call, TrimCall::Wait | TrimCall::Soon);
        let opens = answer.trim.opens;
        let (from, middle, to) = (opens.p10?, opens.p50?, opens.p90?);
        let left = middle.since(studio.at);
        waits.then_some((pot, to.since(from), left, answer.evidence.readings))
    });
    let waiting: Vec<_> = waiting.collect();
    let of = |means, pot: &Pot| (Some(pot.name.clone()), pot.clone(), means);
    let in_time = waiting.iter().filter(|(_, _, left, _)| *left > SAMPLE_TAKES);
    let least_known = in_time.max_by(|a, b| a.1.total_cmp(&b.1));
    asked.extend(least_known.map(|(pot, ..)| of(Means::Sample, pot)));
    let fresh = |pot: &Pot| studio.at.since(pot.made_at) <= JUST_MADE;
    let mut unweighed = waiting.iter().filter(|(pot, _, _, n)| *n == 0 && fresh(pot));
    asked.extend(unweighed.next().map(|(pot, ..)| of(Means::OffTheWheel, pot)));
    let sampled = |pot: &Pot| sample::of_lot(studio, &pot.body, pot.lot.as_deref()).is_some();
    asked.retain(|(_, pot, means)| *means != Means::Sample || !sampled(pot));
    asked
}

/// A pot like the last of its body, thrown now.
fn next(studio: &Studio, body: &str, last: Option<&Pot>) -> Pot {
    Pot {
        name: Name::new(), // no name that a pot can have
        body: body.into(),
        made_at: studio.at,
        ball_g: last.and_then(|pot| pot.ball_g),
        tare_g: None,
        wall_mm: last.and_then(|pot| pot.wall_mm),
        base_mm: last.and_then(|pot| pot.base_mm),
        lot: last.and_then(|pot| pot.lot.clone()),
        board: None,
        like: None,
        place: last.and_then(|pot| pot.place.clone()),
    }
}

/// A studio with nothing in it but what speaks of one pot, which goes by another name there.
fn alone(studio: &Studio, pot: &Pot, name: &str) -> Studio {
    fn of<T: Clone>(all: &BTreeMap<Name, T>, pot: &Pot, name: &str) -> BTreeMap<Name, T> {
        let sibling = pot.like.iter().map(|sibling| (sibling.as_str(), sibling.as_str()));
        let names = sibling.chain([(pot.name.as_str(), name)]);
        names.filter_map(|(old, new)| Some((new.to_owned(), all.get(old)?.clone()))).collect()
    }
    let mut pots = of(&studio.pots, pot, name);
    pots.insert(name.to_owned(), Pot { name: name.into(), ..pot.clone() });
    Studio {
        at: studio.at,
        bodies: studio.bodies.clone(),
        pots,
        handling: of(&studio.handling, pot, name),
        weighings: of(&studio.weighings, pot, name),
        uncalibrated: of(&studio.uncalibrated, pot, name),
        cells: studio.cells.clone(),
        air: studio.air.clone(),
        air_to_come: studio.air_to_come.clone(),
        samples: studio.samples.clone(),
        blends: studio.blends.clone(),
        wary: studio.wary,
    }
}

/// What one measurement would do for one pot; `None` where that is too little, or the window opens
/// beyond the horizon.
fn help(studio: &Studio, lessons: &Lessons, pot: &Pot, means: Means) -> Option<Help> {
    // The draws go by the pot's name; none of these can be a pot's.
    let names = (0..TRIES).map(|k| format!("{}/{k}", pot.name));
    let tried: Option<Vec<_>> =
        names.map(|name| widths(studio, lessons, pot, &name, means)).collect();
    let tried = tried?;
    let n = tried.len() as f64;
    let width = tried.iter().map(|(before, _)| before).sum::<f64>() / n;
    let gain = tried.iter().map(|(before, after)| before - after).sum::<f64>() / n;
    let scatter: f64 = tried.iter().map(|(before, after)| (before - after - gain).powi(2)).sum();
    let lot = pot.lot.clone();
    let error = (scatter / (n - 1.0) / n).sqrt();
    (gain > WORTH && gain > SURE * error).then_some(Help { pot: None, lot, means, width, gain })
}

/// Within what time the window of a pot opens, without a measurement and with it, s.
fn widths(
    studio: &Studio,
    lessons: &Lessons,
    pot: &Pot,
    name: &str,
    means: Means,
) -> Option<(f64, f64)> {
    let width = |answer: &PotAnswer| {
        let opens = &answer.trim.opens;
        Some(opens.p90?.since(opens.p10?))
    };
    let mut alone = alone(studio, pot, name);
    let before = assess_taught(&alone, lessons, name)?;
    match means {
        Means::Sample => alone.samples.extend(supposed_sample(studio, lessons, pot)?),
        Means::OffTheWheel => {
            let value = before.dry_mass_g.p50 * (1.0 + before.water.now.p50);
            let value = value + pot.tare_g.unwrap_or(0.0);
            let point = Point { time: alone.at, value };
            alone.weighings.insert(name.into(), Weighings(vec![point]));
        }
    }
    let after = assess_taught(&alone, lessons, name)?;
    Some((width(&before)?, width(&after)?))
}

/// A sample of the pot's lot that says just what is expected of its bag.
fn supposed_sample(studio: &Studio, lessons: &Lessons, pot: &Pot) -> Option<[Sample; 3]> {
    let body = studio.bodies.get(&pot.body);
    let bag = priors::bag_water_dry(body);
    let expected = lessons.expect(&pot.body, pot.lot.as_ref(), bag, bag_given(body));
    let (_, dry, _) = expected.iter().find(|(unknown, ..)| *unknown == Unknown::Bag)?;
    let dry_g = OFFCUT_G * (1.0 - wet_from_dry(*dry));
    let weighed = |hours: f64, drying: Drying, mass_g: f64| Sample {
        time: studio.at.plus(hours * HOUR),
        sample: Name::new(), // no name that a sample can have
        body: pot.body.clone(),
        lot: pot.lot.clone(),
        drying,
        mass_g,
        tare_g: None,
        humidity: None,
        step_g: None,
    };
    Some([
        weighed(-8.0, Drying::Wet, OFFCUT_G),
        weighed(-2.0, Drying::Oven, dry_g),
        weighed(-0.5, Drying::Oven, dry_g),
    ])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, dried, pot};
    use crate::core::learn;
    use crate::records::{Air, Body};

    /// `hours` after the pot was made, in a steady room; with what it was weighed until then.
    fn studio(hours: f64, weighed: bool) -> Studio {
        let steady = |value| {
            let time = |k: i32| pot().made_at.plus(f64::from(k) / 2.0 * HOUR);
            (-48..=(2.0 * hours) as i32).map(|k| Point { time: time(k), value }).collect()
        };
        let air = Air { temperature: steady(20.0), humidity: steady(0.5) };
        let mut studio = Studio { at: pot().made_at.plus(hours * HOUR), ..Studio::default() };
        studio.air.insert(String::new(), air);
        studio.bodies.insert(body().name, body());
        studio.pots.insert(pot().name, pot());
        let point =
            |(t, value): &(f64, f64)| Point { time: pot().made_at.plus(t * HOUR), value: *value };
        let weights = dried(200.0).0;
        let until = weights.iter().filter(|(t, _)| weighed && *t <= hours).map(point);
        studio.weighings.insert(pot().name, Weighings(until.collect()));
        studio
    }

    fn asked(studio: &Studio) -> Vec<Help> {
        most(studio, &learn(studio), &body().name)
    }

    fn nothing_on_the_bag(studio: Studio) -> Studio {
        let bare = Body { bag_water_wet: None, ..body() };
        Studio { bodies: [(bare.name.clone(), bare)].into(), ..studio }
    }

    /// Before any pot is dry nobody knows the bag: a sample tells two hours of it.
    #[test]
    fn of_a_new_body_a_sample_tells_most() {
        let found = asked(&nothing_on_the_bag(studio(10.0, false)));
        let next = found.iter().find(|help| help.pot.is_none()).unwrap();
        assert_eq!(next.means, Means::Sample, "{found:?}");
        assert!(next.gain > 3600.0 && next.gain < next.width, "{found:?}");
        assert!(found.is_sorted_by(|a, b| a.gain >= b.gain));
        // The bag as written leaves less to tell.
        let written = asked(&studio(10.0, false));
        let sample = written.iter().find(|h| h.pot.is_none() && h.means == Means::Sample);
        assert!(sample.is_none_or(|help| help.gain < 0.5 * next.gain), "{written:?}");
    }

    /// Who is asked for by name, and for what.
    fn named(studio: &Studio) -> Vec<(Name, Means)> {
        let all = candidates(studio, &learn(studio), &body().name).into_iter();
        all.filter_map(|(name, _, means)| Some((name?, means))).collect()
    }

    /// A pot is asked for a quarter of an hour off the wheel, unless it was weighed; and for a
    /// sample of its lot as long as that can be dry before the window opens.
    #[test]
    fn a_pot_is_asked_for_only_while_it_helps() {
        let (sample, weight) = ((pot().name, Means::Sample), (pot().name, Means::OffTheWheel));
        assert_eq!(named(&studio(0.25, false)), [sample.clone(), weight]);
        assert_eq!(named(&studio(0.25, true)), std::slice::from_ref(&sample), "weighed");
        assert_eq!(named(&studio(2.0, false)), [sample], "off the wheel too long ago");
        assert_eq!(named(&studio(200.0, true)), [], "dry");
    }

    #[test]
    fn a_lot_that_was_sampled_is_not_asked_for_again() {
        let mut known = studio(0.25, false);
        let rows = supposed_sample(&known, &Lessons::default(), &pot()).unwrap();
        known.samples.extend(rows);
        let all = candidates(&known, &learn(&known), &body().name);
        let means: Vec<Means> = all.iter().map(|(.., means)| *means).collect();
        assert_eq!(means, [Means::OffTheWheel; 2]);
    }

    #[test]
    fn an_empty_studio_asks_for_nothing_wrong() {
        let nothing = Studio { at: pot().made_at, ..Studio::default() };
        for help in most(&nothing, &Lessons::default(), "nobody's") {
            assert!(help.gain.is_finite() && help.width.is_finite());
        }
    }
}
