"""The controller on a plant with curved losses, tapers, cooling and weather: limits are kept, no energy is lost."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crestfall.dispatch import Curve, Schedule, Status, optimise
from crestfall.plant import Converter, EndTaper, Plant
from crestfall.replay import Replayed, replay
from crestfall.series import SiteSeries
from parts import LOSSLESS, around_of, plant_with, series_of
from small_problems import peak_over, small_problem
from strategies import curved_modules, module_with, rack_banks

KVADER = {"no_load_frac": 0.004, "proportional_frac": 0.006, "resistive_frac": 0.01}
ROUNDING_FRAC = 1e-8  # of the rating, a few times what a module is taken to carry above its own
whole = settings(max_examples=60)


def plan_of(plant: Plant, series: SiteSeries, stored_kwh, *, start_kwh: float) -> Schedule:
    """Return the schedule that takes the store from one content to the next, as the chords see it."""
    h, stored = series.step_h, np.asarray(stored_kwh, dtype=float)
    flow = (stored - plant.keep_frac(h) * np.concatenate(([start_kwh], stored[:-1]))) / h
    charging, discharging = Curve.charging(plant.charge_segments), Curve.discharging(plant.discharge_segments)
    charge = charging.at_terminals(np.maximum(flow, 0.0))
    discharge = discharging.at_terminals(np.maximum(-flow, 0.0))
    cooling = charging.cooling_kw(charge) + discharging.cooling_kw(discharge)
    auxiliary = plant.auxiliary_kw(series.temperature_c, series.n_steps)
    net = series.load_kw + auxiliary + cooling + charge - discharge - series.pv_kw
    return Schedule(
        charge_kw=charge,
        discharge_kw=discharge,
        stored_kwh=stored,
        start_kwh=start_kwh,
        curtailed_kw=np.zeros(len(stored)),
        import_kw=np.maximum(net, 0),
        export_kw=np.maximum(-net, 0),
        objective=0.0,
        lower_bound=-np.inf,
        status=Status.RULE,
    )


def curved_plant(**changes) -> Plant:
    """Return 100 kVA of modules with the demo's losses behind 200 kWh of racks, but for the changes."""
    keys = changes.pop("module", {})
    converter = Converter.of(module_with(loss=KVADER, **keys), 2)
    return plant_with(converter=converter, **changes)


@st.composite
def tapers(draw, *, low: float, high: float) -> EndTaper | None:
    return draw(st.none() | st.builds(EndTaper, st.floats(low, high), st.sampled_from([0.0, 0.3, 1.0])))


@st.composite
def plants(draw) -> Plant:
    """Draw a plant of 200 kWh with all that can be lost and limited."""
    least = draw(st.sampled_from([0.0, 0.1]))
    module = draw(curved_modules(minimum_load_frac=least, switches_off_when_idle=draw(st.booleans())))
    modules = draw(st.integers(1, 4))
    return plant_with(
        converter=Converter.of(module, modules),
        rating_kva=50.0 * modules,
        bank=draw(rack_banks(most_kw=200.0)),
        floor_kwh=20.0,
        ceiling_kwh=180.0,
        into_limit_kw=draw(st.sampled_from([50.0, 100.0, 200.0])),
        outof_limit_kw=draw(st.sampled_from([50.0, 100.0, 200.0])),
        charge_taper=draw(tapers(low=100.0, high=170.0)),
        discharge_taper=draw(tapers(low=30.0, high=90.0)),
        self_discharge_per_h=draw(st.sampled_from([0.0, 1e-5, 1e-3])),
        standby_kw=draw(st.sampled_from([0.0, 0.7])),
        thermal_c=np.array([-10.0, 20.0]),
        thermal_kw=np.array([1.5, 0.1]),
        derating_c=np.array([-15.0, 40.0, 50.0]),
        derating_frac=np.array([1.0, 1.0, 0.5]),
    )


@st.composite
def missions(draw):
    """Draw a plant, a site in any weather, any plan of the store within its window, and peaks to keep."""
    plant, n = draw(plants()), draw(st.integers(1, 24))

    def values(low, high):
        return np.array(draw(st.lists(st.floats(low, high), min_size=n, max_size=n)))

    series = series_of(values(0, 300), pv_kw=values(0, 100), step_h=draw(st.sampled_from([0.25, 1.0])))
    series = replace(series, temperature_c=values(-25, 60))
    stored = draw(st.one_of(st.just(np.full(n, 100.0)), st.just(values(20, 180))))
    schedule = plan_of(plant, series, stored, start_kwh=draw(st.floats(20, 180)))
    return plant, series, schedule, draw(st.sampled_from([0.0, 100.0, 250.0, np.inf]))


