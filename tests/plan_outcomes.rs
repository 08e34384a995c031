//! What plans promise, whatever the studio: nothing comes out less likely than if nothing were
//! done, nothing is done that is not needed, one pot at a time is on the wheel. Studios are made up
//! and steady; the rules are the project's own.

mod by_hand;

use by_hand::{ByHand, hour};
use proptest::prelude::*;
use std::collections::BTreeMap;
use warecast::answers::kiln::load;
use warecast::answers::plan::{plan, unconfirmed};
use warecast::answers::{Taught, of_pots};
use warecast::core::candling::Candling;
use warecast::core::kiln as loads;
use warecast::core::plan::hours::Hours;
use warecast::core::plan::{Chances, Plan, Planned, Question, Step};
use warecast::core::prospect::Doing;
use warecast::records::{Action, Cover, HandlingRow, Name, Outcome, Point, Pot, Studio, Weighings};
use warecast::units::{HOUR, Time};

/// A pot of the studio: its name, when it was made (hours before or after the first), its ball, its
/// board and its cover.
#[derive(Clone, Debug)]
struct Thrown(&'static str, f64, f64, Option<&'static str>, Cover);

/// The studio as it is known so many hours after the first pot was made.
fn studio(pots: &[Thrown], room: (f64, f64), now: f64) -> Studio {
    let first = ByHand::small().room(room.0, room.1);
    let mut studio = first.studio(now);
    studio.pots.clear();
    studio.handling.clear();
    studio.weighings.clear();
    for Thrown(name, made, ball, board, cover) in pots {
        let pot = Pot {
            name: (*name).into(),
            made_at: hour(*made),
            ball_g: Some(*ball),
            board: board.map(Name::from),
            ..first.pot.clone()
        };
        let time = hour(made + 0.5);
        let row = HandlingRow { time, pot: pot.name.clone(), action: Action::Cover(*cover) };
        studio.handling.insert(pot.name.clone(), vec![row]);
        studio.pots.insert(pot.name.clone(), pot);
    }
    studio
}

/// The same with walls and bases of these thicknesses, each pot weighed every hour until now: it
/// weighs what is expected of it.
fn weighed(pots: &[Thrown], mm: &[(f64, f64)], now: u8) -> Studio {
    let studio = |h: f64| {
        let mut studio = studio(pots, (22.0, 0.40), h);
        for (Thrown(name, ..), (wall, base)) in pots.iter().zip(mm) {
            let pot = studio.pots.get_mut(*name).unwrap();
            (pot.wall_mm, pot.base_mm) = (Some(*wall), Some(*base));
        }
        studio
    };
    let mut known: BTreeMap<Name, Vec<Point>> = BTreeMap::new();
    for h in 1..=now {
        let mut studio = studio(h.into());
        for (pot, points) in &known {
            studio.weighings.insert(pot.clone(), Weighings(points.clone()));
        }
        let taught = Taught::new(&studio);
        for pot in studio.pots.keys() {
            let value = taught.stop(&studio, pot).unwrap().expected.grams;
            known.entry(pot.clone()).or_default().push(Point { time: hour(h.into()), value });
        }
    }
    let mut studio = studio(now.into());
    studio.weighings = known.into_iter().map(|(pot, points)| (pot, Weighings(points))).collect();
    studio
}

/// Hours (from now) at the wheel; covers can be changed at their ends.
fn question(studio: &Studio, hours: &[(f64, f64)], kiln: Option<f64>) -> Question {
    let spans: Vec<(f64, f64)> = hours.iter().map(|(a, b)| (a * HOUR, b * HOUR)).collect();
    let hours = Hours::new(spans);
    let kiln = kiln.map(|kiln| kiln * HOUR);
    Question { kiln, ..Question::trimming(studio.at, hours) }
}

fn planned(studio: &Studio, question: &Question) -> Plan {
    let names: Vec<&Name> = studio.pots.keys().collect();
    plan(studio, &Taught::new(studio), &names, question, &|| ())
}

