//! Planned steps that nobody confirmed, of pots whose truth is known: the shelf's own physics
//! (diffusion in slabs, heat balance), which shares nothing with the estimator's, dries them with
//! the step or without it.

use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use warecast::answers::Taught;
use warecast::answers::plan::unconfirmed;
use warecast::records::{
    Action, Air, Body, Cover, HandlingRow, Name, Point, Pot, Studio, Weighings,
};
use warecast::simulate::pot::{ClayPot, Shape, Throwing};
use warecast::simulate::room::Room;
use warecast::simulate::scale::{RoomSensor, bench};
use warecast::simulate::scenario::FINE;
use warecast::simulate::surface::RoomAir;
use warecast::units::{HOUR, Time};

/// Monday 31 March 2031, midnight UTC.
const MONDAY: Time = Time(1_932_681_600_000_000);
const STEP: f64 = 300.0;
/// A damp place.
const CELLAR: &str = "cellar";
/// How many pots of each kind.
const POTS: u64 = 12;

/// How likely a step was taken, of pots for which it was planned after some hours, if it was or was
/// not, some more hours later.
fn told(planned: &Action, was_done: bool, (hours, more): (f64, f64)) -> Vec<Option<f64>> {
    let one = |seed| {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut room = Room::new(0.0, Xoshiro256PlusPlus::from_rng(&mut rng));
        let mut sensor = RoomSensor::new(Xoshiro256PlusPlus::from_rng(&mut rng));
        let ball_g = rng.random_range(700.0..1600.0_f64).round();
        let (wall, base) = (7.0, rng.random_range(12.0..16.0_f64).round());
        let mut off = || 1.0 + rng.random_range(-0.12..0.12);
        let (wall_mm, base_mm) = (wall * off(), base * off());
        let shape = Shape { ball_g, wall_mm, base_mm, base_share: 0.3, inside: 0.5, height: 0.13 };
        let throwing = Throwing { slip: 0.03, water: 0.01 };
        let mut pot = ClayPot::thrown(FINE, shape, throwing, off());
        let mut places = [Name::new(), CELLAR.into()].map(|place| (place, Air::default()));
        let (mut weighings, mut in_cellar) = (Vec::new(), false);
        let mut t = 0.0;
        while t < (hours + more) * HOUR {
            t += STEP;
            let above = room.step(STEP);
            // Half way to the air over water.
            let damp =
                RoomAir { vapour: 0.5 * (above.vapour + above.vapour / above.humidity()), ..above };
            let time = MONDAY.plus(t);
            for ((_, air), around) in places.iter_mut().zip([&above, &damp]) {
                let (celsius, humidity) = sensor.read(around);
                air.temperature.push(Point { time, value: celsius });
                air.humidity.push(Point { time, value: humidity / 100.0 });
            }
            pot.step(STEP, if in_cellar { &damp } else { &above });
            if (t - hours * HOUR).abs() < 1.0 && was_done {
                match planned {
                    Action::Cover(cover) => pot.cover(*cover),
                    Action::Flip => pot.flip(),
                    _ => in_cellar = true,
                }
            }
            if t % (2.0 * HOUR) == 0.0 {
                weighings.push(Point { time, value: bench(pot.truth().mass_g) });
            }
        }
        let name = Name::from("planter");
        let body = Body {
            name: "tide".into(),
            bag_water_wet: Some(FINE.bag_water),
            trim_from_dry: Some(0.235),
            trim_to_dry: Some(0.165),
        };
        let noted = Pot {
            ball_g: Some(ball_g),
            wall_mm: Some(wall),
            base_mm: Some(base),
            ..Pot::bare(&name, "tide", MONDAY)
        };
        let time = MONDAY.plus(hours * HOUR);
        let row = HandlingRow { time, pot: name.clone(), action: planned.clone() };
        let studio = Studio {
            at: MONDAY.plus(t),
            bodies: [(body.name.clone(), body)].into(),
            pots: [(name.clone(), noted)].into(),
            handling: [(name.clone(), vec![row.clone()])].into(),
            weighings: [(name, Weighings(weighings))].into(),
            air: places.into(),
            ..Studio::default()
        };
        unconfirmed(&studio, &Taught::new(&studio), &[row], 0.9)[0].done
    };
    (1..=POTS).map(one).collect()
}

/// No step is believed to be the other way round; of covers and moves nearly all are known for what
/// they were after a day, of a thick pot's turning over, two days later, some.
#[test]
fn weights_never_say_the_wrong_thing_of_a_step() {
    let cellar = Action::Move(CELLAR.into());
    for (action, when, least) in [
        (Action::Cover(Cover::Wrapped), (12.0, 12.0), 10),
        (Action::Cover(Cover::Draped), (12.0, 24.0), 10),
        (cellar, (12.0, 24.0), 10),
        (Action::Flip, (20.0, 24.0), 0),
        (Action::Flip, (44.0, 48.0), 2),
    ] {
        let [done, not] = [true, false].map(|was_done| told(&action, was_done, when));
        println!("{action:?}\n  done {done:.2?}\n  not {not:.2?}");
        let refuted =
            |all: &[Option<f64>]| all.iter().filter(|p| p.is_some_and(|p| p < 0.1)).count();
        let borne_out =
            |all: &[Option<f64>]| all.iter().filter(|p| p.is_some_and(|p| p > 0.9)).count();
        assert_eq!((refuted(&done), borne_out(&not)), (0, 0), "{action:?}: {done:.2?} {not:.2?}");
        let known = (borne_out(&done), refuted(&not));
        assert!(known.0 >= least && known.1 >= least, "{action:?}: {done:.2?} {not:.2?}");
    }
}
