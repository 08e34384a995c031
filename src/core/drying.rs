//! One pot forward in time, given the air around it and what is done to it.
//!
//! A pot is two slabs of clay in which water moves by diffusion: a *wall* that dries on both faces,
//! and a *base* that dries on its inside while the pot stands on its foot, and on both faces once
//! it stands on its rim. Water leaves a face as fast as the air takes it up or the clay brings it
//! on, whichever is slower: the constant-rate stage, the falling rate and the slow tail of a thick
//! base all follow from that, with thickness squared.
//!
//! - Face: evaporation `g·(a·p_s(T_pot) − p_v)`, `a` the water activity of the clay at the face
//!   (desorption isotherm, GAB), `g` a conductance per area. A cover is a conductance in series:
//!   `g = g_open·c/(1+c)`.
//! - Heat: evaporation makes a face colder than the room, by the balance of
//!   [`crate::core::air::still_air_factor`]. How far the faces of a pot share their temperature is
//!   an unknown: heat runs some centimetres along a wall. Where they share it, a base that is still
//!   wet when the wall is dry is as warm as the room and dries about twice as fast.
//! - Inside: Fick's law with a diffusivity that rises with water content (Crank, *The Mathematics
//!   of Diffusion*, 2nd ed. 1975; Ketelaars et al., Chem. Eng. Sci. 50 (1995) 1187 on how far an
//!   apparent diffusivity of clay can be trusted).
//!
//! Finite volumes, backward Euler in time, the face solved by Newton's method at each step. Water
//! leaves the cells exactly as fast as it crosses the faces: mass is conserved to rounding.
//!
//! [`LANES`] pots with different parameters move side by side through the same history: one call
//! gives a fit its derivatives, or a forecast a handful of its draws.

use crate::core::clay::Sorption;
use crate::core::registers::Register;
use pulp::{Arch, Simd, WithSimd};
use std::ops::{Add, Mul, Sub};

/// How many parameter sets move side by side.
pub const LANES: usize = 8;

/// One value for each parameter set.
pub type Lane = [f64; LANES];

/// Cells in half a wall (it is symmetric) and through a base.
const WALL_CELLS: usize = 3;
const BASE_CELLS: usize = 5;

/// Dry clay per volume of wet clay, kg/m³. From 1/(1/ρ_s + X/ρ_w) with grains of 2,600 kg/m³ at a
/// throwing water of X = 0.25: 1,576; X = 0.2: 1,711. Thickness and conductance scatter more.
pub const DRY_DENSITY: f64 = 1600.0;

/// Water content (dry basis) at which the diffusivity of a body is stated.
pub const DIFFUSIVITY_AT: f64 = 0.10;

/// Relative rise of the diffusivity per unit of water content above [`DIFFUSIVITY_AT`]. Apparent
/// diffusivities of clays rise severalfold from 0.05 to 0.20 (order of magnitude from the
/// parameters of an unfired clay brick, Künzel form); the straight line is cheap and the level is
/// fitted.
const DIFFUSIVITY_SLOPE: f64 = 5.0;

/// Share of a wall's exposure that is its inside's: a half of a plate's, less of what is deep
/// (inferred, no source).
const WALL_INSIDE: f64 = 0.35;

/// How wide the corner is rounded where the water activity of the clay reaches one. It has no edge:
/// a fit would come to a halt there.
const ACTIVITY_CORNER: f64 = 0.04;

/// The parameters of a pot, one per lane.
#[derive(Clone, Copy, Debug)]
pub struct PotPhysics {
    /// Dry clay, g.
    pub dry_g: Lane,
    /// Water at the start, kg/kg dry basis, even through the pot.
    pub water: Lane,
    /// Share of the dry clay that is base.
    pub base_share: Lane,
    /// Wall thickness, m.
    pub wall_m: Lane,
    /// Base thickness, m.
    pub base_m: Lane,
    /// Conductance of a face to the open air, kg/(s·m²·Pa).
    pub conductance: Lane,
    /// Cover conductance over open conductance, by cover (the open entry is not used).
    pub cover: [Lane; 4],
    /// Exposure of the base's inside, relative to a wall face, standing on the foot.
    pub base_inside: Lane,
    /// Exposure of the base's underside, relative to a wall face, standing on the rim.
    pub underside: Lane,
    /// Diffusivity at [`DIFFUSIVITY_AT`], m²/s.
    pub diffusivity: Lane,
    /// How open the inside stays to the room on the rim, of how open it is on the foot: 0 to 1.
    pub rim_open: Lane,
    /// How far the faces share one temperature, 0 (each its own) to 1 (the pot's).
    pub shared: Lane,
    /// Monolayer water of the desorption isotherm, kg/kg dry basis.
    pub monolayer: Lane,
    /// Shape of the isotherm, common to all lanes (its monolayer is not used).
    pub isotherm: Sorption,
}

