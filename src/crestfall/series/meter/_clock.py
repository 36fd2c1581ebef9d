"""How the clock of a zone runs, and where the wall times that it shows stand in UTC."""

import datetime as dt
import functools
import re
import zoneinfo
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._stamps import DAY_S

Seconds = NDArray[np.int64]
Mask = NDArray[np.bool_]
_FIXED = re.compile(r"UTC(?:([+-])(\d{2}):(\d{2}))?\Z")


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a clock.

    Parameters
    ----------
    at_s : int
        When, seconds since 1970 in UTC.
    before_s, after_s : int
        UTC offset before and after [s].
    """

    at_s: int
    before_s: int
    after_s: int

    @property
    def window_s(self) -> tuple[int, int]:
        """The wall times that it skips, or shows twice."""
        ends = (self.at_s + self.before_s, self.at_s + self.after_s)
        return min(ends), max(ends)

    @property
    def is_forward(self) -> bool:
        """Whether wall times are skipped."""
        return self.after_s > self.before_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """How a clock runs over the span of some data.

    Parameters
    ----------
    name : str
        Zone, or UTC with a fixed offset.
    first_offset_s : int
        UTC offset at the beginning [s].
    changes : tuple of Change
        Its changes, in order.
    """

    name: str
    first_offset_s: int
    changes: tuple[Change, ...]

    def offset_at_s(self, utc_s: Seconds) -> Seconds:
        """Return the UTC offset at moments of UTC [s]."""
        at = np.searchsorted([change.at_s for change in self.changes], utc_s, side="right")
        return np.array([self.first_offset_s, *(change.after_s for change in self.changes)], np.int64)[at]

    def wall_s(self, utc_s: Seconds) -> Seconds:
        """Return what the clock shows at moments of UTC."""
        return utc_s + self.offset_at_s(utc_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Wall times placed in UTC.

    Parameters
    ----------
    utc_s : ndarray of int64, shape (n_rows,)
        Seconds since 1970.
    skipped : ndarray of bool, shape (n_rows,)
        Rows at wall times that the clock skips; they have no place.
    once, twice, absent, filled : tuple of Change
        Changes by what the rows show: a repeated hour stands once or twice; a skipped one is absent or filled.
    """

    utc_s: Seconds
    skipped: Mask
    once: tuple[Change, ...]
    twice: tuple[Change, ...]
    absent: tuple[Change, ...]
    filled: tuple[Change, ...]

    @property
    def against(self) -> int:
        """Number of changes at which the rows do not follow the clock."""
        return len(self.once) + len(self.filled)

    @property
    def in_favour(self) -> int:
        """Number of changes at which they do."""
        return len(self.twice) + len(self.absent)


