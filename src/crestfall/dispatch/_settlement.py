"""What a bill makes of peaks and sums: further variables, and the rows that tie them together.

Ratchets, minimums, contracted levels, blocks, netting: each is a few variables and rows on the billed peaks and on sums
of import and export. They know nothing of steps, so they are small, and :class:`Settlement` can be solved for given
flows in milliseconds.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.tariff import interval_means

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """One billed peak: a demand charge in one billing period.

    Parameters
    ----------
    name : str
        Charge and period, for messages.
    rate_per_kw : float
        Price of one kW, or kVA where `kvar` is given, not negative.
    steps : ndarray of int, shape (n_intervals,)
        First step of each interval over which import is averaged.
    span : int, default=1
        Steps in an interval.
    kvar : ndarray of shape (n_intervals,), optional
        Mean reactive power of each interval; the peak is then one of apparent power.
    """

    name: str
    rate_per_kw: float
    steps: NDArray[np.int64]
    span: int = 1
    kvar: FloatArray | None = None

    def demand(self, import_kw: FloatArray) -> FloatArray:
        """Return what the meter takes of each interval, kW or kVA, shape (n_intervals,)."""
        means = interval_means(import_kw, self.steps, self.span)
        return means if self.kvar is None else np.hypot(means, self.kvar)

    def of(self, import_kw: FloatArray) -> float:
        """Return the highest interval."""
        return float(self.demand(import_kw).max(initial=0.0))

    @property
    def least(self) -> float:
        """Demand that is there without any import."""
        return 0.0 if self.kvar is None else float(np.abs(self.kvar).max(initial=0.0))


def highest(peaks: Sequence[Peak], import_kw: FloatArray) -> FloatArray:
    """
    Return the highest interval of each peak, those of plain steps in one go: there may be one a day.

    Parameters
    ----------
    peaks : sequence of Peak
        The peaks.
    import_kw : ndarray of shape (n_steps,)
        Import [kW].

    Returns
    -------
    ndarray of shape (n_peaks,)
        In kW or kVA.
    """
    if not peaks or any(peak.span > 1 or peak.kvar is not None or not peak.steps.size for peak in peaks):
        return np.array([peak.of(import_kw) for peak in peaks])
    begins = np.concatenate(([0], np.cumsum([len(peak.steps) for peak in peaks])[:-1]))
    together = import_kw[np.concatenate([peak.steps for peak in peaks])]
    return np.asarray(np.maximum(np.maximum.reduceat(together, begins), 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowSum:
    """A weighted sum of import and export over some steps.

    Parameters
    ----------
    name : str
        What it is, for messages.
    steps : ndarray of int, shape (n,)
        The steps.
    import_weight, export_weight : ndarray of shape (n,)
        What one kW of import, or of export, adds in each of them.
    """

    name: str
    steps: NDArray[np.int64]
    import_weight: FloatArray
    export_weight: FloatArray

    def of(self, import_kw: FloatArray, export_kw: FloatArray) -> float:
        """Return the sum for given flows."""
        return float(self.import_weight @ import_kw[self.steps] + self.export_weight @ export_kw[self.steps])


class Row(NamedTuple):
    """A weighted sum of columns that lies between two bounds."""

    columns: tuple[int, ...]
    weights: tuple[float, ...]
    at_least: float
    at_most: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Settlement:
    """Further variables of a bill, each from 0 to its upper bound, and the rows on them.

    Columns are numbered through: first the peaks of the problem, then its sums, then these variables.

    Parameters
    ----------
    n_measured : int
        Number of peaks and sums.
    names : tuple of str
        The variables.
    cost, upper : ndarray of shape (n_variables,)
        Price of one unit, and the largest value; finite.
    is_choice : ndarray of bool, shape (n_variables,)
        Which of them are 0 or 1.
    rows : tuple of Row
        The rows.
    """

    n_measured: int
    names: tuple[str, ...]
    cost: FloatArray
    upper: FloatArray
    is_choice: NDArray[np.bool_]
    rows: tuple[Row, ...]

    @property
    def has_choices(self) -> bool:
        """Whether some variables are 0 or 1."""
        return bool(self.is_choice.any())

    def least_cost(self, measured: FloatArray) -> float:
        """Return the least cost of the variables for given peaks and sums."""
        return float(self.cost @ self.best(measured))

    def best(self, measured: FloatArray) -> FloatArray:
        """
        Return the cheapest values of the variables for given peaks and sums.

        Parameters
        ----------
        measured : ndarray of shape (n_measured,)
            Values of the peaks and sums.

        Returns
        -------
        ndarray of shape (n_variables,)
            The values.

        Raises
        ------
        ValueError
            If the rows leave no solution.
        """
        if not self.names:
            return np.zeros(0)
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import csr_array

        row = np.repeat(np.arange(len(self.rows)), [len(r.columns) for r in self.rows])
        column = np.array([c for r in self.rows for c in r.columns], dtype=np.int64)
        weight = np.array([w for r in self.rows for w in r.weights])
        own = column >= self.n_measured
        shape = (len(self.rows), len(self.names))
        matrix = csr_array((weight[own], (row[own], column[own] - self.n_measured)), shape=shape)
        known = np.bincount(row[~own], weights=weight[~own] * measured[column[~own]], minlength=len(self.rows))
        low, high = (np.array([getattr(r, side) for r in self.rows]) - known for side in ("at_least", "at_most"))
        result = milp(
            self.cost,
            integrality=self.is_choice.astype(int),
            bounds=Bounds(0.0, self.upper),
            constraints=LinearConstraint(matrix, low, high),
            options={"mip_rel_gap": 0.0},
        )
        if result.x is None:
            raise ValueError(f"the bill of these readings has no solution: {result.message}")
        values: FloatArray = result.x
        return values


NOTHING_TO_SETTLE = Settlement(
    n_measured=0, names=(), cost=np.zeros(0), upper=np.zeros(0), is_choice=np.zeros(0, dtype=bool), rows=()
)


class Reference(NamedTuple):
    """A peak, a sum or a variable of a settlement that is being written.

    Parameters
    ----------
    kind : {"peak", "sum", "variable"}
        What it is.
    number : int
        Its place among its kind.
    """

    kind: str
    number: int


class SettlementWriter:
    """Write peaks, sums, variables and rows in any order, and number them through at the end."""

    def __init__(self) -> None:
        self.peaks: list[Peak] = []
        self.sums: list[FlowSum] = []
        self._names: list[str] = []
        self._costs: list[float] = []
        self._uppers: list[float] = []
        self._choices: list[bool] = []
        self._rows: list[tuple[list[tuple[Reference, float]], float, float]] = []

    def peak(self, peak: Peak) -> Reference:
        """Add a peak."""
        self.peaks.append(peak)
        return Reference("peak", len(self.peaks) - 1)

    def sum(self, total: FlowSum) -> Reference:
        """Add a sum of flows."""
        self.sums.append(total)
        return Reference("sum", len(self.sums) - 1)

    def variable(self, name: str, *, upper: float, cost: float = 0.0, is_choice: bool = False) -> Reference:
        """Add a variable from 0 to its upper bound."""
        self._names.append(name)
        self._costs.append(cost)
        self._uppers.append(max(upper, 0.0))
        self._choices.append(is_choice)
        return Reference("variable", len(self._names) - 1)

    def row(
        self, terms: Iterable[tuple[Reference, float]], *, at_least: float = -np.inf, at_most: float = np.inf
    ) -> None:
        """Add a row: the weighted sum of the terms lies between the bounds."""
        self._rows.append((list(terms), at_least, at_most))

    def settlement(self) -> Settlement:
        """Return what has been written."""
        begin = {"peak": 0, "sum": len(self.peaks), "variable": len(self.peaks) + len(self.sums)}
        rows = [
            Row(
                columns=tuple(begin[reference.kind] + reference.number for reference, _ in terms),
                weights=tuple(float(weight) for _, weight in terms),
                at_least=float(at_least),
                at_most=float(at_most),
            )
            for terms, at_least, at_most in self._rows
        ]
        return Settlement(
            n_measured=begin["variable"],
            names=tuple(self._names),
            cost=np.array(self._costs),
            upper=np.array(self._uppers),
            is_choice=np.array(self._choices, dtype=bool),
            rows=tuple(rows),
        )
