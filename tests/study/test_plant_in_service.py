"""Outages, backup, weather and equipment in a whole study."""

import re
from pathlib import Path

import numpy as np
import pytest

from crestfall.errors import ScenarioError
from crestfall.scenario import load_scenario
from crestfall.study import prepare, run
from crestfall.study._replaying import where_from
from hourly_site import WITH_PV, year_csv
from site_files import in_catalogue, in_scenario, message, write_site

ROOT = Path(__file__).parents[2]

AGREES = 1e-6
YEAR = year_csv()


def scenario(folder, *edits):
    return load_scenario(write_site(folder, WITH_PV, *edits, load=YEAR))


def with_block(text):
    return in_scenario("money:", f"{text}\nmoney:")


def studied(folder, *edits):
    result = run(scenario(folder, *edits))
    throughput = result.hindsight.energy.charged_kwh + result.hindsight.energy.discharged_kwh
    for case in (result.hindsight, result.rules):
        assert abs(result.bill_residual(case)) < AGREES * result.before.bill_total
        assert abs(case.energy.residual_kwh) < 1e-9 * max(throughput, 1.0)
    return result


def test_a_planned_outage_stands_still_and_the_schedule_knows_it(tmp_path):
    out = studied(tmp_path, with_block("availability: {planned: [{start: 2025-06-10 08:00, hours: 30}]}"))
    day = slice("2025-06-10 08:00", "2025-06-11 13:00")
    frame = out.schedule_frame().loc[day]
    assert len(frame) == 30
    assert frame["charge_kw"].max() < 0.01
    assert frame["discharge_kw"].max() == 0
    assert out.hindsight.energy.clipped_kwh < 1.0


def test_forced_outages_hit_the_plan_unprepared_the_same_way_on_each_run(tmp_path):
    forced = with_block("availability: {forced: {events: 6, hours: 24, seed: 5}}")
    first, second = (studied(tmp_path, forced) for _ in range(2))
    assert first.summary() == second.summary()
    assert first.saving(first.hindsight) < first.planned_saving(first.hindsight)
    assert any("kWh could not be moved in their steps" in warning for warning in first.warnings)


def test_a_module_out_of_service_takes_its_power_and_keeps_its_price(tmp_path):
    two = in_scenario("racks: 2\n  modules: 1", "racks: 2\n  modules: 2")
    whole, less = studied(tmp_path, two), studied(tmp_path, two, with_block("availability: {modules_out: 1}"))
    assert less.inputs.plant.rating_kva == whole.inputs.plant.rating_kva / 2
    assert less.capital == whole.capital


def test_all_modules_out_of_service_are_refused(tmp_path):
    with pytest.raises(ScenarioError, match="modules_out: found 1, expected fewer than the 1 modules of the option"):
        prepare(scenario(tmp_path, with_block("availability: {modules_out: 1}")))


def test_the_backup_reserve_is_there_at_any_time(tmp_path):
    result = studied(tmp_path, with_block("backup: {critical_load_kw: 15, hours: 2}"))
    for case in (result.hindsight, result.rules):
        assert result.backup_h(case).min() > 2 - 1e-3
    without = studied(tmp_path)
    assert result.saving(result.hindsight) < without.saving(without.hindsight)


def test_a_backup_that_does_not_fit_is_refused_with_its_place(tmp_path):
    with pytest.raises(ScenarioError) as caught:
        prepare(scenario(tmp_path, with_block("backup: {critical_load_kw: 40, hours: 5}")))
    assert "scenario.yaml" in message(caught.value, tmp_path)
    assert "backup.hours: found 5, expected at most" in str(caught.value)


def test_a_transformer_costs_its_losses_before_and_after(tmp_path):
    equipped = in_scenario(
        "  import_limit_kw: 400\n",
        "  transformer: {rating_kva: 200, no_load_kw: 0.5, load_loss_kw: 3}\n  import_limit_kw: 400\n",
    )
    plain, with_losses = studied(tmp_path), studied(tmp_path, equipped)
    assert with_losses.before.bill_total > plain.before.bill_total
    assert with_losses.hindsight.energy.transformer_loss_kwh > 8760 * 0.5


def test_reactive_support_leaves_less_power_and_less_reactive_power(tmp_path):
    factor = in_scenario("  import_limit_kw: 400\n", "  power_factor_frac: 0.8\n  import_limit_kw: 400\n")
    inputs = prepare(scenario(tmp_path, factor, with_block("reactive_support: {kvar: 30}")))
    assert inputs.power_limit_kw.max() == pytest.approx(np.sqrt(60**2 - 30**2))
    np.testing.assert_allclose(inputs.series.kvar - inputs.kvar, 30)


