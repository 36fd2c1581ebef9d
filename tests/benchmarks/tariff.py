"""How long a tariff takes for a year of quarter hours: laying it on the axis, and billing readings.

    python tests/benchmarks/tariff.py [--json FILE]

The yardstick, timed in the same run, is a plain loop over the same steps that adds up one energy price and one monthly
peak: what one would write first. Times are the median of several runs after the files have been read.
"""

import argparse
import json
import platform
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from crestfall.scenario import load_tariff
from crestfall.tariff import Readings, bill, rates_on

ROOT = Path(__file__).parents[2]
RUNS = 7
STEP_H = 0.25


def seconds(work: Callable[[], object]) -> float:
    """Return the median time of some runs."""
    times = []
    for _ in range(RUNS):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def year() -> tuple[pd.DatetimeIndex, Readings]:
    """Return the demo site's year without a battery."""
    table = pd.read_csv(ROOT / "data" / "load" / "perlesand.csv")
    start = pd.DatetimeIndex(pd.to_datetime(table["time"], utc=True)).tz_convert("Europe/Copenhagen")
    net_kw = (table["load_kw"] - table["pv_kw"]).to_numpy()
    kvar = table["load_kw"].to_numpy() * 0.4
    return start, Readings(import_kw=np.maximum(net_kw, 0), export_kw=np.maximum(-net_kw, 0), kvar=kvar)


def plain_loop(start: pd.DatetimeIndex, import_kw: np.ndarray) -> float:
    """Add up one price and the peak of each month, step by step."""
    energy, peaks = 0.0, {}
    for stamp, power in zip(start, import_kw, strict=True):
        is_dear = stamp.weekday() < 5 and 16 <= stamp.hour < 20
        energy += power * STEP_H * (0.25 if is_dear else 0.15)
        peaks[stamp.month] = max(peaks.get(stamp.month, 0.0), power)
    return energy + 9.0 * sum(peaks.values())


def main() -> None:
    """Print a table, or write it as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path)
    target = parser.parse_args().json
    start, readings = year()
    reference = seconds(lambda: plain_loop(start, readings.import_kw))
    rows = []
    for path in sorted((ROOT / "data" / "tariffs").glob("*.yaml")):
        sheet = load_tariff(path)
        rates = rates_on((sheet,), start, step_h=STEP_H)
        laying = seconds(lambda sheet=sheet: rates_on((sheet,), start, step_h=STEP_H))
        billing = seconds(lambda rates=rates: bill(rates, readings))
        rows.append(
            {
                "case": path.stem,
                "laying_s": round(laying, 4),
                "billing_s": round(billing, 4),
                "reference_s": round(reference, 4),
                "ratio": round(reference / (laying + billing), 1),
            }
        )
    print(f"Python {platform.python_version()}, numpy {np.__version__}, pandas {pd.__version__}, {platform.machine()}")
    print(pd.DataFrame(rows).to_string(index=False))
    if target is not None:
        target.write_text(json.dumps(rows, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
