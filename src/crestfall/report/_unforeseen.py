"""What a rolling plan did not foresee: in figures, in words and in a picture."""

import textwrap

import matplotlib.dates as mdates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from crestfall.control import ForecastErrors
from crestfall.report import _style as style
from crestfall.report._words import figures, later, moment, number, percent, say
from crestfall.study import Result, Unforeseen

FloatArray = NDArray[np.float64]
Row = tuple[str, ...]
ERRORS_HEAD: Row = (later("forecast"), later("MAPE"), later("mean error"), later("bias"), later("peak error"))
COSTLY_HEAD: Row = (
    later("when"),
    later("what"),
    later("forecast"),
    later("came"),
    later("import"),
    later("hindsight"),
    later("cost"),
)
MOST_DAYS = 6
LINE = 100  # characters, as the rest of the screen


def error_rows(found: Unforeseen) -> list[Row]:
    """
    Return how far the forecasts were from what happened.

    Parameters
    ----------
    found : Unforeseen
        Of a rolling plan.

    Returns
    -------
    list of tuple of str
        A row for load and, where there is any, one for PV, under `ERRORS_HEAD`.
    """
    rolled = found.rolled
    rows = [_errors(say("load"), rolled.load_errors)]
    return [*rows, _errors(say("PV"), rolled.pv_errors)] if rolled.pv_errors.mape_frac >= 0 else rows


def _errors(what: str, errors: ForecastErrors) -> Row:
    share = "–" if np.isnan(errors.mape_frac) else percent(errors.mape_frac)
    return what, share, f"{number(errors.mean_abs_kw, 1)} kW", _signed(errors.bias_kw), _signed(errors.peak_kw)


def _plain(power_kw: float) -> str:
    return number(power_kw)


def _signed(power_kw: float) -> str:
    return figures(f"{round(power_kw, 1) + 0.0:+,.1f} kW").replace("-", "−")


def costly_rows(found: Unforeseen) -> list[Row]:
    """
    Return the times that cost most.

    Parameters
    ----------
    found : Unforeseen
        Of a rolling plan.

    Returns
    -------
    list of tuple of str
        A row for each under `COSTLY_HEAD`, powers in kW.
    """
    return [
        (
            moment(one.start, "EEE dd MMM y" if one.hours > 12 else "EEE dd MMM y HH:mm"),
            one.what,
            *(_plain(power) for power in (one.expected_kw, one.happened_kw, one.import_kw, one.hindsight_kw)),
            number(one.cost),
        )
        for one in found.costliest
    ]


def trial_rows(found: Unforeseen, currency: str) -> list[tuple[str, str, str]]:
    """
    Return what would have helped: the change, what it saves more in the year, and what that is for each kWh it adds.

    Parameters
    ----------
    found : Unforeseen
        Of a rolling plan.
    currency : str
        Currency code.

    Returns
    -------
    list of tuple of str
        A row for each trial, what saves most first; none where the scenario does not ask for them.
    """
    return [
        (
            one.change,
            figures(f"{round(one.saves_more) + 0:+,} {currency}/a").replace("-", "−"),
            say("{more} for each kWh, before its price", more=number(one.saves_more / one.more_kwh, 1))
            if one.more_kwh
            else "",
        )
        for one in found.trials
    ]


def share_words(found: Unforeseen, currency: str) -> str:
    """
    Return in words how much of the distance to hindsight the listed times make up.

    Parameters
    ----------
    found : Unforeseen
        Of a rolling plan.
    currency : str
        Currency code.

    Returns
    -------
    str
        A sentence without full stop; empty where nothing was lost.
    """
    if found.explained_frac is None or not found.costliest:
        return ""
    listed = sum(one.cost for one in found.costliest)
    return say(
        "of {cost} {currency}/a that the plan pays more than hindsight, these {n} make up {listed}",
        cost=number(found.cost),
        currency=currency,
        n=len(found.costliest),
        listed=number(listed),
    )


