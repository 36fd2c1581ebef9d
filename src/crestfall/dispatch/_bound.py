"""A lower bound on the cost from multipliers, by weak duality.

Moving the balance, storage and peak rules of :mod:`crestfall.dispatch._model` into the objective with any multipliers
leaves a problem in which each variable stands alone between its bounds; its minimum bounds the optimum from below [1]_.
Wrong multipliers weaken the bound, they cannot falsify it, so no solver has to be believed.

References
----------
.. [1] S. Boyd, L. Vandenberghe, "Convex Optimization," Cambridge University Press, 2004, section 5.1.3.
"""

from dataclasses import dataclass

import numpy as np

from crestfall.dispatch._problem import FloatArray, Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class Multipliers:
    """Prices of the rules.

    Parameters
    ----------
    balance : ndarray of shape (n_steps,)
        Cost of one more kW of demand in each step.
    storage : ndarray of shape (n_steps,)
        Cost of one kWh less stored at the end of each step.
    peaks : tuple of ndarray, each of shape (n_measured,)
        Share of each peak's rate that each of its steps carries; negative entries are taken as 0.
    """

    balance: FloatArray
    storage: FloatArray
    peaks: tuple[FloatArray, ...]


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
    peak_on_import = np.zeros(p.n_steps)
    total = p.fixed_cost
    for peak, duals in zip(p.peaks, multipliers.peaks, strict=True):
        carried = np.maximum(duals, 0.0)
        np.add.at(peak_on_import, peak.steps, carried)
        total += _least(peak.rate_per_kw - carried.sum(), 0.0, float(p.most_import_kw[peak.steps].max(initial=0.0)))
    total += float(balance @ (p.load_kw + p.auxiliary_kw - p.pv_kw))
    total += _least(h * p.buy_per_kwh + peak_on_import - balance, 0.0, p.most_import_kw)
    total += _least(balance - h * p.sell_per_kwh, 0.0, p.most_export_kw)
    total += _least(balance, 0.0, p.curtailable_kw)
    total += _least(balance + h * p.charge_frac * storage, 0.0, p.most_charge_kw)
    total += _least(h * p.wear_per_kwh - balance - h / p.discharge_frac * storage, 0.0, p.most_discharge_kw)
    return total + _least_of_store(p, storage)


def _least_of_store(p: Problem, storage: FloatArray) -> float:
    periodic = p.start_kwh is None
    after = np.append(storage[1:], storage[0] if periodic else 0.0)
    floor, ceiling = p.floor_kwh, p.ceiling_kwh
    if p.end_kwh is not None:
        floor, ceiling = np.append(floor[:-1], p.end_kwh), np.append(ceiling[:-1], p.end_kwh)
    start = 0.0 if p.start_kwh is None else p.keep_frac * float(storage[0]) * p.start_kwh
    return start + _least(p.keep_frac * after - storage, floor, ceiling)


def _least(slope: FloatArray | float, low: FloatArray | float, high: FloatArray | float) -> float:
    """Return the sum over independent variables of the least of slope times variable between its bounds."""
    return float(np.sum(np.minimum(np.multiply(slope, low), np.multiply(slope, high))))
