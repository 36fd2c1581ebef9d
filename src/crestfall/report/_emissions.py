"""Emissions before and after: by hour of the day as a picture, in the year as a table, by month as a file."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from numpy.typing import NDArray

from crestfall.report import _style as style
from crestfall.report._words import later, number, percent, say
from crestfall.study import Emissions, Result

HOURS = 24
FACTOR_WORDS = {"average": later("Average factor"), "marginal": later("Marginal factor")}


def emission_rows(result: Result) -> list[tuple[str, ...]]:
    """
    Return the emissions of the year by each factor, in tonnes of CO2 equivalent.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    list of tuple of str
        Factor, before, after, change, its share of before, and what was charged and discharged would stand for.
    """
    rows: list[tuple[str, ...]] = []
    for one in result.emissions(result.headline):
        before = float(one.before.sum())
        tonnes = [before, float(one.after.sum()), one.change_kg, float(one.charged.sum()), float(one.discharged.sum())]
        first, second, change, charged, discharged = (number(kg / 1000, 2) for kg in tonnes)
        share = percent(one.change_kg / before) if before > 0 else "–"
        rows.append((say(FACTOR_WORDS[one.factor]), first, second, change, share, charged, discharged))
    return rows


def emissions_frame(result: Result) -> pd.DataFrame:
    """
    Return the emissions of each month by each factor.

    Parameters
    ----------
    result : Result
        A finished study whose scenario gives factors.

    Returns
    -------
    DataFrame
        `EMISSION_COLUMNS` of :mod:`crestfall.study`.
    """
    return pd.concat([one.by_month() for one in result.emissions(result.headline)], ignore_index=True)


def draw_emissions(result: Result) -> Figure | None:
    """
    Return what a day emits by its hours, before and after, a panel for each factor.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    Figure or None
        A panel for each factor; None where the scenario gives none.
    """
    found = result.emissions(result.headline)
    if not found:
        return None
    figure = Figure(figsize=(style.WIDTH_IN, 3.0), layout="constrained")
    panels = figure.subplots(1, len(found), sharey=True, squeeze=False)[0]
    edges = np.arange(HOURS + 1)
    for ax, one in zip(panels, found, strict=True):
        for label, kg, look in (
            (say("before"), one.before, style.IMPORT_BEFORE),
            (say("after"), one.after, style.IMPORT_AFTER),
        ):
            ax.stairs(_by_hour(one, kg), edges, baseline=None, label=label, **look)
        ax.set_title(say(FACTOR_WORDS[one.factor]))
        ax.set_xlim(0, HOURS)
        ax.set_xticks(range(0, HOURS, 6))
        ax.set_xlabel(say("hour of the local day"))
        ax.yaxis.set_major_formatter(style.in_numbers())
    panels[0].set_ylabel(say("mean emissions [kg CO2e/h]"))
    if all(one.before.min() >= 0 and one.after.min() >= 0 for one in found):
        panels[0].set_ylim(bottom=0)
    figure.legend(handles=panels[0].get_legend_handles_labels()[0], ncols=2, loc="outside upper right")
    return figure


def _by_hour(one: Emissions, kg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean of each hour of the day [kg/h]."""
    hour = one.start.hour.to_numpy()
    step_h = (one.start[1] - one.start[0]) / pd.Timedelta(hours=1)
    return np.asarray(np.bincount(hour, weights=kg, minlength=HOURS) / (step_h * np.bincount(hour, minlength=HOURS)))
