"""The loop of a rolling plan, compiled: what energy will be worth, and what each step does with that.

A plan is a cost-to-go: what the rest of the horizon costs over the energy at the end of a step. Going back over the
steps that are expected gives it for each step until the next plan (dispatch's own kernel, exact). The step itself then
takes the change of stored energy that costs least with what really happens: its cost now and the cost-to-go after it.
Load and PV that turn out otherwise are so met within the step, and a target is kept whatever the forecast was.

Steps are counted from the first of the history. Arrays are unpacked before loops, as in the kernel.
"""

from typing import Any, NamedTuple

import numpy as np

from crestfall.control._chords import at_terminals, through
from crestfall.control._learning import N_RUNGS, N_WORST
from crestfall.control._peak_targets import CLOSE_KW, Steps, raise_by_least
from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._pieces import MOST_REGIONS, Pieces, StepData, fill_steps, room
from crestfall.dispatch._store import TINY_KWH, Caps, Crossings, Line, Store, spare_for, take_steps

N_LINES = N_WORST + 2  # whose sum is a cost-to-go: that of the forecast, with each error that may come again, and needs
N_CAPS = N_RUNGS + 1  # on the import of a step: the rungs of its demand charges, and the limit
DAY_CLOSE_FRAC = 1e-3  # of the highest load of a plan: how finely that peak is sought
DAY_MARGIN_FRAC = 0.03  # by which the first rung lies above the lowest peak that is expected
DEARER = 100.0  # times that price: import above its limit
FLAT = 1e-9  # cost for each kWh below which two changes cost the same


class Outlook(NamedTuple):
    """What is known of all steps, and what of each plan's; arrays of shape (n_steps,) unless said otherwise.

    Parameters
    ----------
    steps : StepData
        The steps as they happen, without an import limit; step t is read when it is decided.
    store : Store
        Bounds of the store.
    means : Steps
        The same for the search of caps.
    import_limit_kw : ndarray
        A further cap [kW].
    price_step : ndarray of int, shape (n_plans, n_horizon)
        Whose price stands for that of each step of a plan: its own as far as it is known.
    net_kw, curtailable_kw : ndarray of shape (n_plans, n_horizon)
        Import without the battery that each plan expects, and PV that may be held back [kW].
    measured : ndarray of bool, shape (n_charges, n_steps)
        Which demand charge measures which step.
    day_part : ndarray of int
        Place in the day of each step, for what is learnt.
    first : int
        Step of the first plan.
    every : int
        Steps from a plan to the next.
    n_steps : int
        Number of steps, history included.
    n_doubtful : int
        For so many steps of a plan past errors of the forecast may come again; beyond them it goes as expected.
    """

    steps: StepData
    store: Store
    means: Steps
    import_limit_kw: Any
    price_step: Any
    net_kw: Any
    curtailable_kw: Any
    measured: Any
    day_part: Any
    first: int
    every: int
    n_steps: int
    n_doubtful: int


class State(NamedTuple):
    """What the policy carries from step to step, changed in place.

    Parameters
    ----------
    content_kwh : ndarray of shape (1,)
        Stored energy [kWh].
    rungs_kw : ndarray of shape (n_charges, N_RUNGS)
        Levels of import of each demand charge, each dearer to exceed than the one below. A plan lifts the first to
        what it expects; above the second nothing is charged; the last is the target [kW].
    seen_kw : ndarray of shape (n_charges,)
        The highest import of its period so far [kW].
    n_failed : ndarray of int, shape (1,)
        Plans without any schedule.
    n, left, slope, length : ndarray of shape (N_LINES, every), the same, (N_LINES, every, n_room), the same
        What the cost-to-go of the plan in force is the sum of, at the end of each of its steps: a weighted line for
        each path, then one for needs; number of pieces (-1 for no line), least energy, pieces.
    cap_kw : ndarray of shape (every,)
        What import may come to by plan in each of these steps [kW].
    day_kw : ndarray of shape (1,)
        The lowest peak that the plan in force expects to be kept over its horizon [kW].
    """

    content_kwh: Any
    rungs_kw: Any
    seen_kw: Any
    n_failed: Any
    n: Any
    left: Any
    slope: Any
    length: Any
    cap_kw: Any
    day_kw: Any


