"""Comparisons and sweeps as workbooks: the figures of their tables, with units; what is not metered says so."""

import io

import pytest
from openpyxl import load_workbook
from openpyxl.utils import get_column_letter

from compared_site import shared_comparison
from crestfall.report._running import Running
from crestfall.report._sheets import saved
from crestfall.report._table_workbooks import comparison_workbook, sweep_workbook
from crestfall.report._workbook import workbook_bytes
from crestfall.study import sweep
from hourly_site import NO_BATTERY, shared_study
from site_files import in_scenario
from sweeps import HEAD, PEAKS, write_sweep

NAMED = in_scenario("name: Tidewell Joinery", 'name: "@joinery & co"')
ASKED = HEAD.replace("axes:", "question: =1+1\naxes:")
AXES = PEAKS.replace("name: peak", 'name: "-peak"')


def opened(content: bytes):
    return load_workbook(io.BytesIO(content))


@pytest.fixture(scope="module")
def compared():
    return opened(comparison_workbook(shared_comparison()))


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """A sweep of a site, a question and an axis whose names are formulas."""
    folder = tmp_path_factory.mktemp("sweep")
    return sweep(write_sweep(folder, ASKED + AXES, NO_BATTERY, NAMED), folder / "out", workers=0)


def columns(sheet) -> dict[str, list]:
    """Return the values of each column by its head."""
    first, *rows = sheet.iter_rows(values_only=True)
    return {head: [row[at] for row in rows] for at, head in enumerate(first) if head is not None}


def test_options_stand_in_their_order_with_units(compared):
    table, shown = shared_comparison().table, columns(compared["Options"])
    assert shown["racks"] == table["racks"].tolist()
    assert shown["net present value [EUR]"] == pytest.approx(table["npv"].tolist())
    assert shown["energy, usable [kWh]"] == pytest.approx(table["usable_kwh"].tolist())
    assert shown["rate of return"] == pytest.approx([None if value != value else value for value in table["irr_frac"]])


def test_every_sheet_has_frozen_heads_that_are_printed_on_each_page(compared, result):
    for sheet in (*compared, *opened(sweep_workbook(result))):
        assert sheet.freeze_panes == "B2"
        assert sheet.print_title_rows == "$1:$1"
    assert compared.sheetnames == ["Summary", "Options", "One part more", "How sure", "Years", "Inputs"]


def test_numbers_have_the_formats_of_what_they_are(compared):
    sheet = compared["Options"]
    forms = {cell.value: sheet[f"{get_column_letter(cell.column)}2"].number_format for cell in sheet[1]}
    assert forms["racks"] == "0"
    assert forms["capital cost less grants [EUR]"] == "#,##0.00"
    assert forms["best in"] == "0.00%"
    assert [head for head in forms if "_" in head] == []


def test_inputs_are_complete(compared):
    keys = columns(compared["Inputs"])["Key"]
    assert "scenario.money.installation_cost" in keys
    assert "sha256.site.load" in keys
    assert any(key.startswith("catalogue.rack.") for key in keys)


def test_cases_of_a_sweep_are_those_of_its_table(result):
    shown = columns(opened(sweep_workbook(result))["Cases"])
    assert shown["-peak"] == result.table["-peak"].tolist()
    assert shown["net present value [EUR]"] == pytest.approx(result.table["npv"].tolist())


def test_text_of_users_is_never_a_formula(result):
    cells = [cell for sheet in opened(sweep_workbook(result)) for row in sheet for cell in row]
    assert "f" not in {cell.data_type for cell in cells}
    named = [cell for cell in cells if cell.value in ("=1+1", "@joinery & co", "-peak")]
    assert {cell.value for cell in named} == {"=1+1", "@joinery & co", "-peak"}
    assert all(cell.quotePrefix for cell in named)


def test_equal_studies_give_equal_bytes(result):
    assert comparison_workbook(shared_comparison()) == comparison_workbook(shared_comparison())
    assert sweep_workbook(result) == sweep_workbook(result)


def test_what_is_not_metered_says_so_on_every_sheet_and_page(compared):
    book = opened(saved(compared, Running("A & B " * 60, "not metered")))
    for sheet in book:
        assert "not metered" in [cell.value for cell in sheet[1]]
        assert sheet.oddHeader.right.text == "not metered"
        assert len(sheet.oddHeader.left.text) <= 200
        assert sheet.oddFooter.right.text == "&P / &N"


def test_what_is_metered_says_nothing_of_it():
    for sheet in opened(workbook_bytes(shared_study())):
        assert "not metered" not in [cell.value for cell in sheet[1]]
        assert sheet.oddHeader.left.text == "Tidewell Joinery"
