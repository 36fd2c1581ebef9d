"""Capital cost, cash flows through the years, and what is read off them."""

from crestfall.finance._appraisal import Appraisal, Returns, appraise
from crestfall.finance._capital import CapitalCost, capital_breakdown, capital_cost
from crestfall.finance._cash_flow import (
    CASH_FLOW_COLUMNS,
    ProjectYears,
    cash_flow,
    depreciation,
    loan_schedule,
    project_cash,
    written_off,
)
from crestfall.finance._offers import Offer, offers
from crestfall.finance._payback import simple_payback_years
from crestfall.finance._returns import (
    annuity,
    discount_factors,
    levelised_cost,
    modified_rate_of_return,
    payback_years,
    present_value,
    profitability_index,
    rates_of_return,
    real_rate,
)

__all__ = [
    "CASH_FLOW_COLUMNS",
    "Appraisal",
    "CapitalCost",
    "Offer",
    "ProjectYears",
    "Returns",
    "annuity",
    "appraise",
    "capital_breakdown",
    "capital_cost",
    "cash_flow",
    "depreciation",
    "discount_factors",
    "levelised_cost",
    "loan_schedule",
    "modified_rate_of_return",
    "offers",
    "payback_years",
    "present_value",
    "profitability_index",
    "project_cash",
    "rates_of_return",
    "real_rate",
    "simple_payback_years",
    "written_off",
]
