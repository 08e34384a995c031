//! One pot of the made-up shelf: a wall that dries on two faces, and a base that stands on its
//! board until the pot is stood on its rim.
//!
//! Wall and base are slabs of their own; the water that creeps round the corner between them is
//! left out. What the faces lose is what the scale loses, to rounding.

use super::clay::Clay;
use super::slab::Slab;
use super::surface::{Face, RoomAir};
use crate::records::Cover;

/// What the shape of a pot comes to for its drying.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Shape {
    /// Ball of clay as weighed, g.
    pub ball_g: f64,
    /// Wet thickness of the wall, mm.
    pub wall_mm: f64,
    /// Wet thickness of the base, mm.
    pub base_mm: f64,
    /// Share of the clay that lies in the base.
    pub base_share: f64,
    /// How open the inside is to the room: 1 a plate, 0.6 a planter, 0.25 a jar with a lid.
    pub inside: f64,
    /// Height, m.
    pub height: f64,
}

/// What happened to the clay on the wheel.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Throwing {
    /// Share of the dry clay that went into the slip bucket; 0.015–0.05.
    pub slip: f64,
    /// Water that the clay took up on the wheel, dry basis; about 0.01.
    pub water: f64,
}

/// Conductance of a cover as a share of an open surface's.
///
/// Unbroken film passes 1/200 to 1/500 of open drying; leakage round its edges sets the rate. The
/// size is what common practice implies (hours open, days loosely covered, weeks tight).
pub fn cover_factor(cover: Cover) -> f64 {
    match cover {
        Cover::Open => f64::INFINITY,
        Cover::Draped => 0.30,
        Cover::Wrapped => 0.05,
        Cover::Cupboard => 0.08,
    }
}

/// A slab of clay with its size.
#[derive(Clone, PartialEq, Debug)]
struct Part {
    slab: Slab,
    dry_kg: f64,
    /// Area of one face when it was thrown, m².
    area: f64,
    /// Volume per dry clay when it was thrown, m³/kg.
    thrown: f64,
}

impl Part {
    fn new(clay: &Clay, dry_kg: f64, thickness_mm: f64, water: f64) -> Part {
        let thrown = 1.0 / clay.density(water);
        Part {
            slab: Slab::even(water),
            dry_kg,
            area: dry_kg * thrown / (1e-3 * thickness_mm),
            thrown,
        }
    }

    /// Moves on by `dt` seconds; gives the water lost, kg.
    fn step(&mut self, dt: f64, clay: &Clay, air: &RoomAir, faces: [Face; 2]) -> f64 {
        // The faces shrink with the part: area goes with the volume's two thirds.
        let shrunk = 1.0 / (clay.density(self.slab.mean()) * self.thrown);
        let area = self.area * shrunk.powf(2.0 / 3.0);
        let celsius = air.celsius;
        let loss = faces.map(|face| {
            let curve = face.curve(air);
            move |x: f64| curve.rate(clay.activity(x))
        });
        let through = self.slab.step(
            dt,
            self.dry_kg / area,
            |x| clay.conductivity(x, celsius),
            [&loss[0], &loss[1]],
        );
        area * (through[0] + through[1])
    }
}

/// The truth about a pot.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Truth {
    /// Clay and water, g.
    pub mass_g: f64,
    /// Dry clay, g.
    pub dry_mass_g: f64,
    /// Mean water, dry basis.
    pub water: f64,
    /// Mean water of the wall, dry basis.
    pub wall: f64,
    /// Mean water of the base, dry basis.
    pub base: f64,
    /// Water of the wettest layer, dry basis.
    pub wettest: f64,
}

/// A pot that dries.
#[derive(Clone, PartialEq, Debug)]
pub struct ClayPot {
    clay: Clay,
    wall: Part,
    base: Part,
    inside: f64,
    height: f64,
    /// How lively the air is where it stands, against the room's.
    site: f64,
    cover: Cover,
    on_its_rim: bool,
}

impl ClayPot {
    /// Off the wheel, open, on its foot. `site`: how lively the air is where it stands (1: as in
    /// the room).
    pub fn thrown(clay: Clay, shape: Shape, throwing: Throwing, site: f64) -> ClayPot {
        let dry = 1e-3 * shape.ball_g * (1.0 - clay.bag_water) * (1.0 - throwing.slip);
        let water = clay.bag_water / (1.0 - clay.bag_water) + throwing.water;
        let base = dry * shape.base_share;
        ClayPot {
            clay,
            wall: Part::new(&clay, dry - base, shape.wall_mm, water),
            base: Part::new(&clay, base, shape.base_mm, water),
            inside: shape.inside,
            height: shape.height,
            site,
            cover: Cover::Open,
            on_its_rim: false,
        }
    }

