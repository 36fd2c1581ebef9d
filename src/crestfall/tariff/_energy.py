"""Prices of energy: what is imported and exported, in blocks or at one price, and export set off against import."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import KeyedError, KeyPath
from crestfall.scenario.tariff_clauses import EnergyCharge, NetMetering, PricedEnergy
from crestfall.scenario.tariff_file import EXPORT_LINE
from crestfall.tariff._calendar import steps_in
from crestfall.tariff._layout import Layout
from crestfall.tariff._periods import Periods
from crestfall.tariff._prices import price_per_kwh
from crestfall.tariff._readings import FloatArray, Readings, Row, priced


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiers:
    """Blocks of energy, each with its own price.

    Parameters
    ----------
    rates_per_kwh : ndarray of shape (n_tiers,)
        Their prices.
    ends : ndarray of shape (n_tiers - 1,)
        Upper ends of all but the last: kWh a whole period, or hours use of demand.
    periods : Periods
        What they are counted over.
    hours_of : str or None
        The demand charge whose billed peak turns hours into kWh.
    """

    rates_per_kwh: FloatArray
    ends: FloatArray
    periods: Periods
    hours_of: str | None

    def ends_kwh(self, period: int, billed_peak: float) -> FloatArray:
        """Return the upper ends in one period, given the billed peak that hours of use are counted by [kWh]."""
        per_hour = 1.0 if self.hours_of is None else billed_peak
        ends: FloatArray = self.ends * (self.periods.factor[period] * per_hour)
        return ends


@dataclass(frozen=True, kw_only=True)
class EnergyLine:
    """A price of energy on the steps of a year.

    Parameters
    ----------
    name : str
        The line of the bill.
    component : str
        Part of the price to which it belongs.
    share : ndarray of shape (n_steps,)
        Share of each step's energy that it prices.
    price_per_kwh : ndarray of shape (n_steps,)
        Its price; of blocks that of the first.
    tiers : Tiers or None
        Its blocks.
    billing : Periods
        The periods of its rows.
    """

    name: str
    component: str
    share: FloatArray
    price_per_kwh: FloatArray
    tiers: Tiers | None
    billing: Periods

    @cached_property
    def is_flat(self) -> bool:
        """Whether all its steps have the same price."""
        return self.tiers is None and bool((self.price_per_kwh == self.price_per_kwh[0]).all())

    @cached_property
    def in_use(self) -> list[int]:
        """Periods in which it prices any energy: of its blocks, or of the bill."""
        periods = self.billing if self.tiers is None else self.tiers.periods
        return np.flatnonzero(periods.sums(self.share) > 0).tolist()

    def rows(self, group: str, kw: FloatArray, step_h: float, *, sign: float) -> Iterator[Row]:
        """Yield a row for each period in which the line prices energy at one rate or a series."""
        priced_kw = self.share * kw
        kwh = self.billing.sums(priced_kw) * step_h
        if self.is_flat:
            rates = np.full(self.billing.n, self.price_per_kwh[0])
        else:
            amounts = self.billing.sums(priced_kw * self.price_per_kwh) * step_h
            rates = np.divide(amounts, kwh, out=np.zeros_like(kwh), where=kwh > 0)
        for p in self.in_use:
            yield priced(self.billing.names[p], group, self.name, kwh[p], "kWh", sign * rates[p])

    def tier_rows(self, kwh: FloatArray, billed_peaks: FloatArray) -> Iterator[Row]:
        """Yield a row for each block that is reached in each period, at least the first."""
        if (tiers := self.tiers) is None:
            return
        periods = tiers.periods
        for p in self.in_use:
            edges = np.array([0.0, *tiers.ends_kwh(p, billed_peaks[p]), np.inf])
            blocks = np.diff(np.minimum(edges, kwh[p]))
            for number, (block, rate) in enumerate(zip(blocks, tiers.rates_per_kwh, strict=True)):
                if number == 0 or block > 0:
                    yield priced(periods.names[p], "energy", self.name, block, "kWh", rate)


def energy_lines(layout: Layout) -> tuple[EnergyLine, ...]:
    """
    Lay the energy charges on the axis; in each component every step has one price.

    Parameters
    ----------
    layout : Layout
        The tariff and the axis.

    Returns
    -------
    tuple of EnergyLine
        In the order of the file.

    Raises
    ------
    KeyedError
        If a step has two prices of one component or none.
    """
    charges = layout.tariff.energy_charges
    shares: dict[int, FloatArray] = {}
    for component in dict.fromkeys(charge.component for charge in charges):
        members = [i for i, charge in enumerate(charges) if charge.component == component]
        shares |= _one_price_a_step(layout, [charges[i] for i in members], members, ("energy_charges",))
    return tuple(
        EnergyLine(
            name=charge.name,
            component=charge.component,
            share=shares[i],
            price_per_kwh=_price(layout, charge, ("energy_charges", i)),
            tiers=_tiers(layout, charge),
            billing=layout.billing,
        )
        for i, charge in enumerate(charges)
    )


def export_lines(layout: Layout) -> tuple[EnergyLine, ...]:
    """
    Lay the export prices on the axis.

    Parameters
    ----------
    layout : Layout
        The tariff and the axis.

    Returns
    -------
    tuple of EnergyLine
        One or more lines that each exported kWh has one price of; none with net metering.
    """
    export = layout.tariff.export
    if export.net_metering is not None:
        return ()
    if export.charges is not None:
        charges: Sequence[PricedEnergy] = export.charges
        members = list(range(len(charges)))
        shares = _one_price_a_step(layout, charges, members, ("export", "charges"))
        keys: list[KeyPath] = [("export", "charges", i) for i in members]
    else:
        rate = None if export.price_series is not None else export.rate_per_kwh or 0.0
        charges = [PricedEnergy(name=EXPORT_LINE, rate_per_kwh=rate, price_series=export.price_series)]
        shares, keys = {0: layout.valid.astype(float)}, [("export",)]
    return tuple(
        EnergyLine(
            name=charge.name,
            component=EXPORT_LINE,
            share=shares[i],
            price_per_kwh=_price(layout, charge, keys[i]),
            tiers=None,
            billing=layout.billing,
        )
        for i, charge in enumerate(charges)
    )


def net_metered_rows(
    lines: Sequence[EnergyLine], net: NetMetering, readings: Readings, step_h: float, last_period: str
) -> Iterator[Row]:
    """Yield the energy lines of a net-metered bill, and what its unused credit earns."""
    settled = dict.fromkeys(lines[0].billing.names, 0.0)
    for line in lines:
        is_settled = line.component == lines[0].component  # the same kWh are credited in every component, paid once
        periods = line.billing
        net_kwh = periods.sums(line.share * (readings.import_kw - readings.export_kw)) * step_h
        billed, credit = np.zeros(periods.n), 0.0
        for p in range(periods.n):
            balance = net_kwh[p] - credit
            billed[p], credit = max(balance, 0.0), max(-balance, 0.0)
            if not net.carry_over:
                settled[periods.names[p]] += credit if is_settled else 0.0
                credit = 0.0
        settled[last_period] += credit if is_settled else 0.0
        if line.tiers is not None:
            yield from line.tier_rows(billed, np.zeros(periods.n))
        else:
            for p in line.in_use:
                yield priced(periods.names[p], "energy", line.name, billed[p], "kWh", line.price_per_kwh[0])
    for period, kwh in settled.items():
        if kwh > 0:
            yield priced(period, "export", EXPORT_LINE, kwh, "kWh", -net.settlement_rate_per_kwh)


def _one_price_a_step(
    layout: Layout, charges: Sequence[PricedEnergy], positions: Sequence[int], key: KeyPath
) -> dict[int, FloatArray]:
    """Give each part of a step its one charge; the charge without `when` takes what the others leave."""
    fine = layout.fine
    line: NDArray[np.int64] = np.full(fine.n_steps, -1, dtype=np.int64)
    remainder = None
    for number, (charge, position) in enumerate(zip(charges, positions, strict=True)):
        if charge.when is None:
            remainder = number
            continue
        mask = steps_in(charge.when, layout.tariff, fine, (*key, position, "when"))
        taken = mask & (line >= 0)
        if taken.any():
            step = int(np.argmax(taken))
            raise KeyedError(
                "tariff",
                (*key, position, "when"),
                found=f"'{charge.name}' and '{charges[line[step]].name}' both from {fine.shown(step)}",
                expected="one price for each step",
                remedy=f"narrow one of the two ({taken.sum():,} steps of the year overlap);"
                " prices that add up are different components",
            )
        line[mask] = number
    left = line < 0
    if left.any() and remainder is None:
        step = int(np.argmax(left))
        raise KeyedError(
            "tariff",
            key,
            found=f"no price from {fine.shown(step)}",
            expected="one price for each step",
            remedy="cover it, or leave 'when' out of one charge, which then takes all other times"
            f" ({left.sum():,} steps of the year have none)",
        )
    if remainder is not None:
        line[left] = remainder
    return {position: layout.share_of_steps(line == number) for number, position in enumerate(positions)}


def _price(layout: Layout, charge: PricedEnergy, key: KeyPath) -> FloatArray:
    if charge.price_series is not None:
        prices = np.zeros(layout.clock.n_steps)
        start, series_key = layout.clock.start[layout.valid], (*key, "price_series")
        prices[layout.valid] = price_per_kwh(charge.price_series, layout.folder, start, layout.step_h, series_key)
        return prices
    tiers = charge.tiers if isinstance(charge, EnergyCharge) else None
    rate = tiers[0].rate_per_kwh if tiers else charge.rate_per_kwh or 0.0
    return np.full(layout.clock.n_steps, rate)


def _tiers(layout: Layout, charge: EnergyCharge) -> Tiers | None:
    if charge.tiers is None:
        return None
    return Tiers(
        rates_per_kwh=np.array([tier.rate_per_kwh for tier in charge.tiers]),
        ends=np.array([tier.upto_kwh or tier.upto_hours or 0.0 for tier in charge.tiers[:-1]]),
        periods=layout.periods(charge.tier_period, charge),
        hours_of=charge.hours_of,
    )
