//! What a studio holds: bodies, blends, samples, pots, the handling log and readings.
//!
//! These are facts as somebody wrote them down or a sensor said them. Units are those of the
//! program (grams, °C, relative humidity as a fraction, water on the dry basis as a fraction);
//! percent and other units are converted where rows enter and leave ([`crate::store`]).

mod kiln;
mod names;
mod sample;
mod shared;
mod wary;

use crate::units::Time;
pub use kiln::KilnPot;
pub use names::{
    NameError, begins_a_formula, check_name, is_hidden, nearest, printable, shell_word,
};
pub use sample::{Drying, Sample};
pub use shared::Shared;
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
pub use wary::Wary;

/// A name of a body, pot, board, lot, place or source, held to the rules of the studio files.
pub type Name = String;

/// A clay body.
#[derive(Clone, PartialEq, Debug)]
pub struct Body {
    /// Its name; the key.
    pub name: Name,
    /// Water of the clay as it comes out of the bag, kg water per kg *wet* clay.
    pub bag_water_wet: Option<f64>,
    /// Mean water of the pot (dry basis) at which it first can be trimmed.
    pub trim_from_dry: Option<f64>,
    /// Mean water of the pot (dry basis) below which it is too stiff to trim.
    pub trim_to_dry: Option<f64>,
}

/// Water that a bag of plastic clay usually holds, wet basis: below it crumbles, above it is a
/// slip (common practice, no source; prepared throwing bodies hold 0.20–0.25).
pub const USUAL_BAG_WATER_WET: RangeInclusive<f64> = 0.10..=0.40;
/// Bags hold no less and no more than this, wet basis, loose soils included; else something was
/// mistyped (common practice, no source).
pub const POSSIBLE_BAG_WATER_WET: RangeInclusive<f64> = 0.03..=0.75;

impl Body {
    /// Water of its bag, wet basis, where it was given and can be; else it counts as not known.
    pub fn bag_water(&self) -> Option<f64> {
        self.bag_water_wet.filter(|wet| POSSIBLE_BAG_WATER_WET.contains(wet))
    }
}

/// More than a potter puts on a scale, g.
pub const HEAVIEST_G: f64 = 200_000.0;
/// Clay that is added to a pot, handles, knobs and joined parts together, weighs no more than this,
/// in balls of the pot (common practice, no source).
pub const MOST_ATTACHED: f64 = 3.0;

/// Wet walls and bases are no thinner and no thicker than this, mm (common practice, no source).
/// Centimetres typed for millimetres would make a thick base dry at once.
pub const POSSIBLE_THICKNESS_MM: RangeInclusive<f64> = 1.0..=200.0;

/// A pot.
#[derive(Clone, PartialEq, Debug)]
pub struct Pot {
    /// Its name; the key.
    pub name: Name,
    /// The body it is made of.
    pub body: Name,
    /// When it came off the wheel.
    pub made_at: Time,
    /// The ball of clay as weighed before throwing, g.
    pub ball_g: Option<f64>,
    /// What stands on the scale with the pot from the start, g.
    pub tare_g: Option<f64>,
    /// Wet wall thickness, mm.
    pub wall_mm: Option<f64>,
    /// Wet base thickness, mm.
    pub base_mm: Option<f64>,
    /// The bag, pugging or wedging its clay came from.
    pub lot: Option<Name>,
    /// The ware board it stands on.
    pub board: Option<Name>,
    /// A sibling that is weighed in its stead.
    pub like: Option<Name>,
    /// Where it stands; a room sensor of the same place is preferred.
    pub place: Option<Name>,
}

impl Pot {
    /// One of which no more is known.
    pub fn bare(name: &str, body: &str, made_at: Time) -> Pot {
        Pot {
            name: name.into(),
            body: body.into(),
            made_at,
            ball_g: None,
            tare_g: None,
            wall_mm: None,
            base_mm: None,
            lot: None,
            board: None,
            like: None,
            place: None,
        }
    }
}

