//! Who stands on the made-up shelf: invented bodies, planters and lidded jars of a shared studio
//! by the sea, and what its potters do with them.
//!
//! Nothing here is a real studio, person or product. What a studio would write down (bag water,
//! thickness, ball) is kept apart from what is true: the clay of a lot is wetter or drier than
//! the bag says, slip stays in the bucket, and a wall is not as thick as it was meant to be.

use super::clay::Clay;
use super::pot::{Shape, Throwing};
use crate::records::{Action, Body, Cover, Name};
use crate::units::HOUR;
use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

/// A coarse body with grog, for planters.
pub const COARSE: Clay = Clay {
    bag_water: 0.205,
    diffusivity: 3.2e-10,
    rise: 11.0,
    monolayer: 0.014_897,
    gab_c: 5.0522,
    gab_k: 0.711_27,
    touch: 0.11,
};

/// A fine, smooth body, for jars.
pub const FINE: Clay = Clay {
    bag_water: 0.225,
    diffusivity: 2.2e-10,
    rise: 10.0,
    monolayer: 0.022_122,
    gab_c: 3.5776,
    gab_k: 0.6935,
    touch: 0.16,
};

/// The shelf's name on the line.
pub const SHELF: &str = "shelf-a";

/// What a potter makes, as it is meant to be.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Kind {
    clay: Clay,
    shape: Shape,
    tare_g: f64,
}

const fn kind(clay: Clay, tare_g: f64, ball_g: f64, mm: (f64, f64), rest: (f64, f64, f64)) -> Kind {
    let (base_share, inside, height) = rest;
    let shape = Shape { ball_g, wall_mm: mm.0, base_mm: mm.1, base_share, inside, height };
    Kind { clay, shape, tare_g }
}

const PLANTER: Kind = kind(COARSE, 212.0, 900.0, (6.5, 9.0), (0.28, 0.6, 0.12));
const TALL_PLANTER: Kind = kind(COARSE, 264.0, 1700.0, (7.5, 10.0), (0.22, 0.45, 0.22));
const JAR: Kind = kind(FINE, 198.0, 1000.0, (6.0, 8.0), (0.24, 0.45, 0.14));
const LIDDED_JAR: Kind = kind(FINE, 198.0, 750.0, (5.5, 7.5), (0.25, 0.3, 0.11));
const SAUCER: Kind = kind(COARSE, 150.0, 400.0, (5.0, 6.0), (0.5, 0.95, 0.03));

/// A pot of the scenario: what is written down about it, what is true, and what is done with it.
/// All times are seconds after the shelf's beginning.
#[derive(Clone, PartialEq, Debug)]
pub struct ShelfPot {
    /// Its name.
    pub name: Name,
    /// Its body's name.
    pub body: Name,
    /// When it comes off the wheel.
    pub made: f64,
    /// Its ball of clay, as weighed and as it is.
    pub ball_g: f64,
    /// Wall and base as they were meant to be, mm.
    pub meant_mm: (f64, f64),
    /// Its bat, g.
    pub tare_g: f64,
    /// The lot of its clay.
    pub lot: Name,
    /// The board it stands on.
    pub board: Name,
    /// A sibling that is weighed in its stead.
    pub like: Option<Name>,
    /// Its clay, in truth.
    pub clay: Clay,
    /// Its shape, in truth.
    pub shape: Shape,
    /// What the wheel did to the clay, in truth.
    pub throwing: Throwing,
    /// How lively the air is where it stands, in truth.
    pub site: f64,
    /// What is done with it, in order of time. What lies beyond the scenario's length is a plan.
    pub handling: Vec<(f64, Action)>,
    /// Whether somebody trims it when the hand finds it right, and stands it on its rim to dry.
    pub trimmed: bool,
    /// When it is weighed on the bench scale.
    pub bench: Vec<f64>,
}

/// A shelf with its people.
#[derive(Clone, PartialEq, Debug)]
pub struct Scenario {
    /// Bodies, as the studio knows them.
    pub bodies: Vec<Body>,
    /// Pots.
    pub pots: Vec<ShelfPot>,
    /// Seconds after local midnight at which it begins.
    pub time_of_day: f64,
    /// How long it goes on, s; infinite for a shelf that is only listened to.
    pub length: f64,
}

/// Seconds between the shelf's beginning (eight in the morning of day 0) and a time of a day.
fn at(day: u32, hour: f64) -> f64 {
    (f64::from(day) * 24.0 + hour - DEMO_BEGINS) * HOUR
}

/// Local hour of day 0 at which the demo's shelf begins.
const DEMO_BEGINS: f64 = 8.0;

