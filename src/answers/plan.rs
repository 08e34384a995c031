//! A plan for all pots of a studio, on all cores.

use super::{Taught, each_on_all_cores};
use crate::core::assessment::{Assessment, Wanted};
use crate::core::forecast::Band;
use crate::core::plan::backwards::{self, Needs};
use crate::core::plan::done::{self, Unconfirmed};
use crate::core::plan::work::Work;
use crate::core::plan::{Draft, Group, Pair, Plan, Question, Subject, Way};
use crate::core::prospect::{Ahead, Change, Course};
use crate::core::trimming_band;
use crate::core::uneven::tolerance::Tolerance;
use crate::core::weather::{Weather, of_draws};
use crate::records::{HandlingRow, Name, Studio};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What pots have in common.
struct Common {
    /// What their bodies stand.
    stands: BTreeMap<Name, Tolerance>,
    /// The weather of each draw.
    weathers: Arc<[Weather]>,
}

/// What to do with some of its pots; `done` is called whenever a pot has been thought of, with how
/// many thoughts are known to lie ahead.
pub fn plan(
    studio: &Studio,
    taught: &Taught,
    names: &[&Name],
    question: &Question,
    done: &(dyn Fn() + Sync),
) -> Plan {
    let bodies: BTreeSet<&Name> =
        names.iter().filter_map(|name| studio.pots.get(*name)).map(|pot| &pot.body).collect();
    let stands = bodies.into_iter().map(|body| (body.clone(), taught.lessons.tolerance(body)));
    let common = Common { stands: stands.collect(), weathers: of_draws() };
    let subjects = each_on_all_cores(names, |name| {
        let subject = subject((studio, taught), &common, name, question);
        done();
        subject
    });
    let plan = drafted(&subjects, question, done);
    let apart = plan.hopeless_pairs();
    if apart.is_empty() {
        return plan;
    }
    // The nearest thing to a pair that cannot be had: each of the two by itself.
    let has = |[a, b]: &Pair| apart.iter().all(|(gone, _)| !(gone.contains(a) && gone.contains(b)));
    let pairs = question.pairs.iter().filter(|pair| has(pair)).cloned().collect();
    let question = Question { pairs, ..question.clone() };
    Plan { apart, ..drafted(&subjects, &question, done) }
}

fn drafted(subjects: &[Subject], question: &Question, done: &(dyn Fn() + Sync)) -> Plan {
    let mut draft = Draft::new(question, subjects);
    cover(subjects, &mut draft, done);
    // What one sheet could do nothing for, under sheets of its own; at last the two of a pair.
    while draft.split() {
        cover(subjects, &mut draft, done);
    }
    draft.reconsider();
    then(subjects, &mut draft);
    draft.reconsider();
    draft.finish()
}

/// Looks for covers for all groups that need them.
fn cover(subjects: &[Subject], draft: &mut Draft, done: &(dyn Fn() + Sync)) {
    let needy = draft.needy();
    let groups = draft.groups();
    let searched = of_members(&groups, &needy, |group, member| {
        let courses = subjects[member].search(&groups[group].ways);
        done();
        courses
    });
    // Roughly first: each group finds the wheel as those before it leave it.
    let mut rough = draft.clone();
    let (mut lists, mut lacking): (Vec<Vec<Vec<Change>>>, Vec<usize>) = Default::default();
    for (group, searched) in needy.iter().zip(searched) {
        let sequences = &groups[*group].ways;
        let ways = ways(sequences, searched);
        lacking.extend(rough.sheets_for(*group, &ways).contains(&false).then_some(*group));
        let list = rough.shortlist(*group, &ways);
        lists.push(list.into_iter().map(|way| sequences[way].clone()).collect());
        rough.choose(*group, ways);
    }
    for (group, ways) in all_draws(subjects, &groups, &needy, &lists) {
        draft.choose(group, ways);
    }
    lacking.into_iter().for_each(|group| draft.wants_sheets(group));
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

/// Planned steps that nobody confirmed, held against the weights, which are believed where they are
/// surer than `sure`.
pub fn unconfirmed(
    studio: &Studio,
    taught: &Taught,
    planned: &[HandlingRow],
    sure: f64,
) -> Vec<Unconfirmed> {
    let mut steps = done::open_steps(studio, planned, sure);
    let rows: Vec<&HandlingRow> = steps.iter().flat_map(|step| &step.rows).collect();
    let against = |row: &&HandlingRow| Some(done::against(studio, &taught.lessons, row));
    let mut against = each_on_all_cores(&rows, against).into_iter();
    for step in &mut steps {
        let its: Vec<Option<f64>> = against.by_ref().take(step.rows.len()).collect();
        step.done = done::likely(&its);
    }
    steps
}

/// What a fresh pot of each body needs, after the last of that body.
pub fn fresh(studio: &Studio, taught: &Taught, question: &Question) -> Vec<Needs> {
    let patterns = backwards::patterns(studio);
    each_on_all_cores(&patterns, |pot| {
        let band = band(studio, taught, &pot.body, question);
        backwards::needs(studio, &taught.lessons, (pot, band), question.wanted)
    })
}

/// The band of a work where it is another than the body's own for trimming.
fn band(studio: &Studio, taught: &Taught, body: &str, question: &Question) -> Option<Band> {
    let own = || trimming_band(studio, &taught.lessons, body);
    (question.work != Work::Trim).then(|| question.within.of(own()))
}

fn subject(
    (studio, taught): (&Studio, &Taught),
    common: &Common,
    name: &str,
    question: &Question,
) -> Option<Subject> {
    let pot = studio.pots.get(name)?;
    let Question { moments, covers, until, kiln, work, .. } = question;
    let stands = common.stands.get(&pot.body);
    let (until, to_dry, weathers) = (*until, kiln.is_some(), Some(&common.weathers));
    let ahead = Ahead { moments, covers, until, to_dry, stands, weathers };
    let band = band(studio, taught, &pot.body, question);
    let wanted = Wanted { ahead: Some(&ahead), band, ..Wanted::default() };
    let assessment = Assessment::new(studio, &taught.lessons, name, &wanted)?;
    Subject::new((studio, &taught.corrections), pot, assessment, *work)
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
    let told = of_members(groups, which, |group, member| subjects[member].under(list(group)));
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
