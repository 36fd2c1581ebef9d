"""Sections of a run's page: first screen, site, tariff, dispatch, sensitivity, sources and definitions."""

import base64
from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from crestfall.report import _style as style
from crestfall.report._emissions import draw_emissions, emission_rows
from crestfall.report._figures import draw_week
from crestfall.report._first_screen import FirstScreen, answer, tiles, verdict
from crestfall.report._glossary import glossary
from crestfall.report._known_sensitivity import draw_known_sensitivity, known_sensitivity
from crestfall.report._load_shape import draw_load_shape
from crestfall.report._peak_figures import draw_peaks
from crestfall.report._tariff_calendar import draw_tariff
from crestfall.report._tariff_words import tariff_words
from crestfall.report._waterfall import draw_waterfall
from crestfall.report._week import most_telling_week, typical_week
from crestfall.report._words import number, percent, say
from crestfall.report._year_map import draw_year_map
from crestfall.study import Result
from crestfall.tariff import Rates

Picture = dict[str, str]


def draw_sections(result: Result) -> dict[str, Figure]:
    """
    Return the figures of the sections that the study has data for, by file name without ending.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    dict of str to Figure
        Figures by file name without ending.
    """
    drawers: dict[str, Callable[[], Figure | None]] = {
        "load-shape": lambda: draw_load_shape(result),
        "year-map": lambda: draw_year_map(result),
        "peaks": lambda: draw_peaks(result),
        "emissions": lambda: draw_emissions(result),
    }
    for name, rates in _contracts(result).items():
        drawers[name] = lambda rates=rates: _figure_of(draw_tariff(rates))  # type: ignore[misc]  # a default binds it
    if result.inputs.plant.option.is_battery:
        drawers["waterfall"] = lambda: _figure_of(draw_waterfall(result))
        if (week := typical_week(result)) != most_telling_week(result):
            drawers["typical-week"] = lambda: draw_week(result, week)
        if (known := known_sensitivity(result)) is not None:
            drawers["sensitivity"] = lambda: _figure_of(draw_known_sensitivity(known))
    with style.house_style():
        drawn = {name: draw() for name, draw in drawers.items()}
    return {name: figure for name, figure in drawn.items() if figure is not None}


def sections_content(result: Result, svgs: dict[str, bytes]) -> dict[str, Any]:
    """
    Return what the templates of the sections need.

    Parameters
    ----------
    result : Result
        A finished study.
    svgs : dict of str to bytes
        Figures by name.

    Returns
    -------
    dict
        By the names that the templates use.
    """
    captions = _captions(result)
    shown = {name: _picture(*captions[name], svgs[name]) for name in captions if name in svgs}
    reply = [(answer(result), False), (verdict(result), True)]
    return {
        "first": FirstScreen(reply=reply, tiles=tiles(result), picture=shown.get("waterfall")),
        "site_rows": _site_rows(result),
        "not_metered": result.inputs.series.not_metered,
        "contracts": [_contract_content(name, rates, svgs) for name, rates in _contracts(result).items()],
        "shown": shown,
        "emission_rows": emission_rows(result),
        "sources": result.sources,
        "glossary": glossary(result),
    }


def _captions(result: Result) -> dict[str, tuple[str, str]]:
    """Return title and message of each figure."""
    n_days = round(result.inputs.series.n_steps * result.inputs.series.step_h / 24)
    return {
        "waterfall": (
            say("Why: from the old bill to the new"),
            say("What each line of the bill saves (solid) or costs more (hatched) with the battery."),
        ),
        "load-shape": (
            say("The load by weekday and hour"),
            say("Mean of each hour (line); between the edges of the band lie four of five days."),
        ),
        "year-map": (
            say("The year at a glance"),
            say(
                "{n_days} days from left to right, each from midnight (top) to midnight: import before and after on one"
                " scale, and what the battery takes and gives.",
                n_days=number(n_days),
            )
            if result.inputs.plant.option.is_battery
            else say(
                "{n_days} days from left to right, each from midnight (top) to midnight: import from the grid.",
                n_days=number(n_days),
            ),
        ),
        "typical-week": (
            say("A typical week"),
            say("Half of the weeks of the year save more than this one, half of them less."),
        ),
        "peaks": (
            say("Peaks before and after"),
            say("The peak that each charge measures in each period, without the battery and with it."),
        ),
        "emissions": (
            say("Emissions by hour of the day"),
            say("Mean of all days of the year, without the battery (dashed) and with it (solid)."),
        ),
        "sensitivity": (
            say("What it hangs on"),
            say("How far one change alone moves the result; schedules and the first year's savings stay as they are."),
        ),
    }


