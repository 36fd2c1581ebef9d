"""What the first screen of a sweep says: how far the answer spreads, how likely a loss is, and what moves it most."""

from crestfall.report._axis_form import form_of, option_words
from crestfall.report._first_screen import Tile
from crestfall.report._words import later, number, percent, say, say_many
from crestfall.study import SweepResult

SMALL_FRAC = 0.1  # a smaller share is written with a decimal, lest a chance of one in two hundred reads as none
SPREAD = {
    ("npv", True): later(
        "In half of {n} draws the net present value is above {p50} {currency}; in eight of ten it lies between"
        " {p10} and {p90} {currency}."
    ),
    ("npv", False): later(
        "In half of {n} cases the net present value is above {p50} {currency}; in eight of ten it lies between"
        " {p10} and {p90} {currency}."
    ),
    ("saving", True): later(
        "In half of {n} draws the first year saves more than {p50} {currency}; in eight of ten it saves between {p10}"
        " and {p90} {currency}."
    ),
    ("saving", False): later(
        "In half of {n} cases the first year saves more than {p50} {currency}; in eight of ten it saves between {p10}"
        " and {p90} {currency}."
    ),
}


def reply(result: SweepResult) -> list[tuple[str, bool]]:
    """
    Return the answer in sentences.

    Parameters
    ----------
    result : SweepResult
        The sweep.

    Returns
    -------
    list of (str, bool)
        The spread, to be seen first; then how likely a loss is, what moves it most, and which option is best.
    """
    spread, n_cases = result.spread, len(result.table)
    if not spread:
        return [(say_many(n_cases, "The {n} case has no figures.", "None of {n} cases has figures."), True)]
    is_drawn = result.plan.sweep.draws is not None
    n_values = len(result.spread_values())
    values = {name: number(spread[name]) for name in ("p10", "p50", "p90")}
    values |= {"n": number(n_values), "currency": _currency(result)}
    said = []
    if n_values > 1:
        said.append(say(SPREAD[result.metric, is_drawn], **values))
    said += [_loss(result, is_drawn=is_drawn), *_mover(result), *_choice(result)]
    return [(words, place == 0) for place, words in enumerate(said)]


def tiles(result: SweepResult) -> list[Tile]:
    """
    Return the figures of the first screen.

    Parameters
    ----------
    result : SweepResult
        The sweep.

    Returns
    -------
    list of Tile
        Cases, base, percentiles, probability of a loss, what moves it most, the best option, as far as they are known.
    """
    n_cases, missing = len(result.table), len(result.table) - len(result.done)
    note = say("all of them have figures") if not missing else say("{n} failed, see below", n=number(missing))
    is_npv, currency = result.metric == "npv", _currency(result)
    what = say("net present value") if is_npv else say("saving of the first year")
    base = Tile(say("Base"), f"{number(float(result.base[result.metric]))} {currency}", what)
    return [Tile(say("Cases"), number(n_cases), note), base, *_spread(result), *_moved(result), *_best(result)]


def _spread(result: SweepResult) -> list[Tile]:
    spread = result.spread
    if not spread:
        return []
    currency, is_drawn = _currency(result), result.plan.sweep.draws is not None
    notes = {"p10": say("a tenth lies below"), "p50": say("half lie below"), "p90": say("nine tenths lie below")}
    below = say("Probability of less than 0") if is_drawn else say("Share below 0")
    n = number(len(result.spread_values()))
    of_what = say("of {n} draws, listed axes as in the base", n=n) if is_drawn else say("of {n} cases", n=n)
    return [
        *(Tile(name.upper(), f"{number(spread[name])} {currency}", note) for name, note in notes.items()),
        Tile(below, _share(spread["below_0"]), of_what),
    ]


def _moved(result: SweepResult) -> list[Tile]:
    if result.swings.empty:
        return []
    row = result.swings.iloc[0]
    form = form_of(result, row["axis"])
    note = say(
        "from {at_low} {currency} at {low} to {at_high} {currency} at {high}",
        **_ends(result),
        currency=_currency(result),
    )
    return [Tile(say("Moves it most"), form.name, note)]


def _best(result: SweepResult) -> list[Tile]:
    if result.choices is None:
        return []
    first = result.choices.iloc[0]
    share = _share(float(first["best_share_frac"]))
    note = say("in {share} of all that may come", share=share)
    return [Tile(say("Best most often"), option_words(result, first["option"]), note)]


def _loss(result: SweepResult, *, is_drawn: bool) -> str:
    share = _share(result.spread["below_0"])
    if not (result.spread_values() < 0).any():
        return say("None of them is below 0.")
    if is_drawn:
        return say("It is below 0 with a probability of {share}.", share=share)
    return say("It is below 0 in {share} of them, which need not be equally likely.", share=share)


def _mover(result: SweepResult) -> list[str]:
    if result.swings.empty:
        return []
    row = result.swings.iloc[0]
    values = {"axis": form_of(result, row["axis"]).name, "currency": _currency(result), **_ends(result)}
    text = later("What moves it most is “{axis}”: from {at_low} {currency} at {low} to {at_high} {currency} at {high}.")
    return [say(text, **values)]


def _ends(result: SweepResult) -> dict[str, str]:
    """Return both ends of the axis that moves most, and what it comes to there."""
    row = result.swings.iloc[0]
    form = form_of(result, row["axis"])
    found = {end: form.full(row[end]) for end in ("low", "high")}
    return found | {name: number(float(row[name])) for name in ("at_low", "at_high")}


def _choice(result: SweepResult) -> list[str]:
    if result.choices is None:
        return []
    first = result.choices.iloc[0]
    values = {"option": option_words(result, first["option"]), "share": _share(float(first["best_share_frac"]))}
    return [say("The best option most often is {option}: in {share} of all that may come.", **values)]


def _share(share: float) -> str:
    return percent(share, 1 if 0 < share < SMALL_FRAC else 0)


def _currency(result: SweepResult) -> str:
    return result.plan.base.ask.money.currency
