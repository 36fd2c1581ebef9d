"""What the last weeks teach about peaks: targets that could have been kept, energy needed, and forecasts too low.

The numbers below were chosen on open load series; ``tests/benchmarks/policies.py`` says which, and what they bring.
"""

import bisect
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from crestfall.control._forecasts import DayClock
from crestfall.control._peak_targets import Means
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
    margin_frac : float
        How far above the lowest that the last weeks could have kept.
    """

    rates: Rates
    first_kw: float
    margin_frac: float
    _measured: list[NDArray[np.bool_]] = field(init=False)
    _period: list[list[int]] = field(init=False)
    _order: list[int] = field(init=False)
    _lowest: dict[int, float] = field(init=False, default_factory=dict)  # of each charge, when last learnt [kW]
    _daily: list[dict[int, float]] = field(init=False)  # of each charge what a day could have kept, by its end [kW]
    rungs_kw: FloatArray = field(init=False)
    seen_kw: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        charges = self.rates.peak_charges
        self._measured = [charge.measure.is_measured() for charge in charges]
        self._period = [charge.measure.periods.of.tolist() for charge in charges]
        rate = [float(np.max(charge.rate, initial=0.0)) for charge in charges]
        self._order = sorted(range(len(charges)), key=lambda k: -rate[k])  # the dearest is held lowest
        self.rungs_kw = np.full((len(charges), N_RUNGS), self.first_kw)
        self.seen_kw = np.zeros(len(charges))
        self._daily = [{} for _ in charges]

    @property
    def n(self) -> int:
        """Number of charges."""
        return len(self._period)

    def begins(self) -> set[int]:
        """Return the steps with which a period of any charge begins."""
        return {t + 1 for of in self._period for t in np.flatnonzero(np.diff(of)).tolist()}

    def begin(self, t: int) -> bool:
        """Return whether a period begins with a step; what was seen in the last is forgotten."""
        if not t:
            return bool(self._period)
        new = [k for k, of in enumerate(self._period) if of[t] != of[t - 1]]
        self.seen_kw[new] = 0.0
        return bool(new)

    def learn(self, t: int, net_kw: FloatArray, means: Means, n_before: int, n_back: int, n_slots: int) -> None:
        """
        Take the lowest targets that the last weeks could have kept, one charge after the other, with rungs below them.

        Parameters
        ----------
        t : int
            The step that comes next.
        net_kw : ndarray of shape (n_before + t,)
            Import without the battery so far, history included [kW].
        means : Means
            What the store could do.
        n_before, n_back, n_slots : int
            Steps of the history, steps to look back, and steps of a day.
        """
        begin = max(n_before + t - n_back, 0)
        net = net_kw[begin:]
        beside = np.full(len(net), np.inf)
        full = float(means.ceiling_kwh[begin])
        for k in self._order:
            measured = self.measured_before(k, t, n_before)[begin:]
            if not measured.any():
                continue
            # From a cap of nothing, raised where this charge measures until it can be kept.
            cap = np.where(measured, 0.0, np.inf)
            lowest = self._lowest[k] = means.least_raise_kw(net, cap, full, begin, beside, self._lowest.get(k, np.nan))
            daily = np.sort(self._daily_caps(k, net, measured, beside, means, begin, n_slots))
            n_left = self._days_left(k, t, n_slots)
            rungs = np.array([0.0, *likely_peaks(daily, n_left), lowest]) * (1 + self.margin_frac)
            self.rungs_kw[k] = np.maximum(rungs, self.seen_kw[k])
            np.minimum(beside, lowest, out=beside, where=measured)

    def _daily_caps(
        self,
        k: int,
        net: FloatArray,
        measured: NDArray[np.bool_],
        beside: FloatArray,
        means: Means,
        begin: int,
        n_slots: int,
    ) -> FloatArray:
        """Return the lowest peak that each of the last days could have had, shape (n_days,).

        Of the dearest charge it stays as it is. What the others could have kept depends on the targets beside them, but
        little: the search sets out from what it was.
        """
        known = self._daily[k]
        ends = range(begin + len(net) - len(net) // n_slots * n_slots + n_slots, begin + len(net) + 1, n_slots)
        new = [end for end in ends if k != self._order[0] or end not in known]
        if new:  # the latest, or all
            part = slice(new[0] - n_slots - begin, None)
            near = np.array([known.get(end, np.nan) for end in range(new[0], ends[-1] + 1, n_slots)])
            caps = means.daily_caps_kw(net[part], measured[part], beside[part], new[0] - n_slots, n_slots, near)
            known.update(zip(range(new[0], ends[-1] + 1, n_slots), caps.tolist(), strict=True))
        return np.array([known[end] for end in ends])

    def _days_left(self, k: int, t: int, n_slots: int) -> float:
        """Return how many days of the period of a charge are left from a step on."""
        of = self._period[k]
        return max((bisect.bisect_right(of, of[t]) - t) / n_slots, 1.0)

    def past_caps_kw(self, t: int, n_before: int) -> FloatArray:
        """Return the targets of now laid on the steps so far, shape (n_before + t,)."""
        cap = np.full(n_before + t, np.inf)
        for k, level in enumerate(self.rungs_kw[:, -1]):
            np.minimum(cap, level, out=cap, where=self.measured_before(k, t, n_before))
        return cap

    def measured_before(self, k: int, t: int, n_before: int) -> NDArray[np.bool_]:
        """Return in which of the steps so far a charge measures; before the data as in their first week."""
        own = self._measured[k]
        if not n_before:
            return own[:t]
        week = min(round(7 * 24 / self.rates.step_h), len(own))
        return np.concatenate((own[np.arange(-n_before, 0) % week], own[:t]))


def likely_peaks(daily_kw: FloatArray, n_days: float) -> FloatArray:
    """
    Return up to which levels some days to come stay with the probabilities of rungs, if they are like others.

    Parameters
    ----------
    daily_kw : ndarray of shape (n,)
        The lowest peak that each of the other days could have had, rising [kW].
    n_days : float
        How many days are to come.

    Returns
    -------
    ndarray of shape (N_RUNGS - 2,)
        The lowest of the peaks that are not exceeded with the probabilities, at most the highest [kW].

    Examples
    --------
    Of 9 days a tenth day is above the highest with a probability of 0.1, above the lowest with 0.9.

    >>> likely_peaks(np.arange(1.0, 10.0), 1).tolist()
    [1.0, 2.0]
    >>> likely_peaks(np.arange(1.0, 10.0), 10).tolist()
    [7.0, 9.0]
    """
    below_frac = (np.arange(len(daily_kw)) + 1) / (len(daily_kw) + 1)
    place = np.searchsorted(below_frac**n_days, RUNG_PROBABILITIES - 1e-12)
    return daily_kw[np.minimum(place, len(daily_kw) - 1)]


@dataclass(frozen=True, slots=True)
class Needs:
    """What was needed in store at each time of day, and what it costs to have less.

    Parameters
    ----------
    kwh, prices : ndarray of shape (n_day_parts, n_needs)
        The energies, rising along a row, and the price of each kWh that is missing from each.
    """

    kwh: FloatArray
    prices: FloatArray

    @classmethod
    def none(cls, n_day_parts: int) -> "Needs":
        """Return that nothing was needed."""
        return cls(np.zeros((n_day_parts, 0)), np.zeros((n_day_parts, 0)))

    def and_all(self, most_kwh: float, price: float) -> "Needs":
        """Return these needs and, at any time of day, all that a store can hold at a price for each kWh."""
        if not price:
            return self
        column = np.ones((len(self.kwh), 1))
        return Needs(np.concatenate((self.kwh, most_kwh * column), 1), np.concatenate((self.prices, price * column), 1))

    @classmethod
    def learnt(
        cls, needed_kwh: FloatArray, clock: DayClock, begin: int, *, price: float, caution_frac: float
    ) -> "Needs":
        """
        Learn from what was needed in some steps.

        Each day counts alike, once about its time of day and, with a lower weight, at any time: a need may come again
        at another hour.

        Parameters
        ----------
        needed_kwh : ndarray of shape (n,)
            Energy needed at the end of the steps from `begin` on, to keep the targets from there on [kWh].
        clock : DayClock
            The steps.
        begin : int
            The first of them.
        price : float
            What a missing kWh costs on a day on which it is needed.
        caution_frac : float
            Share of the days that count; the rest, the most needy of each time of day, are left out.
        """
        steps = slice(begin, begin + len(needed_kwh))
        day, slot = clock.day[steps] - clock.day[begin], clock.slot[steps]
        near = maximum_filter1d(needed_kwh, 2 * round(EARLY_OR_LATE_H / clock.step_h) + 1)
        n_days, n_parts = int(day[-1]) + 1, int(clock.slot.max()) + 1
        at_its_time = np.zeros((n_parts, n_days))
        at_its_time[slot, day] = near
        at_any_time = np.broadcast_to(at_its_time.max(axis=0), (n_parts, n_days))
        share = np.repeat([1 - ANY_TIME_FRAC, ANY_TIME_FRAC], n_days) * price / n_days
        kwh = np.concatenate((_without_worst(at_its_time, caution_frac), _without_worst(at_any_time, caution_frac)), 1)
        order = np.argsort(kwh, axis=1, kind="stable")
        return cls(np.take_along_axis(kwh, order, 1), share[order])


def _without_worst(needs: FloatArray, caution_frac: float) -> FloatArray:
    """Return each row with its highest values cut to the one that suffices for a share of them."""
    n = needs.shape[1]
    enough = np.sort(needs, axis=1)[:, max(math.ceil(caution_frac * n) - 1, 0)]
    return np.minimum(needs, enough[:, np.newaxis])


def worst_days(errors_kw: FloatArray, *, step_h: float, caution_frac: float) -> NDArray[np.int64]:
    """
    Return the days on which a forecast was too low for a spell by most, the worst first.

    Parameters
    ----------
    errors_kw : ndarray of shape (n_days, n_steps)
        What happened less what was forecast, from the same time of each day on [kW].
    step_h : float
        Length of a step [h].
    caution_frac : float
        Share of the days that count; the rest, the worst, are left out.

    Returns
    -------
    ndarray of int, shape (at most N_WORST,)
        Rows of the days.
    """
    n_days, n = errors_kw.shape
    width = min(max(round(SPELL_H / step_h), 1), n)
    sums = np.concatenate((np.zeros((n_days, 1)), np.cumsum(errors_kw, axis=1)), axis=1)
    worst = (sums[:, width:] - sums[:, :-width]).max(axis=1)
    left_out = n_days - math.ceil(caution_frac * n_days)
    return np.argsort(-worst, kind="stable")[left_out : left_out + N_WORST]
