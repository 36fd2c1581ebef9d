"""One study of a whole year in hours: three things that are computed apart agree."""

import json
from dataclasses import replace
from types import NoneType

import numpy as np
import pandas as pd
import pytest

from crestfall.dispatch import ImportLimitError, Status, idle_schedule
from crestfall.errors import InfeasibleError, SolverError
from crestfall.scenario import load_scenario
from crestfall.study import SCHEDULE_COLUMNS, dispatch_problem, prepare, run
from hourly_site import (
    BY_RULES,
    NO_BATTERY,
    WITH_PV,
    shared_study,
    studied,
    with_import_limit,
    write_hourly_site,
    year_csv,
)
from site_files import in_scenario, in_tariff

# Key and type of each figure of a summary; bool is no int here.
SUMMARY = {
    "schema": str,
    "crestfall": str,
    "scenario_hash": str,
    "site": str,
    "currency": str,
    "first_step": str,
    "last_step": str,
    "steps": int,
    "step_h": float,
    "policy": str,
    "option": dict,
    "rating_kva": float,
    "nominal_kwh": float,
    "usable_kwh": float,
    "tariff": str,
    "tariff_after": str,
    "bill_before": float,
    "bill_best_contract": float,
    "saving_by_contract": float,
    "saving_by_group": dict,
    "bill_after": float,
    "saving": float,
    "saving_planned": float,
    "saving_hindsight": float,
    "saving_rules": float,
    "saving_rolling": NoneType,
    "saving_by_line": dict,
    "share_of_hindsight": dict,
    "left_in_store": dict,
    "unforeseen": NoneType,
    "capital_cost": float,
    "simple_payback_years": float,
    "objective": float,
    "lower_bound": float,
    "gap_frac": float,
    "status": str,
    "repaired_steps": int,
    "solver": str,
    "saving_at_most_by_one_more": dict,
    "idle_cost": float,
    "charged_kwh": float,
    "discharged_kwh": float,
    "auxiliary_kwh": float,
    "module_loss_kwh": float,
    "rack_loss_kwh": float,
    "standing_loss_kwh": float,
    "transformer_loss_kwh": float,
    "round_trip_frac": float,
    "round_trip_with_auxiliaries_frac": float,
    "equivalent_full_cycles": float,
    "cells": dict,
    "balance_residual_kwh": float,
    "store_drift_kwh": float,
    "clipped_kwh": float,
    "chord_error_kwh": float,
    "backup_least_h": NoneType,
    "bill_residual": float,
    "peak_import_before_kw": float,
    "peak_import_after_kw": float,
    "not_metered": list,
    "warnings": list,
}
WITH_WEAR = in_scenario("  installation_cost: 1500\n", "  installation_cost: 1500\ndispatch:\n  wear_per_kwh: 0.03\n")
CASES = ("hindsight", "rules")


@pytest.fixture(scope="module")
def result():
    """The joinery's year with a battery of two racks and one module."""
    return shared_study()


@pytest.fixture(scope="module")
def ruled():
    """The same year with the rules as headline."""
    return shared_study(BY_RULES)


@pytest.fixture(scope="module")
def without_battery():
    """The same year without a battery."""
    return shared_study(NO_BATTERY)


def throughput_kwh(result) -> float:
    return float(result.inputs.series.load_kw.sum() + result.inputs.series.pv_kw.sum()) * result.inputs.series.step_h


# --- laws -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("policy", CASES)
def test_objective_is_the_bill_recomputed_from_the_meter(result, policy):
    case = getattr(result, policy)
    for bill in (case.planned_bill, case.bill):
        assert case.schedule.objective == pytest.approx(bill["amount"].sum(), abs=1e-6 * result.before.bill_total)


def test_wear_is_in_the_objective_and_not_on_the_bill(tmp_path):
    worn = run(load_scenario(write_hourly_site(tmp_path, WITH_PV, WITH_WEAR)))
    wear = 0.03 * worn.hindsight.energy.discharged_kwh
    assert wear > 100
    difference = worn.hindsight.schedule.objective - worn.hindsight.bill_total
    assert difference == pytest.approx(wear, abs=1e-6 * worn.before.bill_total)


