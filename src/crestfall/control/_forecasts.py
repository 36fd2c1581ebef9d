"""Forecasts of load and PV from what is past, and how good they were.

A forecast is asked with the values that are known so far, and with nothing else: what lies ahead cannot leak into it.
Steps are numbered from the first known value, which may lie before the data of a study where there is a history.
"""

from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.dispatch._compiled import compiled

FloatArray = NDArray[np.float64]
THURSDAY, SATURDAY, SUNDAY = 3, 5, 6  # the first day that is counted, in 1970, was a Thursday
WORKING_DAY, REST_DAY = 0, 2  # Saturdays lie between
FADING_H = 1.0  # in which half of the latest error is forgotten, until enough errors are known
FEW_ERRORS = 24  # that count as made up so
FIRST_DAYS = 7  # whose errors say more of how little was known than of the load


@dataclass(frozen=True, slots=True)
class DayClock:
    """Where each step lies in its local day, and of what kind the day is.

    Parameters
    ----------
    step_h : float
        Length of a step [h].
    day, slot : ndarray of int, shape (n_steps,)
        Number of the local day, and of the step in it by the wall clock.
    kind : ndarray of int, shape (n_steps,)
        0 on working days, 1 on Saturdays, 2 on Sundays and holidays.
    """

    step_h: float
    day: NDArray[np.int64]
    slot: NDArray[np.int64]
    kind: NDArray[np.int64]

    @classmethod
    def at(
        cls, start: pd.DatetimeIndex, *, step_h: float, n_before: int = 0, holidays: tuple[str, ...] = ()
    ) -> "DayClock":
        """
        Read wall clock and calendar.

        Parameters
        ----------
        start : DatetimeIndex of shape (n_steps,)
            Start of each step, zone-aware.
        step_h : float
            Length of a step [h].
        n_before : int, default=0
            Steps of history before the first.
        holidays : tuple of str, default=()
            Dates that are like Sundays, such as "2025-12-25".

        Returns
        -------
        DayClock
            For the steps of the history and then those given.
        """
        if n_before:
            step = pd.Timedelta(hours=step_h)
            start = pd.DatetimeIndex(pd.date_range(end=start[0] - step, periods=n_before, freq=step).append(start))
        # The zone is asked once: a life reads the clock for each of its years.
        local_minute = start.tz_localize(None).to_numpy().astype("datetime64[m]")
        date = local_minute.astype("datetime64[D]")
        weekday = (date.astype(np.int64) + THURSDAY) % 7
        is_rest = (weekday == SUNDAY) | np.isin(date, np.array(holidays, dtype="datetime64[D]"))
        kind = np.where(is_rest, REST_DAY, np.where(weekday == SATURDAY, 1, WORKING_DAY))
        minute = (local_minute - date).astype(np.int64)
        slot = minute // max(round(step_h * 60), 1)
        return cls(step_h, (date - date[0]).astype(np.int64), slot.astype(np.int64), kind.astype(np.int64))

    @property
    def n_slots(self) -> int:
        """Steps in a day of 24 hours."""
        return max(round(24 / self.step_h), 1)


class Forecast(Protocol):
    """What a rolling plan asks for load, and for PV."""

    def ahead(self, past_kw: FloatArray, n_steps: int) -> FloatArray:
        """
        Return the power expected in the next steps.

        Parameters
        ----------
        past_kw : ndarray of shape (n_past,)
            All that is known, the latest last [kW].
        n_steps : int
            How many steps ahead.

        Returns
        -------
        ndarray of shape (n_steps,)
            Expected power, not negative [kW].
        """
        ...

    def ahead_at(self, values_kw: FloatArray, at: NDArray[np.int64], n_steps: int) -> FloatArray:
        """
        Return the forecasts of many times at once; each knows only what lies before its own.

        Parameters
        ----------
        values_kw : ndarray of shape (n_values,)
            What happens [kW].
        at : ndarray of int, shape (n_times,)
            The step before which each forecast is made.
        n_steps : int
            How many steps ahead; beyond the values, the last one is repeated.

        Returns
        -------
        ndarray of shape (n_times, n_steps)
            Expected power, not negative [kW].
        """
        table = np.empty((len(at), n_steps))
        for row, now in zip(table, at.tolist(), strict=True):
            n = min(n_steps, len(values_kw) - now)
            row[:n] = self.ahead(values_kw[:now], n)
            row[n:] = row[n - 1]
        return table


