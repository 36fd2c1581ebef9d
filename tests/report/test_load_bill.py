"""A lone load is billed by a lone tariff, and the table holds what the bill holds."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from billing import steps
from crestfall.errors import InputError, OutputError, ScenarioError, SeriesError
from crestfall.report import bill_load, bill_text, lay_year, write_bill
from crestfall.scenario import load_tariff
from crestfall.tariff import BILL_COLUMNS, Readings, bill

ROOT = Path(__file__).parents[2]
TARIFFS = sorted((ROOT / "data" / "tariffs").glob("*.yaml"))
LOAD = ROOT / "data" / "load" / "perlesand.csv"
ZONE = "Europe/Copenhagen"
every_demo = pytest.mark.parametrize("path", TARIFFS, ids=lambda path: path.stem)

FLAT = """\
crestfall_tariff: 1
title: Flat
currency: SEK
valid_from: 2025-03-01
energy_charges:
  - {name: "Energy [all]", rate_per_kwh: 0.5}
"""


def sheet_of(folder, more=""):
    path = folder / "tariff.yaml"
    path.write_text(FLAT + more, encoding="utf-8")
    return load_tariff(path)


def load_of(folder, start, values, name="load_kw"):
    path = folder / "load.csv"
    pd.DataFrame({"time": start.strftime("%Y-%m-%dT%H:%M%z"), name: values}).to_csv(path, index=False)
    return path


def amounts_in(text: str) -> dict[str, float]:
    """Return the last number of each row of the table, by what stands first in it."""
    rows = (re.fullmatch(r" *(\S.*?)  +.*?(-?[\d,]+\.\d\d)", line) for line in text.splitlines())
    return {row[1]: float(row[2].replace(",", "")) for row in rows if row}


@every_demo
def test_the_table_has_the_sums_of_the_bill(path):
    load_bill = bill_load(load_tariff(path), LOAD, zone=ZONE, power_factor_frac=0.9)
    table, shown = load_bill.table, amounts_in(bill_text(load_bill, width=120))
    by_line = table.groupby("line")["amount"].sum()
    lines = {line: shown[line] for line in by_line.index if line not in ("Energy", "Demand", "Minimum bill")}
    assert lines == pytest.approx(by_line[list(lines)].to_dict(), abs=0.006)
    assert shown["Total"] == pytest.approx(table["amount"].sum(), abs=0.006)


@every_demo
def test_a_lone_load_costs_what_its_readings_cost(path):
    load_bill = bill_load(load_tariff(path), LOAD, zone=ZONE, power_factor_frac=0.9)
    load_kw = pd.read_csv(LOAD)["load_kw"].to_numpy()
    kvar = load_kw * np.tan(np.arccos(0.9))
    readings = Readings(import_kw=load_kw, export_kw=np.zeros(len(load_kw)), kvar=kvar)
    expected = bill(load_bill.rates, readings, as_contracted=True)
    pd.testing.assert_frame_equal(load_bill.table, expected)


def test_group_totals_and_lines_stand_in_the_order_of_the_sheet():
    path = next(path for path in TARIFFS if path.stem == "klitlys_seasonal")
    load_bill = bill_load(load_tariff(path), LOAD, zone=ZONE)
    shown = amounts_in(bill_text(load_bill))
    assert list(shown) == [
        "Energy", "Winter high load", "Winter standard load", "Summer standard load", "Low load",
        "Demand", "Peak demand at any time", "Peak demand in high load hours",
        "Fixed amounts", "Metering and connection", "Total",
    ]  # fmt: skip
    assert shown["Energy"] + shown["Demand"] + shown["Fixed amounts"] == pytest.approx(shown["Total"], abs=0.02)
    assert shown["Fixed amounts"] == 12 * 185


def test_energy_of_each_step_is_billed_as_energy(tmp_path):
    start = steps("2025-03-01", "2025-04-01", step_min=15)
    sheet = sheet_of(tmp_path)
    as_energy = bill_load(sheet, load_of(tmp_path, start, 2.5, "kwh"), zone="Europe/Berlin", column="kwh", unit="kWh")
    as_power = bill_load(sheet, load_of(tmp_path, start, 10.0), zone="Europe/Berlin")
    pd.testing.assert_frame_equal(as_energy.table, as_power.table)
    assert as_energy.table["amount"].sum() == pytest.approx(0.5 * 2.5 * len(start))


def test_the_text_says_what_was_billed(tmp_path):
    start = steps("2025-01-01", "2025-02-01")
    text = bill_text(bill_load(sheet_of(tmp_path), load_of(tmp_path, start, 10.0), zone="Europe/Berlin"))
    assert "31 days from 2025-01-01 to 2025-01-31, Europe/Berlin: 7,440 kWh, highest mean of 60 minutes 10.0 kW" in text
    assert "Energy [all]" in text
    assert "amount [SEK]" in text
    assert "note: days before 2025-03-01, from which the sheet is valid, are billed by it as well" in text


def test_notes_say_what_a_reader_might_mistake(tmp_path):
    more = """
demand_charges:
  - {name: Peak, rate_per_kw: 1, averaging_min: 60, ratchet: {share_frac: 0.5, preceding_periods: 11}}
