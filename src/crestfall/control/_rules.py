"""A policy that a simple controller could follow: it knows the tariff and the past, nothing of what comes.

In each step, in this order:

1. *Peak.* Import above the ceiling is met from the store. What the store cannot hold raises the ceiling; within a
   month it never falls again. There is one ceiling for each demand charge. A new month tries a share of the last.
2. *Surplus.* PV that would be exported is stored, if a later purchase today is worth more.
3. *Price.* When energy is dear enough today to pay for the losses, the load is served from the store, down to the
   reserve that is kept for peaks.
4. *Recharge.* At the day's lowest price the store is filled, and at any other time that is not dear the reserve is
   restored, both only under the ceiling.

Ceilings count what charging and discharging draw for cooling. The prices of a day are known at its start, as on any
time-of-use tariff. They are weighed against losses and cooling at the power that is used: losses grow faster than
power, so that energy may be dear enough for half the power and not for all of it.
"""

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.control._chords import at_terminals, through
from crestfall.dispatch import Curve, Problem, Schedule, Status, check_feasible
from crestfall.dispatch._compiled import compiled
from crestfall.dispatch._exact import taper_of
from crestfall.scenario.scenario_file import RulesPolicy
from crestfall.tariff import Rates

FloatArray = NDArray[np.float64]


def follow_rules(problem: Problem, rates: Rates, settings: RulesPolicy) -> Schedule:
    """
    Return what the rules do with a site's year, step by step.

    Parameters
    ----------
    problem : Problem
        The site and the plant; its import limit acts as one more ceiling.
    rates : Rates
        Prices and demand charges on the same steps.
    settings : RulesPolicy
        First ceiling and reserve.

    Returns
    -------
    Schedule
        Flows that begin with an empty store; what is left in it at the end is not credited. Import may exceed its
        limit where the store runs empty.
    """
    site, stored_kwh = _site(problem, rates, settings), np.empty(problem.n_steps)
    charge_kw, discharge_kw = np.empty(problem.n_steps), np.empty(problem.n_steps)
    first = max(float(site.net_kw[0]), 0.0) if settings.first_ceiling_kw is None else settings.first_ceiling_kw
    ceilings = np.full(len(site.measured), first)
    _follow(site, ceilings, settings.month_start_frac, charge_kw, discharge_kw, stored_kwh)
    net_kw = problem.load_kw + problem.auxiliary_kw - problem.pv_kw + charge_kw - discharge_kw
    net_kw += problem.cooling_kw(charge_kw, discharge_kw)
    curtailed_kw = np.clip(-net_kw - problem.export_limit_kw, 0.0, problem.curtailable_kw)
    import_kw, export_kw = np.maximum(net_kw + curtailed_kw, 0.0), np.maximum(-net_kw - curtailed_kw, 0.0)
    schedule = Schedule(
        charge_kw=charge_kw,
        discharge_kw=discharge_kw,
        stored_kwh=stored_kwh,
        start_kwh=float(problem.floor_kwh[0]),
        curtailed_kw=curtailed_kw,
        import_kw=import_kw,
        export_kw=export_kw,
        objective=problem.running_cost(import_kw=import_kw, export_kw=export_kw, discharge_kw=discharge_kw),
        lower_bound=-np.inf,
        status=Status.RULE,
    )
    unlimited = np.full(problem.n_steps, np.inf)
    own = replace(problem, start_kwh=schedule.start_kwh, end_kwh=None, import_limit_kw=unlimited)
    check_feasible(own, schedule)
    return schedule


