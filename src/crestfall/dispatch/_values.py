"""The value of stored energy along a schedule, and the bound that it proves.

A price m of the change of stored energy in each step supports a schedule if no step and no store would rather differ:
the slope of the step's cost is m, and m stays the same (but for what the store loses) until floor or ceiling is hit; at
the floor it may fall from a step to the next, at the ceiling rise. Each step allows an interval of such prices. The
intervals are chained backward, then one price is chosen forward. By weak duality any prices give a bound: a bad choice
weakens it and cannot falsify it.
"""

from typing import Any, NamedTuple

import numpy as np

from crestfall.dispatch._compiled import compiled, inlined
from crestfall.dispatch._pieces import MOST_REGIONS, Pieces, StepData, fill_steps, room
from crestfall.dispatch._settlement import FloatArray
from crestfall.dispatch._store import Caps, Crossings, Store

NEAR_KWH = 1e-7  # of an end of a piece or a bound of the store: at it; a start that is sought is hardly finer
MOST_HALVINGS = 60
DEAR = 10.0  # times the highest price, above which none is sought
AGREEING = 1e-12  # prices that differ by less, as a share, are one
MOST_RETURNS = 4  # of the price at the end to that at the start


class End(NamedTuple):
    """What is known of the value of stored energy after the last step.

    Parameters
    ----------
    low, high : float
        Between which values it is.
    is_periodic : bool
        Whether it is that before the first step.
    """

    low: float
    high: float
    is_periodic: bool = False


FREE, FIXED, PERIODIC = End(0.0, 0.0), End(-np.inf, np.inf), End(-np.inf, np.inf, True)


class Values(NamedTuple):
    """Prices along a schedule; arrays of shape (n_steps,) unless said otherwise.

    Parameters
    ----------
    stored_per_kwh : ndarray
        Value of one kWh more in the store at the end of each step.
    taper_in, taper_out : ndarray
        Value of one kWh more of change that the tapers would allow.
    on_cap : ndarray of shape (n_caps,)
        Value of one kW more of each cap.
    """

    stored_per_kwh: FloatArray
    taper_in: FloatArray
    taper_out: FloatArray
    on_cap: FloatArray


def values_of(
    pieces: Pieces, caps: Caps, store: Store, plan: Crossings, change_kwh: FloatArray, stored_kwh: FloatArray, end: End
) -> Values:
    """
    Return prices that support a schedule.

    Parameters
    ----------
    pieces : Pieces
        Cost of each step.
    caps : Caps
        Soft caps on import.
    store : Store
        Bounds of the store.
    plan : Crossings
        The steps' costs with their caps.
    change_kwh, stored_kwh : ndarray of shape (n_steps,)
        The schedule [kWh].
    end : End
        What is known of the end.

    Returns
    -------
    Values
        The prices.
    """
    n = len(change_kwh)
    values = Values(np.empty(n), np.zeros(n), np.zeros(n), np.zeros(len(caps.price)))
    _choose(pieces, caps, store, plan, change_kwh, stored_kwh, end, values)
    return values


@inlined
def _mean(low: float, high: float) -> float:
    if low == -np.inf:
        return 0.0 if high == np.inf else high
    return low if high == np.inf else 0.5 * (low + high)


@inlined
def _taper_at(rise_in: float, limit_in: float, rise_out: float, limit_out: float, change: float, stored: float) -> int:
    """Return 1 where the taper of charging binds, -1 where that of discharging does, else 0."""
    taper = 0
    if change > -NEAR_KWH and change + rise_in * stored >= limit_in - NEAR_KWH:
        taper = 1
    elif change < NEAR_KWH and -change - rise_out * stored >= limit_out - NEAR_KWH:
        taper = -1
    return taper


