"""Figures of a comparison: maps over racks and modules, capital against saving, and how sure the choice is."""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from crestfall.plant import Option
from crestfall.report import _style as style
from crestfall.report._retold import retold
from crestfall.report._words import figures, number, say
from crestfall.study import Comparison, CriterionName

MARK = "#c2351f"  # of the best option, on all figures of a comparison
BADGE = {"facecolor": "white", "edgecolor": MARK, "linewidth": 1.2, "boxstyle": "round,pad=0.2"}
MOST_BARS = 8
MOST_BINS = 24  # of a histogram; fewer where there are few values
FEW_BARS = 3  # room for so many is left, lest one alone fills the figure
FEW_COLUMNS = 6  # of a map beside the answer: with no more there is room for larger figures
# What the options are ranked by, as a column of the table.
COLUMN_OF: dict[CriterionName, str] = {
    "npv": "npv",
    "payback": "payback_years",
    "irr": "irr_frac",
    "saving_per_capital": "saving_per_capital",
    "saving": "saving",
    "saving_target": "capital",
    "peak_target": "capital",
}
RAMP = LinearSegmentedColormap.from_list("crestfall", style.PRICE_RAMP)
MOST_CELLS_WITH_FIGURES = 64  # of one map; beyond, figures would overlap


Dash = str | tuple[int, tuple[float, float]]


class MapOf(NamedTuple):
    """What a map shows: a column of the table, its title, how a value is written, whether less is better."""

    column: str
    title: str
    form: str
    factor: float = 1.0
    less_is_better: bool = False


def maps_of(comparison: Comparison) -> list[MapOf]:
    """
    Return the maps that a comparison has figures for.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    list of MapOf
        Four of them: net present value, payback, saving, self-consumption, or what stands in for one that is unknown.
    """
    table, known = comparison.table, _every_map(comparison.inputs.scenario.ask.money.currency)
    has_npv = table.loc[table["racks"] > 0, "npv"].notna().any()
    has_pv = table["self_consumption_frac"].notna().any()
    columns = ("npv" if has_npv else "saving_per_capital", "payback_years", "saving")
    return [known[column] for column in (*columns, "self_consumption_frac" if has_pv else "peak_import_kw")]


def _every_map(currency: str) -> dict[str, MapOf]:
    every = (
        MapOf("npv", say("Net present value [1000 {currency}]", currency=currency), "{:,.1f}", 1e-3),
        MapOf("payback_years", say("Payback [years]"), "{:.1f}", less_is_better=True),
        MapOf("irr_frac", say("Rate of return [%]"), "{:.1f}", 100.0),
        MapOf("saving_per_capital", say("Saving per {currency} of capital [1/a]", currency=currency), "{:.3f}"),
        MapOf("saving", say("Saving of the first year [1000 {currency}]", currency=currency), "{:,.1f}", 1e-3),
        MapOf("capital", say("Capital less grants [1000 {currency}]", currency=currency), "{:,.1f}", 1e-3, True),
        MapOf("self_consumption_frac", say("Self-consumption of PV [%]"), "{:.1f}", 100.0),
        MapOf("peak_import_kw", say("Highest import [kW]"), "{:,.0f}", less_is_better=True),
    )
    return {one.column: one for one in every}


def draw_choice(comparison: Comparison, ax: Axes | None = None) -> Axes:
    """
    Draw what the options are ranked by over racks and modules, the recommendation framed.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes; a cross stands where an option cannot be had, a dash where it is no candidate.
    """
    racks, modules = _grid(comparison)
    if ax is None:
        height = min(max(style.FIRST_IN[1], 1.0 + 0.27 * len(racks)), 7.0)
        ax = Figure(figsize=(style.FIRST_IN[0], height), layout="constrained").subplots()
    one = _every_map(comparison.inputs.scenario.ask.money.currency)[COLUMN_OF[comparison.terms.criterion.name]]
    table = comparison.table
    candidates = table.assign(**{one.column: table[one.column].where(table["score"] > -np.inf)})
    size = 8.5 if len(modules) <= FEW_COLUMNS else 7.0
    _draw_map(ax, candidates, one, racks, modules, comparison.recommendation, size)
    return ax


def draw_maps(comparison: Comparison) -> Figure:
    """
    Draw four figures of each option over racks and modules, the recommendation marked.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    Figure
        Four panels; a cross stands where an option cannot be had.
    """
    racks, modules = _grid(comparison)
    height = min(11.0, 2 * (1.15 + 0.27 * len(racks)) + 0.3)
    figure = Figure(figsize=(style.WIDTH_IN, height), layout="constrained")
    for ax, one in zip(figure.subplots(2, 2).flat, maps_of(comparison), strict=True):
        _draw_map(ax, comparison.table, one, racks, modules, comparison.recommendation)
    return figure


def _grid(comparison: Comparison) -> tuple[list[int], list[int]]:
    options = [one.option for one in comparison.options if one.option.is_battery]
    options += [option for option, _ in comparison.refused]
    return sorted({one.racks for one in options}), sorted({one.modules for one in options})


