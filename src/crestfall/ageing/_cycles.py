"""Count cycles: depth, mean, start and end of each, also over intervals that follow one another."""

from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np
import rainflow
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Places = NDArray[np.int64]
CLOSED, HALF = 1.0, 0.5
MILD_C = 25.0  # where nothing is known of the cells
# Slower than this is rest: rounding, or self-discharge (70 % a month would be this fast); it dilutes no leg's rate.
LEAST_RATE_PER_H = 1e-3
FEW_FRAC = 0.01  # of the turning points: to take out fewer at once takes longer than one by one


def _nothing() -> FloatArray:
    return np.zeros(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """Rainflow cycles, one in each place of the arrays.

    Parameters
    ----------
    depths_frac : ndarray of shape (n_cycles,)
        Full swing of each cycle as a share of nominal energy.
    mean_soc_frac : ndarray of shape (n_cycles,)
        Middle between both ends of its first leg, over nominal energy.
    counts : ndarray of shape (n_cycles,)
        1 for a closed cycle, 0.5 for half a cycle.
    start_h, end_h : ndarray of shape (n_cycles,)
        Begin and end of its first leg, hours since counting began [h].
    c_rate_per_h : ndarray of shape (n_cycles,)
        Mean power over nominal energy on its first leg, while it moved [1/h].
    cell_c : ndarray of shape (n_cycles,)
        Mean cell temperature on its first leg [degrees C].
    """

    depths_frac: FloatArray = field(default_factory=_nothing)
    mean_soc_frac: FloatArray = field(default_factory=_nothing)
    counts: FloatArray = field(default_factory=_nothing)
    start_h: FloatArray = field(default_factory=_nothing)
    end_h: FloatArray = field(default_factory=_nothing)
    c_rate_per_h: FloatArray = field(default_factory=_nothing)
    cell_c: FloatArray = field(default_factory=_nothing)

    @property
    def full_cycles_frac(self) -> FloatArray:
        """Full cycles that each cycle stands for: depth times count, shape (n_cycles,)."""
        return self.depths_frac * self.counts

    def and_also(self, others: "Cycles") -> "Cycles":
        """Return these cycles and others."""
        return Cycles(**{name: np.concatenate([getattr(self, name), getattr(others, name)]) for name in _CYCLE_FIELDS})

    def times(self, factor: float) -> "Cycles":
        """Return the same cycles so many times."""
        values = {name: getattr(self, name) for name in _CYCLE_FIELDS}
        return Cycles(**(values | {"counts": factor * self.counts}))

    def scaled(self, factor: float) -> "Cycles":
        """Return the same cycles with so many times the energy."""
        swings = {name: factor * getattr(self, name) for name in ("depths_frac", "mean_soc_frac", "c_rate_per_h")}
        return replace(self, **swings)


_CYCLE_FIELDS = ("depths_frac", "mean_soc_frac", "counts", "start_h", "end_h", "c_rate_per_h", "cell_c")


@dataclass(frozen=True, slots=True)
class CycleCount:
    """Where counting stands between two intervals: turning points whose cycles are still open.

    Counting an interval after the other finds the same cycles as counting both at once, as the turning points that did
    not close a cycle are carried over. Begin with ``CycleCount()``.

    Parameters
    ----------
    _points : ndarray of shape (5, n_points)
        State of charge at each open turning point, hours, and sums up to it: movement, hours in motion, temperature.
    _now : ndarray of shape (4,)
        The same hours and sums at the end of what was counted.
    """

    _points: FloatArray = field(default_factory=lambda: np.zeros((5, 0)))
    _now: FloatArray = field(default_factory=lambda: np.zeros(4))

    def counted(
        self, soc_frac: FloatArray, *, start_frac: float, step_h: float, cell_c: FloatArray
    ) -> tuple[Cycles, Cycles, "CycleCount"]:
        """
        Count an interval by the rainflow method [1]_.

        Parameters
        ----------
        soc_frac : ndarray of shape (n_steps,)
            Stored over nominal energy at the end of each step.
        start_frac : float
            The same before the first step; only the first interval needs it.
        step_h : float
            Length of a step [h].
        cell_c : ndarray of shape (n_steps,)
            Cell temperature in each step [degrees C].

        Returns
        -------
        closed : Cycles
            Cycles and halves that are done with, those that began in an earlier interval included.
        open : Cycles
            What is still open, as half cycles: it is counted anew in the next interval.
        count : CycleCount
            To go on with.

        References
        ----------
        .. [1] ASTM E1049-85, "Standard Practices for Cycle Counting in Fatigue Analysis," section 5.4.4, as the package
           `rainflow` implements it.
        """
        track = self._track(soc_frac, start_frac, step_h, cell_c)
        moved = np.flatnonzero(np.diff(track[0], prepend=np.nan))
        first, last, count = _rainflow(track[0, moved])
        first, last = moved[first], moved[last]
        n_closed = len(count) - _still_open(track[0], first, last, count)
        still_open = np.append(first[n_closed:], last[-1:]) if len(count) else moved[-1:]
        return (
            _described(track, first[:n_closed], last[:n_closed], count[:n_closed]),
            _described(track, first[n_closed:], last[n_closed:], count[n_closed:]),
            CycleCount(track[:, still_open], track[1:, -1].copy()),
        )

    def _track(self, soc_frac: FloatArray, start_frac: float, step_h: float, cell_c: FloatArray) -> FloatArray:
        """Return open points and new ones: state of charge, hours, and sums of movement, motion and temperature."""
        begin = self._points if self._points.size else np.concatenate([[start_frac], self._now])[:, None]
        track = np.empty((5, begin.shape[1] + len(soc_frac)))
        track[:, : begin.shape[1]], new = begin, track[:, begin.shape[1] :]
        change = np.abs(np.diff(soc_frac, prepend=begin[0, -1]))
        moves = change > LEAST_RATE_PER_H * step_h
        new[0], new[1], new[2], new[3], new[4] = soc_frac, step_h, change * moves, step_h * moves, step_h * cell_c
        new[1:] = self._now[:, None] + np.cumsum(new[1:], axis=1)
        return track


def _rainflow(soc_frac: FloatArray) -> tuple[Places, Places, FloatArray]:
    """Return the places of both ends of each cycle, and its count; no two values in a row are equal."""
    if len(soc_frac) < 2:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0)
    # The package would look for the turning points itself, one value after the other.
    turning = np.flatnonzero(np.concatenate([[True], np.diff(np.sign(np.diff(soc_frac))) != 0, [True]]))
    inner, turning = _cycles_within(soc_frac, turning)
    if len(turning) == 2:  # it takes two points for no cycle at all
        cycles = [(0, 1, HALF)]
    else:
        found = rainflow.extract_cycles(soc_frac[turning].tolist())
        cycles = [(first, last, count) for _, _, count, first, last in found]
    first, last, count = (np.array(column) for column in zip(*cycles, strict=True))
    ends = np.concatenate([inner, turning[np.array([first, last])]], axis=1)
    return ends[0], ends[1], np.concatenate([np.full(inner.shape[1], CLOSED), count])


