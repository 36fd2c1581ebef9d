"""Each way in which a schedule can be wrong is caught, with its rule, its step and its size."""

from dataclasses import replace

import numpy as np
import pytest

from crestfall.dispatch import Schedule, Status, check_feasible
from crestfall.errors import SolverError
from small_problems import small_problem

# Worked by hand: 10 kW into the store at 0.8, kept for a step, 4 kW taken out at 0.5; PV of 30 kW meets 12 kW of load.
PROBLEM = small_problem(
    3,
    load_kw=[5, 12, 6],
    pv_kw=[0, 30, 0],
    curtailable_kw=[0, 8, 0],
    buy_per_kwh=0.2,
    sell_per_kwh=0.1,
    import_limit_kw=20.0,
    export_limit_kw=15.0,
    charge_limit_kw=12.0,
    discharge_limit_kw=6.0,
    charge_frac=0.8,
    discharge_frac=0.5,
    ceiling_kwh=10.0,
    start_kwh=0.0,
    end_kwh=0.0,
)
GOOD = Schedule(
    charge_kw=np.array([10.0, 0.0, 0.0]),
    discharge_kw=np.array([0.0, 0.0, 4.0]),
    stored_kwh=np.array([8.0, 8.0, 0.0]),
    start_kwh=0.0,
    curtailed_kw=np.array([0.0, 3.0, 0.0]),
    import_kw=np.array([15.0, 0.0, 2.0]),
    export_kw=np.array([0.0, 15.0, 0.0]),
    objective=0.2 * 17 - 0.1 * 15,
    lower_bound=-np.inf,
    status=Status.RULE,
)


def changed(**entries: tuple[int, float]) -> Schedule:
    """Return the good schedule with one entry replaced in each named array."""
    arrays = {name: getattr(GOOD, name).copy() for name in entries}
    for name, (step, value) in entries.items():
        arrays[name][step] = value
    return replace(GOOD, **arrays)


def complaint(problem, schedule) -> str:
    with pytest.raises(SolverError) as caught:
        check_feasible(problem, schedule)
    return str(caught.value)


def test_good_schedule_passes():
    check_feasible(PROBLEM, GOOD)


@pytest.mark.parametrize(
    ("schedule", "broken"),
    [
        pytest.param(
            changed(charge_kw=(0, 15.0), stored_kwh=(0, 12.0), import_kw=(0, 20.0)),
            "at step 1: store not following its flows by 4",
            id="more is stored than is kept",
        ),
        pytest.param(
            changed(stored_kwh=(1, 5.0)),
            "at step 1: store not following its flows by 3",
            id="energy comes from nowhere",
        ),
        pytest.param(changed(import_kw=(0, 11.0)), "at step 0: meter not following the site by 4", id="meter too low"),
        pytest.param(changed(export_kw=(1, 21.0)), "at step 1: export above its limit by 6", id="export"),
        pytest.param(
            changed(import_kw=(1, 9.0), export_kw=(1, 24.0)),
            "at step 1: export above its limit by 9",
            id="first of two",
        ),
        pytest.param(
            changed(curtailed_kw=(1, 20.0), export_kw=(1, 0.0), import_kw=(1, 2.0)),
            "at step 1: curtailment above what may be curtailed by 12",
            id="curtailment",
        ),
        pytest.param(
            changed(curtailed_kw=(1, -40.0)), "at step 1: meter not following the site by 43", id="negative curtailment"
        ),
        pytest.param(changed(charge_kw=(0, np.nan)), "at step 0: charge_kw is not a finite number", id="NaN"),
        pytest.param(changed(export_kw=(2, np.inf)), "at step 2: export_kw is not a finite number", id="infinite"),
    ],
)
def test_worst_broken_rule_is_named_with_step_and_size(schedule, broken):
    assert complaint(PROBLEM, schedule) == f"the schedule breaks a rule {broken}; this is a bug, please report it"


@pytest.mark.parametrize(
    ("limits", "broken"),
    [
        pytest.param({"charge_limit_kw": 7.0}, "at step 0: charge above its limit by 3", id="converter, charge"),
        pytest.param({"into_limit_kw": 4.0}, "at step 0: charge above its limit by 5", id="store, charge"),
        pytest.param({"discharge_limit_kw": 1.0}, "at step 2: discharge above its limit by 3", id="converter, out"),
        pytest.param({"outof_limit_kw": 5.0}, "at step 2: discharge above its limit by 1.5", id="store, out"),
        pytest.param({"import_limit_kw": 13.0}, "at step 0: import above its limit by 2", id="import"),
        pytest.param({"export_limit_kw": 14.5}, "at step 1: export above its limit by 0.5", id="export"),
        pytest.param({"curtailable_kw": 0.0}, "at step 1: curtailment above what may be curtailed by 3", id="PV"),
        pytest.param({"ceiling_kwh": 7.5}, "at step 0: store above its ceiling by 0.5", id="ceiling"),
        pytest.param({"floor_kwh": 2.5, "end_kwh": 2.5}, "at step 2: store below its floor by 2.5", id="floor"),
        pytest.param({"keep_frac": 0.75}, "at step 1: store not following its flows by 2", id="standing loss"),
    ],
)
def test_limit_that_a_schedule_breaks_is_named(limits, broken):
    arrays = {
        name: np.full(3, value) if name.endswith("_kw") or name in ("floor_kwh", "ceiling_kwh") else value
        for name, value in limits.items()
    }
    tight = replace(PROBLEM, **arrays)
    assert complaint(tight, GOOD) == f"the schedule breaks a rule {broken}; this is a bug, please report it"


def test_charge_and_discharge_in_one_step_are_caught():
    """5 kW more in at 0.8 and 2 kW more out at 0.5 leave the store as it was; the meter sees 3 kW more."""
    both = changed(charge_kw=(1, 5.0), discharge_kw=(1, 2.0), export_kw=(1, 12.0))
    assert complaint(PROBLEM, both) == (
        "the schedule breaks a rule at step 1: charge and discharge at once by 2; this is a bug, please report it"
    )


def test_import_and_export_in_one_step_are_caught():
    wide = replace(PROBLEM, export_limit_kw=np.full(3, 50.0))
    assert complaint(wide, changed(import_kw=(1, 9.0), export_kw=(1, 24.0))) == (
        "the schedule breaks a rule at step 1: import and export at once by 9; this is a bug, please report it"
    )


def test_negative_flow_is_caught():
    """A charge of -2 kW that takes 1.6 kWh out of the store balances in every row."""
    backwards = changed(charge_kw=(1, -2.0), stored_kwh=(1, 6.4), discharge_kw=(2, 3.2), import_kw=(2, 2.8))
    backwards = replace(backwards, curtailed_kw=np.array([0.0, 5.0, 0.0]))
    assert complaint(PROBLEM, backwards) == (
        "the schedule breaks a rule at step 1: a flow below zero by 2; this is a bug, please report it"
    )


def test_store_that_starts_elsewhere_than_asked_is_caught():
    assert complaint(replace(PROBLEM, start_kwh=4.0), GOOD) == (
        "the schedule breaks a rule at its start: the store begins with 0 kWh, expected 4; this is a bug,"
        " please report it"
    )


def test_store_that_ends_elsewhere_than_asked_is_caught():
    assert complaint(replace(PROBLEM, end_kwh=1.0), GOOD) == (
        "the schedule breaks a rule at its end: the store ends with 0 kWh, expected 1; this is a bug, please report it"
    )


def test_periodic_store_that_does_not_return_to_its_start_is_caught():
    gift = replace(changed(charge_kw=(0, 7.5), import_kw=(0, 12.5)), start_kwh=2.0)
    assert complaint(replace(PROBLEM, start_kwh=None, end_kwh=None), gift) == (
        "the schedule breaks a rule at its start: the store begins with 2 kWh, expected 0; this is a bug,"
        " please report it"
    )


def test_free_end_may_lie_anywhere():
    full = replace(
        changed(discharge_kw=(2, 0.0), stored_kwh=(2, 8.0), import_kw=(2, 6.0)), objective=0.2 * 21 - 0.1 * 15
    )
    check_feasible(replace(PROBLEM, end_kwh=None), full)


def test_cost_that_the_flows_do_not_have_is_caught():
    assert complaint(PROBLEM, replace(GOOD, objective=1.5)) == (
        "the schedule breaks a rule in its cost: the flows cost 1.9, the schedule says 1.5; this is a bug,"
        " please report it"
    )


def test_noise_below_a_millionth_of_the_site_passes():
    """The largest number is the 15 kW at the meter: 1e-5 is less than a millionth of it, 2e-5 is more."""
    cost = PROBLEM.running_cost(
        import_kw=GOOD.import_kw + np.array([1e-5, 0, 0]), export_kw=GOOD.export_kw, discharge_kw=GOOD.discharge_kw
    )
    check_feasible(PROBLEM, replace(changed(import_kw=(0, 15 + 1e-5)), objective=cost))
    with pytest.raises(SolverError, match="meter not following the site by 2e-05"):
        check_feasible(PROBLEM, changed(import_kw=(0, 15 + 2e-5)))


def test_gap_is_the_distance_to_the_bound_as_a_share_of_the_larger_cost():
    half_way = replace(GOOD, objective=100.0, lower_bound=90.0)
    assert half_way.gap_frac(200.0) == pytest.approx(0.05, rel=1e-12)
    assert half_way.gap_frac(0.0) == pytest.approx(0.1, rel=1e-12)
