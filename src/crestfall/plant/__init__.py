"""The modular plant: which parts may be put together, and what they can give and lose."""

from crestfall.plant._backup import backup_floor_kwh, drain_kw, survival_h
from crestfall.plant._connection import (
    ConnectionSheet,
    Current,
    WithinLimits,
    ac_current_a,
    connection_sheet,
    dc_current_a,
    highest_kva,
    highest_within_kva,
)
from crestfall.plant._curves import Converter, RackBank, Segment, segments, weighted_efficiency
from crestfall.plant._option import Option, allowed_options, cabinets_needed
from crestfall.plant._options_table import OPTIONS_COLUMNS, options_table
from crestfall.plant._plant import MILD_C, EndTaper, Plant, build_plant
from crestfall.plant._site_equipment import NO_TRANSFORMER, TransformerLosses, active_limit_kw, reactive_to_hold

__all__ = [
    "MILD_C",
    "NO_TRANSFORMER",
    "OPTIONS_COLUMNS",
    "ConnectionSheet",
    "Converter",
    "Current",
    "EndTaper",
    "Option",
    "Plant",
    "RackBank",
    "Segment",
    "TransformerLosses",
    "WithinLimits",
    "ac_current_a",
    "active_limit_kw",
    "allowed_options",
    "backup_floor_kwh",
    "build_plant",
    "cabinets_needed",
    "connection_sheet",
    "dc_current_a",
    "drain_kw",
    "highest_kva",
    "highest_within_kva",
    "options_table",
    "reactive_to_hold",
    "segments",
    "survival_h",
    "weighted_efficiency",
]