@pytest.mark.parametrize("policy", CASES)
def test_no_energy_is_lost_from_sight(result, policy):
    energy = getattr(result, policy).energy
    assert energy.charged_kwh > 1000
    assert abs(energy.residual_kwh) < 1e-6 * throughput_kwh(result)


@pytest.mark.parametrize("policy", CASES)
def test_replayed_store_stays_at_the_planned_one(result, policy):
    assert getattr(result, policy).energy.drift_kwh < 1e-6 * result.inputs.plant.nominal_kwh


def test_hindsight_ends_as_full_as_it_began(result):
    assert result.hindsight.energy.change_in_store_kwh == pytest.approx(0.0, abs=1e-6)


def test_bound_lies_below_the_optimum_and_close_to_it(result):
    schedule = result.hindsight.schedule
    assert schedule.status is Status.OPTIMAL
    assert schedule.lower_bound <= schedule.objective + 1e-9 * abs(schedule.objective)
    assert schedule.gap_frac(result.idle_cost) < 1e-6


def test_hindsight_saves_more_than_the_rules_and_both_save(result):
    assert result.saving(result.hindsight) > result.saving(result.rules) > 0


def test_rules_are_measured_against_the_bound_of_the_optimum(result):
    assert result.rules.schedule.lower_bound == result.hindsight.schedule.lower_bound


def test_more_pv_is_held_back_without_the_battery(result):
    held_back_kwh = result.before.curtailed_kw.sum() * result.inputs.series.step_h
    assert 0 < result.hindsight.energy.curtailed_kwh < held_back_kwh


def test_export_keeps_its_limit_before_and_after(result):
    assert result.before.export_kw.max() == pytest.approx(45.0)
    assert result.hindsight.schedule.export_kw.max() == pytest.approx(45.0)


def test_equal_inputs_give_equal_figures_with_stages_announced_or_not(result, tmp_path):
    stages = []
    again = studied(tmp_path, on_stage=stages.append)
    assert json.dumps(again.summary()) == json.dumps(result.summary())
    assert stages == list(again.timings_s)


def test_an_optimum_that_costs_more_than_standing_still_is_called_a_bug(monkeypatch, tmp_path):
    def dear(problem, **_):
        return replace(idle_schedule(problem), objective=1e6, status=Status.OPTIMAL)

    monkeypatch.setattr("crestfall.study._run.optimise", dear)
    scenario = load_scenario(write_hourly_site(tmp_path, WITH_PV))
    idle = idle_schedule(dispatch_problem(prepare(scenario))).objective
    with pytest.raises(SolverError) as caught:
        run(scenario)
    assert str(caught.value) == (
        f"the schedule costs 1000000.00, standing still {idle:.2f}; this is a bug, please report it"
    )


# --- no battery -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("policy", CASES)
def test_no_battery_leaves_the_bill_as_it_is(without_battery, policy):
    case = getattr(without_battery, policy)
    pd.testing.assert_frame_equal(case.bill, without_battery.before.bill, rtol=1e-9)


def test_no_battery_costs_nothing_and_pays_nothing_back(without_battery):
    assert without_battery.capital == 0
    assert without_battery.payback_years is None


def test_no_battery_has_a_summary_like_any_other(without_battery, result):
    summary = without_battery.summary()
    assert list(summary) == list(result.summary())
    assert summary["option"] == {"racks": 0, "modules": 0}
    assert summary["equivalent_full_cycles"] == 0
    assert summary["round_trip_frac"] is None


def test_bill_before_does_not_depend_on_the_option(without_battery, result):
    pd.testing.assert_frame_equal(without_battery.before.bill, result.before.bill)


# --- what a result shows ----------------------------------------------------------------------------------------------


def test_summary_has_these_keys_with_these_types(result):
    assert {key: type(value) for key, value in result.summary().items()} == SUMMARY


