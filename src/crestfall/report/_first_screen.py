"""What the first screen of a report says: the answer in a sentence, and the figures that carry it."""

from dataclasses import dataclass, field
from typing import NamedTuple

from crestfall.report._retold import retold
from crestfall.report._words import later, number, percent, say
from crestfall.study import Case, Result

HOW = {
    "rolling": later("by rolling plans, which know the tariff and the past and expect the rest"),
    "rules": later("by simple rules, which know the tariff and the past"),
    "hindsight": later("with hindsight, which knows the whole year: a ceiling, not a promise"),
}


class Tile(NamedTuple):
    """One figure: what it is, its value, and what to know of it."""

    name: str
    value: str
    note: str


class Beside(NamedTuple):
    """Figures of several options beside each other: heads with a note each, and rows that begin with a name."""

    heads: list[tuple[str, str]]
    rows: list[list[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstScreen:
    """What the first screen of a page shows.

    Parameters
    ----------
    reply : list of (str, bool)
        The answer in sentences, and whether each is the one to be seen first.
    tiles : list of Tile
        The figures that carry it.
    beside : Beside or None
        What it is held against.
    picture : dict or None
        The picture that shows why: title, text, data.
    """

    reply: list[tuple[str, bool]]
    tiles: list[Tile] = field(default_factory=list)
    beside: Beside | None = None
    picture: dict[str, str] | None = None


def answer(result: Result) -> str:
    """
    Return the answer to the question in one sentence, with the policy that it holds for.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    str
        The sentence.
    """
    case, currency = result.headline, result.inputs.scenario.ask.money.currency
    if not result.inputs.plant.option.is_battery:
        total = number(result.before.bill_total)
        return say("Without a battery the site pays {bill} {currency} in the year.", bill=total, currency=currency)
    saving = result.saving(case)
    values = {
        "option": retold(f"{result.inputs.plant.option}"),
        "saving": number(abs(saving)),
        "currency": currency,
        "how": say(HOW[case.policy]),
    }
    if saving <= 0:
        return say("{option} cost {saving} {currency} a year more than no battery, {how}.", **values)
    share = _share(saving, result.before.bill_total)
    return say("{option} save {saving} {currency} a year ({share} of the bill), {how}.", share=share, **values)


def verdict(result: Result) -> str:
    """
    Return in one sentence whether the years bring what the battery costs.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    str
        The sentence; empty without a net present value.
    """
    discount = result.inputs.scenario.ask.money.discount
    npv = None if result.life is None else result.life.appraisal.without_debt.npv
    if result.life is None or npv is None or discount is None:
        return ""
    values = {
        "n": number(len(result.life.years)),
        "amount": _money(abs(npv), result.inputs.scenario.ask.money.currency),
        "rate": percent(discount.rate_frac),
    }
    if npv < 0:
        return say("Over {n} years they bring {amount} less than they cost, discounted at {rate}.", **values)
    return say("Over {n} years they bring {amount} more than they cost, discounted at {rate}.", **values)


def tiles(result: Result) -> list[Tile]:
    """
    Return the figures of the first screen.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    list of Tile
        Bill, and with a battery capital, payback, worth, cycles, life and range, as far as there are such figures.
    """
    currency = result.inputs.scenario.ask.money.currency
    before = Tile(say("Bill before"), _money(result.before.bill_total, currency), say("in the year"))
    if not result.inputs.plant.option.is_battery:
        return [before]
    after = Tile(say("Bill after"), _money(result.headline.bill_total, currency), _of_line(result))
    capital = Tile(say("Capital cost"), _money(result.capital, currency), say("parts and what stands beside them"))
    shown = [before, after]
    if result.best_contract is not None:
        contract = say("the battery's saving counts from here")
        shown.insert(1, Tile(say("Best contract"), _money(result.reference.bill_total, currency), contract))
    return [*shown, capital, *_worth(result, currency), _cycles(result.headline), *_life(result), *_range(result)]


def _of_line(result: Result) -> str:
    captured = result.share_of_hindsight(result.headline)
    if result.headline.policy == "hindsight" or captured is None:
        return say("in the year")
    return say("the saving is {share} of hindsight's", share=percent(captured, 0))


def _worth(result: Result, currency: str) -> list[Tile]:
    """Return payback and net present value, from the years of life where there are some."""
    life, discount = result.life, result.inputs.scenario.ask.money.discount
    if life is None:
        note = say("first year's saving, no interest, no fade")
        return [Tile(say("Simple payback"), _years(result.payback_years), note)]
    worth = life.appraisal.without_debt
    found = [Tile(say("Payback"), _years(worth.payback_years), say("from the cash of all years, not discounted"))]
    if worth.npv is not None and discount is not None:
        terms = say("nominal") if discount.terms == "nominal" else say("real")
        note = say("{n} years at {rate}, {terms}", n=len(life.years), rate=percent(discount.rate_frac), terms=terms)
        found.append(Tile(say("Net present value"), _money(worth.npv, currency), note))
    return found


def _cycles(case: Case) -> Tile:
    note = say("a year: energy out of the racks (DC) over nominal energy")
    return Tile(say("Equivalent full cycles"), number(case.use.equivalent_full_cycles), note)


def _life(result: Result) -> list[Tile]:
    life = result.life
    if life is None:
        return []
    used = [one for one in life.years if one.racks]
    if not used:
        return []
    last = used[-1]
    note = say("health left at the end of year {year}", year=last.year)
    bought = sum(one.racks_bought for one in life.years)
    if bought:
        note = say("health left at the end of year {year}; {n} racks bought later", year=last.year, n=bought)
    return [Tile(say("Life"), percent(last.health_end_frac, 0), note)]


def _range(result: Result) -> list[Tile]:
    """Return what the saving lies between, by policy; no interval of confidence is made up from one year."""
    low, high = result.saving(result.rules), result.saving(result.hindsight)
    note = say("a year, from simple rules to hindsight; one year of data gives no narrower range")
    if result.headline.policy == "rules":
        note = say("a year, from these rules to hindsight; one year of data gives no narrower range")
    return [Tile(say("Range of the saving"), say("{low} to {high}", low=number(low), high=number(high)), note)]


def _money(value: float, currency: str) -> str:
    return f"{number(value)} {currency}"


def _years(value: float | None) -> str:
    return say("none") if value is None else say("{years} years", years=number(value, 1))


def _share(part: float, whole: float) -> str:
    return percent(part / whole) if whole > 0 else say("none")
