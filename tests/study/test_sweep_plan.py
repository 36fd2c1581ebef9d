"""A sweep file and its cases: what is asked for is what is laid out, and what is wrong is said before anything runs."""

import math

import numpy as np
import pytest

from crestfall.errors import InputError, KeyedError, ScenarioError
from crestfall.scenario import load_scenario, path_of, value_at, varied
from crestfall.study import load_plan
from site_files import in_scenario, message
from sweeps import HEAD, PEAKS, RATES, write_sweep
from year_data import csv, local_steps, naive

WITH_BATTERY = in_scenario("  racks: 2\n", "  racks: 2\n")
CHOICE = in_scenario("catalogue: ", "tariff_choices: [tariff.yaml]\ncatalogue: ")
AXIS = "  - {key: option.racks, values: [1, 2]}\n"
PASSED = "    price_series: {file: prices.csv, column: price, unit: per_kwh}\n"
DRAWS = "draws: {count: 16, seed: 5}\n"


def plan_of(folder, text, **wishes):
    return load_plan(write_sweep(folder, text, WITH_BATTERY), **wishes)


def refused(folder, text, **wishes) -> str:
    with pytest.raises(InputError) as error:
        plan_of(folder, text, **wishes)
    return message(error.value, folder).replace("FOLDER/sweep.yaml", "FILE")


def test_listed_axes_are_combined_in_their_order(tmp_path):
    plan = plan_of(tmp_path, HEAD + RATES + PEAKS)
    assert plan.frame.columns.tolist() == ["rate", "peak"]
    assert plan.frame["rate"].tolist() == [round(0.01 * k, 2) for k in range(1, 11) for _ in range(3)]
    assert plan.frame["peak"].tolist() == [6.0, 9.5, 13.0] * 10
    assert len({case.key for case in plan.cases}) == 30
    assert dict(plan.cases[4].changes) == {
        ("money", "discount", "rate_frac"): 0.02,
        ("tariff", "demand_charges", 0, "rate_per_kw"): 9.5,
    }


def test_one_at_a_time_leaves_the_others_as_in_the_base(tmp_path):
    plan = plan_of(tmp_path, f"{HEAD}{RATES}{PEAKS}combine: one_at_a_time\n")
    assert len(plan.cases) == 13
    assert plan.frame["peak"].tolist() == [9.5] * 10 + [6.0, 9.5, 13.0]
    assert plan.frame["rate"].tolist()[10:] == [0.06] * 3


def test_keys_that_move_together_move_together(tmp_path):
    pairs = (
        "  - together:\n      - {key: option.racks, values: [1, 2, 4]}\n"
        "      - {key: option.modules, values: [1, 1, 2]}\n    name: option\n"
    )
    plan = plan_of(tmp_path, HEAD + pairs)
    changes = [dict(case.changes) for case in plan.cases]
    assert [(one["option", "racks"], one["option", "modules"]) for one in changes] == [(1, 1), (2, 1), (4, 2)]


def test_factors_are_of_the_value_in_the_base(tmp_path):
    plan = plan_of(tmp_path, HEAD + "  - {key: catalogue.rack.price, relative: true, values: [0.9, 1, 1.1]}\n")
    assert plan.frame["catalogue.rack.price"].tolist() == pytest.approx([2700.0, 3000.0, 3300.0])


def test_whole_files_are_an_axis(tmp_path):
    path = write_sweep(tmp_path, HEAD + "  - {key: tariff, files: [tariff.yaml, other.yaml]}\n", WITH_BATTERY)
    text = (tmp_path / "tariff.yaml").read_text(encoding="utf-8")
    (tmp_path / "other.yaml").write_text(text.replace("0.30", "0.50"), encoding="utf-8")
    plan = load_plan(path)
    rates = [varied(plan.base, dict(case.changes)).contract[0].file.energy_charges[0] for case in plan.cases]
    assert [one.rate_per_kwh for one in rates] == [0.3, 0.5]
    before = plan.cases[1].key
    (tmp_path / "other.yaml").write_text(text.replace("0.30", "0.60"), encoding="utf-8")
    assert load_plan(path).cases[1].key != before, "a case depends on what its file holds"
    assert load_plan(path).cases[0].key == plan.cases[0].key
    assert plan.frame["tariff"].tolist() == ["tariff.yaml", "other.yaml"]
    assert plan.base_values == ("tariff.yaml",), "the base is one of them"


