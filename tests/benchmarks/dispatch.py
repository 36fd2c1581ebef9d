"""How long an optimal year takes, from the problem's arrays to a checked schedule with its proof.

    python tests/benchmarks/dispatch.py [--json FILE] [--quick] [--only WORDS]
    python tests/benchmarks/dispatch.py --picture FILE

The yardsticks, timed in the same run on one core, are the formulation of record, built in Pyomo and solved by HiGHS
with its defaults, and HiGHS alone on the same program as ready arrays. Times are medians of several runs that take
turns, in seconds of the processor: on one core they are those of the clock, but for what other programs take. A
yardstick that needs more than ten minutes is stopped: its time and the ratio are then "more than". Memory is that of a
process of its own: its highest, as Linux tells it, less what it held with the problem's arrays and all libraries
loaded. A plot of the growth with the number of steps is saved beside the JSON file. The year is invented. `--quick`
takes 28 days in place of each year; `--only` leaves out what has not these words in its name.

With `--picture` it draws the cost-to-go of one day, nothing is timed.
"""

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from crestfall.dispatch import Peak, Problem, Schedule, SettlementWriter, Status, check_feasible
from crestfall.errors import SolverError

ROOT = Path(__file__).parents[2]
RUNS = 7  # of the exact way, in each turn
TURNS = 3
TIME_LIMIT_S = 600.0
GROWTH_DAYS = (1, 3, 10, 37, 110, 365, 1095, 3650)
FITTED_FROM = 2_000  # steps; below, what every run costs whatever its length would flatter the growth
MONTH_H = 730.0
PACKAGES = ("numpy", "numba", "highspy", "pyomo", "scipy")

PEAK_CHILD = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from dispatch import CASES, exactly
STATUS = Path("/proc/self/status")

def kilobytes(key):
    return int(next(line.split()[1] for line in STATUS.read_text().splitlines() if line.startswith(key)))

