"""What was metered just before the data of a study."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import KeyedError, SeriesError
from crestfall.scenario import Scenario
from crestfall.scenario.scenario_file import EnergySeries
from crestfall.series._axis import shown
from crestfall.series._read import Column, read_column
from crestfall.series._site import SiteSeries, onto_steps


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteBefore:
    """Load and PV up to the first step of the data; all arrays have the shape (n_steps,).

    Parameters
    ----------
    load_kw, pv_kw : ndarray
        Mean power of each step, the latest last [kW].
    temperature_c : ndarray or None
        Ambient temperature; None where it is unknown [degrees C].
    """

    load_kw: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    pv_kw: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    temperature_c: NDArray[np.float64] | None = None

    @property
    def n_steps(self) -> int:
        """Number of steps."""
        return len(self.load_kw)


def read_before(scenario: Scenario, series: SiteSeries) -> SiteBefore:
    """
    Read what was metered before the data, as far as load and PV both reach back.

    Without a history in the scenario the site's own files are one, where `first_month` leaves a part of them unused.

    Parameters
    ----------
    scenario : Scenario
        The validated scenario.
    series : SiteSeries
        The data of the study.

    Returns
    -------
    SiteBefore
        The history; without any step where the scenario has none.

    Raises
    ------
    SeriesError
        If a file is damaged or does not reach up to the data.
    KeyedError
        If the history does not say what the site's data hold.
    """
    ask, site = scenario.ask.rolling.history, scenario.ask.site
    if ask is not None:
        if site.additions:
            raise _wrong("a history beside site.additions", "none: it does not hold them", "drop rolling.history")
        if series.pv_kw.any() and ask.pv is None:
            raise _wrong("no pv", "pv beside load, since the site has PV", "name its file, or drop rolling.history")
        return _laid(scenario, series, _read(scenario, ask.load), None if ask.pv is None else _read(scenario, ask.pv))
    if site.first_month is None or site.load is None or site.additions or site.pv_model is not None:
        return SiteBefore()
    columns = [_read(scenario, one) for one in (site.load, site.pv) if one is not None]
    if max(column.start[0] for column in columns) >= series.start[0]:
        return SiteBefore()
    return _laid(scenario, series, columns[0], columns[1] if len(columns) > 1 else None)


def _laid(scenario: Scenario, series: SiteSeries, load: Column, pv: Column | None) -> SiteBefore:
    """Return both on the steps before the data, as many as both hold."""
    steps = min(_steps_before(column, series) for column in (load, pv) if column is not None)
    step = pd.Timedelta(hours=series.step_h)
    target = Column(
        start=pd.DatetimeIndex(pd.date_range(end=series.start[0] - step, periods=steps, freq=step)),
        step_h=series.step_h,
        readings=np.zeros(steps),
        source="the time before the data",
    )
    load_kw = onto_steps(load, load.readings, target) * (1 + scenario.ask.site.growth_frac)
    pv_kw = np.zeros(steps) if pv is None else onto_steps(pv, pv.readings, target)
    return SiteBefore(load_kw=load_kw, pv_kw=pv_kw, temperature_c=_temperature(scenario, target))


def _read(scenario: Scenario, ask: EnergySeries) -> Column:
    column = read_column(scenario.file_path(ask.file), ask, site_zone=scenario.ask.site.time_zone)
    power_kw = column.readings / column.step_h if ask.unit == "kWh" else column.readings
    below = np.flatnonzero(power_kw < 0)
    if below.size:
        raise SeriesError(
            f"{column.source}: {column.readings[below[0]]:g} at {shown(column.start[below[0]])} is negative\n"
            "    give consumption as load and generation as pv"
        )
    return replace(column, readings=power_kw)


def _steps_before(column: Column, series: SiteSeries) -> int:
    """Return how many whole steps a file holds up to the data."""
    end, first = column.start[-1] + pd.Timedelta(hours=column.step_h), series.start[0]
    if end < first or column.start[0] >= first:
        raise SeriesError(
            f"{column.source}: the history covers {shown(column.start[0])} to {shown(end)}, the data begin at"
            f" {shown(first)}\n    give the time up to the data, without a gap between"
        )
    return int((first - column.start[0]) / pd.Timedelta(hours=series.step_h))


def _temperature(scenario: Scenario, target: Column) -> NDArray[np.float64] | None:
    """Return the temperature before the data where the site's own file reaches back so far."""
    ask = scenario.ask.site.temperature
    if ask is None:
        return None
    column = read_column(scenario.file_path(ask.file), ask, site_zone=scenario.ask.site.time_zone)
    return onto_steps(column, column.readings, target) if column.start[0] <= target.start[0] else None


def _wrong(found: str, expected: str, remedy: str) -> KeyedError:
    return KeyedError("scenario", ("rolling", "history"), found=found, expected=expected, remedy=remedy)