def done_of(mission) -> Replayed:
    plant, series, schedule, target_kw = mission
    return replay(plant, series, schedule, around_of(plant, series, import_target_kw=target_kw))


# --- laws -------------------------------------------------------------------------------------------------------------


@whole
@given(mission=missions())
def test_no_energy_is_lost_from_sight(mission):
    energy = done_of(mission).energy
    through = energy.import_kwh + energy.pv_kwh + energy.charged_kwh + energy.discharged_kwh
    assert abs(energy.residual_kwh) <= 1e-9 * through + 1e-9


@whole
@given(mission=missions())
def test_flows_and_store_follow_the_true_curves_step_by_step(mission):
    (plant, series, schedule, _), done = mission, done_of(mission)
    content, h = schedule.start_kwh, series.step_h
    for t in range(series.n_steps):
        charge, discharge = done.charge_kw[t : t + 1], done.discharge_kw[t : t + 1]
        content *= (1 - plant.self_discharge_per_h) ** h
        content += h * float(plant.into_store_kw(charge)[0] - plant.out_of_store_kw(discharge)[0])
        assert done.stored_kwh[t] == pytest.approx(content, abs=1e-8)
    assert not np.minimum(done.charge_kw, done.discharge_kw).any()
    assert not np.minimum(done.import_kw, done.export_kw).any()


@whole
@given(mission=missions())
def test_store_stays_in_its_window(mission):
    (plant, series, schedule, _), done = mission, done_of(mission)
    slack = ROUNDING_FRAC * plant.rating_kva * series.n_steps * series.step_h
    # An empty store that stands still loses by itself, and what it loses may lie inside the deadband.
    least = np.minimum(plant.floor_kwh, schedule.stored_kwh) - 0.005 * plant.usable_kwh
    lost = 200 * (1 - plant.keep_frac(series.step_h * series.n_steps))
    assert (done.stored_kwh <= plant.ceiling_kwh + slack).all()
    assert (done.stored_kwh >= least - lost - slack).all()


@whole
@given(mission=missions())
def test_power_keeps_rating_weather_racks_and_taper(mission):
    (plant, series, schedule, _), done = mission, done_of(mission)
    slack = ROUNDING_FRAC * plant.rating_kva
    limit_kw = plant.rating_kva * plant.available_frac(series.temperature_c, series.n_steps)
    assert (done.charge_kw <= limit_kw + 1e-9).all()
    assert (done.discharge_kw <= limit_kw + 1e-9).all()
    before = np.concatenate(([schedule.start_kwh], done.stored_kwh[:-1]))
    full, empty = plant.charge_taper, plant.discharge_taper
    left_in, left_out = np.ones(series.n_steps), np.ones(series.n_steps)
    if full is not None:
        left_in = np.interp(before, [full.from_kwh, plant.ceiling_kwh], [1.0, full.at_end_frac])
    if empty is not None:
        left_out = np.interp(before, [plant.floor_kwh, empty.from_kwh], [empty.at_end_frac, 1.0])
    assert (plant.into_store_kw(done.charge_kw) <= plant.into_limit_kw * left_in + slack).all()
    assert (plant.out_of_store_kw(done.discharge_kw) <= plant.outof_limit_kw * left_out + slack).all()


@whole
@given(mission=missions())
def test_charging_never_lifts_import_above_plan_and_target(mission):
    (plant, _, schedule, target_kw), done = mission, done_of(mission)
    cap = np.maximum(schedule.import_kw, target_kw) + ROUNDING_FRAC * plant.rating_kva
    charging = done.charge_kw > 0
    assert (done.import_kw[charging] <= cap[charging]).all()


@whole
@given(mission=missions())
def test_nothing_is_exported_that_was_not_to_be(mission):
    plant, _, schedule, _ = mission
    done = done_of(mission)
    silent = (done.discharge_kw > 0) & (schedule.export_kw == 0)
    assert (done.export_kw[silent] <= ROUNDING_FRAC * plant.rating_kva).all()


