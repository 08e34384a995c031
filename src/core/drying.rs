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
use pulp::{Arch, NullaryFnOnce};

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
#[derive(Clone, Copy, Debug)]
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
pub fn diffusivity_rise(water: f64) -> f64 {
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
        let through = |cells: &[Lane], face: &Lane| {
            each(|l| {
                let counted = cells.iter().map(|c| c[l].max(shrunk));
                let most = counted.clone().fold(shrunk, f64::max);
                most - counted.fold(face[l].max(shrunk), f64::min)
            })
        };
        let mean = |cells: &[Lane], l: usize| {
            cells.iter().map(|c| c[l].max(shrunk)).sum::<f64>() / cells.len() as f64
        };
        [
            through(&self.wall, &self.face[0]),
            through(&self.base, &self.face[1]),
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
        let x = self.mean_water();
        each(|l| self.dry_g[l] * (1.0 + x[l]))
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
        Arch::new().dispatch(Step { pot: self, p, air, keeping, gain, dt });
    }
}

/// One step of time.
struct Step<'a> {
    pot: &'a mut PotState,
    p: &'a PotPhysics,
    air: &'a StepAir,
    keeping: StepKeeping,
    gain: &'a Lane,
    dt: f64,
}

impl NullaryFnOnce for Step<'_> {
    type Output = ();

    // All that it calls is inlined, or it would be made for the least of processors.
    #[inline(always)]
    fn call(self) {
        let Step { pot, p, air, keeping, gain, dt } = self;
        let open: Lane = match keeping.cover {
            0 => [1.0; LANES],
            c => each(|l| p.cover[c][l] / (1.0 + p.cover[c][l])),
        };
        let flipped = &keeping.flipped;
        let on_rim = flipped.contains(&true);
        let shut = each(|l| if flipped[l] { 1.0 - p.rim_open[l] } else { 0.0 });
        let wall = each(|l| 1.0 - WALL_INSIDE * shut[l]);
        let on_rim_inside = each(|l| p.underside[l] * p.rim_open[l]);
        let inside = each(|l| if flipped[l] { on_rim_inside[l] } else { p.base_inside[l] });
        let under = each(|l| if flipped[l] { p.underside[l] } else { 0.0 });
        let of_wall = activity(&p.isotherm, &p.monolayer, &pot.face[0]);
        let of_inside = activity(&p.isotherm, &p.monolayer, &pot.face[1]);
        let of_under = match on_rim {
            true => activity(&p.isotherm, &p.monolayer, &pot.face[2]),
            false => ([0.0; LANES], [0.0; LANES]),
        };
        // Faces that share their temperature count by area and exposure, for heat as for vapour.
        let base = each(|l| pot.base_share[l] / pot.base_m[l].max(1e-6));
        let areas = [
            each(|l| 2.0 * (1.0 - pot.base_share[l]) / pot.wall_m[l].max(1e-6) * wall[l]),
            each(|l| base[l] * inside[l]),
            each(|l| base[l] * under[l]),
        ];
        let all = each(|l| areas[0][l] + areas[1][l] + areas[2][l]);
        let wet = each(|l| {
            areas[0][l] * of_wall.0[l] + areas[1][l] * of_inside.0[l] + areas[2][l] * of_under.0[l]
        });
        let around = Around { air, open: &open, gain, shared: each(|l| wet[l] / all[l]) };
        let wall = around.before(p, &wall, of_wall);
        let inside = around.before(p, &inside, of_inside);
        let under = on_rim.then(|| around.before(p, &under, of_under));
        let half_wall = each(|l| 0.5 * pot.wall_m[l]);
        let [f0, f1, f2] = &mut pot.face;
        let slab = Slab { p, thickness: &half_wall, dt };
        slab.step(&mut pot.wall, Some((f0, &wall)), None);
        let base = Slab { p, thickness: &pot.base_m, dt };
        base.step(&mut pot.base, Some((f1, &inside)), under.as_ref().map(|o| (f2, o)));
    }
}

/// What is around all faces of a pot.
struct Around<'a> {
    air: &'a StepAir,
    /// Conductance of the cover in series, relative to the open one.
    open: &'a Lane,
    gain: &'a Lane,
    /// Water activity that faces have in common where they share their temperature.
    shared: Lane,
}

impl Around<'_> {
    /// The air before a face of this exposure, with its water activity as it is.
    #[inline(always)]
    fn before(&self, p: &PotPhysics, exposure: &Lane, wetness: (Lane, Lane)) -> Outside {
        let air = self.air;
        let (of_all, own) = (self.colder(&self.shared), self.colder(&wetness.0));
        let colder = each(|l| p.shared[l] * of_all[l] + (1.0 - p.shared[l]) * own[l]);
        Outside {
            reach: each(|l| exposure[l] * self.open[l] * self.gain[l] * p.conductance[l]),
            wet: each(|l| air.saturation - colder[l]),
            room: each(|l| air.saturation * air.humidity[l]),
            wetness,
        }
    }

    /// By how much the saturation pressure at a face of this activity is below the room's, Pa:
    /// evaporation cools it, the room warms it.
    #[inline(always)]
    fn colder(&self, activity: &Lane) -> Lane {
        let air = self.air;
        let cooling = each(|l| self.open[l] * air.cooling);
        each(|l| {
            cooling[l] * air.saturation * (activity[l] - air.humidity[l])
                / (1.0 + cooling[l] * activity[l])
        })
    }
}

/// The air before one face.
struct Outside {
    /// Conductance, kg/(s·m²·Pa).
    reach: Lane,
    /// Saturation pressure at the pot's temperature, Pa.
    wet: Lane,
    /// Vapour pressure of the room, Pa.
    room: Lane,
    /// Water activity of the face as it is, and its slope.
    wetness: (Lane, Lane),
}

