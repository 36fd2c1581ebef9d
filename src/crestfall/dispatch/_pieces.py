"""The cost of a step against the change of stored energy, as pieces of a convex line.

For a change of D kWh the plant draws a net power n(D) at the meter, which rises with D along the chords of the curves;
the meter, with PV held back at best, makes a cost P(n) of it. P(n(D)) and the wear are linear between a handful of
points. Where they are not convex (burning energy pays) their lower convex hull is taken; it costs no more than the
truth, so a bound from it holds.
"""

from typing import Any, NamedTuple

import numpy as np

from crestfall.dispatch._compiled import compiled, inlined
from crestfall.dispatch._problem import Problem
from crestfall.dispatch._settlement import FloatArray

NEGLIGIBLE = 1e-12  # kW or kWh: shorter pieces are rounding
MOST_REGIONS = 4  # of the meter: energy held back, export, import, and import of what could be held back


class StepData(NamedTuple):
    """What the pieces of each step are made of; arrays of shape (n_steps,) unless said otherwise.

    Parameters
    ----------
    step_h : float
        Length of a step [h].
    demand_kw : ndarray
        Load and auxiliaries less PV [kW].
    curtailable_kw, import_limit_kw, export_limit_kw : ndarray
        Limits at the meter [kW].
    buy_per_kwh, sell_per_kwh : ndarray
        Prices, with the prices of sums in them.
    out_price_per_kwh : ndarray
        Price on each kWh taken out of the store, beside wear.
    most_charge_kw, most_discharge_kw : ndarray
        Limits at the converters' AC terminals [kW].
    charge, discharge : ndarray of shape (3, n_chords)
        Width [kW], power at the store and cooling of each chord for each kW AC.
    wear_per_kwh : float
        Price on each kWh discharged.
    """

    step_h: float
    demand_kw: FloatArray
    curtailable_kw: FloatArray
    import_limit_kw: FloatArray
    export_limit_kw: FloatArray
    buy_per_kwh: FloatArray
    sell_per_kwh: FloatArray
    out_price_per_kwh: FloatArray
    most_charge_kw: FloatArray
    most_discharge_kw: FloatArray
    charge: FloatArray
    discharge: FloatArray
    wear_per_kwh: float


class Pieces(NamedTuple):
    """Convex costs of all steps; the pieces of step t are those from ``first[t]`` to ``first[t + 1]``.

    Parameters
    ----------
    first : ndarray of int, shape (n_steps + 1,)
        Where each step's pieces begin.
    slope, length, ratio : ndarray of shape (n_pieces,)
        Cost for each kWh, kWh, and kW of import for each kWh.
    origin : ndarray of int, shape (n_pieces,)
        Step of the data that a piece comes from, counted from the first of its interval.
    bridge : ndarray of bool, shape (n_pieces,)
        Whether a piece bridges a dent, so that what lies inside it costs more than it says.
    least_kwh, import_kw, cost : ndarray of shape (n_steps,)
        The lowest change of stored energy, and import and cost there.
    """

    first: Any
    slope: FloatArray
    length: FloatArray
    ratio: FloatArray
    origin: Any
    bridge: Any
    least_kwh: FloatArray
    import_kw: FloatArray
    cost: FloatArray


class StepLimitError(Exception):
    """A step whose limits at the meter cannot be kept whatever the plant does.

    Parameters
    ----------
    step : int
        The step.
    """

    def __init__(self, step: int) -> None:
        super().__init__(f"no change of stored energy keeps the limits of step {step}")
        self.step = step


def step_data(problem: Problem) -> StepData:
    """Return the arrays of a problem as the compiled code reads them."""

    def chords(curve: Any) -> FloatArray:
        return np.array([curve.widths_kw, curve.store_fracs, curve.cooling_fracs])

    return StepData(
        step_h=float(problem.step_h),
        demand_kw=problem.load_kw + problem.auxiliary_kw - problem.pv_kw,
        curtailable_kw=np.asarray(problem.curtailable_kw, dtype=np.float64),
        import_limit_kw=np.asarray(problem.import_limit_kw, dtype=np.float64),
        export_limit_kw=np.asarray(problem.export_limit_kw, dtype=np.float64),
        buy_per_kwh=np.asarray(problem.buy_per_kwh, dtype=np.float64),
        sell_per_kwh=np.asarray(problem.sell_per_kwh, dtype=np.float64),
        out_price_per_kwh=np.zeros(problem.n_steps),
        most_charge_kw=problem.most_charge_kw,
        most_discharge_kw=problem.most_discharge_kw,
        charge=chords(problem.charging),
        discharge=chords(problem.discharging),
        wear_per_kwh=float(problem.wear_per_kwh),
    )


def pieces_of(data: StepData) -> Pieces:
    """
    Return the convex cost of each step.

    Parameters
    ----------
    data : StepData
        Prices and limits.

    Returns
    -------
    Pieces
        One cost a step.

    Raises
    ------
    StepLimitError
        If a step has no feasible change of stored energy.
    """
    n = len(data.demand_kw)
    pieces = room(n, n * (data.charge.shape[1] + data.discharge.shape[1] + MOST_REGIONS))
    failed = _fill(data, pieces)
    if failed >= 0:
        raise StepLimitError(failed)
    used = int(pieces.first[-1])
    return pieces._replace(
        **{name: getattr(pieces, name)[:used].copy() for name in ("slope", "length", "ratio", "origin", "bridge")}
    )


