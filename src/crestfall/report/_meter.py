"""Meter data in words, as a table of their quality, and as a picture of the year."""

import io
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path

import matplotlib.dates as mdates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from numpy.typing import NDArray
from pydantic import ValidationError
from rich.console import Console
from rich.table import Table
from rich.text import Text

from crestfall.errors import InputError
from crestfall.report import _style as style
from crestfall.report._files import write_asked, write_picture
from crestfall.scenario import Scenario
from crestfall.scenario.series_file import Repairs
from crestfall.series.meter import (
    Cleaned,
    Evidence,
    Mark,
    MeterData,
    bill_note,
    coarse_note,
    csv_text,
    on_step,
    scenario_lines,
    spread_table,
)

DAY_S = 86_400
MARK_WORDS = {
    Mark.SUBSTITUTED: "substituted by the operator",
    Mark.REPAIRED: "repaired",
    Mark.SUSPECT: "suspect",
    Mark.MISSING: "missing",
}
Mask = NDArray[np.bool_]
LOAD_MAP = LinearSegmentedColormap.from_list("crestfall-load", list(style.PRICE_RAMP))


def repairs_from(texts: Sequence[str]) -> Repairs:
    """
    Return the repairs that a user allows.

    Parameters
    ----------
    texts : sequence of str
        Each as KEY=VALUE, with the keys of `repairs` in a scenario; several may stand in one, parted by blanks.

    Returns
    -------
    Repairs
        The policy.

    Raises
    ------
    InputError
        If a key or a value is none of them.
    """
    keys = ", ".join(Repairs.model_fields)
    said: dict[str, object] = {}
    for text in (part for one in texts for part in one.split()):
        key, sign, value = text.partition("=")
        if not sign or key not in Repairs.model_fields:
            raise InputError(f"--repair {text}: expected KEY=VALUE\n    the keys are {keys}")
        said[key] = int(value) if value.isdigit() else value
    try:
        return Repairs.model_validate(said)
    except ValidationError as error:
        one = error.errors()[0]
        field = Repairs.model_fields[str(one["loc"][0])]
        raise InputError(
            f"--repair {one['loc'][0]}={one['input']}: {one['msg'][:1].lower()}{one['msg'][1:]}\n"
            f"    {field.description}"
        ) from None


def evidence_text(evidence: Sequence[Evidence], *, width: int = 100) -> str:
    """
    Return how files were read.

    Parameters
    ----------
    evidence : sequence of Evidence
        What was found.
    width : int, default=100
        Columns of the terminal.

    Returns
    -------
    str
        A table.
    """
    table = _table(("read as", "", "because", "otherwise"))
    for one in evidence:
        table.add_row(Text(one.topic), Text(one.value), Text(one.why), Text(one.option))
    return _rendered(table, width)


def meter_notes(data: MeterData, *, averaging_min: int | None = None, billed_kwh: float | None = None) -> list[str]:
    """
    Return what is to be said of meter data beside a tariff and bills.

    Parameters
    ----------
    data : MeterData
        What was read.
    averaging_min : int, optional
        Interval over which the tariff averages demand [min].
    billed_kwh : float, optional
        Energy on the bills of the same time [kWh].

    Returns
    -------
    list of str
        Sentences.
    """
    compared = [] if billed_kwh is None else [bill_note(data.series, billed_kwh)]
    coarse = "" if averaging_min is None else coarse_note(data.summary.step_min, averaging_min)
    return [*compared, *filter(None, [coarse])]


