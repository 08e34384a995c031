//! Pots that changed cells with each other, though nobody wrote it down.
//!
//! Two pots are lifted off their cells and each is put down where the other stood. Either trace
//! alone looks like a trim, or like another tare; together they tell: what one cell showed before,
//! the other shows after. Thresholds are common practice, no source.

use super::found::EMPTY;
use crate::records::{Action, Name, Point, Studio};
use crate::units::{HOUR, Time};

/// Where a pot seems to stand since it changed places with another.
#[derive(Clone, PartialEq, Debug)]
pub struct Exchange {
    /// The pot that stands where it stood.
    pub with: Name,
    /// The cell on which that pot was put down.
    pub cell: Name,
    /// When.
    pub time: Time,
}

/// Two deeds that leave each pot with just what the other weighed are hardly ever anything else.
pub const SURE: f64 = 0.95;
/// A step of this share of a pot, and of so many grams, may be another pot.
const STEP: (f64, f64) = (0.03, 8.0);
/// Pots that are exchanged are both back on a cell within this time, s.
const TOGETHER: f64 = 2.0 * HOUR;
/// What one weighed is what the other cell shows, but for this share of it and so many grams, and
/// what it dries by meanwhile, as a share per hour.
const LIKE: (f64, f64, f64) = (0.004, 1.0, 0.01);
/// Weighings on either side of a step, of which the median counts, and within which time, s.
const BESIDE: (usize, f64) = (5, 2.0 * HOUR);

/// A step in what a cell shows: last weighing before, first after, and medians about them, g.
#[derive(Clone, Copy, Debug)]
struct Step {
    before: Time,
    after: Time,
    from: f64,
    to: f64,
}

/// The last exchange of a pot by the weights of both, as of the studio's time.
pub fn last(studio: &Studio, pot: &str) -> Option<Exchange> {
    let weighed = |name: &str| Some(&studio.weighings.get(name)?.0[..]);
    let cell = |name: &str, t: Time| {
        let rows = studio.handling.get(name)?;
        let last = rows
            .iter()
            .rfind(|row| row.time <= t && matches!(row.action, Action::On(_) | Action::Off))?;
        if let Action::On(cell) = &last.action { Some(cell) } else { None }
    };
    steps(weighed(pot)?, studio.at).into_iter().rev().find_map(|step| {
        let own = cell(pot, step.before)?;
        // Nobody moved it since: what it stands on is what the log says.
        (cell(pot, studio.at) == Some(own)).then_some(())?;
        let others = studio.weighings.keys().filter(|name| *name != pot);
        let mut found = others.filter_map(|with| {
            let theirs = cell(with, step.before).filter(|theirs| *theirs != own)?;
            let near = around(weighed(with)?, step.before, step.after);
            let other = steps(near, studio.at).into_iter().find(|other| fits(&step, other))?;
            let between = step.before.max(other.before);
            let end = step.after.min(other.after).max(between);
            let time = between.plus(0.5 * end.since(between));
            Some(Exchange { with: with.clone(), cell: theirs.clone(), time })
        });
        found.next()
    })
}

/// What was weighed of a pot: its own until it changed places, from then on what its new cell
/// shows.
pub fn put_right(studio: &Studio, pot: &str, exchange: &Exchange) -> Vec<Point> {
    let of = |name: &str| studio.weighings.get(name).map_or(&[][..], |w| &w.0[..]);
    let (own, theirs) = (of(pot), of(&exchange.with));
    let until = own.partition_point(|p| p.time < exchange.time);
    let from = theirs.partition_point(|p| p.time < exchange.time);
    [&own[..until], &theirs[from..]].concat()
}

/// The part of some weighings that two steps of an exchange can lie in.
fn around(points: &[Point], before: Time, after: Time) -> &[Point] {
    let margin = TOGETHER + BESIDE.1;
    let from = points.partition_point(|p| p.time < before.plus(-margin));
    let to = points.partition_point(|p| p.time <= after.plus(margin));
    &points[from..to]
}

/// Whether two steps are those of pots that were put down in each other's place.
fn fits(a: &Step, b: &Step) -> bool {
    let apart = a.after.max(b.after).since(a.before.min(b.before));
    let like = |before: f64, after: f64| {
        let (least, most) = (-LIKE.0 * before - LIKE.1, LIKE.0 * before + LIKE.1);
        let lost = before - after;
        lost > least && lost < most + LIKE.2 * before * apart / HOUR
    };
    apart < TOGETHER + (a.after.since(a.before)).max(b.after.since(b.before))
        && a.before < b.after
        && b.before < a.after
        && like(a.from, b.to)
        && like(b.from, a.to)
}

