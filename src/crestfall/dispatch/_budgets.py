"""A budget of energy over all steps: cycles in a year, or imported energy."""

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from crestfall.dispatch._exact import ExactSearch, Trial, flows_of
from crestfall.dispatch._passes import NotInClassError
from crestfall.dispatch._pieces import StepData, step_data
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._schedule import Schedule

MOST_ASKED = 60
MOST_HALVINGS = 50
BEGIN_PRICE, DEAREST = 0.05, 1e4  # of the dearest import: where the price on a budget is sought


def within_budget(problem: Problem, time_limit_s: float, gap_frac: float, known: Sequence[Trial] = ()) -> Schedule:
    """
    Return the schedule of least cost within a budget of energy, by seeking a price on what the budget counts.

    The bound is concave in the price, and its slope is what the schedule uses beyond the budget, so two tangents say
    where to ask next [1]_. At the critical price schedules on either side of the budget cost the same; one between them
    uses it up.

    Parameters
    ----------
    problem : Problem
        The dispatch problem, with a budget.
    time_limit_s : float
        Longest time [s].
    gap_frac : float
        Gap at which the search ends, as a share of the cost.
    known : sequence of Trial, default=()
        Prices found for a problem that is much like this one.

    Returns
    -------
    Schedule
        Flows, cost and bound.

    Raises
    ------
    NotInClassError
        If two budgets bind at once, no price is enough, or the problem is not one for the exact way otherwise.

    References
    ----------
    .. [1] H. Everett, "Generalized Lagrange multiplier method for solving problems of optimum allocation of resources,"
       Operations Research 11 (1963) 399-417.
    """
    deadline = time.monotonic() + time_limit_s
    free = replace(problem, most_out_kwh=None, most_import_kwh=None)
    cheapest = ExactSearch(free, time_limit_s, gap_frac).run(known)
    broken = [budget for budget in _budgets_of(problem) if budget.used(free, cheapest) > budget.most_kwh]
    if not broken:
        return cheapest
    if len(broken) > 1:
        raise NotInClassError("two budgets of energy bind at once")
    budget = broken[0]

    def ask(price: float, near: _AtPrice) -> _AtPrice:
        search = ExactSearch(budget.priced(free, price), max(deadline - time.monotonic(), 0.0), gap_frac)
        return budget.at_price(free, price, search.run(near.schedule.proof))

    over = budget.at_price(free, 0.0, cheapest)
    price = BEGIN_PRICE * (1.0 + float(np.abs(problem.buy_per_kwh).max()))
    while (under := ask(price, over)).beyond > 0:
        over, price = under, 4.0 * price
        if price > DEAREST * (1.0 + float(np.abs(problem.buy_per_kwh).max())):
            raise NotInClassError("no price keeps the budget of energy")
    best, bound = _between(free, budget, over, under), max(over.bound, under.bound)
    for _ in range(MOST_ASKED):
        is_proven = best.objective - bound <= gap_frac * max(abs(best.objective), 1.0)
        meeting = (under.bound - over.bound + over.price * over.beyond - under.price * under.beyond) / (
            over.beyond - under.beyond
        )
        if is_proven or not over.price < meeting < under.price or time.monotonic() > deadline:
            break
        asked = ask(meeting, under if meeting - over.price > under.price - meeting else over)
        bound = max(bound, asked.bound)
        over, under = (asked, under) if asked.beyond > 0 else (over, asked)
        best = min(best, _between(free, budget, over, under), key=lambda schedule: schedule.objective)
    return replace(best, lower_bound=min(bound, best.objective))


class _AtPrice(NamedTuple):
    """What a price on the energy of a budget makes of a schedule."""

    price: float
    beyond: float  # the budget [kWh]
    bound: float  # on the cost within the budget
    schedule: Schedule


class _Budget(NamedTuple):
    """Energy of all steps together that may not be exceeded."""

    most_kwh: float
    counts_import: bool  # else what is taken out of the store

    def used(self, problem: Problem, schedule: Schedule) -> float:
        if self.counts_import:
            return problem.step_h * float(schedule.import_kw.sum())
        return problem.out_kwh(schedule.discharge_kw)

    def priced(self, problem: Problem, price: float) -> Problem:
        if self.counts_import:
            return replace(problem, buy_per_kwh=problem.buy_per_kwh + price)
        return replace(problem, out_price_per_kwh=problem.out_price_per_kwh + price)

    def at_price(self, problem: Problem, price: float, schedule: Schedule) -> _AtPrice:
        beyond = self.used(problem, schedule) - self.most_kwh
        return _AtPrice(price, beyond, schedule.lower_bound - price * self.most_kwh, schedule)


def _budgets_of(problem: Problem) -> list[_Budget]:
    both = (
        _Budget(most, counts)
        for most, counts in ((problem.most_out_kwh, False), (problem.most_import_kwh, True))
        if most is not None
    )
    return list(both)


def _between(free: Problem, budget: _Budget, over: _AtPrice, under: _AtPrice) -> Schedule:
    """Return a schedule between two whose changes of stored energy are mixed so that the budget is just used up."""
    data, a, b = step_data(free), over.schedule, under.schedule
    low, high = 0.0, 1.0
    mixed = _mixed(free, data, a, b, 0.0)
    for _ in range(MOST_HALVINGS):
        share = 0.5 * (low + high)
        tried = _mixed(free, data, a, b, share)
        if budget.used(free, tried) <= budget.most_kwh:
            low, mixed = share, tried
        else:
            high = share
    return mixed


def _mixed(p: Problem, data: StepData, a: Schedule, b: Schedule, share: float) -> Schedule:
    """Return the schedule whose stored energy is so much of one and the rest of another."""
    stored = share * a.stored_kwh + (1 - share) * b.stored_kwh
    start = share * a.start_kwh + (1 - share) * b.start_kwh
    flows = np.empty((5, p.n_steps))
    flows_of(data, stored - p.keep_frac * np.concatenate(([start], stored[:-1])), flows)
    charge, discharge, held, imported, exported = flows
    return replace(
        b,
        charge_kw=charge,
        discharge_kw=discharge,
        stored_kwh=stored,
        start_kwh=start,
        curtailed_kw=held,
        import_kw=imported,
        export_kw=exported,
        objective=p.running_cost(import_kw=imported, export_kw=exported, discharge_kw=discharge),
        note="the exact way, with a price on a budget of energy",
        proof=(),
    )
