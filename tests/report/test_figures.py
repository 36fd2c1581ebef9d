"""Every figure has its words, its data and its room."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from crestfall.report import draw_all, draw_duration_curve, draw_monthly_bill, draw_store_by_hour, most_telling_week
from drawn_texts import drawn_texts
from hourly_site import BY_ROLLING, HOSTILE_NAME, NO_BATTERY, SVG_AND_PNG, shared_study

FIGURES = ("week", "monthly-bill", "duration-curve", "store-by-hour", "cycle-depths")
FIGURES_WITHOUT_BATTERY = ("week", "monthly-bill", "duration-curve")
EVERY_FIGURE = [("with", name) for name in FIGURES] + [("without", name) for name in FIGURES_WITHOUT_BATTERY]
EVERY_FIGURE += [("rolling", "week"), ("rolling", "costliest-days")]
every_figure = pytest.mark.parametrize(("battery", "name"), EVERY_FIGURE)

# Quantity and unit on each axis; None where an axis shares or needs none.
LABELS = {
    "week": ("local time, Europe/Berlin", "[kW]", "[kWh]"),
    "monthly-bill": ("bill [EUR a period]",),
    "duration-curve": ("hours of the year with more import than this", "import [kW]"),
    "store-by-hour": ("day of 2025", "hour of the local day", "state of charge at the end of the step [%]"),
    "costliest-days": ("power [kW]",),
    "cycle-depths": ("depth of the cycle [% of nominal energy]", "cycles a year"),
}


@pytest.fixture(scope="module")
def result():
    """The joinery's year with a battery."""
    return shared_study(SVG_AND_PNG, HOSTILE_NAME)


@pytest.fixture(scope="module")
def without_battery():
    """The same year without a battery."""
    return shared_study(NO_BATTERY)


@pytest.fixture(scope="module")
def figures(result, without_battery):
    rolling = shared_study(BY_ROLLING)
    return {"with": draw_all(result), "without": draw_all(without_battery), "rolling": draw_all(rolling)}


def test_a_battery_has_seven_figures_and_no_battery_three(figures):
    # The one without axes, and hours of the cells, have their own tests.
    assert tuple(figures["with"]) == (*FIGURES, "connection", "cells")
    assert tuple(figures["without"]) == FIGURES_WITHOUT_BATTERY
    assert tuple(figures["rolling"]) == ("week", "costliest-days", *FIGURES[1:], "connection", "cells")


@every_figure
def test_a_figure_says_what_it_shows_and_by_which_policy(figures, battery, name):
    titles = [ax.get_title(loc="left") for ax in figures[battery][name].axes]
    if name == "costliest-days":
        lines = [text.get_text() for text in figures[battery][name].legends[0].get_texts()]
        assert {"import, rolling", "import, hindsight"} < set(lines)
    else:
        assert {"rolling": "by rolling plans"}.get(battery, "with hindsight") in titles[0]


@every_figure
def test_axes_name_quantity_and_unit(figures, battery, name):
    words = " ".join(f"{ax.get_xlabel()} {ax.get_ylabel()}" for ax in figures[battery][name].axes)
    wanted = LABELS[name][:2] if battery == "without" else LABELS[name]
    assert [label for label in wanted if label not in words] == []


@every_figure
def test_no_axes_are_empty(figures, battery, name):
    assert all(ax.has_data() for ax in figures[battery][name].axes)


@every_figure
def test_texts_do_not_overlap(figures, battery, name, monkeypatch):
    extents = drawn_texts(figures[battery][name], monkeypatch)
    assert len(extents) > 8
    overlaps = [
        (a.get_text(), b.get_text()) for (a, box), (b, other) in combinations(extents.items(), 2) if box.overlaps(other)
    ]
    assert overlaps == []


@every_figure
def test_no_text_is_cut_at_the_edge(figures, battery, name, monkeypatch):
    figure = figures[battery][name]
    width, height = figure.canvas.get_width_height()
    cut = [
        text.get_text()
        for text, box in drawn_texts(figure, monkeypatch).items()
        if box.x0 < -0.5 or box.y0 < -0.5 or box.x1 > width + 0.5 or box.y1 > height + 0.5
    ]
    assert cut == []


def test_a_figure_can_be_drawn_on_axes_that_are_given(result):
    ax = Figure().subplots()
    assert draw_duration_curve(result, ax) is ax


def test_bars_of_a_month_add_up_to_its_bill(result):
    ax = draw_monthly_bill(result)
    table = result.bill_frame()
    january = [bar.get_height() for bar in ax.patches if 0 <= bar.get_x() + bar.get_width() / 2 < 0.5]
    expected = table[(table["case"] == "after") & (table["period"] == "2025-01")]["amount"].sum()
    assert sum(january) == pytest.approx(expected)


