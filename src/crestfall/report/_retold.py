"""Sentences of other rooms, told again in the reader's language: English ones come in, with their values in them.

What is read in a report is said by this room; but a warning is raised where something is found, with its numbers. The
texts below are those that other rooms write. One that is not here stays as it is.
"""

import re
from functools import cache

from crestfall.report._words import ENGLISH, figures, language_now, later, say

SENTENCES = (
    later("the exact way"),
    later("the exact way, with a price on a budget of energy"),
    later("the general solver, as asked for"),
    later("the general solver, since {why}"),
    later("both solvers, since burning energy pays in some steps"),
    later("between two prices of wear"),
    later("{n} plans over {hours} h on forecasts"),
    later("{racks} racks, {modules} modules"),
    later("{racks} racks, {modules} module"),
    later("{racks} rack, {modules} modules"),
    later("{racks} rack, {modules} module"),
    later("no battery"),
    # Terminals of a plant.
    later("AC, one cabinet, per phase, at {volts} V"),
    later("DC, one rack"),
    later("DC, one rack, at {volts} V"),
    # Where a fade law comes from.
    later("cycle life of the data sheet by depth, summed linearly; its temperature and rate only"),
    later("tests of one LFP/graphite cell of 3 Ah (Naumann et al. 2018, 2020); no cold charging, no knee"),
    later("cycle tests of one LFP/graphite cell of 2 Ah (Wang et al. 2011); no fade by standing, no cold charging"),
    later("two stated figures, one for each full cycle and one for each year; no conditions"),
    later("a given curve of health by age, whatever the use"),
    # What would have helped.
    later("perfect forecasts of load and PV"),
    later("peak targets {more} % above what the last weeks could have kept, not {now} %"),
    later("one rack more, {kwh} kWh usable"),
    # Why an option is recommended; its parts are told one by one.
    later("no battery: {why}"),
    later("highest NPV, {npv} {currency}"),
    later("shortest payback, {years} years"),
    later("highest rate of return, {rate} %"),
    later("highest saving for each {currency} spent, {saving} a year"),
    later("highest saving, {saving} {currency} in the first year"),
    later("no option saves {target} {currency} a year; this one costs least"),
    later("least capital, {capital} {currency}, that saves {target} a year"),
    later("no option keeps import below {target} kW; this one costs least"),
    later("least capital, {capital} {currency}, that keeps import to {target} kW"),
    later("no other option can be had"),
    later("no option has an NPV above 0; the best of them, {option}, would lose {loss}"),
    later("no option pays back"),
    later("no option returns more than {rate} %, what money costs"),
    later("no option saves {target} {currency} a year"),
    later("no option keeps import to {target} kW"),
    later("import stays within {target} kW without one"),
    later("no option saves anything"),
    later("{which} adds {more} and costs {cost} {currency} a year"),
    later("{which} adds {more} and spares {cost} {currency} a year"),
    later("{which} loses {more} and costs {cost} {currency} a year"),
    later("{which} loses {more} and spares {cost} {currency} a year"),
    later("{which} add {more} and cost {cost} {currency} a year"),
    later("{which} add {more} and spare {cost} {currency} a year"),
    later("{which} lose {more} and cost {cost} {currency} a year"),
    later("{which} lose {more} and spare {cost} {currency} a year"),
    later("{which} adds {more} {currency} a year and costs {capital} {currency}"),
    later("{which} adds {more} {currency} a year and spares {capital} {currency}"),
    later("{which} loses {more} {currency} a year and costs {capital} {currency}"),
    later("{which} loses {more} {currency} a year and spares {capital} {currency}"),
    later("{which} add {more} {currency} a year and cost {capital} {currency}"),
    later("{which} add {more} {currency} a year and spare {capital} {currency}"),
    later("{which} lose {more} {currency} a year and cost {capital} {currency}"),
    later("{which} lose {more} {currency} a year and spare {capital} {currency}"),
    later("{which} brings that to {years} years"),
    later("{which} bring that to {years} years"),
    later("{which} keeps it from paying back"),
    later("{which} keep it from paying back"),
    later("without {which} it takes {years} years"),
    later("without {which} it never pays back"),
    later("{which} brings that to {rate} %"),
    later("{which} bring that to {rate} %"),
    later("without {which} it is {rate} %"),
    later("{which} brings that to {saving} a year"),
    later("{which} bring that to {saving} a year"),
    later("without {which} it is {saving} a year"),
    later("{which} brings that to {saving} {currency} a year for {capital} {currency}"),
    later("{which} bring that to {saving} {currency} a year for {capital} {currency}"),
    later("without {which} it is {saving} {currency} a year for {capital} {currency}"),
    later("{which} brings that to {peak} kW for {capital} {currency}"),
    later("{which} bring that to {peak} kW for {capital} {currency}"),
    later("without {which} it is {peak} kW for {capital} {currency}"),
    later("{which} leaves no single rate of return"),
    later("{which} leave no single rate of return"),
    later("without {which} there is no single rate of return"),
    later("more racks were not compared"),
    later("fewer racks were not compared"),
    later("more modules were not compared"),
    later("fewer modules were not compared"),
    later("not all options of the catalogue were compared"),
    later("a {nth} rack"),
    later("an {nth} rack"),
    later("the {nth} rack"),
    later("{n} racks more"),
    later("the last {n} racks"),
    later("a {nth} module"),
    later("an {nth} module"),
    later("the {nth} module"),
    later("{n} modules more"),
    later("the last {n} modules"),
    later("second"),
    later("third"),
    later("fourth"),
    later("fifth"),
    later("sixth"),
    later("seventh"),
    later("eighth"),
    later("ninth"),
    later("tenth"),
    later("{n}st"),
    later("{n}nd"),
    later("{n}rd"),
    later("{n}th"),
    # What is said of a comparison's ranking and of its years of load.
    later(
        "the scenario has no {lacks}, so options are ranked by the saving of the first year; what they cost decides"
        " nothing"
    ),
    later("life and no money.discount"),
    later("days drawn anew, {n}"),
    later("year from {month}"),
    # Why an option or a case of a sweep has no figures.
    later("it takes {expected}"),
    later("{key}: found {found}, expected {expected}"),
    later("at least 1, for racks without modules have no power"),
    later("at least 1, for modules without racks have no energy"),
    later("{least} to {most} racks (least_racks and most_racks of the catalogue)"),
    later("{least} to {most} modules (least_modules and most_modules of the catalogue)"),
    later("1 rack (least_racks and most_racks of the catalogue)"),
    later("{most} racks (least_racks and most_racks of the catalogue)"),
    later("1 module (least_modules and most_modules of the catalogue)"),
    later("{most} modules (least_modules and most_modules of the catalogue)"),
    later("a multiple of {multiple} (racks_multiple_of of the catalogue)"),
    later("a multiple of {multiple} (modules_multiple_of of the catalogue)"),
    later("at least {least} racks for each module (least_racks_per_module of the catalogue)"),
    later("at most {most} racks for each module (most_racks_per_module of the catalogue)"),
    later("an option for at most 1 cabinet (most_cabinets of the catalogue), it needs {needed}"),
    later("an option for at most {most} cabinets (most_cabinets of the catalogue), it needs {needed}"),
    later("at least one rack and one module in each of its {cabinets} cabinets"),
    later(
        "racks and modules that spread evenly over its {cabinets} cabinets, to run as one store (dc_coupling by_cabinet"
        " of the catalogue)"
    ),
    later("fewer than the {modules} modules of the option"),
    later("at most {most} kW, the rating less auxiliaries"),
    later("at most {most} hours, for which the usable {usable} kWh at the end of life ({health} % health) last"),
    later("at most {n} years, the horizon of the study"),
    later("times on the {n}-minute steps of the data"),
    later("two different times"),
    later("one price for each step"),
    later("prices for each step"),
    later("prices from {first} to {last}"),
    later("dates from {first} or before to a day after {last}"),
    later("whole steps of {n} minutes"),
    later("the start of a step of {n} minutes"),
    later("a multiple of {n}, the step of the data"),
    later("as many peaks before the data as the first period looks back, {n}"),
    later("an event with at least one earlier day of the same kind in the data"),
    later("events that do not overlap"),
    later("times from {first} to {last}"),
    later("a time from {first} to {last}"),
    later("capacity that stays above 0 over the horizon"),
    later("a guaranteed curve of health for life.fade: warranted"),
    later("at most {health}, which the fade law leaves at zero cycles"),
    later("{low} to {high}, what modules and resistance leave"),
    later("one of them, since the tariff bills kVA or reactive power"),
    later("a law of fade, since the scenario asks for the years of life"),
    later("a warranty, since life.respect_warranty asks the schedule to keep it"),
    later("policy rolling or hindsight, whose plans can be held to a budget of cycles"),
    later("at least {kw} kW, below which the load never falls in the first month"),
    later("in year {year} of life: {why}"),
    later(
        "{limit} cannot be kept with {option}: at {time} the site needs {needed} kW and the battery leaves at least"
        " {excess} kW too much"
    ),
    later("{limit} cannot be kept with no battery: at {time} the site needs {needed} kW, {excess} kW too much"),
    later("site.import_limit_kva leaves {left} kW, which"),
    later("no schedule keeps the budget of energy"),
    later("no schedule keeps the limits of the store and of the export at once"),
    later(
        "the warranty's cycles or throughput cannot be kept at any price of wear: limits of the connection take {times}"
        " times what is left of them"
    ),
    later("its worker died {times} times ({why})"),
    later("its worker died, and so did others that tried"),
    later("{signal}, perhaps for want of memory"),
    later("out of memory"),
    # Warnings of a study.
    later("without the battery the site exceeds its import limit in {n} steps; the bill before ignores this"),
    later("options that exceed the import limit in the first year, as their controller is set: {n} of {total}"),
    later("the rules exceed the import limit in {n} steps: a controller with these settings would not hold it"),
    later(
        "rolling plans begin without a past, and a peak of the first days stays on '{charge}' for longer than a month;"
        " rolling.history gives them one"
    ),
    later("the rolling plan exceeds the import limit in {n} steps: a controller with these settings would not hold it"),
    later("no ambient temperature is given: heating, cooling and limits are those at {mild} degrees C"),
    later("ambient temperature stops the plant in {n} steps"),
    later("in {n} steps reactive support or ambient temperature leaves no active power"),
    later("in {n} steps burning energy would have paid; they were made to run one way"),
    later("the time limit ended the search; the gap says how far the schedule may be from the optimum"),
    later(
        "blocks that get cheaper, or payments that end at zero, were settled by a local search: the schedule may cost"
        " up to {share} % more than the best"
    ),
    later("by its hours of use the site does not belong on '{tariff}'"),
    later("{failed} of {n} plans could not be made under their targets; the plan before them went on"),
    later("'{tariff}' is valid from {day}; it bills the days before as well"),
    later(
        "each year of life is scheduled for its own bill: what its peaks cost in the year after, by a ratchet, is "
        "billed"
        " there but not foreseen"
    ),
    later(
        "in year {year} of life, cell temperature in cycles: {low} to {high} degrees C, {share} % of the energy through"
        " the cells outside {least} to {most} degrees C, on which the fade law was fitted"
    ),
    later(
        "in year {year} of life, C-rate: {low} to {high} 1/h, {share} % of the energy through the cells outside {least}"
        " to {most} 1/h, on which the fade law was fitted"
    ),
)
_PLACE = re.compile(r"\{(\w+)\}")
# What stands in some places is of one kind; in all others it is any text.
_NUMBERS = ("n", "least", "most", "multiple", "racks", "modules", "cabinets", "year", "years", "times", "needed")
_KINDS = {"nth": r"\w+", "which": r"[^;:]+?", "key": r"\S+"} | dict.fromkeys(_NUMBERS, r"[-−]?[\d.,]+")


