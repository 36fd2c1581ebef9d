"""Figures of the years of life: health with its causes, savings by line, cash until it has come back."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from crestfall.report import _style as style
from crestfall.report._words import later, number, say
from crestfall.study import Life, Result

# What is used of each limit of a warranty.
USED_WORDS = {
    "cycles_margin": later("cycles of the year"),
    "cycles_total_margin": later("cycles in all"),
    "throughput_total_margin_mwh": later("throughput in all"),
    "mean_soc_margin_frac": later("mean state of charge"),
    "health_margin_frac": later("loss of health"),
}


def draw_health(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw what is left of the racks at the end of each year, and what standing and cycles took.

    Parameters
    ----------
    result : Result
        A finished study with a life.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    life, ax = _life(result), _axes(ax, height_in=3.9)
    used = [one for one in life.years if one.racks]
    year = np.array([one.year for one in used])
    health, by_age, by_cycles = (
        100 * np.array([getattr(one, name) for one in used])
        for name in ("health_end_frac", "calendar_loss_frac", "cycle_loss_frac")
    )
    ax.bar(year, health, 0.74, label=say("left at the end of the year"), **style.HEALTH_FILL)
    ax.bar(year, by_cycles, 0.74, bottom=health, label=say("lost by cycles"), **style.CYCLE_LOSS_FILL)
    ax.bar(year, by_age, 0.74, bottom=health + by_cycles, label=say("lost by age"), **style.AGE_LOSS_FILL)
    rack = result.inputs.scenario.catalogue.rack
    end = 100 * rack.end_of_life_health_frac
    ax.axhline(end, color="#20303c", linewidth=1.0, linestyle="--", label=say("end of life, {end} %", end=f"{end:g}"))
    _draw_guarantee(ax, result, life)
    for one in used:
        if one.purchase is not None:
            words = say("{racks} new", racks=one.purchase.racks)
            ax.annotate(words, (one.year, 100), xytext=(0, 2), textcoords="offset points", ha="center", fontsize=8)
    lowest = min(float(health.min(initial=100.0)), end)
    ax.set_ylim(max(0.0, 10 * np.floor(lowest / 10) - 10), 103)
    _year_axis(ax, life)
    ax.set_ylabel(say("share of the energy when new [%]"))
    ax.set_title(say("State of health and what took the rest"))
    ax.legend(ncols=3, loc="upper center", bbox_to_anchor=(0.5, -0.16))
    return ax


def draw_cash(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw the sum of all cash so far, as it is and discounted, with the payback of both.

    Parameters
    ----------
    result : Result
        A finished study with a life.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    life, ax = _life(result), _axes(ax, height_in=3.9)
    money, frame, found = result.inputs.scenario.ask.money, life.appraisal.frame, life.appraisal.without_debt
    year = frame.index.to_numpy()
    ax.bar(year, frame["cash"], 0.62, label=say("cash of the year"), **style.CASH_FILL)
    ax.axhline(0, color="#20303c", linewidth=0.8)
    ax.plot(year, frame["cumulative"], marker="o", markersize=3.5, label=say("sum so far"), **style.CASH)
    _mark_payback(ax, found.payback_years, say("paid back after"), style.CASH, len(life.years), above=True)
    if money.discount is not None:
        rate = f"{100 * money.discount.rate_frac:g} % {money.discount.terms}"
        discounted = frame["cumulative_discounted"]
        ax.plot(
            year,
            discounted,
            marker="s",
            markersize=3.5,
            label=say("discounted at {rate}", rate=rate),
            **style.CASH_DISCOUNTED,
        )
        _mark_payback(
            ax,
            found.discounted_payback_years,
            say("discounted: after"),
            style.CASH_DISCOUNTED,
            len(life.years),
            above=False,
        )
    _year_axis(ax, life, first=0)
    ax.margins(y=0.1)
    ax.set_ylabel(
        say("cash after tax [{currency}]", currency=money.currency)
        if money.tax
        else say("cash [{currency}]", currency=money.currency)
    )
    ax.yaxis.set_major_formatter(style.in_numbers())
    ax.set_title(say("Cash through the years, without debt"))
    ax.legend(ncols=3, loc="upper center", bbox_to_anchor=(0.5, -0.16))
    return ax


def draw_yearly_savings(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw what the battery saves in each year by line of the bill.

    Parameters
    ----------
    result : Result
        A finished study with a life.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    life, ax = _life(result), _axes(ax, height_in=4.2)
    saved = life.project.line_savings
    shown = [place for place in range(saved.shape[1]) if np.abs(saved[:, place]).max() >= 0.5]
    year = np.arange(1, len(saved) + 1)
    up, down = np.zeros(len(saved)), np.zeros(len(saved))
    for at, place in enumerate(shown):
        amounts = saved[:, place]
        ax.bar(
            year,
            amounts,
            0.74,
            bottom=np.where(amounts >= 0, up, down),
            color=style.BILL_FILLS[at % len(style.BILL_FILLS)],
            hatch="////" if at % 4 == 3 else None,
            edgecolor="white",
            linewidth=0.4,
            label=life.project.lines[place],
        )
        up, down = up + np.maximum(amounts, 0), down + np.minimum(amounts, 0)
    ax.plot(
        year, life.project.savings, marker="o", markersize=5, markerfacecolor="white", label=say("in all"), **style.LOAD
    )
    ax.axhline(0, color="#20303c", linewidth=0.8)
    _year_axis(ax, life)
    ax.use_sticky_edges = False  # the seams inside a stack would take the margin above it
    ax.margins(y=0.06)
    ax.set_ylabel(say("saved [{currency} a year]", currency=result.inputs.scenario.ask.money.currency))
    ax.yaxis.set_major_formatter(style.in_numbers())
    words = style.policy_words(result.headline.policy)
    ax.set_title(say("Savings of each year by line of the bill, {words}", words=words))
    ax.legend(ncols=4, loc="upper center", bbox_to_anchor=(0.5, -0.14))
    return ax


def draw_warranty(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw how much of each limit of the warranties is used by the end of each year.

    Parameters
    ----------
    result : Result
        A finished study with a life and a warranty.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    life, ax = _life(result), _axes(ax, height_in=3.9)
    shown: set[str] = set()
    for racks in life.warranties:
        year = racks.joined_year - 1 + racks.check.frame["year"]
        for (term, used), look in zip(racks.check.used_frac.items(), style.WARRANTY_LINES, strict=True):
            name = str(term)
            if used.notna().any():
                ax.plot(year, 100 * used, label=None if name in shown else say(USED_WORDS[name]), **look)
                shown.add(name)
    ax.axhspan(100, 1000, color="#8f2413", alpha=0.07, linewidth=0)
    ax.axhline(100, color="#8f2413", linewidth=1.0)
    broken = life.year_of_breach
    if broken is not None:
        ax.axvline(broken, color="#8f2413", linewidth=0.8, linestyle=(0, (1, 1.2)))
    most = max(float(racks.check.used_frac.max().max()) for racks in life.warranties)
    ax.set_ylim(0, 108 * max(1.0, most))
    _year_axis(ax, life)
    ax.set_ylabel(say("used of the limit [%]"))
    ax.set_title(say("Warranty kept") if broken is None else say("Warranty broken in year {broken}", broken=broken))
    ax.legend(ncols=3, loc="upper center", bbox_to_anchor=(0.5, -0.16))
    return ax


def _draw_guarantee(ax: Axes, result: Result, life: Life) -> None:
    """Draw the guaranteed health of the first racks as steps of their years."""
    first = life.warranties[0].check.frame if life.warranties else None
    if first is None or first["health_margin_frac"].isna().all():
        return
    known = first.dropna(subset=["health_margin_frac"])
    guaranteed = 100 * (known["health_frac"] - known["health_margin_frac"])
    ax.plot(known["year"], guaranteed, label=say("guaranteed of the first racks"), **style.GUARANTEE)


def _mark_payback(ax: Axes, years: float | None, words: str, look: style.Look, n_years: int, *, above: bool) -> None:
    if years is None:
        return
    ax.plot([years], [0], marker="D", markersize=6, color=look["color"], zorder=5, linestyle="none")
    # Clear of the bars of the years, which stand on the same line.
    ax.annotate(
        say("{words} {years} years", words=words, years=number(years, 1)),
        (years, 0),
        xytext=(max(years - 0.2, 0.25 * n_years), 44) if above else (min(years + 0.2, 0.74 * n_years), -44),
        textcoords=("data", "offset points"),
        ha="right" if above else "left",
        va="center",
        fontsize=8.5,
        color=look["color"],
        arrowprops={"arrowstyle": "-", "color": look["color"], "linewidth": 0.8, "shrinkB": 3},
    )


def _year_axis(ax: Axes, life: Life, *, first: int = 1) -> None:
    ax.set_xlabel(say("year of operation"))
    ax.set_xlim(first - 0.6, len(life.years) + 0.6)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=21, min_n_ticks=1))
    ax.grid(visible=False, axis="x")


def _life(result: Result) -> Life:
    if result.life is None:
        raise ValueError("the scenario asks for the first year only")
    return result.life


def _axes(ax: Axes | None, *, height_in: float) -> Axes:
    return ax if ax is not None else Figure(figsize=(style.WIDTH_IN, height_in), layout="constrained").subplots()
