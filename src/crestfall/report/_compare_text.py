"""A comparison in words and tables."""

import math
from collections.abc import Callable
from typing import Any

import pandas as pd

from crestfall.report._retold import retold
from crestfall.report._words import figures, later, number, say
from crestfall.study import Comparison

Column = tuple[str, str, Callable[[Any], str]]  # of the table, its head, how a value is written
MOST_ROWS = 12  # on a terminal; the file has them all
REFUSED_NAMED = 6  # options of one reason that are named; more are counted
CRITERION_WORDS = {
    "npv": later("net present value"),
    "payback": later("shortest payback"),
    "irr": later("rate of return"),
    "saving_per_capital": later("saving per capital"),
    "saving": later("saving of the first year"),
    "saving_target": later("least capital for a saving"),
    "peak_target": later("least capital for a peak"),
}


def whole(value: float) -> str:
    """
    Return a number without decimals, a dash for none.

    Parameters
    ----------
    value : float
        The number.

    Returns
    -------
    str
        The text.

    Examples
    --------
    >>> whole(-1234.6), whole(float("nan"))
    ('−1,235', '–')
    """
    return "–" if math.isnan(value) else number(value)


def _digits(form: str, factor: float = 1.0) -> Callable[[float], str]:
    return lambda value: "–" if math.isnan(value) else figures(form.format(factor * value)).replace("-", "−")


def columns_of(comparison: Comparison) -> list[Column]:
    """
    Return the columns that the ranked table is shown with.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    list of (str, str, callable)
        Column of the table, its head, and how a value is written.
    """
    currency = comparison.inputs.scenario.ask.money.currency
    columns: list[Column] = [
        ("racks", say("racks"), whole),
        ("modules", say("modules"), whole),
        ("rating_kva", "kVA", whole),
        ("nominal_kwh", "kWh", whole),
        ("capital", say("capital {currency}", currency=currency), whole),
        ("saving", say("saving a"), whole),
        ("npv", say("NPV"), whole),
        ("irr_frac", say("IRR %"), _digits("{:.1f}", 100.0)),
        ("payback_years", say("payback a"), _digits("{:.1f}")),
        ("peak_import_kw", say("peak kW"), _digits("{:,.1f}")),
        ("self_consumption_frac", say("own PV %"), _digits("{:.1f}", 100.0)),
        ("full_cycles", say("cycles"), whole),
        ("health_end_frac", say("health %"), _digits("{:.0f}", 100.0)),
        ("best_share_frac", say("best in %"), _digits("{:.0f}", 100.0)),
    ]
    table = comparison.table
    batteries = table[table["racks"] > 0] if len(table) > 1 else table
    return [column for column in columns if batteries[column[0]].notna().any()]


def table_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """
    Return the ranked table in words, under the heads of `columns_of`.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    list of tuple of str
        Rank, then a cell for each column.
    """
    columns = columns_of(comparison)
    records = comparison.table.reset_index().to_dict("records")
    return [(str(row["rank"]), *(write(row[name]) for name, _, write in columns)) for row in records]


def doubt_words(comparison: Comparison) -> str:
    """
    Return how sure the recommendation is, in a sentence.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        The sentence, without a full stop; empty where doubt was left out.
    """
    if comparison.draws is None or comparison.doubt is None:
        return ""
    share, n = float(comparison.table["best_share_frac"].iloc[0]), len(comparison.draws)
    what = say("load year, prices, fade and capital cost")
    if comparison.inputs.scenario.ask.life is None:
        what = say("load year, prices and capital cost")
    text = say(
        "best in {share} % of {n} draws of {what} (seed {seed})",
        share=number(100 * share),
        n=number(n),
        what=what,
        seed=comparison.seed,
    )
    regret = comparison.regret_when_not_best
    if regret is None:
        return text
    if not math.isfinite(regret):
        return say("{text}; in some of the others it is no candidate at all", text=text)
    return say(
        "{text}; in the others it gives away {regret} on average", text=text, regret=_regret_words(comparison, regret)
    )