def test_summary_survives_json(result):
    assert json.loads(json.dumps(result.summary(), allow_nan=False)) == result.summary()


def test_summary_names_the_year_the_site_and_the_question(result):
    summary = result.summary()
    expected = {
        "schema": "crestfall-summary/1",
        "site": "Tidewell Joinery",
        "currency": "EUR",
        "first_step": "2025-01-01T00:00:00+01:00",
        "last_step": "2025-12-31T23:00:00+01:00",
        "steps": 8760,
        "step_h": 1.0,
        "policy": "hindsight",
        "option": {"racks": 2, "modules": 1},
    }
    assert {key: summary[key] for key in expected} == expected


def test_saving_is_the_bill_before_less_the_bill_after(result):
    summary = result.summary()
    assert summary["saving"] == pytest.approx(summary["bill_before"] - summary["bill_after"])


def test_payback_is_the_capital_over_the_saving(result):
    # Two racks, one module, one cabinet, installation.
    assert result.capital == 2 * 9000 + 5000 + 3000 + 1500
    assert result.payback_years == pytest.approx(result.capital / result.saving(result.headline))


def test_highest_import_is_before_and_after(result):
    summary, frame = result.summary(), result.schedule_frame()
    assert summary["peak_import_before_kw"] == frame["import_before_kw"].max()
    assert summary["peak_import_after_kw"] == frame["import_kw"].max()


def test_stages_are_timed_in_order(result):
    assert list(result.timings_s) == [
        "reading data, tariff and catalogue",
        "optimising 8,760 steps with hindsight",
        "following the rules that know only the past",
        "billing, replaying and counting cycles",
    ]


def test_schedule_frame_has_its_columns_and_a_zone_aware_index(result):
    frame = result.schedule_frame()
    assert tuple(frame.columns) == SCHEDULE_COLUMNS
    assert frame.index.name == "start"
    assert str(frame.index.tz) == "Europe/Berlin"


def test_unknown_temperature_is_nan_and_nothing_else_is(result):
    frame = result.schedule_frame()
    assert frame["temperature_c"].isna().all()
    assert frame.drop(columns="temperature_c").notna().all(axis=None)


def test_every_row_of_the_schedule_frame_balances(result):
    f, plant = result.schedule_frame(), result.inputs.plant
    rack_loss_kw = plant.rack_loss_kw(f["charge_kw"].to_numpy(), charging=True)
    rack_loss_kw += plant.rack_loss_kw(f["discharge_kw"].to_numpy(), charging=False)
    auxiliary_kw = result.inputs.auxiliary_kw + plant.bank.cooling_frac * rack_loss_kw
    used_kw = f["load_kw"] + auxiliary_kw + f["charge_kw"] - f["discharge_kw"]
    given_kw = f["import_kw"] - f["export_kw"] + f["pv_kw"] - f["curtailed_kw"]
    np.testing.assert_allclose(used_kw, given_kw, atol=1e-9)


@pytest.mark.parametrize("policy", CASES)
def test_schedule_frame_is_the_year_as_replayed(result, ruled, policy):
    shown = (result if policy == "hindsight" else ruled).schedule_frame()
    done = getattr(result, policy).replayed
    for column in ("charge_kw", "discharge_kw", "stored_kwh", "import_kw", "export_kw", "curtailed_kw"):
        np.testing.assert_array_equal(shown[column], getattr(done, column))


@pytest.mark.parametrize("policy", CASES)
def test_planned_saving_is_that_of_the_planned_bill(result, policy):
    case = getattr(result, policy)
    planned = result.planned_saving(case)
    assert planned == pytest.approx(result.reference.bill_total - case.planned_bill["amount"].sum(), rel=1e-12)
    # Constant efficiencies: the plant does what the plan says.
    assert result.saving(case) == pytest.approx(planned, rel=1e-6)


def test_bill_frame_holds_both_cases(result):
    sums = result.bill_frame().groupby("case")["amount"].sum()
    assert sums["before"] == pytest.approx(result.before.bill_total)
    assert sums["after"] == pytest.approx(result.headline.bill_total)


