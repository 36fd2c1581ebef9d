"""What every law of fade does, and what each of them says of its limits."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cell_uses import CURVE, LAWS, NOMINAL_KWH, PER_CYCLE, POWER, TABLE, busy_year, daily_year, levels, used
from crestfall.ageing import (
    CycleCount,
    FadeState,
    HealthByYearLaw,
    LfpLaw,
    LfpPowerLaw,
    health_curve,
    law_of,
    rest,
)
from crestfall.scenario import rack_life

SAME = 1e-9  # of capacity: sums of some ten thousand steps in another order

each_law = pytest.mark.parametrize("law", LAWS.values(), ids=LAWS.keys())


def aged_in_parts(law, stored, cell_c, bounds) -> FadeState:
    """Age new cells part by part, the cycle count carried over."""
    state, count, start = FadeState(), CycleCount(), 50.0
    for first, last in itertools.pairwise(bounds):
        use, count = used(stored[first:last], start_kwh=start, cell_c=cell_c[first:last], count=count)
        state, start = law.aged(state, use), stored[last - 1]
    return state


@each_law
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_twelve_months_give_the_same_fade_as_a_year(law, seed):
    stored, cell_c = busy_year(seed)
    at_once = aged_in_parts(law, stored, cell_c, [0, 8760])
    months = aged_in_parts(law, stored, cell_c, list(range(0, 8761, 730)))
    assert months.calendar_loss_frac == pytest.approx(at_once.calendar_loss_frac, abs=SAME)
    assert months.cycle_loss_frac == pytest.approx(at_once.cycle_loss_frac, abs=SAME)
    assert months.resistance_growth_frac == pytest.approx(at_once.resistance_growth_frac, abs=SAME)


@given(stored=st.lists(st.integers(0, 100), min_size=4, max_size=60), cuts=st.sets(st.integers(1, 59), max_size=8))
def test_wherever_it_is_cut_the_fade_is_the_same(stored, cuts):
    stored = np.array(stored, dtype=float)
    bounds = [0, *sorted(cut for cut in cuts if cut < len(stored)), len(stored)]
    warm = np.linspace(15, 35, len(stored))
    for law in LAWS.values():
        whole, parts = (aged_in_parts(law, stored, warm, edges) for edges in ([0, len(stored)], bounds))
        assert parts.health_frac == pytest.approx(whole.health_frac, abs=SAME)


def test_without_the_residue_a_cycle_over_the_cut_would_be_lost():
    """A swing of 80 % that begins in one part and ends in the next is one deep cycle, not two shallow ones."""
    stored = np.concatenate([np.linspace(10, 90, 9)[1:], np.linspace(90, 10, 9)[1:]])
    first, count = used(stored[:4], start_kwh=10)
    second, _ = used(stored[4:], start_kwh=stored[3], count=count)
    assert first.open.depths_frac == pytest.approx([0.4])
    assert second.cycles.depths_frac == pytest.approx([0.8, 0.8])
    afresh, _ = used(stored[4:], start_kwh=stored[3])
    assert afresh.cycles.depths_frac == pytest.approx([0.4, 0.8])


@each_law
@given(stored=levels, factor=st.floats(1.0, 5.0))
def test_more_cycles_never_give_less_fade(law, stored, factor):
    use, _ = used(stored)
    few, many = (law.aged(FadeState(), one) for one in (use, use.busier(factor)))
    assert many.health_frac <= few.health_frac + 1e-15
    assert many.calendar_loss_frac == few.calendar_loss_frac


@each_law
def test_two_cycles_a_day_wear_at_least_as_much_as_one(law):
    one, two = (law.aged(FadeState(), used(daily_year(n), start_kwh=10.0)[0]) for n in (1, 2))
    assert two.health_frac <= one.health_frac


@each_law
@given(soc_frac=st.floats(0, 1), cell_c=st.floats(0, 50), years=st.floats(0, 30))
def test_a_rest_costs_only_calendar_fade(law, soc_frac, cell_c, years):
    state = law.aged(FadeState(), rest(years, soc_frac=soc_frac, cell_c=cell_c))
    assert state.cycle_loss_frac == 0.0
    assert state.health_frac == 1 - state.calendar_loss_frac
    assert state.age_years == pytest.approx(years)


@each_law
@given(stored=levels, cell_c=st.floats(0, 50), before=levels)
def test_health_never_rises(law, stored, cell_c, before):
    first, _ = used(before)
    begun = law.aged(FadeState(), first.settled())
    assert law.aged(begun, used(stored, cell_c=cell_c)[0]).health_frac <= begun.health_frac


@each_law
def test_a_use_repeated_is_the_use_of_that_time(law):
    use = used(daily_year(), start_kwh=10.0)[0].settled()
    state = FadeState()
    for _ in range(4):
        state = law.aged(state, use)
    at_once = law.aged(FadeState(), use.times(4))
    assert at_once.health_frac == pytest.approx(state.health_frac, abs=SAME)
    assert at_once.age_years == pytest.approx(state.age_years)


@each_law
def test_a_state_stays_as_it_is(law):
    before = FadeState()
    law.aged(before, used(daily_year(), start_kwh=10.0)[0])
    assert before == FadeState()


def test_a_stated_figure_per_cycle_and_year_is_what_it_says():
    """365 cycles of 0.8 are 292 full cycles: 292 x 0.00004 + 8760 / 8766 x 0.012."""
    state = PER_CYCLE.aged(FadeState(), used(daily_year(), start_kwh=10.0)[0])
    assert state.cycle_loss_frac == pytest.approx(292 * 4e-5, rel=1e-12)
    assert state.calendar_loss_frac == pytest.approx(0.012 * 8760 / 8766, rel=1e-12)


def test_a_table_gives_its_own_points_and_runs_on_beyond_them():
    assert TABLE.cycles_at(np.array([0.2, 0.5, 1.0])) == pytest.approx([40_000, 12_000, 5000])
    slope = np.log(40_000 / 12_000) / np.log(0.5 / 0.2)
    assert TABLE.cycles_at(np.array([0.1])) == pytest.approx([40_000 * 2**slope])


@given(depths=st.lists(st.floats(0.01, 1.0), min_size=2, max_size=10))
def test_deeper_cycles_of_a_table_are_fewer(depths):
    cycles = TABLE.cycles_at(np.sort(depths))
    assert (np.diff(cycles) <= 1e-9 * cycles[:-1]).all()


def test_a_table_of_one_point_counts_energy():
    life = rack_life.CycleTable(
        law="cycle_table",
        table=[{"depth_frac": 0.9, "cycles": 6000.0}],
        end_health_frac=0.8,
        calendar_loss_frac_per_year=0.0,
    )
    law = law_of(life)
    assert law.cycles_at(np.array([0.9, 0.45])) == pytest.approx([6000, 12_000])
    state = law.aged(FadeState(), used(daily_year(), start_kwh=10.0)[0])
    assert state.health_frac == pytest.approx(1 - 0.2 * 292 / (0.9 * 6000))


def test_health_by_year_is_read_off_its_curve_and_runs_on_beyond_it():
    assert [CURVE.health_at(age) for age in (0, 0.5, 1, 5.5, 10, 13)] == pytest.approx(
        [1, 0.98, 0.96, 0.83, 0.7, 0.7 - 3 * 0.26 / 9]
    )


def test_a_curve_begins_at_full_health_unless_it_says_otherwise():
    point = rack_life.HealthPoint(year=5.0, health_frac=0.8)
    assert health_curve((point,)).health_at(2.5) == pytest.approx(0.9)
    begun = rack_life.HealthPoint(year=0.0, health_frac=0.97)
    assert health_curve((begun, point)).health_at(0) == 0.97


def test_factors_scale_what_the_publications_say():
    use = used(daily_year(), start_kwh=10.0)[0]
    plain = LfpLaw().aged(FadeState(), use)
    scaled = LfpLaw(calendar_factor=1.5, cycle_factor=0.5).aged(FadeState(), use)
    assert scaled.calendar_loss_frac == pytest.approx(1.5 * plain.calendar_loss_frac)
    assert scaled.cycle_loss_frac == pytest.approx(0.5 * plain.cycle_loss_frac)
    assert scaled.resistance_growth_frac == pytest.approx(1.5 * plain.resistance_growth_frac)


def test_state_of_charge_is_a_share_of_what_the_racks_hold_now():
    """Worn cells that hold 80 of 100 kWh are full at 80."""
    full, _ = used([80.0, 80.0], start_kwh=80.0, capacity_kwh=80.0)
    assert full.soc_frac == pytest.approx([1.0, 1.0])
    assert LfpLaw().aged(FadeState(), full).calendar_loss_frac == pytest.approx(
        LfpLaw().aged(FadeState(), rest(full.years, soc_frac=1.0, cell_c=25.0)).calendar_loss_frac
    )


@pytest.mark.parametrize(
    ("life", "kind"),
    [
        ({"law": "lfp_calendar_and_cycle"}, LfpLaw),
        ({"law": "lfp_power_law"}, LfpPowerLaw),
        (
            {
                "law": "per_cycle_and_year",
                "loss_frac_per_full_cycle": PER_CYCLE.loss_frac_per_full_cycle,
                "calendar_loss_frac_per_year": PER_CYCLE.calendar_loss_frac_per_year,
            },
            type(PER_CYCLE),
        ),
        ({"law": "health_by_year", "curve": [{"year": 10.0, "health_frac": 0.7}]}, HealthByYearLaw),
    ],
)
def test_a_catalogue_names_its_law(life, kind):
    law = law_of(rack_life.LAWS[life["law"]].model_validate(life))
    assert isinstance(law, kind)
    assert law.basis


def found_outside(law, use, state=None) -> dict[str, float]:
    """Return the share of each quantity that lies outside its range."""
    items = law.out_of_range(law.aged(FadeState(), use) if state is None else state, use)
    return {item.quantity: round(item.share_frac, 6) for item in items}


def test_cold_cells_are_named_with_their_share():
    stored = daily_year()
    cell_c = np.where(np.arange(len(stored)) < 876, -5.0, 30.0)
    use, _ = used(stored, start_kwh=10.0, cell_c=cell_c)
    (item,) = [one for one in LfpLaw().out_of_range(FadeState(), use) if one.quantity == "cell temperature"]
    assert (item.found_lowest, item.found_highest, item.share_frac) == (-5.0, 30.0, pytest.approx(0.1))
    assert str(item) == (
        "cell temperature: -5 to 30 degrees C, 10 % of the time outside 0 to 60 degrees C, on which the fade law was"
        " fitted"
    )


def test_use_inside_the_range_says_nothing():
    """Swings of 80 % in three hours are 0.27 C, at 30 degrees."""
    stored = np.tile([30.0, 60, 90, 60, 30, 10], 100)
    use, _ = used(stored, start_kwh=10.0, cell_c=30.0)
    assert found_outside(LfpLaw(), use) == {}


@pytest.mark.parametrize(
    ("law", "quantity"),
    [
        pytest.param(LfpLaw(), "C-rate", id="slower than the tests"),
        pytest.param(POWER, "C-rate", id="slower than C/2"),
        pytest.param(POWER, "cell temperature in cycles", id="colder than the tests"),
        pytest.param(TABLE, "depth of cycles", id="shallower than the table"),
    ],
)
def test_cycles_outside_the_tests_are_named(law, quantity):
    """Shallow, slow and cold: swings of 10 % in five hours at 5 degrees."""
    stored = 40 + np.tile([2.0, 4, 6, 8, 10, 8, 6, 4, 2, 0], 50)
    use, _ = used(stored, start_kwh=40.0, cell_c=5.0)
    assert found_outside(law, use)[quantity] == pytest.approx(1.0)


def test_a_rate_between_the_tests_is_said_to_be_interpolated():
    use, _ = used(np.tile([90.0, 10.0], 20), start_kwh=10.0)
    (share,) = [value for name, value in found_outside(POWER, use).items() if "interpolated" in name]
    assert share == 1.0


def test_age_and_health_beyond_the_ends_are_named():
    year = rest(1.0, soc_frac=0.5, cell_c=25.0)
    assert found_outside(CURVE, year, FadeState(age_years=12.0)) == {"age": 1.0}
    (age,) = CURVE.out_of_range(FadeState(age_years=12.0), year)
    assert str(age) == "age: 12 years, outside 0 to 10 years, on which the fade law was fitted"
    assert found_outside(LfpLaw(), year, FadeState(age_years=21.0)) == {"age": 1.0}
    assert found_outside(TABLE, year, FadeState(calendar_loss_frac=0.4)) == {"state of health": 1.0}
    assert found_outside(PER_CYCLE, year, FadeState(age_years=30.0)) == {}


def test_time_cannot_run_backwards():
    with pytest.raises(ValueError, match=r"^years is -1, expected 0 or more$"):
        rest(-1.0, soc_frac=0.5, cell_c=25.0)


@given(stored=levels)
def test_energy_of_all_cycles_is_half_of_all_movement(stored):
    use, _ = used(stored)
    moved = np.abs(np.diff(np.concatenate([[0.0], stored]))).sum()
    assert use.cycles.full_cycles_frac.sum() == pytest.approx(moved / 2 / NOMINAL_KWH, abs=1e-9)
