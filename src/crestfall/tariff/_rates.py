"""From the sheets of a contract to prices and charges on the steps of a year."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from crestfall.errors import KeyedError
from crestfall.scenario import TariffFile, TariffSheet
from crestfall.scenario.tariff_clauses import Export, PricedEnergy
from crestfall.tariff._calendar import LocalClock, holiday_dates
from crestfall.tariff._demand import CapacityLine, DemandLine
from crestfall.tariff._layout import Layout
from crestfall.tariff._readings import FloatArray, Readings
from crestfall.tariff._sheet import Sheet


@dataclass(frozen=True, kw_only=True)
class Rates:
    """A contract on the steps of a year: one sheet, or one after the other.

    Parameters
    ----------
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site.
    step_h : float
        Length of a step [h].
    sheets : tuple of Sheet
        The sheets in the order of their validity.
    """

    start: pd.DatetimeIndex
    step_h: float
    sheets: tuple[Sheet, ...]

    @property
    def title(self) -> str:
        """Titles of the sheets."""
        return ", then ".join(sheet.tariff.title for sheet in self.sheets)

    @cached_property
    def buy_per_kwh(self) -> FloatArray:
        """Price of one imported kWh in each step, surcharges included, shape (n_steps,)."""
        return np.asarray(np.sum([sheet.buy_per_kwh for sheet in self.sheets], axis=0))

    @cached_property
    def sell_per_kwh(self) -> FloatArray:
        """What one exported kWh earns in each step, shape (n_steps,)."""
        return np.asarray(np.sum([sheet.sell_per_kwh for sheet in self.sheets], axis=0))

    @property
    def peak_charges(self) -> tuple[DemandLine | CapacityLine, ...]:
        """All charges on demand."""
        charges: list[DemandLine | CapacityLine] = []
        for sheet in self.sheets:
            charges += [*sheet.demand, *sheet.capacity]
        return tuple(charges)

    @property
    def line_groups(self) -> dict[str, str]:
        """The group of each line that a bill can have, in the order of the bill."""
        return {line: group for sheet in self.sheets for line, group in sheet.tariff.line_groups.items()}

    @property
    def holidays(self) -> tuple[str, ...]:
        """Days on which any of the sheets keeps a holiday, as year-month-day; those just before the steps as well."""
        days = {str(day) for sheet in self.sheets for day in holiday_dates(sheet.tariff, sheet.layout.clock)}
        return tuple(sorted(days))

    @property
    def has_price_series(self) -> bool:
        """Whether any price comes from a series, as those of a market do."""
        charges: list[PricedEnergy | Export] = []
        for sheet in self.sheets:
            charges += [*sheet.tariff.energy_charges, *(sheet.tariff.export.charges or ()), sheet.tariff.export]
        return any(charge.price_series is not None for charge in charges)

    @property
    def needs_kvar(self) -> bool:
        """Whether the bill depends on reactive power."""
        return any(sheet.needs_kvar for sheet in self.sheets)

    @property
    def may_choose(self) -> bool:
        """Whether a contracted level may be chosen."""
        return any(line.choose for sheet in self.sheets for line in sheet.capacity)

    def is_open_to(self, readings: Readings) -> bool:
        """Whether the hours of use of a year let a site be on all sheets."""
        highest = float(readings.import_kw.max(initial=0.0))
        hours = float(readings.import_kw.sum()) * self.step_h / highest if highest else 0.0
        limits = [sheet.tariff.hours_of_use for sheet in self.sheets]
        return all(limit.at_least_h <= hours and (limit.below_h is None or hours < limit.below_h) for limit in limits)


def rates_on(
    tariff: TariffFile | Sequence[TariffSheet],
    start: pd.DatetimeIndex,
    *,
    step_h: float,
    folder: Path = Path(),
    like: Rates | None = None,
) -> Rates:
    """
    Lay a tariff on a time axis.

    Parameters
    ----------
    tariff : TariffFile or sequence of TariffSheet
        The charges; of several sheets each holds from its date of validity to the next.
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site.
    step_h : float
        Length of a step [h].
    folder : Path, default="."
        Where a single tariff's price series are looked for.
    like : Rates, optional
        Others on the same steps, whose calendar is used again.

    Returns
    -------
    Rates
        All lines with their steps, prices and periods.

    Raises
    ------
    KeyedError
        If a step has two energy prices or none, a window edge lies inside a step, an averaging interval does not fit
        the data, or a sheet does not fit the year in another way.
    """
    sheets = [TariffSheet("tariff", folder, tariff)] if isinstance(tariff, TariffFile) else list(tariff)
    clock = LocalClock.at(start, step_h) if like is None else like.sheets[0].layout.clock
    begins = [np.datetime64(sheet.file.valid_from, "D") for sheet in sheets]
    begins[0] = min(begins[0], clock.date[0])  # what was valid earlier is what the first sheet says
    laid = []
    for number, sheet in enumerate(sheets):
        end = begins[number + 1] if number + 1 < len(sheets) else clock.date[-1] + np.timedelta64(1, "D")
        valid = (clock.date >= begins[number]) & (clock.date < end)
        if not valid.any():
            continue
        try:
            laid.append(Sheet.of(Layout.of(sheet.file, sheet.folder, clock, valid)))
        except KeyedError as error:
            error.document = sheet.document
            raise
    return Rates(start=start, step_h=step_h, sheets=tuple(laid))
