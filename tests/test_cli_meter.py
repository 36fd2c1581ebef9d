"""The commands `meter` and `spread`, as a user meets them."""

import json
import re
import sys

import pytest

from crestfall import cli
from crestfall.report import draw_meter
from crestfall.scenario import load_scenario
from crestfall.scenario.series_file import Repairs
from crestfall.series import read_site_series
from crestfall.series.meter import Said, read_meter
from crestfall.study import run, variants
from hourly_site import NO_BATTERY, write_hourly_site
from site_files import in_scenario, write_site
from year_data import csv, local_steps, naive

QUARTERS = local_steps("Europe/Berlin", step_min=15)
VALUES = [round(20 + n % 96 / 3 + (n * 7919 % 101) / 20, 2) for n in range(len(QUARTERS))]
UTILITY = "Zeit;Bezug kW\n" + "".join(
    f"{at:%d.%m.%Y %H:%M};{str(value).replace('.', ',')}\n" for at, value in zip(QUARTERS, VALUES, strict=True)
)


@pytest.fixture
def here(monkeypatch, capfd):
    """Run the command's `main` in this process, and return status, stdout and stderr."""
    monkeypatch.setenv("COLUMNS", "140")

    def call(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["crestfall", *map(str, arguments)])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        return (caught.value.code or 0, *capfd.readouterr())

    return call


def test_a_utility_file_becomes_a_clean_one_that_a_scenario_reads(here, tmp_path):
    meter, clean = tmp_path / "utility.csv", tmp_path / "clean.csv"
    meter.write_text(UTILITY, encoding="cp1252")
    status, out, err = here(
        "meter", meter, "--zone", "Europe/Berlin", "--out", clean, "--picture", tmp_path / "year.png"
    )
    assert (status, err) == (0, "")
    assert "clock of the stamps    Europe/Berlin" in out
    assert f"peak         {max(VALUES):,.1f} kW" in out
    assert (tmp_path / "year.png").read_bytes().startswith(b"\x89PNG")
    yaml = re.search(r"site:\n  time_zone: (\S+)\n  load: (\{.*\})", out)
    assert yaml[1] == "Europe/Berlin"
    old = "  load:\n    file: load.csv\n    column: load_kw\n    unit: kW\n"
    scenario = load_scenario(write_site(tmp_path, in_scenario(old, f"  load: {yaml[2]}\n")))
    assert read_site_series(scenario).load_kw.tolist() == pytest.approx(VALUES)


def test_a_question_ends_with_status_2_and_the_options(here, tmp_path):
    meter = tmp_path / "utility.csv"
    meter.write_text(UTILITY.replace(" kW", ""), encoding="utf-8")
    status, out, err = here("meter", meter, "--zone", "Europe/Berlin")
    assert status == 2
    assert "delimiter" in out
    assert "unit: no unit stands in the file" in err
    total = sum(VALUES)
    assert f"--unit kW   {total / 4:,.0f} kWh in all, peak {max(VALUES):,.1f} kW" in err
    assert f"--unit kWh  {total:,.0f} kWh in all, peak {4 * max(VALUES):,.1f} kW" in err
    assert here("meter", meter, "--zone", "Europe/Berlin", "--unit", "kWh")[0] == 0


def test_without_a_zone_those_with_the_same_clock_changes_are_offered(here, tmp_path):
    meter = tmp_path / "utility.csv"
    meter.write_text(UTILITY, encoding="utf-8")
    status, _, err = here("meter", meter)
    assert status == 2
    assert re.search(r"the clock changes fit \d+ zones", err)


def test_damage_ends_with_status_2_and_the_repairs_to_allow(here, tmp_path):
    meter, lines = tmp_path / "utility.csv", UTILITY.splitlines(keepends=True)
    meter.write_text("".join([*lines[:500], *lines[505:]]), encoding="utf-8")
    status, out, err = here("meter", meter, "--zone", "Europe/Berlin", "--out", tmp_path / "clean.csv")
    assert status == 2
    assert re.search(r"gaps of up to 8 steps +5 +1 +2025-01-06 04:45", out)
    assert "    gaps of up to 8 steps: --repair gaps=interpolate\n" in err
    assert not (tmp_path / "clean.csv").exists()
    repaired = here(
        "meter", meter, "--zone", "Europe/Berlin", "--out", tmp_path / "clean.csv", "--repair", "gaps=interpolate"
    )
    assert repaired[0] == 0
    assert len((tmp_path / "clean.csv").read_text(encoding="utf-8").splitlines()) == 35_041