/// Every day the same hours, the first day's from `from` hours ahead on.
fn daily(from: f64, length: f64) -> Vec<(f64, f64)> {
    (0..9).map(|day| from + 24.0 * f64::from(day)).map(|from| (from, from + length)).collect()
}

fn one(pot: &Planned) -> (f64, f64) {
    (pot.before.trim.unwrap(), pot.after.trim.unwrap())
}

/// All that a plan promises.
fn holds(plan: &Plan, question: &Question) {
    let wanted = question.wanted;
    let (mut before, mut after) = (0.0, 0.0);
    for pot in &plan.pots {
        for (b, a) in [(pot.before.trim, pot.after.trim), (pot.before.kiln, pot.after.kiln)] {
            let (Some(b), Some(a)) = (b, a) else { continue };
            assert!((0.0..=1.0 + 1e-9).contains(&a), "{}: {a}", pot.pot);
            assert!(a >= b.min(wanted) - 1e-6, "{}: {a} instead of {b}", pot.pot);
        }
        before += pot.before.trim.unwrap_or(0.0);
        after += pot.after.trim.unwrap_or(0.0);
        // Faster than it stands only where that brings it into the hours.
        if let (Some(was), Some(is)) = (pot.before.cracks, pot.after.cracks) {
            let faster = is >= question.wary.0 && is > was + 1e-9;
            let gained = pot.before.trim.zip(pot.after.trim).is_some_and(|(b, a)| a > b);
            assert!(!faster || gained || question.kiln.is_some(), "{pot:?}");
        }
        let short = pot.after.trim.is_some_and(|chance| chance < wanted - 1e-6);
        assert!(short || pot.instead.is_none(), "{}: {:?}", pot.pot, pot.instead);
    }
    assert!(after >= before - 1e-6, "{after} of {before}");
    let mut slots: Vec<_> = plan.pots.iter().filter_map(|pot| pot.slot).collect();
    slots.sort_by_key(|slot| slot.0);
    for pair in slots.windows(2) {
        assert!(pair[1].0 >= pair[0].1, "two on the wheel: {pair:?}");
    }
    for (from, to, chance) in &slots {
        let (from, to) = (from.since(question.at), to.since(question.at));
        let within = |span: &&(f64, f64)| span.0 <= from + 1.0 && to <= span.1 + 1.0;
        assert!(question.hours.spans().iter().any(|span| within(&span)), "{from} {to}");
        assert!(*chance > 0.0 && *chance <= 1.0 + 1e-9);
    }
    for step in &plan.steps {
        let at = step.at.since(question.at);
        assert!(question.moments.iter().any(|moment| (moment - at).abs() < 1e-3), "{at}");
        assert!(step.at > question.at);
        let its = |pot: &&Planned| step.pots.contains(&pot.pot);
        let its: Vec<&Planned> = plan.pots.iter().filter(its).collect();
        let enough = |pot: &&Planned| {
            pot.before.trim.is_none_or(|b| b >= wanted)
                && pot.before.kiln.is_none_or(|b| b >= wanted)
                && pot.before.cracks.is_none_or(|b| b < question.wary.0)
        };
        assert!(!its.iter().all(enough), "nothing was needed: {step:?}");
        // A board is named only where all its pots are meant.
        let on_it = |pot: &&Planned| step.board.is_some() && pot.board == step.board;
        assert!(plan.pots.iter().filter(on_it).all(|pot| step.pots.contains(&pot.pot)), "{step:?}");
        // No pot is covered and uncovered at one time.
        let covers = |doing: &Doing| matches!(doing, Doing::Cover(_));
        let against = plan
            .steps
            .iter()
            .filter(|other| other.at == step.at && covers(&other.doing) && covers(&step.doing));
        let twice = |other: &Step| other.pots.iter().any(|pot| step.pots.contains(pot));
        assert_eq!(against.filter(|o| twice(o)).count(), usize::from(covers(&step.doing)));
    }
}

