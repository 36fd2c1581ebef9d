"""Several meters, or several registers, one below the other in one table."""

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._cells import kind_of
from crestfall.series.meter._grid import Grid
from crestfall.series.meter._layout import Layout
from crestfall.series.meter._record import Notebook, Said

if TYPE_CHECKING:
    import pyarrow as pa

MOST_POINTS = 500
LEAST_REPEATED = 0.3  # share of rows whose time another row has: two meters of unequal length, and no repeated hour
LEAST_TOLD_APART = 0.99  # of them; the rest is the hour that repeats in autumn


def of_one_point(grid: Grid, layout: Layout, said: Said, notes: Notebook) -> Grid | None:
    """
    Return the rows of one metering point.

    Parameters
    ----------
    grid : Grid
        The cells.
    layout : Layout
        The columns.
    said : Said
        What the user says.
    notes : Notebook
        Where findings and questions go.

    Returns
    -------
    Grid or None
        All rows where each time stands once; None where it is open which point is meant.

    Raises
    ------
    SeriesError
        If there is no such point.
    """
    column = _telling_column(grid, layout)
    if column is None:
        return grid
    name, cells = grid.names[column], grid.columns[column].to_pylist()
    points = Counter(str(cell).strip() for cell in cells)
    if said.point is None:
        notes.ask(
            "metering point",
            f"column '{name}' tells {len(points)} apart; which one?",
            *((f"--point '{point}'", f"{count:,} rows") for point, count in list(points.items())[:12]),
        )
        return None
    if said.point not in points:
        shown = ", ".join(list(points)[:12])
        raise SeriesError(f"{grid.name}: there is no metering point '{said.point}' in '{name}'\n    it holds {shown}")
    notes.found("metering point", said.point, f"as said, in column '{name}'", "--point")
    kept = np.flatnonzero([str(cell).strip() == said.point for cell in cells])
    return replace(grid, columns=tuple(cells.take(kept) for cells in grid.columns), kept=kept)


def _telling_column(grid: Grid, layout: Layout) -> int | None:
    """Return the column that tells rows of the same time apart, if there are such rows."""
    used = {layout.date, layout.clock, layout.number, *layout.values.values(), *layout.days}
    times = [at for at in (layout.date, layout.clock, layout.number) if at is not None]
    others = [at for at in range(len(grid.columns)) if at not in used and kind_of(str(grid.columns[at][0])) != "c"]
    others = [at for at in others if 1 < len(grid.columns[at].unique()) <= min(MOST_POINTS, grid.n_rows // 3)]
    if not others:
        return None
    time = _codes([grid.columns[at] for at in times])
    n_times = len(np.unique(time))
    if n_times > (1 - LEAST_REPEATED) * grid.n_rows:
        return None
    for at in others:
        pairs = np.unique(time * (MOST_POINTS + 1) + _codes([grid.columns[at]]))
        if len(pairs) > LEAST_TOLD_APART * grid.n_rows:
            return at
    return None


def _codes(columns: "list[pa.ChunkedArray]") -> NDArray[np.int64]:
    """Return one number for each different row of some columns."""
    codes = np.zeros(len(columns[0]), np.int64)
    for cells in columns:
        coded = cells.combine_chunks().dictionary_encode()
        codes = codes * (len(coded.dictionary) + 1) + coded.indices.to_numpy(zero_copy_only=False)
    return codes