# --- rules as headline ------------------------------------------------------------------------------------------------


def test_scenario_may_make_the_rules_its_headline(ruled):
    assert ruled.headline is ruled.rules
    assert ruled.summary()["policy"] == "rules"
    assert ruled.summary()["status"] == "rule"


def test_policy_of_the_headline_changes_no_case(ruled, result):
    assert ruled.saving(ruled.hindsight) == result.saving(result.hindsight)
    assert ruled.saving(ruled.rules) == result.saving(result.rules)


def test_figures_of_the_summary_belong_to_the_headline(ruled):
    summary = ruled.summary()
    assert summary["saving"] == summary["saving_rules"] < summary["saving_hindsight"]
    assert summary["objective"] == ruled.rules.schedule.objective
    assert summary["discharged_kwh"] == ruled.rules.energy.discharged_kwh
    assert ruled.schedule_frame()["stored_kwh"].to_numpy() == pytest.approx(ruled.rules.schedule.stored_kwh)
    assert ruled.payback_years == pytest.approx(ruled.capital / summary["saving_rules"])


def test_gap_of_the_rules_is_the_price_of_not_knowing_the_future(ruled):
    summary = ruled.summary()
    price = summary["objective"] - ruled.hindsight.schedule.objective
    assert price > 0
    assert summary["gap_frac"] == pytest.approx(price / ruled.idle_cost, rel=1e-3)


# --- limits -----------------------------------------------------------------------------------------------------------


def test_a_year_without_trouble_has_no_warnings(result):
    assert result.warnings == ()


def test_warnings_count_the_steps_above_the_import_limit(tmp_path):
    over = run(load_scenario(write_hourly_site(tmp_path, with_import_limit(110))))
    n_before = int((over.inputs.series.load_kw > 110).sum())
    n_ruled = int((over.rules.schedule.import_kw > 110 + 1e-6).sum())
    assert min(n_before, n_ruled) > 0
    assert over.warnings == (
        f"without the battery the site exceeds its import limit in {n_before} steps; the bill before ignores this",
        f"the rules exceed the import limit in {n_ruled} steps: a controller with these settings would not hold it",
    )
    assert over.hindsight.schedule.import_kw.max() <= 110 + 1e-6
    assert over.summary()["warnings"] == list(over.warnings)


def spiky_year() -> str:
    """Return a year of 50 kW with two hours at 200 kW after each other in March, and one in July."""
    spikes = {"2025-03-12 14:00": "200", "2025-03-12 15:00": "220", "2025-07-01 09:00": "190"}
    rows = [line.split(",")[0] for line in year_csv().splitlines()[1:]]
    return "time,load_kw\n" + "".join(f"{stamp},{spikes.get(stamp, '50')}\n" for stamp in rows)


def test_message_says_which_limit_fails_when_and_by_how_much(tmp_path):
    # The site needs 0.4 kW for auxiliaries on top, so it is 70.4 and 90.4 kW over the limit in two hours on end. A full
    # store gives 80 kWh behind 96 % and 95 %, which is 72.96 kWh; spread evenly, 43.92 kW are left in each of the two.
    scenario = load_scenario(write_hourly_site(tmp_path, with_import_limit(130), load=spiky_year()))
    with pytest.raises(InfeasibleError) as caught:
        run(scenario)
    assert str(caught.value) == (
        "site.import_limit_kw 130 cannot be kept with 2 racks, 1 module: at 2025-03-12 14:00 CET the site needs"
        " 200.4 kW and the battery leaves at least 43.9 kW too much\n"
        "    3 steps fail, the first at 2025-03-12 14:00 CET;"
        " raise the limit, or choose an option with more racks or modules;\n"
        "    to hold it takes at least 90.0 kW and 160.0 kWh in one go, losses aside"
    )


