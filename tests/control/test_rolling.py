"""The policy that plans on forecasts again and again."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crestfall.control import Forecasts, Given, History, follow_plan, forecasts_for, with_error
from crestfall.control._learning import worst_days, worst_spells_kw
from crestfall.dispatch import Peak, Problem, Schedule, Status, check_feasible, idle_schedule, optimise
from crestfall.scenario.scenario_file import RollingPolicy
from crestfall.tariff import Rates
from parts import rates_of
from small_problems import small_problem

DAY = 24
PRICES = np.array([0.10] * 6 + [0.20] * 11 + [0.40] * 4 + [0.20] * 3)
LOAD = np.array([40.0] * 7 + [90.0] * 4 + [130.0] * 2 + [90.0] * 5 + [40.0] * 6)
POLICIES = [
    {"load_forecast": load, "pv_forecast": pv, "peak_rule": rule}
    for load, pv, rule in (
        ("last_week", "yesterday", "reserve"),
        ("similar_days", "recent_days", "headroom"),
        ("regression", "regression", "both"),
    )
]


def site_of(load_kw, *, buy_per_kwh=0.2, demand=(), first="2025-01-20", **changes) -> tuple[Problem, Rates]:
    """Return a problem of hours that begins and may end empty, and the rates it was made from."""
    n = len(load_kw)
    buy = np.broadcast_to(np.asarray(buy_per_kwh, dtype=float), n)
    sell = changes.pop("sell_per_kwh", 0.0)
    rates = rates_of(buy, sell_per_kwh=sell, demand=demand, first=first)
    peaks = tuple(
        Peak(name=charge.name, rate_per_kw=charge.rate[p], steps=charge.measure.intervals_in(p))
        for charge in rates.peak_charges
        for p in charge.in_use
    )
    given_ = {"start_kwh": changes.get("floor_kwh", 0.0)} | changes
    problem = small_problem(n, load_kw=load_kw, buy_per_kwh=buy, sell_per_kwh=sell, peaks=peaks, **given_)
    return problem, rates


def follow(problem, rates, *, perfect=False, history=None, **policy) -> Schedule:
    ask = RollingPolicy(**{"horizon_h": 24.0} | policy)
    known = {} if history is None else {"history": history}
    expected = forecasts_for(ask, rates, **known)
    if perfect:
        expected = Forecasts(Given(problem.load_kw), Given(problem.pv_kw))
    return follow_plan(problem, rates, ask, expected, **known).schedule


@st.composite
def sites(draw) -> tuple[Problem, Rates]:
    """Draw eight days around a change of month, with PV, demand charges, losses, limits and a floor."""
    n = 8 * DAY
    noise = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    floor = draw(st.sampled_from([0.0, 20.0]))
    pv = noise.uniform(0, 150, n) * draw(st.booleans())
    evening = [t for t in range(n) if 17 <= t % DAY < 21]
    return site_of(
        noise.uniform(0, 1, n) * np.resize(LOAD, n) * draw(st.sampled_from([0.5, 1.0, 2.0])),
        pv_kw=pv,
        curtailable_kw=pv,
        auxiliary_kw=draw(st.sampled_from([0.0, 1.5])),
        buy_per_kwh=np.resize(PRICES, n) - draw(st.sampled_from([0.0, 0.15])),
        sell_per_kwh=draw(st.sampled_from([0.0, 0.05])),
        demand=draw(st.sampled_from([(), ((10.0, None),), ((10.0, None), (5.0, evening))])),
        first="2025-01-25",
        charge_limit_kw=draw(st.sampled_from([5.0, 60.0])),
        discharge_limit_kw=draw(st.sampled_from([0.0, 60.0])),
        export_limit_kw=draw(st.sampled_from([np.inf, 30.0])),
        charge_frac=draw(st.sampled_from([1.0, 0.9])),
        discharge_frac=draw(st.sampled_from([1.0, 0.9])),
        keep_frac=draw(st.sampled_from([1.0, 0.999])),
        floor_kwh=floor,
        ceiling_kwh=floor + draw(st.sampled_from([0.0, 50.0, 200.0])),
        wear_per_kwh=draw(st.sampled_from([0.0, 0.02])),
    )


@settings(max_examples=8, deadline=None)
@given(site=sites(), policy=st.sampled_from(POLICIES), every_h=st.sampled_from([2.0, 5.0]))
def test_plant_keeps_its_limits(site, policy, every_h):
    problem, rates = site
    schedule = follow(problem, rates, plan_every_h=every_h, **policy)
    check_feasible(problem, schedule)
    assert schedule.status is Status.RULE


@settings(max_examples=6, deadline=None)
@given(site=sites(), policy=st.sampled_from(POLICIES), now=st.integers(1, 8 * DAY - 1), seed=st.integers(0, 2**32 - 1))
def test_decisions_do_not_depend_on_load_and_pv_to_come(site, policy, now, seed):
    (problem, rates), draw = site, np.random.default_rng(seed)
    load, pv = problem.load_kw.copy(), problem.pv_kw.copy()
    load[now:], pv[now:] = draw.uniform(0, 400, len(load) - now), draw.uniform(0, 400, len(load) - now)
    otherwise = replace(problem, load_kw=load, pv_kw=pv, curtailable_kw=pv)
    known, other = (follow(one, rates, plan_every_h=3.0, **policy) for one in (problem, otherwise))
    for name in ("charge_kw", "discharge_kw", "stored_kwh", "import_kw", "export_kw"):
        np.testing.assert_array_equal(getattr(known, name)[:now], getattr(other, name)[:now])


def test_prices_are_not_read_further_ahead_than_they_are_known():
    load, buy = np.resize(LOAD, 6 * DAY), np.resize(PRICES, 6 * DAY)
    dearer = buy.copy()
    dearer[4 * DAY :] *= 3
    runs = [follow(*site_of(load, buy_per_kwh=prices), prices_known_h=6.0) for prices in (buy, dearer)]
    until = 4 * DAY - 6
    np.testing.assert_array_equal(runs[0].stored_kwh[:until], runs[1].stored_kwh[:until])
    assert (runs[0].stored_kwh[until:] != runs[1].stored_kwh[until:]).any()


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), frac=st.sampled_from([1.0, 0.9]))
def test_perfect_forecast_to_the_end_of_the_data_is_hindsight(seed, frac):
    """Without a demand charge both know the same; the plan's floor gives way by a ten-thousandth of a kWh."""
    draw, n = np.random.default_rng(seed), 4 * DAY
    problem, rates = site_of(
        draw.uniform(0, 150, n),
        pv_kw=draw.uniform(0, 100, n),
        buy_per_kwh=np.repeat(draw.choice([0.1, 0.2, 0.3, 0.4], n // 4), 4),
        sell_per_kwh=0.05,
        charge_frac=frac,
        discharge_frac=frac,
    )
    rolled = follow(problem, rates, perfect=True, horizon_h=float(n))
    assert rolled.objective == pytest.approx(optimise(problem).objective, rel=1e-6)


def test_perfect_forecast_and_targets_come_near_hindsight_with_a_demand_charge():
    """The same day again and again, four weeks known: what could be kept then can be kept now, but for the margin."""
    buy = np.resize(PRICES, 14 * DAY)
    problem, rates = site_of(np.resize(LOAD, 14 * DAY), buy_per_kwh=buy, demand=((100.0, None),))
    history = History(np.resize(LOAD, 28 * DAY), np.zeros(28 * DAY))
    rolled = follow(problem, rates, history=history, horizon_h=48.0, target_margin_frac=0.02)
    idle, best = idle_schedule(problem).objective, optimise(problem).objective
    assert (idle - rolled.objective) / (idle - best) > 0.85


def test_flat_tariff_without_demand_charge_and_pv_gives_no_action():
    schedule = follow(*site_of(np.resize(LOAD, 8 * DAY)))
    assert not schedule.charge_kw.any()
    assert not schedule.discharge_kw.any()


SHAVING_DAY = np.array([400.0] * 8 + [700.0] * 2 + [400.0] * 14)


def test_textbook_day_is_shaved_to_its_closed_form():
    """700 - 300 x 0.95 / 2 = 557.5, with 200 kW and 300 kWh at 0.95; the margin above it is 0."""
    problem, rates = site_of(
        np.resize(SHAVING_DAY, 7 * DAY),
        demand=((10.0, None),),
        charge_limit_kw=200.0,
        discharge_limit_kw=200.0,
        ceiling_kwh=300.0,
    )
    history = History(np.resize(SHAVING_DAY, 28 * DAY), np.zeros(28 * DAY))
    schedule = follow(problem, rates, history=history, target_margin_frac=0.0, load_forecast="last_week")
    assert schedule.import_kw.max() == pytest.approx(557.5, abs=0.05)  # caps are sought to a thousandth, and give way


def test_unforeseen_peak_is_met_from_the_reserve():
    """Last week had a peak of 2 h at noon on one day; it comes again on a day when last week had none.

    A day in 28 makes a missing kWh cost 1/28 of 1/24 of the rate, 0.89 here: more than energy ever costs.
    """
    quiet = np.full(28 * DAY, 100.0)
    quiet[-5 * DAY + 12 : -5 * DAY + 14] = 150.0
    load = np.full(3 * DAY, 100.0)
    load[12:14] = 150.0
    problem, rates = site_of(load, buy_per_kwh=np.resize(PRICES, 3 * DAY), demand=((600.0, None),))
    history = History(quiet, np.zeros(28 * DAY))
    ask = {"load_forecast": "last_week", "peak_rule": "reserve", "target_margin_frac": 0.1}  # room to charge in
    reserved = follow(problem, rates, history=history, **ask)
    assert reserved.import_kw.max() < 115.0


@pytest.mark.parametrize("name", ["load", "pv"])
@pytest.mark.parametrize("policy", POLICIES)
def test_forecasts_of_many_times_are_those_of_each_time_alone(policy, name):
    """The table that the loop reads holds what a forecast says that is given the past and nothing else."""
    n, draw = 21 * DAY, np.random.default_rng(5)
    values = draw.uniform(0, 90, n)
    ask = RollingPolicy(**policy)
    forecast = getattr(forecasts_for(ask, rates_of(np.full(n, 0.2))), name)
    at = np.arange(0, n - 30, 17)
    table = forecast.ahead_at(values, at, 30)
    for row, now in zip(table, at.tolist(), strict=True):
        np.testing.assert_allclose(row, forecast.ahead(values[:now], 30), rtol=1e-12, atol=1e-9)


def test_worst_days_are_those_of_the_longest_underestimate():
    """The dip after a short spike makes its two-hour mean small; the last day is left out as the most extreme."""
    errors = np.zeros((4, DAY))
    errors[0, 5] = 50.0
    errors[1, 8:10] = 40.0
    errors[2, 8:10] = 30.0
    errors[3, 3:9] = 90.0
    spells = worst_spells_kw(errors, step_h=1.0)
    assert worst_days(spells, 1.0).tolist() == [3, 1, 2]
    assert worst_days(spells, 0.75).tolist() == [1, 2, 0]


def test_nothing_is_charged_above_a_target():
    """At a flat load the target is the load, whatever cheap energy would earn in the evening."""
    problem, rates = site_of(np.full(9 * DAY, 80.0), buy_per_kwh=np.resize(PRICES, 9 * DAY), demand=((10.0, None),))
    history = History(np.full(28 * DAY, 80.0), np.zeros(28 * DAY))
    rolled = follow(problem, rates, history=history, target_margin_frac=0.05)
    assert rolled.import_kw.max() <= 84.0 + 1e-2
    assert rolled.charge_kw.max() > 3.0


def test_a_peak_that_comes_is_no_leave_to_charge_above_the_target():
    """The plan sees 300 kW that it cannot keep down; until they come, cheap energy is bought under the target only."""
    load, before = np.full(3 * DAY, 80.0), 2 * DAY + 18
    load[before : before + 3] = 300.0
    problem, rates = site_of(load, buy_per_kwh=np.resize(PRICES, 3 * DAY), demand=((10.0, None),))
    history = History(np.full(28 * DAY, 80.0), np.zeros(28 * DAY))
    known, ask = np.concatenate((history.load_kw, load)), RollingPolicy(horizon_h=24.0, target_margin_frac=0.05)
    expected = Forecasts(Given(known), Given(np.zeros_like(known)))
    schedule = follow_plan(problem, rates, ask, expected, history=history).schedule
    assert schedule.import_kw[:before].max() <= 84.0 + 1e-2
    assert schedule.import_kw.max() > 200.0


def test_better_forecast_costs_no_more_here():
    """No law, but on this site an error of half the mean load has to cost something."""
    n = 10 * DAY
    problem, rates = site_of(np.resize(LOAD, n), pv_kw=np.resize(LOAD[::-1], n), buy_per_kwh=np.resize(PRICES, n))
    ask = RollingPolicy(horizon_h=24.0)
    costs = [
        follow_plan(
            problem,
            rates,
            ask,
            Forecasts(with_error(problem.load_kw, error_frac=frac), with_error(problem.pv_kw, error_frac=frac, seed=2)),
        ).schedule.objective
        for frac in (0.0, 0.5)
    ]
    assert costs[0] < costs[1]


def test_result_says_how_good_the_forecasts_were():
    problem, rates = site_of(np.resize(LOAD, 8 * DAY))
    ask = RollingPolicy(horizon_h=24.0, load_forecast="last_week")
    expected = Forecasts(Given(problem.load_kw + 5.0), Given(problem.pv_kw))
    rolled = follow_plan(problem, rates, ask, expected)
    assert rolled.load_errors.bias_kw == pytest.approx(5.0)
    assert rolled.load_errors.peak_kw == pytest.approx(5.0)
    assert np.isnan(rolled.pv_errors.mape_frac)
    assert rolled.n_plans == 8 * DAY
    assert rolled.n_failed == 0


@pytest.mark.parametrize(
    ("policy", "message"),
    [
        ({"horizon_h": 0.5}, "horizon_h is 0.5, expected at least the 1 h of a step"),
        ({"horizon_h": 2.0, "plan_every_h": 3.0}, "horizon_h is 2, expected at least plan_every_h, 3"),
        ({"horizon_h": 48.0}, "horizon_h is 48, expected at most the 24 h of the data"),
    ],
)
def test_horizon_that_does_not_fit_is_refused(policy, message):
    problem, rates = site_of(LOAD)
    with pytest.raises(ValueError, match=f"^{message}$"):
        follow(problem, rates, **policy)
