"""Which columns of a grid hold the time and which hold what, and in which unit."""

import difflib
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import get_args

from crestfall.errors import SeriesError
from crestfall.series.meter._cells import MIDNIGHT, kind_of
from crestfall.series.meter._grid import Grid
from crestfall.series.meter._hours import counts_the_day
from crestfall.series.meter._record import Notebook, Said, Unit

SAMPLE_ROWS = 120
WIDE_COLUMNS = 20  # more columns of numbers than this are the intervals of a day

_UNIT = re.compile(r"(?<![a-z])(k|m)?w(h)?(?![a-z])", re.IGNORECASE)
_BARE_WATT = re.compile(r"(?<![a-z])w(?![a-z])", re.IGNORECASE)  # above the names it may be west, or an initial
_REACTIVE = re.compile(r"(?<![a-z])k?va(r)?h?(?![a-z])|reactive|blind", re.IGNORECASE)
_EXPORT = re.compile(
    r"export|feed[ -]?in|generat|produc|inject|einspeis|liefer|2\.8\.\d|(?<![a-z])pv(?![a-z])|to grid|received",
    re.IGNORECASE,
)
_IMPORT = re.compile(r"import|consum|demand|load|usage|bezug|verbrauch|1\.8\.\d|from grid|delivered", re.IGNORECASE)
_OTHER = re.compile(
    r"temp|price|cost|status|quality|flag|humid|volt|amp|factor|(?<![a-z])(id|no|nr)(?![a-z])", re.IGNORECASE
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where things stand in a grid.

    Parameters
    ----------
    date : int
        Column with the stamps or dates.
    clock : int or None
        Column with the times of day.
    number : int or None
        Column with the numbers of intervals within their day.
    stamp_word : str
        Name of the column that says which end of an interval is meant; empty where two columns say both.
    values : dict of str to int
        Column of "load" and, where there is one, of "export"; empty while open, or for a day in each row.
    days : tuple of int
        Columns of the intervals of a day, where each row is a day.
    knows_start : bool
        Whether the stamp is the first of two columns, start and end.
    """

    date: int
    clock: int | None
    number: int | None
    stamp_word: str
    values: dict[str, int]
    days: tuple[int, ...] = ()
    knows_start: bool = False


def layout_of(grid: Grid, said: Said, notes: Notebook) -> Layout:
    """
    Find the columns of a grid.

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
    Layout
        The columns.

    Raises
    ------
    SeriesError
        If there is no time, or a column that was named.
    """
    kinds = [_kind(grid, column) for column in range(len(grid.columns))]
    date, clock, number, word, knows_start = _time_columns(grid, kinds, said, notes)
    used = {date, clock, number} | {at for at, kind in enumerate(kinds) if kind in "dc"}
    figures = [at for at, kind in enumerate(kinds) if kind == "n" and at not in used]
    days: tuple[int, ...] = ()
    values: dict[str, int] = {}
    if len(figures) >= WIDE_COLUMNS and clock is None and number is None and not said.load_column:
        days = _day_columns(grid, figures)
        notes.found("rows", f"a day in each, {len(days)} columns", f"{len(figures)} columns of numbers beside one date")
    else:
        values = _value_columns(grid, figures, said, notes)
    return Layout(
        date=date, clock=clock, number=number, stamp_word=word, values=values, days=days, knows_start=knows_start
    )


def unit_of(texts: Sequence[str], said: Said, notes: Notebook) -> Unit | None:
    """
    Return the unit that stands in some texts, or note the question.

    Parameters
    ----------
    texts : sequence of str
        Name of the column, its unit, the lines above: the first that names a unit counts.
    said : Said
        What the user says.
    notes : Notebook
        Where the finding goes.

    Returns
    -------
    {"W", "kW", "MW", "Wh", "kWh", "MWh"} or None
        The unit; None where none is named.
    """
    if said.unit is not None:
        notes.found("unit", said.unit, "as said", "--unit")
        return said.unit
    for text in texts:
        units = {_spelled(found) for found in _UNIT.finditer(text.replace("_", " "))}
        if len(units) == 1:
            unit = units.pop()
            notes.found("unit", unit, f"it stands in '{' '.join(text.split())[:60]}'", "--unit")
            return unit
    return None


def unit_texts(grid: Grid, layout: Layout) -> list[str]:
    """
    Return the texts that may name the unit of the values, the nearest first.

    Parameters
    ----------
    grid : Grid
        The cells.
    layout : Layout
        The columns.

    Returns
    -------
    list of str
        Unit and name of the column, a column with the same unit in each cell, the lines above.
    """
    above = _BARE_WATT.sub("", grid.preamble)
    at = next(iter(layout.values.values()), None)
    if at is None:
        return [*grid.units, above, " ".join(grid.names)]
    columns = [cells[:SAMPLE_ROWS] for cells in grid.columns]
    cells = {name: {str(cell).strip() for cell in column} for name, column in zip(grid.names, columns, strict=True)}
    named = [f"{name}: {one}" for name, (one, *more) in cells.items() if not more and _UNIT.fullmatch(one)]
    return [grid.units[at], grid.names[at], *named, above]


def _spelled(found: re.Match[str]) -> Unit:
    prefix = (found[1] or "").lower()
    # Nobody meters milliwatts.
    unit = f"{ {'k': 'k', 'm': 'M', '': ''}[prefix] }".strip() + "W" + ("h" if found[2] else "")
    return next(one for one in get_args(Unit) if one == unit)


def _kind(grid: Grid, column: int) -> str:
    """Return what most cells of a column are; empty ones say nothing."""
    sample = _sample(grid, column)
    counts = Counter(kind_of(cell) for cell in sample)
    empty = counts.pop("e", 0)
    if not counts:
        return "n" if empty else "t"
    kind = counts.most_common(1)[0][0]
    if kind == "d" and all(cell.strip().isdigit() or not cell.strip() for cell in sample):
        # Seconds since 1970 hardly ever repeat; what looks like them and does is the name of a meter.
        if all(map(_is_long, sample)) and len(set(sample)) <= max(len(sample) // 10, 1):
            return "t"
        # Only a first column of whole numbers is time; others of such numbers are readings.
        return "n" if column > 0 else "d"
    return kind


def _sample(grid: Grid, column: int) -> list[str]:
    cells = grid.columns[column]
    step = max(len(cells) // SAMPLE_ROWS, 1)
    return [str(cells[at]) for at in range(0, len(cells), step)][: 2 * SAMPLE_ROWS]


def _position(grid: Grid, name: str, option: str) -> int:
    if name in grid.names:
        return grid.names.index(name)
    if name.isdigit() and 1 <= int(name) <= len(grid.names):
        return int(name) - 1
    close = difflib.get_close_matches(name, grid.names, n=1)
    hint = f"did you mean '{close[0]}'? " if close else ""
    raise SeriesError(
        f"{grid.name}: there is no column '{name}'\n    {hint}set {option} to one of: {_listed(grid.names)}"
    )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def _time_columns(
    grid: Grid, kinds: list[str], said: Said, notes: Notebook
) -> tuple[int, int | None, int | None, str, bool]:
    """Return the columns of date, time of day and number within the day, the name that tells starts, if it does."""
    if said.time_columns:
        at = [_position(grid, name, "--time-column") for name in said.time_columns]
        notes.found("time", " and ".join(grid.names[one] for one in at), "as said", "--time-column")
        second = at[1] if len(at) > 1 else None
        is_number = second is not None and kinds[second] != "c"
        clock, number = (None, second) if is_number else (second, None)
        return at[0], clock, number, grid.names[at[-1]], is_number
    dates = [at for at, kind in enumerate(kinds) if kind == "d"]
    clocks = [at for at, kind in enumerate(kinds) if kind == "c"]
    if not dates:
        raise SeriesError(
            f"{grid.name}: no column holds dates\n    name it: --time-column, one of: {_listed(grid.names)}"
        )
    date = dates[0]
    # Sheets and databases write a date alone as its midnight.
    some = [*map(str, grid.columns[date][:SAMPLE_ROWS].to_pylist()), *_sample(grid, date)]
    has_clock = any(_is_long(cell) or (":" in cell and not MIDNIGHT.search(cell)) for cell in some)
    if clocks and not has_clock:
        clock = clocks[0]
        both = len(clocks) > 1 and _is_before(grid, clock, clocks[1])
        names = f"'{grid.names[date]}' and '{grid.names[clock]}'"
        notes.found("time", names, "dates in one, times of day in the other", "--time-column, twice")
        return date, clock, None, grid.names[clock], both
    if not has_clock:
        others = [at for at, kind in enumerate(kinds) if kind in "nt" and grid.names[at] != said.load_column]
        if (number := next((at for at in others if counts_the_day(grid, date, at)), None)) is not None:
            names = f"'{grid.names[date]}' and '{grid.names[number]}'"
            notes.found("time", names, "the second counts on while the first stays", "--time-column, twice")
            return date, None, number, grid.names[number], True
    both = len(dates) > 1 and _is_before(grid, date, dates[1])
    why = f"dates in it, later ones in '{grid.names[dates[1]]}'" if both else "dates in it"
    notes.found("time", f"'{grid.names[date]}'", why, "--time-column")
    return date, None, None, grid.names[date], both


def _is_long(cell: str) -> bool:
    return cell.strip().isdigit() and len(cell.strip()) > 8


def _is_before(grid: Grid, first: int, second: int) -> bool:
    """Whether two columns differ in most rows, so that they are start and end."""
    rows = range(0, min(grid.n_rows, SAMPLE_ROWS))
    return sum(str(grid.columns[first][row]) != str(grid.columns[second][row]) for row in rows) > 0.9 * len(rows)


def _day_columns(grid: Grid, figures: list[int]) -> tuple[int, ...]:
    """Return the columns of a day's intervals: the longest run side by side, without sums at its ends."""
    runs: list[list[int]] = []
    for at in figures:
        if runs and at == runs[-1][-1] + 1:
            runs[-1].append(at)
        else:
            runs.append([at])
    run = max(runs, key=len)
    is_named = [bool(re.search(r"\d", grid.names[at])) for at in run]
    if sum(is_named) > 0.9 * len(run):
        run = [at for at, named in zip(run, is_named, strict=True) if named]
    return tuple(run)


def _value_columns(grid: Grid, figures: list[int], said: Said, notes: Notebook) -> dict[str, int]:
    found = {}
    if said.load_column is not None:
        found["load"] = _position(grid, said.load_column, "--load-column")
        notes.found("load", f"'{grid.names[found['load']]}'", "as said", "--load-column")
    if said.export_column is not None:
        found["export"] = _position(grid, said.export_column, "--export-column")
        notes.found("export", f"'{grid.names[found['export']]}'", "as said", "--export-column")
    if "load" in found:
        return found
    left_out = [at for at in figures if _REACTIVE.search(_all_names(grid, at)) or _OTHER.search(grid.names[at])]
    figures = [at for at in figures if at not in left_out and at != found.get("export")]
    exports = [at for at in figures if _EXPORT.search(grid.names[at]) and not _IMPORT.search(grid.names[at])]
    loads = [at for at in figures if at not in exports]
    named = [at for at in loads if _IMPORT.search(grid.names[at])]
    if len(named) == 1 and len(loads) > 1:
        loads = named
    if len(loads) == 1 and len(exports) <= 1:
        found["load"] = loads[0]
        why = "the only column of numbers" if len(figures) == 1 else "its name"
        notes.found("load", f"'{grid.names[loads[0]]}'", why, "--load-column")
        if exports and "export" not in found:
            found["export"] = exports[0]
            notes.found("export", f"'{grid.names[exports[0]]}'", "its name", "--export-column")
        if left_out:
            notes.found("left out", ", ".join(f"'{grid.names[at]}'" for at in left_out), "their names", "--load-column")
        return found
    if not figures and not left_out:
        raise SeriesError(
            f"{grid.name}: no column holds numbers\n    name it: --load-column, one of: {_listed(grid.names)}"
        )
    notes.ask(
        "load",
        f"which of {len(figures or left_out)} columns of numbers is what the site takes from the grid?",
        *((f"--load-column {_quoted(grid.names[at])}", "") for at in (loads or figures or left_out)[:12]),
    )
    return {}


def _all_names(grid: Grid, at: int) -> str:
    return f"{grid.names[at]} {grid.units[at]}".replace("_", " ")


def _quoted(name: str) -> str:
    return f"'{name}'" if re.search(r"[^\w.-]", name) else name
