"""Two schedules in one: where both hold the same energy, parts of one may follow parts of the other.

Months hardly depend on one another but by their stored energy. Trial levels of the peaks suit some of them in one round
and others in the next; put together, the better parts are the schedule of a later round.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch._settlement import FloatArray, Peak

SAME_KWH = 1e-9  # stored energies that differ by less are one


class Seams(NamedTuple):
    """Between which intervals no peak is measured on both sides.

    Parameters
    ----------
    at : ndarray of int, shape (n_seams,)
        First interval after each.
    part_of : ndarray of int, shape (n_peaks,)
        Number of the part that each peak is measured in.
    """

    at: Any
    part_of: Any


class Run(NamedTuple):
    """What is to be known of a schedule.

    Parameters
    ----------
    start_kwh : float
        Energy before the first interval [kWh].
    stored_kwh : ndarray of shape (n_intervals,)
        Energy at the end of each [kWh].
    cost : ndarray of shape (n_intervals,)
        Cost of the flows of each.
    peaks_cost : ndarray of shape (n_peaks,)
        Cost of its peaks.
    """

    start_kwh: float
    stored_kwh: FloatArray
    cost: FloatArray
    peaks_cost: FloatArray


def seams_between(peaks: Sequence[Peak], spans: Any) -> Seams:
    """
    Return where a year may be taken apart.

    Parameters
    ----------
    peaks : sequence of Peak
        The billed peaks.
    spans : ndarray of int, shape (n_intervals + 1,)
        First step of each interval, and the number of steps.

    Returns
    -------
    Seams
        None of them within what a peak measures.
    """
    extents = [(peak.steps.min(), peak.steps.max() + peak.span) if peak.steps.size else (0, 1) for peak in peaks]
    begins, ends = np.array(extents, dtype=np.int64).reshape(-1, 2).T
    n = int(spans[-1])
    # A step is within as many extents as begin before it, less those that have ended.
    within = np.cumsum(np.bincount(begins + 1, minlength=n + 2) - np.bincount(ends, minlength=n + 2))
    free = np.unique(np.concatenate((begins, ends)))
    free = free[(free > 0) & (free < n) & (within[free] == 0)]
    return Seams(np.searchsorted(spans, free), np.searchsorted(free, begins, side="right"))


def better_parts(seams: Seams, first: Run, second: Run) -> NDArray[np.bool_] | None:
    """
    Return where the second of two schedules is the cheaper one, from one moment of equal energy to another.

    Parameters
    ----------
    seams : Seams
        About where they may be exchanged.
    first, second : Run
        The schedules.

    Returns
    -------
    ndarray of bool, shape (n_intervals,) or None
        Where to take the second; None where one of them is the cheaper one in all parts. A moment may lie a little
        beside its seam, so that a peak is taken from both: what they come to together is for the caller to find out.
    """
    n = len(first.cost)
    same = np.flatnonzero(np.abs(first.stored_kwh - second.stored_kwh) <= SAME_KWH) + 1
    same = same[same < n]
    if not len(same) or not len(seams.at):
        return None
    after = np.searchsorted(same, seams.at)
    below, above = same[np.maximum(after - 1, 0)], same[np.minimum(after, len(same) - 1)]
    cuts = np.where(np.abs(below - seams.at) <= np.abs(above - seams.at), below, above)
    room = np.minimum(np.diff(seams.at, prepend=0), np.diff(seams.at, append=n)) // 2
    is_near = np.abs(cuts - seams.at) < room
    bounds = np.concatenate(([0], cuts[is_near]))
    part_of = np.concatenate(([0], np.cumsum(is_near)))[seams.part_of]
    more = np.add.reduceat(second.cost - first.cost, bounds) + np.bincount(
        part_of, weights=second.peaks_cost - first.peaks_cost, minlength=len(bounds)
    )
    if abs(first.start_kwh - second.start_kwh) > SAME_KWH:  # a year that ends as it began: its ends are one part
        more[0] = more[-1] = more[0] + more[-1] if len(more) > 1 else more[0]
    is_second = more < 0
    if is_second.all() or not is_second.any():
        return None
    return np.repeat(is_second, np.diff(bounds, append=n))
