"""What was metered before the data of a study."""

import numpy as np
import pandas as pd
import pytest

from crestfall.errors import KeyedError, SeriesError
from crestfall.scenario import load_scenario
from crestfall.series import read_before, read_site_series
from hourly_site import WITH_PV
from site_files import in_scenario, write_site

YEAR = pd.date_range("2025-01-01", "2026-01-01", freq="h", tz="Europe/Berlin", inclusive="left")
WEEKS = pd.date_range("2024-12-11", "2025-01-01", freq="h", tz="Europe/Berlin", inclusive="left")


def table(start: pd.DatetimeIndex, column: str, values) -> str:
    rows = [f"{at.isoformat()},{value:g}" for at, value in zip(start, np.broadcast_to(values, len(start)), strict=True)]
    return "\n".join([f"time,{column}", *rows, ""])


LOAD = "time,load_kw,pv_kw\n" + "".join(f"{at.isoformat()},50,{20 * (at.hour == 12)}\n" for at in YEAR)
AS_LOAD = "    load: {file: past.csv, column: kw, unit: kW}\n"
AS_PV = "    pv: {file: past_pv.csv, column: kw, unit: kW}\n"


def read(folder, *edits, history=AS_LOAD, past=None, past_pv=None):
    """Read the history of a site with an hourly year."""
    given = in_scenario("policy: hindsight\n", f"rolling:\n  history:\n{history}")
    files = {"past": table(WEEKS, "kw", 30.0) if past is None else past, "load": LOAD}
    if past_pv is not None:
        files["past_pv"] = past_pv
    scenario = load_scenario(write_site(folder, given, *edits, **files))
    return read_before(scenario, read_site_series(scenario))


def refusal(folder, *edits, **files) -> str:
    with pytest.raises((SeriesError, KeyedError)) as caught:
        read(folder, *edits, **files)
    return str(caught.value).replace(str(folder), "FOLDER")


def test_history_reaches_up_to_the_data(tmp_path):
    before = read(tmp_path, past=table(WEEKS, "kw", np.arange(len(WEEKS))))
    np.testing.assert_array_equal(before.load_kw, np.arange(21 * 24))
    np.testing.assert_array_equal(before.pv_kw, np.zeros(21 * 24))
    assert before.temperature_c is None


def test_a_history_that_overlaps_the_data_is_cut(tmp_path):
    both = WEEKS.append(YEAR[:100])
    assert read(tmp_path, past=table(both, "kw", 30.0)).n_steps == 21 * 24


def test_the_shorter_of_load_and_pv_counts_and_energy_becomes_power(tmp_path):
    before = read(
        tmp_path,
        WITH_PV,
        history=AS_LOAD + AS_PV.replace("unit: kW}", "unit: kWh}"),
        past_pv=table(pd.date_range("2024-12-25", periods=7 * 48, freq="30min", tz="Europe/Berlin"), "kw", 2.0),
    )
    assert before.n_steps == 7 * 24
    np.testing.assert_array_equal(before.pv_kw, np.full(7 * 24, 4.0))


def test_a_load_that_has_grown_has_a_history_that_has(tmp_path):
    grown = in_scenario("  import_limit_kw: 400\n", "  import_limit_kw: 400\n  growth_frac: 0.1\n")
    np.testing.assert_allclose(read(tmp_path, grown).load_kw, 33.0)


@pytest.mark.parametrize("reaches_back", [True, False])
def test_temperature_is_known_before_the_data_where_its_file_reaches_back(tmp_path, reaches_back):
    stamps = WEEKS.append(YEAR) if reaches_back else YEAR
    (tmp_path / "warmth.csv").write_text(table(stamps, "c", 7.0), encoding="utf-8")
    with_warmth = in_scenario(
        "  import_limit_kw: 400\n",
        "  import_limit_kw: 400\n  temperature: {file: warmth.csv, column: c, unit: C}\n",
    )
    before = read(tmp_path, with_warmth)
    if reaches_back:
        np.testing.assert_array_equal(before.temperature_c, np.full(21 * 24, 7.0))
    else:
        assert before.temperature_c is None


@pytest.mark.parametrize("month", ["2024-12", "2025-01"])
def test_what_the_sites_own_file_holds_before_the_first_month_is_a_history(tmp_path, month):
    stamps = pd.date_range("2024-12-01", "2026-01-01", freq="h", tz="Europe/Berlin", inclusive="left")
    load = table(stamps, "load_kw", np.arange(len(stamps)))
    of_month = in_scenario("  import_limit_kw: 400\n", f"  import_limit_kw: 400\n  first_month: {month}\n")
    scenario = load_scenario(write_site(tmp_path, of_month, load=load))
    before = read_before(scenario, read_site_series(scenario))
    np.testing.assert_array_equal(before.load_kw, np.arange(31 * 24 if month == "2025-01" else 0))


def test_without_a_history_there_is_none(valid_scenario):
    assert read_before(valid_scenario, None).n_steps == 0


def test_a_history_with_a_gap_before_the_data_is_refused(tmp_path):
    assert refusal(tmp_path, past=table(WEEKS[:-24], "kw", 30.0)) == (
        "FOLDER/past.csv column 'kw': the history covers 2024-12-11 00:00 CET to 2024-12-31 00:00 CET, the data begin"
        " at 2025-01-01 00:00 CET\n    give the time up to the data, without a gap between"
    )


def test_a_history_without_the_pv_of_the_site_is_refused(tmp_path):
    assert refusal(tmp_path, WITH_PV) == (
        "rolling.history: found no pv, expected pv beside load, since the site has PV\n"
        "    name its file, or drop rolling.history"
    )


def test_a_history_without_added_consumers_is_refused(tmp_path):
    added = in_scenario(
        "  import_limit_kw: 400\n",
        "  import_limit_kw: 400\n  additions:\n    - {kind: new_line, power_kw: 11, from_h: 8, to_h: 16}\n",
    )
    assert "rolling.history: found a history beside site.additions, expected none" in refusal(tmp_path, added)


def test_a_negative_history_is_refused(tmp_path):
    text = refusal(tmp_path, past=table(WEEKS, "kw", -3.0))
    assert text == (
        "FOLDER/past.csv column 'kw': -3 at 2024-12-11 00:00 CET is negative\n"
        "    give consumption as load and generation as pv"
    )
