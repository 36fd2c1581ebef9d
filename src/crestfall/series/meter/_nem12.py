"""NEM12: the interval format of the Australian electricity market.

Record 200 opens a data stream (metering point, suffix, unit, interval length), 300 holds a day, 400 gives quality and
reason for part of a day, 500 a manual reading, 900 the end. Times are market time, UTC+10 all year. Suffixes that begin
with E flow from the grid, with B to it. (AEMO, Meter Data File Format Specification NEM12 & NEM13, version 2.)
"""

import csv
import datetime as dt
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._clock import clock_of
from crestfall.series.meter._record import Notebook, Said, Unit
from crestfall.series.meter._rows import Rows, in_kw
from crestfall.series.meter._stamps import DAY_S

MARKET_OFFSET_S = 10 * 3600
MINUTES_A_DAY = 24 * 60
LENGTHS_MIN = (1, 5, 10, 15, 30)
UNITS: dict[str, Unit] = {"wh": "Wh", "kwh": "kWh", "mwh": "MWh", "w": "W", "kw": "kW", "mw": "MW"}
NULL, METERED = "N", "A"  # quality methods; E, F and S are estimates and substitutes


@dataclass(slots=True)
class _Stream:
    """One data stream of one metering point."""

    point: str
    suffix: str
    unit: str
    length_min: int
    line: int
    start_s: list[NDArray[np.int64]] = field(default_factory=list)
    values: list[NDArray[np.float64]] = field(default_factory=list)
    quality: list[NDArray[np.str_]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)


def is_nem12(text: str) -> bool:
    """
    Tell whether a text is NEM12 or NEM13.

    Parameters
    ----------
    text : str
        The text of a file.

    Returns
    -------
    bool
        Whether it begins with such a header or stream.
    """
    head = text.lstrip()[:200].upper()
    return head.startswith(("100,NEM12", "100,NEM13", "100,")) or (head.startswith("200,") and "\n300," in text[:20000])


def rows_of_nem12(text: str, name: str, said: Said, notes: Notebook) -> Rows:
    """
    Read a NEM12 file.

    Parameters
    ----------
    text : str
        The text of the file.
    name : str
        The file.
    said : Said
        What the user says: the zone, and the metering point where there are several.
    notes : Notebook
        Where findings and questions go.

    Returns
    -------
    Rows
        Readings in UTC and kW, all streams from the grid added up.

    Raises
    ------
    SeriesError
        If a record is broken.
    UndecidedError
        If zone or metering point are open.
    """
    streams = [stream for stream in _streams(text, name) if stream.values]
    active = [stream for stream in streams if stream.suffix[:1] in "EB" and stream.unit.lower() in UNITS]
    points = sorted({stream.point for stream in active})
    if not points:
        raise SeriesError(f"{name}: no stream of active energy (suffix E or B) holds values\n    expected records 300")
    notes.found("format", "NEM12", f"records 200 and 300 of {len(streams)} streams, {len(points)} metering points")
    if said.point is not None and said.point not in points:
        raise SeriesError(
            f"{name}: there is no metering point '{said.point}'\n    set --point to one of: {', '.join(points)}"
        )
    if said.point is None and len(points) > 1:
        notes.ask("metering point", f"the file holds {len(points)}", *((f"--point {one}", "") for one in points))
    point = said.point or points[0]
    loads = [stream for stream in active if stream.point == point and stream.suffix.startswith("E")]
    exports = [stream for stream in active if stream.point == point and stream.suffix.startswith("B")]
    if not loads:
        raise SeriesError(
            f"{name}: metering point {point} has no stream from the grid (suffix E)\n    choose another --point"
        )
    notes.found("load", " + ".join(stream.suffix for stream in loads), "suffix E: from the grid")
    if exports:
        notes.found("export", " + ".join(stream.suffix for stream in exports), "suffix B: to the grid")
    notes.found("unit", ", ".join(sorted({UNITS[stream.unit.lower()] for stream in loads})), "record 200")
    notes.found("a stamp marks", "the start of its interval", "values of a day are counted from midnight")
    notes.found("clock of the stamps", "UTC+10:00", "market time all year, as the format has it")
    if said.zone is None:
        notes.ask(
            "zone", "which zone is the site in? Its tariff has local times", ("--zone Australia/Sydney", "for example")
        )
    notes.settle()
    return _as_rows(name, loads, exports, said)


