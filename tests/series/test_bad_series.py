"""Broken interval data: each message gives the file, the place, the count and the remedy."""

import pytest

from crestfall.errors import SeriesError
from crestfall.scenario import load_scenario
from crestfall.series import read_site_series
from site_files import in_scenario, message, write_site
from year_data import csv, local_steps, naive, replaced, with_offset

YEAR = local_steps("Europe/Berlin")
STAMPS = naive(YEAR)
OFFSET_STAMPS = with_offset(YEAR)
ONES = ["1"] * len(STAMPS)
AUTUMN_ONCE = [stamp for stamp, before in zip(STAMPS, ["", *STAMPS], strict=False) if stamp != before]
GOOD = csv(STAMPS)
QUARTERS = csv(naive(local_steps("Europe/Berlin", step_min=15)))
COLUMN = "FOLDER/load.csv column 'load_kw'"
IN_SILENCE = "    fill it with the true value; nothing is filled in silence"
STAMP_REMEDY = "    write stamps as 2025-01-31 23:45 or 2025-01-31T23:45+01:00"
COMMAS = "    write numbers with a decimal point, and commas only between columns"
LENGTH_REMEDY = "    expected the year up to 2026-01-01 00:00 CET: a bill is only comparable over all seasons"


def refusal(folder, *edits, **contents) -> str:
    scenario = load_scenario(write_site(folder, *edits, **contents))
    with pytest.raises(SeriesError) as caught:
        read_site_series(scenario)
    return message(caught.value, folder)


def cell(text):
    return csv(STAMPS, replaced(ONES, 5, text))


def stamp(text):
    return csv(replaced(STAMPS, 5, text))


