"""Lines of other people's making through the real daemon, and what must come of them.

SenML: packs are built with kpn-senml and with senml (two libraries of the Python package index) and
written by them; what they mean is told by the second library's own resolving of base fields
(`to_absolute`). Wire: socat, two pseudo-terminals as one cable; where a checksum stands at the end of
a line, zlib made it. The scale on request is a shell behind socat. Calendar: the library icalendar
(RFC 5545) reads what `plan` wrote.
"""

import csv
import json
import os
import pathlib
import random
import signal
import subprocess
import sys
import tempfile
import time
import zlib

import icalendar
from kpn_senml import SenmlPack, SenmlRecord
from senml.senml import SenMLDocument, SenMLMeasurement

PROGRAM = os.path.abspath(sys.argv[1])
T = 1_930_000_000.0
random.seed(8428)


def by_first(i):
    """A pack of kpn-senml: base name, base time, absolute and relative times."""
    pack = SenmlPack("shelf-a:")
    pack.base_time = T + 60 * i
    pack.add(SenmlRecord("cell-1", unit="g", value=round(random.uniform(-5, 2000), 1)))
    pack.add(SenmlRecord("cell-2", unit="kg", value=round(random.uniform(0, 5), 4),
                         time=T + 60 * i - 1.5))
    pack.add(SenmlRecord("room", unit="Cel", value=round(random.uniform(5, 40), 2)))
    pack.add(SenmlRecord("room", unit="%RH", value=round(random.uniform(20, 95), 1)))
    pack.add(SenmlRecord("cell-3", unit="count", value=random.randint(-(2**23), 2**23 - 1)))
    return pack.to_json()


def by_second(i):
    """A pack of senml: base unit and base value too; its own version number."""
    base = SenMLMeasurement(name="rack-", time=T + 60 * i, unit="g", value=500.0)
    some = [SenMLMeasurement(name=f"b{k}", value=float(random.randint(-400, 400)), time=float(k))
            for k in range(3)]
    return json.dumps(SenMLDocument(measurements=some, base=base).to_json())


def meaning(line):
    """What a pack says, as the second library resolves it: (source, quantity) and (time, value)."""
    document = SenMLDocument.from_json(json.loads(line))
    unit = {"g": ("mass", 1), "kg": ("mass", 1000), "Cel": ("temperature", 1),
            "%RH": ("humidity", 1), "count": ("count", 1)}
    for one in document.measurements:
        full = one.to_absolute(document.base)
        quantity, factor = unit[full.unit]
        yield full.name, quantity, full.time, full.value * factor


def sealed(line):
    return f"{line} {zlib.crc32(line.encode()):08x}"


def until(what, is_so, patience=30):
    end = time.monotonic() + patience
    while not is_so():
        if time.monotonic() > end:
            sys.exit(f"in vain: {what}")
        time.sleep(0.05)


class Daemon:
    """`warecast watch` on one port, in a studio of its own."""

    def __init__(self, folder, settings):
        self.studio = folder / "studio"
        self.studio.mkdir()
        (self.studio / "studio.toml").write_text(settings)
        self.log = folder / "log"
        command = [PROGRAM, "--studio", self.studio, "watch"]
        self.process = subprocess.Popen(command, stderr=self.log.open("wb"))
        until("the port is ready", lambda: "ready" in self.log.read_text())

    def end(self):
        self.process.send_signal(signal.SIGTERM)
        if self.process.wait(30) != 0:
            sys.exit(self.log.read_text())
        out = self.studio / "out"
        subprocess.run([PROGRAM, "--studio", self.studio, "export", out], check=True,
                       capture_output=True)
        rows = [(r["source"], r["quantity"], r["time"], float(r["value"]), r["count"])
                for r in csv.DictReader((out / "readings.csv").open())]
        rows += [(r["source"], "count", r["time"], float(r["raw"]), r["samples"])
                 for r in csv.DictReader((out / "counts.csv").open())]
        return rows


def seconds(text):
    import datetime
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def senml(folder):
    """120 lines of two libraries, every third with a checksum, over socat."""
    near, far = folder / "near", folder / "far"
    wire = subprocess.Popen(["socat", f"pty,raw,echo=0,link={near}", f"pty,raw,echo=0,link={far}"])
    until("socat's wire", lambda: near.exists() and far.exists())
    daemon = Daemon(folder, f'[[port]]\npath = "{far}"\nbaud = 115200\n')
    lines = [make(i) for i in range(60) for make in (by_first, by_second)]
    expected = [one for line in lines for one in meaning(line)]
    with open(near, "wb", buffering=0) as end:
        for i, line in enumerate(lines):
            text = (sealed(line) if i >= 60 else line) + ("\r\n" if i % 2 else "\n")
            end.write(text.encode())
            time.sleep(0.01)
        time.sleep(1)
        got = daemon.end()
    wire.terminate()
    # A source faster than one reading in 10 s is reduced: those of the second library, told apart
    # by their count. All others must be there one by one.
    plain = {(s, q, round(seconds(t), 3)): v for s, q, t, v, n in got if n == ""}
    missing = [e for e in expected
               if abs(plain.get((e[0], e[1], round(e[2], 3)), 1e9) - e[3]) > 1e-9 * max(1, abs(e[3]))]
    samples = sum(int(n or 1) for *_, n in got)
    if missing or samples != len(expected):
        print(daemon.log.read_text())
        sys.exit(f"{samples} of {len(expected)} records; missing or other: {missing[:5]}")
    print(f"SenML: {len(lines)} lines of two libraries, {samples} records, all as they resolve them")


