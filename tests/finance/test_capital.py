"""What an option costs to buy."""

import pytest

from crestfall.finance import capital_breakdown, capital_cost
from crestfall.plant import Option, allowed_options, build_plant
from crestfall.scenario.money_block import Money
from strategies import catalogue_from

CATALOGUE = catalogue_from()  # racks 9,000, modules 5,000, cabinets 3,000
MONEY = Money.model_validate(
    {
        "currency": "EUR",
        "installation_cost": 1500.0,
        "balance_of_system_cost": 4000.0,
        "design_cost": 2500.0,
        "contingency_frac": 0.1,
        "grant": {"amount": 1000.0, "frac_of_capital": 0.2},
    }
)


def with_breaks(*breaks: tuple[int, float]):
    """Return the catalogue with lower prices of racks from so many on."""
    listed = [{"from_count": count, "price": price} for count, price in breaks]
    rack = {**CATALOGUE.rack.model_dump(), "price_breaks": listed}
    return catalogue_from(rack=rack)


BREAKS = with_breaks((3, 8500.0), (6, 7000.0))


def test_capital_has_its_parts():
    """18,000 + 5,000 + 3,000 parts and 8,000 beside them, 10 % on both, 20 % and 1,000 granted."""
    cost = capital_breakdown(build_plant(CATALOGUE, Option(2, 1)), CATALOGUE, MONEY)
    assert (cost.racks, cost.modules, cost.cabinets, cost.parts) == (18_000, 5000, 3000, 26_000)
    assert (cost.balance_of_system, cost.works, cost.design) == (4000, 1500, 2500)
    assert cost.contingency == pytest.approx(3400)
    assert cost.total == pytest.approx(37_400)
    assert cost.grant == pytest.approx(8480)
    assert cost.net == pytest.approx(28_920)


@pytest.mark.parametrize("option", allowed_options(BREAKS), ids=str)
def test_parts_add_up_to_the_capital_cost(option):
    plant = build_plant(BREAKS, option)
    assert capital_breakdown(plant, BREAKS, MONEY).total == pytest.approx(capital_cost(plant, MONEY), rel=1e-12)


@pytest.mark.parametrize(("racks", "cost"), [(1, 9000), (2, 18_000), (3, 25_500), (5, 42_500), (6, 42_000)])
def test_a_quantity_break_makes_all_of_them_cheaper(racks, cost):
    """Six at 7,000 may cost less than five at 8,500: that is how such lists are written."""
    assert BREAKS.rack.cost_of(racks) == cost


def test_a_grant_never_exceeds_the_cost():
    money = MONEY.model_copy(update={"grant": MONEY.grant.model_copy(update={"amount": 1e9})})
    cost = capital_breakdown(build_plant(CATALOGUE, Option(1, 1)), CATALOGUE, money)
    assert cost.net == 0.0


def test_no_battery_costs_nothing_and_gets_no_grant():
    cost = capital_breakdown(build_plant(CATALOGUE, Option(0, 0)), CATALOGUE, MONEY)
    assert (cost.total, cost.grant, cost.contingency) == (0, 0, 0)