@pytest.mark.parametrize(
    ("load", "expected"),
    [
        pytest.param("", "FOLDER/load.csv: the file is empty\n    expected a CSV file with a header line", id="empty"),
        pytest.param(
            "\n\n", "FOLDER/load.csv: the file is empty\n    expected a CSV file with a header line", id="blank lines"
        ),
        pytest.param(
            "time,load_kw\n\n",
            "FOLDER/load.csv: the file has a header and no rows\n    expected a year of steps",
            id="header only",
        ),
        pytest.param(
            csv(STAMPS[:1]),
            "FOLDER/load.csv: there is only one row\n    expected a year of steps",
            id="one row only",
        ),
        pytest.param(
            GOOD.encode() + b"\xff",
            "FOLDER/load.csv: byte 166453 is not UTF-8\n    save the file as UTF-8 text",
            id="not UTF-8",
        ),
        pytest.param(
            csv(STAMPS, head="time,lode_kw"),
            "FOLDER/load.csv: there is no column 'load_kw'\n"
            "    did you mean 'lode_kw'? set column to one of: time, lode_kw",
            id="wrong column with one near",
        ),
        pytest.param(
            csv(STAMPS, head="when,load_kw"),
            "FOLDER/load.csv: there is no column 'time'\n    set time_column to one of: when, load_kw",
            id="wrong time column with none near",
        ),
        pytest.param(
            csv(STAMPS, ["1,2"] * len(STAMPS), head="time,load_kw,load_kw"),
            "FOLDER/load.csv: column 'load_kw' stands twice in the header\n    rename one of them",
            id="duplicate column",
        ),
        pytest.param(
            GOOD.replace(",", ";"),
            "FOLDER/load.csv: found semicolons between columns, expected commas\n"
            "    save the file as CSV with commas, and numbers with a decimal point",
            id="semicolons",
        ),
        pytest.param(
            GOOD.replace(",", "\t"),
            "FOLDER/load.csv: found tabs between columns, expected commas\n"
            "    save the file as CSV with commas, and numbers with a decimal point",
            id="tabs",
        ),
        pytest.param(
            csv(STAMPS, ["1,5"] * len(STAMPS)),
            f"FOLDER/load.csv row 2: found 3 cells, expected 2 as in the header\n{COMMAS}",
            id="decimal comma in every row",
        ),
        pytest.param(
            cell("1,5"),
            f"FOLDER/load.csv row 7: found 3 cells, expected 2 as in the header\n{COMMAS}",
            id="decimal comma in one row",
        ),
        pytest.param(
            cell('"1,5"'),
            "FOLDER/load.csv row 7, column 'load_kw' (2025-01-01 05:00) holds '1,5', expected a number (1 such cell)\n"
            "    write numbers with a decimal point",
            id="decimal comma in quotes",
        ),
        pytest.param(
            cell('"1'),
            "FOLDER/load.csv: not readable as CSV: EOF inside string starting at row 6\n"
            "    look for a quotation mark that is not closed",
            id="open quotation mark",
        ),
        pytest.param(
            csv(STAMPS, [*ONES[:5], "off", "off", *ONES[7:]]),
            "FOLDER/load.csv row 7, column 'load_kw' (2025-01-01 05:00) holds 'off', expected a number (2 such cells)\n"
            + IN_SILENCE,
            id="word in two cells",
        ),
        pytest.param(
            cell(""),
            f"FOLDER/load.csv row 7, column 'load_kw' (2025-01-01 05:00) is empty (1 such cell)\n{IN_SILENCE}",
            id="empty cell",
        ),
        pytest.param(
            GOOD.replace("2025-01-01 05:00,1\n", "2025-01-01 05:00\n"),
            f"FOLDER/load.csv row 7, column 'load_kw' (2025-01-01 05:00) is empty (1 such cell)\n{IN_SILENCE}",
            id="row cut short",
        ),
        pytest.param(
            cell("NaN"),
            "FOLDER/load.csv row 7, column 'load_kw' (2025-01-01 05:00) holds 'NaN', expected a number (1 such cell)\n"
            + IN_SILENCE,
            id="NaN as text",
        ),
        pytest.param(
            cell("inf"),
            "FOLDER/load.csv row 7, column 'load_kw' (2025-01-01 05:00) holds 'inf', expected a number (1 such cell)\n"
            + IN_SILENCE,
            id="infinity",
        ),
        pytest.param(
            stamp("01.01.2025 05:00"),
            f"FOLDER/load.csv row 7: '01.01.2025 05:00' is not a time stamp (1 such row)\n{STAMP_REMEDY}",
            id="day before month",
        ),
        pytest.param(
            stamp("2025-02-30 05:00"),
            f"FOLDER/load.csv row 7: '2025-02-30 05:00' is not a time stamp (1 such row)\n{STAMP_REMEDY}",
            id="30 February",
        ),
        pytest.param(
            stamp(""), f"FOLDER/load.csv row 7: '' is not a time stamp (1 such row)\n{STAMP_REMEDY}", id="empty stamp"
        ),
        pytest.param(
            stamp("NaT"),
            f"FOLDER/load.csv row 7: 'NaT' is not a time stamp (1 such row)\n{STAMP_REMEDY}",
            id="NaT as stamp",
        ),
        pytest.param(
            GOOD.replace("2025-01-01 05:00,1\n", "\n2025-01-01 05:00,1\n"),
            f"FOLDER/load.csv row 7: '' is not a time stamp (1 such row)\n{STAMP_REMEDY}",
            id="blank line between rows",
        ),
        pytest.param(
            csv(replaced(OFFSET_STAMPS, 5, STAMPS[5])),
            "FOLDER/load.csv row 7: '2025-01-01 05:00' and '2025-01-01T00:00:00+01:00' in row 2:"
            " some stamps have a UTC offset, some not\n    write all of them the same way",
            id="offsets mixed",
        ),
        pytest.param(
            csv(STAMPS[:5] + STAMPS[7:]),
            "FOLDER/load.csv: 1 gap with 2 missing steps, the first from 2025-01-01 05:00 CET (2 steps)\n"
            "    fill them in the file with the true values; nothing is filled in silence",
            id="gap of two steps",
        ),
        pytest.param(
            csv(STAMPS[:5] + STAMPS[6:3000] + STAMPS[4000:]),
            "FOLDER/load.csv: 2 gaps with 1,001 missing steps, the first from 2025-01-01 05:00 CET (1 step)\n"
            "    fill them in the file with the true values; nothing is filled in silence",
            id="two gaps",
        ),
        pytest.param(
            csv(STAMPS[:5] + STAMPS[4:]),
            "FOLDER/load.csv: 2025-01-01 04:00 CET stands twice (1 double)\n"
            "    keep one row for each step; where the hour repeats in autumn, write stamps with their UTC offset",
            id="duplicate",
        ),
        pytest.param(
            csv([*STAMPS[:5], STAMPS[6], STAMPS[5], *STAMPS[7:]]),
            "FOLDER/load.csv row 8: 2025-01-01 05:00 CET comes after 2025-01-01 06:00 CET (1 such row)\n"
            "    sort the rows by time",
            id="out of order",
        ),
        pytest.param(
            stamp("3025-01-01 05:00"),
            "FOLDER/load.csv row 8: 2025-01-01 06:00 CET comes after 3025-01-01 05:00 CET (1 such row)\n"
            "    sort the rows by time",
            id="a thousand years off",
        ),
        pytest.param(
            stamp("2025-01-01 05:07"),
            "FOLDER/load.csv row 7: 2025-01-01 05:07 CET comes 67 minutes after the row before,"
            " in data of 60-minute steps (2 such rows)\n    bring the data to one step",
            id="uneven steps",
        ),
        pytest.param(
            csv(with_offset(local_steps("Europe/Berlin", step_min=180))),
            "FOLDER/load.csv: the step is 180 minutes\n    expected one of 5, 10, 15, 20, 30, 60 minutes",
            id="3-hour steps",
        ),
        pytest.param(
            csv(STAMPS[:4343]),
            f"{COLUMN}: the data run from 2025-01-01 00:00 CET to 2025-07-01 00:00 CEST, shorter than a year\n"
            + LENGTH_REMEDY,
            id="half a year",
        ),
        pytest.param(
            csv(naive(local_steps("Europe/Berlin", last="2026-02-01"))),
            f"{COLUMN}: the data run from 2025-01-01 00:00 CET to 2026-02-01 00:00 CET, longer than a year\n"
            + LENGTH_REMEDY,
            id="13 months",
        ),
        pytest.param(
            csv(STAMPS[14 * 24 :]),
            f"{COLUMN}: the data start at 2025-01-15 00:00 CET\n    a study year starts on the first day of a month"
            " at 00:00 local time; cut the file, or check time_zone and stamp",
            id="starts in mid-month",
        ),
        pytest.param(
            csv(STAMPS[1:]),
            f"{COLUMN}: the data start at 2025-01-01 01:00 CET\n    a study year starts on the first day of a month"
            " at 00:00 local time; cut the file, or check time_zone and stamp",
            id="stamps of the end read as the start",
        ),
        pytest.param(
            csv(naive(local_steps("UTC"))),
            "FOLDER/load.csv row 2116: 2025-03-30 02:00 does not exist in Europe/Berlin, where clocks go forward"
            " (1 such row)\n    set time_zone to the zone the meter keeps; one that never changes its clock has a name"
            " such as Etc/GMT-1 (UTC+1)",
            id="hour that does not exist in spring",
        ),
        pytest.param(
            csv(AUTUMN_ONCE),
            "FOLDER/load.csv row 7155: 2025-10-26 02:00 may be summer or winter time in Europe/Berlin, and the file"
            " does not hold that hour twice\n"
            "    write stamps with their UTC offset, or set time_zone to the zone the meter keeps",
            id="autumn hour given once",
        ),
        pytest.param(
            csv(STAMPS, [*ONES[:5], "-1.5", "-2", *ONES[7:]]),
            f"{COLUMN}: -1.5 at 2025-01-01 05:00 CET is negative (2 such steps)\n"
            "    PV behind the meter? Give consumption as load and generation as pv",
            id="negative load",
        ),
    ],
)
def test_a_broken_load_is_refused(tmp_path, load, expected):
    assert refusal(tmp_path, load=load) == expected