/// The air over one step of time.
#[derive(Clone, Copy, Debug)]
pub struct StepAir {
    /// Saturation pressure at the room's temperature, Pa.
    pub saturation: f64,
    /// Slope of the saturation curve over the still-air psychrometric constant.
    pub cooling: f64,
    /// Vapour pressure of the room over its saturation pressure, by lane.
    pub humidity: Lane,
}

/// How a pot stands over one step of time.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StepKeeping {
    /// Index into [`crate::records::Cover::ALL`].
    pub cover: usize,
    /// On its rim, by lane.
    pub flipped: [bool; LANES],
}

/// Water in the clay of a pot, by cell and lane.
#[derive(Clone, Debug)]
pub struct PotState {
    wall: [Lane; WALL_CELLS],
    base: [Lane; BASE_CELLS],
    face: [Lane; 3],
    /// By how much each of the first two faces was drier in the last step than its cell.
    drop: [Lane; 2],
    dry_g: Lane,
    base_share: Lane,
    wall_m: Lane,
    base_m: Lane,
}

/// Share of the shavings that comes from the base when a foot is trimmed; the rest is the foot of
/// the wall (common practice, no source: more is cut away round the base than under it).
const SHAVINGS_FROM_BASE: f64 = 0.3;

/// Diffusivity at some water (dry basis, not negative) over that at [`DIFFUSIVITY_AT`].
#[inline(always)]
pub fn diffusivity_rise<T: Sub<f64, Output = T>>(water: T) -> T
where
    f64: Add<T, Output = T> + Mul<T, Output = T>,
{
    1.0 + DIFFUSIVITY_SLOPE * (water - DIFFUSIVITY_AT)
}

#[inline(always)]
fn each(f: impl Fn(usize) -> f64) -> Lane {
    let mut out = [0.0; LANES];
    for (l, value) in out.iter_mut().enumerate() {
        *value = f(l);
    }
    out
}

impl PotState {
    /// A pot as it comes off the wheel: evenly wet.
    pub fn new(p: &PotPhysics) -> PotState {
        PotState {
            wall: [p.water; WALL_CELLS],
            base: [p.water; BASE_CELLS],
            face: [p.water; 3],
            drop: [[0.0; LANES]; 2],
            dry_g: p.dry_g,
            base_share: p.base_share,
            wall_m: p.wall_m,
            base_m: p.base_m,
        }
    }

    /// Mean water of the wall, kg/kg dry basis.
    pub fn wall_water(&self) -> Lane {
        each(|l| self.wall.iter().map(|c| c[l]).sum::<f64>() / WALL_CELLS as f64)
    }

    /// Mean water of the base, kg/kg dry basis.
    pub fn base_water(&self) -> Lane {
        each(|l| self.base.iter().map(|c| c[l]).sum::<f64>() / BASE_CELLS as f64)
    }

    /// Mean water of the whole pot, kg/kg dry basis.
    pub fn mean_water(&self) -> Lane {
        let (w, b) = (self.wall_water(), self.base_water());
        each(|l| w[l] + self.base_share[l] * (b[l] - w[l]))
    }

    /// Water of the wettest part, kg/kg dry basis.
    pub fn wettest(&self) -> Lane {
        let [wall, base] = self.wettest_parts();
        each(|l| wall[l].max(base[l]))
    }

    /// Water of the wettest part of the wall and of the base, kg/kg dry basis.
    pub fn wettest_parts(&self) -> [Lane; 2] {
        let most =
            |cells: &[Lane]| each(|l| cells.iter().map(|c| c[l]).fold(f64::NEG_INFINITY, f64::max));
        [most(&self.wall), most(&self.base)]
    }

