"""The report: one HTML file that opens offline."""

import base64
import io
from typing import Any

import numpy as np
from ruamel.yaml import YAML

import crestfall
from crestfall.report._connection import CAUTIONS, connection_rows, sheet_of
from crestfall.report._days import days_of
from crestfall.report._environment import environment
from crestfall.report._life import (
    TERMS,
    YEARS_HEAD,
    capital_rows,
    cash_tables,
    offer_rows,
    saved_table,
    warranty_rows,
    warranty_words,
    wear_words,
    worth_rows,
    years_rows,
)
from crestfall.report._running import running
from crestfall.report._savings import bill_by_line
from crestfall.report._sections import sections_content
from crestfall.report._unforeseen import COSTLY_HEAD, ERRORS_HEAD, costly_rows, error_rows, share_words, trial_rows
from crestfall.report._words import later, number, percent, say
from crestfall.study import Case, Inputs, Life, Result, Unforeseen

# Policies as tables name them.
later("rolling")
later("rules")
later("hindsight")
POLICY_WORDS = {
    "rolling": later("rolling plans: know the tariff and the past, and expect the rest"),
    "rules": later("rules: know the tariff and the past"),
    "hindsight": later("hindsight: knows the whole year in advance"),
}
POLICY_NOUNS = {"rolling": later("rolling plans"), "rules": later("the rules"), "hindsight": later("hindsight")}
# (title, what the picture shows), in the order of the page.
CAPTIONS = {
    "week": (
        later("The most telling week"),
        later(
            "Load, PV and import over bands of energy price, the dearer the darker; with a battery also what it "
            "does and what it holds."
        ),
    ),
    "monthly-bill": (
        later("Bill by period"),
        later("Each line of the bill without the battery (left bar) and with it (right bar)."),
    ),
    "duration-curve": (
        later("Import in order of size"),
        later("Where the curve falls on the left, peaks have gone; where it rises on the right, the battery charges."),
    ),
    "costliest-days": (
        later("The days that cost most"),
        later(
            "Import without the battery as it was forecast last and as it came, import with the battery and with "
            "hindsight, and the target in force; the interval that set a billed peak is shaded."
        ),
    ),
    "store-by-hour": (
        later("Stored energy through the year"),
        later("Each column is a day, each row a time of day; light is full, dark is empty."),
    ),
    "connection": (
        later("Connection"),
        later("Grid, meter and what hangs on them: power modules above, racks below; nothing is sized by it."),
    ),
    "backup": (
        later("How long the critical load would last"),
        later(
            "For each time of the year at which the grid might go, longest first; without sun, down to the usable "
            "window."
        ),
    ),
    "health": (
        later("State of health"),
        later("What is left of the racks at the end of each year, and what age and cycles took."),
    ),
    "yearly-savings": (
        later("Savings year by year"),
        later(
            "What the battery saves on each line of the bill; each year is scheduled anew with the racks as they "
            "are then."
        ),
    ),
    "cash": (
        later("Cash"),
        later("Cash of each year and its sum, as it is and discounted; diamonds mark where the capital has come back."),
    ),
    "warranty": (
        later("What is used of the warranty"),
        later(
            "How much of each limit is used by the end of each year; beyond 100 % it is broken. Of the health, how "
            "much of the loss that the guarantee leaves. Racks of another purchase have lines of their own."
        ),
    ),
    "cycle-depths": (later("How deep it cycles"), later("Rainflow cycles by depth; half cycles count as one half.")),
    "cells": (
        later("What the cells go through"),
        later("Hours of the first year by state of charge, by rate over nominal energy and by temperature."),
    ),
}

LIFE_PICTURES = ("health", "yearly-savings", "cash", "warranty")


def report_html(result: Result, svgs: dict[str, bytes]) -> str:
    """
    Return the report of a study.

    Parameters
    ----------
    result : Result
        The study.
    svgs : dict of str to bytes
        Figures by name.

    Returns
    -------
    str
        A whole HTML document with the figures inside; equal studies give equal text.
    """
    made = environment()
    made.filters |= {"amount": amount, "energy": _energy, "percent": _percent}
    return made.get_template("report.html").render(_content(result, svgs))


def amount(value: float) -> str:
    """Return a sum of money without cents, thousands separated.

    >>> amount(-1234.6), amount(-0.2)
    ('−1,235', '0')
    """
    return number(value)


def _energy(kwh: float) -> str:
    return f"{number(kwh / 1000, 1)} MWh"


def _percent(share: float | None) -> str:
    return say("none") if share is None else percent(share)


