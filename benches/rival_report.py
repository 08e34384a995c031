"""From studio files to a fit of each pot, by SciPy: what somebody might write instead.

rival_report.py FOLDER

Needs NumPy and SciPy; Numba for the compiled form (without it the fit runs in NumPy). Reads the
studio files, takes medians of 20 minutes, fits the drying model of rival_drying.py to each pot, and
prints its water now. Pots on all cores.
"""

import collections
import csv
import datetime as dt
import math
import multiprocessing
import pathlib
import sys

import numpy as np

import rival_drying as rival

STEP = 1200.0
# Prior means and standard deviations in the order of rival_drying.NAMES; the bag's water is the
# body's. As in src/core/inference/priors.rs.
LN = math.log
MEAN = [LN(0.9675), 0.03, 0.0]
MEAN += [LN(2.6e-8), LN(0.36), LN(0.27 / 0.73), LN(0.7 / 0.3), LN(9e-10), LN(0.0165)]
SD = [0.010, 0.020, 0.016, 0.40, 0.30, 0.25, 1.2, 0.68, 0.45]


def seconds(text):
    return dt.datetime.fromisoformat(text).timestamp()


def table(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def saturation(celsius):
    return 611.21 * np.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius))


def fit(job):
    name, pot, bag, weights, temperature, humidity = job
    start = seconds(pot["made_at"])
    times, grams = np.array(weights).T
    bins = ((times - start) // STEP).astype(int)
    edges = STEP * np.arange(bins.max() + 2)
    middles = 0.5 * (edges[1:] + edges[:-1])
    medians = np.array([np.median(grams[bins == b]) for b in np.unique(bins)])
    at = np.array([np.median(times[bins == b]) for b in np.unique(bins)]) - start
    celsius = np.interp(middles + start, *np.array(temperature).T)
    humid = np.interp(middles + start, *np.array(humidity).T) / 100.0
    sat = saturation(celsius)
    slope = (saturation(celsius + 0.01) - saturation(celsius - 0.01)) / 0.02
    gain = 1.0 + 0.3 * np.exp(-middles / 5400.0)
    problem = rival.Problem(
        {
            "spans": np.column_stack([edges[:-1], edges[1:], sat, slope / 134.0, humid, gain]),
            "weights": np.column_stack([at, medians - float(pot["tare_g"])]),
            "names": rival.NAMES,
            "mean": [*MEAN[:2], bag / (1.0 - bag), *MEAN[3:]],
            "sd": SD,
            "ball_g": float(pot["ball_g"]),
            "wall_m": float(pot["wall_mm"]) / 1000.0,
            "base_m": float(pot["base_mm"]) / 1000.0,
            "c": 4.2,
            "k": 0.70,
        }
    )
    result = rival.FITS.get("compiled", rival.FITS["numpy"])(problem)
    dry = problem.parameters(result.x)[0, 0]
    return name, rival.masses_numpy(problem, result.x)[-1, 0] / dry - 1.0


def main(folder):
    bags = {
        row["body"]: float(row["bag_water_wet_percent"]) / 100.0
        for row in table(folder / "bodies.csv")
    }
    on = {row["detail"]: row["pot"] for row in table(folder / "handling.csv")}
    weights = collections.defaultdict(list)
    room = collections.defaultdict(list)
    with open(folder / "readings.csv", newline="", encoding="utf-8") as file:
        reader = csv.reader(file)
        head = next(reader)
        time, source, quantity, value = (
            head.index(name) for name in ("time", "source", "quantity", "value")
        )
        for row in reader:
            point = (seconds(row[time]), float(row[value]))
            if row[quantity] == "mass":
                weights[on[row[source]]].append(point)
            else:
                room[row[quantity]].append(point)
    jobs = [
        (
            pot["pot"],
            pot,
            bags[pot["body"]],
            weights[pot["pot"]],
            room["temperature"],
            room["humidity"],
        )
        for pot in table(folder / "pots.csv")
    ]
    if len(jobs) == 1:
        answers = map(fit, jobs)
    else:
        answers = multiprocessing.Pool().imap(fit, jobs)
    for name, water in answers:
        print(f"{name} {water:.4f}")


if __name__ == "__main__":
    main(pathlib.Path(sys.argv[1]))
