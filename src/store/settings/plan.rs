//! What plans go by: `[plan]` in `studio.toml`. The reason for each value stands beside it in
//! [`super::DEFAULT`].

use super::{Complaint, number, week};
use crate::records::{Cover, Name};
use crate::store::rules;
use crate::store::week::Week;
use serde::Deserialize;
use std::ops::RangeInclusive;
use toml::Spanned;

/// What may be set: minutes of one pot; how likely it is to be worked on, what a change has to gain
/// and what may be missing where one is planned; how sure weights have to be; sheets of plastic;
/// how far apart two of a pair may be; and parts of the trimming band.
const MINUTES: RangeInclusive<f64> = 1.0..=240.0;
const WANTED: RangeInclusive<f64> = 0.50..=0.99;
const WORTH: RangeInclusive<f64> = 0.01..=1.0;
const LEAVE: RangeInclusive<f64> = 0.0..=0.30;
const SURE: RangeInclusive<f64> = 0.60..=0.99;
const SHEETS: RangeInclusive<u32> = 0..=1000;
const ALIKE: RangeInclusive<f64> = 0.05..=1.0;
const PARTS: RangeInclusive<f64> = -2.0..=2.0;

/// What plans go by.
#[derive(Clone, PartialEq, Debug)]
pub struct PlanSettings {
    /// Hours at the wheel; `None` until somebody says them.
    pub hours: Option<Week>,
    /// Hours in which somebody can change covers; `None`: those at the wheel.
    pub there: Option<Week>,
    /// One pot on the wheel, min.
    pub trim_minutes: f64,
    /// How likely a pot is to be trimmable in those hours.
    pub wanted: f64,
    /// Where it cannot be as likely: what one more change has to gain, in chance of one pot.
    pub worth: f64,
    /// So much may be missing where something is planned already.
    pub leave: f64,
    /// How sure the weights have to be that a planned step was not done, or was.
    pub sure: f64,
    /// Covers that there are, beside none.
    pub covers: Vec<Cover>,
    /// Sheets of plastic that there are; `None`: as many as are wanted.
    pub sheets: Option<u32>,
    /// Pots that must stay equally damp.
    pub pairs: Vec<[Name; 2]>,
    /// How far apart in the band two of a pair may be, as a part of it.
    pub alike: f64,
    /// For handles, knobs and spouts.
    pub attach: BandSettings,
    /// For carving and piercing.
    pub carve: BandSettings,
    /// For burnishing.
    pub burnish: BandSettings,
}

/// Another work than trimming.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BandSettings {
    /// The wettest, in parts of the body's trimming band.
    pub from: f64,
    /// The stiffest.
    pub to: f64,
    /// One pot, min.
    pub minutes: f64,
}

impl Default for PlanSettings {
    fn default() -> PlanSettings {
        PlanSettings {
            hours: None,
            there: None,
            trim_minutes: 15.0,
            wanted: 0.80,
            worth: 0.20,
            leave: 0.05,
            sure: 0.90,
            covers: vec![Cover::Draped, Cover::Wrapped],
            sheets: None,
            pairs: Vec::new(),
            alike: 0.33,
            attach: BandSettings { from: -0.2, to: 0.5, minutes: 10.0 },
            carve: BandSettings { from: 0.2, to: 1.0, minutes: 30.0 },
            burnish: BandSettings { from: 0.6, to: 1.3, minutes: 20.0 },
        }
    }
}

/// As it stands in the file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Raw {
    hours: Option<Spanned<String>>,
    there: Option<Spanned<String>>,
    trim_minutes: Option<Spanned<f64>>,
    wanted: Option<Spanned<f64>>,
    worth: Option<Spanned<f64>>,
    leave: Option<Spanned<f64>>,
    sure: Option<Spanned<f64>>,
    covers: Option<Vec<Spanned<String>>>,
    sheets: Option<Spanned<u32>>,
    pairs: Option<Vec<Spanned<Vec<Name>>>>,
    alike: Option<Spanned<f64>>,
    attach: Option<RawBand>,
    carve: Option<RawBand>,
    burnish: Option<RawBand>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBand {
    from: Option<Spanned<f64>>,
    to: Option<Spanned<f64>>,
    minutes: Option<Spanned<f64>>,
}

