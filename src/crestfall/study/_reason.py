"""Why an option is recommended, in a sentence that both its neighbours bear out."""

import math
from collections.abc import Sequence

from crestfall.study._doubt import Terms
from crestfall.study._option_figures import OptionFigures
from crestfall.study._steps import Step

ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def reason(
    best: OptionFigures,
    second: OptionFigures | None,
    steps: Sequence[Step],
    terms: Terms,
    currency: str,
    *,
    not_compared: Sequence[str] = (),
) -> str:
    """
    Return why an option is the first of a ranking.

    Parameters
    ----------
    best, second : OptionFigures
        The first of the ranking and the next; None where there is no other.
    steps : sequence of Step
        Steps between all options.
    terms : Terms
        By what they are ranked.
    currency : str
        Currency code.
    not_compared : sequence of str, optional
        What the sentence knows nothing of, though the catalogue has it.

    Returns
    -------
    str
        The sentence, without a full stop.
    """
    if not best.option.is_battery:
        return "; ".join([f"no battery: {_nothing_pays(second, terms, currency)}", *not_compared])
    up = [step for step in steps if step.smaller is best]
    down = [step for step in steps if step.larger is best]
    shown = [*(_words(step, terms, is_up=True) for step in up), *(_words(one, terms, is_up=False) for one in down)]
    return "; ".join([f"{best.option}: {_lead(best, terms, currency)}", *shown, *not_compared])


def _lead(best: OptionFigures, terms: Terms, currency: str) -> str:
    capital = 0.0 if best.capital is None else best.capital.net
    target = terms.criterion.target or 0.0
    match terms.criterion.name:
        case "npv":
            return f"highest NPV, {_money(best.npv)} {currency}"
        case "payback":
            return f"shortest payback, {best.payback_years or math.inf:.1f} years"
        case "irr":
            return f"highest rate of return, {_rate(best)}"
        case "saving_per_capital":
            return f"highest saving for each {currency} spent, {best.saving / capital:.3f} a year"
        case "saving":
            return f"highest saving, {_money(best.saving)} {currency} in the first year"
        case "saving_target":
            if best.saving < target:
                return f"no option saves {_money(target)} {currency} a year; this one costs least"
            return f"least capital, {_money(capital)} {currency}, that saves {_money(target)} a year"
        case "peak_target":
            if best.peak_import_kw > target:
                return f"no option keeps import below {target:g} kW; this one costs least"
            return f"least capital, {_money(capital)} {currency}, that keeps import to {target:g} kW"


def _nothing_pays(second: OptionFigures | None, terms: Terms, currency: str) -> str:
    if second is None:
        return "no other option can be had"
    name, option = terms.criterion.name, second.option
    target = terms.criterion.target or 0.0
    match name:
        case "npv":
            loss = f"{_money(-second.npv)} {currency}"
            return f"no option has an NPV above 0; the best of them, {option}, would lose {loss}"
        case "payback":
            return "no option pays back"
        case "irr":
            return f"no option returns more than {100 * terms.criterion.hurdle_frac:g} %, what money costs"
        case "saving_target" if second.saving < target:
            return f"no option saves {_money(target)} {currency} a year"
        case "peak_target" if second.peak_import_kw > target:
            return f"no option keeps import to {target:g} kW"
        case "peak_target":
            return f"import stays within {target:g} kW without one"
        case _:
            return "no option saves anything"


def _words(step: Step, terms: Terms, *, is_up: bool) -> str:
    """Return what the step to or from the best option adds and costs."""
    part, larger = step.part.removesuffix("s"), getattr(step.larger.option, step.part)
    which = f"a {_ordinal(larger)} {part}" if step.more == 1 else f"{step.more} {step.part} more"
    if not is_up:
        which = f"the {_ordinal(larger)} {part}" if step.more == 1 else f"the last {step.more} {step.part}"
    match terms.criterion.name:
        case "npv":
            verb = "adds" if step.yearly_saving >= 0 else "loses"
            more = "costs" if step.yearly_cost >= 0 else "spares"
            return f"{which} {verb} {_money(abs(step.yearly_saving))} a year and {more} {_money(abs(step.yearly_cost))}"
        case "saving":
            verb = "adds" if step.saving >= 0 else "loses"
            return f"{which} {verb} {_money(abs(step.saving))} a year for {_money(step.capital)} of capital"
        case _:
            other = step.larger if is_up else step.smaller
            return f"{'with ' + which if is_up else 'without ' + which} {_figure(other, terms)}"


def _figure(other: OptionFigures, terms: Terms) -> str:
    """Return what a neighbour has of what the best one was chosen by."""
    capital = 0.0 if other.capital is None else other.capital.net
    match terms.criterion.name:
        case "payback":
            return "never" if other.payback_years is None else f"{other.payback_years:.1f} years"
        case "irr":
            return _rate(other)
        case "saving_per_capital":
            return f"{other.saving / capital:.3f} a year" if capital > 0 else "no capital"
        case "peak_target":
            return f"{other.peak_import_kw:.1f} kW for {_money(capital)} of capital"
        case _:
            return f"{_money(other.saving)} a year for {_money(capital)} of capital"


def _rate(one: OptionFigures) -> str:
    rates = () if one.life is None else one.life.appraisal.without_debt.irr_frac
    return f"{100 * rates[0]:.1f} %" if len(rates) == 1 else "none"


def _ordinal(number: int) -> str:
    """Return a number as the place of one in a row.

    >>> _ordinal(5), _ordinal(12), _ordinal(21)
    ('fifth', '12th', '21st')
    """
    if number < len(ORDINALS):
        return ORDINALS[number]
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _money(value: float) -> str:
    return f"{round(value) + 0:,}".replace("-", "−")
