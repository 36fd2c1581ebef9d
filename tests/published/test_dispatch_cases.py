"""Trading and peak shaving with a known optimum.

Every number here is a closed form that was computed independently of this package and is given in words beside it;
each was also confirmed by a small linear or mixed-integer program. Energy is inside the store, powers are AC. That
trading pays only where the ratio of prices exceeds one over the round-trip efficiency is textbook knowledge.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crestfall.dispatch import Problem, Schedule, Solver, idle_schedule
from crestfall.dispatch import optimise as optimise_to_its_gap
from small_problems import closing_error_kwh, peak_over, shaving, small_problem, trading
from strategies import rows

# The numbers are given to six or seven digits behind the point; the solver's own error is smaller.
DIGITS = 1e-6
properties = settings(max_examples=30)  # two solutions each

both_ways = pytest.mark.parametrize("solver", ["exact", "lp"])


def optimise(problem: Problem, solver: Solver = "auto") -> Schedule:
    """Return the optimum, proven to more digits than a study asks for."""
    return optimise_to_its_gap(problem, solver=solver, gap_frac=1e-9)


LOW_THEN_HIGH = [0.10] * 8 + [0.30] * 4
HIGH_THEN_LOW = [0.30] * 4 + [0.10] * 8
NEGATIVE_THEN_HIGH = [-0.05] * 4 + [0.20] * 4
EVENING_PEAK = [400.0] * 8 + [700.0] * 2 + [400.0] * 14
FIVE_HOURS = [500.0, 600.0, 800.0, 700.0, 500.0]


def day_of_two_prices(high: float) -> list[float]:
    return [0.10] * 12 + [high] * 12


def triangle_kw(step_min: int) -> np.ndarray:
    """Return step means of 400 kW plus a triangle of 300 kW that rises and falls over two hours each."""
    edges_h = np.arange(0, 4 * 60 + step_min, step_min) / 60
    # The area below the triangle up to each edge; the apex is an edge.
    area = np.where(edges_h <= 2, 75 * edges_h**2, 600 - 75 * (4 - edges_h) ** 2)
    return 400 + np.diff(area) / (step_min / 60)


@pytest.mark.parametrize(
    ("problem", "profit"),
    [
        pytest.param(trading(LOW_THEN_HIGH), 35.9473684, id="A1 energy: 200 (0.95 x 0.30 - 0.10 / 0.95)"),
        pytest.param(
            trading(LOW_THEN_HIGH, ceiling_kwh=1000.0), 75.6786704, id="A2 discharge power: 400 (0.30 - 0.10 / 0.9025)"
        ),
        pytest.param(
            trading([0.10] * 2 + [0.30] * 4, ceiling_kwh=1000.0),
            34.15,
            id="A3 charge power: 200 (0.9025 x 0.30 - 0.10)",
        ),
        pytest.param(trading(day_of_two_prices(0.11)), 0.0, id="A4 ratio 1.10 is below 1 / 0.9025 = 1.1080332"),
        pytest.param(trading(day_of_two_prices(0.1108)), 0.0, id="A4 ratio 1.108 is just below"),
        pytest.param(trading(day_of_two_prices(0.111)), 0.0373684, id="A4 ratio 1.11 is just above"),
        pytest.param(trading(day_of_two_prices(0.112)), 0.2273684, id="A4 ratio 1.12"),
        pytest.param(trading(day_of_two_prices(0.12)), 1.7473684, id="A4 ratio 1.20"),
        pytest.param(trading(LOW_THEN_HIGH, wear_per_kwh=0.10), 16.9473684, id="A5 wear 0.10: 190 x 0.10 less than A1"),
        pytest.param(
            trading(LOW_THEN_HIGH, wear_per_kwh=0.19), 0.0, id="A5 wear 0.19: 0.30 - 0.19 is below 0.10 / 0.9025"
        ),
        pytest.param(trading(np.repeat(LOW_THEN_HIGH, 4), step_h=0.25), 35.9473684, id="A7 as A1 in quarter hours"),
        pytest.param(
            trading(HIGH_THEN_LOW, start_kwh=200.0, end_kwh=200.0), 35.9473684, id="A8 high before low, full to full"
        ),
        pytest.param(trading(HIGH_THEN_LOW), 0.0, id="A8 high before low, empty to empty"),
    ],
)
@both_ways
def test_trading_profit_equals_the_closed_form(problem, profit, solver):
    assert -optimise(problem, solver).objective == pytest.approx(profit, rel=0, abs=DIGITS)


@pytest.mark.parametrize("solver", ["auto", "lp"])
def test_trading_at_a_negative_price_earns_what_one_way_at_a_time_can(solver):
    """A9: one way at a time in every hour."""
    assert -optimise(trading(NEGATIVE_THEN_HIGH), solver).objective == pytest.approx(48.9625, rel=0, abs=DIGITS)


def test_exact_way_at_a_negative_price_comes_close_and_does_not_claim_more():
    """A9: its steps are not convex, so that it is bound by their hull and may stay a little below."""
    schedule = optimise(trading(NEGATIVE_THEN_HIGH), "exact")
    assert -schedule.objective == pytest.approx(48.9625, rel=0.01)
    assert schedule.lower_bound <= -48.9625 + DIGITS


def test_negative_price_never_makes_the_battery_run_both_ways():
    """A9, the trap: a plain linear program would burn energy for pay and claim 49.45."""
    problem = trading(NEGATIVE_THEN_HIGH)
    schedule = optimise(problem)
    assert not (schedule.charge_kw * schedule.discharge_kw).any()
    assert closing_error_kwh(problem, schedule) == pytest.approx(0.0, abs=1e-6)  # the solver's row tolerance
    assert schedule.repaired_steps > 0


def test_bound_at_a_negative_price_lies_between_the_plain_program_and_the_schedule():
    """A9: -49.45 is the relaxed optimum, -48.9625 the true one; the gap left is the search's own 1e-6."""
    schedule = optimise(trading(NEGATIVE_THEN_HIGH))
    assert -49.45 < schedule.lower_bound <= -48.9625 + DIGITS
    assert schedule.objective - schedule.lower_bound <= 1e-6 * 48.9625 + DIGITS


