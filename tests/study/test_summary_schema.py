"""What every study's summary holds is what its schema says, and nothing beside it."""

import copy
import json

import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from compared_site import LIVING, joinery, shared_comparison
from crestfall import cli
from crestfall.study import compare, run, summary_schema, sweep
from hourly_site import BY_ROLLING, NO_BATTERY, SVG_AND_PNG, shared_study
from site_files import in_scenario
from sweeps import HEAD, PEAKS, RATES, write_sweep

DRAWN = (
    "crestfall_sweep: 1\nbase: scenario.yaml\nstudy: first_year\ndraws: {count: 3, seed: 2}\n"
    "axes:\n"
    "  - {key: option.racks, values: [1, 2]}\n"
    '  - {key: "tariff.demand_charges[0].rate_per_kw", uniform: {low: 6, high: 12}}\n'
)


def faults(kind: str, summary: dict) -> list[str]:
    as_json = json.loads(json.dumps(summary, allow_nan=False))
    return [error.message for error in Draft202012Validator(summary_schema(kind)).iter_errors(as_json)]


@pytest.fixture(scope="module")
def living():
    """A rolling plan through a life, with what would have helped."""
    return run(joinery(*LIVING, BY_ROLLING)).summary()


def test_a_first_year_keeps_the_schema():
    assert faults("run-summary", shared_study().summary()) == []
    assert faults("run-summary", shared_study(NO_BATTERY).summary()) == []


def test_emissions_keep_the_schema():
    factors = "emissions: {average_kg_per_kwh: 0.25, marginal_kg_per_kwh: 0.5}\noption:"
    summary = shared_study(in_scenario("option:", factors)).summary()
    assert set(summary["emissions"]) == {"average", "marginal"}
    assert faults("run-summary", summary) == []


def test_a_life_by_rolling_plans_keeps_the_schema(living):
    assert living["life"]
    assert living["unforeseen"]["costliest"]
    assert faults("run-summary", living) == []


def test_comparisons_keep_the_schema():
    assert faults("compare-summary", shared_comparison().summary()) == []
    alone = compare(joinery(), racks=[1], modules=[1], draws=0, workers=0)
    assert faults("compare-summary", alone.summary()) == []


@pytest.mark.parametrize(("text", "edit"), [(HEAD + RATES + PEAKS, NO_BATTERY), (DRAWN, SVG_AND_PNG)])
def test_sweeps_keep_the_schema(text, edit, tmp_path):
    found = sweep(write_sweep(tmp_path, text, edit), tmp_path / "out", workers=0)
    assert (found.choices is None) == (text != DRAWN)
    assert set(found.table["status"]) == {"done"}
    assert faults("sweep-summary", found.summary()) == []


def test_a_sweep_without_figures_keeps_the_schema(tmp_path):
    found = sweep(write_sweep(tmp_path, HEAD + RATES), tmp_path / "out", workers=0)
    empty = type(found)(plan=found.plan, table=found.table.assign(npv=float("nan"), status="refused"), base=found.base)
    assert empty.summary()["spread"] == {}
    assert faults("sweep-summary", empty.summary()) == []


def dictionaries(node: object, path: tuple = ()):
    """Give the path of every mapping in a summary whose keys are fixed."""
    if isinstance(node, dict):
        yield path
        for key, one in node.items():
            yield from dictionaries(one, (*path, key))
    elif isinstance(node, list) and node:
        yield from dictionaries(node[0], (*path, 0))


# Keys of these are lines, groups, policies or parts of the study.
OPEN = ("saving_by_line", "saving_by_group", "share_of_hindsight", "left_in_store", "saving_at_most_by_one_more")


def test_no_key_may_be_added_or_missing(living):
    for path in dictionaries(living):
        if any(part in OPEN for part in path):
            continue
        changed = copy.deepcopy(living)
        inner = changed
        for part in path:
            inner = inner[part]
        inner["colour"] = 3
        assert faults("run-summary", changed), path
        del inner["colour"]
        first = next(iter(inner))
        del inner[first]
        assert faults("run-summary", changed), (path, first)


@pytest.mark.parametrize(
    ("key", "value"),
    [("schema", "crestfall-summary/2"), ("saving", "much"), ("policy", "luck"), ("steps", 1.5), ("life", 3)],
)
def test_other_values_are_refused(living, key, value):
    assert faults("run-summary", living | {key: value})


def test_no_summary_holds_a_time_of_the_run(living):
    """They would differ from run to run; what the steps last is no such time."""
    said = json.dumps([living, shared_comparison().summary()])
    assert "timings" not in said
    assert "seconds" not in said
    assert not [name for name in summary_schema("run-summary")["properties"] if name.endswith("_s")]


@pytest.mark.parametrize("kind", ["run-summary", "compare-summary", "sweep-summary"])
def test_the_command_prints_the_schema(kind):
    done = CliRunner().invoke(cli.app, ["schema", kind])
    assert json.loads(done.stdout) == summary_schema(kind)
    Draft202012Validator.check_schema(summary_schema(kind))
