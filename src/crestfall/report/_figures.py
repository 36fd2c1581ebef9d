"""The figures: functions of data to axes; nothing is shown or saved here."""

import itertools
import re
from collections.abc import Callable

import matplotlib.dates as mdates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from numpy.typing import NDArray

from crestfall.plant import Plant
from crestfall.report import _style as style
from crestfall.report._cell_figures import draw_cells
from crestfall.report._connection import sheet_of
from crestfall.report._life_figures import draw_cash, draw_health, draw_warranty, draw_yearly_savings
from crestfall.report._one_line import draw_connection
from crestfall.report._unforeseen import draw_costliest_days
from crestfall.report._week import most_telling_week
from crestfall.report._words import date, figures, moment, number, say
from crestfall.report._year_map import by_day_and_time
from crestfall.study import Result

FloatArray = NDArray[np.float64]


def draw_week(result: Result, week: slice | None = None) -> Figure:
    """
    Return a week: power at the meter over bands of price, what the battery does, what it holds.

    Parameters
    ----------
    result : Result
        A finished study.
    week : slice, optional
        Its steps; left out: the most telling week.

    Returns
    -------
    Figure
        One panel for the meter and, with a battery, two for what it does.
    """
    week = most_telling_week(result) if week is None else week
    frame, start = result.schedule_frame().iloc[week], result.inputs.series.start[week]
    edges = _edges(start, result.inputs.series.step_h)
    is_battery = result.inputs.plant.option.is_battery
    ratios = (2.6, 1.2, 1.0) if is_battery else (1.0,)
    figure = Figure(figsize=(style.WIDTH_IN, 6.6 if is_battery else 4.2), layout="constrained")
    panels = figure.subplots(len(ratios), 1, sharex=True, height_ratios=ratios, squeeze=False)[:, 0]
    currency = result.inputs.scenario.ask.money.currency
    shades = _draw_price_bands(panels[0], frame["buy_per_kwh"].to_numpy(), edges)
    _draw_power(panels[0], frame, edges)
    panels[0].set_title(say("Week of {day}, {policy}", day=date(start[0].date()), policy=_policy_words(result)))
    bands = [
        Patch(facecolor=shade, edgecolor="#8a949a", label=f"{figures(prices)} {currency}/kWh")
        for prices, shade in shades
    ]
    figure.legend(handles=[*panels[0].get_legend_handles_labels()[0], *bands], ncols=4, loc="outside upper center")
    if is_battery:
        _draw_battery(panels[1], frame, edges)
        _draw_store(panels[2], frame, edges, result.inputs.plant)
    bottom = panels[-1]
    bottom.xaxis.set_major_locator(mdates.DayLocator(tz=start.tz))
    bottom.xaxis.set_major_formatter(style.in_days("EEE dd MMM", start.tz))
    bottom.set_xlim(edges[0], edges[-1])
    bottom.set_xlabel(say("local time, {time_zone}", time_zone=result.inputs.scenario.ask.site.time_zone))
    return figure


