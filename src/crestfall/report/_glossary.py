"""What every figure of a report means."""

from crestfall.report._words import say
from crestfall.study import Result


def glossary(result: Result) -> list[tuple[str, str]]:
    """
    Return the terms that a report uses, each with what it means.

    Parameters
    ----------
    result : Result
        A finished study; terms of what it has not are left out.

    Returns
    -------
    list of tuple of str
        Term and definition, in the order in which a reader meets them.
    """
    terms = _bill_terms()
    if result.inputs.plant.option.is_battery:
        terms += _saving_terms() + _battery_terms()
        terms += [] if result.life is None else _money_terms()
    terms += _proof_terms()
    if result.inputs.scenario.ask.emissions is not None:
        terms += _emission_terms()
    return terms


def _bill_terms() -> list[tuple[str, str]]:
    return [
        (say("Step"), say("One interval of the data. A power is the mean over it, a time stamp marks its start.")),
        (say("Import, export"), say("Power from and to the grid at the point of connection, each not negative.")),
        (
            say("Bill before"),
            say("The site as billed today: its load, its PV, its contract, no battery."),
        ),
        (
            say("Billed peak"),
            say(
                "The highest mean import of a period by the rule of the tariff, with ratchets, power factor and"
                " minimum."
            ),
        ),
    ]


def _saving_terms() -> list[tuple[str, str]]:
    return [
        (
            say("Saving"),
            say(
                "The year's bill without the battery, under the best contract that could be had, less the bill of the"
                " replayed meter readings with it."
            ),
        ),
        (
            say("Hindsight"),
            say("A schedule that knows every step of the year in advance. What it saves is a ceiling."),
        ),
        (
            say("Rolling plans"),
            say("Plans on forecasts made from the past, made again and again; only what was known then decides."),
        ),
        (say("Rules"), say("A simple controller that knows the tariff and the past and expects nothing.")),
        (
            say("Simple payback"),
            say("Capital cost over the first year's saving: no interest, no fade, no running costs."),
        ),
    ]


def _battery_terms() -> list[tuple[str, str]]:
    return [
        (say("Charge, discharge"), say("Power at the AC terminals of the power modules, each not negative.")),
        (say("Stored energy"), say("Energy in the racks at the end of a step, DC.")),
        (
            say("State of charge"),
            say("Stored energy over nominal energy; the usable window is what the catalogue allows of it."),
        ),
        (
            say("Equivalent full cycles"),
            say("Energy that leaves the racks (DC) in the year over their nominal energy (DC)."),
        ),
        (
            say("Round trip"),
            say(
                "Energy discharged over energy charged in the year, both AC; with auxiliaries what the plant draws for"
                " itself counts as charged."
            ),
        ),
        (
            say("Rainflow cycle"),
            say("A swing of the stored energy down and up again, counted as in ASTM E1049-85, section 5.4.4."),
        ),
        (
            say("Wear"),
            say(
                "A price on each kWh discharged that keeps the schedule from cycling for pennies; in no bill and in no"
                " cash."
            ),
        ),
    ]


def _money_terms() -> list[tuple[str, str]]:
    return [
        (say("State of health"), say("Energy that the racks can hold over what they held when new.")),
        (
            say("Net present value"),
            say("All cash of the project, each year's discounted to the start, the capital cost taken off."),
        ),
        (say("Payback"), say("Time after which receipts cover payments and go on covering them.")),
        (say("Rate of return"), say("The discount rate at which the net present value is 0.")),
        (
            say("Levelised cost"),
            say(
                "Present value of all costs and of the energy charged over the present value of the energy discharged."
            ),
        ),
    ]


def _proof_terms() -> list[tuple[str, str]]:
    return [
        (
            say("Gap"),
            say(
                "Cost of the schedule less the bound that no schedule can go below, over the cost, or that of the idle"
                " plant if it is larger."
            ),
        ),
        (
            say("Residual"),
            say("What is left over where two figures that are computed apart should agree; zero but for rounding."),
        ),
    ]


def _emission_terms() -> list[tuple[str, str]]:
    return [
        (
            say("Average factor"),
            say("Emissions of all generation in an hour over its energy: what a share of the mix stands for."),
        ),
        (
            say("Marginal factor"),
            say(
                "Emissions of the plant that would run more or less if the site took more or less: what a change does."
            ),
        ),
    ]
