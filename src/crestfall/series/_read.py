"""Read one column of a CSV file into a checked series on a time-zone-aware axis."""

import difflib
import re
import zoneinfo
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario import SeriesFile
from crestfall.scenario.scenario_file import EnergySeries
from crestfall.scenario.series_file import Repairs
from crestfall.series._axis import checked_step_h, counted

_OFFSET = r"[T ]\S*(?:[Zz]|[+-]\d{2}(?::?\d{2})?)$"  # behind a time of day: 2025-01-31 ends with no offset


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of interval data.

    Parameters
    ----------
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site, without gaps.
    step_h : float
        Length of a step [h].
    readings : ndarray of shape (n_steps,)
        The values as they stand in the file; finite.
    source : str
        File and column, for messages.
    repairs : tuple of str
        What was repaired in the file, in words.
    """

    start: pd.DatetimeIndex
    step_h: float
    readings: NDArray[np.float64]
    source: str
    repairs: tuple[str, ...] = ()


def read_column(path: Path, ask: SeriesFile, *, site_zone: str) -> Column:
    """
    Read and check one column of a CSV file.

    Parameters
    ----------
    path : Path
        The CSV file.
    ask : SeriesFile
        Which columns to take and how the stamps are meant.
    site_zone : str
        Zone of the result, and of stamps without UTC offset unless `ask` names another.

    Returns
    -------
    Column
        Readings on an axis that marks the start of each step.

    Raises
    ------
    SeriesError
        If the file cannot be read or the data are damaged: the first place, the count and the remedy.
    """
    if isinstance(ask, EnergySeries) and ask.repairs is not None:
        return _repaired(path, ask, ask.repairs, site_zone)
    table = read_text_table(path, ask)
    start = parse_stamps(table["time"], path, ask.time_zone or site_zone).tz_convert(site_zone)
    step_h = checked_step_h(start, path)
    if ask.stamp == "end":
        start = start - pd.Timedelta(hours=step_h)
    readings = parse_numbers(table, path, ask.column)
    return Column(start=start, step_h=step_h, readings=readings, source=f"{path} column '{ask.column}'")


def _repaired(path: Path, ask: EnergySeries, repairs: Repairs, site_zone: str) -> Column:
    """Read a damaged file as far as its repairs are allowed; what the scenario says of it leaves nothing open."""
    from crestfall.series.meter import Said, raise_open, read_meter

    said = Said(
        zone=site_zone,
        clock=ask.time_zone or site_zone,
        date_order="ymd",
        stamp=ask.stamp,
        unit=ask.unit,
        kind="interval",
        delimiter=",",
        decimal=".",
        time_columns=(ask.time_column,),
        load_column=ask.column,
    )
    series = read_meter([path], said, repairs).series
    raise_open(series)
    readings = series.load_kw * series.step_h if ask.unit == "kWh" else series.load_kw
    source = f"{path} column '{ask.column}'"
    done = tuple(
        f"repaired in {path.name} column '{ask.column}': {one.kind}, {counted(one.steps, 'step')} from {one.first} on,"
        f" {one.done}"
        for one in series.defects
        if one.done != "kept"
    )
    return Column(start=series.start, step_h=series.step_h, readings=readings, source=source, repairs=done)


def read_text_table(path: Path, ask: SeriesFile, *, issued: bool = False) -> pd.DataFrame:
    """Return time, reading and perhaps issued as text, so that a bad cell can be shown as it stands."""
    try:
        # Without a header row pandas refuses rows with more cells than the first, such as those with a decimal comma;
        # and with blank lines kept, row numbers are those of the file.
        cells = pd.read_csv(
            path, header=None, dtype=str, keep_default_na=False, skip_blank_lines=False, encoding="utf-8-sig"
        )
    except pd.errors.EmptyDataError:
        raise SeriesError(f"{path}: the file is empty\n    expected a CSV file with a header line") from None
    except UnicodeDecodeError as error:
        raise SeriesError(f"{path}: byte {error.start} is not UTF-8\n    save the file as UTF-8 text") from None
    except (pd.errors.ParserError, ValueError) as error:
        raise _not_csv(path, str(error)) from None
    except OSError as error:
        raise SeriesError(f"{path}: cannot be read: {error.strerror}\n    check name and permissions") from None
    names = [name.strip() for name in cells.iloc[0]]
    if not any(names):
        raise SeriesError(f"{path}: the first line is empty\n    expected a CSV file with a header line")
    table = _without_blank_end(cells.iloc[1:])
    if table.empty:
        raise SeriesError(f"{path}: the file has a header and no rows\n    expected a year of steps")
    keys = {"time": "time_column", "reading": "column"} | ({"issued": "issued_column"} if issued else {})
    columns = [_position(path, names, key, getattr(ask, key)) for key in keys.values()]
    return table.iloc[:, columns].set_axis(list(keys), axis=1)


def _not_csv(path: Path, reason: str) -> SeriesError:
    if counts := re.search(r"Expected (\d+) fields in line (\d+), saw (\d+)", reason):
        wanted, row, found = counts.groups()
        return SeriesError(
            f"{path} row {row}: found {found} cells, expected {wanted} as in the header\n"
            "    write numbers with a decimal point, and commas only between columns"
        )
    reason = reason.splitlines()[0].removeprefix("Error tokenizing data. C error: ")
    return SeriesError(f"{path}: not readable as CSV: {reason}\n    look for a quotation mark that is not closed")


def _without_blank_end(table: pd.DataFrame) -> pd.DataFrame:
    filled = np.flatnonzero((table != "").any(axis=1))
    return table.iloc[: filled[-1] + 1] if filled.size else table.iloc[:0]


def _position(path: Path, names: list[str], key: str, wanted: str) -> int:
    """Return where a column stands in the header."""
    if names.count(wanted) > 1:
        raise SeriesError(f"{path}: column '{wanted}' stands twice in the header\n    rename one of them")
    if wanted in names:
        return names.index(wanted)
    if len(names) == 1 and (mark := next((mark for mark in ";\t" if mark in names[0]), None)):
        found = "tabs" if mark == "\t" else "semicolons"
        raise SeriesError(
            f"{path}: found {found} between columns, expected commas\n"
            "    save the file as CSV with commas, and numbers with a decimal point"
        )
    close = difflib.get_close_matches(wanted, names, n=1)
    hint = f"did you mean '{close[0]}'? " if close else ""
    raise SeriesError(f"{path}: there is no column '{wanted}'\n    {hint}set {key} to one of: {', '.join(names)}")


def parse_stamps(text: "pd.Series[str]", path: Path, zone: str) -> pd.DatetimeIndex:
    """Return zone-aware stamps in the order of the file."""
    text = text.str.strip()
    _refuse_bad_stamps(text, (text == "").to_numpy(dtype=bool), path)
    has_offset = text.str.contains(_OFFSET, regex=True).to_numpy(dtype=bool)
    if has_offset.any() != has_offset.all():
        row = int(np.flatnonzero(has_offset != has_offset[0])[0])
        raise SeriesError(
            f"{path} row {row + 2}: '{text.iloc[row]}' and '{text.iloc[0]}' in row 2:"
            " some stamps have a UTC offset, some not\n    write all of them the same way"
        )
    parsed = pd.to_datetime(text, format="ISO8601", utc=bool(has_offset[0]), errors="coerce")
    _refuse_bad_stamps(text, parsed.isna().to_numpy(dtype=bool), path)
    index = pd.DatetimeIndex(parsed)
    return index if has_offset[0] else _localised(index, text, path, zone)


def _refuse_bad_stamps(text: "pd.Series[str]", bad: NDArray[np.bool_], path: Path) -> None:
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise SeriesError(
            f"{path} row {row + 2}: '{text.iloc[row]}' is not a time stamp ({counted(bad.sum(), 'such row')})\n"
            "    write stamps as 2025-01-31 23:45 or 2025-01-31T23:45+01:00"
        )


def _localised(naive: pd.DatetimeIndex, text: "pd.Series[str]", path: Path, zone: str) -> pd.DatetimeIndex:
    """Place local stamps in their zone; the repeated hour is told apart by order, as a meter writes it."""
    tz = zoneinfo.ZoneInfo(zone)
    first_pass = np.ones(len(naive), dtype=bool)
    missing = np.asarray(naive.tz_localize(tz, nonexistent="NaT", ambiguous=first_pass).isna())
    if missing.any():
        row = int(np.flatnonzero(missing)[0])
        raise SeriesError(
            f"{path} row {row + 2}: {text.iloc[row]} does not exist in {zone}, where clocks go forward"
            f" ({counted(missing.sum(), 'such row')})\n    set time_zone to the zone the meter keeps;"
            " one that never changes its clock has a name such as Etc/GMT-1 (UTC+1)"
        )
    try:
        return naive.tz_localize(tz, ambiguous="infer")
    except ValueError:
        # Both offsets of an ambiguous stamp differ; everywhere else they agree.
        earlier, later = (naive.tz_localize(tz, ambiguous=choice) for choice in (first_pass, ~first_pass))
        row = int(np.flatnonzero(earlier != later)[0])
        raise SeriesError(
            f"{path} row {row + 2}: {text.iloc[row]} may be summer or winter time in {zone},"
            " and the file does not hold that hour twice\n"
            "    write stamps with their UTC offset, or set time_zone to the zone the meter keeps"
        ) from None


def parse_numbers(table: pd.DataFrame, path: Path, column: str) -> NDArray[np.float64]:
    readings = pd.to_numeric(table["reading"], errors="coerce").to_numpy(dtype=np.float64)
    bad = ~np.isfinite(readings)
    if not bad.any():
        return readings
    row = int(np.flatnonzero(bad)[0])
    cell = str(table["reading"].iloc[row]).strip()
    what = f"holds '{cell}', expected a number" if cell else "is empty"
    remedy = "fill it with the true value; nothing is filled in silence"
    if "," in cell:
        remedy = "write numbers with a decimal point"
    raise SeriesError(
        f"{path} row {row + 2}, column '{column}' ({table['time'].iloc[row]}) {what}"
        f" ({counted(bad.sum(), 'such cell')})\n    {remedy}"
    )
