"""A policy that plans on forecasts again and again, and corrects within each step what turns out otherwise.

Every so many steps a plan is made: what stored energy is worth over the next days for the load and PV that are
expected, with import above the targets of the demand charges priced. Where the forecast says that a target cannot be
kept, this plan takes the lowest that can. Two ways meet the peaks that no forecast shows:

* *Reserve.* The last weeks are gone through backwards: how much had to be in store at each time of day to keep the
  targets from there on? To have less costs so much as on the share of days that needed it.
* *Headroom.* The forecasts of the last weeks that were too low by most may be so again: the plan is made for the
  forecast with each of these errors over its first hours, too, and energy is worth the weighted mean.

A target is learnt each day, as the lowest that the last weeks could have kept; it is never below what its period has
seen. Below it import is cheaper by rungs, as far as the rest of the period will likely reach them anyway. Each step
takes the change of stored energy that costs least with what really happens (:mod:`_stepping`). What a year's end or a
horizon's end leaves in the store is worth nothing to a plan beyond the reserve.

Prices, limits of the plant and its auxiliaries count as known; load and PV of a step are known when it is decided.
"""

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crestfall.control._forecasts import DayClock, Forecast, ForecastErrors, Regression, SameTime, SimilarDays
from crestfall.control._learning import LEAST_DAYS, RUNG_SHARES, Reserve, Targets, worst_days, worst_spells_kw
from crestfall.control._peak_targets import Means
from crestfall.control._stepping import N_LINES, Lesson, Outlook, State, follow, room_for
from crestfall.dispatch import Problem, Schedule, Status, check_feasible
from crestfall.dispatch._exact import store_of
from crestfall.dispatch._pieces import step_data
from crestfall.scenario.scenario_file import RollingPolicy
from crestfall.tariff import Rates

FloatArray = NDArray[np.float64]
DEAR = 100.0  # times the highest price: what a plan forbids
# Of the highest rate of a demand charge, for each kWh: import above a target, and energy missing on a day of need.
# Less than a kW costs, for not each excess is the highest of its month; chosen as the numbers in `_learning` are.
SHORT_FRAC = 1 / 24
# Of the highest price of energy: what a kWh that is kept is worth beyond the plan where peaks are billed. Without it a
# store is emptied in the first of many hours that pay the same, and stands empty when a peak comes.
KEPT_FRAC = 0.01
DOUBTFUL_H = 6.0  # how far ahead past errors may come again; any between this and a day keeps as much


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