def test_message_without_a_battery_names_the_load_itself(tmp_path, monkeypatch):
    def refuse(problem, **_):
        """Without a store the load above the limit is the excess; the general solver takes seconds to say so."""
        excess = np.maximum(problem.load_kw - problem.import_limit_kw, 0.0)
        raise ImportLimitError(problem, excess, first=int(np.argmax(excess > 0)), worst=int(np.argmax(excess)))

    monkeypatch.setattr("crestfall.study._run.optimise", refuse)
    scenario = load_scenario(write_hourly_site(tmp_path, with_import_limit(195), NO_BATTERY, load=spiky_year()))
    with pytest.raises(InfeasibleError) as caught:
        run(scenario)
    assert str(caught.value) == (
        "site.import_limit_kw 195 cannot be kept with no battery: at 2025-03-12 15:00 CET the site needs"
        " 220.0 kW, 25.0 kW too much\n"
        "    2 steps fail, the first at 2025-03-12 14:00 CET; raise the limit, or choose an option with a battery;\n"
        "    to hold it takes at least 25.0 kW and 30.0 kWh in one go, losses aside"
    )


# --- fingerprint ------------------------------------------------------------------------------------------------------


def fingerprint(folder, *edits, **contents) -> str:
    return load_scenario(write_hourly_site(folder, WITH_PV, *edits, **contents)).fingerprint()


def test_fingerprint_is_the_same_in_another_folder(tmp_path):
    assert fingerprint(tmp_path / "here") == fingerprint(tmp_path / "there")


def test_fingerprint_does_not_depend_on_what_is_written(tmp_path):
    both = in_scenario("option:", "output:\n  figure_formats: [svg, png]\noption:")
    assert fingerprint(tmp_path / "a") == fingerprint(tmp_path / "b", both)


def test_fingerprint_does_not_depend_on_comments_or_defaults_written_out(tmp_path):
    default = in_scenario("policy: hindsight\n", "")
    named = in_scenario("policy: hindsight", "policy: rolling  # as without this line")
    assert fingerprint(tmp_path / "a", default) == fingerprint(tmp_path / "b", named)


@pytest.mark.parametrize(
    "edit",
    [
        pytest.param(in_scenario("racks: 2", "racks: 3"), id="option"),
        pytest.param(in_scenario("installation_cost: 1500", "installation_cost: 1500.01"), id="money"),
        pytest.param(BY_RULES, id="policy"),
        pytest.param(in_tariff("rate_per_kwh: 0.20", "rate_per_kwh: 0.2000001"), id="tariff"),
    ],
)
def test_fingerprint_moves_with_a_number(tmp_path, edit):
    assert fingerprint(tmp_path / "a") != fingerprint(tmp_path / "b", edit)


def test_fingerprint_moves_with_a_single_value_of_the_data(tmp_path):
    text = year_csv()
    assert text.endswith(",0.0\n")
    assert fingerprint(tmp_path / "a") != fingerprint(tmp_path / "b", load=text.removesuffix("0.0\n") + "0.1\n")


# --- clock changes ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def quarter_hours(tmp_path_factory) -> pd.DataFrame:
    """The schedule of a year in quarter hours without a battery, of which standing still is the optimum."""
    folder = tmp_path_factory.mktemp("quarters")
    averaging = in_tariff("averaging_min: 60", "averaging_min: 15")
    scenario = load_scenario(write_hourly_site(folder, NO_BATTERY, averaging, load=year_csv(step_min=15)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("crestfall.study._run.optimise", lambda problem, **_: idle_schedule(problem))
        return run(scenario).schedule_frame()


@pytest.mark.parametrize(("day", "steps"), [("2025-03-30", 92), ("2025-10-26", 100), ("2025-10-27", 96)])
def test_days_of_clock_changes_have_their_own_length(quarter_hours, day, steps):
    assert len(quarter_hours.loc[day]) == steps


def test_steps_of_the_schedule_frame_are_equal_in_utc(quarter_hours):
    utc = quarter_hours.index.tz_convert("UTC")
    assert len(utc) == 35_040
    assert (utc[1:] - utc[:-1] == pd.Timedelta(minutes=15)).all()
