//! Water on its way through a slab of clay: one-dimensional diffusion, finite volumes.
//!
//! Coordinates go with the *dry clay* (Crank, The Mathematics of Diffusion, 2nd ed. 1975, ch. 10),
//! so shrinkage needs no moving grid: with `m` the dry mass per area from one face,
//!
//! ```text
//! ∂X/∂t = ∂/∂m ( D(X)·ρ(X)² · ∂X/∂m )        ρ: dry clay per volume of wet clay
//! ```
//!
//! Backward Euler in time with conductivities of the step's beginning; cells are finer towards
//! the faces. What leaves the cells is what passes the faces, to rounding.

use super::root;

/// Cells across a slab.
const CELLS: usize = 24;

/// A slab with water in it.
#[derive(Clone, PartialEq, Debug)]
pub struct Slab {
    /// Water of each cell, kg per kg dry clay.
    water: [f64; CELLS],
    /// Share of the slab's dry clay in each cell; adds up to 1.
    share: [f64; CELLS],
}

impl Slab {
    /// A slab of even water (dry basis).
    pub fn even(water: f64) -> Slab {
        let edge = |i: usize| 0.5 * (1.0 - (std::f64::consts::PI * i as f64 / CELLS as f64).cos());
        let mut share = [0.0; CELLS];
        for (i, s) in share.iter_mut().enumerate() {
            *s = edge(i + 1) - edge(i);
        }
        Slab { water: [water; CELLS], share }
    }

    /// Mean water, dry basis.
    pub fn mean(&self) -> f64 {
        self.water.iter().zip(&self.share).map(|(x, s)| x * s).sum()
    }

    /// Water of the wettest cell, dry basis.
    pub fn wettest(&self) -> f64 {
        self.water.iter().copied().fold(f64::NEG_INFINITY, f64::max)
    }

    /// Mixes in fresh clay: `share` of the result is clay of water `water` (dry basis).
    pub fn mix(&mut self, share: f64, water: f64) {
        for x in &mut self.water {
            *x += share * (water - *x);
        }
    }

    /// Moves on by `dt` seconds; gives the water lost through each face, kg/m².
    ///
    /// `areal`: dry clay per area of slab, kg/m². `conductivity`: D·ρ² at a water content,
    /// kg²/(m⁴ s). `faces`: loss of a face as a function of the water at its surface,
    /// kg/(m² s), rising with it.
    pub fn step(
        &mut self,
        dt: f64,
        areal: f64,
        conductivity: impl Fn(f64) -> f64,
        faces: [&dyn Fn(f64) -> f64; 2],
    ) -> [f64; 2] {
        const LAST: usize = CELLS - 1;
        let inner: [f64; CELLS] = self.water.map(&conductivity);
        // Conductance between the middles of neighbours, kg/(m² s) per unit of X.
        let half = |i: usize| 0.5 * self.share[i] * areal / inner[i];
        let mut link = [0.0; LAST];
        for (i, l) in link.iter_mut().enumerate() {
            *l = 1.0 / (half(i) + half(i + 1));
        }
        let ends = [0, LAST];
        let flux = [0, 1].map(|f| tangent(faces[f], 1.0 / half(ends[f]), self.water[ends[f]]));

        let (mut lower, mut middle, mut upper) = ([0.0; CELLS], [0.0; CELLS], [0.0; CELLS]);
        let mut right = [0.0; CELLS];
        for i in 0..CELLS {
            let capacity = self.share[i] * areal / dt;
            middle[i] = capacity;
            right[i] = capacity * self.water[i];
            if i > 0 {
                lower[i] = -link[i - 1];
                middle[i] += link[i - 1];
            }
            if i < LAST {
                upper[i] = -link[i];
                middle[i] += link[i];
            }
        }
        for (f, (loss, slope)) in flux.into_iter().enumerate() {
            let i = ends[f];
            middle[i] += slope;
            right[i] -= loss - slope * self.water[i];
        }
        let before = self.water;
        self.water = thomas(&lower, &middle, &upper, &right);
        [0, 1].map(|f| {
            let (loss, slope) = flux[f];
            dt * (loss + slope * (self.water[ends[f]] - before[ends[f]]))
        })
    }
}

/// Loss of a face and its slope by the water `x` in the middle of the cell behind it.
///
/// The surface itself is found between cell and air: what comes through the half cell leaves.
fn tangent(face: &dyn Fn(f64) -> f64, half: f64, x: f64) -> (f64, f64) {
    let nudge = 1e-5;
    let at = through(face, half, x);
    (at, (through(face, half, x + nudge) - at) / nudge)
}

/// Loss through a half cell of conductance `half` and the face beyond it.
fn through(face: &dyn Fn(f64) -> f64, half: f64, x: f64) -> f64 {
    let here = face(x);
    if here == 0.0 {
        return 0.0;
    }
    // Excess of what leaves the surface over what reaches it rises with the surface's water.
    let excess = |s: f64| face(s) - half * (x - s);
    let (low, high) = if here > 0.0 { (0.0, x) } else { (x, x - here / half) };
    let surface = root::rising(excess, low, high);
    half * (x - surface)
}

