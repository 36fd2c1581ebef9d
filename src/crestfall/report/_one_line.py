"""The one-line picture of an option: grid, meter, load, PV, and cabinets with their modules and racks."""

import itertools
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, FancyBboxPatch, Polygon, Rectangle

from crestfall.plant import ConnectionSheet, Option, ac_current_a
from crestfall.report import _style as style
from crestfall.report._words import number, say, say_many
from crestfall.scenario import CatalogueFile

# All lengths are inches on paper, so that symbols and words keep their sizes whatever is drawn.
HEIGHT = 5.75
GRID_Y, METER_Y, BUS_Y = 4.95, 4.3, 3.75
ROOF_Y, FLOOR_Y = 3.4, 1.42  # of a cabinet's frame
AC_Y, MODULE_Y, DC_Y, RACK_Y = 3.2, 2.75, 2.32, 1.83
SIDE_WIDTH = 1.15  # of load and PV
GAP, MARGIN, PADDING = 0.22, 0.2, 0.3
WIDEST_CABINET, WIDEST_PITCH, LEAST_PITCH = 3.1, 0.62, 0.22
MOST_FRAMES = 4  # more cabinets than this are drawn by kind
SYMBOL, RACK_HEIGHT = 0.36, 0.46
LINE_HEIGHT, SMALL = 0.15, 7.5
INK, QUIET = style.LOAD["color"], "#55646e"
AC: style.Look = {"color": INK, "linewidth": 1.2, "solid_capstyle": "butt"}
DC: style.Look = {"color": style.STORE["color"], "linewidth": 2.4, "solid_capstyle": "butt"}
MODULE_FILL, RACK_FILL, METER_FILL = "#efd9a0", "#cfdfd6", "#ffffff"


class _Frame(NamedTuple):
    """A cabinet, or several that hold the same, and where it stands."""

    name: str
    holds: Option
    left: float
    width: float

    @property
    def middle(self) -> float:
        return self.left + self.width / 2


def draw_connection(
    sheet: ConnectionSheet, catalogue: CatalogueFile, *, has_pv: bool = False, ax: Axes | None = None
) -> Axes:
    """
    Draw an option at its point of connection as a one-line picture.

    Parameters
    ----------
    sheet : ConnectionSheet
        What the option asks of its connection.
    catalogue : CatalogueFile
        The parts.
    has_pv : bool, default=False
        Whether the site has PV.
    ax : Axes, optional
        Where to draw; left out: axes of a new figure.

    Returns
    -------
    Axes
        The axes, ready to be shown or saved.
    """
    if ax is None:
        ax = Figure(figsize=(style.WIDTH_IN, HEIGHT)).add_axes((0.0, 0.0, 1.0, 1.0))
    ax.set(xlim=(0, style.WIDTH_IN), ylim=(0, HEIGHT), aspect="equal")
    ax.set_axis_off()
    n_sides = 1 + has_pv
    frames = _frames(sheet, room=style.WIDTH_IN - 2 * MARGIN - n_sides * SIDE_WIDTH)
    left = frames[0].left - GAP - n_sides * SIDE_WIDTH
    sides = [left + (number + 0.5) * SIDE_WIDTH for number in range(n_sides)]
    middle = (sides[-1] + frames[0].middle) / 2  # apart from all feeders
    _draw_supply(ax, middle, sheet)
    ax.plot([sides[0], frames[-1].middle], [BUS_Y, BUS_Y], **AC | {"linewidth": 3.0, "solid_capstyle": "round"})
    _dot(ax, middle, BUS_Y)
    _draw_load(ax, sides[0])
    if has_pv:
        _draw_pv(ax, sides[1])
    for frame in frames:
        _draw_cabinet(ax, frame, sheet, catalogue)
    is_common = catalogue.rules.dc_coupling == "common"
    if is_common:
        for one, other in itertools.pairwise(frames):
            ax.plot([one.middle, other.middle], [DC_Y, DC_Y], **DC)
    words = say("all racks share one DC side") if is_common else say("each cabinet has a DC side of its own")
    notes = [
        say("Thin lines are AC, thick lines DC; {words}.", words=words)
        if sheet.cabinets > 1
        else say("Thin lines are AC, thick lines DC."),
        say("Indicative: switchgear, protection, isolation and earthing are not shown, and nothing is sized."),
    ]
    _caption(ax, MARGIN, 0.42, notes, ha="left")
    title = say("One-line picture: {option}", option=sheet.option)
    ax.text(MARGIN, HEIGHT - 0.2, title, fontsize=10.5, weight="bold", va="top", color=INK)
    return ax


