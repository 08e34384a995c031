"""Fits one pot by SciPy and says how long it took.

rival_fit.py PROBLEM.json

Needs NumPy and SciPy; Numba for the compiled forms. Compilation and import are not timed. Prints
one line for each way of fitting: name, seconds (median of the repeats), sum of squares, mass at the end in g.
"""

import json
import sys
import time

import rival_drying as rival

REPEATS = 5

with open(sys.argv[1], encoding="utf-8") as file:
    problem = rival.Problem(json.load(file))
for name, fit in rival.FITS.items():
    result = fit(problem)
    seconds = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        result = fit(problem)
        seconds.append(time.perf_counter() - start)
    mass = rival.masses_numpy(problem, result.x)[-1, 0]
    median = sorted(seconds)[REPEATS // 2]
    print(name, median, 2.0 * result.cost, mass, result.nfev)
