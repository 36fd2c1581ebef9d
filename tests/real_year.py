"""A scenario on measured data: a German trade load and PV of 2016, a tariff of two demand charges, the demo catalogue.

As a command, ``python tests/real_year.py FOLDER`` writes the scenario and its CSV file into a folder, ready for
``crestfall run FOLDER/scenario.yaml``. The data come from the cache that ``tests/open_data.py`` fills.
"""

import argparse
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

import open_data

CATALOGUE = Path(__file__).parent.parent / "data" / "catalogue" / "kvader.yaml"

# Prices are invented, but for the measured series everything is.
SCENARIO = """\
# A metered trade load (simbench G3-A of 2016, scaled to a peak of 400 kW) with 300 kWp of PV (simbench PV3).
crestfall_scenario: 1
question: What would 180 kWh and 200 kVA save on a metered German trade load?

site:
  name: Trade load G3-A with 300 kWp
  time_zone: Europe/Berlin
  load: {file: site.csv, column: load_kw, unit: kW}
  pv: {file: site.csv, column: pv_kw, unit: kW}

tariff: tariff.yaml
catalogue: catalogue.yaml

option:
  racks: 3
  modules: 4

money:
  currency: EUR
  installation_cost: 18000

dispatch:
  wear_per_kwh: 0.025
"""

TARIFF = """\
crestfall_tariff: 1
title: Two energy prices and a demand charge in two parts (invented)
currency: EUR
valid_from: 2016-01-01
day_types:
  working_day: {weekdays: [mon, tue, wed, thu, fri], on_holidays: never}
holidays: {country: DE}
energy_charges:
  - name: Working days
    rate_per_kwh: 0.21
    when:
      - {day_types: [working_day], times: ["06:00-22:00"]}
  - name: Nights and rest days
    rate_per_kwh: 0.15
demand_charges:
  - name: Peak demand at any time
    rate_per_kw: 6.40
    averaging_min: 15
  - name: Peak demand in the evening
    rate_per_kw: 7.90
    averaging_min: 15
    when:
      - {day_types: [working_day], times: ["16:00-20:00"]}
fixed_charges:
  - name: Metering
    amount_per_month: 60
export:
  rate_per_kwh: 0.06
"""


def write_real_year(folder: Path) -> Path:
    """
    Write the scenario, its tariff, catalogue and CSV file into a folder, which is made if need be.

    Parameters
    ----------
    folder : Path
        Where the files shall stand; files of the same names are overwritten.

    Returns
    -------
    Path
        The scenario.

    Raises
    ------
    NotFetchedError
        If the measured data are not in the cache; the message says how to get them.
    """
    series = pd.DataFrame({"load_kw": open_data.simbench_load_kw(), "pv_kw": open_data.simbench_pv_kw()})
    stamps = [stamp.isoformat(timespec="minutes") for stamp in series.index]
    folder.mkdir(parents=True, exist_ok=True)
    series.set_axis(stamps).to_csv(folder / "site.csv", index_label="time", float_format="%.4f", lineterminator="\n")
    (folder / "scenario.yaml").write_text(SCENARIO, encoding="utf-8")
    (folder / "tariff.yaml").write_text(TARIFF, encoding="utf-8")
    shutil.copy(CATALOGUE, folder / "catalogue.yaml")
    return folder / "scenario.yaml"


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the scenario as the command line asks; return the exit code: 0 done, 2 the data are missing."""
    parser = argparse.ArgumentParser(prog="real_year.py", description="Write a scenario on measured data.")
    parser.add_argument("folder", type=Path, help="folder for scenario and data")
    try:
        print(write_real_year(parser.parse_args(arguments).folder))
    except open_data.NotFetchedError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
