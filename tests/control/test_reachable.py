"""The lowest ceiling that a store could have kept."""

import numpy as np
import pytest

from crestfall.control import least_ceiling_kw
from small_problems import small_problem

DAY = np.array([400.0] * 8 + [700.0] * 2 + [400.0] * 14)


def test_textbook_day_has_its_closed_form():
    """700 - 300 x 0.95 / 2 = 557.5, with 200 kW and 300 kWh at 0.95; refilled in time for the next day."""
    problem = small_problem(
        48,
        load_kw=np.tile(DAY, 2),
        charge_limit_kw=200.0,
        discharge_limit_kw=200.0,
        discharge_frac=0.95,
        ceiling_kwh=300.0,
    )
    assert least_ceiling_kw(problem, 48) == pytest.approx(557.5, abs=2e-3)


def test_only_the_first_steps_are_looked_at():
    problem = small_problem(24, load_kw=DAY, ceiling_kwh=0.0)
    assert least_ceiling_kw(problem, 8) == pytest.approx(400.0, abs=2e-3)
    assert least_ceiling_kw(problem, 24) == pytest.approx(700.0, abs=2e-3)