def retold(sentence: str) -> str:
    """
    Return a sentence of another room in the language in force.

    Parameters
    ----------
    sentence : str
        In English, without a full stop.

    Returns
    -------
    str
        The same in the language, its numbers too; part by part where the whole is not known, else as it is.
    """
    if language_now() == ENGLISH:
        return sentence
    told = _told(sentence)
    return sentence if told is None else told


def _told(sentence: str) -> str | None:
    """Return a sentence, or part of one, in the language; None where nothing of it is known."""
    for pattern, text in _patterns():
        if (found := pattern.fullmatch(sentence)) is not None:
            return say(text, **{name: _told_or_figures(value) for name, value in found.groupdict().items()})
    for mark in ("; ", ": "):
        parts = sentence.split(mark)
        if len(parts) > 1 and any(_told(part) is not None for part in parts):
            return mark.join(map(_told_or_figures, parts))
    return None


def _told_or_figures(part: str) -> str:
    told = _told(part)
    return figures(part) if told is None else told


@cache
def _patterns() -> list[tuple[re.Pattern[str], str]]:
    """Return the texts as patterns, those with most words of their own first."""
    texts = sorted(SENTENCES, key=lambda text: -len(_PLACE.sub("", text)))
    return [(re.compile(_as_pattern(text), re.DOTALL), text) for text in texts]


def _as_pattern(text: str) -> str:
    parts, pattern, seen = _PLACE.split(text), "", set[str]()  # words, name, words, name, ...
    for place, part in enumerate(parts):
        if place % 2 == 0:
            pattern += re.escape(part)
        elif part in seen:
            pattern += f"(?P={part})"
        else:
            seen.add(part)
            pattern += f"(?P<{part}>{_KINDS.get(part, '.+?')})"
    return pattern
