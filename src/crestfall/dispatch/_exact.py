"""The exact way: a compiled pass over the store for given peaks, and a small program that seeks the peaks.

For given caps on import one pass back and one forward through the steps give the least cost, and its slope in each cap.
What ties distant steps together, the billed peaks with their ratchets, minimums and levels, is left to the master
program, which proposes peaks until its bound meets the cost of the best schedule. It is asked at a
blend of its own answer and a little of the best peaks so far, which keeps it from swinging and from asking the same
again [1]_; a plane for each few days tells it most of what it needs.

References
----------
.. [1] C. Lemarechal, A. Nemirovskii, Y. Nesterov, "New variants of bundle methods," Mathematical Programming 69 (1995)
   111-147.
"""

import logging
import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from crestfall.dispatch._caps import CapsOfPeaks, caps_at, measured_by, on_peaks
from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._intervals import joined, spans_of, split
from crestfall.dispatch._master import Master, Planes
from crestfall.dispatch._passes import NoScheduleError, NotInClassError, Pass, Passes
from crestfall.dispatch._pieces import NEGLIGIBLE, StepData, StepLimitError, held_back_kw, pieces_of, step_data
from crestfall.dispatch._problem import Problem, Taper
from crestfall.dispatch._schedule import Schedule, Status
from crestfall.dispatch._settlement import FloatArray, Settlement, highest
from crestfall.dispatch._splicing import Run, better_parts, seams_between
from crestfall.dispatch._store import Store
from crestfall.dispatch._values import (
    Values,
    block_bounds,
    room_for_step,
)

logger = logging.getLogger(__name__)

WEIGHT_OF_BEST = 0.1  # in the blend with the master's answer
MOST_ROUNDS = 200
STILL = 0.1  # share of what a level may be off at the gap that is asked for
MOST_BLOCKS = 400
MANY_BLOCKS, SHORTEST_BLOCK = 64, 96  # the longer ones are cut to make so many, of so many intervals at least
MOST_SIDES = 8  # searches for a better schedule where costs are not convex


def why_not(problem: Problem) -> str | None:
    """
    Return why a problem is not one for the exact way, in a few words; None if it is.

    Parameters
    ----------
    problem : Problem
        The dispatch problem.
    """
    if problem.sums:
        return "the bill has amounts on sums of energy"
    if problem.settlement.has_choices:
        return "the bill has blocks that get cheaper"
    if spans_of(problem) is None:
        return "intervals of billed peaks overlap in part"
    taper = problem.charge_taper
    if taper is not None and taper.limit_kw < taper.slope_per_h * float(problem.ceiling_kwh.max()):
        return "the taper forbids a full store"
    return None


class Trial(NamedTuple):
    """Prices that one pass has found at trial levels of the peaks, in little room: most caps are worth nothing.

    Parameters
    ----------
    level : ndarray of shape (n_peaks,)
        The levels [kW or kVA].
    values : Values
        The prices, those of caps left out.
    n_caps : int
        Number of caps.
    caps : ndarray of int, shape (n_worth,)
        The caps that are worth something.
    on_cap : ndarray of shape (n_worth,)
        What they are worth.
    """

    level: FloatArray
    values: Values
    n_caps: int
    caps: Any
    on_cap: FloatArray

    @staticmethod
    def of(level: FloatArray, values: Values) -> "Trial":
        """Return the trial of levels and the prices found there."""
        caps = np.flatnonzero(values.on_cap)
        rest = values._replace(on_cap=np.zeros(0))
        return Trial(level, rest, len(values.on_cap), caps, values.on_cap[caps])

    def all_values(self) -> Values:
        """Return the prices, those of all caps among them."""
        on_cap = np.zeros(self.n_caps)
        on_cap[self.caps] = self.on_cap
        return self.values._replace(on_cap=on_cap)


def bound_by(trials: Sequence[Trial], problem: Problem) -> float:
    """
    Return a cost that no schedule of a problem can undercut, by prices that were found for another.

    By weak duality any prices give a bound. Those of one plant are good ones for a plant that is a little larger, so
    that the difference says at the most what the larger one would save, without solving anything.

    Parameters
    ----------
    trials : sequence of Trial
        Prices of a problem of the same steps and peaks.
    problem : Problem
        The problem.

    Returns
    -------
    float
        The bound.

    Raises
    ------
    NotInClassError
        If the problem is not one for the exact way.
    """
    search = ExactSearch(problem, np.inf, 0.0)
    master = Master(problem, search.block_starts)
    for trial in trials:
        master.add(search.planes(trial.all_values(), search.caps_at(trial.level)))
    return master.solve()[1]