def _draw_map(
    ax: Axes, table: pd.DataFrame, one: MapOf, racks: list[int], modules: list[int], best: Option, size: float = 7.0
) -> None:
    table = table[table["racks"] > 0]
    values = table.pivot_table(index="racks", columns="modules", values=one.column, dropna=False)
    shown = one.factor * values.reindex(index=racks, columns=modules).to_numpy(dtype=float)
    cmap = RAMP.reversed() if one.less_is_better else RAMP
    low, high = (np.nanmin(shown), np.nanmax(shown)) if np.isfinite(shown).any() else (0.0, 1.0)
    if low == high:  # a single figure has the middle of the ramp, on which it can be read
        low, high = low - 1.0, high + 1.0
    ax.imshow(np.ma.masked_invalid(shown), origin="lower", aspect="auto", cmap=cmap, vmin=low, vmax=high)
    ax.set_xticks(range(len(modules)), [str(count) for count in modules])
    ax.set_yticks(range(len(racks)), [str(count) for count in racks])
    ax.set_xlabel(say("modules"))
    ax.set_ylabel(say("racks"))
    ax.set_title(one.title)
    ax.grid(visible=False)
    there = {(int(row["racks"]), int(row["modules"])) for _, row in table.iterrows()}
    for y, x in np.ndindex(shown.shape):
        here = (racks[y], modules[x])
        if here not in there:
            ax.text(x, y, "×", ha="center", va="center", color="#8a949a", fontsize=9)
        elif shown.size <= MOST_CELLS_WITH_FIGURES:
            value = shown[y, x]
            depth = 0.5 if np.isnan(value) else (value - low) / (high - low)
            dark = depth < 0.4 if one.less_is_better else depth > 0.6
            text = "–" if np.isnan(value) else figures(one.form.format(value)).replace("-", "−")
            ax.text(x, y, text, ha="center", va="center", fontsize=size, color="white" if dark else style.LOAD["color"],
                    fontweight="bold" if here == (best.racks, best.modules) else "normal")  # fmt: skip
    if best.is_battery:
        corner = (modules.index(best.modules) - 0.5, racks.index(best.racks) - 0.5)
        ax.add_patch(Rectangle(corner, 1, 1, fill=False, edgecolor=MARK, linewidth=2.2, zorder=5, clip_on=False))


