"""Sheets of a workbook: text that stays text, heads that stay in sight, numbers with their units and formats."""

import datetime as dt
import io
import re
import zipfile
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from crestfall.report._running import Running
from crestfall.report._words import say
from crestfall.scenario import Scenario

MONEY, POWER, RATE, SHARE, PLAIN = "#,##0.00", "#,##0.0", "#,##0.0000", "0.00%", "#,##0.####"
COUNT = "0"
HEAD = Font(bold=True)
HEAD_FILL = PatternFill("solid", fgColor="D9DEE1")
WIDEST = 60
LONGEST_IN_HEADER = 80  # a header of more than 255 characters is refused by some programs
LONG_AGO = dt.datetime(2000, 1, 1)  # noqa: DTZ001 -- a workbook's own dates have no zone
BEGINS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")

# Of the columns of tables: its head, its unit ("money": the currency) and its format.
Column = tuple[Callable[[], str], str, str]
COLUMNS: dict[str, Column] = {
    "rank": (lambda: say("rank"), "", COUNT),
    "racks": (lambda: say("racks"), "", COUNT),
    "modules": (lambda: say("modules"), "", COUNT),
    "racks_of_option": (lambda: say("racks of the option"), "", COUNT),
    "racks_bought": (lambda: say("racks bought"), "", COUNT),
    "year": (lambda: say("year"), "", COUNT),
    "part": (lambda: say("part"), "", PLAIN),
    "more": (lambda: say("more of it"), "", COUNT),
    "reason": (lambda: say("reason"), "", PLAIN),
    "rating_kva": (lambda: say("power"), "kVA", POWER),
    "nominal_kwh": (lambda: say("energy, nominal"), "kWh", POWER),
    "usable_kwh": (lambda: say("energy, usable"), "kWh", POWER),
    "discharged_kwh": (lambda: say("discharged"), "kWh", POWER),
    "capital": (lambda: say("capital cost less grants"), "money", MONEY),
    "saving": (lambda: say("saving"), "money/a", MONEY),
    "saving_planned": (lambda: say("saving as planned"), "money/a", MONEY),
    "saving_at_most": (lambda: say("saving at the most"), "money/a", MONEY),
    "at_most_rack": (lambda: say("one rack more saves at the most"), "money/a", MONEY),
    "at_most_module": (lambda: say("one module more saves at the most"), "money/a", MONEY),
    "npv": (lambda: say("net present value"), "money", MONEY),
    "irr_frac": (lambda: say("rate of return"), "", SHARE),
    "payback_years": (lambda: say("payback"), "a", POWER),
    "discounted_payback_years": (lambda: say("payback, discounted"), "a", POWER),
    "saving_per_capital": (lambda: say("saving per capital"), "1/a", SHARE),
    "bill_without": (lambda: say("bill without"), "money/a", MONEY),
    "bill_with": (lambda: say("bill with"), "money/a", MONEY),
    "peak_import_kw": (lambda: say("highest import"), "kW", POWER),
    "highest_import_kw": (lambda: say("highest import in any year of load"), "kW", POWER),
    "self_consumption_frac": (lambda: say("PV used on site"), "", SHARE),
    "full_cycles": (lambda: say("full cycles"), "1/a", POWER),
    "last_year_in_use": (lambda: say("last year in use"), "", COUNT),
    "warranty_breach_year": (lambda: say("year in which the warranty is broken"), "", COUNT),
    "score": (lambda: say("score"), "", PLAIN),
    "best_share_frac": (lambda: say("best in"), "", SHARE),
    "mean_regret": (lambda: say("mean regret"), "money", MONEY),
    "regret_p90": (lambda: say("regret, nine in ten below"), "money", MONEY),
    "worst_regret": (lambda: say("worst regret"), "money", MONEY),
    "yearly_saving": (lambda: say("saving of a mean year"), "money/a", MONEY),
    "yearly_cost": (lambda: say("cost of a mean year"), "money/a", MONEY),
    "health_start_frac": (lambda: say("health at the start"), "", SHARE),
    "health_mean_frac": (lambda: say("mean health"), "", SHARE),
    "health_end_frac": (lambda: say("health at the end"), "", SHARE),
    "calendar_loss_frac": (lambda: say("lost by age"), "", SHARE),
    "cycle_loss_frac": (lambda: say("lost by cycles"), "", SHARE),
    "resistance_growth_frac": (lambda: say("growth of resistance"), "", SHARE),
    "round_trip_frac": (lambda: say("round trip, AC to AC"), "", SHARE),
    "wear_per_kwh": (lambda: say("price of wear"), "money/kWh", RATE),
    "warranty_cost": (lambda: say("cost of keeping the warranty"), "money/a", MONEY),
    "status": (lambda: say("status"), "", PLAIN),
    "case": (lambda: say("case"), "", PLAIN),
    "draw": (lambda: say("draw"), "", COUNT),
    "option": (lambda: say("option"), "", PLAIN),
    "mean": (lambda: say("mean"), "money", MONEY),
    "axis": (lambda: say("axis"), "", PLAIN),
    "low": (lambda: say("lower end"), "", PLAIN),
    "high": (lambda: say("upper end"), "", PLAIN),
    "at_low": (lambda: say("at the lower end"), "money", MONEY),
    "at_high": (lambda: say("at the upper end"), "money", MONEY),
    "swing": (lambda: say("swing"), "money", MONEY),
    "kind": (lambda: say("kind"), "", PLAIN),
}
SAVED = "saved: "  # begins the columns of a life that tell what is saved on a line


