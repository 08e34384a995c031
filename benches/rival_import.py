"""What somebody might write instead of `warecast import`: CSV into SQLite.

rival_import.py FOLDER DATABASE

Needs Python 3.11 or later (its standard library only). Checks each row of readings.csv as far as
`warecast import` does for good rows (time with an offset, a known quantity and unit, a finite
number) and keeps them in one table in one transaction.
"""

import csv
import datetime as dt
import math
import pathlib
import sqlite3
import sys

UNITS = {
    ("mass", "g"): lambda v: v,
    ("mass", "kg"): lambda v: 1000.0 * v,
    ("mass", "oz"): lambda v: 28.349523125 * v,
    ("mass", "lb"): lambda v: 453.59237 * v,
    ("temperature", "Cel"): lambda v: v,
    ("temperature", "degF"): lambda v: (v - 32.0) / 1.8,
    ("humidity", "%RH"): lambda v: v / 100.0,
}
EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.timezone.utc)
MICROSECOND = dt.timedelta(microseconds=1)


def rows(path):
    with open(path, newline="", encoding="utf-8") as file:
        reader = csv.reader(file)
        head = next(reader)
        time, source, quantity, value, unit, pot = (
            head.index(name) for name in ("time", "source", "quantity", "value", "unit", "pot")
        )
        for row in reader:
            moment = dt.datetime.fromisoformat(row[time])
            number = UNITS[row[quantity], row[unit]](float(row[value]))
            if moment.tzinfo is None or not math.isfinite(number) or not row[source]:
                raise SystemExit(f"{path}:{reader.line_num}: bad row")
            micros = (moment - EPOCH) // MICROSECOND
            yield row[source], row[quantity], micros, row[pot], number


folder, database = pathlib.Path(sys.argv[1]), sys.argv[2]
db = sqlite3.connect(database)
db.execute("PRAGMA journal_mode = WAL")
db.execute(
    "CREATE TABLE reading (source TEXT, quantity TEXT, time INTEGER, pot TEXT, value REAL,"
    " PRIMARY KEY (source, quantity, time, pot)) WITHOUT ROWID"
)
with db:
    db.executemany(
        "INSERT INTO reading VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        rows(folder / "readings.csv"),
    )
print(db.execute("SELECT count(*) FROM reading").fetchone()[0])
db.close()
