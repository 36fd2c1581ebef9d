"""Other years of the same site: its days, drawn anew."""

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.series import SiteSeries

SATURDAY = 5


def days_drawn_anew(series: SiteSeries, seed: int) -> SiteSeries:
    """
    Return a year in which each day is one of the same month and kind (working week or weekend), drawn with replacement.

    Load, PV, temperature and reactive power of a day stay together. Days of 23 and 25 hours stay where they are. What
    no day of the data held, no drawn year holds: its peaks are never higher than those of the data.

    Parameters
    ----------
    series : SiteSeries
        The year.
    seed : int
        Start of the random numbers.

    Returns
    -------
    SiteSeries
        The year drawn anew, on the same axis.
    """
    steps = _steps_drawn_anew(series.start, np.random.default_rng(seed))
    return replace(
        series,
        load_kw=series.load_kw[steps],
        pv_kw=series.pv_kw[steps],
        temperature_c=None if series.temperature_c is None else series.temperature_c[steps],
        kvar=None if series.kvar is None else series.kvar[steps],
        promised_kvar=None if series.promised_kvar is None else series.promised_kvar[steps],
    )


def _steps_drawn_anew(start: pd.DatetimeIndex, random: np.random.Generator) -> NDArray[np.int64]:
    """Return for each step the step whose readings it takes."""
    local = start.tz_localize(None)
    days, first, count = np.unique(local.normalize().to_numpy(), return_index=True, return_counts=True)
    stamp = pd.DatetimeIndex(days)
    kind = np.stack([stamp.year * 12 + stamp.month, stamp.day_of_week >= SATURDAY, count], axis=1)
    steps = np.arange(len(start))
    for one in np.unique(kind, axis=0):
        members = np.flatnonzero((kind == one).all(axis=1))
        for day, drawn in zip(members, random.choice(members, size=len(members)), strict=True):
            steps[first[day] : first[day] + count[day]] = first[drawn] + np.arange(count[day])
    return steps
