"""Problems without a schedule: the message says which limit fails, when, and by how much."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crestfall.dispatch import ImportLimitError, optimise
from crestfall.errors import InfeasibleError, SolverError
from dispatch_oracle import least_worst_excess_kw, relaxed_optimum
from small_problems import peak_over, small_problem
from strategies import rows


def refusal(problem) -> InfeasibleError:
    with pytest.raises(InfeasibleError) as caught:
        optimise(problem, solver="lp")
    return caught.value


def test_import_limit_below_a_single_peak_fails_there_by_what_the_converter_cannot_give():
    """180 kW of load, 100 kW of limit, 30 kW of converter: 50 kW too much, at step 2 and nowhere else."""
    short = small_problem(4, load_kw=[60, 60, 180, 60], import_limit_kw=100.0, discharge_limit_kw=30.0)
    error = refusal(short)
    assert isinstance(error, ImportLimitError)
    assert str(error) == "the import limit fails by 50.0 kW at step 2"
    assert (error.first, error.worst) == (2, 2)
    np.testing.assert_allclose(error.excess_kw, [0, 0, 50, 0], atol=1e-6)  # the solver's row tolerance


def test_first_and_worst_step_of_an_import_limit_are_told_apart():
    """Without a converter every kW above the limit is excess: 5 at step 1, 25 at step 3."""
    bare = small_problem(4, load_kw=[100, 105, 100, 125], import_limit_kw=100.0, discharge_limit_kw=0.0)
    error = refusal(bare)
    assert (error.first, error.worst) == (1, 3)
    assert str(error) == "the import limit fails by 25.0 kW at step 3"


def test_import_limit_that_the_energy_cannot_hold_fails_by_the_missing_energy():
    """A full store of 20 kWh gives 19 kWh; two hours at 120 kW need 40 above the limit: 21 are missing, 10.5 each."""
    short = small_problem(3, load_kw=[120, 120, 0], import_limit_kw=100.0, ceiling_kwh=20.0, start_kwh=20.0)
    np.testing.assert_allclose(refusal(short).excess_kw, [10.5, 10.5, 0], atol=1e-6)  # the solver's row tolerance


def test_the_program_is_not_built_where_the_exact_way_sees_that_there_is_no_schedule(monkeypatch):
    short = small_problem(4, load_kw=[60, 60, 180, 60], import_limit_kw=100.0, discharge_limit_kw=30.0)
    wanted = refusal(short)
    monkeypatch.setattr("crestfall.dispatch._solve._Search", None)
    for solver in ("auto", "exact"):
        with pytest.raises(ImportLimitError) as caught:
            optimise(short, solver=solver)
        assert str(caught.value) == str(wanted)


@settings(max_examples=50)
@given(
    load=rows(6, 0, 150),
    pv=rows(6, 0, 80),
    limit=rows(6, 0, 60),
    free=st.integers(-1, 5),
    energy=st.integers(0, 100),
    power=st.integers(0, 60),
)
def test_least_excess_over_the_import_limit_agrees_with_an_independent_linear_program(
    load, pv, limit, free, energy, power
):
    if free >= 0:
        limit[free] = np.inf
    problem = small_problem(
        6, load_kw=load, pv_kw=pv, import_limit_kw=limit, ceiling_kwh=energy, discharge_limit_kw=power, start_kwh=0.0
    )
    excess = least_worst_excess_kw(problem)
    if excess > 1e-3:  # below a watt nothing is said
        found = refusal(problem).excess_kw
        assert found.max() == pytest.approx(excess, abs=1e-6)  # the solver's row tolerance
        assert (found[np.isinf(limit)] == 0).all()
    else:
        assert (optimise(problem, solver="lp").import_kw <= limit + 1e-3).all()


@settings(max_examples=50)
@given(
    start=st.integers(0, 60),
    end=st.integers(0, 60),
    floor=rows(4, 0, 30),
    usable=rows(4, 0, 30),
    power=st.integers(0, 30),
)
def test_store_is_refused_exactly_where_an_independent_linear_program_finds_no_schedule(
    start, end, floor, usable, power
):
    end = float(np.clip(end, floor[-1], floor[-1] + usable[-1]))
    problem = small_problem(
        4,
        floor_kwh=floor,
        ceiling_kwh=floor + usable,
        start_kwh=float(start),
        end_kwh=end,
        charge_limit_kw=power,
        discharge_limit_kw=power,
    )
    if relaxed_optimum(problem) is None:
        assert str(refusal(problem)).startswith("the store cannot ")
    else:
        assert optimise(problem, solver="lp").stored_kwh[-1] == pytest.approx(end, abs=1e-6)  # solver's row tolerance


def test_end_that_the_power_cannot_reach_is_named_with_what_can_be_reached():
    """Two hours at 10 kW and 0.95 bring 19 kWh."""
    weak = small_problem(2, charge_limit_kw=10.0, start_kwh=0.0, end_kwh=50.0)
    assert str(refusal(weak)) == "the store cannot end at 50 kWh: it can reach 0 to 19\n    allow more time or power"


def test_floor_that_rises_faster_than_the_power_is_named_with_its_step():
    rising = small_problem(
        3, charge_limit_kw=10.0, charge_frac=1.0, floor_kwh=[0, 5, 40], start_kwh=0.0, ceiling_kwh=50.0
    )
    assert str(refusal(rising)) == (
        "the store cannot keep its floor and ceiling at step 2: it can hold 0 to 30 kWh there, allowed are 40 to 50\n"
        "    allow more time or power"
    )


def test_surplus_that_no_limit_lets_out_is_named():
    stuck = small_problem(2, pv_kw=50.0, export_limit_kw=10.0, ceiling_kwh=0.0)
    assert str(refusal(stuck)) == (
        "no schedule keeps the limits of the store and of the export at once\n"
        "    widen the store's window, raise the export limit, or let more PV be curtailed"
    )


def test_infeasible_problem_ends_the_command_with_its_own_status():
    assert InfeasibleError.exit_status == 3
    assert issubclass(ImportLimitError, InfeasibleError)


def test_time_that_runs_out_before_any_schedule_is_said():
    hurried = small_problem(48, load_kw=np.arange(48.0), peaks=(peak_over(*range(48)),))
    with pytest.raises(SolverError) as caught:
        optimise(hurried, time_limit_s=0.0, solver="lp")
    assert str(caught.value) == (
        "no schedule was found in the time allowed (solver: maxTimeLimit)\n    raise dispatch.time_limit_s"
    )