@whole
@given(mission=missions())
def test_running_modules_carry_their_least_load(mission):
    plant, done = mission[0], done_of(mission)
    power = done.charge_kw + done.discharge_kw
    least_kw = plant.converter.minimum_load_frac * plant.converter.rating_kva
    assert (power[power > 0] >= least_kw).all()


# --- worked cases -----------------------------------------------------------------------------------------------------


def test_what_the_taper_forbids_is_clipped_and_caught_up_later():
    """From 150 kWh a rack of 100 kW falls to 20 kW at 200: at 175 kWh there are 60 kW left, not the 70 of this plan.

    Lossless: the first quarter of the plan fits (100 kW from 150 to 175 kWh); the second moves 60 kW x 0.25 h = 15 of
    17.5 kWh; 2.5 kWh are missed, and caught up in the third, in which the plan takes 2.5 kWh itself.
    """
    taper = EndTaper(150.0, 0.2)
    plant = plant_with(**LOSSLESS, into_limit_kw=100.0, charge_taper=taper)
    series = series_of(np.zeros(5), step_h=0.25)
    plan = plan_of(plant, series, [175.0, 192.5, 195.0, 195.0, 195.0], start_kwh=150.0)
    done = replay(plant, series, plan, around_of(plant, series))
    # 190 kWh leave 100 x (1 - 0.8 x 40 / 50) = 36 kW, and 5 kWh in a quarter take 20.
    assert done.stored_kwh == pytest.approx([175.0, 190.0, 195.0, 195.0, 195.0], abs=1e-9)
    assert done.energy.clipped_kwh == pytest.approx(2.5, abs=1e-9)
    assert done.energy.drift_kwh == pytest.approx(2.5, abs=1e-9)


def test_what_the_taper_towards_empty_forbids_is_clipped():
    """100 kW fall to half between 40 kWh and 0: 75 kW are left at 20 kWh, which gives 18.75 of 20 kWh in a quarter."""
    plant = plant_with(**LOSSLESS, outof_limit_kw=100.0, discharge_taper=EndTaper(40.0, 0.5))
    series = series_of(np.full(2, 500.0), step_h=0.25)
    plan = plan_of(plant, series, [0.0, 0.0], start_kwh=20.0)
    done = replay(plant, series, plan, around_of(plant, series))
    assert done.stored_kwh[0] == pytest.approx(1.25, abs=1e-9)
    assert done.energy.clipped_kwh == pytest.approx(1.25, abs=1e-9)


def test_catching_up_waits_until_there_is_room_below_the_planned_peak():
    """20 kWh are missed in a derated hour. The next has 5 kW of room below the peak of 100, then there is plenty."""
    plant = plant_with(**LOSSLESS)
    series = series_of([50.0, 95.0, 10.0, 10.0])
    plan = plan_of(plant, series, [50.0, 50.0, 50.0, 50.0], start_kwh=0.0)
    around = around_of(plant, series, charge_limit_kw=[30.0, 100.0, 100.0, 100.0], import_target_kw=100.0)
    done = replay(plant, series, plan, around)
    assert done.charge_kw == pytest.approx([30, 5, 15, 0], abs=1e-6)
    assert done.import_kw.max() == pytest.approx(100.0, abs=1e-6)
    assert done.energy.clipped_kwh == pytest.approx(20.0, abs=1e-6)


def test_cooling_counts_when_room_below_the_peak_is_used_for_catching_up():
    """Racks lose a tenth of what is charged and cooling draws half of that: 10 kW of room are 9.52 kW of charge."""
    plant = plant_with(**LOSSLESS)
    plant = replace(plant, bank=replace(plant.bank, charge_frac=0.9, cooling_frac=0.5))
    series = series_of([50.0, 90.0])
    plan = plan_of(plant, series, [45.0, 45.0], start_kwh=0.0)
    around = around_of(plant, series, charge_limit_kw=[0.0, 100.0], import_target_kw=100.0)
    done = replay(plant, series, plan, around)
    assert done.charge_kw[1] == pytest.approx(10 / 1.05, rel=1e-9)
    assert done.import_kw[1] == pytest.approx(100.0, rel=1e-9)


