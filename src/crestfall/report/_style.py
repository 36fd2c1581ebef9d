"""One look for all figures: one colour and one line for each quantity, readable without colour."""

import datetime as dt
from contextlib import AbstractContextManager
from typing import Any

import matplotlib as mpl
import matplotlib.dates as mdates
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FuncFormatter, ScalarFormatter

from crestfall.report._words import ENGLISH, figures, language_now, moment, number, say

Look = dict[str, Any]

# Lightness differs as well as hue, so that grey prints and colour-blind readers can tell them apart.
LOAD: Look = {"color": "#20303c", "linewidth": 1.1, "linestyle": "-"}
IMPORT_BEFORE: Look = {"color": "#c2553d", "linewidth": 1.2, "linestyle": (0, (4, 1.6))}
IMPORT_AFTER: Look = {"color": "#0f7f86", "linewidth": 1.7, "linestyle": "-"}
FORECAST: Look = {"color": "#978d82", "linewidth": 1.2, "linestyle": (0, (1, 1.2))}
CEILING: Look = {"color": "#b98a13", "linewidth": 1.2, "linestyle": (0, (5, 1.5, 1, 1.5))}
TARGET: Look = {"color": "#8f2413", "linewidth": 0.9, "linestyle": (0, (2, 2))}
SPREAD_FILL: Look = {"facecolor": "#c3ccd1", "edgecolor": "#8a949a", "linewidth": 0.4}
STORE: Look = {"color": "#4a3f86", "linewidth": 1.5, "linestyle": "-"}
PV_FILL: Look = {"facecolor": "#f2cf6b", "edgecolor": "#b98a13", "linewidth": 0.6}
CHARGE_FILL: Look = {"facecolor": "#b9d7a8", "edgecolor": "#5f8f47", "linewidth": 0.4, "hatch": "////"}
DISCHARGE_FILL: Look = {"facecolor": "#7d5aa6", "edgecolor": "#4d3470", "linewidth": 0.4}
HEALTH_FILL: Look = {"facecolor": "#b7cfc4", "edgecolor": "#5f8f7d", "linewidth": 0.5}
CYCLE_LOSS_FILL: Look = {"facecolor": "#7d5aa6", "edgecolor": "#4d3470", "linewidth": 0.5}
AGE_LOSS_FILL: Look = {"facecolor": "#efd9a0", "edgecolor": "#b98a13", "linewidth": 0.5, "hatch": "////"}
GUARANTEE: Look = {"color": "#8f2413", "linewidth": 1.3, "linestyle": (0, (1, 1.2)), "marker": "_", "markersize": 9}
SAVED_FILL: Look = {"facecolor": "#0f7f86", "edgecolor": "#0b5f65", "linewidth": 0.5}
DEARER_FILL: Look = {"facecolor": "#e8b9a0", "edgecolor": "#c2553d", "linewidth": 0.5, "hatch": "////"}
LOW_FILL: Look = {"facecolor": "#efd9a0", "edgecolor": "#b98a13", "linewidth": 0.5, "hatch": "////"}
HIGH_FILL: Look = {"facecolor": "#37757d", "edgecolor": "#173f4f", "linewidth": 0.5}
CASH_FILL: Look = {"facecolor": "#d3d9dd", "edgecolor": "#8a949a", "linewidth": 0.5}
CASH: Look = {"color": "#0f7f86", "linewidth": 1.7, "linestyle": "-"}
CASH_DISCOUNTED: Look = {"color": "#c2553d", "linewidth": 1.3, "linestyle": (0, (4, 1.6))}
# From dark to light; neighbours in a stack differ in lightness, every other one is hatched.
BILL_FILLS = (
    "#173f4f",
    "#d98c5f",
    "#2f7f79",
    "#efd9a0",
    "#6b4e71",
    "#b7cfc4",
    "#8d3b3b",
    "#c9c3d6",
    "#56707c",
    "#e8b9a0",
)
# Cheap to dear, each darker than the one before, for surfaces that show nothing but price.
PRICE_RAMP = ("#f7f2df", "#d5dfcb", "#a4c4b8", "#6aa09d", "#37757d", "#173f4f")
# Little to much import, and from charging over nothing to discharging: always darker, so that grey tells them apart.
IMPORT_RAMP = ("#f6f3ee", "#d9d3c4", "#c0a995", "#a06a55", "#6b3327", "#2b120d")
POWER_RAMP = ("#f6f7b0", "#d2e0a6", "#bcc4c8", "#8f79b5", "#3f2663")
# Demand windows over that surface; told apart by their dashes, and set off from it by a light edge.
WINDOW_LINES: tuple[Look, ...] = (
    {"color": "#8f2413", "linestyle": "-"},
    {"color": "#20303c", "linestyle": (0, (3, 1.2))},
    {"color": "#6b2f78", "linestyle": (0, (1, 1.2))},
    {"color": "#8f2413", "linestyle": (0, (5, 1.5, 1, 1.5))},
)
# What is known of a step, over the surface of a load; each has another lightness.
METER_MARKS = {"substituted": "#9a8fc7", "repaired": "#4a3f86", "suspect": "#e58a2b", "missing": "#c2351f"}
# What is used of a warranty's limits: each has another mark and another dash.
WARRANTY_LINES: tuple[Look, ...] = (
    {"color": "#0f7f86", "linewidth": 1.3, "linestyle": "-", "marker": "o", "markersize": 4},
    {"color": "#20303c", "linewidth": 1.3, "linestyle": (0, (4, 1.6)), "marker": "s", "markersize": 3.5},
    {"color": "#b98a13", "linewidth": 1.3, "linestyle": (0, (5, 1.5, 1, 1.5)), "marker": "D", "markersize": 3.5},
    {"color": "#7d5aa6", "linewidth": 1.3, "linestyle": (0, (1, 1.2)), "marker": "^", "markersize": 4.5},
    {"color": "#5f8f47", "linewidth": 1.3, "linestyle": "-", "marker": "v", "markersize": 4.5},
)
PRICE_SHADES = ("#ffffff", "#eceff1", "#d3d9dd", "#b9c2c8", "#9fabb3")

