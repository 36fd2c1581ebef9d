"""What a problem refuses at its birth."""

from dataclasses import replace

import numpy as np
import pytest

from crestfall.dispatch import Problem
from small_problems import peak_over, small_problem

THREE = small_problem(3, pv_kw=5.0)


def row(*values: float) -> np.ndarray:
    return np.array(values, dtype=float)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        pytest.param(
            {"pv_kw": row(1, 2)}, "pv_kw has the shape (2,), expected an array of shape (3,)", id="another length"
        ),
        pytest.param(
            {"auxiliary_kw": 1.0}, "auxiliary_kw has the shape (), expected an array of shape (3,)", id="a number"
        ),
        pytest.param({"buy_per_kwh": row(0, np.nan, 0)}, "buy_per_kwh is NaN at step 1", id="not a number"),
        pytest.param({"sell_per_kwh": row(0, 0, -np.inf)}, "sell_per_kwh is infinite at step 2", id="infinite price"),
        pytest.param({"ceiling_kwh": row(0, np.inf, 0)}, "ceiling_kwh is infinite at step 1", id="infinite store"),
        pytest.param({"load_kw": row(4, 0, -3)}, "load_kw is -3 at step 2, expected 0 or more", id="negative load"),
        pytest.param(
            {"import_limit_kw": row(-1, 0, 0)}, "import_limit_kw is -1 at step 0, expected 0 or more", id="limit"
        ),
        pytest.param(
            {"charge_limit_kw": row(9, np.inf, 9)},
            "most_charge_kw is not finite; limit the converter or the store",
            id="charge without any limit",
        ),
        pytest.param(
            {"discharge_limit_kw": row(9, np.inf, 9)},
            "most_discharge_kw is not finite; limit the converter or the store",
            id="discharge without any limit",
        ),
        pytest.param({"curtailable_kw": row(5, 5, 6)}, "curtailable_kw is above pv_kw at step 2", id="more than all"),
        pytest.param(
            {"charge_frac": 97.0}, "charge_frac is 97.0, expected a share in (0, 1]; write 97 % as 0.97", id="per cent"
        ),
        pytest.param(
            {"discharge_frac": 0.0},
            "discharge_frac is 0.0, expected a share in (0, 1]; write 97 % as 0.97",
            id="nothing comes out",
        ),
        pytest.param(
            {"keep_frac": np.nan}, "keep_frac is nan, expected a share in (0, 1]; write 97 % as 0.97", id="NaN share"
        ),
        pytest.param({"step_h": 0.0}, "step_h is 0.0, expected a length above 0", id="no length"),
        pytest.param(
            {"wear_per_kwh": -0.01},
            "wear_per_kwh is -0.01, expected 0 or more: it would pay for cycling",
            id="wear that pays",
        ),
        pytest.param(
            {"floor_kwh": row(0, 0, 201)}, "floor_kwh is above ceiling_kwh at step 2", id="floor above ceiling"
        ),
        pytest.param(
            {"end_kwh": 3.0},
            "end_kwh without start_kwh; give both, or neither for a periodic store",
            id="end without start",
        ),
        pytest.param({"start_kwh": -1.0}, "start_kwh is -1.0, expected 0 or more", id="less than empty"),
        pytest.param(
            {"start_kwh": 0.0, "end_kwh": 250.0},
            "end_kwh is 250, expected 0 to 200, the floor and the ceiling of the last step",
            id="end above the ceiling",
        ),
        pytest.param(
            {"peaks": (peak_over(0, rate=-2.0),)},
            "peak 'Peak' has the rate -2, expected 0 or more",
            id="peak that pays",
        ),
        pytest.param(
            {"peaks": (peak_over(1, 3),)}, "peak 'Peak' measures steps outside 0 to 2", id="peak after the end"
        ),
        pytest.param({"peaks": (peak_over(1, 1),)}, "peak 'Peak' measures a step twice", id="step measured twice"),
    ],
)
def test_impossible_value_is_refused_with_name_value_and_step(changes, message):
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole text is compared below
        replace(THREE, **changes)
    assert str(caught.value) == message


def test_peak_that_measures_nothing_costs_nothing():
    nothing = replace(THREE, peaks=(peak_over(rate=9.0),))
    flows = np.ones(3)
    assert nothing.running_cost(import_kw=flows, export_kw=flows, discharge_kw=flows) == 0.0


def test_one_limit_of_the_store_is_enough_to_bound_the_charge():
    bounded = replace(THREE, charge_limit_kw=np.full(3, np.inf), into_limit_kw=np.full(3, 19.0))
    np.testing.assert_allclose(bounded.most_charge_kw, 20.0, rtol=1e-15)  # 19 kW behind 0.95


def test_running_cost_is_the_sum_of_energy_peaks_wear_and_fixed_amounts():
    """0.5 h x (0.2 x 10 - 0.1 x 4 + 0.05 x 6) = 0.95, two peaks 3 x 10 and 2 x 0, fixed 7."""
    problem: Problem = small_problem(
        2,
        step_h=0.5,
        buy_per_kwh=0.2,
        sell_per_kwh=0.1,
        wear_per_kwh=0.05,
        peaks=(peak_over(0, 1, rate=3.0), peak_over(1, rate=2.0)),
        fixed_cost=7.0,
    )
    cost = problem.running_cost(import_kw=row(10, 0), export_kw=row(0, 4), discharge_kw=row(0, 6))
    assert cost == pytest.approx(37.95, rel=1e-12)