def put(sheet: Worksheet, row: int, column: int, value: Any, form: str | None = None) -> Cell:
    """
    Write a value; text stays text, whatever it begins with.

    Parameters
    ----------
    sheet : Worksheet
        The sheet.
    row, column : int
        Where, from 1.
    value : object
        Text, number, or None.
    form : str, optional
        Format of a number.

    Returns
    -------
    Cell
        The cell.
    """
    text = ILLEGAL_CHARACTERS_RE.sub("", value) if isinstance(value, str) else value
    cell: Cell = sheet.cell(row, column, text)
    if isinstance(text, str):
        cell.data_type = "s"
        if text.startswith(BEGINS_A_FORMULA):
            cell.quotePrefix = True  # some programs would calculate it when it is edited
    elif form is not None:
        cell.number_format = form
    return cell


def formula(sheet: Worksheet, row: int, column: int, text: str, form: str) -> None:
    """
    Write a formula.

    Parameters
    ----------
    sheet : Worksheet
        The sheet.
    row, column : int
        Where, from 1.
    text : str
        The formula, of our own making.
    form : str
        Format of what it gives.
    """
    sheet.cell(row, column, text).number_format = form


def head(sheet: Worksheet, heads: Sequence[str], row: int = 1) -> None:
    """
    Write heads that stay in sight, with the first column.

    Parameters
    ----------
    sheet : Worksheet
        The sheet.
    heads : sequence of str
        Heads from the first column on.
    row : int, default=1
        Their row.
    """
    for column, text in enumerate(heads, start=1):
        cell = put(sheet, row, column, text)
        cell.font, cell.fill = HEAD, HEAD_FILL
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    sheet.freeze_panes = sheet.cell(row + 1, 2)
    sheet.print_title_rows = f"{row}:{row}"


def fit(sheet: Worksheet, first_row: int = 1) -> None:
    """
    Make columns as wide as what stands in them.

    Parameters
    ----------
    sheet : Worksheet
        The sheet.
    first_row : int, default=1
        Rows above it are left aside.
    """
    for column in range(1, sheet.max_column + 1):
        texts = (sheet.cell(row, column).value for row in range(first_row, sheet.max_row + 1))
        width = max((len(_shown(text)) for text in texts if text is not None), default=8)
        sheet.column_dimensions[get_column_letter(column)].width = min(max(width + 2, 9), WIDEST)


def known(value: Any) -> Any:
    """
    Return a value that a cell can hold.

    Parameters
    ----------
    value : object
        A value of a frame.

    Returns
    -------
    object
        Text, number or truth; None for nothing, no number and an infinite one.
    """
    plain = value.item() if hasattr(value, "item") else value
    if plain is None or plain != plain or plain in (float("inf"), float("-inf")):
        return None
    return plain if isinstance(plain, bool | int | float | str) else str(plain)


def table(sheet: Worksheet, frame: pd.DataFrame, currency: str) -> None:
    """
    Write a frame with heads in words, units and formats.

    Parameters
    ----------
    sheet : Worksheet
        An empty sheet.
    frame : DataFrame
        The rows; columns that are not among `COLUMNS` keep their names.
    currency : str
        Of all sums of money.
    """
    columns = [_column(str(name), currency) for name in frame.columns]
    head(sheet, [text for text, _ in columns])
    for row, line in enumerate(frame.itertuples(index=False, name=None), start=2):
        for column, (value, (_, form)) in enumerate(zip(line, columns, strict=True), start=1):
            put(sheet, row, column, known(value), form)
    sheet.auto_filter.ref = sheet.dimensions
    fit(sheet)


def inputs(sheet: Worksheet, scenario: Scenario) -> None:
    """
    Write all inputs with their defaults, and the hashes of their files.

    Parameters
    ----------
    sheet : Worksheet
        An empty sheet.
    scenario : Scenario
        The scenario.
    """
    head(sheet, (say("Key"), say("Value")))
    for row, (key, value) in enumerate(_leaves(scenario.resolved()), start=2):
        put(sheet, row, 1, key)
        put(sheet, row, 2, value if isinstance(value, bool | int | float) or value is None else str(value))
    fit(sheet)


def saved(book: Workbook, running: Running) -> bytes:
    """
    Return the file, with the dates of a workbook and of a zip archive taken out.

    Parameters
    ----------
    book : Workbook
        The workbook.
    running : Running
        What stands on every page; a notice is on the screen as well, right of the heads.

    Returns
    -------
    bytes
        The file, the same for the same content.
    """
    for sheet in book:
        _mark(sheet, running)
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


def _mark(sheet: Worksheet, running: Running) -> None:
    """Let each printed page carry the site's name, what was not metered, and its number."""
    # Two of the mark that begins a command in a header stand for one of it.
    sheet.oddHeader.left.text = running.site[:LONGEST_IN_HEADER].replace("&", "&&")
    sheet.oddHeader.right.text = running.notice.replace("&", "&&") or None
    sheet.oddFooter.right.text = "&P / &N"
    sheet.page_setup.orientation, sheet.page_setup.fitToHeight = "landscape", 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    if running.notice:
        put(sheet, 1, sheet.max_column + 2, running.notice).font = HEAD
        sheet.column_dimensions[get_column_letter(sheet.max_column)].width = len(running.notice) + 4


def _column(name: str, currency: str) -> tuple[str, str]:
    """Return head and format of a column."""
    if name.startswith(SAVED):
        line = name.removeprefix(SAVED)
        saved_on = say("saved on {line}", line=line)
        return f"{saved_on} [{currency}/a]", MONEY
    if name not in COLUMNS:
        return name, PLAIN
    words, unit, form = COLUMNS[name]
    return f"{words()} [{unit.replace('money', currency)}]" if unit else words(), form


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:,.2f}"
    text = str(value)
    return "0" * 12 if text.startswith("=") else text


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
