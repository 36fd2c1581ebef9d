"""What a store can hold: the lowest cap on import that it keeps, and the energy it must have for one."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch import Curve, Problem
from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._exact import taper_of

FloatArray = NDArray[np.float64]
CLOSE_KW = 1e-3  # how finely a cap is sought
CLOSE_KWH = 1e-9


class Steps(NamedTuple):
    """What the compiled loops need of some steps; chords have rows for width, store and meter."""

    step_h: float
    keep_frac: float
    most_charge: Any
    most_discharge: Any
    floor: Any
    ceiling: Any
    into: Any
    outof: Any
    tapers: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Means:
    """What a store can do in each step; arrays of shape (n_steps,).

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
    tapers : tuple of float
        Rise and limit of the taper of charging, and of that of discharging, in kWh a step; see :class:`Store`.
    """

    step_h: float
    keep_frac: float
    most_charge_kw: FloatArray
    most_discharge_kw: FloatArray
    floor_kwh: FloatArray
    ceiling_kwh: FloatArray
    charging: Curve
    discharging: Curve
    tapers: tuple[float, float, float, float]

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
            (*taper_of(problem.charge_taper, problem.step_h), *taper_of(problem.discharge_taper, problem.step_h)),
        )

    def is_kept(self, net_kw: FloatArray, cap_kw: FloatArray, start_kwh: float, begin: int = 0) -> bool:
        """
        Return whether a cap can be kept.

        Parameters
        ----------
        net_kw, cap_kw : ndarray of shape (n,)
            Import without the battery, negative for a surplus, and its cap [kW].
        start_kwh : float
            Stored energy before the first of these steps [kWh].
        begin : int, default=0
            The first of them.
        """
        steps = self.of_steps(begin, len(net_kw))
        return bool(_first_broken(net_kw, cap_kw, 0.0, cap_kw, 0, start_kwh, steps)[0] < 0)

    def least_raise_kw(
        self,
        net_kw: FloatArray,
        cap_kw: FloatArray,
        start_kwh: float,
        begin: int = 0,
        beside_kw: FloatArray | None = None,
        near_kw: float = np.nan,
    ) -> float:
        """
        Return by how much a cap has to be raised so that it can be kept; see :meth:`is_kept`.

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
        near_kw : float, optional
            Where the search sets out; left out: it halves all there is [kW].
        """
        beside = np.full(len(net_kw), np.inf) if beside_kw is None else beside_kw
        steps = self.of_steps(begin, len(net_kw))
        return float(raise_by_least(net_kw, cap_kw, beside, start_kwh, steps, near_kw, CLOSE_KW))

    def daily_caps_kw(
        self,
        net_kw: FloatArray,
        is_capped: NDArray[np.bool_],
        beside_kw: FloatArray,
        begin: int,
        n_slots: int,
        near_kw: FloatArray | None = None,
    ) -> FloatArray:
        """
        Return the lowest cap that could have been kept in each of some days, from a full store to one filled again.

        Parameters
        ----------
        net_kw : ndarray of shape (n,)
            Import without the battery, negative for a surplus [kW].
        is_capped : ndarray of bool, shape (n,)
            Which steps the cap is for.
        beside_kw : ndarray of shape (n,)
            A further cap that is kept as well [kW].
        begin : int
            The first of these steps.
        n_slots : int
            Steps of a day; days are counted back from the end, what is left before them is not looked at.
        near_kw : ndarray of shape (n // n_slots,), optional
            Where the search of each day sets out, NaN for nowhere [kW].

        Returns
        -------
        ndarray of shape (n // n_slots,)
            The caps, the latest last; 0 for a day without such steps [kW].
        """
        caps = np.empty(len(net_kw) // n_slots)
        cap = np.where(is_capped, 0.0, np.inf)
        near = np.full(len(caps), np.nan) if near_kw is None else near_kw
        _raise_daily(net_kw, cap, beside_kw, self.of_steps(begin, len(net_kw)), n_slots, near, caps)
        return caps

    def needed_kwh(self, net_kw: FloatArray, cap_kw: FloatArray, begin: int = 0) -> FloatArray:
        """Return what must be stored at the end of each step to keep a cap from there on, at most a full store."""
        needed = np.empty(len(net_kw))
        _need(net_kw, cap_kw, self.of_steps(begin, len(net_kw)), needed)
        return needed

    def of_steps(self, begin: int, n: int) -> Steps:
        """Return what the compiled loops need of some steps."""
        part = slice(begin, begin + n)
        into, outof = self.charging, self.discharging
        return Steps(
            self.step_h,
            self.keep_frac,
            self.most_charge_kw[part],
            self.most_discharge_kw[part],
            self.floor_kwh[part],
            self.ceiling_kwh[part],
            np.stack((into.widths_kw, into.store_fracs, 1 + into.cooling_fracs)),
            np.stack((outof.widths_kw, outof.store_fracs, 1 - outof.cooling_fracs)),
            self.tapers,
        )


@compiled
def _within(meter_kw: float, ac_limit_kw: float, chords: Any) -> tuple[float, float]:
    """Return what a power at the meter is at the store, and what of it the limit forbids."""
    left, ac_left, at_store = meter_kw, ac_limit_kw, 0.0
    i, n = 0, chords.shape[1]
    while i < n and left > 0.0 and ac_left > 0.0 and chords[2, i] > 0.0:
        ac = min(chords[0, i], ac_left, left / chords[2, i])
        left -= ac * chords[2, i]
        ac_left -= ac
        at_store += ac * chords[1, i]
        i += 1
    return at_store, max(left, 0.0)


@compiled
def _first_broken(
    net: Any, cap: Any, raised: float, beside: Any, begin: int, start: float, steps: Steps
) -> tuple[int, int]:
    """Return the first step, from one on, in which a raised cap or one beside it cannot be kept; -1 if there is none.

    The store takes all that it may and can. The second number is the step before which it was last full, or the first.
    """
    h, keep, most_c, most_d, floor, full, into, outof, tapers = steps
    rise_in, limit_in, rise_out, limit_out = tapers
    e, after_full = start, begin
    for t in range(begin, len(net)):
        room = min(cap[t] + raised, beside[t]) - net[t]
        e *= keep
        if room >= 0.0:
            gain = h * _within(room, most_c[t], into)[0]
            if limit_in < np.inf:
                gain = min(gain, max((limit_in - rise_in * e) / (1.0 + rise_in), 0.0))
            e += gain
        else:
            taken, lacking = _within(-room, most_d[t], outof)
            if limit_out < np.inf and h * taken > (limit_out + rise_out * e) / (1.0 + rise_out) + CLOSE_KWH:
                return t, after_full
            e -= h * taken
            if lacking > CLOSE_KWH or e < floor[t] - CLOSE_KWH:
                return t, after_full
        if e >= full[t]:
            e, after_full = full[t], t + 1
    return -1, after_full


@compiled
def raise_by_least(net: Any, cap: Any, beside: Any, start: float, steps: Steps, near: float, close: float) -> float:
    """Return by how much a cap has to be raised so that it can be kept, at most so much too high as is close.

    The search sets out from `near` in strides that double, if it is not NaN; then it halves. A store that is full at
    some time under a cap that is too low is so under each higher one, which is looked at from there on.
    """
    broken, begin = _first_broken(net, cap, 0.0, beside, 0, start, steps)
    if broken < 0:
        return 0.0
    low, high = 0.0, close
    for t in range(len(net)):
        high = max(high, net[t] - cap[t] + close)
    full = steps.ceiling
    is_striding, stride, heading = 0.0 < near < high, close, 0.0
    while is_striding or high - low > close:
        middle = near if is_striding else 0.5 * (low + high)
        e = full[begin - 1] if begin > 0 else start
        broken, after_full = _first_broken(net, cap, middle, beside, begin, e, steps)
        if broken < 0:
            high, towards = middle, -1.0
        else:
            low, begin, towards = middle, after_full, 1.0
        if is_striding:
            near += towards * stride
            stride *= 2.0
            is_striding = heading != -towards and low < near < high
            heading = towards
    return high


@compiled
def _raise_daily(net: Any, cap: Any, beside: Any, steps: Steps, n_slots: int, near: Any, caps: Any) -> None:
    h, keep, most_c, most_d, floor, full, into, outof, tapers = steps
    n = len(caps)
    for day in range(n):
        b = len(net) - (n - 1 - day) * n_slots
        a = b - n_slots
        own = Steps(h, keep, most_c[a:b], most_d[a:b], floor[a:b], full[a:b], into, outof, tapers)
        caps[day] = raise_by_least(net[a:b], cap[a:b], beside[a:b], full[a], own, near[day], CLOSE_KW)
        if cap[a:b].max() == 0.0:  # below its mean a day takes more out of the store than it can put back
            caps[day] = max(caps[day], net[a:b].mean())


@compiled
def _need(net: Any, cap: Any, steps: Steps, needed: Any) -> None:
    h, keep, most_c, most_d, floor, full, into, outof, _ = steps
    e = floor[-1]
    for t in range(len(net) - 1, -1, -1):
        needed[t] = e
        room = cap[t] - net[t]
        if room >= 0.0:
            e -= h * _within(room, most_c[t], into)[0]
        else:
            e += h * _within(-room, most_d[t], outof)[0]
        e = min(max(e / keep, floor[t]), full[t])
