"""The account of all energy: every loss from its own cause, and nothing left over."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.dispatch import Schedule, Status
from crestfall.plant._plant import HOURS_PER_MONTH
from crestfall.replay import EnergyAccount, replay
from parts import LOSSLESS, around_of, plant_with, series_of

shares = st.sampled_from([1.0, 0.99, 0.95, 0.8])


def run_by_hand(plant, series, power_kw, *, start_kwh: float) -> Schedule:
    """Return the schedule of a power for each step, charge positive, with the store stepped in plain Python."""
    h, stored, content = series.step_h, [], start_kwh
    for power in power_kw:
        content = stepped_by_hand(plant, content, power, h)
        stored.append(content)
    power = np.array(power_kw, dtype=float)
    net = series.load_kw + plant.standby_kw - series.pv_kw + power
    return Schedule(
        charge_kw=np.maximum(power, 0),
        discharge_kw=np.maximum(-power, 0),
        stored_kwh=np.array(stored),
        start_kwh=start_kwh,
        curtailed_kw=np.zeros(len(power)),
        import_kw=np.maximum(net, 0),
        export_kw=np.maximum(-net, 0),
        objective=0.0,
        lower_bound=-np.inf,
        status=Status.RULE,
    )


def stepped_by_hand(plant, content_kwh: float, power_kw: float, step_h: float) -> float:
    """Return what is stored after a step of constant efficiencies."""
    into = power_kw * plant.charge_frac if power_kw > 0 else 0.0
    outof = -power_kw / plant.discharge_frac if power_kw < 0 else 0.0
    return content_kwh * (1 - plant.self_discharge_per_h) ** step_h + step_h * (into - outof)


def account_of(plant, series, schedule, **around) -> EnergyAccount:
    return replay(plant, series, schedule, around_of(plant, series, **around)).energy


@st.composite
def replays(draw):
    """Draw a plant with any constant losses, a site, and any flows one way at a time that its store has room for."""
    plant = plant_with(
        module_charge_frac=draw(shares),
        module_discharge_frac=draw(shares),
        rack_charge_frac=draw(shares),
        rack_discharge_frac=draw(shares),
        self_discharge_per_h=draw(st.sampled_from([0.0, 1e-4, 0.02])),
        standby_kw=draw(st.sampled_from([0.0, 0.7])),
    )
    n = draw(st.integers(1, 20))
    kilowatts = st.lists(st.floats(0, 1000), min_size=n, max_size=n)
    series = series_of(draw(kilowatts), pv_kw=draw(kilowatts), step_h=draw(st.sampled_from([0.25, 0.5, 1.0])))
    start = draw(st.floats(0, 200))
    power, content = [], start
    for wanted in draw(st.lists(st.floats(-100, 100), min_size=n, max_size=n)):
        after = stepped_by_hand(plant, content, wanted, series.step_h)
        # A power below a tenth of a watt is rounding to the controller, here as there.
        power.append(wanted if 0 <= after <= 200 and abs(wanted) > 1e-3 else 0.0)
        content = stepped_by_hand(plant, content, power[-1], series.step_h)
    return plant, series, run_by_hand(plant, series, power, start_kwh=start)


def throughput_kwh(account) -> float:
    return account.import_kwh + account.pv_kwh + account.charged_kwh + account.discharged_kwh


@given(case=replays())
def test_energy_in_is_energy_out_and_losses_and_change_in_store(case):
    account = account_of(*case)
    losses = account.module_loss_kwh + account.rack_loss_kwh + account.standing_loss_kwh + account.auxiliary_kwh
    energy_in = account.import_kwh + account.pv_kwh - account.curtailed_kwh
    energy_out = account.export_kwh + account.load_kwh
    # A millionth of what flowed; a watt-second where nothing did.
    assert energy_in == pytest.approx(
        energy_out + losses + account.change_in_store_kwh, abs=1e-6 * throughput_kwh(account) + 1e-9
    )


@given(case=replays())
def test_replayed_store_follows_a_true_plan(case):
    assert account_of(*case).drift_kwh <= 1e-9 * 2000  # rounding of up to 20 steps of 100 kW


@given(case=replays())
def test_replay_of_a_true_plan_repeats_its_flows(case):
    done = replay(*case, around_of(*case[:2]))
    for flow in ("charge_kw", "discharge_kw", "import_kw", "export_kw"):
        assert getattr(done, flow) == pytest.approx(getattr(case[2], flow), abs=1e-6), flow


@given(case=replays(), error=st.floats(0.5, 50))
def test_residual_shows_energy_that_the_meter_missed(case, error):
    whole = account_of(*case)
    short = replace(whole, import_kwh=whole.import_kwh + error)
    assert short.residual_kwh == pytest.approx(error, abs=1e-6 * throughput_kwh(whole) + 1e-9)


@given(case=replays(), error=st.floats(0.5, 50))
def test_meter_is_read_off_the_plant_and_not_off_the_plan(case, error):
    plant, series, schedule = case
    false = replace(schedule, import_kw=schedule.import_kw + np.eye(1, series.n_steps)[0] * error)
    assert account_of(plant, series, false).import_kwh == account_of(*case).import_kwh


@pytest.mark.parametrize("error_kwh", [0.9, -0.9])
def test_drift_is_the_distance_of_a_falsified_store(error_kwh):
    # The plan stands still there, and the store may stray by 0.5 % of 200 kWh.
    plant, series = plant_with(), series_of(np.full(4, 50.0))
    plan = run_by_hand(plant, series, [40, 0, -20, 0], start_kwh=10.0)
    false = replace(plan, stored_kwh=plan.stored_kwh + np.array([0, error_kwh, 0, 0]))
    assert account_of(plant, series, false).drift_kwh == pytest.approx(0.9, abs=1e-12)  # rounding


def test_drift_is_how_far_a_falsified_store_lies_outside_of_the_window():
    plant, series = plant_with(), series_of(np.full(4, 50.0))
    plan = run_by_hand(plant, series, [40, 0, -20, 0], start_kwh=10.0)
    false = replace(plan, stored_kwh=np.array([plan.stored_kwh[0], -3.0, *plan.stored_kwh[2:]]))
    assert account_of(plant, series, false).drift_kwh == pytest.approx(3.0, abs=1e-9)  # rounding


def test_drift_shows_a_plan_with_other_losses_than_the_plant():
    """40 kW at 0.98 plans 39.2 kWh; the plant stores 40 x 0.96 x 0.98 = 37.632 and may not draw more."""
    plan = run_by_hand(plant_with(module_charge_frac=1.0), series_of([0.0]), [40], start_kwh=0.0)
    account = account_of(plant_with(), series_of([0.0]), plan, import_target_kw=0.0)
    assert account.drift_kwh == pytest.approx(1.568, abs=1e-12)
    assert account.clipped_kwh == pytest.approx(1.568, abs=1e-12)


def test_closed_full_cycle_returns_the_product_of_all_efficiencies():
    """200 kWh in and out of the store at no standing loss: 0.96 x 0.98 x 0.97 x 0.95."""
    plant, series = plant_with(), series_of(np.zeros(8))
    plan = run_by_hand(plant, series, [50 / plant.charge_frac] * 4 + [-50 * plant.discharge_frac] * 4, start_kwh=0.0)
    account = account_of(plant, series, plan)
    assert account.change_in_store_kwh == pytest.approx(0.0, abs=1e-10)  # rounding of 200 kWh
    assert account.round_trip_frac == pytest.approx(0.96 * 0.98 * 0.97 * 0.95, rel=1e-12)


def test_losses_of_a_closed_cycle_are_worked_by_cause():
    """100 kWh in: 4 lost in modules, 1.92 in racks; 94.08 out: 2.8224 in racks, 4.56288 in modules."""
    plant, series = plant_with(), series_of(np.zeros(2))
    plan = run_by_hand(plant, series, [100, -94.08 * plant.discharge_frac], start_kwh=0.0)
    account = account_of(plant, series, plan)
    assert account.module_loss_kwh == pytest.approx(4 + 94.08 * 0.97 * 0.05, rel=1e-12)
    assert account.rack_loss_kwh == pytest.approx(96 * 0.02 + 94.08 * 0.03, rel=1e-12)
    assert account.out_of_store_kwh == pytest.approx(94.08, rel=1e-12)


def test_idle_store_loses_its_monthly_share_in_a_mean_month():
    """150 kWh at 2 % a month: 3 kWh in 730.5 h, whatever the step."""
    plant = plant_with(self_discharge_per_h=1 - 0.98 ** (1 / HOURS_PER_MONTH))
    half_hours = series_of(np.zeros(1461), step_h=0.5)
    account = account_of(plant, half_hours, run_by_hand(plant, half_hours, [0] * 1461, start_kwh=150.0))
    assert account.standing_loss_kwh == pytest.approx(3.0, rel=1e-9)  # rounding of 1,461 steps
    assert account.change_in_store_kwh == pytest.approx(-3.0, rel=1e-9)


def test_auxiliaries_run_in_every_step():
    plant, series = plant_with(standby_kw=0.5), series_of(np.zeros(48), step_h=0.25)
    account = account_of(plant, series, run_by_hand(plant, series, [0] * 48, start_kwh=0.0))
    assert account.auxiliary_kwh == pytest.approx(6.0, rel=1e-12)


def test_curtailed_energy_did_not_come_in():
    """30 kW of PV, 10 of load, 12 curtailed: 8 kW exported."""
    series = series_of([10.0, 10.0], pv_kw=30.0)
    plan = run_by_hand(plant_with(), series, [0, 0], start_kwh=0.0)
    plan = replace(plan, curtailed_kw=np.full(2, 12.0), export_kw=np.full(2, 8.0))
    account = account_of(plant_with(), series, plan)
    assert account.curtailed_kwh == 24.0
    assert account.export_kwh == 16.0
    assert account.residual_kwh == pytest.approx(0.0, abs=1e-12)  # rounding


def test_round_trip_of_a_battery_that_never_charged_is_left_open():
    plant, series = plant_with(**LOSSLESS), series_of([0.0])
    account = account_of(plant, series, run_by_hand(plant_with(), series, [0], start_kwh=0))
    assert account.round_trip_frac is None
    assert account.round_trip_with_auxiliaries_frac is None
