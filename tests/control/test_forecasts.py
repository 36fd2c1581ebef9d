"""Forecasts from past data, and their error figures."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import open_data
from crestfall.control import DayClock, ForecastErrors, Given, Issued, Regression, SameTime, SimilarDays, with_error
from parts import steps_from

DAY, WEEKS = 24, 6
N = WEEKS * 7 * DAY
CLOCK = DayClock.at(steps_from(N, first="2025-03-03"), step_h=1.0)  # a Monday; the clocks change on 30 March
WARMTH = 10 + 8 * np.sin(np.arange(N) * 2 * np.pi / DAY)


def forecasts(values_kw):
    """Every forecast; those made elsewhere stand for what was issued for the series."""
    return {
        "last week": SameTime(CLOCK),
        "yesterday": SameTime(CLOCK, days=1),
        "similar days": SimilarDays(CLOCK),
        "recent days": SimilarDays(CLOCK, by_kind=False, reach_days=7),
        "regression": Regression(CLOCK, WARMTH),
        "regression without weather": Regression(CLOCK, by_kind=False),
        "given": Given(values_kw),
        "issued": Issued(np.arange(N), np.maximum(np.arange(N) - 24, 0), values_kw, SimilarDays(CLOCK)),
        "with error": with_error(values_kw, error_frac=0.2, seed=3),
    }


@pytest.mark.parametrize("name", forecasts(np.zeros(N)))
@given(now=st.integers(1, N - 49), seed=st.integers(0, 2**32 - 1))
def test_forecast_does_not_depend_on_what_is_to_come(name, now, seed):
    draw = np.random.default_rng(seed)
    known = draw.uniform(10, 90, N)
    otherwise = known.copy()
    otherwise[now:] = draw.uniform(0, 500, N - now)
    forecast = forecasts(known)[name]
    first = forecast.ahead(known[:now], 48).copy()
    forecast.ahead(otherwise[: now + 1], 48)  # what it has seen meanwhile must not stay with it
    np.testing.assert_array_equal(forecast.ahead(otherwise[:now], 48), first)
    assert first.shape == (48,)
    assert (first >= 0).all()


@pytest.mark.parametrize("with_weather", [True, False])
def test_temperature_to_come_is_not_read(with_weather):
    now, load = 20 * DAY + 5, 50 + WARMTH
    warmth = WARMTH.copy()
    warmth[now:] = 40.0
    expected = Regression(CLOCK, WARMTH if with_weather else None).ahead(load[:now], 30)
    np.testing.assert_array_equal(Regression(CLOCK, warmth if with_weather else None).ahead(load[:now], 30), expected)


@pytest.mark.parametrize("name", ["last week", "similar days", "regression"])
def test_load_that_repeats_each_week_is_forecast(name):
    """Exactly by the first two; eight waves a day round off the edges of a course, by a fifth of a step in it."""
    working = (CLOCK.kind == 0) & (CLOCK.slot >= 8) & (CLOCK.slot < 17)
    load, now = 20.0 + 40.0 * working, 25 * DAY  # before the clocks change
    ahead = forecasts(load)[name].ahead(load[:now], 48)
    np.testing.assert_allclose(ahead, load[now : now + 48], atol=8.0 if name == "regression" else 1e-9)


def test_regression_finds_a_load_that_follows_the_temperature_and_the_time():
    warmth = 10 + 8 * np.sin(np.arange(N) / 50)
    load = 30 + 5 * np.cos(2 * np.pi * CLOCK.slot / DAY) + 2 * np.maximum(15 - warmth, 0)
    regression, now = Regression(CLOCK, warmth), 30 * DAY
    expected = 30 + 5 * np.cos(2 * np.pi * CLOCK.slot[now : now + DAY] / DAY)
    expected += 2 * np.maximum(15 - warmth[now - DAY : now], 0)  # weather is taken to stay as it was
    np.testing.assert_allclose(regression.ahead(load[:now], DAY), expected, rtol=1e-3)


def test_latest_of_similar_days_weighs_most():
    """Ten days back halve the weight: Saturdays seven days apart 2^-0.7, so (20 + 10 x 0.6156) / 1.6156.

    Fridays are as they always are, so that no error is left over.
    """
    clock = DayClock.at(steps_from(21 * DAY, first="2025-01-06"), step_h=1.0)
    week = np.repeat([5.0, 5.0, 5.0, 5.0, 5.0, 10.0, 7.0], DAY)
    load = np.concatenate((week, np.where(week == 10.0, 20.0, week), week))
    weight = 0.5**0.7
    saturday = SimilarDays(clock).ahead(load[: 19 * DAY], DAY)
    np.testing.assert_allclose(saturday, (20 + 10 * weight) / (1 + weight))


def test_an_error_that_stays_is_expected_to_stay():
    """Each day is off by 9 kW, up or down: at noon most of that is expected to be left, as it was on other days."""
    n_days, sign = 35, np.random.default_rng(4).choice([-1.0, 1.0], 35)
    clock = DayClock.at(steps_from(n_days * DAY, first="2025-01-06"), step_h=1.0)
    load, now = 50 + 9 * np.repeat(sign, DAY), 33 * DAY + 12
    assert np.abs(SimilarDays(clock).ahead(load[:now], 6) - load[now : now + 6]).max() < 4.5


def test_without_a_past_nothing_is_expected_and_with_a_little_the_latest():
    assert not SameTime(CLOCK).ahead(np.zeros(0), 5).any()
    assert not SimilarDays(CLOCK).ahead(np.zeros(0), 5).any()
    np.testing.assert_array_equal(SameTime(CLOCK).ahead(np.array([3.0, 7.0]), 3), [7.0] * 3)


def test_history_lies_before_the_first_step():
    clock = DayClock.at(steps_from(DAY, first="2025-01-02"), step_h=1.0, n_before=DAY, holidays=("2025-01-01",))
    np.testing.assert_array_equal(clock.day, np.repeat([0, 1], DAY))
    np.testing.assert_array_equal(clock.kind, np.repeat([2, 0], DAY))


def test_error_figures():
    errors = ForecastErrors.of(np.array([12.0, 5.0, 1.0]), np.array([10.0, 10.0, 0.0]))
    assert errors.mape_frac == pytest.approx((0.2 + 0.5) / 2)
    assert errors.mean_abs_kw == pytest.approx(8 / 3)
    assert errors.bias_kw == pytest.approx(-2 / 3)
    assert errors.peak_kw == pytest.approx(2.0)


def test_error_has_the_stated_size():
    """The standard deviation of 100,000 draws is within a per cent of its own."""
    actual = np.full(100_000, 50.0)
    assert with_error(actual, error_frac=0.1).values_kw.std() == pytest.approx(5.0, rel=0.01)
    np.testing.assert_array_equal(with_error(actual, error_frac=0.0).values_kw, actual)


def test_last_week_of_a_measured_demand_has_the_error_that_pandas_finds():
    """Half-hourly demand of Victoria; the other way is a shift by 336 half-hours."""
    try:
        demand = open_data.victoria_demand()["demand_mw"].iloc[: 8 * 7 * 48]
    except open_data.NotFetchedError as error:
        pytest.skip(str(error))
    clock = DayClock.at(pd.DatetimeIndex(demand.index), step_h=0.5)
    values, week = demand.to_numpy(), 336
    ahead = [SameTime(clock).ahead(values[:now], 48) for now in range(week, len(values) - 47, 48)]
    forecast = np.concatenate(ahead)
    ours = ForecastErrors.of(forecast, values[week : week + len(forecast)]).mape_frac
    other = ((demand.shift(week) - demand).abs() / demand).iloc[week : week + len(forecast)].mean()
    assert ours == pytest.approx(other, rel=1e-12)


def test_forecast_that_misses_a_time_is_refused():
    with pytest.raises(ValueError, match="the forecast is nan at step 2, expected a power of 0 or more; 2 such steps"):
        Given(np.array([1.0, 2.0, np.nan, np.nan]))


def test_forecast_issued_after_its_time_is_refused():
    message = "the forecast for step 1 was issued at step 2, expected no later than its own"
    with pytest.raises(ValueError, match=message):
        Given(np.ones(3), issued=np.array([0, 2, 2]))


def test_value_that_is_not_issued_yet_is_not_read():
    given_ = Given(np.array([1.0, 2.0, 3.0, 4.0]), issued=np.array([0, 0, 0, 3]))
    np.testing.assert_array_equal(given_.ahead(np.array([9.0]), 3), [2.0, 3.0, 9.0])


def test_forecast_that_ends_early_is_refused():
    with pytest.raises(ValueError, match="the forecast ends at step 3, expected 5 steps"):
        Given(np.ones(3)).ahead(np.ones(2), 3)


def test_of_several_issues_the_latest_by_now_is_expected():
    """Step 2 was forecast before 0 and before 2, step 3 before 1, step 4 not before 4: there another one is asked."""
    step, issued = np.array([2, 2, 3, 4]), np.array([0, 2, 1, 4])
    forecast = Issued(step, issued, np.array([20.0, 21.0, 30.0, 40.0]), Given(np.array([7.0, 8.0, 9.0, 10.0, 11.0])))
    np.testing.assert_array_equal(forecast.ahead(np.array([5.0]), 4), [8.0, 20.0, 30.0, 11.0])
    np.testing.assert_array_equal(forecast.ahead(np.array([5.0, 6.0]), 3), [21.0, 30.0, 11.0])
    np.testing.assert_array_equal(forecast.ahead(np.zeros(0), 3), [7.0, 8.0, 20.0])
    table = forecast.ahead_at(np.array([5.0, 6.0, 7.0, 8.0, 9.0]), np.array([0, 1, 2, 3]), 4)
    np.testing.assert_array_equal(
        table, [[7.0, 8.0, 20.0, 10.0], [8.0, 20.0, 30.0, 11.0], [21.0, 30.0, 11.0, 11.0], [30.0, 11.0, 11.0, 11.0]]
    )