/// Solves a tridiagonal system (Thomas; diagonally dominant here, so no pivoting).
fn thomas(
    lower: &[f64; CELLS],
    middle: &[f64; CELLS],
    upper: &[f64; CELLS],
    right: &[f64; CELLS],
) -> [f64; CELLS] {
    let (mut c, mut d) = ([0.0; CELLS], [0.0; CELLS]);
    c[0] = upper[0] / middle[0];
    d[0] = right[0] / middle[0];
    for i in 1..CELLS {
        let pivot = middle[i] - lower[i] * c[i - 1];
        c[i] = upper[i] / pivot;
        d[i] = (right[i] - lower[i] * d[i - 1]) / pivot;
    }
    for i in (0..CELLS - 1).rev() {
        d[i] -= c[i] * d[i + 1];
    }
    d
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A slab of constant diffusivity: half-thickness 5 mm, D = 1e-9 m²/s, ρ = 1 kg/m³ (so that
    /// dry mass per area is the thickness in metres), both faces convective with the Biot number.
    fn residual(biot: f64, fourier: &[f64]) -> Vec<f64> {
        let (half, d) = (5e-3, 1e-9);
        let transfer = biot * d / half;
        let face = |x: f64| transfer * x;
        let mut slab = Slab::even(1.0);
        let dt = 2e-4 * half * half / d;
        let mut done = 0.0;
        let mut out = Vec::new();
        for fo in fourier {
            while done < fo * half * half / d - 0.5 * dt {
                slab.step(dt, 2.0 * half, |_| d, [&face, &face]);
                done += dt;
            }
            out.push(slab.mean());
        }
        out
    }

    #[test]
    fn agrees_with_the_series_for_a_convective_face() {
        // Source: Crank, The Mathematics of Diffusion, 2nd ed. 1975, §4.3.6 (series with the roots
        // of β tan β = Bi), summed to 1e-6: mean residual at Fo 0.1, 0.5, 1, 2.
        for (biot, series) in [
            (0.1, [0.990233, 0.952574, 0.907587, 0.823889]),
            (1.0, [0.919597, 0.681105, 0.470397, 0.224394]),
            (10.0, [0.726118, 0.315016, 0.113496, 0.014733]),
        ] {
            let ours = residual(biot, &[0.1, 0.5, 1.0, 2.0]);
            for (o, s) in ours.iter().zip(series) {
                assert!((o - s).abs() < 0.003, "Bi {biot}: {o} against {s}");
            }
        }
    }

    #[test]
    fn agrees_with_the_series_for_a_held_surface() {
        // Source: Crank 1975, ch. 4, slab: E = Σ 8/((2n+1)²π²)·exp(−(2n+1)²π²Fo/4).
        let ours = residual(1e5, &[0.05, 0.1, 0.2, 0.5, 1.0]);
        for (o, s) in ours.iter().zip([0.747687, 0.643177, 0.495912, 0.236050, 0.068740]) {
            assert!((o - s).abs() < 0.004, "{o} against {s}");
        }
    }

    #[test]
    fn one_sided_slab_takes_four_times_as_long() {
        // Source: the equation's own scaling (Fo = Dt/L², L the whole thickness when one face is
        // closed).
        let d = 1e-9;
        let run = |areal: f64, closed: bool, time: f64| {
            let mut slab = Slab::even(0.25);
            let open = |x: f64| 1.0 * (x - 0.02);
            let shut = |_: f64| 0.0;
            let other: &dyn Fn(f64) -> f64 = if closed { &shut } else { &open };
            for _ in 0..2000 {
                slab.step(time / 2000.0, areal, |_| d, [&open, other]);
            }
            slab.mean()
        };
        let both = run(0.008, false, 8_000.0);
        let one = run(0.008, true, 32_000.0);
        assert!((both - one).abs() < 5e-4, "{both} {one}");
    }

    #[test]
    fn no_water_appears_or_vanishes() {
        let mut slab = Slab::even(0.28);
        let face = |x: f64| 1.4e-5 * (x / 0.06).min(1.0) - 2e-6;
        let mut lost = 0.0;
        let areal = 9.0;
        for _ in 0..4000 {
            let through = slab.step(
                120.0,
                areal,
                |x| 2.5e6 * 3e-10 * (10.0 * x.min(0.2)).exp(),
                [&face, &|_| 0.0],
            );
            assert_eq!(through[1], 0.0);
            lost += through[0];
        }
        assert!(lost > 0.5, "it has dried");
        assert!((areal * (0.28 - slab.mean()) - lost).abs() < 1e-9);
        assert!(slab.wettest() >= slab.mean());
    }
}
