"""The load as it comes: by hour and weekday, what is usual and how far it strays."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from crestfall.report import _style as style
from crestfall.report._words import say, weekdays
from crestfall.study import Result

FloatArray = NDArray[np.float64]
SPREAD_PERCENT = (10.0, 90.0)  # four of five days lie between
DAYS, HOURS = 7, 24


def load_by_hour(result: Result) -> FloatArray:
    """
    Return the load's mean and its spread for each hour of the local week.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    ndarray of shape (3, 7, 24)
        Mean, lower and upper end of the spread, by weekday from Monday and hour; NaN where there is no step [kW].
    """
    series = result.inputs.series
    place = series.start.day_of_week.to_numpy() * HOURS + series.start.hour.to_numpy()
    order = np.argsort(place, kind="stable")
    met, first = np.unique(place[order], return_index=True)
    found = np.full((3, DAYS * HOURS), np.nan)
    for at, values in zip(met, np.split(series.load_kw[order], first[1:]), strict=True):
        found[:, at] = values.mean(), *np.percentile(values, SPREAD_PERCENT)
    return found.reshape(3, DAYS, HOURS)


def draw_load_shape(result: Result) -> Figure:
    """
    Return the load by hour of the day, a panel for each day of the week.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    Figure
        Seven panels with one scale.
    """
    figure = Figure(figsize=(style.WIDTH_IN, 2.9), layout="constrained")
    panels: list[Axes] = list(figure.subplots(1, DAYS, sharey=True))
    edges = np.arange(HOURS + 1)
    for ax, name, mean, low, high in zip(panels, weekdays(), *load_by_hour(result), strict=True):
        ax.stairs(high, edges, baseline=low, fill=True, **style.SPREAD_FILL)
        ax.stairs(mean, edges, baseline=None, **style.LOAD)
        ax.set_title(name)
        ax.set_xlim(0, HOURS)
        ax.set_xticks([0, 6, 12, 18])
    panels[0].set_ylim(bottom=0)
    panels[0].set_ylabel(say("load [kW]"))
    panels[0].yaxis.set_major_formatter(style.in_numbers())
    panels[DAYS // 2].set_xlabel(say("hour of the local day"))
    return figure
