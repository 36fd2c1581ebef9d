"""The years of a battery's life in tables: health, savings, cash, what is read off it, and the warranty."""

import math

from crestfall.finance import Returns
from crestfall.report._words import figures, later, number, percent, say
from crestfall.scenario.money_block import Money
from crestfall.study import Life, Result

Row = tuple[str, ...]
YEARS_HEAD: Row = (
    later("year"),
    later("racks"),
    later("health"),
    later("by age"),
    later("by cycles"),
    later("full cycles"),
    later("saving"),
    later("later racks"),
    later("cash"),
    later("cumulative"),
    later("discounted"),
)
# What each term of a warranty is called, and how its margin is shown: digits, unit, factor.
TERMS = {
    "cycles_margin": (later("cycles in the year"), "{:,.0f}", 1.0),
    "cycles_total_margin": (later("cycles in all"), "{:,.0f}", 1.0),
    "throughput_total_margin_mwh": (later("throughput in all"), "{:,.1f} MWh", 1.0),
    "mean_soc_margin_frac": (later("mean state of charge"), "{:.1f} %", 100.0),
    "cold_margin_c": (later("lowest cell temperature"), "{:.1f} °C", 1.0),
    "heat_margin_c": (later("highest cell temperature"), "{:.1f} °C", 1.0),
    "health_margin_frac": (later("guaranteed health"), "{:.1f} %", 100.0),
}
CAPITAL_WORDS = {
    "racks": later("Racks"),
    "modules": later("Power modules"),
    "cabinets": later("Cabinets"),
    "balance_of_system": later("Balance of system"),
    "works": later("Works"),
    "design": later("Design"),
    "contingency": later("Contingency"),
}
CASH_WORDS = {
    "capital": later("capital"),
    "grant": later("grant"),
    "savings": later("savings"),
    "service": later("service"),
    "insurance": later("insurance"),
    "land": later("land"),
    "replacements": later("later racks"),
    "residual_value": later("residual value"),
    "decommissioning": later("decommissioning"),
    "tax": later("tax"),
    "cash": later("cash"),
    "depreciation": later("written off"),
}
DEBT_WORDS = {
    "loan": later("loan"),
    "interest": later("interest"),
    "repayment": later("repayment"),
    "tax_with_debt": later("tax"),
    "cash_with_debt": later("cash"),
    "dscr": later("debt service cover"),
}
# What discount rates are, as the scenario names it.
later("nominal")
later("real")
TIMING_WORDS = {"end_of_year": later("at the ends of the years"), "mid_year": later("in the middle of the years")}
OFFER_WORDS = {"purchase": later("purchase"), "lease": later("lease"), "shared_savings": later("shared savings")}


def years_rows(life: Life) -> list[Row]:
    """
    Return the years as a table, the start as year 0.

    Parameters
    ----------
    life : Life
        The years.

    Returns
    -------
    list of tuple of str
        A row for each year under `YEARS_HEAD`; a dash where there is nothing.
    """
    cash, years = life.appraisal.frame, {one.year: one for one in life.years}
    rows: list[Row] = []
    for year, flow in cash.iterrows():
        one = years.get(int(str(year)))
        runs = one is not None and one.racks > 0
        rows.append(
            (
                str(year),
                str(one.racks) if one is not None and runs else "–",
                _percent(one.health_end_frac) if one is not None else "–",
                _percent(one.calendar_loss_frac) if one is not None else "–",
                _percent(one.cycle_loss_frac) if one is not None else "–",
                number(one.full_cycles) if one is not None and runs else "–",
                _money(flow["savings"]) if one is not None else "–",
                _money(flow["replacements"]) if flow["replacements"] else "–",
                _money(flow["cash"]),
                _money(flow["cumulative"]),
                _money(flow["cumulative_discounted"]),
            )
        )
    return rows


def worth_rows(life: Life, money: Money) -> list[tuple[str, str, str]]:
    """
    Return what is read off the cash: name, figure, and what it means.

    Parameters
    ----------
    life : Life
        The years.
    money : Money
        Discount rate and currency.

    Returns
    -------
    list of tuple of str
        A row for each figure.
    """
    worth, currency = life.appraisal, money.currency
    rows = [
        (say("capital cost"), f"{number(life.capital.total)} {currency}", _grant_words(life)),
        *_returns_rows(worth.without_debt, money, ""),
    ]
    if worth.with_debt is not None:
        rows += _returns_rows(worth.with_debt, money, say(" with debt"))
        rows.append((say("debt service cover"), _plain(worth.least_dscr, "{:.2f}"), say("lowest of the years")))
    rows += [
        (say("break-even capital"), _plain(worth.break_even_capital, "{:,.0f} " + currency), say("at which NPV is 0")),
        (
            say("levelised cost"),
            _plain(worth.levelised_cost_per_kwh, "{:.3f} " + currency + "/kWh"),
            say("all costs and charging over energy discharged, both discounted"),
        ),
        (
            say("saving per kWh"),
            _plain(worth.saving_per_kwh, "{:.3f} " + currency + "/kWh"),
            say("over energy discharged, not discounted"),
        ),
    ]
    return [row for row in rows if row[1] != "–"]


