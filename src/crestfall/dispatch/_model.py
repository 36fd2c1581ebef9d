"""The formulation of record: the dispatch problem as a Pyomo model, one builder for each block of rules.

Per step t of length h, all variables >= 0::

    minimise   sum_t h (buy_t import_t - sell_t export_t + wear discharge_t) + sum_k rate_k peak_k + settled + fixed
    balance    import_t - export_t = load_t + auxiliary_t + cooling_t + charge_t - discharge_t - (pv_t - curtailed_t)
    storage    stored_t = keep stored_{t-1} + h (into_t - outof_t)
    losses     charge, into, discharge, outof and cooling are sums over chords of the curves of power
    taper      into_t + slope stored_t <= limit, and likewise outof_t
    peaks      peak_k >= mean import of each interval that peak k measures
    sums       sum_j = weighted import and export of its steps
    rows       of the settlement, on peaks, sums and its own variables (ratchets, contracted levels, blocks ...)
    limits     on every flow and on the store, as bounds of the variables
    ends       stored at the end = stored at the start, or as given

Peaks of apparent power lie above tangents (:func:`add_cuts`), since ``hypot(import, kvar)`` is convex in import.

It is a relaxation: choices of the settlement are left open between 0 and 1 until :func:`settle_choices` fixes them, and
where burning energy pays (a negative price, export dearer than import) the program charges and discharges, or imports
and exports, in one step; :func:`choose_direction` adds the missing either-or for such steps.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
import pyomo.environ as pyo

from crestfall.dispatch._bound import Cut
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray


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
        Variables `charge_part` and `discharge_part` over `step` and chord; `stored_kwh`, `import_kw`, `export_kw`,
        `curtailed_kw` over `step`; `peak_kw` over `peak`, `total` over `sum`, `settled` over `own`. Rules `balance`,
        `storage`, `charge_tapered`, `discharge_tapered`, `budget`, `measured`, `tangent`, `summed`, `row`; objective
        `cost`.
    """
    model = pyo.ConcreteModel()
    model.step = pyo.RangeSet(0, problem.n_steps - 1)
    model.peak = pyo.RangeSet(0, len(problem.peaks) - 1)
    _add_flows(model, problem)
    _add_balance(model, problem)
    _add_storage(model, problem)
    _add_budgets(model, problem)
    _add_peaks(model, problem)
    _add_settlement(model, problem)
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
        (battery, charge_at, discharge_at, problem.most_charge_kw, problem.most_discharge_kw),
        (meter, import_at, export_at, problem.most_import_kw, problem.most_export_kw),
    ):
        for t in steps:
            is_forward = model.direction.add()
            model.one_way.add(forward(model, t) <= float(most_forward[t]) * is_forward)
            model.one_way.add(back(model, t) <= float(most_back[t]) * (1 - is_forward))


def fill_in_order(model: pyo.ConcreteModel, problem: Problem, steps: Iterable[int]) -> None:
    """
    Make the model fill the chords of its curves in their order in the given steps.

    Parameters
    ----------
    model : ConcreteModel
        A model of :func:`build_model`; it becomes a mixed-integer program.
    problem : Problem
        Its arrays.
    steps : iterable of int
        Steps in which a later chord was used before an earlier one was full, which burns energy.
    """
    if not hasattr(model, "is_full"):
        model.is_full = pyo.VarList(domain=pyo.Binary)
        model.in_order = pyo.ConstraintList()
    curves = (
        (model.charge_part, problem.charging.widths_within(problem.most_charge_kw)),
        (model.discharge_part, problem.discharging.widths_within(problem.most_discharge_kw)),
    )
    for part, widths in curves:
        for t in steps:
            for i in range(len(widths) - 1):
                is_full = model.is_full.add()
                model.in_order.add(part[t, i] >= float(widths[i, t]) * is_full)
                model.in_order.add(part[t, i + 1] <= float(widths[i + 1, t]) * is_full)


def charge_at(model: pyo.ConcreteModel, t: int) -> Any:
    """Return the charge of a step."""
    return pyo.quicksum(model.charge_part[t, i] for i in model.charge_segment)


def discharge_at(model: pyo.ConcreteModel, t: int) -> Any:
    """Return the discharge of a step."""
    return pyo.quicksum(model.discharge_part[t, i] for i in model.discharge_segment)


def import_at(model: pyo.ConcreteModel, t: int) -> Any:
    """Return the import of a step."""
    return model.import_kw[t]


def export_at(model: pyo.ConcreteModel, t: int) -> Any:
    """Return the export of a step."""
    return model.export_kw[t]