class Lesson(NamedTuple):
    """What has been learnt for the steps until the next lesson.

    Parameters
    ----------
    needs_kwh, need_prices : ndarray of shape (n_day_parts, n_needs)
        Energy that was needed at a time of day, rising, and what it costs to have a kWh less than each.
    excess_prices : ndarray of shape (N_RUNGS,)
        What import above each rung costs more than below it, for each kW in a step.
    backs : ndarray of int, shape (n_paths,)
        How many steps ago those errors of the forecast began that may come again.
    weights : ndarray of shape (n_paths + 1,)
        Weight of the forecast as it is, and of it with each of these errors; they sum to 1.
    """

    needs_kwh: Any
    need_prices: Any
    excess_prices: Any
    backs: Any
    weights: Any


class Sum(NamedTuple):
    """Room for the sum of a step's lines; arrays of shape (n_room,), but for the last two.

    Parameters
    ----------
    slope, length : ndarray
        Its pieces.
    place, rest : ndarray of shape (N_LINES,)
        The piece of each line that is added next, and what is left of it [kWh].
    """

    slope: Any
    length: Any
    place: Any
    rest: Any


class Room(NamedTuple):
    """Room for one plan."""

    pieces: Pieces
    out: Crossings
    line: Line
    later: Line
    spare: tuple[Any, Any, Any]
    one: Pieces
    total: Sum


def room_for(data: StepData, n_horizon: int) -> Room:
    """Return room for plans over a horizon."""
    per_step = data.charge.shape[1] + data.discharge.shape[1] + MOST_REGIONS
    most = n_horizon * (per_step + N_CAPS)
    n_line = 4 * most + 64
    n_total = N_LINES * (most + 1)
    pieces = room(n_horizon, n_horizon * per_step)
    at = np.zeros(n_horizon, dtype=np.int64)
    line, later = (
        Line(
            np.zeros(n_line),
            np.zeros(n_line),
            np.zeros(1, dtype=np.int64),
            np.zeros(1, dtype=np.int64),
            np.zeros(1),
            np.zeros(1),
            np.ones(1),
        )
        for _ in range(2)
    )
    out = Crossings(at, at.copy(), *(np.empty(most) for _ in range(4)))
    return Room(
        pieces,
        out,
        line,
        later,
        spare_for(n_line),
        room(1, per_step),
        Sum(np.empty(n_total), np.empty(n_total), np.zeros(N_LINES, dtype=np.int64), np.empty(N_LINES)),
    )


@compiled
def _cost_to_go(
    data: StepData,
    store: Store,
    caps: Caps,
    spare: Room,
    n_now: int,
    n_doubtful: int,
    path: int,
    state: State,
    weight: float,
) -> bool:
    """Write a path's weighted cost-to-go at the end of each of the first steps; return whether there is any.

    The line at the end of the doubtful steps is remembered on the path where all goes as expected, the first, and set
    out from on the others.
    """
    pieces, out, v, later, aside = spare.pieces, spare.out, spare.line, spare.later, spare.spare
    n = len(data.demand_kw) if path == 0 else n_doubtful
    is_found = fill_steps(data, 0, n, 0.0, pieces) < 0
    first, x_first = pieces.first, out.first
    for t in range(n):
        x_first[t] = first[t] + t * N_CAPS
    if path == 0:
        middle = len(v.slope) // 2
        low, high = store.floor_kwh[n - 1], store.ceiling_kwh[n - 1]
        v.head[0], v.tail[0], v.left[0], v.right[0], v.scale[0] = middle, middle, low, high, 1.0
        if high > low:
            v.slope[middle], v.length[middle] = 0.0, high - low
            v.tail[0] = middle + 1
        if is_found and n_doubtful < n:
            is_found = take_steps(n_doubtful, n, pieces, caps, store, v, out, aside) == -1
        _copy(v, later)
    else:
        _copy(later, v)
    k, end = n_now - 1, n_doubtful
    while is_found and k >= 0:
        begin = min(k + 1, n)
        if begin < end:
            is_found = take_steps(begin, end, pieces, caps, store, v, out, aside) == -1
        if is_found:
            _write(state, path, k, v, weight)
        k, end = k - 1, begin
    return is_found