/// No sheet is laid where that many lie already.
fn no_more_than(sheets: usize, plan: &Plan, studio: &Studio) {
    let plastic = |cover: Cover| matches!(cover, Cover::Draped | Cover::Wrapped);
    let under = |pot: &Planned, t: Time| {
        let cover = pot.covers.iter().rev().find(|(from, _)| *from <= t).map(|(_, cover)| *cover);
        cover.is_some_and(plastic)
    };
    for step in &plan.steps {
        let Doing::Cover(cover) = step.doing else { continue };
        let its = |pot: &&Planned| step.pots.contains(&pot.pot);
        let before = studio.at.plus(step.at.since(studio.at) - 60.0);
        let lay_already = plan.pots.iter().filter(its).any(|pot| under(pot, before));
        if !plastic(cover) || lay_already {
            continue;
        }
        let mut groups: Vec<_> = plan.pots.iter().filter(|pot| under(pot, step.at)).collect();
        groups.retain(|pot| !step.pots.contains(&pot.pot));
        // Pots that are covered alike on one board are under one sheet, as are those of a pair.
        let mut places: Vec<_> = groups
            .iter()
            .map(|pot| (pot.board.clone(), pot.board.is_none().then(|| pot.pot.clone())))
            .collect();
        places.sort();
        places.dedup();
        let paired = groups.iter().filter(|pot| pot.pair.is_some()).count() / 2;
        assert!(places.len() < sheets + paired, "{step:?}: {places:?}");
    }
}

fn thrown() -> impl Strategy<Value = Vec<Thrown>> {
    let boards = prop_oneof![Just(None), Just(Some("north")), Just(Some("south"))];
    let cover =
        prop_oneof![3 => Just(Cover::Open), 1 => Just(Cover::Draped), 1 => Just(Cover::Wrapped)];
    let pot = (-6.0..3.0f64, 250.0..2500.0f64, boards, cover);
    prop::collection::vec(pot, 1..5).prop_map(|pots| {
        let names = ["jar", "lid", "planter", "saucer"];
        let thrown = names.into_iter().zip(pots);
        thrown
            .map(|(name, (made, ball, board, cover))| Thrown(name, made, ball, board, cover))
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, ..ProptestConfig::default() })]

    #[test]
    fn nothing_comes_out_less_likely_than_if_nothing_were_done(
        pots in thrown(),
        room in (12.0..28.0f64, 0.25..0.8f64),
        now in 3.5..12.0f64,
        (from, length) in (0.0..20.0f64, 0.5..6.0f64),
        kiln in prop::option::of(30.0..200.0f64),
        sheets in prop::option::of(0..3usize),
        paired in any::<bool>(),
        outcome in prop::option::of(
            prop_oneof![Just(Outcome::Sound), Just(Outcome::CrackedDrying)]
        ),
    ) {
        let mut studio = studio(&pots, room, now);
        outcome.into_iter().for_each(|outcome| taught_by(&mut studio, &[outcome; 3]));
        let pairs = if paired { vec![["jar".into(), "lid".into()]] } else { Vec::new() };
        let asked = question(&studio, &daily(from, length), kiln);
        let question = Question { sheets, pairs, ..asked };
        let names: Vec<&str> = pots.iter().map(|pot| pot.0).collect();
        let plan = plan_of(&names, &studio, &question);
        holds(&plan, &question);
        if let Some(sheets) = sheets {
            no_more_than(sheets, &plan, &studio);
        }
    }

    /// At constant air, and whatever the cover. They are always at the wheel, so that all that open
    /// by then are trimmed.
    #[test]
    fn more_time_never_makes_a_pot_less_likely_dry(
        pots in thrown(),
        room in (12.0..28.0f64, 0.25..0.8f64),
        now in 3.5..40.0f64,
    ) {
        let studio = studio(&pots, room, now);
        let mut last = vec![0.0; pots.len()];
        for kiln in [5.0, 20.0, 45.0, 80.0, 140.0, 239.0] {
            let plan = planned(&studio, &question(&studio, &[(0.0, 240.0)], Some(kiln)));
            for (last, pot) in last.iter_mut().zip(&plan.pots) {
                let chance = pot.before.kiln.unwrap();
                prop_assert!(chance >= *last, "{} at {kiln}: {chance} after {last}", pot.pot);
                *last = chance;
            }
        }
    }
}