def _picture(title: str, text: str, svg: bytes) -> Picture:
    return {"title": title, "text": text, "data": base64.b64encode(svg).decode()}


def _contracts(result: Result) -> dict[str, Rates]:
    """Return the tariff of today and, where it is another, the one with the battery, by the names of their pictures."""
    before, after = result.before.rates, result.headline.rates
    return {"tariff": before} if after.title == before.title else {"tariff": before, "tariff-after": after}


def _contract_content(name: str, rates: Rates, svgs: dict[str, bytes]) -> dict[str, Any]:
    title = say("The tariff today") if name == "tariff" else say("The tariff with the battery")
    caption = say("What a kWh costs by day and hour, the dearer the darker; outlined, where demand is measured.")
    blocks = [block for sheet in rates.sheets for block in _blocks(tariff_words(sheet.tariff))]
    picture = _picture(say("Its year"), caption, svgs[name]) if name in svgs else None
    return {"title": title, "blocks": blocks, "picture": picture}


def _blocks(lines: list[str]) -> list[tuple[str, list[str]]]:
    """Return lines of a tariff in words as headings with their sentences; an empty line comes before a heading."""
    blocks: list[tuple[str, list[str]]] = []
    for place, line in enumerate(lines):
        if place == 0 or (line and not lines[place - 1]):
            blocks.append((line, []))
        elif line:
            blocks[-1][1].append(line.strip())
    return blocks


def _site_rows(result: Result) -> list[tuple[str, str]]:
    """Return what the data of the site come to."""
    series = result.inputs.series
    step_min = round(60 * series.step_h)
    load_kwh, pv_kwh = (float(one.sum()) * series.step_h for one in (series.load_kw, series.pv_kw))
    rows = [
        (
            say("Data"),
            say("{n} steps of {minutes} minutes", n=number(series.n_steps), minutes=number(step_min)),
        ),
        (say("Load in the year"), f"{number(load_kwh / 1000, 1)} MWh"),
        (
            say("Load, mean and highest"),
            say("{mean} and {peak} kW", mean=number(series.load_kw.mean(), 1), peak=number(series.load_kw.max(), 1)),
        ),
        (say("Mean over highest load"), percent(float(series.load_kw.mean() / max(series.load_kw.max(), 1e-9)))),
    ]
    if pv_kwh > 0:
        rows += [
            (say("PV in the year"), f"{number(pv_kwh / 1000, 1)} MWh"),
            (say("Highest PV"), f"{number(series.pv_kw.max(), 1)} kW"),
        ]
    if series.temperature_c is not None:
        low, high = (number(one, 1) for one in (series.temperature_c.min(), series.temperature_c.max()))
        rows.append((say("Ambient temperature"), say("{low} to {high} °C", low=low, high=high)))
    if series.metered_step_h is not None:
        minutes = number(round(60 * series.metered_step_h))
        rows.append((say("Metered in"), say("steps of {minutes} minutes", minutes=minutes)))
    steps_of_zero = int(np.count_nonzero(series.load_kw == 0))
    if steps_of_zero:
        rows.append((say("Steps without any load"), number(steps_of_zero)))
    return rows


def _figure_of(ax: Any) -> Figure:
    figure = ax.figure
    assert isinstance(figure, Figure)  # noqa: S101 -- tells the type checker; no axes of a nested figure are made here
    return figure
