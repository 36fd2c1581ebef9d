"""What a controller does within a step, when load and PV turn out other than planned."""

import math

from crestfall.control._at_meter import AtMeter
from crestfall.dispatch import Chords, Problem

# A power must be cheaper than the planned one by this much of the price of its energy, or the plan stands: prices that
# are equal but for rounding leave the plan its choice.
WORTHWHILE_FRAC = 1e-6
NOTHING_KWH = 1e-9


class Correction:
    """
    The powers of one step, in this order: what the store must have, the peak, the plan or what is cheaper.

    Cheaper is judged by the price of the step and by what the plan says that stored energy is worth. Where both are as
    planned, so is the power.

    Parameters
    ----------
    problem : Problem
        The site and the plant.
    """

    def __init__(self, problem: Problem) -> None:
        p = self._problem = problem
        charging, discharging = p.charging, p.discharging
        self._charging, self._discharging = Chords(charging), Chords(discharging)
        self._drawn = AtMeter(charging.widths_kw, 1 + charging.cooling_fracs)
        self._relief = AtMeter(discharging.widths_kw, 1 - discharging.cooling_fracs)
        self._corners = [*charging.ac_kw[1:].tolist(), *(-discharging.ac_kw[1:]).tolist()]
        self._most_charge: list[float] = p.most_charge_kw.tolist()
        self._most_discharge: list[float] = p.most_discharge_kw.tolist()
        self._floor: list[float] = p.floor_kwh.tolist()
        self._full: list[float] = p.ceiling_kwh.tolist()
        self._export_limit: list[float] = p.export_limit_kw.tolist()

    def power(
        self,
        t: int,
        *,
        planned_kw: float,
        net_kw: float,
        stored_kwh: float,
        cap_kw: float,
        keep_kwh: float,
        buy_per_kwh: float,
        sell_per_kwh: float,
        stored_per_kwh: float | None,
    ) -> float:
        """
        Return the power of a step: charge positive, discharge negative.

        Parameters
        ----------
        t : int
            The step.
        planned_kw : float
            Power of the plan, likewise with a sign [kW].
        net_kw : float
            Import of the site without the battery as it really is, negative for a surplus [kW].
        stored_kwh : float
            Stored energy before the step, what standing costs taken off [kWh].
        cap_kw : float
            What import must not exceed, if the store can help it [kW].
        keep_kwh : float
            Energy that only a peak, or the plan, may go below [kWh].
        buy_per_kwh, sell_per_kwh : float
            Prices.
        stored_per_kwh : float or None
            Worth of stored energy at the end of the step; None: the plan stands.
        """
        e, h = stored_kwh, self._problem.step_h
        most_c = min(self._most_charge[t], self._into(self._full[t] - e), self._below_taper(e))
        most_d = min(self._most_discharge[t], self._outof(e - self._floor[t]), self._above_taper(e))
        # Nothing of the store is sent out beyond the export limit.
        spare = net_kw + self._export_limit[t]
        most_d = min(most_d, self._relief.terminals_of(max(spare, 0.0)))
        power = min(max(planned_kw, -most_d), most_c)
        if stored_per_kwh is not None:
            lowest = min(-min(most_d, self._outof(e - keep_kwh)), power)
            prices = buy_per_kwh, sell_per_kwh, stored_per_kwh
            power = self._cheapest(power, net_kw, lowest, most_c, prices)
        if cap_kw >= net_kw:
            power = min(power, self._drawn.terminals_of(cap_kw - net_kw))
        else:
            power = max(min(power, -self._relief.terminals_of(net_kw - cap_kw)), -most_d)
        must_take = -(spare + float(self._problem.curtailable_kw[t]))
        if must_take > 0:
            power = max(power, min(most_c, self._drawn.terminals_of(must_take)))
        to_floor = self._floor[t] - e  # what standing has cost
        if to_floor > NOTHING_KWH:
            power = max(power, self._charging.terminals_of(to_floor / h))
        return power

    def store_change_kwh(self, power_kw: float) -> float:
        """Return what a power changes in the store in one step."""
        h = self._problem.step_h
        if power_kw >= 0:
            return h * self._charging.store_of(power_kw)
        return -h * self._discharging.store_of(-power_kw)

    def at_meter_kw(self, power_kw: float) -> float:
        """Return what a power adds to import, cooling included."""
        return self._drawn.of(power_kw) if power_kw >= 0 else -self._relief.of(-power_kw)

    def _cheapest(
        self, planned: float, net: float, lowest: float, highest: float, prices: tuple[float, float, float]
    ) -> float:
        """Return the cheapest power between two, of those where its price can change."""
        zero = self._drawn.terminals_of(-net) if net < 0 else -self._relief.terminals_of(net)
        best, least = planned, self._cost(planned, net, prices)
        for power in (zero, 0.0, lowest, highest, *self._corners):
            if not lowest <= power <= highest:
                continue
            margin = WORTHWHILE_FRAC * abs(power - planned) * max(abs(price) for price in prices)
            if (cost := self._cost(power, net, prices)) < least - margin:
                best, least = power, cost
        return best

    def _cost(self, power: float, net: float, prices: tuple[float, float, float]) -> float:
        buy, sell, stored = prices
        meter = net + self.at_meter_kw(power)
        wear = self._problem.wear_per_kwh * max(-power, 0.0)
        worth = stored * self.store_change_kwh(power) / self._problem.step_h
        return (buy if meter > 0 else sell) * meter + wear - worth

    def _into(self, room_kwh: float) -> float:
        return self._charging.terminals_of(max(room_kwh, 0.0) / self._problem.step_h)

    def _outof(self, content_kwh: float) -> float:
        return self._discharging.terminals_of(max(content_kwh, 0.0) / self._problem.step_h)

    def _below_taper(self, content_kwh: float) -> float:
        """Return the AC charge that keeps the tapered limit at the end of the step."""
        taper, h = self._problem.charge_taper, self._problem.step_h
        if taper is None:
            return math.inf
        left = max(taper.limit_kw - taper.slope_per_h * content_kwh, 0.0)
        return self._charging.terminals_of(left / (1 + taper.slope_per_h * h))

    def _above_taper(self, content_kwh: float) -> float:
        """Return the AC discharge that keeps the tapered limit at the end of the step."""
        taper, h = self._problem.discharge_taper, self._problem.step_h
        if taper is None:
            return math.inf
        left = max(taper.limit_kw - taper.slope_per_h * content_kwh, 0.0)
        return self._discharging.terminals_of(left / (1 - taper.slope_per_h * h))