@pytest.mark.parametrize(
    ("repair", "message"),
    [
        ("gaps", "--repair gaps: expected KEY=VALUE\n    the keys are doubles, disorder, gaps,"),
        ("gaps=guess", "--repair gaps=guess: input should be 'refuse', 'interpolate' or 'neighbour_weeks'"),
    ],
)
def test_a_repair_that_does_not_exist_is_said(here, tmp_path, repair, message):
    status, _, err = here("meter", tmp_path / "none.csv", "--repair", repair)
    assert status == 2
    assert err.startswith(message)


def test_coarse_data_and_a_bill_that_does_not_fit_are_said(here, tmp_path):
    meter = tmp_path / "hours.csv"
    meter.write_text(csv(naive(local_steps("Europe/Berlin")), range(1, 8761), head="time,load_kw"), encoding="utf-8")
    bill = sum(range(1, 8761)) * 1000
    status, out, _ = here(
        "meter", meter, "--zone", "Europe/Berlin", "--values", "interval", "--averaging-min", 15, "--billed-kwh", bill
    )
    assert status == 0
    assert "peaks are understated" in out
    assert "kW or kWh read as W or Wh?" in out.replace("\n  ", " ")


def test_the_picture_marks_what_is_missing_and_suspect(tmp_path):
    lines = UTILITY.splitlines(keepends=True)
    lines[3000] = lines[3000].partition(";")[0] + ";900,0\n"
    meter = tmp_path / "utility.csv"
    meter.write_text("".join([*lines[:500], *lines[505:]]), encoding="utf-8")
    series = read_meter([meter], Said(zone="Europe/Berlin"), Repairs()).series
    ax = draw_meter(series)
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["suspect: 1 steps", "missing: 5 steps"]
    assert (ax.get_ylabel(), ax.get_title(loc="left")) == (
        "hour of the day, Europe/Berlin",
        "Load by day and hour, utility.csv",
    )
    load = ax.images[0]
    assert load.get_clim() == (0.0, max(VALUES))  # the spike does not bleach the rest


BILLS = (
    "  load_model:\n    year: 2025\n    step_min: 60\n    monthly_bills:\n"
    f"      energy_kwh: [{', '.join(['9000'] * 12)}]\n      peak_kw: [{', '.join(['60'] * 12)}]\n"
    "      shape: two_shifts\n"
)
LOAD = "  load:\n    file: load.csv\n    column: load_kw\n    unit: kW\n"


def test_a_study_of_bills_says_that_they_are_not_metered(tmp_path):
    result = run(load_scenario(write_hourly_site(tmp_path, NO_BATTERY, in_scenario(LOAD, BILLS))))
    assert result.warnings[0].startswith("the load is not metered: twelve bills with the shape 'two_shifts'")
    assert result.summary()["not_metered"] == list(result.inputs.series.not_metered)
    assert result.inputs.series.load_kw.sum() == pytest.approx(12 * 9000)


def test_spread_studies_all_shapes_that_fit_the_bills(here, tmp_path):
    path = write_hourly_site(tmp_path, NO_BATTERY, in_scenario(LOAD, BILLS))
    status, out, _ = here("spread", path)
    assert status == 0
    assert out.startswith("Tidewell Joinery, 3 loads, not metered\n")
    assert re.findall(r"^(business_hours|two_shifts|steady) +108,000 +60\.0", out, re.MULTILINE) == [
        "business_hours",
        "two_shifts",
        "steady",
    ]
    assert "saving by hindsight: 0 to 0 EUR/a" in out  # there is no battery