/// The pots from one to the sibling it is like, to that one's and so on, back to itself; `None`
/// where they come to an end, as they ought to. `find`: a pot by its name.
pub fn circle<'a>(pot: &'a Pot, find: impl Fn(&str) -> Option<&'a Pot>) -> Option<Vec<&'a Name>> {
    let mut round = vec![&pot.name];
    let mut next = pot.like.as_ref();
    while let Some(name) = next.filter(|name| **name != pot.name) {
        // Another circle, of which this pot is no part.
        if round.contains(&name) {
            return None;
        }
        round.push(name);
        next = find(name)?.like.as_ref();
    }
    next.map(|_| round)
}

/// How a pot is kept.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Cover {
    /// Free in the air.
    Open,
    /// Loosely under plastic.
    Draped,
    /// Tight in plastic.
    Wrapped,
    /// In a damp cupboard.
    Cupboard,
}

impl Cover {
    /// All, in order of how freely a pot dries.
    pub const ALL: [Cover; 4] = [Cover::Open, Cover::Draped, Cover::Wrapped, Cover::Cupboard];

    /// Whether it takes a sheet of plastic.
    pub fn is_plastic(self) -> bool {
        matches!(self, Cover::Draped | Cover::Wrapped)
    }

    /// The word in files, JSON and on the screen.
    pub fn word(self) -> &'static str {
        match self {
            Cover::Open => "open",
            Cover::Draped => "draped",
            Cover::Wrapped => "wrapped",
            Cover::Cupboard => "cupboard",
        }
    }

    /// By its word.
    pub fn parse(text: &str) -> Option<Cover> {
        Cover::ALL.into_iter().find(|c| c.word() == text)
    }
}

/// The hand's judgement at the moment of trimming.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Verdict {
    /// Still too soft.
    Soft,
    /// Just right.
    Right,
    /// Already too stiff.
    Stiff,
}

/// What became of a pot.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Outcome {
    /// Whole.
    Sound,
    /// Cracked while drying.
    CrackedDrying,
    /// Cracked while cooling; says nothing about drying.
    CrackedCooling,
    /// Warped.
    Warped,
    /// Burst in the kiln.
    Burst,
}

/// What was done to a pot, or is going to be, with its detail.
#[derive(Clone, PartialEq, Debug)]
pub enum Action {
    /// Stands on that scale from now on.
    On(Name),
    /// Lifted off.
    Off,
    /// From now on this much else stands on the scale with it, g.
    Tare(f64),
    /// Kept so from now on.
    Cover(Cover),
    /// Stood on its rim, or back on its foot.
    Flip,
    /// Stands in another place from now on.
    Move(Name),
    /// Clay was cut away.
    Trim,
    /// Wet clay was added, g, where known.
    Attach(Option<f64>),
    /// Water was taken out of the inside.
    Sponge,
    /// Water was brought on.
    Wet,
    /// The hand's judgement.
    Verdict(Verdict),
    /// Distance between two marks, mm.
    Length(f64),
    /// What became of it.
    Outcome(Outcome),
    /// Packed in the kiln.
    Kiln,
    /// Scrapped, reclaimed, broken; with a reason, where one was given.
    Lost(Option<String>),
}

/// Words of all actions, in the order of the studio files.
pub const ACTION_WORDS: [&str; 15] = [
    "on", "off", "tare", "cover", "flip", "move", "trim", "attach", "sponge", "wet", "verdict",
    "length", "outcome", "kiln", "lost",
];

/// Why an action or its detail was not understood: says what was expected.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum ActionError {
    /// No such action.
    #[error(
        "no such action: expected one of on, off, tare, cover, flip, move, trim, attach, sponge, wet, verdict, length, outcome, kiln, lost"
    )]
    Word,
    /// The detail does not fit the action.
    #[error("{action} wants {expected}")]
    Detail {
        /// The action's word.
        action: &'static str,
        /// What its detail should be.
        expected: &'static str,
    },
    /// The name in its detail breaks a rule that nobody would guess.
    #[error("{0}")]
    Name(NameError),
}