class _Controller:
    """What the policy knows, from one lesson to the next."""

    def __init__(
        self, problem: Problem, rates: Rates, settings: RollingPolicy, forecasts: Forecasts, history: History
    ) -> None:
        p, n_before = problem, history.n_steps
        self._problem, self._rates, self._settings, self._n_before = problem, rates, settings, n_before
        self._load_kw = np.concatenate((history.load_kw, p.load_kw))
        self._pv_kw = np.concatenate((history.pv_kw, p.pv_kw))
        self._net_kw = self._load_kw + _with_past(p.auxiliary_kw, n_before) - self._pv_kw
        self._clock = DayClock.at(rates.start, step_h=rates.step_h, n_before=n_before)
        self._means = Means.of(p, n_before)
        first = settings.first_ceiling_kw
        first_kw = max(float(self._net_kw[n_before]), 0.0) if first is None else first
        self._targets = Targets(rates, first_kw, n_before)
        self._rate = max((float(np.max(line.rate, initial=0.0)) for line in rates.peak_charges), default=0.0)
        self._n_least, self._n_back = LEAST_DAYS * self._clock.n_slots, settings.learn_days * self._clock.n_slots
        self._no_backs = np.zeros(0, dtype=np.int64)
        self._outlook(forecasts)

    def _outlook(self, forecasts: Forecasts) -> None:
        p, n_before, n = self._problem, self._n_before, len(self._load_kw)
        horizon = round(self._settings.horizon_h / p.step_h)
        every = max(round(self._settings.plan_every_h / p.step_h), 1)
        first = n_before % every
        at = np.arange(first, n, every)
        self._every, self._at = every, at
        self._expected_load = forecasts.load.ahead_at(self._load_kw, at, horizon)
        has_pv = bool(self._pv_kw.any())
        none = np.zeros((len(at), horizon))
        self._expected_pv = forecasts.pv.ahead_at(self._pv_kw, at, horizon) if has_pv else none
        steps = np.minimum(at[:, np.newaxis] + np.arange(horizon), n - 1)
        net = self._expected_load + _with_past(p.auxiliary_kw, n_before)[steps] - self._expected_pv
        held = self._expected_pv * self._held_share(at)[:, np.newaxis] if has_pv else none
        data = step_data(p)
        # Prices of system peaks and events are in the problem's prices, but nobody knows these times in advance.
        known = {"buy_per_kwh": self._rates.buy_per_kwh, "sell_per_kwh": self._rates.sell_per_kwh}
        arrays = {
            name: _with_past(known.get(name, value), n_before)
            for name, value in data._asdict().items()
            if isinstance(value, np.ndarray) and value.ndim == 1
        }
        self._steps = data._replace(**arrays | {"demand_kw": self._net_kw, "import_limit_kw": np.full(n, np.inf)})
        store = store_of(p, np.arange(p.n_steps + 1))
        store = store._replace(
            floor_kwh=_with_past(store.floor_kwh, n_before),
            ceiling_kwh=_with_past(store.ceiling_kwh, n_before),
            keep_frac=_with_past(store.keep_frac, n_before),
        )
        self._ahead = Outlook(
            steps=self._steps,
            store=store,
            means=self._means.of_steps(0, n),
            import_limit_kw=_with_past(p.import_limit_kw, n_before),
            price_step=self._priced_as(at, steps),
            net_kw=net,
            curtailable_kw=held,
            measured=self._targets.measured,
            day_part=self._clock.slot,
            first=first,
            every=every,
            n_steps=n,
            n_doubtful=round(DOUBTFUL_H / p.step_h),
        )

    def _held_share(self, at: NDArray[np.int64]) -> FloatArray:
        """Return the share of the PV so far that might have been held back, at each of some steps."""
        pv = np.concatenate(([0.0], np.cumsum(self._pv_kw[self._n_before :])))
        held = np.concatenate(([0.0], np.cumsum(self._problem.curtailable_kw)))
        past = np.maximum(at - self._n_before, 0)
        return np.minimum(np.divide(held[past], pv[past], out=np.zeros(len(at)), where=pv[past] > 0), 1.0)

    def _priced_as(self, at: NDArray[np.int64], steps: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return whose price stands for each step of each plan: beyond what is known, that of the last known day."""
        known_h = self._settings.prices_known_h
        if known_h is None:
            return steps
        last = (at + max(round(known_h / self._problem.step_h), 1) - 1)[:, np.newaxis]
        day = np.minimum(self._clock.n_slots, last + 1)
        beyond = np.maximum(steps - last, 0)
        return np.asarray(steps - (beyond + day - 1) // day * day)

    def run(self) -> Rolled:
        """Go through the data from one lesson to the next."""
        p, n_before, n = self._problem, self._n_before, len(self._load_kw)
        power, stored, caps = np.zeros(n), np.zeros(n), np.full(n, np.inf)
        start = float(p.floor_kwh[0]) if p.start_kwh is None else p.start_kwh
        horizon = self._ahead.net_kw.shape[1]
        dear = DEAR * (1.0 + float(np.abs(self._steps.buy_per_kwh).max() + np.abs(self._steps.sell_per_kwh).max()))
        room = room_for(self._steps, horizon)
        state = State(
            content_kwh=np.array([start]),
            rungs_kw=self._targets.rungs_kw,
            seen_kw=self._targets.seen_kw,
            n_failed=np.zeros(1, dtype=np.int64),
            n=np.full((N_LINES, self._every), -1, dtype=np.int64),
            left=np.zeros((N_LINES, self._every)),
            slope=np.zeros((N_LINES, self._every, len(room.total.slope) // N_LINES)),
            length=np.zeros((N_LINES, self._every, len(room.total.slope) // N_LINES)),
            cap_kw=np.full(self._every, np.inf),
            day_kw=np.zeros(1),
        )
        new = self._clock.day[1:] != self._clock.day[:-1]
        days = np.flatnonzero(new) + 1
        begins = sorted({n_before, *days[days > n_before].tolist(), *self._targets.begins()})
        self._prepare([a for a in begins if a >= self._n_least])
        for begin, end in itertools.pairwise([*begins, n]):
            lesson = self._learn(begin)
            follow(begin, end, self._ahead, lesson, state, room, dear, power, stored, caps)
        own = slice(n_before, None)
        return self._rolled(power[own], stored[own], start, caps[own], int(state.n_failed[0]))

    def _prepare(self, lessons: list[int]) -> None:
        """Learn what does not depend on what the plans do, for all lessons at once, each from nothing but its past."""
        ask, targets, n_slots = self._settings, self._targets, self._clock.n_slots
        back = {"n_back": self._n_back, "n_slots": n_slots}
        targets.learn(lessons, self._net_kw, self._means, **back, margin_frac=ask.target_margin_frac)
        self._backs = self._worst_backs(lessons) if ask.peak_rule in ("headroom", "both") else {}
        self._kept_price = np.zeros(len(self._net_kw))
        if targets.n:
            self._kept_price = np.maximum(KEPT_FRAC * np.maximum.accumulate(self._steps.buy_per_kwh), 0.0)
        self._reserve = Reserve(
            clock=self._clock,
            net_kw=self._net_kw,
            is_measured=targets.measured,
            steps=self._ahead.means,
            price=SHORT_FRAC * self._rate,
            caution_frac=ask.caution_frac,
            most_kwh=float(self._problem.ceiling_kwh.max()),
        )

    def _learn(self, a: int) -> Lesson:
        """Learn from what lies before a step: targets, what was needed in store, and the worst of past forecasts."""
        ask, targets = self._settings, self._targets
        targets.begin(a)
        has_needs = a >= self._n_least and ask.peak_rule in ("reserve", "both")
        begin = max(a - self._n_back, 0) if has_needs else a
        needs_kwh, need_prices = self._reserve.learnt(begin, a, targets.rungs_kw, self._kept_price[a])
        backs = self._backs.get(a, self._no_backs)
        weights = np.full(len(backs) + 1, 1 / ask.learn_days)
        weights[0] = 1 - len(backs) / ask.learn_days
        return Lesson(
            needs_kwh=needs_kwh,
            need_prices=need_prices,
            excess_prices=SHORT_FRAC * self._rate * self._problem.step_h * RUNG_SHARES,
            backs=backs,
            weights=weights,
        )

    def _worst_backs(self, lessons: list[int]) -> dict[int, NDArray[np.int64]]:
        """Return how many steps before each lesson those forecasts of the last weeks were made that were the worst."""
        ahead, ask = self._ahead, self._settings
        steps = np.arange(ahead.net_kw.shape[1] - self._every)
        if not lessons or not len(steps):
            return {}
        backs = {a: self._backs_of(a) for a in lessons}
        made = np.unique(np.concatenate([a - back for a, back in backs.items()]))
        number, since = np.divmod(made - ahead.first, self._every)
        expected = ahead.net_kw[number[:, np.newaxis], since[:, np.newaxis] + steps]
        errors = self._net_kw[made[:, np.newaxis] + steps] - expected
        spell_kw = np.zeros(len(self._net_kw))
        spell_kw[made] = worst_spells_kw(errors, step_h=self._problem.step_h)
        return {a: back[worst_days(spell_kw[a - back], ask.caution_frac)] for a, back in backs.items()}

    def _backs_of(self, a: int) -> NDArray[np.int64]:
        """Return how many steps before a lesson those forecasts of the last weeks were made whose end is known."""
        day, ahead = self._clock.n_slots, self._ahead
        lead = -(-ahead.net_kw.shape[1] // day)  # days; so long ago it must have been for the end to be known
        earliest = max(a - self._n_back - lead * day, ahead.first, LEAST_DAYS * day)
        return np.arange(lead * day, a - earliest + 1, day)

    def _rolled(self, power: FloatArray, stored: FloatArray, start: float, caps: FloatArray, n_failed: int) -> Rolled:
        p = self._problem
        charge_kw, discharge_kw = np.maximum(power, 0.0), np.maximum(-power, 0.0)
        net_kw = self._net_kw[self._n_before :] + charge_kw - discharge_kw + p.cooling_kw(charge_kw, discharge_kw)
        curtailed_kw = np.clip(-net_kw - p.export_limit_kw, 0.0, p.curtailable_kw)
        import_kw, export_kw = np.maximum(net_kw + curtailed_kw, 0.0), np.maximum(-net_kw - curtailed_kw, 0.0)
        n_plans = -(-p.n_steps // self._every)
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
            note=f"{n_plans:,} plans over {self._settings.horizon_h:g} h on forecasts",
        )
        unlimited = np.full(p.n_steps, np.inf)
        check_feasible(replace(p, start_kwh=start, end_kwh=None, import_limit_kw=unlimited), schedule)
        step = np.arange(p.n_steps)
        number, place = (step + self._n_before - self._ahead.first) // self._every, step % self._every
        expected_load, expected_pv = self._expected_load[number, place], self._expected_pv[number, place]
        return Rolled(
            schedule=schedule,
            load_errors=ForecastErrors.of(expected_load, p.load_kw),
            pv_errors=ForecastErrors.of(expected_pv, p.pv_kw),
            expected_net_kw=expected_load + p.auxiliary_kw - expected_pv,
            cap_kw=caps,
            n_plans=n_plans,
            n_failed=n_failed,
        )


def _with_past(values: FloatArray, n_before: int) -> FloatArray:
    """Return values with the first of them repeated for a history."""
    return np.concatenate((np.full(n_before, values[0]), values)).astype(float)