def kvar_csv(kvar_of):
    """Return a year of hours with a value of each hour of the day."""
    stamps = [row.split(",")[0] for row in YEAR.splitlines()[1:]]
    return "\n".join(["time,q", *(f"{stamp},{kvar_of(hour % 24)}" for hour, stamp in enumerate(stamps))])


def test_reactive_support_may_follow_a_series_within_the_circle(tmp_path):
    """60 kVA of modules: 0 kvar leave 60 kW, 36 leave 48, and of 75 only 60 kvar can be supplied, which leave none."""
    by_hour = {0: 0.0, 1: 36.0, 2: 75.0}
    (tmp_path / "q.csv").write_text(kvar_csv(lambda hour: by_hour[hour % 3]), encoding="utf-8")
    factor = in_scenario("  import_limit_kw: 400\n", "  power_factor_frac: 0.8\n  import_limit_kw: 400\n")
    series = with_block("reactive_support: {kvar: {file: q.csv, column: q, unit: kvar}}")
    inputs = prepare(scenario(tmp_path, factor, series))
    hour = np.arange(inputs.series.n_steps) % 3
    np.testing.assert_allclose(inputs.supplied_kvar, np.array([0.0, 36.0, 60.0])[hour])
    np.testing.assert_allclose(inputs.power_limit_kw, np.array([60.0, 48.0, 0.0])[hour], atol=1e-9)
    np.testing.assert_allclose(inputs.series.kvar - inputs.kvar, inputs.supplied_kvar)


def test_a_constant_series_of_reactive_support_is_the_constant(tmp_path):
    """30 kvarh in each hour are 30 kvar."""
    (tmp_path / "q.csv").write_text(kvar_csv(lambda hour: 30.0), encoding="utf-8")
    series = with_block("reactive_support: {kvar: {file: q.csv, column: q, unit: kvarh}}")
    same, constant = (
        prepare(scenario(tmp_path, edit)).power_limit_kw
        for edit in (series, with_block("reactive_support: {kvar: 30}"))
    )
    np.testing.assert_array_equal(same, constant)


def test_an_apparent_import_limit_leaves_what_the_circle_leaves(tmp_path):
    limited = in_scenario(
        "  import_limit_kw: 400\n", "  power_factor_frac: 0.8\n  import_limit_kva: 300\n  import_limit_kw: 400\n"
    )
    inputs = prepare(scenario(tmp_path, limited))
    expected = np.sqrt(300**2 - inputs.series.kvar**2)
    np.testing.assert_allclose(inputs.import_limit_kw, expected)


def test_an_apparent_export_limit_holds_export_and_holds_pv_back(tmp_path):
    limited = in_scenario(
        "  import_limit_kw: 400\n  export_limit_kw: 45\n",
        "  power_factor_frac: 0.9\n  import_limit_kw: 400\n  export_limit_kva: 50\n",
    )
    inputs = prepare(load_scenario(write_site(tmp_path, WITH_PV, limited, load=YEAR)))
    before = inputs.without_battery(inputs.rates)
    exports = before.export_kw > 0
    assert np.hypot(before.export_kw, before.kvar)[exports].max() == pytest.approx(50)
    assert inputs.curtailable_kw(inputs.rates).max() > 0


# --- where a difference between plan and replay comes from -----------------------------------------------------------

STAGED = in_catalogue(
    "  charge_efficiency_frac: 0.97\n  discharge_efficiency_frac: 0.95\n",
    "  loss: {no_load_frac: 0.05, proportional_frac: 0.01, resistive_frac: 0.01}\n  switches_off_when_idle: true\n",
)
LEAST = in_catalogue("  standby_kw: 0.1\n", "  standby_kw: 0.1\n  minimum_load_frac: 0.5\n")
FORCED = with_block("availability: {forced: {events: 6, hours: 24, seed: 5}}")


