"""Find the week that shows best what the battery earns."""

import numpy as np
import pandas as pd

from crestfall.study import Result
from crestfall.tariff import billed_peaks_kw


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
    rates, schedule, before = result.inputs.rates, result.headline.schedule, result.before
    saved = rates.step_h * (
        rates.buy_per_kwh * (before.import_kw - schedule.import_kw)
        - rates.sell_per_kwh * (before.export_kw - schedule.export_kw)
    )
    peaks_before, peaks_after = billed_peaks_kw(rates, before.import_kw), billed_peaks_kw(rates, schedule.import_kw)
    for charge, old, new in zip(rates.demand, peaks_before, peaks_after, strict=True):
        for number in range(len(rates.period_names)):
            steps = np.flatnonzero(charge.measured & (rates.period == number))
            if steps.size:
                saved[steps[np.argmax(before.import_kw[steps])]] += charge.rate_per_kw * (old[number] - new[number])
    monday = rates.start.tz_localize(None).to_period("W-SUN").start_time
    by_week = pd.Series(saved).groupby(monday.to_numpy()).agg(["sum", "size"])
    whole = by_week[by_week["size"] * rates.step_h >= 7 * 24 - 1]  # the week in which clocks go forward has 167 hours
    first = int(np.argmax(monday.to_numpy() == whole["sum"].idxmax()))
    return slice(first, first + int(whole.loc[whole["sum"].idxmax(), "size"]))
