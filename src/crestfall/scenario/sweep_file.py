"""The sweep file: one scenario, and what is varied of it."""

import math
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from crestfall.scenario._base import Block, FormatVersion, Many, Name, wrong
from crestfall.scenario.series_file import FileName

MOST_VALUES = 10_000  # of one axis
FORMS = ("values", "range", "files", "uniform", "normal", "triangular", "lognormal")
Value = float | int | bool | str | None


def _plain(value: object) -> object:
    if value is not None and not isinstance(value, bool | int | float | str):
        raise wrong("a number, a text, true or false", "vary one key at a time; blocks of keys stand in files")
    return value


PlainValue = Annotated[Any, BeforeValidator(_plain)]


class Range(Block):
    """Numbers at equal distances, both ends included."""

    first: float = Field(description="first number")
    last: float = Field(description="last number, if a step falls on it")
    step: Annotated[float, Field(gt=0)] = Field(description="distance from one number to the next")

    @model_validator(mode="after")
    def _not_empty(self) -> Self:
        if self.last < self.first:
            raise wrong(f"a number of at least {self.first:g}, the first", "exchange both ends", key="last")
        if (self.last - self.first) / self.step >= MOST_VALUES:
            raise wrong(f"a step that gives less than {MOST_VALUES:,} numbers", "take a larger one", key="step")
        return self


class Uniform(Block):
    """Any number between two, all as likely."""

    low: float = Field(description="lowest number")
    high: float = Field(description="highest number")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.high <= self.low:
            raise wrong(f"a number above {self.low:g}, the lowest", "exchange both, or give one value", key="high")
        return self


class Normal(Block):
    """The bell curve."""

    mean: float = Field(description="mean")
    sd: Annotated[float, Field(gt=0)] = Field(description="standard deviation")


class Triangular(Block):
    """From a lowest number up to a most likely one and down to a highest."""

    low: float = Field(description="lowest number")
    peak: float = Field(description="most likely number")
    high: float = Field(description="highest number")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.high <= self.low:
            raise wrong(f"a number above {self.low:g}, the lowest", "exchange both, or give one value", key="high")
        if not self.low <= self.peak <= self.high:
            raise wrong(f"a number from {self.low:g} to {self.high:g}", "the peak lies between both ends", key="peak")
        return self


class Lognormal(Block):
    """A number whose logarithm follows the bell curve: never below 0."""

    median: Annotated[float, Field(gt=0)] = Field(description="median")
    sd_log: Annotated[float, Field(gt=0)] = Field(description="standard deviation of the logarithm; 0.1 is about 10 %")


