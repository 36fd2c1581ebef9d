"""The workbook: its formulas give what the study found, and text stays text."""

import io
from typing import Any

import formulas
import pytest
from openpyxl import load_workbook

from crestfall.report._workbook import workbook_bytes
from crestfall.scenario import load_scenario
from crestfall.study import run
from hourly_site import WITH_PV, shared_study, year_csv
from site_files import in_catalogue, in_scenario, write_site

PRICE = "  standby_kw: 0.05\n  price: 9000\n"
MONEY = "  installation_cost: 1500\n"
RACK = in_catalogue(
    PRICE,
    f"{PRICE}  life:\n    law: per_cycle_and_year\n"
    "    loss_frac_per_full_cycle: 0.0001\n    calendar_loss_frac_per_year: 0.02\n",
)
LIFE = in_scenario(
    MONEY,
    f"{MONEY}"
    "  discount: {rate_frac: 0.06, terms: nominal}\n"
    "  tax: {rate_frac: 0.3, depreciation_years: 5}\n"
    "  loan: {share_frac: 0.5, rate_frac: 0.05, years: 3}\n"
    "life:\n"
    "  horizon_years: 4\n",
)
NAMED = in_scenario("name: Tidewell Joinery", "name: =1+1")


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """Four years, with tax and a loan, of a site whose name is a formula."""
    folder = tmp_path_factory.mktemp("joinery")
    return run(load_scenario(write_site(folder, WITH_PV, RACK, LIFE, NAMED, load=year_csv())))


@pytest.fixture(scope="module")
def calculated(result, tmp_path_factory):
    """All cells as the `formulas` package calculates them, by sheet and address."""
    path = tmp_path_factory.mktemp("out") / "study.xlsx"
    path.write_bytes(workbook_bytes(result))
    found: dict[tuple[str, str], Any] = {}
    for key, ranges in formulas.ExcelModel().loads(str(path)).finish().calculate().items():
        sheet, _, address = key.rpartition("!")
        if ":" not in address and hasattr(ranges, "value"):
            found[sheet.rpartition("]")[2].strip("'"), address] = ranges.value[0, 0]
    return found


def test_formulas_give_net_present_value_and_rate_of_return(calculated, result):
    returns = result.life.appraisal.without_debt
    assert calculated["CASH FLOW", "B2"] == pytest.approx(returns.npv, abs=0.01)
    (rate,) = returns.irr_frac
    assert calculated["CASH FLOW", "B3"] == pytest.approx(rate, abs=1e-7)


def test_cash_of_each_year_adds_up_with_and_without_debt(calculated, result):
    frame = result.life.appraisal.frame
    book = load_workbook(io.BytesIO(workbook_bytes(result)))
    heads = {cell.value: cell.column_letter for cell in book["Cash flow"][6]}
    for row, (_, flow) in enumerate(frame.iterrows(), start=7):
        for head, column in (
            ("cash", "cash"),
            ("cumulative", "cumulative"),
            ("discounted", "discounted"),
            ("cash with debt", "cash_with_debt"),
        ):
            assert calculated["CASH FLOW", f"{heads[head]}{row}"] == pytest.approx(flow[column], abs=1e-6)


def test_bill_by_line_adds_up_to_the_saving(calculated, result):
    lines = result.savings_by_line()
    assert calculated["BILL BY LINE", f"E{len(lines) + 2}"] == pytest.approx(result.saving(result.headline), abs=0.01)


def test_text_that_begins_like_a_formula_is_text(result):
    book = load_workbook(io.BytesIO(workbook_bytes(result)))
    cells = [cell for sheet in book for row in sheet for cell in row if cell.value == "=1+1"]
    assert len(cells) >= 2  # in the summary and among the inputs
    assert {cell.data_type for cell in cells} == {"s"}
    assert all(cell.quotePrefix for cell in cells)


def test_heads_stay_in_sight_and_numbers_have_their_formats(result):
    book = load_workbook(io.BytesIO(workbook_bytes(result)))
    assert {sheet.title: sheet.freeze_panes for sheet in book} == {
        "Summary": "B2",
        "Bill by line": "B2",
        "Bill by period": "B2",
        "Cash flow": "B7",
        "Years": "B2",
        "Inputs": "B2",
    }
    assert book["Cash flow"]["B1"].number_format == "0.00%"
    assert book["Bill by line"]["C2"].number_format == "#,##0.00"


def test_equal_studies_give_equal_bytes():
    assert workbook_bytes(shared_study()) == workbook_bytes(shared_study())
