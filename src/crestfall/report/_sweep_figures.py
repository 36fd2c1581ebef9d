"""Figures of a sweep: swings, lines with break-even points, a map of two axes, the spread, and which option is best."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from crestfall.report import _style as style
from crestfall.report._compare_figures import MARK, MOST_BARS, RAMP, draw_distribution
from crestfall.report._words import later, number, say
from crestfall.study import SweepResult

MOST_LINES = 6  # panels of one figure
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
    ax = _axes(ax, height_in=1.3 + 0.45 * max(len(swings), 1))
    center = float(result.at_levels()[result.metric].mean())
    for place, row in enumerate(swings.to_dict("records")):
        ends = sorted(((later("low"), LOW), (later("high"), HIGH)), key=lambda one: -abs(row[f"at_{one[0]}"] - center))
        for end, look in ends:  # the farther first, where both lie on one side
            ax.barh(place, row[f"at_{end}"] - center, 0.62, left=center, label=say(end) if place == 0 else None, **look)
        left, right = sorted(("low", "high"), key=lambda end: row[f"at_{end}"])
        for end, side, offset in ((left, "right", -4), (right, "left", 4)):
            ax.annotate(_shown(row[end]), (row[f"at_{end}"], place), xytext=(offset, 0), textcoords="offset points",
                        va="center", ha=side, fontsize=7.5, bbox=BEHIND)  # fmt: skip
    ax.axvline(center, color=style.LOAD["color"], linewidth=1.0)
    ax.set_yticks(range(len(swings)), [str(name) for name in swings["axis"]])
    ax.margins(x=0.16)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel(metric_words(result))
    ax.xaxis.set_major_formatter(style.in_numbers())
    ax.xaxis.set_major_locator(MaxNLocator(7))
    ax.set_title(say("What moves it: each axis alone, from its lowest to its highest value"))
    ax.legend(ncols=2, loc="upper left", bbox_to_anchor=(0.0, -0.2 - 0.3 / max(len(swings), 1)))
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
    panels = figure.subplots(rows, columns, squeeze=False).flat
    for ax, name in zip(panels, names, strict=False):
        found = result.around(name).sort_values(name)
        ax.plot(found[name], found[result.metric], marker="o", markersize=4, **style.CASH)
        if result.metric == "npv":
            ax.axhline(0, color=style.LOAD["color"], linewidth=0.8)
            for crossing in result.break_even(name):
                ax.plot([crossing], [0], marker="D", color=MARK, linestyle="none", zorder=5)
                ax.annotate(
                    say("0 at {crossing}", crossing=f"{crossing:.4g}"),
                    (crossing, 0),
                    xytext=(6, 7),
                    textcoords="offset points",
                    fontsize=8,
                )
        ax.set_xlabel(name)
        ax.set_ylabel(metric_words(result), fontsize=8)
        ax.yaxis.set_major_formatter(style.in_numbers())
    for ax in list(panels):
        ax.set_axis_off()
    return figure


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
    ax.set_xticks(range(table.shape[1]), [_shown(value) for value in table.columns])
    ax.set_yticks(range(table.shape[0]), [_shown(value) for value in table.index])
    ax.set_xlabel(across)
    ax.set_ylabel(up)
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
    bars = ax.barh(shown["option"], 100 * shown["best_share_frac"], 0.66, **style.HEALTH_FILL)
    for bar, regret in zip(bars, shown["mean_regret"], strict=True):
        words = say("{share} %, gives away {regret} on average", share=number(bar.get_width()), regret=number(regret))
        ax.annotate(words, (bar.get_width(), bar.get_y() + bar.get_height() / 2), xytext=(4, 0),
                    textcoords="offset points", va="center", fontsize=8)  # fmt: skip
    ax.set_xlim(0, 145)
    ax.set_xticks(range(0, 101, 20))
    ax.set_xlabel(say("share of all that may come [%]"))
    ax.set_ylabel(" × ".join(result.option_axes))
    ax.set_title(say("How often an option is the best, all else equal"))
    ax.grid(visible=False, axis="y")
    return ax


def _shown(value: object) -> str:
    """Return a value of an axis, a file by its name."""
    if isinstance(value, float | int):
        return f"{value:.4g}"
    return str(value).rsplit("/", 1)[-1]


def _axes(ax: Axes | None, *, height_in: float) -> Axes:
    return ax if ax is not None else Figure(figsize=(style.WIDTH_IN, height_in), layout="constrained").subplots()
