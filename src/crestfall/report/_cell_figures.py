"""What the cells go through in the year: how full, how fast and how warm they are, and for how long."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from crestfall.ageing import Histogram
from crestfall.report import _style as style
from crestfall.report._words import number, say
from crestfall.study import Result

MOST_LABELS = 7  # side by side, or they would run into each other


def draw_cells(result: Result) -> Figure:
    """
    Return hours of the year by state of charge, by rate and by temperature of the cells.

    Parameters
    ----------
    result : Result
        A finished study of an option with a battery.

    Returns
    -------
    Figure
        A panel for each of the three.

    Raises
    ------
    ValueError
        If there is no battery.
    """
    found = result.cells(result.headline)
    if found is None:
        raise ValueError("there are no cells without a battery")
    figure = Figure(figsize=(style.WIDTH_IN, 3.1), layout="constrained")
    panels = figure.subplots(1, 3, width_ratios=(1.0, 1.15, 1.0))
    high = say(
        "{high_soc_h} h at {high_soc} % or more",
        high_soc_h=number(found.high_soc_h),
        high_soc=f"{100 * found.high_soc_frac:g}",
    )
    _draw(panels[0], found.soc_h, 100.0, style.HEALTH_FILL, say("state of charge [%]"), high)
    moving_h = float(found.c_rate_h.weights.sum())
    rate = say("rate [1/h], left of 0 discharging")
    _draw(
        panels[1],
        found.c_rate_h,
        1.0,
        style.DISCHARGE_FILL,
        rate,
        say("{moving_h} h in motion", moving_h=number(moving_h)),
    )
    often = int(np.argmax(found.cell_h.weights))
    mostly = say(
        "mostly {low} to {high} °C",
        low=f"{found.cell_h.edges[often]:g}",
        high=f"{found.cell_h.edges[often + 1]:g}",
    )
    _draw(panels[2], found.cell_h, 1.0, style.PV_FILL, say("cell temperature [°C]"), mostly)
    panels[0].set_ylabel(say("hours of the year"))
    return figure


def _draw(ax: Axes, found: Histogram, factor: float, look: style.Look, name: str, title: str) -> None:
    edges, used = factor * found.edges, np.flatnonzero(found.weights)
    ax.bar(edges[:-1], found.weights, np.diff(edges), align="edge", **look)
    if len(used):  # bins beyond the outermost that were met are left out, but for one on each side
        ax.set_xlim(edges[max(int(used[0]) - 1, 0)], edges[min(int(used[-1]) + 2, len(edges) - 1)])
    ax.xaxis.set_major_locator(MaxNLocator(MOST_LABELS, steps=[1, 2, 5, 10]))
    ax.set_xlabel(name)
    ax.set_title(title)
    ax.yaxis.set_major_formatter(style.in_numbers())
    ax.grid(visible=False, axis="x")
