"""From the years of a battery's life to what finance knows of them."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.finance import ProjectYears
from crestfall.study._life_result import LifeYear
from crestfall.study._result import Before, PolicyYear


def line_savings(without: Before, after: Before | PolicyYear) -> dict[str, float]:
    """
    Return what a battery saves on each line of the year's bill.

    Parameters
    ----------
    without : Before
        The same year without it, under the best contract.
    after : Before or PolicyYear
        The year with it, or after it has been given up.

    Returns
    -------
    dict of str to float
        Savings by line, in the order of the bills; a line that only one of both bills has counts there.
    """
    due, left = (_by_line(one.bill) for one in (without, after))
    lines = dict.fromkeys([*without.rates.line_groups, *after.rates.line_groups])
    return {line: due.get(line, 0.0) - left.get(line, 0.0) for line in lines if line in due or line in left}


def _by_line(bill: pd.DataFrame) -> dict[str, float]:
    amounts: dict[str, float] = {}
    for line, amount in zip(bill["line"].tolist(), bill["amount"].tolist(), strict=True):
        amounts[line] = amounts.get(line, 0.0) + amount
    return amounts


def charging_cost(case: PolicyYear, step_h: float) -> float:
    """
    Return what the energy that a battery charged in a year cost.

    Parameters
    ----------
    case : PolicyYear
        The year.
    step_h : float
        Length of a step [h].

    Returns
    -------
    float
        As far as the site imports meanwhile, at that price; the rest is PV, at what it would have earned.
    """
    done, rates = case.replayed, case.rates
    bought: NDArray[np.float64] = np.minimum(done.charge_kw, done.import_kw)
    return step_h * float((bought * rates.buy_per_kwh + (done.charge_kw - bought) * rates.sell_per_kwh).sum())


def project_of(years: tuple[LifeYear, ...]) -> ProjectYears:
    """
    Return what the years bring, as finance takes it.

    Parameters
    ----------
    years : tuple of LifeYear
        Every year of the horizon.

    Returns
    -------
    ProjectYears
        Savings by line, later racks, energy.
    """
    lines = tuple(dict.fromkeys(line for one in years for line in one.line_savings))
    return ProjectYears(
        lines=lines,
        line_savings=np.array([[one.line_savings.get(line, 0.0) for line in lines] for one in years]).reshape(
            len(years), len(lines)
        ),
        replacement_cost=np.array([0.0 if one.purchase is None else one.purchase.cost for one in years]),
        discharged_kwh=np.array([one.discharged_kwh for one in years]),
        charging_cost=np.array([one.charging_cost for one in years]),
    )
