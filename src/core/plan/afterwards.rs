//! What follows for the kiln once pots are trimmed: the open air, and turning them over.

use super::draft::{Draft, Kept, SAME, Way};
use super::hours::share;
use super::queue::Place;
use super::{Group, Question};
use crate::core::prospect::{Change, Course, Doing};
use crate::records::Cover;

impl Draft<'_> {
    /// What may bring a group into the kiln, after what is chosen: the open air once its pots are
    /// trimmed, and turning over those that have been.
    pub fn for_the_kiln(&self, group: usize) -> Vec<Vec<Change>> {
        let (chosen, members) = (&self.kept[group].chosen.changes, &self.kept[group].group.members);
        let worked = members.iter().filter_map(|m| self.places[*m]?.slot).map(|(slot, _)| slot.1);
        let worked = worked.fold(0.0, f64::max);
        // What is chosen has its time first.
        let changed = chosen.iter().map(|change| change.at).fold(f64::NEG_INFINITY, f64::max);
        let moments = self.question.moments.iter().copied();
        let after = moments.filter(|moment| *moment >= worked && *moment > changed);
        let Some(at) = after.min_by(f64::total_cmp) else {
            return Vec::new();
        };
        let kept = |member: &usize| self.subjects[*member].prospect.covers(chosen);
        let covered = |member: &usize| kept(member).last().is_some_and(|c| c.1 != Cover::Open);
        let [open, turn] =
            [Doing::Cover(Cover::Open), Doing::Flip].map(|doing| Change { at, doing });
        let turns = members.iter().all(|member| self.subjects[*member].turns);
        match (members.iter().any(covered), turns) {
            (true, true) => vec![vec![open], vec![turn], vec![open, turn]],
            (true, false) => vec![vec![open]],
            (false, true) => vec![vec![turn]],
            (false, false) => Vec::new(),
        }
    }

    /// Chances of a group's pots to be dry for the kiln, kept so until they are trimmed, and like
    /// this to the last.
    fn dry(&self, group: usize, way: &Way, last: &Way, places: &[Option<Place>]) -> Vec<f64> {
        let members = self.kept[group].group.members.iter().enumerate();
        let dry =
            members.map(|(k, m)| self.for_kiln(places[*m], &way.courses[k], &last.courses[k]));
        dry.collect()
    }

    /// How likely a pot is dry for the kiln; of one that is still to be trimmed, trimmed and dry. A
    /// pot that dried untrimmed is of no use there.
    pub(super) fn for_kiln(
        &self,
        place: Option<Place>,
        courses: &[Course],
        last: &[Course],
    ) -> f64 {
        let Question { hours, trim_s, .. } = self.question;
        let kiln = self.question.kiln.unwrap_or(f64::INFINITY);
        let Some(place) = place else { return share(last, |c| c.bone_dry <= kiln) };
        // The draws are the same ones in the same order.
        let both = courses.iter().zip(last).map(|(course, last)| Course {
            bone_dry: if hours.hold(course, *trim_s) { last.bone_dry } else { f64::INFINITY },
            ..*course
        });
        let both: Vec<Course> = both.collect();
        share(&both, |c| c.bone_dry <= kiln).min(place.chance)
    }

    /// Lets the first of these follow that brings a group into the kiln, else the best, if it is
    /// worth it. If what is chosen takes the kiln from it all the same, nothing is done.
    pub fn then(&mut self, group: usize, ways: Vec<Way>) {
        let Question { wanted, worth, .. } = *self.question;
        let (chosen, nothing) = (&self.kept[group].chosen, &self.kept[group].nothing);
        let value = |way: &Way, changes: usize| {
            let dry = self.dry(group, chosen, way, &self.places);
            let enough = dry.iter().all(|dry| *dry >= wanted - SAME);
            let capped = dry.iter().map(|dry| dry.min(wanted)).sum::<f64>();
            let cracked = self.lost(way).iter().sum::<f64>();
            (enough && cracked == 0.0, capped - cracked - worth * changes as f64)
        };
        let stays = value(chosen, 0).1;
        let gains = |way: &Way| Some(value(way, way.changes.len())).filter(|v| v.0 || v.1 > stays);
        let told: Vec<(usize, (bool, f64))> =
            ways.iter().enumerate().filter_map(|(index, way)| Some((index, gains(way)?))).collect();
        let best = told
            .iter()
            .find(|(_, (enough, _))| *enough)
            .or(told.iter().max_by(|a, b| a.1.1.total_cmp(&b.1.1)))
            .map(|(index, _)| *index);
        let before = self.dry(group, nothing, nothing, &self.before);
        self.kept[group].then = best.and_then(|index| ways.into_iter().nth(index));
        let after = self.dry(group, &self.kept[group].chosen, self.last(group), &self.places);
        if after.iter().zip(&before).any(|(after, before)| self.harmed(*after, *before)) {
            self.leave(group);
        }
    }

    /// What is done to a group to the last.
    pub(super) fn last(&self, group: usize) -> &Way {
        self.kept[group].then.as_ref().unwrap_or(&self.kept[group].chosen)
    }

    /// Groups that are not as surely dry for the kiln as was wanted, as they are kept.
    pub fn too_wet(&self) -> Vec<usize> {
        let wet = |group: &usize| {
            let Kept { group: Group { members, .. }, chosen: way, .. } = &self.kept[*group];
            let dry = self.dry(*group, way, way, &self.places);
            dry.iter().zip(members).any(|(dry, member)| *dry < self.enough(*member))
        };
        let groups = 0..self.kept.len();
        groups.filter(|group| self.question.kiln.is_some() && wet(group)).collect()
    }
}