def _cycles_within(soc_frac: FloatArray, turning: Places) -> tuple[Places, Places]:
    """Return the ends of cycles that lie within larger swings, shape (2, n_cycles), and the turning points left.

    A swing that is smaller than the one before it, and whose begin the one after it reaches again, is a closed cycle
    wherever it stands, and what is counted of the others is the same without it. So all such swings are taken out at
    once, and then those that this joins, as long as it is quicker than the package, which takes one after the other.
    """
    found = [np.zeros((2, 0), dtype=np.int64)]
    while len(turning) > 3:
        levels = soc_frac[turning]
        swings = np.diff(levels)
        is_smaller = np.abs(swings[:-2]) > np.abs(swings[1:-1])
        is_made_up = (levels[3:] - levels[1:-2]) * swings[:-2] >= 0  # exact, as differences of swings are not
        at = np.flatnonzero(is_smaller & is_made_up) + np.array([[1], [2]])
        if at.shape[1] < FEW_FRAC * len(turning):
            break
        found.append(turning[at])
        turning = np.delete(turning, at)
    ends = np.concatenate(found, axis=1)
    return ends[:, np.argsort(ends[1])], turning


def _still_open(soc_frac: FloatArray, first: Places, last: Places, count: FloatArray) -> int:
    """Return how many of the last halves are only what was left over at the end.

    What is left over is the longest run of halves at the end that get smaller and smaller: a half that is followed by a
    larger one had been closed by it.
    """
    ranges = np.abs(soc_frac[first] - soc_frac[last])
    n_open, larger = 0, -np.inf
    for place in range(len(count) - 1, -1, -1):
        if count[place] != HALF or ranges[place] <= larger:
            break
        n_open, larger = n_open + 1, ranges[place]
    return n_open