def meter_text(data: MeterData, *, width: int = 100, notes: Sequence[str] = ()) -> str:
    """
    Return meter data in words: how they were read, what they amount to, and how good they are.

    Parameters
    ----------
    data : MeterData
        What was read.
    width : int, default=100
        Columns of the terminal.
    notes : sequence of str, default=()
        Further sentences.

    Returns
    -------
    str
        Text for the terminal.
    """
    one, series = data.summary, data.series
    lines = [
        f"{data.source}   {one.n_steps:,} steps of {one.step_min:g} min, {one.first:%Y-%m-%d %H:%M} to"
        f" {one.end:%Y-%m-%d %H:%M}, {series.clock.name}",
        f"  energy       {one.energy_kwh:,.0f} kWh" + (f", export {one.export_kwh:,.0f} kWh" if one.export_kwh else ""),
        f"  peak         {one.peak_kw:,.1f} kW at {one.peak_at:%a %Y-%m-%d %H:%M %Z}",
        f"  load factor  {100 * one.load_factor_frac:.1f} %, base load {one.base_kw:,.1f} kW (exceeded 95 % of time)",
        f"  as metered   {100 * one.metered_frac:.2f} % of the steps",
    ]
    parts = [evidence_text(data.evidence, width=width), "\n".join(lines)]
    if series.defects:
        parts.append(_quality_text(series, width))
    years = spread_table(series)
    if len(years) > 1:
        parts.append(_years_text(series, width))
    if said := [*data.notes, *notes]:
        parts.append("\n".join(textwrap.fill(f"note: {note}", width, subsequent_indent="  ") for note in said))
    return "\n\n".join(parts)


def refused_text(series: Cleaned) -> str:
    """
    Return what has to be allowed before a series can be used.

    Parameters
    ----------
    series : Cleaned
        A series with open defects.

    Returns
    -------
    str
        One line for each, with the option to give.
    """
    lines = [f"{series.source}: damage that has to be repaired first; nothing was written"]
    for one in series.open_defects:
        remedy = " ".join(f"--repair {key}" for key in one.option.split()) or "mend it in the file"
        lines.append(f"    {one.kind}: {remedy}")
    return "\n".join(lines)


def spread_text(table: pd.DataFrame, scenario: Scenario, *, width: int = 100) -> str:
    """
    Return studies of several loads side by side.

    Parameters
    ----------
    table : DataFrame
        A row for each load, as :func:`crestfall.study.spread` returns them.
    scenario : Scenario
        What was asked.
    width : int, default=100
        Columns of the terminal.

    Returns
    -------
    str
        A table, and the range of the savings.
    """
    currency = scenario.ask.money.currency
    savings = {policy: f"saving_{policy}" for policy in ("rolling", "rules", "hindsight")}
    savings = {policy: column for policy, column in savings.items() if table[column].notna().all()}
    shown = table[["load", "energy_kwh", "peak_kw", "bill_before", *savings.values()]]
    by = [f"{'by' if number else 'saving by'} {policy}" for number, policy in enumerate(savings)]
    headings = ("load", "kWh", "peak kW", f"bill before [{currency}/a]", *by)
    rows = _table(headings, right=range(1, len(headings)))
    for load, energy_kwh, peak_kw, *amounts in shown.to_numpy().tolist():
        rows.add_row(Text(load), f"{energy_kwh:,.0f}", f"{peak_kw:,.1f}", *(f"{amount:,.0f}" for amount in amounts))
    ranges = [
        f"saving by {policy}: {table[column].min():,.0f} to {table[column].max():,.0f} {currency}/a"
        for policy, column in savings.items()
    ]
    head = f"{scenario.ask.site.name}, {len(table)} load{'' if len(table) == 1 else 's'}"
    if scenario.ask.site.load_model is not None:
        head += ", not metered"
    return "\n".join([head, _rendered(rows, width), *ranges])


