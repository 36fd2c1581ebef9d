"""Sections of the page: what they say adds up, and what they draw is what was found."""

import hashlib
import re
from itertools import combinations, pairwise

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from crestfall.finance import appraise
from crestfall.report import most_telling_week
from crestfall.report._first_screen import answer, tiles, verdict
from crestfall.report._glossary import glossary
from crestfall.report._known_sensitivity import CAPITAL_FRAC, known_sensitivity
from crestfall.report._load_shape import load_by_hour
from crestfall.report._sections import draw_sections
from crestfall.report._svg import shortened
from crestfall.report._waterfall import bill_changes, draw_waterfall
from crestfall.report._week import typical_week
from crestfall.report._year_map import by_day_and_time
from crestfall.scenario import load_scenario
from crestfall.study import run
from drawn_texts import drawn_texts
from hourly_site import BY_RULES, HOSTILE_NAME, NO_BATTERY, SVG_AND_PNG, WITH_PV, shared_study, year_csv
from site_files import in_catalogue, in_scenario, write_site

LAW = in_catalogue(
    "  standby_kw: 0.05\n  price: 9000\n",
    "  standby_kw: 0.05\n  price: 9000\n"
    "  life: {law: per_cycle_and_year, loss_frac_per_full_cycle: 0.0001, calendar_loss_frac_per_year: 0.02}\n",
)
LIFE = in_scenario(
    "  installation_cost: 1500\n",
    "  installation_cost: 1500\n  discount: {rate_frac: 0.06, terms: nominal}\nlife: {horizon_years: 3}\n",
)


@pytest.fixture(scope="module")
def result():
    """The joinery's year with a battery, with hindsight."""
    return shared_study()


@pytest.fixture(scope="module")
def life(tmp_path_factory):
    """Three years of it."""
    return run(load_scenario(write_site(tmp_path_factory.mktemp("joinery"), WITH_PV, LAW, LIFE, load=year_csv())))


@pytest.fixture(scope="module")
def without_battery():
    return shared_study(NO_BATTERY)


# --- the first screen -------------------------------------------------------------------------------------------------


def test_answer_names_option_saving_and_policy(result):
    saving = f"{result.saving(result.headline):,.0f} EUR"
    assert answer(result).startswith(f"{result.inputs.plant.option} save {saving} a year (")
    assert answer(result).endswith("with hindsight, which knows the whole year: a ceiling, not a promise.")


def test_answer_of_another_policy_is_no_ceiling():
    assert "ceiling" not in answer(shared_study(BY_RULES))


def test_first_screen_shows_net_present_value_only_where_there_is_one(result, life):
    assert "Net present value" not in {tile.name for tile in tiles(result)}
    shown = {tile.name: tile.value for tile in tiles(life)}
    npv = life.life.appraisal.without_debt.npv
    assert shown["Net present value"] == f"{npv:,.0f} EUR".replace("-", "−")
    assert shown["Life"] == f"{100 * life.life.years[-1].health_end_frac:.0f} %"


def test_verdict_is_the_sign_of_the_net_present_value(result, life):
    npv = life.life.appraisal.without_debt.npv
    assert npv < 0  # three years are too few
    assert verdict(life) == f"Over 3 years they bring {-npv:,.0f} EUR less than they cost, discounted at 6.0 %."
    assert verdict(result) == ""


def test_first_screen_without_a_battery_is_the_bill(without_battery):
    assert [tile.name for tile in tiles(without_battery)] == ["Bill before"]


# --- the waterfall ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("edits", [(), (BY_RULES,)])
def test_changes_lead_from_the_old_bill_to_the_new(edits):
    found = shared_study(*edits)
    changes = sum(change for _, change in bill_changes(found))
    # What is below half a unit in all is left out.
    assert found.before.bill_total + changes == pytest.approx(found.headline.bill_total, abs=0.5)


def test_each_bar_begins_where_the_last_one_ended(result):
    bars = [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in draw_waterfall(result).patches]
    assert bars[0][0] == pytest.approx(result.before.bill_total)
    for (_, end), (start, _) in pairwise(bars):
        assert start == pytest.approx(end)


# --- the site ---------------------------------------------------------------------------------------------------------


def test_load_shape_is_the_mean_of_each_hour_of_the_week(result):
    series = result.inputs.series
    load = pd.Series(series.load_kw, index=series.start)
    expected = load.groupby([load.index.day_of_week, load.index.hour]).mean()
    assert load_by_hour(result)[0].ravel() == pytest.approx(expected.to_numpy())


def test_four_of_five_steps_lie_in_the_spread(result):
    series = result.inputs.series
    _, low, high = load_by_hour(result)[:, series.start.day_of_week, series.start.hour]
    inside = (series.load_kw >= low) & (series.load_kw <= high)
    assert inside.mean() == pytest.approx(0.8, abs=0.05)


# --- the year ---------------------------------------------------------------------------------------------------------