case, days = CASES[sys.argv[2]], int(sys.argv[3])
exactly(case.problem(2))  # libraries and compiled code are loaded
problem = case.problem(days)
Path("/proc/self/clear_refs").write_text("5")  # the highest so far is forgotten
before = kilobytes("VmRSS:")
exactly(problem)
print((kilobytes("VmHWM:") - before) / 1024)
"""
IMPORT_CHILD = "import time; began = time.process_time(); import crestfall; print(time.process_time() - began)"
FIRST_CHILD = """
import sys
sys.path.insert(0, sys.argv[1])
from dispatch import CASES
from crestfall.dispatch import optimise
optimise(CASES["two demand charges a month"].problem(int(sys.argv[2])))
"""


def year(days: int, *, per_day: int = 96, changes_every_step: bool = False, **more: Any) -> Problem:
    """Return a problem of a site with PV, a battery of 100 kW and 230 kWh, and three prices of energy a day."""
    n, draw = days * per_day, np.random.default_rng(1)
    step_h = 24 / per_day
    hour, weekday = np.arange(n) * step_h % 24, np.repeat(np.arange(days) % 7, per_day)
    load = 120 + 80 * np.exp(-(((hour - 14) / 3.5) ** 2)) * (weekday < 5) + 10 * draw.random(n)
    load += 40 * (draw.random(n) < 0.02)
    cloud = 0.3 + 0.7 * draw.random(days).repeat(per_day)
    pv = np.maximum(0, 150 * np.sin((hour - 6) / 12 * np.pi)) * cloud
    buy = np.where((hour >= 17) & (hour < 21), 0.34, np.where(hour < 6, 0.14, 0.22))
    sell = np.full(n, 0.06)
    if changes_every_step:
        buy = buy * (0.5 + draw.random(n))
        sell = np.minimum(sell, buy)

    def each(value: float) -> np.ndarray:
        return np.full(n, value)

    return Problem(
        step_h=step_h,
        load_kw=load,
        auxiliary_kw=each(0.5),
        pv_kw=pv,
        curtailable_kw=each(0.0),
        buy_per_kwh=buy,
        sell_per_kwh=sell,
        import_limit_kw=each(np.inf),
        export_limit_kw=each(np.inf),
        charge_limit_kw=each(100.0),
        discharge_limit_kw=each(100.0),
        into_limit_kw=each(np.inf),
        outof_limit_kw=each(np.inf),
        charge_frac=0.96,
        discharge_frac=0.95,
        keep_frac=0.9999 ** (step_h / 0.25),
        floor_kwh=each(10.0),
        ceiling_kwh=each(240.0),
        wear_per_kwh=0.02,
        **more,
    )


def months(days: int, per_day: int = 96) -> np.ndarray:
    """Return the month of each step, twelve equal ones a year."""
    return (np.arange(days * per_day) * (24 / per_day) // MONTH_H).astype(int)


def monthly(days: int, per_day: int, rate: float, *, evenings: bool = False) -> list[Peak]:
    """Return a demand charge, at any hour or on the evenings of weekdays, in each month."""
    at = np.arange(days * per_day)
    hour, weekday = at % per_day * (24 / per_day), at // per_day % 7
    inside = (hour >= 16) & (hour < 20) & (weekday < 5) if evenings else np.full(len(at), True)
    month = months(days, per_day)
    steps = [np.flatnonzero(inside & (month == k)) for k in range(month[-1] + 1)]
    kind = "evenings" if evenings else "any hour"
    return [Peak(name=f"{kind}, month {k}", rate_per_kw=rate, steps=s) for k, s in enumerate(steps) if s.size]


def two_charges(days: int, *, per_day: int = 96) -> Problem:
    """Return the year with two demand charges a month."""
    peaks = monthly(days, per_day, 9.0) + monthly(days, per_day, 6.0, evenings=True)
    return year(days, per_day=per_day, peaks=tuple(peaks))


def ratchet_and_level(days: int) -> Problem:
    """Return the year with a ratchet on earlier months' peaks, and a contracted capacity that may be chosen."""
    writer, most_kw = SettlementWriter(), 1000.0
    level = writer.variable("contracted capacity", upper=most_kw, cost=36.0)
    earlier: list[Any] = []
    for peak in monthly(days, 96, 0.0):
        measured = writer.peak(peak)
        billed = writer.variable("billed demand", upper=most_kw, cost=9.0)
        excess = writer.variable("excess over the capacity", upper=most_kw, cost=18.0)
        writer.row([(billed, 1.0), (measured, -1.0)], at_least=0.0)
        for before in earlier:
            writer.row([(billed, 1.0), (before, -0.8)], at_least=0.0)
        writer.row([(excess, 1.0), (measured, -1.0), (level, 1.0)], at_least=0.0)
        earlier.append(measured)
    return year(days, peaks=tuple(writer.peaks), settlement=writer.settlement())


def daily_peaks(days: int) -> Problem:
    """Return the year with a demand charge each day."""
    day = np.arange(96)
    return year(days, peaks=tuple(Peak(name=f"day {k}", rate_per_kw=0.4, steps=k * 96 + day) for k in range(days)))


def demo_site(_: int) -> Problem:
    """Return the demo site's own year: curved losses, tapers, and its tariff."""
    from crestfall.scenario import load_scenario
    from crestfall.study._inputs import dispatch_problem, prepare

    return dispatch_problem(prepare(load_scenario(ROOT / "scenarios" / "cold_store.yaml")))


@dataclass(frozen=True, slots=True)
class Case:
    """A year to be solved, and how much faster than the formulation of record that should be."""

    problem: Callable[[int], Problem]
    goal: float | None
    turns: int = TURNS


CASES = {
    "time-of-use prices": Case(year, 800),
    "a different price every step": Case(lambda days: year(days, changes_every_step=True), 500),
    "two demand charges a month": Case(two_charges, 100),
    "ratchet and contracted capacity": Case(ratchet_and_level, 80),
    "a peak every day": Case(daily_peaks, 80),
    "the demo site": Case(demo_site, None),
    "steps of 5 min, two demand charges": Case(lambda days: two_charges(days, per_day=288), 80, turns=1),
}


GROWING = ("a different price every step", "two demand charges a month")


