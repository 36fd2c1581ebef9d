"""Studies: one option on one site's year, and through its life."""

from crestfall.study._inputs import Inputs, dispatch_problem, prepare
from crestfall.study._life_result import YEAR_COLUMNS, Life, LifeYear, RacksWarranty, WearTrial
from crestfall.study._result import SCHEDULE_COLUMNS, SUMMARY_SCHEMA, Before, Case, Result
from crestfall.study._spread import SPREAD_COLUMNS, spread, variants
from crestfall.study._study import run
from crestfall.study._unforeseen import Costly, Trial, Unforeseen

__all__ = [
    "SCHEDULE_COLUMNS",
    "SPREAD_COLUMNS",
    "SUMMARY_SCHEMA",
    "YEAR_COLUMNS",
    "Before",
    "Case",
    "Costly",
    "Inputs",
    "Life",
    "LifeYear",
    "RacksWarranty",
    "Result",
    "Trial",
    "Unforeseen",
    "WearTrial",
    "dispatch_problem",
    "prepare",
    "run",
    "spread",
    "variants",
]
