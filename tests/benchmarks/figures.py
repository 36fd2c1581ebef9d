"""Time to draw and write each figure of a year of quarter hours.

Run ``python tests/benchmarks/figures.py [SCENARIO]``; each figure shall take less than a second of one core. Under load
look at the ratio to the week, which was always drawn.
"""

import sys
import time
from pathlib import Path

from crestfall import load_scenario, run, varied
from crestfall.report import draw_all, draw_sections
from crestfall.report._files import figure_bytes

ROOT = Path(__file__).resolve().parents[2]


def main() -> None:
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "scenarios" / "cold_store.yaml"
    result = run(varied(load_scenario(path), {"policy": "hindsight"}))
    began = time.process_time()
    figures = draw_all(result) | draw_sections(result)
    print(f"{time.process_time() - began:6.2f} s  laying out all {len(figures)} figures")
    for name, figure in figures.items():
        began = time.process_time()
        content = figure_bytes(figure, "svg")
        print(f"{time.process_time() - began:6.2f} s  {name}, {len(content):,} bytes")


if __name__ == "__main__":
    main()