def test_each_year_of_the_data_is_a_variant(tmp_path):
    steps = local_steps("Europe/Berlin", first="2023-12-01", last="2026-02-01")
    scenario = load_scenario(write_hourly_site(tmp_path, load=csv(naive(steps), range(len(steps)))))
    found = variants(scenario)
    assert [name for name, _ in found] == ["year from 2024-01", "year from 2025-01"]
    assert [read_site_series(one).n_steps for _, one in found] == [8784, 8760]


def test_what_was_found_is_there_for_programs(here, tmp_path):
    meter, clean = tmp_path / "utility.csv", tmp_path / "clean.csv"
    meter.write_text(UTILITY, encoding="utf-8")
    status, out, err = here("meter", meter, "--zone", "Europe/Berlin", "--json", "--out", clean, "--averaging-min", 5)
    found = json.loads(out)
    assert (status, err) == (0, "")
    assert found["energy_kwh"] == pytest.approx(sum(VALUES) / 4)
    assert (found["n_steps"], found["first"], found["is_whole"]) == (35040, "2025-01-01T00:00:00+01:00", True)
    assert {"topic": "unit", "value": "kW", "because": "it stands in 'Bezug kW'", "otherwise": "--unit"} in found[
        "read_as"
    ]
    assert (found["damage"], found["questions"], len(found["years"])) == ([], [], 1)
    assert found["notes"][-1].endswith("by how much is not known")
    assert found["scenario"].startswith("site:\n  time_zone: Europe/Berlin\n")
    assert clean.exists()


def test_damage_and_questions_are_there_for_programs(here, tmp_path):
    meter, lines = tmp_path / "utility.csv", UTILITY.splitlines(keepends=True)
    meter.write_text("".join([*lines[:500], *lines[505:]]), encoding="utf-8")
    status, out, _ = here("meter", meter, "--zone", "Europe/Berlin", "--json", "--out", tmp_path / "clean.csv")
    (gap,) = json.loads(out)["damage"]
    assert (status, gap["steps"], gap["option"], gap["is_open"]) == (2, 5, "gaps=interpolate", True)
    assert not (tmp_path / "clean.csv").exists()
    status, out, err = here("meter", meter, "--json")
    (question,) = json.loads(out)["questions"]
    assert (status, question["topic"], question["choices"][0]["option"][:7]) == (2, "zone", "--zone ")
    assert "zone: which zone is the site in?" in err


def test_a_range_of_savings_is_there_for_programs(here, tmp_path):
    path = write_hourly_site(tmp_path, NO_BATTERY, in_scenario(LOAD, BILLS))
    status, out, _ = here("spread", path, "--json")
    found = json.loads(out)
    assert (status, found["is_metered"], found["saving_hindsight"]) == (0, False, pytest.approx([0.0, 0.0], abs=0.01))
    assert [one["load"] for one in found["loads"]] == ["business_hours", "two_shifts", "steady"]


def test_a_site_that_exports_is_told_what_its_load_is(here, tmp_path):
    """What a meter counts from the grid is the load less what the site's PV covers."""
    meter = tmp_path / "meter.csv"
    values = [f"{value},{2 * (10 <= at.hour < 14)}" for at, value in zip(QUARTERS, VALUES, strict=True)]
    text = csv([at.isoformat() for at in QUARTERS], values, head="time,import kW,export kW")
    meter.write_text(text, encoding="utf-8")
    status, out, _ = here("meter", meter, "--zone", "Europe/Berlin", "--out", tmp_path / "clean.csv")
    assert status == 0
    assert f"  # The site gives {365 * 4 * 2:,} kWh to the grid (export_kw): what it takes" in out
    assert (tmp_path / "clean.csv").read_text(encoding="utf-8").startswith("time,load_kw,export_kw\n")


def test_a_step_that_no_study_has(here, tmp_path):
    meter = tmp_path / "utility.csv"
    meter.write_text(UTILITY, encoding="utf-8")
    status, _, err = here("meter", meter, "--zone", "Europe/Berlin", "--out", tmp_path / "clean.csv", "--step-min", 7)
    assert (status, err) == (2, "found a step of 7 minutes\n    expected one of 5, 10, 15, 20, 30, 60 minutes\n")
    assert not (tmp_path / "clean.csv").exists()
