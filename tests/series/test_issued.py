"""Forecasts from files: read, laid on the steps of the study, or refused with the first bad time."""

import numpy as np
import pandas as pd
import pytest

from crestfall.errors import SeriesError
from crestfall.scenario.scenario_file import ForecastFile
from crestfall.series import read_issued

START = pd.date_range("2025-01-01", periods=6, freq="h", tz="Europe/Berlin")
GOOD = [
    "2025-01-01T00:00+01:00,2024-12-31T12:00+01:00,10",
    "2025-01-01T01:00+01:00,2024-12-31T12:00+01:00,11",
    "2025-01-01T02:00+01:00,2024-12-31T12:00+01:00,12",
    "2025-01-01T03:00+01:00,2025-01-01T01:30+01:00,13",
    "2025-01-01T04:00+01:00,2025-01-01T04:00+01:00,14",
    "2025-01-01T05:00+01:00,2025-01-01T02:00+01:00,15",
]


def read(folder, rows=None, *, head="time,issued,kw", start=START, step_h=1.0, **keys):
    (folder / "f.csv").write_text("\n".join([head, *(GOOD if rows is None else rows), ""]), encoding="utf-8")
    ask = ForecastFile(**{"file": "f.csv", "column": "kw", "unit": "kW", "issued_column": "issued"} | keys)
    return read_issued(folder / "f.csv", ask, start=start, step_h=step_h)


def refusal(folder, *args, **keys) -> str:
    with pytest.raises(SeriesError) as caught:
        read(folder, *args, **keys)
    return str(caught.value).replace(str(folder), "FOLDER")


def test_values_stand_on_the_steps_with_the_step_before_which_they_were_known(tmp_path):
    found = read(tmp_path)
    np.testing.assert_array_equal(found.step, np.arange(6))
    np.testing.assert_array_equal(found.values_kw, np.arange(10, 16))
    # What is issued at half past one is known when the step from two on is decided.
    np.testing.assert_array_equal(found.issued, [-12, -12, -12, 2, 4, 2])
    assert found.has_issue_times


def test_several_issues_for_a_step_are_sorted_by_time_of_issue(tmp_path):
    later = "2025-01-01T02:00+01:00,2025-01-01T01:00+01:00,20"
    found = read(tmp_path, [later, *GOOD])
    at = found.step == 2
    np.testing.assert_array_equal(found.issued[at], [-12, 1])
    np.testing.assert_array_equal(found.values_kw[at], [12, 20])


def test_without_a_column_of_issues_all_is_known_from_the_start(tmp_path):
    found = read(tmp_path, issued_column=None)
    assert not found.has_issue_times
    assert (found.issued < -(10**9)).all()


def test_two_values_for_a_time_want_times_of_issue(tmp_path):
    later = "2025-01-01T02:00+01:00,2025-01-01T01:00+01:00,20"
    said = refusal(tmp_path, [*GOOD, later], issued_column=None)
    assert said.endswith(
        "2025-01-01 02:00 CET (1 such time)\n    keep one of them, or say in issued_column which came later"
    )


def test_energy_becomes_power_and_longer_steps_are_repeated(tmp_path):
    quarters = pd.date_range("2025-01-01", periods=24, freq="15min", tz="Europe/Berlin")
    found = read(tmp_path, unit="kWh", start=quarters, step_h=0.25)
    np.testing.assert_array_equal(found.values_kw, np.repeat(np.arange(10, 16), 4))
    np.testing.assert_array_equal(found.issued[:12], np.repeat([-48, -48, -48], 4))


def test_stamps_may_mark_the_end(tmp_path):
    found = read(tmp_path, stamp="end", start=START[:5], issued_column=None)
    np.testing.assert_array_equal(found.values_kw, np.arange(11, 16))


def test_what_lies_outside_the_year_is_left_out(tmp_path):
    assert len(read(tmp_path, start=START[2:4]).step) == 2


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        pytest.param(
            GOOD[:2] + GOOD[4:],
            "FOLDER/f.csv column 'kw': the forecast has no value for 2025-01-01 02:00 CET (2 missing steps)\n"
            "    give one for each step of the year that is studied, as it was forecast; nothing is filled in silence",
            id="missing times",
        ),
        pytest.param(
            [*GOOD[:3], "2025-01-01T03:00+01:00,2025-01-01T03:15+01:00,13", *GOOD[4:]],
            "FOLDER/f.csv column 'kw': the forecast for 2025-01-01 03:00 CET was issued at 2025-01-01 03:15 CET, after"
            " it (1 such row)\n"
            "    a forecast is made before what it is about; check issued_column, stamp and time_zone",
            id="issued after its own time",
        ),
        pytest.param(
            [*GOOD[:5], "2025-01-01T05:00+01:00,2025-01-01T02:00+01:00,-1"],
            "FOLDER/f.csv column 'kw': the forecast for 2025-01-01 05:00 CET is negative (1 such row)\n"
            "    load and PV are each forecast as a power of 0 or more",
            id="negative",
        ),
        pytest.param(
            [*GOOD, GOOD[0], GOOD[1].replace(",11", ",99")],
            "FOLDER/f.csv column 'kw': there are two values for 2025-01-01 01:00 CET, both issued at 2024-12-31 12:00"
            " CET (1 such time)\n    keep one of them",
            id="two values at once",
        ),
        pytest.param(
            GOOD[:1],
            "FOLDER/f.csv: there is only one time\n    expected a value for each step of the year",
            id="one time",
        ),
        pytest.param(
            ["2025-01-01,2024-12-31T12:00+01:00,10", "2025-01-03,2024-12-31T12:00+01:00,10"],
            "FOLDER/f.csv: the step is 2880 minutes\n    expected one of 5, 10, 15, 20, 30, 60 minutes",
            id="steps of days",
        ),
        pytest.param(
            ["2025-01-01T00:00+01:00,,10", *GOOD[1:]],
            "FOLDER/f.csv row 2: '' is not a time stamp (1 such row)\n"
            "    write stamps as 2025-01-31 23:45 or 2025-01-31T23:45+01:00",
            id="no time of issue",
        ),
    ],
)
def test_a_forecast_that_cannot_be_used_is_refused(tmp_path, rows, text):
    assert refusal(tmp_path, rows) == text


def test_a_missing_column_is_named(tmp_path):
    assert refusal(tmp_path, issued_column="issue") == (
        "FOLDER/f.csv: there is no column 'issue'\n"
        "    did you mean 'issued'? set issued_column to one of: time, issued, kw"
    )


def test_steps_finer_than_those_of_the_study_are_refused(tmp_path):
    quarters = [f"2025-01-01T00:{minute:02}+01:00,2024-12-31T12:00+01:00,10" for minute in (0, 15, 30, 45)]
    assert refusal(tmp_path, quarters) == (
        "FOLDER/f.csv column 'kw': the forecast has steps of 15 minutes, the study of 60\n"
        "    bring it to the study's step or a multiple of it"
    )