@pytest.mark.parametrize(
    ("edit", "cause"),
    [
        pytest.param(FORCED, "forced outages", id="forced outages"),
        pytest.param(STAGED, "modules that are switched off when idle", id="staging"),
        pytest.param(LEAST, "the modules' least load", id="least load"),
    ],
)
def test_a_warning_of_a_difference_names_its_cause_and_the_figure_without_it(tmp_path, edit, cause):
    result = studied(tmp_path, edit)
    words = f"; this comes from {cause}, without which it would be "
    for figure in ("hindsight saves", "hindsight has a peak of"):
        (warning,) = [one for one in result.warnings if figure in one]
        assert words in warning
        planned, without = (
            float(text.replace(",", "")) for text in re.search(r"not ([\d,.]+) .* be ([\d,.]+)$", warning).groups()
        )
        assert without == pytest.approx(planned, rel=0.01)


def test_of_two_causes_the_one_that_matters_is_named(tmp_path):
    """One lost hour beside modules that cannot run below half their rating."""
    brief = with_block("availability: {forced: {events: 1, hours: 1, seed: 5}}")
    warnings = studied(tmp_path, LEAST, brief).warnings
    assert any("comes from the modules' least load" in warning for warning in warnings)


def test_a_difference_without_a_single_cause_is_said_to_have_none(tmp_path):
    result = studied(tmp_path, FORCED)
    words = where_from(result.inputs, result.hindsight, lambda readings: 50.0, planned=40.0, done=50.0)
    assert words == "no single cause explains it: forced outages"
    plain = studied(tmp_path)
    words = where_from(plain.inputs, plain.hindsight, lambda readings: 50.0, planned=40.0, done=50.0)
    assert words == "this comes from losses, which the plan sees as chords"


def test_a_replay_in_parts_of_a_step_keeps_the_plan_of_a_plant_without_jumps(tmp_path):
    parts = with_block("replay: {substeps: 3}")
    whole, finer = studied(tmp_path), studied(tmp_path, parts)
    assert finer.saving(finer.hindsight) == pytest.approx(whole.saving(whole.hindsight), rel=1e-4)
    np.testing.assert_allclose(finer.schedule_frame()["stored_kwh"], whole.schedule_frame()["stored_kwh"], atol=0.01)


def test_parts_of_a_step_let_modules_run_for_a_part_where_they_could_not_for_all_of_it(tmp_path):
    """With least loads the replay in parts loses less of the plan, and the bill is still that of hours."""
    whole, finer = studied(tmp_path, LEAST), studied(tmp_path, LEAST, with_block("replay: {substeps: 4}"))
    assert finer.hindsight.energy.clipped_kwh < whole.hindsight.energy.clipped_kwh
    assert len(finer.schedule_frame()) == len(whole.schedule_frame())


def test_parts_of_a_step_are_a_whole_number(tmp_path):
    with pytest.raises(ScenarioError, match=r"replay\.substeps: found 0, expected a number >= 1"):
        scenario(tmp_path, with_block("replay: {substeps: 0}"))


COLD = "derating: [{ambient_c: 0, share_frac: 1}, {ambient_c: 30, share_frac: 1}, {ambient_c: 40, share_frac: 0}]"


def test_heat_takes_power_away(tmp_path):
    rows = YEAR.splitlines()
    hot = "\n".join(
        ["time,t", *(f"{row.split(',')[0]},{35 if 13 <= h % 24 < 18 else 20}" for h, row in enumerate(rows[1:]))]
    )
    weather = in_scenario(
        "  import_limit_kw: 400\n", "  temperature: {file: w.csv, column: t, unit: C}\n  import_limit_kw: 400\n"
    )
    derated = in_catalogue("  auxiliary_kw: 0.2\n", f"  auxiliary_kw: 0.2\n  {COLD}\n")
    (tmp_path / "w.csv").write_text(hot, encoding="utf-8")
    result = studied(tmp_path, weather, derated)
    hot_steps = result.inputs.series.temperature_c == 35
    assert result.hindsight.replayed.discharge_kw[hot_steps].max() <= 30 + 1e-9
    assert studied(tmp_path, weather).hindsight.replayed.discharge_kw[hot_steps].max() > 30


def test_a_backup_that_fades_away_is_refused_with_the_year_in_which_it_fails(tmp_path):
    """The demo's 216 kWh usable: 36 kW for 4.4 hours take more than is left of them at the end of life."""
    demo = (ROOT / "scenarios" / "cold_store.yaml").read_text(encoding="utf-8")
    path = tmp_path / "backed.yaml"
    path.write_text(
        demo.replace("../data", str(ROOT / "data")) + "\nbackup: {critical_load_kw: 36, hours: 4.4}\n", encoding="utf-8"
    )
    with pytest.raises(ScenarioError, match=r"health of \d+ %, which standing alone takes it to in year \d+"):
        prepare(load_scenario(path))
