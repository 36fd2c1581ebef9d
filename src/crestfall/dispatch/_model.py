"""The formulation of record: the dispatch problem as a Pyomo model, one builder for each block of rules.

Per step t of length h, all variables >= 0::

    minimise   sum_t h (buy_t import_t - sell_t export_t + wear discharge_t) + sum_k rate_k peak_k + fixed
    balance    import_t - export_t = load_t + auxiliary_t + charge_t - discharge_t - (pv_t - curtailed_t)
    storage    stored_t = keep stored_{t-1} + h (charge_frac charge_t - discharge_t / discharge_frac)
    peaks      peak_k >= import_t                                   for each step t that peak k measures
    limits     on every flow and on the store, as bounds of the variables
    ends       stored at the end = stored at the start, or as given

It is a relaxation: where burning energy pays (a negative price, export dearer than import) the program charges and
discharges, or imports and exports, in one step. :func:`choose_direction` adds the missing either-or for such steps.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
import pyomo.environ as pyo

from crestfall.dispatch._problem import Problem


def build_model(problem: Problem) -> pyo.ConcreteModel:
    """
    Return the dispatch problem as a linear program.

    Parameters
    ----------
    problem : Problem
        The arrays.

    Returns
    -------
    ConcreteModel
        Variables `charge_kw`, `discharge_kw`, `stored_kwh`, `import_kw`, `export_kw`, `curtailed_kw`, each over
        `step`, and `peak_kw` over `peak`; rules `balance`, `storage`, `measured`; objective `cost`.
    """
    model = pyo.ConcreteModel()
    model.step = pyo.RangeSet(0, problem.n_steps - 1)
    model.peak = pyo.RangeSet(0, len(problem.peaks) - 1)
    _add_flows(model, problem)
    _add_balance(model, problem)
    _add_storage(model, problem)
    _add_peaks(model, problem)
    _add_cost(model, problem)
    return model


def choose_direction(
    model: pyo.ConcreteModel, problem: Problem, *, battery: Iterable[int], meter: Iterable[int]
) -> None:
    """
    Make the model choose between charge and discharge, or import and export, in the given steps.

    Parameters
    ----------
    model : ConcreteModel
        A model of :func:`build_model`; it becomes a mixed-integer program.
    problem : Problem
        Its arrays.
    battery, meter : iterable of int
        Steps in which the battery, or the meter, must choose.
    """
    if not hasattr(model, "direction"):
        model.direction = pyo.VarList(domain=pyo.Binary)
        model.one_way = pyo.ConstraintList()
    for steps, forward, back, most_forward, most_back in (
        (battery, model.charge_kw, model.discharge_kw, problem.most_charge_kw, problem.most_discharge_kw),
        (meter, model.import_kw, model.export_kw, problem.most_import_kw, problem.most_export_kw),
    ):
        for t in steps:
            is_forward = model.direction.add()
            model.one_way.add(forward[t] <= float(most_forward[t]) * is_forward)
            model.one_way.add(back[t] <= float(most_back[t]) * (1 - is_forward))


def values_of(variable: Any) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    """Return the solution of an indexed variable, shape (n_index,)."""
    return np.fromiter((item.value for item in variable.values()), dtype=np.float64, count=len(variable))


def _add_flows(model: pyo.ConcreteModel, problem: Problem) -> None:
    def upto(limits: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> Any:
        most = limits.tolist()
        return lambda _, t: (0.0, most[t])

    model.charge_kw = pyo.Var(model.step, bounds=upto(problem.most_charge_kw))
    model.discharge_kw = pyo.Var(model.step, bounds=upto(problem.most_discharge_kw))
    model.import_kw = pyo.Var(model.step, bounds=upto(problem.most_import_kw))
    model.export_kw = pyo.Var(model.step, bounds=upto(problem.most_export_kw))
    model.curtailed_kw = pyo.Var(model.step, bounds=upto(problem.curtailable_kw))


def _add_balance(model: pyo.ConcreteModel, problem: Problem) -> None:
    demand = (problem.load_kw + problem.auxiliary_kw - problem.pv_kw).tolist()

    @model.Constraint(model.step)
    def balance(m: Any, t: int) -> Any:
        flows = m.import_kw[t] - m.export_kw[t] - m.charge_kw[t] + m.discharge_kw[t] - m.curtailed_kw[t]
        return flows == demand[t]


def _add_storage(model: pyo.ConcreteModel, problem: Problem) -> None:
    floor, ceiling = problem.floor_kwh.tolist(), problem.ceiling_kwh.tolist()
    model.stored_kwh = pyo.Var(model.step, bounds=lambda _, t: (floor[t], ceiling[t]))
    last = problem.n_steps - 1
    before_first = model.stored_kwh[last] if problem.start_kwh is None else problem.start_kwh
    if problem.end_kwh is not None:
        model.stored_kwh[last].fix(problem.end_kwh)
    into = problem.step_h * problem.charge_frac
    outof = problem.step_h / problem.discharge_frac
    keep = problem.keep_frac

    @model.Constraint(model.step)
    def storage(m: Any, t: int) -> Any:
        before = m.stored_kwh[t - 1] if t else before_first
        return m.stored_kwh[t] - keep * before - into * m.charge_kw[t] + outof * m.discharge_kw[t] == 0


def _add_peaks(model: pyo.ConcreteModel, problem: Problem) -> None:
    model.peak_kw = pyo.Var(model.peak, bounds=(0.0, None))
    model.is_measured = pyo.Set(
        dimen=2, initialize=[(k, t) for k, peak in enumerate(problem.peaks) for t in peak.steps.tolist()]
    )

    @model.Constraint(model.is_measured)
    def measured(m: Any, k: int, t: int) -> Any:
        return m.peak_kw[k] - m.import_kw[t] >= 0


def _add_cost(model: pyo.ConcreteModel, problem: Problem) -> None:
    buy = (problem.step_h * problem.buy_per_kwh).tolist()
    sell = (problem.step_h * problem.sell_per_kwh).tolist()
    wear = problem.step_h * problem.wear_per_kwh
    energy = pyo.quicksum(
        buy[t] * model.import_kw[t] - sell[t] * model.export_kw[t] + wear * model.discharge_kw[t] for t in model.step
    )
    demand = pyo.quicksum(peak.rate_per_kw * model.peak_kw[k] for k, peak in enumerate(problem.peaks))
    model.cost = pyo.Objective(expr=energy + demand + problem.fixed_cost)