def room(n_steps: int, n_pieces: int) -> Pieces:
    """Return room for the pieces of some steps."""
    return Pieces(
        first=np.zeros(n_steps + 1, dtype=np.int64),
        slope=np.empty(n_pieces),
        length=np.empty(n_pieces),
        ratio=np.empty(n_pieces),
        origin=np.zeros(n_pieces, dtype=np.int64),
        bridge=np.zeros(n_pieces, dtype=np.bool_),
        least_kwh=np.empty(n_steps),
        import_kw=np.empty(n_steps),
        cost=np.empty(n_steps),
    )


@compiled
def held_back_kw(net_kw: float, buy: float, sell: float, export_kw: float, import_kw: float, most_kw: float) -> float:
    """
    Return the PV to hold back at a net power, for the least cost within the limits of the meter.

    Parameters
    ----------
    net_kw : float
        Power that the site would draw with all its PV; negative: it would feed in [kW].
    buy, sell : float
        Prices of import and export.
    export_kw, import_kw : float
        Limits [kW].
    most_kw : float
        PV that may be held back [kW].

    Returns
    -------
    float
        Power held back [kW].
    """
    low = min(max(-export_kw - net_kw, 0.0), most_kw)
    high = max(min(most_kw, import_kw - net_kw), low)
    best, least = low, _at_meter(net_kw + low, buy, sell)
    for held in (min(max(-net_kw, low), high), high):
        cost = _at_meter(net_kw + held, buy, sell)
        if cost < least:
            best, least = held, cost
    return best


@inlined
def _at_meter(net_kw: float, buy: float, sell: float) -> float:
    return buy * net_kw if net_kw > 0 else sell * net_kw


@inlined
def _regions(
    buy: float, sell: float, export_kw: float, import_kw: float, held: float, ends: Any, slopes: Any, imports: Any
) -> tuple[float, int]:
    """Write where the cost of net power changes its slope; return the lowest net power and the number of regions."""
    n = 0
    low = -export_kw - held
    if held > 0.0 and buy < 0.0 and sell > 0.0:
        # Up to some net power all is sold that may be, beyond it all is held back and import is paid for.
        change = buy * held / (sell - buy)
        if change < -export_kw:
            change = -sell * export_kw / buy - held
        if change > import_kw - held:
            change = buy * import_kw / sell
        points = (min(-export_kw, change), change, max(import_kw - held, change), import_kw)
        prices = (0.0, sell, buy, 0.0)
        fed = (False, False, True, False)
    elif buy < 0.0:
        points = (-held, -held, import_kw - held, import_kw)
        prices = (sell, sell, buy, 0.0)
        fed = (False, False, True, False)
    elif sell < 0.0:
        points = (-held, 0.0, import_kw, import_kw)
        prices = (sell, 0.0, buy, buy)
        fed = (False, False, True, True)
    else:
        points = (-export_kw, 0.0, import_kw, import_kw)
        prices = (0.0, sell, buy, buy)
        fed = (False, False, True, True)
    reached = low
    for i in range(MOST_REGIONS):
        if points[i] > reached:
            ends[n], slopes[n], imports[n] = points[i], prices[i], fed[i]
            reached = points[i]
            n += 1
    return low, n


@compiled
def _fill(data: StepData, out: Pieces) -> int:
    """Write the pieces of all steps; return the first step that has none, or -1."""
    regions = (np.empty(MOST_REGIONS), np.empty(MOST_REGIONS), np.zeros(MOST_REGIONS, dtype=np.bool_))
    at = 0
    for t in range(len(data.demand_kw)):
        out.first[t] = at
        at = fill_step(data, t, 0.0, at, t, regions, out)
        if at < 0:
            return t
    out.first[len(data.demand_kw)] = at
    return -1


