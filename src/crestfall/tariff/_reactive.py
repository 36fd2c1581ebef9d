"""Prices of reactive energy and reactive demand beyond a free share."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crestfall.tariff._calendar import Mask
from crestfall.tariff._layout import Layout
from crestfall.tariff._periods import Periods
from crestfall.tariff._readings import FloatArray, Readings, Row, priced


@dataclass(frozen=True, slots=True, kw_only=True)
class ReactiveLine:
    """A charge on reactive energy, or on the reactive peak.

    Parameters
    ----------
    name : str
        The line of the bill.
    unit : {"kvarh", "kvar"}
        Whether energy or the peak is priced.
    rate : float
        Price of one unit.
    free_share : float
        Free kvarh for each imported kWh, or free kvar for each kW of the peak.
    counted : ndarray of bool, shape (n_steps,)
        Steps that count.
    billing : Periods
        The billing periods.
    step_h : float
        Length of a step [h].
    """

    name: str
    unit: str
    rate: float
    free_share: float
    counted: Mask
    billing: Periods
    step_h: float

    def drawn(self, readings: Readings) -> FloatArray:
        """Return what is drawn in each period before the free share: kvarh, or the highest kvar."""
        kvar = np.where(self.counted, np.maximum(readings.reactive_kvar, 0.0), 0.0)
        return self.billing.sums(kvar) * self.step_h if self.unit == "kvarh" else self._highest(kvar)

    def active(self, readings: Readings) -> FloatArray:
        """Return what the free share is counted by in each period: imported kWh, or the highest kW."""
        import_kw = np.where(self.counted, readings.import_kw, 0.0)
        return self.billing.sums(import_kw) * self.step_h if self.unit == "kvarh" else self._highest(import_kw)

    def rows(self, readings: Readings) -> Iterator[Row]:
        """Yield a row for each period."""
        beyond = np.maximum(self.drawn(readings) - self.free_share * self.active(readings), 0.0)
        for p in np.flatnonzero(self.billing.factor > 0).tolist():
            yield priced(self.billing.names[p], "reactive", self.name, beyond[p], self.unit, self.rate_in(p))

    def rate_in(self, period: int) -> float:
        """Return the price of one unit in a period: that of a peak is prorated, that of energy is not."""
        return self.rate * (float(self.billing.factor[period]) if self.unit == "kvar" else 1.0)

    def _highest(self, power: FloatArray) -> FloatArray:
        highest = np.zeros(self.billing.n)
        np.maximum.at(highest, self.billing.of, power)
        return highest


def reactive_lines(layout: Layout) -> tuple[ReactiveLine, ...]:
    """
    Lay the reactive charges on the axis.

    Parameters
    ----------
    layout : Layout
        The tariff and the axis.

    Returns
    -------
    tuple of ReactiveLine
        In the order of the file.
    """
    lines = []
    for i, charge in enumerate(layout.tariff.reactive_charges):
        is_energy = charge.rate_per_kvarh is not None
        lines.append(
            ReactiveLine(
                name=charge.name,
                unit="kvarh" if is_energy else "kvar",
                rate=(charge.rate_per_kvarh if is_energy else charge.rate_per_kvar) or 0.0,
                free_share=(charge.free_share_of_kwh if is_energy else charge.free_share_of_kw) or 0.0,
                counted=layout.whole_steps(charge, ("reactive_charges", i)) & layout.valid,
                billing=layout.billing,
                step_h=layout.step_h,
            )
        )
    return tuple(lines)
