"""Bring load, PV and temperature of one site to one time axis."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario import Scenario, SeriesFile
from crestfall.series._axis import check_whole_year, counted, shown
from crestfall.series._read import Column, read_column

# Weather stations have seen -89 to +57 degrees C; what lies outside this band is another unit.
COLDEST_C, HOTTEST_C = -60.0, 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSeries:
    """A year of interval data of one site.

    Parameters
    ----------
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site; steps are equal in UTC.
    step_h : float
        Length of one step [h].
    load_kw : ndarray of shape (n_steps,)
        Mean consumption over the step, not negative [kW].
    pv_kw : ndarray of shape (n_steps,)
        Mean available PV generation over the step, not negative, zero where the site has none [kW].
    temperature_c : ndarray of shape (n_steps,) or None
        Mean ambient temperature [degrees C].
    kvar : ndarray of shape (n_steps,) or None
        Mean reactive power drawn by the site; None where it is unknown [kvar].
    promised_kvar : ndarray of shape (n_steps,) or None
        Mean reactive power that the power modules are to supply, not negative; None where no series says so [kvar].
    """

    start: pd.DatetimeIndex
    step_h: float
    load_kw: NDArray[np.float64]
    pv_kw: NDArray[np.float64]
    temperature_c: NDArray[np.float64] | None
    kvar: NDArray[np.float64] | None = None
    promised_kvar: NDArray[np.float64] | None = None

    @property
    def n_steps(self) -> int:
        """Number of steps."""
        return len(self.load_kw)


def read_site_series(scenario: Scenario) -> SiteSeries:
    """
    Read the interval data that a scenario names.

    Parameters
    ----------
    scenario : Scenario
        The validated scenario.

    Returns
    -------
    SiteSeries
        Load, PV and temperature on the axis of the load.

    Raises
    ------
    SeriesError
        If any of the files is damaged or they do not fit together.
    """
    site = scenario.ask.site
    load = _read(scenario, site.load)
    check_whole_year(load.start, load.step_h, load.source)
    load_kw = _power_kw(load, site.load.unit)
    _refuse_negative(load, load_kw, "PV behind the meter? Give consumption as load and generation as pv")
    pv_kw = np.zeros_like(load_kw)
    if site.pv is not None:
        pv = _read(scenario, site.pv)
        power_kw = _power_kw(pv, site.pv.unit)
        _refuse_negative(pv, power_kw, "set what an inverter draws at night to 0, or add it to the load")
        pv_kw = onto_steps(pv, power_kw, load)
    temperature_c = None
    if site.temperature is not None:
        temperature = _read(scenario, site.temperature)
        _refuse_impossible_temperature(temperature)
        temperature_c = onto_steps(temperature, temperature.readings, load)
    return SiteSeries(
        start=load.start,
        step_h=load.step_h,
        load_kw=load_kw,
        pv_kw=pv_kw,
        temperature_c=temperature_c,
        kvar=_reactive_kvar(scenario, load, load_kw),
        promised_kvar=_promised_kvar(scenario, load),
    )


def onto_steps(source: Column, values: NDArray[np.float64], target: Column) -> NDArray[np.float64]:
    """
    Return step means of one series on the steps of another; means are repeated or averaged, so energy is kept.

    Parameters
    ----------
    source : Column
        The axis of `values`.
    values : ndarray of shape (n_source,)
        Means over the steps of `source`.
    target : Column
        The axis wanted.

    Returns
    -------
    ndarray of shape (n_target,)
        Means over the steps of `target`.

    Raises
    ------
    SeriesError
        If `source` does not cover `target`, or its steps do not fit into the other's.
    """
    source_min, target_min = round(source.step_h * 60), round(target.step_h * 60)
    if max(source_min, target_min) % min(source_min, target_min):
        raise SeriesError(
            f"{source.source}: steps of {source_min} minutes do not fit the load's {target_min} minutes\n"
            "    bring them to a multiple or a fraction of the load's step"
        )
    fine_min = min(source_min, target_min)
    offset_min = (target.start[0] - source.start[0]) / pd.Timedelta(minutes=1)
    first = round(offset_min / fine_min)
    fine = np.repeat(values, source_min // fine_min)
    wanted = len(target.start) * (target_min // fine_min)
    if offset_min % fine_min or first < 0 or first + wanted > len(fine):
        end = source.start[-1] + pd.Timedelta(hours=source.step_h)
        target_end = target.start[-1] + pd.Timedelta(hours=target.step_h)
        raise SeriesError(
            f"{source.source}: covers {shown(source.start[0])} to {shown(end)},"
            f" the load {shown(target.start[0])} to {shown(target_end)}\n"
            "    give the same year for both, on steps that begin together"
        )
    means: NDArray[np.float64] = fine[first : first + wanted].reshape(len(target.start), -1).mean(axis=1)
    return means


def _read(scenario: Scenario, ask: SeriesFile) -> Column:
    return read_column(Path(scenario.file_path(ask.file)), ask, site_zone=scenario.ask.site.time_zone)


def _reactive_kvar(scenario: Scenario, load: Column, load_kw: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return reactive power from its own series, or from the power factor of the load."""
    site = scenario.ask.site
    if site.reactive is not None:
        reactive = _read(scenario, site.reactive)
        return onto_steps(reactive, _mean_kvar(reactive, site.reactive.unit), load)
    if site.power_factor_frac is None:
        return None
    factor: NDArray[np.float64] | float
    if isinstance(site.power_factor_frac, float):
        factor = site.power_factor_frac
    else:
        column = _read(scenario, site.power_factor_frac)
        _refuse_impossible_power_factor(column)
        factor = onto_steps(column, column.readings, load)
    kvar: NDArray[np.float64] = load_kw * np.tan(np.arccos(factor))
    return kvar


