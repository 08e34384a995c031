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
from scipy.optimize import curve_fit

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


def exponential(t, kept, lost, rate):
    """The plain curve that many would draw through the weights."""
    return kept + lost * np.exp(-rate * t)


def fit_exponential():
    """Its fit to the same weights, from a guess by eye."""
    hours, grams = weights[:, 0] / 3600.0, weights[:, 1]
    guess = (grams[-1], grams[0] - grams[-1], 3.0 / hours[-1])
    return curve_fit(exponential, hours, grams, guess, full_output=True)


weights = np.array(data["weights"])
seconds = []
for _ in range(REPEATS):
    start = time.perf_counter()
    at, _, info, *_ = fit_exponential()
    seconds.append(time.perf_counter() - start)
squares = float(np.sum(info["fvec"] ** 2))
mass = exponential(weights[-1, 0] / 3600.0, *at)
print("curve_fit_of_an_exponential", sorted(seconds)[REPEATS // 2], squares, mass, info["nfev"])
