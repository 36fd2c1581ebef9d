"""One store through all steps: the cost-to-go backward, the schedule forward.

The cost-to-go V of stored energy is convex and piecewise linear. Going back over a step joins it with the step's cost:
``V(e) = min over D of f(D) + V(keep e + D)`` is an infimal convolution, which merges two lists of slopes in ascending
order [1]_. The forward pass needs only where V's slope crosses that of each piece of f, so only that is kept.

References
----------
.. [1] R. T. Rockafellar, "Convex Analysis," Princeton University Press, 1970, section 16.
"""

from typing import Any, NamedTuple

import numpy as np

from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._pieces import Pieces, hull
from crestfall.dispatch._settlement import FloatArray

MOST_PIECES = 20_000  # of a cost-to-go; a store that needs more is left to the general solver
CHUNK = 96  # steps between remembered costs-to-go
REMEMBERED = 256  # most pieces of one that is remembered
SAME_KWH, SAME_SLOPE = 1e-9, 1e-12  # two costs-to-go that differ by less are one
TINY_KWH = 1e-11  # shorter lengths are rounding
TIED = 1e-13  # slopes closer than this are one
LEAST_SCALE = 0.5  # standing losses have blown up twofold what rounding leaves


class Store(NamedTuple):
    """Bounds of the store; arrays of shape (n_steps,).

    Parameters
    ----------
    floor_kwh, ceiling_kwh : ndarray
        Bounds at the end of each step [kWh].
    keep_frac : ndarray
        Share of the energy before the step that is left at its end.
    rise_in, limit_in : float
        Taper of charging: ``change + rise_in * stored <= limit_in`` in kWh; the limit is `inf` for none.
    rise_out, limit_out : float
        Taper of discharging: ``-change - rise_out * stored <= limit_out``.
    """

    floor_kwh: FloatArray
    ceiling_kwh: FloatArray
    keep_frac: FloatArray
    rise_in: float
    limit_in: float
    rise_out: float
    limit_out: float


class Caps(NamedTuple):
    """Soft caps on the import of steps; those of step t are from ``first[t]`` to ``first[t + 1]``, lowest first.

    Parameters
    ----------
    first : ndarray of int, shape (n_steps + 1,)
        Where each step's caps begin.
    level_kw, price : ndarray of shape (n_caps,)
        Import that is free, and what each kW above it costs.
    """

    first: Any
    level_kw: FloatArray
    price: FloatArray


class Line(NamedTuple):
    """A convex line over stored energy: the cost-to-go, in room that lets it grow on both sides.

    Slopes and lengths are kept as they were, with one scale for all: what the store loses in a step changes only that.

    Parameters
    ----------
    slope, length : ndarray of shape (n_room,)
        Cost for each kWh, times the scale, and kWh, over the scale; the pieces are those from head to tail.
    head, tail : ndarray of int, shape (1,)
        Place of the first piece, and after the last.
    left, right : ndarray of shape (1,)
        Energies between which the rest can be done [kWh].
    scale : ndarray of shape (1,)
        The scale.
    """

    slope: FloatArray
    length: FloatArray
    head: Any
    tail: Any
    left: FloatArray
    right: FloatArray
    scale: FloatArray


class Memory(NamedTuple):
    """Lines at the edges of chunks of steps.

    Parameters
    ----------
    n : ndarray of int, shape (n_edges,)
        Number of pieces; -1 for a line that is not known.
    left, right : ndarray of shape (n_edges,)
        Ends of each line [kWh].
    slope, length : ndarray of shape (n_edges, n_room)
        Its pieces.
    """

    n: Any
    left: FloatArray
    right: FloatArray
    slope: FloatArray
    length: FloatArray


class Crossings(NamedTuple):
    """What the forward pass needs of the cost-to-go, a few numbers a step.

    Parameters
    ----------
    first, last : ndarray of int, shape (n_steps,)
        Where each step's pieces begin and end.
    slope, length, ratio, stored_kwh : ndarray of shape (n_entries,)
        Pieces of the step's cost with its caps, and the energy at the end of the step up to which each is worth it.
    """

    first: Any
    last: Any
    slope: FloatArray
    length: FloatArray
    ratio: FloatArray
    stored_kwh: FloatArray


