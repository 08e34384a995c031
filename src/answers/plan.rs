//! A plan for all pots of a studio, on all cores.

use super::{Taught, each_on_all_cores};
use crate::core::assessment::{Assessment, Wanted};
use crate::core::on_its_rim;
use crate::core::plan::backwards::{self, Needs};
use crate::core::plan::{Draft, Group, Plan, Question, Subject, Way};
use crate::core::prospect::{Ahead, Branch, Change, Course};
use crate::records::{Name, Studio};

/// What to do with some of its pots; `done` is called whenever a pot has been thought of, with how
/// many thoughts are known to lie ahead.
pub fn plan(
    studio: &Studio,
    taught: &Taught,
    names: &[&Name],
    question: &Question,
    done: &(dyn Fn() + Sync),
) -> Plan {
    let subjects = each_on_all_cores(names, |name| {
        let subject = subject(studio, taught, name, question);
        done();
        subject
    });
    let mut draft = Draft::new(question, &subjects);
    cover(&subjects, &mut draft, done);
    draft.split();
    cover(&subjects, &mut draft, done);
    draft.reconsider();
    then(&subjects, &mut draft);
    draft.reconsider();
    draft.finish()
}

/// Looks for covers for all groups that need them.
fn cover(subjects: &[Subject], draft: &mut Draft, done: &(dyn Fn() + Sync)) {
    let needy = draft.needy();
    let groups = draft.groups();
    let trees: Vec<_> = needy.iter().map(|g| Branch::sequences(&groups[*g].tree)).collect();
    let searched = of_members(&groups, &needy, |group, member| {
        let courses = subjects[member].prospect.search(&groups[group].tree);
        done();
        courses
    });
    // Roughly first: each group finds the wheel as those before it leave it.
    let mut rough = draft.clone();
    let mut lists: Vec<Vec<Vec<Change>>> = Vec::new();
    for ((group, sequences), searched) in needy.iter().zip(&trees).zip(searched) {
        let ways = ways(sequences, searched);
        let list = rough.shortlist(*group, &ways);
        lists.push(list.into_iter().map(|way| sequences[way].clone()).collect());
        rough.choose(*group, ways);
    }
    for (group, ways) in all_draws(subjects, &groups, &needy, &lists) {
        draft.choose(group, ways);
    }
}

/// Looks for what may follow for the kiln.
fn then(subjects: &[Subject], draft: &mut Draft) {
    let wet = draft.too_wet();
    let more: Vec<Vec<Vec<Change>>> = wet.iter().map(|group| draft.for_the_kiln(*group)).collect();
    let whole = |(group, more): (&usize, &Vec<Vec<Change>>)| {
        let chosen = draft.changes(*group);
        more.iter().map(|more| [chosen, more].concat()).collect()
    };
    let lists: Vec<Vec<Vec<Change>>> = wet.iter().zip(&more).map(whole).collect();
    for ((group, ways), more) in
        all_draws(subjects, &draft.groups(), &wet, &lists).into_iter().zip(more)
    {
        let then = ways.into_iter().zip(more).map(|(way, changes)| Way { changes, ..way });
        draft.then(group, then.collect());
    }
}

/// What a fresh pot of each body needs, after the last of that body.
pub fn fresh(studio: &Studio, taught: &Taught, wanted: f64) -> Vec<Needs> {
    let patterns = backwards::patterns(studio);
    each_on_all_cores(&patterns, |pot| backwards::needs(studio, &taught.lessons, pot, wanted))
}

fn subject(studio: &Studio, taught: &Taught, name: &str, question: &Question) -> Option<Subject> {
    let pot = studio.pots.get(name)?;
    let Question { moments, covers, until, kiln, .. } = question;
    let ahead = Ahead { moments, covers, until: *until, to_dry: kiln.is_some() };
    let wanted = Wanted { ahead: Some(&ahead), ..Wanted::default() };
    let assessment = Assessment::new(studio, &taught.lessons, name, &wanted)?;
    let answer = assessment.answer(studio, &taught.corrections)?;
    Subject::new(pot, assessment, &answer, on_its_rim(studio, name)?)
}

/// What comes of each pot of some groups, by group and member.
fn of_members<T: Send>(
    groups: &[&Group],
    which: &[usize],
    each: impl Fn(usize, usize) -> T + Sync,
) -> Vec<Vec<T>> {
    let all: Vec<(usize, usize)> = which
        .iter()
        .flat_map(|group| groups[*group].members.iter().map(|member| (*group, *member)))
        .collect();
    let mut told =
        each_on_all_cores(&all, |(group, member)| Some(each(*group, *member))).into_iter();
    which.iter().map(|g| told.by_ref().take(groups[*g].members.len()).collect()).collect()
}

/// Groups with what comes of them in each of some ways, by all draws.
fn all_draws(
    subjects: &[Subject],
    groups: &[&Group],
    which: &[usize],
    lists: &[Vec<Vec<Change>>],
) -> Vec<(usize, Vec<Way>)> {
    let list = |group: usize| {
        let place = which.iter().position(|g| *g == group);
        place.map_or(&[][..], |place| &lists[place][..])
    };
    let told = of_members(groups, which, |group, member| {
        list(group).iter().map(|way| subjects[member].prospect.under(way)).collect()
    });
    let of = |((group, list), told): ((&usize, &Vec<Vec<Change>>), _)| (*group, ways(list, told));
    which.iter().zip(lists).zip(told).map(of).collect()
}

/// Sequences with what comes of them, told by member, then sequence.
fn ways(sequences: &[Vec<Change>], told: Vec<Vec<Vec<Course>>>) -> Vec<Way> {
    let mut members: Vec<_> = told.into_iter().map(Vec::into_iter).collect();
    let way = |changes: &Vec<Change>| Way {
        changes: changes.clone(),
        courses: members.iter_mut().filter_map(Iterator::next).collect(),
    };
    sequences.iter().map(way).collect()
}