    /// How unevenly wet it is, through the wall, through the base, and between the two on the
    /// whole: by how much the wettest place is wetter than the driest, where water below `shrunk`
    /// counts as that much, for there the clay shrinks no more; kg/kg dry basis.
    ///
    /// Of a base's underside the middle of its last cell counts, a tenth of the way in.
    pub fn differences(&self, shrunk: f64) -> [Lane; 3] {
        let through = |cells: &[Lane], drop: &Lane| {
            each(|l| {
                let counted = cells.iter().map(|c| c[l].max(shrunk));
                let most = counted.clone().fold(shrunk, f64::max);
                // The face was solved before its cell moved on: it moves along.
                most - counted.fold((cells[0][l] - drop[l]).max(shrunk), f64::min)
            })
        };
        let mean = |cells: &[Lane], l: usize| {
            cells.iter().map(|c| c[l].max(shrunk)).sum::<f64>() / cells.len() as f64
        };
        [
            through(&self.wall, &self.drop[0]),
            through(&self.base, &self.drop[1]),
            each(|l| (mean(&self.base, l) - mean(&self.wall, l)).abs()),
        ]
    }

    /// Thickness of wall and base, m.
    pub fn thickness_m(&self) -> [Lane; 2] {
        [self.wall_m, self.base_m]
    }

    /// Dry clay, g.
    pub fn dry_g(&self) -> Lane {
        self.dry_g
    }

    /// Mass of the pot, g.
    pub fn mass_g(&self) -> Lane {
        self.mass_with(&self.mean_water())
    }

    /// Mass of its clay with so much water, kg/kg dry basis, g.
    pub fn mass_with(&self, water: &Lane) -> Lane {
        each(|l| self.dry_g[l] * (1.0 + water[l]))
    }

    /// Cuts away this share of the dry clay, by lane; its water goes with it.
    pub fn trim(&mut self, share: &Lane) {
        for (l, &asked) in share.iter().enumerate() {
            let cut = asked.clamp(0.0, 0.8);
            let base = self.base_share[l];
            let from_base = (SHAVINGS_FROM_BASE * cut).min(0.6 * base);
            // A pot that is nearly all base has little wall to give.
            let from_wall = (cut - from_base).min(0.8 * (1.0 - base));
            let cut = from_base + from_wall;
            self.base_m[l] *= 1.0 - from_base / base.max(1e-9);
            self.wall_m[l] *= 1.0 - from_wall / (1.0 - base).max(1e-9);
            self.base_share[l] = (base - from_base) / (1.0 - cut);
            self.dry_g[l] *= 1.0 - cut;
        }
    }

    /// Adds wet clay to the wall, g by lane, with its own water (kg/kg dry basis).
    pub fn attach(&mut self, wet_g: &Lane, water: f64) {
        for (l, &grams) in wet_g.iter().enumerate() {
            let new = (grams / (1.0 + water)).max(0.0);
            let wall = self.dry_g[l] * (1.0 - self.base_share[l]);
            let share = new / (wall + new);
            for c in &mut self.wall {
                c[l] += share * (water - c[l]);
            }
            self.base_share[l] *= self.dry_g[l] / (self.dry_g[l] + new);
            self.dry_g[l] += new;
        }
    }

    /// Brings water on (positive) or takes it off (negative), kg/kg dry basis by lane, alike
    /// everywhere: the mean moves by just so much, down to none. What a part has not to give the
    /// others give.
    pub fn wet(&mut self, water: &Lane) {
        let mean = self.mean_water();
        let goal = each(|l| (mean[l] + water[l]).max(0.0));
        // Each pass comes to the goal or empties a cell.
        for _ in 0..=WALL_CELLS + BASE_CELLS {
            let mean = self.mean_water();
            let some = |cells: &[Lane], l: usize| {
                let some = cells.iter().filter(|c| c[l] > 0.0 || water[l] > 0.0).count();
                some as f64 / cells.len() as f64
            };
            let left = each(|l| {
                let (wall, base) = (some(&self.wall, l), some(&self.base, l));
                let giving = wall + self.base_share[l] * (base - wall);
                if giving > 0.0 { (goal[l] - mean[l]) / giving } else { 0.0 }
            });
            if left.iter().all(|x| x.abs() < 1e-12) {
                break;
            }
            for c in self.wall.iter_mut().chain(&mut self.base) {
                for l in 0..LANES {
                    if c[l] > 0.0 || water[l] > 0.0 {
                        c[l] = (c[l] + left[l]).max(0.0);
                    }
                }
            }
        }
    }