@dataclass(frozen=True, slots=True)
class _DayPrices:
    """What a controller reads off the tariff at the start of each day, spread over the day's steps.

    Parameters
    ----------
    dear_kw : ndarray of shape (n_steps,)
        Highest discharge that the price pays for, 0 where energy is not dear [kW].
    storing_kw : ndarray of shape (n_steps,)
        Highest charge at which storing surplus is worth more than exporting it [kW].
    is_lowest : ndarray of bool, shape (n_steps,)
        Whether the price is the lowest of the day.
    has_spread : ndarray of bool, shape (n_steps,)
        Whether the day's highest price pays for energy bought at its lowest.
    """

    dear_kw: FloatArray
    storing_kw: FloatArray
    is_lowest: NDArray[np.bool_]
    has_spread: NDArray[np.bool_]

    @classmethod
    def of(cls, problem: Problem, rates: Rates) -> "_DayPrices":
        # Prices of system peaks and events are in the problem's prices, but nobody knows these times in advance.
        buy, sell = rates.buy_per_kwh, rates.sell_per_kwh
        days = rates.start.tz_localize(None).normalize().as_unit("s").asi8
        day = np.unique(days, return_inverse=True)[1]
        low, high = np.full(day[-1] + 1, np.inf), np.full(day[-1] + 1, -np.inf)
        np.minimum.at(low, day, buy)
        np.maximum.at(high, day, buy)
        charging, discharging, wear = problem.charging, problem.discharging, problem.wear_per_kwh
        # At the lowest price the store is filled at full power; each chord of a discharge then has to earn by itself.
        drawn_kw = charging.ac_kw[-1] + float(charging.cooling_kw(charging.ac_kw)[-1])
        kept_frac = float(charging.store_kw[-1]) / drawn_kw if drawn_kw > 0 else 1.0
        relief = 1 - discharging.cooling_fracs[:, np.newaxis]
        cost = discharging.store_fracs[:, np.newaxis] * low / kept_frac + wear
        is_lowest = buy <= low[day]
        # Below zero even the lowest price is above the cost: that is the time to charge, not to discharge.
        pays = (relief * buy > cost[:, day]) & ~is_lowest
        # What a kWh in the store is worth in the day's dearest hours, at the power that takes most out of it.
        worth = (relief[0] * high - wear) / discharging.store_fracs[0]
        kept_fracs = charging.store_fracs / (1 + charging.cooling_fracs)
        return cls(
            dear_kw=_width_of_first(pays, discharging),
            storing_kw=_width_of_first(sell < worth[day] * kept_fracs[:, np.newaxis], charging),
            is_lowest=is_lowest,
            has_spread=((relief[0] * high > cost[0]) & (high > low))[day],
        )


def _width_of_first(holds: NDArray[np.bool_], curve: Curve) -> FloatArray:
    """Return the power of the chords before the first for which something does not hold, shape (n_steps,)."""
    return np.asarray(curve.widths_kw @ np.logical_and.accumulate(holds, axis=0))


class _Site(NamedTuple):
    """What the rules look at in each step; arrays of shape (n_steps,) unless said otherwise.

    Parameters
    ----------
    step_h, keep_frac : float
        Length of a step [h], and the share of the stored energy that is left after it.
    net_kw, limit_kw : ndarray
        Import without the battery, and its limit [kW].
    most_charge_kw, most_discharge_kw : ndarray
        Limits, AC [kW].
    floor_kwh, full_kwh, reserve_kwh : ndarray
        Bounds of the store, and what is kept for peaks [kWh].
    dear_kw, storing_kw : ndarray
        Highest discharge that the price pays for, and highest charge of surplus that a later purchase pays for [kW].
    fills : ndarray of bool
        Whether it is the time to fill the store.
    begins, measured : ndarray of bool, shape (n_charges, n_steps)
        Whether a period of each demand charge begins with a step, and whether it measures there.
    into, outof : ndarray of shape (3, n_segments)
        Chords: widths, at the store, at the meter.
    tapers : tuple of float
        Rise and limit of the taper of charging, and of that of discharging; see :class:`Store`.
    """

    step_h: float
    keep_frac: float
    net_kw: Any
    limit_kw: Any
    most_charge_kw: Any
    most_discharge_kw: Any
    floor_kwh: Any
    full_kwh: Any
    reserve_kwh: Any
    dear_kw: Any
    storing_kw: Any
    fills: Any
    begins: Any
    measured: Any
    into: Any
    outof: Any
    tapers: tuple[float, float, float, float]


