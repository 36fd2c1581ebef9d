"""Caps on import that stand for the billed peaks at a trial level."""

from typing import Any, NamedTuple

import numpy as np

from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray
from crestfall.dispatch._store import Caps


class Measured(NamedTuple):
    """Which peak measures which interval; entries of an interval are from ``first[i]`` to ``first[i + 1]``.

    Parameters
    ----------
    first : ndarray of int, shape (n_intervals + 1,)
        Where each interval's entries begin.
    peak : ndarray of int, shape (n_entries,)
        The peak.
    kvar : ndarray of shape (n_entries,)
        Mean reactive power, 0 for a peak of active power [kvar].
    """

    first: Any
    peak: Any
    kvar: FloatArray


class CapsOfPeaks(NamedTuple):
    """Caps at trial levels of the peaks, and how to come back to the peaks.

    A peak D of apparent power is replaced by its tangent ``scale * import + offset <= D``, exact at the level.

    Parameters
    ----------
    caps : Caps
        The caps.
    peak : ndarray of int, shape (n_caps,)
        Peak of each.
    scale, offset : ndarray of shape (n_caps,)
        The tangents; 1 and 0 for active power.
    """

    caps: Caps
    peak: Any
    scale: FloatArray
    offset: FloatArray


def measured_by(problem: Problem, spans: Any) -> Measured:
    """Return which peak measures which interval."""
    of_step = np.cumsum(np.bincount(spans[1:], minlength=problem.n_steps + 1))  # the interval each step is in
    intervals = [of_step[peak.steps] for peak in problem.peaks]
    kvar = [np.zeros(len(peak.steps)) if peak.kvar is None else np.abs(peak.kvar) for peak in problem.peaks]
    if not intervals:
        return Measured(np.zeros(len(spans), dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0))
    at = np.concatenate(intervals)
    order = np.argsort(at, kind="stable")
    peak_of = np.repeat(np.arange(len(intervals)), [len(one) for one in intervals])
    first = np.concatenate(([0], np.cumsum(np.bincount(at, minlength=len(spans) - 1))))
    return Measured(first.astype(np.int64), peak_of[order], np.concatenate(kvar)[order])


def caps_at(measured: Measured, level: FloatArray, price: FloatArray) -> CapsOfPeaks:
    """
    Return the caps for trial levels of the peaks.

    Parameters
    ----------
    measured : Measured
        Which peak measures which interval.
    level : ndarray of shape (n_peaks,)
        Trial level of each peak [kW or kVA].
    price : ndarray of shape (n_peaks,)
        What each kW above it costs, in each interval.

    Returns
    -------
    CapsOfPeaks
        Caps, the lowest of each interval first.
    """
    n = len(measured.peak)
    out = CapsOfPeaks(
        Caps(measured.first, np.empty(n), np.empty(n)), np.empty(n, dtype=np.int64), np.empty(n), np.empty(n)
    )
    _lay(measured, level, price, out)
    return out


@compiled
def _lay(measured: Measured, level: Any, price: Any, out: CapsOfPeaks) -> None:
    for i in range(len(measured.first) - 1):
        begin = measured.first[i]
        for entry in range(begin, measured.first[i + 1]):
            k, kvar = measured.peak[entry], measured.kvar[entry]
            cap, scale, offset = level[k], 1.0, 0.0
            if kvar > 0.0:
                cap = np.sqrt(max(level[k] ** 2 - kvar**2, 0.0))
                scale = cap / max(level[k], kvar)
                offset = max(level[k], kvar) - scale * cap
            place = entry
            while place > begin and out.caps.level_kw[place - 1] > cap:
                out.caps.level_kw[place], out.caps.price[place] = (
                    out.caps.level_kw[place - 1],
                    out.caps.price[place - 1],
                )
                out.peak[place], out.scale[place] = out.peak[place - 1], out.scale[place - 1]
                out.offset[place] = out.offset[place - 1]
                place -= 1
            out.caps.level_kw[place], out.caps.price[place] = cap, price[k] * scale
            out.peak[place], out.scale[place], out.offset[place] = k, scale, offset


@compiled
def _shares(
    starts: Any, first: Any, on_cap: Any, peak: Any, scale: Any, offset: Any, slopes: Any, constant: Any
) -> None:
    for b in range(len(starts) - 1):
        for cap in range(first[starts[b]], first[starts[b + 1]]):
            if on_cap[cap] > 0.0:
                share = on_cap[cap] / scale[cap]
                slopes[b, peak[cap]] -= share
                constant[b] += share * offset[cap]


def on_peaks(caps: CapsOfPeaks, on_cap: FloatArray, starts: Any, n_peaks: int) -> tuple[FloatArray, FloatArray]:
    """
    Return what one kW more of each peak changes the cost of each block, and what the tangents add to it.

    Parameters
    ----------
    caps : CapsOfPeaks
        The caps.
    on_cap : ndarray of shape (n_caps,)
        Value of one kW more of each.
    starts : ndarray of int, shape (n_blocks + 1,)
        First interval of each block.
    n_peaks : int
        Number of peaks.

    Returns
    -------
    ndarray of shape (n_blocks, n_peaks)
        Slopes, not positive.
    ndarray of shape (n_blocks,)
        Constants.
    """
    slopes, constant = np.zeros((len(starts) - 1, n_peaks)), np.zeros(len(starts) - 1)
    _shares(starts, caps.caps.first, on_cap, caps.peak, caps.scale, caps.offset, slopes, constant)
    return slopes, constant
