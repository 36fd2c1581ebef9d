"""The search for a price of wear at which one more kWh costs just that."""

import pytest

from crestfall.study._life_result import WearTrial
from crestfall.study._wear import AGREES_FRAC, MOST_TRIALS, agreeing


def search(cost_at, given: float = 0.0) -> list[WearTrial]:
    """Search where one more kWh costs so much in a year at a price."""

    def tried_at(price: float) -> WearTrial:
        return WearTrial(wear_per_kwh=price, marginal_per_kwh=cost_at(price), full_cycles=0.0, saving=0.0)

    return agreeing(tried_at(given), tried_at)


def test_a_price_that_agrees_is_kept():
    assert [one.wear_per_kwh for one in search(lambda _: 0.0)] == [0.0]


def test_under_a_linear_law_the_second_trial_agrees():
    """One more kWh costs 5 cents whatever the price, as where each cycle takes the same."""
    assert [one.wear_per_kwh for one in search(lambda _: 0.05, given=0.02)] == [0.02, 0.05]


@pytest.mark.parametrize("given", [0.0, 0.03, 0.4])
@pytest.mark.parametrize("slope", [0.2, 1.0, 8.0])
def test_price_and_cost_meet_where_the_cost_falls(slope, given):
    """c = a - s p meets p at a / (1 + s)."""
    trials = search(lambda price: max(0.1 - slope * price, 0.0), given)
    assert trials[-1].marginal_per_kwh == pytest.approx(trials[-1].wear_per_kwh, rel=AGREES_FRAC)
    assert trials[-1].wear_per_kwh == pytest.approx(0.1 / (1 + slope), rel=AGREES_FRAC)


@pytest.mark.parametrize("given", [0.0, 0.02, 0.2])
def test_at_a_jump_the_lowest_price_beyond_it_is_used(given):
    """From 3.1 cents on the racks outlast the study, and one more kWh costs nothing."""
    trials = search(lambda price: 0.05 if price < 0.031 else 0.0, given)
    assert trials[-1].marginal_per_kwh == 0
    assert 0.031 <= trials[-1].wear_per_kwh <= 0.031 * 1.1
    beyond = [one.wear_per_kwh for one in trials if one.wear_per_kwh >= 0.031]
    assert trials[-1].wear_per_kwh == min(beyond)


def test_a_search_that_finds_nothing_ends():
    assert len(search(lambda price: 1 + 2 * price)) == MOST_TRIALS + 1
