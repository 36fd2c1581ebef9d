"""What the last weeks teach about peaks: targets that could have been kept, energy needed, and forecasts too low.

The numbers below were chosen on open load series; ``tests/benchmarks/policies.py`` says which, and what they bring.
"""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestfall.control._forecasts import DayClock
from crestfall.control._peak_targets import Means, Steps, need
from crestfall.dispatch._compiled import compiled
from crestfall.tariff import Rates

FloatArray = NDArray[np.float64]
LEAST_DAYS = 7  # before them nothing is learnt
EARLY_OR_LATE_H = 2.0  # by which a peak may miss its time of day in the last weeks
ANY_TIME_FRAC = 0.1  # weight of a need at other times of day than its own
SPELL_H = 2.0  # over which a forecast that is too low empties a store
# The first rung is what the period has seen, the last its target. With these probabilities the rest of the period stays
# below those between. Then the shares of the rungs in the price of import above all of them.
RUNG_PROBABILITIES = np.array([0.02, 0.2])
RUNG_SHARES = np.array([0.03, 0.1, 0.2, 0.7])
N_RUNGS = len(RUNG_SHARES)
N_WORST = 3  # errors of the past that may come again


@dataclass(slots=True)
class Targets:
    """Rungs for the import of each demand charge, learnt anew each day; none is below what its period has seen.

    A kW more costs its rate if the period does not reach it anyway. So import is the dearer the less likely that is: a
    ladder of rungs says how dear, with the target on top.

    Parameters
    ----------
    rates : Rates
        The contract.
    first_kw : float
        Target until enough is known.
    n_before : int
        Steps of the history; steps are counted from its first.
    """

    rates: Rates
    first_kw: float
    n_before: int
    measured: NDArray[np.bool_] = field(init=False)  # which steps each charge measures, shape (n_charges, n_steps)
    _period: list[NDArray[np.int64]] = field(init=False)
    _ladders: dict[int, FloatArray] = field(init=False, default_factory=dict)  # by step, NaN where nothing is learnt
    _nothing: FloatArray = field(init=False)
    _is_first: NDArray[np.bool_] = field(init=False)  # whether a period begins with each step, as `measured`
    rungs_kw: FloatArray = field(init=False)
    seen_kw: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        charges, n = self.rates.peak_charges, self.n_before + len(self.rates.start)
        measured = [self._with_past(charge.measure.is_measured()) for charge in charges]
        self.measured = np.array(measured, dtype=bool).reshape(len(charges), n)  # also where there is none
        self._period = [charge.measure.periods.of for charge in charges]
        self.rungs_kw = np.full((len(charges), N_RUNGS), self.first_kw)
        self.seen_kw = np.zeros(len(charges))
        self._nothing = np.full_like(self.rungs_kw, np.nan)
        self._is_first = np.zeros((len(charges), n), dtype=bool)
        for is_first, of in zip(self._is_first, self._period, strict=True):
            is_first[self.n_before + _changes(of)] = True

    def _with_past(self, is_measured: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return where a charge measures, before the data as in their first week."""
        week = min(round(7 * 24 / self.rates.step_h), len(is_measured))
        return np.concatenate((is_measured[np.arange(-self.n_before, 0) % week], is_measured))

    @property
    def n(self) -> int:
        """Number of charges."""
        return len(self._period)

    def begins(self) -> list[int]:
        """Return the steps with which a period of any charge begins."""
        return np.flatnonzero(self._is_first.any(axis=0)).tolist()

    def learn(
        self, at: list[int], net_kw: FloatArray, means: Means, *, n_back: int, n_slots: int, margin_frac: float
    ) -> None:
        """
        Find for each lesson the lowest targets that the last weeks could have kept, with rungs below them.

        They are found one charge after the other, the dearest first, for that is held lowest. What the store really did
        does not matter, so that all lessons are learnt at once; each looks at nothing but what is past.

        Parameters
        ----------
        at : list of int
            The step that comes next in each lesson.
        net_kw : ndarray of shape (n_steps,)
            Import without the battery [kW].
        means : Means
            What the store could do.
        n_back, n_slots : int
            Steps to look back, and steps of a day.
        margin_frac : float
            How far above the lowest that the last weeks could have kept a target is.
        """
        if not at or not self.n:
            return
        ends = np.array(at)
        rate = [float(np.max(charge.rate, initial=0.0)) for charge in self.rates.peak_charges]
        order = sorted(range(self.n), key=lambda k: -rate[k])
        lowest, daily = means.lowest_caps_kw(net_kw, self.measured[order], ends, n_back, n_slots)
        ladders = np.zeros((len(ends), self.n, N_RUNGS))
        for place, k in enumerate(order):
            t = ends - self.n_before
            n_left = (_ends(self._period[k], t) - t) / n_slots
            ladders[:, k, 1:-1] = likely_peaks(daily[:, place], np.maximum(n_left, 1.0))
            ladders[:, k, -1] = lowest[:, place]
            ladders[np.isnan(lowest[:, place]), k] = np.nan
        self._ladders = dict(zip(at, ladders * (1 + margin_frac), strict=True))

    def begin(self, a: int) -> None:
        """Take the rungs that are known before a step; what was seen is forgotten where a period begins with it."""
        _take(self._ladders.get(a, self._nothing), self._is_first[:, a], self.seen_kw, self.rungs_kw)


@compiled
def _take(ladders: Any, is_first: Any, seen: Any, rungs: Any) -> None:
    for k in range(len(seen)):
        if is_first[k]:
            seen[k] = 0.0
        for i in range(N_RUNGS):
            if not np.isnan(ladders[k, i]):
                rungs[k, i] = max(ladders[k, i], seen[k])


def _changes(period: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the steps with which another period begins."""
    return np.flatnonzero(np.diff(period)) + 1


def _ends(period: NDArray[np.int64], at: NDArray[np.int64]) -> NDArray[np.int64]:
    """
    Return the step with which the period of each of some steps is over.

    Examples
    --------
    Two seasons with days of none between them.

    >>> _ends(np.array([0, 0, -1, -1, 1]), np.array([0, 1, 3, 4])).tolist()
    [2, 2, 4, 5]
    """
    ends = np.append(_changes(period), len(period))
    return np.asarray(ends[np.searchsorted(ends, at, side="right")])


def likely_peaks(daily_kw: FloatArray, n_days: FloatArray) -> FloatArray:
    """
    Return up to which levels some days to come stay with the probabilities of rungs, if they are like others.

    Parameters
    ----------
    daily_kw : ndarray of shape (n, n_others)
        The lowest peak that each of the other days could have had; `inf` for one that is not known [kW].
    n_days : ndarray of shape (n,)
        How many days are to come.

    Returns
    -------
    ndarray of shape (n, N_RUNGS - 2)
        The lowest of the peaks that are not exceeded with the probabilities, at most the highest [kW].

    Examples
    --------
    Of 9 days a tenth day is above the highest with a probability of 0.1, above the lowest with 0.9.

    >>> nine = np.arange(9.0, 0.0, -1.0)
    >>> likely_peaks(np.stack((nine, nine)), np.array([1.0, 10.0])).tolist()
    [[1.0, 2.0], [7.0, 9.0]]
    """
    rising = np.sort(daily_kw, axis=1)
    n_known = np.isfinite(daily_kw).sum(axis=1)[:, np.newaxis]
    # The peak at place i of n is the highest with a probability of (i + 1) / (n + 1) on one day.
    of_one_day = (RUNG_PROBABILITIES - 1e-12) ** (1 / n_days[:, np.newaxis])
    place = np.ceil(of_one_day * (n_known + 1)).astype(int) - 1
    return np.take_along_axis(rising, np.clip(place, 0, n_known - 1), axis=1)


@dataclass(slots=True, kw_only=True)
class Reserve:
    """What was needed in store at each time of day, learnt anew each day, and what it costs to have less.

    Parameters
    ----------
    clock : DayClock
        The steps.
    net_kw : ndarray of shape (n_steps,)
        Import without the battery, negative for a surplus [kW].
    is_measured : ndarray of bool, shape (n_charges, n_steps)
        Which steps each target is for.
    steps : Steps
        What the store can do.
    price : float
        What a missing kWh costs on a day on which it is needed.
    caution_frac : float
        Share of the days that count; the rest, the most needy of each time of day, are left out.
    most_kwh : float
        What the store can hold [kWh].
    """

    clock: DayClock
    net_kw: FloatArray
    is_measured: NDArray[np.bool_]
    steps: Steps
    price: float
    caution_frac: float
    most_kwh: float
    _n_parts: int = field(init=False)
    _needed_kwh: FloatArray = field(init=False)  # as the last lesson found it, for these targets until this end
    _targets_kw: FloatArray = field(init=False)
    _end: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        self._n_parts = int(self.clock.slot.max()) + 1
        self._needed_kwh = np.zeros(len(self.net_kw))
        self._targets_kw = np.full(len(self.is_measured), np.nan)
        self._end = np.zeros(1, dtype=np.int64)

    def learnt(self, begin: int, end: int, rungs_kw: FloatArray, kept_price: float) -> tuple[FloatArray, FloatArray]:
        """
        Learn from what was needed in some steps to keep the targets from there on.

        Each day counts alike, once about its time of day and, with a lower weight, at any time: a need may come again
        at another hour. Beside them, at any time of day, all that the store can hold has a price.

        Parameters
        ----------
        begin, end : int
            The steps; none of them where nothing is known yet.
        rungs_kw : ndarray of shape (n_charges, N_RUNGS)
            Rungs, the targets last [kW].
        kept_price : float
            What a kWh is worth that the store could hold.

        Returns
        -------
        needs_kwh, need_prices : ndarray of shape (n_day_parts, n_needs)
            The energies, rising along a row, and the price of each kWh that is missing from each.
        """
        clock = self.clock
        n_days = int(clock.day[end - 1] - clock.day[begin]) + 1 if begin < end else 0
        n_counted = max(math.ceil(self.caution_frac * n_days), 1)
        reach = round(EARLY_OR_LATE_H / clock.step_h)
        kwh, prices = np.empty((2, self._n_parts, 2 * n_days + (kept_price > 0)))
        if kept_price > 0:
            kwh[:, -1], prices[:, -1] = self.most_kwh, kept_price
        if n_days:
            known = self._needed_kwh, self._targets_kw, self._end
            what = self.net_kw, self.is_measured, self.steps
            when = clock.day, clock.slot
            _learn_needs(begin, end, what, rungs_kw, known, when, reach, n_days, n_counted, self.price, kwh, prices)
        return kwh, prices


@compiled
def _learn_needs(
    begin: int,
    end: int,
    what: tuple[Any, Any, Steps],
    rungs: Any,
    known: tuple[Any, Any, Any],
    when: tuple[Any, Any],
    reach: int,
    n_days: int,
    n_counted: int,
    price: float,
    kwh: Any,
    prices: Any,
) -> None:
    """Write needs, see :meth:`Reserve.learnt`.

    All of it is one call, for small ones between the plans take long: they find nothing of theirs in the caches.
    """
    net, is_measured, steps = what
    needed, targets, known_end = known
    day, slot = when
    for k in range(len(targets)):
        if targets[k] != rungs[k, N_RUNGS - 1]:
            targets[k], known_end[0] = rungs[k, N_RUNGS - 1], 0
    need(net, is_measured, targets, begin, end, known_end[0], steps, needed)
    known_end[0] = end
    n_parts = len(kwh)
    at_its_time, at_any_time = np.zeros((n_parts, n_days)), np.zeros((1, n_days))
    place = np.empty(end - begin, dtype=np.int64)  # of steps that may be the most needy yet, falling
    first, last = 0, 0
    for t in range(begin, end + reach):
        if t < end:
            while last > first and needed[place[last - 1]] <= needed[t]:
                last -= 1
            place[last] = t
            last += 1
        middle = t - reach
        if middle < begin or middle >= end:
            continue
        if place[first] < middle - reach:
            first += 1
        most, on = needed[place[first]], day[middle] - day[begin]
        at_its_time[slot[middle], on] = most
        at_any_time[0, on] = max(at_any_time[0, on], most)
    _sort_rows(at_any_time, n_counted)
    _sort_rows(at_its_time, n_counted)
    own_price, any_price = (1.0 - ANY_TIME_FRAC) * price / n_days, ANY_TIME_FRAC * price / n_days
    for part in range(n_parts):
        own, i, j = at_its_time[part], 0, 0
        for at in range(2 * n_days):
            if j == n_days or (i < n_days and own[i] <= at_any_time[0, j]):
                kwh[part, at], prices[part, at] = own[i], own_price
                i += 1
            else:
                kwh[part, at], prices[part, at] = at_any_time[0, j], any_price
                j += 1


@compiled
def _sort_rows(values: Any, n_counted: int) -> None:
    """Sort each row, with its highest values cut to the one that suffices for so many of them."""
    n = values.shape[1]
    for row in values:
        for i in range(1, n):
            value, j = row[i], i
            while j > 0 and row[j - 1] > value:
                row[j] = row[j - 1]
                j -= 1
            row[j] = value
        for i in range(n_counted, n):
            row[i] = row[n_counted - 1]


def worst_spells_kw(errors_kw: FloatArray, *, step_h: float) -> FloatArray:
    """
    Return by how much each forecast was too low over the worst of its spells.

    Parameters
    ----------
    errors_kw : ndarray of shape (n, n_steps)
        What happened less what was forecast [kW].
    step_h : float
        Length of a step [h].

    Returns
    -------
    ndarray of shape (n,)
        Sums over the steps of a spell [kW].
    """
    n, n_steps = errors_kw.shape
    width = min(max(round(SPELL_H / step_h), 1), n_steps)
    sums = np.concatenate((np.zeros((n, 1)), np.cumsum(errors_kw, axis=1)), axis=1)
    return np.asarray((sums[:, width:] - sums[:, :-width]).max(axis=1))


def worst_days(spells_kw: FloatArray, caution_frac: float) -> NDArray[np.int64]:
    """
    Return the days on which a forecast was too low for a spell by most, the worst first.

    Parameters
    ----------
    spells_kw : ndarray of shape (n_days,)
        By how much each was too low.
    caution_frac : float
        Share of the days that count; the rest, the worst, are left out.

    Returns
    -------
    ndarray of int, shape (at most N_WORST,)
        Places of the days.
    """
    n_days = len(spells_kw)
    left_out = n_days - math.ceil(caution_frac * n_days)
    return np.argsort(-spells_kw, kind="stable")[left_out : left_out + N_WORST]
