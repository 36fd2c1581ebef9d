"""The study as a workbook: inputs, the bill by period and line, and a yearly cash flow that calculates."""

import datetime as dt
import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from crestfall.report._savings import bill_by_line
from crestfall.study import Life, Result

MONEY, POWER, RATE, SHARE, PLAIN = "#,##0.00", "#,##0.0", "#,##0.0000", "0.00%", "#,##0.####"
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
HEAD = Font(bold=True)
HEAD_FILL = PatternFill("solid", fgColor="D9DEE1")
INPUT_FILL = PatternFill("solid", fgColor="F7F2DF")  # a cell that is there to be changed
WIDEST = 60
LONG_AGO = dt.datetime(2000, 1, 1)  # noqa: DTZ001 -- a workbook's own dates have no zone
BEGINS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


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
    book = Workbook()
    book.remove(book.active)
    _summary(book.create_sheet("Summary"), result)
    _bill_by_line(book.create_sheet("Bill by line"), result)
    _bill_by_period(book.create_sheet("Bill by period"), result)
    if result.life is not None:
        _cash_flow(book.create_sheet("Cash flow"), result)
        _years(book.create_sheet("Years"), result.life)
    _inputs(book.create_sheet("Inputs"), result)
    return _saved(book)


def _put(sheet: Worksheet, row: int, column: int, value: Any, form: str | None = None) -> Cell:
    """Write a value; text stays text, whatever it begins with."""
    cell: Cell = sheet.cell(row, column, value)
    if isinstance(value, str):
        cell.data_type = "s"
        if value.startswith(BEGINS_A_FORMULA):
            cell.quotePrefix = True  # some programs would calculate it when it is edited
    elif form is not None:
        cell.number_format = form
    return cell


def _formula(sheet: Worksheet, row: int, column: int, formula: str, form: str) -> None:
    sheet.cell(row, column, formula).number_format = form


def _head(sheet: Worksheet, heads: Sequence[str], row: int = 1) -> None:
    for column, head in enumerate(heads, start=1):
        cell = _put(sheet, row, column, head)
        cell.font, cell.fill = HEAD, HEAD_FILL
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    sheet.freeze_panes = sheet.cell(row + 1, 2)


def _fit(sheet: Worksheet, first_row: int = 1) -> None:
    """Make columns as wide as what stands in them."""
    for column in range(1, sheet.max_column + 1):
        texts = (sheet.cell(row, column).value for row in range(first_row, sheet.max_row + 1))
        width = max((len(_shown(text)) for text in texts if text is not None), default=8)
        sheet.column_dimensions[get_column_letter(column)].width = min(max(width + 2, 9), WIDEST)


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:,.2f}"
    text = str(value)
    return "0" * 12 if text.startswith("=") else text


def _summary(sheet: Worksheet, result: Result) -> None:
    case, inputs = result.headline, result.inputs
    ask, plant = inputs.scenario.ask, inputs.plant
    currency, policy = ask.money.currency, case.policy
    _head(sheet, ("Figure", "Value", "Unit", "Meaning"))
    rows: list[tuple[str, Any, str, str, str | None]] = [
        ("Site", ask.site.name, "", "", None),
        ("Option", str(plant.option), "", "", None),
        ("Policy", policy, "", "who made the schedule that all figures below rest on, unless they say otherwise", None),
        ("First step", inputs.series.start[0].isoformat(), "", "", None),
        ("Last step", inputs.series.start[-1].isoformat(), "", "", None),
        ("Bill before", result.before.bill_total, f"{currency}/a", "", MONEY),
        ("Bill after", case.bill_total, f"{currency}/a", "", MONEY),
        ("Saving", result.saving(case), f"{currency}/a", "of the battery, in its first year", MONEY),
        (
            "Saving, hindsight",
            result.saving(result.hindsight),
            f"{currency}/a",
            "knows the whole year: a ceiling",
            MONEY,
        ),
        ("Capital cost", result.capital, currency, "parts and installation", MONEY),
        ("Simple payback", result.payback_years, "a", "first year's saving, no interest, no fade", PLAIN),
        ("Power", plant.rating_kva, "kVA", "", PLAIN),
        ("Energy, nominal", plant.nominal_kwh, "kWh", "DC", PLAIN),
        ("Energy, usable", plant.usable_kwh, "kWh", "DC", PLAIN),
        (
            "Equivalent full cycles",
            case.use.equivalent_full_cycles,
            "1/a",
            "energy out (DC) over nominal energy",
            POWER,
        ),
    ]
    for row, (name, value, unit, meaning, form) in enumerate(rows, start=2):
        for column, cell in enumerate((name, value, unit, meaning), start=1):
            _put(sheet, row, column, cell, form)
    for row, warning in enumerate(result.warnings, start=len(rows) + 3):
        _put(sheet, row, 1, "Note")
        _put(sheet, row, 2, str(warning))
    _fit(sheet)


