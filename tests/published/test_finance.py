"""Present value, rates of return, payback, depreciation and levelised cost against printed examples."""

import numpy as np
import pytest
import pyxirr

from crestfall.finance import (
    annuity,
    depreciation,
    discount_factors,
    levelised_cost,
    modified_rate_of_return,
    payback_years,
    present_value,
    profitability_index,
    rates_of_return,
    real_rate,
)
from crestfall.scenario.money_block import Tax

# Sources. M: W. R. Murphy, G. McKay, "Energy Management"; P: R. Panneerselvam, "Engineering Economics"; both through
# notebooks that redo the examples of the books. S: help pages of makers of spreadsheet programs, from memory unless
# said, and computed again. C: computed apart from the definition.
E = [-80_000, 10_000, 20_000, 30_000, 40_000, 50_000]  # M, projects E and F of chapter 3
F = [-80_000, 50_000, 40_000, 30_000, 20_000, 10_000]
LEVEL = [-100_000, *[30_000] * 5]  # P 7.1
ADVANCE = [-70_000, 12_000, 15_000, 18_000, 21_000, 26_000]  # S, the example of the internal rate of return
MODIFIED = [-120_000, 39_000, 30_000, 21_000, 37_000, 46_000]  # https://maneev.com/excel/financial/mirr


@pytest.mark.parametrize(
    ("cash", "rate", "value", "tolerance"),
    [
        pytest.param([-1_200_000, *[400_000] * 10], 0.2, 476_988.834, 0.01, id="P 4.1, first machine"),
        pytest.param([-2_000_000, *[600_000] * 10], 0.2, 515_483.251, 0.01, id="P 4.1, second machine"),
        pytest.param([-10_000, 3000, 3000, 7000, 6000], 0.18, 2052.076, 0.01, id="P 4.3, first"),
        pytest.param([-10_000, 6000, 6000, 3000, 3000], 0.18, 2767.112, 0.01, id="P 4.3, second"),
        pytest.param([-12_000, *range(10_000, 20_000, 1000)], 0.18, 47_293.316, 0.01, id="P 4.7, rising by steps"),
        # The book works with factors of three decimals and prints -1,040 and 20,440.
        pytest.param(E, 0.2, -1032.6646, 0.001, id="M 3.11, project E"),
        pytest.param(F, 0.2, 20_469.393, 0.001, id="M 3.11, project F"),
        pytest.param(LEVEL, 0.10, 13_723.603, 0.001, id="P 7.1 at 10 %"),
        pytest.param(LEVEL, 0.15, 564.653, 0.001, id="P 7.1 at 15 %"),
        pytest.param(LEVEL, 0.18, -6184.869, 0.001, id="P 7.1 at 18 %"),
        pytest.param([0, -10_000, 3000, 4200, 6800], 0.1, 1188.4434, 0.001, id="S, the first flow after a year"),
        pytest.param([-40_000, 8000, 9200, 10_000, 12_000, 14_500], 0.08, 1922.0616, 0.001, id="S"),
        pytest.param(
            [-40_000, 8000, 9200, 10_000, 12_000, 14_500, -9000], 0.08, -3749.4651, 0.001, id="S, roof falls in"
        ),
        pytest.param([0] * 10 + [100_000], 0.15, 24_718.471, 0.01, id="P 3.2, one sum after ten years"),
    ],
)
def test_present_value_of_a_printed_example(cash, rate, value, tolerance):
    assert present_value(cash, rate) == pytest.approx(value, abs=tolerance)


@pytest.mark.parametrize(
    ("cash", "rate", "tolerance"),
    [
        # By straight line between two rates the books find 15.251, 19.55 and, rounded up, 35 %.
        pytest.param(LEVEL, 0.15238237, 1e-8, id="P 7.1"),
        pytest.param(E, 0.19538198, 1e-8, id="M 3.14"),
        pytest.param(F, 0.34499243, 1e-8, id="M 3.13"),
        pytest.param(ADVANCE, 0.08663094803653162, 1e-9, id="S, five years"),
        pytest.param(ADVANCE[:5], -0.0212448483, 1e-9, id="S, four years"),
        pytest.param(ADVANCE[:3], -0.4435069413, 1e-9, id="S, two years"),
    ],
)
def test_rate_of_return_of_a_printed_example(cash, rate, tolerance):
    assert rates_of_return(cash) == pytest.approx((rate,), abs=tolerance)


