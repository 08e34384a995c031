//! A plan in the making: for each group the way in which it is kept, and the queue for the wheel.

use super::gently::cracks;
use super::hours::Hours;
use super::pairs::{first_is, partners, together};
use super::queue::{Job, Place, closing, quantile, queue};
use super::{Chances, Group, Plan, Planned, Question, Step, Subject, groups};
use crate::core::forecast::times_of;
use crate::core::prospect::{Change, Course};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// Chances that differ by less than this are the same.
pub(super) const SAME: f64 = 1e-9;
/// Ways that are looked at closely: so many of the best, and so many of the best with one change
/// and with two, whatever else they are.
const BEST: usize = 3;
const BEST_OF_EACH: usize = 2;

/// One way of keeping a group, and what comes of it for each of its pots.
#[derive(Clone, PartialEq, Debug)]
pub struct Way {
    /// What is done.
    pub changes: Vec<Change>,
    /// By member of the group.
    pub courses: Vec<Vec<Course>>,
}

/// What a way is worth to its group.
struct Worth {
    index: usize,
    changes: usize,
    /// All its pots are as likely trimmed as was wanted, and none dries faster than it stands.
    enough: bool,
    /// Sum of its pots' chances, less those of the pots that crack.
    sum: f64,
    /// The same, what is surer than was wanted counted as that, less what the changes cost.
    value: f64,
}

/// A group, and how it is kept.
#[derive(Clone)]
pub(super) struct Kept {
    pub(super) group: Group,
    /// Whether something has been looked for.
    tried: bool,
    /// Doing nothing.
    pub(super) nothing: Way,
    /// What is chosen.
    pub(super) chosen: Way,
    /// What follows for the kiln once its pots are trimmed, and what comes of both.
    pub(super) then: Option<Way>,
    /// There were ways for which there are not sheets enough.
    wants_sheets: bool,
}

/// A plan in the making.
#[derive(Clone)]
pub struct Draft<'a> {
    pub(super) question: &'a Question,
    pub(super) subjects: &'a [Subject],
    pub(super) kept: Vec<Kept>,
    /// The other of its pair, by subject, where both are to be worked on.
    partners: Vec<Option<usize>>,
    /// Places in the queue by subject: doing nothing, and as chosen; `None` where no trimming lies
    /// ahead.
    pub(super) before: Vec<Option<Place>>,
    pub(super) places: Vec<Option<Place>>,
}

impl Kept {
    fn new(group: Group, subjects: &[Subject]) -> Kept {
        let courses = group.members.iter().map(|m| subjects[*m].nothing.clone());
        let nothing = Way { changes: Vec::new(), courses: courses.collect() };
        let chosen = nothing.clone();
        Kept { group, tried: false, chosen, nothing, then: None, wants_sheets: false }
    }
}

