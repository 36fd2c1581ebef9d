"""The study as a workbook: inputs, the bill by period and line, and a yearly cash flow that calculates."""

from typing import Any

from openpyxl import Workbook
from openpyxl.styles import PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from crestfall.report._running import running_of
from crestfall.report._savings import bill_by_line
from crestfall.report._sheets import HEAD, MONEY, PLAIN, POWER, RATE, SHARE, inputs, saved, table
from crestfall.report._sheets import fit as _fit
from crestfall.report._sheets import formula as _formula
from crestfall.report._sheets import head as _head
from crestfall.report._sheets import known as _known
from crestfall.report._sheets import put as _put
from crestfall.report._words import later, say
from crestfall.study import Result

# What a flow of a year is made of, as the appraisal names it; the first column is the year.
FLOWS = (
    "capital",
    "grant",
    "savings",
    "service",
    "insurance",
    "land",
    "replacements",
    "residual_value",
    "decommissioning",
    "tax",
)
DEBT_FLOWS = (*FLOWS[:-1], "loan", "interest", "repayment", "tax_with_debt")
# Heads of the cash flow that are not said elsewhere.
HEADS = (later("replacements"), later("tax with debt"), later("discount factor"), later("cash with debt"))
INPUT_FILL = PatternFill("solid", fgColor="F7F2DF")  # a cell that is there to be changed


def workbook_bytes(result: Result) -> bytes:
    """
    Return a study as an XLSX workbook, the same bytes for equal studies.

    Parameters
    ----------
    result : Result
        The study.

    Returns
    -------
    bytes
        The file. Its sheets: summary, the bill by line and by period, with a life the cash flow, whose sums, net
        present value and rate of return are formulas, and the years; the inputs with the hashes of their files.
    """
    currency = result.inputs.scenario.ask.money.currency
    book = Workbook()
    book.remove(book.active)
    _summary(book.create_sheet(say("Summary")), result)
    _bill_by_line(book.create_sheet(say("Bill by line")), result)
    _bill_by_period(book.create_sheet(say("Bill by period")), result)
    if result.life is not None:
        _cash_flow(book.create_sheet(say("Cash flow")), result)
        table(book.create_sheet(say("Years")), result.life.years_frame().reset_index(), currency)
    inputs(book.create_sheet(say("Inputs")), result.inputs.scenario)
    return saved(book, running_of(result))


def _summary(sheet: Worksheet, result: Result) -> None:
    case, inputs = result.headline, result.inputs
    ask, plant = inputs.scenario.ask, inputs.plant
    currency, policy = ask.money.currency, case.policy
    _head(sheet, (say("Figure"), say("Value"), say("Unit"), say("Meaning")))
    rows: list[tuple[str, Any, str, str, str | None]] = [
        (say("Site"), ask.site.name, "", "", None),
        (say("Option"), str(plant.option), "", "", None),
        (
            say("Policy"),
            policy,
            "",
            say("who made the schedule that all figures below rest on, unless they say otherwise"),
            None,
        ),
        (say("First step"), inputs.series.start[0].isoformat(), "", "", None),
        (say("Last step"), inputs.series.start[-1].isoformat(), "", "", None),
        (say("Bill before"), result.before.bill_total, f"{currency}/a", "", MONEY),
        (say("Bill after"), case.bill_total, f"{currency}/a", "", MONEY),
        (say("Saving"), result.saving(case), f"{currency}/a", say("of the battery, in its first year"), MONEY),
        (
            say("Saving, hindsight"),
            result.saving(result.hindsight),
            f"{currency}/a",
            say("knows the whole year: a ceiling"),
            MONEY,
        ),
        (say("Capital cost"), result.capital, currency, say("parts and installation"), MONEY),
        (say("Simple payback"), result.payback_years, "a", say("first year's saving, no interest, no fade"), PLAIN),
        (say("Power"), plant.rating_kva, "kVA", "", PLAIN),
        (say("Energy, nominal"), plant.nominal_kwh, "kWh", "DC", PLAIN),
        (say("Energy, usable"), plant.usable_kwh, "kWh", "DC", PLAIN),
        (
            say("Equivalent full cycles"),
            case.use.equivalent_full_cycles,
            "1/a",
            say("energy out (DC) over nominal energy"),
            POWER,
        ),
    ]
    for row, (name, value, unit, meaning, form) in enumerate(rows, start=2):
        for column, cell in enumerate((name, value, unit, meaning), start=1):
            _put(sheet, row, column, cell, form)
    for row, warning in enumerate(result.warnings, start=len(rows) + 3):
        _put(sheet, row, 1, say("Note"))
        _put(sheet, row, 2, str(warning))
    _fit(sheet)


