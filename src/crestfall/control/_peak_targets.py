"""What a store can hold: the lowest cap on import that it keeps, and the energy it must have for one.

A cap is sought by trying levels. Whether one can be kept takes a walk through all steps, but most trials of a day are
answered by those of the day before. A level that was kept is kept by a window that begins later, as far as that
reached, and so is every higher one; one that failed between a full store and a step still fails with both in the
window, and so does every lower one. So each search leaves its last two answers as proofs to the next.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch import Problem
from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._exact import taper_of

FloatArray = NDArray[np.float64]
CLOSE_KW = 1e-3  # how finely a cap is sought
CLOSE_KWH = 1e-9
# A row of proofs: a level that fails, from a full store at the end of a step until another; and a level that is kept by
# a store full at the begin of a step until before another, with what it then holds.
LOW, SINCE, FAILS, HIGH, BEGIN, END, LEFT_KWH = range(7)


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
    into, outof : ndarray of shape (3, n_chords)
        Chords of charging and of discharging: width, and what a kW of it is at the store and at the meter.
    tapers : tuple of float
        Rise and limit of the taper of charging, and of that of discharging, in kWh a step; see :class:`Store`.
    """

    step_h: float
    keep_frac: float
    most_charge_kw: FloatArray
    most_discharge_kw: FloatArray
    floor_kwh: FloatArray
    ceiling_kwh: FloatArray
    into: FloatArray
    outof: FloatArray
    tapers: tuple[float, float, float, float]

    @classmethod
    def of(cls, problem: Problem, n_before: int = 0) -> "Means":
        """Return those of a problem, its first step repeated before it for a history."""

        def with_past(values: FloatArray) -> FloatArray:
            return np.concatenate((np.full(n_before, values[0]), values))

        into, outof = problem.charging, problem.discharging
        return cls(
            problem.step_h,
            problem.keep_frac,
            with_past(problem.most_charge_kw),
            with_past(problem.most_discharge_kw),
            with_past(problem.floor_kwh),
            with_past(problem.ceiling_kwh),
            np.stack((into.widths_kw, into.store_fracs, 1 + into.cooling_fracs)),
            np.stack((outof.widths_kw, outof.store_fracs, 1 - outof.cooling_fracs)),
            (*taper_of(problem.charge_taper, problem.step_h), *taper_of(problem.discharge_taper, problem.step_h)),
        )

    def keeps(self, net_kw: FloatArray, cap_kw: FloatArray, start_kwh: float, begin: int = 0) -> bool:
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
        n = len(net_kw)
        no_other = np.full(n, np.inf)
        return bool(_walk(net_kw, cap_kw, 0.0, no_other, 0, n, start_kwh, self.of_steps(begin, n))[0] == n)

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
        Return by how much a cap has to be raised so that it can be kept.

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

    def lowest_caps_kw(
        self, net_kw: FloatArray, is_capped: NDArray[np.bool_], ends: NDArray[np.int64], n_back: int, n_slots: int
    ) -> tuple[FloatArray, FloatArray]:
        """
        Return the lowest caps that some last steps could have kept, and those of each of their days, for several ends.

        A later row counts beside the lowest caps of those before it.

        Parameters
        ----------
        net_kw : ndarray of shape (n_steps,)
            Import without the battery, negative for a surplus [kW].
        is_capped : ndarray of bool, shape (n_caps, n_steps)
            Which steps each cap is for.
        ends : ndarray of int, shape (n_ends,)
            The step after the last of each, rising.
        n_back : int
            How many last steps.
        n_slots : int
            Steps of a day; days are counted back from the end.

        Returns
        -------
        lowest : ndarray of shape (n_ends, n_caps)
            The lowest from a full store on; NaN where none of the steps is capped [kW].
        daily : ndarray of shape (n_ends, n_caps, n_back // n_slots)
            The lowest of each day, from a full store to one filled again; 0 for a day without such steps, `inf` for
            one that lies before the first step [kW].
        """
        lowest = np.full((len(ends), len(is_capped)), np.nan)
        daily = np.full((*lowest.shape, n_back // n_slots), np.inf)
        cap = np.where(is_capped, 0.0, np.inf)
        _lowest_caps(net_kw, cap, ends, n_back, n_slots, self.of_steps(0, len(net_kw)), lowest, daily)
        return lowest, daily

    def of_steps(self, begin: int, n: int) -> Steps:
        """Return what the compiled loops need of some steps."""
        part = slice(begin, begin + n)
        return Steps(
            self.step_h,
            self.keep_frac,
            self.most_charge_kw[part],
            self.most_discharge_kw[part],
            self.floor_kwh[part],
            self.ceiling_kwh[part],
            self.into,
            self.outof,
            self.tapers,
        )


@compiled
def _within(meter_kw: float, ac_limit_kw: float, chords: Any) -> tuple[float, float]:
    """Return what a power at the meter is at the store, and what of it the limit forbids."""
    left, ac_left, at_store = meter_kw, ac_limit_kw, 0.0
    i, n = 0, chords.shape[1]
    # Left by its condition: where a loop breaks, the compiler counts references of the array in each call.
    while i < n and left > 0.0 and ac_left > 0.0 and chords[2, i] > 0.0:
        ac = min(chords[0, i], ac_left, left / chords[2, i])
        left -= ac * chords[2, i]
        ac_left -= ac
        at_store += ac * chords[1, i]
        i += 1
    return at_store, max(left, 0.0)


@compiled
def _walk(
    net: Any, cap: Any, more: float, beside: Any, begin: int, end: int, start: float, steps: Steps
) -> tuple[int, float, int]:
    """Store the most under a raised cap from step to step.

    Return the step in which it fails or the end, what is stored then, and the last step that left the store full, or
    the one before the first.
    """
    h, keep, most_c, most_d, floor, full, into, outof, tapers = steps
    rise_in, limit_in, rise_out, limit_out = tapers
    e, since = start, begin - 1
    for t in range(begin, end):
        room = min(cap[t] + more, beside[t]) - net[t]
        e *= keep
        if room >= 0.0:
            tapered = max((limit_in - rise_in * e) / (1.0 + rise_in), 0.0) if limit_in < np.inf else np.inf
            most = min(full[t] - e, tapered)
            # Chord by chord, as in `_within`, until no more fits: a store is full most of the time.
            left, ac_left, at_store, gain, i = room, most_c[t], 0.0, 0.0, 0
            while i < into.shape[1] and gain < most and left > 0.0 and ac_left > 0.0 and into[2, i] > 0.0:
                ac = min(into[0, i], ac_left, left / into[2, i])
                left -= ac * into[2, i]
                ac_left -= ac
                at_store += ac * into[1, i]
                gain = h * at_store
                i += 1
            e += min(gain, tapered)
        else:
            taken, lacking = _within(-room, most_d[t], outof)
            if limit_out < np.inf and h * taken > (limit_out + rise_out * e) / (1.0 + rise_out) + CLOSE_KWH:
                return t, e, since
            e -= h * taken
            if lacking > CLOSE_KWH or e < floor[t] - CLOSE_KWH:
                return t, e, since
        if e >= full[t]:
            e, since = full[t], t
    return end, e, since


@compiled
def _is_kept(
    level: float, net: Any, cap: Any, beside: Any, begin: int, end: int, start: float, steps: Steps, proofs: Any
) -> bool:
    """Return whether a cap raised to a level can be kept in a window, from proofs or by a walk that leaves one."""
    full = steps.ceiling
    if level <= proofs[LOW] and begin <= proofs[SINCE] and proofs[FAILS] < end:
        return False
    # Later on the same level leaves at least as much in store, if the window begins with as much as there could be.
    if level >= proofs[HIGH] and (begin == proofs[BEGIN] or (begin > proofs[BEGIN] and full[begin] >= full[begin - 1])):
        known = int(proofs[END])
        if known == end:
            return True
        reached, left, since = _walk(net, cap, level, beside, known, end, proofs[LEFT_KWH], steps)
        if reached == end:
            proofs[HIGH], proofs[BEGIN], proofs[END], proofs[LEFT_KWH] = level, begin, end, left
            return True
        if since >= known:
            proofs[LOW], proofs[SINCE], proofs[FAILS] = level, since, reached
            return False
    reached, left, since = _walk(net, cap, level, beside, begin, end, start, steps)
    if reached == end:
        proofs[HIGH], proofs[BEGIN], proofs[END], proofs[LEFT_KWH] = level, begin, end, left
        return True
    # A search always sets out from the same store, as full as can be where proofs are passed on.
    proofs[LOW], proofs[SINCE], proofs[FAILS] = level, max(since, begin), reached
    return False


@compiled
def _search(
    net: Any,
    cap: Any,
    beside: Any,
    begin: int,
    end: int,
    start: float,
    steps: Steps,
    near: float,
    close: float,
    proofs: Any,
) -> float:
    """Return by how much a cap has to be raised in a window; see :func:`raise_by_least`."""
    if _is_kept(0.0, net, cap, beside, begin, end, start, steps, proofs):
        return 0.0
    low, high = 0.0, close
    for t in range(begin, end):
        high = max(high, net[t] - cap[t] + close)
    stride, is_first, is_near, was_kept = close, True, 0.0 < near < high, False
    while is_near or high - low > close:
        level = near if is_near else 0.5 * (low + high)
        is_kept = _is_kept(level, net, cap, beside, begin, end, start, steps, proofs)
        if is_kept:
            high = level
        else:
            low = level
        if is_near:
            near += -stride if is_kept else stride
            stride *= 2.0
            is_near = (is_first or is_kept == was_kept) and low < near < high
            is_first, was_kept = False, is_kept
    return high


@compiled
def raise_by_least(net: Any, cap: Any, beside: Any, start: float, steps: Steps, near: float, close: float) -> float:
    """Return by how much a cap has to be raised so that it can be kept, at most so much too high as is close.

    The search sets out from `near` in strides that double, if it is not NaN; then it halves.
    """
    proofs = np.empty(LEFT_KWH + 1)
    proofs[LOW], proofs[HIGH] = -np.inf, np.inf
    return float(_search(net, cap, beside, 0, len(net), start, steps, near, close, proofs))


@compiled
def _lowest_caps(
    net: Any, cap: Any, ends: Any, n_back: int, n_slots: int, steps: Steps, lowest: Any, daily: Any
) -> None:
    """Search for each end and cap the level of the window and those of its days; see :meth:`Means.lowest_caps_kw`.

    Each search sets out from what was found for the end before. What a day could have kept under the first cap stays as
    it is, and under the others depends on the levels beside it.
    """
    n_caps, n_days = len(cap), len(net) // n_slots + 1
    full, beside = steps.ceiling, np.full(len(net), np.inf)
    level, of_day = np.full(n_caps, np.nan), np.full((n_caps, n_days), np.nan)
    day_end = np.full((n_caps, n_days), -1)
    proofs, day_proofs = np.empty((n_caps, LEFT_KWH + 1)), np.empty((n_caps, n_days, LEFT_KWH + 1))
    proofs[:, LOW], proofs[:, HIGH], day_proofs[:, :, LOW], day_proofs[:, :, HIGH] = -np.inf, np.inf, -np.inf, np.inf
    for row in range(len(ends)):
        end = ends[row]
        begin = max(end - n_back, 0)
        beside[begin:end] = np.inf
        has_risen, has_fallen = False, False  # of the levels beside
        for k in range(n_caps):
            if has_risen:
                proofs[k, LOW], day_proofs[k, :, LOW] = -np.inf, -np.inf
            if has_fallen:
                proofs[k, HIGH], day_proofs[k, :, HIGH] = np.inf, np.inf
            if cap[k, begin:end].min() > 0.0:
                continue
            found = _search(net, cap[k], beside, begin, end, full[begin], steps, level[k], CLOSE_KW, proofs[k])
            has_risen, has_fallen = has_risen or found > level[k], has_fallen or found < level[k]
            level[k] = lowest[row, k] = found
            n = (end - begin) // n_slots
            is_new = k > 0
            for i in range(n):
                b = end - (n - 1 - i) * n_slots
                a, day = b - n_slots, b // n_slots
                is_known = day_end[k, day] == b
                is_new = is_new or not is_known
                if is_new:
                    near = of_day[k, day] if is_known else np.nan
                    least = _search(net, cap[k], beside, a, b, full[a], steps, near, CLOSE_KW, day_proofs[k, day])
                    if cap[k, a:b].max() == 0.0:  # below its mean a day takes more out of the store than it puts back
                        least = max(least, net[a:b].mean())
                    of_day[k, day], day_end[k, day] = least, b
                daily[row, k, i] = of_day[k, day]
            for t in range(begin, end):
                if cap[k, t] == 0.0:
                    beside[t] = min(beside[t], found)


@compiled
def need(net: Any, is_capped: Any, caps: Any, begin: int, end: int, known_end: int, steps: Steps, needed: Any) -> None:
    """
    Write what must be stored at the end of each step to keep caps from there on until an end, at most a full store.

    Parameters
    ----------
    net : ndarray of shape (n_steps,)
        Import without the battery, negative for a surplus [kW].
    is_capped : ndarray of bool, shape (n_caps, n_steps)
        Which steps each cap is for.
    caps : ndarray of shape (n_caps,)
        The caps [kW].
    begin, end : int
        The steps to write.
    known_end : int
        What is there was written for an end here, the same caps and a begin no later: it stays as it is before a step
        of which as much is needed. 0 where nothing is there.
    steps : Steps
        What the store can do.
    needed : ndarray of shape (n_steps,)
        Where to [kWh].
    """
    h, keep, most_c, most_d, floor, full, into, outof, _ = steps
    e = floor[end - 1]
    for t in range(end - 1, begin - 1, -1):
        if t < known_end and needed[t] == e:
            return
        needed[t] = e
        room = np.inf
        for k in range(len(caps)):
            if is_capped[k, t]:
                room = min(room, caps[k] - net[t])
        if room >= 0.0:
            e -= h * _within(room, most_c[t], into)[0]
        else:
            e += h * _within(-room, most_d[t], outof)[0]
        e = min(max(e / keep, floor[t]), full[t])
