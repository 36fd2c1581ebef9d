"""The rolling plan as the policy of a study: what it is told, what it saves, and what it did not foresee."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from crestfall.errors import KeyedError, ScenarioError
from crestfall.report import spread_text
from crestfall.scenario import load_scenario
from crestfall.study import Unforeseen, dispatch_problem, prepare, spread
from crestfall.study._budget import within_budget
from crestfall.study._explaining import with_a_rack_more
from crestfall.study._later_year import site_in_year
from crestfall.study._life_terms import LifeTerms
from crestfall.study._rolling import check_horizon, notes_on_forecasts, roll
from crestfall.study._run import headline_year
from hourly_site import BY_ROLLING, NO_BATTERY, WITH_PV, shared_study, studied, write_hourly_site, year_csv
from site_files import Edit, in_catalogue, in_scenario, in_tariff, message

SETTINGS = "horizon_h: 24, plan_every_h: 12"
LIFE = (
    in_catalogue(
        "  standby_kw: 0.05\n  price: 9000\n",
        "  standby_kw: 0.05\n  price: 9000\n  warranty: {years: 10, most_cycles_per_year: 100}\n"
        "  life: {law: per_cycle_and_year, loss_frac_per_full_cycle: 0.0, calendar_loss_frac_per_year: 0.0}\n",
    ),
    in_scenario(
        "  installation_cost: 1500\n",
        "  installation_cost: 1500\n  discount: {rate_frac: 0.06, terms: nominal}\nlife: {horizon_years: 2}\n",
    ),
)


def rolling(text: str) -> Edit:
    """Return the edit that leaves the policy to its default and adds settings to it."""
    return in_scenario("policy: hindsight\n", f"rolling:\n  horizon_h: 24\n  plan_every_h: 12\n{text}")


@pytest.fixture(scope="module")
def result():
    """The joinery's year under the default policy."""
    return shared_study(BY_ROLLING)


def prepared(folder, *edits):
    return prepare(load_scenario(write_hourly_site(folder, WITH_PV, *edits)))


def refusal(folder, *edits) -> str:
    with pytest.raises(ScenarioError) as caught:
        prepared(folder, *edits)
    return message(caught.value, folder)


def rolled(inputs):
    problem = dispatch_problem(inputs)
    return roll(problem, inputs.rates, inputs.scenario.ask.rolling, inputs.known, inputs.series.temperature_c)


# --- the headline -----------------------------------------------------------------------------------------------------


def test_rolling_plans_make_the_headline_unless_another_policy_is_named(result):
    assert result.headline is result.rolling
    assert result.summary()["policy"] == "rolling"
    assert [case.policy for case in result.cases] == ["rolling", "rules", "hindsight"]


def test_rules_and_hindsight_are_what_they_are_beside_another_headline(result):
    plain = shared_study()
    assert plain.rolling is None
    assert result.saving(result.rules) == plain.saving(plain.rules)
    assert result.saving(result.hindsight) == plain.saving(plain.hindsight)


def test_plan_is_billed_like_any_other(result):
    case = result.rolling
    assert case.schedule.objective == pytest.approx(case.planned_bill_total, abs=1e-6 * result.before.bill_total)
    assert abs(case.energy.residual_kwh) < 1e-6 * case.energy.load_kwh
    assert 0 < result.saving(case) < result.saving(result.hindsight)


def test_payback_and_gap_are_those_of_the_plan(result):
    summary = result.summary()
    assert summary["simple_payback_years"] == pytest.approx(result.capital / result.saving(result.rolling))
    price = summary["objective"] - result.hindsight.schedule.objective
    assert summary["gap_frac"] == pytest.approx(price / result.idle_cost, rel=1e-3)


def test_savings_by_line_stand_beside_each_other(result):
    table, summary = result.savings_by_line(), result.summary()
    for case in result.cases:
        assert table[case.policy].sum() == pytest.approx(result.saving(case))
        assert sum(summary["saving_by_line"][case.policy].values()) == pytest.approx(result.saving(case))
    np.testing.assert_allclose(table["rolling"], table["saved"])


def test_share_of_hindsight_counts_what_is_left_in_store(result):
    case = result.rolling
    left = case.replayed.stored_kwh[-1] - case.schedule.start_kwh
    # The last day's lowest price is 0.20, on New Year's Eve as on any day.
    assert result.left_in_store(case) == pytest.approx(0.20 * left)
    share = (result.saving(case) + 0.20 * left) / result.saving(result.hindsight)
    assert result.share_of_hindsight(case) == pytest.approx(share)
    assert result.share_of_hindsight(result.hindsight) == 1.0


