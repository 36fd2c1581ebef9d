"""From a :class:`Problem` (arrays) to the schedule of least cost, with proof."""

from crestfall.dispatch._bound import Multipliers, lower_bound
from crestfall.dispatch._problem import Peak, Problem
from crestfall.dispatch._schedule import Schedule, Status, check_feasible, idle_schedule
from crestfall.dispatch._solve import ImportLimitError, optimise

__all__ = [
    "ImportLimitError",
    "Multipliers",
    "Peak",
    "Problem",
    "Schedule",
    "Status",
    "check_feasible",
    "idle_schedule",
    "lower_bound",
    "optimise",
]
