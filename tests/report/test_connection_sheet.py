"""The sheet of a connection in words, the one-line picture, and the table of options."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, FancyBboxPatch, Polygon

from crestfall.errors import ScenarioError
from crestfall.plant import Option, allowed_options, connection_sheet, options_table
from crestfall.report import _style as style
from crestfall.report import (
    connection_rows,
    connection_text,
    draw_connection,
    options_text,
    sheet_of,
    write_connection_picture,
)
from crestfall.scenario import Connection, load_catalogue, load_scenario
from crestfall.study import prepare
from hourly_site import NO_BATTERY, WITH_PV, write_hourly_site, year_csv
from site_files import in_catalogue, in_scenario
from strategies import catalogue_from

CATALOGUE = Path(__file__).parents[2] / "data" / "catalogue" / "kvader.yaml"
SITE = Connection()


@pytest.fixture(scope="module")
def kvader():
    """The catalogue of the demo: cabinets of 4 racks and 4 modules, two at most."""
    return load_catalogue(CATALOGUE)


@pytest.fixture
def inputs_with(tmp_path):
    """Read the joinery with some edits, without solving anything."""
    return lambda *edits, **data: prepare(load_scenario(write_hourly_site(tmp_path, *edits, **data)))


# --- words ------------------------------------------------------------------------------------------------------------


def words(inputs) -> dict[str, str]:
    return dict(connection_rows(sheet_of(inputs), knows_kvar=inputs.series.kvar is not None))


def test_apparent_power_before_is_the_highest_at_the_meter(inputs_with):
    inputs = inputs_with(WITH_PV)
    net = inputs.series.load_kw - inputs.series.pv_kw
    assert sheet_of(inputs).before_kva == pytest.approx(np.abs(np.clip(net, -45, None)).max())
    assert words(inputs)["Highest apparent power before"].endswith(" kVA, at least: reactive power is not known")


def test_apparent_power_before_counts_reactive_power_where_it_is_known(inputs_with):
    inputs = inputs_with(in_scenario("  import_limit_kw: 400", "  power_factor_frac: 0.8"))
    assert sheet_of(inputs).before_kva == pytest.approx(inputs.series.load_kw.max() / 0.8)
    assert words(inputs)["Highest apparent power before"] == f"{inputs.series.load_kw.max() / 0.8:,.0f} kVA"


DERATED = in_catalogue(
    "  auxiliary_kw: 0.2\n",
    "  auxiliary_kw: 0.2\n  derating: [{ambient_c: 0, share_frac: 1}, {ambient_c: 20, share_frac: 1},"
    " {ambient_c: 40, share_frac: 0}]\n",
)
WEATHER = in_scenario(
    "  import_limit_kw: 400", "  temperature: {file: load.csv, column: t, unit: C}\n  import_limit_kw: LIMIT"
)


def weather_of(limit: int, *, degrees: float):
    """Return the edit for an import limit, and the joinery's data with one temperature all year."""
    rows = year_csv().splitlines()
    table = "\n".join([f"{rows[0]},t", *(f"{row},{degrees:g}" for row in rows[1:])])
    return WEATHER._replace(new=WEATHER.new.replace("LIMIT", f"{limit}")), table


def test_limits_are_kept_beside_the_sum_that_keeps_none(inputs_with):
    """At 30 degrees half of 60 kW is left; without limits the sheet adds the whole rating to the highest load."""
    edit, load = weather_of(400, degrees=30.0)
    inputs = inputs_with(edit, DERATED, load=load)
    found, highest_kw = words(inputs), float(inputs.series.load_kw.max())
    both = highest_kw + sheet_of(inputs).adds_kva
    assert found["Both together, no limit kept"].startswith(f"{both:,.0f} kVA, {1000 * both / 400 / 3**0.5:,.0f} A ")
    limited = highest_kw + 30 + float(inputs.auxiliary_kw[0])
    assert sheet_of(inputs).within.highest_kva == pytest.approx(limited, abs=1e-9)
    amps = f"{1000 * limited / 400 / 3**0.5:,.0f} A per phase at 400 V, at least: the worst step of the year"
    assert found["Both together, limits kept"] == f"{limited:,.0f} kVA, {amps}"
    assert found["Limits kept in that"] == (
        "derating to 50 % of the power at 30 to 30 °C; import limit 400 kW; no export limit"
    )