def test_a_catalogue_and_a_tariff_to_choose_are_read_as_whole_files(tmp_path):
    base = load_scenario(write_sweep(tmp_path, HEAD + AXIS, CHOICE).parent / "scenario.yaml")
    for name, old, new in (("catalogue", "price: 3000", "price: 70"), ("tariff", "0.30", "0.50")):
        text = (tmp_path / f"{name}.yaml").read_text(encoding="utf-8")
        (tmp_path / f"other_{name}.yaml").write_text(text.replace(old, new), encoding="utf-8")
    other = varied(base, {"catalogue": "other_catalogue.yaml", "tariff_choices[0]": "other_tariff.yaml"})
    assert (base.catalogue.rack.price, other.catalogue.rack.price) == (3000, 70)
    prices = [one.file.energy_charges[0].rate_per_kwh for one in (*other.contract, *other.choices)]
    assert prices == [0.30, 0.50]
    assert other.input_files()["catalogue"] == tmp_path / "other_catalogue.yaml"
    with pytest.raises(KeyedError, match="catalogue as a whole, or its keys"):
        varied(base, {"catalogue": "other_catalogue.yaml", "catalogue.rack.price": 5})


def test_one_of_several_sheets_is_changed_as_a_whole(tmp_path):
    edit = in_scenario("tariff: tariff.yaml", "tariff: [tariff.yaml, later.yaml]")
    path = write_sweep(tmp_path, HEAD + '  - {key: "tariff[1]", files: [later.yaml, dearer.yaml], name: sheet}\n', edit)
    text = (tmp_path / "tariff.yaml").read_text(encoding="utf-8").replace("2025-01-01", "2025-07-01")
    for name, rate in (("later", "0.31"), ("dearer", "0.41")):
        (tmp_path / f"{name}.yaml").write_text(text.replace("0.30", rate), encoding="utf-8")
    plan = load_plan(path)
    changed = [varied(plan.base, dict(case.changes)) for case in plan.cases]
    rates = [[one.file.energy_charges[0].rate_per_kwh for one in scenario.contract] for scenario in changed]
    assert rates == [[0.30, 0.31], [0.30, 0.41]]
    assert plan.base_values == ("later.yaml",)
    with pytest.raises(KeyedError, match="tariff as a whole, or its keys"):
        varied(plan.base, {"tariff[1]": "dearer.yaml", "tariff.export.rate_per_kwh": 0.0})


def test_a_case_depends_on_data_that_its_values_name(tmp_path):
    """Named by a value and not by a file axis, or by a tariff that is an axis: what they hold counts all the same."""
    axes = (
        "  - {key: site.load.file, values: [load.csv, more.csv]}\n"
        "  - {key: tariff, files: [tariff.yaml, passed.yaml]}\n"
    )
    path = write_sweep(tmp_path, HEAD + axes, WITH_BATTERY)
    tariff = (tmp_path / "tariff.yaml").read_text(encoding="utf-8")
    passed = tariff.replace("    rate_per_kwh: 0.20\n", PASSED)
    assert passed != tariff
    (tmp_path / "passed.yaml").write_text(passed, encoding="utf-8")
    stamps = naive(local_steps("Europe/Berlin"))

    def keys(price: float, load: float) -> list[str]:
        (tmp_path / "prices.csv").write_text(csv(stamps, [price] * len(stamps), head="time,price"), encoding="utf-8")
        (tmp_path / "more.csv").write_text(csv(stamps, [f"{load},0"] * len(stamps), head="time,load_kw,pv_kw"))
        return [case.key for case in load_plan(path).cases]

    before = keys(0.2, 30)
    assert keys(0.2, 30) == before
    assert [one == other for one, other in zip(keys(0.3, 30), before, strict=True)] == [True, False, True, False]
    assert [one == other for one, other in zip(keys(0.2, 31), before, strict=True)] == [True, True, False, False]


