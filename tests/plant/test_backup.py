import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.errors import KeyedError
from crestfall.plant import backup_floor_kwh, drain_kw, survival_h
from parts import LOSSLESS, plant_with

ROUNDING = 1e-9


def floor(plant, load_kw, hours, *, health=1.0, auxiliary_kw=0.0):
    return backup_floor_kwh(plant, load_kw, hours, auxiliary_kw=auxiliary_kw, end_of_life_health_frac=health)


def test_a_reserve_is_hours_of_load_and_auxiliaries_behind_the_losses():
    # 40 kW and 2 kW of auxiliaries through modules of 95 % and racks of 97 %, for 1.5 hours.
    plant = plant_with(floor_kwh=10.0)
    assert drain_kw(plant, 40.0, 2.0) == pytest.approx(42 / 0.95 / 0.97)
    assert floor(plant, 40.0, 1.5, auxiliary_kw=2.0) == pytest.approx(10 + 1.5 * 42 / 0.95 / 0.97)


@given(load_kw=st.floats(1, 95), hours=st.floats(0.1, 2.0))
def test_a_store_at_the_floor_lasts_exactly_as_long_as_asked(load_kw, hours):
    plant = plant_with()
    content = np.array([floor(plant, load_kw, min(hours, 180 / drain_kw(plant, load_kw, 0.0)))])
    lasts = survival_h(plant, content, load_kw, np.zeros(1))
    assert lasts[0] == pytest.approx(min(hours, 180 / drain_kw(plant, load_kw, 0.0)), rel=ROUNDING)


def test_a_load_above_the_rating_is_refused():
    with pytest.raises(KeyedError, match=r"critical_load_kw: found 99, expected at most 98.0 kW"):
        floor(plant_with(**LOSSLESS), 99.0, 1.0, auxiliary_kw=2.0)


@pytest.mark.parametrize(("hours", "when"), [(3.0, "below a state of health of 75 %"), (5.0, "fails when new")])
def test_a_reserve_that_does_not_fit_at_the_end_of_life_is_refused(hours, when):
    with pytest.raises(KeyedError, match=when):
        floor(plant_with(**LOSSLESS), 50.0, hours, health=0.7)