def draw_meter(series: Cleaned, ax: Axes | None = None) -> Axes:
    """
    Draw the load by day and hour, with what is missing, repaired or suspect marked.

    Parameters
    ----------
    series : Cleaned
        A series.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    with style.house_style():
        ax = Figure(figsize=(style.WIDTH_IN, 4.6), layout="constrained").subplots() if ax is None else ax
        local_s = series.local_s
        day, slot = np.divmod(local_s - local_s[0] // DAY_S * DAY_S, DAY_S)
        slot //= series.step_s
        shape = (DAY_S // series.step_s, int(day[-1]) + 1)
        load, marks = np.full(shape, np.nan), np.zeros(shape, np.int8)
        load[slot, day] = series.load_kw  # of an hour that stands twice, the second pass
        np.maximum.at(marks, (slot, day), series.marks)
        first = float(local_s[0] // DAY_S)  # matplotlib counts days since 1970 as well
        extent = (first, first + shape[1], 24.0, 0.0)
        sound = series.load_kw[series.marks < Mark.SUSPECT]
        most_kw = float(sound.max(initial=0.0)) or 1.0  # a spike must not bleach the rest
        image = ax.imshow(
            load, cmap=LOAD_MAP, vmin=0.0, vmax=most_kw, extent=extent, aspect="auto", interpolation="nearest"
        )
        handles = []
        for mark, words in MARK_WORDS.items():
            if not (marks == mark).any():
                continue
            colour = style.METER_MARKS[mark.name.lower()]
            where = _thickened(marks == mark)
            ax.imshow(
                np.where(where, 1.0, np.nan),
                cmap=ListedColormap([colour]),
                extent=extent,
                aspect="auto",
                interpolation="nearest",
            )
            handles.append(Patch(facecolor=colour, label=f"{words}: {int((series.marks == mark).sum()):,} steps"))
        bar = ax.figure.colorbar(image, ax=ax, pad=0.015, fraction=0.05)
        bar.set_label("load [kW]")
        bar.outline.set_visible(False)
        ax.set_title(f"Load by day and hour, {Path(series.source.split(', ')[0]).name}")
        ax.set_ylabel(f"hour of the day, {series.clock.name}")
        ax.set_yticks(range(0, 25, 4))
        ax.grid(visible=False)
        locator = mdates.AutoDateLocator(minticks=4, maxticks=13)
        ax.xaxis.set_major_locator(locator)
        ax.xaxis.set_major_formatter(mdates.ConciseDateFormatter(locator))
        if handles:
            ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.0, -0.09), ncols=len(handles))
    return ax


def write_meter_picture(series: Cleaned, path: Path) -> None:
    """
    Write the picture of a series.

    Parameters
    ----------
    series : Cleaned
        A series.
    path : Path
        A file whose name ends in .svg or .png; an older one is replaced.

    Raises
    ------
    OutputError
        If the name ends otherwise, or the file cannot be written.
    """
    write_picture(draw_meter(series), path)


def write_clean(series: Cleaned, path: Path, *, step_min: int | None = None) -> str:
    """
    Write a clean series, and return the lines that name it in a scenario.

    Parameters
    ----------
    series : Cleaned
        A whole series.
    path : Path
        A CSV file; an older one is replaced.
    step_min : int, optional
        Step of the file; left out: that of the series [min].

    Returns
    -------
    str
        YAML to paste.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    series = series if step_min is None else on_step(series, step_min)
    write_asked(path, csv_text(series).encode(), asked_by="--out")
    return "\n".join(scenario_lines(path, series))


def _thickened(where: Mask) -> Mask:
    """Return marks at least as large as can be seen: a quarter of an hour of a year is less than a pixel."""
    from scipy.ndimage import binary_dilation

    high, wide = where.shape[0] // 90, where.shape[1] // 300
    grown: Mask = binary_dilation(where, np.ones((2 * high + 1, 2 * wide + 1), bool))
    return grown


def _quality_text(series: Cleaned, width: int) -> str:
    table = _table(("damage", "steps", "places", "first", "kWh", "change", "done", "--repair"), right=(1, 2, 4, 5))
    for one in series.defects:
        table.add_row(
            Text(one.kind),
            f"{one.steps:,}",
            f"{one.places:,}",
            one.first,
            f"{one.energy_kwh:,.0f}",
            f"{one.added_kwh:+,.0f}" if one.added_kwh else "",
            Text(one.done),
            Text(one.option),
        )
    return _rendered(table, width)


def _years_text(series: Cleaned, width: int) -> str:
    table = _table(("year from", "kWh", "peak kW", "load factor"), right=(1, 2, 3))
    for first, energy_kwh, peak_kw, factor in spread_table(series).to_numpy().tolist():
        table.add_row(first, f"{energy_kwh:,.0f}", f"{peak_kw:,.1f}", f"{100 * factor:.1f} %")
    return _rendered(table, width)


def _table(headings: Sequence[str], *, right: Sequence[int] = ()) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for at, heading in enumerate(headings):
        table.add_column(Text(heading), justify="right" if at in right else "left", overflow="fold")
    return table


def _rendered(table: Table, width: int) -> str:
    console = Console(file=io.StringIO(), width=max(width, 60), no_color=True, highlight=False, force_terminal=False)
    with console.capture() as capture:
        console.print(table)
    return "\n".join(_trimmed(capture.get().splitlines()))


def _trimmed(lines: Sequence[str]) -> Iterator[str]:
    return (line.rstrip() for line in lines)
