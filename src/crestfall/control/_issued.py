"""A forecast made elsewhere that was issued again and again."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestfall.control._forecasts import Forecast

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Issued(Forecast):
    """For each step the value that was issued last by now; where none was yet, the latest known power.

    Parameters
    ----------
    step, issued : ndarray of int, shape (n_rows,)
        The step that each value is for, and the step before which it was known; sorted by step, then by issue.
    values_kw : ndarray of shape (n_rows,)
        The values [kW].
    """

    step: NDArray[np.int64]
    issued: NDArray[np.int64]
    values_kw: FloatArray

    def ahead(self, past_kw: FloatArray, n_steps: int) -> FloatArray:
        """Return the power expected in the next steps."""
        known = len(past_kw)
        expected = np.full(n_steps, float(past_kw[-1]) if known else 0.0)
        rows = slice(*np.searchsorted(self.step, (known, known + n_steps)))
        by_now = self.issued[rows] <= known
        step, values = self.step[rows][by_now] - known, self.values_kw[rows][by_now]
        is_last = np.append(step[1:] != step[:-1], [True])[: len(step)]
        expected[step[is_last]] = values[is_last]
        return expected
