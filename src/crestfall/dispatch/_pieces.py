"""The cost of a step against the change of stored energy, as pieces of a line.

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
    """Costs of all steps; the pieces of step t are those from ``first[t]`` to ``first[t + 1]``.

    Parameters
    ----------
    first : ndarray of int, shape (n_steps + 1,)
        Where each step's pieces begin.
    slope, length, ratio : ndarray of shape (n_pieces,)
        Cost for each kWh, kWh, and kW of import for each kWh.
    origin : ndarray of int, shape (n_pieces,)
        Step of the data that a piece comes from, counted from the first of its interval.
    bent : ndarray of bool, shape (n_steps,)
        Whether a step's slopes fall somewhere: its cost is not convex, and its hull is taken where it is joined.
    least_kwh, import_kw, cost : ndarray of shape (n_steps,)
        The lowest change of stored energy, and import and cost there.
    """

    first: Any
    slope: FloatArray
    length: FloatArray
    ratio: FloatArray
    origin: Any
    bent: Any
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
        out_price_per_kwh=np.full(problem.n_steps, float(problem.out_price_per_kwh)),
        most_charge_kw=problem.most_charge_kw,
        most_discharge_kw=problem.most_discharge_kw,
        charge=chords(problem.charging),
        discharge=chords(problem.discharging),
        wear_per_kwh=float(problem.wear_per_kwh),
    )


def pieces_of(data: StepData) -> Pieces:
    """
    Return the cost of each step.

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
    failed = fill_steps(data, 0, n, 0.0, pieces)
    if failed >= 0:
        raise StepLimitError(failed)
    used = int(pieces.first[-1])
    return pieces._replace(**{name: getattr(pieces, name)[:used] for name in ("slope", "length", "ratio", "origin")})


def room(n_steps: int, n_pieces: int) -> Pieces:
    """Return room for the pieces of some steps."""
    return Pieces(
        first=np.zeros(n_steps + 1, dtype=np.int64),
        slope=np.empty(n_pieces),
        length=np.empty(n_pieces),
        ratio=np.empty(n_pieces),
        origin=np.zeros(n_pieces, dtype=np.int64),
        bent=np.zeros(n_steps, dtype=np.bool_),
        least_kwh=np.empty(n_steps),
        import_kw=np.empty(n_steps),
        cost=np.empty(n_steps),
    )


@inlined
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
def _regions(buy: float, sell: float, export_kw: float, import_kw: float, held: float) -> tuple[Any, Any, Any]:
    """Return up to which net power each region of the meter goes, its price, and whether a kW more is imported."""
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
    return points, prices, fed