def _promised_kvar(scenario: Scenario, load: Column) -> NDArray[np.float64] | None:
    """Return the reactive power that the modules are to supply where a series says so."""
    support = scenario.ask.reactive_support
    if support is None or not isinstance(support.kvar, SeriesFile):
        return None
    promised = _read(scenario, support.kvar)
    _refuse_negative(promised, promised.readings, "give what the modules supply; where they supply nothing, 0")
    return onto_steps(promised, _mean_kvar(promised, support.kvar.unit), load)


def _mean_kvar(column: Column, unit: str) -> NDArray[np.float64]:
    return column.readings / column.step_h if unit == "kvarh" else column.readings


def _power_kw(column: Column, unit: str) -> NDArray[np.float64]:
    return column.readings / column.step_h if unit == "kWh" else column.readings


def _refuse_negative(column: Column, power_kw: NDArray[np.float64], remedy: str) -> None:
    below = np.flatnonzero(power_kw < 0)
    if below.size:
        raise SeriesError(
            f"{column.source}: {column.readings[below[0]]:g} at {shown(column.start[below[0]])} is negative"
            f" ({counted(below.size, 'such step')})\n    {remedy}"
        )


def _refuse_impossible_temperature(column: Column) -> None:
    outside = np.flatnonzero((column.readings < COLDEST_C) | (column.readings > HOTTEST_C))
    if outside.size:
        raise SeriesError(
            f"{column.source}: {column.readings[outside[0]]:g} at {shown(column.start[outside[0]])}"
            f" is no air temperature in degrees C ({counted(outside.size, 'such step')})\n"
            "    convert from Fahrenheit or kelvin"
        )


def _refuse_impossible_power_factor(column: Column) -> None:
    outside = np.flatnonzero((column.readings <= 0) | (column.readings > 1))
    if outside.size:
        raise SeriesError(
            f"{column.source}: {column.readings[outside[0]]:g} at {shown(column.start[outside[0]])}"
            f" is no power factor ({counted(outside.size, 'such step')})\n"
            "    write shares above 0 up to 1: 95 % is 0.95"
        )
