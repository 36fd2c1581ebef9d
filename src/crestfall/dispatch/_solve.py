"""Solve a dispatch problem with Pyomo and HiGHS, repair what the relaxation gets wrong, and prove the result."""

import time
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch._bound import Cut, Multipliers, lower_bound
from crestfall.dispatch._diagnosis import NOTICEABLE_KW, ImportLimitError, least_excess_kw, store_fault
from crestfall.dispatch._model import add_cuts, build_model, choose_direction, fill_in_order, settle_choices, values_of
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._schedule import Schedule, Status, check_feasible
from crestfall.errors import InfeasibleError, SolverError
from crestfall.tariff import interval_means

BOTH_WAYS_KW = 1e-5  # flows below are the solver's noise
MIXED_INTEGER_GAP = 1e-6
SETTLED_FRAC = 1e-7  # of the cost: what tangents and open choices may leave out


def program_solver() -> Any:
    """Return the general solver in Pyomo's current interface; its package has no types."""
    from pyomo.contrib.solver.common.factory import SolverFactory

    return SolverFactory("highs")


def solve_as_program(problem: Problem, *, time_limit_s: float = 600.0) -> Schedule:
    """
    Return the schedule of least cost with a proven lower bound.

    The linear program is solved first. Where it is too cheap it is made stricter and solved again, until it is not:
    tangents are added where apparent power lies above them, and steps that flow both ways are given an either-or.
    Choices of the settlement are left open between 0 and 1 for the bound; then they are fixed as the last schedule
    would have them, and solved again as long as that saves anything. That is a local search: the gap says how far it
    may be from the optimum.

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
        self._problem = problem
        self._deadline = time.monotonic() + time_limit_s
        self._solver = program_solver()
        self._model = build_model(problem)
        self._bound = -np.inf
        self._repaired: set[int] = set()
        self._cuts: list[Cut] = []
        self._chosen: NDArray[np.float64] | None = None
        self._best: Schedule | None = None
        self._add_cuts(self._first_cuts())

    def run(self) -> Schedule:
        is_optimal = self._solve()
        while is_optimal and self._is_made_stricter():
            is_optimal = self._solve()
        schedule = self._cheaper_of_best(self._schedule(Status.OPTIMAL if is_optimal else Status.TIME_LIMIT))
        check_feasible(self._problem, schedule)
        return schedule

    def _cheaper_of_best(self, schedule: Schedule) -> Schedule:
        """Return the cheaper of a schedule and the best one so far, with the bound of now."""
        best = schedule if self._best is None or schedule.objective < self._best.objective else self._best
        return replace(best, lower_bound=self._bound, status=schedule.status)

    def _is_made_stricter(self) -> bool:
        """Forbid what the last solution got too cheaply; return whether there was anything."""
        battery, meter = self._both_ways()
        if battery.size or meter.size:
            self._repaired |= {*battery.tolist(), *meter.tolist()}
            choose_direction(self._model, self._problem, battery=battery.tolist(), meter=meter.tolist())
            return True
        if (disordered := self._out_of_order()).size:
            self._repaired |= set(disordered.tolist())
            fill_in_order(self._model, self._problem, disordered.tolist())
            return True
        if not self._cuts and not self._problem.settlement.has_choices:
            return False
        schedule = self._schedule(Status.OPTIMAL)
        tolerance = SETTLED_FRAC * max(1.0, abs(schedule.objective))
        if schedule.objective - self._result.incumbent_objective <= tolerance and self._chosen is None:
            return False
        if cuts := self._violated_cuts():
            self._add_cuts(cuts)
            return True
        return self._problem.settlement.has_choices and self._is_choice_changed(schedule, tolerance)

    def _is_choice_changed(self, schedule: Schedule, tolerance: float) -> bool:
        """Fix the choices as a schedule would have them, unless they are, or it saves no more than the best so far."""
        is_better = self._best is None or schedule.objective < self._best.objective - tolerance
        if self._best is None or schedule.objective < self._best.objective:
            self._best = schedule
        p = self._problem
        values = p.settlement.best(p.measured(schedule.import_kw, schedule.export_kw))
        chosen = np.round(values[p.settlement.is_choice])
        if not is_better or (self._chosen is not None and np.array_equal(chosen, self._chosen)):
            return False
        self._chosen = chosen
        settle_choices(self._model, p, values)
        return True

    def _add_cuts(self, cuts: list[Cut]) -> None:
        add_cuts(self._model, self._problem, cuts)
        self._cuts += cuts

    def _first_cuts(self) -> list[Cut]:
        """Return a tangent for each interval of apparent power, taken at the import of the idle plant."""
        p = self._problem
        idle_kw = np.clip(p.load_kw + p.auxiliary_kw - p.pv_kw, 0.0, None)
        return [
            _tangent(k, i, float(mean), float(kvar))
            for k, peak in enumerate(p.peaks)
            if peak.kvar is not None
            for i, (mean, kvar) in enumerate(
                zip(interval_means(idle_kw, peak.steps, peak.span), peak.kvar, strict=True)
            )
        ]

    def _violated_cuts(self) -> list[Cut]:
        """Return a tangent where the apparent power of an interval lies noticeably above its peak in the model."""
        import_kw, peak_kw = values_of(self._model.import_kw), values_of(self._model.peak_kw)
        cuts = []
        for k, peak in enumerate(self._problem.peaks):
            if peak.kvar is None:
                continue
            means = interval_means(import_kw, peak.steps, peak.span)
            above = np.hypot(means, peak.kvar) - peak_kw[k]
            for i in np.flatnonzero(above > BOTH_WAYS_KW):
                cuts.append(_tangent(k, int(i), float(means[i]), float(peak.kvar[i])))
        return cuts

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
            raise why_no_schedule(self._problem) or _other_reason(self._problem)
        if self._result.incumbent_objective is None or not np.isfinite(self._result.incumbent_objective):
            raise SolverError(
                f"no schedule was found in the time allowed (solver: {end.name})\n    raise dispatch.time_limit_s"
            )
        self._result.solution_loader.load_vars()
        bound = self._result.objective_bound
        if self._chosen is not None:
            pass  # a bound of one way to choose is none of all
        elif not self._repaired:
            self._bound = max(self._bound, lower_bound(self._problem, self._multipliers()))
        elif bound is not None and np.isfinite(bound):
            self._bound = max(self._bound, float(bound))
        return bool(end == End.convergenceCriteriaSatisfied)

    def _multipliers(self) -> Multipliers:
        model = self._model
        duals = self._result.solution_loader.get_duals()

        def of(rule: Any) -> NDArray[np.float64]:
            return np.fromiter((duals[row] for row in rule.values()), dtype=np.float64, count=len(rule))

        cut_duals = of(model.tangent).tolist()
        budgets = of(model.budget).tolist()
        import_budget = budgets.pop() if self._problem.most_import_kwh is not None else 0.0
        return Multipliers(
            balance=of(model.balance),
            storage=of(model.storage),
            peaks=self._split(of(model.measured)),
            cuts=tuple(zip(self._cuts, cut_duals, strict=True)),
            sums=of(model.summed),
            rows=of(model.row),
            charge_taper=self._step_duals(of(model.charge_tapered)),
            discharge_taper=self._step_duals(of(model.discharge_tapered)),
            out_budget=budgets.pop() if budgets else 0.0,
            import_budget=import_budget,
        )

    def _step_duals(self, duals: NDArray[np.float64]) -> NDArray[np.float64] | None:
        return duals if duals.size else None

    def _split(self, duals: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """Give each peak of kW the duals of its intervals, in units of its own rate; peaks of kVA have none here."""
        peaks = self._problem.peaks
        sizes = [0 if peak.kvar is not None else len(peak.steps) for peak in peaks]
        parts = np.split(duals, np.cumsum(sizes)[:-1]) if peaks else []
        return tuple(
            part * peak.span if peak.kvar is None else np.zeros(len(peak.steps))
            for part, peak in zip(parts, peaks, strict=True)
        )

    def _both_ways(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        model = self._model
        battery = np.minimum(self._charge_kw(), self._discharge_kw()) > BOTH_WAYS_KW
        # With import dearer than export both at once is only a tie or noise: the net flow is as good or better.
        pays = self._problem.sell_per_kwh > self._problem.buy_per_kwh
        meter = (np.minimum(values_of(model.import_kw), values_of(model.export_kw)) > BOTH_WAYS_KW) & pays
        return np.flatnonzero(battery), np.flatnonzero(meter)

    def _out_of_order(self) -> NDArray[np.int64]:
        """Return steps in which a later chord is used before an earlier one is full: less is stored, more is cooled."""
        p = self._problem
        wasted = np.zeros(p.n_steps)
        for curve, parts in ((p.charging, self._parts("charge")), (p.discharging, self._parts("discharge"))):
            ac_kw = parts.sum(axis=1)
            wasted += np.abs(curve.at_store(ac_kw) - parts @ curve.store_fracs)
            wasted += np.abs(curve.cooling_kw(ac_kw) - parts @ curve.cooling_fracs)
        return np.flatnonzero(wasted > BOTH_WAYS_KW)

    def _parts(self, flow: str) -> NDArray[np.float64]:
        """Return the chords of a flow, shape (n_steps, n_segments)."""
        return values_of(getattr(self._model, f"{flow}_part")).reshape(self._problem.n_steps, -1)

    def _charge_kw(self) -> NDArray[np.float64]:
        return np.asarray(self._parts("charge").sum(axis=1))

    def _discharge_kw(self) -> NDArray[np.float64]:
        return np.asarray(self._parts("discharge").sum(axis=1))

    def _schedule(self, status: Status) -> Schedule:
        """Round off the solver's noise and take the meter from the balance, so that it closes exactly."""
        p, model = self._problem, self._model
        charge_kw = np.clip(self._charge_kw(), 0.0, p.most_charge_kw)
        discharge_kw = np.clip(self._discharge_kw(), 0.0, p.most_discharge_kw)
        charge_kw, discharge_kw = _larger_only(charge_kw, discharge_kw)
        curtailed_kw = np.clip(values_of(model.curtailed_kw), 0.0, p.curtailable_kw)
        stored_kwh = np.clip(values_of(model.stored_kwh), p.floor_kwh, p.ceiling_kwh)
        net_kw = p.load_kw + p.auxiliary_kw - p.pv_kw + charge_kw - discharge_kw + curtailed_kw
        net_kw += p.cooling_kw(charge_kw, discharge_kw)
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