@compiled
def fill_step(data: StepData, t: int, on_import: float, at: int, row: int, regions: Any, out: Pieces) -> int:
    """
    Write the pieces of one step.

    Parameters
    ----------
    data : StepData
        Prices and limits.
    t : int
        The step.
    on_import : float
        Further price on its import, for each kWh.
    at, row : int
        Where its first piece, and its entries for each step, are written.
    regions : tuple of ndarray, each of shape (4,)
        Room for ends, prices and whether there is import.
    out : Pieces
        Where to.

    Returns
    -------
    int
        The place after its last piece; -1 if no change of stored energy keeps its limits.
    """
    h = data.step_h
    buy, sell, held = data.buy_per_kwh[t] + on_import, data.sell_per_kwh[t], data.curtailable_kw[t]
    ends, slopes, imports = regions
    slope, length, ratio, bridge = out.slope, out.length, out.ratio, out.bridge
    low, n_regions = _regions(buy, sell, data.export_limit_kw[t], data.import_limit_kw[t], held, ends, slopes, imports)
    charge, discharge = data.charge, data.discharge
    n_out, n_in = discharge.shape[1], charge.shape[1]
    # Begin at full discharge, as far as the limit reaches into the chords.
    left = data.most_discharge_kw[t]
    last, relief, drawn, discharged = -1, 0.0, 0.0, 0.0
    for i in range(n_out):
        width = min(left, discharge[0, i])
        if width <= 0.0:
            break
        left -= width
        last = i
        relief += width * (1.0 - discharge[2, i])
        drawn += width * discharge[1, i]
        discharged += width
    net = data.demand_kw[t] - relief
    change = -h * drawn
    begin, region = at, 0
    is_open = False  # whether the net power has come into the limits of the meter
    most_out = data.most_discharge_kw[t]
    most_in = data.most_charge_kw[t]
    used_in = 0.0
    for k in range(last + 1 + n_in):
        is_out = k <= last
        if is_out:
            i = last - k
            before = 0.0
            for j in range(i):
                before += discharge[0, j]
            width = min(most_out - before, discharge[0, i])
            at_store = discharge[1, i]
            rise = (1.0 - discharge[2, i]) / at_store  # kW at the meter for each kW at the store
            other = -data.wear_per_kwh / at_store - data.out_price_per_kwh[t]
        else:
            i = k - last - 1
            width = min(most_in - used_in, charge[0, i])
            used_in += charge[0, i]
            at_store = charge[1, i]
            rise = (1.0 + charge[2, i]) / at_store
            other = 0.0
        if width <= 0.0:
            continue
        power = width * at_store  # left of this chord, at the store
        while power > 0.0:
            if not is_open:
                skipped = min(power, max(low - net, 0.0) / rise)
                net += skipped * rise
                change += skipped * h
                power -= skipped
                if net < low - NEGLIGIBLE:
                    break
                # Sums of powers end a rounding below the limit.
                net = max(net, low)
                while region < n_regions and net >= ends[region]:
                    region += 1
                is_open = True
                _begin_at(data, t, buy, net, change, discharged, skipped, row, out)
                if power <= 0.0:
                    break
            if region >= n_regions:
                break
            part = min(power, (ends[region] - net) / rise)
            if part > NEGLIGIBLE:
                slope[at] = slopes[region] * rise + other
                length[at] = part * h
                ratio[at] = rise / h if imports[region] else 0.0
                bridge[at] = False
                at += 1
            change += part * h
            power -= part
            if power > NEGLIGIBLE:
                net = ends[region]
                region += 1
            else:
                net += part * rise
                power = 0.0
                while region < n_regions and net >= ends[region]:
                    region += 1
    if not is_open:
        # A plant that has no power, or a site below its limit even at full charge.
        if net < low - NEGLIGIBLE or net > data.import_limit_kw[t] + NEGLIGIBLE:
            return -1
        _begin_at(data, t, buy, net, change, discharged, 0.0, row, out)
    elif data.demand_kw[t] - relief > data.import_limit_kw[t] + NEGLIGIBLE:
        return -1
    return _convex(begin, at, slope, length, ratio, bridge)


@inlined
def _begin_at(
    data: StepData,
    t: int,
    buy: float,
    net: float,
    change: float,
    discharged: float,
    skipped: float,
    row: int,
    out: Pieces,
) -> None:
    """Write change, import and cost of the lowest change of stored energy."""
    h = data.step_h
    held = held_back_kw(
        net, buy, data.sell_per_kwh[t], data.export_limit_kw[t], data.import_limit_kw[t], data.curtailable_kw[t]
    )
    if skipped > 0.0:
        discharged = _at_terminals(data.discharge, max(-change, 0.0) / h)
    out.least_kwh[row] = change
    out.import_kw[row] = max(net + held, 0.0)
    at_meter = _at_meter(net + held, buy, data.sell_per_kwh[t])
    out.cost[row] = h * (at_meter + data.wear_per_kwh * discharged) + data.out_price_per_kwh[t] * max(-change, 0.0)


@compiled
def _at_terminals(chords: Any, store_kw: float) -> float:
    """Return the AC power of a power at the store."""
    ac = 0.0
    for i in range(chords.shape[1]):
        part = min(store_kw, chords[0, i] * chords[1, i])
        ac += part / chords[1, i]
        store_kw -= part
    return ac


@inlined
def _convex(begin: int, end: int, slope: Any, length: Any, ratio: Any, bridge: Any) -> int:
    """Replace a line by its lower convex hull, in place; return the place after its last piece.

    Neighbours whose slopes fall are joined to one of their mean slope, until none are left.
    """
    at = begin
    for j in range(begin, end):
        slope[at], length[at], ratio[at], bridge[at] = slope[j], length[j], ratio[j], bridge[j]
        while at > begin and slope[at] < slope[at - 1] - NEGLIGIBLE:
            both = length[at - 1] + length[at]
            slope[at - 1] = (slope[at - 1] * length[at - 1] + slope[at] * length[at]) / both
            ratio[at - 1] = (ratio[at - 1] * length[at - 1] + ratio[at] * length[at]) / both
            length[at - 1] = both
            bridge[at - 1] = True
            at -= 1
        at += 1
    return at
