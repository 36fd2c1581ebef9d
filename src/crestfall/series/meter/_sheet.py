"""Workbooks (XLSX) and Parquet files as grids of text."""

import datetime as dt
import io
import zipfile
from typing import Any

from crestfall.errors import SeriesError
from crestfall.series.meter._bytes import LARGEST_BYTES, Content
from crestfall.series.meter._grid import Grid, first_data_row, head_of
from crestfall.series.meter._record import Notebook, Said

SAMPLE_ROWS = 200


def grid_of_workbook(content: Content, said: Said, notes: Notebook) -> Grid:
    """
    Read one sheet of a workbook.

    Parameters
    ----------
    content : Content
        The file.
    said : Said
        What the user says.
    notes : Notebook
        Where findings and questions go.

    Returns
    -------
    Grid
        Its cells as text.

    Raises
    ------
    SeriesError
        If it is damaged, would unpack to too much, or has no such sheet.
    UndecidedError
        If several sheets hold data.
    """
    import pyarrow as pa

    sheets = _sheets(content)
    notes.found("format", "XLSX workbook", f"{len(sheets)} sheet{'' if len(sheets) == 1 else 's'}")
    if said.sheet is not None and said.sheet not in sheets:
        raise SeriesError(
            f"{content.name}: there is no sheet '{said.sheet}'\n    set --sheet to one of: {', '.join(sheets)}"
        )
    starts: dict[str, int] = {}
    for title in [said.sheet] if said.sheet is not None else list(sheets):
        try:
            starts[title] = first_data_row(sheets[title][:SAMPLE_ROWS], content.name)
        except SeriesError:
            continue
    if not starts:
        raise SeriesError(
            f"{content.name}: no sheet has a row with a date and a number\n    found the sheets: {', '.join(sheets)}"
        )
    if len(starts) > 1:
        notes.ask("sheet", f"{len(starts)} sheets hold data", *((f"--sheet '{title}'", "") for title in starts))
        notes.settle()
    title, skip = next(iter(starts.items()))
    skip = skip if said.header_lines is None else said.header_lines
    rows = sheets[title]
    notes.found("sheet", f"'{title}'", "the only one with data" if said.sheet is None else "as said", "--sheet")
    notes.found("lines before the data", str(skip), "the first row with a date and a number", "--header-lines")
    width = len(rows[skip])
    names, units, preamble = head_of([(row + [""] * width)[:width] for row in rows[:skip]], width)
    data = rows[skip:]
    columns = tuple(
        pa.chunked_array([pa.array([row[at] if at < len(row) else "" for row in data], pa.string())])
        for at in range(width)
    )
    return Grid(
        name=f"{content.name} sheet '{title}'",
        columns=columns,
        names=names,
        units=units,
        preamble=preamble,
        first_line=skip + 1,
    )


def grid_of_parquet(content: Content, notes: Notebook) -> Grid:
    """
    Read a Parquet file.

    Parameters
    ----------
    content : Content
        The file.
    notes : Notebook
        Where findings go.

    Returns
    -------
    Grid
        Its columns as text, those with times first.

    Raises
    ------
    SeriesError
        If it is damaged or too large.
    """
    import pyarrow as pa
    import pyarrow.compute as pc
    from pyarrow import parquet

    try:
        file = parquet.ParquetFile(io.BytesIO(content.data))
        groups = range(file.metadata.num_row_groups)
        size = sum(file.metadata.row_group(group).total_byte_size for group in groups)
        if size > LARGEST_BYTES:
            raise SeriesError(
                f"{content.name}: unpacks to {size / 1024**3:,.1f} GB\n    leave out columns, or cut it by year"
            )
        table = file.read()
    except (pa.ArrowException, OSError) as error:
        reason = str(error).splitlines()[0]
        raise SeriesError(f"{content.name}: is no Parquet file: {reason}\n    fetch the file again") from None
    notes.found("format", "Parquet", f"{table.num_rows:,} rows, {table.num_columns} columns")
    flat = [at for at, one in enumerate(table.schema) if not pa.types.is_nested(one.type)]
    times = [at for at in flat if pa.types.is_temporal(table.schema[at].type)]
    order = times + [at for at in flat if at not in times]
    columns = []
    for at in order:
        column = table.column(at)
        if pa.types.is_timestamp(column.type):
            # Text of a stamp ends with Z where the column has a zone: it holds UTC then.
            zoned = column.type.tz is not None
            text = pc.cast(pc.cast(column, pa.timestamp("s", "UTC" if zoned else None), safe=False), pa.string())
        else:
            text = pc.cast(column, pa.string())
        columns.append(pc.fill_null(text, ""))
    return Grid(
        name=content.name,
        columns=tuple(columns),
        names=tuple(str(table.schema[at].name) for at in order),
        units=("",) * len(order),
        preamble="",
        first_line=1,
    )


def _sheets(content: Content) -> dict[str, list[list[str]]]:
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        with zipfile.ZipFile(io.BytesIO(content.data)) as archive:
            size = sum(member.file_size for member in archive.infolist())
        # A sheet takes some fifty times its packed size in memory; what is larger is a bomb, or no meter data.
        if size > LARGEST_BYTES // 4:
            raise SeriesError(
                f"{content.name}: unpacks to {size / 1024**2:,.0f} MB\n    save the sheet with the data as CSV"
            )
        book = load_workbook(io.BytesIO(content.data), read_only=True, data_only=True)
    except (zipfile.BadZipFile, KeyError, ValueError, InvalidFileException):
        raise SeriesError(f"{content.name}: the workbook is damaged\n    save it again as XLSX, or as CSV") from None
    try:
        return {
            sheet.title: [[_text(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
            for sheet in book.worksheets
        }
    finally:
        book.close()


def _text(cell: Any) -> str:
    match cell:
        case None:
            return ""
        case dt.datetime():
            # Days are counted in floats: a quarter past may lie a millisecond off.
            return f"{(cell + dt.timedelta(milliseconds=500)).replace(microsecond=0):%Y-%m-%d %H:%M:%S}"
        case dt.date():
            return f"{cell:%Y-%m-%d}"
        case dt.time():
            return f"{cell:%H:%M:%S}"
        case dt.timedelta():
            minutes = round(cell.total_seconds() / 60)  # 24:00 as a time of day
            return f"{minutes // 60:02d}:{minutes % 60:02d}"
        case float():
            return repr(cell)
        case _:
            return str(cell)
