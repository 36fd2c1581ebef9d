"""Racks of different age that run as one store, and what is bought in later years."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cell_uses import LAWS, PER_CYCLE, busy_year, daily_year, used
from crestfall.ageing import (
    FadeState,
    Fleet,
    HealthByYearLaw,
    LfpLaw,
    RackGroup,
    Work,
    is_over,
    later_cost,
    purchase,
    racks_to_hold,
    rest,
)
from crestfall.errors import KeyedError
from crestfall.scenario.catalogue_file import Rack
from crestfall.scenario.life_block import EndOfLife, RackPrice
from strategies import catalogue_from

RACK: Rack = catalogue_from().rack  # 50 kWh, window of 0.8
PRICES = RackPrice(rack_price=9000.0, works_cost=400.0, price_fall_frac_per_year=0.05)
OLD = FadeState(age_years=6.0, calendar_loss_frac=0.15, cycle_loss_frac=0.05, calendar_damage=0.15, closed_damage=0.05)


def fleet_of(*states: FadeState, racks: int = 2, nominal_kwh: float = 100.0) -> Fleet:
    return Fleet(groups=tuple(RackGroup(racks=racks, nominal_kwh=nominal_kwh, state=state) for state in states))


def work_of(stored_kwh, *, start_kwh: float = 10.0, cell_c=25.0) -> Work:
    stored = np.asarray(stored_kwh, dtype=float)
    return Work(
        stored_kwh=stored,
        start_kwh=start_kwh,
        step_h=1.0,
        out_of_store_kwh=float(-np.minimum(np.diff(stored, prepend=start_kwh), 0).sum()),
        cell_c=np.broadcast_to(np.asarray(cell_c, dtype=float), stored.shape),
    )


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())
def test_one_group_ages_as_its_cells_do(law):
    stored, cell_c = busy_year()
    work = work_of(stored, start_kwh=50.0, cell_c=cell_c)
    after = fleet_of(FadeState()).worked(law, work, year=1)
    alone = law.aged(FadeState(), used(stored, start_kwh=50.0, cell_c=cell_c)[0])
    assert after.health_frac == pytest.approx(alone.health_frac, abs=1e-12)
    assert after.capacity_kwh == pytest.approx(100 * alone.health_frac)
    assert after.lost_kwh == pytest.approx((100 * alone.calendar_loss_frac, 100 * alone.cycle_loss_frac))


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())
def test_equal_groups_age_as_one(law):
    stored, cell_c = busy_year(3)
    work = work_of(stored, start_kwh=50.0, cell_c=cell_c)
    one = fleet_of(FadeState(), racks=4).worked(law, work, year=1)
    two = fleet_of(FadeState(), FadeState(), nominal_kwh=50.0).worked(law, work, year=1)
    assert two.health_frac == pytest.approx(one.health_frac, abs=1e-9)
    assert two.resistance_growth_frac == pytest.approx(one.resistance_growth_frac, abs=1e-12)


def test_groups_share_by_the_energy_they_hold_now():
    """80 and 100 kWh: the new racks do five ninths, and both are as full."""
    fleet = fleet_of(OLD, FadeState())
    assert fleet.shares_frac == pytest.approx((80 / 180, 100 / 180))
    (old, _), (new, _) = fleet.uses(work_of(1.8 * daily_year(), start_kwh=18.0))
    assert old.full_cycles == pytest.approx(0.8 * new.full_cycles)
    np.testing.assert_allclose(old.soc_frac, new.soc_frac)
    assert new.full_cycles == pytest.approx(292)


def test_health_of_a_fleet_is_energy_now_over_energy_when_new():
    fleet = fleet_of(OLD, FadeState(), FadeState(calendar_loss_frac=0.1))
    assert fleet.health_frac == pytest.approx((80 + 100 + 90) / 300)
    assert (fleet.racks, fleet.nominal_kwh) == (6, 300.0)


def test_energy_lost_by_cause_adds_up_to_what_is_missing():
    fleet = fleet_of(OLD, FadeState(calendar_loss_frac=0.1))
    assert sum(fleet.lost_kwh) == pytest.approx(fleet.nominal_kwh - fleet.capacity_kwh)


def test_resistance_of_equal_groups_is_their_mean_and_never_less_for_uneven_ones():
    grown = replace(FadeState(), resistance_growth_frac=0.3)
    assert fleet_of(grown, grown).resistance_growth_frac == pytest.approx(0.3)
    assert fleet_of(grown, FadeState()).resistance_growth_frac == pytest.approx(0.15)
    uneven = fleet_of(replace(OLD, resistance_growth_frac=0.0), FadeState())
    assert uneven.resistance_growth_frac == pytest.approx(4 * ((80 / 180) ** 2 + (100 / 180) ** 2) / 2 - 1)
    assert uneven.resistance_growth_frac > 0


def test_racks_that_join_begin_new_and_the_old_go_on():
    before = fleet_of(OLD).joined_by(RackGroup(racks=1, nominal_kwh=50.0, joined_year=7))
    after = before.worked(PER_CYCLE, work_of(1.3 * daily_year(), start_kwh=13.0), year=7)
    old, new = after.groups
    assert (old.state.age_years, new.state.age_years) == pytest.approx((6 + 8760 / 8766, 8760 / 8766))
    assert new.state.health_frac == pytest.approx(1 - 292 * 4e-5 - 0.012 * 8760 / 8766)
    assert old.state.health_frac == pytest.approx(0.8 - 0.8 * 292 * 4e-5 - 0.012 * 8760 / 8766)
    assert [group.joined_year for group in after.groups] == [1, 7]


def test_time_between_delivery_and_commissioning_counts():
    waited = fleet_of(FadeState()).rested(LfpLaw(), rest(0.5, soc_frac=0.5, cell_c=30.0))
    expected = LfpLaw().aged(FadeState(), rest(0.5, soc_frac=0.5, cell_c=30.0))
    assert waited.groups[0].state == expected
    assert waited.health_frac < 1


def test_worn_groups_are_replaced_and_others_stay():
    fleet = fleet_of(OLD, FadeState(calendar_loss_frac=0.31))
    new = FadeState(calendar_loss_frac=0.01)
    after = fleet.replaced(0.7, year=9, new_state=new)
    assert after.groups[0] == fleet.groups[0]
    assert (after.groups[1].state, after.groups[1].joined_year, after.groups[1].racks) == (new, 9, 2)


def test_fade_beyond_all_capacity_names_the_year():
    law = HealthByYearLaw(years=np.array([0.0, 1.0]), health_frac=np.array([1.0, 0.5]))
    fleet = fleet_of(FadeState(age_years=1.2, calendar_loss_frac=0.6))
    with pytest.raises(KeyedError) as caught:
        fleet.worked(law, work_of(daily_year()), year=3)
    assert str(caught.value) == (
        "rack.life: found a fade of 110 % of the nominal energy by the end of year 3, expected capacity that stays"
        " above 0 over the horizon\n    shorten life.horizon_years, replace racks in time (life.end_of_life), or"
        " correct the law"
    )


def test_a_fleet_names_what_its_law_was_not_fitted_on():
    before = fleet_of(FadeState())
    work = work_of(daily_year(), cell_c=70.0)
    after = before.worked(LfpLaw(), work, year=1)
    named = {item.quantity for item in after.out_of_range(LfpLaw(), work, before)}
    assert named == {"cell temperature", "cell temperature in cycles", "C-rate"}


@given(promise=st.floats(1, 2000), health=st.floats(0.5, 1.0))
def test_racks_that_join_hold_the_promise_and_one_fewer_would_not(promise, health):
    fleet = fleet_of(FadeState(calendar_loss_frac=1 - health))
    n = racks_to_hold(fleet, promised_usable_kwh=promise, window_frac=0.8, rack_kwh=50.0)
    usable = [0.8 * (fleet.capacity_kwh + 50 * count) for count in (n, n - 1)]
    assert usable[0] >= promise - 1e-6
    assert n == 0 or usable[1] < promise


def test_racks_get_cheaper_by_their_share_each_year():
    """9,000 less 5 % twice, two of them, and 400 for the work."""
    assert later_cost(PRICES, 2, 3) == pytest.approx(2 * 9000 * 0.95**2 + 400)
    assert later_cost(PRICES, 2, 1) == 18_400
    assert later_cost(PRICES, 0, 3) == 0


AUGMENT = EndOfLife(
    then="augment", prices=PRICES, additions=[{"year": 4, "racks": 1}, {"year": 8}], promised_usable_kwh=90
)


def test_a_plan_to_augment_buys_in_its_years_only():
    fleet = fleet_of(OLD)
    found = {year: purchase(AUGMENT, fleet, RACK, year=year) for year in range(1, 11)}
    assert {year for year, one in found.items() if one is not None} == {4, 8}
    assert found[4].racks == 1
    assert found[4].cost == pytest.approx(9000 * 0.95**3 + 400)
    assert found[8].racks == 1  # 90 usable are 112.5 of nominal; 80 and 50 hold them
    assert not found[4].replaces


@given(year=st.integers(1, 40), racks=st.integers(1, 50))
def test_racks_that_join_are_never_free_not_even_in_the_last_year(year, racks):
    plan = EndOfLife(then="augment", prices=PRICES, additions=[{"year": year, "racks": racks}])
    assert purchase(plan, fleet_of(OLD), RACK, year=year).cost > racks * 9000 * 0.95**40


def test_a_promise_that_is_kept_buys_nothing():
    plan = EndOfLife(then="augment", prices=PRICES, additions=[{"year": 2}], promised_usable_kwh=60)
    assert purchase(plan, fleet_of(OLD), RACK, year=2) is None


def test_a_plan_to_replace_buys_as_many_racks_as_are_worn():
    plan = EndOfLife(then="replace", prices=PRICES)
    worn = FadeState(calendar_loss_frac=0.3)
    assert purchase(plan, fleet_of(OLD), RACK, year=9) is None
    bought = purchase(plan, fleet_of(worn, OLD, worn), RACK, year=9)
    assert (bought.racks, bought.replaces, bought.cost) == (4, True, pytest.approx(4 * 9000 * 0.95**8 + 400))
    assert not is_over(plan, fleet_of(worn), end_health_frac=0.7)


def test_a_plan_to_stop_ends_with_the_health_of_its_racks():
    plan = EndOfLife()
    assert purchase(plan, fleet_of(FadeState(calendar_loss_frac=0.3)), RACK, year=9) is None
    assert is_over(plan, fleet_of(FadeState(calendar_loss_frac=0.3)), end_health_frac=0.7)
    assert not is_over(plan, fleet_of(OLD), end_health_frac=0.7)