@compiled
def _chain(
    store: Store,
    slopes: tuple[Any, Any],
    change: Any,
    stored: Any,
    low: float,
    high: float,
    lows: Any,
    highs: Any,
    is_again: bool = False,
) -> float:
    """Write the interval of prices that each step and all after it allow, given that of the end.

    Once more with another end it is over where it meets what was written before. Returns by how much some of them do
    not meet: rounding, a dent that a hull bridges, or a price that cannot be.
    """
    apart = 0.0
    below_of, above_of = slopes
    # Everything is unpacked first, as in `take_steps`.
    floor, ceiling, keep, rise_in, limit_in, rise_out, limit_out = store
    for t in range(len(change) - 1, -1, -1):
        # Prices of the store at the end of the step: any above what comes after at the floor, any below at the ceiling.
        if stored[t] <= floor[t] + NEAR_KWH:
            high = np.inf
        if stored[t] >= ceiling[t] - NEAR_KWH:
            low = -np.inf
        below, above = below_of[t], above_of[t]
        taper = _taper_at(rise_in, limit_in, rise_out, limit_out, change[t], stored[t])
        if taper == 0:
            low, high = max(below, low), min(above, high)
        else:
            rise = rise_in if taper > 0 else rise_out
            if taper > 0:
                above, low = min(above, high), max(low, below)
            else:
                below, high = max(below, low), min(high, above)
            if rise > 0.0:
                low, high = (below * rise + low) / (1.0 + rise), (above * rise + high) / (1.0 + rise)
        if low > high:
            apart = max(apart, low - high)
            low = high = 0.5 * (low + high)  # as near to both as can be
        if is_again and low == lows[t] and high == highs[t]:
            break
        lows[t], highs[t] = low, high
        low, high = keep[t] * low, keep[t] * high
    return apart


@compiled
def _choose(
    pieces: Pieces, caps: Caps, store: Store, plan: Crossings, change: Any, stored: Any, end: End, out: Values
) -> None:
    n = len(change)
    lows, highs = np.empty(n), np.empty(n)
    slopes = (np.empty(n), np.empty(n))
    _find_slopes(pieces.least_kwh, plan.first, plan.last, plan.slope, plan.length, change, slopes)
    _chain(store, slopes, change, stored, end.low, end.high, lows, highs)
    keep = store.keep_frac[0]
    if end.is_periodic:
        _chain(store, slopes, change, stored, keep * lows[0], keep * highs[0], lows, highs, True)
    value = _mean(lows[0], highs[0])
    if not end.is_periodic:
        _choose_forward(store, slopes, change, stored, lows, highs, value, out)
    elif not _close_ring(store, slopes, change, stored, lows, highs, value, out):
        _chain(store, slopes, change, stored, end.low, end.high, lows, highs)
        dear = DEAR * (1.0 + np.abs(plan.slope).max()) if len(plan.slope) > 0 else 1.0
        _seek_ring(store, slopes, change, stored, lows, highs, dear, out)
    if len(caps.price) > 0:
        _price_caps(pieces, caps, change, out)


@compiled
def _close_ring(
    store: Store,
    slopes: tuple[Any, Any],
    change: Any,
    stored: Any,
    lows: Any,
    highs: Any,
    value: float,
    out: Values,
) -> bool:
    """Choose prices from a first one on so that the last agrees with it; return whether it does."""
    keep = store.keep_frac[0]
    for _ in range(MOST_RETURNS):
        last = _choose_forward(store, slopes, change, stored, lows, highs, value, out)
        if abs(_missed(store, stored, last, keep * value)) <= AGREEING * (1.0 + abs(last)):
            return True
        value = min(max(last / keep, lows[0]), highs[0])
        apart = _chain(store, slopes, change, stored, keep * value, keep * value, lows, highs)
        if apart > AGREEING or value < lows[0] - AGREEING or value > highs[0] + AGREEING:
            break  # what would agree at the end cannot begin so
    return False


@inlined
def _missed(store: Store, stored: Any, last: float, before: float) -> float:
    """Return by how much the price at the end disagrees with that before the first step."""
    missed, n = last - before, len(stored)
    if stored[n - 1] <= store.floor_kwh[n - 1] + NEAR_KWH:
        missed = min(missed, 0.0)
    if stored[n - 1] >= store.ceiling_kwh[n - 1] - NEAR_KWH:
        missed = max(missed, 0.0)
    return missed


@compiled
def _seek_ring(
    store: Store,
    slopes: tuple[Any, Any],
    change: Any,
    stored: Any,
    lows: Any,
    highs: Any,
    dear: float,
    out: Values,
) -> None:
    """Choose prices whose last agrees with the first by halving: tapers may turn away what goes round and round."""
    keep, low, high = store.keep_frac[0], max(lows[0], -dear), min(highs[0], dear)
    at_low = _missed(store, stored, _choose_forward(store, slopes, change, stored, lows, highs, low, out), keep * low)
    if at_low == 0.0:
        return
    at_high = _missed(
        store, stored, _choose_forward(store, slopes, change, stored, lows, highs, high, out), keep * high
    )
    if at_low * at_high > 0.0:
        return
    for _ in range(MOST_HALVINGS):
        value = 0.5 * (low + high)
        last = _choose_forward(store, slopes, change, stored, lows, highs, value, out)
        missed = _missed(store, stored, last, keep * value)
        if missed == 0.0:
            return
        if (missed > 0.0) == (at_low > 0.0):
            low = value
        else:
            high = value


