"""The command line, as a user meets it: real exit statuses, real stdout and stderr."""

import csv
import json
import os
import re
import signal
import subprocess
import sys
import time
from importlib.metadata import version
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML
from typer.testing import CliRunner

from crestfall import cli
from hourly_site import (
    BY_ROLLING,
    NO_BATTERY,
    WITH_PV,
    shared_study,
    write_hourly_site,
    year_csv,
)
from site_files import in_catalogue, in_scenario, in_tariff

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "scenarios" / "cold_store.yaml"
FILES_OF_KIND = [
    *(("scenario", path) for path in sorted((ROOT / "scenarios").glob("*.yaml"))),
    *(("tariff", path) for path in sorted((ROOT / "data" / "tariffs").glob("*.yaml"))),
    *(("catalogue", path) for path in sorted((ROOT / "data" / "catalogue").glob("*.yaml"))),
]


def crestfall(*arguments: object, code: str = "from crestfall.cli import main; main()") -> subprocess.CompletedProcess:
    """Run the command in a process of its own."""
    command = [sys.executable, "-W", "error", "-c", code, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


@pytest.fixture
def here(monkeypatch, capfd):
    """Run the command's `main` in this process, and return status, stdout and stderr."""

    def call(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["crestfall", *map(str, arguments)])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        return (caught.value.code or 0, *capfd.readouterr())

    return call


# --- done -------------------------------------------------------------------------------------------------------------


def test_version_is_that_of_the_package():
    done = crestfall("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"crestfall {version('crestfall')}\n", "")


def test_command_is_installed_under_its_name():
    command = Path(sys.executable).with_name("crestfall")
    if not command.exists():
        pytest.skip("the package is not installed beside this interpreter")
    done = subprocess.run([command, "--version"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, f"crestfall {version('crestfall')}\n")


def test_help_lists_the_commands():
    done = CliRunner().invoke(cli.app, ["--help"])
    assert done.exit_code == 0
    assert all(
        re.search(rf"^ *{name} ", done.stdout, re.MULTILINE)
        for name in ("run", "spread", "check", "meter", "tariff", "options", "connection", "schema")
    )


@pytest.mark.parametrize("kind", ["scenario", "tariff", "catalogue"])
def test_schema_is_a_valid_json_schema(kind):
    done = CliRunner().invoke(cli.app, ["schema", kind])
    assert done.exit_code == 0
    schema = json.loads(done.stdout)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)


def test_schema_without_a_kind_is_that_of_a_scenario():
    runner = CliRunner()
    assert runner.invoke(cli.app, ["schema"]).stdout == runner.invoke(cli.app, ["schema", "scenario"]).stdout


def faults_by_schema(kind: str, content: object) -> list[str]:
    schema = json.loads(CliRunner().invoke(cli.app, ["schema", kind]).stdout)
    as_json = json.loads(json.dumps(content, default=str))  # dates become text, as an editor sees them
    return [error.message for error in Draft202012Validator(schema).iter_errors(as_json)]


@pytest.mark.parametrize(("kind", "path"), FILES_OF_KIND, ids=lambda value: getattr(value, "name", value))
def test_files_of_the_repository_keep_the_schema(kind, path):
    assert faults_by_schema(kind, YAML(typ="safe").load(path)) == []


def test_schema_finds_an_unknown_key():
    content = YAML(typ="safe").load(DEMO) | {"optoin": 1}
    assert faults_by_schema("scenario", content) == ["Additional properties are not allowed ('optoin' was unexpected)"]


def test_check_says_what_it_read_and_writes_nothing(here, tmp_path):
    path = write_hourly_site(tmp_path, WITH_PV)
    files = sorted(tmp_path.iterdir())
    status, out, err = here("check", path)
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == ("Tidewell Joinery   8,760 steps of 60 min, 2025-01-01 to 2025-12-31, Europe/Berlin")
    assert lines[-1] == "nothing wrong was found; nothing was run"
    assert "  option       2 racks, 1 module: 60 kVA, 100 kWh nominal, 80 kWh usable, 1 cabinet" in lines
    assert "  tariff       Two prices and a peak: 5 lines, 1 demand charge" in lines
    assert "  policy       hindsight" in lines
    assert sorted(tmp_path.iterdir()) == files


KLITLYS = ROOT / "data" / "tariffs" / "klitlys_seasonal.yaml"
HOLMVANDRY = ROOT / "data" / "tariffs" / "holmvandry_capacity.yaml"
LOAD = ROOT / "data" / "load" / "perlesand.csv"
AT_HOME = ["--zone", "Europe/Copenhagen"]


def test_tariff_is_shown_in_words(here):
    status, out, err = here("tariff", KLITLYS)
    assert (status, err) == (0, "")
    assert out.startswith("Klitlys Power, seasonal time of use, low voltage above 100 kW (invented)\n")
    assert "  Low load: 0.094 EUR per kWh, at all other times.\n" in out
    assert max(map(len, out.splitlines())) <= 80


def test_tariff_is_drawn_and_its_bill_printed_and_written(here, tmp_path):
    picture, rows = tmp_path / "tariff.svg", tmp_path / "bill.csv"
    status, out, err = here("tariff", KLITLYS, *AT_HOME, "--load", LOAD, "--picture", picture, "--bill", rows)
    assert (status, err) == (0, "")
    assert out.splitlines()[-2:] == [f"wrote {rows}", f"wrote {picture}"]
    assert picture.read_text(encoding="utf-8").startswith("<?xml")
    with rows.open(encoding="utf-8") as file:
        due = sum(float(row["amount"]) for row in csv.DictReader(file))
    assert re.search(rf"^Total +{due:,.2f}$", out, re.MULTILINE)


def test_tariff_is_drawn_for_a_year_without_a_load(here, tmp_path):
    status, out, _ = here("tariff", HOLMVANDRY, "--picture", tmp_path / "t.png", "--year", 2024, "--step-min", 30)
    assert status == 0
    assert out.endswith(f"wrote {tmp_path / 't.png'}\n")
    assert (tmp_path / "t.png").read_bytes().startswith(b"\x89PNG")


# Options, and what the message must hold.
UNUSABLE_FOR_A_TARIFF = {
    "zone": (["--zone", "Europe/Nowhere", "--picture", "p.svg"], "--zone: found 'Europe/Nowhere'"),
    "load without a zone": (["--load", LOAD], "--zone is missing"),
    "missing load": ([*AT_HOME, "--load", "no.csv"], "no.csv: cannot be read"),
    "missing power factor": ([*AT_HOME, "--load", LOAD], "--power-factor is missing"),
    "missing column": ([*AT_HOME, "--load", LOAD, "--column", "kw"], "there is no column 'kw'"),
    "bill without a load": (["--bill", "b.csv"], "add --load"),
    "year beside a load": ([*AT_HOME, "--load", LOAD, "--year", 2024], "leave one of them out"),
    "picture of another kind": (["--picture", "p.gif"], "--picture p.gif: found the ending '.gif'"),
    "steps longer than the mean": (
        ["--picture", "p.svg", "--step-min", 60],
        ": capacity_charges[0].averaging_min: found 30, expected a multiple of 60",
    ),
}


@pytest.mark.parametrize("name", UNUSABLE_FOR_A_TARIFF)
def test_what_a_tariff_cannot_be_shown_with_ends_with_2(here, tmp_path, monkeypatch, name):
    options, expected = UNUSABLE_FOR_A_TARIFF[name]
    monkeypatch.chdir(tmp_path)
    status, out, err = here("tariff", HOLMVANDRY, *options)
    assert (status, out) == (2, "")
    assert expected in err
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_error_that_only_the_steps_show_has_file_and_line(here):
    line = next(n for n, text in enumerate(HOLMVANDRY.read_text().splitlines(), 1) if "averaging_min: 30" in text)
    err = here("tariff", HOLMVANDRY, *UNUSABLE_FOR_A_TARIFF["steps longer than the mean"][0])[2]
    assert err.startswith(f"{HOLMVANDRY}:{line}: capacity_charges[0].averaging_min: ")


def test_missing_tariff_ends_with_2(here, tmp_path):
    status, out, err = here("tariff", tmp_path / "no.yaml")
    assert (status, out) == (2, "")
    assert "there is no such file" in err


CATALOGUE = ROOT / "data" / "catalogue" / "kvader.yaml"


def test_options_of_a_catalogue_are_listed(here, tmp_path):
    status, out, err = here("options", CATALOGUE, "--csv", tmp_path / "options.csv")
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert max(map(len, lines[:-1])) <= 80
    assert lines[-1] == f"wrote {tmp_path / 'options.csv'}"
    assert lines[0] == "Kvader modular series (invented)"
    with (tmp_path / "options.csv").open(encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    assert f"{len(table)} options; price of parts in EUR" in out
    (row,) = [row for row in table if (row["racks"], row["modules"]) == ("4", "3")]
    assert float(row["ac_a"]) == pytest.approx(150_000 / (3**0.5 * 400))
    shown = [line.split() for line in lines if line.split()[:3] == ["4", "3", "1"]]
    assert [cells[3:6] for cells in shown] == [["150", "240", "216"]]


def test_options_take_another_voltage(here):
    out = here("options", CATALOGUE, "--volts", 480)[1]
    assert "per phase of three, at the rating and 480 V" in out
    (row,) = [line.split() for line in out.splitlines() if line.split()[:3] == ["2", "5", "2"]]
    assert row[-2] == "301"  # 250 kVA


def test_faults_of_a_catalogue_have_their_place(here, tmp_path):
    text = CATALOGUE.read_text(encoding="utf-8").replace("rating_kva: 50.0", "rating_kva: 0")
    (tmp_path / "c.yaml").write_text(text, encoding="utf-8")
    line = next(n for n, row in enumerate(text.splitlines(), 1) if "rating_kva: 0" in row)
    status, out, err = here("options", tmp_path / "c.yaml")
    assert (status, out) == (2, "")
    assert err.startswith(f"{tmp_path / 'c.yaml'}:{line}: module.rating_kva: found 0, expected a number > 0\n")


def test_table_of_options_that_cannot_be_written_ends_with_2(here, tmp_path):
    status, out, err = here("options", CATALOGUE, "--csv", tmp_path / "no" / "options.csv")
    assert (status, out) == (2, "")
    assert err.startswith(f"--csv {tmp_path / 'no' / 'options.csv'}: cannot be written: ")


def test_connection_is_shown_with_its_cautions_and_drawn(here, tmp_path):
    path = write_hourly_site(tmp_path / "in", WITH_PV)
    status, out, err = here("connection", path, "--picture", tmp_path / "one-line.svg")
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "Tidewell Joinery: 2 racks, 1 module"
    assert re.search(r"^  AC, whole plant, per phase +87 A at 400 V, 96 A at 360 V$", out, re.MULTILINE)
    assert re.search(r"^  Mass +-$", out, re.MULTILINE)
    assert "a DC arc does not go out by itself" in " ".join(out.split())
    assert lines[-1] == f"wrote {tmp_path / 'one-line.svg'}"
    assert max(map(len, lines[:-1])) <= 80
    assert (tmp_path / "one-line.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_connection_takes_voltage_and_phases_of_the_site(here, tmp_path):
    supply = in_scenario("  import_limit_kw: 400\n", "  connection: {nominal_v: 240, lowest_v_frac: 0.96, phases: 1}\n")
    out = here("connection", write_hourly_site(tmp_path, supply))[1]
    assert re.search(r"^  AC, whole plant, one phase +250 A at 240 V, 260 A at 230 V$", out, re.MULTILINE)


# Edits, options, and what the message must hold.
UNUSABLE_FOR_A_CONNECTION = {
    "picture of another kind": ([], ["--picture", "p.gif"], "--picture p.gif: found the ending '.gif'"),
    "no battery": ([NO_BATTERY], [], "scenario.yaml:12: option: found no battery, expected racks and modules"),
    "forbidden option": ([in_scenario("racks: 2", "racks: 5")], [], "in each of its 2 cabinets"),
    "two phases": (
        [in_scenario("  import_limit_kw: 400", "  connection: {phases: 2}")], [],
        "site.connection.phases: found 2, expected 1 or 3",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", UNUSABLE_FOR_A_CONNECTION)
def test_what_cannot_be_connected_ends_with_2(here, tmp_path, name):
    edits, options, expected = UNUSABLE_FOR_A_CONNECTION[name]
    status, out, err = here("connection", write_hourly_site(tmp_path, *edits), *options)
    assert (status, out) == (2, "")
    assert expected in err
    assert "Traceback" not in err


@pytest.fixture(scope="module")
def run_as_json(tmp_path_factory):
    """A run with --json in a process of its own, and its folder."""
    folder = tmp_path_factory.mktemp("run")
    return crestfall("run", write_hourly_site(folder, WITH_PV), "--out", folder / "out", "--json"), folder / "out"


def test_run_ends_with_0(run_as_json):
    assert run_as_json[0].returncode == 0


def test_run_with_json_has_only_the_summary_on_stdout(run_as_json):
    done, folder = run_as_json
    assert json.loads(done.stdout) == json.loads((folder / "summary.json").read_text(encoding="utf-8"))


def test_progress_of_a_run_is_on_stderr_as_plain_lines(run_as_json):
    lines = run_as_json[0].stderr.splitlines()
    lines = [line for line in lines if "compiling the optimiser" not in line]  # said once on a machine
    assert all(re.fullmatch(r" *\d+\.\d s  .+", line) for line in lines)
    assert [line.split(" s  ")[1] for line in lines] == [
        "reading data, tariff and catalogue",
        "optimising 8,760 steps with hindsight",
        "following the rules that know only the past",
        "billing, replaying and counting cycles",
        "drawing figures and writing the report",
        "done",
    ]


def test_run_replaces_an_older_result_with_force_and_shows_the_answer_on_one_screen(run_as_json, here, tmp_path):
    folder = run_as_json[1]
    status, out, _ = here("run", write_hourly_site(tmp_path, WITH_PV), "--out", folder, "--force")
    lines = out.splitlines()
    assert status == 0
    assert lines[0].startswith("Tidewell Joinery   8,760 steps of 60 min")
    assert re.fullmatch(r"solved by .+, gap \S+ %", lines[-2])
    assert re.fullmatch(r"wrote \S+/out/report\.html \(\d+\.\d s\)", lines[-1])
    assert len(lines) < 24
    assert max(map(len, lines[:-1])) <= 100
    summary = json.loads(run_as_json[0].stdout)
    assert re.search(rf"saving by hindsight +{summary['saving']:,.0f} EUR/a .*knows the whole year: a ceiling", out)


def test_screen_of_rolling_plans_names_them_and_what_they_did_not_foresee():
    result = shared_study(BY_ROLLING)
    text = cli._screen(result, Path("out"))
    captured = 100 * result.share_of_hindsight(result.rolling)
    assert re.search(rf"^  saving by rolling .* {captured:.0f} % of hindsight, plans on forecasts$", text, re.MULTILINE)
    assert re.search(r"^  simple payback .* by rolling$", text, re.MULTILINE)
    assert re.search(r"^  bill by line \[EUR/a\] +before +after +rolling +rules +hindsight$", text, re.MULTILINE)
    total = re.search(r"^  Total +(.*)$", text, re.MULTILINE)[1].replace(",", "").split()
    assert [int(value) for value in total[2:]] == [round(result.saving(case)) for case in result.cases]
    assert re.search(r"^  forecast of load: MAPE [\d.]+ %, mean error [\d.]+ kW, bias ", text, re.MULTILINE)
    dearest = result.unforeseen.costliest[0]
    assert f"  costliest: {dearest.what}, {dearest.start:%a %d %b %H:%M}: " in text
    assert f" came; {dearest.cost:,.0f} EUR\n" in text
    assert max(map(len, text.splitlines()[:-1])) <= 100


# --- bad input: 2 -----------------------------------------------------------------------------------------------------

# Edits, other contents, and what the message must hold.
UNUSABLE = {
    "unknown key": ([in_scenario("option:", "optoin:")], {}, "scenario.yaml:12: optoin: unknown key\n    did you"),
    "YAML that is none": ([in_scenario("option:", "option")], {}, "not valid YAML"),
    "missing data file": ([in_scenario("load.csv", "lod.csv")], {}, "found 'lod.csv' (no such file)"),
    "gap in the data": ([], {"load": year_csv().replace("2025-05-01 07:00", "2025-05-01 07:30")}, "load.csv"),
    "missing column": ([in_scenario("column: load_kw", "column: load_kW")], {}, "column 'load_kW'"),
    "forbidden option": ([in_scenario("racks: 2", "racks: 9")], {}, "scenario.yaml:13: option.racks: found 9"),
    "hours without a price": (
        [in_tariff("  - name: Other hours\n    rate_per_kwh: 0.20\n", "")], {}, "tariff.yaml:",
    ),
    "other currency": ([in_catalogue("currency: EUR", "currency: USD")], {}, "catalogue.yaml:3: currency: found USD"),
}  # fmt: skip


@pytest.mark.parametrize("name", UNUSABLE)
def test_bad_input_ends_with_2_and_the_place(here, tmp_path, name):
    edits, contents, expected = UNUSABLE[name]
    path = write_hourly_site(tmp_path / "in", *edits, **contents)
    status, out, err = here("run", path, "--out", tmp_path / "out")
    assert (status, out) == (2, "")
    assert expected in err
    assert "Traceback" not in err
    assert [entry.name for entry in tmp_path.iterdir()] == ["in"]


NO_SUCH_FILE = ": there is no such file\n    check the name, or the folder you are in\n1 problem, nothing was run\n"


def test_missing_scenario_ends_with_2_in_a_process_of_its_own(tmp_path):
    done = crestfall("run", tmp_path / "no.yaml", "--out", tmp_path / "out")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"{tmp_path / 'no.yaml'}{NO_SUCH_FILE}"


def test_missing_scenario_cannot_be_checked(here, tmp_path):
    assert here("check", tmp_path / "no.yaml") == (2, "", f"{tmp_path / 'no.yaml'}{NO_SUCH_FILE}")


def test_damaged_data_end_with_2(here, tmp_path):
    path = write_hourly_site(tmp_path / "in", load=year_csv().replace("2025-05-01 07:00,", "2025-05-01 07:00,x"))
    status, out, err = here("run", path, "--out", tmp_path / "out")
    assert (status, out) == (2, "")
    assert "Traceback" not in err
    assert "2025-05-01 07:00" in err
    assert not (tmp_path / "out").exists()


def test_missing_out_ends_with_2(here, tmp_path):
    status, out, err = here("run", write_hourly_site(tmp_path))
    assert (status, out) == (2, "")
    assert "Missing option '--out'." in err


def test_existing_folder_ends_with_2_before_anything_is_solved(here, tmp_path):
    path = write_hourly_site(tmp_path)
    status, out, err = here("run", path, "--out", tmp_path)
    assert (status, out) == (2, "")
    assert err == (
        f"--out {tmp_path}: the folder exists\n    name another, or add --force to replace an older result\n"
    )


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["ruin"], "No such command 'ruin'."),
        (["schema", "tarif"], "'tarif' is not one of 'scenario', 'tariff', 'catalogue', 'sweep', 'run-summary',"),
        (["check", "a.yaml", "--fast"], "No such option: --fast"),
    ],
)
def test_wrong_usage_ends_with_2(here, arguments, expected):
    status, out, err = here(*arguments)
    assert (status, out) == (2, "")
    assert expected in err


# --- the other statuses -----------------------------------------------------------------------------------------------


INFEASIBLE = """
import crestfall.study._run as study
from crestfall.cli import main
from crestfall.errors import InfeasibleError

def refuse(*_, **__):
    raise InfeasibleError("the store cannot")

study.optimise = refuse
main()
"""


def test_no_feasible_schedule_ends_with_3(tmp_path):
    """That a year without one is found, and what is said of it, is tested with the study; it takes many seconds."""
    done = crestfall("run", write_hourly_site(tmp_path / "in"), "--out", tmp_path / "out", code=INFEASIBLE)
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.splitlines()[-1] == "the store cannot"
    assert "Traceback" not in done.stderr
    assert [entry.name for entry in tmp_path.iterdir()] == ["in"]


def test_bug_ends_with_1_and_a_traceback(tmp_path):
    broken = "import crestfall.study as s; s.run = lambda *_, **__: {}['bug']; from crestfall.cli import main; main()"
    done = crestfall("run", write_hourly_site(tmp_path / "in"), "--out", tmp_path / "out", code=broken)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("Traceback")
    assert done.stderr.endswith("KeyError: 'bug'\n")
    assert [entry.name for entry in tmp_path.iterdir()] == ["in"]


@pytest.fixture
def solving(tmp_path, tmp_path_factory):
    """A run of the demo by the general solver, in its own process, as it begins to solve, which takes many seconds."""
    slow = tmp_path_factory.mktemp("slow") / "scenario.yaml"
    text = DEMO.read_text(encoding="utf-8").replace("../data", str(DEMO.parents[1] / "data"))
    slow.write_text(text.replace("dispatch:\n", "dispatch:\n  solver: lp\n"), encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-c", "from crestfall.cli import main; main()", "run", slow, "--out", tmp_path / "out"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        for line in process.stderr:
            if "optimising" in line:
                break
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        process.stderr.close()


@pytest.mark.skipif(os.name == "nt", reason="Windows knows no SIGINT between processes")
@pytest.mark.parametrize("wait_s", [0.2, 4.0], ids=["while the model is built", "while the solver runs"])
def test_interruption_ends_promptly_with_130_and_writes_nothing(solving, tmp_path, wait_s):
    time.sleep(wait_s)
    assert solving.poll() is None, "the run was over before it was interrupted"
    began = time.monotonic()
    solving.send_signal(signal.SIGINT)
    out, err = solving.communicate(timeout=60)
    assert time.monotonic() - began < 5
    assert (solving.returncode, out) == (130, "")
    assert err.endswith(" s  interrupted, nothing was written\n")
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []
