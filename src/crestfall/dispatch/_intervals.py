"""Steps that a meter averages are taken together, and taken apart again.

A demand charge on half hours over quarter-hourly data ties two steps. Within such an interval only the sum of import
counts, so its cost is the least that its steps can make of the interval's change: again an infimal convolution. The
floor and ceiling between its steps are left to the splitting.
"""

from typing import Any

import numpy as np

from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._pieces import Pieces, hull, room
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray

ROUNDING_KWH = 1e-9


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
    if all(peak.span == 1 for peak in problem.peaks):
        return np.arange(problem.n_steps + 1)
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
    # What follows takes the hulls of the steps in their place.
    pieces = pieces._replace(slope=pieces.slope.copy(), length=pieces.length.copy(), ratio=pieces.ratio.copy())
    _join_steps(pieces, spans, keep_frac, out)
    return out


@compiled
def _join_steps(pieces: Pieces, spans: Any, keep_frac: float, out: Pieces) -> None:
    at = 0
    for k in range(len(spans) - 1):
        n = spans[k + 1] - spans[k]
        out.first[k] = at
        out.least_kwh[k] = out.import_kw[k] = out.cost[k] = 0.0
        out.bent[k] = False
        begin = at
        for i in range(n):
            t = spans[k] + i
            kept = keep_frac ** (n - 1 - i)
            out.least_kwh[k] += kept * pieces.least_kwh[t]
            out.import_kw[k] += pieces.import_kw[t] / n
            out.cost[k] += pieces.cost[t]
            last = pieces.first[t + 1]
            if pieces.bent[t]:
                last = hull(pieces.first[t], last, pieces.slope, pieces.length, pieces.ratio)
                out.bent[k] = True
            for j in range(pieces.first[t], last):
                slope, ratio = pieces.slope[j] / kept, pieces.ratio[j] / (n * kept)
                # Cheapest first, and of equals the one that imports least.
                place = at
                while place > begin and (
                    out.slope[place - 1] > slope or (out.slope[place - 1] == slope and out.ratio[place - 1] > ratio)
                ):
                    out.slope[place], out.length[place] = out.slope[place - 1], out.length[place - 1]
                    out.ratio[place], out.origin[place] = out.ratio[place - 1], out.origin[place - 1]
                    place -= 1
                out.slope[place], out.length[place] = slope, pieces.length[j] * kept
                out.ratio[place], out.origin[place] = ratio, i
                at += 1
    out.first[len(spans) - 1] = at


@compiled
def _split_steps(
    pieces: Pieces,
    steps: Pieces,
    spans: Any,
    keep_frac: float,
    floor: Any,
    ceiling: Any,
    change_kwh: Any,
    start: float,
    out: Any,
) -> bool:
    before = start
    for k in range(len(spans) - 1):
        begin, n = spans[k], spans[k + 1] - spans[k]
        for i in range(n):
            out[begin + i] = steps.least_kwh[begin + i]
        left = change_kwh[k] - pieces.least_kwh[k]
        for j in range(pieces.first[k], pieces.first[k + 1]):
            part = min(left, pieces.length[j])
            if part <= 0.0:
                break
            left -= part
            out[begin + pieces.origin[j]] += part / keep_frac ** (n - 1 - pieces.origin[j])
        # What would leave the store between two steps is left to the next.
        end = keep_frac**n * before + change_kwh[k]
        for i in range(n):
            t, kept = begin + i, keep_frac * before
            after = end if i == n - 1 else min(max(kept + out[t], floor[t]), ceiling[t])
            out[t] = after - kept
            most = steps.least_kwh[t]
            for j in range(steps.first[t], steps.first[t + 1]):
                most += steps.length[j]
            if out[t] < steps.least_kwh[t] - ROUNDING_KWH or out[t] > most + ROUNDING_KWH:
                return False
            before = after
    return True


def split(
    pieces: Pieces, steps: Pieces, spans: Any, problem: Problem, change_kwh: FloatArray, start_kwh: float
) -> FloatArray | None:
    """
    Return the change of each step from that of its interval, cheapest first.

    Parameters
    ----------
    pieces, steps : Pieces
        Costs of intervals and of their steps.
    spans : ndarray of int, shape (n_intervals + 1,)
        First step of each interval.
    problem : Problem
        Bounds of the store between the steps of an interval.
    change_kwh : ndarray of shape (n_intervals,)
        Change of each interval [kWh].
    start_kwh : float
        Energy before the first step [kWh].

    Returns
    -------
    ndarray of shape (n_steps,) or None
        Change of each step [kWh]; None if the store's bounds within an interval leave none.
    """
    if len(spans) == len(steps.first):
        return change_kwh
    out = np.empty(len(steps.least_kwh))
    p = problem
    is_split = _split_steps(pieces, steps, spans, p.keep_frac, p.floor_kwh, p.ceiling_kwh, change_kwh, start_kwh, out)
    return out if is_split else None