def test_summary_survives_json(result):
    assert json.loads(json.dumps(result.summary(), allow_nan=False)) == result.summary()


def test_spread_shows_the_policy_that_is_named(tmp_path, result):
    scenario = load_scenario(write_hourly_site(tmp_path, WITH_PV, BY_ROLLING))
    table = spread(scenario)
    assert table["saving_rolling"].tolist() == [pytest.approx(result.saving(result.rolling))]
    lines = spread_text(table, scenario).splitlines()
    assert [line.split(":")[0] for line in lines[-3:]] == [f"saving by {case.policy}" for case in result.cases]


def test_where_hindsight_saves_nothing_there_is_no_share_of_it():
    bare = shared_study(BY_ROLLING, NO_BATTERY)
    assert bare.headline is bare.rolling
    assert bare.saving(bare.rolling) == pytest.approx(0.0, abs=1e-6)
    assert bare.unforeseen is None
    assert set(bare.summary()["share_of_hindsight"].values()) == {None}


# --- what was not foreseen --------------------------------------------------------------------------------------------


def test_what_cost_most_is_listed_the_dearest_first(result):
    costs = [one.cost for one in result.unforeseen.costliest]
    assert len(costs) == 10
    assert costs == sorted(costs, reverse=True)
    assert costs[-1] > 0
    assert result.unforeseen.cost == pytest.approx(result.saving(result.hindsight) - result.saving(result.rolling))


def test_a_peak_costs_the_difference_of_its_line_and_stands_where_it_was_measured(result):
    peaks = [one for one in result.unforeseen.costliest if one.what.startswith("Peak, ")]
    assert len(peaks) > 3
    inputs, case = result.inputs, result.rolling
    net_kw = inputs.load_kw + inputs.auxiliary_kw - inputs.series.pv_kw
    for one in peaks:
        month = one.what.removeprefix("Peak, ")
        bills = [each.bill.set_index(["line", "period"])["amount"] for each in (case, result.hindsight)]
        assert one.cost == pytest.approx(bills[0]["Peak", month] - bills[1]["Peak", month])
        at = inputs.series.start.get_loc(one.start)
        in_month = inputs.series.start.strftime("%Y-%m") == month
        assert one.import_kw == case.readings.import_kw[at] == case.readings.import_kw[in_month].max()
        assert one.hindsight_kw == result.hindsight.readings.import_kw[in_month].max()
        assert one.happened_kw == pytest.approx(net_kw[at])
        assert one.cost == pytest.approx(9.5 * (one.import_kw - one.hindsight_kw))


def test_without_a_demand_charge_the_dearest_days_are_listed(tmp_path):
    """Where no charge ties days together, all days make up what energy costs more, store and rounding aside."""
    no_demand = in_tariff("demand_charges:\n  - name: Peak\n    rate_per_kw: 9.5\n    averaging_min: 60\n", "")
    found = studied(tmp_path, BY_ROLLING, no_demand)
    costliest = found.unforeseen.costliest
    assert {(one.what, one.start.hour) for one in costliest} == {("energy of the day", 0)}
    day = costliest[0]
    steps = found.inputs.series.start.normalize() == day.start
    assert day.hours == steps.sum()
    assert day.import_kw == pytest.approx(found.rolling.readings.import_kw[steps].mean())
    assert sum(one.cost for one in costliest) <= 2 * found.unforeseen.cost


def test_peaks_of_days_cost_their_difference_at_the_rate_of_a_day(tmp_path):
    found = studied(
        tmp_path, BY_ROLLING, in_tariff("    averaging_min: 60\n", "    averaging_min: 60\n    period: day\n")
    )
    peaks = [one for one in found.unforeseen.costliest if one.what.startswith("Peak, 2025-")]
    assert peaks
    for one in peaks:
        assert one.what == f"Peak, {one.start:%Y-%m-%d}"
        assert one.cost == pytest.approx(9.5 * (one.import_kw - one.hindsight_kw))


def test_error_figures_are_those_of_the_last_forecast_of_each_step(result):
    figures, rolled_ = result.summary()["unforeseen"], result.unforeseen.rolled
    assert figures["plans"] == 730
    assert figures["load_forecast"]["mape_frac"] == rolled_.load_errors.mape_frac
    assert 0 < figures["load_forecast"]["mape_frac"] < 1
    assert set(figures["pv_forecast"]) == {"mape_frac", "mean_abs_kw", "bias_kw", "peak_kw"}


