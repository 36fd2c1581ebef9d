"""Power at the terminals seen from the meter, with the cooling that it needs."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class AtMeter:
    """What a power at the terminals adds to import, or takes from it, with its cooling; for single values.

    Parameters
    ----------
    widths_kw : ndarray of shape (n_segments,)
        AC power of each chord [kW].
    fracs : ndarray of shape (n_segments,)
        Power at the meter for each kW AC.
    """

    def __init__(self, widths_kw: FloatArray, fracs: FloatArray) -> None:
        self._pieces = list(zip(widths_kw.tolist(), fracs.tolist(), strict=True))

    def of(self, ac_kw: float) -> float:
        """Return the power at the meter for an AC power [kW]."""
        at_meter = 0.0
        for width, frac in self._pieces:
            part = min(ac_kw, width)
            at_meter += part * frac
            ac_kw -= part
        return at_meter

    def terminals_of(self, meter_kw: float) -> float:
        """Return the AC power for a power at the meter; where cooling takes all that is gained, no more than that."""
        ac = 0.0
        for width, frac in self._pieces:
            if frac <= 0:
                break
            part = min(meter_kw, width * frac)
            ac += part / frac
            meter_kw -= part
        return ac
