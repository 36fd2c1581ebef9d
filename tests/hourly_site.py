"""A joinery's whole year in hours: every study of it is quick, and every part of one is in use."""

import atexit
import datetime as dt
import math
import random
import shutil
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from crestfall.scenario import load_scenario
from crestfall.study import Result, run
from site_files import Edit, in_scenario, write_site
from year_data import csv, local_steps, naive

OnStage = Callable[[str], None]
WITH_PV = in_scenario(
    "  import_limit_kw: 400\n",
    "  pv:\n    file: load.csv\n    column: pv_kw\n    unit: kW\n  import_limit_kw: 400\n  export_limit_kw: 45\n",
)
NO_BATTERY = in_scenario("racks: 2\n  modules: 1", "racks: 0\n  modules: 0")
SVG_AND_PNG = in_scenario("option:", "output:\n  figure_formats: [svg, png]\noption:")
HOSTILE_NAME = in_scenario("Tidewell Joinery", "<script>alert(1)</script>")
# The default policy, with two plans a day in place of one each hour.
BY_ROLLING = in_scenario("policy: hindsight\n", "rolling: {horizon_h: 24, plan_every_h: 12}\n")
BY_RULES = in_scenario("policy: hindsight", "policy: rules")


def with_import_limit(limit_kw: float) -> Edit:
    """Return the edit of the scenario that sets another import limit; there is no PV then."""
    return in_scenario("import_limit_kw: 400", f"import_limit_kw: {limit_kw:g}")


def load_kw(step: dt.datetime, chance: random.Random) -> float:
    """Return a load with a work day, a short peak in the afternoon and a quiet weekend."""
    if step.weekday() >= 5:
        return round(18 + 6 * chance.random(), 2)
    at_work = 60 if 7 <= step.hour < 18 else 0
    extracting = 55 * chance.random() if step.hour in (14, 15, 17) else 0
    return round(22 + at_work + extracting + 8 * chance.random(), 2)


def pv_kw(step: dt.datetime, chance: random.Random) -> float:
    """Return a generation that is high at noon in summer."""
    season = 0.55 - 0.45 * math.cos(2 * math.pi * step.timetuple().tm_yday / 365)
    height = math.sin(math.pi * (step.hour - 5) / 15) if 5 <= step.hour <= 20 else 0.0
    return round(110 * season * height * (0.35 + 0.65 * chance.random()), 2)


@cache
def year_csv(*, step_min: int = 60) -> str:
    """Return the joinery's load and PV of 2025, the same on every call."""
    chance = random.Random(2025)
    steps = local_steps("Europe/Berlin", step_min=step_min)
    values = [f"{load_kw(step, chance)},{pv_kw(step, chance)}" for step in steps]
    return csv(naive(steps), values, head="time,load_kw,pv_kw")


def write_hourly_site(folder: Path, *edits: Edit, load: str | None = None) -> Path:
    """Write the joinery with some edits and return the scenario's path."""
    folder.mkdir(parents=True, exist_ok=True)
    return write_site(folder, *edits, load=year_csv() if load is None else load)


def studied(folder: Path, *edits: Edit, on_stage: OnStage | None = None) -> Result:
    """Return the study of the joinery with PV and some edits."""
    return run(load_scenario(write_hourly_site(folder, WITH_PV, *edits)), on_stage=on_stage)


@cache
def shared_study(*edits: Edit) -> Result:
    """Return the same study to all tests of a process that ask for it; its files stay until the process ends."""
    folder = Path(tempfile.mkdtemp(prefix="joinery-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return studied(folder, *edits)