def exactly(problem: Problem) -> Schedule:
    """Return the schedule of the exact way, checked."""
    from crestfall.dispatch._exact import solve_exactly

    schedule = solve_exactly(problem)
    check_feasible(problem, schedule)
    return schedule


def by_record(problem: Problem) -> float:
    """Return the least cost by the formulation of record, its model built anew; NaN if the time ran out."""
    from crestfall.dispatch._solve import solve_as_program

    try:
        schedule = solve_as_program(problem, time_limit_s=TIME_LIMIT_S)
    except SolverError:  # there is no schedule yet
        return float("nan")
    return schedule.objective if schedule.status is Status.OPTIMAL else float("nan")


class Alone:
    """HiGHS on the formulation of record as ready arrays."""

    def __init__(self, problem: Problem) -> None:
        from crestfall.dispatch._model import build_model

        with tempfile.TemporaryDirectory() as folder:
            path = str(Path(folder) / "year.lp")
            build_model(problem).write(path)
            reader = self._quiet()
            reader.readModel(path)
        self._program = reader.getLp()

    @staticmethod
    def _quiet() -> Any:
        from highspy import _core  # its public class prints a banner as it is made

        solver = _core._Highs()
        solver.setOptionValue("output_flag", False)
        solver.setOptionValue("threads", 1)
        solver.setOptionValue("time_limit", TIME_LIMIT_S)
        return solver

    def solve(self) -> None:
        """Solve it from the start, on one thread."""
        solver = self._quiet()
        solver.passModel(self._program)
        solver.run()


def seconds(work: Callable[[], object], runs: int = 1, clock: Callable[[], float] = time.process_time) -> list[float]:
    """Return the time of each of some runs."""
    times = []
    for _ in range(runs):
        began = clock()
        work()
        times.append(clock() - began)
    return times


def child(code: str, *arguments: object) -> str:
    """Return what a new process prints."""
    command = [sys.executable, "-c", code, *map(str, arguments)]
    # As an installed package is: its modules are not compiled anew in each process.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout


def peak_mb(name: str, days: int) -> float:
    """Return the memory that a case takes above its arrays, as the child at the top of this file measures it."""
    return round(float(child(PEAK_CHILD, Path(__file__).parent, name, days)), 1)


def row_of(name: str, days: int) -> dict[str, Any]:
    """Return the figures of one case."""
    case = CASES[name]
    problem = case.problem(days)
    schedule = exactly(problem)  # loads what was compiled
    alone = Alone(problem)
    exact, record, ready = [], [], []
    least = [0.0]
    for _ in range(case.turns):
        exact += seconds(lambda: exactly(problem), RUNS)
        record += seconds(lambda: least.append(by_record(problem)))
        ready += seconds(alone.solve)
    own, reference, highs = map(statistics.median, (exact, record, ready))
    cost = max(abs(schedule.objective), 1.0)
    is_ended = not np.isnan(least[-1])
    return {
        "case": name,
        "steps": problem.n_steps,
        "seconds": round(own, 4),
        "reference_seconds": round(reference, 2),
        "reference_ended": is_ended,
        "highs_seconds": round(highs, 2),
        "ratio": round(reference / own, 1),
        "goal": case.goal,
        "gap_frac": float(f"{(schedule.objective - schedule.lower_bound) / cost:.2g}"),
        "differs_frac": float(f"{(schedule.objective - least[-1]) / cost:.2g}") if is_ended else None,
        "peak_mb": peak_mb(name, days),
    }


def growth(name: str, most_days: int) -> list[dict[str, Any]]:
    """Return the time of the exact way over the number of steps, and the exponent of its growth."""
    rows = []
    for days in (days for days in GROWTH_DAYS if days <= most_days):
        problem = CASES[name].problem(days)
        schedule = exactly(problem)
        gap = (schedule.objective - schedule.lower_bound) / max(abs(schedule.objective), 1.0)
        own = statistics.median(seconds(lambda problem=problem: exactly(problem), RUNS))
        rows.append(
            {
                "case": f"growth: {name}",
                "steps": problem.n_steps,
                "seconds": round(own, 6),
                "gap_frac": float(f"{gap:.2g}"),
            }
        )
    fitted = [row for row in rows if row["steps"] >= FITTED_FROM]
    logs = [np.log([row[key] for row in fitted]) for key in ("steps", "seconds")]
    exponent = float(np.polyfit(*logs, 1)[0])
    return [row | {"exponent": round(exponent, 3)} for row in rows]