def test_hourly_steps_do_not_fit_a_clock_that_changes_by_half_an_hour(tmp_path):
    zone = "Australia/Lord_Howe"  # IANA tz database: 30 minutes of daylight saving, from 11:00 to 10:30 on 2025-04-06
    expected = (
        f"{COLUMN}: steps of 60 minutes no longer begin with the local day from 2025-04-06 01:30 +1030 on\n"
        "    give finer steps: the clock changes by less than one of these"
    )
    load = csv(with_offset(local_steps(zone)))
    assert refusal(tmp_path, in_scenario("Europe/Berlin", zone), load=load) == expected


def second_series(name, *, column, unit):
    entry = f"  {name}:\n    file: {name}.csv\n    column: {column}\n    unit: {unit}\n"
    return in_scenario("  import_limit_kw: 400\n", entry + "  import_limit_kw: 400\n")


PV = second_series("pv", column="pv_kw", unit="kW")
TEMPERATURE = second_series("temperature", column="air_c", unit="C")


@pytest.mark.parametrize(
    ("load", "pv", "expected"),
    [
        pytest.param(
            GOOD,
            csv(STAMPS, replaced(ONES, 2, "-0.02"), head="time,pv_kw"),
            "FOLDER/pv.csv column 'pv_kw': -0.02 at 2025-01-01 02:00 CET is negative (1 such step)\n"
            "    set what an inverter draws at night to 0, or add it to the load",
            id="negative at night",
        ),
        pytest.param(
            GOOD,
            csv(STAMPS[:-24], head="time,pv_kw"),
            "FOLDER/pv.csv column 'pv_kw': covers 2025-01-01 00:00 CET to 2025-12-31 00:00 CET,"
            " the load 2025-01-01 00:00 CET to 2026-01-01 00:00 CET\n"
            "    give the same year for both, on steps that begin together",
            id="shorter than the load",
        ),
        pytest.param(
            GOOD,
            csv(naive(local_steps("Europe/Berlin", first="2024-01-01")), head="time,pv_kw"),
            "FOLDER/pv.csv column 'pv_kw': covers 2024-01-01 00:00 CET to 2025-01-01 00:00 CET,"
            " the load 2025-01-01 00:00 CET to 2026-01-01 00:00 CET\n"
            "    give the same year for both, on steps that begin together",
            id="another year",
        ),
        pytest.param(
            GOOD,
            csv([text.replace(":00", ":07") for text in STAMPS], head="time,pv_kw"),
            "FOLDER/pv.csv column 'pv_kw': covers 2025-01-01 00:07 CET to 2026-01-01 00:07 CET,"
            " the load 2025-01-01 00:00 CET to 2026-01-01 00:00 CET\n"
            "    give the same year for both, on steps that begin together",
            id="seven minutes off",
        ),
        pytest.param(
            QUARTERS,
            csv(naive(local_steps("Europe/Berlin", step_min=20)), head="time,pv_kw"),
            "FOLDER/pv.csv column 'pv_kw': steps of 20 minutes do not fit the load's 15 minutes\n"
            "    bring them to a multiple or a fraction of the load's step",
            id="20-minute steps on a 15-minute load",
        ),
    ],
)
def test_pv_that_does_not_fit_the_load_is_refused(tmp_path, load, pv, expected):
    assert refusal(tmp_path, PV, load=load, pv=pv) == expected


