"""A joinery with a life and money, whose options are compared: hours, so that every option is quick."""

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from crestfall.scenario import Scenario, load_scenario
from crestfall.study import Comparison, compare
from hourly_site import WITH_PV, write_hourly_site
from site_files import Edit, in_catalogue, in_scenario

PRICE, MONEY = "  standby_kw: 0.05\n  price: 9000\n", "  installation_cost: 1500\n"
FADING = in_catalogue(
    PRICE,
    "  standby_kw: 0.05\n  price: 3000\n"
    "  life: {law: per_cycle_and_year, loss_frac_per_full_cycle: 0.0001, calendar_loss_frac_per_year: 0.16}\n",
)
CHEAP_MODULES = in_catalogue("  price: 5000", "  price: 900")
YEARS = in_scenario(
    MONEY,
    f"{MONEY}  discount: {{rate_frac: 0.06, terms: nominal}}\n"
    "life:\n  horizon_years: 3\n  end_of_life: {then: replace, prices: {rack_price: 400}}\n",
)
LIVING = (FADING, CHEAP_MODULES, YEARS)
RACKS, MODULES = (1, 2, 3), (1, 2)


def joinery(*edits: Edit) -> Scenario:
    """Return the joinery with PV and some edits; its files stay until the process ends."""
    folder = Path(tempfile.mkdtemp(prefix="joinery-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return load_scenario(write_hourly_site(folder, WITH_PV, *edits))


@cache
def shared_comparison() -> Comparison:
    """Return one comparison to all tests of a process that ask for it."""
    return compare(joinery(*LIVING), racks=RACKS, modules=MODULES, draws=64, workers=0)