    /// Moves on by `dt` seconds. `gain` multiplies the conductance, by lane (draughts).
    ///
    /// Done in the widest registers that the processor has; what comes of it is the same to the
    /// bit.
    pub fn step(
        &mut self,
        p: &PotPhysics,
        air: &StepAir,
        keeping: StepKeeping,
        gain: &Lane,
        dt: f64,
    ) {
        let flipped = &keeping.flipped;
        let shut = each(|l| if flipped[l] { 1.0 - p.rim_open[l] } else { 0.0 });
        let wall = each(|l| 1.0 - WALL_INSIDE * shut[l]);
        let on_rim = |l: usize| p.underside[l] * p.rim_open[l];
        let inside = each(|l| if flipped[l] { on_rim(l) } else { p.base_inside[l] });
        let under = each(|l| if flipped[l] { p.underside[l] } else { 0.0 });
        let exposure = (wall, inside, flipped.contains(&true).then_some(under));
        let cover = keeping.cover;
        Arch::new().dispatch(Step { pot: self, p, air, cover, exposure, gain, dt });
    }
}

/// One step of time.
struct Step<'a> {
    pot: &'a mut PotState,
    p: &'a PotPhysics,
    air: &'a StepAir,
    cover: usize,
    /// Exposure of the wall, of the base's inside, and of its underside if a lane is on its rim.
    exposure: (Lane, Lane, Option<Lane>),
    gain: &'a Lane,
    dt: f64,
}

impl WithSimd for Step<'_> {
    type Output = ();

    // All that it calls is inlined, or it would be made for the least of processors; so no closure
    // reckons with registers.
    #[inline(always)]
    fn with_simd<S: Simd>(mut self, simd: S) {
        for part in 0..LANES / S::F64_LANES {
            self.part(simd, part);
        }
    }
}

impl Step<'_> {
    /// The step of those lanes that fill the `part`-th register.
    #[inline(always)]
    fn part<S: Simd>(&mut self, simd: S, part: usize) {
        let (pot, p, air) = (&mut *self.pot, self.p, self.air);
        let lanes = |lane: &Lane| Register::of(simd, lane, part);
        let clay = Clay {
            shape: &p.isotherm,
            monolayer: lanes(&p.monolayer),
            diffusivity: lanes(&p.diffusivity),
        };
        let mut faces = gathered(simd, &pot.face, part);
        let wall = (lanes(&self.exposure.0), clay.activity(faces[0]));
        let inside = (lanes(&self.exposure.1), clay.activity(faces[1]));
        // Faces that share their temperature count by area and exposure, for heat as for vapour.
        let share = lanes(&pot.base_share);
        let [of_wall, of_base] = [
            2.0 * (1.0 - share) / lanes(&pot.wall_m).at_least(1e-6) * wall.0,
            share / lanes(&pot.base_m).at_least(1e-6),
        ];
        let mut area = of_wall + of_base * inside.0;
        let mut wet = of_wall * wall.1.0 + of_base * inside.0 * inside.1.0;
        let mut under = None;
        if let Some(exposure) = &self.exposure.2 {
            let (exposure, activity) = (lanes(exposure), clay.activity(faces[2]));
            area = area + of_base * exposure;
            wet = wet + of_base * exposure * activity.0;
            under = Some((exposure, activity));
        }
        let open = match self.cover {
            0 => Register::all(simd, 1.0),
            c => lanes(&p.cover[c]) / (1.0 + lanes(&p.cover[c])),
        };
        let around = Around {
            humidity: lanes(&air.humidity),
            saturation: air.saturation,
            cooling: open * air.cooling,
            reach: open * lanes(self.gain) * lanes(&p.conductance),
            shared: lanes(&p.shared),
        };
        let colder = around.colder(wet / area);
        let wall = around.before(wall, colder);
        let inside = around.before(inside, colder);
        #[expect(clippy::manual_map, reason = "a closure is not made for the widest registers")]
        let under = match under {
            Some(face) => Some(around.before(face, colder)),
            None => None,
        };
        let [f0, f1, f2] = &mut faces;
        let half_wall = Slab { clay: &clay, thickness: 0.5 * lanes(&pot.wall_m), dt: self.dt };
        let (wall_cells, base_cells) =
            (gathered(simd, &pot.wall, part), gathered(simd, &pot.base, part));
        let wall = half_wall.step(wall_cells, Some((f0, &wall)), None);
        let base = Slab { clay: &clay, thickness: lanes(&pot.base_m), dt: self.dt };
        let under = under.as_ref().map(|under| (f2, under));
        let base = base.step(base_cells, Some((f1, &inside)), under);
        (wall_cells[0] - faces[0]).put(&mut pot.drop[0], part);
        (base_cells[0] - faces[1]).put(&mut pot.drop[1], part);
        pot.wall.iter_mut().zip(wall).for_each(|(cell, x)| x.put(cell, part));
        pot.base.iter_mut().zip(base).for_each(|(cell, x)| x.put(cell, part));
        pot.face.iter_mut().zip(faces).for_each(|(face, x)| x.put(face, part));
    }
}

