"""A forecast made elsewhere that was issued again and again."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestfall.control._forecasts import Forecast

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Issued(Forecast):
    """For each step the value that was issued last by now; where none was yet, what another forecast expects.

    Parameters
    ----------
    step, issued : ndarray of int, shape (n_rows,)
        The step that each value is for, and the step before which it was known; sorted by step, then by issue.
    values_kw : ndarray of shape (n_rows,)
        The values [kW].
    otherwise : Forecast
        The other one: plans look further than many a forecast is issued.
    """

    step: NDArray[np.int64]
    issued: NDArray[np.int64]
    values_kw: FloatArray
    otherwise: Forecast

    def ahead(self, past_kw: FloatArray, n_steps: int) -> FloatArray:
        """Return the power expected in the next steps."""
        return self._with_issued(self.otherwise.ahead(past_kw, n_steps), len(past_kw))

    def ahead_at(self, values_kw: FloatArray, at: NDArray[np.int64], n_steps: int) -> FloatArray:
        """Return the forecasts of many times at once."""
        table = self.otherwise.ahead_at(values_kw, at, n_steps)
        for row, now in zip(table, at.tolist(), strict=True):
            inside = min(n_steps, len(values_kw) - now)
            row[:] = self._with_issued(row, now)
            row[inside:] = row[inside - 1]
        return table

    def _with_issued(self, expected: FloatArray, now: int) -> FloatArray:
        rows = slice(*np.searchsorted(self.step, (now, now + len(expected))))
        by_now = self.issued[rows] <= now
        step, values = self.step[rows][by_now] - now, self.values_kw[rows][by_now]
        is_last = np.append(step[1:] != step[:-1], [True])[: len(step)]
        found = expected.copy()
        found[step[is_last]] = values[is_last]
        return found