@pytest.mark.parametrize(
    ("form", "mean", "sd"),
    [
        ("uniform: {low: 2, high: 4}", 3.0, 2 / math.sqrt(12)),
        ("normal: {mean: 10, sd: 1}", 10.0, 1.0),
        ("triangular: {low: 0, peak: 1, high: 2}", 1.0, 1 / math.sqrt(6)),
        ("lognormal: {median: 5, sd_log: 0.2}", 5 * math.exp(0.02), 5 * math.exp(0.02) * math.sqrt(math.expm1(0.04))),
    ],
)
@pytest.mark.parametrize("method", ["latin_hypercube", "sobol"])
def test_draws_have_the_mean_and_deviation_of_their_distribution(tmp_path, form, mean, sd, method):
    """The textbook's moments; a design of 512 points comes much closer than chance would."""
    axis = f"  - {{key: money.installation_cost, {form}, name: cost}}\n"
    plan = plan_of(tmp_path, f"{HEAD}{axis}draws: {{count: 512, method: {method}, seed: 7}}\n")
    assert plan.frame["cost"].mean() == pytest.approx(mean, rel=0.002)
    assert plan.frame["cost"].std() == pytest.approx(sd, rel=0.03)


def test_every_combination_meets_the_same_draws(tmp_path):
    axes = (
        RATES + "  - {key: money.installation_cost, uniform: {low: 1, high: 2}, name: cost}\n  - {days_drawn: true}\n"
    )
    plan = plan_of(tmp_path, HEAD + axes + DRAWS)
    assert len(plan.cases) == 160
    costs = plan.frame.groupby("rate")["cost"].apply(tuple)
    assert len(set(costs)) == 1
    seeds = np.array([case.days_seed for case in plan.cases]).reshape(10, 16)
    assert (seeds == seeds[0]).all()
    assert len(set(seeds[0])) == 16


def test_a_missing_seed_is_drawn_and_kept_in_the_plan(tmp_path):
    text = HEAD + "  - {key: money.installation_cost, uniform: {low: 1, high: 2}}\ndraws: {count: 3}\n"
    first, second = plan_of(tmp_path, text), plan_of(tmp_path, text)
    assert first.seed is not None
    assert first.seed != second.seed
    assert plan_of(tmp_path, text, seed=first.seed).frame.equals(first.frame)


def test_values_reach_the_scenario_and_leave_the_base_alone(tmp_path):
    base = load_scenario(write_sweep(tmp_path).parent / "scenario.yaml")
    path = path_of("tariff.demand_charges[0].rate_per_kw")
    other = varied(base, {path: 4.0, ("life", "horizon_years"): 2})
    assert (value_at(other, path), value_at(base, path)) == (4.0, 9.5)
    assert (other.ask.life.horizon_years, base.ask.life.horizon_years) == (2, 3)
    assert other.fingerprint() != base.fingerprint()


AXIS = "  - {key: option.racks, values: [1, 2]}\n"


