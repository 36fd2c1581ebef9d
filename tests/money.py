"""Projects and money made of numbers."""

import numpy as np
from hypothesis import strategies as st

from crestfall.finance import CapitalCost, ProjectYears
from crestfall.scenario.money_block import Money

NOTHING = dict.fromkeys(CapitalCost.__slots__, 0.0)
AT_EIGHT = {"rate_frac": 0.08, "terms": "nominal"}


def capital_of(total: float = 100_000.0, **parts: float) -> CapitalCost:
    """Return a capital cost that is all racks but for the parts given."""
    return CapitalCost(**{**NOTHING, "racks": total - sum(parts.values()), **parts})


def money_with(**keys) -> Money:
    """Return money in EUR, at 8 % nominal but for the keys given."""
    return Money.model_validate({"currency": "EUR", "discount": AT_EIGHT, **keys})


def years_of(savings, *, replacement=None, discharged_kwh=50_000.0, charging_cost=0.0) -> ProjectYears:
    """Return years whose savings stand on one line; one number fills all years."""
    saved = np.asarray(savings, dtype=float)
    return ProjectYears(
        lines=("All",),
        line_savings=saved[:, None],
        replacement_cost=np.zeros(len(saved)) if replacement is None else np.asarray(replacement, dtype=float),
        discharged_kwh=np.broadcast_to(np.asarray(discharged_kwh, dtype=float), saved.shape).copy(),
        charging_cost=np.broadcast_to(np.asarray(charging_cost, dtype=float), saved.shape).copy(),
    )


amounts = st.integers(-50_000, 50_000).map(float)
cash_rows = st.lists(amounts, min_size=2, max_size=26)
yearly_costs = st.fixed_dictionaries(
    {
        "amount_per_year": st.integers(0, 3000).map(float),
        "frac_of_capital": st.sampled_from([0.0, 0.01]),
        "escalation_frac_per_year": st.sampled_from([0.0, 0.02, -0.01]),
    }
)


@st.composite
def moneys(draw, *, losses=("offset", "carried_forward")):
    """Draw money with running costs, perhaps with tax and a loan."""
    keys = {
        "discount": {
            "rate_frac": draw(st.sampled_from([0.0, 0.05, 0.12])),
            "terms": "nominal",
            "timing": draw(st.sampled_from(["end_of_year", "mid_year"])),
        },
        "residual_frac": draw(st.sampled_from([0.0, 0.1])),
        "decommissioning_cost": draw(st.sampled_from([0.0, 4000.0])),
        **{line: draw(yearly_costs) for line in ("service", "insurance", "land")},
    }
    if draw(st.booleans()):
        keys["tax"] = {
            "rate_frac": draw(st.sampled_from([0.15, 0.3])),
            "depreciation": draw(st.sampled_from(["straight_line", "declining"])),
            "depreciation_years": draw(st.integers(1, 15)),
            "losses": draw(st.sampled_from(losses)),
        }
    if draw(st.booleans()):
        keys["loan"] = {
            "share_frac": draw(st.sampled_from([0.3, 1.0])),
            "rate_frac": 0.05,
            "years": draw(st.integers(1, 4)),
        }
    return money_with(**keys)


@st.composite
def projects(draw, *, most_years: int = 20):
    """Draw years of operation with some replacements."""
    n = draw(st.integers(4, most_years))
    row = st.lists(amounts, min_size=n, max_size=n)
    bought = st.lists(st.sampled_from([0.0, 0.0, 0.0, 20_000.0]), min_size=n, max_size=n)
    return years_of(draw(row), replacement=draw(bought))
