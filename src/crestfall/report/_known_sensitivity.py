"""What the answer hangs on, as far as it is known without a new schedule."""

import textwrap
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from crestfall.finance import CapitalCost, ProjectYears, appraise, simple_payback_years
from crestfall.report import _style as style
from crestfall.report._words import number, percent, say
from crestfall.scenario.money_block import Money
from crestfall.study import Life, Result

CAPITAL_FRAC = 0.2  # common practice, no source, as are the next two
GROWTH_FRAC = 0.01
RATE_FRAC = 0.02
LEAST_RATE_FRAC = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing changed down and up, all else as it is.

    Parameters
    ----------
    name : str
        What is changed.
    ends : tuple of str
        What it is changed to, at the low and at the high end.
    results : tuple of float
        The measure at both ends.
    """

    name: str
    ends: tuple[str, str]
    results: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A measure of the project, and what moves it.

    Parameters
    ----------
    measure : str
        Its name with its unit.
    base : float
        Its value.
    decimals : int
        Digits after the point that it is shown with.
    changes : tuple of Change
        The widest first.
    """

    measure: str
    base: float
    decimals: int
    changes: tuple[Change, ...]


def known_sensitivity(result: Result) -> Known | None:
    """
    Return how far the money of a study moves with what needs no new schedule.

    Net present value where there is a life and a discount rate, else the simple payback.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    Known or None
        The measure and its changes; None where the battery saves nothing, or there is none.
    """
    if not result.inputs.plant.option.is_battery or result.saving(result.headline) <= 0:
        return None
    money = result.inputs.scenario.ask.money
    if result.life is not None and money.discount is not None:
        return _of_npv(result, result.life, money)
    return _of_payback(result)


def _of_npv(result: Result, life: Life, money: Money) -> Known | None:
    base = life.appraisal.without_debt.npv
    if base is None or money.discount is None:
        return None

    def npv(years: ProjectYears = life.project, capital: CapitalCost = life.capital, terms: Money = money) -> float:
        found = appraise(years, capital, terms).without_debt.npv
        assert found is not None  # noqa: S101 -- tells the type checker; there is a discount rate
        return found

    def scaled(factor: float) -> CapitalCost:
        parts = {name: factor * getattr(life.capital, name) for name in CapitalCost.__slots__}
        return replace(life.capital, **parts)

    def growing(frac: float) -> ProjectYears:
        factor = (1 + frac) ** np.arange(life.project.n_years)
        return replace(life.project, line_savings=life.project.line_savings * factor[:, np.newaxis])

    def saving(case_saving: float) -> ProjectYears:
        factor = case_saving / result.saving(result.headline)
        return replace(life.project, line_savings=life.project.line_savings * factor)

    rate = money.discount.rate_frac
    rates = (max(rate - RATE_FRAC, LEAST_RATE_FRAC), rate + RATE_FRAC)
    terms = [money.model_copy(update={"discount": money.discount.model_copy(update={"rate_frac": r})}) for r in rates]
    changes = [
        _capital_change(lambda factor: npv(capital=scaled(factor))),
        Change(
            name=say("growth of the savings a year, on top"),
            ends=(percent(-GROWTH_FRAC, 0), f"+{percent(GROWTH_FRAC, 0)}"),
            results=(npv(growing(-GROWTH_FRAC)), npv(growing(GROWTH_FRAC))),
        ),
        Change(
            name=say("discount rate"),
            ends=(percent(rates[0]), percent(rates[1])),
            results=(npv(terms=terms[0]), npv(terms=terms[1])),
        ),
        _policy_change(result, lambda amount: npv(saving(amount))),
    ]
    measure = say("net present value [{currency}]", currency=money.currency)
    return _known(measure, base, 0, changes)


def _of_payback(result: Result) -> Known:
    def payback(capital: float = result.capital, saving: float = result.saving(result.headline)) -> float:
        found = simple_payback_years(capital, saving)
        return float("inf") if found is None else found

    base = payback()
    changes = [_capital_change(lambda factor: payback(factor * result.capital))]
    changes.append(_policy_change(result, lambda amount: payback(saving=amount)))
    changes = [one for one in changes if np.isfinite(one.results).all()]
    return _known(say("simple payback [years]"), base, 1, changes)


def _known(measure: str, base: float, decimals: int, changes: list[Change]) -> Known:
    by_width = sorted(changes, key=lambda one: -abs(one.results[1] - one.results[0]))
    return Known(measure=measure, base=base, decimals=decimals, changes=tuple(by_width))


def _capital_change(measured: Callable[[float], float]) -> Change:
    return Change(
        name=say("capital cost"),
        ends=(percent(-CAPITAL_FRAC, 0), f"+{percent(CAPITAL_FRAC, 0)}"),
        results=(measured(1 - CAPITAL_FRAC), measured(1 + CAPITAL_FRAC)),
    )


def _policy_change(result: Result, measured: Callable[[float], float]) -> Change:
    """Return the measure with the first year's saving of the least and of the most able policy, in every year."""
    cases = sorted(result.cases, key=result.saving)
    least, most = cases[0], cases[-1]
    return Change(
        name=say("who runs it: every year as the first"),
        ends=(style.policy_words(least.policy), say(style.policy_words(most.policy))),
        results=(measured(result.saving(least)), measured(result.saving(most))),
    )


def draw_known_sensitivity(known: Known, ax: Axes | None = None) -> Axes:
    """
    Draw how far each change alone moves the measure, the widest on top.

    Parameters
    ----------
    known : Known
        The measure and its changes.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    if ax is None:
        height = 1.3 + 0.62 * len(known.changes)
        ax = Figure(figsize=(style.WIDTH_IN, height), layout="constrained").subplots()
    for row, change in enumerate(known.changes):
        for value, end, look in zip(change.results, change.ends, (style.LOW_FILL, style.HIGH_FILL), strict=True):
            ax.barh(row, value - known.base, 0.5, left=known.base, **look)
            side = 1 if value >= known.base else -1
            ax.annotate(
                f"{number(value, known.decimals)}\n({end})",
                (value, row),
                xytext=(4 * side, 0),
                textcoords="offset points",
                ha="left" if side > 0 else "right",
                va="center",
                fontsize=8,
            )
    ax.axvline(known.base, color=style.LOAD["color"], linewidth=1.0)
    ax.set_yticks(range(len(known.changes)), [_wrapped(one.name) for one in known.changes])
    ax.set_ylim(len(known.changes) - 0.45, -0.55)
    ax.margins(x=0.22)
    ax.grid(visible=False, axis="y")
    ax.xaxis.set_major_locator(MaxNLocator(6))
    ax.xaxis.set_major_formatter(style.in_numbers())
    ax.set_xlabel(known.measure)
    ax.set_title(say("One thing changed at a time, from {base}", base=number(known.base, known.decimals)), loc="left")
    return ax


def _wrapped(text: str) -> str:
    return "\n".join(textwrap.wrap(text, 30))