@compiled
def _find_slopes(least: Any, first: Any, last: Any, slope: Any, length: Any, change: Any, out: tuple[Any, Any]) -> None:
    """Write the slopes of each step's cost on either side of its change."""
    below, above = out
    for t in range(len(change)):
        at, low, high = least[t], -np.inf, np.inf
        for j in range(first[t], last[t]):
            # A piece shorter than the tolerance is neither below nor above.
            if at < change[t] - NEAR_KWH:
                low = slope[j]
            at += length[j]
            if at > change[t] + NEAR_KWH:
                high = slope[j]
                break
        below[t], above[t] = low, high


@compiled
def _choose_forward(
    store: Store,
    slopes: tuple[Any, Any],
    change: Any,
    stored: Any,
    lows: Any,
    highs: Any,
    value: float,
    out: Values,
) -> float:
    """Write prices from a first one on, each within its interval; return that of the store after the last step."""
    n, after = len(change), value
    below, above = slopes
    # Everything is unpacked first, as in `take_steps`.
    _, _, keep, rise_in, limit_in, rise_out, limit_out = store
    prices, taper_in, taper_out = out.stored_per_kwh, out.taper_in, out.taper_out
    for t in range(n):
        prices[t] = value
        low, high, kept = -np.inf, np.inf, 1.0
        if t < n - 1:
            kept = keep[t + 1]
            low, high = kept * lows[t + 1], kept * highs[t + 1]
        after = min(max(value, low), high)
        taper = _taper_at(rise_in, limit_in, rise_out, limit_out, change[t], stored[t])
        taper_in[t] = taper_out[t] = 0.0
        if taper != 0:
            rise = rise_in if taper > 0 else rise_out
            slope = min(max(value, below[t]), above[t])
            if rise > 0.0:
                after = min(max(value * (1.0 + rise) - slope * rise, low), high)
                slope = min(max((value * (1.0 + rise) - after) / rise, below[t]), above[t])
            if taper > 0:
                taper_in[t] = max(value - slope, 0.0)
            else:
                taper_out[t] = max(slope - value, 0.0)
        value = after if kept == 1.0 else after / kept
    return after


@compiled
def _price_caps(pieces: Pieces, caps: Caps, changes: Any, out: Values) -> None:
    """Write what one more kW of each cap is worth."""
    first, level, price, on_cap = caps.first, caps.level_kw, caps.price, out.on_cap
    prices, taper_in, taper_out = out.stored_per_kwh, out.taper_in, out.taper_out
    begin, slopes, lengths, ratios = pieces.first, pieces.slope, pieces.length, pieces.ratio
    for t in range(len(changes)):
        if first[t] == first[t + 1]:
            continue
        import_kw, at, change = pieces.import_kw[t], pieces.least_kwh[t], changes[t]
        slope, ratio, near_kw = -np.inf, 0.0, NEAR_KWH
        for j in range(begin[t], begin[t + 1]):
            # An import is at a cap where the change of energy that lies between is near.
            near_kw = max(near_kw, NEAR_KWH * ratios[j])
            if at + NEAR_KWH >= change and ratio > 0.0:
                break
            part = min(lengths[j], max(change - at, 0.0))
            import_kw += part * ratios[j]
            at += part
            slope, ratio = slopes[j], ratios[j]
        if import_kw < level[first[t]] - near_kw:
            continue
        value = prices[t] - taper_in[t] + taper_out[t]
        left = max((value - slope) / ratio, 0.0) if ratio > 0.0 else 0.0
        for cap in range(first[t], first[t + 1]):
            if import_kw > level[cap] + near_kw:
                on_cap[cap] = price[cap]
            elif import_kw >= level[cap] - near_kw:
                on_cap[cap] = min(price[cap], left)
            left = max(left - on_cap[cap], 0.0)


class BlockBound(NamedTuple):
    """Bounds on the cost of blocks of steps, for any caps and any energy at their ends; shape (n_blocks,).

    Parameters
    ----------
    constant : ndarray
        Least cost of each block where caps and energies at its ends are 0.
    begin_per_kwh, end_per_kwh : ndarray
        Cost of one more kWh before its first step, and at the end of its last.
    """

    constant: FloatArray
    begin_per_kwh: FloatArray
    end_per_kwh: FloatArray


