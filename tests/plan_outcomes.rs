//! What plans promise, whatever the studio: nothing comes out less likely than if nothing were
//! done, nothing is done that is not needed, one pot at a time is on the wheel. Studios are made up
//! and steady; the rules are the project's own.

mod by_hand;

use by_hand::{ByHand, hour};
use proptest::prelude::*;
use warecast::answers::{Taught, plan::plan};
use warecast::core::plan::hours::Hours;
use warecast::core::plan::{Plan, Planned, Question};
use warecast::core::prospect::Doing;
use warecast::records::{Action, Cover, HandlingRow, Name, Pot, Studio};
use warecast::units::{DAY, HOUR};

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

/// Hours (from now) at the wheel; covers can be changed at their ends.
fn question(studio: &Studio, hours: &[(f64, f64)], kiln: Option<f64>) -> Question {
    let spans: Vec<(f64, f64)> = hours.iter().map(|(a, b)| (a * HOUR, b * HOUR)).collect();
    let hours = Hours::new(spans);
    let ends = hours.spans().iter().flat_map(|(from, to)| [*from, *to]);
    Question {
        at: studio.at,
        moments: ends.filter(|t| *t > 0.0).collect(),
        hours,
        trim_s: 900.0,
        wanted: 0.80,
        covers: vec![Cover::Draped, Cover::Wrapped],
        kiln: kiln.map(|kiln| kiln * HOUR),
        until: 10.0 * DAY,
    }
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
        };
        assert!(!its.iter().all(enough), "nothing was needed: {step:?}");
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
    ) {
        let studio = studio(&pots, room, now);
        let question = question(&studio, &daily(from, length), kiln);
        holds(&planned(&studio, &question), &question);
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