/// Left alone its window opens and closes while nobody is there; under plastic it waits.
#[test]
fn a_window_of_the_night_is_moved_to_the_morning() {
    let pots = [Thrown("planter", 0.0, 600.0, None, Cover::Open)];
    let studio = studio(&pots, (22.0, 0.40), 4.0);
    // Nobody has hours: when would it be?
    let nothing = planned(&studio, &question(&studio, &[], None));
    let [opens, closes] = [nothing.pots[0].opens.p50, nothing.pots[0].closes.p90];
    let [opens, closes] = [opens, closes].map(|t| t.unwrap().since(studio.at) / HOUR);
    assert!(opens > 1.0 && closes < 20.0, "{opens} {closes}");
    assert_eq!(one(&nothing.pots[0]), (0.0, 0.0));
    assert!(nothing.steps.is_empty() && nothing.pots[0].instead.is_some());
    // Half an hour is left today, then nobody comes before all draws have closed.
    let hours = [(0.0, 0.5), (closes + 2.0, closes + 6.0), (closes + 24.0, closes + 30.0)];
    let question = question(&studio, &hours, None);
    let plan = planned(&studio, &question);
    holds(&plan, &question);
    let (before, after) = one(&plan.pots[0]);
    assert!(before < 0.5 && after >= 0.80, "{before} {after}");
    assert!(plan.steps.len() <= 2, "{:?}", plan.steps);
    assert!(matches!(plan.steps[0].doing, Doing::Cover(Cover::Draped | Cover::Wrapped)));
    assert_eq!(plan.steps[0].at, studio.at.plus(0.5 * HOUR));
    let (from, ..) = plan.pots[0].slot.unwrap();
    assert!(from.since(studio.at) / HOUR >= closes);
}

/// What became of pots of the body that were left open before.
fn taught_by(studio: &mut Studio, outcomes: &[Outcome]) {
    let like = studio.pots.values().next().unwrap().clone();
    for (name, outcome) in ["old-1", "old-2", "old-3"].into_iter().zip(outcomes) {
        let row =
            HandlingRow { time: hour(-20.0), pot: name.into(), action: Action::Outcome(*outcome) };
        let pot = Pot { name: name.into(), made_at: hour(-120.0), board: None, ..like.clone() };
        studio.pots.insert(name.into(), pot);
        studio.handling.insert(name.into(), vec![row]);
    }
}

fn plan_of(names: &[&str], studio: &Studio, question: &Question) -> Plan {
    let names: Vec<Name> = names.iter().map(|name| (*name).into()).collect();
    let names: Vec<&Name> = names.iter().collect();
    plan(studio, &Taught::new(studio), &names, question, &|| ())
}

/// A wrapped planter, and somebody who is there for half of each day.
fn wrapped_and_taught(room: (f64, f64), now: f64, outcomes: &[Outcome]) -> Studio {
    let pots = [Thrown("planter", 0.0, 600.0, None, Cover::Wrapped)];
    let mut studio = studio(&pots, room, now);
    taught_by(&mut studio, outcomes);
    studio
}

fn plan_of_wrapped(studio: &Studio) -> (Plan, Question) {
    let question = question(studio, &[(0.1, 12.0), (24.0, 36.0), (48.0, 60.0)], None);
    let plan = plan_of(&["planter"], studio, &question);
    holds(&plan, &question);
    (plan, question)
}

/// It is opened where nothing is known of its body; where one of two pots cracked that stood open
/// it dries more slowly, and still comes into the hours.
#[test]
fn what_has_cracked_is_not_opened_at_once() {
    use Outcome::{CrackedDrying, Sound};
    let plan =
        |outcomes: &[Outcome]| plan_of_wrapped(&wrapped_and_taught((22.0, 0.40), 4.0, outcomes)).0;
    let opened =
        |plan: &Plan| plan.steps.iter().any(|step| step.doing == Doing::Cover(Cover::Open));
    let [nothing, cracked] = [plan(&[]), plan(&[CrackedDrying, Sound])];
    assert!(opened(&nothing) && !opened(&cracked), "{:?} {:?}", nothing.steps, cracked.steps);
    for plan in [&nothing, &cracked] {
        let Chances { trim, cracks, .. } = plan.pots[0].after;
        assert!(cracks.unwrap() < 0.2 && trim.unwrap() >= 0.8, "{plan:?}");
    }
    assert_eq!((nothing.pots[0].stood, cracked.pots[0].stood), (Some((0, 0)), Some((2, 1))));
}

