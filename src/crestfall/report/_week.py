"""Find the week that shows best what the battery earns, and one like most."""

import numpy as np
from numpy.typing import NDArray

from crestfall.study import Result
from crestfall.tariff import interval_means

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def most_telling_week(result: Result) -> slice:
    """
    Return the steps of the week, Monday to Sunday, in which the headline's schedule saves most.

    The saving of a billed peak is credited to the step of the month in which the peak stood before.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    slice
        Steps of that week; the first full week where nothing is saved.
    """
    first, steps, saved = _whole_weeks(result)
    return _steps_of(first, steps, int(np.argmax(saved)))


def typical_week(result: Result) -> slice:
    """
    Return the steps of the week, Monday to Sunday, that saves what half of the weeks save at the most: the median.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    slice
        Steps of that week.
    """
    first, steps, saved = _whole_weeks(result)
    order = np.argsort(saved, kind="stable")[np.isneginf(saved).sum() :]
    return _steps_of(first, steps, int(order[(len(order) - 1) // 2]))


def _steps_of(first: IntArray, steps: IntArray, week: int) -> slice:
    return slice(int(first[week]), int(first[week] + steps[week]))


def _whole_weeks(result: Result) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the first step of each week, its number of steps, and what it saves; −inf where days of it are missing."""
    rates, after, before = result.headline.rates, result.headline.readings, result.before
    saved = rates.step_h * (
        rates.buy_per_kwh * (before.import_kw - after.import_kw)
        - rates.sell_per_kwh * (before.export_kw - after.export_kw)
    )
    for charge in rates.peak_charges:
        measure = charge.measure
        old, new = measure.peaks(before.readings), measure.peaks(result.headline.readings)
        for period in np.unique(measure.period_of):
            intervals = measure.intervals_in(period)
            stood = intervals[np.argmax(interval_means(before.import_kw, intervals, measure.span))]
            saved[stood] += charge.rate[period] * (old[period] - new[period])
    monday = rates.start.tz_localize(None).to_period("W-SUN").start_time
    _, first, week = np.unique(monday.to_numpy(), return_index=True, return_inverse=True)
    steps_in_week = np.bincount(week)
    # A year begins and ends inside a week; the week in which clocks go forward has only 167 hours.
    is_whole = steps_in_week * rates.step_h >= 7 * 24 - 1
    return first, steps_in_week, np.where(is_whole, np.bincount(week, weights=saved), -np.inf)
