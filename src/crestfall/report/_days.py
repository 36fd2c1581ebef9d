"""Every day of the year for the report's day-by-day picture, packed into the page."""

import base64
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from crestfall.report._words import later, say
from crestfall.study import Result
from crestfall.tariff import DemandLine

MOST_STEPS = 40_000  # that a page carries; a year of quarter hours has 35,040
PARTS_OF_AN_HOUR = (1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30, 60)  # minutes; whole days begin with one in every zone
SERIES = (
    "load_kw",
    "pv_kw",
    "curtailed_kw",
    "import_kw",
    "export_kw",
    "import_before_kw",
    "export_before_kw",
    "charge_kw",
    "discharge_kw",
    "stored_kwh",
    "buy_per_kwh",
    "sell_per_kwh",
)

# What the picture of a day says, in the words of its script.
WORDS = (
    later("Battery"),
    later("PV"),
    later("Price"),
    later("Site"),
    later("Stored"),
    later("at the meter"),
    later("at the meter, no battery"),
    later("charge"),
    later("discharge"),
    later("load"),
    later("price of export"),
    later("price of import"),
    later("stored at the end"),
    later("time"),
    later("{after} ({before} without)"),
    later("{charge}, billed"),
    later(
        "{day}: highest import {high} kW at {when}, without the battery {high_before} kW at {when_before}; "
        "{discharged} kWh discharged; energy prices alone save {saved} {currency}."
    ),
)


def days_of(result: Result) -> dict[str, Any]:
    """
    Return what the page needs to draw any day.

    Parameters
    ----------
    result : Result
        The study.

    Returns
    -------
    dict
        Ready for JSON: ``dates``; ``first``, the first step of each day and the number of steps; ``clock``, minutes
        after midnight of each step of the days that have not as many steps as most, by number of the day; ``step_min``;
        ``series``, little-endian 32-bit floats in base64 by name; ``words``, what the
        picture says; ``charges``, what was billed on each day.
    """
    frame = result.schedule_frame()[list(SERIES)]
    step_min = round(60 * result.inputs.series.step_h)
    shown_min = _shown_min(step_min, len(frame))
    if shown_min > step_min:
        frame = _coarser(frame, f"{shown_min}min")
    start = pd.DatetimeIndex(frame.index)
    day = start.normalize()
    first = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    edges = [*first.tolist(), len(frame)]
    return {
        "dates": [one.strftime("%Y-%m-%d") for one in day[first]],
        "first": edges,
        "clock": _odd_clocks(start, edges),
        "step_min": shown_min,
        "data_step_min": step_min,
        "series": {name: _packed(frame[name].to_numpy()) for name in SERIES},
        "words": {text: say(text) for text in WORDS},
        "charges": _charges(result, [one.strftime("%Y-%m-%d") for one in day[first]]),
    }


def _shown_min(step_min: int, n_steps: int) -> int:
    """Return the shortest step, a part of an hour, of which a page can carry as many; at the most an hour."""
    fitting = (part for part in PARTS_OF_AN_HOUR if part % step_min == 0 and n_steps * step_min <= MOST_STEPS * part)
    return next(fitting, max(step_min, 60))


def _coarser(frame: pd.DataFrame, rule: str) -> pd.DataFrame:
    """Return means over longer steps; of the store what it holds at their ends."""
    utc = frame.tz_convert("UTC")
    rows = utc.resample(rule).mean()
    rows["stored_kwh"] = utc["stored_kwh"].resample(rule).last()
    return rows.tz_convert(pd.DatetimeIndex(frame.index).tz)


def _packed(values: Any) -> str:
    return base64.b64encode(np.asarray(values, dtype="<f4").tobytes()).decode()


def _odd_clocks(start: pd.DatetimeIndex, edges: list[int]) -> dict[str, list[int]]:
    """Return the clock of each step [min], for days on which clocks change and for those cut at an end of the data."""
    minutes = np.asarray(start.hour * 60 + start.minute)
    regular = np.bincount(np.diff(edges)).argmax()
    return {
        str(k): minutes[begin:end].tolist() for k, (begin, end) in enumerate(pairwise(edges)) if end - begin != regular
    }


def _charges(result: Result, dates: list[str]) -> list[dict[str, Any]]:
    """Return for each charge on a peak what was billed in each period, and when on each day it was measured."""
    found: list[dict[str, Any]] = []
    start, case = result.inputs.series.start, result.headline
    number = {date: k for k, date in enumerate(dates)}
    day = np.array([number[one] for one in start.strftime("%Y-%m-%d")])
    minute = np.asarray(start.hour * 60 + start.minute)
    step = round(60 * result.inputs.series.step_h)
    for charge in case.rates.peak_charges:
        if isinstance(charge, DemandLine) and charge.is_daily:
            continue
        measure = charge.measure
        measured, period = measure.is_measured(), measure.periods.of
        spans: dict[str, list[list[int]]] = {}
        at = np.flatnonzero(measured)
        breaks = np.flatnonzero((np.diff(at) > 1) | (np.diff(day[at]) > 0)) + 1
        for run in np.split(at, breaks):
            if run.size:
                one = [int(period[run[0]]), int(minute[run[0]]), int(minute[run[-1]]) + step]
                spans.setdefault(str(day[run[0]]), []).append(one)
        found.append(
            {
                "name": charge.name,
                "unit": measure.unit,
                "before": [round(float(value), 3) for value in measure.peaks(result.before.readings)],
                "after": [round(float(value), 3) for value in measure.peaks(case.readings)],
                "measured": spans,
            }
        )
    return found