/// The `part`-th register of the lanes of some cells.
#[inline(always)]
fn gathered<S: Simd, const N: usize>(simd: S, cells: &[Lane; N], part: usize) -> [Register<S>; N] {
    let mut out = [Register::all(simd, 0.0); N];
    for (out, cell) in out.iter_mut().zip(cells) {
        *out = Register::of(simd, cell, part);
    }
    out
}

/// What is around all faces of a pot.
struct Around<S: Simd> {
    /// Vapour pressure of the room over its saturation pressure.
    humidity: Register<S>,
    /// Saturation pressure at the room's temperature, Pa.
    saturation: f64,
    /// [`StepAir::cooling`] under the cover.
    cooling: Register<S>,
    /// Conductance of a face of exposure 1, kg/(s·m²·Pa).
    reach: Register<S>,
    /// How far the faces share one temperature.
    shared: Register<S>,
}

impl<S: Simd> Around<S> {
    /// The air before a face of this exposure, with its water activity as it is and the slope of
    /// that; where faces share their temperature the saturation pressure is by `colder` lower, Pa.
    #[inline(always)]
    fn before(
        &self,
        (exposure, wetness): (Register<S>, (Register<S>, Register<S>)),
        colder: Register<S>,
    ) -> Outside<S> {
        let own = self.colder(wetness.0);
        Outside {
            reach: exposure * self.reach,
            wet: self.saturation - (self.shared * colder + (1.0 - self.shared) * own),
            room: self.saturation * self.humidity,
            wetness,
        }
    }

    /// By how much the saturation pressure at a face of this activity is below the room's, Pa:
    /// evaporation cools it, the room warms it.
    #[inline(always)]
    fn colder(&self, activity: Register<S>) -> Register<S> {
        self.cooling * self.saturation * (activity - self.humidity)
            / (1.0 + self.cooling * activity)
    }
}

/// The air before one face.
struct Outside<S: Simd> {
    /// Conductance, kg/(s·m²·Pa).
    reach: Register<S>,
    /// Saturation pressure at the pot's temperature, Pa.
    wet: Register<S>,
    /// Vapour pressure of the room, Pa.
    room: Register<S>,
    /// Water activity of the face as it is, and its slope.
    wetness: (Register<S>, Register<S>),
}

impl<S: Simd> Outside<S> {
    /// Solves the face: as much leaves to the air as comes through the half cell behind it.
    /// `water` is that cell's, `carry` its conductance to the face in kg/(s·m²) per unit of water.
    /// Gives the flux and its slope, both per area.
    #[inline(always)]
    fn solve(
        &self,
        clay: &Clay<S>,
        face: &mut Register<S>,
        water: Register<S>,
        carry: Register<S>,
    ) -> (Register<S>, Register<S>) {
        let (nearer, _) = self.newton(*face, self.wetness, water, carry);
        let (found, slope) = self.newton(nearer, clay.activity(nearer), water, carry);
        *face = found;
        (carry * (water - found), slope)
    }