def _bill_by_line(sheet: Worksheet, result: Result) -> None:
    currency = result.inputs.scenario.ask.money.currency
    has_choice = result.best_contract is not None
    names = {"before": say("before"), "reference": say("best contract"), "after": say("after")}
    if not has_choice:
        del names["reference"]
    _head(
        sheet,
        (
            say("Group"),
            say("Line"),
            *(f"{head} [{currency}/a]" for head in names.values()),
            say("saved [{currency}/a]", currency=currency),
        ),
    )
    table = bill_by_line(result)
    rows = table[~table["is_total"]].to_dict("records")
    without = get_column_letter(2 + len(names) - 1)
    after = get_column_letter(2 + len(names))
    for row, line in enumerate(rows, start=2):
        _put(sheet, row, 1, line["group"])
        _put(sheet, row, 2, line["line"])
        for column, key in enumerate(names, start=3):
            _put(sheet, row, column, float(line[key]), MONEY)
        _formula(sheet, row, 3 + len(names), f"={without}{row}-{after}{row}", MONEY)
    last = len(rows) + 1
    _put(sheet, last + 1, 2, say("Total")).font = HEAD
    for column in range(3, 4 + len(names)):
        letter = get_column_letter(column)
        _formula(sheet, last + 1, column, f"=SUM({letter}2:{letter}{last})", MONEY)
        sheet.cell(last + 1, column).font = HEAD
    _fit(sheet)


def _bill_by_period(sheet: Worksheet, result: Result) -> None:
    frame, currency = result.bill_frame(), result.inputs.scenario.ask.money.currency
    heads = {
        "case": say("Case"),
        "period": say("Period"),
        "group": say("Group"),
        "line": say("Line"),
        "quantity": say("Quantity"),
        "unit": say("Unit"),
        "rate": say("Rate [{currency}/unit]", currency=currency),
        "amount": say("Amount [{currency}]", currency=currency),
    }
    forms = {"quantity": PLAIN, "rate": RATE, "amount": MONEY}
    _head(sheet, list(heads.values()))
    for row, line in enumerate(frame[list(heads)].to_dict("records"), start=2):
        for column, (key, value) in enumerate(line.items(), start=1):
            _put(sheet, row, column, _known(value), forms.get(str(key)))
    sheet.auto_filter.ref = sheet.dimensions
    _fit(sheet)


def _cash_flow(sheet: Worksheet, result: Result) -> None:
    """Write the cash of each year; what is summed, discounted and read off it are formulas."""
    life, money = result.life, result.inputs.scenario.ask.money
    assert life is not None  # noqa: S101 -- the sheet is there for a life only
    frame = life.appraisal.frame
    has_debt = "loan" in frame and bool((frame["loan"] != 0).any())
    flows = list(dict.fromkeys((*FLOWS, *(DEBT_FLOWS if has_debt else ()))))
    top = 6  # row of the heads; above them what is read off the cash
    first, last = top + 1, top + len(frame)
    heads = ["year", *flows, "cash", "cumulative", "discount factor", "discounted"]
    if has_debt:
        heads.append("cash with debt")
    _head(sheet, [say(head.replace("_", " ")) for head in heads], top)
    at = {head: get_column_letter(column) for column, head in enumerate(heads, start=1)}
    discount = money.discount
    mid_year = discount is not None and discount.timing == "mid_year"
    for row, (year, flow) in enumerate(frame.iterrows(), start=first):
        _put(sheet, row, 1, int(str(year)), "0")
        for name in flows:
            _put(sheet, row, heads.index(name) + 1, float(flow[name]), MONEY)
        summed = {"cash": FLOWS, "cash with debt": DEBT_FLOWS if has_debt else ()}
        for head, parts in summed.items():
            if parts:
                total = "+".join(f"{at[part]}{row}" for part in parts)
                _formula(sheet, row, heads.index(head) + 1, f"={total}", MONEY)
        _formula(sheet, row, heads.index("cumulative") + 1, f"=SUM({at['cash']}${first}:{at['cash']}{row})", MONEY)
        time = f"MAX({at['year']}{row}-0.5,0)" if mid_year else f"{at['year']}{row}"
        _formula(sheet, row, heads.index("discount factor") + 1, f"=(1+$B$1)^(-{time})", "0.000000")
        discounted = f"={at['cash']}{row}*{at['discount factor']}{row}"
        _formula(sheet, row, heads.index("discounted") + 1, discounted, MONEY)
    _put(sheet, 1, 1, say("Discount rate"))
    rate = _put(sheet, 1, 2, 0.0 if discount is None else discount.rate_frac, SHARE)
    rate.fill = INPUT_FILL
    _put(
        sheet,
        1,
        3,
        say("none was given: change it") if discount is None else say("{terms}; may be changed", terms=discount.terms),
    )
    cash = f"{at['cash']}{first}:{at['cash']}{last}"
    _put(sheet, 2, 1, say("Net present value"))
    _formula(sheet, 2, 2, f"=SUM({at['discounted']}{first}:{at['discounted']}{last})", MONEY)
    _put(sheet, 3, 1, say("Rate of return"))
    # A rate is of whole years: with flows in the middle of them the first one comes half a year early for it.
    if not mid_year:
        _formula(sheet, 3, 2, f"=IRR({cash})", SHARE)
    else:
        _put(sheet, 3, 2, say("flows in the middle of years: see the report"))
    _put(
        sheet,
        4,
        1,
        say("Amounts in {currency}; savings by {policy}", currency=money.currency, policy=result.headline.policy),
    )
    _fit(sheet, top)
    sheet.column_dimensions["A"].width = 22
