//! Backwards from a date: by when a pot has to come off the wheel.

use super::queue::quantile;
use crate::core::assessment::{Assessment, Wanted};
use crate::core::forecast::{Band, HORIZON};
use crate::core::inference::lessons::Lessons;
use crate::core::prospect::{Ahead, Course};
use crate::records::{Name, Pot, Studio};
use std::collections::BTreeMap;

/// What a fresh pot of a body needs, left open in this air.
#[derive(Clone, PartialEq, Debug)]
pub struct Needs {
    /// The body.
    pub body: Name,
    /// The pot after which it is taken to be: the last of that body.
    pub like: Name,
    /// Time until its trimming window is open as surely as was wanted, s; infinite beyond the
    /// horizon.
    pub opens: f64,
    /// The same until it is dry.
    pub dry: f64,
}

/// The last pot of each body, in order of body.
pub fn patterns(studio: &Studio) -> Vec<&Pot> {
    let mut last: BTreeMap<&Name, &Pot> = BTreeMap::new();
    for pot in studio.pots.values().filter(|pot| pot.made_at <= studio.at) {
        let held = last.entry(&pot.body).or_insert(pot);
        if held.made_at < pot.made_at {
            *held = pot;
        }
    }
    last.into_values().collect()
}

/// What a pot like this one needs that comes off the wheel now; its band, where it is another than
/// its body's for trimming.
pub fn needs(
    studio: &Studio,
    lessons: &Lessons,
    (like, band): (&Pot, Option<Band>),
    wanted: f64,
) -> Option<Needs> {
    let pot = Pot { made_at: studio.at, like: None, ..like.clone() };
    let of_one = Studio {
        at: studio.at,
        bodies: studio.bodies.clone(),
        pots: BTreeMap::from([(pot.name.clone(), pot)]),
        air: studio.air.clone(),
        air_to_come: studio.air_to_come.clone(),
        samples: studio.samples.clone(),
        blends: studio.blends.clone(),
        ..Studio::default()
    };
    let ahead = Ahead {
        moments: &[],
        until: HORIZON,
        covers: &[],
        to_dry: true,
        stands: None,
        weathers: None,
    };
    let asked = Wanted { ahead: Some(&ahead), band, ..Wanted::default() };
    let courses = Assessment::new(&of_one, lessons, &like.name, &asked)?
        .prospect?
        .under(&[Vec::new()])
        .pop()?;
    let time = |of: fn(&Course) -> f64| {
        quantile(courses.iter().map(|c| (of(c), c.weight)).collect(), wanted)
    };
    let (opens, dry) = (time(|c| c.opens), time(|c| c.bone_dry));
    Some(Needs { body: like.body.clone(), like: like.name.clone(), opens, dry })
}