def _bill_by_line(sheet: Worksheet, result: Result) -> None:
    currency = result.inputs.scenario.ask.money.currency
    has_choice = result.best_contract is not None
    names = {"before": "before", "reference": "best contract", "after": "after"}
    if not has_choice:
        del names["reference"]
    _head(sheet, ("Group", "Line", *(f"{head} [{currency}/a]" for head in names.values()), f"saved [{currency}/a]"))
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
    _put(sheet, last + 1, 2, "Total").font = HEAD
    for column in range(3, 4 + len(names)):
        letter = get_column_letter(column)
        _formula(sheet, last + 1, column, f"=SUM({letter}2:{letter}{last})", MONEY)
        sheet.cell(last + 1, column).font = HEAD
    _fit(sheet)


def _bill_by_period(sheet: Worksheet, result: Result) -> None:
    frame, currency = result.bill_frame(), result.inputs.scenario.ask.money.currency
    heads = {
        "case": "Case",
        "period": "Period",
        "group": "Group",
        "line": "Line",
        "quantity": "Quantity",
        "unit": "Unit",
        "rate": f"Rate [{currency}/unit]",
        "amount": f"Amount [{currency}]",
    }
    forms = {"quantity": PLAIN, "rate": RATE, "amount": MONEY}
    _head(sheet, list(heads.values()))
    for row, line in enumerate(frame[list(heads)].to_dict("records"), start=2):
        for column, (key, value) in enumerate(line.items(), start=1):
            _put(sheet, row, column, _known(value), forms.get(str(key)))
    sheet.auto_filter.ref = sheet.dimensions
    _fit(sheet)


def _known(value: Any) -> Any:
    """Return a value that a cell can hold; nothing where there is none."""
    if value is None or value != value:
        return None
    return value.item() if hasattr(value, "item") else value


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
    _head(sheet, [head.replace("_", " ") for head in heads], top)
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
    _put(sheet, 1, 1, "Discount rate")
    rate = _put(sheet, 1, 2, 0.0 if discount is None else discount.rate_frac, SHARE)
    rate.fill = INPUT_FILL
    _put(sheet, 1, 3, "none was given: change it" if discount is None else f"{discount.terms}; may be changed")
    cash = f"{at['cash']}{first}:{at['cash']}{last}"
    _put(sheet, 2, 1, "Net present value")
    _formula(sheet, 2, 2, f"=SUM({at['discounted']}{first}:{at['discounted']}{last})", MONEY)
    _put(sheet, 3, 1, "Rate of return")
    # A rate is of whole years: with flows in the middle of them the first one comes half a year early for it.
    if not mid_year:
        _formula(sheet, 3, 2, f"=IRR({cash})", SHARE)
    else:
        _put(sheet, 3, 2, "flows in the middle of years: see the report")
    _put(sheet, 4, 1, f"Amounts in {money.currency}; savings by {result.headline.policy}")
    _fit(sheet, top)
    sheet.column_dimensions["A"].width = 22


def _years(sheet: Worksheet, life: Life) -> None:
    frame = life.years_frame().reset_index()
    _head(sheet, [str(name) for name in frame.columns])
    for row, line in enumerate(frame.to_dict("records"), start=2):
        for column, (name, value) in enumerate(line.items(), start=1):
            share = str(name).endswith("_frac")
            whole = name in ("year", "racks", "racks_bought")
            _put(sheet, row, column, _known(value), SHARE if share else "0" if whole else MONEY)
    _fit(sheet)


def _inputs(sheet: Worksheet, result: Result) -> None:
    _head(sheet, ("Key", "Value"))
    for row, (key, value) in enumerate(_leaves(result.inputs.scenario.resolved()), start=2):
        _put(sheet, row, 1, key)
        _put(sheet, row, 2, value if isinstance(value, bool | int | float) or value is None else str(value))
    _fit(sheet)


def _leaves(node: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Return each value of a tree with the path that leads to it."""
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _leaves(value, f"{path}.{key}" if path else str(key))
    elif isinstance(node, list):
        for number, value in enumerate(node, start=1):
            yield from _leaves(value, f"{path}[{number}]")
    else:
        yield path, node


def _saved(book: Workbook) -> bytes:
    """Return the file with the dates of a workbook and of a zip archive taken out."""
    book.properties.creator, book.properties.created = "crestfall", LONG_AGO
    raw, out = io.BytesIO(), io.BytesIO()
    book.save(raw)
    stamp = LONG_AGO.strftime("%Y-%m-%dT%H:%M:%SZ")
    with zipfile.ZipFile(raw) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp.encode(), content)
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            new.writestr(entry, content)
    return out.getvalue()