def clock_of(name: str, first_s: int, last_s: int) -> Clock:
    """
    Return a clock over a span.

    Parameters
    ----------
    name : str
        IANA zone, "UTC", or a fixed offset such as "UTC+01:00".
    first_s, last_s : int
        The span, seconds since 1970; some days are added at both ends.

    Returns
    -------
    Clock
        Its offsets.

    Raises
    ------
    SeriesError
        If there is no such zone.
    """
    if fixed := _FIXED.match(name):
        sign = -1 if fixed[1] == "-" else 1
        return Clock(name=name, first_offset_s=sign * (int(fixed[2] or 0) * 3600 + int(fixed[3] or 0) * 60), changes=())
    if name not in _all_zones():
        raise SeriesError(
            f"found '{name}', expected a time zone\n    write it as region and city, for example Europe/Lisbon,"
            " or as a fixed offset such as UTC+01:00"
        )
    zone = zoneinfo.ZoneInfo(name)

    def offset(at_s: int) -> int:
        return int(dt.datetime.fromtimestamp(at_s, zone).utcoffset().total_seconds())  # type: ignore[union-attr]  # a zone always has one

    # No clock changes twice within a week.
    week_s = 7 * DAY_S
    days = range(first_s // DAY_S * DAY_S - 2 * DAY_S, last_s + 3 * DAY_S + week_s, week_s)
    changes, before = [], offset(days[0])
    for day in days[1:]:
        if (after := offset(day)) != before:
            low, high = day - week_s, day
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if offset(middle) == before else (low, middle)
            changes.append(Change(high, before, after))
            before = after
    return Clock(name=name, first_offset_s=offset(days[0]), changes=tuple(changes))


def place(wall_s: Seconds, clock: Clock, *, step_s: int) -> Placed:
    """
    Place wall times in UTC; the two passes of a repeated hour are told apart by the order of the rows.

    Parameters
    ----------
    wall_s : ndarray of int64, shape (n_rows,)
        What the clock showed, in the order of the file, forwards in time.
    clock : Clock
        The clock.
    step_s : int
        Step of the rows [s].

    Returns
    -------
    Placed
        The moments, and how the rows fit the clock's changes.
    """
    edges = [change.window_s[1] for change in clock.changes]
    offsets = np.array([clock.first_offset_s, *(change.after_s for change in clock.changes)], np.int64)
    utc_s = wall_s - offsets[np.searchsorted(edges, wall_s, side="right")]
    skipped = np.zeros(len(wall_s), bool)
    kinds: dict[str, list[Change]] = {"once": [], "twice": [], "absent": [], "filled": []}
    least, most = (int(wall_s.min()), int(wall_s.max())) if len(wall_s) else (0, 0)
    for change in clock.changes:
        begin, end = change.window_s
        if end < least or begin > most:
            continue
        rows = np.flatnonzero((wall_s >= begin) & (wall_s < end))
        # A window at the very edge of the data, or inside a gap, proves nothing.
        is_inside = least <= begin - step_s and most >= end and _is_met(wall_s, begin - step_s, end, step_s)
        if change.is_forward:
            skipped[rows] = True
            if is_inside:
                kinds["filled" if rows.size else "absent"].append(change)
            continue
        second = _second_pass(wall_s[rows])
        utc_s[rows[second]] += change.before_s - change.after_s
        if rows.size and is_inside:
            kinds["twice" if second.any() else "once"].append(change)
    return Placed(utc_s=utc_s, skipped=skipped, **{kind: tuple(found) for kind, found in kinds.items()})


def _is_met(wall_s: Seconds, before_s: int, after_s: int, step_s: int) -> bool:
    return bool(
        ((wall_s > before_s - step_s) & (wall_s <= before_s)).any()
        and ((wall_s >= after_s) & (wall_s < after_s + step_s)).any()
    )


def _second_pass(wall_s: Seconds) -> Mask:
    """Return which rows of a repeated hour belong to its second pass."""
    later = np.zeros(len(wall_s), bool)
    back = np.flatnonzero(np.diff(wall_s) < 0)
    if back.size:
        later[back[0] + 1 :] = True
    elif len(wall_s) and (np.unique(wall_s, return_counts=True)[1] == 2).all():
        later[1::2] = True  # sorted by the wall clock: each time stands beside its double
    return later


def offset_words(offset_s: int) -> str:
    """
    Return a UTC offset as it is written.

    Parameters
    ----------
    offset_s : int
        The offset [s].

    Returns
    -------
    str
        UTC with sign, hours and minutes.

    Examples
    --------
    >>> offset_words(-12600)
    'UTC-03:30'
    """
    sign, minutes = "-" if offset_s < 0 else "+", abs(offset_s) // 60
    return f"UTC{sign}{minutes // 60:02d}:{minutes % 60:02d}"


def places() -> Iterator[str]:
    """
    Yield the zones that are places.

    Yields
    ------
    str
        Region and city, in order.
    """
    regions = ("Europe", "America", "Asia", "Africa", "Australia", "Pacific", "Atlantic", "Indian")
    yield from sorted(name for name in _all_zones() if name.split("/")[0] in regions)


@functools.cache
def _all_zones() -> frozenset[str]:
    """Return the names of all zones; looking for them takes a walk through the file system."""
    return frozenset(zoneinfo.available_timezones())
