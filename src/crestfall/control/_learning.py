"""What the last weeks teach about peaks: targets that could have been kept, reserve, and room for errors."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from crestfall.control._forecasts import DayClock
from crestfall.control._peak_targets import Means
from crestfall.scenario.scenario_file import RollingPolicy
from crestfall.tariff import Rates

FloatArray = NDArray[np.float64]
LEAST_DAYS = 7  # before them nothing is learnt
EARLY_OR_LATE_H = 2.0  # by which a peak may miss its time of day in the last weeks
NEIGHBOURS = 2  # steps by which a peak may come earlier or later than the errors of the past


@dataclass(slots=True)
class Targets:
    """A target for the import of each demand charge: learnt when its period begins, then it only rises.

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
    level_kw: FloatArray = field(init=False)
    seen_kw: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        charges = self.rates.peak_charges
        self._measured = [charge.measure.is_measured() for charge in charges]
        self._period = [charge.measure.periods.of.tolist() for charge in charges]
        rate = [float(np.max(charge.rate, initial=0.0)) for charge in charges]
        self._order = sorted(range(len(charges)), key=lambda k: -rate[k])  # the dearest is held lowest
        self.level_kw = np.full(len(charges), self.first_kw)
        self.seen_kw = np.zeros(len(charges))

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

    def learn(self, t: int, net_kw: FloatArray, means: Means, n_before: int, n_back: int, *, only_up: bool) -> None:
        """
        Take the lowest targets that the last weeks could have kept, one charge after the other.

        Parameters
        ----------
        t : int
            The step that comes next.
        net_kw : ndarray of shape (n_before + t,)
            Import without the battery so far, history included [kW].
        means : Means
            What the store could do.
        n_before, n_back : int
            Steps of the history, and steps to look back.
        only_up : bool
            Whether targets may rise only, as within a period.
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
            lowest = means.least_raise_kw(net, np.where(measured, 0.0, np.inf), full, begin, beside)
            learnt = max(lowest * (1 + self.margin_frac), self.seen_kw[k])
            self.level_kw[k] = max(learnt, self.level_kw[k]) if only_up else learnt
            np.minimum(beside, lowest, out=beside, where=measured)

    def past_caps_kw(self, t: int, n_before: int) -> FloatArray:
        """Return the targets of now laid on the steps so far, shape (n_before + t,)."""
        cap = np.full(n_before + t, np.inf)
        for k, level in enumerate(self.level_kw):
            np.minimum(cap, level, out=cap, where=self.measured_before(k, t, n_before))
        return cap

    def measured_before(self, k: int, t: int, n_before: int) -> NDArray[np.bool_]:
        """Return in which of the steps so far a charge measures; before the data as in their first week."""
        own = self._measured[k]
        if not n_before:
            return own[:t]
        week = min(round(7 * 24 / self.rates.step_h), len(own))
        return np.concatenate((own[np.arange(-n_before, 0) % week], own[:t]))


def by_time_of_day(values: FloatArray, clock: DayClock, begin: int, caution_frac: float) -> FloatArray:
    """
    Return a quantile over days of a quantity of steps, for each time of day.

    Days of all kinds count alike: few of a kind are too little to learn a rare thing from.

    Parameters
    ----------
    values : ndarray of shape (n,)
        The quantity of the steps from `begin` on.
    clock : DayClock
        The steps.
    begin : int
        The first of them.
    caution_frac : float
        Share of the days that the result suffices for.

    Returns
    -------
    ndarray of shape (n_slots,)
        The quantile.
    """
    steps = slice(begin, begin + len(values))
    day, slot = clock.day[steps], clock.slot[steps]
    table = np.full((int(day[-1] - day[0]) + 1, clock.n_slots), np.nan)
    table[day - day[0], slot] = values
    return _quantile(table, caution_frac)


def _quantile(table: FloatArray, share: float) -> FloatArray:
    """Return the least value that suffices for a share of the rows, missing values left out."""
    ordered = np.sort(table, axis=0)  # missing ones come last
    n = np.count_nonzero(~np.isnan(table), axis=0)
    row = np.clip(np.ceil(share * n).astype(int) - 1, 0, None)
    return np.asarray(np.nan_to_num(ordered[row, np.arange(table.shape[1])], nan=0.0))


def widened(profile: FloatArray) -> FloatArray:
    """Return the highest of a profile within a few steps, for peaks that come early or late."""
    shifted = [np.roll(profile, shift, axis=-1) for shift in range(-NEIGHBOURS, NEIGHBOURS + 1)]
    return np.asarray(np.max(shifted, axis=0))


@dataclass(slots=True)
class Lessons:
    """Reserve and headroom by time of day, learnt anew as each day begins.

    Parameters
    ----------
    clock : DayClock
        The steps, history included.
    means : Means
        What the store can do in them.
    settings : RollingPolicy
        How much caution, and how far back.
    """

    clock: DayClock
    means: Means
    settings: RollingPolicy
    reserve_kwh: FloatArray | None = None
    headroom_kw: FloatArray | None = None

    def learn(self, known: int, net_kw: FloatArray, expected_kw: FloatArray, cap_kw: FloatArray) -> None:
        """
        Learn from the steps before `known`.

        Parameters
        ----------
        known : int
            Number of known steps, history included.
        net_kw, expected_kw : ndarray of shape (n_back,)
            Import without the battery in the latest of them, and what was forecast for it; NaN where nothing was [kW].
        cap_kw : ndarray of shape (n_back,)
            The caps in force now, laid on those steps [kW].
        """
        begin, ask = known - len(net_kw), self.settings
        if ask.peak_rule in ("reserve", "both"):
            # What the lowest cap needs, not the target above it: the margin is for what the past has not shown.
            needed = self.means.needed_kwh(net_kw, cap_kw / (1 + ask.target_margin_frac), begin)
            width = 2 * round(EARLY_OR_LATE_H / self.clock.step_h) + 1
            needed = maximum_filter1d(needed, width)
            self.reserve_kwh = by_time_of_day(needed, self.clock, begin, ask.caution_frac)
        if ask.peak_rule in ("headroom", "both") and not np.isnan(expected_kw).all():
            error = np.maximum(net_kw - expected_kw, 0.0)
            self.headroom_kw = widened(by_time_of_day(error, self.clock, begin, ask.caution_frac))
