"""Loads and PV of a scenario that nobody metered, damaged data that it allows to repair, and the year it takes."""

from pathlib import Path

import pandas as pd
import pytest

from crestfall.errors import ScenarioError, SeriesError
from crestfall.scenario import load_scenario
from crestfall.series import read_site_series
from crestfall.study import variants
from site_files import in_scenario, message, write_site
from year_data import csv, local_steps, naive, with_offset

STEPS = local_steps("Europe/Berlin")
VALUES = [10 + n % 24 for n in range(len(STEPS))]
LOAD = "  load:\n    file: load.csv\n    column: load_kw\n    unit: kW\n"
IN_LOAD = in_scenario("    unit: kW\n", "    unit: kW\n    repairs: {gaps: interpolate, doubles: first}\n")


def series_of(folder, *edits, **contents):
    return read_site_series(load_scenario(write_site(folder, *edits, **contents)))


def test_a_metered_load_carries_no_flag(tmp_path):
    series = series_of(tmp_path, load=csv(naive(STEPS), VALUES))
    assert (series.not_metered, series.metered_step_h) == ((), None)


def test_damage_that_may_be_repaired_is(tmp_path):
    stamps = naive(STEPS)
    cut = csv([*stamps[:100], *stamps[103:]], [*VALUES[:100], *VALUES[103:]])
    series = series_of(tmp_path, IN_LOAD, load=cut)
    assert series.load_kw.tolist() == pytest.approx([*VALUES[:100], 14.0, 15.0, 16.0, *VALUES[103:]])
    assert series.not_metered == (
        "repaired in load.csv column 'load_kw': gaps of up to 8 steps, 3 steps from 2025-01-05 04:00 on,"
        " on a line between the steps beside",
    )


def test_months_in_another_unit_may_be_brought_back(tmp_path):
    edit = in_scenario("    unit: kW\n", "    unit: kW\n    repairs: {units: last}\n")
    wrong = [value * 1000 if n < 2000 else value for n, value in enumerate(VALUES)]
    series = series_of(tmp_path, edit, load=csv(naive(STEPS), wrong))
    assert series.load_kw.tolist() == pytest.approx(VALUES)
    assert "another unit, by a factor of 1,000?, 2,000 steps from 2025-01-01 00:00 on" in series.not_metered[0]


def test_repairs_of_pv_are_listed_as_well(tmp_path):
    pv = "  pv: {file: pv.csv, column: pv_kw, unit: kW, repairs: {gaps: interpolate}}\n"
    stamps = naive(STEPS)
    cut = csv([*stamps[:12], *stamps[14:]], [5.0] * (len(stamps) - 2), head="time,pv_kw")
    series = series_of(tmp_path, in_scenario(LOAD, LOAD + pv), load=csv(stamps, VALUES), pv=cut)
    assert series.pv_kw.tolist() == pytest.approx([5.0] * len(stamps))
    assert "pv.csv column 'pv_kw': gaps of up to 8 steps, 2 steps from 2025-01-01 12:00 on" in series.not_metered[0]


def test_damage_that_may_not_is_refused_with_the_key(tmp_path):
    stamps = naive(STEPS)
    with pytest.raises(SeriesError) as caught:
        series_of(tmp_path, IN_LOAD, load=csv([*stamps[:100], *stamps[130:]], [*VALUES[:100], *VALUES[130:]]))
    assert message(caught.value, tmp_path) == (
        "FOLDER/load.csv: 1 kinds of damage are not repaired\n"
        "    gaps of more than 8 steps: 30 steps, the first at 2025-01-05 04:00 (longest_gap_steps: 30)"
    )


def test_energies_are_repaired_as_energies(tmp_path):
    quarters = local_steps("Europe/Berlin", step_min=15)
    edit = in_scenario("    unit: kW\n", "    unit: kWh\n    repairs: {gaps: interpolate}\n")
    text = csv(with_offset(quarters), ["2.5" if n != 50 else "" for n in range(len(quarters))])
    series = series_of(tmp_path, edit, load=text)
    assert series.load_kw.tolist() == pytest.approx([10.0] * len(quarters))


def test_twelve_months_are_chosen_from_more(tmp_path):
    steps = local_steps("Europe/Berlin", first="2024-11-01", last="2026-02-01")
    edit = in_scenario("  import_limit_kw: 400\n", "  import_limit_kw: 400\n  first_month: 2025-01\n")
    series = series_of(tmp_path, edit, load=csv(with_offset(steps), range(len(steps))))
    assert (series.n_steps, series.load_kw[0]) == (8760, 61 * 24)
    assert f"{series.start[0]:%Y-%m-%d}" == "2025-01-01"


