"""The optimum against the same problems written and solved a second time, and the laws that any optimum obeys."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crestfall.dispatch import Multipliers, Status, check_feasible, idle_schedule, lower_bound, optimise
from dispatch_oracle import one_way_optimum, relaxed_optimum
from small_problems import closing_error_kwh, peak_over, small_problem
from strategies import moving_problems, steady_problems

# The solvers keep rows and reduced costs to 1e-7; a dozen steps of 100 kW at prices near 0.3 make that 1e-6 in money.
SOLVER_COST = 1e-6
# The mixed-integer search may stop this share, or this amount, above its own bound.
GAP_FRAC, GAP_COST = 1e-6, 1e-6
# Sums of some hundred products in another order.
ROUNDING = 1e-9

laws = settings(max_examples=25)  # each example solves once or twice, some 10 ms


def within_gap(cost: float) -> float:
    """Tolerance on a cost that a mixed-integer search found."""
    return SOLVER_COST + GAP_COST + GAP_FRAC * abs(cost)


@settings(max_examples=60)
@given(problem=moving_problems(convex=True))
def test_convex_problem_costs_what_an_independent_linear_program_says(problem):
    assert optimise(problem, solver="lp").objective == pytest.approx(relaxed_optimum(problem), rel=0, abs=SOLVER_COST)


@settings(max_examples=60)
@given(problem=moving_problems(convex=False))
def test_any_problem_costs_what_an_independent_mixed_integer_program_says(problem):
    exact = one_way_optimum(problem)
    assert optimise(problem, solver="lp").objective == pytest.approx(exact, rel=0, abs=within_gap(exact))


@laws
@given(problem=moving_problems(convex=True))
def test_bound_of_a_convex_problem_equals_its_cost(problem):
    schedule = optimise(problem, solver="lp")
    assert schedule.lower_bound == pytest.approx(schedule.objective, rel=0, abs=SOLVER_COST)


@laws
@given(problem=moving_problems(convex=False))
def test_bound_is_never_above_the_cost(problem):
    schedule = optimise(problem, solver="lp")
    assert schedule.lower_bound <= schedule.objective + SOLVER_COST


@laws
@given(problem=moving_problems(convex=False))
def test_optimum_is_proven_within_the_gap(problem):
    schedule = optimise(problem, solver="lp")
    assert schedule.objective - schedule.lower_bound <= within_gap(schedule.objective)


@laws
@given(problem=moving_problems(convex=False), seed=st.integers(0, 2**32 - 1))
def test_wrong_multipliers_never_lift_the_bound_above_the_optimum(problem, seed):
    draw = np.random.default_rng(seed)
    guess = Multipliers(
        balance=draw.normal(size=problem.n_steps),
        storage=draw.normal(size=problem.n_steps),
        peaks=tuple(draw.normal(scale=peak.rate_per_kw, size=peak.steps.size) for peak in problem.peaks),
    )
    assert lower_bound(problem, guess) <= one_way_optimum(problem) + SOLVER_COST


def test_negative_share_of_a_peak_never_lifts_the_bound_above_the_optimum():
    """Loads of 10 and 2 kW, one kW of the peak at 1: the optimum is 10; shares of 2 and -1, believed, would say 18."""
    no_battery = {"charge_limit_kw": 0.0, "discharge_limit_kw": 0.0, "ceiling_kwh": 0.0}
    bare = small_problem(2, load_kw=[10, 2], peaks=(peak_over(0, 1),), **no_battery)
    shares = np.array([2.0, -1.0])
    assert lower_bound(bare, Multipliers(balance=shares, storage=np.zeros(2), peaks=(shares,))) <= 10.0


@laws
@given(problem=moving_problems(convex=False))
def test_schedule_keeps_its_store_step_by_step(problem):
    assert (
        closing_error_kwh(problem, optimise(problem, solver="lp")) <= 1e-4
    )  # FEASIBILITY_TOLERANCE of sites up to 100 kW


@laws
@given(problem=moving_problems(convex=False))
def test_schedule_never_flows_both_ways(problem):
    schedule = optimise(problem, solver="lp")
    assert not (schedule.charge_kw * schedule.discharge_kw).any()
    assert not (schedule.import_kw * schedule.export_kw).any()


@laws
@given(problem=steady_problems(convex=False))
def test_no_schedule_costs_more_than_the_idle_plant(problem):
    idle = idle_schedule(problem).objective
    assert optimise(problem, solver="lp").objective <= idle + within_gap(idle)


@laws
@given(problem=steady_problems(convex=False))
def test_idle_plant_keeps_all_limits_of_a_steady_problem(problem):
    check_feasible(problem, idle_schedule(problem))


@laws
@given(problem=steady_problems(convex=True), missing=st.sampled_from(["power", "energy"]))
def test_battery_without_power_or_energy_costs_exactly_the_idle_bill(problem, missing):
    nothing = np.zeros(problem.n_steps)
    lame = (
        replace(problem, charge_limit_kw=nothing, discharge_limit_kw=nothing)
        if missing == "power"
        else replace(problem, ceiling_kwh=problem.floor_kwh)
    )
    assert optimise(lame, solver="lp").objective == pytest.approx(
        idle_schedule(problem).objective, rel=ROUNDING, abs=SOLVER_COST
    )


@laws
@given(problem=steady_problems(convex=False), factor=st.floats(1.0, 3.0))
def test_more_energy_never_raises_the_cost(problem, factor):
    usable = problem.ceiling_kwh - problem.floor_kwh
    larger = optimise(replace(problem, ceiling_kwh=problem.floor_kwh + factor * usable), solver="lp").objective
    assert larger <= optimise(problem, solver="lp").objective + within_gap(larger)


@laws
@given(problem=steady_problems(convex=False), factor=st.floats(1.0, 3.0))
def test_more_power_never_raises_the_cost(problem, factor):
    limits = {"charge_limit_kw": problem.charge_limit_kw, "discharge_limit_kw": problem.discharge_limit_kw}
    stronger = optimise(replace(problem, **{name: factor * limit for name, limit in limits.items()})).objective
    assert stronger <= optimise(problem, solver="lp").objective + within_gap(stronger)


@laws
@given(problem=moving_problems(convex=True), factor=st.sampled_from([0.1, 3.0, 50.0]))
def test_all_powers_and_energies_times_k_cost_k_times_as_much(problem, factor):
    sized = [name for name in problem.__slots__ if name.endswith(("_kw", "_kwh")) and not name.endswith("_per_kwh")]
    values = {name: getattr(problem, name) for name in sized}
    scaled = replace(
        problem, fixed_cost=0.0, **{name: value if value is None else factor * value for name, value in values.items()}
    )
    expected = factor * (optimise(problem, solver="lp").objective - problem.fixed_cost)
    assert optimise(scaled, solver="lp").objective == pytest.approx(expected, rel=0, abs=SOLVER_COST * max(1.0, factor))


@laws
@given(problem=steady_problems(convex=True, most_steps=6))
def test_halving_each_step_changes_nothing(problem):
    """Exact for a convex cost, for the mean of two halves is then as good; a peak over halves is one over wholes."""
    arrays = {name: value for name in problem.__slots__ if isinstance(value := getattr(problem, name), np.ndarray)}
    peaks = tuple(
        replace(peak, steps=np.sort(np.concatenate([2 * peak.steps, 2 * peak.steps + 1]))) for peak in problem.peaks
    )
    halved = replace(
        problem, step_h=problem.step_h / 2, peaks=peaks, **{name: np.repeat(row, 2) for name, row in arrays.items()}
    )
    assert optimise(halved, solver="lp").objective == pytest.approx(
        optimise(problem, solver="lp").objective, rel=0, abs=SOLVER_COST
    )


@laws
@given(problem=steady_problems(convex=False))
def test_two_runs_give_the_same_schedule(problem):
    first, second = optimise(problem, solver="lp"), optimise(problem, solver="lp")
    for name in ("charge_kw", "discharge_kw", "stored_kwh", "import_kw", "export_kw", "curtailed_kw"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))


@laws
@given(problem=steady_problems(convex=True))
def test_solved_problem_says_that_it_is_optimal(problem):
    assert optimise(problem, solver="lp").status is Status.OPTIMAL