def room_for(pieces: Pieces, first_cap: Any) -> Crossings:
    """Return room for the crossings of a year, given where each step's caps begin."""
    first = pieces.first[:-1] + first_cap[:-1]
    n = int(pieces.first[-1] + first_cap[-1])
    return Crossings(first, first.copy(), np.empty(n), np.empty(n), np.empty(n), np.empty(n))


def line_between(low_kwh: float, high_kwh: float) -> Line:
    """Return a cost-to-go of nothing between two energies: a free end, or a fixed one where they are the same."""
    slope, length = np.zeros(2 * MOST_PIECES), np.zeros(2 * MOST_PIECES)
    head = tail = MOST_PIECES
    if high_kwh > low_kwh:
        length[head] = high_kwh - low_kwh
        tail += 1
    return Line(
        slope,
        length,
        np.array([head], dtype=np.int64),
        np.array([tail], dtype=np.int64),
        np.array([float(low_kwh)]),
        np.array([float(high_kwh)]),
        np.ones(1),
    )


def line_towards(low_kwh: float, wanted_kwh: float, high_kwh: float, per_kwh: float) -> Line:
    """Return a cost-to-go that costs so much for each kWh by which the end differs from the one that is wanted."""
    line = line_between(low_kwh, high_kwh)
    begin = line.head[0]
    line.slope[begin : begin + 2] = -per_kwh, per_kwh
    line.length[begin : begin + 2] = wanted_kwh - low_kwh, high_kwh - wanted_kwh
    line.tail[0] = begin + 2
    return line


def memory_for(n_steps: int) -> Memory:
    """Return room for the lines at the edges of a year's chunks."""
    n = n_chunks(n_steps) + 1
    return Memory(
        np.full(n, -1, dtype=np.int64), np.zeros(n), np.zeros(n), np.zeros((n, REMEMBERED)), np.zeros((n, REMEMBERED))
    )


