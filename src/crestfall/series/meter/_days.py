"""Files with one row for each day: from columns of intervals to moments and values."""

import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._clock import clock_of
from crestfall.series.meter._from_midnight import from_midnight, intervals_per_day
from crestfall.series.meter._grid import Grid
from crestfall.series.meter._layout import Layout
from crestfall.series.meter._numbers import decimal_mark, numbers, refuse_words
from crestfall.series.meter._record import Notebook, Said
from crestfall.series.meter._stamps import DAY_S, NO_OFFSET, Moments

FloatArray = NDArray[np.float64]
_LABEL = re.compile(r"(?<!\d)(\d{1,2})[:.h](\d{2})(?!\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Unrolled:
    """The intervals of days, one after the other.

    Parameters
    ----------
    moments : Moments
        Their labels on the clock of the file.
    values : ndarray of shape (n_rows,)
        Their values.
    row : ndarray of int, shape (n_rows,)
        Row of the grid.
    knows_start : bool
        Whether the labels mark starts beyond doubt.
    """

    moments: Moments
    values: FloatArray
    row: NDArray[np.int64]
    knows_start: bool


def unrolled(grid: Grid, layout: Layout, days: Moments, said: Said, notes: Notebook) -> Unrolled | None:
    """
    Lay the intervals of each day one after the other.

    Parameters
    ----------
    grid : Grid
        Rows of one day each.
    layout : Layout
        The columns.
    days : Moments
        The days.
    said : Said
        What the user says.
    notes : Notebook
        Where findings and questions go.

    Returns
    -------
    Unrolled or None
        None where the zone is needed and open.

    Raises
    ------
    SeriesError
        If the number of columns is none of a day, or a cell is no number.
    """
    table = _table(grid, layout, said, notes)
    n_columns = table.shape[1]
    per_day = intervals_per_day(n_columns)
    if per_day is None:
        raise SeriesError(
            f"{grid.name}: found {n_columns} columns of intervals in a row, expected 24, 48, 96 or another number"
            " that divides a day, or one hour more\n    leave other columns of numbers out of the file"
        )
    step_s = DAY_S // per_day
    labels, knows_start = _labels([grid.names[at] for at in layout.days], step_s, per_day, notes)
    wall_s = (days.wall_s[:, None] + labels[None, :]).ravel()
    values, row = table.ravel(), np.repeat(np.arange(len(table)), n_columns)
    if n_columns > per_day or _ends_early(table, days, said, step_s):
        if said.zone is None:
            notes.ask("zone", "in which zone are the days of 23 and 25 hours?", ("--zone Europe/Lisbon", "for example"))
            return None
        moments, inside = from_midnight(
            np.repeat(days.wall_s, n_columns), np.tile(np.arange(n_columns), len(table)), said.zone, step_s
        )
        notes.found("days", "23, 24 or 25 hours", "intervals are counted from midnight on; days end early or late")
        if np.isfinite(values[~inside]).any():
            at = int(np.flatnonzero(np.isfinite(values) & ~inside)[0])
            raise SeriesError(
                f"{grid.name} line {grid.line(int(row[at])):,}: holds values beyond the end of the day in {said.zone}\n"
                "    check --zone"
            )
        moments = replace(
            moments, wall_s=moments.wall_s[inside], offset_s=moments.offset_s[inside], bad=moments.bad[inside]
        )
        return Unrolled(moments=moments, values=values[inside], row=row[inside], knows_start=True)
    bad, offset_s = np.zeros(len(wall_s), bool), np.full(len(wall_s), NO_OFFSET, np.int32)
    moments = Moments(wall_s=wall_s, offset_s=offset_s, bad=bad, has_24=bool((labels == DAY_S).any()))
    return Unrolled(moments=moments, values=values, row=row, knows_start=knows_start)


def _table(grid: Grid, layout: Layout, said: Said, notes: Notebook) -> FloatArray:
    cells = [grid.columns[at] for at in layout.days]
    mark = decimal_mark(cells, notes, said.decimal)
    columns = []
    for at, column in zip(layout.days, cells, strict=True):
        values, wrong = numbers(column, mark)
        if wrong.size:
            refuse_words(wrong, grid.place(int(wrong[0]), at), str(column[int(wrong[0])]))
        columns.append(values)
    return np.stack(columns, axis=1)


def _labels(names: list[str], step_s: int, per_day: int, notes: Notebook) -> tuple[NDArray[np.int64], bool]:
    """Return the time of day that each column is labelled with, and whether it is a start beyond doubt."""
    found = [_LABEL.findall(name) for name in names]
    by_number = step_s * np.arange(len(names), dtype=np.int64)
    if len(names) != per_day or not all(found):
        notes.found("columns of a day", "by number", "the first is the first after midnight")
        return by_number, True
    starts = np.array([int(one[0][0]) * 3600 + int(one[0][1]) * 60 for one in found], np.int64)
    if starts[-1] == 0 and starts[0]:
        starts[-1] = DAY_S
    if (np.diff(starts) != step_s).any():
        notes.found("columns of a day", "by number", "their names are no times in steps")
        return by_number, True
    both = all(len(one) > 1 for one in found)
    notes.found("columns of a day", f"'{names[0]}' to '{names[-1]}'", "their names are times")
    return starts, both and int(starts[0]) == 0


def _ends_early(table: FloatArray, days: Moments, said: Said, step_s: int) -> bool:
    """Whether the day on which clocks go forward lacks its last hour, not the one that is skipped."""
    if said.zone is None or said.clock not in (None, said.zone):
        return False
    clock = clock_of(said.zone, int(days.wall_s.min()), int(days.wall_s.max()))
    for change in clock.changes:
        rows = np.flatnonzero(days.wall_s == change.window_s[0] // DAY_S * DAY_S)
        if change.is_forward and rows.size:
            missing = np.flatnonzero(~np.isfinite(table[rows[0]]))
            lost = (change.after_s - change.before_s) // step_s
            return bool(len(missing) == lost and missing[0] == table.shape[1] - lost)
    return False
