"""Prices that come from a file."""

from pathlib import Path

import numpy as np
import pandas as pd

from crestfall.errors import KeyedError, KeyPath, SeriesError
from crestfall.scenario.tariff_clauses import PriceSeries
from crestfall.series import Column, onto_steps, read_column
from crestfall.tariff._readings import FloatArray

KWH_PER_MWH = 1000.0


def price_per_kwh(ask: PriceSeries, folder: Path, start: pd.DatetimeIndex, step_h: float, key: KeyPath) -> FloatArray:
    """
    Return the price of each step from a file: times the factor, plus the adder, between floor and cap.

    Parameters
    ----------
    ask : PriceSeries
        File, column, unit and what the contract makes of the price.
    folder : Path
        Folder of the tariff file.
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site.
    step_h : float
        Length of a step [h].
    key : tuple
        Where the block stands, for messages.

    Returns
    -------
    ndarray of shape (n_steps,)
        Price of one kWh; that of a longer interval is repeated, shorter ones are averaged.

    Raises
    ------
    KeyedError
        If the file is damaged or does not cover the steps; the message names the first missing time.
    """
    zone = str(start.tz)
    try:
        column = read_column(folder / ask.file, ask, site_zone=zone)
        _check_covers(column, start, step_h, key)
        target = Column(start=start, step_h=step_h, readings=np.zeros(len(start)), source="the load")
        prices = onto_steps(column, column.readings, target)
    except SeriesError as error:
        text, _, remedy = str(error).partition("\n")
        raise KeyedError(
            "tariff", (*key, "file"), found=text, expected="prices for each step", remedy=remedy.strip()
        ) from None
    prices = prices / (KWH_PER_MWH if ask.unit == "per_mwh" else 1.0) * ask.multiplier + ask.adder_per_kwh
    lowest = -np.inf if ask.floor_per_kwh is None else ask.floor_per_kwh
    highest = np.inf if ask.cap_per_kwh is None else ask.cap_per_kwh
    return np.clip(prices, lowest, highest)


def _check_covers(column: Column, start: pd.DatetimeIndex, step_h: float, key: KeyPath) -> None:
    end, covered_to = start[-1] + pd.Timedelta(hours=step_h), column.start[-1] + pd.Timedelta(hours=column.step_h)
    missing = start[0] if column.start[0] > start[0] else covered_to if covered_to < end else None
    if missing is not None:
        raise KeyedError(
            "tariff",
            (*key, "file"),
            found=f"prices from {column.start[0]:%Y-%m-%d %H:%M} to {covered_to:%Y-%m-%d %H:%M}",
            expected=f"prices from {start[0]:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M}",
            remedy=f"the first missing price is that of {missing:%Y-%m-%d %H:%M %Z}",
        )