def draw_growth(rows: list[dict[str, Any]], path: Path) -> None:
    """Save the time over the number of steps."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    from crestfall.report._style import IMPORT_AFTER, IMPORT_BEFORE, WIDTH_IN, house_style

    with house_style():
        figure, ax = plt.subplots(figsize=(WIDTH_IN, 4.2), layout="constrained")
        names = list(dict.fromkeys(row["case"] for row in rows))
        for name, look, marker in zip(names, (IMPORT_AFTER, IMPORT_BEFORE), ("o", "s"), strict=True):
            own = [row for row in rows if row["case"] == name]
            label = f"{name.removeprefix('growth: ')}: steps to the power of {own[0]['exponent']:.2f}"
            ax.loglog([r["steps"] for r in own], [r["seconds"] for r in own], marker=marker, label=label, **look)
        ax.set(
            title="Time of the exact way over the length of the problem",
            xlabel="number of steps of 15 min",
            ylabel="median time of the processor [s]",
        )
        ax.axvline(35_040, color="#9fabb3", linewidth=0.8, linestyle=(0, (1, 1.2)))
        ax.annotate("one year", (35_040, ax.get_ylim()[0]), (4, 4), textcoords="offset points", fontsize=8)
        ax.legend(loc="upper left")
        figure.savefig(path)
        plt.close(figure)


def lines_of_a_day(hours: tuple[int, ...]) -> list[tuple[int, np.ndarray, np.ndarray]]:
    """Return the cost-to-go of one sunny weekday before some of its hours: stored energy and cost of its corners."""
    from crestfall.dispatch._caps import caps_at, measured_by
    from crestfall.dispatch._exact import store_of
    from crestfall.dispatch._intervals import spans_of
    from crestfall.dispatch._pieces import pieces_of, step_data
    from crestfall.dispatch._store import backward, cut, line_between, memory_for, n_chunks, room_for

    day = year(1, changes_every_step=True)
    found = []
    for hour in hours:
        begin = hour * 4
        n = day.n_steps - begin
        rest = {
            name: value[begin:] for name in Problem.__slots__ if isinstance(value := getattr(day, name), np.ndarray)
        }
        problem = Problem(**{name: getattr(day, name) for name in Problem.__slots__} | rest)
        spans = spans_of(problem)
        measured, store = measured_by(problem, spans), store_of(problem, spans)
        pieces = pieces_of(step_data(problem))
        line = line_between(10.0, 240.0)
        caps = caps_at(measured, np.zeros(0), np.zeros(0)).caps
        changed = np.ones(n_chunks(n), dtype=bool)
        assert backward(pieces, caps, store, line, changed, memory_for(n), room_for(pieces, measured.first)) == -1
        assert cut(line, 10.0, 240.0)  # before the first step there is no bound but that of the store
        inside = slice(line.head[0], line.tail[0])
        lengths, slopes = line.length[inside] / line.scale[0], line.slope[inside] * line.scale[0]
        stored = line.left[0] + np.concatenate(([0.0], np.cumsum(lengths)))
        found.append((hour, stored, np.concatenate(([0.0], np.cumsum(lengths * slopes)))))
    return found


def draw_cost_to_go(path: Path) -> None:
    """Save a picture of the cost-to-go before some hours of one day, and of its slopes."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    from crestfall.report._style import IMPORT_AFTER, IMPORT_BEFORE, STORE, WIDTH_IN, house_style

    with house_style():
        figure, (left, right) = plt.subplots(1, 2, figsize=(WIDTH_IN, 4.0), layout="constrained")
        looks = (IMPORT_AFTER, IMPORT_BEFORE, STORE)
        for (hour, stored, cost), look in zip(lines_of_a_day((4, 12, 18)), looks, strict=True):
            label = f"before {hour:02d}:00"
            left.plot(stored, cost, label=label, marker=".", markersize=5, **look)
            right.step(
                stored, np.append(v := -np.diff(cost) / np.diff(stored), v[-1]), where="post", label=label, **look
            )
        left.set(
            title="Cost-to-go V",
            xlabel="stored energy [kWh]",
            ylabel="cost of the rest of the day,\nless that from 10 kWh on [EUR]",
        )
        right.set(
            title="Its slopes: value of stored energy",
            xlabel="stored energy [kWh]",
            ylabel="value of one more kWh, -dV/de [EUR/kWh]",
        )
        right.set_ylim(bottom=0)
        left.legend(loc="lower left")
        right.legend(loc="upper right")
        figure.savefig(path)
        plt.close(figure)


