"""Comparisons and sweeps as workbooks: what was found, the tables, and all inputs."""

from typing import Any

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from crestfall.report._compare_text import CRITERION_WORDS
from crestfall.report._retold import retold
from crestfall.report._running import running
from crestfall.report._sheets import MONEY, SHARE, fit, head, inputs, known, put, saved, table
from crestfall.report._words import say
from crestfall.study import Comparison, SweepResult

Row = tuple[str, Any, str, str | None]  # what it is, value, unit, format


def comparison_workbook(comparison: Comparison) -> bytes:
    """
    Return a comparison as an XLSX workbook, the same bytes for equal comparisons.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    bytes
        The file: summary, options in their order, what one part more brings, how sure that is, what cannot be had,
        years, inputs.
    """
    ask, best = comparison.inputs.scenario.ask, comparison.best
    currency = ask.money.currency
    rows: list[Row] = [
        (say("Site"), ask.site.name, "", None),
        (say("Policy"), say(ask.policy), "", None),
        (say("Ranked by"), say(CRITERION_WORDS[comparison.terms.criterion.name]), "", None),
        (say("Recommended"), retold(str(best.option)), "", None),
        (say("Why"), "; ".join(map(retold, comparison.reasons)), "", None),
        (say("Capital cost less grants"), 0.0 if best.capital is None else best.capital.net, currency, MONEY),
        (say("Saving, first year"), best.saving, f"{currency}/a", MONEY),
        (say("Net present value"), known(best.npv), currency, MONEY),
    ]
    if comparison.doubt is not None:
        share = known(comparison.table["best_share_frac"].iloc[0])
        rows.append((say("Stays best in"), share, say("of the draws"), SHARE))
    if comparison.note:
        rows.append((say("Note"), retold(comparison.note), "", None))
    book = _begun(rows)
    table(book.create_sheet("Options"), comparison.table.reset_index(), currency)
    table(book.create_sheet("One part more"), comparison.marginals, currency)
    if comparison.doubt is not None:
        table(book.create_sheet("How sure"), comparison.doubt, currency)
    if comparison.refused:
        table(book.create_sheet("Not to be had"), comparison.refused_frame(), currency)
    years = comparison.years_frame()
    if not years.empty:
        table(book.create_sheet("Years"), years, currency)
    inputs(book.create_sheet("Inputs"), comparison.inputs.scenario)
    return saved(book, running(ask))


def sweep_workbook(result: SweepResult) -> bytes:
    """
    Return a sweep as an XLSX workbook, the same bytes for equal sweeps.

    Parameters
    ----------
    result : SweepResult
        The sweep.

    Returns
    -------
    bytes
        The file: summary, cases, what moves it most, options, inputs of the base.
    """
    ask = result.plan.base.ask
    currency = ask.money.currency
    rows: list[Row] = [
        (say("Site"), ask.site.name, "", None),
        (say("Question"), result.plan.sweep.question or "", "", None),
        (say("Policy"), say(ask.policy), "", None),
        (say("Cases"), len(result.table), "", "0"),
        (say("Cases with figures"), len(result.done), "", "0"),
        (say("Figure"), say("net present value") if result.metric == "npv" else say("saving"), "", None),
        (say("Base"), known(result.base[result.metric]), currency, MONEY),
        *(
            (name.upper(), result.spread[name], currency, MONEY)
            for name in ("p10", "p50", "p90")
            if name in result.spread
        ),
    ]
    book = _begun(rows)
    table(book.create_sheet("Cases"), result.table, currency)
    table(book.create_sheet("What moves it"), result.swings, currency)
    if result.choices is not None:
        table(book.create_sheet("Options"), result.choices, currency)
    inputs(book.create_sheet("Inputs"), result.plan.base)
    return saved(book, running(ask))


def _begun(rows: list[Row]) -> Workbook:
    """Return a workbook with its summary."""
    book = Workbook()
    book.remove(book.active)
    sheet: Worksheet = book.create_sheet("Summary")
    head(sheet, (say("Figure"), say("Value"), say("Unit")))
    for row, (name, value, unit, form) in enumerate(rows, start=2):
        put(sheet, row, 1, name)
        put(sheet, row, 2, value, form)
        put(sheet, row, 3, unit)
    fit(sheet)
    return book
