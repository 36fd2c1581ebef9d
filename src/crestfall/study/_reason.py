"""Why an option is recommended, in a sentence that both its neighbours bear out."""

import math
from collections.abc import Sequence

from crestfall.study._doubt import Terms
from crestfall.study._option_figures import OptionFigures
from crestfall.study._steps import Step

NO_RATE = "none"
ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def reasons(
    best: OptionFigures,
    second: OptionFigures | None,
    steps: Sequence[Step],
    terms: Terms,
    currency: str,
    *,
    not_compared: Sequence[str] = (),
) -> tuple[str, ...]:
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
    tuple of str
        What the option is ahead in, then what each step from it and to it brings: clauses of one sentence.
    """
    if not best.option.is_battery:
        return (f"no battery: {_nothing_pays(second, terms, currency)}", *not_compared)
    up = [step for step in steps if step.smaller is best]
    down = [step for step in steps if step.larger is best]
    said = [_words(step, terms, currency, is_up=is_up) for some, is_up in ((up, True), (down, False)) for step in some]
    return (f"{best.option}: {_lead(best, terms, currency)}", *filter(None, said), *not_compared)


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


def _words(step: Step, terms: Terms, currency: str, *, is_up: bool) -> str:
    """Return what the step to or from the best option adds and costs."""
    which, is_one = _parts(step, is_up=is_up), step.more == 1
    match terms.criterion.name:
        case "npv":
            adds, costs = _verb(step.yearly_saving, is_one, "add", "lose"), _verb(step.yearly_cost, is_one)
            saving, cost = _money(abs(step.yearly_saving)), _money(abs(step.yearly_cost))
            return f"{which} {adds} {saving} and {costs} {cost} {currency} a year"
        case "saving":
            adds, costs = _verb(step.saving, is_one, "add", "lose"), _verb(step.capital, is_one)
            yearly, capital = f"{_money(abs(step.saving))} {currency} a year", f"{_money(abs(step.capital))} {currency}"
            return f"{which} {adds} {yearly} and {costs} {capital}"
        case "payback":
            years = (step.larger if is_up else step.smaller).payback_years
            if not is_up:
                return f"without {which} it " + ("never pays back" if years is None else f"takes {years:.1f} years")
            if years is None:
                return f"{which} {'keeps' if is_one else 'keep'} it from paying back"
            return f"{which} {'brings' if is_one else 'bring'} that to {years:.1f} years"
        case _:
            other = step.larger if is_up else step.smaller
            figure = _figure(other, terms, currency)
            if figure is None:
                leaves = f"{which} {'leaves' if is_one else 'leave'}" if is_up else f"without {which} there is"
                return f"{leaves} no single rate of return"
            if not is_up:
                return f"without {which} it is {figure}"
            return f"{which} {'brings' if is_one else 'bring'} that to {figure}"


def _figure(other: OptionFigures, terms: Terms, currency: str) -> str | None:
    """Return what a neighbour has of what the best one was chosen by; None for no rate of return."""
    capital = 0.0 if other.capital is None else other.capital.net
    match terms.criterion.name:
        case "irr":
            return None if (rate := _rate(other)) == NO_RATE else rate
        case "saving_per_capital":
            return f"{other.saving / capital:.3f} a year"
        case "peak_target":
            return f"{other.peak_import_kw:.1f} kW for {_money(capital)} {currency}"
        case _:
            return f"{_money(other.saving)} {currency} a year for {_money(capital)} {currency}"


def _rate(one: OptionFigures) -> str:
    rates = () if one.life is None else one.life.appraisal.without_debt.irr_frac
    return f"{100 * rates[0]:.1f} %" if len(rates) == 1 else NO_RATE


def _parts(step: Step, *, is_up: bool) -> str:
    """Return what a step is about: the next parts, or the last ones that the best option has."""
    if step.more > 1:
        return f"{step.more} {step.part} more" if is_up else f"the last {step.more} {step.part}"
    count = getattr(step.larger.option, step.part)
    vowel_sound = str(count).startswith("8") or count in (11, 18)
    article = "the" if not is_up else "an" if vowel_sound else "a"
    return f"{article} {_ordinal(count)} {step.part.removesuffix('s')}"


def _verb(amount: float, is_one: bool, more: str = "cost", less: str = "spare") -> str:
    """Return the verb for an amount of either sign, in the form for one thing or for several.

    >>> _verb(5.0, True), _verb(-5.0, False)
    ('costs', 'spare')
    """
    return (more if amount >= 0 else less) + ("s" if is_one else "")


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
