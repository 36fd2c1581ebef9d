"""A budget of energy: the exact way by a price on it, against the general solver's row."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crestfall.dispatch import Multipliers, check_feasible, lower_bound, optimise
from crestfall.dispatch._exact import solve_exactly
from crestfall.dispatch._passes import NotInClassError
from crestfall.errors import InfeasibleError, SolverError
from dispatch_oracle import relaxed_optimum
from small_problems import peak_over, small_problem, trading
from strategies import steady_problems

GAP = 1e-9
AGREES = 1e-6  # the general solver keeps its rows and reduced costs to 1e-7


@settings(max_examples=40)
@given(
    problem=steady_problems(convex=True),
    share=st.sampled_from([0.0, 0.3, 0.7, 0.95]),
    budget=st.sampled_from(["most_out_kwh", "most_import_kwh"]),
)
def test_cost_within_a_budget_is_that_of_the_general_solver(problem, share, budget):
    free = optimise(problem, solver="exact", gap_frac=GAP)
    used = {
        "most_out_kwh": problem.out_kwh(free.discharge_kw),
        "most_import_kwh": problem.step_h * free.import_kw.sum(),
    }
    within = replace(problem, **{budget: share * used[budget]})
    try:
        optimum = optimise(within, solver="lp")
        schedule = solve_exactly(within, gap_frac=GAP)
    except (InfeasibleError, NotInClassError):
        assume(False)
    scale = max(1.0, abs(optimum.objective))
    check_feasible(within, schedule)
    assert abs(schedule.objective - optimum.objective) <= AGREES * scale
    assert abs(schedule.lower_bound - optimum.objective) <= AGREES * scale
    assert abs(optimum.lower_bound - optimum.objective) <= 10 * AGREES * scale  # the program's own proof


@settings(max_examples=30)
@given(
    problem=steady_problems(convex=True),
    price=st.floats(-1, 1),
    kwh=st.integers(0, 50),
    budget=st.sampled_from(["most_out_kwh", "most_import_kwh"]),
)
def test_wrong_price_of_a_budget_never_lifts_the_bound_above_what_is_free(problem, price, kwh, budget):
    """The cost without the budget bounds nothing; a schedule within it costs at least what the bound says."""
    within = replace(problem, **{budget: float(kwh)})
    try:
        optimum = optimise(within, solver="lp").objective
    except InfeasibleError:
        assume(False)
    name = {"most_out_kwh": "out_budget", "most_import_kwh": "import_budget"}[budget]
    zeros = np.zeros(problem.n_steps)
    guess = Multipliers(
        balance=zeros, storage=zeros, peaks=tuple(np.zeros(len(p.steps)) for p in problem.peaks), **{name: price}
    )
    assert lower_bound(within, guess) <= optimum + AGREES * max(1.0, abs(optimum))


def test_half_the_cycles_earn_the_better_half_of_the_spreads():
    """Two days of 200 kWh, sold at 0.40 on the first and 0.30 on the second: 200 kWh out of the store are the first."""
    days = trading([0.10] * 4 + [0.40] * 4 + [0.10] * 4 + [0.30] * 4)
    schedule = optimise(replace(days, most_out_kwh=200.0), solver="exact", gap_frac=GAP)
    # 200 kWh of charge cost 200 / 0.95 x 0.10 and sell 200 x 0.95 x 0.40.
    assert -schedule.objective == pytest.approx(200 * 0.95 * 0.40 - 200 / 0.95 * 0.10, abs=1e-6)
    assert schedule.note == "the exact way, with a price on a budget of energy"


def test_a_part_of_a_cycle_is_mixed_at_the_critical_price():
    """Each kWh earns the same: at that price all or nothing cost the same, and the budget lies between."""
    schedule = optimise(replace(trading([0.10] * 4 + [0.40] * 4), most_out_kwh=73.0), solver="exact", gap_frac=GAP)
    assert -schedule.objective == pytest.approx(73 * (0.95 * 0.40 - 0.10 / 0.95), abs=1e-6)


def test_a_budget_beside_a_billed_peak_is_kept():
    load = np.array([50.0, 80.0, 120.0, 60.0, 90.0, 110.0])
    problem = small_problem(6, load_kw=load, ceiling_kwh=60.0, peaks=(peak_over(*range(6), rate=3.0),))
    problem = replace(problem, most_out_kwh=20.0)
    schedule = optimise(problem, solver="exact", gap_frac=GAP)
    assert problem.out_kwh(schedule.discharge_kw) <= 20.0 + 1e-6
    assert schedule.objective == pytest.approx(optimise(problem, solver="lp").objective, abs=1e-5)


def test_a_budget_that_is_wide_enough_changes_nothing():
    problem = trading([0.10] * 4 + [0.40] * 4)
    assert optimise(replace(problem, most_out_kwh=1e4)).objective == pytest.approx(relaxed_optimum(problem), abs=1e-6)


def test_a_budget_that_cannot_be_kept_is_refused():
    starving = small_problem(4, load_kw=50.0, ceiling_kwh=0.0, most_import_kwh=100.0)
    with pytest.raises(SolverError, match="no price keeps the budget of energy"):
        optimise(starving, solver="exact")
    with pytest.raises(InfeasibleError, match="budget"):
        optimise(starving)
