"""The drying model of `src/core/drying.rs` again, for SciPy: what somebody might write instead.

Needs NumPy and SciPy; Numba for the compiled forms (without it they are left out).

Two slabs, a wall that dries on both faces and a base that dries on its inside; evaporation by the
vapour pressure deficit with the face's own activity (GAB), faces that share their temperature in
part, diffusion inside. Open pots that stand on their foot, without trims: what the benchmarks hold.

Three ways of fitting it, each by `scipy.optimize.least_squares`:

- "solve_ivp": the right-hand side compiled by Numba, in time by LSODA (`scipy.integrate.solve_ivp`)
- "numpy": the project's own implicit steps, all parameter sets of a Jacobian side by side in NumPy
- "compiled": the same steps in a loop compiled by Numba, one parameter set at a time
"""

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

try:
    from numba import njit
except ImportError:
    njit = None

# As in src/core/drying.rs.
WALL, BASE = 3, 5
DENSITY, DIFFUSIVITY_AT, SLOPE, CORNER = 1600.0, 0.10, 5.0, 0.04
# Unknowns, in this order; the scale each lives on.
NAMES = [
    "Kept",
    "Throwing",
    "Bag",
    "Conductance",
    "BaseInside",
    "BaseShare",
    "Shared",
    "Diffusivity",
    "Monolayer",
]


def logistic(x):
    return 1.0 / (1.0 + np.exp(-x))


def plain(x):
    return x


SCALES = {"Throwing": plain, "Bag": plain, "BaseShare": logistic, "Shared": logistic}
# Noise of one weight for the fit, g: white, as most would take it.
NOISE = 0.5
# Step of the finite differences, in prior standard deviations.
STEP = 2e-3


class Problem:
    """One pot: its air in steps, its weights, what is known of it beforehand."""

    def __init__(self, data):
        self.spans = np.array(data["spans"])  # from, to, saturation, cooling, humidity, gain
        self.weights = np.array(data["weights"])  # seconds, grams
        # Unknowns beyond these speak of turned pots only, and these stand on their foot.
        known = [data["names"].index(name) for name in NAMES]
        self.mean, self.sd = np.array(data["mean"])[known], np.array(data["sd"])[known]
        self.wall, self.base = data["wall_m"], data["base_m"]
        self.ball = data["ball_g"]
        self.c, self.k = data["c"], data["k"]
        assert set(data["names"]) <= {*NAMES, "Underside", "RimOpen"}, data["names"]

    def parameters(self, z):
        """Dry clay, water and the rest, from deviations off the prior; columns are sets."""
        x = (self.mean + self.sd * np.atleast_2d(z)).T
        kept, throwing, bag, *others = [SCALES.get(n, np.exp)(row) for n, row in zip(NAMES, x)]
        bag = np.maximum(bag, 0.01)
        water = np.maximum(bag + throwing, 0.01)
        return np.array([self.ball * kept / (1.0 + bag), water, *others])

    def residuals(self, mass, z):
        """Weights against the mass at the end of each span (in between by lines), and priors."""
        times = np.concatenate([[0.0], self.spans[:, 1]])
        modelled = np.interp(self.weights[:, 0], times, mass)
        return np.concatenate([(modelled - self.weights[:, 1]) / NOISE, z])


def activity(xp, c, k, monolayer, water):
    """Water activity of clay and its slope; the corner at one is rounded."""
    x = xp.maximum(water, 1e-9)
    b = monolayer * c - x * (c - 2.0)
    root = xp.sqrt(b * b + 4.0 * x * x * (c - 1.0))
    y = 2.0 * x / (b + root)
    slope = (1.0 + (c - 2.0) * y - (c - 1.0) * y * y) / root / k
    v = y / k
    apart = xp.sqrt((1.0 - v) ** 2 + CORNER * CORNER * v)
    turns = (0.5 * CORNER * CORNER - (1.0 - v)) / apart
    under = 1.0 + v + apart
    return 2.0 * v / under, slope * 2.0 * (1.0 + apart - v * turns) / (under * under)


# --- NumPy, all parameter sets side by side -------------------------------------------------


