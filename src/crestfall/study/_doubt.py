"""How sure a choice is: what the options would be worth if load, prices, fade and capital cost were others.

Nothing is solved here. Other years of load and worn racks were solved for the first year of each option; the rest is
carried through the years of life as it follows:

- a year of load changes each line's saving as it does in the first year, in proportion to the bill of the year; the
  highest import is the one of that year, with new racks: only a criterion of the first year looks at it;
- prices scale the lines of their group. A schedule made for the new prices would save more: this errs on the low side;
- faster fade lowers each year's saving by what less health costs in the first year, and brings the end of life forward:
  racks are replaced, or given up, as the scenario has it;
- capital cost scales all parts of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.ageing import later_cost
from crestfall.finance import CapitalCost, payback_years, present_value, project_cash, rates_of_return
from crestfall.finance import simple_payback_years as simple_payback
from crestfall.scenario.life_block import EndOfLife
from crestfall.scenario.money_block import Money
from crestfall.study._life_result import Life
from crestfall.study._option_figures import WORN_FRAC, LineSavings, OptionFigures
from crestfall.study._quantiles import design, lognormal, triangular
from crestfall.study._ranking import Criterion, Worth

FloatArray = NDArray[np.float64]
ENERGY_GROUPS = ("energy", "export")
DEMAND_GROUPS = ("demand", "capacity", "coincident", "events")
# How far figures of the next years lie from those of today: our choice, no source. Deviations of logarithms, and a
# triangle from least to most with its peak at 1, since racks fade faster than said more often than slower.
ENERGY_PRICE_SD, DEMAND_PRICE_SD, CAPITAL_SD = 0.10, 0.10, 0.08
FADE_LEAST, FADE_MOST = 0.8, 1.4
LEAST_HEALTH = 0.05
DRAW_COLUMNS = ("load", "energy_price", "demand_price", "fade", "capital")


def draw(n_draws: int, n_loads: int, seed: int) -> pd.DataFrame:
    """
    Return what is not known, drawn by Latin hypercube.

    Parameters
    ----------
    n_draws : int
        How often.
    n_loads : int
        How many years of load there are, the first being that of the study.
    seed : int
        Start of the random numbers.

    Returns
    -------
    DataFrame
        `DRAW_COLUMNS`: the place of the year of load, and factors.
    """
    share = design(n_draws, len(DRAW_COLUMNS), seed)
    columns = (
        np.minimum((share[:, 0] * n_loads).astype(int), n_loads - 1),
        lognormal(share[:, 1], 1.0, ENERGY_PRICE_SD),
        lognormal(share[:, 2], 1.0, DEMAND_PRICE_SD),
        triangular(share[:, 3], FADE_LEAST, 1.0, FADE_MOST),
        lognormal(share[:, 4], 1.0, CAPITAL_SD),
    )
    return pd.DataFrame(dict(zip(DRAW_COLUMNS, columns, strict=True)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What the options of a comparison have in common.

    Parameters
    ----------
    money : Money
        Money of the scenario.
    plan : EndOfLife or None
        What is done about fade; None without a life.
    end_health_frac : float
        Health at which racks are given up.
    groups : dict of str to str
        Group of each line of the bill.
    criterion : Criterion
        By what options are ranked.
    """

    money: Money
    plan: EndOfLife | None
    end_health_frac: float
    groups: dict[str, str]
    criterion: Criterion


def scores(options: Sequence[OptionFigures], draws: pd.DataFrame, terms: Terms) -> FloatArray:
    """
    Return how good each option is in each draw.

    Parameters
    ----------
    options : sequence of OptionFigures
        Options that can be had.
    draws : DataFrame
        `DRAW_COLUMNS`.
    terms : Terms
        What they have in common.

    Returns
    -------
    ndarray of shape (n_draws, n_options)
        Scores of the criterion; -inf where an option is no candidate, as when it cannot keep a limit in a year of load.
    """
    found = np.empty((len(draws), len(options)))
    for at, option in enumerate(options):
        for number, one in enumerate(draws.itertuples(index=False)):
            worth = worth_in(option, one, terms)
            found[number, at] = -np.inf if worth is None else terms.criterion.score(worth)
    return found


def worth_in(option: OptionFigures, drawn: "pd.Series[float] | tuple[float, ...]", terms: Terms) -> Worth | None:
    """
    Return what an option is worth in one draw.

    Parameters
    ----------
    option : OptionFigures
        The option.
    drawn : tuple
        A row of draws, `DRAW_COLUMNS`.
    terms : Terms
        What options have in common.

    Returns
    -------
    Worth or None
        None where no schedule keeps the limits in that year of load.
    """
    load, energy, demand, fade, capital_factor = drawn
    other = (option.line_savings, *option.other_years)[int(load)]
    peak_import_kw = (option.peak_import_kw, *option.other_peaks)[int(load)]
    if other is None or peak_import_kw is None or option.capital is None:
        return None
    factors = dict.fromkeys(ENERGY_GROUPS, energy) | dict.fromkeys(DEMAND_GROUPS, demand)
    price = {line: factors.get(group, 1.0) for line, group in terms.groups.items()}
    first = sum(price[line] * value for line, value in other.items())
    scaled = {name: capital_factor * getattr(option.capital, name) for name in CapitalCost.__slots__}
    capital = replace(option.capital, **scaled)
    if option.life is None or terms.plan is None:
        return Worth(
            is_battery=option.option.is_battery,
            capital=capital.net,
            saving=first,
            npv=0.0 if not option.option.is_battery else np.nan,
            irr_frac=np.nan,
            payback_years=simple_payback(capital.net, first) or np.inf,
            peak_import_kw=peak_import_kw,
        )
    cash = _cash(option, option.life, _change(option, other), price, float(fade), capital, terms)
    return worth_of(cash, capital.net, first, peak_import_kw, terms.money)