def _regret_words(comparison: Comparison, regret: float) -> str:
    currency = comparison.inputs.scenario.ask.money.currency
    match comparison.terms.criterion.name:
        case "payback":
            return say("{regret} years", regret=number(regret, 1))
        case "irr":
            return say("{regret} points", regret=number(100 * regret, 1))
        case "saving_per_capital":
            return say(
                "{regret} {currency} a year for each {currency} spent", regret=number(regret, 3), currency=currency
            )
        case "saving":
            return say("{regret} {currency} a year", regret=whole(regret), currency=currency)
        case _:
            return f"{whole(regret)} {currency}"


def steps_words(comparison: Comparison) -> list[tuple[str, ...]]:
    """
    Return what one step from the recommendation brings: at most and truly.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    list of tuple of str
        Step, at most, as planned, on the bill, capital, net present value; for steps to and from the recommendation.
    """
    rows = []
    for step in comparison.steps:
        if comparison.recommendation not in (step.smaller.option, step.larger.option):
            continue
        figures = (step.saving_at_most, step.saving_planned, step.saving, step.capital, step.npv)
        rows.append((f"{retold(str(step.smaller.option))} → {retold(str(step.larger.option))}", *map(whole, figures)))
    return rows


STEPS_HEAD = (later("step"), later("at most"), later("planned"), later("on the bill"), later("capital"), later("NPV"))


def refused_words(comparison: Comparison) -> list[str]:
    """
    Return why options cannot be had, those with one reason together.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    list of str
        A line for each reason.
    """
    lines = []
    for why, part in comparison.refused_frame().groupby("reason", sort=False):
        names = [f"{row.racks} × {row.modules}" for row in part.itertuples()]
        more = f" and {len(names) - REFUSED_NAMED} more" if len(names) > REFUSED_NAMED else ""
        lines.append(f"{', '.join(names[:REFUSED_NAMED])}{more}: {why}")
    return lines


def compare_text(comparison: Comparison) -> str:
    """
    Return a comparison for a terminal: answer, ranked table, steps, refused options.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        Lines that fit one screen; the files hold the whole table.
    """
    ask, best = comparison.inputs.scenario.ask, comparison.recommendation
    rows, heads = table_rows(comparison), ("rank", *(head for _, head, _ in columns_of(comparison)))
    none = [row for row, (_, one) in zip(rows, comparison.table.iterrows(), strict=True) if not one["racks"]]
    shown = rows[:MOST_ROWS]
    if none[0] not in shown:
        shown = [*shown[:-1], none[0]]
    years = "first year" if ask.life is None else f"{ask.life.horizon_years} years of life"
    ranked = CRITERION_WORDS[comparison.terms.criterion.name]
    lines = [
        f"{ask.site.name}   {len(comparison.options)} options, {years}, {_policy_words(ask.policy)}",
        f"recommended by {ranked}: {best}",
        f"  {comparison.reason}",
        *(f"  {words}" for words in [doubt_words(comparison)] if words),
        *(f"  note: {words}" for words in [comparison.note] if words),
        "",
        *_aligned([heads, *shown]),
        *([f"  … {len(rows) - len(shown)} more in the table"] if len(rows) > len(shown) else []),
    ]
    if steps := steps_words(comparison):
        lines += ["", "  one step [first year, wear counted but on the bill; NPV]", *_aligned([STEPS_HEAD, *steps])]
    if comparison.refused:
        lines += ["", "  cannot be had (racks × modules)", *(f"  {words}" for words in refused_words(comparison))]
    return "\n".join(lines)


def _policy_words(policy: str) -> str:
    return "by hindsight: a ceiling" if policy == "hindsight" else f"by {policy}"


def _aligned(rows: list[tuple[str, ...]]) -> list[str]:
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return ["  " + "  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True)) for row in rows]


def written_table(table: pd.DataFrame) -> str:
    """
    Return a table as CSV.

    Parameters
    ----------
    table : DataFrame
        The table.

    Returns
    -------
    str
        The text, the same for the same table; with its index if that has a name.
    """
    has_index = table.index.name is not None
    return str(table.to_csv(index=has_index, float_format="%.6f", lineterminator="\n"))
