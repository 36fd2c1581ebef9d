"""Find the week that shows best what the battery earns."""

import numpy as np

from crestfall.study import Result
from crestfall.tariff import interval_means


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
    best = int(np.argmax(np.where(is_whole, np.bincount(week, weights=saved), -np.inf)))
    return slice(int(first[best]), int(first[best] + steps_in_week[best]))