/// Where nothing gentler brings it into the hours it is proposed, with how likely it cracks; and
/// where nothing does, nothing is that makes it crack the more.
#[test]
fn what_may_crack_is_said() {
    use Outcome::CrackedDrying;
    let plan =
        |room, outcomes: &[Outcome]| plan_of_wrapped(&wrapped_and_taught(room, 4.0, outcomes)).0;
    let damp = plan((18.0, 0.65), &[CrackedDrying]);
    let Chances { trim, cracks, .. } = damp.pots[0].after;
    assert!(trim.unwrap() >= 0.8 && damp.pots[0].before.trim.unwrap() < 0.5, "{damp:?}");
    assert!(cracks.unwrap() > 0.2 && cracks > damp.pots[0].before.cracks, "{damp:?}");
    assert!(damp.steps.iter().all(|step| step.doing != Doing::Cover(Cover::Open)));
    let dry = plan((24.0, 0.25), &[CrackedDrying; 2]);
    assert!(dry.pots[0].after.cracks.unwrap() > 0.2, "{dry:?}");
    assert!(dry.pots[0].after.cracks <= dry.pots[0].before.cracks, "{dry:?}");
}

/// Noted as it was planned, the report warns of it on no day.
#[test]
fn a_plan_that_is_gentle_brings_no_warning() {
    use Outcome::{CrackedDrying, Sound};
    let studio = |now| wrapped_and_taught((22.0, 0.40), now, &[CrackedDrying, Sound]);
    let (plan, question) = plan_of_wrapped(&studio(4.0));
    let planned = plan.pots[0].after.cracks.unwrap();
    assert!(!plan.steps.is_empty() && planned < question.wary.0, "{planned}: {:?}", plan.steps);
    let mut told = 0.0f64;
    for now in [4.0, 10.0, 16.0, 28.0, 40.0] {
        let mut studio = studio(now);
        for step in &plan.steps {
            let Doing::Cover(cover) = step.doing else { panic!("{step:?}") };
            let action = Action::Cover(cover);
            let row = HandlingRow { time: step.at, pot: "planter".into(), action };
            studio.handling.get_mut("planter").unwrap().push(row);
        }
        let report = of_pots(&studio, &[&"planter".into()]);
        let said = report[0].uneven.as_ref().map_or(0.0, |uneven| uneven.probability);
        assert!(said <= planned + 0.05, "at {now}: {said}, {planned}: {:?}", plan.steps);
        told = told.max(said);
    }
    assert!(told > 0.02, "{told}");
}

/// What is planned counts: noted as it was accepted, it is what doing nothing does.
#[test]
fn a_plan_that_was_accepted_is_not_made_again() {
    let pots = [Thrown("planter", 0.0, 600.0, None, Cover::Open)];
    let mut studio = studio(&pots, (22.0, 0.40), 4.0);
    let hours = [(0.0, 0.5), (22.0, 26.0)];
    let question = question(&studio, &hours, None);
    let first = planned(&studio, &question);
    assert!(!first.steps.is_empty());
    for step in &first.steps {
        let Doing::Cover(cover) = step.doing else { panic!("{step:?}") };
        let action = Action::Cover(cover);
        let row = HandlingRow { time: step.at, pot: "planter".into(), action };
        studio.handling.get_mut("planter").unwrap().push(row);
    }
    let again = planned(&studio, &question);
    assert!(again.steps.is_empty(), "{:?}", again.steps);
    let ((_, promised), (kept, _)) = (one(&first.pots[0]), one(&again.pots[0]));
    assert!((promised - kept).abs() < 0.12, "{promised} {kept}");
}

