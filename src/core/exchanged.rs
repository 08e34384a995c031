//! Pots that changed cells among each other, though nobody wrote it down.
//!
//! Two pots, or a ring of some, are lifted off their cells and each is put down where another
//! stood. One trace alone looks like a trim, or like another tare; together they tell: what one
//! cell showed before, another shows after, and where the lighter pot stood the cell gains, which
//! no drying does. Thresholds are common practice, no source.

use super::found::{EMPTY, TRIM};
use crate::records::{Action, Name, Parts, Point, Studio, Weighings};
use crate::units::{HOUR, Time};
use std::mem;

/// Where a pot seems to stand since it changed places with another.
#[derive(Clone, PartialEq, Debug)]
pub struct Exchange {
    /// The pot that stood there by the log.
    pub with: Name,
    /// The cell on which that pot was put down.
    pub cell: Name,
    /// When.
    pub time: Time,
    /// How sure, 0–1.
    pub probability: f64,
}

/// Deeds that leave each pot with just what another weighed are hardly ever anything else; where
/// one of them was trimmed meanwhile, only the others tell.
const SURE: (f64, f64) = (0.95, 0.8);
/// A step of this share of a pot, and of so many grams, may be another pot.
const STEP: (f64, f64) = (0.03, 8.0);
/// Pots that are exchanged are both back on a cell within this time beyond the time that the one
/// was seen on none, s.
const TOGETHER: f64 = 2.0 * HOUR;
/// What one weighed is what the other cell shows, but for this share of it and so many grams, and
/// what it dries by meanwhile, as a share per hour.
const LIKE: (f64, f64, f64) = (0.004, 1.0, 0.01);
/// Weighings on either side of a step, of which the median counts, and within which time, s.
const BESIDE: (usize, f64) = (5, 2.0 * HOUR);
/// More pots are not carried round at once.
const RING: usize = 4;

/// A step in what a cell shows: last weighing before, first after, and medians about them, g.
#[derive(Clone, Copy, Debug)]
struct Step {
    before: Time,
    after: Time,
    from: f64,
    to: f64,
}

/// Weighings of a pot with those that a cell which is not its own by the log showed of it.
pub struct Followed {
    /// In order of time.
    pub weighings: Weighings,
    /// Where it seems to stand, if not where the log says.
    pub exchange: Option<Exchange>,
}

/// Follows a pot from cell to cell by the weights of all, as of the studio's time; `None` where it
/// always stood where the log says.
pub fn follow(studio: &Studio, pot: &str) -> Option<Followed> {
    let (mut at, mut from, mut since) = (pot, Time::MIN, Time::MIN);
    let mut weighings = Vec::new();
    let mut exchange = None;
    while let Some((to, next, after)) = next(studio, pot, at, since) {
        weighings.extend(shown(studio, at, from, next.time));
        (at, from, since) = (to, next.time, after);
        exchange = Some(next);
    }
    exchange.as_ref()?;
    // Moved by the log it stands again where that says; and who was put on its cell by the log
    // takes that along: then nobody knows what it weighs.
    let until = noted_of(studio, pot, at, since).unwrap_or(Time::MAX);
    let noted = left(studio, pot, since);
    weighings.extend(shown(studio, at, from, until));
    weighings.extend(noted.map_or(Vec::new(), |noted| shown(studio, pot, noted, Time::MAX)));
    let exchange = exchange.filter(|_| at != pot && noted.is_none());
    Some(Followed { weighings: Weighings(weighings), exchange })
}

/// Which weighings are looked at to follow a pot, and those it is like, by what is in the studio
/// now. Once the studio has all of that, a pot is followed in it as in one with the weighings of
/// all.
pub fn looked_at(studio: &Studio, pot: &str) -> Parts {
    let mut parts = Parts::new();
    for pot in studio.family(pot) {
        let (pot, mut at, mut since) = (&pot.name, pot.name.as_str(), Time::MIN);
        loop {
            parts.entry(at.into()).or_default().push((Time::MIN, Time::MAX));
            for step in cell_steps(studio, pot, at, since) {
                let (from, to) = near(&step);
                let beside = (from.plus(-BESIDE.1), to.plus(BESIDE.1).moved(1));
                for other in studio.pots.keys().filter(|it| stand_apart(studio, at, it, &step)) {
                    parts.entry(other.clone()).or_default().push(beside);
                }
            }
            let Some((to, _, after)) = next(studio, pot, at, since) else { break };
            (at, since) = (to, after);
        }
    }
    parts.values_mut().for_each(|spans| *spans = joined(mem::take(spans)));
    parts
}

