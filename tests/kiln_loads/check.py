#!/usr/bin/env python3
"""How often whole kiln loads are dry that `kiln show` called likely dry.

    tests/kiln_loads/check.py BINARY STUDIO_FOLDER...

Each folder holds the studio files of a simulated studio with many pots, and truth.json with how wet
they were (rows of time, mean water, mean free water, water of the base, free water of the wettest
part). At some times loads are drawn from the pots that are not long dry, and asked about some days
ahead. A load is dry when the wettest part of each of its pots has held at most 0.010 free water.
Loads of one studio share their pots and their air: they are far fewer than they look.
"""
import csv
import json
import os
import random
import subprocess
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

SIZES = (2, 4)
DAYS = (2, 4)
DRY = 0.010
EDGES = (0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.01)


def time(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00"))


def text(when):
    return when.strftime("%Y-%m-%dT%H:%M:%SZ")


def run(binary, studio, *args):
    environment = {**os.environ, "TZ": "UTC"}
    command = [binary, "--studio", studio, *args]
    done = subprocess.run(command, capture_output=True, text=True, env=environment)
    if done.returncode != 0:
        sys.exit(f"{' '.join(command)}: {done.stderr}")
    return done.stdout


def dried(folder):
    """When the wettest part of each pot was dry, or None, and until when that is known."""
    found = {}
    for pot in json.loads((folder / "truth.json").read_text()):
        rows = [row if isinstance(row, list) else list(row.values()) for row in pot["moisture"]]
        dry = next((time(row[0]) for row in rows if row[4] <= DRY), None)
        found[pot["pot"]] = dry, time(rows[-1][0])
    return found


def asked(folder, chance):
    """Loads with the time they are asked at."""
    made = {r["pot"]: time(r["made_at"]) for r in csv.DictReader((folder / "pots.csv").open())}
    truth = dried(folder)
    first, last = min(made.values()), max(made.values())
    at = first + timedelta(days=2)
    while at < last + timedelta(days=3):
        def of_interest(pot):
            dry, _ = truth[pot]
            return made[pot] < at - timedelta(hours=12) and (dry is None or dry > at)

        wet = sorted(filter(of_interest, made))
        for size in SIZES:
            if len(wet) >= size:
                yield at, chance.sample(wet, size)
        at += timedelta(hours=101)


def check(binary, folder, chance):
    truth = dried(folder)
    with tempfile.TemporaryDirectory() as place:
        studio, loads = f"{place}/studio", Path(place, "loads")
        run(binary, studio, "import", str(folder))
        loads.mkdir()
        every = list(asked(folder, chance))
        with (loads / "kiln_loads.csv").open("w") as file:
            print("load,packed_at,pot", file=file)
            for number, (at, pots) in enumerate(every):
                for pot in pots:
                    print(f"load-{number},{text(at + timedelta(days=1))},{pot}", file=file)
        run(binary, studio, "import", str(loads))
        for number, (at, pots) in enumerate(every):
            for days in DAYS:
                date = at + timedelta(days=days)
                args = ["kiln", "show", f"load-{number}", "--at", text(at), "--date", text(date)]
                told = json.loads(run(binary, studio, *args, "--json"))
                if any(truth[pot][0] is None and truth[pot][1] < date for pot in pots):
                    continue
                if told["chance"] is None or any(pot["doubts"] for pot in told["pots"]):
                    continue
                chances = [pot["chance"] for pot in told["pots"]]
                came = all(truth[pot][0] is not None and truth[pot][0] <= date for pot in pots)
                yield len(pots), told["chance"], chances, came


def main():
    binary, *folders = sys.argv[1:]
    chance = random.Random(7)
    found = [one for folder in map(Path, folders) for one in check(binary, folder, chance)]
    print(f"{len(found)} loads of {len(folders)} studios")
    print("said          loads  mean said  dry")
    for low, high in zip(EDGES, EDGES[1:]):
        some = [(said, came) for _, said, _, came in found if low <= said < high]
        if some:
            said, came = (sum(map(float, all)) / len(some) for all in zip(*some))
            print(f"{low:4.2f} to {min(high, 1):4.2f}  {len(some):5}  {said:9.2f} {came:5.2f}")

    def product(chances):
        out = 1.0
        for one in chances:
            out *= one
        return out

    ways = {
        "as said": lambda said, _: said,
        "product of the pots' chances": lambda _, chances: product(chances),
        "chance of the wettest pot": lambda _, chances: min(chances),
    }
    for name, way in ways.items():
        score = sum((way(said, chances) - came) ** 2 for _, said, chances, came in found)
        print(f"mean square miss (Brier), {name}: {score / len(found):.4f}")
    broken = sum(said > min(chances) + 1e-9 for _, said, chances, _ in found)
    print(f"loads likelier dry than their wettest pot: {broken}")


if __name__ == "__main__":
    main()