/// Pots of one board are under one sheet; four of them cannot be trimmed in a quarter of an hour.
#[test]
fn a_board_is_covered_as_one_and_one_wheel_has_one_pot() {
    let names = ["jar", "lid", "planter", "saucer"];
    let pots = names.map(|name| Thrown(name, 0.0, 600.0, Some("north"), Cover::Open));
    let studio = studio(&pots, (22.0, 0.40), 4.0);
    let roomy = question(&studio, &[(0.0, 0.5), (22.0, 26.0), (46.0, 50.0)], None);
    let plan = planned(&studio, &roomy);
    holds(&plan, &roomy);
    assert!(plan.steps.iter().all(|step| step.pots.len() == 4 && step.board.is_some()));
    assert!(plan.pots.iter().all(|pot| one(pot).1 >= 0.80), "{:#?}", plan.pots);
    let short = question(&studio, &[(0.0, 0.1), (22.0, 22.25)], None);
    let plan = planned(&studio, &short);
    holds(&plan, &short);
    let enough = plan.pots.iter().filter(|pot| one(pot).1 >= 0.80).count();
    assert!(enough <= 1 && plan.pots.iter().filter(|pot| pot.slot.is_some()).count() <= 1);
}

#[test]
fn a_studio_without_pots_or_hours_has_a_plan_to_do_nothing() {
    let none = studio(&[], (20.0, 0.5), 4.0);
    assert_eq!(planned(&none, &question(&none, &daily(1.0, 3.0), Some(100.0))), Plan::default());
    let pots = [Thrown("planter", 0.0, 600.0, None, Cover::Open)];
    let studio = studio(&pots, (20.0, 0.5), 4.0);
    let question = question(&studio, &[], Some(2.0));
    let plan = planned(&studio, &question);
    holds(&plan, &question);
    assert!(plan.steps.is_empty() && plan.pots[0].slot.is_none());
}

/// A thin lid dries before its jar: left open the two are hardly alike while somebody is there.
#[test]
fn a_lid_waits_for_its_jar() {
    let pots = [
        Thrown("jar", 0.0, 900.0, None, Cover::Open),
        Thrown("lid", 0.0, 300.0, None, Cover::Open),
    ];
    let paired = |mm: [(f64, f64); 2]| {
        let studio = weighed(&pots, &mm, 6);
        let apart = question(&studio, &daily(0.1, 3.0), None);
        let question = Question { pairs: vec![["lid".into(), "jar".into()]], ..apart.clone() };
        let plan = planned(&studio, &question);
        holds(&plan, &question);
        (plan, planned(&studio, &apart))
    };
    let (plan, alone) = paired([(6.0, 9.0), (4.0, 5.0)]);
    let [jar, lid] = &plan.pots[..] else { panic!("{plan:#?}") };
    assert_eq!((jar.pair.as_deref(), lid.pair.as_deref()), (Some("lid"), Some("jar")));
    assert_eq!(one(jar), one(lid));
    let (before, after) = one(jar);
    assert!(after > before + 0.2, "{before} {after}");
    assert!(plan.steps.iter().all(|step| step.pots == ["lid"]), "{:?}", plan.steps);
    let [first, second] = [jar, lid].map(|pot| pot.slot.unwrap());
    assert!(first.1 == second.0 || second.1 == first.0, "{first:?} {second:?}");
    // By themselves both are surer: they need not be alike.
    assert!(alone.pots.iter().all(|pot| pot.pair.is_none() && one(pot).1 >= after));
    // A jar that is far too thick for its lid: each is planned as if it had none, and that is said.
    let (plan, alone) = paired([(8.0, 11.0), (4.0, 6.0)]);
    assert_eq!((&plan.steps, &plan.pots), (&alone.steps, &alone.pots));
    let [(pair, best)] = &plan.apart[..] else { panic!("{:?}", plan.apart) };
    assert!(pair == &["jar", "lid"] && *best < 0.5, "{pair:?} {best}");
}

