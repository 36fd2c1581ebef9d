"""Say why no schedule exists: which limit cannot be kept, when, and by how much at the least."""

from dataclasses import replace
from typing import Any

import numpy as np

from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray
from crestfall.errors import InfeasibleError

# Below a watt the solver's own tolerance speaks.
NOTICEABLE_KW = 1e-3
NOTICEABLE_KWH = 1e-6


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


def program_solver() -> Any:
    """Return the general solver in Pyomo's current interface; its package has no types."""
    from pyomo.contrib.solver.common.factory import SolverFactory

    return SolverFactory("highs")


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
    import pyomo.environ as pyo

    from crestfall.dispatch._model import build_model, values_of

    # A budget would fail in all steps at once, which no step's excess explains.
    model = build_model(replace(problem, most_out_kwh=None, most_import_kwh=None))
    model.excess_kw = pyo.Var(model.step, bounds=(0.0, None))
    for t in model.step:
        row = model.balance[t]
        row.set_value(row.body + model.excess_kw[t] == row.upper)
    model.worst_kw = pyo.Var(bounds=(0.0, None))
    model.is_worst = pyo.Constraint(model.step, rule=lambda m, t: m.worst_kw - m.excess_kw[t] >= 0)
    # A kW less of the worst costs at most a kW, and the losses of shifting it, in each other step.
    model.cost.set_value(2 * problem.n_steps * model.worst_kw + pyo.quicksum(model.excess_kw[t] for t in model.step))
    result = program_solver().solve(model, load_solutions=False, raise_exception_on_nonoptimal_result=False)
    if result.incumbent_objective is None:
        return np.zeros(problem.n_steps)
    result.solution_loader.load_vars()
    excess = values_of(model.excess_kw)
    return np.where(excess > NOTICEABLE_KW, excess, 0.0)


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
