"""The year as a map, time of the local day by day: import before and after, and what the battery does."""

import matplotlib.dates as mdates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colorbar import Colorbar
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from crestfall.report import _style as style
from crestfall.report._words import months, number, say
from crestfall.study import Result

FloatArray = NDArray[np.float64]
SHADES = 32  # more make the page larger, and no eye tells them apart
IMPORT_MAP = LinearSegmentedColormap.from_list("crestfall-import", list(style.IMPORT_RAMP), N=SHADES)
POWER_MAP = LinearSegmentedColormap.from_list("crestfall-power", list(style.POWER_RAMP), N=SHADES - 1)


def by_day_and_time(start: pd.DatetimeIndex, values: FloatArray) -> pd.DataFrame:
    """
    Return values of steps as a table.

    Parameters
    ----------
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site.
    values : ndarray of shape (n_steps,)
        A value for each.

    Returns
    -------
    DataFrame
        Minutes after midnight of the wall clock down, days across; an hour that the clock skips is NaN, one that it
        shows twice holds the mean.
    """
    wall = start.tz_localize(None)
    days, day = np.unique(wall.normalize().to_numpy(), return_inverse=True)
    times, time = np.unique(np.asarray(wall.hour * 60 + wall.minute), return_inverse=True)
    shape, place = (len(times), len(days)), time * len(days) + day
    count = np.bincount(place, minlength=len(times) * len(days)).reshape(shape)
    total = np.bincount(place, weights=values, minlength=len(times) * len(days)).reshape(shape)
    mean = np.divide(total, count, out=np.full(shape, np.nan), where=count > 0)
    return pd.DataFrame(mean, index=times, columns=pd.DatetimeIndex(days))


def draw_year_map(result: Result) -> Figure:
    """
    Return import before and after on one scale and, with a battery, what it takes and gives.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    Figure
        One map above the other.
    """
    frame = result.schedule_frame()
    start = result.inputs.series.start
    is_battery = result.inputs.plant.option.is_battery
    before, after = frame["import_before_kw"].to_numpy(), frame["import_kw"].to_numpy()
    n_maps = 3 if is_battery else 1
    figure = Figure(figsize=(style.WIDTH_IN, 0.6 + 1.9 * n_maps), layout="constrained")
    panels = list(figure.subplots(n_maps, 1, sharex=True, squeeze=False)[:, 0])
    most_kw = float(max(before.max(), after.max() if is_battery else 0.0, 1.0))
    imports = [(panels[0], before, say("Import before"))]
    if is_battery:
        imports.append((panels[1], after, say("Import after")))
    for ax, power_kw, title in imports:
        image = _map(ax, by_day_and_time(start, power_kw), IMPORT_MAP, 0.0, most_kw)
        ax.set_title(title)
    _bar(figure, image, [ax for ax, _, _ in imports], say("import [kW]"))
    if is_battery:
        power_kw = (frame["discharge_kw"] - frame["charge_kw"]).to_numpy()
        reach_kw = max(float(np.abs(power_kw).max()), 1.0)
        image = _map(panels[2], by_day_and_time(start, power_kw), POWER_MAP, -reach_kw, reach_kw)
        panels[2].set_title(say("Battery, {policy}", policy=style.policy_words(result.headline.policy)))
        bar = _bar(figure, image, [panels[2]], say("charge, discharge\n[kW]"))
        bar.ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: number(abs(value))))
    bottom = panels[-1]
    bottom.xaxis.set_major_locator(mdates.MonthLocator())
    names = months()
    bottom.xaxis.set_major_formatter(FuncFormatter(lambda day, _: names[mdates.num2date(day).month - 1]))
    bottom.set_xlim(right=bottom.get_xlim()[1] - 0.01)  # no tick for the month after
    bottom.set_xlabel(say("day of {years}", years=_years(start)))
    panels[len(panels) // 2].set_ylabel(say("hour of the local day"))
    return figure


def _years(start: pd.DatetimeIndex) -> str:
    first, last = start[0].year, start[-1].year
    return str(first) if first == last else f"{first}–{last}"


def _map(ax: Axes, table: pd.DataFrame, colours: LinearSegmentedColormap, low: float, high: float) -> AxesImage:
    days = mdates.date2num(pd.DatetimeIndex(table.columns).to_pydatetime())
    # A picture of one dot for each step: a mesh of a whole year takes ten times as long.
    image = ax.imshow(
        table.to_numpy(),
        cmap=colours,
        vmin=low,
        vmax=high,
        extent=(days[0], days[-1] + 1, 24, 0),
        aspect="auto",
        interpolation="none",  # each step is one dot of the picture inside the SVG
    )
    ax.set_yticks(range(0, 25, 6))
    ax.grid(visible=False)
    return image


def _bar(figure: Figure, image: AxesImage, panels: list[Axes], words: str) -> Colorbar:
    bar = figure.colorbar(image, ax=panels, pad=0.012, fraction=0.04)
    bar.set_label(words)
    bar.outline.set_visible(False)
    return bar