def _frames(sheet: ConnectionSheet, *, room: float) -> list[_Frame]:
    """Return the cabinets from left to right, all as wide; many are drawn by kind, with how many there are."""
    contents = sheet.in_cabinets
    if len(contents) <= MOST_FRAMES:
        names = (
            [say("Cabinet")]
            if len(contents) == 1
            else [say("Cabinet {place}", place=place + 1) for place in range(len(contents))]
        )
        kinds = list(zip(names, contents, strict=True))
    else:
        kinds = [
            (say("{holds} cabinets, each", holds=contents.count(holds)), holds) for holds in dict.fromkeys(contents)
        ]
    width = min(WIDEST_CABINET, (room - len(kinds) * GAP) / len(kinds))
    spare = room - len(kinds) * (width + GAP)
    first = style.WIDTH_IN - MARGIN - room + GAP + spare / 2
    return [_Frame(name, holds, first + k * (width + GAP), width) for k, (name, holds) in enumerate(kinds)]


def _draw_supply(ax: Axes, x: float, sheet: ConnectionSheet) -> None:
    """Draw the grid, as a ring around a mesh, and the meter."""
    radius = 0.2
    ax.plot([x, x], [GRID_Y - radius, METER_Y + 0.16], **AC)
    ax.plot([x, x], [METER_Y - 0.16, BUS_Y], **AC)
    ring = Circle((x, GRID_Y), radius, facecolor="white", edgecolor=INK, linewidth=1.2)
    ax.add_patch(ring)
    for offset in (-0.11, 0.0, 0.11):
        for mesh in (
            [[x - radius, x + radius], [GRID_Y + offset] * 2],
            [[x + offset] * 2, [GRID_Y - 0.2, GRID_Y + 0.2]],
        ):
            (line,) = ax.plot(*mesh, color=INK, linewidth=0.7)
            line.set_clip_path(ring)
    phases = say("1 phase") if sheet.site.phases == 1 else say("{phases} phases", phases=sheet.site.phases)
    _caption(
        ax,
        x + 0.32,
        GRID_Y,
        [say("Grid, {nominal_v} V, {phases}", nominal_v=f"{sheet.site.nominal_v:g}", phases=phases)],
        ha="left",
        va="center",
    )
    _box(ax, x, METER_Y, 0.5, 0.32, METER_FILL)
    ax.text(x, METER_Y, "kWh", fontsize=SMALL, ha="center", va="center", color=INK)
    words = say("the plant can add {adds} kVA", adds=number(sheet.adds_kva))
    if sheet.before_kva is not None:
        words = say("up to {before} kVA before; {words}", before=number(sheet.before_kva), words=words)
    _caption(ax, x + 0.37, METER_Y, [say("Meter: {words}", words=words)], ha="left", va="center")


def _draw_load(ax: Axes, x: float) -> None:
    _dot(ax, x, BUS_Y)
    ax.plot([x, x], [BUS_Y, 3.0], **AC)
    ax.add_patch(Polygon([(x - 0.13, 3.05), (x + 0.13, 3.05), (x, 2.78)], facecolor=INK, edgecolor=INK))
    _caption(ax, x, 2.68, [say("Load")])


def _draw_pv(ax: Axes, x: float) -> None:
    _dot(ax, x, BUS_Y)
    ax.plot([x, x], [BUS_Y, MODULE_Y], **AC)
    ax.plot([x, x], [MODULE_Y, 2.2], **DC)
    _converter(ax, x, MODULE_Y, SYMBOL)
    _box(ax, x, 2.0, 0.5, 0.4, style.PV_FILL["facecolor"])
    for offset in (-0.125, 0.0, 0.125):
        ax.plot([x + offset] * 2, [1.8, 2.2], color=INK, linewidth=0.6)
    ax.plot([x - 0.25, x + 0.25], [2.0, 2.0], color=INK, linewidth=0.6)
    _caption(ax, x, 1.7, [say("PV")])


