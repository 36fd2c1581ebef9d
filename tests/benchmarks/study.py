"""How long comparisons and sweeps take, how well two workers share them, and what a case costs beside its schedule.

    python tests/benchmarks/study.py [--json FILE] [--quick] [--only {tables,cases}]

The site is the demo's cold store, invented: a year of quarter hours with PV, two energy prices and two demand charges.
`--quick` takes hours instead, and few of them all; its figures say nothing but that everything runs.
"""

import argparse
import json
import platform
import tempfile
import time
from multiprocessing import active_children
from pathlib import Path
from typing import Any

import numpy as np

from crestfall.scenario import load_scenario
from crestfall.study import compare, sweep

ROOT = Path(__file__).parents[2]
HEAD = "crestfall_sweep: 1\nbase: {base}\nstudy: first_year\naxes:\n"
PEAK = '  - {{key: "tariff.demand_charges[0].rate_per_kw", range: {{first: 4, last: {last}, step: 0.01}}}}\n'
COST = "  - {{key: money.installation_cost, range: {{first: 1, last: {count}, step: 1}}}}\n"


def site(folder: Path, *, policy: str, racks: int, quick: bool) -> Path:
    """Write the cold store with its life into a folder and return the scenario's path."""
    text = (ROOT / "scenarios" / "cold_store_life.yaml").read_text(encoding="utf-8")
    tariff = (ROOT / "data" / "tariffs" / "klitlys_seasonal.yaml").read_text(encoding="utf-8")
    text = text.replace("../data/tariffs/klitlys_seasonal.yaml", "tariff.yaml").replace("../data", str(ROOT / "data"))
    assert "policy:" not in text  # the default then, which is not asked for here
    text += f"\npolicy: {policy}\n"
    text = text.replace("  racks: 4\n  modules: 3", f"  racks: {racks}\n  modules: {3 if racks else 0}")
    if quick:
        text = text.replace("  import_limit_kw: 420", "  step_min: 60\n  import_limit_kw: 420")
        text = text.replace("horizon_years: 15", "horizon_years: 10")
        tariff = tariff.replace("averaging_min: 15", "averaging_min: 60")
    path = folder / f"{policy}-{racks}.yaml"
    path.write_text(text, encoding="utf-8")
    (folder / "tariff.yaml").write_text(tariff, encoding="utf-8")
    return path


class Memory:
    """Highest memory of all workers, looked at whenever something is said [MB]."""

    def __init__(self) -> None:
        self.seen: list[float] = []

    def __call__(self, _: str) -> None:
        sizes = [resident_mb(child.pid) for child in active_children()]
        if sizes:
            self.seen.append(max(sizes))


def resident_mb(pid: int | None) -> float:
    """Return the resident memory of a process; 0 where it is gone or the system has no such file [MB]."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmRSS")), 0.0)


def table(folder: Path, policy: str, *, quick: bool) -> dict[str, float | str]:
    """Time a table of options through their lives."""
    racks, modules = (range(1, 3), range(1, 2)) if quick else (range(1, 9), range(1, 7))
    scenario = load_scenario(site(folder, policy=policy, racks=4, quick=quick))
    began = time.perf_counter()
    found = compare(scenario, racks=racks, modules=modules, draws=0, workers=2)
    seconds = time.perf_counter() - began
    years = sum(len(one.life.years) for one in found.options if one.life is not None)
    return {"what": f"table by {policy}", "cases": years, "seconds": seconds, "per_case_ms": 1000 * seconds / years}


def cases(folder: Path, *, quick: bool) -> list[dict[str, float | str]]:
    """Time sweeps: of single years by one worker and two, and of bills alone with what memory the worker takes."""
    base = site(folder, policy="hindsight", racks=4, quick=quick)
    many = PEAK.format(last=4 + 0.01 * (7 if quick else 999))
    one = swept(folder, many, base, 1, "single years, 1 worker")
    two = swept(folder, many, base, 2, "single years, 2 workers")
    rows = [one, two]
    rows.append({"what": "efficiency of 2 workers", "ratio": one["seconds"] / two["seconds"] / 2})
    bare, memory = site(folder, policy="hindsight", racks=0, quick=quick), Memory()
    costs = COST.format(count=50 if quick else 2000)
    rows.append(swept(folder, costs, bare, 1, "bills only: what a case costs beside its schedule", memory))
    seen = np.array(memory.seen or [0.0])
    last_over_middle = float(seen[-1] / max(seen[len(seen) // 2], 1.0))
    rows.append({"what": "memory of a worker, last over middle", "mb": float(seen[-1]), "ratio": last_over_middle})
    return rows


def swept(folder: Path, axis: str, base: Path, workers: int, name: str, memory: Memory | None = None) -> dict[str, Any]:
    """Time a sweep."""
    path = folder / f"{name}.yaml"
    path.write_text(HEAD.format(base=base.name) + axis, encoding="utf-8")
    began = time.perf_counter()
    found = sweep(path, folder / f"{name}-out", workers=workers, limit=100_000, on_stage=memory)
    seconds = time.perf_counter() - began
    assert (found.table["status"] == "done").all(), found.table["reason"].unique()
    count = len(found.table)
    return {"what": name, "cases": count, "seconds": seconds, "per_case_ms": 1000 * seconds / count}


def main() -> None:
    """Print a table, or write it as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", choices=("tables", "cases"))
    asked = parser.parse_args()
    rows: list[dict[str, float | str]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if asked.only != "cases":
            rows += [table(folder, policy, quick=asked.quick) for policy in ("hindsight", "rules", "rolling")]
        if asked.only != "tables":
            rows += cases(folder, quick=asked.quick)
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}")
    for row in rows:
        figures = [f"{value:>10.2f} {key}" for key, value in row.items() if key != "what"]
        print(f"{row['what']:<52}" + "".join(figures))
    if asked.json is not None:
        asked.json.write_text(json.dumps(rows, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