def worth_of(cash: FloatArray, capital: float, saving: float, peak_import_kw: float, money: Money) -> Worth:
    """
    Return what a row of cash of an option with a battery is worth.

    Parameters
    ----------
    cash : ndarray of shape (n_years + 1,)
        The cash.
    capital, saving, peak_import_kw : float
        Net capital, first year's saving, highest import.
    money : Money
        Discount rate.

    Returns
    -------
    Worth
        What a criterion looks at.
    """
    discount = money.discount
    timing = "end_of_year" if discount is None else discount.timing
    rates = rates_of_return(cash, timing=timing)
    payback = payback_years(cash)
    return Worth(
        is_battery=True,
        capital=capital,
        saving=saving,
        npv=np.nan if discount is None else present_value(cash, discount.rate_frac, timing=timing),
        irr_frac=rates[0] if len(rates) == 1 else np.nan,
        payback_years=np.inf if payback is None else payback,
        peak_import_kw=peak_import_kw,
    )


def _change(option: OptionFigures, other: LineSavings) -> LineSavings:
    """Return what another year of load adds to the saving on each line of the first year."""
    lines = dict.fromkeys([*option.line_savings, *other])
    return {line: other.get(line, 0.0) - option.line_savings.get(line, 0.0) for line in lines}


def _cash(
    option: OptionFigures,
    life: Life,
    change: LineSavings,
    price: dict[str, float],
    fade: float,
    capital: CapitalCost,
    terms: Terms,
) -> FloatArray:
    """Return the cash of the years."""
    assert terms.plan is not None  # noqa: S101 -- tells the type checker; there is a life
    lines = list(dict.fromkeys([*life.project.lines, *change]))
    price_of = np.array([price[line] for line in lines])
    known = dict(zip(life.project.lines, life.project.line_savings.T, strict=True))
    worn = {} if option.worn_savings is None else option.worn_savings
    first = np.array([option.line_savings.get(line, 0.0) for line in lines])
    slope = (first - np.array([worn.get(line, 0.0) for line in lines])) / WORN_FRAC  # saving for all of the health
    grown = np.array([one.bill_without for one in life.years]) / life.years[0].bill_without
    as_is = _ages(life, 1.0, terms.plan, terms.end_health_frac)
    faded = _ages(life, fade, terms.plan, terms.end_health_frac)
    savings = np.stack([known.get(line, np.zeros(len(grown))) for line in lines], axis=1)
    # A year beyond the computed end is like the first, but for growth and health.
    beyond = ~as_is.in_use & faded.in_use
    savings = np.where(beyond[:, None], grown[:, None] * first, savings)
    added = np.array([change.get(line, 0.0) for line in lines]) + slope * (faded.health - as_is.health)[:, None]
    savings = np.where(faded.in_use[:, None], savings + grown[:, None] * added, 0.0) * price_of
    cost = np.maximum(life.project.replacement_cost + faded.cost - as_is.cost, 0.0)
    project = replace(life.project, lines=tuple(lines), line_savings=savings, replacement_cost=cost)
    return project_cash(project, capital, terms.money)


@dataclass(frozen=True, slots=True)
class _Ages:
    """Health in the middle of each year, whether there is a battery, and what new racks cost."""

    health: FloatArray
    in_use: NDArray[np.bool_]
    cost: FloatArray


def _ages(life: Life, fade: float, plan: EndOfLife, end_health_frac: float) -> _Ages:
    """Walk through the years with losses `fade` times as large; the first racks show how they grow with age."""
    n = len(life.years)
    if plan.then == "augment":
        return _augmented(life, fade, end_health_frac)
    first = [one for one in life.years if one.racks][: _first_generation(life)]
    start, mean = (
        _carried_on(np.array([1 - getattr(one, f"health_{when}_frac") for one in first]), n)
        for when in ("start", "mean")
    )
    racks, age, is_over = life.years[0].racks, 0, False
    health, in_use, cost = np.ones(n), np.zeros(n, dtype=bool), np.zeros(n)
    for year in range(n):
        if age > 0 and 1 - fade * start[age] <= end_health_frac:
            if plan.then == "replace" and plan.prices is not None:
                age, cost[year] = 0, later_cost(plan.prices, racks, year + 1)
            else:
                is_over = True
        if is_over:
            break
        health[year], in_use[year] = max(1 - fade * mean[age], LEAST_HEALTH), True
        age += 1
    return _Ages(health, in_use, cost)


def _first_generation(life: Life) -> int:
    """Return for how many years the first racks run."""
    return next((one.year - 1 for one in life.years if one.purchase is not None), len(life.years))


def _carried_on(losses: FloatArray, n: int) -> FloatArray:
    """Return losses by age, beyond the last known one as fast as they grew then."""
    step = losses[-1] - losses[-2] if len(losses) > 1 else losses[-1]
    beyond = losses[-1] + step * np.arange(1, n - len(losses) + 1)
    return np.concatenate([losses, beyond])


def _augmented(life: Life, fade: float, end_health_frac: float) -> _Ages:
    """Racks join when they are planned to, whatever their health."""
    start, mean = (
        np.nan_to_num(1 - fade * (1 - np.array([getattr(one, f"health_{when}_frac") for one in life.years])), nan=0.0)
        for when in ("start", "mean")
    )
    in_use = ~np.logical_or.accumulate(start <= end_health_frac)
    return _Ages(np.maximum(mean, LEAST_HEALTH), in_use, np.zeros(len(start)))