impl Action {
    /// The action's word in files and commands.
    pub fn word(&self) -> &'static str {
        match self {
            Action::On(_) => "on",
            Action::Off => "off",
            Action::Tare(_) => "tare",
            Action::Cover(_) => "cover",
            Action::Flip => "flip",
            Action::Move(_) => "move",
            Action::Trim => "trim",
            Action::Attach(_) => "attach",
            Action::Sponge => "sponge",
            Action::Wet => "wet",
            Action::Verdict(_) => "verdict",
            Action::Length(_) => "length",
            Action::Outcome(_) => "outcome",
            Action::Kiln => "kiln",
            Action::Lost(_) => "lost",
        }
    }

    /// The detail as it is written in files; empty where there is none.
    pub fn detail(&self) -> String {
        match self {
            Action::On(name) | Action::Move(name) => name.clone(),
            Action::Tare(g) | Action::Length(g) | Action::Attach(Some(g)) => format!("{g}"),
            Action::Cover(c) => c.word().into(),
            Action::Verdict(v) => match v {
                Verdict::Soft => "soft",
                Verdict::Right => "right",
                Verdict::Stiff => "stiff",
            }
            .into(),
            Action::Outcome(o) => match o {
                Outcome::Sound => "sound",
                Outcome::CrackedDrying => "cracked-drying",
                Outcome::CrackedCooling => "cracked-cooling",
                Outcome::Warped => "warped",
                Outcome::Burst => "burst",
            }
            .into(),
            Action::Lost(Some(reason)) => reason.clone(),
            _ => String::new(),
        }
    }

    /// From its word and detail (grams and millimetres as plain numbers).
    pub fn parse(word: &str, detail: &str) -> Result<Action, ActionError> {
        let fail = |action, expected| Err(ActionError::Detail { action, expected });
        let name = |action, expected| match check_name(detail) {
            Ok(()) => Ok(Name::from(detail)),
            Err(e @ (NameError::Blank | NameError::Formula)) => Err(ActionError::Name(e)),
            Err(_) => Err(ActionError::Detail { action, expected }),
        };
        let number = || detail.parse::<f64>().ok().filter(|v| v.is_finite());
        let bare = |action: Action| {
            if detail.is_empty() {
                Ok(action)
            } else {
                Err(ActionError::Detail { action: action.word(), expected: "no detail" })
            }
        };
        match word {
            "on" => name("on", "the name of a scale or cell").map(Action::On),
            "off" => bare(Action::Off),
            "tare" => match number() {
                Some(g) => Ok(Action::Tare(g)),
                None => fail("tare", "grams"),
            },
            "cover" => match Cover::parse(detail) {
                Some(c) => Ok(Action::Cover(c)),
                None => fail("cover", "open, draped, wrapped or cupboard"),
            },
            "flip" => bare(Action::Flip),
            "move" => name("move", "the name of a place").map(Action::Move),
            "trim" => bare(Action::Trim),
            "attach" if detail.is_empty() => Ok(Action::Attach(None)),
            "attach" => match number().filter(|g| *g >= 0.0) {
                Some(g) => Ok(Action::Attach(Some(g))),
                None => fail("attach", "grams of wet clay, or nothing"),
            },
            "sponge" => bare(Action::Sponge),
            "wet" => bare(Action::Wet),
            "verdict" => match detail {
                "soft" => Ok(Action::Verdict(Verdict::Soft)),
                "right" => Ok(Action::Verdict(Verdict::Right)),
                "stiff" => Ok(Action::Verdict(Verdict::Stiff)),
                _ => fail("verdict", "soft, right or stiff"),
            },
            "length" => match number().filter(|mm| *mm > 0.0) {
                Some(mm) => Ok(Action::Length(mm)),
                None => fail("length", "millimetres"),
            },
            "outcome" => match detail {
                "sound" => Ok(Action::Outcome(Outcome::Sound)),
                "cracked-drying" => Ok(Action::Outcome(Outcome::CrackedDrying)),
                "cracked-cooling" => Ok(Action::Outcome(Outcome::CrackedCooling)),
                "warped" => Ok(Action::Outcome(Outcome::Warped)),
                "burst" => Ok(Action::Outcome(Outcome::Burst)),
                _ => fail("outcome", "sound, cracked-drying, cracked-cooling, warped or burst"),
            },
            "kiln" => bare(Action::Kiln),
            "lost" if detail.is_empty() => Ok(Action::Lost(None)),
            "lost" => Ok(Action::Lost(Some(detail.into()))),
            _ => Err(ActionError::Word),
        }
    }

    /// Whether it is put on a scale or cell, or taken off.
    pub fn changes_cell(&self) -> bool {
        matches!(self, Action::On(_) | Action::Off)
    }

    /// Whether nothing more is to come of its drying: packed in the kiln, or lost.
    pub fn ends(&self) -> bool {
        matches!(self, Action::Kiln | Action::Lost(_))
    }

    /// Whether a row of the future counts as a plan that forecasts follow.
    pub fn can_be_planned(&self) -> bool {
        matches!(self, Action::Cover(_) | Action::Flip | Action::Move(_))
    }
}

