//! Weighings of samples of clay.

use super::Name;
use crate::units::Time;

/// How a sample of clay was kept until it was weighed.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Drying {
    /// As it came: nothing dried on purpose.
    Wet,
    /// In the air of the room.
    Room,
    /// In a drying oven at 105–110 °C.
    Oven,
}

impl Drying {
    /// All, wettest first.
    pub const ALL: [Drying; 3] = [Drying::Wet, Drying::Room, Drying::Oven];

    /// The word in files.
    pub fn word(self) -> &'static str {
        match self {
            Drying::Wet => "wet",
            Drying::Room => "room",
            Drying::Oven => "oven",
        }
    }

    /// By its word.
    pub fn parse(text: &str) -> Option<Drying> {
        Drying::ALL.into_iter().find(|d| d.word() == text)
    }
}

/// One weighing of a sample: an offcut of a lot that is weighed wet, and again as it dries. Key:
/// sample, time. All weighings of a sample are of one body and lot.
#[derive(Clone, PartialEq, Debug)]
pub struct Sample {
    /// When it was weighed.
    pub time: Time,
    /// The sample's name.
    pub sample: Name,
    /// The body it is of.
    pub body: Name,
    /// The bag, pugging or wedging it was cut from.
    pub lot: Option<Name>,
    /// How it was kept since the weighing before.
    pub drying: Drying,
    /// What the scale shows (gross), g.
    pub mass_g: f64,
    /// The dish on the scale with it, g; `None` where the scale was set to zero with it.
    pub tare_g: Option<f64>,
    /// Relative humidity of the air it lay in, fraction.
    pub humidity: Option<f64>,
    /// The smallest step that the scale shows, g.
    pub step_g: Option<f64>,
}