def test_error_of_what_is_always_0_is_unknown(result):
    errors = replace(result.unforeseen.rolled.pv_errors, mape_frac=float("nan"))
    found = Unforeseen(rolled=replace(result.unforeseen.rolled, pv_errors=errors), cost=0.0, costliest=())
    assert found.summary()["pv_forecast"]["mape_frac"] is None
    assert found.explained_frac is None


def test_trials_say_what_would_have_helped_most(tmp_path):
    found = studied(tmp_path, rolling("  trials: true\n"))
    trials = found.unforeseen.trials
    assert {one.change for one in trials} == {
        "perfect forecasts of load and PV",
        "peak targets 6 % above what the last weeks could have kept, not 3 %",
        "one rack more, 40 kWh usable",
    }
    more = [one.saves_more for one in trials]
    assert more == sorted(more, reverse=True)
    by_hand = studied(tmp_path / "larger", BY_ROLLING, in_scenario("racks: 2", "racks: 3"))
    (larger,) = [one for one in trials if one.more_kwh]
    assert larger.more_kwh == pytest.approx(40.0)
    assert larger.saves_more == pytest.approx(by_hand.saving(by_hand.rolling) - found.saving(found.rolling), abs=1e-6)


def test_no_trial_has_more_racks_than_the_catalogue_allows(tmp_path):
    inputs = prepared(tmp_path, in_scenario("racks: 2\n  modules: 1", "racks: 8\n  modules: 2"))
    assert with_a_rack_more(inputs) is None


def test_policy_in_words_says_what_plans_are_made_from(tmp_path):
    plain = prepared(tmp_path / "a", BY_ROLLING)
    assert plain.policy_words == "rolling plans over 24 h every 12 h, on similar_days and recent_days; no history"
    ask = "  load_forecast: regression\n  pv_forecast: {error_frac: 0.2}\n"
    assert "on regression and error of 20 %;" in prepared(tmp_path / "b", rolling(ask)).policy_words
    assert prepared(tmp_path / "c").policy_words == "hindsight"


# --- what it is told --------------------------------------------------------------------------------------------------


def test_decisions_do_not_depend_on_load_and_pv_to_come(tmp_path):
    inputs, now, draw = prepared(tmp_path, BY_ROLLING), 5000, np.random.default_rng(7)
    series = inputs.series
    load, pv = series.load_kw.copy(), series.pv_kw.copy()
    load[now:], pv[now:] = draw.uniform(0, 300, len(load) - now), draw.uniform(0, 200, len(load) - now)
    otherwise = replace(inputs, series=replace(series, load_kw=load, pv_kw=pv))
    known, other = rolled(inputs).schedule, rolled(otherwise).schedule
    for name in ("charge_kw", "discharge_kw", "stored_kwh", "import_kw", "export_kw"):
        np.testing.assert_array_equal(getattr(known, name)[:now], getattr(other, name)[:now])
    assert (known.stored_kwh[now:] != other.stored_kwh[now:]).any()


def test_holidays_of_the_tariff_are_like_sundays(tmp_path):
    inputs = prepared(tmp_path, BY_ROLLING)
    assert "2025-05-01" in inputs.rates.holidays
    assert "2025-05-02" not in inputs.rates.holidays


def with_forecast(folder, rows: list[str]) -> None:
    (folder / "forecast.csv").write_text("\n".join(["time,issued,kw", *rows, ""]), encoding="utf-8")


def forecast_rows(year: str) -> list[str]:
    """Return a forecast of what comes, each value issued an hour before its own."""
    start = pd.date_range("2025-01-01", "2026-01-01", freq="h", tz="Europe/Berlin", inclusive="left")
    issued = start - pd.Timedelta(hours=1)
    values = [line.split(",")[1] for line in year.splitlines()[1:]]
    return [f"{at.isoformat()},{by.isoformat()},{kw}" for at, by, kw in zip(start, issued, values, strict=True)]


def test_a_forecast_from_a_file_is_what_the_plan_expects_once_it_has_been_issued(tmp_path):
    """At midnight two hours of it are known: the next one, and the one after that, just issued. Then similar days."""
    with_forecast(tmp_path, forecast_rows(year_csv()))
    ask = "  load_forecast: {file: forecast.csv, column: kw, unit: kW, issued_column: issued}\n"
    inputs = prepare(load_scenario(write_hourly_site(tmp_path, rolling(ask))))
    expected, load = rolled(inputs).expected_net_kw - inputs.auxiliary_kw, inputs.series.load_kw
    np.testing.assert_allclose(expected[48:50], load[48:50])
    plain = prepare(load_scenario(write_hourly_site(tmp_path, rolling(""))))
    similar = rolled(plain).expected_net_kw - plain.auxiliary_kw
    np.testing.assert_allclose(expected[50:60], similar[50:60])
    assert not np.allclose(expected[48:50], similar[48:50])


