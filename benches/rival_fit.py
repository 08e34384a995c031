"""Fits one pot by SciPy and says how long it took.

rival_fit.py PROBLEM.json

Needs NumPy and SciPy; Numba for the compiled forms. Compilation and import are not timed. Prints
"model" and the mass at the end (g) at the unknowns that the problem holds, so that it can be seen
whether both have the same model; then for each way of fitting: name, seconds (median of the
repeats), sum of squares, mass at the end, evaluations.
"""

import json
import sys
import time

import numpy as np

import rival_drying as rival

REPEATS = 5

with open(sys.argv[1], encoding="utf-8") as file:
    data = json.load(file)
problem = rival.Problem(data)
centre = np.array(data["centre"])[[data["names"].index(name) for name in rival.NAMES]]
print("model", rival.masses_numpy(problem, centre)[-1, 0])
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
