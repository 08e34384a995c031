//! Treatments against each other, on all cores.
//!
//! The fits are those of a report, with what all pots teach, those of the other treatment too. Left
//! to themselves, pots that are not dry yet know too little of their clay: in a made-up comparison
//! draped jars then came out leather-hard a third too late beside dry ones of the same bag. What a
//! fit takes over of another treatment's rate makes the two a trifle more alike than they are.

use super::{each_on_all_cores, lessons};
use crate::core::assessment::{Assessment, Wanted};
use crate::core::compare::track::{Noted, Track, mean_air};
use crate::core::compare::{self, Outcome};
use crate::core::inference::lessons::Lessons;
use crate::core::room::Climate;
use crate::records::{Name, Studio};
use crate::units::Time;

/// A pot with its treatment, as its place in the list, and its pair.
pub type Member = (Name, usize, Option<u32>);

/// What came of a comparison.
#[derive(Clone, PartialEq, Debug)]
pub struct Compared {
    /// Its pots, in order of treatment, then name.
    pub tracks: Vec<Track>,
    /// Pots that are not made yet, or that the studio does not know.
    pub not_made: Vec<Name>,
    /// The air that all of them are sent through.
    pub air: Climate,
    /// The answers.
    pub outcome: Outcome,
}

/// Compares so many treatments by their pots; `done` is called whenever a pot was thought of.
pub fn compare(
    studio: &Studio,
    members: &[Member],
    treatments: usize,
    level: f64,
    done: &(dyn Fn() + Sync),
) -> Compared {
    let names: Vec<&Name> = members.iter().map(|(name, ..)| name).collect();
    let air = mean_air(studio, &names);
    let lessons = lessons(studio);
    let mut tracks = each_on_all_cores(members, |(name, treatment, pair)| {
        let wanted = Wanted { paths: true, past: Some(&[]), alike: Some(air), ..Wanted::default() };
        let track = track(studio, &lessons, name, &wanted, (*treatment, *pair));
        done();
        track
    });
    tracks.sort_by(|a, b| (a.treatment, &a.pot).cmp(&(b.treatment, &b.pot)));
    let made = |name: &Name| tracks.iter().any(|track| track.pot == *name);
    let not_made = names.iter().filter(|name| !made(name)).map(|name| (*name).clone()).collect();
    let outcome = compare::outcome(&tracks, treatments, level);
    Compared { tracks, not_made, air, outcome }
}

fn track(
    studio: &Studio,
    lessons: &Lessons,
    name: &Name,
    wanted: &Wanted,
    (treatment, pair): (usize, Option<u32>),
) -> Option<Track> {
    let pot = studio.pots.get(name)?;
    let rows = studio.handling.get(name).map_or(&[][..], Vec::as_slice);
    let assessment = Assessment::new(studio, lessons, name, wanted)?;
    Some(Track::new(&Noted { pot, rows, at: studio.at }, &assessment, treatment, pair))
}

/// How much pots of this studio differ that are treated alike, and how many pots told it
/// ([`compare::spread`]).
pub fn spread(studio: &Studio, supposed: f64) -> (f64, usize) {
    let lessons = lessons(studio);
    let weighed: Vec<&Name> = studio.weighings.keys().collect();
    let past: &[Time] = &[];
    let tracks = each_on_all_cores(&weighed, |name| {
        let wanted = Wanted { past: Some(past), ..Wanted::default() };
        let track = track(studio, &lessons, name, &wanted, (0, None))?;
        Some((studio.pots.get(*name)?.body.clone(), track))
    });
    compare::spread(&tracks, supposed)
}