/// Spans of time, each from one to before another, in order and apart.
fn joined(mut spans: Vec<(Time, Time)>) -> Vec<(Time, Time)> {
    spans.sort_unstable();
    let mut all: Vec<(Time, Time)> = Vec::with_capacity(spans.len());
    for span in spans {
        match all.last_mut().filter(|last| span.0 <= last.1) {
            Some(last) => last.1 = last.1.max(span.1),
            None => all.push(span),
        }
    }
    all
}

/// What the cell of a pot showed, from one time to before another.
fn shown(studio: &Studio, pot: &str, from: Time, to: Time) -> Vec<Point> {
    let all = studio.weighings.get(pot).map_or(&[][..], |w| &w.0[..]);
    let until = all.partition_point(|p| p.time < to);
    all[all.partition_point(|p| p.time < from).min(until)..until].to_vec()
}

/// The cell on which a pot stands by the log.
fn cell<'a>(studio: &'a Studio, pot: &str, t: Time) -> Option<&'a Name> {
    let mut rows = studio.handling.get(pot)?.iter();
    match &rows.rfind(|row| row.time <= t && row.action.changes_cell())?.action {
        Action::On(cell) => Some(cell),
        _ => None,
    }
}

/// When a pot was moved first after a time, by the log.
fn left(studio: &Studio, pot: &str, from: Time) -> Option<Time> {
    let rows = studio.handling.get(pot)?;
    let row = rows.iter().find(|row| row.time > from && row.action.changes_cell())?;
    (row.time <= studio.at).then_some(row.time)
}

/// When the log first moved a pot, or the one on whose cell it stands, after a time.
fn noted_of(studio: &Studio, pot: &str, at: &str, since: Time) -> Option<Time> {
    let theirs = if at == pot { None } else { left(studio, at, since) };
    left(studio, pot, since).into_iter().chain(theirs).min()
}

/// The first exchange after a time in which a pot took part that stood on the cell of `at`: on
/// whose cell it stands since, and the first time at which it was seen there.
fn next<'a>(
    studio: &'a Studio,
    pot: &str,
    at: &str,
    from: Time,
) -> Option<(&'a str, Exchange, Time)> {
    cell_steps(studio, pot, at, from).into_iter().find_map(|step| {
        let near = near(&step);
        let others = studio.weighings.iter();
        let others: Vec<(&str, Step)> = others
            .filter(|(name, _)| stand_apart(studio, at, name, &step))
            .flat_map(|(name, w)| {
                let within = around(&w.0, near);
                let theirs = steps(within, Time::MIN, studio.at).into_iter();
                theirs.map(move |other| (name.as_str(), other))
            })
            .filter(|(_, other)| together(&step, other))
            .collect();
        let ring = ring(&step, &others)?;
        let all = || std::iter::once(&step).chain(ring.iter().map(|k| &others[*k].1));
        let before = all().map(|s| s.before).max()?;
        let after = all().map(|s| s.after).min()?.max(before);
        let tared = std::iter::once(at).chain(ring.iter().map(|k| others[*k].0)).any(|name| {
            let rows = studio.handling.get(name).into_iter().flatten();
            let mut tares = rows.filter(|row| matches!(row.action, Action::Tare(_)));
            tares.any(|row| row.time >= near.0 && row.time <= near.1)
        });
        // Who noted other bats exchanged those.
        (!tared).then_some(())?;
        let exact = links(&step, &ring, &others).all(|(a, b)| like(a, b));
        let (to, _) = others[ring[0]];
        let exchange = Exchange {
            with: to.into(),
            cell: cell(studio, to, step.before)?.clone(),
            time: before.plus(0.5 * after.since(before)),
            probability: if exact { SURE.0 } else { SURE.1 },
        };
        Some((to, exchange, after))
    })
}

/// Steps on the cell of `at` while a pot stands there, after a time.
fn cell_steps(studio: &Studio, pot: &str, at: &str, from: Time) -> Vec<Step> {
    // Its own weighings go where the log puts it.
    let until = if at == pot { None } else { noted_of(studio, pot, at, from) };
    let own = studio.weighings.get(at).map_or(&[][..], |w| &w.0);
    steps(own, from, until.unwrap_or(studio.at))
}

