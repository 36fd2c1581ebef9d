"""From the charges of a tariff file to prices and peaks for each step of a year."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import KeyedError
from crestfall.scenario import TariffFile
from crestfall.scenario.tariff_file import EXPORT_LINE
from crestfall.tariff._calendar import LocalClock, Mask, steps_in


@dataclass(frozen=True, slots=True, kw_only=True)
class DemandRate:
    """A demand charge on the steps of a year.

    Parameters
    ----------
    name : str
        The line of the bill.
    rate_per_kw : float
        Price of one kW of a period's billed peak.
    measured : ndarray of bool, shape (n_steps,)
        Steps whose mean import counts.
    """

    name: str
    rate_per_kw: float
    measured: Mask


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """A tariff on the steps of a year.

    Parameters
    ----------
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site.
    step_h : float
        Length of a step [h].
    period : ndarray of int, shape (n_steps,)
        Number of the billing period of each step, from 0.
    period_names : tuple of str
        The billing periods, year-month.
    energy_line : ndarray of int, shape (n_steps,)
        Position in `energy_names` of the one energy charge that holds in each step.
    energy_names : tuple of str
        The energy charges.
    energy_rates_per_kwh : ndarray of shape (n_energy,)
        Their prices.
    sell_per_kwh : ndarray of shape (n_steps,)
        What one exported kWh earns.
    demand : tuple of DemandRate
        The demand charges.
    fixed_per_period : tuple of (str, float)
        Amounts due in each period.
    """

    start: pd.DatetimeIndex
    step_h: float
    period: NDArray[np.int64]
    period_names: tuple[str, ...]
    energy_line: NDArray[np.int64]
    energy_names: tuple[str, ...]
    energy_rates_per_kwh: NDArray[np.float64]
    sell_per_kwh: NDArray[np.float64]
    demand: tuple[DemandRate, ...]
    fixed_per_period: tuple[tuple[str, float], ...]

    @property
    def buy_per_kwh(self) -> NDArray[np.float64]:
        """Price of one imported kWh in each step, shape (n_steps,)."""
        return self.energy_rates_per_kwh[self.energy_line]

    @property
    def line_names(self) -> tuple[str, ...]:
        """All lines that a bill can have, in the order of the tariff."""
        charges = (*self.energy_names, *(charge.name for charge in self.demand))
        return (*charges, EXPORT_LINE, *(name for name, _ in self.fixed_per_period))

    @property
    def fixed_cost(self) -> float:
        """Amounts due over all periods whatever is used."""
        return len(self.period_names) * sum(amount for _, amount in self.fixed_per_period)


def rates_on(tariff: TariffFile, start: pd.DatetimeIndex, *, step_h: float) -> Rates:
    """
    Lay a tariff on a time axis.

    Parameters
    ----------
    tariff : TariffFile
        The charges.
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site.
    step_h : float
        Length of a step [h].

    Returns
    -------
    Rates
        One energy price for each step, and the steps of each demand charge.

    Raises
    ------
    KeyedError
        If a step has two energy prices or none, a window edge lies inside a step, or an averaging interval is not
        the step of the data.
    """
    clock = LocalClock.at(start, step_h)
    first_month = clock.month[0]
    months = range(first_month, clock.month[-1] + 1)
    return Rates(
        start=start,
        step_h=step_h,
        period=clock.month - first_month,
        period_names=tuple(f"{month // 12}-{month % 12 + 1:02d}" for month in months),
        energy_line=_energy_lines(tariff, clock),
        energy_names=tuple(charge.name for charge in tariff.energy_charges),
        energy_rates_per_kwh=np.array([charge.rate_per_kwh for charge in tariff.energy_charges]),
        sell_per_kwh=np.full(len(start), tariff.export.rate_per_kwh),
        demand=_demand_rates(tariff, clock),
        fixed_per_period=tuple((charge.name, charge.amount_per_month) for charge in tariff.fixed_charges),
    )


def _energy_lines(tariff: TariffFile, clock: LocalClock) -> NDArray[np.int64]:
    """Give each step its one energy charge; the charge without `when` takes what the others leave."""
    line = np.full(len(clock.minute), -1, dtype=np.int64)
    remainder = None
    for position, charge in enumerate(tariff.energy_charges):
        if charge.when is None:
            remainder = position
            continue
        mask = steps_in(charge.when, tariff, clock, ("energy_charges", position, "when"))
        taken = mask & (line >= 0)
        if taken.any():
            step = int(np.argmax(taken))
            raise KeyedError(
                "tariff",
                ("energy_charges", position, "when"),
                found=f"'{charge.name}' and '{tariff.energy_charges[line[step]].name}' both from {_shown(clock, step)}",
                expected="one price for each step",
                remedy=f"narrow one of the two ({taken.sum():,} steps of the year overlap)",
            )
        line[mask] = position
    left = line < 0
    if left.any() and remainder is None:
        step = int(np.argmax(left))
        raise KeyedError(
            "tariff",
            ("energy_charges",),
            found=f"no price from {_shown(clock, step)}",
            expected="one price for each step",
            remedy="cover it, or leave 'when' out of one charge, which then takes all other times"
            f" ({left.sum():,} steps of the year have none)",
        )
    if remainder is not None:
        line[left] = remainder
    return line


def _demand_rates(tariff: TariffFile, clock: LocalClock) -> tuple[DemandRate, ...]:
    rates = []
    for position, charge in enumerate(tariff.demand_charges):
        key = ("demand_charges", position)
        if charge.averaging_min != clock.step_min:
            raise KeyedError(
                "tariff",
                (*key, "averaging_min"),
                found=str(charge.averaging_min),
                expected=f"{clock.step_min}, the step of the data",
                remedy="bring the data to the tariff's interval: coarser data understate a peak, finer overstate it",
            )
        everywhere = np.ones(len(clock.minute), dtype=bool)
        measured = everywhere if charge.when is None else steps_in(charge.when, tariff, clock, (*key, "when"))
        rates.append(DemandRate(name=charge.name, rate_per_kw=charge.rate_per_kw_month, measured=measured))
    return tuple(rates)


def _shown(clock: LocalClock, step: int) -> str:
    return f"{clock.start[step]:%a %Y-%m-%d %H:%M}"
