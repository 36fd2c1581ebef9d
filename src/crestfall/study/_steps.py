"""From one option to the next larger one: what it adds, at most and truly, and what it costs."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from crestfall.finance import discount_factors
from crestfall.plant import Option
from crestfall.scenario.money_block import Money
from crestfall.study._option_figures import OptionFigures

Part = Literal["racks", "modules"]
MARGINAL_COLUMNS = (
    "racks",
    "modules",
    "part",
    "more",
    "saving_at_most",
    "saving_planned",
    "saving",
    "capital",
    "npv",
    "yearly_saving",
    "yearly_cost",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """From one option to the next larger one of those compared that differs in one part.

    Parameters
    ----------
    smaller, larger : OptionFigures
        Both options.
    part : {"racks", "modules"}
        What there is more of.
    yearly_saving, yearly_cost : float
        What the difference saves and costs in each year: its present values as equal yearly amounts until the horizon.
        All that is no saving is a cost: capital less grant, running costs, later racks, tax, less the residual value.
        NaN without a life and a discount rate. Their difference is that of the net present values, as a yearly amount.
    """

    smaller: OptionFigures
    larger: OptionFigures
    part: Part
    yearly_saving: float
    yearly_cost: float

    @property
    def more(self) -> int:
        """How many more there are."""
        before, after = self.smaller.option, self.larger.option
        return after.racks - before.racks + after.modules - before.modules

    @property
    def saving(self) -> float:
        """What the difference saves on the bill of the first year, as replayed."""
        return self.larger.saving - self.smaller.saving

    @property
    def capital(self) -> float:
        """What the difference costs at the start, less grants."""
        return _net(self.larger) - _net(self.smaller)

    @property
    def npv(self) -> float:
        """What the difference adds to the net present value; NaN where there is none."""
        return self.larger.npv - self.smaller.npv

    @property
    def saving_at_most(self) -> float:
        """What the smaller option's optimum says that the difference saves at the most, wear counted; NaN if none."""
        larger = self.larger.option
        if self.larger.contract != self.smaller.contract:
            return np.nan  # the prices are those of another contract
        return next((one.saving for one in self.smaller.at_most if one.option == larger), np.nan)

    @property
    def saving_planned(self) -> float:
        """What both optima of the first year differ by, wear counted: this cannot be more than `saving_at_most`."""
        return self.smaller.objective - self.larger.objective

    def row(self) -> dict[str, Any]:
        """Return the step as a row of `MARGINAL_COLUMNS`, named by the smaller option."""
        figures = MARGINAL_COLUMNS[2:]
        option = self.smaller.option
        return {"racks": option.racks, "modules": option.modules} | {name: getattr(self, name) for name in figures}


def steps_between(options: Sequence[OptionFigures], money: Money) -> tuple[Step, ...]:
    """
    Return the steps between the options of a comparison.

    Parameters
    ----------
    options : sequence of OptionFigures
        Options that can be had.
    money : Money
        Discount rate of the scenario.

    Returns
    -------
    tuple of Step
        By smaller option, racks first.
    """
    return tuple(_steps(options, money))


def _steps(options: Sequence[OptionFigures], money: Money) -> Iterator[Step]:
    batteries = [one for one in options if one.option.is_battery]
    for smaller in batteries:
        parts: tuple[Part, ...] = ("racks", "modules")
        for part in parts:
            larger = [one for one in batteries if _is_larger(one.option, smaller.option, part)]
            if larger:
                nearest = min(larger, key=lambda one: getattr(one.option, part))
                saving, cost = _yearly(smaller, nearest, money)
                yield Step(smaller=smaller, larger=nearest, part=part, yearly_saving=saving, yearly_cost=cost)


def _is_larger(one: Option, other: Option, part: Part) -> bool:
    if part == "racks":
        return one.modules == other.modules and one.racks > other.racks
    return one.racks == other.racks and one.modules > other.modules


def _yearly(smaller: OptionFigures, larger: OptionFigures, money: Money) -> tuple[float, float]:
    if smaller.life is None or larger.life is None or money.discount is None:
        return np.nan, np.nan
    n_years = len(smaller.life.years)
    factors = discount_factors(money.discount.rate_frac, n_years, timing=money.discount.timing)[1:]
    saved = (larger.life.project.savings - smaller.life.project.savings) @ factors
    annuity = float(factors.sum())
    return float(saved) / annuity, (float(saved) - (larger.npv - smaller.npv)) / annuity


def _net(one: OptionFigures) -> float:
    return 0.0 if one.capital is None else one.capital.net
