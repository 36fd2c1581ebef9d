"""From texts to numbers: decimal mark, thousands, and cells without a value."""

from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._cells import BLANK, GAPS
from crestfall.series.meter._record import Notebook

if TYPE_CHECKING:
    import pyarrow as pa

Mark = Literal[".", ","]
PEEK = 2000


def decimal_mark(cells: "list[pa.ChunkedArray]", notes: Notebook, said: Mark | None) -> Mark:
    """
    Return the decimal mark of some columns, or note the question.

    Parameters
    ----------
    cells : list of pyarrow string arrays
        The columns with values.
    notes : Notebook
        Where the finding or the question goes.
    said : {".", ","} or None
        The mark, if it was said.

    Returns
    -------
    {".", ","}
        The mark; the point while the question is open.
    """
    if said is not None:
        notes.found("decimal mark", _word(said), "as said", "--decimal")
        return said
    has = {mark: any(_any(column, _plain(mark)) for column in cells) for mark in ".,"}
    if not any(has.values()):
        notes.found("decimal mark", "none", "all values are whole numbers", "--decimal")
        return "."
    if all(has.values()):
        pairs: tuple[tuple[Mark, Mark], ...] = ((".", ","), (",", "."))
        for last, first in pairs:
            # The mark that comes last in a cell with both, or stands twice nowhere.
            if any(_any(column, rf"{_plain(first)}.*{_plain(last)}") for column in cells):
                notes.found("decimal mark", _word(last), "it comes last where both stand in a number", "--decimal")
                return last
        return _ask(cells, ".", notes, "points and commas stand in different numbers")
    mark: Mark = "." if has["."] else ","
    other: Mark = "," if mark == "." else "."
    if any(_any(column, rf"{_plain(mark)}.*{_plain(mark)}") for column in cells):
        notes.found("decimal mark", _word(other), f"a {_word(mark)} stands twice in a number", "--decimal")
        return other
    # 1.234 may be one and a bit or more than a thousand; 0.234, 12345.678 and 1.23 may not.
    point = _plain(mark)
    proof = rf"(^[+-]?0*{point})|(\d{{4,}}{point})|({point}\d{{0,2}}$)|({point}\d{{4,}}$)|[eE]"
    if any(_any(column, proof) for column in cells):
        notes.found("decimal mark", _word(mark), "what stands behind it is no group of a thousand", "--decimal")
        return mark
    return _ask(cells, mark, notes, "each has exactly three digits behind it")


def numbers(cells: "pa.ChunkedArray", mark: Mark) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """
    Read numbers.

    Parameters
    ----------
    cells : pyarrow string array of shape (n_rows,)
        The cells.
    mark : {".", ","}
        The decimal mark; the other one parts thousands.

    Returns
    -------
    values : ndarray of shape (n_rows,)
        NaN where a cell is empty or says that it has no value.
    wrong : ndarray of int
        Rows with something else.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    try:
        values = pc.cast(cells, pa.float64()).to_numpy() if mark == "." else None
    except pa.ArrowInvalid:
        values = None
    if values is None:
        plain = pc.utf8_trim_whitespace(cells)
        if mark == ",":
            plain = pc.replace_substring_regex(plain, f"[.{GAPS}]", "")
            plain = pc.replace_substring(plain, ",", ".")
        else:
            plain = pc.replace_substring_regex(plain, f"[,{GAPS}]", "")
        coded = plain.combine_chunks().dictionary_encode()
        each = np.array([_number(text) for text in coded.dictionary.to_pylist()], np.float64)
        values = each[coded.indices.to_numpy(zero_copy_only=False)]
    wrong = np.flatnonzero(~np.isfinite(values))
    if wrong.size:
        blank = np.array([str(cells[int(row)]).strip().lower() in BLANK for row in wrong], dtype=bool)
        values = np.where(np.isfinite(values), values, np.nan)
        wrong = wrong[~blank]
    return values, wrong


def refuse_words(wrong: NDArray[np.intp], place: str, cell: str) -> None:
    """
    Raise if there are words among numbers.

    Parameters
    ----------
    wrong : ndarray of int
        Rows with words.
    place : str
        File, line and column of the first.
    cell : str
        The first cell.

    Raises
    ------
    SeriesError
        If there are any.
    """
    if wrong.size:
        raise SeriesError(
            f"{place}: found '{cell}', expected a number ({wrong.size:,} such cell{'' if wrong.size == 1 else 's'})\n"
            "    leave a cell without a value empty"
        )


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return np.nan


def _plain(mark: str) -> str:
    return r"\." if mark == "." else ","


def _any(column: "pa.ChunkedArray", pattern: str) -> bool:
    """Whether a pattern is found; the first cells answer most questions."""
    import pyarrow.compute as pc

    return any(bool(pc.any(pc.match_substring_regex(part, pattern)).as_py()) for part in (column[:PEEK], column[PEEK:]))


def _word(mark: str) -> str:
    return "point" if mark == "." else "comma"


def _ask(cells: "list[pa.ChunkedArray]", mark: Mark, notes: Notebook, why: str) -> Mark:
    import pyarrow.compute as pc

    column = next(column for column in cells if _any(column, "[.,]"))
    cell = next(str(one).strip() for one in column if pc.match_substring_regex(one, "[.,]").as_py())
    choices = []
    for one in (".", ","):
        other = "," if one == "." else "."
        choices.append((f"--decimal {one}", f"{cell} is {_number(cell.replace(other, '').replace(one, '.')):g}"))
    notes.ask("decimal mark", f"is the {_word(mark)} in '{cell}' one, or does it part thousands? {why}", *choices)
    return mark