def n_chunks(n_steps: int) -> int:
    """Return the number of chunks of a number of steps."""
    return -(-n_steps // CHUNK)


@compiled
def spare_for(n_line: int) -> tuple[Any, Any, Any]:
    """Return room for a line aside, slopes and lengths, and for where pieces belong in it."""
    return np.empty(n_line), np.empty(n_line), np.empty(n_line, dtype=np.int64)


@compiled
def take_steps(
    begin: int,
    end: int,
    pieces: Pieces,
    caps: Caps,
    store: Store,
    v: Line,
    out: Crossings,
    spare: tuple[Any, Any, Any],
) -> int:
    """
    Take a line back over the steps from `end` to `begin`, and write their crossings.

    Everything is unpacked first: the loop runs some ten thousand times a year, and looking into a tuple of arrays in
    it would take longer than its work.

    Returns
    -------
    int
        First step, from the end, from which nothing is feasible; -1 if all are, -2 if the line has too many pieces.
    """
    p_first, p_slope, p_length, p_ratio, least, import_at = (
        pieces.first,
        pieces.slope,
        pieces.length,
        pieces.ratio,
        pieces.least_kwh,
        pieces.import_kw,
    )
    bent = pieces.bent
    c_first, level, price = caps.first, caps.level_kw, caps.price
    floor, ceiling, keep = store.floor_kwh, store.ceiling_kwh, store.keep_frac
    x_first, x_last, x_slope, x_length, x_ratio, x_stored = out
    slope, length, place = v.slope, v.length, spare[2]
    rise_in, limit_in, rise_out, limit_out = store.rise_in, store.limit_in, store.rise_out, store.limit_out
    head, tail, left, right, scale = v.head[0], v.tail[0], v.left[0], v.right[0], v.scale[0]
    for t in range(end - 1, begin - 1, -1):
        n_new = p_first[t + 1] - p_first[t] + c_first[t + 1] - c_first[t]
        if tail - head > MOST_PIECES - n_new:
            return -2
        if head <= n_new or tail >= len(slope) - n_new or scale < LEAST_SCALE:
            # Back to the middle of the room, to a scale of 1, and to lengths that add up, before any of them runs out.
            middle, n = (len(slope) - (tail - head)) // 2, tail - head
            slope[middle : middle + n] = slope[head:tail].copy() * scale
            length[middle : middle + n] = length[head:tail].copy() / scale
            head, tail, scale = middle, middle + n, 1.0
            total = length[head:tail].sum()
            if total > 0.0:
                length[head:tail] *= (right - left) / total

        # The pieces of the step, with the price of its caps on what lies above them.
        at, import_kw, change = x_first[t], import_at[t], least[t]
        cap, last_cap, above = c_first[t], c_first[t + 1], 0.0
        for j in range(p_first[t], p_first[t + 1]):
            rest, ratio = p_length[j], p_ratio[j]
            change += rest
            while rest > 0.0:
                while cap < last_cap and import_kw >= level[cap] - TINY_KWH:
                    above += price[cap]
                    cap += 1
                part = rest
                if cap < last_cap and rest * ratio > level[cap] - import_kw:
                    part = (level[cap] - import_kw) / ratio
                import_kw += part * ratio
                if rest - part < TINY_KWH:
                    part = rest
                rest -= part
                x_slope[at], x_length[at], x_ratio[at] = p_slope[j] + above * ratio, part, ratio
                at += 1
        if bent[t]:
            at = hull(x_first[t], at, x_slope, x_length, x_ratio)
        x_last[t] = at

        # Up to which stored energy each of them is worth it: where it belongs in the line. Nearly all belong near an
        # end, so the middle of the line stays where it is; what belongs before it is sought from the left end, the rest
        # from the right end. The outermost need not be put in where they lie beyond the bounds of the step before.
        # Where it makes no difference the plant stands still: it neither charges nor goes on discharging.
        low, high = -np.inf, np.inf
        if t > 0:
            low, high = floor[t - 1], ceiling[t - 1]
        first, inverse, is_bound = x_first[t], 1.0 / scale, False
        tied, middle = TIED * inverse, (head + tail) // 2
        most, least_kept, top, bottom = change, least[t], change, least[t]
        beyond = keep[t] * low - (left - change)
        split = after_left = at
        i, passed = head, 0.0
        while split > first:
            j = split - 1
            worth = -x_slope[j] * inverse + (tied if top <= TINY_KWH else -tied)
            if head < tail and worth > slope[middle]:
                break
            while i < middle and slope[i] < worth:
                passed += length[i]
                i += 1
            place[j - first] = i
            e = x_stored[j] = left + passed * inverse
            is_bound |= top > 0.0 and top > limit_in - rise_in * e + TINY_KWH
            top -= x_length[j]
            is_bound |= top < 0.0 and -top > limit_out + rise_out * e + TINY_KWH
            if i == head and x_length[j] <= beyond:
                beyond -= x_length[j]
                most, after_left = top, j
            else:
                beyond = 0.0
            split = j
        beyond = right - least[t] - keep[t] * high
        from_right = first
        i, passed = tail, 0.0
        for j in range(first, split):
            top = bottom + x_length[j]
            worth = -x_slope[j] * inverse + (tied if top <= TINY_KWH else -tied)
            while i > middle + 1 and slope[i - 1] >= worth:
                i -= 1
                passed += length[i]
            place[j - first] = i
            e = x_stored[j] = right - passed * inverse
            is_bound |= top > 0.0 and top > limit_in - rise_in * e + TINY_KWH
            is_bound |= bottom < 0.0 and -bottom > limit_out + rise_out * e + TINY_KWH
            bottom = top
            if i == tail and x_length[j] <= beyond:
                beyond -= x_length[j]
                least_kept, from_right = top, j + 1
            else:
                beyond = 0.0
        # The line begins with the most that goes in, and ends with the most that goes out.
        is_bound |= change < 0.0 and -change > limit_out + rise_out * left + TINY_KWH
        is_bound |= least[t] > 0.0 and least[t] > limit_in - rise_in * right + TINY_KWH
        if is_bound:
            v.head[0], v.tail[0], v.left[0], v.right[0], v.scale[0] = head, tail, left, right, scale
            if not join_tapered(v, change, t, out, store, low, high, spare):
                return t
            head, tail, left, right, scale = v.head[0], v.tail[0], v.left[0], v.right[0], v.scale[0]
            continue

        # The line with them where they belong. Slopes that are the same become one.
        for j in range(after_left - 1, split - 1, -1):
            new, long, i = -x_slope[j] * inverse, x_length[j] * scale, place[j - first]
            if i < tail and slope[i] - new < TIED:
                length[i] += long
            elif i > head and new - slope[i - 1] < TIED:
                length[i - 1] += long
            else:
                head -= 1
                for k in range(head, i - 1):
                    slope[k], length[k] = slope[k + 1], length[k + 1]
                slope[i - 1], length[i - 1] = new, long
        for j in range(from_right, split):
            new, long, i = -x_slope[j] * inverse, x_length[j] * scale, place[j - first]
            if i < tail and slope[i] - new < TIED:
                length[i] += long
            elif i > head and new - slope[i - 1] < TIED:
                length[i - 1] += long
            else:
                for k in range(tail, i, -1):
                    slope[k], length[k] = slope[k - 1], length[k - 1]
                slope[i], length[i] = new, long
                tail += 1
        left, right, scale = (left - most) / keep[t], (right - least_kept) / keep[t], scale * keep[t]
        inverse = 1.0 / scale

        # Cut to what lies between the bounds of the step before.
        if left > high + TINY_KWH or right < low - TINY_KWH:
            return t
        while left < low and head < tail:
            part = length[head] * inverse
            if left + part <= low + TINY_KWH:
                left += part
                head += 1
            else:
                length[head] -= (low - left) * scale
                left = low
        while right > high and tail > head:
            part = length[tail - 1] * inverse
            if right - part >= high - TINY_KWH:
                right -= part
                tail -= 1
            else:
                length[tail - 1] -= (right - high) * scale
                right = high
        left, right = min(max(left, low), high), max(min(right, high), low)
    v.head[0], v.tail[0], v.left[0], v.right[0], v.scale[0] = head, tail, left, right, scale
    return -1


@compiled
def join_tapered(
    v: Line, change: float, t: int, plan: Crossings, store: Store, low: float, high: float, spare: tuple[Any, Any, Any]
) -> bool:
    """
    Make the cost-to-go before a step of that after it, under the tapers, between two energies.

    The march goes up in the energy y before the step, with the energy e at its end and the change D = e - y: either e
    rises along V or D falls along f, whichever costs less, as far as the tapers let it; at a taper both move.

    Parameters
    ----------
    v : Line
        The cost-to-go.
    change : float
        Highest change of the step [kWh].
    t : int
        The step.
    plan : Crossings
        Its cost.
    store : Store
        Bounds and tapers.
    low, high : float
        Energies between which it is wanted [kWh].
    spare : tuple of ndarray
        Room for the new line.

    Returns
    -------
    bool
        Whether any of it lies between them.
    """
    # Everything is unpacked first, as in `take_steps`.
    new_slope, new_length, _ = spare
    v_slope, v_length, f_slope, f_length = v.slope, v.length, plan.slope, plan.length
    rise_in, limit_in, rise_out, limit_out = store.rise_in, store.limit_in, store.rise_out, store.limit_out
    scale, i, tail = v.scale[0], v.head[0], v.tail[0]
    if scale != 1.0:
        for k in range(i, tail):
            v_slope[k], v_length[k] = v_slope[k] * scale, v_length[k] / scale
    keep, e = store.keep_frac[t], v.left[0]
    j, first = plan.last[t] - 1, plan.first[t]
    v_rest = v_length[i] if i < tail else 0.0
    f_rest = f_length[j] if j >= first else 0.0
    while change > limit_in - rise_in * e + TINY_KWH and j >= first:
        part = min(f_rest, change - limit_in + rise_in * e)
        change -= part
        f_rest -= part
        if f_rest <= TINY_KWH:
            j -= 1
            f_rest = f_length[j] if j >= first else 0.0
    low_y, high_y = low * keep, high * keep
    y = e - change
    at, left = 0, max(y, low_y)
    while y < high_y and (i < tail or j >= first):
        is_up = i < tail and (j < first or v_slope[i] <= -f_slope[j])
        part, along = v_rest if is_up else f_rest, 0.0
        if is_up and change > 0.0 and rise_in > 0.0:
            room = (limit_in - change) / rise_in - e
            if room > TINY_KWH:
                part = min(part, room)
            elif j < first:
                break
            else:
                along = rise_in
        elif not is_up and change - part < 0.0:
            room = change + limit_out + rise_out * e
            if room > TINY_KWH:
                part = min(part, room)
            elif i >= tail:
                break
            elif rise_out > 0.0:
                along = rise_out
            else:
                j = first - 1  # the limit does not rise with the store: no more discharge at all
                continue
        if along > 0.0:
            v_part = min(v_rest, f_rest / along)
            f_part = v_part * along
            piece = (v_slope[i] - f_slope[j] * along) / (1.0 + along)
        elif is_up:
            v_part, f_part, piece = part, 0.0, v_slope[i]
        elif part > 0.0 and f_rest > 0.0:
            v_part, f_part, piece = 0.0, part, -f_slope[j]
        else:
            break
        e, change = e + v_part, change - f_part
        v_rest, f_rest = v_rest - v_part, f_rest - f_part
        if i < tail and v_rest <= TINY_KWH:
            i += 1
            v_rest = v_length[i] if i < tail else 0.0
        if j >= first and f_rest <= TINY_KWH:
            j -= 1
            f_rest = f_length[j] if j >= first else 0.0
        begin = max(y, low_y)
        y = e - change
        shown = min(y, high_y) - begin
        if shown > TINY_KWH:
            if at > 0 and abs(piece * keep - new_slope[at - 1]) < TIED:
                new_length[at - 1] += shown / keep
            else:
                new_slope[at], new_length[at] = piece * keep, shown / keep
                at += 1
    is_some = bool(y >= low_y - TINY_KWH and left <= high_y + TINY_KWH)
    head = (len(v_slope) - at) // 2
    for k in range(at):
        v_slope[head + k], v_length[head + k] = new_slope[k], new_length[k]
    v.head[0], v.tail[0], v.scale[0] = head, head + at, 1.0
    v.left[0], v.right[0] = min(left, high_y) / keep, max(min(y, high_y), low_y) / keep
    return is_some


@compiled
def cut(v: Line, low: float, high: float) -> bool:
    """Cut a line to what lies between two energies, in place; return whether anything does."""
    begin, end, scale = v.head[0], v.tail[0], v.scale[0]
    at, total = v.left[0], 0.0
    for i in range(begin, end):
        after = at + v.length[i] / scale
        v.length[i] = max(min(after, high) - max(at, low), 0.0) * scale
        total += v.length[i] / scale
        at = after
    while v.head[0] < end and v.length[v.head[0]] == 0.0:
        v.head[0] += 1
    while v.tail[0] > v.head[0] and v.length[v.tail[0] - 1] == 0.0:
        v.tail[0] -= 1
    is_some = bool(v.left[0] <= high + TINY_KWH and v.right[0] >= low - TINY_KWH)
    v.left[0], v.right[0] = min(max(v.left[0], low), high), max(min(v.right[0], high), low)
    # Over a year rounding grows as standing losses do; a line that goes into the next year must not hand it on.
    if total > 0.0:
        v.length[v.head[0] : v.tail[0]] *= (v.right[0] - v.left[0]) / total
    return is_some


@compiled
def backward(pieces: Pieces, caps: Caps, store: Store, v: Line, is_changed: Any, memory: Memory, out: Crossings) -> int:
    """
    Write the crossings of all steps, and leave the cost-to-go before the first.

    Chunks of steps whose caps have not changed are skipped where the cost-to-go at their end is what it was.

    Parameters
    ----------
    pieces : Pieces
        Cost of each step.
    caps : Caps
        Soft caps on import.
    store : Store
        Bounds of the store.
    v : Line
        Cost-to-go after the last step; afterwards, that before the first.
    is_changed : ndarray of bool, shape (n_chunks,)
        Whether caps of a chunk have changed since the last pass.
    memory : Memory
        Costs-to-go of the last pass at the edges of the chunks.
    out : Crossings
        Where to.

    Returns
    -------
    int
        First step, from the end, from which nothing is feasible; -1 if all are, -2 if the line has too many pieces.
    """
    n_steps = len(pieces.least_kwh)
    spare = spare_for(len(v.slope))
    for chunk in range(len(is_changed) - 1, -1, -1):
        if not is_changed[chunk] and memory.n[chunk] >= 0 and is_as_before(v, memory, chunk + 1):
            _recall(v, memory, chunk)
            continue
        _level(v)
        _remember(v, memory, chunk + 1)
        failed = take_steps(chunk * CHUNK, min((chunk + 1) * CHUNK, n_steps), pieces, caps, store, v, out, spare)
        if failed != -1:
            return failed
    _level(v)
    _remember(v, memory, 0)
    return -1


@compiled
def _level(v: Line) -> None:
    """Make the lengths of a line add up to what lies between its ends: standing losses blow up what rounding leaves."""
    head, tail, length = v.head[0], v.tail[0], v.length
    total = 0.0
    for i in range(head, tail):
        total += length[i]
    if total > 0.0:
        factor = (v.right[0] - v.left[0]) * v.scale[0] / total
        for i in range(head, tail):
            length[i] *= factor


@compiled
def is_as_before(v: Line, memory: Memory, edge: int) -> bool:
    """Return whether a line is the one that is remembered at the edge of a chunk."""
    n, scale, head = v.tail[0] - v.head[0], v.scale[0], v.head[0]
    if memory.n[edge] != n or abs(memory.left[edge] - v.left[0]) > SAME_KWH:
        return False
    for i in range(n):
        if abs(memory.slope[edge, i] - v.slope[head + i] * scale) > SAME_SLOPE:
            return False
        if abs(memory.length[edge, i] - v.length[head + i] / scale) > SAME_KWH:
            return False
    return True


@compiled
def _remember(v: Line, memory: Memory, edge: int) -> None:
    n, scale, head = v.tail[0] - v.head[0], v.scale[0], v.head[0]
    memory.n[edge] = -1
    if n > memory.slope.shape[1]:
        return
    memory.n[edge], memory.left[edge], memory.right[edge] = n, v.left[0], v.right[0]
    for i in range(n):
        memory.slope[edge, i] = v.slope[head + i] * scale
        memory.length[edge, i] = v.length[head + i] / scale


@compiled
def _recall(v: Line, memory: Memory, edge: int) -> None:
    n = memory.n[edge]
    head = (len(v.slope) - n) // 2
    v.head[0], v.tail[0], v.scale[0] = head, head + n, 1.0
    v.left[0], v.right[0] = memory.left[edge], memory.right[edge]
    v.slope[head : head + n] = memory.slope[edge, :n]
    v.length[head : head + n] = memory.length[edge, :n]


@compiled
def forward(pieces: Pieces, store: Store, plan: Crossings, start_kwh: float, change_kwh: Any, stored_kwh: Any) -> None:
    """
    Write the cheapest change and the stored energy of each step.

    Parameters
    ----------
    pieces : Pieces
        Cost of each step.
    store : Store
        Bounds of the store.
    plan : Crossings
        What `backward` found.
    start_kwh : float
        Energy before the first step [kWh].
    change_kwh, stored_kwh : ndarray of shape (n_steps,)
        Where to [kWh].
    """
    e = start_kwh
    for t in range(len(pieces.least_kwh)):
        y = store.keep_frac[t] * e
        change = pieces.least_kwh[t]
        for j in range(plan.first[t], plan.last[t]):
            room = plan.stored_kwh[j] - (y + change)
            if room <= 0.0:
                break
            if room < plan.length[j]:
                change = plan.stored_kwh[j] - y
                break
            change += plan.length[j]
        if store.limit_in < np.inf:
            change = min(change, max((store.limit_in - store.rise_in * y) / (1.0 + store.rise_in), 0.0))
        if store.limit_out < np.inf:
            change = max(change, min(-(store.limit_out + store.rise_out * y) / (1.0 + store.rise_out), 0.0))
        e = min(max(y + change, store.floor_kwh[t]), store.ceiling_kwh[t])
        change_kwh[t], stored_kwh[t] = change, e


@compiled
def cost_along(pieces: Pieces, plan: Crossings, change_kwh: Any) -> float:
    """Return the cost of a schedule by the pieces of its steps, caps included."""
    total = 0.0
    for t in range(len(change_kwh)):
        total += pieces.cost[t]
        left = change_kwh[t] - pieces.least_kwh[t]
        for j in range(plan.first[t], plan.last[t]):
            part = min(left, plan.length[j])
            if part <= 0.0:
                break
            total += part * plan.slope[j]
            left -= part
    return total