/// Around a step: who changed places then shows one in this time too.
fn near(step: &Step) -> (Time, Time) {
    (step.before.plus(-TOGETHER), step.after.plus(TOGETHER))
}

/// Whether two pots stood on cells, and not on the same one, by the log, before a step.
fn stand_apart(studio: &Studio, pot: &str, other: &str, step: &Step) -> bool {
    let [own, theirs] = [pot, other].map(|pot| cell(studio, pot, step.before));
    own.is_some() && theirs.is_some() && own != theirs
}

/// Who went where: pairs of what a pot weighed and what the cell shows on which it was put down.
fn links<'s>(
    first: &'s Step,
    ring: &'s [usize],
    others: &'s [(&str, Step)],
) -> impl Iterator<Item = (&'s Step, &'s Step)> {
    let steps = move |k: usize| if k == 0 { first } else { &others[ring[k - 1]].1 };
    (0..=ring.len()).map(move |k| (steps(k), steps((k + 1) % (ring.len() + 1))))
}

/// The steps of those who took part, each on the cell to which the one before went, and the last
/// one to that of the first; at most one of them may have been trimmed meanwhile. A ring without a
/// cell that gains is none.
fn ring(first: &Step, others: &[(&str, Step)]) -> Option<Vec<usize>> {
    let mut ways: Vec<Vec<usize>> = vec![Vec::new()];
    let mut rings: Vec<Vec<usize>> = Vec::new();
    for _ in 1..RING {
        let longer = ways.iter().flat_map(|way| {
            let free = |k: &usize| way.iter().all(|w| others[*w].0 != others[*k].0);
            (0..others.len()).filter(free).map(|k| [&way[..], &[k]].concat())
        });
        ways = longer.take(500).collect();
        rings.extend(ways.iter().cloned());
    }
    let odd = |way: &Vec<usize>| links(first, way, others).filter(|(a, b)| !like(a, b)).count();
    let holds = |way: &Vec<usize>| {
        let gains = |step: &Step| step.to - step.from > STEP.1.max(STEP.0 * step.from);
        links(first, way, others).any(|(_, b)| gains(b))
            && links(first, way, others).all(|(a, b)| like(a, b) || may_be_trimmed(a, b))
    };
    let sound = rings.into_iter().filter(|way| odd(way) <= 1 && holds(way));
    sound.min_by_key(|way| (odd(way), way.len()))
}

/// Whether a pot that was lifted off where it weighed `a.from` may be what `b.to` shows.
fn like(a: &Step, b: &Step) -> bool {
    let apart = b.after.since(a.before).max(0.0);
    let lost = a.from - b.to;
    let within = LIKE.0 * a.from + LIKE.1;
    lost > -within && lost < within + LIKE.2 * a.from * apart / HOUR
}

/// The same of one that was trimmed on the way.
fn may_be_trimmed(a: &Step, b: &Step) -> bool {
    (TRIM.0..TRIM.1).contains(&((a.from - b.to) / a.from))
}

/// Whether two steps may be those of one walk.
fn together(a: &Step, b: &Step) -> bool {
    let apart = a.after.max(b.after).since(a.before.min(b.before));
    let off = (a.after.since(a.before)).max(b.after.since(b.before));
    apart < TOGETHER + off && a.before < b.after && b.before < a.after
}

/// Weighings from one time to another.
fn around(points: &[Point], (from, to): (Time, Time)) -> &[Point] {
    let first = points.partition_point(|p| p.time < from.plus(-BESIDE.1));
    &points[first..points.partition_point(|p| p.time <= to.plus(BESIDE.1))]
}

