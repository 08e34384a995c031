//! Sheets of plastic: a studio has only so many, and one lies over a board or a pot on none.

use super::draft::{Draft, Way};
use crate::core::prospect::Change;

/// From when to when, s from now.
type Span = (f64, f64);

impl Draft<'_> {
    /// From when to when a group is under plastic.
    fn under_plastic(&self, group: usize, changes: &[Change]) -> Vec<Span> {
        let members = &self.kept[group].group.members;
        let Some(member) = members.first() else { return Vec::new() };
        let covers = self.subjects[*member].prospect.covers(changes);
        let ends = covers.iter().skip(1).map(|(from, _)| *from).chain([f64::INFINITY]);
        let spans = covers.iter().zip(ends);
        let spans = spans.filter(|((_, cover), _)| cover.is_plastic());
        spans.map(|((from, _), to)| (*from, to)).collect()
    }

    /// When others have sheets, as they are kept.
    fn taken_by_others(&self, group: usize) -> Vec<Span> {
        let others = (0..self.kept.len()).filter(|other| *other != group);
        others.flat_map(|other| self.under_plastic(other, &self.all_changes(other))).collect()
    }

    /// Whether each of some ways of a group can be gone with the sheets that there are, as all
    /// others are kept.
    pub fn sheets_for(&self, group: usize, ways: &[Way]) -> Vec<bool> {
        let Some(sheets) = self.question.sheets else { return vec![true; ways.len()] };
        let (others, already) = (self.taken_by_others(group), self.under_plastic(group, &[]));
        let own = |way: &Way| self.under_plastic(group, &way.changes);
        ways.iter().map(|way| fits(&own(way), &already, &others, sheets)).collect()
    }

    /// A group that is to have a sheet which another has kept.
    pub(super) fn wants_another_s_sheet(&self) -> Option<usize> {
        let sheets = self.question.sheets?;
        (0..self.kept.len()).filter(|group| !self.changes(*group).is_empty()).find(|group| {
            let own = self.under_plastic(*group, &self.all_changes(*group));
            let already = self.under_plastic(*group, &[]);
            !fits(&own, &already, &self.taken_by_others(*group), sheets)
        })
    }
}

/// Whether a sheet over these spans can be had: wherever none lies there already, others leave one.
fn fits(own: &[Span], already: &[Span], others: &[Span], sheets: usize) -> bool {
    let lies = |spans: &[Span], t: f64| spans.iter().filter(|s| s.0 <= t && t < s.1).count();
    // Their number changes where one is laid.
    own.iter().all(|(from, to)| {
        let laid = others.iter().chain(already).flat_map(|(laid, taken)| [*laid, *taken]);
        let mut moments = laid.filter(|t| from < t && t < to).chain([*from]);
        moments.all(|t| lies(already, t) > 0 || lies(others, t) < sheets)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_more_sheets_are_laid_than_there_are() {
        let others = [(0.0, 10.0), (5.0, 20.0), (30.0, f64::INFINITY)];
        let fits = |own: &[Span], sheets| fits(own, &[], &others, sheets);
        assert!(fits(&[], 0) && !fits(&[(0.0, 1.0)], 0));
        assert!(fits(&[(0.0, 4.0)], 2) && !fits(&[(0.0, 6.0)], 2) && fits(&[(0.0, 6.0)], 3));
        assert!(!fits(&[(12.0, 15.0)], 1) && fits(&[(20.0, 30.0)], 1));
        assert!(!fits(&[(22.0, 24.0), (28.0, f64::INFINITY)], 1));
        // What lies there already stays.
        assert!(super::fits(&[(0.0, 10.0)], &[(0.0, 12.0)], &others, 1));
        assert!(!super::fits(&[(0.0, 15.0)], &[(0.0, 12.0)], &others, 1));
    }
}
