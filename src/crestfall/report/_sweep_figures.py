"""Figures of a sweep: swings, lines with break-even points, a map of two axes, the spread, and which option is best."""

import math
import textwrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, Locator, MaxNLocator

from crestfall.report import _style as style
from crestfall.report._axis_form import AxisForm, form_of, option_words
from crestfall.report._compare_figures import MARK, MOST_BARS, RAMP, draw_distribution
from crestfall.report._words import later, number, say
from crestfall.study import SweepResult

MOST_LINES = 6  # panels of one figure
MOST_TICKS = 6
LABEL_WIDTH = 20  # characters of the names beside the swings
METRIC_WORDS = {"npv": later("net present value"), "saving": later("saving of the first year")}
BEHIND: style.Look = {"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.8}  # of labels on bars
LOW: style.Look = {"facecolor": "#b7cfc4", "edgecolor": "#5f8f7d", "linewidth": 0.6}
HIGH: style.Look = {"facecolor": "#37757d", "edgecolor": "#173f4f", "linewidth": 0.6, "hatch": "////"}


def metric_words(result: SweepResult) -> str:
    """
    Return what the figures of a sweep show, with its unit.

    Parameters
    ----------
    result : SweepResult
        The sweep.

    Returns
    -------
    str
        Words for an axis.
    """
    return f"{say(METRIC_WORDS[result.metric])} [{result.plan.base.ask.money.currency}]"


def draw_swings(result: SweepResult, ax: Axes | None = None) -> Axes | None:
    """
    Draw how far each axis alone moves the metric, the widest on top.

    Parameters
    ----------
    result : SweepResult
        The sweep.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes or None
        The axes; None where nothing moves alone.
    """
    if result.swings.empty:
        return None
    swings = result.swings.head(MOST_BARS + 4).iloc[::-1]
    ax = _axes(ax, width_in=style.FIRST_IN[0], height_in=max(3.0, 1.6 + 0.45 * len(swings)))
    center = float(result.at_levels()[result.metric].mean())
    forms = [form_of(result, name) for name in swings["axis"]]
    for place, (row, form) in enumerate(zip(swings.to_dict("records"), forms, strict=True)):
        ends = sorted(((later("low"), LOW), (later("high"), HIGH)), key=lambda one: -abs(row[f"at_{one[0]}"] - center))
        for end, look in ends:  # the farther first, where both lie on one side
            ax.barh(place, row[f"at_{end}"] - center, 0.62, left=center, label=say(end) if place == 0 else None, **look)
        left, right = sorted(("low", "high"), key=lambda end: row[f"at_{end}"])
        for end, side, offset in ((left, "right", -4), (right, "left", 4)):
            ax.annotate(form.bare(row[end]), (row[f"at_{end}"], place), xytext=(offset, 0), textcoords="offset points",
                        va="center", ha=side, fontsize=7.5, bbox=BEHIND)  # fmt: skip
    ax.axvline(center, color=style.LOAD["color"], linewidth=1.0)
    ax.set_yticks(range(len(swings)), [textwrap.fill(form.label, LABEL_WIDTH) for form in forms])
    for tick in ax.get_yticklabels():
        tick.set_parse_math(False)
    ax.margins(x=0.22)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel(metric_words(result))
    ax.xaxis.set_major_formatter(style.in_numbers())
    ax.xaxis.set_major_locator(MaxNLocator(4))
    ax.set_title(say("Each axis alone, from its lowest to its highest value"))
    ax.figure.legend(*ax.get_legend_handles_labels(), ncols=2, loc="outside lower right")
    return ax


def draw_lines(result: SweepResult) -> Figure | None:
    """
    Draw the metric over each listed axis of numbers, and where it crosses zero.

    Parameters
    ----------
    result : SweepResult
        The sweep.

    Returns
    -------
    Figure or None
        A panel for each axis; None where no axis lists numbers.
    """
    names = [name for name in result.numeric if len(result.around(name)) > 1][:MOST_LINES]
    if not names:
        return None
    columns = min(2, len(names))
    rows = -(-len(names) // columns)
    figure = Figure(figsize=(style.WIDTH_IN, 0.3 + 2.7 * rows), layout="constrained")
    panels = list(figure.subplots(rows, columns, squeeze=False).flat)
    for name, ax in zip(names, panels, strict=False):
        found = result.around(name).sort_values(name)
        form = form_of(result, name)
        ax.plot(form.factor * found[name], found[result.metric], marker="o", markersize=4, **style.CASH)
        if result.metric == "npv":
            ax.axhline(0, color=style.LOAD["color"], linewidth=0.8)
            for crossing in result.break_even(name):
                _mark_break_even(ax, form, crossing)
        ax.margins(x=0.08, y=0.12)
        ax.set_xlabel(form.label, parse_math=False)
        ax.set_ylabel(metric_words(result), fontsize=8)
        ax.xaxis.set_major_locator(_places(form.factor * found[name].to_numpy(dtype=float), is_whole=form.is_whole))
        ax.yaxis.set_major_formatter(style.in_numbers())
    for ax in panels[len(names) :]:
        ax.set_axis_off()
    return figure


def _places(values: "np.ndarray[tuple[int], np.dtype[np.float64]]", *, is_whole: bool) -> Locator:
    """Return where an axis has its ticks: at its own values, unless they are many or crowded."""
    if len(values) <= MOST_TICKS and np.diff(values).min() > np.ptp(values) / (2 * MOST_TICKS):
        return FixedLocator(values.tolist())
    return MaxNLocator(MOST_TICKS, integer=is_whole, steps=[1, 2, 2.5, 5, 10])


def _mark_break_even(ax: Axes, form: AxisForm, crossing: float) -> None:
    """Mark where the metric crosses zero; of whole numbers, between which two."""
    words = say("0 at {crossing}", crossing=form.full(crossing))
    if form.is_whole and crossing != round(crossing):
        words = say(
            "0 between {low} and {high}", low=form.bare(math.floor(crossing)), high=form.bare(math.ceil(crossing))
        )
    ax.plot([form.factor * crossing], [0], marker="D", color=MARK, linestyle="none", zorder=5)
    ax.annotate(words, (form.factor * crossing, 0), xytext=(6, 7), textcoords="offset points", fontsize=8, bbox=BEHIND)


def draw_map(result: SweepResult, ax: Axes | None = None) -> Axes | None:
    """
    Draw the metric over the first two listed axes.

    Parameters
    ----------
    result : SweepResult
        The sweep.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes or None
        The axes; None where two axes do not move together.
    """
    names = [name for name in result.listed if result.plan.frame[name].nunique() > 1][:2]
    if len(names) < 2 or result.plan.sweep.combine == "one_at_a_time":
        return None
    across, up = names
    table = result.around(across, up).pivot_table(index=up, columns=across, values=result.metric)
    ax = _axes(ax, height_in=1.4 + 0.42 * len(table))
    image = ax.imshow(table.to_numpy(), origin="lower", aspect="auto", cmap=RAMP)
    columns, rows = form_of(result, across), form_of(result, up)
    ax.set_xticks(range(table.shape[1]), [columns.bare(value) for value in table.columns])
    ax.set_yticks(range(table.shape[0]), [rows.bare(value) for value in table.index])
    ax.set_xlabel(columns.label, parse_math=False)
    ax.set_ylabel(rows.label, parse_math=False)
    ax.grid(visible=False)
    middle = 0.5 * (np.nanmax(table.to_numpy()) + np.nanmin(table.to_numpy()))
    if table.size <= 80:
        for (y, x), value in np.ndenumerate(table.to_numpy()):
            text = "–" if np.isnan(value) else number(value)
            color = "white" if value > middle else style.LOAD["color"]
            ax.text(x, y, text, ha="center", va="center", fontsize=7.5, color=color)
    figure = ax.figure
    figure.colorbar(image, ax=ax, format=style.in_numbers())
    words = metric_words(result)
    ax.set_title(f"{words[0].upper()}{words[1:]}" + (say(", mean of the draws") if "draw" in result.table else ""))
    return ax


def draw_spread(result: SweepResult, ax: Axes | None = None) -> Axes:
    """
    Draw the distribution of the metric with P10, P50, P90 and the share below 0.

    Parameters
    ----------
    result : SweepResult
        The sweep.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    ax = _axes(ax, height_in=3.6)
    draw_distribution(ax, result.spread_values(), metric_words(result))
    is_drawn = result.plan.sweep.draws is not None
    ax.set_ylabel(say("draws") if is_drawn else say("cases"))
    ax.set_title(
        say("All draws, listed axes as in the base") if is_drawn else say("All cases, as if they were equally likely")
    )
    return ax


def draw_choices(result: SweepResult, ax: Axes | None = None) -> Axes | None:
    """
    Draw how often each option is the best, all else equal.

    Parameters
    ----------
    result : SweepResult
        The sweep.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes or None
        The axes; None where no axis moves the option.
    """
    choices = result.choices
    if choices is None:
        return None
    shown = choices[choices["best_share_frac"] > 0].head(MOST_BARS).iloc[::-1]
    ax = _axes(ax, height_in=1.3 + 0.42 * max(len(shown), 1))
    bars = ax.barh(
        [option_words(result, name) for name in shown["option"]],
        100 * shown["best_share_frac"],
        0.66,
        **style.HEALTH_FILL,
    )
    for bar, regret in zip(bars, shown["mean_regret"], strict=True):
        words = say("{share} %, gives away {regret} on average", share=number(bar.get_width()), regret=number(regret))
        ax.annotate(words, (bar.get_width(), bar.get_y() + bar.get_height() / 2), xytext=(4, 0),
                    textcoords="offset points", va="center", fontsize=8)  # fmt: skip
    ax.set_xlim(0, 145)
    ax.set_xticks(range(0, 101, 20))
    ax.set_xlabel(say("share of all that may come [%]"))
    ax.set_ylim(-0.6, len(shown) - 0.4)
    ax.set_title(say("How often an option is the best, all else equal"))
    ax.grid(visible=False, axis="y")
    return ax


def _axes(ax: Axes | None, *, height_in: float, width_in: float = style.WIDTH_IN) -> Axes:
    return ax if ax is not None else Figure(figsize=(width_in, height_in), layout="constrained").subplots()