def test_both_rates_of_return_of_a_textbook_trap_are_shown():
    """100, -230, 132 is zero at 10 and at 20 %: the trap of textbooks for several rates of return."""
    assert rates_of_return([100, -230, 132]) == pytest.approx((0.1, 0.2), abs=1e-9)


@pytest.mark.parametrize(
    ("cash", "reinvest", "rate"),
    [
        pytest.param(MODIFIED, 0.12, 0.1260941304, id="five years"),
        pytest.param(MODIFIED[:4], 0.12, -0.0480446552, id="three years"),
        pytest.param(MODIFIED, 0.14, 0.1347591108, id="reinvested at 14 %"),
    ],
)
def test_modified_rate_of_return_of_a_printed_example(cash, reinvest, rate):
    """Inputs from https://maneev.com/excel/financial/mirr, results (12.61, -4.80, 13.48 %) from memory and computed."""
    found = modified_rate_of_return(cash, finance_frac=0.10, reinvest_frac=reinvest)
    assert found == pytest.approx(rate, abs=1e-8)


@pytest.mark.parametrize(
    ("principal", "rate", "years", "instalment", "tolerance"),
    [
        pytest.param(60_000, 0.18, 10, 13_350.88, 0.01, id="M 3.3"),
        pytest.param(1_000_000, 0.18, 15, 196_403, 1.0, id="P 3.6, printed without decimals"),
    ],
)
def test_instalment_of_a_printed_example(principal, rate, years, instalment, tolerance):
    assert annuity(principal, rate, years) == pytest.approx(instalment, abs=tolerance)


@pytest.mark.parametrize(
    ("rate", "years", "factor"),
    [
        (0.05, 10, 0.1295045750),
        (0.07, 20, 0.0943929257),
        (0.08, 10, 0.1490294887),
        (0.08, 15, 0.1168295449),
        (0.08, 20, 0.1018522088),
        (0.10, 10, 0.1627453949),
        (0.12, 10, 0.1769841642),
        (0.15, 4, 0.3502653516),
        (0.18, 10, 0.2225146413),
    ],
)
def test_capital_recovery_factor(rate, years, factor):
    """i (1 + i)^n / ((1 + i)^n - 1), computed apart to ten decimals."""
    assert annuity(1.0, rate, years) == pytest.approx(factor, abs=1e-10)


def test_what_a_sum_grows_to_is_the_inverse_of_its_factor():
    """10,000 at 15 % for 4 years grow to 17,490.06 (M 3.2)."""
    assert 10_000 / discount_factors(0.15, 4)[4] == pytest.approx(17_490.06, abs=0.01)


@pytest.mark.parametrize(
    ("cash", "rate", "years"),
    [
        pytest.param(E, 0.0, 3.5, id="M 3.8, project E"),
        pytest.param(F, 0.0, 1.75, id="M 3.8, project F"),
        pytest.param(E, 0.10, 4.1456, id="C, E at 10 %"),
        pytest.param(E, 0.15, 4.5465, id="C, E at 15 %"),
        pytest.param(F, 0.10, 2.066, id="C, F at 10 %"),
        pytest.param(F, 0.15, 2.3182, id="C, F at 15 %"),
        pytest.param(F, 0.20, 2.608, id="C, F at 20 %"),
        pytest.param(LEVEL, 0.0, 3.3333, id="C, level"),
        # With a logarithm in place of a straight line within the year it would be 4.2542.
        pytest.param(LEVEL, 0.10, 4.2633, id="C, level at 10 %"),
    ],
)
def test_payback_of_a_printed_example(cash, rate, years):
    assert payback_years(cash, rate_frac=rate) == pytest.approx(years, abs=5e-5)


def test_project_e_never_pays_back_at_twenty_per_cent():
    """Its present value is negative at 20 % (M 3.11)."""
    assert payback_years(E, rate_frac=0.20) is None