def settle_choices(model: pyo.ConcreteModel, problem: Problem, values: FloatArray) -> None:
    """
    Fix the choices of the settlement; the model stays a linear program, of one way to choose.

    Parameters
    ----------
    model : ConcreteModel
        A model of :func:`build_model`.
    problem : Problem
        Its arrays.
    values : ndarray of shape (n_variables,)
        Values of all variables of the settlement, of which the choices are taken.
    """
    for i in np.flatnonzero(problem.settlement.is_choice).tolist():
        model.settled[i].fix(round(values[i]))


def add_cuts(model: pyo.ConcreteModel, problem: Problem, cuts: Iterable[Cut]) -> None:
    """
    Add tangents of apparent power.

    Parameters
    ----------
    model : ConcreteModel
        A model of :func:`build_model`.
    problem : Problem
        Its arrays.
    cuts : iterable of Cut
        The tangents.
    """
    for cut in cuts:
        peak = problem.peaks[cut.peak]
        first = int(peak.steps[cut.interval])
        mean = pyo.quicksum(model.import_kw[t] for t in range(first, first + peak.span)) / peak.span
        model.tangent.add(model.peak_kw[cut.peak] - cut.slope * mean >= cut.constant)


def values_of(variable: Any) -> FloatArray:
    """Return the solution of an indexed variable, shape (n_index,)."""
    return np.fromiter((item.value for item in variable.values()), dtype=np.float64, count=len(variable))


def _add_flows(model: pyo.ConcreteModel, problem: Problem) -> None:
    def upto(limits: FloatArray) -> Any:
        most = limits.tolist()
        return lambda _, t: (0.0, most[t])

    for name, curve, most in (
        ("charge", problem.charging, problem.most_charge_kw),
        ("discharge", problem.discharging, problem.most_discharge_kw),
    ):
        setattr(model, f"{name}_segment", pyo.RangeSet(0, curve.n - 1))
        widths = curve.widths_within(most).tolist()
        parts = pyo.Var(
            model.step, getattr(model, f"{name}_segment"), bounds=lambda _, t, i, widths=widths: (0.0, widths[i][t])
        )
        setattr(model, f"{name}_part", parts)
    model.import_kw = pyo.Var(model.step, bounds=upto(problem.most_import_kw))
    model.export_kw = pyo.Var(model.step, bounds=upto(problem.most_export_kw))
    model.curtailed_kw = pyo.Var(model.step, bounds=upto(problem.curtailable_kw))


def _add_balance(model: pyo.ConcreteModel, problem: Problem) -> None:
    demand = (problem.load_kw + problem.auxiliary_kw - problem.pv_kw).tolist()
    charge_cooling = problem.charging.cooling_fracs.tolist()
    discharge_cooling = problem.discharging.cooling_fracs.tolist()

    @model.Constraint(model.step)
    def balance(m: Any, t: int) -> Any:
        charged = pyo.quicksum((1 + cooled) * m.charge_part[t, i] for i, cooled in enumerate(charge_cooling))
        discharged = pyo.quicksum((1 - cooled) * m.discharge_part[t, i] for i, cooled in enumerate(discharge_cooling))
        return m.import_kw[t] - m.export_kw[t] - charged + discharged - m.curtailed_kw[t] == demand[t]


def _add_storage(model: pyo.ConcreteModel, problem: Problem) -> None:
    floor, ceiling = problem.floor_kwh.tolist(), problem.ceiling_kwh.tolist()
    model.stored_kwh = pyo.Var(model.step, bounds=lambda _, t: (floor[t], ceiling[t]))
    last = problem.n_steps - 1
    before_first = model.stored_kwh[last] if problem.start_kwh is None else problem.start_kwh
    if problem.end_kwh is not None:
        model.stored_kwh[last].fix(problem.end_kwh)
    into, outof = problem.charging.store_fracs.tolist(), problem.discharging.store_fracs.tolist()
    keep, step_h = problem.keep_frac, problem.step_h

    @model.Constraint(model.step)
    def storage(m: Any, t: int) -> Any:
        before = m.stored_kwh[t - 1] if t else before_first
        gained = pyo.quicksum(step_h * frac * m.charge_part[t, i] for i, frac in enumerate(into))
        taken = pyo.quicksum(step_h * frac * m.discharge_part[t, i] for i, frac in enumerate(outof))
        return m.stored_kwh[t] - keep * before - gained + taken == 0

    model.charge_tapered = pyo.ConstraintList()
    model.discharge_tapered = pyo.ConstraintList()
    for rule, taper, part, fracs in (
        (model.charge_tapered, problem.charge_taper, model.charge_part, into),
        (model.discharge_tapered, problem.discharge_taper, model.discharge_part, outof),
    ):
        if taper is not None:
            for t in model.step:
                power = pyo.quicksum(frac * part[t, i] for i, frac in enumerate(fracs))
                rule.add(power + taper.slope_per_h * model.stored_kwh[t] <= taper.limit_kw)


