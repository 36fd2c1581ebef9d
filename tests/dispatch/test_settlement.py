"""Rows between billed peaks, and what the bound makes of them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crestfall.dispatch import (
    FlowSum,
    Multipliers,
    Peak,
    Problem,
    SettlementWriter,
    idle_schedule,
    lower_bound,
    optimise,
)
from small_problems import shaving, small_problem

CLOSE = 1e-6  # the solver keeps its rows to 1e-7
LOAD_KW = [400.0, 700.0, 700.0, 400.0]  # two hours of 700: 300 kWh at 95 % leave a peak of 557.5 kW, as published
RATE = 10.0


def settled(problem: Problem, writer: SettlementWriter) -> Problem:
    return replace(
        problem, peaks=tuple(writer.peaks), sums=tuple(writer.sums), settlement=writer.settlement(), fixed_cost=0.0
    )


def all_steps(problem, **keys):
    return Peak(**{"name": "Peak", "rate_per_kw": 0.0, "steps": np.arange(problem.n_steps)} | keys)


def small_site(**changes) -> Problem:
    return shaving(LOAD_KW, energy_kwh=300.0, power_kw=200.0, **changes)


def with_ratchet(share, floor):
    """One peak of the whole day, billed above a floor and a share of itself."""
    problem, writer = small_site(peaks=()), SettlementWriter()
    peak = writer.peak(all_steps(problem))
    billed = writer.variable("billed", cost=RATE, upper=2000.0)
    writer.row([(billed, 1.0), (peak, -share)], at_least=0.0)
    writer.row([(billed, 1.0)], at_least=floor)
    return settled(problem, writer)


@pytest.mark.parametrize(("share", "floor", "billed"), [(1.0, 0.0, 557.5), (0.8, 0.0, 446.0), (1.0, 600.0, 600.0)])
def test_billed_demand_lies_above_its_rows(share, floor, billed):
    schedule = optimise(with_ratchet(share, floor))
    assert schedule.objective == pytest.approx(RATE * billed, rel=CLOSE)
    assert schedule.lower_bound == pytest.approx(RATE * billed, rel=CLOSE)


def test_a_peak_of_apparent_power_is_the_root_of_the_squares():
    kvar = np.full(4, 300.0)
    problem = small_site(peaks=())
    problem = replace(problem, peaks=(all_steps(problem, rate_per_kw=RATE, kvar=kvar),))
    schedule = optimise(problem)
    assert schedule.objective == pytest.approx(RATE * np.hypot(557.5, 300.0), rel=CLOSE)
    assert schedule.lower_bound == pytest.approx(schedule.objective, rel=CLOSE)


def test_reactive_power_of_one_step_decides_where_to_shave():
    # 50 kW less in the second hour and 200 kW less in the third are worth most where kvar are high: with kvar of 0 and
    # 450 the apparent powers 700 - a and hypot(700 - b, 450) are equal at the best split of 285 kWh.
    kvar = np.array([0.0, 0.0, 450.0, 0.0])
    problem = small_site(peaks=())
    problem = replace(problem, peaks=(all_steps(problem, rate_per_kw=1.0, kvar=kvar),))
    shares = np.linspace(85.0, 200.0, 200_001)
    best = np.maximum(700 - (285 - shares), np.hypot(700 - shares, 450)).min()
    assert optimise(problem).objective == pytest.approx(best, rel=CLOSE)


def test_means_of_two_steps_are_lower_than_the_steps():
    problem = small_problem(4, load_kw=[0.0, 100.0, 60.0, 0.0], charge_limit_kw=0.0, discharge_limit_kw=0.0)
    pairs = Peak(name="Pairs", rate_per_kw=1.0, steps=np.array([0, 2]), span=2)
    sliding = Peak(name="Sliding", rate_per_kw=1.0, steps=np.array([0, 1, 2]), span=2)
    for peak, expected in ((pairs, 50.0), (sliding, 80.0)):
        schedule = optimise(replace(problem, peaks=(peak,)))
        assert (schedule.objective, schedule.lower_bound) == pytest.approx((expected, expected))


def test_a_contracted_level_is_chosen_between_its_price_and_that_of_excess():
    # Contracting costs 3 a kW, excess 2 in each of two periods: up to the lower of both peaks one contracts.
    problem, writer = (
        small_problem(2, load_kw=[50.0, 80.0], charge_limit_kw=0.0, discharge_limit_kw=0.0),
        SettlementWriter(),
    )
    level = writer.variable("level", cost=3.0, upper=1000.0)
    for step in (0, 1):
        peak = writer.peak(all_steps(problem, steps=np.array([step])))
        excess = writer.variable("excess", cost=2.0, upper=1000.0)
        writer.row([(excess, 1.0), (peak, -1.0), (level, 1.0)], at_least=0.0)
    schedule = optimise(settled(problem, writer))
    assert schedule.objective == pytest.approx(3 * 50 + 2 * 30)
    assert schedule.lower_bound == pytest.approx(schedule.objective)


def cheaper_beyond(end_kwh):
    """Energy costs 0.3 up to an end and 0.1 beyond; a choice says whether the end is reached."""
    problem, writer = small_problem(3, load_kw=[100.0, 100.0, 50.0], buy_per_kwh=0.3), SettlementWriter()
    energy = writer.sum(FlowSum(name="energy", steps=np.arange(3), import_weight=np.ones(3), export_weight=np.zeros(3)))
    beyond = writer.variable("beyond", cost=-0.2, upper=1000.0)
    is_beyond = writer.variable("is beyond", upper=1.0, is_choice=True)
    writer.row([(beyond, 1.0), (energy, -1.0), (is_beyond, end_kwh)], at_most=0.0)
    writer.row([(beyond, 1.0), (is_beyond, -1000.0)], at_most=0.0)
    return settled(problem, writer)


@pytest.mark.parametrize("end_kwh", [100.0, 250.0, 300.0])
def test_energy_beyond_an_end_is_cheaper_only_beyond(end_kwh):
    schedule = optimise(cheaper_beyond(end_kwh))
    assert schedule.objective == pytest.approx(0.3 * min(end_kwh, 250) + 0.1 * max(250 - end_kwh, 0), rel=CLOSE)
    assert schedule.lower_bound <= schedule.objective


prices = st.floats(-50, 50)


@settings(max_examples=60)
@given(data=st.data())
def test_no_multipliers_push_the_bound_above_a_feasible_cost(data):
    problem = data.draw(st.sampled_from([with_ratchet(0.8, 100.0), with_ratchet(1.0, 500.0), cheaper_beyond(250.0)]))
    n = problem.n_steps

    def drawn(size):
        return np.array(data.draw(st.lists(prices, min_size=size, max_size=size)))

    multipliers = Multipliers(
        balance=drawn(n),
        storage=drawn(n),
        peaks=tuple(drawn(len(peak.steps)) for peak in problem.peaks),
        sums=drawn(len(problem.sums)),
        rows=drawn(len(problem.settlement.rows)),
    )
    assert lower_bound(problem, multipliers) <= idle_schedule(problem).objective + 1e-6


def test_readings_without_a_solution_of_the_bill_are_a_bug():
    writer = SettlementWriter()
    one = writer.variable("one", upper=1.0)
    writer.row([(one, 1.0)], at_least=2.0)
    with pytest.raises(ValueError, match="has no solution"):
        writer.settlement().least_cost(np.zeros(0))