hours_of_use: {below_h: 2500}
"""
    load_bill = bill_load(sheet_of(tmp_path, more), load_of(tmp_path, steps(), 10.0), zone="Europe/Berlin")
    text = bill_text(load_bill)
    assert "note: quantities are sums over all periods" in text
    assert "note: the sheet gives no earlier peaks for 'Peak'; this load's own stand in" in text
    assert "note: the hours of use of this load do not place it on this tariff" in text


def test_a_narrow_terminal_folds_names_and_keeps_numbers(tmp_path):
    load_bill = bill_load(sheet_of(tmp_path), load_of(tmp_path, steps(), 10.0), zone="Europe/Berlin")
    table = bill_text(load_bill, width=60).split("\n\n")[1].split("note:")[0]
    assert max(map(len, table.splitlines())) <= 60
    assert "43,800.00" in table


def test_all_rows_are_written(tmp_path):
    load_bill = bill_load(sheet_of(tmp_path), load_of(tmp_path, steps(), 10.0), zone="Europe/Berlin")
    write_bill(load_bill, tmp_path / "bill.csv")
    written = pd.read_csv(tmp_path / "bill.csv")
    assert tuple(written.columns) == BILL_COLUMNS
    assert written["amount"].sum() == pytest.approx(load_bill.table["amount"].sum(), abs=1e-4)


def test_a_bill_that_cannot_be_written_is_an_error(tmp_path):
    load_bill = bill_load(sheet_of(tmp_path), load_of(tmp_path, steps(), 10.0), zone="Europe/Berlin")
    with pytest.raises(OutputError, match="cannot be written"):
        write_bill(load_bill, tmp_path / "no" / "bill.csv")


def test_a_year_of_a_tariff_begins_with_that_of_its_validity(tmp_path):
    rates = lay_year(sheet_of(tmp_path))
    assert (str(rates.start[0]), len(rates.start), rates.step_h) == ("2025-01-01 00:00:00+00:00", 35040, 0.25)
    rates = lay_year(sheet_of(tmp_path), year=2024, zone="Europe/Berlin", step_min=60)
    assert (str(rates.start[0]), len(rates.start), rates.step_h) == ("2024-01-01 00:00:00+01:00", 8784, 1.0)


def test_unusable_options_of_a_year_are_named(tmp_path):
    with pytest.raises(InputError, match="--zone: found 'Europe/Nowhere'"):
        lay_year(sheet_of(tmp_path), zone="Europe/Nowhere")
    with pytest.raises(InputError, match=r"--step-min: found 7\n    choose one of 5, 10, 15, 20, 30, 60 minutes"):
        lay_year(sheet_of(tmp_path), step_min=7)
    with pytest.raises(InputError, match="--zone is missing: the tariff has prices from a file"):
        lay_year(load_tariff(TARIFFS[0]))


def test_an_error_that_only_the_steps_show_has_file_and_line(tmp_path):
    sheet = sheet_of(tmp_path, "demand_charges:\n  - {name: Peak, rate_per_kw: 1, averaging_min: 15}\n")
    with pytest.raises(ScenarioError, match=r"tariff\.yaml:8: demand_charges\[0\]\.averaging_min: found 15, expected"):
        lay_year(sheet, step_min=60)


# Values of a load, options, and what the message must hold.
UNUSABLE = {
    "no zone": ({"zone": None}, "--zone is missing"),
    "no such zone": ({"zone": "Mars/Olympus"}, "--zone: found 'Mars/Olympus'"),
    "power factor in percent": ({"power_factor_frac": 90.0}, "--power-factor: found 90, expected a share"),
    "no such column": ({"column": "load"}, "there is no column 'load'"),
    "days of another zone": ({"zone": "UTC"}, "the load begins at 2025-02-28 23:00 UTC, expected midnight"),
}


@pytest.mark.parametrize("name", UNUSABLE)
def test_an_unusable_load_is_an_error(tmp_path, name):
    options, message = UNUSABLE[name]
    path = load_of(tmp_path, steps("2025-03-01", "2025-03-05"), 10.0)
    with pytest.raises(InputError) as caught:
        bill_load(sheet_of(tmp_path), path, **({"zone": "Europe/Berlin"} | options))
    assert message in str(caught.value)


def test_negative_load_is_an_error(tmp_path):
    path = load_of(tmp_path, steps("2025-03-01", "2025-03-05"), -1.0)
    with pytest.raises(SeriesError, match="-1 at 2025-03-01 00:00 CET is negative"):
        bill_load(sheet_of(tmp_path), path, zone="Europe/Berlin")


def test_a_part_of_a_day_is_an_error(tmp_path):
    path = load_of(tmp_path, steps("2025-03-01", "2025-03-05")[:-1], 1.0)
    with pytest.raises(SeriesError, match="the load ends at 2025-03-04 23:00 CET, expected midnight"):
        bill_load(sheet_of(tmp_path), path, zone="Europe/Berlin")


def test_a_tariff_of_kva_needs_the_power_factor():
    path = next(path for path in TARIFFS if path.stem == "holmvandry_capacity")
    with pytest.raises(InputError, match="--power-factor is missing"):
        bill_load(load_tariff(path), LOAD, zone=ZONE)