@compiled
def _copy(line: Line, to: Line) -> None:
    slope, length, to_slope, to_length = line.slope, line.length, to.slope, to.length
    begin, end = line.head[0], line.tail[0]
    for i in range(begin, end):
        to_slope[i], to_length[i] = slope[i], length[i]
    to.head[0], to.tail[0], to.left[0], to.right[0] = begin, end, line.left[0], line.right[0]
    to.scale[0] = line.scale[0]


@compiled
def _write(state: State, path: int, k: int, v: Line, weight: float) -> None:
    """Write a weighted line among those of a step."""
    v_slope, v_length, begin, scale = v.slope, v.length, v.head[0], v.scale[0]
    slope, length, n = state.slope, state.length, v.tail[0] - begin
    for i in range(n):
        slope[path, k, i], length[path, k, i] = weight * v_slope[begin + i] * scale, v_length[begin + i] / scale
    state.n[path, k], state.left[path, k] = n, v.left[0]


@compiled
def _add_up(k: int, low: float, high: float, state: State, total: Sum) -> tuple[int, float]:
    """Add up the lines of a step from one energy to another or beyond; return how many pieces, and where they begin.

    A step reaches but a part of the store: only there the lines of a plan are added.
    """
    n, left, slope, length, place, rest = state.n, state.left, state.slope, state.length, total.place, total.rest
    t_slope, t_length, n_lines, at, e = total.slope, total.length, len(state.n), 0, low
    for p in range(n_lines):
        if n[p, k] >= 0:
            e = max(e, left[p, k])
    begin, is_more = e, True
    for p in range(n_lines):
        i, reached = 0, left[p, k]
        while i < n[p, k] and reached + length[p, k, i] <= begin + TINY_KWH:
            reached += length[p, k, i]
            i += 1
        place[p] = i
        if i < n[p, k]:
            rest[p] = reached + length[p, k, i] - begin
        elif n[p, k] >= 0:
            is_more = False
    while is_more:
        piece, part = 0.0, np.inf
        for p in range(n_lines):
            if n[p, k] >= 0:
                piece += slope[p, k, place[p]]
                part = min(part, rest[p])
        if at > 0 and piece - t_slope[at - 1] < FLAT:
            t_length[at - 1] += part
        else:
            t_slope[at], t_length[at] = piece, part
            at += 1
        e += part
        is_more = e < high
        for p in range(n_lines):
            rest[p] -= part
            if n[p, k] >= 0 and rest[p] <= TINY_KWH:
                place[p] += 1
                if place[p] < n[p, k]:
                    rest[p] = length[p, k, place[p]]
                else:
                    is_more = False
    return at, begin


