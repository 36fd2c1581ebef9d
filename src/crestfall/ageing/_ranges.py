"""Where a law is used outside what it was fitted on: data for a warning."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Measure = Literal["time", "energy through the cells", "value"]
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfRange:
    """A quantity that left the range on which a law was fitted.

    Parameters
    ----------
    quantity, unit : str
        What, and its unit; the unit is empty for a share.
    lowest, highest : float
        The range.
    found_lowest, found_highest : float
        Lowest and highest value that were met.
    share_frac : float
        Share that lies outside.
    share_of : {"time", "energy through the cells", "value"}
        What it is a share of; a single value, such as the age, is outside as a whole.
    """

    quantity: str
    unit: str
    lowest: float
    highest: float
    found_lowest: float
    found_highest: float
    share_frac: float
    share_of: Measure

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        bounds = f"outside {self.lowest:g} to {self.highest:g}{unit}, on which the fade law was fitted"
        if self.share_of == "value":
            return f"{self.quantity}: {self.found_highest:.3g}{unit}, {bounds}"
        found = f"{round(self.found_lowest, 3):.3g} to {self.found_highest:.3g}{unit}"
        return f"{self.quantity}: {found}, {100 * self.share_frac:.0f} % of the {self.share_of} {bounds}"


def outside(
    quantity: str,
    unit: str,
    values: FloatArray,
    lowest: float,
    highest: float,
    weights: FloatArray | None = None,
) -> Iterator[OutOfRange]:
    """Yield one entry if something lies outside the range; weights are energy, without them the values are of steps."""
    measure: Measure = "value" if len(values) == 1 and weights is None else "time"
    weight = np.ones(len(values)) if weights is None else weights
    if not weight.sum() > 0:
        return
    beyond = (values < lowest - ROUNDING) | (values > highest + ROUNDING)
    share = float(weight[beyond].sum() / weight.sum())
    if share > 0:
        yield OutOfRange(
            quantity=quantity,
            unit=unit,
            lowest=lowest,
            highest=highest,
            found_lowest=float(values[weight > 0].min()),
            found_highest=float(values[weight > 0].max()),
            share_frac=share,
            share_of=measure if weights is None else "energy through the cells",
        )