def test_charging_keeps_the_import_limit_and_a_load_above_it_stays(inputs_with):
    edit, load = weather_of(150, degrees=10.0)
    assert sheet_of(inputs_with(edit, DERATED, load=load)).within.highest_kva == pytest.approx(150.0)
    edit, load = weather_of(50, degrees=10.0)
    inputs = inputs_with(edit, DERATED, load=load)
    alone = float(inputs.series.load_kw.max() + inputs.auxiliary_kw[0])
    assert sheet_of(inputs).within.highest_kva == pytest.approx(alone)


def test_without_temperature_it_is_said_that_nothing_is_derated(inputs_with):
    assert words(inputs_with(DERATED))["Limits kept in that"].startswith(
        "no ambient temperature given, so no derating;"
    )


def test_what_the_catalogue_does_not_say_is_said_to_be_unknown(inputs_with):
    found = words(inputs_with())
    assert found["DC, one rack"] == "unknown, the catalogue gives no voltage"
    assert found["AC, one cabinet, per phase, at 400 V"] == "87 A, rating of the terminals unknown"
    assert (found["Mass"], found["Floor, cabinets alone"]) == ("-", "-")


def test_current_above_the_terminals_is_said(inputs_with):
    found = words(
        inputs_with(in_catalogue("  auxiliary_kw: 0.2", "  auxiliary_kw: 0.2\n  terminals: {ac_a: 90, dc_a: 9}"))
    )
    assert found["AC, one cabinet, per phase, at 400 V"] == "87 A of 90 A: ok"
    assert found["AC, one cabinet, per phase, at 360 V"] == "96 A of 90 A: above"


@pytest.mark.parametrize("width", [70, 80, 120])
def test_sheet_for_a_terminal_is_wrapped_and_has_its_cautions(inputs_with, width):
    inputs = inputs_with()
    text = connection_text(inputs, sheet_of(inputs), width=width)
    assert max(map(len, text.splitlines())) <= width
    for word in ("indicative", "licensed practice", "gas", "lock out", "authority", "size no conductor"):
        assert word in " ".join(text.split())


def test_no_battery_has_nothing_to_connect(inputs_with):
    with pytest.raises(ScenarioError, match="option: found no battery, expected racks and modules"):
        sheet_of(inputs_with(NO_BATTERY))


# --- the picture ------------------------------------------------------------------------------------------------------


def drawn(option, catalogue, *, has_pv: bool):
    with style.house_style():
        ax = draw_connection(connection_sheet(catalogue, option, SITE, before_kva=1234.0), catalogue, has_pv=has_pv)
        canvas = FigureCanvasAgg(ax.figure)
        ax.figure.draw_without_rendering()
    return ax, canvas.get_renderer()


def boxes(ax) -> list[FancyBboxPatch]:
    return [patch for patch in ax.patches if isinstance(patch, FancyBboxPatch)]


def other_catalogues():
    """Cabinets that hold much, many cabinets, and cabinets with a DC side of their own."""
    large = {"name": "C", "most_modules": 40, "most_racks": 40, "auxiliary_kw": 0, "price": 0}
    small = large | {"most_modules": 2, "most_racks": 2}
    rules = {"most_racks": 80, "most_modules": 80, "most_cabinets": 40}
    return {
        "8 in one cabinet": (catalogue_from(cabinet=large, rules=rules), Option(8, 8)),
        "30 in one cabinet": (catalogue_from(cabinet=large, rules=rules), Option(30, 25)),
        "4 cabinets": (catalogue_from(cabinet=small, rules=rules), Option(8, 7)),
        "20 cabinets": (catalogue_from(cabinet=small, rules=rules), Option(37, 39)),
        "DC apart": (catalogue_from(cabinet=small, rules={**rules, "dc_coupling": "by_cabinet"}), Option(6, 6)),
    }


