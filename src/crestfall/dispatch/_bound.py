"""A lower bound on the cost from multipliers, by weak duality.

Moving the balance, storage, peak and settlement rules of :mod:`crestfall.dispatch._model` into the objective with any
multipliers leaves a problem in which each variable stands alone between its bounds; its minimum bounds the optimum from
below [1]_. Wrong multipliers weaken the bound, they cannot falsify it, so no solver has to be believed.

References
----------
.. [1] S. Boyd, L. Vandenberghe, "Convex Optimization," Cambridge University Press, 2004, section 5.1.3.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from crestfall.dispatch._curve import Curve
from crestfall.dispatch._problem import Problem, Taper
from crestfall.dispatch._settlement import FloatArray, FlowSum


class Cut(NamedTuple):
    """A tangent that a peak of apparent power lies above: ``peak >= slope * mean import + constant``.

    Parameters
    ----------
    peak, interval : int
        Number of the peak, and of its interval.
    slope : float
        Rise of the tangent, kVA for each kW of mean import.
    constant : float
        Apparent power on the tangent without import [kVA].
    """

    peak: int
    interval: int
    slope: float
    constant: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Multipliers:
    """Prices of the rules.

    Parameters
    ----------
    balance : ndarray of shape (n_steps,)
        Cost of one more kW of demand in each step.
    storage : ndarray of shape (n_steps,)
        Cost of one kWh less stored at the end of each step.
    peaks : tuple of ndarray, each of shape (n_intervals,)
        Share of each peak's rate that each of its intervals carries; negative entries are taken as 0.
    cuts : tuple of (Cut, float), default=()
        Tangents, each with the share of its peak's rate that it carries.
    sums : ndarray of shape (n_sums,), optional
        Cost of one unit more of each sum; left out: zero.
    rows : ndarray of shape (n_rows,), optional
        Cost of moving each row of the settlement up by one; left out: zero.
    charge_taper, discharge_taper : ndarray of shape (n_steps,), optional
        Cost of one kW more of each tapered limit, not positive; left out: zero.
    out_budget, import_budget : float, default=0.0
        Cost of one kWh more of each budget, not positive; positive entries are taken as 0.
    """

    balance: FloatArray
    storage: FloatArray
    peaks: tuple[FloatArray, ...]
    cuts: tuple[tuple[Cut, float], ...] = ()
    sums: FloatArray | None = None
    rows: FloatArray | None = None
    charge_taper: FloatArray | None = None
    discharge_taper: FloatArray | None = None
    out_budget: float = 0.0
    import_budget: float = 0.0


def lower_bound(problem: Problem, multipliers: Multipliers) -> float:
    """
    Return a cost that no schedule can undercut.

    Parameters
    ----------
    problem : Problem
        The dispatch problem.
    multipliers : Multipliers
        Any prices; the duals of an optimal linear program give the best bound.

    Returns
    -------
    float
        The bound, in the currency of the prices.
    """
    p, balance, storage = problem, multipliers.balance, multipliers.storage
    h = p.step_h
    on_import, on_export = np.zeros(p.n_steps), np.zeros(p.n_steps)
    n_peaks = len(p.peaks)
    carried = np.zeros(n_peaks)
    total = p.fixed_cost
    for k, (peak, duals) in enumerate(zip(p.peaks, multipliers.peaks, strict=True)):
        shares = np.maximum(duals, 0.0)
        carried[k] = shares.sum()
        for offset in range(peak.span):
            np.add.at(on_import, peak.steps + offset, shares / peak.span)
    for cut, dual in multipliers.cuts:
        share, peak = max(dual, 0.0), p.peaks[cut.peak]
        carried[cut.peak] += share
        first = peak.steps[cut.interval]
        on_import[first : first + peak.span] += share * cut.slope / peak.span
        total += share * cut.constant
    sums = np.zeros(len(p.sums)) if multipliers.sums is None else multipliers.sums
    for flow_sum, price in zip(p.sums, sums, strict=True):
        on_import[flow_sum.steps] += price * flow_sum.import_weight
        on_export[flow_sum.steps] += price * flow_sum.export_weight
    on_out = p.out_price_per_kwh
    if p.most_out_kwh is not None:
        on_out -= min(multipliers.out_budget, 0.0)
        total += min(multipliers.out_budget, 0.0) * p.most_out_kwh
    if p.most_import_kwh is not None:
        on_import -= h * min(multipliers.import_budget, 0.0)
        total += min(multipliers.import_budget, 0.0) * p.most_import_kwh
    from_rows, settled = _least_of_settlement(p, multipliers)
    total += settled
    for k, peak in enumerate(p.peaks):
        total += _least(
            peak.rate_per_kw - carried[k] - from_rows[k], peak.least, max(peak.least, peak.of(p.most_import_kw))
        )
    for j, flow_sum in enumerate(p.sums):
        total += _least(-sums[j] - from_rows[n_peaks + j], *_range_of(p, flow_sum))
    total += float(balance @ (p.load_kw + p.auxiliary_kw - p.pv_kw))
    total += _least(h * p.buy_per_kwh + on_import - balance, 0.0, p.most_import_kw)
    total += _least(balance - h * p.sell_per_kwh + on_export, 0.0, p.most_export_kw)
    total += _least(balance, 0.0, p.curtailable_kw)
    charge_taper, on_charged = _tapered(p.charge_taper, multipliers.charge_taper, p.n_steps)
    discharge_taper, on_discharged = _tapered(p.discharge_taper, multipliers.discharge_taper, p.n_steps)
    total += on_charged + on_discharged
    charging, discharging = p.charging, p.discharging
    for frac, cooled, width in _chords(charging, p.most_charge_kw):
        total += _least((1 + cooled) * balance + frac * (h * storage - charge_taper), 0.0, width)
    for frac, cooled, width in _chords(discharging, p.most_discharge_kw):
        total += _least(
            h * (p.wear_per_kwh + frac * on_out) - (1 - cooled) * balance - frac * (h * storage + discharge_taper),
            0.0,
            width,
        )
    on_store = np.zeros(p.n_steps)
    for taper, prices in ((p.charge_taper, charge_taper), (p.discharge_taper, discharge_taper)):
        if taper is not None:
            on_store -= taper.slope_per_h * prices
    return float(total + _least_of_store(p, storage, on_store))


def _chords(curve: Curve, most_kw: FloatArray) -> Iterator[tuple[float, float, FloatArray]]:
    """Yield power at the store and cooling for each kW of each chord, and what the limit leaves of it."""
    yield from zip(curve.store_fracs.tolist(), curve.cooling_fracs.tolist(), curve.widths_within(most_kw), strict=True)


def _tapered(taper: Taper | None, prices: FloatArray | None, n_steps: int) -> tuple[FloatArray, float]:
    """Return the prices of a tapered limit with the sign that is allowed, and what they make of the limit itself."""
    if taper is None or prices is None:
        return np.zeros(n_steps), 0.0
    allowed = np.minimum(prices, 0.0)
    return allowed, float(allowed.sum()) * taper.limit_kw


def _least_of_settlement(p: Problem, multipliers: Multipliers) -> tuple[FloatArray, float]:
    """Return what the rows put on peaks and sums, and the least cost of the settlement's own variables."""
    s = p.settlement
    on_column = np.zeros(len(p.peaks) + len(p.sums) + len(s.names))
    total = 0.0
    prices = np.zeros(len(s.rows)) if multipliers.rows is None else multipliers.rows
    for row, price in zip(s.rows, prices, strict=True):
        bound = row.at_least if price > 0 else row.at_most
        if price == 0 or not np.isfinite(bound):
            continue
        total += price * bound
        np.add.at(on_column, list(row.columns), price * np.array(row.weights))
    n_measured = len(p.peaks) + len(p.sums)
    return on_column[:n_measured], total + _least(s.cost - on_column[n_measured:], 0.0, s.upper)


