"""What a bill is made from, and what it is made of."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What the meters of a site show; all arrays have the shape (n_steps,).

    Parameters
    ----------
    import_kw, export_kw : ndarray
        Mean import and export over each step at the point of connection, not negative [kW].
    kvar : ndarray or None
        Mean reactive power drawn over each step; None where it is unknown [kvar].
    surplus_kw : ndarray or None
        PV beyond the load in each step, up to which export counts as PV; None: all of it does [kW].
    """

    import_kw: FloatArray
    export_kw: FloatArray
    kvar: FloatArray | None = None
    surplus_kw: FloatArray | None = None

    @property
    def reactive_kvar(self) -> FloatArray:
        """Reactive power, which must be known."""
        if self.kvar is None:
            raise ValueError("this tariff bills kVA or reactive energy; give kvar, the reactive power of each step")
        return self.kvar


class Row(NamedTuple):
    """One row of a bill: what one line costs in one period."""

    period: str
    group: str
    line: str
    quantity: float
    unit: str
    rate: float
    amount: float


def priced(period: str, group: str, line: str, quantity: float, unit: str, rate: float) -> Row:
    """Return a row whose amount is quantity times rate."""
    return Row(period, group, line, float(quantity), unit, float(rate), float(quantity * rate))
