"""A study on anything but metered data says so on every page of every form."""

import io
import re

import pytest
from matplotlib.figure import Figure
from openpyxl import load_workbook
from pypdf import PdfReader

from crestfall.report._forms import write_forms
from crestfall.report._running import Running, mark, running
from crestfall.scenario import load_scenario
from crestfall.study import run
from site_files import in_scenario, write_site

LOAD = "  load:\n    file: load.csv\n    column: load_kw\n    unit: kW\n"
MODEL = (
    "  load_model:\n    year: 2025\n    step_min: 60\n    parametric: {from_h: 6, to_h: 22}\n"
    "    energy_kwh: 100000\n    peak_kw: 40\n"
)
ADDED = "  additions:\n    - {kind: new_line, power_kw: 20, from_h: 8, to_h: 12}\n"
LIMIT = "  import_limit_kw: 400\n"
MODELLED = in_scenario(LOAD, MODEL)


@pytest.mark.parametrize(
    ("edits", "notice"),
    [
        ((), ""),
        ((MODELLED,), "not metered"),
        ((in_scenario(LIMIT, f"{LIMIT}  growth_frac: 0.1\n"),), "in part not metered"),
        ((in_scenario(LIMIT, f"{LIMIT}{ADDED}"),), "in part not metered"),
    ],
)
def test_notice_says_what_of_the_data_was_not_metered(edits, notice, scenario_with):
    assert running(scenario_with(*edits).ask) == Running("Tidewell Joinery", notice)


def test_every_form_says_so_on_every_page(tmp_path):
    (tmp_path / "site").mkdir()
    folder = tmp_path / "out"
    folder.mkdir()
    result = run(load_scenario(write_site(tmp_path / "site", MODELLED)))
    write_forms(result, folder, ["page", "pdf", "workbook"])
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert '<p class="flag">not metered</p>' in page
    assert r'@top-right { content: "not\20 metered"' in page
    texts = [one.extract_text() for one in PdfReader(folder / "report.pdf").pages]
    assert len(texts) > 3
    assert all(text.splitlines()[0].startswith("Tidewell Joinery") and "not metered" in text for text in texts)
    book = load_workbook(io.BytesIO((folder / "study.xlsx").read_bytes()))
    assert all("not metered" in [cell.value for cell in sheet[1]] for sheet in book)
    assert all(sheet.oddHeader.right.text == "not metered" for sheet in book)


def test_a_figure_is_marked_below_what_it_shows():
    figure = Figure(figsize=(5, 3), layout="constrained")
    ax = figure.subplots()
    ax.set_xlabel("time")
    mark(figure, "not metered")
    figure.draw_without_rendering()
    label = ax.xaxis.label.get_window_extent()
    notice = next(text for text in figure.texts if text.get_text() == "not metered").get_window_extent()
    assert notice.y1 <= label.y0
    assert notice.x1 <= figure.bbox.x1


def test_a_figure_with_a_label_of_its_own_keeps_it():
    figure = Figure()
    figure.supxlabel("local time")
    mark(figure, "not metered")
    assert figure.get_supxlabel() == "local time · not metered"


def test_a_metered_figure_is_left_as_it_is():
    figure = Figure()
    mark(figure, "")
    assert figure.texts == []


def test_no_name_can_end_the_style_it_stands_in():
    css = Running('"; } </style><script>x</script> \\', "").css
    assert not re.search(r"[<>]|\\(?![0-9a-f]+ )", css)
    assert css.count('"') == 6