/// One row of the handling log. It counts from its own time on, whenever it was written down.
#[derive(Clone, PartialEq, Debug)]
pub struct HandlingRow {
    /// When it was, or will be, done.
    pub time: Time,
    /// The pot.
    pub pot: Name,
    /// What.
    pub action: Action,
}

/// What an ingredient of a blend is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Ingredient {
    /// A clay body of the studio, weighed wet.
    Part,
    /// Something not plastic (grog, sand, a stain), weighed dry.
    Addition,
}

impl Ingredient {
    /// The word in files.
    pub fn word(self) -> &'static str {
        match self {
            Ingredient::Part => "part",
            Ingredient::Addition => "add",
        }
    }

    /// By its word.
    pub fn parse(text: &str) -> Option<Ingredient> {
        [Ingredient::Part, Ingredient::Addition].into_iter().find(|kind| kind.word() == text)
    }
}

/// One ingredient of a body that was wedged together from others. Key: body, kind, name.
#[derive(Clone, PartialEq, Debug)]
pub struct Blend {
    /// The body that came of it.
    pub body: Name,
    /// What the ingredient is.
    pub kind: Ingredient,
    /// The body it is, or what the addition is called.
    pub name: Name,
    /// How much was wedged in, as it was weighed, g; only the proportions count.
    pub mass_g: f64,
}

/// One pot of a comparison of treatments. Key: comparison, pot. The pot may have to be made yet.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Allotment {
    /// The comparison's name.
    pub comparison: Name,
    /// The pot.
    pub pot: Name,
    /// What is done to it, or what it is.
    pub treatment: Name,
    /// The place of the treatment among all of the comparison, from 1: the others are held against
    /// the first.
    pub rank: u32,
    /// The pair, or block, of like pots to which it belongs, from 1; `None` without pairs.
    pub pair: Option<u32>,
    /// By what it was drawn who gets what.
    pub seed: u32,
    /// When that was.
    pub drawn_at: Time,
}

/// What a reading measures, in the program's unit.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Quantity {
    /// Gross mass, g.
    Mass,
    /// Temperature, °C.
    Temperature,
    /// Relative humidity, fraction (1 = 100 %RH).
    Humidity,
    /// Raw value of a converter, counts; its source's calibration turns it into grams.
    Count,
}

impl Quantity {
    /// The word in files.
    pub fn word(self) -> &'static str {
        match self {
            Quantity::Mass => "mass",
            Quantity::Temperature => "temperature",
            Quantity::Humidity => "humidity",
            Quantity::Count => "count",
        }
    }

    /// By its word.
    pub fn parse(text: &str) -> Option<Quantity> {
        Some(match text {
            "mass" => Quantity::Mass,
            "temperature" => Quantity::Temperature,
            "humidity" => Quantity::Humidity,
            "count" => Quantity::Count,
            _ => return None,
        })
    }
}

/// One thing that a sensor or scale said. Key: time, source, quantity, pot.
#[derive(Clone, PartialEq, Debug)]
pub struct Reading {
    /// When.
    pub time: Time,
    /// Which sensor or scale.
    pub source: Name,
    /// What it measures.
    pub quantity: Quantity,
    /// Value in the program's unit: g, °C, relative humidity as a fraction, or raw counts.
    pub value: f64,
    /// The pot, where one scale serves many in turn; else `None`: the handling log tells.
    pub pot: Option<Name>,
    /// How many samples a reduced reading stands for; `None` for a reading as it came.
    pub count: Option<u32>,
    /// Robust spread (scaled MAD) of those samples, in the unit of `value`.
    pub spread: Option<f64>,
}

/// A point of a series: time and value in the program's unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Point {
    /// When.
    pub time: Time,
    /// Value in the program's unit.
    pub value: f64,
}

/// Air of one place: temperature and humidity as two series, each in order of time.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Air {
    /// °C.
    pub temperature: Vec<Point>,
    /// Relative humidity, fraction.
    pub humidity: Vec<Point>,
}

