"""Say why no schedule exists: which limit cannot be kept, when, and by how much at the least."""

from dataclasses import replace

import numpy as np

from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import NOTHING_TO_SETTLE, FloatArray, Peak
from crestfall.errors import InfeasibleError

# Below a watt the solver's own tolerance speaks.
NOTICEABLE_KW = 1e-3
NOTICEABLE_KWH = 1e-6
EXCESS_GAP_FRAC = 1e-9  # of the sum: nearly all of it is the worst excess, many times


class ImportLimitError(InfeasibleError):
    """The import limit cannot be kept, whatever the battery does.

    Parameters
    ----------
    problem : Problem
        The dispatch problem.
    excess_kw : ndarray of shape (n_steps,)
        Least excess over the limit in each step [kW].
    first, worst : int
        First step with an excess, and the one with the largest.
    """

    def __init__(self, problem: Problem, excess_kw: FloatArray, *, first: int, worst: int) -> None:
        super().__init__(f"the import limit fails by {excess_kw[worst]:.1f} kW at step {worst}")
        self.problem = problem
        self.excess_kw = excess_kw
        self.first = first
        self.worst = worst


def least_excess_kw(problem: Problem) -> FloatArray:
    """
    Return by how much import must exceed its limit in each step if the largest excess is made as small as it can be.

    Of such schedules one with the least sum is taken. The least sum alone would not do: it may pile up in one step what
    could be spread over several, and no single figure of it would be a least one.

    Parameters
    ----------
    problem : Problem
        A problem without a feasible schedule.

    Returns
    -------
    ndarray of shape (n_steps,)
        Excess over the import limit [kW]; all zero if the import limit is not what fails.
    """
    from crestfall.dispatch._optimise import optimise  # which asks this room why there is no schedule

    if np.isinf(problem.import_limit_kw).all():
        return np.zeros(problem.n_steps)
    try:
        excess = optimise(_of_excess(problem), gap_frac=EXCESS_GAP_FRAC).import_kw
    except InfeasibleError:
        return np.zeros(problem.n_steps)
    return np.where(excess > NOTICEABLE_KW, excess, 0.0)


def _of_excess(p: Problem) -> Problem:
    """Return the problem whose import is the excess over the limit of another, and nothing else costs anything."""
    unlimited = replace(p, import_limit_kw=np.full(p.n_steps, np.inf))
    limit = np.minimum(p.import_limit_kw, unlimited.most_import_kw)
    # A kW less of the worst costs at most a kW, and the losses of shifting it, in each other step.
    worst = Peak(name="worst", rate_per_kw=2.0 * p.n_steps, steps=np.arange(p.n_steps))
    # A budget would fail in all steps at once, which no step's excess explains.
    return replace(
        unlimited,
        load_kw=np.maximum(p.load_kw - limit, 0.0),
        pv_kw=p.pv_kw + np.maximum(limit - p.load_kw, 0.0),
        export_limit_kw=p.export_limit_kw + limit,
        buy_per_kwh=np.full(p.n_steps, 1.0 / p.step_h),
        sell_per_kwh=np.zeros(p.n_steps),
        wear_per_kwh=0.0,
        out_price_per_kwh=0.0,
        most_out_kwh=None,
        most_import_kwh=None,
        peaks=(worst,),
        sums=(),
        settlement=NOTHING_TO_SETTLE,
        fixed_cost=0.0,
    )


def store_fault(problem: Problem) -> str | None:
    """Return why the store alone cannot keep its floor, ceiling and end, whatever the meter allows; None if it can."""
    p = problem
    low, high = (p.floor_kwh[-1], p.ceiling_kwh[-1]) if p.start_kwh is None else (p.start_kwh, p.start_kwh)
    most_in = p.step_h * p.charging.at_store(p.most_charge_kw)
    most_out = p.step_h * p.discharging.at_store(p.most_discharge_kw)
    for t in range(p.n_steps):
        low, high = p.keep_frac * low - most_out[t], p.keep_frac * high + most_in[t]
        floor, ceiling = p.floor_kwh[t], p.ceiling_kwh[t]
        if max(low, floor) > min(high, ceiling) + NOTICEABLE_KWH:
            return (
                f"the store cannot keep its floor and ceiling at step {t}: it can hold {max(low, 0.0):g} to"
                f" {high:g} kWh there, allowed are {floor:g} to {ceiling:g}\n    allow more time or power"
            )
        low, high = max(low, floor), min(high, ceiling)
    if p.end_kwh is not None and not low - NOTICEABLE_KWH <= p.end_kwh <= high + NOTICEABLE_KWH:
        return (
            f"the store cannot end at {p.end_kwh:g} kWh: it can reach {low:g} to {high:g}\n    allow more time or power"
        )
    return None
