"""Emissions of the grid energy: by hand on a few steps, and what must hold for any year."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from crestfall.errors import ScenarioError, SeriesError
from crestfall.report import fill_folder
from crestfall.report._folder import OWN_NAMES
from crestfall.scenario import load_scenario
from crestfall.study import EMISSION_COLUMNS, emissions_of, run
from crestfall.tariff import Readings
from hourly_site import BY_RULES, NO_BATTERY, WITH_PV, shared_study, write_hourly_site
from site_files import in_scenario
from year_data import csv, local_steps, naive


def emitting(block: str):
    return in_scenario("option:", f"emissions: {block}\noption:")


CONSTANT = emitting("{average_kg_per_kwh: 0.25, marginal_kg_per_kwh: 0.5}")
CREDITED = emitting("{average_kg_per_kwh: 0.25, export_credited: true}")


def test_four_steps_by_hand():
    """Quarter hours: 0.25 h · (0.1·40 + 0.4·80 + 0.4·0 + 0.2·20) = 10 kg before; charging 20 kW in the first step and
    discharging 18 kW in the second: 0.25 · (0.1·60 + 0.4·62 + 0 + 0.2·20) = 8.7 kg after."""
    inputs = shared_study(CONSTANT).inputs
    start = pd.date_range("2025-01-31 23:30", periods=4, freq="15min", tz="Europe/Berlin")
    series = replace(
        inputs.series,
        start=start,
        step_h=0.25,
        load_kw=np.zeros(4),
        average_kg_per_kwh=np.array([0.1, 0.4, 0.4, 0.2]),
        marginal_kg_per_kwh=None,
    )
    before = Readings(import_kw=np.array([40.0, 80.0, 0.0, 20.0]), export_kw=np.array([0.0, 0.0, 10.0, 0.0]))
    after = Readings(import_kw=np.array([60.0, 62.0, 0.0, 20.0]), export_kw=np.array([0.0, 0.0, 10.0, 0.0]))
    done = replace(
        shared_study(CONSTANT).headline.replayed,
        charge_kw=np.array([20.0, 0.0, 0.0, 0.0]),
        discharge_kw=np.array([0.0, 18.0, 0.0, 0.0]),
    )
    (found,) = emissions_of(replace(inputs, series=series), before, after, done)
    assert found.before.sum() == pytest.approx(10.0)
    assert found.after.sum() == pytest.approx(8.7)
    assert (found.charged.sum(), found.discharged.sum()) == pytest.approx((0.5, 1.8))
    assert found.by_month()["after_kg"].tolist() == pytest.approx([0.25 * (6 + 24.8), 0.25 * 4])


@pytest.mark.parametrize("edits", [(CONSTANT,), (CONSTANT, BY_RULES)])
def test_a_constant_factor_counts_the_change_of_import(edits):
    result = shared_study(*edits)
    case = result.headline
    change_kwh = case.energy.import_kwh - float(result.before.import_kw.sum()) * result.inputs.series.step_h
    average, marginal = result.emissions(case)
    assert average.change_kg == pytest.approx(0.25 * change_kwh)
    assert marginal.change_kg == pytest.approx(0.5 * change_kwh)
    # The battery loses energy, and one factor holds at all times.
    assert average.charged.sum() > average.discharged.sum()


def test_export_is_credited_only_if_asked_for():
    with_credit, without = (shared_study(edit) for edit in (CREDITED, CONSTANT))
    exported_kwh = float(without.before.export_kw.sum()) * without.inputs.series.step_h
    before = [result.emissions(result.headline)[0].before.sum() for result in (without, with_credit)]
    assert exported_kwh > 0
    assert before[0] - before[1] == pytest.approx(0.25 * exported_kwh)


def test_no_battery_changes_nothing():
    for one in (result := shared_study(CONSTANT, NO_BATTERY)).emissions(result.headline):
        assert one.change_kg == 0
        assert not one.charged.any()


def test_factors_move_no_figure_of_the_study():
    plain, counted = shared_study(), shared_study(CONSTANT)
    assert counted.headline.bill_total == plain.headline.bill_total
    assert plain.emissions(plain.headline) == ()
    assert "emissions" not in plain.summary()


@pytest.fixture(scope="module")
def hourly(tmp_path_factory):
    """Factors in grams by the hour: clean by night, and a marginal one that is constant."""
    folder = tmp_path_factory.mktemp("factors") / "site"
    block = "{average_kg_per_kwh: {file: factors.csv, column: g, unit: g/kWh}, marginal_kg_per_kwh: 0.4}"
    path = write_hourly_site(folder, WITH_PV, emitting(block))
    steps = local_steps("Europe/Berlin", step_min=60)
    values = [f"{100 if step.hour < 6 else 300}" for step in steps]
    (folder / "factors.csv").write_text(csv(naive(steps), values, head="time,g"), encoding="utf-8")
    return run(load_scenario(path))


def test_a_series_of_factors_counts_each_hour_by_its_own(hourly):
    average, marginal = hourly.emissions(hourly.headline)
    by_hand = np.where(hourly.inputs.series.start.hour < 6, 0.1, 0.3) * hourly.headline.readings.import_kw
    assert average.after.sum() == pytest.approx(by_hand.sum())
    assert (average.factor, marginal.factor) == ("average", "marginal")
    assert "emissions.average_kg_per_kwh" in {one.key for one in hourly.sources}


def test_page_summary_and_table_tell_the_same(hourly, tmp_path):
    fill_folder(hourly, tmp_path, ["page", "figures", "tables"])
    summary = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))["emissions"]
    table = pd.read_csv(tmp_path / "emissions.csv")
    assert tuple(table.columns) == EMISSION_COLUMNS
    sums = table.groupby("factor")[["before_kg", "after_kg"]].sum()
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    for factor in ("average", "marginal"):
        for name in ("before_kg", "after_kg"):
            assert sums.loc[factor, name] == pytest.approx(summary[factor][name], abs=1e-4)  # 12 rounded to 1e-6
            assert f'<td class="n">{summary[factor][name] / 1000:,.2f}</td>' in page
    assert "Exported energy is not credited." in page
    assert (tmp_path / "figures" / "emissions.svg").is_file()
    assert {one.name for one in tmp_path.iterdir()} <= OWN_NAMES


@pytest.mark.parametrize(
    ("block", "expected"),
    [
        ("{}", "emissions: found a block of keys, expected average_kg_per_kwh or marginal_kg_per_kwh, or both"),
        ("{average_kg_per_kwh: 250}", "emissions.average_kg_per_kwh: found 250, expected a number <= 3"),
        ("{marginal_kg_per_kwh: -0.1}", "emissions.marginal_kg_per_kwh: found -0.1, expected a number >= 0"),
        (
            "{average_kg_per_kwh: {file: none.csv, column: g, unit: g/kWh}}",
            "emissions.average_kg_per_kwh.file: found 'none.csv' (no such file), expected a CSV file",
        ),
        (
            "{average_kg_per_kwh: {file: load.csv, column: load_kw, unit: lb}}",
            "emissions.average_kg_per_kwh.unit: found 'lb', expected kg/kWh or g/kWh",
        ),
    ],
)
def test_a_bad_block_is_refused_with_its_place(tmp_path, block, expected):
    with pytest.raises(ScenarioError) as refused:
        load_scenario(write_hourly_site(tmp_path / "site", WITH_PV, emitting(block)))
    assert expected in str(refused.value)
    assert len(refused.value.faults) == 1


def test_grams_taken_for_kilograms_are_refused(tmp_path):
    block = "{average_kg_per_kwh: {file: load.csv, column: load_kw, unit: kg/kWh}}"
    path = write_hourly_site(tmp_path / "site", WITH_PV, emitting(block))
    with pytest.raises(SeriesError, match=r"kg/kWh at .* is no emission factor of a grid .*\n.*set unit: g/kWh"):
        run(load_scenario(path))
