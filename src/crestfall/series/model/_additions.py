"""Consumers that a site is going to have: vehicles, heat, a new line."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario.model_file import Addition, EvChargers, HeatPump, NewLine
from crestfall.series.model._shape import FloatArray, within

SATURDAY = 5


def added_kw(ask: Addition, start: pd.DatetimeIndex, *, step_h: float, temperature_c: FloatArray | None) -> FloatArray:
    """
    Return the power of a further consumer.

    Parameters
    ----------
    ask : EvChargers or HeatPump or NewLine
        The consumer.
    start : DatetimeIndex of shape (n_steps,)
        Steps of the year.
    step_h : float
        Length of a step [h].
    temperature_c : ndarray of shape (n_steps,) or None
        Ambient temperature [degrees C].

    Returns
    -------
    ndarray of shape (n_steps,)
        Mean power [kW].

    Raises
    ------
    SeriesError
        If a heat pump is asked for and no temperature is known.
    """
    match ask:
        case NewLine():
            hour, weekday = _hour(start), np.asarray(start.day_of_week)
            if ask.to_h < ask.from_h:
                weekday = np.where(hour < ask.to_h, (weekday - 1) % 7, weekday)
            return np.where(within(hour, ask.from_h, ask.to_h) & (weekday < SATURDAY), ask.power_kw, 0.0)
        case HeatPump():
            if temperature_c is None:
                raise SeriesError("site.additions: a heat pump needs the ambient temperature\n    add site.temperature")
            degrees = np.maximum(ask.heating_limit_c - temperature_c, 0.0)
            if not degrees.any():
                raise SeriesError("site.additions: it is never colder than heating_limit_c\n    check the temperature")
            return np.asarray(degrees * (ask.energy_kwh / (degrees.sum() * step_h)))
        case EvChargers():
            return _sessions_kw(ask, start, step_h)


def _sessions_kw(ask: EvChargers, start: pd.DatetimeIndex, step_h: float) -> FloatArray:
    """Draw sessions; who finds no free point waits for the first that is."""
    random = np.random.default_rng(ask.seed)
    days = start.normalize()
    first = np.flatnonzero(np.concatenate(([True], days[1:] != days[:-1])))
    load_kwh = np.zeros(len(start))
    free_at_h = np.zeros(ask.points)  # hours since the year began
    for at in first:
        weekend = start[int(at)].weekday() >= SATURDAY
        count = random.poisson(ask.sessions_per_day * (ask.weekend_frac if weekend else 1.0))
        arrivals = at * step_h + np.sort(np.clip(random.normal(ask.arrival_h, ask.arrival_spread_h, count), 0.0, 23.9))
        for arrival_h in arrivals:
            point = int(free_at_h.argmin())
            begin_h = max(arrival_h, free_at_h[point])
            # A spread of a third of the mean; common practice, no source.
            energy_kwh = ask.energy_kwh * max(1 + random.standard_normal() / 3, 0.1)
            free_at_h[point] = begin_h + energy_kwh / ask.power_kw
            _charge(load_kwh, begin_h, free_at_h[point], ask.power_kw, step_h)
    return load_kwh / step_h


def _charge(load_kwh: FloatArray, begin_h: float, end_h: float, power_kw: float, step_h: float) -> None:
    low, high = int(begin_h / step_h), min(int(np.ceil(end_h / step_h)), len(load_kwh))
    edges = np.arange(low, high + 1) * step_h
    load_kwh[low:high] += power_kw * np.diff(np.clip(edges, begin_h, end_h))


def _hour(start: pd.DatetimeIndex) -> NDArray[np.float64]:
    return np.asarray(start.hour + start.minute / 60)
