"""Billing periods, and the other spans over which peaks are taken: days, seasons, the year."""

import calendar
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import KeyedError
from crestfall.scenario import TariffFile
from crestfall.scenario.tariff_clauses import Season
from crestfall.tariff._calendar import LocalClock, Mask, in_season

ONE_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, kw_only=True)
class Periods:
    """Spans of time that are billed as one.

    Parameters
    ----------
    of : ndarray of int, shape (n_steps,)
        Number of the period of each step; -1 where a step lies in none.
    names : tuple of str
        Their names on the bill.
    factor : ndarray of shape (n_periods,)
        Share of a period's amounts that is due: 1 for a whole period, less for a part of one.
    days : ndarray of shape (n_periods,)
        Local days of each period that the data and the sheet cover.
    month : ndarray of int, shape (n_periods,)
        Month (1 to 12) in which each period begins.
    """

    of: NDArray[np.int64]
    names: tuple[str, ...]
    factor: NDArray[np.float64]
    days: NDArray[np.float64]
    month: NDArray[np.int64]

    @property
    def n(self) -> int:
        """Number of periods."""
        return len(self.names)

    def sums(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the sum of a value of each step over each period, shape (n_periods,)."""
        of, first = self._runs
        inside = of >= 0
        of_runs = np.add.reduceat(values, first)
        return np.asarray(np.bincount(of[inside], weights=of_runs[inside], minlength=self.n), dtype=float)

    @cached_property
    def _runs(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Period and first step of each run of steps of one period: there are few, which makes summing quick."""
        first = np.flatnonzero(np.diff(self.of, prepend=-2))
        return self.of[first], first

    def within(self, sheet: Mask, clock: LocalClock) -> "Periods":
        """Return the same periods with amounts for the part that a sheet is valid for."""
        days = _days_in(self.of, self.n, clock, sheet)
        covered = np.divide(days, self.days, out=np.zeros(self.n), where=self.days > 0)
        return Periods(of=self.of, names=self.names, factor=self.factor * covered, days=days, month=self.month)


def billing_periods(tariff: TariffFile, clock: LocalClock) -> Periods:
    """
    Return the billing periods of a tariff.

    Parameters
    ----------
    tariff : TariffFile
        Its reading day or reading dates.
    clock : LocalClock
        The steps.

    Returns
    -------
    Periods
        Calendar months, or what the readings cut; the first and the last may be partial.

    Raises
    ------
    KeyedError
        If reading dates do not cover the data.
    """
    begins = _reading_dates(tariff, clock)
    of = np.searchsorted(begins, clock.date, side="right") - 1
    first = of[0]
    n = int(of[-1] - first) + 1
    starts, whole_days = begins[first : first + n], np.diff(begins[first : first + n + 1]) / ONE_DAY
    names = [str(day)[:7] if str(day)[8:] == "01" else str(day) for day in starts]
    return _periods(tariff, clock, of - first, names, whole_days, starts, standard_days=tariff.billing.standard_days)


def peak_periods(kind: str, tariff: TariffFile, clock: LocalClock) -> Periods:
    """
    Return the periods over which a peak is taken.

    Parameters
    ----------
    kind : {"day", "month", "season", "year"}
        What a charge names; month is the billing period.
    tariff : TariffFile
        The file with seasons and readings.
    clock : LocalClock
        The steps.

    Returns
    -------
    Periods
        The periods.
    """
    if kind == "month":
        return billing_periods(tariff, clock)
    if kind == "year":
        return _year(tariff, clock)
    if kind == "season":
        return _seasons(tariff, clock)
    dates, of = np.unique(clock.date, return_inverse=True)
    return _periods(tariff, clock, of, [str(day) for day in dates], np.ones(len(dates)), dates)


def year_days(clock: LocalClock) -> int:
    """Return the days from the first local day of the data to the same day a year later."""
    first = pd.Timestamp(clock.date[0])
    return (first + pd.DateOffset(years=1) - first).days


def _reading_dates(tariff: TariffFile, clock: LocalClock) -> NDArray[np.datetime64]:
    """Return first days of periods, from at or before the first day of the data to beyond its last."""
    billing = tariff.billing
    if billing.reading_dates:
        dates = np.array(billing.reading_dates, dtype="datetime64[D]")
        if dates[0] > clock.date[0] or dates[-1] <= clock.date[-1]:
            raise KeyedError(
                "tariff",
                ("billing", "reading_dates"),
                found=f"{dates[0]} to {dates[-1]}",
                expected=f"dates from {clock.date[0]} or before to a day after {clock.date[-1]}",
                remedy="each period needs its first day, the last one also the first day after it",
            )
        return dates
    months = range(int(clock.month[0]) - 1, int(clock.month[-1]) + 3)
    days = [(m // 12, m % 12 + 1) for m in months]
    text = [f"{y:04d}-{m:02d}-{min(billing.reading_day, calendar.monthrange(y, m)[1]):02d}" for y, m in days]
    return np.array(text, dtype="datetime64[D]")


def _year(tariff: TariffFile, clock: LocalClock) -> Periods:
    first, last = pd.Timestamp(clock.date[0]), pd.Timestamp(clock.date[-1])
    name = f"{first.year}" if first.year == last.year else f"{first.year}/{last.year % 100:02d}"
    of = np.zeros(clock.n_steps, dtype=np.int64)
    return _periods(tariff, clock, of, [name], np.array([float(year_days(clock))]), clock.date[:1])


def _seasons(tariff: TariffFile, clock: LocalClock) -> Periods:
    """Return each occurrence of a season; where seasons overlap, the first of the file holds."""
    label = np.full(clock.n_steps, -1)
    begun = np.zeros(clock.n_steps, dtype=np.int64)
    for number, season in reversed(list(enumerate(tariff.seasons.values()))):
        inside = in_season(season, clock)
        label[inside] = number
        begun[inside] = _years_begun(season, clock)[inside]
    # A season that lasts all year follows on itself.
    turns = np.flatnonzero((np.diff(label, prepend=-2) != 0) | (np.diff(begun, prepend=0) != 0))
    occurrence = np.cumsum(np.isin(np.arange(clock.n_steps), turns)) - 1
    kept = [turn for turn in turns if label[turn] >= 0]
    number_of = {occurrence[turn]: position for position, turn in enumerate(kept)}
    of = np.array([number_of.get(o, -1) for o in range(occurrence[-1] + 1)])[occurrence]
    names, whole, starts = [], [], []
    for turn in kept:
        name, season = list(tariff.seasons.items())[label[turn]]
        begin, end = _season_dates(season.first_day, season.last_day, pd.Timestamp(clock.date[turn]))
        names.append(f"{name} {begin.year}" + (f"/{end.year % 100:02d}" if end.year > begin.year else ""))
        whole.append(float((end - begin).days + 1))
        starts.append(np.datetime64(begin, "D"))
    return _periods(tariff, clock, of, names, np.array(whole), np.array(starts, dtype="datetime64[D]"))


def _years_begun(season: Season, clock: LocalClock) -> NDArray[np.int64]:
    """Return the year in which the season of each of its steps began."""
    wraps = season.first_day > season.last_day
    return clock.month // 12 - (wraps & (clock.month_day <= int(season.last_day.replace("-", ""))))


def _season_dates(first_day: str, last_day: str, inside: pd.Timestamp) -> tuple[pd.Timestamp, pd.Timestamp]:
    wraps = first_day > last_day
    year = inside.year - (1 if wraps and f"{inside:%m-%d}" <= last_day else 0)

    def day(of_year: int, month_day: str, *, in_common_year: str) -> pd.Timestamp:
        is_leap_day = month_day == "02-29" and not calendar.isleap(of_year)
        return pd.Timestamp(f"{of_year}-{in_common_year if is_leap_day else month_day}")

    return day(year, first_day, in_common_year="03-01"), day(year + wraps, last_day, in_common_year="02-28")


def _periods(
    tariff: TariffFile,
    clock: LocalClock,
    of: NDArray[np.int64],
    names: list[str],
    whole_days: NDArray[np.float64],
    starts: NDArray[np.datetime64],
    *,
    standard_days: int | None = None,
) -> Periods:
    n = len(names)
    days = _days_in(of, n, clock, np.ones(clock.n_steps, dtype=bool))
    due = days if tariff.billing.prorate else np.asarray(whole_days, dtype=float)
    return Periods(
        of=of,
        names=tuple(names),
        factor=due / (standard_days or whole_days),
        days=days,
        month=starts.astype("datetime64[M]").astype(np.int64) % 12 + 1,
    )


def _days_in(of: NDArray[np.int64], n: int, clock: LocalClock, among: Mask) -> NDArray[np.float64]:
    """Return the local days of each period that hold one of the given steps."""
    ordinal = clock.date.astype(np.int64) - int(clock.date[0].astype(np.int64))
    inside = among & (of >= 0)
    pairs = np.unique(of[inside] * (ordinal[-1] + 1) + ordinal[inside])
    return np.bincount(pairs // (ordinal[-1] + 1), minlength=n).astype(float)
