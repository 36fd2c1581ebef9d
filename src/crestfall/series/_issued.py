"""A forecast that was made elsewhere, with the times at which it was issued."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario.scenario_file import ForecastFile
from crestfall.series._axis import STEPS_MIN, counted, shown
from crestfall.series._read import parse_numbers, parse_stamps, read_text_table


@dataclass(frozen=True, slots=True, kw_only=True)
class IssuedRows:
    """What was forecast for each step, and when; sorted by step, then by issue.

    Parameters
    ----------
    step : ndarray of int, shape (n_rows,)
        The step that a value is for, counted from the first of the data; each step has at least one row.
    issued : ndarray of int, shape (n_rows,)
        The step before which it was known; below zero before the data.
    values_kw : ndarray of shape (n_rows,)
        Forecast power [kW].
    has_issue_times : bool
        Whether the file says when its values were issued; if not, all count as known from the start.
    """

    step: NDArray[np.int64]
    issued: NDArray[np.int64]
    values_kw: NDArray[np.float64]
    has_issue_times: bool


def read_issued(path: Path, ask: ForecastFile, *, start: pd.DatetimeIndex, step_h: float) -> IssuedRows:
    """
    Read and check a forecast.

    Parameters
    ----------
    path : Path
        The CSV file.
    ask : ForecastFile
        Which columns to take and how the stamps are meant.
    start : DatetimeIndex of shape (n_steps,)
        The steps that the forecast has to cover, in the zone of the site.
    step_h : float
        Their length [h].

    Returns
    -------
    IssuedRows
        At least one value for each step.

    Raises
    ------
    SeriesError
        If times are missing, a value was issued after the time that it is for, or anything else is wrong in the file.
    """
    zone = str(start.tz)
    table = read_text_table(path, ask, issued=ask.issued_column is not None)
    source = f"{path} column '{ask.column}'"
    begins = parse_stamps(table["time"], path, ask.time_zone or zone).tz_convert(zone)
    power_kw = parse_numbers(table, path, ask.column)
    own_min = _own_step_min(begins, path)
    if ask.stamp == "end":
        begins = begins - pd.Timedelta(minutes=own_min)
    if ask.unit == "kWh":
        power_kw = power_kw / (own_min / 60)
    _refuse_negative(power_kw, begins, source)
    issued = None
    if ask.issued_column is not None:
        issued = parse_stamps(table["issued"], path, ask.time_zone or zone).tz_convert(zone)
        _refuse_late(issued, begins, source)
    _refuse_contradictions(power_kw, begins, issued, source)
    return _on_steps(power_kw, begins, issued, own_min, start, step_h, source)


def _own_step_min(begins: pd.DatetimeIndex, path: Path) -> int:
    times = begins.unique().sort_values()
    if len(times) < 2:
        raise SeriesError(f"{path}: there is only one time\n    expected a value for each step of the year")
    step_min = float(pd.Series(np.diff(times.as_unit("us").asi8) / 60e6).mode().iloc[0])
    if step_min not in STEPS_MIN:
        allowed = ", ".join(map(str, STEPS_MIN))
        raise SeriesError(f"{path}: the step is {step_min:g} minutes\n    expected one of {allowed} minutes")
    return int(step_min)


def _refuse_negative(power_kw: NDArray[np.float64], begins: pd.DatetimeIndex, source: str) -> None:
    below = np.flatnonzero(power_kw < 0)
    if below.size:
        raise SeriesError(
            f"{source}: the forecast for {shown(begins[below[0]])} is negative ({counted(below.size, 'such row')})\n"
            "    load and PV are each forecast as a power of 0 or more"
        )


def _refuse_late(issued: pd.DatetimeIndex, begins: pd.DatetimeIndex, source: str) -> None:
    late = np.flatnonzero(np.asarray(issued > begins))
    if late.size:
        raise SeriesError(
            f"{source}: the forecast for {shown(begins[late[0]])} was issued at {shown(issued[late[0]])}, after it"
            f" ({counted(late.size, 'such row')})\n"
            "    a forecast is made before what it is about; check issued_column, stamp and time_zone"
        )


def _refuse_contradictions(
    power_kw: NDArray[np.float64], begins: pd.DatetimeIndex, issued: pd.DatetimeIndex | None, source: str
) -> None:
    rows = pd.DataFrame({"begins": begins, "issued": 0 if issued is None else issued, "power_kw": power_kw})
    several = rows.groupby(["begins", "issued"])["power_kw"].nunique()
    if (several := several[several > 1]).size:
        time, by = several.index[0]
        when = "" if issued is None else f", both issued at {shown(by)}"
        remedy = "keep one of them" + (", or say in issued_column which came later" if issued is None else "")
        count = counted(several.size, "such time")
        raise SeriesError(f"{source}: there are two values for {shown(time)}{when} ({count})\n    {remedy}")


def _on_steps(
    power_kw: NDArray[np.float64],
    begins: pd.DatetimeIndex,
    issued: pd.DatetimeIndex | None,
    own_min: int,
    start: pd.DatetimeIndex,
    step_h: float,
    source: str,
) -> IssuedRows:
    step_min = round(60 * step_h)
    if own_min % step_min:
        raise SeriesError(
            f"{source}: the forecast has steps of {own_min} minutes, the study of {step_min}\n"
            "    bring it to the study's step or a multiple of it"
        )
    times, steps = own_min // step_min, len(start)
    first = (np.asarray((begins - start[0]) / pd.Timedelta(minutes=step_min)))[:, np.newaxis] + np.arange(times)
    known = np.full(len(begins), np.iinfo(np.int64).min)
    if issued is not None:
        # Issued inside a step, a value is known when the next one is decided.
        known = np.ceil(np.asarray((issued - start[0]) / pd.Timedelta(minutes=step_min))).astype(np.int64)
    step = np.floor(first).astype(np.int64).ravel()
    inside = (step >= 0) & (step < steps) & (first.ravel() == step)
    step, known, values = step[inside], np.repeat(known, times)[inside], np.repeat(power_kw, times)[inside]
    missing = np.flatnonzero(np.bincount(step, minlength=steps) == 0)
    if missing.size:
        raise SeriesError(
            f"{source}: the forecast has no value for {shown(start[missing[0]])}"
            f" ({counted(missing.size, 'missing step')})\n"
            "    give one for each step of the year that is studied, as it was forecast; nothing is filled in silence"
        )
    order = np.lexsort((known, step))
    return IssuedRows(
        step=step[order], issued=known[order], values_kw=values[order], has_issue_times=issued is not None
    )
