"""Two options side by side, on the same axes: a week, the bills, the years."""

import matplotlib.dates as mdates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from crestfall.report import _style as style
from crestfall.report._figures import in_order, period_label
from crestfall.report._retold import retold
from crestfall.report._week import most_telling_week
from crestfall.report._words import date, figures, percent, say
from crestfall.study import Result

# The first and the second of two options, wherever they stand side by side.
FIRST: style.Look = {"color": "#0f7f86", "linewidth": 1.6, "linestyle": "-"}
SECOND: style.Look = {"color": "#6b2f78", "linewidth": 1.6, "linestyle": (0, (4, 1.4))}
FILLS: tuple[style.Look, ...] = (
    {"facecolor": "#d3d9dd", "edgecolor": "#8a949a", "linewidth": 0.5},
    {"facecolor": "#37757d", "edgecolor": "#173f4f", "linewidth": 0.5},
    {"facecolor": "#c9c3d6", "edgecolor": "#6b2f78", "linewidth": 0.5, "hatch": "////"},
)
Pair = tuple[Result, Result]


def draw_pair_week(pair: Pair) -> Figure:
    """
    Draw the week that shows best what the larger of two options earns: import and how full both are.

    Parameters
    ----------
    pair : tuple of Result
        Two options at one site.

    Returns
    -------
    Figure
        One panel for the meter and one for the store.
    """
    larger = max(pair, key=lambda one: one.inputs.plant.nominal_kwh)
    week = most_telling_week(larger)
    start = larger.inputs.series.start[week]
    edges = [*start, start[-1] + (start[1] - start[0])]
    figure = Figure(figsize=(style.WIDTH_IN, 6.0), layout="constrained")
    meter, store = figure.subplots(2, 1, sharex=True, height_ratios=(1.6, 1.2))
    meter.stairs(larger.before.import_kw[week], mdates.date2num(edges), baseline=None, label=say("import before"),
                 **style.IMPORT_BEFORE)  # fmt: skip
    for result, look in zip(pair, (FIRST, SECOND), strict=True):
        frame, plant = result.schedule_frame().iloc[week], result.inputs.plant
        name = retold(str(plant.option))
        meter.stairs(frame["import_kw"].to_numpy(), mdates.date2num(edges), baseline=None, label=name, **look)
        if plant.option.is_battery:
            full = 100 * frame["stored_kwh"].to_numpy() / plant.nominal_kwh
            store.plot(mdates.date2num(edges[1:]), full, label=name, **look)
    meter.set_ylim(bottom=0)
    meter.set_ylabel(say("import [kW]"))
    meter.set_title(
        say("Week of {day}, {policy}", day=date(start[0].date()), policy=style.policy_words(larger.headline.policy))
    )
    figure.legend(handles=meter.get_legend_handles_labels()[0], ncols=3, loc="outside upper center")
    store.set_ylim(0, 100)
    store.set_ylabel(say("stored [% of nominal]"))
    store.xaxis.set_major_locator(mdates.DayLocator(tz=start.tz))
    store.xaxis.set_major_formatter(style.in_days("EEE dd MMM", start.tz))
    store.set_xlim(mdates.date2num(edges[0]), mdates.date2num(edges[-1]))
    store.set_xlabel(say("local time, {time_zone}", time_zone=larger.inputs.scenario.ask.site.time_zone))
    return figure


def draw_pair_bills(pair: Pair, ax: Axes | None = None) -> Axes:
    """
    Draw the bill of each period without a battery and with either option.

    Parameters
    ----------
    pair : tuple of Result
        Two options at one site.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    ax = _axes(ax, height_in=3.8)
    first, second = pair
    bills = {
        say("no battery"): first.reference.bill,
        retold(str(first.inputs.plant.option)): first.headline.bill,
        retold(str(second.inputs.plant.option)): second.headline.bill,
    }
    periods = list(dict.fromkeys(period for one in pair for period in in_order(one)))
    width = 0.27
    for at, ((name, bill), look) in enumerate(zip(bills.items(), FILLS, strict=True)):
        amounts = bill.groupby("period")["amount"].sum().reindex(periods).fillna(0.0)
        ax.bar(np.arange(len(periods)) + (at - 1) * width, amounts, width, label=name, **look)
    ax.set_xticks(np.arange(len(periods)), [period_label(period) for period in periods])
    ax.set_ylabel(say("bill [{currency} a period]", currency=first.inputs.scenario.ask.money.currency))
    ax.yaxis.set_major_formatter(style.in_numbers())
    ax.set_title(say("Bill by period, {policy}", policy=style.policy_words(first.headline.policy)))
    ax.grid(visible=False, axis="x")
    ax.legend(ncols=3, loc="upper center", bbox_to_anchor=(0.5, -0.16))
    return ax


def draw_pair_years(pair: Pair) -> Figure:
    """
    Draw the cash of two options, summed and discounted where there is a rate, and their state of health.

    Parameters
    ----------
    pair : tuple of Result
        Two options with a life.

    Returns
    -------
    Figure
        One panel for cash and one for health.

    Raises
    ------
    ValueError
        If one of them has no life.
    """
    figure = Figure(figsize=(style.WIDTH_IN, 3.9), layout="constrained")
    cash, health = figure.subplots(1, 2)
    money = pair[0].inputs.scenario.ask.money
    column = "cumulative" if money.discount is None else "cumulative_discounted"
    for result, look in zip(pair, (FIRST, SECOND), strict=True):
        if result.life is None:
            raise ValueError(f"{result.inputs.plant.option} has no life")
        frame, name = result.life.appraisal.frame, retold(str(result.inputs.plant.option))
        cash.plot(frame.index, frame[column], marker="o", markersize=3, label=name, **look)
        years = result.life.years
        health.plot([one.year for one in years], [100 * one.health_end_frac for one in years], marker="o",
                    markersize=3, label=name, **look)  # fmt: skip
    end = 100 * pair[0].inputs.scenario.catalogue.rack.end_of_life_health_frac
    health.axhline(
        end, color="#20303c", linewidth=1.0, linestyle="--", label=say("end of life, {end} %", end=figures(f"{end:g}"))
    )
    cash.axhline(0, color="#20303c", linewidth=0.8)
    title = say("Cash so far")
    if money.discount is not None:
        title = say("Cash so far, discounted at {rate}", rate=percent(money.discount.rate_frac))
    cash.set_title(title)
    cash.set_ylabel(say("sum of cash [{currency}]", currency=money.currency))
    cash.yaxis.set_major_formatter(style.in_numbers())
    health.set_title(say("State of health"))
    health.set_ylabel(say("at the end of the year [%]"))
    for ax in (cash, health):
        ax.set_xlabel(say("year of operation"))
        ax.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=8))
        ax.legend(ncols=2, loc="upper center", bbox_to_anchor=(0.5, -0.16))
    return figure


def _axes(ax: Axes | None, *, height_in: float) -> Axes:
    return ax if ax is not None else Figure(figsize=(style.WIDTH_IN, height_in), layout="constrained").subplots()
