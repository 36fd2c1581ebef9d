"""Say why no schedule exists: which limit cannot be kept, when, and by how much at the least."""

import numpy as np
import pyomo.environ as pyo

from crestfall.dispatch._model import build_model, values_of
from crestfall.dispatch._problem import FloatArray, Problem

# Below a watt the solver's own tolerance speaks.
NOTICEABLE_KW = 1e-3


def least_excess_kw(problem: Problem, solver: object) -> FloatArray:
    """
    Return by how much import must exceed its limit in each step if the excess is made as small as possible in sum.

    Parameters
    ----------
    problem : Problem
        A problem without a feasible schedule.
    solver : object
        A Pyomo solver of the current interface.

    Returns
    -------
    ndarray of shape (n_steps,)
        Excess over the import limit [kW]; all zero if the import limit is not what fails.
    """
    model = build_model(problem)
    model.excess_kw = pyo.Var(model.step, bounds=(0.0, None))
    for t in model.step:
        row = model.balance[t]
        row.set_value(row.body + model.excess_kw[t] == row.upper)
    model.cost.set_value(pyo.quicksum(model.excess_kw[t] for t in model.step))
    result = solver.solve(model, load_solutions=False, raise_exception_on_nonoptimal_result=False)  # type: ignore[attr-defined]
    if result.incumbent_objective is None:
        return np.zeros(problem.n_steps)
    result.solution_loader.load_vars()
    excess = values_of(model.excess_kw)
    return np.where(excess > NOTICEABLE_KW, excess, 0.0)
