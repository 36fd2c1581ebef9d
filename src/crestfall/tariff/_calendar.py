"""Which steps a tariff's seasons, day types and times of day mean."""

import datetime as dt
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import KeyedError, KeyPath
from crestfall.scenario import TariffFile
from crestfall.scenario.tariff_clauses import DayType, Holidays, Season, When, public_holidays

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SATURDAY, SUNDAY = 5, 6
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
    # Tariffs ask for the same few day types again and again: once for each line, and once for each year of a life.
    _on_day_types: dict[tuple[DayType, Holidays], Mask] = field(
        init=False, default_factory=dict, repr=False, compare=False
    )

    @classmethod
    def at(cls, start: pd.DatetimeIndex, step_h: float, *, parts: int = 1) -> "LocalClock":
        """Read clock and calendar at each step, or at each of so many equal parts of it."""
        step_min = round(step_h * 60)
        if parts > 1:
            offsets = pd.to_timedelta(np.tile(np.arange(parts) * (step_min // parts), len(start)), unit="min")
            start = start.repeat(parts) + offsets
        integers = {
            "minute": start.hour * 60 + start.minute,
            "month_day": start.month * 100 + start.day,
            "weekday": start.day_of_week,
            "month": start.year * 12 + start.month - 1,
        }
        arrays = {name: np.asarray(values, dtype=np.int64) for name, values in integers.items()}
        date = start.tz_localize(None).normalize().to_numpy().astype("datetime64[D]")
        return cls(start=start, step_min=step_min // parts, date=date, **arrays)

    @property
    def n_steps(self) -> int:
        """Number of steps."""
        return len(self.minute)

    def shown(self, step: int) -> str:
        """Return day and time of a step, for messages."""
        return f"{self.start[step]:%a %Y-%m-%d %H:%M}"


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
    covered = np.zeros(clock.n_steps, dtype=bool)
    for position, block in enumerate(when):
        inside = np.ones(clock.n_steps, dtype=bool)
        if block.seasons is not None:
            inside &= np.logical_or.reduce([in_season(tariff.seasons[name], clock) for name in block.seasons])
        if block.day_types is not None:
            inside &= np.logical_or.reduce([_on_day_type(name, tariff, clock) for name in block.day_types])
        if block.times is not None:
            windows = [_in_window(text, clock, (*key, position, "times", i)) for i, text in enumerate(block.times)]
            inside &= np.logical_or.reduce(windows)
        covered |= inside
    return covered


def parts_of_a_step(tariff: TariffFile, step_min: int) -> int:
    """Return into how many parts a step falls so that every window edge lies between two of them."""
    if not tariff.split_steps:
        return 1
    charges = [*tariff.energy_charges, *tariff.demand_charges, *tariff.capacity_charges, *tariff.reactive_charges]
    charges += tariff.export.charges or ()
    edges = [
        edge
        for charge in charges
        for when in charge.when or ()
        for window in when.times or ()
        for edge in _edges_min(window)
    ]
    return step_min // math.gcd(step_min, *edges)


def in_season(season: Season, clock: LocalClock) -> Mask:
    """Return the steps that lie in a season, shape (n_steps,)."""
    first, last = (int(text.replace("-", "")) for text in (season.first_day, season.last_day))
    after, before = clock.month_day >= first, clock.month_day <= last
    return after & before if first <= last else after | before


def _on_day_type(name: str, tariff: TariffFile, clock: LocalClock) -> Mask:
    day_type, known = tariff.day_types[name], clock._on_day_types
    key = (day_type, tariff.holidays)
    if key not in known:
        on_weekday = np.isin(clock.weekday, [WEEKDAYS.index(day) for day in day_type.weekdays])
        known[key] = on_weekday if day_type.on_holidays == "as_weekday" else _moved(on_weekday, day_type, tariff, clock)
    return known[key]


def _moved(on_weekday: Mask, day_type: DayType, tariff: TariffFile, clock: LocalClock) -> Mask:
    """Return the steps of a day type that treats holidays apart."""
    on_holiday: Mask = np.isin(clock.date, holiday_dates(tariff, clock))
    return on_weekday | on_holiday if day_type.on_holidays == "always" else on_weekday & ~on_holiday


def holiday_dates(tariff: TariffFile, clock: LocalClock) -> NDArray[np.datetime64]:
    """Return the days on which holidays are kept: moved as the sheet says, with its own days, in order."""
    ask = tariff.holidays
    # A holiday at the turn of the year may move into the next, so one year more on each side.
    years = range(clock.start[0].year - 1, clock.start[-1].year + 2)
    dates = [*_public_holidays(tariff, years), *_every_year(ask.every_year, years)]
    shifts = {day: _shift_days(day, ask.saturday_moves_to, ask.sunday_moves_to) for day in dates}
    kept = {day for day, shift in shifts.items() if not shift}
    for day in sorted(day for day, shift in shifts.items() if shift):
        to = day + dt.timedelta(days=shifts[day])
        while to in kept:  # a day that is a holiday already passes it on to the next
            to += dt.timedelta(days=1 if shifts[day] > 0 else -1)
        kept.add(to)
    return np.array(sorted(kept | set(ask.extra_dates)), dtype="datetime64[D]")


def _public_holidays(tariff: TariffFile, years: range) -> list[dt.date]:
    ask = tariff.holidays
    if ask.country is None:
        return []
    # The library's own substitute days follow the law of the country, not the tariff sheet.
    public = public_holidays(ask.country, ask.subdivision, years)
    return [day for day in public if ask.only is None or set(public.get_list(day)) & set(ask.only)]


def _every_year(month_days: Iterable[str], years: range) -> Iterator[dt.date]:
    for year in years:
        for month_day in month_days:
            try:
                yield dt.date.fromisoformat(f"{year}-{month_day}")
            except ValueError:  # the 29th of February in a common year
                continue


def _shift_days(day: dt.date, saturday_to: str, sunday_to: str) -> int:
    """Return by how many days a holiday is moved."""
    shift = {
        (SATURDAY, "friday"): -1,
        (SATURDAY, "monday"): 2,
        (SUNDAY, "monday"): 1,
    }
    weekday = day.weekday()
    to = saturday_to if weekday == SATURDAY else sunday_to
    return shift.get((weekday, to), 0)


def _edges_min(window: str) -> tuple[int, int]:
    begin, end = (int(part[:2]) * 60 + int(part[3:]) for part in window.split("-"))
    return begin, end


def _in_window(text: str, clock: LocalClock, key: KeyPath) -> Mask:
    begin, end = _edges_min(text)
    for edge in (begin, end):
        if edge % clock.step_min:
            raise KeyedError(
                "tariff",
                key,
                found=repr(text),
                expected=f"times on the {clock.step_min}-minute steps of the data",
                remedy="use finer data, move the window to a whole step, or set split_steps: true to split it by time",
            )
    if begin == end:
        raise KeyedError(
            "tariff", key, found=repr(text), expected="two different times", remedy="write a whole day as 00:00-24:00"
        )
    after, before = clock.minute >= begin, clock.minute < end
    return after & before if begin < end else after | before
