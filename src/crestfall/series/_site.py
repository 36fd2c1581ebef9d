"""Bring load, PV and temperature of one site to one time axis."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario import Scenario, SeriesFile
from crestfall.scenario.emissions_block import MOST_KG_PER_KWH, FactorSeries
from crestfall.scenario.model_file import Addition
from crestfall.scenario.scenario_file import Site
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
    average_kg_per_kwh, marginal_kg_per_kwh : ndarray of shape (n_steps,) or None
        CO2 equivalent of a kWh of the mix, and of the kWh that a change makes; None where no factor is given [kg/kWh].
    not_metered : tuple of str
        What of it nobody metered or was repaired, in words; empty where all of it is as metered.
    metered_step_h : float or None
        Step of the load as metered, where it is another than `step_h` [h].
    """

    start: pd.DatetimeIndex
    step_h: float
    load_kw: NDArray[np.float64]
    pv_kw: NDArray[np.float64]
    temperature_c: NDArray[np.float64] | None
    kvar: NDArray[np.float64] | None = None
    promised_kvar: NDArray[np.float64] | None = None
    average_kg_per_kwh: NDArray[np.float64] | None = None
    marginal_kg_per_kwh: NDArray[np.float64] | None = None
    not_metered: tuple[str, ...] = ()
    metered_step_h: float | None = None

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
    metered = _metered_load(scenario)
    load = _on_study_step(metered, site.step_min)
    temperature_c = None
    if site.temperature is not None:
        temperature = _read(scenario, site.temperature)
        _refuse_impossible_temperature(temperature)
        temperature_c = onto_steps(temperature, temperature.readings, load)
    pv_kw, weather_c, pv_repairs = _pv(scenario, load)
    temperature_c = weather_c if temperature_c is None else temperature_c
    load_kw = load.readings * (1 + site.growth_frac)
    for addition in site.additions:
        load_kw = load_kw + _added(addition, load, temperature_c)
    return SiteSeries(
        start=load.start,
        step_h=load.step_h,
        load_kw=load_kw,
        pv_kw=pv_kw,
        temperature_c=temperature_c,
        kvar=_reactive_kvar(scenario, load, load_kw),
        promised_kvar=_promised_kvar(scenario, load),
        average_kg_per_kwh=_factors(scenario, "average_kg_per_kwh", load),
        marginal_kg_per_kwh=_factors(scenario, "marginal_kg_per_kwh", load),
        not_metered=(*_not_metered(site), *metered.repairs, *pv_repairs),
        metered_step_h=None if metered.step_h == load.step_h else metered.step_h,
    )


def years_of_load(scenario: Scenario) -> list[str]:
    """
    Return the years that the metered load holds.

    Parameters
    ----------
    scenario : Scenario
        The validated scenario.

    Returns
    -------
    list of str
        First months, year-month: those of calendar years, else of the last twelve months; none without a metered load.

    Raises
    ------
    SeriesError
        If the load cannot be read.
    """
    ask = scenario.ask.site.load
    if ask is None:
        return []
    load = _read(scenario, ask)
    end = load.start[-1] + pd.Timedelta(hours=load.step_h)
    first = load.start[0].normalize().replace(day=1)
    months = pd.date_range(first, end, freq="MS")
    whole = [month for month in months if month >= load.start[0] and month + pd.DateOffset(years=1) <= end]
    return [f"{month:%Y-%m}" for month in [month for month in whole if month.month == 1] or whole[-1:]]


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


def _metered_load(scenario: Scenario) -> Column:
    """Return a year of load in kW, metered or modelled."""
    site = scenario.ask.site
    if site.load_model is not None:
        from crestfall.series.model import axis_of_year, modelled_load_kw

        ask = site.load_model
        start = axis_of_year(ask.year, step_min=ask.step_min, zone=site.time_zone)
        readings = modelled_load_kw(ask, start)
        return Column(start=start, step_h=ask.step_min / 60, readings=readings, source="site.load_model")
    if site.load is None:
        raise AssertionError("the scenario's check asks for one of them")  # pragma: no cover
    load = _read(scenario, site.load)
    if site.first_month is not None:
        load = _twelve_months(load, site.first_month)
    check_whole_year(load.start, load.step_h, load.source)
    load_kw = _power_kw(load, site.load.unit)
    _refuse_negative(load, load_kw, "PV behind the meter? Give consumption as load and generation as pv")
    return replace(load, readings=load_kw)


