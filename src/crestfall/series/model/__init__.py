"""Series that nobody metered: loads from profiles, working hours or bills, PV from weather."""

from crestfall.series.model._additions import added_kw
from crestfall.series.model._load import axis_of_year, modelled_load_kw
from crestfall.series.model._pv import Weather, modelled_pv_kw, pv_energy_frame, read_weather
from crestfall.series.model._shape import fitted_kw, shape_of, standard_profile

__all__ = [
    "Weather",
    "added_kw",
    "axis_of_year",
    "fitted_kw",
    "modelled_load_kw",
    "modelled_pv_kw",
    "pv_energy_frame",
    "read_weather",
    "shape_of",
    "standard_profile",
]
