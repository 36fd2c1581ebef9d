"""Steps that a meter averages are taken together, and taken apart again.

A demand charge on half hours over quarter-hourly data ties two steps. Within such an interval only the sum of import
counts, so its cost is the least that its steps can make of the interval's change: again an infimal convolution. The
floor and ceiling between its steps are left to the check of the schedule.
"""

from typing import Any

import numpy as np

from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._pieces import Pieces, room
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray


def spans_of(problem: Problem) -> Any:
    """
    Return where the intervals begin: those of the billed peaks, and single steps beside them.

    Parameters
    ----------
    problem : Problem
        The dispatch problem.

    Returns
    -------
    ndarray of int, shape (n_intervals + 1,), or None
        First step of each interval, and the number of steps; None if intervals of peaks overlap in part.
    """
    joined = np.zeros(problem.n_steps, dtype=bool)  # to the step before
    is_first = np.zeros(problem.n_steps, dtype=bool)
    for peak in problem.peaks:
        is_first[peak.steps] = True
        for offset in range(1, peak.span):
            joined[peak.steps + offset] = True
    if (joined & is_first).any():
        return None
    if not _all_measured_whole(problem, joined):
        return None
    return np.append(np.flatnonzero(~joined), problem.n_steps)


def _all_measured_whole(problem: Problem, joined: Any) -> bool:
    """Return whether each interval of each peak is one of the joined intervals: none is measured in part."""
    begins = np.flatnonzero(~joined)
    lengths = np.diff(np.append(begins, problem.n_steps))
    return all(bool((lengths[np.searchsorted(begins, peak.steps)] == peak.span).all()) for peak in problem.peaks)


def joined(pieces: Pieces, spans: Any, keep_frac: float) -> Pieces:
    """
    Return the costs of intervals from those of their steps.

    Parameters
    ----------
    pieces : Pieces
        Cost of each step.
    spans : ndarray of int, shape (n_intervals + 1,)
        First step of each interval.
    keep_frac : float
        Share of the stored energy that is left after a step.

    Returns
    -------
    Pieces
        Cost of each interval.
    """
    if len(spans) == len(pieces.first):
        return pieces
    out = room(len(spans) - 1, len(pieces.slope))
    _join_steps(pieces, spans, keep_frac, out)
    return out


@compiled
def _join_steps(pieces: Pieces, spans: Any, keep_frac: float, out: Pieces) -> None:
    at = 0
    for k in range(len(spans) - 1):
        n = spans[k + 1] - spans[k]
        out.first[k] = at
        out.least_kwh[k] = out.import_kw[k] = out.cost[k] = 0.0
        begin = at
        for i in range(n):
            t = spans[k] + i
            kept = keep_frac ** (n - 1 - i)
            out.least_kwh[k] += kept * pieces.least_kwh[t]
            out.import_kw[k] += pieces.import_kw[t] / n
            out.cost[k] += pieces.cost[t]
            for j in range(pieces.first[t], pieces.first[t + 1]):
                slope = pieces.slope[j] / kept
                place = at
                while place > begin and out.slope[place - 1] > slope:
                    out.slope[place], out.length[place] = out.slope[place - 1], out.length[place - 1]
                    out.ratio[place], out.origin[place] = out.ratio[place - 1], out.origin[place - 1]
                    out.bridge[place] = out.bridge[place - 1]
                    place -= 1
                out.slope[place], out.length[place] = slope, pieces.length[j] * kept
                out.ratio[place], out.origin[place] = pieces.ratio[j] / (n * kept), i
                out.bridge[place] = pieces.bridge[j]
                at += 1
    out.first[len(spans) - 1] = at


@compiled
def _split_steps(
    pieces: Pieces, steps: Pieces, spans: Any, keep_frac: float, change_kwh: Any, out: Any
) -> None:
    for k in range(len(spans) - 1):
        n = spans[k + 1] - spans[k]
        for i in range(n):
            out[spans[k] + i] = steps.least_kwh[spans[k] + i]
        left = change_kwh[k] - pieces.least_kwh[k]
        for j in range(pieces.first[k], pieces.first[k + 1]):
            part = min(left, pieces.length[j])
            if part <= 0.0:
                break
            left -= part
            out[spans[k] + pieces.origin[j]] += part / keep_frac ** (n - 1 - pieces.origin[j])


def split(pieces: Pieces, steps: Pieces, spans: Any, keep_frac: float, change_kwh: FloatArray) -> FloatArray:
    """
    Return the change of each step from that of its interval, cheapest first.

    Parameters
    ----------
    pieces, steps : Pieces
        Costs of intervals and of their steps.
    spans : ndarray of int, shape (n_intervals + 1,)
        First step of each interval.
    keep_frac : float
        Share of the stored energy that is left after a step.
    change_kwh : ndarray of shape (n_intervals,)
        Change of each interval [kWh].

    Returns
    -------
    ndarray of shape (n_steps,)
        Change of each step [kWh].
    """
    if len(spans) == len(steps.first):
        return change_kwh
    out = np.empty(len(steps.least_kwh))
    _split_steps(pieces, steps, spans, keep_frac, change_kwh, out)
    return out