/// Which weighings of which pots: spans of time in order, each from one to before another.
pub type Parts = BTreeMap<Name, Vec<(Time, Time)>>;

/// Weighings of one pot as they stand on the scale (gross), in order of time.
///
/// A pot's weighings are the readings that name it, and those without a name that came from the
/// source it stood on (`on` … `off`) at that time.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Weighings(pub Vec<Point>);

/// What is known of a cell beside the weights of pots.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Cell {
    /// It sends raw counts, and the calibration that turns them into grams counts from then on.
    pub calibrated: Option<Time>,
    /// What it said when no pot stood on it last, g, in order of time: single readings some time
    /// apart, of the last weeks. Not in a studio that was read for some of its pots.
    pub idle: Vec<Point>,
}

/// A studio as it was known at a time, with its plans: what every estimate is made from.
///
/// Readings and handling rows later than `at` are absent, save planned cover, flip and move rows;
/// pots made later than `at` are absent.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Studio {
    /// The time that it is looked at.
    pub at: Time,
    /// Clay bodies by name.
    pub bodies: BTreeMap<Name, Body>,
    /// Pots by name.
    pub pots: BTreeMap<Name, Pot>,
    /// Handling rows of each pot in order of time (ties: order of [`ACTION_WORDS`]); plans last.
    pub handling: BTreeMap<Name, Vec<HandlingRow>>,
    /// Weighings of each pot.
    pub weighings: BTreeMap<Name, Weighings>,
    /// Pots whose cell sends raw counts that no calibration turns into grams: pot and cell.
    pub uncalibrated: BTreeMap<Name, Name>,
    /// Cells and scales of which more is known than the weights of pots.
    pub cells: BTreeMap<Name, Cell>,
    /// Air by place; the studio's main sensor (`room`) under the empty name, `room:PLACE` under
    /// PLACE. It may be that of years, and is the same in many a copy of a studio.
    pub air: Shared<BTreeMap<Name, Air>>,
    /// Air that is forecast for the studio's main room, each temperature with the humidity of its
    /// time, from the last before `at` on; empty without a forecast.
    pub air_to_come: Air,
    /// Weighings of samples, in order of sample, then time.
    pub samples: Vec<Sample>,
    /// What each blended body is made of; parts first, each kind in order of name.
    pub blends: BTreeMap<Name, Vec<Blend>>,
    /// From which chance on it wants to be warned of a pot that may crack.
    pub wary: Wary,
}

impl Studio {
    /// A pot, the one it is like, and so on; none of a name that is not there.
    pub fn family(&self, pot: &str) -> Vec<&Pot> {
        let mut all: Vec<&Pot> = Vec::new();
        let mut next = self.pots.get(pot);
        while let Some(pot) = next.filter(|pot| all.iter().all(|known| known.name != pot.name)) {
            all.push(pot);
            next = pot.like.as_ref().and_then(|like| self.pots.get(like));
        }
        all
    }

    /// All weighings of these pots and of those they are like.
    pub fn whole(&self, pots: &[Name]) -> Parts {
        let family = pots.iter().flat_map(|pot| self.family(pot));
        family.map(|pot| (pot.name.clone(), vec![(Time::MIN, Time::MAX)])).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_action_survives_its_own_text() {
        let rows = [
            ("on", "cell-1"),
            ("off", ""),
            ("tare", "180.5"),
            ("cover", "draped"),
            ("flip", ""),
            ("move", "loft"),
            ("trim", ""),
            ("attach", ""),
            ("attach", "31"),
            ("sponge", ""),
            ("wet", ""),
            ("verdict", "stiff"),
            ("length", "102.5"),
            ("outcome", "warped"),
            ("kiln", ""),
            ("lost", ""),
            ("lost", "fell"),
        ];
        for (word, detail) in rows {
            let action = Action::parse(word, detail).unwrap();
            assert_eq!((action.word(), action.detail().as_str()), (word, detail));
        }
        for word in ACTION_WORDS {
            assert!(!matches!(Action::parse(word, "\u{1}"), Err(ActionError::Word)));
        }
        assert_eq!(Action::parse("bake", ""), Err(ActionError::Word));
        assert!(Action::parse("trim", "much").is_err());
        assert!(Action::parse("tare", "inf").is_err());
    }
}