@dataclass(frozen=True, slots=True)
class SameTime(Forecast):
    """The power at the same time some days ago; where that is not known, the same time of the latest known day.

    Parameters
    ----------
    clock : DayClock
        The steps.
    days : int, default=7
        How long ago: 7 for last week, 1 for yesterday.
    """

    clock: DayClock
    days: int = 7

    def ahead(self, past_kw: FloatArray, n_steps: int) -> FloatArray:
        """Return the power expected in the next steps."""
        return np.asarray(self.ahead_at(past_kw, np.array([len(past_kw)]), n_steps)[0])

    def ahead_at(self, values_kw: FloatArray, at: NDArray[np.int64], n_steps: int) -> FloatArray:
        """Return the forecasts of many times at once."""
        if not len(values_kw):
            return np.zeros((len(at), n_steps))
        day = self.clock.n_slots
        # Before there are so many days: fewer, or as much as there is.
        back = np.where(at < self.days * day, np.maximum(at // day * day, 1), self.days * day)[:, np.newaxis]
        expected = values_kw[np.maximum(at[:, np.newaxis] - back + np.arange(n_steps) % back, 0)]
        return np.where(at[:, np.newaxis] > 0, expected, 0.0)


@dataclass(frozen=True, slots=True)
class SimilarDays(Forecast):
    """The mean of the same time on earlier days of the same kind, the latest with the most weight.

    Parameters
    ----------
    clock : DayClock
        The steps.
    half_life_days : float, default=10.0
        A day that lies so much further back has half the weight.
    reach_days : int, default=42
        How far back days are looked for.
    by_kind : bool, default=True
        Whether working days, Saturdays and rest days are kept apart; PV does not know them.

    Notes
    -----
    What is left of errors is added: of the latest one, and of their means over an hour and over a day, as much as a
    regression over the same days found to be left so many steps later.
    """

    clock: DayClock
    half_life_days: float = 10.0
    reach_days: int = 42
    by_kind: bool = True

    def ahead(self, past_kw: FloatArray, n_steps: int) -> FloatArray:
        """Return the power expected in the next steps."""
        return np.asarray(self.ahead_at(past_kw, np.array([len(past_kw)]), n_steps)[0])

    def ahead_at(self, values_kw: FloatArray, at: NDArray[np.int64], n_steps: int) -> FloatArray:
        """Return the forecasts of many times at once."""
        clock, table = self.clock, np.zeros((len(at), n_steps))
        kind = clock.kind if self.by_kind else np.zeros_like(clock.kind)
        weight_of_age = 0.5 ** (np.arange(self.reach_days + 2) / self.half_life_days)
        fading = 0.5 ** (np.arange(1, n_steps + 1) * clock.step_h / FADING_H)
        widths = np.array([1, max(round(1 / clock.step_h), 2), clock.n_slots])
        days = (clock.day, clock.slot, kind)
        _mean_of_similar(values_kw, at, days, self.reach_days, weight_of_age, fading, widths, table)
        return table


@compiled
def _fill_means(begin: int, end: int, total: Any, weights: Any, there: Any, mean: Any) -> None:
    """Write the means of some times of day; with no day of a kind yet, of all days; with none at all, NaN."""
    for k in range(len(there)):
        for at in range(begin, end):
            share, sum_of_weights = 0.0, 0.0
            if there[k]:
                share, sum_of_weights = total[k, at], weights[k, at]
            else:
                for other in range(len(there)):
                    share += total[other, at]
                    sum_of_weights += weights[other, at]
            mean[k, at] = share / sum_of_weights if sum_of_weights > 0.0 else np.nan


@compiled
def _mean_over(sums: Any, end: int, n: int) -> Any:
    """Return the mean of the last values before a step, from their sums."""
    n = min(n, end)
    return (sums[end] - sums[end - n]) / max(n, 1)


@compiled
def _what_is_left(sums: Any, begin: int, end: int, widths: Any, every: int, fading: Any, left: Any) -> None:
    """Write what is left of mean errors over spells of some widths, as a regression finds it, for each step ahead.

    Errors are read every so many steps. A few are made up that are alike over all spells and fade as they do at first,
    lest little teaches much.
    """
    n_ahead, n, pairs = len(fading), len(widths), 0
    square, with_error, mean = np.zeros((n, n)), np.zeros((n, n_ahead)), np.empty(n)
    errors = sums[begin + 1 : end + 1] - sums[begin:end]
    for t in range(begin, end - n_ahead + 1, every):
        pairs += 1
        error = errors[t - begin : t - begin + n_ahead]
        for k in range(n):
            mean[k] = _mean_over(sums, t, widths[k])
        for k in range(n):
            for j in range(n):
                square[k, j] += mean[k] * mean[j]
            share, row = mean[k], with_error[k]
            for i in range(n_ahead):
                row[i] += share * error[i]
    made_up = FEW_ERRORS / max(pairs, 1)
    left[:] = 0.0
    left[0] = fading
    for k in range(n):
        if square[k, k] <= 0.0:
            return
    for k in range(n):
        more = made_up * square[k, k]
        square[k, k] += more
        if k == 0:
            with_error[k] += more * fading
    for k in range(n):  # by elimination: the square is positive definite
        for j in range(k + 1, n):
            share = square[j, k] / square[k, k]
            square[j] -= share * square[k]
            with_error[j] -= share * with_error[k]
    for k in range(n - 1, -1, -1):
        left[k] = with_error[k]
        for j in range(k + 1, n):
            left[k] -= square[k, j] * left[j]
        left[k] /= square[k, k]
        left[k] = np.minimum(np.maximum(left[k], -1.0), 1.0)  # no error grows


@compiled
def _mean_of_similar(
    values: Any,
    at: Any,
    clock: tuple[Any, Any, Any],
    reach_days: int,
    weight_of_age: Any,
    fading: Any,
    widths: Any,
    table: Any,
) -> None:
    """Write weighted means over days of a kind, and add what is left of the latest errors; see :class:`SimilarDays`."""
    day, slot, kind = clock
    n_slots, n_kinds, n_ahead = slot.max() + 1, kind.max() + 1, table.shape[1]
    total, weights, mean = np.zeros((n_kinds, n_slots)), np.zeros((n_kinds, n_slots)), np.zeros((n_kinds, n_slots))
    there, left = np.zeros(n_kinds, dtype=np.bool_), np.zeros((len(widths), n_ahead))
    error = np.empty(len(widths))
    sums = np.zeros(len(values) + 1)  # of errors, up to each step
    end, today = 0, -1  # up to which step errors are summed up, and the day as which values are weighted
    if len(at) and at[0] > 0:
        end = np.searchsorted(day, day[at[0] - 1] - reach_days)
    from_step = end
    for row in range(len(at)):
        known = at[row]
        while end < known:
            if day[end] != today:
                today = day[end]
                total[:], weights[:], there[:] = 0.0, 0.0, False
                for i in range(np.searchsorted(day, today - reach_days), end):
                    weight = weight_of_age[today - day[i]]
                    total[kind[i], slot[i]] += weight * values[i]
                    weights[kind[i], slot[i]] += weight
                    there[kind[i]] = True
                _fill_means(0, n_slots, total, weights, there, mean)
                begin = max(np.searchsorted(day, today - reach_days), from_step) + FIRST_DAYS * n_slots
                _what_is_left(sums, begin, end, widths, 3 * widths[1], fading, left)
            at_slot, of_kind = slot[end], kind[end]
            expected = mean[of_kind, at_slot]
            if np.isnan(expected):
                expected = values[max(end - 1, 0)]
            sums[end + 1] = sums[end] + values[end] - expected
            total[of_kind, at_slot] += values[end]
            weights[of_kind, at_slot] += 1.0
            if there[of_kind]:
                _fill_means(at_slot, at_slot + 1, total, weights, there, mean)
            else:
                there[of_kind] = True
                _fill_means(0, n_slots, total, weights, there, mean)
            end += 1
        if known == 0:
            continue
        for k in range(len(widths)):
            error[k] = _mean_over(sums, known, widths[k])
        n, ahead = min(n_ahead, len(day) - known), table[row]
        for i in range(n):
            ahead[i] = mean[kind[known + i], slot[known + i]]
            if np.isnan(ahead[i]):
                ahead[i] = values[known - 1]
        for k in range(len(widths)):
            latest, share = error[k], left[k]
            for i in range(n):
                ahead[i] += latest * share[i]
        for i in range(n):
            ahead[i] = max(ahead[i], 0.0)
        for i in range(max(len(day) - known, 1), n_ahead):
            table[row, i] = table[row, i - 1]


@dataclass(slots=True)
class _Fit:
    """Coefficients with the data they were fitted to; other data ask for another fit."""

    known: int = -1
    past_kw: FloatArray = field(default_factory=lambda: np.zeros(0))
    coefficients: FloatArray = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True)
class Regression(Forecast):
    """Least squares on the time of day, the kind of day and the temperature, fitted anew as each local day begins.

    The temperature ahead is taken to be that of the same time on the latest known day: weather is not known before.

    Parameters
    ----------
    clock : DayClock
        The steps.
    temperature_c : ndarray of shape (n_steps,), optional
        Ambient temperature on the clock's steps; only what is past is read [°C].
    by_kind : bool, default=True
        Whether working days, Saturdays and rest days have their own course.
    reach_days : int, default=56
        How far back the fit looks.
    harmonics : int, default=8
        Waves in the course of a day.
    """

    clock: DayClock
    temperature_c: FloatArray | None = None
    by_kind: bool = True
    reach_days: int = 56
    harmonics: int = 8
    _fit: _Fit = field(default_factory=_Fit, repr=False, compare=False)

    def ahead(self, past_kw: FloatArray, n_steps: int) -> FloatArray:
        """Return the power expected in the next steps."""
        known, clock = len(past_kw), self.clock
        day_begin = known - int(
            np.count_nonzero(clock.day[max(known - 2 * clock.n_slots, 0) : known] == clock.day[known])
        )
        if day_begin < 8 * clock.n_slots:  # less than a week and a day: too little to fit to
            return SameTime(clock).ahead(past_kw, n_steps)
        coefficients = self._fitted(past_kw[:day_begin], day_begin)
        expected = self._rows(known, known + n_steps, known) @ coefficients
        return np.asarray(np.maximum(expected, 0.0))

    def _fitted(self, past_kw: FloatArray, known: int) -> FloatArray:
        begin = max(known - self.reach_days * self.clock.n_slots, 0)
        fit, recent = self._fit, past_kw[begin:]
        if fit.known != known or not np.array_equal(fit.past_kw, recent):
            rows = self._rows(begin, known, known)
            # A little of a ridge: in a week without a holiday nothing is known of one.
            square = rows.T @ rows + 1e-6 * len(rows) * np.eye(rows.shape[1])
            fit.known, fit.past_kw = known, np.array(recent, dtype=float)
            fit.coefficients = np.asarray(np.linalg.solve(square, rows.T @ recent), dtype=float)
        return fit.coefficients

    def _rows(self, begin: int, end: int, known: int) -> FloatArray:
        clock = self.clock
        angle = 2 * np.pi * np.outer(clock.slot[begin:end], np.arange(1, self.harmonics + 1)) / clock.n_slots
        course = np.hstack((np.ones((end - begin, 1)), np.cos(angle), np.sin(angle)))
        kinds = range(REST_DAY + 1) if self.by_kind else ()
        parts = [course * (clock.kind[begin:end] == kind)[:, None] for kind in kinds] or [course]
        if self.temperature_c is not None:
            step = np.arange(begin, end)
            ahead = np.maximum(step - known, -1) // clock.n_slots + 1  # days beyond what is known
            warmth = self.temperature_c[step - np.maximum(ahead, 0) * clock.n_slots]
            # Heating begins below about 15 and cooling above about 20 degrees: common practice, no source.
            parts.append(np.stack((np.maximum(15 - warmth, 0), np.maximum(warmth - 20, 0)), axis=1))
        return np.hstack(parts)


@dataclass(frozen=True, slots=True)
class Given(Forecast):
    """A forecast made elsewhere: one value for each step.

    Parameters
    ----------
    values_kw : ndarray of shape (n_steps,)
        The forecast [kW].
    issued : ndarray of int, shape (n_steps,), optional
        The step before which each value was known; left out: all of them from the start.

    Raises
    ------
    ValueError
        If a value is missing or negative, or was issued after the step it is for; the message names the first step.
    """

    values_kw: FloatArray
    issued: NDArray[np.int64] | None = None

    def __post_init__(self) -> None:
        if (bad := ~(self.values_kw >= 0)).any():
            step = int(np.argmax(bad))
            raise ValueError(
                f"the forecast is {self.values_kw[step]:g} at step {step}, expected a power of 0 or more;"
                f" {int(bad.sum())} such steps"
            )
        if self.issued is not None and (late := self.issued > np.arange(len(self.values_kw))).any():
            step = int(np.argmax(late))
            raise ValueError(
                f"the forecast for step {step} was issued at step {self.issued[step]}, expected no later than its own;"
                " a forecast is made before what it is about"
            )

    def ahead(self, past_kw: FloatArray, n_steps: int) -> FloatArray:
        """Return the power expected in the next steps; the latest known power where none was issued yet."""
        if len(self.values_kw) < len(past_kw) + n_steps:
            raise ValueError(
                f"the forecast ends at step {len(self.values_kw)}, expected {len(past_kw) + n_steps} steps"
            )
        return np.asarray(self.ahead_at(past_kw, np.array([len(past_kw)]), n_steps)[0])

    def ahead_at(self, values_kw: FloatArray, at: NDArray[np.int64], n_steps: int) -> FloatArray:
        """Return the forecasts of many times at once."""
        steps = np.minimum(at[:, np.newaxis] + np.arange(n_steps), len(self.values_kw) - 1)
        if self.issued is None:
            return np.asarray(self.values_kw[steps])
        latest = np.concatenate(([0.0], values_kw))[at][:, np.newaxis]
        return np.where(self.issued[steps] <= at[:, np.newaxis], self.values_kw[steps], latest)


def with_error(actual_kw: FloatArray, *, error_frac: float, seed: int = 1) -> Given:
    """
    Return what will happen, with an error of stated size: no forecast, but a measure of what a better one is worth.

    Parameters
    ----------
    actual_kw : ndarray of shape (n_steps,)
        What happens, history included [kW].
    error_frac : float
        Standard deviation of the error as a share of the mean power; 0 for a perfect forecast.
    seed : int, default=1
        Start of the random numbers.

    Returns
    -------
    Given
        The forecast; powers below zero are cut off.
    """
    error = np.random.default_rng(seed).standard_normal(len(actual_kw)) * error_frac * float(actual_kw.mean())
    return Given(np.asarray(np.maximum(actual_kw + error, 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastErrors:
    """How far a forecast was from what happened.

    Parameters
    ----------
    mape_frac : float
        Mean of the absolute error as a share of the actual value, over steps where that is not 0; NaN with none.
    mean_abs_kw : float
        Mean of the absolute error [kW].
    bias_kw : float
        Mean of forecast less actual [kW].
    peak_kw : float
        Highest of the forecast less highest of what happened [kW].
    """

    mape_frac: float
    mean_abs_kw: float
    bias_kw: float
    peak_kw: float

    @classmethod
    def of(cls, forecast_kw: FloatArray, actual_kw: FloatArray) -> "ForecastErrors":
        """Compare a forecast with what happened."""
        error, some = forecast_kw - actual_kw, actual_kw > 0
        return cls(
            mape_frac=float(np.mean(np.abs(error[some]) / actual_kw[some])) if some.any() else float("nan"),
            mean_abs_kw=float(np.abs(error).mean()),
            bias_kw=float(error.mean()),
            peak_kw=float(forecast_kw.max() - actual_kw.max()),
        )
