"""How much of what base and wall of a jar differ by is lost to water that creeps between them.

The program's jar is two slabs that share nothing but the air. Here the same jar is one sheet of clay
from the middle of its base to its rim, with diffusion along it, by SciPy's method of lines: made of
water 0.26 (dry basis), looked at when 0.20 is left, in the constant rate of 50 g/(m² h) times what a
cover leaves of it. Printed: hours, base wetter than wall (points) with diffusion, and without.

    python3 wall_and_base.py
"""

import numpy as np
from scipy.integrate import solve_ivp

RADIUS, HEIGHT, WALL, BASE = 0.05, 0.13, 6e-3, 8e-3
INSIDE = 0.45  # how open the base's inside is, of a wall's face
DENSITY, RATE = 1600.0, 50e-3 / 3600
CELLS = 180

edges = np.linspace(0, RADIUS + HEIGHT, CELLS + 1)
step = edges[1] - edges[0]
middle = 0.5 * (edges[1:] + edges[:-1])
base = middle < RADIUS
around = lambda s: 2 * np.pi * np.minimum(s, RADIUS)
thick = lambda s: np.where(s < RADIUS, BASE, WALL)
volume = around(middle) * thick(middle) * step
section = around(edges[1:-1]) * np.minimum(thick(middle[1:]), thick(middle[:-1]))
exposed = np.where(base, INSIDE, 2.0) * around(middle) * step
mean = lambda x, of: np.average(x[of], weights=volume[of])


def jar(cover, diffusivity):
    def slope(_, x):
        d = diffusivity * (1 + 5 * (0.5 * (x[1:] + x[:-1]) - 0.10))
        flux = DENSITY * d * section * (x[1:] - x[:-1]) / step
        gain = -cover * RATE * exposed
        gain[:-1] += flux
        gain[1:] -= flux
        return gain / (DENSITY * volume)

    reached = lambda _, x: mean(x, slice(None)) - 0.20
    reached.terminal = True
    found = solve_ivp(slope, (0, 1e8), np.full(CELLS, 0.26), method="BDF", events=reached,
                      rtol=1e-6, atol=1e-8)
    x = found.y[:, -1]
    return found.t[-1] / 3600, 100 * (mean(x, base) - mean(x, ~base))


for diffusivity in (5e-10, 1e-9, 3e-9):
    for cover in (1.0, 0.25, 0.09, 0.03):
        hours, apart = jar(cover, diffusivity)
        alone = jar(cover, 0.0)[1]
        print(f"D {diffusivity:.0e}, {cover:.2f} of open: {hours:4.0f} h, {apart:.1f}, {alone:.1f}")
