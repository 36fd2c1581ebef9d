"""How an axis of a sweep is read: its name, its unit, and its values with or without the unit."""

import re
from dataclasses import dataclass
from pathlib import PurePosixPath

import pandas as pd

from crestfall.plant import Option
from crestfall.report._retold import retold
from crestfall.report._words import figures, later, number, say, say_many
from crestfall.study import SweepResult

# What the last part of a key ends in, its unit and by what its values are multiplied to be in it.
ENDINGS: tuple[tuple[str, str, float], ...] = (
    ("_frac_per_year", later("%/a"), 100.0),
    ("frac", "%", 100.0),
    ("_per_kwh", "{currency}/kWh", 1.0),
    ("_per_kw", "{currency}/kW", 1.0),
    ("_per_kva", "{currency}/kVA", 1.0),
    ("_per_month", later("{currency} a month"), 1.0),
    ("_per_year", later("{currency}/a"), 1.0),
    ("_kwh", "kWh", 1.0),
    ("_kw", "kW", 1.0),
    ("_kva", "kVA", 1.0),
    ("_years", later("years"), 1.0),
    ("_months", later("months"), 1.0),
    ("_h", "h", 1.0),
    ("_c", "°C", 1.0),
    ("_cost", "{currency}", 1.0),
    ("price", "{currency}", 1.0),
)
# What is called by a word of its own where the sweep gives its axis no name.
NAMES = {"option.racks": later("racks"), "option.modules": later("modules"), "days of load": later("days of load")}
WHOLE_FROM = 1000  # numbers this large are written without decimals


@dataclass(frozen=True, slots=True)
class AxisForm:
    """How an axis is read.

    Parameters
    ----------
    name : str
        What it is called.
    unit : str
        The unit of its values as they are shown; empty where there is none or it is not known.
    factor : float
        What its values are multiplied by to be shown.
    is_whole : bool
        Whether all its values are whole numbers.
    """

    name: str
    unit: str
    factor: float
    is_whole: bool

    @property
    def label(self) -> str:
        """Its name with the unit in brackets."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name

    def bare(self, value: object) -> str:
        """Return a value in the unit, without it; a file by its name."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            return PurePosixPath(str(value)).name
        shown = round(self.factor * value, 12)
        if abs(shown) >= WHOLE_FROM or shown == round(shown):
            return number(shown)
        return figures(f"{shown:.4g}").replace("-", "−")

    def full(self, value: object) -> str:
        """Return a value with its unit."""
        return f"{self.bare(value)} {self.unit}" if self.unit else self.bare(value)


def option_words(result: SweepResult, name: str) -> str:
    """
    Return an option of a sweep in words.

    Parameters
    ----------
    result : SweepResult
        The sweep.
    name : str
        Values of its axes of racks and modules, as `SweepResult.choices` has them.

    Returns
    -------
    str
        Racks and modules where each has an axis of its own, else the values as they are.
    """
    keys = [axis.key for axis in result.plan.axes if axis.title in result.option_axes]
    counts = re.findall(r"\d+", name)
    if not set(keys) <= set(NAMES) or len(counts) != len(keys):
        return retold(name)
    of = {key: int(count) for key, count in zip(keys, counts, strict=True)}
    if len(of) == 2:
        return retold(str(Option(of["option.racks"], of["option.modules"])))
    (count,) = of.values()
    if "option.racks" in of:
        return say_many(count, "{n} rack", "{n} racks")
    return say_many(count, "{n} module", "{n} modules")


def form_of(result: SweepResult, title: str) -> AxisForm:
    """
    Return how an axis of a sweep is read.

    Parameters
    ----------
    result : SweepResult
        The sweep.
    title : str
        Title of one of its axes.

    Returns
    -------
    AxisForm
        Its name and how its values are written.
    """
    axis = next(axis for axis in result.plan.axes if axis.title == title)
    values = result.plan.frame[title]
    is_number = pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
    is_whole = is_number and bool((values == values.round()).all())
    name = say(NAMES[title]) if title in NAMES else title
    key = re.split(r"[.\[\]]+", axis.key or "")[-1] if is_number else ""
    currency = result.plan.base.ask.money.currency
    for ending, unit, factor in ENDINGS:
        if key.endswith(ending):
            return AxisForm(name, say(unit, currency=currency), factor, is_whole and factor == 1.0)
    return AxisForm(name, "", 1.0, is_whole)