def test_bars_start_at_zero(figures):
    assert figures["with"]["monthly-bill"].axes[0].get_ylim()[0] <= 0
    assert figures["with"]["cycle-depths"].axes[0].get_ylim()[0] == 0


def test_duration_curve_falls_and_holds_all_import(result):
    before, after = draw_duration_curve(result).lines
    for curve, import_kw in ((before, result.before.import_kw), (after, result.headline.schedule.import_kw)):
        values = curve.get_ydata()[:-1]  # the last step is drawn to its end
        assert (np.diff(values) <= 0).all()
        assert values.sum() == pytest.approx(import_kw.sum())


def heat_map(result):
    mesh = draw_store_by_hour(result).collections[0]
    return np.ma.filled(mesh.get_array().reshape(24, 365), np.nan)


def test_heat_map_leaves_the_hour_blank_that_spring_skips(result):
    grid = heat_map(result)
    day = pd.Timestamp("2025-03-30").day_of_year - 1
    assert np.argwhere(np.isnan(grid)).tolist() == [[2, day]]


def test_heat_map_shows_the_mean_of_the_hour_that_autumn_repeats(result):
    start = result.inputs.series.start
    twice = (start.strftime("%Y-%m-%d %H") == "2025-10-26 02").nonzero()[0]
    assert len(twice) == 2
    day = pd.Timestamp("2025-10-26").day_of_year - 1
    mean = 100 * result.headline.schedule.stored_kwh[twice].mean() / result.inputs.plant.nominal_kwh
    assert heat_map(result)[2, day] == pytest.approx(mean)


def test_heat_map_shows_the_other_hours_as_they_are(result):
    frame = result.schedule_frame()
    expected = 100 * frame.loc["2025-07-01", "stored_kwh"].to_numpy() / result.inputs.plant.nominal_kwh
    np.testing.assert_allclose(heat_map(result)[:, pd.Timestamp("2025-07-01").day_of_year - 1], expected)


# --- the most telling week --------------------------------------------------------------------------------------------


def with_import_moved(result, day: str, kwh: float):
    """Return the result as if the headline bought so much less in one hour of a night, and else nothing changed."""
    start = result.inputs.series.start
    night = (start.strftime("%Y-%m-%d %H") == f"{day} 01").nonzero()[0]
    import_kw = result.before.import_kw.copy()
    import_kw[night] -= kwh / result.inputs.series.step_h
    schedule = replace(result.hindsight.schedule, import_kw=import_kw, export_kw=result.before.export_kw)
    readings = replace(result.before.readings, import_kw=import_kw)
    return replace(result, hindsight=replace(result.hindsight, schedule=schedule, readings=readings))


@pytest.mark.parametrize(
    ("day", "monday", "hours"),
    [
        pytest.param("2025-06-12", "2025-06-09", 168, id="plain week"),
        pytest.param("2025-03-25", "2025-03-24", 167, id="clocks go forward"),
        pytest.param("2025-10-26", "2025-10-20", 169, id="clocks go back"),
        pytest.param("2025-01-06", "2025-01-06", 168, id="first whole week"),
        pytest.param("2025-12-28", "2025-12-22", 168, id="last whole week"),
    ],
)
def test_most_telling_week_runs_from_monday_to_sunday_around_what_was_saved(result, day, monday, hours):
    week = most_telling_week(with_import_moved(result, day, 10.0))
    steps = result.inputs.series.start[week]
    assert len(steps) == hours
    assert f"{steps[0]:%Y-%m-%d %H:%M}" == f"{monday} 00:00"
    assert steps[0].day_of_week == 0
    assert f"{steps[-1]:%H:%M}" == "23:00"
    assert steps[-1].day_of_week == 6


@pytest.mark.parametrize("day", ["2025-01-02", "2025-12-30"])
def test_most_telling_week_is_whole_when_most_is_saved_in_a_part_of_one(result, day):
    steps = result.inputs.series.start[most_telling_week(with_import_moved(result, day, 10.0))]
    assert f"{steps[0]:%Y-%m-%d}" == "2025-01-06"
    assert len(steps) == 168


def test_most_telling_week_without_any_saving_is_the_first_whole_one(without_battery):
    steps = without_battery.inputs.series.start[most_telling_week(without_battery)]
    assert f"{steps[0]:%Y-%m-%d %H:%M}" == "2025-01-06 00:00"


def test_most_telling_week_counts_a_billed_peak_where_it_stood(result):
    before_kw = result.before.import_kw
    june = np.flatnonzero(result.inputs.series.start.month == 6)
    stood = june[np.argmax(before_kw[june])]
    cheaper = with_import_moved(result, "2025-02-12", 40.0)  # 8 EUR at 0.20 EUR/kWh
    cheaper.hindsight.schedule.import_kw[stood] -= 1.0  # 9.50 EUR off the peak of June
    week = most_telling_week(cheaper)
    assert week.start <= stood < week.stop
