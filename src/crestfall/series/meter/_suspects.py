"""What a meter shows that no load does: zeros, stuck values, spikes, sudden changes of level or unit."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Steps = NDArray[np.intp]

# All of these are common practice, no source: what they find is shown, and only touched when that is asked for.
RARE_FRAC = 0.02  # a state in which a load is less often than this is not its rest
LONG_STUCK_H = 6.0
SPIKE_BAND = 8.0  # times the distance from the median to the 95th percentile
MOST_SPIKE_STEPS = 2
LEVEL_RATIO, LEVEL_WEEKS = 2.5, 4
UNIT_RATIOS = (4.0, 60.0, 1000.0)
UNIT_TOLERANCE = 0.15


class LevelChange(NamedTuple):
    """A change of level that lasts."""

    step: int
    ratio: float
    is_unit: bool


def gap_runs(steps: Steps) -> list[Steps]:
    """
    Return the runs of steps that follow one another.

    Parameters
    ----------
    steps : ndarray of int
        Steps in order.

    Returns
    -------
    list of ndarray of int
        The runs.

    Examples
    --------
    >>> [run.tolist() for run in gap_runs(np.array([3, 4, 7]))]
    [[3, 4], [7]]
    """
    return np.split(steps, np.flatnonzero(np.diff(steps) != 1) + 1) if len(steps) else []


def dropouts(load_kw: FloatArray, step_h: float) -> Steps:
    """
    Return zeros in a load that is hardly ever zero.

    Parameters
    ----------
    load_kw : ndarray of shape (n_steps,)
        A load [kW].
    step_h : float
        Length of a step [h].

    Returns
    -------
    ndarray of int
        The steps.
    """
    zeros = np.flatnonzero(load_kw == 0)
    known = int(np.isfinite(load_kw).sum())
    if not zeros.size or zeros.size > RARE_FRAC * known:
        return zeros[:0]
    positive = load_kw[load_kw > 0]
    # A load that comes near zero anyway may well reach it.
    rests = positive.size and np.quantile(positive, RARE_FRAC) < 0.05 * np.median(positive)
    return zeros[:0] if rests else zeros


def constant_runs(load_kw: FloatArray, step_h: float) -> Steps:
    """
    Return steps of runs in which one value, not zero, stands for much longer than it usually does.

    Parameters
    ----------
    load_kw : ndarray of shape (n_steps,)
        A load [kW].
    step_h : float
        Length of a step [h].

    Returns
    -------
    ndarray of int
        The steps.
    """
    edges = np.concatenate(([0], np.flatnonzero(np.diff(load_kw) != 0) + 1, [len(load_kw)]))
    lengths = np.diff(edges)
    usual = np.quantile(lengths, 0.99) if len(lengths) else 0
    least = max(LONG_STUCK_H / step_h, 3 * usual)
    long = np.flatnonzero((lengths >= least) & np.isfinite(load_kw[edges[:-1]]) & (load_kw[edges[:-1]] != 0))
    steps = [np.arange(edges[at], edges[at + 1]) for at in long]
    # Coarse data may stand still a lot: then it is no sign of anything.
    found = np.concatenate(steps) if steps else np.zeros(0, np.intp)
    return found if found.size < 0.2 * len(load_kw) else found[:0]


def spikes(load_kw: FloatArray) -> Steps:
    """
    Return single steps, or pairs, far above everything else.

    Parameters
    ----------
    load_kw : ndarray of shape (n_steps,)
        A load [kW].

    Returns
    -------
    ndarray of int
        The steps.
    """
    known = load_kw[np.isfinite(load_kw)]
    if known.size < 100:
        return np.zeros(0, np.intp)
    median, high = np.quantile(known, [0.5, 0.95])
    # Where half of all steps stand still the band is that of the values themselves.
    band = max(float(high - median), 0.1 * abs(float(median)))
    far = np.flatnonzero(load_kw > median + SPIKE_BAND * band) if band > 0 else np.zeros(0, np.intp)
    runs = [run for run in gap_runs(far) if len(run) <= MOST_SPIKE_STEPS]
    found = np.concatenate(runs) if runs else far[:0]
    return found if found.size < 0.001 * known.size + 5 else found[:0]


def level_changes(load_kw: FloatArray, step_h: float) -> list[LevelChange]:
    """
    Return weeks at which the level of a load changes for good, or its unit does.

    Parameters
    ----------
    load_kw : ndarray of shape (n_steps,)
        A load [kW].
    step_h : float
        Length of a step [h].

    Returns
    -------
    list of LevelChange
        Changes by a factor, with the step at which the week begins; `is_unit` where the factor is that of a unit.
    """
    per_week = round(168 / step_h)
    n_weeks = len(load_kw) // per_week
    if n_weeks < 2 * LEVEL_WEEKS:
        return []
    weeks = load_kw[: n_weeks * per_week].reshape(n_weeks, per_week)
    filled = np.isfinite(weeks).mean(axis=1) > 0.5
    means = np.array([np.nanmean(week) if ok else np.nan for week, ok in zip(weeks, filled, strict=True)])
    found: list[LevelChange] = []
    for week in range(LEVEL_WEEKS, n_weeks - LEVEL_WEEKS + 1):
        before, after = means[week - LEVEL_WEEKS : week], means[week : week + LEVEL_WEEKS]
        if np.isnan([before, after]).any() or min(before.min(), after.min()) <= 0:
            continue
        # All weeks on one side lie apart from all on the other.
        apart = max(after.min() / before.max(), before.min() / after.max())
        ratio = float(np.median(after) / np.median(before))
        if apart > 0.8 * LEVEL_RATIO and max(ratio, 1 / ratio) > LEVEL_RATIO:
            step = week * per_week
            if found and step - found[-1].step <= LEVEL_WEEKS * per_week:
                continue
            larger = max(ratio, 1 / ratio)
            is_unit = any(abs(larger / one - 1) < UNIT_TOLERANCE for one in UNIT_RATIOS)
            found.append(LevelChange(step, ratio, is_unit))
    return found


def is_one_day_repeated(load_kw: FloatArray, step_h: float) -> bool:
    """
    Tell whether a load is the same on every day.

    Parameters
    ----------
    load_kw : ndarray of shape (n_steps,)
        A load [kW].
    step_h : float
        Length of a step [h].

    Returns
    -------
    bool
        Whether, of three days or more, nearly each is the same as the one before.
    """
    per_day = round(24 / step_h)
    if len(load_kw) < 3 * per_day:
        return False
    same = load_kw[per_day:] == load_kw[:-per_day]
    return bool(same.mean() > 0.97)
