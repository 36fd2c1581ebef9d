"""Prices of demand: measured peaks, what is billed of them, and contracted levels."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import KeyedError, KeyPath
from crestfall.scenario.tariff_clauses import CapacityCharge, DemandCharge, Measured, Ratchet
from crestfall.tariff._layout import Layout
from crestfall.tariff._periods import Periods
from crestfall.tariff._readings import FloatArray, Readings, Row, priced


@dataclass(frozen=True, kw_only=True)
class Measure:
    """How a meter takes demand: averages over intervals, the highest of each period.

    Parameters
    ----------
    unit : {"kW", "kVA"}
        What is measured.
    first : ndarray of int, shape (n_intervals,)
        First step of each interval that counts.
    span : int
        Steps that an interval is averaged over.
    periods : Periods
        What the highest is taken of.
    """

    unit: str
    first: NDArray[np.int64]
    span: int
    periods: Periods

    @cached_property
    def period_of(self) -> NDArray[np.int64]:
        """Period of each interval, shape (n_intervals,)."""
        return np.asarray(self.periods.of[self.first], dtype=np.int64)

    @cached_property
    def places_in(self) -> tuple[NDArray[np.int64], ...]:
        """Which of the intervals lie in each period."""
        by_period = np.argsort(self.period_of, kind="stable")
        ends = np.cumsum(np.bincount(self.period_of, minlength=self.periods.n))
        return tuple(np.split(by_period, ends[:-1]))

    def intervals_in(self, period: int) -> NDArray[np.int64]:
        """Return the first steps of the intervals of one period."""
        return np.asarray(self.first[self.places_in[period]], dtype=np.int64)

    def is_measured(self) -> NDArray[np.bool_]:
        """Return the steps that belong to an interval, shape (n_steps,)."""
        measured = np.zeros(len(self.periods.of), dtype=bool)
        measured[self.first[:, None] + np.arange(self.span)] = True
        return measured

    def means(self, power: FloatArray) -> FloatArray:
        """Return the mean of a power over each interval, shape (n_intervals,)."""
        return interval_means(power, self.first, self.span)

    def peaks(self, readings: Readings, unit: str | None = None) -> FloatArray:
        """Return the highest interval of each period, in kW or kVA; 0 where none counts."""
        demand = self.means(readings.import_kw)
        if (unit or self.unit) == "kVA":
            demand = np.hypot(demand, self.means(readings.reactive_kvar))
        return self.highest(demand)

    def highest(self, demand: FloatArray) -> FloatArray:
        """Return the highest of a quantity of each interval in each period, not below 0."""
        highest = np.zeros(self.periods.n)
        of, first = self._runs
        np.maximum.at(highest, of, np.maximum.reduceat(demand, first))
        return highest

    @cached_property
    def _runs(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Period and first interval of each run of intervals of one period."""
        first = np.flatnonzero(np.diff(self.period_of, prepend=-1))
        return self.period_of[first], first


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """A ratchet with what it looks back at.

    Parameters
    ----------
    share_frac : float
        Share of the highest earlier peak.
    counts_current : bool
        Whether the current period's own peak is billed too.
    looks_at : tuple of ndarray of int
        For each period the earlier ones that count; negative numbers lie before the data, -1 the latest.
    history : ndarray or None
        Measured peaks before the data, oldest first; None: those of another year.
    """

    share_frac: float
    counts_current: bool
    looks_at: tuple[NDArray[np.int64], ...]
    history: FloatArray | None


