"""The dispatch problem written a second time, as plain matrices for scipy, apart from the formulation under test.

Other variables, other order, other bounds: the store's own DC flows instead of AC flows, the energy before the first
step as a variable of its own, peaks first, all rows as "at most", no bound that follows from other bounds.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from crestfall.dispatch import Problem

INTO, OUTOF, BUY, SELL, SPILL, OVER = range(6)  # columns of one step


@dataclass
class Matrices:
    cost: np.ndarray
    at_most: np.ndarray
    most: np.ndarray
    equal: np.ndarray
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray


class Columns:
    """Where each variable stands: peaks, then energies 0 to n, then six flows for each step."""

    def __init__(self, problem: Problem) -> None:
        self.n_peaks, self.n_steps = len(problem.peaks), problem.n_steps
        self.total = self.n_peaks + self.n_steps + 1 + 6 * self.n_steps

    def energy(self, t: int) -> int:
        return self.n_peaks + t

    def flow(self, t: int, kind: int) -> int:
        return self.n_peaks + self.n_steps + 1 + 6 * t + kind


def matrices(problem: Problem, *, may_exceed_import: bool = False) -> Matrices:
    at = Columns(problem)
    cost, low, high = np.zeros(at.total), np.zeros(at.total), np.full(at.total, np.inf)
    equal, value, at_most, most = [], [], [], []

    def row(entries: dict[int, float]) -> np.ndarray:
        line = np.zeros(at.total)
        for column, factor in entries.items():
            line[column] = factor
        return line

    for t in range(problem.n_steps):
        h = problem.step_h
        into, outof, buy, sell, spill, over = (at.flow(t, kind) for kind in range(6))
        cost[buy] = cost[over] = h * problem.buy_per_kwh[t]
        cost[sell] = -h * problem.sell_per_kwh[t]
        cost[outof] = h * problem.wear_per_kwh * problem.discharge_frac
        high[into] = min(problem.into_limit_kw[t], problem.charge_limit_kw[t] * problem.charge_frac)
        high[outof] = min(problem.outof_limit_kw[t], problem.discharge_limit_kw[t] / problem.discharge_frac)
        high[buy], high[sell] = problem.import_limit_kw[t], problem.export_limit_kw[t]
        high[spill] = problem.curtailable_kw[t]
        high[over] = np.inf if may_exceed_import else 0.0
        low[at.energy(t + 1)], high[at.energy(t + 1)] = problem.floor_kwh[t], problem.ceiling_kwh[t]
        # Node of the site: what comes in equals what goes out.
        equal.append(
            row(
                {
                    into: 1 / problem.charge_frac,
                    outof: -problem.discharge_frac,
                    buy: -1.0,
                    over: -1.0,
                    sell: 1.0,
                    spill: 1.0,
                }
            )
        )
        value.append(problem.pv_kw[t] - problem.load_kw[t] - problem.auxiliary_kw[t])
        equal.append(row({at.energy(t): problem.keep_frac, at.energy(t + 1): -1.0, into: h, outof: -h}))
        value.append(0.0)
    for k, peak in enumerate(problem.peaks):
        cost[k] = peak.rate_per_kw
        for t in peak.steps:
            at_most.append(row({at.flow(t, BUY): 1.0, at.flow(t, OVER): 1.0, k: -1.0}))
            most.append(0.0)
    first, last = at.energy(0), at.energy(problem.n_steps)
    if problem.start_kwh is None:
        equal.append(row({first: 1.0, last: -1.0}))
        value.append(0.0)
    else:
        low[first] = high[first] = problem.start_kwh
    if problem.end_kwh is not None:
        low[last] = high[last] = problem.end_kwh
    return Matrices(
        cost=cost,
        at_most=np.array(at_most).reshape(-1, at.total),
        most=np.array(most),
        equal=np.array(equal),
        value=np.array(value),
        low=low,
        high=high,
    )


def relaxed_optimum(problem: Problem) -> float | None:
    """Return the optimum of the linear program, which may flow both ways at once; None if there is no schedule."""
    return _linear(matrices(problem), problem.fixed_cost)


def least_worst_excess_kw(problem: Problem) -> float:
    """Return how far import must exceed its limit in the worst step, at the least."""
    m, at = matrices(problem, may_exceed_import=True), Columns(problem)
    rows = np.zeros((problem.n_steps, at.total + 1))
    for t in range(problem.n_steps):
        rows[t, at.flow(t, OVER)], rows[t, -1] = 1.0, -1.0
    widened = Matrices(
        cost=np.append(np.zeros(at.total), 1.0),
        at_most=np.vstack([np.pad(m.at_most, ((0, 0), (0, 1))), rows]),
        most=np.append(m.most, np.zeros(problem.n_steps)),
        equal=np.pad(m.equal, ((0, 0), (0, 1))),
        value=m.value,
        low=np.append(m.low, 0.0),
        high=np.append(m.high, np.inf),
    )
    worst = _linear(widened, 0.0)
    assert worst is not None
    return worst


def one_way_optimum(problem: Problem) -> float | None:
    """Return the optimum with an either-or for battery and meter in every step; None if there is no schedule."""
    m, at = matrices(problem), Columns(problem)
    n = problem.n_steps
    pairs = [(at.flow(t, INTO), at.flow(t, OUTOF)) for t in range(n)]
    pairs += [(at.flow(t, BUY), at.flow(t, SELL)) for t in range(n)]
    # With one way at a time no flow of a step is above the sum of all that can meet there.
    charge, discharge = m.high[at.flow(0, INTO) :: 6] / problem.charge_frac, m.high[at.flow(0, OUTOF) :: 6]
    meets = problem.load_kw + problem.auxiliary_kw + problem.pv_kw + charge + discharge
    rows, most = [], []
    for number, (forward, back) in enumerate(pairs):
        big = float(meets[number % n])
        for column, factor, limit in ((forward, -big, 0.0), (back, big, big)):
            line = np.zeros(at.total + 2 * n)
            line[column], line[at.total + number] = 1.0, factor
            rows.append(line)
            most.append(limit)

    def wide(matrix: np.ndarray) -> np.ndarray:
        return np.hstack([matrix, np.zeros((len(matrix), 2 * n))])

    result = milp(
        np.concatenate([m.cost, np.zeros(2 * n)]),
        integrality=np.concatenate([np.zeros(at.total), np.ones(2 * n)]),
        bounds=Bounds(np.concatenate([m.low, np.zeros(2 * n)]), np.concatenate([m.high, np.ones(2 * n)])),
        constraints=[
            LinearConstraint(wide(m.equal), m.value, m.value),
            LinearConstraint(wide(m.at_most), -np.inf, m.most),
            LinearConstraint(np.array(rows), -np.inf, np.array(most)),
        ],
        options={"mip_rel_gap": 0.0},
    )
    if result.status == 2:
        return None
    assert result.status == 0, result.message
    # Once more with the choices fixed, so that no almost-binary number blurs the optimum.
    for (forward, back), is_forward in zip(pairs, result.x[at.total :] > 0.5, strict=True):
        m.high[back if is_forward else forward] = m.low[back if is_forward else forward] = 0.0
    return _linear(m, problem.fixed_cost)


def _linear(m: Matrices, fixed_cost: float) -> float | None:
    inequality = {"A_ub": m.at_most, "b_ub": m.most} if len(m.at_most) else {}
    bounds = np.column_stack([m.low, m.high])
    result = linprog(m.cost, A_eq=m.equal, b_eq=m.value, bounds=bounds, **inequality)
    if result.status == 2:
        return None
    assert result.status == 0, result.message
    return float(result.fun) + fixed_cost
