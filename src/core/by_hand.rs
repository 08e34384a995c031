//! For the tests of the core: a pot made by hand, in a steady room. All of it is invented.

use super::handling::History;
use super::inference::model::Model;
use super::report::TimeQuantiles;
use super::room::Room;
use crate::records::{Action, Air, Body, HandlingRow, Point, Pot, Studio, Weighings};
use crate::units::{HOUR, Time};

/// When the pot came off the wheel.
pub const MADE: Time = Time(1_932_904_800_000_000);

pub fn body() -> Body {
    Body {
        name: "harbour stoneware".into(),
        bag_water_wet: Some(0.22),
        trim_from_dry: Some(0.23),
        trim_to_dry: Some(0.16),
    }
}

pub fn pot() -> Pot {
    Pot {
        name: "planter".into(),
        body: body().name,
        made_at: MADE,
        ball_g: Some(600.0),
        tare_g: None,
        wall_mm: Some(6.0),
        base_mm: Some(9.0),
        lot: None,
        board: None,
        like: None,
        place: None,
    }
}

/// Some hours after the pot was made.
pub fn hour(hours: f64) -> Time {
    MADE.plus(hours * HOUR)
}

/// A forecast in hours after the pot was made; infinite ones do not come.
pub fn said(hours: [f64; 3]) -> TimeQuantiles {
    let [p10, p50, p90] = hours.map(|h| h.is_finite().then(|| hour(h)));
    TimeQuantiles { p10, p50, p90 }
}

/// As of some hours after the pot was made: rows and weighings (g) with their hours.
pub fn history(pot: &Pot, rows: &[(f64, Action)], weights: &[(f64, f64)], now: f64) -> History {
    let row = |(hours, action): &(f64, Action)| HandlingRow {
        time: hour(*hours),
        pot: pot.name.clone(),
        action: action.clone(),
    };
    let point = |(hours, value): &(f64, f64)| Point { time: hour(*hours), value: *value };
    let rows: Vec<_> = rows.iter().map(row).collect();
    let weights = Weighings(weights.iter().map(point).collect());
    History::new(pot, &rows, &weights, hour(now))
}

/// Steady air, heard every half hour until some hours after the pot was made.
fn air(temperature: f64, humidity: f64, last: f64) -> Air {
    let series = |value| {
        let times = (-48..=(2.0 * last) as i32).map(|k| hour(f64::from(k) / 2.0));
        times.map(|time| Point { time, value }).collect()
    };
    Air { temperature: series(temperature), humidity: series(humidity) }
}

/// The room with that air.
pub fn room(temperature: f64, humidity: f64, last: f64, now: f64) -> Room {
    let air = air(temperature, humidity, last);
    Room::new(&[(f64::NEG_INFINITY, Some(&air))], MADE, now * HOUR)
}

/// Hours and weights (g) of a pot of the model's own making in a steady room, up to some hours; its
/// dry clay, g. It is off the middle of its priors in all.
pub fn dried(hours: f64) -> (Vec<(f64, f64)>, f64) {
    let (history, room) = (history(&pot(), &[], &[], hours), room(20.0, 0.5, hours, hours));
    let model = Model::new(&pot(), Some(&body()), &history, &room);
    let truth = (0..model.beliefs.len()).map(|i| [1.0, -0.8][i % 2]).collect();
    let past = model.past(&[truth]);
    let ends = model.spans.iter().map(|span| span.to / HOUR);
    (ends.zip(past.mass.iter().map(|m| m.1[0])).collect(), past.physics.dry_g[0])
}

/// A studio in whose steady room so many pots of one body have stood for 200 hours.
pub fn studio_of_dried(pots: usize) -> Studio {
    let mut studio = Studio { at: hour(200.0), ..Studio::default() };
    studio.air.insert(String::new(), air(20.0, 0.5, 200.0));
    studio.bodies.insert(body().name, body());
    let weights = dried(200.0).0;
    for n in 0..pots {
        let name = format!("planter {n}");
        let points = weights.iter().map(|(t, g)| Point { time: hour(*t), value: *g });
        studio.weighings.insert(name.clone(), Weighings(points.collect()));
        studio.pots.insert(name.clone(), Pot { name, ..pot() });
    }
    studio
}

/// Pots of [`shelf`].
pub const SHELF: [&str; 3] = ["planter", "jar", "dish"];

/// Pots on cells, weighed every quarter of an hour for 20 hours; each a fifth heavier than the
/// one before. At some hours, one after the other, each cell gets what another had: `to[k]` is
/// whose pot stands on cell k then. All invented.
pub fn shelf(pots: usize, moves: &[(f64, &[usize])], off_for: f64) -> Studio {
    let mut studio = Studio { at: hour(20.0), ..Studio::default() };
    studio.bodies.insert(body().name, body());
    let way = dried(20.0).0;
    for (k, name) in SHELF.into_iter().enumerate().take(pots) {
        let ball_g = Some(600.0 * heavier(k));
        studio.pots.insert(name.into(), Pot { name: name.into(), ball_g, ..pot() });
        note(&mut studio, 0.0, name, Action::On(format!("shelf-{k}")));
        let shown = |t: f64, g: f64| {
            let last = moves.iter().rfind(|(hours, _)| t > *hours);
            let whose = last.map_or(k, |(_, to)| to[k]);
            let off = last.is_some_and(|(hours, _)| whose != k && t < hours + off_for);
            Point { time: hour(t), value: if off { 0.2 } else { g * heavier(whose) } }
        };
        let points = way.iter().map(|(t, g)| shown(*t, *g)).collect();
        studio.weighings.insert(name.into(), Weighings(points));
    }
    studio
}

/// By so much a pot of the shelf is heavier than the first.
pub fn heavier(k: usize) -> f64 {
    1.2_f64.powi(k as i32)
}

/// Writes down what was done to a pot.
pub fn note(studio: &mut Studio, hours: f64, pot: &str, action: Action) {
    let row = HandlingRow { time: hour(hours), pot: pot.into(), action };
    studio.handling.entry(row.pot.clone()).or_default().push(row);
}
