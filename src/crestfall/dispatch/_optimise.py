"""One function for every problem: the exact way where it fits, the general solver elsewhere."""

import logging
import time
from dataclasses import replace
from typing import Literal

from crestfall.dispatch._problem import Problem
from crestfall.dispatch._schedule import Schedule, Status, check_feasible
from crestfall.errors import InfeasibleError, SolverError

logger = logging.getLogger(__name__)

Solver = Literal["auto", "exact", "lp"]
PROVEN_FRAC = 1e-6  # of the cost: the gap at which the exact way ends its search
# Where costs are not convex the bound is that of their hull, which no schedule may reach.
CLOSE_FRAC = 1e-4


def optimise(
    problem: Problem,
    *,
    solver: Solver = "auto",
    time_limit_s: float = 600.0,
    gap_frac: float = PROVEN_FRAC,
    like: Schedule | None = None,
) -> Schedule:
    """
    Return the schedule of least cost with a proven lower bound.

    Parameters
    ----------
    problem : Problem
        The dispatch problem.
    solver : {"auto", "exact", "lp"}, default="auto"
        The exact way, the general solver of linear programs, or the exact way wherever it fits the problem.
    time_limit_s : float, default=600.0
        Longest time for the search [s]; then the best schedule so far is returned with its gap.
    gap_frac : float, default=1e-6
        Gap at which the exact way ends its search, as a share of the cost.
    like : Schedule, optional
        Of a problem much like this one, such as the year before: the exact way sets out from the prices that proved it.

    Returns
    -------
    Schedule
        Feasible flows, their cost, the bound, and in one line how they were found.

    Raises
    ------
    InfeasibleError
        If no schedule keeps all limits; the message names the limit, the step and the excess.
    SolverError
        If the time runs out before there is any schedule, or `exact` does not fit the problem.
    """
    began = time.monotonic()
    if solver == "lp":
        return replace(_general(problem, time_limit_s), note="the general solver, as asked for")
    exact, why = _exact(problem, time_limit_s, gap_frac, like)
    if exact is not None and (solver == "exact" or exact.status is Status.TIME_LIMIT or _is_close(exact)):
        return exact
    if solver == "exact":
        raise SolverError(f"the exact way does not fit: {why}\n    choose solver auto or lp")
    left_s = max(time_limit_s - (time.monotonic() - began), 0.0)
    try:
        general = _general(problem, left_s)
    except SolverError:
        if exact is None:
            raise
        return replace(exact, status=Status.TIME_LIMIT)
    if exact is None:
        return replace(general, note=f"the general solver, since {why}")
    # Both bounds hold, so the better of each is taken.
    best = min(general, exact, key=lambda schedule: schedule.objective)
    bound = min(max(general.lower_bound, exact.lower_bound), best.objective)
    return replace(best, lower_bound=bound, note="both solvers, since burning energy pays in some steps")


def _is_close(schedule: Schedule) -> bool:
    allowed = CLOSE_FRAC * max(abs(schedule.objective), 1.0)
    return schedule.objective - schedule.lower_bound <= allowed


def _general(problem: Problem, time_limit_s: float) -> Schedule:
    from crestfall.dispatch._solve import solve_as_program

    return solve_as_program(problem, time_limit_s=time_limit_s)


def _exact(
    problem: Problem, time_limit_s: float, gap_frac: float, like: Schedule | None
) -> tuple[Schedule | None, str]:
    """Return what the exact way finds, or why it does not fit."""
    from crestfall.dispatch._compiled import tell_of_compiling
    from crestfall.dispatch._exact import solve_exactly
    from crestfall.dispatch._passes import NoScheduleError, NotInClassError

    tell_of_compiling()
    try:
        known = () if like is None else like.proof
        schedule = solve_exactly(problem, time_limit_s=time_limit_s, gap_frac=gap_frac, known=known)
    except NoScheduleError as error:
        if (reason := _reason_found(problem)) is not None:
            raise reason from None
        return None, str(error)  # a limit of export, or rounding: the general solver says
    except NotInClassError as error:
        logger.debug("the exact way does not fit: %s", error)
        return None, str(error)
    try:
        check_feasible(problem, schedule)
    except SolverError as error:
        logger.warning("the exact way failed its own check, the general solver takes over: %s", error)
        return None, "the exact way failed its own check"
    return schedule, ""


def least_cost(problem: Problem, by: Schedule) -> float | None:
    """
    Return a cost that no schedule of a problem can undercut, by the prices that proved a schedule of another.

    It says at the most what a larger plant would save, without solving anything: the difference to the schedule's cost.

    Parameters
    ----------
    problem : Problem
        The problem; of the same steps and billed peaks.
    by : Schedule
        A schedule of the other problem.

    Returns
    -------
    float or None
        The bound; None where the exact way did not find the schedule or does not fit the problem.
    """
    from crestfall.dispatch._exact import bound_by
    from crestfall.dispatch._passes import NotInClassError

    if not by.proof:
        return None
    try:
        return bound_by(by.proof, problem)
    except NotInClassError:
        return None


def _reason_found(problem: Problem) -> InfeasibleError | None:
    """Return why there is no schedule, if a single limit is to blame."""
    from crestfall.dispatch._solve import why_no_schedule

    return why_no_schedule(problem)
