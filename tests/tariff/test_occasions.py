"""Charges and payments at named times."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, at_hours, billed, column, laid, readings_of, sheets_from, steps, tariff_from
from crestfall.errors import KeyedError
from crestfall.tariff import bill, rates_on

FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
YEAR = steps()
JULY = steps("2025-07-01", "2025-08-01")


def coincident(times, **keys):
    charge = {"name": "System", "rate_per_kw": 40.0, "times": times, **keys}
    return tariff_from(coincident_charges=[charge])


def events(*stamps, duration_min=60, **baseline):
    called = [{"start": stamp, "duration_min": duration_min} for stamp in stamps]
    payment = {"name": "Calls", "rate_per_kwh": 0.5, "events": called, "baseline": baseline}
    return tariff_from(event_payments=[payment])


def baseline_kwh(tariff, import_kw, start=JULY):
    (line,) = laid(tariff, start).sheets[0].events
    return line.baselines_kwh(readings_of(start, import_kw)).tolist()


def test_a_coincident_charge_is_on_the_mean_at_the_named_hours():
    import_kw = at_hours(YEAR, {"2025-01-15 18:00": 10.0, "2025-02-03 19:00": 30.0}, else_kw=99.0)
    table = billed(coincident(["2025-01-15 18:00", "2025-02-03 19:00"]), YEAR, import_kw)
    assert column(table, "System") == [20.0]
    assert column(table, "System", "amount") == [800.0]
    assert column(table, "System", "period") == ["2025"]


def test_times_of_other_years_are_passed_over():
    import_kw = at_hours(YEAR, {"2025-01-15 18:00": 10.0}, else_kw=99.0)
    table = billed(coincident(["2024-01-17 18:00", "2025-01-15 18:00", "2026-01-14 18:00"]), YEAR, import_kw)
    assert column(table, "System") == [10.0]


def test_a_coincident_interval_covers_all_its_steps():
    start = steps("2025-07-01", "2025-08-01", step_min=15)
    import_kw = at_hours(start, {"2025-07-15 18:00": 10.0, "2025-07-15 18:15": 20.0, "2025-07-15 18:30": 70.0})
    half, whole = (coincident(["2025-07-15 18:00"], duration_min=duration) for duration in (30, 60))
    assert column(billed(half, start, import_kw), "System") == [15.0]
    assert column(billed(whole, start, import_kw), "System") == [25.0]


def test_import_at_other_times_does_not_move_a_coincident_charge():
    quiet = at_hours(YEAR, {"2025-01-15 18:00": 10.0})
    found = [
        column(billed(coincident(["2025-01-15 18:00"]), YEAR, kw), "System") for kw in (quiet, quiet + (quiet == 0))
    ]
    assert found[0] == found[1]


def test_an_event_pays_for_import_below_the_baseline():
    # Thursday 17 July; all earlier working days have 30 kW, in the event 12 kW are used.
    import_kw = at_hours(JULY, {"2025-07-17 18:00": 12.0, "2025-07-17 19:00": 12.0}, else_kw=30.0)
    table = billed(events("2025-07-17 18:00", duration_min=120), JULY, import_kw)
    assert column(table, "Calls") == [36.0]
    assert column(table, "Calls", "amount") == [-18.0]


def test_an_event_without_a_reduction_pays_nothing_and_costs_nothing():
    import_kw = at_hours(JULY, {"2025-07-17 18:00": 90.0}, else_kw=30.0)
    assert column(billed(events("2025-07-17 18:00"), JULY, import_kw), "Calls", "amount") == [0.0]


def test_events_of_a_month_are_one_row():
    start = steps("2025-06-01", "2025-08-01")
    called = events("2025-06-20 18:00", "2025-07-17 18:00", "2025-07-18 18:00")
    import_kw = at_hours(start, {f"2025-{day} 18:00": 20.0 for day in ("06-20", "07-17", "07-18")}, else_kw=30.0)
    table = billed(called, start, import_kw)
    assert column(table, "Calls", "period") == ["2025-06", "2025-07"]
    assert column(table, "Calls") == [10.0, 20.0]


def import_by_day():
    """Each day of July at 18:00 has its own number in kW, all other hours nothing."""
    return np.where(JULY.hour == 18, JULY.day.to_numpy(), 0).astype(float)


@pytest.mark.parametrize(
    ("baseline", "days"),
    [
        pytest.param({"days": 3}, [16, 15, 14], id="the three latest working days"),
        pytest.param({"days": 5}, [16, 15, 14, 11, 10], id="without the weekend"),
        pytest.param({"days": 60}, [16, 15, 14, 11, 10, 9, 8, 7, 4, 3, 2, 1], id="as many as there are"),
        pytest.param({"days": 5, "highest": 2}, [16, 15], id="the two highest of five"),
        pytest.param({"days": 2, "highest": 9}, [16, 15], id="no more than there are"),
    ],
)
def test_the_baseline_is_the_mean_of_earlier_days_of_the_kind(baseline, days):
    assert baseline_kwh(events("2025-07-17 18:00", **baseline), import_by_day()) == pytest.approx(
        [np.mean(days)], abs=FLOAT_SUM
    )


def test_the_highest_days_are_those_of_the_hours_of_the_event():
    import_kw = import_by_day()
    import_kw[(JULY.day == 10) & (JULY.hour == 3)] = 999.0
    assert baseline_kwh(events("2025-07-17 18:00", days=5, highest=1), import_kw) == [16.0]


def test_the_baseline_of_a_weekend_is_made_of_weekends():
    assert baseline_kwh(events("2025-07-19 18:00", days=3), import_by_day()) == [np.mean([13, 12, 6])]


def test_a_holiday_counts_as_a_weekend():
    payment = events("2025-07-17 18:00", days=3).event_payments[0].model_dump()
    tariff = tariff_from(event_payments=[payment], holidays={"extra_dates": ["2025-07-15"]})
    assert baseline_kwh(tariff, import_by_day()) == [np.mean([16, 14, 11])]


def test_days_with_an_event_are_left_out_of_the_baseline():
    called = events("2025-07-15 18:00", "2025-07-17 18:00", days=2)
    assert baseline_kwh(called, import_by_day()) == [np.mean([14, 11]), np.mean([16, 14])]


def test_an_event_over_midnight_is_compared_with_earlier_nights():
    import_kw = np.where(np.isin(JULY.hour, [0, 23]), JULY.day.to_numpy(), 0).astype(float)
    called = events("2025-07-17 23:00", duration_min=120, days=1)
    assert baseline_kwh(called, import_kw) == [16 + 17]


@settings(max_examples=30)
@given(seed=st.integers(0, 2**32 - 1))
def test_charging_does_not_inflate_the_baseline(seed):
    chance = np.random.default_rng(seed)
    load = chance.uniform(0, 50, len(JULY))
    with_battery = load + chance.uniform(0, 50, len(JULY)) * (JULY.day != 17)
    table = billed(events("2025-07-17 18:00"), JULY, with_battery, before=readings_of(JULY, load))
    assert column(table, "Calls", "amount") == column(billed(events("2025-07-17 18:00"), JULY, load), "Calls", "amount")


def test_an_event_in_the_hour_that_comes_twice_is_in_the_first():
    start = steps("2025-10-01", "2025-11-01")
    (line,) = laid(events("2025-10-26 02:00"), start).sheets[0].events
    assert [str(stamp) for stamp in start[line.events[0]]] == ["2025-10-26 02:00:00+02:00"]


def test_a_coincident_charge_is_billed_once_whatever_the_sheets():
    charge = [{"name": "System", "rate_per_kw": 38.0, "times": ["2025-02-03 17:00", "2025-08-04 18:00"]}]
    first = tariff_from(coincident_charges=charge)
    second = tariff_from(coincident_charges=charge, valid_from="2025-07-01")
    start = steps()
    import_kw = np.linspace(50.0, 150.0, len(start))
    readings = readings_of(start, import_kw)
    cut = bill(rates_on(sheets_from(first, second), start, step_h=1.0), readings)
    assert amounts(cut)["System"] == pytest.approx(amounts(billed(first, start, import_kw))["System"])


def test_events_that_overlap_are_refused():
    event = {"start": "2025-07-10 16:00", "duration_min": 120}
    tariff = tariff_from(event_payments=[{"name": "Calls", "rate_per_kwh": 1.0, "events": [event, event]}])
    with pytest.raises(KeyedError, match="another one covers from Thu 2025-07-10 16:00"):
        laid(tariff, steps())