def test_map_leaves_the_skipped_hour_empty_and_shows_the_mean_of_the_one_that_comes_twice():
    start = pd.date_range("2025-03-29", "2025-10-28", freq="h", tz="Europe/Berlin", inclusive="left")
    table = by_day_and_time(start, np.arange(float(len(start))))
    assert np.argwhere(table.isna().to_numpy()).tolist() == [[2, 1]]
    twice = np.flatnonzero((start.strftime("%Y-%m-%d") == "2025-10-26") & (start.hour == 2))
    assert table.loc[120, "2025-10-26"] == twice.mean()


def test_typical_week_is_a_whole_week_with_as_many_better_as_worse(result):
    series = result.inputs.series
    week = typical_week(result)
    assert series.start[week.start].day_of_week == 0
    assert (week.stop - week.start) * series.step_h == pytest.approx(168, abs=1)
    assert week != most_telling_week(result)


# --- sensitivity ------------------------------------------------------------------------------------------------------


def test_payback_moves_in_proportion_to_the_capital(result):
    known = known_sensitivity(result)
    capital = next(one for one in known.changes if one.name == "capital cost")
    assert known.base == pytest.approx(result.payback_years)
    assert capital.results == pytest.approx((known.base * (1 - CAPITAL_FRAC), known.base * (1 + CAPITAL_FRAC)))


def test_net_present_value_moves_by_what_is_spent_at_the_start(life):
    """Without tax or grant, a fifth more capital is a fifth more spent at once and nothing else."""
    known = known_sensitivity(life)
    spent = CAPITAL_FRAC * life.life.capital.total
    capital = next(one for one in known.changes if one.name == "capital cost")
    assert known.base == life.life.appraisal.without_debt.npv
    assert capital.results == pytest.approx((known.base + spent, known.base - spent))


def test_net_present_value_at_another_rate_is_that_of_the_appraisal(life):
    money = life.inputs.scenario.ask.money
    dearer = money.model_copy(update={"discount": money.discount.model_copy(update={"rate_frac": 0.08})})
    rate = next(one for one in known_sensitivity(life).changes if one.name == "discount rate")
    assert rate.ends == ("4.0 %", "8.0 %")
    assert rate.results[1] == appraise(life.life.project, life.life.capital, dearer).without_debt.npv


def test_the_widest_change_stands_on_top(life):
    widths = [abs(one.results[1] - one.results[0]) for one in known_sensitivity(life).changes]
    assert widths == sorted(widths, reverse=True)


def test_nothing_is_known_without_a_battery(without_battery):
    assert known_sensitivity(without_battery) is None


# --- sources and words ------------------------------------------------------------------------------------------------


def test_sources_are_the_files_with_their_hashes(result):
    paths = result.inputs.scenario.input_files()
    assert [one.key for one in result.sources] == list(paths)
    for one in result.sources:
        content = paths[one.key].read_bytes()
        assert (one.name, one.n_bytes) == (paths[one.key].name, len(content))
        assert one.sha256 == hashlib.sha256(content).hexdigest()


def test_glossary_explains_money_only_where_there_are_years(result, life):
    assert "Net present value" not in dict(glossary(result))
    assert {"Net present value", "Equivalent full cycles", "Hindsight"} <= dict(glossary(life)).keys()


# --- pictures ---------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def figures(result):
    return draw_sections(result)


@pytest.mark.parametrize(
    "name", ["waterfall", "load-shape", "year-map", "peaks", "sensitivity", "typical-week", "tariff"]
)
def test_no_word_of_a_picture_is_cut_or_lies_on_another(figures, name, monkeypatch):
    figure: Figure = figures[name]
    extents = drawn_texts(figure, monkeypatch)
    assert len(extents) > 8
    width, height = figure.canvas.get_width_height()
    for text, box in extents.items():
        assert box.x0 > -1, text
        assert box.y0 > -1, text
        assert box.x1 < width + 1, text
        assert box.y1 < height + 1, text
    pairs = combinations(extents.items(), 2)
    assert [(a.get_text(), b.get_text()) for (a, box), (b, other) in pairs if box.overlaps(other)] == []


@pytest.mark.parametrize("name", ["waterfall", "load-shape", "year-map", "peaks"])
def test_every_picture_has_a_unit_on_an_axis(figures, name):
    labels = [label for ax in figures[name].axes for label in (ax.get_xlabel(), ax.get_ylabel())]
    assert any(re.search(r"\[(kW|kVA|EUR)\]", label) for label in labels)


def test_shorter_paths_go_through_the_same_points():
    svg = b'<path d="M 1.23456 2 \nL 3 2 \nL 3 4.5678 \nL 5.5 6 \nz\n" x="9.123456789"/>'
    assert shortened(svg) == b'<path d="M1.23 2H3V4.56L5.5 6z" x="9.1234"/>'


def test_a_notebook_shows_the_savings_and_takes_names_for_text():
    found = shared_study(SVG_AND_PNG, HOSTILE_NAME)
    shown = found._repr_html_()
    assert f"{found.saving(found.hindsight):,.0f} EUR" in shown
    assert "<script" not in shown
