"""What a study leaves on the disk."""

import json
import re
from html.parser import HTMLParser

import pandas as pd
import pytest
from ruamel.yaml import YAML

from crestfall.report import write_result
from crestfall.study import SCHEDULE_COLUMNS
from hourly_site import HOSTILE_NAME, NO_BATTERY, SVG_AND_PNG, shared_study, studied

ALWAYS = ("duration-curve", "load-shape", "monthly-bill", "tariff", "week", "year-map")
FIGURES = (
    *ALWAYS,
    "cells",
    "connection",
    "cycle-depths",
    "peaks",
    "sensitivity",
    "store-by-hour",
    "typical-week",
    "waterfall",
)
FILES = {
    "archive.npz",
    "bill.csv",
    "bill.parquet",
    "inputs.yaml",
    "report.html",
    "schedule.parquet",
    "study.xlsx",
    "summary.json",
    "timings.json",
    *(f"figures/{name}.{kind}" for name in FIGURES for kind in ("png", "svg")),
}


@pytest.fixture(scope="module")
def result():
    """The joinery's year with a battery, to be written with both formats of figures; its name is a script."""
    return shared_study(SVG_AND_PNG, HOSTILE_NAME)


@pytest.fixture(scope="module")
def folder(result, tmp_path_factory):
    """The folder of that study."""
    return write_result(result, tmp_path_factory.mktemp("results") / "joinery").parent


@pytest.fixture(scope="module")
def without_battery(tmp_path_factory):
    """The folder of the same year without a battery, named by a text."""
    folder = tmp_path_factory.mktemp("bare") / "out"
    assert write_result(shared_study(NO_BATTERY), str(folder)) == folder / "report.html"
    return folder


def files_in(folder) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }


def test_folder_holds_these_files(folder):
    assert set(files_in(folder)) == FILES


def test_study_without_a_battery_has_no_figures_of_a_battery(without_battery):
    # Peaks are billed without a battery as well.
    names = {f"{name}.svg" for name in (*ALWAYS, "peaks")}
    assert {path.name for path in (without_battery / "figures").iterdir()} == names


def test_equal_inputs_give_equal_bytes_but_for_the_timings(folder, tmp_path):
    again = studied(tmp_path / "joinery", SVG_AND_PNG, HOSTILE_NAME)
    first, second = files_in(folder), files_in(write_result(again, tmp_path / "out").parent)
    assert [name for name in FILES - {"timings.json"} if first[name] != second[name]] == []


# --- tables -----------------------------------------------------------------------------------------------------------


def test_schedule_is_read_back_with_its_zone_and_its_columns(folder, result):
    frame = pd.read_parquet(folder / "schedule.parquet")
    assert frame.index.name == "start"
    assert str(frame.index.tz) == "Europe/Berlin"
    assert tuple(frame.columns) == SCHEDULE_COLUMNS
    pd.testing.assert_frame_equal(frame, result.schedule_frame(), check_freq=False)


def test_bill_has_its_columns(folder):
    table = pd.read_csv(folder / "bill.csv")
    assert list(table.columns) == ["period", "group", "line", "quantity", "unit", "rate", "amount", "case"]


def test_bill_adds_up_to_the_summary(folder):
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    sums = pd.read_csv(folder / "bill.csv").groupby("case")["amount"].sum()
    # Each of some hundred rows is rounded to 1e-6.
    assert sums["before"] == pytest.approx(summary["bill_before"], abs=1e-4)
    assert sums["after"] == pytest.approx(summary["bill_after"], abs=1e-4)


def test_rate_times_quantity_is_the_amount_on_every_line(folder):
    table = pd.read_csv(folder / "bill.csv")
    # Rates are rounded to 1e-6, and a month has some 10,000 kWh.
    assert (table["quantity"] * table["rate"] - table["amount"]).abs().max() < 0.01


def test_summary_on_disk_is_the_summary(folder, result):
    assert json.loads((folder / "summary.json").read_text(encoding="utf-8")) == result.summary()


def test_inputs_on_disk_are_the_resolved_inputs(folder, result):
    assert YAML(typ="safe").load(folder / "inputs.yaml") == result.inputs.scenario.resolved()


def test_timings_count_every_stage(folder, result):
    seconds = json.loads((folder / "timings.json").read_text(encoding="utf-8"))["seconds"]
    assert list(seconds) == [*result.timings_s, "drawing and writing"]
    assert min(seconds.values()) > 0


# --- the report -------------------------------------------------------------------------------------------------------


class Page(HTMLParser):
    """Gathers tags with their attributes, and the text outside of styles and scripts."""

    def __init__(self, html: str):
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.open: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "input"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"</{tag}> closes nothing"

    def handle_data(self, data):
        if not {"style", "script"} & set(self.open):
            self.text += data


@pytest.fixture(scope="module")
def html(folder) -> str:
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(html) -> Page:
    return Page(html)


def test_report_of_one_year_says_nothing_of_a_life(html):
    assert "Life and money" not in html


def test_report_closes_every_tag(page):
    assert page.open == []


def test_name_of_a_site_is_text_and_no_script(page, html):
    assert "<script>alert(1)</script>" in page.text
    assert [tag for tag, _ in page.tags].count("script") == 2  # the days, and what draws them
    assert "<script>alert" not in html


def test_report_needs_no_network(page, html):
    links = [attrs.get(key) for _, attrs in page.tags for key in ("src", "href", "srcset", "action") if key in attrs]
    assert links
    assert all(link.startswith("data:image/svg+xml;base64,") for link in links)
    assert re.findall(r"url\(|@import|fetch\(|XMLHttpRequest|import\(", html) == []


def test_report_is_below_5_mb(html):
    assert len(html.encode()) < 5_000_000


def test_report_shows_every_figure_with_words_in_its_place(page):
    pictures = [attrs for tag, attrs in page.tags if tag == "img"]
    assert len(pictures) == len(FIGURES)
    assert all(len(attrs["alt"]) > 20 for attrs in pictures)


def test_report_says_which_policy_is_shown_and_that_hindsight_is_a_ceiling(page):
    assert "Figures and tables below show hindsight." in page.text
    assert "The saving with hindsight is a ceiling" in page.text
    assert "with hindsight, which knows the whole year: a ceiling, not a promise." in page.text


def test_report_shows_both_savings(page, result):
    for case in (result.hindsight, result.rules):
        assert f"{result.saving(case):,.0f}" in page.text


def test_report_repeats_inputs_version_and_fingerprint(page, result):
    assert "installation_cost: 1500" in page.text
    assert f"Crestfall {result.summary()['crestfall']} · scenario {result.inputs.scenario.fingerprint()}" in page.text


def test_report_carries_the_cautions(page):
    assert "It sets no protection, sizes no conductor and approves no site." in page.text


def test_report_shows_the_connection_with_its_cautions(page, result):
    assert f"{result.inputs.plant.rating_kva:,.0f} kVA in 1 cabinet" in page.text
    assert "a DC arc does not go out by itself" in page.text
    assert [attrs["alt"].startswith("Connection: ") for tag, attrs in page.tags if tag == "img"].count(True) == 1


def test_report_without_a_battery_has_nothing_to_connect(without_battery):
    text = (without_battery / "report.html").read_text(encoding="utf-8")
    assert "Connection" not in Page(text).text


def test_report_without_a_battery_says_nothing_of_cycles(without_battery):
    text = (without_battery / "report.html").read_text(encoding="utf-8")
    # Among the inputs there are keys that name them.
    assert "cycle" not in re.sub(r"\w+_cycles?_\w+|warranty", "", Page(text).text)
