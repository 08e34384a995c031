//! What the tests of the estimate share: studios made by hand, with one pot in a steady room.
//!
//! The scenario — planters and lidded jars in a shared coastal studio — and every number in it
//! are invented.

#![allow(dead_code, reason = "each test uses a part of it")]

use std::collections::BTreeMap;
use warecast::core::assess_pot;
use warecast::core::report::PotAnswer;
use warecast::records::{Action, Air, Body, HandlingRow, Point, Pot, Studio, Weighings};
use warecast::units::{HOUR, Time};

/// When the pot came off the wheel: 2031-04-02T14:00:00Z.
pub const MADE: Time = Time(1_932_904_800_000_000);

/// One planter in a steady room; times are hours since it was made.
#[derive(Clone, Debug)]
pub struct ByHand {
    pub body: Body,
    pub pot: Pot,
    pub rows: Vec<(f64, Action)>,
    pub weights: Vec<(f64, f64)>,
    /// °C and relative humidity (fraction); `None`: no sensor.
    pub room: Option<(f64, f64)>,
}

impl ByHand {
    /// A small pot of a ball of 600 g, from a bag of 22 % water (wet basis), that stands open.
    pub fn small() -> ByHand {
        let body = Body {
            name: "harbour stoneware".into(),
            bag_water_wet: Some(0.22),
            trim_from_dry: Some(0.23),
            trim_to_dry: Some(0.16),
        };
        let pot = Pot {
            name: "planter".into(),
            body: body.name.clone(),
            made_at: MADE,
            ball_g: Some(600.0),
            tare_g: None,
            wall_mm: Some(6.0),
            base_mm: Some(9.0),
            lot: None,
            board: None,
            like: None,
            place: None,
        };
        let (rows, weights) = (Vec::new(), Vec::new());
        ByHand { body, pot, rows, weights, room: Some((20.0, 0.5)) }
    }

    pub fn room(mut self, temperature: f64, humidity: f64) -> ByHand {
        self.room = Some((temperature, humidity));
        self
    }

    pub fn row(mut self, hours: f64, action: Action) -> ByHand {
        self.rows.push((hours, action));
        self
    }

    pub fn weighed(mut self, hours: f64, grams: f64) -> ByHand {
        self.weights.push((hours, grams));
        self
    }

    /// The studio as it is known some hours after the pot was made: the room's sensor spoke every
    /// half an hour for a day before that and ever since.
    pub fn studio(&self, now: f64) -> Studio {
        let at = MADE.plus(now * HOUR);
        let mut rows: Vec<HandlingRow> = self.rows.iter().map(|r| self.handling(r)).collect();
        rows.retain(|r| r.time <= at || r.action.can_be_planned());
        rows.sort_by_key(|r| r.time);
        let point = |(hours, value): &(f64, f64)| Point { time: hour(*hours), value: *value };
        let weights = self.weights.iter().map(point).filter(|p| p.time <= at).collect();
        let name = || self.pot.name.clone();
        Studio {
            at,
            bodies: BTreeMap::from([(self.body.name.clone(), self.body.clone())]),
            pots: BTreeMap::from([(name(), self.pot.clone())]),
            handling: BTreeMap::from([(name(), rows)]),
            weighings: BTreeMap::from([(name(), Weighings(weights))]),
            air: self.room.iter().map(|room| (String::new(), steady(*room, now))).collect(),
            ..Studio::default()
        }
    }

    /// What is said about the pot some hours after it was made.
    pub fn ask(&self, now: f64) -> PotAnswer {
        assess_pot(&self.studio(now), &self.pot.name).unwrap()
    }

    fn handling(&self, (hours, action): &(f64, Action)) -> HandlingRow {
        HandlingRow { time: hour(*hours), pot: self.pot.name.clone(), action: action.clone() }
    }
}

/// A moment some hours after the pot was made.
pub fn hour(hours: f64) -> Time {
    MADE.plus(hours * HOUR)
}

/// Hours from making to a forecast time; beyond the horizon it is infinite.
pub fn hours(time: Option<Time>) -> f64 {
    time.map_or(f64::INFINITY, |t| t.since(MADE) / HOUR)
}

fn steady((temperature, humidity): (f64, f64), now: f64) -> Air {
    let from = -48;
    let to = (2.0 * now).floor() as i32;
    let series = |value| -> Vec<Point> {
        (from..=to).map(|k| Point { time: hour(f64::from(k) / 2.0), value }).collect()
    };
    Air { temperature: series(temperature), humidity: series(humidity) }
}