def why_no_schedule(problem: Problem) -> InfeasibleError | None:
    """
    Return what no schedule can keep.

    Parameters
    ----------
    problem : Problem
        A problem that seems to have no schedule.

    Returns
    -------
    InfeasibleError or None
        It names the limit, the step and the excess; None where neither the store nor the limit of import is to blame.
    """
    if (fault := store_fault(problem)) is not None:
        return InfeasibleError(fault)
    excess = least_excess_kw(problem)
    if excess.any():
        first, worst = int(np.argmax(excess > 0)), int(np.argmax(excess > excess.max() - NOTICEABLE_KW))
        return ImportLimitError(problem, excess, first=first, worst=worst)
    return None


def _other_reason(problem: Problem) -> InfeasibleError:
    if (problem.most_import_kwh, problem.most_out_kwh) != (None, None):
        return InfeasibleError("no schedule keeps the budget of energy\n    raise the budget, or leave it out")
    return InfeasibleError(
        "no schedule keeps the limits of the store and of the export at once\n"
        "    widen the store's window, raise the export limit, or let more PV be curtailed"
    )


def _tangent(peak: int, interval: int, import_kw: float, kvar: float) -> Cut:
    apparent = float(np.hypot(import_kw, kvar))
    slope = import_kw / apparent if apparent else 1.0
    return Cut(peak, interval, slope, apparent - slope * import_kw)


def _larger_only(a: NDArray[np.float64], b: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Set the smaller of two flows to zero where it is only noise."""
    noise = np.minimum(a, b) <= BOTH_WAYS_KW
    return np.where(noise & (a < b), 0.0, a), np.where(noise & (b <= a), 0.0, b)
