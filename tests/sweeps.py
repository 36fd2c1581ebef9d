"""Sweep files over the joinery; without a battery a case is a bill and takes milliseconds."""

from pathlib import Path

from compared_site import LIVING
from hourly_site import NO_BATTERY, WITH_PV, write_hourly_site
from site_files import Edit

HEAD = "crestfall_sweep: 1\nbase: scenario.yaml\naxes:\n"
RATES = "  - {key: money.discount.rate_frac, range: {first: 0.01, last: 0.1, step: 0.01}, name: rate}\n"
PEAKS = '  - {key: "tariff.demand_charges[0].rate_per_kw", values: [6, 9.5, 13], name: peak}\n'
FAULT_CASES = 30  # of RATES and PEAKS


def write_sweep(folder: Path, text: str = HEAD + RATES + PEAKS, *edits: Edit) -> Path:
    """Write the joinery without a battery and a sweep of it; return the sweep's path."""
    write_hourly_site(folder, WITH_PV, *LIVING, *(edits or (NO_BATTERY,)))
    path = folder / "sweep.yaml"
    path.write_text(text, encoding="utf-8")
    return path