/// One of two sheets goes to the pot that closes first.
#[test]
fn sheets_are_laid_as_far_as_they_go() {
    let names = ["jar", "lid", "planter"];
    let pots = names.map(|name| Thrown(name, 0.0, 600.0, None, Cover::Open));
    let studio = studio(&pots, (22.0, 0.40), 4.0);
    let hours = [(0.0, 0.5), (22.0, 26.0), (46.0, 50.0)];
    let covered = |sheets| {
        let question = Question { sheets, ..question(&studio, &hours, None) };
        let plan = planned(&studio, &question);
        holds(&plan, &question);
        let covered = plan.pots.iter().filter(|pot| pot.covers.len() > 1).count();
        (covered, plan.pots.iter().filter(|pot| pot.wants_sheets).count())
    };
    assert_eq!(covered(None), (3, 0));
    assert_eq!(covered(Some(3)), (3, 0));
    assert_eq!(covered(Some(2)), (2, 1));
    assert_eq!(covered(Some(0)), (0, 3));
}

/// A thick planter wants the open air to be ready in the morning, a thin dish a sheet to wait for
/// it: each goes its own way, though they share a board.
#[test]
fn a_board_is_split_where_one_sheet_cannot_serve_all() {
    let north = Some("north");
    let pots = [
        Thrown("dish", 0.0, 300.0, north, Cover::Open),
        Thrown("planter", 0.0, 2500.0, north, Cover::Open),
    ];
    let studio = weighed(&pots, &[(4.0, 6.0), (18.0, 25.0)], 4);
    let question = question(&studio, &[(0.0, 0.5), (22.0, 26.0)], None);
    let plan = planned(&studio, &question);
    holds(&plan, &question);
    assert!(!plan.steps.is_empty());
    assert!(plan.steps.iter().all(|step| step.pots == ["dish"] && step.board.is_none()));
    let [dish, planter] = &plan.pots[..] else { panic!() };
    assert!(one(dish).0 < 0.8 && one(dish).1 >= 0.8, "{dish:#?}");
    // The planter stays as it is; it may have to wait while the dish is on the wheel.
    let (before, after) = one(planter);
    assert!(planter.covers.len() == 1 && after >= 0.8 && before - after < 0.02, "{planter:#?}");
}

/// A trimmed pot stands with its thick base on the board: turned over it dries in time.
#[test]
fn a_trimmed_pot_is_turned_over_for_the_kiln() {
    let pots = [Thrown("planter", 0.0, 600.0, None, Cover::Open)];
    let mut studio = studio(&pots, (22.0, 0.40), 30.0);
    studio.pots.get_mut("planter").unwrap().base_mm = Some(16.0);
    let log = studio.handling.get_mut("planter").unwrap();
    for (at, action) in [(10.0, Action::Trim), (20.0, Action::Flip)] {
        log.push(HandlingRow { time: hour(at), pot: "planter".into(), action });
    }
    let question = question(&studio, &daily(1.0, 3.0), Some(72.0));
    let plan = planned(&studio, &question);
    holds(&plan, &question);
    let [step] = &plan.steps[..] else { panic!("{:#?}", plan.steps) };
    // It was trimmed already: nothing is to be waited for.
    assert!(step.doing == Doing::Flip && !step.once_trimmed, "{step:?}");
    let [was, is] = [plan.pots[0].before, plan.pots[0].after].map(|of| of.kiln.unwrap());
    assert!(was < 0.6 && is >= 0.8, "{was} {is}");
}

/// Dry for the kiln is its wettest part, in the plan as in a load: of a thick base that says less.
#[test]
fn a_thick_base_is_as_dry_for_a_plan_as_for_a_load() {
    let pots = [Thrown("planter", 0.0, 1500.0, None, Cover::Open)];
    let mut studio = weighed(&pots, &[(8.0, 40.0)], 30);
    let trim = HandlingRow { time: studio.at, pot: "planter".into(), action: Action::Trim };
    studio.handling.get_mut("planter").unwrap().push(trim);
    let taught = Taught::new(&studio);
    let mut told = Vec::new();
    for days in [4.0, 8.0, 12.0] {
        let date = days * 24.0;
        let candling = Candling { hold: 85.0, rest: 0.005, hours_per_cm: 4.0, least_hours: 2.0 };
        let loads = loads::Question { at: studio.at, date: date * HOUR, wanted: 0.8, candling };
        let load = load(&studio, &taught, &[&"planter".into()], &loads, &|| ());
        let until = (date + 1.0) * HOUR;
        let plan = planned(&studio, &Question { until, ..question(&studio, &[], Some(date)) });
        told.push((plan.pots[0].after.kiln.unwrap(), load.pots[0].chance));
    }
    assert!(told.iter().all(|(plan, load)| (plan - load).abs() < 0.12), "{told:?}");
    assert!(told.iter().any(|(_, load)| (0.2..0.9).contains(load)), "{told:?}");
}