@pytest.mark.parametrize(
    ("axes", "words"),
    [
        (
            "  - {key: option.rack, values: [1]}\n",
            "FILE:4: axes[0].key: found 'option.rack', expected a key that a scenario, its tariff or its"
            " catalogue has\n    did you mean 'option.racks'?",
        ),
        (
            '  - {key: "tariff.demand_charges[3].rate_per_kw", values: [1]}\n',
            "FILE:4: axes[0].key: found 'tariff.demand_charges[3].rate_per_kw', expected a place from 0 to 0",
        ),
        (
            AXIS + "  - {key: option.modules, values: [1, 2.5]}\n",
            "FILE:5: axes[1].values[1]: axis 'option.modules', value 2.5: option.modules: found 2.5,"
            " expected a whole number",
        ),
        (
            "  - {key: money.discount.rate_frac, values: [0.1, 7]}\n",
            "FILE:4: axes[0].values[1]: axis 'money.discount.rate_frac', value 7: money.discount.rate_frac:"
            " found 7, expected a number <= 1",
        ),
        (
            "  - {key: tariff, files: [nowhere.yaml]}\n",
            "FILE:4: axes[0].files[0]: axis 'tariff', value 'nowhere.yaml': there is no such file",
        ),
        (
            "  - {key: option.racks, values: []}\n",
            "FILE:4: axes[0].values: found a list of 0, expected at least",
        ),
        (
            "  - {key: option.racks}\n",
            "FILE:4: axes[0]: found a block of keys, expected one of values, range",
        ),
        (
            "  - {key: option.racks, values: [1], files: [a]}\n",
            "FILE:4: axes[0]: found a block of keys, expected one of values, range, files, uniform, normal,"
            " triangular, lognormal (found values and files)",
        ),
        (
            "  - {key: option.racks, values: [[1]]}\n",
            "FILE:4: axes[0].values[0]: found a list of 1, expected",
        ),
        (
            "  - {name: x}\n",
            "FILE:4: axes[0]: found a block of keys, expected one of key, together, days_drawn",
        ),
        (
            "  - together:\n      - {key: option.racks, values: [1, 2]}\n      - {key: option.modules, values: [1]}\n",
            "FILE:6: axes[0].together[1]: found a block of keys, expected 2 values, as the first key has",
        ),
        (AXIS + AXIS, "FILE:5: axes[1]: found a second axis 'option.racks', expected a name of its own"),
        (
            "  - {key: site.name, relative: true, values: [1.1]}\n",
            "FILE:4: axes[0].key: found relative, but the base has 'Tidewell Joinery' there, expected a number",
        ),
        (
            "  - {key: option.racks, range: {first: 3, last: 1, step: 1}}\n",
            "FILE:4: axes[0].range.last: found 1, expected a number of at least 3, the first",
        ),
        (
            "  - {key: option.racks, range: {first: 1, last: 3, step: 0}}\n",
            "FILE:4: axes[0].range.step: found 0",
        ),
        (
            AXIS + "  - {key: money.installation_cost, uniform: {low: 2, high: 1}}\n" + DRAWS,
            "FILE:5: axes[1].uniform.high: found 1, expected a number above 2, the lowest",
        ),
        (
            AXIS + "  - {key: money.installation_cost, triangular: {low: 1, peak: 5, high: 3}}\n" + DRAWS,
            "FILE:5: axes[1].triangular.peak: found 5, expected a number from 1 to 3",
        ),
        (
            AXIS + "  - {key: money.installation_cost, normal: {mean: 1, sd: 0}}\n" + DRAWS,
            "FILE:5: axes[1].normal.sd: found 0, expected a number > 0",
        ),
        (
            AXIS + "  - {key: money.installation_cost, lognormal: {median: -1, sd_log: 1}}\n" + DRAWS,
            "FILE:5: axes[1].lognormal.median: found -1, expected a number > 0",
        ),
        (
            "  - {key: money.installation_cost, uniform: {low: 1, high: 2}}\n",
            "FILE:1: draws: found nothing, expected count of draws, since an axis is drawn",
        ),
        (AXIS + DRAWS, "FILE:5: draws: found a block of keys, expected no draws, since no axis is drawn"),
        (
            "  - {days_drawn: true}\ndraws: {count: 100, method: sobol}\n",
            "FILE:5: draws.count: found 100, expected a power of 2 beside sobol: 64 or 128",
        ),
        (AXIS + "limit: 3\n", "FILE:5: limit: unknown key"),
        (
            "  - {key: site.load.file, values: [load.csv, nowhere.csv]}\n",
            "FILE:4: axes[0].values[1]: axis 'site.load.file', value 'nowhere.csv': FOLDER/nowhere.csv: cannot be read",
        ),
        (
            "  - {key: site.load.column, values: [load_kw, nowhere]}\n",
            "FILE:4: axes[0].values[1]: axis 'site.load.column', value 'nowhere': FOLDER/load.csv",
        ),
        (
            "  - {key: tariff, files: [catalogue.yaml]}\n",
            "FILE:4: axes[0].files[0]: axis 'tariff', value 'catalogue.yaml': FOLDER/catalogue.yaml:1:"
            " crestfall_tariff: required, but missing",
        ),
        ("  - {key: option.racks, values: [1, 2, 1]}\n", "FILE:4: axes[0]: found 1 twice, expected each value once"),
        (
            AXIS + "  - {key: option.racks, values: [3], name: more}\n",
            "FILE:5: axes[1]: found 'option.racks' beside 'option.racks' (axis 'option.racks'), expected each key once",
        ),
        (
            "  - {key: tariff, files: [tariff.yaml]}\n  - {key: tariff.export.rate_per_kwh, values: [0]}\n",
            "FILE:5: axes[1]: found 'tariff.export.rate_per_kwh' beside 'tariff' (axis 'tariff'), expected each key",
        ),
        (
            "  - {days_drawn: true}\n  - {days_drawn: true, name: again}\n" + DRAWS,
            "FILE:5: axes[1]: found days_drawn twice, expected it once",
        ),
        (
            "  - {key: option.racks, values: [1], name: npv}\n",
            "FILE:4: axes[0]: found 'npv', expected another name\n    the table of results has a column of it",
        ),
        (
            "  - together:\n      - {key: option.racks, values: [1, 2]}\n",
            "FILE:4: axes[0].together: found a list of 1, expected at least 2 entries",
        ),
        (
            "  - {key: life.horizon_years, values: [2]}\nstudy: first_year\n",
            "FILE:4: axes[0]: found 'life.horizon_years', expected a key of the first year, since study is first_year",
        ),
        (
            "  - {key: money.installation_cost, normal: {mean: 10, sd: 9}, name: cost}\n" + DRAWS,
            "FILE:4: axes[0].normal: axis 'cost', drawn value -",
        ),
        (
            "  - {key: money.installation_cost, lognormal: {median: 1.0e+300, sd_log: 99}, name: cost}\n" + DRAWS,
            "FILE:4: axes[0].lognormal: axis 'cost', drawn value inf: money.installation_cost: found inf, expected a",
        ),
        (
            "  - {key: tariff.demand_charges.rate_per_kw, values: [1]}\n",
            "FILE:4: axes[0].key: found 'tariff.demand_charges.rate_per_kw', expected a place in the list"
            " tariff.demand_charges\n    write tariff.demand_charges[0].rate_per_kw for its first entry; it holds 1",
        ),
        (
            "  - {key: option.racks.count, values: [1]}\n",
            "FILE:4: axes[0].key: found 'option.racks.count', expected a key that ends there",
        ),
        (
            '  - {key: "option.racks[0]", values: [1]}\n',
            "FILE:4: axes[0].key: found 'option.racks[0]', expected no place in a list",
        ),
    ],
)
def test_a_wrong_sweep_is_refused_with_line_axis_and_remedy(tmp_path, axes, words):
    assert refused(tmp_path, HEAD + axes).startswith(words)


def test_too_many_cases_are_counted_and_refused(tmp_path):
    text = HEAD + RATES + PEAKS + "  - {days_drawn: true}\n" + DRAWS
    assert refused(tmp_path, text, limit=100) == (
        "FILE: 480 cases ((10 of rate × 3 of peak) × 16 draws), expected at most 100\n"
        "    take fewer values or draws, or allow them with --limit 480"
    )


def test_an_empty_list_of_axes_is_refused(tmp_path):
    with pytest.raises(ScenarioError, match=r"sweep\.yaml:3: axes: found a list of 0, expected at least one entry"):
        load_plan(write_sweep(tmp_path, HEAD.rstrip() + " []\n"))


def test_a_base_that_is_not_there_is_refused(tmp_path):
    path = write_sweep(tmp_path, HEAD.replace("scenario.yaml", "nothing.yaml") + RATES)
    with pytest.raises(ScenarioError, match=r"nothing\.yaml: there is no such file"):
        load_plan(path)
