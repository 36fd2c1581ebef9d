"""What is due on top of quantities: fixed amounts, a minimum bill, surcharges on other lines, and rounding."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

import numpy as np

from crestfall.scenario import TariffFile
from crestfall.scenario.tariff_clauses import FixedCharge, Rounding
from crestfall.scenario.tariff_file import ALL_LINES
from crestfall.tariff._layout import Layout
from crestfall.tariff._periods import year_days
from crestfall.tariff._readings import FloatArray, Row, priced

FLOAT_NOISE_DECIMALS = 9  # digits beyond are what floats add, not what a meter or a sheet says


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedLine:
    """An amount that is due whatever is used.

    Parameters
    ----------
    name : str
        The line of the bill.
    unit : {"day", "month", "year"}
        What the amount is for.
    quantity : ndarray of shape (n_periods,)
        How many of them each billing period holds, times the meters.
    rate : float
        The amount for one.
    """

    name: str
    unit: str
    quantity: FloatArray
    rate: float

    def rows(self, names: tuple[str, ...]) -> Iterator[Row]:
        """Yield a row for each period."""
        for p in np.flatnonzero(self.quantity > 0):
            yield priced(names[p], "fixed", self.name, self.quantity[p], self.unit, self.rate)


def fixed_lines(layout: Layout) -> tuple[FixedLine, ...]:
    """
    Lay the fixed charges on the billing periods.

    Parameters
    ----------
    layout : Layout
        The tariff and the axis.

    Returns
    -------
    tuple of FixedLine
        In the order of the file.
    """
    return tuple(_fixed_line(layout, charge) for charge in layout.tariff.fixed_charges)


def _fixed_line(layout: Layout, charge: FixedCharge) -> FixedLine:
    billing = layout.billing
    by_unit = {
        "day": (charge.amount_per_day, billing.days),
        "month": (charge.amount_per_month, billing.factor),
        "year": (charge.amount_per_year, billing.days / year_days(layout.clock)),
    }
    unit, (amount, quantity) = next((unit, pair) for unit, pair in by_unit.items() if pair[0] is not None)
    return FixedLine(name=charge.name, unit=unit, quantity=quantity * charge.meters, rate=amount or 0.0)


def lines_on(on: Iterable[str], written: Mapping[str, str]) -> frozenset[str]:
    """
    Return the lines that a surcharge or a minimum bill stands on.

    Parameters
    ----------
    on : iterable of str
        Lines, groups, or all.
    written : mapping of str to str
        Group of each line that is written before it.

    Returns
    -------
    frozenset of str
        Names of lines.
    """
    wanted = set(on)
    everything = ALL_LINES in wanted
    return frozenset(line for line, group in written.items() if everything or line in wanted or group in wanted)


def line_weights(tariff: TariffFile) -> dict[str, float]:
    """
    Return what one unit of money on each line costs with all surcharges on it, and on each other, in their order.

    Parameters
    ----------
    tariff : TariffFile
        The surcharges.

    Returns
    -------
    dict of str to float
        Factor of each line that is no surcharge.
    """
    groups = tariff.line_groups
    base = {line: group for line, group in groups.items() if group != "surcharge"}
    weights = {}
    for line in base:
        written, amounts = dict(base), {line: 1.0}
        for surcharge in tariff.surcharges:
            on = lines_on(surcharge.on, written)
            amounts[surcharge.name] = surcharge.share_frac * sum(amounts.get(name, 0.0) for name in on)
            written[surcharge.name] = "surcharge"
        weights[line] = sum(amounts.values())
    return weights


def with_minimum_and_surcharges(tariff: TariffFile, rows: list[Row], layout: Layout) -> Iterator[Row]:
    """
    Yield the rows of a sheet as it rounds them, then its minimum bill and its surcharges, period by period.

    Parameters
    ----------
    tariff : TariffFile
        The sheet.
    rows : list of Row
        Its charges, not rounded.
    layout : Layout
        Its billing periods.

    Yields
    ------
    Row
        Rounded rows.
    """
    rounded = [_rounded(row, tariff.rounding) for row in rows]
    yield from rounded
    sums_in: dict[str, dict[str, float]] = {period: {} for period in layout.billing.names}
    for row in rounded:
        sums = sums_in.setdefault(row.period, {})
        sums[row.line] = sums.get(row.line, 0.0) + row.amount
    factor = dict(zip(layout.billing.names, layout.billing.factor, strict=True))
    groups = tariff.line_groups
    for period, sums in sums_in.items():
        written = {line: group for line, group in groups.items() if group not in ("minimum", "surcharge")}
        for row in _added(tariff, period, factor.get(period, 0.0), sums, written):
            row = _rounded(row, tariff.rounding)
            sums[row.line] = row.amount
            written[row.line] = row.group
            yield row


def _added(
    tariff: TariffFile, period: str, factor: float, sums: Mapping[str, float], written: Mapping[str, str]
) -> Iterator[Row]:
    """Yield the minimum bill and the surcharges of one period; `sums` and `written` grow with each row taken."""
    minimum = tariff.minimum_bill
    if minimum is not None and factor > 0:
        reached = sum(sums.get(line, 0.0) for line in lines_on(minimum.on, written))
        missing = max(factor * minimum.amount_per_month - reached, 0.0)
        yield Row(period, "minimum", minimum.name, 1.0, "month", missing, missing)
    for surcharge in tariff.surcharges:
        on = lines_on(surcharge.on, written)
        if any(line in sums for line in on):
            amount = sum(sums.get(line, 0.0) for line in on)
            yield priced(period, "surcharge", surcharge.name, amount, tariff.currency, surcharge.share_frac)


def _rounded(row: Row, rounding: Rounding) -> Row:
    quantity = row.quantity
    if row.unit in ("kW", "kVA", "kvar", "kW day", "kVA day") and rounding.demand_decimals is not None:
        quantity = round_half_up(quantity, rounding.demand_decimals)
    if row.unit in ("kWh", "kvarh") and rounding.energy_decimals is not None:
        quantity = round_half_up(quantity, rounding.energy_decimals)
    amount = row.amount if quantity == row.quantity else quantity * row.rate
    if rounding.amount_decimals is not None:
        amount = round_half_up(amount, rounding.amount_decimals)
    return row._replace(quantity=quantity, amount=amount)


def round_half_up(value: float, decimals: int) -> float:
    """
    Return a number rounded half away from zero, as sheets do it.

    Parameters
    ----------
    value : float
        The number.
    decimals : int
        Digits behind the point.

    Returns
    -------
    float
        The rounded number.

    Examples
    --------
    >>> round_half_up(2.675, 2), round_half_up(-0.5, 0), round(2.675, 2)
    (2.68, -1.0, 2.67)
    """
    exact = Decimal(f"{value:.{FLOAT_NOISE_DECIMALS}f}")
    return float(exact.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_UP))
