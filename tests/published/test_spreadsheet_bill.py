"""A bill of two periods against a spreadsheet that works it out with formulas of its own.

The workbook holds formulas and no results; a general spreadsheet evaluator works them out here, as the file stands
and with other values of its parameters.
"""

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from make_one_month_bill import make
from openpyxl import load_workbook

from crestfall.tariff import Readings, bill, rates_on
from strategies import tariff_from

WORKBOOK = Path(__file__).with_name("one_month_bill.xlsx")
FLOAT_SUM = 1e-12  # relative, of sums of some hundred floats in another order
SERIAL_DAY_0 = dt.date(1899, 12, 30)
LINES_ROW = {"B": 17, "C": 27}  # the first line of the bill of each period, by the period's column
N_LINES = 6
PEAKS = [f"Peak {n} periods before the data" for n in range(11, 0, -1)]
LOW_PEAKS = dict.fromkeys(PEAKS, 120)
SATURDAYS = {"Holiday 1": dt.date(2025, 5, 3), "Holiday 2": dt.date(2025, 5, 10)}

# Parameters that differ from the file, and by hand from the sheets of hours and peaks what is then billed as maximum
# and on-peak demand of both periods [kW]. The highest hours are 401.5 on 2 May, 447.0 on 14 May, 438.7 on 27 May.
CASES = {
    "as the file stands": ({}, (0.8 * 531.2, 447.0), (201.0, 213.0)),
    "the oldest peak is forgotten": ({"Ratchet": 1}, (531.2, 447.9), (201.0, 213.0)),
    "two parts of a period": ({"Reading day": 20}, (447.0, 438.7), (213.0, 209.0)),
    "the first part is remembered": ({"Reading day": 20, "Ratchet": 1, **LOW_PEAKS}, (447.0, 447.0), (213.0, 209.0)),
    "no holiday on a weekday": (SATURDAYS, (0.8 * 531.2, 447.0), (340.3, 314.4)),
    "another window": ({"On-peak window begins": 11, "On-peak window ends": 12}, (0.8 * 531.2, 447.0), (401.5, 447.0)),
    "whole euros": ({"Decimals": 0, "Tax": 0.19}, (0.8 * 531.2, 447.0), (201.0, 213.0)),
}


@pytest.fixture(scope="module")
def sheets():
    """The workbook as it is written, with its formulas."""
    return load_workbook(WORKBOOK)


@pytest.fixture(scope="module")
def model():
    """The workbook made ready for evaluation."""
    import formulas  # it takes a second, which a run of other tests need not spend

    return formulas.ExcelModel().loads(str(WORKBOOK)).finish()


def parameter_rows(sheets) -> dict[str, int]:
    return {row[0].value: row[0].row for row in sheets["Parameters"].iter_rows(min_row=4) if row[1].value is not None}


def parameters_of(sheets) -> dict[str, object]:
    values = {label: sheets["Parameters"].cell(row, 2).value for label, row in parameter_rows(sheets).items()}
    return {label: value.date() if isinstance(value, dt.datetime) else value for label, value in values.items()}


def evaluated(sheets, model, changed):
    """Work out the workbook with some parameters changed, and return what its bill shows in a cell."""
    rows = parameter_rows(sheets)
    inputs = {
        f"'[{WORKBOOK.name}]PARAMETERS'!B{rows[label]}": (
            (value - SERIAL_DAY_0).days if isinstance(value, dt.date) else value
        )
        for label, value in changed.items()
    }
    solution = model.calculate(inputs=inputs)
    return lambda cell: solution[f"'[{WORKBOOK.name}]BILL'!{cell}"].value[0, 0]


def bill_of_the_sheet(shown) -> pd.DataFrame:
    rows = []
    for column, first in LINES_ROW.items():
        begin = SERIAL_DAY_0 + dt.timedelta(days=int(shown(f"{column}4")))
        for row in range(first, first + N_LINES):
            quantity, rate, share = (float(shown(f"{c}{row}")) for c in "BDE")
            rows.append((str(begin), shown(f"A{row}"), quantity * rate * share, float(shown(f"F{row}"))))
    return pd.DataFrame(rows, columns=["period", "line", "exact", "amount"]).set_index(["period", "line"])