/// Whether a planned uncovering took place, by what a pot weighed before and after: invented, a
/// wrapped pot loses 0.4 g an hour, an open one 5 g.
#[test]
fn the_weights_say_whether_a_step_was_taken() {
    let wrapped = ByHand::small()
        .room(22.0, 0.40)
        .row(1.0, Action::Cover(Cover::Wrapped))
        .row(24.0, Action::Cover(Cover::Open));
    let told = |after: f64| {
        let at = |h: f64| 575.0 - 0.4 * h.min(24.0) - after * (h - 24.0).max(0.0);
        let weighed = |shelf: ByHand, h: u8| shelf.weighed(h.into(), at(h.into()));
        let studio = (2..=30).fold(wrapped.clone(), weighed).studio(30.5);
        let planned = [studio.handling["planter"][1].clone()];
        let [step] = &unconfirmed(&studio, &Taught::new(&studio), &planned, 0.9)[..] else {
            panic!()
        };
        assert_eq!((step.rows.as_slice(), &step.board), (&planned[..], &None));
        (step.done, step.is_refuted(), step.is_borne_out())
    };
    let (done, refuted, borne_out) = told(0.4);
    assert!(refuted && !borne_out, "{done:?}");
    let (done, refuted, borne_out) = told(5.0);
    assert!(borne_out && !refuted, "{done:?}");
    // Not weighed since: nobody knows. Nor is a step still ahead asked about, or one that was not
    // planned.
    let studio = wrapped.clone().weighed(20.0, 567.0).studio(30.5);
    let planned = [studio.handling["planter"][1].clone()];
    let taught = Taught::new(&studio);
    assert_eq!(unconfirmed(&studio, &taught, &planned, 0.9)[0].done, None);
    assert!(unconfirmed(&studio, &taught, &[], 0.9).is_empty());
    // A cover that lay there already is no step.
    let twice = ByHand::small().room(22.0, 0.40).row(1.0, Action::Cover(Cover::Open));
    let mut studio = twice.weighed(20.0, 567.0).studio(30.5);
    let planned_open = studio.handling["planter"].clone();
    assert!(unconfirmed(&studio, &taught, &planned_open, 0.9).is_empty());
    // Of a board it is the board's where all its pots are meant.
    let board = Some(Name::from("north"));
    let other = Pot { name: "jar".into(), board: board.clone(), ..studio.pots["planter"].clone() };
    studio.pots.get_mut("planter").unwrap().board = board.clone();
    studio.handling.insert("planter".into(), planned.to_vec());
    studio.pots.insert("jar".into(), other);
    let boards = |studio: &Studio, planned: &[HandlingRow]| -> Vec<Option<Name>> {
        let steps = unconfirmed(studio, &Taught::new(studio), planned, 0.9);
        steps.into_iter().map(|step| step.board).collect()
    };
    studio.handling.get_mut("planter").unwrap().insert(
        0,
        HandlingRow {
            time: hour(1.0),
            action: Action::Cover(Cover::Wrapped),
            ..planned[0].clone()
        },
    );
    assert_eq!(boards(&studio, &planned), [None]);
    let its = HandlingRow { pot: "jar".into(), ..planned[0].clone() };
    let wrapped_before = studio.handling["planter"][0].clone();
    let before = HandlingRow { pot: "jar".into(), ..wrapped_before };
    studio.handling.insert("jar".into(), vec![before, its.clone()]);
    assert_eq!(boards(&studio, &[planned[0].clone(), its]), [board]);
    let early = wrapped.studio(20.0);
    assert!(unconfirmed(&early, &Taught::new(&early), &planned, 0.9).is_empty());
}
