"""Write a comparison into a folder: tables, figures, the page."""

import base64
import io
from typing import Any

from matplotlib.figure import Figure
from ruamel.yaml import YAML

import crestfall
from crestfall.report import _style as style
from crestfall.report._compare_figures import draw_choice, draw_doubt, draw_frontier, draw_maps
from crestfall.report._compare_first import beside, reply
from crestfall.report._compare_pair import draw_pair_bills, draw_pair_week, draw_pair_years
from crestfall.report._compare_text import (
    CRITERION_WORDS,
    STEPS_HEAD,
    columns_of,
    refused_words,
    steps_words,
    table_rows,
)
from crestfall.report._environment import environment
from crestfall.report._first_screen import FirstScreen
from crestfall.report._retold import retold
from crestfall.report._running import running
from crestfall.report._style import policy_words
from crestfall.report._words import later, say
from crestfall.study import Comparison

CAPTIONS = {
    "choice": (
        later("Why: what each option comes to"),
        later(
            "Each cell is an option; the recommendation is framed. A cross: it cannot be had; a dash: it is no "
            "candidate."
        ),
    ),
    "maps": (
        later("Racks and modules"),
        later("Each cell is an option; the recommendation is framed. A cross: the option cannot be had."),
    ),
    "frontier": (
        later("Capital against saving"),
        later("Options below the line save less than a cheaper one. The saving is that of the first year."),
    ),
    "doubt": (
        later("How sure the choice is"),
        later("Left: in how many draws each option is the best. Right: what the best battery comes to in all draws."),
    ),
    "pair-week": (
        later("Two options in one week"),
        later("Import before and with either option, and how full each battery is."),
    ),
    "pair-bills": (later("Their bills"), later("Each billing period without a battery and with either option.")),
    "pair-years": (later("Their years"), later("Cash and state of health of both.")),
}


def draw_comparison(comparison: Comparison) -> dict[str, Figure]:
    """
    Return every figure that a comparison has data for, by file name without ending.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    dict of str to Figure
        Figures by file name without ending.
    """
    with style.house_style():
        figures = {
            "choice": _figure(draw_choice(comparison).figure),
            "maps": draw_maps(comparison),
            "frontier": _figure(draw_frontier(comparison).figure),
        }
        if comparison.scores is not None:
            figures["doubt"] = draw_doubt(comparison)
        if comparison.pair is not None:
            figures["pair-week"] = draw_pair_week(comparison.pair)
            figures["pair-bills"] = _figure(draw_pair_bills(comparison.pair).figure)
            if all(one.life is not None for one in comparison.pair):
                figures["pair-years"] = draw_pair_years(comparison.pair)
        return figures


def compare_html(comparison: Comparison, svgs: dict[str, bytes]) -> str:
    """
    Return the page of a comparison.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    svgs : dict of str to bytes
        Figures by name.

    Returns
    -------
    str
        A whole HTML document with the figures inside; equal comparisons give equal text.
    """
    return environment().get_template("compare.html").render(_content(comparison, svgs))


def _content(comparison: Comparison, svgs: dict[str, bytes]) -> dict[str, Any]:
    inputs = comparison.inputs
    buffer = io.StringIO()
    YAML().dump(inputs.scenario.resolved(), buffer)
    pictures = {
        name: {"title": say(title), "text": say(text), "data": base64.b64encode(svgs[name]).decode()}
        for name, (title, text) in CAPTIONS.items()
        if name in svgs
    }
    first = FirstScreen(reply=reply(comparison), beside=beside(comparison), picture=pictures.pop("choice", None))
    return {
        "comparison": comparison,
        "first": first,
        "running": running(inputs.scenario.ask),
        "ask": inputs.scenario.ask,
        "policy_words": policy_words(inputs.scenario.ask.policy),
        "series": inputs.series,
        "currency": inputs.scenario.ask.money.currency,
        "criterion": say(CRITERION_WORDS[comparison.terms.criterion.name]),
        "heads": [say("rank"), *(column.head for column in columns_of(comparison))],
        "rows": table_rows(comparison),
        "steps_head": [say(head) for head in STEPS_HEAD],
        "steps": steps_words(comparison),
        "refused": refused_words(comparison),
        "loads": [retold(name) for name in comparison.loads[1:]],
        "pictures": pictures,
        "version": crestfall.__version__,
        "inputs_text": buffer.getvalue(),
        "fingerprint": inputs.scenario.fingerprint(),
    }


def _figure(figure: object) -> Figure:
    assert isinstance(figure, Figure)  # noqa: S101 -- tells the type checker; no axes of a nested figure are made here
    return figure