def optimum_on(plant: Plant, series: SiteSeries, **changes) -> Schedule:
    """Return the optimum of a site with cheap and dear hours and a billed peak."""
    n = series.n_steps
    problem = small_problem(
        n,
        step_h=series.step_h,
        load_kw=series.load_kw,
        auxiliary_kw=plant.auxiliary_kw(None, n),
        buy_per_kwh=np.where(np.arange(n) % 24 < 12, 0.1, 0.3),
        charge_limit_kw=plant.rating_kva,
        discharge_limit_kw=plant.rating_kva,
        into_limit_kw=plant.into_limit_kw,
        outof_limit_kw=plant.outof_limit_kw,
        charge_segments=plant.charge_segments,
        discharge_segments=plant.discharge_segments,
        keep_frac=plant.keep_frac(series.step_h),
        floor_kwh=plant.floor_kwh,
        ceiling_kwh=plant.ceiling_kwh,
        peaks=(peak_over(*range(n)),),
        **changes,
    )
    return optimise(problem)


def two_days() -> SiteSeries:
    return series_of(60 + 50 * np.sin(np.arange(48) / 3.0) ** 2)


def test_constant_efficiencies_repeat_the_plan():
    plant, series = plant_with(standby_kw=0.5, self_discharge_per_h=1e-5), two_days()
    plan = optimum_on(plant, series)
    done = replay(plant, series, plan, around_of(plant, series))
    assert plan.discharge_kw.sum() > 100
    for flow in ("charge_kw", "discharge_kw", "import_kw", "stored_kwh"):
        assert getattr(done, flow) == pytest.approx(getattr(plan, flow), abs=1e-6 * 200), flow
    assert done.energy.clipped_kwh == 0


def test_curved_losses_need_no_more_than_planned_for_the_same_store():
    plant, series = curved_plant(standby_kw=0.5), two_days()
    plan = optimum_on(plant, series)
    done = replay(plant, series, plan, around_of(plant, series, import_target_kw=plan.import_kw.max()))
    assert done.energy.drift_kwh < 1e-3
    assert done.import_kw.max() <= plan.import_kw.max() + 1e-4
    assert 0.97 * plan.import_kw.sum() < done.import_kw.sum() <= plan.import_kw.sum()


def test_halving_the_step_changes_the_energies_of_a_year_by_less_than_a_permille():
    """A year of daily cycles; only the tapers, read at the start of a step, depend on its length."""
    plant = curved_plant(
        self_discharge_per_h=2e-5,
        standby_kw=0.5,
        charge_taper=EndTaper(176.0, 0.4),
        discharge_taper=EndTaper(24.0, 0.5),
        bank=replace(plant_with().bank, square_per_kw=1e-4, cooling_frac=0.3),
    )
    day = np.interp(np.arange(24) + 1.0, [0, 6, 12, 17, 21, 24], [40, 190, 190, 10, 40, 40])
    hours = np.tile(day, 365)
    halves = np.interp(np.arange(1, 2 * 8760 + 1) / 2, np.arange(8761), np.concatenate(([40.0], hours)))
    accounts = []
    for step_h, stored in ((1.0, hours), (0.5, halves)):
        series = series_of(np.full(len(stored), 80.0), step_h=step_h)
        plan = plan_of(plant, series, stored, start_kwh=40.0)
        accounts.append(replay(plant, series, plan, around_of(plant, series)).energy)
    for name in ("import_kwh", "charged_kwh", "discharged_kwh", "out_of_store_kwh", "auxiliary_kwh"):
        coarse, fine = (getattr(account, name) for account in accounts)
        assert fine == pytest.approx(coarse, rel=1e-3), name
    # Losses of modules and racks are small differences of large flows.
    for name in ("module_loss_kwh", "rack_loss_kwh", "standing_loss_kwh"):
        coarse, fine = (getattr(account, name) for account in accounts)
        assert fine == pytest.approx(coarse, rel=0.01), name


@st.composite
def smooth_missions(draw):
    """Draw a plant without jumps, a site, a plan that never stands still, a peak to keep, and parts of a step."""
    modules, n = draw(st.integers(1, 4)), draw(st.integers(1, 24))
    plant = plant_with(
        converter=Converter.of(draw(curved_modules()), modules),
        rating_kva=50.0 * modules,
        bank=draw(rack_banks(most_kw=200.0)),
        floor_kwh=20.0,
        ceiling_kwh=180.0,
        into_limit_kw=draw(st.sampled_from([20.0, 50.0, 100.0])),
        outof_limit_kw=draw(st.sampled_from([20.0, 50.0, 100.0])),
        charge_taper=draw(tapers(low=50.0, high=130.0)),
        discharge_taper=draw(tapers(low=70.0, high=150.0)),
        self_discharge_per_h=draw(st.sampled_from([0.0, 1e-5, 1e-3])),
    )
    load = np.array(draw(st.lists(st.floats(0, 300), min_size=n, max_size=n)))
    series = series_of(load, step_h=draw(st.sampled_from([0.25, 1.0])))
    stored = draw(st.lists(st.integers(20, 180), min_size=n, max_size=n))
    schedule = plan_of(plant, series, stored, start_kwh=float(draw(st.integers(20, 180))))
    assume((schedule.charge_kw + schedule.discharge_kw > 0).all())
    return plant, series, schedule, draw(st.sampled_from([0.0, 100.0, np.inf])), draw(st.sampled_from([1, 2, 3]))


