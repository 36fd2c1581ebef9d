"""Studies: one option on one site's year."""

from crestfall.study._inputs import Inputs, dispatch_problem, prepare
from crestfall.study._result import SCHEDULE_COLUMNS, SUMMARY_SCHEMA, Before, Case, Result
from crestfall.study._run import run
from crestfall.study._spread import SPREAD_COLUMNS, spread, variants

__all__ = [
    "SCHEDULE_COLUMNS",
    "SPREAD_COLUMNS",
    "SUMMARY_SCHEMA",
    "Before",
    "Case",
    "Inputs",
    "Result",
    "dispatch_problem",
    "prepare",
    "run",
    "spread",
    "variants",
]
