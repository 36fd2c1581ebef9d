"""Dispatch problems of a few steps, written by the few numbers that matter in each."""

from dataclasses import fields

import numpy as np

from crestfall.dispatch import Peak, Problem, Schedule

DEFAULTS = {
    "step_h": 1.0,
    "load_kw": 0.0,
    "auxiliary_kw": 0.0,
    "pv_kw": 0.0,
    "curtailable_kw": 0.0,
    "buy_per_kwh": 0.0,
    "sell_per_kwh": 0.0,
    "import_limit_kw": np.inf,
    "export_limit_kw": np.inf,
    "charge_limit_kw": 100.0,
    "discharge_limit_kw": 100.0,
    "into_limit_kw": np.inf,
    "outof_limit_kw": np.inf,
    "charge_frac": 0.95,
    "discharge_frac": 0.95,
    "keep_frac": 1.0,
    "floor_kwh": 0.0,
    "ceiling_kwh": 200.0,
}
PER_STEP = {spec.name for spec in fields(Problem) if "ndarray" in str(spec.type)}


def small_problem(n_steps: int, **changes) -> Problem:
    """Return a problem of 100 kW and 200 kWh without site or tariff but for the changes; one number fills a row."""
    values = DEFAULTS | changes
    for name in PER_STEP:
        values[name] = np.broadcast_to(np.asarray(values[name], dtype=float), n_steps).copy()
    for name in {"start_kwh", "end_kwh"} & values.keys():  # a whole number would have all loops compiled once more
        values[name] = None if values[name] is None else float(values[name])
    return Problem(**values)


def peak_over(*steps: int, rate: float = 1.0, name: str = "Peak") -> Peak:
    """Return a billed peak over the given steps."""
    return Peak(name=name, rate_per_kw=rate, steps=np.array(steps, dtype=np.int64))


def trading(prices, **changes) -> Problem:
    """Return a battery that buys and sells at the same prices, without a site."""
    ends = {} if "start_kwh" in changes else {"start_kwh": 0.0, "end_kwh": 0.0}
    return small_problem(len(prices), buy_per_kwh=prices, sell_per_kwh=prices, **ends, **changes)


def shaving(load_kw, *, energy_kwh: float, power_kw: float, **changes) -> Problem:
    """Return a full battery behind a load where energy is free and one kW of the highest import costs 1."""
    keys = {"start_kwh": energy_kwh, "peaks": (peak_over(*range(len(load_kw))),)} | changes
    return small_problem(
        len(load_kw),
        load_kw=load_kw,
        ceiling_kwh=energy_kwh,
        charge_limit_kw=power_kw,
        discharge_limit_kw=power_kw,
        **keys,
    )


def closing_error_kwh(problem: Problem, schedule: Schedule) -> float:
    """Return the largest distance between the store and what its flows make of it, stepped one by one."""
    before, worst = schedule.start_kwh, 0.0
    for charge, discharge, stored in zip(schedule.charge_kw, schedule.discharge_kw, schedule.stored_kwh, strict=True):
        into, outof = charge * problem.charge_frac, discharge / problem.discharge_frac
        worst = max(worst, abs(before * problem.keep_frac + problem.step_h * (into - outof) - stored))
        before = stored
    return worst
