"""The policy that knows only the tariff and the past."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crestfall.control import follow_rules
from crestfall.dispatch import Peak, Problem, Schedule, Status, Taper, optimise
from crestfall.plant import Converter, Segment
from crestfall.scenario.scenario_file import RulesPolicy
from crestfall.tariff import Rates
from parts import plant_with, rates_of
from small_problems import small_problem
from strategies import curved_modules, rack_banks, rows

DAY = 24
# A ceiling is a difference of numbers near 1,000 kW.
ROUNDING_KW = 1e-9
# check_feasible's own millionth of the largest number, here below 1,000.
FEASIBLE = 1e-3

# Between 21:00 and 24:00 and by day the price is too near the lowest to pay for the losses.
NIGHT_AND_EVENING = np.array([0.10] * 6 + [0.11] * 11 + [0.40] * 4 + [0.11] * 3)


@dataclass(frozen=True)
class Site:
    """One problem and the rates it was made from."""

    problem: Problem
    rates: Rates
    demand: tuple = ()
    first: str = "2025-01-01"

    def follow(self, **settings_) -> Schedule:
        return follow_rules(self.problem, self.rates, RulesPolicy(**settings_))


def site_of(load_kw, *, buy_per_kwh=0.2, sell_per_kwh=0.0, demand=(), first="2025-01-01", **plant) -> Site:
    """Return a site in hours; the billed peaks follow from the demand charges and the months."""
    n = len(load_kw)
    buy = np.broadcast_to(np.asarray(buy_per_kwh, dtype=float), n)
    rates = rates_of(buy, sell_per_kwh=sell_per_kwh, demand=demand, first=first)
    peaks = tuple(
        Peak(
            name=f"{charge.name}, {charge.measure.periods.names[p]}",
            rate_per_kw=charge.rate[p],
            steps=charge.measure.intervals_in(p),
        )
        for charge in rates.sheets[0].demand
        for p in charge.in_use
    )
    problem = small_problem(
        n, load_kw=load_kw, buy_per_kwh=buy, sell_per_kwh=sell_per_kwh, peaks=peaks, start_kwh=0.0, **plant
    )
    return Site(problem, rates, tuple(demand), first)


ONE_PEAK = ((10.0, None),)


@st.composite
def curves(draw) -> dict:
    """Draw the chords of 100 kVA of modules with curved losses, cooled racks, and any way of staging."""
    module = draw(curved_modules(switches_off_when_idle=draw(st.booleans())))
    plant = plant_with(converter=Converter.of(module, 2), bank=draw(rack_banks(most_kw=100.0)))
    return {"charge_segments": plant.charge_segments, "discharge_segments": plant.discharge_segments}


@st.composite
def sites(draw, *, convex: bool = False) -> Site:
    """Draw two to three days around a change of month, with PV, one or two demand charges, losses and a floor.

    In convex ones burning energy never pays, so that the optimum is quick to find.
    """
    days = draw(st.integers(2, 3))
    n = days * DAY
    floor = draw(st.integers(0, 30))
    levels = st.sampled_from([0.1, 0.12, 0.3] if convex else [-0.05, 0.0, 0.1, 0.12, 0.3])
    prices = np.concatenate([draw(st.lists(levels, min_size=4, max_size=4)) for _ in range(days)]).repeat(DAY // 4)
    evening = [t for t in range(n) if 17 <= t % DAY < 21]
    return site_of(
        draw(rows(n, 0, 200)),
        pv_kw=draw(st.one_of(st.just(np.zeros(n)), rows(n, 0, 250))),
        auxiliary_kw=draw(st.sampled_from([0.0, 1.5])),
        buy_per_kwh=prices,
        sell_per_kwh=draw(st.sampled_from([0.0, 0.08] if convex else [-0.02, 0.0, 0.08, 0.2])),
        demand=draw(st.sampled_from([(), ONE_PEAK, ((10.0, None), (5.0, evening))])),
        first="2025-01-31",
        charge_limit_kw=draw(st.integers(5, 100)),
        discharge_limit_kw=draw(st.integers(0, 100)),
        charge_frac=draw(st.sampled_from([1.0, 0.95, 0.8])),
        discharge_frac=draw(st.sampled_from([1.0, 0.95, 0.8])),
        keep_frac=draw(st.sampled_from([1.0, 0.9999, 0.99])),
        floor_kwh=floor,
        ceiling_kwh=floor + draw(st.integers(0, 300)),
        wear_per_kwh=draw(st.sampled_from([0.0, 0.05])),
        **draw(st.just({}) | curves()),
    )


policies = st.fixed_dictionaries(
    {
        "first_ceiling_kw": st.one_of(st.none(), st.integers(0, 200).map(float)),
        "month_start_frac": st.sampled_from([0.0, 0.5, 0.9, 1.0]),
        "reserve_frac": st.sampled_from([0.0, 0.5, 1.0]),
    }
)


def test_tapers_are_used_up_to_what_they_allow_at_the_end_of_each_step():
    """Filling by e = e0 + 50 - 0.5 e, emptying by e = e0 - (5 + 0.5 e), in hours; losses lie outside the store."""
    site = site_of(
        np.full(DAY, 200.0),
        buy_per_kwh=NIGHT_AND_EVENING,
        charge_taper=Taper(0.5, 50.0),
        discharge_taper=Taper(-0.5, 5.0),
        ceiling_kwh=100.0,
    )
    stored = site.follow().stored_kwh
    filled = 100 * (1 - (2 / 3) ** np.arange(1, 7))
    np.testing.assert_allclose(stored[:6], filled, rtol=1e-12)
    emptied = (filled[-1] + 10) * (2 / 3) ** np.arange(1, 5) - 10
    np.testing.assert_allclose(stored[17:21], emptied, rtol=1e-12)


@given(site=sites(), policy=policies, now=st.integers(1, 47), seed=st.integers(0, 2**32 - 1))
def test_decisions_do_not_depend_on_load_and_pv_to_come(site, policy, now, seed):
    draw, n = np.random.default_rng(seed), site.problem.n_steps
    load, pv = site.problem.load_kw.copy(), site.problem.pv_kw.copy()
    load[now:], pv[now:] = draw.uniform(0, 400, n - now), draw.uniform(0, 400, n - now)
    otherwise = replace(site, problem=replace(site.problem, load_kw=load, pv_kw=pv))
    known, other = site.follow(**policy), otherwise.follow(**policy)
    for name in ("charge_kw", "discharge_kw", "stored_kwh", "import_kw", "export_kw"):
        np.testing.assert_array_equal(getattr(known, name)[:now], getattr(other, name)[:now])


@given(site=sites(), policy=policies, cut=st.integers(1, 23))
def test_data_that_end_earlier_give_the_same_decisions_until_then(site, policy, cut):
    """The day's prices are known at its start, so the data may end at any midnight."""
    n = DAY if cut < 12 else 2 * DAY
    assume(n < site.problem.n_steps)
    p = site.problem
    arrays = {name: value[:n] for name in p.__slots__ if isinstance(value := getattr(p, name), np.ndarray)}
    demand = tuple((rate, at if at is None else [step for step in at if step < n]) for rate, at in site.demand)
    rates = rates_of(p.buy_per_kwh[:n], sell_per_kwh=p.sell_per_kwh[0], demand=demand, first=site.first)
    short = Site(replace(p, peaks=(), **arrays), rates)
    np.testing.assert_array_equal(short.follow(**policy).stored_kwh, site.follow(**policy).stored_kwh[:n])


