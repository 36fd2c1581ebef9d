"""Contracted levels of demand: what is due for them, what beyond them, and which is best."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, billed, column, readings_of, steps, tariff_from, total

FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
YEAR = steps()
peaks_of_months = st.lists(st.integers(0, 100), min_size=12, max_size=12)


def capacity(*, unit="kw", rate=2.0, excess_rate=5.0, **keys):
    charge = {"name": "Level", f"rate_per_{unit}": rate, "averaging_min": 60, "excess_rate": excess_rate, **keys}
    return tariff_from(energy_charges=[{"name": "Energy", "rate_per_kwh": 0.0}], capacity_charges=[charge])


def monthly(peaks):
    """A year of hourly import with the given peak in each month, each on the tenth at noon."""
    import_kw = np.zeros(len(YEAR))
    for month, peak in enumerate(peaks, start=1):
        import_kw[(YEAR.month == month) & (YEAR.day == 10) & (YEAR.hour == 12)] = peak
    return import_kw


def test_the_contracted_level_is_due_whether_it_is_used_or_not():
    table = billed(capacity(contracted_demand=50), YEAR, 10.0)
    assert column(table, "Level") == [50] * 12
    assert total(table) == 12 * 50 * 2


def test_what_goes_beyond_the_level_has_its_own_row_and_rate():
    table = billed(capacity(contracted_demand=50), YEAR, monthly([60, *[40] * 11]))
    assert column(table, "Level")[:3] == [50, 10, 50]
    assert column(table, "Level", "amount")[:3] == [100, 50, 100]


def test_a_level_in_kva_counts_reactive_power():
    table = billed(capacity(unit="kva", contracted_demand=40), YEAR, 30.0, kvar=40.0)
    assert column(table, "Level")[:2] == pytest.approx([40, 10], abs=FLOAT_SUM)
    assert set(column(table, "Level", "unit")) == {"kVA"}


def test_a_rate_per_day_is_due_for_each_day():
    table = billed(capacity(contracted_demand=50, rate=0.1, per_day=True), steps("2025-02-01", "2025-03-01"), 10.0)
    assert total(table) == pytest.approx(28 * 50 * 0.1, abs=FLOAT_SUM)


def test_a_level_for_the_year_is_due_once():
    table = billed(
        capacity(contracted_demand=50, rate=24.0, excess_rate=60.0, period="year"), YEAR, monthly(range(50, 62))
    )
    assert column(table, "Level") == [50, 11]
    assert total(table) == 50 * 24 + 11 * 60


def test_demand_outside_the_window_does_not_exceed_the_level():
    tariff = capacity(contracted_demand=5, when=[{"times": ["17:00-20:00"]}])
    assert column(billed(tariff, YEAR, monthly([60] * 12)), "Level") == [5] * 12


@settings(max_examples=40)
@given(
    peaks=peaks_of_months,
    rate=st.integers(0, 5),
    excess_rate=st.integers(0, 40),
    least=st.integers(0, 60),
    period=st.sampled_from(["month", "year"]),
)
def test_the_chosen_level_is_the_cheapest_of_all(peaks, rate, excess_rate, least, period):
    tariff = capacity(choose=True, rate=rate, excess_rate=excess_rate, least_demand=least, period=period)
    measured = np.array(peaks if period == "month" else [max(peaks)], dtype=float)
    levels = np.arange(least, 161)  # whole kW: the kinks of the cost are at the whole peaks
    cost = rate * levels * len(measured) + excess_rate * np.maximum(measured - levels[:, None], 0).sum(axis=1)
    table = billed(tariff, YEAR, monthly(peaks))
    assert total(table) == pytest.approx(cost.min(), abs=FLOAT_SUM)
    assert min(column(table, "Level", "quantity")[:1]) >= least


def test_todays_contract_holds_until_another_level_is_chosen():
    tariff = capacity(choose=True, contracted_demand=90)
    today, chosen = (billed(tariff, YEAR, monthly([60] * 12), as_contracted=fixed) for fixed in (True, False))
    assert (column(today, "Level"), column(chosen, "Level")) == ([90] * 12, [60] * 12)


def test_a_level_that_is_not_to_be_chosen_stays():
    tariff = capacity(contracted_demand=90)
    assert amounts(billed(tariff, YEAR, monthly([60] * 12)))["Level"] == 12 * 90 * 2


def test_without_a_contract_today_the_best_level_is_billed():
    table = billed(capacity(choose=True), YEAR, monthly([60] * 12), as_contracted=True)
    assert column(table, "Level") == [60] * 12


def test_an_excess_that_costs_less_than_the_level_leaves_the_least_one():
    # Two peaks a year: 12 * 2 for a kW of the level, 2 * 5 for a kW beyond it twice.
    table = billed(capacity(choose=True, least_demand=20), YEAR, monthly([60, 60, *[0] * 10]))
    assert column(table, "Level", "quantity")[0] == 20
    assert total(table) == 12 * 20 * 2 + 2 * 40 * 5


def test_the_level_follows_from_the_year_that_is_billed_and_not_from_the_one_before():
    before = readings_of(YEAR, monthly([90] * 12))
    table = billed(capacity(choose=True), YEAR, monthly([60] * 12), before=before)
    assert column(table, "Level") == [60] * 12