def _returns_rows(found: Returns, money: Money, debt: str) -> list[tuple[str, str, str]]:
    discount, currency = money.discount, money.currency
    at = (
        ""
        if discount is None
        else say("at {rate} % {terms}", rate=f"{100 * discount.rate_frac:g}", terms=say(discount.terms))
    )
    when = "" if discount is None else say(", flows {timing}", timing=say(TIMING_WORDS[discount.timing]))
    rates = ", ".join(_percent(rate) for rate in found.irr_frac).replace("-", "−") or say("none")
    several = say("several: none says anything by itself") if len(found.irr_frac) > 1 else ""
    return [
        (say("net present value{debt}", debt=debt), _plain(found.npv, "{:,.0f} " + currency), at + when),
        (say("rate of return{debt}", debt=debt), rates, several),
        (say("modified rate{debt}", debt=debt), _plain(found.mirr_frac, "{:.1%}").replace("%", " %"), ""),
        (
            say("payback{debt}", debt=debt),
            _plain(found.payback_years, say("{:.1f} years"), say("none")),
            say("not discounted"),
        ),
        (
            say("discounted payback{debt}", debt=debt),
            "–" if discount is None else _plain(found.discounted_payback_years, say("{:.1f} years"), say("none")),
            at,
        ),
        (say("profitability index{debt}", debt=debt), _plain(found.profitability_index, "{:.2f}"), ""),
    ]


def capital_rows(life: Life) -> list[tuple[str, str]]:
    """
    Return what is spent at the start, part by part; parts that cost nothing are left out.

    Parameters
    ----------
    life : Life
        The years.

    Returns
    -------
    list of tuple of str
        Name and amount of each part, the sum, and what is left to pay after a grant.
    """
    parts = life.capital
    rows = [
        (words, _money(value))
        for name, words in CAPITAL_WORDS.items()
        if round(value := getattr(parts, name))  # a contingency of nothing is no line
    ]
    rows.append((say("Capital cost"), _money(parts.total)))
    return (
        [*rows, (say("Grant"), _money(-parts.grant)), (say("Left to pay"), _money(parts.net))] if parts.grant else rows
    )


def cash_tables(life: Life) -> list[list[Row]]:
    """
    Return the yearly cash in tables, a row for the start and each year: receipts positive, payments negative.

    Parameters
    ----------
    life : Life
        The years.

    Returns
    -------
    list of list of tuple of str
        Without debt and, with a loan, what it changes; the first row of each is its head. Lines without any amount are
        left out.
    """
    frame, tables = life.appraisal.frame, []
    for words in (CASH_WORDS, DEBT_WORDS):
        shown = [name for name in words if name != "dscr" and frame[name].abs().max() >= 0.5]
        if not shown:
            continue
        columns = [[_amount(value) for value in frame[name]] for name in shown]
        if words is DEBT_WORDS:
            columns.append([_plain(None if math.isnan(ratio) else ratio, "{:.2f}") for ratio in frame["dscr"]])
            shown = [*shown, "dscr"]
        head = (say("year"), *(say(words[name]) for name in shown))
        tables.append([head, *zip(map(str, frame.index), *columns, strict=True)])
    return tables


def warranty_rows(life: Life) -> list[tuple[str, ...]]:
    """
    Return what is left of each limit of the warranties, year by year.

    Parameters
    ----------
    life : Life
        The years.

    Returns
    -------
    list of tuple of str
        Racks, year of operation, and a margin for each entry of `TERMS`; a dash where there is no limit.
    """
    rows = []
    for racks in life.warranties:
        for record in racks.check.frame.to_dict("records"):
            year = racks.joined_year - 1 + record["year"]
            margins = [_margin(record[name], name) for name in TERMS]
            if any(margin != "–" for margin in margins):  # the warranty is not over
                rows.append(
                    (
                        say("{racks} of year {joined_year}", racks=racks.racks, joined_year=racks.joined_year),
                        str(year),
                        *margins,
                    )
                )
    return rows