@given(site=sites(), policy=policies, price=st.sampled_from([-0.1, 0.05, 0.9]))
def test_decisions_do_not_depend_on_the_prices_of_later_days(site, policy, price):
    buy = site.problem.buy_per_kwh.copy()
    buy[DAY:] = price
    rates = rates_of(buy, sell_per_kwh=site.problem.sell_per_kwh[0], demand=site.demand, first=site.first)
    dearer = Site(replace(site.problem, buy_per_kwh=buy), rates)
    np.testing.assert_array_equal(dearer.follow(**policy).stored_kwh[:DAY], site.follow(**policy).stored_kwh[:DAY])


@given(site=sites(), policy=policies)
def test_plant_stays_within_its_limits(site, policy):
    schedule, p = site.follow(**policy), site.problem
    assert (schedule.charge_kw <= p.charge_limit_kw + FEASIBLE).all()
    assert (schedule.discharge_kw <= p.discharge_limit_kw + FEASIBLE).all()
    assert (schedule.stored_kwh <= p.ceiling_kwh + FEASIBLE).all()
    assert (schedule.stored_kwh >= p.floor_kwh - FEASIBLE).all()
    assert not (schedule.charge_kw * schedule.discharge_kw).any()


@given(site=sites(), policy=policies)
def test_stored_energy_is_never_exported(site, policy):
    schedule, p = site.follow(**policy), site.problem
    surplus = np.maximum(p.pv_kw - p.load_kw - p.auxiliary_kw, 0)
    assert (schedule.export_kw <= surplus + ROUNDING_KW).all()


