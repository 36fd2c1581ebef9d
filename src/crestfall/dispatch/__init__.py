"""From a :class:`Problem` (arrays) to the schedule of least cost, with proof."""

from crestfall.dispatch._bound import Cut, Multipliers, lower_bound
from crestfall.dispatch._curve import Curve
from crestfall.dispatch._diagnosis import ImportLimitError
from crestfall.dispatch._optimise import Solver, least_cost, optimise
from crestfall.dispatch._problem import Problem, Taper
from crestfall.dispatch._schedule import Schedule, Status, check_feasible, idle_schedule
from crestfall.dispatch._settlement import FlowSum, Peak, Reference, Settlement, SettlementWriter

__all__ = [
    "Curve",
    "Cut",
    "FlowSum",
    "ImportLimitError",
    "Multipliers",
    "Peak",
    "Problem",
    "Reference",
    "Schedule",
    "Settlement",
    "SettlementWriter",
    "Solver",
    "Status",
    "Taper",
    "check_feasible",
    "idle_schedule",
    "least_cost",
    "lower_bound",
    "optimise",
]