def _content(result: Result, svgs: dict[str, bytes]) -> dict[str, Any]:
    inputs = result.inputs
    pictures = {
        name: {"title": say(title), "text": say(text), "data": base64.b64encode(svgs[name]).decode()}
        for name, (title, text) in CAPTIONS.items()
        if name in svgs
    }
    connection_picture = pictures.pop("connection", None)
    costliest_days = pictures.pop("costliest-days", None)
    life_pictures = [pictures.pop(name) for name in LIFE_PICTURES if name in pictures]
    return {
        "result": result,
        "running": running(inputs.scenario.ask),
        "ask": inputs.scenario.ask,
        "plant": inputs.plant,
        "series": inputs.series,
        "tariff_title": result.before.rates.title,
        "tariff_after_title": result.headline.rates.title,
        "currency": inputs.scenario.ask.money.currency,
        "case": result.headline,
        "cases": result.cases,
        "policy_words": {name: say(words) for name, words in POLICY_WORDS.items()},
        "policy_noun": say(POLICY_NOUNS[result.headline.policy]),
        "saving_share": {case.policy: _share(result.saving(case), result.before.bill_total) for case in result.cases},
        "captured": {case.policy: result.share_of_hindsight(case) for case in result.cases},
        "unforeseen": None if result.unforeseen is None else _unforeseen_content(result, result.unforeseen),
        "costliest_days": costliest_days,
        "bill_rows": bill_by_line(result).to_dict("records"),
        "peak_rows": _peak_rows(result),
        "plant_rows": _plant_rows(inputs),
        "energy_rows": _energy_rows(result.headline),
        "pictures": list(pictures.values()),
        "days": days_of(result) if inputs.plant.option.is_battery else None,
        "life": None if result.life is None else _life_content(result, result.life, life_pictures),
        "connection_picture": connection_picture,
        "connection_rows": _connection_rows(result),
        "connection_cautions": [say(caution) for caution in CAUTIONS],
        "gap_frac": result.headline.schedule.gap_frac(result.idle_cost),
        "version": crestfall.__version__,
        "inputs_text": _inputs_text(result),
        "fingerprint": inputs.scenario.fingerprint(),
        **sections_content(result, svgs),
    }


def _unforeseen_content(result: Result, found: Unforeseen) -> dict[str, Any]:
    currency = result.inputs.scenario.ask.money.currency
    return {
        "errors_head": [say(head) for head in ERRORS_HEAD],
        "error_rows": error_rows(found),
        "costly_head": [say(head) for head in COSTLY_HEAD],
        "costly_rows": costly_rows(found),
        "share_words": share_words(found, currency),
        "trial_rows": trial_rows(found, currency),
        "n_plans": found.rolled.n_plans,
        "note": found.rolled.schedule.note,
    }


def _life_content(result: Result, life: Life, pictures: list[dict[str, str]]) -> dict[str, Any]:
    money = result.inputs.scenario.ask.money
    return {
        "pictures": pictures,
        "years_head": [say(head) for head in YEARS_HEAD],
        "years_rows": years_rows(life),
        "worth_rows": worth_rows(life, money),
        "capital_rows": capital_rows(life),
        "cash_tables": cash_tables(life),
        "offer_rows": offer_rows(life),
        "saved_table": saved_table(life),
        "warranty_words": warranty_words(life),
        "warranty_head": [say(name) for name, _, _ in TERMS.values()],
        "warranty_rows": warranty_rows(life),
        "wear_words": wear_words(life, money.currency),
        "basis": life.basis,
    }


def _share(part: float, whole: float) -> float | None:
    return part / whole if whole > 0 else None


def _peak_rows(result: Result) -> list[dict[str, Any]]:
    """Return measured peaks before, as planned and as replayed; daily ones would fill pages."""
    return [
        {"charge": peak.charge, "period": peak.period, "unit": peak.unit}
        | {"before": peak.before, "planned": peak.planned, "after": peak.replayed}
        for peak in result.peaks(result.headline)
    ]


def _plant_rows(inputs: Inputs) -> list[tuple[str, str]]:
    plant = inputs.plant
    return [
        (say("Cabinets"), f"{plant.cabinets}"),
        (say("Power"), say("{rating} kVA, used at unity power factor", rating=number(plant.rating_kva))),
        (
            say("Energy, nominal and usable"),
            say(
                "{nominal} kWh and {usable} kWh, DC", nominal=number(plant.nominal_kwh), usable=number(plant.usable_kwh)
            ),
        ),
        (
            say("Limits of the racks, in and out"),
            say(
                "{into_limit} kW and {outof_limit} kW, DC",
                into_limit=number(plant.into_limit_kw),
                outof_limit=number(plant.outof_limit_kw),
            ),
        ),
        (say("Round trip at rated power, without auxiliaries"), percent(plant.round_trip_frac)),
        (
            say("Auxiliaries, mean of the year without cooling of losses"),
            f"{number(float(inputs.auxiliary_kw.mean()), 2)} kW",
        ),
    ]


def _connection_rows(result: Result) -> list[tuple[str, str]]:
    inputs = result.inputs
    if not inputs.plant.option.is_battery:
        return []
    readings = result.headline.readings
    kvar = 0.0 if readings.kvar is None else readings.kvar
    after_kva = float(np.hypot(np.maximum(readings.import_kw, readings.export_kw), kvar).max())
    rows = connection_rows(sheet_of(inputs), knows_kvar=inputs.series.kvar is not None)
    return [
        *rows,
        (
            say("Highest apparent power after, {policy}", policy=say(result.headline.policy)),
            f"{number(after_kva)} kVA",
        ),
    ]


def _energy_rows(case: Case) -> list[tuple[str, float]]:
    energy = case.energy
    return [
        (say("Load"), energy.load_kwh),
        (say("PV available"), energy.pv_kwh),
        (say("PV held back by the export limit"), energy.curtailed_kwh),
        (say("Import"), energy.import_kwh),
        (say("Export"), energy.export_kwh),
        (say("Charged (AC)"), energy.charged_kwh),
        (say("Discharged (AC)"), energy.discharged_kwh),
        (say("Lost in power modules"), energy.module_loss_kwh),
        (say("Lost in racks"), energy.rack_loss_kwh),
        (say("Lost by standing"), energy.standing_loss_kwh),
        (say("Auxiliaries"), energy.auxiliary_kwh),
    ]


def _inputs_text(result: Result) -> str:
    buffer = io.StringIO()
    YAML().dump(result.inputs.scenario.resolved(), buffer)
    return buffer.getvalue()
