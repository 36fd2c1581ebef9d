"""What a rolling plan did not foresee, as a reader meets it."""

import re
from dataclasses import replace

import numpy as np
import pytest

from crestfall.report import draw_costliest_days, unforeseen_text
from crestfall.report._page import report_html
from crestfall.report._unforeseen import costly_rows, error_rows, share_words, trial_rows
from crestfall.study import Trial
from hourly_site import BY_ROLLING, shared_study

TRIALS = (
    Trial(change="perfect forecasts of load and PV", saves_more=1234.4),
    Trial(change="one rack more, 40 kWh usable", saves_more=500.0, more_kwh=40.0),
)


@pytest.fixture(scope="module")
def result():
    """The joinery's year under rolling plans, with trials."""
    found = shared_study(BY_ROLLING)
    return replace(found, unforeseen=replace(found.unforeseen, trials=TRIALS))


def test_errors_of_load_and_pv_stand_apart(result):
    load, pv = error_rows(result.unforeseen)
    errors = result.unforeseen.rolled.load_errors
    assert load[:3] == ("load", f"{100 * errors.mape_frac:.1f} %", f"{errors.mean_abs_kw:.1f} kW")
    assert pv[0] == "PV"
    assert all(re.fullmatch(r"[+−][\d.]+ kW", cell) for cell in (*load[3:], *pv[3:]))


def test_without_pv_there_is_no_error_of_it(result):
    dark = replace(result.unforeseen.rolled.pv_errors, mape_frac=float("nan"))
    rolled = replace(result.unforeseen.rolled, pv_errors=dark)
    assert [row[0] for row in error_rows(replace(result.unforeseen, rolled=rolled))] == ["load"]


def test_each_costly_time_has_its_row(result):
    rows, costliest = costly_rows(result.unforeseen), result.unforeseen.costliest
    assert len(rows) == len(costliest) == 10
    first = costliest[0]
    assert rows[0][0] == f"{first.start:%a %d %b %Y %H:%M}"
    assert rows[0][1] == first.what
    assert rows[0][-1] == f"{first.cost:,.0f}"
    day = replace(first, hours=24.0)
    assert costly_rows(replace(result.unforeseen, costliest=(day,)))[0][0] == f"{first.start:%a %d %b %Y}"


def test_trials_say_what_a_kwh_more_brings(result):
    assert trial_rows(result.unforeseen, "EUR") == [
        ("perfect forecasts of load and PV", "+1,234 EUR/a", ""),
        ("one rack more, 40 kWh usable", "+500 EUR/a", "12.5 for each kWh, before its price"),
    ]
    assert "  saving with perfect forecasts of load and PV: +1,234 EUR/a" in unforeseen_text(result)


def test_where_nothing_was_lost_nothing_is_said_of_it(result):
    assert share_words(replace(result.unforeseen, cost=0.0, costliest=()), "EUR") == ""
    assert unforeseen_text(shared_study()) == ""


def test_page_shows_what_was_not_foreseen_and_whose_headline_it_is(result):
    page = report_html(result, dict.fromkeys(("costliest-days", "tariff", "waterfall"), b"<svg/>"))
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert "Figures and tables below show rolling plans" in text
    assert "The saving by rolling plans belongs to a controller" in text
    assert f"the saving is {100 * result.share_of_hindsight(result.rolling):.0f} % of hindsight" in text
    assert "rolling rolling plans: know the tariff and the past, and expect the rest" in text
    assert "saved by rolling saved by rules saved by hindsight" in text
    assert text.count(result.unforeseen.costliest[0].what) >= 1
    assert "What would have helped" in text
    assert "these 10 make up" in text


def test_page_of_another_policy_says_nothing_of_rolling_plans():
    page = report_html(shared_study(), {"tariff": b"<svg/>"})
    assert "What was not foreseen" not in page
    assert "rolling</em> plans belongs" not in page


def test_picture_shows_forecast_and_import_of_the_dearest_days(result):
    figure = draw_costliest_days(result)
    first = result.unforeseen.costliest[0].start.normalize()
    panel = figure.axes[0]
    assert panel.get_title().startswith(f"{first:%a %d %b %Y}: ")
    steps = np.asarray(result.inputs.series.start.normalize() == first)
    drawn = {patch.get_label(): patch.get_data().values for patch in panel.patches if hasattr(patch, "get_data")}
    np.testing.assert_array_equal(drawn["without battery, forecast"], result.unforeseen.rolled.expected_net_kw[steps])
    np.testing.assert_array_equal(drawn["import, rolling"], result.rolling.readings.import_kw[steps])
    np.testing.assert_array_equal(drawn["import, hindsight"], result.hindsight.readings.import_kw[steps])
    assert 2 <= len(figure.axes) <= 6


def test_there_is_no_picture_of_other_policies():
    with pytest.raises(ValueError, match="there is no rolling plan that lost anything"):
        draw_costliest_days(shared_study())
