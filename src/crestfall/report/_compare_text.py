"""A comparison in words and tables."""

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import pandas as pd

from crestfall.plant import Option
from crestfall.report._retold import retold
from crestfall.report._words import figures, later, number, say
from crestfall.study import Comparison

MOST_ROWS = 12  # on a terminal; the file has them all
REFUSED_NAMED = 6  # options of one reason that are named; more are counted


class Column(NamedTuple):
    """A column of the ranked table: its name, its head on a terminal and on a page, how a value is written."""

    name: str
    short: str
    head: str
    write: Callable[[Any], str]


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
    list of Column
        Those that hold a figure.
    """
    currency = comparison.inputs.scenario.ask.money.currency
    every = (
        Column("racks", "racks", say("racks"), whole),
        Column("modules", "modules", say("modules"), whole),
        Column("rating_kva", "kVA", "kVA", whole),
        Column("nominal_kwh", "kWh", "kWh", whole),
        Column("capital", f"capital {currency}", say("capital [{currency}]", currency=currency), whole),
        Column("saving", "saving a", say("saving, first year [{currency}]", currency=currency), whole),
        Column("npv", "NPV", say("NPV [{currency}]", currency=currency), whole),
        Column("irr_frac", "IRR %", say("IRR [%]"), _digits("{:.1f}", 100.0)),
        Column("payback_years", "payback a", say("payback [years]"), _digits("{:.1f}")),
        Column("peak_import_kw", "peak kW", say("highest import [kW]"), _digits("{:,.1f}")),
        Column("self_consumption_frac", "own PV %", say("own use of PV [%]"), _digits("{:.1f}", 100.0)),
        Column("full_cycles", "cycles", say("full cycles a year"), whole),
        Column("health_end_frac", "health %", say("health at the end [%]"), _digits("{:.0f}", 100.0)),
        Column("best_share_frac", "best in %", say("best in so many draws [%]"), _digits("{:.0f}", 100.0)),
    )
    table = comparison.table
    batteries = table[table["racks"] > 0] if len(table) > 1 else table
    return [column for column in every if batteries[column.name].notna().any()]


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
    return [(str(row["rank"]), *(column.write(row[column.name]) for column in columns)) for row in records]


def sureness(comparison: Comparison) -> list[str]:
    """
    Return how sure the recommendation is.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    list of str
        How often it stays the best, how often it misses a target, what it gives away where it is not the best, a
        sentence each; none where doubt was left out.
    """
    if comparison.draws is None:
        return []
    return [*_how_often(comparison), *_missed(comparison), *_more_often(comparison), *_worn(comparison)]


def _how_often(comparison: Comparison) -> list[str]:
    """Say how often the recommendation stays the best, and what it gives away where it does not."""
    assert comparison.draws is not None  # noqa: S101 -- tells the type checker; only asked where there are some
    share, n = float(comparison.table["best_share_frac"].iloc[0]), len(comparison.draws)
    often = later("It stays the best in {share} % of {n} draws of load year, prices, fade and capital cost.")
    if comparison.inputs.scenario.ask.life is None:
        often = later("It stays the best in {share} % of {n} draws of load year, prices and capital cost.")
    said = [say(often, share=number(100 * share), n=number(n))]
    regret = comparison.regret_when_not_best
    if regret is None:
        return said
    if not math.isfinite(regret):  # of a target it is said how often it is missed
        is_target = comparison.missed_frac is not None
        return said if is_target else [*said, say("In some of the others it is no candidate at all.")]
    factor, decimals, _ = regret_form(comparison)
    values = {
        "regret": number(factor * regret, decimals),
        "currency": comparison.inputs.scenario.ask.money.currency,
    }
    match comparison.terms.criterion.name:
        case "payback":
            return [*said, say("In the others it takes {regret} years longer than the best, on average.", **values)]
        case "irr":
            return [*said, say("In the others it returns {regret} points less than the best, on average.", **values)]
        case "saving_per_capital":
            text = later(
                "In the others it saves {regret} {currency} a year less than the best for each {currency} spent, on"
                " average."
            )
        case "saving":
            text = later("In the others it saves {regret} {currency} a year less than the best, on average.")
        case "saving_target" | "peak_target":
            text = later("Where another is the best, it costs {regret} {currency} more, on average.")
        case _:
            text = later("In the others it is worth {regret} {currency} less than the best, on average.")
    return [*said, say(text, **values)]


def _missed(comparison: Comparison) -> list[str]:
    """Say in how many draws the recommendation misses the target, and in how many every option does."""
    missed, of_all = comparison.missed_frac, comparison.no_candidate_frac
    if not missed or of_all is None:
        return []
    said = [say("In {share} % of the draws it misses the target.", share=_share(missed))]
    if of_all == missed:
        return [*said, say("No other option reaches it there.")]
    return [*said, say("In {share} % no option reaches it.", share=_share(of_all))] if of_all else said


def _worn(comparison: Comparison) -> list[str]:
    """Say what peak worn racks keep, where the recommendation is about the peak that new ones keep."""
    best = comparison.best
    if comparison.terms.criterion.name != "peak_target" or best.worn_peak_kw is None:
        return []
    text = later(
        "This is about the first year: once its racks have lost a tenth of their energy, its highest import is {worn}"
        " kW instead of {new} kW."
    )
    return [say(text, worn=number(best.worn_peak_kw, 1), new=number(best.peak_import_kw, 1))]


def _share(share: float) -> str:
    """Return a share in per cent, without decimals where it has a first digit."""
    return number(100 * share, 0 if share >= 0.01 else 1)


def _more_often(comparison: Comparison) -> list[str]:
    """Say which option is the best more often than the one that is best by what is expected, if one is."""
    table = comparison.table
    other = table.iloc[int(table["best_share_frac"].to_numpy().argmax())]
    if other["best_share_frac"] <= table["best_share_frac"].iloc[0]:
        return []
    option = retold(str(Option(int(other["racks"]), int(other["modules"]))))
    text = later("More often, in {share} %, the best is {option}.")
    return [say(text, share=number(100 * float(other["best_share_frac"])), option=option)]


def regret_form(comparison: Comparison) -> tuple[float, int, str]:
    """
    Return how a regret is written.

    Parameters
    ----------
    comparison : Comparison
        The comparison, whose criterion has the unit.

    Returns
    -------
    factor : float
        What it is multiplied by.
    decimals : int
        Its digits after the point.
    unit : str
        Its unit.
    """
    currency = comparison.inputs.scenario.ask.money.currency
    match comparison.terms.criterion.name:
        case "payback":
            return 1.0, 1, say("years")
        case "irr":
            return 100.0, 1, say("points")
        case "saving_per_capital":
            return 1.0, 3, "1/a"
        case "saving":
            return 1.0, 0, f"{currency}/a"
        case _:
            return 1.0, 0, currency


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


STEPS_HEAD = (
    later("step"),
    later("saves at most"),
    later("as planned"),
    later("on the bill"),
    later("capital"),
    later("NPV"),
)


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
        named = {"options": ", ".join(names[:REFUSED_NAMED]), "why": retold(str(why))}
        more = len(names) - REFUSED_NAMED
        if more > 0:
            lines.append(say("{options} and {more} more: {why}", more=number(more), **named))
        else:
            lines.append(say("{options}: {why}", **named))
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
    rows, heads = table_rows(comparison), ("rank", *(column.short for column in columns_of(comparison)))
    none = [row for row, (_, one) in zip(rows, comparison.table.iterrows(), strict=True) if not one["racks"]]
    shown = rows[:MOST_ROWS]
    if none[0] not in shown:
        shown = [*shown[:-1], none[0]]
    years = "first year" if ask.life is None else f"{ask.life.horizon_years} years of life"
    drawn = "" if comparison.draws is None else f", draws from seed {comparison.seed}"
    ranked = CRITERION_WORDS[comparison.terms.criterion.name]
    lines = [
        f"{ask.site.name}   {len(comparison.options)} options, {years}, {_policy_words(ask.policy)}{drawn}",
        f"recommended by {ranked}: {best}",
        f"  {comparison.reason}",
        *(f"  {' '.join(sure)}" for sure in [sureness(comparison)] if sure),
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
