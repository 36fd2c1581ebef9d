"""Which steps a tariff's seasons, day types and times of day mean."""

from collections.abc import Iterable
from dataclasses import dataclass

import holidays
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import KeyedError, KeyPath
from crestfall.scenario import TariffFile
from crestfall.scenario.tariff_file import Season, When

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class LocalClock:
    """What a wall clock and a wall calendar show at the start of each step.

    Parameters
    ----------
    start : DatetimeIndex of shape (n_steps,)
        Start of each step, zone-aware.
    step_min : int
        Length of a step [min].
    minute, month_day, weekday, month : ndarray of shape (n_steps,)
        Minute of the local day, ``100 * month + day``, day of the week (Monday 0), and months since year 0.
    date : ndarray of shape (n_steps,)
        Local date.
    """

    start: pd.DatetimeIndex
    step_min: int
    minute: NDArray[np.int64]
    month_day: NDArray[np.int64]
    weekday: NDArray[np.int64]
    month: NDArray[np.int64]
    date: NDArray[np.datetime64]

    @classmethod
    def at(cls, start: pd.DatetimeIndex, step_h: float) -> "LocalClock":
        """Read clock and calendar at each step."""
        integers = {
            "minute": start.hour * 60 + start.minute,
            "month_day": start.month * 100 + start.day,
            "weekday": start.day_of_week,
            "month": start.year * 12 + start.month - 1,
        }
        arrays = {name: np.asarray(values, dtype=np.int64) for name, values in integers.items()}
        date = start.tz_localize(None).normalize().to_numpy().astype("datetime64[D]")
        return cls(start=start, step_min=round(step_h * 60), date=date, **arrays)


def steps_in(when: Iterable[When], tariff: TariffFile, clock: LocalClock, key: KeyPath) -> Mask:
    """
    Return the steps that any of several `when` blocks covers.

    Parameters
    ----------
    when : iterable of When
        Blocks; a step belongs if one of them holds.
    tariff : TariffFile
        The file that defines their seasons and day types.
    clock : LocalClock
        The steps.
    key : tuple
        Where the blocks stand, for messages.

    Returns
    -------
    ndarray of bool, shape (n_steps,)
        True where a block covers the step.

    Raises
    ------
    KeyedError
        If a window begins or ends inside a step.
    """
    covered = np.zeros(len(clock.minute), dtype=bool)
    for position, block in enumerate(when):
        inside = np.ones(len(clock.minute), dtype=bool)
        if block.seasons is not None:
            inside &= np.logical_or.reduce([_in_season(tariff.seasons[name], clock) for name in block.seasons])
        if block.day_types is not None:
            inside &= np.logical_or.reduce([_on_day_type(name, tariff, clock) for name in block.day_types])
        if block.times is not None:
            windows = [_in_window(text, clock, (*key, position, "times", i)) for i, text in enumerate(block.times)]
            inside &= np.logical_or.reduce(windows)
        covered |= inside
    return covered


def _in_season(season: Season, clock: LocalClock) -> Mask:
    first, last = (int(text.replace("-", "")) for text in (season.first_day, season.last_day))
    after, before = clock.month_day >= first, clock.month_day <= last
    return after & before if first <= last else after | before


def _on_day_type(name: str, tariff: TariffFile, clock: LocalClock) -> Mask:
    day_type = tariff.day_types[name]
    on_weekday = np.isin(clock.weekday, [WEEKDAYS.index(day) for day in day_type.weekdays])
    if day_type.on_holidays == "as_weekday":
        return on_weekday
    on_holiday = np.isin(clock.date, holiday_dates(tariff, clock))
    return on_weekday | on_holiday if day_type.on_holidays == "always" else on_weekday & ~on_holiday


def holiday_dates(tariff: TariffFile, clock: LocalClock) -> NDArray[np.datetime64]:
    """Return the holidays of the years concerned, on their own dates (no substitute days), with the extra dates."""
    ask = tariff.holidays
    dates = list(ask.extra_dates)
    if ask.country is not None:
        years = range(clock.start[0].year, clock.start[-1].year + 1)
        dates += list(holidays.country_holidays(ask.country, subdiv=ask.subdivision, years=years, observed=False))
    return np.array(sorted(dates), dtype="datetime64[D]")


def _in_window(text: str, clock: LocalClock, key: KeyPath) -> Mask:
    begin, end = (int(part[:2]) * 60 + int(part[3:]) for part in text.split("-"))
    for edge in (begin, end):
        if edge % clock.step_min:
            raise KeyedError(
                "tariff",
                key,
                found=repr(text),
                expected=f"times on the {clock.step_min}-minute steps of the data",
                remedy="a step can have only one price; use finer data or move the window to a whole step",
            )
    if begin == end:
        raise KeyedError(
            "tariff", key, found=repr(text), expected="two different times", remedy="write a whole day as 00:00-24:00"
        )
    after, before = clock.minute >= begin, clock.minute < end
    return after & before if begin < end else after | before