    /// One step of Newton's method from a face of this activity and slope; with the slope of the
    /// flux by the cell's water.
    #[inline(always)]
    fn newton(
        &self,
        face: Register<S>,
        (activity, steep): (Register<S>, Register<S>),
        water: Register<S>,
        carry: Register<S>,
    ) -> (Register<S>, Register<S>) {
        let flux = self.reach * (activity * self.wet - self.room);
        let slope = self.reach * self.wet * steep;
        let over = 1.0 / (slope + carry);
        let miss = flux - carry * (water - face);
        ((face - miss * over).at_least(0.0), carry * slope * over)
    }
}

/// The clay of a pot.
struct Clay<'a, S: Simd> {
    shape: &'a Sorption,
    monolayer: Register<S>,
    diffusivity: Register<S>,
}

impl<S: Simd> Clay<'_, S> {
    /// Water activity at the given water and its slope; the corner at one is rounded.
    #[inline(always)]
    fn activity(&self, water: Register<S>) -> (Register<S>, Register<S>) {
        let (c, k, w) = (self.shape.c, self.shape.k, ACTIVITY_CORNER);
        let x = water.at_least(1e-9);
        let b = self.monolayer * c - x * (c - 2.0);
        let root = (b * b + 4.0 * x * x * (c - 1.0)).sqrt();
        // Divisions take most of the time: one serves both quotients, by `root` and by `b + root`.
        let over = 1.0 / (root * (b + root));
        let y = 2.0 * x * root * over;
        let steep = (1.0 + (c - 2.0) * y - (c - 1.0) * y * y) * (b + root);
        let slope = steep * over * (1.0 / k);
        let v = y * (1.0 / k);
        // a² θ − a (1 + v) + v = 0 with θ a little below one: v, but never above one.
        let apart = ((1.0 - v) * (1.0 - v) + w * w * v).sqrt();
        let under = 1.0 + v + apart;
        let over = 1.0 / (apart * under * under);
        let turns = v * (0.5 * w * w - (1.0 - v));
        let rounded = 2.0 * ((1.0 + apart) * apart - turns) * over;
        (2.0 * v * apart * under * over, slope * rounded)
    }
}

/// One slab over one step of time.
struct Slab<'a, S: Simd> {
    clay: &'a Clay<'a, S>,
    thickness: Register<S>,
    dt: f64,
}

impl<S: Simd> Slab<'_, S> {
    /// Where the cells come to; `first` and `last` are the faces before the first and behind the
    /// last cell, `None` where nothing passes.
    #[inline(always)]
    fn step<const N: usize>(
        &self,
        x: [Register<S>; N],
        first: Option<(&mut Register<S>, &Outside<S>)>,
        last: Option<(&mut Register<S>, &Outside<S>)>,
    ) -> [Register<S>; N] {
        let cell = self.thickness * (1.0 / N as f64);
        // Conductance through one cell of the diffusivity at its stated water, kg/(s·m²).
        let unit = DRY_DENSITY * self.clay.diffusivity / cell;
        let hold = cell * (DRY_DENSITY / self.dt);
        let mut diagonal = [hold; N];
        let mut right = [0.0 * hold; N];
        let mut between = right;
        for i in 0..N - 1 {
            let k = unit * diffusivity_rise(0.5 * (x[i] + x[i + 1]));
            let flux = k * (x[i] - x[i + 1]);
            right[i] = right[i] - flux;
            right[i + 1] = flux;
            diagonal[i] = diagonal[i] + k;
            diagonal[i + 1] = diagonal[i + 1] + k;
            between[i] = k;
        }
        for (end, face) in [(0, first), (N - 1, last)] {
            if let Some((face, outside)) = face {
                let half = 2.0 * unit * diffusivity_rise(x[end]);
                let (flux, slope) = outside.solve(self.clay, face, x[end], half);
                right[end] = right[end] - flux;
                diagonal[end] = diagonal[end] + slope;
            }
        }
        // Thomas algorithm for the symmetric tridiagonal system.
        let mut over = [1.0 / diagonal[0]; N];
        for i in 1..N {
            let m = between[i - 1] * over[i - 1];
            over[i] = 1.0 / (diagonal[i] - m * between[i - 1]);
            right[i] = right[i] + m * right[i - 1];
        }
        right[N - 1] = right[N - 1] * over[N - 1];
        for i in (0..N - 1).rev() {
            right[i] = (right[i] + between[i] * right[i + 1]) * over[i];
        }
        for i in 0..N {
            right[i] = (x[i] + right[i]).at_least(0.0);
        }
        right
    }
}