class Axis(Block):
    """What moves: one key, several keys together, or the days of the load."""

    key: Annotated[str, Field(min_length=1)] | None = Field(
        default=None,
        description="path of a key: money.discount.rate_frac, tariff.demand_charges[0].rate_per_kw, option.racks",
    )
    together: "Many[Axis] | None" = Field(
        default=None, min_length=2, description="keys that move together, each with as many listed values"
    )
    days_drawn: bool = Field(
        default=False, description="whether each draw has a year made of the data's days, drawn anew within their month"
    )
    name: Name | None = Field(default=None, description="name of the axis in table and figures; left out: the path")
    relative: bool = Field(default=False, description="whether numbers are factors of the base's value: 0.9 is 90 %")
    values: Many[PlainValue] | None = Field(default=None, min_length=1, description="a list of values")
    range: Range | None = Field(default=None, description="numbers at equal distances: first, last, step")
    files: Many[FileName] | None = Field(
        default=None, min_length=1, description="whole files, relative to this one: tariffs, loads, prices"
    )
    uniform: Uniform | None = Field(default=None, description="drawn: low, high")
    normal: Normal | None = Field(default=None, description="drawn: mean, sd")
    triangular: Triangular | None = Field(default=None, description="drawn: low, peak, high")
    lognormal: Lognormal | None = Field(default=None, description="drawn: median, sd_log")

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        kinds = [kind for kind in ("key", "together") if getattr(self, kind) is not None]
        kinds += ["days_drawn"] if self.days_drawn else []
        if len(kinds) != 1:
            raise wrong("one of key, together, days_drawn", "say what the axis moves")
        given = [form for form in FORMS if getattr(self, form) is not None]
        if self.key is None and (given or self.relative):
            raise wrong(f"nothing beside {kinds[0]}", "give the values of a key beside the key")
        if self.key is not None and len(given) != 1:
            found = " and ".join(given) or "none of them"
            raise wrong(f"one of {', '.join(FORMS)} (found {found})", "say in one way what the key is set to")
        return self

    @model_validator(mode="after")
    def _relative_numbers(self) -> Self:
        if self.relative and self.files is not None:
            raise wrong("no relative beside files", "files have no factor", key="relative")
        for place, value in enumerate(self.values or ()):
            if self.relative and (isinstance(value, bool) or not isinstance(value, int | float)):
                raise wrong("a number, a factor of the base's value", "1.1 is 110 %", key=f"values/{place}")
        return self

    @model_validator(mode="after")
    def _same_length(self) -> Self:
        for place, one in enumerate(self.together or ()):
            if one.key is None or one.distribution is not None:
                raise wrong("a key with listed values", "what is drawn moves by itself", key=f"together/{place}")
            count = len(self.together[0].listed()) if self.together else 0
            if len(one.listed()) != count:
                raise wrong(f"{count} values, as the first key has", "they move together", key=f"together/{place}")
        return self

    @property
    def is_drawn(self) -> bool:
        """Whether its values are drawn."""
        return self.days_drawn or self.distribution is not None

    @property
    def distribution(self) -> Uniform | Normal | Triangular | Lognormal | None:
        """What it is drawn from; None where its values are listed."""
        return self.uniform or self.normal or self.triangular or self.lognormal

    @property
    def keys(self) -> "tuple[Axis, ...]":
        """The keys that move: one, or all that move together; none for days of load."""
        return () if self.days_drawn else self.together or (self,)

    @property
    def title(self) -> str:
        """Name of the axis."""
        if self.days_drawn:
            return self.name or "days of load"
        return self.name or ", ".join(one.key or "" for one in self.keys)

    def listed(self) -> tuple[Value, ...]:
        """Return the values of a key that are listed, in their order; none for a distribution."""
        if self.values is not None:
            return self.values
        if self.files is not None:
            return self.files
        if self.range is None:
            return ()
        first, last, step = self.range.first, self.range.last, self.range.step
        numbers = [round(first + at * step, 12) for at in range(math.floor((last - first) / step + 1e-9) + 1)]
        is_whole = first.is_integer() and step.is_integer()
        return tuple(int(one) if is_whole else one for one in numbers)


class Draws(Block):
    """How often what is drawn is drawn."""

    count: Annotated[int, Field(ge=1, le=1_000_000)] = Field(description="number of draws")
    method: Literal["latin_hypercube", "sobol"] = Field(
        default="latin_hypercube", description="latin_hypercube or sobol, whose count is a power of 2"
    )
    seed: Annotated[int, Field(ge=0)] | None = Field(
        default=None, description="start of the random numbers; left out: one is drawn, shown and stored"
    )

    @model_validator(mode="after")
    def _power_of_two(self) -> Self:
        if self.method == "sobol" and self.count & (self.count - 1):
            less = 1 << (self.count.bit_length() - 1)
            raise wrong(
                f"a power of 2 beside sobol: {less} or {2 * less}", "its points are even only then", key="count"
            )
        return self


class SweepFile(Block):
    """A sweep file of format version 1."""

    crestfall_sweep: FormatVersion = Field(description="version of the file format; this Crestfall reads version 1")
    question: Name | None = Field(default=None, description="the question this sweep answers, shown on the page")
    base: FileName = Field(description="scenario file, relative to this one")
    axes: Many[Axis] = Field(min_length=1, description="what is varied")
    combine: Literal["product", "one_at_a_time"] = Field(
        default="product",
        description="product (each listed value with each of the others) or one_at_a_time (the others as in the base)",
    )
    draws: Draws | None = Field(default=None, description="needed where something is drawn: count, method, seed")
    study: Literal["life", "first_year"] = Field(
        default="life", description="life (all years, where the base has them) or first_year"
    )

    @model_validator(mode="after")
    def _drawn(self) -> Self:
        is_drawn = any(axis.is_drawn for axis in self.axes)
        if is_drawn and self.draws is None:
            raise wrong("count of draws, since an axis is drawn", "add draws: {count: 64, seed: 1}", key="draws")
        if not is_drawn and self.draws is not None:
            raise wrong(
                "no draws, since no axis is drawn", "drop the block, or give an axis a distribution", key="draws"
            )
        return self
