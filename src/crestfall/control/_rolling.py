"""A policy that plans on forecasts again and again, and corrects within each step what turns out otherwise.

Every so many steps a plan is made: the least cost of the next days for the load and PV that are expected, with import
under the targets of the demand charges. Where the forecast says that a target cannot be kept, this plan takes the
lowest that can. Two ways meet the peaks that no forecast shows:

* *Reserve.* The last weeks are gone through backwards: how much had to be in store about this time of day to keep the
  lowest cap from there on? The plan keeps so much, as far as it can be charged under the target.
* *Headroom.* The plan stays below the target by what forecasts of the last weeks were too low at this time of day.

A target is learnt as its period begins, as the lowest that the last weeks could have kept; then it only rises. In each
step the planned power is taken, unless the target or the worth of stored energy ask for another
(:class:`Correction`). What a year's end or a horizon's end leaves in the store is worth nothing to a plan beyond the
reserve that it keeps.

Prices, limits of the plant and its auxiliaries count as known; load and PV of a step are known when it is decided.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crestfall.control._correction import Correction
from crestfall.control._forecasts import DayClock, Forecast, ForecastErrors, Regression, SameTime, SimilarDays
from crestfall.control._learning import LEAST_DAYS, Lessons, Targets
from crestfall.control._peak_targets import Means
from crestfall.dispatch import Problem, Schedule, Status, check_feasible
from crestfall.dispatch._settlement import NOTHING_TO_SETTLE
from crestfall.scenario.scenario_file import RollingPolicy
from crestfall.tariff import Rates

FloatArray = NDArray[np.float64]
SLACK_KW, SLACK_KWH = 1e-2, 1e-4  # by which caps and floors of a plan give way, for the rounding of two calculations
RAISES_KW = (0.0, 1.0, 10.0, 100.0)  # tried where tapers keep a cap from being held


@dataclass(frozen=True, slots=True)
class History:
    """Load and PV of the time just before the data.

    Parameters
    ----------
    load_kw, pv_kw : ndarray of shape (n_before,)
        Power of each step, the latest last [kW].
    """

    load_kw: FloatArray
    pv_kw: FloatArray

    @property
    def n_steps(self) -> int:
        """Number of steps."""
        return len(self.load_kw)


NO_HISTORY = History(np.zeros(0), np.zeros(0))


@dataclass(frozen=True, slots=True)
class Forecasts:
    """What a plan expects, load and PV apart; steps are counted from the first of the history.

    Parameters
    ----------
    load, pv : Forecast
        The forecasts.
    """

    load: Forecast
    pv: Forecast


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolled:
    """What a rolling plan did, and how good its forecasts were.

    Parameters
    ----------
    schedule : Schedule
        The flows.
    load_errors, pv_errors : ForecastErrors
        Of what was forecast for each step when it was last planned.
    expected_net_kw : ndarray of shape (n_steps,)
        Import without the battery as it was last forecast [kW].
    cap_kw : ndarray of shape (n_steps,)
        The lowest target in force in each step, `inf` for none [kW].
    n_plans, n_failed : int
        Plans made, and those that the optimiser did not find; then the last one was kept.
    """

    schedule: Schedule
    load_errors: ForecastErrors
    pv_errors: ForecastErrors
    expected_net_kw: FloatArray
    cap_kw: FloatArray
    n_plans: int
    n_failed: int


def forecasts_for(
    settings: RollingPolicy,
    rates: Rates,
    *,
    history: History = NO_HISTORY,
    temperature_c: FloatArray | None = None,
    holidays: tuple[str, ...] = (),
    load: Forecast | None = None,
    pv: Forecast | None = None,
) -> Forecasts:
    """
    Return the forecasts that the settings name, or those made elsewhere in their place.

    Parameters
    ----------
    settings : RollingPolicy
        Their names.
    rates : Rates
        The steps.
    history : History, optional
        What is known before them.
    temperature_c : ndarray of shape (n_before + n_steps,), optional
        Ambient temperature, history included; only what is past is read [°C].
    holidays : tuple of str, default=()
        Dates that are like Sundays.
    load, pv : Forecast, optional
        Made elsewhere.

    Returns
    -------
    Forecasts
        For load and PV.
    """
    clock = DayClock.at(rates.start, step_h=rates.step_h, n_before=history.n_steps, holidays=holidays)
    load_by_name: dict[object, Forecast] = {
        "last_week": SameTime(clock, days=7),
        "similar_days": SimilarDays(clock),
        "regression": Regression(clock, temperature_c),
    }
    pv_by_name: dict[object, Forecast] = {
        "yesterday": SameTime(clock, days=1),
        "recent_days": SimilarDays(clock, half_life_days=2.0, reach_days=7, by_kind=False),
        "regression": Regression(clock, temperature_c, by_kind=False, reach_days=14),
    }
    return Forecasts(
        load_by_name[settings.load_forecast] if load is None else load,
        pv_by_name[settings.pv_forecast] if pv is None else pv,
    )


def follow_plan(
    problem: Problem, rates: Rates, settings: RollingPolicy, forecasts: Forecasts, *, history: History = NO_HISTORY
) -> Rolled:
    """
    Return what plans on forecasts do with a site's year, step by step.

    Parameters
    ----------
    problem : Problem
        The site and the plant; its import limit acts as one more target.
    rates : Rates
        Prices and demand charges on the same steps.
    settings : RollingPolicy
        Horizon, time between plans, and how peaks are met.
    forecasts : Forecasts
        What each plan expects.
    history : History, optional
        Load and PV before the data, from which the first targets are learnt.

    Returns
    -------
    Rolled
        Flows that begin with the problem's start, or an empty store; what is left in it at the end is not credited.
        Import may exceed its limit where the store runs empty.

    Raises
    ------
    ValueError
        If the horizon is shorter than a step or than the time between plans, or longer than the data.
    """
    _check(problem, settings)
    return _Controller(problem, rates, settings, forecasts, history).run()


def _check(problem: Problem, settings: RollingPolicy) -> None:
    horizon_h, h, data_h = settings.horizon_h, problem.step_h, problem.n_steps * problem.step_h
    if horizon_h < h:
        raise ValueError(f"horizon_h is {horizon_h:g}, expected at least the {h:g} h of a step")
    if horizon_h < settings.plan_every_h:
        raise ValueError(f"horizon_h is {horizon_h:g}, expected at least plan_every_h, {settings.plan_every_h:g}")
    if horizon_h > data_h:
        raise ValueError(f"horizon_h is {horizon_h:g}, expected at most the {data_h:g} h of the data")


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is in force until the next plan; arrays of shape (n_horizon,)."""

    begin: int
    power_kw: list[float]  # charge positive, discharge negative
    cap_kw: list[float]
    keep_kwh: list[float]
    stored_per_kwh: list[float] | None


