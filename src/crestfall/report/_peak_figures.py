"""Billed peaks before and after, period by period."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from crestfall.report import _style as style
from crestfall.report._words import say
from crestfall.study import MeasuredPeak, Result

MOST_CHARGES = 4  # below each other; a table holds them all
PANEL_IN = 1.75


def draw_peaks(result: Result) -> Figure | None:
    """
    Return each charge's measured peaks before and after, a panel for each charge.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    Figure or None
        One panel for each charge, the first ones of many; None where no peak is billed.
    """
    charges: dict[str, list[MeasuredPeak]] = {}
    for peak in result.peaks(result.headline):
        charges.setdefault(peak.charge, []).append(peak)
    shown = list(charges.items())[:MOST_CHARGES]
    if not shown:
        return None
    figure = Figure(figsize=(style.WIDTH_IN, 0.6 + PANEL_IN * len(shown)), layout="constrained")
    panels = figure.subplots(len(shown), 1, squeeze=False)[:, 0]
    for ax, (name, peaks) in zip(panels, shown, strict=True):
        _draw(ax, name, peaks)
    figure.legend(handles=panels[0].get_legend_handles_labels()[0], ncols=3, loc="outside upper right")
    return figure


def _draw(ax: Axes, name: str, peaks: list[MeasuredPeak]) -> None:
    from crestfall.report._figures import period_label

    at = np.arange(len(peaks))
    before, after = np.array([one.before for one in peaks]), np.array([one.replayed for one in peaks])
    ax.vlines(at, np.minimum(before, after), np.maximum(before, after), color="#8a949a", linewidth=1.2, zorder=1)
    old, new = style.IMPORT_BEFORE["color"], style.IMPORT_AFTER["color"]
    ax.plot(at, before, "D", markersize=6.5, markerfacecolor="white", color=old, label=say("before"))
    ax.plot(at, after, "o", markersize=6.5, color=new, label=say("after"))
    ax.set_title(name, parse_math=False)
    ax.set_ylabel(say("peak [{unit}]", unit=peaks[0].unit))
    ax.set_xticks(at, [period_label(one.period) for one in peaks])
    ax.set_xlim(-0.6, len(peaks) - 0.4)
    ax.set_ylim(0, 1.08 * max(float(before.max()), float(after.max()), 1.0))
    ax.yaxis.set_major_formatter(style.in_numbers())
    ax.grid(visible=False, axis="x")