def solve_exactly(
    problem: Problem, *, time_limit_s: float = 600.0, gap_frac: float = 1e-6, known: Sequence[Trial] = ()
) -> Schedule:
    """
    Return the schedule of least cost with its bound.

    Parameters
    ----------
    problem : Problem
        The dispatch problem.
    time_limit_s : float, default=600.0
        Longest time [s].
    gap_frac : float, default=1e-6
        Gap at which the search ends, as a share of the cost.
    known : sequence of Trial, default=()
        Prices found for a problem that is much like this one, from which the search sets out.

    Returns
    -------
    Schedule
        Flows, cost, bound, and the value of stored energy.

    Raises
    ------
    NotInClassError
        If the problem is not one for it, or no schedule keeps its limits.
    """
    if problem.most_out_kwh is None and problem.most_import_kwh is None:
        return ExactSearch(problem, time_limit_s, gap_frac).run(known)
    from crestfall.dispatch._budgets import within_budget  # which asks this search for more than one answer

    return within_budget(problem, time_limit_s, gap_frac, known)


class ExactSearch:
    """
    The search for one problem.

    Parameters
    ----------
    problem : Problem
        The dispatch problem; its budgets are not looked at.
    time_limit_s : float
        Longest time [s].
    gap_frac : float
        Gap at which the search ends, as a share of the cost.
    """

    def __init__(self, problem: Problem, time_limit_s: float, gap_frac: float) -> None:
        if (reason := why_not(problem)) is not None:
            raise NotInClassError(reason)
        self._problem = p = problem
        self._deadline = time.monotonic() + time_limit_s
        self._gap_frac = gap_frac
        self._data = step_data(p)
        self._n_sided = 0
        self._spans = spans_of(p)
        self._measured = measured_by(p, self._spans)
        self._price = exposures(np.array([peak.rate_per_kw for peak in p.peaks]), p.settlement)
        self._store = store_of(p, self._spans)
        self._take_pieces()
        self._room = room_for_step(self._data)
        self._flows = np.empty((5, p.n_steps))  # of the schedule that is looked at
        self._starts = _blocks_of(p, self._spans)
        self._seams = seams_between(p.peaks, self._spans)
        self._proof: tuple[Trial, ...] = ()

    @property
    def block_starts(self) -> Any:
        """First step of each block, and the number of steps."""
        return self._spans[self._starts]

    def run(self, known: Sequence[Trial] = ()) -> Schedule:
        """
        Return the schedule of least cost with its bound, and the value of stored energy along it.

        Prices found for another problem, of the same steps and peaks, prove planes of this one too: where it is much
        like the other they say at once where about its peaks belong.

        Where a step's cost is not convex the bound is that of its hull. A schedule that lies inside a dent costs more
        than the hull says; it keeps to its side of the dent, where the cost is convex, and is sought again: it can only
        get better.
        """
        best, bound = self._search([trial for trial in known if self._fits(trial)])
        proof = self._proof
        for _ in range(MOST_SIDES):
            try:
                if self._is_proven(best, bound) or not self._keep_sides(best):
                    break
                found, _ = self._search(proof)
            except NotInClassError:  # rounding has closed the side on which the schedule lies
                break
            if found.objective >= best.objective - NEGLIGIBLE * abs(best.objective):
                break
            best = found
        bound = min(bound, best.objective)
        return replace(best, lower_bound=bound, repaired_steps=self._n_sided, proof=proof)

    def _is_proven(self, schedule: "Schedule | _Found", bound: float) -> bool:
        return schedule.objective - bound <= self._gap_frac * max(abs(schedule.objective), 1.0)

    def _keep_sides(self, schedule: Schedule) -> bool:
        """Bind the steps whose cost is not convex to the side of the dent where they are; return whether any are."""
        data = self._data
        dented = self._steps.bent.copy()
        if not dented.any():
            return False
        charging, importing = schedule.charge_kw > 0, schedule.import_kw > 0
        pays = data.sell_per_kwh > data.buy_per_kwh  # to send out rather than to take in: a dent at the meter

        def bound_to_zero(limit: FloatArray, where: Any) -> FloatArray:
            return np.where(where, 0.0, limit)

        self._data = data._replace(
            most_charge_kw=bound_to_zero(data.most_charge_kw, dented & ~charging),
            most_discharge_kw=bound_to_zero(data.most_discharge_kw, dented & charging),
            export_limit_kw=bound_to_zero(data.export_limit_kw, dented & pays & importing),
            import_limit_kw=bound_to_zero(data.import_limit_kw, dented & pays & ~importing),
        )
        self._n_sided = max(self._n_sided, int(dented.sum()))
        self._take_pieces()
        return True

    def _take_pieces(self) -> None:
        """Lay out the costs of the steps anew; nothing is known of them yet."""
        try:
            self._steps = pieces_of(self._data)
        except StepLimitError as error:
            raise NoScheduleError(str(error)) from None
        self._pieces = joined(self._steps, self._spans, self._problem.keep_frac)
        self._passes = Passes(self._problem, self._spans, self._pieces, self._store, self._measured.first)

    def _fits(self, trial: Trial) -> bool:
        """Return whether prices are those of as many steps, caps and peaks."""
        sizes = len(trial.values.stored_per_kwh), trial.n_caps, len(trial.level)
        return sizes == (len(self._spans) - 1, int(self._measured.first[-1]), len(self._problem.peaks))

    def _search(self, known: Sequence[Trial]) -> tuple[Schedule, float]:
        """Return the best schedule for the costs as they are laid out, and a bound."""
        p = self._problem
        if not p.peaks:
            caps = self.caps_at(np.zeros(0))
            found = self._ask(caps)
            self._proof = (Trial.of(np.zeros(0), found.one.values),)
            return self._schedule(found, Status.OPTIMAL), self._bound_alone(self.planes(found.one.values, caps))
        master = Master(p, self.block_starts)
        trials = dict(enumerate(known))
        status, bound = Status.OPTIMAL, -np.inf
        best: _Found | None = None
        for trial in known:
            master.add(self.planes(trial.all_values(), self.caps_at(trial.level)))
        level = master.solve()[0] if known else _first_levels(p)
        for number in range(len(known), len(known) + MOST_ROUNDS):
            caps = self.caps_at(level)
            found = self._ask(caps)
            best = found if best is None else self._better(best, found)
            trials[number] = Trial.of(level, found.one.values)
            master.add(self.planes(found.one.values, caps))
            answer, now = master.solve()
            bound = max(bound, now)
            trials = {i: trials[i] for i in master.in_use if i in trials}  # the rest proves nothing
            logger.debug("round %d: cost %.6f, bound %.6f", number, best.objective, bound)
            if self._is_proven(best, bound):
                break
            if time.monotonic() > self._deadline:
                status = Status.TIME_LIMIT
                break
            wanted = WEIGHT_OF_BEST * best.peaks + (1 - WEIGHT_OF_BEST) * answer
            level = self._next_levels(level, wanted, best)
        self._proof = tuple(trials.values())
        return self._schedule(best or found, status), bound

    def _next_levels(self, level: FloatArray, wanted: FloatArray, best: "_Found") -> FloatArray:
        """Leave levels where they are if moving them does not count: their months need not be gone through again."""
        counts = self._gap_frac * max(abs(best.objective), 1.0) / len(level)
        moves = np.abs(wanted - level) * self._price > STILL * counts
        return np.where(moves, wanted, level) if moves.any() else wanted

    def caps_at(self, level: FloatArray) -> CapsOfPeaks:
        """Return the caps for trial levels of the peaks, shape (n_peaks,)."""
        return caps_at(self._measured, level, self._price)

    def _ask(self, caps: CapsOfPeaks) -> "_Found":
        """Return the cheapest flows under caps."""
        one = self._passes.at(caps)
        change = split(self._pieces, self._steps, self._spans, self._problem, one.change_kwh, one.start_kwh)
        if change is None:
            raise NotInClassError("the store has no room within intervals that the meter averages")
        return self._found(one, change)

    def _found(self, one: Pass, change: FloatArray) -> "_Found":
        """Return what a schedule comes to."""
        p, flows = self._problem, self._flows
        flows_of(self._data, change, flows)
        _, discharge, _, imported, exported = flows
        peaks = highest(p.peaks, imported)
        cost = p.flows_cost(import_kw=imported, export_kw=exported, discharge_kw=discharge) + p.settled_cost(peaks)
        each = p.step_h * (p.buy_per_kwh * imported - p.sell_per_kwh * exported + p.wear_per_kwh * discharge)
        return _Found(one, change, peaks, cost, np.add.reduceat(each, self._spans[:-1]))

    def _better(self, best: "_Found", found: "_Found") -> "_Found":
        """Return the better of two schedules, or one of the better parts of both."""
        best, other = (found, best) if found.objective < best.objective else (best, found)
        is_other = better_parts(self._seams, self._run_of(best), self._run_of(other))
        if is_other is None:
            return best
        in_steps = np.repeat(is_other, np.diff(self._spans))
        change = np.where(in_steps, other.change_kwh, best.change_kwh)
        mixed = self._found(best.one.with_parts(other.one, is_other), change)
        return mixed if mixed.objective < best.objective else best

    def _run_of(self, found: "_Found") -> Run:
        return Run(found.one.start_kwh, found.one.stored_kwh, found.cost, self._price * found.peaks)

    def planes(self, values: Values, caps: CapsOfPeaks) -> Planes:
        """Return what prices found under caps prove of the blocks, for any peaks and any energy between them."""
        bounds = block_bounds(
            self._data, self._pieces, caps.caps, self._store, values, self._spans, self._starts, self._room
        )
        slopes, constant = on_peaks(caps, values.on_cap, self._starts, len(self._problem.peaks))
        return Planes(bounds.constant + constant, bounds.begin_per_kwh, bounds.end_per_kwh, slopes)

    def _bound_alone(self, planes: Planes) -> float:
        """Return the bound of a problem without peaks, from the plane of its one block."""
        p = self._problem
        begin, end = float(planes.begin_per_kwh[0]), float(planes.end_per_kwh[0])
        low, high = float(p.floor_kwh[-1]), float(p.ceiling_kwh[-1])
        total = float(planes.constant[0]) + p.fixed_cost + p.settlement.least_cost(np.zeros(0))
        if p.start_kwh is None:
            return total + min((begin + end) * low, (begin + end) * high)
        if p.end_kwh is not None:
            low = high = p.end_kwh
        return total + begin * p.start_kwh + min(end * low, end * high)

    def _schedule(self, found: "_Found", status: Status) -> Schedule:
        p, one = self._problem, found.one
        stored = one.stored_kwh
        if len(stored) != p.n_steps:
            stored = _stored_between(found.change_kwh, one.start_kwh, p.keep_frac)
            stored[self._spans[1:] - 1] = one.stored_kwh
        flows_of(self._data, found.change_kwh, self._flows)
        charge, discharge, held, imported, exported = self._flows.copy()
        return Schedule(
            charge_kw=charge,
            discharge_kw=discharge,
            stored_kwh=np.clip(stored, p.floor_kwh, p.ceiling_kwh),
            start_kwh=one.start_kwh if p.start_kwh is not None else float(stored[-1]),
            curtailed_kw=held,
            import_kw=imported,
            export_kw=exported,
            objective=found.objective,
            lower_bound=-np.inf,
            status=status,
            note="the exact way",
            stored_per_kwh=np.repeat(one.values.stored_per_kwh, np.diff(self._spans)),
        )


