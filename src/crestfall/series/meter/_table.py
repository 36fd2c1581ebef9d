"""From a grid of cells to rows in UTC and kW."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._clock import Clock, Placed
from crestfall.series.meter._days import unrolled
from crestfall.series.meter._grid import Grid
from crestfall.series.meter._hours import numbered
from crestfall.series.meter._layout import Layout, layout_of, unit_of, unit_texts
from crestfall.series.meter._numbers import decimal_mark, numbers, refuse_words
from crestfall.series.meter._points import of_one_point
from crestfall.series.meter._record import Kind, Notebook, Said, Stamp, Unit
from crestfall.series.meter._register import kind_of_values, of_register
from crestfall.series.meter._rows import Rows, in_kw
from crestfall.series.meter._stamp_meaning import check_offsets, stamp_of, starts_in_utc, step_s_of
from crestfall.series.meter._stamps import DAY_S, NO_OFFSET, Moments, moments, refuse_bad, shown_wall
from crestfall.series.meter._zone_names import named_offsets

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """Moments and values, forwards in time."""

    read: Moments
    values: dict[str, FloatArray]
    row: NDArray[np.int64]
    knows_start: bool
    span_s: tuple[int, int]  # first and last moment, with those that have no value


def rows_of_grid(grid: Grid, said: Said, notes: Notebook) -> Rows:
    """
    Read the interval data of a grid.

    Parameters
    ----------
    grid : Grid
        The cells.
    said : Said
        What the user says.
    notes : Notebook
        Where findings and questions go.

    Returns
    -------
    Rows
        Readings in UTC and kW.

    Raises
    ------
    SeriesError
        If something cannot be read.
    UndecidedError
        If it can be read in more than one way.
    """
    layout = layout_of(grid, said, notes)
    of_point = of_one_point(grid, layout, said, notes)
    grid = grid if of_point is None else of_point
    table = None if of_point is None else _read_cells(grid, layout, said, notes)
    if table is None:
        notes.settle()
        raise AssertionError("a table without moments leaves a question")  # pragma: no cover
    table = _ends_of_days(_forwards(_without_bare(table, keep_ends=not layout.days), notes), notes)
    unit = unit_of(unit_texts(grid, layout), said, notes)
    kind = _kind(table, unit, said, notes)
    check_offsets(table.read, grid.name)
    step_s = step_s_of(_evened(table.read), grid.name)
    stamp = _stamp(table, layout, step_s, kind, said, notes)
    placed = starts_in_utc(table.read, step_s, stamp, said, notes)
    if unit is None:
        _ask_unit(table, kind, step_s, notes)
    notes.settle()
    if placed is None or unit is None:
        raise AssertionError("what is open was asked")  # pragma: no cover
    rows = _rows(grid, table, unit, kind, step_s, placed)
    return of_register(rows, notes) if kind == "register" else rows


def _rows(grid: Grid, table: _Table, unit: Unit, kind: Kind, step_s: int, placed: tuple[Placed, Clock]) -> Rows:
    where, clock = placed
    # Readings of a register stay counts in kWh until their differences are taken.
    step_h = 1.0 if kind == "register" else step_s / 3600
    if kind == "register" and not unit.endswith("h"):
        raise SeriesError(
            f"{grid.name}: a register counts energy, found the unit {unit}\n    give --unit kWh or --unit Wh"
        )
    powers = {name: in_kw(values, unit, step_h) for name, values in table.values.items()}
    is_plain = grid.kept is None and not grid.odd_lines
    line = table.row + grid.first_line if is_plain else np.array([grid.line(int(row)) for row in table.row])
    return Rows(
        source=grid.name,
        utc_s=where.utc_s,
        step_s=step_s,
        load_kw=powers["load"],
        export_kw=powers.get("export"),
        line=line,
        skipped=where.skipped if where.skipped.any() else None,
        once=where.once,
        clock=clock,
    )


def _read_cells(grid: Grid, layout: Layout, said: Said, notes: Notebook) -> _Table | None:
    """Return moments and values as they stand, or None where one of them is open."""
    clocks = None if layout.clock is None else grid.columns[layout.clock]

    def names_to_offsets(names: set[str], span_s: tuple[int, int]) -> dict[str, int]:
        # Without the zone they mean nothing; a clock that was said counts more.
        return {} if said.zone is None or said.clock is not None else named_offsets(names, said.zone, span_s, notes)

    read = moments(grid.columns[layout.date], clocks, notes, said.date_order, names_to_offsets)
    grid, read = _cut_end(grid, layout, read, notes) if read is not None else (grid, None)
    if read is not None:
        cells = grid.columns[layout.date]
        blank = _blank_rows(grid, read)
        kept = ~blank
        if blank.any():
            read = _taken(read, np.flatnonzero(kept))
        rows = np.flatnonzero(kept)
        refuse_bad(read, lambda row: grid.place(int(rows[row]), layout.date), lambda row: str(cells[int(rows[row])]))
        if layout.number is not None:
            read = numbered(grid, layout.number, rows, read, said, notes)
    else:
        rows = np.arange(grid.n_rows)
    if layout.days:
        if read is None:
            return None
        laid = unrolled(_of_rows(grid, rows), layout, read, said, notes)
        if laid is None:
            return None
        return _table(laid.moments, {"load": laid.values}, rows[laid.row], laid.knows_start)
    if not layout.values:
        return None
    columns = {name: grid.columns[at] for name, at in layout.values.items()}
    mark = decimal_mark(list(columns.values()), notes, said.decimal)
    values = {}
    for name, column in columns.items():
        values[name], wrong = numbers(column, mark)
        wrong = wrong[np.isin(wrong, rows)] if wrong.size else wrong
        if wrong.size:
            refuse_words(wrong, grid.place(int(wrong[0]), layout.values[name]), str(column[int(wrong[0])]))
        values[name] = values[name][rows]
    return None if read is None else _table(read, values, rows, layout.knows_start)


def _table(read: Moments, values: dict[str, FloatArray], row: NDArray[np.int64], knows_start: bool) -> _Table:
    span_s = int(read.wall_s.min()), int(read.wall_s.max())
    return _Table(read=read, values=values, row=row, knows_start=knows_start, span_s=span_s)


def _of_rows(grid: Grid, rows: NDArray[np.int64]) -> Grid:
    if len(rows) == grid.n_rows:
        return grid
    return replace(grid, columns=tuple(column.take(rows) for column in grid.columns))


def _cut_end(grid: Grid, layout: Layout, read: Moments, notes: Notebook) -> tuple[Grid, Moments]:
    """Leave out the lines below the data: sums and remarks, which have no time."""
    good = np.flatnonzero(~read.bad)
    if not good.size:
        return grid, read
    end = int(good[-1]) + 1
    if end == grid.n_rows:
        return grid, read
    cells = [str(cell) for cell in grid.columns[layout.date][end:] if str(cell).strip()]
    if cells:
        why = f"'{cells[0][:40]}' is no time stamp, and none follows"
        notes.found("lines below the data", f"{grid.n_rows - end} left out", why)
    return replace(grid, columns=tuple(column[:end] for column in grid.columns)), _taken(read, slice(0, end))


def _blank_rows(grid: Grid, read: Moments) -> NDArray[np.bool_]:
    """Return rows in which nothing stands."""
    blank = np.zeros(grid.n_rows, bool)
    for row in np.flatnonzero(read.bad):
        blank[row] = not any(str(column[int(row)]).strip() for column in grid.columns)
    return blank


def _taken(read: Moments, rows: NDArray[np.int64] | slice) -> Moments:
    return Moments(wall_s=read.wall_s[rows], offset_s=read.offset_s[rows], bad=read.bad[rows], has_24=read.has_24)


def _without_bare(table: _Table, *, keep_ends: bool) -> _Table:
    """Leave out rows without any value, but for the first and last if they say how far the file reaches."""
    empty = ~np.any([np.isfinite(values) for values in table.values.values()], axis=0)
    if not empty.any():
        return table
    if empty.all():
        raise SeriesError("none of the rows has a value\n    expected numbers")
    if keep_ends:
        empty[[0, -1]] = False
    kept = np.flatnonzero(~empty)
    values = {name: one[kept] for name, one in table.values.items()}
    return replace(table, read=_taken(table.read, kept), values=values, row=table.row[kept])


def _forwards(table: _Table, notes: Notebook) -> _Table:
    """Turn a file around that begins with the latest row."""
    changes = np.diff(_evened(table.read))
    if len(changes) and (changes < 0).mean() > 0.9:
        notes.found("order of the rows", "latest first", "nearly all times fall; it is read from the bottom")
        back = np.arange(len(table.row))[::-1]
        values = {name: one[back] for name, one in table.values.items()}
        return replace(table, read=_taken(table.read, back), values=values, row=table.row[back])
    return table


def _ends_of_days(table: _Table, notes: Notebook) -> _Table:
    """Put midnight at the end of its date where it stands there, behind the last time of the day."""
    wall_s, read = table.read.wall_s, table.read
    if (read.offset_s != NO_OFFSET).any() or len(wall_s) < 3:
        return table
    changes = np.diff(wall_s)
    step_s = int(np.median(changes))
    last = np.flatnonzero((wall_s[1:] % DAY_S == 0) & (changes == step_s - DAY_S)) + 1
    if not last.size or last.size < 0.9 * (wall_s % DAY_S == 0).sum():
        return table
    why = f"it follows {shown_wall(int(wall_s[last[0] - 1]))[11:]} of the same date"
    notes.found("midnight", f"the end of its date, {last.size:,} times", why)
    moved = wall_s.copy()
    moved[last] += DAY_S
    return replace(table, read=replace(read, wall_s=moved, has_24=True), span_s=(int(moved.min()), int(moved.max())))


def _evened(read: Moments) -> NDArray[np.int64]:
    """Return times that run evenly where stamps have their offset."""
    return read.wall_s if (read.offset_s == NO_OFFSET).any() else read.wall_s - read.offset_s


def _kind(table: _Table, unit: Unit | None, said: Said, notes: Notebook) -> Kind:
    return kind_of_values(table.values["load"], unit, said, notes)


def _stamp(table: _Table, layout: Layout, step_s: int, kind: Kind, said: Said, notes: Notebook) -> Stamp | None:
    if kind == "register":
        return None
    if layout.number is not None:
        return "start"
    if table.knows_start and said.stamp is None:
        why = "start and end stand in two columns" if not layout.days else "they are counted from midnight"
        notes.found("a stamp marks", "the start of its interval", why, "--stamp")
        return "start"
    local_s = np.array(table.span_s, np.int64)
    return stamp_of(local_s, step_s, has_24=table.read.has_24, header=layout.stamp_word, said=said, notes=notes)


def _ask_unit(table: _Table, kind: Kind, step_s: int, notes: Notebook) -> None:
    values, step_h = table.values["load"], step_s / 3600
    if kind == "register":
        changes = np.diff(values[np.isfinite(values)])
        gained = float(changes[changes > 0].sum())
        choices: list[tuple[str, str]] = [
            ("--unit kWh", f"{gained:,.0f} kWh in all"),
            ("--unit Wh", f"{gained / 1000:,.0f} kWh in all"),
        ]
    else:
        total, most = float(np.nansum(values)), float(np.nanmax(values))
        choices = [
            ("--unit kW", f"{total * step_h:,.0f} kWh in all, peak {most:,.1f} kW"),
            ("--unit kWh", f"{total:,.0f} kWh in all, peak {most / step_h:,.1f} kW"),
            ("--unit W", f"{total * step_h / 1000:,.0f} kWh in all, peak {most / 1000:,.1f} kW"),
            ("--unit Wh", f"{total / 1000:,.0f} kWh in all, peak {most / step_h / 1000:,.1f} kW"),
        ]
    notes.ask("unit", "no unit stands in the file; power of each interval, or its energy?", *choices)
