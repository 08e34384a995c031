//! Shrinkage from lengths that were noted, by the formulas of ASTM C326: drying shrinkage
//! S_d = (L_p − L_d)/L_p, total shrinkage S_t = (L_p − L_f)/L_p, fired from dry (L_d − L_f)/L_d,
//! and of the volume 1 − (1 − S)³. L_p is the plastic length, the first that was noted.

use super::clay::measured_shrinkage;
use crate::records::{Action, HandlingRow};
use crate::units::Time;

/// What the lengths between two marks on a pot say; fractions.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Shrinkage {
    /// When it was first measured, and how long it was, mm.
    pub from: (Time, f64),
    /// The last length before it was packed, if there is one after the first, mm.
    pub unfired: Option<f64>,
    /// Whether it has been packed: then that length is the dry one.
    pub packed: bool,
    /// The last length since it was packed first, mm.
    pub fired: Option<f64>,
}

impl Shrinkage {
    /// From a pot's log in order of time, as of a time; `None` before a second length.
    pub fn new(log: &[HandlingRow], at: Time) -> Option<Shrinkage> {
        let log = || log.iter().filter(|row| row.time <= at);
        // The standard knows one firing: all that come after it are part of it.
        let packed = log().find(|row| row.action == Action::Kiln).map(|row| row.time);
        let fired = |time: Time| packed.is_some_and(|packed| time > packed);
        let length = |row: &HandlingRow| match row.action {
            Action::Length(mm) => Some((row.time, mm)),
            _ => None,
        };
        let mut lengths = log().filter_map(length);
        let from = lengths.next().filter(|(time, _)| !fired(*time))?;
        let rest: Vec<(Time, f64)> = lengths.collect();
        let last = |is: bool| rest.iter().rfind(|(t, _)| fired(*t) == is).map(|(_, mm)| *mm);
        let (unfired, fired) = (last(false), last(true));
        let some = unfired.is_some() || fired.is_some();
        some.then_some(Shrinkage { from, unfired, packed: packed.is_some(), fired })
    }

    /// Since the first length, up to the last before it was packed: S_d, once it is dry.
    pub fn drying(&self) -> Option<f64> {
        self.unfired.map(|dry| measured_shrinkage(self.from.1, dry))
    }

    /// From the first length to the fired one, S_t.
    pub fn total(&self) -> Option<f64> {
        self.fired.map(|fired| measured_shrinkage(self.from.1, fired))
    }

    /// In the fire, of the dry length.
    pub fn firing(&self) -> Option<f64> {
        Some(measured_shrinkage(self.unfired?, self.fired?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::clay::volume_shrinkage;

    fn log(rows: &[(i64, Action)]) -> Vec<HandlingRow> {
        let row = |(time, action): &(i64, Action)| HandlingRow {
            time: Time(*time),
            pot: "planter".into(),
            action: action.clone(),
        };
        rows.iter().map(row).collect()
    }

    /// ASTM C326's formulas with marks 102 mm apart: 6.25 % while drying and 6.66 % of the dry
    /// length in the fire make 12.5 % in all, not 12.9 (the figures of a ceramics glossary).
    #[test]
    fn lengths_become_shrinkage_as_in_the_standard() {
        let dry = 102.0 * (1.0 - 0.0625);
        let fired = dry * (1.0 - 0.0666);
        let rows = [
            (1, Action::Length(102.0)),
            (5, Action::Length(99.0)),
            (8, Action::Length(dry)),
            (9, Action::Kiln),
            (20, Action::Length(fired)),
        ];
        let rows = log(&rows);
        let close = |got: Option<f64>, want: f64| (got.unwrap() - want).abs() < 5e-5;
        let all = Shrinkage::new(&rows, Time(30)).unwrap();
        assert!(close(all.drying(), 0.0625) && close(all.firing(), 0.0666));
        assert!(close(all.total(), 0.12494) && all.packed);
        // The length between two firings is none of dry clay.
        let again = [&rows[..], &log(&[(21, Action::Kiln), (30, Action::Length(88.0))])].concat();
        let all = Shrinkage::new(&again, Time(30)).unwrap();
        assert!(close(all.drying(), 0.0625) && close(all.total(), 14.0 / 102.0));
        let unpacked = Shrinkage::new(&rows, Time(6)).unwrap();
        assert!(close(unpacked.drying(), 3.0 / 102.0) && !unpacked.packed);
        assert_eq!((unpacked.total(), unpacked.firing()), (None, None));
        assert_eq!(Shrinkage::new(&rows, Time(4)), None);
        // 6.25 % of the length are 17.6 % of the volume: 1 − 0.9375³.
        assert!((volume_shrinkage(0.0625) - 0.176_025).abs() < 1e-6);
    }

    #[test]
    fn a_length_that_was_only_taken_after_the_fire_says_nothing() {
        let rows = [(1, Action::Kiln), (2, Action::Length(90.0)), (3, Action::Length(90.0))];
        assert_eq!(Shrinkage::new(&log(&rows), Time(9)), None);
        let rows = [(1, Action::Length(100.0)), (2, Action::Kiln), (3, Action::Length(88.0))];
        let all = Shrinkage::new(&log(&rows), Time(9)).unwrap();
        assert_eq!((all.drying(), all.firing()), (None, None));
        assert!((all.total().unwrap() - 0.12).abs() < 1e-12);
    }
}
