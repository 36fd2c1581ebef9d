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

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch import Chords, Curve, Problem, Schedule, Status, check_feasible
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
    controller = _Controller(problem, rates, settings)
    charge_kw, discharge_kw, stored_kwh = controller.run()
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


class _Controller:
    """State of the policy between steps: what is stored, and one ceiling for each demand charge."""

    def __init__(self, problem: Problem, rates: Rates, settings: RulesPolicy) -> None:
        self._problem = problem
        charging, discharging = problem.charging, problem.discharging
        self._charging = Chords(charging.widths_kw, charging.store_fracs)
        self._discharging = Chords(discharging.widths_kw, discharging.store_fracs)
        self._drawn = Chords(charging.widths_kw, 1 + charging.cooling_fracs)
        self._relief = Chords(discharging.widths_kw, 1 - discharging.cooling_fracs)
        charges = rates.peak_charges
        self._period: list[list[int]] = [charge.measure.periods.of.tolist() for charge in charges]
        self._measured: list[list[bool]] = [charge.measure.is_measured().tolist() for charge in charges]
        self._net_kw: list[float] = (problem.load_kw + problem.auxiliary_kw - problem.pv_kw).tolist()
        self._prices = _DayPrices.of(problem, rates)
        self._dear_kw: list[float] = self._prices.dear_kw.tolist()
        self._storing_kw: list[float] = self._prices.storing_kw.tolist()
        keeps_reserve = bool(charges) or bool(np.isfinite(problem.import_limit_kw).any())
        usable = problem.ceiling_kwh - problem.floor_kwh
        self._reserve = (problem.floor_kwh + (settings.reserve_frac if keeps_reserve else 0.0) * usable).tolist()
        first = max(self._net_kw[0], 0.0) if settings.first_ceiling_kw is None else settings.first_ceiling_kw
        self._ceilings = [first] * len(charges)
        self._month_start_frac = settings.month_start_frac

    def run(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return charge, discharge and stored energy for every step."""
        p = self._problem
        charge, discharge, stored = np.zeros(p.n_steps), np.zeros(p.n_steps), np.zeros(p.n_steps)
        most_charge, most_discharge = p.most_charge_kw.tolist(), p.most_discharge_kw.tolist()
        floor, full = p.floor_kwh.tolist(), p.ceiling_kwh.tolist()
        rise_in, limit_in = taper_of(p.charge_taper, p.step_h)
        rise_out, limit_out = taper_of(p.discharge_taper, p.step_h)
        content = floor[0]
        for t in range(p.n_steps):
            self._begin_periods(t)
            content *= p.keep_frac
            # Tapers hold at the end of the step, where the store holds what has gone in or out.
            room = min(full[t] - content, (limit_in - rise_in * content) / (1 + rise_in))
            usable = min(content - floor[t], (limit_out + rise_out * content) / (1 + rise_out))
            most_c = min(most_charge[t], self._charge_for(room))
            most_d = min(most_discharge[t], self._discharge_for(usable))
            above_reserve = min(most_d, self._discharge_for(content - self._reserve[t]))
            to_reserve = min(most_c, self._charge_for(self._reserve[t] - content))
            to_floor = self._charge_for(floor[t] - content)  # what standing has cost
            power = self._decide(t, most_c, most_d, above_reserve, to_reserve)
            power = max(power, to_floor) if to_floor else power
            charge[t], discharge[t] = max(power, 0.0), max(-power, 0.0)
            content += p.step_h * (self._charging.of(charge[t]) - self._discharging.of(discharge[t]))
            stored[t] = content
            self._raise_ceilings(t, self._net_kw[t] + self._drawn.of(charge[t]) - self._relief.of(discharge[t]))
        return charge, discharge, stored

    def _charge_for(self, room_kwh: float) -> float:
        """Return the AC charge that fills a room in the store in one step."""
        return self._charging.terminals_of(room_kwh / self._problem.step_h) if room_kwh > 0 else 0.0

    def _discharge_for(self, content_kwh: float) -> float:
        """Return the AC discharge that takes so much out of the store in one step."""
        return self._discharging.terminals_of(content_kwh / self._problem.step_h) if content_kwh > 0 else 0.0

    def _begin_periods(self, t: int) -> None:
        """Lower the ceiling of each charge whose period begins with this step."""
        for k, period in enumerate(self._period):
            if t and period[t] != period[t - 1]:
                self._ceilings[k] *= self._month_start_frac

    def _decide(self, t: int, most_c: float, most_d: float, above_reserve: float, to_reserve: float) -> float:
        """Return the power of one step: charge positive, discharge negative."""
        net, prices = self._net_kw[t], self._prices
        ceiling = self._ceiling_at(t)
        if net > ceiling:
            return -min(self._relief.terminals_of(net - ceiling), most_d)
        if net < 0 and (worth := self._storing_kw[t]):
            return min(self._drawn.terminals_of(-net), most_c, worth)
        if net > 0 and (worth := self._dear_kw[t]):
            return -min(self._relief.terminals_of(net), above_reserve, worth)
        wanted = most_c if prices.is_lowest[t] and prices.has_spread[t] else to_reserve
        return min(wanted, self._drawn.terminals_of(max(ceiling - net, 0.0)))

    def _ceiling_at(self, t: int) -> float:
        """Return the lowest ceiling that holds in a step."""
        lowest = float(self._problem.import_limit_kw[t])
        for ceiling, measured in zip(self._ceilings, self._measured, strict=True):
            if measured[t] and ceiling < lowest:
                lowest = ceiling
        return lowest

    def _raise_ceilings(self, t: int, import_kw: float) -> None:
        for k, measured in enumerate(self._measured):
            if measured[t]:
                self._ceilings[k] = max(self._ceilings[k], import_kw)
