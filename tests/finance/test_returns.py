"""What is read off a row of cash, for any cash."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from crestfall.finance import (
    discount_factors,
    modified_rate_of_return,
    payback_years,
    present_value,
    profitability_index,
    rates_of_return,
    real_rate,
)
from money import cash_rows

rates = st.floats(-0.2, 0.5)
timings = st.sampled_from(["end_of_year", "mid_year"])


@given(cash=cash_rows, more=cash_rows, factor=st.floats(-3, 3), rate=rates, timing=timings)
def test_present_value_is_linear_in_cash(cash, more, factor, rate, timing):
    n = min(len(cash), len(more))
    first, second = np.array(cash[:n]), np.array(more[:n])
    both = present_value(first + factor * second, rate, timing=timing)
    apart = present_value(first, rate, timing=timing) + factor * present_value(second, rate, timing=timing)
    scale = (np.abs(first) + np.abs(factor * second)) @ discount_factors(rate, n - 1, timing=timing)
    assert both == pytest.approx(apart, abs=1e-12 * (1 + scale))


@given(cash=cash_rows, rate=rates)
def test_mid_year_moves_all_but_the_first_flow_half_a_year_ahead(cash, rate):
    late, early = (present_value(cash, rate, timing=timing) for timing in ("end_of_year", "mid_year"))
    scale = np.abs(cash) @ discount_factors(rate, len(cash) - 1)
    assert early - cash[0] == pytest.approx((late - cash[0]) * (1 + rate) ** 0.5, abs=1e-9 * (1 + scale))


def test_without_a_rate_money_keeps_its_value():
    assert present_value([-100.0, 30.0, 90.0], 0.0) == 20.0
    np.testing.assert_array_equal(discount_factors(0.0, 3), 1.0)


@given(cash=cash_rows, timing=timings)
def test_present_value_is_zero_at_each_rate_of_return(cash, timing):
    for rate in rates_of_return(cash, timing=timing):
        factors = discount_factors(rate, len(cash) - 1, timing=timing)
        assert abs(np.array(cash) @ factors) <= 1e-8 * (np.abs(cash) @ factors)


@given(capital=st.floats(1000, 1e4), saving=st.lists(st.floats(1, 1e5), min_size=1, max_size=30), timing=timings)
def test_an_investment_that_then_only_earns_has_one_rate(capital, saving, timing):
    (rate,) = rates_of_return([-capital, *saving], timing=timing)
    assert (rate > 0) == (sum(saving) > capital) or rate == pytest.approx(0.0, abs=1e-9)


@given(known=st.lists(st.integers(-6, 20), min_size=2, max_size=4, unique=True), timing=st.just("end_of_year"))
def test_every_rate_of_a_row_with_known_rates_is_found(known, timing):
    """A polynomial with these roots: rates in steps of 5 %."""
    expected = sorted(0.05 * step for step in known)
    cash = np.poly([1 + rate for rate in expected])
    assert rates_of_return(-1000 * cash, timing=timing) == pytest.approx(tuple(expected), abs=1e-6)


@given(known=st.lists(st.integers(-6, 20), min_size=1, max_size=3, unique=True), years=st.integers(0, 25))
def test_years_without_cash_hide_no_rate(known, years):
    expected = sorted(0.05 * step for step in known)
    cash = np.concatenate([np.poly([1 + rate for rate in expected]), np.zeros(years)])
    assert rates_of_return(cash) == pytest.approx(tuple(expected), abs=1e-6)


def test_a_project_that_starts_later_has_the_same_rate():
    assert rates_of_return([0.0, 0.0, -100.0, 110.0]) == pytest.approx((0.1,))


@pytest.mark.parametrize(
    "cash",
    [
        pytest.param([-100.0, -20.0, -5.0], id="only payments"),
        pytest.param([100.0, 20.0], id="only receipts"),
        pytest.param([0.0, 0.0, 0.0], id="no cash"),
        pytest.param([10.0, -20.0, 11.0], id="two changes of sign and no root"),
    ],
)
def test_there_may_be_no_rate_of_return(cash):
    assert rates_of_return(cash) == ()


def test_a_double_rate_is_shown_once_or_twice_but_not_lost():
    """(v - 1/1.1)²: present value touches zero at 10 % and is positive on both sides."""
    found = rates_of_return([100.0, -220.0, 121.0])
    assert found
    assert found == pytest.approx((0.1,) * len(found), abs=1e-5)


def test_money_lost_for_good_has_a_rate_near_minus_one():
    assert rates_of_return([-100_000.0, 0.0, 1.0]) == pytest.approx((np.sqrt(1e-5) - 1,))


@pytest.mark.parametrize("cash", [[-100.0, -1.0], [50.0, 60.0], [0.0, 0.0]])
def test_without_both_signs_there_is_no_modified_rate(cash):
    assert modified_rate_of_return(cash, finance_frac=0.1, reinvest_frac=0.1) is None


@given(capital=st.floats(100, 1e5), saving=st.lists(st.floats(0, 1e5), min_size=1, max_size=20))
def test_modified_rate_equals_the_rate_of_return_at_which_it_reinvests(capital, saving):
    assume(sum(saving) > 1)
    (rate,) = rates_of_return([-capital, *saving])
    assume(rate > -0.9)
    found = modified_rate_of_return([-capital, *saving], finance_frac=rate, reinvest_frac=rate)
    assert found == pytest.approx(rate, abs=1e-8)


@given(cash=cash_rows, rate=st.floats(0, 0.3))
def test_discounted_payback_is_never_sooner(cash, rate):
    """Where nothing but the first flow is a payment."""
    flows = [-abs(cash[0]) - 1, *np.abs(cash[1:])]
    simple, discounted = payback_years(flows), payback_years(flows, rate_frac=rate)
    assert discounted is None or simple <= discounted + 1e-9


def test_a_payback_that_a_later_replacement_undoes_is_none():
    """Covered after two years, but racks bought for the fourth set it back until the fifth."""
    assert payback_years([-100.0, 60.0, 60.0, -80.0, 50.0, 60.0]) == pytest.approx(4 + 10 / 60)
    assert payback_years([-100.0, 60.0, 60.0, -80.0, 50.0]) is None


@pytest.mark.parametrize("cash", [[0.0, 10.0], [5.0, -3.0], [-100.0, 20.0]])
def test_where_nothing_is_spent_or_it_never_comes_back_there_is_no_payback(cash):
    assert payback_years(cash) is None


@given(cash=cash_rows, rate=st.floats(0, 0.3), timing=timings)
def test_profitability_index_is_above_one_just_where_the_present_value_is_positive(cash, rate, timing):
    flows = [-abs(cash[0]) - 1, *cash[1:]]
    index = profitability_index(flows, rate, timing=timing)
    assert (index - 1) * -flows[0] == pytest.approx(present_value(flows, rate, timing=timing), rel=1e-9, abs=1e-6)


def test_without_an_investment_there_is_no_profitability_index():
    assert profitability_index([0.0, 10.0], 0.1) is None


@given(real=st.floats(-0.2, 0.5), inflation=st.floats(-0.1, 0.3))
def test_real_rate_and_inflation_compound_to_the_nominal_rate(real, inflation):
    assert real_rate((1 + real) * (1 + inflation) - 1, inflation) == pytest.approx(real, abs=1e-12)
