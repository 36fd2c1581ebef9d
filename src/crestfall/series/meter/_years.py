"""Which year of the data a study takes."""

import numpy as np
import pandas as pd

from crestfall.errors import SeriesError
from crestfall.series.meter._cleaned import Cleaned


def part_between(series: Cleaned, first: pd.Timestamp, end: pd.Timestamp) -> Cleaned:
    """
    Return a part of a series.

    Parameters
    ----------
    series : Cleaned
        A series.
    first, end : Timestamp
        Where it shall begin and end.

    Returns
    -------
    Cleaned
        The steps that begin in between, with the series' own list of defects.

    Raises
    ------
    SeriesError
        If the series does not reach that far.
    """
    begin_s, end_s = int(first.timestamp()), int(end.timestamp())
    low, high = ((at - series.first_s) // series.step_s for at in (begin_s, end_s))
    if low < 0 or high > len(series.load_kw) or (begin_s - series.first_s) % series.step_s:
        raise SeriesError(
            f"{series.source}: the data run from {series.shown(0)} to {series.shown(len(series.load_kw))},"
            f" not over {first:%Y-%m-%d} to {end:%Y-%m-%d}\n    name another time, or more files"
        )
    part = slice(low, high)
    return Cleaned(
        source=series.source,
        first_s=begin_s,
        step_s=series.step_s,
        clock=series.clock,
        load_kw=series.load_kw[part],
        export_kw=None if series.export_kw is None else series.export_kw[part],
        marks=series.marks[part],
        defects=series.defects,
    )


def year_starts(series: Cleaned) -> list[pd.Timestamp]:
    """
    Return the first days of months from which twelve whole months are in the data.

    Parameters
    ----------
    series : Cleaned
        A series.

    Returns
    -------
    list of Timestamp
        Midnights of the site's clock, in order.
    """
    zone = series.clock.name
    first = pd.Timestamp(series.first_s, unit="s", tz="UTC").tz_convert(zone)
    end = first + pd.Timedelta(seconds=len(series.load_kw) * series.step_s)
    starts = pd.date_range(first.normalize().replace(day=1), end, freq="MS", tz=zone)
    return [start for start in starts if start >= first and start + pd.DateOffset(years=1) <= end]


def study_year(series: Cleaned, *, wanted: str | None, allow_partial: bool = False) -> Cleaned:
    """
    Return the year of a series that a study takes.

    Parameters
    ----------
    series : Cleaned
        A series.
    wanted : str or None
        First month, year-month, or a calendar year; None takes the only one there is.
    allow_partial : bool, default=False
        Whether less than a year will do.

    Returns
    -------
    Cleaned
        Twelve months, or all of it where less is allowed.

    Raises
    ------
    SeriesError
        If there is no whole year, or there are several and none is named.
    """
    starts = year_starts(series)
    if wanted is not None:
        first = _month(wanted, series)
        return part_between(series, first, first + pd.DateOffset(years=1))
    if len(starts) == 1:
        return part_between(series, starts[0], starts[0] + pd.DateOffset(years=1))
    days = len(series.load_kw) * series.step_s / 86_400
    if starts:
        shown = _januaries(starts) or starts
        choices = "\n".join(f"    --from {start:%Y-%m}" for start in shown)
        raise SeriesError(f"{series.source}: the data hold {days:,.0f} days; which twelve months?\n{choices}")
    if allow_partial:
        return series
    raise SeriesError(
        f"{series.source}: the data hold {days:,.1f} days from {series.shown(0)} on, and no twelve whole months\n"
        "    annual figures need all seasons: add files, or use them as they are with --allow-partial"
    )


def spread_table(series: Cleaned) -> pd.DataFrame:
    """
    Return the figures of each year in a series.

    Parameters
    ----------
    series : Cleaned
        A series.

    Returns
    -------
    DataFrame
        Columns first_month, energy_kwh, peak_kw, load_factor_frac; calendar years where there is one, else the last
        twelve months.
    """
    starts = year_starts(series)
    rows = []
    for start in _januaries(starts) or starts[-1:]:
        part = part_between(series, start, start + pd.DateOffset(years=1))
        peak_kw = float(np.nanmax(part.load_kw))
        rows.append(
            {
                "first_month": f"{start:%Y-%m}",
                "energy_kwh": float(np.nansum(part.load_kw)) * part.step_h,
                "peak_kw": peak_kw,
                "load_factor_frac": float(np.nanmean(part.load_kw)) / peak_kw if peak_kw else 0.0,
            }
        )
    return pd.DataFrame(rows, columns=["first_month", "energy_kwh", "peak_kw", "load_factor_frac"])


def _januaries(starts: list[pd.Timestamp]) -> list[pd.Timestamp]:
    return [start for start in starts if start.month == 1]


def _month(wanted: str, series: Cleaned) -> pd.Timestamp:
    try:
        return (
            pd.Timestamp(wanted if len(wanted) > 4 else f"{wanted}-01", tz=series.clock.name).normalize().replace(day=1)
        )
    except ValueError:
        raise SeriesError(f"found '{wanted}', expected a year or a month\n    write it as 2024 or 2024-07") from None