class _Found(NamedTuple):
    """What trial levels of the peaks lead to.

    Parameters
    ----------
    one : Pass
        The pass over the store.
    change_kwh : ndarray of shape (n_steps,)
        Change of stored energy of each step [kWh].
    peaks : ndarray of shape (n_peaks,)
        The peaks of its import [kW or kVA].
    objective : float
        Its cost.
    cost : ndarray of shape (n_intervals,)
        What is paid for each kWh of each interval.
    """

    one: Pass
    change_kwh: FloatArray
    peaks: FloatArray
    objective: float
    cost: FloatArray


def taper_of(taper: Taper | None, step_h: float) -> tuple[float, float]:
    """Return rise and limit of a taper, for changes of stored energy in place of power; see :class:`Store`."""
    return (0.0, np.inf) if taper is None else (step_h * abs(taper.slope_per_h), step_h * taper.limit_kw)


def store_of(p: Problem, spans: Any) -> Store:
    ends = spans[1:] - 1
    lengths = np.diff(spans)

    rise_in, limit_in = taper_of(p.charge_taper, p.step_h)
    rise_out, limit_out = taper_of(p.discharge_taper, p.step_h)
    floor, ceiling = p.floor_kwh[ends].copy(), p.ceiling_kwh[ends].copy()
    if p.end_kwh is not None:
        floor[-1] = ceiling[-1] = p.end_kwh
    keep = p.keep_frac ** np.arange(lengths.max() + 1.0)
    return Store(floor, ceiling, keep[lengths], rise_in, limit_in, rise_out, limit_out)