/// Draws what nobody wrote down.
struct Maker {
    rng: Xoshiro256PlusPlus,
    /// Truth about the water of each lot, against the bag: fraction of wet clay.
    lots: Vec<(Name, f64)>,
}

impl Maker {
    fn normal(&mut self) -> f64 {
        // Two sigma at most: this is an ordinary studio.
        self.rng.sample::<f64, _>(StandardNormal).clamp(-2.0, 2.0)
    }

    fn lot(&mut self, lot: &str) -> f64 {
        if let Some((_, off)) = self.lots.iter().find(|(name, _)| name == lot) {
            return *off;
        }
        let off = 0.005 * self.normal();
        self.lots.push((lot.into(), off));
        off
    }

    fn pot(&mut self, name: &str, kind: &Kind, made: f64, lot: &str, board: &str) -> ShelfPot {
        let meant = kind.shape;
        let ball_g = (meant.ball_g * (1.0 + 0.02 * self.normal()) / 5.0).round() * 5.0;
        let thick = [1.0 + 0.05 * self.normal(), 1.0 + 0.05 * self.normal()];
        ShelfPot {
            name: name.into(),
            body: if kind.clay == COARSE { COARSE_NAME } else { FINE_NAME }.into(),
            made,
            ball_g,
            meant_mm: (meant.wall_mm, meant.base_mm),
            tare_g: kind.tare_g + self.rng.random_range(-6.0_f64..6.0).round(),
            lot: lot.into(),
            board: board.into(),
            like: None,
            clay: Clay { bag_water: kind.clay.bag_water + self.lot(lot), ..kind.clay },
            shape: Shape {
                ball_g,
                wall_mm: meant.wall_mm * thick[0],
                base_mm: meant.base_mm * thick[1],
                ..meant
            },
            throwing: Throwing {
                slip: self.rng.random_range(0.018..0.042),
                water: self.rng.random_range(0.004..0.014),
            },
            // Twins side by side differ by about a tenth in their time.
            site: (0.12 * self.normal()).exp(),
            handling: Vec::new(),
            trimmed: false,
            bench: Vec::new(),
        }
    }
}

impl ShelfPot {
    fn on_cell(mut self, cell: usize) -> ShelfPot {
        self.handling.push((self.made, Action::On(format!("{SHELF}:cell-{cell}"))));
        self
    }

    fn then(mut self, time: f64, action: Action) -> ShelfPot {
        self.handling.push((time, action));
        self
    }

    fn covered(self, time: f64, cover: Cover) -> ShelfPot {
        self.then(time, Action::Cover(cover))
    }

    fn trimmed(mut self) -> ShelfPot {
        self.trimmed = true;
        self
    }
}

const COARSE_NAME: &str = "dune-grog";
const FINE_NAME: &str = "harbour-smooth";

fn bodies() -> Vec<Body> {
    let body = |name: &str, bag, from, to| Body {
        name: name.into(),
        bag_water_wet: Some(bag),
        trim_from_dry: Some(from),
        trim_to_dry: Some(to),
    };
    vec![
        body(COARSE_NAME, COARSE.bag_water, 0.215, 0.150),
        body(FINE_NAME, FINE.bag_water, 0.235, 0.165),
    ]
}

