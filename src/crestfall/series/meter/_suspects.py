"""What a meter shows that no load does: zeros, stuck values, spikes, the same day again and again."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Steps = NDArray[np.intp]

# All of these are common practice, no source: what they find is shown, and only touched when that is asked for.
RARE_FRAC = 0.02  # a state in which a load is less often than this is not its rest
LONG_STUCK_H = 6.0
SPIKE_BAND = 8.0  # times the distance from the median to the 95th percentile
MOST_SPIKE_STEPS = 2
STUCK_FRAC, SPIKE_FRAC = 0.2, 0.001  # what is as frequent as that is the nature of the load


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


def _rare(runs: list[Steps], most: float) -> Steps:
    """Return the steps of all runs, or none if they are so many that they are no sign of anything."""
    steps = np.concatenate([np.zeros(0, np.intp), *runs])
    return steps if steps.size < most else steps[:0]


def dropouts(load_kw: FloatArray) -> Steps:
    """
    Return zeros in a load that is hardly ever zero.

    Parameters
    ----------
    load_kw : ndarray of shape (n_steps,)
        A load [kW].

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
    return _rare([np.arange(edges[at], edges[at + 1]) for at in long], STUCK_FRAC * len(load_kw))


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
    return _rare([run for run in gap_runs(far) if len(run) <= MOST_SPIKE_STEPS], SPIKE_FRAC * known.size + 5)


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