def _blocks_of(p: Problem, spans: Any) -> Any:
    """
    Return the first interval of each block, and the number of intervals.

    The extents of the shortest peaks, and what lies between them. Long ones are cut: the more blocks the master has a
    plane of, the sooner it knows where the peaks belong.
    """
    if not p.peaks:
        return np.array([0, len(spans) - 1])
    extents = sorted(
        ((int(peak.steps.min()), int(peak.steps.max()) + peak.span) for peak in p.peaks if peak.steps.size),
        key=lambda extent: extent[1] - extent[0],
    )
    inside = np.zeros(p.n_steps + 1, dtype=bool)  # of a shorter peak's extent
    edges = {0, p.n_steps}
    for begin, end in extents:
        if len(edges) >= MOST_BLOCKS:
            break
        edges.update(edge for edge in (begin, end) if not inside[edge])
        inside[begin + 1 : end] = True
    coarse = np.unique(np.searchsorted(spans, sorted(edges)))
    length = max((len(spans) - 1) / MANY_BLOCKS, SHORTEST_BLOCK)
    parts = np.maximum(np.round(np.diff(coarse) / length), 1).astype(int)
    # Evenly between the ends of each, and the last end.
    at = np.concatenate([k + np.arange(n) / n for k, n in enumerate(parts)] + [[len(parts)]])
    return np.unique(np.interp(at, np.arange(len(coarse)), coarse).round().astype(np.int64))