@dataclass(frozen=True, kw_only=True)
class DemandLine:
    """A demand charge on the steps of a year.

    Parameters
    ----------
    name : str
        The line of the bill.
    rate : ndarray of shape (n_periods,)
        Price of one unit of billed demand in each period, proration included.
    measure : Measure
        How the peak is taken.
    minimum, free : float
        Least billed demand, and the part of it that costs nothing.
    target_frac : float or None
        Billed demand is never below this share of the highest kVA.
    memory : Memory or None
        Ratchet.
    billing : Periods
        The billing periods, in which daily peaks are summed.
    is_daily : bool
        Whether each day has a peak of its own.
    """

    name: str
    rate: FloatArray
    measure: Measure
    minimum: float
    free: float
    target_frac: float | None
    memory: Memory | None
    billing: Periods
    is_daily: bool

    @cached_property
    def in_use(self) -> NDArray[np.int64]:
        """Periods that are billed."""
        periods = self.measure.periods
        has_interval = np.bincount(self.measure.period_of, minlength=periods.n) > 0
        return np.flatnonzero((periods.factor > 0) & has_interval)

    def billed(self, readings: Readings, last_year: Readings) -> FloatArray:
        """Return the billed demand of each period: after ratchet, power factor and minimum, before the free part."""
        measured = self.measure.peaks(readings)
        billed = np.full(measured.shape, self.minimum)
        if self.memory is None or self.memory.counts_current:
            billed = np.maximum(billed, measured)
        if self.target_frac is not None:
            billed = np.maximum(billed, self.target_frac * self.measure.peaks(readings, "kVA"))
        if self.memory is not None:
            earlier = self.earlier_peaks(last_year)
            both = np.concatenate((measured, earlier))  # so that -1 is the latest peak before the data
            remembered = [both[at].max(initial=0.0) for at in self.memory.looks_at]
            billed = np.maximum(billed, self.memory.share_frac * np.array(remembered))
        return billed

    def earlier_peaks(self, last_year: Readings) -> FloatArray:
        """Return the peaks before the data, oldest first: the sheet's own history, or those of another year."""
        given = None if self.memory is None else self.memory.history
        return self.measure.peaks(last_year) if given is None else given

    def rows(self, billed: FloatArray) -> Iterator[Row]:
        """Yield a row for each period, daily peaks summed over the billing period."""
        names, unit = self.measure.periods.names, self.measure.unit
        paid = np.maximum(billed - self.free, 0.0)
        if self.is_daily:
            days = self.in_use
            month = self.billing.of[self.measure.first[np.searchsorted(self.measure.period_of, days)]]
            for p in np.unique(month):
                summed = days[month == p]
                quantity = float(paid[summed].sum())
                yield priced(self.billing.names[p], "demand", self.name, quantity, f"{unit} day", self.rate[summed[0]])
            return
        for p in self.in_use:
            yield priced(names[p], "demand", self.name, paid[p], unit, self.rate[p])


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityLine:
    """A contracted level of demand on the steps of a year.

    Parameters
    ----------
    name : str
        The line of the bill.
    rate, excess_rate : ndarray of shape (n_periods,)
        Price of one unit contracted, and of one unit beyond it, in each period, proration included.
    measure : Measure
        How demand is taken.
    contracted : float or None
        Level in the contract today; None: the best one.
    choose : bool
        Whether another level may be set.
    least : float
        Lowest level that may be set.
    """

    name: str
    rate: FloatArray
    excess_rate: FloatArray
    measure: Measure
    contracted: float | None
    choose: bool
    least: float

    def best_level(self, peaks: FloatArray) -> float:
        """Return the cheapest level for given peaks; its cost is convex, with kinks at the peaks only."""
        levels = np.unique(np.concatenate(([self.least], peaks[peaks > self.least])))
        excess = np.maximum(peaks[None, :] - levels[:, None], 0.0) @ self.excess_rate
        return float(levels[np.argmin(levels * self.rate.sum() + excess)])

    def level(self, peaks: FloatArray, *, as_contracted: bool) -> float:
        """Return the level that is billed: that of the contract today, or the one that is chosen."""
        if self.contracted is not None and (as_contracted or not self.choose):
            return self.contracted
        return self.best_level(peaks)

    def rows(self, peaks: FloatArray, level: float) -> Iterator[Row]:
        """Yield the contracted level of each period, and what goes beyond it."""
        periods, unit = self.measure.periods, self.measure.unit
        for p in np.flatnonzero(periods.factor > 0):
            yield priced(periods.names[p], "capacity", self.name, level, unit, self.rate[p])
            if peaks[p] > level:
                yield priced(periods.names[p], "capacity", self.name, peaks[p] - level, unit, self.excess_rate[p])


def demand_lines(layout: Layout) -> tuple[DemandLine, ...]:
    """
    Lay the demand charges on the axis.

    Parameters
    ----------
    layout : Layout
        The tariff and the axis.

    Returns
    -------
    tuple of DemandLine
        In the order of the file.

    Raises
    ------
    KeyedError
        If an averaging interval does not fit the data, or a ratchet looks back further than there are peaks.
    """
    lines = []
    for i, charge in enumerate(layout.tariff.demand_charges):
        key = ("demand_charges", i)
        measure = _measure(layout, charge, key)
        lines.append(
            DemandLine(
                name=charge.name,
                rate=_rate(charge, charge.rate, measure.periods),
                measure=measure,
                minimum=charge.minimum_demand,
                free=charge.free_demand,
                target_frac=charge.power_factor_target_frac,
                memory=_memory(charge, measure.periods, key),
                billing=layout.billing,
                is_daily=charge.period == "day",
            )
        )
    return tuple(lines)


def capacity_lines(layout: Layout) -> tuple[CapacityLine, ...]:
    """
    Lay the capacity charges on the axis.

    Parameters
    ----------
    layout : Layout
        The tariff and the axis.

    Returns
    -------
    tuple of CapacityLine
        In the order of the file.
    """
    lines = []
    for i, charge in enumerate(layout.tariff.capacity_charges):
        measure = _measure(layout, charge, ("capacity_charges", i))
        lines.append(_capacity_line(charge, measure))
    return tuple(lines)