WIDTH_IN = 8.6
FIRST_IN = (5.2, 4.3)  # of the first picture: beside the answer on a wide screen, below it on a phone
RC: dict[str, Any] = {
    "font.family": "DejaVu Sans",  # ships with matplotlib, so that text has the same width everywhere
    "font.size": 9,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#d9dee1",
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "figure.dpi": 110,
    "savefig.dpi": 150,
    "svg.fonttype": "path",
    "svg.hashsalt": "crestfall",  # element names, and so the bytes, are the same on every run
    "hatch.linewidth": 0.5,
}


def policy_words(policy: str) -> str:
    """Return the policy of a figure as it stands in its title."""
    return {"hindsight": say("with hindsight"), "rules": say("by rules"), "rolling": say("by rolling plans")}[policy]


def in_numbers(decimals: int = 0) -> FuncFormatter:
    """Return a formatter of ticks that writes numbers as the reader's language does."""
    return FuncFormatter(lambda value, _: number(value, decimals))


def in_days(pattern: str, tz: dt.tzinfo | None = None) -> FuncFormatter:
    """Return a formatter of ticks that writes times by a pattern of the Unicode CLDR, such as ``EEE dd MMM``."""
    return FuncFormatter(lambda value, _: moment(mdates.num2date(value, tz=tz), pattern))


def fit_to_reader(figure: Figure) -> None:
    """Break titles that are too long, as other languages take more room, and give plain axes the reader's decimals."""
    for ax in figure.axes:
        for text in ax.get_children():
            if isinstance(text, Text) and text.get_text() and text.get_text() == ax.get_title("left"):
                text.set_wrap(True)
        for axis in (ax.xaxis, ax.yaxis):
            if language_now() != ENGLISH and type(axis.get_major_formatter()) is ScalarFormatter:
                axis.set_major_formatter(lambda value, _: figures(f"{value:g}"))


def house_style() -> AbstractContextManager[None]:
    """Return a context in which figures are drawn and saved in this style, whatever the user's own settings are."""
    settings: Any = RC
    return mpl.rc_context(settings)