def _add_budgets(model: pyo.ConcreteModel, problem: Problem) -> None:
    model.budget = pyo.ConstraintList()
    if problem.most_out_kwh is not None:
        model.budget.add(problem.step_h * _out_of_store(model, problem) <= problem.most_out_kwh)
    if problem.most_import_kwh is not None:
        model.budget.add(problem.step_h * pyo.quicksum(model.import_kw.values()) <= problem.most_import_kwh)


def _out_of_store(model: pyo.ConcreteModel, problem: Problem) -> Any:
    outof = problem.discharging.store_fracs.tolist()
    return pyo.quicksum(frac * model.discharge_part[t, i] for t in model.step for i, frac in enumerate(outof))


def _add_peaks(model: pyo.ConcreteModel, problem: Problem) -> None:
    least = [peak.least for peak in problem.peaks]
    model.peak_kw = pyo.Var(model.peak, bounds=lambda _, k: (least[k], None))
    spans = [peak.span for peak in problem.peaks]
    model.is_measured = pyo.Set(
        dimen=2,
        initialize=[(k, t) for k, peak in enumerate(problem.peaks) if peak.kvar is None for t in peak.steps.tolist()],
    )
    model.tangent = pyo.ConstraintList()

    @model.Constraint(model.is_measured)
    def measured(m: Any, k: int, t: int) -> Any:
        if spans[k] == 1:
            return m.peak_kw[k] - m.import_kw[t] >= 0
        return spans[k] * m.peak_kw[k] - pyo.quicksum(m.import_kw[i] for i in range(t, t + spans[k])) >= 0


def _add_settlement(model: pyo.ConcreteModel, problem: Problem) -> None:
    settlement = problem.settlement
    upper = settlement.upper.tolist()
    model.sum = pyo.RangeSet(0, len(problem.sums) - 1)
    model.own = pyo.RangeSet(0, len(upper) - 1)
    model.total = pyo.Var(model.sum)
    model.settled = pyo.Var(model.own, bounds=lambda _, i: (0.0, upper[i]))

    @model.Constraint(model.sum)
    def summed(m: Any, j: int) -> Any:
        total = problem.sums[j]
        steps, imported, exported = total.steps.tolist(), total.import_weight.tolist(), total.export_weight.tolist()
        flows = [w * m.import_kw[t] for t, w in zip(steps, imported, strict=True) if w]
        flows += [w * m.export_kw[t] for t, w in zip(steps, exported, strict=True) if w]
        return m.total[j] - pyo.quicksum(flows) == 0

    columns = [*model.peak_kw.values(), *model.total.values(), *model.settled.values()]
    model.row_number = pyo.RangeSet(0, len(settlement.rows) - 1)

    @model.Constraint(model.row_number)
    def row(_: Any, r: int) -> Any:
        number, weights, at_least, at_most = settlement.rows[r]
        body = pyo.quicksum(w * columns[c] for c, w in zip(number, weights, strict=True))
        if at_least == at_most:
            return body == at_least
        return body >= at_least if np.isfinite(at_least) else body <= at_most


def _add_cost(model: pyo.ConcreteModel, problem: Problem) -> None:
    buy = (problem.step_h * problem.buy_per_kwh).tolist()
    sell = (problem.step_h * problem.sell_per_kwh).tolist()
    wear = problem.step_h * problem.wear_per_kwh
    energy = pyo.quicksum(
        buy[t] * model.import_kw[t] - sell[t] * model.export_kw[t] + wear * discharge_at(model, t) for t in model.step
    )
    if problem.out_price_per_kwh:
        energy += problem.out_price_per_kwh * problem.step_h * _out_of_store(model, problem)
    demand = pyo.quicksum(peak.rate_per_kw * model.peak_kw[k] for k, peak in enumerate(problem.peaks))
    costs = problem.settlement.cost.tolist()
    settled = pyo.quicksum(cost * model.settled[i] for i, cost in enumerate(costs) if cost)
    model.cost = pyo.Objective(expr=energy + demand + settled + problem.fixed_cost)