def _draw_cabinet(ax: Axes, frame: _Frame, sheet: ConnectionSheet, catalogue: CatalogueFile) -> None:
    ax.add_patch(
        Rectangle(
            (frame.left, FLOOR_Y),
            frame.width,
            ROOF_Y - FLOOR_Y,
            facecolor="none",
            edgecolor=QUIET,
            linewidth=0.9,
            linestyle=(0, (4, 2)),
        )
    )
    _dot(ax, frame.middle, BUS_Y)
    ax.plot([frame.middle] * 2, [BUS_Y, AC_Y], **AC)
    modules, racks = list(_places(frame, frame.holds.modules)), list(_places(frame, frame.holds.racks))
    for line, y, look in ((modules, AC_Y, AC), ([*modules, *racks], DC_Y, DC)):
        xs = [x for x, _ in line]
        ax.plot([min(*xs, frame.middle), max(*xs, frame.middle)], [y, y], **look)
    for x, pitch in modules:
        ax.plot([x, x], [AC_Y, MODULE_Y], **AC)
        ax.plot([x, x], [MODULE_Y, DC_Y], **DC)
        _converter(ax, x, MODULE_Y, min(SYMBOL, 0.8 * pitch))
    for x, pitch in racks:
        ax.plot([x, x], [DC_Y, RACK_Y], **DC)
        _battery(ax, x, RACK_Y, min(SYMBOL, 0.8 * pitch))
    for places, count, y in ((modules, frame.holds.modules, MODULE_Y), (racks, frame.holds.racks, RACK_Y)):
        if len(places) < count:
            _caption(ax, places[0][0] + 0.26, y, [f"× {count}"], ha="left", va="center")
    kva = frame.holds.modules * catalogue.module.rating_kva
    current_a = ac_current_a(kva, sheet.site.nominal_v, phases=sheet.site.phases)
    ax.text(frame.middle, FLOOR_Y - 0.07, frame.name, fontsize=8.5, weight="bold", ha="center", va="top", color=INK)
    lines = [
        say_many(
            frame.holds.modules,
            "{n} module of {size} kVA",
            "{n} modules of {size} kVA",
            size=f"{catalogue.module.rating_kva:g}",
        ),
        say_many(
            frame.holds.racks,
            "{n} rack of {size} kWh",
            "{n} racks of {size} kWh",
            size=f"{catalogue.rack.energy_kwh:g}",
        ),
        say("AC {amps} A per phase", amps=number(current_a))
        if sheet.site.phases > 1
        else say("AC {amps} A", amps=number(current_a)),
        *([] if sheet.rack_a is None else [say("DC {rack_a} A per rack", rack_a=number(sheet.rack_a))]),
    ]
    _caption(ax, frame.middle, FLOOR_Y - 0.25, lines)


def _places(frame: _Frame, count: int) -> Iterator[tuple[float, float]]:
    """Return where symbols stand in a frame, with the room of each; one for all where they would be too small."""
    pitch = min(WIDEST_PITCH, (frame.width - PADDING) / count)
    if pitch < LEAST_PITCH:
        count, pitch = 1, WIDEST_PITCH
    for place in range(count):
        yield frame.middle + (place - (count - 1) / 2) * pitch, pitch


def _caption(ax: Axes, x: float, y: float, lines: list[str], *, ha: Any = "center", va: Any = "top") -> None:
    for place, line in enumerate(lines):
        ax.text(x, y - place * LINE_HEIGHT, line, fontsize=SMALL, ha=ha, va=va, color=INK)


def _dot(ax: Axes, x: float, y: float) -> None:
    ax.add_patch(Circle((x, y), 0.045, color=INK, zorder=3))


def _box(ax: Axes, x: float, y: float, width: float, height: float, fill: str) -> None:
    shape = FancyBboxPatch(
        (x - width / 2, y - height / 2), width, height, boxstyle="round,pad=0,rounding_size=0.03", facecolor=fill,
        edgecolor=INK, linewidth=1.0, zorder=2,
    )  # fmt: skip
    ax.add_patch(shape)


def _converter(ax: Axes, x: float, y: float, size: float) -> None:
    """Draw a box with a diagonal: a wave on the AC side above it, two strokes on the DC side below."""
    _box(ax, x, y, size, size, MODULE_FILL)
    reach, look = 0.46 * size, {"color": INK, "linewidth": 0.8, "zorder": 3}
    ax.plot([x - reach, x + reach], [y - reach, y + reach], **look)
    turn = np.linspace(0, 2 * np.pi, 25)
    ax.plot(x - 0.42 * size + 0.36 * size * turn / turn[-1], y + 0.24 * size + 0.08 * size * np.sin(turn), **look)
    for offset in (0.2, 0.3):
        ax.plot([x + 0.08 * size, x + 0.42 * size], [y - offset * size] * 2, **look)


def _battery(ax: Axes, x: float, y: float, size: float) -> None:
    """Draw a box with two cells: a long thin stroke and a short thick one each."""
    _box(ax, x, y, size, RACK_HEIGHT, RACK_FILL)
    for cell in (0.09, -0.05):
        ax.plot([x - 0.32 * size, x + 0.32 * size], [y + cell] * 2, color=INK, linewidth=0.9, zorder=3)
        ax.plot([x - 0.16 * size, x + 0.16 * size], [y + cell - 0.055] * 2, color=INK, linewidth=2.0, zorder=3)
