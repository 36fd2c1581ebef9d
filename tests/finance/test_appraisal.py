"""What a project is worth."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given

from crestfall.finance import CapitalCost, appraise, present_value
from money import AT_EIGHT, capital_of, money_with, moneys, projects, years_of


def test_a_plain_project_is_worth_what_its_cash_says():
    """100,000 for 30,000 a year over five years at 10 %: textbook figures of tests/published/test_finance.py."""
    money = money_with(discount={"rate_frac": 0.10, "terms": "nominal", "reinvestment_rate_frac": 0.12})
    worth = appraise(years_of([30_000.0] * 5), capital_of(), money)
    plain = worth.without_debt
    assert plain.npv == pytest.approx(13_723.603, abs=0.001)
    assert plain.irr_frac == pytest.approx((0.15238237,), abs=1e-8)
    assert plain.payback_years == pytest.approx(10 / 3)
    assert plain.discounted_payback_years == pytest.approx(4.2633, abs=5e-5)
    assert plain.profitability_index == pytest.approx(1.13723603)
    assert plain.mirr_frac == pytest.approx((30_000 * (1.12**5 - 1) / 0.12 / 100_000) ** 0.2 - 1)
    assert (worth.with_debt, worth.least_dscr) == (None, None)
    assert worth.saving_per_kwh == pytest.approx(0.6)
    assert worth.break_even_capital == pytest.approx(113_723.603, abs=0.001)


def test_levelised_cost_counts_capital_running_costs_and_the_energy_charged():
    """The closed form (400,000 CRF + 6,000) / 200,000 + 0.08 / 0.88 at 8 %, 10 years; 40,000 at the end less."""
    years = years_of([50_000.0] * 10, discharged_kwh=200_000.0, charging_cost=200_000 / 0.88 * 0.08)
    service = {"amount_per_year": 6000.0}
    plain = appraise(years, capital_of(400_000.0), money_with(service=service))
    assert plain.levelised_cost_per_kwh == pytest.approx(0.4189680683, rel=1e-9)
    sold = appraise(years, capital_of(400_000.0), money_with(service=service, residual_frac=0.1))
    assert sold.levelised_cost_per_kwh == pytest.approx(0.4051621706, rel=1e-9)


def test_tax_and_debt_do_not_move_the_levelised_cost():
    years = years_of([50_000.0] * 10, charging_cost=3000.0)
    financed = money_with(
        tax={"rate_frac": 0.3, "depreciation_years": 8}, loan={"share_frac": 0.7, "rate_frac": 0.05, "years": 8}
    )
    costs = [appraise(years, capital_of(), money).levelised_cost_per_kwh for money in (money_with(), financed)]
    assert costs[0] == pytest.approx(costs[1], rel=1e-12)


@given(years=projects(), money=moneys())
def test_the_project_is_worth_nothing_at_its_break_even_capital(years, money):
    capital = capital_of(works=30_000.0)
    found = appraise(years, capital, money).break_even_capital
    if found is None:
        return
    factor = found / capital.total
    scaled = replace(capital, **{name: factor * getattr(capital, name) for name in CapitalCost.__slots__})
    at_even = appraise(years, scaled, money.model_copy(update={"loan": None}))
    assert at_even.without_debt.npv == pytest.approx(0.0, abs=1e-6 * (1 + found))


@given(years=projects(), money=moneys())
def test_a_project_below_its_break_even_capital_pays(years, money):
    worth = appraise(years, capital_of(), money)
    if worth.break_even_capital is not None and abs(worth.break_even_capital - 100_000) > 1:
        assert (worth.break_even_capital > 100_000) == (worth.without_debt.npv > 0)


def test_no_capital_is_low_enough_where_nothing_is_saved():
    assert appraise(years_of([-10.0] * 5), capital_of(), money_with()).break_even_capital is None


def test_a_loan_at_the_discount_rate_moves_no_present_value_without_tax():
    money = money_with(loan={"share_frac": 0.6, "rate_frac": 0.08, "years": 6})
    worth = appraise(years_of([20_000.0] * 8), capital_of(), money)
    assert worth.with_debt.npv == pytest.approx(worth.without_debt.npv, abs=1e-6)


def test_a_cheaper_loan_raises_the_return_on_the_owners_money():
    money = money_with(loan={"share_frac": 0.6, "rate_frac": 0.04, "years": 6})
    worth = appraise(years_of([25_000.0] * 8), capital_of(), money)
    assert worth.with_debt.irr_frac[0] > worth.without_debt.irr_frac[0] > 0.04
    assert worth.least_dscr == pytest.approx(25_000 / (60_000 * 0.1907619025))  # CRF of 4 % and six years


@given(years=projects(), money=moneys())
def test_present_value_is_the_last_of_the_cumulative_discounted_cash(years, money):
    worth = appraise(years, capital_of(), money)
    assert worth.without_debt.npv == pytest.approx(worth.frame["cumulative_discounted"].iloc[-1], abs=1e-4)


def test_cash_that_never_changes_sign_has_no_rate_and_no_payback():
    worth = appraise(years_of([-500.0] * 5), capital_of(), money_with())
    assert worth.without_debt.irr_frac == ()
    assert worth.without_debt.mirr_frac is None
    assert worth.without_debt.payback_years is None


def test_several_rates_are_all_shown():
    """-1,000, 2,300, -1,320: 10 and 20 %, the racks of the third year being paid at the end of the second."""
    worth = appraise(years_of([2300.0, 0.0, 0.0], replacement=[0, 0, 1320.0]), capital_of(1000.0), money_with())
    assert worth.without_debt.irr_frac == pytest.approx((0.1, 0.2), abs=1e-9)


def test_racks_bought_for_the_last_year_are_not_free():
    plain, bought = (
        appraise(years_of([20_000.0] * 10, replacement=[0.0] * 9 + [cost]), capital_of(), money_with())
        for cost in (0.0, 9000.0)
    )
    assert plain.without_debt.npv - bought.without_debt.npv == pytest.approx(9000 / 1.08**9)


def test_without_a_discount_rate_there_is_only_what_needs_none():
    worth = appraise(years_of([30_000.0] * 5), capital_of(), money_with(discount=None))
    plain = worth.without_debt
    assert (plain.npv, plain.mirr_frac, plain.profitability_index, plain.discounted_payback_years) == (None,) * 4
    assert (worth.levelised_cost_per_kwh, worth.break_even_capital) == (None, None)
    assert plain.irr_frac == pytest.approx((0.15238237,), abs=1e-8)
    assert plain.payback_years == pytest.approx(10 / 3)


def test_no_battery_has_no_figures():
    worth = appraise(years_of([0.0] * 5, discharged_kwh=0.0), capital_of(0.0), money_with())
    assert worth.without_debt.npv == 0.0
    assert worth.without_debt.irr_frac == ()
    assert (worth.levelised_cost_per_kwh, worth.saving_per_kwh, worth.break_even_capital) == (None, None, None)


def test_flows_in_the_middle_of_the_year_are_worth_more():
    early = {**AT_EIGHT, "timing": "mid_year"}
    worth = appraise(years_of([30_000.0] * 5), capital_of(), money_with(discount=early))
    cash = np.array([-100_000.0, *[30_000.0] * 5])
    late = present_value(cash, 0.08)
    assert worth.without_debt.npv == pytest.approx((late + 100_000) * 1.08**0.5 - 100_000)