def draw_frontier(comparison: Comparison, ax: Axes | None = None) -> Axes:
    """
    Draw capital against the saving of the first year, and the options that save more than every cheaper one.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    ax = _axes(ax, height_in=4.3)
    currency = comparison.inputs.scenario.ask.money.currency
    table, frontier = comparison.table, comparison.frontier
    ax.scatter(table["capital"], table["saving"], s=22, color="#9fabb3", label=say("an option"), zorder=2)
    look = style.IMPORT_AFTER | {"marker": "o", "markersize": 5}
    ax.plot(frontier["capital"], frontier["saving"], label=say("saves more than every cheaper one"), zorder=3, **look)
    place = None
    for _, row in frontier.iterrows():
        here = np.array(
            [row["capital"] / max(table["capital"].max(), 1), row["saving"] / max(table["saving"].max(), 1)]
        )
        if place is not None and np.abs(here - place).max() < 0.045:
            continue  # its label would lie on that of the one before
        place = here
        words = f"{row['racks']:.0f} × {row['modules']:.0f}" if row["racks"] else say("no battery")
        ax.annotate(words, (row["capital"], row["saving"]), xytext=(-4, 5) if row["capital"] else (6, -8),
                    textcoords="offset points", fontsize=8, ha="right" if row["capital"] else "left")  # fmt: skip
    best = table.iloc[0]
    ring: style.Look = {"facecolors": "none", "edgecolors": MARK, "linewidths": 2.0}
    ax.scatter([best["capital"]], [best["saving"]], s=120, zorder=4, label=say("recommended"), **ring)
    ax.set_xlabel(say("capital less grants [{currency}]", currency=currency))
    ax.set_ylabel(say("saving of the first year [{currency}]", currency=currency))
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(style.in_numbers())
    ax.set_title(say("What capital saves; labels are racks × modules"))
    ax.legend(loc="lower right")
    return ax


def draw_doubt(comparison: Comparison) -> Figure:
    """
    Draw how often each option is best when load, prices, fade and capital cost are drawn, and what the first is worth.

    Parameters
    ----------
    comparison : Comparison
        A comparison with draws.

    Returns
    -------
    Figure
        Two panels.

    Raises
    ------
    ValueError
        If doubt was left out.
    """
    doubt, scores = comparison.doubt, comparison.scores
    if doubt is None or scores is None:
        raise ValueError("the comparison was made without draws")
    figure = Figure(figsize=(style.WIDTH_IN, 3.9), layout="constrained")
    left, right = figure.subplots(1, 2)
    _draw_shares(left, comparison, doubt)
    batteries = comparison.table[comparison.table["racks"] > 0]  # no battery is worth the same in all draws
    first = (comparison.table if batteries.empty else batteries).iloc[0]
    shown = Option(int(first["racks"]), int(first["modules"]))
    mine = scores[:, [one.option for one in comparison.options].index(shown)]
    draw_distribution(right, mine[np.isfinite(mine)], score_words(comparison))
    title = retold(str(shown))
    right.set_title(f"{title[0].upper()}{title[1:]}")
    return figure


def score_words(comparison: Comparison) -> str:
    """
    Return what the score of a comparison's criterion measures, with its unit.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        Words for an axis.
    """
    currency = comparison.inputs.scenario.ask.money.currency
    return {
        "npv": say("net present value [{currency}]", currency=currency),
        "payback": say("payback, counted down [years]"),
        "irr": say("rate of return [share a year]"),
        "saving_per_capital": say("saving per {currency} of capital [1/a]", currency=currency),
        "saving": say("saving of the first year [{currency}]", currency=currency),
    }.get(comparison.terms.criterion.name, say("capital, counted down [{currency}]", currency=currency))


def draw_distribution(ax: Axes, values: "np.ndarray[tuple[int], np.dtype[np.float64]]", words: str) -> None:
    """
    Draw a histogram with its tenth, fiftieth and ninetieth percentile, and the share below zero.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    values : ndarray of shape (n,)
        The values.
    words : str
        What they are, with the unit.
    """
    ax.set_xlabel(words)
    ax.set_ylabel(say("draws"))
    if not len(values):
        ax.text(0.5, 0.5, say("no candidate in any draw"), transform=ax.transAxes, ha="center")
        return
    ax.hist(values, bins=min(MOST_BINS, 2 * math.ceil(math.sqrt(len(values)))), **style.CASH_FILL)
    lower, middle, upper = np.quantile(values, [0.1, 0.5, 0.9])
    top = ax.get_ylim()[1]
    ax.set_ylim(0, 1.34 * top)
    # P10 to the left of its line, P90 to the right and P50 above both, so that none lies on another however close.
    marks: tuple[tuple[str, float, Dash, float, int], ...] = (
        ("P10", lower, (0, (1, 1.2)), 1.04, -2),
        ("P50", middle, "-", 1.14, 0),
        ("P90", upper, (0, (4, 1.6)), 1.04, 2),
    )
    for name, value, dash, height, aside in marks:
        ax.vlines(value, 0, 1.12 * top, color=style.STORE["color"], linewidth=1.3, linestyle=dash)
        side = "center" if not aside else "left" if aside > 0 else "right"
        ax.annotate(name, (value, height * top), xytext=(aside, 0), textcoords="offset points", fontsize=8, ha=side)
    below = float((values < 0).mean())
    if 0 < below < 1:
        ax.vlines(0, 0, 1.12 * top, color=MARK, linewidth=1.2)
    ax.text(  # in a row of its own above bars and percentiles
        1.0,
        0.93,
        say("below 0: {below} %", below=number(100 * below)),
        transform=ax.transAxes,
        ha="right",
        fontsize=8.5,
    )
    ax.xaxis.set_major_formatter(style.in_numbers(0 if np.abs(values).max() > 100 else 2))
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.yaxis.set_major_locator(MaxNLocator(integer=True))
    ax.grid(visible=False, axis="x")


def _draw_shares(ax: Axes, comparison: Comparison, doubt: pd.DataFrame) -> None:
    shown = doubt[doubt["best_share_frac"] > 0].head(MOST_BARS).iloc[::-1]
    best = comparison.recommendation
    options = list(zip(shown["racks"].tolist(), shown["modules"].tolist(), strict=True))
    names = [f"{r} × {m}" if r else say("no battery") for r, m in options]
    is_first = [one == (best.racks, best.modules) for one in options]
    shares = shown["best_share_frac"].tolist()
    if comparison.no_candidate_frac:
        names, is_first = [say("no option"), *names], [False, *is_first]
        shares = [comparison.no_candidate_frac, *shares]
    bars = ax.barh(names, [100 * share for share in shares], 0.7, **style.HEALTH_FILL)
    for bar, first, share in zip(bars, is_first, shares, strict=True):
        if first:
            bar.set(edgecolor=MARK, linewidth=2.0)
        ax.annotate(f"{100 * share:.0f} %", (bar.get_width(), bar.get_y() + bar.get_height() / 2), xytext=(4, 0),
                    textcoords="offset points", va="center", fontsize=8)  # fmt: skip
    ax.set_ylim(min(0, len(shares) - FEW_BARS) - 0.6, len(shares) - 0.4)
    ax.set_xlim(0, 100)
    ax.set_xlabel(
        say("share of {n} draws [%]", n=number(len(comparison.draws if comparison.draws is not None else ())))
    )
    ax.set_title(say("How often an option is best"))
    ax.grid(visible=False, axis="y")


def _axes(ax: Axes | None, *, height_in: float) -> Axes:
    return ax if ax is not None else Figure(figsize=(style.WIDTH_IN, height_in), layout="constrained").subplots()