@compiled
def _plan(a: int, ahead: Outlook, lesson: Lesson, state: State, spare: Room, dear: float) -> None:
    """Make the plan of a step: the costs-to-go and caps until the next one."""
    steps, store, means = ahead.steps, ahead.store, ahead.means
    number = (a - ahead.first) // ahead.every
    n = min(ahead.net_kw.shape[1], ahead.n_steps - a)
    n_now = min(ahead.every, n)
    b = a + n
    net, held, limit = ahead.net_kw[number, :n], ahead.curtailable_kw[number, :n], ahead.import_limit_kw[a:b]
    level = np.empty((n, N_CAPS))
    _level_caps(a, n, ahead, state.rungs_kw, level)
    within = Steps(
        means.step_h,
        means.keep_frac,
        means.most_charge[a:b],
        means.most_discharge[a:b],
        means.floor[a:b],
        means.ceiling[a:b],
        means.into,
        means.outof,
        means.tapers,
    )
    # Where the forecast says that a target cannot be kept, this plan takes the lowest that can.
    target = level[:, N_RUNGS - 1].copy()
    # What the day ahead cannot avoid is no peak that this plan makes.
    lowest = np.where(level[:, 0] < np.inf, 0.0, np.inf)
    near, close = state.day_kw[0] / (1.0 + DAY_MARGIN_FRAC), max(DAY_CLOSE_FRAC * net.max(), CLOSE_KW)
    unavoidable = raise_by_least(net, lowest, limit, state.content_kwh[0], within, near, close)
    own = unavoidable * (1.0 + DAY_MARGIN_FRAC)
    state.day_kw[0] = own
    level[:, 0] = np.maximum(level[:, 0], own)
    if target.min() < unavoidable:  # else what is kept at that level is kept at higher ones
        target += raise_by_least(net, target, limit, state.content_kwh[0], within, np.nan, CLOSE_KW)
    target = np.minimum(target, limit)
    level[:, N_RUNGS - 1] = target
    for i in range(N_RUNGS):
        level[:, i] = np.minimum(level[:, i], target)
    window = Store(
        store.floor_kwh[a:b],
        store.ceiling_kwh[a:b],
        store.keep_frac[a:b],
        store.rise_in,
        store.limit_in,
        store.rise_out,
        store.limit_out,
    )
    caps = _as_caps(level, np.append(lesson.excess_prices, dear))
    buy, sell = np.empty(n), np.empty(n)
    whose, all_buy, all_sell = ahead.price_step[number], steps.buy_per_kwh, steps.sell_per_kwh
    for t in range(n):
        buy[t], sell[t] = all_buy[whose[t]], all_sell[whose[t]]
    demand = net.copy()
    data = StepData(
        steps.step_h,
        demand,
        held,
        steps.import_limit_kw[a:b],
        steps.export_limit_kw[a:b],
        buy,
        sell,
        steps.out_price_per_kwh[a:b],
        steps.most_charge_kw[a:b],
        steps.most_discharge_kw[a:b],
        steps.charge,
        steps.discharge,
        steps.wear_per_kwh,
    )
    state.n[:] = -1
    is_found = False
    n_doubtful = max(min(ahead.n_doubtful, n), n_now)
    for path in range(len(lesson.backs) + 1):
        if lesson.weights[path] <= 0.0:
            continue
        if path > 0 and not is_found:
            break
        if path > 0:
            back = lesson.backs[path - 1]
            earlier = (a - back - ahead.first) // ahead.every
            since = a - back - ahead.first - earlier * ahead.every
            was, happened, load = ahead.net_kw[earlier], a - back, steps.demand_kw
            for t in range(n_doubtful):
                demand[t] = net[t] + load[happened + t] - was[min(since + t, len(was) - 1)]
        is_found |= _cost_to_go(data, window, caps, spare, n_now, n_doubtful, path, state, lesson.weights[path])
    if not is_found:
        state.n_failed[0] += 1
        for k in range(n_now):
            state.n[0, k], state.left[0, k] = 1, store.floor_kwh[a + k]
            state.slope[0, k, 0], state.length[0, k, 0] = 0.0, store.ceiling_kwh[a + k] - store.floor_kwh[a + k]
    state.cap_kw[:n_now] = target[:n_now]
    if lesson.needs_kwh.shape[1] > 0:
        for k in range(n_now):
            _price_needs(store.floor_kwh[a + k], store.ceiling_kwh[a + k], ahead.day_part[a + k], lesson, spare.line)
            _write(state, N_LINES - 1, k, spare.line, 1.0)


@compiled
def _as_caps(level: Any, level_prices: Any) -> Caps:
    """Return levels, a row a step, as the kernel reads them; every path of a plan has the same."""
    n = len(level)
    first, price = np.arange(n + 1) * N_CAPS, np.empty(n * N_CAPS)
    for t in range(n):
        for i in range(N_CAPS):
            price[t * N_CAPS + i] = level_prices[i]
    return Caps(first, level.ravel(), price)