/// What one face does to the cell behind it: flux now and its slope, both per area.
struct Flux {
    flux: Lane,
    slope: Lane,
}

impl Outside {
    /// Solves the face: as much leaves to the air as comes through the half cell behind it.
    /// `water` is that cell's, `carry` its conductance to the face in kg/(s·m²) per unit of water.
    #[inline(always)]
    fn solve(&self, p: &PotPhysics, face: &mut Lane, water: &Lane, carry: &Lane) -> Flux {
        let mut out = Flux { flux: [0.0; LANES], slope: [0.0; LANES] };
        for turn in 0..2 {
            let (a, da) = match turn {
                0 => self.wetness,
                _ => activity(&p.isotherm, &p.monolayer, face),
            };
            let flux = each(|l| self.reach[l] * (a[l] * self.wet[l] - self.room[l]));
            let slope = each(|l| self.reach[l] * self.wet[l] * da[l]);
            let miss = each(|l| flux[l] - carry[l] * (water[l] - face[l]));
            let both = each(|l| slope[l] + carry[l]);
            *face = each(|l| (face[l] - miss[l] / both[l]).max(0.0));
            out.flux = each(|l| carry[l] * (water[l] - face[l]));
            out.slope = each(|l| carry[l] * slope[l] / both[l]);
        }
        out
    }
}

/// Water activity at the given water and its slope; the corner at one is rounded.
#[inline(always)]
fn activity(shape: &Sorption, monolayer: &Lane, water: &Lane) -> (Lane, Lane) {
    let (c, k, w) = (shape.c, shape.k, ACTIVITY_CORNER);
    let x = each(|l| water[l].max(1e-9));
    let b = each(|l| monolayer[l] * c - x[l] * (c - 2.0));
    let root = each(|l| (b[l] * b[l] + 4.0 * x[l] * x[l] * (c - 1.0)).sqrt());
    let y = each(|l| 2.0 * x[l] / (b[l] + root[l]));
    let slope = each(|l| (1.0 + (c - 2.0) * y[l] - (c - 1.0) * y[l] * y[l]) / root[l] / k);
    let v = each(|l| y[l] / k);
    // a² θ − a (1 + v) + v = 0 with θ a little below one: v, but never above one.
    let apart = each(|l| ((1.0 - v[l]) * (1.0 - v[l]) + w * w * v[l]).sqrt());
    let turns = each(|l| (0.5 * w * w - (1.0 - v[l])) / apart[l]);
    let under = each(|l| 1.0 + v[l] + apart[l]);
    let rounded = each(|l| 2.0 * (1.0 + apart[l] - v[l] * turns[l]) / (under[l] * under[l]));
    (each(|l| 2.0 * v[l] / under[l]), each(|l| slope[l] * rounded[l]))
}

/// One slab over one step of time.
struct Slab<'a> {
    p: &'a PotPhysics,
    thickness: &'a Lane,
    dt: f64,
}

impl Slab<'_> {
    /// Moves the cells on; `first` and `last` are the faces before the first and behind the last
    /// cell, `None` where nothing passes.
    #[inline(always)]
    fn step<const N: usize>(
        &self,
        x: &mut [Lane; N],
        first: Option<(&mut Lane, &Outside)>,
        last: Option<(&mut Lane, &Outside)>,
    ) {
        let cell = each(|l| self.thickness[l] / N as f64);
        // Conductance through one cell of the wettest-equals-one diffusivity, kg/(s·m²).
        let unit = each(|l| DRY_DENSITY * self.p.diffusivity[l] / cell[l]);
        let carry = |w: &Lane| each(|l| unit[l] * diffusivity_rise(w[l]));
        let hold = each(|l| DRY_DENSITY * cell[l] / self.dt);
        let mut diagonal = [hold; N];
        let mut right = [[0.0; LANES]; N];
        let mut between = [[0.0; LANES]; N];
        for i in 0..N - 1 {
            let (near, far) = (x[i], x[i + 1]);
            let k = carry(&each(|l| 0.5 * (near[l] + far[l])));
            let flux = each(|l| k[l] * (near[l] - far[l]));
            right[i] = each(|l| right[i][l] - flux[l]);
            right[i + 1] = flux;
            diagonal[i] = each(|l| diagonal[i][l] + k[l]);
            diagonal[i + 1] = each(|l| diagonal[i + 1][l] + k[l]);
            between[i] = k;
        }
        for (end, face) in [(0, first), (N - 1, last)] {
            if let Some((face, outside)) = face {
                let half = carry(&x[end]).map(|k| 2.0 * k);
                let out = outside.solve(self.p, face, &x[end], &half);
                right[end] = each(|l| right[end][l] - out.flux[l]);
                diagonal[end] = each(|l| diagonal[end][l] + out.slope[l]);
            }
        }
        // Thomas algorithm for the symmetric tridiagonal system.
        for i in 1..N {
            let m = each(|l| between[i - 1][l] / diagonal[i - 1][l]);
            diagonal[i] = each(|l| diagonal[i][l] - m[l] * between[i - 1][l]);
            right[i] = each(|l| right[i][l] + m[l] * right[i - 1][l]);
        }
        right[N - 1] = each(|l| right[N - 1][l] / diagonal[N - 1][l]);
        for i in (0..N - 1).rev() {
            right[i] = each(|l| (right[i][l] + between[i][l] * right[i + 1][l]) / diagonal[i][l]);
        }
        for i in 0..N {
            x[i] = each(|l| (x[i][l] + right[i][l]).max(0.0));
        }
    }
}