def assert_readable(ax, renderer):
    """Words overlap neither words nor symbols nor the frames of cabinets, and nothing leaves the paper."""
    shapes = [patch for patch in ax.patches if isinstance(patch, FancyBboxPatch | Circle | Polygon)]
    symbols = [shape.get_window_extent(renderer) for shape in shapes]
    width, height = ax.figure.canvas.get_width_height()
    named = [(text.get_text(), text.get_window_extent(renderer)) for text in ax.texts]
    assert [(a, b) for (a, box), (b, other) in combinations(named, 2) if box.overlaps(other)] == []
    outside = [name for name, box in named if box.x0 < 0 or box.y0 < 0 or box.x1 > width or box.y1 > height]
    assert outside == []
    covered = [name for name, box in named if name != "kWh" and any(box.overlaps(shape) for shape in symbols)]
    assert covered == []
    drawn_boxes = [box.get_window_extent(renderer) for box in boxes(ax)]
    assert not any(a.overlaps(b) for a, b in combinations(drawn_boxes, 2))


@pytest.mark.parametrize("has_pv", [False, True], ids=["without PV", "with PV"])
def test_every_option_of_the_demo_is_readable(kvader, has_pv):
    """All with PV; without it the same boxes stand at the same places, but for its own, and some options will do."""
    for option in list(allowed_options(kvader))[:: 1 if has_pv else 5]:
        ax, renderer = drawn(option, kvader, has_pv=has_pv)
        assert_readable(ax, renderer)
        # A box for each part, one for the meter, two for PV.
        assert len(boxes(ax)) == option.racks + option.modules + 1 + 2 * has_pv


@pytest.mark.parametrize("name", other_catalogues())
def test_options_of_other_catalogues_are_readable(name):
    catalogue, option = other_catalogues()[name]
    assert_readable(*drawn(option, catalogue, has_pv=True))


def test_parts_that_would_be_too_small_are_counted():
    catalogue, option = other_catalogues()["30 in one cabinet"]
    assert {"× 30", "× 25"} <= {text.get_text() for text in drawn(option, catalogue, has_pv=False)[0].texts}


def test_many_cabinets_are_drawn_by_kind():
    catalogue, option = other_catalogues()["20 cabinets"]
    named = [text.get_text() for text in drawn(option, catalogue, has_pv=False)[0].texts]
    kinds = [text for text in named if "cabinets, each" in text]
    assert sum(int(text.split()[0]) for text in kinds) == 20


@pytest.mark.parametrize(("coupling", "words"), [("common", "all racks share one DC side"), ("by_cabinet", "own")])
def test_picture_says_how_cabinets_are_coupled(kvader, coupling, words):
    catalogue = kvader.model_copy(update={"rules": kvader.rules.model_copy(update={"dc_coupling": coupling})})
    ax, _ = drawn(Option(8, 8), catalogue, has_pv=False)
    assert any(words in text.get_text() for text in ax.texts)


def test_picture_is_drawn_on_axes_that_are_given(kvader):
    ax = Figure().subplots()
    assert draw_connection(connection_sheet(kvader, Option(1, 1), SITE), kvader, ax=ax) is ax


@pytest.mark.parametrize(("kind", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG")])
def test_pictures_of_equal_inputs_have_equal_bytes(inputs_with, tmp_path, kind, begins):
    inputs = inputs_with(WITH_PV)
    for name in ("a", "b"):
        write_connection_picture(inputs, sheet_of(inputs), tmp_path / f"{name}.{kind}")
    first, second = ((tmp_path / f"{name}.{kind}").read_bytes() for name in ("a", "b"))
    assert first == second
    assert first.startswith(begins)


# --- the table of options ---------------------------------------------------------------------------------------------


def test_unknown_sizes_stand_as_a_dash():
    catalogue = catalogue_from()
    row = options_text(catalogue, options_table(catalogue), volts=400.0).splitlines()[3].split()
    assert row[:3] == ["1", "1", "1"]
    assert [row[8], row[9], row[11]] == ["-", "-", "-"]


def test_columns_stand_apart_however_large_the_numbers(kvader):
    table = pd.concat([options_table(kvader).iloc[:1], options_table(kvader).iloc[:1] * 1_000_000])
    lines = options_text(kvader, table, volts=400.0).splitlines()
    assert [len(line.split()) for line in lines[3:5]] == [12, 12]


def test_rules_that_allow_nothing_are_said():
    nothing = catalogue_from(rules={"least_racks": 5, "most_racks": 8, "most_modules": 1, "most_cabinets": 2})
    assert options_text(nothing, options_table(nothing), volts=400.0).endswith("the rules allow no option")
