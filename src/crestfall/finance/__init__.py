"""Capital cost and simple payback."""

from crestfall.finance._payback import capital_cost, simple_payback_years

__all__ = ["capital_cost", "simple_payback_years"]
