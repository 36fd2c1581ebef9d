"""A page as a real browser shows it."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
AXE = Path(__file__).parents[1] / "node_modules" / "axe-core" / "axe.min.js"
needs_browser = pytest.mark.skipif(BROWSER is None, reason="no browser (chromium) is installed")


@contextmanager
def opened(path: Path) -> Iterator[Any]:
    """Open a page in a window of its own; at the end it has asked for nothing and complained of nothing."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 800}, offline=True, locale="en-GB")
        asked, said = [], []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.goto(path.as_uri())
        yield page
        browser.close()
    assert said == []
    assert [url for url in asked if not url.startswith("data:")] == [path.as_uri()]


def bottom_of(page: Any, selector: str) -> float:
    """Return how far down an element ends [px]."""
    box = page.locator(selector).first.bounding_box()
    return box["y"] + box["height"]


def overflow_at(page: Any, width: int) -> int:
    """Return by how many pixels the page is wider than a window."""
    page.set_viewport_size({"width": width, "height": 800})
    return page.evaluate("document.documentElement.scrollWidth") - width


def serious_faults(page: Any) -> list[tuple[str, str]]:
    """Return what axe-core finds to be serious, in both schemes; nothing where it is not installed."""
    if not AXE.exists():
        return []
    page.add_script_tag(path=str(AXE))
    faults = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        found = page.evaluate("axe.run().then(found => found.violations)")
        faults += [(one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in ("serious", "critical")]
    return faults
