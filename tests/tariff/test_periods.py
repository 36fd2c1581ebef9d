"""Billing periods: where they begin, and what a part of one costs."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, billed, column, laid, steps, tariff_from
from strategies import ZONES_WITH_DAYLIGHT_SAVING

FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
YEAR = steps()
CHARGES = {
    "energy_charges": [
        {"name": "Energy", "tiers": [{"upto_kwh": 100, "rate_per_kwh": 0.1}, {"rate_per_kwh": 0.2}]},
    ],
    "demand_charges": [{"name": "Peak", "rate_per_kw": 10.0, "averaging_min": 60}],
    "fixed_charges": [{"name": "Meter", "amount_per_month": 30.0}],
    "minimum_bill": {"amount_per_month": 300.0, "on": ["fixed"]},
}


def periods_of(start, **billing):
    return laid(tariff_from(billing=billing), start).sheets[0].layout.billing


def test_a_period_begins_on_the_reading_day():
    periods = periods_of(YEAR, reading_day=12)
    assert periods.names[:3] == ("2024-12-12", "2025-01-12", "2025-02-12")
    first_of_each = YEAR[np.flatnonzero(np.diff(periods.of, prepend=-1))]
    assert first_of_each[1:].strftime("%m-%d %H").tolist() == [f"{month:02d}-12 00" for month in range(1, 13)]


def test_a_reading_day_that_a_month_lacks_is_its_last_day():
    names = periods_of(YEAR, reading_day=31).names
    assert names[:5] == ("2024-12-31", "2025-01-31", "2025-02-28", "2025-03-31", "2025-04-30")


def test_the_first_and_the_last_period_may_be_partial():
    periods = periods_of(YEAR, reading_day=12)
    assert periods.days.tolist() == [11, *[31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30], 20]
    assert periods.factor.tolist() == pytest.approx([11 / 31, *[1] * 11, 20 / 31])


def test_periods_may_begin_on_dates_that_are_read():
    dates = ["2024-12-20", "2025-03-04", "2025-08-01", "2026-01-01"]
    periods = periods_of(YEAR, reading_dates=dates)
    assert periods.names == ("2024-12-20", "2025-03-04", "2025-08")
    assert periods.days.tolist() == [62, 150, 153]
    assert periods.factor.tolist() == pytest.approx([62 / 74, 1, 1])


@settings(max_examples=20)
@given(day=st.integers(1, 31), zone=st.sampled_from(ZONES_WITH_DAYLIGHT_SAVING), year=st.integers(2020, 2030))
def test_the_periods_of_a_year_cover_its_days_once(day, zone, year):
    start = steps(f"{year}-01-01", f"{year + 1}-01-01", zone=zone, step_min=30)
    periods = periods_of(start, reading_day=day)
    n_days = (dt.date(year + 1, 1, 1) - dt.date(year, 1, 1)).days
    assert periods.days.sum() == n_days
    assert (np.diff(periods.of) >= 0).all()
    assert len(set(periods.names)) == periods.n


def test_a_part_of_a_period_costs_its_share_of_days():
    # 11 of the 31 days from 12 December: of the block, of the rate for a kW, of the meter and of the minimum.
    table = billed(tariff_from(billing={"reading_day": 12}, **CHARGES), YEAR, 1.0)
    part = 11 / 31
    first = table[table["period"] == "2024-12-12"]
    assert column(first, "Energy") == pytest.approx([100 * part, 264 - 100 * part])
    assert column(first, "Peak", "amount") == pytest.approx([10 * part])
    assert column(first, "Meter", "amount") == pytest.approx([30 * part])
    assert column(first, "Minimum bill", "amount") == pytest.approx([270 * part])


def test_without_proration_a_part_costs_as_much_as_a_whole_period():
    table = billed(tariff_from(billing={"reading_day": 12, "prorate": False}, **CHARGES), YEAR, 1.0)
    first = table[table["period"] == "2024-12-12"]
    assert column(first, "Energy") == pytest.approx([100, 164])
    assert column(first, "Peak", "amount") == pytest.approx([10])
    assert column(first, "Meter", "amount") == pytest.approx([30])
    assert column(first, "Minimum bill", "amount") == pytest.approx([270])


def test_amounts_for_standard_days_grow_with_the_days_of_the_period():
    table = billed(tariff_from(billing={"standard_days": 30}, **CHARGES), steps("2025-01-01", "2025-03-01"), 1.0)
    january, february = (table[table["period"] == name] for name in ("2025-01", "2025-02"))
    for rows, days in ((january, 31), (february, 28)):
        assert column(rows, "Energy")[0] == pytest.approx(100 * days / 30)
        assert column(rows, "Peak", "amount") == pytest.approx([10 * days / 30])
        assert column(rows, "Meter", "amount") == pytest.approx([days])
        assert column(rows, "Minimum bill", "amount") == pytest.approx([270 * days / 30])


def test_standard_days_hold_for_a_long_period_too():
    billing = {"standard_days": 30, "reading_dates": ["2025-01-01", "2025-03-02"]}
    table = billed(tariff_from(billing=billing, **CHARGES), steps("2025-01-01", "2025-03-02"), 1.0)
    assert column(table, "Meter", "amount") == pytest.approx([60])


@settings(max_examples=20)
@given(day=st.integers(1, 28))
def test_amounts_of_a_day_and_of_a_year_do_not_depend_on_the_reading_day(day):
    fixed = [{"name": "Daily", "amount_per_day": 1.7}, {"name": "Yearly", "amount_per_year": 500}]
    found = amounts(billed(tariff_from(billing={"reading_day": day}, fixed_charges=fixed), YEAR))
    assert found == pytest.approx({"Energy": 0, "Daily": 1.7 * 365, "Yearly": 500}, rel=FLOAT_SUM)


def test_peaks_follow_the_reading_day():
    import_kw = YEAR.day.to_numpy() * 1.0
    tariff = tariff_from(billing={"reading_day": 12}, demand_charges=CHARGES["demand_charges"])
    assert column(billed(tariff, YEAR, import_kw), "Peak")[:4] == [11, 31, 28, 31]


def test_a_clock_change_makes_no_partial_day():
    periods = periods_of(steps("2025-03-01", "2025-04-01"))
    assert (periods.days.tolist(), periods.factor.tolist()) == ([31], [1])


@pytest.mark.parametrize(
    ("first_day", "last_day", "data"),
    [
        pytest.param("03-01", "02-29", ("2025-03-01", "2026-03-01"), id="to 29 February, common year"),
        pytest.param("03-01", "02-29", ("2023-03-01", "2024-03-01"), id="to 29 February, leap year"),
        pytest.param("02-29", "05-31", ("2025-01-01", "2026-01-01"), id="from 29 February, common year"),
        pytest.param("02-29", "05-31", ("2024-01-01", "2025-01-01"), id="from 29 February, leap year"),
        pytest.param("05-01", "08-31", ("2025-01-01", "2026-01-01"), id="inside the year"),
        pytest.param("11-01", "03-31", ("2025-07-01", "2026-07-01"), id="over New Year"),
    ],
)
def test_a_season_that_the_data_cover_costs_the_whole_rate(first_day, last_day, data):
    table = billed(seasonal(first_day, last_day), steps(*data), 1.0)
    assert column(table, "Peak", "amount") == [10.0]


def seasonal(first_day, last_day):
    peak = {"name": "Peak", "rate_per_kw": 10.0, "averaging_min": 60, "period": "season"}
    return tariff_from(seasons={"season": {"first_day": first_day, "last_day": last_day}}, demand_charges=[peak])


@pytest.mark.parametrize(
    ("first_day", "last_day", "names", "days"),
    [
        pytest.param("01-01", "12-31", ["season 2024", "season 2025"], [184, 181], id="from January"),
        pytest.param("10-01", "09-30", ["season 2023/24", "season 2024/25"], [92, 273], id="from October"),
    ],
)
def test_a_season_that_lasts_all_year_follows_on_itself(first_day, last_day, names, days):
    start = steps("2024-07-01", "2025-07-01")
    table = billed(seasonal(first_day, last_day), start, (start.year == 2024) * 2.0 + (start.year == 2025) * 1.0)
    assert column(table, "Peak", "period") == names
    # The first of the two years has the 29th of February, wherever it begins.
    assert column(table, "Peak", "rate") == pytest.approx([10 * days[0] / 366, 10 * days[1] / 365])


def test_the_year_of_data_that_do_not_begin_in_january_has_both_years_in_its_name():
    peak = {"name": "Peak", "rate_per_kw": 10.0, "averaging_min": 60, "period": "year"}
    table = billed(tariff_from(demand_charges=[peak]), steps("2024-07-01", "2025-07-01"), 1.0)
    assert column(table, "Peak", "period") == ["2024/25"]
    assert column(table, "Peak", "amount") == [10.0]