def _as_rows(name: str, loads: list[_Stream], exports: list[_Stream], said: Said) -> Rows:
    length_min = loads[0].length_min
    for stream in (*loads, *exports):
        if stream.length_min != length_min:
            raise SeriesError(
                f"{name} line {stream.line:,}: stream {stream.suffix} has intervals of {stream.length_min} minutes,"
                f" {loads[0].suffix} of {length_min}\n    expected one length at a metering point"
            )
    first = loads[0]
    utc_s, line = np.concatenate(first.start_s), np.repeat(first.lines, MINUTES_A_DAY // length_min)
    load_kw, quality = _of(first), np.concatenate(first.quality)
    for stream in loads[1:]:
        load_kw = load_kw + _onto(stream, utc_s)
    export_kw = None
    if exports:
        export_kw = np.sum([_onto(stream, utc_s) for stream in exports], axis=0)
    substituted = np.isin(quality, ["E", "F", "S"])
    return Rows(
        source=name,
        utc_s=utc_s,
        step_s=60 * length_min,
        load_kw=load_kw,
        export_kw=export_kw,
        line=line,
        substituted=substituted if substituted.any() else None,
        clock=clock_of(said.zone or "UTC", int(utc_s.min()), int(utc_s.max())),
    )


def _of(stream: _Stream) -> NDArray[np.float64]:
    return in_kw(np.concatenate(stream.values), UNITS[stream.unit.lower()], stream.length_min / 60)


def _onto(stream: _Stream, utc_s: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return a stream at the moments of another; what it lacks is missing, not zero."""
    own_s, powers = np.concatenate(stream.start_s), _of(stream)
    order = np.argsort(own_s, kind="stable")
    at = np.searchsorted(own_s[order], utc_s).clip(0, len(own_s) - 1)
    return np.where(own_s[order][at] == utc_s, powers[order][at], np.nan)


def _streams(text: str, name: str) -> list[_Stream]:
    streams: list[_Stream] = []
    current: _Stream | None = None
    ended = False
    for line, record in enumerate(csv.reader(text.splitlines()), 1):
        kind = record[0].strip() if record else ""
        if not kind:
            continue
        if kind == "100" and len(record) > 1 and record[1].strip().upper() == "NEM13":
            raise SeriesError(
                f"{name} line {line:,}: is NEM13, readings months apart\n    ask for interval data (NEM12);"
                " monthly figures can be modelled"
            )
        if kind == "200":
            current = _opened(record, line, name, streams)
        elif kind in ("300", "400"):
            if current is None:
                raise SeriesError(
                    f"{name} line {line:,}: a record {kind} before any record 200\n    fetch the file again"
                )
            (_take_day if kind == "300" else _take_event)(current, record, line, name)
        elif kind == "900":
            ended = True
        elif kind not in ("100", "500"):
            raise SeriesError(
                f"{name} line {line:,}: found a record '{kind}'\n    NEM12 has 100, 200, 300, 400, 500 and 900"
            )
    if not streams:
        raise SeriesError(f"{name}: holds no record 200\n    expected at least one stream of interval data")
    if not ended and text.lstrip().startswith("100"):
        raise SeriesError(f"{name}: ends without a record 900\n    it was cut off; fetch it again")
    return streams


def _opened(record: list[str], line: int, name: str, streams: list[_Stream]) -> _Stream:
    """Return the stream that a record 200 opens, or opens again: parts of one stream are not added up."""
    cells = [cell.strip() for cell in record] + [""] * 9
    if not cells[8].isdigit() or int(cells[8]) not in LENGTHS_MIN:
        raise SeriesError(
            f"{name} line {line:,}: found the interval length '{cells[8]}'\n    expected one of"
            f" {', '.join(map(str, LENGTHS_MIN))} minutes"
        )
    opened = _Stream(cells[1], cells[4].upper(), cells[7], int(cells[8]), line)
    for stream in streams:
        if (stream.point, stream.suffix, stream.unit, stream.length_min) == (
            opened.point,
            opened.suffix,
            opened.unit,
            opened.length_min,
        ):
            return stream
    streams.append(opened)
    return opened


def _take_day(stream: _Stream, record: list[str], line: int, name: str) -> None:
    count = MINUTES_A_DAY // stream.length_min
    cells = [cell.strip() for cell in record]
    quality = cells[2 + count] if len(cells) > 2 + count else ""
    if not quality[:1].isalpha():
        raise SeriesError(
            f"{name} line {line:,}: expected {count} values of {stream.length_min} minutes and their quality;"
            f" found {len(cells) - 2} cells\n    record 200 in line {stream.line:,} names another interval length"
        )
    try:
        values = np.array([float(cell) if cell else np.nan for cell in cells[2 : 2 + count]])
        day = dt.datetime.strptime(cells[1][:8], "%Y%m%d").replace(tzinfo=dt.UTC)
    except ValueError as error:
        raise SeriesError(f"{name} line {line:,}: {error}\n    expected a date YYYYMMDD and {count} numbers") from None
    if quality[0] == NULL:
        values[:] = np.nan
    first_s = int(day.timestamp()) - MARKET_OFFSET_S
    stream.start_s.append(first_s + 60 * stream.length_min * np.arange(count, dtype=np.int64))
    stream.values.append(values)
    stream.quality.append(np.full(count, METERED if quality[0] == "V" else quality[0]))
    stream.lines.append(line)


def _take_event(stream: _Stream, record: list[str], line: int, name: str) -> None:
    cells = [cell.strip() for cell in record] + [""] * 4
    count = DAY_S // (60 * stream.length_min)
    if not (cells[1].isdigit() and cells[2].isdigit() and 1 <= int(cells[1]) <= int(cells[2]) <= count):
        raise SeriesError(
            f"{name} line {line:,}: found the intervals '{cells[1]}' to '{cells[2]}'\n    expected 1 to {count},"
            f" as {stream.length_min} minutes in record 200 have it"
        )
    if not stream.values:
        raise SeriesError(f"{name} line {line:,}: a record 400 before any record 300\n    fetch the file again")
    part = slice(int(cells[1]) - 1, int(cells[2]))
    stream.quality[-1][part] = cells[3][:1]
    if cells[3][:1] == NULL:
        stream.values[-1][part] = np.nan
