"""A small valid scenario on disk, to be broken or varied one edit at a time."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

# The policy is the quickest; the default plans 8,760 times a year and has tests of its own.
SCENARIO = """\
crestfall_scenario: 1
site:
  name: Tidewell Joinery
  time_zone: Europe/Berlin
  load:
    file: load.csv
    column: load_kw
    unit: kW
  import_limit_kw: 400
tariff: tariff.yaml
catalogue: catalogue.yaml
option:
  racks: 2
  modules: 1
money:
  currency: EUR
  installation_cost: 1500
policy: hindsight
"""

TARIFF = """\
crestfall_tariff: 1
title: Two prices and a peak
currency: EUR
valid_from: 2025-01-01
seasons:
  winter: {first_day: 11-01, last_day: 03-31}
day_types:
  working: {weekdays: [mon, tue, wed, thu, fri], on_holidays: never}
holidays:
  country: DE
  subdivision: BY
energy_charges:
  - name: Evening
    rate_per_kwh: 0.30
    when:
      - seasons: [winter]
        day_types: [working]
        times: [17:00-20:00]
  - name: Other hours
    rate_per_kwh: 0.20
demand_charges:
  - name: Peak
    rate_per_kw: 9.5
    averaging_min: 60
fixed_charges:
  - name: Meter
    amount_per_month: 12
export:
  rate_per_kwh: 0.06
"""

CATALOGUE = """\
crestfall_catalogue: 1
title: Parts
currency: EUR
rack:
  name: R50
  energy_kwh: 50
  lowest_soc_frac: 0.1
  highest_soc_frac: 0.9
  charge_c_rate_per_h: 0.5
  discharge_c_rate_per_h: 0.8
  charge_efficiency_frac: 0.98
  discharge_efficiency_frac: 0.96
  self_discharge_frac_per_month: 0.02
  standby_kw: 0.05
  price: 9000
module:
  name: M60
  rating_kva: 60
  charge_efficiency_frac: 0.97
  discharge_efficiency_frac: 0.95
  standby_kw: 0.1
  price: 5000
cabinet:
  name: C
  most_modules: 2
  most_racks: 4
  auxiliary_kw: 0.2
  price: 3000
rules:
  most_racks: 8
  most_modules: 4
  most_cabinets: 2
"""

# Enough for all that does not read interval data.
HEADER_ONLY = "time,load_kw\n"
TEXTS = {"scenario.yaml": SCENARIO, "tariff.yaml": TARIFF, "catalogue.yaml": CATALOGUE, "load.csv": HEADER_ONLY}


class Edit(NamedTuple):
    """Replace one piece of one file, which must stand there exactly once."""

    file: str
    old: str
    new: str


def write_site(folder: Path, *edits: Edit, **contents: str | bytes) -> Path:
    """Write the files with some edits and return the scenario's path; `contents` replace or add files by their stem."""
    texts = dict(TEXTS)
    for edit in edits:
        assert texts[edit.file].count(edit.old) == 1, f"{edit.old!r} must stand once in {edit.file}"
        texts[edit.file] = texts[edit.file].replace(edit.old, edit.new)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    for stem, content in contents.items():
        suffix = ".yaml" if f"{stem}.yaml" in TEXTS else ".csv"
        (folder / f"{stem}{suffix}").write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder / "scenario.yaml"


def editor(file: str) -> Callable[[str, str], Edit]:
    """Return a short way to write edits of one file."""
    return lambda old, new: Edit(file, old, new)


in_scenario, in_tariff, in_catalogue = (editor(f"{stem}.yaml") for stem in ("scenario", "tariff", "catalogue"))


def message(error: BaseException, folder: Path) -> str:
    """Return the text of an error with the test's own folder replaced by FOLDER."""
    return str(error).replace(str(folder), "FOLDER")
