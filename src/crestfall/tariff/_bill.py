"""The bill of one year of meter readings, line by line and period by period."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.scenario.tariff_file import EXPORT_LINE
from crestfall.tariff._rates import Rates

BILL_COLUMNS = ("period", "line", "quantity", "unit", "rate", "amount")
FloatArray = NDArray[np.float64]


def bill(rates: Rates, *, import_kw: FloatArray, export_kw: FloatArray) -> pd.DataFrame:
    """
    Return the bill for a year of readings at the point of connection.

    Parameters
    ----------
    rates : Rates
        The tariff on the same steps.
    import_kw, export_kw : ndarray of shape (n_steps,)
        Mean import and export over each step, not negative [kW].

    Returns
    -------
    DataFrame
        `BILL_COLUMNS`, a row for each line and period; amounts are not rounded, what the site earns is negative.
    """
    rows = [
        *_energy_rows(rates, import_kw),
        *_demand_rows(rates, import_kw),
        *_export_rows(rates, export_kw),
        *_fixed_rows(rates),
    ]
    table = pd.DataFrame(rows, columns=list(BILL_COLUMNS))
    return table.sort_values("period", kind="stable", ignore_index=True)


def billed_peaks_kw(rates: Rates, import_kw: FloatArray) -> FloatArray:
    """
    Return the highest measured import of each demand charge in each period.

    Parameters
    ----------
    rates : Rates
        The tariff.
    import_kw : ndarray of shape (n_steps,)
        Mean import over each step [kW].

    Returns
    -------
    ndarray of shape (n_demand, n_periods)
        Billed peaks [kW]; 0 where a charge is not measured in a period.
    """
    peaks = np.zeros((len(rates.demand), len(rates.period_names)))
    for row, charge in zip(peaks, rates.demand, strict=True):
        np.maximum.at(row, rates.period[charge.measured], import_kw[charge.measured])
    return peaks


Row = tuple[str, str, float, str, float, float]


def _energy_rows(rates: Rates, import_kw: FloatArray) -> list[Row]:
    n_periods, n_lines = len(rates.period_names), len(rates.energy_names)
    cell = rates.period * n_lines + rates.energy_line
    weights = import_kw * rates.step_h
    kwh = np.bincount(cell, weights=weights, minlength=n_periods * n_lines).reshape(n_periods, n_lines)
    in_use = np.bincount(cell, minlength=n_periods * n_lines).reshape(n_periods, n_lines) > 0
    return [
        (period, name, kwh[p, i], "kWh", float(rate), float(kwh[p, i] * rate))
        for p, period in enumerate(rates.period_names)
        for i, (name, rate) in enumerate(zip(rates.energy_names, rates.energy_rates_per_kwh, strict=True))
        if in_use[p, i]
    ]


def _demand_rows(rates: Rates, import_kw: FloatArray) -> list[Row]:
    peaks = billed_peaks_kw(rates, import_kw)
    return [
        (period, charge.name, peaks[k, p], "kW", charge.rate_per_kw, float(peaks[k, p] * charge.rate_per_kw))
        for k, charge in enumerate(rates.demand)
        for p, period in enumerate(rates.period_names)
        if (charge.measured & (rates.period == p)).any()
    ]


def _export_rows(rates: Rates, export_kw: FloatArray) -> list[Row]:
    if not export_kw.any():
        return []
    n_periods = len(rates.period_names)
    kwh = np.bincount(rates.period, weights=export_kw * rates.step_h, minlength=n_periods)
    earned = np.bincount(rates.period, weights=export_kw * rates.step_h * rates.sell_per_kwh, minlength=n_periods)
    return [
        (period, EXPORT_LINE, float(kwh[p]), "kWh", float(-earned[p] / kwh[p]) if kwh[p] else 0.0, float(-earned[p]))
        for p, period in enumerate(rates.period_names)
    ]


def _fixed_rows(rates: Rates) -> list[Row]:
    return [
        (period, name, 1.0, "month", amount, amount)
        for period in rates.period_names
        for name, amount in rates.fixed_per_period
    ]