@settings(max_examples=30)
@given(site=sites(convex=True), policy=policies)
def test_rules_never_beat_the_optimum_of_the_same_problem(site, policy):
    """Both begin at the floor and may end anywhere."""
    own = replace(site.problem, start_kwh=float(site.problem.floor_kwh[0]))
    ruled, best = site.follow(**policy).objective, optimise(own)
    assert ruled >= best.lower_bound - 1e-6 * max(1.0, abs(ruled))  # the solver's own share


def test_schedule_says_that_a_rule_made_it_and_proves_nothing():
    schedule = site_of(np.full(DAY, 50.0)).follow()
    assert schedule.status is Status.RULE
    assert schedule.lower_bound == -np.inf


def test_flat_tariff_without_demand_charge_and_pv_gives_no_action():
    load = 50 + 40 * np.sin(np.arange(3 * DAY))
    schedule = site_of(load).follow()
    assert not schedule.charge_kw.any()
    assert not schedule.discharge_kw.any()


def test_spread_that_does_not_pay_for_the_losses_gives_no_action():
    """0.22 is less than 0.20 / 0.9025 = 0.2216."""
    schedule = site_of(np.full(DAY, 50.0), buy_per_kwh=[0.20] * 12 + [0.22] * 12).follow()
    assert not schedule.charge_kw.any()


def test_spread_that_pays_for_the_losses_but_not_for_the_wear_gives_no_action():
    prices = [0.20] * 12 + [0.23] * 12
    assert site_of(np.full(DAY, 50.0), buy_per_kwh=prices).follow().charge_kw.any()
    assert not site_of(np.full(DAY, 50.0), buy_per_kwh=prices, wear_per_kwh=0.01).follow().charge_kw.any()


def test_store_is_filled_at_the_lowest_price_and_serves_the_dear_hours():
    """100 kW fill 200 kWh in 200 / 95 h, the load of 50 kW takes 190 kWh AC out from 17:00 on."""
    schedule = site_of(np.full(DAY, 50.0), buy_per_kwh=NIGHT_AND_EVENING).follow()
    expected_charge = np.zeros(DAY)
    expected_charge[:3] = 100, 100, (200 - 190) / 0.95
    expected_discharge = np.zeros(DAY)
    expected_discharge[17:21] = 50, 50, 50, 40
    np.testing.assert_allclose(schedule.charge_kw, expected_charge, atol=ROUNDING_KW)
    np.testing.assert_allclose(schedule.discharge_kw, expected_discharge, atol=ROUNDING_KW)


def test_negative_price_is_a_time_to_charge():
    """At -0.05 the store fills, although burning what it holds would pay as well."""
    schedule = site_of(np.full(DAY, 50.0), buy_per_kwh=[-0.05] * 6 + [0.2] * 18).follow()
    assert schedule.stored_kwh[5] == pytest.approx(200.0, abs=ROUNDING_KW)
    assert not schedule.discharge_kw[:6].any()


def test_negative_flat_price_gives_no_action():
    schedule = site_of(np.full(DAY, 50.0), buy_per_kwh=-0.05).follow()
    assert not schedule.charge_kw.any()
    assert not schedule.discharge_kw.any()


# The peak-shaving day with a known optimum: 400 kW and two hours at 700, 200 kW and 300 kWh at 0.95.
SHAVING_DAY = {
    "load_kw": [400.0] * 8 + [700.0] * 2 + [400.0] * 14,
    "demand": ONE_PEAK,
    "charge_limit_kw": 200.0,
    "discharge_limit_kw": 200.0,
    "ceiling_kwh": 300.0,
}


def test_textbook_day_is_shaved_exactly_to_the_given_ceiling():
    """700 - 300 x 0.95 / 2 = 557.5, the closed form of the lowest peak; the night fills the store under it."""
    schedule = site_of(**SHAVING_DAY).follow(first_ceiling_kw=557.5, reserve_frac=1.0)
    assert schedule.import_kw.max() == pytest.approx(557.5, abs=ROUNDING_KW)
    np.testing.assert_allclose(schedule.import_kw[8:10], 557.5, atol=ROUNDING_KW)
    assert schedule.stored_kwh[9] == pytest.approx(0.0, abs=ROUNDING_KW)


