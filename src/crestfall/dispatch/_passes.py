"""One pass over the store: the cheapest year for given caps on import, whatever its ends.

A start and an end that are given need one pass back and one forward. A year that ends as it began is a fixed point: the
cost-to-go forgets its end within days, so that the one before the first step, put after the last, soon is its own; and
the store forgets its start. Where that does not settle, the start is sought by the slope of the year's cost in it.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from crestfall.dispatch._caps import CapsOfPeaks
from crestfall.dispatch._pieces import Pieces
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray
from crestfall.dispatch._store import (
    CHUNK,
    Caps,
    Line,
    Store,
    backward,
    cost_along,
    cut,
    forward,
    is_as_before,
    line_between,
    line_towards,
    memory_for,
    n_chunks,
    room_for,
)
from crestfall.dispatch._values import FIXED, FREE, NEAR_KWH, PERIODIC, End, Values, values_of

MOST_RETURNS = 4  # of the year's end to its start, before it is sought otherwise
MOST_SOLVES = 60
FLAT_PER_KWH = 1e-9
DEAR = 10.0  # times the highest price: what it costs to miss the end that is asked for


class NotInClassError(Exception):
    """The exact way does not fit a problem; the message says why, in a few words."""


class NoScheduleError(NotInClassError):
    """The exact way finds that no schedule keeps the limits."""


@dataclass(frozen=True, slots=True)
class Pass:
    """What one pass over the store gives.

    Parameters
    ----------
    change_kwh, stored_kwh : ndarray of shape (n_intervals,)
        Change of stored energy in each interval, and stored energy at its end [kWh].
    start_kwh : float
        Energy before the first step [kWh].
    values : Values
        Prices that support it.
    """

    change_kwh: FloatArray
    stored_kwh: FloatArray
    start_kwh: float
    values: Values

    def with_parts(self, other: "Pass", where: Any) -> "Pass":
        """Return this pass with the other in some intervals, shape (n_intervals,); at the joints both store as much."""
        values = self.values._replace(
            stored_per_kwh=np.where(where, other.values.stored_per_kwh, self.values.stored_per_kwh),
            taper_in=np.where(where, other.values.taper_in, self.values.taper_in),
            taper_out=np.where(where, other.values.taper_out, self.values.taper_out),
        )
        return Pass(
            np.where(where, other.change_kwh, self.change_kwh),
            np.where(where, other.stored_kwh, self.stored_kwh),
            other.start_kwh if where[0] else self.start_kwh,
            values,
        )


class _Tangent(NamedTuple):
    """Cost of a year that begins and ends with an energy, and how it changes with that energy."""

    start: float
    cost: float
    slope: float

    def at(self, other: "_Tangent") -> float:
        """Return where two tangents meet."""
        return (other.cost - self.cost + self.slope * self.start - other.slope * other.start) / (
            self.slope - other.slope
        )


class Passes:
    """
    Passes over the same costs for one set of caps after another; what did not change is not worked out again.

    Parameters
    ----------
    problem : Problem
        Its ends are those of every pass.
    spans : ndarray of int, shape (n_intervals + 1,)
        First step of each interval, for messages.
    pieces : Pieces
        Cost of each interval.
    store : Store
        Bounds of the store.
    first_cap : ndarray of int, shape (n_intervals + 1,)
        Where the caps of each interval begin.
    """

    def __init__(self, problem: Problem, spans: Any, pieces: Pieces, store: Store, first_cap: Any) -> None:
        self._start_kwh = problem.start_kwh
        self._end = FREE if problem.end_kwh is None else FIXED
        self._spans, self._pieces, self._store = spans, pieces, store
        self._memory = memory_for(len(pieces.least_kwh))
        self._plan = room_for(pieces, first_cap)
        n_caps = int(first_cap[-1])
        self._caps = Caps(first_cap, np.zeros(n_caps), np.zeros(n_caps))
        self._return: Line | None = None  # what energy is worth at the end of a year that ends as it began
        self._first_guess = float(store.floor_kwh[-1])

    def at(self, caps: CapsOfPeaks) -> Pass:
        """
        Return the cheapest year under caps.

        Parameters
        ----------
        caps : CapsOfPeaks
            The caps.

        Returns
        -------
        Pass
            The year.

        Raises
        ------
        NotInClassError
            If no schedule keeps the limits.
        """
        self._changed = self._chunks_changed(caps.caps)
        self._caps = caps.caps
        n = len(self._pieces.least_kwh)
        change, stored = np.empty(n), np.empty(n)
        if self._start_kwh is None:
            start, end = self._return_to_start(change, stored), PERIODIC
        else:
            start, end = self._start_kwh, self._end
            self._go_through(self._last_line(), start, change, stored)
        values = values_of(self._pieces, self._caps, self._store, self._plan, change, stored, end)
        return Pass(change, stored, start, values)

    def _chunks_changed(self, new: Caps) -> Any:
        """Return in which chunks of steps the caps are not what they were in the last pass."""
        chunks, old = n_chunks(len(self._pieces.least_kwh)), self._caps
        differs = (old.level_kw != new.level_kw) | (old.price != new.price)
        before = np.concatenate(([0], np.cumsum(differs)))[new.first]
        edges = np.minimum(np.arange(chunks + 1) * CHUNK, len(new.first) - 1)
        return np.diff(before[edges]) > 0

    def _last_line(self) -> Line:
        return line_between(float(self._store.floor_kwh[-1]), float(self._store.ceiling_kwh[-1]))

    def _go_back(self, v: Line) -> None:
        failed = backward(self._pieces, self._caps, self._store, v, self._changed, self._memory, self._plan)
        self._changed[:] = False
        if failed != -1:
            self._changed[:] = True
            if failed == -2:
                raise NotInClassError("its cost-to-go has too many pieces")
            raise NoScheduleError(f"no schedule keeps the limits from step {int(self._spans[failed])} on")

    def _go_through(self, v: Line, start: float, change: FloatArray, stored: FloatArray) -> None:
        """Fill in the cheapest year from a start to an end whose worth is given."""
        self._go_back(v)
        if not v.left[0] - NEAR_KWH <= start <= v.right[0] + NEAR_KWH:
            raise NoScheduleError("no schedule keeps the limits from the start on")
        forward(self._pieces, self._store, self._plan, start, change, stored)

    def _return_to_start(self, change: FloatArray, stored: FloatArray) -> float:
        """Fill in a year that ends as it began; return how full it begins."""
        low, high = float(self._store.floor_kwh[-1]), float(self._store.ceiling_kwh[-1])
        v = self._last_line() if self._return is None else self._return
        for _ in range(MOST_RETURNS):
            self._go_back(v)
            if not cut(v, low, high):
                raise NoScheduleError("no schedule ends as it began")
            start = float(np.clip(self._first_guess, v.left[0], v.right[0]))
            for _ in range(MOST_RETURNS):
                forward(self._pieces, self._store, self._plan, start, change, stored)
                is_back = abs(stored[-1] - start) <= NEAR_KWH
                if is_back:
                    break
                start = float(np.clip(stored[-1], v.left[0], v.right[0]))
            if is_back and self._is_last_line(v):
                self._return, self._first_guess = v, start
                return start
        return self._seek_start(change, stored)

    def _is_last_line(self, v: Line) -> bool:
        """Return whether a cost-to-go before the first step is the one that was assumed after the last."""
        return bool(is_as_before(v, self._memory, len(self._memory.n) - 1))

    def _seek_start(self, change: FloatArray, stored: FloatArray) -> float:
        """Fill in a year that ends as it began, seeking how full by the slope of its cost, a convex function."""
        v = self._last_line()
        low, high = float(v.left[0]), float(v.right[0])
        self._go_back(v)
        cut(v, low, high)
        low, high = float(v.left[0]), float(v.right[0])
        below: _Tangent | None = None
        above: _Tangent | None = None
        start = min(max(self._first_guess, low), high)
        for _ in range(MOST_SOLVES):
            tangent = self._tangent(start, change, stored)
            if abs(tangent.slope) <= FLAT_PER_KWH:
                break
            below, above = (tangent, above) if tangent.slope < 0 else (below, tangent)
            if below is None or above is None:
                end = high if tangent.slope < 0 else low
                if start == end:
                    break
                start = end
                continue
            meeting = below.at(above)
            least = below.cost + below.slope * (meeting - below.start)
            if tangent.cost - least <= FLAT_PER_KWH * max(1.0, abs(least)):
                break
            start = meeting
        self._first_guess = start
        if abs(stored[-1] - start) > NEAR_KWH:
            raise NotInClassError("no schedule ends as it began")
        return start

    def _tangent(self, start: float, change: FloatArray, stored: FloatArray) -> "_Tangent":
        """Fill in the year from an energy, with a high price on ending with another; return its cost and slope."""
        pieces, caps, store, plan = self._pieces, self._caps, self._store, self._plan
        on_import = np.diff(np.concatenate(([0.0], np.cumsum(caps.price)))[caps.first])  # all caps of a step at once
        per_kwh = float(on_import.max(initial=0.0)) * float(pieces.ratio.max(initial=0.0))
        missing = DEAR * (1.0 + float(np.abs(pieces.slope).max(initial=0.0)) + per_kwh)
        v = line_towards(float(store.floor_kwh[-1]), start, float(store.ceiling_kwh[-1]), missing)
        self._go_back(v)
        forward(pieces, store, plan, start, change, stored)
        left_over = float(stored[-1]) - start
        end = (
            FIXED if abs(left_over) <= NEAR_KWH else End(-missing, -missing) if left_over > 0 else End(missing, missing)
        )
        values = values_of(pieces, caps, store, plan, change, stored, end)
        on_tapers = values.taper_in[-1] * store.rise_in - values.taper_out[-1] * store.rise_out
        last = values.stored_per_kwh[-1] + on_tapers if end is FIXED else end.low
        cost = cost_along(pieces, plan, change) + missing * abs(left_over)
        return _Tangent(start, cost, float(last - store.keep_frac[0] * values.stored_per_kwh[0]))
