"""Outages, backup, weather and equipment in a whole study."""

import numpy as np
import pytest

from crestfall.errors import ScenarioError
from crestfall.scenario import load_scenario
from crestfall.study import prepare, run
from hourly_site import WITH_PV, year_csv
from site_files import in_catalogue, in_scenario, message, write_site

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
