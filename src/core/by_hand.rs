//! For the tests of the core: a pot made by hand, in a steady room. All of it is invented.

use super::handling::History;
use super::room::Room;
use crate::records::{Action, Air, Body, HandlingRow, Point, Pot, Weighings};
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

fn hour(hours: f64) -> Time {
    MADE.plus(hours * HOUR)
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

/// A room of steady air, heard every half hour until some hours after the pot was made.
pub fn room(temperature: f64, humidity: f64, last: f64, now: f64) -> Room {
    let series = |value| {
        let times = (-48..=(2.0 * last) as i32).map(|k| hour(f64::from(k) / 2.0));
        times.map(|time| Point { time, value }).collect()
    };
    let air = Air { temperature: series(temperature), humidity: series(humidity) };
    Room::new(&[(f64::NEG_INFINITY, Some(&air))], MADE, now * HOUR)
}
