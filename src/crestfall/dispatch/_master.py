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
from highspy import _core

from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray, highest
from crestfall.errors import SolverError

USED = 1e-9  # share of a bound below which a plane carries nothing of it


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
    """All rows, kept here too, so that the bound does not rest on the solver's word; an entry for each batch."""

    sizes: list[Any] = field(default_factory=list)
    columns: list[Any] = field(default_factory=list)
    weights: list[FloatArray] = field(default_factory=list)
    low: list[FloatArray] = field(default_factory=list)
    high: list[FloatArray] = field(default_factory=list)


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
        least = np.array([peak.least for peak in p.peaks])
        most = np.maximum(highest(p.peaks, p.most_import_kw), least)
        ends = starts[1:] - 1
        low, high = p.floor_kwh[ends].copy(), p.ceiling_kwh[ends].copy()
        if p.end_kwh is not None:
            low[-1] = high[-1] = p.end_kwh
        # Energy before the first block: that after the last one in a periodic store, else a column of its own.
        self._is_periodic = p.start_kwh is None
        start = [] if p.start_kwh is None else [p.start_kwh]
        self._cost = np.concatenate(
            (
                [peak.rate_per_kw for peak in p.peaks],
                p.settlement.cost,
                np.zeros(len(low) + len(start)),
                np.ones(self._n_blocks),
            )
        )
        unknown = np.full(self._n_blocks, np.inf)
        self._low = np.concatenate((least, np.zeros(self._n_own), low, start, -unknown))
        self._high = np.concatenate((most, p.settlement.upper, high, start, unknown))
        self._energy = self._n_peaks + self._n_own
        self._block = self._energy + len(low) + len(start)
        self._rows = _Rows()
        # The wrapper of this class prints a banner as it is made, whatever is asked of it later.
        self._solver: Any = _core._Highs()
        self._solver.setOptionValue("output_flag", False)
        self._solver.addVars(len(self._cost), self._low, self._high)
        self._solver.changeColsCost(len(self._cost), np.arange(len(self._cost), dtype=np.int32), self._cost)
        settled = p.settlement.rows
        if settled:
            # The settlement numbers peaks, then sums (none here), then its own variables: as they stand here.
            self._add(
                np.array([len(row.columns) for row in settled]),
                np.concatenate([row.columns for row in settled]),
                np.concatenate([row.weights for row in settled]),
                np.array([row.at_least for row in settled]),
                np.array([row.at_most for row in settled]),
            )
        self._n_settled = len(settled)
        self.in_use: Any = np.zeros(0, dtype=np.int64)  # which of the added planes the last bound rests on

    def _add(self, sizes: Any, columns: Any, weights: FloatArray, low: FloatArray, high: FloatArray) -> None:
        for rows, new in zip(
            (self._rows.sizes, self._rows.columns, self._rows.weights, self._rows.low, self._rows.high),
            (sizes, columns, weights, low, high),
            strict=True,
        ):
            rows.append(new)
        begins = np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.int32)
        self._solver.addRows(len(sizes), low, high, len(columns), begins, columns.astype(np.int32), weights)

    def add(self, planes: Planes) -> None:
        """
        Add what the blocks have told.

        Parameters
        ----------
        planes : Planes
            A plane a block.
        """
        n = self._n_blocks
        block, peak = np.nonzero(planes.slopes)
        each = np.arange(n)
        # A store that is periodic has, before its first block, what it has after the last.
        before = np.concatenate(([n - 1 if self._is_periodic else n], each[:-1]))
        rows = np.concatenate((block, each, each, each))
        columns = np.concatenate((peak, self._energy + before, self._energy + each, self._block + each))
        weights = np.concatenate((-planes.slopes[block, peak], -planes.begin_per_kwh, -planes.end_per_kwh, np.ones(n)))
        if self._is_periodic and n == 1:
            # Both ends are one column, which may stand in a row only once.
            weights[-3] += weights[-2]
            rows, columns, weights = (np.delete(one, -2) for one in (rows, columns, weights))
        order = np.argsort(rows, kind="stable")
        self._add(np.bincount(rows, minlength=n), columns[order], weights[order], planes.constant, np.full(n, np.inf))

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
            # Where the last round's basis leads into rounding, a fresh start finds the way.
            self._solver.clearSolver()
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
        self.in_use = np.flatnonzero(planes.sum(axis=1) > USED)
        total = planes.sum(axis=0)
        if (total <= 0).any():
            return -np.inf
        prices[self._n_settled :] = (planes / total).ravel()
        sides = np.where(prices > 0, np.concatenate(rows.low), np.concatenate(rows.high))
        prices[np.isinf(sides)] = 0.0
        sides[np.isinf(sides)] = 0.0
        on_entries = np.repeat(prices, np.concatenate(rows.sizes)) * np.concatenate(rows.weights)
        on_column = np.bincount(np.concatenate(rows.columns), weights=on_entries, minlength=len(self._cost))
        # The columns of the blocks have no bounds, and no reduced cost either, since their shares sum to 1.
        reduced = (self._cost - on_column)[: self._block]
        boxes = np.where(reduced > 0, self._low[: self._block], self._high[: self._block])
        return float(self._fixed_cost + (prices * sides).sum() + (reduced * boxes).sum())
