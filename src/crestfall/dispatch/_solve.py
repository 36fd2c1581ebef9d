"""Solve a dispatch problem with Pyomo and HiGHS, repair what the relaxation gets wrong, and prove the result."""

import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch._bound import Multipliers, lower_bound
from crestfall.dispatch._diagnosis import NOTICEABLE_KW, least_excess_kw, store_fault
from crestfall.dispatch._model import build_model, choose_direction, values_of
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._schedule import Schedule, Status, check_feasible
from crestfall.errors import InfeasibleError, SolverError

BOTH_WAYS_KW = 1e-5  # flows below are the solver's noise
MIXED_INTEGER_GAP = 1e-6


def optimise(problem: Problem, *, time_limit_s: float = 600.0) -> Schedule:
    """
    Return the schedule of least cost with a proven lower bound.

    The linear program is solved first. If it flows both ways in some steps, these steps are given an either-or and
    the mixed-integer program is solved, until none is left.

    Parameters
    ----------
    problem : Problem
        The dispatch problem.
    time_limit_s : float, default=600.0
        Longest time for the solver [s].

    Returns
    -------
    Schedule
        Feasible flows, their cost and the bound.

    Raises
    ------
    InfeasibleError
        If no schedule keeps all limits; the message names the limit, the step and the excess.
    SolverError
        If the time runs out before there is any schedule.
    """
    return _Search(problem, time_limit_s).run()


class _Search:
    """One model, solved as often as the repair needs."""

    def __init__(self, problem: Problem, time_limit_s: float) -> None:
        from pyomo.contrib.solver.common.factory import SolverFactory

        self._problem = problem
        self._deadline = time.monotonic() + time_limit_s
        self._solver = SolverFactory("highs")
        self._model = build_model(problem)
        self._bound = -np.inf
        self._repaired: set[int] = set()

    def run(self) -> Schedule:
        is_optimal = self._solve()
        self._bound = lower_bound(self._problem, self._multipliers())
        while True:
            battery, meter = self._both_ways()
            if not battery.size and not meter.size:
                break
            self._repaired |= {*battery.tolist(), *meter.tolist()}
            choose_direction(self._model, self._problem, battery=battery.tolist(), meter=meter.tolist())
            is_optimal = self._solve()
        schedule = self._schedule(Status.OPTIMAL if is_optimal else Status.TIME_LIMIT)
        check_feasible(self._problem, schedule)
        return schedule

    def _solve(self) -> bool:
        """Solve the model as it stands and load the solution; return whether it is proven optimal."""
        from pyomo.contrib.solver.common.results import TerminationCondition as End

        remaining_s = max(self._deadline - time.monotonic(), 0.0)
        self._result = self._solver.solve(
            self._model,
            time_limit=remaining_s,
            rel_gap=MIXED_INTEGER_GAP,
            load_solutions=False,
            raise_exception_on_nonoptimal_result=False,
        )
        end = self._result.termination_condition
        if end in {End.provenInfeasible, End.infeasibleOrUnbounded}:
            raise self._infeasible()
        if self._result.incumbent_objective is None or not np.isfinite(self._result.incumbent_objective):
            raise SolverError(
                f"no schedule was found in the time allowed (solver: {end.name})\n    raise dispatch.time_limit_s"
            )
        self._result.solution_loader.load_vars()
        bound = self._result.objective_bound
        if self._repaired and bound is not None and np.isfinite(bound):
            self._bound = max(self._bound, float(bound))
        return bool(end == End.convergenceCriteriaSatisfied)

    def _multipliers(self) -> Multipliers:
        model, problem = self._model, self._problem
        duals = self._result.solution_loader.get_duals()

        def of(rule: Any) -> NDArray[np.float64]:
            return np.fromiter((duals[row] for row in rule.values()), dtype=np.float64, count=len(rule))

        ends = np.cumsum([len(peak.steps) for peak in problem.peaks])[:-1]
        peaks = tuple(np.split(of(model.measured), ends)) if problem.peaks else ()
        return Multipliers(balance=of(model.balance), storage=of(model.storage), peaks=peaks)

    def _both_ways(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        model = self._model
        battery = np.minimum(values_of(model.charge_kw), values_of(model.discharge_kw)) > BOTH_WAYS_KW
        # With import dearer than export both at once is only a tie or noise: the net flow is as good or better.
        pays = self._problem.sell_per_kwh > self._problem.buy_per_kwh
        meter = (np.minimum(values_of(model.import_kw), values_of(model.export_kw)) > BOTH_WAYS_KW) & pays
        return np.flatnonzero(battery), np.flatnonzero(meter)

    def _schedule(self, status: Status) -> Schedule:
        """Round off the solver's noise and take the meter from the balance, so that it closes exactly."""
        p, model = self._problem, self._model
        charge_kw = np.clip(values_of(model.charge_kw), 0.0, p.most_charge_kw)
        discharge_kw = np.clip(values_of(model.discharge_kw), 0.0, p.most_discharge_kw)
        charge_kw, discharge_kw = _larger_only(charge_kw, discharge_kw)
        curtailed_kw = np.clip(values_of(model.curtailed_kw), 0.0, p.curtailable_kw)
        stored_kwh = np.clip(values_of(model.stored_kwh), p.floor_kwh, p.ceiling_kwh)
        net_kw = p.load_kw + p.auxiliary_kw - p.pv_kw + charge_kw - discharge_kw + curtailed_kw
        import_kw, export_kw = np.maximum(net_kw, 0.0), np.maximum(-net_kw, 0.0)
        return Schedule(
            charge_kw=charge_kw,
            discharge_kw=discharge_kw,
            stored_kwh=stored_kwh,
            start_kwh=float(stored_kwh[-1]) if p.start_kwh is None else p.start_kwh,
            curtailed_kw=curtailed_kw,
            import_kw=import_kw,
            export_kw=export_kw,
            objective=p.running_cost(import_kw=import_kw, export_kw=export_kw, discharge_kw=discharge_kw),
            lower_bound=self._bound,
            status=status,
            repaired_steps=len(self._repaired),
        )

    def _infeasible(self) -> InfeasibleError:
        if (fault := store_fault(self._problem)) is not None:
            return InfeasibleError(fault)
        excess = least_excess_kw(self._problem, self._solver)
        if not excess.any():
            return InfeasibleError(
                "no schedule keeps the limits of the store and of the export at once\n"
                "    widen the store's window, raise the export limit, or let more PV be curtailed"
            )
        first, worst = int(np.argmax(excess > 0)), int(np.argmax(excess > excess.max() - NOTICEABLE_KW))
        return ImportLimitError(self._problem, excess, first=first, worst=worst)


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

    def __init__(self, problem: Problem, excess_kw: NDArray[np.float64], *, first: int, worst: int) -> None:
        super().__init__(f"the import limit fails by {excess_kw[worst]:.1f} kW at step {worst}")
        self.problem = problem
        self.excess_kw = excess_kw
        self.first = first
        self.worst = worst


def _larger_only(a: NDArray[np.float64], b: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Set the smaller of two flows to zero where it is only noise."""
    noise = np.minimum(a, b) <= BOTH_WAYS_KW
    return np.where(noise & (a < b), 0.0, a), np.where(noise & (b <= a), 0.0, b)
