"""From a few numbers to the rows of a bill."""

from pathlib import Path

import numpy as np
import pandas as pd

from crestfall.scenario import TariffFile, TariffSheet
from crestfall.tariff import Rates, Readings, bill, rates_on

MONDAY_TO_FRIDAY = ["mon", "tue", "wed", "thu", "fri"]
EVERY_DAY = [*MONDAY_TO_FRIDAY, "sat", "sun"]


def tariff_from(**keys) -> TariffFile:
    """Return a tariff with the given keys, and a flat energy price unless they say otherwise."""
    flat = [{"name": "Energy", "rate_per_kwh": 0.2}]
    head = {"crestfall_tariff": 1, "title": "Drawn", "currency": "EUR", "valid_from": "2015-01-01"}
    return TariffFile.model_validate({**head, "energy_charges": flat, **keys}, strict=False)


def sheets_from(*tariffs: TariffFile) -> list[TariffSheet]:
    """Return tariffs that follow each other as the sheets of one contract."""
    return [TariffSheet(f"tariff {number}", Path(), tariff) for number, tariff in enumerate(tariffs, start=1)]


def steps(first="2025-01-01", last="2026-01-01", *, zone="Europe/Berlin", step_min=60) -> pd.DatetimeIndex:
    """Return the steps from one local midnight to another."""
    return pd.date_range(first, last, freq=f"{step_min}min", tz=zone, inclusive="left")


def laid(tariff, start, *, folder=Path()) -> Rates:
    """Return a tariff on steps whose length follows from the axis."""
    return rates_on(tariff, start, step_h=(start[1] - start[0]) / pd.Timedelta(hours=1), folder=folder)


def readings_of(start, import_kw=0.0, *, export_kw=0.0, kvar=None, surplus_kw=None) -> Readings:
    """Return readings of each step from arrays or from one number for all steps."""
    given = {"import_kw": import_kw, "export_kw": export_kw, "kvar": kvar, "surplus_kw": surplus_kw}
    return Readings(
        **{
            name: None if value is None else np.broadcast_to(np.asarray(value, dtype=float), len(start)).copy()
            for name, value in given.items()
        }
    )


def billed(tariff, start, import_kw=0.0, *, before=None, last_year=None, as_contracted=False, **others) -> pd.DataFrame:
    """Return the bill of an import, and perhaps an export or reactive power, on an axis."""
    readings = readings_of(start, import_kw, **others)
    return bill(laid(tariff, start), readings, before=before, last_year=last_year, as_contracted=as_contracted)


def amounts(table: pd.DataFrame) -> dict[str, float]:
    """Return the amount of each line over all periods."""
    return table.groupby("line", sort=False)["amount"].sum().to_dict()


def column(table: pd.DataFrame, line: str, name: str = "quantity") -> list:
    """Return one column of the rows of a line, in the order of the bill."""
    return table.loc[table["line"] == line, name].tolist()


def total(table: pd.DataFrame) -> float:
    """Return what is due."""
    return float(table["amount"].sum())


def at_hours(start, stamps: dict[str, float], *, else_kw=0.0) -> np.ndarray:
    """Return a power that has given values at given local times and one value else."""
    local = start.strftime("%Y-%m-%d %H:%M")
    power = np.full(len(start), else_kw, dtype=float)
    for stamp, value in stamps.items():
        assert (local == stamp).any(), f"no step begins at {stamp}"
        power[local == stamp] = value
    return power