def tariff_of(values):
    """Return the parameters as a tariff file says them."""
    window = f"{values['On-peak window begins']:02d}:00-{values['On-peak window ends']:02d}:00"
    on_peak = [{"day_types": ["working day"], "times": [window]}]
    ratchet = {"share_frac": values["Ratchet"], "preceding_periods": 11, "history": [values[peak] for peak in PEAKS]}
    hourly = {"averaging_min": 60}
    return tariff_from(
        billing={"reading_day": values["Reading day"]},
        day_types={"working day": {"weekdays": ["mon", "tue", "wed", "thu", "fri"], "on_holidays": "never"}},
        holidays={"extra_dates": [values["Holiday 1"], values["Holiday 2"]]},
        energy_charges=[
            {"name": "On-peak energy", "rate_per_kwh": values["On-peak energy"], "when": on_peak},
            {"name": "Off-peak energy", "rate_per_kwh": values["Off-peak energy"]},
        ],
        demand_charges=[
            {"name": "Maximum demand", "rate_per_kw": values["Maximum demand"], "ratchet": ratchet, **hourly},
            {"name": "On-peak demand", "rate_per_kw": values["On-peak demand"], "when": on_peak, **hourly},
        ],
        fixed_charges=[{"name": "Fixed charge", "amount_per_month": values["Fixed charge"]}],
        surcharges=[{"name": "Tax", "share_frac": values["Tax"], "on": ["all"]}],
        rounding={"amount_decimals": values["Decimals"]},
    )


def bill_of_crestfall(sheets, changed) -> pd.DataFrame:
    hours = [row for row in sheets["Import"].iter_rows(min_row=5, values_only=True) if row[0] is not None]
    import_kw = np.array([row[4:28] for row in hours], dtype=float).ravel()
    start = pd.date_range(hours[0][0], periods=len(import_kw), freq="h", tz="Europe/Berlin")
    assert start[-24].date() == hours[-1][0].date()
    tariff = tariff_of({**parameters_of(sheets), **changed})
    readings = Readings(import_kw=import_kw, export_kw=np.zeros_like(import_kw))
    return bill(rates_on(tariff, start, step_h=1.0), readings).set_index(["period", "line"])


@pytest.mark.parametrize(("changed", "maximum_kw", "on_peak_kw"), CASES.values(), ids=CASES.keys())
def test_every_line_is_that_of_the_spreadsheet(sheets, model, changed, maximum_kw, on_peak_kw):
    shown = evaluated(sheets, model, changed)
    theirs, ours = bill_of_the_sheet(shown), bill_of_crestfall(sheets, changed)
    assert ours["amount"].to_dict() == theirs["amount"].to_dict()
    unrounded = (ours["quantity"] * ours["rate"]).to_dict()
    assert unrounded == pytest.approx(theirs["exact"].to_dict(), rel=FLOAT_SUM)
    for line, billed_kw in (("Maximum demand", maximum_kw), ("On-peak demand", on_peak_kw)):
        assert ours.xs(line, level="line")["quantity"].tolist() == pytest.approx(list(billed_kw), rel=FLOAT_SUM)
    totals = [float(shown(f"F{first + N_LINES}")) for first in LINES_ROW.values()]
    assert ours.groupby(level="period")["amount"].sum().tolist() == pytest.approx(totals, rel=FLOAT_SUM)


def test_a_half_cent_is_rounded_up_by_both(sheets, model):
    # 56.25 for 11 of 30 days are 20.625; half to even would give 20.62.
    theirs, ours = bill_of_the_sheet(evaluated(sheets, model, {})), bill_of_crestfall(sheets, {})
    part = ("2025-04-12", "Fixed charge")
    assert ours.loc[part, "amount"] == theirs.loc[part, "amount"] == 20.63


def test_the_workbook_holds_formulas_and_no_results(sheets):
    results = load_workbook(WORKBOOK, data_only=True)["Bill"]
    for column, first in LINES_ROW.items():
        cells = [f"{column}{row}" for row in range(4, 14)] + [f"F{row}" for row in range(first, first + N_LINES + 1)]
        assert all(str(sheets["Bill"][cell].value).startswith("=") for cell in cells)
        assert [results[cell].value for cell in cells] == [None] * len(cells)


def cells_of(book, name: str) -> dict[str, object]:
    """All cells of a sheet that hold something; a file keeps dates as days with a time."""
    cells = [cell for row in book[name].iter_rows() for cell in row if cell.value is not None]
    return {c.coordinate: c.value.date() if isinstance(c.value, dt.datetime) else c.value for c in cells}


def test_the_workbook_is_the_one_that_its_maker_writes(sheets):
    made = make()
    assert made.sheetnames == sheets.sheetnames
    for name in made.sheetnames:
        assert cells_of(made, name) == cells_of(sheets, name)
