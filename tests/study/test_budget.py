"""A year that keeps a budget of energy, wherever the search for its price begins."""

import pytest

from crestfall.scenario import load_scenario
from crestfall.study import prepare
from crestfall.study._budget import within_budget
from hourly_site import WITH_PV, year_csv
from site_files import write_site

MOST_CYCLES = 150


def used_frac(case) -> float:
    return case.energy.out_of_store_kwh / (MOST_CYCLES * 80)


@pytest.fixture(scope="module")
def year(tmp_path_factory):
    """The joinery's year, and what keeps the budget in it by a search from nothing."""
    inputs = prepare(load_scenario(write_site(tmp_path_factory.mktemp("joinery"), WITH_PV, load=year_csv())))
    return inputs, within_budget(inputs, used_frac)


def test_a_budget_is_used_up_and_no_more(year):
    _, found = year
    assert 0.99 < used_frac(found.case) <= 1
    assert found.cost > 0


@pytest.mark.parametrize("off", [0.5, 1.0, 2.0], ids=["half the price", "the price", "twice the price"])
def test_the_price_of_the_year_before_leads_to_the_same(year, off):
    inputs, found = year
    near = within_budget(inputs, used_frac, near_per_kwh=off * found.wear_per_kwh)
    assert used_frac(near.case) <= 1
    assert near.case.bill_total == pytest.approx(found.case.bill_total, rel=1e-4)
    assert near.wear_per_kwh == pytest.approx(found.wear_per_kwh, rel=0.05)