@compiled
def _price_needs(floor: float, ceiling: float, part: int, lesson: Lesson, v: Line) -> None:
    """Make a line of what it may cost to have less than was needed at a time of day."""
    needs, prices = lesson.needs_kwh[part], lesson.need_prices[part]
    slope, length = v.slope, v.length
    above = prices.sum()
    e, at = floor, 0
    for i in range(len(needs)):
        need = min(needs[i], ceiling)
        if need > e + TINY_KWH:
            slope[at], length[at] = -above, need - e
            e, at = need, at + 1
        above -= prices[i]
    if ceiling > e + TINY_KWH:
        slope[at], length[at] = 0.0, ceiling - e
        at += 1
    v.head[0], v.tail[0], v.left[0], v.right[0], v.scale[0] = 0, at, floor, ceiling, 1.0


@compiled
def _level_caps(a: int, n: int, ahead: Outlook, rungs: Any, level: Any) -> None:
    """Write the lowest rungs that hold in some steps, `inf` for none, and the limit.

    They are sought where other charges measure than in the step before; that is a few times a day.
    """
    measured, limit = ahead.measured, ahead.import_limit_kw
    n_charges = len(rungs)
    for t in range(n):
        level[t, N_RUNGS] = limit[a + t]
        is_new = t == 0
        for k in range(n_charges):
            is_new |= measured[k, a + t] != measured[k, a + t - 1]
        if not is_new:
            for i in range(N_RUNGS):
                level[t, i] = level[t - 1, i]
            continue
        for i in range(N_RUNGS):
            lowest = np.inf
            for k in range(n_charges):
                if measured[k, a + t]:
                    lowest = min(lowest, rungs[k, i])
            level[t, i] = lowest


@compiled
def _least_change(
    a: int,
    ahead: Outlook,
    y: float,
    caps: Any,
    charge_cap: float,
    prices: Any,
    state: State,
    k: int,
    dear: float,
    one: Pieces,
    total: Sum,
) -> float:
    """Return the change of stored energy that costs least in a step, with the cost-to-go after it.

    The cost is followed from corner to corner. Of changes that cost the same, the smallest is taken: the plant stands
    still where nothing is gained.
    """
    steps, store = ahead.steps, ahead.store
    floor, full = store.floor_kwh[a], store.ceiling_kwh[a]
    most = max((store.limit_in - store.rise_in * y) / (1.0 + store.rise_in), 0.0) if store.limit_in < np.inf else np.inf
    least = -np.inf
    if store.limit_out < np.inf:
        least = min(-(store.limit_out + store.rise_out * y) / (1.0 + store.rise_out), 0.0)
    lowest = max(least, floor - y)
    highest = max(min(most, full - y), lowest)
    failed = fill_steps(steps, a, a + 1, 0.0, one)
    if failed >= 0:  # the export limit cannot be kept: as near to it as can be
        top = 0.0
        left = steps.most_charge_kw[a]
        for i in range(steps.charge.shape[1]):
            part = min(left, steps.charge[0, i])
            top += steps.step_h * part * steps.charge[1, i]
            left -= part
        return float(min(max(top, lowest), highest))
    p_slope, p_length, p_ratio = one.slope, one.length, one.ratio
    j, last = one.first[0], one.first[1]
    change, import_kw, cost = one.least_kwh[0], one.import_kw[0], 0.0
    v_slope, v_length = total.slope, total.length
    n_v, reached = _add_up(k, y + change, y + highest, state, total)
    i = 0
    below = True  # the line's least energy is not reached
    c, above = 0, 0.0
    rest = p_length[j] if j < last else 0.0
    best, best_cost = min(max(change, lowest), highest), np.inf
    while True:
        e = y + change
        while (below or i < n_v) and e >= reached - TINY_KWH:
            if below:
                below = False
            else:
                i += 1
            if i < n_v:
                reached += v_length[i]
            else:
                break
        while c < N_CAPS and import_kw >= caps[c] - TINY_KWH:
            above += prices[c]
            c += 1
        if change >= lowest - TINY_KWH:
            near = FLAT * (1.0 + abs(change - best))
            if cost < best_cost - near or (cost < best_cost + near and abs(change) < abs(best)):
                best, best_cost = change, cost
        if j >= last or change >= highest - TINY_KWH:
            break
        if import_kw >= charge_cap - TINY_KWH and change >= max(lowest, 0.0) - TINY_KWH:
            break  # energy is not worth a peak: nothing is charged above the second rung
        ratio = p_ratio[j]
        slope = p_slope[j] + above * ratio
        part = rest
        if below:
            slope -= dear
            part = min(part, reached - e)
        elif i < n_v:
            slope += v_slope[i]
            part = min(part, reached - e)
        else:
            slope += dear
        if ratio > 0.0 and c < N_CAPS:
            part = min(part, (caps[c] - import_kw) / ratio)
        if ratio > 0.0 and import_kw < charge_cap:
            part = min(part, (charge_cap - import_kw) / ratio)
        if change < lowest:
            part = min(part, lowest - change)
        elif change < 0.0:
            part = min(part, -change)
        part = min(part, highest - change)
        part = max(part, TINY_KWH)  # corners closer than this are one
        is_discharge = change < 0.0
        change, import_kw, cost, rest = change + part, import_kw + part * ratio, cost + part * slope, rest - part
        if rest <= TINY_KWH:
            j += 1
            rest = p_length[j] if j < last else 0.0
        if is_discharge and change > -TINY_KWH:
            change = 0.0
    return float(min(max(best, lowest), highest))