def draw_monthly_bill(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw the bill of each period by line, without the battery (under the best contract) beside with it.

    Parameters
    ----------
    result : Result
        A finished study.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    ax = _axes(ax, height_in=4.4)
    bills = [result.reference.bill.assign(case="without"), result.headline.bill.assign(case="with")]
    table = pd.concat(bills).pivot_table(
        index=["case", "period"], columns="line", values="amount", aggfunc="sum", sort=False
    )
    table = table.fillna(0.0)[[line for line in result.line_groups if line in table]]
    table = table.loc[:, table.abs().max() > 0]
    width = 0.4
    periods = in_order(result)
    for case, offset in (("without", -width / 2 - 0.015), ("with", width / 2 + 0.015)):
        part = table.loc[case].reindex(periods).fillna(0.0)
        up, down = np.zeros(len(periods)), np.zeros(len(periods))
        for at, line in enumerate(part.columns):
            amounts = part[line].to_numpy()
            base = np.where(amounts >= 0, up, down)
            ax.bar(
                np.arange(len(periods)) + offset,
                amounts,
                width,
                bottom=base,
                color=style.BILL_FILLS[at % len(style.BILL_FILLS)],
                hatch="////" if at % 4 == 3 else None,
                edgecolor="white",
                linewidth=0.4,
                label=line if case == "without" else None,
            )
            up, down = up + np.maximum(amounts, 0), down + np.minimum(amounts, 0)
    ax.set_xticks(np.arange(len(periods)), [period_label(period) for period in periods])
    ax.set_ylabel(say("bill [{currency} a period]", currency=result.inputs.scenario.ask.money.currency))
    ax.yaxis.set_major_formatter(style.in_numbers())
    ax.set_title(
        say(
            "Bill by period and line: without the battery (left bar) and with it (right), {policy}",
            policy=_policy_words(result),
        )
    )
    ax.use_sticky_edges = False  # the seams inside a stack would take the margin above it
    ax.grid(visible=False, axis="x")
    ax.legend(ncols=4, loc="upper center", bbox_to_anchor=(0.5, -0.14))
    return ax


def in_order(result: Result) -> list[str]:
    """Return the periods of both bills: billing periods as they follow, then seasons and the year."""
    names = dict.fromkeys([*result.reference.bill["period"], *result.headline.bill["period"]])
    return sorted(names, key=lambda name: (not re.fullmatch(r"\d{4}-\d{2}(-\d{2})?", name), name))


def period_label(period: str) -> str:
    """Return a billing period as a tick label: its month or first day; the year and seasons by their names."""
    if re.fullmatch(r"\d{4}-\d{2}", period):
        return moment(pd.Timestamp(period), "MMM\ny")
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", period):
        return moment(pd.Timestamp(period), "dd MMM\ny")
    return "all\n" + period if period.isdigit() else period.replace(" ", "\n")


def draw_duration_curve(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw for how many hours of the year import lies above a power, before and after.

    Parameters
    ----------
    result : Result
        A finished study.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    ax = _axes(ax, height_in=3.6)
    step_h = result.inputs.series.step_h
    hours = np.arange(result.inputs.series.n_steps + 1) * step_h
    curves: list[tuple[str, FloatArray, style.Look]] = [
        (say("import before"), result.before.import_kw, style.IMPORT_BEFORE),
        (say("import after"), result.headline.readings.import_kw, style.IMPORT_AFTER),
    ]
    for label, power_kw, line in curves:
        falling = np.sort(power_kw)[::-1]
        # A line of steps: stairs of a whole year take seconds.
        steps = np.append(falling, falling[-1])
        ax.plot(
            hours,
            steps,
            drawstyle="steps-post",
            label=say("{label}, peak {power} kW", label=label, power=number(power_kw.max())),
            **line,
        )
    ax.set(xlabel=say("hours of the year with more import than this"), ylabel=say("import [kW]"))
    ax.set_title(say("Import in order of size, {policy}", policy=_policy_words(result)))
    ax.set_xlim(0, hours[-1])
    ax.set_ylim(bottom=0)
    ax.xaxis.set_major_formatter(style.in_numbers())
    ax.legend(loc="upper right")
    return ax


def draw_store_by_hour(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw the state of charge of the whole year, hour of the local day by day.

    Parameters
    ----------
    result : Result
        A finished study.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    ax = _axes(ax, height_in=3.8)
    start, step_h = result.inputs.series.start, result.inputs.series.step_h
    soc_percent = 100 * result.headline.replayed.stored_kwh / result.inputs.plant.nominal_kwh
    grid = by_day_and_time(start, soc_percent)
    days = pd.DatetimeIndex(grid.columns)
    image = ax.pcolormesh(
        pd.DatetimeIndex([*days, days[-1] + pd.Timedelta(days=1)]),
        np.append(grid.index.to_numpy() / 60, 24.0),
        grid.to_numpy(),
        cmap="cividis",
        vmin=0,
        vmax=100,
        rasterized=True,
    )
    bar = ax.figure.colorbar(image, ax=ax, pad=0.015)
    bar.set_label(say("state of charge at the end of the step [%]"))
    ax.set(ylabel=say("hour of the local day"), yticks=range(0, 25, 4))
    ax.set_ylim(24, 0)
    ax.xaxis.set_major_locator(mdates.MonthLocator())
    ax.xaxis.set_major_formatter(style.in_days("MMM"))
    ax.set_xlabel(
        say("day of {year}", year=f"{days[0]:%Y}") if step_h and days[0].year == days[-1].year else say("day")
    )
    ax.set_title(say("Stored energy through the year, {policy}", policy=_policy_words(result)))
    ax.grid(visible=False)
    return ax


def draw_depths(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw how many rainflow cycles had which depth.

    Parameters
    ----------
    result : Result
        A finished study.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    ax = _axes(ax, height_in=3.2)
    use = result.headline.use
    edges = np.linspace(0, 100, 11)
    counts, _ = np.histogram(100 * use.depths_frac, bins=edges, weights=use.counts)
    ax.bar(
        edges[:-1] + 5,
        counts,
        width=9.2,
        color=style.DISCHARGE_FILL["facecolor"],
        edgecolor=style.DISCHARGE_FILL["edgecolor"],
    )
    for centre, count in zip(edges[:-1] + 5, counts, strict=True):
        if count:
            ax.annotate(number(count), (centre, count), ha="center", va="bottom", fontsize=8)
    ax.set(xlabel=say("depth of the cycle [% of nominal energy]"), ylabel=say("cycles a year"), xticks=edges)
    ax.margins(y=0.12)
    ax.set_title(
        say(
            "Rainflow cycles by depth; {n} equivalent full cycles, {policy}",
            n=number(use.equivalent_full_cycles),
            policy=_policy_words(result),
        )
    )
    ax.grid(visible=False, axis="x")
    return ax


def draw_backup(result: Result, ax: Axes | None = None) -> Axes:
    """
    Draw for which share of the year the critical load would last at least so long without the grid.

    Parameters
    ----------
    result : Result
        A finished study with a backup reserve.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.

    Raises
    ------
    ValueError
        If the scenario asks for no backup.
    """
    hours, backup = result.backup_h(result.headline), result.inputs.scenario.ask.backup
    if hours is None or backup is None:
        raise ValueError("the scenario has no backup reserve, or no battery")
    ax = _axes(ax, height_in=3.2)
    longest_first = np.sort(hours)[::-1]
    ax.stairs(longest_first, np.linspace(0, 100, len(hours) + 1), baseline=0, fill=True, **style.DISCHARGE_FILL)
    ax.axhline(backup.hours, color="#20303c", linewidth=1.0, linestyle="--")
    ax.annotate(
        say("asked for: {hours} h", hours=f"{backup.hours:g}"),
        (99, backup.hours),
        xytext=(0, 4),
        textcoords="offset points",
        ha="right",
    )
    ax.set_xlim(0, 100)
    ax.set_ylim(bottom=0)
    ax.set_xlabel(say("share of the year in which it lasts at least so long [%]"))
    ax.set_ylabel(say("{critical_load} kW would last [h]", critical_load=f"{backup.critical_load_kw:g}"))
    ax.set_title(say("If the grid went at any time, without sun, {policy}", policy=_policy_words(result)))
    return ax


def draw_all(result: Result) -> dict[str, Figure]:
    """
    Return every figure that the study has data for, by file name without ending.

    Parameters
    ----------
    result : Result
        A finished study.

    Returns
    -------
    dict of str to Figure
        Figures by file name without ending.
    """
    drawers: dict[str, Callable[[Result], Axes]] = {
        "monthly-bill": draw_monthly_bill,
        "duration-curve": draw_duration_curve,
    }
    if result.inputs.plant.option.is_battery:
        drawers |= {"store-by-hour": draw_store_by_hour, "cycle-depths": draw_depths, "connection": _draw_connection}
    if result.backup_h(result.headline) is not None:
        drawers["backup"] = draw_backup
    if result.life is not None:
        drawers |= {"health": draw_health, "yearly-savings": draw_yearly_savings, "cash": draw_cash}
        if result.life.has_limits:
            drawers["warranty"] = draw_warranty
    with style.house_style():
        figures = {"week": draw_week(result)}
        if result.unforeseen is not None and result.unforeseen.costliest:
            figures["costliest-days"] = draw_costliest_days(result)
        for name, draw in drawers.items():
            figure = draw(result).figure
            assert isinstance(figure, Figure)  # noqa: S101 -- tells the type checker; no axes of a nested figure are made here
            figures[name] = figure
        if result.inputs.plant.option.is_battery:
            figures["cells"] = draw_cells(result)
        return figures


def _draw_connection(result: Result) -> Axes:
    inputs = result.inputs
    return draw_connection(sheet_of(inputs), inputs.scenario.catalogue, has_pv=bool(inputs.series.pv_kw.any()))


def _axes(ax: Axes | None, *, height_in: float) -> Axes:
    return ax if ax is not None else Figure(figsize=(style.WIDTH_IN, height_in), layout="constrained").subplots()


def _edges(start: pd.DatetimeIndex, step_h: float) -> FloatArray:
    stamps = [*start, start[-1] + pd.Timedelta(hours=step_h)]
    return np.asarray(mdates.date2num(stamps), dtype=np.float64)


def _draw_power(ax: Axes, frame: pd.DataFrame, edges: FloatArray) -> None:
    if frame["pv_kw"].any():
        ax.stairs(frame["pv_kw"], edges, fill=True, baseline=0, label=say("PV available"), **style.PV_FILL)
    ax.stairs(frame["load_kw"], edges, baseline=None, label=say("load"), **style.LOAD)
    ax.stairs(frame["import_before_kw"], edges, baseline=None, label=say("import before"), **style.IMPORT_BEFORE)
    ax.stairs(frame["import_kw"], edges, baseline=None, label=say("import after"), **style.IMPORT_AFTER)
    ax.set_ylabel(say("power [kW]"))
    ax.set_ylim(bottom=0)


def _draw_battery(ax: Axes, frame: pd.DataFrame, edges: FloatArray) -> None:
    ax.stairs(frame["discharge_kw"], edges, fill=True, label=say("discharge"), **style.DISCHARGE_FILL)
    ax.stairs(-frame["charge_kw"], edges, fill=True, label=say("charge"), **style.CHARGE_FILL)
    ax.axhline(0, color="#20303c", linewidth=0.8)
    ax.set_ylabel(say("charge (below)\ndischarge (above)\n[kW]"))
    ax.yaxis.set_major_formatter(lambda value, _: f"{abs(value):g}")


def _draw_store(ax: Axes, frame: pd.DataFrame, edges: FloatArray, plant: Plant) -> None:
    ax.stairs(frame["stored_kwh"], edges, baseline=None, **style.STORE)
    for bound in (plant.floor_kwh, plant.ceiling_kwh):
        ax.axhline(bound, color="#8a949a", linewidth=0.8, linestyle=":")
    ax.set_ylabel(say("stored [kWh]\n(dotted: usable)"))
    ax.set_ylim(0, plant.nominal_kwh * 1.02)


def _draw_price_bands(ax: Axes, price: FloatArray, edges: FloatArray) -> list[tuple[str, str]]:
    """Shade the background by price, dear times darker; return each price or range of prices with its shade."""
    levels, n_shades = np.unique(price.round(6)), len(style.PRICE_SHADES)
    if len(levels) <= n_shades:
        picks = np.linspace(0, n_shades - 1, len(levels)).round().astype(int) if len(levels) > 1 else [0]
        shades = [style.PRICE_SHADES[i] for i in picks]
        level_of = np.searchsorted(levels, price.round(6))
        labels = [f"{level:.3f}" for level in levels]
    else:
        bounds = np.linspace(levels[0], levels[-1], n_shades + 1)
        shades = list(style.PRICE_SHADES)
        level_of = np.clip(np.searchsorted(bounds, price, side="right") - 1, 0, n_shades - 1)
        labels = [f"{low:.3f} to {high:.3f}" for low, high in itertools.pairwise(bounds)]
    turns = np.flatnonzero(np.diff(level_of)) + 1
    for first, last in zip([0, *turns], [*turns, len(price)], strict=True):
        ax.axvspan(edges[first], edges[last], color=shades[level_of[first]], linewidth=0, zorder=0)
    return list(zip(labels, shades, strict=True))


def _policy_words(result: Result) -> str:
    return style.policy_words(result.headline.policy)
