"""What was found in meter data, for programs: the same figures as the words and tables on the terminal."""

from collections.abc import Sequence
from dataclasses import asdict

import pandas as pd

from crestfall.scenario import Scenario
from crestfall.series.meter import Evidence, MeterData, UndecidedError, spread_table

SAVINGS = ("saving_rules", "saving_hindsight")


def meter_facts(data: MeterData, notes: Sequence[str] = ()) -> dict[str, object]:
    """
    Return what was found in meter data.

    Parameters
    ----------
    data : MeterData
        What was read.
    notes : sequence of str, default=()
        Further sentences.

    Returns
    -------
    dict
        Figures with their units in their names, `read_as`, `damage`, `years`, `notes` and no `questions`; all of it
        can be written as JSON.
    """
    figures = {name: _plain(value) for name, value in asdict(data.summary).items()}
    return {
        "source": data.source,
        "zone": data.series.clock.name,
        **figures,
        "is_whole": data.is_whole,
        "read_as": _read_as(data.evidence),
        "damage": [asdict(defect) for defect in data.series.defects],
        "years": spread_table(data.series).to_dict("records"),
        "notes": [*data.notes, *notes],
        "questions": [],
    }


def open_facts(error: UndecidedError) -> dict[str, object]:
    """
    Return what is open in a file.

    Parameters
    ----------
    error : UndecidedError
        The questions.

    Returns
    -------
    dict
        `read_as` as far as it is known, and `questions`, each with the options that answer it.
    """
    questions = [
        {
            "topic": one.topic,
            "why": one.why,
            "choices": [{"option": option, "meaning": meaning} for option, meaning in one.choices],
        }
        for one in error.questions
    ]
    return {"read_as": _read_as(error.evidence), "questions": questions}


def spread_facts(table: pd.DataFrame, scenario: Scenario) -> dict[str, object]:
    """
    Return studies of several loads.

    Parameters
    ----------
    table : DataFrame
        A row for each load, as :func:`crestfall.study.spread` returns them.
    scenario : Scenario
        What was asked.

    Returns
    -------
    dict
        The rows as `loads`, and the lowest and highest saving of each policy.
    """
    return {
        "site": scenario.ask.site.name,
        "currency": scenario.ask.money.currency,
        "is_metered": scenario.ask.site.load_model is None,
        "loads": table.to_dict("records"),
        **{name: [float(table[name].min()), float(table[name].max())] for name in SAVINGS},
    }


def _read_as(evidence: Sequence[Evidence]) -> list[dict[str, str]]:
    return [{"topic": one.topic, "value": one.value, "because": one.why, "otherwise": one.option} for one in evidence]


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, pd.Timestamp) else value