def moved_apart_kwh(plant: Plant, series: SiteSeries, done: Replayed, *, start_kwh: float, parts: int) -> float:
    """Return B of the docstring of `replay`: how far halves of the parts may move the store away."""
    part_h = series.step_h / parts
    held = np.concatenate(([start_kwh], done.stored_kwh[:-1]))
    before = held * plant.keep_frac(series.step_h)
    change = done.stored_kwh - before
    shares, tapered = [], []
    for taper, limit_kw, end_kwh in (
        (plant.charge_taper, plant.into_limit_kw, plant.ceiling_kwh),
        (plant.discharge_taper, plant.outof_limit_kw, plant.floor_kwh),
    ):
        slope = 0.0 if taper is None else limit_kw * (1 - taper.at_end_frac) / abs(end_kwh - taper.from_kwh)
        assert slope * part_h <= 2
        shares.append(slope * part_h / 4 + (1 - plant.keep_frac(part_h / 2)) / 2)
        tapered.append(slope * part_h / 4 * (held - before).sum())
    standstill_kwh = 2e-4 * series.step_h * series.n_steps  # below a tenth of a watt, or two, nothing flows
    return (
        shares[0] * np.maximum(change, 0).sum()
        + shares[1] * np.maximum(-change, 0).sum()
        + max(tapered)
        + standstill_kwh
    )


def steepest(plant: Plant) -> float:
    """Return the highest slope of AC power with cooling over power at the store."""
    power = np.linspace(0.0, plant.rating_kva, 20_001)
    cooled = plant.bank.cooling_frac * plant.rack_loss_kw(power, charging=True)
    charging = np.max(np.diff(power + cooled) / np.diff(plant.into_store_kw(power)))
    cooled = plant.bank.cooling_frac * plant.rack_loss_kw(power, charging=False)
    discharging = np.max((np.diff(power) + np.diff(cooled)) / np.diff(plant.out_of_store_kw(power)))
    return 1.001 * max(charging, discharging)  # a slope between points of the grid may be a little higher


@settings(max_examples=150)
@given(mission=smooth_missions())
def test_halving_the_step_changes_store_import_and_losses_by_less_than_the_bound(mission):
    plant, series, schedule, target_kw, parts = mission
    around = around_of(plant, series, import_target_kw=target_kw)
    coarse, fine = (replay(plant, series, schedule, around, substeps=n) for n in (parts, 2 * parts))
    apart_kwh = moved_apart_kwh(plant, series, coarse, start_kwh=schedule.start_kwh, parts=parts)
    assert np.abs(fine.stored_kwh - coarse.stored_kwh).max() <= apart_kwh + 1e-9
    most = 2 * steepest(plant) * apart_kwh
    lost = [account.module_loss_kwh + account.rack_loss_kwh for account in (coarse.energy, fine.energy)]
    assert abs(lost[1] - lost[0]) <= most + 1e-6
    assert abs(fine.energy.import_kwh - coarse.energy.import_kwh) <= most + 1e-6
    through = fine.energy.import_kwh + fine.energy.charged_kwh + fine.energy.discharged_kwh
    assert abs(fine.energy.residual_kwh) <= 1e-9 * through + 1e-9
    assert not np.minimum(fine.charge_kw, fine.discharge_kw).any()


