"""Intervals of a day that are counted from midnight, however long the day is."""

import numpy as np
from numpy.typing import NDArray

from crestfall.series.meter._clock import clock_of, place
from crestfall.series.meter._stamps import DAY_S, Moments

PER_DAY = (24, 48, 72, 96, 144, 240, 288, 480, 720, 1440)


def intervals_per_day(most: int) -> int | None:
    """
    Return how many intervals a day of 24 hours has.

    Parameters
    ----------
    most : int
        How many the longest day has.

    Returns
    -------
    int or None
        The same, or what is left without a 25th hour; None where neither divides a day.

    Examples
    --------
    >>> intervals_per_day(96), intervals_per_day(100), intervals_per_day(97)
    (96, 96, None)
    """
    if most in PER_DAY:
        return most
    return most * 24 // 25 if most % 25 == 0 and most * 24 // 25 in PER_DAY else None


def from_midnight(
    day_wall_s: NDArray[np.int64], index: NDArray[np.int64], zone: str, step_s: int
) -> tuple[Moments, NDArray[np.bool_]]:
    """
    Return the moments of intervals that are counted from midnight, however long the day is.

    Parameters
    ----------
    day_wall_s : ndarray of int, shape (n_rows,)
        Midnights on the wall clock, seconds since 1970.
    index : ndarray of int, shape (n_rows,)
        Number of each interval in its day, from 0.
    zone : str
        Zone of the site.
    step_s : int
        Length of an interval [s].

    Returns
    -------
    moments : Moments
        Starts of the intervals, with their UTC offset.
    inside : ndarray of bool, shape (n_rows,)
        Whether each lies in its day.
    """
    clock = clock_of(zone, int(day_wall_s.min()), int(day_wall_s.max()))
    utc_s = place(day_wall_s, clock, step_s=step_s).utc_s + step_s * index
    offset_s = clock.offset_at_s(utc_s)
    inside = utc_s < place(day_wall_s + DAY_S, clock, step_s=step_s).utc_s
    bad = np.zeros(len(utc_s), bool)
    moments = Moments(wall_s=utc_s + offset_s, offset_s=offset_s.astype(np.int32), bad=bad, has_24=False)
    return moments, inside