def interval_means(power: FloatArray, first: NDArray[np.int64], span: int) -> FloatArray:
    """
    Return the mean power over intervals of consecutive steps.

    Parameters
    ----------
    power : ndarray of shape (n_steps,)
        A power of each step.
    first : ndarray of int, shape (n_intervals,)
        First step of each interval.
    span : int
        Steps in an interval.

    Returns
    -------
    ndarray of shape (n_intervals,)
        The means.
    """
    if span == 1:
        return power[first]
    means: FloatArray = power[first[:, None] + np.arange(span)].mean(axis=1)
    return means


def _capacity_line(charge: CapacityCharge, measure: Measure) -> CapacityLine:
    return CapacityLine(
        name=charge.name,
        rate=_rate(charge, charge.rate, measure.periods),
        excess_rate=_rate(charge, charge.excess_rate, measure.periods),
        measure=measure,
        contracted=charge.contracted_demand,
        choose=charge.choose,
        least=charge.least_demand,
    )


def _rate(charge: Measured, rate: float, periods: Periods) -> FloatArray:
    return rate * (periods.days if charge.per_day else periods.factor)


def _measure(layout: Layout, charge: Measured, key: KeyPath) -> Measure:
    step_min = layout.clock.step_min
    if charge.averaging_min % step_min:
        raise KeyedError(
            "tariff",
            (*key, "averaging_min"),
            found=str(charge.averaging_min),
            expected=f"a multiple of {step_min}, the step of the data",
            remedy="use finer data: a mean over longer steps understates a peak",
        )
    span = charge.averaging_min // step_min
    periods = layout.periods(charge.period, charge)
    measured = layout.whole_steps(charge, key) & (periods.of >= 0)
    if charge.period == "day":
        measured &= layout.valid
    counts = np.convolve(measured, np.ones(span, dtype=int), mode="valid") == span
    first = np.flatnonzero(counts)
    if not charge.sliding:
        first = first[_is_on_the_clock(layout, charge.averaging_min)[first]]
    return Measure(unit=charge.unit, first=first, span=span, periods=periods)


def _is_on_the_clock(layout: Layout, averaging_min: int) -> NDArray[np.bool_]:
    """Whether an interval may begin at a step: meters count from the full hour of their standard time."""
    start = layout.clock.start
    minute_at_first = int(layout.clock.minute[0])
    elapsed_min = (start.as_unit("s").asi8 - start.as_unit("s").asi8[0]) // 60
    on_the_clock: NDArray[np.bool_] = (minute_at_first + elapsed_min) % averaging_min == 0
    return on_the_clock


def _memory(charge: DemandCharge, periods: Periods, key: KeyPath) -> Memory | None:
    ratchet = charge.ratchet
    if ratchet is None:
        return None
    n_before = periods.n if ratchet.history is None else len(ratchet.history)
    if n_before < ratchet.preceding_periods:
        what = f"{n_before} periods in the data" if ratchet.history is None else f"{n_before} peaks"
        raise KeyedError(
            "tariff",
            (*key, "ratchet", "preceding_periods" if ratchet.history is None else "history"),
            found=f"{ratchet.preceding_periods} preceding periods, {what}",
            expected=f"as many peaks before the data as the first period looks back, {ratchet.preceding_periods}",
            remedy="give the measured peaks in history, oldest first",
        )
    return Memory(
        share_frac=ratchet.share_frac,
        counts_current=ratchet.counts_current,
        looks_at=tuple(_looks_at(ratchet, p, periods, n_before) for p in range(periods.n)),
        history=None if ratchet.history is None else np.array(ratchet.history),
    )


def _is_cut_at_the_ends(periods: Periods) -> bool:
    """Whether a year of data cuts one period, so that it begins and ends with a part of it."""
    return periods.n > 1 and bool(periods.month[0] == periods.month[-1])


def _looks_at(ratchet: Ratchet, period: int, periods: Periods, n_before: int) -> NDArray[np.int64]:
    """Return the earlier periods that count for one; those before the data are counted back from -1."""
    earlier = np.arange(period - ratchet.preceding_periods, period)
    if ratchet.history is None and _is_cut_at_the_ends(periods):
        # Another year's last part belongs to the same period as this year's first, so it is no period of its own.
        before, inside = earlier[earlier < 0] - 1, earlier[earlier >= 0]
        earlier = np.concatenate((before, [-1] if 0 in inside else [], inside)).astype(np.int64)
    if ratchet.months is not None:
        # Before the data the calendar goes on backwards; with a year of other data it is the same calendar.
        months = np.where(
            earlier >= 0,
            periods.month[np.maximum(earlier, 0)],
            (periods.month[0] - 1 + earlier) % 12 + 1
            if ratchet.history is not None
            else periods.month[earlier % periods.n],
        )
        earlier = earlier[np.isin(months, ratchet.months)]
    return earlier