ANSWERS = ["ST   812.4 g", "US   640.0 g", "ST    -3.5 g", "OL", "ST 1.2045 kg", "ST  28.70 oz"]
GRAMS = [812.4, -3.5, 1204.5, 28.70 * 28.349523125]


def scale(folder):
    """A scale that prints when it is asked: a shell behind socat."""
    port = folder / "scale"
    answers = folder / "answers"
    answers.write_text("".join(f"{line}\r\n" for line in ANSWERS))
    shell = f"exec 3<{answers}; while read -r q; do read -r a <&3 && printf \"%s\\n\" \"$a\"; done"
    script = folder / "scale.sh"
    script.write_text(shell)
    peer = subprocess.Popen(["socat", f"pty,raw,echo=0,link={port}", f"EXEC:bash {script}"])
    until("socat's scale", port.exists)
    daemon = Daemon(folder, f"""[[port]]
path = "{port}"
format = "text"
pattern = '^(?:(?P<stable>ST)|(?P<unstable>US)|(?P<overload>OL))\\s*(?:(?P<mass>[-+]?[\\d.]+) (?P<unit>\\w+))?'
source = "bench"
ask = "W\\r\\n"
ask_seconds = 10
""")
    asked = time.monotonic()
    until("all answers", lambda: time.monotonic() - asked > 10 * len(ANSWERS), 90)
    got = daemon.end()
    peer.terminate()
    values = [v for *_, v, _ in sorted(got, key=lambda row: row[2])]
    log = daemon.log.read_text()
    if any(abs(a - b) > 1e-9 for a, b in zip(values, GRAMS)) or len(values) != len(GRAMS):
        sys.exit(f"{log}\nwanted {GRAMS}, got {values}")
    if "1 not at rest, 1 beyond the scale's range" not in log:
        sys.exit(log)
    print(f"text: {len(ANSWERS)} answers on request, {len(values)} weights, the rest told apart")


HOSTILE = ["jar; END:VEVENT, \\n ☃", "éé é" * 12, "BEGIN:VCALENDAR"]


def calendar(folder):
    """Names that would break a calendar, as another library reads them again."""
    files = folder / "files"
    files.mkdir()
    with open(files / "pots.csv", "w", newline="") as file:
        rows = [["pot", "body", "made_at", "ball_g", "tare_g", "wall_mm", "base_mm"]]
        rows += [[name, "tide", "2031-04-02T14:00:00Z", 600, "", 6, 9] for name in HOSTILE]
        csv.writer(file).writerows(rows)
    (files / "bodies.csv").write_text("body,bag_water_wet_percent\ntide,22\n")
    studio, out = folder / "studio", folder / "plan.ics"
    run = lambda *args: subprocess.run([PROGRAM, "--studio", studio, *args], check=True,
                                       env={**os.environ, "TZ": "UTC"}, capture_output=True)
    run("import", files)
    asked = ["--at", "2031-04-02 17:40", "--hours", "9-13,15-18", "--calendar", out, "--json"]
    plan = json.loads(run("plan", *asked).stdout)
    read = icalendar.Calendar.from_ical(out.read_bytes())
    events = read.walk("VEVENT")
    windows = {str(e["SUMMARY"]): e for e in events if str(e["SUMMARY"]).endswith(" can be trimmed")}
    for pot in plan["pots"]:
        event = windows.get(f"{pot['pot']} can be trimmed")
        if event is None or event.errors or read.errors:
            sys.exit(f"{pot['pot']}: {event} {read.errors}")
        begins = event.decoded("DTSTART").timestamp()
        if abs(begins - seconds(pot["opens"]["p50"])) > 1:
            sys.exit(f"{pot['pot']}: {event}")
    if len(plan["pots"]) != len(HOSTILE) or len({str(e["UID"]) for e in events}) != len(events):
        sys.exit(out.read_text())
    print(f"iCalendar: {len(events)} events, read again with their names and times")


if __name__ == "__main__":
    for part in (calendar, senml, scale):
        with tempfile.TemporaryDirectory() as folder:
            part(pathlib.Path(folder))