def warranty_words(life: Life) -> str:
    """
    Return in a sentence whether the warranties are kept.

    Parameters
    ----------
    life : Life
        The years.

    Returns
    -------
    str
        The sentence, without a full stop; empty without a warranty.
    """
    if not life.warranties:
        return ""
    broken = [
        say(
            "{term} in year {year}, {beyond} beyond",
            term=say(TERMS[breach.term][0]),
            year=racks.joined_year - 1 + breach.year,
            beyond=_margin(-breach.margin, breach.term),
        )
        for racks in life.warranties
        for breach in racks.check.breaches
    ]
    cost = sum(one.warranty_cost for one in life.years)
    kept = say("kept; its budget of energy costs {cost} in all", cost=number(cost)) if cost else say("kept")
    return say("broken: {broken}", broken="; ".join(broken)) if broken else kept


def wear_words(life: Life, currency: str) -> list[str]:
    """
    Return what the price of wear does to a first year with new racks.

    Parameters
    ----------
    life : Life
        The years.
    currency : str
        Currency code.

    Returns
    -------
    list of str
        A sentence for each price that was tried.
    """
    words = [
        say(
            "at a price of wear of {price} {currency}/kWh: {full_cycles} full cycles, saving {saving}; one more kWh "
            "then costs {more} of racks",
            price=number(one.wear_per_kwh, 4),
            currency=currency,
            full_cycles=number(one.full_cycles),
            saving=number(one.saving),
            more=number(one.marginal_per_kwh, 4),
        )
        for one in life.wear
    ]
    return words if len(words) == 1 else [*words[:-1], say("{words} (this one is used)", words=words[-1])]


def offer_rows(life: Life) -> list[Row]:
    """
    Return the ways to have the battery: name, worth to the site, worth to the seller, the seller's margin.

    Parameters
    ----------
    life : Life
        The years.

    Returns
    -------
    list of tuple of str
        A row for each; empty where there is only the purchase and no seller's costs are known.
    """
    rows: list[Row] = [
        (
            say(OFFER_WORDS[one.name]),
            _plain(one.buyer_npv, "{:,.0f}"),
            _plain(one.seller_npv, "{:,.0f}"),
            _plain(one.seller_margin_frac, "{:.1%}").replace("%", " %"),
        )
        for one in life.offers
    ]
    return rows if len(rows) > 1 or life.offers[0].seller_npv is not None else []


def life_text(result: Result) -> str:
    """
    Return the years of life for a terminal.

    Parameters
    ----------
    result : Result
        A finished study with a life.

    Returns
    -------
    str
        Years, worth and warranty; empty without a life.
    """
    life, money = result.life, result.inputs.scenario.ask.money
    if life is None:
        return ""
    lines = [f"  the years, {result.headline.policy} [{money.currency}]", *_aligned([YEARS_HEAD, *years_rows(life)])]
    lines += [f"  {name:<28}{figure:>20}  {meaning}".rstrip() for name, figure, meaning in worth_rows(life, money)]
    if offered := offer_rows(life):
        lines += _aligned([("offer", "worth to the site", "to the seller", "seller's margin"), *offered])
    if words := warranty_words(life):
        lines.append(f"  warranty {words}")
    return "\n".join([*lines, *(f"  {words}" for words in wear_words(life, money.currency))])


def saved_table(life: Life) -> list[Row]:
    """
    Return what is saved on each line in each year, and in all.

    Parameters
    ----------
    life : Life
        The years.

    Returns
    -------
    list of tuple of str
        The head, then a row for each year; lines that save nothing are left out.
    """
    saved, lines = life.project.line_savings, life.project.lines
    shown = [place for place in range(len(lines)) if abs(saved[:, place]).max(initial=0.0) >= 0.5]
    head = (say("year"), *(lines[place] for place in shown), say("in all"))
    rows = [
        (str(year), *(_money(one[place]) for place in shown), _money(one.sum()))
        for year, one in enumerate(saved, start=1)
    ]
    return [head, *rows]


def _aligned(rows: list[Row]) -> list[str]:
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return ["  " + "  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True)) for row in rows]


def _grant_words(life: Life) -> str:
    return say("less a grant of {grant}", grant=number(life.capital.grant)) if life.capital.grant else ""


def _plain(value: float | None, form: str, missing: str = "–") -> str:
    return missing if value is None else figures(form.format(value)).replace("-", "−")


def _money(value: float) -> str:
    if math.isnan(value):
        return "–"
    return number(value)


def _amount(value: float) -> str:
    return _money(value) if round(value) else "–"


def _percent(share: float) -> str:
    return "–" if math.isnan(share) else percent(share)


def _margin(value: float, term: str) -> str:
    _, form, factor = TERMS[term]
    return "–" if math.isnan(value) else figures(form.format(factor * value)).replace("-", "−")
