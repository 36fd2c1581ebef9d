"""Curved losses and tapered limits: the optimum against a second formulation, and the laws of any optimum."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chords_oracle import exact_optimum
from crestfall.dispatch import Curve, Multipliers, Problem, Taper, check_feasible, lower_bound, optimise
from crestfall.plant import Segment
from small_problems import peak_over, small_problem
from strategies import billed_peaks, chord_rows, price_rows, rows

SOLVER_COST = 1e-6  # as in test_optimum.py
GAP_FRAC, GAP_COST = 1e-6, 1e-6
laws = settings(max_examples=30)
MULTIPLIER_RANGE = st.sampled_from([0.01, 0.1, 1.0])


@st.composite
def tapers(draw, *, ceiling: float, charging: bool) -> Taper | None:
    """Draw a limit that falls from somewhere inside a window from 0 to a share at its end, or none."""
    if draw(st.booleans()):
        return None
    limit_kw, begins = float(draw(st.integers(1, 100))), draw(st.integers(1, 9)) / 10 * ceiling
    left = draw(st.sampled_from([0.0, 0.2, 0.5, 1.0]))
    if charging:
        slope = limit_kw * (1 - left) / (ceiling - begins)
        return Taper(slope, limit_kw + slope * begins)
    return Taper(-limit_kw * (1 - left) / begins, limit_kw * left)


@st.composite
def curved_problems(draw, *, convex: bool) -> Problem:
    """Draw a problem of a few steps with curved losses, in which standing still is allowed."""
    n, ceiling = draw(st.integers(2, 5)), float(draw(st.integers(5, 60)))
    level = draw(st.integers(0, 10)) / 10 * ceiling
    ends = draw(st.sampled_from([{}, {"start_kwh": level}, {"start_kwh": level, "end_kwh": level}]))
    pv = draw(rows(n, 0, 60))
    buy, sell = draw(price_rows(n, convex=convex))
    return small_problem(
        n,
        step_h=draw(st.sampled_from([0.25, 0.5, 1.0])),
        load_kw=draw(rows(n, 0, 100)),
        pv_kw=pv,
        auxiliary_kw=draw(st.integers(0, 3)),
        curtailable_kw=np.minimum(draw(rows(n, 0, 60)), pv),
        buy_per_kwh=buy,
        sell_per_kwh=sell,
        charge_limit_kw=draw(rows(n, 0, 120)),
        discharge_limit_kw=draw(rows(n, 0, 120)),
        into_limit_kw=draw(rows(n, 10, 120)),
        outof_limit_kw=draw(rows(n, 10, 120)),
        ceiling_kwh=ceiling,
        charge_segments=draw(chord_rows()),
        discharge_segments=draw(chord_rows()),
        charge_taper=draw(tapers(ceiling=ceiling, charging=True)),
        discharge_taper=draw(tapers(ceiling=ceiling, charging=False)),
        keep_frac=draw(st.sampled_from([1.0, 0.98])) if "end_kwh" not in ends else 1.0,
        wear_per_kwh=draw(st.integers(0, 5)) / 100,
        peaks=draw(billed_peaks(n)),
        **ends,
    )


def within_gap(cost: float) -> float:
    return SOLVER_COST + GAP_COST + GAP_FRAC * abs(cost)


# --- against a second formulation -------------------------------------------------------------------------------------


@settings(max_examples=60)
@given(problem=curved_problems(convex=True))
def test_curved_problem_costs_what_an_independent_program_says(problem):
    exact = exact_optimum(problem)
    schedule = optimise(problem, solver="lp")
    check_feasible(problem, schedule)
    assert schedule.objective == pytest.approx(exact, rel=0, abs=within_gap(exact))


@settings(max_examples=60)
@given(problem=curved_problems(convex=False))
def test_curved_problem_at_any_prices_costs_what_an_independent_program_says(problem):
    exact = exact_optimum(problem)
    schedule = optimise(problem, solver="lp")
    check_feasible(problem, schedule)
    assert schedule.objective == pytest.approx(exact, rel=0, abs=within_gap(exact))


@laws
@given(problem=curved_problems(convex=False))
def test_bound_is_never_above_the_optimum(problem):
    assert optimise(problem, solver="lp").lower_bound <= exact_optimum(problem) + SOLVER_COST


@laws
@given(problem=curved_problems(convex=True))
def test_bound_of_a_curved_problem_equals_its_cost(problem):
    schedule = optimise(problem, solver="lp")
    assert schedule.objective - schedule.lower_bound <= within_gap(schedule.objective)


@laws
@given(problem=curved_problems(convex=False), seed=st.integers(0, 2**32 - 1), scale=MULTIPLIER_RANGE)
def test_wrong_multipliers_never_lift_the_bound_above_the_optimum(problem, seed, scale):
    draw, n = np.random.default_rng(seed), problem.n_steps
    guess = Multipliers(
        balance=draw.normal(scale=scale, size=n),
        storage=draw.normal(scale=scale, size=n),
        peaks=tuple(draw.normal(scale=peak.rate_per_kw, size=peak.steps.size) for peak in problem.peaks),
        charge_taper=draw.normal(scale=scale, size=n),
        discharge_taper=draw.normal(scale=scale, size=n),
    )
    assert lower_bound(problem, guess) <= exact_optimum(problem) + SOLVER_COST


def test_price_of_a_taper_with_the_wrong_sign_is_not_believed():
    """Nothing can be done, so the cost is 0; 90 kW of limit at a price of +1 each, believed, would say 90."""
    problem = small_problem(1, start_kwh=0.0, charge_limit_kw=0.0, discharge_limit_kw=0.0, ceiling_kwh=0.0)
    problem = replace(problem, charge_taper=Taper(0.5, 90.0), discharge_taper=Taper(0.0, 90.0))
    zeros, ones = np.zeros(1), np.ones(1)
    guess = Multipliers(balance=zeros, storage=zeros, peaks=(), charge_taper=ones, discharge_taper=ones)
    assert lower_bound(problem, guess) == 0.0


# --- order of filling -------------------------------------------------------------------------------------------------


def test_order_of_chords_is_kept_where_burning_energy_pays():
    """25 kWh of room. In order 25 / 0.9 = 27.8 kW are paid for being taken, by the second chord alone it were 50."""
    problem = small_problem(
        1,
        buy_per_kwh=-1.0,
        sell_per_kwh=-1.0,
        start_kwh=0.0,
        ceiling_kwh=25.0,
        discharge_limit_kw=0.0,
        charge_segments=(Segment(50.0, 0.9, 0.0), Segment(50.0, 0.5, 0.0)),
    )
    schedule = optimise(problem, solver="lp")
    assert schedule.repaired_steps == 1
    assert schedule.objective == pytest.approx(-25 / 0.9, rel=1e-6)
    assert schedule.lower_bound == pytest.approx(-25 / 0.9, rel=1e-6)


def test_order_of_chords_is_kept_where_an_empty_store_pays():
    """The store must be emptied of 25 kWh, and each kWh exported costs 1: the bad chord would export 12.5 only."""
    problem = small_problem(
        1,
        buy_per_kwh=1.0,
        sell_per_kwh=-1.0,
        start_kwh=25.0,
        end_kwh=0.0,
        charge_limit_kw=0.0,
        discharge_segments=(Segment(50.0, 0.9, 0.0), Segment(50.0, 0.5, 0.0)),
    )
    schedule = optimise(problem, solver="lp")
    assert schedule.repaired_steps == 1
    assert schedule.objective == pytest.approx(25 * 0.9, rel=1e-6)


def test_a_small_charge_is_worth_its_better_chord():
    """Lossless up to 10 kW, half beyond. Sold at 1.5 times its price, energy is stored at 10 kW and no more."""
    problem = small_problem(
        3,
        buy_per_kwh=[0.10, 0.10, 1.0],
        sell_per_kwh=[0.0, 0.0, 0.15],
        start_kwh=0.0,
        charge_segments=(Segment(10.0, 1.0, 0.0), Segment(90.0, 0.5, 0.0)),
        discharge_frac=1.0,
    )
    schedule = optimise(problem, solver="lp")
    assert schedule.charge_kw == pytest.approx([10, 10, 0], abs=1e-6)
    assert schedule.objective == pytest.approx(-20 * 0.05, rel=1e-6)


def test_cooling_is_drawn_at_the_meter():
    """20 kWh stored at 10 % of cooling, given at 5 % of cooling: 22 kWh in at 0.10, 19 out at 0.30."""
    problem = small_problem(
        2,
        buy_per_kwh=[0.10, 0.30],
        sell_per_kwh=[0.10, 0.30],
        start_kwh=0.0,
        ceiling_kwh=20.0,
        charge_segments=(Segment(100.0, 1.0, 0.1),),
        discharge_segments=(Segment(100.0, 1.0, 0.05),),
    )
    schedule = optimise(problem, solver="lp")
    assert schedule.import_kw == pytest.approx([22, 0], abs=1e-6)
    assert schedule.export_kw == pytest.approx([0, 19], abs=1e-6)
    assert schedule.objective == pytest.approx(2.2 - 5.7, rel=1e-6)


# --- tapers -----------------------------------------------------------------------------------------------------------


def test_taper_towards_full_is_kept_and_binds():
    """90 kW less 0.5 for each kWh at the end of the hour: 60 kW. Then 90 - 0.5 x 80 = 50 less 0.5 x 20 ..."""
    problem = small_problem(
        3,
        buy_per_kwh=[0.1, 0.1, 0.3],
        sell_per_kwh=[0.1, 0.1, 0.3],
        start_kwh=0.0,
        ceiling_kwh=100.0,
        charge_frac=1.0,
        discharge_frac=1.0,
        charge_taper=Taper(0.5, 90.0),
    )
    schedule = optimise(problem, solver="lp")
    # (90 - 0) / 1.5 = 60, then (90 - 0.5 x 60) / 1.5 = 40: just full.
    assert schedule.charge_kw == pytest.approx([60, 40, 0], abs=1e-5)
    assert schedule.objective == pytest.approx(-20.0, rel=1e-6)
    short = replace(problem, charge_taper=Taper(0.5, 75.0))
    # 50, then (75 - 25) / 1.5 = 33.33.
    assert optimise(short, solver="lp").charge_kw == pytest.approx([50, 100 / 3, 0], abs=1e-5)
    assert optimise(short, solver="lp").objective == pytest.approx(-0.2 * (50 + 100 / 3), rel=1e-6)


def test_taper_towards_empty_is_kept_and_binds():
    """No more than 20 kW + 0.5 for each kWh at the end: x = 20 + 0.5 (100 - x) is 46.67; then 20 + 0.5 (53.33 - x)."""
    problem = small_problem(
        2,
        load_kw=100.0,
        buy_per_kwh=1.0,
        start_kwh=100.0,
        charge_frac=1.0,
        discharge_frac=1.0,
        discharge_taper=Taper(-0.5, 20.0),
    )
    schedule = optimise(problem, solver="lp")
    first = 70 / 1.5
    assert schedule.discharge_kw == pytest.approx([first, (70 - first / 2) / 1.5], abs=1e-5)
    untapered = optimise(replace(problem, discharge_taper=None), solver="lp")
    assert untapered.objective < schedule.objective - 20


@laws
@given(problem=curved_problems(convex=True))
def test_a_taper_never_saves_money(problem):
    free = replace(problem, charge_taper=None, discharge_taper=None)
    assert optimise(free, solver="lp").objective <= optimise(problem, solver="lp").objective + SOLVER_COST


# --- losses -----------------------------------------------------------------------------------------------------------


@laws
@given(problem=curved_problems(convex=True), worse=st.floats(0.8, 1.0), cooling=st.floats(0, 0.1))
def test_more_loss_never_saves_money(problem, worse, cooling):
    lossy = replace(
        problem,
        charge_segments=tuple(Segment(w, f * worse, c + cooling) for w, f, c in problem.charge_segments),
        discharge_segments=tuple(Segment(w, f * worse, c + cooling) for w, f, c in problem.discharge_segments),
    )
    assert optimise(lossy, solver="lp").objective >= optimise(problem, solver="lp").objective - SOLVER_COST


@laws
@given(problem=curved_problems(convex=True), parts=st.integers(2, 4))
def test_a_chord_cut_in_pieces_costs_the_same(problem, parts):
    def cut(chords):
        return tuple(Segment(w / parts, f, c) for w, f, c in chords for _ in range(parts))

    same = replace(
        problem,
        charge_segments=cut(problem.charge_segments),
        discharge_segments=cut(problem.discharge_segments),
    )
    assert optimise(same, solver="lp").objective == pytest.approx(
        optimise(problem, solver="lp").objective, rel=1e-7, abs=SOLVER_COST
    )


# --- the curve itself -------------------------------------------------------------------------------------------------


@given(chords=chord_rows(), share=st.floats(0, 1), charging=st.booleans())
def test_curve_leads_there_and_back(chords, share, charging):
    curve = Curve.charging(chords) if charging else Curve.discharging(chords)
    ac_kw = np.array([share * curve.ac_kw[-1]])
    assert curve.at_terminals(curve.at_store(ac_kw)) == pytest.approx(ac_kw, abs=1e-9)


@given(chords=chord_rows(), limits=st.lists(st.floats(0, 150), min_size=1, max_size=5))
def test_limit_leaves_the_first_chords(chords, limits):
    curve = Curve.charging(chords)
    widths = curve.widths_within(np.array(limits))
    assert widths.shape == (len(chords), len(limits))
    assert widths.sum(axis=0) == pytest.approx(np.minimum(limits, curve.ac_kw[-1]), abs=1e-9)
    for t in range(len(limits)):
        is_cut = widths[:, t] < curve.widths_kw
        assert not widths[np.flatnonzero(is_cut)[0] + 1 :, t].any() if is_cut.any() else True


def test_no_chords_are_the_constant_figures():
    plain = small_problem(2, load_kw=[0.0, 50.0], start_kwh=100.0, charge_frac=0.9, discharge_frac=0.8)
    same = replace(plain, charge_segments=(Segment(1e9, 0.9, 0.0),), discharge_segments=(Segment(1e9, 0.8, 0.0),))
    for problem in (plain, same):
        flat = replace(problem, buy_per_kwh=np.ones(2), peaks=(peak_over(0, 1),))
        assert optimise(flat, solver="lp").objective == pytest.approx(0.0, abs=1e-6)