    /// Moves on by `dt` seconds in that air; gives the water lost, g.
    pub fn step(&mut self, dt: f64, air: &RoomAir) -> f64 {
        let air = RoomAir { draught: air.draught * self.site, ..*air };
        let face =
            |openness| Face { openness, cover: cover_factor(self.cover), height: self.height };
        // Stood on its rim, a pot closes its inside on the board, but for the gaps.
        let inside = if self.on_its_rim { 0.15 * self.inside } else { self.inside };
        let foot = if self.on_its_rim { 1.0 } else { 0.0 };
        let (wall, base) = ([face(1.0), face(inside)], [face(foot), face(inside)]);
        1e3 * (self.wall.step(dt, &self.clay, &air, wall)
            + self.base.step(dt, &self.clay, &air, base))
    }

    /// How it is kept from now on.
    pub fn cover(&mut self, cover: Cover) {
        self.cover = cover;
    }

    /// Stands it on its rim, or back on its foot.
    pub fn flip(&mut self) {
        self.on_its_rim = !self.on_its_rim;
    }

    /// Cuts away these shares of base and wall; the shavings take their water with them.
    pub fn trim(&mut self, base: f64, wall: f64) {
        self.base.dry_kg *= 1.0 - base;
        self.wall.dry_kg *= 1.0 - wall;
    }

    /// Adds wet clay (g) of that water (dry basis) to the wall: a handle, a knob.
    pub fn attach(&mut self, grams: f64, water: f64) {
        let dry = 1e-3 * grams / (1.0 + water);
        let share = dry / (self.wall.dry_kg + dry);
        self.wall.slab.mix(share, water);
        self.wall.dry_kg += dry;
        self.wall.area /= 1.0 - share;
    }