def exposures(rates: FloatArray, settlement: Settlement) -> FloatArray:
    """
    Return what one kW more of each peak can cost at the most: its own rate, and what the rows make of it elsewhere.

    Parameters
    ----------
    rates : ndarray of shape (n_peaks,)
        Prices of the peaks.
    settlement : Settlement
        The rows.

    Returns
    -------
    ndarray of shape (n_peaks,)
        A price that is enough to keep a cap if keeping it pays. If it were too low, the gap would not close.
    """
    n = len(rates)
    if not settlement.names:
        return rates
    own = np.concatenate((rates, np.maximum(settlement.cost, 0.0)))
    most = own.copy()
    for _ in range(len(settlement.names) + 1):
        pushed = own.copy()
        for row in settlement.rows:
            columns, weights = np.array(row.columns), np.array(row.weights)
            sign = 1.0 if np.isfinite(row.at_least) else -1.0
            raised, raising = sign * weights > 0, sign * weights < 0
            if raised.any() and raising.any():
                dearest = float((most[columns[raised]] / np.abs(weights[raised])).max())
                pushed[columns[raising]] += dearest * np.abs(weights[raising])
        pushed = np.minimum(pushed, own.sum())
        if np.allclose(pushed, most):
            break
        most = pushed
    return np.asarray(np.maximum(most[:n], rates))


def _first_levels(p: Problem) -> FloatArray:
    """Return peaks to begin with: the idle plant's, less half of what the battery can give."""
    idle = np.clip(p.load_kw + p.auxiliary_kw - p.pv_kw, 0.0, None)
    relief = 0.5 * float(p.most_discharge_kw.max())
    return np.maximum(highest(p.peaks, idle) - relief, [peak.least for peak in p.peaks])


def _stored_between(change: FloatArray, start: float, keep: float) -> FloatArray:
    stored = np.empty(len(change))
    _follow(change, start, keep, stored)
    return stored


@compiled
def _follow(change: Any, start: float, keep: float, stored: Any) -> None:
    e = start
    for t in range(len(change)):
        e = keep * e + change[t]
        stored[t] = e


@compiled
def flows_of(data: StepData, change: Any, out: Any) -> None:
    """Write charge, discharge, PV held back, import and export of each step."""
    h = data.step_h
    demand, curtailable, import_limit, export_limit = (
        data.demand_kw,
        data.curtailable_kw,
        data.import_limit_kw,
        data.export_limit_kw,
    )
    buy, sell = data.buy_per_kwh, data.sell_per_kwh
    # One loop for each direction: choosing between tuples of arrays in each step would take longer than the rest.
    in_width, in_store, in_cooling = data.charge
    out_width, out_store, out_cooling = data.discharge
    charge, discharge, held_back, imported, exported = out
    for t in range(len(change)):
        left, ac, cooling = abs(change[t]) / h, 0.0, 0.0
        if change[t] > 0.0:
            for i in range(len(in_width)):
                part = min(left / in_store[i], in_width[i])
                left -= part * in_store[i]
                ac += part
                cooling += part * in_cooling[i]
                if left <= 0.0:
                    break
            charge[t], discharge[t] = ac, 0.0
        else:
            for i in range(len(out_width)):
                part = min(left / out_store[i], out_width[i])
                left -= part * out_store[i]
                ac += part
                cooling += part * out_cooling[i]
                if left <= 0.0:
                    break
            charge[t], discharge[t] = 0.0, ac
        net = demand[t] + charge[t] - discharge[t] + cooling
        held = held_back_kw(net, buy[t], sell[t], export_limit[t], import_limit[t], curtailable[t])
        held_back[t], imported[t], exported[t] = held, max(net + held, 0.0), max(-net - held, 0.0)