def test_hourly_data_on_quarter_hours_invent_no_peak_and_say_so(tmp_path):
    edit = in_scenario("  import_limit_kw: 400\n", "  import_limit_kw: 400\n  step_min: 15\n")
    series = series_of(tmp_path, edit, load=csv(naive(STEPS), VALUES))
    assert (series.step_h, series.metered_step_h, series.n_steps) == (0.25, 1.0, 35040)
    assert series.load_kw.sum() / 4 == pytest.approx(sum(VALUES))
    assert series.load_kw.max() == max(VALUES)


def test_a_modelled_load_is_flagged(tmp_path):
    model = (
        "  load_model:\n    year: 2025\n    parametric: {from_h: 6, to_h: 22}\n"
        "    energy_kwh: 100000\n    peak_kw: 40\n"
        "  growth_frac: 0.1\n  additions:\n    - {kind: new_line, power_kw: 20, from_h: 8, to_h: 12}\n"
    )
    series = series_of(tmp_path, in_scenario(LOAD, model))
    line_kwh = 20 * 4 * 261  # working days of 2025, holidays are not asked for
    assert series.load_kw.sum() / 4 == pytest.approx(110_000 + line_kwh)
    assert series.not_metered == (
        "the load is not metered: working hours as described",
        "not metered in the load: 1 addition",
        "the load is taken +10 % from what was metered",
    )


DEMOS = Path(__file__).parents[2] / "scenarios"


def test_the_demo_of_twelve_bills_fits_them_with_each_shape():
    """Energies and peaks of the file, which is all that is known of that site."""
    found = variants(load_scenario(DEMOS / "sail_loft_bills.yaml"))
    assert [name for name, _ in found] == ["business_hours", "two_shifts", "steady"]
    for _, one in found:
        series, bills = read_site_series(one), one.ask.site.load_model.monthly_bills
        months = pd.Series(series.load_kw, series.start).groupby(series.start.month)
        assert (months.sum() / 4).tolist() == pytest.approx(bills.energy_kwh)
        assert months.max().tolist() == pytest.approx(bills.peak_kw)
        assert series.not_metered[0].endswith("the saving lies in their range")


def test_the_demo_of_a_standard_profile_says_what_is_not_metered():
    pytest.importorskip("demandlib")
    scenario = load_scenario(DEMOS / "sail_loft_profile.yaml")
    series, (vans,) = read_site_series(scenario), scenario.ask.site.additions
    # 261 weekdays, holidays or not.
    charged_kwh = series.load_kw.sum() / 4 - scenario.ask.site.load_model.energy_kwh
    assert charged_kwh == pytest.approx(261 * vans.sessions_per_day * vans.energy_kwh, rel=0.05)
    assert [one.partition(";")[0].partition(" G1")[0] for one in series.not_metered] == [
        "the load is not metered: standard profile",
        "not metered in the load: 1 addition",
    ]


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        pytest.param(
            in_scenario(LOAD, ""),
            "FOLDER/scenario.yaml:2: site.load: found nothing, expected load, a metered series",
            id="neither",
        ),
        pytest.param(
            in_scenario(LOAD, f"{LOAD}  load_model: {{year: 2025, profile: G1, energy_kwh: 5}}\n"),
            "site.load_model: found a block of keys, expected load or load_model",
            id="both",
        ),
        pytest.param(
            in_scenario(LOAD, "  load_model: {year: 2025, energy_kwh: 5}\n"),
            "expected one of profile, parametric and monthly_bills",
            id="no kind",
        ),
        pytest.param(
            in_scenario(LOAD, f"{LOAD}  additions: [{{kind: ev_chargers, points: 0, power_kw: 11}}]\n"),
            "site.additions[0].points: found 0, expected a number >= 1",
            id="no points",
        ),
        pytest.param(
            in_scenario(LOAD, f"{LOAD}  first_month: 2025-13\n"),
            "site.first_month: found '2025-13', expected a month, year-month",
            id="no month",
        ),
        pytest.param(
            in_scenario("    unit: kW\n", "    unit: kW\n    repairs: {gap: interpolate}\n"),
            "site.load.repairs.gap: unknown key\n    did you mean 'gaps'?",
            id="no such repair",
        ),
    ],
)
def test_what_is_wrong_is_said_with_its_key(edit, expected, tmp_path):
    with pytest.raises(ScenarioError) as caught:
        load_scenario(write_site(tmp_path, edit))
    assert expected in message(caught.value, tmp_path)
