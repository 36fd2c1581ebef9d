"""Read meter files of any supported kind into one series."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from crestfall.errors import SeriesError
from crestfall.scenario.series_file import Repairs
from crestfall.series.meter._bytes import PARQUET, Content, contents, decoded
from crestfall.series.meter._clean import clean
from crestfall.series.meter._cleaned import Cleaned
from crestfall.series.meter._green_button import is_green_button, rows_of_green_button
from crestfall.series.meter._grid import grid_of_text
from crestfall.series.meter._nem12 import is_nem12, rows_of_nem12
from crestfall.series.meter._record import Evidence, Notebook, Said
from crestfall.series.meter._rows import Rows, joined
from crestfall.series.meter._sheet import grid_of_parquet, grid_of_workbook
from crestfall.series.meter._summary import Summary, notes_on, summary_of
from crestfall.series.meter._table import rows_of_grid

AS_IS = Repairs()


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterData:
    """What was read from meter files.

    Parameters
    ----------
    source : str
        File or files.
    evidence : tuple of Evidence
        How they were read, and what speaks for it.
    series : Cleaned
        The series with what was wrong.
    summary : Summary
        Its figures.
    notes : tuple of str
        What a reader should know beside.
    """

    source: str
    evidence: tuple[Evidence, ...]
    series: Cleaned
    summary: Summary
    notes: tuple[str, ...]

    @property
    def is_whole(self) -> bool:
        """Whether no damage is left that has to be repaired."""
        return not self.series.open_defects


def read_meter(paths: Sequence[Path], said: Said, repairs: Repairs = AS_IS) -> MeterData:
    """
    Read meter files as one series.

    Parameters
    ----------
    paths : sequence of Path
        Files of one metering point, in any order.
    said : Said
        What is known of them; the rest is looked for.
    repairs : Repairs
        What may be done to damage; without it nothing is.

    Returns
    -------
    MeterData
        The series and how it came about.

    Raises
    ------
    SeriesError
        If a file cannot be read.
    UndecidedError
        If a file can be read in more than one way.
    """
    parts: list[Rows] = []
    evidence: list[Evidence] = []
    for path in paths:
        for content in contents(Path(path)):
            notes = Notebook(content.name)
            parts.append(_rows(content, said, notes))
            evidence += [one for one in notes.evidence if one not in evidence]
    rows = joined(parts)
    _refuse_nothing(rows)
    series = clean(rows, repairs)
    return MeterData(
        source=", ".join(map(str, paths)),
        evidence=tuple(evidence),
        series=series,
        summary=summary_of(series),
        notes=tuple(notes_on(series)),
    )


def _rows(content: Content, said: Said, notes: Notebook) -> Rows:
    if content.is_workbook:
        return rows_of_grid(grid_of_workbook(content, said, notes), said, notes)
    if content.data.startswith(PARQUET):
        return rows_of_grid(grid_of_parquet(content, notes), said, notes)
    if is_green_button(content):
        return rows_of_green_button(content, said, notes)
    text = decoded(content, notes, encoding=said.encoding)
    if text.lstrip().startswith("<"):
        raise SeriesError(
            f"{content.name}: is XML or HTML, but no Green Button data\n    fetch the meter data as a file of their own"
        )
    if is_nem12(text):
        return rows_of_nem12(text, content.name, said, notes)
    return rows_of_grid(grid_of_text(text, content.name, said, notes), said, notes)


def _refuse_nothing(rows: Rows) -> None:
    if not np.isfinite(rows.load_kw).any():
        raise SeriesError(f"{rows.source}: none of the rows has a value\n    expected numbers")
    if not np.nan_to_num(rows.load_kw).any() and not (
        rows.export_kw is not None and np.nan_to_num(rows.export_kw).any()
    ):
        raise SeriesError(
            f"{rows.source}: all {len(rows.load_kw):,} values are zero\n    is it the right column, the right meter?"
        )