@pytest.mark.parametrize(
    ("degrees", "shown"), [pytest.param(68.5, "68.5", id="Fahrenheit"), pytest.param(293, "293", id="kelvin")]
)
def test_a_temperature_in_another_unit_is_refused(tmp_path, degrees, shown):
    temperature = csv(STAMPS, replaced(ONES, 3, degrees), head="time,air_c")
    assert refusal(tmp_path, TEMPERATURE, load=GOOD, temperature=temperature) == (
        f"FOLDER/temperature.csv column 'air_c': {shown} at 2025-01-01 03:00 CET is no air temperature in degrees C"
        " (1 such step)\n    convert from Fahrenheit or kelvin"
    )


def test_reactive_support_that_would_be_drawn_is_refused(tmp_path):
    readings = replaced(["3"] * len(STAMPS), 5, "-2")
    support = in_scenario("money:", "reactive_support: {kvar: {file: q.csv, column: q, unit: kvar}}\nmoney:")
    assert refusal(tmp_path, support, load=GOOD, q=csv(STAMPS, readings, head="time,q")) == (
        "FOLDER/q.csv column 'q': -2 at 2025-01-01 05:00 CET is negative (1 such step)\n"
        "    give what the modules supply; where they supply nothing, 0"
    )


def test_a_file_that_vanished_after_loading_is_named(tmp_path):
    scenario = load_scenario(write_site(tmp_path, load=GOOD))
    (tmp_path / "load.csv").unlink()
    with pytest.raises(SeriesError) as caught:
        read_site_series(scenario)
    assert message(caught.value, tmp_path) == (
        "FOLDER/load.csv: cannot be read: No such file or directory\n    check name and permissions"
    )
