"""Cycle counting, fade of capacity, warranty, and what is done about worn racks."""

from crestfall.ageing._cycles import BatteryUse, CycleCount, Cycles, battery_use
from crestfall.ageing._fleet import Fleet, RackGroup, Work, racks_to_hold
from crestfall.ageing._histograms import Histogram, UseHistograms, use_histograms
from crestfall.ageing._laws import (
    CycleAndYearLaw,
    CycleTableLaw,
    FadeLaw,
    FadeState,
    HealthByYearLaw,
    LfpLaw,
    LfpPowerLaw,
    health_curve,
    law_of,
)
from crestfall.ageing._plan import Purchase, is_over, later_cost, purchase
from crestfall.ageing._ranges import OutOfRange
from crestfall.ageing._temperature import cell_temperature_c
from crestfall.ageing._use import CellUse, cell_use, rest
from crestfall.ageing._warranty import (
    MARGINS,
    WARRANTY_COLUMNS,
    Breach,
    WarrantyCheck,
    WarrantyTerms,
    YearOfUse,
    check_kept_at_rest,
    warranted_law,
)
from crestfall.ageing._wear import life_years, wear_per_kwh
from crestfall.ageing._worn_plant import plant_as_guaranteed, worn_plant

__all__ = [
    "MARGINS",
    "WARRANTY_COLUMNS",
    "BatteryUse",
    "Breach",
    "CellUse",
    "CycleAndYearLaw",
    "CycleCount",
    "CycleTableLaw",
    "Cycles",
    "FadeLaw",
    "FadeState",
    "Fleet",
    "HealthByYearLaw",
    "Histogram",
    "LfpLaw",
    "LfpPowerLaw",
    "OutOfRange",
    "Purchase",
    "RackGroup",
    "UseHistograms",
    "WarrantyCheck",
    "WarrantyTerms",
    "Work",
    "YearOfUse",
    "battery_use",
    "cell_temperature_c",
    "cell_use",
    "check_kept_at_rest",
    "health_curve",
    "is_over",
    "later_cost",
    "law_of",
    "life_years",
    "plant_as_guaranteed",
    "purchase",
    "racks_to_hold",
    "rest",
    "use_histograms",
    "warranted_law",
    "wear_per_kwh",
    "worn_plant",
]