def test_the_bound_of_halving_is_reached_by_a_taper():
    """From 150 kWh 100 kW fall to nothing at 200, 2 kW per kWh: a quarter moves 25 kWh, its halves 12.5 and 9.375.

    The bound is 2 x 0.25 / 4 of 25 kWh: the 3.125 that are missing.
    """
    plant = plant_with(**LOSSLESS, into_limit_kw=100.0, charge_taper=EndTaper(150.0, 0.0))
    series = series_of([0.0], step_h=0.25)
    plan = plan_of(plant, series, [190.0], start_kwh=150.0)
    one, two = (replay(plant, series, plan, around_of(plant, series), substeps=n) for n in (1, 2))
    assert one.stored_kwh.tolist() == pytest.approx([175.0], abs=1e-9)
    assert two.stored_kwh.tolist() == pytest.approx([171.875], abs=1e-9)
    assert two.charge_kw.tolist() == pytest.approx([87.5], abs=1e-9)
    assert moved_apart_kwh(plant, series, one, start_kwh=150.0, parts=1) == pytest.approx(3.125, abs=1e-4)


def test_parts_of_a_step_meter_its_mean():
    """30 kW of PV and modules that carry 20 kW at least: 10 kW of surplus are stored in the second half, as 20."""
    plant = plant_with(**LOSSLESS)
    plant = replace(plant, converter=replace(plant.converter, minimum_load_frac=0.2))
    series = series_of([20.0], pv_kw=30.0)
    plan = plan_of(plant, series, [10.0], start_kwh=0.0)
    done = replay(plant, series, plan, around_of(plant, series), substeps=2)
    assert done.charge_kw.tolist() == pytest.approx([10.0])
    assert done.import_kw.tolist() == done.export_kw.tolist() == pytest.approx([0.0], abs=1e-9)
    assert done.energy.clipped_kwh == 0.0


def test_derating_to_nothing_stops_the_plant():
    plant = plant_with(derating_c=np.array([-20.0, 45.0]), derating_frac=np.ones(2))
    series = replace(series_of(np.full(4, 50.0)), temperature_c=np.array([20.0, 46.0, -21.0, 20.0]))
    plan = plan_of(plant, series, [40.0, 80.0, 40.0, 80.0], start_kwh=0.0)
    done = replay(plant, series, plan, around_of(plant, series))
    assert (done.charge_kw + done.discharge_kw)[1:3].tolist() == [0, 0]
    assert done.stored_kwh == pytest.approx([40, 40, 40, 80], abs=1e-9)
    assert done.energy.clipped_kwh == pytest.approx(80.0, abs=1e-9)


def test_power_below_the_least_load_stands_still_and_is_made_good_at_once_when_it_is_enough():
    """Least load 10 kW: 6 kWh an hour are too little, after two hours 12 kWh are enough."""
    plant = plant_with(**LOSSLESS)
    plant = replace(plant, converter=replace(plant.converter, minimum_load_frac=0.1))
    series = series_of(np.full(4, 50.0))
    plan = plan_of(plant, series, [6.0, 12.0, 18.0, 24.0], start_kwh=0.0)
    done = replay(plant, series, plan, around_of(plant, series))
    assert done.charge_kw == pytest.approx([0, 12, 0, 12], abs=1e-9)


def test_store_strays_by_no_more_than_the_deadband_while_the_plan_stands_still():
    """A plan that knows of no standing loss; the plant loses 0.1 % an hour of 100 kWh and is topped up every tenth."""
    plant = plant_with(self_discharge_per_h=1e-3)
    series = series_of(np.full(200, 50.0))
    still = replace(
        plan_of(plant, series, np.full(200, 100.0), start_kwh=100.0),
        charge_kw=np.zeros(200),
        discharge_kw=np.zeros(200),
    )
    done = replay(plant, series, still, around_of(plant, series))
    assert np.abs(done.stored_kwh - 100.0).max() <= 0.005 * plant.usable_kwh
    assert np.flatnonzero(done.charge_kw).tolist() == list(range(10, 200, 11))


def test_what_is_held_back_for_the_export_limit_follows_the_true_flows():
    """40 kW of PV, an export limit of 15: without the planned charge of 20 kW, 25 must be held back."""
    plant = plant_with(**LOSSLESS)
    series = series_of([0.0], pv_kw=40.0)
    plan = replace(
        plan_of(plant, series, [20.0], start_kwh=0.0), curtailed_kw=np.array([5.0]), export_kw=np.full(1, 15.0)
    )
    done = replay(plant, series, plan, around_of(plant, series, export_limit_kw=15.0, charge_limit_kw=0.0))
    assert done.curtailed_kw.tolist() == [25.0]
    assert done.export_kw.tolist() == [15.0]