@compiled
def fill_steps(data: StepData, begin: int, end: int, on_import: float, out: Pieces) -> int:
    """
    Write the pieces of some steps, the first of them in the first row.

    Everything is unpacked first: looking into a tuple of arrays in the loop would take longer than its work. So would
    dividing for each chord of each step.

    Parameters
    ----------
    data : StepData
        Prices and limits.
    begin, end : int
        The steps.
    on_import : float
        Further price on their import, for each kWh.
    out : Pieces
        Where to.

    Returns
    -------
    int
        The first step that no change of stored energy keeps within its limits; -1 if there is none.
    """
    h, wear = data.step_h, data.wear_per_kwh
    demand, curtailable, import_limit, export_limit = (
        data.demand_kw,
        data.curtailable_kw,
        data.import_limit_kw,
        data.export_limit_kw,
    )
    buys, sells, out_price = data.buy_per_kwh, data.sell_per_kwh, data.out_price_per_kwh
    most_charge, most_discharge = data.most_charge_kw, data.most_discharge_kw
    first, slope, length, ratio, origin, bent, least, import_kw, cost = out
    in_width, in_store, in_cooling = data.charge
    out_width, out_store, out_cooling = data.discharge
    n_in, n_out = len(in_width), len(out_width)
    out_before = np.cumsum(out_width) - out_width
    out_rise, in_rise = (1.0 - out_cooling) / out_store, (1.0 + in_cooling) / in_store
    out_ratio, in_ratio, out_wear = out_rise / h, in_rise / h, -wear / out_store
    ends, slopes = np.empty(MOST_REGIONS), np.empty(MOST_REGIONS)
    imports = np.zeros(MOST_REGIONS, dtype=np.bool_)
    at = 0
    for t in range(begin, end):
        row = t - begin
        first[row] = at
        buy, sell, held = buys[t] + on_import, sells[t], curtailable[t]
        points, prices, fed = _regions(buy, sell, export_limit[t], import_limit[t], held)
        reached = low = -export_limit[t] - held
        n_regions = 0
        for i in range(MOST_REGIONS):
            if points[i] > reached:
                reached = ends[n_regions] = points[i]
                slopes[n_regions], imports[n_regions] = prices[i], fed[i]
                n_regions += 1

        # Begin at full discharge, as far as the limit reaches into the chords.
        left, last, relief, drawn, discharged = most_discharge[t], -1, 0.0, 0.0, 0.0
        for i in range(n_out):
            width = min(left, out_width[i])
            if width <= 0.0:
                break
            left -= width
            last = i
            relief += width * (1.0 - out_cooling[i])
            drawn += width * out_store[i]
            discharged += width
        partial = discharged
        net, change = demand[t] - relief, -h * drawn
        if net > import_limit[t] + NEGLIGIBLE:
            return t
        net_first, change_first, is_open = net, change, net >= low
        region = 0
        while is_open and region < n_regions and net >= ends[region]:
            region += 1
        piece, used = at, 0.0
        for k in range(last + 1 + n_in):
            if k <= last:
                # The chord that the limit cuts comes first.
                i = last - k
                width = out_width[i] if k > 0 else partial - out_before[i]
                at_store = out_store[i]
                rise, per_kwh, other = out_rise[i], out_ratio[i], out_wear[i] - out_price[t]
            else:
                i = k - last - 1
                width = min(most_charge[t] - used, in_width[i])
                used += in_width[i]
                at_store = in_store[i]
                rise, per_kwh, other = in_rise[i], in_ratio[i], 0.0
            if width <= 0.0:
                continue
            power = width * at_store  # left of this chord, at the store
            if not is_open:
                skipped = min(power, (low - net) / rise)
                net, change, power = net + skipped * rise, change + skipped * h, power - skipped
                if net < low - NEGLIGIBLE:
                    continue
                net, is_open = max(net, low), True  # sums of powers end a rounding below the limit
                net_first, change_first = net, change
                while region < n_regions and net >= ends[region]:
                    region += 1
            while power > 0.0 and region < n_regions:
                part = min(power, (ends[region] - net) / rise)
                if part > NEGLIGIBLE:
                    slope[piece], length[piece] = slopes[region] * rise + other, part * h
                    ratio[piece] = per_kwh if imports[region] else 0.0
                    origin[piece] = 0
                    piece += 1
                power -= part
                if power > NEGLIGIBLE:
                    net = ends[region]
                    region += 1
                else:
                    net, power = net + part * rise, 0.0
                    while region < n_regions and net >= ends[region]:
                        region += 1
        if not is_open:
            # A plant without power stands where it stands; a site below its limit even at full charge cannot.
            if net < low - NEGLIGIBLE:
                return t
            net_first, change_first = net, change
        if net_first > demand[t] - relief:
            discharged = _at_terminals(out_width, out_store, max(-change_first, 0.0) / h)
        back = held_back_kw(net_first, buy, sell, export_limit[t], import_limit[t], held)
        least[row] = change_first
        import_kw[row] = max(net_first + back, 0.0)
        cost[row] = h * (_at_meter(net_first + back, buy, sell) + wear * discharged)
        cost[row] += out_price[t] * max(-change_first, 0.0)

        bent[row] = False
        for j in range(at + 1, piece):
            bent[row] = bent[row] or slope[j] < slope[j - 1] - NEGLIGIBLE
        at = piece
    first[end - begin] = at
    return -1


@inlined
def hull(begin: int, end: int, slope: Any, length: Any, ratio: Any) -> int:
    """Replace a line by its lower convex hull, in place; return the place after its last piece.

    Neighbours whose slopes fall are joined to one of their mean slope, until none are left.
    """
    place = begin
    for j in range(begin, end):
        slope[place], length[place], ratio[place] = slope[j], length[j], ratio[j]
        while place > begin and slope[place] < slope[place - 1] - NEGLIGIBLE:
            both = length[place - 1] + length[place]
            slope[place - 1] = (slope[place - 1] * length[place - 1] + slope[place] * length[place]) / both
            ratio[place - 1] = (ratio[place - 1] * length[place - 1] + ratio[place] * length[place]) / both
            length[place - 1] = both
            place -= 1
        place += 1
    return place


@inlined
def _at_terminals(widths: Any, at_store: Any, store_kw: float) -> float:
    """Return the AC power of a power at the store."""
    ac = 0.0
    for i in range(len(widths)):
        part = min(store_kw, widths[i] * at_store[i])
        ac += part / at_store[i]
        store_kw -= part
    return ac
