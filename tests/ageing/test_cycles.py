"""What a battery went through."""

import numpy as np
import pytest
import rainflow
from hypothesis import example, given
from hypothesis import strategies as st

from crestfall.ageing import battery_use

# Sums and differences of some dozen numbers up to 100.
ROUNDING = 1e-9

contents = st.lists(st.integers(0, 100), min_size=2, max_size=30)
# Levels that come again but for rounding, as those of a store that is filled and emptied every day.
alike = st.tuples(st.sampled_from([0.0531, 0.1307, 0.6372, 0.8492]), st.integers(-2, 2))


def use_of(levels, *, nominal_kwh: float = 100.0):
    """Count a store that stands still between its flows: what falls was taken out."""
    levels = np.asarray(levels, dtype=float)
    out_kwh = float(-np.minimum(np.diff(levels), 0).sum())
    return battery_use(levels[1:], start_kwh=levels[0], out_of_store_kwh=out_kwh, nominal_kwh=nominal_kwh)


def sum_of_ranges(use) -> float:
    return float(use.depths_frac @ use.counts)


@given(levels=contents)
def test_ranges_of_closed_cycles_add_up_to_the_equivalent_full_cycles(levels):
    """Each full range is once down and once up; over a closed cycle all that goes down is energy taken out."""
    closed = [*levels, levels[0]]
    use = use_of(closed)
    assert sum_of_ranges(use) == pytest.approx(use.equivalent_full_cycles, abs=ROUNDING)


@given(levels=contents)
def test_ranges_add_up_to_half_of_all_movement(levels):
    """No residue is dropped: what does not close counts as half cycles."""
    use = use_of(levels)
    assert sum_of_ranges(use) == pytest.approx(np.abs(np.diff(levels)).sum() / 2 / 100, abs=ROUNDING)


def test_standing_losses_are_counted_as_movement_but_not_as_energy_taken_out():
    """80 kWh in, 10 lost by standing, 70 taken out: ranges say 0.8, equivalent full cycles 0.7."""
    use = battery_use(np.array([80.0, 70.0, 0.0]), start_kwh=0.0, out_of_store_kwh=70.0, nominal_kwh=100.0)
    assert sum_of_ranges(use) == pytest.approx(0.8, abs=ROUNDING)
    assert use.equivalent_full_cycles == pytest.approx(0.7, abs=ROUNDING)


@given(levels=contents, repeats=st.integers(2, 4))
def test_standing_still_adds_no_cycles(levels, repeats):
    plain, paused = use_of(levels), use_of(np.repeat(levels, repeats))
    np.testing.assert_array_equal(paused.depths_frac, plain.depths_frac)
    np.testing.assert_array_equal(paused.counts, plain.counts)


@given(levels=contents, pieces=st.integers(2, 4))
def test_finer_steps_on_a_straight_run_add_no_cycles(levels, pieces):
    """Every level is kept and the run to the next one is cut into equal pieces."""
    fine = np.interp(np.arange((len(levels) - 1) * pieces + 1) / pieces, np.arange(len(levels)), levels)
    plain, cut = use_of(levels), use_of(fine)
    np.testing.assert_allclose(cut.depths_frac, plain.depths_frac, atol=ROUNDING)
    np.testing.assert_array_equal(cut.counts, plain.counts)


@given(levels=contents, factor=st.sampled_from([0.5, 4.0]))
def test_a_store_k_times_as_large_and_as_busy_has_the_same_cycles(levels, factor):
    plain, scaled = use_of(levels), use_of(factor * np.array(levels), nominal_kwh=factor * 100)
    np.testing.assert_allclose(scaled.depths_frac, plain.depths_frac, atol=ROUNDING)
    np.testing.assert_allclose(scaled.mean_soc_frac, plain.mean_soc_frac, atol=ROUNDING)
    assert scaled.equivalent_full_cycles == pytest.approx(plain.equivalent_full_cycles, abs=ROUNDING)


def test_constant_store_has_no_cycle():
    use = use_of([40.0] * 5)
    assert use.counts.size == 0
    assert use.equivalent_full_cycles == 0.0


def test_a_single_ramp_is_half_a_cycle():
    use = use_of([10.0, 30.0, 90.0])
    np.testing.assert_array_equal(use.counts, [0.5])
    np.testing.assert_allclose(use.depths_frac, [0.8], atol=ROUNDING)
    np.testing.assert_allclose(use.mean_soc_frac, [0.5], atol=ROUNDING)


def test_depths_are_shares_of_nominal_not_of_usable_energy():
    """Between 10 and 90 kWh of 100 a full usable swing is 0.8 deep."""
    np.testing.assert_allclose(use_of([10.0, 90.0, 10.0]).depths_frac, [0.8, 0.8], atol=ROUNDING)


def test_energy_before_the_first_step_belongs_to_the_first_cycle():
    falling = battery_use(np.array([20.0]), start_kwh=70.0, out_of_store_kwh=50.0, nominal_kwh=100.0)
    np.testing.assert_allclose(falling.depths_frac, [0.5], atol=ROUNDING)


def test_no_battery_has_no_cycles():
    use = battery_use(np.zeros(4), start_kwh=0.0, out_of_store_kwh=0.0, nominal_kwh=0.0)
    assert (use.equivalent_full_cycles, use.throughput_kwh) == (0.0, 0.0)
    assert use.depths_frac.size == use.mean_soc_frac.size == use.counts.size == 0


def test_each_cycle_says_when_its_first_leg_began_and_ended():
    """10, 60, 60, 40, 50, 0: the swing between 40 and 50 closes inside the fall; rests belong to what follows."""
    use = use_of([10.0, 60.0, 60.0, 40.0, 50.0, 0.0])
    found = sorted(zip(use.start_step, use.end_step, use.depths_frac.round(9), use.counts, strict=True))
    assert found == [(0, 1, 0.5, 0.5), (1, 5, 0.6, 0.5), (3, 4, 0.1, 1.0)]


@given(
    soc=st.one_of(
        st.lists(st.integers(0, 1000).map(lambda one: one / 1000), min_size=3, max_size=60),
        st.lists(alike.map(lambda one: one[0] + one[1] * 2.0**-54), min_size=3, max_size=60),
    )
)
@example(  # the fourth swing makes up for the third by rounding only
    soc=[0.05999999999999989, 0.5800000000000001, 0.05999999999999989, 0.11, 0.58, 0.06, 0.06000000000000005, 0.58]
)
def test_cycles_are_those_that_the_package_finds_one_by_one(soc):
    use = battery_use(np.array(soc[1:]), start_kwh=soc[0], out_of_store_kwh=0.0, nominal_kwh=1.0)
    found = zip(use.start_step.tolist(), use.end_step.tolist(), use.counts.tolist(), strict=True)
    kept = [0, *(place for place in range(1, len(soc)) if soc[place] != soc[place - 1])]
    counted = rainflow.extract_cycles([soc[place] for place in kept])
    expected = [(kept[first], kept[last], count) for _, _, count, first, last in counted]
    if len(kept) == 2:
        expected = [(kept[0], kept[1], 0.5)]  # the package takes two points for no cycle at all
    assert sorted(found) == sorted(expected)
