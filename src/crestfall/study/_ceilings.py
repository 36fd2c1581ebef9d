"""First ceilings on import that no battery could keep."""

from collections.abc import Callable

import numpy as np

from crestfall.control import least_ceiling_kw
from crestfall.dispatch import Problem
from crestfall.errors import KeyedError
from crestfall.scenario import Scenario
from crestfall.series import SiteSeries


def check_first_ceilings(scenario: Scenario, series: SiteSeries, problem: Callable[[], Problem]) -> None:
    """
    Raise if the ceiling that a policy begins with lies below what the site draws at any time.

    Parameters
    ----------
    scenario : Scenario
        The scenario of a battery.
    series : SiteSeries
        The site's year.
    problem : callable
        Returns the site and the plant; asked only where something is wrong.

    Raises
    ------
    KeyedError
        The message says what could be reached.
    """
    ask = scenario.ask
    ceilings = {"rules": ask.rules.first_ceiling_kw}
    if ask.policy == "rolling":
        ceilings["rolling"] = ask.rolling.first_ceiling_kw
    month = np.asarray((series.start.year == series.start[0].year) & (series.start.month == series.start[0].month))
    base_kw = float(series.load_kw[month].min())
    for policy, ceiling_kw in ceilings.items():
        if ceiling_kw is None or ceiling_kw >= base_kw:
            continue
        reachable_kw = least_ceiling_kw(problem(), int(month.sum()))
        raise KeyedError(
            "scenario",
            (policy, "first_ceiling_kw"),
            found=f"{ceiling_kw:g}",
            expected=f"at least {base_kw:,.1f} kW, below which the load never falls in the first month",
            remedy=f"with this option {reachable_kw:,.1f} kW could have been kept in that month, had it been known;"
            " begin above that, or leave the key out",
        )