@compiled
def follow(
    begin: int,
    end: int,
    ahead: Outlook,
    lesson: Lesson,
    state: State,
    spare: Room,
    dear: float,
    power: Any,
    stored: Any,
    caps: Any,
) -> None:
    """
    Go through some steps, planning where a plan is due.

    Parameters
    ----------
    begin, end : int
        The steps.
    ahead : Outlook
        What is known.
    lesson : Lesson
        What was learnt before them.
    state : State
        What is carried on.
    spare : Room
        Room for plans.
    dear : float
        Price of energy that a plan forbids to take, for each kWh.
    power, stored, caps : ndarray of shape (n_steps,)
        Where to: power at the terminals, charge positive [kW], stored energy [kWh], the cap in force [kW].
    """
    first, every, measured, limit = ahead.first, ahead.every, ahead.measured, ahead.import_limit_kw
    h, demand, into, outof = ahead.steps.step_h, ahead.steps.demand_kw, ahead.steps.charge, ahead.steps.discharge
    keep, rungs, seen, content = ahead.store.keep_frac, state.rungs_kw, state.seen_kw, state.content_kwh
    one, total = spare.one, spare.total
    now, prices = np.empty((1, N_CAPS)), np.append(lesson.excess_prices, DEARER * dear)
    prices[N_RUNGS - 1] = DEARER * dear  # what is stored is there to keep a target with
    for a in range(begin, end):
        k = (a - first) % every
        if k == 0:
            _plan(a, ahead, lesson, state, spare, DEARER * dear)
        _level_caps(a, 1, ahead, rungs, now)
        # A plan may lift the target of what it cannot keep, not what may be charged: a peak that comes is no excuse for
        # one that is made.
        now[0, 0] = max(now[0, 0], state.day_kw[0])
        charge_cap = min(now[0, 1], limit[a])
        cap = min(max(state.cap_kw[k], now[0, N_RUNGS - 1]), limit[a])
        now[0, N_RUNGS - 1] = cap
        for i in range(N_RUNGS):
            now[0, i] = min(now[0, i], cap)
        y = keep[a] * content[0]
        change = _least_change(a, ahead, y, now[0], charge_cap, prices, state, k, dear, one, total)
        content[0] = y + change
        if change >= 0.0:
            kw = at_terminals(change / h, into, 1)
            meter = demand[a] + kw + through(kw, into, 2)
        else:
            kw = -at_terminals(-change / h, outof, 1)
            meter = demand[a] + kw + through(-kw, outof, 2)
        power[a], stored[a], caps[a] = kw, content[0], cap
        for c in range(len(rungs)):
            if measured[c, a] and meter > seen[c]:
                seen[c] = meter
                rungs[c] = np.maximum(rungs[c], meter)
