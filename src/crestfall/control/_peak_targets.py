"""What a store can hold: the lowest cap on import that it keeps, and the energy it must have for one."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch import Curve, Problem
from crestfall.dispatch._compiled import compiled

FloatArray = NDArray[np.float64]
MOST_HALVINGS = 40
CLOSE_KW = 1e-3


class _Steps(NamedTuple):
    """What the compiled loops need of some steps; chords have rows for width, store and meter."""

    step_h: float
    keep_frac: float
    most_charge: Any
    most_discharge: Any
    floor: Any
    ceiling: Any
    into: Any
    outof: Any


@dataclass(frozen=True, slots=True)
class Means:
    """What a store can do in each step; arrays of shape (n_steps,).

    Tapers are left out: who holds a cap by these figures may find it a little too low.

    Parameters
    ----------
    step_h : float
        Length of a step [h].
    keep_frac : float
        Share of the stored energy left after a step.
    most_charge_kw, most_discharge_kw : ndarray
        Limits, AC [kW].
    floor_kwh, ceiling_kwh : ndarray
        Bounds of the store [kWh].
    charging, discharging : Curve
        The chords.
    """

    step_h: float
    keep_frac: float
    most_charge_kw: FloatArray
    most_discharge_kw: FloatArray
    floor_kwh: FloatArray
    ceiling_kwh: FloatArray
    charging: Curve
    discharging: Curve

    @classmethod
    def of(cls, problem: Problem, n_before: int = 0) -> "Means":
        """Return those of a problem, its first step repeated before it for a history."""

        def with_past(values: FloatArray) -> FloatArray:
            return np.concatenate((np.full(n_before, values[0]), values))

        return cls(
            problem.step_h,
            problem.keep_frac,
            with_past(problem.most_charge_kw),
            with_past(problem.most_discharge_kw),
            with_past(problem.floor_kwh),
            with_past(problem.ceiling_kwh),
            problem.charging,
            problem.discharging,
        )

    def highest_kwh(
        self, net_kw: FloatArray, cap_kw: FloatArray, start_kwh: float, begin: int = 0
    ) -> FloatArray | None:
        """
        Return the most that can be stored at the end of each step under a cap; None if it cannot be kept.

        Parameters
        ----------
        net_kw, cap_kw : ndarray of shape (n,)
            Import without the battery, negative for a surplus, and its cap [kW].
        start_kwh : float
            Stored energy before the first of these steps [kWh].
        begin : int, default=0
            The first of them.
        """
        stored = np.empty(len(net_kw))
        return stored if _fill(net_kw, cap_kw, start_kwh, self._at(begin, len(net_kw)), stored) else None

    def least_raise_kw(
        self,
        net_kw: FloatArray,
        cap_kw: FloatArray,
        start_kwh: float,
        begin: int = 0,
        beside_kw: FloatArray | None = None,
    ) -> float:
        """
        Return by how much a cap has to be raised so that it can be kept; see :meth:`highest_kwh`.

        Parameters
        ----------
        net_kw, cap_kw : ndarray of shape (n,)
            Import without the battery, negative for a surplus, and its cap; `inf` for none [kW].
        start_kwh : float
            Stored energy before the first of these steps [kWh].
        begin : int, default=0
            The first of them.
        beside_kw : ndarray of shape (n,), optional
            A further cap that is not raised.
        """
        high = max(float((net_kw - cap_kw).max()), 0.0) + CLOSE_KW
        beside = np.full(len(net_kw), np.inf) if beside_kw is None else beside_kw
        return float(_least_raise(net_kw, cap_kw, beside, start_kwh, self._at(begin, len(net_kw)), high))

    def needed_kwh(self, net_kw: FloatArray, cap_kw: FloatArray, begin: int = 0) -> FloatArray:
        """Return what must be stored at the end of each step to keep a cap from there on, at most a full store."""
        needed = np.empty(len(net_kw))
        _need(net_kw, cap_kw, self._at(begin, len(net_kw)), needed)
        return needed

    def _at(self, begin: int, n: int) -> _Steps:
        part = slice(begin, begin + n)
        into, outof = self.charging, self.discharging
        return _Steps(
            self.step_h,
            self.keep_frac,
            self.most_charge_kw[part],
            self.most_discharge_kw[part],
            self.floor_kwh[part],
            self.ceiling_kwh[part],
            np.stack((into.widths_kw, into.store_fracs, 1 + into.cooling_fracs)),
            np.stack((outof.widths_kw, outof.store_fracs, 1 - outof.cooling_fracs)),
        )


@compiled
def _within(meter_kw: float, ac_limit_kw: float, chords: Any) -> tuple[float, float]:
    """Return what a power at the meter is at the store, and what of it the limit forbids."""
    left, ac_left, at_store = meter_kw, ac_limit_kw, 0.0
    for i in range(chords.shape[1]):
        if left <= 0.0 or ac_left <= 0.0 or chords[2, i] <= 0.0:
            break
        ac = min(chords[0, i], ac_left, left / chords[2, i])
        left -= ac * chords[2, i]
        ac_left -= ac
        at_store += ac * chords[1, i]
    return at_store, max(left, 0.0)


@compiled
def _fill(net: Any, cap: Any, start: float, steps: _Steps, stored: Any) -> bool:
    h, keep, most_c, most_d, floor, full, into, outof = steps
    e = start
    for t in range(len(net)):
        room = cap[t] - net[t]
        e *= keep
        if room >= 0.0:
            e = min(e + h * _within(room, most_c[t], into)[0], max(full[t], e))
        else:
            taken, lacking = _within(-room, most_d[t], outof)
            e -= h * taken
            if lacking > 1e-9 or e < floor[t] - 1e-9:
                return False
        e = min(e, full[t])
        stored[t] = e
    return True


@compiled
def _least_raise(net: Any, cap: Any, beside: Any, start: float, steps: _Steps, high: float) -> float:
    stored = np.empty(len(net))
    low, middle = 0.0, 0.0  # the cap as it stands is tried first
    for _ in range(MOST_HALVINGS):
        raised = np.minimum(cap + middle, beside)
        if _fill(net, raised, start, steps, stored):
            high = middle
        else:
            low = middle
        if high - low <= CLOSE_KW:
            break
        middle = 0.5 * (low + high)
    return high


@compiled
def _need(net: Any, cap: Any, steps: _Steps, needed: Any) -> None:
    h, keep, most_c, most_d, floor, full, into, outof = steps
    e = floor[-1]
    for t in range(len(net) - 1, -1, -1):
        needed[t] = e
        room = cap[t] - net[t]
        if room >= 0.0:
            e -= h * _within(room, most_c[t], into)[0]
        else:
            e += h * _within(-room, most_d[t], outof)[0]
        e = min(max(e / keep, floor[t]), full[t])
