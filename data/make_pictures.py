"""Make the README's pictures from the demo scenarios, whose site, prices and parts are all invented.

Run ``python data/make_pictures.py`` with the test extra installed; it takes some minutes, most of them for the years of
life. The first screen of the report is taken by a browser (chromium), and left as it is where there is none.
"""

import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

from crestfall import load_scenario, run, varied, write_result

ROOT = Path(__file__).resolve().parent.parent
TARGET = ROOT / "data" / "pictures"
OF_THE_YEAR = ("week", "monthly-bill", "costliest-days", "connection", "waterfall", "load-shape", "year-map", "peaks")
OF_THE_LIFE = ("cash", "sensitivity")
OF_EMISSIONS = ("emissions",)
SCREEN = {"width": 1440, "height": 900}
MOST_BYTES = 300_000  # of a picture, so that a copy of the repository stays small


def main() -> None:
    """Study the demo scenarios and keep some of their pictures."""
    for name, pictures in (
        ("cold_store", OF_THE_YEAR),
        ("cold_store_life", OF_THE_LIFE),
        ("cold_store_emissions", OF_EMISSIONS),
    ):
        scenario = varied(load_scenario(ROOT / "scenarios" / f"{name}.yaml"), {"output.figure_formats": ["png"]})
        with TemporaryDirectory() as folder:
            report = write_result(run(scenario), Path(folder) / "out")
            for picture in pictures:
                keep((report.parent / "figures" / f"{picture}.png").read_bytes(), picture)
            if name == "cold_store_life":
                take_first_screen(report)


def keep(content: bytes, name: str) -> None:
    """Write a picture if it is small enough."""
    if len(content) > MOST_BYTES:
        raise SystemExit(f"{name}.png has {len(content):,} bytes, more than {MOST_BYTES:,}")
    (TARGET / f"{name}.png").write_bytes(content)
    print(f"wrote {name}.png ({len(content):,} bytes)")


def take_first_screen(report: Path) -> None:
    """Take what a reader sees first."""
    browser = shutil.which("chromium")
    if browser is None:
        print("no browser: first-screen.png is left as it is")
        return
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=browser, args=["--no-sandbox"])
        page = opened.new_page(viewport=SCREEN, color_scheme="light")
        page.goto(report.as_uri())
        keep(page.screenshot(), "first-screen")
        opened.close()


if __name__ == "__main__":
    main()