def test_ceiling_below_what_the_store_holds_fails_by_the_missing_energy():
    """At 550 kW the two hours need 300 kWh AC; 285 are there: the second hour ends 15 kW above."""
    schedule = site_of(**SHAVING_DAY).follow(first_ceiling_kw=550.0, reserve_frac=1.0)
    np.testing.assert_allclose(schedule.import_kw[8:10], [550, 565], atol=ROUNDING_KW)


def test_ceiling_left_out_begins_at_the_import_of_the_first_step():
    """No recharge fits under 400 kW, so the first hour of the peak passes whole and is the ceiling from then on."""
    schedule = site_of(**SHAVING_DAY).follow()
    np.testing.assert_allclose(schedule.import_kw[:10], SHAVING_DAY["load_kw"][:10], atol=ROUNDING_KW)


def two_months(**changes) -> Site:
    """Two days of January and one of February; the hours of the plateau need what an empty store cannot give."""
    load = np.full(3 * DAY, 100.0)
    load[10] = 180.0  # raises the ceiling, for the store is empty
    load[34] = 230.0
    load[2 * DAY + 12 : 2 * DAY + 14] = 170.0
    return site_of(load, **{"demand": ONE_PEAK, "first": "2025-01-30", "charge_limit_kw": 40.0} | changes)


def test_raised_ceiling_holds_for_the_rest_of_the_month():
    """First 100, then 180: under it 100 kWh are restored, and the 230 of the next day are cut to 180."""
    schedule = two_months().follow(first_ceiling_kw=100.0)
    assert schedule.import_kw[10] == 180.0
    assert schedule.import_kw[34] == pytest.approx(180.0, abs=ROUNDING_KW)


@pytest.mark.parametrize("frac", [0.6, 0.75, 0.9])
def test_new_month_begins_at_a_share_of_the_last_ceiling(frac):
    """From 180 kW; at 0.6 the two hours at 170 need 124 kWh of the 190 that a full store gives."""
    schedule = two_months().follow(first_ceiling_kw=100.0, month_start_frac=frac, reserve_frac=1.0)
    np.testing.assert_allclose(schedule.import_kw[2 * DAY + 12 : 2 * DAY + 14], frac * 180, atol=ROUNDING_KW)


def test_month_that_starts_at_the_whole_ceiling_leaves_lower_loads_alone():
    schedule = two_months().follow(first_ceiling_kw=100.0, month_start_frac=1.0)
    assert not schedule.discharge_kw[2 * DAY :].any()


@given(load=rows(3 * DAY, 0, 200), ceiling=st.integers(0, 200))
def test_nothing_is_charged_above_the_highest_import_of_the_month_or_the_first_ceiling(load, ceiling):
    """Charging never makes a new peak: import with charge stays below what the month has seen or been given."""
    schedule = site_of(load, demand=ONE_PEAK, buy_per_kwh=np.tile(NIGHT_AND_EVENING, 3), first="2025-01-02").follow(
        first_ceiling_kw=float(ceiling)
    )
    seen = np.maximum.accumulate(np.concatenate(([float(ceiling)], schedule.import_kw)))[:-1]
    charging = schedule.charge_kw > ROUNDING_KW
    assert (schedule.import_kw[charging] <= seen[charging] + ROUNDING_KW).all()


