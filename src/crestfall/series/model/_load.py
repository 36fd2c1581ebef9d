"""A year of load that nobody metered."""

import datetime as dt

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario.model_file import LoadModel
from crestfall.series.model._shape import BILL_SHAPES, FloatArray, fitted_kw, shape_of, standard_profile


def axis_of_year(year: int, *, step_min: int, zone: str) -> pd.DatetimeIndex:
    """
    Return the steps of a calendar year.

    Parameters
    ----------
    year : int
        The year.
    step_min : int
        Length of a step [min].
    zone : str
        Zone of the site.

    Returns
    -------
    DatetimeIndex
        Start of each step; steps are equal in UTC.
    """
    first, end = (pd.Timestamp(year=one, month=1, day=1, tz=zone) for one in (year, year + 1))
    utc = pd.date_range(first.tz_convert("UTC"), end.tz_convert("UTC"), freq=f"{step_min}min", inclusive="left")
    return utc.tz_convert(zone)


def modelled_load_kw(ask: LoadModel, start: pd.DatetimeIndex) -> FloatArray:
    """
    Return a load of the year, scaled to what is known of it.

    Parameters
    ----------
    ask : LoadModel
        What it is made from.
    start : DatetimeIndex of shape (n_steps,)
        Steps of the year.

    Returns
    -------
    ndarray of shape (n_steps,)
        Mean power [kW].

    Raises
    ------
    SeriesError
        If energy and peak do not fit together, or holidays are not known.
    """
    step_h, free = ask.step_min / 60, _holidays(ask, start)
    if ask.monthly_bills is not None:
        bills = ask.monthly_bills
        shape = shape_of(BILL_SHAPES[bills.shape], start, free)
        load_kw = np.empty(len(shape))
        for month, (energy_kwh, peak_kw) in enumerate(zip(bills.energy_kwh, bills.peak_kw, strict=True), 1):
            inside = np.asarray(start.month == month)
            load_kw[inside] = fitted_kw(shape[inside], step_h=step_h, energy_kwh=energy_kwh, peak_kw=peak_kw)
        return load_kw
    if ask.profile is not None:
        shape = standard_profile(ask.profile, start, free)
    elif ask.parametric is not None:
        shape = shape_of(ask.parametric, start, free)
    if ask.energy_kwh is None:
        raise AssertionError("the scenario's check asks for it")  # pragma: no cover
    return fitted_kw(shape, step_h=step_h, energy_kwh=ask.energy_kwh, peak_kw=ask.peak_kw)


def _holidays(ask: LoadModel, start: pd.DatetimeIndex) -> NDArray[np.bool_]:
    if ask.country is None:
        return np.zeros(len(start), bool)
    import holidays

    try:
        days = holidays.country_holidays(ask.country, subdiv=ask.subdivision, years=ask.year)
    except NotImplementedError:
        part = f" / {ask.subdivision}" if ask.subdivision else ""
        raise SeriesError(
            f"load_model: no holidays are known of '{ask.country}{part}'\n    leave country out, or give its code"
        ) from None
    free: set[dt.date] = set(days)
    return np.array([day in free for day in start.date], bool)