def test_alternating_at_a_negative_price_beats_one_fill_and_one_emptying():
    """A9: one fill and one emptying earn 200 x 0.05 / 0.95 + 190 x 0.20 = 48.5263158."""
    assert -optimise(trading(NEGATIVE_THEN_HIGH)).objective > 48.5263158


@pytest.mark.parametrize(
    ("problem", "peak_kw"),
    [
        pytest.param(
            shaving(EVENING_PEAK, energy_kwh=300.0, power_kw=200.0), 557.5, id="P1 flat top: 700 - 300 x 0.95 / 2"
        ),
        pytest.param(
            shaving(FIVE_HOURS, energy_kwh=250 / 0.95, power_kw=200.0),
            625.0,
            id="P2 water filling: (800 - x) + (700 - x) = 250",
        ),
        pytest.param(shaving(FIVE_HOURS, energy_kwh=250 / 0.95, power_kw=150.0), 650.0, id="P2 with 150 kW: 800 - 150"),
        pytest.param(shaving(FIVE_HOURS, energy_kwh=400 / 0.95, power_kw=200.0), 600.0, id="P3 power: 800 - 200"),
        pytest.param(
            shaving(FIVE_HOURS, energy_kwh=400 / 0.95, power_kw=1000.0),
            566.6666667,
            id="P3 without a limit of power: (600 - x) + (800 - x) + (700 - x) = 400",
        ),
        pytest.param(
            shaving(triangle_kw(15), step_h=0.25, energy_kwh=100.0, power_kw=300.0, charge_frac=1, discharge_frac=1),
            577.0833333,
            id="P6 triangle in means of 15 min",
        ),
        pytest.param(
            shaving(triangle_kw(5), step_h=1 / 12, energy_kwh=100.0, power_kw=300.0, charge_frac=1, discharge_frac=1),
            577.5,
            id="P6 triangle in means of 5 min",
        ),
        pytest.param(
            shaving(
                [300.0] * 12 + [500.0] * 12,
                energy_kwh=10_000.0,
                power_kw=1000.0,
                charge_frac=1,
                discharge_frac=1,
                start_kwh=0.0,
            ),
            400.0,
            id="P7 a large store flattens to the mean",
        ),
    ],
)
@both_ways
def test_lowest_peak_equals_the_closed_form(problem, peak_kw, solver):
    assert optimise(problem, solver).objective == pytest.approx(peak_kw, rel=0, abs=DIGITS)


def test_triangle_before_shaving_peaks_at_the_mean_of_its_highest_quarter_hours():
    """P6: 700 less half of what the flank falls in 15 minutes, 300 / 8 / 2."""
    assert triangle_kw(15).max() == pytest.approx(681.25, abs=1e-9)  # rounding