def _described(track: FloatArray, first: Places, last: Places, count: FloatArray) -> Cycles:
    begin, end = track[:, first], track[:, last]
    swing, hours, moved, moving_h, cell_ch = end - begin
    moves = moving_h > 0
    return Cycles(
        depths_frac=np.abs(swing),
        mean_soc_frac=0.5 * (begin[0] + end[0]),
        counts=count,
        start_h=begin[1],
        end_h=end[1],
        c_rate_per_h=np.where(moves, moved, np.abs(swing)) / np.where(moves, moving_h, hours),
        cell_c=cell_ch / hours,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryUse:
    """How hard a battery worked over the study year.

    Parameters
    ----------
    equivalent_full_cycles : float
        Energy taken out of the racks (DC) over their nominal energy.
    throughput_kwh : float
        Energy taken out of the racks, DC [kWh].
    depths_frac : ndarray of shape (n_cycles,)
        Full swing of each rainflow cycle as a share of nominal energy.
    mean_soc_frac : ndarray of shape (n_cycles,)
        Mean state of charge of each cycle.
    counts : ndarray of shape (n_cycles,)
        1 for a closed cycle, 0.5 for half a cycle.
    start_step, end_step : ndarray of shape (n_cycles,)
        Steps that had passed when the cycle's first leg began and ended.
    """

    equivalent_full_cycles: float
    throughput_kwh: float
    depths_frac: FloatArray
    mean_soc_frac: FloatArray
    counts: FloatArray
    start_step: NDArray[np.int64]
    end_step: NDArray[np.int64]

    @classmethod
    def _of(cls, cycles: Cycles, full_cycles: float, throughput_kwh: float) -> Self:
        return cls(
            equivalent_full_cycles=full_cycles,
            throughput_kwh=throughput_kwh,
            depths_frac=cycles.depths_frac,
            mean_soc_frac=cycles.mean_soc_frac,
            counts=cycles.counts,
            start_step=cycles.start_h.astype(np.int64),
            end_step=cycles.end_h.astype(np.int64),
        )


def battery_use(stored_kwh: FloatArray, *, start_kwh: float, out_of_store_kwh: float, nominal_kwh: float) -> BatteryUse:
    """
    Count the cycles of a stored energy by the rainflow method [1]_.

    Parameters
    ----------
    stored_kwh : ndarray of shape (n_steps,)
        Energy in the racks at the end of each step, DC [kWh].
    start_kwh : float
        Energy in the racks before the first step [kWh].
    out_of_store_kwh : float
        Energy taken out of the racks over the year, DC [kWh].
    nominal_kwh : float
        Nominal energy of the racks [kWh]; 0 for no battery.

    Returns
    -------
    BatteryUse
        Cycles and throughput; nothing counted for no battery.

    References
    ----------
    .. [1] ASTM E1049-85, "Standard Practices for Cycle Counting in Fatigue Analysis," section 5.4.4, as the package
       `rainflow` implements it.
    """
    if nominal_kwh == 0:
        return BatteryUse._of(Cycles(), 0.0, 0.0)
    closed, still_open, _ = CycleCount().counted(
        stored_kwh / nominal_kwh,
        start_frac=start_kwh / nominal_kwh,
        step_h=1.0,
        cell_c=np.full(len(stored_kwh), MILD_C),
    )
    return BatteryUse._of(closed.and_also(still_open), out_of_store_kwh / nominal_kwh, out_of_store_kwh)
