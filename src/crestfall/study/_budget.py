"""A year whose schedule keeps a budget of energy, as a warranty has it.

The price of wear is the budget's multiplier: at each price the schedule is the best of all that discharge as much as it
does, or less. What is discharged falls in steps as the price rises, and a budget lies inside a step as a rule. Between
the schedules on both sides of it, any share of one and the rest of the other is a plan as well, for all but the choice
of one way in a step is linear: so the budget is used up, and the replay, which follows the planned store, goes one way.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from crestfall.dispatch import Schedule
from crestfall.errors import InfeasibleError
from crestfall.study._inputs import Inputs
from crestfall.study._result import PolicyYear
from crestfall.study._run import headline_year, year_of

FIRST_STEP_PER_KWH = 0.02  # about the price of wear of today's racks; where the search begins decides nothing
NEAR_FRAC = 0.015  # by how much the price may move from a year to the next before the search has to widen
DOUBLINGS = 16
HALVINGS = 5
CLOSE_FRAC = 0.01  # of the budget: what may stay unused before the search goes on
SPARE_FRAC = 0.002  # of the budget, kept for what the true plant takes beyond the plan
MIXED = ("charge_kw", "discharge_kw", "stored_kwh", "start_kwh", "curtailed_kw", "import_kw", "export_kw", "objective")
UsedFrac = Callable[[PolicyYear], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Budgeted:
    """A year's case that keeps a budget.

    Parameters
    ----------
    case : PolicyYear
        The case.
    wear_per_kwh : float
        Price of wear at which it does, or beyond which it would use less than the budget.
    cost : float
        What it costs against the year without a budget.
    """

    case: PolicyYear
    wear_per_kwh: float
    cost: float


def with_wear(inputs: Inputs, wear_per_kwh: float) -> Inputs:
    """Return the same inputs with another price of wear in the schedule."""
    ask = inputs.scenario.ask
    dispatch = ask.dispatch.model_copy(update={"wear_per_kwh": wear_per_kwh})
    scenario = replace(inputs.scenario, ask=ask.model_copy(update={"dispatch": dispatch}))
    return replace(inputs, scenario=scenario)


def within_budget(inputs: Inputs, used_frac: UsedFrac, *, near_per_kwh: float | None = None) -> Budgeted:
    """
    Return the year in which a budget is kept at the least cost.

    Parameters
    ----------
    inputs : Inputs
        The year.
    used_frac : callable
        From a case to what it uses of the budget; 1 is all of it, 0 says that there is none.
    near_per_kwh : float, optional
        Price of wear at which the year before kept its budget: where the search begins.

    Returns
    -------
    Budgeted
        The case; that of the given price of wear if it keeps the budget already.

    Raises
    ------
    InfeasibleError
        If the budget is exceeded at any price, as where a limit of import has to be kept.
    """
    given = inputs.scenario.ask.dispatch.wear_per_kwh
    free = headline_year(inputs)
    if used_frac(free) <= 1:
        return Budgeted(case=free, wear_per_kwh=given, cost=0.0)
    low, high, over, kept = _bracket(inputs, used_frac, free, near_per_kwh)
    for _ in range(HALVINGS):
        if used_frac(kept) >= 1 - CLOSE_FRAC or high - low <= 2 * NEAR_FRAC * high:
            break
        middle = 0.5 * (low + high)
        tried = headline_year(with_wear(inputs, middle))
        if used_frac(tried) <= 1:
            kept, high = tried, middle
        else:
            over, low = tried, middle
    case = _filled_up(inputs, used_frac, over, kept)
    return Budgeted(case=case, wear_per_kwh=high, cost=case.bill_total - free.bill_total)


def _bracket(
    inputs: Inputs, used_frac: UsedFrac, free: PolicyYear, near_per_kwh: float | None
) -> tuple[float, float, PolicyYear, PolicyYear]:
    """Return two prices of wear, the budget exceeded at the first and kept at the second, with their cases."""
    low, over = inputs.scenario.ask.dispatch.wear_per_kwh, free
    step = FIRST_STEP_PER_KWH
    if near_per_kwh is not None and (1 - NEAR_FRAC) * near_per_kwh > low:
        low, step = (1 - NEAR_FRAC) * near_per_kwh, 2 * NEAR_FRAC * near_per_kwh
        below = headline_year(with_wear(inputs, low))
        if used_frac(below) <= 1:
            return inputs.scenario.ask.dispatch.wear_per_kwh, low, free, below
        over = below
    for _ in range(DOUBLINGS):
        high = low + step
        tried = headline_year(with_wear(inputs, high))
        if used_frac(tried) <= 1:
            return low, high, over, tried
        low, over, step = high, tried, 2 * step
    raise InfeasibleError(
        "the warranty's cycles or throughput cannot be kept at any price of wear: limits of the connection take"
        f" {used_frac(over):.2f} times what is left of them\n"
        "    choose an option with more racks, or drop life.respect_warranty"
    )


def _filled_up(inputs: Inputs, used_frac: UsedFrac, over: PolicyYear, kept: PolicyYear) -> PolicyYear:
    """Return the plan between two that uses up the budget, unless it does not keep it or saves nothing more."""
    used_over, used_kept = used_frac(over), used_frac(kept)
    if over.rates is not kept.rates or not math.isfinite(used_over):
        return kept
    share = (1 - SPARE_FRAC - used_kept) / (used_over - used_kept)
    if share <= 0:
        return kept
    plan = _between(kept.schedule, over.schedule, share)
    case = year_of(inputs, kept.policy, kept.rates, plan)
    return case if used_frac(case) <= 1 and case.bill_total < kept.bill_total else kept


def _between(first: Schedule, second: Schedule, share: float) -> Schedule:
    """Return a share of the second plan and the rest of the first."""
    flows = {name: (1 - share) * getattr(first, name) + share * getattr(second, name) for name in MIXED}
    return replace(first, note="between two prices of wear", stored_per_kwh=None, **flows)