def colder(p, air, share, shared, exposure, walls, faces):
    """By how much the saturation pressure at wall and base lies below the room's."""
    saturation, cooling, humidity = air
    area = np.array([2.0 * (1.0 - share) / walls[0], share / walls[1] * exposure])
    wet = np.array([activity(np, *p, face)[0] for face in faces])
    mean = (area * wet).sum(axis=0) / area.sum(axis=0)

    def below(wetness):
        return cooling * saturation * (wetness - humidity) / (1.0 + cooling * wetness)

    return shared * below(mean) + (1.0 - shared) * below(wet)


def face(p, reach, wet, room, surface, water, carry):
    """As much leaves to the air as comes through the half cell behind the face."""
    for _ in range(2):
        a, da = activity(np, *p, surface)
        slope = reach * wet * da
        miss = reach * (a * wet - room) - carry * (water - surface)
        surface = np.maximum(surface - miss / (slope + carry), 0.0)
    return surface, carry * (water - surface), carry * slope / (slope + carry)


def slab_step(p, reach, wet, room, x, surface, thickness, diffusivity, dt):
    """One slab over one step, backward Euler, the face before its first cell."""
    n = len(x)
    cell = thickness / n
    unit = DENSITY * diffusivity / cell
    between = unit * (1.0 + SLOPE * (0.5 * (x[1:] + x[:-1]) - DIFFUSIVITY_AT))
    flux = between * (x[:-1] - x[1:])
    right = np.zeros_like(x)
    right[:-1] -= flux
    right[1:] += flux
    diagonal = np.full_like(x, DENSITY * cell / dt)
    diagonal[:-1] += between
    diagonal[1:] += between
    half = 2.0 * unit * (1.0 + SLOPE * (x[0] - DIFFUSIVITY_AT))
    surface, out, slope = face(p, reach, wet, room, surface, x[0], half)
    right[0] -= out
    diagonal[0] += slope
    for i in range(1, n):
        m = between[i - 1] / diagonal[i - 1]
        diagonal[i] -= m * between[i - 1]
        right[i] += m * right[i - 1]
    right[n - 1] /= diagonal[n - 1]
    for i in range(n - 2, -1, -1):
        right[i] = (right[i] + between[i] * right[i + 1]) / diagonal[i]
    return np.maximum(x + right, 0.0), surface


def masses_numpy(problem, z):
    """Mass at the start and at the end of each span; columns are parameter sets."""
    dry, water, conductance, inside, share, shared, diffusivity, monolayer = problem.parameters(z)
    p = (problem.c, problem.k, monolayer)
    wall, base = np.tile(water, (WALL, 1)), np.tile(water, (BASE, 1))
    wall_face, base_face = water.copy(), water.copy()
    mass = [dry * (1.0 + water)]
    for start, end, saturation, cooling, humidity, gain in problem.spans:
        air, dt = (saturation, cooling, humidity), end - start
        reach, room = conductance * gain, saturation * humidity
        walls, faces = (problem.wall, problem.base), (wall_face, base_face)
        wet = saturation - colder(p, air, share, shared, inside, walls, faces)
        wall, wall_face = slab_step(
            p, reach, wet[0], room, wall, wall_face, 0.5 * problem.wall, diffusivity, dt
        )
        base, base_face = slab_step(
            p, reach * inside, wet[1], room, base, base_face, problem.base, diffusivity, dt
        )
        mean = wall.mean(axis=0) + share * (base.mean(axis=0) - wall.mean(axis=0))
        mass.append(dry * (1.0 + mean))
    return np.array(mass)


# --- compiled by Numba ------------------------------------------------------------------------