/// The demo's studio: four days of it, ending at half past ten in the morning.
pub fn demo(seed: u64) -> Scenario {
    let mut maker = Maker { rng: Xoshiro256PlusPlus::seed_from_u64(seed), lots: Vec::new() };
    let mut pot = |name: &str, kind: &Kind, made: f64, lot: &str, board: &str| {
        maker.pot(name, kind, made, lot, board)
    };
    let saucer =
        pot("saucer-1", &SAUCER, at(0, 8.25), "dune-bag-7", "board-1").on_cell(1).trimmed();
    let jar_1 = pot("jar-1", &JAR, at(1, 10.0), "harbour-bag-3", "board-1")
        .on_cell(2)
        .covered(at(1, 18.0), Cover::Draped)
        .covered(at(2, 8.5), Cover::Open)
        .trimmed();
    // Forgotten overnight; too late it is stood on its rim.
    let planter_1 = pot("planter-1", &PLANTER, at(2, 9.0), "dune-bag-7", "board-2")
        .on_cell(3)
        .then(at(4, 9.0), Action::Flip);
    let planter_2 = pot("planter-2", &PLANTER, at(3, 11.0), "dune-bag-8", "board-3")
        .on_cell(4)
        .covered(at(3, 18.0), Cover::Wrapped)
        .covered(at(4, 8.0), Cover::Open)
        .then(at(4, 16.0), Action::Flip);
    let mut twin = pot("planter-3", &PLANTER, at(3, 11.25), "dune-bag-8", "board-3")
        .covered(at(3, 18.0), Cover::Wrapped)
        .covered(at(4, 8.0), Cover::Open)
        .then(at(4, 16.0), Action::Flip);
    twin.like = Some("planter-2".into());
    let jar_2 = pot("jar-2", &JAR, at(3, 11.0), "harbour-bag-4", "board-4")
        .on_cell(5)
        .covered(at(3, 16.0), Cover::Wrapped)
        .covered(at(4, 8.0), Cover::Open)
        .then(at(4, 17.5), Action::Flip);
    let tall = pot("tall-planter", &TALL_PLANTER, at(3, 13.0), "dune-bag-8", "board-5")
        .on_cell(6)
        .covered(at(3, 17.5), Cover::Wrapped)
        .covered(at(4, 13.0), Cover::Open)
        .covered(at(4, 18.0), Cover::Draped)
        .then(at(5, 9.0), Action::Flip)
        .covered(at(5, 9.0), Cover::Open);
    let fresh = pot("planter-4", &PLANTER, at(4, 9.25), "dune-bag-8", "board-6")
        .on_cell(7)
        .covered(at(4, 18.0), Cover::Wrapped)
        .covered(at(5, 8.0), Cover::Open)
        .then(at(5, 16.0), Action::Flip);
    let mut jar_3 = pot("jar-3", &LIDDED_JAR, at(2, 10.0), "harbour-bag-4", "board-2")
        .covered(at(2, 18.0), Cover::Draped)
        .covered(at(3, 9.0), Cover::Open)
        .trimmed();
    jar_3.bench = vec![at(2, 10.25), at(2, 17.75), at(3, 9.25), at(3, 17.0), at(4, 8.5)];
    Scenario {
        bodies: bodies(),
        pots: vec![saucer, jar_1, planter_1, planter_2, twin, jar_2, tall, fresh, jar_3],
        time_of_day: DEMO_BEGINS * HOUR,
        length: at(4, 10.5),
    }
}

/// A shelf of `count` pots, thrown one after the other in the hours before it begins; some of
/// them are wrapped for the night. `time_of_day`: seconds after local midnight at its beginning.
pub fn shelf(seed: u64, count: usize, time_of_day: f64) -> Scenario {
    const KINDS: [(&str, Kind); 5] = [
        ("planter", PLANTER),
        ("jar", JAR),
        ("tall-planter", TALL_PLANTER),
        ("lidded-jar", LIDDED_JAR),
        ("saucer", SAUCER),
    ];
    let mut maker = Maker { rng: Xoshiro256PlusPlus::seed_from_u64(seed), lots: Vec::new() };
    let evening = (18.0 * HOUR - time_of_day).rem_euclid(24.0 * HOUR);
    let pots = (0..count)
        .map(|i| {
            let (word, kind) = &KINDS[i % KINDS.len()];
            let name = format!("{word}-{}", i / KINDS.len() + 1);
            let lot = format!("bag-{}", i / 6 + 1);
            let made = -0.1 * HOUR * (count - i) as f64;
            let mut pot = maker.pot(&name, kind, made, &lot, &format!("board-{}", i / 3 + 1));
            pot.trimmed = true;
            let pot = pot.on_cell(i + 1);
            if i % 3 == 1 {
                pot.covered(evening, Cover::Wrapped).covered(evening + 14.0 * HOUR, Cover::Open)
            } else {
                pot
            }
        })
        .collect();
    Scenario { bodies: bodies(), pots, time_of_day, length: f64::INFINITY }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::check_name;

    #[test]
    fn names_keep_the_rules_and_refer_to_what_is_there() {
        for scenario in [demo(1), shelf(1, 12, 0.0)] {
            for pot in &scenario.pots {
                for name in [&pot.name, &pot.body, &pot.lot, &pot.board] {
                    assert_eq!(check_name(name), Ok(()));
                }
                assert!(scenario.bodies.iter().any(|b| b.name == pot.body));
                assert!(pot.handling.is_sorted_by(|a, b| a.0 <= b.0));
                if let Some(like) = &pot.like {
                    assert!(scenario.pots.iter().any(|p| p.name == *like && p.like.is_none()));
                }
            }
        }
    }

    #[test]
    fn another_seed_is_another_shelf_in_the_same_studio() {
        assert_eq!(demo(5), demo(5));
        assert_ne!(demo(5).pots[0].throwing, demo(6).pots[0].throwing);
        assert_eq!(demo(5).pots[0].handling, demo(6).pots[0].handling);
    }
}
