"""Charges and payments at named times: system peaks, and calls to use less."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import KeyedError
from crestfall.scenario.tariff_clauses import Baseline
from crestfall.tariff._calendar import SATURDAY, Mask, holiday_dates
from crestfall.tariff._layout import Layout
from crestfall.tariff._periods import Periods
from crestfall.tariff._readings import FloatArray, Readings, Row, priced


@dataclass(frozen=True, slots=True, kw_only=True)
class CoincidentLine:
    """A charge on the mean import at named times.

    Parameters
    ----------
    name : str
        The line of the bill.
    rate_per_kw : float
        Price of one kW of that mean.
    steps : ndarray of int, shape (n_named,)
        The steps at these times.
    year : Periods
        The year that it is billed for.
    """

    name: str
    rate_per_kw: float
    steps: NDArray[np.int64]
    year: Periods

    def rows(self, readings: Readings) -> Iterator[Row]:
        """Yield the one row."""
        if self.steps.size:
            mean_kw = readings.import_kw[self.steps].mean()
            yield priced(self.year.names[0], "coincident", self.name, mean_kw, "kW", self.rate_per_kw)


@dataclass(frozen=True, slots=True, kw_only=True)
class EventLine:
    """Payments for import below a baseline.

    Parameters
    ----------
    name : str
        The line of the bill.
    rate_per_kwh : float
        Payment for one kWh.
    events : tuple of ndarray of int
        The steps of each event.
    comparable : tuple of ndarray of int, each of shape (n_days, n_event_steps)
        For each event the steps at the same times of the days that its baseline is made of, latest first.
    baseline : Baseline
        How it is made of them.
    billing : Periods
        The periods of its rows.
    step_h : float
        Length of a step [h].
    """

    name: str
    rate_per_kwh: float
    events: tuple[NDArray[np.int64], ...]
    comparable: tuple[NDArray[np.int64], ...]
    baseline: Baseline
    billing: Periods
    step_h: float

    def baselines_kwh(self, before: Readings) -> FloatArray:
        """Return the baseline of each event, from the readings without the battery [kWh]."""
        baselines = []
        for days in self.comparable:
            kwh = before.import_kw[days].sum(axis=1) * self.step_h
            if self.baseline.highest is not None:
                kwh = np.sort(kwh)[-self.baseline.highest :]
            baselines.append(float(kwh.mean()))
        return np.array(baselines)

    def period_of(self, event: int) -> int:
        """Return the billing period in which an event begins."""
        return int(self.billing.of[self.events[event][0]])

    def rows(self, readings: Readings, before: Readings) -> Iterator[Row]:
        """Yield a row for each period with an event."""
        delivered_kwh = np.zeros(self.billing.n)
        baselines = self.baselines_kwh(before)
        for event, steps in enumerate(self.events):
            used_kwh = readings.import_kw[steps].sum() * self.step_h
            delivered_kwh[self.period_of(event)] += max(baselines[event] - used_kwh, 0.0)
        for p in sorted({self.period_of(event) for event in range(len(self.events))}):
            yield priced(self.billing.names[p], "events", self.name, delivered_kwh[p], "kWh", -self.rate_per_kwh)


def coincident_lines(layout: Layout) -> tuple[CoincidentLine, ...]:
    """
    Lay the coincident charges on the axis.

    Parameters
    ----------
    layout : Layout
        The tariff and the axis.

    Returns
    -------
    tuple of CoincidentLine
        In the order of the file.

    Raises
    ------
    KeyedError
        If none of the times lies in the data.
    """
    lines = []
    for i, charge in enumerate(layout.tariff.coincident_charges):
        key = ("coincident_charges", i, "times")
        named = np.zeros(layout.clock.n_steps, dtype=bool)
        for j, time in enumerate(charge.times):
            named |= layout.steps_at(time, charge.duration_min, (*key, j))
        if not named.any():
            raise _none_in_the_data(layout, key, f"{len(charge.times)} times from {charge.times[0]}")
        steps = np.flatnonzero(named & layout.valid)
        lines.append(
            CoincidentLine(
                name=charge.name,
                # With another sheet in the year each bills its share of the named times.
                rate_per_kw=charge.rate_per_kw * steps.size / np.count_nonzero(named),
                steps=steps,
                year=layout.periods("year"),
            )
        )
    return tuple(lines)


def event_lines(layout: Layout) -> tuple[EventLine, ...]:
    """
    Lay the event payments on the axis, with the days that each baseline is made of.

    Parameters
    ----------
    layout : Layout
        The tariff and the axis.

    Returns
    -------
    tuple of EventLine
        In the order of the file.

    Raises
    ------
    KeyedError
        If no event lies in the data, or one has no earlier day to compare with.
    """
    lines = []
    for i, payment in enumerate(layout.tariff.event_payments):
        key = ("event_payments", i, "events")
        found = [
            (j, layout.steps_at(event.start, event.duration_min, (*key, j))) for j, event in enumerate(payment.events)
        ]
        called = [(j, mask & layout.valid) for j, mask in found if (mask & layout.valid).any()]
        _refuse_overlaps(layout, [mask for _, mask in found], key)
        if not any(mask.any() for _, mask in found):
            raise _none_in_the_data(layout, key, f"{len(payment.events)} events from {payment.events[0].start}")
        in_any = np.logical_or.reduce([mask for _, mask in called]) if called else np.zeros(layout.clock.n_steps, bool)
        comparable = [_comparable(layout, mask, in_any, payment.baseline.days, (*key, j)) for j, mask in called]
        lines.append(
            EventLine(
                name=payment.name,
                rate_per_kwh=payment.rate_per_kwh,
                events=tuple(np.flatnonzero(mask) for _, mask in called),
                comparable=tuple(comparable),
                baseline=payment.baseline,
                billing=layout.billing,
                step_h=layout.step_h,
            )
        )
    return tuple(lines)


def _comparable(
    layout: Layout, event: Mask, in_any: Mask, n_days: int, key: tuple[str | int, ...]
) -> NDArray[np.int64]:
    """Return the steps of an event's times of day on the latest earlier days of its kind without an event."""
    clock, steps = layout.clock, np.flatnonzero(event)
    dates, first = np.unique(clock.date, return_index=True)
    is_rest = (clock.weekday[first] >= SATURDAY) | np.isin(dates, holiday_dates(layout.tariff, clock))
    today = int(np.searchsorted(dates, clock.date[steps[0]]))
    called = set(clock.date[in_any].tolist())
    offsets = steps - first[today]
    candidates = [
        day for day in range(today - 1, -1, -1) if is_rest[day] == is_rest[today] and dates[day].item() not in called
    ][:n_days]
    if not candidates:
        raise KeyedError(
            "tariff",
            key,
            found=clock.shown(int(steps[0])),
            expected="an event with at least one earlier day of the same kind in the data",
            remedy="leave the event out, or begin the data earlier",
        )
    # Where clocks changed since, the same offset is another hour of the day; a day has one such hour, and few days do.
    return np.array([first[day] + offsets for day in candidates])


def _refuse_overlaps(layout: Layout, events: list[Mask], key: tuple[str | int, ...]) -> None:
    seen = np.zeros(layout.clock.n_steps, dtype=bool)
    for position, event in enumerate(events):
        if (event & seen).any():
            raise KeyedError(
                "tariff",
                (*key, position),
                found=f"an event that another one covers from {layout.clock.shown(int(np.argmax(event & seen)))}",
                expected="events that do not overlap",
                remedy="energy that is not used cannot be paid twice; leave one out or shorten it",
            )
        seen |= event


def _none_in_the_data(layout: Layout, key: tuple[str | int, ...], found: str) -> KeyedError:
    clock = layout.clock
    return KeyedError(
        "tariff",
        key,
        found=found,
        expected=f"times from {clock.shown(0)} to {clock.shown(clock.n_steps - 1)}",
        remedy="give the times of the year of the data",
    )
