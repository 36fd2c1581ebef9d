"""A sweep in words, and its figures and page beside the table."""

import base64
import re
from collections.abc import Callable
from pathlib import PurePath
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

import crestfall
from crestfall.report import _style as style
from crestfall.report._axis_form import form_of, option_words
from crestfall.report._compare_text import whole
from crestfall.report._environment import environment
from crestfall.report._first_screen import FirstScreen
from crestfall.report._retold import retold
from crestfall.report._running import running
from crestfall.report._style import policy_words
from crestfall.report._sweep_figures import (
    METRIC_WORDS,
    draw_choices,
    draw_lines,
    draw_map,
    draw_spread,
    draw_swings,
)
from crestfall.report._sweep_first import reply, tiles
from crestfall.report._words import later, say, say_many
from crestfall.scenario.sweep_file import Axis
from crestfall.study import SweepResult

CAPTIONS = {
    "swings": (
        later("What moves it most"),
        later("Each axis alone, the others as in the base; of drawn ones, from P10 to P90 along a fitted plane."),
    ),
    "lines": (
        later("One axis at a time"),
        later("Means over the draws, the other axes as in the base; a diamond marks 0."),
    ),
    "map": (later("Two axes together"), later("The other axes as in the base.")),
    "spread": (
        later("How far it spreads"),
        later("A tenth of the values lies below P10, half below P50, nine tenths below P90."),
    ),
    "choices": (
        later("Which option is best"),
        later("The robust choice is best often, and gives away little where it is not."),
    ),
}
MOST_REASONS = 8


def sweep_text(result: SweepResult) -> str:
    """
    Return a sweep for a terminal.

    Parameters
    ----------
    result : SweepResult
        The sweep.

    Returns
    -------
    str
        Counts, swings, spread, the best option, and why cases failed.
    """
    plan, counts = result.plan, result.table["status"].value_counts()
    currency = plan.base.ask.money.currency
    seed = "" if plan.seed is None else f", seed {plan.seed}"
    status = ", ".join(f"{count:,} {name}" for name, count in counts.items())
    lines = [f"{plan.sweep.question or plan.base.ask.site.name}   {_counted(len(result.table))}{seed}: {status}"]
    lines += [f"  note: {note}" for note in result.notes]
    lines.append(f"  {METRIC_WORDS[result.metric]} [{currency}]; base {whole(float(result.base[result.metric]))}")
    rows: list[tuple[str, ...]] = [("axis", "low", "high", "at low", "at high", "swing")]
    for row in result.swings.to_dict("records"):
        form = form_of(result, row["axis"])
        ends = tuple(form.bare(row[end]) for end in ("low", "high"))
        rows.append((form.label, *ends, *(whole(row[name]) for name in ("at_low", "at_high", "swing"))))
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    for name, *cells in rows:
        aligned = [f"{cell:>{width}}" for cell, width in zip(cells, widths[1:], strict=True)]
        lines.append("  ".join([f"  {name:<{widths[0]}}", *aligned]))
    for name in result.numeric if result.metric == "npv" else ():
        for crossing in result.break_even(name):
            form = form_of(result, name)
            lines.append(f"  break-even: {form.name} at {form.full(crossing)}")
    if spread := result.spread:
        figures = ", ".join(f"{name.upper()} {whole(spread[name])}" for name in ("p10", "p50", "p90"))
        lines.append(f"  spread: {figures}; below 0 in {100 * spread['below_0']:.0f} %")
    if result.choices is not None:
        first = result.choices.iloc[0]
        robust = result.choices.sort_values("worst_regret").iloc[0]
        lines.append(f"  best most often: {first['option']}, {100 * first['best_share_frac']:.0f} %")
        lines.append(f"  least regret: {robust['option']}, at worst {whole(robust['worst_regret'])} below the best")
    failed = result.table[result.table["status"] != "done"]["reason"].value_counts().head(MOST_REASONS)
    lines += [f"  {count:,} without figures: {reason}" for reason, count in failed.items()]
    return "\n".join(lines)


