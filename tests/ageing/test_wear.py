"""How long racks last, and what one more kWh costs of that."""

import pytest

from cell_uses import CURVE, LAWS, PER_CYCLE, daily_year, used
from crestfall.ageing import CycleAndYearLaw, FadeState, LfpLaw, life_years, rest, wear_per_kwh

DISCHARGED_KWH = 29_200.0  # of the use below: 292 full cycles of 100 kWh, losses left aside
COST = 29_000.0


@pytest.fixture(scope="module")
def use():
    return used(daily_year(), start_kwh=10.0)[0]


def price(law, use, *, service_years: float = 30.0, end_health_frac: float = 0.7, racks_cost: float = COST) -> float:
    return wear_per_kwh(
        law,
        use,
        discharged_kwh=DISCHARGED_KWH,
        racks_cost=racks_cost,
        end_health_frac=end_health_frac,
        service_years=service_years,
    )


def test_life_ends_where_the_losses_of_the_years_say(use):
    """30 % at 292 x 0.00004 and 0.012 for each 8,760 hours."""
    per_use = 292 * 4e-5 + 0.012 * 8760 / 8766
    expected = 0.3 / per_use * 8760 / 8766
    assert life_years(PER_CYCLE, use, end_health_frac=0.7) == pytest.approx(expected, rel=1e-9)


def test_a_root_law_at_rest_lasts_as_long_as_its_square_says():
    """22.117 years to a loss of 20 % at 25 degrees and half charge (computed from the law of Naumann et al. 2018)."""
    found = life_years(LfpLaw(), rest(1.0, soc_frac=0.5, cell_c=25.0), end_health_frac=0.8)
    assert found == pytest.approx(22.117, abs=0.0005)


def test_used_racks_last_less_long_and_spent_ones_not_at_all(use):
    new = life_years(PER_CYCLE, use, end_health_frac=0.7)
    half = FadeState(calendar_loss_frac=0.15, calendar_damage=0.15)
    assert life_years(PER_CYCLE, use, end_health_frac=0.7, state=half) == pytest.approx(new / 2, rel=1e-9)
    assert life_years(PER_CYCLE, use, end_health_frac=0.7, state=FadeState(calendar_loss_frac=0.3)) == 0.0


def test_halves_that_are_open_are_not_forgotten(use):
    state = PER_CYCLE.aged(FadeState(), use)
    open_state = FadeState(
        calendar_loss_frac=state.calendar_loss_frac,
        cycle_loss_frac=state.cycle_loss_frac,
        calendar_damage=state.calendar_damage,
        open_damage=state.closed_damage,
    )
    left = [life_years(PER_CYCLE, use, end_health_frac=0.7, state=one) for one in (state, open_state)]
    assert left[0] == pytest.approx(left[1], rel=1e-12)


def test_racks_that_do_not_fade_last_without_end():
    law = CycleAndYearLaw(loss_frac_per_full_cycle=0.0, calendar_loss_frac_per_year=0.0)
    assert life_years(law, rest(1.0, soc_frac=0.5, cell_c=25.0), end_health_frac=0.7) is None


def test_a_linear_law_prices_a_kwh_at_its_share_of_the_racks(use):
    """Price times loss of a full cycle, over 100 kWh and the 30 % that may be lost: 29,000 x 0.00004 / 30 = 0.03867."""
    assert price(PER_CYCLE, use) == pytest.approx(29_000 * 4e-5 / (100 * 0.3), rel=1e-6)


def test_more_calendar_fade_makes_no_kwh_dearer_under_a_linear_law(use):
    standing = CycleAndYearLaw(loss_frac_per_full_cycle=4e-5, calendar_loss_frac_per_year=0.03)
    assert price(standing, use) == pytest.approx(price(PER_CYCLE, use), rel=1e-6)


@pytest.mark.parametrize(
    ("law", "years"),
    [
        pytest.param(PER_CYCLE, 10.0, id="the horizon comes first"),
        pytest.param(CURVE, 30.0, id="a law that sees no cycles"),
        pytest.param(
            CycleAndYearLaw(loss_frac_per_full_cycle=0, calendar_loss_frac_per_year=0.02), 30.0, id="calendar"
        ),
        pytest.param(CycleAndYearLaw(loss_frac_per_full_cycle=0, calendar_loss_frac_per_year=0), 30.0, id="no fade"),
    ],
)
def test_a_kwh_costs_nothing_where_something_else_ends_the_life(law, years, use):
    assert price(law, use, service_years=years) == 0.0


def test_no_use_says_nothing_about_wear(use):
    assert (
        wear_per_kwh(PER_CYCLE, use, discharged_kwh=0.0, racks_cost=COST, end_health_frac=0.7, service_years=30.0)
        == 0.0
    )


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())
def test_wear_is_proportional_to_the_price_of_racks_and_never_negative(law, use):
    plain = price(law, use, service_years=100.0)
    dearer = price(law, use, service_years=100.0, racks_cost=7 * COST)
    assert plain >= 0
    assert dearer == pytest.approx(7 * plain, rel=1e-6)


def test_wear_is_the_slope_of_the_yearly_cost_of_racks(use):
    """Seen from far: the yearly cost of racks at 5 % more cycles and at 5 % fewer, nearly straight between."""
    law = LfpLaw(cycle_factor=3.0)
    cost = [COST / life_years(law, use.busier(factor), end_health_frac=0.7) for factor in (0.95, 1.05)]
    per_year = DISCHARGED_KWH / use.years
    assert price(law, use, service_years=100.0) == pytest.approx((cost[1] - cost[0]) / (0.1 * per_year), rel=1e-3)
