"""What the first screen of a comparison says: the option, why it is that one, what it is held against, and how sure."""

import math

from crestfall.plant import Option
from crestfall.report._compare_text import regret_form, sureness, whole
from crestfall.report._first_screen import Beside
from crestfall.report._retold import retold
from crestfall.report._words import number, say
from crestfall.study import Comparison, OptionFigures


def reply(comparison: Comparison) -> list[tuple[str, bool]]:
    """
    Return the answer in sentences.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    list of (str, bool)
        First the option and what it is ahead in, to be seen first; then what its neighbours would change, and how
        sure the choice is.
    """
    first, *others = (retold(clause) for clause in comparison.reasons)
    steps = [_sentence("; ".join(others))] if others else []
    return [(_sentence(first), True), *((words, False) for words in (*steps, *sureness(comparison)))]


def beside(comparison: Comparison) -> Beside:
    """
    Return what the recommendation comes to beside the next best option and no battery.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    Beside
        A column for each option; rows of figures that nobody has are left out.
    """
    nothing = next(one for one in comparison.options if not one.option.is_battery)
    shown = [one for one in (comparison.best, comparison.runner_up) if one is not None]
    shown += [] if nothing in shown else [nothing]
    notes = [say("recommended"), say("next best"), ""] if len(shown) > 1 else [say("recommended")]
    heads = [(_sentence(retold(str(one.option)), ""), note) for one, note in zip(shown, notes, strict=False)]
    return Beside(heads, _rows(comparison, shown))


def _rows(comparison: Comparison, shown: list[OptionFigures]) -> list[list[str]]:
    currency = comparison.inputs.scenario.ask.money.currency
    capital = [0.0 if one.capital is None else one.capital.net for one in shown]
    payback = [math.nan if one.payback_years is None else one.payback_years for one in shown]
    rows = [
        (say("Capital less grants [{currency}]", currency=currency), capital, 0),
        (say("Saving, first year [{currency}]", currency=currency), [one.saving for one in shown], 0),
        (say("Payback [years]"), payback, 1),
        (say("Net present value [{currency}]", currency=currency), [one.npv for one in shown], 0),
        (say("Highest import [kW]"), [one.peak_import_kw for one in shown], 1),
    ]
    doubt = comparison.doubt
    if doubt is not None:
        of_option = {Option(row["racks"], row["modules"]): row for row in doubt.to_dict("records")}
        of_each = [of_option[one.option] for one in shown]
        if len(comparison.loads) > 1:
            rows.append((say("Highest import in any year of load [kW]"), [one.highest_import_kw for one in shown], 1))
        factor, decimals, unit = regret_form(comparison)
        rows += [
            (
                say("Share of draws in which it is the best [%]"),
                [100 * float(one["best_share_frac"]) for one in of_each],
                0,
            ),
            (
                say("Behind the best, mean of all draws [{unit}]", unit=unit),
                [factor * float(one["mean_regret"]) for one in of_each],
                decimals,
            ),
        ]
    batteries = [at for at, one in enumerate(shown) if one.option.is_battery]
    return [
        [name, *(_written(value, decimals) for value in values)]
        for name, values, decimals in rows
        if any(math.isfinite(values[at]) for at in batteries or range(len(shown)))
    ]


def _written(value: float, decimals: int) -> str:
    return number(value, decimals) if math.isfinite(value) else whole(math.nan)


def _sentence(clause: str, stop: str = ".") -> str:
    return f"{clause[0].upper()}{clause[1:]}{stop}"
