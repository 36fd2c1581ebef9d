"""PV from weather or from a clear sky, by the models of pvlib."""

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from crestfall.errors import SeriesError
from crestfall.scenario.model_file import PvModel
from crestfall.series.model._shape import FloatArray

GAMMA_PER_C = -0.0037  # power of crystalline silicon per degree; common practice, no source
CLEAR_SKY_C = 20.0
TURBIDITY = 3.0  # Linke turbidity of a clean sky; common practice, no source
ALBEDO = 0.2
HOUR = pd.Timedelta(hours=1)
HOURS = 8760


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """A typical or measured year of hourly weather.

    Parameters
    ----------
    ghi, dni, dhi : ndarray of shape (8760,)
        Global horizontal, direct normal and diffuse horizontal irradiance, means of the hours of the year [W/m²].
    temperature_c : ndarray of shape (8760,)
        Air temperature [degrees C].
    wind_m_per_s : ndarray of shape (8760,)
        Wind speed [m/s].
    offset_h : float
        Offset of its hours from UTC [h].
    """

    ghi: FloatArray
    dni: FloatArray
    dhi: FloatArray
    temperature_c: FloatArray
    wind_m_per_s: FloatArray
    offset_h: float

    def onto(self, start: pd.DatetimeIndex, values: FloatArray) -> FloatArray:
        """Return hourly values at steps of any year, by day and hour of the file's clock; 29 February is the 28th."""
        clock = start.tz_convert("UTC").tz_localize(None) + pd.Timedelta(hours=self.offset_h)
        return values[_hour_of_year(clock)]


