"""How long meter files take: a year of quarter hours, and ten years of minutes, from CSV to a checked series.

    python tests/benchmarks/meter.py [--json FILE]

The yardstick, timed in the same run, is pandas reading the same file and parsing its stamps, with the layout known: no
zone, no checks. Each reading runs in a process of its own, whose highest memory is taken from Linux.
"""

import argparse
import json
import platform
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

GOALS = {"a year of 15 min": (0.5, None), "ten years of 1 min": (20.0, 2048.0)}
CHILD = """
import re, sys, time
import pandas as pd
from pathlib import Path
from crestfall.series.meter import Said, read_meter
read_meter([Path(sys.argv[2])], Said(zone="Europe/Berlin"))  # a small file: what is loaded once is not timed
began = time.perf_counter()
if sys.argv[3] == "meter":
    found = read_meter([Path(sys.argv[1])], Said(zone="Europe/Berlin"))
    assert found.is_whole, found.series.defects
else:
    table = pd.read_csv(sys.argv[1], sep=";", decimal=",")
    pd.to_datetime(table["Zeit"], format="%d.%m.%Y %H:%M")
print(time.perf_counter() - began, int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024)
"""


def write(path: Path, first: str, end: str, step_min: int) -> None:
    """Write a file as a German utility might: semicolons, dotted local dates, decimal commas."""
    local = pd.date_range(first, end, freq=f"{step_min}min", inclusive="left", tz="UTC").tz_convert("Europe/Berlin")
    day_of, days = pd.factorize(local.normalize())
    day_words = [f"{day:%d.%m.%Y}" for day in days]
    minute = (np.asarray(local.hour) * 60 + np.asarray(local.minute)).tolist()
    noise = np.random.default_rng(1).normal(0, 9, len(local))
    values = (200 + 100 * np.sin(np.arange(len(local)) / 50) + noise).round(2).tolist()
    with path.open("w", encoding="utf-8") as file:
        file.write("Zeit;Leistung kW\n")
        for day, at, value in zip(day_of.tolist(), minute, values, strict=True):
            file.write(f"{day_words[day]} {at // 60:02d}:{at % 60:02d};{str(value).replace('.', ',')}\n")


def timed(path: Path, small: Path, how: str) -> tuple[float, float]:
    """Return seconds and megabytes of one reading in a new process."""
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(path), str(small), how], capture_output=True, text=True, check=True
    )
    seconds, megabytes = map(float, done.stdout.split())
    return seconds, megabytes


def main() -> None:
    """Print a table, or write it as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    rows = {}
    with tempfile.TemporaryDirectory() as folder:
        small, year, decade = (Path(folder) / f"{name}.csv" for name in ("small", "year", "decade"))
        write(small, "2024-12-31T23:00", "2025-12-31T23:00", 60)
        write(year, "2024-12-31T23:00", "2025-12-31T23:00", 15)
        write(decade, "2014-12-31T23:00", "2024-12-31T23:00", 1)
        for name, path in (("a year of 15 min", year), ("ten years of 1 min", decade)):
            rows[name] = {how: timed(path, small, how) for how in ("meter", "pandas")}
            rows[name]["file_mb"] = path.stat().st_size / 1e6
    for name, row in rows.items():
        (seconds, megabytes), (plain, _), goal = row["meter"], row["pandas"], GOALS[name]
        limit = f", goal {goal[0]:g} s" + (f" and {goal[1]:,.0f} MB" if goal[1] else "")
        print(f"{name:<20} {row['file_mb']:6.1f} MB file  {seconds:6.2f} s  {megabytes:7,.0f} MB{limit}")
        print(f"{'':<20} pandas alone    {plain:6.2f} s")
    if asked.json:
        content = {"python": platform.python_version(), "rows": rows}
        asked.json.write_text(json.dumps(content, indent=2), encoding="utf-8")


if __name__ == "__main__":
    main()