impl<'a> Draft<'a> {
    /// A plan to do nothing.
    pub fn new(question: &'a Question, subjects: &'a [Subject]) -> Draft<'a> {
        let partners = partners(subjects, &question.pairs);
        let groups = groups(subjects, question, &partners);
        let mut draft = Draft {
            question,
            subjects,
            kept: groups.into_iter().map(|g| Kept::new(g, subjects)).collect(),
            partners,
            before: Vec::new(),
            places: Vec::new(),
        };
        draft.places = draft.queued();
        draft.before = draft.places.clone();
        draft
    }

    /// The groups.
    pub fn groups(&self) -> Vec<&Group> {
        self.kept.iter().map(|kept| &kept.group).collect()
    }

    /// A pot that its board could do nothing for may have a sheet of its own, a pair that could not
    /// be helped under one sheet two. Says whether there is anything new to look for.
    pub fn split(&mut self) -> bool {
        let mut any = false;
        for index in 0..self.kept.len() {
            let Some(parts) = self.parts(index).filter(|parts| !parts.is_empty()) else { continue };
            let mut parts = parts.into_iter();
            // The first takes the board's place among the groups.
            if let Some(first) = parts.next() {
                self.kept[index] = first;
            }
            self.kept.extend(parts);
            any = true;
        }
        any
    }

    /// What a group falls into, if it may.
    fn parts(&self, index: usize) -> Option<Vec<Kept>> {
        let kept = &self.kept[index];
        let Group { members, board, .. } = &kept.group;
        let short = |m: &usize| self.wants_help(*m);
        if members.len() < 2 || !members.iter().any(short) {
            return None;
        }
        let part = |members: Vec<usize>, board| {
            Kept::new(Group::of(members, board, self.subjects, self.question), self.subjects)
        };
        if board.is_none() {
            // Each of the two goes on from how both are kept.
            let chosen = &kept.chosen;
            let alone = members.iter().zip(&chosen.courses).map(|(m, courses)| Kept {
                chosen: Way { changes: chosen.changes.clone(), courses: vec![courses.clone()] },
                ..part(vec![*m], None)
            });
            return Some(alone.collect());
        }
        if !kept.chosen.changes.is_empty() {
            return None;
        }
        let (short, others): (Vec<usize>, Vec<usize>) =
            members.iter().copied().partition(|m| short(m));
        let mut parts = Vec::new();
        for m in &short {
            match self.partners[*m].filter(|other| short.contains(other)) {
                Some(other) if other < *m => {}
                Some(other) => parts.push(part(vec![*m, other], None)),
                None => parts.push(part(vec![*m], None)),
            }
        }
        // The board keeps the pots that are left on it, if there are any.
        parts.extend((!others.is_empty()).then(|| part(others, board.clone())));
        Some(parts)
    }

    /// From which chance of a pot on nothing more is done about it.
    pub(super) fn enough(&self, member: usize) -> f64 {
        let planned = self.subjects[member].planned;
        self.question.wanted - SAME - if planned { self.question.leave } else { 0.0 }
    }

    /// Whether a pot is less likely worked on, as it is kept, than is enough.
    fn is_short(&self, member: usize) -> bool {
        self.places[member].is_some_and(|place| place.chance < self.enough(member))
    }

    /// Whether a pot is not likely enough worked on as it is kept, or may crack.
    fn wants_help(&self, member: usize) -> bool {
        self.is_short(member) || self.is_lost(member)
    }

    /// Groups that need something done and for which nothing was looked for yet, those that close
    /// first in front.
    pub fn needy(&self) -> Vec<usize> {
        let needs = |group: &Group| {
            !group.ways.is_empty() && group.members.iter().any(|m| self.wants_help(*m))
        };
        let closes = |group: &usize| {
            let courses = self.kept[*group].nothing.courses.iter();
            courses.map(|courses| closing(courses)).fold(f64::INFINITY, f64::min)
        };
        let mut needy: Vec<usize> = (0..self.kept.len()).collect();
        needy.retain(|group| !self.kept[*group].tried && needs(&self.kept[*group].group));
        needy.sort_by(|a, b| closes(a).total_cmp(&closes(b)));
        needy
    }

    /// The queue of all pots as they are kept.
    fn queued(&self) -> Vec<Option<Place>> {
        let each = |kept: &'_ Kept| -> Vec<usize> { kept.group.members.clone() };
        let members: Vec<usize> = self.kept.iter().flat_map(each).collect();
        let courses = members.iter().map(|member| (*member, self.courses_of(*member)));
        let placed = self.placed(&self.question.hours, &courses.collect::<Vec<_>>(), true);
        (0..self.subjects.len()).map(|member| placed.get(&member).copied()).collect()
    }

    /// What comes of a pot as it is kept.
    pub(super) fn courses_of(&self, member: usize) -> &[Course] {
        let its = |kept: &'_ Kept| kept.group.members.iter().position(|m| *m == member);
        let found = self.kept.iter().find_map(|kept| Some(&kept.chosen.courses[its(kept)?]));
        found.map_or(&[], Vec::as_slice)
    }

    /// One piece of work of these courses, and whose it is in the order in which it is done.
    fn job<'c>(
        &self,
        (member, its): (usize, &'c [Course]),
        other: Option<(usize, &[Course])>,
    ) -> (Vec<usize>, Job<'c>) {
        let Question { trim_s, alike, .. } = *self.question;
        match other {
            None => (vec![member], Job { length: trim_s, courses: Cow::Borrowed(its) }),
            Some((other, of_other)) => {
                let both = together(its, of_other, alike);
                let first = first_is(its, of_other);
                let order = if first { vec![member, other] } else { vec![other, member] };
                (order, Job { length: 2.0 * trim_s, courses: Cow::Owned(both) })
            }
        }
    }

    /// Places of some pots that are to be worked on, in these hours and with these courses; pairs
    /// have one together, the pot that is not among these as it is kept.
    fn placed(
        &self,
        hours: &Hours,
        courses: &[(usize, &[Course])],
        slots: bool,
    ) -> BTreeMap<usize, Place> {
        let (mut whose, mut jobs) = (Vec::new(), Vec::new());
        for (k, (member, its)) in courses.iter().enumerate() {
            if !self.subjects[*member].trims {
                continue;
            }
            let other = self.partners[*member];
            let there = courses.iter().position(|(m, _)| Some(*m) == other);
            if there.is_some_and(|there| there < k) {
                continue;
            }
            let of = |other| there.map_or_else(|| self.courses_of(other), |there| courses[there].1);
            let (order, job) = self.job((*member, its), other.map(|other| (other, of(other))));
            whose.push(order);
            jobs.push(job);
        }
        let mut placed = BTreeMap::new();
        for (whose, place) in whose.into_iter().zip(queue(hours, &jobs, slots)) {
            let part = |((from, to), chance): ((f64, f64), f64), k: usize, all: usize| {
                let at = |k: usize| from + (to - from) * k as f64 / all as f64;
                ((at(k), at(k + 1)), chance)
            };
            let all = whose.len();
            placed.extend(whose.into_iter().enumerate().map(|(k, member)| {
                (member, Place { slot: place.slot.map(|slot| part(slot, k, all)), ..place })
            }));
        }
        placed
    }

    /// How likely a pot of a pair can be worked on by itself, whatever becomes of the other: that
    /// is not to suffer for the pair's sake. Nothing of a pot of none.
    fn by_itself(&self, member: usize, courses: &[Course]) -> f64 {
        match self.partners[member] {
            Some(_) => self.question.hours.chance(courses, self.question.trim_s),
            None => 0.0,
        }
    }

    /// Hours in which no pot of another group is on the wheel, up to a deadline, s from now.
    fn left_to(&self, group: usize, deadline: f64) -> Hours {
        let members = &self.kept[group].group.members;
        let own = |m: usize| members.contains(&m);
        let others = (0..self.subjects.len())
            .filter(|member| !own(*member) && !self.partners[*member].is_some_and(own));
        let slots = others.filter_map(|other| self.places[other]?.slot);
        let hours = self.question.hours.without((deadline, f64::INFINITY));
        slots.fold(hours, |hours, (slot, _)| hours.without(slot))
    }

    /// When a group has to be trimmed to be dry for the kiln, by what its pots need from the
    /// opening of their windows on if nothing is done: as surely as was wanted, and rather than
    /// not. Infinite where that is too long anyway.
    fn deadlines(&self, group: usize) -> Vec<f64> {
        let Some(kiln) = self.question.kiln else { return vec![f64::INFINITY] };
        let dries = |c: &Course| match c.bone_dry.is_finite() {
            true => c.bone_dry - c.opens,
            false => f64::INFINITY,
        };
        let needs = |courses: &Vec<Course>, share: f64| {
            quantile(courses.iter().map(|c| (dries(c), c.weight)).collect(), share)
        };
        let deadline = |share: f64| {
            let courses = self.kept[group].nothing.courses.iter();
            kiln - courses.map(|courses| needs(courses, share)).fold(0.0, f64::max)
        };
        let mut deadlines: Vec<f64> = [self.question.wanted, 0.5].map(deadline).into();
        deadlines.retain(|deadline| *deadline > 0.0);
        if deadlines.is_empty() { vec![f64::INFINITY] } else { deadlines }
    }

    /// What ways are worth, best first: by the first deadline by which one is enough, else by the
    /// last.
    fn worths(&self, group: usize, ways: &[Way]) -> Vec<Worth> {
        let mut worths = Vec::new();
        for deadline in self.deadlines(group) {
            worths = self.worths_by(group, ways, deadline);
            if worths.first().is_some_and(|worth| worth.enough) {
                break;
            }
        }
        worths
    }

    /// What ways are worth by a deadline that harm none of the group's pots, best first; the first
    /// of the ways does nothing.
    fn worths_by(&self, group: usize, ways: &[Way], deadline: f64) -> Vec<Worth> {
        let (left, wanted) = (self.left_to(group, deadline), self.question.wanted);
        let members = &self.kept[group].group.members;
        // By pot that is to be worked on: how likely it is, and by itself.
        let chances = |way: &Way| -> Vec<(f64, f64)> {
            let its = members.iter().zip(&way.courses).map(|(m, courses)| (*m, &courses[..]));
            let its: Vec<(usize, &[Course])> = its.collect();
            let placed = self.placed(&left, &its, false);
            let each = its.iter().filter_map(|(m, courses)| {
                Some((placed.get(m)?.chance, self.by_itself(*m, courses)))
            });
            each.collect()
        };
        let can = self.sheets_for(group, ways);
        let nothing = ways.first().map(chances).unwrap_or_default();
        let all = nothing.iter().map(|(chance, _)| chance).sum::<f64>();
        let lost = ways.first().map(|way| self.lost(way)).unwrap_or_default();
        let worth = |(index, way): (usize, &Way)| {
            if !can[index] {
                return None;
            }
            let chances = chances(way);
            let harms = |(after, before): (&(f64, f64), &(f64, f64))| {
                self.harmed(after.0, before.0) || self.harmed(after.1, before.1)
            };
            let sum = chances.iter().map(|(chance, _)| chance).sum::<f64>();
            if sum < all - SAME || chances.iter().zip(&nothing).any(harms) {
                return None;
            }
            let surely = chances.iter().all(|(chance, _)| *chance >= wanted - SAME);
            let cracks = self.lost(way);
            // Faster than they stand only where that brings all of them into the hours.
            if !surely && cracks.iter().zip(&lost).any(|(is, was)| *is > was + SAME) {
                return None;
            }
            let (changes, cracked) = (way.changes.len(), cracks.iter().sum::<f64>());
            let capped = chances.iter().map(|(chance, _)| chance.min(wanted)).sum::<f64>();
            Some(Worth {
                index,
                changes,
                enough: surely && cracked == 0.0,
                sum: sum - cracked,
                value: capped - cracked - self.question.worth * changes as f64,
            })
        };
        let mut worths: Vec<Worth> = ways.iter().enumerate().filter_map(worth).collect();
        worths.sort_by(|a, b| match (a.enough, b.enough) {
            (true, true) => a.changes.cmp(&b.changes).then(b.sum.total_cmp(&a.sum)),
            (false, false) => b.value.total_cmp(&a.value),
            (a, b) => b.cmp(&a),
        });
        worths
    }

    /// Ways that are to be looked at more closely, doing nothing first.
    pub fn shortlist(&self, group: usize, ways: &[Way]) -> Vec<usize> {
        let mut list = vec![0];
        for deadline in self.deadlines(group) {
            let mut worths = self.worths_by(group, ways, deadline);
            list.extend(worths.iter().take(BEST).map(|worth| worth.index));
            worths.sort_by(|a, b| b.sum.total_cmp(&a.sum));
            for changes in 1..=2 {
                let its = worths.iter().filter(|worth| worth.changes == changes);
                list.extend(its.take(BEST_OF_EACH).map(|worth| worth.index));
            }
        }
        let mut seen = std::collections::HashSet::new();
        list.retain(|index| seen.insert(*index));
        list
    }

    /// There are ways for a group for which there are not sheets enough.
    pub fn wants_sheets(&mut self, group: usize) {
        self.kept[group].wants_sheets = true;
    }

    /// Keeps a group in the best of these ways; the first does nothing.
    pub fn choose(&mut self, group: usize, mut ways: Vec<Way>) {
        // As it is kept by now, it may be kept still.
        let chosen = &self.kept[group].chosen;
        ways.extend((!chosen.changes.is_empty()).then(|| chosen.clone()));
        self.kept[group].tried = true;
        let best = self.worths(group, &ways).first().map_or(0, |worth| worth.index);
        if let Some(way) = ways.into_iter().nth(best) {
            self.kept[group].chosen = way;
            self.places = self.queued();
        }
    }

    /// Takes back what does more harm than good elsewhere: a pot that is moved may take the wheel
    /// from one that was not.
    pub fn reconsider(&mut self) {
        while self.harms() {
            let gain = |group: &usize| {
                let of = |places: &[Option<Place>]| {
                    let members = self.kept[*group].group.members.iter();
                    members.filter_map(|m| places[*m]).map(|place| place.chance).sum::<f64>()
                };
                of(&self.places) - of(&self.before)
            };
            let changed = (0..self.kept.len()).filter(|g| !self.kept[*g].chosen.changes.is_empty());
            let Some(group) = changed.min_by(|a, b| gain(a).total_cmp(&gain(b))) else { return };
            self.leave(group);
        }
    }

    /// Does nothing to a group.
    pub(super) fn leave(&mut self, group: usize) {
        self.kept[group].chosen = self.kept[group].nothing.clone();
        self.kept[group].then = None;
        // What it would have uncovered it keeps under its sheet.
        if let Some(other) = self.wants_another_s_sheet() {
            return self.leave(other);
        }
        self.places = self.queued();
    }

    /// Whether a chance is less than it was, and less than was wanted.
    pub(super) fn harmed(&self, after: f64, before: f64) -> bool {
        after < before.min(self.question.wanted) - SAME
    }

    /// Whether fewer pots are to be trimmed, or one comes out worse than if nothing were done.
    fn harms(&self) -> bool {
        let mut gain = 0.0;
        for (member, (before, after)) in self.before.iter().zip(&self.places).enumerate() {
            let (Some(before), Some(after)) = (before, after) else { continue };
            let [was, is] = [&self.subjects[member].nothing[..], self.courses_of(member)]
                .map(|courses| self.by_itself(member, courses));
            if self.harmed(after.chance, before.chance) || self.harmed(is, was) {
                return true;
            }
            gain += after.chance - before.chance;
        }
        gain < -SAME
    }

    /// All that is done to a group.
    pub(super) fn all_changes(&self, group: usize) -> Vec<Change> {
        let then = self.kept[group].then.as_ref().map_or(&[][..], |way| &way.changes);
        [self.changes(group), then].concat()
    }

    /// What was chosen for a group.
    pub fn changes(&self, group: usize) -> &[Change] {
        &self.kept[group].chosen.changes
    }

    /// The plan.
    pub fn finish(&self) -> Plan {
        let mut plan = Plan::default();
        let mut pots: Vec<(usize, Planned)> = Vec::new();
        for (index, kept) in self.kept.iter().enumerate() {
            let group = &kept.group;
            let then = kept.then.as_ref().map_or(&[][..], |way| &way.changes);
            let trims = group.members.iter().any(|m| self.subjects[*m].trims);
            let on_it = |m: &usize| self.subjects[*m].board == group.board;
            let whole = (0..self.subjects.len()).filter(on_it).all(|m| group.members.contains(&m));
            let step = |once_trimmed: bool| {
                move |change: &Change| Step {
                    at: self.question.at.plus(change.at),
                    doing: change.doing,
                    board: group.board.clone().filter(|_| whole),
                    pots: group.members.iter().map(|m| self.subjects[*m].pot.clone()).collect(),
                    once_trimmed,
                }
            };
            plan.steps.extend(self.changes(index).iter().map(step(false)));
            plan.steps.extend(then.iter().map(step(trims)));
            let all = self.all_changes(index);
            for (k, member) in group.members.iter().enumerate() {
                pots.push((*member, self.planned((index, k), *member, &all)));
            }
        }
        plan.steps.sort_by(|a, b| (a.at, &a.board, &a.pots).cmp(&(b.at, &b.board, &b.pots)));
        pots.sort_by_key(|(member, _)| *member);
        plan.pots = pots.into_iter().map(|(_, planned)| planned).collect();
        plan
    }

    fn planned(&self, (group, k): (usize, usize), member: usize, all: &[Change]) -> Planned {
        let Question { at, kiln, until, .. } = *self.question;
        let subject = &self.subjects[member];
        let (nothing, courses) =
            (&self.kept[group].nothing.courses[k], &self.kept[group].chosen.courses[k]);
        let last = &self.last(group).courses[k];
        let chances = |place: Option<Place>, courses: &[Course], last: &[Course]| Chances {
            trim: place.map(|place| place.chance),
            kiln: kiln.map(|_| self.for_kiln(place, courses, last)),
            cracks: subject.stood().map(|_| cracks(last)),
        };
        let times = |courses: &[Course], of: fn(&Course) -> f64| {
            times_of(courses.iter().map(|c| (of(c), c.weight)).collect(), at)
        };
        let place = self.places[member];
        let told = |((from, to), chance): ((f64, f64), f64)| (at.plus(from), at.plus(to), chance);
        let short = place.filter(|_| self.is_short(member));
        let day = Hours::new(vec![(0.0, until)]);
        let covers = subject.prospect.covers(all).into_iter();
        let partner = self.partners[member];
        let (_, job) = self.job((member, courses), partner.map(|p| (p, self.courses_of(p))));
        Planned {
            pot: subject.pot.clone(),
            board: subject.board.clone(),
            pair: partner.map(|partner| self.subjects[partner].pot.clone()),
            band: subject.band,
            wants_sheets: short.is_some() && self.kept[group].wants_sheets,
            enough: self.enough(member),
            before: chances(self.before[member], nothing, nothing),
            after: chances(place, courses, last),
            opens: times(courses, |c| c.opens),
            closes: times(courses, |c| c.closes),
            bone_dry: kiln.map(|_| times(last, |c| c.bone_dry)),
            slot: place.and_then(|place| place.slot).map(told),
            instead: short.and_then(|_| day.slot(&job.courses, job.length)).map(told),
            unweighed: subject.unweighed,
            covers: covers.map(|(t, cover)| (at.plus(t), cover)).collect(),
            stood: subject.stood(),
            departs: subject.departs.clone(),
        }
    }
}
