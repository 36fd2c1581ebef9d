"""A tariff as a calendar: what a kWh costs at each hour of each day, and where demand is measured."""

import textwrap
from pathlib import Path

import matplotlib.dates as mdates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from matplotlib.transforms import ScaledTranslation
from numpy.typing import NDArray

from crestfall.report import _style as style
from crestfall.report._files import checked_picture_kind, write_picture
from crestfall.report._words import figures, say
from crestfall.scenario.tariff_clauses import Measured
from crestfall.tariff import Measure, Rates

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_LABELS = 8  # more prices than this are read from a colour bar
PRICE_DECIMALS = 9  # digits beyond are what floats add
HOURS, HOUR_MIN = 24, 60
BELOW_IN = 0.45  # room under the axes for the words of the x axis
FRAME = "#8a949a"
PRICE_MAP = LinearSegmentedColormap.from_list("crestfall-price", list(style.PRICE_RAMP))
LIGHT_EDGE = withStroke(linewidth=1.9, foreground="#ffffff", alpha=0.8)


def draw_tariff(rates: Rates, ax: Axes | None = None) -> Axes:
    """
    Draw the price of energy by day and hour, with the windows in which demand is measured.

    Hours are those of the wall clock: one that the clock skips stays empty, one that it shows twice holds the mean.

    Parameters
    ----------
    rates : Rates
        A tariff on the steps of a year.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    ax = Figure(figsize=(style.WIDTH_IN, 4.6), layout="constrained").subplots() if ax is None else ax
    calendar = _Calendar(rates)
    price = calendar.table(rates.buy_per_kwh)
    levels = np.unique(price[np.isfinite(price)])
    if len(levels) <= MOST_LABELS:
        norm = Normalize(0, len(levels) - 1) if len(levels) > 1 else Normalize(-1, 1)
        # Neighbouring prices are equally far apart in shade, however close they are.
        shade = np.where(np.isfinite(price), np.searchsorted(levels, price), np.nan)
        _label_prices(ax, levels, norm, _price_words(rates))
    else:
        norm, shade = Normalize(levels[0], levels[-1]), price
        bar = ax.figure.colorbar(ScalarMappable(norm, PRICE_MAP), ax=ax, pad=0.015, fraction=0.05)
        bar.set_label(" ".join(_price_words(rates)))
        bar.outline.set_visible(False)
    ax.imshow(
        shade.T,
        cmap=PRICE_MAP,
        norm=norm,
        extent=(calendar.first_day, calendar.last_day + 1, HOURS, 0),
        aspect="auto",
        interpolation="nearest",
    )
    handles = _draw_windows(ax, rates, calendar)
    if not np.isfinite(price).all():
        handles.append(Patch(facecolor="white", edgecolor=FRAME, linewidth=0.6, label=say("no such hour, or no data")))
    _finish(ax, rates, calendar)
    if handles:
        below = ax.transAxes + ScaledTranslation(0, -BELOW_IN, ax.figure.dpi_scale_trans)
        columns = 1 if len(handles) < 3 else 2
        legend = ax.legend(
            handles=handles, ncols=columns, loc="upper left", bbox_to_anchor=(-0.01, 0), bbox_transform=below
        )
        for text in legend.get_texts():
            text.set_parse_math(False)  # names may hold dollar signs
    return ax


def write_tariff_picture(rates: Rates, path: Path) -> None:
    """
    Draw a tariff and write the picture.

    Parameters
    ----------
    rates : Rates
        A tariff on the steps of a year.
    path : Path
        A file whose name ends in .svg or .png; an older one is replaced.

    Raises
    ------
    OutputError
        If the name ends otherwise, or the file cannot be written.
    """
    checked_picture_kind(path)
    with style.house_style():
        ax = draw_tariff(rates)
    write_picture(ax, path)


class _Calendar:
    """Steps of a year sorted into days and times of the wall clock."""

    def __init__(self, rates: Rates) -> None:
        start, step_min = rates.start, round(rates.step_h * 60)
        local = start.tz_localize(None)
        day = np.asarray(mdates.date2num(local.normalize().to_numpy()), dtype=np.float64).round().astype(np.int64)
        self.first_day, self.last_day = int(day[0]), int(day[-1])
        self.step_h = rates.step_h
        self._at = (day - self.first_day, np.asarray(start.hour * HOUR_MIN + start.minute) // step_min)
        self._shape = (self.last_day - self.first_day + 1, HOURS * HOUR_MIN // step_min)

    def table(self, values: FloatArray) -> FloatArray:
        """Return values by day and time; NaN where there is no step, the mean where there are two."""
        count, total = np.zeros(self._shape), np.zeros(self._shape)
        np.add.at(count, self._at, 1.0)
        np.add.at(total, self._at, values)
        mean: FloatArray = np.divide(total, count, out=np.full(self._shape, np.nan), where=count > 0)
        return mean.round(PRICE_DECIMALS)

    def mask(self, steps: Mask) -> Mask:
        """Return days and times at which any of the given steps lies."""
        inside = np.zeros(self._shape, dtype=bool)
        has_step = np.zeros(self._shape, dtype=bool)
        np.logical_or.at(inside, self._at, steps)
        has_step[self._at] = True
        for time in range(1, self._shape[1]):  # a time that the clock skips is like the one before it
            inside[:, time] |= inside[:, time - 1] & ~has_step[:, time]
        return inside

    def outline(self, inside: Mask) -> list[FloatArray]:
        """Return the edges of an area, each as two points of day and hour; edges that go on are one."""
        padded = np.pad(inside, 1).astype(np.int8)
        upright = np.diff(padded, axis=0)[:, 1:-1] != 0  # between two days
        level = np.diff(padded, axis=1)[1:-1, :] != 0  # between two times
        lines = [
            np.array([[day, first], [day, last]], dtype=np.float64)
            for day, row in enumerate(upright)
            for first, last in _runs(row)
        ]
        lines += [
            np.array([[first, time], [last, time]], dtype=np.float64)
            for time, row in enumerate(level.T)
            for first, last in _runs(row)
        ]
        scale, origin = np.array([1.0, self.step_h]), np.array([float(self.first_day), 0.0])
        return [line * scale + origin for line in lines]


def _runs(row: Mask) -> list[tuple[int, int]]:
    """Return where runs of True begin, and where they have ended."""
    turns = np.flatnonzero(np.diff(np.pad(row, 1).astype(np.int8)))
    return [(int(first), int(last)) for first, last in turns.reshape(-1, 2)]


def measured_steps(rates: Rates) -> dict[str, Mask | None]:
    """
    Return the steps on which each charge on demand is measured.

    Parameters
    ----------
    rates : Rates
        A tariff on the steps of a year.

    Returns
    -------
    dict of str to (ndarray of bool, shape (n_steps,)) or None
        By the name of the charge; None where it is measured at any time.
    """
    steps: dict[str, Mask] = {}
    has_window: set[str] = set()
    for sheet in rates.sheets:
        pairs: list[tuple[Measured, Measure]] = [
            *((charge, line.measure) for charge, line in zip(sheet.tariff.demand_charges, sheet.demand, strict=True)),
            *((charge, at.measure) for charge, at in zip(sheet.tariff.capacity_charges, sheet.capacity, strict=True)),
        ]
        for charge, measure in pairs:
            measured = measure.is_measured() & sheet.layout.valid
            steps[charge.name] = steps.get(charge.name, np.zeros_like(measured)) | measured
            has_window |= {charge.name} if charge.when is not None else set()
    return {name: measured if name in has_window else None for name, measured in steps.items()}


def _price_words(rates: Rates) -> list[str]:
    tariffs = [sheet.tariff for sheet in rates.sheets]
    words = [say("price of one"), say("imported kWh")]
    if any(charge.tiers for tariff in tariffs for charge in tariff.energy_charges):
        words.append(say("in the first block"))
    if any(tariff.surcharges for tariff in tariffs):
        words.append(say("with surcharges"))
    return [*words, f"[{tariffs[0].currency}/kWh]"]


def _label_prices(ax: Axes, levels: FloatArray, norm: Normalize, words: list[str]) -> None:
    """Write each price beside its shade, the dearest first, to the right of the axes."""
    decimals = _decimals(levels)
    key = [
        Patch(facecolor=PRICE_MAP(norm(number)), edgecolor=FRAME, linewidth=0.6, label=figures(f"{level:.{decimals}f}"))
        for number, level in enumerate(levels)
    ]
    legend = ax.legend(
        handles=key[::-1], title="\n".join(words), loc="upper left", bbox_to_anchor=(1.01, 1.02), handleheight=1.4
    )
    legend.get_title().set_fontsize(8)
    ax.add_artist(legend)  # lest the legend of the windows take its place
    legend.set_clip_on(False)


def _decimals(levels: FloatArray) -> int:
    """Return how many decimals tell prices apart: all that they have, but no more than four if these are enough."""
    exact = [d for d in (2, 3, 4) if np.array_equal(levels.round(d), levels)]
    distinct = [d for d in (4, 6) if len(np.unique(levels.round(d))) == len(levels)]
    return [*exact, *distinct, PRICE_DECIMALS][0]


def _draw_windows(ax: Axes, rates: Rates, calendar: _Calendar) -> list[Line2D | Patch]:
    """Outline where each charge is measured, and return the words of the legend."""
    handles: list[Line2D | Patch] = []
    number = 0
    for name, steps in measured_steps(rates).items():
        label = "\n".join(textwrap.wrap(name, 60))
        label = f" {label}" if label.startswith("_") else label  # Matplotlib hides what begins so
        if steps is None:
            handles.append(
                Patch(facecolor="none", edgecolor="none", label=say("{label}: measured at any time", label=label))
            )
            continue
        look = style.WINDOW_LINES[number % len(style.WINDOW_LINES)]
        number += 1
        lines = LineCollection(
            calendar.outline(calendar.mask(steps)),
            colors=look["color"],
            linestyles=[look["linestyle"]],
            linewidths=0.9,
            path_effects=[LIGHT_EDGE],
            label=name,
            zorder=3,
        )
        ax.add_collection(lines, autolim=False)
        handles.append(Line2D([], [], linewidth=1.2, label=say("{label}: measured inside", label=label), **look))
    return handles


def _finish(ax: Axes, rates: Rates, calendar: _Calendar) -> None:
    first, last = rates.start[0], rates.start[-1]
    years = f"{first.year}" if first.year == last.year else say("{year} to {year_2}", year=first.year, year_2=last.year)
    ax.set_title("\n".join(textwrap.wrap(rates.title, 84)), parse_math=False)
    ax.set_xlim(calendar.first_day, calendar.last_day + 1)
    ax.set_ylim(HOURS, 0)
    ax.xaxis.set_major_locator(mdates.MonthLocator())
    ax.xaxis.set_major_formatter(style.in_days("MMM"))
    ax.set_yticks(range(0, HOURS + 1, 3))
    zone = say("without clock changes") if str(first.tz) == "UTC" else str(first.tz)
    ax.set_xlabel(say("day of {years}, local time {zone}", years=years, zone=zone))
    ax.set_ylabel(say("hour of the day"))
    ax.grid(visible=False)
