"""The dispatch problem with curved losses written a second time, for scipy, apart from the formulation under test.

One curve runs through both directions: battery power from full discharge to full charge is a mean of neighbouring
corners of it, and so are the flow into the store and the cooling. One binary number for each stretch between two
corners says which two neighbours these are, so that nothing is filled out of order and nothing flows both ways.
"""

from collections.abc import Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from crestfall.dispatch import Problem
from crestfall.plant import Segment


def exact_optimum(problem: Problem) -> float | None:
    """Return the optimum of the problem; None if there is no schedule."""
    return _Program(problem).optimum()


def corners_upto(segments: Sequence[Segment], ac_limit: float, store_limit: float, *, charging: bool):
    """Return AC power, power at the store and cooling at the corners of a curve as far as the limits let it run."""
    ac, store, cooling = [0.0], [0.0], [0.0]
    for width, frac, cooled in segments:
        ratio = frac if charging else 1 / frac
        part = max(min(width, ac_limit - ac[-1], (store_limit - store[-1]) / ratio), 0.0)
        ac.append(ac[-1] + part)
        store.append(store[-1] + part * ratio)
        cooling.append(cooling[-1] + part * cooled)
    return np.array(ac), np.array(store), np.array(cooling)


class _Program:
    """Columns by name, rows one by one."""

    def __init__(self, problem: Problem) -> None:
        self._columns: dict[tuple, int] = {}
        self._cost: list[float] = []
        self._low: list[float] = []
        self._high: list[float] = []
        self._integral: list[int] = []
        self._rows: list[tuple[dict[tuple, float], float, float]] = []
        self._problem = problem
        for k, peak in enumerate(problem.peaks):
            self._column(("peak", k), cost=peak.rate_per_kw)
        for t in range(problem.n_steps):
            self._add_step(t)

    def _column(self, name: tuple, *, low=0.0, high=np.inf, cost=0.0, integral=0) -> None:
        self._columns[name] = len(self._cost)
        self._cost.append(cost)
        self._low.append(low)
        self._high.append(high)
        self._integral.append(integral)

    def _add_step(self, t: int) -> None:
        p, h = self._problem, self._problem.step_h
        charge = corners_upto(p.charge_segments, p.charge_limit_kw[t], p.into_limit_kw[t], charging=True)
        give = corners_upto(p.discharge_segments, p.discharge_limit_kw[t], p.outof_limit_kw[t], charging=False)
        ac = np.concatenate((-give[0][:0:-1], charge[0]))
        store = np.concatenate((-give[1][:0:-1], charge[1]))
        cooling = np.concatenate((give[2][:0:-1], charge[2]))
        n = len(ac)
        for j in range(n):
            self._column(("mean", t, j), high=1.0, cost=h * p.wear_per_kwh * max(-ac[j], 0.0))
        for j in range(n - 1):
            self._column(("stretch", t, j), high=1.0, integral=1)
        self._rows.append(({("mean", t, j): 1.0 for j in range(n)}, 1.0, 1.0))
        self._rows.append(({("stretch", t, j): 1.0 for j in range(n - 1)}, 1.0, 1.0))
        for j in range(n):
            beside = {("stretch", t, i): -1.0 for i in (j - 1, j) if 0 <= i < n - 1}
            self._rows.append(({("mean", t, j): 1.0, **beside}, -np.inf, 0.0))
        most_import = p.load_kw[t] + p.auxiliary_kw[t] + charge[0][-1] + charge[2][-1] + p.pv_kw[t]
        most_export = p.pv_kw[t] + give[0][-1]
        self._column(("import", t), high=min(most_import, p.import_limit_kw[t]), cost=h * p.buy_per_kwh[t])
        self._column(("export", t), high=min(most_export, p.export_limit_kw[t]), cost=-h * p.sell_per_kwh[t])
        self._column(("spilled", t), high=p.curtailable_kw[t])
        self._column(("buys", t), high=1.0, integral=1)
        self._rows.append(({("import", t): 1.0, ("buys", t): -most_import}, -np.inf, 0.0))
        self._rows.append(({("export", t): 1.0, ("buys", t): most_export}, -np.inf, most_export))
        used = {("mean", t, j): ac[j] + cooling[j] for j in range(n)}
        net = p.load_kw[t] + p.auxiliary_kw[t] - p.pv_kw[t]
        self._rows.append(({("import", t): 1.0, ("export", t): -1.0, ("spilled", t): -1.0, **_minus(used)}, net, net))
        is_fixed = t == p.n_steps - 1 and p.end_kwh is not None
        self._column(
            ("stored", t),
            low=p.end_kwh if is_fixed else p.floor_kwh[t],
            high=p.end_kwh if is_fixed else p.ceiling_kwh[t],
        )
        flow = {("mean", t, j): h * store[j] for j in range(n)}
        row, value = {("stored", t): 1.0, **_minus(flow)}, 0.0
        if t or p.start_kwh is None:
            before = ("stored", (t or p.n_steps) - 1)
            row[before] = row.get(before, 0.0) - p.keep_frac
        else:
            value = p.keep_frac * p.start_kwh
        self._rows.append((row, value, value))
        for taper, way in ((p.charge_taper, 1.0), (p.discharge_taper, -1.0)):
            if taper is not None:
                power = {("mean", t, j): max(way * store[j], 0.0) for j in range(n)}
                self._rows.append(({**power, ("stored", t): taper.slope_per_h}, -np.inf, taper.limit_kw))
        for k, peak in enumerate(p.peaks):
            if t in peak.steps:
                self._rows.append(({("import", t): 1.0, ("peak", k): -1.0}, -np.inf, 0.0))

    def optimum(self) -> float | None:
        matrix = np.zeros((len(self._rows), len(self._cost)))
        for line, (entries, _, _) in zip(matrix, self._rows, strict=True):
            for name, factor in entries.items():
                line[self._columns[name]] += factor
        limits = [np.array([row[side] for row in self._rows]) for side in (1, 2)]
        # "stored" of the step before the first is a later column, so rows are filled in only now.
        result = milp(
            np.array(self._cost),
            integrality=np.array(self._integral),
            bounds=Bounds(np.array(self._low), np.array(self._high)),
            constraints=LinearConstraint(matrix, *limits),
            options={"mip_rel_gap": 0.0},
        )
        if result.status == 2:
            return None
        assert result.status == 0, result.message
        return float(result.fun) + self._problem.fixed_cost


def _minus(entries: dict[tuple, float]) -> dict[tuple, float]:
    return {name: -value for name, value in entries.items()}
