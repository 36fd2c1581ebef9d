"""Why an option is recommended: each clause in the number and with the sign of what it tells."""

from types import SimpleNamespace

import pytest

from crestfall.plant import Option
from crestfall.study import Criterion
from crestfall.study._option_figures import OptionFigures
from crestfall.study._reason import reasons
from crestfall.study._steps import Step


def figures(racks, modules=3, *, saving=5000.0, payback=7.0):
    worth = SimpleNamespace(appraisal=SimpleNamespace(without_debt=SimpleNamespace(npv=1000.0)))
    bills = {"bill_without": 9000.0, "bill_with": 9000.0 - saving}
    return OptionFigures(option=Option(racks, modules), **bills, payback_years=payback, life=worth)


def clauses(criterion, best, *steps):
    """Return what is said of the steps from and to the best option."""
    terms = SimpleNamespace(criterion=Criterion(name=criterion))
    return list(reasons(best, None, steps, terms, "EUR")[1:])


def step(smaller, larger, part="racks", yearly_saving=1900.0, yearly_cost=2600.0):
    return Step(smaller=smaller, larger=larger, part=part, yearly_saving=yearly_saving, yearly_cost=yearly_cost)


@pytest.mark.parametrize(
    ("best", "more", "words"),
    [
        (4, 5, "a fifth rack adds 1,900 and costs 2,600 EUR a year"),
        (7, 8, "an eighth rack adds 1,900 and costs 2,600 EUR a year"),
        (10, 11, "an 11th rack adds 1,900 and costs 2,600 EUR a year"),
        (17, 18, "an 18th rack adds 1,900 and costs 2,600 EUR a year"),
        (79, 80, "an 80th rack adds 1,900 and costs 2,600 EUR a year"),
        (21, 22, "a 22nd rack adds 1,900 and costs 2,600 EUR a year"),
        (4, 8, "4 racks more add 1,900 and cost 2,600 EUR a year"),
    ],
)
def test_the_next_racks_are_named_by_their_place_or_number(best, more, words):
    chosen = figures(best)
    assert clauses("npv", chosen, step(chosen, figures(more))) == [words]


@pytest.mark.parametrize(
    ("fewer", "words"),
    [
        (3, "the fourth rack adds 1,900 and costs 2,600 EUR a year"),
        (1, "the last 3 racks add 1,900 and cost 2,600 EUR a year"),
    ],
)
def test_the_last_racks_are_one_or_several(fewer, words):
    chosen = figures(4)
    assert clauses("npv", chosen, step(figures(fewer), chosen)) == [words]


@pytest.mark.parametrize(
    ("saving", "cost", "one", "several"),
    [
        (12, 34, "adds 12 and costs 34", "add 12 and cost 34"),
        (12, -34, "adds 12 and spares 34", "add 12 and spare 34"),
        (-12, 34, "loses 12 and costs 34", "lose 12 and cost 34"),
        (-12, -34, "loses 12 and spares 34", "lose 12 and spare 34"),
    ],
)
def test_verbs_follow_sign_and_number(saving, cost, one, several):
    chosen = figures(2, 2)
    amounts = {"part": "modules", "yearly_saving": saving, "yearly_cost": cost}
    assert clauses("npv", chosen, step(chosen, figures(2, 3), **amounts)) == [f"a third module {one} EUR a year"]
    assert clauses("npv", chosen, step(chosen, figures(2, 4), **amounts)) == [f"2 modules more {several} EUR a year"]


def test_savings_stand_beside_what_they_cost_at_once():
    chosen, larger = figures(2), figures(4, saving=4900.0)
    assert clauses("saving", chosen, step(chosen, larger)) == ["2 racks more lose 100 EUR a year and cost 0 EUR"]


@pytest.mark.parametrize(
    ("other", "years", "words"),
    [
        (3, 7.5, "a third rack brings that to 7.5 years"),
        (4, 7.5, "2 racks more bring that to 7.5 years"),
        (3, None, "a third rack keeps it from paying back"),
        (4, None, "2 racks more keep it from paying back"),
        (1, 7.5, "without the second rack it takes 7.5 years"),
        (1, None, "without the second rack it never pays back"),
    ],
)
def test_payback_is_told_with_more_and_without_the_last(other, years, words):
    chosen, neighbour = figures(2), figures(other, payback=years)
    smaller, larger = sorted((chosen, neighbour), key=lambda one: one.option)
    assert clauses("payback", chosen, step(smaller, larger)) == [words]
