"""The report in a real browser; left out where none is installed."""

import io
import math
import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pypdf import PdfReader

from crestfall.report import fill_folder
from crestfall.report._elements import parsed
from hourly_site import HOSTILE_NAME, shared_study

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
AXE = Path(__file__).parents[2] / "node_modules" / "axe-core" / "axe.min.js"
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
HOSTILE_SITE = "<script>alert(1)</script>"
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no browser (chromium) is installed")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A year of hours of a site whose name is a script."""
    folder = tmp_path_factory.mktemp("browser")
    fill_folder(shared_study(HOSTILE_NAME), folder, ["page", "tables"])
    return folder


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def opened(browser, folder):
    """The report, what it asked for, and what it complained of."""
    context = browser.new_context(viewport={"width": 1440, "height": 900}, offline=True, locale="en-GB")
    page = context.new_page()
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    page.goto((folder / "report.html").as_uri())
    yield page, asked, said
    context.close()


def test_report_opens_in_silence_and_asks_for_nothing(opened, folder):
    page, asked, said = opened
    page.wait_for_selector("#days-picture svg")
    assert said == []
    assert [url for url in asked if not url.startswith("data:")] == [(folder / "report.html").as_uri()]


@pytest.mark.parametrize("width", [360, 1440])
def test_nothing_overflows_sideways(opened, width):
    page, _, _ = opened
    page.set_viewport_size({"width": width, "height": 800})
    page.wait_for_timeout(200)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_answer_and_its_picture_fit_the_first_screen(opened):
    page, _, _ = opened
    for name in (".reply", ".first .answer", ".first img"):
        box = page.locator(name).bounding_box()
        assert box["y"] + box["height"] <= 900
    picture, words = (page.locator(name).bounding_box() for name in (".first img", ".reply"))
    assert picture["x"] > words["x"] + words["width"] - 1  # beside each other


def test_on_a_phone_the_answer_comes_first_and_the_picture_below_it(opened):
    page, _, _ = opened
    page.set_viewport_size({"width": 360, "height": 800})
    figures, picture = (page.locator(name).bounding_box() for name in (".first .answer", ".first img"))
    reply = page.locator(".reply").bounding_box()
    assert reply["y"] + reply["height"] <= 800
    assert picture["y"] >= figures["y"] + figures["height"]
    assert picture["width"] <= 360


def read(page) -> dict[str, str]:
    """Return what is read off the picture of a day."""
    pairs = page.eval_on_selector_all(
        "#days-read > div", "all => all.map(one => [one.children[0].textContent, one.children[1].textContent])"
    )
    return dict(pairs)


def number(text: str) -> float:
    return float(text.split()[0].replace(",", ""))


@pytest.mark.parametrize("date", ["2025-01-01", "2025-03-30", "2025-07-14", "2025-10-26", "2025-12-31"])
def test_day_shows_the_numbers_of_the_schedule(opened, folder, date):
    """Days on which clocks change are among them: they have 23 or 25 hours."""
    page, _, _ = opened
    page.fill("#days-date", date)
    page.dispatch_event("#days-date", "change")
    frame = pd.read_parquet(folder / "schedule.parquet")
    day = frame[np.asarray(frame.index.strftime("%Y-%m-%d")) == date]
    page.focus("#days-picture")
    for _ in range(30):
        page.keyboard.press("ArrowLeft")
    for start, row in day.iterrows():
        shown = read(page)
        assert shown["time"].startswith(start.strftime("%H:%M"))
        assert number(shown["load"]) == pytest.approx(row.load_kw, abs=0.051)
        assert number(shown["at the meter"]) == pytest.approx(row.import_kw - row.export_kw, abs=0.051)
        assert number(shown["charge"]) == pytest.approx(row.charge_kw, abs=0.051)
        assert number(shown["discharge"]) == pytest.approx(row.discharge_kw, abs=0.051)
        assert number(shown["stored at the end"]) == pytest.approx(row.stored_kwh, abs=0.051)
        assert number(shown["price of import"]) == pytest.approx(row.buy_per_kwh, abs=5.1e-5)
        page.keyboard.press("ArrowRight")