@inlined
def _least(begin: int, end: int, slope: Any, length: Any, ratio: Any, on_import: float, value: float) -> float:
    """Return how far a line falls below its start, at the most, its import priced and its change valued."""
    at = least = 0.0
    for j in range(begin, end):
        at += (slope[j] + on_import * ratio[j] - value) * length[j]
        least = min(least, at)
    return least


@compiled
def block_bounds(
    data: StepData, pieces: Pieces, caps: Caps, store: Store, values: Values, spans: Any, starts: Any, spare: Pieces
) -> BlockBound:
    """
    Return the bounds of blocks that prices prove.

    Parameters
    ----------
    data : StepData
        Prices and limits of the steps of the data.
    pieces : Pieces
        Cost of each interval.
    caps : Caps
        Soft caps on import; their share of the bound is left to the caller.
    store : Store
        Bounds of the store.
    values : Values
        The prices.
    spans : ndarray of int, shape (n_intervals + 1,)
        First step of the data of each interval.
    starts : ndarray of int, shape (n_blocks + 1,)
        First interval of each block.
    spare : Pieces
        Room for one step.

    Returns
    -------
    BlockBound
        The bounds.
    """
    n_blocks = len(starts) - 1
    constant, begin, finish = np.zeros(n_blocks), np.zeros(n_blocks), np.zeros(n_blocks)
    first, slopes, lengths, ratios, bent = pieces.first, pieces.slope, pieces.length, pieces.ratio, pieces.bent
    cost, import_kw, least = pieces.cost, pieces.import_kw, pieces.least_kwh
    keep, floor, ceiling, c_first, on_cap = (
        store.keep_frac,
        store.floor_kwh,
        store.ceiling_kwh,
        caps.first,
        values.on_cap,
    )
    prices, taper_in, taper_out = values.stored_per_kwh, values.taper_in, values.taper_out
    buy, curtailable = data.buy_per_kwh, data.curtailable_kw
    for b in range(n_blocks):
        begin[b] = -keep[starts[b]] * prices[starts[b]]
        total = 0.0
        for t in range(starts[b], starts[b + 1]):
            into, outof = taper_in[t], taper_out[t]
            value = prices[t] - into + outof
            on_import = 0.0
            for cap in range(c_first[t], c_first[t + 1]):
                on_import += on_cap[cap]
            is_bent = False
            if on_import > 0.0:
                is_bent = bent[t] and spans[t + 1] - spans[t] > 1
                for i in range(spans[t], spans[t + 1]):
                    # A price on import changes whether PV is held back where import was paid for.
                    is_bent = is_bent or (buy[i] < 0.0 and curtailable[i] > 0.0)
            if is_bent:
                total += _least_of_steps(data, spans[t], spans[t + 1], value, on_import, keep[t], spare)
            else:
                total += cost[t] + on_import * import_kw[t] - value * least[t]
                if spans[t + 1] - spans[t] == 1:
                    total += _least(first[t], first[t + 1], slopes, lengths, ratios, on_import, value)
                else:
                    # Pieces of several steps: each may be taken without those before it, which a price may make pay.
                    for j in range(first[t], first[t + 1]):
                        total += min(slopes[j] + on_import * ratios[j] - value, 0.0) * lengths[j]
            if into > 0.0:
                total -= into * store.limit_in
            if outof > 0.0:
                total -= outof * store.limit_out
            on_stored = prices[t] + into * store.rise_in - outof * store.rise_out
            if t + 1 < starts[b + 1]:
                on_stored -= keep[t + 1] * prices[t + 1]
                total += on_stored * (floor[t] if on_stored > 0.0 else ceiling[t])
            else:
                finish[b] = on_stored
        constant[b] = total
    return BlockBound(constant, begin, finish)


@compiled
def _least_of_steps(
    data: StepData, begin: int, end: int, value: float, on_import: float, keep: float, spare: Pieces
) -> float:
    """Return the least cost of an interval less the value of its change, its import priced further, without a hull."""
    n = end - begin
    total = 0.0
    for i in range(begin, end):
        # What is stored in an early step of the interval has lost a little by its end.
        kept = keep ** ((end - 1 - i) / n)
        fill_steps(data, i, i + 1, on_import / (n * data.step_h), spare)
        total += spare.cost[0] - kept * value * spare.least_kwh[0]
        total += _least(0, spare.first[1], spare.slope, spare.length, spare.ratio, 0.0, kept * value)
    return total


def room_for_step(data: StepData) -> Pieces:
    """Return room for the pieces of one step."""
    return room(1, data.charge.shape[1] + data.discharge.shape[1] + MOST_REGIONS)