class _Controller:
    """State of the policy between steps: what is stored, the plan, targets and lessons."""

    def __init__(
        self, problem: Problem, rates: Rates, settings: RollingPolicy, forecasts: Forecasts, history: History
    ) -> None:
        p = self._problem = problem
        self._settings, self._forecasts, self._n_before = settings, forecasts, history.n_steps
        self._load_kw = np.concatenate((history.load_kw, p.load_kw))
        self._pv_kw = np.concatenate((history.pv_kw, p.pv_kw))
        auxiliary_kw = np.concatenate((np.full(history.n_steps, p.auxiliary_kw[0]), p.auxiliary_kw))
        self._net_kw = self._load_kw + auxiliary_kw - self._pv_kw
        # Prices of system peaks and events are in the problem's prices, but nobody knows these times in advance.
        self._buy, self._sell = rates.buy_per_kwh, rates.sell_per_kwh
        self._clock = DayClock.at(rates.start, step_h=rates.step_h, n_before=history.n_steps)
        self._means = Means.of(p, history.n_steps)
        first = settings.first_ceiling_kw
        first_kw = max(float(self._net_kw[history.n_steps]), 0.0) if first is None else first
        self._targets = Targets(rates, first_kw, settings.target_margin_frac)
        self._lessons = Lessons(self._clock, self._means, settings)
        self._correction = Correction(p)
        self._horizon = round(settings.horizon_h / p.step_h)
        self._every = max(round(settings.plan_every_h / p.step_h), 1)
        self._n_back = settings.learn_days * self._clock.n_slots
        known_h = settings.prices_known_h
        self._prices_known = None if known_h is None else max(round(known_h / p.step_h), 1)
        self._plain = replace(p, peaks=(), sums=(), settlement=NOTHING_TO_SETTLE, fixed_cost=0.0)
        self._expected_load = np.full(len(self._load_kw), np.nan)
        self._expected_pv = np.full(len(self._load_kw), np.nan)
        self._n_plans = self._n_failed = 0

    def run(self) -> Rolled:
        """Go through the data step by step."""
        p, n, correct = self._problem, self._problem.n_steps, self._correction
        power, stored, caps = np.zeros(n), np.zeros(n), np.full(n, np.inf)
        net, buy, sell = self._net_kw[self._n_before :].tolist(), self._buy.tolist(), self._sell.tolist()
        measured_limit = p.import_limit_kw.tolist()
        content = start = float(p.floor_kwh[0]) if p.start_kwh is None else p.start_kwh
        plan: _Plan | None = None
        for t in range(n):
            self._begin(t)
            if plan is None or t - plan.begin >= self._every:
                plan = self._next_plan(t, content, plan)
            k = t - plan.begin
            content *= p.keep_frac
            caps[t] = cap = min(max(plan.cap_kw[k], float(self._targets.caps_kw(t, t + 1)[0])), measured_limit[t])
            now = correct.power(
                t,
                planned_kw=plan.power_kw[k],
                net_kw=net[t],
                stored_kwh=content,
                cap_kw=cap,
                keep_kwh=plan.keep_kwh[k],
                buy_per_kwh=buy[t],
                sell_per_kwh=sell[t],
                stored_per_kwh=None if plan.stored_per_kwh is None else plan.stored_per_kwh[k],
            )
            content += correct.store_change_kwh(now)
            power[t], stored[t] = now, content
            self._targets.see(t, net[t] + correct.at_meter_kw(now))
        return self._rolled(power, stored, start, caps)

    def _begin(self, t: int) -> None:
        """Learn targets as a period begins, and reserve and headroom as a day begins."""
        known, clock = self._n_before + t, self._clock
        is_new_period = self._targets.begins(t)
        is_new_day = t == 0 or clock.day[known] != clock.day[known - 1]
        if not (is_new_day or is_new_period) or known < LEAST_DAYS * clock.n_slots:
            return
        net = self._net_kw[:known]
        self._targets.learn(t, net, self._means, self._n_before, self._n_back, only_up=not is_new_period)
        begin = max(known - self._n_back, 0)
        expected = self._expected_load[begin:known] - self._expected_pv[begin:known]
        expected += net[begin:] - (self._load_kw[begin:known] - self._pv_kw[begin:known])
        self._lessons.learn(known, net[begin:], expected, self._targets.past_caps_kw(t, self._n_before)[begin:])

    def _next_plan(self, t: int, content: float, last: _Plan | None) -> _Plan:
        """Plan from a step on; where there is no plan to be found, the last one is kept."""
        from crestfall.dispatch._exact import solve_exactly
        from crestfall.dispatch._passes import NotInClassError

        self._n_plans += 1
        p, n = self._problem, min(self._horizon, self._problem.n_steps - t)
        known, part = self._n_before + t, slice(t, t + n)
        load = self._forecasts.load.ahead(self._load_kw[:known], n)
        pv = self._forecasts.pv.ahead(self._pv_kw[:known], n)
        soon = slice(known, known + min(self._every, n))
        self._expected_load[soon], self._expected_pv[soon] = load[: self._every], pv[: self._every]
        net = load + p.auxiliary_kw[part] - pv
        cap = np.minimum(self._targets.caps_kw(t, t + n), p.import_limit_kw[part]) - self._room(known, n)
        cap = cap + self._means.least_raise_kw(net, cap, content, known)
        for raised in RAISES_KW:
            keep = self._keep(known, n, net, cap + raised, content)
            sub = self._sub_problem(part, load, pv, cap + raised + SLACK_KW, keep - SLACK_KWH, content)
            try:
                found = solve_exactly(sub)
            except NotInClassError:
                continue
            power = (found.charge_kw - found.discharge_kw).tolist()
            worth = None if found.stored_per_kwh is None else found.stored_per_kwh.tolist()
            return _Plan(t, power, (cap + raised).tolist(), keep.tolist(), worth)
        self._n_failed += 1
        if last is None or t - last.begin + self._every > len(last.power_kw):
            return _Plan(t, [0.0] * n, cap.tolist(), p.floor_kwh[part].tolist(), None)
        k = t - last.begin
        return _Plan(t, last.power_kw[k:], last.cap_kw[k:], last.keep_kwh[k:], None)

    def _room(self, known: int, n: int) -> FloatArray:
        """Return by how much import is planned to stay below its targets."""
        headroom = self._lessons.headroom_kw
        if headroom is None:
            return np.zeros(n)
        ahead = slice(known, known + n)
        return np.asarray(headroom[self._clock.slot[ahead]])

    def _keep(self, known: int, n: int, net: FloatArray, cap: FloatArray, content: float) -> FloatArray:
        """Return the energy that a plan must keep in store: the reserve, as far as it can be reached."""
        floor = self._means.floor_kwh[known : known + n]
        reserve = self._lessons.reserve_kwh
        if reserve is None:
            return floor
        highest = self._means.highest_kwh(net, cap, content, known)
        if highest is None:
            return floor
        ahead = slice(known, known + n)
        wanted = reserve[self._clock.slot[ahead]]
        if known + n == len(self._load_kw):
            wanted = wanted.copy()
            wanted[-1] = 0.0  # no peak comes after the data
        return np.maximum(np.minimum(wanted, highest), floor)

    def _sub_problem(
        self, part: slice, load: FloatArray, pv: FloatArray, cap: FloatArray, keep: FloatArray, content: float
    ) -> Problem:
        """Return the problem of the next days as it is expected."""
        p, t = self._plain, part.start
        known = slice(0, t + 1)
        some_pv = float(p.pv_kw[known].sum())
        curtailable = float(p.curtailable_kw[known].sum()) / some_pv if some_pv else 0.0
        buy, sell = self._prices(part)
        return replace(
            p,
            load_kw=load,
            auxiliary_kw=p.auxiliary_kw[part],
            pv_kw=pv,
            curtailable_kw=pv * min(curtailable, 1.0),
            buy_per_kwh=buy,
            sell_per_kwh=sell,
            import_limit_kw=np.maximum(cap, 0.0),
            export_limit_kw=p.export_limit_kw[part],
            charge_limit_kw=p.charge_limit_kw[part],
            discharge_limit_kw=p.discharge_limit_kw[part],
            into_limit_kw=p.into_limit_kw[part],
            outof_limit_kw=p.outof_limit_kw[part],
            floor_kwh=np.maximum(keep, p.floor_kwh[part]),
            ceiling_kwh=p.ceiling_kwh[part],
            start_kwh=max(content, 0.0),  # an empty store ends a rounding below nothing
            end_kwh=None,
        )

    def _prices(self, part: slice) -> tuple[FloatArray, FloatArray]:
        """Return the prices as they are known: beyond that those of the last known day."""
        known = self._prices_known
        if known is None or known >= part.stop - part.start:
            return self._buy[part], self._sell[part]
        step, last = np.arange(part.start, part.stop), part.start + known - 1
        day = min(self._clock.n_slots, last + 1)
        beyond = np.maximum(step - last, 0)
        step = step - (beyond + day - 1) // day * day
        return self._buy[step], self._sell[step]

    def _rolled(self, power: FloatArray, stored: FloatArray, start: float, caps: FloatArray) -> Rolled:
        p = self._problem
        charge_kw, discharge_kw = np.maximum(power, 0.0), np.maximum(-power, 0.0)
        net_kw = self._net_kw[self._n_before :] + charge_kw - discharge_kw + p.cooling_kw(charge_kw, discharge_kw)
        curtailed_kw = np.clip(-net_kw - p.export_limit_kw, 0.0, p.curtailable_kw)
        import_kw, export_kw = np.maximum(net_kw + curtailed_kw, 0.0), np.maximum(-net_kw - curtailed_kw, 0.0)
        schedule = Schedule(
            charge_kw=charge_kw,
            discharge_kw=discharge_kw,
            stored_kwh=stored,
            start_kwh=start,
            curtailed_kw=curtailed_kw,
            import_kw=import_kw,
            export_kw=export_kw,
            objective=p.running_cost(import_kw=import_kw, export_kw=export_kw, discharge_kw=discharge_kw),
            lower_bound=-np.inf,
            status=Status.RULE,
            note=f"{self._n_plans:,} plans over {self._settings.horizon_h:g} h on forecasts",
        )
        unlimited = np.full(p.n_steps, np.inf)
        check_feasible(replace(p, start_kwh=start, end_kwh=None, import_limit_kw=unlimited), schedule)
        expected_load, expected_pv = self._expected_load[self._n_before :], self._expected_pv[self._n_before :]
        return Rolled(
            schedule=schedule,
            load_errors=ForecastErrors.of(expected_load, p.load_kw),
            pv_errors=ForecastErrors.of(expected_pv, p.pv_kw),
            expected_net_kw=expected_load + p.auxiliary_kw - expected_pv,
            cap_kw=caps,
            n_plans=self._n_plans,
            n_failed=self._n_failed,
        )