def children_s() -> float:
    """Return the seconds of the processor that ended child processes have taken."""
    times = os.times()
    return times.children_user + times.children_system


def starts(days: int) -> list[dict[str, Any]]:
    """Return how long the import takes, and a new process up to its first solved year, its code compiled before."""
    imports = [float(child(IMPORT_CHILD)) for _ in range(RUNS)]
    folder = Path(__file__).parent
    firsts = seconds(lambda: child(FIRST_CHILD, folder, days), RUNS, children_s)
    return [
        {"case": "import crestfall", "seconds": round(statistics.median(imports), 3), "goal": 0.8},
        {"case": "new process to its first solved year", "seconds": round(statistics.median(firsts), 3), "goal": 2.0},
    ]


def machine() -> str:
    """Return what the times were taken on."""
    model = platform.machine()
    if (info := Path("/proc/cpuinfo")).exists():
        model = next((line.split(": ")[1] for line in info.read_text().splitlines() if "model name" in line), model)
    versions = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    return f"{model}, one core of {os.cpu_count()}; Python {platform.python_version()}, {versions}"


def shown(row: dict[str, Any]) -> str:
    """Return a row of the table."""
    goal = "" if row["goal"] is None else f"(goal {row['goal']})"
    more = " " if row["reference_ended"] else ">"
    differs = "" if row["differs_frac"] is None else f"  differs {row['differs_frac']:+.0e}"
    return (
        f"{row['case']:<36} {row['steps']:>8,} {row['seconds']:>8.4f} s  Pyomo and HiGHS"
        f" {more}{row['reference_seconds']:.2f} s, ratio {more}{row['ratio']:.0f} {goal:<11}"
        f" HiGHS alone {row['highs_seconds']:.2f} s  gap {row['gap_frac']:.0e}{differs}  {row['peak_mb']:.1f} MB"
    )


def main() -> None:
    """Print a table, or write it as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", default="")
    parser.add_argument("--picture", type=Path)
    asked = parser.parse_args()
    if asked.picture is not None:
        draw_cost_to_go(asked.picture)
        return
    days = 28 if asked.quick else 365
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})  # one core for all
    print(machine(), flush=True)
    rows: list[dict[str, Any]] = []

    def keep(more: list[dict[str, Any]]) -> None:
        rows.extend(more)
        if asked.json is not None:
            asked.json.write_text(json.dumps(rows, indent=2) + "\n", encoding="utf-8")

    if asked.only in "starts":
        keep(starts(days))
        for row in rows:
            print(f"{row['case']:<36} {row['seconds']:>17.3f} s  (goal {row['goal']:g} s)", flush=True)
    if asked.only in "growth":
        grown = [row for name in GROWING for row in growth(name, 110 if asked.quick else GROWTH_DAYS[-1])]
        for row in grown:
            text = f"{row['case']:<44} {row['steps']:>8,} {row['seconds']:>9.5f} s  exponent {row['exponent']:.2f}"
            print(f"{text}  gap {row['gap_frac']:.0e}", flush=True)
        keep(grown)
        if asked.json is not None:
            draw_growth(grown, asked.json.with_suffix(".png"))
    for name in (name for name in CASES if asked.only in name):
        row = row_of(name, days)
        keep([row])
        print(shown(row), flush=True)


if __name__ == "__main__":
    main()
