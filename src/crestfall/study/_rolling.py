"""The rolling plan of a scenario: its settings, what it knows before the data, and its forecasts."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from crestfall.control import Forecast, History, Issued, Rolled, follow_plan, forecasts_for, with_error
from crestfall.dispatch import Problem
from crestfall.errors import KeyedError
from crestfall.scenario import Scenario
from crestfall.scenario.scenario_file import ForecastFile, RollingPolicy, StatedError
from crestfall.series import IssuedRows, SiteBefore, SiteSeries, read_before, read_issued
from crestfall.tariff import Rates

FloatArray = NDArray[np.float64]
# An auction for the next day ends about noon; just before it, prices are known for the rest of this day: common
# practice, no source.
MARKET_KNOWN_H = 12.0
LONGEST_MONTH_DAYS = 45.0  # of a billing period between two readings; quarters and seasons are longer
MOST_UNLIKE = 10.0  # times: no forecast is so far off in the mean of a year, but one in other units is
# What is expected where a forecast from a file was not issued yet: plans look further than many a one.
NOT_ISSUED = {"load_forecast": "similar_days", "pv_forecast": "recent_days"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreknown:
    """What a rolling plan is given beside the data of the year.

    Parameters
    ----------
    before : SiteBefore
        What was metered before the data.
    load, pv : IssuedRows or None
        Forecasts from files.
    """

    before: SiteBefore = field(default_factory=SiteBefore)
    load: IssuedRows | None = None
    pv: IssuedRows | None = None

    @classmethod
    def read(cls, scenario: Scenario, series: SiteSeries) -> "Foreknown":
        """Read what the scenario names."""
        ask = scenario.ask.rolling

        def issued(name: str, actual_kw: FloatArray) -> IssuedRows | None:
            of = getattr(ask, name)
            if not isinstance(of, ForecastFile):
                return None
            rows = read_issued(scenario.file_path(of.file), of, start=series.start, step_h=series.step_h)
            _check_likeness(name, rows.values_kw, actual_kw)
            return rows

        return cls(
            before=read_before(scenario, series),
            load=issued("load_forecast", series.load_kw),
            pv=issued("pv_forecast", series.pv_kw),
        )

    def grown(self, growth: float) -> "Foreknown":
        """Return the same for a load that is so many times as high."""
        load = None if self.load is None else replace(self.load, values_kw=growth * self.load.values_kw)
        return replace(self, before=replace(self.before, load_kw=growth * self.before.load_kw), load=load)


def _check_likeness(name: str, forecast_kw: FloatArray, actual_kw: FloatArray) -> None:
    """Raise for a forecast of another size than what happens: its unit or its column is not what it is said to be."""
    found, wanted = float(forecast_kw.mean()), float(actual_kw.mean())
    if wanted and not wanted / MOST_UNLIKE < found < wanted * MOST_UNLIKE:
        raise KeyedError(
            "scenario",
            ("rolling", name, "unit"),
            found=f"a forecast of {found:,.1f} kW in the mean",
            expected=f"about the {wanted:,.1f} kW of the data",
            remedy="check unit and column of the forecast",
        )


def roll(
    problem: Problem,
    rates: Rates,
    settings: RollingPolicy,
    known: Foreknown,
    temperature_c: FloatArray | None,
) -> Rolled:
    """
    Return what the rolling plan does under a contract.

    Parameters
    ----------
    problem : Problem
        The site and the plant.
    rates : Rates
        The contract.
    settings : RollingPolicy
        How it plans.
    known : Foreknown
        Its history, and forecasts from files.
    temperature_c : ndarray of shape (n_steps,) or None
        Ambient temperature of the year [degrees C].

    Returns
    -------
    Rolled
        Flows, and how good its forecasts were.
    """
    before, n_before = known.before, known.before.n_steps
    history = History(before.load_kw, before.pv_kw)
    warmth = temperature_c
    if n_before and temperature_c is not None:
        warmth = None if before.temperature_c is None else np.concatenate((before.temperature_c, temperature_c))

    from_past = partial(forecasts_for, rates=rates, history=history, temperature_c=warmth, holidays=rates.holidays)

    def elsewhere(
        ask: object, rows: IssuedRows | None, past_kw: FloatArray, actual_kw: FloatArray, name: str
    ) -> Forecast | None:
        if isinstance(ask, StatedError):
            actual = np.concatenate((past_kw, actual_kw))
            return with_error(actual, error_frac=ask.error_frac, seed=ask.seed)
        if rows is None:
            return None
        usual: Forecast = getattr(from_past(settings.model_copy(update=NOT_ISSUED)), name)
        return Issued(rows.step + n_before, rows.issued + n_before, rows.values_kw, usual)

    forecasts = from_past(
        settings,
        load=elsewhere(settings.load_forecast, known.load, before.load_kw, problem.load_kw, "load"),
        pv=elsewhere(settings.pv_forecast, known.pv, before.pv_kw, problem.pv_kw, "pv"),
    )
    if settings.prices_known_h is None and rates.has_price_series:
        settings = settings.model_copy(update={"prices_known_h": MARKET_KNOWN_H})
    return follow_plan(problem, rates, settings, forecasts, history=history)


def check_horizon(settings: RollingPolicy, *, step_h: float, n_steps: int) -> None:
    """
    Raise if plans do not fit the steps of the data.

    Parameters
    ----------
    settings : RollingPolicy
        How the rolling policy plans.
    step_h : float
        Length of a step [h].
    n_steps : int
        Steps of the data.

    Raises
    ------
    KeyedError
        If the horizon is shorter than a step or the time between plans, or longer than the data, or plans do not begin
        with steps.
    """
    horizon_h, every_h, data_h = settings.horizon_h, settings.plan_every_h, n_steps * step_h
    if horizon_h < max(step_h, every_h):
        least = f"{every_h:g} h of plan_every_h" if every_h > step_h else f"{step_h:g} h of a step"
        remedy = "a day to three are usual; a plan that ends before the next begins leaves nothing to follow"
        raise _wrong("horizon_h", horizon_h, f"at least the {least}", remedy)
    if horizon_h > data_h:
        raise _wrong("horizon_h", horizon_h, f"at most the {data_h:,g} h of the data", "a day to three are usual")
    for name, hours in (("horizon_h", horizon_h), ("plan_every_h", every_h)):
        if abs(hours / step_h - round(hours / step_h)) > 1e-6:
            remedy = f"the data have steps of {60 * step_h:g} minutes: give {max(round(hours / step_h), 1) * step_h:g}"
            raise _wrong(name, hours, f"a multiple of {step_h:g} h", remedy)


def _wrong(key: str, found: float, expected: str, remedy: str) -> KeyedError:
    return KeyedError("scenario", ("rolling", key), found=f"{found:g}", expected=expected, remedy=remedy)


def policy_in_words(scenario: Scenario, known: Foreknown, step_h: float) -> str:
    """
    Return which policy makes the headline and, of rolling plans, what they are made from.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    known : Foreknown
        What rolling plans are given.
    step_h : float
        Length of a step [h].

    Returns
    -------
    str
        A few words.
    """
    if scenario.ask.policy != "rolling":
        return scenario.ask.policy
    ask = scenario.ask.rolling
    forecasts = " and ".join(
        of
        if isinstance(of, str)
        else of.file
        if isinstance(of, ForecastFile)
        else f"error of {100 * of.error_frac:g} %"
        for of in (ask.load_forecast, ask.pv_forecast)
    )
    past = f"{known.before.n_steps * step_h / 24:,.0f} days before the data" if known.before.n_steps else "no history"
    return f"rolling plans over {ask.horizon_h:g} h every {ask.plan_every_h:g} h, on {forecasts}; {past}"


def notes_on_forecasts(settings: RollingPolicy, rates: Rates, known: Foreknown) -> Iterator[str]:
    """
    Yield what a reader must know about what the rolling plan was told.

    Parameters
    ----------
    settings : RollingPolicy
        How it plans.
    rates : Rates
        The contract.
    known : Foreknown
        What it was given.

    Yields
    ------
    str
        A sentence without full stop.
    """
    for what, ask, rows in (
        ("load", settings.load_forecast, known.load),
        ("PV", settings.pv_forecast, known.pv),
    ):
        if isinstance(ask, StatedError):
            yield (
                f"the forecast of {what} is what happens, with an error of {100 * ask.error_frac:g} % of the mean: no"
                " controller has it, the saving is a ceiling for that error"
            )
        elif rows is not None and not rows.has_issue_times:
            yield f"the forecast of {what} does not say when it was issued; it counts as known from the start"
    if settings.prices_known_h is None and rates.has_price_series:
        yield f"prices of a series count as known {MARKET_KNOWN_H:g} h ahead (rolling.prices_known_h says otherwise)"
    regresses = "regression" in (settings.load_forecast, settings.pv_forecast)
    if regresses and known.before.n_steps and known.before.temperature_c is None:
        yield "regressions go without temperature, for the history has none"
    if not known.before.n_steps and (charge := _charge_that_stays(rates)) is not None:
        yield (
            f"rolling plans begin without a past, and a peak of the first days stays on '{charge}' for longer than a"
            " month; rolling.history gives them one"
        )


def _charge_that_stays(rates: Rates) -> str | None:
    """Return the name of a demand charge on which a peak stays for longer than a month; None where there is none."""
    for charge in rates.peak_charges:
        is_remembered = getattr(charge, "memory", None) is not None  # by a ratchet; contracted levels have none
        if is_remembered or charge.measure.periods.days.max(initial=0.0) > LONGEST_MONTH_DAYS:
            return charge.name
    return None