def test_profitability_index_of_a_printed_example():
    """Receipts worth 43,000 for 40,000 spent: 1.075 (M 3.12)."""
    assert profitability_index([-40_000, 43_000 * 1.08], 0.08) == pytest.approx(1.075, rel=1e-12)


@pytest.mark.parametrize(
    ("method", "share", "left"),
    [
        pytest.param("straight_line", None, 18_400.0, id="straight line"),
        pytest.param("declining", 1 - (4000 / 40_000) ** (1 / 10), 10_047.55, id="declining"),
    ],
)
def test_value_left_after_six_years_of_depreciation(method, share, left):
    """40,000 to 4,000 in 10 years, value after 6 (M 3.5); the declining share takes it there in just 10 years."""
    tax = Tax(rate_frac=0.3, depreciation=method, depreciation_years=10, declining_frac=share)
    amounts = depreciation(40_000.0, tax, salvage=4000.0)
    assert 40_000 - amounts[:6].sum() == pytest.approx(left, abs=0.01)
    assert amounts.sum() == pytest.approx(36_000, abs=1e-8)


def test_real_rate_of_eight_per_cent_at_two_and_a_half_of_inflation():
    """I. Fisher's equation: 5.36585 % (C)."""
    assert real_rate(0.08, 0.025) == pytest.approx(0.0536585366, abs=1e-10)


@pytest.mark.parametrize(
    ("fade", "residual", "cost"),
    [
        pytest.param(0.0, 0.0, 0.4189680683, id="level"),
        pytest.param(0.02, 0.0, 0.4450797591, id="2 % less each year"),
        pytest.param(0.0, 40_000.0, 0.4051621706, id="a residual value"),
    ],
)
def test_levelised_cost_of_storage_in_closed_form(fade, residual, cost):
    """Capital 400,000, 6,000 and 200,000 kWh a year, energy in at 0.08 and 0.88, 8 %, 10 years (C):

    (400,000 CRF + 6,000) / 200,000 + 0.08 / 0.88 in the level case.
    """
    energy = np.concatenate([[0.0], 200_000 * (1 - fade) ** np.arange(10)])
    spent = np.concatenate([[400_000.0], 6000 + energy[1:] / 0.88 * 0.08])
    spent[-1] -= residual
    assert levelised_cost(spent, energy, 0.08) == pytest.approx(cost, rel=1e-9)


def random_cash(number: int) -> np.ndarray:
    """Return a capital and some years that earn, with bad years among them."""
    random = np.random.default_rng(number)
    flows = random.normal(20_000, 25_000, size=random.integers(3, 26))
    return np.round(np.concatenate([[-random.uniform(20_000, 300_000)], flows]), 2)


@pytest.mark.parametrize("number", range(200))
def test_a_second_library_finds_the_same(number):
    """pyxirr, another author's implementation in another language, on 200 random rows of cash."""
    cash = random_cash(number)
    rate = 0.01 + 0.001 * number
    assert present_value(cash, rate) == pytest.approx(pyxirr.npv(rate, cash), rel=1e-9, abs=1e-6)
    mid_year = pyxirr.npv(rate, cash[1:], start_from_zero=False) * (1 + rate) ** 0.5 + cash[0]
    assert present_value(cash, rate, timing="mid_year") == pytest.approx(mid_year, rel=1e-9, abs=1e-6)
    modified = modified_rate_of_return(cash, finance_frac=rate, reinvest_frac=rate / 2)
    assert modified == pytest.approx(pyxirr.mirr(cash, rate, rate / 2), rel=1e-9, abs=1e-9)
    found, theirs = rates_of_return(cash), pyxirr.irr(cash)
    if theirs is None:
        assert found == ()
    else:
        assert min(abs(rate - theirs) for rate in found) <= 1e-7 * (
            1 + abs(theirs)
        )  # it stops its search at about that
    for rate in found:
        assert abs(pyxirr.npv(rate, cash)) <= 1e-7 * np.abs(cash * discount_factors(rate, len(cash) - 1)).sum()


def test_random_cash_has_rows_of_every_kind():
    """One rate, none and several all occur, or the comparison would say little."""
    counts = {len(rates_of_return(random_cash(number))) for number in range(200)}
    assert {0, 1} <= counts
    assert max(counts) >= 2
