"""What cells go through: temperature, rates, distributions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cell_uses import NOMINAL_KWH, busy_year, daily_year, levels, used
from crestfall.ageing import cell_temperature_c, rest, use_histograms
from crestfall.ageing._use import HOURS_PER_YEAR
from crestfall.scenario.catalogue_file import Thermal

BAND = Thermal.model_validate(
    {"power": [{"ambient_c": 20.0, "power_kw": 0.1}], "lowest_cell_c": 12.0, "highest_cell_c": 32.0}
)


def test_cells_follow_the_air_inside_the_band_that_is_held():
    ambient = np.array([-15.0, 12.0, 20.0, 41.0])
    np.testing.assert_array_equal(cell_temperature_c(ambient, BAND, n_steps=4), [12, 12, 20, 32])


def test_cells_of_a_rack_without_heating_and_cooling_follow_the_air():
    ambient = np.array([-15.0, 41.0])
    np.testing.assert_array_equal(cell_temperature_c(ambient, None, n_steps=2), ambient)


def test_unknown_weather_is_mild():
    np.testing.assert_array_equal(cell_temperature_c(None, BAND, n_steps=3), [25, 25, 25])
    warm_band = BAND.model_copy(update={"lowest_cell_c": 28.0})
    np.testing.assert_array_equal(cell_temperature_c(None, warm_band, n_steps=1), [28])


def test_a_leg_has_the_rate_of_its_motion_and_the_temperature_of_its_time():
    """80 kWh of 100 in two hours of 40 kW, with a rest of two hours between: 0.4 C, over four hours in all."""
    use, _ = used([50.0, 50.0, 50.0, 90.0], start_kwh=10.0, cell_c=[10.0, 20.0, 30.0, 40.0])
    assert use.cycles.c_rate_per_h == pytest.approx([0.4])
    assert use.cycles.cell_c == pytest.approx([25.0])
    assert (use.cycles.start_h[0], use.cycles.end_h[0]) == (0.0, 4.0)


def test_self_discharge_does_not_dilute_the_rate_of_a_leg():
    """A day in which 0.2 kWh seep away after an hour at 30 kW is a leg of 0.3 C, not of a hundredth."""
    stored = np.concatenate([[60.0], 60.0 - np.linspace(0, 0.2, 25)[1:]])
    use, _ = used(stored, start_kwh=90.0)
    assert use.cycles.c_rate_per_h == pytest.approx([0.3])


def test_a_store_that_only_seeps_has_a_rate_all_the_same():
    use, _ = used(90.0 - np.linspace(0, 1, 101)[1:], start_kwh=90.0)
    assert use.cycles.c_rate_per_h == pytest.approx([0.0001])


@given(stored=levels, step_h=st.sampled_from([0.25, 0.5, 1.0]))
def test_hours_of_all_distributions_add_up(stored, step_h):
    use, _ = used(stored, step_h=step_h)
    found = use_histograms(use)
    hours = len(stored) * step_h
    assert found.soc_h.weights.sum() == pytest.approx(hours)
    assert found.cell_h.weights.sum() == pytest.approx(hours)
    assert found.depth_cycles.weights.sum() == pytest.approx(use.cycles.counts.sum())
    moving = np.abs(np.diff(stored, prepend=0.0)) > 0
    assert found.c_rate_h.weights.sum() == pytest.approx(moving.sum() * step_h)
    assert use.years * HOURS_PER_YEAR == pytest.approx(hours)


def test_a_day_lies_in_its_bins():
    """Up from 12 to 94 kWh at 41 kW, two hours nearly full at 25 degrees, down at 82 kW."""
    use, _ = used([53.0, 94.0, 94.0, 94.0, 12.0], start_kwh=12.0, cell_c=[22.0, 22.0, 25.0, 25.0, 70.0])
    found = use_histograms(use)
    np.testing.assert_array_equal(found.depth_cycles.weights, [0] * 8 + [1, 0])
    np.testing.assert_array_equal(np.flatnonzero(found.soc_h.weights), [3, 5, 7, 9])
    assert found.high_soc_h == 2.0
    by_rate = {round(left, 1): hours for left, hours in zip(found.c_rate_h.edges, found.c_rate_h.weights, strict=False)}
    assert by_rate[0.4] == 2.0
    assert found.cell_h.weights.sum() == 5.0
    assert found.cell_h.weights[-1] == 1.0  # 70 degrees lie in the last bin, which ends at 60


def test_high_state_of_charge_is_what_one_says_it_is():
    use = rest(1.0, soc_frac=0.85, cell_c=25.0)
    assert use_histograms(use).high_soc_h == 0.0
    assert use_histograms(use, high_soc_frac=0.8).high_soc_h == pytest.approx(HOURS_PER_YEAR)


def test_energy_taken_out_is_counted_over_nominal_energy_at_any_health():
    new, _ = used(daily_year(), start_kwh=10.0)
    worn, _ = used(0.8 * daily_year(), start_kwh=8.0, capacity_kwh=80.0)
    assert new.full_cycles == pytest.approx(292)
    assert worn.full_cycles == pytest.approx(0.8 * 292)
    assert worn.cycles.full_cycles_frac.sum() == pytest.approx(0.8 * new.cycles.full_cycles_frac.sum())
    np.testing.assert_allclose(worn.soc_frac, new.soc_frac)


def test_times_and_busier_scale_what_they_say():
    stored, cell_c = busy_year()
    use, _ = used(stored, start_kwh=50.0, cell_c=cell_c)
    longer, busier = use.times(3), use.busier(3)
    assert (longer.years, busier.years) == (pytest.approx(3 * use.years), use.years)
    assert longer.full_cycles == busier.full_cycles == pytest.approx(3 * use.full_cycles)
    assert busier.cycles.full_cycles_frac.sum() == pytest.approx(3 * use.cycles.full_cycles_frac.sum())
    assert use.mean_soc_frac == pytest.approx(longer.mean_soc_frac)


@given(stored=levels, factor=st.floats(0.5, 1.0))
def test_racks_that_hold_less_and_are_as_full_have_the_use_scaled(stored, factor):
    """What moves slower than rest counts as rest, so the rates of legs that are near to it are left out."""
    stored = np.round(np.asarray(stored))
    (less, _), (use, _) = used(factor * stored, capacity_kwh=factor * NOMINAL_KWH), used(stored)
    scaled = use.scaled(factor)
    np.testing.assert_allclose(scaled.soc_frac, less.soc_frac)
    np.testing.assert_allclose(scaled.rate_per_h, less.rate_per_h, atol=1e-12)
    assert scaled.full_cycles == pytest.approx(less.full_cycles)
    for name in ("depths_frac", "mean_soc_frac", "counts", "c_rate_per_h"):
        np.testing.assert_allclose(getattr(scaled.cycles, name), getattr(less.cycles, name), atol=1e-12)
