"""The small program over billed peaks: the bill's own rows, and what the store has told about its costs so far.

Benders' decomposition [1]_: the cost of each block of steps lies above planes in the peaks and in the stored energy at
the block's two ends. Without the latter a plane of a block alone would be false, since blocks lend each other energy.

References
----------
.. [1] J. F. Benders, "Partitioning procedures for solving mixed-variables programming problems," Numerische Mathematik
   4 (1962) 238-252.
"""

from dataclasses import dataclass, field
from typing import Any

import highspy
import numpy as np

from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray
from crestfall.errors import SolverError


@dataclass(frozen=True, slots=True)
class Planes:
    """A lower bound of the cost of each block, linear in the peaks and in the energy at its ends.

    Parameters
    ----------
    constant, begin_per_kwh, end_per_kwh : ndarray of shape (n_blocks,)
        Cost where all is 0, and of one more kWh before the block and at its end.
    slopes : ndarray of shape (n_blocks, n_peaks)
        Cost of one more kW of each peak.
    """

    constant: FloatArray
    begin_per_kwh: FloatArray
    end_per_kwh: FloatArray
    slopes: FloatArray


@dataclass(slots=True)
class _Rows:
    """All rows, kept here too, so that the bound does not rest on the solver's word."""

    columns: list[Any] = field(default_factory=list)
    weights: list[FloatArray] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)


class Master:
    """
    The program over peaks, the settlement's own variables, energies between blocks, and costs of blocks.

    Parameters
    ----------
    problem : Problem
        The dispatch problem; its settlement has no sums and no choices.
    starts : ndarray of int, shape (n_blocks + 1,)
        First step of each block.
    """

    def __init__(self, problem: Problem, starts: Any) -> None:
        p = problem
        self._fixed_cost = p.fixed_cost
        self._n_peaks, self._n_own, self._n_blocks = len(p.peaks), len(p.settlement.names), len(starts) - 1
        most = np.array([max(peak.least, peak.of(p.most_import_kw)) for peak in p.peaks])
        least = np.array([peak.least for peak in p.peaks])
        ends = starts[1:] - 1
        low, high = p.floor_kwh[ends].copy(), p.ceiling_kwh[ends].copy()
        if p.end_kwh is not None:
            low[-1] = high[-1] = p.end_kwh
        # Energy before the first block: that after the last one in a periodic store, else a column of its own.
        self._is_periodic = p.start_kwh is None
        start = [] if p.start_kwh is None else [p.start_kwh]
        self._cost = np.concatenate(
            ([peak.rate_per_kw for peak in p.peaks], p.settlement.cost, np.zeros(len(low) + len(start)), np.ones(self._n_blocks))
        )
        unknown = np.full(self._n_blocks, np.inf)
        self._low = np.concatenate((least, np.zeros(self._n_own), low, start, -unknown))
        self._high = np.concatenate((most, p.settlement.upper, high, start, unknown))
        self._energy = self._n_peaks + self._n_own
        self._block = self._energy + len(low) + len(start)
        self._rows = _Rows()
        self._solver = highspy.Highs()
        self._solver.setOptionValue("output_flag", False)
        self._solver.addVars(len(self._cost), self._low, self._high)
        self._solver.changeColsCost(len(self._cost), np.arange(len(self._cost), dtype=np.int32), self._cost)
        for row in p.settlement.rows:
            # The settlement numbers peaks, then sums (none here), then its own variables: as they stand here.
            self._add(np.array(row.columns, dtype=np.int32), np.array(row.weights), row.at_least, row.at_most)
        self._n_settled = len(self._rows.low)

    def _add(self, columns: Any, weights: FloatArray, low: float, high: float) -> None:
        self._rows.columns.append(columns)
        self._rows.weights.append(weights)
        self._rows.low.append(low)
        self._rows.high.append(high)
        self._solver.addRow(low, high, len(columns), columns, weights)

    def add(self, planes: Planes) -> None:
        """
        Add what the blocks have told.

        Parameters
        ----------
        planes : Planes
            A plane a block.
        """
        last = self._n_blocks - 1
        for b in range(self._n_blocks):
            on = np.flatnonzero(planes.slopes[b])
            before = self._energy + (b - 1 if b > 0 else last if self._is_periodic else self._n_blocks)
            after = self._energy + b
            columns, weights = [*on.tolist()], [*(-planes.slopes[b, on]).tolist()]
            if before == after:
                columns.append(before)
                weights.append(-planes.begin_per_kwh[b] - planes.end_per_kwh[b])
            else:
                columns += [before, after]
                weights += [-planes.begin_per_kwh[b], -planes.end_per_kwh[b]]
            columns.append(self._block + b)
            weights.append(1.0)
            self._add(np.array(columns, dtype=np.int32), np.array(weights), float(planes.constant[b]), np.inf)

    def solve(self) -> tuple[FloatArray, float]:
        """
        Return the peaks of least cost as far as is known, and a cost that no schedule can undercut.

        Returns
        -------
        ndarray of shape (n_peaks,)
            Peaks [kW or kVA].
        float
            The bound, computed from the multipliers by weak duality.

        Raises
        ------
        SolverError
            If the solver fails.
        """
        self._solver.run()
        if self._solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            raise SolverError(f"the program over billed peaks ended with {self._solver.getModelStatus().name}")
        solution = self._solver.getSolution()
        values, prices = np.array(solution.col_value), np.array(solution.row_dual)
        peaks = np.clip(values[: self._n_peaks], self._low[: self._n_peaks], self._high[: self._n_peaks])
        return peaks, self._bound(prices)

    def _bound(self, prices: FloatArray) -> float:
        """Return the weak-duality bound of row prices, those of each block's planes made to sum to 1."""
        rows = self._rows
        prices = prices.copy()
        planes = np.maximum(prices[self._n_settled :].reshape(-1, self._n_blocks), 0.0)
        total = planes.sum(axis=0)
        if (total <= 0).any():
            return -np.inf
        prices[self._n_settled :] = (planes / total).ravel()
        sides = np.where(prices > 0, rows.low, rows.high)
        prices[np.isinf(sides)] = 0.0
        sides[np.isinf(sides)] = 0.0
        sizes = [len(columns) for columns in rows.columns]
        on_column = np.zeros(len(self._cost))
        np.add.at(on_column, np.concatenate(rows.columns), np.repeat(prices, sizes) * np.concatenate(rows.weights))
        # The columns of the blocks have no bounds, and no reduced cost either, since their shares sum to 1.
        reduced = (self._cost - on_column)[: self._block]
        boxes = np.where(reduced > 0, self._low[: self._block], self._high[: self._block])
        return float(self._fixed_cost + prices @ sides + reduced @ boxes)