/// Steps in what a cell shows while something stands on it, that hold, after one time and up to
/// another.
fn steps(points: &[Point], from: Time, to: Time) -> Vec<Step> {
    let known = &points[..points.partition_point(|p| p.time <= to)];
    let heaviest = known.iter().map(|p| p.value).fold(0.0, f64::max);
    let standing: Vec<&Point> =
        known.iter().filter(|p| p.time > from && p.value > EMPTY * heaviest).collect();
    let large = |from: f64, to: f64| (from - to).abs() > STEP.1.max(STEP.0 * from.min(to));
    let step = |k: usize| {
        let (before, after) = (standing[k], standing[k + 1]);
        if !large(before.value, after.value) {
            return None;
        }
        let side = |these: &mut dyn Iterator<Item = &&Point>, t: Time| {
            let near = these.take_while(|p| p.time.since(t).abs() < BESIDE.1);
            let mut values: Vec<f64> = near.take(BESIDE.0).map(|p| p.value).collect();
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        };
        let from = side(&mut standing[..=k].iter().rev(), before.time);
        let to = side(&mut standing[k + 1..].iter(), after.time);
        large(from, to).then_some(Step { before: before.time, after: after.time, from, to })
    };
    (0..standing.len().saturating_sub(1)).filter_map(step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::assess_pot;
    use crate::core::by_hand::{MADE, SHELF, dried, heavier, hour, note, shelf};
    use crate::records::Weighings;

    /// From some hour on a pot's cell shows less.
    fn cut(studio: &mut Studio, cell: usize, hours: f64, share: f64) {
        let points = &mut studio.weighings.get_mut(SHELF[cell]).unwrap().0;
        points.iter_mut().filter(|p| p.time > hour(hours)).for_each(|p| p.value *= 1.0 - share);
    }

    /// Whether what is followed of a pot falls as one pot does, as heavy as it is.
    fn is_its_own(studio: &Studio, k: usize) -> bool {
        let Some(told) = follow(studio, SHELF[k]) else { return false };
        let standing: Vec<_> = told.weighings.0.iter().filter(|p| p.value > 1.0).collect();
        let way = dried(20.0).0;
        standing.iter().all(|p| {
            let (_, g) = way.iter().find(|(t, _)| hour(*t) == p.time).unwrap();
            (p.value / (g * heavier(k)) - 1.0).abs() < 1e-9
        })
    }

    #[test]
    fn pots_that_changed_places_are_found_and_keep_their_curves() {
        for off_for in [0.0, 0.6, 5.0] {
            let studio = shelf(2, &[(9.1, &[1, 0])], off_for);
            let never = shelf(2, &[], 0.0);
            for (k, with, cell) in [(0, "jar", "shelf-1"), (1, "planter", "shelf-0")] {
                let pot = SHELF[k];
                let found = follow(&studio, pot).unwrap().exchange.unwrap();
                assert_eq!((found.with.as_str(), found.cell.as_str()), (with, cell));
                let after = found.time.since(MADE) / HOUR - 9.1;
                assert!((-0.3..=off_for + 0.3).contains(&after), "{after}");
                assert!(is_its_own(&studio, k) && follow(&never, pot).is_none(), "{pot}");
                let [told, kept] = [&studio, &never].map(|s| assess_pot(s, pot).unwrap());
                let apart = told.water.now.p50 - kept.water.now.p50;
                let wide = kept.water.now.p90 - kept.water.now.p10;
                assert!(apart.abs() < 0.2 * wide, "{pot}: {apart} of {wide}");
                let found: Vec<_> = told.found.iter().filter(|f| f.until.is_none()).collect();
                let [found] = found[..] else { panic!("{:?}", told.found) };
                assert_eq!((found.action, found.cell.as_deref()), ("on", Some(cell)));
                assert!(told.warnings.iter().any(|w| w.code == "on-not-noted"));
            }
        }
    }

    /// Back again, a third time, in a ring, and noted earlier than it was done.
    #[test]
    fn pots_are_followed_through_all_their_moves() {
        let there: &[usize] = &[1, 0];
        let twice = shelf(2, &[(6.1, there), (12.1, &[0, 1])], 0.3);
        let thrice = shelf(2, &[(6.1, there), (9.1, &[0, 1]), (13.1, there)], 0.0);
        let ring = shelf(3, &[(9.1, &[2, 0, 1])], 0.3);
        let mut early = shelf(2, &[(9.1, there)], 0.0);
        note(&mut early, 8.1, "planter", Action::On("shelf-1".into()));
        note(&mut early, 8.1, "jar", Action::On("shelf-0".into()));
        let from = |name: &str| {
            let of = |name: &str| early.weighings[name].0.clone();
            let (own, other) = (of(name), of(if name == "jar" { "planter" } else { "jar" }));
            let as_logged = own.iter().zip(&other);
            as_logged.map(|(a, b)| if a.time < hour(8.1) { *a } else { *b }).collect()
        };
        let logged = ["planter", "jar"].map(|name| (name.to_string(), Weighings(from(name))));
        early.weighings = logged.into();
        for (what, studio, pots, elsewhere) in [
            ("twice", &twice, 2, false),
            ("thrice", &thrice, 2, true),
            ("ring", &ring, 3, true),
            ("early", &early, 2, false),
        ] {
            for (k, name) in SHELF.iter().enumerate().take(pots) {
                assert!(is_its_own(studio, k), "{what}: {name}");
                let exchange = follow(studio, name).unwrap().exchange;
                assert_eq!(exchange.is_some(), elsewhere, "{what}: {exchange:?}");
            }
        }
    }

    /// One of two was trimmed before it was put down in the other's place.
    #[test]
    fn one_may_be_trimmed_on_the_way() {
        for (cell, trimmed, other) in [(1, "planter", "jar"), (0, "jar", "planter")] {
            let mut studio = shelf(2, &[(9.1, &[1, 0])], 0.5);
            cut(&mut studio, cell, 9.1, 0.1);
            for pot in ["planter", "jar"] {
                let exchange = follow(&studio, pot).unwrap().exchange.unwrap();
                assert!(exchange.probability < SURE.0, "{exchange:?}");
            }
            let actions = |pot: &str| {
                let told = assess_pot(&studio, pot).unwrap().found.into_iter();
                told.filter(|f| f.until.is_none()).map(|f| f.action).collect::<Vec<_>>()
            };
            assert!(actions(trimmed).contains(&"trim"), "{:?}", actions(trimmed));
            assert_eq!(actions(other), ["on"]);
        }
    }

    /// Trims, silence in which pots dry, bats that were exchanged, and moves that were noted.
    #[test]
    fn what_else_is_done_to_pots_is_no_exchange() {
        let no_exchange = |studio: &Studio, what: &str| {
            for pot in ["planter", "jar"] {
                assert!(follow(studio, pot).is_none(), "{what}: {pot}");
            }
        };
        for cuts in [&[(1, 0.25)][..], &[(1, 0.25), (0, 0.2)], &[(1, 1.0 / 6.0)], &[(1, 0.1)]] {
            let mut studio = shelf(2, &[], 0.0);
            cuts.iter().for_each(|(cell, share)| cut(&mut studio, *cell, 9.1, *share));
            no_exchange(&studio, &format!("{cuts:?}"));
        }
        // Twins that differ by what both lose while nobody listens.
        for more in [0.0, 0.02, 0.04, 0.06, 0.1] {
            let mut studio = shelf(2, &[], 0.0);
            for p in &mut studio.weighings.get_mut("jar").unwrap().0 {
                p.value *= (1.0 + more) / heavier(1);
            }
            for w in studio.weighings.values_mut() {
                w.0.retain(|p| !(hour(4.0)..hour(15.0)).contains(&p.time));
            }
            no_exchange(&studio, &format!("silence, {more}"));
        }
        let mut bats = shelf(2, &[(9.1, &[1, 0])], 0.2);
        for (pot, g) in [("planter", 400.0), ("jar", 300.0)] {
            note(&mut bats, 9.3, pot, Action::Tare(g));
        }
        no_exchange(&bats, "bats");
    }

    /// The other pot is put on a third cell by its potter: nobody knows what the first one weighs.
    #[test]
    fn a_cell_that_is_taken_along_by_the_log_speaks_of_nobody() {
        let mut studio = shelf(2, &[(9.1, &[1, 0])], 0.2);
        note(&mut studio, 14.0, "jar", Action::On("shelf-7".into()));
        let told = follow(&studio, "planter").unwrap();
        assert!(told.weighings.0.iter().all(|p| p.time < hour(14.0)));
        assert_eq!(told.exchange.unwrap().cell, "shelf-1");
        assert_eq!(follow(&studio, "jar").unwrap().exchange, None);
    }

    /// What befalls the cell after the potter took the pot off it is no business of the pot, also
    /// where the log moves that cell's own pot later.
    #[test]
    fn a_pot_that_was_moved_by_the_log_is_followed_no_more() {
        let mut studio = shelf(3, &[(6.1, &[1, 0, 2]), (13.1, &[1, 2, 0])], 0.0);
        note(&mut studio, 10.0, "planter", Action::On("shelf-9".into()));
        note(&mut studio, 16.0, "jar", Action::On("shelf-8".into()));
        let told = follow(&studio, "planter").unwrap();
        assert_eq!(told.exchange, None);
        let after = |points: &[Point]| -> Vec<Point> {
            points.iter().filter(|p| p.time >= hour(10.0)).copied().collect()
        };
        assert_eq!(after(&told.weighings.0), after(&studio.weighings["planter"].0));
    }
}
