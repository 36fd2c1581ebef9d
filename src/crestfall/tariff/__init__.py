"""Charges as written on a tariff sheet: prices for each step, billed peaks, and the bill."""

from crestfall.tariff._amounts import FixedLine, lines_on
from crestfall.tariff._bill import BILL_COLUMNS, bill
from crestfall.tariff._demand import CapacityLine, DemandLine, Measure, interval_means
from crestfall.tariff._energy import EnergyLine, Tiers
from crestfall.tariff._escalation import escalated
from crestfall.tariff._occasions import CoincidentLine, EventLine
from crestfall.tariff._rates import Rates, rates_on
from crestfall.tariff._reactive import ReactiveLine
from crestfall.tariff._readings import Readings
from crestfall.tariff._sheet import Sheet

__all__ = [
    "BILL_COLUMNS",
    "CapacityLine",
    "CoincidentLine",
    "DemandLine",
    "EnergyLine",
    "EventLine",
    "FixedLine",
    "Measure",
    "Rates",
    "ReactiveLine",
    "Readings",
    "Sheet",
    "Tiers",
    "bill",
    "escalated",
    "interval_means",
    "lines_on",
    "rates_on",
]
