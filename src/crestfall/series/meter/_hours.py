"""Hours, or other intervals of a day, that stand as numbers in a column beside the date."""

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series._axis import counted
from crestfall.series.meter._clock import clock_of
from crestfall.series.meter._from_midnight import from_midnight, intervals_per_day
from crestfall.series.meter._grid import Grid
from crestfall.series.meter._record import Notebook, Said
from crestfall.series.meter._stamps import DAY_S, Moments

if TYPE_CHECKING:
    import pyarrow as pa

LOOKED_AT = 3000  # rows in which a count of a day is sought
LEAST_SHARE = 0.95  # of them count on, or begin with a new date; the rest are gaps and clock changes
NONE = -1

# 7, 07, HE07, Hour 7; in autumn 3A and 3B, or 2*.
_NUMBER = re.compile(r"[A-Za-z .]{0,8}(\d{1,4}) ?[A-Za-z*]?\Z")


def counts_the_day(grid: Grid, date: int, column: int) -> bool:
    """
    Tell whether a column counts the intervals of the day in another one.

    Parameters
    ----------
    grid : Grid
        The cells.
    date : int
        Column with dates.
    column : int
        Column in doubt.

    Returns
    -------
    bool
        Whether its numbers rise one by one as long as the date stays, and begin again with the next.
    """
    number = _numbers(grid.columns[column][:LOOKED_AT])
    days = np.array(grid.columns[date][:LOOKED_AT].to_pylist(), dtype=object)
    if len(number) < 3 or (number == NONE).mean() > 1 - LEAST_SHARE:
        return False
    low, high = int(number[number != NONE].min()), int(number.max())
    if low > 1 or intervals_per_day(high - low + 1) is None:
        return False
    stays = np.asarray(days[1:] == days[:-1])
    if not stays.any() or stays.all():
        return False  # a single date does not show how many intervals a day has
    change = np.abs(np.diff(number))
    # A new date begins at the first number, or at the last one where the latest row comes first.
    counts_on = np.where(stays, change <= 1, np.minimum(number[1:], number[:-1]) == low)
    return bool((change[stays] == 1).mean() > LEAST_SHARE and counts_on.mean() > LEAST_SHARE)


def numbered(
    grid: Grid, column: int, rows: NDArray[np.intp], days: Moments, said: Said, notes: Notebook
) -> Moments | None:
    """
    Return the moments of intervals that are numbered within their day.

    Parameters
    ----------
    grid : Grid
        The cells.
    column : int
        Column with the numbers.
    rows : ndarray of int, shape (n_rows,)
        Rows of the grid that are looked at.
    days : Moments
        Their days.
    said : Said
        What the user says.
    notes : Notebook
        Where findings and questions go.

    Returns
    -------
    Moments or None
        The start of each interval; None where the zone is needed and open.

    Raises
    ------
    SeriesError
        If a cell holds no number, or the numbers do not divide a day.
    """
    number = _numbers(grid.columns[column])[rows]
    if (number == NONE).any():
        at = int(rows[np.flatnonzero(number == NONE)[0]])
        raise SeriesError(
            f"{grid.place(at, column)}: found '{grid.columns[column][at]}', expected the number of an interval"
            f" ({counted(int((number == NONE).sum()), 'such cell')})\n"
            "    name the columns with date and time: --time-column"
        )
    low, high = int(number.min()), int(number.max())
    per_day = intervals_per_day(high - low + 1)
    if low > 1 or per_day is None:
        raise SeriesError(
            f"{grid.name}: column '{grid.names[column]}' counts from {low} to {high}\n"
            "    expected 24, 48, 96 or another number that divides a day, or one hour more"
        )
    step_s = DAY_S // per_day
    # Counted from 0, a number that marks the end of its interval is one ahead.
    index = number - low - (1 if said.stamp == "end" and low == 0 else 0)
    noun = "hour" if per_day == 24 else "interval"
    notes.found("numbers of the day", f"{low} to {high}", f"{noun} {low} is the first of the day", "--stamp")
    is_long = high - low + 1 > per_day
    if is_long and said.zone is None:
        notes.ask("zone", "in which zone are the days of 23 and 25 hours?", ("--zone Europe/Lisbon", "for example"))
        return None
    if said.zone is None or not (is_long or _ends_early(number - low, days, step_s, said.zone, said.clock)):
        return replace(days, wall_s=days.wall_s + index * step_s)
    moments, inside = from_midnight(days.wall_s, index, said.zone, step_s)
    if not inside.all():
        at = int(rows[np.flatnonzero(~inside)[0]])
        raise SeriesError(f"{grid.place(at, column)}: lies beyond the end of the day in {said.zone}\n    check --zone")
    notes.found("days", "23, 24 or 25 hours", "intervals are counted from midnight on; days end early or late")
    return moments


def _numbers(cells: "pa.ChunkedArray") -> NDArray[np.int64]:
    """Return the number in each cell; each different text is read once."""
    coded = cells.combine_chunks().dictionary_encode()
    found = [_NUMBER.match(str(text).strip()) for text in coded.dictionary.to_pylist()]
    each = np.array([NONE if one is None else int(one[1]) for one in found], np.int64)
    numbers: NDArray[np.int64] = each[coded.indices.to_numpy(zero_copy_only=False)]
    return numbers


def _ends_early(index: NDArray[np.int64], days: Moments, step_s: int, zone: str, clock: str | None) -> bool:
    """Tell whether the day on which clocks go forward lacks its last hour, and not the one that is skipped."""
    if clock not in (None, zone):
        return False
    for change in clock_of(zone, int(days.wall_s.min()), int(days.wall_s.max())).changes:
        if change.is_forward:
            of_day = index[days.wall_s == change.window_s[0] // DAY_S * DAY_S]
            first, end = (at_s % DAY_S // step_s for at_s in change.window_s)
            if of_day.size:
                lost = end - first
                return bool(((of_day >= first) & (of_day < end)).any() and of_day.max() < DAY_S // step_s - lost)
    return False