def test_a_forecast_in_other_units_than_it_says_is_refused(tmp_path):
    rows = [row.rsplit(",", 1) for row in forecast_rows(year_csv())]
    with_forecast(tmp_path, [f"{times},{1000 * float(kw):.0f}" for times, kw in rows])
    ask = "  load_forecast: {file: forecast.csv, column: kw, unit: kW}\n"
    said = refusal(tmp_path, rolling(ask))
    assert (
        "rolling.load_forecast.unit: found a forecast of 46,633.9 kW in the mean, expected about the 46.6 kW of the"
        " data\n    check unit and column of the forecast"
    ) in said


def test_a_forecast_without_times_of_issue_is_said_to_be_known_from_the_start(tmp_path):
    with_forecast(tmp_path, forecast_rows(year_csv()))
    found = studied(tmp_path, rolling("  load_forecast: {file: forecast.csv, column: kw, unit: kW}\n"))
    assert found.unforeseen.rolled.load_errors.mean_abs_kw == pytest.approx(0.0, abs=1e-9)
    assert "the forecast of load does not say when it was issued; it counts as known from the start" in found.warnings
    assert "rolling.load_forecast" in found.inputs.scenario.resolved()["sha256"]


def test_a_forecast_of_what_happens_is_said_to_be_one(tmp_path):
    found = studied(tmp_path, rolling("  load_forecast: {error_frac: 0.1}\n  pv_forecast: {error_frac: 0}\n"))
    errors = found.unforeseen.rolled
    assert errors.pv_errors.mean_abs_kw == pytest.approx(0.0, abs=1e-9)
    mean_kw = found.inputs.series.load_kw.mean()
    # Mean of a normal error's size is 0.8 of its standard deviation; a little is cut at zero.
    assert errors.load_errors.mean_abs_kw == pytest.approx(0.1 * mean_kw * (2 / np.pi) ** 0.5, rel=0.03)
    assert (
        "the forecast of load is what happens, with an error of 10 % of the mean: no controller has it, the saving is a"
        " ceiling for that error"
    ) in found.warnings


def test_prices_of_a_series_are_known_for_half_a_day_unless_it_is_said(tmp_path):
    start = pd.date_range("2025-01-01", "2026-01-01", freq="h", tz="Europe/Berlin", inclusive="left")
    price = np.where((start.hour >= 17) & (start.hour < 20), 300.0, 100.0)
    rows = [f"{one.isoformat()},{value}" for one, value in zip(start, price, strict=True)]
    market = in_tariff(
        "  - name: Other hours\n    rate_per_kwh: 0.20\n",
        "  - name: Other hours\n    price_series: {file: prices.csv, column: price, unit: per_mwh}\n",
    )

    def planned(folder, text: str):
        folder.mkdir()
        (folder / "prices.csv").write_text("\n".join(["time,price", *rows, ""]), encoding="utf-8")
        return studied(folder, rolling(text), market)

    left_out, said = planned(tmp_path / "a", ""), planned(tmp_path / "b", "  prices_known_h: 12\n")
    note = "prices of a series count as known 12 h ahead (rolling.prices_known_h says otherwise)"
    assert note in left_out.warnings
    assert note not in said.warnings
    np.testing.assert_array_equal(left_out.rolling.schedule.stored_kwh, said.rolling.schedule.stored_kwh)


@pytest.mark.parametrize(
    ("period", "is_said"),
    [("period: year", True), ("ratchet: {preceding_periods: 11, share_frac: 0.8}", True), ("period: month", False)],
)
def test_plans_without_a_past_are_told_of_where_a_peak_of_the_first_days_stays(tmp_path, period, is_said):
    inputs = prepared(tmp_path, in_tariff("    averaging_min: 60\n", f"    averaging_min: 60\n    {period}\n"))
    words = (
        "rolling plans begin without a past, and a peak of the first days stays on 'Peak' for longer than a month;"
        " rolling.history gives them one"
    )
    notes = list(notes_on_forecasts(inputs.scenario.ask.rolling, inputs.rates, inputs.known))
    assert (words in notes) == is_said


