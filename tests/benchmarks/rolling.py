"""How long a year of plans on forecasts takes, from load and prices to a checked schedule.

    python tests/benchmarks/rolling.py [--json FILE] [--quick]

The yardstick, timed in the same run on one core, is the same loop with each plan as a program of the formulation of
record: built in Pyomo and solved by HiGHS with its defaults. 100 plans of it, spread over the year, stand for all; what
it would take beside them is left out in its favour. Times are medians in seconds of the processor. The year is the
invented one of the benchmark of the optimiser, with a demand charge of 12 per kW and month. `--quick` takes 28 days and
10 plans.
"""

import argparse
import json
import statistics
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from crestfall.control import follow_plan, forecasts_for
from crestfall.dispatch import Problem
from crestfall.dispatch._solve import solve_as_program
from crestfall.scenario.scenario_file import RollingPolicy, TariffFile
from crestfall.tariff import Rates, rates_on
from dispatch import machine, year

RUNS = 5
CASES = (
    ("a plan each hour, 48 h ahead", 1.0, 48.0, 3.0),
    ("a plan every step, 24 h ahead", 0.25, 24.0, 6.0),
)
RATIO_GOAL = 100


def site(days: int) -> tuple[Problem, Rates]:
    """Return the invented site, its store empty at first, and the rates that hold for it."""
    start = pd.date_range("2025-01-01", periods=days * 96, freq="15min", tz="Etc/GMT-1")
    tariff = TariffFile.model_validate(
        {
            "crestfall_tariff": 1,
            "title": "Three prices and demand",
            "currency": "EUR",
            "valid_from": "2025-01-01",
            "energy_charges": [
                {"name": "Day", "component": "energy", "rate_per_kwh": 0.22, "when": [{"times": ["06:00-17:00"]}]},
                {"name": "Evening", "component": "energy", "rate_per_kwh": 0.34, "when": [{"times": ["17:00-21:00"]}]},
                {"name": "Night", "component": "energy", "rate_per_kwh": 0.14, "when": [{"times": ["21:00-06:00"]}]},
            ],
            "demand_charges": [{"name": "Demand", "rate_per_kw": 12.0, "averaging_min": 15}],
            "export": {"rate_per_kwh": 0.06},
        },
        strict=False,
    )
    rates = rates_on(tariff, start, step_h=0.25)
    problem = replace(year(days), buy_per_kwh=rates.buy_per_kwh, sell_per_kwh=rates.sell_per_kwh, start_kwh=10.0)
    return problem, rates


def plan_by_record(problem: Problem, begin: int, n: int) -> float:
    """Return the time of one plan as a program, its net load as it happens."""
    part = slice(begin, begin + n)
    arrays = {
        name: value[part] for name in Problem.__slots__ if isinstance(value := getattr(problem, name), np.ndarray)
    }
    one = replace(problem, **arrays)
    began = time.process_time()
    solve_as_program(one)
    return time.process_time() - began


def row_of(name: str, every_h: float, horizon_h: float, goal_s: float, days: int, n_samples: int) -> dict[str, Any]:
    """Return the figures of one case."""
    problem, rates = site(days)
    ask = RollingPolicy(plan_every_h=every_h, horizon_h=horizon_h)

    def once() -> float:
        began = time.process_time()
        follow_plan(problem, rates, ask, forecasts_for(ask, rates))
        return time.process_time() - began

    once()  # loads what was compiled
    own = statistics.median(once() for _ in range(RUNS))
    n_plans, n = round(days * 24 / every_h), round(horizon_h / problem.step_h)
    begins = np.linspace(0, problem.n_steps - n, n_samples).astype(int).tolist()
    sampled = [plan_by_record(problem, begin, n) for begin in begins]
    reference = statistics.fmean(sampled) * n_plans
    return {
        "case": name,
        "steps": problem.n_steps,
        "plans": n_plans,
        "seconds": round(own, 3),
        "goal_seconds": goal_s if days == 365 else None,
        "reference_seconds": round(reference, 1),
        "sampled_plans": n_samples,
        "ratio": round(reference / own, 1),
        "ratio_goal": RATIO_GOAL,
    }


def main() -> None:
    """Print a table, or write it as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path)
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    print(machine(), flush=True)
    rows = []
    for case in CASES:
        row = row_of(*case, days=28 if asked.quick else 365, n_samples=10 if asked.quick else 100)
        rows.append(row)
        goal = "" if row["goal_seconds"] is None else f" (goal {row['goal_seconds']:g} s)"
        print(
            f"{row['case']:<32} {row['plans']:>7,} plans {row['seconds']:>7.3f} s{goal}  the same in Pyomo and HiGHS"
            f" {row['reference_seconds']:,.0f} s by {row['sampled_plans']} plans, ratio {row['ratio']:.0f}"
            f" (goal {RATIO_GOAL})",
            flush=True,
        )
    if asked.json is not None:
        asked.json.write_text(json.dumps(rows, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