def test_finer_steps_approach_the_continuous_peak_from_below():
    """P6: 700 - sqrt(100 x 300 / 2) = 577.5255 in continuous time; means over a step hide part of the peak."""
    lowest = [
        optimise(
            shaving(
                triangle_kw(step_min),
                step_h=step_min / 60,
                energy_kwh=100.0,
                power_kw=300.0,
                charge_frac=1,
                discharge_frac=1,
            )
        ).objective
        for step_min in (15, 5, 1)
    ]
    assert lowest[0] < lowest[1] < lowest[2] <= 700 - np.sqrt(100 * 300 / 2) + DIGITS


# P8: P1 as the bill of one day, energy at 0.10 per kWh, 15 per kW, full to full.
P8 = shaving(
    EVENING_PEAK,
    energy_kwh=300.0,
    power_kw=200.0,
    end_kwh=300.0,
    buy_per_kwh=0.10,
    peaks=(peak_over(*range(24), rate=15.0),),
)


def test_bill_of_the_shaving_day_without_battery_is_worked_by_hand():
    """P8: 0.10 x (22 x 400 + 2 x 700) + 15 x 700."""
    assert idle_schedule(P8).objective == pytest.approx(11_520.0, abs=DIGITS)


def test_bill_of_the_shaving_day_with_battery_is_worked_by_hand():
    """P8: 15 x 142.5 saved at the peak, 0.10 x (300 / 0.95 - 285) paid for losses: 2,134.4211 less."""
    saved = 15 * 142.5 - 0.10 * (300 / 0.95 - 285)
    assert (round(11_520.0 - saved, 4), round(saved, 4)) == (9385.5789, 2134.4211)  # four digits are given
    # The search ends at a gap, so its optimum is compared with what the digits were rounded from.
    assert optimise(P8).objective == pytest.approx(11_520.0 - saved, rel=0, abs=5e-5)


@properties
@given(load=rows(8, 0, 500), energy=st.integers(0, 300), power=st.integers(0, 100), more=st.integers(0, 100))
def test_lowest_peak_never_rises_with_energy(load, energy, power, more):
    smaller = optimise(shaving(load, energy_kwh=energy, power_kw=power, start_kwh=0.0)).objective
    larger = optimise(shaving(load, energy_kwh=energy + more, power_kw=power, start_kwh=0.0)).objective
    assert larger <= smaller + DIGITS


@properties
@given(load=rows(8, 0, 500), energy=st.integers(0, 300), power=st.integers(0, 100), more=st.integers(0, 100))
def test_lowest_peak_never_rises_with_power(load, energy, power, more):
    weaker = optimise(shaving(load, energy_kwh=energy, power_kw=power)).objective
    stronger = optimise(shaving(load, energy_kwh=energy, power_kw=power + more)).objective
    assert stronger <= weaker + DIGITS


@pytest.mark.parametrize("size", [{"energy_kwh": 300.0, "power_kw": 0.0}, {"energy_kwh": 0.0, "power_kw": 200.0}])
def test_bill_is_unchanged_without_power_or_without_energy(size):
    nothing = shaving(EVENING_PEAK, **size, buy_per_kwh=0.10, peaks=P8.peaks)
    assert optimise(nothing).objective == pytest.approx(11_520.0, rel=0, abs=DIGITS)


@properties
@given(prices=rows(8, 0, 40), shift=st.integers(0, 50))
def test_constant_added_to_all_prices_leaves_lossless_trading_unchanged(prices, shift):
    lossless = {"charge_frac": 1.0, "discharge_frac": 1.0}
    before = optimise(trading(prices / 100, **lossless)).objective
    after = optimise(trading((prices + shift) / 100, **lossless)).objective
    assert after == pytest.approx(before, rel=0, abs=DIGITS)


@properties
@given(prices=rows(8, 0, 40), factor=st.sampled_from([0.1, 2.0, 30.0]))
def test_all_prices_times_k_earn_k_times_as_much(prices, factor):
    one = optimise(trading(prices / 100)).objective
    assert optimise(trading(factor * prices / 100)).objective == pytest.approx(
        factor * one, rel=0, abs=DIGITS * max(1.0, factor)
    )


def test_spread_below_the_losses_leaves_the_battery_still():
    """A4 at a ratio of 1.10: not one kWh moves."""
    schedule = optimise(trading(day_of_two_prices(0.11)))
    assert schedule.charge_kw.max() == 0.0
    assert schedule.discharge_kw.max() == 0.0


def test_store_without_site_and_price_costs_nothing():
    problem = small_problem(4, start_kwh=0.0)
    assert optimise(replace(problem, fixed_cost=3.0)).objective == pytest.approx(3.0, abs=DIGITS)
