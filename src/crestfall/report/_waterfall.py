"""From the old bill to the new one, line by line: the one picture that shows why."""

import textwrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from crestfall.report import _style as style
from crestfall.report._words import later, number, say
from crestfall.study import Result

TITLE_WIDTH = 42  # characters, of the axes beside long names of lines
SMALL_FRAC = 0.02  # of the largest change: lines that move less are one bar
ROW_IN = 0.36


def bill_changes(result: Result) -> list[tuple[str, float]]:
    """
    Return what changes from the bill before to the bill after, in the order of the bill.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    list of tuple of str and float
        Name and change, negative for what is saved: a better contract first, if there is one; lines that hardly move
        together at the end. They add up to the bill after less the bill before.
    """
    table = result.savings_by_line()
    lines = [(str(line), -float(saved)) for line, saved in zip(table["line"], table["saved"], strict=True)]
    least = SMALL_FRAC * max((abs(change) for _, change in lines), default=0.0)
    shown = [one for one in lines if abs(one[1]) > least]
    rest = sum(change for _, change in lines if abs(change) <= least)
    if abs(rest) >= 0.5:  # less is rounding of the money that is shown
        shown.append((say("other lines"), rest))
    contract = -result.saving_by_contract
    return [(say("a better contract"), contract), *shown] if contract else shown


def draw_waterfall(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw how the old bill becomes the new one: a bar for what each line saves or costs more.

    The two bills are marks and not bars, so that the axis need not begin at zero.

    Parameters
    ----------
    result : Result
        A finished study.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    changes = bill_changes(result)
    if ax is None:
        height = max(style.FIRST_IN[1], 1.3 + ROW_IN * (len(changes) + 2))
        ax = Figure(figsize=(style.FIRST_IN[0], height), layout="constrained").subplots()
    before, after = result.before.bill_total, result.headline.bill_total
    amounts = np.array([change for _, change in changes])
    ends = before + np.cumsum(amounts)
    starts = ends - amounts
    rows = range(1, len(changes) + 1)
    for row, start, end in zip(rows, starts, ends, strict=True):
        look = style.SAVED_FILL if end <= start else style.DEARER_FILL
        ax.barh(row, end - start, 0.62, left=start, **look)
    # Each bar hands its end to the next.
    levels = np.array([before, *ends])
    ax.vlines(levels, np.arange(len(levels)) + 0.31, np.arange(len(levels)) + 0.69, color="#8a949a", linewidth=0.8)
    places, totals = (0, len(changes) + 1), (before, after)
    for place, total in zip(places, totals, strict=True):
        ax.plot([total, total], [place - 0.38, place + 0.38], color=style.LOAD["color"], linewidth=3)
    low, high = float(min(levels.min(), after)), float(max(levels.max(), before))
    room = max(high - low, 1.0)
    ax.set_xlim(low - 0.36 * room, high + 0.08 * room)
    for row, start, end in zip(rows, starts, ends, strict=True):
        _label(ax, number(end - start), min(start, end), row, "right")
    _label(ax, number(before), before, 0, "right", bold=True)
    _label(ax, number(after), after, places[1], "right", bold=True)
    names = [say("bill before"), *(name for name, _ in changes), say("bill after")]
    ax.set_yticks(range(len(names)), ["\n".join(textwrap.wrap(name, 22)) for name in names])
    for tick in ax.get_yticklabels():
        tick.set_parse_math(False)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.xaxis.set_major_locator(MaxNLocator(4))
    ax.xaxis.set_major_formatter(style.in_numbers())
    currency = result.inputs.scenario.ask.money.currency
    ax.set_xlabel(say("bill of the year [{currency}]", currency=currency))
    less = later("{change} {currency} less a year, {policy}")
    more = later("{change} {currency} more a year, {policy}")
    title = say(
        less if after <= before else more,
        change=number(abs(after - before)),
        currency=currency,
        policy=style.policy_words(result.headline.policy),
    )
    ax.set_title(textwrap.fill(title, TITLE_WIDTH), loc="left", x=0.0)
    ax.grid(visible=False, axis="y")
    return ax


def _label(ax: Axes, text: str, x: float, y: float, side: str, *, bold: bool = False) -> None:
    ax.annotate(
        text,
        (x, y),
        xytext=(-4 if side == "right" else 4, 0),
        textcoords="offset points",
        ha=side,
        va="center",
        fontsize=8.5,
        fontweight="bold" if bold else "normal",
    )