    /// What a balance that sees everything would say.
    pub fn truth(&self) -> Truth {
        let (wall, base) = (self.wall.slab.mean(), self.base.slab.mean());
        let dry = self.wall.dry_kg + self.base.dry_kg;
        let water = (self.wall.dry_kg * wall + self.base.dry_kg * base) / dry;
        Truth {
            mass_g: 1e3 * dry * (1.0 + water),
            dry_mass_g: 1e3 * dry,
            water,
            wall,
            base,
            wettest: self.wall.slab.wettest().max(self.base.slab.wettest()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::scenario::{COARSE, FINE};
    use crate::units::HOUR;

    const BOWL: Shape = Shape {
        ball_g: 600.0,
        wall_mm: 6.0,
        base_mm: 8.0,
        base_share: 0.25,
        inside: 0.6,
        height: 0.09,
    };
    const THROWING: Throwing = Throwing { slip: 0.03, water: 0.01 };

    fn bowl(clay: Clay) -> ClayPot {
        ClayPot::thrown(clay, BOWL, THROWING, 1.0)
    }

    /// Hours until `done`; at most 60 days.
    fn hours(pot: &mut ClayPot, air: &RoomAir, done: impl Fn(&Truth) -> bool) -> f64 {
        let mut t = 0.0;
        while !done(&pot.truth()) && t < 60.0 * 24.0 {
            pot.step(120.0, air);
            t += 120.0 / HOUR;
        }
        t
    }

    #[test]
    fn what_leaves_the_clay_is_what_the_scale_loses() {
        let mut pot = bowl(COARSE);
        let before = pot.truth().mass_g;
        let mut lost = 0.0;
        for hour in 0..72 {
            match hour {
                10 => pot.cover(Cover::Wrapped),
                20 => pot.cover(Cover::Open),
                21 => pot.flip(),
                _ => {}
            }
            for _ in 0..60 {
                lost += pot.step(60.0, &RoomAir::still(20.0, 0.5));
            }
        }
        assert!(lost > 100.0);
        assert!((before - pot.truth().mass_g - lost).abs() < 1e-6);
    }

    #[test]
    fn a_small_open_pot_keeps_to_common_practice() {
        // Common practice, no source: a ball of 600 g, open at 18–22 °C and 45–60 %, is
        // leather-hard within 4–24 h and bone-dry within 2–7 days.
        for (clay, leather) in [(COARSE, 0.21), (FINE, 0.23)] {
            for (celsius, humidity) in [(18.0, 0.60), (20.0, 0.52), (22.0, 0.45)] {
                let air = RoomAir::still(celsius, humidity);
                let mut pot = bowl(clay);
                let first = hours(&mut pot, &air, |t| t.water <= leather);
                assert!((4.0..24.0).contains(&first), "leather-hard after {first} h");
                let balance = clay.balance(humidity);
                let rest = hours(&mut pot, &air, |t| t.water <= balance + 0.005);
                let days = (first + rest) / 24.0;
                assert!((2.0..7.0).contains(&days), "bone-dry after {days} days");
            }
        }
    }

    #[test]
    fn damp_air_covers_and_thick_clay_are_slower() {
        let dry = |pot: &mut ClayPot, humidity| {
            hours(pot, &RoomAir::still(20.0, humidity), |t| t.water <= 0.20)
        };
        let open = dry(&mut bowl(FINE), 0.5);
        assert!(dry(&mut bowl(FINE), 0.7) > 1.4 * open);
        let mut draped = bowl(FINE);
        draped.cover(Cover::Draped);
        let mut wrapped = bowl(FINE);
        wrapped.cover(Cover::Wrapped);
        let (draped, wrapped) = (dry(&mut draped, 0.5), dry(&mut wrapped, 0.5));
        assert!(2.0 * open < draped && 2.0 * draped < wrapped, "{open} {draped} {wrapped}");
        let thick = Shape { wall_mm: 9.0, base_mm: 12.0, ..BOWL };
        assert!(dry(&mut ClayPot::thrown(FINE, thick, THROWING, 1.0), 0.5) > 1.3 * open);
    }

    #[test]
    fn the_base_lags_until_the_pot_stands_on_its_rim() {
        let air = RoomAir::still(20.0, 0.5);
        let mut pot = bowl(FINE);
        hours(&mut pot, &air, |t| t.water <= 0.18);
        let before = pot.truth();
        assert!(before.base > before.wall + 0.01, "{before:?}");
        let mut left = pot.clone();
        pot.flip();
        for _ in 0..6 * 60 {
            pot.step(60.0, &air);
            left.step(60.0, &air);
        }
        let (flipped, left) = (pot.truth(), left.truth());
        assert!(flipped.base - flipped.wall < left.base - left.wall - 0.01);
        assert!(flipped.base < left.base);
    }

    #[test]
    fn trimming_takes_clay_with_its_water_and_attaching_brings_it() {
        let mut pot = bowl(FINE);
        let air = RoomAir::still(20.0, 0.5);
        hours(&mut pot, &air, |t| t.water <= 0.20);
        let before = pot.truth();
        pot.trim(0.3, 0.05);
        let after = pot.truth();
        assert_eq!((after.wall, after.base), (before.wall, before.base));
        let share = 0.25 * 0.3 + 0.75 * 0.05;
        assert!((after.dry_mass_g - before.dry_mass_g * (1.0 - share)).abs() < 1e-9);
        pot.attach(50.0, 0.25);
        assert!((pot.truth().mass_g - after.mass_g - 50.0).abs() < 1e-9);
        assert!(pot.truth().wall > after.wall);
    }

    #[test]
    fn a_coarse_pot_wrapped_overnight_is_ready_soon_after_it_is_opened() {
        // Common practice, no source: within 0–6 h.
        let air = RoomAir::still(20.0, 0.52);
        let mut pot = bowl(COARSE);
        hours(&mut pot, &air, |t| t.water <= 0.235);
        pot.cover(Cover::Wrapped);
        for _ in 0..14 * 60 {
            pot.step(60.0, &air);
        }
        pot.cover(Cover::Open);
        let more = hours(&mut pot, &air, |t| t.water <= 0.21);
        assert!((0.1..6.0).contains(&more), "{more} h");
    }

    #[test]
    fn days_wrapped_do_not_make_it_bone_dry() {
        // Common practice, no source.
        let mut pot = bowl(COARSE);
        pot.cover(Cover::Wrapped);
        for _ in 0..4 * 24 * 30 {
            pot.step(120.0, &RoomAir::still(20.0, 0.5));
        }
        assert!(pot.truth().water > 0.10, "{}", pot.truth().water);
    }
}