def _range_of(p: Problem, total: FlowSum) -> tuple[float, float]:
    """Return the least and the largest value that one-way flows can give a sum."""
    on_import = total.import_weight * p.most_import_kw[total.steps]
    on_export = total.export_weight * p.most_export_kw[total.steps]
    parts = np.concatenate((on_import, on_export))
    return float(np.minimum(parts, 0.0).sum()), float(np.maximum(parts, 0.0).sum())


def _least_of_store(p: Problem, storage: FloatArray, on_store: FloatArray) -> float:
    periodic = p.start_kwh is None
    after = np.append(storage[1:], storage[0] if periodic else 0.0)
    floor, ceiling = p.floor_kwh, p.ceiling_kwh
    if p.end_kwh is not None:
        floor, ceiling = np.append(floor[:-1], p.end_kwh), np.append(ceiling[:-1], p.end_kwh)
    start = 0.0 if p.start_kwh is None else p.keep_frac * float(storage[0]) * p.start_kwh
    return start + _least(p.keep_frac * after - storage + on_store, floor, ceiling)


def _least(slope: FloatArray | float, low: FloatArray | float, high: FloatArray | float) -> float:
    """Return the sum over independent variables of the least of slope times variable between its bounds."""
    return float(np.sum(np.minimum(np.multiply(slope, low), np.multiply(slope, high))))