def unforeseen_text(result: Result) -> str:
    """
    Return for a terminal what the rolling plan did not foresee.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    str
        Error figures, the costliest time, and what would have helped; empty without a rolling plan.
    """
    found, currency = result.unforeseen, result.inputs.scenario.ask.money.currency
    if found is None:
        return ""
    lines = [
        f"  forecast of {what}: MAPE {mape}, mean error {mean}, bias {bias}, highest peak {peak}"
        for what, mape, mean, bias, peak in error_rows(found)
    ]
    for one in found.costliest[:1]:
        powers = f"{_plain(one.expected_kw)} kW forecast, {_plain(one.happened_kw)} came"
        lines.append(f"  costliest: {one.what}, {one.start:%a %d %b %H:%M}: {powers}; {one.cost:,.0f} {currency}")
    for change, more, each in trial_rows(found, currency):
        lines.append(f"  saving with {change}: {more}{f' ({each})' if each else ''}")
    return "\n".join(textwrap.fill(line, LINE, subsequent_indent="    ", break_on_hyphens=False) for line in lines)


def draw_costliest_days(result: Result) -> Figure:
    """
    Draw the days in which the rolling plan lost most against hindsight.

    Parameters
    ----------
    result : Result
        A finished study with a rolling plan that lost something.

    Returns
    -------
    Figure
        A panel for each day: import without the battery as forecast and as it came, import with the battery, the
        target in force, and import with hindsight; the time that cost most is shaded.

    Raises
    ------
    ValueError
        If there is nothing to show.
    """
    found, case = result.unforeseen, result.rolling
    if found is None or case is None or not found.costliest:
        raise ValueError("there is no rolling plan that lost anything")
    inputs, start = result.inputs, result.inputs.series.start
    days = list(dict.fromkeys(one.start.normalize() for one in found.costliest))[:MOST_DAYS]
    n_rows = -(-len(days) // 2)
    figure = Figure(figsize=(style.WIDTH_IN, 0.7 + 2.2 * n_rows), layout="constrained")
    panels = figure.subplots(n_rows, 2, squeeze=False, sharey=True).ravel()
    lines: list[tuple[str, FloatArray, style.Look]] = [
        (say("without battery, forecast"), found.rolled.expected_net_kw, style.FORECAST),
        (say("without battery, as it came"), inputs.load_kw + inputs.auxiliary_kw - inputs.series.pv_kw, style.LOAD),
        (say("import, rolling"), case.readings.import_kw, style.IMPORT_AFTER),
        (say("import, hindsight"), result.hindsight.readings.import_kw, style.CEILING),
        (say("target in force"), np.where(np.isfinite(found.rolled.cap_kw), found.rolled.cap_kw, np.nan), style.TARGET),
    ]
    for ax, day in zip(panels, days, strict=False):
        steps = np.flatnonzero(np.asarray(start.normalize() == day))
        _draw_day(ax, result, slice(int(steps[0]), int(steps[-1]) + 1), lines)
        costs = [one for one in found.costliest if one.start.normalize() == day]
        for one in costs:
            if one.hours <= 12:
                ax.axvspan(*_edges(one.start, 1, one.hours), color="#f0c9b8", linewidth=0, zorder=0)
        total = sum(one.cost for one in costs)
        ax.set_title(f"{moment(day, 'EEE dd MMM y')}: {number(total)} {inputs.scenario.ask.money.currency}", fontsize=9)
    for ax in panels[len(days) :]:
        ax.remove()
    for ax in panels[: len(days) : 2]:
        ax.set_ylabel(say("power [kW]"))
    figure.legend(*panels[0].get_legend_handles_labels(), ncols=3, loc="outside upper center")
    figure.supxlabel(say("local time, {time_zone}", time_zone=inputs.scenario.ask.site.time_zone), fontsize=9)
    return figure


def _draw_day(ax: Axes, result: Result, day: slice, lines: list[tuple[str, FloatArray, style.Look]]) -> None:
    start, step_h = result.inputs.series.start[day], result.inputs.series.step_h
    edges = _edges(start[0], len(start), step_h)
    for label, power_kw, look in lines:
        ax.stairs(np.nan_to_num(power_kw[day], nan=np.nan), edges, baseline=None, label=label, **look)
    ax.set_xlim(edges[0], edges[-1])
    ax.xaxis.set_major_locator(mdates.HourLocator(byhour=range(0, 24, 6), tz=start.tz))
    ax.xaxis.set_major_formatter(mdates.DateFormatter("%H", tz=start.tz))


def _edges(first: pd.Timestamp, n_steps: int, step_h: float) -> FloatArray:
    stamps = [first + step * pd.Timedelta(hours=step_h) for step in range(n_steps + 1)]
    return np.asarray(mdates.date2num(stamps), dtype=np.float64)