if njit is not None:

    @njit(cache=True)
    def activity_at(c, k, monolayer, water):
        x = max(water, 1e-9)
        b = monolayer * c - x * (c - 2.0)
        root = np.sqrt(b * b + 4.0 * x * x * (c - 1.0))
        y = 2.0 * x / (b + root)
        slope = (1.0 + (c - 2.0) * y - (c - 1.0) * y * y) / root / k
        v = y / k
        apart = np.sqrt((1.0 - v) ** 2 + CORNER * CORNER * v)
        turns = (0.5 * CORNER * CORNER - (1.0 - v)) / apart
        under = 1.0 + v + apart
        return 2.0 * v / under, slope * 2.0 * (1.0 + apart - v * turns) / (under * under)

    @njit(cache=True)
    def below(air, wetness):
        return air[1] * air[0] * (wetness - air[2]) / (1.0 + air[1] * wetness)

    @njit(cache=True)
    def colder_at(c, k, p, air, wall_m, base_m, wall_face, base_face):
        inside, share, shared, monolayer = p[3], p[4], p[5], p[7]
        wall, base = 2.0 * (1.0 - share) / wall_m, share / base_m * inside
        wall_wet = activity_at(c, k, monolayer, wall_face)[0]
        base_wet = activity_at(c, k, monolayer, base_face)[0]
        both = shared * below(air, (wall * wall_wet + base * base_wet) / (wall + base))
        own = 1.0 - shared
        return both + own * below(air, wall_wet), both + own * below(air, base_wet)

    @njit(cache=True)
    def face_at(c, k, monolayer, reach, wet, room, surface, water, carry):
        slope = 0.0
        for _ in range(2):
            a, da = activity_at(c, k, monolayer, surface)
            slope = reach * wet * da
            miss = reach * (a * wet - room) - carry * (water - surface)
            surface = max(surface - miss / (slope + carry), 0.0)
        return surface, carry * (water - surface), carry * slope / (slope + carry)

    @njit(cache=True)
    def slab_compiled(c, k, monolayer, reach, wet, room, x, surface, thickness, diffusivity, dt):
        n = len(x)
        cell = thickness / n
        unit = DENSITY * diffusivity / cell
        right, diagonal, between = np.zeros(n), np.full(n, DENSITY * cell / dt), np.zeros(n)
        for i in range(n - 1):
            rise = 1.0 + SLOPE * (0.5 * (x[i] + x[i + 1]) - DIFFUSIVITY_AT)
            between[i] = unit * rise
            flux = between[i] * (x[i] - x[i + 1])
            right[i] -= flux
            right[i + 1] += flux
            diagonal[i] += between[i]
            diagonal[i + 1] += between[i]
        half = 2.0 * unit * (1.0 + SLOPE * (x[0] - DIFFUSIVITY_AT))
        surface, out, slope = face_at(c, k, monolayer, reach, wet, room, surface, x[0], half)
        right[0] -= out
        diagonal[0] += slope
        for i in range(1, n):
            m = between[i - 1] / diagonal[i - 1]
            diagonal[i] -= m * between[i - 1]
            right[i] += m * right[i - 1]
        right[n - 1] /= diagonal[n - 1]
        for i in range(n - 2, -1, -1):
            right[i] = (right[i] + between[i] * right[i + 1]) / diagonal[i]
        for i in range(n):
            x[i] = max(x[i] + right[i], 0.0)
        return surface

    @njit(cache=True)
    def masses_loop(spans, p, wall_m, base_m, c, k):
        dry, water, conductance, inside, share, _, diffusivity, monolayer = p
        wall, base = np.full(WALL, water), np.full(BASE, water)
        wall_face, base_face = water, water
        mass = np.empty(len(spans) + 1)
        mass[0] = dry * (1.0 + water)
        for i in range(len(spans)):
            air, dt = spans[i, 2:5], spans[i, 1] - spans[i, 0]
            reach, room = conductance * spans[i, 5], air[0] * air[2]
            cold = colder_at(c, k, p, air, wall_m, base_m, wall_face, base_face)
            wet = air[0] - cold[0]
            wall_face = slab_compiled(
                c, k, monolayer, reach, wet, room, wall, wall_face, 0.5 * wall_m, diffusivity, dt
            )
            wet = air[0] - cold[1]
            base_face = slab_compiled(
                c, k, monolayer, reach * inside, wet, room, base, base_face, base_m, diffusivity, dt
            )
            mean = wall.mean() + share * (base.mean() - wall.mean())
            mass[i + 1] = dry * (1.0 + mean)
        return mass

    @njit(cache=True)
    def right_hand_side(t, x, spans, p, wall_m, base_m, c, k):
        _, _, conductance, inside, _, _, diffusivity, monolayer = p
        at = min(np.searchsorted(spans[:, 1], t), len(spans) - 1)
        air, gain = spans[at, 2:5], spans[at, 5]
        # The faces are as cold as they are wet, and wet as they are cold: twice is enough.
        wall_face, base_face, out = x[0], x[WALL], np.zeros(2)
        units = DENSITY * diffusivity * np.array([2.0 * WALL / wall_m, BASE / base_m])
        for _ in range(2):
            cold = colder_at(c, k, p, air, wall_m, base_m, wall_face, base_face)
            reach, room = conductance * gain, air[0] * air[2]
            half = 2.0 * units[0] * (1.0 + SLOPE * (x[0] - DIFFUSIVITY_AT))
            wall_face, out[0], _ = face_at(
                c, k, monolayer, reach, air[0] - cold[0], room, wall_face, x[0], half
            )
            half = 2.0 * units[1] * (1.0 + SLOPE * (x[WALL] - DIFFUSIVITY_AT))
            base_face, out[1], _ = face_at(
                c, k, monolayer, reach * inside, air[0] - cold[1], room, base_face, x[WALL], half
            )
        rate = np.zeros(WALL + BASE)
        for part, first, n, thickness in ((0, 0, WALL, 0.5 * wall_m), (1, WALL, BASE, base_m)):
            cell, unit = thickness / n, units[part]
            rate[first] -= out[part]
            for i in range(first, first + n - 1):
                rise = 1.0 + SLOPE * (0.5 * (x[i] + x[i + 1]) - DIFFUSIVITY_AT)
                flux = unit * rise * (x[i] - x[i + 1])
                rate[i] -= flux
                rate[i + 1] += flux
            for i in range(first, first + n):
                rate[i] /= DENSITY * cell
        return rate