impl Raw {
    pub(super) fn check(self) -> Result<PlanSettings, Complaint> {
        let otherwise = PlanSettings::default();
        let mut covers = match &self.covers {
            Some(words) => words.iter().map(cover).collect::<Result<_, Complaint>>()?,
            None => otherwise.covers,
        };
        covers.sort();
        covers.dedup();
        let band = |raw: Option<RawBand>, otherwise| match raw {
            Some(raw) => raw.check(otherwise),
            None => Ok(otherwise),
        };
        Ok(PlanSettings {
            hours: week(self.hours)?,
            there: week(self.there)?,
            trim_minutes: number(self.trim_minutes, MINUTES, otherwise.trim_minutes)?,
            wanted: number(self.wanted, WANTED, otherwise.wanted)?,
            worth: number(self.worth, WORTH, otherwise.worth)?,
            leave: number(self.leave, LEAVE, otherwise.leave)?,
            sure: number(self.sure, SURE, otherwise.sure)?,
            covers,
            sheets: self.sheets.map(sheets).transpose()?,
            pairs: pairs(self.pairs.unwrap_or_default())?,
            alike: number(self.alike, ALIKE, otherwise.alike)?,
            attach: band(self.attach, otherwise.attach)?,
            carve: band(self.carve, otherwise.carve)?,
            burnish: band(self.burnish, otherwise.burnish)?,
        })
    }
}

impl RawBand {
    fn check(self, otherwise: BandSettings) -> Result<BandSettings, Complaint> {
        let place = self.to.as_ref().or(self.from.as_ref()).map(Spanned::span);
        let band = BandSettings {
            from: number(self.from, PARTS, otherwise.from)?,
            to: number(self.to, PARTS, otherwise.to)?,
            minutes: number(self.minutes, MINUTES, otherwise.minutes)?,
        };
        match place.filter(|_| band.to <= band.from) {
            Some(place) => Err((
                place,
                format!("from {} to {}: expected more in to than in from", band.from, band.to),
            )),
            None => Ok(band),
        }
    }
}

fn cover(word: &Spanned<String>) -> Result<Cover, Complaint> {
    let text = "expected draped, wrapped or cupboard; to stand open needs none";
    let cover = Cover::parse(word.get_ref()).filter(|cover| *cover != Cover::Open);
    cover.ok_or_else(|| (word.span(), text.into()))
}

fn sheets(given: Spanned<u32>) -> Result<u32, Complaint> {
    let text = format!("expected {} to {}", SHEETS.start(), SHEETS.end());
    let sheets = *given.get_ref();
    if SHEETS.contains(&sheets) { Ok(sheets) } else { Err((given.span(), text)) }
}

/// Two and two, none of them twice.
fn pairs(given: Vec<Spanned<Vec<Name>>>) -> Result<Vec<[Name; 2]>, Complaint> {
    let mut pairs: Vec<[Name; 2]> = Vec::new();
    for one in given {
        let place = one.span();
        let [a, b]: [Name; 2] = one
            .into_inner()
            .try_into()
            .map_err(|_| (place.clone(), "expected two pots, [\"jar-1\", \"lid-1\"]".into()))?;
        for name in [&a, &b] {
            rules::name("pot", name).map_err(|e| (place.clone(), e.text))?;
        }
        let twice = [&a, &b].into_iter().find(|name| pairs.iter().flatten().any(|n| n == *name));
        if let Some(name) = twice.or((a == b).then_some(&a)) {
            return Err((place, format!("{name} is in a pair already")));
        }
        pairs.push([a, b]);
    }
    Ok(pairs)
}