/// Steps in what a cell shows while something stands on it, that hold.
fn steps(points: &[Point], at: Time) -> Vec<Step> {
    let known = &points[..points.partition_point(|p| p.time <= at)];
    let heaviest = known.iter().map(|p| p.value).fold(0.0, f64::max);
    let standing: Vec<&Point> = known.iter().filter(|p| p.value > EMPTY * heaviest).collect();
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
    use crate::core::by_hand::{MADE, body, dried, pot};
    use crate::core::{assess_pot, learn};
    use crate::records::{HandlingRow, Pot, Weighings};

    /// Two pots on two cells, weighed every quarter of an hour; the second is by a third heavier.
    /// At `hours` they change places. All invented.
    fn shelf(hours: f64, off_for: f64) -> Studio {
        let at = |h: f64| MADE.plus(h * HOUR);
        let mut studio = Studio { at: at(20.0), ..Studio::default() };
        studio.bodies.insert(body().name, body());
        let way = dried(20.0).0;
        let names = ["planter", "jar"];
        for (k, name) in names.into_iter().enumerate() {
            let made = Pot { name: name.into(), ball_g: Some([600.0, 800.0][k]), ..pot() };
            studio.pots.insert(name.into(), made);
            let on = Action::On(format!("shelf-{k}"));
            let row = HandlingRow { time: at(0.0), pot: name.into(), action: on };
            studio.handling.insert(name.into(), vec![row]);
            let shown = |t: f64, g: f64| {
                let other = (t > hours) != (k == 1);
                let value = if other { g * 4.0 / 3.0 } else { g };
                let off = t > hours && t < hours + off_for;
                Point { time: at(t), value: if off { 0.2 } else { value } }
            };
            let points = way.iter().map(|(t, g)| shown(*t, *g)).collect();
            studio.weighings.insert(name.into(), Weighings(points));
        }
        studio
    }

    #[test]
    fn pots_that_changed_places_are_found_and_keep_their_curves() {
        for (hours, off_for) in [(9.1, 0.0), (9.1, 0.6)] {
            let studio = shelf(hours, off_for);
            let never = shelf(99.0, 0.0);
            for (pot, with, cell) in [("planter", "jar", "shelf-1"), ("jar", "planter", "shelf-0")]
            {
                let found = last(&studio, pot).unwrap();
                assert_eq!((found.with.as_str(), found.cell.as_str()), (with, cell));
                let after = found.time.since(MADE) / HOUR - hours;
                assert!((-0.3..=off_for + 0.3).contains(&after), "{after}");
                assert_eq!(last(&never, pot), None);
                let weight = |p: &Point| p.value > 1.0;
                let right: Vec<f64> = put_right(&studio, pot, &found)
                    .iter()
                    .filter(|p| weight(p))
                    .map(|p| p.value)
                    .collect();
                assert!(right.windows(2).all(|w| w[1] <= w[0]), "{pot}: {right:?}");
                let [told, kept] = [&studio, &never].map(|s| assess_pot(s, pot).unwrap());
                let apart = told.water.now.p50 - kept.water.now.p50;
                let wide = kept.water.now.p90 - kept.water.now.p10;
                assert!(apart.abs() < 0.2 * wide, "{pot}: {apart} of {wide}");
                let [found] = &told.found[..] else { panic!("{:?}", told.found) };
                assert_eq!((found.action, found.cell.as_deref()), ("on", Some(cell)));
                assert!(told.warnings.iter().any(|w| w.code == "on-not-noted"));
            }
            assert!(learn(&studio).count(&body().name) <= 2);
        }
    }

    /// A trim of one, the other left alone; both trimmed; and pots whose move was noted.
    #[test]
    fn what_else_is_done_to_pots_is_no_exchange() {
        let cut = |pots: &[(&str, f64)]| {
            let mut studio = shelf(99.0, 0.0);
            for (pot, share) in pots {
                let points = &mut studio.weighings.get_mut(*pot).unwrap().0;
                points.iter_mut().filter(|p| p.time > MADE.plus(9.1 * HOUR)).for_each(|p| {
                    p.value *= 1.0 - share;
                });
            }
            studio
        };
        for pots in [&[("jar", 0.25)][..], &[("jar", 0.25), ("planter", 0.2)], &[("jar", 0.1)]] {
            let studio = cut(pots);
            assert_eq!((last(&studio, "jar"), last(&studio, "planter")), (None, None), "{pots:?}");
        }
        let mut noted = shelf(9.1, 0.0);
        for (pot, cell) in [("planter", "shelf-1"), ("jar", "shelf-0")] {
            let time = MADE.plus(9.1 * HOUR);
            let row = HandlingRow { time, pot: pot.into(), action: Action::On(cell.into()) };
            noted.handling.get_mut(pot).unwrap().push(row);
        }
        assert_eq!(last(&noted, "jar"), None);
    }
}
