"""A file as a grid of text: delimiter, lines before the data, names of the columns."""

import csv
import io
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._cells import kind_of
from crestfall.series.meter._record import Notebook, Said

if TYPE_CHECKING:
    import pyarrow as pa

DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma", "|": "bar", " ": "blank"}
# How far a mark is to be doubted: a comma may be a decimal mark, a blank part of a date.
_DOUBT = {";": 0, "\t": 0, "|": 0, ",": 1, " ": 2}
SAMPLE_LINES = 200
MOST_HEADER_LINES = 100
LEAST_LIKENESS = 0.6  # share of cells that must be dates, times, numbers or empty in the lines of data


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table of text cells.

    Parameters
    ----------
    name : str
        The file, for messages.
    columns : tuple of pyarrow string arrays
        The cells, column by column.
    names : tuple of str
        Names of the columns; "column 1" and so on where the file has none.
    units : tuple of str
        What stands in a line of units below the names; empty where there is none.
    preamble : str
        The lines above the names.
    first_line : int
        Line of the first row in the file, counted from 1.
    odd_lines : tuple of int
        Lines of the file that hold another number of cells and are no rows.
    kept : ndarray of int or None
        Rows of the file that are left; None where all are.
    """

    name: str
    columns: tuple["pa.ChunkedArray", ...]
    names: tuple[str, ...]
    units: tuple[str, ...]
    preamble: str
    first_line: int
    odd_lines: tuple[int, ...] = ()
    kept: NDArray[np.intp] | None = None

    @property
    def n_rows(self) -> int:
        """Number of rows."""
        return len(self.columns[0])

    def line(self, row: int) -> int:
        """Return the line of the file in which a row stands."""
        line = self.first_line + (row if self.kept is None else int(self.kept[row]))
        for odd in self.odd_lines:
            line += odd <= line
        return line

    def place(self, row: int, column: int) -> str:
        """Return file, line and column of a cell, for messages."""
        return f"{self.name} line {self.line(row):,}, column '{self.names[column]}'"


def grid_of_text(text: str, name: str, said: Said, notes: Notebook) -> Grid:
    """
    Split a text into cells.

    Parameters
    ----------
    text : str
        The text of the file.
    name : str
        The file.
    said : Said
        What the user says.
    notes : Notebook
        Where the findings go.

    Returns
    -------
    Grid
        All cells as they stand.

    Raises
    ------
    SeriesError
        If no lines look like data.
    UndecidedError
        If two delimiters fit.
    """
    if said.delimiter is not None and len(said.delimiter) != 1:
        raise SeriesError(f"--delimiter {said.delimiter}: found {len(said.delimiter)} marks, expected one, or tab")
    sample = _head(text)
    delimiter = said.delimiter or _delimiter(sample, name, notes)
    if said.delimiter is not None:
        notes.found("delimiter", DELIMITERS.get(delimiter, repr(delimiter)), "as said", "--delimiter")
    rows = _split(sample, delimiter)
    skip = said.header_lines if said.header_lines is not None else first_data_row(rows, name)
    if said.header_lines is not None:
        notes.found("lines before the data", str(skip), "as said", "--header-lines")
    width = len(rows[skip]) if skip < len(rows) else 0
    if width < 2 and not said.time_columns:
        raise SeriesError(f"{name} line {skip + 1}: found one column\n    give the mark between columns: --delimiter")
    names, units, preamble = head_of(rows[:skip], width)
    if said.header_lines is None:
        notes.found("lines before the data", str(skip), "the first line with a date and a number", "--header-lines")
    columns, odd = _columns(text, delimiter, skip, width)
    if not columns or not len(columns[0]):
        raise SeriesError(f"{name}: holds no rows of data\n    expected a date and a number in each row")
    return Grid(
        name=name,
        columns=columns,
        names=names,
        units=units,
        preamble=preamble,
        first_line=skip + 1,
        odd_lines=odd,
    )


def first_data_row(rows: list[list[str]], name: str) -> int:
    """
    Return the first row that looks like data: a date and a number, as most rows after it have them.

    Parameters
    ----------
    rows : list of list of str
        The first rows of a file.
    name : str
        The file, for the message.

    Returns
    -------
    int
        Its position.

    Raises
    ------
    SeriesError
        If there is none.
    """
    kinds = ["".join(map(kind_of, row)) for row in rows]
    width = Counter(len(kind) for kind in kinds if "d" in kind).most_common(1)
    for row, kind in enumerate(kinds[:MOST_HEADER_LINES]):
        if "d" in kind and ("n" in kind or "e" in kind) and width and len(kind) == width[0][0]:
            return row
    raise SeriesError(
        f"{name}: no line holds a date and a number\n    expected rows of interval data; where they stand further down,"
        " give --header-lines, and the mark between columns with --delimiter"
    )


def head_of(above: list[list[str]], width: int) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """
    Return names of columns, their units, and the text above them.

    Parameters
    ----------
    above : list of list of str
        The rows before the data.
    width : int
        Number of columns.

    Returns
    -------
    names, units : tuple of str
        One for each column.
    preamble : str
        What stands above.
    """
    full = [at for at, row in enumerate(above) if len(row) == width and sum(map(bool, map(str.strip, row))) >= 1]
    units = ("",) * width
    if not full:
        return tuple(f"column {n}" for n in range(1, width + 1)), units, _joined(above)
    at = full[-1]
    # A line of units is short words, mostly in the columns of values, below a line of longer names.
    cells = [cell.strip() for cell in above[at]]
    if len(full) > 1 and full[-2] == at - 1 and all(len(cell) <= 7 for cell in cells) and "" in cells:
        units, at = tuple(cells), at - 1
    names = [cell.strip() or f"column {n}" for n, cell in enumerate(above[at], 1)]
    seen: Counter[str] = Counter()
    for n, one in enumerate(names):
        seen[one] += 1
        names[n] = one if seen[one] == 1 else f"{one} ({seen[one]})"
    return tuple(names), units, _joined(above[:at])


def _joined(rows: list[list[str]]) -> str:
    return "\n".join(" ".join(row) for row in rows)


def _head(text: str) -> list[str]:
    """Return the first lines, without cutting up a file of many."""
    end = 0
    for _ in range(SAMPLE_LINES):
        after = text.find("\n", end)
        if after < 0:
            return text.splitlines()
        end = after + 1
    return text[:end].splitlines()


def _split(lines: list[str], delimiter: str) -> list[list[str]]:
    return list(csv.reader(lines, delimiter=delimiter))


def _delimiter(sample: list[str], name: str, notes: Notebook) -> str:
    """Return the mark that leaves the most cells as dates, times, numbers or nothing."""
    scores = {}
    for mark in DELIMITERS:
        try:
            rows = [row for row in _split(sample, mark) if row]
        except csv.Error:
            continue
        data = rows[len(rows) // 5 :] or rows
        kinds = ["".join(map(kind_of, row)) for row in data]
        dated = [kind for kind in kinds if "d" in kind]
        width = Counter(map(len, dated)).most_common(1)[0][0] if dated else 0
        whole = [kind for kind in dated if len(kind) == width]
        if width > 1:
            good = sum(len(kind) - kind.count("t") for kind in whole) / sum(map(len, whole))
            # A date cut from its time, or a number cut at its comma, looks good as well: the wider cells are right.
            if good >= LEAST_LIKENESS:
                scores[mark] = (round(good * len(whole) / len(kinds), 2), -_DOUBT[mark], good)
    best = max(scores, key=lambda mark: scores[mark], default="")
    if not best:
        raise SeriesError(
            f"{name}: no mark between columns leaves dates and numbers\n    give it, for example --delimiter ';',"
            " or the lines before the data with --header-lines"
        )
    share = scores[best][-1]
    notes.found(
        "delimiter",
        DELIMITERS[best],
        f"{100 * share:.0f} % of the cells between are dates, times, numbers or empty",
        "--delimiter",
    )
    return best


def _columns(text: str, delimiter: str, skip: int, width: int) -> tuple[tuple["pa.ChunkedArray", ...], tuple[int, ...]]:
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    odd: list[int] = []

    def note(row: arrow_csv.InvalidRow) -> str:
        odd.append(row.number or 0)  # the line of the file
        return "skip"

    names = [str(n) for n in range(width)]
    table = arrow_csv.read_csv(
        io.BytesIO(text.encode()),
        # One thread: only then are lines counted.
        read_options=arrow_csv.ReadOptions(skip_rows=skip, column_names=names, use_threads=False, block_size=1 << 24),
        parse_options=arrow_csv.ParseOptions(
            delimiter=delimiter, invalid_row_handler=note, ignore_empty_lines=False, newlines_in_values=False
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
        ),
    )
    return tuple(table.column(name) for name in names), tuple(odd)
