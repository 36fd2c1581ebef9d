"""The calendar of a tariff shows the price of each step, and outlines exactly where demand is measured."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.dates import date2num
from matplotlib.legend import Legend

from billing import MONDAY_TO_FRIDAY, laid, sheets_from, steps, tariff_from
from crestfall.errors import OutputError
from crestfall.report import draw_tariff, measured_steps, write_tariff_picture
from crestfall.report._style import house_style
from crestfall.report._tariff_calendar import PRICE_MAP
from crestfall.scenario import load_tariff
from crestfall.tariff import rates_on

TARIFFS = sorted((Path(__file__).parents[2] / "data" / "tariffs").glob("*.yaml"))
every_demo = pytest.mark.parametrize("path", TARIFFS, ids=lambda path: path.stem)

WORKING_DAY = {"working_day": {"weekdays": MONDAY_TO_FRIDAY}}
SUMMER = {"summer": {"first_day": "06-01", "last_day": "08-31"}}
EVENING = [{"day_types": ["working_day"], "times": ["17:00-20:00"]}]
# Over midnight, and begun between two of the hours that it is averaged over.
NIGHT = [{"seasons": ["summer"], "times": ["22:30-06:00"]}]
WINDOWS = {
    "seasons": SUMMER,
    "day_types": WORKING_DAY,
    "demand_charges": [
        {"name": "Evening $1 and $2", "rate_per_kw": 5, "averaging_min": 15, "when": EVENING},
        {"name": "_night", "rate_per_kw": 4, "averaging_min": 60, "when": NIGHT},
        {"name": "Anytime", "rate_per_kw": 3, "averaging_min": 15},
    ],
}


def rates_of(path, zone="Europe/Copenhagen"):
    start = steps(zone=zone, step_min=15)
    return rates_on([load_tariff(path)], start, step_h=0.25)


def drawn(rates):
    with house_style():
        ax = draw_tariff(rates)
        FigureCanvasAgg(ax.figure).draw()
    return ax


def prices_with(n_prices):
    width_h = 24 // n_prices
    edges = [f"{width_h * i:02d}:00-{width_h * (i + 1):02d}:00" for i in range(n_prices - 1)]
    charges = [
        {"name": f"Price {i}", "rate_per_kwh": 0.1 + 0.01 * i, "when": [{"times": [edge]}]}
        for i, edge in enumerate(edges)
    ]
    return laid(tariff_from(energy_charges=[*charges, {"name": "Last", "rate_per_kwh": 0.5}]), steps())


def legends_of(ax):
    return [child for child in ax.get_children() if isinstance(child, Legend)]


def words_of(ax):
    """All words of legends and labels."""
    texts = [text.get_text() for legend in legends_of(ax) for text in (legend.get_title(), *legend.get_texts())]
    return " ".join([*texts, *(label for one in ax.figure.axes for label in (one.get_xlabel(), one.get_ylabel()))])


def inside_outline(lines, rates):
    """Whether each step lies inside the drawn lines: they cross its time an odd number of times to its left."""
    day = np.floor(date2num(rates.start.tz_localize(None)))
    middle_h = np.asarray(rates.start.hour + rates.start.minute / 60 + rates.step_h / 2)
    crossings = np.zeros(len(rates.start), dtype=int)
    for (x0, y0), (x1, y1) in lines.get_segments():
        if x0 == x1:
            crossings += (x0 <= day) & (min(y0, y1) < middle_h) & (middle_h < max(y0, y1))
    return crossings % 2 == 1


@every_demo
def test_every_demo_tariff_is_drawn_with_its_title_and_unit(path):
    rates = rates_of(path)
    ax = drawn(rates)
    assert ax.get_title(loc="left").replace("\n", " ") == rates.title
    words = words_of(ax)
    assert "[EUR/kWh]" in words
    assert "local time Europe/Copenhagen" in words
    assert "hour of the day" in words


@every_demo
def test_legends_lie_outside_the_data_and_inside_the_figure(path):
    ax = drawn(rates_of(path))
    figure, data = ax.figure.bbox, ax.get_window_extent()
    boxes = [legend.get_window_extent() for legend in legends_of(ax)]
    axis_words = [ax.xaxis.label.get_window_extent(), *(label.get_window_extent() for label in ax.get_xticklabels())]
    assert boxes
    for box in boxes:
        assert not box.overlaps(data)
        assert not any(box.overlaps(words) for words in axis_words)
        assert figure.x0 <= box.x0 <= box.x1 <= figure.x1
        assert figure.y0 <= box.y0 <= box.y1 <= figure.y1


def test_dearer_is_darker_throughout():
    rgb = np.asarray(PRICE_MAP(np.linspace(0, 1, 256)))[:, :3]
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(luminance) < 0).all()


def test_each_step_has_the_shade_of_its_price():
    rates = rates_of(next(path for path in TARIFFS if path.stem == "klitlys_seasonal"))
    shade = np.asarray(drawn(rates).images[0].get_array().filled(np.nan))  # time by day
    levels = np.unique(rates.buy_per_kwh)
    day = np.asarray(rates.start.day_of_year) - 1
    time = np.asarray(rates.start.hour * 4 + rates.start.minute // 15)
    assert shade.shape == (96, 365)
    np.testing.assert_array_equal(levels[shade[time, day].astype(int)], rates.buy_per_kwh)


@pytest.mark.parametrize(
    ("zone", "skipped"),
    [("Europe/Copenhagen", ["2025-03-30 02:00"]), ("Australia/Lord_Howe", ["2025-10-05 02:00"]), ("UTC", [])],
)
def test_only_what_the_clock_skips_is_empty(zone, skipped):
    rates = laid(tariff_from(), steps(zone=zone, step_min=30))
    ax = drawn(rates)
    shade = np.ma.filled(ax.images[0].get_array(), np.nan)
    times, days = np.nonzero(np.isnan(shade))
    empty = [
        pd.Timestamp("2025-01-01") + pd.Timedelta(days=d, minutes=30 * t) for t, d in zip(times, days, strict=True)
    ]
    n_steps = 2 if zone.startswith("Europe") else 1
    wanted = [pd.Timestamp(first) + pd.Timedelta(minutes=30 * n) for first in skipped for n in range(n_steps)]
    assert empty == wanted
    assert ("no such hour" in words_of(ax)) == bool(skipped)


def test_an_hour_that_the_clock_shows_twice_holds_the_mean(tmp_path):
    start = steps()
    prices = np.zeros(len(start))
    twice = np.flatnonzero(start.strftime("%m-%d %H") == "10-26 02")
    prices[twice] = 100.0, 300.0
    prices += np.arange(len(start)) / 1000
    table = pd.DataFrame({"time": start.tz_convert("UTC").strftime("%Y-%m-%dT%H:%M+00:00"), "price": prices})
    table.to_csv(tmp_path / "prices.csv", index=False)
    series = {"file": "prices.csv", "column": "price", "unit": "per_mwh"}
    rates = laid(tariff_from(energy_charges=[{"name": "E", "price_series": series}]), start, folder=tmp_path)
    shade = drawn(rates).images[0].get_array()
    day = pd.Timestamp("2025-10-26").day_of_year - 1
    assert shade[2, day] == pytest.approx(prices[twice].mean() / 1000)


@every_demo
def test_windows_are_outlined_where_demand_is_measured(path):
    rates = rates_of(path)
    outlines = {lines.get_label(): lines for lines in drawn(rates).collections if isinstance(lines, LineCollection)}
    windows = {name: steps for name, steps in measured_steps(rates).items() if steps is not None}
    assert list(outlines) == list(windows)
    for name, lines in outlines.items():
        line = next(line for line in rates.peak_charges if line.name == name)
        np.testing.assert_array_equal(inside_outline(lines, rates), line.measure.is_measured())


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Los_Angeles", "UTC"])
def test_windows_over_midnight_are_outlined_by_whole_intervals(zone):
    rates = laid(tariff_from(**WINDOWS), steps(zone=zone, step_min=15))
    ax = drawn(rates)
    outlines = {lines.get_label(): lines for lines in ax.collections}
    assert list(outlines) == ["Evening $1 and $2", "_night"]
    night = inside_outline(outlines["_night"], rates)
    hour, month = np.asarray(rates.start.hour), np.asarray(rates.start.month)
    in_summer = (month >= 6) & (month <= 8)
    assert (night == (in_summer & ((hour >= 23) | (hour < 6)))).all()


def test_of_sheets_that_follow_each_other_each_is_outlined_while_it_holds():
    peak = {"name": "Peak", "rate_per_kw": 5, "averaging_min": 60}
    first = tariff_from(day_types=WORKING_DAY, demand_charges=[peak | {"when": EVENING}])
    then = tariff_from(valid_from="2025-07-01", demand_charges=[peak | {"when": [{"times": ["08:00-10:00"]}]}])
    last = tariff_from(valid_from="2025-10-01", demand_charges=[peak])
    rates = laid(sheets_from(first, then, last), steps())
    inside = inside_outline(drawn(rates).collections[0], rates)
    start = rates.start
    evening = (start.hour >= 17) & (start.hour < 20) & (start.day_of_week < 5) & (start.month < 7)
    morning = (start.hour >= 8) & (start.hour < 10) & (start.month >= 7)
    np.testing.assert_array_equal(inside, np.asarray(evening | (morning & (start.month < 10)) | (start.month >= 10)))


def test_windows_have_lines_of_their_own_and_all_charges_are_named():
    ax = drawn(laid(tariff_from(**WINDOWS), steps(step_min=15)))
    styles = [str(lines.get_linestyle()) for lines in ax.collections]
    assert len(set(styles)) == len(styles) == 2
    words = words_of(ax)
    assert "Evening $1 and $2: measured inside" in words
    assert "_night: measured inside" in words
    assert "Anytime: measured at any time" in words


def test_few_prices_are_written_out_and_many_have_a_bar():
    few, many = drawn(prices_with(8)), drawn(prices_with(12))
    assert len(few.figure.axes) == 1
    labels = [text.get_text() for text in legends_of(few)[0].get_texts()]
    assert labels == ["0.50", *(f"{0.1 + 0.01 * i:.2f}" for i in reversed(range(7)))]
    assert [ax.get_ylabel() for ax in many.figure.axes] == ["hour of the day", "price of one imported kWh [EUR/kWh]"]
    assert [legend.get_title().get_text() for legend in legends_of(many)] == [""]  # that of the skipped hour only


def test_prices_that_differ_late_are_told_apart():
    window = [{"times": ["00:00-12:00"]}]
    charges = [{"name": "A", "rate_per_kwh": 0.100001, "when": window}, {"name": "B", "rate_per_kwh": 0.100002}]
    ax = drawn(laid(tariff_from(energy_charges=charges), steps()))
    assert "0.100002" in words_of(ax)
    assert "0.100001" in words_of(ax)


def test_surcharges_are_in_the_price_and_said():
    tariff = tariff_from(surcharges=[{"name": "Tax", "share_frac": 0.25, "on": ["energy"]}])
    words = words_of(drawn(laid(tariff, steps())))
    assert "0.25" in words
    assert "with surcharges" in words


def test_a_tariff_is_drawn_into_given_axes():
    from matplotlib.figure import Figure

    ax = Figure().subplots()
    assert draw_tariff(laid(tariff_from(), steps()), ax) is ax


def test_a_picture_is_written_as_its_ending_says_and_the_same_each_time(tmp_path):
    rates = laid(tariff_from(**WINDOWS), steps(step_min=15))
    for ending, first in (("svg", b"<?xml"), ("png", b"\x89PNG")):
        path = tmp_path / f"tariff.{ending}"
        write_tariff_picture(rates, path)
        content = path.read_bytes()
        write_tariff_picture(rates, path)
        assert content.startswith(first)
        assert path.read_bytes() == content


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("tariff.pdf", "found the ending '.pdf'"),
        ("tariff", "found the ending ''"),
        ("no/tariff.svg", "cannot be written"),
    ],
)
def test_a_picture_that_cannot_be_written_is_an_error(tmp_path, name, message):
    with pytest.raises(OutputError, match=message):
        write_tariff_picture(laid(tariff_from(), steps()), tmp_path / name)
    assert list(tmp_path.iterdir()) == []
