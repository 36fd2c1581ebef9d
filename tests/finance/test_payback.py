"""What an option costs, and when it has paid for itself."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.finance import capital_cost, simple_payback_years
from crestfall.plant import Option, build_plant
from crestfall.scenario.money_block import Money
from strategies import catalogue_from

money = Money(currency="EUR", installation_cost=1500.0)


def test_capital_is_parts_and_installation():
    """2 racks at 9,000, 1 module at 5,000, 1 cabinet at 3,000, installation 1,500."""
    assert capital_cost(build_plant(catalogue_from(), Option(2, 1)), money) == 27_500.0


def test_each_cabinet_of_an_option_is_paid_for():
    """5 racks need a second cabinet of 4: 45,000 + 10,000 + 6,000 + 1,500."""
    assert capital_cost(build_plant(catalogue_from(), Option(5, 2)), money) == 62_500.0


def test_no_battery_costs_nothing_not_even_its_installation():
    assert capital_cost(build_plant(catalogue_from(), Option(0, 0)), money) == 0.0


@pytest.mark.parametrize(
    ("capital", "saving"),
    [
        pytest.param(27_500.0, 0.0, id="nothing is saved"),
        pytest.param(27_500.0, -40.0, id="the bill rises"),
        pytest.param(0.0, 500.0, id="nothing is spent"),
    ],
)
def test_payback_is_left_open_where_there_is_none(capital, saving):
    assert simple_payback_years(capital, saving) is None


@given(capital=st.floats(1, 1e9), saving=st.floats(1, 1e9))
def test_savings_of_the_payback_time_add_up_to_the_capital(capital, saving):
    assert simple_payback_years(capital, saving) * saving == pytest.approx(capital, rel=1e-12)  # two roundings


@given(capital=st.floats(1, 1e6), saving=st.floats(1, 1e6), factor=st.floats(1.5, 10))
def test_larger_saving_pays_back_sooner(capital, saving, factor):
    assert simple_payback_years(capital, factor * saving) < simple_payback_years(capital, saving)
