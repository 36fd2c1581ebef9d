"""What one rack or one module more would save at the most, against what it does save."""

from dataclasses import replace

import pytest

from crestfall.dispatch import optimise
from crestfall.plant import Option, build_plant
from crestfall.scenario import load_scenario
from crestfall.study import dispatch_problem, prepare
from crestfall.study._neighbours import at_most
from hourly_site import write_hourly_site
from small_problems import small_problem


@pytest.fixture(scope="module")
def inputs(tmp_path_factory):
    return prepare(load_scenario(write_hourly_site(tmp_path_factory.mktemp("site"))))


@pytest.fixture(scope="module")
def optimum(inputs):
    return optimise(dispatch_problem(inputs), solver="exact")


def test_no_larger_option_saves_more_than_it_is_said_to_save_at_the_most(inputs, optimum):
    """What it saves is known to the gap of its own proof."""
    found = at_most(inputs, inputs.rates, optimum)
    assert {one.part for one in found} == {"rack", "module"}
    for more in found:
        plant = build_plant(inputs.scenario.catalogue, more.option)
        larger = optimise(dispatch_problem(replace(inputs, plant=plant)), solver="exact")
        assert larger.objective - larger.lower_bound <= 1e-6 * abs(optimum.objective)
        assert optimum.objective - larger.lower_bound <= more.saving + 1e-6 * abs(optimum.objective)


def test_what_the_general_solver_found_has_no_prices_to_tell_by(inputs, optimum):
    assert optimise(small_problem(4, load_kw=[60, 60, 120, 60]), solver="lp").proof == ()
    assert at_most(inputs, inputs.rates, replace(optimum, proof=())) == ()


def test_no_battery_has_no_larger_option_by_one_part(inputs):
    none = replace(inputs, plant=build_plant(inputs.scenario.catalogue, Option(0, 0)))
    assert at_most(none, none.rates, optimise(dispatch_problem(none))) == ()