def _twelve_months(load: Column, first_month: str) -> Column:
    first = pd.Timestamp(first_month, tz=load.start.tz)
    end = first + pd.DateOffset(years=1)
    inside = np.asarray((load.start >= first) & (load.start < end))
    if not inside.any():
        raise SeriesError(
            f"{load.source}: the data run from {shown(load.start[0])} to {shown(load.start[-1])},"
            f" first_month is {first_month}\n    name a month from which the data hold a year"
        )
    return replace(load, start=load.start[inside], readings=load.readings[inside])


def _on_study_step(load: Column, step_min: int | None) -> Column:
    """Return the load on the step of the study: energy is kept, and no peak is invented."""
    if step_min is None or step_min == round(load.step_h * 60):
        return load
    from crestfall.series.meter import resampled

    readings = resampled(load.readings, step_min=round(load.step_h * 60), to_min=step_min)
    start = load.start[0] + pd.to_timedelta(np.arange(len(readings)) * step_min, unit="min")
    return replace(load, start=pd.DatetimeIndex(start), step_h=step_min / 60, readings=readings)


def _pv(scenario: Scenario, load: Column) -> tuple[NDArray[np.float64], NDArray[np.float64] | None, tuple[str, ...]]:
    """Return PV on the steps of the load, the temperature of a weather file if one is named, and repairs."""
    site = scenario.ask.site
    if site.pv_model is not None:
        from crestfall.series.model import modelled_pv_kw, read_weather

        name = site.pv_model.weather
        weather = None if name is None else read_weather(scenario.file_path(name))
        pv_kw = modelled_pv_kw(site.pv_model, load.start, weather)
        return pv_kw, None if weather is None else weather.onto(load.start, weather.temperature_c), ()
    if site.pv is None:
        return np.zeros_like(load.readings), None, ()
    pv = _read(scenario, site.pv)
    power_kw = _power_kw(pv, site.pv.unit)
    _refuse_negative(pv, power_kw, "set what an inverter draws at night to 0, or add it to the load")
    return onto_steps(pv, power_kw, load), None, pv.repairs


def _added(addition: Addition, load: Column, temperature_c: NDArray[np.float64] | None) -> NDArray[np.float64]:
    from crestfall.series.model import added_kw

    return added_kw(addition, load.start, step_h=load.step_h, temperature_c=temperature_c)


def _not_metered(site: Site) -> Iterator[str]:
    model = site.load_model
    if model is not None and model.profile is not None:
        yield (
            f"the load is not metered: standard profile {model.profile}, the mean of many sites, which has no peaks of"
            " its own"
        )
    elif model is not None and model.monthly_bills is not None:
        shape = model.monthly_bills.shape
        yield (
            f"the load is not metered: twelve bills with the shape '{shape}'; `crestfall spread` studies every shape"
            " that fits them, the saving lies in their range"
        )
    elif model is not None:
        yield "the load is not metered: working hours as described"
    if site.additions:
        yield f"not metered in the load: {counted(len(site.additions), 'addition')}"
    if site.growth_frac:
        yield f"the load is taken {100 * site.growth_frac:+.3g} % from what was metered"
    if site.pv_model is not None:
        yield (
            "PV is not metered: computed from weather"
            if site.pv_model.weather
            else "PV is not metered: a clear sky, scaled"
        )


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


def _factors(scenario: Scenario, name: str, load: Column) -> NDArray[np.float64] | None:
    """Return emission factors on the steps of the load; None where the scenario gives none."""
    ask = scenario.ask.emissions
    factor = None if ask is None else getattr(ask, name)
    if factor is None:
        return None
    if not isinstance(factor, FactorSeries):
        return np.full(len(load.start), factor)
    column = _read(scenario, factor)
    column = replace(column, readings=column.readings / (1000 if factor.unit == "g/kWh" else 1))
    outside = np.flatnonzero((column.readings < 0) | (column.readings > MOST_KG_PER_KWH))
    if outside.size:
        raise SeriesError(
            f"{column.source}: {column.readings[outside[0]]:g} kg/kWh at {shown(column.start[outside[0]])}"
            f" is no emission factor of a grid ({counted(outside.size, 'such step')})\n"
            f"    factors lie between 0 and {MOST_KG_PER_KWH:g} kg/kWh; for grams set unit: g/kWh"
        )
    return onto_steps(column, column.readings, load)


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
