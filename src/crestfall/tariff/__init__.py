"""Charges as written on a tariff sheet: prices for each step, billed peaks, and the bill."""

from crestfall.tariff._bill import BILL_COLUMNS, bill, billed_peaks_kw
from crestfall.tariff._rates import DemandRate, Rates, rates_on

__all__ = ["BILL_COLUMNS", "DemandRate", "Rates", "bill", "billed_peaks_kw", "rates_on"]