def site_with_curves(load_kw, **changes) -> Site:
    prices = np.tile(NIGHT_AND_EVENING, len(load_kw) // DAY)
    return site_of(load_kw, demand=ONE_PEAK, buy_per_kwh=prices, first="2025-01-02", **changes)


@given(load=rows(3 * DAY, 0, 200), ceiling=st.integers(0, 200), curve=curves(), limit=st.sampled_from([120.0, np.inf]))
def test_charging_with_its_cooling_stays_below_the_ceiling(load, ceiling, curve, limit):
    """Nothing is lost by standing here: making that good is the one charge that no ceiling stops."""
    site = site_with_curves(load, import_limit_kw=limit, **curve)
    schedule = site.follow(first_ceiling_kw=float(ceiling))
    seen = np.maximum.accumulate(np.concatenate(([float(ceiling)], schedule.import_kw)))[:-1]
    charging = schedule.charge_kw > ROUNDING_KW
    assert (schedule.import_kw[charging] <= np.minimum(seen, limit)[charging] + ROUNDING_KW).all()


@given(load=rows(3 * DAY, 0, 200), ceiling=st.integers(0, 200), curve=curves())
def test_a_peak_is_cut_to_the_ceiling_whatever_its_discharge_draws_for_cooling(load, ceiling, curve):
    """Where the store holds enough and cooling does not take all that is gained, import is the ceiling itself."""
    assume(all(segment.cooling_frac < 1 for segment in curve["discharge_segments"]))
    site = site_with_curves(load, discharge_limit_kw=80.0, **curve)
    schedule = site.follow(first_ceiling_kw=float(ceiling))
    seen = np.maximum.accumulate(np.concatenate(([float(ceiling)], schedule.import_kw)))[:-1]
    able = (load > seen) & (schedule.stored_kwh > 1e-6) & (schedule.discharge_kw < 80.0 - 1e-6)
    np.testing.assert_allclose(schedule.import_kw[able], seen[able], atol=1e-6)


def test_cooling_is_part_of_what_a_ceiling_counts():
    """A quarter of the charge and a fifth of the discharge go into cooling.

    Under 100 kW with a load of 50 there is room for 40 kW of charge; a load of 140 needs 50 kW to come down to 100.
    """
    load = np.full(DAY, 50.0)
    load[18] = 140.0
    site = site_of(
        load,
        demand=ONE_PEAK,
        buy_per_kwh=NIGHT_AND_EVENING,
        charge_segments=(Segment(100.0, 1.0, 0.25),),
        discharge_segments=(Segment(100.0, 1.0, 0.2),),
    )
    schedule = site.follow(first_ceiling_kw=100.0, reserve_frac=1.0)
    np.testing.assert_allclose(schedule.charge_kw[:5], 40.0)
    np.testing.assert_allclose(schedule.import_kw[:5], 100.0)
    assert schedule.discharge_kw[18] == pytest.approx(50.0)
    assert schedule.import_kw[18] == pytest.approx(100.0)


def test_a_price_that_pays_for_half_the_power_only_is_used_at_half_the_power():
    """0.20 / 0.9 are 0.222: 0.23 an hour pay for the first 50 kW; behind 0.8 the others would need 0.25."""
    segments = (Segment(50.0, 0.9, 0.0), Segment(50.0, 0.8, 0.0))
    keys = {"charge_segments": (Segment(100.0, 1.0, 0.0),), "discharge_segments": segments}
    load = np.full(DAY, 100.0)
    for dear, power in ((0.22, 0.0), (0.23, 50.0), (0.26, 100.0)):
        schedule = site_of(load, buy_per_kwh=[0.20] * 12 + [dear] * 12, **keys).follow()
        assert schedule.discharge_kw[12] == pytest.approx(power, abs=ROUNDING_KW), dear
        assert schedule.charge_kw.any() == (power > 0), dear


def test_a_spread_has_to_pay_for_cooling_too():
    """A tenth of the charge for cooling: 0.20 x 1.1 = 0.22."""
    keys = {"charge_segments": (Segment(100.0, 1.0, 0.1),), "discharge_segments": (Segment(100.0, 1.0, 0.0),)}
    for dear, acts in ((0.219, False), (0.221, True)):
        site = site_of(np.full(DAY, 50.0), buy_per_kwh=[0.20] * 12 + [dear] * 12, **keys)
        assert site.follow().charge_kw.any() == acts, dear


def test_surplus_is_stored_at_the_power_at_which_it_is_worth_more_than_its_export():
    """Bought at 0.20, it is worth 0.18 behind the first chord and 0.14 behind the second; exported it earns 0.15."""
    pv = np.zeros(DAY)
    pv[12] = 150.0
    keys = {
        "charge_segments": (Segment(50.0, 0.9, 0.0), Segment(50.0, 0.7, 0.0)),
        "discharge_segments": (Segment(100.0, 1.0, 0.0),),
    }
    schedule = site_of(np.full(DAY, 50.0), pv_kw=pv, sell_per_kwh=0.15, **keys).follow()
    assert schedule.charge_kw[12] == pytest.approx(50.0, abs=ROUNDING_KW)
    assert schedule.export_kw[12] == pytest.approx(50.0, abs=ROUNDING_KW)


def test_demand_charge_with_a_window_has_a_ceiling_of_its_own():
    """The ceiling of 60 kW holds from 17:00 to 21:00 only; at noon 150 kW pass."""
    load = np.full(DAY, 50.0)
    load[12], load[18] = 150.0, 90.0
    site = site_of(load, demand=((10.0, list(range(17, 21))),))
    schedule = site.follow(first_ceiling_kw=60.0, reserve_frac=0.5)
    assert schedule.import_kw[12] == 150.0
    assert schedule.import_kw[18] == pytest.approx(60.0, abs=ROUNDING_KW)


def test_import_limit_acts_as_a_ceiling():
    load = np.full(DAY, 50.0)
    load[18] = 120.0
    schedule = site_of(load, import_limit_kw=80.0).follow(reserve_frac=0.5)
    assert schedule.import_kw.max() == pytest.approx(80.0, abs=ROUNDING_KW)


@pytest.mark.parametrize("reserve", [0.0, 0.25, 0.5, 1.0])
def test_reserve_is_not_discharged_for_the_price(reserve):
    """Full in the night; the evening empties it to the reserve of 200 kWh, but for what the load does not take."""
    site = site_of(np.full(DAY, 100.0), demand=ONE_PEAK, buy_per_kwh=NIGHT_AND_EVENING)
    schedule = site.follow(first_ceiling_kw=500.0, reserve_frac=reserve)
    assert schedule.stored_kwh[5] == pytest.approx(200.0, abs=ROUNDING_KW)
    assert schedule.stored_kwh[20] == pytest.approx(200.0 * reserve, abs=ROUNDING_KW)


def test_reserve_is_spent_on_a_peak():
    load = np.full(DAY, 100.0)
    load[19] = 180.0
    site = site_of(load, demand=ONE_PEAK, buy_per_kwh=NIGHT_AND_EVENING)
    schedule = site.follow(first_ceiling_kw=200.0, reserve_frac=1.0)
    assert not schedule.discharge_kw.any()
    lower = site.follow(first_ceiling_kw=130.0, reserve_frac=1.0)
    assert lower.discharge_kw[19] == pytest.approx(50.0, abs=ROUNDING_KW)


def test_no_reserve_is_kept_where_no_peak_costs_anything():
    schedule = site_of(np.full(DAY, 100.0), buy_per_kwh=NIGHT_AND_EVENING).follow(reserve_frac=1.0)
    assert schedule.stored_kwh[20] == pytest.approx(0.0, abs=ROUNDING_KW)


def test_surplus_is_stored_if_a_later_purchase_is_worth_more():
    """30 kW of surplus at noon for the evening; exported at 0.05, bought at 0.20."""
    pv = np.zeros(DAY)
    pv[12] = 80.0
    schedule = site_of(np.full(DAY, 50.0), pv_kw=pv, sell_per_kwh=0.05).follow()
    assert schedule.charge_kw[12] == pytest.approx(30.0, abs=ROUNDING_KW)
    assert not schedule.export_kw.any()


def test_surplus_is_exported_if_that_earns_more():
    """0.19 is more than 0.20 x 0.9025."""
    pv = np.zeros(DAY)
    pv[12] = 80.0
    schedule = site_of(np.full(DAY, 50.0), pv_kw=pv, sell_per_kwh=0.19).follow()
    assert not schedule.charge_kw.any()
    assert schedule.export_kw[12] == pytest.approx(30.0, abs=ROUNDING_KW)


def test_surplus_above_the_export_limit_is_curtailed():
    pv = np.zeros(DAY)
    pv[12] = 80.0
    site = site_of(
        np.full(DAY, 50.0),
        pv_kw=pv,
        sell_per_kwh=0.19,
        export_limit_kw=10.0,
        curtailable_kw=np.where(pv > 0, 20.0, 0.0),
    )
    schedule = site.follow()
    assert schedule.curtailed_kw[12] == pytest.approx(20.0, abs=ROUNDING_KW)
    assert schedule.export_kw[12] == pytest.approx(10.0, abs=ROUNDING_KW)


def test_store_at_its_floor_is_recharged_by_what_standing_costs():
    """20 kWh at 0.99 a step lose 0.2 kWh, which take 0.2 / 0.95 kW for an hour."""
    schedule = site_of(np.full(DAY, 50.0), floor_kwh=20.0, keep_frac=0.99).follow()
    np.testing.assert_allclose(schedule.charge_kw, 0.2 / 0.95, atol=ROUNDING_KW)
    np.testing.assert_allclose(schedule.stored_kwh, 20.0, atol=ROUNDING_KW)


def test_schedule_begins_at_the_floor():
    assert site_of(np.full(DAY, 50.0), floor_kwh=20.0).follow().start_kwh == 20.0


def test_no_battery_gives_the_meter_of_the_site():
    load = np.arange(DAY, dtype=float)
    nothing = site_of(load, demand=ONE_PEAK, charge_limit_kw=0, discharge_limit_kw=0, ceiling_kwh=0)
    np.testing.assert_array_equal(nothing.follow().import_kw, load)