def masses_solve_ivp(problem, p):
    """The same by `solve_ivp`, to a hundredth of a gram or so."""
    times = np.concatenate([[0.0], problem.spans[:, 1]])
    arguments = (problem.spans, tuple(p), problem.wall, problem.base, problem.c, problem.k)
    solution = solve_ivp(
        right_hand_side,
        (0.0, times[-1]),
        np.full(WALL + BASE, p[1]),
        method="LSODA",
        t_eval=times,
        rtol=1e-6,
        atol=1e-7,
        args=arguments,
    )
    wall, base = solution.y[:WALL].mean(axis=0), solution.y[WALL:].mean(axis=0)
    return p[0] * (1.0 + wall + p[4] * (base - wall))


# --- fits -----------------------------------------------------------------------------------------


def fit_one_by_one(problem, masses):
    """`least_squares` with its own finite differences."""

    def residuals(z):
        return problem.residuals(masses(problem, problem.parameters(z)[:, 0]), z)

    start = np.zeros(len(NAMES))
    return least_squares(residuals, start, method="trf", diff_step=STEP, xtol=1e-5, ftol=1e-5)


def masses_compiled(problem, p):
    return masses_loop(problem.spans, tuple(p), problem.wall, problem.base, problem.c, problem.k)


def fit_solve_ivp(problem):
    return fit_one_by_one(problem, masses_solve_ivp)


def fit_compiled(problem):
    return fit_one_by_one(problem, masses_compiled)


def fit_numpy(problem):
    """`least_squares` with a Jacobian whose parameter sets run side by side."""

    def residuals(z):
        return problem.residuals(masses_numpy(problem, z)[:, 0], z)

    def jacobian(z):
        sets = np.vstack([z, z + STEP * np.eye(len(z))])
        mass = masses_numpy(problem, sets)
        rows = [problem.residuals(mass[:, i], s) for i, s in enumerate(sets)]
        return (np.array(rows[1:]) - rows[0]).T / STEP

    start = np.zeros(len(NAMES))
    return least_squares(residuals, start, jac=jacobian, method="trf", xtol=1e-5, ftol=1e-5)


FITS = {"numpy": fit_numpy}
if njit is not None:
    FITS = {"solve_ivp": fit_solve_ivp, "numpy": fit_numpy, "compiled": fit_compiled}
