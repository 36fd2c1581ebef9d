"""The yearly table of cash."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.errors import KeyedError
from crestfall.finance import CASH_FLOW_COLUMNS, ProjectYears, cash_flow, depreciation, loan_schedule, written_off
from crestfall.scenario.money_block import Loan, Tax
from money import AT_EIGHT, capital_of, money_with, moneys, projects, years_of

CENT = 1e-6


def test_a_project_without_anything_else_is_its_capital_and_its_savings():
    frame = cash_flow(years_of([30_000.0] * 5), capital_of(), money_with())
    assert tuple(frame.columns) == CASH_FLOW_COLUMNS
    assert frame.index.tolist() == [0, 1, 2, 3, 4, 5]
    assert frame["cash"].tolist() == [-100_000, *[30_000] * 5]
    assert frame["cumulative"].iloc[-1] == 50_000
    assert frame["cumulative_discounted"].iloc[-1] == pytest.approx(30_000 / 0.2504564545 - 100_000)  # CRF of 8 %, 5 a


def test_each_line_rises_by_its_own_escalation():
    money = money_with(
        service={"amount_per_year": 1000.0, "escalation_frac_per_year": 0.02},
        insurance={"amount_per_year": 100.0, "frac_of_capital": 0.005},
        land={"amount_per_year": 240.0, "escalation_frac_per_year": -0.1},
    )
    frame = cash_flow(years_of([0.0] * 3), capital_of(), money)
    assert frame["service"].tolist() == pytest.approx([0, -1000, -1020, -1040.4])
    assert frame["insurance"].tolist() == [0, -600, -600, -600]
    assert frame["land"].tolist() == pytest.approx([0, -240, -216, -194.4])


def test_racks_for_the_start_of_a_year_are_paid_a_year_before():
    frame = cash_flow(years_of([0.0] * 4, replacement=[0, 0, 7000, 0]), capital_of(), money_with())
    assert frame["replacements"].tolist() == [0, 0, -7000, 0, 0]


def test_what_is_left_and_what_it_costs_to_take_it_down_come_at_the_horizon():
    money = money_with(residual_frac=0.1, decommissioning_cost=2500.0)
    frame = cash_flow(years_of([0.0] * 3), capital_of(works=20_000.0), money)
    assert frame["residual_value"].tolist() == [0, 0, 0, 8000]  # of the parts only
    assert frame["decommissioning"].tolist() == [0, 0, 0, -2500]


def test_savings_raise_the_profit_that_is_taxed_and_depreciation_lowers_it():
    """30,000 a year, 100,000 less a grant of 20,000 over four years: 30 % of 10,000, then of 30,000."""
    tax = {"rate_frac": 0.3, "depreciation_years": 4}
    frame = cash_flow(years_of([30_000.0] * 5), capital_of(grant=20_000.0, racks=100_000.0), money_with(tax=tax))
    assert frame["depreciation"].tolist() == [0, 20_000, 20_000, 20_000, 20_000, 0]
    assert frame["tax"].tolist() == pytest.approx([0, -3000, -3000, -3000, -3000, -9000])


def test_a_loss_saves_tax_at_once_or_waits_for_profit():
    """A loss of 10,000 in the first year, then profits of 8,000 and 8,000."""
    savings = [-10_000.0, 8000.0, 8000.0]
    at_once = money_with(tax={"rate_frac": 0.25, "depreciation_years": 1})
    waits = money_with(tax={"rate_frac": 0.25, "depreciation_years": 1, "losses": "carried_forward"})
    taxes = [cash_flow(years_of(savings), capital_of(0.0), money)["tax"].tolist() for money in (at_once, waits)]
    assert taxes == [[0, 2500, -2000, -2000], [0, 0, 0, -1500]]


@given(years=projects(), money=moneys())
def test_columns_of_cash_add_up(years, money):
    frame = cash_flow(years, capital_of(), money)
    parts = ["capital", "grant", "savings", "service", "insurance", "land", "replacements"]
    parts += ["residual_value", "decommissioning", "tax"]
    np.testing.assert_allclose(frame[parts].sum(axis=1), frame["cash"], atol=CENT)
    np.testing.assert_allclose(frame["cash"].cumsum(), frame["cumulative"], atol=CENT)
    if money.loan is not None:
        debt = frame[["loan", "interest", "repayment"]].sum(axis=1)
        expected = frame["cash"] - frame["tax"] + frame["tax_with_debt"] + debt
        np.testing.assert_allclose(frame["cash_with_debt"], expected, atol=CENT)


@given(years=projects(), money=moneys())
def test_all_that_is_bought_is_written_off_within_the_horizon(years, money):
    frame = cash_flow(years, capital_of(), money)
    bought = 0.0 if money.tax is None else 100_000 + years.replacement_cost.sum()
    assert frame["depreciation"].sum() == pytest.approx(bought, abs=CENT)


@given(years=projects(), money=moneys(losses=("offset",)))
def test_tax_of_all_years_is_that_of_the_profit_of_all_years(years, money):
    frame = cash_flow(years, capital_of(), money)
    if money.tax is not None:
        before = frame["cash"].sum() - frame["tax"].sum()
        assert -frame["tax"].sum() == pytest.approx(money.tax.rate_frac * before, abs=CENT)


@given(years=projects(), money=moneys(losses=("carried_forward",)))
def test_losses_that_wait_give_no_tax_back(years, money):
    assert (cash_flow(years, capital_of(), money)["tax"] <= CENT).all()


@given(years=projects(), money=moneys())
def test_debt_is_paid_back_with_its_interest_by_equal_instalments(years, money):
    frame = cash_flow(years, capital_of(), money)
    if money.loan is None:
        assert frame[["loan", "interest", "repayment", "cash_with_debt", "dscr"]].isna().to_numpy().all()
        return
    assert frame["repayment"].sum() == pytest.approx(-frame["loan"].sum(), abs=CENT)
    instalments = (frame["interest"] + frame["repayment"]).loc[1 : money.loan.years]
    np.testing.assert_allclose(instalments, instalments.iloc[0], atol=CENT)
    assert frame["dscr"].notna().sum() == money.loan.years


def test_cover_ratio_is_what_is_left_of_operation_over_debt_service():
    """30,000 less 5,000 service over an instalment of 100,000 x 0.1295045750 (5 %, 10 years)."""
    money = money_with(loan={"share_frac": 1.0, "rate_frac": 0.05, "years": 10}, service={"amount_per_year": 5000.0})
    frame = cash_flow(years_of([30_000.0] * 12), capital_of(), money)
    assert frame["dscr"].loc[1:10].tolist() == pytest.approx([25_000 / 12_950.45750] * 10)
    assert frame["dscr"].loc[[0, 11, 12]].isna().all()


def test_interest_lowers_tax():
    keys = {"tax": {"rate_frac": 0.3, "depreciation_years": 5}}
    money = money_with(**keys, loan={"share_frac": 0.5, "rate_frac": 0.06, "years": 5})
    frame = cash_flow(years_of([40_000.0] * 5), capital_of(), money)
    np.testing.assert_allclose(frame["tax_with_debt"] - frame["tax"], -0.3 * frame["interest"], atol=CENT)
    assert frame.loc[0, "cash_with_debt"] == -50_000


def test_a_loan_without_interest_is_paid_back_in_equal_parts():
    interest, repayment = loan_schedule(Loan(share_frac=1.0, rate_frac=0.0, years=4), 1000.0)
    assert interest.tolist() == [0.0] * 4
    assert repayment.tolist() == [250.0] * 4


def test_a_loan_beyond_the_horizon_is_refused():
    money = money_with(loan={"share_frac": 0.5, "rate_frac": 0.05, "years": 11})
    with pytest.raises(KeyedError) as caught:
        cash_flow(years_of([1.0] * 10), capital_of(), money)
    assert str(caught.value) == (
        "money.loan.years: found 11, expected at most 10 years, the horizon of the study\n"
        "    shorten the loan, or lengthen life.horizon_years"
    )


def test_without_a_discount_rate_nothing_is_discounted():
    frame = cash_flow(years_of([1.0, 2.0]), capital_of(), money_with(discount=None))
    assert frame[["discounted", "cumulative_discounted"]].isna().to_numpy().all()


def test_declining_depreciation_takes_its_share_of_what_is_left_and_the_rest_at_the_end():
    tax = Tax(rate_frac=0.3, depreciation="declining", depreciation_years=4, declining_frac=0.5)
    assert depreciation(1000.0, tax).tolist() == [500, 250, 125, 125]
    twice = Tax(rate_frac=0.3, depreciation="declining", depreciation_years=5)
    assert depreciation(1000.0, twice).tolist() == pytest.approx([400, 240, 144, 86.4, 129.6])


def test_what_is_left_on_the_books_at_the_horizon_is_written_off_there():
    """100 over four years, and 80 more for the start of the third of three years."""
    tax = Tax(rate_frac=0.3, depreciation_years=4)
    assert written_off(np.array([100.0, 0, 80.0]), tax).tolist() == [25, 25, 130]


@given(years=projects(), money=moneys(), scale=st.sampled_from([0.5, 2.0, 10.0]))
def test_all_money_times_k_is_all_cash_times_k(years, money, scale):
    many = ProjectYears(
        lines=years.lines,
        line_savings=scale * years.line_savings,
        replacement_cost=scale * years.replacement_cost,
        discharged_kwh=years.discharged_kwh,
        charging_cost=scale * years.charging_cost,
    )
    dearer = {"decommissioning_cost": scale * money.decommissioning_cost}
    for line in ("service", "insurance", "land"):
        block = getattr(money, line)
        dearer[line] = block.model_copy(update={"amount_per_year": scale * block.amount_per_year})
    plain = cash_flow(years, capital_of(), money)
    times = cash_flow(many, capital_of(scale * 100_000), money.model_copy(update=dearer))
    columns = [name for name in CASH_FLOW_COLUMNS if name != "dscr"]
    np.testing.assert_allclose(times[columns], scale * plain[columns], rtol=1e-9, atol=1e-4)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        pytest.param({"line_savings": np.zeros((0, 1))}, "line_savings has shape", id="no years"),
        pytest.param({"line_savings": np.zeros((3, 2))}, "line_savings has shape", id="more lines than names"),
        pytest.param({"charging_cost": np.zeros(2)}, "charging_cost has shape", id="another number of years"),
        pytest.param(
            {"replacement_cost": np.array([0, -1.0, 0])}, "must not be negative", id="racks that are given away"
        ),
    ],
)
def test_years_that_do_not_fit_together_are_refused(changes, message):
    values = {name: getattr(years_of([1.0] * 3), name) for name in ProjectYears.__slots__}
    with pytest.raises(ValueError, match=message):
        ProjectYears(**{**values, **changes})


def test_savings_are_the_sum_of_their_lines():
    years = ProjectYears(
        lines=("Energy", "Demand"),
        line_savings=np.array([[100.0, 900.0], [-50.0, 950.0]]),
        replacement_cost=np.zeros(2),
        discharged_kwh=np.ones(2),
        charging_cost=np.zeros(2),
    )
    assert years.savings.tolist() == [1000, 900]
    assert cash_flow(years, capital_of(), money_with(discount=AT_EIGHT))["savings"].tolist() == [0, 1000, 900]