def read_weather(path: Path) -> Weather:
    """
    Read a weather file, EPW, TMY3 or CSV of PVGIS.

    Parameters
    ----------
    path : Path
        The file; its kind is told by its first line.

    Returns
    -------
    Weather
        A year of hours.

    Raises
    ------
    SeriesError
        If pvlib is not installed, or the file is none of these or no whole year.
    """
    iotools = _pvlib("iotools")
    try:
        head = path.read_text(encoding="latin-1")[:400]
    except OSError as error:
        raise SeriesError(f"{path}: cannot be read: {error.strerror}\n    check name and permissions") from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pvlib's own, of pandas
            if head.startswith("LOCATION,"):
                table, meta = iotools.read_epw(str(path), coerce_year=2023)
                offset_h, ends = float(meta["TZ"]), False
            elif "Latitude (decimal degrees)" in head or "Irradiance Time Offset" in head:
                table, meta, offset_h = *_pvgis(iotools, path), 0.0
                ends = False
            else:
                table, meta = iotools.read_tmy3(str(path), coerce_year=2023, map_variables=True)
                offset_h, ends = float(meta["TZ"]), True
        columns = [table[name].to_numpy(float) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")]
    except (KeyError, ValueError, IndexError, TypeError, pd.errors.ParserError) as error:
        raise SeriesError(
            f"{path}: is no weather file that is known: {error}\n"
            f"    expected EPW, TMY3, or a typical year of PVGIS as CSV"
        ) from None
    if len(table) != HOURS:
        raise SeriesError(
            f"{path}: found {len(table):,} hours, expected {HOURS:,}\n    give a whole year without 29 February"
        )
    # TMY3 marks the end of an hour; its first row is the hour from midnight to one.
    order = np.arange(HOURS) if ends else np.argsort(_hour_of_year(table.index.tz_localize(None)), kind="stable")
    return Weather(
        **dict(zip(("ghi", "dni", "dhi", "temperature_c", "wind_m_per_s"), (c[order] for c in columns), strict=True)),
        offset_h=offset_h,
    )


def modelled_pv_kw(ask: PvModel, start: pd.DatetimeIndex, weather: Weather | None) -> FloatArray:
    """
    Return available PV on the steps of a year.

    Parameters
    ----------
    ask : PvModel
        Modules and place.
    start : DatetimeIndex of shape (n_steps,)
        Steps of the year, hourly or shorter.
    weather : Weather or None
        The weather; None takes the clear sky times the clearness that was stated.

    Returns
    -------
    ndarray of shape (n_steps,)
        Mean power, not negative [kW].
    """
    return pv_energy_frame(ask, start, weather)["pv_kw"].to_numpy(float)


def pv_energy_frame(ask: PvModel, start: pd.DatetimeIndex, weather: Weather | None) -> pd.DataFrame:
    """
    Return the steps of the computation, so that each can be checked.

    Parameters
    ----------
    ask : PvModel
        Modules and place.
    start : DatetimeIndex of shape (n_steps,)
        Steps of the year.
    weather : Weather or None
        The weather.

    Returns
    -------
    DataFrame
        Columns poa (irradiance on the modules, W/m²), cell_c, pv_kw, indexed by `start`.
    """
    location, irradiance, temperature, pvsystem = (
        _pvlib(one) for one in ("location", "irradiance", "temperature", "pvsystem")
    )
    place = location.Location(ask.latitude_deg, ask.longitude_deg, tz="UTC")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pvlib's own, of pandas
        # Hourly means of irradiance go with the sun in the middle of their hour, whatever the step.
        hours = pd.DatetimeIndex(start.tz_convert("UTC").floor("h").unique())
        middle = hours + HOUR / 2
        sun = place.get_solarposition(middle)
        if weather is None:
            sky = place.get_clearsky(middle, model="ineichen", linke_turbidity=TURBIDITY)
            ghi, dni, dhi = (sky[name].to_numpy(float) for name in ("ghi", "dni", "dhi"))
            air_c, wind = np.full(len(hours), CLEAR_SKY_C), np.ones(len(hours))
        else:
            ghi, dni, dhi, air_c, wind = (
                weather.onto(hours, one)
                for one in (weather.ghi, weather.dni, weather.dhi, weather.temperature_c, weather.wind_m_per_s)
            )
        poa = irradiance.get_total_irradiance(
            ask.tilt_deg,
            ask.azimuth_deg,
            sun["apparent_zenith"].to_numpy(float),
            sun["azimuth"].to_numpy(float),
            dni,
            ghi,
            dhi,
            albedo=ALBEDO,
            model="isotropic",
        )["poa_global"]
        poa = np.nan_to_num(np.asarray(poa, float))
        cell_c = temperature.faiman(poa, air_c, wind)
        power_kw = pvsystem.pvwatts_dc(poa, cell_c, ask.kwp, GAMMA_PER_C) * (1 - ask.losses_frac)
    if ask.clearness_frac is not None:
        power_kw = power_kw * ask.clearness_frac
    power_kw = np.clip(power_kw, 0.0, ask.inverter_kw)
    at = hours.get_indexer(start.tz_convert("UTC").floor("h"))
    return pd.DataFrame(
        {"poa": poa[at], "cell_c": np.asarray(cell_c)[at], "pv_kw": np.asarray(power_kw)[at]}, index=start
    )


def _hour_of_year(clock: pd.DatetimeIndex) -> "np.ndarray[tuple[int], np.dtype[np.intp]]":
    days_before = np.array([0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334])
    day = np.where((clock.month == 2) & (clock.day == 29), 28, clock.day)
    return np.asarray((days_before[np.asarray(clock.month) - 1] + day - 1) * 24 + clock.hour, np.intp)


def _pvgis(iotools: Any, path: Path) -> tuple[pd.DataFrame, Any]:
    """Return the table and metadata, whichever of its names the reader of PVGIS has in this version."""
    read = getattr(iotools, "read_pvgis_tmy", None) or iotools.read_pvgis
    found = read(str(path), map_variables=True)
    return found[0], found[-1]


def _pvlib(module: str) -> Any:
    from importlib import import_module

    try:
        return import_module(f"pvlib.{module}")
    except ImportError:
        raise SeriesError(
            "PV is modelled by the package pvlib, which is not installed\n"
            "    pip install 'crestfall[pv]', or give a measured series"
        ) from None
