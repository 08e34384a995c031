//! What a pot is to be ready for: trimming, or another work with a band of its own.

use crate::core::forecast::Band;
use crate::core::report::{PotAnswer, TrimCall};
use crate::records::{Action, Name, Studio};

/// A work at which the clay has to be as stiff as it wants.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Work {
    /// Clay is cut away.
    #[default]
    Trim,
    /// Handles, knobs and spouts are joined on.
    Attach,
    /// The surface is carved or pierced.
    Carve,
    /// The surface is rubbed until it shines.
    Burnish,
}

impl Work {
    /// All of them.
    pub const ALL: [Work; 4] = [Work::Trim, Work::Attach, Work::Carve, Work::Burnish];

    /// The word in settings, options and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Work::Trim => "trim",
            Work::Attach => "attach",
            Work::Carve => "carve",
            Work::Burnish => "burnish",
        }
    }

    /// By its word.
    pub fn parse(text: &str) -> Option<Work> {
        Work::ALL.into_iter().find(|work| work.word() == text)
    }

    /// Whether it lies ahead of a pot of this answer, which was made for its band.
    pub fn lies_ahead(self, studio: &Studio, pot: &Name, answer: &PotAnswer, band: Band) -> bool {
        let stiff = answer.water.now.p50 < band.to;
        match self {
            Work::Trim => {
                matches!(answer.trim.call, TrimCall::Wait | TrimCall::Soon | TrimCall::Now)
            }
            Work::Attach => {
                let log = studio.handling.get(pot).map_or(&[][..], Vec::as_slice);
                let joined = |row| matches!(row, &Action::Attach(_));
                !stiff && !log.iter().any(|row| row.time <= studio.at && joined(&row.action))
            }
            // The log has no word for these: who asks about a pot has them ahead.
            Work::Carve | Work::Burnish => !stiff,
        }
    }
}

/// A band in parts of the body's trimming band: 0 where it first can be trimmed, 1 where it is too
/// stiff to trim; below 0 it is wetter.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Within {
    /// The wettest.
    pub from: f64,
    /// The stiffest.
    pub to: f64,
}

impl Within {
    /// In water of a body that is trimmed within this band, dry basis; never below nothing.
    pub fn of(self, trim: Band) -> Band {
        let at = |part: f64| (trim.from - part * (trim.from - trim.to)).max(0.0);
        Band { from: at(self.from), to: at(self.to) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_are_parts_of_the_trimming_band() {
        let trim = Band { from: 0.23, to: 0.16 };
        let close = |got: Band, from: f64, to: f64| {
            assert!((got.from - from).abs() < 1e-12 && (got.to - to).abs() < 1e-12, "{got:?}");
        };
        close(Within { from: 0.0, to: 1.0 }.of(trim), 0.23, 0.16);
        close(Within { from: -1.0, to: 0.5 }.of(trim), 0.30, 0.195);
        close(Within { from: 1.0, to: 9.0 }.of(trim), 0.16, 0.0);
        assert!(Work::ALL.iter().all(|work| Work::parse(work.word()) == Some(*work)));
    }
}
