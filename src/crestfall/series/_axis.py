"""Check a time axis: in order, without doubles, of one step, without gaps, and one year long."""

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError

STEPS_MIN = (5, 10, 15, 20, 30, 60)  # what meters record and what divides an hour


def checked_step_h(stamps: pd.DatetimeIndex, path: Path) -> float:
    """
    Return the step of a time axis, or say what is wrong with it.

    Parameters
    ----------
    stamps : DatetimeIndex of shape (n_steps,)
        Zone-aware stamps in the order of the file.
    path : Path
        The file, for messages.

    Returns
    -------
    float
        Length of one step [h]; all steps have it.

    Raises
    ------
    SeriesError
        For doubles, disorder, a step outside 5 to 60 minutes, changing steps or gaps.
    """
    if len(stamps) < 2:
        raise SeriesError(f"{path}: there is only one row\n    expected a year of steps")
    if stamps.has_duplicates:
        doubles = stamps[stamps.duplicated()]
        raise SeriesError(
            f"{path}: {shown(doubles[0])} stands twice ({counted(len(doubles), 'double')})\n"
            "    keep one row for each step; where the hour repeats in autumn, write stamps with their UTC offset"
        )
    minutes = np.diff(stamps.as_unit("us").asi8) / 60e6
    if (minutes < 0).any():
        row = int(np.flatnonzero(minutes < 0)[0]) + 1
        raise SeriesError(
            f"{path} row {row + 2}: {shown(stamps[row])} comes after {shown(stamps[row - 1])}"
            f" ({counted((minutes < 0).sum(), 'such row')})\n    sort the rows by time"
        )
    step_min = float(pd.Series(minutes).mode().iloc[0])
    if step_min not in STEPS_MIN:
        allowed = ", ".join(map(str, STEPS_MIN))
        raise SeriesError(f"{path}: the step is {step_min:g} minutes\n    expected one of {allowed} minutes")
    _refuse_uneven(stamps, minutes, step_min, path)
    return step_min / 60


def check_whole_year(axis: pd.DatetimeIndex, step_h: float, source: str) -> None:
    """
    Raise unless a local axis covers exactly twelve calendar months, on steps that begin with the local day.

    Parameters
    ----------
    axis : DatetimeIndex of shape (n_steps,)
        Starts of the steps in the zone of the site.
    step_h : float
        Length of one step [h].
    source : str
        File and column, for messages.
    """
    first = axis[0]
    end = axis[-1] + pd.Timedelta(hours=step_h)
    if first.day != 1 or first != first.normalize():
        raise SeriesError(
            f"{source}: the data start at {shown(first)}\n    a study year starts on the first day of a month"
            " at 00:00 local time; cut the file, or check time_zone and stamp"
        )
    year_end = first + pd.DateOffset(years=1)
    if end != year_end:
        longer = "longer" if end > year_end else "shorter"
        raise SeriesError(
            f"{source}: the data run from {shown(first)} to {shown(end)}, {longer} than a year\n"
            f"    expected the year up to {shown(year_end)}: a bill is only comparable over all seasons"
        )
    # Half-hour clock changes: an hourly step would then lie across midnight, and belong to two days.
    off_clock = np.flatnonzero((axis.hour * 60 + axis.minute) % round(step_h * 60))
    if off_clock.size:
        raise SeriesError(
            f"{source}: steps of {step_h * 60:g} minutes no longer begin with the local day from"
            f" {shown(axis[off_clock[0]])} on\n    give finer steps: the clock changes by less than one of these"
        )


def shown(stamp: pd.Timestamp) -> str:
    """Return a zone-aware stamp as it is shown in a message."""
    return f"{stamp:%Y-%m-%d %H:%M %Z}"


def counted(number: int, noun: str) -> str:
    """Return a number with its noun.

    >>> counted(1, "gap"), counted(1200, "gap")
    ('1 gap', '1,200 gaps')
    """
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _refuse_uneven(stamps: pd.DatetimeIndex, minutes: NDArray[np.float64], step_min: float, path: Path) -> None:
    off_grid = minutes % step_min != 0
    if off_grid.any():
        row = int(np.flatnonzero(off_grid)[0]) + 1
        raise SeriesError(
            f"{path} row {row + 2}: {shown(stamps[row])} comes {minutes[row - 1]:g} minutes after the row before,"
            f" in data of {step_min:g}-minute steps ({counted(off_grid.sum(), 'such row')})\n"
            "    bring the data to one step"
        )
    gaps = np.flatnonzero(minutes > step_min)
    if gaps.size:
        missing = (minutes[gaps] / step_min - 1).astype(int)
        first_missing = stamps[gaps[0]] + pd.Timedelta(minutes=step_min)
        raise SeriesError(
            f"{path}: {counted(gaps.size, 'gap')} with {counted(missing.sum(), 'missing step')},"
            f" the first from {shown(first_missing)} ({counted(missing[0], 'step')})\n"
            "    fill them in the file with the true values; nothing is filled in silence"
        )
