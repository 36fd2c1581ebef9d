"""The years of a battery's life in tables: health, savings, cash, what is read off it, and the warranty."""

import math

from crestfall.finance import Returns
from crestfall.scenario.money_block import Money
from crestfall.study import Life, Result

Row = tuple[str, ...]
YEARS_HEAD: Row = (
    "year",
    "racks",
    "health",
    "by age",
    "by cycles",
    "full cycles",
    "saving",
    "later racks",
    "cash",
    "cumulative",
    "discounted",
)
# What each term of a warranty is called, and how its margin is shown: digits, unit, factor.
TERMS = {
    "cycles_margin": ("cycles in the year", "{:,.0f}", 1.0),
    "cycles_total_margin": ("cycles in all", "{:,.0f}", 1.0),
    "throughput_total_margin_mwh": ("throughput in all", "{:,.1f} MWh", 1.0),
    "mean_soc_margin_frac": ("mean state of charge", "{:.1f} %", 100.0),
    "cold_margin_c": ("lowest cell temperature", "{:.1f} °C", 1.0),
    "heat_margin_c": ("highest cell temperature", "{:.1f} °C", 1.0),
    "health_margin_frac": ("guaranteed health", "{:.1f} %", 100.0),
}
CAPITAL_WORDS = {
    "racks": "Racks",
    "modules": "Power modules",
    "cabinets": "Cabinets",
    "balance_of_system": "Balance of system",
    "works": "Works",
    "design": "Design",
    "contingency": "Contingency",
}
CASH_WORDS = {
    "capital": "capital",
    "grant": "grant",
    "savings": "savings",
    "service": "service",
    "insurance": "insurance",
    "land": "land",
    "replacements": "later racks",
    "residual_value": "residual value",
    "decommissioning": "decommissioning",
    "tax": "tax",
    "cash": "cash",
    "depreciation": "written off",
}
DEBT_WORDS = {
    "loan": "loan",
    "interest": "interest",
    "repayment": "repayment",
    "tax_with_debt": "tax",
    "cash_with_debt": "cash",
    "dscr": "debt service cover",
}
TIMING_WORDS = {"end_of_year": "at the ends of the years", "mid_year": "in the middle of the years"}
OFFER_WORDS = {"purchase": "purchase", "lease": "lease", "shared_savings": "shared savings"}


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
                f"{one.full_cycles:,.0f}" if one is not None and runs else "–",
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
        ("capital cost", f"{life.capital.total:,.0f} {currency}", _grant_words(life)),
        *_returns_rows(worth.without_debt, money, ""),
    ]
    if worth.with_debt is not None:
        rows += _returns_rows(worth.with_debt, money, " with debt")
        rows.append(("debt service cover", _plain(worth.least_dscr, "{:.2f}"), "lowest of the years"))
    rows += [
        ("break-even capital", _plain(worth.break_even_capital, "{:,.0f} " + currency), "at which NPV is 0"),
        (
            "levelised cost",
            _plain(worth.levelised_cost_per_kwh, "{:.3f} " + currency + "/kWh"),
            "all costs and charging over energy discharged, both discounted",
        ),
        (
            "saving per kWh",
            _plain(worth.saving_per_kwh, "{:.3f} " + currency + "/kWh"),
            "over energy discharged, not discounted",
        ),
    ]
    return [row for row in rows if row[1] != "–"]


def _returns_rows(found: Returns, money: Money, debt: str) -> list[tuple[str, str, str]]:
    discount, currency = money.discount, money.currency
    at = "" if discount is None else f"at {100 * discount.rate_frac:g} % {discount.terms}"
    when = "" if discount is None else f", flows {TIMING_WORDS[discount.timing]}"
    rates = ", ".join(_percent(rate) for rate in found.irr_frac).replace("-", "−") or "none"
    several = "several: none says anything by itself" if len(found.irr_frac) > 1 else ""
    return [
        (f"net present value{debt}", _plain(found.npv, "{:,.0f} " + currency), at + when),
        (f"rate of return{debt}", rates, several),
        (f"modified rate{debt}", _plain(found.mirr_frac, "{:.1%}").replace("%", " %"), ""),
        (f"payback{debt}", _plain(found.payback_years, "{:.1f} years", "none"), "not discounted"),
        (
            f"discounted payback{debt}",
            "–" if discount is None else _plain(found.discounted_payback_years, "{:.1f} years", "none"),
            at,
        ),
        (f"profitability index{debt}", _plain(found.profitability_index, "{:.2f}"), ""),
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
    rows.append(("Capital cost", _money(parts.total)))
    return [*rows, ("Grant", _money(-parts.grant)), ("Left to pay", _money(parts.net))] if parts.grant else rows


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
        head = ("year", *(words[name] for name in shown))
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
                rows.append((f"{racks.racks} of year {racks.joined_year}", str(year), *margins))
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
        f"{TERMS[breach.term][0]} in year {racks.joined_year - 1 + breach.year},"
        f" {_margin(-breach.margin, breach.term)} beyond"
        for racks in life.warranties
        for breach in racks.check.breaches
    ]
    cost = sum(one.warranty_cost for one in life.years)
    kept = f"kept; its budget of energy costs {cost:,.0f} in all" if cost else "kept"
    return f"broken: {'; '.join(broken)}" if broken else kept


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
        f"at a price of wear of {one.wear_per_kwh:.4f} {currency}/kWh: {one.full_cycles:,.0f} full cycles, saving"
        f" {one.saving:,.0f}; one more kWh then costs {one.marginal_per_kwh:.4f} of racks"
        for one in life.wear
    ]
    return words if len(words) == 1 else [*words[:-1], f"{words[-1]} (this one is used)"]


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
            OFFER_WORDS[one.name],
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
    head = ("year", *(lines[place] for place in shown), "in all")
    rows = [
        (str(year), *(_money(one[place]) for place in shown), _money(one.sum()))
        for year, one in enumerate(saved, start=1)
    ]
    return [head, *rows]


def _aligned(rows: list[Row]) -> list[str]:
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return ["  " + "  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True)) for row in rows]


def _grant_words(life: Life) -> str:
    return f"less a grant of {life.capital.grant:,.0f}" if life.capital.grant else ""


def _plain(value: float | None, form: str, missing: str = "–") -> str:
    return missing if value is None else form.format(value).replace("-", "−")


def _money(value: float) -> str:
    if math.isnan(value):
        return "–"
    return f"{round(value) + 0:,}".replace("-", "−")


def _amount(value: float) -> str:
    return _money(value) if round(value) else "–"


def _percent(share: float) -> str:
    return "–" if math.isnan(share) else f"{100 * share:.1f} %"


def _margin(value: float, term: str) -> str:
    _, form, factor = TERMS[term]
    return "–" if math.isnan(value) else form.format(factor * value).replace("-", "−")