def test_days_turn_by_mouse_and_keyboard(opened):
    page, _, _ = opened
    page.fill("#days-date", "2025-05-05")
    page.dispatch_event("#days-date", "change")
    page.click("#days-on")
    assert page.input_value("#days-date") == "2025-05-06"
    page.focus("#days-slider")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    assert page.input_value("#days-date") == "2025-05-04"
    page.focus("#days-picture")
    page.keyboard.press("PageDown")
    assert page.input_value("#days-date") == "2025-05-05"
    before = read(page)["time"]
    picture = page.locator("#days-picture")
    picture.hover(position={"x": picture.bounding_box()["width"] - 12, "y": 60})
    assert read(page)["time"] == "23:00–00:00" != before


def test_every_colour_of_the_picture_is_known(opened):
    """A variable that the page does not define would leave its shapes black."""
    page, _, _ = opened
    drawn = page.eval_on_selector_all(
        "#days-picture svg [style]", "all => all.flatMap(one => one.getAttribute('style').match(/--[a-z-]+/g) || [])"
    )
    assert drawn
    for name in set(drawn):
        assert page.evaluate(f"getComputedStyle(document.documentElement).getPropertyValue('{name}')"), name


@pytest.mark.skipif(not AXE.exists(), reason=f"no {AXE}: `npm install --no-save axe-core` puts it there")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(opened, scheme):
    page, _, _ = opened
    page.emulate_media(color_scheme=scheme)
    page.add_script_tag(path=str(AXE))
    found = page.evaluate("axe.run().then(found => found.violations)")
    serious = [one for one in found if one["impact"] in ("serious", "critical")]
    assert not serious, [(one["id"], one["nodes"][0]["html"]) for one in serious]


# --- print ------------------------------------------------------------------------------------------------------------

SIDES_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGINS_MM = (32.0, 38.0)  # of @page in house.css, both sides together
PX_PER_MM = 96 / 25.4


@pytest.fixture(scope="module", params=SIDES_MM)
def printed(request, browser, folder):
    """The page in print on one size of paper, its sides between the margins [px], and the printed pages."""
    sides = [(side - margin) * PX_PER_MM for side, margin in zip(SIDES_MM[request.param], MARGINS_MM, strict=True)]
    context = browser.new_context(
        viewport={"width": int(sides[0]), "height": 800}, offline=True, color_scheme="dark", locale="en-GB"
    )
    page = context.new_page()
    page.goto((folder / "report.html").as_uri())
    texts = [one.extract_text() for one in PdfReader(io.BytesIO(page.pdf(format=request.param))).pages]
    page.emulate_media(media="print")
    yield page, sides, texts
    context.close()


def test_print_takes_the_pages_expected_each_with_name_and_number(printed):
    """As many as the length of what is printed, and what is left free where a picture or table goes over."""
    page, (_, height), texts = printed
    least = math.ceil(page.evaluate("document.body.getBoundingClientRect().height") / height)
    assert least > 4
    assert least <= len(texts) <= 1.5 * least
    for number, text in enumerate(texts, start=1):
        assert HOSTILE_SITE in text
        assert f"{number} / {len(texts)}" in text


def test_print_cuts_no_figure(printed, folder):
    page, (width, height), texts = printed
    boxes = page.eval_on_selector_all("figure", "all => all.map(one => one.getBoundingClientRect().toJSON())")
    assert len(boxes) > 5
    assert max(box["height"] for box in boxes) < height
    assert max(box["right"] for box in boxes) <= width
    squeezed = [re.sub(r"\s+", "", text) for text in texts]
    for figure in parsed((folder / "report.html").read_text(encoding="utf-8")).all("figure"):
        parts = [re.sub(r"\s+", "", one.text) for one in figure.elements if one.text]
        assert any(all(part in text for part in parts) for text in squeezed), parts


def test_print_fits_the_width_shows_the_inputs_and_leaves_the_day_picker_out(printed):
    page, (width, _), texts = printed
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    text = "".join(texts)
    assert "installation_cost: 1500" in text
    assert "On a screen, the page shows any single day of the year" in text
    assert "most valuable day" not in text


def test_print_is_dark_on_white_whatever_the_screen(printed):
    page, _, _ = printed
    style = page.evaluate("(({color, backgroundColor}) => [color, backgroundColor])(getComputedStyle(document.body))")
    assert style == ["rgb(32, 48, 60)", "rgb(255, 255, 255)"]