# --- the years of life ------------------------------------------------------------------------------------------------


def test_years_of_life_follow_the_policy_and_remember_the_year_before(tmp_path):
    found = studied(tmp_path, BY_ROLLING, *LIFE)
    first, second = found.life.years
    assert first.saving == pytest.approx(found.saving(found.rolling), abs=1e-6)
    assert first.full_cycles == pytest.approx(found.rolling.use.equivalent_full_cycles)
    assert second.saving != first.saving  # it begins with a past


def test_later_years_begin_with_the_last_weeks_of_the_year_before(tmp_path):
    inputs = prepared(tmp_path, BY_ROLLING, *LIFE)
    terms = LifeTerms.of(inputs.scenario, inputs.series)
    terms = replace(terms, life=terms.life.model_copy(update={"load_growth_frac_per_year": 0.1}))
    before = site_in_year(inputs, terms, 3).known.before
    # 2025 ends a weekday later than 2024: a day is left out, so that Mondays follow Sundays.
    np.testing.assert_allclose(before.load_kw, 1.1 * inputs.series.load_kw[-57 * 24 : -24])
    np.testing.assert_array_equal(before.pv_kw, inputs.series.pv_kw[-57 * 24 : -24])
    assert site_in_year(inputs, terms, 1).known.before.n_steps == 0


def test_plans_can_be_held_to_a_budget_of_cycles(tmp_path):
    once_a_day = in_scenario("policy: hindsight\n", "rolling: {horizon_h: 24, plan_every_h: 24}\n")
    inputs, most = prepared(tmp_path, once_a_day), 100.0

    def full_cycles(year):
        return year.energy.out_of_store_kwh / inputs.plant.nominal_kwh

    assert full_cycles(headline_year(inputs)) > most
    kept = within_budget(inputs, lambda year: full_cycles(year) / most)
    assert 0.5 * most < full_cycles(kept.case) <= most
    assert kept.case.policy == "rolling"
    assert kept.wear_per_kwh > 0


# --- what cannot be ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        pytest.param(
            "{horizon_h: 0.5, plan_every_h: 0.25}",
            "rolling.horizon_h: found 0.5, expected at least the 1 h of a step\n"
            "    a day to three are usual; a plan that ends before the next begins leaves nothing to follow",
            id="shorter than a step",
        ),
        pytest.param(
            "{horizon_h: 4, plan_every_h: 6}",
            "rolling.horizon_h: found 4, expected at least the 6 h of plan_every_h\n"
            "    a day to three are usual; a plan that ends before the next begins leaves nothing to follow",
            id="shorter than the time between plans",
        ),
        pytest.param(
            "{horizon_h: 9000}",
            "rolling.horizon_h: found 9000, expected at most the 8,760 h of the data\n    a day to three are usual",
            id="longer than the data",
        ),
        pytest.param(
            "{plan_every_h: 1.5}",
            "rolling.plan_every_h: found 1.5, expected a multiple of 1 h\n"
            "    the data have steps of 60 minutes: give 2",
            id="plans inside steps",
        ),
        pytest.param(
            "{first_ceiling_kw: 5}",
            "rolling.first_ceiling_kw: found 5, expected at least 18.0 kW, below which the load never falls in the"
            " first month\n    with this option 95.4 kW could have been kept in that month, had it been known; begin"
            " above that, or leave the key out",
            id="ceiling below base load",
        ),
    ],
)
def test_settings_that_cannot_be_kept_are_refused_before_anything_is_solved(tmp_path, settings, text):
    found = refusal(tmp_path, in_scenario("policy: hindsight\n", f"rolling: {settings}\n"))
    assert found == f"FOLDER/scenario.yaml:23: {text}\n1 problem, nothing was run"


def test_a_ceiling_of_the_rules_below_the_base_load_is_refused(tmp_path):
    found = refusal(tmp_path, in_scenario("policy: hindsight\n", "policy: rules\nrules: {first_ceiling_kw: 5}\n"))
    assert "rules.first_ceiling_kw: found 5, expected at least 18.0 kW, below which the load never falls" in found


def test_horizon_of_a_year_is_as_long_as_the_data(tmp_path):
    settings = prepared(tmp_path, BY_ROLLING).scenario.ask.rolling.model_copy(update={"horizon_h": 8760.0})
    check_horizon(settings, step_h=1.0, n_steps=8760)
    with pytest.raises(KeyedError, match="at most the 8,736 h of the data"):
        check_horizon(settings, step_h=1.0, n_steps=8736)
