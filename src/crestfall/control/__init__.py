"""Policies that know only the past."""

from crestfall.control._forecasts import (
    DayClock,
    Forecast,
    ForecastErrors,
    Given,
    Regression,
    SameTime,
    SimilarDays,
    with_error,
)
from crestfall.control._issued import Issued
from crestfall.control._reachable import least_ceiling_kw
from crestfall.control._rolling import Forecasts, History, Rolled, follow_plan, forecasts_for
from crestfall.control._rules import follow_rules

__all__ = [
    "DayClock",
    "Forecast",
    "ForecastErrors",
    "Forecasts",
    "Given",
    "History",
    "Issued",
    "Regression",
    "Rolled",
    "SameTime",
    "SimilarDays",
    "follow_plan",
    "follow_rules",
    "forecasts_for",
    "least_ceiling_kw",
    "with_error",
]