def _site(problem: Problem, rates: Rates, settings: RulesPolicy) -> _Site:
    p, charges, prices = problem, rates.peak_charges, _DayPrices.of(problem, rates)
    into, outof = p.charging, p.discharging
    keeps_reserve = bool(charges) or bool(np.isfinite(p.import_limit_kw).any())
    reserve_frac = settings.reserve_frac if keeps_reserve else 0.0
    none = np.zeros((0, p.n_steps), dtype=bool)
    periods = [np.asarray(charge.measure.periods.of) for charge in charges]
    return _Site(
        step_h=p.step_h,
        keep_frac=p.keep_frac,
        net_kw=p.load_kw + p.auxiliary_kw - p.pv_kw,
        limit_kw=p.import_limit_kw,
        most_charge_kw=p.most_charge_kw,
        most_discharge_kw=p.most_discharge_kw,
        floor_kwh=p.floor_kwh,
        full_kwh=p.ceiling_kwh,
        reserve_kwh=p.floor_kwh + reserve_frac * (p.ceiling_kwh - p.floor_kwh),
        dear_kw=prices.dear_kw,
        storing_kw=prices.storing_kw,
        fills=prices.is_lowest & prices.has_spread,
        begins=np.array([np.diff(of, prepend=of[0]) != 0 for of in periods]) if charges else none,
        measured=np.array([charge.measure.is_measured() for charge in charges]) if charges else none,
        into=np.stack((into.widths_kw, into.store_fracs, 1 + into.cooling_fracs)),
        outof=np.stack((outof.widths_kw, outof.store_fracs, 1 - outof.cooling_fracs)),
        tapers=(*taper_of(p.charge_taper, p.step_h), *taper_of(p.discharge_taper, p.step_h)),
    )


@compiled
def _follow(
    site: _Site, ceilings: Any, month_start_frac: float, charge_kw: Any, discharge_kw: Any, stored_kwh: Any
) -> None:
    """Write what the rules do in each step; the ceilings, one for each demand charge, are changed in place."""
    h, keep, net_kw, into, outof = site.step_h, site.keep_frac, site.net_kw, site.into, site.outof
    floor, full = site.floor_kwh, site.full_kwh
    most_charge, most_discharge, limit = site.most_charge_kw, site.most_discharge_kw, site.limit_kw
    rise_in, limit_in, rise_out, limit_out = site.tapers
    begins, measured = site.begins, site.measured
    content = floor[0]
    for t in range(len(net_kw)):
        ceiling = limit[t]
        for k in range(len(ceilings)):
            if begins[k, t]:
                ceilings[k] *= month_start_frac
            if measured[k, t]:
                ceiling = min(ceiling, ceilings[k])
        content *= keep
        # Tapers hold at the end of the step, where the store holds what has gone in or out.
        room = min(full[t] - content, (limit_in - rise_in * content) / (1.0 + rise_in))
        usable = min(content - floor[t], (limit_out + rise_out * content) / (1.0 + rise_out))
        most_c = min(most_charge[t], at_terminals(room / h, into, 1))
        most_d = min(most_discharge[t], at_terminals(usable / h, outof, 1))
        power = _decided(t, site, ceiling, content, most_c, most_d)
        if content < floor[t]:  # what standing has cost
            power = max(power, at_terminals((floor[t] - content) / h, into, 1))
        charge, discharge = max(power, 0.0), max(-power, 0.0)
        content += h * (through(charge, into, 1) - through(discharge, outof, 1))
        charge_kw[t], discharge_kw[t], stored_kwh[t] = charge, discharge, content
        import_kw = net_kw[t] + through(charge, into, 2) - through(discharge, outof, 2)
        for k in range(len(ceilings)):
            if measured[k, t]:
                ceilings[k] = max(ceilings[k], import_kw)


@compiled
def _decided(t: int, site: _Site, ceiling: float, content: float, most_c: float, most_d: float) -> float:
    """Return the power of one step: charge positive, discharge negative."""
    h, net, into, outof = site.step_h, site.net_kw[t], site.into, site.outof
    if net > ceiling:
        return -min(at_terminals(net - ceiling, outof, 2), most_d)
    if net < 0.0 and site.storing_kw[t] > 0.0:
        return float(min(at_terminals(-net, into, 2), most_c, site.storing_kw[t]))
    if net > 0.0 and site.dear_kw[t] > 0.0:
        above_reserve = min(most_d, at_terminals((content - site.reserve_kwh[t]) / h, outof, 1))
        return -float(min(at_terminals(net, outof, 2), above_reserve, site.dear_kw[t]))
    wanted = most_c
    if not site.fills[t]:
        wanted = min(most_c, at_terminals((site.reserve_kwh[t] - content) / h, into, 1))
    return min(wanted, at_terminals(ceiling - net, into, 2))