def draw_sweep(result: SweepResult) -> dict[str, Figure]:
    """
    Return every figure that a sweep has data for, by file name without ending.

    Parameters
    ----------
    result : SweepResult
        The sweep.

    Returns
    -------
    dict of str to Figure
        Figures; none where no case has figures.
    """
    drawers: dict[str, Callable[[SweepResult], Axes | Figure | None]] = {
        "swings": draw_swings,
        "lines": draw_lines,
        "map": draw_map,
        "spread": draw_spread,
        "choices": draw_choices,
    }
    if result.done.empty:
        return {}
    figures = {}
    with style.house_style():
        for name, draw in drawers.items():
            drawn = draw(result)
            figure = drawn if isinstance(drawn, Figure | None) else drawn.figure
            if isinstance(figure, Figure):
                figures[name] = figure
    return figures


def sweep_html(result: SweepResult, svgs: dict[str, bytes]) -> str:
    """
    Return the page of a sweep.

    Parameters
    ----------
    result : SweepResult
        The sweep.
    svgs : dict of str to bytes
        Figures by name.

    Returns
    -------
    str
        A whole HTML document with the figures inside.
    """
    return environment().get_template("sweep.html").render(_content(result, svgs))


def _content(result: SweepResult, svgs: dict[str, bytes]) -> dict[str, Any]:
    plan, failed = result.plan, result.table[result.table["status"] != "done"]
    choices = result.choices
    pictures = {
        name: {"title": say(title), "text": say(text), "data": base64.b64encode(svgs[name]).decode()}
        for name, (title, text) in CAPTIONS.items()
        if name in svgs
    }
    picture = next((pictures.pop(name) for name in ("swings", "spread") if name in pictures), None)
    reasons = failed["reason"].value_counts().head(MOST_REASONS)
    return {
        "plan": plan,
        "first": FirstScreen(reply=reply(result), tiles=tiles(result), picture=picture),
        "running": running(plan.base.ask),
        "title": plan.sweep.question or say("What changes the answer for {site}?", site=plan.base.ask.site.name),
        "ask": plan.base.ask,
        "policies": plan.policies,
        "policy_words": ", ".join(map(policy_words, plan.policies)),
        "n_cases": len(result.table),
        "currency": plan.base.ask.money.currency,
        "axes": [_axis_words(result, axis) for axis in plan.axes],
        "choices": [] if choices is None else choices.to_dict("records"),
        "option_words": lambda name: option_words(result, name),
        "whole": whole,
        "reasons": [(_reason_words(str(reason)), count) for reason, count in reasons.items()],
        "pictures": list(pictures.values()),
        "version": crestfall.__version__,
        "fingerprint": plan.base.fingerprint(),
    }


def _reason_words(reason: str) -> str:
    """Return why a case has no figures; a file is named without its folders, which are those of one machine."""
    place, colon, why = reason.partition(": ")
    if not (named := re.fullmatch(r"(.+\.ya?ml):(\d+)", place)):
        return retold(reason)
    return f"{PurePath(named[1]).name}:{named[2]}{colon}{retold(why)}"


def _axis_words(result: SweepResult, axis: Axis) -> tuple[str, str, str]:
    """Return an axis, what it takes, and where it stands while others move."""
    name = axis.title
    column, form = result.plan.frame[name], form_of(result, name)
    if axis.days_drawn:
        years = say_many(column.nunique(), "{n} year of days drawn anew", "{n} years of days drawn anew")
        return form.label, years, say("drawn")
    if name not in result.levels:
        return (
            form.label,
            say("{low} to {high}", low=form.bare(column.min()), high=form.bare(column.max())),
            say("drawn"),
        )
    values = list(dict.fromkeys(column))
    shown = ", ".join(map(form.bare, values[:8])) + (f" … {form.bare(values[-1])}" if len(values) > 8 else "")
    return form.label, shown, form.bare(result.levels[name])


def _counted(cases: int) -> str:
    return "1 case" if cases == 1 else f"{cases:,} cases"
